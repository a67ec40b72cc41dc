"""The page of help: every key and every sign, grouped by the page it belongs to."""

from monitor.dashboard.canvas import Canvas, wrap
from monitor.dashboard.look import BOLD, FAINT, GROUND, KEY, QUIET, WARM
from monitor.dashboard.parts.keys import HANDS, KEYS, LOOKS, SCROLLING, KeyRow
from monitor.dashboard.parts.message import SAFETY

SIGNS: tuple[tuple[str, tuple[tuple[str, str], ...]], ...] = (
    (
        "Signs of a lane",
        (
            ("1 2 3", "the number of this instrument: up to 9 its key, wherever one is asked for"),
            ("✓ ✗ ?", "agrees; outside its limit; undecided or still measuring"),
            ("!", "another finding: its word stands in the lane, on a ground of its own if it is loud"),
            ("◌ ~ ○ ·", "no data yet; searching; resting while nobody pedals; cadence only"),
            ("┃", "the reference, a common line: left of it reads low, right of it reads high"),
            ("░", "the limit: the mark of a unit that agrees hangs in it"),
            ("├─█─┤", "the deviation that the verdict rests on, and its 95 % uncertainty"),
            ("║", "a mark that decides nothing yet"),
            ("L R", "the deviations of the sides, against the instrument that the first block names"),
            ("◀ ▶", "beyond the scale, on that side"),
            ("49/51", "left and right share of the power, percent"),
        ),
    ),
    (
        "The first block",
        (
            ("+4.1 %", "the deviation of the worst unit on test; of a side, if a side is outside its limit"),
            ("±1.2", "its 95 % uncertainty: up to three limits it reads measuring"),
            ("8 s of 30 s", "checking again: all figures are of what came since it was touched"),
            ("OK", "agrees; HIGH and LOW are outside the limit"),
            ("over 2:10", "the riding that the number rests on, since the last change"),
        ),
    ),
    (
        "The trace",
        (
            ("━ ╍ ┅ ╌", "units on test, in bench order"),
            ("┈ ┄ ┉ ╴", "the others; ─ is the reference"),
            ("░", "the limit around nought"),
            ("| ^ !", "a segment began; something was done; a finding was raised"),
        ),
    ),
    (
        "Open findings",
        (
            ("!", "open; on a ground of its own until it is acknowledged"),
            ("◌ …", "no data now, so it cannot clear; not sure yet"),
        ),
    ),
    (
        "The stroke",
        (("▁▄█", "torque over the turn, 0° crank up; · as it was when the present state began"),),
    ),
    (
        "Checks",
        (("✓ … · ! ✗", "well; still waited for; not reported; look at it; stops the ride"),),
    ),
    (
        "The header",
        (
            ("● REC", "recorded; WATCHING: this screen only watches; REPLAY x8; PAUSED"),
            ("TRAINER", "its state, from the first time it is armed on"),
        ),
    ),
)
"""Every sign that is drawn, by the part that it belongs to."""


def help_page(width: int, read_only: bool, hands: bool) -> Canvas:
    """The whole page, as long as it is."""
    canvas = Canvas(width, 120, GROUND)
    y = _draw_keys(canvas, 0, read_only, hands)
    for title, signs in SIGNS:
        y = _title(canvas, y + 1, title)
        for sign, text in signs:
            canvas.put(4, y, sign, BOLD, end=14)
            y = _text(canvas, 15, y, text)
    y += 1
    for line in wrap(f"{SAFETY} Ask qualified people when in doubt.", width - 5, 4):
        canvas.put(2, y, line, WARM)
        y += 1
    return canvas.cropped(y)


def _title(canvas: Canvas, y: int, title: str, note: str = "") -> int:
    x = canvas.put(2, y, title, BOLD)
    if note:
        canvas.put(x + 2, y, note, QUIET, end=canvas.width - 1)
    return y + 1


def _text(canvas: Canvas, x: int, y: int, text: str, faint: bool = False) -> int:
    """A sentence in as many rows as it needs; the row after it."""
    for line in wrap(text, canvas.width - x - 1, 3):
        canvas.put(x, y, line, FAINT if faint else BOLD)
        y += 1
    return y


def _draw_keys(canvas: Canvas, y: int, read_only: bool, hands: bool) -> int:
    note = "this screen only watches: keys that act are off" if read_only else ""
    if hands and not read_only:
        note = "While the trainer is armed, any other key drops it to its safe target."
    y = _title(canvas, y, "Keys of the bench", note)
    rows: tuple[KeyRow, ...] = (*KEYS, *(HANDS if hands else ()), *LOOKS)
    for key, _, _, sentence, act in rows:
        off = act and read_only
        canvas.put(4, y, f" {key} ", FAINT if off else KEY)
        y = _text(canvas, 15, y, sentence, faint=off)
    y = _title(canvas, y + 1, "Keys of a page", "its own key, Esc or q close it")
    for keys, sentence in SCROLLING:
        canvas.put(4, y, f" {keys} ", KEY)
        y = _text(canvas, 17, y, sentence)
    return y
