"""The page of details: every instrument's link and lag, every finding in full, what happened."""

import math

from monitor.dashboard.canvas import Canvas, wrap
from monitor.dashboard.look import BOLD, FAINT, GROUND, LOUD, QUIET, WARM, signed, whole, words
from monitor.dashboard.parts.findings import finding_words, ranked
from monitor.dashboard.parts.standing import standing
from monitor.live.view import Lane, View
from monitor.text import clock

HEADS = (
    ("instrument", 0), ("mount", 18), ("state", 26), ("late s", 46),
    ("loss", 54), ("bad", 60), ("battery", 64), ("expects", 72),
)  # fmt: skip
WIDE = 100
MOST_EVENTS = 100
LOW_BATTERY_PERCENT = 20


def details_page(view: View, width: int) -> Canvas:
    """The whole page, as long as it is: findings first, then instruments, then events."""
    findings = ranked(view.alarms)
    canvas = Canvas(width, 12 + 4 * len(findings) + len(view.lanes) + MOST_EVENTS, GROUND)
    y = 0
    canvas.put(1, y, "Open findings" if findings else "Open findings: none", BOLD)
    for alarm in findings:
        y += 1
        mark, text, mark_style, style = finding_words(view, alarm)
        canvas.put(1, y, f" {mark} ", mark_style)
        canvas.put(5, y, text, style, end=width)
        for line in wrap(alarm.text, width - 8, 3):
            y += 1
            canvas.put(7, y, line, QUIET)
    y += 2
    for head, at in HEADS:
        canvas.put(1 + at, y, head, QUIET)
    if width >= WIDE:
        canvas.put(83, y, "packets   raised", QUIET)
    for lane in view.lanes:
        y += 1
        _draw_instrument(canvas, y, view, lane)
    y += 2
    canvas.put(1, y, "What happened" if view.events else "nothing has happened yet", BOLD)
    for event in sorted(view.events, key=lambda event: -event.t_s)[:MOST_EVENTS]:
        y += 1
        canvas.put(1, y, f" {event.mark[:1]}", BOLD if event.mark == "!" else QUIET)
        x = canvas.put(5, y, f"{clock(event.t_s):>7}", FAINT)
        text = " ".join(map(words, event.text.split(" "))) if event.mark in "!✓" else event.text
        canvas.put(x + 1, y, text, BOLD if event.mark == "!" else QUIET, end=width)
    return canvas.cropped(y + 1)


def _draw_instrument(canvas: Canvas, y: int, view: View, lane: Lane) -> None:
    x, end, said = 1, canvas.width - 1, standing(view, lane)
    canvas.put(x, y, lane.label, BOLD, end=x + 17)
    canvas.put(x + 18, y, lane.mount, BOLD, end=x + 25)
    state_end = canvas.put(x + 26, y, f"{said.mark} {said.word}", LOUD if said.loud else BOLD, end=x + 45)
    if lane.heard != "heard":
        canvas.put(state_end + 1, y, clock(view.t_s - lane.heard_since_s), QUIET, end=x + 43)
    late = "" if lane.lag_s is None else f"{lane.lag_s:+z.1f} ±{lane.lag_u95_s or 0.0:.1f}"
    canvas.right(x + 52, y, late, BOLD)
    canvas.right(x + 59, y, "--" if lane.loss_percent is None else f"{lane.loss_percent:.1f} %", BOLD)
    canvas.right(x + 63, y, str(lane.bad_packets), WARM if lane.bad_packets else BOLD)
    battery = lane.battery_percent
    low = battery is not None and battery <= LOW_BATTERY_PERCENT
    text = "--" if battery is None else f"{whole(battery)} %{' !' if low else '  '}"
    canvas.right(x + 71, y, text, WARM if low else BOLD)
    if lane.expected_percent and math.isfinite(lane.expected_percent):
        canvas.right(x + 79, y, signed(lane.expected_percent), BOLD)
    if canvas.width >= WIDE:
        canvas.right(x + 89, y, str(lane.packets), BOLD)
        canvas.put(x + 92, y, ", ".join(map(words, lane.raised)), WARM, end=end)
