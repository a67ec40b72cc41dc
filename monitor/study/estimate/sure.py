"""How sure a mean of blocks is: a budget of named parts, and gain and zero offset from the same noise.

Every part is a 95 % half-width in percent. Only scatter and the spread between segments become smaller
with more riding; what is not known of the drivetrain, of timing and of a share's steps does not.
"""

import math
from collections.abc import Iterable, Sequence
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from monitor.analysis.budget import PRIOR_DOF, Noise
from monitor.analysis.diagnose import GATE_GAIN, GATE_OFFSET_NM, MIN_BLOCKS
from monitor.analysis.statistics import Floats, t_975

Ints = npt.NDArray[np.int64]

SCATTER, BETWEEN, LOSS, EDGES, SHARE, DRIFT = (
    "scatter", "between segments", "drivetrain loss", "lag and edges", "steps of a share", "drift",
)  # fmt: skip
AVERAGES_DOWN = (SCATTER, BETWEEN)
"""Parts of a budget that more riding makes smaller."""
MOST_T = 4.303
"""Student's t for two degrees of freedom: with fewer segments the spread between them is hardly known."""
SHARE_STEP_POINTS, BLUETOOTH_STEP_POINTS = 1.0, 0.5
"""Steps in which a share is reported, percent of the total: whole ones over ANT+ (power-only page 0x10), half
ones over Bluetooth (0x2A63). Where the radio is not known the coarser is taken."""
SHARE_WINDOW_S = 60
"""A share is looked at by minutes: over more a rider may go from one level to another (common practice)."""
LEAST_FLIPS = 4
"""Fewer changes between two steps in a minute may be one level after another, not wander about one."""
MOST_EXACT = 1200
"""A line is laid through no more blocks than this, evenly taken: their covariance is a matrix."""


class Between(NamedTuple):
    """Standard deviation of the segments' own levels (a fraction), and with how many degrees of freedom."""

    sd: float = 0.0
    dof: float = 0.0

    def percent(self, blocks: Iterable[int]) -> float:
        """What it leaves open of a mean over segments of so many blocks, as a 95 % half-width."""
        counts = np.array([n for n in blocks if n > 0], dtype=np.float64)
        if self.dof < 1.0 or not len(counts):
            return 0.0
        segments = float(counts.sum() ** 2 / (counts**2).sum())
        return 100.0 * min(MOST_T, t_975(self.dof)) * self.sd / math.sqrt(segments)


class Spreads(NamedTuple):
    """The spread of segments about the level of their state, and that of states with a zero offset.

    `own`: (from, to, spread). A zero offset makes segments of unlike torques differ: that is no
    uncertainty of other states, least of all of the one that begins when it is set right.
    """

    usual: Between = Between()
    own: tuple[tuple[float, float, Between], ...] = ()

    def at(self, t_s: float) -> Between:
        """The spread that holds at a moment."""
        return next((spread for from_s, to_s, spread in self.own if from_s <= t_s < to_s), self.usual)


class Levels(NamedTuple):
    """The segments of one state as (mean, variance of it by its noise).

    `fitted`: how many numbers were taken from them: their mean, or the two of a line.
    """

    of: Sequence[tuple[float, float]]
    fitted: int = 1


def between_of(states: Iterable[Levels]) -> Between:
    """The spread of segments within states.

    Method of moments (DerSimonian and Laird, Controlled Clinical Trials 7, 177, 1986), pooled over states.
    """
    excess = scale = dof = 0.0
    for segments, fitted in states:
        if len(segments) <= fitted:
            continue
        weight = np.array([1.0 / v for _, v in segments])
        mean = np.array([m for m, _ in segments])
        centre = float(weight @ mean / weight.sum())
        excess += float(weight @ (mean - centre) ** 2) - (len(segments) - fitted)
        scale += float(weight.sum() - (weight @ weight) / weight.sum())
        dof += len(segments) - fitted
    return Between(math.sqrt(max(0.0, excess / scale)), dof) if scale > 0.0 else Between()


class Sure(NamedTuple):
    """A mean log ratio of `n` blocks with the parts of its budget by name, percent."""

    value: float
    n: int
    n_effective: float
    sd: float
    parts: dict[str, float]

    @property
    def percent(self) -> float:
        """The deviation."""
        return 100.0 * math.expm1(self.value)

    @property
    def u95(self) -> float:
        """The 95 % half-width, percent: root sum of squares; infinite where it can't be known."""
        return math.sqrt(sum(p * p for p in self.parts.values()))

    def of(self, *names: str) -> float:
        """The 95 % half-width of these parts alone."""
        return math.sqrt(sum(self.parts.get(name, 0.0) ** 2 for name in names))


def share_percent(share_points: Floats, step_points: float = SHARE_STEP_POINTS) -> float:
    """What steps of a share hide of a side's mean, percent of the side, as a 95 % half-width.

    A share that stands still between two steps may be off by half of one, which is twice as much of a side:
    a rectangle (GUM 4.3.7). Minutes that show the same step hide the same; what others hide is independent.
    A rider whose share goes from level to level with the load is not dithered by that, though it varies.
    `share_points`: percent of the total, once a second.
    """
    still = 1.96 * 2.0 * step_points / math.sqrt(12.0)
    if len(share_points) < MIN_BLOCKS:
        return still
    hidden: dict[float, float] = {}
    for minute in np.array_split(share_points / step_points, max(1, len(share_points) // SHARE_WINDOW_S)):
        level = float(np.rint(np.median(minute)))
        hidden[level] = hidden.get(level, 0.0) + len(minute) * _hidden(minute)
    return still * math.hypot(*hidden.values()) / len(share_points)


def _hidden(steps: Floats) -> float:
    """The part of half a step by which the mean of a share read in whole steps may be off: 0 to 1.

    One that wanders by `s` over the steps `d` is dithered: of the error of its mean exp(-2 pi^2 s^2 / d^2) is
    left (Widrow's model of quantisation, from memory). What is read varies by the wander and a rectangle, and
    by flipping between two steps at the least.

    One that flips between two steps lies near the threshold between them. If a part `f` shows the upper one
    its mean is off by f - 1/2 of a step where it hardly moves, and by less the more it does.
    """
    spread, mean = float(steps.var()), float(steps.mean())
    beyond = mean % 1.0
    wander = min(spread - 1.0 / 12.0, spread - beyond * (1.0 - beyond))
    dithered = math.exp(-2.0 * math.pi**2 * max(0.0, wander))
    low = math.floor(float(steps.min()))
    above = steps > low + 0.5
    if steps.max() > low + 1.0 or int((above[1:] != above[:-1]).sum()) < LEAST_FLIPS:
        # It may stand on two levels one after the other, either of which hides half a step.
        return dithered
    return min(dithered, abs(2.0 * (mean - low) - 1.0))


class GainZero(NamedTuple):
    """Torque against torque: gain and zero offset (N·m) with standard deviations, and Student's t."""

    gain: float
    offset_nm: float
    sd_gain: float
    sd_offset_nm: float
    covariance: float
    t: float
    n: int
    mean_nm: float

    @property
    def apart(self) -> bool:
        """Whether gain and zero are known apart: the gate and the intervals use the same half-widths."""
        return (
            self.t * self.sd_gain <= 1.96 * GATE_GAIN and self.t * self.sd_offset_nm <= 1.96 * GATE_OFFSET_NM
        )


def gain_and_zero(
    torque_nm: Floats, y: Floats, begin_s: Ints, segment: Ints, noise: Noise
) -> GainZero | None:
    """Gain and zero offset of blocks whose log ratio is `y`, by generalised least squares; None for too few.

    The ratio is gain + offset / torque, so that noise which is relative is the same in all blocks. Their
    covariance is the session's by distance (Aitken, Proc. R. Soc. Edinburgh 55, 42, 1936), and what
    segments lie off the line beyond it is common to all blocks of one.
    """
    many = max(1, -(-len(y) // MOST_EXACT))
    x, ratio, begin_s, segment = torque_nm[::many], np.exp(y[::many]), begin_s[::many], segment[::many]
    n = len(x)
    if n < MIN_BLOCKS or float(x.std()) <= 1e-9 or noise.dof < 1.0 or noise.variance <= 0.0:
        return None
    design = np.column_stack([np.ones(n), 1.0 / x])
    covariance = noise.covariance(begin_s)
    fit, normal, rest = _least_squares(design, ratio, covariance)
    off = ratio - design @ fit
    names = np.unique(segment)
    levels = [(float(off[segment == k].mean()), noise.of_mean(begin_s[segment == k])) for k in names]
    prior = min(PRIOR_DOF, noise.dof)
    dof = least_dof = prior + n - 2.0
    if len(names) > 2:
        # Two of the segments' freedoms went into the line.
        between = between_of([Levels(levels, 2)])
        covariance += between.sd**2 * (segment[:, None] == segment[None, :])
        within = np.diagonal(normal)
        fit, normal, rest = _least_squares(design, ratio, covariance)
        # Few segments hardly know how far they lie apart (Welch and Satterthwaite, GUM G.4.1).
        both = np.diagonal(normal)
        apart = np.maximum(0.0, both - within)
        least_dof = float((both**2 / (within**2 / dof + apart**2 / (len(names) - 2))).min())
    normal *= (prior + rest) / dof
    return GainZero(
        float(fit[0]), float(fit[1]), math.sqrt(normal[0, 0]), math.sqrt(normal[1, 1]), float(normal[0, 1]),
        min(MOST_T, t_975(least_dof)), n, float(x.mean()),
    )  # fmt: skip


def _least_squares(design: Floats, y: Floats, covariance: Floats) -> tuple[Floats, Floats, float]:
    """The coefficients, their covariance matrix, and the chi-squared of what is left."""
    lower = np.linalg.cholesky(covariance)
    white, target = np.linalg.solve(lower, design), np.linalg.solve(lower, y)
    normal: Floats = np.linalg.inv(white.T @ white)
    fit: Floats = normal @ (white.T @ target)
    rest = target - white @ fit
    return fit, normal, float(rest @ rest)
