"""Tables and sentences that fit a terminal: columns that matter least go first, then it goes on below."""

import textwrap
from collections.abc import Sequence

from monitor.text import plain

WIDEST = 34
SHORT, NARROWEST = 14, 8
"""Texts in a table are cut to WIDEST characters, to SHORT where that makes it fit, and to no fewer than
NARROWEST."""
GAP = 2

Row = tuple[str, ...]


def aligned(rows: Sequence[Row], numbers: int) -> list[str]:
    """Rows as lines with columns two apart; the first row is the heading, the last `numbers` columns of
    which stand to the right."""
    return _lines([tuple(plain(cell, WIDEST) for cell in row) for row in rows], numbers)


def fitted(rows: Sequence[Row], numbers: int, width: int | None, drop: Sequence[str] = ()) -> list[str]:
    """The same within `width` columns; None: as wide as it is.

    Columns whose headings are in `drop` go first, in that order, then texts are cut. What is still too
    wide goes on in a further table with the texts repeated.
    """
    table = [tuple(plain(cell, WIDEST) for cell in row) for row in rows]
    if width is None:
        return _lines(table, numbers)
    for heading in drop:
        if _width(table) <= width:
            break
        if heading in table[0]:
            k = table[0].index(heading)
            numbers -= k >= len(table[0]) - numbers
            table = [row[:k] + row[k + 1 :] for row in table]
    texts = len(table[0]) - numbers
    short = _cut(table, texts, width - _width([row[texts:] for row in table]) - GAP, SHORT)
    if _width(short) <= width:
        return _lines(short, numbers)
    widest = max(_widths(table)[texts:], default=0)
    table = _cut(table, texts, width - widest - GAP, NARROWEST)
    first = [row[:texts] for row in table]
    room = width - _width(first) if texts else width
    lines: list[str] = []
    k = texts
    while k < len(table[0]) or not lines:
        many = 1
        while k + many < len(table[0]) and _width([row[k : k + many + 1] for row in table]) + GAP <= room:
            many += 1
        part = [row[:texts] + row[k : k + many] for row in table]
        lines += _lines(part, min(many, numbers))
        k += many
    return [line[:width].rstrip() for line in lines]


def _cut(table: list[Row], texts: int, room: int, least: int) -> list[Row]:
    """The table with its longest texts cut, to no fewer than `least`, until all texts fit into `room`."""
    widths = _widths(table)[:texts]
    while texts and sum(widths) + GAP * (texts - 1) > room:
        k = max(range(texts), key=lambda at: widths[at])
        if widths[k] <= least:
            break
        widths[k] -= 1
    return [(*(plain(cell, widths[k]) for k, cell in enumerate(row[:texts])), *row[texts:]) for row in table]


def _widths(table: Sequence[Row]) -> list[int]:
    return [max(len(row[k]) for row in table) for k in range(len(table[0]))] if table else []


def _width(table: Sequence[Row]) -> int:
    widths = _widths(table)
    return sum(widths) + GAP * max(0, len(widths) - 1)


def _lines(table: Sequence[Row], numbers: int) -> list[str]:
    widths = _widths(table)
    first = len(widths) - numbers
    return [
        (" " * GAP)
        .join(
            cell.ljust(width) if k < first else cell.rjust(width)
            for k, (cell, width) in enumerate(zip(row, widths, strict=True))
        )
        .rstrip()
        for row in table
    ]


def wrapped(text: str, width: int | None, indent: str = "  ") -> list[str]:
    """A sentence as lines of at most `width` characters; further lines are indented."""
    if width is None or len(text) <= width:
        return [text]
    lead = text[: len(text) - len(text.lstrip())]
    return textwrap.wrap(
        text, width, initial_indent="", subsequent_indent=lead + indent, break_on_hyphens=False,
        drop_whitespace=True,
    ) or [""]  # fmt: skip
