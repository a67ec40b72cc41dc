"""The keys: what each does, and the bottom line that shows the common ones."""

from rich.style import Style

from monitor.dashboard.canvas import Canvas
from monitor.dashboard.look import BOLD, KEY, QUIET

KeyRow = tuple[str, str, str, str, bool]

KEYS: tuple[KeyRow, ...] = (
    ("space", "mark", "mark", "put a mark at this moment (m does it too)", True),
    ("z", "zeroed", "zeroed", "an instrument was just zeroed by hand: choose which", True),
    ("g", "gear", "gear", "the gear that is ridden now; up and down bring earlier ones back", True),
    ("n", "note", "note", "write a note; it belongs to the moment of the key", True),
    ("s", "next", "segment", "begin the next segment now; asks within 2 s after a change", True),
    ("a", "ack", "acknowledge", "acknowledge all alarms that wait; they stay until they clear", True),
    ("f", "finish", "finish", "finish the session (asks first)", True),
    ("i", "info", "page('details')", "every instrument, finding and event in full", False),
    ("?", "help", "page('help')", "this page; Esc, q or ? close it", False),
    ("q", "leave", "leave", "close this page, or the screen: recording goes on", False),
)
"""Key, word in the bottom line, action, sentence for the help page, and whether it is an act."""

HANDS: tuple[KeyRow, ...] = (
    ("p", "pause", "pause", "pause the segment, go on with it", True),
    ("r", "repeat", "repeat", "begin the segment anew; at the end, the last one", True),
    ("y", "insert", "insert", "ride the proposed block next", True),
    ("t", "trainer", "trainer", "arm the trainer; let it go", True),
    ("o", "zero", "zero", "zero offset over the radio", True),
    ("l", "length", "length", "crank length over the radio: read it, set it", True),
    ("d", "stand", "position", "seated, standing", True),
    ("e", "moved", "remounted", "an instrument was re-seated, or its sensor moved: choose which", True),
    ("v", "stretch", "stretch", "open a stretch; once more closes it: the study has a row for it", True),
    ("u", "undo", "undo", "take the last act back", True),
    ("b", "big", "page('big')", "large figures for the rider", False),
    ("c", "checks", "page('checks')", "checks before the ride", False),
)
"""The same for what a session that is being recorded offers besides."""

LOOKS: tuple[KeyRow, ...] = (
    ("tab", "unit", "unit", "show the next unit on test; after the last, the worst again", False),
    ("w", "watts", "traced", "trace of power, or of deviation again", False),
    ("k", "stroke", "page('stroke')", "torque over the turn, of those that report it", False),
    ("ctrl+z", "suspend", "suspend_process", "back to the shell; fg brings the screen back", False),
)
"""Keys of every screen that only look."""

SCROLLING: tuple[tuple[str, str], ...] = (
    ("PgDn PgUp", "the next part of a page, the one before"),
    ("j k", "a line down, a line up; the arrow keys too"),
)

_LINE: tuple[tuple[str, ...], ...] = (
    ("space", "s", "p", "t", "o", "n", "u", "f", "?", "q"),
    ("space", "s", "p", "t", "o", "g", "n", "d", "u", "b", "c", "i", "f", "?", "q"),
)
"""What the bottom line has room for: on a narrow screen, and from `_WIDE` cells on; help has them all."""
_WIDE = 118


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
    shown = _shown(canvas.width, read_only, hands, alarms, armed)
    gap = max(1, min(3, (canvas.width - sum(len(key[0]) + len(key[1]) + 2 for key in shown)) // len(shown)))
    x = 0
    for key, word, action, _, _ in shown:
        click = Style.from_meta({"@click": f"app.{action}"})
        x = canvas.put(x, y, key, KEY + click)
        x = canvas.put(x, y, f" {word}", BOLD + click) + gap
    if read_only:
        canvas.right(canvas.width - 1, y, "watching only", QUIET)


def _shown(width: int, read_only: bool, hands: bool, alarms: bool, armed: bool) -> list[KeyRow]:
    if read_only or not hands:
        shown = [key for key in KEYS if not (read_only and key[4])]
        if hands:
            shown = [key for key in HANDS if not key[4]] + shown
        return shown if read_only or width >= 90 else [key for key in shown if key[0] != "i"]
    known = {key[0]: key for key in (*KEYS, *HANDS)}
    line = _LINE[width >= _WIDE]
    if alarms:
        # In the place of what can wait.
        line = tuple("a" if key == "u" else key for key in line)
    shown = [known[key] for key in line]
    return [("m", *key[1:]) if armed and key[0] == "space" else key for key in shown]


def draw_small_keys(canvas: Canvas, y: int, width: int) -> None:
    """The bottom line of a window with room for the hero only."""
    x = 0
    for key, word in (("?", "help"), ("q", "leave")):
        x = canvas.put(x, y, key, KEY)
        x = canvas.put(x, y, f" {word}", BOLD) + 2
    canvas.put(x, y, "80x24 shows all", QUIET, end=width)
