"""The same on a Dask cluster whose workers see the folder under the same path.

A worker that dies costs its session's try: the scheduler gives the session to another one a few times
(`distributed.scheduler.allowed-failures`), then it is refused with what happened.
"""

import threading
from collections.abc import Iterator, Sequence
from pathlib import Path

from monitor import __version__
from monitor.sessions.archive.dataset import Entry
from monitor.sessions.archive.judging import entry_of
from storage.damage import SessionError

CONNECT_S = 20.0
EXTRA = "pip install 'plumbwatt[cluster]'"
_one_at_a_time = threading.Lock()
"""A worker with several threads holds no more than one session in memory all the same."""


def judge(path: str, target: str) -> tuple[str, Entry]:
    """One session, on a worker: the version that judged it, and what became of it."""
    with _one_at_a_time:
        if not Path(path).exists():
            return __version__, Entry(
                Path(path).name,
                "refused",
                f"{path} is not there on a worker. Share the folder with all of them.",
            )
        return __version__, entry_of(Path(path), Path(target))


def on_cluster(address: str, paths: Sequence[Path], target: Path) -> Iterator[Entry]:
    """Entries in the order in which they are done.

    Raises:
        SessionError: the library is missing, or nobody answers at the address.
    """
    try:
        from distributed import Client, as_completed
        from distributed.scheduler import KilledWorker
    except ImportError:
        raise SessionError(
            Path(address), "can't be used: the library for clusters is missing", f"Install it with `{EXTRA}`"
        ) from None
    try:
        client = Client(address, timeout=CONNECT_S, set_as_default=False)
    except (OSError, TimeoutError, ValueError) as error:
        problem = f"does not answer as a Dask scheduler ({str(error)[:120]})"
        raise SessionError(
            Path(address), problem, "Start one with `dask scheduler`, and give its address"
        ) from None
    try:
        futures = {
            client.submit(judge, str(path.resolve()), str(target.resolve()), key=f"plumbwatt-{k}-{path.name}",
                          pure=False): path
            for k, path in enumerate(paths)
        }  # fmt: skip
        for future in as_completed(list(futures), loop=client.loop):
            path = futures.pop(future)
            failed = future.exception()
            if isinstance(failed, KilledWorker):
                yield Entry(path.name, "refused", "the worker that judged it died, again and again")
            elif failed is not None:
                yield Entry(path.name, "refused", f"{type(failed).__name__}: {failed}")
            else:
                version, entry = future.result()
                if version != __version__:
                    reason = (
                        f"a worker has version {version}, this is {__version__}. Install the same on all."
                    )
                    entry = Entry(path.name, "refused", reason)
                yield entry
            future.release()
    finally:
        client.close()
