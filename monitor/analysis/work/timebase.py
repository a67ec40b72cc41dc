"""Device clocks on the one host clock, and counters that wrap.

A sensor that only talks gives no round trip: the constant part of its delay cannot be
known. What can be known is its rate and the smallest delay ever seen, so events are
placed by the line under which no arrival lies (minimum-delay fit).
"""

import math
from collections import deque
from collections.abc import Sequence

BLOCK_S = 10.0
"""Only the quickest packet of each block of device time enters the fit."""
SPAN_S = 1200.0
"""The fit looks back this far: ten minutes leave 1.4 ms of scatter in ANT+ slots, twenty less than one.
Beyond it crystals drift with temperature."""
SKEW_AFTER_S = 180.0
"""Shorter records fix the offset but not the rate: 50 ms of jitter over 80 s is tens of ppm."""
REFIT_S = 30.0
MAX_SKEW = 300e-6
"""Crystals are good to some 50 ppm (common practice, no source); anything beyond is no crystal."""
EARLY_S = 0.25
"""An event placed this far after its own arrival belongs to another piece of the device's clock."""
LATE_S = 1.0
MOVED_S = 0.15
"""When a quicker packet shows that events were placed so much too late, turns stand too close before it: by
0.9 rpm at 90 rpm, in 15 s. One that sends each second at 61 rpm shows its quickest after a minute."""
AHEAD_S = 1.5
"""Seconds. A device can't have lived so much longer than the host since the last event: then its counters
began anew. The slack is what a packet may be late, and the one before it not."""
UNWRAP_LATE_S = 2.0
"""Seconds from an event to its packet: the usual second between packets, and one of them lost."""


class Counter:
    """A counter that wraps at `modulus`; the only place where wrapping is undone."""

    __slots__ = ("last", "modulus")

    def __init__(self, modulus: int) -> None:
        self.modulus = modulus
        self.last: int | None = None

    def step(self, raw: int) -> int | None:
        """How far the counter went since the last call, 0..modulus-1; None for the baseline."""
        last, self.last = self.last, raw
        return None if last is None else (raw - last) % self.modulus


def unwrapped(elapsed_s: float, since_s: float, wrap_s: float, late_s: float, least_s: float = 0.0) -> float:
    """Device time between two events, from what is told of it modulo `wrap_s`.

    An event time says nothing of whole wraps: the host's clock does, by `since_s`, the host time
    from the last event to the arrival of the packet that tells of this one, `late_s` at most after
    it. Some devices let their time stand while nothing turns: then it matches no number of wraps,
    and is taken as it is told, but for what can't be: less than `least_s`.
    """
    ran_s = elapsed_s + wrap_s * round((since_s - elapsed_s) / wrap_s)
    if ran_s > elapsed_s and -AHEAD_S <= since_s - ran_s <= UNWRAP_LATE_S + late_s:
        return ran_s
    while elapsed_s < least_s:
        elapsed_s += wrap_s
    return elapsed_s


def lower_envelope(x: Sequence[float], y: Sequence[float]) -> tuple[float, float]:
    """The line (slope, value at x = 0) that lies under all points and nearest to them in sum.

    It is the edge of the lower convex hull over the mean of x: the linear programme of
    Moon, Skelly and Towsley (INFOCOM 1999), solved by the hull as Zhang, Liu and Xia
    (INFOCOM 2002) did. `x` need not be sorted. Raises ValueError when empty.
    """
    if not x:
        raise ValueError("no points to fit")
    points = sorted(zip(x, y, strict=True))
    hull: list[tuple[float, float]] = []
    for p in points:
        if hull and hull[-1][0] == p[0]:
            continue  # sorted: the lower of two at the same x came first
        while len(hull) > 1:
            (ax, ay), (bx, by) = hull[-2], hull[-1]
            if (bx - ax) * (p[1] - ay) > (by - ay) * (p[0] - ax):
                break
            hull.pop()
        hull.append(p)
    if len(hull) == 1:
        return 0.0, hull[0][1]
    mean_x = math.fsum(x) / len(x)
    right = next(i for i in range(1, len(hull)) if mean_x <= hull[i][0] or i == len(hull) - 1)
    (ax, ay), (bx, by) = hull[right - 1], hull[right]
    slope = (by - ay) / (bx - ax)
    return slope, ay - slope * ax


class DeviceClock:
    """Places the events of one device clock on the host clock, live.

    Feed each new event with the device time that passed since the one before. `piece`
    counts the unbroken pieces: a reset, a reconnect or a clock that stood still starts
    a new one, and nothing is ever fitted across.
    """

    __slots__ = (
        "_block",
        "_fitted_x",
        "_late",
        "_minima",
        "_offset",
        "_skew",
        "_x_fit",
        "device_s",
        "moved_s",
        "piece",
        "placed_s",
    )

    def __init__(self) -> None:
        self.piece = 0
        self.placed_s = -math.inf
        self.moved_s = -math.inf
        """Arrival of the last event before which all others were placed more than MOVED_S too late."""
        self._begin(0.0)

    def _begin(self, arrival_s: float) -> None:
        self.piece += 1
        self.device_s = 0.0
        self._minima: deque[tuple[float, float]] = deque()
        self._block = -1
        self._offset = arrival_s
        self._skew = 0.0
        self._x_fit = 0.0
        self._fitted_x = 0.0
        self._late = 0.0

    @property
    def skew_ppm(self) -> float:
        """The fitted rate of the device clock against the host, parts per million; 0 until known."""
        return self._skew * 1e6

    def restart(self, arrival_s: float) -> float:
        """Begin a new piece with an event that arrived now; its placed time."""
        self._begin(arrival_s)
        self.moved_s = arrival_s
        self._note(arrival_s)
        self.placed_s = max(self.placed_s, arrival_s)
        return self.placed_s

    def event(self, elapsed_s: float, arrival_s: float, packet_gap_s: float) -> float:
        """Place the next event, `elapsed_s` of device time after the last; host seconds.

        `packet_gap_s` is the time since the device was last heard at all: an event can be
        that late because the radio was silent, and those that waited behind it come at once,
        each less late than the one before. More than that, or an event that arrives before
        it happened, means that the device's clock stood still or was set.
        """
        x = self.device_s + elapsed_s
        expected = x + self._offset + self._skew * (x - self._x_fit)
        late = arrival_s - expected
        if late < -EARLY_S or late > max(LATE_S + packet_gap_s, self._late - 0.5 * elapsed_s):
            return self.restart(arrival_s)
        self._late = late
        self.device_s = x
        self._note(arrival_s)
        if x - self._fitted_x >= REFIT_S:
            self._refit()
        placed = min(arrival_s, x + self._offset + self._skew * (x - self._x_fit))
        if placed > self.placed_s:
            self.placed_s = placed
        return self.placed_s

    def _note(self, arrival_s: float) -> None:
        x = self.device_s
        delay = arrival_s - x
        block = int(x / BLOCK_S)
        if block != self._block or not self._minima:
            self._block = block
            self._minima.append((x, delay))
        elif delay < self._minima[-1][1]:
            self._minima[-1] = (x, delay)
        below = delay - self._offset - self._skew * (x - self._x_fit)
        if below < 0.0:
            self._offset += below
            if below < -MOVED_S:
                self.moved_s = arrival_s

    def _refit(self) -> None:
        x = self.device_s
        self._fitted_x = x
        minima = self._minima
        while minima and minima[0][0] < x - SPAN_S:
            minima.popleft()
        xs = [p[0] - x for p in minima]
        delays = [p[1] for p in minima]
        if xs and xs[-1] - xs[0] >= SKEW_AFTER_S:
            slope, value = lower_envelope(xs, delays)
            if abs(slope) <= MAX_SKEW:
                self._skew, self._offset, self._x_fit = slope, value, x
                return
        self._skew, self._offset, self._x_fit = 0.0, min(delays), x
