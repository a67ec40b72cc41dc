"""Two instruments on the same interval: by how much they differ, and how sure that is.

The live comparison looks at windows of closed seconds (means are differences of
cumulative work, so lost packets and unequal rates cost nothing), and at blocks of ten
seconds for everything that needs a spread: noise, verdict, shifts.
"""

from collections import deque

from monitor.analysis.block import BLOCK_S, MIN_POWER_W
from monitor.analysis.curve import Ring
from monitor.analysis.expected import loss_of, tolerance
from monitor.analysis.lag import Timing
from monitor.analysis.statistics import Floats
from monitor.finding import Side
from monitor.live.pair import Pair
from monitor.live.windows.blocks import take_block
from monitor.live.windows.ends import SMOOTHED_CRANK_S2, smoothed_of
from monitor.live.windows.lags import Lags
from monitor.live.windows.levels import Level, Levels
from monitor.live.windows.past import Past
from monitor.live.windows.windows import Windows
from monitor.setup.bench import Bench

TEN_S = 10
"""The shortest window."""
LENGTHS_S = (TEN_S, 20, 25, 50)
"""Lengths of windows beside the one that the bench asks for: what is large is raised by a shorter one."""
STANDS_IN_S = 50
"""While a longer window that the bench asks for is not filled yet, one of so many seconds stands in."""
KEPT_BEFORE_S = 68
"""Kept beyond the longest window: the five seconds before it, the longest lags, and room to spare."""
STOP_PART = 0.5
"""Below this part of the power around it a second is a stop, not riding (common practice, no source)."""
GOING_S = 6
"""After a stop a rider needs so long to get going again (common practice, no source)."""
STOP_SEARCH_S, STOP_BEFORE_S = 12, 5
"""A stop of a second or two is looked for in so many of the last seconds: after the first five, which are
what it is held against, and before the last one."""

KNOWN_PART = 0.95
"""Of a span's seconds so many must have known revolutions for its cadence (common practice, no source)."""


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
        labels = [i.label for i in bench.instruments]
        self.powered = [i for i, x in enumerate(bench.instruments) if x.mount != "cadence"]
        self.reference: int | None = labels.index(bench.reference) if bench.reference in labels else None
        self.losses = [loss_of(i) for i in bench.instruments]
        self.shown_s = max(TEN_S, round(bench.limits.window_s))
        self.lengths_s = tuple(sorted({*LENGTHS_S, self.shown_s}))
        self.side_references = {i: self._side_reference(i) for i in self.powered}
        self.pairs: dict[int, Pair] = {}
        for i in self.powered:
            others = [j for j in self.powered if j != i] if self.reference is None else [self.reference]
            if i != self.reference and others:
                self.pairs[i] = self._pair(i, others)
        kept_s = max(self.lengths_s) + KEPT_BEFORE_S
        self.past = [Past(kept_s, loss if loss.watts or loss.percent else None) for loss in self.losses]
        """What each instrument showed in the last closed seconds."""
        self.shown_over_counted = [1.0] * len(self.instruments)
        """What counted power was multiplied by to be what is shown."""
        self.pedalled_since = 0
        """Since which second nobody has coasted, with a few seconds to get going again."""
        self._middles: deque[float] = deque(maxlen=STOP_SEARCH_S)
        anchor = self.reference if self.reference is not None else next(iter(self.powered), 0)
        self.lags = Lags(bench.instruments, self.powered, anchor, self.pairs)
        self._windows = Windows(ring, self.past, self.losses, self.powered, self.reference, self.lags)
        self._levels = Levels(bench.instruments, self._windows, self.pairs)
        self.leaning = self._windows.leaning
        """Raised for their power: they are no part of the consensus that others are held against."""
        self._powered = [(i, self.past[i]) for i in self.powered]

    def _pair(self, i: int, others: list[int]) -> Pair:
        own, theirs = self.instruments[i], [self.instruments[j] for j in others]
        side = self.side_references[i]
        smoothed_s2 = smoothed_of(any(x.mount == "hub" for x in (own, *theirs)))
        return Pair(
            tolerance(self.bench, own, theirs),
            smoothed_s2,
            self.shown_s,
            own.sides,
            side,
            None if side is None else tolerance(self.bench, own, [self.instruments[side]], side=True),
            smoothed_s2 if side == self.reference else SMOOTHED_CRANK_S2,
        )

    @property
    def timings(self) -> list[Timing]:
        """Lag of each instrument behind the reference (the first with power in a consensus)."""
        return self.lags.timings

    def touched(self, i: int, at_s: int) -> None:
        """Instrument `i` was touched until `at_s`: what is drawn does not reach back beyond it."""
        for j, pair in self.pairs.items():
            if i in (j, self.reference):
                pair.touched_s = at_s + self.reach_s

    @property
    def reach_s(self) -> int:
        """By how many seconds comparisons reach back before their windows."""
        return self.lags.reach_s

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

    def scale(self, instrument: int, by: float) -> None:
        """What the instrument shows turns out to be `by` times what was taken for it: all begins anew."""
        self.shown_over_counted[instrument] *= by
        self.past[instrument].scale(by)
        self.reset(instrument)

    def set_aside(self, instrument: int, at: int) -> None:
        """Nothing that the instrument showed before second `at` is compared from now on."""
        past = self.past[instrument]
        past.clean_since = max(past.clean_since, at)

    def second(self, cell: Floats) -> None:
        """The ring has just closed `cell` (instruments, COLUMNS): bring all windows up to date."""
        end = self.ring.end
        rows: list[list[float]] = cell.tolist()
        self._windows.moves_on()
        seen = []
        for i, past in self._powered:
            power = past.take_work(rows[i], end)
            if power is not None:
                seen.append(power)
        for row, past in zip(rows, self.past, strict=True):
            past.take_turns(row)
        self._look_for_stops(seen, end)
        if self.lags.due(end):
            self.lags.find(self.ring)
        for i, pair in self.pairs.items():
            self._update(i, pair, end)

    def _look_for_stops(self, seen: list[float], end: int) -> None:
        """Whether somebody pedalled in the second that ends at `end`, by the powers (W) shown in it."""
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
            each = list(middles)
            before, since = each[:STOP_BEFORE_S], each[STOP_BEFORE_S:-1]
            if min(since) < STOP_PART * min(middle, *before):
                self.pedalled_since = max(self.pedalled_since, end + 1)

    def _update(self, i: int, pair: Pair, end: int) -> None:
        windows = pair.windows
        windows.clear()
        since = max(self.past[i].clean_since, self.pedalled_since, pair.reset_s)
        if self.reference is not None:
            since = max(since, self.past[self.reference].clean_since)
        # A late instrument is read earlier: that must not reach into a hole.
        since += self.lags.reach_s
        if end % BLOCK_S == 0:
            take_block(self._windows, i, pair, end, since)
        room_s, shown_s, window = end - since, self.shown_s, self._windows.window
        if room_s < TEN_S:
            return
        ten = window(i, pair, end - TEN_S, end)
        shown = window(i, pair, end - shown_s, end) if TEN_S < shown_s <= room_s else ten
        calm, shown_calm = ten is not None and ten.calm, shown is not None and shown.calm
        for length in self.lengths_s:
            if length > room_s:
                break
            if length == TEN_S:
                made = ten
            elif length == shown_s:
                made = shown
            elif ((calm and length < shown_s) or (shown_calm and 2 * length >= shown_s)) and not (
                length == STANDS_IN_S and room_s < shown_s
            ):
                # What lasts would lean in the last ten seconds; what filled half of the shown time would
                # lean there; and what leans over more than that is over.
                continue
            else:
                made = window(i, pair, end - length, end)
            if made is not None:
                windows[length] = made
        pair.remember(end)

    def levels(self, begin: int, end: int, quantity: Side = "total") -> dict[int, Level]:
        """What each instrument shows over the seconds [begin, end), which end now: its `total`, or its `left`
        or `right` side. All are read at the time of the latest. Empty: an end of the window tells nothing.
        """
        return self._levels.of(begin, end, quantity, self.pedalled_since)

    def lag(self, i: int) -> Timing | None:
        """The measured lag of an instrument behind the reference; None while there is none to speak of."""
        return self.lags.known(i)

    def later_s(self, i: int, j: int) -> float | None:
        """By how many seconds `i` shows later than `j`; negative: earlier, None: not measured yet."""
        return self.lags.later_s(i, j)

    def cadences(self, *spans: tuple[int, int]) -> list[list[float | None]]:
        """Mean cadence of every instrument over the seconds [begin, end) of each span within the last
        TURNS_S, rpm; None: unknown."""
        now = self.ring.end + 1
        results = []
        for begin, end in spans:
            first, last, least_s = begin - now, end - now, KNOWN_PART * (end - begin)
            results.append([past.cadence(first, last, least_s) for past in self.past])
        return results

    def leap(self, to: int) -> None:
        """Time has leapt over a hole to second `to`, in which nothing is known."""
        for past in self.past:
            past.leap(to)
