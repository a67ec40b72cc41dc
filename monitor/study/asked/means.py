"""Means of the same seconds: what stands in one row was ridden at one time by all of them.

An instrument that was heard for part of a segment would else show the mean of that part beside the means of
the whole. Seconds in which the signal of one had a fault (no power, stuck, a spike) are nobody's mean.
"""

import numpy as np

from monitor.analysis.curve import COVERED, TURNED
from monitor.analysis.statistics import Floats
from monitor.study.grid import Bools, moved
from monitor.study.parts.common import Shared
from monitor.study.results import Means, known, rounded

HEARD = 0.5
"""What is heard for a smaller part of the time has a mean of its own, so that it does not cost the others
theirs; `seconds` says of how many."""
LEAST_S = 5


def means_over(shared: Shared, begin: int, end: int) -> dict[str, Means]:
    """Means of every instrument over the seconds [begin, end), each moved by its lag."""
    grid = shared.grid
    series = {i: moved(grid.sound_w[:, i], grid.lag_s(i))[begin:end] for i in grid.powered}
    part = [x for i, x in series.items() if _heard(grid.power_w[begin:end, i]) and np.isfinite(x).any()]
    same: Bools = np.ones(end - begin, dtype=bool)
    for each in part:
        same &= np.isfinite(each)
    if same.sum() < min(LEAST_S, end - begin):
        same = np.zeros(end - begin, dtype=bool)
    return {label: _means(shared, i, begin, end, series.get(i), same) for i, label in enumerate(grid.labels)}


def _heard(power_w: Floats) -> bool:
    return bool(len(power_w)) and float(np.isfinite(power_w).mean()) >= HEARD


def _means(shared: Shared, i: int, begin: int, end: int, own: Floats | None, same: Bools) -> Means:
    grid = shared.grid
    cells = grid.cells[begin:end, i]
    length = end - begin
    time = COVERED if i in grid.powered else TURNED
    coverage = rounded(min(1.0, float(cells[:, time].sum()) / length), 4) if length else 0.0
    rpm = grid.cadence_rpm[begin:end, i]
    power = left = right = percent = None
    used = same
    if own is not None:
        good = np.isfinite(own)
        used = same if same.any() and bool(good[same].all()) else good
        power = float(own[used].mean()) if used.any() else None
        sides = grid.instruments[i].sides
        if power is not None and sides != "total":
            side = moved(grid.left_w[:, i], grid.lag_s(i))[begin:end]
            both = used & np.isfinite(side)
            if both.any():
                left_w, total_w = float(side[both].mean()), float(own[both].mean())
                left = left_w if sides != "right" else None
                right = total_w - left_w if sides != "left" else None
                if sides in ("both", "computed") and total_w > 0.0:
                    percent = 100.0 * left_w / total_w
    turned = np.isfinite(rpm) & (used if used.any() else np.isfinite(rpm))
    if not turned.any():
        turned = np.isfinite(rpm)
    cadence = float(rpm[turned].mean()) if turned.any() else None
    seconds = int(used.sum()) if own is not None else int(turned.sum())
    fault_s = int(grid.excluded[begin:end, i].sum()) if own is not None else 0
    return Means(
        known(power, 2), known(left, 2), known(right, 2), known(cadence, 2), coverage, known(percent, 2),
        seconds, fault_s,
    )  # fmt: skip
