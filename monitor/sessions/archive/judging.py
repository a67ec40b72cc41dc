"""One session judged into the data set: alone, by one of several processes, or on a cluster."""

import contextlib
import glob
import os
from pathlib import Path

from monitor.sessions.archive.dataset import Entry, make
from monitor.setup.toml_check import BenchError
from storage.damage import DamagedSession, SessionError


def entry_of(path: Path, target: Path) -> Entry:
    """Judge one session; what is wrong with it becomes a reason and ends nothing else."""
    try:
        return Entry(path.name, make(path, target))
    except (SessionError, DamagedSession, BenchError, ValueError, OSError) as error:
        return Entry(path.name, "refused", str(error))
    except BaseException:
        # Stopped in the middle, perhaps where nobody had the half-written file in hand yet.
        sweep(path, target)
        raise


def sweep(path: Path, target: Path) -> None:
    """Remove the temporary files of this process from a session and its partitions."""
    own = f".*.{os.getpid()}*"
    for folder in (path, *target.glob(f"*/month=*/session={glob.escape(path.name)}")):
        for temporary in folder.glob(own):
            with contextlib.suppress(OSError):
                temporary.unlink()
