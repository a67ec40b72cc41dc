"""The last closed seconds of one instrument, as running sums and as powers at the crank."""

import math
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, field

from monitor.analysis.block import MIN_POWER_W
from monitor.analysis.curve import REVS, TURNED
from monitor.analysis.expected import Loss

COVERED_PART = 0.98
"""A second of which less is covered is a hole (common practice, no source)."""
TURNS_S = 20
"""Over so many of the last seconds cadence can be told."""
SHARE_S = 3
"""A share is read from so many seconds: a rider's turns differ from one to the next."""
NEIGHBOURHOOD_S = 5
"""Seconds whose mean and variation stand for the power at an end of a window (common practice, no source)."""


def _sums(length: int) -> deque[float]:
    """A running sum at the end of each kept second, from nothing."""
    return deque([0.0], maxlen=length)


@dataclass(slots=True)
class Past:
    """The last closed seconds of one instrument: `seconds`, `fives` and `swings` have one entry a second,
    running sums one more, so that windows of late instruments may begin and end between seconds."""

    kept_s: int
    loss: Loss | None
    """Between the crank and what it shows; None: none is expected."""
    works: deque[float] = field(init=False)
    """Running sum of work (J)."""
    lefts: deque[float] = field(init=False)
    """Running sum of the left side's work (J)."""
    revs: deque[float] = field(default_factory=lambda: _sums(TURNS_S + 1))
    """Running sum of revolutions."""
    turned: deque[float] = field(default_factory=lambda: _sums(TURNS_S + 1))
    """Running sum of seconds with known revolutions."""
    seconds: deque[float] = field(init=False)
    """Crank-equivalent power (W), nan where unknown."""
    last: deque[float] = field(default_factory=lambda: deque(maxlen=NEIGHBOURHOOD_S))
    """The same of the last five seconds."""
    fives: deque[float] = field(init=False)
    """Means of the five seconds up to each: what windows begin and end with (W)."""
    swings: deque[float] = field(init=False)
    """By how much the power varied in the five seconds up to each (W)."""
    shares: deque[float] = field(init=False)
    """The left share (0..1) of the SHARE_S seconds up to each; that of before where there is no power."""
    two: float = math.nan
    """Mean of the last two seconds (W)."""
    clean_since: int = 0
    """Since which second it has been covered and pedalled, without a hole."""
    sided_since: int = 0
    """Since which second it has told both sides, without a hole."""

    def __post_init__(self) -> None:
        self.works, self.lefts = _sums(self.kept_s), _sums(self.kept_s)
        self.seconds, self.fives, self.swings = (deque(maxlen=self.kept_s) for _ in range(3))
        self.shares = deque(maxlen=self.kept_s)

    def take_work(self, row: Sequence[float], end: int) -> float | None:
        """The next closed second, `row` a cell, and `end` its number plus one; the power at the crank (W),
        None where the second is not covered."""
        work, left, sided, covered = row[:4]
        works, lefts, last = self.works, self.lefts, self.last
        works.append(works[-1] + work)
        lefts.append(lefts[-1] + left)
        first = -1 - SHARE_S if len(works) > SHARE_S else 0
        three_j = works[-1] - works[first]
        if sided and three_j > SHARE_S * MIN_POWER_W:
            self.shares.append((lefts[-1] - lefts[first]) / three_j)
        else:
            self.shares.append(self.shares[-1] if self.shares else 0.0)
        known = covered > COVERED_PART
        if known:
            power = work / covered if self.loss is None else self.loss.at_crank(work / covered)
        else:
            power = math.nan
            self.clean_since = end
        self.seconds.append(power)
        last.append(power)
        mean = sum(last) / len(last)
        self.fives.append(mean)
        self.swings.append(max(last) - min(last) if mean == mean else math.inf)
        self.two = 0.5 * (last[-2] + power) if len(last) > 1 else power
        if sided < COVERED_PART:
            self.sided_since = end
        return power if known else None

    def scale(self, by: float) -> None:
        """Count all work `by` times as large: what it shows is judged, and differs from what it counts."""
        for values in (self.works, self.lefts, self.seconds, self.last, self.fives, self.swings):
            scaled = [by * v for v in values]
            values.clear()
            values.extend(scaled)
        self.two *= by

    def take_turns(self, row: Sequence[float]) -> None:
        """The revolutions of the next closed second."""
        revs, turned = self.revs, self.turned
        revs.append(revs[-1] + row[REVS])
        turned.append(turned[-1] + row[TURNED])

    def leap(self, to: int) -> None:
        """Time has leapt over a hole to second `to`, in which nothing is known."""
        self.clean_since = self.sided_since = to
        for sums in (self.revs, self.turned):
            sums.extend([sums[-1]] * (TURNS_S + 1))

    def cadence(self, first: int, last: int, least_s: float) -> float | None:
        """Mean cadence (rpm) between two places of the running sums, of which at least so many seconds have
        to be known; None: they are not."""
        known_s = self.turned[last] - self.turned[first]
        return 60.0 * (self.revs[last] - self.revs[first]) / known_s if known_s > least_s else None
