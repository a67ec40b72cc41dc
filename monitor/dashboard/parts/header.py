"""The header: session time, what is done with it, who is heard, the trainer; the segment and its load."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.style import Style

from monitor.dashboard.canvas import Box, Canvas, cells
from monitor.dashboard.figures import draw_figures, figure_width
from monitor.dashboard.look import BOLD, FAINT, LOUD, QUIET, WARM, is_heard, not_recording
from monitor.live.view import Segment, View
from monitor.text import clock

if TYPE_CHECKING:
    from monitor.controls.trainer import TrainerView


def heard_text(view: View) -> tuple[str, bool]:
    """`3 of 4 heard, 1 lost`, and whether that is as it should be."""
    lanes = view.lanes
    text, fine = f"{sum(map(is_heard, lanes))} of {len(lanes)} heard", True
    for state, word in (("lost", "LOST"), ("given-up", "GIVEN UP"), ("resting", "resting")):
        number = sum(lane.heard == state for lane in lanes)
        if number:
            text, fine = f"{text}, {number} {word}", fine and state == "resting"
    return text, fine


def recording_text(view: View, old: bool, watching: bool) -> tuple[str, Style]:
    """`● REC`, `REPLAY x8`, `WATCHING`, with `PAUSED` where the segment or the replay is."""
    if old:
        return "? recording not known", BOLD
    if not_recording(view):
        return "! NOT RECORDED", LOUD
    word = view.recording
    if word == "recording":
        word = "● WATCHING" if watching else "● REC"
    replay, comma, state = word.partition(", ")
    if comma and state == "paused":
        return f"{replay}  PAUSED", BOLD
    paused = view.segment is not None and view.segment.paused
    return f"{word}  PAUSED" if paused else word, BOLD


def trainer_text(trainer: TrainerView | None) -> tuple[str, Style] | None:
    """The trainer and its state, if it was ever armed; None: it never was, and nothing troubles it."""
    if trainer is None or not (trainer.ever or trainer.troubled or trainer.phase != "off"):
        return None
    text = f"TRAINER {trainer.label} {trainer.words}"
    if trainer.phase == "held":
        text += f", max {trainer.max_w:.0f} W"
    return text, LOUD if trainer.loud else BOLD if trainer.phase in ("asking", "held") else QUIET


def target_style(trainer: TrainerView | None) -> Style:
    """A target that nobody holds any more is dimmed."""
    released = trainer is not None and trainer.ever and trainer.phase not in ("asking", "held")
    return FAINT if released else BOLD


def draw_header(
    canvas: Canvas,
    box: Box,
    view: View,
    trainer: TrainerView | None,
    old: bool = False,
    watching: bool = False,
) -> None:
    """Two rows; three with large figures for what the rider has to hold and for how long."""
    x, y, end = box.x + 1, box.y, box.x + box.width - 1
    if box.height >= 3:
        end = _draw_large(canvas, end, y, view.segment, trainer)
    text, style = recording_text(view, old, watching)
    at = canvas.put(canvas.put(x, y, f"{clock(view.t_s):>7}", BOLD) + 2, y, text, style, end=end)
    heard, fine = heard_text(view)
    shown = trainer_text(trainer)
    if box.height >= 3:
        canvas.put(at + 3, y, heard, BOLD if fine else LOUD, end=end)
        if shown is not None:
            canvas.put(x, y + 2, *shown, end=end)
        _draw_segment(canvas, x, y + 1, end, view.segment, None)
        return
    if shown is not None:
        # The trainer first: what it does is felt in the legs.
        canvas.right(end, y, *shown, start=at + 2)
        left = end - cells(shown[0]) - 2
        if at + 3 + cells(heard) <= left:
            canvas.put(at + 3, y, heard, BOLD if fine else LOUD, end=left)
        elif not fine:
            lost = heard.partition(", ")[2]
            canvas.put(at + 2, y, lost, LOUD, end=left)
    else:
        canvas.right(end, y, heard, BOLD if fine else LOUD, start=at + 2)
    _draw_segment(canvas, x, y + 1, end, view.segment, target_style(trainer))


def _draw_segment(
    canvas: Canvas, x: int, y: int, end: int, segment: Segment | None, target: Style | None
) -> None:
    """The segment in one row; `target`: the style of its target, None: that stands in large figures."""
    if segment is None:
        canvas.put(x, y, "no segment", QUIET, end=end)
        return
    following = f"→ {segment.next_name}" if segment.next_name else ""
    room = min(cells(following), max(16, (end - x) // 3))
    canvas.right(end, y, following, QUIET, start=end - room)
    end -= room + 1
    parts: list[tuple[str, Style]] = [(segment.name, BOLD)]
    if segment.count and segment.number:
        parts.append((f"{segment.number}/{segment.count}", BOLD))
    if target is not None:
        parts += [(text, target if text.endswith("W") else BOLD) for text in load_parts(segment)]
    elif segment.cadence_rpm is not None:
        parts.append((f"{segment.cadence_rpm:.0f} rpm", BOLD))
    for text, style in parts:
        if x < end:
            x = canvas.put(x, y, text, style, end=end) + 3


def load_parts(segment: Segment) -> list[str]:
    """What the segment asks for, in figures."""
    parts = []
    if segment.target_w is not None:
        parts.append(f"{segment.target_w:.0f} W")
    elif segment.load in ("free", "sprint") and not segment.paused:
        parts.append(segment.load.upper())
    if segment.cadence_rpm is not None:
        parts.append(f"{segment.cadence_rpm:.0f} rpm")
    if segment.left_s is not None:
        parts.append(f"{clock(segment.left_s)} left")
    return parts


def _draw_large(
    canvas: Canvas, end: int, y: int, segment: Segment | None, trainer: TrainerView | None
) -> int:
    """Target and time left in large figures at the right, in places of their own; where the words end."""
    left_at = end - 6 - figure_width("00:00", 1)
    target_at = left_at - 5 - figure_width("SPRINT", 1)
    if segment is None:
        return target_at - 2
    if segment.left_s is not None:
        text = clock(segment.left_s)
        if figure_width(text, 1) <= figure_width("00:00", 1):
            draw_figures(canvas, left_at, y, text, 1, BOLD)
            canvas.put(end - 4, y + 2, "left", QUIET)
        else:
            canvas.put(left_at, y + 2, f"{text} left", BOLD, end=end)
    text = ""
    if segment.target_w is not None:
        text = f"{min(9999.0, segment.target_w):.0f}"
    elif segment.load in ("free", "sprint") and not segment.paused:
        text = segment.load.upper()
    if text:
        style = target_style(trainer)
        after = draw_figures(canvas, target_at, y, text, 1, style)
        canvas.put(after, y + 2, "W" if text.isdigit() else "", style, end=left_at - 1)
    return target_at - 2


def draw_small_header(
    canvas: Canvas, y: int, view: View, trainer: TrainerView | None, old: bool, watching: bool
) -> None:
    """One row for a window that has room for the hero only."""
    end = canvas.width - 1
    text, style = recording_text(view, old, watching)
    x = canvas.put(canvas.put(1, y, clock(view.t_s), BOLD) + 1, y, text, style, end=end)
    segment = view.segment
    if trainer is not None and (trainer.ever or trainer.phase != "off"):
        now = "" if trainer.target_w is None else f" {trainer.target_w:.0f} W"
        word = f"TRAINER{now}" if trainer.phase in ("asking", "held") else "TRAINER released"
        canvas.right(end, y, word, LOUD if trainer.loud else WARM, start=x + 1)
        end -= cells(word) + 1
    if segment is not None:
        load = load_parts(segment)
        texts = [" ".join(parts) for parts in ((segment.name, *load), load, load[-1:])]
        text = next((text for text in texts if cells(text) <= end - x - 2), texts[-1])
        canvas.put(x + 2, y, text, BOLD, end=end)
