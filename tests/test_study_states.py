"""States and acts: what is said of one stretch never comes from another; an act is judged by its effect."""

import json
from dataclasses import replace

import numpy as np
import pytest

from monitor.study.results import Study, encode
from monitor.study.shown import shown_over_counted
from monitor.study.study import study
from tests.helpers.rides import evening_recording, record, scene_records
from tests.test_study_who import bench_of

REMOUNT = """
[[scene.instrument.heron.faults]]
at = 0.0
until = 330.0
fault = "gain"
size = -5.0
[[scene.act]]
at = {act}
act = "{kind}"
text = "by hand"
instrument = "heron"
"""


def acted(act: float = 330.0, kind: str = "position", seed: int = 3) -> Study:
    text = bench_of(seed)
    bench, records = scene_records(text + REMOUNT.format(act=act, kind=kind))
    return study(record(bench, records))


def test_an_act_that_cures_opens_the_state_as_left() -> None:
    result = acted()
    heron = result.instruments["heron"]
    assert [s.opened_by.kind for s in heron.states] == ["start", "remounted"]
    found, left = heron.states
    assert found.deviation_percent == pytest.approx(-5.0, abs=0.8)
    assert left.deviation_percent == pytest.approx(0.0, abs=0.8)
    assert (heron.as_found, heron.as_left, heron.verdict) == ("differs", "agrees", "agrees")
    (act,) = [a for a in result.acts_judged if a.instrument == "heron"]
    assert (act.act, act.effect) == ("position", "cured")
    assert act.change_percent == pytest.approx(5.0, abs=0.7)
    # The headline is as left; what was before, and what ended it, follow.
    assert heron.sentence.index("agrees with pedals") < heron.sentence.index("until remounted at 5:30")


def test_an_act_that_does_nothing_keeps_one_state() -> None:
    result = acted(act=150.0, kind="zeroed")
    (act,) = [a for a in result.acts_judged if a.instrument == "heron"]
    assert act.effect == "no-change"
    # The change of 5:30 came without an act: the data alone open the state.
    assert [s.opened_by.kind for s in result.instruments["heron"].states] == ["start", "step"]
    assert "not the cause" in result.instruments["heron"].sentence


def test_every_estimate_lies_in_one_state() -> None:
    result = acted()
    heron = result.instruments["heron"]
    left = heron.states[-1]
    for split in result.splits:
        if split.instrument == "heron":
            assert split.deviation_percent == pytest.approx(left.deviation_percent or 0.0, abs=1.2)
    (agreement,) = [a for a in result.agreement if a.instrument == "heron"]
    assert agreement.upper_percent - agreement.lower_percent < 3.0
    total = sum(s.blocks for s in heron.states)
    assert agreement.blocks == left.blocks < total


def test_the_budget_adds_up_to_the_interval() -> None:
    for state in acted().instruments["heron"].states:
        parts = np.array(list(state.budget.values()))
        assert state.u95_percent == pytest.approx(float(np.sqrt((parts**2).sum())), abs=0.002)
        assert {"scatter", "between segments", "drivetrain loss", "lag and edges"} == set(state.budget)


def test_states_stand_in_the_json_as_agreed() -> None:
    told = json.loads(encode(study(evening_recording())))
    state = told["instruments"]["heron"]["states"][0]
    assert set(state) == {
        "from_s", "to_s", "opened_by", "blocks", "deviation_percent", "u95_percent", "limit_percent",
        "verdict", "left_percent", "left_u95_percent", "right_percent", "right_u95_percent", "gain",
        "gain_u95", "offset_nm", "offset_u95_nm", "cause", "budget", "end_percent", "end_u95_percent",
        "apart", "silent_side",
    }  # fmt: skip
    assert set(state["opened_by"]) == {"kind", "t_s", "text"}
    assert set(told["acts_judged"][0]) == {
        "t_s", "act", "instrument", "before_percent", "after_percent", "change_percent", "u95_percent",
        "effect", "judged_with", "noted_s",
    }  # fmt: skip


def test_what_is_shown_is_held_against_what_is_counted() -> None:
    """By hand: 30 s windows of 200 W counted; 204 W shown each second is a ratio of 1.02."""
    recording = evening_recording()
    counted_w = np.full(300, 200.0)
    times = np.arange(0.5, 300.0)
    for shown_w, ratio, leaves in ((204.0, 1.02, True), (200.2, 1.001, False)):
        rows = np.column_stack((times, np.full(300, shown_w)))
        account = shown_over_counted(replace(recording, shown=[rows]), 0, counted_w)
        assert account is not None
        assert (account.ratio, account.leaves_one) == (pytest.approx(ratio), leaves)
    # Unsteady riding tells nothing: what is shown comes late.
    unsteady_w = np.tile(np.repeat((150.0, 300.0), 10), 15)
    assert shown_over_counted(replace(recording, shown=[rows]), 0, unsteady_w) is None


LOPSIDED = """
[[scene.act]]
at = 330.0
act = "zeroed"
text = "by hand"
instrument = "heron"
"""


def test_a_steady_rider_and_a_unit_that_moved() -> None:
    rows = [r for r in acted().rider if r.instrument == "heron"]
    assert rows
    assert rows[0].verdict == "unit"
    assert rows[0].left_share_change_points == pytest.approx(0.0, abs=0.6)


def test_a_rider_who_moved_is_no_unit_that_moved(monkeypatch: pytest.MonkeyPatch) -> None:
    """The share of the pedals moves by two points in all that is told; heron stays."""
    bench, records = scene_records(bench_of(3) + LOPSIDED)
    recording = record(bench, records)
    from monitor.analysis.curve import LEFT, WORK
    from monitor.study.parts import rider
    from monitor.study.parts.common import shared_of
    from monitor.study.parts.states import Pair

    recording.cells[330:, 0, LEFT] += 0.02 * recording.cells[330:, 0, WORK]
    shared = shared_of(recording)
    heron = shared.grid.labels.index("heron")
    shared.cuts[heron] = []
    shared.noise[heron], shared.usual[heron] = shared.noise_of(heron), shared.usual_of(heron)
    asked = rider._Asked(shared, Pair(shared, heron, []), {})
    windows = ((100.0, 330.0), (330.0, 560.0))
    row = rider._row(asked, windows, unit_moved=False)
    assert row.left_share_change_points == pytest.approx(2.0, abs=0.4)
    assert row.verdict == "rider"
    monkeypatch.setattr(rider, "_source", lambda *_args: None)
    assert rider._row(asked, windows, unit_moved=True).verdict == "undecided"


def test_repeats_are_found_by_likeness_not_by_name() -> None:
    """A tester who renames the last block, or names each one anew, still rode the first block again."""
    text = bench_of(3).replace('"steady 200 again"', '"at the end"')
    result = study(record(*scene_records(text)))
    assert {(r.first, r.last) for r in result.repeats} == {("steady 200", "at the end")}
    assert {r.instrument for r in result.repeats} == {"hub", "heron"}


def test_a_display_that_climbs_late_after_each_stop_is_no_display_that_is_off() -> None:
    """30 s of riding after 30 s of rest, again and again: what is shown comes three seconds late."""
    recording = evening_recording()
    counted = np.tile(np.concatenate((np.zeros(30), np.full(30, 200.0))), 12)
    seconds = np.arange(len(counted))
    late = np.convolve(counted, np.concatenate((np.zeros(3), np.ones(4) / 4.0)))[: len(counted)]
    rows = np.column_stack((seconds + 0.3, late))
    account = shown_over_counted(replace(recording, shown=[rows]), 0, counted)
    # Nothing was ridden before any window, so the first seconds of each are shown too low: 15 % in all.
    assert account is None
    steady = np.concatenate((counted, np.full(300, 200.0)))
    late = np.concatenate((late, np.full(300, 200.0)))
    rows = np.column_stack((np.arange(len(steady)) + 0.3, late))
    account = shown_over_counted(replace(recording, shown=[rows]), 0, steady)
    assert account is not None
    assert account.ratio == pytest.approx(1.0, abs=0.001)
