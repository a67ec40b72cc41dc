"""The short answers: at most twelve lines, three at the end of a ride, tables within a width."""

import json
from pathlib import Path

import msgspec
import pytest

from monitor.cli import main
from monitor.report.lines.fit import fitted, wrapped
from monitor.report.lines.summary import summary_lines, verdict_lines
from monitor.study.results import Study
from monitor.study.study import study
from tests.helpers.rides import evening_recording

TABLE = [
    ("SEGMENT", "INSTRUMENT", "VERDICT", "DEVIATION %", "LIMIT %", "SHOWN W"),
    ("a segment with a long name", "heron", "can't tell yet", "+12.34 ± 1.23", "1.80", "+10.1"),
    ("", "pedals", "agrees", "-0.12 ± 0.50", "1.80", "-1.1"),
]


@pytest.fixture(scope="module")
def judged() -> Study:
    return study(evening_recording())


def test_a_table_that_fits_keeps_every_column() -> None:
    lines = fitted(TABLE, 3, 200, ("SHOWN W",))
    assert "SHOWN W" in lines[0]
    assert lines == fitted(TABLE, 3, None)


def test_what_matters_least_goes_first() -> None:
    lines = fitted(TABLE, 3, 80, ("SHOWN W", "LIMIT %"))
    assert "SHOWN W" not in lines[0]
    assert "a segment with a long name" in lines[1]


@pytest.mark.parametrize("width", range(44, 100, 3))
def test_no_line_is_wider_and_no_number_is_lost(width: int) -> None:
    lines = fitted(TABLE, 3, width)
    assert max(map(len, lines)) <= width
    text = "\n".join(lines)
    assert all(cell in text for row in TABLE[1:] for cell in row[3:])


def test_sentences_are_wrapped_and_whole() -> None:
    text = "a sentence of some words that has to be read on a narrow terminal by somebody on a bike"
    lines = wrapped(text, 30)
    assert max(map(len, lines)) <= 30
    assert " ".join(line.strip() for line in lines) == text


def test_three_lines_at_the_end(judged: Study) -> None:
    one, two, three = verdict_lines(judged)
    assert one.startswith("heron: agrees, +0.")
    assert "limit 1.8 %" in one
    assert "1:44" in two
    assert "DIFFERS" in two
    assert three.startswith("use as a reference: ")


def test_a_summary_has_at_most_twelve_lines_whatever_there_is(judged: Study) -> None:
    many = msgspec.structs.replace(
        judged,
        instruments={f"{label}-{k}": i for k in range(9) for label, i in judged.instruments.items()},
        open=judged.open * 9,
    )
    for width in (60, None):
        lines = summary_lines(many, width)
        assert len(lines) <= 12
        assert all(len(line) <= (width or 160) for line in lines)


@pytest.mark.slow
def test_the_demo_ends_with_the_verdict_the_report_and_the_next_command(
    tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    assert main(["demo", "--headless", "--speed", "max", "--out", str(tmp_path)]) == 0
    out, err = capfd.readouterr()
    assert json.loads(out.splitlines()[-1])["event"] == "end"
    *_, one, two, three, report, following = err.splitlines()
    assert one.startswith("heron: ")
    assert "1:44" in two
    assert three.startswith("use as a reference")
    assert report.startswith("report: file:///")
    page = Path(report.removeprefix("report: file://"))
    assert page.read_bytes().startswith(b"<!doctype html>")
    assert following.startswith("next: plumbwatt study ")
    assert main(following.removeprefix("next: plumbwatt ").split()) == 0
    assert len(capfd.readouterr().out.splitlines()) <= 12
