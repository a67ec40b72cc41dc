"""The message row, which is always there: the most pressing thing that a rider has to know now.

And the two rows of advice below the lanes: what to do, or why a block is proposed.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from rich.style import Style

from monitor.dashboard.canvas import Box, Canvas, cells, wrap
from monitor.dashboard.look import ASK, BOLD, CALM, FAINT, LOUD, QUIET, WARM, not_recording
from monitor.dashboard.parts.findings import is_open_again
from monitor.live.view import AlarmView, Block, Segment, View
from monitor.text import clock

if TYPE_CHECKING:
    from monitor.controls.controls import RideView
    from monitor.controls.trainer import TrainerView

SAFETY = (
    "Hard riding, clamps, chains and a commanded trainer can hurt. "
    "The makers' instructions and local rules come first."
)
SOON_S = 10.0
"""The next segment is announced loudly so long before it begins."""
DO = "DO: "
HAND_BACK_SOON_S = 1800.0
"""The unit goes back so soon that it stands out: one more block and its cure (common practice, no source)."""
LEAST_BESIDE = 16
"""Columns that a message needs beside it."""
HAND_BACK_WIDTH = len(" hand-back in 23:59:59")


class Banner(NamedTuple):
    """Something that nobody may overlook: a headline, why, and what to do about it."""

    headline: str
    detail: str
    loud: bool = True
    do: str = ""


class Line(NamedTuple):
    """One line for the rider: its words and how loud they are."""

    text: str
    style: Style
    short: str = ""
    """What to say where there is no room for `text`; the rest then stands in the rows of advice."""


def recording_banner(view: View) -> Banner | None:
    """The banner for a recording that fails, if it does."""
    if not not_recording(view):
        return None
    own = [alarm for alarm in view.alarms if alarm.kind == "not-recorded"]
    reason = (
        view.recording.removeprefix("NOT RECORDED").removeprefix(": ") or "the disk is not accepting data"
    )
    do = next((alarm.do or alarm.text for alarm in own if alarm.do or alarm.text), "")
    return Banner("NOT BEING RECORDED", reason, do=do)


def load_words(block: Block) -> str:
    """What a block asks for: `200 W at 60 rpm`, `free riding`, `sprint`."""
    if block.target_w is None:
        words = "free riding" if block.load == "free" else block.load
    else:
        words = f"{block.target_w:.0f} W" + (" rising" if block.load == "ramp" else "")
    return words + (f" at {block.cadence_rpm:.0f} rpm" if block.cadence_rpm is not None else "")


def next_words(segment: Segment) -> str | None:
    """What comes next and in how many seconds, once it is near; None: nothing, or not soon."""
    if segment.next is None or segment.left_s is None or segment.paused or segment.left_s > SOON_S:
        return None
    return f"NEXT in {segment.left_s:.0f} s: {segment.next.name}, {load_words(segment.next)}"


def trainer_line(trainer: TrainerView | None) -> Line | None:
    """What of the trainer somebody has to act on; its state stands in the header."""
    if trainer is None or not trainer.loud:
        return None
    return Line(f"TRAINER {trainer.label} {trainer.words}", LOUD)


def _segment_line(segment: Segment | None, hands: bool) -> Line | None:
    """Where the protocol stands, when that asks for somebody."""
    if segment is None:
        return None
    if segment.paused:
        left = "" if segment.left_s is None else f", {clock(segment.left_s)} left"
        return Line(f"PAUSED: {segment.name}{left}{'   p: go on' if hands else ''}", ASK)
    if segment.stage == "checks":
        return Line(f"The protocol waits for the checks{': c shows them' if hands else ''}", ASK)
    if segment.stage == "ready":
        first = f"{segment.next.name}, {load_words(segment.next)}" if segment.next is not None else ""
        begin = "s or the first turn of the cranks begins" if hands else "the first turn of the cranks begins"
        return Line(f"READY: {begin} {first}", ASK, f"READY: {begin}")
    if segment.stage == "finished":
        keys = ": f closes, s one more, r repeats" if hands else ""
        return Line(f"finished{keys}", ASK)
    soon = next_words(segment)
    return None if soon is None else Line(soon, ASK)


def suggestion_line(view: View) -> Line | None:
    """The block that is proposed, unless it comes next already."""
    if view.suggestion is None:
        return None
    segment, block = view.segment, view.suggestion.block
    if segment is not None and segment.next is not None and segment.next.name.startswith(block.name):
        return None
    does = f"y rides {load_words(block)} for {clock(block.seconds)} next"
    return Line(f"{does}: {view.suggestion.words}", QUIET, does)


def rider_lines(view: View, ride: RideView | None, hands: bool = True) -> list[Line]:
    """What the rider has to know now, the most pressing first; empty: nothing."""
    lines: list[Line | None] = []
    if ride is not None and ride.asking:
        keys = "   Esc: not now" if ride.stage == "prompt" else ""
        lines.append(Line(ride.asking + keys, ASK))
    lines.append(trainer_line(ride.trainer) if ride is not None else None)
    lines.append(_segment_line(view.segment, hands))
    if ride is not None and hands:
        lines.append(suggestion_line(view))
    return [line for line in lines if line is not None]


def draw_line(canvas: Canvas, box: Box, line: Line | None) -> None:
    """One line, on a ground of its own where it asks for somebody."""
    if line is None:
        canvas.put(box.x, box.y, "─" * box.width, FAINT)
        return
    if line.style in (ASK, LOUD):
        canvas.fill(Box(box.x, box.y, box.width, 1), " ", line.style)
    canvas.put(box.x + 1, box.y, fitted(line, box.width), line.style, end=box.x + box.width - 1)


def fitted(line: Line, width: int) -> str:
    """The text of a line, or its short form where it has no room."""
    return line.text if not line.short or cells(line.text) <= width - 2 else line.short


def draw_message(
    canvas: Canvas, box: Box, view: View, banner: Banner | None, ride: RideView | None, hands: bool = True
) -> None:
    """The most pressing line: trouble of screen or recording, a question, the trainer, what comes next.

    At its right end, where that leaves room, how long it is until the unit goes back.
    """
    back, quiet = hand_back_words(view), False
    if banner is not None:
        mark = "!!! " if banner.loud else ""
        detail = f": {banner.detail}" if banner.detail else ""
        line: Line | None = Line(f"{mark}{banner.headline}{detail}", LOUD if banner.loud else ASK)
    else:
        lines = rider_lines(view, ride, hands)
        line, quiet = (lines[0], False) if lines else (_quiet(view.segment), True)
    room = box.width - HAND_BACK_WIDTH
    if not back or room < LEAST_BESIDE:
        draw_line(canvas, box, line)
        return
    # What a segment is for may be cut; what presses has all the row.
    draw_line(canvas, Box(box.x, box.y, room, 1) if quiet else box, line)
    if not quiet and line is not None and cells(fitted(line, box.width)) + 1 > room:
        return
    style = line.style if line is not None and line.style in (ASK, LOUD) else QUIET
    soon = view.hand_back_s is not None and view.hand_back_s < HAND_BACK_SOON_S
    canvas.right(box.x + box.width - 1, box.y, back, BOLD if soon and style is QUIET else style)


def hand_back_words(view: View) -> str:
    """How long it is until the unit goes back; empty where no time was told."""
    if view.hand_back_s is None:
        return ""
    return f"hand-back in {clock(view.hand_back_s)}" if view.hand_back_s > 0.0 else "hand-back is due"


def _quiet(segment: Segment | None) -> Line | None:
    """Where nothing presses: what the segment is for."""
    return Line(segment.why, QUIET) if segment is not None and segment.why else None


def advice_text(
    view: View, banner: Banner | None, ride: RideView | None, width: int, hands: bool = True
) -> tuple[str, Style]:
    """What to do now, and the style of the mark before it."""
    if banner is not None and banner.do:
        return f"{DO}{banner.do}", WARM if banner.loud else CALM
    if view.suggestion is not None and banner is None:
        lines = rider_lines(view, ride, hands)
        # The reason of what is proposed is never cut: without room above it stands here.
        first = lines[0] if lines and lines[0] == suggestion_line(view) else None
        if first is not None and fitted(first, width) != first.text:
            return f"{DO}{view.suggestion.words}", CALM
    speaks = speaking(view)
    if speaks is not None and is_open_again(view, speaks):
        return f"{DO}hold this load steadily, {speaks.instrument} is being checked again", CALM
    if speaks is not None:
        return f"{DO}{speaks.do or speaks.text}", WARM
    return (f"{DO}{view.advice}", CALM) if view.advice else ("", FAINT)


def speaking(view: View) -> AlarmView | None:
    """The finding whose advice stands on the bench: of the worst instrument the one whose cause is known."""
    raised = [alarm for alarm in view.alarms if alarm.state == "raised" and alarm.kind != "not-recorded"]
    if not raised:
        return None
    own = [alarm for alarm in raised if alarm.instrument == raised[0].instrument]
    return next((alarm for alarm in own if alarm.cause not in (None, "unclear")), own[0])


def draw_advice(canvas: Canvas, box: Box, text: str, style: Style) -> None:
    """The rows of advice."""
    end = box.x + box.width - 1
    if not text:
        canvas.put(box.x + 1, box.y, f"{DO}nothing", FAINT)
        return
    lines = wrap(text.removeprefix(DO), end - box.x - 1 - len(DO), box.height)
    canvas.put(box.x + 1, box.y, DO, style)
    for row, line in enumerate(lines):
        canvas.put(box.x + 1 + len(DO), box.y + row, line, BOLD, end=end)
