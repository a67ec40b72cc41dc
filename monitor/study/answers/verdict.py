"""From numbers to verdicts: what is decided of each instrument, and whose a difference is."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from monitor.analysis.consistency import LEAST_OPINIONS
from monitor.analysis.diagnose import Diagnosis
from monitor.analysis.expected import DEFAULT_CLAIM_PERCENT
from monitor.analysis.statistics import judge
from monitor.study.answers.known import Known
from monitor.study.answers.partly import Partly, partly
from monitor.study.parts.who import Who
from monitor.study.results import (
    Difference,
    Judged,
    ShiftStudy,
    SideResult,
)

BY_TORQUE = ("scale", "zero-offset")
"""Causes that the torques ridden tell: all that were ridden in a state more surely than some of them."""


@dataclass(slots=True)
class Judgement(Known):
    """All that is known of one instrument, and what follows from it."""

    def charged(self, verdict: Judged, who: Who | None) -> Judged:
        """What a comparison's verdict says of this instrument, not of the two that are compared.

        A difference from the reference is this one's only if three or more independent instruments
        say so; where the reference stands apart, this one is held against the others.
        """
        apart = who.found.apart.get(self.label, "undecided") if who is not None else "undecided"
        if apart == "yes" or (who is self.who and self.drifted_away and verdict == "differs"):
            return "differs"
        if who is None or who.found.consistent or apart == "undecided":
            return "undecided" if verdict == "differs" else verdict
        if verdict == "agrees":
            return verdict
        against = who.against_others.get(self.label)
        if against is None or who.found.apart.get(self.reference or "", "yes") != "yes":
            # It differs from a reference of which it is not known that it is the one that is off.
            return "undecided"
        deviation, u = against
        claim = self.instrument.claim_percent or DEFAULT_CLAIM_PERCENT
        return "agrees" if abs(deviation) <= max(claim, 1.96 * u) else "undecided"

    def differences(self) -> list[tuple[str, Difference]]:
        """Every judged comparison with the name of its segment, sprints left out, whole cycles for halves."""
        halves = [
            (c.start_s, c.end_s)
            for c in self.cycles
            if any(d.instrument == self.label for d in c.differences)
        ]
        found = [
            (s.name, d)
            for s in self.segments
            if s.kind != "sprint" and not any(a <= s.start_s and s.end_s <= b for a, b in halves)
            for d in s.differences
            if d.instrument == self.label
        ]
        found += [(c.name, d) for c in self.cycles for d in c.differences if d.instrument == self.label]
        return found

    def off(self) -> list[tuple[str, Difference]]:
        """Comparisons that differ, as a whole or in a part."""
        return [
            (name, d)
            for name, d in self.differences()
            if d.verdict == "differs" or any(p.verdict == "differs" for p in d.parts)
        ]

    def sides_now(self) -> list[SideResult]:
        """The sides in the state as left; over the whole session where no state can be judged.

        `by_side` speaks of the state in which a side deviated most, which may be a cured one.
        """
        left = self.left_state
        if left is None:
            return list(self.by_side)
        found = []
        for r in self.by_side:
            value, u95 = (
                (left.left_percent, left.left_u95_percent)
                if r.side == "left"
                else (left.right_percent, left.right_u95_percent)
            )
            if value is not None and u95 is not None:
                verdict: Judged = judge(value, u95, r.limit_percent)  # type: ignore[assignment]
                found.append(
                    SideResult(
                        r.side, r.reference, left.from_s, left.to_s, value, u95, r.limit_percent, verdict
                    )
                )
        return found

    def sides_off(self) -> list[SideResult]:
        """Sides that differ; none where both deviate alike, so that it is the total that does or does not."""
        if self.instrument.sides == "computed":
            return []
        if self.standing("one-sided", "sides-swapped"):
            # What the side that it does not measure seems to read is the rider's own balance, and so is
            # what sides differ by that are exchanged.
            return []
        off = [r for r in self.sides_now() if r.verdict == "differs"]
        if len(off) == 1 and not _unlike(self.sides_now()):
            return []
        return off if len(off) == 1 or len({r.deviation_percent > 0.0 for r in off}) == 2 else []

    @property
    def partly(self) -> Partly | None:
        """By which condition it differs, where it does so in a part of the state as left alone."""
        left = self.left_state
        sides = self.sides_off()
        if left is None or left.verdict == "differs" or sides or self.drift is not None:
            return None
        return partly(self.splits, self.label)

    @property
    def pair_verdict(self) -> Judged:
        """What the comparison with the reference says, in the state as left: a difference, not a culprit."""
        judged = [d for _, d in self.differences()]
        left = self.left_state
        if left is not None:
            sides = self.sides_off()
            inside = [
                d
                for s in self.segments
                if s.start_s + s.settle_s >= left.from_s and s.end_s <= left.to_s
                for d in s.differences
                if d.instrument == self.label and d.verdict == "differs"
            ]
            if sides or inside or (self.stands_apart == "yes" and self.partly is not None):
                return "differs"
            return left.verdict
        if not judged:
            return "undecided"
        overall = self.overall
        if self.off() or (overall is not None and overall.verdict == "differs") or self.sides_off():
            return "differs"
        agreeing = sum(d.verdict == "agrees" for d in judged)
        return "agrees" if agreeing and (overall is None or overall.verdict == "agrees") else "undecided"

    @property
    def verdict(self) -> str:
        """`reference`, `agrees`, `differs`, `undecided`, or `none` where there is nothing to judge."""
        if not self.powered:
            return "none"
        if self.is_reference:
            return "reference"
        return self.charged(self.pair_verdict, self.who) if self.differences() else "undecided"

    @property
    def as_left(self) -> Judged | None:
        """What is said of it in its last state; None if none can be judged."""
        if self.is_reference or not self.judged_states:
            return self._as_reference(self.who)
        return self.charged(self.pair_verdict, self.who)

    @property
    def as_found(self) -> Judged | None:
        """The same of its first state."""
        if self.is_reference or not self.judged_states:
            return self._as_reference(self.who_found)
        if len(self.judged_states) == 1:
            return self.as_left
        state, who = self.judged_states[0], self.who_found
        if who is not None and (who.to_s <= state.from_s or who.from_s >= state.to_s):
            # Too little was ridden in it to ask all instruments: what they say of a later one is not of it.
            who = None
        return self.charged(state.verdict, who)

    def _as_reference(self, who: Who | None) -> Judged | None:
        """Of the one that others are held against: by all independent instruments together."""
        if not self.is_reference or who is None or len(who.opinions) < LEAST_OPINIONS:
            return None
        apart = who.found.apart.get(self.label, "undecided")
        if apart == "yes":
            return "differs"
        return "agrees" if apart == "no" else "undecided"

    @property
    def of_one_state(self) -> Diagnosis | None:
        """The diagnosis where the session is one state: else it speaks of the one that deviates most."""
        return self.diagnosis if len(self.judged_states) <= 1 else None

    @property
    def cause(self) -> str | None:
        """Why it deviates; None while it doesn't."""
        if not self.powered:
            return None
        live = [f.cause for f in self.standing("power-off", "side-off") if f.cause]
        if "setting" in live or self.standing("sides-swapped"):
            return "setting"
        if self.standing("one-sided"):
            return "one-side"
        if self.pair_verdict != "differs" or self.is_the_references or self.verdict == "agrees":
            return None
        if self.partly is not None:
            return "placement" if self.partly.by == "gear" else "unclear"
        left = self.left_state
        if self.drift is not None and left is not None and left.opened_by.kind == "drift":
            return "drift"
        if (self.stands_apart == "yes" and self.reads_below_crank) or self.reads_above_hub:
            return "drivetrain"
        if left is not None and left.cause not in (None, "unclear"):
            return left.cause
        if self.of_one_state is not None and self.of_one_state.cause != "unclear":
            return self.of_one_state.cause
        whole = left is not None and left.verdict == "differs"
        if self.sides_off() and not whole:
            return "one-side"
        # What the torques told while riding, all of them together have just been asked.
        asked = BY_TORQUE if whole else ()
        named = [f.cause for f in self.standing("power-off") if f.cause not in (None, "unclear", *asked)]
        return named[-1] if named else "unclear"

    @property
    def is_the_references(self) -> bool:
        """Whether what it is compared with stands apart, and it does not: there is nothing to explain."""
        apart = self.who.found.apart if self.who is not None else {}
        return apart.get(self.reference or "") == "yes" and apart.get(self.label) == "no"

    @property
    def drift(self) -> ShiftStudy | None:
        """The last drift of its own."""
        return next((s for s in reversed(self.shifts) if s.drift and s.sure), None)

    @property
    def drifted_away(self) -> bool:
        """Whether a drift of its own took it beyond all claims: against its own past no third is needed."""
        left = self.left_state
        return self.drift is not None and left is not None and left.cause == "drift" and self.beyond_claims

    @property
    def reads_below_crank(self) -> bool:
        """Whether it is a hub that reads less than what is at the crank."""
        now = self.left_state or self.overall
        hub = self.instrument.mount == "hub" and self.reference_mount != "hub"
        return hub and now is not None and (now.deviation_percent or 0.0) < 0.0

    @property
    def reads_above_hub(self) -> bool:
        """Whether it reads more than a hub does, as another at the crank does that agrees with it."""
        now = self.left_state or self.overall
        hub = self.reference_mount == "hub" and self.instrument.mount != "hub"
        if not hub or now is None or (now.deviation_percent or 0.0) <= 0.0 or self.who is None:
            return False
        mounts = {i.label: i.mount for i in self.bench.instruments}
        others = [o.label for o in self.who.opinions if o.label not in (self.label, self.reference)]
        return self.who.found.consistent and any(mounts.get(label) != "hub" for label in others)

    @property
    def beyond_claims(self) -> bool:
        """Whether the difference is surely larger than both claims together."""
        left = self.left_state
        if left is None:
            return False
        value, u95 = left.deviation_percent, left.u95_percent
        if left.end_percent is not None:
            value, u95 = left.end_percent, left.end_u95_percent
        if value is None or u95 is None:
            return False
        others = [i for i in self.bench.instruments if i.label == self.reference]
        claims = [i.claim_percent or DEFAULT_CLAIM_PERCENT for i in (self.instrument, *others)]
        # The floor in watts is what the bench asks for: within it nothing is broken.
        return len(claims) > 1 and abs(value) - u95 > max(sum(claims), left.limit_percent or 0.0)


def _unlike(sides: Sequence[SideResult]) -> bool:
    """Whether the sides surely deviate otherwise than each other: else it is the total that deviates."""
    if len(sides) < 2:
        return True
    one, two = sides[:2]
    u95 = math.hypot(one.u95_percent or 0.0, two.u95_percent or 0.0)
    return abs(one.deviation_percent - two.deviation_percent) > u95
