"""The stroke in samples, grid, comma-separated values, ride files and package: from octets written by hand.

Layouts are those of the Bluetooth SIG GATT Specification Supplement (0x2A63, 0x2A64) and, for ANT+, of open
decoders (0x13; 0x14 and 0xE0 to 0xE2 stand on few). All values expected here are worked out by hand.
"""

import csv
import io
import zipfile
from pathlib import Path
from typing import Any

import fitdecode
import pandas
import pytest

from capture.record import End, Link, Packet, Record, Tick
from monitor.sessions.derived import GRID, SAMPLES, write_derived
from monitor.sessions.exports.exporting import export
from monitor.setup.bench import parse_bench
from storage.tables import read_table
from tests.helpers.rides import UTC_NS, write_session

S = 1_000_000_000
SECONDS = 40
BENCH = """\
[bench]
name = "by hand"
reference = "pedals"
[[instrument]]
label = "pedals"
role = "reference"
mount = "pedals"
sides = "both"
link = "ant:power:5"
[[instrument]]
label = "heron"
mount = "crank"
sides = "left"
link = "bluetooth:AA:BB:CC:DD:EE:FF"
"""
AT_S = 10
"""When the pages of the stroke were sent, each of them once."""
PAGES = (
    "1305a0962c28ffff",  # effectiveness 80 and 75 %, smoothness 22 and 20 %
    "147effffffffffff",  # barycentre 30 + 63 = 93 degrees
    "e005f87c38586002",  # right: phase 248 and 124, peak 56 and 88 of 256 parts; 608/32 N·m
    "e105088030508002",  # left: phase 8 and 128, peak 48 and 80 of 256 parts; 640/32 N·m
    "e205bf5afe03ffff",  # standing; platform offset right -2, left 3 mm
)
PEDALS = {
    "left_torque_effectiveness_percent": 80.0, "right_torque_effectiveness_percent": 75.0,
    "left_pedal_smoothness_percent": 22.0, "right_pedal_smoothness_percent": 20.0,
    "torque_barycenter_deg": 93.0,
    "right_power_phase_start_deg": 348.75, "right_power_phase_end_deg": 174.375,
    "right_power_phase_peak_start_deg": 78.75, "right_power_phase_peak_end_deg": 123.75,
    "right_torque_nm": 19.0,
    "left_power_phase_start_deg": 11.25, "left_power_phase_end_deg": 180.0,
    "left_power_phase_peak_start_deg": 67.5, "left_power_phase_peak_end_deg": 112.5, "left_torque_nm": 20.0,
    "left_platform_offset_mm": 3.0, "right_platform_offset_mm": -2.0,
}  # fmt: skip
PEAKS = {"left_peak_deg": 90.0, "right_peak_deg": 101.25}
"""The middles of the peak power phases."""
HERON = {
    "max_torque_nm": 40.0, "min_torque_nm": -1.0, "max_torque_angle_deg": 95.0, "min_torque_angle_deg": 186.0,
    "top_dead_spot_deg": 350.0, "bottom_dead_spot_deg": 200.0,
}  # fmt: skip
VECTOR = [10.0, 20.0, 15.5]
UNITS = {"percent": "%", "deg": "°", "nm": "N·m", "mm": "mm"}


def hand_made() -> list[Record]:
    """Sixty revolutions a minute at 200 W; the stroke once, at second AT_S."""
    records: list[Record] = []
    for label in ("pedals", "heron"):
        records.append(Link(S // 10, label, "up"))
    for k in range(SECONDS):
        records.append(Tick(k * S, UTC_NS + k * S))
        turn, event = k.to_bytes(2, "little").hex(), (k * 1024 % 65536).to_bytes(2, "little").hex()
        power = bytes([0x10, k % 256, 0xFF, 60]) + (200 * k % 65536).to_bytes(2, "little") + b"\xc8\x00"
        records.append(Packet(k * S + S // 4, "pedals", "ant11", power))
        # Flags 0x07A0: crank revolutions, extreme torques and their angles, both dead spots.
        extremes = "0005e0ff5fa00b5e01c800"
        measurement = f"a007c800{turn}{event}{extremes}" if k == AT_S else f"2000c800{turn}{event}"
        records.append(Packet(k * S + S // 3, "heron", "2A63", bytes.fromhex(measurement)))
        if k == AT_S:
            records += [Packet(k * S + S // 2, "pedals", "ant11", bytes.fromhex(page)) for page in PAGES]
            # Flags 0x1B: crank revolutions, first angle 45, torques, tangential.
            octets = f"1b{turn}{event}2d0040018002f001"
            records.append(Packet(k * S + S // 2, "heron", "2A64", bytes.fromhex(octets)))
    return [*records, End(SECONDS * S)]


@pytest.fixture(scope="module")
def session(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("stroke")
    path = write_session(out, parse_bench(BENCH, "the test's bench"), hand_made())
    write_derived(path)
    return path


def rows_of(samples: dict[str, Any], label: str, name: str) -> list[Any]:
    """What a column of the samples has of one instrument, where it has anything."""
    pairs = zip(samples["instrument"], samples[name], strict=True)
    return [value for who, value in pairs if who == label and value is not None]


def test_samples_have_each_value_once_as_it_was_sent(session: Path) -> None:
    columns, samples = read_table(session / SAMPLES)
    units = {c.name: c.unit for c in columns}
    for label, expected in (("pedals", PEDALS), ("heron", HERON)):
        for name, value in expected.items():
            assert rows_of(samples, label, name) == [value], name
            assert units[name] == UNITS[name.rpartition("_")[2]], name
    assert rows_of(samples, "pedals", "rider_position") == ["standing"]
    assert rows_of(samples, "heron", "vector_first_deg") == [45.0]
    assert rows_of(samples, "heron", "vector_torque_nm") == [VECTOR]
    assert rows_of(samples, "heron", "vector_force_n") == []
    for name in (*PEDALS, *HERON):
        assert rows_of(samples, "heron" if name in PEDALS else "pedals", name) == []


def test_the_grid_holds_what_was_reported_for_eight_seconds_and_not_before(session: Path) -> None:
    _, grid = read_table(session / GRID)
    for label, expected in (("pedals", PEDALS), ("heron", HERON)):
        for name, value in expected.items():
            held = [None] * AT_S + [value] * 8 + [None] * (SECONDS - AT_S - 8)
            assert grid[f"{label}.{name}"] == held, name
    for name, value in PEAKS.items():
        column = grid[f"pedals.{name}"]
        assert column[AT_S] == pytest.approx(value)
        # Of the five seconds about each: two before and two after.
        assert [k for k, v in enumerate(column) if v is not None] == list(range(AT_S - 2, AT_S + 3))
    stood = grid["pedals.rider_position"]
    assert stood == [None] * AT_S + ["standing"] * (SECONDS - AT_S)
    assert not [name for name in grid if name.startswith("heron.left_torque_eff")]


def test_comma_separated_values_have_the_stroke(session: Path, tmp_path: Path) -> None:
    paths = {path.name: path for path in export(session, "csv", tmp_path)}
    rows = list(csv.DictReader(io.StringIO(paths["samples.csv"].read_text("utf-8"), newline="")))
    (one,) = [row for row in rows if row["left_power_phase_start_deg (°)"]]
    assert (one["instrument"], float(one["left_power_phase_end_deg (°)"])) == ("pedals", 180.0)
    (vector,) = [row for row in rows if row["vector_torque_nm (N·m)"]]
    assert [float(x) for x in vector["vector_torque_nm (N·m)"].split()] == VECTOR
    assert float(vector["vector_first_deg (°)"]) == 45.0
    grid = list(csv.DictReader(io.StringIO(paths["grid.csv"].read_text("utf-8"), newline="")))
    assert float(grid[AT_S]["pedals.left_peak_deg (°)"]) == 90.0
    assert grid[AT_S]["pedals.rider_position"] == "standing"
    assert float(grid[AT_S + 7]["heron.max_torque_angle_deg (°)"]) == 95.0
    assert grid[AT_S + 8]["heron.max_torque_angle_deg (°)"] == ""


def test_parquet_has_the_stroke_for_another_reader(session: Path, tmp_path: Path) -> None:
    paths = {path.name: path for path in export(session, "parquet", tmp_path)}
    samples = pandas.read_parquet(paths["samples.parquet"])
    vectors = samples.dropna(subset=["vector_torque_nm"])
    assert [list(v) for v in vectors["vector_torque_nm"]] == [VECTOR]
    grid = pandas.read_parquet(paths["grid.parquet"])
    assert grid["pedals.torque_barycenter_deg"].dropna().unique().tolist() == [93.0]
    assert grid["pedals.right_peak_deg"].dropna().round(6).unique().tolist() == [101.25]


def test_ride_files_have_their_own_fields_and_all_others_as_developer_fields(
    session: Path, tmp_path: Path
) -> None:
    path = next(p for p in export(session, "fit", tmp_path) if p.stem.endswith("-pedals"))
    with fitdecode.FitReader(str(path), check_crc=fitdecode.CrcCheck.RAISE) as reader:
        frames = [f for f in reader if isinstance(f, fitdecode.FitDataMessage) and f.name == "record"]
    record = {field.name: field.value for field in frames[AT_S].fields}
    # Standard fields in steps of half a percent.
    assert (record["left_torque_effectiveness"], record["right_torque_effectiveness"]) == (80.0, 75.0)
    assert (record["left_pedal_smoothness"], record["right_pedal_smoothness"]) == (22.0, 20.0)
    assert record["pedals.left_peak_deg"] == pytest.approx(90.0)
    assert record["pedals.right_power_phase_start_deg"] == pytest.approx(348.75)
    before = {field.name: field.value for field in frames[AT_S - 1].fields}
    assert before.get("left_torque_effectiveness") is None


def test_the_package_has_the_stroke_and_says_what_it_is(session: Path, tmp_path: Path) -> None:
    (path,) = export(session, "package", tmp_path)
    with zipfile.ZipFile(path) as archive:
        name = next(n for n in archive.namelist() if n.endswith("samples.parquet"))
        samples = pandas.read_parquet(io.BytesIO(archive.read(name)))
        text = archive.read(next(n for n in archive.namelist() if n.endswith("/README.md"))).decode("utf-8")
    assert samples["left_power_phase_peak_start_deg"].dropna().tolist() == [67.5]
    assert samples["rider_position"].dropna().tolist() == ["standing"]
    assert "0 is up" in text or "0 up" in text
