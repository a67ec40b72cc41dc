"""Known masses at rest: gravity, expected torque, gain and its interval, and the command."""

import csv
import json
import math
import random
from pathlib import Path

import numpy as np
import pytest

from capture.profiles.cycling_power import Vector
from capture.record import Act, Packet, Tick
from monitor.cli import main
from monitor.commands.bench.weigh import ask
from monitor.weighing.gravity import gravity_of, normal_gravity_mps2
from monitor.weighing.kept import read_checks
from monitor.weighing.loads import Load, Setup, expected
from monitor.weighing.plan import parse_note, read_table, steps
from monitor.weighing.result import Weighed, effective_dof, weigh
from storage.damage import SessionError
from storage.info import SessionInfo
from storage.journal import JournalWriter
from storage.session import create_session

BENCH = """
[bench]
name = "weights"
reference = "hub"
[[instrument]]
label = "hub"
role = "reference"
mount = "hub"
link = "scene:hub"
claim_percent = 1.5
[[instrument]]
label = "heron"
mount = "pedals"
sides = "both"
link = "scene:heron"
claim_percent = 1.0
crank_length_mm = 172.5
serial = "H-1"
"""
PLACE = gravity_of(None, 52.5, 40.0)


def test_normal_gravity_is_the_published_one():
    """Moritz, Geodetic Reference System 1980, J. Geodesy 74 (2000) 128: equator, 45 degrees and pole."""
    assert normal_gravity_mps2(0.0) == pytest.approx(9.7803267715, abs=1e-10)
    assert normal_gravity_mps2(90.0) == pytest.approx(9.8321863685, abs=1e-9)
    assert normal_gravity_mps2(45.0) == pytest.approx(9.806199203, abs=1e-8)
    assert normal_gravity_mps2(-45.0) == normal_gravity_mps2(45.0)


def test_gravity_falls_with_height_as_in_handbooks():
    """The free-air gradient of handbooks is 0.3086 mGal a metre (3.086e-6 m/s² a metre)."""
    fall = normal_gravity_mps2(45.0) - normal_gravity_mps2(45.0, 1000.0)
    assert fall == pytest.approx(3.086e-3, rel=0.002)


@pytest.mark.parametrize(
    ("given", "words"),
    [((9.9999, None, None), "no gravity"), ((None, 91.0, None), "latitude"), ((None, None, 40.0), "alone")],
)
def test_gravity_that_makes_no_sense_is_refused(given: tuple, words: str):
    with pytest.raises(ValueError, match=words):
        gravity_of(*given)


def test_expected_torque_by_hand():
    """20 kg at 172.5 mm, 9.81 m/s²: 33.845 N·m; air carries 1.2 / 7200 of it (hand calculation)."""
    setup = Setup(gravity_of(9.81, None, None), 172.5, level_deg=0.0)
    known = expected(Load("right", 0.0, 20.0, "up", 0.0), setup)
    assert known.torque_nm == pytest.approx(20.0 * 9.81 * 0.1725 * (1.0 - 1.2 / 7200.0), rel=1e-12)
    assert known.torque_nm == pytest.approx(33.839, abs=0.001)
    assert known.crank_length == pytest.approx(33.839 * 0.5 / 172.5 / math.sqrt(3.0), rel=1e-3)
    assert expected(Load("right", 180.0, 20.0, "up", 0.0), setup).torque_nm == pytest.approx(-known.torque_nm)
    assert expected(Load("right", 90.0, 20.0, "up", 0.0), setup).torque_nm == pytest.approx(0.0, abs=1e-12)


@pytest.mark.parametrize("angle_deg", [0.0, 37.0, 90.0, 180.0, 270.0])
def test_part_of_the_angle_is_what_chance_makes_of_it(angle_deg: float):
    """Against a simulation (GUM supplement 1, JCGM 101): angles drawn evenly within two degrees."""
    setup = Setup(PLACE, 170.0, level_deg=2.0, resolution_nm=0.0, mass_tolerance_percent=0.0)
    known = expected(Load("right", angle_deg, 10.0, "up", 0.0), setup)
    drawn = np.radians(angle_deg + np.random.default_rng(5).uniform(-2.0, 2.0, 400_000))
    torque = 10.0 * PLACE.value_mps2 * (1.0 - 1.2 / 7200.0) * 0.17 * np.cos(drawn)
    assert known.torque_nm == pytest.approx(torque.mean(), abs=5e-3)
    assert known.angle == pytest.approx(torque.std(), rel=0.01)


def test_effective_degrees_of_freedom_of_the_guides_example():
    """GUM (JCGM 100:2008) G.4.1, example: 0.25 %, 0.57 %, 0.82 % with n of 10, 5 and 15 give 19.0."""
    assert effective_dof([(0.25, 9), (0.57, 4), (0.82, 14)]) == pytest.approx(19.0, abs=0.05)


def check(gain: float, zero: float, noise: float, seed: int) -> Weighed:
    """Readings of a meter of known truth on the true weights, which are off what they are marked."""
    chance = random.Random(seed)
    setup = Setup(PLACE, 172.5)
    length = 172.5 + chance.uniform(-0.5, 0.5)
    masses = {mass: mass * (1.0 + chance.uniform(-0.001, 0.001)) for mass in (5.0, 10.0, 20.0)} | {0.0: 0.0}
    here = PLACE.value_mps2 + chance.uniform(-1e-3, 1e-3)
    loads = []
    for side, angle, mass, way in steps(["right"], [5.0, 10.0, 20.0]):
        at = math.radians(angle + chance.uniform(-1.0, 1.0))
        truth = masses[mass] * here * (1.0 - 1.2 / 7200.0) * length / 1000.0 * math.cos(at)
        shown = zero + gain * truth + chance.gauss(0.0, noise)
        loads.append(Load(side, angle, mass, way, round(shown, 1)))
    return weigh(loads, setup, 1.0)[0]


@pytest.mark.slow
def test_gain_and_zero_are_covered_as_stated():
    """400 checks with every part drawn anew: 95 % intervals hold in 93 to 99 %."""
    gains = zeros = 0
    for seed in range(400):
        one = check(1.03, 0.4, 0.08, seed)
        gains += abs(one.gain - 1.03) <= one.gain_u95
        zeros += abs(one.zero_nm - 0.4) <= one.zero_u95_nm
    assert 0.93 <= gains / 400 <= 0.995
    assert 0.93 <= zeros / 400 <= 0.995


def test_verdicts_of_a_right_and_of_a_wrong_one():
    assert check(1.0, 0.0, 0.05, 1).verdict == "agrees"
    assert check(1.05, 0.0, 0.05, 2).verdict == "differs"
    assert check(1.011, 0.0, 0.05, 3).verdict == "undecided"


def test_hysteresis_is_told_with_its_sign():
    level = _level(0.5)
    found = weigh(level, Setup(PLACE, 172.5), None)[0]
    assert found.hysteresis_nm == pytest.approx(0.5, abs=0.06)
    assert found.hysteresis_u95_nm is not None
    assert check(1.0, 0.0, 0.02, 4).hysteresis_nm == pytest.approx(0.0, abs=0.15)
    assert weigh([x for x in level if x.direction == "up"], Setup(PLACE, 172.5))[0].hysteresis_nm is None


def _level(lag: float) -> list[Load]:
    setup, loads = Setup(PLACE, 172.5), []
    for side, angle, mass, way in steps(["left"], [5.0, 10.0, 20.0], [0.0]):
        torque = expected(Load(side, angle, mass, way, 0.0), setup).torque_nm
        loads.append(Load(side, angle, mass, way, torque + (lag if way == "down" and mass else 0.0)))
    return loads


def test_few_readings_on_a_line_prove_nothing():
    """Four readings without any scatter: the interval comes from what the parts say."""
    loads = [Load("left", 0.0, mass, "up", mass * 9.81 * 0.1725) for mass in (0.0, 5.0, 10.0, 20.0)]
    one = weigh(loads, Setup(PLACE, 172.5))[0]
    assert one.gain_u95 > 0.003
    assert weigh(loads[:3], Setup(PLACE, 172.5)) == []
    assert (
        weigh([Load("left", 90.0, mass, "up", 0.0) for mass in (0.0, 5.0, 10.0, 20.0)], Setup(PLACE, 172.5))
        == []
    )


# -- readings


@pytest.mark.parametrize(
    ("text", "load"),
    [
        ("weight 20.01 kg right 0 up", (20.01, "right", 0.0, "up")),
        ("5,5kg left 180° down", (5.5, "left", 180.0, "down")),
        ("0 kg", (0.0, None, 0.0, "up")),
        ("20 kg heavier bike", None),
        ("zeroed", None),
        ("900 kg right", None),
    ],
)
def test_notes_that_are_loads(text: str, load: object):
    assert parse_note(text) == load


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("side,angle_deg,mass_kg,direction\nleft,0,5,up\n", "lacks the column reading_nm"),
        ("side,angle_deg,mass_kg,direction,reading_nm\nmiddle,0,5,up,3\n", "line 2: side is left"),
        ("side,angle_deg,mass_kg,direction,reading_nm\nleft,0,five,up,3\n", "line 2: mass_kg is a number"),
        ("side,angle_deg,mass_kg,direction,reading_nm\nleft,0,5,up,nan\n", "no reading"),
        ("side,angle_deg,mass_kg,direction,reading_nm\nleft,0,5\n", "direction is up or down"),
    ],
)
def test_tables_that_make_no_sense_name_the_line(tmp_path: Path, text: str, words: str):
    path = tmp_path / "readings.csv"
    path.write_text(text)
    with pytest.raises(ValueError, match=words):
        read_table(path)


def test_it_leads_through_and_takes_back(capsys: pytest.CaptureFixture[str]):
    answers = iter(["0.1", "x", "8,6", "b", "8.7", "", "q"])
    asked: list[str] = []

    def answer(question: str) -> str:
        asked.append(question)
        return next(answers)

    loads = ask(["left"], [5.0, 10.0], answer)
    assert [load.reading_nm for load in loads] == [0.1, 8.7]
    assert asked[0].startswith("1 of 20, the left crank forward, level: no mass, adding")
    assert "'x' is no number" in capsys.readouterr().err


def _bench(tmp_path: Path) -> Path:
    path = tmp_path / "weights.toml"
    path.write_text(BENCH)
    return path


def _table(tmp_path: Path, gain: float) -> Path:
    path = tmp_path / "readings.csv"
    setup = Setup(PLACE, 172.5)
    with path.open("w", newline="") as file:
        out = csv.writer(file)
        out.writerow(["side", "angle_deg", "mass_kg", "direction", "reading_nm"])
        for side, angle, mass, way in steps(["left", "right"], [5.0, 10.0, 20.0]):
            torque = expected(Load(side, angle, mass, way, 0.0), setup).torque_nm
            own = gain if side == "right" else 1.0
            out.writerow([side, angle, mass, way, f"{own * torque:.1f}"])
    return path


def test_command_on_a_bench_keeps_its_result(tmp_path: Path, capsys: pytest.CaptureFixture[str]):
    bench, table = _bench(tmp_path), _table(tmp_path, 1.05)
    arguments = ["weigh", str(bench), "--instrument", "heron", "--latitude", "52.5", "--height", "40"]
    assert main([*arguments, "--readings", str(table)]) == 0
    out, err = capsys.readouterr()
    assert "maker's instructions" in err
    lines = {line.split()[0]: line for line in out.splitlines()}
    assert "agrees (claim 1 %)" in lines["left"]
    assert "differs (claim 1 %)" in next(line for line in out.splitlines() if line.startswith("right  "))
    kept = read_checks(tmp_path / "weights.weights.json")
    assert [(run.instrument, run.serial, len(run.loads)) for run in kept.runs] == [("heron", "H-1", 56)]
    assert kept.runs[0].results[1].gain == pytest.approx(1.05, abs=0.002)
    assert main([*arguments, "--readings", str(table), "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["results"][0]["verdict"] == "agrees"
    assert len(read_checks(tmp_path / "weights.weights.json").runs) == 2


@pytest.mark.parametrize(
    ("label", "more", "words"),
    [
        ("hub", [], "sits in the hub"),
        ("nobody", [], "no power meter"),
        ("heron", ["--by-radio"], "stand in a session"),
        ("heron", ["--crank-length", "17.25"], "crank length lies from"),
        ("heron", ["--masses", "5,ten"], "separated by commas"),
        ("heron", ["--gravity", "1.62"], "no gravity on Earth"),
    ],
)
def test_command_refuses_with_a_remedy(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], label: str, more: list[str], words: str
):
    assert main(["weigh", str(_bench(tmp_path)), "--instrument", label, *more]) == 2
    assert words in capsys.readouterr().err
    assert not (tmp_path / "weights.weights.json").exists()


def _session(tmp_path: Path, gain: float) -> Path:
    """A session in which loads were noted while the pedals sent vectors of torque at rest."""
    info = SessionInfo(program="0", name="weights", bench=BENCH, state="closed")
    session = create_session(tmp_path, "2026-11-29-190000", info)
    writer = JournalWriter(session.path, info.header)
    setup, t = Setup(PLACE, 172.5), 10
    for side, angle, mass, way in steps(["left"], [5.0, 10.0, 20.0], [0.0, 180.0]):
        text = f"weight {mass:g} kg {side} {angle:g} {way}"
        writer.append(Act(t * 10**9, "note", text, "heron"))
        torque = gain * expected(Load(side, angle, mass, way, 0.0), setup).torque_nm
        for k in range(1, 9):
            data = bytes(Vector(first_angle_deg=0, torques_32nds=(round(32 * torque),) * 4))
            # While the mass still swings the first reading is far off.
            packet = data if k > 1 else bytes(Vector(first_angle_deg=0, torques_32nds=(900,) * 4))
            writer.append(Packet((t + k) * 10**9, "heron", "2A64", packet))
            writer.append(Tick((t + k) * 10**9, 0))
        t += 10
    writer.close()
    return session.path


def test_readings_by_radio_stand_in_a_session(tmp_path: Path, capsys: pytest.CaptureFixture[str]):
    folder = _session(tmp_path, 0.96)
    arguments = ["weigh", str(folder), "--instrument", "heron", "--by-radio", "--latitude", "52.5"]
    assert main([*arguments, "--resolution", "0.03"]) == 0
    out, err = capsys.readouterr()
    assert "differs (claim 1 %)" in out
    assert "0.96" in out
    assert "right: no result, 0 of at least 4 readings" in err
    run = read_checks(folder / "weights.json").runs[0]
    assert run.by_radio == len(run.loads) == 14


def test_a_file_that_is_none_of_ours_is_named(tmp_path: Path):
    (tmp_path / "weights.json").write_text("[1]")
    with pytest.raises(SessionError, match=r"weights\.json.*can't be read"):
        read_checks(tmp_path / "weights.json")
