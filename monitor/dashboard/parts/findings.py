"""The open findings: one row each, once, in a place that it keeps until it is over."""

from rich.style import Style

from monitor.dashboard.canvas import Box, Canvas, cells
from monitor.dashboard.look import BOLD, LOUD, QUIET, WARM, about, words
from monitor.dashboard.parts.standing import Number, is_checked_again, sides_of, total_of
from monitor.finding import Kind, Side
from monitor.live.advice.again import COMPARED
from monitor.live.view import AlarmView, View
from monitor.text import clock

Key = tuple[Kind, str, Side | None]
Slots = tuple[Key | None, ...]
_RANK = {"raised": 0, "blind": 2, "pending": 3, "clear": 4}


def key_of(alarm: AlarmView) -> Key:
    """What makes a finding this one."""
    return alarm.kind, alarm.instrument, alarm.side


def open_findings(view: View) -> list[AlarmView]:
    """Findings that have a row: what is not recorded has the message row."""
    return [
        alarm
        for alarm in view.alarms
        if alarm.state in ("raised", "blind", "pending") and alarm.kind != "not-recorded"
    ]


def settled(before: Slots, view: View) -> Slots:
    """Who stands in which row: each keeps its own while it is open, a new one takes the first free one."""
    there = {key_of(alarm): alarm for alarm in open_findings(view)}
    slots: list[Key | None] = [key if key in there else None for key in before]
    for key in sorted(there, key=lambda key: there[key].since_s):
        if key in slots:
            continue
        if None in slots:
            slots[slots.index(None)] = key
        else:
            slots.append(key)
    while slots and slots[-1] is None:
        slots.pop()
    return tuple(slots)


def ranked(alarms: tuple[AlarmView, ...]) -> list[AlarmView]:
    """Findings in the order of urgency: waiting, acknowledged, blind, pending; the newest first in each."""
    return sorted(
        (alarm for alarm in alarms if alarm.state != "clear"),
        key=lambda alarm: (
            _RANK[alarm.state] + (alarm.state == "raised" and alarm.acknowledged),
            -alarm.since_s,
        ),
    )


def size_words(view: View, alarm: AlarmView) -> str:
    """By how much, and the limit: `+8.2 %, limit 1.8`; empty where a size says nothing.

    Of a deviation it is what the lane shows, as long as that is measured.
    """
    number = _present(view, alarm)
    if number is not None:
        return f"{number.percent:+z.1f} %, limit {number.limit:.1f}"
    if is_open_again(view, alarm):
        # What it was raised with was before the cure.
        return ""
    if alarm.kind in _SIZED and alarm.value is not None:
        limit = "" if alarm.limit is None else f", limit {alarm.limit:.1f}"
        return f"{alarm.value:+z.1f} {alarm.unit}{limit}"
    if alarm.kind == "battery-low" and alarm.value is not None:
        return f"{alarm.value:.0f} %"
    return ""


_SIZED = ("power-off", "side-off", "balance-off", "cadence-off", "shifted")


def _present(view: View, alarm: AlarmView) -> Number | None:
    """The number that a lane shows of what is raised."""
    lane = next((lane for lane in view.lanes if lane.label == alarm.instrument), None)
    if lane is None:
        return None
    if alarm.kind == "side-off":
        return next((each for side, each in sides_of(lane).items() if side == alarm.side), None)
    return total_of(lane, view.reference) if alarm.kind == "power-off" else None


def is_open_again(view: View, alarm: AlarmView) -> bool:
    """Whether what is raised is looked at anew, after somebody touched the instrument."""
    lane = next((lane for lane in view.lanes if lane.label == alarm.instrument), None)
    return lane is not None and alarm.kind in COMPARED and is_checked_again(lane)


def finding_words(view: View, alarm: AlarmView) -> tuple[str, str, Style, Style]:
    """Mark, text, and the styles of both."""
    named = f"{about(alarm.instrument, alarm.side)} {words(alarm.kind)}"
    size = size_words(view, alarm)
    text = (
        f"{clock(alarm.since_s)} {named}{f' {size}' if size else ''}, for {clock(view.t_s - alarm.since_s)}"
    )
    match alarm.state:
        case "raised" | "blind" if is_open_again(view, alarm):
            return "?", f"{text}, checking again", BOLD, BOLD
        case "raised" if not alarm.acknowledged:
            return "!", text, LOUD, BOLD
        case "raised":
            return "!", f"{text}, acknowledged", WARM, QUIET
        case "blind":
            return "◌", f"{text}, no data now", BOLD, QUIET if alarm.acknowledged else BOLD
        case _:
            return "…", f"{text}, not sure yet", QUIET, QUIET


def draw_findings(canvas: Canvas, box: Box, view: View, slots: Slots) -> None:
    """As many as there are rows; how many more there are is said in the last."""
    there = {key_of(alarm): alarm for alarm in open_findings(view)}
    slots = settled(slots, view)
    room, end = box.height, box.x + box.width - 1
    if len(slots) > room:
        hidden = [there[key] for key in slots[room - 1 :] if key is not None]
        _draw_more(canvas, box.x, box.y + room - 1, end, hidden)
        slots = slots[: room - 1]
    for row, key in enumerate(slots):
        if key is None:
            continue
        mark, text, mark_style, style = finding_words(view, there[key])
        canvas.put(box.x, box.y + row, f" {mark} ", mark_style)
        x = canvas.put(box.x + 4, box.y + row, text, style, end=end)
        what = there[key].what
        if what and x + 3 + cells(what) <= end:
            canvas.put(x + 3, box.y + row, what, QUIET)
    if not there:
        canvas.put(box.x + 1, box.y, "no open findings", QUIET, end=end)


def _draw_more(canvas: Canvas, x: int, y: int, end: int, hidden: list[AlarmView]) -> None:
    """How many have no row, the most urgent of them by name."""
    if not hidden:
        return
    first = ranked(tuple(hidden))[0]
    loud = first.state == "raised" and not first.acknowledged
    canvas.put(x, y, " ! ", LOUD if loud else QUIET)
    name = f"{about(first.instrument, first.side)} {words(first.kind)}"
    more = f"{len(hidden)} more: press i. {name}"
    canvas.put(x + 4, y, more, BOLD if loud else QUIET, end=end)
