"""What is left before a unit is handed back: faults to cure, and the shortest ride that settles the rest."""

from collections.abc import Sequence

from monitor.finding import Finding
from monitor.study.results import Open, RideBlock, SegmentStudy, Task, Tasks

BLOCK_S = 120
"""A block that tells scale from zero, or shows a change, takes two minutes (common practice, no source)."""
TELLING_W, LOW_RPM, HIGH_RPM = 200.0, 60.0, 100.0


def tasks_of(
    findings: Sequence[Finding], open_: Sequence[Open], segments: Sequence[SegmentStudy], hand_back: str = ""
) -> Tasks:
    """Findings that still stand, with what to try; blocks that settle what is open; what no ride settles.

    One block may settle several questions: minutes at a steady load are those of the blocks that are
    ridden anyway, and a block of the first load at the end shows whether anything changed.
    """
    standing = {(f.kind, f.instrument, f.side): f for f in findings}
    cure = [
        Task(f.instrument, f.what, f.do)
        for f in standing.values()
        if f.event == "raised" and f.do and f.instrument
    ]
    blocks = shortest(open_, segments)
    other = [Task(o.instrument, o.question, o.ride) for o in open_ if not o.needs]
    return Tasks(hand_back, cure, blocks, other, sum(b.seconds for b in blocks))


def shortest(open_: Sequence[Open], segments: Sequence[SegmentStudy]) -> list[RideBlock]:
    """The blocks whose riding settles every question that riding can settle, none of them ridden twice."""
    by: dict[str, list[Open]] = {}
    for o in open_:
        by.setdefault(o.needs, []).append(o)
    minutes = max((o.minutes or 0 for o in by.get("minutes", [])), default=0)
    blocks: list[RideBlock] = []
    if "torques" in by:
        names = _questions(by["torques"])
        blocks.append(RideBlock("low cadence", BLOCK_S, TELLING_W, LOW_RPM, names))
        blocks.append(RideBlock("high cadence", BLOCK_S, TELLING_W, HIGH_RPM, names))
    blocks += [
        RideBlock(o.ride.removeprefix("ride "), BLOCK_S, None, None, _questions([o]))
        for o in by.get("load", [])
    ]
    # Riding of any steady kind makes the interval narrower: only what is still missing is added.
    missing = max(0, 60 * minutes - sum(b.seconds for b in blocks))
    seconds = max(missing, BLOCK_S if "again" in by else 0)
    settles = _questions([*by.get("again", []), *by.get("minutes", [])])
    if seconds:
        blocks.append(_again(segments, seconds, settles))
    elif settles:
        last = blocks[-1]
        blocks[-1] = RideBlock(
            last.name, last.seconds, last.target_w, last.cadence_rpm, [*last.settles, *settles]
        )
    return blocks


def _again(segments: Sequence[SegmentStudy], seconds: int, settles: list[str]) -> RideBlock:
    """The first steady block once more: what changed since then shows in it as well."""
    first = next((s for s in segments if s.kind == "block" and s.steady and s.power_w is not None), None)
    if first is None:
        return RideBlock("steady", seconds, None, None, settles)
    watts = first.target_w or round(first.power_w or 0.0, -1)
    rpm = round(first.cadence_rpm, 0) if first.cadence_rpm is not None else None
    return RideBlock(f"{first.name} again", seconds, watts, rpm, settles)


def _questions(open_: Sequence[Open]) -> list[str]:
    return [f"{o.instrument}: {o.question}" if o.instrument else o.question for o in open_]
