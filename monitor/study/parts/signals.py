"""How well an instrument was received, how noisy it is, and what it reported about itself."""

import math
from itertools import pairwise

import numpy as np

from monitor.analysis.block import BLOCK_S, MIN_POWER_W
from monitor.analysis.curve import COVERED, TURNED
from monitor.analysis.diagnose import three_cornered_hat
from monitor.analysis.statistics import Floats
from monitor.study.estimate.delay import stretches
from monitor.study.parts.common import Shared
from monitor.study.recording import Recording
from monitor.study.results import Signal, known

FACTS = (
    "name", "manufacturer", "manufacturer_id", "model", "model_number", "serial", "firmware", "hardware",
    "software", "crank_length_mm", "battery_percent", "battery_v", "battery_state",
)  # fmt: skip


def signal_of(shared: Shared, i: int) -> Signal:
    """How well instrument `i` was received."""
    grid, recording = shared.grid, shared.recording
    arrivals = recording.arrivals[i] if i < len(recording.arrivals) else np.zeros(0)
    gaps = np.diff(arrivals)
    ridden = grid.ridden[:, i]
    paused = grid.paused(i)
    longest = None
    if len(gaps):
        at = np.minimum(arrivals[:-1].astype(int), max(0, grid.seconds - 1))
        heard = ridden[at] & ~paused[at] if grid.seconds else np.ones(len(gaps), dtype=bool)
        awake = _beyond_held(recording, i, gaps)[heard]
        longest = float(awake.max()) if len(awake) else None
    time = COVERED if i in grid.powered else TURNED
    silent = stretches(ridden & ~paused & (grid.cells[:, i, time] < 0.5)) if grid.seconds else []
    return Signal(
        recording.packets[i] if i < len(recording.packets) else 0,
        recording.bad_packets[i] if i < len(recording.bad_packets) else 0,
        recording.missed[i] if i < len(recording.missed) else 0,
        known(float(np.median(gaps)), 3) if len(gaps) else None,
        known(longest, 2),
        [(float(a), float(b)) for a, b in silent],
        [(float(a), float(b)) for a, b in stretches(grid.no_power[:, i])],
    )


def _beyond_held(recording: Recording, i: int, gaps: Floats) -> Floats:
    """Gaps between packets; 0 where the value of a ride file stands until the next one."""
    holds = recording.holds[i] if i < len(recording.holds) else np.zeros((0, 4))
    if len(holds) != len(gaps) + 1:
        return gaps
    left: Floats = np.where(gaps > holds[:-1, 1] + 0.01, gaps, 0.0)
    return left


def noise_of(shared: Shared) -> dict[int, tuple[float | None, float]]:
    """Noise of a ten-second mean, W, and its upper bound, from the differences of all."""
    grid = shared.grid
    which = [i for i in grid.powered if not grid.one_sided(i)]
    if len(which) < 3 or not shared.compared:
        return {}
    series = np.stack([grid.moved(i, shared.grid.lag_s(i)) for i in which], axis=1)
    rows = []
    lost = 0
    cuts = sorted({math.ceil(t) for times in shared.cuts.values() for t in times})
    for span in shared.spans:
        first, last = grid.clip(span.window())
        if span.kind in ("sprint", "ramp", "over-under"):
            continue
        edges = [first, *(t for t in cuts if first < t < last), last]
        for begin, end in pairwise(edges):
            n = (end - begin) // BLOCK_S
            means = series[begin : begin + n * BLOCK_S].reshape(n, BLOCK_S, len(which)).mean(axis=1)
            means = means[np.isfinite(means).all(axis=1)]
            means = means[(means > MIN_POWER_W).all(axis=1)]
            if len(means) >= 3:
                rows.append(means - means.mean(axis=0))
                lost += 1
    if not rows:
        return {}
    table = np.concatenate(rows)
    estimates = three_cornered_hat(table)
    if estimates is None:
        return {}
    # Each segment's own mean was taken out.
    scale = math.sqrt(len(table) / max(1, len(table) - lost))
    return {
        i: (None if e.value is None else scale * e.value, scale * e.high)
        for i, e in zip(which, estimates, strict=True)
    }


def reported_facts(facts: dict[str, float | str]) -> dict[str, str]:
    """What the radio reported that a reader should see: settings and identity, no list of abilities."""
    wanted = [k for k in facts if k in FACTS or "offset" in k or "zero" in k or "calibration" in k]
    skip = ("offset_compensation", "enhanced_offset_compensation", "offset_compensation_indicator",
            "factory_calibration_date", "custom_calibration")  # fmt: skip
    order = {name: k for k, name in enumerate(FACTS)}
    wanted = sorted((k for k in wanted if k not in skip), key=lambda k: (order.get(k, 99), k))
    return {
        k: f"{v:g}" if isinstance(v, float | int) and not isinstance(v, bool) else str(v)
        for k in wanted
        for v in (facts[k],)
    }
