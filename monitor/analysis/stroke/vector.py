"""Vectors as they come over the radio, put together to torques at angles.

A packet holds values that were sampled evenly in time, and the angle of the first one. Where the others
lie follows from the angle at which the next packet begins: so a packet waits for the next one. A packet
without an angle goes on where the one before ended. Angles tell fractions of a turn only; how many
whole ones lie between two packets, and whether one is missing there, is told by cadence and pace.
"""

import math
from collections import deque
from typing import NamedTuple

import numpy as np

from capture.sample import StrokeVector
from monitor.analysis.statistics import Floats

MOST_WAITING = 1024
"""Values that wait for the next angle; a sensor that never sends one is not waited for."""
PACE_PACKETS = 24
"""Packets over which the pace of values is taken."""
LEAST_PACKETS, LEAST_SPAN_S = 6, 1.0
LONGEST_GAP_S = 4.0
"""Seconds. After a longer silence nothing is put together across it."""
SLOWEST_RPM, FASTEST_RPM = 15.0, 250.0
"""Nobody pedals slower or faster for long (common practice, no source)."""
REST_S = 3.0
"""Seconds without a new revolution: the crank rests (20 rpm is its slowest)."""
OFF_DEG, OFF_PART = 20.0, 0.25
"""A packet begins within so many degrees, or this part of the way, of where it should, or one is missing."""
LATE_DEG = 8.0
"""The same for a packet that comes late."""
STILL_DEG = 2.0
"""A crank that turns less from packet to packet stands."""
TANGENTIAL = (0, 1)
"""Directions of force that drive the crank: tangential, or not told."""


class Placed(NamedTuple):
    """Torques (or forces) with their angles, degrees in [0, 360), at session second `t_s`."""

    t_s: float
    angles_deg: Floats
    values: Floats


class Cadence:
    """Revolutions a minute from a counter of revolutions and the time of the last one."""

    def __init__(self) -> None:
        self._last: tuple[int, int] | None = None
        self._moved_s = -math.inf
        self.rpm: float | None = None

    def feed(self, revs: int, ticks: int, t_s: float, hz: int = 1024, modulus: int = 65536) -> None:
        """Take the counters of a packet; raw, as sent."""
        if self._last is None:
            self._last = revs, ticks
            return
        d_revs, d_ticks = (revs - self._last[0]) % modulus, (ticks - self._last[1]) % 65536
        if d_revs == 0:
            if t_s - self._moved_s > REST_S:
                self.rpm = None
            return
        known = t_s - self._moved_s < LONGEST_GAP_S
        self._last, self._moved_s = (revs, ticks), t_s
        rpm = 60.0 * d_revs * hz / d_ticks if d_ticks else math.inf
        self.rpm = rpm if known and SLOWEST_RPM <= rpm <= FASTEST_RPM else None

    def at(self, t_s: float) -> float | None:
        """The cadence while the crank turns, else None."""
        return self.rpm if t_s - self._moved_s <= REST_S else None


class Vectors:
    """Puts the vectors of one instrument together, in order of arrival; memory is bounded."""

    def __init__(self) -> None:
        self.packets = 0
        self.lost_packets = 0
        """Packets that never came, by the angles and times of those that did."""
        self.unplaced_packets = 0
        """Packets whose values have no sure angle: at rest, at first, after a hole, or none was sent."""
        self._cadence, self._outer = Cadence(), Cadence()
        self._first_deg: float | None = None
        self._values: list[float] = []
        self._held = 0
        self._t_s = -math.inf
        self._paces: deque[tuple[float, int]] = deque(maxlen=PACE_PACKETS)
        self._rates: deque[float] = deque(maxlen=31)

    def crank(self, revs: int, ticks: int, t_s: float, hz: int, modulus: int) -> None:
        """Counters that came beside the vectors, for sensors whose vectors have none."""
        self._outer.feed(revs, ticks, t_s, hz, modulus)

    def feed(self, v: StrokeVector, t_s: float) -> Placed | None:
        """Take a packet; what of those before it is placed by it, if anything."""
        self.packets += 1
        if v.crank_revs is not None and v.crank_ticks is not None:
            self._cadence.feed(v.crank_revs, v.crank_ticks, t_s)
        rpm = self._cadence.at(t_s) or self._outer.at(t_s)
        if v.direction not in TANGENTIAL or rpm is None or t_s - self._t_s > LONGEST_GAP_S or t_s < self._t_s:
            self._drop()
        self._paces.append((t_s, len(v.values)))
        if v.direction not in TANGENTIAL or rpm is None:
            self.unplaced_packets += 1
            self._t_s = t_s
            return None
        angle = v.first_angle_deg
        if angle is None or not 0 <= angle <= 360:
            self._carry_on(v, angle)
            self._t_s = t_s
            return None
        placed = self._place(float(angle % 360), t_s, rpm)
        self._first_deg, self._values, self._held = float(angle % 360), list(v.values), 1
        self._t_s = t_s
        return placed

    def _carry_on(self, v: StrokeVector, angle: int | None) -> None:
        """A packet without an angle, or with one that is none."""
        if angle is not None or self._first_deg is None or len(self._values) > MOST_WAITING:
            self._drop()
            self.unplaced_packets += 1
        else:
            self._values.extend(v.values)
            self._held += 1

    def _drop(self) -> None:
        self.unplaced_packets += self._held
        self._first_deg, self._values, self._held = None, [], 0

    def _rate_hz(self) -> float | None:
        """Values a second: from angles where they told it, else from how fast packets come."""
        if len(self._rates) >= LEAST_PACKETS:
            return float(np.median(self._rates))
        span_s = self._paces[-1][0] - self._paces[0][0]
        if len(self._paces) < LEAST_PACKETS or span_s < LEAST_SPAN_S:
            return None
        return sum(n for _, n in list(self._paces)[1:]) / span_s

    def _place(self, next_deg: float, t_s: float, rpm: float) -> Placed | None:
        """Give the waiting values their angles, now that the next packet begins at `next_deg`."""
        first, n = self._first_deg, len(self._values)
        if first is None or not n:
            return None
        hz = self._rate_hz()
        if not hz:
            self._drop()
            return None
        expected = n * 6.0 * rpm / hz
        raw = (next_deg - first) % 360.0
        turned = raw + 360.0 * max(0, round((expected - raw) / 360.0))
        off = turned - expected
        since = (t_s - self._t_s) * hz
        # After a silence it takes a better fit to believe that nothing is missing.
        allowed = LATE_DEG if since >= 1.5 * n else max(OFF_DEG, OFF_PART * expected)
        if abs(off) <= allowed:
            step = turned / n
            if turned > 0.0:
                self._rates.append(n * 6.0 * rpm / turned)
        elif raw < STILL_DEG or 0.5 * n < since < 1.5 * n:
            # The crank stands, or it slows down or speeds up within a turn: nothing is missing.
            self._drop()
            return None
        else:
            step = 6.0 * rpm / hz
            if len(self._rates) < LEAST_PACKETS:
                # The pace of packets is no sure rate yet: what lies in between can't be told.
                self._drop()
                return None
            self._count_lost(off % 360.0, step, n, since)
        if not SLOWEST_RPM <= step * hz / 6.0 <= FASTEST_RPM:
            self._drop()
            return None
        angles: Floats = np.mod(first + step * np.arange(n, dtype=np.float64), 360.0)
        return Placed(self._t_s, angles, np.array(self._values, dtype=np.float64))

    def _count_lost(self, off_deg: float, step: float, n: int, since: float) -> None:
        """How many packets are missing: the angle tells it but for whole turns, the time tells those."""
        turns = max(0, round(((since - n) * step - off_deg) / 360.0))
        missing = (off_deg + 360.0 * turns) / step
        self.lost_packets += max(1, round(missing * self._held / n))
