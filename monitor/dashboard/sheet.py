"""The whole screen as one drawing of a frozen view.

Pure: same view, face and size, same drawing. Where each part stands is decided by `parts.places` alone.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal, NamedTuple

from monitor.dashboard.canvas import Box, Canvas, wrap
from monitor.dashboard.look import ASK, BOLD, GROUND, LOUD, OLD, QUIET, RAISED, waiting
from monitor.dashboard.pages.big import draw_big
from monitor.dashboard.pages.checks import checks_page, draw_verdict
from monitor.dashboard.pages.details import details_page
from monitor.dashboard.pages.help import help_page
from monitor.dashboard.pages.stroke import draw_stroke
from monitor.dashboard.parts.findings import Slots, draw_findings
from monitor.dashboard.parts.header import draw_header, draw_small_header
from monitor.dashboard.parts.hero import draw_hero, draw_small_hero
from monitor.dashboard.parts.keys import draw_keys, draw_small_keys
from monitor.dashboard.parts.lanes import draw_head, draw_lanes
from monitor.dashboard.parts.message import (
    SAFETY,
    Banner,
    advice_text,
    draw_advice,
    draw_message,
    recording_banner,
)
from monitor.dashboard.parts.places import (
    SMALLEST_HEIGHT,
    SMALLEST_WIDTH,
    Places,
    places,
    too_small,
)
from monitor.dashboard.parts.trace import Kind, draw_trace
from monitor.live.view import View

if TYPE_CHECKING:
    from monitor.controls.controls import RideView
    from monitor.controls.preflight import Checks
    from monitor.controls.trainer import TrainerView

Page = Literal["bench", "help", "details", "big", "checks", "stroke"]
LEAST_BIG = 14
"""Rows that three large figures need; with less the hero alone is larger."""
SCROLLS = ("help", "details", "checks")
"""Pages that may be longer than the screen."""


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
    unit: str = ""
    """The unit on test that the hero shows; empty: the worst."""
    trace: Kind = "deviation"
    slots: Slots = ()
    """Which open finding stands in which row."""
    first: int = 0
    """The first row of a long page that is shown."""

    @property
    def trainer(self) -> TrainerView | None:
        """The trainer, if there is one to be shown."""
        return self.ride.trainer if self.ride is not None else None

    @property
    def acts(self) -> bool:
        """Keys of this screen act."""
        return self.hands and not self.read_only


def trace_box(width: int, height: int, view: View, face: Face) -> Box:
    """Where the trace stands; of no height when it has no place."""
    if face.page != "bench" or too_small(width, height):
        return Box(0, 0, 0, 0)
    return places(width, height, len(view.lanes)).trace


def banner_of(view: View, face: Face) -> Banner | None:
    """One banner: the screen's own trouble first, since it makes all else doubtful."""
    recording = recording_banner(view)
    if face.banner is None or (recording is not None and not face.banner.loud):
        return recording
    if recording is not None:
        headline = f"{face.banner.headline}, LAST KNOWN: {recording.headline}"
        return face.banner._replace(headline=headline, detail="")
    return face.banner


def draw_sheet(view: View, width: int, height: int, face: Face, trace: Canvas | None = None) -> Canvas:
    """The screen, `width` by `height` cells.

    `trace` is one that was drawn before for the same `trace_box`; without it the trace is drawn now.
    """
    canvas = Canvas(width, height, GROUND)
    if width < SMALLEST_WIDTH or height < SMALLEST_HEIGHT:
        _draw_too_small(canvas, view, face)
        return canvas
    if too_small(width, height):
        _draw_small(canvas, view, face)
        return canvas
    at = places(width, height, len(view.lanes))
    draw_header(canvas, at.header, view, face.trainer, face.old, face.read_only)
    canvas.shade(at.header, RAISED)
    banner = banner_of(view, face)
    draw_message(canvas, at.message, view, banner, face.ride, face.acts)
    if face.page == "bench":
        _draw_bench(canvas, at, view, face, banner, trace)
    else:
        _draw_page(canvas, Box(0, at.hero.y, width, height - 1 - at.hero.y), view, face)
    if face.old:
        _age(canvas, at.header)
        _age(canvas, Box(0, at.hero.y, width, at.advice.y - at.hero.y))
        below = at.trace.y
        _age(canvas, Box(0, below, width, height - 1 - below))
    _draw_bottom(canvas, view, face)
    return canvas


def _age(canvas: Canvas, box: Box) -> None:
    canvas.restyle(box, OLD)


def _draw_bench(
    canvas: Canvas, at: Places, view: View, face: Face, banner: Banner | None, trace: Canvas | None
) -> None:
    draw_hero(canvas, at.hero, at.scale, view, face.unit)
    draw_head(canvas, at.axis, view)
    draw_lanes(canvas, at.lanes, at.pitch, view, face.unit)
    draw_advice(canvas, at.advice, *advice_text(view, banner, face.ride, canvas.width, face.acts))
    box = at.trace
    if box.height:
        if trace is None or (trace.width, trace.height) != (box.width, box.height):
            trace = draw_trace(view, box.width, box.height, face.trace)
        canvas.blit(box.x, box.y, trace)
    draw_findings(canvas, at.findings, view, face.slots)
    if face.safety:
        _draw_safety(canvas, at)


def _draw_safety(canvas: Canvas, at: Places) -> None:
    """The caution, for as long as it stands, over the trace, which has hardly begun then."""
    box = at.trace if at.trace.height >= 2 else at.findings
    lines = wrap(SAFETY, canvas.width - 2, 2)
    top = box.y + box.height - len(lines)
    canvas.fill(Box(0, top, canvas.width, len(lines)), " ", GROUND)
    for row, line in enumerate(lines):
        canvas.put(1, top + row, line, BOLD)


def _draw_page(canvas: Canvas, box: Box, view: View, face: Face) -> None:
    """A page over the bench; header, message and bottom line stay."""
    if face.page == "big":
        draw_big(canvas, box, view, face.ride, face.unit)
        return
    if face.page == "stroke":
        draw_stroke(canvas, box, view)
        return
    room = box.height - (face.page == "checks")
    long = page_canvas(view, box.width, face)
    shown = room if long.height <= room else room - 1
    first = max(0, min(face.first, long.height - shown))
    canvas.blit(box.x, box.y, long.window(first, shown))
    if shown < room:
        more = long.height - first - shown
        text = f"{more} more rows: PgDn, j" if more > 0 else "the end: PgUp, k"
        canvas.right(canvas.width - 1, box.y + shown, f" {text} ", ASK)
    if face.page == "checks":
        draw_verdict(canvas, Box(0, box.y + room, canvas.width, 1), face.checks, face.acts)


def page_canvas(view: View, width: int, face: Face) -> Canvas:
    """A page that may be longer than the screen, whole."""
    if face.page == "help":
        return help_page(width, face.read_only, face.hands)
    if face.page == "checks":
        return checks_page(face.checks, width)
    return details_page(view, width)


def page_room(width: int, height: int, view: View, page: Page) -> int:
    """Rows that a long page has on a screen of that size."""
    if too_small(width, height):
        return max(1, height - 4)
    return height - 2 - places(width, height, len(view.lanes)).hero.y - (page == "checks")


def _draw_bottom(canvas: Canvas, view: View, face: Face) -> None:
    """What is asked or answered, else the keys."""
    width, y = canvas.width, canvas.height - 1
    if face.question and not (face.said and face.said_loud):
        canvas.fill(Box(0, y, width, 1), " ", ASK)
        canvas.put(1, y, face.question, ASK, end=width)
        return
    if face.said:
        style = LOUD if face.said_loud else ASK
        canvas.fill(Box(0, y, width, 1), " ", style)
        canvas.put(1, y, face.said, style, end=width)
        return
    if too_small(width, canvas.height):
        draw_small_keys(canvas, y, width)
    else:
        armed = face.trainer is not None and face.trainer.phase in ("asking", "held")
        draw_keys(canvas, y, face.read_only, face.hands, bool(waiting(view)), armed)
    canvas.shade(Box(0, y, width, 1), RAISED)


def _draw_small(canvas: Canvas, view: View, face: Face) -> None:
    """A window below 80 by 24: header, message and hero alone, or a page."""
    width, height = canvas.width, canvas.height
    draw_small_header(canvas, 0, view, face.trainer, face.old, face.read_only)
    canvas.shade(Box(0, 0, width, 1), RAISED)
    banner = banner_of(view, face)
    draw_message(canvas, Box(0, 1, width, 1), view, banner, face.ride, face.acts)
    box = Box(0, 2, width, height - 3)
    if face.page == "bench" or (face.page == "big" and box.height < LEAST_BIG):
        text, style = advice_text(view, banner, face.ride, width, face.acts)
        draw_small_hero(canvas, box, view, face.unit, SAFETY if face.safety else text, style)
    else:
        _draw_page(canvas, box, view, face)
    if face.old:
        _age(canvas, Box(0, 0, width, 1))
        _age(canvas, box)
    _draw_bottom(canvas, view, face)


def _draw_too_small(canvas: Canvas, view: View, face: Face) -> None:
    banner = banner_of(view, face)
    lines = [(banner.headline, LOUD)] if banner is not None and banner.loud else []
    lines += [
        (
            f"This window is {canvas.width}x{canvas.height}: "
            f"the screen needs {SMALLEST_WIDTH}x{SMALLEST_HEIGHT}, all of it 80x24.",
            BOLD,
        ),
        ("Enlarge it or choose a smaller font. Recording is not touched by this.", QUIET),
    ]
    y = 0
    for text, style in lines:
        for line in wrap(text, canvas.width, canvas.height):
            canvas.put(0, y, line, style)
            y += 1
