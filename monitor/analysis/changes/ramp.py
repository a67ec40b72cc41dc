"""Step or drift: what fits better to blocks that have changed, a jump between two levels or a ramp.

A level, a step and a ramp are fitted each beside what the torques and cadences ridden explain, in noise
whose neighbours correlate by as much as suits each best. So slow noise competes with every change.
"""

import math
from collections.abc import Callable, Iterable, Sequence
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from monitor.analysis.block import BLOCK_S
from monitor.analysis.statistics import Floats

LEAST_S = 120.0
"""A shorter ramp is a step for a tester (common practice, no source)."""
YOUNG_S = 60.0
"""A change may be the beginning of a longer ramp: so long a one has to fit worse than the step."""
EVIDENCE = 18.0
"""Twice the log of the likelihood ratio of a ramp to slow noise alone that a drift takes. It is looked for
over all beginnings and again and again: by simulation of healthy instruments, see the tests."""
CLEARLY = 8.0
"""The same of ramp to step, which have as many free figures, or of step to ramp: odds of e^4, about fifty to
one. Between them it stays open which of the two it is."""
SURELY = 12.0
"""What was open so far is a step with odds of e^6: there is no haste any more, and slow noise has steps."""
STEP_EVIDENCE = 14.0
"""Twice the log of the likelihood ratio of a step to slow noise and a likely offset that a step takes: sums
and standard deviations take noise for whiter than it is."""
NOTHING = 9.0
"""With less for both of them there was no change (common practice, no source)."""
ENDED = 16.0
"""The same that its end takes: it is looked for after every block, and slow noise makes ends, too."""
MOST_PLACES = 40
"""A ramp may end at so many places, evenly taken."""
ANY_NM = 5.0
"""The standard deviation of a zero offset of which nothing is known (N·m; common practice, no source)."""
ANY_LEVEL = 10.0
"""The same of a level, a fraction."""
PACE_SD = 0.03
"""What a change of cadence by e may make of a healthy reading: 1.5 % between 60 and 100 rpm (common
practice, no source)."""
LEAST_N = 8
AMID_N = 30
"""A step amid a drift is looked for in the last five minutes."""
USUAL_SD, USUAL_BLOCKS = 0.004, 4.0
"""Of a block's log ratio, worth so many blocks: a lucky quiet stretch is no proof (common practice, no
source)."""
FITTED = 5.0
"""Level, offset, cadence, slope and its beginning: so many figures are fitted to the blocks."""
CORRELATIONS = np.array([0.0, 0.2, 0.4, 0.6, 0.75, 0.85, 0.93])
"""Of neighbouring blocks. The last one is noise of two minutes: slower noise can't be told from a drift."""


class Ramp(NamedTuple):
    """A change that takes its time: a level until `since_s`, then even until `until_s`."""

    since_s: float
    until_s: float
    size: float
    """By how much the log ratio moved between them."""
    per_hour: float
    """The log ratio in an hour, ..."""
    u95_per_hour: float
    """... with its 95 % half-width, the beginning's own included."""


class Course(NamedTuple):
    """What the blocks did: the best ramp that still goes on, and the best step."""

    ramp: Ramp
    step_s: float
    """The end of the first block after the best step."""
    evidence: float
    """Twice the log of the likelihood ratio of the ramp to nothing but slow noise and any zero offset."""
    over_step: float
    """The same of the ramp to the step, ..."""
    young_over_step: float
    """... of one that may have begun but YOUNG_S ago, ..."""
    step_evidence: float
    """... and of the step to nothing but slow noise and a likely offset."""

    @property
    def drifts(self) -> bool:
        """Whether it is a drift for sure."""
        return self.evidence >= EVIDENCE and self.over_step >= CLEARLY

    @property
    def changed(self) -> bool:
        """Whether there was a change at all."""
        return self.step_evidence >= STEP_EVIDENCE or self.evidence >= EVIDENCE

    @property
    def was_nothing(self) -> bool:
        """Whether what looked like a change has turned out to be noise."""
        return max(self.evidence, self.step_evidence) < NOTHING

    @property
    def stepped(self) -> bool:
        """Whether a change would be a step for sure."""
        return self.young_over_step <= -CLEARLY

    @property
    def surely_stepped(self) -> bool:
        """The same where there is no haste to tell it."""
        return self.young_over_step <= -SURELY


class Series(NamedTuple):
    """Blocks of a quantity: ends (s), log ratios, reciprocal torques (1 / N·m), log cadences, and weights."""

    end_s: Floats
    y: Floats
    inverse: Floats
    pace: Floats
    weight: Floats


def series_of(rows: Iterable[tuple[float, float, float, float, float]]) -> Series:
    """Columns of rows of (end_s, y, inverse, weight, pace)."""
    table = np.array(list(rows), dtype=np.float64).reshape(-1, 5)
    return Series(table[:, 0], table[:, 1], table[:, 2], table[:, 4], table[:, 3])


class Shapes(NamedTuple):
    """Shapes that were fitted: sizes, their squares beside the base, what is left, and the likelihoods."""

    size: Floats
    square: Floats
    rest: Floats
    likelihood: Floats
    restricted: Floats
    """The likelihood by which correlations are told from each other (REML, Patterson and Thompson,
    Biometrika 58, 545, 1971): what is fitted takes of the correlation, which would then look like less."""

    @property
    def fair(self) -> Floats:
        """The likelihood of each shape, in the noise that the restricted one tells."""
        at = self.restricted.argmax(axis=0)[None]
        fair: Floats = np.take_along_axis(self.likelihood, at, axis=0)[0]
        return fair


def _later(x: Floats) -> Floats:
    """The sum of all that comes after each."""
    result: Floats = np.cumsum(x[:, ::-1], axis=1)[:, ::-1] - x
    return result


class Fit:
    """Least squares of columns, each held to a standard deviation, and one of many shapes, for each of
    CORRELATIONS; arrays are (correlation, block)."""

    def __init__(self, s: Series, columns: Sequence[tuple[Floats, float]]) -> None:
        n, m = len(s.y), len(columns)
        root = np.sqrt(s.weight)
        rho = CORRELATIONS[:, None] ** np.maximum(1.0, np.diff(s.end_s) / BLOCK_S)
        self.scale = np.ones((len(CORRELATIONS), n))
        self.scale[:, 1:] = 1.0 / np.sqrt(1.0 - rho * rho)
        self._rho = rho
        self._first = root * self.scale
        """What a block is on its own, whatever came before it."""
        self.time_s = s.end_s - s.end_s[0]
        self.ones, self.times = self._white(root), self._white(root * self.time_s)
        base = np.zeros((len(CORRELATIONS), n + m, m))
        for k, (column, sd) in enumerate(columns):
            base[:, :n, k] = self._white(root * column)
            # A prior is one row: nothing is seen of a figure but that it is about zero.
            base[:, n + k, k] = USUAL_SD / sd
        q, upper = np.linalg.qr(base)
        y = np.zeros((len(CORRELATIONS), n + m))
        y[:, :n] = self._white(root * s.y)
        y -= np.einsum("rij,rj->ri", q, np.einsum("rij,ri->rj", q, y))
        self.rest = np.einsum("ri,ri->r", y, y)
        self._y = y[:, :n]
        self._q = np.moveaxis(q[:, :n], 2, 0)
        self._log_scale = np.log(self.scale).sum(axis=1)
        self.freedom = n + USUAL_BLOCKS
        own = np.log(np.abs(np.diagonal(upper, axis1=1, axis2=2))).sum(axis=1)
        self._fitted = own - own[0]
        """Half the log of how well the columns are known beside noise without any correlation."""
        self._columns = m

    def _white(self, column: Floats) -> Floats:
        """A column without the correlation of neighbours, for each of CORRELATIONS."""
        white: Floats = column * self.scale
        white[:, 1:] -= self._rho * self.scale[:, 1:] * column[:-1]
        return white

    @property
    def alone(self) -> float:
        """The log of the likelihood without any shape, in the noise that suits it best."""
        spread = np.log(np.maximum(self.rest + USUAL_BLOCKS * USUAL_SD**2, 1e-12))
        return float((self._log_scale - 0.5 * self.freedom * spread).max())

    def steps(self) -> Shapes:
        """A step at each block."""

        def along(v: Floats) -> Floats:
            return self._first * v + _later(self.ones * v)

        squares = self._first**2 + _later(self.ones**2)
        return self._shapes(squares, along)

    def ramps(self) -> Shapes:
        """A ramp from the end of each block on; its size is the slope in a second."""

        def along(v: Floats) -> Floats:
            later: Floats = _later(self.times * v) - self.time_s * _later(self.ones * v)
            return later

        squares = self._ramp_squares(self.time_s, self.time_s, np.arange(len(self.time_s)))
        return self._shapes(squares, along)

    def _ramp_squares(self, one: Floats, two: Floats, later: npt.NDArray[np.int64]) -> Floats:
        """Sums of products of ramps from `one` and from `two` (s), over the blocks after `later`."""
        products = (self.times**2, self.times * self.ones, self.ones**2)
        tt, t1, oo = (_later(x)[:, later] for x in products)
        result: Floats = tt - (one + two) * t1 + one * two * oo
        return result

    def _shapes(self, squares: Floats, along: Callable[[Floats], Floats]) -> Shapes:
        for q in self._q:
            squares = squares - along(q) ** 2
        return self.shapes(squares, along(self._y))

    def shapes(self, squares: Floats, along: Floats) -> Shapes:
        """What shapes with these own squares and products with `y` leave."""
        good = squares > 1e-9
        own = np.where(good, squares, 1.0)
        size = np.where(good, along / own, 0.0)
        every = (-1, *[1] * (size.ndim - 1))
        rest = np.maximum(0.0, self.rest.reshape(every) - size * along)
        spread = np.log(np.maximum(rest + USUAL_BLOCKS * USUAL_SD**2, 1e-12))
        over = self._log_scale.reshape(every)
        likelihood = over - 0.5 * self.freedom * spread
        known = self._fitted.reshape(every) + 0.5 * np.log(own / own[:1])
        restricted = over - known - 0.5 * (self.freedom - self._columns - 1) * spread
        lost = np.full_like(size, -math.inf)
        return Shapes(size, own, rest, np.where(good, likelihood, lost), np.where(good, restricted, lost))

    def ended(self, places: npt.NDArray[np.int64]) -> Shapes:
        """Ramps from each of these places to each other one: (correlation, from, to), slope in a second."""
        at = self.time_s[places]

        def along(v: Floats) -> Floats:
            on = _later(self.times * v)[:, places] - at * _later(self.ones * v)[:, places]
            between: Floats = on[:, :, None] - on[:, None, :]
            return between

        a, b = at[:, None], at[None, :]
        same = self._ramp_squares(at, at, places)
        both = self._ramp_squares(a, b, np.broadcast_to(places, (len(places), len(places))))
        squares = same[:, :, None] + same[:, None, :] - 2.0 * both
        return self._shapes(squares, along)


def _beside_torque(s: Series, likely_nm: float, *columns: Floats) -> Fit:
    """A level, an offset, what cadence may make of a healthy reading, and other columns of any size."""
    s = s._replace(y=s.y - s.y.mean())
    inverse, pace = s.inverse - s.inverse.mean(), s.pace - s.pace.mean()
    free = [(column, ANY_LEVEL) for column in columns]
    return Fit(s, [(np.ones(len(s.y)), ANY_LEVEL), (inverse, likely_nm), (pace, PACE_SD), *free])


def course_of(s: Series, likely_nm: float) -> Course | None:
    """How a series goes on; `likely_nm` is the zero offset that is likely by what was seen so far.

    None: too few blocks. Fails for an instrument that makes several small steps the same way: that looks
    like a drift.
    """
    long_enough = s.end_s[-1] - s.end_s >= LEAST_S if len(s.y) else np.zeros(0, bool)
    if len(s.y) < LEAST_N or not long_enough.any():
        return None
    # Whether there is a drift at all must not rest on what is likely of an offset.
    free = _beside_torque(s, max(ANY_NM, likely_nm))
    ramps = free.ramps()
    ramp, _ = _mixed(free, ramps, long_enough, float(s.end_s[0]))
    evidence = 2.0 * (float(ramps.fair[long_enough].max()) - free.alone)
    held = _beside_torque(s, likely_nm)
    # The last block alone is no step yet, and no ramp either.
    stepped = held.steps().fair[2:]
    at = int(np.argmax(stepped))
    step, held_ramps = float(stepped[at]), held.ramps().fair
    best = float(held_ramps[long_enough].max())
    young = float(held_ramps[s.end_s[-1] - s.end_s >= YOUNG_S].max())
    return Course(
        ramp, float(s.end_s[2 + at]), evidence, 2.0 * (best - step), 2.0 * (young - step),
        2.0 * (step - held.alone),
    )  # fmt: skip


def ramp_until(s: Series, likely_nm: float) -> Ramp | None:
    """The best ramp, and where it ended or has got to; None: hardly any series."""
    n = len(s.y)
    if n < LEAST_N or s.end_s[-1] - s.end_s[0] < LEAST_S:
        return None
    fit = _beside_torque(s, max(ANY_NM, likely_nm))
    ramp, going = _mixed(fit, fit.ramps(), s.end_s[-1] - s.end_s >= LEAST_S, float(s.end_s[0]))
    places = np.unique(np.linspace(0, n - 1, min(n, MOST_PLACES)).round().astype(np.int64))
    at = s.end_s[places]
    ended = fit.ended(places)
    allowed = at[None, :] - at[:, None] >= LEAST_S
    likelihood = np.where(allowed, ended.fair, -math.inf)
    a, b = np.unravel_index(int(np.argmax(likelihood)), likelihood.shape)
    r = int(ended.restricted[:, a, b].argmax())
    if 2.0 * (float(likelihood[a, b]) - going) < ENDED:
        # It goes on as long as its end is not seen clearly.
        return ramp
    slope = float(ended.size[r, a, b])
    spread = float(ended.rest[r, a, b]) + USUAL_BLOCKS * USUAL_SD**2
    sd = math.sqrt(spread / (fit.freedom - FITTED) / float(ended.square[r, a, b]))
    return Ramp(float(at[a]), float(at[b]), slope * float(at[b] - at[a]), 3600.0 * slope, 1.96 * 3600.0 * sd)


def step_amid(s: Series, likely_nm: float) -> tuple[float, float] | None:
    """The end (s) of the first block after a step amid a drift, and its log ratio; None: there is none.

    Over the last AMID_N blocks any drift is a line, and its beginning or end a kink of it: a step has to fit
    clearly better than both.
    """
    s = Series(*(column[-AMID_N:] for column in s))
    if len(s.y) < LEAST_N:
        return None
    line = (s.end_s - s.end_s.mean()) / max(1.0, float(s.end_s[-1] - s.end_s[0]))
    fit = _beside_torque(s, likely_nm, line)
    steps, kinks = fit.steps(), fit.ramps()
    # Two blocks on either side are no level yet.
    fair = steps.fair[3:-2]
    k = 3 + int(fair.argmax())
    if 2.0 * (float(steps.fair[k]) - max(fit.alone, float(kinks.fair.max()))) < STEP_EVIDENCE:
        return None
    return float(s.end_s[k]), float(steps.size[int(steps.restricted[:, k].argmax()), k])


def _mixed(fit: Fit, ramps: Shapes, allowed: npt.NDArray[np.bool_], begin_s: float) -> tuple[Ramp, float]:
    """The ramp that goes on as a mean over all beginnings and correlations, each as likely as it is; and
    the log of the likelihood of the best."""
    likelihood = np.where(allowed, ramps.restricted, -math.inf)
    weight = np.exp(likelihood - likelihood.max())
    weight /= weight.sum()
    slope = float((weight * ramps.size).sum())
    spread = (ramps.rest + USUAL_BLOCKS * USUAL_SD**2) / (fit.freedom - FITTED)
    variance = float((weight * (spread / ramps.square + (ramps.size - slope) ** 2)).sum())
    end_s = float(fit.time_s[-1])
    since_s = float((weight * fit.time_s).sum())
    size = float((weight * ramps.size * (end_s - fit.time_s)).sum())
    ramp = Ramp(begin_s + since_s, begin_s + end_s, size, 3600.0 * slope, 1.96 * 3600.0 * math.sqrt(variance))
    return ramp, float(ramps.fair[allowed].max())
