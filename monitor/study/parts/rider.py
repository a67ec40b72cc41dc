"""Was it the rider? Left share and cadence of a trusted instrument beside the change of another."""

import math
from collections.abc import Sequence

import numpy as np

from monitor.analysis.block import BLOCK_S, MIN_POWER_W
from monitor.analysis.blockstats import interval, usual_spread
from monitor.analysis.statistics import Floats
from monitor.study.grid import moved
from monitor.study.parts.common import Shared
from monitor.study.parts.states import AROUND_BLOCKS, LEAST_BLOCKS, TO_99, Pair
from monitor.study.results import Repeat, RiderChange, SegmentStudy, known, rounded

LEAST_POINTS = 0.5
"""A share that moves by less is no other way of pedalling: it is reported in steps of half a point."""
LEAST_RPM = 5.0
"""A rider's cadence wanders by less from block to block (common practice, no source)."""
LEAST_CHANGE_PERCENT = 1.0
"""A unit that moved by less is not worth the question."""


def rider_changes(
    shared: Shared, pairs: Sequence[Pair], segments: Sequence[SegmentStudy], repeats: Sequence[Repeat]
) -> list[RiderChange]:
    """One row for each change of state, and for the first and the last of blocks that were ridden again."""
    result = []
    for pair in pairs:
        source = _source(shared, pair.i)
        for boundary in pair.kept:
            change = pair.changes.get(boundary)
            if boundary.instrument != pair.label or change is None:
                continue
            reach = float(AROUND_BLOCKS * BLOCK_S)
            cuts = [0.0, *(b.t_s for b in pair.kept), float(shared.grid.seconds)]
            low = max(c for c in cuts if c < boundary.t_s)
            high = min(c for c in cuts if c > boundary.t_s)
            windows = (
                (max(low, boundary.t_s - reach), boundary.t_s),
                (boundary.t_s, min(high, boundary.t_s + reach)),
            )
            result.append(_row(shared, source, pair.label, windows, change.seen))
    by_name = {s.name: s for s in segments}
    for repeat in repeats:
        first, last = by_name.get(repeat.first), by_name.get(repeat.last)
        pair_of = next((p for p in pairs if p.label == repeat.instrument), None)
        if first is None or last is None or pair_of is None or repeat.change_u95_percent is None:
            continue
        seen = abs(repeat.change_percent) > max(LEAST_CHANGE_PERCENT, TO_99 * repeat.change_u95_percent)
        windows = ((first.start_s + first.settle_s, first.end_s), (last.start_s + last.settle_s, last.end_s))
        result.append(
            _row(shared, _source(shared, pair_of.i), repeat.instrument, windows, seen, same_block=True)
        )
    return result


def _source(shared: Shared, i: int) -> int | None:
    """Whose share speaks of the rider: the reference if it has both sides, else another not on test."""
    grid = shared.grid
    both = [
        j
        for j in grid.powered
        if j != i and grid.instruments[j].sides == "both" and grid.instruments[j].role != "on-test"
    ]
    return min(both, key=lambda j: (j != grid.reference, j), default=None)


def _row(
    shared: Shared,
    source: int | None,
    label: str,
    windows: tuple[tuple[float, float], tuple[float, float]],
    unit_moved: bool,
    same_block: bool = False,
) -> RiderChange:
    """`same_block`: one block ridden twice; elsewhere the protocol may ask for another cadence."""
    shares = [_shares(shared, source, *w) for w in windows] if source is not None else []
    points = u95 = None
    if shares and min(len(s) for s in shares) >= LEAST_BLOCKS:
        usual = usual_spread(shares)
        one, two = (interval(s, usual) for s in shares)
        if one is not None and two is not None:
            points = two.value - one.value
            u95 = math.hypot(one.u95, two.u95)
    cadences = [_cadence(shared, *w) for w in windows]
    rpm = cadences[1] - cadences[0] if None not in cadences else None  # type: ignore[operator]
    moved_points = points is not None and u95 is not None and abs(points) > max(LEAST_POINTS, TO_99 * u95)
    rider_moved = moved_points or (same_block and rpm is not None and abs(rpm) > LEAST_RPM)
    verdict = "undecided"
    if points is not None and u95 is not None and math.isfinite(u95):
        verdict = {
            (True, True): "both", (True, False): "rider", (False, True): "unit", (False, False): "undecided"
        }[rider_moved, unit_moved]  # fmt: skip
    (a, b), (c, d) = windows
    return RiderChange(
        (rounded(a, 1), rounded(b, 1)), (rounded(c, 1), rounded(d, 1)), known(points, 2), known(u95, 2),
        known(rpm, 1), None, verdict, label,  # type: ignore[arg-type]
    )  # fmt: skip


def _shares(shared: Shared, source: int, from_s: float, to_s: float) -> Floats:
    """Left shares of blocks, percent of the total."""
    grid = shared.grid
    begin, end = grid.clip((math.ceil(from_s), math.floor(to_s)))
    n = max(0, end - begin) // BLOCK_S
    rows = slice(begin, begin + n * BLOCK_S)
    lag_s = grid.lag_s(source)
    left = moved(grid.left_w[:, source], lag_s)[rows].reshape(n, BLOCK_S).mean(axis=1)
    total = moved(grid.sound_w[:, source], lag_s)[rows].reshape(n, BLOCK_S).mean(axis=1)
    with np.errstate(invalid="ignore"):
        good = (total >= MIN_POWER_W) & np.isfinite(left)
    result: Floats = 100.0 * left[good] / total[good]
    return result


def _cadence(shared: Shared, from_s: float, to_s: float) -> float | None:
    begin, end = shared.grid.clip((math.ceil(from_s), math.floor(to_s)))
    rpm = shared.grid.rpm[begin:end]
    with np.errstate(invalid="ignore"):
        turning = rpm[np.isfinite(rpm) & (rpm > 0.0)]
    return float(turning.mean()) if len(turning) >= LEAST_BLOCKS * BLOCK_S else None
