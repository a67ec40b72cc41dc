"""Laying work and turns on the curve of one instrument."""

import math
from typing import NamedTuple

from monitor.analysis.curve import Curve
from monitor.analysis.work.arrivals import Arrivals
from monitor.analysis.work.showing import HELD_S
from monitor.analysis.work.sides import Sides

FIRST_TURN_S = 0.6
"""Seconds. A turn from standstill takes so long at least (100 rpm at once: common practice, no source)."""
LATE_TURN_S = 0.05
"""Seconds. Work whose time has been told of already is laid on so short a time before its event."""


class _Held(NamedTuple):
    """Power that came at the end of a silence and may have more behind it."""

    power_w: float
    turns_per_s: float | None
    updates: int


class Laying:
    """Knows up to where work and turns are told, and keeps what has no time of its own until it has one."""

    __slots__ = (
        "_arrivals",
        "_before_s",
        "_held_begin_s",
        "_held_bridged_s",
        "_held_s",
        "_opened_s",
        "_sides",
        "curve",
        "held",
        "rested",
    )

    def __init__(self, sides: Sides, arrivals: Arrivals) -> None:
        self.curve = Curve()
        self._sides, self._arrivals = sides, arrivals
        self.held: list[_Held] = []
        self._held_s = -math.inf
        self._held_begin_s = 0.0
        self._held_bridged_s = HELD_S
        self.rested = False
        """Whether the crank rested last."""
        self._opened_s = -math.inf
        self._before_s = 0.0

    def open(self, t_s: float, serves: bool) -> None:
        """Begin a stretch of known work here: what was before stays missing."""
        curve = self.curve
        if serves and t_s > curve.worked_s:
            self._before_s = max(0.0, curve.worked_s)
            self._opened_s = curve.worked_s = t_s
        if t_s > curve.turned_s:
            curve.turned_s = t_s

    def power(
        self,
        power_w: float,
        turns_per_s: float | None,
        updates: int,
        begin_s: float,
        t_s: float,
        bridged_s: float,
    ) -> None:
        """Lay a power that was told for the time since `begin_s`, and a cadence.

        It has no time of its own but that of its packet. After a silence others may come with it
        that were kept back: then they share the silence in their order.
        """
        if self.held or self._arrivals.bursts:
            if not self.held:
                self._held_begin_s, self._held_bridged_s = begin_s, bridged_s
            self.held.append(_Held(power_w, turns_per_s, updates))
            self._held_s = t_s
            return
        curve = self.curve
        length_s = t_s - begin_s
        if length_s > bridged_s:
            curve.worked_s = t_s
        else:
            curve.work(begin_s, t_s, power_w * length_s, self._sides.share(t_s))
        if turns_per_s is not None:
            curve.turn_to(t_s, turns_per_s * (t_s - curve.turned_s), bridged_s)

    def settle(self) -> None:
        """Nothing more comes at once: lay what was kept for what might."""
        held = self.held
        if not held:
            return
        curve, end_s = self.curve, self._held_s
        share = self._sides.share(end_s)
        begin_s, hole_s = self._held_begin_s, end_s - self._held_begin_s
        bridged_s = self._held_bridged_s
        if hole_s > bridged_s * len(held):
            # The last one vouches for its own time; what was before is missing.
            begin_s = curve.worked_s = end_s
        each_s = (end_s - begin_s) / sum(h.updates for h in held)
        at_s = begin_s
        for h in held:
            to_s = at_s + each_s * h.updates
            curve.work(at_s, to_s, h.power_w * (to_s - at_s), share)
            at_s = to_s
            if h.turns_per_s is not None:
                curve.turn_to(to_s, h.turns_per_s * (to_s - curve.turned_s), bridged_s)
        self.held = []

    def begin_of(self, event_s: float, elapsed_s: float) -> float:
        """From where the work of turns is to be laid that ended at `event_s` and took `elapsed_s`."""
        begin = self.curve.worked_s
        if begin == self._opened_s and elapsed_s <= HELD_S:
            # The stretch was opened when the packet of the baseline came; its event was earlier.
            return max(self._before_s, min(begin, event_s - elapsed_s))
        return begin

    def work_of_turns(self, event_s: float, work_j: float, begin_s: float, t_s: float) -> None:
        """Lay the work of turns from `begin_s` to `event_s`; what comes too late for that just before it."""
        if begin_s < event_s:
            self.curve.work_to(event_s, work_j, self._sides.share(t_s), begin_s)
        elif work_j:
            self.curve.work(event_s - LATE_TURN_S, event_s, work_j, self._sides.share(t_s))

    def no_work(self, upto_s: float, t_s: float) -> None:
        """No work up to here."""
        self.curve.work_to(upto_s, 0.0, self._sides.share(t_s))

    def turns(self, event_s: float, revs: int, first: bool) -> None:
        """Lay turns of the crank; the first after a rest began in it."""
        self.curve.turn_to(event_s, float(revs), least_s=FIRST_TURN_S * revs if first else 0.0)
        self.rested = False

    def no_turn(self, upto_s: float) -> None:
        """No turn of the crank up to here."""
        self.curve.turn_to(upto_s, 0.0)
        self.rested = True
