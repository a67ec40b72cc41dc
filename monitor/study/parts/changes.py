"""Steps of an instrument against its own past."""

import math
import warnings
from collections.abc import Sequence
from dataclasses import replace
from itertools import combinations, pairwise
from typing import NamedTuple

import numpy as np

from monitor.analysis.block import BLOCK_S, MIN_POWER_W
from monitor.analysis.blockstats import change_points, step_beside
from monitor.analysis.budget import MOST_EXACT
from monitor.analysis.changes.shift import Shift
from monitor.analysis.statistics import Floats
from monitor.setup.acts import TOUCHES, touch_of
from monitor.study.asked.span import is_steady
from monitor.study.grid import SMEARED_S, Bools, Ints, log_ratio
from monitor.study.parts.common import QUIET_EDGE, Shared
from monitor.study.parts.conditions.ridden import goes_with_riding, moved_alike_percent
from monitor.study.results import ShiftStudy, rounded

Step = tuple[float, float, str]
"""Second, percent and side."""
CHANGE_BIN_S = 5
EVEN = 0.1
"""Neighbouring five-second means of an even load differ by no more than this part of it."""
LEAST_CHANGE_PERCENT = 1.0
LEAST_SIDE_PERCENT = 3.0
CHANGE_SIGMA = 5.5
NEAR_ACT_S = 20.0
SAME_CHANGE_S = 45.0
LEAST_DRIFT_STEPS = 2
LEAST_DRIFT_BLOCKS = 12
"""Two minutes: less riding has no drift worth the name (common practice, no source)."""
LEAST_PAST_S = 30
"""A shorter past is none to change from: smoothing still climbs at a start (common practice, no source)."""
LEAST_STEP_BLOCKS = 3
"""Blocks on either side of what came at once."""
LEAST_DRIFT_S = 120.0
LEAST_DRIFT_PERCENT = 1.0
LEAST_OWN_RAMP = 0.003
"""Mean square of a ramp from 0 to 1 that its torques must leave: an even one alone has a twelfth."""
LEAST_UNLIKE = 0.03
"""Torques that spread by less of their mean show no zero offset."""
MOST_PLACES = 40
DRIFT_SIGMA = 4.0
"""Standard deviations: a ramp is looked for over all begins and ends."""
"""A ramp may begin and end at so many places, evenly taken."""
LEAST_BINS = 6
"""Fewer means of a window tell no change; nor does a shorter part of a load that does not hold still."""
USUAL_RPM, LEAST_RPM = 85.0, 20.0
"""Where nobody tells a cadence; and what is taken for one, so that no torque is without bounds."""
TOTAL_FIRST = 1.3
"""A side that moved moves more than the total: only one that moved by this much more is named instead."""
STEP_PENALTY = 5.0
"""Of a change, times variance and ln n; the weak ones go afterwards (common practice, no source)."""
LEAST_SPREAD = 1e-4
"""Of a log ratio: two that read the same to the digit have no spread at all."""
PARTS_SMEARED = 4
"""A part shorter than so many times SMEARED_S is used whole."""
DRIFT_PARAMETERS = 4
"""Of a ramp between two levels: level, size, begin, end. Each costs ln n (Schwarz's criterion)."""


def shifts_of(shared: Shared, i: int) -> list[ShiftStudy]:
    """Steps of one instrument: inside blocks by exact partitioning, elsewhere as seen live."""
    label = shared.grid.labels[i]
    if shared.grid.follows_rider(i):
        # Twice one side moves with the rider's balance: nobody can tell that from a step of its own.
        return []
    found: list[Step] = []
    for span in shared.spans:
        # In free riding, ramps and sprints only what was seen live counts.
        if span.kind == "block":
            found += _changes(shared, i, *shared.grid.clip(span.window()))
    live = [*shared.recording.shifts.get(i, [])]
    if shared.grid.reference is not None:
        # What was charged to the reference shows here the other way round; whose it was is judged anew.
        theirs = shared.recording.shifts.get(shared.grid.reference, [])
        # One that reports no sides shows nothing of a step of the reference's side.
        sides = shared.grid.instruments[i].sides != "total" and shared.grid.side_references.get(i) is not None
        live += [replace(s, percent=-s.percent) for s in theirs if sides or s.side == "total"]
    for shift in live:
        if not shift.drift and all(abs(t - shift.since_s) > SAME_CHANGE_S for t, _, _ in found):
            found.append((shift.since_s, shift.percent, shift.side))
    doubled_s = min(
        (f.since_s for f in shared.recording.findings if f.kind == "one-sided" and f.instrument == label),
        default=math.inf,
    )
    # One that counts a side twice follows the rider's balance: that is no step of it.
    found = [f for f in found if f[0] < doubled_s and ridden_between(shared, 0.0, f[0]) >= LEAST_PAST_S]
    # Gear, cadence, torque and position come and go: what goes with them is a split and no step.
    found = [f for f in found if not goes_with_riding(shared, i, *f)]
    found, drifts = _drifts(shared, i, found, live)
    order = (*TOUCHES, "gear", "note", "mark")
    done = [a for a in shared.recording.acts if a.act in order and a.instrument in ("", label)]
    acts = [(a.t_ns / 1e9, a.text or a.act) for a in sorted(done, key=lambda a: order.index(a.act))]
    result = []
    for t, percent, side in sorted(found):
        # Whatever was done at the stop before it, and rather what was done to the instrument.
        near = [text for at, text in acts if abs(at - t) <= NEAR_ACT_S or ridden_between(shared, at, t) == 0]
        result.append(ShiftStudy(label, rounded(t, 1), rounded(percent, 2), side, near[0] if near else ""))
    for drift in drifts:
        result.append(
            ShiftStudy(
                label, rounded(drift.from_s, 1), rounded(drift.percent, 2), "total",
                drift=True, until_s=rounded(drift.to_s, 1),
                percent_per_hour=rounded(drift.percent_per_hour, 1),
            )
        )  # fmt: skip
    return sorted(result, key=lambda s: s.t_s)


def ridden_between(shared: Shared, one_s: float, two_s: float) -> int:
    """How many seconds were ridden between two moments."""
    begin, end = shared.grid.clip((math.ceil(min(one_s, two_s)), math.floor(max(one_s, two_s))))
    with np.errstate(invalid="ignore"):
        return int((shared.grid.consensus_w[begin:end] >= MIN_POWER_W).sum())


class Drift(NamedTuple):
    """A change that took its time: from when to when, and what it came to."""

    from_s: float
    to_s: float
    percent: float

    @property
    def percent_per_hour(self) -> float:
        """How quickly it went."""
        return 3600.0 * self.percent / (self.to_s - self.from_s)


def _drifts(
    shared: Shared, i: int, found: list[Step], live: Sequence[Shift]
) -> tuple[list[Step], list[Drift]]:
    """The steps that stay, and the drifts that explain others of them better; `live`: what was seen live."""
    drifts = []
    label = shared.grid.labels[i]
    reference = shared.grid.reference_label(i) or ""
    for begin_s, end_s in pairwise([0.0, *_acts_on(shared, label), float(shared.grid.seconds)]):
        steps = [f for f in found if f[2] == "total" and begin_s <= f[0] < end_s]
        hinted = any((s.drift or s.open) and s.side == "total" and begin_s <= s.since_s < end_s for s in live)
        # A slow one may come up to little in the minutes that are looked at live.
        hinted |= abs(moved_alike_percent(shared, i, begin_s, end_s)) >= LEAST_DRIFT_PERCENT
        drift = (
            # A step of one side is one of the total, too.
            drift_of(shared, i, (begin_s, end_s), [t for t, _, _ in found if begin_s <= t < end_s])
            if _one_way(steps, hinted)
            else None
        )
        if drift is not None and (at_s := _at_once(drift, _acts_on(shared, reference))) is not None:
            one = (at_s, drift.percent, "total")
            if not goes_with_riding(shared, i, *one):
                found.append(one)
        elif drift is not None:
            # A slow change looks like steps where it is cut into blocks.
            drifts.append(drift)
            found = [f for f in found if f not in steps]
    return found, drifts


def _one_way(steps: Sequence[Step], hinted: bool) -> bool:
    """Whether steps may be a drift: several, all the same way, or a drift that was seen live."""
    return (hinted or len(steps) >= LEAST_DRIFT_STEPS) and len({p > 0.0 for _, p, _ in steps}) <= 1


def _acts_on(shared: Shared, label: str) -> list[float]:
    """When something was done to an instrument, session seconds."""
    acts = shared.recording.acts
    return sorted(a.t_ns / 1e9 for a in acts if touch_of(a.act, a.instrument, label) is not None)


def _at_once(drift: Drift, acts_s: Sequence[float]) -> float | None:
    """When a drift came at once: with no length, or an act on the reference amid it; None: it did not."""
    if drift.to_s == drift.from_s:
        return drift.from_s
    return next((t for t in acts_s if drift.from_s < t < drift.to_s), None)


def drift_of(shared: Shared, i: int, window: tuple[float, float], steps: Sequence[float]) -> Drift | None:
    """A ramp of the deviation that explains the even blocks of a window better than the steps do.

    Least squares of a level, a ramp and a level, over all begins and ends of it; against as many levels as
    the steps make. Better by Schwarz's criterion (Ann. Statist. 6, 461, 1978); two steps are four numbers
    and their moments two more, a ramp is two and two. A zero offset may be part of either: a drift is what
    torques do not explain. Where nobody found steps, one that explains as much as the ramp is returned as a
    drift of no length. None: there is none, or one too small to matter.
    """
    blocks = shared.blocks[i]
    inside = (blocks.begin_s >= window[0]) & (blocks.begin_s + BLOCK_S <= window[1])
    inside &= blocks.edge_percent < QUIET_EDGE
    n = int(inside.sum())
    if n < LEAST_DRIFT_BLOCKS:
        return None
    y, t = blocks.y[inside], blocks.begin_s[inside] + 0.5 * BLOCK_S
    part = np.searchsorted(np.array(sorted(steps)), t)
    levels = (part[:, None] == np.unique(part)[None, :]).astype(np.float64)
    offset = _offset_column(blocks.torque_nm[inside])
    left = _rest(np.column_stack([levels, *offset]), y)
    cost = n * math.log(max(left, 1e-12) / n) + (2 * len(steps) + 1) * math.log(n)
    best, found = math.inf, None
    places = np.unique(np.linspace(0, n - 1, min(n, MOST_PLACES)).round().astype(int))
    # A zero offset is the same for all ramps: what of y and of each ramp it explains goes first.
    known = np.column_stack([np.ones(n), *offset])
    basis, _ = np.linalg.qr(known)
    bare = y - basis @ (basis.T @ y)
    for a, b in combinations(places.tolist(), 2):
        if t[b] - t[a] < LEAST_DRIFT_S:
            continue
        ramp = np.clip((t - t[a]) / (t[b] - t[a]), 0.0, 1.0)
        ramp = ramp - basis @ (basis.T @ ramp)
        square = float(ramp @ ramp)
        if square < LEAST_OWN_RAMP * n:
            continue
        size = float(ramp @ bare / square)
        rest = float(((bare - size * ramp) ** 2).sum())
        if rest < best:
            best, found = rest, Drift(float(t[a]), float(t[b]), 100.0 * math.expm1(size))
    if found is None or abs(found.percent) < LEAST_DRIFT_PERCENT:
        return None
    none = n * math.log(max(float(bare @ bare), 1e-12) / n) + math.log(n)
    ramp_cost = n * math.log(max(best, 1e-12) / n) + DRIFT_PARAMETERS * math.log(n)
    if not steps:
        # What came at once, in a stop perhaps, is explained by one number less.
        rest, step = _step_of(bare, basis, blocks.begin_s[inside])
        step_cost = n * math.log(max(rest, 1e-12) / n) + (DRIFT_PARAMETERS - 1) * math.log(n)
        if step_cost <= min(ramp_cost, none) and abs(step.percent) >= LEAST_DRIFT_PERCENT:
            return step
    return found if ramp_cost < min(cost, none) else None


def _step_of(bare: Floats, basis: Floats, begin_s: Ints) -> tuple[float, Drift]:
    """The step that explains most of `bare`, and the sum of squares that it leaves: a drift of no length."""
    best, found = math.inf, Drift(0.0, 0.0, 0.0)
    for k in range(LEAST_STEP_BLOCKS, len(bare) - LEAST_STEP_BLOCKS + 1):
        column = (np.arange(len(bare)) >= k).astype(np.float64)
        column -= basis @ (basis.T @ column)
        square = float(column @ column)
        if square < LEAST_OWN_RAMP * len(bare):
            continue
        size = float(column @ bare / square)
        rest = float(((bare - size * column) ** 2).sum())
        if rest < best:
            best, found = rest, Drift(float(begin_s[k]), float(begin_s[k]), 100.0 * math.expm1(size))
    return best, found


def drift_stands(shared: Shared, i: int, drift: ShiftStudy) -> bool:
    """Whether a drift is beyond what the instrument's own slow noise makes of a ramp.

    It was found as if blocks were independent: slow wander looks like steps and ramps. So its size is held
    against the session's covariance (generalised least squares, as for gain and zero).
    """
    blocks, noise = shared.blocks[i], shared.noise[i]
    if drift.until_s is None or noise.dof < 1.0 or noise.variance <= 0.0:
        return True
    reach = max(drift.until_s - drift.t_s, LEAST_DRIFT_S)
    near = (blocks.begin_s >= drift.t_s - reach) & (blocks.begin_s <= drift.until_s + reach)
    rows = np.flatnonzero(near & (blocks.edge_percent < QUIET_EDGE))
    rows = rows[:: max(1, -(-len(rows) // MOST_EXACT))]
    if len(rows) < LEAST_DRIFT_BLOCKS:
        return False
    t = blocks.begin_s[rows] + 0.5 * BLOCK_S
    ramp = np.clip((t - drift.t_s) / (drift.until_s - drift.t_s), 0.0, 1.0)
    design = np.column_stack([np.ones(len(rows)), ramp, *_offset_column(blocks.torque_nm[rows])])
    lower = np.linalg.cholesky(noise.covariance(blocks.begin_s[rows]))
    white, y = np.linalg.solve(lower, design), np.linalg.solve(lower, blocks.y[rows])
    normal = np.linalg.pinv(white.T @ white, hermitian=True)
    size = float((normal @ (white.T @ y))[1])
    return abs(size) > DRIFT_SIGMA * math.sqrt(max(0.0, float(normal[1, 1])))


def _offset_column(torque_nm: Floats) -> list[Floats]:
    """What a zero offset makes of log ratios at these torques, but for its size; none where it is not seen.

    A constant torque too much is more percent at low torque: where the torque changes once, it looks like
    a step, where it goes one way, like a drift.
    """
    x = torque_nm
    if not np.isfinite(x).all() or float(x.min()) <= 0.0 or float(x.std()) < LEAST_UNLIKE * float(x.mean()):
        return []
    return [1.0 / x - float((1.0 / x).mean())]


def _rest(design: Floats, y: Floats) -> float:
    """The sum of squares that the columns of a design leave of `y`."""
    fit, *_ = np.linalg.lstsq(design, y, rcond=None)
    return float(((y - design @ fit) ** 2).sum())


def _changes(shared: Shared, i: int, begin: int, end: int) -> list[Step]:
    """Changes inside one window as (second, percent, side)."""
    n = (end - begin) // CHANGE_BIN_S
    if n < LEAST_BINS:
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
    found: list[Step] = []
    stop = begin + n * CHANGE_BIN_S
    quiet = _quiet_bins(shared, begin, n)
    # In a load that does not hold still a short part may be the load's.
    least = 2 if is_steady(shared.grid.consensus_w[begin:end]) else LEAST_BINS
    rpm = shared.grid.rpm[begin:stop].reshape(n, CHANGE_BIN_S).mean(axis=1)
    for side, (own, theirs) in series.items():
        a = own[begin:stop].reshape(n, CHANGE_BIN_S).mean(axis=1)
        b = theirs[begin:stop].reshape(n, CHANGE_BIN_S).mean(axis=1)
        y = log_ratio(a, b)
        good = np.isfinite(y) & quiet
        if good.sum() < LEAST_BINS:
            continue
        values, times = y[good], begin + CHANGE_BIN_S * np.flatnonzero(good)
        cadence = np.where(np.isfinite(rpm), rpm, USUAL_RPM)[good]
        inverse = np.maximum(cadence, LEAST_RPM) / np.maximum(b[good], 1.0)
        # A share comes in steps of up to one percent of the total, which is two of a side.
        smallest = LEAST_CHANGE_PERCENT if side == "total" else LEAST_SIDE_PERCENT
        at = [
            _to_second(shared, own, theirs, t, begin, end)
            for t in _steps(values, inverse, times, least, smallest)
        ]
        found += [(t, percent, side) for t, percent in _sizes(own, theirs, at, begin, end, smallest)]
    merged: list[Step] = []
    while found:
        t = found[0][0]
        # A weak step is placed roughly: the same one may be seen here in a side, there in the total.
        near = [f for f in found if abs(f[0] - t) <= SAME_CHANGE_S and f[1] * found[0][1] > 0.0]
        found = [f for f in found if f not in near]
        # The side that moved most is the one to name; when both moved alike it is the total.
        best = max(near, key=lambda f: abs(f[1]) * (TOTAL_FIRST if f[2] == "total" else 1.0))
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
    sigma = max(sigma, LEAST_SPREAD)
    points = change_points(y, STEP_PENALTY * sigma * sigma * math.log(max(8, len(y))), least=least)
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
        first = a + SMEARED_S if a > begin and b - a > PARTS_SMEARED * SMEARED_S else a
        both = np.isfinite(own[first:b]) & np.isfinite(theirs[first:b])
        total = float(theirs[first:b][both].sum())
        ratios.append(float(own[first:b][both].sum()) / total if total > 0.0 else math.nan)
    sizes = [100.0 * (after / before - 1.0) for before, after in pairwise(ratios)]
    return [(t, size) for t, size in zip(at, sizes, strict=True) if abs(size) >= least_percent]
