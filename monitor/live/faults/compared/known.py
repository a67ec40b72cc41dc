"""Causes known otherwise than from the torques ridden: a setting, a doubled side, a drift, a chain."""

import math
from collections.abc import Sequence

from monitor.analysis.block import Block
from monitor.analysis.changes.shift import Shift
from monitor.analysis.diagnose import Attribution, Diagnosis, attribute
from monitor.analysis.expected import LOSS_SPREAD
from monitor.finding import Side
from monitor.live.faults.compared.change import Changes, drift_words
from monitor.live.faults.seen import Seen
from monitor.live.faults.sign import Sign

CRANK_SET_MM = 0.4
"""Crank lengths that differ by less are the same setting (common practice, no source)."""
PART_OF_DRIFT = 0.5
"""A drift explains a deviation of which it made at least this part (common practice, no source)."""
PART_OF_DISPLAY = 0.4
"""A display that is off explains a deviation that is within this part of it (common practice, no source)."""
LEAST_DRIVE_BLOCKS = 6
"""A minute: before, nothing is said of a chain."""
LEAST_DOUBLED_BLOCKS = 3
UNEVEN = 0.02
"""Of a rider as even as this nobody can tell which side is doubled: a fraction of a side."""


class Known:
    """What of an instrument explains its deviation before any torque is looked at."""

    def __init__(self, seen: Seen, changes: Changes) -> None:
        self.seen = seen
        self.bench = seen.bench
        self.comparator = seen.comparator
        self.changes = changes
        self.one_sided: set[int] = set()
        """Whose total was last explained by one of its sides."""

    def of(self, i: int, sign: Sign, state: Sequence[Block], since: Sequence[Block]) -> Diagnosis | None:
        """What explains the deviation of instrument `i`; None: nothing but perhaps the torques do.

        `state` are the blocks since its last change, `since` those of them in which it has deviated.
        """
        if sign.side != "total":
            return self._setting(i, sign)
        found = self._setting(i, sign) or self._display(i, sign) or self._doubled(i, since)
        found = found or self._drift(i, sign)
        found = found or self._drift_of_reference(sign)
        if found is not None:
            return found
        return self._one_side(i, since) or (self.drivetrain(i, sign, state) if sign.whose == "own" else None)

    def of_charged(self, i: int, sign: Sign, blocks: Sequence[Block]) -> Diagnosis | None:
        """The same of the reference, whose deviation shows in `blocks` of another against it."""
        found = self._drift(i, sign) or self._one_side_of_reference(i, sign.since_s or 0.0)
        return found or self.drivetrain(i, sign, blocks)

    def _one_side_of_reference(self, i: int, since_s: float) -> Diagnosis | None:
        """By whoever else knows both sides: the side of the reference that explains its total."""
        for j, side in self.comparator.side_references.items():
            if side == i and j in self.comparator.pairs and self.bench.instruments[j].sides == "both":
                split = attribute([b for b in self.comparator.pairs[j].blocks if b.begin_s >= since_s - 1.0])
                named = self._side_named(i, split)
                if split is not None and named is not None:
                    return Diagnosis("one-side", f"with {split.mirrored.words}", cure=side_cure(named))
        return None

    def _side_named(self, i: int, split: Attribution | None) -> Side | None:
        """The side that explains a deviation; what may be called either stays what it was called."""
        if split is None:
            return None
        named = split.named(i in self.one_sided)
        if named is None:
            self.one_sided.discard(i)
        else:
            self.one_sided.add(i)
        return named

    def chain_words_between(self, i: int, percent: float) -> str:
        """What is to be said of a chain where `i` reads so much more than what it is held against."""
        reference = self.comparator.reference
        if self.bench.instruments[i].mount == "hub" or reference is None:
            return self.chain_words(i, percent)
        return self.chain_words(reference, -percent)

    def chain_words(self, hub: int, percent: float) -> str:
        """The same of what may be a hub, which reads so much more than those at the crank; else empty."""
        if self.below_crank(hub, percent):
            return ", as with a chain that takes more than stated"
        return ", which no chain does" if self.below_crank(hub, -percent) else ""

    def drivetrain(self, hub: int, sign: Sign, blocks: Sequence[Block]) -> Diagnosis | None:
        """A hub that reads less than all at the crank, by more than the stated loss may be off.

        What a chain takes beyond what the bench states looks the same as a hub that reads low. No chain makes
        a hub read more.
        """
        if not self.below_crank(hub, sign.value or 0.0) or len(blocks) < LEAST_DRIVE_BLOCKS:
            return None
        power_w = math.fsum(b.reference_w for b in blocks) / len(blocks)
        loss = self.comparator.losses[hub]
        stated_w = power_w - loss.at_hub(power_w)
        watts = abs(sign.value or 0.0) / 100.0 * power_w
        if watts <= 2.0 * LOSS_SPREAD * stated_w:
            return None
        return Diagnosis(
            "drivetrain",
            f"drivetrain or hub: {watts:.0f} W more are lost than the {stated_w:.0f} W that the bench states",
            cure="clean and oil the chain and ride the block again: what stays is the hub",
        )

    def below_crank(self, hub: int, percent: float) -> bool:
        """Whether this is a hub that reads less (`percent` below zero) than instruments at the crank do."""
        instruments = self.bench.instruments
        others = [instruments[j].mount for j in self.comparator.powered if j != hub]
        return instruments[hub].mount == "hub" and percent < 0.0 and "hub" not in others and bool(others)

    def _display(self, i: int, sign: Sign) -> Diagnosis | None:
        """What it shows is not what it counts, and that makes its deviation."""
        percent = 100.0 * (self.comparator.shown_over_counted[i] - 1.0)
        if percent == 0.0 or sign.value is None or abs(sign.value - percent) > PART_OF_DISPLAY * abs(percent):
            return None
        more = "more" if percent > 0.0 else "less"
        return Diagnosis(
            "scale",
            f"it shows {abs(percent):.1f} % {more} than its own torque and turns make",
            cure="look for a setting of what it shows, or newer firmware",
        )

    def _setting(self, i: int, sign: Sign) -> Diagnosis | None:
        """A deviation that the crank length set in the instrument explains."""
        mounted = self.bench.instruments[i].crank_length_mm
        length_mm = self.seen.facts[i].get("crank_length_mm")
        if (
            mounted is None
            or not isinstance(length_mm, float)
            or abs(length_mm - mounted) < CRANK_SET_MM
            or sign.value is None
        ):
            return None
        percent = 100.0 * (length_mm / mounted - 1.0)
        if abs(sign.value - percent) > max(0.5 * (sign.limit or 0.0), 0.4 * abs(percent)):
            return None
        return Diagnosis(
            "setting",
            f"it is set to {length_mm:g} mm cranks where {mounted:g} mm are mounted, "
            f"which makes {percent:+z.1f} %",
            cure=f"set {mounted:g} mm",
        )

    def _doubled(self, i: int, blocks: Sequence[Block]) -> Diagnosis | None:
        """One that counts one side twice follows the rider's balance: that is neither scale nor zero."""
        if not self.seen.doubled[i]:
            return None
        side = doubled_side(blocks)
        which = "one side" if side is None else f"its {side} side"
        return Diagnosis("one-side", f"{which} is counted twice", cure="wake and pair the other side")

    def _drift(self, i: int, sign: Sign) -> Diagnosis | None:
        shift = self._drifted(i, sign.value or 0.0)
        if shift is None:
            return None
        if self.changes.whose_is_open(i, shift):
            return Diagnosis(
                "drift", f"the difference {drift_words(shift)}",
                cure="let both take the room's temperature, zero both and ride the block again",
            )  # fmt: skip
        return Diagnosis(
            "drift", f"it {drift_words(shift)}",
            cure="let it take the room's temperature, zero it and ride the block again",
        )  # fmt: skip

    def _drifted(self, i: int, percent: float) -> Shift | None:
        """A drift of the instrument, or of its difference, that made most of its deviation."""
        shift = self.changes.drifting(i)
        if shift is None:
            return None
        return (
            shift
            if shift.percent * percent > 0.0 and abs(shift.percent) > PART_OF_DRIFT * abs(percent)
            else None
        )

    def _drift_of_reference(self, sign: Sign) -> Diagnosis | None:
        """What it is held against has drifted: then there is nothing of this one to explain."""
        j = self.comparator.reference
        shift = None if j is None else self._drifted(j, -(sign.value or 0.0))
        if j is None or shift is None:
            return None
        label = self.bench.instruments[j].label
        cure = f"let {label} take the room's temperature, zero it and ride the block again"
        return Diagnosis("drift", f"{label} {drift_words(shift)}", cure=cure)

    def _one_side(self, i: int, blocks: Sequence[Block]) -> Diagnosis | None:
        """A deviation of the total that one side explains."""
        if self.bench.instruments[i].sides != "both":
            return None
        split = attribute(blocks)
        named = self._side_named(i, split)
        if split is None or named is None:
            return None
        return Diagnosis("one-side", f"with {split.words}", cure=side_cure(named))


def side_cure(side: Side) -> str:
    """What to try where a side is known."""
    return f"check how the {side} side is mounted, zero it and ride the block again"


def doubled_side(blocks: Sequence[Block]) -> str | None:
    """Which side is counted twice: the one that reads as another instrument's; None: it can't be told."""
    known = [(b.y_left, b.y_right) for b in blocks if b.y_left is not None and b.y_right is not None]
    if len(known) < LEAST_DOUBLED_BLOCKS:
        return None
    left, right = (abs(math.fsum(x) / len(known)) for x in zip(*known, strict=True))
    if max(left, right) < UNEVEN or min(left, right) > 0.5 * max(left, right):
        return None
    return "left" if left < right else "right"
