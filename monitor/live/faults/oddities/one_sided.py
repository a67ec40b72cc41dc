"""A side that is doubled: exactly 50 : 50 under varying power, or no sides where the bench says both."""

import math

from monitor.analysis.curve import LEFT, SIDED, WORK
from monitor.live.alarm import Signal
from monitor.live.comparator import Comparator
from monitor.live.faults.seen import Seen
from monitor.live.faults.sign import Sign

EVEN_S = 60.0
"""So long exactly 50 : 50 under varying power, or without sides, is no rider."""
# All common practice, no source.
EVEN_N, NONE_N = 40, 60
"""Values with an even share, or with none, that this takes at the least."""
TOLD_N = 20
JUMPED = 0.005
"""With so many uneven shares before it has both sides; from a mean share of those further than this and a
step from one half it has jumped to be even."""
TIMES_SMOOTH, VARIED_MUCH_W = 5.0, 60.0
"""Times `EVEN_S`, and watts of variation, that it takes without a jump."""
VARIED_W = 15.0
"""Watts by which power must have varied meanwhile."""
SIDED_PART = 0.8
"""Of that time another instrument must have reported sides to be held against it."""
UNEVEN = 0.01
"""A share of another further than this from one half is no even rider."""
COARSE_STEP = 0.005
"""Shares told in greater steps stay even by chance for long."""
TIMES_COARSE, TIMES_FINE = 4.0, 1.5
"""Times `EVEN_S` that it takes without another instrument with sides."""


def one_sided(seen: Seen, i: int) -> Sign | None:
    """A doubled or missing side of `i`."""
    r, track, label = seen.recent[i], seen.tracks[i], seen.labels[i]
    shares = r.shares
    since, what, do = None, "", ""
    last_s = r.powers[-1][0] if r.powers else -math.inf
    if shares.even >= EVEN_N and r.powers:
        span_s = last_s - shares.even_since_s
        varied = shares.high_w - shares.low_w > VARIED_W
        times = _even_times(seen.comparator, i, track.share_step)
        if shares.told >= TOLD_N and abs(shares.before - 0.5) <= JUMPED + track.share_step:
            # It told both sides, and its rider has come to be even: nothing jumped.
            varied, times = shares.high_w - shares.low_w > VARIED_MUCH_W, max(times, TIMES_SMOOTH)
        if varied and span_s >= EVEN_S * max(1.0, times):
            since = shares.even_since_s
            what = f"{label} has reported exactly 50 : 50 for {span_s:.0f} s, so one side is doubled"
            do = "wake and pair the other side"
    elif track.share_s == -math.inf and shares.none >= NONE_N and last_s - shares.none_since_s >= EVEN_S:
        since = shares.none_since_s
        what = f"{label} reports no sides though the bench says it has both"
        do = "wake and pair the other side, and check the settings for it"
    seen.doubled[i] = since is not None and shares.even >= EVEN_N
    if since is None and ("one-sided", label, None) not in seen.standing:
        return None
    signal: Signal = "below" if since is None else "over"
    value = 0.0 if since is None else last_s - since
    return Sign("one-sided", label, None, signal, value, EVEN_S, "s", None, since, "one-side", what, do)


def _even_times(comparator: Comparator, i: int, share_step: float) -> float:
    """How many times EVEN_S an even share must last to be no chance, since some riders are even.

    Once where another instrument shows that this one isn't; without one the longer the coarser
    the share is reported.
    """
    end = comparator.ring.end
    rows: list[list[float]] = comparator.ring.window(max(0, end - int(EVEN_S)), end).tolist()
    others = [
        row[LEFT] / row[WORK]
        for j, row in enumerate(rows)
        if j != i and row[SIDED] > SIDED_PART * EVEN_S and row[WORK] > 0.0
    ]
    if others:
        # One that rounds shows one half for all that lies within a half of its step.
        uneven = UNEVEN if share_step <= COARSE_STEP else UNEVEN + share_step
        return 1.0 if any(abs(share - 0.5) > uneven for share in others) else math.inf
    return TIMES_COARSE if share_step > COARSE_STEP else TIMES_FINE
