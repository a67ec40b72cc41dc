"""One instrument against its reference over a segment, a part of it, or whole cycles."""

import math
from itertools import pairwise

import msgspec
import numpy as np

from monitor.analysis.block import BLOCK_S, MIN_POWER_W
from monitor.analysis.blockstats import Interval, Spread, interval
from monitor.analysis.budget import Half
from monitor.analysis.statistics import judge
from monitor.study.asked.means import means_over
from monitor.study.asked.peaks import same_peaks
from monitor.study.asked.span import Span, is_steady
from monitor.study.estimate.edges import edge_percent
from monitor.study.grid import log_ratio
from monitor.study.parts.common import QUIET_EDGE, Shared
from monitor.study.parts.conditions.ridden import gear_in
from monitor.study.parts.peaks import sprint_of
from monitor.study.results import Difference, Judged, Part, SegmentStudy, Sprint, known, rounded

LEAST_TO_DIFFER = 2
AROUND_SPRINT_S = 5
LEAST_S = 5
"""Fewer known seconds make no difference of a segment."""
LEAST_RIDDEN = 0.5
"""Where less of the time is ridden (a pause after an effort) there is nothing to judge."""
TURNING_RPM = 20.0
"""Below this nobody pedals steadily, and power says nothing of a torque (common practice, no source)."""


def segment_of(shared: Shared, k: int, span: Span) -> SegmentStudy:
    """Segment `k` with its means and comparisons."""
    begin, end = shared.grid.clip(span.compared())
    found = [d for i in shared.compared if (d := difference(shared, i, k, begin, end)) is not None]
    return row_of(shared, span, found)


def row_of(shared: Shared, span: Span, differences: list[Difference]) -> SegmentStudy:
    """A span with its means and the comparisons that were made of it."""
    grid = shared.grid
    begin, end = grid.clip(span.window())
    power = grid.consensus_w[begin:end]
    rpm = grid.rpm[begin:end]
    mean_w = float(np.nanmean(power)) if np.isfinite(power).any() else None
    mean_rpm = float(np.nanmean(rpm)) if np.isfinite(rpm).any() else None
    torque = mean_w * 60.0 / (math.tau * mean_rpm) if mean_w and mean_rpm and mean_rpm > TURNING_RPM else None
    # In a steady load the block means are what may drift; a ramp or a sprint is never steady.
    steady = span.kind not in ("ramp", "sprint", "over-under") and is_steady(power)
    return SegmentStudy(
        name=span.name,
        start_s=rounded(span.start_s, 3),
        end_s=rounded(span.end_s, 3),
        steady=steady,
        means=means_over(shared, begin, end),
        differences=differences,
        kind=span.kind,
        load=load_of(shared, span, begin, end),
        settle_s=rounded(span.settle_s, 1),
        target_w=known(span.target_w, 1),
        power_w=known(mean_w, 2),
        torque_nm=known(torque, 2),
        cadence_rpm=known(mean_rpm, 2),
        gear=span.gear or gear_in(shared, *span.window()),
        found=span.found,
        sprint=_sprint(shared, begin, end) if span.kind == "sprint" else None,
    )


def _sprint(shared: Shared, begin: int, end: int) -> Sprint:
    # Ten seconds of a short sprint reach beyond it: the window is the reference's, wherever it ends.
    around = shared.grid.clip((begin - AROUND_SPRINT_S, end + AROUND_SPRINT_S))
    return msgspec.structs.replace(sprint_of(shared, begin, end), same=same_peaks(shared, *around))


def load_of(shared: Shared, span: Span, begin: int, end: int) -> str:
    """How the load was held over [begin, end): as told to the trainer, else as far as the plan tells."""
    modes = [x for x in shared.held[begin:end] if x is not None]
    if modes and 2 * len(modes) >= end - begin:
        return max(sorted(set(modes)), key=modes.count)
    if span.found:
        return "not told"
    if span.kind in ("sprint", "free"):
        return span.kind
    return "target" if span.target_w is not None or span.kind == "ramp" else "not told"


def difference(
    shared: Shared, i: int, k: int | None, begin: int, end: int, cycle_s: float | None = None
) -> Difference | None:
    """Instrument `i` over [begin, end); of segment `k`, or of whole cycles of `cycle_s` seconds."""
    spread = _interval(shared, i, k, begin, end, cycle_s)
    return difference_with(shared, i, begin, end, spread, parted=k is not None)


def difference_with(
    shared: Shared, i: int, begin: int, end: int, spread: Interval | None, *, parted: bool
) -> Difference | None:
    """Instrument `i` over [begin, end), `spread` that of its blocks; `parted`: also between its changes."""
    grid = shared.grid
    pair = grid.compared(i)
    own, theirs = pair.own_w[begin:end], pair.reference_w[begin:end]
    both = np.isfinite(own) & np.isfinite(theirs)
    if both.sum() < LEAST_S or np.mean(theirs[both] >= MIN_POWER_W) < LEAST_RIDDEN:
        return None
    own_w, reference_w = float(own[both].mean()), float(theirs[both].mean())
    if reference_w < MIN_POWER_W:
        return None
    loss, base = grid.losses[i], grid.base_loss(i)
    base_w, shown_w, expected_w = base.at_hub(reference_w), loss.at_hub(own_w), loss.at_hub(reference_w)
    deviation = 100.0 * (own_w / reference_w - 1.0)
    u_spread = 100.0 * spread.u95 if spread is not None and math.isfinite(spread.u95) else None
    u_loss = 1.96 * grid.u_loss_percent(i, reference_w)
    edge = edge_of(shared, i, begin, end)
    held = grid.held_percent(i, begin, end, reference_w)
    u95 = math.hypot(u_spread, u_loss, held, edge) if u_spread is not None else None
    limit = grid.limit_percent(i, reference_w)
    left, right, share, side = _sides_of(shared, i, begin, end, u_spread)
    return Difference(
        instrument=grid.labels[i],
        reference=grid.reference_label(i) or "",
        delta_w=rounded(shown_w - base_w, 2),
        delta_percent=rounded(100.0 * (shown_w / base_w - 1.0), 3),
        expected_percent=rounded(100.0 * (expected_w / base_w - 1.0), 3),
        u95_percent=known(u95, 3),
        limit_percent=rounded(limit, 3),
        verdict=_enough(judged(deviation, u95, limit), spread),
        left_delta_w=left,
        right_delta_w=right,
        share_right=share,
        deviation_percent=rounded(deviation, 3),
        blocks=spread.n if spread is not None else 0,
        spread_u95_percent=known(u_spread, 3),
        loss_u95_percent=rounded(u_loss, 3),
        edge_percent=rounded(edge, 3),
        side_reference=side,
        held_u95_percent=rounded(held, 3),
        excluded_s=int(grid.excluded[begin:end, i].sum()),
        parts=_stretches_of(shared, i, begin, end, limit, u_loss) if parted else [],
    )


def _enough(verdict: Judged, spread: Interval | None) -> Judged:
    """Nobody differs by a single block: ten seconds of a sprint hold what averaging moved into them."""
    return "undecided" if verdict == "differs" and (spread is None or spread.n < LEAST_TO_DIFFER) else verdict


def _interval(
    shared: Shared, i: int, k: int | None, begin: int, end: int, cycle_s: float | None
) -> Interval | None:
    if k is not None:
        return shared.mean(i, shared.blocks[i].segment == k)
    # Whole cycles: what the edges move inside a cycle cancels, so the cycles are the blocks.
    pair = shared.grid.compared(i)
    count = max(1, round((end - begin) / (cycle_s or (end - begin))))
    at = np.linspace(begin, end, count + 1).round().astype(int)
    ys = []
    for a, b in zip(at[:-1].tolist(), at[1:].tolist(), strict=True):
        both = np.isfinite(pair.own_w[a:b]) & np.isfinite(pair.reference_w[a:b])
        if 2 * both.sum() > b - a:
            ys.append(math.log(float(pair.own_w[a:b][both].mean() / pair.reference_w[a:b][both].mean())))
    if not ys:
        return None
    noise, blocks = shared.noise[i], shared.blocks[i]
    if noise.dof < 1.0:
        usual = shared.usual[i]
        scale = math.sqrt(BLOCK_S / max(BLOCK_S, (end - begin) / count))
        return interval(np.array(ys), Spread(usual.sd * scale, usual.dof, 0.0))
    inside = (blocks.begin_s >= begin) & (blocks.begin_s + BLOCK_S <= end)
    inside &= blocks.edge_percent < QUIET_EDGE
    factor, dof = noise.scale(blocks.y[inside], blocks.begin_s[inside])
    starts = np.arange(begin, end - BLOCK_S + 1, BLOCK_S)
    half = Half(math.sqrt(factor * noise.of_mean(starts)), dof)
    return Interval(float(np.mean(ys)), half.u95, len(ys), noise.variance / noise.of_mean(starts), noise.sd)


def _stretches_of(shared: Shared, i: int, begin: int, end: int, limit: float, u_loss: float) -> list[Part]:
    """The segment between the changes of the instrument; none if it did not change in it."""
    inside = [t for t in shared.cuts[i] if begin + LEAST_S <= t <= end - LEAST_S]
    if not inside:
        return []
    pair = shared.grid.compared(i)
    parts = []
    edges = [float(begin), *inside, float(end)]
    for a, b in pairwise(edges):
        first, last = math.ceil(a), math.floor(b)
        own, theirs = pair.own_w[first:last], pair.reference_w[first:last]
        both = np.isfinite(own) & np.isfinite(theirs)
        if both.sum() < LEAST_S or float(theirs[both].mean()) < MIN_POWER_W:
            continue
        deviation = 100.0 * (float(own[both].mean() / theirs[both].mean()) - 1.0)
        n = len(own) // BLOCK_S
        ys = log_ratio(
            own[: n * BLOCK_S].reshape(n, BLOCK_S).mean(axis=1),
            theirs[: n * BLOCK_S].reshape(n, BLOCK_S).mean(axis=1),
        )
        good = np.isfinite(ys)
        u_spread = shared.noise[i].mean(ys[good], first + BLOCK_S * np.flatnonzero(good)).u95
        if not math.isfinite(u_spread):
            spread = interval(ys[good], shared.usual[i])
            u_spread = spread.u95 if spread is not None else math.inf
        u95 = None
        if math.isfinite(u_spread):
            u95 = math.hypot(100.0 * u_spread, u_loss, edge_of(shared, i, first, last))
        parts.append(
            Part(
                rounded(a, 1), rounded(b, 1), rounded(deviation, 3), known(u95, 3),
                judged(deviation, u95, limit),
            )
        )  # fmt: skip
    return parts


def _sides_of(
    shared: Shared, i: int, begin: int, end: int, u_spread_percent: float | None
) -> tuple[float | None, float | None, float | None, str | None]:
    """Watts by which the sides differ, the right's part if their sum is beyond chance, and from whom."""
    grid = shared.grid
    side = grid.side_references.get(i)
    if side is None or grid.instruments[i].sides == "total":
        return None, None, None, None
    pair = grid.compared(i)
    left = (pair.left_w - pair.left_reference_w)[begin:end]
    right = (pair.right_w - pair.right_reference_w)[begin:end]
    reported = [np.isfinite(d) for d in (left, right) if np.isfinite(d).any()]
    if not reported:
        return None, None, None, None
    both = np.logical_and.reduce(reported)
    if both.sum() < LEAST_S:
        return None, None, None, None
    d_left = known(float(left[both].mean()), 2)
    d_right = known(float(right[both].mean()), 2)
    share = None
    if d_left is not None and d_right is not None:
        reference_w = (pair.left_reference_w + pair.right_reference_w)[begin:end][both].mean()
        if u_spread_percent is not None and abs(d_left + d_right) > 0.01 * u_spread_percent * reference_w:
            share = rounded(d_right / (d_left + d_right), 3)
    return d_left, d_right, share, grid.labels[side]


def judged(deviation: float, u95: float | None, limit: float) -> Judged:
    """The verdict; undecided without an interval."""
    if u95 is None:
        return "undecided"
    return judge(deviation, u95, limit)  # type: ignore[return-value]


def edge_of(shared: Shared, i: int, begin: int, end: int) -> float:
    """Percent that the difference over [begin, end) may owe to what is left of a lag: a 95 % half-width."""
    pair = shared.grid.compared(i)
    window = np.array([begin]), np.array([end])
    return float(edge_percent(pair.own_w, pair.reference_w, *window, shared.grid.lag_bound_s(i))[0])
