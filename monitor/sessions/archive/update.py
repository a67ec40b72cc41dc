"""A folder of sessions brought up to date: what has changed is judged anew, here or by others."""

from collections.abc import Callable, Iterable
from pathlib import Path

from monitor.sessions.archive.dataset import (
    FOLDER,
    Entry,
    drop_old,
    is_kept,
    need_no_link,
    sessions_in,
)
from monitor.sessions.archive.judging import entry_of
from storage.damage import SessionError

Progress = Callable[[int, int, str], None]
"""Told how many are done, of how many, and the name of one that is being judged."""


def update(
    folder: Path,
    out: Path | None = None,
    progress: Progress | None = None,
    *,
    jobs: int = 1,
    cluster: str | None = None,
) -> tuple[Path, list[Entry]]:
    """Bring the data set of a folder up to date; where it is, and what became of each session.

    Only sessions whose journal, amendments, joined files or weights changed, or that another version judged,
    are judged anew, by `jobs` processes of this computer or on the Dask cluster at `cluster`. A session that
    can't be studied is named and left out; partitions of sessions that are gone stay. Raises SessionError if
    the folder holds no session, and what `monitor.sessions.archive.cluster` raises.
    """
    paths = sessions_in(folder)
    if not paths:
        raise SessionError(folder, "holds no session", "Give a folder that holds session folders")
    target = out if out is not None else folder / FOLDER
    if out is None:
        need_no_link(target)
    drop_old(target)
    entries: dict[str, Entry] = {}
    waiting = []
    for path in paths:
        if is_kept(path, target):
            entries[path.name] = Entry(path.name, "kept")
        else:
            waiting.append(path)
    say = progress or (lambda done, total, name: None)
    say(len(entries), len(paths), "")
    for entry in _made(waiting, target, jobs, cluster):
        entries[entry.session] = entry
        say(len(entries), len(paths), entry.session)
    return target, [entries[path.name] for path in paths]


def _made(paths: list[Path], target: Path, jobs: int, cluster: str | None) -> Iterable[Entry]:
    if not paths:
        return ()
    if cluster is not None:
        from monitor.sessions.archive.cluster import on_cluster

        return on_cluster(cluster, paths, target)
    if jobs > 1 and len(paths) > 1:
        from monitor.sessions.archive.workers import by_workers

        return by_workers(min(jobs, len(paths)), paths, target)
    return (entry_of(path, target) for path in paths)
