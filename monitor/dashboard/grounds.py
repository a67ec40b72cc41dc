"""The grounds that the screen may stand on: dark, light, sixteen colours, none at all; and which one it is.

All is drawn in the colours of `look`; here each is put into those of a ground. Without colours an alarm is
bold and reversed, a question reversed, and all else is told by its words.
"""

import itertools
import os
import re
import sys
import threading
import time
from collections.abc import Callable, Mapping
from typing import Literal

from rich.style import Style

from monitor.dashboard.look import BLACK, BLUE, KEY, ORANGE, RAISED, WHITE
from monitor.setup.roles import LOOKS

Ground = Literal["dark", "light", "few", "none"]
"""`few`: the sixteen colours of old terminals. `none`: no colour is wanted (NO_COLOR)."""
STYLES = ("auto", "dark", "light")
VARIABLE = "PLUMBWATT_STYLE"
"""The variable of the environment that names one of `STYLES`."""
ASKED_S, FAR_S = 0.5, 1.5
"""How long a terminal has to say what it looks like; over ssh."""
_GREY = KEY.bgcolor.name if KEY.bgcolor is not None else ""

# Sixteen colours are not enough for every line: the dashes go on where the colours begin again.
_FEW_LINES = {
    "on-test": ("bright_white", "bright_magenta", "bright_blue", "yellow"),
    "witness": ("bright_green", "green", "cyan", "magenta"),
    "reference": ("white",),
}
_LIGHT: dict[str, str] = {
    WHITE: "#101010", "#a8a8a8": "#4a4a4a", "#848484": "#636363", BLUE: "#00568a", ORANGE: "#a84300",
    **{own.dark: own.light for looks in LOOKS.values() for own in looks},
}  # fmt: skip
_LIGHT_GROUND: dict[str, str] = {BLACK: "#fbfbfb", RAISED: "#e4e4e4"}
_FEW: dict[str, str] = {
    WHITE: "bright_white", "#a8a8a8": "white", "#848484": "white", BLUE: "bright_cyan",
    ORANGE: "bright_yellow", "#000000": "black",
    **{
        own.dark: colour
        for role, looks in LOOKS.items()
        for own, colour in zip(looks, itertools.cycle(_FEW_LINES[role]), strict=False)
    },
}  # fmt: skip
_FEW_GROUND: dict[str, str] = {
    BLACK: "black", RAISED: "black", ORANGE: "bright_yellow", BLUE: "blue", _GREY: "white",
}  # fmt: skip


def _lower(colours: Mapping[str, str]) -> dict[str, str]:
    return {colour.lower(): other for colour, other in colours.items()}


_COLOURS: dict[Ground, tuple[dict[str, str], dict[str, str]]] = {
    "light": (_lower(_LIGHT), _lower(_LIGHT_GROUND)),
    "few": (_lower(_FEW), _lower(_FEW_GROUND)),
}


def _bare(style: Style) -> Style:
    """A style without any colour."""
    ground = "" if style.bgcolor is None else style.bgcolor.name.lower()
    loud = ground == ORANGE.lower()
    reverse = loud or ground == BLUE.lower()
    bold = loud or (bool(style.bold) and not reverse)
    key = ground == _GREY.lower()
    return Style(bold=bold, reverse=reverse, underline=key, dim=style.dim, meta=style.meta or None)


def painter(ground: Ground) -> Callable[[Style], Style]:
    """What puts a style of `look` into that ground; each is made once."""
    if ground == "dark":
        return lambda style: style
    made: dict[Style, Style] = {}

    def paint(style: Style) -> Style:
        found = made.get(style)
        if found is None:
            found = made[style] = _bare(style) if ground == "none" else _mapped(style, *_COLOURS[ground])
        return found

    return paint


def _mapped(style: Style, colours: dict[str, str], grounds: dict[str, str]) -> Style:
    color = None if style.color is None else style.color.name.lower()
    back = None if style.bgcolor is None else style.bgcolor.name.lower()
    # Words on a coloured ground keep their own colour.
    on_ground = back is None or back in (BLACK.lower(), RAISED.lower())
    new = colours.get(color or "", color) if on_ground or colours is _COLOURS["few"][0] else color
    return style + Style(color=new, bgcolor=grounds.get(back or "", back))


def colours_of(ground: Ground) -> tuple[str, str]:
    """Foreground and background of an empty screen."""
    if ground == "light":
        return _LIGHT[WHITE], _LIGHT_GROUND[BLACK]
    return ("ansi_bright_white", "ansi_black") if ground == "few" else (WHITE, BLACK)


def is_light(report: str) -> bool | None:
    """Whether a terminal that answers so to OSC 11 has a light ground; None: that is no answer.

    `\\x1b]11;rgb:ffff/ffff/dddd` and a terminator, each part of one to four hexadecimal digits (xterm,
    control sequences, "Operating System Commands"). Luminance by the weights of Recommendation ITU-R BT.709.
    """
    found = re.search(r"\]11;rgba?:([0-9a-fA-F]{1,4})/([0-9a-fA-F]{1,4})/([0-9a-fA-F]{1,4})", report)
    if found is None:
        return None
    red, green, blue = (int(part, 16) / (16 ** len(part) - 1) for part in found.groups())
    luminance: float = 0.2126 * red + 0.7152 * green + 0.0722 * blue
    return luminance > 0.5


def is_light_by_environment(environ: Mapping[str, str]) -> bool | None:
    """What COLORFGBG says: `0;15` is black on white. None: nothing.

    It holds numbers of the sixteen colours, the ground last (common practice, no source).
    """
    last = environ.get("COLORFGBG", "").rpartition(";")[2]
    return int(last) in (7, *range(9, 16)) if last.isdecimal() else None


def has_few_colours(environ: Mapping[str, str]) -> bool:
    """Whether the terminal tells of no more than sixteen colours, as the library that draws reads it."""
    if environ.get("COLORTERM", "").strip().lower() in ("truecolor", "24bit"):
        return False
    return not environ.get("TERM", "").strip().lower().endswith(("256color", "kitty"))


def choose(environ: Mapping[str, str], reported: bool | None = None) -> Ground:
    """The ground for this environment; `reported`: what the terminal said of its own, light or not."""
    if environ.get("NO_COLOR"):
        return "none"
    wanted = environ.get(VARIABLE, "auto")
    if "TEXTUAL_DRIVER" in environ:
        # A browser draws it: all colours, on the ground of our own page.
        return "light" if wanted == "light" else "dark"
    light = is_light_by_environment(environ) if reported is None else reported
    if wanted != "auto":
        light = wanted == "light"
    if has_few_colours(environ) and not light:
        return "few"
    return "light" if light else "dark"


class Terminal:
    """Asks the terminal for its ground while something else is being started."""

    def __init__(self) -> None:
        self._answer: bool | None = None
        self._thread: threading.Thread | None = None
        environ = os.environ
        if (
            environ.get("NO_COLOR")
            or environ.get(VARIABLE, "auto") != "auto"
            or "TEXTUAL_DRIVER" in environ
            or is_light_by_environment(environ) is not None
            or environ.get("TERM", "dumb") in ("dumb", "linux")
            or sys.platform == "win32"
            or not (sys.stdin.isatty() and sys.stdout.isatty())
        ):
            return
        self._thread = threading.Thread(target=self._ask, name="terminal", daemon=True)
        self._thread.start()

    def ground(self) -> Ground:
        """The ground that was found; waits for the terminal's answer, not longer than it is given."""
        if self._thread is not None:
            self._thread.join(FAR_S)
        return choose(os.environ, self._answer)

    def _ask(self) -> None:
        import select
        import termios
        import tty

        number = sys.stdin.fileno()
        try:
            before = termios.tcgetattr(number)
        except termios.error:
            return
        said = b""
        wait_s = FAR_S if "SSH_CONNECTION" in os.environ else ASKED_S
        end_s = time.monotonic() + wait_s
        try:
            tty.setcbreak(number)
            # Almost every terminal answers the second question (primary device attributes), so that
            # nobody waits for an answer to the first where there is none.
            os.write(sys.stdout.fileno(), b"\x1b]11;?\x1b\\\x1b[c")
            while not re.search(rb"\x1b\[\?[0-9;]*c", said) and (left_s := end_s - time.monotonic()) > 0.0:
                if select.select([number], [], [], left_s)[0]:
                    said += os.read(number, 1024)
        except OSError:
            pass
        finally:
            termios.tcsetattr(number, termios.TCSADRAIN, before)
        self._answer = is_light(said.decode("ascii", "replace"))


_asked: Terminal | None = None


def ask_early() -> None:
    """Ask the terminal now; `ground_now` takes its answer."""
    global _asked
    _asked = Terminal()


def ground_now() -> Ground:
    """The ground of a screen that begins now."""
    return choose(os.environ) if _asked is None else _asked.ground()
