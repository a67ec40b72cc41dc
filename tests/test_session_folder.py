"""The session folder and the tables in it."""

import errno
import json
import math
import os
import stat
from pathlib import Path

import msgspec
import numpy as np
import pyarrow as pa
import pytest
from pyarrow import parquet

from capture.record import Header
from storage.damage import SessionError
from storage.disk import write_whole
from storage.info import Clock, SessionInfo, read_info, write_info
from storage.journal import MAIN
from storage.session import create_session, free_path, is_numbered, open_session, read_live, safe_name
from storage.tables import Column, Table, TableWriter, read_table, write_table
from tests.helpers.sessions import EVERY_KIND, HEADER, evening, files, make_session, write_journal

STAMP = "2026-11-25-190312"


def info(name: str = "winter bench") -> SessionInfo:
    return SessionInfo(program="0.1.0", name=name, bench=HEADER.bench, clock=Clock(utc_ns=5))


@pytest.mark.parametrize(
    ("name", "folder"),
    [
        ("winter bench", "winter-bench"),
        ("../../etc/passwd", "etc-passwd"),
        ("a/b\\c:d*e", "a-b-c-d-e"),
        ("größer ☃", "gr-er"),
        ("", "session"),
        ("...", "session"),
        ("\x1b[2J\n", "2J"),
        ("CON", "CON"),
        ("x" * 300, "x" * 48),
        ("v1.2_b", "v1.2_b"),
    ],
)
def test_names_are_safe_on_any_system(tmp_path: Path, name: str, folder: str):
    assert safe_name(name) == folder
    session = create_session(tmp_path / "out", STAMP, info(name))
    assert session.path.parent == (tmp_path / "out").resolve()
    assert session.path.name == f"{STAMP}-{folder}"
    assert open_session(session.path).info.name == name


def test_a_name_that_is_taken_gets_a_number(tmp_path: Path):
    names = [create_session(tmp_path, STAMP, info("v1.2")).path.name for _ in range(3)]
    assert names == [f"{STAMP}-v1.2", f"{STAMP}-v1.2-2", f"{STAMP}-v1.2-3"]


def test_a_file_in_the_way_is_told(tmp_path: Path):
    (tmp_path / "out").write_text("")
    with pytest.raises(SessionError, match="out: is not a folder"):
        create_session(tmp_path / "out", STAMP, info())


@pytest.mark.parametrize(
    ("code", "remedy"), [(errno.EACCES, "Choose a folder that you may write to"), (errno.ENOSPC, "Make room")]
)
def test_a_folder_that_cannot_be_made_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, code: int, remedy: str
):
    def refuse(*_: object, **__: object) -> None:
        raise OSError(code, os.strerror(code))

    monkeypatch.setattr(Path, "mkdir", refuse)
    with pytest.raises(SessionError, match=remedy):
        create_session(tmp_path / "out", STAMP, info())


def test_the_description_has_its_keys(tmp_path: Path):
    session = make_session(tmp_path, [EVERY_KIND])
    told = json.loads((session.path / "session.json").read_text(encoding="utf-8"))
    assert told["format"] == 1
    assert told["program"] == HEADER.program
    assert told["bench"] == HEADER.bench
    assert told["clock"]["utc_ns"] == HEADER.utc_ns
    assert {"name", "started", "state", "protocol", "instruments", "counts", "remarks"} <= told.keys()


def test_keys_of_a_later_version_are_left_alone(tmp_path: Path):
    session = make_session(tmp_path, [EVERY_KIND])
    path = session.path / "session.json"
    path.write_text(json.dumps({**json.loads(path.read_text()), "weather": "cold"}))
    assert open_session(session.path).info.header == HEADER


def test_a_later_format_is_refused(tmp_path: Path):
    session = create_session(tmp_path, STAMP, msgspec.structs.replace(info(), format=2, program="9.9"))
    with pytest.raises(SessionError, match=r"later version \(9\.9, format 2\)"):
        open_session(session.path)


def test_a_file_of_the_session_will_do(tmp_path: Path):
    session = make_session(tmp_path, [EVERY_KIND])
    assert open_session(session.path / MAIN).path == session.path
    assert open_session(str(session.path / "session.json")).path == session.path


@pytest.mark.parametrize("content", [None, "", "{", "[]", '{"format": 1}', "\ud800", "9" * 400])
def test_the_journal_stands_in_for_the_description(tmp_path: Path, content: str | None):
    session = make_session(tmp_path, [EVERY_KIND])
    path = session.path / "session.json"
    path.unlink()
    if content is not None:
        path.write_bytes(content.encode("utf-8", "surrogatepass"))
    opened = open_session(session.path)
    assert opened.info.header == HEADER
    assert "session.json" in opened.info.remarks[0]


def test_errors_name_what_lies_nearby(tmp_path: Path):
    session = make_session(tmp_path, evening(2), "winter")
    other = make_session(tmp_path, evening(2), "summer")
    with pytest.raises(SessionError, match=f"Did you mean .*{session.path.name}"):
        open_session(tmp_path / session.path.name.replace("winter", "wintr"))
    with pytest.raises(SessionError, match="There are 2 sessions"):
        open_session(tmp_path / "x")
    with pytest.raises(SessionError, match="is not a session: it holds neither"):
        open_session(tmp_path)
    (tmp_path / "notes.txt").write_text("")
    with pytest.raises(SessionError, match="is a file, not a session folder"):
        open_session(tmp_path / "notes.txt")
    with pytest.raises(SessionError, match="Give the folder of a session"):
        open_session(tmp_path / "nowhere" / "x")
    assert other.path.exists()


def test_derived_files_are_never_overwritten(tmp_path: Path):
    session = make_session(tmp_path, evening(2))
    for name in ("study.json", "study-2.json", "study-3.json"):
        path = free_path(session.path / "study.json")
        assert path.name == name
        assert is_numbered("study.json", name)
        write_whole(path, name.encode())
    for name in ("../study.json", "study-x.json", "study-2.json.part", "studyxjson", "study-2-3.json", ""):
        assert not is_numbered("study.json", name)
    with pytest.raises(SessionError, match="never overwritten"):
        write_whole(session.path / "study.json", b"other")
    assert (session.path / "study.json").read_bytes() == b"study.json"
    assert not list(session.path.glob(".*"))


def test_a_link_is_not_followed_out_of_the_folder(tmp_path: Path):
    session = make_session(tmp_path, evening(2))
    target = tmp_path / "elsewhere"
    try:
        (session.path / "report.html").symlink_to(target)
    except OSError:
        pytest.skip("no symbolic links here")
    assert free_path(session.path / "report.html").name == "report-2.html"
    with pytest.raises(SessionError):
        write_whole(session.path / "report.html", b"x")
    assert not target.exists()


def test_without_hard_links_a_file_is_published_all_the_same(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    def refuse(*_: object) -> None:
        raise PermissionError(1, "Operation not permitted")

    monkeypatch.setattr("storage.disk.os.link", refuse)
    write_whole(tmp_path / "a", b"1")
    with pytest.raises(SessionError, match="never overwritten"):
        write_whole(tmp_path / "a", b"2")
    assert files(tmp_path) == {"a": b"1"}


def test_a_description_is_replaced_as_a_whole_or_not_at_all(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    write_info(tmp_path, info("first"))
    before = files(tmp_path)

    def refuse(self: object, fd: int, data: memoryview) -> int:
        if len(data) < 50:
            raise OSError(28, "No space left on device")
        return os.write(fd, data[:40])

    monkeypatch.setattr("storage.disk.Disk.write_some", refuse)
    with pytest.raises(OSError, match="No space"):
        write_info(tmp_path, info("second"))
    assert files(tmp_path) == before
    monkeypatch.undo()
    write_info(tmp_path, info("second"))
    found = read_info(tmp_path)
    assert found is not None
    assert found.name == "second"


def test_where_a_recorder_listens(tmp_path: Path):
    assert read_live(tmp_path) is None
    write_whole(tmp_path / "live.json", b'{"port": 4711, "token": "t", "pid": 1}', mode=0o600)
    live = read_live(tmp_path)
    assert live is not None
    assert (live.port, live.token) == (4711, "t")
    if os.name != "nt":
        assert stat.S_IMODE((tmp_path / "live.json").stat().st_mode) == 0o600
    (tmp_path / "live.json").write_bytes(b"{")
    assert read_live(tmp_path) is None


def test_a_journal_without_description_is_a_session(tmp_path: Path):
    write_journal(tmp_path, [EVERY_KIND], Header("bench", "0.0.1", 7))
    opened = open_session(tmp_path)
    assert (opened.info.bench, opened.info.clock.utc_ns) == ("bench", 7)


# -- tables


COLUMNS = [
    Column("arrival_ns", "int", "ns"),
    Column("power_w", "float", "W"),
    Column("item", "text"),
    Column("moving", "bool"),
]


def rows(start: int, count: int) -> dict[str, object]:
    return {
        "arrival_ns": [start + n * 250_000_000 for n in range(count)],
        "power_w": np.array([200.0 + n if n % 3 else math.nan for n in range(count)]),
        "item": ["2A63" if n % 2 else None for n in range(count)],
        "moving": [None, True, False][:count] + [True] * max(0, count - 3),
    }


def test_a_table_comes_back_with_its_words(tmp_path: Path):
    path = tmp_path / "samples.parquet"
    write_table(path, COLUMNS, rows(5, 7), bench=HEADER.bench, program="0.1.0")  # type: ignore[arg-type]
    columns, values = read_table(path)
    assert columns == tuple(COLUMNS)
    assert values["arrival_ns"] == [5 + n * 250_000_000 for n in range(7)]
    assert values["power_w"] == [None, 201.0, 202.0, None, 204.0, 205.0, None]
    assert values["item"] == [None, "2A63"] * 3 + [None]
    assert values["moving"] == [None, True, False, True, True, True, True]
    with Table(path) as table:
        assert (table.bench, table.program, table.rows) == (HEADER.bench, "0.1.0", 7)


def test_any_parquet_reader_reads_it(tmp_path: Path):
    path = tmp_path / "samples.parquet"
    with TableWriter(path, COLUMNS, bench=HEADER.bench, program="0.1.0") as table:
        for number in range(30):
            table.write(rows(number * 10**9, 1000))  # type: ignore[arg-type]
    # The reference: Apache Arrow's own Parquet reader.
    with parquet.ParquetFile(path) as file:
        found = file.read()
        described = file.metadata
        assert found.num_rows == 30_000
        assert described.num_row_groups > 5
        assert max(described.row_group(n).num_rows for n in range(described.num_row_groups)) <= 5000
        times = described.row_group(0).column(0)
        assert (times.path_in_schema, times.compression) == ("arrival_ns", "ZSTD")
        assert "DELTA_BINARY_PACKED" in times.encodings
        schema = file.schema_arrow
    assert schema.metadata[b"plumbwatt.bench"].decode() == HEADER.bench
    assert schema.field("power_w").metadata[b"unit"] == b"W"
    assert found["arrival_ns"].to_pylist()[:2] == [0, 250_000_000]


def test_an_unfinished_table_leaves_nothing(tmp_path: Path):
    def fail() -> None:
        with TableWriter(tmp_path / "a", COLUMNS, bench="", program="") as table:
            table.write(rows(0, 5))  # type: ignore[arg-type]
            raise RuntimeError

    with pytest.raises(RuntimeError):
        fail()
    assert list(tmp_path.iterdir()) == []


def test_a_table_is_never_overwritten(tmp_path: Path):
    path = tmp_path / "samples.parquet"
    write_table(path, COLUMNS, rows(5, 7), bench="", program="")  # type: ignore[arg-type]
    before = files(tmp_path)
    with pytest.raises(SessionError, match="never overwritten"):
        TableWriter(path, COLUMNS, bench="", program="")
    late = TableWriter(tmp_path / "late", COLUMNS, bench="", program="")
    (tmp_path / "late").write_bytes(b"someone else's")
    with pytest.raises(SessionError, match="never overwritten"):
        late.finish()
    assert files(tmp_path) == {**before, "late": b"someone else's"}


def test_wrong_columns_are_refused(tmp_path: Path):
    with TableWriter(tmp_path / "a", COLUMNS, bench="", program="") as table:
        with pytest.raises(ValueError, match="missing or unknown: weather"):
            table.write({**rows(0, 1), "weather": [1]})  # type: ignore[arg-type]
        with pytest.raises(ValueError, match="length"):
            table.write({**rows(0, 1), "arrival_ns": [1, 2]})  # type: ignore[arg-type]
        with pytest.raises(ValueError, match="convert"):
            table.write({**rows(0, 1), "arrival_ns": ["soon"]})  # type: ignore[arg-type]
        table.write(rows(0, 1))  # type: ignore[arg-type]
    assert read_table(tmp_path / "a")[1]["arrival_ns"] == [0]


def test_an_empty_table_is_a_table(tmp_path: Path):
    with TableWriter(tmp_path / "a", COLUMNS, bench="", program=""):
        pass
    assert read_table(tmp_path / "a") == (tuple(COLUMNS), {column.name: [] for column in COLUMNS})


def test_what_is_no_table_is_told(tmp_path: Path):
    with pytest.raises(SessionError, match="is not there"):
        Table(tmp_path / "a")
    (tmp_path / "a").write_bytes(b"PAR1 and no more")
    with pytest.raises(SessionError, match="is not a whole Parquet file"):
        Table(tmp_path / "a")


def test_memory_of_a_table_is_bounded_by_its_groups(tmp_path: Path):
    pool = pa.default_memory_pool()
    before = pool.bytes_allocated()
    most = 0
    with TableWriter(tmp_path / "a", COLUMNS, bench="", program="") as table:
        for number in range(100):
            table.write(rows(number, 1000))  # type: ignore[arg-type]
            most = max(most, pool.bytes_allocated() - before)
    # A hundred thousand rows are over two million octets of integers and numbers alone.
    assert most < 1_500_000
