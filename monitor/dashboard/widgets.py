"""The two widgets of the screen: the sheet that shows a canvas, and the line in which texts are typed."""

from collections.abc import Iterable
from typing import ClassVar, Protocol, runtime_checkable

from rich.cells import cached_cell_len
from rich.segment import Segment as Cells
from textual import events
from textual.binding import Binding, BindingType
from textual.geometry import Region, Size
from textual.strip import Strip
from textual.widget import Widget
from textual.widgets import Input

from monitor.dashboard.canvas import Canvas, Run
from monitor.dashboard.grounds import Ground, painter
from monitor.dashboard.look import GROUND

TEXT_CHARACTERS = 200
MOST_WIDTHS = 512
"""Texts whose width rich remembers; most of ours hold a clock and never come again."""


@runtime_checkable
class TakesKeys(Protocol):
    """An app that looks at every key before its bindings do."""

    def takes(self, key: str) -> bool:
        """Whether the key has done its work."""
        ...


class Sheet(Widget, can_focus=True):
    """Shows a canvas; only rows that changed are sent to the terminal."""

    DEFAULT_CSS = "Sheet { width: 100%; height: 1fr; }"

    def __init__(self, ground: Ground = "dark") -> None:
        super().__init__()
        self._rows: list[tuple[Run, ...]] = []
        self._paint = painter(ground)

    def show(self, canvas: Canvas) -> None:
        """Replace what is shown."""
        if cached_cell_len.cache_info().currsize > MOST_WIDTHS:
            cached_cell_len.cache_clear()
        before, self._rows = self._rows, [canvas.row(y) for y in range(canvas.height)]
        changed = [y for y, row in enumerate(self._rows) if y >= len(before) or before[y] != row]
        if changed:
            self.refresh(*(Region(0, y, canvas.width, 1) for y in changed))

    def render_line(self, y: int) -> Strip:
        """One row as textual wants it."""
        if y >= len(self._rows):
            return Strip.blank(self.size.width, self._paint(GROUND))
        paint = self._paint
        return Strip([Cells(text, paint(style)) for text, style in self._rows[y]])

    def get_content_height(self, container: Size, viewport: Size, width: int) -> int:
        """As high as the room that there is."""
        return container.height

    async def on_key(self, event: events.Key) -> None:
        """Keys answer the question first, if there is one."""
        app = self.app
        if isinstance(app, TakesKeys) and app.takes(event.key):
            event.stop()
            event.prevent_default()


class Typing(Input):
    """The text of a note or a gear; up and down bring earlier texts back."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("up", "earlier(1)", show=False),
        Binding("down", "earlier(-1)", show=False),
    ]

    def __init__(self) -> None:
        super().__init__(compact=True, select_on_focus=False, max_length=TEXT_CHARACTERS)
        self.cursor_blink = False
        self.before: list[str] = []
        self._at = 0

    def begin(self, before: Iterable[str]) -> None:
        """Empty, with these texts to bring back, the latest first."""
        self.value, self.before, self._at = "", list(before), 0

    def action_earlier(self, step: int) -> None:
        """Bring an earlier text back, or go forward to the empty line."""
        self._at = max(0, min(len(self.before), self._at + step))
        self.value = self.before[self._at - 1] if self._at else ""
        self.cursor_position = len(self.value)
