"""A disk that fails to the end of a session: the rest stands elsewhere, is named, and is found again.

A small file system of our own is mounted and filled while a real recorder and a real monitor run.
"""

import contextlib
import json
import os
import shutil
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from capture.record import End, Packet, Tick
from monitor.cli import main
from storage.journal import read_journal
from storage.remainder import read_session, remainder_of


@pytest.fixture
def small(tmp_path: Path) -> Iterator[Path]:
    """A file system of 400 kB."""
    folder = tmp_path / "small"
    folder.mkdir()
    done = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=400k", "tmpfs", str(folder)], capture_output=True, check=False
    )
    if done.returncode:
        pytest.skip(f"can't mount: {done.stderr.decode().strip()}")
    yield folder
    subprocess.run(["umount", "-l", str(folder)], check=True)


def fill(path: Path) -> None:
    """Write until nothing more fits."""
    with path.open("wb", buffering=0) as ballast, contextlib.suppress(OSError):
        while True:
            ballast.write(bytes(4096))


def test_the_rest_is_named_and_joined(
    small: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    state = tmp_path / "state"
    monkeypatch.setenv("XDG_STATE_HOME", str(state))
    command = [sys.executable, "-m", "monitor.cli", "demo", "--headless", "--speed", "10", "--seconds", "120"]
    recording = subprocess.Popen(
        [*command, "--out", str(small)], stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True
    )
    while not list(small.glob("*/journal.arrows")):
        assert recording.poll() is None
        time.sleep(0.05)
    time.sleep(4.0)
    fill(small / "ballast")
    _, said = recording.communicate(timeout=120)
    assert recording.returncode == 4, said
    (session,) = (path.parent for path in small.glob("*/journal.arrows"))
    rest = remainder_of(session)
    assert rest is not None
    assert state in rest.parents, "where it outlasts a restart"
    assert str(rest) in said
    _, main_part = read_journal(session)
    torn = list(main_part)
    assert not any(isinstance(record, End) for record in torn)
    _, joined = read_session(session)
    records = list(joined)
    assert joined.damage is None
    ticks = [record.t_ns // 10**9 for record in records if isinstance(record, Tick)]
    assert ticks == list(range(ticks[-1] + 1)), "not a second is missing, none is there twice"
    assert ticks[-1] >= 118
    assert sum(isinstance(record, Packet) for record in records) > 1.2 * sum(
        isinstance(record, Packet) for record in torn
    )
    (small / "ballast").unlink()
    subprocess.run(["mount", "-o", "remount,size=40m", str(small)], check=True)
    assert main(["rescue", str(session)]) in (0, 4)
    whole = Path(capfd.readouterr().out.strip().splitlines()[-1])
    _, rescued = read_journal(whole)
    assert list(rescued) == records
    assert rescued.damage is None
    assert main(["study", str(session)]) == 0
    assert os.path.getsize(session / "study.json") > 0
    # Without its end, as who takes only the folder to another computer has it.
    elsewhere = tmp_path / "elsewhere" / session.name
    shutil.copytree(
        session, elsewhere, ignore=shutil.ignore_patterns("*.parquet", "*.json*", "*.html", "ballast")
    )
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "another"))
    capfd.readouterr()
    assert main(["study", str(elsewhere)]) == 4
    told = "A part of this session is missing: the recording was not closed, so its end is not here"
    assert any(told in line for line in capfd.readouterr().out.splitlines()[:4])
    head = (elsewhere / "report.html").read_text().partition("</header>")[0]
    assert told in head
    assert main(["replay", str(elsewhere), "--headless"]) == 4
    # Put beside it, the end is found.
    shutil.copytree(rest, elsewhere.with_name(rest.name))
    capfd.readouterr()
    assert main(["study", str(elsewhere)]) == 0
    assert "missing" not in capfd.readouterr().out.splitlines()[1]
    assert main(["replay", str(elsewhere), "--headless"]) == 0
    last = json.loads(capfd.readouterr().out.splitlines()[-1])
    assert last["records"] == len(records)
