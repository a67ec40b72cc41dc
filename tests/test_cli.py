"""The command line: help, exit codes, messages with a remedy, data apart from talk."""

import asyncio
import gzip
import json
import os
import shlex
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from cyclopts import App

from capture.record import Act
from capture.source import Sighting, SourceError
from monitor import cli
from monitor.cli import app, main
from monitor.commands.bench import find
from monitor.setup.bench import parse_bench
from storage.journal import read_journal
from tests.helpers.rides import short_session

ROOT = Path(__file__).parent.parent
BENCHES = ROOT / "fixtures" / "benches"

Capture = pytest.CaptureFixture[str]


def commands(of: App, before: tuple[str, ...] = ()) -> Iterator[tuple[str, ...]]:
    for name in of:
        if not name.startswith("-"):
            yield (*before, name)
            yield from commands(of[name], (*before, name))


COMMANDS = list(commands(app))


def test_the_commands_that_are_promised_are_there() -> None:
    promised = {"demo", "find", "bench", "run", "follow", "replay", "study", "export", "rescue", "doctor"}
    assert promised <= {command[0] for command in COMMANDS}
    assert {("bench", "new"), ("bench", "check")} <= set(COMMANDS)


@pytest.mark.parametrize("command", [c for c in COMMANDS if c != ("bench",)], ids=" ".join)
def test_every_command_has_help_with_an_example(command: tuple[str, ...], capsys: Capture) -> None:
    assert main([*command, "--help"]) == 0
    out, err = capsys.readouterr()
    assert f"Example: plumbwatt {' '.join(command)}" in " ".join(out.split())
    assert err == ""


def test_help_loads_nothing_heavy() -> None:
    code = (
        "import sys; from monitor.cli import main; main(['--help']);"
        "heavy = ('numpy', 'pyarrow', 'textual', 'bleak', 'openant', 'asyncio');"
        "print(*[name for name in heavy if name in sys.modules], file=sys.stderr)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, cwd=ROOT, check=True)
    assert "Usage: plumbwatt COMMAND" in done.stdout
    assert done.stderr.split() == []


REFUSED: dict[str, tuple[list[str], list[str]]] = {
    "option": (["demo", "--hedless"], ["--hedless", "--headless"]),
    "command": (["dmo"], ['"dmo"', '"demo"']),
    "argument missing": (["replay"], ["replay", "argument"]),
    "argument too many": (["bench", "check", "a", "b"], ["'b'"]),
    "speed": (["demo", "--speed", "fast"], ["--speed", "max"]),
    "no speed": (["demo", "--speed", "0"], ["--speed", "max"]),
    "seconds": (["demo", "--headless", "--seconds", "nan"], ["--seconds", "above 0"]),
    "no file": (["bench", "check", "nowhere.toml"], ["nowhere.toml", "no such file"]),
    "near file": (["run", str(BENCHES / "two-radio.toml")], ["two-radio.toml", "two-radios.toml"]),
    "speed on the air": (["run", str(BENCHES / "two-radios.toml"), "--speed", "max"], ["--speed", "hub"]),
    "no session": (["replay", "nowhere"], ["nowhere", "is not there"]),
    "follow nothing": (["follow", "nowhere"], ["nowhere", "is not there"]),
    "rescue nothing": (["rescue", "nowhere"], ["nowhere", "is not there"]),
    "kind of export": (["export", "nowhere", "--to", "cvs"], ['"cvs"', '"csv"']),
    "export nothing": (["export", "nowhere", "--to", "csv"], ["nowhere", "is not there"]),
    "no session in it": (["replay", str(ROOT / "tests"), "--headless"], ["is not a session"]),
    "protocol": (
        ["run", str(BENCHES / "consensus.toml"), "--protocol", str(BENCHES / "consensus.toml")],
        ["consensus.toml", "line 36", "[[segment]]"],
    ),
}


@pytest.mark.parametrize("case", REFUSED.values(), ids=REFUSED.keys())
def test_what_can_not_be_done_is_said_with_the_remedy(
    case: tuple[list[str], list[str]], capsys: Capture, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    arguments, words = case
    assert main(arguments) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err.startswith("plumbwatt: ")
    assert err.count("\n") == 1
    for word in words:
        assert word in err
    assert list(tmp_path.iterdir()) == []


def test_ready_protocols_are_known_by_name(tmp_path: Path, capsys: Capture) -> None:
    bench = tmp_path / "bench.toml"
    bench.write_text(
        '[bench]\nreference = "hub"\n[[instrument]]\nlabel = "hub"\nmount = "hub"\nlink = "scene:hub"\n',
        encoding="utf-8",
    )
    options = [str(bench), "--headless", "--speed", "max", "--seconds", "70", "--out", str(tmp_path / "out")]
    assert main(["run", *options, "--protocol", "quick-check"]) == 0
    (session,) = (tmp_path / "out").iterdir()
    begun = [r.text for r in read_journal(session)[1] if isinstance(r, Act) and r.act == "segment"]
    assert begun == ["easy start", "steady low"]
    capsys.readouterr()
    assert main(["run", *options, "--protocol", "quick-chek"]) == 2
    assert "quick-check" in capsys.readouterr().err


@pytest.mark.slow
def test_without_a_terminal_findings_are_printed(tmp_path: Path, capsys: Capture) -> None:
    assert main(["demo", "--speed", "max", "--seconds", "5", "--out", str(tmp_path)]) == 0
    out, err = capsys.readouterr()
    assert json.loads(out.splitlines()[-1])["event"] == "end"
    assert "no terminal" in err
    (session,) = tmp_path.iterdir()
    assert main(["replay", str(session)]) == 0
    assert capsys.readouterr().out == out
    assert main(["follow", str(session)]) == 2
    assert "terminal" in capsys.readouterr().err


def test_a_log_needs_packets_and_a_fitting_bench(tmp_path: Path, capsys: Capture) -> None:
    log = tmp_path / "ride.jsonl"
    log.write_text('{"t": 1.0, "act": "note", "text": "nobody"}\n', encoding="utf-8")
    assert main(["replay", str(log), "--headless"]) == 2
    assert "no packet of a power instrument" in capsys.readouterr().err
    assert main(["replay", str(log), "--headless", "--bench", str(BENCHES / "consensus.toml")]) == 2
    assert "log:LABEL" in capsys.readouterr().err


def test_a_scene_that_can_not_be_played_names_the_instrument(tmp_path: Path, capsys: Capture) -> None:
    bench = tmp_path / "bench.toml"
    bench.write_text(
        '[bench]\nreference = "a"\n[[instrument]]\nlabel = "a"\nlink = "scene:herron"\n', encoding="utf-8"
    )
    assert main(["run", str(bench), "--headless", "--out", str(tmp_path / "out")]) == 2
    err = capsys.readouterr().err
    assert 'no instrument "herron"' in err
    assert "heron" in err
    assert not (tmp_path / "out").exists()


def test_a_folder_that_can_not_be_written_is_named(tmp_path: Path, capsys: Capture) -> None:
    (tmp_path / "file").write_text("", encoding="utf-8")
    assert main(["demo", "--headless", "--speed", "max", "--out", str(tmp_path / "file")]) == 2
    assert str(tmp_path / "file") in capsys.readouterr().err


@pytest.mark.slow
def test_a_study_as_tables_json_and_page(tmp_path: Path, capsys: Capture) -> None:
    assert main(["demo", "--headless", "--speed", "max", "--seconds", "80", "--out", str(tmp_path)]) == 0
    (session,) = tmp_path.iterdir()
    made = sorted(path.name for path in session.iterdir())
    capsys.readouterr()
    assert main(["study", str(session)]) == 0
    out = capsys.readouterr().out
    assert "steady 220" in out
    assert "heron" in out
    assert "Would serve as a reference" in out
    assert main(["study", str(session), "--json", "-"]) == 0
    printed = capsys.readouterr().out
    assert printed == (session / "study.json").read_text(encoding="utf-8")
    files = tmp_path / "a.json", tmp_path / "a.html"
    assert main(["study", str(session), "--json", str(files[0]), "--html", str(files[1])]) == 0
    assert files[0].read_text(encoding="utf-8") == printed
    assert files[1].read_text(encoding="utf-8").startswith("<!doctype html>")
    assert sorted(path.name for path in session.iterdir()) == made
    capsys.readouterr()
    for kind in ("csv", "parquet", "package"):
        assert main(["export", str(session), "--to", kind, "--out", str(tmp_path / "exports")]) == 0
        paths = [Path(line) for line in capsys.readouterr().out.splitlines()]
        assert paths
        assert all(path.stat().st_size for path in paths)
    other = Path(shutil.copytree(session, tmp_path / "other"))
    assert main(["study", str(session), "--against", str(other), "--json", "-"]) == 0
    both = json.loads(capsys.readouterr().out)
    assert both["against"][0]["study"] == json.loads(printed)
    (session / "study.json").unlink()
    assert main(["study", str(session), "--against", str(other)]) == 0
    out, err = capsys.readouterr()
    assert session.name in out
    assert "2: other" in out
    assert "study.json" in err
    assert (session / "study.json").read_text(encoding="utf-8") == printed
    # A session agrees with itself, which tells nothing of repeatability.
    for again in (session, session / "journal.arrows"):
        assert main(["study", str(session), "--against", str(other), str(again)]) == 2
        assert f"{session} is given twice. Give each session once." in capsys.readouterr().err


@pytest.mark.slow
def test_a_lossy_session_is_exit_4_and_is_rescued(tmp_path: Path, capsys: Capture) -> None:
    assert main(["demo", "--headless", "--speed", "500", "--seconds", "60", "--out", str(tmp_path)]) == 0
    (session,) = tmp_path.iterdir()
    journal = session / "journal.arrows"
    whole = journal.read_bytes()
    journal.write_bytes(whole[: len(whole) - 1000])
    capsys.readouterr()
    assert main(["replay", str(session), "--headless"]) == 4
    out, err = capsys.readouterr()
    assert json.loads(out.splitlines()[-1])["event"] == "end"
    assert "plumbwatt rescue" in err
    code = main(["rescue", str(session)])
    out, err = capsys.readouterr()
    assert code == 4
    assert journal.read_bytes() == whole[: len(whole) - 1000]
    if out:  # not one record is left if all were in one piece
        assert main(["replay", out.strip(), "--headless"]) == 0


@pytest.mark.parametrize("recorded", [False, True])
def test_lines_of_a_log_that_cant_be_used_are_named(tmp_path: Path, capsys: Capture, recorded: bool) -> None:
    log, bench = tmp_path / "ride.jsonl", tmp_path / "bench.toml"
    # Instantaneous power alone, 200 W: flags 0, then the power (GATT Specification Supplement, 0x2A63).
    packet = '{"t": %d, "instrument": "other", "ble": "2A63", "hex": "0000c800"}'
    log.write_text("\n".join(x for t in range(15) for x in (packet % t, "{")), encoding="utf-8")
    bench.write_text(
        '[bench]\nname = "one"\nreference = "hub"\n'
        '[[instrument]]\nlabel = "hub"\nmount = "hub"\nlink = "log:hub"\n',
        encoding="utf-8",
    )
    out = ["--out", str(tmp_path / "out")] if recorded else []
    assert main(["replay", str(log), "--bench", str(bench), "--headless", "--speed", "max", *out]) == 0
    told = capsys.readouterr().err
    assert "line 2: not JSON" in told
    assert "15 problems" in told
    assert "22, 24, 26, 28, 30" in told
    assert "15 records of 'other'" in told
    assert "no packet of 'hub'" in told


def test_a_bug_is_an_apology_and_the_details_are_kept(
    monkeypatch: pytest.MonkeyPatch, capsys: Capture, tmp_path: Path
) -> None:
    def broken(file: Path) -> int:
        raise ZeroDivisionError("by \x1b[2Jnought")

    monkeypatch.setattr("monitor.commands.bench.benches.check", broken)
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    assert main(["bench", "check", "x.toml"]) == 1
    out, err = capsys.readouterr()
    assert out == ""
    assert "sorry" in err
    assert "\x1b" not in err
    assert "Traceback" not in err
    (kept,) = tmp_path.iterdir()
    assert str(kept) in err
    assert "in broken" in kept.read_text(encoding="utf-8")


def test_an_interrupt_is_no_traceback(monkeypatch: pytest.MonkeyPatch, capsys: Capture) -> None:
    def interrupted(file: Path) -> int:
        raise KeyboardInterrupt

    monkeypatch.setattr("monitor.commands.bench.benches.check", interrupted)
    assert main(["bench", "check", "x.toml"]) == cli.EXIT_INTERRUPTED
    assert capsys.readouterr().err == "plumbwatt: interrupted\n"


def test_a_reader_that_goes_away_is_no_error() -> None:
    code = "import sys; from monitor.cli import main; sys.exit(main(sys.argv[1:]))"
    read, write = os.pipe()
    os.close(read)
    done = subprocess.run(
        [sys.executable, "-c", code, "bench", "check", str(BENCHES / "two-radios.toml")],
        stdout=write, stderr=subprocess.PIPE, text=True, cwd=ROOT, check=False,
    )  # fmt: skip
    os.close(write)
    assert done.returncode == 0, done.stderr
    assert "Traceback" not in done.stderr
    assert "Exception" not in done.stderr


def test_bench_check_prints_what_the_bench_says(capsys: Capture) -> None:
    assert main(["bench", "check", str(BENCHES / "two-radios.toml")]) == 0
    out, err = capsys.readouterr()
    assert "pedals" in out
    assert "±1.5 %" in out
    assert "good, 3 instruments against hub" in err


# -- find and bench new, with radios of straw

SIGHTINGS = [
    Sighting(
        "bluetooth:AA:BB:CC:DD:EE:01", "Bench Trainer", ("cycling-power", "fitness-machine"), -55, 80.0, "1.2"
    ),
    Sighting("ant:power:4711", "", ("ANT+ bicycle power",), None, None, None, "battery good"),
    Sighting("bluetooth:AA:BB:CC:DD:EE:02", 'evil\x1b[2J"]\n[bench]\u202e', ("cycling-power",), -70),
    Sighting("ant:cadence:7", "cadence sensor 7", ("ANT+ bike cadence",)),
    Sighting("ant:speed:8", "speed sensor 8", ("ANT+ bike speed",)),
]


def radio(result: list[Sighting] | Exception) -> Callable[[float], object]:
    async def look(seconds: float) -> list[Sighting]:
        await asyncio.sleep(0)
        if isinstance(result, Exception):
            raise result
        return result

    return look


def radios(monkeypatch: pytest.MonkeyPatch, bluetooth: object, ant: object) -> None:
    monkeypatch.setattr(find, "FINDERS", {"Bluetooth": radio(bluetooth), "ANT+": radio(ant)})  # type: ignore[arg-type]


NO_STICK = SourceError("No ANT stick was found", "Plug one in.")
NO_ADAPTER = SourceError("Bluetooth is switched off", "Switch it on.")


def test_find_lists_both_radios(monkeypatch: pytest.MonkeyPatch, capsys: Capture) -> None:
    radios(monkeypatch, SIGHTINGS[:1], SIGHTINGS[1:2])
    assert main(["find", "--seconds", "0.1"]) == 0
    out, err = capsys.readouterr()
    lines = out.splitlines()
    assert lines[0].split() == ["LINK", "NAME", "PROFILES", "SIGNAL", "BATTERY", "FIRMWARE"]
    assert "bluetooth:AA:BB:CC:DD:EE:01" in lines[1]
    assert "-55 dBm" in lines[1]
    assert "80 %" in lines[1]
    assert "ant:power:4711" in lines[2]
    assert "note" not in err


def test_a_radio_that_fails_hides_nothing_that_the_other_heard(
    monkeypatch: pytest.MonkeyPatch, capsys: Capture
) -> None:
    async def fails(seconds: float) -> list[Sighting]:
        raise OSError("odd answer")

    radios(monkeypatch, SIGHTINGS[:1], [])
    monkeypatch.setitem(find.FINDERS, "ANT+", fails)
    assert main(["find", "--seconds", "0.1"]) == 0
    out, err = capsys.readouterr()
    assert "bluetooth:AA:BB:CC:DD:EE:01" in out
    assert "odd answer" in err


def test_find_as_json(monkeypatch: pytest.MonkeyPatch, capsys: Capture) -> None:
    radios(monkeypatch, SIGHTINGS[:1], [])
    assert main(["find", "--json"]) == 0
    (found,) = json.loads(capsys.readouterr().out)
    assert found["link"] == "bluetooth:AA:BB:CC:DD:EE:01"
    assert found["profiles"] == ["cycling-power", "fitness-machine"]
    assert (found["rssi_dbm"], found["battery_percent"], found["firmware"]) == (-55, 80.0, "1.2")


def test_names_from_the_air_reach_no_terminal_unescaped(
    monkeypatch: pytest.MonkeyPatch, capsys: Capture
) -> None:
    radios(monkeypatch, SIGHTINGS[2:3], [])
    for arguments in (["find"], ["find", "--json"], ["bench", "new"]):
        assert main(arguments) == 0
        out, err = capsys.readouterr()
        assert "\x1b" not in out + err
        assert "\u202e" not in out + err


def test_one_missing_radio_is_a_note_and_both_are_exit_3(
    monkeypatch: pytest.MonkeyPatch, capsys: Capture
) -> None:
    radios(monkeypatch, SIGHTINGS[:1], NO_STICK)
    assert main(["find"]) == 0
    out, err = capsys.readouterr()
    assert "bluetooth:AA" in out
    assert "note: without ANT+: No ANT stick was found. Plug one in." in err
    radios(monkeypatch, NO_ADAPTER, NO_STICK)
    assert main(["find"]) == 3
    out, err = capsys.readouterr()
    assert out == ""
    for words in ("Bluetooth is switched off", "Switch it on.", "No ANT stick was found", "Plug one in."):
        assert words in err


def test_a_radio_that_does_not_answer_is_given_up(monkeypatch: pytest.MonkeyPatch, capsys: Capture) -> None:
    async def stuck(seconds: float) -> list[Sighting]:
        await asyncio.sleep(3600)
        return []

    monkeypatch.setattr(find, "GRACE_S", 0.0)
    monkeypatch.setattr(find, "FINDERS", {"Bluetooth": stuck, "ANT+": radio(SIGHTINGS[1:2])})
    assert main(["find", "--seconds", "0.05"]) == 0
    out, err = capsys.readouterr()
    assert "ant:power:4711" in out
    assert "Bluetooth did not answer" in err


def test_a_new_bench_is_a_good_bench(
    monkeypatch: pytest.MonkeyPatch, capsys: Capture, tmp_path: Path
) -> None:
    radios(monkeypatch, [SIGHTINGS[0], SIGHTINGS[2]], [SIGHTINGS[1], SIGHTINGS[3], SIGHTINGS[4]])
    file = tmp_path / "new.toml"
    assert main(["bench", "new", "--out", str(file)]) == 0
    bench = parse_bench(file.read_text(encoding="utf-8"))
    assert bench.reference == "bench-trainer"
    assert [(i.label, i.role, i.mount, i.link) for i in bench.instruments] == [
        ("bench-trainer", "reference", "hub", "bluetooth:AA:BB:CC:DD:EE:01"),
        ("evil-2j-bench", "on-test", "crank", "bluetooth:AA:BB:CC:DD:EE:02"),
        ("meter", "on-test", "crank", "ant:power:4711"),
        ("cadence-senso", "witness", "cadence", "ant:cadence:7"),
    ]
    capsys.readouterr()
    before = file.read_bytes()
    assert main(["bench", "new", "--out", str(file)]) == 2
    assert "is there already" in capsys.readouterr().err
    assert file.read_bytes() == before


@pytest.mark.parametrize(
    ("bluetooth", "ant", "words"),
    [
        ([], [], "nothing is in range"),
        (NO_ADAPTER, NO_STICK, "no radio can be used"),
        ([], SIGHTINGS[3:4], ""),
    ],
)
def test_a_new_bench_without_power_instruments_is_a_template(
    bluetooth: object, ant: object, words: str, monkeypatch: pytest.MonkeyPatch, capsys: Capture
) -> None:
    radios(monkeypatch, bluetooth, ant)
    assert main(["bench", "new"]) == 0
    out, err = capsys.readouterr()
    bench = parse_bench(out)
    assert bench.reference == "hub"
    assert words in err


def test_many_instruments_of_one_name_get_labels_of_their_own() -> None:
    sightings = [Sighting(f"ant:power:{n}", "Consensus", ("power",)) for n in range(1, 13)]
    bench = parse_bench(find.bench_text(sightings))
    assert len({instrument.label for instrument in bench.instruments}) == 12


@pytest.mark.slow
@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs a device that is always full")
@pytest.mark.parametrize(
    ("redirection", "code", "words"),
    [
        (">/dev/full", 2, "the output can't be written (No space left on device)"),
        (">&-", 2, "the output can't be written (it is closed)"),
        ("2>/dev/full", 0, ""),
        ("2>&-", 0, ""),
        (">/dev/full 2>/dev/full", 2, ""),
        (">&- 2>&-", 2, ""),
    ],
)
def test_output_that_cannot_be_written(tmp_path: Path, redirection: str, code: int, words: str) -> None:
    session = short_session(tmp_path, seed=3, seconds=20)
    command = (
        f"{shlex.quote(sys.executable)} -m monitor.cli acts list {shlex.quote(str(session))} {redirection}"
    )
    done = subprocess.run(["sh", "-c", command], capture_output=True, text=True, check=False)
    assert done.returncode == code
    assert words in done.stderr
    assert "Traceback" not in done.stderr
    assert "error of" not in done.stderr
    if code == 0:
        assert "steady 220" in done.stdout


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs a device that is always full")
def test_help_that_cannot_be_written() -> None:
    command = f"{shlex.quote(sys.executable)} -m monitor.cli --help >/dev/full"
    done = subprocess.run(["sh", "-c", command], capture_output=True, text=True, check=False)
    assert done.returncode == 2
    assert "No space left on device. Make room" in done.stderr


@pytest.mark.parametrize("form", ["gzip", "utf-16"])
def test_a_log_in_another_form_is_named(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], form: str
) -> None:
    text = '{"t": 0.5, "instrument": "hub", "ble": "2A63", "hex": "0000FA00"}\n' * 3
    path = tmp_path / "evening.jsonl"
    path.write_bytes(gzip.compress(text.encode()) if form == "gzip" else text.encode("utf-16"))
    assert main(["replay", str(path), "--headless"]) == 2
    said = capsys.readouterr().err.lower()
    assert form in said
    assert "unpack it" in said or "save it as utf-8" in said
