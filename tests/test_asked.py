"""What is asked of a recorded session from the command line: nothing that was recorded changes."""

import json
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor.cli import main
from monitor.sessions.asked import STRETCHES, WORDS
from storage.journal import MAIN, SIDE
from storage.session import open_session
from tests.helpers.rides import evening_records, write_session

Capture = pytest.CaptureFixture[str]


@pytest.fixture(scope="module")
def recorded(tmp_path_factory: pytest.TempPathFactory) -> Path:
    bench, records = evening_records()
    path = write_session(tmp_path_factory.mktemp("asked"), bench, records)
    assert main(["study", str(path), "--summary"]) == 0
    return path


@pytest.fixture
def session(recorded: Path, tmp_path: Path) -> Iterator[Path]:
    """A copy, whose journal must be as it was afterwards."""
    path = Path(shutil.copytree(recorded, tmp_path / recorded.name))
    before = {name: (path / name).read_bytes() for name in (MAIN, SIDE, "session.json", "study.json")}
    yield path
    assert {name: (path / name).read_bytes() for name in before} == before


def read(arguments: list[str], capsys: Capture, code: int = 0) -> str:
    capsys.readouterr()
    assert main(arguments) == code
    return capsys.readouterr().out


# -- stretches


def test_stretches_are_kept_listed_and_forgotten(session: Path, capsys: Capture) -> None:
    told = json.loads(read(
        ["study", str(session), "--stretch", "0:50-1:35=high", "--stretch", "1:20-2:25=over both",
         "--json", "-"], capsys))  # fmt: skip
    assert [(s["name"], s["start_s"], s["end_s"]) for s in told["stretches"]] == [
        ("high", 50.0, 95.0), ("over both", 80.0, 145.0),
    ]  # fmt: skip
    segment, stretch = told["segments"][0], told["stretches"][0]
    assert set(segment) <= set(stretch)
    assert set(segment["differences"][0]) == set(stretch["differences"][0])
    assert (session / STRETCHES).exists()
    # A later study still has them, and a stretch changes nothing else.
    later = json.loads(read(["study", str(session), "--json", "-"], capsys))
    assert later == told
    before = json.loads((session / "study.json").read_bytes())
    assert {k: v for k, v in told.items() if k != "stretches"} == {
        k: v for k, v in before.items() if k != "stretches"
    }
    shown = read(["study", str(session)], capsys)
    assert "STRETCHES" in shown
    assert "over both" in shown
    gone = read(["study", str(session), "--forget", "high", "--forget", "over both", "--json", "-"], capsys)
    assert gone.encode() == (session / "study.json").read_bytes()


@pytest.mark.slow
def test_a_stretch_in_the_same_seconds_as_a_segment_has_its_numbers(session: Path, capsys: Capture) -> None:
    told = json.loads(read(["study", str(session), "--stretch", "35-148", "--json", "-"], capsys))
    (segment,) = [s for s in told["segments"] if s["name"] == "steady 220"]
    (stretch,) = told["stretches"]
    assert stretch["name"] == "0:35-2:28"
    # It is compared without its last two seconds, in which the next load begins.
    assert stretch["differences"] == segment["differences"]


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--stretch", "2:00-1:00"], "Write FROM-TO|at least a second"),
        (["--stretch", "climb"], "40:55-42:10=climb"),
        (["--stretch", "10:00-11:00"], "does not lie in it"),
        (["--forget", "climb"], "It has none"),
        (["--only", "hreon"], "heron"),
        (["--segments", "nothing like it"], "no segment fits"),
    ],
)
def test_what_makes_no_sense_is_refused_and_changes_nothing(
    session: Path, capsys: Capture, arguments: list[str], words: str
) -> None:
    before = sorted(path.name for path in session.iterdir())
    assert main(["study", str(session), *arguments]) == 2
    told = capsys.readouterr().err
    assert any(word in told for word in words.split("|")), told
    assert sorted(path.name for path in session.iterdir()) == before


@pytest.mark.slow
def test_a_file_of_stretches_that_makes_no_sense_is_named(session: Path, capsys: Capture) -> None:
    (session / STRETCHES).write_text('{"stretches": [{"name": "x", "from_s": 5, "to_s": 1}]}')
    assert main(["study", str(session)]) == 2
    assert STRETCHES in capsys.readouterr().err
    (session / STRETCHES).write_text("[1, 2")
    assert main(["study", str(session)]) == 2
    assert "can't be read" in capsys.readouterr().err


# -- another bench


def other_bench(session: Path, folder: Path, *changes: tuple[str, str]) -> Path:
    text = open_session(session).info.bench
    for before, after in changes:
        assert before in text
        text = text.replace(before, after, 1)
    path = folder / "corrected.toml"
    path.write_text(text)
    return path


@pytest.mark.slow
def test_a_session_is_judged_under_another_bench(session: Path, tmp_path: Path, capsys: Capture) -> None:
    bench = other_bench(session, tmp_path, ('reference = "hub"', 'reference = "pedals"'),
                        ('name = "evening"', 'name = "corrected evening"'))  # fmt: skip
    files = sorted(path.name for path in session.iterdir())
    page = tmp_path / "page.html"
    told = json.loads(read(["study", str(session), "--bench", str(bench), "--json", "-",
                            "--html", str(page)], capsys))  # fmt: skip
    assert told["reference"] == "pedals"
    assert {d["reference"] for s in told["segments"] for d in s["differences"]} == {"pedals"}
    under = told["judged_under"]
    assert (under["bench"], under["recorded_bench"]) == ("corrected evening", "evening")
    assert "reference: pedals, recorded hub" in under["changes"]
    for arguments in ([], ["--summary"]):
        shown = read(["study", str(session), "--bench", str(bench), *arguments], capsys)
        assert "corrected evening" in shown
        assert "recorded under evening" in shown
    html = page.read_text()
    assert "corrected evening" in html
    assert "recorded under" in html
    assert sorted(path.name for path in session.iterdir()) == files
    # What was recorded is what the next study is of.
    assert json.loads(read(["study", str(session), "--json", "-"], capsys))["reference"] == "hub"


@pytest.mark.slow
def test_a_corrected_claim_moves_the_limit(session: Path, tmp_path: Path, capsys: Capture) -> None:
    before = json.loads(read(["study", str(session), "--json", "-"], capsys))
    bench = other_bench(session, tmp_path, ("claim_percent = 1.5", "claim_percent = 4.0"))
    told = json.loads(read(["study", str(session), "--bench", str(bench), "--json", "-"], capsys))
    assert any("claim 4 %, recorded 1.5 %" in line for line in told["judged_under"]["changes"])

    def limits(study: dict) -> set[float]:  # type: ignore[type-arg]
        return {d["limit_percent"] for s in study["segments"] for d in s["differences"]
                if d["instrument"] == "heron" and s["name"] == "steady 220"}  # fmt: skip

    # Root sum of squares of 1.5 and 1.0, then of 4.0 and 1.0 (the claims of the built-in evening).
    assert limits(before) == {1.803}
    assert limits(told) == {4.123}


@pytest.mark.slow
def test_a_computed_split_is_shown_and_blamed_for_nothing(
    session: Path, tmp_path: Path, capsys: Capture
) -> None:
    text = open_session(session).info.bench
    at = text.index('label = "heron"')
    changed = text[:at] + text[at:].replace('sides = "both"', 'sides = "computed"', 1)
    bench = tmp_path / "computed.toml"
    bench.write_text(changed)
    told = json.loads(read(["study", str(session), "--bench", str(bench), "--json", "-"], capsys))
    heron = told["instruments"]["heron"]
    assert heron["sides"] == "computed"
    # The right side reads 8 % high for a minute: compared and shown, never judged.
    shown = [d for s in told["segments"] for d in s["differences"] if d["instrument"] == "heron"]
    assert any(d["right_delta_w"] is not None for d in shown)
    assert heron["by_side"]
    assert {r["verdict"] for r in heron["by_side"]} == {"undecided"}
    assert heron["cause"] != "one-side"
    assert all(s["cause"] != "one-side" for s in heron["states"])
    assert {s["side"] for s in told["shifts"] if s["instrument"] == "heron"} <= {"total"}


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ([('label = "heron"', 'label = "hreon"')], ("hreon", "heron")),
        ([("claim_percent = 1.5", "claim_precent = 1.5")], ("claim_precent", "claim_percent")),
        ([('reference = "hub"', 'reference = "hbu"')], ("hbu", "hub")),
    ],
)
def test_a_bad_bench_is_refused_with_the_key_and_the_ride_is_untouched(
    session: Path, tmp_path: Path, capsys: Capture, changes: list[tuple[str, str]], words: tuple[str, str]
) -> None:
    bench = other_bench(session, tmp_path, *changes)
    files = sorted(path.name for path in session.iterdir())
    assert main(["study", str(session), "--bench", str(bench)]) == 2
    told = capsys.readouterr().err
    assert "corrected.toml" in told
    assert all(word in told for word in words), told
    assert sorted(path.name for path in session.iterdir()) == files


# -- words


@pytest.mark.slow
def test_words_stand_at_the_top(session: Path, tmp_path: Path, capsys: Capture) -> None:
    shown = read(["words", str(session), "--set", "question=Does heron hold 1.5 %?",
                  "--set", "conclusion=After seating it anew: yes. <b>"], capsys)  # fmt: skip
    assert "Does heron hold 1.5 %?" in shown
    assert (session / WORDS).exists()
    told = json.loads(read(["words", str(session), "--json"], capsys))
    assert list(told) == ["question", "conclusion"]
    page = tmp_path / "page.html"
    text = read(["study", str(session), "--html", str(page)], capsys)
    assert text.index("Does heron hold") < text.index("MEANS")
    html = page.read_text()
    assert html.index("Does heron hold") < html.index('id="verdict"')
    assert "<b>" not in html[html.index("seating it anew") :][:40]
    study = json.loads(read(["study", str(session), "--json", "-"], capsys))
    assert study["words"]["conclusion"].startswith("After seating")
    assert read(["words", str(session), "--set", "question="], capsys).count("\n") == 1


@pytest.mark.parametrize("setting", ["question", "qestion=x", "scope=\x1b[2J", "scope=" + "x" * 3000])
def test_words_that_make_no_sense_are_refused(session: Path, capsys: Capture, setting: str) -> None:
    assert main(["words", str(session), "--set", setting]) == 2
    assert not (session / WORDS).exists()
    assert "\x1b" not in capsys.readouterr().err


@pytest.mark.slow
def test_words_of_each_session_stand_in_a_comparison(session: Path, tmp_path: Path, capsys: Capture) -> None:
    other = Path(shutil.copytree(session, tmp_path / "again" / session.name))
    assert main(["words", str(session), "--set", "question=before"]) == 0
    assert main(["words", str(other), "--set", "question=after the firmware"]) == 0
    page = tmp_path / "page.html"
    shown = read(["study", str(session), "--against", str(other), "--html", str(page)], capsys)
    assert "question: before" in shown
    assert "after the firmware" in shown
    html = page.read_text()
    beside = html[html.index('<ol class="sessions">') :]
    assert "Question: before" in beside
    assert "Question: after the firmware" in beside


# -- summary, width, choice


def test_a_summary_has_at_most_twelve_lines_the_verdict_first(session: Path, capsys: Capture) -> None:
    assert main(["words", str(session), "--set", "question=x", "--set", "scope=y"]) == 0
    lines = read(["study", str(session), "--summary"], capsys).splitlines()
    assert len(lines) <= 12
    assert lines[1].startswith("heron: agrees")
    assert any("1:44" in line for line in lines)


@pytest.mark.parametrize("columns", [60, 80, 120])
@pytest.mark.slow
def test_tables_fit_the_terminal(
    session: Path, capsys: Capture, monkeypatch: pytest.MonkeyPatch, columns: int
) -> None:
    monkeypatch.setenv("COLUMNS", str(columns))
    assert main(["study", str(session), "--stretch", "0:50-1:35=a stretch with quite a long name"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert max(map(len, lines)) <= columns
    deviations = [line for line in lines if "±" in line]
    assert len(deviations) > 20
    wide = read(["study", str(session), "--wide"], capsys).splitlines()
    assert max(map(len, wide)) > 120
    assert any("RIGHT'S PART" in line for line in wide)


@pytest.mark.slow
def test_chosen_instruments_and_segments(session: Path, tmp_path: Path, capsys: Capture) -> None:
    told = json.loads(read(["study", str(session), "--only", "heron", "--segments", "steady*",
                            "--json", "-"], capsys))  # fmt: skip
    assert list(told["instruments"]) == ["heron"]
    assert [s["name"] for s in told["segments"]] == ["steady 220", "steady 250"]
    assert {d["instrument"] for s in told["segments"] for d in s["differences"]} == {"heron"}
    whole = json.loads(read(["study", str(session), "--json", "-"], capsys))
    # The same of it, in which others have no name of their own.
    known = json.dumps(whole["instruments"]["heron"]).replace("pedals", "other-1").replace("hub", "reference")
    assert told["instruments"]["heron"] == json.loads(known)
    page = tmp_path / "page.html"
    shown = read(["study", str(session), "--only", "heron", "hub", "--html", str(page)], capsys)
    assert "pedals agrees with hub" not in shown
    assert '"labels":["heron","hub"]' in page.read_text()


# -- a second look


@pytest.mark.slow
def test_a_second_study_reads_what_was_made(
    session: Path, tmp_path: Path, capsys: Capture, monkeypatch: pytest.MonkeyPatch
) -> None:
    page = tmp_path / "one.html"
    first = read(["study", str(session), "--html", str(page)], capsys)

    def never(*_: object, **__: object) -> None:
        raise AssertionError("the journal was read again")

    monkeypatch.setattr("monitor.commands.asking.judging.session_arrays", never)
    monkeypatch.setattr("monitor.commands.asking.judging.make_derived", never)
    other = tmp_path / "two.html"
    assert read(["study", str(session), "--html", str(other)], capsys) == first
    assert other.read_bytes() == page.read_bytes()


@pytest.mark.slow
def test_an_exchanged_study_is_not_believed(session: Path, capsys: Capture) -> None:
    first = read(["study", str(session), "--json", "-"], capsys)
    kept = (session / "study.json").read_bytes()
    (session / "study.json").write_bytes(kept.replace(b'"heron"', b'"zebra"'))
    assert read(["study", str(session), "--json", "-"], capsys) == first
    (session / "study.json").write_bytes(kept)
