"""`export`: a session for other tools."""

from pathlib import Path

from monitor.commands.output import write_message, write_result
from monitor.sessions.exporting import export as export_session


def export(session: Path, kind: str, out: Path | None, so_far: bool = False) -> int:
    """Write one kind of export and print the paths. SessionError: it can't be read or written."""
    for path in export_session(session, kind, out, lambda text: write_message(f"  {text}"), so_far=so_far):
        write_result(str(path))
    return 0
