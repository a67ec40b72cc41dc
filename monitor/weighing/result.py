"""From loads and readings to gain, zero and hysteresis of one side, with intervals."""

import math
from collections.abc import Sequence
from typing import Literal, NamedTuple

import msgspec
import numpy as np

from monitor.analysis.statistics import Floats, judge, t_975
from monitor.weighing.loads import Load, Setup, Side, expected

LEAST_LOADS = 4
"""A line through fewer has no spread that could be believed (common practice, no source)."""
LEAST_SPAN_NM = 5.0
"""Torques must span so much: what a light push on a pedal makes (common practice, no source)."""

LEVEL = 0.5
"""Cosine of the angle up to which a crank counts as level: 60 degrees."""

Verdict = Literal["agrees", "differs", "undecided"]


class Part(msgspec.Struct, frozen=True):
    """One part of the uncertainty of a gain: what it is from, and its standard uncertainty in percent."""

    name: str
    percent: float


class Weighed(msgspec.Struct, frozen=True):
    """One side, held against known masses.

    reading = `zero_nm` + `gain` x expected torque. `hysteresis_nm` is by how much readings are higher
    while masses are taken off than while they are added; None: no load was read both ways.
    `gain` contains what is common to all loads (`budget`), the zero and the hysteresis do not.
    """

    side: Side
    loads: int
    least_nm: float
    most_nm: float
    gain: float
    gain_u95: float
    zero_nm: float
    zero_u95_nm: float
    hysteresis_nm: float | None
    hysteresis_u95_nm: float | None
    scatter_nm: float
    furthest_nm: float
    """The reading furthest from the line, in N·m off it."""
    budget: list[Part]
    claim_percent: float | None
    verdict: Verdict | None
    """Whether the gain keeps the claim; None: the bench states none."""


def effective_dof(parts: Sequence[tuple[float, float]]) -> float:
    """Degrees of freedom of a sum of parts (standard uncertainty, degrees of freedom).

    Welch and Satterthwaite: GUM (JCGM 100:2008) G.4.1, eq. G.2b.
    """
    total = sum(u * u for u, _ in parts)
    below = sum(u**4 / dof for u, dof in parts if math.isfinite(dof))
    return total * total / below if below > 0.0 else math.inf


def weigh(loads: Sequence[Load], setup: Setup, claim_percent: float | None = None) -> list[Weighed]:
    """Gain, zero and hysteresis of each side of which there are enough loads, in the order of sides."""
    sides: tuple[Side, ...] = ("left", "right", "total")
    found = [
        _side(side, [load for load in loads if load.side == side], setup, claim_percent) for side in sides
    ]
    return [each for each in found if each is not None]


def missing(loads: Sequence[Load], setup: Setup, side: Side) -> str:
    """What a side lacks for a result; empty: nothing."""
    own = [load for load in loads if load.side == side]
    if len(own) < LEAST_LOADS:
        return f"{len(own)} of at least {LEAST_LOADS} readings"
    torques = [expected(load, setup).torque_nm for load in own]
    if max(torques) - min(torques) < LEAST_SPAN_NM:
        return f"torques span {max(torques) - min(torques):.1f} N·m of at least {LEAST_SPAN_NM:g}"
    return ""


def _side(side: Side, loads: list[Load], setup: Setup, claim_percent: float | None) -> Weighed | None:
    if missing(loads, setup, side):
        return None
    known = [expected(load, setup) for load in loads]
    x = np.array([each.torque_nm for each in known])
    y = np.array([load.reading_nm for load in loads])
    # What differs from load to load weighs; what is common to all stands in the budget of the gain.
    own = np.array([math.hypot(each.angle, each.reading, each.mass) for each in known])
    fit = _line(x, y, own)
    zero, gain, u_gain = fit.zero, fit.gain, fit.u_gain
    dof = len(x) - 2.0
    common = [
        Part("crank length", 100.0 * setup.u_crank_length_mm / setup.crank_length_mm),
        Part("gravity", 100.0 * setup.gravity.u_mps2 / setup.gravity.value_mps2),
        Part("masses", setup.mass_tolerance_percent / math.sqrt(3.0)),
    ]
    shared = math.sqrt(sum(part.percent**2 for part in common)) / 100.0 * abs(gain)
    combined = math.hypot(u_gain, shared)
    k = t_975(effective_dof([(u_gain, dof), (shared, math.inf)]))
    hysteresis = _hysteresis(loads)
    residuals = y - zero - gain * x
    furthest = float(residuals[int(np.abs(residuals).argmax())])
    off = 100.0 * (gain - 1.0)
    verdict = judge(off, 100.0 * k * combined, claim_percent) if claim_percent else None
    return Weighed(
        side, len(loads), float(x.min()), float(x.max()),
        round(gain, 5), round(k * combined, 5),
        round(zero, 4), round(t_975(dof) * fit.u_zero, 4),
        None if hysteresis is None else round(hysteresis[0], 4),
        None if hysteresis is None else round(hysteresis[1], 4),
        round(fit.scatter_nm, 4), round(furthest, 4),
        [Part("scatter and angle", round(100.0 * u_gain / abs(gain or 1.0), 4))]
        + [Part(part.name, round(part.percent, 4)) for part in common],
        claim_percent, verdict,  # type: ignore[arg-type]
    )  # fmt: skip


class _Fit(NamedTuple):
    """A weighted line with standard uncertainties, its scatter, and chi-squared over degrees of freedom."""

    zero: float
    gain: float
    u_zero: float
    u_gain: float
    scatter_nm: float
    chi: float


def _line(x: Floats, y: Floats, own: Floats) -> _Fit:
    """A line through readings, each with the uncertainty of its parts (`own`, N·m) and one of the meter.

    The meter's own scatter is not known: it is chosen so that chi-squared is its degrees of freedom
    (Mandel and Paule, Anal. Chem. 42 (1970) 1194). A few readings that happen to lie on a line are
    no proof of certainty: the parts stay.
    """
    fit = _fit(x, y, own * own)
    if fit.chi <= 1.0:
        return fit
    low, high = 0.0, float(np.ptp(y)) + 1.0
    for _ in range(60):
        middle = 0.5 * (low + high)
        fit = _fit(x, y, own * own + middle * middle)
        low, high = (middle, high) if fit.chi > 1.0 else (low, middle)
    return fit


def _fit(x: Floats, y: Floats, variances: Floats) -> _Fit:
    weights = 1.0 / np.maximum(variances, 1e-12)
    w = float(weights.sum())
    mean_x, mean_y = float(weights @ x) / w, float(weights @ y) / w
    sxx = float(weights @ (x - mean_x) ** 2)
    gain = float(weights @ ((x - mean_x) * (y - mean_y))) / sxx
    zero = mean_y - gain * mean_x
    residuals = y - zero - gain * x
    dof = max(1, len(x) - 2)
    return _Fit(
        zero,
        gain,
        math.sqrt(1.0 / w + mean_x**2 / sxx),
        math.sqrt(1.0 / sxx),
        math.sqrt(float(residuals @ residuals) / dof),
        float(weights @ residuals**2) / dof,
    )


def _hysteresis(loads: Sequence[Load]) -> tuple[float, float] | None:
    """Mean difference down less up at equal loads, and its 95 % half-width (N·m); None: fewer than two."""
    ups: dict[tuple[float, float], list[float]] = {}
    downs: dict[tuple[float, float], list[float]] = {}
    for load in loads:
        into = ups if load.direction == "up" else downs
        into.setdefault((load.angle_deg, load.mass_kg), []).append(load.reading_nm)
    # With the crank upright a mass makes no torque that could come back late.
    pairs = [
        math.copysign(1.0, math.cos(math.radians(angle)))
        * (sum(down) / len(down) - sum(ups[angle, mass]) / len(ups[angle, mass]))
        for (angle, mass), down in downs.items()
        if (angle, mass) in ups and mass > 0.0 and abs(math.cos(math.radians(angle))) > LEVEL
    ]
    if len(pairs) < 2:
        return None
    values = np.array(pairs)
    u = float(values.std(ddof=1)) / math.sqrt(len(values))
    return float(values.mean()), t_975(len(values) - 1.0) * u
