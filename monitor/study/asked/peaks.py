"""Peaks side by side: the reference's highest seconds, and what all others showed in the same ones."""

from collections.abc import Sequence

import numpy as np

from monitor.analysis.block import MIN_POWER_W
from monitor.analysis.statistics import Floats
from monitor.study.grid import moved
from monitor.study.parts.common import Shared
from monitor.study.parts.peaks import best_mean
from monitor.study.results import PeakDifference, SamePeak, known, rounded

SIDE_BY_SIDE_S = (1, 3, 5, 10)
"""Three seconds are the usual smoothing of displays (common practice, no source)."""


def same_peaks(
    shared: Shared, begin: int, end: int, seconds: Sequence[int] = SIDE_BY_SIDE_S
) -> list[SamePeak]:
    """The highest means in the seconds [begin, end), on the clock of the reference, one row a length.

    Without a reference the window is that of the median of all. Powers are as shown (W), each moved by
    its lag; None where an instrument was not heard in every second of the window.
    """
    grid = shared.grid
    base = grid.reference
    if base is None:
        label, series = grid.bench.reference, grid.consensus_w[begin:end]
    else:
        label, series = grid.labels[base], grid.sound_w[begin:end, base]
    shown = {i: moved(grid.sound_w[:, i], grid.lag_s(i)) for i in grid.powered}
    rows = []
    for length in seconds:
        best = best_mean(series, length)
        if best is None:
            continue
        first, last = begin + best[1], begin + best[1] + length
        power = {i: _mean(shown[i][first:last]) for i in grid.powered}
        rows.append(
            SamePeak(
                length, label, float(first), {grid.labels[i]: known(p, 1) for i, p in power.items()},
                [d for i in shared.compared if (d := _difference(shared, i, first, last, power)) is not None],
                clipped_in(shared, first, last),
            )
        )  # fmt: skip
    return rows


def _difference(
    shared: Shared, i: int, first: int, last: int, power: dict[int, float | None]
) -> PeakDifference | None:
    grid = shared.grid
    pair = grid.compared(i)
    own, theirs = (_mean(x[first:last]) for x in (pair.own_w, pair.reference_w))
    shown = power.get(i)
    if own is None or theirs is None or shown is None or theirs < MIN_POWER_W:
        return None
    beside = grid.base_loss(i).at_hub(theirs)
    return PeakDifference(
        grid.labels[i], grid.reference_label(i) or "", rounded(shown - beside, 1),
        rounded(100.0 * (shown / beside - 1.0), 2), rounded(100.0 * (own / theirs - 1.0), 2),
    )  # fmt: skip


def _mean(values: Floats) -> float | None:
    return float(values.mean()) if len(values) and bool(np.isfinite(values).all()) else None


def clipped_in(shared: Shared, first: int, last: int) -> list[str]:
    """Which instruments were found to be clipped in the seconds [first, last)."""
    found: list[str] = []
    open_at: dict[str, float] = {}
    for f in shared.recording.findings:
        if f.kind != "clipped":
            continue
        if f.event == "raised":
            open_at[f.instrument] = f.since_s
        elif (since := open_at.pop(f.instrument, None)) is not None and since < last and f.t_s > first:
            found.append(f.instrument)
    found += [label for label, since in open_at.items() if since < last]
    return sorted(set(found))
