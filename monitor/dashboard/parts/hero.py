"""The hero: the unit on test that needs a look first, in figures to be read from a bicycle."""

import math

from rich.style import Style

from monitor.dashboard.canvas import Box, Canvas, cells, wrap
from monitor.dashboard.figures import draw_figures, figure_rows, figure_width, has_figures, largest
from monitor.dashboard.look import BOLD, CALM, FAINT, LOUD, QUIET, WARM, Say, signed, whole
from monitor.dashboard.parts.lanes import balance_text
from monitor.dashboard.parts.standing import (
    Number,
    again_words,
    chosen,
    findings_of,
    is_checked_again,
    number_of,
    sides_of,
    standing,
    total_of,
    units_on_test,
)
from monitor.live.advice.again import COMPARED
from monitor.live.view import AlarmView, Lane, View
from monitor.text import clock

WIDEST_NUMBER, WIDEST_WORD = "+10.0", "LOST"
_LARGE = {"agrees": "OK", "LOST": "LOST", "HIGH": "HIGH", "LOW": "LOW"}


def number_text(number: Number) -> str:
    """The figure of a deviation, at most as wide as `WIDEST_NUMBER`: from 100 on it is out of all scales."""
    if abs(number.percent) >= 99.5:
        return "+99" if number.percent > 0.0 else "-99"
    return signed(number.percent).removesuffix(" %")


def large_word(lane: Lane, said: Say) -> str:
    """The word that stands in large letters; empty: it stands in small ones."""
    word = said.word.rpartition(" ")[2] if said.word.startswith(("LEFT ", "RIGHT ")) else said.word
    return _LARGE.get(word, "")


def hero_style(lane: Lane, said: Say) -> Style:
    """Blue where all is well, loud where not."""
    if said.loud:
        return WARM
    return CALM if lane.verdict == "agrees" and said.style is CALM else BOLD


def cause_of(view: View, lane: Lane) -> AlarmView | None:
    """The finding that the hero's word speaks of."""
    found = findings_of(view, lane.label)
    return found[0] if found else None


def since_words(view: View, lane: Lane) -> list[str]:
    """`since 0:44` and `for 0:49`: when what is wrong began; empty while nothing is, or nobody can see it."""
    if lane.heard in ("lost", "given-up"):
        since_s = lane.heard_since_s
    else:
        cause = cause_of(view, lane)
        if cause is not None and cause.kind in COMPARED and lane.again is not None and is_checked_again(lane):
            return again_words(lane.again)
        if cause is None or cause.state == "blind":
            return []
        since_s = cause.since_s
    return [f"since {clock(since_s)}", f"for {clock(view.t_s - since_s)}"]


def side_words(lane: Lane, number: Number | None, said: Say) -> str:
    """Where it is wrong."""
    if number is not None and number.side != "total":
        return f"{number.side.upper()} side"
    return "" if large_word(lane, said) else said.word


def certainty_words(number: Number) -> str:
    """How sure the number is, and what it is held against."""
    return f"±{number.u95:.1f} %  limit {number.limit:.1f}"


def _figure(lane: Lane, number: Number | None, said: Say) -> tuple[str, str]:
    """The large figure and its unit."""
    if lane.heard in ("lost", "given-up"):
        time = said.figure.removeprefix("for ").removesuffix(" ago")
        fits = has_figures(time) and figure_width(time, 1) <= figure_width(WIDEST_NUMBER, 1)
        return (time, "") if fits else ("", "")
    if said.word == "NO POWER":
        return whole(lane.power_w) if lane.power_w is not None else "0", "W"
    return ("", "") if number is None else (number_text(number), "%")


def draw_hero(canvas: Canvas, box: Box, scale: int, view: View, label: str = "") -> None:
    """The unit of that label, or the worst one: deviation, word, side, since when, both sides."""
    lane = chosen(view, label)
    if lane is None:
        canvas.put(box.x + 1, box.y, "no instrument with power on this bench", QUIET)
        return
    said, number = standing(view, lane), number_of(lane, view.reference)
    x, y, end = box.x + 1, box.y, box.x + box.width - 1
    rows = figure_rows(scale)
    style = hero_style(lane, said)
    room = figure_width(WIDEST_NUMBER, scale)
    text, unit = _figure(lane, number, said)
    if text and has_figures(text):
        draw_figures(canvas, x + room - figure_width(text, scale), y, text, scale, style)
        canvas.put(x + room + 1, y + rows - 1, unit, style)
    middle = x + room + 4
    word_at = middle + (21 if scale == 1 else 23)
    _draw_middle(canvas, Box(middle, y, word_at - middle - 1, rows), view, lane, number)
    large = large_word(lane, said)
    right = word_at
    if large:
        draw_figures(canvas, word_at, y, large, scale, style)
        right = word_at + figure_width(WIDEST_WORD, scale) + 2
    else:
        _draw_word(canvas, word_at, y, said, end)
    at = side_words(lane, number, said) if large else ""
    lines = [*([at] if at else []), *since_words(view, lane)]
    for row, line in enumerate(lines if large else ["", *lines][:rows]):
        canvas.put(right, y + row, line, style if line == at and at else BOLD, end=end)
    _draw_sides(canvas, Box(x, y + rows, end - x, 1), view, lane, number)


def _draw_word(canvas: Canvas, x: int, y: int, said: Say, end: int) -> None:
    text = f"{said.mark} {said.word}"
    canvas.put(x, y, text, LOUD if said.loud else said.style if said.style is QUIET else BOLD, end=end)


def _draw_middle(canvas: Canvas, box: Box, view: View, lane: Lane, number: Number | None) -> None:
    """Whose number it is, how sure it is, and what both read now."""
    end = box.x + box.width
    units = units_on_test(view)
    of = f" {units.index(lane) + 1}/{len(units)}" if lane in units and len(units) > 1 else ""
    after = canvas.put(box.x, box.y, lane.label, BOLD, end=end)
    mount = lane.mount if lane.mount != lane.label else ""
    canvas.put(after + 1, box.y, f"{mount}{of}".strip(), FAINT, end=end)
    if number is not None:
        canvas.put(box.x, box.y + 1, certainty_words(number), BOLD, end=end)
    canvas.put(box.x, box.y + 2, power_words(view, lane), BOLD, end=end)
    if box.height > 3 and number is not None and lane.basis:
        canvas.put(box.x, box.y + 3, basis_words(lane, number), QUIET, end=end)
    if box.height > 4 and lane.cadence_rpm is not None:
        canvas.put(box.x, box.y + 4, f"{whole(lane.cadence_rpm)} rpm", QUIET, end=end)


def power_words(view: View, lane: Lane) -> str:
    """What it reads now, and the reference beside it."""
    if lane.heard not in ("heard", "resting"):
        return ""
    own = f"{whole(lane.power_w)} W"
    other = next((each for each in view.lanes if each.verdict == "reference"), None)
    if other is None or other is lane or other.power_w is None:
        return own
    return f"{own}  {other.label} {whole(other.power_w)}"


def basis_words(lane: Lane, number: Number) -> str:
    """The window that the number stands for."""
    return lane.basis if number.side == "total" else lane.side_basis


def side_line(view: View, lane: Lane, number: Number | None, width: int, window: bool = True) -> str:
    """Both sides in watts and against what, the window, balance, and the loss that is taken out.

    What has no room is left out whole, the last first.
    """
    if lane.heard not in ("heard", "resting"):
        return ""
    parts = []
    sides = sides_of(lane)
    for side, watts in (("left", lane.left_w), ("right", lane.right_w)):
        if watts is not None:
            own = next((f" {each.percent:+z.1f} %" for name, each in sides.items() if name == side), "")
            parts.append(f"{side[0].upper()} {whole(watts)} W{own}")
    if sides and lane.side_reference:
        parts.append(f"against {lane.side_reference}")
    if number is not None:
        if number.side != "total" and (total := total_of(lane, view.reference)):
            parts.append(f"total {total.percent:+z.1f} %")
        parts.append(basis_words(lane, number) if window else "")
    parts.append(f"balance {balance_text(lane)}" if balance_text(lane) else "")
    if abs(lane.expected_percent) >= 0.05 and math.isfinite(lane.expected_percent):
        parts.append(loss_words(lane))
    parts.append(apart_words(view, lane))
    text = ""
    for part in filter(None, parts):
        longer = f"{text}  {part}" if text else part
        if cells(longer) <= width:
            text = longer
    return text


def apart_words(view: View, lane: Lane) -> str:
    """Whose fault a difference is, as far as that can be known."""
    if lane.verdict != "differs":
        return ""
    if lane.apart is None:
        powered = sum(each.mount != "cadence" for each in view.lanes)
        return "two can only differ" if powered == 2 else ""
    return {"yes": "it stands apart from all others", "undecided": "undecided who is wrong"}.get(
        lane.apart, ""
    )


def loss_words(lane: Lane) -> str:
    """The loss that a comparison takes out, worded as that."""
    return f"after {abs(lane.expected_percent):.1f} % drivetrain loss"


def _draw_sides(canvas: Canvas, box: Box, view: View, lane: Lane, number: Number | None) -> None:
    canvas.put(box.x, box.y, side_line(view, lane, number, box.width), BOLD, end=box.x + box.width)


def draw_small_hero(
    canvas: Canvas, box: Box, view: View, label: str, advice: str, advice_style: Style
) -> None:
    """The same in a window with room for nothing else: figure and word, then a line each."""
    lane = chosen(view, label)
    if lane is None:
        canvas.put(box.x + 1, box.y, "no instrument with power on this bench", QUIET, end=box.width)
        return
    said, number = standing(view, lane), number_of(lane, view.reference)
    end, style = box.x + box.width - 1, hero_style(lane, said)
    scale = largest((WIDEST_NUMBER + WIDEST_WORD,), box.width - 4, box.height - 4)
    rows = figure_rows(scale)
    text, unit = _figure(lane, number, said)
    x = box.x + 1
    room = figure_width(WIDEST_NUMBER, scale)
    if text and has_figures(text):
        draw_figures(canvas, x + room - figure_width(text, scale), box.y, text, scale, style)
        canvas.put(x + room, box.y + rows - 1, unit, style)
    if large := large_word(lane, said):
        draw_figures(canvas, x + room + 3, box.y, large, scale, style)
    y = box.y + rows
    after = canvas.put(x, y, f"{said.mark} {lane.label} {said.word}", BOLD, end=end)
    canvas.put(after + 2, y, " ".join(since_words(view, lane)[-1:]), BOLD, end=end)
    sure = power_words(view, lane)
    if number is not None:
        sure = f"{certainty_words(number)}  {basis_words(lane, number)}"
    lines = [
        (sure, BOLD),
        (side_line(view, lane, number, box.width - 2, window=False), BOLD),
    ]
    for row, (line, line_style) in enumerate(lines[: max(0, box.height - rows - 2)], 1):
        canvas.put(x, y + row, line, line_style, end=end)
    for row, line in enumerate(wrap(advice, box.width - 2, max(0, box.y + box.height - y - 3)), 3):
        canvas.put(x, y + row, line, BOLD if row > 3 else advice_style, end=end)
