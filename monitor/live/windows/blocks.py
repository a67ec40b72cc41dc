"""Ten seconds of one instrument against its reference, taken as a block where the riding lets them be one."""

import math

from monitor.analysis.block import BLOCK_S, MIN_POWER_W, Block
from monitor.analysis.curve import COVERED, LEFT, REVS, SIDED, TURNED, WORK
from monitor.analysis.statistics import Floats
from monitor.live.pair import Pair, Window
from monitor.live.windows.windows import Windows

# All common practice, no source.
BLOCK_EDGE_PERCENT = 6.0
"""A block whose ends may move it by more than this is not taken at all."""
VERDICT_EDGE_PERCENT = 2.0
"""One whose ends may move it by more than this is no part of the verdict."""
LEAST_BLOCK_W = MIN_POWER_W / 2
"""Nor is one taken of less power."""
LAG_SIGMAS = 2.0
"""Standard deviations of a lag that its ends may move by."""
LEAST_RATIO = -0.95
"""A block never counts as a greater loss than this: its logarithm would leave the scale."""
TURNED_PART = 0.5
"""Of a block's seconds so many must have known revolutions for its cadence."""
UNSIDED_S = 0.5
"""Seconds of a block that the other instrument may leave without sides."""


def take_block(windows: Windows, i: int, pair: Pair, end: int, since: int) -> None:
    """Add the block of instrument `i` that ends now to its pair, if it can be one; nothing before `since`
    is read.

    Where the load changes amid a block, the two around the change are taken as one: then the
    change lies within, where it can't mislead.
    """
    begin = end - (2 * BLOCK_S if pair.uneven else BLOCK_S)
    window = windows.window(i, pair, begin, end) if begin >= since else None
    if window is None and pair.uneven:
        begin = end - BLOCK_S
        window = windows.window(i, pair, begin, end) if begin >= since else None
    if (
        window is None
        or window.power_w < LEAST_BLOCK_W
        or window.edge + LAG_SIGMAS * window.u_lag > BLOCK_EDGE_PERCENT
    ):
        pair.uneven = window is not None and begin == end - BLOCK_S
        for noise in (pair.noise, pair.noise_left, pair.noise_right):
            noise.update(None)
        return
    pair.uneven = False
    _add(windows.ring.window(begin, end), i, pair, window)


def _add(rows: Floats, i: int, pair: Pair, window: Window) -> None:
    begin, end, side = window.begin_s, window.end_s, pair.side
    y = _log_ratio(window.deviation)
    edge = window.edge + LAG_SIGMAS * window.u_lag
    side_edge = window.side_edge + LAG_SIGMAS * window.u_side_lag
    calm = side_edge <= BLOCK_EDGE_PERCENT
    y_left = _log_ratio(window.left) if calm and window.left is not None else None
    y_right = _log_ratio(window.right) if calm and window.right is not None else None
    if edge < VERDICT_EDGE_PERCENT:
        pair.verdict.update(y)
        if y_left is not None and side_edge < VERDICT_EDGE_PERCENT:
            pair.verdict_left.update(y_left)
        if y_right is not None and side_edge < VERDICT_EDGE_PERCENT:
            pair.verdict_right.update(y_right)
    cadence = _cadence(rows, i, TURNED_PART * (end - begin))
    load = window.reference_w / (cadence or 1.0)
    pair.noise.update(y, load)
    pair.noise_left.update(y_left, load)
    pair.noise_right.update(y_right, load)
    left_ref = right_ref = None
    if side is not None and rows[side, SIDED] > end - begin - UNSIDED_S:
        left_ref = float(rows[side, LEFT] / rows[side, SIDED])
        right_ref = float(rows[side, WORK] / rows[side, COVERED]) - left_ref
    pair.blocks.append(
        Block(
            end, y, window.power_w, window.reference_w, cadence, edge, y_left, y_right,
            window.left_w, window.right_w, left_ref, right_ref, end - begin,
        )
    )  # fmt: skip


def _log_ratio(percent: float) -> float:
    return math.log1p(max(LEAST_RATIO, percent / 100.0))


def _cadence(rows: Floats, i: int, least_s: float) -> float | None:
    """The cadence (rpm) of an instrument, else of the first that tells one for `least_s`; None: none does."""
    for j in (i, *range(len(rows))):
        if rows[j, TURNED] > least_s:
            return float(60.0 * rows[j, REVS] / rows[j, TURNED])
    return None
