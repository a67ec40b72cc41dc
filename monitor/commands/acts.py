"""`acts`: what was done in a session, listed, and put right with the original kept."""

from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import msgspec

from monitor.commands.output import UsageError, table, write_message, write_result
from monitor.sessions import acts as amending
from monitor.sessions.acts import Listed, Reading
from monitor.text import moment
from storage.attach import is_recording
from storage.damage import SessionError
from storage.session import open_session


def list_(folder: Path, json: bool) -> int:
    """Print every act: as a table, or as JSON lines."""
    found = amending.list_acts(open_session(folder).path)
    if json:
        for one in found:
            write_result(msgspec.json.encode(one).decode())
        return 0
    if not found:
        write_message("no acts were recorded")
        return 0
    for line in table([("no", "time", "act", "whom", "text", ""), *(_row(one) for one in found)]):
        write_result(line)
    return 0


def edit(
    folder: Path,
    key: str,
    act: str | None,
    text: str | None,
    instrument: str | None,
    at: float | None,
    why: str,
) -> int:
    """Change one act."""
    changes: dict[str, Any] = {"act": act, "text": text, "instrument": instrument, "at_s": at}
    changes = {name: value for name, value in changes.items() if value is not None}
    if not changes:
        raise UsageError("say what is to be changed: --act, --text, --instrument or --at.")
    path = _closed(folder)
    return _done(path, amending.edit_act(path, key, _now(), why, **changes))


def remove(folder: Path, key: str, why: str) -> int:
    """Say that an act never happened."""
    path = _closed(folder)
    return _done(path, amending.remove_act(path, key, _now(), why))


def restore(folder: Path, key: str) -> int:
    """Have an act read as it was recorded."""
    path = _closed(folder)
    return _done(path, amending.restore_act(path, key, _now()))


def add(folder: Path, act: str, text: str, instrument: str, at: float, why: str) -> int:
    """Add an act that nobody recorded."""
    path = _closed(folder)
    return _done(path, amending.add_act(path, Reading(act, text, instrument, at), _now(), why))


def _closed(folder: Path) -> Path:
    path = open_session(folder).path
    if is_recording(path):
        raise SessionError(path, "is being recorded now", "Acts are put right when the session is closed")
    return path


def _done(path: Path, one: Listed) -> int:
    if one.was is not None:
        write_message(f"recorded: {_words(one.was)}")
    write_message(f"now:      {_words(one.now) if one.now is not None else 'never happened'}")
    write_message(f"The journal is as it was; {path / amending.AMENDMENTS} has the change.")
    write_message(f"`plumbwatt study {path} --html report.html` judges the session anew.")
    return 0


def _words(reading: Reading) -> str:
    parts = (moment(reading.at_s), reading.act, reading.instrument, reading.text)
    return " ".join(part for part in parts if part)


def _row(one: Listed) -> tuple[str, ...]:
    reading = one.now or one.was
    remark = ""
    if one.now is None:
        remark = "removed"
    elif one.was is None:
        remark = "added"
    elif one.changed:
        remark = f"was: {_words(one.was)}"
    if reading is None:
        return (one.key, "", "", "", "", remark)
    return (one.key, moment(reading.at_s), reading.act, reading.instrument, reading.text, remark)


def _now() -> str:
    return datetime.now(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")
