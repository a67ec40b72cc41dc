"""Would a careful tester use it as a reference? What was considered, good, bad and open."""

from collections.abc import Sequence

from monitor.analysis.consistency import LEAST_OPINIONS
from monitor.study.answers.sentences import ACT_WORDS, join_names
from monitor.study.answers.verdict import Judgement
from monitor.study.parts.conditions.ridden import at_range
from monitor.study.parts.repeats import whose_repeat
from monitor.study.results import ActJudged, Reason, Serves, ShiftStudy
from monitor.text import change_by, clock

NOTICEABLE_PERCENT = 1.0
"""A change that is beyond chance but smaller than this is of no use to a tester."""
SURELY = 1.5
"""Of many repeats some change by more than their 95 % interval by chance; hardly any by so much more."""
MOST_LOST_PERCENT = 2.0
LONG_S = 600.0
"""A segment this long shows by itself whether an instrument stays as it is."""
CURE_BEFORE_S, CURE_AFTER_S = 45.0, 120.0
"""A step is placed roughly, and after an act it shows once somebody pedals again."""
SIDE_KINDS = ("side-off", "balance-off", "sides-swapped", "one-sided")
FAULT_WORDS = {
    "stuck": "stood still at one value",
    "spike": "showed a single value far out of line",
    "clipped": "showed no power above some value",
    "restarted": "restarted its counters",
    "cadence-off": "showed another cadence than the others",
}


def conclude(judgement: Judgement, all_of: dict[str, Judgement]) -> tuple[Serves, str, list[Reason]]:
    """Yes, no or undecided, the reason in a sentence, and all that was considered.

    No: something speaks against it. Yes: it agrees, it was seen at more than one torque
    and cadence, and it stayed where it was. Undecided: one of these isn't known.
    """
    if not judgement.powered:
        text = "it measures no power"
        return "undecided", sentences([text]), [Reason("open", text)]
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
        return "no", sentences(bad), reasons
    if open_:
        return "undecided", sentences(open_), reasons
    return "yes", sentences(good), reasons


def sentences(reasons: Sequence[str]) -> str:
    """Reasons as sentences, one each."""
    return " ".join(f"{r[:1].upper()}{r[1:]}." for r in reasons)


def _witnesses(judgement: Judgement, all_of: dict[str, Judgement]) -> list[Judgement]:
    """Whose comparisons speak of this instrument: its own, or of those compared with the reference."""
    if not judgement.is_reference:
        return [judgement]
    against = [j for j in all_of.values() if j.reference == judgement.label]
    trusted = [j for j in against if j.instrument.role != "on-test"]
    return trusted or against


def _agreement(judgement: Judgement, all_of: dict[str, Judgement]) -> list[Reason]:
    """Whether it reads true, by all that are independent of it: two that only have each other can't tell."""
    if judgement.copy_of is not None:
        return [Reason("open", f"it is the same instrument as {judgement.copy_of}: no opinion of its own")]
    who = judgement.who
    apart = judgement.stands_apart
    if apart == "yes" and who is not None:
        same = [label for label, verdict in who.found.apart.items() if verdict == "no"]
        return [Reason("bad", f"it stands apart from {join_names(same)}, which agree with each other")]
    verdict = judgement.as_left or judgement.verdict
    if who is None or len(who.opinions) < LEAST_OPINIONS:
        if judgement.pair_verdict == "differs" or any(
            j.pair_verdict == "differs"
            for j in all_of.values()
            if j.reference == judgement.label and not j.follows_rider
        ):
            return [
                Reason("open", "it differs from the only other instrument: two cannot tell which is wrong")
            ]
        return [Reason("open", "no third independent instrument: an error that two share cannot be seen")]
    if apart == "undecided":
        return [Reason("open", "the instruments disagree, and it cannot be told which of them is wrong")]
    if judgement.is_reference:
        agree = [label for label, a in who.found.apart.items() if a == "no" and label != judgement.label]
        close = [label for label in agree if label in all_of and all_of[label].verdict == "agrees"]
        if close:
            verb = "agrees" if len(close) == 1 else "agree"
            text = f"it is the reference, and {join_names(close)}, independent of it, {verb} with it"
            return [Reason("good", text)]
        return [Reason("open", "no independent instrument surely agrees with it")]
    if verdict == "agrees":
        return [Reason("good", "it agrees within the claims, and so do the others with each other")]
    return [Reason("open", "it cannot be told yet whether it agrees")]


def _constancy(judgement: Judgement, all_of: dict[str, Judgement]) -> list[Reason]:
    """Whether it stayed as it was: only a change that is its own speaks against it."""
    reasons: list[Reason] = []
    cures: list[Reason] = []
    for s in judgement.shifts:
        cure = _cure(judgement, s)
        if cure is not None:
            # What was wrong before is told by what moved it there; the way back is no fault.
            words = ACT_WORDS.get(cure.act, cure.act)
            cures.append(Reason("good", f"{words} at {clock(cure.t_s)} cured it"))
            continue
        side = "" if s.side == "total" else f" on its {s.side} side"
        when = f"at {clock(s.t_s)}"
        verb = "moved"
        if s.until_s is not None:
            verb, when = "drifted", f"from {clock(s.t_s)} to {clock(s.until_s)}"
        if s.sure:
            text = f"it {verb} {change_by(s.delta_percent)}{side} {when} against its own past"
            reasons.append(Reason("bad", text))
        else:
            text = f"it or {judgement.reference} {verb} {change_by(s.delta_percent)}{side} {when}"
            reasons.append(Reason("open", text))
    labels = [j.label for j in _witnesses(judgement, all_of)]
    judged = [r for r in judgement.repeats if r.instrument in labels and r.beyond_chance is not None]
    moved = [
        r
        for r in judged
        if abs(r.change_percent) >= max(NOTICEABLE_PERCENT, SURELY * (r.change_u95_percent or 0.0))
    ]
    whose = {r.name: whose_repeat(r.name, judgement.bench_reference, judgement.repeats) for r in moved}
    own = [r for r in moved if whose[r.name] == judgement.label]
    open_ = [r for r in moved if whose[r.name] is None]
    helped = [a for a in judgement.acts if a.effect in ("cured", "better")]
    if own and helped and not judgement.shifts:
        # What was wrong before is gone: that a block reads otherwise now is what the act did.
        words = ACT_WORDS.get(helped[-1].act, helped[-1].act)
        reasons.append(Reason("good", f"{words} at {clock(helped[-1].t_s)} cured it"))
    elif own and not judgement.shifts:
        reasons.append(Reason("bad", own[0].text))
    elif open_ and not judgement.shifts:
        reasons.append(Reason("open", f"{open_[0].text}; whose change it is cannot be told"))
    elif judged and not reasons and not moved:
        names = join_names(sorted({r.name for r in judged}))
        reasons.append(Reason("good", f"repeated blocks ({names}) read alike at first and at last"))
    elif not judged and not reasons:
        longest = max(
            (s.end_s - s.start_s for s in judgement.segments if s.kind in ("block", "free")), default=0.0
        )
        if longest >= LONG_S:
            text = f"no change was found in {longest / 60:.0f} minutes of one segment"
            return cures or [Reason("good", text)]
        reasons.append(Reason("open", "no block was ridden twice, so a change cannot be seen"))
    return [*reasons, *cures]


def _cure(judgement: Judgement, shift: ShiftStudy) -> ActJudged | None:
    """The act that cured the instrument and made this step; None: nobody's act did."""
    for act in judgement.acts:
        near = -CURE_BEFORE_S <= shift.t_s - act.t_s <= CURE_AFTER_S
        same_way = (act.change_percent or 0.0) * shift.delta_percent > 0.0
        if near and same_way and act.effect in ("cured", "better") and not shift.drift:
            return act
    return None


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
            if judgement.stands_apart == "yes":
                text = f"it differs by {off[0].deviation_percent:+z.1f} % {at_range(off[0].group)}"
                reasons.append(Reason("bad", text))
            elif judgement.pair_verdict != "differs":
                size = f"{off[0].deviation_percent:+z.1f} % {at_range(off[0].group)}"
                text = f"it differs from {judgement.reference} by {size}"
                reasons.append(Reason("open", text))
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
    if nothing >= 3.0 or (nothing >= 1.0 and judgement.raised("power-missing")):
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
    standing = judgement.standing(*SIDE_KINDS)
    if standing and not judgement.is_the_references:
        text = standing[-1].what or f"its sides differ ({standing[-1].kind})"
        doubled = any(f.kind == "one-sided" for f in standing)
        return [Reason("bad" if doubled or judgement.stands_apart == "yes" else "open", text)]
    compared = [d for s in judgement.segments for d in s.differences if d.side_reference is not None]
    if any(d.instrument == judgement.label for d in compared):
        return [Reason("good", "its sides agree with those of another instrument")]
    if any(d.side_reference == judgement.label for d in compared):
        return [Reason("good", "its sides were the reference for the sides of others")]
    return []


def _faults(judgement: Judgement) -> list[Reason]:
    reasons: list[Reason] = []
    settings = judgement.standing("setting-differs")
    if settings:
        reasons.append(Reason("bad", settings[0].what))
    if (percent := judgement.display_percent) is not None:
        more = "more" if percent > 0.0 else "less"
        reasons.append(
            Reason("bad", f"it shows {abs(percent):.1f} % {more} than its own torque and turns make")
        )
    for kind, words in FAULT_WORDS.items():
        found = judgement.raised(kind)
        if found:
            reasons.append(Reason("bad", f"it {words} at {clock(found[0].since_s)}"))
    return reasons
