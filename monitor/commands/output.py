"""What commands write: results to stdout, messages to stderr, nothing from outside unescaped."""

import contextlib
import os
import sys
from collections.abc import Sequence
from pathlib import Path

from monitor.text import plain


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
