"""The ANT+ profiles' own formulas for two pages: torque, speed and power of the events between them.

They stand apart from the program's way to the same numbers (`monitor.analysis.work.track`), which goes by
host time too: decoders are checked with these, and the streams that the scene sends.
"""

import math

import msgspec

from capture.profiles.ant_power import CrankTorque, CrankTorqueFrequency, PowerOnly, WheelTorque
from capture.profiles.ant_trainer import TrainerData, TrainerTorque

TorquePage = CrankTorque | WheelTorque | TrainerTorque


class Mean(msgspec.Struct, frozen=True, gc=False):
    """Means over the events between two pages. All zero: the crank or wheel stood still."""

    torque_nm: float
    omega_rad_s: float
    power_w: float

    @property
    def rpm(self) -> float:
        """Revolutions per minute of what the torque acts on: crank or wheel."""
        return self.omega_rad_s * 30 / math.pi


def torque_between(events: int, period_ticks: int, torque_32nds: int) -> Mean | None:
    """Means of pages 0x11, 0x12 and 0x1A from the differences of their counters, taken modulo.

    Torque dT / (32 dE) N·m, angular velocity 2 pi dE 2048 / dP rad/s, power 128 pi dT / dP W
    (nRF5 SDK reference; the profile's own formulas as quoted in the public ANT forum). None
    without a new event. Events without a period mean that it stands still (time-synchronous
    sensors go on counting events).
    """
    if events == 0:
        return None
    if period_ticks == 0:
        return Mean(0.0, 0.0, 0.0)
    return Mean(
        torque_32nds / (32 * events),
        2 * math.pi * events * 2048 / period_ticks,
        128 * math.pi * torque_32nds / period_ticks,
    )


def mean_torque(before: TorquePage, after: TorquePage) -> Mean | None:
    """Means between two torque pages of one kind; None without a new event."""
    return torque_between(
        (after.event_count - before.event_count) & 0xFF,
        (after.period_raw - before.period_raw) & 0xFFFF,
        (after.torque_raw - before.torque_raw) & 0xFFFF,
    )


def mean_power_w(before: PowerOnly, after: PowerOnly) -> float | None:
    """Mean power of the events between two pages; None without a new event."""
    events = (after.event_count - before.event_count) & 0xFF
    return ((after.power_sum_w - before.power_sum_w) & 0xFFFF) / events if events else None


def mean_torque_frequency(
    before: CrankTorqueFrequency, after: CrankTorqueFrequency, zero_offset_hz: float
) -> Mean | None:
    """Means between two pages 0x20, given the zero offset that page 0x01 told.

    Frequency = ticks / time - offset; torque = frequency / slope; power = torque x angular
    velocity (nRF5 SDK reference). None without a new event or time, or with slope zero.
    """
    events = (after.event_count - before.event_count) & 0xFF
    seconds = ((after.time_raw - before.time_raw) & 0xFFFF) / 2000
    if events == 0 or seconds == 0 or after.slope_raw == 0:
        return None
    frequency_hz = ((after.torque_ticks - before.torque_ticks) & 0xFFFF) / seconds - zero_offset_hz
    torque_nm = frequency_hz / after.slope_hz_per_nm
    omega = 2 * math.pi * events / seconds
    return Mean(torque_nm, omega, torque_nm * omega)


def mean_trainer_power_w(before: TrainerData, after: TrainerData) -> float | None:
    """Mean power of the events between two pages 0x19; None without a new event or with an invalid power."""
    events = (after.event_count - before.event_count) & 0xFF
    if events == 0 or before.power_w is None or after.power_w is None:
        return None
    return ((after.power_sum_w - before.power_sum_w) & 0xFFFF) / events


def mean_rpm(revs: int, time_ticks: int) -> float | None:
    """Revolutions per minute from two differences taken modulo 65536; None if the time stood still."""
    return 60 * revs * 1024 / time_ticks if time_ticks else None
