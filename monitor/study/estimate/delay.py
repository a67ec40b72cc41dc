"""By how much an instrument comes later than another over a whole session, and how sure that is."""

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from monitor.analysis.block import MIN_POWER_W
from monitor.analysis.lag import Lag, Timing, estimate_lag, slope_lag
from monitor.analysis.statistics import Floats

Bools = npt.NDArray[np.bool_]

LAG_REACH_S = 6.0
LAG_PIECE_S = 1800
"""A lag is read from pieces of at most this length, and the likest piece counts."""
LEAST_PIECE_S = 60
REST_S = 3
"""So near to a rest no step says how late an instrument is: the last turn before a rest is only reported with
the first one after it, and is laid on the time between."""
KNOWN_SD_S = 0.4
"""A lag that is less sure than this is not known."""
KNOWN_LAG_S, UNKNOWN_LAG_S = 0.5, 5.0
"""What a difference in timing may still be: with the lag found and corrected, values that are new once a
second are half a second early or late; without."""


@dataclass(frozen=True, slots=True)
class Delay:
    """By how many seconds an instrument comes later than the base of all lags.

    `u95_s` is its 95 % half-width, None where there is too little to tell; `bound_s` what may be
    left of it once it is corrected; `correlation` that of the steps, None where slopes told.
    """

    lag_s: float
    u95_s: float | None
    bound_s: float
    correlation: float | None = None


def delay_of(base_w: Floats, own_w: Floats, likely: Timing) -> Delay | None:
    """Delay of `own_w` behind `base_w`, watts at 1 Hz, nan where not known; None where it can't be told.

    The steps of what was ridden between rests say where to look, the slopes of all of it how late it is.
    Where both differ, averaging is no mere delay: so much is left open. `likely` is what their kinds tell.
    """
    with np.errstate(invalid="ignore"):
        ridden = (base_w >= MIN_POWER_W) & (own_w >= MIN_POWER_W)
    step = step_lag(base_w, own_w, without_rests(ridden))
    # Where nothing but starting and stopping was ridden, that has to do.
    rough = None if step is not None else step_lag(base_w, own_w, np.isfinite(base_w) & np.isfinite(own_w))
    a, b = (np.where(ridden, w, np.nan) for w in (base_w, own_w))
    near = step or rough
    fit = slope_lag(a, b, likely, near.lag_s if near is not None else likely.lag_s)
    if fit is not None:
        data, before = 1.0 / fit.sd_s**2, 1.0 / likely.sd_s**2
        lag_s = (data * fit.lag_s + before * likely.lag_s) / (data + before)
        sd_s = 1.0 / math.sqrt(data + before)
        if sd_s < KNOWN_SD_S:
            apart_s = abs(step.lag_s - fit.lag_s) if step is not None else 0.0
            half_s = math.hypot(1.96 * sd_s, apart_s)
            bound_s = min(UNKNOWN_LAG_S, KNOWN_LAG_S + half_s)
            return Delay(lag_s, half_s, bound_s, step.correlation if step is not None else None)
    if near is None:
        return None
    return Delay(near.lag_s, None, 2.0 * KNOWN_LAG_S, near.correlation)


def step_lag(a: Floats, b: Floats, known: Bools) -> Lag | None:
    """What the likest piece says whose steps both instruments show; a lag can't be read across a hole."""
    found = []
    for begin, end in stretches(known):
        for at in range(begin, end, LAG_PIECE_S):
            stop = min(end, at + LAG_PIECE_S)
            lag = estimate_lag(a[at:stop], b[at:stop], 1.0) if stop - at >= LEAST_PIECE_S else None
            if lag is not None and lag.trusted and abs(lag.lag_s) <= LAG_REACH_S:
                found.append(lag)
    return max(found, key=lambda lag: lag.correlation, default=None)


def without_rests(ridden: Bools) -> Bools:
    """Seconds that are ridden, and all within REST_S of them too."""
    result: Bools = ridden.copy()
    for by in range(1, REST_S + 1):
        result[by:] &= ridden[:-by]
        result[:-by] &= ridden[by:]
    return result


def stretches(mask: Bools) -> list[tuple[int, int]]:
    """Runs of True as (begin, end)."""
    edges = np.flatnonzero(np.diff(np.concatenate(([0], mask.astype(np.int8), [0]))))
    return [(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]
