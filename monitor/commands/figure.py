"""`figure`: one picture of a session, for an article or a film."""

import difflib
import re
from pathlib import Path

from monitor.commands.asking.options import parse_all
from monitor.commands.output import UsageError, write_message, write_result
from monitor.report.figures import FigureError, Wanted, figure_bytes
from monitor.report.figures.wanted import Kind, Stretch, Style
from monitor.report.material import Material
from monitor.sessions.asked import need_inside
from monitor.sessions.derived import session_arrays
from monitor.sessions.so_far import to_judge
from monitor.study.parts.common import shared_of
from monitor.study.study import study
from storage.disk import write_whole
from storage.session import open_session

FORMS = ("png", "svg", "pdf")
SIZE = re.compile(r"(\d{3,5})\s*[xX×]\s*(\d{3,5})")
LEAST_PIXELS, MOST_PIXELS = 400, 8000
LONGEST_SMOOTHING_S = 3600


def figure(
    session: Path,
    what: Kind,
    out: Path,
    instruments: list[str],
    stretches: list[str],
    smooth_s: int | None,
    size: str,
    style: Style,
) -> int:
    """Draw one picture and print its path; the exit code.

    UsageError: the arguments, or what the session lacks. Raises SessionError, DamagedSession and
    BenchError as `study` does.
    """
    form = out.suffix.lower().lstrip(".")
    if form not in FORMS:
        raise UsageError(f"{out} is no picture that can be drawn. Name it .png, .svg or .pdf.")
    if not out.parent.is_dir():
        raise UsageError(f"{out} can't be written: there is no folder {out.parent}. Make it first.")
    width, height = parse_size(size)
    if smooth_s is not None and not 1 <= smooth_s <= LONGEST_SMOOTHING_S:
        raise UsageError(f"--smooth takes 1 to {LONGEST_SMOOTHING_S} seconds, not {smooth_s}.")
    asked = parse_all(stretches)
    folder = open_session(to_judge(session, False)).path
    recording, damage = session_arrays(folder)
    need_inside(folder, asked, recording.seconds)
    _known_labels(instruments, recording.labels)
    if damage is not None and damage.lossy:
        write_message(f"note: {session}: {damage.text}. `plumbwatt rescue` makes it whole.")
    shared = shared_of(recording)
    wanted = Wanted(
        what, tuple(instruments), tuple(Stretch(w.from_s, w.to_s, w.name) for w in asked), smooth_s, width,
        height, style,
    )  # fmt: skip
    try:
        data = figure_bytes(Material(study(recording, shared), shared), wanted, form)
    except FigureError as error:
        raise UsageError(str(error)) from None
    try:
        write_whole(out, data, replace=True)
    except OSError as error:
        raise UsageError(f"{out} can't be written ({error.strerror or error}). Give another path.") from None
    write_result(str(out))
    return 4 if damage is not None and damage.lossy else 0


def parse_size(text: str) -> tuple[int, int]:
    """Width and height in pixels of `1920x1080`. UsageError: it is none, or too small or large."""
    found = SIZE.fullmatch(text.strip())
    if found is None:
        raise UsageError(f"{text!r} is no size. Write WIDTHxHEIGHT in pixels, as in 1920x1080.")
    width, height = int(found[1]), int(found[2])
    if not all(LEAST_PIXELS <= side <= MOST_PIXELS for side in (width, height)):
        raise UsageError(f"a picture has {LEAST_PIXELS} to {MOST_PIXELS} pixels a side, not {text}.")
    return width, height


def _known_labels(asked: list[str], known: list[str]) -> None:
    for label in asked:
        if label not in known:
            close = difflib.get_close_matches(label, known, 1)
            remedy = f"Did you mean {close[0]}?" if close else f"There are {', '.join(known)}."
            raise UsageError(f"the session has no instrument {label!r}. {remedy}")
