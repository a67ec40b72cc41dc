"""Highest means, sprints, and what reaches the hub."""

import math
from collections.abc import Sequence

import numpy as np

from monitor.analysis.block import BLOCK_S, MIN_POWER_W
from monitor.analysis.blockstats import Spread, interval
from monitor.analysis.budget import Noise
from monitor.analysis.statistics import Floats
from monitor.study.grid import log_ratio, moved
from monitor.study.parts.common import Shared
from monitor.study.results import Efficiency, Peak, SegmentStudy, Sprint, known, rounded

PEAKS_S = (1, 5, 15, 30, 60)
MAXIMAL_S = (1, 3, 5, 15, 30, 60, 300, 1200)
SPRINT_S = (1, 3, 5, 10)
EFFICIENCY_W = (50.0, 100.0, 200.0, 400.0)
EFFICIENCY_PERCENT = ((94.2, 96.2, 97.4, 98.1), (94.1, 96.4, 97.6, 98.4), (92.1, 94.9, 96.9, 97.8))
"""Efficiency of a clean derailleur drive at 50, 100, 200 and 400 W with sprockets of 24, 19 and 13 teeth
(Wilson, Bicycling Science, 3rd ed.)."""


def best_mean(power_w: Floats, seconds: int) -> tuple[float, int] | None:
    """The highest mean over `seconds` neighbouring values (1 Hz) and where it begins.

    Stretches with a nan don't count; None if none is left. Of equal ones the first.
    """
    if len(power_w) < seconds:
        return None
    good = np.isfinite(power_w)
    total = np.concatenate(([0.0], np.cumsum(np.where(good, power_w, 0.0))))
    holes = np.concatenate(([0], np.cumsum(~good)))
    means = np.where(
        holes[seconds:] == holes[:-seconds], (total[seconds:] - total[:-seconds]) / seconds, -np.inf
    )
    at = int(np.argmax(means))
    return (float(means[at]), at) if math.isfinite(means[at]) else None


def published_efficiency(power_w: float) -> tuple[float, float]:
    """Lowest and highest efficiency, percent, that EFFICIENCY_PERCENT gives at a power at the crank.

    Linear in 1 / power between the published ones, as a loss of constant watts and percent
    has it; held constant outside.
    """
    inverse = -1.0 / np.array(EFFICIENCY_W)
    at = [float(np.interp(-1.0 / max(1.0, power_w), inverse, row)) for row in EFFICIENCY_PERCENT]
    return min(at), max(at)


def sprint_of(shared: Shared, begin: int, end: int) -> Sprint:
    """Peaks and work of each instrument over a sprint, on the clock of the reference."""
    grid = shared.grid
    # A meter that is late shows the peak after the segment's end; the reference's clock decides.
    peaks: dict[str, dict[str, float | None]] = {}
    work: dict[str, float | None] = {}
    when: dict[str, float | None] = {}
    for i in grid.powered:
        series = moved(grid.sound_w[:, i], shared.grid.lag_s(i))[begin:end]
        best = {s: best_mean(series, s) for s in SPRINT_S}
        label = grid.labels[i]
        peaks[label] = {str(s): known(b[0], 1) if b else None for s, b in best.items()}
        first = best[SPRINT_S[0]]
        when[label] = float(begin + first[1]) if first else None
        good = np.isfinite(series)
        work[label] = known(float(series[good].sum()) / 1000.0, 3) if good.all() and len(good) else None
    return Sprint(peaks, work, when)


def peaks_of(shared: Shared) -> list[Peak]:
    """Mean-maximal powers of the session."""
    grid = shared.grid
    base = grid.reference
    if base is None:
        name, series = grid.bench.reference, grid.consensus_w
    else:
        name, series = grid.labels[base], grid.sound_w[:, base]
    result = []
    for seconds in MAXIMAL_S:
        top = best_mean(series, seconds)
        if top is None:
            continue
        start = top[1]
        best: dict[str, float | None] = {}
        when: dict[str, float | None] = {}
        same: dict[str, float | None] = {}
        for i in grid.powered:
            label = grid.labels[i]
            own = best_mean(grid.sound_w[:, i], seconds)
            best[label], when[label] = (known(own[0], 1), float(own[1])) if own else (None, None)
            window = moved(grid.sound_w[:, i], shared.grid.lag_s(i))[start : start + seconds]
            same[label] = known(float(window.mean()), 1)
        result.append(Peak(seconds, name, float(start), best, when, same))
    return result


def efficiency_of(shared: Shared, segments: Sequence[SegmentStudy]) -> list[Efficiency]:
    """Work at each hub over work at each crank, a row for each steady segment."""
    grid = shared.grid
    hubs = [i for i in grid.powered if grid.instruments[i].mount == "hub"]
    cranks = [
        i
        for i in grid.powered
        if grid.instruments[i].mount != "hub" and grid.instruments[i].sides in ("both", "total")
    ]
    result = []
    for h in hubs:
        hub = moved(grid.sound_w[:, h], shared.grid.lag_s(h))
        for c in cranks:
            crank = moved(grid.sound_w[:, c], shared.grid.lag_s(c))
            for segment, span in zip(segments, shared.spans, strict=True):
                if segment.steady:
                    found = _one_efficiency(
                        (grid.labels[h], grid.labels[c]), segment, hub, crank,
                        grid.clip(span.window()), shared.usual.get(c, Spread()), shared.noise_between(h, c),
                    )  # fmt: skip
                    if found is not None:
                        result.append(found)
    return result


def _one_efficiency(
    labels: tuple[str, str],
    segment: SegmentStudy,
    hub: Floats,
    crank: Floats,
    window: tuple[int, int],
    usual: Spread,
    noise: Noise,
) -> Efficiency | None:
    hub_label, crank_label = labels
    begin, end = window
    h, c = hub[begin:end], crank[begin:end]
    both = np.isfinite(h) & np.isfinite(c)
    if both.sum() < 3 * BLOCK_S or float(c[both].mean()) < MIN_POWER_W:
        return None
    n = len(h) // BLOCK_S
    ys = log_ratio(
        h[: n * BLOCK_S].reshape(n, BLOCK_S).mean(axis=1), c[: n * BLOCK_S].reshape(n, BLOCK_S).mean(axis=1)
    )
    known_ys = np.isfinite(ys)
    sure_to = noise.mean(ys[known_ys], begin + BLOCK_S * np.flatnonzero(known_ys)).u95
    if not math.isfinite(sure_to):
        # Neither is what the other is compared with, or too little was ridden to know the noise.
        spread = interval(ys[known_ys], usual)
        sure_to = spread.u95 if spread is not None else math.inf
    power_w = float(c[both].mean())
    percent = 100.0 * float(h[both].mean()) / power_w
    u95 = percent * sure_to if math.isfinite(sure_to) else None
    low, high = published_efficiency(power_w)
    sure = f" ± {u95:.1f} %" if u95 is not None else ""
    text = f"{hub_label} shows {percent:.1f} %{sure} of {crank_label} at {power_w:.0f} W"
    if percent > 100.0 + (u95 or 0.0):
        text += ": more than goes in at the crank, so this is no loss but a disagreement"
    else:
        text += f"; published for clean chains: {low:.1f} to {high:.1f} %"
    return Efficiency(
        hub_label, crank_label, segment.name, rounded(power_w, 2), int(both.sum()), rounded(percent, 3),
        known(u95, 3), rounded(low, 2), rounded(high, 2), text,
    )  # fmt: skip
