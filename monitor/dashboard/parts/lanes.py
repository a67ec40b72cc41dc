"""The lanes: every instrument in a row of its own, hung on one common vertical line, the reference."""

from collections.abc import Sequence
from typing import NamedTuple

from monitor.dashboard.canvas import Box, Canvas
from monitor.dashboard.look import BOLD, FAINT, LOUD, QUIET, WARM, Say, whole
from monitor.dashboard.parts.rail import Rail, draw_axis, draw_rail, span_percent
from monitor.dashboard.parts.standing import number_of, standing, total_of
from monitor.live.view import Lane, View
from monitor.text import clock

WIDE = 112
"""Columns from which a lane has room for cadence and for its deviation in figures."""


class Columns(NamedTuple):
    """First cells and ends (excluded) of the parts of a lane."""

    number: int
    mark: int
    label: int
    label_end: int
    watts_end: int
    balance_end: int
    rpm_end: int | None
    """None: no room for it."""
    word: int
    word_end: int
    figure_end: int | None
    rail: int
    rail_end: int


def columns(width: int) -> Columns:
    """The parts of a lane on a screen of that width."""
    if width < WIDE:
        end = width - 1
        return Columns(1, 3, 5, 17, 24, 30, None, 31, 47, None, 48, end - (end - 47) % 2)
    end = width - 1
    return Columns(1, 3, 5, 21, 29, 36, 45, 47, 63, 78, 81, end - (end - 80) % 2)


def _watts(lane: Lane) -> str:
    """Power, or turns where there is no power to be had."""
    if lane.heard not in ("heard", "resting"):
        return "--"
    if lane.mount == "cadence":
        return f"{whole(lane.cadence_rpm)} rpm"
    return f"{whole(lane.power_w)} W"


def balance_text(lane: Lane) -> str:
    """`49/51`, of both sides as they are reported now."""
    if lane.heard not in ("heard", "resting") or lane.left_w is None or lane.right_w is None:
        return ""
    total = lane.left_w + lane.right_w
    if not total > 0.0:
        return ""
    left = round(100.0 * lane.left_w / total)
    return f"{left}/{100 - left}"


def draw_head(canvas: Canvas, box: Box, view: View) -> None:
    """The head of the lanes: what the columns are and what the rail spans."""
    at, y = columns(box.width), box.y
    canvas.put(at.label, y, view.bench, QUIET, end=at.watts_end - 6)
    canvas.right(at.watts_end, y, "power", QUIET, start=at.label)
    canvas.right(at.balance_end, y, "L/R", QUIET, start=at.watts_end)
    if at.rpm_end is not None:
        canvas.right(at.rpm_end, y, "cadence", QUIET, start=at.balance_end)
    draw_axis(Rail(canvas, at.rail, at.rail_end, span_percent(view)), y, view.reference)


def _draw_lane(canvas: Canvas, y: int, rows: int, view: View, lane: Lane, number: int) -> None:
    at, said = columns(canvas.width), standing(view, lane)
    canvas.right(at.number + 1, y, str(number), FAINT)
    canvas.put(at.mark, y, said.mark, LOUD if said.loud else said.style)
    x = canvas.put(at.label, y, lane.label, BOLD, end=at.label_end)
    if at.rpm_end is not None and lane.mount != lane.label:
        canvas.put(x + 1, y, lane.mount, FAINT, end=at.label_end)
    canvas.right(at.watts_end, y, _watts(lane), BOLD, start=at.label_end)
    canvas.right(at.balance_end, y, balance_text(lane), BOLD, start=at.watts_end)
    if at.rpm_end is not None and lane.mount != "cadence" and lane.heard in ("heard", "resting"):
        canvas.right(at.rpm_end, y, f"{whole(lane.cadence_rpm)} rpm", QUIET, start=at.balance_end)
    _draw_word(canvas, y, at, said)
    if at.figure_end is not None:
        _draw_figure(canvas, y, at.figure_end, view, lane)
    if rows > 1:
        _draw_second(canvas, y + 1, at, view, lane)
    draw_rail(Rail(canvas, at.rail, at.rail_end, span_percent(view)), y, rows, view, lane, said)


def _draw_word(canvas: Canvas, y: int, at: Columns, said: Say) -> None:
    """The word, on a ground of its own where it is loud; beside silence, for how long."""
    word = said.word
    if said.mark in "!~○" and said.figure and not said.figure.endswith("%"):
        word = f"{word} {said.figure.removeprefix('for ')}"
    style = LOUD if said.loud else QUIET if said.style is QUIET else BOLD
    canvas.put(at.word, y, word, style, end=at.word_end)


def _draw_figure(canvas: Canvas, y: int, end: int, view: View, lane: Lane) -> None:
    """The deviation in figures, where there is room for it; it is the number that the hero shows too."""
    number = number_of(lane, view.reference)
    if number is None:
        return
    side = "" if number.side == "total" else f"{number.side[0].upper()} "
    style = WARM if lane.verdict == "differs" else BOLD
    canvas.right(end, y, f"{side}{number.percent:+z.1f} ±{number.u95:.1f} %", style, start=end - 15)


def _draw_second(canvas: Canvas, y: int, at: Columns, view: View, lane: Lane) -> None:
    """The sides in watts, and what the verdict rests on."""
    if lane.heard != "heard":
        return
    if lane.left_w is not None or lane.right_w is not None:
        text = f"L {whole(lane.left_w)} W  R {whole(lane.right_w)} W"
        canvas.right(at.balance_end, y, text, QUIET, start=at.label)
    if total_of(lane, view.reference) is not None:
        canvas.put(at.word, y, lane.basis, QUIET, end=at.figure_end or at.word_end)


def _haste(view: View, lane: Lane, unit: str) -> int:
    """The lower, the sooner a lane must be seen when there is no room for all."""
    if lane.label == unit:
        return 0
    if standing(view, lane).loud:
        return 1
    return 2 if lane.verdict == "reference" else 3


def most_pressing(view: View, room: int, unit: str = "") -> tuple[list[int], list[int]]:
    """The places of the lanes that have room, in bench order, and of those that are left out.

    What is said of these takes one row. `unit` was asked for and is always there.
    """
    lanes: Sequence[Lane] = view.lanes
    if len(lanes) <= room:
        return list(range(len(lanes))), []
    urgent = sorted(range(len(lanes)), key=lambda at: (_haste(view, lanes[at], unit), at))
    kept = max(0, room - 1)
    return sorted(urgent[:kept]), sorted(urgent[kept:])


def left_out_words(view: View, left_out: Sequence[int]) -> tuple[str, bool]:
    """How many lanes are not shown and where they are; whether one of them asks for a look."""
    loud = sum(standing(view, view.lanes[at]).loud for at in left_out)
    look = f", {loud} with an open finding" if loud else ""
    return f"{len(left_out)} more not shown{look}: i lists all, Tab shows the units on test", loud > 0


def draw_lanes(canvas: Canvas, box: Box, pitch: int, view: View, unit: str = "") -> None:
    """All lanes; without room for all, those that differ or are lost, and how many are left out."""
    room = box.height // pitch
    shown, left_out = most_pressing(view, room, unit)
    for row, at in enumerate(shown):
        _draw_lane(canvas, box.y + row * pitch, pitch, view, view.lanes[at], at + 1)
    if left_out:
        text, loud = left_out_words(view, left_out)
        canvas.put(3, box.y + box.height - 1, text, WARM if loud else BOLD, end=box.width)


def silence_words(lane: Lane, t_s: float) -> str:
    """For how long an instrument has not been heard."""
    return clock(t_s - lane.heard_since_s)
