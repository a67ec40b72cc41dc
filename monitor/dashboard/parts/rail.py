"""The rail of a lane: the common line, the tolerance around it, and the marks that hang on it.

A lane's deviation is a mark left or right of the line, its 95 % uncertainty a bar through the mark, the
tolerance a shaded band around the line, `L` and `R` the deviations of the sides. What the drivetrain takes is
not a deviation: the expected part is off already.
"""

import math
from typing import NamedTuple

from rich.style import Style

from monitor.dashboard.canvas import Canvas, cells
from monitor.dashboard.look import BAND, BOLD, CALM, QUIET, WARM, Say
from monitor.dashboard.parts.standing import Number, sides_of, total_of
from monitor.live.view import Lane, View
from monitor.text import clock

SPANS_PERCENT = (6.0, 12.0, 25.0, 50.0)


def span_percent(view: View) -> float:
    """What the rail shows left and right of the line, percent.

    It follows from the tolerances alone, in few steps, so that a mark moves when its
    instrument does, and not because the scale did.
    """
    limits = [lane.limit_percent for lane in view.lanes if lane.limit_percent is not None]
    wanted = 2.0 * max((limit for limit in limits if math.isfinite(limit)), default=0.0)
    return next((span for span in SPANS_PERCENT if span >= wanted), SPANS_PERCENT[-1])


class Rail(NamedTuple):
    """Cells from `start` to `end` (excluded), an odd number of them, for `-span` to `span` percent."""

    canvas: Canvas
    start: int
    end: int
    span: float

    @property
    def line(self) -> int:
        """The column of the common line."""
        return (self.start + self.end - 1) // 2

    @property
    def half(self) -> int:
        """Cells from the line to either end of the scale; two more are for what lies beyond."""
        return (self.end - self.start) // 2 - 2

    @property
    def first(self) -> int:
        """The leftmost cell that stands for a number."""
        return self.line - self.half

    @property
    def last(self) -> int:
        """The rightmost one."""
        return self.line + self.half

    def place(self, percent: float) -> int:
        """The cell of a percentage, which may lie outside the rail."""
        return self.line + round(max(-9.9, min(9.9, percent / self.span)) * self.half)

    def put(self, percent: float, row: int, sign: str, style: Style) -> None:
        """A sign at its place; what lies outside becomes an arrow at that end."""
        x = self.place(percent)
        letter = sign if sign.isalpha() else ""
        if self.first <= x <= self.last:
            self.canvas.put(x, row, sign, style)
        elif x < self.first:
            self.canvas.put(self.start, row, f"◀{letter}", style)
        else:
            self.canvas.right(self.end, row, f"{letter}▶", style)


def draw_axis(rail: Rail, y: int, reference: str) -> None:
    """What the rail spans, and the name of what hangs on the line."""
    for share in (-1.0, -0.5, 0.5, 1.0):
        text = f"{share * rail.span:+g}" + (" %" if abs(share) == 1 else "")
        place = rail.line + round(share * rail.half) - cells(text) // 2
        rail.canvas.put(max(rail.start, min(place, rail.end - cells(text))), y, text, QUIET)
    room = max(3, rail.half - 6)
    name = reference if cells(reference) <= room else reference[: room - 1] + "…"
    rail.canvas.put(rail.line - cells(name) // 2, y, name, BOLD)


def draw_rail(rail: Rail, y: int, rows: int, view: View, lane: Lane, said: Say) -> None:
    """The rail of one lane, which has one row or two: then its sides hang in the second."""
    live = lane.heard == "heard"
    if live and lane.verdict not in ("reference", "blind") and lane.limit_percent is not None:
        _draw_band(rail, y, lane.limit_percent)
    for row in range(y, y + rows):
        rail.canvas.put(rail.line, row, "┃", BOLD)
    if not live:
        _draw_silence(rail, y, lane, said)
        return
    total = total_of(lane, view.reference)
    if total is not None:
        _draw_deviation(rail, y, lane, total, said)
    _draw_sides(rail, y + rows - 1, lane, total if rows == 1 else None)


def _draw_band(rail: Rail, y: int, limit_percent: float) -> None:
    low, high = max(rail.first, rail.place(-limit_percent)), min(rail.last, rail.place(limit_percent))
    rail.canvas.put(low, y, "░" * (high - low + 1), BAND)


def _draw_silence(rail: Rail, y: int, lane: Lane, said: Say) -> None:
    """A silent instrument hangs nowhere."""
    word = lane.heard.replace("-", " ")
    rail.canvas.right(rail.line - 1, y, word, QUIET, start=rail.start)
    rail.canvas.put(rail.line + 2, y, f"since {clock(lane.heard_since_s)}", QUIET, end=rail.end)


def _draw_deviation(rail: Rail, y: int, lane: Lane, total: Number, said: Say) -> None:
    """The mark of the deviation with its uncertainty; a hollow mark where nothing is decided."""
    agrees = lane.verdict == "agrees" and not said.loud
    style = WARM if lane.verdict == "differs" else CALM if agrees else BOLD
    low, high = rail.place(total.percent - total.u95), rail.place(total.percent + total.u95)
    for x in range(max(low, rail.first), min(high, rail.last) + 1):
        rail.canvas.put(x, y, "├" if x == low else "┤" if x == high else "─", style)
    rail.put(total.percent, y, "█" if lane.verdict in ("agrees", "differs") else "║", style)


def _draw_sides(rail: Rail, row: int, lane: Lane, total: Number | None) -> None:
    """`L` and `R`; in one cell they stand side by side, so that neither hides the other.

    In the row of the total's own mark they stand beside it.
    """
    taken = {rail.place(total.percent)} if total is not None else set()
    for side, number in sides_of(lane).items():
        percent = number.percent
        while rail.place(percent) in taken and abs(percent) < rail.span:
            percent += rail.span / rail.half * (1.0 if side == "right" else -1.0)
        taken.add(rail.place(percent))
        raised = f"{side} side-off" in lane.raised
        rail.put(percent, row, side[0].upper(), WARM if raised else BOLD)
