"""All blocks of an instrument in groups: by load, torque, cadence and power; agreement and torque line."""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from monitor.analysis.blockstats import components, limits_of_agreement
from monitor.analysis.diagnose import torque_line
from monitor.analysis.expected import LOSS_SPREAD
from monitor.study.grid import Bools
from monitor.study.parts.common import Shared
from monitor.study.parts.differences import judged, load_of
from monitor.study.parts.stroke.session import stroke_groups
from monitor.study.results import Agreement, Split, TorqueLine, known, rounded

TORQUE_BINS_NM = (0.0, 12.0, 20.0, 28.0, 36.0, 48.0, math.inf)
CADENCE_BINS_RPM = (0.0, 65.0, 80.0, 95.0, 110.0, math.inf)
POWER_BINS_W = (0.0, 125.0, 175.0, 225.0, 275.0, 350.0, math.inf)


@dataclass(frozen=True, slots=True)
class _Group:
    """Blocks that have something in common: `mask` of them, and the edges of what they share, if any."""

    by: str
    name: str
    mask: Bools
    low: float | None = None
    high: float | None = None


def splits_of(shared: Shared, copies: Mapping[int, int]) -> list[Split]:
    """Every instrument over its quiet blocks as left, and those of each load, torque, cadence and power.

    Also of each stroke, where that is reported and was ridden in more than one way. `copies`: heard twice.
    """
    result = []
    for i in shared.compared:
        blocks = shared.blocks[i]
        quiet = shared.left[i]
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
                name = f"over {low:g} {unit}" if high == math.inf else f"{low:g} to {high:g} {unit}"
                groups.append(_Group(by, name, inside, low, None if high == math.inf else high))
        groups += [
            _Group(g.by, g.name, g.mask & quiet, g.low, g.high) for g in stroke_groups(shared, i, copies)
        ]
        for group in groups:
            split = _split(shared, i, group)
            if split is not None:
                result.append(split)
    return result


def _split(shared: Shared, i: int, group: _Group) -> Split | None:
    mask = group.mask
    blocks = shared.blocks[i]
    found = shared.mean(i, mask)
    if found is None:
        return None
    reference_w = float(blocks.reference_w[mask].mean())
    deviation = 100.0 * math.expm1(found.value)
    u95 = None
    if math.isfinite(found.u95):
        edge = float(blocks.edge_percent[mask].mean()) / math.sqrt(found.n)
        u95 = math.hypot(100.0 * found.u95, 1.96 * shared.grid.u_loss_percent(i, reference_w)) + edge
    limit = shared.grid.limit_percent(i, reference_w)
    return Split(
        group.by, group.name, shared.grid.labels[i], shared.grid.reference_label(i) or "", found.n,
        rounded(deviation, 3),
        known(u95, 3), rounded(limit, 3), judged(deviation, u95, limit),
        low=group.low, high=group.high,
    )  # fmt: skip


def agreement_of(shared: Shared, i: int) -> Agreement | None:
    """Limits of agreement of instrument `i`; None for fewer than three blocks."""
    blocks = shared.blocks[i]
    quiet = shared.left[i]
    y = blocks.y[quiet]
    found = shared.mean(i, quiet)
    if found is None or found.n < 3:
        return None
    of = blocks.segment[quiet]
    parts = components([y[of == k] for k in range(len(shared.spans))])
    limits = limits_of_agreement(y, parts.total if parts is not None else found.sd)
    return Agreement(
        shared.grid.labels[i],
        shared.grid.reference_label(i) or "",
        found.n,
        rounded(100.0 * math.expm1(limits.bias), 3),
        known(100.0 * found.u95, 3),
        rounded(100.0 * limits.sd, 3),
        rounded(100.0 * math.expm1(limits.lower), 3),
        rounded(100.0 * math.expm1(limits.upper), 3),
        known(100.0 * parts.within, 3) if parts else None,
        known(100.0 * parts.between, 3) if parts else None,
    )


def line_of(shared: Shared, i: int) -> TorqueLine | None:
    """Torque of instrument `i` over that of its reference; None where no line can be laid."""
    blocks = shared.blocks[i]
    x = blocks.torque_nm
    good = np.isfinite(x) & shared.left[i]
    x = x[good]
    y = x * np.exp(blocks.y[good])
    line = torque_line(x, y)
    if line is None:
        return None
    loss_w = max(shared.grid.losses[i].watts, shared.grid.base_loss(i).watts)
    loss_percent = max(shared.grid.losses[i].percent, shared.grid.base_loss(i).percent)
    omega = float(np.mean(blocks.own_w[good] / y))
    # The loss model is known to a fifth: its watts look like an offset, its percent like a gain.
    sd_gain = math.hypot(line.sd_gain, LOSS_SPREAD * loss_percent / 100.0)
    sd_offset = math.hypot(line.sd_offset, LOSS_SPREAD * loss_w / omega)
    at_mean = line.predict(line.mean_x)[0] - line.mean_x
    return TorqueLine(
        shared.grid.labels[i], shared.grid.reference_label(i) or "", line.n, rounded(line.gain, 5),
        rounded(1.96 * sd_gain, 5), rounded(line.offset, 4), rounded(1.96 * sd_offset, 4),
        rounded(line.mean_x, 3), rounded(at_mean, 4), rounded(100.0 * at_mean / line.mean_x, 3),
        rounded(float(x.min()), 3), rounded(float(x.max()), 3), line.separable,
    )  # fmt: skip
