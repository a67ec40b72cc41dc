"""How an instrument stands, in a mark and a word: its worst open finding of any kind, else its verdict.

The rule for every figure with an uncertainty is here too: beyond three limits it is no measurement yet.
"""

import math
from collections.abc import Sequence
from typing import NamedTuple

from monitor.dashboard.look import BOLD, CALM, QUIET, WARM, Say, signed
from monitor.finding import KINDS, Side
from monitor.live.advice.again import COMPARED
from monitor.live.view import Again, AlarmView, Lane, View
from monitor.text import clock

MEASURED = 3.0
"""An uncertainty of so many limits says nothing yet."""
_ORDER = {kind: place for place, kind in enumerate(KINDS)}
DOUBLED = 0.2
"""A cadence within this part of twice (or half) another's is doubled (or halved)."""


class Number(NamedTuple):
    """A measured deviation in percent with its 95 % uncertainty and the limit it is held against."""

    percent: float
    u95: float
    limit: float
    against: str
    side: Side

    @property
    def outside(self) -> bool:
        """Beyond its limit."""
        return abs(self.percent) > self.limit


def is_measured(u95: float | None, limit: float | None) -> bool:
    """Whether a figure with this uncertainty may be shown: it is below three limits."""
    return u95 is not None and limit is not None and u95 < MEASURED * limit and math.isfinite(limit)


def _number(
    percent: float | None, u95: float | None, limit: float | None, against: str, side: Side
) -> Number | None:
    if percent is None or not math.isfinite(percent) or not is_measured(u95, limit):
        return None
    assert u95 is not None
    assert limit is not None
    return Number(percent, u95, limit, against, side)


def total_of(lane: Lane, reference: str) -> Number | None:
    """The deviation of the total; None: it is not measured yet."""
    if lane.heard != "heard" or lane.verdict in ("reference", "blind"):
        return None
    return _number(lane.deviation_percent, lane.u95_percent, lane.limit_percent, reference, "total")


def sides_of(lane: Lane) -> dict[Side, Number]:
    """The deviations of the sides, as far as they are measured."""
    if lane.heard != "heard" or lane.verdict == "reference":
        return {}
    limit, against = lane.side_limit_percent, lane.side_reference
    both = {
        "left": _number(lane.left_deviation_percent, lane.left_u95_percent, limit, against, "left"),
        "right": _number(lane.right_deviation_percent, lane.right_u95_percent, limit, against, "right"),
    }
    return {number.side: number for number in both.values() if number is not None}


def side_that_differs(lane: Lane) -> Number | None:
    """The side that is raised, the worse of two; None: none is."""
    sides = sides_of(lane)
    raised = [sides[side] for side in sides if f"{side} side-off" in lane.raised]
    return max(raised, key=lambda number: abs(number.percent), default=None)


def number_of(lane: Lane, reference: str) -> Number | None:
    """The number that stands for an instrument: a side that differs, else the total."""
    return side_that_differs(lane) or total_of(lane, reference)


def is_checked_again(lane: Lane) -> bool:
    """Whether it was touched since a finding was raised, and what came since does not show the same."""
    return lane.again is not None and not lane.again.stands


def again_words(again: Again) -> list[str]:
    """Since when, and how far that is: the second alone is enough where there is room for one."""
    return [f"since {clock(again.since_s)}", f"{again.measured_s:.0f} s of {again.needed_s:.0f} s"]


def way(percent: float) -> str:
    """A direction is a direction."""
    return "HIGH" if percent > 0.0 else "LOW"


def findings_of(view: View, label: str) -> list[AlarmView]:
    """The open findings of an instrument, the worst first, whether acknowledged or not."""
    own = [alarm for alarm in view.alarms if alarm.instrument == label and alarm.state in ("raised", "blind")]
    return sorted(own, key=lambda alarm: (_ORDER[alarm.kind], -alarm.since_s))


def _word(alarm: AlarmView, lane: Lane, view: View) -> str:
    """A finding in a word or two."""
    match alarm.kind:
        case "power-off":
            return way(alarm.value if alarm.value is not None else lane.deviation_percent or 0.0)
        case "side-off":
            own = lane.left_deviation_percent if alarm.side == "left" else lane.right_deviation_percent
            value = alarm.value if alarm.value is not None else own or 0.0
            return f"{(alarm.side or '').upper()} {way(value)}".strip()
        case "cadence-off":
            return _cadence_word(alarm, lane)
    return KINDS[alarm.kind].short


def _cadence_word(alarm: AlarmView, lane: Lane) -> str:
    own, by = lane.cadence_rpm, alarm.value
    if own is None or by is None or own - by <= 0.0:
        return KINDS[alarm.kind].short
    ratio = own / (own - by)
    if abs(ratio / 2.0 - 1.0) < DOUBLED:
        return "CADENCE DOUBLED"
    return "CADENCE HALVED" if abs(2.0 * ratio - 1.0) < DOUBLED else f"CADENCE {by:+z.0f}"


def _silence(lane: Lane, t_s: float) -> Say | None:
    """An instrument that is not heard; None: it is."""
    since = clock(t_s - lane.heard_since_s)
    match lane.heard:
        case "lost":
            return Say("!", "LOST", f"for {since}", WARM, loud=True)
        case "given-up":
            return Say("!", "GIVEN UP", f"{since} ago", WARM, loud=True)
        case "searching":
            return Say("~", "searching", since, QUIET)
        case "resting":
            return Say("○", "resting", since, QUIET)
        case "heard":
            return None


def _verdict(lane: Lane, number: Number | None) -> Say:
    """What the comparison says of it."""
    figure = "" if number is None else signed(number.percent)
    match lane.verdict:
        case "reference":
            return Say("┃", "reference")
        case "agrees":
            return Say("✓", "agrees", figure, CALM)
        case "differs":
            percent = number.percent if number is not None else lane.deviation_percent
            return Say("✗", "DIFFERS" if percent is None else way(percent), figure, WARM, loud=True)
        case "undecided":
            return Say("?", "undecided" if number is not None else "measuring", figure)
        case "blind":
            if lane.mount == "cadence":
                return Say("·", "cadence only", "", QUIET)
            return Say("◌", "no data yet", "", QUIET)


def standing(view: View, lane: Lane) -> Say:
    """What an instrument is, in a mark, a word and a figure."""
    silence = _silence(lane, view.t_s)
    if silence is not None and silence.loud:
        return silence
    number = number_of(lane, view.reference)
    found = findings_of(view, lane.label)
    if silence is None and found and found[0].kind in COMPARED and is_checked_again(lane):
        return Say("?", "checking again", "" if number is None else signed(number.percent), BOLD)
    if found:
        worst = found[0]
        if worst.state == "blind":
            return silence or Say("◌", "no data now", "", BOLD)
        figure = "" if number is None else signed(number.percent)
        loud = not KINDS[worst.kind].quiet and worst.state == "raised"
        if not loud and silence is None and lane.verdict == "differs":
            return _verdict(lane, number)
        mark = "✗" if worst.kind in ("power-off", "side-off") else "!"
        return Say(mark, _word(worst, lane, view), figure, WARM, loud=loud)
    return silence or _verdict(lane, number)


def _severity(view: View, lane: Lane) -> tuple[int, int, float]:
    """The lower, the sooner it has to be seen."""
    said = standing(view, lane)
    place = min((_ORDER[alarm.kind] for alarm in findings_of(view, lane.label)), default=len(_ORDER))
    open_ = {"differs": 0, "undecided": 1, "agrees": 2}.get(lane.verdict, 3)
    number = number_of(lane, view.reference)
    return (0 if said.loud else 1 + open_, place, -abs(number.percent) if number is not None else 0.0)


def units_on_test(view: View) -> list[Lane]:
    """The units on test in bench order; without any, whatever is held against the reference."""
    powered = [lane for lane in view.lanes if lane.mount != "cadence"]
    tested = [lane for lane in powered if lane.role == "on-test"]
    return tested or [lane for lane in powered if lane.verdict != "reference"] or powered


def chosen(view: View, label: str) -> Lane | None:
    """The unit that the hero shows: the one of that label, else the worst; None: there is none."""
    units: Sequence[Lane] = units_on_test(view)
    named = next((lane for lane in units if lane.label == label), None)
    return named or min(units, key=lambda lane: _severity(view, lane), default=None)
