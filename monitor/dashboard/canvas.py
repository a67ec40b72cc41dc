"""A sheet of character cells to draw on: all text of the screen passes here.

Pure: no terminal, no textual. What is put on a canvas is cut at its edge, wide characters
take two cells, and control characters become U+FFFD, so that no text from outside can
move the cursor, whatever drew it.
"""

from typing import NamedTuple

from rich.cells import get_character_cell_size
from rich.style import Style

from monitor.text import plain

MARKS_A_CELL = 3
"""Combining marks that one cell keeps; a tower of them would reach into other lines."""


class Box(NamedTuple):
    """A rectangle in cells: left, top, width, height."""

    x: int
    y: int
    width: int
    height: int


Run = tuple[str, Style]
"""Neighbouring cells of one style."""


def cells(text: str) -> int:
    """Width of a text on the screen, in cells."""
    text = plain(text)
    return len(text) if text.isascii() else sum(get_character_cell_size(sign) for sign in text)


def fit(text: str, width: int) -> str:
    """`text` without control characters, cut to at most `width` cells; a cut text ends in `…`."""
    text = plain(text)
    if cells(text) <= width:
        return text
    if width <= 0:
        return ""
    kept, used = "", 0
    for sign in text:
        used += get_character_cell_size(sign)
        if used > width - 1:
            break
        kept += sign
    return kept + "…"


def wrap(text: str, width: int, rows: int) -> list[str]:
    """`text` in at most `rows` lines of at most `width` cells, broken at spaces; the last is cut."""
    lines: list[str] = []
    rest = plain(text).split()
    while rest and len(lines) < rows:
        if len(lines) == rows - 1:
            lines.append(fit(" ".join(rest), width))
            break
        line = rest.pop(0)
        while rest and cells(line) + 1 + cells(rest[0]) <= width:
            line += " " + rest.pop(0)
        lines.append(fit(line, width))
    return lines


class Canvas:
    """`width` by `height` cells, blank in `ground` at first."""

    def __init__(self, width: int, height: int, ground: Style) -> None:
        self.width, self.height, self.ground = max(0, width), max(0, height), ground
        self._signs = [[" "] * self.width for _ in range(self.height)]
        self._styles = [[ground] * self.width for _ in range(self.height)]

    @property
    def box(self) -> Box:
        """The whole canvas."""
        return Box(0, 0, self.width, self.height)

    def put(self, x: int, y: int, text: str, style: Style | None = None, end: int | None = None) -> int:
        """Write `text` from cell `x` of row `y`, up to cell `end` (excluded); the cell after it.

        What lies outside the canvas is left out. A text that does not fit before `end` is
        cut with `…`.
        """
        limit = self.width if end is None else min(end, self.width)
        text = fit(text, limit - x) if end is not None else plain(text)
        if not 0 <= y < self.height:
            return x + cells(text)
        signs, styles = self._signs[y], self._styles[y]
        style = style or self.ground
        for sign in text:
            width = 1 if sign.isascii() else get_character_cell_size(sign)
            if width == 0:
                if 0 < x <= limit and len(signs[x - 1]) <= MARKS_A_CELL:
                    signs[x - 1] += sign
                continue
            if x >= 0 and x + width <= limit:
                self._clear_halves(y, x, x + width)
                signs[x], styles[x] = sign, style
                if width == 2:
                    signs[x + 1], styles[x + 1] = "", style
            x += width
        return x

    def _clear_halves(self, y: int, start: int, end: int) -> None:
        """Blank the other half of wide characters that are about to be half overwritten."""
        signs = self._signs[y]
        if signs[start] == "" and start > 0:
            signs[start - 1] = " "
        if end < self.width and signs[end] == "":
            signs[end] = " "

    def right(self, end: int, y: int, text: str, style: Style | None = None, start: int = 0) -> None:
        """Write `text` so that it ends before cell `end`, beginning no further left than `start`."""
        text = fit(text, end - start)
        self.put(end - cells(text), y, text, style)

    def fill(self, box: Box, sign: str, style: Style) -> None:
        """Write one narrow character into every cell of a rectangle."""
        for y in range(box.y, box.y + box.height):
            self.put(box.x, y, sign * box.width, style)

    def blit(self, x: int, y: int, other: "Canvas") -> None:
        """Copy another canvas onto this one, its corner at `x`, `y`; it must fit."""
        for row in range(min(other.height, self.height - y)):
            self._signs[y + row][x : x + other.width] = other._signs[row]
            self._styles[y + row][x : x + other.width] = other._styles[row]

    def cropped(self, height: int) -> "Canvas":
        """This canvas without the rows from `height` on."""
        height = max(0, min(height, self.height))
        del self._signs[height:]
        del self._styles[height:]
        self.height = height
        return self

    def window(self, first: int, height: int) -> "Canvas":
        """So many rows of it, from row `first` on."""
        part = Canvas(self.width, 0, self.ground)
        part._signs = [list(row) for row in self._signs[first : first + height]]
        part._styles = [list(row) for row in self._styles[first : first + height]]
        part.height = len(part._signs)
        return part

    def restyle(self, box: Box, style: Style) -> None:
        """Add `style` to what stands in a rectangle."""
        known: dict[Style, Style] = {}
        for y in range(box.y, min(box.y + box.height, self.height)):
            row = self._styles[y]
            for x in range(box.x, min(box.x + box.width, self.width)):
                if row[x] not in known:
                    known[row[x]] = row[x] + style
                row[x] = known[row[x]]

    def shade(self, box: Box, colour: str) -> None:
        """Lay another ground under a rectangle; cells with a ground of their own keep it."""
        known: dict[Style, Style] = {}
        for y in range(box.y, min(box.y + box.height, self.height)):
            row = self._styles[y]
            for x in range(box.x, min(box.x + box.width, self.width)):
                style = row[x]
                if style not in known:
                    own = style.bgcolor != self.ground.bgcolor
                    known[style] = style if own else style + Style(bgcolor=colour)
                row[x] = known[style]

    def row(self, y: int) -> tuple[Run, ...]:
        """One row as runs of equal style."""
        runs: list[Run] = []
        signs, styles = self._signs[y], self._styles[y]
        start = 0
        for x in range(1, self.width + 1):
            if x == self.width or styles[x] is not styles[start]:
                runs.append(("".join(signs[start:x]), styles[start]))
                start = x
        return tuple(runs)

    def text(self) -> str:
        """The rows without styles, blanks at their ends left out, one line each."""
        return "\n".join("".join(signs).rstrip() for signs in self._signs)
