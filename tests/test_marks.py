"""What a tester marks while riding: stretches by a key, an instrument seated anew, notes that name one."""

import json
import shutil
from pathlib import Path

import pytest

from capture.record import Act, Tick
from monitor.cli import main
from monitor.controls.controls import Controls
from monitor.controls.marks import note_of
from monitor.controls.output import Do
from monitor.live.pipeline import Pipeline
from monitor.sessions.asked import from_acts, wanted_of
from monitor.study.asked.wanted import Wanted
from monitor.study.parts.common import shared_of
from monitor.study.study import study
from tests.helpers.rides import evening_records, record, write_session

S = 1_000_000_000


def test_a_key_opens_a_stretch_and_closes_it() -> None:
    bench, _ = evening_records()
    pipeline = Pipeline(bench)
    controls = Controls(bench, pipeline)
    acts: list[Act] = []

    def press(t_s: int) -> str:
        tick = Tick(t_s * S, 0)
        pipeline.feed(tick)
        controls.take(tick)
        said = controls.toggle_stretch()
        done = controls.out.pop()
        assert isinstance(done, Do)
        act = Act(t_s * S, done.act, done.text, done.instrument)
        pipeline.feed(act)
        controls.take(act)
        acts.append(act)
        return said

    assert "opened" in press(10)
    assert "1:30 long" in press(100)
    assert "opened" in press(120)
    assert from_acts(acts) == [Wanted("stretch 1", 10.0, 100.0)]
    press(180)
    assert from_acts(acts) == [Wanted("stretch 1", 10.0, 100.0), Wanted("stretch 2", 120.0, 180.0)]


@pytest.mark.parametrize(
    ("texts", "expected"),
    [
        (["close"], []),
        (["open"], []),
        (["open", "open", "close"], [Wanted("stretch 1", 2.0, 3.0)]),
        (["open", "close", "close"], [Wanted("stretch 1", 1.0, 2.0)]),
    ],
)
def test_presses_that_have_no_partner_make_no_stretch(texts: list[str], expected: list[Wanted]) -> None:
    assert from_acts([Act((k + 1) * S, "stretch", text) for k, text in enumerate(texts)]) == expected


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("heron: creaks", ("heron", "creaks")),
        ("Heron : creaks: loudly", ("heron", "creaks: loudly")),
        ("wet road", ("", "wet road")),
        ("12:30 wet", ("", "12:30 wet")),
        ("heron:", ("", "heron:")),
    ],
)
def test_a_note_may_name_an_instrument(text: str, expected: tuple[str, str]) -> None:
    assert note_of(text, ["hub", "heron"]) == expected


def test_remounted_opens_a_state_and_moves_no_rider() -> None:
    bench, records = evening_records()
    controls = Controls(bench, Pipeline(bench))
    controls.remounted("pedals")
    done = controls.out.pop()
    assert isinstance(done, Do)
    assert done.instrument == "pedals"
    act = Act(200 * S, done.act, done.text, done.instrument)
    controls.take(act)
    assert controls.position == "seated"
    kept = sorted([*records, act], key=lambda r: r.t_ns)
    judged = study(record(bench, kept)).acts_judged
    (row,) = [a for a in judged if a.instrument == "pedals"]
    assert (row.t_s, row.effect) == (200.0, "no-change")


@pytest.mark.slow
def test_the_key_changes_no_finding_and_no_segment() -> None:
    bench, records = evening_records()
    marks = [Act(60 * S, "stretch", "open"), Act(140 * S, "stretch", "close")]
    plain, marked = record(bench, records), record(bench, sorted([*records, *marks], key=lambda r: r.t_ns))
    assert marked.findings == plain.findings
    one, two = study(plain, shared_of(plain)), study(marked, shared_of(marked))
    assert two.segments == one.segments
    assert two.instruments == one.instruments


@pytest.mark.slow
def test_a_live_stretch_has_a_row_and_can_be_forgotten(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    bench, records = evening_records()
    marks = [Act(60 * S, "stretch", "open"), Act(140 * S, "stretch", "close")]
    path = write_session(tmp_path, bench, sorted([*records, *marks], key=lambda r: r.t_ns))
    assert main(["study", str(path), "--json", "-"]) == 0
    (row,) = json.loads(capsys.readouterr().out)["stretches"]
    assert (row["name"], row["start_s"], row["end_s"]) == ("stretch 1", 60.0, 140.0)
    assert main(["study", str(path), "--forget", "stretch 1", "--json", "-"]) == 0
    assert json.loads(capsys.readouterr().out)["stretches"] == []
    copy = Path(shutil.copytree(path, tmp_path / "copy"))
    assert wanted_of(copy, marks) == []
