"""Small charts as SVG text: drawn once, sharp in print, readable without any script.

A chart is 420 units wide so that its letters stay readable on a phone. Colours come from the
page's style by the name of a look, so that one picture serves a light and a dark ground.
Colour is never the only sign: every instrument has a marker and a dash of its own as well.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from html import escape
from itertools import pairwise
from typing import Literal

from monitor.setup.roles import Look

WIDTH = 420.0
LINE_HEIGHT = 13.0
"""Two labels closer than this are moved apart."""


MarkKind = Literal["mark", "faint", "hollow"]


class Markup(str):
    """Text that is markup already: the template does not escape it."""

    def __html__(self) -> str:
        return str(self)


def nice_ticks(low: float, high: float, about: int = 5) -> list[float]:
    """Round numbers that cover [low, high], about so many."""
    span = high - low
    if not math.isfinite(span) or span <= 0.0:
        return [low]
    raw = span / about
    scale = 10.0 ** math.floor(math.log10(raw))
    step = next(scale * m for m in (1.0, 2.0, 2.5, 5.0, 10.0) if scale * m >= raw - 1e-12 * scale)
    first = math.ceil(low / step - 1e-9)
    last = math.floor(high / step + 1e-9)
    return [k * step + 0.0 for k in range(first, last + 1)]


def tick_text(value: float, step: float) -> str:
    """A tick's label with as many decimals as its step needs."""
    decimals = max(0, min(4, -math.floor(math.log10(step) + 1e-9))) if step > 0.0 else 0
    if decimals == 0 and abs(step - round(step)) > 1e-9:
        decimals = 1
    return f"{value:.{decimals}f}".replace("-", "−")


def padded(values: Sequence[float], least: float, part: float = 0.08) -> tuple[float, float]:
    """A range around values with some air, at least `least` wide."""
    finite = [v for v in values if math.isfinite(v)]
    if not finite:
        return 0.0, least
    low, high = min(finite), max(finite)
    air = max(part * (high - low), 0.5 * (least - (high - low)), 0.0)
    return low - air, high + air


def apart(wanted: Sequence[float], low: float, high: float, least: float = LINE_HEIGHT) -> list[float]:
    """Places near those wanted, at least `least` from each other, between `low` and `high` if there is room.

    In the order of the input; what is pushed keeps its order.
    """
    order = sorted(range(len(wanted)), key=wanted.__getitem__)
    places = [min(max(w, low), high) for w in wanted]
    for before, k in pairwise(order):
        places[k] = max(places[k], places[before] + least)
    ceiling = high
    for k in reversed(order):
        places[k] = min(places[k], ceiling)
        ceiling = places[k] - least
    return places


def tag(name: str, text: str | None = None, /, **attributes: float | str) -> str:
    """One element. Underscores in names of attributes stand for hyphens (`class_` for `class`).

    Numbers get one decimal; texts are escaped. `text` becomes its content.
    """
    parts = [name]
    for key, value in attributes.items():
        shown = f"{value:.1f}" if isinstance(value, float | int) else escape(value)
        parts.append(f'{key.rstrip("_").replace("_", "-")}="{shown}"')
    return f"<{' '.join(parts)}/>" if text is None else f"<{' '.join(parts)}>{escape(text)}</{name}>"


def titled(element: str, note: str) -> str:
    """A closed element with words that are shown when it is pointed at."""
    name = element[1:].split(" ", 1)[0]
    return f"{element[:-2]}><title>{escape(note)}</title></{name}>" if note else element


def marker(look: Look, px: float, py: float, size: float, kind: MarkKind = "mark") -> str:
    """The marker of a look with its middle at a point of the picture."""
    shape, s = look.marker, size
    name = f"{kind} k-{look.key}"
    if shape == "circle":
        return tag("circle", class_=name, cx=px, cy=py, r=s)
    if shape == "square":
        return tag("rect", class_=name, x=px - s, y=py - s, width=2 * s, height=2 * s)
    if shape == "cross":
        moves = f"M{px - s:.1f} {py - s:.1f}l{2 * s:.1f} {2 * s:.1f}m0 {-2 * s:.1f}l{-2 * s:.1f} {2 * s:.1f}"
        return tag("path", class_=f"{name} cross", d=moves)
    if shape == "triangle":
        moves = f"M{px:.1f} {py - 1.2 * s:.1f}l{1.15 * s:.1f} {2.1 * s:.1f}h{-2.3 * s:.1f}z"
    else:
        w, h = 1.2 * s, 1.3 * s
        corners = f"l{w:.1f} {h:.1f}l{-w:.1f} {h:.1f}l{-w:.1f} {-h:.1f}z"
        moves = f"M{px:.1f} {py - h:.1f}{corners}"
    return tag("path", class_=name, d=moves)


def stroke(look: Look) -> dict[str, float | str]:
    """The attributes of a line in a look, without its course."""
    dash = " ".join(f"{d:g}" for d in look.dash) or "none"
    return {"class_": f"line k-{look.key}", "stroke_dasharray": dash, "stroke_width": look.width}


@dataclass(slots=True)
class Plot:
    """One chart: axes with a range each, then marks in the order of the calls."""

    title: str
    description: str
    x: tuple[float, float]
    y: tuple[float, float]
    x_label: str
    y_label: str
    height: float = 280.0
    left: float = 52.0
    top: float = 12.0
    x_ticks: bool = True
    y_ticks: bool = True
    parts: list[str] = field(default_factory=list)
    labels: list[tuple[float, str]] = field(default_factory=list)
    """Words at the right end of horizontal lines: height in the picture, text."""

    @property
    def bottom(self) -> float:
        """Where the frame ends below."""
        return self.height - 40.0

    def at(self, x: float, y: float) -> tuple[float, float]:
        """Where a point of the plot lies in the picture; held to its frame's surroundings."""
        x0, x1 = self.x
        y0, y1 = self.y
        px = self.left + (x - x0) / (x1 - x0) * (WIDTH - self.left - 10.0)
        py = self.bottom - (y - y0) / (y1 - y0) * (self.bottom - self.top)
        return min(max(px, -50.0), WIDTH + 50.0), min(max(py, -50.0), self.height + 50.0)

    def box(self, x0: float, x1: float, y0: float, y1: float, name: str) -> None:
        """A filled box between plot coordinates, cut to the frame."""
        px0, py0 = self.at(max(x0, self.x[0]), max(y0, self.y[0]))
        px1, py1 = self.at(min(x1, self.x[1]), min(y1, self.y[1]))
        width, height = max(0.0, px1 - px0), max(0.0, py0 - py1)
        self.parts.append(tag("rect", class_=name, x=px0, y=py1, width=width, height=height))

    def band(self, low: float, high: float) -> None:
        """A tolerance across the frame."""
        self.box(*self.x, low, high, "tolerance")

    def line(self, points: Sequence[tuple[float, float]], look: Look) -> None:
        """A line in a look; points that are not numbers break it."""
        run: list[str] = []
        runs = [run]
        for x, y in points:
            if math.isfinite(x) and math.isfinite(y):
                px, py = self.at(x, y)
                run.append(f"{px:.1f},{py:.1f}")
            elif run:
                run = []
                runs.append(run)
        for drawn in runs:
            if len(drawn) > 1:
                self.parts.append(tag("polyline", points=" ".join(drawn), **stroke(look)))

    def side(self, points: Sequence[tuple[float, float]], name: str) -> None:
        """The thin line of a side, L or R; unknown points break it."""
        moves, pen = [], "M"
        for x, y in points:
            if math.isfinite(x) and math.isfinite(y):
                px, py = self.at(x, y)
                moves.append(f"{pen}{px:.1f} {py:.1f}")
                pen = "L"
            else:
                pen = "M"
        if moves:
            self.parts.append(tag("path", class_=f"thin side{name}", d="".join(moves)))

    def name_sides(self, sides: Sequence[tuple[str, Sequence[tuple[float, float]]]]) -> None:
        """L and R, each beside its line where the two lie farthest apart."""
        # Not at the ends, where lines run together.
        low, high = (self.x[0] + part * (self.x[1] - self.x[0]) for part in (0.08, 0.92))
        known = [{x: y for x, y in points if math.isfinite(y) and low <= x <= high} for _, points in sides]
        common = sorted(set.intersection(*(set(each) for each in known))) if known else []
        if not common:
            return
        x = max(common, key=lambda x: max(each[x] for each in known) - min(each[x] for each in known))
        # Above the upper line, below the lower one.
        order = sorted(range(len(sides)), key=lambda k: known[k][x])
        for rank, k in enumerate(order):
            px, py = self.at(x, known[k][x])
            py += 13.0 if rank == 0 and len(order) > 1 else -5.0
            py = min(max(py, self.top + 11.0), self.bottom - 3.0)
            self.parts.append(tag("text", sides[k][0], class_=f"name side{sides[k][0]}", x=px, y=py))

    def flag(self, x: float, note: str, name: str = "") -> None:
        """A flag at the top of the frame with a number, and words when pointed at."""
        px, _ = self.at(x, self.y[0])
        d = f"M{px:.1f} {self.bottom:.1f}V{self.top:.1f}l8 3.5l-8 3.5"
        self.parts.append(titled(tag("path", class_="flag", d=d), note))
        if name:
            self.parts.append(tag("text", name, class_="small", x=px + 10, y=self.top + 9))

    def segment(self, a: tuple[float, float], b: tuple[float, float], name: str) -> None:
        """A straight line between two points of the plot."""
        (x1, y1), (x2, y2) = self.at(*a), self.at(*b)
        self.parts.append(tag("line", class_=name, x1=x1, x2=x2, y1=y1, y2=y2))

    def rule(self, y: float, text: str = "", name: str = "rule") -> None:
        """A horizontal line with a word at its right end."""
        self.segment((self.x[0], y), (self.x[1], y), name)
        if text:
            self.labels.append((self.at(self.x[1], y)[1] - 3.0, text))

    def whisker(self, a: tuple[float, float], b: tuple[float, float], look: Look) -> None:
        """An interval in a look."""
        self.segment(a, b, f"whisker k-{look.key}")

    def mark(
        self, x: float, y: float, look: Look, size: float = 3.6, note: str = "", kind: MarkKind = "mark"
    ) -> None:
        """A marker in a look; `note` is shown when pointed at."""
        self.parts.append(titled(marker(look, *self.at(x, y), size, kind), note))

    def row_text(self, y: float, text: str) -> None:
        """Words left of the frame, beside a row."""
        _, py = self.at(self.x[0], y)
        self.parts.append(tag("text", text, class_="tick", text_anchor="end", x=self.left - 6.0, y=py + 4))

    def column_text(self, x: float, text: str) -> None:
        """Words under the frame, below a column."""
        px, _ = self.at(x, self.y[0])
        self.parts.append(tag("text", text, class_="tick", text_anchor="middle", x=px, y=self.bottom + 15))

    def svg(self) -> str:
        """The picture, with title and description for those who hear it."""
        body = [
            tag("rect", class_="frame", x=self.left, y=self.top, width=WIDTH - self.left - 10,
                height=self.bottom - self.top)
        ]  # fmt: skip
        if self.x_ticks:
            xs = nice_ticks(*self.x)
            step = xs[1] - xs[0] if len(xs) > 1 else 1.0
            for v in xs:
                px, _ = self.at(v, self.y[0])
                body.append(tag("line", class_="grid", x1=px, x2=px, y1=self.top, y2=self.bottom))
                label = tick_text(v, step)
                body.append(tag("text", label, class_="tick", text_anchor="middle", x=px, y=self.bottom + 15))
        if self.y_ticks:
            ys = nice_ticks(*self.y)
            step = ys[1] - ys[0] if len(ys) > 1 else 1.0
            for v in ys:
                (x0, py), (x1, _) = self.at(self.x[0], v), self.at(self.x[1], v)
                body.append(tag("line", class_="grid", x1=x0, x2=x1, y1=py, y2=py))
                label = tick_text(v, step)
                body.append(tag("text", label, class_="tick", text_anchor="end", x=self.left - 5, y=py + 4))
        middle = self.left + 0.5 * (WIDTH - self.left - 10.0)
        body.append(
            tag("text", self.x_label, class_="axis", text_anchor="middle", x=middle, y=self.height - 6)
        )
        if self.y_label:
            turn = f"translate(13 {0.5 * (self.bottom + self.top):.1f}) rotate(-90)"
            body.append(tag("text", self.y_label, class_="axis", text_anchor="middle", transform=turn))
        return picture(WIDTH, self.height, self.title, self.description, [*body, *self.parts, *self._words()])

    def _words(self) -> list[str]:
        """The words of horizontal lines, none over another."""
        places = apart([y for y, _ in self.labels], self.top + 10.0, self.bottom - 3.0)
        return [
            tag("text", text, class_="small", text_anchor="end", x=WIDTH - 14.0, y=y)
            for y, (_, text) in zip(places, self.labels, strict=True)
        ]


def picture(width: float, height: float, title: str, description: str, parts: Sequence[str]) -> str:
    """Elements as a whole picture with a name and a description."""
    label = escape(f"{title}. {description}")
    return (
        f'<svg viewBox="0 0 {width:.0f} {height:.0f}" role="img" aria-label="{label}">'
        f"<title>{escape(title)}</title>{''.join(parts)}</svg>"
    )


def swatch(look: Look) -> str:
    """A small picture of an instrument's colour, dash and marker, for legends."""
    line = tag("line", x1=0, x2=28, y1=6, y2=6, **stroke(look))
    drawn = line + marker(look, 14.0, 6.0, 4.0)
    return f'<svg class="swatch" viewBox="0 0 28 12" aria-hidden="true">{drawn}</svg>'
