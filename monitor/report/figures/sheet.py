"""The paper of a figure: its size, colours and letters, heading, legend and foot, and the file."""

import io
import re
from html import escape
from typing import Any

from matplotlib import rc_context
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.ticker import FuncFormatter

from monitor.report.drawing.colours import GROUND
from monitor.report.figures.wanted import Chosen, Wanted, identities
from monitor.report.head import day
from monitor.report.material import Material
from monitor.setup.roles import Look
from monitor.text import clock, plain

DPI = 100
MARKERS = {"circle": "o", "square": "s", "triangle": "^", "diamond": "D", "cross": "x"}
TITLE, TEXT, SMALL = 36.0, 25.0, 21.0
"""Heights of letters in pixels of a picture 1080 high."""
RC: Any = {
    "font.family": "DejaVu Sans", "svg.fonttype": "path", "svg.hashsalt": "plumbwatt", "path.simplify": False,
    "axes.unicode_minus": True, "text.parse_math": False,
}  # fmt: skip
"""DejaVu comes with matplotlib; letters are drawn as paths, so that a picture looks alike everywhere."""


class Sheet:
    """One picture with its panels; draws on a light or dark ground."""

    def __init__(
        self, given: Material, wanted: Wanted, chosen: Chosen, title: str, panels: tuple[int, int] = (1, 1),
        *, share_x: bool = False, share_y: bool = True,
    ) -> None:  # fmt: skip
        self.given, self.wanted, self.chosen, self.title = given, wanted, chosen, title
        self.rows, self.columns = panels
        self.dark = wanted.style == "dark"
        self.scale = min(wanted.width / 1920.0, wanted.height / 1080.0)
        if wanted.style == "print":
            # A printed column is narrow: larger letters, thinner lines.
            self.scale *= 1.25
        self.notes: list[str] = []
        self._legend: list[tuple[Any, str]] = []
        with rc_context(RC):
            self.figure = Figure(figsize=(wanted.width / DPI, wanted.height / DPI), dpi=DPI)
            FigureCanvasAgg(self.figure)
            self.figure.set_facecolor(self.ink("paper"))
            grid = self.figure.subplots(*panels, sharex=share_x, sharey=share_y, squeeze=False)
            self.panels: list[Axes] = list(grid.flat)
            for axes in self.panels:
                self._dress(axes)

    def ink(self, name: str) -> str:
        """A colour of the page by its name."""
        pair = GROUND[name]
        return pair.dark if self.dark else pair.light

    def colour(self, look: Look) -> str:
        """The colour of an instrument."""
        return look.dark if self.dark else look.light

    def points(self, pixels: float) -> float:
        """A height of letters, or a width of lines, in points."""
        return pixels * self.scale * 72.0 / DPI

    def stroke(self, look: Look) -> dict[str, Any]:
        """The line of an instrument."""
        thin = 0.6 if self.wanted.style == "print" else 1.0
        dash = (0.0, tuple(look.dash)) if look.dash else "solid"
        return {
            "color": self.colour(look),
            "linestyle": dash,
            "linewidth": self.points(1.9 * look.width * thin),
        }

    def mark(self, look: Look, pixels: float = 15.0, *, hollow: bool = False) -> dict[str, Any]:
        """The marker of an instrument."""
        own = {"marker": MARKERS[look.marker], "markersize": self.points(pixels), "color": self.colour(look)}
        if hollow:
            own["markerfacecolor"] = "none"
        return own | {
            "markeredgewidth": self.points(3.0 if look.marker == "cross" else 2.0 if hollow else 0.5)
        }

    def name(self, look: Look, text: str, *, marker: bool = False) -> None:
        """A word of the legend with the look of an instrument."""
        point = {key: value for key, value in self.mark(look).items() if key != "color"} if marker else {}
        key = Line2D([], [], **self.stroke(look), **point)
        self._legend.append((key, text))

    def _dress(self, axes: Axes) -> None:
        axes.set_facecolor(self.ink("paper"))
        axes.tick_params(colors=self.ink("ink"), labelsize=self.points(SMALL), width=self.points(1.5))
        axes.grid(color=self.ink("rule"), linewidth=self.points(1.2))
        axes.set_axisbelow(True)
        for spine in axes.spines.values():
            spine.set_color(self.ink("soft"))
            spine.set_linewidth(self.points(1.5))

    def axis_names(self, axes: Axes, x: str, y: str) -> None:
        """The names of both axes, with units."""
        axes.set_xlabel(x, fontsize=self.points(TEXT), color=self.ink("ink"))
        axes.set_ylabel(y, fontsize=self.points(TEXT), color=self.ink("ink"))

    def panel_title(self, axes: Axes, text: str) -> None:
        """What a panel shows, above it."""
        axes.set_title(plain(text, 70), fontsize=self.points(TEXT), color=self.ink("ink"), loc="left")

    def clock_axis(self, axes: Axes) -> None:
        """Times of the session as `m:ss`."""
        axes.xaxis.set_major_formatter(FuncFormatter(lambda t, _: clock(t) if t >= 0 else ""))
        low, high = axes.get_xlim()
        steps = (1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 14400)
        step = next((s for s in steps if (high - low) / s <= 9), 43200)
        first = -(-low // step) * step
        axes.set_xticks([first + k * step for k in range(int((high - first) // step) + 1)])

    def write(self, axes: Axes, x: float, y: float, text: str, **more: Any) -> None:
        """Words at a point of a panel, small, on a halo of the paper's colour."""
        from matplotlib.patheffects import withStroke

        halo = [withStroke(linewidth=self.points(5.0), foreground=self.ink("paper"))]
        own: dict[str, Any] = {
            "fontsize": self.points(SMALL),
            "color": self.ink("ink"),
            "path_effects": halo,
        } | more
        axes.text(x, y, plain(text, 60), **own)

    def band(self, axes: Axes, low: float, high: float) -> None:
        """A limit across a panel."""
        axes.axhspan(low, high, color=self.ink("band"), alpha=0.16, linewidth=0)

    def _without(self) -> list[str]:
        """Whom the picture leaves out for want of room."""
        names = ", ".join(self.chosen.left_out)
        return [f"Not drawn: {names}. Choose with --instrument."] if names else []

    def _description(self) -> str:
        return " ".join([f"{self.title}.", *self.notes, *self._without()])

    def _finish(self) -> None:
        """Heading, legend and foot, and the room that they leave."""
        width, height = float(self.wanted.width), float(self.wanted.height)
        edge, line = 34.0 * self.scale, SMALL * 1.45 * self.scale
        at = height - edge
        study = self.given.study
        under = [
            plain(study.bench, 60),
            day(study) if study.utc_ns else "",
            identities(self.given, self.chosen.labels),
        ]
        for text, pixels, weight in (
            (self.title, TITLE, "bold"),
            (" · ".join(text for text in under if text), SMALL, "normal"),
        ):
            colour = self.ink("ink" if weight == "bold" else "soft")
            for part in self._folded(text, pixels, width - 2.0 * edge):
                self.figure.text(edge / width, at / height, part, fontsize=self.points(pixels), weight=weight,
                                 color=colour, va="top")  # fmt: skip
                at -= 1.4 * pixels * self.scale
        if self._legend:
            keys, words = zip(*self._legend, strict=True)
            columns = max(1, min(len(keys), int(width / (max(map(len, words)) * 15.0 * self.scale + 130.0))))
            self.figure.legend(
                keys, words, loc="upper left", bbox_to_anchor=(0.5 * edge / width, at / height),
                ncols=columns, frameon=False, fontsize=self.points(TEXT), labelcolor=self.ink("ink"),
                handlelength=3.8, borderaxespad=0.2, columnspacing=1.6,
            )  # fmt: skip
            at -= (-(-len(keys) // columns) * TEXT * 1.65 + 8.0) * self.scale
        foot = [
            part
            for note in (*self.notes, *self._without())
            for part in self._folded(note, SMALL, width - 2.0 * edge)
        ]
        for k, part in enumerate(reversed(foot)):
            self.figure.text(
                edge / width, (0.6 * edge + k * line) / height, part, fontsize=self.points(SMALL),
                color=self.ink("soft"), va="bottom",
            )  # fmt: skip
        below = 0.6 * edge + len(foot) * line + 0.4 * edge
        self.figure.set_layout_engine(
            "constrained",
            rect=(0.5 * edge / width, below / height, 1.0 - edge / width, (at - below) / height),
            w_pad=0.08,
            h_pad=0.06,
        )

    def _folded(self, text: str, pixels: float, room: float) -> list[str]:
        """A text in lines that are no wider than so many pixels, by the usual width of a letter."""
        most = max(20, int(room / (0.56 * pixels * self.scale)))
        lines: list[str] = []
        for word in text.split(" "):
            if lines and len(lines[-1]) + 1 + len(word) <= most:
                lines[-1] += f" {word}"
            else:
                lines.append(word)
        return lines

    def encoded(self, form: str) -> bytes:
        """The file: png, svg or pdf, with a description for those who can't see it."""
        file = io.BytesIO()
        about: dict[str, dict[str, Any]] = {
            "png": {"Title": self.title, "Description": self._description()},
            "svg": {"Date": None, "Title": self.title, "Description": self._description()},
            "pdf": {
                "CreationDate": None,
                "ModDate": None,
                "Title": self.title,
                "Subject": self._description(),
            },
        }
        with rc_context(RC):
            self._finish()
            self.figure.savefig(file, format=form, dpi=DPI, metadata=about[form])
        data = file.getvalue()
        return _spoken(data, self.wanted, self._description()) if form == "svg" else data


def _spoken(svg: bytes, wanted: Wanted, description: str) -> bytes:
    """An SVG of its size in pixels, with its description as an element, where readers aloud look for it."""
    text = svg.decode()
    at = text.index("<svg ")
    head, rest = text[at : text.index(">", at)], text[text.index(">", at) + 1 :]
    head = re.sub(
        r'width="[^"]*" height="[^"]*"', f'width="{wanted.width}" height="{wanted.height}"', head, count=1
    )
    rest = rest.replace("<title>", f'<desc id="desc">{escape(description)}</desc>\n <title id="title">', 1)
    return f'{text[:at]}{head} role="img" aria-labelledby="title desc">{rest}'.encode()
