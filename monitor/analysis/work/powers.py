"""Work from power that is told in watts: with a sum of all updates, or alone."""

import math

from capture.sample import Reading
from monitor.analysis.curve import BRIDGED_S
from monitor.analysis.work.accumulator import (
    BEHIND_S,
    EVENTS_AT_ONCE,
    MAX_EVENTS_PER_S,
    MAX_POWER_W,
    REST_S,
    REST_SHOWN_S,
)
from monitor.analysis.work.arrivals import Arrivals
from monitor.analysis.work.laying import Laying
from monitor.analysis.work.showing import HELD_S, Showing
from monitor.analysis.work.sources import POWER, POWER_SUM, Sources
from monitor.analysis.work.timebase import Counter
from monitor.analysis.work.turns import ByTurns

EVENT_S = 2.0
"""Seconds. A turning crank shows a new revolution within this time, at 30 rpm and more."""


class _Sum:
    """Counters of one kind of packet that sends a sum of power and an update count."""

    __slots__ = ("events", "power", "update_s")

    def __init__(self) -> None:
        self.events = Counter(256)
        self.power = Counter(65536)
        self.update_s = -math.inf


class ByPower:
    """Reads the packets whose work is power times the time that it was told for."""

    __slots__ = (
        "_arrivals",
        "_laying",
        "_seen_s",
        "_showing",
        "_sources",
        "_still_s",
        "_still_w",
        "_sums",
        "_turns",
    )

    def __init__(
        self, showing: Showing, laying: Laying, sources: Sources, arrivals: Arrivals, turns: ByTurns
    ) -> None:
        self._showing, self._laying, self._sources, self._arrivals = showing, laying, sources, arrivals
        self._turns = turns
        self._sums: dict[str, _Sum] = {}
        self._seen_s: dict[str, float] = {}
        self._still_w, self._still_s = -1.0, -math.inf
        """The power that was told last, and since when it is the same."""

    def forget(self) -> None:
        """Counters may have started anew."""
        self._sums.clear()
        self._seen_s.clear()

    def feed_sum(self, r: Reading, power_sum: int, events: int, t_s: float) -> None:
        """A sum of the power of all updates, and their number."""
        item = r.item
        s = self._sums.get(item)
        if s is None:
            s = self._sums[item] = _Sum()
        d_events, d_power = s.events.step(events), s.power.step(power_sum)
        serves = self._sources.serves(item, POWER_SUM, t_s)
        if d_events is None or d_power is None:
            s.update_s = t_s
            self._laying.open(t_s, serves)
            return
        if not d_events:
            self._repeats(r, s, t_s, serves)
            return
        since = t_s - s.update_s
        mean_w = d_power / d_events
        s.update_s = t_s
        showing = self._showing
        if mean_w > MAX_POWER_W or d_events > MAX_EVENTS_PER_S * since + EVENTS_AT_ONCE:
            showing.restarts += 1
            self._laying.open(t_s, serves)
            return
        told_w = r.power_w
        showing.shows(mean_w if told_w is None else told_w, t_s, r.cadence_rpm)
        showing.derives(mean_w, t_s)
        if serves:
            turns_per_s = self._shown_turns(r, t_s)
            self._laying.power(mean_w, turns_per_s, d_events, self._laying.curve.worked_s, t_s, BRIDGED_S)

    def _repeats(self, r: Reading, s: _Sum, t_s: float, serves: bool) -> None:
        """No update since the packet before: after some seconds that is a rest."""
        shown = r.power_w == 0.0 or r.cadence_rpm == 0.0
        if t_s - max(s.update_s, self._arrivals.stalled_s) <= (REST_SHOWN_S if shown else REST_S):
            return
        self._showing.unpowered_s = t_s
        if serves:
            curve, rest_s = self._laying.curve, t_s - BEHIND_S
            self._laying.no_work(rest_s, t_s)
            turns_per_s = self._shown_turns(r, t_s)
            if turns_per_s is not None:
                curve.turn_to(rest_s, turns_per_s * (rest_s - curve.turned_s), HELD_S)

    def feed_power(self, r: Reading, power_w: float, t_s: float) -> None:
        """A power alone."""
        last = self._seen_s.get(r.item)
        self._seen_s[r.item] = t_s
        # A count of crank revolutions that stands still tells that the power is only held;
        # without one each packet is a new reading.
        if r.crank_revs is None or t_s - self._showing.turning_s < EVENT_S or power_w <= 0.0:
            self._showing.shows(power_w, t_s, r.cadence_rpm)
        if not self._sources.serves(r.item, POWER, t_s):
            return
        if last is None:
            self._laying.open(t_s, True)
            return
        begin = max(self._laying.curve.worked_s, last)
        if self._only_held(r, power_w, t_s):
            power_w = 0.0
        self._laying.power(power_w, self._shown_turns(r, t_s), 1, begin, t_s, HELD_S)

    def _only_held(self, r: Reading, power_w: float, t_s: float) -> bool:
        """Whether crank and power stand: the last value, repeated at a rest.

        A counter that fails while the power goes on moving is no rest.
        """
        if power_w != self._still_w:
            self._still_w, self._still_s = power_w, t_s
        a = self._turns.counters.get(r.item)
        if r.crank_revs is None or a is None:
            return False
        return t_s - max(a.event_s, self._arrivals.stalled_s, self._still_s) > a.rest_s(False)

    def _shown_turns(self, r: Reading, t_s: float) -> float | None:
        """Turns per second from a told cadence, where no counter is sent."""
        rpm = r.cadence_rpm
        if rpm is None or r.crank_revs is not None or not self._sources.serves_turns(r.item, t_s):
            return None
        return rpm / 60.0
