"""What a figure is asked to be."""

from dataclasses import dataclass
from typing import Literal, NamedTuple, get_args

from monitor.report.material import Material
from monitor.text import PAGE, plain

Kind = Literal["deviation", "power", "sides", "cadence", "sprint", "torque", "agreement", "repeats"]
Style = Literal["light", "dark", "print"]
KINDS: tuple[str, ...] = get_args(Kind)
OVER_TIME = ("deviation", "power", "sides", "cadence")
HOW_TO_ADD = (
    "figures need matplotlib, an optional part. Add it with `pip install 'plumbwatt[figures]'`, "
    "in a checkout with `pip install -e '.[figures]'`."
)
MOST_PANELS = 4
MOST_DRAWN = 6
"""More lines in one picture can't be told apart."""


class FigureError(Exception):
    """A figure can't be drawn; the text says why and what to do."""


class Chosen(NamedTuple):
    """The instruments of a figure, and those for which it has no room."""

    labels: list[str]
    left_out: list[str]


@dataclass(frozen=True, slots=True)
class Stretch:
    """A part of the session, seconds, and its name."""

    from_s: float
    to_s: float
    name: str = ""


@dataclass(frozen=True, slots=True)
class Wanted:
    """One picture. `instruments` empty: all that can be drawn; `smooth_s` None: as usual for its kind."""

    what: Kind
    instruments: tuple[str, ...] = ()
    stretches: tuple[Stretch, ...] = ()
    smooth_s: int | None = None
    width: int = 1920
    height: int = 1080
    style: Style = "light"

    def chosen(self, among: list[str], most: int = MOST_DRAWN) -> Chosen:
        """Those of `among` that are asked for, in the order of roles, at most so many. FigureError: none."""
        found = [label for label in among if not self.instruments or label in self.instruments]
        if not found:
            names = ", ".join(among) or "none"
            raise FigureError(
                f"{' and '.join(self.instruments) or 'no instrument'} can't be drawn as {self.what}. "
                f"This session has it of: {names}."
            )
        return Chosen(found[:most], found[most:])

    def windows(self, given: Material) -> list[Stretch]:
        """The parts to draw: those asked for, else the whole session."""
        seconds = given.grid.seconds
        if not seconds:
            raise FigureError("the session has no whole second. Record a longer one.")
        found = [
            Stretch(s.from_s, min(s.to_s, seconds), s.name) for s in self.stretches if s.from_s < seconds
        ]
        if len(found) > MOST_PANELS:
            raise FigureError(f"a picture has at most {MOST_PANELS} stretches, not {len(found)}.")
        if self.stretches and not found:
            raise FigureError(f"the session ends before that: it has {seconds} s.")
        return found or [Stretch(0.0, float(seconds))]


def limits(given: Material, labels: list[str]) -> str:
    """The limits of these instruments in words."""
    return ", ".join(f"{label} ± {PAGE.number(given.limit(label))} %" for label in labels)


def identities(given: Material, labels: list[str]) -> str:
    """Name, model, serial number and firmware of each of these that is on test."""
    from monitor.report.first import identity

    known = given.study.instruments
    found = [f"{label}: {identity(known[label])}" for label in labels if known[label].role == "on-test"]
    return plain("; ".join(found), 400)
