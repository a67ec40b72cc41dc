"""Large figures from block characters: strokes as heavy as a terminal can draw, to be read from a bicycle.

The line-drawn digits of common widgets are one hair wide; at 1.5 m full blocks carry further.
"""

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
    "E": "### #.. ### #.. ###",
    "F": "### #.. ### #.. #..",
    "I": "# # # # #",
    "N": "#..# ##.# #.## #..# #..#",
    "P": "### #.# ### #.. #..",
    "R": "##. #.# ##. #.# #.#",
    "S": "### #.. ### ..# ###",
    "T": "### .#. .#. .#. .#.",
    "U": "#.# #.# #.# #.# ###",
}
_HALVES = {"..": " ", "#.": "▀", ".#": "▄", "##": "█"}

ROWS = (3, 5)
"""The heights, in rows, that figures come in."""


def has_figures(text: str) -> bool:
    """Whether all of `text` can be drawn: digits, `-+:.`, and the letters of FREE, SPRINT and PAUSE."""
    return all(sign in _ROWS for sign in text)


def figure_width(text: str, rows: int) -> int:
    """Cells that `text` takes when drawn `rows` high."""
    columns = sum(len(_ROWS[sign].split()[0]) + 1 for sign in text) - 1
    return max(0, columns * (2 if rows == 5 else 1))


def draw_figures(canvas: Canvas, x: int, y: int, text: str, rows: int, style: Style) -> int:
    """Draw what `has_figures` with the top left corner at `x`, `y`; the cell after it.

    Three rows high a dot is half a cell, five rows high it is two cells. Raises KeyError for
    a character that has no figure.
    """
    for sign in text:
        lines = _ROWS[sign].split()
        if rows == 5:
            for row, line in enumerate(lines):
                canvas.put(x, y + row, "".join("██" if dot == "#" else "  " for dot in line), style)
            x += 2 * len(lines[0]) + 2
        else:
            lines.append("." * len(lines[0]))
            for row in range(3):
                pairs = zip(lines[2 * row], lines[2 * row + 1], strict=True)
                canvas.put(x, y + row, "".join(_HALVES[top + bottom] for top, bottom in pairs), style)
            x += len(lines[0]) + 1
    return x
