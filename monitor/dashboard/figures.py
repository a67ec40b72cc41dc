"""Large figures from block characters: strokes as heavy as a terminal can draw, to be read from a bicycle.

The line-drawn digits of common widgets are one hair wide; at 1.5 m full blocks carry further. A figure is
five dots high, and a dot `scale` cells wide and half as many high, which is about square.
"""

from functools import lru_cache

from rich.style import Style

from monitor.dashboard.canvas import Canvas

_ROWS = {
    "0": "### #.# #.# #.# ###",
    "1": ".#. ##. .#. .#. ###",
    "2": "### ..# ### #.. ###",
    "3": "### ..# ### ..# ###",
    "4": "#.# #.# ### ..# ..#",
    "5": "### #.. ### ..# ###",
    "6": "### #.. ### #.# ###",
    "7": "### ..# ..# ..# ..#",
    "8": "### #.# ### #.# ###",
    "9": "### #.# ### ..# ###",
    "-": "... ... ### ... ...",
    "+": "... .#. ### .#. ...",
    ":": ". # . # .",
    ".": ". . . . #",
    " ": "... ... ... ... ...",
    "A": "### #.# ### #.# #.#",
    "D": "##. #.# #.# #.# ##.",
    "E": "### #.. ### #.. ###",
    "F": "### #.. ### #.. #..",
    "G": "### #.. #.# #.# ###",
    "H": "#.# #.# ### #.# #.#",
    "I": "# # # # #",
    "K": "#.# #.# ##. #.# #.#",
    "L": "#.. #.. #.. #.. ###",
    "N": "#..# ##.# #.## #..# #..#",
    "O": "### #.# #.# #.# ###",
    "P": "### #.# ### #.. #..",
    "R": "##. #.# ##. #.# #.#",
    "S": "### #.. ### ..# ###",
    "T": "### .#. .#. .#. .#.",
    "U": "#.# #.# #.# #.# ###",
    "W": "#...# #...# #.#.# ##.## #...#",
    "Y": "#.# #.# ### .#. .#.",
}
_DOTS_HIGH = 5
_HALVES = {(False, False): " ", (True, False): "▀", (False, True): "▄", (True, True): "█"}

SCALES = (1, 2, 3)
"""The sizes that figures come in on the bench: 3, 5 and 8 rows."""


def figure_rows(scale: int) -> int:
    """Rows that figures of a size take; of an odd one the last row is half empty."""
    return (_DOTS_HIGH * scale + 1) // 2


def has_figures(text: str) -> bool:
    """Whether all of `text` can be drawn: digits, `-+:.`, and the letters of the words that stand large."""
    return all(sign in _ROWS for sign in text)


@lru_cache(maxsize=256)
def figure_width(text: str, scale: int) -> int:
    """Cells that `text` takes at a size."""
    dots = sum(len(_ROWS[sign].partition(" ")[0]) + 1 for sign in text) - 1
    return max(0, dots * scale)


@lru_cache(maxsize=256)
def _glyph(sign: str, scale: int) -> tuple[str, ...]:
    """The rows of one sign."""
    lines = [[dot == "#" for dot in line for _ in range(scale)] for line in _ROWS[sign].split()]
    halves = [line for line in lines for _ in range(scale)]
    if len(halves) % 2:
        halves.append([False] * len(halves[0]))
    return tuple(
        "".join(_HALVES[pair] for pair in zip(halves[row], halves[row + 1], strict=True))
        for row in range(0, len(halves), 2)
    )


def draw_figures(canvas: Canvas, x: int, y: int, text: str, scale: int, style: Style) -> int:
    """Draw what `has_figures` with the top left corner at `x`, `y`; the cell after it.

    Raises KeyError for a character that has no figure.
    """
    for sign in text:
        rows = _glyph(sign, scale)
        for row, line in enumerate(rows):
            canvas.put(x, y + row, line, style)
        x += len(rows[0]) + scale
    return x


def largest(texts: tuple[str, ...], width: int, rows: int, scales: tuple[int, ...] = SCALES) -> int:
    """The largest size at which each of the texts has room, at least 1."""
    fitting = [
        scale
        for scale in scales
        if figure_rows(scale) <= rows and all(figure_width(text, scale) <= width for text in texts)
    ]
    return max(fitting, default=1)
