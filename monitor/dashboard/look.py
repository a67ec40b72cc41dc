"""Colours, marks and words of the screen, each in one place.

A state is told by a mark and a word; colour only repeats it. Two hues that people with
any of the common colour vision deficiencies tell apart (blue and vermilion of the set of
Okabe and Ito, "Color Universal Design", 2008), on neutral grey.
"""

import math
from collections.abc import Mapping
from typing import NamedTuple

from rich.style import Style

from monitor.finding import KINDS, Rule, Side
from monitor.live.view import AlarmView, Lane, View
from monitor.setup.bench import Role
from monitor.setup.roles import LOOKS

BLUE, ORANGE = "#0072B2", "#D55E00"
BLACK, RAISED, WHITE = "#0B0B0B", "#262626", "#F4F4F4"

GROUND = Style(color=WHITE, bgcolor=BLACK)
BOLD = Style(color=WHITE, bgcolor=BLACK, bold=True)
QUIET = Style(color="#A8A8A8", bgcolor=BLACK)
FAINT = Style(color="#848484", bgcolor=BLACK)
CALM = Style(color=BLUE, bgcolor=BLACK, bold=True)
BAND = Style(color=BLUE, bgcolor=BLACK)
WARM = Style(color=ORANGE, bgcolor=BLACK, bold=True)
LOUD = Style(color="#000000", bgcolor=ORANGE, bold=True)
KEY = Style(color="#000000", bgcolor="#C8C8C8", bold=True)
ASK = Style(color="#FFFFFF", bgcolor=BLUE, bold=True)
OLD = Style(dim=True)
LINES: dict[Role, tuple[Style, ...]] = {
    role: tuple(Style(color=own.dark, bgcolor=BLACK, bold=role == "on-test") for own in looks)
    for role, looks in LOOKS.items()
}
"""Of an instrument's line, by its role: the same colours as in report and figures."""

CALM_RECORDING = ("recording", "replay", "replaying", "paused", "finished", "closed", "saved")
"""First words of `View.recording` that need nobody's attention; anything else is drawn loud."""


class Say(NamedTuple):
    """A state in words: mark, word, figure beside it, and how loud."""

    mark: str
    word: str
    figure: str = ""
    style: Style = BOLD
    loud: bool = False


def signed(value: float, unit: str = "%", digits: int = 1) -> str:
    """A difference with its sign and unit: `+5.2 %`; nought has no sign."""
    text = f"{value:+.{digits}f}"
    return f"{text.lstrip('+-') if float(text) == 0 else text} {unit}"


def whole(value: float | None) -> str:
    """A rounded number, or `--` when it cannot be known."""
    return "--" if value is None or not math.isfinite(value) else f"{value:.0f}"


_RULES: Mapping[str, Rule] = {str(kind): rule for kind, rule in KINDS.items()}
"""Kinds come as texts of events, too."""


def words(kind: str) -> str:
    """A finding's kind in words; a side before it stays: `right side-off` is `right side deviates`."""
    side, _, rest = kind.rpartition(" ")
    rule = _RULES.get(rest)
    return f"{side} {rest if rule is None else rule.words}".strip()


def about(instrument: str, side: Side | None) -> str:
    """Whom an alarm concerns: `heron`, `heron right`, or `bench`."""
    name = instrument or "bench"
    return name if side in (None, "total") else f"{name} {side}"


def waiting(view: View) -> list[AlarmView]:
    """Alarms that somebody has yet to acknowledge."""
    return [alarm for alarm in view.alarms if alarm.state in ("raised", "blind") and not alarm.acknowledged]


def not_recording(view: View) -> bool:
    """The disk or the recorder refuses: this evening is being lost."""
    text = view.recording.lower()
    return (
        not text.startswith(CALM_RECORDING)
        or "fail" in text
        or any(alarm.kind == "not-recorded" and alarm.state == "raised" for alarm in view.alarms)
    )


def is_heard(lane: Lane) -> bool:
    """Packets come from this instrument now."""
    return lane.heard == "heard"
