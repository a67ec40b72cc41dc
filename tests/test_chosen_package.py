"""A package of chosen instruments: no name, word or packet of another one is in it."""

import io
import json
import zipfile
from pathlib import Path

import pyarrow.parquet as pq
import pytest

from monitor.cli import main
from monitor.sessions.exports.chosen import new_names
from monitor.setup.bench import parse_bench
from storage.journal import read_journal
from tests.helpers.rides import evening_records, write_session

OTHERS = ("pedals", "Rival", "secret")


@pytest.fixture(scope="module")
def session(tmp_path_factory: pytest.TempPathFactory) -> Path:
    bench, records = evening_records()
    path = write_session(tmp_path_factory.mktemp("chosen"), bench, records)
    for arguments in (
        ["add", str(path), "note", "secret Rival 9 reads low", "--at", "1:00", "--instrument", "pedals"],
        ["add", str(path), "note", "heron creaks", "--at", "1:10", "--instrument", "heron"],
        ["add", str(path), "note", "the Rival again", "--at", "1:20"],
    ):
        assert main(["acts", *arguments]) == 0
    assert main(["words", str(path), "--set", "question=Does it hold its claim?"]) == 0
    return path


@pytest.fixture(scope="module")
def package(session: Path, tmp_path_factory: pytest.TempPathFactory) -> dict[str, bytes]:
    out = tmp_path_factory.mktemp("out")
    arguments = ["--only", "heron", "--rename", "heron=unit-7", "--out", str(out)]
    assert main(["export", str(session), "--to", "package", *arguments]) == 0
    (path,) = out.iterdir()
    with zipfile.ZipFile(path) as archive:
        return {name.split("/", 1)[1]: archive.read(name) for name in archive.namelist()}


@pytest.mark.slow
def test_no_file_tells_of_another_one(package: dict[str, bytes]) -> None:
    texts = {
        name: data for name, data in package.items() if not name.endswith((".parquet", ".arrows", ".crc"))
    }
    assert {"report.html", "study.json", "findings.jsonl", "bench.toml", "README.md"} <= set(texts)
    for name, data in texts.items():
        # The mount of an instrument is no name of it.
        told = data.decode().replace('mount = "pedals"', "")
        assert not any(word in told for word in OTHERS), name
        # What its own radio calls it, and what was said of it, stay.
        assert "heron" not in told.replace("scene heron", "").replace("heron creaks", ""), name


@pytest.mark.slow
def test_rows_and_packets_are_of_the_chosen_one(package: dict[str, bytes], tmp_path: Path) -> None:
    grid = pq.read_table(io.BytesIO(package["grid.parquet"]))
    labels = {name.split(".")[0] for name in grid.column_names if "." in name}
    assert labels == {"unit-7"}
    samples = pq.read_table(io.BytesIO(package["samples.parquet"]))
    assert set(samples["instrument"].to_pylist()) == {"unit-7"}
    (tmp_path / "journal.arrows").write_bytes(package["journal.arrows"])
    (tmp_path / "journal.crc").write_bytes(package["journal.crc"])
    _header, records = read_journal(tmp_path)
    whom = {getattr(record, "instrument", "") for record in records}
    assert whom == {"unit-7", ""}


@pytest.mark.slow
def test_the_verdict_is_that_of_the_whole_bench(package: dict[str, bytes], session: Path,
                                                capsys: pytest.CaptureFixture[str]) -> None:  # fmt: skip
    capsys.readouterr()
    assert main(["study", str(session), "--json", "-"]) == 0
    whole = json.loads(capsys.readouterr().out)["instruments"]["heron"]
    told = json.loads(package["study.json"])
    assert list(told["instruments"]) == ["unit-7"]
    own = told["instruments"]["unit-7"]
    keys = ("verdict", "serves_as_reference", "states", "peaks_w", "stands_apart", "lag_s", "work_kj")
    assert {key: own[key] for key in keys} == {key: whole[key] for key in keys}
    assert told["reference"] == "reference"
    assert told["words"]["question"].startswith("Does it hold")
    assert "**Question**: Does it hold its claim?" in package["README.md"].decode()
    assert "heron creaks" in package["report.html"].decode()


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--only", "hreon"], "heron"),
        (["--rename", "heron"], "LABEL=NAME"),
        (["--rename", "heron=Brand X"], "a-z, 0-9 and -"),
        (["--rename", "heron=hub"], "name of two instruments"),
    ],
)
@pytest.mark.slow
def test_what_can_not_be_is_refused(
    session: Path, tmp_path: Path, arguments: list[str], words: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["export", str(session), "--to", "package", *arguments, "--out", str(tmp_path)]) == 2
    assert words in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []
    assert main(["export", str(session), "--to", "csv", "--only", "heron"]) == 2


def test_names_of_the_others_tell_nothing() -> None:
    bench, _ = evening_records()
    names = new_names(parse_bench(bench.text), ["heron"], {})
    assert names == {"hub": "reference", "pedals": "other-1", "heron": "heron", "cadence": "other-2"}
    # Chosen or renamed ones keep the name that they are given.
    assert new_names(parse_bench(bench.text), ["heron", "hub"], {"hub": "trainer"})["hub"] == "trainer"
