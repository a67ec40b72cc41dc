"""From readings to the work curve: what an instrument's packets say of work and revolutions, and when.

Where the profile sends accumulators their differences are exact and a lost packet costs
nothing; where it sends power only, power times the time since the packet before is laid
down. Time that nobody vouched for stays uncovered: it is missing, never zero, never held.
"""

import math
from itertools import chain

from capture.sample import Reading
from monitor.analysis.work.accumulator import crank_torque
from monitor.analysis.work.arrivals import Arrivals
from monitor.analysis.work.laying import Laying
from monitor.analysis.work.powers import ByPower
from monitor.analysis.work.records import PACE_S, PACE_WEIGHT, feed_record
from monitor.analysis.work.showing import Showing
from monitor.analysis.work.sides import STEP_ANT, STEP_BLUETOOTH, Sides
from monitor.analysis.work.sources import Sources
from monitor.analysis.work.torque import ByTorque
from monitor.analysis.work.turns import ByTurns

INFINITE_S = math.inf


class Track(Showing):
    """Turns one instrument's readings into its curve, and remembers what was last shown.

    `feed` takes readings in order of arrival. All times are host seconds. `sides` is the
    bench's word on what the instrument measures: a one-sided meter's total is twice its side.
    """

    __slots__ = ("_arrivals", "_laying", "_power", "_sides", "_sources", "_torque", "_turns", "curve")

    def __init__(self, sides: str) -> None:
        super().__init__()
        self._sides = Sides(sides)
        self._arrivals = Arrivals()
        self._sources = Sources()
        self._laying = Laying(self._sides, self._arrivals)
        self._torque = ByTorque(self, self._laying, self._sources, self._arrivals)
        self._turns = ByTurns(self, self._laying, self._sources, self._arrivals)
        self._power = ByPower(self, self._laying, self._sources, self._arrivals, self._turns)
        self.curve = self._laying.curve

    @property
    def turns_moved_s(self) -> float:
        """When it last turned out that turns had been placed too late; see `DeviceClock.moved_s`."""
        counters = chain(self._torque.counters.values(), self._turns.counters.values())
        return max((each.clock.moved_s for each in counters), default=-math.inf)

    @property
    def share_s(self) -> float:
        """When it last reported the share of its left side."""
        return self._sides.share_s

    @property
    def share_step(self) -> float:
        """In which steps (0..1) it reports that."""
        return self._sides.step

    @property
    def trusts_torque(self) -> bool:
        """Whether its accumulated torque agrees with the power that it tells."""
        return self._sources.trusts_torque

    @property
    def counts_work(self) -> bool:
        """Whether its work is made of counters, and not of the power that it shows."""
        return self._sources.counts_work

    def baseline(self) -> None:
        """A new connection: counters may have started anew, nothing is differenced across."""
        self._torque.counters.clear()
        self._turns.counters.clear()
        self._power.forget()
        self._sides.left_share = None
        self.settle()

    def settle(self) -> None:
        """Nothing more comes at once: lay what was kept for what might."""
        self._laying.settle()

    def feed(self, r: Reading, t_s: float) -> None:
        """Take one reading that arrived at `t_s`."""
        if r.held_s is not None:
            feed_record(r, t_s, r.held_s, self, self._laying, self._sides)
            return
        gap_s = self._hear(t_s)
        self.fresh = False
        power_w, cadence_rpm, crank_revs = r.power_w, r.cadence_rpm, r.crank_revs
        if r.zero_offset_hz is not None:
            self._torque.zero_hz = r.zero_offset_hz
        if r.left_share is not None:
            self._sides.take(r.left_share, STEP_ANT if r.item.startswith("ant") else STEP_BLUETOOTH, t_s)
        if power_w is not None:
            self.power_w = power_w
            self.reading_s = t_s
            if power_w <= 0.0:
                self.unpowered_s = t_s
        if cadence_rpm is not None:
            self.cadence_rpm = cadence_rpm
            if cadence_rpm > 0.0 and crank_revs is None and power_w is not None and power_w > 0.0:
                self.turning_s = t_s
        by_torque = (r.torque_sum_32nds is not None or r.torque_ticks is not None) and self._torque.feed(
            r, t_s, gap_s
        )
        if crank_revs is not None and r.crank_ticks is not None and not (by_torque and crank_torque(r)):
            self._turns.feed(r, crank_revs, r.crank_ticks, t_s, gap_s)
        if by_torque:
            return
        if r.power_sum_w is not None and r.events is not None:
            self._power.feed_sum(r, r.power_sum_w, r.events, t_s)
        elif power_w is not None:
            self._power.feed_power(r, power_w, t_s)

    def _hear(self, t_s: float) -> float:
        """Note that a packet came; the silence before those that came at once with it, seconds."""
        arrivals, gap_s = self._arrivals, t_s - self.heard_s
        if gap_s < INFINITE_S and arrivals.hear(t_s, gap_s) and self._laying.held:
            self._laying.settle()
        self.heard_s = t_s
        silent_s = arrivals.gap_s
        usual_s = 0.0 if silent_s < 0.0 else PACE_S if silent_s > PACE_S else silent_s
        self.period_s += PACE_WEIGHT * (usual_s - self.period_s)
        return silent_s
