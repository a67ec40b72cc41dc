"""What stays open after a session, and the ride or the instrument that would settle it."""

import math
from collections.abc import Sequence
from typing import Literal

from monitor.study.answers.sentences import ACT_WORDS
from monitor.study.answers.verdict import Judgement
from monitor.study.estimate.sure import AVERAGES_DOWN, DRIFT, EDGES, LOSS, SHARE
from monitor.study.results import (
    Open,
    Split,
    State,
    TorqueLine,
)
from monitor.text import clock

LONGEST_MINUTES = 60
SETTLES = {
    LOSS: "state the drivetrain loss, or compare at the crank",
    EDGES: "ride even loads for longer",
    DRIFT: "ride it again once it no longer drifts",
    SHARE: "compare with an instrument that reports its sides more finely",
}
"""What settles a part of a budget that more riding does not make smaller."""
BLOCKS_A_MINUTE = 6.0
"""Blocks of ten seconds."""


def open_questions(judgements: Sequence[Judgement], lines: Sequence[TorqueLine]) -> list[Open]:
    """What could not be decided, and which ride would."""
    powered = [j for j in judgements if j.powered]
    compared = [j for j in powered if j.reference is not None and not j.is_reference]
    result: list[Open] = []
    for j in compared:
        result += [*_of_verdict(j), *_undecided(j), *_of_parts(j, lines)]
    return [*result, *_of_bench(powered, compared)]


def _of_verdict(j: Judgement) -> list[Open]:
    """Whether it agrees, whose the difference is, and of what kind."""
    result: list[Open] = []
    overall = j.overall
    if overall is None:
        ride = "ride two minutes at a steady load with all instruments on"
        result.append(Open(j.label, "whether it agrees", ride, "minutes", 2))
    elif j.pair_verdict == "undecided" and j.follows_rider:
        ride = "add an instrument that reports both sides"
        result.append(Open(j.label, "whether it agrees on the side that it measures", ride))
    elif j.pair_verdict == "undecided":
        ride, minutes = _more(overall, j.left_state)
        needs: Literal["minutes", ""] = "minutes" if minutes else ""
        result.append(Open(j.label, "whether it agrees within the claims", ride, needs, minutes))
    elif j.pair_verdict == "differs" and j.verdict == "undecided":
        ride = "add an independent instrument, or check with known weights"
        if j.follows_rider:
            ride = "add an instrument that reports both sides"
        result.append(Open(j.label, f"whether it or {j.reference} is off", ride))
    if j.pair_verdict == "differs" and j.cause == "unclear":
        ride = j.diagnosis.ride if j.diagnosis is not None else ""
        result.append(Open(j.label, "what kind of error it is", ride or _TELLING, "torques"))
    return result


def _of_parts(j: Judgement, lines: Sequence[TorqueLine]) -> list[Open]:
    """Its scale and zero, and its sides."""
    result: list[Open] = []
    line = next((x for x in lines if x.instrument == j.label), None)
    if line is not None and not line.separable and j.pair_verdict != "differs":
        result.append(Open(j.label, "its scale and its zero, apart from each other", _TELLING, "torques"))
    judged = [d for s in j.segments for d in s.differences if d.side_reference is not None]
    if j.instrument.sides == "both" and not any(j.label in (d.instrument, d.side_reference) for d in judged):
        ride = "add another instrument that tells both sides"
        result.append(Open(j.label, "whether each of its sides is right", ride))
    return result


def _of_bench(powered: Sequence[Judgement], compared: Sequence[Judgement]) -> list[Open]:
    """What no single comparison is asked for."""
    result: list[Open] = []
    if compared and not any(r.beyond_chance is not None for j in compared for r in j.repeats):
        ride = "ride the first block again at the end"
        result.append(Open("", "whether the instruments stay as they are", ride, "again"))
    loads = sorted({s.load for j in compared[:1] for s in j.segments if s.kind != "sprint"})
    if len(loads) == 1 and loads[0] in ("held", "free"):
        other = "freely" if loads[0] == "held" else "with the trainer holding the target"
        what = f"whether they do the same when the load is not {loads[0]}"
        result.append(Open("", what, f"ride a block {other}", "load"))
    reference = next((j for j in powered if j.is_reference), None)
    if reference is not None and len(powered) == 2:
        what = "with two instruments, neither can be called wrong"
        result.append(Open(reference.label, what, "add a third instrument: two can only differ"))
    return result


def _undecided(j: Judgement) -> list[Open]:
    """Comparisons beside that of the total whose verdict is open: sides, acts, and how it was found."""
    result = []
    if j.pair_verdict != "differs":
        for side in j.sides_now():
            if side.verdict == "undecided":
                question = f"whether its {side.side} side agrees with that of {side.reference}"
                result.append(Open(j.label, question, "ride five more minutes at a steady load"))
    for act in j.acts:
        if act.effect == "undecided":
            what = f"what {ACT_WORDS.get(act.act, act.act)} at {clock(act.t_s)} changed"
            result.append(Open(j.label, what, "ride the block from before it again"))
    if len(j.judged_states) > 1 and j.judged_states[0].verdict == "undecided":
        result.append(Open(j.label, "whether it agreed as found", "ride longer before anything is done"))
    return result


_TELLING = "hold 200 W for two minutes each at 60 and at 100 rpm: torque tells scale from zero"


def _more(overall: Split, left: State | None) -> tuple[str, int | None]:
    """How much more of the same would decide: only scatter and the spread of segments average down."""
    now: Split | State = left if left is not None else overall
    u, deviation, limit = now.u95_percent, now.deviation_percent, now.limit_percent
    if u is None or deviation is None or limit is None:
        return "ride five minutes at a steady load", 5
    gap = abs(abs(deviation) - limit)
    if left is None or not left.budget:
        return "ride five minutes at a steady load", None
    stays = {part: v for part, v in left.budget.items() if part not in AVERAGES_DOWN}
    held = math.sqrt(sum(v * v for v in stays.values()))
    if held >= gap:
        largest = max(stays, key=lambda part: stays[part])
        settles = SETTLES.get(largest, "compare at the crank")
        return f"no more riding decides it: {settles}, or add an independent instrument", None
    falls = math.sqrt(max(0.0, u * u - held * held))
    needed = math.sqrt(gap * gap - held * held)
    more = now.blocks * ((falls / needed) ** 2 - 1.0) / BLOCKS_A_MINUTE
    if more > LONGEST_MINUTES:
        return "its difference lies close to the limit: no ride of an evening will decide it", None
    minutes = max(1, math.ceil(more))
    return f"ride about {minutes} more minutes at a steady load", minutes
