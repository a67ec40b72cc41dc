"""`study FOLDER`: all evenings side by side, or the health of the references."""

import os
import time
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import msgspec

from monitor import __version__
from monitor.commands.output import (
    UsageError,
    many_bar,
    write_file,
    write_message,
    write_result,
    write_result_text,
)

if TYPE_CHECKING:
    from monitor.study.evenings.evening import Evening
    from monitor.study.evenings.groups import SideBySide
    from monitor.study.evenings.references import References


class ManySessions(msgspec.Struct, frozen=True):
    """What is wished of a folder of sessions: rows by what, the references' health, and who judges."""

    by: Literal["unit", "model", "firmware", "bench"] = "unit"
    references: bool = False
    jobs: int = 1
    cluster: str | None = None


MOST_JOBS = 256
FORMAT = 1
"""Of the JSON of a folder."""


def study_folder(
    folder: Path, json: str | None, html: Path | None, many: ManySessions, width: int | None = None
) -> int:
    """Bring the data set of a folder up to date, and print or write what it says of all evenings.

    Sessions that can't be studied are named, and end nothing. UsageError, SessionError.
    """
    from monitor.report.evenings.terminal import evening_lines, reference_lines
    from monitor.sessions.archive import read_evenings, update
    from monitor.sessions.live.trusted import keep_health
    from monitor.study.evenings.groups import side_by_side

    with many_bar("sessions") as progress:
        target, entries = update(folder, progress=progress, jobs=_jobs(many.jobs), cluster=many.cluster)
    names = {entry.session for entry in entries}
    # Partitions of sessions that are gone stay, but are no evenings of this folder.
    evenings = [e for e in read_evenings(target) if e.session in names]
    found = side_by_side(evenings, many.by)
    references = references_now(evenings)
    keep_health(target, references)
    if json is None or json != "-":
        for line in reference_lines(references, width) if many.references else evening_lines(found, width):
            write_result(line)
    _write(folder, found, references, json, html)
    new = sum(entry.state == "new" for entry in entries)
    refused = [entry for entry in entries if entry.state == "refused"]
    write_message(
        f"{len(entries)} sessions, {new} new or changed, {len(refused)} refused; data set: {target}"
    )
    for entry in refused:
        write_message(f"note: {entry.session}: {entry.reason}")
    return 0


def _jobs(wished: int) -> int:
    if not 0 <= wished <= MOST_JOBS:
        raise UsageError(f"--jobs is a number of processes from 0 (one a core) to {MOST_JOBS}, not {wished}.")
    return wished or os.cpu_count() or 1


def references_now(evenings: Sequence["Evening"]) -> "References":
    """The health of the trusted instruments as of today."""
    from monitor.study.evenings.references import references_of

    weighed: dict[str, str] = {}
    for e in evenings:
        key = e.unit or e.instrument
        if e.weighed:
            weighed[key] = max(weighed.get(key, ""), e.weighed)
    return references_of(evenings, weighed, time.strftime("%Y-%m-%d"))


def _write(
    folder: Path, found: "SideBySide", references: "References", json: str | None, html: Path | None
) -> None:
    if json is not None:
        whole: dict[str, Any] = {"format": FORMAT, "program": f"plumbwatt {__version__}"}
        whole |= msgspec.to_builtins(found)
        whole["references"] = msgspec.to_builtins(references)
        text = msgspec.json.format(msgspec.json.encode(whole), indent=1) + b"\n"
        if json == "-":
            write_result_text(text)
        else:
            write_file(Path(json), text)
    if html is not None:
        from monitor.report.evenings.page import evenings_html

        title = folder.resolve().name or "sessions"
        page = evenings_html(title, found, references, f"plumbwatt {__version__}")
        write_file(html, page.encode())
