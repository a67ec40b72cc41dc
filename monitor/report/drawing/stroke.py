"""Pictures of the stroke: torque over the turn by side, states over each other; angles over time."""

from collections.abc import Sequence
from typing import Any

import numpy as np

from monitor.analysis.stroke.series import Side
from monitor.report.drawing.plots import chart, legend
from monitor.report.drawing.svg import Plot, padded, stroke, tag
from monitor.report.material import Material
from monitor.report.stroke import NAMES, context_words, stretches
from monitor.setup.roles import Look
from monitor.study.parts.stroke.results import SideStroke, Stroke
from monitor.text import PAGE, clock

LEAST_PALE = 0.4
"""How strong the line of the first of many states is; the last has one."""


def shapes(given: Material) -> list[dict[str, Any]]:
    """A picture for each side: torque over the turn, all instruments and states over each other."""
    rows = stretches(given.study)
    charts = []
    for side in NAMES:
        found = [(s, x) for s in rows for x in s.sides if x.side == side and x.shape is not None]
        if found:
            charts.append(_shape_chart(given, side, found))
    return charts


def _shape_chart(given: Material, side: Side, found: Sequence[tuple[Stroke, SideStroke]]) -> dict[str, Any]:
    values = [
        v + sign * (u or 0.0)
        for _, x in found
        for v, u in zip(x.shape or [], x.shape_u95 or [], strict=True)
        if v is not None
        for sign in (-1.0, 1.0)
    ]
    crank = "the left crank" if side == "both" else "own crank"
    plot = Plot(
        f"Torque over the turn, {NAMES[side]}", f"{len(found)} states", (0.0, 360.0),
        padded([100.0 * v for v in values] + [0.0], 50.0, 0.15), f"{crank}, ° (0 up, 90 forward)",
        "torque, % of its mean", x_ticks=False,
    )  # fmt: skip
    for angle in range(0, 361, 45):
        plot.segment((angle, plot.y[0]), (angle, plot.y[1]), "grid")
        plot.column_text(angle, str(angle))
    plot.rule(0.0)
    times: dict[str, list[str]] = {}
    for label in dict.fromkeys(s.instrument for s, _ in found):
        mine = [(s, x) for s, x in found if s.instrument == label]
        for n, (s, x) in enumerate(mine):
            strong = LEAST_PALE + (1.0 - LEAST_PALE) * (n + 1) / len(mine)
            _draw_shape(plot, x, given.looks[label], strong)
            times.setdefault(label, []).append(f"{clock(s.from_s)}–{clock(s.to_s)}")
    for column, label in enumerate(times):
        peaks = [(s, x) for s, x in found if s.instrument == label]
        for row, (s, x) in enumerate(peaks):
            # The peaks of a sum are those of the legs, each in its half of the turn.
            marks = [x] if side != "both" else [leg for leg in s.sides if leg.side in ("left", "right")]
            for leg in marks:
                _mark_peak(plot, s, leg, given.looks[label], row + 0.4 * column, side == "both")
    each = "; ".join(f"{label} {', '.join(spans)}" for label, spans in times.items())
    caption = (
        f"{NAMES[side].capitalize()}: mean shape in each state, 95 % interval; paler lines are earlier. "
        f"Marks at the top: angle of peak torque. States: {each}."
    )
    return chart(plot, caption, legend(given, list(times)))


def _draw_shape(plot: Plot, x: SideStroke, look: Look, strong: float) -> None:
    shape = [(10.0 * n + 5.0, v) for n, v in enumerate(x.shape or [])]
    u95 = x.shape_u95 or []
    ring = [shape[-1], *shape, shape[0]]
    widths = [u95[-1], *u95, u95[0]]
    angles = [-5.0, *(a for a, _ in shape), 365.0]
    points: list[tuple[float, float, float]] = [
        (min(360.0, max(0.0, a)), 100.0 * v, 100.0 * (u or 0.0))
        for a, (_, v), u in zip(angles, ring, widths, strict=True)
        if v is not None
    ]
    upper = [plot.at(a, v + u) for a, v, u in points]
    lower = [plot.at(a, v - u) for a, v, u in reversed(points)]
    area = " ".join(f"{px:.1f},{py:.1f}" for px, py in (*upper, *lower))
    plot.parts.append(
        tag("polygon", class_=f"spread k-{look.key}", fill_opacity=f"{0.28 * strong:.2f}", points=area)
    )
    drawn = " ".join(f"{px:.1f},{py:.1f}" for px, py in (plot.at(a, v) for a, v, _ in points))
    plot.parts.append(tag("polyline", **stroke(look), stroke_opacity=f"{strong:.2f}", points=drawn))


def _mark_peak(plot: Plot, s: Stroke, x: SideStroke, look: Look, row: float, in_sum: bool) -> None:
    if x.peak_deg is None:
        return
    at = x.peak_deg + (180.0 if in_sum and x.side == "right" else 0.0)
    y = plot.y[1] - (0.03 + 0.035 * row) * (plot.y[1] - plot.y[0])
    if x.peak_u95_deg is not None:
        plot.whisker((at - x.peak_u95_deg, y), (at + x.peak_u95_deg, y), look)
    peak = f"{x.peak_deg:.0f} ± {PAGE.number(x.peak_u95_deg)}°"
    note = f"{s.instrument}, {clock(s.from_s)}–{clock(s.to_s)}: {peak}"
    plot.mark(at, y, look, 3.2, note)


def angles(given: Material) -> list[dict[str, Any]]:
    """For each side: power phase and angle of peak torque of all instruments over time."""
    charts = []
    sides: tuple[Side, ...] = ("left", "right", "unknown")
    for side in sides:
        labels = [given.grid.labels[i] for i, s in given.shared.strokes.items() if side in s.sides]
        chart = _angle_chart(given, side, labels)
        if chart is not None:
            charts.append(chart)
    return charts


def _angle_chart(given: Material, side: Side, labels: Sequence[str]) -> dict[str, Any] | None:
    seconds = given.grid.seconds
    rows: list[tuple[str, float, float, float, float]] = []
    for label in labels:
        for block in given.shared.strokes[given.order[label]].blocks(0.0, float(seconds)):
            x = block.sides.get(side)
            if x is not None and (np.isfinite(x.peak_deg) or np.isfinite(x.phase_start_deg)):
                at = (block.begin_s + 5.0) / 60.0
                rows.append((label, at, _near(x.peak_deg), _near(x.phase_start_deg), _near(x.phase_end_deg)))
    if not rows:
        return None
    values = [v for row in rows for v in row[2:]]
    plot = Plot(
        f"Angles in time, {NAMES[side]}", f"{len(rows)} blocks", (0.0, max(0.2, seconds / 60.0)),
        padded(values, 30.0), "minutes", "angle of own crank, degrees",
    )  # fmt: skip
    for label, at, _, start, end in rows:
        if np.isfinite(start) and np.isfinite(end):
            (x0, y0), (x1, y1) = plot.at(at - 5.0 / 60.0, end), plot.at(at + 5.0 / 60.0, start)
            plot.parts.append(
                tag("rect", class_=f"spread k-{given.looks[label].key}", fill_opacity="0.18", x=x0, y=y0,
                    width=max(0.3, x1 - x0), height=max(0.0, y1 - y0))
            )  # fmt: skip
    for label in labels:
        plot.line([(at, peak) for name, at, peak, *_ in rows if name == label], given.looks[label])
    for b in sorted({s.from_s for s in stretches(given.study) if s.from_s > 0.0}):
        plot.segment((b / 60.0, plot.y[0]), (b / 60.0, plot.y[1]), "limit")
    caption = (
        f"{NAMES[side].capitalize()}: line, angle of peak torque in ten seconds; pale band, power phase; "
        "dashed upright, a new state. Each instrument has a zero of its own, so that changes count."
    )
    return chart(plot, caption, legend(given, list(labels)))


def _near(angle_deg: float) -> float:
    """An angle about the forward crank, -90 to 270: a phase begins near 0 from either side."""
    return (angle_deg + 90.0) % 360.0 - 90.0


def context(given: Material) -> dict[str, Any]:
    """All that the template needs of the stroke."""
    return {**context_words(given.study), "shapes": shapes(given), "angles": angles(given)}
