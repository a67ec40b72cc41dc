"""The bench file: which instruments hang on the line, what they claim, what is tolerated."""

from typing import Literal

import msgspec

Role = Literal["reference", "witness", "on-test"]
Mount = Literal["pedals", "crank", "spider", "chainring", "hub", "cadence"]
Sides = Literal["both", "left", "right", "total"]
Profile = Literal["cycling-power", "fitness-machine", "speed-cadence"]


class Instrument(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """One instrument of the bench, as its tester describes it."""

    label: str
    link: str
    role: Role = "on-test"
    mount: Mount = "crank"
    sides: Sides = "total"
    profile: Profile | None = None
    claim_percent: float | None = None
    drivetrain_loss: tuple[float, float] | None = None
    crank_length_mm: float | None = None
    notes: str = ""


class Limits(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """When a difference counts. `power_percent` 0 means: from the claims, as root sum of squares."""

    window_s: float = 30.0
    floor_w: float = 3.0
    power_percent: float = 0.0
    balance_points: float = 2.0
    cadence_rpm: float = 2.0
    lost_after_s: float = 2.5


class Bench(msgspec.Struct, frozen=True, kw_only=True):
    """A whole bench. `text` is the file as read: it goes into the journal's header."""

    name: str
    reference: str
    instruments: tuple[Instrument, ...]
    limits: Limits = Limits()
    scene: dict[str, object] | None = None
    text: str = ""
