"""ANT+ bicycle power, device type 11: pages to readings and back.

Layouts: openant (MIT), the power profile reference of the nRF5 SDK and the public
plug-in API reference agree on 0x10, 0x11, 0x12; 0x01, 0x02, 0x03, 0x13 and 0x20 stand
in the SDK reference and in open decoders; 0xE0 to 0xE2 and 0x14 in a single open
decoder. Counters stay raw here: what two pages together say is found in `monitor.analysis.work`.
"""

import math
import struct
from collections.abc import Callable
from typing import ClassVar

from capture.profiles import ant_common
from capture.profiles.ant_common import PAGE_OCTETS, Facts, Page, known, valid8, valid16
from capture.profiles.wire import need
from capture.sample import Reading

DEVICE_TYPE = ant_common.POWER


class PowerOnly(Page, frozen=True, gc=False):
    """0x10: power, cadence, share of a pedal."""

    NUMBER: ClassVar[int] = 0x10
    LAYOUT: ClassVar[struct.Struct] = struct.Struct("<BBBBHH")

    event_count: int = 0
    pedal_power_raw: int = 0xFF
    """Bits 0-6: percent; bit 7: it is the right pedal (else whose is not reported); 0xFF: not used."""
    cadence_raw: int = 0xFF
    power_sum_w: int = 0
    """Sum of the power of all events, modulo 65536."""
    power_raw: int = 0xFFFF

    @property
    def cadence_rpm(self) -> int | None:
        """Cadence; None if not reported."""
        return valid8(self.cadence_raw)

    @property
    def power_w(self) -> int | None:
        """Power of the last event; None for 0xFFFF (by analogy with 0x19: no open source says so)."""
        return valid16(self.power_raw)

    @property
    def pedal_share(self) -> float | None:
        """Share 0..1 of the right pedal if `is_right`, else of an unknown one; None if not reported."""
        percent = self.pedal_power_raw & 0x7F
        return percent / 100 if percent <= 100 else None

    @property
    def is_right(self) -> bool:
        """True: the share is the right pedal's."""
        return self.pedal_power_raw & 0x80 != 0


class _Torque(Page, frozen=True, gc=False):
    event_count: int = 0
    ticks: int = 0
    """Revolutions, modulo 256."""
    cadence_raw: int = 0xFF
    period_raw: int = 0
    """Accumulated period, 1/2048 s, modulo 65536."""
    torque_raw: int = 0
    """Accumulated torque, 1/32 N·m, modulo 65536."""

    LAYOUT: ClassVar[struct.Struct] = struct.Struct("<BBBBHH")

    @property
    def cadence_rpm(self) -> int | None:
        """Instantaneous cadence of the crank; None if not reported."""
        return valid8(self.cadence_raw)


class WheelTorque(_Torque, frozen=True, gc=False):
    """0x11: accumulated torque and period of the wheel."""

    NUMBER: ClassVar[int] = 0x11


class CrankTorque(_Torque, frozen=True, gc=False):
    """0x12: accumulated torque and period of the crank."""

    NUMBER: ClassVar[int] = 0x12


class TorqueEffectiveness(Page, frozen=True, gc=False):
    """0x13: torque effectiveness and pedal smoothness, 0.5 %; shares the event count of 0x10."""

    NUMBER: ClassVar[int] = 0x13
    LAYOUT: ClassVar[struct.Struct] = struct.Struct("<BBBBBBH")

    event_count: int = 0
    left_effectiveness_raw: int = 0xFF
    right_effectiveness_raw: int = 0xFF
    left_smoothness_raw: int = 0xFF
    right_smoothness_raw: int = 0xFF
    """0xFE: octet 4 is the smoothness of both."""
    reserved: int = 0xFFFF

    @property
    def is_combined(self) -> bool:
        """True: `left_smoothness_raw` is of both pedals together."""
        return self.right_smoothness_raw == 0xFE

    @staticmethod
    def percent(raw: int) -> float | None:
        """Percent of a raw field; None above 100 %: invalid, combined or reserved."""
        return raw / 2 if raw <= 200 else None


class CrankTorqueFrequency(Page, frozen=True, gc=False):
    """0x20: crank torque frequency, big-endian. Torque needs the zero offset of page 0x01."""

    NUMBER: ClassVar[int] = 0x20
    LAYOUT: ClassVar[struct.Struct] = struct.Struct(">BBHHH")

    event_count: int = 0
    """Crank revolutions, modulo 256."""
    slope_raw: int = 0
    """0.1 Hz per N·m."""
    time_raw: int = 0
    """1/2000 s, modulo 65536."""
    torque_ticks: int = 0

    @property
    def slope_hz_per_nm(self) -> float:
        """Hertz per newton metre."""
        return self.slope_raw / 10


_CALIBRATION = {
    0xAA: "manual zero request",
    0xAB: "auto-zero configuration",
    0xAC: "success",
    0xAF: "failed",
    0x12: "auto-zero support",
    0x10: "crank torque frequency",
    0xBA: "get custom parameters",
    0xBB: "custom parameters",
    0xBC: "set custom parameters",
    0xBD: "custom parameters set",
}
_AUTO_ZERO = {0: "off", 1: "on", 0xFF: "not supported"}


class Calibration(Page, frozen=True, gc=False):
    """0x01: calibration; what octets 2 to 7 mean depends on `identifier`.

    `data` of an answer is signed, in the maker's own unit.
    """

    NUMBER: ClassVar[int] = 0x01
    LAYOUT: ClassVar[struct.Struct] = struct.Struct("<BBB3sh")

    identifier: int = 0xAA
    status: int = 0xFF
    reserved: bytes = b"\xff\xff\xff"
    data: int = -1

    @property
    def meaning(self) -> str | None:
        """What the page is, in words; None if reserved."""
        return _CALIBRATION.get(self.identifier)

    @property
    def auto_zero(self) -> str | None:
        """`off`, `on`, `not supported` in an answer or a support message; else None."""
        if self.identifier in (0xAC, 0xAF):
            return _AUTO_ZERO.get(self.status)
        if self.identifier == 0x12:
            return ("on" if self.status & 0x02 else "off") if self.status & 0x01 else "not supported"
        return None

    @property
    def zero_offset_raw(self) -> int | None:
        """Calibration data of an answer; None in other messages."""
        return self.data if self.identifier in (0xAC, 0xAF) else None

    @property
    def zero_offset_hz(self) -> int | None:
        """Zero offset of a crank torque frequency sensor (there big-endian); None in other messages."""
        if self.identifier != 0x10 or self.status != 0x01:
            return None
        return int.from_bytes(self.data.to_bytes(2, "little", signed=True), "big")

    @classmethod
    def zero_request(cls) -> "Calibration":
        """Ask for a manual zero: to be sent as acknowledged message."""
        return cls(identifier=0xAA)


_CRANK_STATUS = ("invalid", "default", "set", "automatic")
_MISMATCH = ("unknown", "right sensor older", "left sensor older", "same")
_AVAILABILITY = ("unknown", "left", "right", "both")
_CUSTOM = ("not supported", "not required", "required", "unknown")


class Parameters(Page, frozen=True, gc=False):
    """0x02: get or set parameters; octets 2 to 7 are those of the sub-page."""

    NUMBER: ClassVar[int] = 0x02
    LAYOUT: ClassVar[struct.Struct] = struct.Struct("<BB6s")

    subpage: int = 0
    octets: bytes = b"\xff" * 6


class CrankParameters(Page, frozen=True, gc=False):
    """0x02, sub-page 0x01: crank length and sensor status."""

    NUMBER: ClassVar[int] = 0x02
    SUBPAGE: ClassVar[int] = 0x01
    LAYOUT: ClassVar[struct.Struct] = struct.Struct("<BBHBBBB")

    subpage: int = 0x01
    reserved: int = 0xFFFF
    crank_length_raw: int = 0xFF
    """110 mm + 0.5 mm; 0xFE: automatic when set, invalid in an answer; 0xFF invalid."""
    sensor_status: int = 0
    capabilities: int = 0
    """Bit 0: crank length can be found automatically."""
    reserved_2: int = 0xFF

    @property
    def crank_length_mm(self) -> float | None:
        """Crank length; None if not reported."""
        return 110 + self.crank_length_raw / 2 if self.crank_length_raw < 0xFE else None

    @property
    def crank_status(self) -> str:
        """`invalid`, `default`, `set`, `automatic`."""
        return _CRANK_STATUS[self.sensor_status & 0x03]

    @property
    def software_mismatch(self) -> str:
        """`unknown`, `right sensor older`, `left sensor older`, `same`."""
        return _MISMATCH[self.sensor_status >> 2 & 0x03]

    @property
    def availability(self) -> str:
        """Sensors there: `unknown`, `left`, `right`, `both`."""
        return _AVAILABILITY[self.sensor_status >> 4 & 0x03]

    @property
    def custom_calibration(self) -> str:
        """`not supported`, `not required`, `required`, `unknown`."""
        return _CUSTOM[self.sensor_status >> 6]

    @classmethod
    def set_length(cls, crank_length_mm: float) -> "CrankParameters":
        """The command that sets the crank length; ValueError outside 110..236.5 mm."""
        raw = round((crank_length_mm - 110) * 2)
        if not 0 <= raw < 0xFE:
            raise ValueError(f"crank length {crank_length_mm} mm: only 110 to 236.5 mm can be set")
        return cls(crank_length_raw=raw)


class PowerPhaseSettings(Page, frozen=True, gc=False):
    """0x02, sub-page 0x02: above which part of the greatest torque the peak power phase lies.

    The place of the threshold is from one open decoder, its unit from another; no standard was at hand.
    """

    NUMBER: ClassVar[int] = 0x02
    SUBPAGE: ClassVar[int] = 0x02
    LAYOUT: ClassVar[struct.Struct] = struct.Struct("<BB5sB")

    subpage: int = 0x02
    reserved: bytes = b"\xff" * 5
    threshold_raw: int = 0xFF
    """0.5 %; 0xFF: not reported (from memory)."""

    @property
    def threshold_percent(self) -> float | None:
        """Percent of the greatest torque; None above 100 %: not reported or reserved."""
        return self.threshold_raw / 2 if self.threshold_raw <= 200 else None


POSITION_SUBPAGE = 0x04
"""0x02, sub-page 0x04: offset of the rider's position; kept as it is, no open decoder has its layout."""

_MEASURED = {
    8: "torque_nm",
    9: "left_torque_nm",
    10: "right_torque_nm",
    16: "force_n",
    17: "left_force_n",
    18: "right_force_n",
    24: "zero_offset",
    25: "temperature_c",
    26: "voltage_v",
}


class MeasurementOutput(Page, frozen=True, gc=False):
    """0x03: one of several raw measurements, value x 2^exponent, while calibrating."""

    NUMBER: ClassVar[int] = 0x03
    LAYOUT: ClassVar[struct.Struct] = struct.Struct("<BBBbHh")

    count_raw: int = 1
    """Bits 0-3: how many kinds are sent in turn."""
    kind: int = 0
    exponent: int = 0
    time_raw: int = 0
    """1/2048 s, modulo 65536."""
    value_raw: int = 0

    @property
    def count(self) -> int:
        """How many kinds are sent in turn."""
        return self.count_raw & 0x0F

    @property
    def time_s(self) -> float:
        """Time of the measurement, modulo 32 s."""
        return self.time_raw / 2048

    @property
    def value(self) -> float:
        """The measurement in the unit of its kind."""
        return math.ldexp(self.value_raw, self.exponent)


class TorqueBarycenter(Page, frozen=True, gc=False):
    """0x14: angle of the torque's centre."""

    NUMBER: ClassVar[int] = 0x14
    LAYOUT: ClassVar[struct.Struct] = struct.Struct("<BB6s")

    angle_raw: int = 0xFF
    reserved: bytes = b"\xff" * 6

    @property
    def angle_deg(self) -> float | None:
        """Degrees; None if not reported."""
        return None if self.angle_raw == 0xFF else 30 + self.angle_raw / 2


class _ForceAngle(Page, frozen=True, gc=False):
    event_count: int = 0
    start_raw: int = 0xC0
    end_raw: int = 0xC0
    start_peak_raw: int = 0xC0
    end_peak_raw: int = 0xC0
    torque_raw: int = 0
    """Mean torque of the revolution, 1/32 N·m."""

    LAYOUT: ClassVar[struct.Struct] = struct.Struct("<BBBBBBH")

    @staticmethod
    def _pair(start: int, end: int) -> tuple[float, float] | None:
        return None if start == end == 0xC0 else (start * 360 / 256, end * 360 / 256)

    @property
    def phase_deg(self) -> tuple[float, float] | None:
        """Crank angles between which the pedal drives; None if not reported."""
        return self._pair(self.start_raw, self.end_raw)

    @property
    def peak_deg(self) -> tuple[float, float] | None:
        """Crank angles between which it drives most; None if not reported."""
        return self._pair(self.start_peak_raw, self.end_peak_raw)

    @property
    def torque_nm(self) -> float:
        """Mean torque of the revolution."""
        return self.torque_raw / 32


class RightForceAngle(_ForceAngle, frozen=True, gc=False):
    """0xE0: force angles of the right pedal."""

    NUMBER: ClassVar[int] = 0xE0


class LeftForceAngle(_ForceAngle, frozen=True, gc=False):
    """0xE1: force angles of the left pedal."""

    NUMBER: ClassVar[int] = 0xE1


_NO_OFFSET = -128
_POSITIONS = ("seated", "getting seated", "standing", "getting up")


class PedalPosition(Page, frozen=True, gc=False):
    """0xE2: rider position and platform centre offsets (signed, mm; 0x80 is -128: not reported).

    The value for "not reported" is from two open decoders, no standard was at hand.
    """

    NUMBER: ClassVar[int] = 0xE2
    LAYOUT: ClassVar[struct.Struct] = struct.Struct("<BBBBbbH")

    event_count: int = 0
    position_raw: int = 0
    """Bits 6-7."""
    cadence_raw: int = 0xFF
    right_offset_mm: int = 0
    left_offset_mm: int = 0
    reserved: int = 0xFFFF

    @property
    def position(self) -> str:
        """`seated`, `getting seated`, `standing`, `getting up`."""
        return _POSITIONS[self.position_raw >> 6]

    @property
    def cadence_rpm(self) -> int | None:
        """Cadence; None if not reported."""
        return valid8(self.cadence_raw)

    @property
    def platform_offsets_mm(self) -> dict[str, int]:
        """Platform centre offset, mm, of each side that reports one."""
        sides = {"left": self.left_offset_mm, "right": self.right_offset_mm}
        return {side: offset_mm for side, offset_mm in sides.items() if offset_mm != _NO_OFFSET}


PAGES: dict[int, type[Page]] = {
    page.NUMBER: page
    for page in (
        Calibration,
        Parameters,
        MeasurementOutput,
        PowerOnly,
        WheelTorque,
        CrankTorque,
        TorqueEffectiveness,
        TorqueBarycenter,
        CrankTorqueFrequency,
        RightForceAngle,
        LeftForceAngle,
        PedalPosition,
    )
}
"""Pages of this profile by number; 0x02 in the form that keeps any sub-page."""

_ITEMS = [ant_common.item(DEVICE_TYPE, number) for number in range(256)]


def _power_only(data: bytes) -> Reading:
    page = PowerOnly.from_bytes(data)
    share = page.pedal_share
    power_w = page.power_w
    return Reading(
        item=_ITEMS[0x10],
        power_w=power_w,
        cadence_rpm=page.cadence_rpm,
        left_share=1 - share if share is not None and page.is_right else None,
        side_share=share if share is not None and not page.is_right else None,
        events=page.event_count,
        event_family=0x10,
        # A sum that goes on without a valid power would count as zero watts: rather nothing.
        power_sum_w=None if power_w is None else page.power_sum_w,
    )


def _wheel_torque(data: bytes) -> Reading:
    page = WheelTorque.from_bytes(data)
    return Reading(
        item=_ITEMS[0x11],
        cadence_rpm=page.cadence_rpm,
        events=page.event_count,
        event_family=0x11,
        torque_sum_32nds=page.torque_raw,
        wheel_revs=page.ticks,
        wheel_revs_modulus=256,
        wheel_ticks=page.period_raw,
        wheel_tick_hz=2048,
    )


def _crank_torque(data: bytes) -> Reading:
    page = CrankTorque.from_bytes(data)
    return Reading(
        item=_ITEMS[0x12],
        cadence_rpm=page.cadence_rpm,
        events=page.event_count,
        event_family=0x12,
        torque_sum_32nds=page.torque_raw,
        torque_at_crank=True,
        crank_revs=page.ticks,
        crank_revs_modulus=256,
        crank_ticks=page.period_raw,
        crank_tick_hz=2048,
    )


def _effectiveness(data: bytes) -> Reading:
    page = TorqueEffectiveness.from_bytes(data)
    percent = page.percent
    smoothness = percent(page.left_smoothness_raw)
    return Reading(
        item=_ITEMS[0x13],
        events=page.event_count,
        event_family=0x10,
        facts=known(
            left_torque_effectiveness_percent=percent(page.left_effectiveness_raw),
            right_torque_effectiveness_percent=percent(page.right_effectiveness_raw),
            pedal_smoothness_percent=smoothness if page.is_combined else None,
            left_pedal_smoothness_percent=None if page.is_combined else smoothness,
            right_pedal_smoothness_percent=percent(page.right_smoothness_raw),
        ),
    )


def _torque_frequency(data: bytes) -> Reading:
    page = CrankTorqueFrequency.from_bytes(data)
    return Reading(
        item=_ITEMS[0x20],
        events=page.event_count,
        event_family=0x20,
        crank_revs=page.event_count,
        crank_revs_modulus=256,
        crank_ticks=page.time_raw,
        crank_tick_hz=2000,
        torque_ticks=page.torque_ticks,
        slope_hz_per_nm=page.slope_hz_per_nm,
        facts={"slope_hz_per_nm": page.slope_hz_per_nm},
    )


def _calibration(data: bytes) -> Reading:
    page = Calibration.from_bytes(data)
    return Reading(
        item=_ITEMS[0x01],
        zero_offset_hz=page.zero_offset_hz,
        facts=known(
            zero_offset_outcome=page.meaning if page.identifier in (0xAC, 0xAF) else None,
            zero_offset_raw=page.zero_offset_raw if page.identifier == 0xAC else None,
            zero_offset_hz=page.zero_offset_hz,
            auto_zero=page.auto_zero,
        ),
    )


def _parameters(data: bytes) -> Reading:
    if data[1] == PowerPhaseSettings.SUBPAGE:
        threshold = PowerPhaseSettings.from_bytes(data).threshold_percent
        facts = known(power_phase_peak_threshold_percent=threshold)
        return Reading(item=f"{_ITEMS[0x02]}/0x02", facts=facts)
    if data[1] != CrankParameters.SUBPAGE:
        return Reading(item=f"{_ITEMS[0x02]}/0x{data[1]:02X}")
    page = CrankParameters.from_bytes(data)
    return Reading(
        item=f"{_ITEMS[0x02]}/0x01",
        facts=known(
            crank_length_mm=page.crank_length_mm,
            crank_length_status=page.crank_status,
            sensor_software=page.software_mismatch,
            sensors=page.availability,
            custom_calibration=page.custom_calibration,
        ),
    )


def _measurement(data: bytes) -> Reading:
    page = MeasurementOutput.from_bytes(data)
    name = _MEASURED.get(page.kind)
    facts: Facts | None = None if name is None else {name: page.value}
    return Reading(item=_ITEMS[0x03], facts=facts)


def _barycenter(data: bytes) -> Reading:
    return Reading(
        item=_ITEMS[0x14], facts=known(torque_barycenter_deg=TorqueBarycenter.from_bytes(data).angle_deg)
    )


def _force_angle(data: bytes) -> Reading:
    side, page = (
        ("right", RightForceAngle.from_bytes(data))
        if data[0] == 0xE0
        else ("left", LeftForceAngle.from_bytes(data))
    )
    facts: Facts = {f"{side}_torque_nm": page.torque_nm}
    for name, angles in (("power_phase", page.phase_deg), ("power_phase_peak", page.peak_deg)):
        if angles is not None:
            facts[f"{side}_{name}_start_deg"], facts[f"{side}_{name}_end_deg"] = angles
    return Reading(item=_ITEMS[data[0]], events=page.event_count, event_family=data[0], facts=facts)


def _position(data: bytes) -> Reading:
    page = PedalPosition.from_bytes(data)
    return Reading(
        item=_ITEMS[0xE2],
        cadence_rpm=page.cadence_rpm,
        events=page.event_count,
        event_family=0xE2,
        facts={
            "rider_position": page.position,
            **{f"{side}_platform_offset_mm": mm for side, mm in page.platform_offsets_mm.items()},
        },
    )


_DECODERS: dict[int, Callable[[bytes], Reading]] = {
    0x01: _calibration,
    0x02: _parameters,
    0x03: _measurement,
    0x10: _power_only,
    0x11: _wheel_torque,
    0x12: _crank_torque,
    0x13: _effectiveness,
    0x14: _barycenter,
    0x20: _torque_frequency,
    0xE0: _force_angle,
    0xE1: _force_angle,
    0xE2: _position,
}


def decode(data: bytes) -> Reading:
    """One page of a power meter; DecodeError for anything but eight octets.

    Facts beyond those of the common pages: `zero_offset_raw`, `zero_offset_outcome`
    (`success`, `failed`), `zero_offset_hz`, `auto_zero`, `crank_length_mm`,
    `crank_length_status`, `sensors`, `power_phase_peak_threshold_percent`, `slope_hz_per_nm`,
    torque effectiveness and pedal smoothness in percent. A page that nobody knows gives
    a reading without values.
    """
    need(PAGE_OCTETS, data, "page")
    decoder = _DECODERS.get(data[0])
    return decoder(data) if decoder is not None else ant_common.decode(DEVICE_TYPE, data)
