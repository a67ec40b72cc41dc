"""A load on a crank: the torque that it has to make, and how surely that is known."""

import math
from typing import Literal, NamedTuple

from monitor.weighing.gravity import Gravity

Side = Literal["left", "right", "total"]
Direction = Literal["up", "down"]
"""Whether masses are being added or taken off: what differs between the two is hysteresis."""

AIR_KG_M3, IRON_KG_M3 = 1.2, 7200.0
"""Air carries a part of each mass: 1.2 kg/m³ over the density of cast iron (handbook values)."""
MOST_KG = 200.0


class Setup(NamedTuple):
    """What all loads of one check have in common; `u_` are standard uncertainties."""

    gravity: Gravity
    crank_length_mm: float
    u_crank_length_mm: float = 0.5 / math.sqrt(3.0)
    """Half a millimetre either way: a pedal axle lies no surer (common practice, no source)."""
    mass_tolerance_percent: float = 0.1
    """Half-width, of each mass as marked or as weighed."""
    level_deg: float = 1.0
    """Half-width, to which the angle of the crank is set: what a small spirit level shows."""
    resolution_nm: float = 0.1
    """Of the reading."""


class Load(NamedTuple):
    """One reading: a mass on one side's pedal axle, with that crank at an angle.

    `angle_deg` is counted from the crank pointing forward and level, in the direction of pedalling:
    0 forward, 90 down, 180 backward, 270 up. The reading is torque in N·m as the instrument shows it.
    """

    side: Side
    angle_deg: float
    mass_kg: float
    direction: Direction
    reading_nm: float


class Expected(NamedTuple):
    """The torque of a load with the standard uncertainty of each part (N·m; GUM, JCGM 100:2008, 5.1)."""

    torque_nm: float
    mass: float
    gravity: float
    crank_length: float
    angle: float
    reading: float

    @property
    def u_nm(self) -> float:
        """All parts together."""
        return math.sqrt(sum(part * part for part in self[1:]))


def expected(load: Load, setup: Setup) -> Expected:
    """Torque = mass x gravity x crank length x cosine of the angle, less the buoyancy of the air.

    An angle that is set to within a half-width a has a cosine whose mean is smaller by sin(a) / a
    (rectangular distribution), and a standard deviation that is of first order in a with the crank
    upright and of second order with the crank level.
    """
    weight_n = load.mass_kg * setup.gravity.value_mps2 * (1.0 - AIR_KG_M3 / IRON_KG_M3)
    whole_nm = weight_n * setup.crank_length_mm / 1000.0
    cosine, spread = _cosine(math.radians(load.angle_deg), math.radians(setup.level_deg))
    torque = whole_nm * cosine
    return Expected(
        torque,
        abs(torque) * setup.mass_tolerance_percent / 100.0 / math.sqrt(3.0),
        abs(torque) * setup.gravity.u_mps2 / setup.gravity.value_mps2,
        abs(torque) * setup.u_crank_length_mm / setup.crank_length_mm,
        whole_nm * spread,
        setup.resolution_nm / math.sqrt(12.0),
    )


def _cosine(angle: float, half_width: float) -> tuple[float, float]:
    """Mean and standard deviation of the cosine of an angle known to within a half-width (radians)."""
    if half_width <= 0.0:
        return math.cos(angle), 0.0
    first = math.sin(half_width) / half_width
    second = math.sin(2.0 * half_width) / (2.0 * half_width)
    mean = math.cos(angle) * first
    square = 0.5 + 0.5 * math.cos(2.0 * angle) * second
    return mean, math.sqrt(max(0.0, square - mean * mean))


def problem(load: Load) -> str:
    """Why a load can't be used; empty: it can."""
    if not math.isfinite(load.reading_nm) or abs(load.reading_nm) > 1000.0:
        return f"{load.reading_nm:g} N·m is no reading of a crank"
    if not 0.0 <= load.mass_kg <= MOST_KG:
        return f"a mass lies from 0 to {MOST_KG:g} kg, not at {load.mass_kg:g}"
    if not -360.0 <= load.angle_deg <= 360.0:
        return f"an angle lies from 0 to 360 degrees, not at {load.angle_deg:g}"
    return ""
