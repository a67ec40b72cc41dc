"""Was it the rider? Left share and cadence of a trusted instrument beside the change of another."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import msgspec
import numpy as np

from monitor.analysis.block import BLOCK_S, MIN_POWER_W
from monitor.analysis.blockstats import interval, usual_spread
from monitor.analysis.budget import Noise, noise_of_blocks
from monitor.analysis.statistics import Floats
from monitor.study.grid import Ints, moved
from monitor.study.parts.common import Shared
from monitor.study.parts.repeats import whose_repeat
from monitor.study.parts.states import AROUND_BLOCKS, LEAST_BLOCKS, TO_99, Boundary, Pair
from monitor.study.parts.stroke.change import stroke_change
from monitor.study.parts.stroke.rider import rider_moved, steps_of
from monitor.study.parts.stroke.session import source_of
from monitor.study.results import Repeat, RiderChange, SegmentStudy, known, rounded

LEAST_POINTS = 0.5
"""A share that moves by less is no other way of pedalling: it is reported in steps of half a point."""
LEAST_RPM = 5.0
"""A rider's cadence wanders by less from block to block (common practice, no source)."""
BESIDE_S, OTHER_RPM = 45.0, 8.0
"""A protocol that asks for another cadence asks for so much more or less (common practice, no source)."""
LEAST_CHANGE_PERCENT = 1.0
"""A unit that moved by less is not worth the question."""

NEAR_STEP_S = 60.0
"""A step of the stroke so near to a change of state is asked about there."""

Windows = tuple[tuple[float, float], tuple[float, float]]
"""From and to before a change, and after it, session seconds."""


def rider_changes(
    shared: Shared,
    pairs: Sequence[Pair],
    segments: Sequence[SegmentStudy],
    repeats: Sequence[Repeat],
    copies: Mapping[int, int],
) -> list[RiderChange]:
    """One row for each change of state, each step of the rider's stroke, and the first and the last of blocks
    that were ridden again. `copies` are instruments heard twice."""
    result = []
    for pair in pairs:
        asked = _Asked(shared, pair, copies)
        edges = sorted({0.0, *(b.t_s for b in pair.kept), float(shared.grid.seconds)})
        steps = _stroke_steps(asked, edges)
        # What the rider changed before must not stand in a window of what changed later.
        every = sorted({*edges, *steps})
        for boundary in pair.kept:
            change = pair.changes.get(boundary)
            if boundary.instrument != pair.label or change is None:
                continue
            row = _row(asked, _beside(every, boundary.t_s), change.seen, _changed_at(pair, boundary))
            if row.verdict == "unit" and not boundary.act and _other_cadence(shared, boundary.t_s):
                # An error that goes with cadence looks the same.
                row = msgspec.structs.replace(row, verdict="undecided")
            result.append(row)
        for t_s in steps:
            windows = _beside(every, t_s)
            moved = pair.change(t_s, windows[0][0], windows[1][1])
            row = _row(asked, windows, moved is not None and moved.seen)
            # Without a change of the unit nobody asks; a step that others contradict is no news either.
            if row.verdict in ("rider", "both"):
                result.append(row)
    by_name = {s.name: s for s in segments}
    for repeat in repeats:
        first, last = by_name.get(repeat.first), by_name.get(repeat.last)
        pair_of = next((p for p in pairs if p.label == repeat.instrument), None)
        if first is None or last is None or pair_of is None or repeat.change_u95_percent is None:
            continue
        seen = abs(repeat.change_percent) > max(LEAST_CHANGE_PERCENT, TO_99 * repeat.change_u95_percent)
        windows = ((first.start_s + first.settle_s, first.end_s), (last.start_s + last.settle_s, last.end_s))
        changed = _changed_between(pair_of, windows) or _by_repeats(shared, repeat, repeats)
        result.append(_row(_Asked(shared, pair_of, copies), windows, seen, changed, same_block=True))
    return result


def _changed_at(pair: Pair, boundary: Boundary) -> list[str]:
    """Who changed at a boundary of the instrument's own: it, or one of the two."""
    told = [s.sure for s in pair.shifts if s.instrument == pair.label and s.t_s == boundary.t_s]
    return [pair.label] if boundary.act or all(told) else [pair.label, pair.reference]


def _changed_between(pair: Pair, windows: Windows) -> list[str]:
    """Who of the two changed between two windows, by the boundaries of their states."""
    found = {b.instrument for b in pair.kept if windows[0][0] < b.t_s < windows[1][1]}
    return [label for label in (pair.label, pair.reference) if label in found]


def _by_repeats(shared: Shared, repeat: Repeat, repeats: Sequence[Repeat]) -> list[str]:
    """The same by what all instruments read of the block again."""
    whose = whose_repeat(repeat.name, shared.grid.bench.reference, repeats)
    return [whose] if whose is not None else [repeat.instrument, repeat.reference]


def _other_cadence(shared: Shared, t_s: float) -> bool:
    """Whether another cadence was ridden right after a moment than right before it."""
    one, two = (_cadence(shared, a, b) for a, b in ((t_s - BESIDE_S, t_s), (t_s, t_s + BESIDE_S)))
    return one is not None and two is not None and abs(two - one) > OTHER_RPM


@dataclass(frozen=True, slots=True)
class _Asked:
    """Which instrument is asked about, and which ones are the same instrument heard twice."""

    shared: Shared
    pair: Pair
    copies: Mapping[int, int]


def _beside(edges: Sequence[float], t_s: float) -> Windows:
    """Five minutes before a moment and after it, at most to the next edges."""
    reach = float(AROUND_BLOCKS * BLOCK_S)
    low = max(c for c in edges if c < t_s)
    high = min(c for c in edges if c > t_s)
    return (max(low, t_s - reach), t_s), (t_s, min(high, t_s + reach))


def _stroke_steps(asked: _Asked, edges: Sequence[float]) -> list[float]:
    """When the rider's peak stepped without a change of the instrument's own state beside it."""
    shared = asked.shared
    source = source_of(shared, asked.pair.i, asked.copies) if shared.strokes else None
    if source is None:
        return []
    return [
        t_s
        for t_s in steps_of(shared.strokes[source])
        if 0.0 < t_s < edges[-1] and all(abs(t_s - edge) > NEAR_STEP_S for edge in edges[1:-1])
    ]


def _source(shared: Shared, i: int, changed: Sequence[str]) -> int | None:
    """Whose share speaks of the rider: the reference if it has both sides, else another not on test.

    One that surely changed itself says nothing of the rider: a side of it may be what moved.
    """
    grid = shared.grid
    both = [
        j
        for j in grid.powered
        if j != i
        and grid.instruments[j].sides == "both"
        and grid.instruments[j].role != "on-test"
        and list(changed) != [grid.labels[j]]
    ]
    return min(both, key=lambda j: (j != grid.reference, j), default=None)


def _row(
    asked: _Asked, windows: Windows, unit_moved: bool, changed: Sequence[str] = (), same_block: bool = False
) -> RiderChange:
    """`changed`: which of the two it was, as far as others tell. `same_block`: one block ridden twice;
    elsewhere the protocol may ask for another cadence."""
    shared, pair = asked.shared, asked.pair
    share_source = _source(shared, pair.i, changed)
    before, after, u95 = _share_change(shared, share_source, windows)
    points = after - before if before is not None and after is not None else None
    cadences = [_cadence(shared, *w) for w in windows]
    rpm = cadences[1] - cadences[0] if None not in cadences else None  # type: ignore[operator]
    stroke = stroke_change(shared, pair, windows, asked.copies, rpm, (before, after, share_source))
    by_stroke = rider_moved(stroke) if stroke is not None else None
    moved_points = points is not None and u95 is not None and abs(points) > max(LEAST_POINTS, TO_99 * u95)
    turned = same_block and rpm is not None and abs(rpm) > LEAST_RPM
    moved = moved_points or turned or by_stroke is True
    verdict = "undecided"
    steady = stroke is not None and stroke.both_sides and by_stroke is False
    if (points is not None and u95 is not None and math.isfinite(u95)) or by_stroke is True or steady:
        verdict = {
            (True, True): "both", (True, False): "rider", (False, True): "unit", (False, False): "undecided"
        }[moved, unit_moved]  # fmt: skip
    if stroke is not None and not stroke.confirmed and not moved_points:
        # One instrument's angle moved and another's did not: a steady share alone does not clear the rider.
        verdict = "undecided"
    (a, b), (c, d) = windows
    return RiderChange(
        (rounded(a, 1), rounded(b, 1)), (rounded(c, 1), rounded(d, 1)), known(points, 2), known(u95, 2),
        known(rpm, 1), stroke.peak_change_deg if stroke is not None else None, verdict, pair.label,  # type: ignore[arg-type]
        stroke, list(changed),
    )  # fmt: skip


def _share_change(
    shared: Shared, source: int | None, windows: Windows
) -> tuple[float | None, float | None, float | None]:
    """Left share before and after, percent, and the 95 % of its change, points."""
    if source is None:
        return None, None, None
    parts = [_shares(shared, source, *w) for w in windows]
    if min(len(s) for s, _ in parts) < LEAST_BLOCKS:
        return None, None, None
    (one, at_one), (two, at_two) = parts
    noise = _share_noise(shared, source)
    if noise.dof >= 1.0:
        u95 = math.hypot(noise.mean(one, at_one).u95, noise.mean(two, at_two).u95)
    else:
        usual = usual_spread([one, two])
        u95 = math.hypot(*(i.u95 for s in (one, two) if (i := interval(s, usual)) is not None))
    return float(one.mean()), float(two.mean()), u95


def _share_noise(shared: Shared, source: int) -> Noise:
    """How a rider's share wanders from block to block, by all segments of the session.

    Each segment may have a share of its own: riders pedal otherwise at other torques.
    """
    if source not in shared.share_noise:
        found = [_shares(shared, source, *span.window()) for span in shared.spans]
        if not found:
            return Noise()
        of = np.concatenate([np.full(len(s), k) for k, (s, _) in enumerate(found)])
        shares, begins = (np.concatenate(column) for column in zip(*found, strict=True))
        order = np.argsort(begins, kind="stable")
        shared.share_noise[source] = noise_of_blocks(shares[order], begins[order], of[order], of[order])
    return shared.share_noise[source]


def _shares(shared: Shared, source: int, from_s: float, to_s: float) -> tuple[Floats, Ints]:
    """Left shares of blocks, percent of the total, and when the blocks begin."""
    grid = shared.grid
    begin, end = grid.clip((math.ceil(from_s), math.floor(to_s)))
    n = max(0, end - begin) // BLOCK_S
    rows = slice(begin, begin + n * BLOCK_S)
    lag_s = grid.lag_s(source)
    left = moved(grid.left_w[:, source], lag_s)[rows].reshape(n, BLOCK_S).mean(axis=1)
    total = moved(grid.sound_w[:, source], lag_s)[rows].reshape(n, BLOCK_S).mean(axis=1)
    with np.errstate(invalid="ignore"):
        good = (total >= MIN_POWER_W) & np.isfinite(left)
    return 100.0 * left[good] / total[good], begin + BLOCK_S * np.flatnonzero(good)


def _cadence(shared: Shared, from_s: float, to_s: float) -> float | None:
    begin, end = shared.grid.clip((math.ceil(from_s), math.floor(to_s)))
    rpm = shared.grid.rpm[begin:end]
    with np.errstate(invalid="ignore"):
        turning = rpm[np.isfinite(rpm) & (rpm > 0.0)]
    return float(turning.mean()) if len(turning) >= LEAST_BLOCKS * BLOCK_S else None
