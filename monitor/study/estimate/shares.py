"""Of which seconds the sides tell nothing: a share that moves, and a side that hardly works."""

import numpy as np
import numpy.typing as npt

from monitor.analysis.block import LEAST_SIDE_PART
from monitor.analysis.statistics import Floats

Bools = npt.NDArray[np.bool_]

LEVEL_S = 3
"""A share is read from so many seconds on either side: a rider's turns differ from one to the next."""
MOVED = 0.12
"""Shares of neighbouring seconds that differ by more are of a rider, or a meter, in between (common practice,
no source)."""
USUAL_TIMES = 4.0
"""A meter whose shares always leap moves only where they leap so many times as far as usual."""
BESIDE_S = 2
"""So many seconds beside a move tell nothing either: shares come late, and stand for turns that are over."""


def unsettled(left_w: Floats, right_w: Floats) -> Bools:
    """The seconds, (n,), in which what one instrument tells of its sides is on the way between two levels.

    Work of a second is shared out by what was told last: where the share moves, one side is told work of the
    other one. A share that never stands still (more than USUAL_TIMES its own median leap are needed) is the
    meter's way to tell it, and nothing of it is left out. Fails for one that leaps every few seconds between
    long levels only: as many seconds are left out as it leaps.
    """
    n = len(left_w)
    if n < 2 * LEVEL_S:
        return np.zeros(n, dtype=bool)
    both = left_w + right_w
    sums_left, sums = (np.concatenate(([0.0], np.cumsum(np.nan_to_num(x)))) for x in (left_w, both))
    with np.errstate(invalid="ignore", divide="ignore"):
        share = (sums_left[LEVEL_S:] - sums_left[:-LEVEL_S]) / (sums[LEVEL_S:] - sums[:-LEVEL_S])
    leap = np.full(n, np.nan)
    leap[LEVEL_S : n - LEVEL_S + 1] = np.abs(share[LEVEL_S:] - share[:-LEVEL_S])
    known = np.isfinite(leap)
    if not known.any():
        return np.zeros(n, dtype=bool)
    moves = known & (leap > max(MOVED, USUAL_TIMES * float(np.median(leap[known]))))
    result: Bools = np.zeros(n, dtype=bool)
    for at in np.flatnonzero(moves).tolist():
        result[max(0, at - BESIDE_S) : at + BESIDE_S] = True
    return result


def idle(own_left_w: Floats, own_right_w: Floats, left_w: Floats, right_w: Floats) -> tuple[Bools, Bools]:
    """The seconds in which both of two instruments tell that the left side, the right side hardly works.

    What they differ by there is no measure of either: a step of a share is a third of a side that makes
    three percent. A side that works for one of them only is a difference.
    """
    with np.errstate(invalid="ignore"):
        own = own_left_w + own_right_w
        theirs = left_w + right_w
        return (
            (own_left_w < LEAST_SIDE_PART * own) & (left_w < LEAST_SIDE_PART * theirs),
            (own_right_w < LEAST_SIDE_PART * own) & (right_w < LEAST_SIDE_PART * theirs),
        )
