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
    "zero-jumped",
]
Cause = Literal["scale", "zero-offset", "one-side", "setting", "placement", "link", "unclear"]
Side = Literal["left", "right", "total"]
Unit = Literal["%", "W", "points", "rpm", "s", "N·m"]
State = Literal["clear", "pending", "raised", "blind"]


@dataclass(frozen=True, slots=True)
class Rule:
    """How long a signal must stay over before an alarm is raised, below before it is cleared; its name."""

    hold_s: float
    linger_s: float
    phrase: str = ""
    """What is over when the alarm is cleared: "... is over"."""


KINDS: dict[Kind, Rule] = {
    "not-recorded": Rule(0.0, 0.0, "the trouble with the disk"),
    # Silence and missing power are timed by their detectors.
    "signal-lost": Rule(0.0, 0.0, "the loss of signal"),
    "power-missing": Rule(0.0, 1.0, "the missing power"),
    "sides-swapped": Rule(0.0, 20.0, "the swap of sides"),
    "one-sided": Rule(0.0, 5.0, "the doubled side"),
    "setting-differs": Rule(0.0, 0.0, "the difference of settings"),
    "zero-jumped": Rule(0.0, 0.0, "the jump of the zero"),
    "side-off": Rule(1.0, 3.0, "the deviation of a side"),
    # Windows of work move slowly; a short hold keeps out what only touches the limit.
    "power-off": Rule(1.0, 3.0, "the deviation of power"),
    "balance-off": Rule(3.0, 5.0, "the deviation of balance"),
    "shifted": Rule(0.0, 0.0, "the news of a shift"),
    "cadence-off": Rule(3.0, 5.0, "the deviation of cadence"),
    "stuck": Rule(0.0, 2.0, "the standing value"),
    "clipped": Rule(0.0, 5.0, "the clipping"),
    "restarted": Rule(0.0, 0.0, "the news of a restart"),
    "spike": Rule(0.0, 0.0, "the spike"),
    "battery-low": Rule(0.0, 0.0, "the low battery"),
    "clock-stepped": Rule(0.0, 0.0, "the news of a stepped clock"),
}
"""Every kind of finding, in the order in which alarms of one moment speak."""


class Finding(msgspec.Struct, frozen=True, omit_defaults=False):
    """A finding changed state: one line of `--headless` and of `findings.jsonl`.

    `value` and `limit` are in `unit`; `t_s` is when it was decided, `since_s` when what it
    tells of began, both in session seconds.
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
    advice: str
