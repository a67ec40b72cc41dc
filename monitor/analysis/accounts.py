"""Two accounts of one instrument: the power it shows, which every display takes, and the power it counts.

Torque and turns are exact where packets are lost, so the work curve is made of them. What is judged
is what a rider sees: where both accounts differ, counted power is multiplied by their ratio.
"""

import math
from collections import deque
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from monitor.analysis.block import MIN_POWER_W
from monitor.analysis.statistics import middle_and_spread, t_975

EVEN = 0.1
"""Only windows whose thirds differ by less than this part: what is shown comes late."""
LEAST_WINDOWS = 4
LEAST_PER_S = 1.0 / 3.0
"""With fewer shown values a second the values of a window are no mean of it."""
LEAST_RATIO = 0.005
"""Rounding to whole watts and whole turns makes less than half a percent (common practice, no source)."""
LIVE_WINDOW_S = 15
"""While riding, both accounts are compared over so many seconds: a minute of even riding tells."""
KEPT_WINDOWS = 20
"""Five minutes of even riding: what an instrument shows may change."""
LIVE_RATIO, LIVE_SIGMA = 0.01, 6.0
"""While riding, accounts differ by more than this and by so many standard deviations of their median: it is
looked at every quarter of a minute, and a few short windows scatter."""
LEAST_SPREAD = 0.005
"""Of short windows, however alike the first ones are (rounding to whole turns, events between packets)."""
LEAST_SECOND_W = MIN_POWER_W / 3
"""A second with less power is a stop."""
WHOLE_S = 0.98
"""Of a second so much must be known."""


class Ratio(NamedTuple):
    """Power shown over power counted, and its standard deviation."""

    ratio: float
    sd: float
    u95: float

    @property
    def leaves_one(self) -> bool:
        """Whether the accounts differ: by more than LEAST_RATIO and three standard deviations."""
        return abs(self.ratio - 1.0) > max(LEAST_RATIO, 3.0 * self.sd)


def ratio_of(ratios: Sequence[float]) -> Ratio | None:
    """The ratio of both accounts from that of several windows; None for fewer than LEAST_WINDOWS."""
    if len(ratios) < LEAST_WINDOWS:
        return None
    values = np.array(ratios)
    # A window in which packets were held back is no measure of the instrument.
    middle, spread = middle_and_spread(values)
    spread = max(1e-4, spread)
    kept = values[np.abs(values - middle) <= 4.0 * spread]
    sd = float(kept.std(ddof=1)) / math.sqrt(len(kept)) if len(kept) > 1 else spread
    return Ratio(float(kept.mean()), sd, t_975(max(1.0, len(kept) - 1.0)) * sd)


def is_even(counted_w: Sequence[float]) -> bool:
    """Whether a window of seconds, a multiple of three, was ridden evenly and without a stop."""
    third = len(counted_w) // 3
    if not all(w >= LEAST_SECOND_W for w in counted_w):
        # Not known is not even, either.
        return False
    means = [sum(counted_w[k : k + third]) / third for k in range(0, 3 * third, third)]
    mean_w = sum(means) / 3.0
    return mean_w >= MIN_POWER_W and max(means) - min(means) <= EVEN * mean_w


def is_led_in(before_w: Sequence[float], mean_w: float) -> bool:
    """Whether the seconds before an even window were ridden at its load, without a stop."""
    if not before_w or not all(w >= LEAST_SECOND_W for w in before_w):
        return False
    return abs(sum(before_w) / len(before_w) - mean_w) <= EVEN * mean_w


class Account:
    """Both accounts of one instrument while it is ridden; `factor` makes shown power of counted power."""

    __slots__ = ("_counted", "_ratios", "_shown", "_sound", "factor")

    def __init__(self) -> None:
        self.factor = 1.0
        """1 while both accounts agree, or too little is known."""
        self._ratios: deque[float] = deque(maxlen=KEPT_WINDOWS)
        self._shown: dict[int, list[float]] = {}
        self._counted: list[float] = []
        self._sound = True

    def shows(self, t_s: float, power_w: float) -> None:
        """The instrument showed this power at `t_s`."""
        window = int(t_s) // LIVE_WINDOW_S
        sums = self._shown.get(window)
        if sums is None:
            sums = self._shown[window] = [0.0, 0.0]
        sums[0] += power_w
        sums[1] += 1.0

    def counts(self, second: int, work_j: float, covered_s: float, sound: bool) -> float | None:
        """What it counted in the next closed second; the new factor, if it changed.

        `sound`: the work is made of its counters. Where it is made of what is shown, there is one account.
        """
        if sound is not self._sound:
            self._sound = sound
            self._ratios.clear()
        at = second % LIVE_WINDOW_S
        if at == 0:
            self._counted.clear()
        self._counted.append(work_j / covered_s if covered_s > WHOLE_S else math.nan)
        if at != LIVE_WINDOW_S - 1:
            return None
        k = second // LIVE_WINDOW_S
        total_w, shown = self._shown.get(k, (0.0, 0.0))
        for old in [w for w in self._shown if w <= k]:
            del self._shown[old]
        counted = self._counted
        if (
            sound
            and len(counted) == LIVE_WINDOW_S
            and shown >= LEAST_PER_S * LIVE_WINDOW_S
            and is_even(counted)
        ):
            self._ratios.append(total_w / shown / (sum(counted) / LIVE_WINDOW_S))
        wanted = self._wanted()
        if wanted is None or wanted == self.factor:
            return None
        self.factor = wanted
        return wanted

    def _wanted(self) -> float | None:
        """The factor as the windows have it; None: the present one stands."""
        n = len(self._ratios)
        if n < LEAST_WINDOWS:
            return None
        values = sorted(self._ratios)
        middle = 0.5 * (values[(n - 1) // 2] + values[n // 2])
        apart = sorted(abs(v - middle) for v in values)
        spread = max(LEAST_SPREAD, 1.4826 * 0.5 * (apart[(n - 1) // 2] + apart[n // 2]))
        least = max(LIVE_RATIO, LIVE_SIGMA * spread / math.sqrt(n))
        # What is judged must not move with every window, nor come and go at a threshold.
        if self.factor != 1.0:
            if abs(middle - 1.0) < 0.5 * least:
                return 1.0
            return middle if abs(middle / self.factor - 1.0) > least else None
        return middle if abs(middle - 1.0) > least else None
