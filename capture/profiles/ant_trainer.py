"""ANT+ fitness equipment, device type 17: pages of a trainer to readings and back.

Layouts: openant (MIT) and three further open decoders; the torque page 0x1A as those
three have it (openant shifts it by one octet); 0x01, 0x02, 0x11, 0x36 and 0x37 from one
open decoder. Commands are pages too: build one, send `bytes(page)` as an acknowledged message.
"""

import struct
from collections.abc import Callable
from typing import ClassVar

from capture.profiles import ant_common
from capture.profiles.ant_common import PAGE_OCTETS, Facts, Page, known, valid8, valid16
from capture.profiles.wire import need
from capture.sample import Reading

DEVICE_TYPE = ant_common.TRAINER

_STATES = {1: "asleep", 2: "ready", 3: "in use", 4: "finished"}
_EQUIPMENT = {
    16: "general",
    19: "treadmill",
    20: "elliptical",
    22: "rower",
    23: "climber",
    24: "nordic skier",
    25: "trainer",
}
_LIMITS = ("at target", "speed too low", "speed too high", "undetermined")


class _Stateful(Page, frozen=True, gc=False):
    """A page whose octet 7 ends in the state of the equipment."""

    @property
    def _state_octet(self) -> int:
        raise NotImplementedError

    @property
    def state(self) -> str | None:
        """`asleep`, `ready`, `in use`, `finished` (or paused); None: reserved."""
        return _STATES.get(self._state_octet >> 4 & 0x07)

    @property
    def lap(self) -> bool:
        """Toggles at each lap."""
        return self._state_octet & 0x80 != 0


class General(_Stateful, frozen=True, gc=False):
    """0x10: general data: kind of equipment, speed, state."""

    NUMBER: ClassVar[int] = 0x10
    LAYOUT: ClassVar[struct.Struct] = struct.Struct("<BBBBHBB")

    equipment_raw: int = 25
    elapsed_raw: int = 0
    """0.25 s, modulo 64 s."""
    distance_m: int = 0
    """Modulo 256 m, if bit 2 of `capabilities_and_state` is set."""
    speed_raw: int = 0xFFFF
    heart_rate_raw: int = 0xFF
    capabilities_and_state: int = 0
    """Bits 0-1 heart rate source, 2 distance reported, 3 speed is virtual, 4-6 state, 7 lap."""

    @property
    def _state_octet(self) -> int:
        return self.capabilities_and_state

    @property
    def speed_mps(self) -> float | None:
        """Speed; None if not reported."""
        raw = valid16(self.speed_raw)
        return None if raw is None else raw / 1000

    @property
    def heart_rate_bpm(self) -> int | None:
        """Heart rate; None if not reported."""
        return valid8(self.heart_rate_raw)

    @property
    def elapsed_s(self) -> float:
        """Elapsed time, modulo 64 s."""
        return self.elapsed_raw / 4


class Settings(_Stateful, frozen=True, gc=False):
    """0x11: general settings: cycle length, incline, resistance."""

    NUMBER: ClassVar[int] = 0x11
    LAYOUT: ClassVar[struct.Struct] = struct.Struct("<BHBhBB")

    reserved: int = 0xFFFF
    cycle_length_raw: int = 0xFF
    incline_raw: int = 0x7FFF
    resistance_raw: int = 0xFF
    state_raw: int = 0

    @property
    def _state_octet(self) -> int:
        return self.state_raw

    @property
    def cycle_length_m(self) -> float | None:
        """Length of a cycle; None if not reported."""
        raw = valid8(self.cycle_length_raw)
        return None if raw is None else raw / 100

    @property
    def incline_percent(self) -> float | None:
        """Incline, signed; None if not reported."""
        return None if self.incline_raw == 0x7FFF else self.incline_raw / 100

    @property
    def resistance_percent(self) -> float | None:
        """Resistance in percent of the greatest; None if not reported."""
        raw = valid8(self.resistance_raw)
        return None if raw is None else raw / 2


class TrainerData(_Stateful, frozen=True, gc=False):
    """0x19: power, cadence and what the trainer needs."""

    NUMBER: ClassVar[int] = 0x19
    LAYOUT: ClassVar[struct.Struct] = struct.Struct("<BBBHBBB")

    event_count: int = 0
    cadence_raw: int = 0xFF
    power_sum_w: int = 0
    power_low: int = 0xFF
    power_high_and_needs: int = 0x0F
    """Bits 0-3: bits 8-11 of the power; 4 power calibration, 5 resistance calibration, 6 user data needed."""
    limits_and_state: int = 0
    """Bits 0-3 target limits, 4-6 state, 7 lap."""

    @property
    def _state_octet(self) -> int:
        return self.limits_and_state

    @property
    def power_w(self) -> int | None:
        """Power; None for 0xFFF."""
        raw = self.power_low | (self.power_high_and_needs & 0x0F) << 8
        return None if raw == 0xFFF else raw

    @property
    def cadence_rpm(self) -> int | None:
        """Cadence; None if not reported."""
        return valid8(self.cadence_raw)

    @property
    def needs(self) -> tuple[str, ...]:
        """What it asks for: `power calibration`, `resistance calibration`, `user configuration`."""
        names = ("power calibration", "resistance calibration", "user configuration")
        return tuple(name for bit, name in enumerate(names, 4) if self.power_high_and_needs & 1 << bit)

    @property
    def target_limits(self) -> str | None:
        """`at target`, `speed too low`, `speed too high`, `undetermined`; None: reserved."""
        raw = self.limits_and_state & 0x0F
        return _LIMITS[raw] if raw < len(_LIMITS) else None


class TrainerTorque(_Stateful, frozen=True, gc=False):
    """0x1A: accumulated torque and period of the wheel (octets 3-4 period, 5-6 torque)."""

    NUMBER: ClassVar[int] = 0x1A
    LAYOUT: ClassVar[struct.Struct] = struct.Struct("<BBBHHB")

    event_count: int = 0
    ticks: int = 0
    """Wheel revolutions, modulo 256."""
    period_raw: int = 0
    """1/2048 s, modulo 65536."""
    torque_raw: int = 0
    """1/32 N·m, modulo 65536."""
    state_raw: int = 0

    @property
    def _state_octet(self) -> int:
        return self.state_raw


def _temperature_c(raw: int) -> float | None:
    return None if raw == 0xFF else raw / 2 - 25


class Calibration(Page, frozen=True, gc=False):
    """0x01: request or result of a zero offset (bit 6) and a spin-down (bit 7)."""

    NUMBER: ClassVar[int] = 0x01
    LAYOUT: ClassVar[struct.Struct] = struct.Struct("<BBBBHH")

    flags: int = 0
    reserved: int = 0xFF
    temperature_raw: int = 0xFF
    zero_offset_raw: int = 0xFFFF
    spin_down_raw: int = 0xFFFF
    """Milliseconds."""

    @property
    def zero_offset_done(self) -> bool:
        """Asked for, or (in an answer) successful."""
        return self.flags & 0x40 != 0

    @property
    def spin_down_done(self) -> bool:
        """Asked for, or (in an answer) successful."""
        return self.flags & 0x80 != 0

    @property
    def temperature_c(self) -> float | None:
        """Temperature; None if not reported."""
        return _temperature_c(self.temperature_raw)

    @classmethod
    def request(cls, zero_offset: bool = False, spin_down: bool = False) -> "Calibration":
        """Ask for a calibration: to be sent as acknowledged message."""
        return cls(flags=zero_offset << 6 | spin_down << 7)


_CONDITIONS = ("not applicable", "too low", "ok", "too high")


class CalibrationProgress(Page, frozen=True, gc=False):
    """0x02: a calibration in progress and what it waits for."""

    NUMBER: ClassVar[int] = 0x02
    LAYOUT: ClassVar[struct.Struct] = struct.Struct("<BBBBHH")

    flags: int = 0
    """Bit 6 zero offset pending, 7 spin-down pending."""
    conditions: int = 0
    """Bits 4-5 temperature, 6-7 speed: 1 too low, 2 ok, 3 too high."""
    temperature_raw: int = 0xFF
    target_speed_raw: int = 0xFFFF
    """0.001 m/s."""
    target_spin_down_raw: int = 0xFFFF
    """Milliseconds."""

    @property
    def speed_condition(self) -> str:
        """`not applicable`, `too low`, `ok`, `too high`."""
        return _CONDITIONS[self.conditions >> 6]

    @property
    def temperature_condition(self) -> str:
        """`not applicable`, `too low`, `ok`, `too high`."""
        return _CONDITIONS[self.conditions >> 4 & 0x03]

    @property
    def temperature_c(self) -> float | None:
        """Temperature; None if not reported."""
        return _temperature_c(self.temperature_raw)

    @property
    def target_speed_mps(self) -> float | None:
        """Speed to reach; None if not reported."""
        raw = valid16(self.target_speed_raw)
        return None if raw is None else raw / 1000


class BasicResistance(Page, frozen=True, gc=False):
    """0x30: a fixed resistance, 0.5 %."""

    NUMBER: ClassVar[int] = 0x30
    LAYOUT: ClassVar[struct.Struct] = struct.Struct("<B6sB")

    reserved: bytes = b"\xff" * 6
    resistance_raw: int = 0

    @property
    def resistance_percent(self) -> float:
        """Percent of the greatest resistance."""
        return self.resistance_raw / 2

    @classmethod
    def of(cls, resistance_percent: float) -> "BasicResistance":
        """The command; ValueError outside 0..100 %."""
        if not 0 <= resistance_percent <= 100:
            raise ValueError(f"resistance {resistance_percent} %: only 0 to 100 % can be set")
        return cls(resistance_raw=round(resistance_percent * 2))


class TargetPower(Page, frozen=True, gc=False):
    """0x31: the power to be held, 0.25 W."""

    NUMBER: ClassVar[int] = 0x31
    LAYOUT: ClassVar[struct.Struct] = struct.Struct("<B5sH")

    reserved: bytes = b"\xff" * 5
    power_raw: int = 0

    @property
    def power_w(self) -> float:
        """Target power."""
        return self.power_raw / 4

    @classmethod
    def of(cls, power_w: float) -> "TargetPower":
        """The command; ValueError outside 0..4000 W."""
        if not 0 <= power_w <= 4000:
            raise ValueError(f"target power {power_w} W: only 0 to 4000 W can be set")
        return cls(power_raw=round(power_w * 4))


class WindResistance(Page, frozen=True, gc=False):
    """0x32: simulated air drag. Invalid code of each octet: 0xFF."""

    NUMBER: ClassVar[int] = 0x32
    LAYOUT: ClassVar[struct.Struct] = struct.Struct("<B4sBBB")

    reserved: bytes = b"\xff" * 4
    coefficient_raw: int = 0xFF
    """0.01 kg/m."""
    wind_raw: int = 0xFF
    """km/h + 127."""
    drafting_raw: int = 0xFF
    """0.01."""

    @property
    def coefficient_kg_per_m(self) -> float | None:
        """Wind resistance coefficient; None if not reported."""
        raw = valid8(self.coefficient_raw)
        return None if raw is None else raw / 100

    @property
    def wind_mps(self) -> float | None:
        """Head wind positive; None if not reported."""
        raw = valid8(self.wind_raw)
        return None if raw is None else (raw - 127) / 3.6


class TrackResistance(Page, frozen=True, gc=False):
    """0x33: simulated grade and rolling resistance."""

    NUMBER: ClassVar[int] = 0x33
    LAYOUT: ClassVar[struct.Struct] = struct.Struct("<B4sHB")

    reserved: bytes = b"\xff" * 4
    grade_raw: int = 0xFFFF
    """0.01 % + 200 %."""
    rolling_raw: int = 0xFF
    """5e-5."""

    @property
    def grade_percent(self) -> float | None:
        """Grade; None if not reported."""
        raw = valid16(self.grade_raw)
        return None if raw is None else raw / 100 - 200

    @property
    def rolling_coefficient(self) -> float | None:
        """Coefficient of rolling resistance; None if not reported."""
        raw = valid8(self.rolling_raw)
        return None if raw is None else raw * 5e-5

    @classmethod
    def of(cls, grade_percent: float, rolling_coefficient: float | None = None) -> "TrackResistance":
        """The command; ValueError outside -200..200 % or 0..0.0127."""
        if not -200 <= grade_percent <= 200:
            raise ValueError(f"grade {grade_percent} %: only -200 to 200 % can be set")
        rolling = 0xFF if rolling_coefficient is None else round(rolling_coefficient / 5e-5)
        if rolling_coefficient is not None and not 0 <= rolling < 0xFF:
            raise ValueError(f"rolling coefficient {rolling_coefficient}: only 0 to 0.0127 can be set")
        return cls(grade_raw=round((grade_percent + 200) * 100), rolling_raw=rolling)


class Capabilities(Page, frozen=True, gc=False):
    """0x36: greatest resistance and the commands it obeys."""

    NUMBER: ClassVar[int] = 0x36
    LAYOUT: ClassVar[struct.Struct] = struct.Struct("<B4sHB")

    reserved: bytes = b"\xff" * 4
    max_resistance_raw: int = 0xFFFF
    modes: int = 0
    """Bit 0 basic resistance, 1 target power, 2 simulation."""

    @property
    def max_resistance_n(self) -> int | None:
        """Newtons; None if not reported."""
        return valid16(self.max_resistance_raw)

    @property
    def mode_names(self) -> tuple[str, ...]:
        """`basic resistance`, `target power`, `simulation`: those that it can."""
        names = ("basic resistance", "target power", "simulation")
        return tuple(name for bit, name in enumerate(names) if self.modes & 1 << bit)


class UserConfiguration(Page, frozen=True, gc=False):
    """0x37: rider and bicycle, as set or to be set."""

    NUMBER: ClassVar[int] = 0x37
    LAYOUT: ClassVar[struct.Struct] = struct.Struct("<BHBBBBB")

    rider_raw: int = 0xFFFF
    """0.01 kg."""
    reserved: int = 0xFF
    offset_and_bike_low: int = 0xFF
    """Bits 0-3 wheel offset in mm, 4-7 low bits of the bicycle's mass (12 bits, 0.05 kg)."""
    bike_high: int = 0xFF
    diameter_raw: int = 0xFF
    """0.01 m."""
    gear_ratio_raw: int = 0
    """0.03; 0: invalid (from memory)."""

    @property
    def rider_kg(self) -> float | None:
        """Mass of the rider; None if not reported."""
        raw = valid16(self.rider_raw)
        return None if raw is None else raw / 100

    @property
    def bike_kg(self) -> float | None:
        """Mass of the bicycle; None if not reported."""
        raw = self.offset_and_bike_low >> 4 | self.bike_high << 4
        return None if raw == 0xFFF else raw / 20

    @property
    def wheel_diameter_m(self) -> float | None:
        """Diameter, with the offset in mm if that is reported; None if not reported."""
        raw, offset = valid8(self.diameter_raw), self.offset_and_bike_low & 0x0F
        return None if raw is None else raw / 100 + (0 if offset == 0x0F else offset / 1000)

    @property
    def wheel_offset_mm(self) -> int | None:
        """What is to be added to the diameter; None if not reported."""
        offset = self.offset_and_bike_low & 0x0F
        return None if offset == 0x0F else offset

    @property
    def gear_ratio(self) -> float | None:
        """Front to back; None if not reported."""
        return self.gear_ratio_raw * 0.03 if self.gear_ratio_raw else None


PAGES: dict[int, type[Page]] = {
    page.NUMBER: page
    for page in (
        Calibration,
        CalibrationProgress,
        General,
        Settings,
        TrainerData,
        TrainerTorque,
        BasicResistance,
        TargetPower,
        WindResistance,
        TrackResistance,
        Capabilities,
        UserConfiguration,
    )
}
"""Pages of this profile by number."""

_ITEMS = [ant_common.item(DEVICE_TYPE, number) for number in range(256)]


def _general(data: bytes) -> Reading:
    page = General.from_bytes(data)
    return Reading(
        item=_ITEMS[0x10],
        speed_mps=page.speed_mps,
        facts=known(
            trainer_state=page.state,
            equipment=_EQUIPMENT.get(page.equipment_raw & 0x1F),
            heart_rate_bpm=page.heart_rate_bpm,
        ),
    )


def _settings(data: bytes) -> Reading:
    page = Settings.from_bytes(data)
    return Reading(
        item=_ITEMS[0x11],
        facts=known(
            trainer_state=page.state,
            incline_percent=page.incline_percent,
            resistance_percent=page.resistance_percent,
            cycle_length_m=page.cycle_length_m,
        ),
    )


def _trainer_data(data: bytes) -> Reading:
    page = TrainerData.from_bytes(data)
    power_w = page.power_w
    facts: Facts = {"trainer_needs": ", ".join(page.needs) if page.power_high_and_needs & 0x70 else ""}
    if (limits := page.target_limits) is not None:
        facts["target_limits"] = limits
    if (state := page.state) is not None:
        facts["trainer_state"] = state
    return Reading(
        item=_ITEMS[0x19],
        power_w=power_w,
        cadence_rpm=page.cadence_rpm,
        events=page.event_count,
        event_family=0x19,
        # With an invalid power the sum is invalid too (from memory).
        power_sum_w=None if power_w is None else page.power_sum_w,
        facts=facts,
    )


def _trainer_torque(data: bytes) -> Reading:
    page = TrainerTorque.from_bytes(data)
    return Reading(
        item=_ITEMS[0x1A],
        events=page.event_count,
        event_family=0x1A,
        torque_sum_32nds=page.torque_raw,
        wheel_revs=page.ticks,
        wheel_revs_modulus=256,
        wheel_ticks=page.period_raw,
        wheel_tick_hz=2048,
        facts=known(trainer_state=page.state),
    )


def _calibration(data: bytes) -> Reading:
    page = Calibration.from_bytes(data)
    zero, spin_down = valid16(page.zero_offset_raw), valid16(page.spin_down_raw)
    return Reading(
        item=_ITEMS[0x01],
        facts=known(
            zero_offset_outcome=_outcome(page.zero_offset_done, zero),
            zero_offset_raw=zero,
            spin_down_outcome=_outcome(page.spin_down_done, spin_down),
            spin_down_s=None if spin_down is None else spin_down / 1000,
            temperature_c=page.temperature_c,
        ),
    )


def _outcome(done: bool, value: int | None) -> str | None:
    """An answer without the bit and without a value was not asked for that part, or failed: not known."""
    if done:
        return "success"
    return None if value is None else "failed"


def _progress(data: bytes) -> Reading:
    page = CalibrationProgress.from_bytes(data)
    return Reading(
        item=_ITEMS[0x02],
        facts=known(
            zero_offset_outcome="pending" if page.flags & 0x40 else None,
            spin_down_outcome="pending" if page.flags & 0x80 else None,
            spin_down_speed=page.speed_condition if page.flags & 0x80 else None,
            spin_down_target_mps=page.target_speed_mps,
            temperature_c=page.temperature_c,
        ),
    )


def _resistance(data: bytes) -> Reading:
    page = BasicResistance.from_bytes(data)
    return Reading(
        item=_ITEMS[0x30],
        facts=known(
            target_resistance_percent=None if page.resistance_raw == 0xFF else page.resistance_percent
        ),
    )


def _target_power(data: bytes) -> Reading:
    page = TargetPower.from_bytes(data)
    return Reading(
        item=_ITEMS[0x31], facts=known(target_power_w=None if page.power_raw == 0xFFFF else page.power_w)
    )


def _wind(data: bytes) -> Reading:
    page = WindResistance.from_bytes(data)
    return Reading(
        item=_ITEMS[0x32],
        facts=known(wind_coefficient_kg_per_m=page.coefficient_kg_per_m, wind_mps=page.wind_mps),
    )


def _track(data: bytes) -> Reading:
    page = TrackResistance.from_bytes(data)
    return Reading(
        item=_ITEMS[0x33],
        facts=known(target_grade_percent=page.grade_percent, rolling_coefficient=page.rolling_coefficient),
    )


def _capabilities(data: bytes) -> Reading:
    page = Capabilities.from_bytes(data)
    return Reading(
        item=_ITEMS[0x36],
        facts=known(max_resistance_n=page.max_resistance_n, trainer_modes=", ".join(page.mode_names)),
    )


def _user(data: bytes) -> Reading:
    page = UserConfiguration.from_bytes(data)
    return Reading(
        item=_ITEMS[0x37],
        facts=known(
            rider_kg=page.rider_kg,
            bike_kg=page.bike_kg,
            wheel_diameter_m=page.wheel_diameter_m,
            gear_ratio=page.gear_ratio,
        ),
    )


_DECODERS: dict[int, Callable[[bytes], Reading]] = {
    0x01: _calibration,
    0x02: _progress,
    0x10: _general,
    0x11: _settings,
    0x19: _trainer_data,
    0x1A: _trainer_torque,
    0x30: _resistance,
    0x31: _target_power,
    0x32: _wind,
    0x33: _track,
    0x36: _capabilities,
    0x37: _user,
}


def decode(data: bytes) -> Reading:
    """One page of a trainer; DecodeError for anything but eight octets.

    Facts beyond those of the common pages: `trainer_state`, `target_limits`, `trainer_needs`
    (empty: nothing), `target_power_w`, `zero_offset_raw`, `zero_offset_outcome` and
    `spin_down_outcome` (`success`, `failed`, `pending`), `spin_down_s`, `temperature_c`,
    `trainer_modes`, `max_resistance_n`. A page that nobody knows gives a reading without values.
    """
    need(PAGE_OCTETS, data, "page")
    decoder = _DECODERS.get(data[0])
    return decoder(data) if decoder is not None else ant_common.decode(DEVICE_TYPE, data)
