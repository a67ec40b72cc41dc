"""From numbers to words: the verdict on each instrument, the closing question, and what stays open."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from monitor.analysis.diagnose import Diagnosis
from monitor.finding import Finding
from monitor.setup.bench import CONSENSUS, Bench, Instrument
from monitor.study.results import (
    Cycles,
    Difference,
    Open,
    Reason,
    Repeat,
    SegmentStudy,
    Serves,
    ShiftStudy,
    SideResult,
    Signal,
    Split,
    TorqueLine,
)
from monitor.text import clock

NOTICEABLE_PERCENT = 1.0
"""A change that is beyond chance but smaller than this is of no use to a tester."""
SURELY = 1.5
"""Of many repeats some change by more than their 95 % interval by chance; hardly any by so much more."""
MOST_LOST_PERCENT = 2.0
LONGEST_MINUTES = 60
LONG_S = 600.0
"""A segment this long shows by itself whether an instrument stays as it is."""
SIDE_KINDS = ("side-off", "balance-off", "sides-swapped", "one-sided")
FAULT_WORDS = {
    "stuck": "stood still at one value",
    "spike": "showed a single value far out of line",
    "clipped": "showed no power above some value",
    "restarted": "restarted its counters",
    "cadence-off": "showed another cadence than the others",
}


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

    def sides_off(self) -> list[SideResult]:
        """Sides that differ; none where both lean alike, so that it is the total which leans or not."""
        off = [r for r in self.by_side if r.verdict == "differs"]
        return off if len(off) == 1 or len({r.deviation_percent > 0.0 for r in off}) == 2 else []

    @property
    def verdict(self) -> str:
        """`reference`, `agrees`, `differs`, `undecided`, or `none` where there is nothing to judge."""
        if not self.powered:
            return "none"
        if self.is_reference:
            return "reference"
        told = [d for _, d in self.differences()]
        if not told:
            return "undecided"
        overall = self.overall
        if self.off() or (overall is not None and overall.verdict == "differs") or self.sides_off():
            return "differs"
        agreeing = sum(d.verdict == "agrees" for d in told)
        if agreeing and (overall is None or overall.verdict == "agrees"):
            return "agrees"
        return "undecided"

    def raised(self, *kinds: str) -> list[Finding]:
        """Findings of these kinds that were raised for this instrument."""
        return [
            f for f in self.findings if f.instrument == self.label and f.event == "raised" and f.kind in kinds
        ]

    @property
    def cause(self) -> str | None:
        """Why it deviates; None while it doesn't."""
        live = [f.cause for f in self.raised("power-off", "side-off") if f.cause]
        if "setting" in live:
            return "setting"
        if self.raised("one-sided"):
            return "one-side"
        if self.verdict != "differs":
            return "one-side" if self.raised("side-off") else None
        if self.diagnosis is not None and self.diagnosis.cause != "unclear":
            return self.diagnosis.cause
        if self.sides_off():
            return "one-side"
        named = [f.cause for f in self.raised("power-off") if f.cause and f.cause != "unclear"]
        return named[-1] if named else "unclear"

    @property
    def cause_text(self) -> str:
        """The sentence to the cause; empty without one."""
        cause = self.cause
        if cause is None:
            return ""
        if self.diagnosis is not None and self.diagnosis.cause == cause and self.diagnosis.why:
            return self.diagnosis.why
        told = [f for f in self.raised("power-off", "side-off", "one-sided") if f.cause == cause]
        if told:
            return told[-1].advice
        if cause == "one-side":
            return "; ".join(_side_words(r) for r in self.sides_off()) or "one side leans more than the other"
        return "the ride does not tell what kind of error it is"

    def words(self) -> str:
        """What the numbers say, without the name."""
        overall = self.overall
        told = self.differences()
        off = self.off()
        where = "the median of the others" if self.reference == CONSENSUS else self.reference or "nothing"
        if not told or overall is None:
            return f"could not be compared with {where}: too little common riding"
        size = f"{overall.deviation_percent:+.1f} %"
        sure = f" ± {overall.u95_percent:.1f} %" if overall.u95_percent is not None else ""
        limit = f"limit {overall.limit_percent:.1f} %"
        if self.verdict == "agrees":
            agreeing = sum(d.verdict == "agrees" for _, d in told)
            return (
                f"agrees with {where}: {size}{sure} overall ({limit}), in {agreeing} of {len(told)} parts of "
                f"the ride for sure and in none against it"
            )
        if self.verdict == "undecided":
            return f"can't be told yet: {size}{sure} against {where}, {limit}"
        if not off and self.sides_off() and overall.verdict != "differs":
            sides = "; ".join(_side_words(r) for r in self.sides_off())
            return f"differs on one side: {sides}; in all {size}{sure}"
        if not off:
            return f"differs from {where} by {size}{sure} over the whole ride ({limit})"
        worst = max(off, key=lambda nd: _worst(nd[1]))
        deviation, u95 = _worst_pair(worst[1])
        above = "more" if deviation > 0.0 else "less"
        amount = f"{abs(deviation):.1f} %" + (f" ± {u95:.1f} %" if u95 is not None else "")
        count = f"{len(off)} of {len(told)} parts of the ride"
        return (
            f"differs from {where}: up to {amount} {above} ({worst[0]}), beyond the limit of "
            f"{worst[1].limit_percent:.1f} % in {count}"
        )

    def sentence(self, all_of: dict[str, "Judgement"]) -> str:
        """The verdict in a sentence or two."""
        if not self.powered:
            text = "tells cadence only: it has no power to judge"
        elif self.is_reference:
            others = [j for j in all_of.values() if j.reference == self.label]
            agree = [j.label for j in others if j.verdict == "agrees"]
            differ = [j.label for j in others if j.verdict == "differs"]
            text = "is what the others are compared with"
            if agree:
                text += f"; {_and(agree)} {'agrees' if len(agree) == 1 else 'agree'} with it"
            if differ:
                text += f"; {_and(differ)} {'differs' if len(differ) == 1 else 'differ'} from it"
        else:
            text = self.words()
        extra = []
        for s in self.shifts[:3]:
            side = "" if s.side == "total" else f"its {s.side} side "
            way = "rose" if s.delta_percent > 0.0 else "fell"
            act = f" ({s.act})" if s.act else ""
            extra.append(f"{side}{way} by {abs(s.delta_percent):.1f} % at {clock(s.t_s)}{act}")
        if extra:
            text += "; " + ", then ".join(extra)
        trouble = []
        lost = sum(b - a for a, b in self.signal.lost)
        nothing = sum(b - a for a, b in self.signal.no_power)
        if lost >= 3.0:
            trouble.append(f"was not heard for {lost:.0f} s while the others showed pedalling")
        if nothing >= 3.0:
            trouble.append(f"showed no power for {nothing:.0f} s while the others did")
        if trouble:
            text += "; it " + " and ".join(trouble)
        return f"{self.label} {text}."


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


def _and(labels: Sequence[str]) -> str:
    return labels[0] if len(labels) == 1 else f"{', '.join(labels[:-1])} and {labels[-1]}"


# -- would a careful tester use it as a reference?


def conclude(judgement: Judgement, all_of: dict[str, Judgement]) -> tuple[Serves, str, list[Reason]]:
    """Yes, no or undecided, the reason in a sentence, and all that was considered.

    No: something speaks against it. Yes: it agrees, it was seen at more than one torque
    and cadence, and it stayed where it was. Undecided: one of these isn't known.
    """
    if not judgement.powered:
        return "undecided", "it measures no power", [Reason("open", "it measures no power")]
    reasons = [
        *_agreement(judgement, all_of),
        *_constancy(judgement, all_of),
        *_range(judgement, all_of),
        *_hearing(judgement),
        *_sides(judgement, all_of),
        *_faults(judgement),
    ]
    bad = [r.text for r in reasons if r.point == "bad"]
    open_ = [r.text for r in reasons if r.point == "open"]
    good = [r.text for r in reasons if r.point == "good"]
    if bad:
        return "no", "; ".join(bad), reasons
    if open_:
        return "undecided", "; ".join(open_), reasons
    return "yes", "; ".join(good), reasons


def _witnesses(judgement: Judgement, all_of: dict[str, Judgement]) -> list[Judgement]:
    """Whose comparisons speak of this instrument: its own, or of those compared with the reference."""
    if not judgement.is_reference:
        return [judgement]
    against = [j for j in all_of.values() if j.reference == judgement.label]
    trusted = [j for j in against if j.instrument.role != "on-test"]
    return trusted or against


def _agreement(judgement: Judgement, all_of: dict[str, Judgement]) -> list[Reason]:
    if not judgement.is_reference:
        told: dict[str, Reason] = {
            "agrees": Reason("good", "it agrees within the claims"),
            "differs": Reason("bad", "it differs beyond the claims"),
        }
        return [told.get(judgement.verdict, Reason("open", "whether it agrees can't be told yet"))]
    witnesses = _witnesses(judgement, all_of)
    if not witnesses:
        return [Reason("open", "nothing on the bench can judge the reference")]
    agree = [j.label for j in witnesses if j.verdict == "agrees"]
    differ = [j for j in witnesses if j.verdict == "differs"]
    if agree:
        verb = "agrees" if len(agree) == 1 else "agree"
        return [Reason("good", f"it is the reference, and {_and(agree)}, independent of it, {verb} with it")]
    sizes = [j.overall.deviation_percent for j in differ if j.overall is not None]
    if len(sizes) >= 2 and len(sizes) == len(witnesses) and max(sizes) * min(sizes) > 0.0:
        limits = [j.overall.limit_percent for j in differ if j.overall is not None]
        if max(sizes) - min(sizes) <= min(limits):
            names = _and([j.label for j in differ])
            return [Reason("bad", f"{names} agree with each other and both differ from it")]
    return [Reason("open", "no independent instrument agrees with it, so which one leans can't be told")]


def _constancy(judgement: Judgement, all_of: dict[str, Judgement]) -> list[Reason]:
    reasons: list[Reason] = []
    for s in judgement.shifts:
        side = "" if s.side == "total" else f" on its {s.side} side"
        reasons.append(
            Reason(
                "bad", f"it moved by {s.delta_percent:+.1f} %{side} at {clock(s.t_s)} against its own past"
            )
        )
    labels = [j.label for j in _witnesses(judgement, all_of)]
    told = [r for r in judgement.repeats if r.instrument in labels and r.beyond_chance is not None]
    moved = [
        r
        for r in told
        if abs(r.change_percent) >= max(NOTICEABLE_PERCENT, SURELY * (r.change_u95_percent or 0.0))
    ]
    if judgement.is_reference:
        # A change between two shows in both: only what all comparisons share speaks against the reference.
        steady = [lb for lb in labels if not any(r.instrument == lb for r in moved)]
        moved = [] if steady else moved
    if moved and not judgement.shifts:
        reasons.append(Reason("bad", moved[0].text))
    elif told and not reasons:
        names = _and(sorted({r.name for r in told}))
        reasons.append(Reason("good", f"repeated blocks ({names}) read alike at first and at last"))
    elif not told and not reasons:
        longest = max(
            (s.end_s - s.start_s for s in judgement.segments if s.kind in ("block", "free")), default=0.0
        )
        if longest >= LONG_S:
            text = f"no change was found in {longest / 60:.0f} minutes of one segment"
            return [Reason("good", text)]
        reasons.append(Reason("open", "no block was ridden twice, so whether it stays can't be told"))
    return reasons


def _range(judgement: Judgement, all_of: dict[str, Judgement]) -> list[Reason]:
    reasons: list[Reason] = []
    labels = [j.label for j in _witnesses(judgement, all_of)]
    for by, word in (("torque", "torque"), ("cadence", "cadence")):
        bins = [s for s in judgement.splits if s.by == by and s.instrument in labels and s.blocks >= 2]
        groups = sorted({s.group for s in bins})
        off = [s for s in bins if s.verdict == "differs"]
        if len(groups) < 2:
            reasons.append(Reason("open", f"it was seen at one {word} only"))
        elif off and not judgement.is_reference:
            if judgement.verdict != "differs":
                reasons.append(
                    Reason("bad", f"it differs by {off[0].deviation_percent:+.1f} % at {off[0].group}")
                )
        elif not off and judgement.verdict != "differs":
            reasons.append(
                Reason("good", f"it was seen at {len(groups)} ranges of {word} and differs in none")
            )
    return reasons


def _hearing(judgement: Judgement) -> list[Reason]:
    reasons: list[Reason] = []
    total = judgement.segments[-1].end_s - judgement.segments[0].start_s if judgement.segments else 0.0
    lost = sum(b - a for a, b in judgement.signal.lost)
    nothing = sum(b - a for a, b in judgement.signal.no_power)
    if total > 0.0 and 100.0 * lost > MOST_LOST_PERCENT * total:
        reasons.append(Reason("bad", f"it was not heard for {lost:.0f} s of {total:.0f} s"))
    if nothing >= 3.0 or judgement.raised("power-missing"):
        reasons.append(Reason("bad", f"it showed no power for {nothing:.0f} s while the others did"))
    if not reasons:
        reasons.append(Reason("good", "it was heard nearly always"))
    return reasons


def _sides(judgement: Judgement, all_of: dict[str, Judgement]) -> list[Reason]:
    sides = judgement.instrument.sides
    if sides in ("left", "right"):
        return [Reason("bad", f"it measures the {sides} side and doubles it: the other side it can't see")]
    if sides != "both":
        return []
    raised = judgement.raised(*SIDE_KINDS)
    if raised:
        return [Reason("bad", raised[0].advice or f"its sides were found wrong ({raised[0].kind})")]
    compared = [d for s in judgement.segments for d in s.differences if d.side_reference is not None]
    if any(d.instrument == judgement.label for d in compared):
        return [Reason("good", "its sides agree with those of another instrument")]
    if any(d.side_reference == judgement.label for d in compared):
        return [Reason("good", "the sides of others were judged by its own")]
    return []


def _faults(judgement: Judgement) -> list[Reason]:
    reasons: list[Reason] = []
    settings = judgement.raised("setting-differs")
    if settings:
        reasons.append(Reason("bad", settings[0].advice))
    for kind, words in FAULT_WORDS.items():
        found = judgement.raised(kind)
        if found:
            reasons.append(Reason("bad", f"it {words} at {clock(found[0].since_s)}"))
    return reasons


# -- what stays open


def open_questions(judgements: Sequence[Judgement], lines: Sequence[TorqueLine]) -> list[Open]:
    """What could not be decided, and which ride would."""
    result: list[Open] = []
    powered = [j for j in judgements if j.powered]
    compared = [j for j in powered if j.reference is not None and not j.is_reference]
    for j in compared:
        overall = j.overall
        if overall is None:
            result.append(
                Open(
                    j.label, "whether it agrees", "ride two minutes at a steady load with all instruments on"
                )
            )
        elif j.verdict == "undecided":
            result.append(Open(j.label, "whether it agrees within the claims", _more(overall)))
        if j.verdict == "differs" and j.cause == "unclear":
            ride = j.diagnosis.ride if j.diagnosis is not None else ""
            result.append(Open(j.label, "what kind of error it is", ride or _TELLING))
        line = next((x for x in lines if x.instrument == j.label), None)
        if line is not None and not line.told and j.verdict != "differs":
            result.append(Open(j.label, "its scale and its zero, apart from each other", _TELLING))
        told = [d for s in j.segments for d in s.differences if d.side_reference is not None]
        if j.instrument.sides == "both" and not any(
            j.label in (d.instrument, d.side_reference) for d in told
        ):
            result.append(
                Open(
                    j.label,
                    "whether each of its sides is right",
                    "add another instrument that tells both sides",
                )
            )
    if compared and not any(r.beyond_chance is not None for j in compared for r in j.repeats):
        result.append(
            Open("", "whether the instruments stay as they are", "ride the first block again at the end")
        )
    loads = sorted({s.load for j in compared[:1] for s in j.segments if s.kind != "sprint"})
    if len(loads) == 1 and loads[0] in ("held", "free"):
        other = "freely" if loads[0] == "held" else "with the trainer holding the target"
        result.append(
            Open("", f"whether they do the same when the load is not {loads[0]}", f"ride a block {other}")
        )
    reference = next((j for j in powered if j.is_reference), None)
    if reference is not None and len(powered) == 2:
        result.append(
            Open(
                reference.label, "which of the two leans where they differ",
                "add a third instrument: two can only differ",
            )
        )  # fmt: skip
    return result


_TELLING = "hold 200 W for two minutes each at 60 and at 100 rpm: torque tells scale from zero"


def _more(overall: Split) -> str:
    """How much more of the same would decide, from the width that is left."""
    u = overall.u95_percent
    gap = abs(abs(overall.deviation_percent) - overall.limit_percent)
    if u is None:
        return "ride five minutes at a steady load"
    if gap <= 0.0 or u <= 0.0:
        return "its difference lies at the limit: no ride of an evening will decide it"
    more = overall.blocks * ((u / gap) ** 2 - 1.0) / 6.0
    if more > LONGEST_MINUTES:
        return "its difference lies close to the limit: no ride of an evening will decide it"
    return f"ride about {max(1, math.ceil(more))} more minutes at a steady load"
