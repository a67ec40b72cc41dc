"""What can be found, one table for all kinds, and a finding as it is printed and kept."""

from dataclasses import dataclass
from typing import Literal

import msgspec

Kind = Literal[
    "signal-lost",
    "power-missing",
    "power-off",
    "side-off",
    "balance-off",
    "cadence-off",
    "stuck",
    "spike",
    "clipped",
    "one-sided",
    "sides-swapped",
    "shifted",
    "restarted",
    "setting-differs",
    "battery-low",
    "not-recorded",
    "clock-stepped",
    "stamps-late",
    "zero-jumped",
]
Cause = Literal[
    "scale", "zero-offset", "one-side", "setting", "placement", "link", "drivetrain", "drift", "unclear"
]
Side = Literal["left", "right", "total"]
Unit = Literal["%", "W", "points", "rpm", "s", "N·m"]
State = Literal["clear", "pending", "raised", "blind"]


@dataclass(frozen=True, slots=True)
class Rule:
    """How long a signal must be over to raise an alarm, and below to clear it; and what it is called."""

    hold_s: float
    linger_s: float
    phrase: str
    """What is so again when the alarm is cleared: it stands behind the instrument and its side."""
    words: str
    """What it is, for people: a power that is off its tolerance is not `power off`."""
    short: str
    """The same on the lane of an instrument, in at most 16 cells; in capitals if it is loud."""
    quiet: bool = False
    """Worth a word and no alarm: nothing that was measured meanwhile is wrong by it."""


KINDS: dict[Kind, Rule] = {
    "not-recorded": Rule(0.0, 0.0, "the disk accepts data again", "not recorded", "NOT RECORDED"),
    # Silence and missing power are timed by their detectors.
    "signal-lost": Rule(0.0, 0.0, "connected again", "signal lost", "LOST"),
    "power-missing": Rule(0.0, 1.0, "reports power again", "reports no power", "NO POWER"),
    "sides-swapped": Rule(0.0, 20.0, "sides agree again", "sides swapped", "SIDES SWAPPED"),
    "one-sided": Rule(0.0, 5.0, "reports both sides again", "one side doubled", "ONE SIDE DOUBLED"),
    "setting-differs": Rule(0.0, 0.0, "settings agree again", "setting differs", "SETTING DIFFERS"),
    "zero-jumped": Rule(0.0, 0.0, "zero offset as usual again", "zero has jumped", "zero jumped", quiet=True),
    "side-off": Rule(1.0, 3.0, "agrees again", "side deviates", "SIDE OFF"),
    # Windows of work move slowly; a short hold keeps out what only touches the limit.
    "power-off": Rule(1.0, 3.0, "power agrees again", "power deviates", "POWER OFF"),
    "balance-off": Rule(3.0, 5.0, "balance agrees again", "balance deviates", "BALANCE OFF"),
    "shifted": Rule(0.0, 0.0, "steady again", "has shifted", "SHIFTED"),
    "cadence-off": Rule(3.0, 5.0, "cadence agrees again", "cadence deviates", "CADENCE OFF"),
    "stuck": Rule(0.0, 2.0, "readings change again", "value stands still", "STUCK"),
    "clipped": Rule(0.0, 5.0, "no longer cut off at the top", "clipped", "CLIPPED"),
    "restarted": Rule(0.0, 0.0, "counters run on", "restarted", "restarted", quiet=True),
    "spike": Rule(0.0, 0.0, "no spike since", "spike", "spike", quiet=True),
    "battery-low": Rule(0.0, 0.0, "battery no longer low", "battery low", "battery low", quiet=True),
    "clock-stepped": Rule(
        0.0, 0.0, "the computer's clock is steady again", "clock stepped", "clock stepped", quiet=True
    ),
    "stamps-late": Rule(0.0, 0.0, "the computer keeps up again", "stamps late", "stamps late", quiet=True),
}
"""Every kind of finding, in the order in which alarms of one moment speak."""


class Finding(msgspec.Struct, frozen=True, omit_defaults=False):
    """A finding changed state: one line of `--headless` and of `findings.jsonl`.

    `value` and `limit` are in `unit`; `t_s` is when it was decided, `since_s` when what it
    tells of began, both in session seconds. `what` stays true after the ride, `do` is what to
    try now (may be empty), `advice` both joined (`advice_of`).
    """

    t_s: float
    event: Literal["raised", "cleared"]
    kind: Kind
    instrument: str
    side: Side | None
    reference: str | None
    value: float | None
    limit: float | None
    unit: Unit
    since_s: float
    cause: Cause | None
    what: str
    do: str
    advice: str


def advice_of(what: str, do: str) -> str:
    """What happened and what to try, as one sentence."""
    return f"{what}: {do}" if what and do else what or do
