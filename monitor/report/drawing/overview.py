"""The chart of the first screen: one unit's deviation over the session."""

from typing import Any

import numpy as np

from monitor.report.drawing.svg import Markup, Plot, padded
from monitor.report.material import Material
from monitor.report.series import changes_of, deviations
from monitor.text import PAGE, clock, plain

MOST_POINTS = 420
"""One a unit of the picture's width."""
TICKS_S = (30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 14400, 43200)
FLAGS_APART = 0.06
"""Flags nearer than this part of the chart share a number's place."""
MOST_FLAGS_NAMED = 5


def overview(given: Material, label: str) -> dict[str, Any] | None:
    """Deviation over time: total and both sides, band, segments, acts as flags."""
    grid, k = given.grid, given.order[label]
    if label not in given.compared or not grid.seconds:
        return None
    window_s = max(1, round(grid.bench.limits.window_s))
    found = deviations(given, label, window_s)
    total, side = found["total"], grid.side_references.get(k)
    both = side is not None and {grid.instruments[j].sides for j in (k, side)} == {"both"}
    sides = [("L", found["left"]), ("R", found["right"])] if both else []
    values = np.concatenate([total, *(v for _, v in sides)])
    values = values[np.isfinite(values)]
    if not len(values):
        return None
    limit = given.limit(label)
    # A spike must not flatten everything else.
    low, high = np.percentile(values, [1.0, 99.0]).tolist()
    y = padded([low, high, -1.5 * limit, 1.5 * limit], 2.0, 0.12)
    plot = Plot(
        f"{label}: deviation over the session",
        f"limit {limit:.1f} percent, {len(given.study.segments)} segments",
        (0.0, float(grid.seconds)), y, "time in the session, min:s", "deviation, %", 230.0, x_ticks=False,
    )  # fmt: skip
    for n, s in enumerate(given.study.segments):
        if n % 2 == 0:
            plot.box(s.start_s, s.end_s, *y, "stripe")
    plot.band(-limit, limit)
    plot.rule(0.0)
    step = max(1, grid.seconds // MOST_POINTS)

    def points(of: Any) -> list[tuple[float, float]]:
        return [(float(t), min(max(float(of[t]), y[0]), y[1])) for t in range(0, grid.seconds, step)]

    drawn = [(name, points(of)) for name, of in sides]
    plot.line(points(total), given.looks[label])
    for name, line in drawn:
        plot.side(line, name)
    plot.name_sides(drawn)
    acts = _flags(given, plot)
    every = next((t for t in TICKS_S if grid.seconds / t <= 6), TICKS_S[-1])
    for t in range(0, grid.seconds - every // 4, every):
        plot.column_text(float(t), clock(t))
    against = f" L and R: its sides against {grid.labels[side]}." if sides and side is not None else ""
    within = ", never over a change" if changes_of(given.study, label) else ""
    caption = (
        f"{label} against {grid.reference_label(k)}, mean over {window_s} s{within}.{against} "
        f"Band: limit, ± {PAGE.number(limit)} %. Stripes: segments.{acts}"
    )
    return {"svg": Markup(plot.svg()), "caption": caption, "legend": ""}


def _flags(given: Material, plot: Plot) -> str:
    """A numbered flag for each act; which is which, for the caption."""
    acts = [a for a in given.grid.recording.acts if a.act not in ("segment", "finish")]
    named: list[str] = []
    last = -1.0
    for n, act in enumerate(acts, 1):
        t_s = act.t_ns / 1e9
        words = plain(f"{act.instrument} {act.text or act.act}".strip(), 48)
        near = (t_s - last) / max(1.0, plot.x[1]) < FLAGS_APART
        plot.flag(t_s, f"{clock(t_s)} {words}", "" if near else str(n))
        last = last if near else t_s
        named.append(f"{n} {words} ({clock(t_s)})")
    if not named:
        return ""
    more = f", and {len(named) - MOST_FLAGS_NAMED} more" if len(named) > MOST_FLAGS_NAMED else ""
    return f" Flags: {'; '.join(named[:MOST_FLAGS_NAMED])}{more}."
