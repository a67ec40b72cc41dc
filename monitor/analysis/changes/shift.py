"""Something changed: a step of an instrument against its own past, found live.

Blocks of ten seconds of the log ratio to the reference go through a self-starting
cumulative sum (Hawkins 1987): each block is standardised by the mean and spread of all
blocks before it, so that nothing need be known in advance, then summed both ways.
"""

import math
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from statistics import NormalDist
from typing import NamedTuple

import numpy as np

from monitor.analysis.block import Block
from monitor.analysis.changes.ramp import Ramp, drift_beside_step, ramp_until, series_of
from monitor.analysis.diagnose import LEVEL_OF_SIDE
from monitor.analysis.statistics import autocorrelation, slow_factor
from monitor.finding import Side

K = 0.5
H = 8.5
H_SIDE = 12.0
"""Decision interval, standard deviations. The average run length to a false alarm of k 0.5 grows about
e-fold with each unit: 465 blocks at 5, 3,600 at 7.03 (computed, and for h 4 as Lucas and Crosier 1982).
Sides scatter more, follow the rider's balance in coarse steps, are two more to watch: theirs is higher."""
WARM_UP = 6
MAX_Z = 3.5
MIN_PERCENT = 1.3
MIN_SIDE_PERCENT = 2.0
MIN_DRIFT_PERCENT = 1.4
"""Steps under these are true perhaps, but of no use to a tester: meters wander by half of it, and sides
follow the rider in coarse steps."""
SHOWN_S = 60
BASELINE = 12
"""Blocks at the beginning that later ones are held against for drift."""
LAMBDA = 0.1
DRIFT_SIGMAS = 5.0
SPLIT_PERCENT = 2.5
"""A split of sides that creeps by less may be the rider's own in coarse steps."""
STEP_SIGMAS = 3.8
OFFSET_NM = 0.2
"""Standard deviation of the zero offset of a meter that has read true so far (N·m; common practice, no
source)."""
LEVEL_WIDTH = 0.1
"""Blocks whose torques differ by less than a tenth or so are of one level."""
NARROW = 4.0
"""Between two ranges of torque that are so many of their own standard deviations apart the slope is not
known from within them (common practice, no source)."""
LIKELY_TIMES = 1.5
"""An offset of so many times its likely size is likely enough where nothing else tells."""
_NORMAL = NormalDist()


def student_cdf(t: float, dof: int) -> float:
    """Distribution function of Student's t for whole degrees of freedom.

    The finite sums of Abramowitz and Stegun 26.7.3 and 26.7.4.
    """
    theta = math.atan(t / math.sqrt(dof))
    c2 = math.cos(theta) ** 2
    if dof % 2:
        total, term = 0.0, math.cos(theta)
        for j in range(3, dof + 1, 2):
            total += term
            term *= c2 * (j - 1) / j
        a = 2.0 / math.pi * (theta + math.sin(theta) * total)
    else:
        total, term = 0.0, 1.0
        for j in range(2, dof + 1, 2):
            total += term
            term *= c2 * (j - 1) / j
        a = math.sin(theta) * total
    return 0.5 + 0.5 * a


class SelfStarting:
    """Standardises each value by those before it: N(0, 1) until something changes."""

    def __init__(self) -> None:
        self.n = 0
        self.mean = 0.0
        self._m2 = 0.0

    def update(self, x: float) -> float | None:
        """The standardised value, or None while fewer than two values came before."""
        u = None
        if self.n >= 2 and self._m2 > 0.0:
            s = math.sqrt(self._m2 / (self.n - 1))
            t = (x - self.mean) / s * math.sqrt(self.n / (self.n + 1.0))
            dof = self.n - 1
            p = student_cdf(t, dof) if dof <= 200 else _NORMAL.cdf(t)
            u = _NORMAL.inv_cdf(min(max(p, 1e-12), 1.0 - 1e-12))
        self.n += 1
        d = x - self.mean
        self.mean += d / self.n
        self._m2 += d * (x - self.mean)
        return u


class Cusum:
    """Tabular cumulative sums, both ways, reference value `k`; the caller compares with its h."""

    def __init__(self, k: float) -> None:
        self.k = k
        self.high = self.low = 0.0
        self.since_high = self.since_low = 0

    def update(self, z: float) -> None:
        """Take one standardised value; `since_high` and `since_low` count values since the last zero."""
        self.high = max(0.0, self.high + z - self.k)
        self.since_high = self.since_high + 1 if self.high > 0.0 else 0
        self.low = max(0.0, self.low - z - self.k)
        self.since_low = self.since_low + 1 if self.low > 0.0 else 0


class Ewma:
    """An exponentially weighted moving average, weight `lam` for each new value."""

    def __init__(self, lam: float, start: float) -> None:
        self.lam = lam
        self.value = start

    def update(self, x: float) -> float:
        """Take the next value; the average."""
        self.value += self.lam * (x - self.value)
        return self.value

    def half_width(self, sd: float, sigmas: float) -> float:
        """Distance of the control limits from the centre line, after many values of spread `sd`."""
        return sigmas * sd * math.sqrt(self.lam / (2.0 - self.lam))


@dataclass(frozen=True, slots=True)
class Shift:
    """A change: when it began, when it was noticed (session seconds), its size in percent and its side.

    `drift` tells a slow change from a step. One that goes on grows: it is the same change with another size.
    """

    since_s: float
    found_s: float
    percent: float = field(compare=False)
    side: Side
    drift: bool = False
    until_s: float | None = field(default=None, compare=False)
    """Of a drift: up to when it has been seen to go on."""
    percent_per_hour: float | None = field(default=None, compare=False)


class Row(NamedTuple):
    """One block of a quantity: its end (s), log ratio, reciprocal torque (1 / N·m), and how much it counts
    beside one of steady riding (0..1, reciprocal variance)."""

    end_s: int
    y: float
    inverse: float
    weight: float


class _Line:
    """One quantity under watch."""

    def __init__(self, h: float, least_percent: float, usual: float, level_sd: float = 0.0) -> None:
        self.h = h
        self.level_sd = level_sd
        self.usual = usual
        self.least_percent = least_percent
        self.begin()

    def begin(self) -> None:
        self.start = SelfStarting()
        self.cusum = Cusum(K)
        self.past: deque[Row] = deque(maxlen=400)

    def feed(self, row: Row) -> bool:
        """Take the next block; whether the sums say that something has changed."""
        # What is less sure counts as less far from the rest.
        part = math.sqrt(row.weight) if self.start.n else 1.0
        u = self.start.update(self.start.mean + part * (row.y - self.start.mean))
        self.past.append(row)
        if u is None or self.start.n <= WARM_UP:
            return False
        # One wild block must not be proof: it takes three to raise a step of any size.
        self.cusum.update(min(max(u, -MAX_Z), MAX_Z))
        return max(self.cusum.high, self.cusum.low) > self.h

    def beginning(self) -> int | None:
        """The end of the first block after the change: where two levels fit best; None if too few are known.

        The sum's last zero lies before it, often by minutes: it bounds the search.
        """
        count = self.cusum.since_high if self.cusum.high > self.h else self.cusum.since_low
        n = len(self.past)
        splits = range(max(3, n - count - 1), n - 1)
        if not splits:
            return None
        weights = np.cumsum([row.weight for row in self.past])
        sums = np.cumsum([row.weight * row.y for row in self.past])
        gains = [
            sums[k - 1] ** 2 / weights[k - 1] + (sums[-1] - sums[k - 1]) ** 2 / (weights[-1] - weights[k - 1])
            for k in splits
        ]
        return self.past[splits[int(np.argmax(gains))]].end_s

    def step(self, first_end_s: int) -> float | None:
        """The step at the block that ends at `first_end_s`, percent; None if there is none worth telling."""
        before = [row for row in self.past if row.end_s < first_end_s]
        after = [row for row in self.past if row.end_s >= first_end_s]
        if len(before) < 3 or len(after) < 2:
            return None
        step = _step(before, after, self.usual, self.level_sd)
        percent = 0.0 if step is None else 100.0 * math.expm1(step)
        return percent if abs(percent) >= self.least_percent else None


OVER_S = 150.0
"""A drift that has stood still for so long is over."""


class _Drift:
    """One quantity against how it began: what creeps, a self-starting sum follows and misses."""

    def __init__(self, least_percent: float, usual: float) -> None:
        self.usual = usual
        self.least = math.log1p(least_percent / 100.0)
        self.begin()

    def begin(self) -> None:
        self.average: Ewma | None = None
        self.sd = 0.0
        self.past: deque[Row] = deque(maxlen=BASELINE)
        self.first: list[Row] = []

    def feed(self, row: Row) -> float | None:
        """Take the next block; how far it has crept in percent, once that is sure."""
        if len(self.first) < BASELINE:
            self.first.append(row)
            if len(self.first) == BASELINE:
                values = np.array([r.y for r in self.first])
                self.sd = max(0.005, float(values.std(ddof=1)))
                self.average = Ewma(LAMBDA, float(values.mean()))
                self.centre = self.average.value
            return None
        assert self.average is not None
        self.past.append(row)
        crept = self.average.update(row.y) - self.centre
        # The centre line is itself the mean of only a few blocks.
        limit = math.hypot(
            self.average.half_width(self.sd, DRIFT_SIGMAS), DRIFT_SIGMAS * self.sd / BASELINE**0.5
        )
        if abs(crept) < max(self.least, limit) or len(self.past) < BASELINE:
            return None
        step = _step(self.first, list(self.past), self.usual)
        return None if step is None or abs(step) < self.least else 100.0 * math.expm1(step)


def _likely_nm(before: Sequence[Row], usual: float) -> float:
    """The standard deviation of a zero offset by what was seen before a change (N·m)."""
    weights, inverses, deviations = (
        math.fsum(r.weight * x for r, x in zip(before, values, strict=True))
        for values in ([1.0] * len(before), [r.inverse for r in before], [r.y for r in before])
    )
    return math.hypot(OFFSET_NM, max(0.0, abs(deviations) - usual * weights) / inverses)


def _torque_explains(before: Sequence[Row], after: Sequence[Row], likely_nm: float) -> bool:
    """Whether the torque changed between two narrow ranges, and a likely offset makes of it what is seen.

    Then nothing inside the ranges tells the slope: slow noise goes along with what little torque varies.
    """
    (x, y, within), (x_after, y_after, within_after) = (_centre(rows) for rows in (before, after))
    moved, spread = x_after - x, math.sqrt(max(within, within_after))
    if abs(moved) < NARROW * spread or moved == 0.0:
        return False
    offset_nm = (y_after - y) / moved
    # One that explains the change explains what was seen before it, too: it is on the same side of zero.
    return offset_nm * y > 0.0 and abs(offset_nm) <= LIKELY_TIMES * likely_nm


def _centre(rows: Sequence[Row]) -> tuple[float, float, float]:
    """Mean reciprocal torque and log ratio, and the variance of the reciprocal torque."""
    weight = math.fsum(r.weight for r in rows)
    x, y = (math.fsum(r.weight * v for r, v in zip(rows, values, strict=True)) / weight
            for values in ([r.inverse for r in rows], [r.y for r in rows]))  # fmt: skip
    return x, y, math.fsum(r.weight * (r.inverse - x) ** 2 for r in rows) / weight


def _step(before: list[Row], after: list[Row], usual: float, level_sd: float = 0.0) -> float | None:
    """The step between two runs of blocks, or None if torque may explain it.

    A zero offset shows as a change whenever the torque changes. So the step is fitted beside
    a dependence on 1 / torque, whose slope is the offset, and counts only if STEP_SIGMAS standard
    deviations of it are left. Where the data do not tell the slope it is held to what is likely:
    OFFSET_NM, and an offset that would have explained what was more than `usual` (a fraction) of the
    deviation so far. `level_sd`: what blocks of one torque have in common, which more of them don't average.
    """
    rows = [*before, *after]
    if len(rows) < 5:
        return None
    likely_nm = _likely_nm(before, usual)
    if _torque_explains(before, after, likely_nm):
        return None
    table = np.array(rows)
    y, weight = table[:, 1], table[:, 3]
    design = np.column_stack([np.ones(len(rows)), table[:, 2], np.arange(len(rows)) >= len(before)])
    root = np.sqrt(weight)
    free, *_ = np.linalg.lstsq(design * root[:, None], y * root, rcond=None)
    rest = y - design @ free
    variance = float(weight @ rest**2) / (len(y) - 3)
    if variance <= 0.0:
        return None
    # Slow noise makes levels of its own: as much of the autocorrelation counts as is sure.
    slow = slow_factor(max(0.0, autocorrelation(np.sqrt(weight) * rest) - 1.0 / math.sqrt(len(y))))
    normal = design.T @ (design * weight[:, None])
    normal[1, 1] += variance / likely_nm**2
    inverse = np.linalg.inv(normal)
    solution = inverse @ (design.T @ (weight * y))
    step = float(solution[2])
    levels = 0.0
    if level_sd > 0.0:
        # What a level has of its own moves the step by what all of its blocks together do.
        parts = inverse[2] @ (design.T * weight)
        name = np.round(np.log(table[:, 2]) / LEVEL_WIDTH) + 1e6 * design[:, 2]
        levels = float(sum(parts[name == k].sum() ** 2 for k in np.unique(name)))
    sd = math.sqrt(slow**2 * variance * float(inverse[2, 2]) + level_sd**2 * levels)
    return step if abs(step) > STEP_SIGMAS * sd else None


def _drift(ramp: Ramp, now_s: int, side: Side, least_percent: float) -> Shift | None:
    """A ramp as a change; None: it matters to nobody yet."""
    percent = 100.0 * math.expm1(ramp.size)
    if abs(percent) < least_percent:
        return None
    return Shift(ramp.since_s, now_s, percent, side, True, ramp.until_s, 100.0 * ramp.per_hour)


class ShiftDetector:
    """Watches one instrument's total and sides, whose tolerance is `limit_percent`."""

    def __init__(self, limit_percent: float) -> None:
        # A meter that is well is within half of what it claims.
        usual = 0.005 * limit_percent
        self.lines: dict[Side, _Line] = {
            "total": _Line(H, MIN_PERCENT, usual),
            "left": _Line(H_SIDE, MIN_SIDE_PERCENT, usual, LEVEL_OF_SIDE),
            "right": _Line(H_SIDE, MIN_SIDE_PERCENT, usual, LEVEL_OF_SIDE),
        }
        self.drifts = {"total": _Drift(MIN_DRIFT_PERCENT, usual), "split": _Drift(SPLIT_PERCENT, usual)}
        self.found: list[Shift] = []
        self.creeping: Shift | None = None
        """A drift of the total that goes on; while it does, nothing else is looked for."""
        self._usual = usual
        self._rows: deque[Row] = deque(maxlen=400)
        self._splits: deque[Row] = deque(maxlen=400)

    def reset(self) -> None:
        """The instrument was zeroed or mended: its past no longer counts."""
        self.creeping = None
        self._rows.clear()
        self._splits.clear()
        for line in self.lines.values():
            line.begin()
        for drift in self.drifts.values():
            drift.begin()

    def feed(self, block: Block, weight: float = 1.0) -> Shift | None:
        """Take one accepted block, worth `weight` of one of steady riding (reciprocal variance).

        The step if there seems to be one, again and again until it is taken.
        """
        omega = 2.0 * math.pi * (block.cadence_rpm or 85.0) / 60.0
        torque = block.reference_w / omega
        self._rows.append(Row(block.end_s, block.y, 1.0 / max(torque, 1.0), weight))
        if self.creeping is not None:
            self._follow()
            return None
        values: dict[Side, float | None] = {"total": block.y, "left": block.y_left, "right": block.y_right}
        begins = []
        for side, y in values.items():
            own = torque if side == "total" else 0.5 * torque
            if y is not None and self.lines[side].feed(Row(block.end_s, y, 1.0 / max(own, 1.0), weight)):
                begins.append(self.lines[side].beginning())
        for begin in begins:
            shift = None if begin is None else self._shift(begin, block.end_s)
            if shift is not None:
                return shift
        return self._creeps(block, torque, weight)

    def take(self, shift: Shift) -> None:
        """Believe a change: it is shown, and the watch begins anew; a drift of the total is followed."""
        self.found.append(shift)
        if shift.drift and shift.side == "total":
            self.creeping = shift
        else:
            self.reset()

    def _follow(self) -> None:
        """How far the drift has got by now, and whether it goes on."""
        shift, rows = self.creeping, list(self._rows)
        assert shift is not None
        now_s = rows[-1].end_s
        ramp = ramp_until(series_of(rows), _likely_nm(rows, self._usual), shift.since_s)
        if ramp is None:
            return
        percent = 100.0 * math.expm1(ramp.size)
        grown = replace(
            shift, percent=percent, until_s=max(ramp.until_s, shift.until_s or 0.0),
            percent_per_hour=100.0 * ramp.per_hour,
        )  # fmt: skip
        self.found = [grown if s == shift else s for s in self.found]
        if now_s - ramp.until_s >= OVER_S or percent * shift.percent <= 0.0:
            self.reset()
        else:
            self.creeping = grown

    def _creeps(self, block: Block, torque_nm: float, weight: float) -> Shift | None:
        """A drift of the total, or of the split of the sides while the total stays."""
        total, split = self.drifts["total"], self.drifts["split"]
        if weight < 0.5:
            return None
        inverse = 1.0 / max(torque_nm, 1.0)
        if total.feed(Row(block.end_s, block.y, inverse, weight)) is not None:
            found = drift_beside_step(series_of(self._rows), self._early_offset_nm())
            if isinstance(found, Ramp):
                return _drift(found, block.end_s, "total", MIN_PERCENT)
            step = None if found is None else self.lines["total"].step(int(found))
            return None if found is None or step is None else Shift(found - 10.0, block.end_s, step, "total")
        if block.y_left is None or block.y_right is None:
            return None
        row = Row(block.end_s, block.y_left - block.y_right, 2.0 * inverse, weight)
        self._splits.append(row)
        if split.feed(row) is None:
            return None
        found = drift_beside_step(series_of(self._splits), 2.0 * OFFSET_NM)
        if isinstance(found, Ramp):
            # It drifts to the side that reads more and more.
            side: Side = "left" if found.size > 0.0 else "right"
            return _drift(found._replace(size=abs(found.size)), block.end_s, side, MIN_SIDE_PERCENT)
        return None if found is None else self._shift(int(found), block.end_s)

    def _early_offset_nm(self) -> float:
        """The likely zero offset by the first quarter of what was seen (N·m)."""
        rows = list(self._rows)
        return _likely_nm(rows[: max(WARM_UP, len(rows) // 4)], self._usual)

    def _total_drift(self, now_s: int) -> Shift | None:
        """A drift of the total, if that is what has happened rather than a step."""
        found = drift_beside_step(series_of(self._rows), self._early_offset_nm())
        return _drift(found, now_s, "total", MIN_PERCENT) if isinstance(found, Ramp) else None

    def _shift(self, begin: int, now_s: int) -> Shift | None:
        """The step that began with the block ending at `begin`, of the side that moved most; or a drift."""
        steps = {side: step for side, line in self.lines.items() if (step := line.step(begin)) is not None}
        if not steps:
            return None
        # When both sides moved alike it is the total.
        side = max(steps, key=lambda s: abs(steps[s]) * (1.3 if s == "total" else 1.0))
        if "total" in steps and (drift := self._total_drift(now_s)) is not None:
            return drift
        return Shift(begin - 10.0, now_s, steps[side], side)

    def shown(self, now_s: float) -> Shift | None:
        """The last change while it is news: a drift as long as it goes on."""
        if not self.found:
            return None
        last = self.found[-1]
        return last if now_s - max(last.found_s, last.until_s or 0.0) < SHOWN_S else None
