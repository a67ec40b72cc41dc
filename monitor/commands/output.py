"""What commands write: results to stdout, messages to stderr, nothing from outside unescaped."""

import contextlib
import os
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from monitor.text import plain

Progress = Callable[[float], None]
"""Told how far the work has come, in seconds of the session."""


class UsageError(Exception):
    """The arguments don't fit together, or name what isn't there; the text has the remedy."""


class OutputError(Exception):
    """What a command has to tell can't be written; the text has the remedy."""

    def __init__(self, reason: str) -> None:
        super().__init__(f"the output can't be written ({reason}). Send it to a terminal or another file.")


def write_message(text: str) -> None:
    """A line for the person, on stderr, freed of control characters; lost where that can't be written."""
    # Whoever closed it wants none, and work is not given up for want of a listener.
    if sys.stderr is not None:
        with contextlib.suppress(OSError, ValueError):
            print("\n".join(plain(line) for line in text.split("\n")), file=sys.stderr, flush=True)


def write_result(text: str) -> None:
    """A line of data, or several, on stdout, freed of control characters.

    OutputError: it can't be written. BrokenPipeError: its reader has gone.
    """
    if sys.stdout is None:
        raise OutputError("it is closed")
    try:
        print("\n".join(plain(line) for line in text.split("\n")), flush=True)
    except BrokenPipeError:
        raise
    except OSError as error:
        raise OutputError(error.strerror or str(error)) from None


def write_result_text(text: bytes) -> None:
    """A text of several lines as result."""
    for line in text.decode().rstrip("\n").split("\n"):
        write_result(line)


def write_file(path: Path, data: bytes) -> None:
    """A file that was asked for, in place of an older one. UsageError: it can't be written."""
    from storage.disk import write_whole

    try:
        write_whole(path, data, replace=True)
    except OSError as error:
        raise UsageError(f"{path} can't be written ({error.strerror or error}). Give another path.") from None
    write_message(f"written: {path}")


def need_utf8(path: Path) -> None:
    """UsageError: the name of a file or folder is no UTF-8, so it can't stand in a session's own files."""
    try:
        str(path).encode()
    except UnicodeEncodeError:
        raise UsageError(
            f"{path}: this name is no UTF-8. Choose a file or folder with another name."
        ) from None


def on_terminal() -> bool:
    """Whether a person can see and answer."""
    return all(stream is not None and stream.isatty() for stream in (sys.stdin, sys.stdout))


def use_style(style: str, headless: bool = False) -> None:
    """What the screen shall stand on; the terminal is asked meanwhile, where nobody says so."""
    if style != "auto":
        os.environ["PLUMBWATT_STYLE"] = style
    if not headless and on_terminal():
        from monitor.dashboard.grounds import ask_early

        ask_early()


def has_screen() -> bool:
    """Whether the screen can be shown; says that lines are printed instead if it can't."""
    if not on_terminal():
        write_message("note: no terminal, so findings are printed as lines (as --headless does)")
        return False
    return True


def table(rows: Sequence[tuple[str, ...]]) -> list[str]:
    """Rows of cells as lines with aligned columns."""
    cleaned = [tuple(plain(cell, limit=48) for cell in row) for row in rows]
    widths = [max(len(row[at]) for row in cleaned) for at in range(len(cleaned[0]))] if cleaned else []
    return [
        "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip()
        for row in cleaned
    ]


@contextmanager
def progress_bar(what: str, info: Any) -> Iterator[Progress]:
    """A bar on a terminal over the seconds of a session; silent elsewhere."""
    anchors = info.clock.anchors
    total = anchors[-1].t_ns / 1e9 if anchors else 0.0
    if not sys.stderr.isatty() or total < 600.0:
        yield lambda seconds: None
        return
    from rich.console import Console
    from rich.progress import Progress as Bar

    with Bar(console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task(what, total=total)
        last = [0.0]

        def advance(seconds: float) -> None:
            if seconds - last[0] >= 30.0:
                last[0] = seconds
                bar.update(task, completed=seconds)

        yield advance


@contextmanager
def many_bar(what: str) -> Iterator[Callable[[int, int, str], None]]:
    """A bar on a terminal over many things; silent elsewhere."""
    if not sys.stderr.isatty():
        yield lambda done, total, name: None
        return
    from rich.console import Console
    from rich.progress import Progress as Bar

    with Bar(console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task(what, total=None)
        yield lambda done, total, name: bar.update(task, completed=done, total=total, description=name[:40])
