"""Work from accumulated torque and the time of its events, of the crank or of the wheel."""

import math

from capture.sample import Reading
from monitor.analysis.curve import BRIDGED_S
from monitor.analysis.work.accumulator import (
    BEHIND_S,
    EVENTS_AT_ONCE,
    MAX_EVENTS_PER_S,
    MAX_POWER_W,
    MAX_REVS_PER_S,
    Accumulator,
    Step,
    accumulator_of,
    crank_torque,
)
from monitor.analysis.work.arrivals import Arrivals
from monitor.analysis.work.laying import LATE_TURN_S, Laying
from monitor.analysis.work.showing import HELD_S, Showing
from monitor.analysis.work.sources import TORQUE, Sources
from monitor.analysis.work.timebase import AHEAD_S

TWO_PI = 2.0 * math.pi
UPDATE_S = 1.0
"""Seconds. The slowest fixed rate at which torque is updated (common practice, no source)."""
TURN_S = 0.2
"""Seconds. No turn at full power is quicker: one at `MAX_REVS_PER_S`."""
EVEN_UPDATES = 120
"""Packets in a row, half a minute, with an update for each revolution: the meter updates once a revolution
after all. At a fixed rate that nearly is the wheel's, nothing is lost by reading it so."""
JOINS_S = 5.0
"""Seconds within which the times of events are found, where those of packets stood for them before."""
EARLY_S = 1.0
"""Seconds. So much shorter than the quickest turns an event may seem to be: a tick of another clock, and
packets that are late (common practice, no source)."""


class ByTorque:
    """Reads the packets that tell torque, and says of each whether it does."""

    __slots__ = ("_arrivals", "_laying", "_showing", "_sources", "counters", "zero_hz")

    def __init__(self, showing: Showing, laying: Laying, sources: Sources, arrivals: Arrivals) -> None:
        self._showing, self._laying, self._sources, self._arrivals = showing, laying, sources, arrivals
        self.counters: dict[str, Accumulator] = {}
        """By kind of packet."""
        self.zero_hz: float | None = None
        """Zero offset of a torque that is told as a frequency."""

    def _counters(self, r: Reading) -> Accumulator:
        a = self.counters.get(r.item)
        if a is None:
            a = self.counters[r.item] = accumulator_of(r)
        return a

    def feed(self, r: Reading, t_s: float, gap_s: float) -> bool:
        """Torque and its events, of the crank or of the wheel; False: the packet tells no torque."""
        if r.torque_ticks is not None:
            return self._feed_frequency(r, r.torque_ticks, t_s, gap_s)
        torque = r.torque_sum_32nds
        at_crank = r.torque_at_crank
        revs, ticks = (r.crank_revs, r.crank_ticks) if at_crank else (r.wheel_revs, r.wheel_ticks)
        if torque is None or revs is None or ticks is None:
            return False
        a = self._counters(r)
        events = r.events
        took_over = self._sources.item != r.item
        serves = self._sources.serves(r.item, TORQUE, t_s)
        if events is not None and events == a.updates.last and torque == a.torque.last:
            # Revolutions may go on between updates: the next one's differences hold them.
            self._repeats(r, a, None, t_s, serves)
            return True
        step = a.step(revs, ticks, torque, events)
        if step is None:
            a.event_s = a.clock.restart(t_s)
            self._laying.open(t_s, serves)
            return True
        d_revs, d_ticks, d_torque, updates = step
        if not d_ticks and not d_revs and not d_torque:
            self._repeats(r, a, updates, t_s, serves)
        elif updates and (a.timed or updates != d_revs):
            # Updates at a fixed rate: each adds the interval's mean torque and mean period, so
            # the accumulated period is no clock and the time is the packets' own.
            a.even = a.even + 1 if updates == d_revs else 0
            a.timed = a.even < EVEN_UPDATES
            if not a.timed:
                a.joined_s = t_s
            self._feed_timed(r, a, updates, step, t_s, serves)
        else:
            least_s = d_revs / MAX_REVS_PER_S if at_crank else 0.0
            elapsed = a.elapsed_s(d_ticks, t_s, gap_s, least_s - EARLY_S)
            work_j = TWO_PI * d_torque / 32.0
            self._turns(r, a, d_revs, elapsed, work_j, t_s, gap_s, serves, took_over)
        return True

    def _feed_frequency(self, r: Reading, torque_ticks: int, t_s: float, gap_s: float) -> bool:
        """A frequency for the torque: read with its slope and its zero offset. False while one is missing.

        Torque = (ticks / time - zero offset) / slope, over whole turns (nRF5 SDK reference).
        """
        slope, zero_hz = r.slope_hz_per_nm, self.zero_hz
        lacks = None if zero_hz is not None and slope else "slope" if not slope else "zero offset"
        self._showing.lacks = lacks
        if zero_hz is None or not slope or r.crank_revs is None or r.crank_ticks is None:
            return False
        a = self._counters(r)
        took_over = self._sources.item != r.item
        serves = self._sources.serves(r.item, TORQUE, t_s)
        if a.revs.last == r.crank_revs:
            # Time and ticks may go on without a turn: the next one's differences hold them.
            self._repeats(r, a, None, t_s, serves)
            return True
        step = a.step(r.crank_revs, r.crank_ticks, torque_ticks)
        if step is None:
            a.event_s = a.clock.restart(t_s)
            self._laying.open(t_s, serves)
            return True
        elapsed = a.elapsed_s(step.ticks, t_s, gap_s, step.revs / MAX_REVS_PER_S - EARLY_S)
        ticks = step.torque_32nds
        if elapsed > HELD_S:
            # Through a stop the ticks go on at about the offset, and may have wrapped.
            ticks += 65536 * max(0, round((zero_hz * elapsed - ticks) / 65536.0))
        torque_nm = (ticks / elapsed - zero_hz) / slope if elapsed > 0.0 else 0.0
        work_j = TWO_PI * torque_nm * step.revs
        self._turns(r, a, step.revs, elapsed, work_j, t_s, gap_s, serves, took_over)
        return True

    def _turns(
        self,
        r: Reading,
        a: Accumulator,
        revs: int,
        elapsed: float,
        work_j: float,
        t_s: float,
        gap_s: float,
        serves: bool,
        took_over: bool,
    ) -> None:
        """Turns of crank or wheel ended, `elapsed` seconds after the ones before, and did this work."""
        at_crank = crank_torque(r)
        showing = self._showing
        if (
            elapsed <= 0.0
            or elapsed > t_s - a.event_s + AHEAD_S
            or work_j > MAX_POWER_W * max(elapsed, TURN_S)
            or (at_crank and revs > MAX_REVS_PER_S * elapsed + 1.0)
        ):
            showing.restarts += a.starts_anew(t_s)
            self._laying.open(t_s, serves)
            return
        last_s = a.event_s
        first = not a.placed or self._laying.rested
        event_s = a.happens(elapsed, t_s, gap_s)
        power_w = work_j / elapsed
        told_w = r.power_w
        showing.derives(power_w, t_s)
        showing.shows(power_w if told_w is None else told_w, t_s, r.cadence_rpm)
        if revs and at_crank:
            showing.turning_s = showing.pedalled_s = t_s
        if told_w is not None and elapsed <= HELD_S:
            # A turn that a rest or a gap made long says nothing of the power in between.
            self._sources.weigh(work_j, told_w * elapsed)
        if serves:
            if t_s < a.joined_s + JOINS_S:
                # What was laid by the times of packets reached to the last packet, not to its event.
                work_j *= min(1.0, max(0.0, event_s - self._laying.curve.worked_s) / elapsed)
            self._lay(told_w, work_j, elapsed, event_s, last_s if took_over else None, t_s)
        if at_crank and self._sources.serves_turns(r.item, t_s):
            self._laying.turns(event_s, revs, first)
            showing.cadence_rpm = 60.0 * revs / elapsed

    def _lay(
        self,
        told_w: float | None,
        work_j: float,
        elapsed_s: float,
        event_s: float,
        taken_over_from_s: float | None,
        t_s: float,
    ) -> None:
        """Lay the work of the turns that ended at `event_s`.

        `taken_over_from_s`: the event before, if another kind of packet has told since.
        """
        begin = self._laying.begin_of(event_s, elapsed_s)
        if told_w is not None and not self._sources.trusts_torque:
            work_j = told_w * min(elapsed_s, max(LATE_TURN_S, event_s - begin))
        elif taken_over_from_s is not None and begin > taken_over_from_s:
            # What another kind of packet has told of already doesn't count again.
            whole_s = event_s - taken_over_from_s
            work_j *= max(0.0, event_s - begin) / whole_s if whole_s > 0.0 else 0.0
        self._laying.work_of_turns(event_s, work_j, begin, t_s)

    def _repeats(self, r: Reading, a: Accumulator, updates: int | None, t_s: float, serves: bool) -> None:
        """No counter moved. An update counter that goes on while time stands still says: stopped."""
        if self._arrivals.alone:
            a.repeated_s = t_s
        shown = bool(updates) or r.moving is False or r.power_w == 0.0
        showing = self._showing
        if shown:
            showing.derives(0.0, t_s)
            showing.unpowered_s = t_s
            showing.fresh = bool(updates)
        if t_s - max(a.event_s, self._arrivals.stalled_s) <= a.rest_s(shown):
            return
        # A page that only repeats is never told to be 0 W: a rest is.
        showing.derives(0.0, t_s)
        showing.unpowered_s = t_s
        # An update at a fixed rate tells of all the time up to it, and the next one may follow.
        upto_s = t_s if a.timed and updates else t_s - (UPDATE_S if a.timed else BEHIND_S)
        if serves:
            self._laying.no_work(upto_s, t_s)
        if crank_torque(r) and self._sources.serves_turns(r.item, t_s):
            self._laying.no_turn(upto_s)

    def _feed_timed(
        self, r: Reading, a: Accumulator, updates: int, step: Step, t_s: float, serves: bool
    ) -> None:
        """A meter that updates at a fixed rate: power is mean torque times 2 pi over the mean period."""
        showing = self._showing
        since = t_s - a.event_s
        a.event_s = t_s
        periods_s = step.ticks / a.hz
        power_w = TWO_PI * step.torque_32nds / 32.0 / periods_s if periods_s > 0.0 else 0.0
        if (
            power_w > MAX_POWER_W
            or updates > MAX_EVENTS_PER_S * since + EVENTS_AT_ONCE
            or (r.torque_at_crank and step.revs > MAX_REVS_PER_S * since + 2.0)
        ):
            showing.restarts += a.placed
            a.placed = True
            self._laying.open(t_s, serves)
            return
        a.placed = True
        showing.derives(power_w, t_s)
        showing.shows(power_w if r.power_w is None else r.power_w, t_s, r.cadence_rpm)
        turns_per_s = None
        if r.torque_at_crank:
            if step.revs:
                showing.turning_s = showing.pedalled_s = t_s
            if self._sources.serves_turns(r.item, t_s):
                # Whole revolutions come in lumps at this rate; the mean period is finer.
                turns_per_s = updates / periods_s if periods_s > 0.0 else 0.0
                showing.cadence_rpm = 60.0 * turns_per_s
        curve = self._laying.curve
        if serves:
            self._laying.power(power_w, turns_per_s, updates, curve.worked_s, t_s, BRIDGED_S)
        elif turns_per_s is not None:
            curve.turn_to(t_s, turns_per_s * (t_s - curve.turned_s))
