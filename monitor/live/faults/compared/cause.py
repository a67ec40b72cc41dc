"""Why an instrument or a side deviates, and since when."""

import math
from collections.abc import Sequence
from typing import Literal

from monitor.analysis.block import BLOCK_S, Block
from monitor.analysis.changes.constant import began_at_once, early, is_constant
from monitor.analysis.consistency import LEAST_OPINIONS
from monitor.analysis.diagnose import FOLLOWS_RIDER, Diagnosis, Ride, diagnose
from monitor.analysis.expected import follows_rider
from monitor.finding import Cause, Side
from monitor.live.faults.compared.change import Changes
from monitor.live.faults.compared.known import Known, side_cure
from monitor.live.faults.compared.moment import BEFORE_S
from monitor.live.faults.seen import Seen
from monitor.live.faults.sign import Sign
from monitor.live.pair import Pair
from monitor.live.who.charge import Charge
from monitor.live.who.opinions import ratio_of

SAYS_ALL = ("drivetrain", "drift", "one-side", "setting")
"""With these causes nothing is to be said of a chain."""


PART_UNLIKE = 0.5
"""A window shows what a scale error makes if it is within this part of it (common practice, no source)."""
UNLIKE = Diagnosis(
    "unclear",
    "the window shows another figure than all blocks",
    "keep riding steadily for another minute to find the cause",
)
LEVEL_BLOCKS, LAGGING_BLOCKS = 6, 2
"""A level is read from a minute; a mean of three blocks may lag by two behind a step."""
PART_LEFT = 0.1
ANEW_TIMES = 1.2
"""A cause beside which nothing drifts is held against time again when so many times the blocks are there."""
SAME_BEGIN_S = 60.0
"""A step that was found so near to where a deviation seems to begin is where it began."""


class Causes:
    """Adds to a deviation since when it has been there and what explains it, as far as the blocks tell."""

    def __init__(self, seen: Seen, changes: Changes) -> None:
        self.seen = seen
        self.bench = seen.bench
        self.comparator = seen.comparator
        self.changes = changes
        self.known = Known(seen, changes)
        self.onsets: dict[tuple[int, Side], float] = {}
        """Since when a deviation has been over its limit: the blocks from there on tell its cause."""
        self.diagnoses: dict[tuple[int, Side], Diagnosis] = {}
        self._whose: dict[tuple[int, Side], str] = {}
        """As whose each was diagnosed last."""
        self._steady: dict[tuple[int, Side], tuple[Cause, int, int]] = {}
        """Causes beside which no drift explained the blocks: which, from when on (s), and how many blocks."""

    def explain(self, sign: Sign, i: int, pair: Pair, now_s: float, end: int) -> None:
        """Since when, and why, as far as the blocks since then tell."""
        side = sign.side or "total"
        key = (i, side)
        if side == "total":
            self._lean(sign, i)
        if sign.signal == "below":
            self.onsets.pop(key, None)
            self.diagnoses.pop(key, None)
        if sign.signal != "over" and key not in self.onsets:
            return
        onset = sign.since_s = self._onset(i, sign, pair, now_s, end)
        if not sign.what:
            # It agrees just now: there is nothing that this would be the cause of.
            return
        if end % BLOCK_S == 0 or key not in self.diagnoses or self._whose.get(key) != sign.whose:
            # What was told as its own error is a difference where it is open again, in the same second.
            self._whose[key] = sign.whose
            self.diagnoses[key] = self._diagnose(sign, i, pair, side, onset)
        found = self.diagnoses[key]
        # A side that shows nothing has no scale.
        unlike = sign.inferred == "silent" or _unlike(sign, found.scale_percent)
        self._say(sign, i, pair, UNLIKE if unlike else found)

    def _onset(self, i: int, sign: Sign, pair: Pair, now_s: float, end: int) -> float:
        """Since when it deviates: as soon as a step is found that explains it, since that."""
        side = sign.side or "total"
        key, first = (i, side), (i, side) not in self.onsets
        if first:
            self.onsets[key] = self.changes.second(i, side, _since(pair, sign, now_s), BEFORE_S)
        if first or end % BLOCK_S == 0:
            step_s = self._step(i, sign, self.onsets[key])
            if step_s is not None:
                self.onsets[key] = step_s
        return self.onsets[key]

    def _say(self, sign: Sign, i: int, pair: Pair, found: Diagnosis) -> None:
        """Put a cause into the words of a deviation, and what to try."""
        side = sign.side or "total"
        sign.cause = found.cause
        if side == "total" and self.seen.doubled[i]:
            # Worth to be said again: before, it looked like an error of the other side.
            sign.inferred = "doubled"
        sign.do = found.ride or (self._of_either(found) if sign.whose == "difference" else found.cure)
        if side != "total" and (found.block is not None or sign.inferred == "silent"):
            # Which side is known: seating and zeroing it tell more than another torque would.
            both = f"check how the {side} sides of both are mounted, zero both and ride the block again"
            sign.do = both if sign.whose == "difference" else side_cure(side)
        if found.cause != "unclear":
            # What isn't known yet would not stay true.
            sign.what += f", {found.why}"
        if side == "total" and found.cause not in SAYS_ALL:
            sign.what += self.known.chain_words_between(i, sign.value or 0.0)
        if side == "total" and sign.signal == "over":
            self._after_zeroing(sign, i, pair)

    def charge(self, i: int, side: Side, charge: Charge, now_s: float, end: int) -> Sign:
        """A deviation that belongs to `i`, and shows in how another one differs from it."""
        via, shown = charge.via, charge.sign
        pair, label = self.comparator.pairs[via], self.seen.labels[i]
        key = (i, side)
        sign = Sign(
            "power-off" if side == "total" else "side-off", label, side, shown.signal,
            charge.value, charge.limit, "%", cause="unclear", whose="own", rests_on=shown.rests_on,
        )  # fmt: skip
        if key not in self.onsets:
            self.onsets[key] = _since(pair, shown, now_s)
        sign.since_s = self.onsets[key]
        if end % BLOCK_S == 0 or key not in self.diagnoses:
            known = self.known.of_charged(i, sign, self._state(via, pair)) if side == "total" else None
            self.diagnoses[key] = known or self._by_torque(via, pair, side, sign.since_s)
        found = self.diagnoses[key]
        way = "above" if charge.value > 0.0 else "below"
        where = label if side == "total" else f"{label} {side} side"
        than = "the others, which agree with one another"
        if side != "total":
            # Who else knows its sides is often one alone: then the totals told whose it is.
            sign.reference = self.seen.labels[via]
            than = f"that of {sign.reference}, and {label} stands apart from all others"
        sign.what = f"{where} reads {abs(charge.value):.1f} % {way} {than} (limit {charge.limit:.1f} %)"
        sign.cause, sign.do = found.cause, found.cure or f"look at {label} first"
        if found.cause != "unclear":
            named = {"scale": "a scale error", "zero-offset": "as a zero offset does"}
            sign.what += f", {named.get(found.cause, found.why)}"
        if side == "total" and found.cause not in SAYS_ALL:
            sign.what += self.known.chain_words(i, charge.value)
        return sign

    def _step(self, i: int, sign: Sign, since_s: float) -> float | None:
        """When the step was that explains a deviation since `since_s`; None: none was found."""
        for step in reversed(self.changes.shifts[i].found):
            near = abs(step.since_s - since_s) <= SAME_BEGIN_S and step.side in ("total", sign.side)
            if near and not step.drift and not step.open and step.percent * (sign.value or 0.0) > 0.0:
                return step.since_s
        return None

    def forget(self, i: int, side: Side) -> None:
        """A deviation that was charged has passed."""
        self.onsets.pop((i, side), None)
        self.diagnoses.pop((i, side), None)

    def _lean(self, sign: Sign, i: int) -> None:
        """Keep who is no part of the consensus that others are held against."""
        leaning = self.comparator.leaning
        if sign.signal == ("below" if i in leaning else "over"):
            leaning ^= {i}
            if self.comparator.reference is None:
                self.changes.consensus_changed(i)

    def _diagnose(self, sign: Sign, i: int, pair: Pair, side: Side, onset_s: float) -> Diagnosis:
        since = [b for b in self._state(i, pair) if b.begin_s >= onset_s - 1.0]
        known = self.known.of(i, sign, self._state(i, pair), since)
        return known or self._by_torque(i, pair, side, onset_s, sign.whose == "difference")

    def _state(self, i: int, pair: Pair) -> list[Block]:
        """The blocks since the last change of an instrument."""
        begin = max([pair.reset_s, *(x.since_s for x in self.changes.shifts[i].found[-1:])])
        return [b for b in pair.blocks if b.begin_s >= begin]

    def _by_torque(self, i: int, pair: Pair, side: Side, onset_s: float, shared: bool = False) -> Diagnosis:
        """Scale or zero offset, as far as the torques ridden tell; `shared`: whose it is stays open."""
        if side == "total" and follows_rider(self.bench.instruments[i], self.comparator.side_references[i]):
            return FOLLOWS_RIDER
        # If one explanation fits all that was ridden since the last change, the more torques
        # the better; if none does, the fault began at its onset and only that tells.
        every = self._state(i, pair)
        since = [b for b in every if b.begin_s >= onset_s - 1.0]
        noise = {"total": pair.noise, "left": pair.noise_left, "right": pair.noise_right}[side]
        loss_w = 0.0
        if side == "total":
            reference = self.comparator.reference
            pairing = [i] if reference is None else [i, reference]
            loss_w = max(self.comparator.losses[j].watts for j in pairing)
        found, blocks = diagnose(every, side, noise.sd, loss_w, shared), every
        if found.cause == "unclear" and len(since) < len(every):
            found, blocks = diagnose(since, side, noise.sd, loss_w, shared), since
        if found.cause == "scale" or found.cause == "zero-offset":
            # What was chosen by when it left its tolerance looks constant where it crept beyond it.
            whole = blocks is every or began_at_once(every, side) or is_constant(found.cause, every, side)
            if not whole or not self._constant(i, side, found.cause, blocks):
                return _may_drift(found, every)
        return found

    def _constant(
        self, i: int, side: Side, cause: Literal["scale", "zero-offset"], blocks: Sequence[Block]
    ) -> bool:
        """Whether no drift in time explains the same; looked at again when a fifth more was ridden."""
        last, begin_s = self._steady.get((i, side)), blocks[0].begin_s
        if last is not None and last[:2] == (cause, begin_s) and len(blocks) < ANEW_TIMES * last[2]:
            return True
        steady = is_constant(cause, blocks, side)
        if steady:
            self._steady[i, side] = (cause, begin_s, len(blocks))
        else:
            self._steady.pop((i, side), None)
        return steady

    def _of_either(self, found: Diagnosis) -> str:
        """What to try where a cause is known, and not whose it is."""
        few = len(self.comparator.powered) < LEAST_OPINIONS
        who = "a third independent instrument would show" if few else "steady riding may show"
        return {
            "scale": f"zeroing will not cure it, {who} whose it is",
            "zero-offset": "unload the pedals, zero both instruments and ride the block again",
            "one-side": "zero both instruments and ride the block again",
        }.get(found.cause, found.cure)

    def _after_zeroing(self, sign: Sign, i: int, pair: Pair) -> None:
        trial = self.changes.zeros.get(i)
        if trial is not None:
            sign.what += trial.text([b.y for b in pair.blocks if b.begin_s >= trial.at_s])


def _unlike(sign: Sign, scale_percent: float | None) -> bool:
    """Whether a window shows something else than the scale error that all blocks tell.

    In sprints a window may show any figure, and not the one that the cause would explain. Fails for an error
    of that size which has just come to be half as large again: its cause is told a window later.
    """
    if scale_percent is None or sign.value is None:
        return False
    return abs(sign.value - scale_percent) > max(sign.limit or 0.0, PART_UNLIKE * abs(scale_percent)) or (
        sign.value * scale_percent < 0.0
    )


def _may_drift(found: Diagnosis, blocks: Sequence[Block]) -> Diagnosis:
    """What is said instead of a cause where a drift in time explains the same, and which ride would tell."""
    named = "a zero offset" if found.cause == "zero-offset" else "a scale error"
    first = early(blocks)
    words = f"keep riding, a drift is not excluded yet beside {named}"
    if first is not None:
        words = (
            f"ride {first.power_w:.0f} W at {first.cadence_rpm:.0f} rpm once more, as at first, "
            f"to tell a drift from {named}"
        )
    block = None if first is None else Ride(10.0 * round(first.power_w / 10.0), round(first.cadence_rpm))
    return Diagnosis("unclear", f"a drift explains it as well as {named}", words, block=block)


def _since(pair: Pair, sign: Sign, now_s: float) -> float:
    """When it left its tolerance: back over the blocks, as long as three together are beyond it.

    A lean within the tolerance is no part of it. Three lag behind a step by one or two blocks: those that are
    rather like what came after than like what was before belong to it, too.
    """
    value = sign.value or 0.0
    way = 1.0 if value > 0.0 else -1.0
    now = abs(math.log1p(max(-0.9, value / 100.0)))
    noise = {"left": pair.noise_left, "right": pair.noise_right}.get(sign.side or "total", pair.noise)
    # What lies just beyond is as often seen just within: a standard deviation of three blocks is left, and no
    # more than a tenth, since a drift is noise, too, for who only looks at blocks.
    limit = math.log1p((sign.limit or 0.0) / 100.0)
    beyond = limit - min(noise.of_mean(3.0 * BLOCK_S), PART_LEFT * limit)
    enough = max(0.3 * now, min(beyond, 0.9 * now))
    since = float(pair.windows[min(pair.windows)].begin_s) if pair.windows else now_s
    leans = [
        (float(b.begin_s), way * y)
        for b in pair.blocks
        if b.end_s <= since
        and b.begin_s >= pair.reset_s
        and (y := ratio_of(b, sign.side or "total")) is not None
    ]
    first = len(leans)
    while first > 0:
        three = [y for _, y in leans[max(0, first - 3) : first]]
        if sum(three) / len(three) < enough:
            break
        first -= 1
    later, before = [y for _, y in leans[first : first + LEVEL_BLOCKS]], [y for _, y in leans[:first]]
    after = sum(later) / len(later) if later else now
    for _ in range(LAGGING_BLOCKS):
        level = before[:-LAGGING_BLOCKS][-LEVEL_BLOCKS:]
        if not level or before[-1] < max(0.5 * (after + sum(level) / len(level)), 0.5 * enough):
            break
        before.pop()
        first -= 1
    return min([since, now_s, *(begin_s for begin_s, _ in leans[first : first + 1])])
