"""`export`: a session for other tools."""

from pathlib import Path

from monitor.commands.talk import give, tell
from monitor.sessions.exporting import export as export_session


def export(session: Path, kind: str, out: Path | None) -> int:
    """Write one kind of export and print the paths. SessionError: it can't be read or written."""
    for path in export_session(session, kind, out, lambda text: tell(f"  {text}")):
        give(str(path))
    return 0
