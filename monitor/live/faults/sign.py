"""What a detector says: a sign that drives one alarm, and how long each kind must last."""

from dataclasses import dataclass
from typing import Literal

from monitor.analysis.expected import Zone
from monitor.finding import Cause, Kind, Side, Unit, advice_of
from monitor.live.alarm import Signal

SHOWN_S = 8.0
"""Something that happened at one moment (spike, restart) stays raised this long, to be seen."""


@dataclass(slots=True)
class Sign:
    """What a detector saw: `signal` drives the alarm `(kind, instrument, side)`.

    `what` is a statement that stays true after the ride (what, where, by how much), `do` what to
    try now.
    """

    kind: Kind
    instrument: str
    side: Side | None
    signal: Signal
    value: float | None = None
    limit: float | None = None
    unit: Unit = "%"
    reference: str | None = None
    since_s: float | None = None
    cause: Cause | None = None
    what: str = ""
    do: str = ""
    rests_on: tuple[int, int] | None = None
    """The closed seconds [begin, end) whose windows it is told from."""
    zone: Zone | None = None
    """Whether two may differ so much, each within its claim."""
    whose: Literal["", "difference", "own"] = ""
    """Whether it is told as a difference of two, or is the instrument's own for sure."""
    inferred: str = ""
    """What is inferred and not measured: no cause, yet worth to be said again once it is known."""
    cleared: str = ""
    """What is so when it is cleared, where that is not what is usual for its kind."""

    @property
    def advice(self) -> str:
        """What happened and what to try, as one sentence."""
        return advice_of(self.what, self.do)
