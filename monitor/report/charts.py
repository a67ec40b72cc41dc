"""Small charts as SVG text: drawn once, sharp in print, readable without any script.

A chart is 420 units wide so that its letters stay readable on a phone. Colour is never
the only sign: every instrument has a marker and a dash of its own as well.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from html import escape

COLOURS = ("#0072b2", "#c44e00", "#00704f", "#8a3c76", "#6b5900", "#3f3f3f", "#006d7a", "#a8003c")
"""Told apart by all common kinds of colour vision, each at least 4.5 to 1 on white (after Okabe and Ito)."""
MARKERS = ("circle", "square", "triangle", "diamond", "cross", "circle", "square", "triangle")
DASHES = ("", "6 3", "2 3", "8 3 2 3", "1 2", "10 4", "4 2", "3 5")
WIDTH = 420.0


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


def marker(k: int, px: float, py: float, size: float, faint: bool = False) -> str:
    """The marker of instrument number `k` with its middle at a point of the picture."""
    shape, s, colour = MARKERS[k % len(MARKERS)], size, colour_of(k)
    name = "faint" if faint else "mark"
    if shape == "circle":
        return tag("circle", class_=name, fill=colour, cx=px, cy=py, r=s)
    if shape == "square":
        return tag("rect", class_=name, fill=colour, x=px - s, y=py - s, width=2 * s, height=2 * s)
    if shape == "cross":
        moves = f"M{px - s:.1f} {py - s:.1f}l{2 * s:.1f} {2 * s:.1f}m0 {-2 * s:.1f}l{-2 * s:.1f} {2 * s:.1f}"
        return tag("path", class_=f"{name} cross", stroke=colour, d=moves)
    if shape == "triangle":
        moves = f"M{px:.1f} {py - 1.2 * s:.1f}l{1.15 * s:.1f} {2.1 * s:.1f}h{-2.3 * s:.1f}z"
    else:
        w, h = 1.2 * s, 1.3 * s
        corners = f"l{w:.1f} {h:.1f}l{-w:.1f} {h:.1f}l{-w:.1f} {-h:.1f}z"
        moves = f"M{px:.1f} {py - h:.1f}{corners}"
    return tag("path", class_=name, fill=colour, d=moves)


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

    def line(self, points: Sequence[tuple[float, float]], k: int) -> None:
        """A line of instrument number `k`; points that are not numbers break it."""
        run: list[str] = []
        runs = [run]
        for x, y in points:
            if math.isfinite(x) and math.isfinite(y):
                px, py = self.at(x, y)
                run.append(f"{px:.1f},{py:.1f}")
            elif run:
                run = []
                runs.append(run)
        dash = DASHES[k % len(DASHES)] or "none"
        for drawn in runs:
            if len(drawn) > 1:
                self.parts.append(
                    tag(
                        "polyline",
                        class_="line",
                        stroke=colour_of(k),
                        stroke_dasharray=dash,
                        points=" ".join(drawn),
                    )
                )

    def thin(self, points: Sequence[tuple[float, float]], name: str) -> None:
        """A thin line with its name beside its farthest point; unknown points break it."""
        moves, pen = [], "M"
        for x, y in points:
            if math.isfinite(x) and math.isfinite(y):
                px, py = self.at(x, y)
                moves.append(f"{pen}{px:.1f} {py:.1f}")
                pen = "L"
            else:
                pen = "M"
        if not moves:
            return
        self.parts.append(tag("path", class_=f"thin side{name}", d="".join(moves)))
        # Not at the ends, where lines run together.
        low, high = (self.x[0] + part * (self.x[1] - self.x[0]) for part in (0.1, 0.9))
        known = [p for p in points if math.isfinite(p[1])]
        middle = [p for p in known if low <= p[0] <= high] or known
        px, py = self.at(*max(middle, key=lambda p: abs(p[1])))
        self.parts.append(tag("text", name, class_="small", x=px + 3, y=max(py - 3, self.top + 10)))

    def flag(self, x: float, note: str) -> None:
        """A flag at the top of the frame, with words when pointed at."""
        px, _ = self.at(x, self.y[0])
        d = f"M{px:.1f} {self.bottom:.1f}V{self.top:.1f}l8 3.5l-8 3.5"
        self.parts.append(titled(tag("path", class_="flag", d=d), note))

    def segment(self, a: tuple[float, float], b: tuple[float, float], name: str, stroke: str = "") -> None:
        """A straight line between two points of the plot."""
        (x1, y1), (x2, y2) = self.at(*a), self.at(*b)
        ink = {"stroke": stroke} if stroke else {}
        self.parts.append(tag("line", class_=name, x1=x1, x2=x2, y1=y1, y2=y2, **ink))

    def rule(self, y: float, text: str = "", name: str = "rule") -> None:
        """A horizontal line with a word at its right end."""
        self.segment((self.x[0], y), (self.x[1], y), name)
        if text:
            px, py = self.at(self.x[1], y)
            self.parts.append(tag("text", text, class_="small", text_anchor="end", x=px - 2, y=py - 3))

    def whisker(self, a: tuple[float, float], b: tuple[float, float], k: int) -> None:
        """An interval of instrument number `k`."""
        self.segment(a, b, "whisker", colour_of(k))

    def mark(
        self, x: float, y: float, k: int, size: float = 3.6, note: str = "", faint: bool = False
    ) -> None:
        """A marker of instrument number `k`; `note` is shown when pointed at."""
        self.parts.append(titled(marker(k, *self.at(x, y), size, faint), note))

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
        return picture(WIDTH, self.height, self.title, self.description, [*body, *self.parts])


def picture(width: float, height: float, title: str, description: str, parts: Sequence[str]) -> str:
    """Elements as a whole picture with a name and a description."""
    label = escape(f"{title}. {description}")
    return (
        f'<svg viewBox="0 0 {width:.0f} {height:.0f}" role="img" aria-label="{label}">'
        f"<title>{escape(title)}</title>{''.join(parts)}</svg>"
    )


def colour_of(k: int) -> str:
    """The colour of instrument number `k`."""
    return COLOURS[k % len(COLOURS)]


def swatch(k: int) -> str:
    """A small picture of an instrument's colour, dash and marker, for legends."""
    dash = DASHES[k % len(DASHES)] or "none"
    line = tag("line", class_="line", stroke=colour_of(k), stroke_dasharray=dash, x1=0, x2=28, y1=6, y2=6)
    drawn = line + marker(k, 14.0, 6.0, 4.0)
    return f'<svg class="swatch" viewBox="0 0 28 12" aria-hidden="true">{drawn}</svg>'
