"""Cycling Power Service 0x1818: measurement, vector, feature, location, control point.

Layouts: Bluetooth SIG, GATT Specification Supplement, sections "Cycling Power
Measurement", "Cycling Power Vector", "Cycling Power Feature", "Sensor Location" and
"Cycling Power Control Point". Parameter units of the control point and the answers of
op 0x10 are not in that document; they follow published headers of Bluetooth stacks.
"""

import struct
from collections.abc import Iterable, Mapping
from typing import ClassVar, Final

import msgspec

from capture.profiles.wire import (
    INTEGERS,
    S16,
    U8,
    U16,
    U32,
    Coded,
    Field,
    FlaggedLayout,
    Values,
    bit_facts,
    put,
    read,
    read_int,
    word,
)
from capture.sample import DecodeError, Reading, StrokeVector

_BALANCE_IS_LEFT = 1 << 1
_TORQUE_AT_CRANK = 1 << 3
_OFFSET_INDICATOR = 1 << 12

_MEASUREMENT = FlaggedLayout(
    "u16",
    [
        Field(("power_w",), "s16"),
        Field(("balance_half_percent",), "u8", 0),
        Field(("torque_sum_32nds",), "u16", 2),
        Field(("wheel_revs",), "u32", 4),
        Field(("wheel_event_2048ths",), "u16", 4),
        Field(("crank_revs",), "u16", 5),
        Field(("crank_event_1024ths",), "u16", 5),
        Field(("max_force_n",), "s16", 6),
        Field(("min_force_n",), "s16", 6),
        Field(("max_torque_32nds",), "s16", 7),
        Field(("min_torque_32nds",), "s16", 7),
        Field(("max_angle_deg", "min_angle_deg"), "2u12", 8),
        Field(("top_dead_spot_deg",), "u16", 9),
        Field(("bottom_dead_spot_deg",), "u16", 10),
        Field(("energy_kj",), "u16", 11),
    ],
)
_MEASUREMENT_RESERVED = 0xE000


class Measurement(msgspec.Struct, frozen=True, gc=False):
    """Cycling Power Measurement 0x2A63. None: the packet does not carry the field.

    Values are raw, in the unit of the name: 1/2 %, 1/32 N·m, 1/2048 s, 1/1024 s,
    degrees, kJ. `balance_is_left` is flag bit 1 (False: whose share it is can't be
    known), `torque_at_crank` bit 3 (False: at the wheel), `offset_indicator` bit 12;
    the three bits are sent whether or not the field that they speak of is there.
    `reserved_flags` are bits 13-15 in place, `rest` are octets after the last field.
    """

    power_w: int
    balance_half_percent: int | None = None
    torque_sum_32nds: int | None = None
    wheel_revs: int | None = None
    wheel_event_2048ths: int | None = None
    crank_revs: int | None = None
    crank_event_1024ths: int | None = None
    max_force_n: int | None = None
    min_force_n: int | None = None
    max_torque_32nds: int | None = None
    min_torque_32nds: int | None = None
    max_angle_deg: int | None = None
    min_angle_deg: int | None = None
    top_dead_spot_deg: int | None = None
    bottom_dead_spot_deg: int | None = None
    energy_kj: int | None = None
    balance_is_left: bool = False
    torque_at_crank: bool = False
    offset_indicator: bool = False
    reserved_flags: int = 0
    rest: bytes = b""

    @classmethod
    def from_bytes(cls, data: bytes) -> "Measurement":
        """Decode a notification; DecodeError naming the first field that is cut off."""
        flags, values, rest = _MEASUREMENT.unpack(data)
        values += (
            flags & _BALANCE_IS_LEFT != 0,
            flags & _TORQUE_AT_CRANK != 0,
            flags & _OFFSET_INDICATOR != 0,
            flags & _MEASUREMENT_RESERVED,
            rest,
        )
        return cls(*values)

    @property
    def flags(self) -> int:
        """The flags of this measurement, u16."""
        return (
            _MEASUREMENT.flags_of(self._values())
            | self.balance_is_left * _BALANCE_IS_LEFT
            | self.torque_at_crank * _TORQUE_AT_CRANK
            | self.offset_indicator * _OFFSET_INDICATOR
            | self.reserved_flags
        )

    def __bytes__(self) -> bytes:
        return _MEASUREMENT.pack(self.flags, self._values(), self.rest)

    def _values(self) -> tuple[int | None, ...]:
        return msgspec.structs.astuple(self)[:-5]

    @property
    def share(self) -> float | None:
        """The balance as 0..1; None if it is not reported or above 100 % (raw over 200)."""
        raw = self.balance_half_percent
        return None if raw is None or raw > 200 else raw / 200

    def reading(self) -> Reading:
        """The measurement in shared terms; the fact `offset_indicator` only when the bit is set."""
        share = self.share
        return Reading(
            item="2A63",
            power_w=float(self.power_w),
            left_share=share if self.balance_is_left else None,
            side_share=None if self.balance_is_left else share,
            torque_sum_32nds=self.torque_sum_32nds,
            torque_at_crank=self.torque_at_crank,
            crank_revs=self.crank_revs,
            crank_ticks=self.crank_event_1024ths,
            wheel_revs=self.wheel_revs,
            wheel_ticks=self.wheel_event_2048ths,
            energy_kj=self.energy_kj,
            facts=self._facts(),
        )

    def _facts(self) -> dict[str, float | str] | None:
        """What it says of the stroke: greatest and least magnitude with their angles, dead spots."""
        facts: dict[str, float | str] = {"offset_indicator": 1.0} if self.offset_indicator else {}
        angles = self.max_angle_deg, self.top_dead_spot_deg, self.bottom_dead_spot_deg
        if (self.max_torque_32nds, self.max_force_n, *angles) == (None,) * 5:
            return facts or None
        if self.max_torque_32nds is not None and self.min_torque_32nds is not None:
            facts["max_torque_nm"], facts["min_torque_nm"] = (
                self.max_torque_32nds / 32.0,
                self.min_torque_32nds / 32.0,
            )
        if self.max_force_n is not None and self.min_force_n is not None:
            facts["max_force_n"], facts["min_force_n"] = float(self.max_force_n), float(self.min_force_n)
        for name, angle in (
            ("max_torque_angle_deg", self.max_angle_deg),
            ("min_torque_angle_deg", self.min_angle_deg),
            ("top_dead_spot_deg", self.top_dead_spot_deg),
            ("bottom_dead_spot_deg", self.bottom_dead_spot_deg),
        ):
            if angle is not None and angle <= MOST_DEG:
                facts[name] = float(angle)
        return facts or None


MOST_DEG: Final = 360
"""No angle of a crank is greater; the fields could hold more."""

_VECTOR_CRANK, _VECTOR_ANGLE, _VECTOR_FORCE, _VECTOR_TORQUE = 1, 2, 4, 8
_VECTOR_RESERVED = 0xC0

DIRECTIONS: Final = {0: "unknown", 1: "tangential", 2: "radial", 3: "lateral"}
"""Direction of the magnitudes of a vector, flag bits 4-5 of 0x2A64."""


class Vector(msgspec.Struct, frozen=True, gc=False):
    """Cycling Power Vector 0x2A64: magnitudes around one revolution.

    `forces_n` in N or `torques_32nds` in 1/32 N·m, sampled evenly in time (op 0x0E tells how often)
    from `first_angle_deg` on; never both, as nothing in the format would separate them (the
    decoder refuses both flags). None: not flagged. `direction` is a key of DIRECTIONS.
    """

    crank_revs: int | None = None
    crank_event_1024ths: int | None = None
    first_angle_deg: int | None = None
    forces_n: tuple[int, ...] | None = None
    torques_32nds: tuple[int, ...] | None = None
    direction: int = 0
    reserved_flags: int = 0
    rest: bytes = b""

    @classmethod
    def from_bytes(cls, data: bytes) -> "Vector":
        """Decode a notification; DecodeError if a field is cut off or both arrays are flagged."""
        flags = read_int(U8, data, 0, "flags")
        at, revs, event, angle = 1, None, None, None
        if flags & _VECTOR_CRANK:
            revs = read_int(U16, data, at, "crank_revs")
            event = read_int(U16, data, at + 2, "crank_event_1024ths")
            at += 4
        if flags & _VECTOR_ANGLE:
            angle = read_int(U16, data, at, "first_angle_deg")
            at += 2
        forces = torques = None
        if flags & _VECTOR_FORCE and flags & _VECTOR_TORQUE:
            message = "force and torque are both flagged and nothing separates them"
            raise DecodeError(message, "forces_n and torques_32nds", at, data)
        if flags & _VECTOR_FORCE:
            forces, at = _array(data, at, "forces_n")
        elif flags & _VECTOR_TORQUE:
            torques, at = _array(data, at, "torques_32nds")
        rest = bytes(data[at:])
        return cls(revs, event, angle, forces, torques, flags >> 4 & 3, flags & _VECTOR_RESERVED, rest)

    def __bytes__(self) -> bytes:
        flags = self.direction << 4 | self.reserved_flags
        body = b""
        if self.crank_revs is not None or self.crank_event_1024ths is not None:
            flags |= _VECTOR_CRANK
            body += put(U16, "crank_revs", self.crank_revs)
            body += put(U16, "crank_event_1024ths", self.crank_event_1024ths)
        if self.first_angle_deg is not None:
            flags |= _VECTOR_ANGLE
            body += put(U16, "first_angle_deg", self.first_angle_deg)
        if self.forces_n is not None and self.torques_32nds is not None:
            raise ValueError("forces_n and torques_32nds: can't be sent together, nothing separates them")
        if self.forces_n is not None:
            flags |= _VECTOR_FORCE
            body += b"".join(put(S16, "forces_n", value) for value in self.forces_n)
        if self.torques_32nds is not None:
            flags |= _VECTOR_TORQUE
            body += b"".join(put(S16, "torques_32nds", value) for value in self.torques_32nds)
        return put(U8, "flags", flags) + body + self.rest

    def reading(self) -> Reading:
        """The magnitudes. Its counters stay with them: the measurement tells them with the power."""
        forces = self.forces_n is not None
        raw = self.forces_n if self.forces_n is not None else self.torques_32nds or ()
        return Reading(
            item="2A64",
            vector=StrokeVector(
                tuple(map(float, raw)) if forces else tuple(value / 32.0 for value in raw),
                self.first_angle_deg, forces, self.direction, self.crank_revs, self.crank_event_1024ths,
            ),
        )  # fmt: skip


def _array(data: bytes, at: int, field: str) -> tuple[tuple[int, ...], int]:
    octets = len(data) - at
    if octets % 2:
        raise DecodeError("half a number at the end of the array", field, len(data) - 1, data)
    return read(struct.Struct(f"<{octets // 2}h"), data, at, field), len(data)


FEATURES: Final[Mapping[str, int]] = {
    "balance": 0,
    "accumulated_torque": 1,
    "wheel_revolutions": 2,
    "crank_revolutions": 3,
    "extreme_magnitudes": 4,
    "extreme_angles": 5,
    "dead_spot_angles": 6,
    "accumulated_energy": 7,
    "offset_compensation_indicator": 8,
    "offset_compensation": 9,
    "content_masking": 10,
    "multiple_locations": 11,
    "crank_length_adjustable": 12,
    "chain_length_adjustable": 13,
    "chain_weight_adjustable": 14,
    "span_length_adjustable": 15,
    "measurement_direction": 17,
    "factory_calibration_date": 18,
    "enhanced_offset_compensation": 19,
}
"""What an instrument can do, by the bit of 0x2A65 that says so."""

DISTRIBUTED: Final = {0: "unspecified", 1: "not for use", 2: "for use", 3: "reserved"}
"""Bits 20-21 of 0x2A65: is the instrument one of a pair that shares the work of one meter?"""


class Feature(msgspec.Struct, frozen=True, gc=False):
    """Cycling Power Feature 0x2A65, u32 `bits`."""

    bits: int
    rest: bytes = b""

    @classmethod
    def from_bytes(cls, data: bytes) -> "Feature":
        """Decode the value; DecodeError if it is shorter than 4 octets."""
        return cls(read_int(U32, data, 0, "bits"), bytes(data[4:]))

    def __bytes__(self) -> bytes:
        return put(U32, "bits", self.bits) + self.rest

    def has(self, name: str) -> bool:
        """Can the instrument do `name`, a key of FEATURES (KeyError if it is none)?"""
        return bool(self.bits >> FEATURES[name] & 1)

    @property
    def context(self) -> str:
        """`torque` or `force` (bit 16): raw offsets are 1/32 N·m or N."""
        return "torque" if self.bits >> 16 & 1 else "force"

    @property
    def distributed_system(self) -> int:
        """Bits 20-21, a key of DISTRIBUTED."""
        return self.bits >> 20 & 3

    def reading(self) -> Reading:
        """Each feature as a fact 1.0 or 0.0, `measurement_context` and `distributed_system` as words."""
        facts = bit_facts(FEATURES, self.bits)
        facts["measurement_context"] = self.context
        facts["distributed_system"] = DISTRIBUTED[self.distributed_system]
        return Reading(item="2A65", facts=facts)


LOCATIONS: Final = {
    0: "other",
    1: "top of shoe",
    2: "in shoe",
    3: "hip",
    4: "front wheel",
    5: "left crank",
    6: "right crank",
    7: "left pedal",
    8: "right pedal",
    9: "front hub",
    10: "rear dropout",
    11: "chainstay",
    12: "rear wheel",
    13: "rear hub",
    14: "chest",
    15: "spider",
    16: "chain ring",
}
"""Where a sensor sits, by the number of 0x2A5D."""


class Location(msgspec.Struct, frozen=True, gc=False):
    """Sensor Location 0x2A5D; `number` is a key of LOCATIONS, or reserved."""

    number: int
    rest: bytes = b""

    @classmethod
    def from_bytes(cls, data: bytes) -> "Location":
        """Decode the value; DecodeError if it is empty."""
        return cls(read_int(U8, data, 0, "number"), bytes(data[1:]))

    def __bytes__(self) -> bytes:
        return put(U8, "number", self.number) + self.rest

    @property
    def word(self) -> str:
        """The place in words; `reserved N` if the number has none yet."""
        return word(LOCATIONS, self.number)

    def reading(self) -> Reading:
        """The fact `location`."""
        return Reading(item="2A5D", facts={"location": self.word})


SET_CUMULATIVE_VALUE: Final = 0x01
UPDATE_LOCATION: Final = 0x02
REQUEST_LOCATIONS: Final = 0x03
SET_CRANK_LENGTH: Final = 0x04
REQUEST_CRANK_LENGTH: Final = 0x05
SET_CHAIN_LENGTH: Final = 0x06
REQUEST_CHAIN_LENGTH: Final = 0x07
SET_CHAIN_WEIGHT: Final = 0x08
REQUEST_CHAIN_WEIGHT: Final = 0x09
SET_SPAN_LENGTH: Final = 0x0A
REQUEST_SPAN_LENGTH: Final = 0x0B
START_OFFSET_COMPENSATION: Final = 0x0C
MASK_CONTENT: Final = 0x0D
REQUEST_SAMPLING_RATE: Final = 0x0E
REQUEST_CALIBRATION_DATE: Final = 0x0F
START_ENHANCED_OFFSET_COMPENSATION: Final = 0x10
RESPONSE: Final = 0x20

SUCCESS: Final = 1
OPERATION_FAILED: Final = 4

RESULTS: Final = {
    1: "success",
    2: "op code not supported",
    3: "invalid operand",
    OPERATION_FAILED: "operation failed",
}
"""Response values of the control point."""

FAILURES: Final = {0x01: "incorrect calibration position", 0xFF: "manufacturer error"}
"""Why an enhanced offset compensation failed."""
_MANUFACTURER_ERROR = 0xFF

MASKS: Final[Mapping[str, int]] = {
    "balance": 0,
    "accumulated_torque": 1,
    "wheel_revolutions": 2,
    "crank_revolutions": 3,
    "extreme_magnitudes": 4,
    "extreme_angles": 5,
    "top_dead_spot": 6,
    "bottom_dead_spot": 7,
    "accumulated_energy": 8,
}
"""Bits of the content mask; a set bit turns the field off."""


class Request(Coded, frozen=True, gc=False):
    """A write to the Cycling Power Control Point 0x2A66.

    `value` is the parameter, raw, of the ops that have one: wheel revolutions (0x01),
    location (0x02), crank length in 1/2 mm (0x04), chain length in mm (0x06), chain
    weight in g (0x08), span length in mm (0x0A), mask (0x0D). Parameters of other ops
    stay in `rest`.
    """

    VALUES: ClassVar[Values] = {
        SET_CUMULATIVE_VALUE: ("wheel_revs", INTEGERS["u32"]),
        UPDATE_LOCATION: ("location", INTEGERS["u8"]),
        SET_CRANK_LENGTH: ("crank_length_half_mm", INTEGERS["u16"]),
        SET_CHAIN_LENGTH: ("chain_length_mm", INTEGERS["u16"]),
        SET_CHAIN_WEIGHT: ("chain_weight_g", INTEGERS["u16"]),
        SET_SPAN_LENGTH: ("span_length_mm", INTEGERS["u16"]),
        MASK_CONTENT: ("mask", INTEGERS["u16"]),
    }


def set_crank_length(mm: float) -> Request:
    """The request that sets a crank length in mm; ValueError if it is no multiple of 0.5 mm in range."""
    half_mm = round(mm * 2)
    if half_mm != mm * 2 or not 0 <= half_mm <= 0xFFFF:
        raise ValueError(f"crank length: {mm} mm can't be sent, only steps of 0.5 mm up to 32767.5 mm")
    return Request(SET_CRANK_LENGTH, half_mm)


def mask_content(turned_off: Iterable[str]) -> Request:
    """The request that turns fields of the measurement off (keys of MASKS) and all others on."""
    return Request(MASK_CONTENT, sum(1 << MASKS[name] for name in set(turned_off)))


_NAMES: Mapping[int, str] = {
    SET_CUMULATIVE_VALUE: "set_cumulative_value",
    UPDATE_LOCATION: "update_location",
    REQUEST_LOCATIONS: "locations",
    SET_CRANK_LENGTH: "set_crank_length",
    REQUEST_CRANK_LENGTH: "crank_length",
    SET_CHAIN_LENGTH: "set_chain_length",
    REQUEST_CHAIN_LENGTH: "chain_length",
    SET_CHAIN_WEIGHT: "set_chain_weight",
    REQUEST_CHAIN_WEIGHT: "chain_weight",
    SET_SPAN_LENGTH: "set_span_length",
    REQUEST_SPAN_LENGTH: "span_length",
    START_OFFSET_COMPENSATION: "zero_offset",
    MASK_CONTENT: "mask_content",
    REQUEST_SAMPLING_RATE: "sampling_rate",
    REQUEST_CALIBRATION_DATE: "factory_calibration_date",
    START_ENHANCED_OFFSET_COMPENSATION: "zero_offset",
}

_ANSWER_VALUE: Mapping[int, tuple[str, struct.Struct, float]] = {
    REQUEST_CRANK_LENGTH: ("crank_length_mm", INTEGERS["u16"], 0.5),
    REQUEST_CHAIN_LENGTH: ("chain_length_mm", INTEGERS["u16"], 1.0),
    REQUEST_CHAIN_WEIGHT: ("chain_weight_g", INTEGERS["u16"], 1.0),
    REQUEST_SPAN_LENGTH: ("span_length_mm", INTEGERS["u16"], 1.0),
    START_OFFSET_COMPENSATION: ("zero_offset_raw", INTEGERS["s16"], 1.0),
    REQUEST_SAMPLING_RATE: ("sampling_rate_hz", INTEGERS["u8"], 1.0),
    START_ENHANCED_OFFSET_COMPENSATION: ("zero_offset_raw", INTEGERS["s16"], 1.0),
}
_OFFSET_OPS = (START_OFFSET_COMPENSATION, START_ENHANCED_OFFSET_COMPENSATION)
_OFFSET_UNAVAILABLE = -1  # 0xFFFF on the air
_DATE = struct.Struct("<H5B")


class Response(msgspec.Struct, frozen=True, gc=False):
    """An indication of the Cycling Power Control Point 0x2A66: the answer to `request_op`.

    `result` is a key of RESULTS. `value` is the raw parameter of a success: crank length
    in 1/2 mm, chain and span length in mm, chain weight in g, sampling rate in Hz, or the
    offset (s16; N or 1/32 N·m by `Feature.context`; -1: not available). `locations` are
    numbers of LOCATIONS, `date` is year, month, day, hour, minute, second as sent.
    An enhanced offset compensation adds `failure` (key of FAILURES), `company_id` and
    `maker_data`; whether an instrument must send them is not known, so each may be absent.
    """

    request_op: int
    result: int
    value: int | None = None
    locations: bytes = b""
    date: tuple[int, ...] | None = None
    failure: int | None = None
    company_id: int | None = None
    maker_data: bytes = b""
    rest: bytes = b""

    @classmethod
    def from_bytes(cls, data: bytes) -> "Response":
        """Decode an indication; DecodeError if it is no answer or a parameter is cut off."""
        if read_int(U8, data, 0, "response code") != RESPONSE:
            raise DecodeError(f"not an answer (0x{RESPONSE:02X})", "response code", 0, data)
        op = read_int(U8, data, 1, "request_op")
        result = read_int(U8, data, 2, "result")
        if result == SUCCESS:
            return cls._succeeded(op, data)
        if op == START_ENHANCED_OFFSET_COMPENSATION and result == OPERATION_FAILED and len(data) > 3:
            failure = read_int(U8, data, 3, "failure")
            if failure == _MANUFACTURER_ERROR:
                company = read_int(U16, data, 4, "company_id")
                return cls(op, result, failure=failure, company_id=company, maker_data=bytes(data[6:]))
            return cls(op, result, failure=failure, rest=bytes(data[4:]))
        return cls(op, result, rest=bytes(data[3:]))

    @classmethod
    def _succeeded(cls, op: int, data: bytes) -> "Response":
        if op == REQUEST_LOCATIONS:
            return cls(op, SUCCESS, locations=bytes(data[3:]))
        if op == REQUEST_CALIBRATION_DATE:
            date = read(_DATE, data, 3, "factory_calibration_date")
            return cls(op, SUCCESS, date=date, rest=bytes(data[3 + _DATE.size :]))
        if (parameter := _ANSWER_VALUE.get(op)) is None:
            return cls(op, SUCCESS, rest=bytes(data[3:]))
        name, layout, _ = parameter
        value, at = read_int(layout, data, 3, name), 3 + layout.size
        if op == START_ENHANCED_OFFSET_COMPENSATION and len(data) > at:
            company = read_int(U16, data, at, "company_id")
            return cls(op, SUCCESS, value, company_id=company, maker_data=bytes(data[at + 2 :]))
        return cls(op, SUCCESS, value, rest=bytes(data[at:]))

    def __bytes__(self) -> bytes:
        parts = [
            put(U8, "response code", RESPONSE),
            put(U8, "request_op", self.request_op),
            put(U8, "result", self.result),
        ]
        if self.result == SUCCESS and (parameter := _ANSWER_VALUE.get(self.request_op)) is not None:
            parts.append(put(parameter[1], parameter[0], self.value))
        elif self.value is not None:
            raise ValueError(f"value: this answer to op 0x{self.request_op:02X} carries none")
        parts.append(self.locations)
        if self.date is not None:
            parts.append(put(_DATE, "factory_calibration_date", *self.date))
        if self.failure is not None:
            parts.append(put(U8, "failure", self.failure))
        if self.company_id is not None:
            parts.append(put(U16, "company_id", self.company_id))
        return b"".join(parts) + self.maker_data + self.rest

    @property
    def outcome(self) -> str:
        """The result in words; for a failed enhanced offset compensation the reason, if reported."""
        return word(RESULTS, self.result) if self.failure is None else word(FAILURES, self.failure)

    def reading(self) -> Reading:
        """`..._outcome` as a fact (`zero_offset_outcome`), and the value with its unit if there is one."""
        name = _NAMES.get(self.request_op) or f"op_0x{self.request_op:02x}"
        facts: dict[str, float | str] = {f"{name}_outcome": self.outcome}
        unavailable = self.request_op in _OFFSET_OPS and self.value == _OFFSET_UNAVAILABLE
        if self.value is not None and not unavailable:
            fact, _, unit = _ANSWER_VALUE[self.request_op]
            facts[fact] = self.value * unit
        if self.locations:
            facts["locations"] = ", ".join(word(LOCATIONS, number) for number in self.locations)
        if self.date is not None:
            facts["factory_calibration_date"] = "{:04}-{:02}-{:02} {:02}:{:02}:{:02}".format(*self.date)
        return Reading(item="2A66", facts=facts)
