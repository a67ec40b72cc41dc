"""The second of a step: blocks of ten seconds tell it but to ten seconds, the seconds beside it to a few."""

import math
from collections.abc import Mapping

import numpy as np

from monitor.analysis.block import MIN_POWER_W
from monitor.analysis.curve import COVERED, LEFT, SIDED, WORK, Ring
from monitor.analysis.statistics import Floats
from monitor.finding import Side

NEAR_S = 12
"""So far from where the blocks place it a step may be: their own length and a little more."""
BEFORE_S = 22
"""So far before the beginning of the shortest window that shows it: it is seen once it fills half of that."""
LEVEL_S = 40
"""The levels on either side are read from so many seconds, those near the step left out."""
LEAST_LEVEL_S = 6
"""Fewer seconds are no level (common practice, no source)."""
KNOWN = 0.9
"""Of a second so much must be covered to count."""
LEAST_SPREAD = 1e-8
"""Square of a log ratio."""
KNOWN_S = 5.0
"""A second that is known to less, a standard deviation, is not told by the seconds."""
SLOW = 2.0
"""Neighbouring seconds share what a turn of the crank spreads over them: so many are worth one (common
practice, no source)."""


def moment(
    ring: Ring, own: int, others: Mapping[int, float], side: Side, step_s: float, back_s: int = NEAR_S
) -> float:
    """When instrument `own` stepped against the median of `others`; each with the seconds `own` is later by.

    `step_s` is where the blocks place it, and what comes back where the seconds can't tell. The step may be
    `back_s` before that.

    Each second near it may be the one, by how well two levels that part there fit: the mean of them, weighed
    so, is nearest to the truth. Fails where load and reading change together within those seconds.
    """
    at = round(step_s)
    # The later one shows the same second afterwards.
    behind = {j: round(lag_s) for j, lag_s in others.items()}
    first = max(at - back_s - LEVEL_S, ring.oldest + max(0, *behind.values()), ring.oldest)
    last = min(at + LEVEL_S, ring.end + min(0, *behind.values()))
    if last - first < 2 * LEAST_LEVEL_S:
        return step_s
    mine = _power(ring, own, side, first, last)
    every = [_power(ring, j, side, first - late, last - late) for j, late in behind.items()]
    theirs = every[0] if len(every) == 1 else np.median(every, axis=0)
    with np.errstate(invalid="ignore", divide="ignore"):
        y = np.log(mine / theirs)
    t = np.arange(first, last)
    good = np.isfinite(y)
    to_s = min(at + NEAR_S, last - LEAST_LEVEL_S)
    before, after = good & (t < at - back_s), good & (t >= to_s)
    beside = (t >= at - back_s) & (t < to_s)
    if min(int(before.sum()), int(after.sum())) < LEAST_LEVEL_S:
        return step_s
    low, high = float(np.median(y[before])), float(np.median(y[after]))
    # Two that read the same to the digit leave no scatter at all.
    spread = max(LEAST_SPREAD, float(np.var(np.concatenate([y[before] - low, y[after] - high]))))
    near = good & beside
    if not near.any():
        return step_s
    # Of each second, how much better it fits to the level before; all before the cut, and all from it on.
    gain = np.zeros(len(t))
    gain[near] = ((y[near] - high) ** 2 - (y[near] - low) ** 2) / (2.0 * SLOW * spread)
    inside = np.flatnonzero(beside)
    fits = np.concatenate([[0.0], np.cumsum(gain[inside])])
    weight = np.exp(fits - fits.max())
    weight /= weight.sum()
    cuts = float(t[inside[0]]) + np.arange(len(fits))
    mean = float(weight @ cuts)
    # A drift, or a step in noise, parts nowhere: then the blocks know as much.
    return float(round(mean)) if float(weight @ (cuts - mean) ** 2) <= KNOWN_S**2 else step_s


def _power(ring: Ring, i: int, side: Side, begin: int, end: int) -> Floats:
    """Power (W) of each second of an instrument or of a side; nan where it isn't known."""
    work = ring.series(begin, end, WORK)[:, i]
    covered = ring.series(begin, end, COVERED if side == "total" else SIDED)[:, i]
    if side != "total":
        left = ring.series(begin, end, LEFT)[:, i]
        work = left if side == "left" else work - left
    least_w = MIN_POWER_W if side == "total" else 0.5 * MIN_POWER_W
    return np.where((covered >= KNOWN) & (work >= least_w), work, math.nan)
