"""The trace: power of all instruments over the last minutes, in braille dots, two by four to a cell.

Lines are named where they end; colour is not needed to tell them apart.
"""

import math

from rich.style import Style

from monitor.dashboard.canvas import Canvas, cells, fit
from monitor.dashboard.look import BOLD, CALM, FAINT, GROUND, QUIET, WARM
from monitor.live.view import Lane, View
from monitor.text import clock

# Unicode block "Braille Patterns", U+2800: bit of the dot in column x (0, 1), row y (0 to 3).
_DOTS = ((0x01, 0x02, 0x04, 0x40), (0x08, 0x10, 0x20, 0x80))
_STEPS_W = (10, 20, 50, 100, 200, 500, 1000, 2000, 5000, 10000)
_FIGURES_W = 9999.0
"""Greatest watts, either sign, that are drawn; beyond it is a broken packet, shown as a gap."""


def _drawable(values: tuple[float | None, ...]) -> tuple[float | None, ...]:
    """The values with everything that cannot be drawn as None."""
    return tuple(value if value is not None and abs(value) <= _FIGURES_W else None for value in values)


def scale_w(values: list[float], rows: int) -> tuple[float, ...]:
    """Round watts from below the values to above them, in even steps, for an axis of `rows` rows."""
    low, high = min(values, default=0.0), max(values, default=100.0)
    for step in _STEPS_W:
        first, last = math.floor(low / step), math.ceil(high / step)
        last = max(last, first + 1)
        if last - first <= max(1, rows // 2):
            break
    return tuple(float(step * number) for number in range(first, last + 1))


def _column_spans(
    times: tuple[float, ...], values: tuple[float | None, ...], low_s: float, high_s: float, width: int
) -> list[tuple[float, float] | None]:
    """Least and greatest value over each of `width` columns; None where nothing was known.

    Neighbouring values are joined by a straight line, a missing one is a gap.
    """
    spans: list[tuple[float, float] | None] = [None] * width
    scale = (width - 1) / (high_s - low_s) if high_s > low_s else 0.0

    def cover(column: int, value: float) -> None:
        if 0 <= column < width:
            old = spans[column]
            spans[column] = (value, value) if old is None else (min(old[0], value), max(old[1], value))

    before: tuple[float, float] | None = None
    for time_s, value in zip(times, values, strict=False):
        if value is None:
            before = None
            continue
        here = (time_s - low_s) * scale
        cover(round(here), value)
        if before is not None and here > before[0]:
            slope = (value - before[1]) / (here - before[0])
            for column in range(round(before[0]) + 1, round(here)):
                cover(column, before[1] + slope * (column - before[0]))
        before = (here, value)
    return spans


def _style(lane: Lane) -> Style:
    if lane.verdict == "reference":
        return BOLD
    return WARM if lane.verdict == "differs" else CALM if lane.verdict == "agrees" else QUIET


def draw_trace(view: View, width: int, height: int) -> Canvas:
    """The trace as a canvas of its own, so that it can be drawn less often than the figures."""
    canvas = Canvas(width, height, GROUND)
    lanes = [lane for lane in view.lanes if lane.label in view.traces_w]
    traces = {lane.label: _drawable(view.traces_w[lane.label]) for lane in lanes}
    known = [value for values in traces.values() for value in values if value is not None]
    if not known or not view.trace_s or height < 2 or width < 24:
        canvas.put(1, 0, "the trace begins with the first watts" if width >= 40 else "", FAINT)
        return canvas
    names = min(12, max(cells(lane.label) for lane in lanes))
    left, right = 6, width - names - 2
    ticks_w = scale_w(known, height)
    low_w, high_w = ticks_w[0], ticks_w[-1]
    plot_width, dots_high = right - left, 4 * height

    def dot_row(value: float) -> int:
        return round((1 - (value - low_w) / (high_w - low_w)) * (dots_high - 1))

    for y in range(height):
        canvas.put(left - 1, y, "│", FAINT)
    for tick in ticks_w:
        y = dot_row(tick) // 4
        canvas.right(left - 1, y, f"{tick:.0f}", QUIET)
        canvas.put(left - 1, y, "┤", FAINT)

    low_s, high_s = view.trace_s[0], view.trace_s[-1]
    masks = [[0] * plot_width for _ in range(height)]
    styles: list[list[Style]] = [[GROUND] * plot_width for _ in range(height)]
    ends: list[tuple[float, Lane]] = []

    # The reference lies on top of those that agree, one that leans on top of all.
    order = {"reference": 1, "differs": 2}
    for lane in sorted(lanes, key=lambda lane: order.get(lane.verdict, 0)):
        spans = _column_spans(view.trace_s, traces[lane.label], low_s, high_s, 2 * plot_width)
        style, last = _style(lane), None
        for column, covered in enumerate(spans):
            if covered is None:
                last = None
                continue
            top, bottom = dot_row(covered[1]), dot_row(covered[0])
            if last is not None:
                # Close the step to the column before.
                top, bottom = min(top, last[1] + 1), max(bottom, last[0] - 1)
            for row in range(top, bottom + 1):
                masks[row // 4][column // 2] |= _DOTS[column % 2][row % 4]
                styles[row // 4][column // 2] = style
            last = (dot_row(covered[1]), dot_row(covered[0]))
        latest = next((value for value in reversed(traces[lane.label]) if value is not None), None)
        if latest is not None:
            ends.append((latest, lane))
    for y in range(height):
        for x in range(plot_width):
            if masks[y][x]:
                canvas.put(left + x, y, chr(0x2800 + masks[y][x]), styles[y][x])

    _draw_names(canvas, right + 1, [(dot_row(value) / 4, lane) for value, lane in ends])
    if len(ends) < height:
        canvas.put(right + 1, height - 1, f"in {clock(high_s - low_s)}", FAINT)
    return canvas


def _draw_names(canvas: Canvas, x: int, ends: list[tuple[float, Lane]]) -> None:
    """Names where the lines end, in their order, pushed apart so that none covers another.

    With too few rows those that lean are named first.
    """
    room = canvas.height if len(ends) >= canvas.height else canvas.height - 1
    if len(ends) > room:
        ends = sorted(ends, key=lambda end: (end[1].verdict != "differs", end[1].verdict != "reference"))
        ends = ends[:room]
    ends = sorted(ends, key=lambda end: end[0])
    rows: list[int] = []
    for number, (wanted, _) in enumerate(ends):
        lowest = rows[-1] + 1 if rows else 0
        highest = room - (len(ends) - number)
        rows.append(max(lowest, min(highest, int(wanted))))
    for row, (_, lane) in zip(rows, ends, strict=True):
        canvas.put(x, row, fit(lane.label, 12), _style(lane), end=canvas.width)
