"""Control charts for a value that should stay: individuals with moving range, and EWMA for slow drift.

NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2 (individuals) and 6.3.2.4 (EWMA). Limits come from
the first evenings of the pair itself, which are taken to be good: a later change is seen against them.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from monitor.analysis.statistics import Floats

D2 = 1.128
"""Mean range of two normal values over their standard deviation (d2 for n = 2, NIST 6.3.2.2)."""
D4 = 3.267
"""Upper limit of a moving range of two over its mean (D4 for n = 2, constants of Shewhart charts)."""
FIRST, LEAST = 10, 5
"""The limits come from so many first evenings at most, and from no fewer (common practice, no source)."""
STUDENT = {4: 6.620, 5: 5.507, 6: 4.904, 7: 4.530, 8: 4.277, 9: 4.094}
"""Student's t that 99.865 % stay below, by degrees of freedom: three sigma, where sigma is estimated."""
NEWEST = 3
"""So many of the latest evenings never make limits, if others suffice."""
LAMBDA, WIDTH = 0.3, 3.0
"""Weight of the newest value in the EWMA, and width of its limits in standard deviations (NIST 6.3.2.4)."""


@dataclass(frozen=True)
class Chart:
    """Individuals, moving ranges and EWMA of a series, each with its limits.

    `first` values made the limits. Indices of `beyond` break the limits of the individuals, of `jumps` those
    of the moving range, of `drifted` those of the EWMA; its limits are those far from the start.
    """

    values: tuple[float, ...]
    first: int
    centre: float
    sigma: float
    low: float
    high: float
    ranges: tuple[float, ...]
    range_mean: float
    range_high: float
    ewma: tuple[float, ...]
    ewma_low: float
    ewma_high: float
    beyond: tuple[int, ...]
    jumps: tuple[int, ...]
    drifted: tuple[int, ...]

    @property
    def signal(self) -> bool:
        """Whether the latest value or average is outside, centre and sigma being estimates themselves.

        Without that, at three sigma from a few evenings, one healthy pair in fifteen would stand accused.
        """
        t = STUDENT[self.first - 1]
        value = t * self.sigma * math.sqrt(1.0 + 1.0 / self.first)
        average = t * self.sigma * math.sqrt(LAMBDA / (2.0 - LAMBDA) + 1.0 / self.first)
        return abs(self.values[-1] - self.centre) > value or abs(self.ewma[-1] - self.centre) > average


def individuals_limits(values: Sequence[float]) -> tuple[float, float, float, float]:
    """Centre, mean moving range, and the lower and upper limit of individuals (NIST 6.3.2.2)."""
    centre = math.fsum(values) / len(values)
    ranges = [abs(b - a) for a, b in pairwise(values)]
    mean = math.fsum(ranges) / len(ranges)
    return centre, mean, centre - 3.0 * mean / D2, centre + 3.0 * mean / D2


def ewma_of(values: Sequence[float], start: float, weight: float = LAMBDA) -> Floats:
    """Exponentially weighted moving average, beginning from `start` (NIST 6.3.2.4)."""
    result = np.empty(len(values))
    last = start
    for k, value in enumerate(values):
        last = weight * value + (1.0 - weight) * last
        result[k] = last
    return result


def ewma_limit(sigma: float, weight: float = LAMBDA, width: float = WIDTH) -> float:
    """By how much the average may leave the centre, far from its beginning (NIST 6.3.2.4)."""
    return width * sigma * math.sqrt(weight / (2.0 - weight))


def ewma_limit_at(k: int, sigma: float, weight: float = LAMBDA, width: float = WIDTH) -> float:
    """The same for value number `k`, from 0: near its beginning the average has moved less."""
    return ewma_limit(sigma, weight, width) * math.sqrt(1.0 - (1.0 - weight) ** (2 * (k + 1)))


def chart_of(values: Sequence[float], floor: float = 0.0) -> Chart | None:
    """The charts of a series in time; None for fewer than LEAST values.

    `floor`: no standard deviation is believed to be smaller. A few evenings that happen to agree would else
    make every later one an alarm.
    """
    if len(values) < LEAST:
        return None
    # While there are few, the latest ones are judged by those before.
    first = min(FIRST, max(LEAST, len(values) - NEWEST))
    centre, mean, _, _ = individuals_limits(values[:first])
    sigma = max(mean / D2, floor)
    ranges = tuple(abs(b - a) for a, b in pairwise(values))
    # What made the centre is no news: the average of later values is held against it.
    after = ewma_of(values[first:], centre)
    average = (*([centre] * first), *after.tolist())
    limits = [ewma_limit_at(k, sigma) for k in range(len(after))]
    low, high = centre - 3.0 * sigma, centre + 3.0 * sigma
    range_high = D4 * sigma * D2
    wide = ewma_limit(sigma)
    return Chart(
        values=tuple(values),
        first=first,
        centre=centre,
        sigma=sigma,
        low=low,
        high=high,
        ranges=ranges,
        range_mean=mean,
        range_high=range_high,
        ewma=average,
        ewma_low=centre - wide,
        ewma_high=centre + wide,
        beyond=tuple(k for k, v in enumerate(values) if not low <= v <= high),
        jumps=tuple(k + 1 for k, r in enumerate(ranges) if r > range_high),
        drifted=tuple(
            first + k for k, (a, w) in enumerate(zip(after, limits, strict=True)) if abs(a - centre) > w
        ),
    )
