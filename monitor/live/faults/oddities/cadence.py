"""A cadence that differs from the reference's, or from the others'."""

from bisect import bisect_left
from dataclasses import dataclass

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
MARGIN_RPM = 0.6
"""Beyond limit and edge it must differ by so much: the scatter of a mean of 15 s of whole revolutions."""
DOUBLED, HALVED = (1.9, 2.1), (0.47, 0.53)
"""Ratios to the others that tell of a magnet counted twice, or every other time."""


@dataclass(frozen=True, slots=True)
class Turning:
    """Mean cadences of the last 15 seconds (rpm; None: unknown), the known ones sorted, by how much any
    changed from the first to the last four seconds (None: unknown), and the slowest of these means and of any
    second."""

    cadences: list[float | None]
    known: list[float]
    change: float | None
    slowest: float

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
    if end < WINDOW_S or coasted:
        return None
    begin = end - WINDOW_S
    cadences, first, last, *each = comparator.cadences(
        (begin, end), (begin, begin + EDGE_S), (end - EDGE_S, end), *((k, k + 1) for k in range(begin, end))
    )
    pairs = [(a, b) for a, b in zip(first, last, strict=True) if a is not None and b is not None]
    return Turning(
        cadences,
        sorted(c for c in cadences if c is not None),
        max(abs(b - a) for a, b in pairs) if pairs else None,
        min((a for row in (first, last, *each) for a in row if a is not None), default=0.0) if pairs else 0.0,
    )


def cadence(seen: Seen, i: int, turned: Turning) -> Sign | None:
    """Mean cadence (rpm) against the reference, or the others' median."""
    label, named = seen.labels[i], seen.comparator.reference
    standing = ("cadence-off", label, None) in seen.standing
    own = turned.cadences[i]
    unknown = Sign("cadence-off", label, None, None, unit="rpm") if standing else None
    begin_s = seen.comparator.ring.end - WINDOW_S
    moved = any(seen.tracks[j].turns_moved_s > begin_s for j in (i, i if named is None else named))
    if named == i or own is None or moved:
        return unknown
    reference, name = None, "the others"
    if named is not None and turned.cadences[named] is not None:
        reference, name = turned.cadences[named], seen.labels[named]
    else:
        reference = turned.median_without(own)
    if reference is None or turned.change is None or max(own, reference) < LEAST_RPM:
        return unknown
    edge = min(turned.change, MOST_CHANGE_RPM) * LATE_S / WINDOW_S
    off, limit = own - reference, seen.bench.limits.cadence_rpm
    signal: Signal = None
    if turned.slowest >= TURNING_RPM:
        beyond = abs(off) > limit + edge + MARGIN_RPM
        signal = "over" if beyond else "below" if abs(off) < limit else "between"
    if signal != "over" and not standing:
        return None
    ratio = own / reference
    twice = any(low < ratio < high for low, high in (DOUBLED, HALVED))
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
