"""What is made from a session: of which state of it, where, and what happens when the disk is full."""

import csv
import json
import os
import subprocess
import sys
import time
import zipfile
from collections.abc import Iterator
from pathlib import Path

import pytest

from capture.record import Act, End
from monitor.cli import main
from monitor.sessions.acts import AMENDMENTS
from monitor.sessions.derived import write_derived
from monitor.sessions.vouched import DERIVED, NAMES, SAMPLES, up_to_date
from storage.attach import is_recording
from storage.journal import MAIN, JournalWriter, read_journal
from storage.session import LIVE, read_live
from storage.tables import read_table
from tests.helpers.rides import short_session


def csv_rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


@pytest.fixture
def session(tmp_path: Path) -> Path:
    return short_session(tmp_path, seed=3, seconds=20)


@pytest.mark.slow
def test_a_session_that_is_being_recorded_is_left_alone(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    command = [sys.executable, "-m", "monitor.cli", "demo", "--headless", "--speed", "20", "--seconds", "200"]
    recording = subprocess.Popen(
        [*command, "--out", str(tmp_path)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )
    try:
        while not (found := list(tmp_path.glob(f"*/{LIVE}"))) or not is_recording(found[0].parent):
            assert recording.poll() is None
            time.sleep(0.05)
        folder = found[0].parent
        # Some seconds have to be on the disk, however long that takes here.
        while (folder / MAIN).stat().st_size < 20_000:
            assert recording.poll() is None
            time.sleep(0.05)
        for arguments in (["export", "--to", "csv"], ["study"]):
            assert main([arguments[0], str(folder), *arguments[1:]]) == 2
            assert "--so-far" in capsys.readouterr().err
        assert main(["export", str(folder), "--to", "csv", "--so-far"]) == 0
        grid = next(Path(line) for line in capsys.readouterr().out.split() if line.endswith("grid.csv"))
        assert 0 < len(csv_rows(grid)) < 200
        assert folder not in grid.parents
        assert main(["study", str(folder), "--so-far"]) == 0
        assert is_recording(folder)
        assert not any((folder / name).exists() for name in (*NAMES, DERIVED, "exports"))
        recording.wait(60)
    finally:
        recording.kill()
        recording.wait()
    capsys.readouterr()
    assert main(["export", str(folder), "--to", "csv"]) == 0
    grid = next(Path(line) for line in capsys.readouterr().out.split() if line.endswith("grid.csv"))
    assert len(csv_rows(grid)) >= 199


def test_files_of_an_earlier_state_are_made_anew(session: Path) -> None:
    header, records = read_journal(session)
    kept = list(records)
    whole = {name: (session / name).read_bytes() for name in (MAIN, "journal.crc")}
    for name in whole:
        (session / name).unlink()
    writer = JournalWriter(session, header)
    for record in kept[: len(kept) // 2]:
        writer.append(record)
    writer.close()
    first = {path.name for path in write_derived(session)}
    assert first == set(NAMES)
    assert not write_derived(session), "all is there and up to date"
    for name, data in whole.items():
        (session / name).write_bytes(data)
    assert up_to_date(session) == {}
    assert main(["export", str(session), "--to", "parquet"]) == 0
    assert {path.name for path in up_to_date(session).values()} == {
        name.replace(".", "-2.") for name in NAMES
    }
    assert len(read_table(up_to_date(session)[SAMPLES])[1]["time_s"]) > 1.5 * len(
        read_table(session / SAMPLES)[1]["time_s"]
    )


def test_files_of_another_version_and_names_that_lead_out_are_not_taken(session: Path) -> None:
    write_derived(session)
    told = json.loads((session / DERIVED).read_bytes())
    other = {**told, "made_from": {**told["made_from"], "program": "plumbwatt 0.0.0"}}
    (session / DERIVED).write_text(json.dumps(other), encoding="utf-8")
    assert up_to_date(session) == {}
    (session.parent / "study.json").write_text("{}", encoding="utf-8")
    other = {**told, "files": {**told["files"], "study.json": "../study.json"}}
    (session / DERIVED).write_text(json.dumps(other), encoding="utf-8")
    assert up_to_date(session) == {}


@pytest.mark.slow
@pytest.mark.parametrize("state", ["nobody listens", "another program listens"])
def test_a_file_that_a_power_cut_left_is_no_recorder(session: Path, state: str) -> None:
    """Recorder and screen were both killed: `live.json` stays behind."""
    import socket

    gone = subprocess.run([sys.executable, "-c", ""], check=True)
    assert gone.returncode == 0
    process = subprocess.Popen([sys.executable, "-c", ""])
    process.wait()
    with socket.create_server(("127.0.0.1", 0)) as other:
        port = other.getsockname()[1]
        if state == "nobody listens":
            other.close()
        live = {"port": port, "token": "t", "pid": process.pid}
        (session / LIVE).write_text(json.dumps(live), encoding="utf-8")
        assert read_live(session) is not None
        assert main(["study", str(session)]) == 0
    assert len(up_to_date(session)) == len(NAMES)


@pytest.mark.slow
def test_a_recorder_that_is_held_still_counts(session: Path) -> None:
    import socket

    with socket.create_server(("127.0.0.1", 0)) as busy:
        live = {"port": busy.getsockname()[1], "token": "t", "pid": os.getpid()}
        (session / LIVE).write_text(json.dumps(live), encoding="utf-8")
        assert main(["study", str(session)]) == 2
    assert not (session / SAMPLES).exists()


@pytest.fixture
def small(tmp_path: Path) -> Iterator[Path]:
    """A file system of a few hundred kB."""
    folder = tmp_path / "small"
    folder.mkdir()
    done = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=3m", "tmpfs", str(folder)], capture_output=True, check=False
    )
    if done.returncode:
        pytest.skip(f"can't mount: {done.stderr.decode().strip()}")
    yield folder
    subprocess.run(["umount", "-l", str(folder)], check=True)


@pytest.mark.parametrize("spare_kb", [0, 16, 40, 70])
def test_what_a_full_disk_refuses_is_named_and_made_by_the_next_study(
    small: Path, capsys: pytest.CaptureFixture[str], spare_kb: int
) -> None:
    session = short_session(small, seed=3, seconds=20)
    free = os.statvfs(small).f_bavail * os.statvfs(small).f_frsize
    ballast = small / "ballast"
    ballast.write_bytes(bytes(free - (spare_kb << 10)))
    assert main(["study", str(session)]) == 2
    shown = capsys.readouterr()
    assert "two against pedals" in shown.out, "the tables are shown all the same"
    missing = [name for name in NAMES if not (session / name).exists()]
    assert missing
    assert "report.html" in missing
    last = shown.err.strip().splitlines()[-1]
    assert all(name in last for name in missing)
    assert "No space left on device" in last
    assert "plumbwatt study" in last
    assert "bug" not in shown.err
    assert not list(session.glob(".*")), "nothing half written"
    assert main(["export", str(session), "--to", "csv", "--out", str(small.parent)]) == 2
    ballast.unlink()
    assert main(["study", str(session)]) == 0
    assert sorted(up_to_date(session)) == sorted(NAMES)
    assert all((session / name).exists() for name in NAMES), "each once, by its own name"


def test_acts_put_right_reach_all_that_is_handed_on(
    session: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    write_derived(session)
    _, records = read_journal(session)
    acts = [record for record in records if isinstance(record, Act | End)]
    number = next(
        str(k) for k, act in enumerate(acts, 1) if isinstance(act, Act) and act.text == "steady 220"
    )
    assert main(["acts", "edit", str(session), number, "--text", "hill"]) == 0
    assert main(["export", str(session), "--to", "csv", "--out", str(tmp_path / "csv")]) == 0
    (folder,) = (tmp_path / "csv").iterdir()
    for name in ("grid.csv", "segments.csv"):
        assert {row["segment"] for row in csv_rows(folder / name)} >= {"hill", "steady 180"}
        assert "steady 220" not in {row["segment"] for row in csv_rows(folder / name)}
    assert main(["export", str(session), "--to", "package", "--out", str(tmp_path / "zip")]) == 0
    (path,) = (tmp_path / "zip").iterdir()
    with zipfile.ZipFile(path) as package:
        names = {name.partition("/")[2]: package.read(name) for name in package.namelist()}
    assert names[AMENDMENTS] == (session / AMENDMENTS).read_bytes()
    assert b"hill" in names["study.json"]
    assert b"hill" in names["grid.parquet"] or "hill" in str(read_table(up_to_date(session)["grid.parquet"]))
    assert names["grid.parquet"] == up_to_date(session)["grid.parquet"].read_bytes()
