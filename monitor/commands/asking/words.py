"""`words`: the tester's own words to a session, shown and set."""

from pathlib import Path

import msgspec

from monitor.commands.output import UsageError, write_message, write_result
from monitor.sessions.asked import KEYS, read_words, set_words
from monitor.text import plain
from storage.attach import is_recording
from storage.session import open_session


def words(folder: Path, settings: list[str], json: bool) -> int:
    """Print the words, after setting those that are given as KEY=TEXT. UsageError: one is none."""
    path = open_session(folder).path
    if settings and is_recording(path):
        raise UsageError(f"{path} is being recorded now. Finish it first.")
    changes = {}
    for each in settings:
        key, equals, text = each.partition("=")
        if not equals:
            raise UsageError(
                f"{plain(each, 60)!r} sets nothing. Write KEY=TEXT, with one of {', '.join(KEYS)}."
            )
        changes[key.strip()] = text
    try:
        now = set_words(path, changes) if changes else read_words(path)
    except ValueError as error:
        raise UsageError(f"{error}. Nothing was changed.") from None
    if json:
        write_result(msgspec.json.encode(now).decode())
    else:
        for line in word_lines(now):
            write_result(line)
    if not now:
        write_message(
            f"no words yet: `plumbwatt words {path} --set question=TEXT` sets one of {', '.join(KEYS)}"
        )
    return 0


def word_lines(now: dict[str, str]) -> list[str]:
    """Each key with its text; further lines of a text are indented."""
    width = max((len(key) for key in now), default=0) + 2
    lines = []
    for key, text in now.items():
        first, *rest = text.split("\n")
        lines.append(f"{key + ':':<{width}}{first}")
        lines += [" " * width + line for line in rest]
    return lines
