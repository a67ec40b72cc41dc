"""Peaks side by side: the reference's highest seconds, and what all others showed in the same ones."""

import math
from collections import Counter
from collections.abc import Sequence

import numpy as np

from monitor.analysis.block import MIN_POWER_W
from monitor.analysis.statistics import Floats, t_975
from monitor.study.grid import moved
from monitor.study.parts.common import Shared
from monitor.study.parts.peaks import best_mean
from monitor.study.results import (
    PeakDifference,
    SamePeak,
    SegmentStudy,
    SprintStatistics,
    known,
    rounded,
)

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


def sprint_statistics(segments: Sequence[SegmentStudy]) -> list[SprintStatistics]:
    """Each instrument against its reference over all sprints, a row a length; one that clipped is left out.

    A single sprint has no spread. The half-width is Student's over the sprints.
    """
    rows: dict[tuple[str, int], list[PeakDifference]] = {}
    clipped: Counter[tuple[str, int]] = Counter()
    for segment in segments:
        for peak in segment.sprint.same if segment.sprint is not None else ():
            for d in peak.differences:
                key = d.instrument, peak.seconds
                rows.setdefault(key, [])
                if d.instrument in peak.clipped or d.reference in peak.clipped:
                    clipped[key] += 1
                else:
                    rows[key].append(d)
    result = []
    for (label, seconds), found in sorted(rows.items(), key=lambda row: row[0]):
        n = len(found)
        if not n:
            continue
        deviations = np.array([d.deviation_percent for d in found])
        sd = float(deviations.std(ddof=1)) if n > 1 else None
        result.append(
            SprintStatistics(
                label, found[0].reference, seconds, n,
                rounded(sum(d.delta_w for d in found) / n, 1),
                rounded(sum(d.delta_percent for d in found) / n, 2),
                rounded(float(deviations.mean()), 2), known(sd, 2),
                known(None if sd is None else t_975(n - 1.0) * sd / math.sqrt(n), 2),
                clipped[label, seconds],
            )
        )  # fmt: skip
    return result


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
