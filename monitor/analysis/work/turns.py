"""Revolutions of the crank and their event time, without torque."""

from capture.sample import Reading
from monitor.analysis.work.accumulator import BEHIND_S, MAX_REVS_PER_S, Accumulator
from monitor.analysis.work.arrivals import Arrivals
from monitor.analysis.work.laying import Laying
from monitor.analysis.work.showing import Showing
from monitor.analysis.work.sources import Sources
from monitor.analysis.work.timebase import AHEAD_S


class ByTurns:
    """Reads the counters of turns that stand beside a power, or alone."""

    __slots__ = ("_arrivals", "_laying", "_showing", "_sources", "counters")

    def __init__(self, showing: Showing, laying: Laying, sources: Sources, arrivals: Arrivals) -> None:
        self._showing, self._laying, self._sources, self._arrivals = showing, laying, sources, arrivals
        self.counters: dict[str, Accumulator] = {}
        """By kind of packet."""

    def feed(self, r: Reading, revs: int, ticks: int, t_s: float, gap_s: float) -> None:
        """Revolutions and their event time."""
        # The pages of a cadence sensor differ in their background data, not in their counters.
        item = r.item.partition("/")[0] if r.item.startswith("ant12") else r.item
        showing, laying = self._showing, self._laying
        a = self.counters.get(item)
        if a is None:
            a = self.counters[item] = Accumulator(r.crank_revs_modulus, r.crank_tick_hz)
        step = a.step(revs, ticks)
        serves = self._sources.serves_turns(item, t_s)
        if step is None:
            a.event_s = a.clock.restart(t_s)
            laying.open(t_s, False)
            return
        d_revs, d_ticks = step.revs, step.ticks
        if not d_ticks and not d_revs:
            shown = r.power_w == 0.0 or r.moving is False
            if t_s - max(a.event_s, self._arrivals.stalled_s) > a.rest_s(shown):
                if r.cadence_rpm is None:
                    showing.cadence_rpm = 0.0
                if serves:
                    laying.no_turn(t_s - BEHIND_S)
            return
        elapsed = a.elapsed_s(d_ticks, t_s, gap_s, d_revs / MAX_REVS_PER_S - 1.0)
        if elapsed <= 0.0 or elapsed > t_s - a.event_s + AHEAD_S or d_revs > MAX_REVS_PER_S * elapsed + 1.0:
            showing.restarts += a.starts_anew(t_s)
            laying.open(t_s, False)
            return
        first = not a.placed or laying.rested
        event_s = a.happens(elapsed, t_s, gap_s)
        if d_revs:
            showing.turning_s = showing.pedalled_s = t_s
            if r.power_w is None:
                showing.fresh = True
        if r.cadence_rpm is None:
            showing.cadence_rpm = 60.0 * d_revs / elapsed
        if serves:
            laying.turns(event_s, d_revs, first)
