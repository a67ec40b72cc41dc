"""Whether an error that looks constant, as a zero offset or as a scale, is as well a drift in time."""

import math
from collections.abc import Sequence
from typing import Literal, NamedTuple

import numpy as np
import numpy.typing as npt

from monitor.analysis.block import Block, torques_of
from monitor.analysis.changes.ramp import (
    ANY_LEVEL,
    ANY_NM,
    CLEARLY,
    LEAST_S,
    Fit,
    Series,
    Shapes,
    course_of,
    series_of,
)
from monitor.analysis.statistics import Floats
from monitor.finding import Side

LEAST_N = 6
"""Fewer blocks have no course in time."""
PART = 0.25
"""A drift that moved by less than this part of the error leaves it as it is (common practice, no source)."""
LONG_PART = 0.3
"""A drift that explains all that a zero offset does takes this part of the time at least (common practice, no
source)."""
MOST_ENDS = 16
"""Ramps that ended are tried between so many moments, evenly taken."""
MOST_BLOCKS = 180
"""Half an hour: of more every second, third... block is taken."""


class Early(NamedTuple):
    """What was ridden first: a block of the same would tell a drift from an error that torque makes."""

    power_w: float
    cadence_rpm: float


def early(blocks: Sequence[Block]) -> Early | None:
    """Power and cadence of the first blocks that know both; None: there are none."""
    first = [(b.reference_w, b.cadence_rpm) for b in blocks if b.cadence_rpm is not None][:LEAST_N]
    if not first:
        return None
    return Early(math.fsum(w for w, _ in first) / len(first), math.fsum(rpm for _, rpm in first) / len(first))


def is_constant(cause: Literal["scale", "zero-offset"], blocks: Sequence[Block], side: Side) -> bool:
    """Whether a zero offset, or a scale, explains the blocks of one state clearly better than any drift.

    A zero offset has to beat a level with a ramp that goes on, or that began with the first block: while the
    torque only rises, both explain the same. A drift that begins and ends just where the torque changes is no
    rival. And what is left beside either must not move by a part of the error. Fails where the rider's torque
    follows the clock: then it stays open, as it must.
    """
    s = _series(blocks, side)
    n = len(s.y)
    if n < LEAST_N or s.end_s[-1] - s.end_s[0] < LEAST_S:
        # What is over so soon is no drift for a tester.
        return True
    error = abs(float(s.y.mean()))
    level = Fit(s, [(np.ones(n), ANY_LEVEL)])
    own = level if cause == "scale" else Fit(s, [(s.inverse, ANY_NM)])
    beside, size = _best(own, s, LEAST_S, True)
    if 2.0 * (beside - own.alone) >= CLEARLY and abs(size) >= PART * error:
        return False
    long_s = max(LEAST_S, LONG_PART * float(s.end_s[-1] - s.end_s[0]))
    return cause == "scale" or 2.0 * (own.alone - _best(level, s, long_s, False)[0]) >= CLEARLY


def began_at_once(blocks: Sequence[Block], side: Side) -> bool:
    """Whether an error that only the last of these blocks show began with a step, and did not creep in."""
    course = course_of(_series(blocks, side), ANY_NM)
    return course is None or course.surely_stepped


def _best(fit: Fit, s: Series, least_s: float, anywhere: bool) -> tuple[float, float]:
    """The log likelihood of the best ramp of `least_s` or more beside a fit, and by how much it moved; ended
    ones `anywhere`, or from the first block on."""
    places = np.unique(np.linspace(0, len(s.y) - 1, min(len(s.y), MOST_ENDS)).round().astype(np.int64))
    at, lasts_s = s.end_s[places], s.end_s[-1] - s.end_s
    going, ended = fit.ramps(), fit.ended(places)
    over = at[None, :] - at[:, None]
    allowed = over >= least_s
    if not anywhere:
        allowed[1:] = False
    return max(_most(going, lasts_s >= least_s, lasts_s), _most(ended, allowed, over))


def _most(
    shapes: Shapes,
    allowed: npt.NDArray[np.bool_],
    lasts_s: Floats,
) -> tuple[float, float]:
    likelihood = np.where(allowed, shapes.fair, -math.inf)
    at = int(np.argmax(likelihood))
    r = int(shapes.restricted.reshape(len(shapes.restricted), -1)[:, at].argmax())
    size = shapes.size[r].ravel()[at] * lasts_s.ravel()[at]
    return float(likelihood.ravel()[at]), float(size)


def _series(blocks: Sequence[Block], side: Side) -> Series:
    rows = [
        (float(t.end_s), math.expm1(t.y), 1.0 / t.reference_nm, 1.0, math.log(t.cadence_rpm))
        for t in torques_of(blocks, side)
    ]
    return series_of(rows[:: max(1, -(-len(rows) // MOST_BLOCKS))])
