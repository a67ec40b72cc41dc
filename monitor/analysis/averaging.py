"""Over how many seconds one instrument averages beyond another, and by how much it comes later with that.

A display or a head unit may show a mean of ten seconds: a healthy meter that answers a change of load
slowly. From its slopes alone a lag can't tell that: here a moving mean of the other is fitted to it.
"""

import math
from typing import NamedTuple

import numpy as np

from monitor.analysis.lag import Floats, Timing

USUAL_S = 4.0
"""Radio, revolutions and usual smoothing are no wider than a mean of this (common practice, no source)."""
LONG_S = 6.0
"""One that fits worse than a usual one, from this width on, is out of the question."""
WIDTHS_S = (0.0, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0, 12.0)
LATEST_S, EARLIEST_S, STEP_S = 12.0, -2.0, 0.5
"""Lags that are tried: the middle of a moving mean comes so much later."""
FIRST, LAST = -3, 16
"""Seconds by which the other is read earlier: what all moving means reach over."""
SURE, RULED_OUT = 10.0, 4.0
"""Logarithms of a likelihood ratio: to say that one averages, and to say that it does not. A chance of one in
some ten thousand, as it is asked again and again, and of one in fifty (Wilks 1938: twice the logarithm has a
chi-squared distribution)."""
DEPENDENT_S = 4.0
"""So many neighbouring seconds count as one (common practice, no source)."""
SMOOTH_PART = 0.35
"""One that averages varies from second to second by less than this part of the other's variance: a mean of
five seconds of what changes slowly by 0.3, one of ten seconds by 0.1 (computed)."""
WHOLE = 0.25
"""One that averages still shows all of a change: the slope of its mean is within this of one."""
LEAST_ROWS = 25
FLOOR_S = 0.25
"""What the grid of lags and updates by the revolution leave undefined of a lag."""


class Averaging(NamedTuple):
    """Of the second of two instruments: the moving mean (s) that it shows of the first, negative where the
    first averages, 0 where neither does; and by how much it comes later."""

    width_s: float
    timing: Timing | None
    """None: as usual, which the slopes tell better."""


USUAL = Averaging(0.0, None)


def _candidates() -> tuple[Floats, Floats, Floats]:
    """Weights of each moving mean on whole seconds (k, seconds), lags (k,) and widths (k,) in seconds."""
    seconds = np.arange(FIRST, LAST + 1, dtype=np.float64)
    weights, lags, widths = [], [], []
    for width in WIDTHS_S:
        for lag in np.arange(EARLIEST_S, LATEST_S + STEP_S, STEP_S):
            begin = lag - 0.5 * width
            if begin < FIRST + 0.5 or begin + width > LAST - 0.5:
                continue
            if width == 0.0:
                weight = np.clip(1.0 - np.abs(seconds - lag), 0.0, 1.0)
            else:
                until = np.clip((seconds[:, None] + (-0.5, 0.5) - begin) / width, 0.0, 1.0)
                weight = until[:, 1] - until[:, 0]
            weights.append(weight)
            lags.append(lag)
            widths.append(width)
    return np.array(weights), np.array(lags), np.array(widths)


_WEIGHTS, _LAGS_S, _WIDTHS_S = _candidates()
_NARROW, _LONG = _WIDTHS_S <= USUAL_S, _WIDTHS_S >= LONG_S


class _Fit(NamedTuple):
    """Moving means of one instrument fitted to another: costs are negative logarithms of the likelihood."""

    usual: float
    """Of the best one no wider than usual."""
    long: float
    """Of the best long one."""
    best: float
    slope: float
    """Of the best: by how much the other's mean counts."""
    width_s: float
    lag_s: float
    sd_s: float


def averaging(a: Floats, b: Floats) -> Averaging | None:
    """How `b` averages what `a` shows, or `a` what `b` shows: (seconds,), watts at 1 Hz, nan: unknown.

    The smoother one is fitted by moving means of the other, each at its own slope, so that noise of the
    other, which any mean makes less, does not pass for averaging. None: too little to tell.
    """
    if len(a) < LEAST_ROWS + LAST - FIRST:
        return None
    rows_a, rows_b = (_reached_over(v) for v in (a, b))
    # After a hole one that averages shows for long what was before: nothing near it is used.
    good = ~np.isnan((rows_a + rows_b).sum(axis=1))
    if int(good.sum()) < LEAST_ROWS:
        return None
    rows_a, rows_b = rows_a[good], rows_b[good]
    mean_a, mean_b = float(rows_a.mean()), float(rows_b.mean())
    if mean_a <= 0.0 or mean_b <= 0.0:
        return None
    rows_a, rows_b = rows_a / mean_a, rows_b / mean_b
    rough_a, rough_b = _roughness(rows_a), _roughness(rows_b)
    swapped = rough_a < rough_b
    fit = _fit(rows_b, rows_a[:, -FIRST]) if swapped else _fit(rows_a, rows_b[:, -FIRST])
    if fit is None:
        return None
    if fit.usual > fit.best + SURE:
        smooth = min(rough_a, rough_b) < SMOOTH_PART * max(rough_a, rough_b)
        if not smooth or abs(fit.slope - 1.0) > WHOLE:
            return None
        sign = -1.0 if swapped else 1.0
        return Averaging(sign * fit.width_s, Timing(sign * fit.lag_s, fit.sd_s))
    return USUAL if fit.long > fit.best + RULED_OUT else None


def _reached_over(v: Floats) -> Floats:
    """For each second what all moving means reach over (seconds, LAST - FIRST + 1), the latest first."""
    rows: Floats = np.lib.stride_tricks.sliding_window_view(v, LAST - FIRST + 1)[:, ::-1]
    return rows


def _roughness(rows: Floats) -> float:
    """By how much it varies from second to second: the sum of the squares of the differences."""
    steps = rows[:, -FIRST] - rows[:, 1 - FIRST]
    return float(steps @ steps)


def _fit(rows: Floats, shown: Floats) -> _Fit | None:
    """Moving means of what `rows` reach over fitted to what is `shown`; None: that never changes."""
    count = len(shown)
    rows = rows - rows.mean(axis=0)
    shown = shown - shown.mean()
    explained = _WEIGHTS @ (rows.T @ shown)
    power = np.einsum("ij,ij->i", _WEIGHTS @ (rows.T @ rows), _WEIGHTS)
    slopes = explained / np.maximum(power, 1e-12)
    total = float(shown @ shown)
    if total <= 0.0:
        return None
    # A mean that leans against the other explains nothing.
    rest = total - np.where(slopes > 0.0, slopes * explained, 0.0)
    cost = 0.5 * count / DEPENDENT_S * np.log(np.maximum(rest / total, 1e-6))
    best = int(np.argmin(cost))
    likely = np.exp(float(cost[best]) - cost)
    likely /= likely.sum()
    lag_s, width_s = float(likely @ _LAGS_S), float(likely @ _WIDTHS_S)
    sd_s = math.hypot(FLOOR_S, math.sqrt(float(likely @ (_LAGS_S - lag_s) ** 2)))
    return _Fit(
        float(cost[_NARROW].min()), float(cost[_LONG].min()), float(cost[best]),
        float(slopes[best]), width_s, lag_s, sd_s,
    )  # fmt: skip
