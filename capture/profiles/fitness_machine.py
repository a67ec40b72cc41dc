"""Fitness Machine Service 0x1826: indoor bike data, feature, ranges, status, control point.

Layouts: Bluetooth SIG, GATT Specification Supplement, sections "Indoor Bike Data",
"Supported Power Range" and "Supported Resistance Level Range", but the resistance level
as s16 after the SIG's characteristic files of 2017: machines on the market send it so.
Op codes and parameters: Fitness Machine Service 1.0, sections 4.3, 4.16 and 4.17, as
cited by open decoders.
"""

import struct
from collections.abc import Iterable, Mapping
from typing import ClassVar, Final, Self

import msgspec

from capture.profiles.wire import (
    INTEGERS,
    S16,
    U8,
    U16,
    U32,
    Field,
    FlaggedLayout,
    Values,
    bit_facts,
    put,
    read,
    read_int,
    word,
)
from capture.sample import DecodeError, Reading


def _bike_fields(resistance_kind: str) -> list[Field]:
    return [
        Field(("speed_hundredths_kmh",), "u16", 0, inverted=True),
        Field(("average_speed_hundredths_kmh",), "u16", 1),
        Field(("cadence_half_rpm",), "u16", 2),
        Field(("average_cadence_half_rpm",), "u16", 3),
        Field(("distance_m",), "u24", 4),
        Field(("resistance_raw",), resistance_kind, 5),
        Field(("power_w",), "s16", 6),
        Field(("average_power_w",), "s16", 7),
        Field(("energy_kcal_raw",), "u16", 8),
        Field(("energy_kcal_per_h_raw",), "u16", 8),
        Field(("energy_kcal_per_min_raw",), "u8", 8),
        Field(("heart_rate_bpm",), "u8", 9),
        Field(("metabolic_equivalent_tenths",), "u8", 10),
        Field(("elapsed_s",), "u16", 11),
        Field(("remaining_s",), "u16", 12),
    ]


_BIKE = FlaggedLayout("u16", _bike_fields("s16"))
_BIKE_U8 = FlaggedLayout("u16", _bike_fields("u8"))
_RESISTANCE = 1 << 5
_BIKE_RESERVED = 0xE000


class IndoorBikeData(msgspec.Struct, frozen=True, gc=False):
    """Indoor Bike Data 0x2AD2. None: the packet does not carry the field.

    Values are raw, in the unit of the name: 0.01 km/h, 1/2 rpm, m, W, kcal, s. Flag
    bit 0 is inverted ("more data"): a record without a speed is a part of a longer one,
    see `merge`. The resistance level is s16 on the air of known machines; a record that is
    exactly one octet short is read with the u8 of the present standard instead
    (`resistance_is_u8`). Its unit differs between documents (1 or 0.1), so it stays raw.
    Whether other fields have a "not available" code is not known: 0x7FFF W is 32767 W.
    `reserved_flags` are bits 13-15 in place, `rest` are octets after the last field.
    """

    speed_hundredths_kmh: int | None = None
    average_speed_hundredths_kmh: int | None = None
    cadence_half_rpm: int | None = None
    average_cadence_half_rpm: int | None = None
    distance_m: int | None = None
    resistance_raw: int | None = None
    power_w: int | None = None
    average_power_w: int | None = None
    energy_kcal_raw: int | None = None
    energy_kcal_per_h_raw: int | None = None
    energy_kcal_per_min_raw: int | None = None
    heart_rate_bpm: int | None = None
    metabolic_equivalent_tenths: int | None = None
    elapsed_s: int | None = None
    remaining_s: int | None = None
    resistance_is_u8: bool = False
    reserved_flags: int = 0
    rest: bytes = b""

    @classmethod
    def from_bytes(cls, data: bytes) -> "IndoorBikeData":
        """Decode a notification; DecodeError naming the first field that is cut off."""
        flags = read_int(U16, data, 0, "flags")
        is_u8 = flags & _RESISTANCE != 0 and len(data) == _BIKE.size(flags) - 1
        _, values, rest = (_BIKE_U8 if is_u8 else _BIKE).unpack(data)
        values += (is_u8, flags & _BIKE_RESERVED, rest)
        return cls(*values)

    @property
    def flags(self) -> int:
        """The flags of this record, u16."""
        return _BIKE.flags_of(self._values()) | self.reserved_flags

    def __bytes__(self) -> bytes:
        layout = _BIKE_U8 if self.resistance_is_u8 else _BIKE
        return layout.pack(self.flags, self._values(), self.rest)

    def _values(self) -> tuple[int | None, ...]:
        return msgspec.structs.astuple(self)[:-3]

    @property
    def more_data(self) -> bool:
        """True if another part of the same record follows (no speed in this one)."""
        return self.speed_hundredths_kmh is None

    @property
    def energy_kcal(self) -> int | None:
        """Total energy in kcal; None if not reported or told as not available (0xFFFF)."""
        return None if self.energy_kcal_raw == 0xFFFF else self.energy_kcal_raw

    @property
    def energy_kcal_per_h(self) -> int | None:
        """Energy an hour in kcal; None if not reported or told as not available (0xFFFF)."""
        return None if self.energy_kcal_per_h_raw == 0xFFFF else self.energy_kcal_per_h_raw

    @property
    def energy_kcal_per_min(self) -> int | None:
        """Energy a minute in kcal; None if not reported or told as not available (0xFF)."""
        return None if self.energy_kcal_per_min_raw == 0xFF else self.energy_kcal_per_min_raw

    @classmethod
    def merge(cls, parts: "Iterable[IndoorBikeData]") -> "IndoorBikeData":
        """One record from its parts, the one with the speed last; a field twice: the last counts."""
        merged: dict[str, int | bool] = {}
        rest, reserved = b"", 0
        for part in parts:
            fields = zip(part.__struct_fields__, part._values(), strict=False)
            merged |= {name: value for name, value in fields if value is not None}
            if part.resistance_raw is not None:
                merged["resistance_is_u8"] = part.resistance_is_u8
            rest, reserved = rest + part.rest, reserved | part.reserved_flags
        return msgspec.structs.replace(cls(reserved_flags=reserved, rest=rest), **merged)

    def reading(self) -> Reading:
        """Power, cadence and speed in shared terms; a part of a record tells what it carries."""
        cadence, speed, power = self.cadence_half_rpm, self.speed_hundredths_kmh, self.power_w
        return Reading(
            item="2AD2",
            power_w=None if power is None else float(power),
            cadence_rpm=None if cadence is None else cadence / 2,
            speed_mps=None if speed is None else speed / 360,
        )


MACHINE_FEATURES: Final[Mapping[str, int]] = {
    "average_speed": 0,
    "cadence": 1,
    "total_distance": 2,
    "inclination": 3,
    "elevation_gain": 4,
    "pace": 5,
    "step_count": 6,
    "resistance_level": 7,
    "stride_count": 8,
    "expended_energy": 9,
    "heart_rate": 10,
    "metabolic_equivalent": 11,
    "elapsed_time": 12,
    "remaining_time": 13,
    "power": 14,
    "force_on_belt": 15,
    "user_data_retention": 16,
}
"""What a machine measures, by the bit of the first word of 0x2ACC."""

TARGETS: Final[Mapping[str, int]] = {
    "speed": 0,
    "inclination": 1,
    "resistance": 2,
    "power": 3,
    "heart_rate": 4,
    "expended_energy": 5,
    "step_number": 6,
    "stride_number": 7,
    "distance": 8,
    "training_time": 9,
    "time_in_two_zones": 10,
    "time_in_three_zones": 11,
    "time_in_five_zones": 12,
    "simulation": 13,
    "wheel_circumference": 14,
    "spin_down": 15,
    "cadence": 16,
}
"""What can be set on a machine, by the bit of the second word of 0x2ACC."""

_TWO_WORDS = struct.Struct("<II")


class FitnessMachineFeature(msgspec.Struct, frozen=True, gc=False):
    """Fitness Machine Feature 0x2ACC: u32 `machine` (what it measures), u32 `targets` (what can be set)."""

    machine: int
    targets: int
    rest: bytes = b""

    @classmethod
    def from_bytes(cls, data: bytes) -> "FitnessMachineFeature":
        """Decode the value; DecodeError if it is shorter than 8 octets."""
        machine = read_int(U32, data, 0, "machine")
        return cls(machine, read_int(U32, data, 4, "targets"), bytes(data[8:]))

    def __bytes__(self) -> bytes:
        return put(_TWO_WORDS, "machine and targets", self.machine, self.targets) + self.rest

    def measures(self, name: str) -> bool:
        """Does the machine measure `name`, a key of MACHINE_FEATURES (KeyError if it is none)?"""
        return bool(self.machine >> MACHINE_FEATURES[name] & 1)

    def can_set(self, name: str) -> bool:
        """Can the target `name` be set, a key of TARGETS (KeyError if it is none)?"""
        return bool(self.targets >> TARGETS[name] & 1)

    def reading(self) -> Reading:
        """Facts `measures_NAME` and `can_set_NAME`, 1.0 or 0.0."""
        facts = {
            f"measures_{name}": value for name, value in bit_facts(MACHINE_FEATURES, self.machine).items()
        }
        facts |= {f"can_set_{name}": value for name, value in bit_facts(TARGETS, self.targets).items()}
        return Reading(item="2ACC", facts=facts)


_RANGE = struct.Struct("<hhH")
_RANGE_U8 = struct.Struct("<BBB")


class PowerRange(msgspec.Struct, frozen=True, gc=False):
    """Supported Power Range 0x2AD8, in W."""

    min_w: int
    max_w: int
    step_w: int
    rest: bytes = b""

    @classmethod
    def from_bytes(cls, data: bytes) -> "PowerRange":
        """Decode the value; DecodeError naming the first field that is cut off."""
        low = read_int(S16, data, 0, "min_w")
        high = read_int(S16, data, 2, "max_w")
        return cls(low, high, read_int(U16, data, 4, "step_w"), bytes(data[6:]))

    def __bytes__(self) -> bytes:
        return put(_RANGE, "min_w, max_w, step_w", self.min_w, self.max_w, self.step_w) + self.rest

    def reading(self) -> Reading:
        """Facts `min_power_w`, `max_power_w`, `power_step_w`."""
        facts: dict[str, float | str] = {
            "min_power_w": float(self.min_w),
            "max_power_w": float(self.max_w),
            "power_step_w": float(self.step_w),
        }
        return Reading(item="2AD8", facts=facts)


class ResistanceRange(msgspec.Struct, frozen=True, gc=False):
    """Supported Resistance Level Range 0x2AD6, raw.

    Six octets (s16, s16, u16, each 0.1) are what machines send; exactly three are read
    as the u8 times 10 of the present standard (`is_u8`).
    """

    min_raw: int
    max_raw: int
    step_raw: int
    is_u8: bool = False
    rest: bytes = b""

    @classmethod
    def from_bytes(cls, data: bytes) -> "ResistanceRange":
        """Decode the value; DecodeError naming the field if it has neither 3 nor at least 6 octets."""
        if len(data) == _RANGE_U8.size:
            low, high, step = read(_RANGE_U8, data, 0, "min_raw, max_raw, step_raw")
            return cls(low, high, step, is_u8=True)
        low = read_int(S16, data, 0, "min_raw")
        high = read_int(S16, data, 2, "max_raw")
        return cls(low, high, read_int(U16, data, 4, "step_raw"), rest=bytes(data[6:]))

    def __bytes__(self) -> bytes:
        numbers = (self.min_raw, self.max_raw, self.step_raw)
        return put(_RANGE_U8 if self.is_u8 else _RANGE, "min_raw, max_raw, step_raw", *numbers) + self.rest

    def level(self, raw: int) -> float:
        """A raw value of this range as a resistance level, without a unit."""
        return raw * 10.0 if self.is_u8 else raw / 10

    def reading(self) -> Reading:
        """Facts `min_resistance`, `max_resistance`, `resistance_step`: levels without a unit."""
        facts: dict[str, float | str] = {
            "min_resistance": self.level(self.min_raw),
            "max_resistance": self.level(self.max_raw),
            "resistance_step": self.level(self.step_raw),
        }
        return Reading(item="2AD6", facts=facts)


_SIMULATION = struct.Struct("<hhBB")


class Simulation(msgspec.Struct, frozen=True, gc=False):
    """Parameters of a simulated road: wind in mm/s, grade in 0.01 %, Crr in 1e-4, Cw in 0.01 kg/m."""

    wind_mm_per_s: int
    grade_hundredths_percent: int
    rolling_resistance_1e4ths: int
    wind_resistance_hundredths_kg_per_m: int

    def facts(self) -> dict[str, float | str]:
        """The parameters as facts `simulated_...`: wind in m/s, grade in percent, Crr, Cw in kg/m."""
        return {
            "simulated_wind_mps": self.wind_mm_per_s / 1000,
            "simulated_grade_percent": self.grade_hundredths_percent / 100,
            "simulated_rolling_resistance": self.rolling_resistance_1e4ths / 10000,
            "simulated_wind_resistance_kg_per_m": self.wind_resistance_hundredths_kg_per_m / 100,
        }


REQUEST_CONTROL: Final = 0x00
RESET: Final = 0x01
SET_SPEED: Final = 0x02
SET_INCLINATION: Final = 0x03
SET_RESISTANCE: Final = 0x04
SET_POWER: Final = 0x05
SET_HEART_RATE: Final = 0x06
START_OR_RESUME: Final = 0x07
STOP_OR_PAUSE: Final = 0x08
SET_SIMULATION: Final = 0x11
SET_WHEEL_CIRCUMFERENCE: Final = 0x12
SPIN_DOWN: Final = 0x13
SET_CADENCE: Final = 0x14
RESPONSE: Final = 0x80

SUCCESS: Final = 1
CONTROL_NOT_PERMITTED: Final = 5

RESULTS: Final = {
    SUCCESS: "success",
    2: "op code not supported",
    3: "invalid parameter",
    4: "operation failed",
    CONTROL_NOT_PERMITTED: "control not permitted",
}
"""Result codes of the control point."""


class _Command(msgspec.Struct, frozen=True, gc=False):
    """An op code and what goes with it; `value` is raw, other parameters stay in `rest`.

    `is_u8` tells that a resistance is the single octet of version 1.0, not the s16 of its erratum.
    """

    VALUES: ClassVar[Values]
    """Name and layout of the value, by op code."""
    SIMULATION: ClassVar[int]
    RESISTANCE: ClassVar[int]

    op: int
    value: int | None = None
    simulation: Simulation | None = None
    is_u8: bool = False
    rest: bytes = b""

    @classmethod
    def from_bytes(cls, data: bytes) -> Self:
        """Decode; DecodeError if op or parameter are cut off."""
        op = read_int(U8, data, 0, "op")
        if op == cls.SIMULATION:
            simulation = Simulation(*read(_SIMULATION, data, 1, "simulation"))
            return cls(op, simulation=simulation, rest=bytes(data[1 + _SIMULATION.size :]))
        if (parameter := cls.VALUES.get(op)) is None:
            return cls(op, rest=bytes(data[1:]))
        name, layout = parameter
        is_u8 = op == cls.RESISTANCE and len(data) == 2
        layout = U8 if is_u8 else layout
        value = read_int(layout, data, 1, name)
        return cls(op, value, is_u8=is_u8, rest=bytes(data[1 + layout.size :]))

    def __bytes__(self) -> bytes:
        head = put(U8, "op", self.op)
        if self.op == self.SIMULATION:
            if self.simulation is None:
                raise ValueError("simulation: missing")
            simulation = msgspec.structs.astuple(self.simulation)
            return head + put(_SIMULATION, "simulation", *simulation) + self.rest
        if (parameter := self.VALUES.get(self.op)) is not None:
            head += put(U8 if self.is_u8 else parameter[1], parameter[0], self.value)
        elif self.value is not None:
            raise ValueError(f"value: op 0x{self.op:02X} takes none")
        return head + self.rest


class Request(_Command, frozen=True, gc=False):
    """A write to the Fitness Machine Control Point 0x2AD9.

    `value` is the parameter, raw: speed in 0.01 km/h (0x02), inclination in 0.1 % (0x03),
    resistance in 0.1 (0x04), power in W (0x05), heart rate in 1/min (0x06), 1 stop or
    2 pause (0x08), wheel circumference in 0.1 mm (0x12), 1 start or 2 ignore a spin down
    (0x13), cadence in 1/2 rpm (0x14). `is_u8` tells that the resistance is the single
    octet of version 1.0, not the s16 of its erratum. Other parameters stay in `rest`.
    """

    VALUES: ClassVar[Values] = {
        SET_SPEED: ("target_speed_hundredths_kmh", INTEGERS["u16"]),
        SET_INCLINATION: ("target_inclination_tenths_percent", INTEGERS["s16"]),
        SET_RESISTANCE: ("target_resistance_tenths", INTEGERS["s16"]),
        SET_POWER: ("target_power_w", INTEGERS["s16"]),
        SET_HEART_RATE: ("target_heart_rate_bpm", INTEGERS["u8"]),
        STOP_OR_PAUSE: ("stop_or_pause", INTEGERS["u8"]),
        SET_WHEEL_CIRCUMFERENCE: ("wheel_circumference_tenths_mm", INTEGERS["u16"]),
        SPIN_DOWN: ("spin_down", INTEGERS["u8"]),
        SET_CADENCE: ("target_cadence_half_rpm", INTEGERS["u16"]),
    }
    SIMULATION: ClassVar[int] = SET_SIMULATION
    RESISTANCE: ClassVar[int] = SET_RESISTANCE


_NAMES: Mapping[int, str] = {
    REQUEST_CONTROL: "request_control",
    RESET: "reset",
    SET_SPEED: "set_speed",
    SET_INCLINATION: "set_inclination",
    SET_RESISTANCE: "set_resistance",
    SET_POWER: "set_power",
    SET_HEART_RATE: "set_heart_rate",
    START_OR_RESUME: "start_or_resume",
    STOP_OR_PAUSE: "stop_or_pause",
    SET_SIMULATION: "set_simulation",
    SET_WHEEL_CIRCUMFERENCE: "set_wheel_circumference",
    SPIN_DOWN: "spin_down",
    SET_CADENCE: "set_cadence",
}


class Response(msgspec.Struct, frozen=True, gc=False):
    """An indication of the Fitness Machine Control Point 0x2AD9: the answer to `request_op`.

    `result` is a key of RESULTS; a parameter (a spin down has one) stays in `rest`.
    """

    request_op: int
    result: int
    rest: bytes = b""

    @classmethod
    def from_bytes(cls, data: bytes) -> "Response":
        """Decode an indication; DecodeError if it is no answer or is cut off."""
        if read_int(U8, data, 0, "response code") != RESPONSE:
            raise DecodeError(f"not an answer (0x{RESPONSE:02X})", "response code", 0, data)
        op = read_int(U8, data, 1, "request_op")
        return cls(op, read_int(U8, data, 2, "result"), bytes(data[3:]))

    def __bytes__(self) -> bytes:
        head = (
            put(U8, "response code", RESPONSE)
            + put(U8, "request_op", self.request_op)
            + put(U8, "result", self.result)
        )
        return head + self.rest

    @property
    def outcome(self) -> str:
        """The result in words."""
        return word(RESULTS, self.result)

    def reading(self) -> Reading:
        """`..._outcome` as a fact, such as `set_power_outcome`."""
        name = _NAMES.get(self.request_op) or f"op_0x{self.request_op:02x}"
        return Reading(item="2AD9", facts={f"{name}_outcome": self.outcome})


STATUSES: Final = {
    0x01: "reset",
    0x02: "stopped or paused by the user",
    0x03: "stopped by the safety key",
    0x04: "started or resumed by the user",
    0x05: "target speed changed",
    0x06: "target inclination changed",
    0x07: "target resistance changed",
    0x08: "target power changed",
    0x09: "target heart rate changed",
    0x0A: "target energy changed",
    0x0B: "target steps changed",
    0x0C: "target strides changed",
    0x0D: "target distance changed",
    0x0E: "target time changed",
    0x0F: "target time in two zones changed",
    0x10: "target time in three zones changed",
    0x11: "target time in five zones changed",
    0x12: "simulation changed",
    0x13: "wheel circumference changed",
    0x14: "spin down",
    0x15: "target cadence changed",
    0xFF: "control permission lost",
}
"""What happened to a machine, by the op code of 0x2ADA."""

_STATUS_STOPPED, _STATUS_RESISTANCE, _STATUS_SPIN_DOWN = 0x02, 0x07, 0x14
_STATUS_DIVISOR = {0x05: 100, 0x06: 10, _STATUS_RESISTANCE: 10, 0x13: 10, 0x15: 2}
_STATUS_WORDS = {
    _STATUS_STOPPED: {1: "stopped", 2: "paused"},
    _STATUS_SPIN_DOWN: {1: "requested", 2: "success", 3: "error", 4: "stop pedalling"},
}


class Status(_Command, frozen=True, gc=False):
    """Fitness Machine Status 0x2ADA; `op` is a key of STATUSES, or reserved.

    `value` is raw, with the resolution of the like request of the control point;
    parameters of the targets 0x0A-0x11 stay in `rest`.
    """

    VALUES: ClassVar[Values] = {
        _STATUS_STOPPED: ("stopped_or_paused", INTEGERS["u8"]),
        0x05: ("target_speed_kmh", INTEGERS["u16"]),
        0x06: ("target_inclination_percent", INTEGERS["s16"]),
        _STATUS_RESISTANCE: ("target_resistance", INTEGERS["s16"]),
        0x08: ("target_power_w", INTEGERS["s16"]),
        0x09: ("target_heart_rate_bpm", INTEGERS["u8"]),
        0x13: ("wheel_circumference_mm", INTEGERS["u16"]),
        _STATUS_SPIN_DOWN: ("spin_down_status", INTEGERS["u8"]),
        0x15: ("target_cadence_rpm", INTEGERS["u16"]),
    }
    SIMULATION: ClassVar[int] = 0x12
    RESISTANCE: ClassVar[int] = _STATUS_RESISTANCE

    def reading(self) -> Reading:
        """The fact `machine_status` in words, and what was set: `target_power_w`, ..."""
        facts: dict[str, float | str] = {"machine_status": word(STATUSES, self.op)}
        if self.simulation is not None:
            facts |= self.simulation.facts()
        elif self.value is not None:
            name = self.VALUES[self.op][0]
            if (words := _STATUS_WORDS.get(self.op)) is not None:
                facts[name] = word(words, self.value)
            else:
                facts[name] = self.value / _STATUS_DIVISOR.get(self.op, 1)
        return Reading(item="2ADA", facts=facts)
