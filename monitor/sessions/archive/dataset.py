"""The tables of the data set, and how a session becomes a partition of each.

Four partitioned Parquet data sets that duckdb and others open by their folder, for instance
`evenings/month=2026-11/session=NAME/part.parquet`. `SCHEMA.md` tells their columns. A partition is made from
one session and carries the mark of what it was made from; never more than one session is in memory.
"""

import hashlib
import math
import os
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import msgspec

from monitor.sessions.derived import write_derived
from monitor.sessions.exports.exporting import (
    AGAIN,
    SEGMENT_COLUMNS,
    need_columns,
    read_study,
    segment_values,
)
from monitor.sessions.vouched import GRID, NAMES, STUDY, up_to_date
from monitor.sessions.vouched import made_from as state_of
from monitor.study.evenings.evening import Evening, Torque, Value, evenings_of, utc_text
from monitor.study.results import Study
from monitor.weighing.kept import WEIGHTS, Check, read_checks
from storage.damage import SessionError
from storage.disk import is_plain, read_plain
from storage.journal import MAIN
from storage.remainder import session_of
from storage.session import Session, open_session
from storage.tables import Column, Table

FOLDER = "archive"
VERDICTS, SECONDS, EVENINGS, TORQUES = "verdicts", "seconds", "evenings", "torques"
PART = "part.parquet"
UNKNOWN = "unknown"
"""The month of a session without a wall clock."""
FORMAT = b"2"
_MADE_FROM, _FORMAT_KEY = b"plumbwatt.made_from", b"plumbwatt.archive"

VERDICT_COLUMNS = (
    Column("evening", "text"), Column("utc", "text"), Column("bench", "text"), Column("unit", "text"),
    Column("model", "text"), Column("firmware", "text"), Column("role", "text"), *SEGMENT_COLUMNS,
    Column("overall", "text"), Column("serves_as_reference", "text"), Column("cause", "text"),
)  # fmt: skip
SECOND_COLUMNS = (
    Column("time_s", "float", "s"), Column("utc", "text"), Column("segment", "text"),
    Column("instrument", "text"), Column("power_w", "float", "W"), Column("work_j", "float", "J"),
    Column("left_w", "float", "W"), Column("right_w", "float", "W"), Column("cadence_rpm", "float", "rpm"),
    Column("coverage", "float", "1"),
)  # fmt: skip
_VALUES = ("total", "left", "right", "held", "free", "low_cadence", "high_cadence")
EVENING_COLUMNS = (
    Column("utc", "text"), Column("bench", "text"), Column("instrument", "text"), Column("unit", "text"),
    Column("model", "text"), Column("firmware", "text"), Column("role", "text"), Column("mount", "text"),
    Column("sides", "text"), Column("reference", "text"), Column("reference_unit", "text"),
    Column("verdict", "text"), Column("limit_percent", "float", "%"),
    *(Column(f"{name}_{part}", "float", "%") for name in _VALUES for part in ("percent", "u95_percent")),
    Column("as_found", "text"), Column("serves_as_reference", "text"), Column("stands_apart", "text"),
    Column("cause", "text"), Column("blocks", "int"), Column("battery_percent", "float", "%"),
    Column("zero", "text"), Column("gain", "float", "1"), Column("gain_u95", "float", "1"),
    Column("weighed", "text"), Column("weighed_gain", "float", "1"), Column("weighed_gain_u95", "float", "1"),
)  # fmt: skip
TORQUE_COLUMNS = (
    Column("utc", "text"), Column("instrument", "text"), Column("unit", "text"), Column("reference", "text"),
    Column("reference_unit", "text"), Column("low_nm", "float", "N·m"), Column("high_nm", "float", "N·m"),
    Column("blocks", "int"), Column("deviation_percent", "float", "%"), Column("u95_percent", "float", "%"),
)  # fmt: skip
TABLES = {
    VERDICTS: VERDICT_COLUMNS,
    SECONDS: SECOND_COLUMNS,
    EVENINGS: EVENING_COLUMNS,
    TORQUES: TORQUE_COLUMNS,
}
_OF_GRID = ("power_w", "work_j", "left_w", "right_w", "cadence_rpm", "coverage")
_JUDGED = ("agrees", "differs", "undecided", None)


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


# -- partitions


def place(target: Path, table: str, session: str, month: str) -> Path:
    """Where a partition lies."""
    return target / table / f"month={month}" / f"session={session}" / PART


def parts(target: Path, table: str) -> list[Path]:
    """All partitions of a table, by session."""
    found = (target / table).glob(f"month=*/session=*/{PART}")
    return sorted(found, key=lambda part: (part.parent.name, part.parent.parent.name))


def month_of(session: Session) -> str:
    """The month of a session, as its partitions are named; UTC."""
    return utc_text(session.info.clock.utc_ns)[:7] or UNKNOWN


def made_from(path: Path) -> bytes | None:
    """The mark of what a session's partitions would be made from; None: it has to be judged anew."""
    found = up_to_date(path)
    if len(found) < len(NAMES):
        return None
    digest = hashlib.sha256()
    try:
        # Not all that `derived.json` says: a picture or a report that is made later changes nothing here.
        digest.update(msgspec.json.encode(state_of(path)))
        digest.update(read_plain(path / WEIGHTS, 1 << 24) if is_plain(path / WEIGHTS) else b"")
        for name in (STUDY, GRID):
            told = found[name].stat()
            digest.update(f"{found[name].name} {told.st_size} {told.st_mtime_ns}".encode())
    except OSError:
        return None
    return digest.hexdigest().encode()


def is_kept(path: Path, target: Path) -> bool:
    """Whether all partitions of a session are there and are of the session as it is now."""
    mark = made_from(path)
    if mark is None:
        return False
    try:
        month = month_of(open_session(path))
    except SessionError:
        return False
    return all(_up_to_date(place(target, table, path.name, month), mark) for table in TABLES)


def make(path: Path, target: Path) -> str:
    """Judge a session if need be, and write its partitions: `new`, or `kept` if all are there.

    Raises SessionError, DamagedSession, BenchError, OSError.
    """
    session = open_session(path)
    # A socket's library; most who come here never ask.
    from storage.attach import is_recording

    if is_recording(session.path):
        raise SessionError(path, "is being recorded now", "It is taken up when it is closed")
    if is_kept(path, target):
        return "kept"
    if len(up_to_date(session.path)) < len(NAMES):
        write_derived(path)
    found, mark = up_to_date(session.path), made_from(path)
    if mark is None:
        raise SessionError(path, "could not be studied", "Look whether its folder can be written to")
    study = read_study(found[STUDY])
    month = month_of(session)
    weighed = _weighed(path)
    rows = [_with_weights(each, weighed) for each in evenings_of(path.name, study)]
    groups: dict[str, Groups] = {
        SECONDS: _seconds(found[GRID], list(study.instruments)),
        VERDICTS: [verdict_values(session, study)],
        TORQUES: [torque_values(rows)],
        # The last one: whoever finds it finds the others.
        EVENINGS: [evening_values(rows)],
    }
    for table, values in groups.items():
        where = place(target, table, path.name, month)
        for folder in (where.parent, *where.parents[1:3]):
            need_no_link(folder)
        _write(where, TABLES[table], values, mark)
    return "new"


def need_no_link(path: Path) -> None:
    """A folder of others must not have its data set written elsewhere. SessionError if it would."""
    if path.is_symlink():
        raise SessionError(path, "is a link that leads out of the data set", "Remove it")


def drop_old(target: Path) -> None:
    """Remove partitions of an earlier format: they would be counted twice by whoever opens the folder."""
    for table in (VERDICTS, SECONDS):
        for part in (target / table).glob(f"session=*/{PART}"):
            if not part.is_symlink() and not part.parent.is_symlink() and _format_of(part) == b"1":
                part.unlink()
                part.parent.rmdir()


# -- rows


def verdict_values(session: Session, study: Study) -> dict[str, list[Any]]:
    """The rows of one session, as columns of VERDICT_COLUMNS; instruments without a comparison too."""
    values = segment_values(study)
    labels = values["instrument"]
    n = len(labels)
    facts = {label: i.reported for label, i in study.instruments.items()}
    started = utc_text(study.utc_ns) or None
    return {
        "evening": [(started or session.path.name)[:10]] * n,
        "utc": [started] * n,
        "bench": [study.bench] * n,
        "unit": [facts[label].get("serial") for label in labels],
        "model": [facts[label].get("model") for label in labels],
        "firmware": [facts[label].get("firmware") for label in labels],
        "role": [study.instruments[label].role for label in labels],
        **values,
        "overall": [study.instruments[label].verdict for label in labels],
        "serves_as_reference": [study.instruments[label].serves_as_reference for label in labels],
        "cause": [study.instruments[label].cause for label in labels],
    }


def evening_values(rows: Sequence[Evening]) -> dict[str, list[Any]]:
    """Evenings as columns of EVENING_COLUMNS."""
    values: dict[str, list[Any]] = {column.name: [] for column in EVENING_COLUMNS}
    for e in rows:
        flat: dict[str, Any] = {name: getattr(e, name) for name in e.__struct_fields__}
        for name in _VALUES:
            value: Value = flat[name]
            flat[f"{name}_percent"], flat[f"{name}_u95_percent"] = value.percent, value.u95_percent
        flat["gain"], flat["gain_u95"] = e.gain.percent, e.gain.u95_percent
        flat["weighed_gain"], flat["weighed_gain_u95"] = e.weighed_gain.percent, e.weighed_gain.u95_percent
        for name, column in values.items():
            column.append(flat[name] if flat[name] != "" else None)
    return values


def torque_values(rows: Sequence[Evening]) -> dict[str, list[Any]]:
    """Ranges of torque as columns of TORQUE_COLUMNS."""
    values: dict[str, list[Any]] = {column.name: [] for column in TORQUE_COLUMNS}
    for e in rows:
        for t in e.torques:
            flat: dict[str, Any] = {name: getattr(t, name) for name in t.__struct_fields__}
            flat |= {
                name: getattr(e, name)
                for name in ("utc", "instrument", "unit", "reference", "reference_unit")
            }
            for name, column in values.items():
                column.append(flat[name] if flat[name] != "" else None)
    return values


def _weighed(path: Path) -> dict[str, Check]:
    """The last static check of each instrument of a session."""
    return {run.instrument: run for run in read_checks(path / WEIGHTS).runs}


def _with_weights(e: Evening, weighed: Mapping[str, Check]) -> Evening:
    check = weighed.get(e.instrument)
    if check is None or not check.results:
        return e
    total = [r for r in check.results if r.side == "total"] or check.results
    # Masses, length and gravity are the same on both sides: nothing averages down.
    gain = math.fsum(r.gain for r in total) / len(total)
    u95 = math.fsum(r.gain_u95 for r in total) / len(total)
    return msgspec.structs.replace(e, weighed=check.utc[:10], weighed_gain=Value(gain, u95))


def _seconds(grid_path: Path, labels: list[str]) -> "Iterator[dict[str, list[Any]]]":
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


# -- read back


def read_evenings(target: Path) -> list[Evening]:
    """Every evening of the data set with its ranges of torque. SessionError: a part is none of ours."""
    torques: dict[tuple[str, str], list[Torque]] = {}
    for session, row, part in _rows(target, TORQUES):
        if row["instrument"] is None or row["low_nm"] is None or row["deviation_percent"] is None:
            raise _stranger(part)
        torques.setdefault((session, row["instrument"]), []).append(
            Torque(
                row["low_nm"],
                row["high_nm"],
                row["blocks"] or 0,
                row["deviation_percent"],
                row["u95_percent"],
            )
        )
    found = []
    for session, row, part in _rows(target, EVENINGS):
        if row["instrument"] is None or row["verdict"] not in _JUDGED:
            raise _stranger(part)
        values: dict[str, Any] = {name: row[name] or "" for name, kind in _KINDS.items() if kind == "text"}
        values |= {name: row[name] for name in ("verdict", "as_found", "limit_percent", "battery_percent")}
        values |= {name: Value(row[f"{name}_percent"], row[f"{name}_u95_percent"]) for name in _VALUES}
        values |= {name: Value(row[name], row[f"{name}_u95"]) for name in ("gain", "weighed_gain")}
        values["torques"] = torques.get((session, row["instrument"]), [])
        found.append(Evening(session=session, blocks=row["blocks"] or 0, **values))
    return found


_KINDS = {column.name: column.kind for column in EVENING_COLUMNS}


def _rows(target: Path, name: str) -> Iterator[tuple[str, dict[str, Any], Path]]:
    wanted = [(c.name, c.kind) for c in TABLES[name]]
    for part in parts(target, name):
        session = part.parent.name.removeprefix("session=")
        with Table(part) as table:
            if [(c.name, c.kind) for c in table.columns] != wanted:
                raise _stranger(part)
            for group in table.groups():
                for values in zip(*group.values(), strict=True):
                    yield session, dict(zip(group, values, strict=True)), part


def _stranger(part: Path) -> SessionError:
    return SessionError(part, "is no table of evenings", f"Remove it; {AGAIN.partition('; ')[2]}")


Groups = Iterator[dict[str, list[Any]]] | list[dict[str, list[Any]]]


def _write(path: Path, columns: Sequence[Column], groups: Groups, mark: bytes) -> None:
    """A partition, put in place as a whole; an older one of the same session is replaced."""
    import pyarrow as pa
    from pyarrow import parquet

    types = {"int": pa.int64(), "float": pa.float64(), "text": pa.utf8(), "bool": pa.bool_()}
    fields = [pa.field(c.name, types[c.kind], metadata={b"unit": c.unit.encode()}) for c in columns]
    schema = pa.schema(fields, {_MADE_FROM: mark, _FORMAT_KEY: FORMAT})
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


def _metadata(path: Path) -> dict[bytes, bytes]:
    import pyarrow as pa
    from pyarrow import parquet

    if not is_plain(path):
        return {}
    try:
        return dict(parquet.read_schema(path).metadata or {})
    except (OSError, pa.ArrowException):
        return {}


def _format_of(path: Path) -> bytes | None:
    return _metadata(path).get(_FORMAT_KEY)


def _up_to_date(path: Path, mark: bytes) -> bool:
    metadata = _metadata(path)
    return metadata.get(_MADE_FROM) == mark and metadata.get(_FORMAT_KEY) == FORMAT
