"""What a trainer is to do and what is shown of it, as values."""

from typing import Literal, NamedTuple

from capture.control import Request

KEEP_ALIVE_S = 2.0
"""A screen that tells the recorder nothing for so long is gone, and its last will is carried out: shorter
than a rider needs to stall, longer than a busy computer pauses (common practice, no source)."""

Phase = Literal["off", "asking", "held", "falling", "taken"]
"""`off`: not armed. `asking`: armed, waits to be granted control and the safe target. `held`: follows the
target. `falling`: the safe target is sent until it is confirmed. `taken`: another program has it."""


class Load(NamedTuple):
    """What the rider is to have: a power in W, or (None) a free road. `cadence_rpm` is the planned one."""

    power_w: float | None = None
    cadence_rpm: float | None = None


class Bequest(NamedTuple):
    """The will to be left with the recorder; no `data`: withdraw it."""

    channel: str
    data: tuple[bytes, ...] = ()
    answer: bytes = b""


class Said(NamedTuple):
    """Something for the record, an act `trainer`."""

    text: str


Order = Request | Bequest | Said
"""What the session has to do, in this order."""


class TrainerView(NamedTuple):
    """The trainer as a screen shows it. Powers in W; None: not known or none."""

    label: str
    phase: Phase
    words: str
    target_w: float | None = None
    goal_w: float | None = None
    max_w: float = 0.0
    eased: bool = False
    loud: bool = False
    """Somebody has to do something."""
    troubled: bool = False
    """It is not armed, and there is a reason worth telling."""
    ever: bool = False
    """It was armed in this session, by whichever screen."""


class RefusedError(Exception):
    """The trainer can't be armed now; the text says why and what to do."""
