"""Readings under known masses: what torque should be shown, how sure that is, and gain, zero and hysteresis.

A mass on the pedal makes a torque of m·g·r·cos(angle) about the crank's axle. The
budget follows JCGM 100:2008 (GUM): half-widths are taken as rectangular distributions. What is common to all
readings (gravity, crank length, masses, level) does not average down.
"""

import math
from collections.abc import Sequence
from typing import Literal, NamedTuple

import msgspec
import numpy as np

from monitor.analysis.statistics import t_975
from monitor.study.results import known, rounded
from monitor.study.weights.gravity import Gravity

Side = Literal["left", "right", "total"]
Direction = Literal["up", "down"]
LEAST_READINGS = 4
MOST_KG, MOST_LENGTH_MM = 60.0, 250.0
"""More is no longer safe to hang on a pedal (common practice, no source): the maker's limit goes first."""
ROOT3 = math.sqrt(3.0)


class Setup(msgspec.Struct, frozen=True, kw_only=True):
    """What is known of the arrangement. Each `_half` is the half-width of what it may be off by."""

    crank_length_mm: float
    length_half_mm: float = 0.5
    mass_half_percent: float = 0.1
    angle_half_deg: float = 1.0
    resolution_nm: float = 0.01


class Load(msgspec.Struct, frozen=True, kw_only=True):
    """One reading: a mass on one side, the crank `angle_deg` from level, at one of four positions.

    `direction` says whether masses were being added or taken off. `torque_nm` is what the instrument showed.
    """

    side: Side
    position: int
    mass_kg: float
    torque_nm: float
    angle_deg: float = 0.0
    direction: Direction = "up"
    source: str = "typed"


class Line(msgspec.Struct, frozen=True, kw_only=True):
    """One part of a budget: standard uncertainty of the torque, in percent of it, and in words."""

    part: str
    u_percent: float
    words: str


class Estimate(msgspec.Struct, frozen=True):
    """A value with its 95 % half-width; None: too few readings to say."""

    value: float
    u95: float | None


class SideResult(msgspec.Struct, frozen=True, kw_only=True):
    """What the weights say of one side. `gain` is shown over expected torque, `zero_nm` the part at rest.

    `hysteresis_nm`: shown while taking off minus while putting on, at the same masses and positions.
    `by_position` are deviations in percent at the largest mass.
    """

    side: Side
    readings: int
    gain: Estimate
    zero_nm: Estimate
    hysteresis_nm: Estimate | None
    hysteresis_percent: float | None
    scatter_nm: float
    by_position: dict[str, float]
    budget: list[Line]


class Expected(NamedTuple):
    """Torque that should be shown, N·m, and its standard uncertainty."""

    torque_nm: float
    u_nm: float


def expected(load: Load, setup: Setup, gravity: Gravity) -> Expected:
    """The torque of one load with its combined standard uncertainty."""
    torque = _torque(load, setup, gravity)
    full = load.mass_kg * gravity.mps2 * setup.crank_length_mm / 1000.0
    parts = _parts(load.angle_deg, setup, gravity)
    return Expected(torque, full * math.sqrt(math.fsum(u * u for u in parts.values())))


def _torque(load: Load, setup: Setup, gravity: Gravity) -> float:
    angle = math.cos(math.radians(load.angle_deg))
    return load.mass_kg * gravity.mps2 * setup.crank_length_mm / 1000.0 * angle


def _parts(angle_deg: float, setup: Setup, gravity: Gravity) -> dict[str, float]:
    """Standard uncertainties relative to m·g·r, by name."""
    theta, half = math.radians(angle_deg), math.radians(setup.angle_half_deg)
    cos = abs(math.cos(theta))
    # cos(theta + d), d anywhere within the half-width: first order, and second, all there is at level.
    angle = math.sqrt((math.sin(theta) * half) ** 2 / 3.0 + cos**2 * half**4 / 45.0)
    bias = cos * half * half / 6.0
    return {
        "mass": cos * setup.mass_half_percent / 100.0 / ROOT3,
        "gravity": cos * gravity.u_mps2 / gravity.mps2,
        "crank length": cos * setup.length_half_mm / setup.crank_length_mm / ROOT3,
        "level": math.hypot(angle, bias),
    }


def side_of(side: Side, loads: Sequence[Load], setup: Setup, gravity: Gravity) -> SideResult | None:
    """Gain, zero and hysteresis of one side; None for fewer than LEAST_READINGS, or one torque only.

    A straight line through readings over expected torque. Its scatter gives Student's intervals; the parts
    that are common to all readings are added to the gain's as root sum of squares.
    """
    own = [load for load in loads if load.side == side]
    if len(own) < LEAST_READINGS:
        return None
    x = np.array([_torque(load, setup, gravity) for load in own])
    y = np.array([load.torque_nm for load in own])
    n = len(own)
    sxx = float(((x - x.mean()) ** 2).sum())
    if sxx <= 1e-9 * max(1.0, float(np.abs(x).max()) ** 2):
        return None
    gain = float(((x - x.mean()) * (y - y.mean())).sum()) / sxx
    zero = float(y.mean()) - gain * float(x.mean())
    residual = y - zero - gain * x
    resolution = setup.resolution_nm / 2.0 / ROOT3
    scatter = math.sqrt(float((residual**2).sum()) / (n - 2)) if n > 2 else 0.0
    # Readings that all round alike scatter by nothing, and are no surer than their last digit.
    s = max(scatter, resolution)
    t = t_975(n - 2.0)
    largest = max(own, key=lambda load: abs(_torque(load, setup, gravity)))
    common = _parts(largest.angle_deg, setup, gravity)
    cos = abs(math.cos(math.radians(largest.angle_deg)))
    u_common = math.sqrt(math.fsum(u * u for u in common.values())) / cos
    half_gain = math.hypot(t * s / math.sqrt(sxx), 1.96 * gain * u_common)
    half_zero = t * s * math.sqrt(1.0 / n + float(x.mean()) ** 2 / sxx)
    difference = _hysteresis(own, setup, gravity)
    full = float(np.abs(x).max())
    return SideResult(
        side=side,
        readings=n,
        gain=Estimate(rounded(gain, 5), known(half_gain, 5)),
        zero_nm=Estimate(rounded(zero, 3), known(half_zero, 3)),
        hysteresis_nm=difference,
        hysteresis_percent=rounded(100.0 * difference.value / full, 3) if difference is not None else None,
        scatter_nm=rounded(scatter, 4),
        by_position=_by_position(own, setup, gravity),
        budget=_budget(common, cos, s / math.sqrt(sxx) / gain, n, setup, gravity),
    )


def _hysteresis(loads: Sequence[Load], setup: Setup, gravity: Gravity) -> Estimate | None:
    """Mean of what is shown on the way down minus on the way up, of loads that were read both ways."""
    ways: dict[tuple[int, float, float], dict[str, list[float]]] = {}
    for load in loads:
        key = (load.position, load.mass_kg, load.angle_deg)
        # Backwards a torque is negative, and what lags behind is so in its amount.
        amount = math.copysign(load.torque_nm, load.torque_nm * _torque(load, setup, gravity) or 1.0)
        ways.setdefault(key, {}).setdefault(load.direction, []).append(amount)
    found = [
        math.fsum(w["down"]) / len(w["down"]) - math.fsum(w["up"]) / len(w["up"])
        for w in ways.values()
        if "up" in w and "down" in w
    ]
    if not found:
        return None
    n = len(found)
    mean = math.fsum(found) / n
    half = t_975(n - 1.0) * float(np.std(found, ddof=1)) / math.sqrt(n) if n > 1 else None
    return Estimate(rounded(mean, 3), known(half, 3))


def _by_position(loads: Sequence[Load], setup: Setup, gravity: Gravity) -> dict[str, float]:
    """Percent by which each position deviates at its largest torque."""
    found: dict[str, float] = {}
    for position in sorted({load.position for load in loads}):
        of = [load for load in loads if load.position == position]
        most = max(abs(_torque(load, setup, gravity)) for load in of)
        top = [load for load in of if abs(_torque(load, setup, gravity)) >= 0.999 * most > 0.0]
        if top:
            ratios = [load.torque_nm / _torque(load, setup, gravity) for load in top]
            found[str(position)] = rounded(100.0 * (math.fsum(ratios) / len(ratios) - 1.0), 3)
    return found


def _budget(
    common: dict[str, float], cos: float, u_fit: float, n: int, setup: Setup, gravity: Gravity
) -> list[Line]:
    words = {
        "mass": f"± {setup.mass_half_percent:g} % of each mass",
        "gravity": f"{gravity.mps2:.4f} m/s², {gravity.source}",
        "crank length": f"{setup.crank_length_mm:g} mm ± {setup.length_half_mm:g} mm",
        "level": f"± {setup.angle_half_deg:g}°",
    }
    lines = [
        Line(part=part, u_percent=rounded(100.0 * u / cos, 4), words=words[part])
        for part, u in common.items()
    ]
    fit = Line(part="readings", u_percent=rounded(100.0 * abs(u_fit), 4), words=f"scatter of {n} readings")
    whole = math.sqrt(math.fsum(line.u_percent**2 for line in (*lines, fit)))
    return [*lines, fit, Line(part="combined", u_percent=rounded(whole, 4), words="standard uncertainty")]


def problems_of(load: Load) -> str:
    """What is wrong with a reading as typed; empty: nothing."""
    if not 0.0 <= load.mass_kg <= MOST_KG:
        return f"a mass lies between 0 and {MOST_KG:g} kg"
    if not -90.0 <= load.angle_deg <= 270.0:
        return "an angle lies between -90 and 270 degrees from level"
    if not 1 <= load.position <= 4:
        return "a position is 1, 2, 3 or 4"
    if not abs(load.torque_nm) <= 500.0:
        return "a torque lies within 500 N·m"
    return ""


def overall(sides: Sequence[SideResult]) -> Estimate | None:
    """The gain of the whole instrument: its total, else the mean of both sides, else its only side."""
    if not sides:
        return None
    total = next((s for s in sides if s.side == "total"), None)
    if total is not None:
        return total.gain
    value = math.fsum(s.gain.value for s in sides) / len(sides)
    widths = [s.gain.u95 for s in sides if s.gain.u95 is not None]
    # Masses, length and gravity are the same on both sides: nothing averages down.
    half = math.fsum(widths) / len(widths) if len(widths) == len(sides) else None
    return Estimate(rounded(value, 5), known(half, 5))
