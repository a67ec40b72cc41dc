"""Statistics of block values that are looked at once: intervals, components of variance, changes."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from monitor.analysis.statistics import Floats, autocorrelation, effective_n, t_975

Ints = npt.NDArray[np.int64]
PRIOR_WEIGHT = 4.0
"""How many degrees of freedom the session's spread is worth in a segment's."""
LEAST_R, ENOUGH = 0.2, 24
"""Autocorrelation of blocks that is assumed while fewer than ENOUGH values can tell it."""
FEW = 8
"""With fewer blocks a segment's own autocorrelation says nothing; the session's stands in."""


# -- spread of blocks


@dataclass(frozen=True, slots=True)
class Spread:
    """The usual spread of one block's log ratio in a session: standard deviation, its degrees of
    freedom, lag-1 autocorrelation. All zero: nothing is known."""

    sd: float = 0.0
    dof: float = 0.0
    r: float = 0.0


@dataclass(frozen=True, slots=True)
class Interval:
    """A mean of `n` values with its 95 % half-width (infinite where it can't be known)."""

    value: float
    u95: float
    n: int
    n_effective: float
    sd: float


def usual_spread(groups: Sequence[Floats]) -> Spread:
    """What groups of neighbouring values have in common: spread about each group's own mean.

    The pooled variance has sum(n - 1) degrees of freedom. The autocorrelation comes from
    groups of at least FEW, corrected for their length as in `compare.autocorrelation`;
    shorter ones hide it, so that without long ones LEAST_R is assumed.
    """
    squares = long_squares = products = 0.0
    dof = count = long_n = 0
    for values in groups:
        n = len(values)
        if n < 3:
            continue
        d = values - values.mean()
        square = float(d @ d)
        squares += square
        dof += n - 1
        if n >= FEW:
            long_squares += square
            products += float(d[1:] @ d[:-1])
            long_n += n
            count += 1
    if dof < 2 or squares <= 0.0:
        return Spread()
    r = LEAST_R
    if long_n >= ENOUGH and long_squares > 0.0:
        raw = products / long_squares
        r = min(0.9, max(0.0, raw + (1.0 + 4.0 * raw) * count / long_n))
    return Spread(math.sqrt(squares / dof), float(dof), r)


def interval(values: Floats, usual: Spread) -> Interval | None:
    """Mean and 95 % half-width of neighbouring block values, looked at once; None for no values.

    Student's interval with the variance pooled from the values and, worth PRIOR_WEIGHT
    degrees of freedom at most, the session's usual one; the number of values is cut to
    the effective one by their autocorrelation.
    """
    n = len(values)
    if n == 0:
        return None
    mean = float(values.mean())
    own = float(values.var(ddof=1)) if n > 1 else 0.0
    weight = min(PRIOR_WEIGHT, usual.dof)
    dof = weight + n - 1
    if dof < 1.0:
        return Interval(mean, math.inf, n, 1.0, 0.0)
    variance = (weight * usual.sd**2 + (n - 1) * own) / dof
    r = max(autocorrelation(values), 0.0) if n >= FEW else usual.r
    n_eff = max(1.0, effective_n(n, r))
    free = max(1.0, weight + n_eff - 1.0)
    return Interval(mean, t_975(free) * math.sqrt(variance / n_eff), n, n_eff, math.sqrt(variance))


@dataclass(frozen=True, slots=True)
class Limits:
    """Bland and Altman's bias and 95 % limits of agreement, in the unit of the differences."""

    bias: float
    sd: float
    lower: float
    upper: float


def limits_of_agreement(differences: Floats, sd: float | None = None) -> Limits:
    """Bias and bias ± 1.96 standard deviations (Bland and Altman, Lancet 327, 307, 1986).

    `sd` stands in for that of the differences where they have repeats and so more than one
    component. Differences of logarithms give the limits of a ratio. Needs two values.
    """
    bias = float(differences.mean())
    spread = float(differences.std(ddof=1)) if sd is None else sd
    return Limits(bias, spread, bias - 1.96 * spread, bias + 1.96 * spread)


@dataclass(frozen=True, slots=True)
class Components:
    """Spread within and between groups of values: standard deviations, ISO 5725 style.

    `within` is the repeatability standard deviation, `between` that of the groups' own
    level (0 where the groups differ no more than chance makes them), `total` both together.
    """

    within: float
    between: float
    total: float
    mean: float
    groups: int


def components(groups: Sequence[Sequence[float] | Floats]) -> Components | None:
    """One-way analysis of variance with unequal groups; None for fewer than two groups or no repeats.

    s_w^2 = MSE, s_b^2 = max(0, (MSB - MSE) / m0), m0 = (N - sum m^2 / N) / (k - 1): Bland and
    Altman, Stat. Methods Med. Res. 8, 135 (1999); ISO 5725-2 has the same estimators.
    """
    filled = [np.asarray(g, dtype=np.float64) for g in groups if len(g)]
    k = len(filled)
    sizes = np.array([len(g) for g in filled], dtype=np.float64)
    total = float(sizes.sum())
    if k < 2 or total <= k:
        return None
    everything = np.concatenate(filled)
    grand = float(everything.mean())
    mse = sum(float(((g - g.mean()) ** 2).sum()) for g in filled) / (total - k)
    msb = sum(len(g) * (float(g.mean()) - grand) ** 2 for g in filled) / (k - 1)
    m0 = (total - float((sizes**2).sum()) / total) / (k - 1)
    between = max(0.0, (msb - mse) / m0)
    return Components(math.sqrt(mse), math.sqrt(between), math.sqrt(mse + between), grand, k)


# -- changes


def best_parts(n: int, penalty: float, least: int, rest: Callable[[Ints, int], Floats]) -> list[int]:
    """Beginnings of the parts but the first of `n` values, by optimal partitioning (Jackson et al., IEEE
    Signal Process. Lett. 12, 105, 2005): the sum of all `rest` plus `penalty` for each change is least.

    `rest(starts, end)`: what the parts from each of `starts` up to `end` leave. No part is shorter than
    `least`. Exact, O(n^2).
    """
    best = np.full(n + 1, np.inf)
    best[0] = -penalty
    came = np.zeros(n + 1, dtype=np.int64)
    index = np.arange(n + 1)
    for end in range(least, n + 1):
        start = index[: end - least + 1]
        cost = best[start] + rest(start, end) + penalty
        k = int(np.argmin(cost))
        best[end], came[end] = cost[k], k
    points = []
    at = n
    while at > 0:
        at = int(came[at])
        if at > 0:
            points.append(at)
    return points[::-1]


def change_points(y: Floats, penalty: float, least: int = 2) -> list[int]:
    """Where the mean of `y` changes: `best_parts` by the sum of squares about the parts' means."""
    n = len(y)
    if n < 2 * least:
        return []
    s1 = np.concatenate(([0.0], np.cumsum(y - y.mean())))
    s2 = np.concatenate(([0.0], np.cumsum((y - y.mean()) ** 2)))

    def rest(start: Ints, end: int) -> Floats:
        sums = s1[end] - s1[start]
        return np.asarray((s2[end] - s2[start]) - sums * sums / (end - start))

    return best_parts(n, penalty, least, rest)


def step_beside(y: Floats, x: Floats, at: int) -> tuple[float, float]:
    """The step of `y` at index `at` fitted beside a dependence on `x`, and its standard deviation.

    Where `x` hardly differs the step is fitted alone. The deviation counts the
    autocorrelation of the residuals; it is infinite where step and `x` came together.
    """
    n = len(y)
    step = (np.arange(n) >= at).astype(np.float64)
    near = abs(float(x[:at].mean()) / float(x[at:].mean()) - 1.0) < 0.05
    columns = [np.ones(n), step]
    if not near and float(x.std()) > 0.03 * float(x.mean()):
        columns.append(x)
    design = np.column_stack(columns)
    if n <= design.shape[1] + 1:
        return 0.0, math.inf
    solution, *_ = np.linalg.lstsq(design, y, rcond=None)
    rest = y - design @ solution
    r = max(0.0, autocorrelation(rest))
    s2 = float(rest @ rest) / (n - design.shape[1]) * (1.0 + r) / (1.0 - r)
    covariance = s2 * np.linalg.pinv(design.T @ design)
    return float(solution[1]), math.sqrt(max(0.0, float(covariance[1, 1])))
