"""The whole screen as one drawing of a frozen view: `draw_sheet` shares out the rows.

Pure: same view, face and size, same drawing.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal, NamedTuple

from monitor.dashboard.canvas import Box, Canvas, wrap
from monitor.dashboard.lanes import HEIGHTS, WIDE, draw_lanes
from monitor.dashboard.look import ASK, BOLD, GROUND, LOUD, OLD, QUIET, RAISED, not_recording, waiting
from monitor.dashboard.pages.stroke import draw_stroke
from monitor.dashboard.panels import (
    SAFETY,
    Banner,
    draw_advice,
    draw_banner,
    draw_details,
    draw_help,
    draw_keys,
    draw_log,
    draw_top,
    recording_banner,
)
from monitor.dashboard.saddle import Line, draw_big, draw_checks, draw_ride, ride_lines
from monitor.dashboard.trace import draw_trace
from monitor.live.view import View

if TYPE_CHECKING:
    from monitor.controls.controls import RideView
    from monitor.controls.preflight import Checks

LEAST_WIDTH, LEAST_HEIGHT = 80, 24

RIDE_ROWS = 2
"""At most so many lines of what the rider has to know now."""

Page = Literal["bench", "help", "details", "big", "checks", "stroke"]


class Face(NamedTuple):
    """What the screen itself adds to the view: its page, its questions, its own troubles."""

    page: Page = "bench"
    said: str = ""
    """An answer to the last key, in place of the bottom line."""
    said_loud: bool = False
    question: str = ""
    """What the bottom line asks; shown instead of the keys, but after what is said loudly."""
    safety: bool = False
    read_only: bool = False
    old: bool = False
    """The view no longer follows the bench."""
    banner: Banner | None = None
    hands: bool = False
    """Keys act on trainer, zero offset and protocol."""
    ride: RideView | None = None
    checks: Checks | None = None


class Layout(NamedTuple):
    """Rows of each part, from top to bottom; the last row of the screen is the bottom line."""

    banner: int
    top: int
    air: int
    lanes: int
    advice: int
    below: int
    safety: int
    ride: int = 0


def layout(width: int, height: int, lanes: int, banner: Banner | None, safety: bool, ride: int = 0) -> Layout:
    """Share out the rows: lanes as tall as they can be while the log below keeps a few rows.

    `lanes` is their number; the head of the lanes is counted with them. `ride` are the lines for the
    rider.
    """
    banner_rows = 0 if banner is None else 3 if banner.loud else 1
    safety_rows = len(wrap(SAFETY, width - 2, 2)) if safety and banner_rows < 3 else 0
    least_below = 3 if banner_rows == 3 else 5
    free = height - 1 - banner_rows - safety_rows - ride
    for rows in HEIGHTS:
        if rows >= 5 and width < WIDE:
            continue
        # For a rider the large figures of target and time come before tall lanes.
        for top in (3,) if ride and rows >= 2 else (3, 2) if rows >= 3 else (2,):
            if rows * lanes + 1 + top + 1 + least_below <= free:
                break
        else:
            continue
        break
    else:
        # Too many lanes even for one row each: they share what there is.
        rows, top = 1, 2
        least_below = 3
    lane_height = 1 + min(rows * lanes, free - top - 2 - least_below)
    rest = free - top - lane_height
    air = 1 if rest >= 12 else 0
    advice = 2 if rest - air >= 6 else 1
    return Layout(banner_rows, top, air, lane_height, advice, rest - air - advice, safety_rows, ride)


def too_small(width: int, height: int) -> bool:
    """There is no room to draw the bench."""
    return width < LEAST_WIDTH or height < LEAST_HEIGHT


def _draw_too_small(canvas: Canvas, view: View) -> None:
    """A window that is too small says so, and whether the recording is well."""
    lines = [
        (
            "NOT BEING RECORDED" if not_recording(view) else view.recording,
            LOUD if not_recording(view) else BOLD,
        ),
        (
            f"This window is {canvas.width}x{canvas.height}: the bench needs {LEAST_WIDTH}x{LEAST_HEIGHT}.",
            BOLD,
        ),
        ("Enlarge it or choose a smaller font. Recording is not touched by this.", QUIET),
    ]
    y = 0
    for text, style in lines:
        for line in wrap(text, canvas.width, canvas.height):
            canvas.put(0, y, line, style)
            y += 1


def trace_box(width: int, height: int, view: View, face: Face) -> Box:
    """Where the trace stands; of no height when it has no place."""
    if face.page != "bench" or too_small(width, height):
        return Box(0, 0, 0, 0)
    ride = len(_ride(view, face))
    parts = layout(width, height, len(view.lanes), _banner(view, face), face.safety, ride)
    left = log_width(width)
    y = height - 1 - parts.safety - parts.below
    # An empty row between the advice and what is below it, when there are rows to spare.
    spare = parts.below >= 8
    return Box(left + 2, y + spare, width - left - 3, max(0, parts.below - spare))


def _ride(view: View, face: Face) -> list[Line]:
    return ride_lines(view, face.ride)[:RIDE_ROWS]


def log_width(width: int) -> int:
    """Columns of the log; the trace gets the others."""
    return min(64, width * 9 // 20)


def _banner(view: View, face: Face) -> Banner | None:
    """One banner: the screen's own trouble first, since it makes all else doubtful."""
    recording = recording_banner(view)
    if face.banner is None or (recording is not None and not face.banner.loud):
        return recording
    if recording is not None:
        return face.banner._replace(headline=f"{face.banner.headline}, LAST KNOWN: {recording.headline}")
    return face.banner


def draw_sheet(view: View, width: int, height: int, face: Face, trace: Canvas | None = None) -> Canvas:
    """The screen, `width` by `height` cells.

    `trace` is one that was drawn before for the same `trace_box`; without it the trace is drawn now.
    """
    canvas = Canvas(width, height, GROUND)
    if too_small(width, height):
        _draw_too_small(canvas, view)
        return canvas
    banner = _banner(view, face)
    ride = _ride(view, face)
    parts = layout(width, height, len(view.lanes), banner, face.safety, len(ride))
    if face.page == "big":
        # Its own figures are larger than those at the top.
        parts = parts._replace(top=2)
    y = 0
    if banner is not None:
        draw_banner(canvas, Box(0, 0, width, parts.banner), banner)
        y += parts.banner
    content = y
    draw_top(canvas, Box(0, y, width, parts.top), view, face.old)
    canvas.shade(Box(0, content, width, parts.top), RAISED)
    y += parts.top
    if face.page == "bench":
        draw_ride(canvas, Box(0, y, width, parts.ride), ride)
        y += parts.ride + parts.air
        draw_lanes(canvas, Box(0, y, width, parts.lanes), view)
        y += parts.lanes
        draw_advice(canvas, Box(0, y, width, parts.advice), view)
        at = trace_box(width, height, view, face)
        draw_log(canvas, Box(0, at.y, log_width(width), at.height), view)
        if trace is None or (trace.width, trace.height) != (at.width, at.height):
            trace = draw_trace(view, at.width, at.height)
        canvas.blit(at.x, at.y, trace)
        for row, line in enumerate(wrap(SAFETY, width - 2, parts.safety)):
            canvas.put(1, height - 1 - parts.safety + row, line, QUIET)
    else:
        room = int(face.page != "big")
        box = Box(0, y + room, width, height - 1 - room - y)
        if face.page != "big":
            # What asks for a hand must be seen from every page.
            draw_ride(canvas, Box(0, y, width, 1), [line for line in ride if line.style in (ASK, LOUD)])
        if face.page == "help":
            draw_help(canvas, box, face.read_only, face.hands)
        elif face.page == "big":
            draw_big(canvas, box, view, face.ride)
        elif face.page == "stroke":
            draw_stroke(canvas, box, view)
        elif face.page == "checks":
            draw_checks(canvas, box, face.checks, face.hands and not face.read_only)
        else:
            draw_details(canvas, box, view)
    if face.old:
        canvas.restyle(Box(0, content, width, height - 1 - content), OLD)
    if face.question and not (face.said and face.said_loud):
        canvas.fill(Box(0, height - 1, width, 1), " ", ASK)
        canvas.put(1, height - 1, face.question, ASK, end=width)
    elif face.said:
        style = LOUD if face.said_loud else ASK
        canvas.fill(Box(0, height - 1, width, 1), " ", style)
        canvas.put(1, height - 1, face.said, style, end=width)
    else:
        trainer = face.ride.trainer if face.ride is not None else None
        armed = trainer is not None and trainer.phase in ("asking", "held")
        draw_keys(canvas, height - 1, face.read_only, face.hands, bool(waiting(view)), armed)
        canvas.shade(Box(0, height - 1, width, 1), RAISED)
    return canvas
