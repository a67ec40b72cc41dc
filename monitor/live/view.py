"""Frozen views: what a screen draws and a report prints. Values only, nothing computed here."""

from typing import Literal

import msgspec

from monitor.analysis.consistency import Apart
from monitor.finding import Cause, Kind, Side, State

Verdict = Literal["reference", "agrees", "differs", "undecided", "blind"]
Heard = Literal["heard", "resting", "lost", "searching", "given-up"]


class AlarmView(msgspec.Struct, frozen=True):
    """One alarm that is not calm, as it stands now."""

    kind: Kind
    instrument: str
    side: Side | None
    state: State
    since_s: float
    text: str
    acknowledged: bool = False
    what: str = ""
    do: str = ""
    value: float | None = None
    limit: float | None = None
    unit: str = "%"
    cause: Cause | None = None


class Again(msgspec.Struct, frozen=True):
    """What was raised is looked at anew: since when, and how much of what that needs is ridden, in seconds.

    `stands`: what came since shows the same already.
    """

    since_s: float
    measured_s: float
    needed_s: float
    stands: bool = False


class Lane(msgspec.Struct, frozen=True):
    """One instrument on the common line. Means are over the last few seconds unless said otherwise.

    `deviation_percent` and `u95_percent` are what the verdict rests on: the difference against the
    reference, after the expected drivetrain loss (`expected_percent`) is taken out, and its 95 %
    uncertainty, over the riding that `basis` names; `limit_percent` is the tolerance. Left and right
    deviations are of that side, against `side_reference`, over `side_basis`. `lag_s` is by how much it
    comes later than the reference (the first instrument with power in a consensus), which every
    comparison corrects. None: cannot be known now.
    """

    label: str
    role: str
    mount: str
    heard: Heard
    heard_since_s: float
    verdict: Verdict
    power_w: float | None = None
    left_w: float | None = None
    right_w: float | None = None
    cadence_rpm: float | None = None
    deviation_percent: float | None = None
    deviation_w: float | None = None
    expected_percent: float = 0.0
    u95_percent: float | None = None
    limit_percent: float | None = None
    left_deviation_percent: float | None = None
    right_deviation_percent: float | None = None
    left_u95_percent: float | None = None
    right_u95_percent: float | None = None
    side_limit_percent: float | None = None
    side_reference: str = ""
    basis: str = ""
    side_basis: str = ""
    raised: tuple[str, ...] = ()
    battery_percent: float | None = None
    packets: int = 0
    bad_packets: int = 0
    loss_percent: float | None = None
    lag_s: float | None = None
    lag_u95_s: float | None = None
    apart: Apart | None = None
    """Whether it stands apart from all other independent instruments; None: nothing deviates, or only two
    are there, which can only differ."""
    again: Again | None = None
    """It was touched after a finding was raised, so all figures are of what came since; None: it was not."""


class Block(msgspec.Struct, frozen=True):
    """A block that comes next, or that is proposed. `load` is `hold`, `ramp`, `free` or `sprint`."""

    name: str
    seconds: float
    target_w: float | None = None
    cadence_rpm: float | None = None
    load: str = "hold"


class Suggestion(msgspec.Struct, frozen=True):
    """The ride that would settle what is undecided: why, and the block to insert."""

    words: str
    block: Block


class Segment(msgspec.Struct, frozen=True):
    """The segment that is being ridden. `left_s` is None when it has no set length.

    `load` is `hold`, `ramp`, `free` or `sprint` (empty: not known), `why` what the block is for;
    in a pause the time left stands still and there is no target. `stage` is `checks` while the protocol
    waits for the checks, `ready` while it waits for the tester or the cranks, `finished` after its end.
    """

    name: str
    start_s: float
    number: int = 0
    count: int = 0
    target_w: float | None = None
    cadence_rpm: float | None = None
    left_s: float | None = None
    next_name: str | None = None
    load: str = ""
    gear: str = ""
    why: str = ""
    paused: bool = False
    next: Block | None = None
    stage: Literal["", "checks", "ready", "finished"] = ""


class Event(msgspec.Struct, frozen=True):
    """One line of the event list: when, a mark (`!` raised, `✓` cleared, `·` act, `~` link), what."""

    t_s: float
    mark: str
    text: str


class SideView(msgspec.Struct, frozen=True):
    """One side of the stroke now; angles in degrees of that leg's own crank, 0 up, 90 forward.

    `change_deg` and its 95 % are against the first minute of the present state; `shape` and `shape_before`
    are torque over its mean in equal parts of the turn, empty where there are no vectors.
    """

    side: str
    peak_deg: float | None = None
    change_deg: float | None = None
    change_u95_deg: float | None = None
    shape: tuple[float | None, ...] = ()
    shape_before: tuple[float | None, ...] = ()
    phase_deg: tuple[float, float] | None = None
    effectiveness_percent: float | None = None
    smoothness_percent: float | None = None


class StrokeView(msgspec.Struct, frozen=True):
    """The stroke by one instrument; `since_s` is when the state began, `first_s` how much of it counts."""

    label: str
    since_s: float
    sides: tuple[SideView, ...]
    position: str = ""
    vectors: int = 0
    lost_vectors: int = 0
    first_s: int = 0


class View(msgspec.Struct, frozen=True):
    """Everything that a screen shows at one moment of session time."""

    t_s: float
    bench: str
    reference: str
    lanes: tuple[Lane, ...]
    recording: str
    segment: Segment | None
    alarms: tuple[AlarmView, ...]
    events: tuple[Event, ...]
    advice: str
    trace_s: tuple[float, ...]
    """Session seconds of the trace, one a cell."""
    traces_w: dict[str, tuple[float | None, ...]]
    """Power by label, one value per entry of `trace_s`."""
    suggestion: Suggestion | None = None
    strokes: tuple[StrokeView, ...] = ()
    deviations: dict[str, tuple[float | None, ...]] = {}
    """Deviation from the reference in percent by label, as `traces_w`; None: not known to three limits."""
    trace_span_s: float = 300.0
    """What the trace spans when it is full."""
    hand_back_s: float | None = None
    """Seconds until the unit on test goes back, below nought where that is over; None: no time was told."""
