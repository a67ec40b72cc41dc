"""What is drawn for the rider: what he has to know now, the page of big figures, the checks. Pure."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from rich.style import Style

from monitor.dashboard.canvas import Box, Canvas, cells, wrap
from monitor.dashboard.figures import draw_figures, figure_width, has_figures
from monitor.dashboard.look import ASK, BOLD, CALM, FAINT, LOUD, QUIET, WARM, say, signed, whole
from monitor.live.view import Block, Lane, Segment, View
from monitor.text import clock

if TYPE_CHECKING:
    from monitor.controls.controls import RideView
    from monitor.controls.preflight import Checks, Item
    from monitor.controls.trainer import TrainerView

MEASURED = 3.0
"""An uncertainty of so many limits says nothing yet."""
SOON_S = 10.0
"""The next segment is announced loudly so long before it begins."""
_MARKS = {"ok": "✓", "wait": "…", "untold": "·", "warn": "!", "red": "✗"}


class Line(NamedTuple):
    """One line of the ride: its words and how loud they are."""

    text: str
    style: Style
    short: str = ""
    """What to say where there is no room for `text`; empty: its beginning."""


def load_words(block: Block) -> str:
    """What a block asks for: `200 W at 60 rpm`, `free`, `sprint`."""
    if block.target_w is None:
        words = "a road" if block.load == "free" else block.load
    else:
        words = f"{block.target_w:.0f} W" + (" rising" if block.load == "ramp" else "")
    return words + (f" at {block.cadence_rpm:.0f} rpm" if block.cadence_rpm is not None else "")


def next_words(segment: Segment) -> str | None:
    """What comes next and in how many seconds, once it is near; None: nothing, or not soon."""
    if segment.next is None or segment.left_s is None or segment.paused or segment.left_s > SOON_S:
        return None
    return f"NEXT in {segment.left_s:.0f} s: {segment.next.name}, {load_words(segment.next)}"


def trainer_line(trainer: TrainerView) -> Line | None:
    """The trainer in words; None: it is not armed and nothing troubles it."""
    if trainer.phase == "off":
        if not trainer.troubled:
            return None
        return Line(f"TRAINER {trainer.label} {trainer.words}", QUIET)
    text = f"TRAINER {trainer.label} {trainer.words}"
    if trainer.phase == "held":
        text += f"   never above {trainer.max_w:.0f} W   any other key: safe target"
    return Line(text, LOUD if trainer.loud else BOLD)


def ride_lines(view: View, ride: RideView | None) -> list[Line]:
    """What the rider has to know now, the most pressing first; empty: nothing."""
    lines = []
    if ride is not None and ride.asking:
        keys = "   Esc: not now" if ride.stage == "prompt" else ""
        lines.append(Line(ride.asking + keys, ASK))
    trainer = trainer_line(ride.trainer) if ride is not None and ride.trainer is not None else None
    segment = view.segment
    if trainer is not None and trainer.style is LOUD:
        lines.append(trainer)
    if segment is not None:
        if segment.paused:
            left = "" if segment.left_s is None else f", {clock(segment.left_s)} left"
            lines.append(Line(f"PAUSED: {segment.name}{left}   p: go on", ASK))
        elif (soon := next_words(segment)) is not None:
            lines.append(Line(soon, ASK))
    if trainer is not None and trainer.style is not LOUD:
        lines.append(trainer)
    if ride is not None and view.suggestion is not None:
        block = view.suggestion.block
        comes = segment is not None and segment.next is not None and segment.next.name.startswith(block.name)
        if not comes:
            does = f"y inserts {load_words(block)}, {clock(block.seconds)}"
            words = view.suggestion.words
            lines.append(Line(f"{does}: {words}", QUIET, f"{does}: {words.partition(':')[0]}"))
    return lines


def draw_ride(canvas: Canvas, box: Box, lines: list[Line]) -> None:
    """As many of the lines as there are rows."""
    for row, line in enumerate(lines[: box.height]):
        y = box.y + row
        if line.style in (ASK, LOUD):
            canvas.fill(Box(box.x, y, box.width, 1), " ", line.style)
        text = line.text if not line.short or cells(line.text) <= box.width - 2 else line.short
        canvas.put(box.x + 1, y, text, line.style, end=box.x + box.width - 1)


# -- big figures


def draw_big(canvas: Canvas, box: Box, view: View, ride: RideView | None) -> None:
    """Target, time left, what is ridden and what comes next, as large as a terminal can.

    It is read from 1.5 m with a heart at 170.
    """
    x, end = box.x + 2, box.x + box.width - 2
    segment = view.segment
    title = "no segment" if segment is None else segment.name
    if segment is not None and segment.count:
        title += f"   {segment.number} of {segment.count}"
    soon = None if segment is None else next_words(segment)
    if segment is not None and segment.paused:
        canvas.fill(Box(box.x, box.y, box.width, 1), " ", ASK)
        canvas.put(x, box.y, f"PAUSED: {title}", ASK, end=end)
    elif soon is not None:
        canvas.fill(Box(box.x, box.y, box.width, 1), " ", ASK)
        canvas.put(x, box.y, soon, ASK, end=end)
    else:
        canvas.put(x, box.y, title, BOLD, end=end)
    half = box.x + box.width // 2
    target, left = (
        _target(segment),
        "" if segment is None or segment.left_s is None else clock(segment.left_s),
    )
    # Below the figures: two lines for the ride and two of advice.
    air = box.height >= 22
    y = box.y + 1 + air
    _figure(canvas, x, y, target, "W target" if target.isdigit() else "", half)
    _figure(canvas, half + 2, y, left, "left", end)
    said = judged_words(view)
    if said is not None:
        canvas.put(x, y + 5, said.text, said.style, end=end)
    lane = _ridden(view)
    watts = "" if lane is None else whole(lane.power_w)
    rpm = "" if lane is None or lane.cadence_rpm is None else whole(lane.cadence_rpm)
    wanted = "" if segment is None or segment.cadence_rpm is None else f" of {segment.cadence_rpm:.0f}"
    y += 6
    _figure(canvas, x, y, watts, f"W {lane.label}" if lane is not None else "", half)
    _figure(canvas, half + 2, y, rpm, f"rpm{wanted}", end)
    y += 6
    bottom = box.y + box.height
    if segment is not None and segment.next is not None and y + 3 <= bottom:
        rows = 5 if bottom - y >= 10 else 3
        _draw_next(canvas, Box(x, y, end - x, rows), half + 2, segment.next)
        y += rows + air
    lines = [line for line in ride_lines(view, ride) if not line.text.startswith(("NEXT", "PAUSED"))]
    draw_ride(canvas, Box(box.x, y, box.width, max(0, min(2, bottom - y))), lines)
    y += min(2, len(lines))
    for row, text in enumerate(wrap(view.advice, box.width - 4, max(0, bottom - y))):
        canvas.put(x, y + row, text, BOLD, end=end)


def judged_words(view: View) -> Line | None:
    """What the worst unit on test reads: word, deviation with its uncertainty, and the side that deviates.

    An uncertainty of three limits and more is no measurement yet. None: no unit on test has power.
    """
    lanes = [lane for lane in view.lanes if lane.role == "on-test" and lane.mount != "cadence"]
    if not lanes:
        return None
    order = {"differs": 0, "undecided": 1, "agrees": 2}
    lane = min(lanes, key=lambda lane: (order.get(lane.verdict, 3), -abs(lane.deviation_percent or 0.0)))
    said = say(lane, view.t_s)
    words = [said.mark, lane.label, said.word]
    if lane.heard == "heard" and lane.verdict in order:
        u95, limit = lane.u95_percent, lane.limit_percent
        if u95 is None or limit is None or not u95 < MEASURED * limit:
            words[2:] = ["measuring"]
        else:
            words.append(f"{said.figure} ±{u95:.1f}, limit {limit:.1f}")
        sides = {"left": lane.left_deviation_percent, "right": lane.right_deviation_percent}
        known = {side: value for side, value in sides.items() if value is not None}
        if "side-off" in lane.raised and known:
            side = max(known, key=lambda side: abs(known[side]))
            words[-1] += f", {side} {signed(known[side])}"
    return Line(" ".join(words), said.style)


def _draw_next(canvas: Canvas, box: Box, middle: int, block: Block) -> None:
    """The target of the next block in figures, its other properties beside it."""
    target = block.load.upper() if block.target_w is None else f"{min(9999.0, block.target_w):.0f}"
    unit = "next" if block.target_w is None else "W next"
    _figure(canvas, box.x, box.y, target, unit, middle - 2, box.height)
    rising = ", rising" if block.load == "ramp" else ""
    end = box.x + box.width
    canvas.put(middle, box.y + box.height - 3, f"{block.name}{rising}", BOLD, end=end)
    rpm = "" if block.cadence_rpm is None else f"{block.cadence_rpm:.0f} rpm"
    canvas.put(middle, box.y + box.height - 2, rpm, BOLD, end=end)
    canvas.put(middle, box.y + box.height - 1, f"for {clock(block.seconds)}", QUIET, end=end)


def _target(segment: Segment | None) -> str:
    if segment is None:
        return ""
    if segment.paused:
        return "PAUSE"
    if segment.target_w is not None:
        return f"{min(9999.0, segment.target_w):.0f}"
    return segment.load.upper() if segment.load in ("free", "sprint") else ""


def _figure(canvas: Canvas, x: int, y: int, text: str, unit: str, end: int, most: int = 5) -> None:
    """A number, or a word of few letters, five rows high (or three) with its unit beside it."""
    if not text:
        return
    if not has_figures(text):
        canvas.put(x, y + 2, text, BOLD, end=end)
        return
    rows = 5 if most >= 5 and x + figure_width(text, 5) + 2 + cells(unit) <= end else 3
    after = draw_figures(canvas, x, y, text, rows, BOLD)
    canvas.put(after + 1, y + rows - 1, unit, QUIET, end=end)


def _ridden(view: View) -> Lane | None:
    """Whose power the rider is shown: the reference's, else the first that tells one."""
    lanes = [lane for lane in view.lanes if lane.power_w is not None and lane.heard in ("heard", "resting")]
    return next((lane for lane in lanes if lane.verdict == "reference"), lanes[0] if lanes else None)


# -- checks


def draw_checks(canvas: Canvas, box: Box, checks: Checks | None, hands: bool) -> None:
    """The pre-flight page: what is wrong first and in full, what is well in one line an instrument."""
    x, y, end = box.x + 1, box.y, box.x + box.width - 1
    bottom = box.y + box.height - 1
    if checks is None:
        canvas.put(x, y, "no checks: what was recorded is ridden already", QUIET, end=end)
        return
    rows: list[tuple[str, str, Style]] = []
    for group in checks.groups:
        well = [item for item in group.items if _is_well(item)]
        name = group.label or "bench"
        if well:
            rows.append((f"{name} ✓", "; ".join(item.text for item in well), CALM))
        for item in group.items:
            if not _is_well(item):
                rows.append((f"{name} {_MARKS[item.state]}", _item_words(item), _style(item)))
    # What stops comes first; the order within stays that of the bench.
    rows.sort(key=lambda row: (row[2] is not LOUD, row[2] is not WARM))
    room = bottom - y
    if len(rows) > room:
        more = len(rows) - room + 1
        rows = [*rows[: room - 1], ("", f"and {more} more: they need a taller window", QUIET)]
    width = max((cells(head) for head, _, _ in rows), default=0)
    # Long sentences get more rows as long as there are some to spare.
    spare = room - len(rows)
    for head, text, style in rows:
        canvas.put(x, y, head, style if style is LOUD else BOLD)
        lines = wrap(text, end - x - width - 1, 1 + spare)
        spare -= len(lines) - 1
        for line in lines:
            canvas.put(x + width + 1, y, line, BOLD if style in (LOUD, WARM) else QUIET, end=end)
            y += 1
    _draw_verdict(canvas, Box(box.x, bottom, box.width, 1), checks, hands)


def _draw_verdict(canvas: Canvas, box: Box, checks: Checks, hands: bool) -> None:
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
