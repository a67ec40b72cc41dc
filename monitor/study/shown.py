"""Two accounts of one instrument: the power it shows, which every display takes, and the power it counts.

Torque and turns are exact where packets are lost, so the work curve is made of them. What is judged
is what a rider sees.
"""

import math
from typing import NamedTuple

import numpy as np

from monitor.analysis.block import MIN_POWER_W
from monitor.analysis.statistics import Floats, t_975
from monitor.study.recording import Recording

WINDOW_S = 30
"""Both accounts are compared over this long: shorter, smoothing of what is shown would count."""
EVEN = 0.1
"""Only windows whose ten-second means differ by less than this part: what is shown comes late."""
LEAST_WINDOWS = 4
LEAST_READINGS = 10
"""Fewer shown values in a window are no mean of it."""
LEAST_RATIO = 0.005
"""Rounding to whole watts and whole turns makes less than half a percent (common practice, no source)."""


class Ratio(NamedTuple):
    """Power shown over power counted, and its standard deviation."""

    ratio: float
    sd: float
    u95: float

    @property
    def leaves_one(self) -> bool:
        """Whether the accounts differ: by more than LEAST_RATIO and three standard deviations."""
        return abs(self.ratio - 1.0) > max(LEAST_RATIO, 3.0 * self.sd)


def shown_over_counted(recording: Recording, i: int, counted_w: Floats) -> Ratio | None:
    """The ratio of both accounts of instrument `i` over even windows; None where there is too little.

    `counted_w` has one value a second (nan: not known). An instrument whose work is made of what it
    shows gives one, within the way its values are held.
    """
    rows = recording.shown[i] if i < len(recording.shown) else np.zeros((0, 2))
    n = len(counted_w) // WINDOW_S
    if not len(rows) or not n:
        return None
    window = (rows[:, 0] // WINDOW_S).astype(np.int64)
    ratios = []
    for k in range(n):
        second = counted_w[k * WINDOW_S : (k + 1) * WINDOW_S]
        if not np.isfinite(second).all() or float(second.min()) < MIN_POWER_W / 3:
            continue
        thirds = second.reshape(3, -1).mean(axis=1)
        mean_w = float(second.mean())
        if mean_w < MIN_POWER_W or float(thirds.max() - thirds.min()) > EVEN * mean_w:
            continue
        shown = rows[window == k, 1]
        if len(shown) >= LEAST_READINGS:
            ratios.append(float(shown.mean()) / mean_w)
    if len(ratios) < LEAST_WINDOWS:
        return None
    values = np.array(ratios)
    # A window in which packets were held back is no measure of the instrument.
    middle = float(np.median(values))
    spread = max(1e-4, 1.4826 * float(np.median(np.abs(values - middle))))
    kept = values[np.abs(values - middle) <= 4.0 * spread]
    sd = float(kept.std(ddof=1)) / math.sqrt(len(kept)) if len(kept) > 1 else spread
    return Ratio(float(kept.mean()), sd, t_975(max(1.0, len(kept) - 1.0)) * sd)
