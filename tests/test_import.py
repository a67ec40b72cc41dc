"""Ride files as an evening: three files of one ride against the live session of the same ride, and joins."""

import hashlib
import json
import math
import zipfile
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from capture.profiles import decode
from capture.profiles.ride_sample import Sample
from capture.record import Packet
from capture.scene import evening
from monitor.analysis.work.track import Track
from monitor.cli import main
from monitor.commands.importing import import_files
from monitor.commands.output import UsageError
from monitor.sessions.acts import open_session_journal
from monitor.sessions.derived import run_session
from monitor.sessions.imports.session import contents, kept_paths
from monitor.study.recording import Recording
from monitor.study.results import Difference, Study
from monitor.study.rides.fit import read_fit
from monitor.study.rides.place import place_all
from monitor.study.rides.ride import RideFileError, Row, checked
from monitor.study.rides.table import read_table, unix_s
from monitor.study.study import study
from tests.helpers.fit_writer import Written, fit
from tests.helpers.rides import UTC_NS, evening_recording, evening_records, write_session

START_S = UTC_NS // 1_000_000_000
ENDS = (0, 25, 150, 180, 195, 210, 225, 240, 255, 270, 282, 305, 350, 360)
LAPS = list(pairwise(ENDS))
BENCH = """
[bench]
name = "three files"
reference = "hub"
[[instrument]]
label = "hub"
role = "reference"
mount = "hub"
link = "ant:trainer:7"
claim_percent = 1.0
drivetrain_loss = [2.6, 1.0]
[[instrument]]
label = "pedals"
role = "witness"
mount = "pedals"
sides = "both"
link = "ant:power:51"
claim_percent = 1.0
[[instrument]]
label = "heron"
mount = "crank"
sides = "both"
link = "bluetooth:AA:BB:CC:DD:EE:FF"
claim_percent = 1.5
model = "long arm"
"""
PROTOCOL = evening()[evening().index("[[protocol.segment]]") :].partition("[scene]")[0]


def head_unit(recording: Recording, i: int) -> Written:
    """What a head unit would write down of instrument `i`: whole watts, a balance in whole percent."""
    cells = recording.cells[:, i]
    known = cells[:, 3] > 0.5
    power = [float(p) if k else None for p, k in zip(cells[:, 0], known, strict=True)]
    balance: list[int | None] = [
        0x80 | round(100.0 - 100.0 * float(left) / float(p)) if s > 0.5 and p > 1.0 else None
        for left, p, s in zip(cells[:, 1], cells[:, 0], cells[:, 2], strict=True)
    ]
    turned = [60.0 * float(r) if k > 0.5 else None for r, k in zip(cells[:, 4], cells[:, 5], strict=True)]
    return Written(START_S, power, turned, balance, laps=LAPS)


def by_changes(power_w: list[float | None]) -> frozenset[int]:
    """Seconds that smart recording leaves out: less than 2 % from what was written last, seven at most."""
    skipped, last, at = set(), -1e9, -99
    for k, p in enumerate(power_w):
        value = p or 0.0
        if abs(value - last) < 0.02 * max(value, 50.0) and k - at < 7:
            skipped.add(k)
        else:
            last, at = value, k
    return frozenset(skipped)


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """hub by changes only, pedals' clock 37 s behind, heron's 112 s ahead with a pause at the end."""
    folder = tmp_path_factory.mktemp("files")
    recording = evening_recording()
    hub, pedals, heron = (head_unit(recording, i) for i in range(3))
    hub.skip = by_changes(list(hub.power_w))
    pedals.start_s -= 37
    heron.start_s += 112
    heron.pauses = [(352, 358)]
    heron.serial = 77
    for label, ride in {"hub": hub, "pedals": pedals, "heron": heron}.items():
        (folder / f"{label}.fit").write_bytes(fit(ride))
    (folder / "bench.toml").write_text(BENCH + PROTOCOL, encoding="utf-8")
    return folder


def imported(files: Path, *more: str, out: Path, bench: str = "bench.toml") -> int:
    given = [f"{label}={files / label}.fit" for label in ("hub", "pedals", "heron")]
    return main(["import", *given, "--bench", str(files / bench), "--out", str(out), *more])


@pytest.fixture(scope="module")
def session(files: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("imported")
    assert imported(files, out=out) == 0
    return next(out.iterdir())


@pytest.fixture(scope="module")
def recording(session: Path) -> Recording:
    return run_session(session)[0]


@pytest.fixture(scope="module")
def result(recording: Recording) -> Study:
    return study(recording)


@pytest.fixture(scope="module")
def live() -> Study:
    return study(evening_recording())


def difference(found: Study, segment: int, label: str) -> Difference:
    return next(d for d in found.segments[segment].differences if d.instrument == label)


# -- one evening of three files


def test_block_means_are_those_of_the_live_session(result: Study, live: Study) -> None:
    assert len(result.segments) == len(LAPS)
    for at in (1, 2, 10, 11):
        for label in ("hub", "pedals", "heron"):
            own, theirs = result.segments[at].means[label], live.segments[at].means[label]
            assert own.power_w == pytest.approx(theirs.power_w, rel=0.003), (at, label)
            if label != "hub" and theirs.coverage > 0.99:
                assert own.left_w == pytest.approx(theirs.left_w, rel=0.01)


def test_the_shift_of_the_right_side_is_found_in_both(result: Study, live: Study) -> None:
    for found in (result, live):
        steps = [s for s in found.shifts if s.instrument == "heron" and s.side == "right"]
        assert [pytest.approx(s.t_s, abs=3.0) for s in steps] == [45.0, 104.0]
        leaning = found.instruments["heron"].states[-2]
        assert leaning.right_percent == pytest.approx(8.2, abs=1.0)
        assert abs(leaning.left_percent or 0.0) < 1.5


def test_clocks_are_brought_together_by_shape(session: Path) -> None:
    kept = {one.label: one for one in contents(session).files}
    assert kept["pedals"].shift_s == pytest.approx(37.0, abs=0.4)
    assert kept["heron"].shift_s == pytest.approx(-112.0, abs=0.4)
    assert kept["hub"].shift_s == 0.0
    assert kept["heron"].likeness is not None
    assert kept["heron"].likeness > 0.85
    assert kept["heron"].rival is not None
    assert kept["hub"].by_changes
    assert not kept["pedals"].by_changes
    info = json.loads((session / "session.json").read_text(encoding="utf-8"))
    assert "37.0 s behind hub's" in next(r for r in info["remarks"] if r.startswith("pedals"))
    assert "only changes were recorded" in next(r.lower() for r in info["remarks"] if r.startswith("hub"))


def test_the_files_are_kept_with_their_checksums(session: Path, files: Path) -> None:
    for one, path in kept_paths(session):
        assert path.read_bytes() == (files / f"{one.label}.fit").read_bytes()
        assert hashlib.sha256(path.read_bytes()).hexdigest() == one.sha256


def test_values_stand_in_the_journal_as_they_were_written(session: Path, files: Path) -> None:
    rows = {row.time_s: row for row in read_fit(files / "hub.fit").rows}
    _, records = open_session_journal(session)
    found = [r for r in records if isinstance(r, Packet) and r.instrument == "hub"]
    told = [Sample.from_bytes(r.data) for r in found]
    values = [s for s in told if not s.paused]
    assert [s.power_w for s in values] == [row.power_w for row in rows.values() if row.power_w is not None]
    assert max(s.held_s for s in values) == 7.0
    assert all(decode(r.channel, r.data).power_sum_w is None for r in found)


def test_smart_recording_is_heard_and_less_sure(result: Study, recording: Recording) -> None:
    """The budget of held values by hand: each gap's mean lies anywhere between its two values (GUM 4.3.7)."""
    hub = result.instruments["hub"].signal
    assert hub.longest_gap_s in (None, 0.0)
    assert hub.lost == []
    assert not [f for f in recording.findings if f.kind == "signal-lost" and f.instrument == "hub"]
    told = difference(result, 1, "pedals")
    assert told.held_u95_percent > 0.02
    rows = recording.holds[0]
    begin, end = 35, 150
    variance = sum(
        ((after[2] - row[2]) * row[1]) ** 2 / 3.0
        for row, after in pairwise(rows)
        if row[1] > 1.5 and begin <= int(row[0]) < end
    )
    mean = float(np.mean(study_reference(recording, begin, end)))
    assert told.held_u95_percent == pytest.approx(196.0 * math.sqrt(variance) / (115.0 * mean), rel=0.02)
    assert told.u95_percent is not None
    assert told.spread_u95_percent is not None
    parts = (told.spread_u95_percent, told.loss_u95_percent, told.held_u95_percent, told.edge_percent)
    assert told.u95_percent == pytest.approx(math.hypot(*parts), abs=0.002)


def study_reference(recording: Recording, begin: int, end: int) -> list[float]:
    cells = recording.cells[begin:end, 0]
    return [(c[0] / c[3] + 2.6) / 0.99 for c in cells if c[3] > 0.98]


def test_a_pause_is_nobodys_time(recording: Recording, result: Study) -> None:
    assert not [f for f in recording.findings if f.kind == "signal-lost" and f.instrument == "heron"]
    heron = result.instruments["heron"]
    assert heron.lost_s == 0.0
    held = recording.holds[2]
    assert next((round(r[0]), round(r[1])) for r in held if r[3]) == (352, 6)
    assert heron.reported["serial"] == "77"
    assert heron.reported["model"] == "long arm"


def test_a_lost_link_is_still_lost(recording: Recording) -> None:
    """The head unit wrote records without power while it did not hear the pedals."""
    lost = [f for f in recording.findings if f.kind == "signal-lost"]
    assert [f.instrument for f in lost if f.event == "raised"] == ["pedals"]
    assert not [f for f in recording.findings if f.kind == "power-missing" and f.instrument == "pedals"]


# -- what is refused, and offered


@pytest.mark.slow
def test_another_day_is_refused_and_a_zone_offered(
    files: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    ride = head_unit(evening_recording(), 1)
    for hours, words in ((24, "24.0 h"), (2, "2 h ahead, as by a zone of time")):
        ride.start_s = START_S + hours * 3600 + 20
        (tmp_path / "late.fit").write_bytes(fit(ride))
        given = [f"hub={files / 'hub.fit'}", f"pedals={tmp_path / 'late.fit'}"]
        bench = ["--bench", str(files / "bench.toml"), "--out", str(tmp_path / "o")]
        assert main(["import", *given, *bench]) == 2
        told = capsys.readouterr().err
        assert words in told
    wish = told.split("--shift ")[1].split(".\n")[0].strip()
    assert wish.startswith("pedals=-72")
    assert main(["import", *given, *bench, "--shift", wish]) == 0
    assert "set by hand: likeness 0.9" in capsys.readouterr().err


@pytest.mark.slow
def test_a_label_without_a_bench_is_asked_for_and_never_a_crank(
    files: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    given = [f"hub={files / 'hub.fit'}", f"pedals={files / 'pedals.fit'}"]
    assert main(["import", *given, "--out", str(tmp_path)]) == 2
    assert "Give --bench" in capsys.readouterr().err
    answers = iter(["hub", "total", "reference", "1", "2.6", "1", "Pedals", "both", "witness", "", "hub"])
    asked: list[str] = []

    def ask(question: str) -> str:
        asked.append(question)
        return next(answers)

    assert import_files(given, None, None, tmp_path, [], [], None, ask) == 0
    made = run_session(next(tmp_path.iterdir()))[0].bench
    assert made.reference == "hub"
    assert [(i.mount, i.sides, i.claim_percent) for i in made.instruments] == [
        ("hub", "total", 1.0), ("pedals", "both", None)]  # fmt: skip
    assert made.instruments[0].drivetrain_loss == (2.6, 1.0)
    with pytest.raises(UsageError, match="No answer fits"):
        import_files(given, None, None, tmp_path, [], [], None, lambda question: "crank?")


def test_misspelt_labels_and_words_are_named(files: Path, capsys: pytest.CaptureFixture[str]) -> None:
    bench = ["--bench", str(files / "bench.toml")]
    for arguments, words in (
        ([f"pedal={files / 'hub.fit'}"], 'Did you mean "pedals"?'),
        ([str(files / "hub.fit")], "is not LABEL=FILE"),
        ([f"hub={files / 'hub.fit'}"], "nothing to be compared with"),
        ([f"heron={files / 'heron.fit'}", f"pedals={files / 'pedals.fit'}"], "has no ride file"),
        ([f"hub={files / 'hub.fit'}", f"pedals={files / 'x.fit'}"], "x.fit: No such file"),
    ):
        assert main(["import", *arguments, *bench]) == 2
        assert words in capsys.readouterr().err


# -- files that are not what they should be


def small(**changes: object) -> Written:
    power: list[float | None] = [150.0 + 40.0 * math.sin(k / 9.0) + k % 5 for k in range(300)]
    return replace(Written(START_S, power, [90.0] * 300), **changes)  # type: ignore[arg-type]


def test_a_file_is_read_as_far_as_it_goes(tmp_path: Path) -> None:
    data, path = fit(small()), tmp_path / "a.fit"
    whole = read_fit(_put(path, data))
    assert (len(whole.rows), whole.problems) == (300, [])
    cut = read_fit(_put(path, data[: len(data) // 2]))
    assert 100 < len(cut.rows) < 200
    assert any("as far as it goes" in p for p in cut.problems)
    assert cut.rows == whole.rows[: len(cut.rows)]
    never_closed = data[:4] + b"\0\0\0\0" + data[8:-2]
    found = read_fit(_put(path, never_closed))
    assert len(found.rows) == 300
    assert any("never closed" in p for p in found.problems)
    bad = read_fit(_put(path, data[:-2] + b"\x12\x34"))
    assert len(bad.rows) == 300
    assert bad.problems == ["its checksum is wrong: some of its values may be wrong"]
    for junk in (b"", b"\x0e", data[:20], b"x" * 500):
        with pytest.raises(RideFileError):
            read_fit(_put(path, junk))


def _put(path: Path, data: bytes) -> Path:
    path.write_bytes(data)
    return path


@pytest.mark.parametrize("name", ["Left Power", "left_power", "PowerLeft"])
def test_sides_in_developer_fields(tmp_path: Path, name: str) -> None:
    sides = [(80.0, 90.0)] * 300
    ride = small(sides_w=sides, names=(name, name.replace("Left", "Right").replace("left", "right")))
    row = read_fit(_put(tmp_path / "a.fit", fit(ride))).rows[5]
    assert (row.left_w, row.right_w) == (80.0, 90.0)
    reading = Sample(1.0, 170.0, left_w=80.0, right_w=90.0).reading()
    assert reading.left_share == pytest.approx(80 / 170)
    named_otherwise = small(sides_w=sides, names=("Left Power Phase", "Right Torque"))
    names = read_fit(_put(tmp_path / "b.fit", fit(named_otherwise))).rows[5]
    # Both are in watts, so they are what they say; a balance or an angle would not be.
    assert names.left_w is not None


def test_a_balance_without_its_flag_is_nobodys_side(tmp_path: Path) -> None:
    known = read_fit(_put(tmp_path / "a.fit", fit(small(balance=[0x80 | 47] * 300)))).rows[3]
    assert (known.share_percent, known.side_known) == (53.0, True)
    unknown = read_fit(_put(tmp_path / "b.fit", fit(small(balance=[47] * 300)))).rows[3]
    assert (unknown.share_percent, unknown.side_known) == (47.0, False)
    told = Sample(1.0, 200.0, share_percent=47.0).reading()
    assert (told.left_share, told.side_share) == (None, 0.47)
    odd = read_fit(_put(tmp_path / "c.fit", fit(small(balance=[0x80, 0x7F] * 150)))).rows
    assert (odd[0].share_percent, odd[0].side_known) == (100.0, True)
    assert odd[1].share_percent is None


def test_laps_by_distance_divide_nothing_and_steps_have_names(tmp_path: Path) -> None:
    laps = [(0.0, 100.0), (100.0, 200.0), (200.0, 300.0)]
    pressed = read_fit(_put(tmp_path / "a.fit", fit(small(laps=laps))))
    assert [(lap.name, lap.pressed) for lap in pressed.laps] == [(f"lap {n}", True) for n in (1, 2, 3)]
    by_distance = read_fit(_put(tmp_path / "b.fit", fit(small(laps=laps, trigger=2))))
    assert not any(lap.pressed for lap in by_distance.laps)
    named = read_fit(_put(tmp_path / "c.fit", fit(small(laps=laps, step_names=["warm", "hard", "easy"]))))
    assert [lap.name for lap in named.laps] == ["warm", "hard", "easy"]


# -- tables


def test_tables_are_mapped_once(tmp_path: Path) -> None:
    lines = ["secs;Watts;Bal;rpm", *(f"{k},5;{150 + k % 40};52,5;90" for k in range(120))]
    path = _put(tmp_path / "a.csv", "\n".join(lines).encode())
    columns = {"time_s": "secs", "power_w": "Watts", "left_percent": "bal", "cadence_rpm": "rpm"}
    ride = read_table(path, columns)
    assert ride.rows[3] == Row(3.5, 153.0, 90.0, 52.5, True)
    assert not ride.utc
    with pytest.raises(RideFileError, match=r"no column of time.*Its headers: secs, Watts, Bal, rpm"):
        read_table(path)
    with pytest.raises(RideFileError, match="pover_w is no quantity"):
        read_table(path, {"pover_w": "Watts"})


def test_time_stamps_of_tables(tmp_path: Path) -> None:
    # RFC 3339, 5.8: these two are the same instant, and 2024-01-01T00:00:00Z is 1704067200.
    assert unix_s("1996-12-19T16:39:57-08:00") == unix_s("1996-12-20T00:39:57Z") == 851042397.0
    assert unix_s("2024-01-01 00:00:00.250") == 1704067200.25
    assert unix_s("yesterday") is None
    assert unix_s("2024-13-01T00:00:00Z") is None
    text = "utc,left_w,right_w\n2024-01-01T00:00:00Z,100,110\nbad,1,2\n2024-01-01T00:00:01Z,9999,0\n"
    ride = read_table(_put(tmp_path / "a.csv", text.encode()))
    assert ride.rows[0] == Row(1704067200.0, 210.0, None, None, False, 100.0, 110.0)
    assert ride.problems == [
        "1 rows have no readable time and were left out",
        "1 impossible values were left out",
    ]
    for data in (b"\xff\x00\x01", b"power_w\n1\n", b"time_s,x\n1,2\n", b"", b'time_s,power_w\n"1,2\n' * 3):
        with pytest.raises(RideFileError):
            read_table(_put(tmp_path / "b.csv", data))


@pytest.mark.slow
def test_a_table_joins_files_in_a_session(
    files: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Quarter seconds, a clock of its own, headers of its own: the same means as the FIT file of the hub."""
    cells = evening_recording().cells[:, 1]
    power = np.where(cells[:, 3] > 0.5, cells[:, 0], np.nan)
    lines = ["t [s],P [W],L [%]"]
    lines += [
        f"{500.0 + k / 4.0},{power[k // 4]:.1f},52"
        for k in range(4 * len(power))
        if power[k // 4] == power[k // 4]
    ]
    table = _put(tmp_path / "pedals.csv", "\n".join(lines).encode())
    given = [f"hub={files / 'hub.fit'}", f"pedals={table}", "--bench", str(files / "bench.toml")]
    columns = ["--column", "time_s=t [s]", "power_w=P [W]", "left_percent=L [%]"]
    assert main(["import", *given, *columns, "--out", str(tmp_path / "out")]) == 0
    assert "aligned by the shape of power" in capsys.readouterr().err
    result = study(run_session(next((tmp_path / "out").iterdir()))[0])
    assert result.segments[1].means["pedals"].power_w == pytest.approx(
        float(np.nanmean(power[35:150])), rel=2e-3
    )
    assert result.segments[1].means["pedals"].left_percent == pytest.approx(52.0, abs=0.1)
    assert main(["import", *given, "--out", str(tmp_path / "out")]) == 2
    assert "has no column of time" in capsys.readouterr().err


# -- values that stand


def test_a_value_stands_until_the_next_and_never_twice() -> None:
    track = Track("both")
    for at, sample in (
        (0.0, Sample(5.0, 200.0, 90.0, 60.0, side_known=True)),
        (5.0, Sample(1.0, 100.0, 60.0)),
        (6.0, Sample(4.0, paused=True)),
        (10.0, Sample(2.0, 0.0, 0.0)),
        (11.0, Sample(2.0, 50.0)),
    ):
        track.feed(sample.reading(), at)
    cells = np.array([track.curve.close() for _ in range(13)])
    assert cells[:, 0].tolist() == [200.0] * 5 + [100.0] + [0.0] * 6 + [50.0]
    assert cells[:, 3].tolist() == [1.0] * 6 + [0.0] * 4 + [1.0] * 3
    assert cells[:, 1].tolist() == pytest.approx([120.0] * 5 + [0.0] * 8)
    assert cells[:, 2].tolist() == [1.0] * 5 + [0.0] * 5 + [1.0, 1.0, 0.0]
    assert cells[:, 4].sum() == pytest.approx(5 * 1.5 + 1.0)
    assert track.heard_s == 13.0


def test_holes_are_no_smart_recording() -> None:
    """A file of every second vouches for no more than that; one of changes for up to twelve."""
    every = checked(
        Path("a"), "FIT", [Row(float(k), 100.0) for k in range(100) if not 50 <= k < 58], utc=True
    )
    assert not every.by_changes
    assert sum(held for _, held in every.held()) == pytest.approx(92.0)
    smart = checked(Path("a"), "FIT", [Row(float(k), 100.0) for k in range(0, 400, 4)], utc=True)
    assert smart.by_changes
    assert sum(held for _, held in smart.held()) == pytest.approx(99 * 4.0 + 1.5)
    hole = checked(Path("a"), "FIT", [Row(float(k), 100.0) for k in (*range(0, 400, 4), 500)], utc=True)
    assert sum(held for _, held in hole.held()) == pytest.approx(99 * 4.0 + 3.0)


def test_rides_too_steady_for_the_first_are_held_against_another() -> None:
    rng = np.random.default_rng(4)
    shape = 200.0 + np.repeat(rng.normal(0.0, 40.0, 20), 30)

    def ride(values: np.ndarray, start: float) -> object:
        return checked(Path("x"), "CSV", [Row(start + k, float(v)) for k, v in enumerate(values)], utc=False)

    rides = {"a": ride(shape[:200], 0.0), "b": ride(shape, 50.0), "c": ride(shape[150:], 900.0)}
    placed = place_all(rides, "a")  # type: ignore[arg-type]
    assert placed["b"].shift_s == pytest.approx(-50.0, abs=0.3)
    # The first and the last share less than two minutes.
    assert placed["c"].against == "b"
    assert placed["c"].shift_s == pytest.approx(150.0 - 900.0, abs=0.3)


# -- joined to a session


@pytest.mark.slow
def test_files_join_a_session_for_good(
    files: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = write_session(tmp_path / "live", *evening_records())
    before = (path / "journal.arrows").read_bytes()
    assert main(["study", str(path), "--json", "-"]) == 0
    first = json.loads(capsys.readouterr().out)
    bench = tmp_path / "b.toml"
    bench.write_text(
        BENCH.replace('"heron"', '"head-2"').replace('"pedals"\nrole', '"head-1"\nrole'), encoding="utf-8"
    )
    join = ["--bench", str(bench), "--into", str(path)]
    assert main(["import", f"head-1={files / 'pedals.fit'}", *join]) == 0
    assert "37.0 s behind the session's" in capsys.readouterr().err
    assert main(["import", f"head-2={files / 'heron.fit'}", *join]) == 0
    assert main(["import", f"head-2={files / 'heron.fit'}", *join]) == 2
    assert "is an instrument of the session already" in capsys.readouterr().err
    assert (path / "journal.arrows").read_bytes() == before
    assert main(["study", str(path), "--json", "-"]) == 0
    then = json.loads(capsys.readouterr().out)
    assert list(then["instruments"]) == [*first["instruments"], "head-1", "head-2"]
    for old, new in zip(first["segments"], then["segments"], strict=True):
        assert new["means"]["heron"] == old["means"]["heron"]
    joined = next(d for d in then["segments"][1]["differences"] if d["instrument"] == "head-1")
    own = next(d for d in first["segments"][1]["differences"] if d["instrument"] == "pedals")
    assert joined["deviation_percent"] == pytest.approx(own["deviation_percent"], abs=0.3)
    # One instrument heard twice is one opinion.
    assert then["instruments"]["head-1"]["same_as"] == "pedals"
    assert main(["replay", str(path), "--headless"]) == 0
    assert main(["export", str(path), "--to", "package", "--out", str(tmp_path / "p")]) == 0
    names = zipfile.ZipFile(next((tmp_path / "p").iterdir())).namelist()
    assert any(name.endswith("rides/head-1.fit") for name in names)


def test_a_rides_folder_that_leads_out_is_not_followed(session: Path, tmp_path: Path) -> None:
    from monitor.sessions.imports.joined import joined_folders
    from storage.damage import SessionError

    (tmp_path / "s").mkdir()
    (tmp_path / "s" / "rides").symlink_to(session / "rides")
    assert joined_folders(tmp_path / "s") == []
    with pytest.raises(SessionError, match="leads out"):
        contents(tmp_path / "s")


@pytest.mark.slow
def test_a_package_of_a_chosen_one_has_its_ride_file_and_names_nobody_else(
    session: Path, files: Path, tmp_path: Path
) -> None:
    arguments = ["--to", "package", "--only", "heron", "--rename", "heron=unit-7", "--out", str(tmp_path)]
    assert main(["export", str(session), *arguments]) == 0
    (package,) = tmp_path.iterdir()
    with zipfile.ZipFile(package) as archive:
        members = {name.split("/", 1)[1]: archive.read(name) for name in archive.namelist()}
    rides = {name for name in members if name.startswith("rides/")}
    assert rides == {"rides/rides.json", "rides/unit-7.fit"}
    assert members["rides/unit-7.fit"] == (files / "heron.fit").read_bytes()
    (known,) = json.loads(members["rides/rides.json"])["files"]
    assert (known["label"], known["file"]) == ("unit-7", "unit-7.fit")
    # How its clock was set names another one, and is nobody's business.
    for name in ("bench.toml", "study.json", "rides/rides.json", "README.md", "report.html"):
        assert b"pedals's" not in members[name], name
        assert b"hub's" not in members[name], name
    assert known["against"] in ("", "reference", "other-1")
