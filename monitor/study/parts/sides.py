"""Why an instrument deviates, and which of its sides does."""

import math
from collections.abc import Sequence

import numpy as np

from monitor.analysis.block import BLOCK_S, Block
from monitor.analysis.diagnose import FOLLOWS_RIDER, Diagnosis, attribute, diagnose
from monitor.study.grid import Blocks, Bools
from monitor.study.parts.common import QUIET_EDGE, Shared
from monitor.study.parts.differences import judged
from monitor.study.results import SegmentStudy, SideResult, known, rounded


def diagnose_of(
    shared: Shared, i: int, segments: Sequence[SegmentStudy], own: bool = True
) -> Diagnosis | None:
    """Why the instrument deviates, from the blocks of the state in which it does so most.

    `own`: the deviation is its own for sure, else it is told as a difference.

    A state is what lies between two changes or acts. None: it does not deviate beyond
    its limit in any, and its line is that of the longest state.
    """
    blocks = shared.blocks[i]
    at = np.searchsorted(np.array(shared.cuts[i]), blocks.begin_s + 0.5 * BLOCK_S)
    quiet = blocks.edge_percent < QUIET_EDGE
    loss_w = max(shared.grid.losses[i].watts, shared.grid.base_loss(i).watts)
    usual = shared.usual[i]
    ends = [*shared.cuts[i], math.inf]
    best: tuple[float, Diagnosis] | None = None
    longest: tuple[int, Diagnosis] | None = None
    for state in range(len(shared.cuts[i]) + 1):
        mask = (at == state) & quiet
        found = shared.sure(i, mask)
        if found is None:
            continue
        rows = as_blocks(blocks, mask)
        diagnosis = diagnose(rows, "total", usual.sd, loss_w, not own)
        if shared.grid.follows_rider(i):
            diagnosis = FOLLOWS_RIDER
        if longest is None or found.n > longest[0]:
            longest = (found.n, diagnosis)
        deviation = abs(found.percent)
        limit = shared.grid.limit_percent(i, float(blocks.reference_w[mask].mean()))
        if deviation - found.u95 <= limit and not _differs_in(shared, i, state, segments):
            continue
        split = attribute(rows) if judges_sides(shared, i) else None
        told = told_one_side(shared, i, ends[state])
        side = split.named(told) if split is not None else None
        if split is not None and side is not None:
            side_w = split.left_w if side == "left" else split.right_w
            diagnosis = Diagnosis(
                "one-side", f"the {side} side makes {side_w:+z.1f} W of {split.total_w:+z.1f} W",
                "", diagnosis.gain, diagnosis.offset_nm, diagnosis.sd_gain, diagnosis.sd_offset_nm,
            )  # fmt: skip
        if best is None or deviation > best[0]:
            best = (deviation, diagnosis)
    if best is not None:
        return best[1]
    if longest is None:
        return None
    d = longest[1]
    return Diagnosis("unclear", "", d.ride, d.gain, d.offset_nm, d.sd_gain, d.sd_offset_nm)


def told_one_side(shared: Shared, i: int, to_s: float) -> bool:
    """Whether the monitor, when it last spoke of the total's deviation, explained it by a side."""
    told = [
        f.cause
        for f in shared.recording.findings
        if f.instrument == shared.grid.labels[i]
        and (f.kind, f.event) == ("power-off", "raised")
        and f.t_s <= to_s
    ]
    return told[-1:] == ["one-side"]


def judges_sides(shared: Shared, i: int) -> bool:
    """Whether a side of the instrument can be found wrong: a split computed from a total can't."""
    return shared.grid.instruments[i].sides != "computed"


def _differs_in(shared: Shared, i: int, state: int, segments: Sequence[SegmentStudy]) -> bool:
    """Whether a segment wholly in this state differs: an offset may do so at low torque alone."""
    cuts = [-math.inf, *shared.cuts[i], math.inf]
    return any(
        d.instrument == shared.grid.labels[i] and d.verdict == "differs"
        for s in segments
        if cuts[state] <= s.start_s + s.settle_s and s.end_s <= cuts[state + 1]
        for d in s.differences
    )


def by_side(shared: Shared, i: int) -> list[SideResult]:
    """Each side against that of the side reference, in the state where it deviates most."""
    grid = shared.grid
    side_reference = grid.side_references.get(i)
    if i not in shared.blocks or side_reference is None or grid.instruments[i].sides == "total":
        return []
    blocks = shared.blocks[i]
    state = np.searchsorted(np.array(shared.cuts[i]), blocks.begin_s + 0.5 * BLOCK_S)
    quiet = blocks.edge_percent < QUIET_EDGE
    result = []
    for side, watts in (("left", blocks.left_reference_w), ("right", blocks.right_reference_w)):
        found = []
        for p in range(len(shared.cuts[i]) + 1):
            mask = quiet & (state == p) & np.isfinite(blocks.ratios(side))
            sure = shared.sure_side(i, mask, side)
            if sure is None or sure.n < 2:
                continue
            u95 = sure.u95 if math.isfinite(sure.u95) else None
            limit = grid.side_limit_percent(i, float(watts[mask].mean()))
            begin = float(blocks.begin_s[mask][0])
            found.append(
                SideResult(
                    side, grid.labels[side_reference], begin, float(blocks.begin_s[mask][-1] + BLOCK_S),
                    rounded(sure.percent, 3), known(u95, 3), rounded(limit, 3),
                    judged(sure.percent, u95, limit) if judges_sides(shared, i) else "undecided",
                )
            )  # fmt: skip
        if found:
            # What is sure counts before what is large.
            result.append(max(found, key=lambda r: (r.verdict == "differs", abs(r.deviation_percent))))
    return result


def both_sides_percent(shared: Shared, i: int) -> float | None:
    """What one that doubles a side reads against both sides of the other, percent, as left; else None."""
    grid = shared.grid
    j = grid.side_references.get(i)
    if i not in shared.blocks or j is None or not grid.one_sided(i) or i not in shared.left:
        return None
    begin_s = shared.blocks[i].begin_s[shared.left[i]]
    if not len(begin_s):
        return None
    rows = begin_s[:, None] + np.arange(BLOCK_S)
    own = grid.moved(i, grid.lag_s(i) - grid.lag_s(j))[rows]
    both = grid.crank_w[:, j][rows]
    known = np.isfinite(own) & np.isfinite(both)
    return rounded(100.0 * (own[known].sum() / both[known].sum() - 1.0), 1) if known.any() else None


def as_blocks(blocks: Blocks, mask: Bools) -> list[Block]:
    """Rows for the diagnosis, in the form that the live comparison makes."""
    rows = []
    for k in np.flatnonzero(mask).tolist():
        rows.append(
            Block(
                int(blocks.begin_s[k]) + BLOCK_S,
                float(blocks.y[k]),
                float(blocks.own_w[k]),
                float(blocks.reference_w[k]),
                _number(blocks.cadence_rpm[k]),
                float(blocks.edge_percent[k]),
                _number(blocks.y_left[k]),
                _number(blocks.y_right[k]),
                _number(blocks.left_w[k]),
                _number(blocks.right_w[k]),
                _number(blocks.left_reference_w[k]),
                _number(blocks.right_reference_w[k]),
            )
        )
    return rows


def _number(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None
