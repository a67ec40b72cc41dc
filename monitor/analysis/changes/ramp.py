"""Step or drift: what fits better to a change that has been found, a jump between two levels or a ramp."""

import math
from collections.abc import Iterable
from typing import NamedTuple

import numpy as np

from monitor.analysis.statistics import Floats, autocorrelation, slow_factor

LEAST_S = 120.0
"""A shorter ramp is a step for a tester (common practice, no source)."""
CLEARLY = 8.0
"""Twice the log of the likelihood ratio of ramp to step, which have as many free figures, that a drift
takes: odds of e^4, about fifty to one."""
ENDED = 16.0
"""The same that its end takes: it is looked for after every block, and slow noise makes ends, too."""
MOST_PLACES = 40
"""A ramp may begin and end at so many places, evenly taken."""
ANY_NM = 50.0
"""A zero offset that is held to nothing (N·m)."""
LEAST_N, LAST_N = 8, 4
USUAL_SD = 0.005
"""Of a block's log ratio, beside which an offset is held to what is likely."""


class Ramp(NamedTuple):
    """A change that takes its time: a level until `since_s`, then even, and a level from `until_s` on."""

    since_s: float
    until_s: float
    size: float
    """By how much the log ratio moved between them."""

    @property
    def per_hour(self) -> float:
        """The log ratio in an hour."""
        return 3600.0 * self.size / (self.until_s - self.since_s)


class Series(NamedTuple):
    """Blocks of a quantity: their ends (s), log ratios, reciprocal torques (1 / N·m), and weights."""

    end_s: Floats
    y: Floats
    inverse: Floats
    weight: Floats


def series_of(rows: Iterable[tuple[float, float, float, float]]) -> Series:
    """Columns of rows of (end_s, y, inverse, weight)."""
    table = np.array(list(rows), dtype=np.float64).reshape(-1, 4)
    return Series(table[:, 0], table[:, 1], table[:, 2], table[:, 3])


class _Fit:
    """Weighted least squares of a level, a zero offset held to `likely_nm`, and one of many shapes."""

    def __init__(self, s: Series, likely_nm: float) -> None:
        root = np.sqrt(s.weight)
        # The offset's prior is one row more: nothing is seen of it but that it is about zero.
        held = np.array([[0.0, USUAL_SD / likely_nm]])
        base = np.vstack([np.column_stack([root, root * s.inverse]), held])
        self._root = root
        self._q, _ = np.linalg.qr(base)
        self._y = self._off(np.append(root * s.y, 0.0))
        self.rest = float(self._y @ self._y)

    def _off(self, column: Floats) -> Floats:
        left: Floats = column - self._q @ (self._q.T @ column)
        return left

    def correlation(self, shape: Floats) -> float:
        """Of neighbours in what is left beside a shape."""
        off = self._off(np.append(self._root * shape, 0.0))
        left = self._y - off * float(off @ self._y) / max(1e-12, float(off @ off))
        return autocorrelation(left[:-1])

    def best(self, shapes: Floats) -> tuple[int, float, float]:
        """Which of the shapes (one a row) leaves least, its size, and the sum of squares that is left."""
        rows = np.column_stack([shapes * self._root, np.zeros(len(shapes))])
        off = rows - (rows @ self._q) @ self._q.T
        squares = np.einsum("ij,ij->i", off, off)
        along = off @ self._y
        good = squares > 1e-9
        gains = np.where(good, along**2 / np.where(good, squares, 1.0), 0.0)
        k = int(np.argmax(gains))
        size = float(along[k] / squares[k]) if good[k] else 0.0
        return k, size, max(1e-12, self.rest - float(gains[k]))


def drift_beside_step(s: Series, likely_nm: float) -> Ramp | float | None:
    """The ramp that still goes on at the end of the series, if it fits clearly better than any step.

    Else the end (s) of the first block after the best step; None: too few blocks, or the torques explain what
    was seen. Fails for an instrument that makes several small steps the same way: that looks like a drift.
    """
    n = len(s.y)
    if n < LEAST_N:
        return None
    fit = _Fit(s, likely_nm)
    at = np.arange(2, n - 1)
    stepped, _, step_rest = fit.best((np.arange(n) >= at[:, None]).astype(np.float64))
    places = _places(n)
    places = places[s.end_s[-1] - s.end_s[places] >= LEAST_S]
    step_s = float(s.end_s[at[stepped]])
    if not len(places):
        return step_s
    ramps = np.maximum(0.0, s.end_s - s.end_s[places][:, None])
    k, slope, ramp_rest = fit.best(ramps)
    free = _Fit(s, ANY_NM)
    at_best, _, free_rest = free.best(ramps)
    # Slow noise goes along with anything: blocks are worth what their correlation leaves of them.
    worth = float(s.weight.sum()) / slow_factor(max(0.0, free.correlation(ramps[at_best]))) ** 2
    if worth * math.log(max(1e-12, free.rest) / free_rest) < ENDED:
        # A zero offset of any size and the torques that were ridden do as well.
        return None
    if float(s.weight.sum()) * math.log(step_rest / ramp_rest) < CLEARLY or not _before_its_end(s, likely_nm):
        return step_s
    since_s, until_s = float(s.end_s[places[k]]), float(s.end_s[-1])
    return Ramp(since_s, until_s, slope * (until_s - since_s))


def _before_its_end(s: Series, likely_nm: float) -> bool:
    """Whether something crept before the last blocks: of a step that came just now only they tell."""
    early = Series(*(column[:-LAST_N] for column in s))
    if len(early.y) < LEAST_N:
        return False
    fit = _Fit(early, likely_nm)
    places = _places(len(early.y))
    places = places[early.end_s[-1] - early.end_s[places] >= 0.5 * LEAST_S]
    if not len(places):
        return False
    _, _, rest = fit.best(np.maximum(0.0, early.end_s - early.end_s[places][:, None]))
    return float(early.weight.sum()) * math.log(max(1e-12, fit.rest) / rest) >= CLEARLY


def ramp_until(s: Series, likely_nm: float, since_s: float) -> Ramp | None:
    """The best ramp about `since_s`, and where it ended or has got to; None: hardly any series."""
    n = len(s.y)
    if n < LEAST_N:
        return None
    places = _places(n)
    begins = [k for k in places.tolist() if abs(s.end_s[k] - since_s) <= LEAST_S] or [0]
    pairs = [(a, b) for a in begins for b in [*places.tolist(), n - 1] if s.end_s[b] - s.end_s[a] >= LEAST_S]
    if not pairs:
        return None
    low, high = (s.end_s[[p[c] for p in pairs]][:, None] for c in (0, 1))
    fit = _Fit(s, likely_nm)
    shapes = np.clip((s.end_s - low) / (high - low), 0.0, 1.0)
    k, size, rest = fit.best(shapes)
    going = np.flatnonzero(high[:, 0] == s.end_s[-1])
    if len(going):
        # It goes on as long as its end is not seen clearly.
        at, on, on_rest = fit.best(shapes[going])
        if float(s.weight.sum()) * math.log(on_rest / rest) < ENDED:
            k, size = int(going[at]), on
    return Ramp(float(low[k, 0]), float(high[k, 0]), size)


def _places(n: int) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
    return np.unique(np.linspace(0, n - 1, min(n, MOST_PLACES)).round().astype(np.int64))
