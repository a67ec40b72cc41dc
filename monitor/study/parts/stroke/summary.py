"""What an instrument's stroke was over a stretch: means with intervals, the shape, seated and standing."""

import math
from collections.abc import Sequence

import numpy as np

from monitor.analysis.stroke.circular import direction
from monitor.analysis.stroke.series import Block, Series, Side, SideBlock
from monitor.analysis.stroke.summary import LEAST_BLOCKS, mean_of, mean_shape
from monitor.study.parts.stroke.results import SideStroke, Stroke
from monitor.study.results import known, rounded


def stroke_of(series: Series, label: str, of: str, name: str, from_s: float, to_s: float) -> Stroke | None:
    """One stretch of one instrument; None if it reported nothing in it."""
    blocks = series.blocks(from_s, to_s)
    words = series.position[max(0, math.ceil(from_s)) : max(0, math.floor(to_s))]
    seated, standing = (float((words == w).sum()) for w in ("seated", "standing"))
    if not any(b.sides for b in blocks) and not seated + standing:
        return None
    sides = [
        told
        for side in series.sides
        if (told := _side(series, [b for b in blocks if side in b.sides], side)) is not None
    ]
    told_position = bool((series.position != "").any())
    return Stroke(
        label, "segment" if of == "segment" else "state", name, rounded(from_s, 1), rounded(to_s, 1),
        series.method, sum(bool(b.sides) for b in blocks), sides,
        seated if told_position else None, standing if told_position else None,
    )  # fmt: skip


def _side(series: Series, blocks: Sequence[Block], side: Side) -> SideStroke | None:
    if not blocks:
        return None
    peak = series.peak(blocks, side)
    mine: list[SideBlock] = [b.sides[side] for b in blocks]
    start, end = (
        direction(np.array([getattr(b, f"phase_{which}_deg") for b in mine])) for which in ("start", "end")
    )
    effectiveness = mean_of(blocks, side, "effectiveness_percent")
    smoothness = mean_of(blocks, side, "smoothness_percent")
    shape, shape_u95 = mean_shape([b.shape for b in mine if b.shape is not None])
    return SideStroke(
        side,
        known(peak.mean_deg, 1) if peak else None,
        known(peak.u95_deg, 1) if peak and peak.n >= LEAST_BLOCKS else None,
        known(peak.sd_deg, 1) if peak and peak.n >= LEAST_BLOCKS else None,
        known(start.mean_deg, 1) if start else None,
        known(end.mean_deg, 1) if end else None,
        known(effectiveness[0], 1), known(effectiveness[1], 1),
        known(smoothness[0], 1), known(smoothness[1], 1),
        shape, shape_u95,
    )  # fmt: skip
