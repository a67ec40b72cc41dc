"""A plateau at the highest reading while others rise."""

from monitor.live.faults.oddities.calm import calm
from monitor.live.faults.seen import Seen
from monitor.live.faults.sign import Sign

# All common practice, no source.
LEAST_N, LEAST_S, LEAST_W = 4, 1.5, 150.0
"""A plateau has so many equal values over so many seconds, and no meter ends below so many watts."""
MAYBE_N, AGAIN_N, SAME_W = 2, 2, 1.0
"""With two equal values it may be one; where a plateau was seen before, within a watt, two are enough."""
OLD_S = 2.0
"""Seconds. An older last value says nothing of now."""
BEFORE_S = 2.5
"""Seconds before the plateau from which on the others' rise is looked at: who reports once a second may
tell of it as late as this."""
ABOVE = 1.1
"""Others rise by so much above the plateau, and above where they began."""


def clipped(seen: Seen, i: int, now_s: float) -> Sign | None:
    """A plateau of `i` at `now_s`."""
    r, label = seen.recent[i], seen.labels[i]
    runs, ceiling_w = r.runs, seen.ceiling_w[i]
    seen.at_top[i] = False
    if not r.powers or now_s - r.powers[-1][0] > OLD_S or runs.value_w < max(runs.peak_w, LEAST_W):
        return calm(seen, "clipped", label)
    again = ceiling_w is not None and abs(runs.value_w - ceiling_w) <= SAME_W
    if runs.n < (AGAIN_N if again else MAYBE_N):
        return calm(seen, "clipped", label)
    others = [p for p in seen.others_between(i, runs.since_s - BEFORE_S, now_s) if p]
    # A known ceiling may be reached before the others have told of their rise.
    above = [max(p) for p in others if max(p) > ABOVE * (runs.value_w if again else max(runs.value_w, p[0]))]
    if not others or len(above) != len(others):
        return calm(seen, "clipped", label)
    seen.at_top[i] = True
    # One that shows each value several times may only be late.
    short = runs.n < LEAST_N or now_s - runs.since_s < LEAST_S or runs.n <= runs.usual
    if short and not again:
        return calm(seen, "clipped", label)
    seen.ceiling_w[i] = runs.value_w
    return Sign(
        "clipped",
        label,
        "total",
        "over",
        value=runs.value_w,
        limit=max(above),
        unit="W",
        since_s=runs.since_s,
        cause="unclear",
        what=f"{label} cuts off at {runs.value_w:.0f} W, its highest so far, while others rise to "
        f"{max(above):.0f} W, so its sprint peaks can't be used",
        do="check its range and firmware, ask the maker",
    )
