"""Segments that belong together: cycles of two loads, and blocks that were ridden again."""

import math
import re
from collections.abc import Sequence

from monitor.analysis.block import MIN_POWER_W
from monitor.analysis.consistency import LEAST_OPINIONS, Opinion, judge_consistency
from monitor.study.estimate.edges import inner
from monitor.study.parts.common import Shared
from monitor.study.parts.differences import difference
from monitor.study.parts.who import WANDER_PERCENT
from monitor.study.results import Cycles, Difference, Repeat, SegmentStudy, known, rounded
from monitor.text import clock

LIKE_POWER, LIKE_RPM = 0.04, 4.0
"""Blocks of other names are the same block again within this part of the load and these turns a minute
(common practice, no source)."""
FEWEST_TURNS = 4
"""Two whole cycles of two loads."""
ALIKE_PART, ALIKE_RPM = 0.1, 10.0
"""Blocks of one name were ridden alike within this part of the load and these turns a minute."""
TURN_S = 8.0, 120.0
"""The shortest and the longest half of a cycle."""
TURN_GAP, TURN_SAME = 0.08, 0.12
"""Both loads differ by at least the first part; each comes again within the second. All common practice, no
source."""


def cycles_of(shared: Shared, segments: Sequence[SegmentStudy]) -> list[Cycles]:
    """Runs of at least two cycles of two alternating loads, each half at most two minutes."""
    result = []
    k = 0
    while k < len(segments):
        if segments[k].kind == "over-under":
            s = segments[k]
            result.append(Cycles(s.name, s.start_s, s.end_s, 1, s.differences))
            k += 1
            continue
        many = _alternating(segments, k)
        if many < FEWEST_TURNS:
            k += 1
            continue
        many -= many % 2
        first, last = segments[k], segments[k + many - 1]
        # From within the first load to within the last: so no step lies at an end, and each up has its down.
        begin, end = shared.grid.clip((math.ceil(first.start_s + first.settle_s), math.floor(last.end_s)))
        begin, end = inner(begin, end)
        count = many // 2
        differences = [
            d
            for i in shared.compared
            if (d := difference(shared, i, None, begin, end, (end - begin) / count)) is not None
        ]
        names = f"{_family(first.name)[0]} / {_family(segments[k + 1].name)[0]}"
        result.append(Cycles(names, first.start_s, last.end_s, count, differences))
        k += many
    return result


def repeats_of(shared: Shared, segments: Sequence[SegmentStudy]) -> list[Repeat]:
    """Blocks that were ridden alike, whatever their names: the first against the last.

    Across states first: a block of the first state beside one of the last says what all acts between did.
    """
    result = []
    for name, members in families_of(segments):
        for i in shared.compared:
            label = shared.grid.labels[i]
            judged = [(s, d) for s in members for d in s.differences if d.instrument == label]
            if len(judged) >= 2:
                result.append(_repeat(name, *judged[0], *judged[-1]))
    return result


def families_of(segments: Sequence[SegmentStudy]) -> list[tuple[str, list[SegmentStudy]]]:
    """Groups of at least two segments that repeat each other, with a name, in the order of their beginning.

    One name and about one load, or another name and the same kind, load and cadence.
    """
    named: dict[str, list[SegmentStudy]] = {}
    for s in segments:
        named.setdefault(_family(s.name)[0], []).append(s)
    groups = {name: members for name, members in named.items() if len(members) < 2 or _alike(members)}
    joined: list[tuple[str, list[SegmentStudy]]] = []
    for name, members in groups.items():
        like = next((g for _, g in joined if _likeness(g[0], members[0])), None)
        if like is not None and all(_likeness(like[0], m) for m in members):
            like += members
        else:
            joined.append((name, list(members)))
    return [(name, sorted(g, key=lambda s: s.start_s)) for name, g in joined if len(g) >= 2]


def _likeness(one: SegmentStudy, two: SegmentStudy) -> bool:
    """Whether two steady blocks were ridden alike: load, cadence, how it was held, gear."""
    if one.kind != "block" or two.kind != "block" or not (one.steady and two.steady):
        return False
    if one.power_w is None or two.power_w is None or one.load != two.load:
        return False
    if one.gear and two.gear and one.gear != two.gear:
        return False
    if abs(one.power_w - two.power_w) > LIKE_POWER * max(one.power_w, two.power_w):
        return False
    if one.cadence_rpm is None or two.cadence_rpm is None:
        return one.cadence_rpm is two.cadence_rpm
    return abs(one.cadence_rpm - two.cadence_rpm) <= LIKE_RPM


_FAMILY = re.compile(
    r"^(?P<name>.*?)[\s,:_-]*(?:\(found\)\s*)?"
    r"(?:(?P<k>\d+)\s*(?:/|of)\s*\d+|#(?P<n>\d+)|\b(?P<word>again|before|after|repeat|first|last))?$",
    re.IGNORECASE,
)


def _family(name: str) -> tuple[str, str]:
    """The name of a block without what tells its repetition, and that rest: `over` and `2/6`."""
    match = _FAMILY.match(name.strip())
    if match is None or not match["name"]:
        return name, ""
    return match["name"].strip(), name[len(match["name"]) :].strip()


def _alike(members: Sequence[SegmentStudy]) -> bool:
    """Whether blocks of one name were ridden alike: power within a tenth, cadence within 10 rpm, one gear."""
    powers = [s.power_w for s in members if s.power_w is not None]
    rpms = [s.cadence_rpm for s in members if s.cadence_rpm is not None]
    if len(powers) < 2 or members[0].kind in ("free",) or len({s.gear for s in members} - {""}) > 1:
        return False
    if members[0].kind == "sprint":
        return True
    return max(powers) - min(powers) <= ALIKE_PART * max(powers) and (
        not rpms or max(rpms) - min(rpms) <= ALIKE_RPM
    )


def _alternating(segments: Sequence[SegmentStudy], k: int) -> int:
    """How many segments from `k` on go up and down between two loads."""
    levels: list[float] = []
    for s in segments[k:]:
        length = s.end_s - s.start_s
        level = s.power_w or 0.0
        if s.kind != "block" or not TURN_S[0] <= length <= TURN_S[1] or level < MIN_POWER_W:
            break
        if levels and abs(level - levels[-1]) < TURN_GAP * max(level, levels[-1]):
            break
        if len(levels) >= 2 and (
            (level - levels[-1]) * (levels[-1] - levels[-2]) >= 0.0
            or abs(level - levels[-2]) > TURN_SAME * level
        ):
            break
        levels.append(level)
    return len(levels)


def _repeat(name: str, first: SegmentStudy, one: Difference, last: SegmentStudy, two: Difference) -> Repeat:
    change = rounded(two.deviation_percent - one.deviation_percent, 3)
    first_percent, last_percent = (rounded(d.deviation_percent, 1) for d in (one, two))
    u = None
    if one.spread_u95_percent is not None and two.spread_u95_percent is not None:
        u = math.hypot(one.spread_u95_percent, one.edge_percent, two.spread_u95_percent, two.edge_percent)
    text = (
        f"the same block ({name}) read {first_percent:+z.1f} % at {clock(first.start_s)} and "
        f"{last_percent:+z.1f} % at {clock(last.start_s)}"
    )
    if u is not None:
        text += ": a change beyond chance" if abs(change) > u else ": no change beyond chance"
        text += f" ({rounded(change, 1):+z.1f} % ± {u:.1f} %)"
    return Repeat(
        name, one.instrument, one.reference, first.name, last.name, one.deviation_percent, one.u95_percent,
        two.deviation_percent, two.u95_percent, change, known(u, 3),
        None if u is None else abs(change) > u, text,
    )  # fmt: skip


def whose_repeat(name: str, reference: str, repeats: Sequence[Repeat]) -> str | None:
    """Whose change a repeated block shows: the one that changed against all others, None if not unique."""
    rows = [r for r in repeats if r.name == name and r.change_u95_percent is not None]
    opinions = [Opinion(reference, 0.0, WANDER_PERCENT, 0.0)]
    for r in rows:
        u = math.hypot((r.change_u95_percent or 0.0) / 1.96, WANDER_PERCENT)
        opinions.append(Opinion(r.instrument, r.change_percent, u, 0.0))
    if len(opinions) < LEAST_OPINIONS:
        return None
    apart = [label for label, verdict in judge_consistency(opinions).apart.items() if verdict == "yes"]
    return apart[0] if len(apart) == 1 else None
