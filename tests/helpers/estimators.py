"""Published estimators that the product does not need, to hold its own against."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from monitor.analysis.statistics import Floats, autocorrelation, effective_n, t_975


@dataclass(frozen=True, slots=True)
class Mean:
    """A mean of autocorrelated values with its 95 % half-width (same unit), looked at once."""

    value: float
    u95: float
    n: int
    n_effective: float
    sd: float


def mean_with_u95(values: Sequence[float] | Floats) -> Mean | None:
    """Mean and half-width t(n_eff - 1) s / sqrt(n_eff); None for fewer than two values."""
    v = np.asarray(values, dtype=np.float64)
    n = len(v)
    if n < 2:
        return None
    sd = float(v.std(ddof=1))
    n_eff = max(1.0, effective_n(n, autocorrelation(v)))
    u95 = math.inf if n_eff <= 1.0 else t_975(n_eff - 1.0) * sd / math.sqrt(n_eff)
    return Mean(float(v.mean()), u95, n, n_eff, sd)


def york(
    x: Floats, y: Floats, weight_x: Floats, weight_y: Floats
) -> tuple[float, float, float, float, float]:
    """Slope, intercept, their standard deviations and reduced chi squared; weights per point.

    The iteration of York, Evensen, Martinez and De Basabe (Am. J. Phys. 72, 367, 2004)
    for uncorrelated errors; weights are 1 / variance. Raises ValueError for fewer than
    three points or when it does not settle in 100 rounds.
    """
    n = len(x)
    if n < 3:
        raise ValueError("a line with uncertainty needs three points")
    slope = float(np.polyfit(x, y, 1)[0])
    for _ in range(100):
        w = weight_x * weight_y / (weight_x + slope * slope * weight_y)
        mx, my = float(w @ x / w.sum()), float(w @ y / w.sum())
        u, v = x - mx, y - my
        beta = w * (u / weight_y + slope * v / weight_x)
        new = float((w * beta) @ v / ((w * beta) @ u))
        done = abs(new - slope) <= 1e-14 * max(1.0, abs(new))
        slope = new
        if done:
            break
    else:
        raise ValueError("the line does not settle")
    w = weight_x * weight_y / (weight_x + slope * slope * weight_y)
    mx, my = float(w @ x / w.sum()), float(w @ y / w.sum())
    intercept = my - slope * mx
    adjusted = mx + (w * ((x - mx) / weight_y + slope * (y - my) / weight_x))
    mean = float(w @ adjusted / w.sum())
    var_slope = 1.0 / float(w @ (adjusted - mean) ** 2)
    chi2 = float(w @ (y - slope * x - intercept) ** 2) / (n - 2)
    return slope, intercept, math.sqrt(var_slope), math.sqrt(1.0 / float(w.sum()) + mean**2 * var_slope), chi2
