"""What stays open after a session, and the ride or the instrument that would settle it."""

import math
from collections.abc import Sequence
from typing import Literal

from monitor.study.results import (
    Open,
    Split,
    State,
    TorqueLine,
)
from monitor.study.verdict import Judgement

LONGEST_MINUTES = 60
AVERAGES_DOWN = ("scatter", "between segments")
"""Parts of a state's budget that more riding makes smaller."""


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
                    j.label,
                    "whether it agrees",
                    "ride two minutes at a steady load with all instruments on",
                    "minutes",
                    2,
                )
            )
        elif j.pair_verdict == "undecided":
            ride, minutes = _more(overall, j.left_state)
            needs: Literal["minutes", ""] = "minutes" if minutes else ""
            result.append(Open(j.label, "whether it agrees within the claims", ride, needs, minutes))
        elif j.pair_verdict == "differs" and j.verdict == "undecided":
            ride = "add an independent instrument, or check with known weights"
            result.append(Open(j.label, f"whether it or {j.reference} is off", ride))
        if j.pair_verdict == "differs" and j.cause == "unclear":
            ride = j.diagnosis.ride if j.diagnosis is not None else ""
            result.append(Open(j.label, "what kind of error it is", ride or _TELLING, "torques"))
        line = next((x for x in lines if x.instrument == j.label), None)
        if line is not None and not line.separable and j.pair_verdict != "differs":
            result.append(Open(j.label, "its scale and its zero, apart from each other", _TELLING, "torques"))
        judged = [d for s in j.segments for d in s.differences if d.side_reference is not None]
        if j.instrument.sides == "both" and not any(
            j.label in (d.instrument, d.side_reference) for d in judged
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
            Open(
                "",
                "whether the instruments stay as they are",
                "ride the first block again at the end",
                "again",
            )
        )
    loads = sorted({s.load for j in compared[:1] for s in j.segments if s.kind != "sprint"})
    if len(loads) == 1 and loads[0] in ("held", "free"):
        other = "freely" if loads[0] == "held" else "with the trainer holding the target"
        result.append(
            Open(
                "",
                f"whether they do the same when the load is not {loads[0]}",
                f"ride a block {other}",
                "load",
            )
        )
    reference = next((j for j in powered if j.is_reference), None)
    if reference is not None and len(powered) == 2:
        result.append(
            Open(
                reference.label, "with two instruments, neither can be called wrong",
                "add a third instrument: two can only differ",
            )
        )  # fmt: skip
    return result


_TELLING = "hold 200 W for two minutes each at 60 and at 100 rpm: torque tells scale from zero"


def _more(overall: Split, left: State | None) -> tuple[str, int | None]:
    """How much more of the same would decide: only scatter and the spread of segments average down."""
    now: Split | State = left if left is not None else overall
    u, deviation, limit = now.u95_percent, now.deviation_percent, now.limit_percent
    if u is None or deviation is None or limit is None:
        return "ride five minutes at a steady load", 5
    gap = abs(abs(deviation) - limit)
    budget = left.budget if left is not None else {}
    stays = math.sqrt(sum(v * v for part, v in budget.items() if part not in AVERAGES_DOWN))
    if stays >= gap:
        return (
            "no more riding decides it: state the drivetrain loss, compare at the crank, or add an "
            "independent instrument",
            None,
        )
    falls = math.sqrt(max(0.0, u * u - stays * stays))
    needed = math.sqrt(gap * gap - stays * stays)
    more = now.blocks * ((falls / needed) ** 2 - 1.0) / 6.0
    if more > LONGEST_MINUTES:
        return "its difference lies close to the limit: no ride of an evening will decide it", None
    minutes = max(1, math.ceil(more))
    return f"ride about {minutes} more minutes at a steady load", minutes
