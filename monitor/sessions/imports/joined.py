"""Ride files that joined a session for good: journals of their own beside the session's, read together.

`rides/joined-1`, `rides/joined-2`, ... each hold a journal whose header has the whole bench as it was after
that import. The session's own journal stays as it was recorded.
"""

from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path

import msgspec
import numpy as np

from capture.record import Act, End, Header, Record, Store, Tick
from monitor.sessions.imports.benches import bench_with
from monitor.sessions.imports.records import in_order, records_of
from monitor.sessions.imports.session import RIDES, contents, keep_files, notes_of, write_records
from monitor.study.recording import Recording
from monitor.study.ridefile import session_power
from monitor.study.rides.place import Placed, place_all
from monitor.study.rides.ride import RideFile, Row
from storage.damage import Damage, SessionError
from storage.info import read_info, write_info
from storage.journal import MAIN, SIDE, read_journal
from storage.remainder import Joined
from storage.session import Session

JOINED = "joined-"
MOST_JOINED = 64
SESSION = "the session"
"""How the session is called where a file is held against it."""


def joined_folders(folder: Path) -> list[Path]:
    """The journals that joined a session, in order. Links are not followed."""
    rides = folder / RIDES
    if rides.is_symlink() or not rides.is_dir():
        return []
    found = []
    for number in range(1, MOST_JOINED + 1):
        each = rides / f"{JOINED}{number}"
        if not (each / MAIN).exists():
            break
        if not each.is_symlink():
            found.append(each)
    return found


def joined_octets(folder: Path) -> int:
    """Octets of the journals that joined: what was made from a session is old once that changes."""
    files = [each / name for each in joined_folders(folder) for name in (MAIN, SIDE)]
    return sum(file.lstat().st_size for file in files if file.exists())


def joined_header(folder: Path, header: Header) -> Header:
    """The header of a session with the bench of all that joined."""
    folders = joined_folders(folder)
    if not folders:
        return header
    last, records = read_journal(folders[-1])
    records.close()
    return msgspec.structs.replace(header, bench=last.bench)


def bench_text(session: Session) -> str:
    """The bench of a session, with all that joined it."""
    return joined_header(session.path, session.info.header).bench


class WithRides:
    """The records of a session with those of the ride files that joined it, in order of time. One pass."""

    def __init__(self, journal: Joined, folders: Sequence[Path]) -> None:
        self._journal = journal
        self._rides = [read_journal(each)[1] for each in folders]
        self._records = self._merged()

    def __iter__(self) -> Iterator[Record]:
        return self._records

    def __next__(self) -> Record:
        return next(self._records)

    def _merged(self) -> Iterator[Record]:
        others = (Act, End, Tick, Store)
        found = [record for ride in self._rides for record in ride if not isinstance(record, others)]
        waiting = sorted(found, key=lambda record: record.t_ns)[::-1]
        for record in self._journal:
            while waiting and (waiting[-1].t_ns <= record.t_ns or isinstance(record, End)):
                yield waiting.pop()
            yield record
        # A torn session has no end of its own.
        while waiting:
            yield waiting.pop()

    @property
    def damage(self) -> Damage | None:
        """What was wrong with the session's journal, else with one that joined; None: whole."""
        return self._journal.damage or next((r.damage for r in self._rides if r.damage is not None), None)

    def close(self) -> None:
        """Close the files; to be called when the iteration was given up."""
        self._journal.close()
        for ride in self._rides:
            ride.close()


def with_rides(folder: Path, header: Header, records: Joined) -> tuple[Header, Joined | WithRides]:
    """Header and records of a session with what joined it."""
    folders = joined_folders(folder)
    if not folders:
        return header, records
    return joined_header(folder, header), WithRides(records, folders)


def as_ride(recording: Recording, path: Path) -> RideFile:
    """The session as one ride: the median power of its instruments, for files to be held against."""
    power = session_power(recording)
    begin_s = recording.header.utc_ns / 1e9
    rows = [Row(begin_s + k, float(p)) for k, p in enumerate(power) if np.isfinite(p)]
    return RideFile(path, "session", rows, recording.header.utc_ns > 0)


def join_session(
    session: Session,
    recording: Recording,
    header: Header,
    rides: Mapping[str, RideFile],
    tables: Mapping[str, Mapping[str, object]],
    by_hand: Mapping[str, float],
) -> dict[str, Placed]:
    """Have ride files join a session. `tables` is what is known of each label, as in a bench file.

    Gives how each was placed. RideFileError: one is not of this ride. BenchError, SessionError.
    """
    taken = {i.label for i in recording.bench.instruments}
    for label in rides:
        if label in taken:
            problem = f'"{label}" is an instrument of the session already'
            raise SessionError(session.path, problem, "Choose another label")
    every = {SESSION: as_ride(recording, session.path), **rides}
    placed = place_all(every, SESSION, by_hand)
    del placed[SESSION]
    notes = notes_of(rides, placed)
    blocks = [{**tables[label], "notes": notes[label]} for label in rides]
    bench = bench_with(header.bench, blocks, f"the bench of {session.path}")
    number = len(joined_folders(session.path)) + 1
    if number > MOST_JOINED:
        raise SessionError(session.path, f"has {MOST_JOINED} imports already", "Import all files at once")
    zero_s = recording.header.utc_ns / 1e9
    records: list[Record] = []
    for label, ride in rides.items():
        records += records_of(label, ride, placed[label].shift_s - zero_s, recording.seconds)
    contents(session.path)
    target = session.path / RIDES / f"{JOINED}{number}"
    try:
        target.mkdir(parents=True)
    except OSError as error:
        raise SessionError(target, f"can't be made ({error.strerror or error})", "Check its rights") from None
    write_records(
        target,
        msgspec.structs.replace(header, bench=bench.text),
        [*in_order(records), End(round(recording.seconds * 1e9), "joined")],
    )
    keep_files(session.path, rides, placed, number)
    _remark(session.path, notes)
    return placed


def _remark(folder: Path, notes: Mapping[str, str]) -> None:
    info = read_info(folder)
    if info is not None:
        info.remarks += [f"{label} joined: {text}" for label, text in notes.items()]
        write_info(folder, info)
