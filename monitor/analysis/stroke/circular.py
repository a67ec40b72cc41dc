"""Statistics of angles in degrees: mean direction, spread, interval.

Sources: Fisher, Statistical Analysis of Circular Data (1993), sections 2.3 and 4.4.4; Mardia and Jupp,
Directional Statistics (2000), section 2.2 and 2.3.
"""

import math
from typing import NamedTuple

import numpy as np

from monitor.analysis.statistics import Floats, autocorrelation, effective_n, t_975

LEAST_R, ENOUGH = 0.2, 8
"""Autocorrelation from one value to the next that is assumed while fewer than ENOUGH can tell it."""
TURN = 360.0


class Direction(NamedTuple):
    """A mean direction: degrees in [0, 360), its 95 % half-width (infinite where it can't be known), the
    circular standard deviation of one value, and how many values there were."""

    mean_deg: float
    u95_deg: float
    sd_deg: float
    n: int


def wrapped(angle_deg: float) -> float:
    """The same angle in (-180, 180]: the shortest way round."""
    return -((180.0 - angle_deg) % TURN - 180.0)


def middle(start_deg: float, end_deg: float) -> float:
    """The angle half-way from `start_deg` on to `end_deg`, in [0, 360)."""
    return (start_deg + 0.5 * ((end_deg - start_deg) % TURN)) % TURN


def resultant(angles_deg: Floats) -> tuple[float, float]:
    """Mean direction in [0, 360) and mean resultant length 0..1 (Mardia and Jupp 2000, 2.2.4 and 2.3)."""
    radians = np.radians(angles_deg)
    c, s = float(np.cos(radians).mean()), float(np.sin(radians).mean())
    return math.degrees(math.atan2(s, c)) % TURN, math.hypot(c, s)


def sd_deg(length: float) -> float:
    """Circular standard deviation of a mean resultant length: sqrt(-2 ln R) (Fisher 1993, 2.3.1)."""
    return math.degrees(math.sqrt(-2.0 * math.log(min(1.0, length)))) if length > 0.0 else math.inf


def direction(angles_deg: Floats, least_u95_deg: float = 0.0) -> Direction | None:
    """Mean direction of neighbouring values with its 95 % half-width; None for none.

    The interval is that of Fisher 1993, section 4.4.4: arcsin of z times the circular standard error,
    the square root of (1 - rho2) / (2 n R^2). For few values, and values that follow each other, Student's
    t stands in for z, n - 1 for n in the dispersion, and the effective number for n. `least_u95_deg`
    is what does not average down, as the steps in which an angle is sent; it is added in squares.
    """
    angles = angles_deg[np.isfinite(angles_deg)]
    n = len(angles)
    if n == 0:
        return None
    mean, length = resultant(angles)
    if n < 2:
        return Direction(mean, math.inf, 0.0, n)
    apart = np.array([wrapped(a - mean) for a in angles.tolist()])
    second = float(np.cos(2.0 * np.radians(apart)).mean())
    dispersion = max(0.0, 1.0 - second) / (2.0 * max(length, 1e-9) ** 2) * n / (n - 1.0)
    r = max(0.0, autocorrelation(apart)) if n >= ENOUGH else LEAST_R
    worth = max(1.0, effective_n(n, r))
    sine = t_975(max(1.0, worth - 1.0)) * math.sqrt(dispersion / worth)
    half = math.degrees(math.asin(sine)) if sine < 1.0 else math.inf
    return Direction(mean, math.hypot(half, least_u95_deg), sd_deg(length), n)
