"""By how much one instrument comes later than another: from steps, and from all that is ridden."""

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Lag:
    """By how many seconds the second series comes later, and how like they are at that lag."""

    lag_s: float
    correlation: float
    trusted: bool


def estimate_lag(
    a: Floats, b: Floats, hz: float, limit_s: float = 10.0, detrend_s: float = 60.0
) -> Lag | None:
    """Lag of `b` behind `a` (watts at `hz`, evenly spaced) from the peak of their cross-correlation.

    A running mean over `detrend_s` is taken out, the peak refined by a parabola. None
    when the power hardly moves (standard deviation under 15 W): steady riding has no lag
    to show. Not trusted when the peak is at the border or the series are unlike.
    """
    n = min(len(a), len(b))
    reach = int(limit_s * hz)
    if n < 4 * reach:
        return None
    a, b = _without_trend(a[:n], int(detrend_s * hz)), _without_trend(b[:n], int(detrend_s * hz))
    sa, sb = float(a.std()), float(b.std())
    if sa < 15.0 or sb < 15.0:
        return None
    c = cross_correlation(a, b, reach) / _overlap_spread(a, b, reach)
    k = int(np.argmax(c))
    best = float(c[k])
    if k in (0, len(c) - 1):
        return Lag((k - reach) / hz, best, False)
    return Lag((k - reach + peak_offset(float(c[k - 1]), best, float(c[k + 1]))) / hz, best, best > 0.8)


def cross_correlation(a: Floats, b: Floats, reach: int) -> Floats:
    """sum(a[i] b[i + l]) / (n - |l|) for l = -reach..reach; positive l: b comes later."""
    n = len(a)
    full = np.correlate(b, a, mode="full")[n - 1 - reach : n + reach]
    result: Floats = full / (n - np.abs(np.arange(-reach, reach + 1)))
    return result


def _overlap_spread(a: Floats, b: Floats, reach: int) -> Floats:
    """The root mean squares of what overlaps at each lag, multiplied: what stands beyond the overlap,
    a step at the end of the record above all, must not pull the peak."""
    n = len(a)
    a_until, b_until = (np.concatenate(([0.0], np.cumsum(v * v))) for v in (a, b))
    lags = np.arange(-reach, reach + 1)
    first, overlap = np.maximum(0, -lags), n - np.abs(lags)
    a_part = a_until[first + overlap] - a_until[first]
    b_part = b_until[first + lags + overlap] - b_until[first + lags]
    result: Floats = np.sqrt(np.maximum(a_part * b_part, 1e-12)) / overlap
    return result


def peak_offset(before: float, at: float, after: float) -> float:
    """Where the parabola through three neighbouring values peaks, -0.5..0.5 steps from the middle."""
    bend = before - 2.0 * at + after
    return 0.0 if bend >= 0.0 else 0.5 * (before - after) / bend


def _without_trend(v: Floats, width: int) -> Floats:
    if width < 2 or width >= len(v):
        trend: Floats = v - v.mean()
        return trend
    kernel = np.ones(width)
    result: Floats = v - np.convolve(v, kernel, "same") / np.convolve(np.ones(len(v)), kernel, "same")
    return result


@dataclass(frozen=True, slots=True)
class Timing:
    """By how many seconds the second of two instruments comes later on the mean, and how sure that is.

    Everything that delays counts: radio, smoothing, the end of a revolution.
    """

    lag_s: float
    sd_s: float


TIMING_FLOOR_S = 0.15
"""What smoothing and updates by the revolution leave undefined, whatever the amount of data."""
TIMING_REACH_S = 6.0
LOOKED_AT_OFTEN = 1.5
"""So much wider is a standard deviation that is read again and again (common practice, no source)."""
SURELY_LATE = 3.0
"""Standard deviations by which one is beyond what was thought of it (common practice, no source)."""
LEAST_SECONDS = 20
FIRM_SECONDS = 120
"""With fewer, a fit that began at a wrong whole second may stay there."""


def timing(a: Floats, b: Floats, prior: Timing, start_s: float) -> Timing:
    """Lag of `b` behind `a`, watts at 1 Hz, nan where unknown: prior and data weighed by their variances."""
    found = _fitted(a, b, prior, start_s, LOOKED_AT_OFTEN)
    if found is None:
        return prior
    if abs(found.lag_s) > TIMING_REACH_S:
        # Too late to be measured is not as good as nothing known: what is between is open.
        off = abs(found.lag_s - prior.lag_s)
        return Timing(prior.lag_s, off) if off > SURELY_LATE * found.sd_s else prior
    data, before = 1.0 / found.sd_s**2, 1.0 / prior.sd_s**2
    lag_s = (data * found.lag_s + before * prior.lag_s) / (data + before)
    sd_s = math.hypot(TIMING_FLOOR_S, 1.0 / math.sqrt(data + before))
    # Hardly more than nothing is not worth reading in between seconds.
    return Timing(lag_s, sd_s) if abs(lag_s) > 0.5 * sd_s else Timing(0.0, math.hypot(sd_s, lag_s))


def slope_lag(a: Floats, b: Floats, prior: Timing, start_s: float, wider: float = 1.0) -> Timing | None:
    """Lag of `b` behind `a`, watts at 1 Hz, nan where unknown, from the slopes of all that was ridden.

    Riding is never quite even, and a late instrument shows every rise late: what `b` shows
    beyond its share of `a` is -lag times the slope of the power. The slope is taken evenly
    from both sides of a second, so that no noise of an even spectrum leans it. Least squares,
    each second weighed down where the power changes quickly, since smoothing is no
    mere delay; the variance counts three neighbours (Newey and West 1987). The relation holds for small
    lags only, so the whole seconds of `start_s` are taken out before and the fit repeated; from
    short series the whole seconds are those at which they differ least, the `prior` weighed in.
    `wider`: a factor of the standard deviation. None if there is too little to tell, or beyond the reach.
    """
    found = _fitted(a, b, prior, start_s, wider)
    return found if found is not None and abs(found.lag_s) <= TIMING_REACH_S else None


def _fitted(a: Floats, b: Floats, prior: Timing, start_s: float, wider: float) -> Timing | None:
    """The same, also beyond the reach: then only that it is so late."""
    found: Timing | None = None
    if len(a) < FIRM_SECONDS:
        shift = _likeliest(a, b, prior)
    else:
        shift = round(max(-TIMING_REACH_S, min(TIMING_REACH_S, start_s)))
    for _ in range(3):
        fit = _slope_fit(a, b, shift, wider)
        if fit is None:
            break
        found = fit
        nearest = round(max(-TIMING_REACH_S, min(TIMING_REACH_S, fit.lag_s)))
        if nearest == shift:
            break
        shift = nearest
    return found


def _moved(a: Floats, b: Floats, shift: int) -> tuple[Floats, Floats]:
    """Both where they overlap when `b` is read `shift` whole seconds later."""
    if shift > 0:
        return a[:-shift], b[shift:]
    return (a[-shift:], b[:shift]) if shift < 0 else (a, b)


def _likeliest(a: Floats, b: Floats, prior: Timing) -> int:
    """The whole second at which the series differ least, as far as the prior and chance allow."""
    reach = int(TIMING_REACH_S)
    squares = {}
    for shift in range(-reach, reach + 1):
        first, second = _moved(a, b, shift)
        known = ~np.isnan(first + second)
        count = int(known.sum())
        if count < LEAST_SECONDS:
            continue
        first, second = first[known], second[known]
        if second.sum() <= 0.0:
            continue
        rest = second * (first.sum() / second.sum()) - first
        squares[shift] = float(rest @ rest) / count
    if not squares:
        return 0
    least = max(min(squares.values()), 1e-9)
    # Neighbouring seconds go together: a quarter of them counts.
    weight = len(a) / 8.0

    def cost(shift: int) -> float:
        return weight * squares[shift] / least + 0.5 * ((shift - prior.lag_s) / prior.sd_s) ** 2

    return min(squares, key=cost)


def _slope_fit(a: Floats, b: Floats, shift: int, wider: float) -> Timing | None:
    """One step of `slope_lag`: the lag as `shift` whole seconds and what the slopes say is left of it."""
    a, b = _moved(a, b, shift)
    if len(a) < LEAST_SECONDS + 6:
        return None
    unknown = np.isnan(a + b)
    # Mostly all is known, and what is taken out needs no copies.
    gaps = bool(unknown.any())
    known_a, known_b = (a[~unknown], b[~unknown]) if gaps else (a, b)
    total = float(known_a.sum())
    if total <= 0.0:
        return None
    share = float(known_b.sum()) / total
    if share <= 0.1:
        return None
    scaled = b / share
    middle = 0.5 * (a + scaled)
    three = middle[:-2] + middle[1:-1] + middle[2:]
    slope = (three[4:] - three[:-4]) / 12.0
    rest = (scaled - a)[3:-3]
    if gaps:
        good = ~np.isnan(slope + rest)
        slope, rest = slope[good], rest[good]
    if len(slope) < LEAST_SECONDS:
        return None
    noise = 2.0 + 0.02 * total / len(known_a)
    weighted = slope / (1.0 + (0.5 * slope / noise) ** 2)
    power = float(weighted @ slope)
    if power <= 0.0:
        return None
    left = -float(weighted @ rest) / power
    score = weighted * (rest + left * slope)
    variance = float(score @ score)
    variance += 2.0 * sum((1.0 - k / 4.0) * float(score[k:] @ score[:-k]) for k in (1, 2, 3))
    variance = max(variance, float(score @ score))
    # Few seconds know their own scatter badly.
    return Timing(shift + left, max(0.01, wider * (1.0 + 30.0 / len(slope)) * math.sqrt(variance) / power))
