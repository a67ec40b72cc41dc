"""What the ends of a window do to a comparison: seconds left out at its end, and what timing leaves open.

Whatever of a load a late or averaging instrument still carries at the end of a window, it lacks at the
beginning, and both hardly matter where the load is even. Where it steps, the last seconds belong to nobody:
riders begin the next effort early, and instruments average over the boundary.
"""

import numpy as np
import numpy.typing as npt

from monitor.analysis.statistics import Floats

Ints = npt.NDArray[np.int64]

TAIL_S = 2
"""So many seconds before the end of a segment are not compared (common practice, no source)."""
LEAST_TRIMMED_S = 30
"""Of a shorter window nothing is left out: there is too little of it."""


def inner(begin: int, end: int) -> tuple[int, int]:
    """The seconds [begin, end) of a window that are compared."""
    return (begin, end - TAIL_S) if end - begin >= LEAST_TRIMMED_S else (begin, end)


def edge_percent(
    own_w: Floats, reference_w: Floats, begin: Floats | Ints, end: Floats | Ints, bound_s: float
) -> Floats:
    """The most by which the mean over each window changes, percent, if it is read up to `bound_s` off.

    Both series are of the whole session, watts at 1 Hz, nan where not known: what lies beside a
    window decides. What is not known is taken as even. `begin` and `end` are seconds of windows.
    """
    first, last = np.asarray(begin, dtype=np.float64), np.asarray(end, dtype=np.float64)
    worst = np.zeros(len(first))
    knots = np.arange(len(reference_w) + 1.0)
    for series in (own_w, reference_w):
        known = np.flatnonzero(np.isfinite(series))
        if not len(known):
            continue
        even = np.interp(np.arange(len(series)), known, series[known])
        work = np.concatenate(([0.0], np.cumsum(even)))
        base = np.interp(last, knots, work) - np.interp(first, knots, work)
        for off_s in (-bound_s, -0.5 * bound_s, 0.5 * bound_s, bound_s):
            moved = np.interp(last + off_s, knots, work) - np.interp(first + off_s, knots, work)
            with np.errstate(invalid="ignore", divide="ignore"):
                worst = np.maximum(worst, np.nan_to_num(np.abs(moved / base - 1.0)))
    result: Floats = 100.0 * worst
    return result
