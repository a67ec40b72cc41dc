"""Large figures for the rider: verdict, side, deviation, target, time left, power and cadence.

It is read from 1.5 m with a heart at 170.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from rich.style import Style

from monitor.dashboard.canvas import Box, Canvas, cells
from monitor.dashboard.figures import draw_figures, figure_rows, figure_width, has_figures, largest
from monitor.dashboard.look import BOLD, QUIET, whole
from monitor.dashboard.parts.header import target_style
from monitor.dashboard.parts.hero import (
    basis_words,
    hero_style,
    large_word,
    number_text,
    side_words,
    since_words,
)
from monitor.dashboard.parts.message import next_words
from monitor.dashboard.parts.standing import chosen, number_of, standing
from monitor.live.view import Block, Lane, Segment, View
from monitor.text import clock

if TYPE_CHECKING:
    from monitor.controls.controls import RideView

SCALES = (1, 2, 3, 4, 5)
_WIDEST = ("+10.0", "00:00")
_GROUPS = 3


class _Cell(NamedTuple):
    """A large figure and what stands below it."""

    text: str
    unit: str
    words: str
    style: Style


def draw_big(canvas: Canvas, box: Box, view: View, ride: RideView | None, label: str = "") -> None:
    """Two columns of three figures, as large as the screen allows, the same places at every moment."""
    segment = view.segment
    block = segment.next if segment is not None and next_words(segment) is not None else None
    half = box.width // 2
    below = figure_rows(1)
    scale = max(
        (each for each in SCALES if _height(each) + below <= box.height and _fits(half - 4, each)), default=1
    )
    room = box.height - _height(scale)
    # What comes next: as large as there is room for, and never larger than what is.
    below_scale = max((each for each in SCALES[:scale] if figure_rows(each) <= room), default=0)
    below = figure_rows(below_scale) if below_scale else 0
    rows = figure_rows(scale)
    air = max(0, (box.height - below - _height(scale)) // _GROUPS)
    trainer = ride.trainer if ride is not None else None
    grid = (
        _verdict_cells(view, label),
        (_target(segment, target_style(trainer)), _left(segment)),
        _ridden_cells(view),
    )
    y = box.y
    for pair in grid:
        for cell, x, end in zip(
            pair, (box.x + 2, box.x + half + 2), (box.x + half, box.x + box.width), strict=True
        ):
            _draw_cell(canvas, Box(x, y, end - x - 1, rows), scale, cell)
        y += rows + 1 + air
    if block is not None and below:
        at = Box(box.x + 2, box.y + box.height - below, box.width - 3, below)
        _draw_next(canvas, at, below_scale, box.x + half + 2, block)


def _height(scale: int) -> int:
    """Rows of the three groups; the last has no words below it."""
    return _GROUPS * figure_rows(scale) + _GROUPS - 1


def _fits(width: int, scale: int) -> bool:
    return all(figure_width(text, scale) <= width for text in _WIDEST)


def _draw_cell(canvas: Canvas, box: Box, scale: int, cell: _Cell) -> None:
    """A figure with its unit beside its foot, its words below it or, without a figure, in its place."""
    if not cell.text or not has_figures(cell.text):
        canvas.put(box.x, box.y + box.height // 2, cell.text or cell.words, cell.style, end=box.x + box.width)
        return
    scale = max(1, min(scale, largest((cell.text,), box.width - cells(cell.unit) - 2, box.height, SCALES)))
    after = draw_figures(canvas, box.x, box.y, cell.text, scale, cell.style)
    foot = box.y + figure_rows(scale) - 1
    canvas.put(after + 1, foot, cell.unit, cell.style if cell.unit == "%" else QUIET, end=box.x + box.width)
    canvas.put(box.x, box.y + box.height, cell.words, BOLD, end=box.x + box.width)


def _verdict_cells(view: View, label: str) -> tuple[_Cell, _Cell]:
    lane = chosen(view, label)
    if lane is None:
        return _Cell("", "", "no instrument with power", QUIET), _Cell("", "", "", QUIET)
    said, number = standing(view, lane), number_of(lane, view.reference)
    style = hero_style(lane, said)
    if number is None:
        words = said.word if said.word else "measuring"
        left = _Cell("", "", f"{lane.label}: {words}", style)
    else:
        sure = f"{lane.label}  ±{number.u95:.1f}, limit {number.limit:.1f}"
        if basis := basis_words(lane, number):
            sure += f", {basis}"
        left = _Cell(number_text(number), "%", sure, style)
    large = large_word(lane, said)
    side = side_words(lane, number, said) if large else ""
    words = "  ".join([*([side] if side else []), *since_words(view, lane)])
    if not large and number is None and words:
        return left, _Cell("", "", words, style)
    if not large:
        shown = f"{said.mark} {said.word}" + (f", {words}" if words else "")
        return left, _Cell("", "", shown, style)
    return left, _Cell(large, "", words, style)


def _target(segment: Segment | None, style: Style) -> _Cell:
    if segment is None:
        return _Cell("", "", "no segment", QUIET)
    if segment.paused:
        return _Cell("PAUSE", "", segment.name, BOLD)
    if segment.target_w is not None:
        return _Cell(f"{min(9999.0, segment.target_w):.0f}", "W", f"target, {segment.name}", style)
    if segment.load in ("free", "sprint"):
        return _Cell(segment.load.upper(), "", segment.name, BOLD)
    return _Cell("", "", segment.name, BOLD)


def _left(segment: Segment | None) -> _Cell:
    if segment is None or segment.left_s is None:
        return _Cell("", "", "", QUIET)
    number = f"{segment.number} of {segment.count}" if segment.count and segment.number else ""
    return _Cell(clock(segment.left_s), "", f"left   {number}".rstrip(), BOLD)


def ridden(view: View) -> Lane | None:
    """Whose power the rider is shown: the reference's, else the first that tells one."""
    lanes = [lane for lane in view.lanes if lane.power_w is not None and lane.heard in ("heard", "resting")]
    return next((lane for lane in lanes if lane.verdict == "reference"), lanes[0] if lanes else None)


def _ridden_cells(view: View) -> tuple[_Cell, _Cell]:
    lane = ridden(view)
    if lane is None:
        return _Cell("", "", "", QUIET), _Cell("", "", "", QUIET)
    segment = view.segment
    wanted = "" if segment is None or segment.cadence_rpm is None else f" of {segment.cadence_rpm:.0f}"
    rpm = "" if lane.cadence_rpm is None else whole(lane.cadence_rpm)
    watts = whole(lane.power_w)
    return (
        _Cell(watts if has_figures(watts) else "", f"W {lane.label}", "", BOLD),
        _Cell(rpm if has_figures(rpm) else "", f"rpm{wanted}", "", BOLD),
    )


def _draw_next(canvas: Canvas, box: Box, scale: int, middle: int, block: Block) -> None:
    """The target of the next block in figures, its other properties beside it."""
    target = block.load.upper() if block.target_w is None else f"{min(9999.0, block.target_w):.0f}"
    end = box.x + box.width
    unit = "next" if block.target_w is None else "W next"
    if has_figures(target):
        scale = min(scale, largest((target,), middle - box.x - cells(unit) - 2, box.height, SCALES))
        after = draw_figures(canvas, box.x, box.y, target, scale, BOLD)
        canvas.put(after + 1, box.y + figure_rows(scale) - 1, unit, QUIET, end=middle - 1)
    rising = ", rising" if block.load == "ramp" else ""
    canvas.put(middle, box.y, f"{block.name}{rising}", BOLD, end=end)
    rpm = "" if block.cadence_rpm is None else f"{block.cadence_rpm:.0f} rpm"
    canvas.put(middle, box.y + 1, rpm, BOLD, end=end)
    canvas.put(middle, box.y + 2, f"for {clock(block.seconds)}", QUIET, end=end)
