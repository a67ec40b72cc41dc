"""Many sessions judged by several processes: one that dies, one that is stopped, a cluster."""

import json
import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pyarrow.parquet
import pytest

from monitor.sessions.archive import EVENINGS, read_evenings, sessions_in, update
from monitor.sessions.archive import workers as workers_module
from monitor.sessions.archive.dataset import parts
from monitor.sessions.archive.workers import by_workers
from storage.damage import SessionError
from tests.helpers.dying import judge_or_die
from tests.helpers.rides import short_session

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Six sessions of which nothing was studied yet."""
    folder = tmp_path_factory.mktemp("made")
    for seed in range(2):
        short_session(folder, seed=seed, seconds=20)
    for k in range(4):
        shutil.copytree(sessions_in(folder)[k % 2], folder / f"copy-{k}")
    return folder


@pytest.fixture
def folder(made: Path, tmp_path: Path) -> Path:
    shutil.copytree(made, tmp_path / "sessions")
    return tmp_path / "sessions"


def test_two_processes_make_what_one_makes(folder: Path, tmp_path: Path) -> None:
    shutil.copytree(folder, tmp_path / "again")
    seen: list[int] = []
    target, entries = update(folder, progress=lambda done, total, name: seen.append(done), jobs=2)
    assert [e.state for e in entries] == ["new"] * 6
    assert seen == list(range(7))
    alone, _ = update(tmp_path / "again")
    assert read_evenings(target) == read_evenings(alone)
    assert [e.state for e in update(folder, jobs=2)[1]] == ["kept"] * 6


DYING = """
import os, sys
from pathlib import Path
from monitor.sessions.archive import update, worker
judge = worker.entry_of
def entry_of(path, target):
    if path.name == "copy-3":
        os._exit(9)
    return judge(path, target)
worker.entry_of = entry_of
sys.exit(worker.main())
"""


def test_a_process_that_dies_costs_its_session(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(workers_module, "COMMAND", ("-c", DYING))
    target = folder / "archive"
    found = {e.session: e for e in by_workers(2, sessions_in(folder), target)}
    assert found.pop("copy-3").reason == "the process that judged it died, 2 times (exit code 9)"
    assert {e.state for e in found.values()} == {"new"}
    assert len(found) == 5


def test_a_run_that_is_stopped_leaves_whole_files(folder: Path) -> None:
    """Ctrl-C in the middle: what has its name is whole, nothing half written stays, and it goes on later."""
    for k in range(4, 40):  # So many that the middle is not over before a busy computer comes to look.
        shutil.copytree(folder / f"copy-{k % 4}", folder / f"copy-{k}")
    command = [sys.executable, "-P", "-m", "monitor.cli", "study", str(folder), "--jobs", "2"]
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    deadline = time.monotonic() + 120.0
    while not parts(folder / "archive", EVENINGS) and time.monotonic() < deadline:
        time.sleep(0.02)
    process.send_signal(signal.SIGINT)
    assert process.wait(60.0) == 130
    written = [p for p in folder.rglob("*") if p.is_file()]
    assert not [p for p in written if p.name.startswith(".")]
    for path in written:
        if path.suffix == ".parquet":
            pyarrow.parquet.read_table(path, partitioning=None)
        if path.suffix == ".json":
            json.loads(path.read_bytes())
    before = len(parts(folder / "archive", EVENINGS))
    _, entries = update(folder, jobs=2)
    assert sum(e.state == "kept" for e in entries) >= before
    assert {e.state for e in entries} <= {"kept", "new"}
    assert before < len(parts(folder / "archive", EVENINGS)) == 42


# -- a cluster


@pytest.fixture
def scheduler(tmp_path: Path) -> Iterator[str]:
    """A real scheduler and two worker processes on this computer."""
    file = tmp_path / "scheduler.json"
    # The workers find the function of these tests where it stands.
    environment = os.environ | {"PYTHONPATH": str(Path(__file__).parents[1])}
    quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL, "env": environment, "cwd": tmp_path}
    dask = [sys.executable, "-m", "distributed.cli.dask_scheduler", "--host", "127.0.0.1", "--port", "0",
            "--no-dashboard", "--no-show", "--scheduler-file", str(file)]  # fmt: skip
    worker = [sys.executable, "-m", "distributed.cli.dask_worker", "--scheduler-file", str(file),
              "--nthreads", "2", "--no-nanny", "--no-dashboard", "--death-timeout", "60",
              "--local-directory", str(tmp_path)]  # fmt: skip
    running = [subprocess.Popen(dask, **quiet)]  # type: ignore[call-overload]
    try:
        deadline = time.monotonic() + 60.0
        while not file.exists() and time.monotonic() < deadline:
            time.sleep(0.1)
        running += [subprocess.Popen(worker, **quiet) for _ in range(2)]  # type: ignore[call-overload]
        yield json.loads(file.read_text("utf-8"))["address"]
    finally:
        for each in running:
            each.terminate()
        for each in running:
            try:
                each.wait(10.0)
            except subprocess.TimeoutExpired:
                each.kill()
                each.wait()


def test_a_cluster_makes_what_one_makes(folder: Path, tmp_path: Path, scheduler: str) -> None:
    shutil.copytree(folder, tmp_path / "again")
    target, entries = update(folder, cluster=scheduler)
    assert [e.state for e in entries] == ["new"] * 6
    alone, _ = update(tmp_path / "again")
    assert read_evenings(target) == read_evenings(alone)


def test_a_worker_of_the_cluster_that_dies_costs_its_session(
    folder: Path, scheduler: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The first session kills whoever takes it; the others are judged by who is left."""
    from monitor.sessions.archive import cluster

    dying = folder / "copy-3"
    (dying / "kill").write_text("once", encoding="utf-8")
    monkeypatch.setattr(cluster, "judge", judge_or_die)
    _, entries = update(folder, cluster=scheduler)
    found = {e.session: e for e in entries}
    # Its first worker died with it; the other one judged it after all. What the dead one had finished and
    # not yet reported is asked for again, and found to be kept.
    assert found["copy-3"].state == "new"
    assert {e.state for e in found.values()} <= {"new", "kept"}
    assert len(parts(folder / "archive", EVENINGS)) == 6
    assert not (dying / "kill").exists()


def test_nobody_at_the_address_is_named(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from monitor.sessions.archive import cluster

    monkeypatch.setattr(cluster, "CONNECT_S", 1.0)
    with pytest.raises(SessionError, match="does not answer as a Dask scheduler"):
        update(folder, cluster="tcp://127.0.0.1:9")
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(SessionError, match=r"plumbwatt\[cluster\]"):
        update(folder, cluster="tcp://127.0.0.1:9")
