"""Counters of one kind of packet, and the events that they tell of."""

import math
from typing import NamedTuple

from capture.sample import Reading
from monitor.analysis.work.timebase import Counter, DeviceClock, unwrapped

REST_S = 3.0
"""Seconds without a new revolution while packets come: the crank rests (20 rpm is its slowest)."""
REST_SHOWN_S = 1.2
"""The same when the packet itself says 0 W."""
BEHIND_S = 0.5
"""Seconds. A rest is laid up to so long before the packet that shows it: a turn may have ended since that
the meter tells of in its next packet (half of the usual second between packets, common practice)."""
MAX_REVS_PER_S = 5.0
"""Revolutions of a crank per second: 300 rpm, more than any rider turns (common practice, no source)."""
MAX_POWER_W = 4000.0
"""Watts. More than any rider has shown over a turn (common practice, no source)."""
MAX_EVENTS_PER_S = 10.0
"""Updates per second: no profile sends more often (8 Hz, common practice, no source)."""
EVENTS_AT_ONCE = 4.0
"""Updates that may come at once: those of a second that the radio kept back."""


STOOD_S = 0.3
"""Seconds. An event that would lie so much before a packet without it has another time: packets of one
device are no more unlike in how late they are (own calculation: connection intervals and slots)."""


class Step(NamedTuple):
    """How far the counters went since the packet before."""

    revs: int
    ticks: int
    torque_32nds: int
    updates: int | None


class Accumulator:
    """Counters of one kind of packet that sends event times, of the crank or of the wheel."""

    __slots__ = (
        "clock",
        "even",
        "event_s",
        "hz",
        "interval_s",
        "joined_s",
        "placed",
        "repeated_s",
        "revs",
        "ticks",
        "timed",
        "torque",
        "updates",
    )

    def __init__(self, revs_modulus: int, hz: int) -> None:
        self.placed = False
        """Whether the last event's time is known: that of the baseline is not, it may be old."""
        self.hz = hz
        self.clock = DeviceClock()
        self.revs = Counter(revs_modulus)
        self.ticks = Counter(65536)
        self.torque = Counter(65536)
        self.updates = Counter(256)
        self.event_s = -math.inf
        self.repeated_s = -math.inf
        """Arrival of the last packet that came at its own time and told of no new event."""
        self.interval_s = 1.0
        self.timed = False
        """Whether updates come at a fixed rate, not once a revolution."""
        self.joined_s = -math.inf
        """When it was found that updates come once a revolution after all."""
        self.even = 0
        """Packets in a row with as many updates as revolutions, since it was found to be `timed`."""

    def step(self, revs: int, ticks: int, torque_32nds: int = 0, updates: int | None = None) -> Step | None:
        """How far all counters went; None for the baseline."""
        d_revs = self.revs.step(revs)
        d_ticks = self.ticks.step(ticks)
        d_torque = self.torque.step(torque_32nds)
        d_updates = None if updates is None else self.updates.step(updates)
        if d_revs is None or d_ticks is None or d_torque is None:
            return None
        return Step(d_revs, d_ticks, d_torque, d_updates)

    def elapsed_s(self, ticks: int, t_s: float, late_s: float, least_s: float = 0.0) -> float:
        """Seconds between the last event and this one, wraps undone."""
        return unwrapped(ticks / self.hz, t_s - self.event_s, 65536.0 / self.hz, late_s, least_s)

    def happens(self, elapsed_s: float, t_s: float, gap_s: float) -> float:
        """Place the event that came at `t_s`, `elapsed_s` after the last; host seconds."""
        if self.event_s + elapsed_s < self.repeated_s - STOOD_S:
            # It was not before a packet that did not know of it: the device's time stood in between.
            self.event_s = self.clock.restart(t_s)
        else:
            self.event_s = self.clock.event(elapsed_s, t_s, gap_s)
        self.placed = True
        self.interval_s = elapsed_s if elapsed_s < REST_S else REST_S
        return self.event_s

    def starts_anew(self, t_s: float) -> bool:
        """What came at `t_s` can't follow what was before; whether that was any more than a baseline."""
        before, self.placed = self.placed, True
        self.event_s = self.clock.restart(t_s)
        return before

    def rest_s(self, shown: bool) -> float:
        """Seconds without an event after which the crank rests; `shown`: the packet says so itself."""
        return REST_SHOWN_S if shown else max(REST_S, 2.0 * self.interval_s)


def crank_torque(r: Reading) -> bool:
    """Whether the torque that a packet tells is the crank's."""
    return r.torque_at_crank or r.torque_ticks is not None


def accumulator_of(r: Reading) -> Accumulator:
    """Fresh counters for this kind of packet."""
    if crank_torque(r):
        return Accumulator(r.crank_revs_modulus, r.crank_tick_hz)
    return Accumulator(r.wheel_revs_modulus, r.wheel_tick_hz)
