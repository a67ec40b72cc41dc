"""Something changed: steps of an instrument against its own past, and what came with them."""

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

from monitor.analysis.block import BLOCK_S, silent_side
from monitor.analysis.changes.shift import MIN_PERCENT, MIN_SIDE_PERCENT, Shift, ShiftDetector
from monitor.analysis.consistency import LEAST_OPINIONS
from monitor.analysis.expected import follows_rider
from monitor.finding import Side
from monitor.live.faults.compared.inferred import inferred_side
from monitor.live.faults.compared.moment import NEAR_S, moment
from monitor.live.faults.happened import Happened
from monitor.live.faults.seen import Key, Seen
from monitor.live.faults.sign import Sign
from monitor.live.pair import Pair
from monitor.live.who.opinions import Opinions
from monitor.text import change_by, clock

CLEAR_POINTS = 1.0
"""A rider's own balance is not expected to move so far within two minutes (common practice, no source)."""
SAME_S = 45.0
"""What several comparisons show within this time is one change."""
CLEARLY = 1.3
"""Of three instruments the one that steps moves twice as far as the others."""
ANEW_BLOCKS = 12
"""A zeroing is held against two minutes before it; at least LEAST_BLOCKS on either side tell anything."""
LEAST_BLOCKS = 3
ONLY_PART = 0.3
"""What a zeroing changed is `only` so much if it is less than this part of what there was."""
ANEW_PERCENT = 400.0
"""A side that shows five times what it did had shown next to nothing (common practice, no source)."""
DRIFT_PART = 0.25
"""Of a drift the first quarter still stands for what was before it."""


@dataclass(slots=True)
class ZeroTrial:
    """The blocks before a zeroing, to be held against those after it."""

    at_s: float
    before: list[float]

    def text(self, after: list[float]) -> str:
        """What the zeroing changed; empty while there are too few blocks on either side."""
        if min(len(self.before), len(after)) < LEAST_BLOCKS:
            return ""
        change = 100.0 * math.expm1(sum(after) / len(after) - sum(self.before) / len(self.before))
        deviation = 100.0 * math.expm1(sum(self.before) / len(self.before))
        only = "only " if abs(change) < ONLY_PART * abs(deviation) else ""
        return f", zeroing changed it by {only}{change:+z.1f} %"


def drift_words(shift: Shift) -> str:
    """`has drifted -2.9 % since 6:10, -17.8 ± 1.2 % an hour`; without a rate where it may be none at all."""
    words = f"has drifted {shift.percent:+z.1f} % since {clock(shift.since_s)}"
    rate, half = shift.percent_per_hour, shift.u95_per_hour
    if rate is None or half is None or half >= abs(rate):
        return words
    return f"{words}, {rate:+z.1f} ± {half:.1f} % an hour"


def _one_change(one: Shift, two: Shift) -> bool:
    """Whether two comparisons show the same change: of drifts, whether they go on at one time."""
    if (one.drift or one.open) and (two.drift or two.open) and (one.drift or two.drift):
        return one.since_s <= (two.until_s or two.found_s) and two.since_s <= (one.until_s or one.found_s)
    return abs(one.since_s - two.since_s) <= SAME_S


def _mirrored(shift: Shift) -> Shift:
    """What a change in a comparison is of the one that is compared with."""
    size = 100.0 * math.expm1(-math.log1p(shift.percent / 100.0))
    rate = None if shift.percent_per_hour is None else -shift.percent_per_hour
    return replace(shift, percent=size, percent_per_hour=rate)


class Changes:
    """Watches each instrument for steps, and keeps what may have caused them."""

    def __init__(self, seen: Seen, opinions: Opinions) -> None:
        self.opinions = opinions
        self.seen = seen
        self.bench = seen.bench
        self.tracks = seen.tracks
        self.comparator = seen.comparator
        self.labels = seen.labels
        self.shifts = {i: ShiftDetector(pair.limit) for i, pair in seen.comparator.pairs.items()}
        self.of_reference = ShiftDetector(0.0)
        """What the reference did, which shows in the comparisons of others with it."""
        self._whose: dict[int, tuple[Shift, str]] = {}
        """The last change of each instrument, and what can be said of whose it was."""
        self.happened = Happened(seen)
        self.zeros: dict[int, ZeroTrial] = {}
        self._moved_s: dict[int, float] = {}
        """When each showed a change that was the reference's."""
        self._told: dict[Key, tuple[Shift, str]] = {}
        """What stands told of each key, and what of it is worth to be said again."""
        self._keys: list[list[Key]] = [
            [("shifted", label, "total"), ("shifted", label, "left"), ("shifted", label, "right")]
            for label in seen.labels
        ]

    def found(self) -> dict[int, list[Shift]]:
        """All changes by instrument, the reference included."""
        found = {i: detector.found for i, detector in self.shifts.items()}
        if self.comparator.reference is not None:
            found[self.comparator.reference] = self.of_reference.found
        return found

    def zeroed(self, i: int, t_s: float) -> None:
        """An instrument was zeroed: remember how it stood."""
        self.happened.add(t_s, f"the zeroing of {self.labels[i]}")
        pair = self.comparator.pairs.get(i)
        if pair is not None:
            blocks = [b.y for b in pair.blocks if b.begin_s >= pair.reset_s]
            self.zeros[i] = ZeroTrial(t_s, blocks[-ANEW_BLOCKS:])

    def begin_anew(self, i: int) -> None:
        """What an instrument shows is counted otherwise from now on: that is no change of it."""
        for k in self.shifts if i == self.comparator.reference else (i,):
            if k in self.shifts:
                self.shifts[k].reset()

    def signs(self, i: int, pair: Pair, end: int) -> Iterator[Sign]:
        """`shifted` of instrument `i`, for its total and each side."""
        detector = self.shifts[i]
        instrument, side = self.bench.instruments[i], self.comparator.side_references[i]
        follows = follows_rider(instrument, side)
        if self.seen.sides_wrong[i] or follows:
            # A doubled or swapped side follows the rider's own balance: that is no step of the meter. A rider
            # of even halves looks like that, too, which is no reason to forget what was seen before.
            if follows or self.seen.doubled[i] or self.seen.swapped[i]:
                detector.reset()
        elif end % BLOCK_S == 0 and pair.blocks and pair.blocks[-1].end_s == end:
            block = pair.blocks[-1]
            edge = 0.005 * block.edge_percent / pair.noise.sd
            found = detector.feed(block, 1.0 / (1.0 + edge * edge))
            if found is not None and not found.drift:
                found = replace(found, since_s=self.second(i, found.side, found.since_s))
            if found is not None and self.comparator.reference is None:
                self._settle(i, found)
            elif found is not None:
                self._charge(i, found)
            elif (shift := detector.shown(end)) is not None and self.whose_is_open(i, shift):
                self._charge(i, shift)
        yield from self._signs(i, detector.shown(end))

    def second(self, i: int, side: Side, since_s: float, back_s: int = NEAR_S) -> float:
        """The second near `since_s`, which the blocks tell, in which an instrument stepped."""
        comparator = self.comparator
        named = comparator.reference if side == "total" else comparator.side_references[i]
        others = [named] if named is not None else []
        if named is None and side == "total":
            others = [j for j in comparator.powered if j != i and j not in comparator.leaning]
        if not others:
            return since_s
        late_s = {j: comparator.timings[i].lag_s - comparator.timings[j].lag_s for j in others}
        return moment(comparator.ring, i, late_s, side, since_s, back_s)

    def signs_of_reference(self, end: int) -> Iterator[Sign]:
        """`shifted` of the reference itself."""
        if self.comparator.reference is not None:
            self._follow_reference()
            yield from self._signs(self.comparator.reference, self.of_reference.shown(end))

    def _follow_reference(self) -> None:
        """A drift of the reference grows as its mirror image in the comparisons with it does."""
        if all(detector.pending is None for detector in self.shifts.values()):
            self.of_reference.pending = None
        found = self.of_reference.found
        self.of_reference.creeping = None
        if not found or not found[-1].drift:
            return
        last = found[-1]
        seen = [s for d in self.shifts.values() if (s := d.creeping) is not None and _one_change(s, last)]
        if seen:
            most = max(seen, key=lambda s: abs(s.percent))
            found[-1] = replace(_mirrored(most), since_s=last.since_s, found_s=last.found_s)
            self.of_reference.creeping = found[-1]

    def drifting(self, i: int) -> Shift | None:
        """The last change of an instrument, if that is a drift and nothing came after it."""
        detector = self.shifts.get(i)
        found = self.of_reference.found if detector is None else detector.found
        return found[-1] if found and found[-1].drift and found[-1].side == "total" else None

    def _signs(self, i: int, shift: Shift | None) -> Iterator[Sign]:
        label, standing = self.labels[i], self.seen.standing
        for key in self._keys[i]:
            side = key[2]
            if (shift is None or shift.side != side) and key not in standing:
                continue
            sign = Sign("shifted", label, side, "below", unit="%", reference=self.bench.reference)
            if shift is not None and shift.side == side:
                sign.signal = "over"
                sign.value, sign.since_s = shift.percent, shift.since_s
                sign.limit = MIN_PERCENT if side == "total" else MIN_SIDE_PERCENT
                sign.cause = "unclear"
                sign.what, sign.do = self._tell(i, shift)
                open_ = bool(self._whose_words(i, shift))
                own = inferred_side(self.seen, i, shift)
                # As long as it may be another's change, only what no rider does by chance is told.
                if own is not None and not (open_ and abs(own.points) < CLEAR_POINTS):
                    sign.what += f"; {own.words}"
                    sign.inferred = own.side
                sign.whose = "difference" if open_ else "own"
                sign.inferred = self._news(key, shift, sign.inferred)
            elif shift is not None and shift.drift and shift.side == "total":
                sign.cleared = f"{label} does not change on one side alone, its total drifts"
            elif i in self.comparator.pairs and self.of_reference.found[-1:]:
                last = self.of_reference.found[-1]
                if last.found_s == self._moved_s.get(i):
                    sign.cleared = f"{label} did not change, {self.bench.reference} did"
            if sign.signal == "below":
                self._told.pop(key, None)
            yield sign

    def _news(self, key: Key, shift: Shift, inferred: str) -> str:
        """What makes a change worth to be said again: another than stands told, or what was open of it."""
        last, news = self._told.get(key, (shift, ""))
        if (last.found_s, last.drift, last.open) != (shift.found_s, shift.drift, shift.open):
            news = f"found at {shift.found_s:.0f} s"
        news = inferred or news
        self._told[key] = (shift, news)
        return news

    def consensus_changed(self, i: int) -> None:
        """Instrument `i` left the consensus, or came back: what the others were held against is another."""
        for j, detector in self.shifts.items():
            if j != i:
                detector.reset()

    def _settle(self, i: int, found: Shift) -> None:
        """Against a consensus a step of one moves all: it belongs to the one that clearly moved most.

        While it isn't clear which, the next block is waited for.
        """
        steps = {i: found.percent}
        for j, pair in self.comparator.pairs.items():
            after = [b.y for b in pair.blocks if b.end_s > found.since_s]
            before = [b.y for b in pair.blocks if b.end_s <= found.since_s][-ANEW_BLOCKS:]
            if j != i and after and before:
                steps[j] = 100.0 * math.expm1(sum(after) / len(after) - sum(before) / len(before))
        order = sorted(steps, key=lambda j: -abs(steps[j]))
        if len(order) > 1 and abs(steps[order[0]]) < CLEARLY * abs(steps[order[1]]):
            return
        most = order[0]
        self.shifts[most].take(
            found if most == i else Shift(found.since_s, found.found_s, steps[most], "total", open=found.open)
        )
        for j, detector in self.shifts.items():
            if j != most or not (found.drift or found.open):
                detector.reset()

    def _charge(self, i: int, found: Shift) -> None:
        """Believe a change that instrument `i` shows against the reference: of that one which moved against
        all others, or of nobody yet."""
        reference = self.comparator.reference
        detector = self.shifts[i]
        assert reference is not None
        before = [x.since_s for x in (*detector.found, *self.of_reference.found) if x.since_s < found.since_s]
        at_s = found.since_s + DRIFT_PART * ((found.until_s or found.since_s) - found.since_s)
        whose = self.opinions.change(found.side, at_s, max(before, default=0.0))
        if found.side != "total" and (whose is None or whose.independent < LEAST_OPINIONS):
            # Two that know their sides: the totals of all may tell who moved.
            total = self.opinions.change("total", at_s, max(before, default=0.0))
            whose = total if total is not None and total.moved() else whose
        named = whose.moved() if whose is not None else []
        if not named and self._is_known_drift(found):
            named = [reference]
        fresh = found not in detector.found
        if reference in named and i not in named:
            if not fresh:
                detector.found.remove(found)
            self._moved_s[i] = found.found_s
            last = self.of_reference.found[-1:]
            if last and last[0].open and not found.open:
                # Now it is known what it was.
                self.of_reference.found.pop()
                self.of_reference.pending, last = None, []
            if not last or not _one_change(found, last[0]):
                mirrored = _mirrored(found)
                self.of_reference.found.append(mirrored)
                self.of_reference.pending = mirrored if found.open else None
            if (found.drift and found.side == "total") or found.open:
                # It goes on in this comparison: what it comes to is read there.
                detector.keep(found)
                return
            # The past of every comparison has the step of the reference in it.
            for each in self.shifts.values():
                each.reset()
            return
        if fresh:
            detector.take(found)
        words = ""
        if i not in named and not self._touched(i, found):
            few = whose is None or whose.independent < LEAST_OPINIONS
            words = (
                "two instruments cannot tell which changed"
                if few
                else "whose change it is cannot be told yet"
            )
        self._whose[i] = (found, words)

    def _is_known_drift(self, found: Shift) -> bool:
        """Whether this is what a drift that has been charged to the reference looks like."""
        last = self.of_reference.found[-1:]
        return (
            bool(last)
            and last[0].drift
            and _one_change(found, last[0])
            and found.percent * last[0].percent < 0.0
        )

    def whose_is_open(self, i: int, shift: Shift) -> bool:
        """Whether it can't be told yet whose a change is."""
        return bool(self._whose_words(i, shift))

    def _whose_words(self, i: int, shift: Shift) -> str:
        known = self._whose.get(i)
        return known[1] if known is not None and known[0] == shift else ""

    def _touched(self, i: int, shift: Shift) -> bool:
        """Whether something was done to this instrument at that moment."""
        return self.happened.near(shift.since_s) == f"the zeroing of {self.labels[i]}"

    def _tell(self, i: int, shift: Shift) -> tuple[str, str]:
        """What changed, by how much, and what came with it; and what to try."""
        label = self.labels[i]
        where = "" if shift.side == "total" else f" {shift.side} side"
        words = self._whose_words(i, shift)
        open_, both = (f", {words}", "zero both") if words else ("", "zero it")
        if shift.drift and shift.side != "total":
            against = f" against {self.bench.reference}" if words else ""
            return (
                f"the split of {label} has drifted by {shift.percent:.1f} % to the {shift.side}{against} "
                f"while its total stays{open_}",
                "zero both sides and ride the block again",
            )
        near = self.happened.near(shift.since_s)
        if shift.drift:
            warm = self.happened.warmed_since(shift.since_s)
            against = f" against {self.bench.reference}" if words else ""
            return (
                f"{label} {drift_words(shift)}{against}{open_}" + (f", with {warm}" if warm else ""),
                f"let it take the room's temperature, {both} and ride the block again",
            )
        past = self.bench.reference if words else "its own past"
        came = f"together with {near}" if near else "and nothing recorded explains it"
        silent = self._silent(i)
        do = ("" if near else "was the bike knocked, ") + f"{both} and ride the block again"
        if shift.side != "total" and silent == shift.side and shift.percent < 0.0:
            # What a side that shows nothing lost, and what it gains again, is no size of a step.
            return f"{label}{where} shows nothing any more{open_}, {came}", do
        if shift.side != "total" and shift.percent > ANEW_PERCENT:
            return f"{label}{where} shows power again{open_}, {came}", do
        if shift.open:
            kind = (
                "nor whether at once or slowly" if words else "whether at once or slowly cannot be told yet"
            )
            return (
                f"{label}{where} changed {change_by(shift.percent)} against {past}{open_}, {kind}",
                f"{both} and ride the block again",
            )
        return (
            f"{label}{where} changed {change_by(shift.percent)} against {past}{open_}, {came}"
            + (f", its {silent} side shows nothing" if silent is not None and shift.percent < 0.0 else ""),
            do,
        )

    def _silent(self, i: int) -> Side | None:
        """Which side of an instrument shows nothing at last; None: neither."""
        pair = self.comparator.pairs.get(i)
        return None if pair is None or pair.sides != "both" else silent_side(list(pair.blocks)[-1:])
