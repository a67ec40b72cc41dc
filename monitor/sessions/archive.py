"""A folder of sessions as one data set: a row per unit, segment and evening, and a row per second.

Two partitioned Parquet data sets that duckdb and others open directly, by their folder:
`verdicts/session=NAME/part.parquet` and `seconds/session=NAME/part.parquet`. A partition
is made from one session and carries the checksum of what it was made from, so that only
what is new is made again; never more than one session is in memory.
"""

import hashlib
import os
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, get_args

import msgspec

from monitor.sessions.derived import GRID, NAMES, STUDY, up_to_date, write_derived
from monitor.sessions.exporting import AGAIN, SEGMENT_COLUMNS, need_columns, read_study, segment_values
from monitor.study.results import Judged, Study
from storage.damage import DamagedSession, SessionError
from storage.disk import is_plain, read_plain
from storage.journal import MAIN
from storage.remainder import session_of
from storage.session import Session, open_session
from storage.tables import Column, Table

FOLDER = "archive"
VERDICTS, SECONDS = "verdicts", "seconds"
PART = "part.parquet"
_MADE_FROM, _FORMAT_KEY, _FORMAT = b"plumbwatt.made_from", b"plumbwatt.archive", b"1"

VERDICT_COLUMNS = (
    Column("evening", "text"), Column("utc", "text"), Column("bench", "text"), Column("unit", "text"),
    Column("firmware", "text"), Column("role", "text"), *SEGMENT_COLUMNS, Column("overall", "text"),
    Column("serves_as_reference", "text"), Column("cause", "text"),
)  # fmt: skip
SECOND_COLUMNS = (
    Column("time_s", "float", "s"), Column("utc", "text"), Column("segment", "text"),
    Column("instrument", "text"), Column("power_w", "float", "W"), Column("work_j", "float", "J"),
    Column("left_w", "float", "W"), Column("right_w", "float", "W"), Column("cadence_rpm", "float", "rpm"),
    Column("coverage", "float", "1"),
)  # fmt: skip
_JUDGED = ("evening", "instrument", "segment", "start_s", "deviation_percent", "limit_percent")
"""What is known wherever a verdict is."""
_OF_GRID = ("power_w", "work_j", "left_w", "right_w", "cadence_rpm", "coverage")


class Entry(msgspec.Struct, frozen=True):
    """What became of one session: `new`, `kept` as it was, or `refused` for a reason."""

    session: str
    state: str
    reason: str = ""


def sessions_in(folder: Path) -> list[Path]:
    """The session folders in a folder, by name; empty if it holds none.

    The end of one whose disk failed, put beside it, is a part of that session and none of its own.
    """
    if not folder.is_dir():
        return []
    found = sorted(each.parent for each in folder.glob(f"*/{MAIN}"))
    names = {path.name for path in found}
    return [path for path in found if session_of(path.name) not in names]


def is_archive(folder: Path) -> bool:
    """Whether a path is a folder of sessions rather than a session."""
    return folder.is_dir() and not (folder / MAIN).exists() and bool(sessions_in(folder))


def update(
    folder: Path, out: Path | None = None, progress: Callable[[int, int, str], None] | None = None
) -> tuple[Path, list[Entry]]:
    """Bring the data set of a folder up to date; where it is, and what became of each session.

    `progress` is told how many are done, of how many, and the name of the next. Sessions
    without a study get one. A session that can't be studied is named and left out; partitions
    of sessions that are gone stay. Raises SessionError if the folder holds no session.
    """
    paths = sessions_in(folder)
    if not paths:
        raise SessionError(folder, "holds no session", "Give a folder that holds session folders")
    target = out if out is not None else folder / FOLDER
    if out is None:
        _need_no_link(target)
    entries = []
    for k, path in enumerate(paths):
        if progress is not None:
            progress(k, len(paths), path.name)
        try:
            state = _one(path, target)
        except (SessionError, DamagedSession, ValueError, OSError) as error:
            entries.append(Entry(path.name, "refused", str(error)))
            continue
        entries.append(Entry(path.name, state))
    if progress is not None:
        progress(len(paths), len(paths), "")
    return target, entries


def rows(target: Path) -> Iterator[dict[str, Any]]:
    """Every row of the verdicts, session by session. SessionError: a part is none of ours."""
    for part in sorted((target / VERDICTS).glob(f"session=*/{PART}")):
        name = part.parent.name.removeprefix("session=")
        with Table(part) as table:
            if [(c.name, c.kind) for c in table.columns] != [(c.name, c.kind) for c in VERDICT_COLUMNS]:
                raise _stranger(part)
            for group in table.groups():
                for values in zip(*group.values(), strict=True):
                    row = dict(zip(group, values, strict=True))
                    if row["verdict"] is not None and (
                        row["verdict"] not in get_args(Judged) or None in [row[name] for name in _JUDGED]
                    ):
                        raise _stranger(part)
                    yield {"session": name, **row}


def _stranger(part: Path) -> SessionError:
    return SessionError(part, "is no table of verdicts", f"Remove it; {AGAIN.partition('; ')[2]}")


def _one(path: Path, target: Path) -> str:
    session = open_session(path)
    # A socket's library; most who come here never ask.
    from storage.attach import is_recording

    if is_recording(session.path):
        raise SessionError(path, "is being recorded now", "It is taken up when it is closed")
    found = up_to_date(session.path)
    if len(found) < len(NAMES):
        write_derived(path)
        found = up_to_date(session.path)
    if len(found) < len(NAMES):
        raise SessionError(path, "could not be studied", "Look whether its folder can be written to")
    study_path, grid_path = found[STUDY], found[GRID]
    study = read_study(study_path)
    made_from = hashlib.sha256(read_plain(study_path) + grid_path.name.encode()).hexdigest().encode()
    name = f"session={path.name}"
    places = [target / kind / name / PART for kind in (VERDICTS, SECONDS)]
    for place in places:
        _need_no_link(place.parent)
        _need_no_link(place.parent.parent)
    if all(_up_to_date(place, made_from) for place in places):
        return "kept"
    _write(places[0], VERDICT_COLUMNS, [verdict_values(session, study)], made_from)
    _write(places[1], SECOND_COLUMNS, _seconds(grid_path, list(study.instruments)), made_from)
    return "new"


def _need_no_link(path: Path) -> None:
    """A folder of others must not have its data set written elsewhere. SessionError if it would."""
    if path.is_symlink():
        raise SessionError(path, "is a link that leads out of the data set", "Remove it")


def verdict_values(session: Session, study: Study) -> dict[str, list[Any]]:
    """The rows of one session, as columns of VERDICT_COLUMNS; instruments without a comparison too."""
    values = segment_values(study)
    labels = values["instrument"]
    n = len(labels)
    reported = {label: i.reported for label, i in study.instruments.items()}
    started = _utc(study.utc_ns)
    return {
        "evening": [(started or session.path.name)[:10]] * n,
        "utc": [started] * n,
        "bench": [study.bench] * n,
        "unit": [reported[label].get("serial") for label in labels],
        "firmware": [reported[label].get("firmware") for label in labels],
        "role": [study.instruments[label].role for label in labels],
        **values,
        "overall": [study.instruments[label].verdict for label in labels],
        "serves_as_reference": [study.instruments[label].serves_as_reference for label in labels],
        "cause": [study.instruments[label].cause for label in labels],
    }


def _seconds(grid_path: Path, labels: list[str]) -> Iterator[dict[str, list[Any]]]:
    """The grid with a row per instrument and second."""
    with Table(grid_path) as table:
        need_columns(grid_path, table.columns, ["time_s"])
        if not {"utc", "segment"} <= {column.name for column in table.columns}:
            raise SessionError(grid_path, "is no grid of a session", AGAIN)
        for group in table.groups():
            n = len(group["time_s"])
            for label in labels:
                if f"{label}.power_w" not in group:
                    continue
                need_columns(grid_path, table.columns, [f"{label}.{name}" for name in _OF_GRID])
                yield {
                    "time_s": group["time_s"],
                    "utc": group["utc"],
                    "segment": group["segment"],
                    "instrument": [label] * n,
                    **{name: group[f"{label}.{name}"] for name in _OF_GRID},
                }


Groups = Iterator[dict[str, list[Any]]] | list[dict[str, list[Any]]]


def _write(path: Path, columns: tuple[Column, ...], groups: Groups, made_from: bytes) -> None:
    """A partition, put in place as a whole; an older one of the same session is replaced."""
    import pyarrow as pa
    from pyarrow import parquet

    types = {"int": pa.int64(), "float": pa.float64(), "text": pa.utf8(), "bool": pa.bool_()}
    fields = [pa.field(c.name, types[c.kind], metadata={b"unit": c.unit.encode()}) for c in columns]
    schema = pa.schema(fields, {_MADE_FROM: made_from, _FORMAT_KEY: _FORMAT})
    path.parent.mkdir(parents=True, exist_ok=True)
    temporary = path.with_name(f".{path.name}.{os.getpid()}")
    try:
        with parquet.ParquetWriter(temporary, schema, compression="zstd") as writer:
            for group in groups:
                arrays = [pa.array(group[c.name], types[c.kind]) for c in columns]
                writer.write_table(pa.Table.from_arrays(arrays, schema=schema))
        temporary.replace(path)
    finally:
        temporary.unlink(missing_ok=True)


def _up_to_date(path: Path, made_from: bytes) -> bool:
    import pyarrow as pa
    from pyarrow import parquet

    if not is_plain(path):
        return False
    try:
        metadata = parquet.read_schema(path).metadata or {}
    except (OSError, pa.ArrowException):
        return False
    return bool(metadata.get(_MADE_FROM) == made_from and metadata.get(_FORMAT_KEY) == _FORMAT)


def _utc(utc_ns: int | None) -> str | None:
    if not utc_ns:
        return None
    import numpy as np

    return f"{np.datetime_as_string(np.datetime64(utc_ns, 'ns'), unit='s')}Z"
