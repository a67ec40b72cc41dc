"""The page of checks before a ride: what is wrong first and in full, what is well in one line each."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.style import Style

from monitor.dashboard.canvas import Box, Canvas, cells, wrap
from monitor.dashboard.look import ASK, BOLD, CALM, FAINT, GROUND, LOUD, QUIET, WARM

if TYPE_CHECKING:
    from monitor.controls.preflight import Checks, Item

_MARKS = {"ok": "✓", "wait": "…", "untold": "·", "warn": "!", "red": "✗"}


def checks_page(checks: Checks | None, width: int) -> Canvas:
    """The whole page, as long as it is; what stops the ride comes first, then warnings."""
    if checks is None:
        canvas = Canvas(width, 1, GROUND)
        canvas.put(1, 0, "no checks: what was recorded is ridden already", QUIET)
        return canvas
    rows: list[tuple[str, str, Style]] = []
    for group in checks.groups:
        well = [item for item in group.items if _is_well(item)]
        name = group.label or "bench"
        if well:
            rows.append((f"{name} ✓", "; ".join(item.text for item in well), CALM))
        for item in group.items:
            if not _is_well(item):
                rows.append((f"{name} {_MARKS[item.state]}", _item_words(item), _style(item)))
    rows.sort(key=lambda row: (row[2] is not LOUD, row[2] is not WARM))
    head_width = max((cells(head) for head, _, _ in rows), default=0)
    room = max(8, width - head_width - 3)
    folded = [(head, wrap(text, room, 1000) or [""], style) for head, text, style in rows]
    canvas = Canvas(width, max(1, sum(len(lines) for _, lines, _ in folded)), GROUND)
    y = 0
    for head, lines, style in folded:
        canvas.put(1, y, head, style if style is LOUD else BOLD)
        for line in lines:
            canvas.put(2 + head_width, y, line, BOLD if style in (LOUD, WARM) else QUIET, end=width - 1)
            y += 1
    return canvas


def draw_verdict(canvas: Canvas, box: Box, checks: Checks | None, hands: bool) -> None:
    """What the checks come to, and the key that follows from it: it stands below them always."""
    if checks is None:
        return
    stops = len(checks.stops)
    if checks.ready:
        text, style = "The checks are passed.", CALM
    elif stops:
        how = "Enter: override and go   " if hands else ""
        text, style = f"{stops} to mend{' or to override' if hands else ''}.   {how}Esc: later", LOUD
    else:
        waits = len(checks.missing)
        wait = f", {waits} still waited for" if waits else ""
        text, style = f"Nothing stops the ride{wait}.   {'Enter: go   ' if hands else ''}Esc: later", ASK
    canvas.fill(box, " ", style)
    canvas.put(box.x + 1, box.y, text, style, end=box.x + box.width)


def _is_well(item: Item) -> bool:
    return item.state in ("ok", "untold")


def _item_words(item: Item) -> str:
    words = f"{item.text}: {item.remedy}" if item.remedy else item.text
    return f"OVERRIDDEN: {words}" if item.overridden else words


def _style(item: Item) -> Style:
    if item.stops:
        return LOUD
    return WARM if item.state in ("warn", "red") else FAINT
