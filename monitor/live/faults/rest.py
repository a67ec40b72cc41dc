"""Whether one that fell silent may have fallen asleep at a rest, while a late one still shows pedalling.

Fails for a link that is lost within a turn of a stop: it is raised 3.5 s later, if they ride on.
"""

import math

from monitor.live.faults.seen import EVIDENCE_S, Seen

LATE_S = 3.5
"""Meters that average, or are late, show what was ridden up to 3 s later (common practice, no source)."""
OWN_REST_S = 1.2
"""Seconds without a turn before its last packet from which an instrument shows a rest itself ..."""
OWN_TURNS = 1.2
"""... or this many of its turns, whichever is longer."""
KNOWN_RUNS, HELD_TIMES = 8, 2
"""It is known how long it usually shows one value; more than twice as often in a row is held ..."""
USUAL_PART = 0.9
"""... where nine of ten runs of one value are no longer than usual (common practice, no source)."""
TOGETHER_S = 1.5
"""Two that fall silent within this time did so for one reason, and links are lost one by one."""


def holds(seen: Seen, i: int, now_s: float) -> bool:
    """Whether what `i` shows may be the last value before a rest, again and again.

    Fails for one that stands for longer than it ever did, tells no cadence, and is ridden all the same: while
    it does, it is no witness that somebody pedals.
    """
    runs, track = seen.recent[i].runs, seen.tracks[i]
    if runs.value_w <= 0.0 or now_s - runs.since_s <= EVIDENCE_S or track.turning_s > now_s - EVIDENCE_S:
        return False
    if len(runs.past) < KNOWN_RUNS:
        return False
    # Not the longest: that may have been a rest.
    usual = sorted(runs.past)[int(USUAL_PART * len(runs.past))]
    return runs.n > HELD_TIMES * usual


def later_s(seen: Seen, i: int, j: int) -> float:
    """By how many seconds `i` may show later than `j` what was ridden; LATE_S until their lags are known."""
    later = seen.comparator.later_s(i, j)
    return LATE_S if later is None else max(0.0, later)


def at_rest(seen: Seen, i: int) -> bool:
    """Whether a rest explains the silence of `i` as well as a loss does.

    Its own last packets show no turn, or no fewer of the others rest, or fell silent with it, than show
    pedalling. Who says so of a late one alone says what was ridden before.
    """
    track = seen.tracks[i]
    turn_s = 60.0 / track.cadence_rpm if track.cadence_rpm else 0.0
    if track.heard_s - track.pedalled_s > max(OWN_REST_S, OWN_TURNS * turn_s):
        return True
    ride = rest = 0
    for j, other in enumerate(seen.tracks):
        if j == i or other.heard_s == -math.inf:
            continue
        if other.pedalled_s > track.heard_s + EVIDENCE_S / 2 and not seen.held[j]:
            ride += 1
        elif other.heard_s > track.heard_s - TOGETHER_S and seen.given_up[j] is None:
            rest += 1
    return rest >= ride
