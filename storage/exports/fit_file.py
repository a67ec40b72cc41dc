"""Ride files (FIT): an activity with a record a second, for programs that know no other form.

An export, never the record: time is in whole seconds and power in whole watts there. What
the standard fields can't hold goes, unrounded, into developer fields that the file declares.
"""

import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import msgspec

from storage.damage import SessionError

if TYPE_CHECKING:
    from fit_tool.profile.messages.record_message import RecordMessage

APPLICATION = bytes.fromhex("706c756d627761747400000000000001")
"""Whose developer fields these are: a name of ours, sixteen octets."""
NO_DATE_S = 631_065_600 + 0x1000_0000
"""The first moment that a FIT time stamp tells as a date, Unix seconds: for sessions without a clock."""


class Lap(msgspec.Struct, frozen=True):
    """A segment as a lap: session seconds."""

    name: str
    start_s: float
    end_s: float


class DeveloperField(msgspec.Struct, frozen=True):
    """A series of the ride that FIT has no field for: name, unit, one value a second or None."""

    name: str
    unit: str
    values: Sequence[float | None]


class Ride(msgspec.Struct, frozen=True):
    """What becomes an activity. Series have one value a second; None is left out.

    `utc_s` is the Unix time of the first second, None if it isn't known.
    """

    power_w: Sequence[float | None]
    cadence_rpm: Sequence[float | None]
    left_percent: Sequence[float | None]
    laps: Sequence[Lap]
    fields: Sequence[DeveloperField]
    utc_s: float | None
    product: str
    percents: Mapping[str, Sequence[float | None]] = {}
    """Standard fields of a record in percent of 0 to 100, by their name in the profile."""


def need_fit() -> None:
    """Raise SessionError with the remedy if the library for ride files is missing."""
    try:
        import fit_tool  # noqa: F401
    except ImportError:
        raise SessionError(
            Path("ride file"), "can't be written: the library for it is missing", _REMEDY
        ) from None


_REMEDY = "Install it with `pip install 'plumbwatt[ride-files]'`"


def fit_bytes(ride: Ride) -> bytes:
    """The file. SessionError if the library for it is missing."""
    need_fit()
    from fit_tool.base_type import BaseType
    from fit_tool.developer_field import DeveloperField as Field
    from fit_tool.fit_file_builder import FitFileBuilder
    from fit_tool.profile.messages.developer_data_id_message import DeveloperDataIdMessage
    from fit_tool.profile.messages.event_message import EventMessage
    from fit_tool.profile.messages.field_description_message import FieldDescriptionMessage
    from fit_tool.profile.messages.file_id_message import FileIdMessage
    from fit_tool.profile.messages.record_message import RecordMessage
    from fit_tool.profile.profile_type import Event, EventType, FileType, Manufacturer

    start_ms = round(1000.0 * (ride.utc_s if ride.utc_s is not None else NO_DATE_S))
    seconds = len(ride.power_w)
    builder = FitFileBuilder(auto_define=True, min_string_size=40)
    head = FileIdMessage()
    head.type = FileType.ACTIVITY
    head.manufacturer = Manufacturer.DEVELOPMENT.value
    head.product = 0
    head.time_created = start_ms
    builder.add(head)
    if ride.fields:
        owner = DeveloperDataIdMessage()
        owner.developer_data_index = 0
        owner.application_id = APPLICATION
        builder.add(owner)
    for number, column in enumerate(ride.fields):
        description = FieldDescriptionMessage()
        description.developer_data_index = 0
        description.field_definition_number = number
        description.fit_base_type_id = BaseType.FLOAT32.value
        description.field_name = column.name
        description.units = column.unit
        builder.add(description)
    begin = EventMessage()
    begin.event, begin.event_type, begin.timestamp = Event.TIMER, EventType.START, start_ms
    builder.add(begin)
    for k in range(seconds):
        record = RecordMessage(
            developer_fields=[
                _field(Field, BaseType, number, column) for number, column in enumerate(ride.fields)
            ]
        )
        record.timestamp = start_ms + 1000 * k
        _fill(record, ride, k)
        for column, drawn in zip(ride.fields, record.developer_fields, strict=True):
            value = column.values[k]
            if value is not None and math.isfinite(value):
                drawn.set_value(0, float(value))
        builder.add(record)
    stop = EventMessage()
    stop.event, stop.event_type, stop.timestamp = Event.TIMER, EventType.STOP_ALL, start_ms + 1000 * seconds
    builder.add(stop)
    _summaries(builder, ride, start_ms)
    data: bytes = builder.build_bytes()
    return data


def _field(kind: Any, base: Any, number: int, column: DeveloperField) -> Any:
    return kind(
        developer_data_index=0,
        field_id=number,
        base_type=base.FLOAT32,
        name=column.name,
        units=column.unit,
        size=4,
    )


def _fill(record: "RecordMessage", ride: Ride, k: int) -> None:
    power, cadence, left = ride.power_w[k], ride.cadence_rpm[k], ride.left_percent[k]
    if power is not None and math.isfinite(power):
        record.power = _watts(power)
    if cadence is not None and math.isfinite(cadence):
        record.cadence = min(254, max(0, round(cadence)))
    if left is not None and math.isfinite(left):
        # The highest bit says that the percentage is the right side's.
        record.left_right_balance = 0x80 | min(100, max(0, round(100.0 - left)))
    for name, values in ride.percents.items():
        value = values[k]
        if value is not None and math.isfinite(value):
            setattr(record, name, min(100.0, max(0.0, float(value))))


def _summaries(builder: Any, ride: Ride, start_ms: int) -> None:
    """Laps, the session, the activity."""
    from fit_tool.profile.messages.activity_message import ActivityMessage
    from fit_tool.profile.messages.lap_message import LapMessage
    from fit_tool.profile.messages.session_message import SessionMessage
    from fit_tool.profile.profile_type import Activity, Event, EventType, Sport, SubSport

    seconds = len(ride.power_w)
    spans = [lap for lap in ride.laps if lap.end_s > lap.start_s] or [Lap("ride", 0.0, float(seconds))]
    for number, span in enumerate(spans):
        lap = LapMessage()
        lap.message_index = number
        lap.start_time = start_ms + round(1000.0 * span.start_s)
        lap.timestamp = start_ms + round(1000.0 * span.end_s)
        lap.total_elapsed_time = lap.total_timer_time = span.end_s - span.start_s
        inside = _mean(ride.power_w[math.ceil(span.start_s) : math.floor(span.end_s)])
        if inside is not None:
            lap.avg_power = _watts(inside)
        lap.event, lap.event_type = Event.LAP, EventType.STOP
        builder.add(lap)
    total = SessionMessage()
    total.start_time, total.timestamp = start_ms, start_ms + 1000 * seconds
    total.total_elapsed_time = total.total_timer_time = float(seconds)
    total.sport, total.sub_sport = Sport.CYCLING, SubSport.INDOOR_CYCLING
    total.first_lap_index, total.num_laps = 0, len(spans)
    total.event, total.event_type = Event.SESSION, EventType.STOP
    mean = _mean(ride.power_w)
    if mean is not None:
        total.avg_power = _watts(mean)
    total.total_work = min(
        0xFFFF_FFFE, round(sum(p for p in ride.power_w if p is not None and math.isfinite(p)))
    )
    builder.add(total)
    whole = ActivityMessage()
    whole.timestamp = start_ms + 1000 * seconds
    whole.total_timer_time = float(seconds)
    whole.num_sessions = 1
    whole.type = Activity.MANUAL
    whole.event, whole.event_type = Event.ACTIVITY, EventType.STOP
    builder.add(whole)


def _watts(power_w: float) -> int:
    """Whole watts that the field can hold; 65535 means unknown there."""
    return min(65534, max(0, round(power_w)))


def _mean(values: Sequence[float | None]) -> float | None:
    good = [v for v in values if v is not None and math.isfinite(v)]
    return sum(good) / len(good) if good else None
