"""A computer that did not stamp what it heard when it came: too slow, or asleep. No link is to blame."""

from collections.abc import Container
from dataclasses import dataclass

from monitor.live.faults.seen import Key
from monitor.live.faults.sign import SHOWN_S, Sign
from monitor.text import clock

SLEPT_S = 60.0
"""No load holds a computer up for so long: it slept, or was held (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Stall:
    """One stall: when it ended, session seconds, and by how many seconds it made stamps late at most."""

    end_s: float
    late_s: float

    @property
    def what(self) -> str:
        """What happened, for people."""
        if self.late_s >= SLEPT_S:
            return f"this computer slept or stood still for {clock(self.late_s)}, nothing was heard meanwhile"
        return f"this computer is too slow: stamps are up to {self.late_s:.1f} s late"

    @property
    def do(self) -> str:
        """What to try."""
        if self.late_s >= SLEPT_S:
            return "keep it awake while it records"
        return "end other programs, and connect its power supply"


def stall_sign(stall: Stall | None, now_s: float, standing: Container[Key]) -> Sign | None:
    """The sign of the last stall, if it is news or has been."""
    if stall is None:
        return None
    fresh = now_s - stall.end_s < SHOWN_S
    if not fresh and ("stamps-late", "", None) not in standing:
        return None
    return Sign(
        "stamps-late",
        "",
        None,
        "over" if fresh else "below",
        value=stall.late_s,
        limit=1.0,
        unit="s",
        since_s=stall.end_s - stall.late_s,
        what=stall.what,
        do=stall.do,
    )
