"""The lanes: every instrument hung on one common vertical line, the reference.

A lane's deviation is a mark left or right of the line, its 95 % uncertainty a bar through
the mark, the tolerance a shaded band around the line, `L` and `R` the deviations of the
sides. What the drivetrain takes is not a deviation: the expected part is off already.
"""

import math
from collections.abc import Sequence
from typing import NamedTuple

from rich.style import Style

from monitor.dashboard.canvas import Box, Canvas, cells
from monitor.dashboard.figures import draw_figures, figure_width
from monitor.dashboard.look import (
    BAND,
    BOLD,
    CALM,
    FAINT,
    LOUD,
    QUIET,
    WARM,
    Say,
    say,
    signed,
    whole,
    words,
)
from monitor.live.view import Lane, View
from monitor.text import clock

HEIGHTS = (6, 5, 4, 3, 2, 1)
"""Rows that a lane may take, best first: 5 and 3 are the figure's height, one more is air below it."""
SPANS_PERCENT = (6.0, 12.0, 25.0, 50.0)
_DEVIATION = figure_width("+10.0", 3)
WIDE = 110
"""Columns from which a lane has room for the tallest figures and its sides in one line."""


class Columns(NamedTuple):
    """Where the parts of a lane stand: first cells and ends (excluded), and the middle of the rail."""

    text: int
    text_end: int
    figure: int
    figure_end: int
    rail: int
    rail_end: int
    deviation: int | None
    """End of the large deviation, if there is room for one."""
    sides: int | None

    @property
    def line(self) -> int:
        """The column of the common line."""
        return (self.rail + self.rail_end - 1) // 2


def columns(width: int, rows: int) -> Columns:
    """The parts of a lane of that many rows on a screen of that width."""
    deviation = sides = None
    if rows >= 5:
        text, text_end, figure, figure_end = 1, 31, 31, 31 + figure_width("0000", 5)
        rail, deviation = figure_end + 2, _DEVIATION
    elif rows >= 3:
        text, text_end, figure, figure_end = 1, 26, 27, 27 + figure_width("0000", 3)
        rail = figure_end + 2
        if width >= WIDE:
            deviation = rail + 1 + _DEVIATION
            rail = deviation + 4
    else:
        # One line: mark and label, watts, verdict; the figure is plain text.
        label = 16 if width >= WIDE else 12
        text, text_end = 3, 3 + label
        figure, figure_end = text_end, text_end + 7
        if rows == 1 and width >= WIDE:
            sides = width - 22
        rail = figure_end + 26
    end = width - 1 if sides is None else sides - 2
    return Columns(text, text_end, figure, figure_end, rail, end - (end - rail + 1) % 2, deviation, sides)


def lane_rows(width: int, room: int, lanes: int) -> int:
    """The best height of a lane when `lanes` of them have `room` rows in all, at least 1."""
    for rows in HEIGHTS:
        if rows >= 5 and width < WIDE:
            continue
        if rows * lanes <= room:
            return rows
    return 1


def span_percent(view: View) -> float:
    """What the rail shows left and right of the line, percent.

    It follows from the tolerances alone, in few steps, so that a mark moves when its
    instrument does, and not because the scale did.
    """
    limits = [lane.limit_percent for lane in view.lanes if lane.limit_percent is not None]
    wanted = 2.0 * max((limit for limit in limits if math.isfinite(limit)), default=0.0)
    return next((span for span in SPANS_PERCENT if span >= wanted), SPANS_PERCENT[-1])


def draw_axis(canvas: Canvas, y: int, at: Columns, view: View, span: float, rows: int) -> None:
    """The head of the lanes: what the line is and what the rail spans."""
    canvas.put(1, y, view.bench, QUIET, end=at.text_end if rows >= 3 else at.figure)
    canvas.right(at.figure_end - 1 if rows >= 3 else at.figure_end, y, "watts", QUIET, start=at.figure)
    half = (at.rail_end - at.rail) // 2 - 1
    for share in (-1.0, -0.5, 0.5, 1.0):
        text = f"{share * span:+g}" + (" %" if abs(share) == 1 else "")
        place = at.line + round(share * half) - cells(text) // 2
        canvas.put(max(at.rail, min(place, at.rail_end - cells(text))), y, text, QUIET)
    # Between the half-scale figures there is room for the name of what hangs on the line.
    room = max(3, half - 6)
    name = view.reference if cells(view.reference) <= room else view.reference[: room - 1] + "…"
    canvas.put(at.line - cells(name) // 2, y, name, BOLD)


def draw_lane(canvas: Canvas, box: Box, at: Columns, lane: Lane, t_s: float, span: float) -> None:
    """One lane into `box`, whose height is one of `HEIGHTS`."""
    said = say(lane, t_s)
    rows = {6: 5, 4: 3}.get(box.height, box.height)
    figure = _figure(lane)
    if rows >= 3:
        _draw_block(canvas, box.y, rows, at, lane, said, figure)
    else:
        _draw_line(canvas, box.y, rows, at, lane, said, figure)
    _draw_rail(canvas, box.y, rows, box.height, at, lane, said, span)


def _figure(lane: Lane) -> str:
    """The large figure: watts, or revolutions a minute where there are no watts to be had."""
    value = lane.cadence_rpm if lane.mount == "cadence" else lane.power_w
    if lane.heard not in ("heard", "resting") or value is None or not math.isfinite(value):
        return "--"
    return f"{max(-999.0, min(9999.0, value)):.0f}"


def sides_text(lane: Lane) -> str:
    """`L 166 R 164   90 rpm`, as far as it can be known."""
    if lane.heard not in ("heard", "resting"):
        return ""
    parts = []
    if lane.left_w is not None or lane.right_w is not None:
        parts.append(f"L {whole(lane.left_w)} R {whole(lane.right_w)}")
    if lane.cadence_rpm is not None and math.isfinite(lane.cadence_rpm):
        parts.append(f"{whole(lane.cadence_rpm)} rpm")
    return "   ".join(parts)


def _draw_word(canvas: Canvas, x: int, y: int, said: Say, end: int, figure: bool = True) -> None:
    """Mark, word and figure; a loud word stands on a ground of its own."""
    if said.loud:
        x = canvas.put(x, y, f"{said.mark} {said.word}", LOUD, end=end)
    else:
        x = canvas.put(x, y, said.mark, said.style)
        x = canvas.put(x + 1, y, said.word, QUIET if said.style is QUIET else BOLD, end=end)
    if figure and said.figure:
        canvas.put(x + 1, y, said.figure, BOLD, end=end)


def _draw_block(canvas: Canvas, y: int, rows: int, at: Columns, lane: Lane, said: Say, figure: str) -> None:
    """Name, verdict and sides beside a large figure."""
    x = canvas.put(at.text, y, lane.label, BOLD, end=at.text_end)
    if lane.mount != lane.label:
        canvas.put(x + 2, y, lane.mount, FAINT, end=at.text_end)
    _draw_word(canvas, at.text, y + 1, said, at.text_end, figure=at.deviation is None)
    style = QUIET if figure == "--" else WARM if said.loud else BOLD
    draw_figures(canvas, at.figure_end - figure_width(figure, rows), y, figure, rows, style)
    if rows == 3:
        canvas.put(at.text, y + 2, sides_text(lane), QUIET, end=at.text_end)
    if at.deviation is None:
        return
    large, unit = _large_deviation(lane, said)
    top = y + 2 if rows == 5 else y
    style = WARM if said.loud else QUIET if said.style is QUIET else BOLD
    draw_figures(canvas, at.deviation - figure_width(large, 3), top, large, 3, style)
    canvas.put(at.deviation + 1, top, unit, style)
    if rows == 5:
        x = at.deviation + 2 if large else at.text
        sure = f"  ±{lane.u95_percent:.1f}" if large and unit and lane.u95_percent is not None else ""
        canvas.put(at.deviation + 2, top, sure, QUIET, end=at.text_end)
        for row, text in enumerate(reversed(sides_text(lane).split("   "))):
            canvas.put(x, y + 4 - row, text, BOLD, end=at.text_end)


def _large_deviation(lane: Lane, said: Say) -> tuple[str, str]:
    """The figure that a rider looks for, and its unit: how far off, or for how long it has been silent."""
    if lane.heard != "heard":
        time = said.figure.removeprefix("for ").removesuffix(" ago")
        return (time if figure_width(time, 3) <= _DEVIATION else "", "")
    percent = lane.deviation_percent
    if lane.verdict in ("reference", "blind") or percent is None or not math.isfinite(percent):
        return "", ""
    if abs(percent) >= 99.95:
        return ("+99" if percent > 0 else "-99"), "% !"
    return signed(percent).removesuffix(" %"), "%"


def _draw_line(canvas: Canvas, y: int, rows: int, at: Columns, lane: Lane, said: Say, figure: str) -> None:
    """Everything of a lane in one line of text, its sides in a second one or at the right."""
    canvas.put(1, y, said.mark, LOUD if said.loud else said.style)
    canvas.put(at.text, y, lane.label, BOLD, end=at.text_end)
    unit = "rpm" if lane.mount == "cadence" else "W"
    canvas.right(at.figure_end, y, f"{figure} {unit}", WARM if said.loud else BOLD, start=at.figure)
    _draw_word(canvas, at.figure_end + 1, y, Say("", said.word, said.figure, said.style, said.loud), at.rail)
    if rows == 2:
        canvas.put(at.text, y + 1, sides_text(lane), QUIET, end=at.rail)
    elif at.sides is not None:
        canvas.put(at.sides, y, sides_text(lane), QUIET, end=canvas.width)


class _Rail(NamedTuple):
    """Where a percentage stands on a lane's rail, and how it is put there."""

    canvas: Canvas
    at: Columns
    span: float

    @property
    def half(self) -> int:
        """Cells from the line to either end."""
        return (self.at.rail_end - self.at.rail) // 2 - 1

    @property
    def first(self) -> int:
        """The leftmost cell that stands for a number."""
        return self.at.line - self.half

    @property
    def last(self) -> int:
        """The rightmost one."""
        return self.at.line + self.half

    def place(self, percent: float) -> int:
        """The cell of a percentage, which may lie outside the rail."""
        return self.at.line + round(max(-9.9, min(9.9, percent / self.span)) * self.half)

    def put(self, percent: float | None, row: int, sign: str, style: Style) -> None:
        """A sign at its place; what lies outside becomes an arrow at that end."""
        if percent is None or not math.isfinite(percent):
            return
        x = self.place(percent)
        letter = sign if sign.isalpha() else ""
        if self.first <= x <= self.last:
            self.canvas.put(x, row, sign, style)
        elif x < self.first:
            self.canvas.put(self.at.rail, row, f"◀{letter}", style)
        else:
            self.canvas.right(self.at.rail_end, row, f"{letter}▶", style)


def _draw_rail(
    canvas: Canvas, y: int, rows: int, height: int, at: Columns, lane: Lane, said: Say, span: float
) -> None:
    """Band, line, mark with its uncertainty, and the marks of the sides."""
    rail = _Rail(canvas, at, span)
    mark_row = y + (rows // 2 if rows >= 3 else 0)
    live = lane.heard == "heard"
    if live and lane.verdict != "reference" and lane.limit_percent is not None:
        low = max(rail.first, rail.place(-lane.limit_percent))
        high = min(rail.last, rail.place(lane.limit_percent))
        for row in {1: (y,), 2: (y,), 3: (y + 1,)}.get(rows, (y + 1, y + 2, y + 3)):
            canvas.put(low, row, "░" * (high - low + 1), BAND)
    for row in range(y, y + height):
        canvas.put(at.line, row, "┃", BOLD)
    if not live:
        canvas.right(at.line - 1, mark_row, said.word.lower(), QUIET, start=at.rail)
        canvas.put(at.line + 2, mark_row, f"since {clock(lane.heard_since_s)}", QUIET, end=at.rail_end)
        return
    if lane.verdict == "reference":
        return
    _draw_deviation(rail, mark_row, rows, lane, said)
    if rows >= 2:
        left, right = lane.left_deviation_percent, lane.right_deviation_percent
        rail.put(left, y + rows - 1, "L", BOLD)
        if left is not None and right is not None and rail.place(left) == rail.place(right):
            # Both in one cell: side by side, so that neither hides the other.
            right += span / rail.half
        rail.put(right, y + rows - 1, "R", BOLD)
    if rows >= 3:
        _draw_remark(canvas, y, at, lane)


def _draw_deviation(rail: _Rail, row: int, rows: int, lane: Lane, said: Say) -> None:
    """The mark of the deviation with its uncertainty."""
    deviation = lane.deviation_percent
    if deviation is None or not math.isfinite(deviation):
        return
    style = WARM if said.loud else CALM if said.word == "agrees" else BOLD
    if lane.u95_percent and math.isfinite(lane.u95_percent):
        low, high = rail.place(deviation - lane.u95_percent), rail.place(deviation + lane.u95_percent)
        for x in range(max(low, rail.first), min(high, rail.last) + 1):
            rail.canvas.put(x, row, "├" if x == low else "┤" if x == high else "─", style)
    sure = lane.verdict in ("agrees", "differs")
    rail.put(deviation, row, "█" if sure else "║", style)
    if rows >= 3:
        rail.put(deviation, row - 1, "▄" if sure else "║", style)
        rail.put(deviation, row + 1, "▀" if sure else "║", style)


def _draw_remark(canvas: Canvas, y: int, at: Columns, lane: Lane) -> None:
    """What else is raised, or which loss was taken out, on the side where the mark isn't."""
    raised = [
        words(kind).removesuffix(" deviates")
        for kind in lane.raised
        if kind not in ("power-off", "signal-lost")
    ]
    text, style = "! " + ", ".join(raised), WARM
    if not raised:
        # Two large figures that differ by this agree: say so where they are looked at.
        expected = lane.expected_percent
        text, style = f"drivetrain {abs(expected):.1f} %" if abs(expected) >= 0.05 else "", QUIET
    if (lane.deviation_percent or 0.0) > 0:
        canvas.put(at.rail, y, text, style, end=at.line - 1)
    else:
        canvas.put(at.line + 2, y, text, style, end=at.rail_end)


def _haste(lane: Lane) -> int:
    """The lower, the sooner a lane must be seen when there is no room for all."""
    if say(lane, 0.0).loud:
        return 0
    return 1 if lane.verdict == "reference" else 2


def most_pressing(lanes: Sequence[Lane], room: int) -> tuple[list[Lane], int]:
    """The lanes that have room, in their order, and how many are left out (whose number takes one row)."""
    if len(lanes) <= room:
        return list(lanes), 0
    urgent = sorted(range(len(lanes)), key=lambda number: (_haste(lanes[number]), number))
    kept = sorted(urgent[: max(0, room - 1)])
    return [lanes[number] for number in kept], len(lanes) - len(kept)


def draw_lanes(canvas: Canvas, box: Box, view: View) -> None:
    """All lanes with their head; those that lean or are lost are never left out for want of room."""
    span = span_percent(view)
    rows = lane_rows(box.width, box.height - 1, len(view.lanes))
    at = columns(box.width, rows)
    draw_axis(canvas, box.y, at, view, span, rows)
    room = (box.height - 1) // rows
    shown, left_out = most_pressing(view.lanes, room)
    if left_out:
        canvas.put(3, box.y + room * rows, f"and {left_out} more: they need a taller window", WARM)
    for number, lane in enumerate(shown):
        draw_lane(canvas, Box(box.x, box.y + 1 + number * rows, box.width, rows), at, lane, view.t_s, span)
