"""What a detector says: a sign that drives one alarm, and how long each kind must last."""

import msgspec

from monitor.alarm import Rule, Signal
from monitor.view import Cause, Kind, Side, Unit

RULES: dict[Kind, Rule] = {
    # Silence and missing power are timed by their detectors.
    "signal-lost": Rule(0.0, 0.0),
    "power-missing": Rule(0.0, 1.0),
    # Windows of work move slowly; a short hold keeps out what only touches the limit.
    "power-off": Rule(1.0, 3.0),
    "side-off": Rule(1.0, 3.0),
    "balance-off": Rule(3.0, 5.0),
    "cadence-off": Rule(3.0, 5.0),
    "stuck": Rule(0.0, 2.0),
    "spike": Rule(0.0, 0.0),
    "clipped": Rule(0.0, 5.0),
    "one-sided": Rule(0.0, 5.0),
    "sides-swapped": Rule(0.0, 20.0),
    "shifted": Rule(0.0, 0.0),
    "restarted": Rule(0.0, 0.0),
    "setting-differs": Rule(0.0, 0.0),
    "battery-low": Rule(0.0, 0.0),
    "not-recorded": Rule(0.0, 0.0),
    "clock-stepped": Rule(0.0, 0.0),
    "zero-jumped": Rule(0.0, 0.0),
}

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
