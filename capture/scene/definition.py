"""What the definition of a scene may say: the table `[scene]` of a bench, checked key by key.

    [scene]
    seed = 7
    gear = "50x17"                    # ratio of crank to wheel
    drivetrain_loss = [2.6, 1.0]      # watts, percent: what hub and trainer do not see
    [scene.rider]
    left_share = 0.51
    [[scene.segment]]                 # none: the rider follows the protocol
    name = "steady"
    seconds = 60
    target_w = 200
    [scene.instrument.heron]          # the target of a link `scene:heron`
    kind = "crank"
    radio = "bluetooth"
    [[scene.instrument.heron.faults]]
    at = 70
    until = 110
    fault = "gain"
    side = "right"
    size = 8.0
    [[scene.act]]                     # what the operator does
    at = 110
    act = "position"
    instrument = "heron"

Times are seconds of session time.
"""

import datetime
import difflib
import itertools
import math
import types
from collections.abc import Mapping, Sequence
from typing import Any, Literal, TypeVar, get_args, get_origin

import msgspec

from capture.scene.stroke import StrokeHabit

Kind = Literal["pedals", "crank", "single-sided", "spider", "hub", "trainer", "cadence", "speed-cadence"]
"""What an instrument measures and where.

`pedals` and `crank` measure either side, `single-sided` the left one and doubles it,
`spider` the sum, `hub` and `trainer` the wheel; a `trainer` also holds a target power.
`cadence` and `speed-cadence` count revolutions only.
"""
Radio = Literal["bluetooth", "ant"]
Side = Literal["left", "right"]
FaultKind = Literal[
    "dropout",
    "silent",
    "no-power",
    "stuck",
    "spike",
    "clip",
    "doubled",
    "swapped",
    "gain",
    "offset",
    "cadence-doubled",
    "cadence-halved",
    "restart",
    "battery-low",
    "drift",
    "sector",
    "angle",
]
"""What goes wrong; `size` in brackets.

`dropout`: the link is lost. `silent`: packets stop, the link stays. `no-power`: zero power
while pedalling. `stuck`: the same power with each new event. `spike`: one event too high
(watts). `clip`: never above (watts). `doubled`: `side` counted for both. `swapped`: left is
told as right. `gain`: a scale error (percent). `offset`: a torque added (N·m; without a side
half on either). `cadence-doubled`, `cadence-halved`: revolutions miscounted; power is not
touched. `restart`: all counters and the clock begin at zero. `battery-low` (percent left).
`drift`: a scale error that grows from `at` to `until` and stays (percent). `sector`: a scale error in one
part of the stroke, `from_deg` to `to_deg` of a leg's own crank (percent). `angle`: all angles of the
stroke that are sent are off (degrees); power is not touched.
"""

POWER_KINDS = ("pedals", "crank", "single-sided", "spider", "hub", "trainer")
SIDED_KINDS = ("pedals", "crank")
WHEEL_KINDS = ("hub", "trainer")
DEFAULT_SIZE: Mapping[str, float] = {
    "spike": 800.0,
    "clip": 300.0,
    "gain": 8.0,
    "offset": 1.0,
    "battery-low": 8.0,
    "drift": 3.0,
    "sector": 10.0,
    "angle": 10.0,
}
"""What `size` is if a fault does not say it, in the unit of the fault."""


class SceneError(ValueError):
    """A scene that can't be played; the message names the key, what is wrong, the nearest right key."""


class Fault(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """One fault of one instrument, from `at` to `until` in seconds (None: to the end)."""

    at: float
    fault: FaultKind
    until: float | None = None
    size: float | None = None
    side: Side | None = None
    from_deg: float = 45.0
    to_deg: float = 135.0


class Instrument(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """One virtual instrument: what it is, how well it measures, how it is heard."""

    kind: Kind
    radio: Radio = "bluetooth"
    name: str = ""
    """The name on the air; empty: `scene` and the label."""

    gain: float = 1.0
    """Told over true; `gain_left` and `gain_right` come on top."""
    gain_left: float = 1.0
    gain_right: float = 1.0
    offset_left_nm: float = 0.0
    """Zero offset, N·m at the crank (`hub`, `trainer`: at the wheel). Kinds without sides add both."""
    offset_right_nm: float = 0.0
    noise_percent: float = 0.5
    """Standard deviation of each measured torque."""
    smoothing_revs: int = 1
    """Moving average over so many revolutions."""
    smoothing_s: float = 0.0
    """Moving average over so many seconds of revolutions."""
    delay_s: float = 0.0
    """From the measurement to the moment in which it can be sent."""
    crank_length_mm: float | None = None
    """The length set in the instrument; None: the mounted one. `pedals`, `crank` and `single-sided`
    measure force, so that a wrong length is a scale error."""

    sync: Literal["crank", "time"] | None = None
    """New values with each revolution, or `rate_hz` times a second. None: as is usual for the kind
    (`hub` and `trainer` by time). What a hub accumulates goes by revolutions of its wheel, unless this
    says `time` over ANT+."""
    rate_hz: float = 1.0
    torque: bool = True
    """Accumulated torque is sent (over ANT+: pages 0x11 and 0x12)."""
    revolutions: bool = True
    """Crank or wheel revolutions are sent; without them also no torque. Bluetooth only."""
    balance: bool = True
    """Kinds with two sides tell the balance."""
    vector_hz: float = 0.0
    """Torques a second in vectors, over Bluetooth; 0: no vectors."""
    vector_values: int = 8
    """Torques in one packet; the first one has its angle."""
    extremes: bool = False
    """Greatest and least torque with their angles, over Bluetooth."""
    stroke_pages: bool = False
    """Power phases, position and barycentre, over ANT+."""
    angle_zero_deg: float = 0.0
    """What is added to all angles that are sent: where this instrument has its zero."""
    half_turns: bool = False
    """New values with each half revolution, so that the legs come in turn; no accumulated torque is sent."""
    torque_frequency: bool = False
    """Torque is sent as a frequency (page 0x20 alone), its zero offset now and then. ANT+ only."""
    repeats_last: bool = False
    """At rest the last power is repeated instead of 0 W; at the crank only."""
    sleeps_after_s: float | None = None
    """Seconds after the last revolution from which on nothing is sent until the crank turns again."""
    idle_w: float = 0.0
    """Standard deviation of the watts shown while nobody pedals; `hub` and `trainer` only."""
    clock_ppm: float = 0.0
    """How fast the instrument's own clock runs, parts per million."""

    interval_ms: float = 45.0
    """Bluetooth connection interval."""
    latency_ms: float = 4.0
    """Least time from the instrument to the host."""
    retransmit_percent: float = 3.0
    """Bluetooth packets that need another connection event."""
    loss_percent: float | None = None
    """Packets that never arrive. None: 0 over Bluetooth, 0.5 over ANT+."""
    rssi_dbm: int = -62

    battery_percent: int = 85
    firmware: str = "1.4"
    hardware: str = "2"
    serial: int = 1001
    zero: Literal["success", "failure", "when-still"] = "success"
    """What becomes of a request to zero."""
    auto_zero: bool | None = None
    """Whether a power meter on ANT+ zeroes itself at first; None: it can't."""
    max_target_w: int = 1500
    """Greatest target power of a trainer."""
    faults: tuple[Fault, ...] = ()


class Segment(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """One block of riding; exactly one of the ways to set the load is given.

    The keys of a protocol's segment mean the same here; `over_under_w`, `coast` and `stand`
    exist in scenes only. A number instead of `true` gives the watts of `free` and `sprint`.
    """

    name: str
    seconds: float
    target_w: float | None = None
    ramp_w: tuple[float, float] | None = None
    over_under_w: tuple[float, float] | None = None
    """Two powers in turn, each for half of `period_s`."""
    period_s: float = 30.0
    free: bool | float = False
    sprint: bool | float = False
    coast: bool = False
    """Legs still, wheel rolling."""
    stand: bool = False
    """Legs still, wheel braked."""
    cadence_rpm: float | tuple[float, float] | None = None
    """To be held, or to be gone through from one to the other. None: the rider's own."""
    gear: str = ""
    repeat: int = 1
    group: str = ""
    settle_s: float = 10.0
    why: str = ""


LOADS = ("target_w", "ramp_w", "over_under_w", "free", "sprint", "coast", "stand")
"""The ways to set the load of a segment."""


class Rider(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """The rider: left share and its change with power, unsteadiness, habits."""

    left_share: float = 0.5
    """At 200 W."""
    left_share_per_100w: float = 0.0
    variability_percent: float = 2.5
    """Standard deviation of power about the intended one, drifting within seconds to a minute."""
    cadence_rpm: float = 88.0
    cadence_variability_rpm: float = 1.2
    ripple: float = 1.0
    """Strength of the torque's change within a revolution; 0: none."""
    free_w: float = 170.0
    sprint_w: float = 650.0
    stroke: tuple[StrokeHabit, ...] = ()
    """How torque lies in the turn and when that changes; none: either leg drives most while forward."""


class Act(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """Something the operator does in the scene; `instrument` is a label of the scene, or empty."""

    at: float
    act: str
    text: str = ""
    instrument: str = ""


class SceneDefinition(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """A whole scene. `loop` rides the segments again and again; else the scene ends after them."""

    seed: int = 1
    start_utc: datetime.datetime = datetime.datetime(2026, 1, 15, 18, 0, tzinfo=datetime.UTC)
    loop: bool = False
    gear: str = "50x17"
    drivetrain_loss: tuple[float, float] = (2.6, 1.0)
    wheel_mm: float = 2105.0
    """Circumference of the wheel."""
    crank_length_mm: float = 172.5
    """The mounted length."""
    rider: Rider = Rider()
    segment: tuple[Segment, ...] = ()
    act: tuple[Act, ...] = ()
    instrument: dict[str, Instrument]


_StructT = TypeVar("_StructT", bound=msgspec.Struct)


def parse(definition: Mapping[str, Any]) -> SceneDefinition:
    """A scene from its table.

    Raises:
        SceneError: a key that no scene has, a value of the wrong kind or out of range.
    """
    scene = _convert(definition, SceneDefinition, "scene")
    _check_scene(scene)
    return scene


def parse_segments(tables: Sequence[Mapping[str, Any]]) -> tuple[Segment, ...]:
    """The segments of a protocol, repeats unrolled. Raises SceneError like `parse`."""
    segments = [_convert(table, Segment, f"protocol.segment {at}") for at, table in enumerate(tables, 1)]
    for at, segment in enumerate(segments, 1):
        _check_segment(segment, f"protocol.segment {at}")
    return unrolled(segments)


def unrolled(segments: Sequence[Segment]) -> tuple[Segment, ...]:
    """Segments in riding order: one with `repeat = 3` becomes three, `NAME 1/3` to `NAME 3/3`.

    Neighbours of one `group` are repeated together, as often as the first of them says.
    """
    result: list[Segment] = []
    alone = itertools.count()
    for _, members in itertools.groupby(segments, lambda segment: segment.group or next(alone)):
        together = list(members)
        repeat = together[0].repeat
        for n in range(1, repeat + 1):
            for segment in together:
                name = segment.name if repeat == 1 else f"{segment.name} {n}/{repeat}"
                result.append(msgspec.structs.replace(segment, name=name, repeat=1, group=""))
    return tuple(result)


def gear_ratio(gear: str) -> float | None:
    """Turns of the wheel for one of the crank, from `50x17` or `2.94`; None if it says neither."""
    front, cross, rear = gear.lower().replace("×", "x").replace("/", "x").partition("x")
    try:
        ratio = float(front) / float(rear) if cross else float(front)
    except (ValueError, ZeroDivisionError):
        return None
    return ratio if 0.2 <= ratio <= 10 else None


def nearest(word: str, known: Sequence[str]) -> str:
    """A sentence with the nearest right word, or with all of them."""
    found = difflib.get_close_matches(word.lower(), known, n=1, cutoff=0.6)
    return f'did you mean "{found[0]}"?' if found else f"known: {', '.join(known)}"


def _convert(table: object, kind: type[_StructT], path: str) -> _StructT:
    """A table as a struct, field by field, so that the message can name the key and what it may hold."""
    if not isinstance(table, Mapping):
        raise SceneError(f"{path}: must be a table")
    fields = {field.name: field for field in msgspec.structs.fields(kind)}
    for key in table:
        if key not in fields:
            raise SceneError(f'{path}: there is no key "{key}"; {nearest(str(key), list(fields))}')
    values: dict[str, Any] = {}
    for name, field in fields.items():
        if name not in table:
            if field.required:
                raise SceneError(f'{path}: the key "{name}" is missing')
            continue
        values[name] = _value(table[name], field.type, f"{path}.{name}")
    return kind(**values)


def _value(raw: object, kind: Any, path: str) -> Any:
    origin, args = get_origin(kind), get_args(kind)
    if origin is dict:
        if not isinstance(raw, Mapping):
            raise SceneError(f"{path}: must be a table of tables")
        return {str(key): _convert(value, args[1], f"{path}.{key}") for key, value in raw.items()}
    if isinstance(kind, type) and issubclass(kind, msgspec.Struct):
        return _convert(raw, kind, path)
    if origin is tuple and args[-1] is Ellipsis:
        if not isinstance(raw, Sequence) or isinstance(raw, str):
            raise SceneError(f"{path}: must be a list of tables")
        return tuple(_convert(value, args[0], f"{path} {at}") for at, value in enumerate(raw, 1))
    try:
        value = msgspec.convert(raw, kind, strict=True)
    except (msgspec.ValidationError, OverflowError):
        choices = _choices(kind)
        hint = f"; {nearest(raw, choices)}" if choices and isinstance(raw, str) else ""
        raise SceneError(f"{path}: {raw!r} is not {_described(kind)}{hint}") from None
    numbers = value if isinstance(value, tuple) else (value,)
    if any(isinstance(number, float) and not math.isfinite(number) for number in numbers):
        raise SceneError(f"{path}: {raw!r} is not a finite number")
    return value


def _choices(kind: Any) -> list[str]:
    if get_origin(kind) is Literal:
        return list(get_args(kind))
    return [choice for part in get_args(kind) for choice in _choices(part)]


def _described(kind: Any) -> str:
    if choices := _choices(kind):
        return "one of " + ", ".join(choices)
    if get_origin(kind) is types.UnionType:
        return " or ".join(_described(part) for part in get_args(kind) if part is not type(None))
    if get_origin(kind) is tuple:
        return "a list of two numbers"
    names = {float: "a number", int: "a whole number", bool: "true or false", str: "a text"}
    return names.get(kind, "a date and time")


_RANGES: Mapping[str, tuple[float, float]] = {
    "gain": (0.1, 10),
    "gain_left": (0.0, 10),
    "gain_right": (0.0, 10),
    "offset_left_nm": (-50, 50),
    "offset_right_nm": (-50, 50),
    "noise_percent": (0, 50),
    "smoothing_revs": (1, 100),
    "smoothing_s": (0, 60),
    "delay_s": (0, 30),
    "crank_length_mm": (110, 236.5),
    "rate_hz": (0.2, 10),
    "vector_hz": (0, 100),
    "vector_values": (1, 100),
    "sleeps_after_s": (0.5, 3600),
    "idle_w": (0, 20),
    "angle_zero_deg": (-180, 180),
    "left_peak_deg": (0, 360),
    "right_peak_deg": (0, 360),
    "left_ripple": (0, 2),
    "right_ripple": (0, 2),
    "over_s": (0, 1e7),
    "from_deg": (0, 360),
    "to_deg": (0, 360),
    "clock_ppm": (-10_000, 10_000),
    "interval_ms": (7.5, 4000),
    "latency_ms": (0, 1000),
    "retransmit_percent": (0, 90),
    "loss_percent": (0, 90),
    "battery_percent": (0, 100),
    "serial": (1, 65535),
    "max_target_w": (1, 4000),
    "left_share": (0.05, 0.95),
    "left_share_per_100w": (-0.2, 0.2),
    "variability_percent": (0, 30),
    "cadence_variability_rpm": (0, 20),
    "ripple": (0, 2),
    "free_w": (1, 1500),
    "sprint_w": (1, 2500),
    "wheel_mm": (500, 4000),
    "seconds": (0.25, 1e7),
    "target_w": (0, 3000),
    "period_s": (1, 3600),
    "repeat": (1, 200),
}


def _check_ranges(struct: msgspec.Struct, path: str) -> None:
    for name in struct.__struct_fields__:
        value = getattr(struct, name)
        if name in _RANGES and value is not None:
            low, high = _RANGES[name]
            if not low <= value <= high:
                raise SceneError(f"{path}.{name}: {value:g} is not within {low:g} to {high:g}")


def _check_scene(scene: SceneDefinition) -> None:
    _check_ranges(scene, "scene")
    _check_ranges(scene.rider, "scene.rider")
    for number, habit in enumerate(scene.rider.stroke, 1):
        _check_ranges(habit, f"scene.rider.stroke {number}")
    if not 20 <= scene.rider.cadence_rpm <= 200:
        raise SceneError(f"scene.rider.cadence_rpm: {scene.rider.cadence_rpm:g} is not within 20 to 200")
    if not 0 <= scene.drivetrain_loss[0] <= 100 or not 0 <= scene.drivetrain_loss[1] <= 50:
        raise SceneError("scene.drivetrain_loss: must be watts (0 to 100) and percent (0 to 50)")
    if gear_ratio(scene.gear) is None:
        raise SceneError(f'scene.gear: "{scene.gear}" is no gear such as 50x17')
    if not scene.instrument:
        raise SceneError("scene.instrument: there is none; write [scene.instrument.LABEL] with a kind")
    for at, segment in enumerate(scene.segment, 1):
        _check_segment(segment, f"scene.segment {at}")
    labels = list(scene.instrument)
    for at, act in enumerate(scene.act, 1):
        if act.at < 0:
            raise SceneError(f"scene.act {at}.at: {act.at:g} is before the start")
        if act.instrument and act.instrument not in labels:
            hint = nearest(act.instrument, labels)
            raise SceneError(f'scene.act {at}.instrument: there is no "{act.instrument}"; {hint}')
    for label, instrument in scene.instrument.items():
        _check_instrument(instrument, f"scene.instrument.{label}")


def _check_instrument(instrument: Instrument, path: str) -> None:
    _check_ranges(instrument, path)
    if len(instrument.firmware) > 20 or len(instrument.hardware) > 20 or len(instrument.name) > 40:
        raise SceneError(f"{path}: name, firmware or hardware is longer than 40 or 20 characters")
    if instrument.kind not in POWER_KINDS and instrument.faults:
        allowed = ("dropout", "silent", "cadence-doubled", "cadence-halved", "restart", "battery-low")
        for at, fault in enumerate(instrument.faults, 1):
            if fault.fault not in allowed:
                raise SceneError(f'{path}.faults {at}.fault: "{instrument.kind}" measures no power')
    _check_manners(instrument, path)
    for at, fault in enumerate(instrument.faults, 1):
        _check_fault(fault, instrument.kind, f"{path}.faults {at}")


def _check_manners(instrument: Instrument, path: str) -> None:
    """SceneError where an instrument can't have the manner that it is given."""
    at_crank = instrument.kind in POWER_KINDS and instrument.kind not in WHEEL_KINDS
    for name in ("half_turns", "torque_frequency", "repeats_last"):
        if getattr(instrument, name) and not at_crank:
            raise SceneError(f'{path}.{name}: "{instrument.kind}" measures no torque at the crank')
        if getattr(instrument, name) and instrument.sync == "time":
            raise SceneError(f'{path}.{name}: does not go with sync = "time"')
    if instrument.torque_frequency and (instrument.radio != "ant" or instrument.half_turns):
        raise SceneError(f'{path}.torque_frequency: needs radio = "ant" and whole revolutions')
    if instrument.idle_w and instrument.kind not in WHEEL_KINDS:
        raise SceneError(f'{path}.idle_w: "{instrument.kind}" shows none: {" and ".join(WHEEL_KINDS)} do')


def _check_fault(fault: Fault, kind: Kind, path: str) -> None:
    if fault.at < 0:
        raise SceneError(f"{path}.at: {fault.at:g} is before the start")
    if fault.until is not None and fault.until <= fault.at:
        raise SceneError(f"{path}.until: {fault.until:g} is not after `at`, {fault.at:g}")
    if fault.size is not None and fault.fault not in DEFAULT_SIZE:
        raise SceneError(f'{path}.size: "{fault.fault}" has no size')
    if fault.side is not None and fault.fault not in ("gain", "offset", "doubled", "drift", "sector"):
        raise SceneError(f'{path}.side: "{fault.fault}" has no side')
    if fault.fault in ("doubled", "swapped") and kind not in SIDED_KINDS:
        raise SceneError(f'{path}.fault: "{kind}" has no two sides')
    if fault.side is not None and kind not in SIDED_KINDS:
        raise SceneError(f'{path}.side: "{kind}" has no two sides')
    if fault.fault == "sector" and not 0.0 <= fault.from_deg < fault.to_deg <= 360.0:
        raise SceneError(f"{path}.to_deg: {fault.to_deg:g} is not between from_deg and 360")
    if fault.fault == "drift" and fault.until is None:
        raise SceneError(f"{path}.until: a drift needs it")
    if fault.fault == "battery-low" and fault.size is not None and not 0 <= fault.size <= 100:
        raise SceneError(f"{path}.size: {fault.size:g} % is not within 0 to 100")


def _check_segment(segment: Segment, path: str) -> None:
    _check_ranges(segment, path)
    # By identity: a target of 0 W is one, though 0 equals False.
    loads = {load: getattr(segment, load) for load in LOADS}
    given = [load for load, value in loads.items() if value is not None and value is not False]
    if len(given) != 1:
        problem = f"has {' and '.join(given)}" if given else "does not say how the load is set"
        raise SceneError(f"{path}: {problem}; give exactly one of {', '.join(LOADS)}")
    for pair in (segment.ramp_w, segment.over_under_w):
        if pair is not None and not all(0 <= watts <= 3000 for watts in pair):
            raise SceneError(f"{path}.{given[0]}: {list(pair)} is not within 0 to 3000")
    cadence = segment.cadence_rpm
    for rpm in cadence if isinstance(cadence, tuple) else () if cadence is None else (cadence,):
        if not 10 <= rpm <= 250:
            raise SceneError(f"{path}.cadence_rpm: {rpm:g} is not within 10 to 250")
