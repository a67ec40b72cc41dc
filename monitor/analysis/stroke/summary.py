"""Means of the stroke over blocks, with their intervals."""

import math
from collections.abc import Sequence

import numpy as np

from monitor.analysis.blockstats import Spread, interval
from monitor.analysis.statistics import Floats, t_975
from monitor.analysis.stroke.series import Block, Side

STEP_U95_PERCENT = 1.96 * 0.25 / math.sqrt(3.0)
"""What steps of half a percent leave open: 1.96 standard deviations of a rectangular distribution."""
LEAST_BLOCKS = 3
"""With fewer blocks there is no interval."""


def mean_of(blocks: Sequence[Block], side: Side, name: str) -> tuple[float | None, float | None]:
    """Mean and 95 % half-width of a percentage of a side over some blocks."""
    values = np.array([getattr(b.sides[side], name) for b in blocks if side in b.sides])
    good = values[np.isfinite(values)]
    found = interval(good, Spread()) if len(good) else None
    if found is None:
        return None, None
    u95 = math.hypot(found.u95, STEP_U95_PERCENT)
    return found.value, u95 if len(good) >= LEAST_BLOCKS else None


def mean_shape(
    shapes: Sequence[Floats],
) -> tuple[list[float | None] | None, list[float | None] | None]:
    """The mean shape and its pointwise 95 % half-width by Student's t over blocks; None for no shape."""
    if not shapes:
        return None, None
    table = np.array(shapes)
    there = np.isfinite(table)
    n = there.sum(axis=0)
    filled = np.where(there, table, 0.0)
    mean = filled.sum(axis=0) / np.maximum(n, 1)
    squares = np.where(there, (table - mean) ** 2, 0.0).sum(axis=0)
    halves = [
        t_975(k - 1.0) * math.sqrt(s / (k - 1.0) / k) if k >= LEAST_BLOCKS else math.nan
        for k, s in zip(n.tolist(), squares.tolist(), strict=True)
    ]
    return (
        [round(m, 3) if k else None for m, k in zip(mean.tolist(), n.tolist(), strict=True)],
        [round(h, 3) if math.isfinite(h) else None for h in halves],
    )
