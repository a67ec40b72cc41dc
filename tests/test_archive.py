"""A folder of sessions as one data set that other engines open."""

import json
import re
import shutil
from collections.abc import Callable
from pathlib import Path

import duckdb
import pyarrow
import pyarrow.dataset
import pyarrow.parquet
import pytest

from monitor.cli import main
from monitor.sessions.archive import (
    EVENINGS,
    PART,
    SECONDS,
    VERDICTS,
    is_archive,
    read_evenings,
    sessions_in,
    update,
)
from monitor.sessions.archive.dataset import parts
from monitor.sessions.derived import session_arrays, write_derived
from monitor.sessions.exports.exporting import read_study
from monitor.sessions.vouched import RECORDING, STUDY
from monitor.study.evenings.evening import Value
from monitor.weighing.kept import WEIGHTS, Check, keep_check
from monitor.weighing.result import Weighed
from storage.damage import SessionError
from tests.helpers.folders import Truth, make_evening
from tests.helpers.rides import short_session


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    for seed in (1, 2, 3):
        short_session(tmp_path / "sessions", seed=seed, gain=1.0 + 0.03 * (seed == 2), seconds=30)
    return tmp_path / "sessions"


def test_a_folder_of_sessions_is_one_table(folder: Path) -> None:
    assert is_archive(folder)
    assert not is_archive(sessions_in(folder)[0])
    seen: list[tuple[int, int, str]] = []
    target, entries = update(folder, progress=lambda done, total, name: seen.append((done, total, name)))
    assert [entry.state for entry in entries] == ["new"] * 3
    assert [(done, total) for done, total, _ in seen] == [(0, 3), (1, 3), (2, 3), (3, 3)]
    told = duckdb.sql(query(target, VERDICTS)).fetchdf().to_dict("records")
    for path in sessions_in(folder):
        study = read_study(path / STUDY)
        mine = [r for r in told if r["session"] == path.name]
        assert len(mine) == sum(len(s.means) for s in study.segments)
        for s in study.segments:
            for d in s.differences:
                (row,) = [r for r in mine if (r["segment"], r["instrument"]) == (s.name, d.instrument)]
                assert row["deviation_percent"] == d.deviation_percent
                assert row["verdict"] == d.verdict
                assert row["unit"] == "7"
                assert row["firmware"] == "1.0"
    worst = duckdb.sql(
        f"select session, avg(deviation_percent) d from ({query(target, VERDICTS)}) "
        "where instrument = 'heron' group by session order by abs(d) desc"
    ).fetchall()[0]
    assert worst[0] == sessions_in(folder)[1].name
    assert worst[1] == pytest.approx(3.0, abs=0.6)
    seconds = pyarrow.dataset.dataset(target / SECONDS, partitioning="hive").to_table()
    assert len(set(seconds["session"].to_pylist())) == 3
    ((joules,),) = duckdb.sql(
        f"select sum(work_j) from ({query(target, SECONDS)}) "
        f"where instrument = 'heron' and session = '{sessions_in(folder)[0].name}'"
    ).fetchall()
    study = read_study(sessions_in(folder)[0] / STUDY)
    assert joules / 1000.0 == pytest.approx(study.instruments["heron"].work_kj, abs=6e-4)


def test_only_what_is_new_is_made_again(folder: Path) -> None:
    target, _ = update(folder)
    before = {p: p.stat().st_mtime_ns for p in target.rglob(PART)}
    short_session(folder, seed=4, seconds=30)
    _, entries = update(folder)
    assert [entry.state for entry in entries] == ["kept", "kept", "kept", "new"]
    assert {p: p.stat().st_mtime_ns for p in before} == before
    # A question about an evening makes its arrays anew, and no part of the archive.
    evening = sessions_in(folder)[0]
    (evening / RECORDING).unlink()
    session_arrays(evening)
    assert (evening / RECORDING).exists()
    assert [entry.state for entry in update(folder)[1]] == ["kept"] * 4
    part = next(iter(before))
    part.write_bytes(part.read_bytes()[:100])
    _, entries = update(folder)
    assert sorted(entry.state for entry in entries) == ["kept", "kept", "kept", "new"]
    assert len(read_evenings(target)) == 4 * 2


def test_a_session_that_can_not_be_read_is_named_and_costs_no_other(folder: Path) -> None:
    broken = sessions_in(folder)[1]
    (broken / "journal.arrows").write_bytes(b"nothing")
    (broken / "journal.crc").write_bytes(b"")
    (broken / "session.json").unlink()
    target, entries = update(folder)
    assert [entry.state for entry in entries] == ["new", "refused", "new"]
    assert str(broken) in entries[1].reason
    assert len({e.session for e in read_evenings(target)}) == 2


def without(column: str) -> Callable[[pyarrow.Table], pyarrow.Table]:
    return lambda table: table.drop_columns([column])


def with_values(column: str, value: object) -> Callable[[pyarrow.Table], pyarrow.Table]:
    def change(table: pyarrow.Table) -> pyarrow.Table:
        field = table.schema.field(column)
        values = pyarrow.array([value] * len(table), field.type if value is None else None)
        return table.set_column(table.column_names.index(column), column, values)

    return change


@pytest.mark.parametrize(
    "change",
    [without("verdict"), with_values("verdict", "\x1b[2J"), with_values("total_percent", "x"),
     with_values("instrument", None)],
)  # fmt: skip
def test_a_part_that_is_none_of_ours_is_named(
    change: Callable[[pyarrow.Table], pyarrow.Table], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    short_session(tmp_path, seed=1, seconds=30)
    target, _ = update(tmp_path)
    (part,) = (target / EVENINGS).rglob(PART)
    stranger = part.parent.parent / "session=a" / PART
    stranger.parent.mkdir()
    pyarrow.parquet.write_table(change(pyarrow.parquet.read_table(part, partitioning=None)), stranger)
    for further in ([], ["--json", "-"]):
        assert main(["study", str(tmp_path), *further]) == 2
        assert f"{stranger}: is no table of evenings. Remove it" in capsys.readouterr().err


def test_a_folder_without_sessions_is_refused(tmp_path: Path) -> None:
    with pytest.raises(SessionError, match="holds no session"):
        update(tmp_path)


def test_the_command_prints_a_row_per_evening(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    page = folder.parent / "page.html"
    assert main(["study", str(folder), "--html", str(page), "--wide"]) == 0
    out, err = capsys.readouterr()
    lines = out.splitlines()
    assert lines[2].split()[:4] == ["EVENING", "INSTRUMENT", "UNIT", "FIRMWARE"]
    assert sum("heron" in line and "pedals" in line for line in lines) == 3
    assert "3 sessions, 3 new or changed, 0 refused" in err
    assert "heron" in page.read_text("utf-8")
    assert main(["study", str(folder), "--json", "-", "--by", "bench", "--references"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert [e["instrument"] for e in told["evenings"]] == ["heron"] * 3
    assert told["by"] == "bench"
    assert told["references"]["pairs"] == []
    assert main(["study", str(folder), "--against", str(sessions_in(folder)[0])]) == 2
    assert main(["study", str(sessions_in(folder)[0]), "--jobs", "2"]) == 2
    assert main(["study", str(folder), "--jobs", "999"]) == 2


def query(target: Path, table: str) -> str:
    return f"select * from read_parquet('{target / table}/*/*/{PART}', hive_partitioning=true)"


@pytest.mark.slow
def test_duckdb_reads_a_hundred_sessions(tmp_path: Path) -> None:
    folder = tmp_path / "sessions"
    for seed in range(5):
        write_derived(short_session(folder, seed=seed, seconds=30))
    originals = sessions_in(folder)
    for k in range(95):
        shutil.copytree(originals[k % 5], folder / f"copy-{k:03d}")
    target, entries = update(folder)
    assert len(entries) == 100
    assert {entry.state for entry in entries} == {"new"}
    counts = f"select count(distinct session), count(*) from ({query(target, VERDICTS)})"
    ((sessions, count),) = duckdb.sql(counts).fetchall()
    assert (sessions, count) == (100, 100 * 4)
    assert len(read_evenings(target)) == 200


def test_a_filter_on_month_or_session_opens_only_its_files(tmp_path: Path) -> None:
    """What duckdb says it will do: of the partitions, only those that the filter leaves are scanned."""
    for day in (0, 40, 80):
        make_evening(tmp_path, Truth(day), seconds=20)
    target, _ = update(tmp_path)
    assert len(parts(target, EVENINGS)) == 3
    months = sorted({part.parent.parent.name for part in parts(target, EVENINGS)})
    assert months == ["month=2025-11", "month=2026-01", "month=2026-02"]
    for condition in ("month = '2026-01'", "session = '2025-11-25-000040-winter'"):
        plan = duckdb.sql(f"explain {query(target, EVENINGS)} where {condition}").fetchall()[0][1]
        assert "File Filters" in plan
        assert re.search(r"Scanning Files:\s*1/3", plan)
        assert len(duckdb.sql(f"{query(target, EVENINGS)} where {condition}").fetchall()) == 3
    # Weights that are put on afterwards change one session, and stand beside it.
    weighed = sessions_in(tmp_path)[1]
    result = Weighed("total", 8, 0.0, 40.0, 1.004, 0.006, 0.1, 0.2, None, None, 0.01, 0.02, [], None, None)
    check = Check("2026-01-05T10:00:00Z", "heron", "7", 9.81, "typed", 172.5, 0.1, 1.0, 0.1, [], 0, [result])
    keep_check(weighed / WEIGHTS, check)
    assert [entry.state for entry in update(tmp_path)[1]] == ["kept", "new", "kept"]
    found = {(e.session, e.instrument): e for e in read_evenings(target)}
    assert found[weighed.name, "heron"].weighed == "2026-01-05"
    assert found[weighed.name, "heron"].weighed_gain == Value(1.004, 0.006)
    assert found[weighed.name, "pedals"].weighed == ""


def test_partitions_of_an_earlier_format_are_replaced(tmp_path: Path) -> None:
    short_session(tmp_path, seed=1, seconds=20)
    old = tmp_path / "archive" / VERDICTS / "session=old" / PART
    other = tmp_path / "archive" / VERDICTS / "session=other" / PART
    for path, metadata in ((old, {b"plumbwatt.archive": b"1"}), (other, {})):
        path.parent.mkdir(parents=True)
        table = pyarrow.table({"a": [1]}).replace_schema_metadata(metadata)
        pyarrow.parquet.write_table(table, path)
    update(tmp_path)
    assert not old.exists()
    assert other.exists()
