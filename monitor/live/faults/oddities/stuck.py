"""The same reading again and again, while others move.

Some meters repeat their last value at a rest: what stands still while nobody pedals, or until the first
turns after it are shown, is no fault. Fails for a value that gets stuck at a rest and moves at the next
turn: nobody can tell that from such a manner.
"""

import math
from itertools import accumulate

from monitor.analysis.block import MIN_POWER_W
from monitor.live.faults.oddities.calm import calm
from monitor.live.faults.recent import Recent
from monitor.live.faults.rest import later_s
from monitor.live.faults.seen import EVIDENCE_S, Seen
from monitor.live.faults.sign import Sign

STUCK_S = 6.0
"""A reading that stands still for less may be chance."""
# All common practice, no source.
HELD_BEFORE_S = 60.0
"""Seconds since a ride file last held a value for want of a new one."""
SILENT_S = 4.0
"""Seconds without a new value, of one that others would have shown by now."""
TURN_S = 1.5
"""Seconds from the last event to the end of riding: a turn at 40 rpm."""
START_S = 4.0
"""Seconds after the first turns in which others may still climb to the power ridden: they average."""
LEAST_N = 16
"""A value shown fewer times in a row than this may be chance, ..."""
TIMES_USUAL = 3
"""... and so may one shown less often than so many times its longest run so far."""
OTHERS_N = 4
"""Others that showed so few values, or fewer, can't be said to have moved."""
CLIPS = 1.1
"""Others this much higher than its highest show that it clips, which is another finding."""
KNOWN_RUNS = 8
"""Runs after which it is known how it usually moves."""
MOVED, MOVED_UNKNOWN, MOVED_LONG = 0.03, 0.1, 0.015
"""By this part of the standing value others must have moved. Much where it has never been seen to move:
it may show a held target. Less in a run that is long beyond chance, whatever they do."""
MOVED_W = 4.0
"""Watts they must have moved at the least."""
LONG_N, LONG_TIMES = 32, 6
"""A run is long from so many values on, and so many times its longest so far."""


def stuck(seen: Seen, i: int, now_s: float) -> Sign | None:
    """A standing value, of `i` at `now_s`."""
    r, track, label = seen.recent[i], seen.tracks[i], seen.labels[i]
    power = track.power_w
    silent = seen.heard[i] != "heard" or now_s - track.heard_s > EVIDENCE_S
    # What a ride file of changes only wrote down may well stand for longer.
    by_changes = now_s - track.held_s < HELD_BEFORE_S
    if silent or by_changes or power is None or power < MIN_POWER_W:
        return calm(seen, "stuck", label)
    shown_s = r.powers[-1][0] if r.powers else -math.inf
    # Just back from silence, or from a link that broke off, it has had no time to show anything new.
    listened_s = now_s - max(shown_s, seen.heard_since_s[i], seen.linked_s[i])
    if listened_s <= SILENT_S and not _may_stand(r, now_s):
        return calm(seen, "stuck", label)
    # What late ones show of the riding before a rest is none during it.
    others = [j for j in range(len(seen.tracks)) if j != i and not seen.held[j]]
    riding = [seen.tracks[j].pedalled_s - later_s(seen, j, i) for j in others]
    ridden_s = max(riding, default=-math.inf) - max(shown_s, seen.pedalling_since_s[i])
    if listened_s > SILENT_S and ridden_s > TURN_S:
        moved = any(seen.others_between(i, now_s - SILENT_S, now_s))
        since = shown_s
    else:
        # Others that average longer still climb to where it stands already.
        since = max(r.runs.since_s, seen.pedalling_since_s[i] + START_S)
        moved = _stands(seen, i, r, since, now_s)
    if not moved:
        return calm(seen, "stuck", label)
    return Sign(
        "stuck",
        label,
        "total",
        "over",
        value=now_s - since,
        limit=STUCK_S,
        unit="s",
        since_s=since,
        cause="unclear",
        what=f"{label} reported {power:.0f} W unchanged for {now_s - since:.0f} s while others changed",
        do="pedal backwards or wake it, and reconnect it if that does not help",
    )


def _may_stand(recent: Recent, now_s: float) -> bool:
    """Whether the last run of equal values is long enough to be looked at."""
    runs = recent.runs
    return runs.n >= LEAST_N and runs.value_w >= MIN_POWER_W and now_s - runs.since_s >= STUCK_S


def _stands(seen: Seen, i: int, recent: Recent, since_s: float, now_s: float) -> bool:
    """Whether the run of equal values is beyond what it usually shows, while others moved, `since_s`."""
    runs = recent.runs
    if not _may_stand(recent, now_s) or now_s - since_s < STUCK_S:
        return False
    usual = runs.usual
    n = runs.n if since_s == runs.since_s else len(recent.between(since_s, now_s))
    if n < max(LEAST_N, TIMES_USUAL * usual):
        return False
    # One that averages for long shows of what others moved no more than its mean.
    width_s = seen.comparator.lags.averages_s(i)
    others = [p for p in seen.others_between(i, since_s - width_s, now_s) if len(p) > OTHERS_N]
    if width_s > 0.0:
        times = width_s / (now_s - since_s + width_s)
        others = [_means(p, max(1, round(times * len(p)))) for p in others]
    if runs.value_w >= runs.peak_w and any(max(p) > CLIPS * runs.value_w for p in others):
        return False
    known = len(runs.past) >= KNOWN_RUNS
    long = n >= max(LONG_N, LONG_TIMES * usual)
    part = MOVED_UNKNOWN if not known else MOVED_LONG if long else MOVED
    # At the start of a run their own scatter is no movement.
    return any(_moved(p, long) > max(MOVED_W, part * runs.value_w) for p in others)


def _means(powers: list[float], n: int) -> list[float]:
    """The means of each `n` readings (W) in a row."""
    sums = [0.0, *accumulate(powers)]
    return [(last - first) / n for first, last in zip(sums, sums[n:], strict=False)]


def _moved(powers: list[float], raw: bool) -> float:
    """By how much readings (W) moved: the span of the means of their thirds, or of all of them if `raw`."""
    n = len(powers) // 3
    if raw or not n:
        return max(powers) - min(powers)
    means = [sum(part) / len(part) for part in (powers[:n], powers[n:-n], powers[-n:])]
    return max(means) - min(means)
