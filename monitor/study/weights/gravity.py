"""Local acceleration of free fall from latitude and height: the normal gravity of the GRS 80 ellipsoid.

H. Moritz, Geodetic Reference System 1980, Journal of Geodesy 74 (2000) 128: Somigliana's closed formula on
the ellipsoid, and its series in height. What the ground below adds is not in it.
"""

import math
from typing import NamedTuple

EQUATOR_MPS2 = 9.7803267715
K = 0.001931851353
E2 = 0.00669438002290
AXIS_M = 6_378_137.0
FLATTENING = 1.0 / 298.257222101
M = 0.00344978600308
"""Squared angular velocity times a squared times b, over the geocentric constant."""
LARGEST_ANOMALY_MPS2 = 0.001
"""Half-width of what mountains and ores make of it: 100 mGal, which few places exceed (common practice)."""
HIGHEST_M = 9000.0


class Gravity(NamedTuple):
    """Local acceleration, its standard uncertainty, and where it comes from."""

    mps2: float
    u_mps2: float
    source: str


def normal_gravity(latitude_deg: float, height_m: float = 0.0) -> float:
    """Normal gravity, m/s². ValueError: no such place on the ground."""
    if not -90.0 <= latitude_deg <= 90.0:
        raise ValueError(f"a latitude lies between -90 and 90 degrees, not {latitude_deg:g}")
    if not -500.0 <= height_m <= HIGHEST_M:
        raise ValueError(f"a height lies between -500 and {HIGHEST_M:.0f} m, not {height_m:g}")
    sin2 = math.sin(math.radians(latitude_deg)) ** 2
    ground = EQUATOR_MPS2 * (1.0 + K * sin2) / math.sqrt(1.0 - E2 * sin2)
    linear = 2.0 / AXIS_M * (1.0 + FLATTENING + M - 2.0 * FLATTENING * sin2)
    return ground * (1.0 - linear * height_m + 3.0 * (height_m / AXIS_M) ** 2)


def gravity_at(latitude_deg: float, height_m: float) -> Gravity:
    """Gravity at a place; the anomaly is a rectangular distribution about the normal value (GUM 4.3.7)."""
    value = normal_gravity(latitude_deg, height_m)
    source = f"normal gravity at {latitude_deg:g}°, {height_m:g} m (GRS 80)"
    return Gravity(value, LARGEST_ANOMALY_MPS2 / math.sqrt(3.0), source)


def gravity_typed(mps2: float, half_width_mps2: float = 0.0) -> Gravity:
    """A known value. ValueError: it is none of this planet's."""
    if not 9.7 <= mps2 <= 9.9:
        raise ValueError(f"gravity lies between 9.7 and 9.9 m/s² everywhere, not at {mps2:g}")
    return Gravity(mps2, half_width_mps2 / math.sqrt(3.0), "typed")
