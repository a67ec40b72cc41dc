"""Two accounts of one instrument over a whole session; `monitor.analysis.accounts` says what they are."""

import numpy as np

from monitor.analysis.accounts import LEAST_PER_S, Ratio, is_even, is_led_in, ratio_of
from monitor.analysis.statistics import Floats
from monitor.study.recording import Recording

LATE_S = 10
"""A display that averages is late by no more (common practice, no source)."""
WINDOW_S = 30
"""Both accounts are compared over this long: shorter, smoothing of what is shown would count."""


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
        # What is shown comes late: what was ridden right before the window is shown in it.
        before = counted_w[max(0, k * WINDOW_S - LATE_S) : k * WINDOW_S]
        if not is_even(second.tolist()) or not is_led_in(before.tolist(), float(second.mean())):
            continue
        shown = rows[window == k, 1]
        if len(shown) >= LEAST_PER_S * WINDOW_S:
            ratios.append(float(shown.mean()) / float(second.mean()))
    return ratio_of(ratios)
