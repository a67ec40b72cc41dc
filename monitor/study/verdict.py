"""From numbers to words: what is said of each instrument, and whose a difference is."""

from collections.abc import Container, Sequence
from dataclasses import dataclass

from monitor.analysis.consistency import Apart
from monitor.analysis.diagnose import Diagnosis
from monitor.analysis.expected import DEFAULT_CLAIM_PERCENT
from monitor.analysis.statistics import judge
from monitor.finding import Finding
from monitor.setup.bench import CONSENSUS, Bench, Instrument
from monitor.study.parts.who import Who
from monitor.study.results import (
    ActJudged,
    Cycles,
    Difference,
    Judged,
    Repeat,
    SegmentStudy,
    ShiftStudy,
    ShownOverCounted,
    SideResult,
    Signal,
    Split,
    State,
    rounded,
)
from monitor.text import clock

ACT_WORDS = {
    "zeroed": "zeroing",
    "position": "a new position",
    "crank-length-set": "a new crank length",
    "firmware": "new firmware",
}
LEAST_OPINIONS = 3
"""Two instruments can only differ: it takes three to tell who."""


@dataclass(slots=True)
class Judgement:
    """All that is known of one instrument, gathered for the words."""

    label: str
    instrument: Instrument
    bench_reference: str
    reference: str | None
    segments: Sequence[SegmentStudy]
    cycles: Sequence[Cycles]
    repeats: Sequence[Repeat]
    splits: Sequence[Split]
    shifts: Sequence[ShiftStudy]
    findings: Sequence[Finding]
    signal: Signal
    diagnosis: Diagnosis | None
    bench: Bench
    powered: bool
    by_side: Sequence[SideResult]
    who: Who | None = None
    """What all independent instruments say of each other in the last common state."""
    who_found: Who | None = None
    """The same in the first."""
    copy_of: str | None = None
    states: Sequence[State] = ()
    acts: Sequence[ActJudged] = ()
    shown_over_counted: ShownOverCounted | None = None
    reference_mount: str = ""
    both_percent: float | None = None
    """Of one that doubles a side: its deviation from both sides of the side reference together."""

    @property
    def stands_apart(self) -> Apart:
        """`yes` only for one outside the unique largest consistent subset of three or more."""
        return self.who.found.apart.get(self.label, "undecided") if self.who is not None else "undecided"

    @property
    def apart_odds(self) -> float | None:
        """The probability that it is outside its claim; None where it was no opinion of its own."""
        return self.who.found.odds.get(self.label) if self.who is not None else None

    @property
    def opinions(self) -> int:
        """How many independent instruments there are to tell who is off."""
        return len(self.who.opinions) if self.who is not None else 0

    def charged(self, verdict: Judged, who: Who | None) -> Judged:
        """What a comparison's verdict says of this instrument, not of the two that are compared.

        A difference from the reference is this one's only if three or more independent instruments
        say so; where the reference stands apart, this one is held against the others.
        """
        apart = who.found.apart.get(self.label, "undecided") if who is not None else "undecided"
        if apart == "yes" or (who is self.who and self._drifted_away and verdict == "differs"):
            return "differs"
        if who is None or who.found.consistent or apart == "undecided":
            return "undecided" if verdict == "differs" else verdict
        if verdict == "agrees":
            return verdict
        against = who.against_others.get(self.label)
        if against is None:
            return "undecided"
        deviation, u = against
        claim = self.instrument.claim_percent or DEFAULT_CLAIM_PERCENT
        return "agrees" if abs(deviation) <= max(claim, 1.96 * u) else "undecided"

    @property
    def is_reference(self) -> bool:
        """Whether the others are compared with it."""
        return self.label == self.bench_reference

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

    @property
    def overall(self) -> Split | None:
        """All quiet blocks together."""
        return next((s for s in self.splits if s.instrument == self.label and s.by == "all"), None)

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
        return off if len(off) == 1 or len({r.deviation_percent > 0.0 for r in off}) == 2 else []

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
            return "differs" if sides or inside else left.verdict
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
    def judged_states(self) -> list[State]:
        """States that were long enough to be judged."""
        return [s for s in self.states if s.deviation_percent is not None and s.u95_percent is not None]

    @property
    def left_state(self) -> State | None:
        """The last one: as left."""
        return self.judged_states[-1] if self.judged_states else None

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

    def raised(self, *kinds: str) -> list[Finding]:
        """Findings of these kinds that were raised for this instrument."""
        return [
            f for f in self.findings if f.instrument == self.label and f.event == "raised" and f.kind in kinds
        ]

    def standing(self, *kinds: str) -> list[Finding]:
        """Those of them that were not cleared again, each as it was raised last."""
        last: dict[tuple[str, str | None], Finding] = {}
        for f in self.findings:
            if f.instrument == self.label and f.kind in kinds:
                last[f.kind, f.side] = f
        return [f for f in last.values() if f.event == "raised"]

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
        if self.pair_verdict != "differs" or self._is_the_references:
            return None
        left = self.left_state
        if self._drift is not None and left is not None and left.opened_by.kind == "drift":
            return "drift"
        if self.stands_apart == "yes" and self._reads_below_crank:
            return "drivetrain"
        if left is not None and left.cause not in (None, "unclear"):
            return left.cause
        if self.of_one_state is not None and self.of_one_state.cause != "unclear":
            return self.of_one_state.cause
        if self.sides_off():
            return "one-side"
        named = [f.cause for f in self.standing("power-off") if f.cause and f.cause != "unclear"]
        return named[-1] if named else "unclear"

    @property
    def _is_the_references(self) -> bool:
        """Whether what it is compared with stands apart, and it does not: there is nothing to explain."""
        apart = self.who.found.apart if self.who is not None else {}
        return apart.get(self.reference or "") == "yes" and apart.get(self.label) == "no"

    @property
    def _drift(self) -> ShiftStudy | None:
        """The last drift of its own."""
        return next((s for s in reversed(self.shifts) if s.drift and s.sure), None)

    @property
    def _drifted_away(self) -> bool:
        """Whether a drift of its own took it beyond all claims: against its own past no third is needed."""
        left = self.left_state
        return self._drift is not None and left is not None and left.cause == "drift" and self._beyond_claims

    @property
    def _reads_below_crank(self) -> bool:
        """Whether it is a hub that reads less than what is at the crank."""
        now = self.left_state or self.overall
        hub = self.instrument.mount == "hub" and self.reference_mount != "hub"
        return hub and now is not None and (now.deviation_percent or 0.0) < 0.0

    @property
    def cause_text(self) -> str:
        """The sentence to the cause; empty without one."""
        cause = self.cause
        if cause is None:
            return ""
        if swapped := self.standing("sides-swapped"):
            return swapped[-1].what
        counted_twice = self.standing("one-sided")
        if counted_twice and cause == "one-side":
            return counted_twice[-1].what
        if cause == "drift" and self._drift is not None:
            return drift_words(self._drift)
        if cause == "drivetrain":
            return "drivetrain or hub: more is lost than the bench states"
        if self.of_one_state is not None and self.of_one_state.cause == cause and self.of_one_state.why:
            return self.of_one_state.why
        judged = [f for f in self.standing("power-off", "side-off", "one-sided") if f.cause == cause]
        if judged:
            return judged[-1].what
        if cause == "one-side":
            return "; ".join(_side_words(r) for r in self.sides_off()) or "the sides differ from each other"
        return "the ride does not tell what kind of error it is"

    def words(self) -> list[str]:
        """What the numbers say: sentences, the first without the name."""
        overall = self.overall
        judged = self.differences()
        off = self.off()
        where = self.where
        if not judged or overall is None:
            return [f"could not be compared with {where}: too little common riding"]
        left = self.left_state
        now: Split | State = left if left is not None else overall
        size, sure = _size(now)
        limit = f"limit {now.limit_percent:.1f} %"
        pair = self.pair_verdict
        if self.copy_of is not None:
            return [
                f"is the same instrument as {self.copy_of}, heard twice: {size}{sure}, no opinion of its own"
            ]
        if pair == "agrees":
            if left is not None and len(self.judged_states) > 1:
                judged = self._within(left)
            agreeing = sum(d.verdict == "agrees" for _, d in judged)
            differing = sum(d.verdict == "differs" for _, d in judged)
            none = f"differs in {differing}" if differing else "differs in none"
            among = f"in {agreeing} of {len(judged)} segments"
            counted = f", {among}, {none}" if judged else ""
            return [f"agrees with {where}: {size}{sure} ({limit}){counted}"]
        if pair == "undecided":
            return [f"undecided: {size}{sure} against {where}, {limit}"]
        who = self.who_words()
        if self.sides_off() and abs(now.deviation_percent or 0.0) <= (now.limit_percent or 0.0):
            sides = [_side_words(r) for r in self.sides_off()]
            return ["differs on one side", *sides, f"in all it reads {size}{sure}", who]
        if left is not None and left.end_percent is not None and self._drift is not None:
            whose = "the drift is its own" if self._drifted_away else who
            return [f"differs from {where}: it came to {size}{sure} ({limit}) by a drift", whose]
        if left is not None or not off:
            over = "" if left is not None else " over the whole ride"
            return [f"differs from {where} by {size}{sure}{over} ({limit})", who, *self.chain_words(now)]
        worst = max(off, key=lambda nd: _worst(nd[1]))
        deviation, u95 = _worst_pair(worst[1])
        above = "more" if deviation > 0.0 else "less"
        amount = f"{abs(deviation):.1f} %" + (f" ± {u95:.1f} %" if u95 is not None else "")
        count = f"{len(off)} of {len(judged)} segments"
        beyond = f"beyond the limit of {worst[1].limit_percent:.1f} % in {count}"
        return [f"differs from {where}: up to {amount} {above} ({worst[0]}), {beyond}", who]

    def _within(self, state: State) -> list[tuple[str, Difference]]:
        """Comparisons of segments that lie in a state."""
        inside = {
            s.name for s in self.segments if s.start_s + s.settle_s >= state.from_s and s.end_s <= state.to_s
        }
        inside |= {c.name for c in self.cycles if c.start_s >= state.from_s and c.end_s <= state.to_s}
        return [(name, d) for name, d in self.differences() if name in inside]

    @property
    def where(self) -> str:
        """What it is compared with, for people: one that doubles a side is held against that side."""
        if self.reference == CONSENSUS:
            return "the median of the others"
        sides = self.instrument.sides
        if sides in ("left", "right") and self.reference is not None and self.both_percent is not None:
            return f"twice the {sides} side of {self.reference}"
        return self.reference or "nothing"

    def chain_words(self, now: Split | State) -> list[str]:
        """Where a chain lies between the two: whether one that takes more than stated would look the same."""
        hub, against = self.instrument.mount == "hub", self.reference_mount == "hub"
        if hub == against or now.deviation_percent is None or self.stands_apart == "no":
            return []
        name = self.label if hub else self.reference
        if (now.deviation_percent < 0.0) == hub:
            return [
                "a chain that takes more than the bench states would look the same: drivetrain or hub",
                "a ride with a clean chain would tell: what stays is the hub's",
            ]
        return [f"no chain makes {name} read more: it is no loss"]

    def history(self) -> list[str]:
        """What it was before the state as left, and what ended each earlier state; newest first."""
        left = self.left_state
        lines = []
        if left is not None and len(self.judged_states) > 1:
            for before, after in zip(self.judged_states[-2::-1], self.judged_states[:0:-1], strict=True):
                spent = f"from {clock(before.from_s)} to {clock(before.to_s)} it"
                if before.end_percent is not None and before.deviation_percent is not None:
                    began = 2.0 * before.deviation_percent - before.end_percent
                    lines.append(f"{spent} drifted from {began:+.1f} % to {before.end_percent:+.1f} %")
                    continue
                lines.append(
                    f"{spent} read {before.deviation_percent:+.1f} % ± {before.u95_percent:.1f} %, until "
                    f"{after.opened_by.text or after.opened_by.kind}"
                )
        listed: set[str] = set()
        for act in self.acts:
            name = f"{act.act} at {clock(act.t_s)}"
            if name in listed or act.effect not in ("no-change", "worse") or act.change_percent is None:
                continue
            listed |= {name, *act.judged_with}
            words = "not the cause" if act.effect == "no-change" else "it became worse"
            sure = f" ± {act.u95_percent:.1f}" if act.u95_percent is not None else ""
            together = f", judged with {join_names(act.judged_with)}," if act.judged_with else ""
            lines.append(
                f"{ACT_WORDS.get(act.act, act.act)} at {clock(act.t_s)}{together} changed it by "
                f"{act.change_percent:+.1f}{sure} %: {words}"
            )
        return lines[:4]

    def who_words(self) -> str:
        """After a difference: whose it is, as far as independent instruments can say."""
        who = self.who
        if who is None:
            return "too little was ridden with all instruments to tell whose it is"
        if len(who.opinions) < LEAST_OPINIONS:
            return "with two instruments, neither can be called wrong"
        apart = self.stands_apart
        others = [label for label, verdict in who.found.apart.items() if verdict == "yes"]
        if apart == "yes":
            agree = [label for label, verdict in who.found.apart.items() if verdict == "no"]
            return f"it stands apart, {join_names(agree)} agree with each other"
        if apart == "no" and others:
            return f"{join_names(others)} stands apart, {self.label} agrees with the others"
        if who.found.consistent and self._beyond_claims:
            return "at least one claim is broken, and too little was ridden since to tell whose"
        if who.found.consistent:
            return "unusual, yet all may be within their claims"
        likely = sorted(who.found.odds.items(), key=lambda x: -x[1])[:2]
        odds = ", ".join(f"{label} {100.0 * p:.0f} %" for label, p in likely)
        return f"undecided whose it is (odds: {odds})"

    @property
    def _beyond_claims(self) -> bool:
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
        return len(claims) > 1 and abs(value) - u95 > sum(claims)

    def sentence(self, all_of: dict[str, "Judgement"]) -> str:
        """The verdict, in sentences."""
        if not self.powered:
            said = ["reports cadence only: there is no power to judge"]
        elif self.is_reference:
            said = self._reference_words(all_of)
        else:
            said = self._what_it_is_first(self.words())
        history = self.history()
        said += history or self._shift_words()
        said += self._trouble()
        first, *rest = said
        return " ".join(f"{part}." for part in (f"{self.label} {first}", *(_begun(r, all_of) for r in rest)))

    def _what_it_is_first(self, said: list[str]) -> list[str]:
        """What makes all that follows speak of a part only comes before it."""
        cut = [f.value for f in self.raised("clipped") if f.value is not None]
        swapped = self.standing("sides-swapped")
        if not cut and not swapped and not self.standing("one-sided"):
            return said
        first = f"is {said[0]}" if said[0].startswith("undecided") else said[0]
        if cut:
            return [
                f"cuts off at {min(cut):.0f} W, so its peaks can't be used",
                f"below that it {first}",
                *said[1:],
            ]
        if swapped:
            what = swapped[-1].what.removeprefix(f"{self.label} ").removesuffix(", so its sides are swapped")
            return [f"has its sides exchanged: it {what}", f"in all it {first}", *said[1:]]
        return ["counts one side twice, and follows the rider's balance", f"it {first}", *said[1:]]

    def _reference_words(self, all_of: dict[str, "Judgement"]) -> list[str]:
        if self.stands_apart == "yes" and self.who is not None:
            same = [label for label, verdict in self.who.found.apart.items() if verdict == "no"]
            deviation, _ = self.who.against_others[self.label]
            return [
                f"stands apart by {deviation:+.1f} % from {join_names(same)}, which agree with each other"
            ]
        others = [j for j in all_of.values() if j.reference == self.label]
        said = ["is what the others are compared with"]
        for verdict, one, many in (("agrees", "agrees with it", "agree with it"),
                                   ("differs", "differs from it", "differ from it")):  # fmt: skip
            names = [j.label for j in others if j.verdict == verdict]
            if names:
                said.append(f"{join_names(names)} {one if len(names) == 1 else many}")
        return said

    def _shift_words(self) -> list[str]:
        said = []
        for s in self.shifts[:3]:
            side = "it " if s.side == "total" else f"its {s.side} side "
            way = "rose" if s.delta_percent > 0.0 else "fell"
            if not s.sure and self.reference is not None:
                way += f" against {self.reference}"
            act = f" ({s.act})" if s.act else ""
            when = f"at {clock(s.t_s)}" if s.until_s is None else f"from {clock(s.t_s)} to {clock(s.until_s)}"
            inferred = f", {s.inference}" if s.inference else ""
            said.append(f"{side}{way} by {abs(s.delta_percent):.1f} % {when}{act}{inferred}")
        return said

    def _trouble(self) -> list[str]:
        """What was seen of it beside its accuracy."""
        said = []
        if self.both_percent is not None and self.reference is not None:
            said.append(f"against both sides of {self.reference} it reads {self.both_percent:+.1f} %")
        cut = self.raised("clipped")
        if cut and self.is_reference:
            said.append("it cuts off at the top" + (f": {cut[-1].what}" if cut[-1].what else ""))
        trouble = []
        lost = sum(b - a for a, b in self.signal.lost)
        nothing = sum(b - a for a, b in self.signal.no_power)
        if lost >= 3.0:
            trouble.append(f"was not heard for {lost:.0f} s while the others showed pedalling")
        if nothing >= 3.0:
            where = next((f.what for f in self.raised("power-missing") if "only " in f.what), "")
            only = f", {where[where.index('only ') :]}" if where else ""
            trouble.append(f"showed no power for {nothing:.0f} s while the others did{only}")
        if trouble:
            said.append("it " + " and ".join(trouble))
        return said


def _size(now: Split | State) -> tuple[str, str]:
    """By how much it deviates, and how sure that is; of a drift what it came to."""
    value, u95 = now.deviation_percent, now.u95_percent
    if isinstance(now, State) and now.end_percent is not None:
        value, u95 = now.end_percent, now.end_u95_percent
    return f"{rounded(value or 0.0, 1):+.1f} %", f" ± {u95:.1f} %" if u95 is not None else ""


def drift_words(shift: ShiftStudy) -> str:
    """`it drifted by -6.1 % from 4:13 to 24:13, -18.4 % an hour`."""
    until = f" to {clock(shift.until_s)}" if shift.until_s is not None else ""
    rate = "" if shift.percent_per_hour is None else f", {shift.percent_per_hour:+.1f} % an hour"
    return f"it drifted by {shift.delta_percent:+.1f} % from {clock(shift.t_s)}{until}{rate}"


def _begun(text: str, labels: Container[str]) -> str:
    """A sentence with its capital, unless it begins with the name of an instrument."""
    return text if text.split(" ")[0].rstrip(",") in labels else text[:1].upper() + text[1:]


def _side_words(r: SideResult) -> str:
    more = "more" if r.deviation_percent > 0.0 else "less"
    sure = f" ± {r.u95_percent:.1f} %" if r.u95_percent is not None else ""
    return (
        f"its {r.side} side reads {abs(r.deviation_percent):.1f} %{sure} {more} than that of {r.reference} "
        f"(limit {r.limit_percent:.1f} %)"
    )


def _worst(d: Difference) -> float:
    return abs(_worst_pair(d)[0])


def _worst_pair(d: Difference) -> tuple[float, float | None]:
    pairs = [(p.deviation_percent, p.u95_percent) for p in d.parts if p.verdict == "differs"]
    if d.verdict == "differs":
        pairs.append((d.deviation_percent, d.u95_percent))
    return max(pairs, key=lambda p: abs(p[0])) if pairs else (d.deviation_percent, d.u95_percent)


def join_names(labels: Sequence[str]) -> str:
    """`heron`, `heron and hub`, `heron, hub and pedals`."""
    return labels[0] if len(labels) == 1 else f"{', '.join(labels[:-1])} and {labels[-1]}"
