"""A reading far out of the line that others don't show."""

from collections.abc import Sequence

from monitor.live.faults.oddities.calm import calm
from monitor.live.faults.recent import JUMP_UP, JUMP_UP_W, Jump
from monitor.live.faults.seen import Seen
from monitor.live.faults.sign import SHOWN_S, Sign

# All common practice, no source.
NEIGHBOURS_S = 2.5
"""Seconds of readings after a jump that are looked at: two of a meter that shows one a second."""
AFTER_S = 0.05
"""Seconds. Readings nearer to the jump than this are of the same event."""
BACK_UP, BACK_UP_W = 1.3, 60.0
"""After a jump up a reading below this part of the mean, plus so many watts, is back in the line."""
BACK_DOWN = 0.6
"""After a jump down a reading above this part of the mean is."""
STAYED = 2
"""Readings that may still show the jump: meters smooth, and some show each value twice."""
OTHERS_BEFORE_S = 5.0
"""Seconds before the jump in which the others must have been quiet, too."""
QUIET_UP, QUIET_UP_W, QUIET_DOWN = 1.25, 60.0, 0.6
"""Others are quiet while their highest and lowest lie within these of their mean."""


def spike(seen: Seen, i: int, now_s: float) -> Sign | None:
    """Told when the neighbours of a jump are known."""
    jumps, label = seen.recent[i].jumps, seen.labels[i]
    if jumps.candidate is not None and now_s - jumps.candidate.t_s > NEIGHBOURS_S:
        jump, jumps.candidate = jumps.candidate, None
        if _alone(seen, i, jump):
            jumps.spike = jump
    if jumps.spike is None or now_s - jumps.spike.t_s >= SHOWN_S:
        return calm(seen, "spike", label)
    power, mean = jumps.spike.power_w, jumps.spike.mean_w
    return Sign(
        "spike",
        label,
        "total",
        "over",
        value=power,
        limit=JUMP_UP * mean + JUMP_UP_W,
        unit="W",
        since_s=jumps.spike.t_s,
        cause="unclear",
        what=f"{label} reported {power:.0f} W for a moment at {mean:.0f} W, the others did not",
        do="mark it, and check cable, magnet and interference if it comes again",
    )


def _alone(seen: Seen, i: int, jump: Jump) -> bool:
    """Whether a jump came back at once while the others rode on quietly."""
    later = seen.recent[i].between(jump.t_s + AFTER_S, jump.t_s + NEIGHBOURS_S)
    if jump.power_w > jump.mean_w:
        back = sum(p < BACK_UP * jump.mean_w + BACK_UP_W for p in later)
    else:
        back = sum(p > BACK_DOWN * jump.mean_w for p in later)
    others = seen.others_between(i, jump.t_s - OTHERS_BEFORE_S, jump.t_s + NEIGHBOURS_S)
    shown = [p for p in others if p]
    return back > 0 and len(later) - back <= STAYED and bool(shown) and all(_quiet(p) for p in shown)


def _quiet(powers: Sequence[float]) -> bool:
    mean = sum(powers) / len(powers)
    return max(powers) < QUIET_UP * mean + QUIET_UP_W and min(powers) > QUIET_DOWN * mean
