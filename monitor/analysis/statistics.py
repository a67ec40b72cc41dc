"""Statistics of values that come one after the other: Student's t, autocorrelation, sequences, verdicts."""

import math

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


def effective_n(n: int, r: float) -> float:
    """How many independent values `n` values of lag-1 autocorrelation `r` are worth.

    First-order autoregression: n (1 - r) / (1 + r). Negative `r` is taken as 0.
    """
    r = min(max(r, 0.0), 0.99)
    return n * (1.0 - r) / (1.0 + r)


def slow_factor(r: float) -> float:
    """What a standard deviation of independent values must be multiplied by if they have a lag-1
    autocorrelation `r`: sqrt((1 + r) / (1 - r)), the long-run one of a first-order autoregression."""
    return math.sqrt((1.0 + r) / (1.0 - r))


def autocorrelation(values: Floats) -> float:
    """Lag-1 autocorrelation, corrected for its bias in short series: r + (1 + 4 r) / n."""
    n = len(values)
    if n < 3:
        return 0.0
    d = values - values.mean()
    s = float(d @ d)
    if s <= 0.0:
        return 0.0
    r = float(d[1:] @ d[:-1]) / s
    return min(0.99, r + (1.0 + 4.0 * r) / n)


NORMAL_MAD = 1.4826
"""Standard deviation over median absolute deviation of a normal distribution, 1 / 0.67449: any handbook."""


def middle_and_spread(values: Floats) -> tuple[float, float]:
    """Median, and the standard deviation as the median absolute deviation tells it. `values` is not empty."""
    middle = float(np.median(values))
    return middle, NORMAL_MAD * float(np.median(np.abs(values - middle)))


def spread_of_known(values: Floats, least: int) -> tuple[float, float] | None:
    """The same of what is no NaN; None for fewer than `least` of these."""
    known = values[np.isfinite(values)]
    return None if len(known) < least else middle_and_spread(known)


def spread_of_steps(values: Floats) -> float:
    """The standard deviation as successive differences tell it, whatever steps there are (von Neumann 1941).

    Differences have sqrt(2) of it; their median absolute value is 0.6745 of their own. At least two values.
    """
    return float(np.median(np.abs(np.diff(values)))) / (0.6745 * math.sqrt(2.0))


STUDENT_975 = (
    12.706, 4.303, 3.182, 2.776, 2.571, 2.447, 2.365, 2.306, 2.262, 2.228,
    2.201, 2.179, 2.160, 2.145, 2.131, 2.120, 2.110, 2.101, 2.093, 2.086,
    2.080, 2.074, 2.069, 2.064, 2.060, 2.056, 2.052, 2.048, 2.045, 2.042,
)  # fmt: skip
"""Student's t, 97.5 %, 1 to 30 degrees of freedom: any handbook's table; tests check it against scipy."""


def t_975(dof: float) -> float:
    """The 97.5 % point of Student's t for any degrees of freedom of at least 1.

    Table for whole degrees up to 30, between them ln t is linear in 1/dof; above, the expansion
    of Cornish and Fisher in 1/dof (Abramowitz and Stegun 26.7.5, three terms).
    """
    if dof <= 1.0:
        return STUDENT_975[0]
    if dof >= 30.0:
        z = 1.959963984540054
        return z + (z**3 + z) / (4 * dof) + (5 * z**5 + 16 * z**3 + 3 * z) / (96 * dof * dof)
    low = int(dof)
    part = (1.0 / low - 1.0 / dof) / (1.0 / low - 1.0 / (low + 1))
    return STUDENT_975[low - 1] * math.pow(STUDENT_975[low] / STUDENT_975[low - 1], part)


def sequence_rho(n_tight: int, alpha: float = 0.05) -> float:
    """The tuning of a confidence sequence that is tightest near `n_tight` values (same paper)."""
    a = -2.0 * math.log(alpha)
    return math.sqrt((a + math.log(a + 1.0)) / n_tight)


def sequence_radius(n: float, sd: float, rho: float, alpha: float = 0.05) -> float:
    """Half-width that covers the mean at all n at once with probability 1 - alpha.

    The normal mixture of Robbins (1970) as an asymptotic confidence sequence: Waudby-Smith, Arbour,
    Sinha, Kennedy and Ramdas, "Time-uniform central limit theory and asymptotic confidence
    sequences" (arXiv:2103.06476), with the spread outside of the root. It may be looked at after every
    value. Values are taken as independent: where they are not, `sd` is the long-run one, see `slow_factor`.
    """
    if n <= 0.0:
        return math.inf
    nr = n * rho * rho
    return sd * math.sqrt(2.0 * (nr + 1.0) / (n * nr) * math.log(math.sqrt(nr + 1.0) / alpha))


def judge(difference: float, u95: float, limit: float) -> str:
    """`agrees`, `differs` or `undecided` with the guard band w = U on both sides.

    The decision rule of ISO 14253-1 and JCGM 106: whoever proves something moves the
    limit by the uncertainty against themselves.
    """
    if abs(difference) + u95 <= limit:
        return "agrees"
    if abs(difference) - u95 > limit:
        return "differs"
    return "undecided"
