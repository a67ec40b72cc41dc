"""Two instruments on the same interval: by how much they differ, and how sure that is.

The live comparison looks at windows of closed seconds (means are differences of
cumulative work, so lost packets and unequal rates cost nothing), and at blocks of ten
seconds for everything that needs a spread: noise, verdict, shifts.
"""

import math
from collections import deque
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np

from monitor.analysis.block import BLOCK_S, MIN_POWER_W, Block
from monitor.analysis.curve import COVERED, LEFT, REVS, SIDED, TURNED, WORK, Ring
from monitor.analysis.expected import (
    ALIKE,
    DEFAULT_CLAIM_PERCENT,
    LOSS_SPREAD,
    Loss,
    likely_lag,
    loss_of,
    tolerance,
)
from monitor.analysis.lag import Timing, timing
from monitor.analysis.statistics import Floats
from monitor.live.pair import Pair, Window
from monitor.setup.bench import Bench

SMOOTHED_HUB_S2 = 1.0
SMOOTHED_CRANK_S2 = 0.4
"""What smoothing, which is no mere delay, still moves over a window's end once the lag is corrected: this
many square seconds of the slope of power there. Half the second moment of a moving mean of five seconds
or a low pass of 1.4 s; at the crank of three seconds (common practice, no source)."""
KNOWN_LAG_SD_S = 0.6
"""With a larger standard deviation a lag is what was thought before rather than what was measured."""
LEAST_LAG_S = 0.05
"""A shorter lag is not worth correcting."""
SHARED_S = 0.3
"""A change of load of so many watts moves this many seconds of it between the sides, at most: a quarter of
a revolution's work at 60 rpm."""
VARIES = 0.15
"""In steady riding five seconds vary by less than this part of the power (common practice, no source)."""
UNSTEADY = 0.15
"""A window of ten seconds whose ends differ by more than this part of its power judges nothing."""
STANDS_IN_S = 50
"""While a longer window that the bench asks for is not filled yet, one of so many seconds stands in."""
COVERED_PART = 0.98
"""A second of which less is covered is a hole (common practice, no source)."""
KEPT_BEFORE_S = 68
"""Kept beyond the longest window: the five seconds before it, the longest lags, and room to spare."""
STOP_PART = 0.5
"""Below this part of the power around it a second is a stop, not riding (common practice, no source)."""
GOING_S = 6
"""After a stop a rider needs so long to get going again (common practice, no source)."""
STOP_SEARCH_S = 12
"""A stop of a second or two is looked for in so many of the last seconds."""
LAG_S = 300
"""A lag is learnt from so many of the last seconds: enough changes of power, and delays may drift."""
EARLY_S, EARLY_EACH_S, LATER_EACH_S = 60, 5, 20
"""In the first minute lags are learnt anew each 5 s, then each 20 s: fits cost more than they move."""
SHARE_COARSE_PERCENT = 0.2
"""A share comes in steps of half a percent (Bluetooth, Cycling Power Service) or one percent (ANT+ power
profile) of the total, which a share that moves by a step or more averages out: a fifth of a step is left
(computed)."""
BLOCK_EDGE_PERCENT = 6.0
"""A block whose ends may move it by more than this is not taken at all."""
VERDICT_EDGE_PERCENT = 2.0
"""One whose ends may move it by more than this is no part of the verdict."""
UNKNOWN_PERCENT = 1000.0
"""So much that nothing is judged: what an edge may move when one has just fallen silent."""
TURNS_S = 20
"""Over so many of the last seconds cadence can be told."""


def _between(sums: deque[float], begin: int, end: int, shift_s: float) -> float:
    """What a running sum grew by from `begin` to `end`, whole seconds before now, both read `shift_s` later;
    linear inside a second."""
    whole = math.floor(shift_s)
    part = shift_s - whole
    first, last = begin + whole - 1, end + whole - 1
    low = sums[first] + part * (sums[first + 1] - sums[first])
    return sums[last] + part * (sums[last + 1] - sums[last]) - low


class _Ends(NamedTuple):
    """How an instrument's power moved at the ends of a window (W): between them, and around each."""

    change_w: float
    start_w: float
    stop_w: float


@dataclass(slots=True)
class _Span:
    """What all windows over the same seconds have in common: sums of every instrument, and as they
    are asked for the crank-equivalent powers (W) and what each shows at the ends."""

    length_s: int
    scale: float
    """What scatter of a block becomes over this length."""
    rows: list[list[float]]
    powers: list[float | None]
    ends: list[_Ends | None]
    """By how much the power changed from begin to end, how much it varied at either (W)."""


class Level(NamedTuple):
    """Mean of one instrument over a window, taken to the crank (W), and what the ride leaves open of it
    (standard uncertainty, percent): scatter, lag, smoothing, expected loss. Its claim is no part of that."""

    power_w: float
    u_percent: float


def _sums(length: int) -> deque[float]:
    """A running sum at the end of each kept second, from nothing."""
    return deque([0.0], maxlen=length)


@dataclass(slots=True)
class _Past:
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
    last: deque[float] = field(default_factory=lambda: deque(maxlen=5))
    """The same of the last five seconds."""
    fives: deque[float] = field(init=False)
    """Means of the five seconds up to each: what windows begin and end with (W)."""
    swings: deque[float] = field(init=False)
    """By how much the power varied in the five seconds up to each (W)."""
    two: float = math.nan
    """Mean of the last two seconds (W)."""
    clean_since: int = 0
    """Since which second it has been covered and pedalled, without a hole."""
    sided_since: int = 0
    """Since which second it has told both sides, without a hole."""

    def __post_init__(self) -> None:
        self.works, self.lefts = _sums(self.kept_s), _sums(self.kept_s)
        self.seconds, self.fives, self.swings = (deque(maxlen=self.kept_s) for _ in range(3))


class Comparator:
    """Compares every instrument with its reference, once a closed second.

    The reference is the one that the bench names, or the median of all the others
    (consensus). Sides are compared with the reference if it has both, else with the
    first witness that has, else with any other that has.
    """

    def __init__(self, bench: Bench, ring: Ring) -> None:
        self.bench = bench
        self.ring = ring
        self.instruments = bench.instruments
        n = len(bench.instruments)
        labels = [i.label for i in bench.instruments]
        self.powered = [i for i in range(n) if bench.instruments[i].mount != "cadence"]
        self.reference: int | None = labels.index(bench.reference) if bench.reference in labels else None
        self.losses = [loss_of(i) for i in bench.instruments]
        self.shown_s = max(10, round(bench.limits.window_s))
        self.lengths_s = tuple(sorted({10, 20, 25, self.shown_s, STANDS_IN_S}))
        self.pairs: dict[int, Pair] = {}
        for i in self.powered:
            if i == self.reference:
                continue
            others = (
                [bench.instruments[self.reference]]
                if self.reference is not None
                else [bench.instruments[j] for j in self.powered if j != i]
            )
            if others:
                hub = any(x.mount == "hub" for x in (bench.instruments[i], *others))
                self.pairs[i] = Pair(
                    tolerance(bench, bench.instruments[i], others),
                    SMOOTHED_HUB_S2 if hub else SMOOTHED_CRANK_S2,
                    self.shown_s,
                )
        self._anchor = self.reference if self.reference is not None else next(iter(self.powered), 0)
        self._before = [self._likely(i) for i in range(n)]
        self.timings = list(self._before)
        """Lag of each instrument behind the reference (the first with power in a consensus)."""
        self.reach_s = self._reach()
        """By how many seconds comparisons reach back before their windows."""
        self.side_references = {i: self._side_reference(i) for i in self.powered}
        kept_s = max(self.lengths_s) + KEPT_BEFORE_S
        self.past = [_Past(kept_s, loss if loss.watts or loss.percent else None) for loss in self.losses]
        """What each instrument showed in the last closed seconds."""
        self.pedalled_since = 0
        """Since which second nobody has coasted, with a few seconds to get going again."""
        self._middles: deque[float] = deque(maxlen=STOP_SEARCH_S)
        self.leaning: set[int] = set()
        """Raised for their power: they are no part of the consensus that others are held against."""
        self._any_loss = any(past.loss is not None for past in self.past)
        self._side_tolerances = {
            i: tolerance(bench, bench.instruments[i], [bench.instruments[side]], side=True)
            for i, side in self.side_references.items()
            if side is not None
        }
        self._powered = [(i, self.past[i]) for i in self.powered]
        # What windows that end now have in common, by their begin: worked out once a second.
        self._spans: dict[int, _Span] = {}

    def _likely(self, i: int) -> Timing:
        if i == self._anchor:
            return Timing(0.0, 0.0)
        return likely_lag(self.instruments[i], self.instruments[self._anchor])

    def _reach(self) -> int:
        lags = [self.timings[i].lag_s for i in self.powered]
        lags += [x for pair in self.pairs.values() for x in (0.0, pair.side_timing.lag_s)]
        reach_s = max(lags, default=0.0) - min(lags, default=0.0)
        return math.ceil(reach_s) if reach_s > LEAST_LAG_S else 0

    def _side_reference(self, i: int) -> int | None:
        def serves(j: int) -> bool:
            return j != i and self.instruments[j].sides == "both"

        # A split that is computed from a total is nobody's measurement: nothing is judged by it.
        if i == self.reference or self.instruments[i].sides == "computed":
            return None
        if self.reference is not None and serves(self.reference):
            return self.reference
        by_role = [
            j
            for role in ("reference", "witness", "on-test")
            for j in self.powered
            if serves(j) and self.instruments[j].role == role
        ]
        # A trusted instrument is not judged by one on test.
        trusted = self.instruments[i].role != "on-test"
        return next((j for j in by_role if not (trusted and self.instruments[j].role == "on-test")), None)

    def reset(self, instrument: int) -> None:
        """The instrument was zeroed or mended: windows and verdict begin anew."""
        at = self.ring.end
        self.set_aside(instrument, at)
        for i, pair in self.pairs.items():
            if instrument in (i, self.reference):
                pair.reset(at)

    def set_aside(self, instrument: int, at: int) -> None:
        """Nothing that the instrument showed before second `at` is compared from now on."""
        past = self.past[instrument]
        past.clean_since = max(past.clean_since, at)

    def second(self, cell: Floats) -> None:
        """The ring has just closed `cell` (instruments, COLUMNS): bring all windows up to date."""
        end = self.ring.end
        rows: list[list[float]] = cell.tolist()
        self._spans.clear()
        seen = []
        for i, past in self._powered:
            work, left, sided, covered = rows[i][:4]
            works, lefts, last = past.works, past.lefts, past.last
            works.append(works[-1] + work)
            lefts.append(lefts[-1] + left)
            if covered > COVERED_PART:
                power = work / covered if past.loss is None else past.loss.at_crank(work / covered)
                seen.append(power)
            else:
                power = math.nan
                past.clean_since = end
            past.seconds.append(power)
            last.append(power)
            mean = sum(last) / len(last)
            past.fives.append(mean)
            past.swings.append(max(last) - min(last) if mean == mean else math.inf)
            past.two = 0.5 * (last[-2] + power) if len(last) > 1 else power
            if sided < COVERED_PART:
                past.sided_since = end
        for row, past in zip(rows, self.past, strict=True):
            revs, turned = past.revs, past.turned
            revs.append(revs[-1] + row[REVS])
            turned.append(turned[-1] + row[TURNED])
        seen.sort()
        # The lower median: with two instruments both must show pedalling, with more one that
        # fails, or holds its last value while the crank rests, doesn't decide.
        middle = seen[(len(seen) - 1) // 2] if seen else 0.0
        middles = self._middles
        middles.append(middle)
        if middle < MIN_POWER_W:
            self.pedalled_since = end + GOING_S
        elif len(middles) == STOP_SEARCH_S and min(middles) < STOP_PART * middle:
            # A stop of a second or two, which some never show: they hold their last value.
            before = [middles[k] for k in range(5)]
            if min(middles[k] for k in range(5, 11)) < STOP_PART * min(middle, *before):
                self.pedalled_since = max(self.pedalled_since, end + 1)
        if end % (EARLY_EACH_S if end <= EARLY_S else LATER_EACH_S) == 0:
            self._find_lags(end)
        for i, pair in self.pairs.items():
            self._update(i, pair, end)

    def _others(self, i: int, begin: int) -> list[int]:
        if self.reference is not None:
            return [self.reference] if self.past[self.reference].clean_since <= begin else []
        begin -= self.reach_s
        clean = [j for j in self.powered if j != i and self.past[j].clean_since <= begin]
        if len(clean) < 2:
            return []
        return [j for j in clean if j not in self.leaning] or clean

    def _update(self, i: int, pair: Pair, end: int) -> None:
        pair.windows.clear()
        since = max(self.past[i].clean_since, self.pedalled_since, pair.reset_s)
        if self.reference is not None:
            since = max(since, self.past[self.reference].clean_since)
        # A late instrument is read earlier: that must not reach into a hole.
        since += self.reach_s
        if end % BLOCK_S == 0:
            self._take_block(i, pair, end, since)
        room_s, shown_s = end - since, self.shown_s
        ten = self._window(i, pair, end - 10, end) if room_s >= 10 else None
        shown = self._window(i, pair, end - shown_s, end) if 10 < shown_s <= room_s else ten
        calm, shown_calm = ten is not None and ten.calm, shown is not None and shown.calm
        for length in self.lengths_s:
            if length > room_s:
                break
            if length == 10:
                window = ten
            elif length == shown_s:
                window = shown
            elif ((calm and length < shown_s) or (shown_calm and 2 * length >= shown_s)) and not (
                length == STANDS_IN_S and room_s < shown_s
            ):
                # What lasts would lean in the last ten seconds; what filled half of the shown time would
                # lean there; and what leans over more than that is over.
                continue
            else:
                window = self._window(i, pair, end - length, end)
            if window is not None:
                pair.windows[length] = window
        pair.remember(end)

    def _take_block(self, i: int, pair: Pair, end: int, since: int) -> None:
        # Where the load changes amid a block, the two around the change are taken as one: then the
        # change lies within, where it can't mislead.
        begin = end - (2 * BLOCK_S if pair.uneven else BLOCK_S)
        window = self._window(i, pair, begin, end) if begin >= since else None
        if window is None and pair.uneven:
            begin = end - BLOCK_S
            window = self._window(i, pair, begin, end) if begin >= since else None
        if (
            window is None
            or window.power_w < MIN_POWER_W / 2
            or window.edge + 2.0 * window.u_lag > BLOCK_EDGE_PERCENT
        ):
            pair.uneven = window is not None and begin == end - BLOCK_S
            pair.noise.update(None)
            pair.noise_left.update(None)
            pair.noise_right.update(None)
            return
        pair.uneven = False
        y = math.log1p(max(-0.95, window.deviation / 100.0))
        edge, side_edge = window.edge + 2.0 * window.u_lag, window.side_edge + 2.0 * window.u_side_lag
        calm = side_edge <= BLOCK_EDGE_PERCENT
        y_left = math.log1p(max(-0.95, window.left / 100.0)) if calm and window.left is not None else None
        y_right = math.log1p(max(-0.95, window.right / 100.0)) if calm and window.right is not None else None
        if edge < VERDICT_EDGE_PERCENT:
            pair.verdict.update(y)
            if y_left is not None and side_edge < VERDICT_EDGE_PERCENT:
                pair.verdict_left.update(y_left)
            if y_right is not None and side_edge < VERDICT_EDGE_PERCENT:
                pair.verdict_right.update(y_right)
        side = self.side_references[i]
        rows = self.ring.window(begin, end)
        turned = rows[i, TURNED]
        half = 0.5 * (end - begin)
        cadence = 60.0 * rows[i, REVS] / turned if turned > half else None
        if cadence is None:
            known = [j for j in range(len(self.instruments)) if rows[j, TURNED] > half]
            cadence = 60.0 * rows[known[0], REVS] / rows[known[0], TURNED] if known else None
        load = window.reference_w / (cadence or 1.0)
        pair.noise.update(y, load)
        pair.noise_left.update(y_left, load)
        pair.noise_right.update(y_right, load)
        left_ref = right_ref = None
        if side is not None and rows[side, SIDED] > end - begin - 0.5:
            left_ref = float(rows[side, LEFT] / rows[side, SIDED])
            right_ref = float(rows[side, WORK] / rows[side, COVERED]) - left_ref
        pair.blocks.append(
            Block(
                end, y, window.power_w, window.reference_w,
                None if cadence is None else float(cadence), edge, y_left, y_right,
                window.left_w, window.right_w, left_ref, right_ref, end - begin,
            )
        )  # fmt: skip

    def _span(self, begin: int, end: int) -> _Span:
        span = self._spans.get(begin)
        if span is None:
            n = len(self.instruments)
            rows: list[list[float]] = self.ring.window(begin, end).tolist()
            length = end - begin
            scale = math.sqrt(BLOCK_S / length)
            span = self._spans[begin] = _Span(length, scale, rows, [None] * n, [None] * n)
        return span

    def _power(self, span: _Span, j: int, begin: int, end: int, shift_s: float) -> float:
        """Crank-equivalent mean power (W) of one instrument, read `shift_s` (0 or less) later."""
        if shift_s < -LEAST_LAG_S:
            work = _between(self.past[j].works, begin - self.ring.end, end - self.ring.end, shift_s)
            return self.losses[j].at_crank(work / (end - begin))
        power = span.powers[j]
        if power is None:
            row = span.rows[j]
            power = span.powers[j] = self.losses[j].at_crank(row[WORK] / row[COVERED])
        return power

    def _shared(self, span: _Span, j: int, begin: int, end: int, shift_s: float) -> tuple[float, float]:
        """Mean power (W) of both sides of one instrument, read `shift_s` (0 or less) later."""
        if shift_s < -LEAST_LAG_S:
            first, last, length = begin - self.ring.end, end - self.ring.end, end - begin
            left = _between(self.past[j].lefts, first, last, shift_s) / length
            return left, _between(self.past[j].works, first, last, shift_s) / length - left
        row = span.rows[j]
        left = row[LEFT] / row[SIDED]
        return left, row[WORK] / row[COVERED] - left

    def _window(self, i: int, pair: Pair, begin: int, end: int) -> Window | None:
        others = self._others(i, begin)
        if not others:
            return None
        span = self._span(begin, end)
        one = self.instruments[i].sides
        side = self.side_references[i]
        base = others[0]
        if one in ("left", "right") and side is not None:
            # Twice one side: comparable with twice that side of another, not with a total.
            if max(self.past[side].sided_since, self.past[side].clean_since) > begin - self.reach_s:
                return None
            base, sd_s, lag_s = side, pair.side_timing.sd_s, pair.side_timing.lag_s
            left, right = self._shared(span, side, begin, end, -max(0.0, lag_s))
            own_w = self._power(span, i, begin, end, min(0.0, lag_s))
            reference_w = 2.0 * (left if one == "left" else right)
        else:
            timings = self.timings
            own = timings[i]
            if len(others) == 1:
                other = timings[base]
                last_s = max(own.lag_s, other.lag_s)
                reference_w = self._power(span, base, begin, end, other.lag_s - last_s)
                sd_s = math.hypot(own.sd_s, other.sd_s)
            else:
                last_s = max(own.lag_s, *(timings[j].lag_s for j in others))
                theirs = sorted(self._power(span, j, begin, end, timings[j].lag_s - last_s) for j in others)
                half = len(theirs) // 2
                reference_w = theirs[half] if len(theirs) % 2 else 0.5 * (theirs[half - 1] + theirs[half])
                sd_s = math.hypot(own.sd_s, sum(timings[j].sd_s for j in others) / len(others))
            own_w = self._power(span, i, begin, end, own.lag_s - last_s)
        if reference_w < MIN_POWER_W:
            return None
        shown_w, expected, u_loss = own_w, 0.0, 0.0
        if self._any_loss and not (
            self.past[i].loss is None and all(self.past[j].loss is None for j in others)
        ):
            loss = self.losses[i]
            shown_w = loss.at_hub(own_w) if loss.watts or loss.percent else own_w
            shown_reference_w = (
                reference_w if self.reference is None else self.losses[self.reference].at_hub(reference_w)
            )
            if shown_reference_w > 0.0:
                expected = 100.0 * (loss.at_hub(reference_w) / shown_reference_w - 1.0)
            losses = [loss, *(self.losses[j] for j in others)]
            u_loss = LOSS_SPREAD * max(100.0 * (1.0 - x.at_hub(reference_w) / reference_w) for x in losses)
        deviation = 100.0 * (own_w / reference_w - 1.0)
        u_stat = 100.0 * pair.noise.of_mean(span.length_s)
        change, smoothed = self._edge(i, base, span, reference_w)
        window = Window(
            begin_s=begin,
            end_s=end,
            power_w=shown_w,
            reference_w=reference_w,
            expected_percent=expected,
            deviation=deviation,
            deviation_w=own_w - reference_w,
            u=u_stat,
            u_lag=sd_s * change,
            u_loss=u_loss,
            edge=pair.smoothed_s2 * smoothed,
            limits=pair.tolerance.at(reference_w),
        )
        self._sides(i, pair, window, span)
        return window

    def _edge(self, i: int, j: int, span: _Span, power_w: float) -> tuple[float, float]:
        """Percent of the span's work that a second of lag, and a square second of smoothing, can move
        over its ends.

        A lag moves lag x (power at the end - power at the beginning), at most what either
        instrument shows over any of the neighbourhoods of the ends that it reaches; smoothing
        moves its part of the slope at either end, about a third of how much the power varies there in
        five seconds. A jump there, more than riding varies by, one shows a second before the other.
        """
        change_i, start_i, stop_i = span.ends[i] or self._ends(span, i)
        change_j, start_j, stop_j = span.ends[j] or self._ends(span, j)
        low = 0.3 * power_w
        # One that has just fallen silent, or a rider who has just stopped, is no better than a hole.
        if (
            change_i != change_i
            or change_j != change_j
            or self.past[i].two < low
            or self.past[j].two < low
            or (span.length_s <= BLOCK_S and max(change_i, change_j) > UNSTEADY * power_w)
        ):
            return UNKNOWN_PERCENT, UNKNOWN_PERCENT
        smoothed = math.hypot(start_i / 6.0 + start_j / 6.0, stop_i / 6.0 + stop_j / 6.0)
        jump = max(start_i, stop_i, start_j, stop_j) - VARIES * power_w
        if jump > 0.0:
            smoothed += 2.0 * jump
        scale = 100.0 / (span.length_s * power_w)
        return scale * max(change_i, change_j), scale * smoothed

    def levels(self, begin: int, end: int, quantity: str = "total") -> dict[int, Level]:
        """What each instrument shows over the seconds [begin, end), which end now: its `total`, or its `left`
        or `right` side. All are read at the time of the latest. Empty: an end of the window tells nothing.
        """
        from_s = begin - self.reach_s
        side = quantity != "total"
        clean = [
            j
            for j, past in self._powered
            if max(past.clean_since, self.pedalled_since) <= from_s
            and (not side or (self.instruments[j].sides == "both" and past.sided_since <= from_s))
        ]
        if len(clean) < 2:
            return {}
        span = self._span(begin, end)
        last_s = max(self.timings[j].lag_s for j in clean)
        levels = {}
        for j in clean:
            level = self._level(span, j, begin, end, last_s, quantity)
            if level is None:
                return {}
            if level.power_w > 0.0:
                levels[j] = level
        return levels

    def _level(self, span: _Span, j: int, begin: int, end: int, last_s: float, quantity: str) -> Level | None:
        change, start, stop = span.ends[j] or self._ends(span, j)
        shift_s = self.timings[j].lag_s - last_s
        power_w = self._power(span, j, begin, end, shift_s)
        if power_w < MIN_POWER_W:
            return Level(0.0, 0.0)
        past = self.past[j]
        unsteady = span.length_s <= BLOCK_S and change > UNSTEADY * power_w
        if change != change or past.two < 0.3 * power_w or unsteady:
            return None
        loss = LOSS_SPREAD * 100.0 * (1.0 - self.losses[j].at_hub(power_w) / power_w)
        part = 100.0 / (span.length_s * power_w)
        jump = max(0.0, max(start, stop) - VARIES * power_w)
        smoothed_s2 = SMOOTHED_HUB_S2 if self.instruments[j].mount == "hub" else SMOOTHED_CRANK_S2
        smoothed = smoothed_s2 * (math.hypot(start, stop) / 6.0 + 2.0 * jump) / math.sqrt(3.0)
        open_percent = math.hypot(loss, part * self.timings[j].sd_s * change, part * smoothed)
        scatter = self._own_scatter(j, quantity, span.length_s)
        if quantity != "total":
            left, right = self._shared(span, j, begin, end, shift_s)
            side_w = left if quantity == "left" else right
            return Level(max(0.0, side_w), math.hypot(scatter, open_percent, SHARE_COARSE_PERCENT))
        one, other = self.instruments[j].sides, self.side_references[j]
        if one in ("left", "right"):
            # It doubles a side: what both would be by the shares of another, whose claim comes in with it.
            if other is None or self.past[other].sided_since > begin - self.reach_s:
                return Level(0.0, 0.0)
            left, right = self._shared(span, other, begin, end, self.timings[other].lag_s - last_s)
            side_w = left if one == "left" else right
            if side_w < MIN_POWER_W / 3:
                return Level(0.0, 0.0)
            claim = self.instruments[other].claim_percent or DEFAULT_CLAIM_PERCENT
            power_w *= (left + right) / (2.0 * side_w)
            open_percent = math.hypot(open_percent, claim / math.sqrt(3.0))
        return Level(power_w, math.hypot(scatter, open_percent))

    def _own_scatter(self, j: int, quantity: str, length_s: int) -> float:
        """Percent that the scatter of one instrument leaves open over so many seconds: its part of that of
        a difference; the most of all where it has no difference of its own."""

        def of(pair: Pair) -> float:
            noise = {"total": pair.noise, "left": pair.noise_left, "right": pair.noise_right}[quantity]
            return noise.of_mean(length_s)

        own = self.pairs.get(j)
        most = of(own) if own is not None else max(map(of, self.pairs.values()), default=0.0)
        return 100.0 * most / math.sqrt(2.0)

    def _change_within(self, i: int, j: int, begin: int, end: int, power_w: float) -> float:
        """Percent of a side's work that changes of load inside a window can move from one side to the other.

        Two meters share out by revolutions that begin at different crank angles: the one in
        which the load changes they share out differently.
        """
        most = 0.0
        for k in (i, j):
            swings = self.past[k].swings
            first = len(swings) - (end - begin)
            most = max(most, *(swings[at] for at in range(first, len(swings))))
        return 100.0 * SHARED_S * max(0.0, most - VARIES * power_w) / (0.5 * (end - begin) * power_w)

    def _ends(self, span: _Span, k: int) -> _Ends:
        fives, swings = self.past[k].fives, self.past[k].swings
        at = len(fives) - span.length_s
        start = fives[at + 4]
        before = fives[at - 1] if at > 0 else start
        last, two = fives[-1], self.past[k].two
        change = max(abs(last - before), abs(two - before), abs(last - start), abs(two - start))
        ends = span.ends[k] = _Ends(change, swings[at + 1], swings[-1])
        return ends

    def _sides(self, i: int, pair: Pair, window: Window, span: _Span) -> None:
        side = self.side_references[i]
        instrument = self.instruments[i]
        begin, end = window.begin_s, window.end_s
        if instrument.sides == "total" or self.past[i].sided_since > begin - self.reach_s:
            return
        lag_s = pair.side_timing.lag_s if side is not None else 0.0
        own_left, own_right = self._shared(span, i, begin, end, min(0.0, lag_s))
        if instrument.sides != "right":
            window.left_w = own_left
        if instrument.sides != "left":
            window.right_w = own_right
        if instrument.sides == "both" and own_left + own_right > 0.0:
            window.balance = 100.0 * own_left / (own_left + own_right)
        if (
            side is None
            or max(self.past[side].sided_since, self.past[side].clean_since) > begin - self.reach_s
        ):
            return
        left, right = self._shared(span, side, begin, end, -max(0.0, lag_s))
        if left < MIN_POWER_W / 3 or right < MIN_POWER_W / 3:
            return
        if instrument.sides != "right":
            window.left = 100.0 * (own_left / left - 1.0)
            window.u_left = math.hypot(100.0 * pair.noise_left.of_mean(span.length_s), SHARE_COARSE_PERCENT)
        if instrument.sides != "left":
            window.right = 100.0 * (own_right / right - 1.0)
            window.u_right = math.hypot(100.0 * pair.noise_right.of_mean(span.length_s), SHARE_COARSE_PERCENT)
        if instrument.sides == "both":
            window.balance_reference = 100.0 * left / (left + right)
            window.u_balance = 0.25 * math.hypot(window.u_left, window.u_right)
        tolerance = self._side_tolerances[i]
        window.left_limits, window.right_limits = tolerance.at(left), tolerance.at(right)
        change, smoothed = self._edge(i, side, span, left + right)
        smoothed_s2 = pair.smoothed_s2 if side == self.reference else SMOOTHED_CRANK_S2
        window.side_edge, window.u_side_lag = smoothed_s2 * smoothed, pair.side_timing.sd_s * change
        if max(abs(window.left or 0.0), abs(window.right or 0.0)) > tolerance.claims_percent:
            window.side_edge += self._change_within(i, side, begin, end, left + right)

    def _find_lags(self, end: int) -> None:
        """Learn the lag of each instrument from the last five minutes."""
        begin = max(self.ring.oldest, end - LAG_S)
        covered = self.ring.series(begin, end, COVERED)
        power = self.ring.series(begin, end, WORK)
        power[(covered < COVERED_PART) | (power < MIN_POWER_W)] = np.nan
        for i in self.powered:
            if i != self._anchor:
                self.timings[i] = timing(
                    power[:, self._anchor], power[:, i], self._before[i], self.timings[i].lag_s
                )
        for i, pair in self.pairs.items():
            side = self.side_references[i]
            if side is None or self.instruments[i].sides == "total":
                continue
            if side == self._anchor:
                pair.side_timing = self.timings[i]
            else:
                pair.side_timing = timing(power[:, side], power[:, i], ALIKE, pair.side_timing.lag_s)
        self.reach_s = self._reach()

    def lag(self, i: int) -> Timing | None:
        """The measured lag of an instrument behind the reference; None while there is none to speak of."""
        known = self.timings[i]
        return known if 0.0 < known.sd_s < KNOWN_LAG_SD_S else None

    def later_s(self, i: int, j: int) -> float | None:
        """By how many seconds `i` shows later than `j`; negative: earlier, None: not measured yet."""
        if any(k != self._anchor and self.lag(k) is None for k in (i, j)):
            return None
        return self.timings[i].lag_s - self.timings[j].lag_s

    def cadences(self, *spans: tuple[int, int]) -> list[list[float | None]]:
        """Mean cadence of every instrument over the seconds [begin, end) of each span within the last
        TURNS_S, rpm; None: unknown."""
        now = self.ring.end + 1
        results = []
        for begin, end in spans:
            first, last, least_s = begin - now, end - now, 0.95 * (end - begin)
            results.append(
                [
                    60.0 * (revs[last] - revs[first]) / known_s
                    if (known_s := turned[last] - turned[first]) > least_s
                    else None
                    for revs, turned in ((past.revs, past.turned) for past in self.past)
                ]
            )
        return results

    def leap(self, to: int) -> None:
        """Time has leapt over a hole to second `to`, in which nothing is known."""
        for i in range(len(self.instruments)):
            self.past[i].clean_since = self.past[i].sided_since = to
            for sums in (self.past[i].revs, self.past[i].turned):
                sums.extend([sums[-1]] * (TURNS_S + 1))
