"""A session kept as arrays: exactly what its journal gives, and believed only if this program kept it."""

import io
import json
import shutil
import tracemalloc
import zipfile
from collections.abc import Callable
from dataclasses import fields
from hashlib import sha256
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from capture.record import Act, Header, Record
from capture.scene import evening
from monitor.analysis.changes.shift import Shift
from monitor.analysis.stroke.series import Series
from monitor.cli import main
from monitor.finding import Finding
from monitor.report import report_html
from monitor.sessions.derived import finding_line, run_session, session_arrays, write_derived
from monitor.sessions.tables import grid_values
from monitor.sessions.vouched import DERIVED, NAMES, RECORDING, SAMPLES, kept_recording
from monitor.study import kept
from monitor.study.kept import HEAD, KeptError, kept_octets, recording_of
from monitor.study.parts.common import shared_of
from monitor.study.recording import Recording, collect
from monitor.study.results import encode
from monitor.study.study import study
from storage.journal import MAIN, SIDE
from tests.helpers.rides import UTC_NS, evening_recording, scene_records, short_session
from tests.test_pipeline import BENCH as LOSSY_BENCH
from tests.test_pipeline import EVENING as LOSSY

Capture = pytest.CaptureFixture[str]


def same(a: Any, b: Any) -> bool:
    """Bit for bit: nan is nan, -0.0 is not 0.0, and a whole number is no float."""
    if type(a) is not type(b):
        return False
    if isinstance(a, np.ndarray):
        return bool(a.dtype == b.dtype and a.shape == b.shape and a.tobytes() == b.tobytes())
    if isinstance(a, Series):
        mine, yours = ([s.seconds, s.place, s.measures, s.method, s.vector_side, *s.arrays] for s in (a, b))
        counts = [(s.vectors.packets, s.vectors.lost_packets, s.vectors.unplaced_packets) for s in (a, b)]
        return same(mine, yours) and counts[0] == counts[1]
    if isinstance(a, dict):
        return list(a) == list(b) and all(same(a[k], b[k]) for k in a)
    if isinstance(a, list):
        return len(a) == len(b) and all(map(same, a, b))
    return repr(a) == repr(b)


def assert_same(recording: Recording) -> None:
    """What is kept of a recording gives it back, and all that is made from it."""
    octets = kept_octets(recording)
    assert octets is not None
    again = recording_of(octets)
    for field in fields(Recording):
        assert same(getattr(again, field.name), getattr(recording, field.name)), field.name
    assert kept_octets(again) == octets
    shared, other = shared_of(recording), shared_of(again)
    result, theirs = study(recording, shared), study(again, other)
    assert encode(theirs) == encode(result)
    assert report_html(theirs, other) == report_html(result, shared)
    grid, kept = grid_values(recording), grid_values(again)
    assert all(same(grid[name], kept[name]) for name in grid)
    assert [finding_line(f) for f in again.findings] == [finding_line(f) for f in recording.findings]


def test_what_is_kept_of_a_change_and_a_finding_is_all_of_it() -> None:
    """A field more than is kept of either, and no session that has one is kept."""
    assert kept._Shift.__struct_fields__ == tuple(field.name for field in fields(Shift))
    assert set(kept._Finding.__struct_fields__) == set(Finding.__struct_fields__)


@pytest.mark.slow
def test_an_evening_comes_back_exactly() -> None:
    assert_same(evening_recording())


@pytest.mark.slow
def test_lost_records_acts_taken_back_and_inserted_segments_come_back() -> None:
    records: list[Record] = [*LOSSY[:-1]]
    records.insert(len(records) // 2, Act(records[len(records) // 2].t_ns, "gear", "50x17 größer", "hub"))
    assert_same(collect(Header(LOSSY_BENCH.text, "0", UTC_NS), records))
    assert_same(collect(Header(LOSSY_BENCH.text, "0", 0), []))
    bench, ride = scene_records(evening())
    half = next(k for k, record in enumerate(ride) if record.t_ns > 100e9)
    ride.insert(half, Act(ride[half].t_ns, "repeat", ""))
    recording = collect(Header(bench.text, "0", UTC_NS), ride)
    assert recording.protocol is not None or bench.protocol is not None
    assert_same(recording)


@pytest.mark.slow
@pytest.mark.parametrize("hz", [32, 0])
def test_a_stroke_comes_back(hz: int) -> None:
    from tests.test_stroke_study import ridden

    shared, _ = ridden(5, hz) if hz else ridden(5, 16, 60)
    assert shared.recording.strokes
    assert_same(shared.recording)


# -- octets of others


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    session = short_session(tmp_path_factory.mktemp("made"), seed=3, seconds=20)
    assert {path.name for path in write_derived(session)} == set(NAMES)
    return session


@pytest.fixture(scope="module")
def octets(made: Path) -> bytes:
    return (made / RECORDING).read_bytes()


def repacked(octets: bytes, change: Callable[[dict[str, bytes]], Any]) -> bytes:
    with zipfile.ZipFile(io.BytesIO(octets)) as packed:
        members = {name: packed.read(name) for name in packed.namelist()}
    change(members)
    file = io.BytesIO()
    with zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as packed:
        for name, data in members.items():
            packed.writestr(name, data)
    return file.getvalue()


def head(**changes: Any) -> Callable[[dict[str, bytes]], Any]:
    def change(members: dict[str, bytes]) -> None:
        members[HEAD] = json.dumps({**json.loads(members[HEAD]), **changes}).encode()

    return change


def npy(values: Any) -> bytes:
    file = io.BytesIO()
    np.save(file, values, allow_pickle=True)
    return file.getvalue()


def put(name: str, data: bytes) -> Callable[[dict[str, bytes]], Any]:
    return lambda members: members.update({name: data})


HOSTILE: dict[str, Callable[[dict[str, bytes]], Any]] = {
    "no head": lambda members: members.pop(HEAD),
    "no array": lambda members: members.pop("cells.npy"),
    "one array more": put("more.npy", npy(np.zeros(3))),
    "a name that leads out": put("../x", b""),
    "another format": head(format=2),
    "no number where one must be": head(records=None),
    "nan where a whole number must be": lambda m: m.update(
        {HEAD: m[HEAD].replace(b'"records":', b'"records":NaN,"x":')}
    ),
    "a negative length": head(cells=-1),
    "a length that nothing has": head(cells=1 << 27),
    "lengths of another bench": head(packets=[1]),
    "an instrument that is not there": head(side_references={"7": 0}),
    "a bench that is none": head(header={"bench": "[[", "program": "0", "utc_ns": 0}),
    "a state of a link that is none": head(links=[["link", 1, "hub", "flying", ""]]),
    "columns of another width": put("shown-1.npy", npy(np.zeros((3, 3)))),
    "numbers of another kind": put("cells.npy", npy(np.zeros((4, 3, 6), dtype=np.int64))),
    "objects in place of numbers": put("arrivals-0.npy", npy(np.array([print], dtype=object))),
    "nan where every number has a meaning": lambda m: m.update(
        {"arrivals-0.npy": m["arrivals-0.npy"][:-8] + np.float64(np.nan).tobytes()}
    ),
    "time that runs backwards": lambda m: m.update(
        {"arrivals-0.npy": m["arrivals-0.npy"][:-8] + np.float64(-1.0).tobytes()}
    ),
}


@pytest.mark.parametrize("how", HOSTILE)
def test_octets_that_are_no_recording_are_refused(octets: bytes, how: str) -> None:
    recording_of(repacked(octets, lambda members: None))
    with pytest.raises(KeptError):
        recording_of(repacked(octets, HOSTILE[how]))


def test_torn_and_garbled_octets_are_refused_or_the_same(octets: bytes) -> None:
    for cut in range(0, len(octets), 997):
        with pytest.raises(KeptError):
            recording_of(octets[:cut])
    chance = np.random.default_rng(3)
    for _ in range(60):
        at, bit = int(chance.integers(len(octets))), 1 << int(chance.integers(8))
        try:
            found = recording_of(octets[:at] + bytes([octets[at] ^ bit]) + octets[at + 1 :])
        except KeptError:
            continue
        # The checksum of each member leaves only what says nothing, as a date.
        assert same(found.cells, recording_of(octets).cells)


def test_a_small_file_unfolds_to_no_more_than_its_head_tells(octets: bytes) -> None:
    giant = repacked(octets, put("cells.npy", bytes(60 << 20)))
    assert len(giant) < 1 << 20
    tracemalloc.start()
    try:
        with pytest.raises(KeptError):
            recording_of(giant)
        assert tracemalloc.get_traced_memory()[1] < 20 << 20
    finally:
        tracemalloc.stop()


# -- in the folder of a session


@pytest.fixture
def session(made: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(made, tmp_path / made.name))


def never(*_: object, **__: object) -> None:
    raise AssertionError("the journal ran through the pipeline again")


def vouched(session: Path, octets: bytes) -> None:
    """As somebody would who wants other octets to be believed."""
    (session / RECORDING).write_bytes(octets)
    told = json.loads((session / DERIVED).read_bytes())
    told["sha256"][RECORDING] = sha256(octets).hexdigest()
    (session / DERIVED).write_text(json.dumps(told), encoding="utf-8")


def test_what_is_kept_is_what_the_journal_gives(made: Path) -> None:
    kept, (truth, damage) = kept_recording(made), run_session(made)
    assert kept is not None
    assert damage is None
    for field in fields(Recording):
        assert same(getattr(kept, field.name), getattr(truth, field.name)), field.name


def test_what_could_not_come_back_exactly_is_not_kept(made: Path) -> None:
    from dataclasses import replace

    recording = kept_recording(made)
    assert recording is not None
    odd: list[dict[str, float | str]] = [
        {"battery_v": float("nan")}, {"battery_v": float("inf")}, {"name": "\ud800"}
    ]  # fmt: skip
    for facts in odd:
        assert kept_octets(replace(recording, facts=[facts, {}])) is None
    cells = recording.cells.copy()
    cells[7, 1, 2] = np.inf
    assert kept_octets(replace(recording, cells=cells)) is None


def test_every_question_starts_from_the_arrays(
    session: Path, tmp_path: Path, capsys: Capture, monkeypatch: pytest.MonkeyPatch
) -> None:
    plain = Path(shutil.copytree(session, tmp_path / "plain" / session.name))
    for path in plain.iterdir():
        if path.name not in (MAIN, SIDE, "session.json"):
            path.unlink()
    asked = ["--stretch", "0:05-0:20=climb", "--html"]
    told = {}
    for folder in (plain, session):
        if folder == session:
            monkeypatch.setattr("monitor.sessions.derived.collect", never)
            monkeypatch.setattr("monitor.live.pipeline.Pipeline.feed", never)
        capsys.readouterr()
        page = tmp_path / "page.html"
        assert main(["study", str(folder), *asked, str(page)]) == 0
        told[folder] = capsys.readouterr().out, page.read_bytes()
    assert told[plain] == told[session]
    assert main(["study", str(session), "--only", "heron", "--html", str(tmp_path / "only.html")]) == 0
    assert main(["study", str(session), "--forget", "climb", "--json", str(tmp_path / "x.json")]) == 0
    assert main(["words", str(session), "--set", "question=Is it true?"]) == 0
    assert main(["study", str(session)]) == 0
    # A table that somebody took away needs what packets say, and no pipeline.
    samples = (session / SAMPLES).read_bytes()
    (session / SAMPLES).unlink()
    assert main(["study", str(session)]) == 0
    assert (session / SAMPLES).read_bytes() == samples


@pytest.mark.slow
def test_pictures_packages_and_comparisons_start_from_the_arrays(
    session: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    other = short_session(tmp_path / "other", seed=4, seconds=20)
    write_derived(other)
    (other / "study.json").unlink()
    monkeypatch.setattr("monitor.live.pipeline.Pipeline.feed", never)
    assert main(["figure", str(session), "--what", "power", "--out", str(tmp_path / "x.png")]) == 0
    assert main(["export", str(session), "--to", "package", "--out", str(tmp_path / "out")]) == 0
    (package,) = (tmp_path / "out").iterdir()
    with zipfile.ZipFile(package) as found:
        assert not [name for name in found.namelist() if RECORDING in name]
    assert main(["study", str(session), "--against", str(other)]) == 0


def another_program(session: Path) -> None:
    told = json.loads((session / DERIVED).read_bytes())
    (session / DERIVED).write_text(json.dumps({**told, "code_sha256": "0" * 64}), encoding="utf-8")


def another_version(session: Path) -> None:
    told = json.loads((session / DERIVED).read_bytes())
    told["made_from"]["program"] = "plumbwatt 0.0.0"
    (session / DERIVED).write_text(json.dumps(told), encoding="utf-8")


def an_act_put_right(session: Path) -> None:
    assert main(["acts", "add", str(session), "note", "wind", "--at", "0:10"]) == 0


def a_bit_of_the_journal(session: Path) -> None:
    data = bytearray((session / MAIN).read_bytes())
    data[len(data) // 2] ^= 4
    (session / MAIN).write_bytes(data)


def an_exchanged_file(session: Path) -> None:
    octets = repacked((session / RECORDING).read_bytes(), head(seconds=1.0))
    (session / RECORDING).write_bytes(octets)


def a_link(session: Path) -> None:
    (session / RECORDING).rename(session.parent / RECORDING)
    (session / RECORDING).symlink_to(session.parent / RECORDING)


def rubbish_that_is_vouched_for(session: Path) -> None:
    vouched(session, b"PK\x03\x04" + bytes(1000))


def objects_that_are_vouched_for(session: Path) -> None:
    objects = npy(np.array([print], dtype=object))
    vouched(session, repacked((session / RECORDING).read_bytes(), put("placed.npy", objects)))


@pytest.mark.parametrize(
    "change",
    [another_program, another_version, an_act_put_right, a_bit_of_the_journal, an_exchanged_file, a_link,
     rubbish_that_is_vouched_for, objects_that_are_vouched_for],
)  # fmt: skip
def test_what_is_foreign_older_or_damaged_is_made_anew(session: Path, change: Callable[[Path], None]) -> None:
    assert kept_recording(session) is not None
    change(session)
    assert kept_recording(session) is None
    recording, damage = session_arrays(session)
    truth, _ = run_session(session)
    assert encode(study(recording)) == encode(study(truth))
    again = kept_recording(session)
    if damage is not None:
        assert again is None, "a damaged journal is told each time"
    else:
        assert again is not None
        assert encode(study(again)) == encode(study(truth))
        assert not (session / RECORDING).is_symlink()


def test_a_folder_that_takes_nothing_costs_only_time(session: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (session / RECORDING).unlink()

    def full(*_: object, **__: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("monitor.sessions.vouched.write_whole", full)
    recording, damage = session_arrays(session)
    assert recording.records
    assert damage is None
    assert not (session / RECORDING).exists()
