"""What a detector says: a sign that drives one alarm, and how long each kind must last."""

import msgspec

from monitor.finding import Cause, Kind, Side, Unit
from monitor.live.alarm import Signal

SHOWN_S = 8.0
"""Something that happened at one moment (spike, restart) stays raised this long, to be seen."""


class Sign(msgspec.Struct, gc=False):
    """What a detector saw: `signal` drives the alarm `(kind, instrument, side)`."""

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
    advice: str = ""
