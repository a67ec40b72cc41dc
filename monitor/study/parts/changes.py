"""Steps of an instrument against its own past."""

import math
import warnings
from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from monitor.analysis.blockstats import change_points, step_beside
from monitor.analysis.statistics import Floats
from monitor.study.asked.span import is_steady
from monitor.study.grid import SMEARED_S, Bools, Ints, log_ratio
from monitor.study.parts.common import Shared
from monitor.study.results import ShiftStudy, rounded

CHANGE_BIN_S = 5
EVEN = 0.1
"""Neighbouring five-second means of an even load differ by no more than this part of it."""
LEAST_CHANGE_PERCENT = 1.0
LEAST_SIDE_PERCENT = 3.0
CHANGE_SIGMA = 5.5
NEAR_ACT_S = 20.0
SAME_CHANGE_S = 45.0


def shifts_of(shared: Shared, i: int) -> list[ShiftStudy]:
    """Steps of one instrument: inside blocks by exact partitioning, elsewhere as seen live."""
    label = shared.grid.labels[i]
    found: list[tuple[float, float, str]] = []
    for span in shared.spans:
        # In free riding, ramps and sprints only what was seen live counts.
        if span.kind == "block":
            found += _changes(shared, i, *shared.grid.clip(span.window()))
    live = shared.recording.shifts
    for shift in live.get(i, []):
        if all(abs(t - shift.since_s) > SAME_CHANGE_S for t, _, _ in found):
            found.append((shift.since_s, shift.percent, shift.side))
    for shift in live.get(shared.grid.reference, []) if shared.grid.reference is not None else []:
        # What was charged to the reference shows here the other way round; whose it was is judged anew.
        if all(abs(t - shift.since_s) > SAME_CHANGE_S for t, _, _ in found):
            found.append((shift.since_s, -shift.percent, shift.side))
    acts = [
        (a.t_ns / 1e9, a.text or a.act)
        for a in shared.recording.acts
        if a.act in ("zeroed", "position", "gear", "note", "mark") and a.instrument in ("", label)
    ]
    result = []
    for t, percent, side in sorted(found):
        near = [text for at, text in acts if abs(at - t) <= NEAR_ACT_S]
        result.append(ShiftStudy(label, rounded(t, 1), rounded(percent, 2), side, near[0] if near else ""))
    return result


def _changes(shared: Shared, i: int, begin: int, end: int) -> list[tuple[float, float, str]]:
    """Changes inside one window as (second, percent, side)."""
    n = (end - begin) // CHANGE_BIN_S
    if n < 6:
        return []
    pair = shared.grid.compared(i)
    series = {
        "total": (pair.own_w, pair.reference_w),
        "left": (pair.left_w, pair.left_reference_w),
        "right": (pair.right_w, pair.right_reference_w),
    }
    if shared.grid.instruments[i].sides == "computed":
        # A split that is worked out from a total has no steps of its own.
        series = {"total": series["total"]}
    found: list[tuple[float, float, str]] = []
    stop = begin + n * CHANGE_BIN_S
    quiet = _quiet_bins(shared, begin, n)
    # In a load that does not hold still a short part may be the load's.
    least = 2 if is_steady(shared.grid.consensus_w[begin:end]) else 6
    rpm = shared.grid.rpm[begin:stop].reshape(n, CHANGE_BIN_S).mean(axis=1)
    for side, (own, theirs) in series.items():
        a = own[begin:stop].reshape(n, CHANGE_BIN_S).mean(axis=1)
        b = theirs[begin:stop].reshape(n, CHANGE_BIN_S).mean(axis=1)
        y = log_ratio(a, b)
        good = np.isfinite(y) & quiet
        if good.sum() < 6:
            continue
        values, times = y[good], begin + CHANGE_BIN_S * np.flatnonzero(good)
        cadence = np.where(np.isfinite(rpm), rpm, 85.0)[good]
        inverse = np.maximum(cadence, 20.0) / np.maximum(b[good], 1.0)
        # A share comes in steps of up to one percent of the total, which is two of a side.
        smallest = LEAST_CHANGE_PERCENT if side == "total" else LEAST_SIDE_PERCENT
        at = [
            _to_second(shared, own, theirs, t, begin, end)
            for t in _steps(values, inverse, times, least, smallest)
        ]
        found += [(t, percent, side) for t, percent in _sizes(own, theirs, at, begin, end, smallest)]
    merged: list[tuple[float, float, str]] = []
    while found:
        t = found[0][0]
        # A weak step is placed roughly: the same one may be seen here in a side, there in the total.
        near = [f for f in found if abs(f[0] - t) <= SAME_CHANGE_S and f[1] * found[0][1] > 0.0]
        found = [f for f in found if f not in near]
        # The side that moved most is the one to name; when both moved alike it is the total.
        best = max(near, key=lambda f: abs(f[1]) * (1.3 if f[2] == "total" else 1.0))
        merged.append(best)
    return merged


def _quiet_bins(shared: Shared, begin: int, n: int) -> Bools:
    """Which bins have an even load from ten seconds before to five after: none of it is averaging's."""
    grid = shared.grid
    before, after = 2, 1
    first = begin - before * CHANGE_BIN_S
    padded = np.full((n + before + after) * CHANGE_BIN_S, np.nan)
    low, high = max(0, first), min(grid.seconds, first + len(padded))
    padded[low - first : high - first] = grid.consensus_w[low:high]
    # Where the session ends nothing is known, and nothing speaks against it.
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)
        means = np.nanmean(padded.reshape(-1, CHANGE_BIN_S), axis=1)
        around = np.stack([means[k : k + n] for k in range(before + after + 1)])
        spread = np.nanmax(around, axis=0) - np.nanmin(around, axis=0)
        result: Bools = spread <= EVEN * np.nanmean(around, axis=0)
    return result


def _to_second(shared: Shared, own: Floats, theirs: Floats, t: int, begin: int, end: int) -> float:
    """The second near `t` that parts the ratio best."""
    a, b = max(begin, t - 3 * CHANGE_BIN_S), min(end, t + 3 * CHANGE_BIN_S)
    y = log_ratio(own[a:b], theirs[a:b])
    if not np.isfinite(y).all():
        return float(t)
    best, found = math.inf, int(t)
    for at in range(max(a + 3, t - CHANGE_BIN_S), min(b - 3, t + CHANGE_BIN_S) + 1):
        cut = at - a
        cost = float(y[:cut].var()) * cut + float(y[cut:].var()) * (len(y) - cut)
        if cost < best:
            best, found = cost, at
    return float(found)


def _steps(y: Floats, inverse: Floats, times: Ints, least: int, least_percent: float) -> list[int]:
    """The seconds in which a series of log ratios steps, beyond chance and beyond what torque explains."""
    # The usual spread, from differences over one and three bins: averaging meters hide it from neighbours.
    sigma = max(float(np.median(np.abs(y[by:] - y[:-by]))) for by in (1, 3)) / (0.6745 * math.sqrt(2.0))
    sigma = max(sigma, 1e-4)
    points = change_points(y, 5.0 * sigma * sigma * math.log(max(8, len(y))), least=least)
    # The weakest point goes until all that are left stand against the parts beside them.
    while points:
        edges = [0, *points, len(y)]
        tests = []
        for a, at, b in zip(edges, points, edges[2:], strict=False):
            step, sd = step_beside(y[a:b], inverse[a:b], at - a)
            # Short parts can look quiet by luck: the session's spread must not be undercut.
            sd = max(sd, sigma * math.sqrt(1.0 / (at - a) + 1.0 / (b - at)))
            large = abs(100.0 * math.expm1(step)) >= least_percent
            tests.append((abs(step) / sd if large and math.isfinite(sd) else 0.0, at))
        strength, weakest = min(tests)
        if strength >= CHANGE_SIGMA:
            return [int(times[at]) for at in points]
        points.remove(weakest)
    return []


def _sizes(
    own: Floats, theirs: Floats, at: Sequence[float], begin: int, end: int, least_percent: float
) -> list[tuple[float, float]]:
    """The percent by which the ratio of work changes at each second of `at`."""
    edges = [begin, *(int(t) for t in at), end]
    ratios = []
    for a, b in pairwise(edges):
        # What averaging smears over a step belongs to neither level.
        first = a + SMEARED_S if a > begin and b - a > 4 * SMEARED_S else a
        both = np.isfinite(own[first:b]) & np.isfinite(theirs[first:b])
        total = float(theirs[first:b][both].sum())
        ratios.append(float(own[first:b][both].sum()) / total if total > 0.0 else math.nan)
    sizes = [100.0 * (after / before - 1.0) for before, after in pairwise(ratios)]
    return [(t, size) for t, size in zip(at, sizes, strict=True) if abs(size) >= least_percent]
