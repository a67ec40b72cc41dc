"""The rider's stroke and the unit's side on both sides of a change, put together for one answer."""

import math
from collections.abc import Mapping

import msgspec
import numpy as np

from monitor.analysis.block import BLOCK_S
from monitor.analysis.blockstats import Spread, interval
from monitor.analysis.statistics import Floats
from monitor.study.parts.common import Shared
from monitor.study.parts.states import Pair
from monitor.study.parts.stroke.position import position_of
from monitor.study.parts.stroke.results import RiderStroke
from monitor.study.parts.stroke.rider import TO_99, Window, compared
from monitor.study.parts.stroke.session import others_of, source_of
from monitor.study.results import rounded

LEAST_BLOCKS = 3
LEAST_SIDE_PERCENT = 1.0
"""A side that moved by less is not named."""
ALIKE_RPM, ALIKE_POWER = 5.0, 0.1
"""Cadence and power of two stretches within this are the same riding (common practice, no source)."""


def stroke_change(
    shared: Shared,
    pair: Pair,
    windows: tuple[Window, Window],
    copies: Mapping[int, int],
    rpm_change: float | None,
    share: tuple[float | None, float | None, int | None],
) -> RiderStroke | None:
    """What is known of the rider's stroke before and after; None where nobody reports any.

    `share` is the left share before and after, and whose it is.
    """
    if not shared.strokes:
        return None
    labels = shared.grid.labels
    source = source_of(shared, pair.i, copies)
    side, percent, u95 = _unit_change(pair, windows)
    unit = {"unit_side": side, "unit_change_percent": percent, "unit_u95_percent": u95}
    if source is None:
        return RiderStroke(None, **unit)  # type: ignore[arg-type]
    others = [(labels[j], shared.strokes[j]) for j in others_of(shared, source, copies)]
    alike = rpm_change is not None and abs(rpm_change) <= ALIKE_RPM and _power_alike(shared, windows)
    found = compared((labels[source], shared.strokes[source]), others, windows, alike)
    before, after, share_source = share
    if not (shared.strokes[source].position != "").any():
        noted = [position_of(shared.noted_positions, math.ceil(a), math.floor(b)) or None for a, b in windows]
        found = msgspec.structs.replace(found, position_before=noted[0], position_after=noted[1])
    return msgspec.structs.replace(
        found,
        share_before_percent=None if before is None else rounded(before, 1),
        share_after_percent=None if after is None else rounded(after, 1),
        share_source=None if share_source is None or before is None else labels[share_source],
        **unit,
    )


def _power_alike(shared: Shared, windows: tuple[Window, Window]) -> bool:
    means = []
    for from_s, to_s in windows:
        begin, end = shared.grid.clip((math.ceil(from_s), math.floor(to_s)))
        power = shared.grid.consensus_w[begin:end]
        power = power[np.isfinite(power)]
        means.append(float(power.mean()) if len(power) else math.nan)
    return bool(abs(means[1] - means[0]) <= ALIKE_POWER * max(means))


def _unit_change(pair: Pair, windows: tuple[Window, Window]) -> tuple[str | None, float | None, float | None]:
    """The side of the instrument that moved, else all of it, by how many percent, with the 95 %."""
    blocks = pair.blocks
    found: list[tuple[str, float, float]] = []
    for side, y in (("left", blocks.y_left), ("right", blocks.y_right), ("total", blocks.y)):
        parts = [_values(pair, y, w) for w in windows]
        if len(y) == 0 or min(len(p) for p in parts) < LEAST_BLOCKS:
            continue
        one, two = (interval(p, Spread()) for p in parts)
        if one is None or two is None:
            continue
        change = 100.0 * (math.exp(two.value - one.value) - 1.0)
        found.append((side, rounded(change, 1), rounded(100.0 * math.hypot(one.u95, two.u95), 1)))
    sides = [f for f in found if f[0] != "total" and abs(f[1]) > max(LEAST_SIDE_PERCENT, TO_99 * f[2])]
    # Both sides moved alike: that is the whole of it.
    if len(sides) == 1:
        return sides[0]
    return next((f for f in found if f[0] == "total"), (None, None, None))


def _values(pair: Pair, y: Floats, window: Window) -> Floats:
    if len(y) != len(pair.blocks.begin_s):
        return y[:0]
    begin = pair.blocks.begin_s
    values = y[pair.quiet & (begin >= window[0]) & (begin + BLOCK_S <= window[1])]
    result: Floats = values[np.isfinite(values)]
    return result
