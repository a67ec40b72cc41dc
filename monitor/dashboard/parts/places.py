"""Where each part of the bench stands: a function of the screen's size and of how many instruments there are.

Nothing else moves a part, so that a message never does. From 80 by 24 on all parts are there; a larger
screen enlarges them. On a smaller one the hero stands alone, down to 40 by 10.
"""

from typing import NamedTuple

from monitor.dashboard.canvas import Box
from monitor.dashboard.figures import figure_rows

LEAST_WIDTH, LEAST_HEIGHT = 80, 24
"""With less the hero stands alone."""
SMALLEST_WIDTH, SMALLEST_HEIGHT = 40, 10
"""With less nothing can be drawn but that."""
DOUBLE, TRIPLE = (112, 36), (150, 44)
"""Columns and rows from which the figures of the hero are twice and three times as large."""
ADVICE_ROWS = 2
_LEAST_FINDINGS, _MOST_FINDINGS, _LEAST_TRACE, _GOOD_TRACE = 2, 10, 4, 14


class Places(NamedTuple):
    """The boxes of all parts, from top to bottom; together they fill the screen."""

    scale: int
    """Of the hero's figures: 1, 2 or 3."""
    header: Box
    message: Box
    hero: Box
    axis: Box
    lanes: Box
    pitch: int
    """Rows from one lane to the next: 1, or 2 where there is room for a lane's sides below it."""
    advice: Box
    trace: Box
    findings: Box
    keys: Box


def too_small(width: int, height: int) -> bool:
    """There is no room for more than the hero."""
    return width < LEAST_WIDTH or height < LEAST_HEIGHT


def hero_scale(width: int, height: int) -> int:
    """How large the hero's figures are: one, two or three times."""
    for scale, (columns, rows) in ((3, TRIPLE), (2, DOUBLE)):
        if width >= columns and height >= rows:
            return scale
    return 1


def places(width: int, height: int, instruments: int) -> Places:
    """Share out the rows of a screen of at least 80 by 24."""
    scale = hero_scale(width, height)
    header, hero = 2 if scale == 1 else 3, figure_rows(scale) + 1
    free = height - header - 1 - hero - 1 - ADVICE_ROWS - 1
    pitch = 2 if 2 * instruments + _GOOD_TRACE + _LEAST_FINDINGS + 1 <= free else 1
    lanes = min(pitch * max(1, instruments), free - _LEAST_FINDINGS)
    rest = free - lanes
    findings = min(_MOST_FINDINGS, max(_LEAST_FINDINGS, rest // 3))
    trace = rest - findings
    if trace < _LEAST_TRACE:
        # So many instruments: their lanes come before the past.
        findings, trace = rest, 0
    y = 0

    def below(rows: int) -> Box:
        nonlocal y
        y += rows
        return Box(0, y - rows, width, rows)

    return Places(
        scale, below(header), below(1), below(hero), below(1), below(lanes), pitch, below(ADVICE_ROWS),
        below(trace), below(findings), below(1),
    )  # fmt: skip
