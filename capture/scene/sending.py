"""What an instrument sends of the stroke: vectors and extremes over Bluetooth, pages over ANT+."""

from collections.abc import Callable
from functools import lru_cache

import msgspec

from capture.profiles import ant_power, cycling_power
from capture.scene.sensing import CrankSensor
from capture.scene.stroke import Shape, Side, Turn, steps, turn_of

_TANGENTIAL = 1
_TURNING = 0.05
"""Turns a second: slower, the crank stands."""
_POSITIONS = {"seated": 0, "standing": 2}
_EVERY_DEG = 3


class VectorSender:
    """Samples torque evenly in time and sends it in packets of `vector_values`."""

    def __init__(self, sensor: CrankSensor, send: Callable[[float, bytes], None]) -> None:
        self._sensor, self._send = sensor, send
        self._waiting: list[int] = []
        self._first_deg = 0

    def sample(self, t_s: float) -> None:
        """Take the torque at `t_s`; nothing while the crank stands."""
        sensor = self._sensor
        seen_s = t_s - sensor.definition.delay_s
        if seen_s < 0.0 or sensor.rider.crank_rate(seen_s) < _TURNING:
            self._waiting.clear()
            return
        crank_deg = sensor.rider.crank_revs(seen_s) % 1.0 * 360.0
        if not self._waiting:
            self._first_deg = round(sensor.told_deg(crank_deg, seen_s)) % 360
        torque = round(32.0 * sensor.crank_torque(crank_deg, seen_s))
        self._waiting.append(max(-32768, min(32767, torque)))
        if len(self._waiting) >= sensor.definition.vector_values:
            vector = cycling_power.Vector(
                sensor.crank_revs & 0xFFFF,
                int(sensor.crank_x * 1024.0) & 0xFFFF,
                self._first_deg,
                torques_32nds=tuple(self._waiting),
                direction=_TANGENTIAL,
            )
            self._waiting.clear()
            self._send(t_s, bytes(vector))


def with_extremes(
    measurement: cycling_power.Measurement, sensor: CrankSensor, t_s: float
) -> cycling_power.Measurement:
    """A measurement with greatest and least torque of the turn, their angles, the left leg's dead spots."""
    seen_s = max(0.0, t_s - sensor.definition.delay_s)
    around = {angle: sensor.crank_torque(angle, seen_s) for angle in range(0, 360, _EVERY_DEG)}
    most, least = max(around, key=around.__getitem__), min(around, key=around.__getitem__)
    phase = _turn(sensor, "left", seen_s).phase_deg
    spots = [
        None if phase is None else round(sensor.told_deg(angle, seen_s)) % 360 for angle in phase or (0, 0)
    ]
    return msgspec.structs.replace(
        measurement,
        max_torque_32nds=round(32.0 * around[most]),
        min_torque_32nds=round(32.0 * around[least]),
        max_angle_deg=round(sensor.told_deg(most, seen_s)) % 360,
        min_angle_deg=round(sensor.told_deg(least, seen_s)) % 360,
        top_dead_spot_deg=spots[0],
        bottom_dead_spot_deg=spots[1],
    )


def _turn(sensor: CrankSensor, side: Side, t_s: float) -> Turn:
    """One turn of a leg over its mean torque, as the instrument reads it."""
    return _turn_of(sensor.rider.shape(t_s).leg(side), sensor.sectors(side, t_s))


@lru_cache(maxsize=64)
def _turn_of(leg: tuple[float, float], sectors: tuple[tuple[float, float, float], ...]) -> Turn:
    shape = Shape(leg[0], leg[0], leg[1], leg[1])
    torques = []
    for angle in steps():
        torque = shape.relative("left", angle)
        for low, high, factor in sectors:
            torque *= factor if low <= angle < high else 1.0
        torques.append(torque)
    return turn_of(torques)


def _raw(sensor: CrankSensor, angle_deg: float, t_s: float) -> int:
    return round(sensor.told_deg(angle_deg, t_s) * 256.0 / 360.0) & 0xFF


_NO_ANGLE = 0xC0


def stroke_page(turn: int, sensor: CrankSensor, t_s: float) -> bytes:
    """The page that is due: angles right and left, position, barycentre, in turn."""
    seen_s = max(0.0, t_s - sensor.definition.delay_s)
    shape = sensor.rider.shape(seen_s)
    events = sensor.crank_revs & 0xFF
    kind = turn % 4
    if kind in (0, 1):
        side: Side = "left" if kind else "right"
        found = _turn(sensor, side, seen_s)
        phase = (_NO_ANGLE, _NO_ANGLE)
        if found.phase_deg is not None:
            phase = _raw(sensor, found.phase_deg[0], seen_s), _raw(sensor, found.phase_deg[1], seen_s)
        peak = _raw(sensor, found.peak_phase_deg[0], seen_s), _raw(sensor, found.peak_phase_deg[1], seen_s)
        mean = sensor.rider.mean_torque_nm(seen_s)[side == "right"]
        page = ant_power.LeftForceAngle if side == "left" else ant_power.RightForceAngle
        return bytes(page(events, *phase, *peak, max(0, min(0xFFFF, round(32.0 * mean)))))
    if kind == 2:
        cadence = min(254, round(sensor.cadence_rpm(t_s)))
        return bytes(ant_power.PedalPosition(events, _POSITIONS[shape.position] << 6 | 0x3F, cadence))
    left, right = sensor.rider.mean_torque_nm(seen_s)
    share = left / (left + right) if left + right > 0.0 else 0.5
    angle = sensor.told_deg(share * shape.left_peak_deg + (1.0 - share) * shape.right_peak_deg, seen_s)
    return bytes(ant_power.TorqueBarycenter(max(0, min(254, round(2.0 * (angle - 30.0))))))


def effectiveness_page(sensor: CrankSensor, t_s: float) -> bytes:
    """Torque effectiveness and pedal smoothness of both legs."""
    seen_s = max(0.0, t_s - sensor.definition.delay_s)
    left, right = _turn(sensor, "left", seen_s), _turn(sensor, "right", seen_s)
    values = [
        max(0, min(200, round(2.0 * percent)))
        for percent in (
            left.effectiveness_percent,
            right.effectiveness_percent,
            left.smoothness_percent,
            right.smoothness_percent,
        )
    ]
    return bytes(ant_power.TorqueEffectiveness(sensor.events & 0xFF, *values))
