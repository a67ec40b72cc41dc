"""A cadence that differs from the reference's, or from the others'."""

from bisect import bisect_left
from functools import cached_property

from monitor.live.alarm import Signal
from monitor.live.comparator import Comparator
from monitor.live.faults.seen import Seen
from monitor.live.faults.sign import Sign

WINDOW_S = 15
"""Closed seconds over which cadences are means."""
EDGE_S = 4
"""Seconds at either end of them whose means tell how much cadence changed."""
# All common practice, no source.
SETTLED_S = 5
"""Seconds between a stop and a window: getting going is told in too many ways to be compared."""
LATE_S = 3.0
"""Seconds by which an instrument may show cadence late: lag x change / window is no difference."""
MOST_CHANGE_RPM = 60.0
"""Larger changes count as this."""
LEAST_RPM, TURNING_RPM = 30.0, 20.0
"""Slower than this nothing is compared; one end, or any second, slower than that, nothing is decided: a late
one shows a stop in other seconds."""
STOP_S = 3
"""Of one that counts every other turn single seconds may hold none: a stop is no shorter than this."""
MARGIN_RPM = 0.6
"""Beyond limit and edge it must differ by so much: the scatter of a mean of 15 s of whole revolutions."""
DOUBLED, HALVED = (1.9, 2.1), (0.47, 0.53)
"""Ratios to the others that tell of a magnet counted twice, or every other time."""


class Turning:
    """How all turned in the closed seconds of a window that ends now; what few ask for is worked out then."""

    def __init__(self, comparator: Comparator, end: int) -> None:
        self._comparator = comparator
        self._begin, self._end = end - WINDOW_S, end
        [cadences] = comparator.cadences((self._begin, end))
        self.cadences: list[float | None] = cadences
        """Mean cadences of the window, rpm; None: unknown."""
        self.known = sorted(c for c in cadences if c is not None)
        """The known ones."""

    @cached_property
    def _ends(self) -> tuple[list[float | None], list[float | None]]:
        """Mean cadences of the first and of the last seconds of the window, rpm."""
        begin, end = self._begin, self._end
        first, last = self._comparator.cadences((begin, begin + EDGE_S), (end - EDGE_S, end))
        return first, last

    @cached_property
    def change(self) -> float | None:
        """By how much any changed from the first to the last seconds, rpm; None: unknown."""
        pairs = [(a, b) for a, b in zip(*self._ends, strict=True) if a is not None and b is not None]
        return max(abs(b - a) for a, b in pairs) if pairs else None

    def slowest(self, over_s: int) -> float:
        """The slowest of these means and of any `over_s` seconds, rpm; 0 where the change is not known."""
        if self.change is None:
            return 0.0
        starts = range(self._begin, self._end - over_s + 1)
        each = self._comparator.cadences(*((k, k + over_s) for k in starts))
        return min(a for row in (*self._ends, *each) for a in row if a is not None)

    def median_without(self, own: float) -> float | None:
        """The upper median of the known cadences but one that is `own`; None if there is no other."""
        others = len(self.known) - 1
        if others < 1:
            return None
        half = others // 2
        return self.known[half if half < bisect_left(self.known, own) else half + 1]


def turning(comparator: Comparator, end: int) -> Turning | None:
    """How all turned in the closed seconds before `end`; None if there are too few."""
    coasted = comparator.pedalled_since - SETTLED_S > end - WINDOW_S and comparator.powered
    return None if end < WINDOW_S or coasted else Turning(comparator, end)


def cadence(seen: Seen, i: int, turned: Turning) -> Sign | None:
    """Mean cadence (rpm) against the reference, or the others' median."""
    label, named = seen.labels[i], seen.comparator.reference
    standing = ("cadence-off", label, None) in seen.standing
    own = turned.cadences[i]
    unknown = Sign("cadence-off", label, None, None, unit="rpm") if standing else None
    if named == i or own is None:
        return unknown
    reference, name = None, "the others"
    if named is not None and turned.cadences[named] is not None:
        reference, name = turned.cadences[named], seen.labels[named]
    else:
        reference = turned.median_without(own)
    if reference is None or max(own, reference) < LEAST_RPM:
        return unknown
    off, limit = own - reference, seen.bench.limits.cadence_rpm
    if not standing and abs(off) <= limit + MARGIN_RPM:
        # What the edges can contribute only widens the limit.
        return None
    begin_s = seen.comparator.ring.end - WINDOW_S
    moved = any(seen.tracks[j].turns_moved_s > begin_s for j in (i, i if named is None else named))
    if moved or turned.change is None:
        return unknown
    edge = min(turned.change, MOST_CHANGE_RPM) * LATE_S / WINDOW_S
    signal: Signal = None
    ratio = own / reference
    twice = any(low < ratio < high for low, high in (DOUBLED, HALVED))
    if turned.slowest(STOP_S if twice else 1) >= TURNING_RPM:
        beyond = abs(off) > limit + edge + MARGIN_RPM
        signal = "over" if beyond else "below" if abs(off) < limit else "between"
    if signal != "over" and not standing:
        return None
    return Sign(
        "cadence-off",
        label,
        None,
        signal,
        value=off,
        limit=limit,
        unit="rpm",
        reference=name,
        cause=None if signal is None else "placement",
        what=f"{label} reports {own:.0f} rpm, {name} {reference:.0f} rpm"
        + (", it counts twice or every other turn" if twice else ""),
        do=f"check {'its magnet and sensor' if twice else 'its cadence sensor, magnet and settings'}",
    )
