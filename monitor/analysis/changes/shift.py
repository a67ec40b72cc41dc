"""Something changed: a step of an instrument against its own past, found live.

Blocks of ten seconds of the log ratio to the reference go through a self-starting
cumulative sum (Hawkins 1987): each block is standardised by the mean and spread of all
blocks before it, so that nothing need be known in advance, then summed both ways.
"""

import math
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import NamedTuple

import numpy as np

from monitor.analysis.block import BLOCK_S, Block
from monitor.analysis.changes.ramp import Course, Ramp, course_of, ramp_until, series_of, step_amid
from monitor.analysis.changes.sums import Cusum, Ewma, SelfStarting, Trend
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
"""Steps under these are true perhaps, but of no use to a tester: meters wander by half of it, and sides
follow the rider in coarse steps."""
MIN_DRIFT_PERCENT = 2.0
"""Of a drift: two healthy meters warm up by less against each other (common practice, no source)."""
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
SURE_WEIGHT = 0.5
"""A block that counts for less tells nothing of a split (common practice, no source)."""
LIKELY_TIMES = 1.5
"""An offset of so many times its likely size is likely enough where nothing else tells."""


@dataclass(frozen=True, slots=True)
class Shift:
    """A change: when it began, when it was noticed (session seconds), its size in percent and its side.

    `drift` tells a slow change from a step, `open`: it can't be told yet which of the two it is. A drift
    that goes on grows: it is the same change with another size.
    """

    since_s: float
    found_s: float
    percent: float = field(compare=False)
    side: Side
    drift: bool = False
    until_s: float | None = field(default=None, compare=False)
    """Of a drift: up to when it has been seen to go on."""
    percent_per_hour: float | None = field(default=None, compare=False)
    u95_per_hour: float | None = field(default=None, compare=False)
    """95 % half-width of the rate."""
    open: bool = False


class Row(NamedTuple):
    """One block of a quantity: its end (s), log ratio, reciprocal torque (1 / N·m), how much it counts
    beside one of steady riding (0..1, reciprocal variance), and the log of its cadence."""

    end_s: int
    y: float
    inverse: float
    weight: float
    pace: float


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
FOLLOW_S = 30
"""How far a drift has got is read again after so many seconds."""
OPEN_S = 600.0
"""A change of which nothing tells for so long whether it was a step or slow is let go."""
USUAL_RPM = 85.0
"""Where nobody tells a cadence (common practice, no source)."""


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
    # Slow noise makes levels of its own, which a fit of one step takes for it.
    slow = slow_factor(max(0.0, autocorrelation(np.sqrt(weight) * rest)))
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
    return Shift(
        # A drift begins in no second.
        float(round(ramp.since_s, -1)), now_s, percent, side, True, ramp.until_s,
        100.0 * ramp.per_hour, 100.0 * ramp.u95_per_hour,
    )  # fmt: skip


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
        self.split = _Drift(SPLIT_PERCENT, usual)
        self.found: list[Shift] = []
        self.creeping: Shift | None = None
        """A drift of the total that goes on; while it does, nothing else is looked for."""
        self.pending: Shift | None = None
        """A change of which it can't be told yet whether it is a step or slow."""
        self._followed_s = 0.0
        self._came_back = False
        """Whether the last look at a drift found it the other way."""
        self._usual = usual
        self._rows: deque[Row] = deque(maxlen=400)
        self._trend = Trend()
        self._splits: deque[Row] = deque(maxlen=400)

    def reset(self) -> None:
        """The instrument was zeroed or mended: its past no longer counts."""
        self.creeping = self.pending = None
        self._rows.clear()
        self._trend.begin()
        self._splits.clear()
        for line in self.lines.values():
            line.begin()
        self.split.begin()

    def feed(self, block: Block, weight: float = 1.0) -> Shift | None:
        """Take one accepted block, worth `weight` of one of steady riding (reciprocal variance).

        The change if there seems to be one, again and again until it is taken.
        """
        rpm = block.cadence_rpm or USUAL_RPM
        torque = block.reference_w / (2.0 * math.pi * rpm / 60.0)
        pace = math.log(rpm / USUAL_RPM)
        row = Row(block.end_s, block.y, 1.0 / max(torque, 1.0), weight, pace)
        self._rows.append(row)
        self._trend.update(row.end_s, row.y, row.inverse, row.weight)
        if self.creeping is not None:
            return self._follow()
        values: dict[Side, float | None] = {"total": block.y, "left": block.y_left, "right": block.y_right}
        begins = []
        for side, y in values.items():
            own = torque if side == "total" else 0.5 * torque
            side_row = Row(block.end_s, y or 0.0, 1.0 / max(own, 1.0), weight, pace)
            if y is not None and self.lines[side].feed(side_row):
                begins.append(self.lines[side].beginning())
        if self.pending is not None:
            return self._resolved(self.pending, block.end_s)
        return self._changed([b for b in begins if b is not None], block.end_s) or self._splits_creep(
            block, row
        )

    def take(self, shift: Shift) -> None:
        """Believe a change: it is shown, and the watch begins anew; a drift of the total is followed, and
        one that is open is watched until it can be told."""
        if self.pending in self.found:
            self.found.remove(self.pending)
        self.found.append(shift)
        self.keep(shift)

    def keep(self, shift: Shift) -> None:
        """Go on from a change that is believed, whosever it is."""
        self.pending = None
        if shift.open:
            self.pending = shift
        elif shift.drift and shift.side == "total":
            self.creeping, self._followed_s, self._came_back = shift, shift.found_s, False
        else:
            self.reset()

    def _changed(self, begins: Sequence[int], now_s: int) -> Shift | None:
        """What happened where the sums of a quantity, or the trend of the total, say that something did."""
        if not begins and not self._trend.leans(MIN_DRIFT_PERCENT / 100.0):
            return None
        course = course_of(series_of(self._rows), self._early_offset_nm(self._rows))
        if course is not None and course.drifts:
            drift = _drift(course.ramp, now_s, "total", MIN_DRIFT_PERCENT)
            if drift is not None:
                return drift
        # What would be told as a step of its size is told as the drift that it is.
        for begin in begins:
            shift = self._shift(begin, now_s, course)
            if shift is not None:
                return shift
        return None

    def _resolved(self, pending: Shift, now_s: int) -> Shift | None:
        """What a change was of which it could not be told; None: it still can't."""
        course = course_of(series_of(self._rows), self._early_offset_nm(self._rows))
        if course is not None and course.drifts:
            drift = _drift(course.ramp, now_s, "total", MIN_PERCENT)
            if drift is not None:
                return drift
        line = self.lines[pending.side]
        own = self._course_of(pending.side, course)
        if own is not None and own.surely_stepped:
            percent = line.step(int(own.step_s))
            if percent is not None:
                return Shift(own.step_s - BLOCK_S, now_s, percent, pending.side)
        if own is not None and own.was_nothing:
            self.found = [s for s in self.found if s != pending]
            self.pending = None
        elif now_s - pending.found_s >= OPEN_S:
            self.reset()
        return None

    def _course_of(self, side: Side, of_total: Course | None) -> Course | None:
        """How a side went on; `of_total` is known."""
        if side == "total":
            return of_total
        past = self.lines[side].past
        return course_of(series_of(past), self._early_offset_nm(past))

    def _follow(self) -> Shift | None:
        """How far the drift has got by now, and whether it goes on; the step that ended it, if one did."""
        shift, now_s = self.creeping, self._rows[-1].end_s
        assert shift is not None
        if now_s - self._followed_s < FOLLOW_S:
            return None
        self._followed_s = now_s
        step = step_amid(series_of(self._rows), self._early_offset_nm(self._rows))
        if step is not None and abs(percent := 100.0 * math.expm1(step[1])) >= MIN_DRIFT_PERCENT:
            return Shift(step[0] - BLOCK_S, now_s, percent, "total")
        ramp = ramp_until(series_of(self._rows), self._early_offset_nm(self._rows))
        percent = 0.0 if ramp is None else 100.0 * math.expm1(ramp.size)
        if ramp is None or percent * shift.percent <= 0.0:
            # It came back, or stepped just now: what it was stays said, and a second look decides.
            if self._came_back:
                self.reset()
            self._came_back = not self._came_back
            return None
        self._came_back = False
        grown = replace(
            shift, percent=percent, until_s=max(ramp.until_s, shift.until_s or 0.0),
            percent_per_hour=100.0 * ramp.per_hour, u95_per_hour=100.0 * ramp.u95_per_hour,
        )  # fmt: skip
        self.found = [grown if s == shift else s for s in self.found]
        if now_s - ramp.until_s >= OVER_S:
            self.reset()
        else:
            self.creeping = grown
        return None

    def _splits_creep(self, block: Block, row: Row) -> Shift | None:
        """A drift of the split of the sides while the total stays."""
        if row.weight < SURE_WEIGHT or block.y_left is None or block.y_right is None:
            return None
        row = row._replace(y=block.y_left - block.y_right, inverse=2.0 * row.inverse)
        self._splits.append(row)
        if self.split.feed(row) is None:
            return None
        course = course_of(series_of(self._splits), 2.0 * OFFSET_NM)
        if course is None or not course.drifts:
            return None if course is None else self._shift(int(course.step_s), block.end_s, None)
        # It drifts to the side that reads more and more.
        side: Side = "left" if course.ramp.size > 0.0 else "right"
        ramp = course.ramp._replace(size=abs(course.ramp.size), per_hour=abs(course.ramp.per_hour))
        return _drift(ramp, block.end_s, side, MIN_SIDE_PERCENT)

    def _early_offset_nm(self, rows: Sequence[Row]) -> float:
        """The likely zero offset by the first quarter of what was seen (N·m)."""
        return _likely_nm(list(rows)[: max(WARM_UP, len(rows) // 4)], self._usual)

    def _shift(self, begin: int, now_s: int, course: Course | None) -> Shift | None:
        """The change that began with the block ending at `begin`, of the side that moved most; `course` is
        that of the total."""
        steps = {side: step for side, line in self.lines.items() if (step := line.step(begin)) is not None}
        if not steps:
            return None
        # When both sides moved alike it is the total.
        side = max(steps, key=lambda s: abs(steps[s]) * (1.3 if s == "total" else 1.0))
        own = self._course_of(side, course)
        if own is None:
            return Shift(begin - float(BLOCK_S), now_s, steps[side], side)
        if not own.changed:
            return None
        if side == "total" and own.drifts:
            return _drift(own.ramp, now_s, side, MIN_PERCENT)
        return Shift(begin - float(BLOCK_S), now_s, steps[side], side, open=not own.stepped)

    def shown(self, now_s: float) -> Shift | None:
        """The last change while it is news: a drift as long as it goes on, an open one until it is told."""
        if not self.found:
            return None
        last = self.found[-1]
        news = now_s - max(last.found_s, last.until_s or 0.0) < SHOWN_S
        return last if news or last in (self.pending, self.creeping) else None
