"""A session folder from others that holds links, pipes, devices or giants where files should be.

Nothing beyond the folder is read, passed on or written to, and nothing is waited for without end.
"""

import json
import os
import shutil
import sys
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from monitor.cli import main
from monitor.sessions import archive
from monitor.sessions.acts import AMENDMENTS, Reading, add_act, list_acts
from monitor.sessions.archive.dataset import month_of
from monitor.sessions.derived import write_derived
from monitor.sessions.exports.exporting import STUDY_OCTETS, export, read_study
from monitor.sessions.vouched import up_to_date
from storage.damage import DamagedSession, SessionError
from storage.disk import is_plain, read_plain, write_whole
from storage.exports.package import Item
from storage.info import read_info
from storage.journal import MAIN, SIDE, read_journal
from storage.rescue import rescue
from storage.session import Session, open_session, read_live
from storage.tables import Table
from tests.helpers.rides import short_session
from tests.helpers.sessions import evening, make_session

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="links and pipes of POSIX")
SECRET = "what is the reader's own"


def link(path: Path) -> None:
    secret = path.parent.parent / "secret"
    secret.write_text(SECRET, "utf-8")
    path.symlink_to(secret)


def device(path: Path) -> None:
    path.symlink_to("/dev/zero")


def pipe(path: Path) -> None:
    os.mkfifo(path)


def nowhere(path: Path) -> None:
    path.symlink_to(path.parent.parent / "nowhere")


Trap = Callable[[Path], None]
every_trap = pytest.mark.parametrize("trap", [link, device, pipe, nowhere])


@pytest.fixture
def session(tmp_path: Path) -> Session:
    return make_session(tmp_path, evening(4))


@pytest.fixture(scope="module")
def ridden(tmp_path_factory: pytest.TempPathFactory) -> Session:
    session = open_session(short_session(tmp_path_factory.mktemp("ridden"), seed=3, seconds=40, blocks=1))
    write_derived(session.path)
    return session


def lay(session: Session, name: str, trap: Trap) -> Path:
    path = session.path / name
    path.unlink(missing_ok=True)
    trap(path)
    return path


@every_trap
def test_no_trap_is_a_file(session: Session, trap: Trap) -> None:
    path = lay(session, "x", trap)
    assert not is_plain(path)
    with pytest.raises(OSError, match=r"link|no plain file"):
        read_plain(path)
    with pytest.raises(SessionError):
        Table(path)
    with pytest.raises(SessionError):
        read_study(path)
    with pytest.raises(OSError, match=r"link|no plain file"):
        Item("x", path, "").data()


@every_trap
def test_a_derived_file_that_is_none_is_made_again_beside_it(tmp_path: Path, trap: Trap) -> None:
    session = open_session(short_session(tmp_path / "own", seed=3, seconds=20, blocks=1))
    lay(session, "report.html", trap)
    assert "report.html" not in up_to_date(session.path)
    assert "report-2.html" in [path.name for path in write_derived(session.path)]
    assert up_to_date(session.path)["report.html"] == session.path / "report-2.html"


@every_trap
def test_description_and_side_file_can_be_done_without(session: Session, trap: Trap) -> None:
    lay(session, "session.json", trap)
    lay(session, SIDE, trap)
    lay(session, "live.json", trap)
    assert read_live(session.path) is None
    if trap is not nowhere:
        with pytest.raises(SessionError):
            read_info(session.path)
    opened = open_session(session.path)
    assert opened.info.remarks
    _, records = read_journal(session.path)
    assert sum(1 for _ in records) > 10


@every_trap
def test_a_journal_that_is_none_is_told(session: Session, trap: Trap) -> None:
    lay(session, MAIN, trap)
    for read in (read_journal, rescue):
        with pytest.raises((SessionError, DamagedSession)):
            read(session.path)


@every_trap
def test_acts_are_neither_read_nor_written_through_it(session: Session, trap: Trap) -> None:
    path = lay(session, AMENDMENTS, trap)
    with pytest.raises(SessionError):
        list_acts(session.path)
    with pytest.raises(SessionError):
        add_act(session.path, Reading("note", 1.0, "", "mine"), "2026-11-25T00:00:00Z")
    assert not (session.path.parent / "nowhere").exists()
    if trap is link:
        assert path.read_text("utf-8") == SECRET


@every_trap
def test_a_temporary_name_is_no_way_out(session: Session, trap: Trap) -> None:
    lay(session, f".x.{os.getpid()}.part", trap)
    with pytest.raises(OSError):  # noqa: PT011 (a link or what can't be written at a place)
        write_whole(session.path / "x", b"ours")
    assert not (session.path / "x").exists()
    assert not (session.path.parent / "nowhere").exists()


@pytest.mark.parametrize("name", [MAIN, SIDE, "session.json"])
def test_no_package_carries_what_a_link_leads_to(ridden: Session, tmp_path: Path, name: str) -> None:
    """A package is handed on: a link in a session of others must not send the reader's own files along."""
    copy = tmp_path / "copy" / ridden.path.name
    shutil.copytree(ridden.path, copy)
    lay(Session(copy, ridden.info), name, link)
    with pytest.raises((SessionError, OSError), match="link"):
        export(copy, "package", tmp_path / "out")
    assert not list((tmp_path / "out").glob("*"))


def test_no_package_carries_a_report_of_others(ridden: Session, tmp_path: Path) -> None:
    copy = tmp_path / "copy" / ridden.path.name
    shutil.copytree(ridden.path, copy)
    for name in ("report.html", "report-2.html"):
        (copy / name).write_text("<script>alert('theirs')</script>", "utf-8")
    (path,) = export(copy, "package", tmp_path / "out")
    with zipfile.ZipFile(path) as archive:
        (name,) = [name for name in archive.namelist() if name.endswith("report.html")]
        assert archive.read(name) == (ridden.path / "report.html").read_bytes()
        (name,) = [name for name in archive.namelist() if name.endswith("study.json")]
        assert archive.read(name) == (ridden.path / "study.json").read_bytes()


def test_a_small_table_of_many_rows_is_refused(session: Session) -> None:
    """Twenty million equal values take a few kB in a Parquet file, and a gigabyte as objects."""
    import pyarrow as pa
    from pyarrow import parquet

    path = session.path / "grid.parquet"
    column = pa.array(np.zeros(20_000_000, dtype=np.float32))
    parquet.write_table(pa.table({"time_s": column}), path, row_group_size=20_000_000, compression="zstd")
    assert path.stat().st_size < 100_000
    with pytest.raises(SessionError, match="a group of 20000000 rows"):
        Table(path)


def test_giants_are_refused_before_they_are_read(session: Session) -> None:
    path = session.path / "study.json"
    with path.open("wb") as file:
        file.truncate(STUDY_OCTETS + 1)  # a hole: takes no room
    with pytest.raises(SessionError, match="longer than"):
        read_study(path)


@pytest.mark.parametrize("kind", ["csv", "fit", "parquet", "package"])
def test_the_folder_of_exports_is_no_way_out(ridden: Session, tmp_path: Path, kind: str) -> None:
    copy = tmp_path / "copy" / ridden.path.name
    shutil.copytree(ridden.path, copy)
    (tmp_path / "mine").mkdir()
    (copy / "exports").symlink_to(tmp_path / "mine")
    with pytest.raises(SessionError, match="exports: is a link"):
        export(copy, kind)
    assert list((tmp_path / "mine").iterdir()) == []


@pytest.mark.parametrize(
    "place", ["archive", "archive/verdicts", "archive/seconds/month={month}/session={name}"]
)
def test_the_archive_is_no_way_out(ridden: Session, tmp_path: Path, place: str) -> None:
    folder = tmp_path / "sessions"
    shutil.copytree(ridden.path, folder / ridden.path.name)
    (tmp_path / "mine").mkdir()
    path = folder / place.format(name=ridden.path.name, month=month_of(ridden))
    path.parent.mkdir(parents=True, exist_ok=True)
    path.symlink_to(tmp_path / "mine")
    if place == "archive":
        with pytest.raises(SessionError, match="is a link"):
            archive.update(folder)
    else:
        _, entries = archive.update(folder)
        assert [entry.state for entry in entries] == ["refused"]
        assert "is a link" in entries[0].reason
    assert list((tmp_path / "mine").iterdir()) == []


def findings(line: bytes) -> Callable[[Path], None]:
    return lambda folder: (folder / "findings.jsonl").write_bytes(line + b"\n") and None


def grid(**columns: list[Any]) -> Callable[[Path], None]:
    def replace(folder: Path) -> None:
        import pyarrow as pa
        from pyarrow import parquet

        parquet.write_table(pa.table(columns), folder / "grid.parquet")

    return replace


def told(change: Callable[[dict[str, Any]], Any]) -> Callable[[Path], None]:
    def replace(folder: Path) -> None:
        study = json.loads((folder / "study.json").read_text("utf-8"))
        change(study)
        (folder / "study.json").write_text(json.dumps(study), "utf-8")

    return replace


ESCAPES = "\x1b[2J\u202e\x9b"


def escapes(study: dict[str, Any]) -> None:
    for segment in study["segments"]:
        segment.update(name=ESCAPES, kind=ESCAPES, load=ESCAPES)


@pytest.mark.parametrize(
    "change",
    [
        lambda folder: findings(json.dumps({"advice": ESCAPES, "unit": ESCAPES}).encode())(folder),
        lambda folder: grid(**{f"a{ESCAPES}": ["x"], "b": [ESCAPES]})(folder),
        lambda folder: told(escapes)(folder),
    ],
)
def test_tables_for_others_hold_no_escapes(
    ridden: Session, tmp_path: Path, change: Callable[[Path], None]
) -> None:
    copy = tmp_path / ridden.path.name
    shutil.copytree(ridden.path, copy)
    change(copy)
    paths = export(copy, "csv", tmp_path / "out")
    text = "".join(path.read_text("utf-8") for path in paths)
    assert "\ufffd" in text
    assert not set(ESCAPES) - set("[2J") & set(text)


def ghost(study: dict[str, Any]) -> None:
    means = study["segments"][0]["means"]
    means["ghost"] = next(iter(means.values()))


def ages(study: dict[str, Any]) -> None:
    for segment in study["segments"]:
        segment.update(start_s=-1e300, end_s=1e300)


TEXTS: dict[str, list[Any]] = {
    f"{label}.{name}": ["x"]
    for label in ("pedals", "heron")
    for name in ("power_w", "left_w", "right_w", "cadence_rpm", "coverage")
}


@pytest.mark.slow
@pytest.mark.parametrize(
    ("change", "named"),
    [
        (findings(b"nonsense"), "findings.jsonl"),
        (findings(b"[1]"), "findings.jsonl"),
        (findings(b"[" * 100_000), "findings.jsonl"),
        (findings(b'{"t_s": {"a": 1}}'), "findings.jsonl"),
        (grid(time_s=[0.0]), "grid.parquet"),
        (grid(time_s=["x"], utc=["x"], segment=["x"], **TEXTS), "grid.parquet"),
        (told(ghost), "study.json"),
        (told(lambda study: study["instruments"].clear()), "study.json"),
        (told(ages), ""),
        (told(lambda study: study.update(utc_ns=2**62)), ""),
        (told(lambda study: study.update(utc_ns=-(2**62))), ""),
        (told(lambda study: study.update(seconds=1e308)), ""),
    ],
)
def test_products_of_others_are_no_bug_of_ours(
    ridden: Session,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    change: Callable[[Path], None],
    named: str,
) -> None:
    """They are exported, or the file and the remedy are named; a folder loses no other session by one."""
    copy = tmp_path / "sessions" / ridden.path.name
    shutil.copytree(ridden.path, copy)
    shutil.copytree(ridden.path, tmp_path / "sessions" / "zz")
    change(copy)
    codes = []
    for kind in ("csv", "fit", "parquet", "package"):
        codes.append(main(["export", str(copy), "--to", kind]))
        said = capsys.readouterr().err
        if codes[-1]:
            assert f"{named}: " in said
            assert "`plumbwatt study` makes it again" in said
    assert set(codes) == ({0, 2} if named else {0}) or (named == "study.json" and set(codes) == {2})
    _, entries = archive.update(tmp_path / "sessions")
    assert entries[-1].state == "new"
