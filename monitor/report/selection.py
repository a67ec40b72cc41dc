"""What the page's own table of a stretch is computed from: the same seconds as the study, exactly.

Powers are whole milliwatts, each rounded so that no sum of them is off by more than half of one:
means over a stretch are those of the study. The formulas stand in `web/numbers.js`; a test holds
them against the study's own rows.
"""

from typing import Any

import numpy as np

from monitor.analysis.blockstats import Spread
from monitor.analysis.budget import TAUS_S, Noise
from monitor.analysis.curve import COVERED
from monitor.analysis.expected import LOSS_SPREAD, Loss, tolerance_percent
from monitor.analysis.statistics import STUDENT_975, Floats
from monitor.report.material import Material
from monitor.study.grid import Grid, moved
from monitor.study.parts.common import Shared

PER_W = 1000
MOST_S = 6 * 3600
"""A longer session would make the page slow to open; the command has no such limit."""
FULL = 1e-6

Ints = list[int | None]


def milliwatts(values: Floats) -> Ints:
    """Whole milliwatts whose running sum is never off by more than half of one; None where unknown."""
    good = np.isfinite(values)
    total = np.cumsum(np.where(good, values, 0.0)) * PER_W
    whole = np.rint(total).astype(np.int64)
    each: list[int] = np.diff(whole, prepend=0).tolist()
    return [v if ok else None for v, ok in zip(each, good.tolist(), strict=True)]


def selection(given: Material) -> dict[str, Any]:
    """Rows by label, pairs by compared label, the series that pairs share; empty for a long session."""
    if not 0 < given.grid.seconds <= MOST_S:
        return {"rows": {}, "pairs": {}, "series": []}
    grid = given.grid
    series: list[Ints] = []
    places: dict[bytes, int] = {}

    def place(values: Floats) -> int:
        """Where a series stands; many are compared with one and the same."""
        key = values.tobytes()
        if key not in places:
            places[key] = len(series)
            series.append(milliwatts(values))
        return places[key]

    pairs: dict[str, dict[str, Any]] = {}
    for label in given.compared:
        i = given.order[label]
        pair = grid.compared(i)
        entry = _constants(given.shared, i)
        entry |= {"own": milliwatts(pair.own_w), "reference_w": place(pair.reference_w)}
        for side, own, theirs in (
            ("left", pair.left_w, pair.left_reference_w),
            ("right", pair.right_w, pair.right_reference_w),
        ):
            if np.isfinite(own).any() and np.isfinite(theirs).any():
                entry |= {side: milliwatts(own), f"{side}_reference": place(theirs)}
        pairs[label] = entry
    return {
        "rows": {label: _row(given, label) for label in given.powered},
        "pairs": pairs,
        "series": series,
        "taus": list(TAUS_S),
        "t975": list(STUDENT_975),
        "loss_spread": LOSS_SPREAD,
        "floor_w": grid.bench.limits.floor_w,
    }


def _row(given: Material, label: str) -> dict[str, Any]:
    """What one instrument showed, second by second and read by its lag, and how much of each was heard."""
    i, grid = given.order[label], given.grid
    sides, lag_s = grid.instruments[i].sides, grid.lag_s(i)
    covered = grid.cells[:, i, COVERED]
    partly = np.flatnonzero(np.abs(covered - 1.0) > FULL)
    row: dict[str, Any] = {
        "sides": sides,
        "shown": milliwatts(moved(grid.sound_w[:, i], lag_s)),
        "part": {str(k): round(float(covered[k]), 6) for k in partly.tolist()},
    }
    if sides != "total":
        row["left"] = milliwatts(moved(grid.left_w[:, i], lag_s))
    return row


def _constants(shared: Shared, i: int) -> dict[str, Any]:
    """What a comparison needs beside the seconds."""
    grid = shared.grid
    losses = [grid.losses[i], grid.base_loss(i)]
    if grid.reference is None and not grid.one_sided(i):
        losses += [grid.losses[j] for j in grid.powered if j != i]
    noise, usual = shared.noise.get(i, Noise()), shared.usual.get(i, Spread())
    return {
        "reference": grid.reference_label(i),
        "loss": _listed(grid.losses[i]),
        "base_loss": _listed(grid.base_loss(i)),
        "losses": [_listed(loss) for loss in losses],
        "tolerance_percent": tolerance_percent(grid.bench, grid.instruments[i], grid.others(i)),
        "lag_bound_s": grid.lag_bound_s(i),
        "held": _held(grid, i),
        "usual": {"sd": usual.sd, "dof": usual.dof, "r": usual.r},
        "noise": {"nugget": noise.nugget, "parts": list(noise.parts), "dof": noise.dof},
        "cuts": [t for t in shared.cuts.get(i, []) if t > 0.0],
    }


def _held(grid: Grid, i: int) -> list[tuple[int, float]]:
    """Seconds whose work is uncertain because a value was held, J squared; of both that are compared."""
    reference = grid.side_references.get(i) if grid.one_sided(i) else grid.reference
    variance = grid.held_variance(i).copy()
    if reference is not None:
        variance += grid.held_variance(reference)
    return [(k, round(float(variance[k]), 3)) for k in np.flatnonzero(variance).tolist()]


def _listed(loss: Loss) -> list[float]:
    return [loss.watts, loss.percent]
