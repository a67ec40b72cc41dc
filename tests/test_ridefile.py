"""Ride files that join a session, and those that are refused, with the reason."""

import contextlib
import json
import os
import struct
import subprocess
import sys
import tempfile
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.cli import main
from monitor.study import ridefile
from monitor.study.recording import Recording
from monitor.study.ridefile import Alignment, Ride, RideFileError, align, correlations, join, read_ride
from monitor.study.study import study
from storage.exports.fit_file import Ride as Written
from storage.exports.fit_file import fit_bytes
from tests.helpers.rides import UTC_NS, evening_recording, evening_records, write_session


def ride_of(
    recording: Recording, i: int, *, late_s: float = 0.0, gain: float = 1.0, utc_s: float | None = None
) -> Written:
    """What a head unit would have written of instrument `i`: whole seconds and watts, its clock off."""
    cells = recording.cells[:, i]
    known = cells[:, 3] > 0.5
    power = [gain * float(p) if k else None for p, k in zip(cells[:, 0], known, strict=True)]
    turned = cells[:, 5] > 0.5
    cadence = [60.0 * float(r) if k else None for r, k in zip(cells[:, 4], turned, strict=True)]
    sided = cells[:, 2] > 0.5
    left = [
        100.0 * float(lj) / float(p) if k and p > 0 else None
        for lj, p, k in zip(cells[:, 1], cells[:, 0], sided, strict=True)
    ]
    return Written(
        power, cadence, left, [], [], (UTC_NS / 1e9 if utc_s is None else utc_s) + late_s, "head unit"
    )


def written(path: Path, ride: Written) -> Path:
    path.write_bytes(fit_bytes(ride))
    return path


@pytest.mark.slow
def test_a_ride_joins_as_one_more_instrument(tmp_path: Path) -> None:
    recording = evening_recording()
    path = written(tmp_path / "head.fit", ride_of(recording, 1, gain=1.06, late_s=41.0))
    ride = read_ride(path)
    assert ride.start_s == UTC_NS / 1e9 + 41.0
    found = align(ride, recording)
    assert found.offset_s == pytest.approx(0.0, abs=0.3)
    assert found.clock_s == pytest.approx(41.0, abs=0.3)
    assert found.likeness > 0.97
    assert "41." in found.words
    assert "ahead" in found.words
    joined = join(recording, ride, found, "head-unit", claim_percent=2.0)
    result = study(joined)
    assert list(result.instruments) == ["hub", "pedals", "heron", "cadence", "head-unit"]
    told = {s.name: d for s in result.segments for d in s.differences if d.instrument == "head-unit"}
    pedals = {s.name: d for s in result.segments for d in s.differences if d.instrument == "pedals"}
    for name in ("steady 220", "steady 250"):
        want = 1.06 * (1.0 + pedals[name].deviation_percent / 100.0) - 1.0
        assert told[name].deviation_percent == pytest.approx(100.0 * want, abs=0.15)
    assert told["steady 220"].verdict == "differs"
    assert told["steady 220"].left_delta_w is not None
    assert "head.fit" in result.instruments["head-unit"].notes
    assert "likeness" in result.instruments["head-unit"].notes
    # The others are judged as before.
    before = study(recording)
    assert result.segments[1].differences[:2] == before.segments[1].differences[:2]


@pytest.mark.parametrize(("skip", "offset_s"), [(60, 60.0), (0, 0.0)])
def test_a_ride_that_began_later_or_ran_longer_finds_its_place(
    tmp_path: Path, skip: int, offset_s: float
) -> None:
    recording = evening_recording()
    ride = ride_of(recording, 0)
    power = [*ride.power_w[skip:], *[100.0] * 50]
    n = len(power)
    later = Written(power, [None] * n, [None] * n, [], [], UTC_NS / 1e9 + skip, "head unit")
    found = align(read_ride(written(tmp_path / "later.fit", later)), recording)
    assert found.offset_s == pytest.approx(offset_s, abs=0.3)
    assert found.clock_s == pytest.approx(0.0, abs=0.3)


def test_a_session_without_a_clock_takes_a_ride_too(tmp_path: Path) -> None:
    recording = evening_recording()
    header = type(recording.header)(recording.header.bench, "0", 0)
    ride = read_ride(written(tmp_path / "head.fit", ride_of(recording, 2)))
    found = align(ride, replace(recording, header=header))
    assert found.clock_s is None
    assert "clock" not in found.words


def test_another_ride_is_refused_with_its_likeness(tmp_path: Path) -> None:
    rng = np.random.default_rng(5)
    power = np.abs(200.0 + np.cumsum(rng.normal(0.0, 8.0, 400))).tolist()
    other = Written(power, [None] * 400, [None] * 400, [], [], UTC_NS / 1e9, "head unit")
    with pytest.raises(RideFileError, match=r"not the same ride: .* 0\.\d\d at best"):
        align(read_ride(written(tmp_path / "other.fit", other)), evening_recording())


def test_the_same_protocol_on_another_day_is_refused(tmp_path: Path) -> None:
    recording = evening_recording()
    ride = ride_of(recording, 1, utc_s=UTC_NS / 1e9 - 86_400.0)
    with pytest.raises(RideFileError, match=r"at another time: .* 24\.0 h"):
        align(read_ride(written(tmp_path / "yesterday.fit", ride)), recording)


def test_a_ride_that_fits_twice_is_refused() -> None:
    recording = evening_recording()
    wave = np.tile(np.repeat([150.0, 250.0], 30), 6)
    cells = np.zeros((360, 4, 6))
    cells[:, :, 0], cells[:, :, 3] = wave[:, None], 1.0
    twice = replace(recording, cells=cells)
    ride = Ride(Path("twice.fit"), UTC_NS / 1e9, wave[:240], np.full(240, np.nan), np.full(240, np.nan))
    with pytest.raises(RideFileError, match="fits at two places"):
        align(ride, twice)


def test_steady_power_has_no_shape(tmp_path: Path) -> None:
    flat = Written([200.0] * 300, [None] * 300, [None] * 300, [], [], UTC_NS / 1e9, "head unit")
    with pytest.raises(RideFileError, match="too steady"):
        align(read_ride(written(tmp_path / "flat.fit", flat)), evening_recording())


def test_no_power_no_file_no_records(tmp_path: Path) -> None:
    none = Written([None] * 100, [90.0] * 100, [None] * 100, [], [], UTC_NS / 1e9, "head unit")
    with pytest.raises(RideFileError, match="holds no power"):
        read_ride(written(tmp_path / "none.fit", none))
    with pytest.raises(RideFileError, match="No such file"):
        read_ride(tmp_path / "absent.fit")
    with pytest.raises(RideFileError, match="no record of a ride"):
        read_ride(written(tmp_path / "empty.fit", Written([], [], [], [], [], UTC_NS / 1e9, "head unit")))
    text = tmp_path / "ride.csv"
    text.write_text("time,power\n0,100\n", encoding="utf-8")
    with pytest.raises(RideFileError, match="is no readable FIT file"):
        read_ride(text)
    with pytest.raises(RideFileError):
        read_ride(tmp_path)


def test_a_short_ride_is_refused(tmp_path: Path) -> None:
    short = ride_of(evening_recording(), 0)
    cut = Written(
        short.power_w[:40], short.cadence_rpm[:40], short.left_percent[:40], [], [], UTC_NS / 1e9, "x"
    )
    with pytest.raises(RideFileError, match="too short"):
        align(read_ride(written(tmp_path / "short.fit", cut)), evening_recording())


def test_every_cut_and_many_broken_files_are_named_errors(tmp_path: Path) -> None:
    ride = ride_of(evening_recording(), 0)
    data = fit_bytes(Written(ride.power_w[:30], [None] * 30, [None] * 30, [], [], UTC_NS / 1e9, "x"))
    path = tmp_path / "cut.fit"
    for at in [*range(60), *range(60, len(data) - 1, 17)]:
        path.write_bytes(data[:at])
        with pytest.raises(RideFileError):
            read_ride(path)


@pytest.mark.slow
@settings(max_examples=40, deadline=None)
@given(st.integers(0, 400), st.binary(min_size=1, max_size=8))
def test_flipped_octets_give_a_ride_or_a_named_error(at: int, noise: bytes) -> None:
    ride = Written([float(100 + k) for k in range(20)], [None] * 20, [None] * 20, [], [], UTC_NS / 1e9, "x")
    data = bytearray(fit_bytes(ride))
    at %= len(data)
    data[at : at + len(noise)] = noise
    with tempfile.NamedTemporaryFile(suffix=".fit") as file:
        file.write(bytes(data))
        file.flush()
        with contextlib.suppress(RideFileError):
            assert len(read_ride(Path(file.name)).power_w) >= 1


def test_flipped_octets_are_never_taken_for_a_ride(tmp_path: Path) -> None:
    """A wrong watt would be a wrong verdict: each octet stands under a checksum that is looked at."""
    ride = Written([float(100 + k) for k in range(5)], [None] * 5, [None] * 5, [], [], UTC_NS / 1e9, "x")
    data, path = fit_bytes(ride), tmp_path / "flipped.fit"
    for at in range(len(data)):
        path.write_bytes(bytes([*data[:at], data[at] ^ 0x10, *data[at + 1 :]]))
        with pytest.raises(RideFileError):
            read_ride(path)


def test_a_file_of_too_many_messages_or_octets_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Two octets of a record become a hundred in memory."""
    ride = Written([200.0] * 50, [None] * 50, [None] * 50, [], [], UTC_NS / 1e9, "x")
    path = written(tmp_path / "long.fit", ride)
    read_ride(path)
    monkeypatch.setattr(ridefile, "MOST_MESSAGES", 50)
    with pytest.raises(RideFileError, match="more than 50 messages"):
        read_ride(path)
    with path.open("r+b") as file:
        file.truncate(ridefile.LARGEST_BYTES + 1)  # a hole: takes no room
    with pytest.raises(RideFileError, match="larger than any ride"):
        read_ride(path)


@pytest.mark.skipif(sys.platform == "win32", reason="pipes of POSIX")
def test_a_pipe_is_not_waited_for(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "ride.fit")
    code = "import sys, pathlib, monitor.study.ridefile as r; r.read_ride(pathlib.Path(sys.argv[1]))"
    done = subprocess.run(
        [sys.executable, "-c", code, str(tmp_path / "ride.fit")], capture_output=True, text=True, timeout=20
    )
    assert "is no file. Give the path of a FIT file" in done.stderr


def test_without_its_library_the_remedy_is_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "a.fit"
    path.write_bytes(b"x")
    monkeypatch.setitem(sys.modules, "fitdecode", None)
    with pytest.raises(RideFileError, match="ride-files"):
        read_ride(path)


@pytest.mark.slow
def test_a_label_that_is_taken_is_refused(tmp_path: Path) -> None:
    recording = evening_recording()
    ride = read_ride(written(tmp_path / "a.fit", ride_of(recording, 0)))
    with pytest.raises(ValueError, match='"pedals" is an instrument'):
        join(recording, ride, align(ride, recording), "pedals")


def test_correlation_at_every_place_is_numpys() -> None:
    rng = np.random.default_rng(6)
    a, b = rng.normal(200.0, 40.0, 90), rng.normal(200.0, 40.0, 50)
    a[[3, 40]] = np.nan
    b[10] = np.nan
    found, met = correlations(a, b, 20)
    for k in range(len(found)):
        shift = k - (len(b) - 1)
        lo, hi = max(0, shift), min(len(a), shift + len(b))
        x, y = a[lo:hi], b[lo - shift : hi - shift]
        both = np.isfinite(x) & np.isfinite(y)
        assert met[k] == both.sum()
        if both.sum() < 20:
            assert np.isnan(found[k])
        else:
            assert found[k] == pytest.approx(np.corrcoef(x[both], y[both])[0, 1], abs=1e-9)


def test_work_is_placed_to_parts_of_a_second() -> None:
    recording = evening_recording()
    n = 200
    ride = Ride(Path("x.fit"), 0.0, np.full(n, 100.0), np.full(n, 90.0), np.full(n, np.nan))
    ride.power_w[50:60] = np.nan
    joined = join(recording, ride, Alignment(10.25, 0.9, 0.1, 200, None), "x")
    cells = joined.cells[:, 4]
    assert cells[:, 0].sum() == pytest.approx(19_000.0, rel=1e-12)
    assert cells[10, 3] == pytest.approx(0.75)
    assert cells[60, 0] == pytest.approx(25.0)
    assert cells[65, 3] == 0.0
    assert cells[:, 4].sum() == pytest.approx(300.0)
    assert struct.pack("<d", float(recording.cells.sum())) == struct.pack(
        "<d", float(evening_recording().cells.sum())
    )


@pytest.mark.slow
def test_the_command_joins_a_ride_or_says_why_not(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    session = write_session(tmp_path / "sessions", *evening_records())
    path = written(tmp_path / "head.fit", ride_of(evening_recording(), 1))
    assert main(["study", str(session), "--with", str(path), "--as", "head-unit", "--json", "-"]) == 0
    out, err = capsys.readouterr()
    told = json.loads(out)
    assert told["instruments"]["head-unit"]["verdict"] == "agrees"
    assert "likeness" in err
    assert not (session / "study.json").exists()
    path.write_bytes(path.read_bytes()[:200])
    assert main(["study", str(session), "--with", str(path), "--as", "head-unit"]) == 2
    assert "is no readable FIT file" in capsys.readouterr().err
    assert main(["study", str(session), "--with", str(path)]) == 2
    assert "--as LABEL" in capsys.readouterr().err
