"""Local gravity: what a kilogram weighs here, by the published normal gravity formula, or as typed."""

import math
from typing import NamedTuple

EQUATOR_MPS2 = 9.7803267715
"""Normal gravity at the equator, Geodetic Reference System 1980 (Moritz, J. Geodesy 74 (2000) 128)."""
K = 0.001931851353
"""Constant of Somigliana's formula, GRS 80."""
E2 = 0.00669438002290
"""First eccentricity squared, GRS 80."""
SEMI_MAJOR_M = 6_378_137.0
FLATTENING = 1.0 / 298.257222101
M = 0.00344978600308
"""Centrifugal over gravitational force at the equator, GRS 80."""
ANOMALY_MPS2 = 1e-3
"""Half-width. Gravity is within 100 mGal of the formula on most land (common practice, no source)."""
STANDARD_MPS2 = 9.80665
"""Standard gravity (3rd General Conference on Weights and Measures, 1901): where no place is given."""
ANYWHERE_MPS2 = 0.026
"""Half-width. From equator to pole normal gravity lies within so much of the standard one."""
TYPED_MPS2 = 1e-4
"""Half-width of a value that was typed: a table of a national institute gives four digits."""
HIGHEST_M = 9000.0


class Gravity(NamedTuple):
    """Gravity in m/s², its standard uncertainty, and where it is from."""

    value_mps2: float
    u_mps2: float
    source: str


def normal_gravity_mps2(latitude_deg: float, height_m: float = 0.0) -> float:
    """Normal gravity at a latitude and a height above the ellipsoid (sea level will do).

    Somigliana's closed formula on GRS 80; with height to second order (Heiskanen and Moritz,
    Physical Geodesy, 1967, eq. 2-123).
    """
    sine2 = math.sin(math.radians(latitude_deg)) ** 2
    gamma = EQUATOR_MPS2 * (1.0 + K * sine2) / math.sqrt(1.0 - E2 * sine2)
    h = height_m / SEMI_MAJOR_M
    return gamma * (1.0 - 2.0 * (1.0 + FLATTENING + M - 2.0 * FLATTENING * sine2) * h + 3.0 * h * h)


def gravity_of(typed_mps2: float | None, latitude_deg: float | None, height_m: float | None) -> Gravity:
    """Gravity from what is known: typed, by place, else the standard value. ValueError: it makes no sense."""
    if typed_mps2 is not None:
        if not 9.7 <= typed_mps2 <= 9.9:
            raise ValueError(f"{typed_mps2:g} m/s² is no gravity on Earth: it lies between 9.76 and 9.84")
        return Gravity(typed_mps2, TYPED_MPS2 / math.sqrt(3.0), "as typed")
    if latitude_deg is not None:
        height = height_m or 0.0
        if not -90.0 <= latitude_deg <= 90.0:
            raise ValueError(f"a latitude lies from -90 to 90 degrees, not at {latitude_deg:g}")
        if not -500.0 <= height <= HIGHEST_M:
            raise ValueError(f"a height lies from -500 to {HIGHEST_M:g} m, not at {height:g}")
        words = f"normal gravity at {latitude_deg:g}°, {height:g} m"
        return Gravity(normal_gravity_mps2(latitude_deg, height), ANOMALY_MPS2 / math.sqrt(3.0), words)
    if height_m is not None:
        raise ValueError("a height alone does not give gravity: add --latitude")
    return Gravity(STANDARD_MPS2, ANYWHERE_MPS2 / math.sqrt(3.0), "standard gravity, no place given")
