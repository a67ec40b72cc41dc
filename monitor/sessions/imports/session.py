"""Several ride files as a session: a journal of what they hold, and the files themselves beside it."""

import hashlib
from collections import Counter
from collections.abc import Iterable, Mapping
from pathlib import Path

import msgspec

from capture.record import End, Header, Packet, Record, Tick
from monitor.sessions.imports.benches import file_words
from monitor.sessions.imports.records import S, in_order, lap_acts, laps_of, records_of
from monitor.setup.bench import Bench
from monitor.study.rides.place import Placed
from monitor.study.rides.ride import RideFile
from monitor.text import plain
from storage.damage import SessionError
from storage.disk import read_plain, write_whole
from storage.info import Anchor, Listed, SessionInfo, write_info
from storage.journal import JournalWriter
from storage.session import Session, create_session

RIDES, CONTENTS = "rides", "rides.json"
"""The folder of a session that keeps ride files, and what it says of them."""
FLUSH = 512
_REMEDY = "Make room, or choose another folder"


class KeptFile(msgspec.Struct, frozen=True, kw_only=True):
    """A ride file that a session keeps. `shift_s` was added to its times; `likeness` None: not by shape.

    `joined` counts from 1 the imports into a session that was there already; 0: the session is made of it.
    """

    label: str
    file: str
    name: str
    sha256: str
    octets: int
    kind: str
    shift_s: float
    against: str
    by_hand: bool
    likeness: float | None
    rival: float | None
    overlap_s: int | None
    by_changes: bool
    problems: list[str]
    joined: int = 0


class Contents(msgspec.Struct, frozen=True, kw_only=True):
    """`rides.json`."""

    format: int = 1
    files: list[KeptFile] = []


def notes_of(rides: Mapping[str, RideFile], placed: Mapping[str, Placed]) -> dict[str, str]:
    """What is said of each file."""
    return {
        label: file_words(
            ride.path,
            ride.kind,
            placed[label].words,
            [*ride.problems, *(["only changes were recorded, values are held between"] * ride.by_changes)],
        )
        for label, ride in rides.items()
    }


def make_session(
    rides: Mapping[str, RideFile],
    placed: Mapping[str, Placed],
    bench: Bench,
    out: Path,
    stamp: str,
    program: str,
    laps: str | None = None,
) -> Session:
    """A session of ride files. `stamp` is its local start as a part of its name, `laps` whose laps count.

    SessionError: it can't be written.
    """
    starts = [ride.start_s + placed[label].shift_s for label, ride in rides.items()]
    ends = [ride.end_s + placed[label].shift_s for label, ride in rides.items()]
    zero_s = min(starts)
    end_s = max(ends) - zero_s + 1.0
    clock = next(label for label, where in placed.items() if not where.against)
    utc_ns = round(zero_s * S) if rides[clock].utc else 0
    records: list[Record] = []
    for label, ride in rides.items():
        records += records_of(label, ride, placed[label].shift_s - zero_s, end_s)
    whose = laps_of(rides, laps)
    if whose is not None:
        label, found = whose
        records += lap_acts(found, placed[label].shift_s - zero_s, end_s, bench.protocol)
    records += [Tick(k * S, utc_ns + k * S if utc_ns else 0) for k in range(int(end_s) + 1)]
    info = SessionInfo(program=program, name=bench.name, bench=bench.text, started=stamp)
    info.clock.utc_ns = utc_ns
    info.remarks = [f"{label}: {text}" for label, text in notes_of(rides, placed).items()]
    session = create_session(out, stamp, info)
    keep_files(session.path, rides, placed, 0)
    ordered = [*in_order(records), End(round(end_s * S), "imported")]
    write_records(session.path, Header(bench.text, program, utc_ns), ordered)
    info.state = "closed"
    info.counts.records = len(ordered)
    info.clock.anchors = [Anchor(0, utc_ns), Anchor(int(end_s) * S, utc_ns + int(end_s) * S)]
    packets = Counter(record.instrument for record in ordered if isinstance(record, Packet))
    info.instruments = [
        Listed(
            label=label,
            link=f"ride:{label}",
            packets=packets[label],
            reported=dict(ride.facts),
        )
        for label, ride in rides.items()
    ]
    try:
        write_info(session.path, info)
    except OSError as error:
        raise SessionError(session.path, f"can't be written ({error.strerror or error})", _REMEDY) from None
    return Session(session.path, info)


def write_records(folder: Path, header: Header, records: Iterable[Record]) -> None:
    """A closed journal of these records. SessionError: the disk refuses."""
    writer = JournalWriter(folder, header)
    for number, record in enumerate(records, 1):
        writer.append(record)
        if number % FLUSH == 0:
            written = writer.flush()
            if written.failing:
                writer.abandon()
                raise SessionError(folder, f"can't be written ({written.reason})", _REMEDY)
    last = writer.close()
    if last.failing or last.lost:
        writer.abandon()
        raise SessionError(folder, f"can't be written ({last.reason})", _REMEDY)


def keep_files(
    folder: Path, rides: Mapping[str, RideFile], placed: Mapping[str, Placed], joined: int
) -> None:
    """Copy the files into a session, and say what they are. SessionError: the disk refuses."""
    target = folder / RIDES
    known = list(contents(folder).files)
    try:
        target.mkdir(exist_ok=True)
        for label, ride in rides.items():
            data = ride.path.read_bytes()
            name = f"{label}{'.fit' if ride.kind == 'FIT' else '.csv'}"
            write_whole(target / name, data)
            known.append(_kept(label, name, ride, placed[label], data, joined))
        write_whole(
            target / CONTENTS,
            msgspec.json.format(msgspec.json.encode(Contents(files=known)), indent=1) + b"\n",
            replace=True,
        )
    except OSError as error:
        raise SessionError(target, f"can't be written ({error.strerror or error})", _REMEDY) from None


def _kept(label: str, name: str, ride: RideFile, where: Placed, data: bytes, joined: int) -> KeptFile:
    shape = where.shape
    return KeptFile(
        label=label,
        file=name,
        name=plain(ride.path.name, 120),
        sha256=hashlib.sha256(data).hexdigest(),
        octets=len(data),
        kind=ride.kind,
        shift_s=round(where.shift_s, 3),
        against=where.against,
        by_hand=where.by_hand,
        likeness=round(shape.likeness, 4) if shape is not None else None,
        rival=round(shape.rival, 4) if shape is not None else None,
        overlap_s=shape.overlap_s if shape is not None else None,
        by_changes=ride.by_changes,
        problems=list(ride.problems),
        joined=joined,
    )


def contents(folder: Path) -> Contents:
    """What a session says of the ride files that it keeps. SessionError: that can't be read."""
    path = folder / RIDES / CONTENTS
    remedy = "Move it away: the journal has what the files held"
    if (folder / RIDES).is_symlink():
        raise SessionError(folder / RIDES, "is a link that leads out of the session", "Remove it")
    try:
        return msgspec.json.decode(read_plain(path, 1 << 20), type=Contents)
    except FileNotFoundError:
        return Contents()
    except OSError as error:
        raise SessionError(path, f"can't be read ({error.strerror or error})", remedy) from None
    except (msgspec.MsgspecError, UnicodeError, RecursionError) as error:
        raise SessionError(path, f"is no list of ride files ({error})", remedy) from None


def kept_paths(folder: Path) -> list[tuple[KeptFile, Path]]:
    """The ride files that a session keeps, and where. Names that lead elsewhere are left out."""
    return [
        (one, folder / RIDES / one.file)
        for one in contents(folder).files
        if Path(one.file).name == one.file and not (folder / RIDES / one.file).is_symlink()
    ]
