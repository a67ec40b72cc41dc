"""What a worker of a cluster is given to judge sessions, one of which ends it."""

import os
from pathlib import Path

from monitor import __version__
from monitor.sessions.archive import Entry
from monitor.sessions.archive.judging import entry_of


def judge_or_die(path: str, target: str) -> tuple[str, Entry]:
    """As the real one, but the first worker that meets a session with a file `kill` dies on the spot."""
    mark = Path(path) / "kill"
    if mark.exists():
        mark.unlink()
        os._exit(9)
    return __version__, entry_of(Path(path), Path(target))
