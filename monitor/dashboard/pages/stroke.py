"""The page of the stroke: torque over the turn on either side, now and when the state began. Pure drawing."""

import math

from monitor.dashboard.canvas import Box, Canvas
from monitor.dashboard.look import BAND, BOLD, FAINT, QUIET, WARM, signed
from monitor.live.view import SideView, StrokeView, View
from monitor.text import clock

LEAST_ROWS, MOST_ROWS = 3, 10
"""Rows of one picture."""
EIGHTHS = " ▁▂▃▄▅▆▇█"
SURE_DEG = 3.0
"""A smaller change of the peak is no other way of pedalling (as in a study)."""
NAMES = {"both": "both legs, by the left crank", "unknown": "side not reported"}


def draw_stroke(canvas: Canvas, box: Box, view: View) -> None:
    """Every instrument that reports the stroke, the two sides beside each other."""
    x, y, end = box.x + 1, box.y, box.x + box.width - 1
    canvas.put(x, y, "Stroke", BOLD)
    canvas.put(x + 8, y, "0° crank up, 90° forward; · as the state began", QUIET, end=end)
    y += 1
    if not view.strokes:
        canvas.put(
            x, y + 1, "No instrument on this bench reports how torque lies in the turn.", BOLD, end=end
        )
        return
    drawn = [s for s in view.strokes if s.sides or s.position]
    room = box.y + box.height - y
    lots = [max(1, len(_pictures(s))) for s in drawn]
    rows = min(MOST_ROWS, max(LEAST_ROWS, room // max(1, len(drawn)) - 4))
    for number, (stroke, _) in enumerate(zip(drawn, lots, strict=True)):
        left = box.y + box.height - y
        if left < LEAST_ROWS + 3:
            canvas.put(
                x, box.y + box.height - 1, f"and {len(drawn) - number} more: a taller window", WARM, end=end
            )
            return
        y = _draw_one(canvas, Box(x, y, box.width - 2, left), stroke, min(rows, left - 3), view.t_s)


def _pictures(stroke: StrokeView) -> list[SideView]:
    """The sides that have a picture; the sum of both legs only where no side has its own."""
    own = [s for s in stroke.sides if s.side != "both" and s.shape]
    return own or [s for s in stroke.sides if s.shape]


def _draw_one(canvas: Canvas, box: Box, stroke: StrokeView, rows: int, now_s: float) -> int:
    x, y, end = box.x, box.y, box.x + box.width
    canvas.put(x, y, stroke.label, BOLD, end=x + 18)
    words = [f"state since {clock(stroke.since_s)}" if stroke.since_s else "since the start"]
    if stroke.position:
        words.append(stroke.position)
    if stroke.lost_vectors:
        words.append(f"{stroke.lost_vectors} of {stroke.vectors + stroke.lost_vectors} vectors lost")
    canvas.put(x + 18, y, ", ".join(words), QUIET, end=end)
    y += 1
    pictures = _pictures(stroke)
    half = box.width if len(pictures) == 1 and pictures[0].side == "both" else (box.width - 2) // 2
    for side in pictures:
        at = x + half + 2 if side.side == "right" else x
        _draw_shape(canvas, Box(at, y, half, rows), side)
    if pictures:
        y += rows
        for side in pictures:
            at = x + half + 2 if side.side == "right" else x
            _draw_axis(canvas, at, y, half)
        y += 1
    half = (box.width - 2) // 2
    below = 0
    for side in stroke.sides:
        if side.side == "both" and side.smoothness_percent is None:
            continue
        at = x + half + 2 if side.side == "right" else x
        row = y + (
            side.side in ("both", "unknown") and any(s.side in ("left", "right") for s in stroke.sides)
        )
        canvas.put(at, row, _words(side), WARM if _has_moved(side) else BOLD, end=at + half)
        below = max(below, row - y + 1)
    return y + max(1, below) + (1 if rows > LEAST_ROWS else 0)


def _whole(value: float) -> str:
    return f"{value:.0f}" if math.isfinite(value) else "?"


def _has_moved(side: SideView) -> bool:
    change, u95 = side.change_deg, side.change_u95_deg
    return change is not None and u95 is not None and abs(change) > max(SURE_DEG, u95)


def _words(side: SideView) -> str:
    name = NAMES.get(side.side, side.side)
    if side.peak_deg is None:
        parts = [
            name
            if side.smoothness_percent is not None or side.effectiveness_percent is not None
            else f"{name}: measuring"
        ]
    else:
        parts = [f"{name} peak {_whole(side.peak_deg)}°"]
        if side.change_deg is not None and side.change_u95_deg is not None:
            parts.append(f"{signed(side.change_deg, '°', 0)} ±{side.change_u95_deg:.0f}")
    if side.phase_deg is not None:
        parts.append(f"drives {side.phase_deg[0]:.0f}–{side.phase_deg[1]:.0f}°")
    if side.effectiveness_percent is not None:
        parts.append(f"eff {side.effectiveness_percent:.0f} %")
    if side.smoothness_percent is not None:
        parts.append(f"smooth {side.smoothness_percent:.0f} %")
    return "  ".join(parts)


def _draw_shape(canvas: Canvas, box: Box, side: SideView) -> None:
    """Bars of what is now, dots of what was, on one scale from zero; what holds back is left out."""
    n = len(side.shape)
    shape, was = _known(side.shape), _known(side.shape_before)
    top = max((v for v in (*shape, *was) if v is not None), default=0.0)
    if not n or top <= 0.0:
        return
    for column in range(box.width):
        k = min(n - 1, column * n // box.width)
        value, before = shape[k], was[k] if k < len(was) else None
        height = 0 if value is None else round(8 * box.height * max(0.0, value) / top)
        for row in range(box.height):
            eighths = min(8, max(0, height - 8 * row))
            if eighths:
                canvas.put(box.x + column, box.y + box.height - 1 - row, EIGHTHS[eighths], BAND)
        if before is not None:
            row = min(box.height - 1, int(box.height * max(0.0, before) / top))
            filled = height >= 8 * (row + 1)
            style = BOLD + BAND.from_color(BOLD.color, BAND.color) if filled else BOLD
            if before > 0.0:
                canvas.put(box.x + column, box.y + box.height - 1 - row, "·", style)


def _known(shape: tuple[float | None, ...]) -> list[float | None]:
    return [v if v is not None and math.isfinite(v) else None for v in shape]


def _draw_axis(canvas: Canvas, x: int, y: int, width: int) -> None:
    for angle in (0, 90, 180, 270):
        canvas.put(x + angle * width // 360, y, f"{angle}°", FAINT, end=x + width)
