"""When an act was done: who rides on first and then notes it, notes it late."""

import math
from collections.abc import Callable, Sequence

import numpy as np

from monitor.analysis.block import MIN_POWER_W
from monitor.study.parts.changes import SAME_CHANGE_S, ridden_between
from monitor.study.parts.common import Shared
from monitor.study.results import ShiftStudy

Changed = Callable[[float, float], bool]

LATE_S = 120.0
"""Who has ridden on for longer notes another stop (common practice, no source)."""
LEAST_STOP_S = 5
"""Zeroing or seating anew takes no less (common practice, no source)."""
AT_STOP_S = 5.0
"""An act noted so near to a stop is noted in time."""


def done_at(
    shared: Shared, label: str, noted_s: float, shifts: Sequence[ShiftStudy], changed_at: Changed
) -> float:
    """When an act on `label` that was noted at `noted_s` was done, session seconds.

    An instrument is zeroed, seated or set while nobody pedals. One that is noted while riding belongs to
    the stop before, but only if something changed there: else nothing contradicts the note. `changed_at`
    tells whether it surely did, between the begin of a stop and its end.
    """
    stop = _stop_before(shared, noted_s)
    if stop is None or noted_s - stop[1] <= AT_STOP_S:
        return noted_s
    for shift in shifts:
        own = shift.instrument == label and not shift.drift and shift.t_s < noted_s
        # A step is placed roughly, the end of a stop is not.
        if own and min(ridden_between(shared, shift.t_s, end) for end in stop) <= SAME_CHANGE_S:
            return stop[1]
    return stop[1] if changed_at(*stop) else noted_s


def _stop_before(shared: Shared, t_s: float) -> tuple[float, float] | None:
    """The last stop that began before a moment, from and to; None: there was none for so long."""
    begin, end = shared.grid.clip((math.floor(t_s - LATE_S), math.ceil(t_s)))
    with np.errstate(invalid="ignore"):
        still = ~(shared.grid.consensus_w[begin:end] >= MIN_POWER_W)
    run = 0
    for k in range(len(still) - 1, -1, -1):
        run = run + 1 if still[k] else 0
        if run >= LEAST_STOP_S and (k == 0 or not still[k - 1]):
            return float(begin + k), float(begin + k + run)
    return None
