"""All blocks of an instrument in groups: by load, torque, cadence and power; agreement and torque line."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from monitor.analysis.blockstats import components, limits_of_agreement
from monitor.study.estimate.line import line_over
from monitor.study.estimate.sure import BETWEEN, EDGES, SCATTER, Between, Levels, between_of
from monitor.study.grid import Bools
from monitor.study.parts.common import Shared
from monitor.study.parts.conditions.ridden import CADENCE_BINS_RPM, gears_of, range_name
from monitor.study.parts.differences import judged, load_of
from monitor.study.parts.stroke.session import stroke_groups
from monitor.study.results import Agreement, Split, TorqueLine, known, rounded

TORQUE_BINS_NM = (0.0, 12.0, 20.0, 28.0, 36.0, 48.0, math.inf)
LEAST_BLOCKS = 3
"""Of a segment that has a level of its own."""
LEAST_DOF = 3.0
"""Fewer segments under one condition do not tell how far they lie apart."""
POWER_BINS_W = (0.0, 125.0, 175.0, 225.0, 275.0, 350.0, math.inf)


@dataclass(frozen=True, slots=True)
class _Group:
    """Blocks that have something in common: `mask` of them, and the edges of what they share, if any."""

    by: str
    name: str
    mask: Bools
    low: float | None = None
    high: float | None = None


def splits_of(shared: Shared, copies: Mapping[int, int], state: Mapping[int, Bools]) -> list[Split]:
    """Every instrument over the blocks of one `state`, and those of each load, torque, cadence and power.

    Also of each stroke, where that is reported and was ridden in more than one way. `copies`: heard twice.
    """
    result = []
    for i, quiet in state.items():
        blocks = shared.blocks[i]
        loads = [load_of(shared, s, *shared.grid.clip(s.window())) for s in shared.spans]
        by_load = np.array([loads[k] for k in blocks.segment.tolist()], dtype=object)
        groups = [_Group("all", "all", quiet)]
        groups += [_Group("load", load, (by_load == load) & quiet) for load in sorted(set(loads))]
        for by, values, bins, unit in (
            ("torque", blocks.torque_nm, TORQUE_BINS_NM, "N·m"),
            ("cadence", blocks.cadence_rpm, CADENCE_BINS_RPM, "rpm"),
            ("power", blocks.reference_w, POWER_BINS_W, "W"),
        ):
            for low, high in pairwise(bins):
                with np.errstate(invalid="ignore"):
                    inside = (values >= low) & (values < high) & quiet
                top = None if high == math.inf else high
                groups.append(_Group(by, range_name(low, high, unit), inside, low, top))
        gears = gears_of(shared, i)
        known = sorted(set(gears[quiet].tolist()) - {""})
        groups += [_Group("gear", gear, (gears == gear) & quiet) for gear in known if len(known) > 1]
        groups += [
            _Group(g.by, g.name, g.mask & quiet, g.low, g.high) for g in stroke_groups(shared, i, copies)
        ]
        spreads = {
            by: _between(shared, i, [g.mask for g in groups if g.by == by]) for by in {g.by for g in groups}
        }
        for group in groups:
            split = _split(shared, i, group, spreads[group.by])
            if split is not None:
                result.append(split)
    return result


def _between(shared: Shared, i: int, masks: Sequence[Bools]) -> Between | None:
    """How far segments that were ridden under one condition lie apart; None: too few to tell.

    What a condition makes of an instrument parts its groups, and is no uncertainty of either.
    """
    blocks, noise = shared.blocks[i], shared.noise[i]
    if len(masks) < 2 or noise.variance <= 0.0:
        return None
    levels = []
    for mask in masks:
        each = [mask & (blocks.segment == k) for k in np.unique(blocks.segment[mask])]
        long = [m for m in each if m.sum() >= LEAST_BLOCKS]
        levels.append(Levels([(float(blocks.y[m].mean()), noise.of_mean(blocks.begin_s[m])) for m in long]))
    found = between_of(levels)
    return found if found.dof >= LEAST_DOF else None


def _split(shared: Shared, i: int, group: _Group, between: Between | None) -> Split | None:
    mask = group.mask
    blocks = shared.blocks[i]
    sure = shared.sure(i, mask, between)
    if sure is None:
        return None
    reference_w = float(blocks.reference_w[mask].mean())
    u95 = sure.u95 if math.isfinite(sure.u95) else None
    limit = shared.grid.limit_percent(i, reference_w)
    return Split(
        group.by, group.name, shared.grid.labels[i], shared.grid.reference_label(i) or "", sure.n,
        rounded(sure.percent, 3),
        known(u95, 3), rounded(limit, 3), judged(sure.percent, u95, limit),
        low=group.low, high=group.high,
    )  # fmt: skip


def agreement_of(shared: Shared, i: int, quiet: Bools) -> Agreement | None:
    """Limits of agreement of instrument `i` over the blocks of one state; None for fewer than three."""
    blocks = shared.blocks[i]
    y = blocks.y[quiet]
    sure = shared.sure(i, quiet)
    if sure is None or sure.n < 3:
        return None
    of = blocks.segment[quiet]
    parts = components([y[of == k] for k in range(len(shared.spans))])
    limits = limits_of_agreement(y, parts.total if parts is not None else sure.sd)
    return Agreement(
        shared.grid.labels[i],
        shared.grid.reference_label(i) or "",
        sure.n,
        rounded(100.0 * math.expm1(limits.bias), 3),
        known(sure.of(SCATTER, BETWEEN, EDGES), 3),
        rounded(100.0 * limits.sd, 3),
        rounded(100.0 * math.expm1(limits.lower), 3),
        rounded(100.0 * math.expm1(limits.upper), 3),
        known(100.0 * parts.within, 3) if parts else None,
        known(100.0 * parts.between, 3) if parts else None,
    )


def line_of(shared: Shared, i: int) -> TorqueLine | None:
    """The line of instrument `i` in its state as left; None where none can be laid."""
    line = line_over(shared, i, shared.left[i])
    if line is None:
        return None
    fit = line.fit
    at_mean = (fit.gain - 1.0) * fit.mean_nm + fit.offset_nm
    return TorqueLine(
        shared.grid.labels[i], shared.grid.reference_label(i) or "", fit.n, *line.rounded,
        rounded(fit.mean_nm, 3), rounded(at_mean, 4), rounded(100.0 * at_mean / fit.mean_nm, 3),
        rounded(line.low_nm, 3), rounded(line.high_nm, 3), fit.apart,
    )  # fmt: skip
