"""No room for words, for files, for temporary ones, and names that can't be written down: real processes."""

import logging
import os
import resource
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import msgspec
import pytest

import storage.attach
from monitor.cli import main
from storage import recorder
from storage.attach import is_recording
from storage.journal import MAIN, read_journal
from storage.session import LIVE, read_live

FULL = Path("/dev/full")
DERIVED = {"samples.parquet", "grid.parquet", "findings.jsonl", "study.json", "report.html"}
ROOT = Path(__file__).resolve().parents[2]


def plumbwatt(*words: str) -> list[str]:
    return [sys.executable, "-m", "monitor.cli", *words]


def evening(out: Path | str, seconds: int = 60) -> list[str]:
    return plumbwatt("demo", "--headless", "--speed", "max", "--seconds", str(seconds), "--out", str(out))


def run(command: list[str], **more: object) -> subprocess.CompletedProcess[str]:
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    return subprocess.run(
        command,
        **{"capture_output": True, "text": True, "errors": "replace", "env": environment, **more},
        timeout=120,
        check=False,
    )


@pytest.fixture(scope="module")
def recorded(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A session of a minute."""
    out = tmp_path_factory.mktemp("recorded")
    done = run(evening(out))
    assert done.returncode == 0, done.stderr
    (session,) = out.iterdir()
    return session


def is_whole(session: Path) -> bool:
    _, records = read_journal(session)
    return sum(1 for _ in records) > 700 and records.damage is None


@pytest.mark.parametrize("where", ["full", "closed", "stdout full"])
def test_a_recording_with_nobody_to_tell_is_brought_to_its_end(tmp_path: Path, where: str) -> None:
    command = evening(tmp_path / "out")
    if where == "closed":
        done = run(["sh", "-c", 'exec "$@" >&- 2>&-', "sh", *command])
    else:
        with FULL.open("wb") as full:
            errors = full if where == "full" else subprocess.PIPE
            done = run(command, capture_output=False, stdout=full, stderr=errors)
    assert done.returncode == 2
    (session,) = (tmp_path / "out").iterdir()
    assert is_whole(session)
    assert {path.name for path in session.iterdir()} >= DERIVED
    assert not is_recording(session)
    if where == "stdout full":
        assert "the output can't be written (No space left on device)" in done.stderr
        assert "The recording goes on." in done.stderr
        assert f"findings could not be printed: they are in {session}" in done.stderr


def test_a_recording_that_was_left_without_a_word_is_told_by_the_next_one(tmp_path: Path) -> None:
    command = plumbwatt("demo", "--headless", "--seconds", "300", "--out", str(tmp_path))
    first = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, cwd=ROOT)
    while not (files := list(tmp_path.glob(f"*/{LIVE}"))):
        assert first.poll() is None
        time.sleep(0.05)
    session = files[0].parent
    live = read_live(session)
    assert live is not None
    while (session / MAIN).stat().st_size < 8192:
        assert first.poll() is None
        time.sleep(0.05)
    try:
        first.kill()  # as a terminal that is torn away does at worst
        first.wait()
        said = run(evening(tmp_path, 5)).stderr
        assert f"another recording goes on. `plumbwatt follow {session}` attaches a screen" in said
    finally:
        os.kill(live.pid, signal.SIGTERM)
    deadline = time.monotonic() + 30
    while is_recording(session) and time.monotonic() < deadline:
        time.sleep(0.1)
    assert "another recording" not in run(evening(tmp_path, 5)).stderr


@pytest.mark.parametrize("files", [8, 12])
def test_too_few_open_files_are_named_with_a_remedy(tmp_path: Path, files: int) -> None:
    def few() -> None:
        resource.setrlimit(resource.RLIMIT_NOFILE, (files, files))

    done = run(evening(tmp_path / "out"), preexec_fn=few)
    assert done.returncode == 2
    assert "Too many open files" in done.stderr
    assert "`ulimit -n 256`" in done.stderr
    assert not list(tmp_path.glob("out/*")), "nothing is left of what did not begin"


@pytest.mark.parametrize("words", [["study"], ["replay", "--headless"], ["export", "--to", "package"]])
def test_what_is_recorded_is_read_with_twelve_files(recorded: Path, tmp_path: Path, words: list[str]) -> None:
    copy = tmp_path / "copy"
    shutil.copytree(recorded, copy)
    for name in (*DERIVED, "derived.json"):
        (copy / name).unlink()

    def few() -> None:
        resource.setrlimit(resource.RLIMIT_NOFILE, (12, 12))

    done = run(plumbwatt(words[0], str(copy), *words[1:]), preexec_fn=few)
    assert done.returncode == 0, done.stderr


NO_TEMPORARY = """
set -e
for each in /tmp /var/tmp /usr/tmp; do if [ -d $each ]; then mount -t tmpfs -o ro tmpfs $each; fi; done
mount -t tmpfs -o ro tmpfs "$1"; cd "$1"; shift
exec "$@"
"""


def test_without_a_folder_for_temporary_files(recorded: Path) -> None:
    hidden = ("/tmp", "/var/tmp", "/usr/tmp")
    if any(Path(each).is_relative_to(place) for each in (ROOT, sys.prefix) for place in hidden):
        pytest.skip("the program itself lies in a temporary folder")
    # Beside the places that are made read-only: a folder of our own at the root.
    home = Path("/mnt") / f"plumbwatt-{os.getpid()}"
    try:
        (home / "read-only").mkdir(parents=True)
    except OSError as error:
        pytest.skip(f"no folder outside the temporary ones: {error}")
    session = home / "session"
    shutil.copytree(recorded, session)
    environment = {**os.environ, "PYTHONPATH": str(ROOT), "HOME": "/nonexistent", "TMPDIR": "/nonexistent"}
    shell = ["unshare", "-m", "sh", "-c", NO_TEMPORARY, "sh", str(home / "read-only")]
    try:
        if run([*shell, "true"]).returncode:
            pytest.skip("can't mount")
        for command in (
            evening(home / "out"),
            plumbwatt("study", str(session)),
            plumbwatt("export", str(session), "--to", "package"),
            plumbwatt("rescue", str(session)),
        ):
            done = run([*shell, *command], env=environment)
            assert done.returncode == 0, done.stderr
        (made,) = (home / "out").iterdir()
        assert is_whole(made)
    finally:
        shutil.rmtree(home)


def test_names_that_are_no_utf8(recorded: Path, tmp_path: Path) -> None:
    odd = os.fsdecode(b"evening-\xff")
    copy = tmp_path / odd
    shutil.copytree(recorded, copy)
    for name in (*DERIVED, "derived.json"):
        (copy / name).unlink()
    for words in (
        ["study", str(copy), "--json", str(tmp_path / (odd + ".json"))],
        ["study", str(copy), "--against", str(recorded), "--json", "-"],
        ["replay", str(copy), "--headless"],
        ["export", str(copy), "--to", "csv"],
        ["export", str(copy), "--to", "parquet"],
        ["export", str(copy), "--to", "package"],
        ["acts", "list", str(copy)],
        ["rescue", str(copy)],
    ):
        done = run(plumbwatt(*words))
        assert done.returncode == 0, f"{words}: {done.stderr}"
    last = run(plumbwatt("replay", str(copy), "--headless")).stdout.splitlines()[-1]
    assert msgspec.json.decode(last)["session"].endswith("evening-\N{REPLACEMENT CHARACTER}")


def test_a_recording_is_not_begun_under_such_a_name(tmp_path: Path) -> None:
    folder = tmp_path / os.fsdecode(b"out-\xff")
    folder.mkdir()
    for done in (run(evening(folder)), run(evening("sessions"), cwd=folder)):
        assert done.returncode == 2
        assert "this name is no UTF-8. Choose a file or folder with another name" in done.stderr
    assert not list(folder.iterdir())


def test_a_log_that_cannot_be_written_ends_no_recorder() -> None:
    with recorder._logging_to(FULL):
        logging.getLogger("storage.recorder").error("the disk is full")


def test_a_computer_too_slow_to_start_a_recorder_is_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(storage.attach, "START_S", 0.05)
    assert main(["demo", "--headless", "--speed", "max", "--out", str(tmp_path / "out")]) == 2
    said = capsys.readouterr().err
    assert "this computer is too slow or too busy. End other programs and try again" in said
