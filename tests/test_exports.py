"""Exports, read back by readers that are not ours."""

import csv
import errno
import hashlib
import io
import json
import math
import re
import subprocess
import sys
import zipfile
from pathlib import Path
from typing import Any

import fitdecode
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.cli import main
from monitor.sessions.derived import write_derived
from monitor.sessions.exports import exporting
from monitor.sessions.exports.exporting import SEGMENT_COLUMNS, export, rides, segment_values
from monitor.sessions.vouched import GRID, SAMPLES, STUDY
from monitor.study.results import decode
from storage.damage import SessionError
from storage.exports.csv_file import cell, csv_lines, write_csv
from storage.exports.fit_file import NO_DATE_S, DeveloperField, Lap, Ride, fit_bytes
from storage.exports.package import Item, package_bytes
from storage.session import open_session
from storage.tables import Column, read_table
from tests.helpers.rides import UTC_NS, evening_records, write_session


@pytest.fixture(scope="module")
def session(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = write_session(tmp_path_factory.mktemp("sessions"), *evening_records())
    write_derived(path)
    return path


# -- what is made from the journal


def test_the_grid_holds_all_work_and_the_samples_every_packet(session: Path) -> None:
    columns, grid = read_table(session / GRID)
    study = decode((session / STUDY).read_bytes())
    names = [c.name for c in columns]
    assert names[:3] == ["time_s", "utc", "segment"]
    kinds = ("power_w", "work_j", "left_w", "right_w", "cadence_rpm", "coverage")
    assert names[3:9] == [f"hub.{x}" for x in kinds]
    for label in ("hub", "pedals", "heron"):
        work_kj = math.fsum(j for j in grid[f"{label}.work_j"] if j is not None) / 1000.0
        assert work_kj == pytest.approx(study.instruments[label].work_kj, abs=6e-4)
        for power, work, part in zip(
            *(grid[f"{label}.{x}"] for x in ("power_w", "work_j", "coverage")), strict=True
        ):
            # A mean of the covered part: a plain mean over the column is right.
            assert (power is None) == (part < 0.5)
            assert power is None or power * part == pytest.approx(work, rel=1e-9, abs=1e-9)
    assert grid["pedals.power_w"][212] is None
    assert grid["pedals.coverage"][212] == 0.0
    assert grid["segment"][100] == "steady 220"
    assert grid["utc"][0] == "2025-11-25T19:00:00.000Z"
    for left, right, whole in zip(
        *(grid[f"heron.{x}_w"][20:300] for x in ("left", "right", "power")), strict=True
    ):
        assert left + right == pytest.approx(whole, abs=1e-9)
    _, samples = read_table(session / SAMPLES)
    per = {label: samples["instrument"].count(label) for label in study.instruments}
    assert per == {label: i.signal.packets for label, i in study.instruments.items()}
    assert samples["time_s"] == sorted(samples["time_s"])
    placed = [(p, t) for p, t in zip(samples["placed_s"], samples["time_s"], strict=True) if p is not None]
    assert len(placed) > 500
    assert all(p <= t + 1e-6 for p, t in placed)


# -- comma-separated values


def test_csv_files_hold_the_numbers_of_the_tables(session: Path, tmp_path: Path) -> None:
    paths = {path.name: path for path in export(session, "csv", tmp_path)}
    assert set(paths) == {"grid.csv", "samples.csv", "segments.csv", "findings.csv"}
    for name in (GRID, SAMPLES):
        columns, values = read_table(session / name)
        raw = paths[f"{Path(name).stem}.csv"].read_bytes()
        assert raw.count(b"\r\n") == raw.count(b"\n")
        rows = list(csv.reader(io.StringIO(raw.decode("utf-8"), newline="")))
        assert len(rows) == 1 + len(values[columns[0].name])
        assert {len(row) for row in rows} == {len(columns)}
        for k, column in enumerate(columns):
            told = f" ({column.unit})" if column.unit not in ("", "1") else ""
            assert rows[0][k] == f"{column.name}{told}"
            for row, value in list(zip(rows[1:], values[column.name], strict=True))[::97]:
                if value is None:
                    assert row[k] == ""
                elif column.kind == "float":
                    assert float(row[k]) == value
                elif column.kind == "int":
                    assert int(row[k]) == value
                else:
                    assert row[k].lower() == str(value).lower()
    study = decode((session / STUDY).read_bytes())
    with paths["segments.csv"].open(newline="", encoding="utf-8") as file:
        rows = list(csv.reader(file))
    at = {name.split(" (")[0]: k for k, name in enumerate(rows[0])}
    for segment in study.segments:
        for d in segment.differences:
            (row,) = [
                r
                for r in rows[1:]
                if r[at["segment"]] == segment.name and r[at["instrument"]] == d.instrument
            ]
            assert float(row[at["deviation_percent"]]) == d.deviation_percent
            assert row[at["verdict"]] == d.verdict
            assert row[at["u95_percent"]] == ("" if d.u95_percent is None else repr(d.u95_percent))


@pytest.mark.parametrize(
    "text",
    ["=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "\r=1", "  =cmd|' /C calc'!A0", "|x", '"=1"', "a,b", "a\r\nb",
     "＝1+1", " ＋1", "－1", "＠SUM(A1)"],
)  # fmt: skip
def test_no_text_is_run_as_a_formula(text: str) -> None:
    field = next(csv.reader(io.StringIO(cell(text), newline="")))[0]
    assert not field.lstrip(" ").startswith(tuple("=+-@\t\r|＝＋－＠"))
    assert field in (text, f"'{text}")


@given(st.lists(st.text(max_size=12), min_size=1, max_size=4))
def test_any_texts_come_back_from_a_reader_of_the_standard_library(texts: list[str]) -> None:
    columns = [Column(f"c{k}", "text") for k in range(len(texts))]
    group = {f"c{k}": [text] for k, text in enumerate(texts)}
    lines = "".join(csv_lines(columns, [group]))
    _, row = csv.reader(io.StringIO(lines, newline=""), strict=True)
    assert [field.removeprefix("'") for field in row] == [text.removeprefix("'") for text in texts]


def test_numbers_are_no_texts_and_the_unknown_is_empty() -> None:
    assert cell(-1.5) == "-1.5"
    assert cell(None) == ""
    assert cell(math.nan) == ""
    assert cell(True) == "true"
    assert cell(0.1 + 0.2) == "0.30000000000000004"


def test_a_csv_file_is_never_overwritten(tmp_path: Path) -> None:
    write_csv(tmp_path / "a.csv", [Column("x")], [{"x": [1.0]}])
    with pytest.raises(FileExistsError):
        write_csv(tmp_path / "a.csv", [Column("x")], [{"x": [2.0]}])


# -- ride files


def records_of(path: Path) -> tuple[list[dict[str, Any]], list[Any]]:
    """Every record of a FIT file by an independent reader, checksums checked; and all other messages."""
    records, others = [], []
    with fitdecode.FitReader(str(path), check_crc=fitdecode.CrcCheck.RAISE) as reader:
        for frame in reader:
            if not isinstance(frame, fitdecode.FitDataMessage):
                continue
            if frame.name == "record":
                records.append({field.name: field.value for field in frame.fields})
            else:
                others.append(frame)
    return records, others


@pytest.mark.slow
def test_fit_files_come_back_from_an_independent_reader(session: Path, tmp_path: Path) -> None:
    paths = {path.stem.rpartition("-")[2]: path for path in export(session, "fit", tmp_path)}
    assert set(paths) == {"hub", "pedals", "heron", "combined"}
    _, grid = read_table(session / GRID)
    for label in ("hub", "heron"):
        records, others = records_of(paths[label])
        assert len(records) == len(grid["time_s"])
        assert records[0]["timestamp"].timestamp() == UTC_NS / 1e9
        for k in range(0, len(records), 7):
            power = grid[f"{label}.power_w"][k]
            assert records[k].get("power") == (None if power is None else round(power))
            exact = records[k].get(f"{label}.power_w")
            assert exact == (None if power is None else pytest.approx(power, rel=1e-6))
            rpm = grid[f"{label}.cadence_rpm"][k]
            assert records[k].get("cadence") == (None if rpm is None else round(rpm))
        names = [frame.name for frame in others]
        assert names[0] == "file_id"
        assert {"event", "lap", "session", "activity"} <= set(names)
        laps = [frame for frame in others if frame.name == "lap"]
        assert len(laps) == len(decode((session / STUDY).read_bytes()).segments)
    # The balance octet: the highest bit says that the share is the right side's.
    heron, _ = records_of(paths["heron"])
    left = 100.0 * grid["heron.left_w"][130] / grid["heron.power_w"][130]
    balance = heron[130]["left_right_balance"]
    assert balance in (0x80 | round(100.0 - left), 100.0 - left) or int(balance) & 0x7F == round(100.0 - left)


@pytest.mark.slow
def test_the_combined_ride_declares_a_field_for_every_instrument(session: Path, tmp_path: Path) -> None:
    (path,) = [p for p in export(session, "fit", tmp_path) if p.stem.endswith("combined")]
    records, others = records_of(path)
    declared = {
        frame.get_value("field_name"): frame.get_value("units")
        for frame in others
        if frame.name == "field_description"
    }
    assert declared["hub.power_w"] == "W"
    assert declared["heron.right_w"] == "W"
    assert declared["cadence.cadence_rpm"] == "rpm"
    _, grid = read_table(session / GRID)
    for k in (50, 130, 300):
        for name in declared:
            value = grid[name][k]
            assert records[k].get(name) == (None if value is None else pytest.approx(value, rel=1e-6)), name
    assert records[212].get("pedals.power_w") is None or math.isnan(records[212]["pedals.power_w"])


def test_a_ride_without_a_clock_and_with_odd_values(tmp_path: Path) -> None:
    power = [None, -3.0, 0.0, 250.5, 1e6, math.nan]
    fields = [DeveloperField("x.power_w", "W", [None, 1.5, None, 2.5, 3.5, math.nan])]
    ride = Ride(power, [90.2] * 6, [None] * 5 + [49.6], [Lap("a", 0.0, 0.0)], fields, None, "p")
    path = tmp_path / "odd.fit"
    path.write_bytes(fit_bytes(ride))
    records, _ = records_of(path)
    assert [r.get("power") for r in records] == [None, 0, 0, 250, 65534, None]
    assert [r.get("cadence") for r in records] == [90] * 6
    assert records[0]["timestamp"].timestamp() == NO_DATE_S
    assert records[3]["x.power_w"] == 2.5


def test_without_its_library_the_remedy_is_named(
    session: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "fit_tool", None)
    with pytest.raises(SessionError, match=re.escape("pip install 'plumbwatt[ride-files]'")):
        export(session, "fit", tmp_path)
    assert list(tmp_path.iterdir()) == []


# -- Parquet and the package


def test_parquet_is_read_by_pandas_and_duckdb(session: Path, tmp_path: Path) -> None:
    import duckdb
    import pandas

    paths = {path.name: path for path in export(session, "parquet", tmp_path)}
    study = decode((session / STUDY).read_bytes())
    table = pandas.read_parquet(paths["segments.parquet"])
    assert len(table) == sum(len(s.means) for s in study.segments)
    assert list(table.columns) == [c.name for c in SEGMENT_COLUMNS]
    assert segment_values(study)["power_w"][0] == table["power_w"][0]
    ((worst,),) = duckdb.sql(
        f"select max(abs(deviation_percent)) from '{paths['segments.parquet']}' where instrument = 'heron'"
    ).fetchall()
    assert worst == max(
        abs(d.deviation_percent) for s in study.segments for d in s.differences if d.instrument == "heron"
    )
    ((joules,),) = duckdb.sql(f"select sum(\"hub.work_j\") from '{paths['grid.parquet']}'").fetchall()
    assert joules / 1000.0 == pytest.approx(study.instruments["hub"].work_kj, abs=6e-4)


@pytest.mark.slow
def test_the_package_explains_itself_and_its_lines_work(session: Path, tmp_path: Path) -> None:
    (path,) = export(session, "package", tmp_path)
    with zipfile.ZipFile(path) as archive:
        assert archive.testzip() is None
        names = archive.namelist()
        assert all(name.startswith(f"{session.name}/") and ".." not in name for name in names)
        archive.extractall(tmp_path / "unpacked")
    folder = tmp_path / "unpacked" / session.name
    sums = (folder / "SHA256SUMS").read_text("utf-8").splitlines()
    listed = {line.split("  ")[1]: line.split("  ")[0] for line in sums}
    assert set(listed) | {"SHA256SUMS"} == {p.name for p in folder.iterdir()}
    for name, digest in listed.items():
        assert hashlib.sha256((folder / name).read_bytes()).hexdigest() == digest
    text = (folder / "README.md").read_text("utf-8")
    for name in listed:
        assert f"`{name}`" in text or name == "README.md"
    blocks = re.findall(r"```python\n(.*?)```", text, re.DOTALL)
    assert len(blocks) == 3
    script = "\n".join(blocks) + (
        "\nassert len(grid) > 300 and power['hub.power_w'] > 100 and 'heron' in verdicts.columns\n"
        "assert worst and packets and first.num_rows > 0\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", script], cwd=folder, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    assert json.loads((folder / "study.json").read_bytes())["bench"] == "evening"


@pytest.mark.slow
def test_the_same_session_makes_the_same_package(session: Path, tmp_path: Path) -> None:
    first, second = (export(session, "package", tmp_path / name)[0].read_bytes() for name in ("a", "b"))
    assert first == second
    items = [Item("a.txt", b"x", "a")]
    assert package_bytes(items, "f", None) == package_bytes(items, "f", None)
    assert package_bytes(items, "f", 1e9) != package_bytes(items, "f", None)


@pytest.mark.slow
def test_an_export_makes_what_is_missing_and_overwrites_nothing(tmp_path: Path) -> None:
    path = write_session(tmp_path, *evening_records())
    (one,) = export(path, "package")
    (two,) = export(path, "package")
    assert one != two
    assert one.parent == path / "exports"
    assert (path / GRID).exists()
    assert not list(path.glob("*-2.*"))
    assert not [p for p in path.iterdir() if p.name.startswith(".")]


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["csv", "fit", "parquet", "package"])
def test_where_nothing_can_be_written_the_folder_and_the_remedy_are_named(
    session: Path, tmp_path: Path, kind: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "file").write_text("x", "utf-8")
    with pytest.raises(SessionError, match=r"file: .*\. .*(folder)"):
        export(session, kind, tmp_path / "file")

    def full(*_: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    for name in ("write_csv", "write_whole"):
        monkeypatch.setattr(exporting, name, full)
    with pytest.raises(SessionError, match=r"out: can't be written to \(No space left.*Make room"):
        export(session, kind, tmp_path / "out")


def test_a_study_that_can_not_be_written_names_the_path(
    session: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for option in ("--json", "--html"):
        for path in (tmp_path, tmp_path / "nowhere" / "x"):
            assert main(["study", str(session), option, str(path)]) == 2
            assert f"plumbwatt: {path} can't be written (" in capsys.readouterr().err


def test_another_kind_is_refused(session: Path) -> None:
    with pytest.raises(ValueError, match="csv, fit, parquet, package"):
        export(session, "xlsx")


def test_rides_are_one_per_instrument_with_power_and_all_together(session: Path) -> None:
    opened = open_session(session)
    names = {name: session / name for name in (GRID, STUDY)}
    made = rides(opened, names, decode((session / STUDY).read_bytes()))
    assert set(made) == {"hub", "pedals", "heron", "combined"}
    assert made["hub"].left_percent.count(None) == len(made["hub"].left_percent)
    assert made["combined"].power_w == made["hub"].power_w
