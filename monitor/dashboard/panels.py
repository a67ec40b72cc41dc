"""What stands above and below the lanes, and the pages of help and details. Pure drawing."""

import math
from typing import NamedTuple

from rich.style import Style

from monitor.dashboard.canvas import Box, Canvas, cells, wrap
from monitor.dashboard.figures import draw_figures, figure_width
from monitor.dashboard.lanes import most_pressing
from monitor.dashboard.look import (
    ASK,
    BOLD,
    CALM,
    FAINT,
    KEY,
    LOUD,
    QUIET,
    WARM,
    about,
    is_heard,
    not_recording,
    say,
    signed,
    waiting,
    whole,
    words,
)
from monitor.live.view import AlarmView, View
from monitor.text import clock

SAFETY = (
    "Hard riding, clamps, chains and a commanded trainer can hurt. "
    "The makers' instructions and local rules come first."
)

KEYS: tuple[tuple[str, str, str, str, bool], ...] = (
    ("space", "mark", "mark", "put a mark at this moment (m does it too)", True),
    ("z", "zeroed", "zeroed", "an instrument was just zeroed: choose which", True),
    ("g", "gear", "gear", "the gear that is ridden now; up and down bring earlier ones back", True),
    ("n", "note", "note", "write a note; it belongs to the moment of the key", True),
    ("s", "next", "segment", "begin the next segment now", True),
    ("a", "ack", "acknowledge", "acknowledge all alarms that wait; they stay until they clear", True),
    ("f", "finish", "finish", "finish the session (asks first)", True),
    ("i", "info", "page('details')", "every instrument and alarm in full; k: torque over the turn", False),
    ("?", "help", "page('help')", "this page; Esc, q or ? close it", False),
    ("q", "leave", "leave", "close this page, or the screen: recording goes on", False),
)
"""Key, word in the bottom line, action, sentence for the help page, and whether it is an act."""


HANDS: tuple[tuple[str, str, str, str, bool], ...] = (
    ("p", "pause", "pause", "pause the segment, go on with it", True),
    ("r", "repeat", "repeat", "begin the segment anew", True),
    ("y", "insert", "insert", "ride the proposed block next", True),
    ("t", "trainer", "trainer", "arm the trainer; let it go", True),
    ("o", "zero", "zero", "zero offset over the radio", True),
    ("l", "length", "length", "crank length: read it, set it", True),
    ("d", "stand", "position", "seated, standing", True),
    ("u", "undo", "undo", "take the last act back", True),
    ("b", "big", "page('big')", "big figures", False),
    ("c", "checks", "page('checks')", "checks before the ride", False),
)
"""The same for what a session that is being recorded offers besides."""

_SHORT = {
    "space": "mark this moment (m too)",
    "z": "was zeroed by hand: which",
    "g": "gear; up, down: earlier ones",
    "n": "note; of the key's moment",
    "s": "begin the next segment",
    "a": "acknowledge alarms",
    "f": "finish the session (asks)",
    "i": "all in full; k: the stroke",
    "?": "this page; Esc, q or ? close it",
    "q": "close a page, or the screen",
}
_LINE: tuple[tuple[str, ...], ...] = (
    ("space", "s", "p", "t", "o", "n", "u", "f", "?", "q"),
    ("space", "s", "p", "t", "o", "g", "n", "d", "u", "b", "c", "i", "f", "?", "q"),
)
"""What the bottom line has room for: on a narrow screen, and from `_WIDE` cells on; help has them all."""
_WIDE = 118


class Banner(NamedTuple):
    """Something that nobody may overlook: a headline and what to do about it."""

    headline: str
    detail: str
    loud: bool = True


def recording_banner(view: View) -> Banner | None:
    """The banner for a recording that fails, if it does."""
    if not not_recording(view):
        return None
    reasons = [alarm.text for alarm in view.alarms if alarm.kind == "not-recorded" and alarm.text]
    return Banner("NOT BEING RECORDED", ". ".join([view.recording, *reasons]))


def draw_banner(canvas: Canvas, box: Box, banner: Banner) -> None:
    """The whole width in one colour, the headline first."""
    style = LOUD if banner.loud else ASK
    canvas.fill(box, " ", style)
    mark = "!!! " if banner.loud else ""
    end = box.x + box.width - 1
    if box.height == 1:
        canvas.put(box.x + 1, box.y, f"{mark}{banner.headline}: {banner.detail}", style, end=end)
        return
    canvas.put(box.x + 1, box.y, f"{mark}{banner.headline}", style, end=end)
    canvas.right(end, box.y, mark.strip(), style)
    for row, line in enumerate(wrap(banner.detail, box.width - 6, box.height - 1)):
        canvas.put(box.x + 5 if banner.loud else box.x + 1, box.y + 1 + row, line, style, end=end)


def heard_text(view: View) -> tuple[str, bool]:
    """`3 of 4 heard, 1 lost`, and whether that is as it should be."""
    lanes = view.lanes
    text, fine = f"{sum(map(is_heard, lanes))} of {len(lanes)} heard", True
    for state, word in (("lost", "LOST"), ("given-up", "GIVEN UP"), ("resting", "resting")):
        number = sum(lane.heard == state for lane in lanes)
        if number:
            text, fine = f"{text}, {number} {word}", fine and state == "resting"
    return text, fine


def _recording(view: View, old: bool) -> tuple[str, Style]:
    if old:
        return "? recording not known", BOLD
    if not_recording(view):
        return "! NOT RECORDED", LOUD
    return f"● {view.recording}", BOLD


def draw_top(canvas: Canvas, box: Box, view: View, old: bool = False) -> None:
    """Session time, recording, who is heard; segment, target, time left, what comes next.

    Two rows, or three with large figures for what the rider must hold and for how long. An
    `old` view does not tell whether the recording goes on.
    """
    if box.height >= 3:
        _draw_tall_top(canvas, box, view, old)
        return
    x, y, end = box.x + 1, box.y, box.x + box.width - 1
    text, style = _recording(view, old)
    canvas.put(canvas.put(x, y, f"{clock(view.t_s):>7}", BOLD) + 2, y, text, style, end=end - 22)
    heard, fine = heard_text(view)
    canvas.right(end, y, heard, BOLD if fine else LOUD)
    segment = view.segment
    if segment is None:
        canvas.put(x, y + 1, "no segment", QUIET)
        return
    following = f"next {segment.next_name}" if segment.next_name else ""
    room = min(cells(following), 24)
    canvas.right(end, y + 1, following, QUIET, start=end - room)
    parts = [segment.name]
    if segment.count:
        parts.append(f"{segment.number} of {segment.count}")
    if segment.target_w is not None:
        parts.append(f"{segment.target_w:.0f} W")
    if segment.cadence_rpm is not None:
        parts.append(f"{segment.cadence_rpm:.0f} rpm")
    if segment.left_s is not None:
        parts.append(f"{clock(segment.left_s)} left")
    canvas.put(x, y + 1, "   ".join(parts), BOLD, end=end - room - 1)


def _draw_tall_top(canvas: Canvas, box: Box, view: View, old: bool) -> None:
    x, y, end = box.x + 1, box.y, box.x + box.width - 1
    segment = view.segment
    left_text = "" if segment is None or segment.left_s is None else clock(segment.left_s)
    target = "" if segment is None or segment.target_w is None else f"{min(9999.0, segment.target_w):.0f}"
    # From the right: time left, target; what remains is for words.
    edge = end
    if left_text:
        canvas.put(end - 4, y + 1, "left", QUIET)
        edge = end - 6 - figure_width(left_text, 3)
        draw_figures(canvas, edge, y, left_text, 3, BOLD)
        edge -= 3
    if segment is not None and not target and segment.load in ("free", "sprint") and not segment.paused:
        word = segment.load.upper()
        edge -= figure_width(word, 3)
        draw_figures(canvas, edge, y, word, 3, BOLD)
        edge -= 2
    if target:
        assert segment is not None
        rpm = "" if segment.cadence_rpm is None else f"{segment.cadence_rpm:.0f} rpm"
        canvas.put(edge - 7, y, "W", QUIET)
        canvas.put(edge - 7, y + 1, rpm or "target", BOLD if rpm else QUIET)
        edge = edge - 9 - figure_width(target, 3)
        draw_figures(canvas, edge, y, target, 3, BOLD)
        edge -= 2
    words_at = min(x + 24, x + box.width // 4 + 2)
    canvas.put(x, y, clock(view.t_s), BOLD)
    text, style = _recording(view, old)
    canvas.put(x, y + 1, text, style, end=words_at - 1)
    heard, fine = heard_text(view)
    canvas.put(x, y + 2, heard, BOLD if fine else LOUD, end=words_at - 1)
    if segment is None:
        canvas.put(words_at, y, "no segment", QUIET, end=edge)
        return
    canvas.put(words_at, y, segment.name, BOLD, end=edge)
    if segment.count:
        canvas.put(words_at, y + 1, f"{segment.number} of {segment.count}", BOLD, end=edge)
    if segment.next_name:
        canvas.put(words_at, y + 2, f"→ {segment.next_name}", QUIET, end=edge)


def draw_advice(canvas: Canvas, box: Box, view: View) -> None:
    """What to try now, or that there is nothing to say."""
    end = box.x + box.width - 1
    if not view.advice:
        canvas.put(box.x + 1, box.y, "no advice", FAINT)
        return
    canvas.put(box.x + 1, box.y, "▶", WARM if view.alarms else CALM)
    for row, line in enumerate(wrap(view.advice, end - box.x - 3, box.height)):
        canvas.put(box.x + 3, box.y + row, line, BOLD, end=end)


_RANK = {"raised": 0, "blind": 2, "pending": 3, "clear": 4}


def ranked(alarms: tuple[AlarmView, ...]) -> list[AlarmView]:
    """Alarms in the order of urgency: waiting, acknowledged, blind, pending; the newest first in each."""
    return sorted(
        (alarm for alarm in alarms if alarm.state != "clear"),
        key=lambda alarm: (
            _RANK[alarm.state] + (alarm.state == "raised" and alarm.acknowledged),
            -alarm.since_s,
        ),
    )


def _alarm_line(alarm: AlarmView, t_s: float) -> tuple[str, str, Style, Style]:
    """Mark, text, and the styles of both."""
    how_long = clock(t_s - alarm.since_s)
    text = f"{about(alarm.instrument, alarm.side)} {words(alarm.kind)}"
    match alarm.state:
        case "raised" if not alarm.acknowledged:
            return "!", f"{how_long} {text}", LOUD, BOLD
        case "raised":
            return "!", f"{how_long} {text}, seen", WARM, QUIET
        case "blind":
            return "◌", f"{how_long} no data: {text}", BOLD, QUIET if alarm.acknowledged else BOLD
        case _:
            return "…", f"{how_long} pending: {text}", QUIET, QUIET


def draw_log(canvas: Canvas, box: Box, view: View) -> None:
    """Alarms that are not calm, then the newest events, as many as there is room for."""
    end, y = box.x + box.width, box.y
    # What is not recorded has a banner of its own.
    alarms = [alarm for alarm in ranked(view.alarms) if alarm.kind != "not-recorded"]
    # At least a row for what happened last, but never at the price of an alarm that waits.
    room = max(box.height - 2, min(len(waiting(view)), box.height))
    shown = alarms[:room]
    if len(alarms) > room and room:
        shown = alarms[: room - 1]
    for alarm in shown:
        mark, text, mark_style, style = _alarm_line(alarm, view.t_s)
        canvas.put(box.x, y, f" {mark} ", mark_style)
        canvas.put(box.x + 4, y, text, style, end=end)
        y += 1
    if len(shown) < len(alarms):
        rest = alarms[len(shown) :]
        blind = sum(alarm.state == "blind" for alarm in rest)
        text = f"{len(rest)} more{f' ({blind} without data)' if blind else ''}: press i"
        canvas.put(box.x + 4, y, text, BOLD, end=end)
        y += 1
    for event in sorted(view.events, key=lambda event: event.t_s, reverse=True)[: box.y + box.height - y]:
        style = BOLD if event.mark == "!" else QUIET
        canvas.put(box.x, y, f" {event.mark[:1]}", style)
        x = canvas.put(box.x + 4, y, f"{clock(event.t_s):>7}", FAINT)
        text = event.text
        if event.mark in "!✓":
            text = " ".join(map(words, text.split(" ")))
        canvas.put(x + 1, y, text, style, end=end)
        y += 1
    if not alarms and not view.events:
        canvas.put(box.x + 4, y, "nothing has happened yet", FAINT, end=end)


def draw_keys(
    canvas: Canvas,
    y: int,
    read_only: bool,
    hands: bool = False,
    alarms: bool = False,
    armed: bool = False,
) -> None:
    """The bottom line: which key does what. Words can be clicked where there is a mouse.

    `alarms`: some wait to be acknowledged. `armed`: the widest key lets the trainer go, so another marks.
    """
    shown = [key for key in KEYS if not (read_only and key[4])]
    if hands and read_only:
        shown = [key for key in HANDS if not key[4]] + shown
    if hands and not read_only:
        known = {key[0]: key for key in (*KEYS, *HANDS)}
        line = _LINE[canvas.width >= _WIDE]
        if alarms:
            # In the place of what can wait.
            line = tuple("a" if key == "u" else key for key in line)
        shown = [known[key] for key in line]
        if armed:
            shown = [("m", *key[1:]) if key[0] == "space" else key for key in shown]
    elif not read_only and canvas.width < 90:
        shown = [key for key in shown if key[0] != "i"]
    gap = max(1, min(3, (canvas.width - sum(len(key[0]) + len(key[1]) + 2 for key in shown)) // len(shown)))
    x = 0
    for key, word, action, _, _ in shown:
        click = Style.from_meta({"@click": f"app.{action}"})
        x = canvas.put(x, y, key, KEY + click)
        x = canvas.put(x, y, f" {word}", BOLD + click) + gap
    if read_only:
        canvas.right(canvas.width - 1, y, "watching only", QUIET)


def draw_help(canvas: Canvas, box: Box, read_only: bool, hands: bool = False) -> None:
    """Keys, marks, and the words on safety."""
    x, y, end = box.x + 2, box.y, box.x + box.width - 1
    canvas.put(x, y, "Keys", BOLD)
    if read_only:
        canvas.put(x + 6, y, "(this screen only watches: keys that act are off)", QUIET)
    elif hands:
        any_other = "While the trainer is armed, any other key drops it to its safe target."
        canvas.put(x + 6, y, any_other, WARM, end=end)
    y += 1
    if hands and not read_only:
        y = _draw_all_keys(canvas, x, y, end)
    else:
        for key, _, _, sentence, act in KEYS:
            style = FAINT if act and read_only else BOLD
            canvas.put(x, y, f" {key} ", FAINT if act and read_only else KEY)
            canvas.put(x + 9, y, sentence, style, end=end)
            y += 1
    roomy = box.height >= 26
    y += roomy
    canvas.put(x, y, "Marks", BOLD)
    for mark, text in (
        ("┃", "the reference; left of it reads low, right reads high; L, R: sides"),
        ("░", "the tolerance, where █ should hang; ├─█─┤ how sure we are (95 %)"),
        ("✓ ✗ ?", "agrees; DIFFERS for certain; can't tell yet (then the mark is ║)"),
        ("◌", "no data yet: cannot be judged now, neither calm nor alarm"),
        ("! ~ ○", "signal LOST; searching for it; resting (asleep while nobody pedals)"),
    ):
        y += 1
        canvas.put(x, y, mark, BOLD)
        canvas.put(x + 9, y, text, BOLD, end=end)
    y += 1 + roomy
    room = box.y + box.height - y
    lines = wrap(SAFETY + " Ask qualified people when in doubt.", box.width - 4, 9)
    for line in lines if len(lines) <= room else wrap(SAFETY, box.width - 4, room):
        canvas.put(x, y, line, WARM)
        y += 1


def _draw_all_keys(canvas: Canvas, x: int, y: int, end: int) -> int:
    """Two columns of keys; the row after them."""
    half = x + (end - x) // 2
    for row, (left, right) in enumerate(zip(KEYS, HANDS, strict=True)):
        canvas.put(x, y + row, f" {left[0]} ", KEY)
        canvas.put(x + 8, y + row, _SHORT[left[0]], BOLD, end=half - 1)
        canvas.put(half, y + row, f" {right[0]} ", KEY)
        canvas.put(half + 4, y + row, right[3], BOLD, end=end)
    return y + len(KEYS)


def draw_details(canvas: Canvas, box: Box, view: View) -> None:
    """Every instrument's link and lag, what the drivetrain lets expect of it, and every alarm in full."""
    x, y, end = box.x + 1, box.y, box.x + box.width - 1
    heads = (
        ("instrument", 0),
        ("mount", 18),
        ("state", 26),
        ("late s", 46),
        ("loss", 54),
        ("bad", 60),
        ("battery", 64),
        ("expects", 72),
    )
    for head, at in heads:
        canvas.put(x + at, y, head, QUIET)
    if box.width >= 100:
        canvas.put(x + 82, y, "packets   raised", QUIET)
    y += 1
    alarms = ranked(view.alarms)
    bottom = box.y + box.height
    # The alarms, or the first of them, keep their place below.
    shown, left_out = most_pressing(view.lanes, bottom - y - 2 - min(3, len(alarms)))
    for lane in shown:
        said = say(lane, view.t_s)
        canvas.put(x, y, lane.label, BOLD, end=x + 17)
        canvas.put(x + 18, y, lane.mount, BOLD, end=x + 25)
        state_end = canvas.put(x + 26, y, f"{said.mark} {said.word}", LOUD if said.loud else BOLD)
        if lane.heard != "heard":
            canvas.put(state_end + 1, y, clock(view.t_s - lane.heard_since_s), QUIET, end=x + 43)
        late = "" if lane.lag_s is None else f"{lane.lag_s:+.1f} ±{lane.lag_u95_s or 0.0:.1f}"
        canvas.right(x + 52, y, late, BOLD)
        canvas.right(x + 59, y, "--" if lane.loss_percent is None else f"{lane.loss_percent:.1f} %", BOLD)
        canvas.right(x + 63, y, str(lane.bad_packets), WARM if lane.bad_packets else BOLD)
        battery = lane.battery_percent
        low = battery is not None and battery <= 20
        canvas.right(
            x + 71,
            y,
            "--" if battery is None else f"{whole(battery)} %{' !' if low else '  '}",
            WARM if low else BOLD,
        )
        if lane.expected_percent and math.isfinite(lane.expected_percent):
            canvas.right(x + 79, y, signed(lane.expected_percent), BOLD)
        if box.width >= 100:
            canvas.right(x + 89, y, str(lane.packets), BOLD)
            canvas.put(x + 92, y, ", ".join(map(words, lane.raised)), WARM, end=end)
        y += 1
    if left_out:
        canvas.put(x, y, f"and {left_out} more: they need a taller window", WARM)
        y += 1
    y += 1
    canvas.put(x, y, "Alarms" if alarms else "Alarms: none", BOLD)
    for number, alarm in enumerate(alarms):
        y += 1
        if y == bottom - 1 and number < len(alarms) - 1:
            canvas.put(x, y, f"and {len(alarms) - number} more: they need a taller window", WARM)
            break
        mark, text, mark_style, style = _alarm_line(alarm, view.t_s)
        canvas.put(x, y, f" {mark} ", mark_style)
        text = f"{text}. {alarm.text}" if alarm.text else text
        lines = wrap(text, box.width - 6, max(1, min(3, bottom - y - (len(alarms) - number - 1))))
        for row, line in enumerate(lines):
            y += row > 0
            canvas.put(x + 4, y, line, style)
