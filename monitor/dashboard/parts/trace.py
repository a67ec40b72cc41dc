"""The trace: deviation of each instrument over the last minutes, with the tolerance and what was done.

Drawn in braille dots, two by four to a cell. An instrument has one look, by its role and its place on the
bench, so that neither a colour nor a verdict is needed to tell them apart; the names stand in bench order.
The other choice is power.
"""

import itertools
import math
from collections.abc import Iterable, Sequence
from typing import Literal, NamedTuple

from rich.style import Style

from monitor.dashboard.canvas import Canvas, cells, fit
from monitor.dashboard.look import BAND, BOLD, FAINT, GROUND, LINES, QUIET, WARM
from monitor.dashboard.parts.rail import SPANS_PERCENT
from monitor.live.view import Event, Lane, View
from monitor.setup.bench import Role
from monitor.setup.roles import LOOKS
from monitor.text import clock

Kind = Literal["deviation", "power"]
Values = tuple[float | None, ...]

# Unicode block "Braille Patterns", U+2800: bit of the dot in column x (0, 1), row y (0 to 3).
_DOTS = ((0x01, 0x02, 0x04, 0x40), (0x08, 0x10, 0x20, 0x80))
_STEPS_W = (10, 20, 50, 100, 200, 500, 1000, 2000, 5000, 10000)
_FIGURES_W = 9999.0
"""Greatest watts, either sign, that are drawn; beyond it is a broken packet, shown as a gap."""
LEFT, NAMES = 6, 15
"""Columns of the axis and of the names."""
OUTLIERS = 0.02
"""So much of what is drawn may lie beyond the axis, at either end: a spike does not flatten the rest."""
_ACTS = {
    "position": "",
    "segment": "",
    "acknowledge": None,
    "trainer": None,
    "preflight": None,
    "ready": None,
}


class Look(NamedTuple):
    """How an instrument's line is drawn: which columns of dots it covers, over and over."""

    sign: str
    dots: tuple[bool, ...]
    style: Style

    def covers(self, column: int) -> bool:
        """Whether there is a dot in this column."""
        return self.dots[column % len(self.dots)]


_SIGNS: dict[Role, str] = {"on-test": "━╍┅╌", "witness": "┈┄┉╴", "reference": "─"}
_UNITS_A_DOT = 2.0
"""Units of the dashes of the other pictures for one column of dots."""
_SPARSE = (True, False)
"""The reference: a line of dots has one width, and the reference's is thin."""


def _dots(dash: tuple[float, ...]) -> tuple[bool, ...]:
    """Dashes and gaps in turn as columns of dots; none is a line without gaps."""
    lengths = [max(1, round(length / _UNITS_A_DOT)) for length in dash]
    return tuple(at % 2 == 0 for at, length in enumerate(lengths) for _ in range(length)) or (True,)


_LOOKS: dict[Role, tuple[Look, ...]] = {
    role: tuple(
        Look(sign, _SPARSE if role == "reference" else _dots(own.dash), style)
        for sign, own, style in zip(itertools.cycle(_SIGNS[role]), LOOKS[role], LINES[role], strict=False)
    )
    for role in LOOKS
}


def looks(lanes: Sequence[Lane]) -> dict[str, Look]:
    """The look of every instrument: by its role, and among its like by its place on the bench."""
    found: dict[str, Look] = {}
    count: dict[Role, int] = dict.fromkeys(_LOOKS, 0)
    for lane in lanes:
        role: Role = "reference" if lane.verdict == "reference" else _role(lane.role)
        found[lane.label] = _LOOKS[role][count[role] % len(_LOOKS[role])]
        count[role] += 1
    return found


def _role(role: str) -> Role:
    return "on-test" if role == "on-test" else "witness"


def _known(values: Iterable[float | None]) -> list[float]:
    return sorted(value for value in values if value is not None)


def trimmed(values: list[float], share: float = OUTLIERS) -> list[float]:
    """Sorted values without the outermost at either end, `share` of them all."""
    cut = int(share * len(values))
    return values[cut : len(values) - cut] if len(values) > 2 * cut else values


def scale_w(values: list[float], rows: int) -> tuple[float, ...]:
    """Round watts from below the values to above them, in even steps, for an axis of `rows` rows."""
    low, high = min(values, default=0.0), max(values, default=100.0)
    for step in _STEPS_W:
        first, last = math.floor(low / step), math.ceil(high / step)
        last = max(last, first + 1)
        if last - first <= max(1, rows // 2):
            break
    return tuple(float(step * number) for number in range(first, last + 1))


def span_of(values: list[float], limit_percent: float) -> float:
    """What a deviation's axis spans, percent: twice the tolerance, and all but the outermost values."""
    most = max((abs(value) for value in trimmed(values)), default=0.0)
    wanted = max(2.0 * limit_percent, most)
    return next((span for span in SPANS_PERCENT if span >= wanted), SPANS_PERCENT[-1])


def _column_spans(
    times: tuple[float, ...], values: Values, low_s: float, high_s: float, width: int
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


class _Plot(NamedTuple):
    """The plot's part of the canvas: cells from `left`, `width` by `height`, values from `low` to `high`."""

    canvas: Canvas
    left: int
    width: int
    height: int
    low: float
    high: float

    def dot_row(self, value: float) -> int:
        """The row of dots of a value, held to the plot."""
        share = (value - self.low) / (self.high - self.low)
        return round((1.0 - max(0.0, min(1.0, share))) * (4 * self.height - 1))

    def draw(self, times: tuple[float, ...], lines: Sequence[tuple[Look, Values]], span_s: float) -> None:
        """All lines, the last on top."""
        masks = [[0] * self.width for _ in range(self.height)]
        styles: list[list[Style]] = [[GROUND] * self.width for _ in range(self.height)]
        high_s = times[-1]
        for look, values in lines:
            spans = _column_spans(times, values, high_s - span_s, high_s, 2 * self.width)
            last: tuple[int, int] | None = None
            for column, covered in enumerate(spans):
                if covered is None:
                    last = None
                    continue
                here = self.dot_row(covered[1]), self.dot_row(covered[0])
                if look.covers(column):
                    # Close the step to the column before.
                    top = here[0] if last is None else min(here[0], last[1] + 1)
                    bottom = here[1] if last is None else max(here[1], last[0] - 1)
                    for row in range(top, bottom + 1):
                        masks[row // 4][column // 2] |= _DOTS[column % 2][row % 4]
                        styles[row // 4][column // 2] = look.style
                last = here
        for y in range(self.height):
            for x in range(self.width):
                if masks[y][x]:
                    self.canvas.put(self.left + x, y, chr(0x2800 + masks[y][x]), styles[y][x])

    def band(self, limit: float) -> None:
        """The tolerance around nought, where the reference is."""
        top, bottom = self.dot_row(limit) // 4, self.dot_row(-limit) // 4
        for y in range(top, bottom + 1):
            self.canvas.put(self.left, y, "░" * self.width, BAND)
        self.canvas.put(self.left, self.dot_row(0.0) // 4, "─" * self.width, LINES["reference"][0])

    def axis(self, ticks: Sequence[float], sign: bool) -> None:
        """Figures at the side."""
        for y in range(self.height):
            self.canvas.put(self.left - 1, y, "│", FAINT)
        for tick in ticks:
            y = self.dot_row(tick) // 4
            text = f"{tick:+g}" if sign and tick else f"{tick:.0f}"
            if tick == ticks[-1] and cells(text) <= self.left - 4:
                text += " %" if sign else " W"
            self.canvas.right(self.left - 1, y, text, QUIET)
            self.canvas.put(self.left - 1, y, "┤", FAINT)


def draw_trace(view: View, width: int, height: int, kind: Kind = "deviation") -> Canvas:
    """The trace as a canvas of its own, so that it can be drawn less often than the figures.

    The last row has the acts; the names stand at the right.
    """
    canvas = Canvas(width, height, GROUND)
    if height < 3 or width < 40:
        return canvas
    own = looks(view.lanes)
    series = view.deviations if kind == "deviation" else view.traces_w
    lanes = [lane for lane in view.lanes if lane.mount != "cadence"]
    drawn = [(own[lane.label], _drawable(series[lane.label], kind)) for lane in lanes if lane.label in series]
    known = _known(value for _, values in drawn for value in values)
    _draw_names(canvas, width - NAMES + 1, lanes, own, kind)
    if not known or not view.trace_s:
        text = (
            "deviations begin after ten seconds of steady riding" if kind == "deviation" else "no power yet"
        )
        canvas.put(LEFT, 0, text, FAINT, end=width - NAMES)
        return canvas
    plot_height, plot_width = height - 1, width - NAMES - LEFT
    if kind == "deviation":
        limit = _limit(view)
        span = span_of(known, limit)
        plot = _Plot(canvas, LEFT, plot_width, plot_height, -span, span)
        plot.band(limit)
        plot.axis(
            (-span, 0.0, span) if plot_height < 9 else (-span, -span / 2, 0.0, span / 2, span), sign=True
        )
    else:
        ticks = scale_w(trimmed(known), plot_height)
        plot = _Plot(canvas, LEFT, plot_width, plot_height, ticks[0], ticks[-1])
        plot.axis(ticks, sign=False)
    # Those on test lie on top of all.
    order = sorted(range(len(drawn)), key=lambda at: drawn[at][0] in _LOOKS["on-test"])
    plot.draw(view.trace_s, [drawn[at] for at in order], view.trace_span_s)
    _draw_acts(
        canvas, Spread(LEFT, plot_width, view.trace_s[-1] - view.trace_span_s, view.trace_span_s), view
    )
    return canvas


def _drawable(values: Values, kind: Kind) -> Values:
    """The values with everything that cannot be drawn as None."""
    most = _FIGURES_W if kind == "power" else 1000.0
    return tuple(value if value is not None and abs(value) <= most else None for value in values)


def _limit(view: View) -> float:
    """The tolerance of the units on test, else of all: the band."""
    lanes = [lane for lane in view.lanes if lane.limit_percent is not None]
    limits = [lane.limit_percent for lane in lanes if lane.role == "on-test"] or [
        lane.limit_percent for lane in lanes
    ]
    return min((limit for limit in limits if limit is not None and math.isfinite(limit)), default=0.0)


def _draw_names(canvas: Canvas, x: int, lanes: Sequence[Lane], own: dict[str, Look], kind: Kind) -> None:
    """The look and the name of each instrument in bench order, and the key of the other choice."""
    room = canvas.height - 1
    shown = lanes if len(lanes) <= room else lanes[: room - 1]
    for row, lane in enumerate(shown):
        look = own[lane.label]
        canvas.put(x, row, look.sign * 2, look.style)
        canvas.put(x + 3, row, fit(lane.label, NAMES - 4), look.style, end=canvas.width)
    if len(shown) < len(lanes):
        canvas.put(x, room - 1, f"and {len(lanes) - len(shown)} more", FAINT, end=canvas.width)
    other = "w: power" if kind == "deviation" else "w: deviation"
    canvas.put(x, canvas.height - 1, other, FAINT, end=canvas.width)


class Spread(NamedTuple):
    """The columns of the plot as times: `seconds` from `begin_s` on, over `width` cells from `left`."""

    left: int
    width: int
    begin_s: float
    seconds: float

    def column(self, t_s: float) -> int:
        """The cell of a moment, which may lie outside."""
        return self.left + round((t_s - self.begin_s) / max(1.0, self.seconds) * (self.width - 1))


def act_words(event: Event) -> tuple[str, str] | None:
    """A flag and its words for what was done or began to be wrong; None: not worth one."""
    if event.mark == "!":
        return "!", event.text
    if event.mark != "·":
        return None
    act, _, rest = event.text.partition(" ")
    word = _ACTS.get(act, act)
    if word is None:
        return None
    return "|" if act == "segment" else "^", f"{word} {rest}".strip()


def _draw_acts(canvas: Canvas, spread: Spread, view: View) -> None:
    """Flags at their moments in the last row, each with as many of its words as fit before the next."""
    y, end = canvas.height - 1, spread.left + spread.width
    canvas.put(1, y, clock(spread.seconds), FAINT, end=spread.left)
    flags: list[tuple[int, str, str]] = []
    for event in sorted(view.events, key=lambda event: event.t_s):
        said = act_words(event)
        x = spread.column(event.t_s)
        if said is None or not spread.left <= x < end:
            continue
        if flags and flags[-1][0] == x:
            flags.pop()
        flags.append((x, *said))
    for number, (x, flag, text) in enumerate(flags):
        room = (flags[number + 1][0] if number + 1 < len(flags) else end) - x - 2
        canvas.put(x, y, flag, WARM if flag == "!" else BOLD)
        if room >= min(4, cells(text)):
            canvas.put(x + 1, y, fit(text, room), QUIET)
