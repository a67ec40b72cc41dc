"""Cycling Speed and Cadence Service 0x1816: measurement, feature, SC control point.

Layouts: Bluetooth SIG, GATT Specification Supplement, sections "CSC Measurement", "CSC
Feature" and "SC Control Point".
"""

from collections.abc import Mapping
from typing import ClassVar, Final

import msgspec

from capture.profiles.cycling_power import LOCATIONS, RESULTS, SUCCESS
from capture.profiles.wire import (
    U8,
    U16,
    U32,
    Coded,
    Field,
    FlaggedLayout,
    Values,
    bit_facts,
    put,
    read_int,
    word,
)
from capture.sample import DecodeError, Reading

_MEASUREMENT = FlaggedLayout(
    "u8",
    [
        Field(("wheel_revs",), "u32", 0),
        Field(("wheel_event_1024ths",), "u16", 0),
        Field(("crank_revs",), "u16", 1),
        Field(("crank_event_1024ths",), "u16", 1),
    ],
)


class Measurement(msgspec.Struct, frozen=True, gc=False):
    """CSC Measurement 0x2A5B. Event times in 1/1024 s for both, unlike the wheel of 0x2A63.

    None: the packet does not carry the field. `reserved_flags` are bits 2-7 in place.
    """

    wheel_revs: int | None = None
    wheel_event_1024ths: int | None = None
    crank_revs: int | None = None
    crank_event_1024ths: int | None = None
    reserved_flags: int = 0
    rest: bytes = b""

    @classmethod
    def from_bytes(cls, data: bytes) -> "Measurement":
        """Decode a notification; DecodeError naming the first field that is cut off."""
        flags, values, rest = _MEASUREMENT.unpack(data)
        values += (flags & 0xFC, rest)
        return cls(*values)

    @property
    def flags(self) -> int:
        """The flags of this measurement, u8."""
        return _MEASUREMENT.flags_of(self._values()) | self.reserved_flags

    def __bytes__(self) -> bytes:
        return _MEASUREMENT.pack(self.flags, self._values(), self.rest)

    def _values(self) -> tuple[int | None, ...]:
        return (self.wheel_revs, self.wheel_event_1024ths, self.crank_revs, self.crank_event_1024ths)

    def reading(self) -> Reading:
        """The counters in shared terms."""
        return Reading(
            item="2A5B",
            crank_revs=self.crank_revs,
            crank_ticks=self.crank_event_1024ths,
            wheel_revs=self.wheel_revs,
            wheel_ticks=self.wheel_event_1024ths,
            wheel_tick_hz=1024,
        )


FEATURES: Final[Mapping[str, int]] = {"wheel_revolutions": 0, "crank_revolutions": 1, "multiple_locations": 2}
"""What a sensor can do, by the bit of 0x2A5C that says so."""


class Feature(msgspec.Struct, frozen=True, gc=False):
    """CSC Feature 0x2A5C, u16 `bits`."""

    bits: int
    rest: bytes = b""

    @classmethod
    def from_bytes(cls, data: bytes) -> "Feature":
        """Decode the value; DecodeError if it is shorter than 2 octets."""
        return cls(read_int(U16, data, 0, "bits"), bytes(data[2:]))

    def __bytes__(self) -> bytes:
        return put(U16, "bits", self.bits) + self.rest

    def has(self, name: str) -> bool:
        """Can the sensor do `name`, a key of FEATURES (KeyError if it is none)?"""
        return bool(self.bits >> FEATURES[name] & 1)

    def reading(self) -> Reading:
        """Each feature as a fact 1.0 or 0.0."""
        return Reading(item="2A5C", facts=bit_facts(FEATURES, self.bits))


SET_CUMULATIVE_VALUE: Final = 0x01
START_CALIBRATION: Final = 0x02
UPDATE_LOCATION: Final = 0x03
REQUEST_LOCATIONS: Final = 0x04
RESPONSE: Final = 0x10

_NAMES: Mapping[int, str] = {
    SET_CUMULATIVE_VALUE: "set_cumulative_value",
    START_CALIBRATION: "sensor_calibration",
    UPDATE_LOCATION: "update_location",
    REQUEST_LOCATIONS: "locations",
}


class Request(Coded, frozen=True, gc=False):
    """A write to the SC Control Point 0x2A55; `value`: wheel revolutions (0x01) or location (0x03)."""

    VALUES: ClassVar[Values] = {SET_CUMULATIVE_VALUE: ("wheel_revs", U32), UPDATE_LOCATION: ("location", U8)}


class Response(msgspec.Struct, frozen=True, gc=False):
    """An indication of the SC Control Point 0x2A55: the answer to `request_op`.

    `result` is a key of `cycling_power.RESULTS`; `locations` are numbers of its LOCATIONS.
    """

    request_op: int
    result: int
    locations: bytes = b""
    rest: bytes = b""

    @classmethod
    def from_bytes(cls, data: bytes) -> "Response":
        """Decode an indication; DecodeError if it is no answer or is cut off."""
        if read_int(U8, data, 0, "response code") != RESPONSE:
            raise DecodeError(f"not an answer (0x{RESPONSE:02X})", "response code", 0, data)
        op = read_int(U8, data, 1, "request_op")
        result = read_int(U8, data, 2, "result")
        tail = bytes(data[3:])
        if op == REQUEST_LOCATIONS and result == SUCCESS:
            return cls(op, result, locations=tail)
        return cls(op, result, rest=tail)

    def __bytes__(self) -> bytes:
        head = (
            put(U8, "response code", RESPONSE)
            + put(U8, "request_op", self.request_op)
            + put(U8, "result", self.result)
        )
        return head + self.locations + self.rest

    def reading(self) -> Reading:
        """`..._outcome` as a fact, and `locations` if they were told."""
        name = _NAMES.get(self.request_op) or f"op_0x{self.request_op:02x}"
        facts: dict[str, float | str] = {f"{name}_outcome": word(RESULTS, self.result)}
        if self.locations:
            facts["locations"] = ", ".join(word(LOCATIONS, number) for number in self.locations)
        return Reading(item="2A55", facts=facts)
