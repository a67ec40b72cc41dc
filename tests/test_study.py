"""The study of whole sessions, against what was true of the ride."""

import dataclasses
import json
import math
from itertools import pairwise
from typing import Any

import msgspec
import numpy as np
import pytest

from capture.record import Act, Record, Write
from monitor.analysis.curve import COVERED, LEFT, REVS, SIDED, TURNED, WORK
from monitor.analysis.statistics import judge
from monitor.report.terminal import study_lines
from monitor.setup.protocol import parse_protocol
from monitor.study.asked.found import find_segments
from monitor.study.grid import UNKNOWN_LAG_S, Grid, held_by, moved
from monitor.study.parts.peaks import best_mean, published_efficiency
from monitor.study.parts.repeats import _repeat
from monitor.study.results import Difference, Study, decode, encode
from monitor.study.segments import plan_start, spans_of
from monitor.study.study import study
from monitor.text import as_sentences
from tests.helpers.benches import LOSS, head, hub, instrument, pedals, scene, sends, steady, table
from tests.helpers.metrology import vector
from tests.helpers.rides import evening_recording, evening_records, record, scene_records, without_segments


@pytest.fixture(scope="module")
def evening_study() -> Study:
    return study(evening_recording())


def difference(result: Study, segment: str, label: str) -> Difference:
    (found,) = [
        d for s in result.segments if s.name == segment for d in s.differences if d.instrument == label
    ]
    return found


# -- the contract of study.json


def test_the_keys_that_others_read_are_there(evening_study: Study) -> None:
    told: dict[str, Any] = json.loads(encode(evening_study))
    assert {"segments", "instruments", "shifts"} <= set(told)
    for segment in told["segments"]:
        assert {"name", "start_s", "end_s", "steady", "means", "differences"} <= set(segment)
        for means in segment["means"].values():
            assert {"power_w", "left_w", "right_w", "cadence_rpm", "coverage"} <= set(means)
        for told_difference in segment["differences"]:
            keys = "instrument reference delta_w delta_percent expected_percent u95_percent limit_percent"
            sides = "verdict left_delta_w right_delta_w share_right"
            assert set(f"{keys} {sides}".split()) <= set(told_difference)
            assert told_difference["verdict"] in ("agrees", "differs", "undecided")
    for one in told["instruments"].values():
        keys = "gain gain_u95 offset_nm offset_u95_nm cause lag_s noise_w lost_s loss_percent peaks_w"
        assert set(f"{keys} serves_as_reference why".split()) <= set(one)
        assert set(one["peaks_w"]) == {"1", "5", "15", "30", "60"}
        assert one["serves_as_reference"] in ("yes", "no", "undecided")
    for shift in told["shifts"]:
        assert {"instrument", "t_s", "delta_percent", "side"} <= set(shift)


def test_the_same_session_gives_the_same_bytes_and_comes_back_whole(evening_study: Study) -> None:
    data = encode(evening_study)
    assert encode(study(record(*evening_records()))) == data
    assert decode(data) == evening_study
    assert b"NaN" not in data
    assert b"-0.0," not in data


def test_a_study_of_another_format_is_refused(evening_study: Study) -> None:
    with pytest.raises(msgspec.ValidationError, match="format 99"):
        decode(encode(msgspec.structs.replace(evening_study, format=99)))


def test_every_verdict_follows_from_its_own_numbers(evening_study: Study) -> None:
    for segment in evening_study.segments:
        for d in segment.differences:
            if d.u95_percent is None:
                assert d.verdict == "undecided"
            else:
                assert d.verdict == judge(d.deviation_percent, d.u95_percent, d.limit_percent)
                parts = math.hypot(d.spread_u95_percent or 0.0, d.loss_u95_percent, d.edge_percent)
                assert d.u95_percent == pytest.approx(parts, abs=0.002)


# -- an evening whose truth is known


def test_segments_are_those_of_the_protocol_with_settling_left_out(evening_study: Study) -> None:
    bench, _ = evening_records()
    assert bench.protocol is not None
    assert [s.name for s in evening_study.segments] == [s.name for s in bench.protocol.segments]
    assert [s.start_s for s in evening_study.segments] == pytest.approx(
        list(bench.protocol.starts_s), abs=0.01
    )
    steady = evening_study.segments[1]
    assert (steady.settle_s, steady.target_w, steady.kind, steady.steady) == (10.0, 220.0, "block", True)
    assert {s.kind for s in evening_study.segments} == {"ramp", "block", "sprint", "free"}


def test_the_leaning_side_is_found_with_its_time_and_size(evening_study: Study) -> None:
    # The scene: the right side of heron reads 8 % high from 45 s to 104 s.
    began, ended = [s for s in evening_study.shifts if s.instrument == "heron"]
    assert (began.side, ended.side) == ("right", "right")
    assert began.t_s == pytest.approx(45.0, abs=2.0)
    assert ended.t_s == pytest.approx(104.0, abs=2.0)
    assert began.delta_percent == pytest.approx(8.0, abs=0.7)
    assert ended.delta_percent == pytest.approx(-100.0 * (1.0 - 1.0 / 1.08), abs=0.7)
    assert ended.act == "right side seated anew"
    assert [s for s in evening_study.shifts if s.instrument != "heron"] == []
    parts = difference(evening_study, "steady 220", "heron").parts
    assert [p.verdict for p in parts][-2:] == ["differs", "agrees"]
    # 8 % of a right side that makes 49 % of the power, on a crank that reads 0.4 % high itself.
    assert parts[-2].deviation_percent == pytest.approx(8.0 * 0.49 + 0.4, abs=0.6)
    heron = evening_study.instruments["heron"]
    # Seated anew, it is as it should be; that it moved by itself speaks against it all the same.
    assert (heron.verdict, heron.as_left, heron.cause) == ("agrees", "agrees", None)
    assert heron.sentence.startswith("heron agrees with hub")
    assert heron.serves_as_reference == "no"
    assert "right side" in heron.sentence


def test_healthy_instruments_agree_and_would_serve(evening_study: Study) -> None:
    assert evening_study.instruments["pedals"].verdict == "agrees"
    assert evening_study.instruments["pedals"].serves_as_reference == "yes"
    assert evening_study.instruments["hub"].serves_as_reference == "yes"
    cadence = evening_study.instruments["cadence"]
    assert (cadence.verdict, cadence.serves_as_reference) == ("agrees", "yes")
    assert "pedals" in cadence.sentence
    # The scene: pedals 0.998 and 1.003 on either side, the hub 1.002.
    assert difference(evening_study, "steady 220", "pedals").deviation_percent == pytest.approx(
        -0.15, abs=0.2
    )


def test_expected_loss_is_what_the_bench_states(evening_study: Study) -> None:
    d = difference(evening_study, "steady 250", "pedals")
    hub_w = evening_study.segments[11].means["hub"].power_w
    assert hub_w is not None
    crank_w = (hub_w + 2.6) / 0.99
    assert d.expected_percent == pytest.approx(100.0 * (crank_w / hub_w - 1.0), abs=0.02)


def test_faults_of_the_signal_are_told_and_no_deviation(evening_study: Study) -> None:
    # The scene: heron shows no power from 326 s to 333 s, pedals are not heard from 210 s to 216 s.
    heron, pedals = (evening_study.instruments[label] for label in ("heron", "pedals"))
    ((begin, end),) = heron.signal.no_power
    assert (begin, end) == pytest.approx((326.0, 333.0), abs=2.0)
    ((begin, end),) = pedals.signal.lost
    assert (begin, end) == pytest.approx((210.0, 216.0), abs=1.5)
    assert pedals.lost_s == pytest.approx(6.0, abs=1.5)
    d = difference(evening_study, "steady 250", "heron")
    assert d.excluded_s >= 7
    assert d.verdict == "agrees"
    means = evening_study.segments[11].means
    # Its zeros are no part of its mean, nor those seconds of anybody's: the row has one time for all.
    assert means["heron"].fault_s >= 7
    assert means["heron"].seconds == means["pedals"].seconds == means["hub"].seconds <= 28
    assert means["heron"].power_w == pytest.approx(means["pedals"].power_w, rel=0.02)


def test_halves_of_cycles_are_judged_together(evening_study: Study) -> None:
    (cycles,) = evening_study.cycles
    assert (cycles.cycles, cycles.start_s, cycles.end_s) == (3, 180.0, 270.0)
    assert {d.instrument: d.verdict for d in cycles.differences} == {"pedals": "agrees", "heron": "agrees"}


def test_a_repeat_that_hardly_changes_tells_no_negative_zero(evening_study: Study) -> None:
    segment = evening_study.segments[1]
    one = msgspec.structs.replace(difference(evening_study, segment.name, "pedals"), deviation_percent=-0.01)
    two = msgspec.structs.replace(one, deviation_percent=-0.03)
    text = _repeat("over", segment, one, segment, two).text
    assert "read +0.0 % at" in text
    assert "-0.0" not in text


def test_repeated_blocks_are_held_against_each_other(evening_study: Study) -> None:
    over = next(r for r in evening_study.repeats if r.instrument == "heron" and r.name == "over")
    assert (over.first, over.last, over.beyond_chance) == ("over 1/3", "over 3/3", False)
    assert over.change_percent == pytest.approx(over.last_percent - over.first_percent, abs=1e-3)


def test_means_are_work_over_time_of_the_cells(evening_study: Study) -> None:
    recording = evening_recording()
    segment = evening_study.segments[2]
    begin, end = int(segment.start_s + segment.settle_s), int(segment.end_s)
    # The hub is the base of all lags: its seconds are those of the cells. The others are read by their lag.
    work_j, covered_s = recording.cells[begin:end, 0, 0].sum(), recording.cells[begin:end, 0, 3].sum()
    assert segment.means["hub"].power_w == pytest.approx(work_j / covered_s, abs=0.005)
    assert evening_study.instruments["pedals"].work_kj == pytest.approx(
        recording.cells[:, 1, 0].sum() / 1000.0, abs=5e-4
    )


def test_the_terminal_shows_the_numbers_of_the_json(evening_study: Study) -> None:
    lines = study_lines(evening_study)
    for segment in evening_study.segments:
        for d in segment.differences:
            shown = f"{d.deviation_percent:+.2f}"
            assert (
                any(d.instrument in line and shown in line for line in lines)
                or abs(d.deviation_percent) < 0.005
            )
    for label, judged in evening_study.instruments.items():
        assert as_sentences(judged.sentence, evening_study.instruments) in lines, label
    assert all(line.isprintable() for line in lines)


def test_efficiency_between_crank_and_hub_is_the_scenes(evening_study: Study) -> None:
    e = next(e for e in evening_study.efficiency if (e.segment, e.crank) == ("steady 220", "pedals"))
    crank_w = 220.0
    true = 100.0 * (crank_w * 0.99 - 2.6) / crank_w * 1.002 / 1.0004
    assert e.percent == pytest.approx(true, abs=0.2)


OFFSET = "".join([
    head("offset", "hub"),
    hub(profile="fitness-machine", claim_percent=1.0),
    instrument("heron", mount="spider", profile="cycling-power", claim_percent=1.5),
    *(steady(120, watts, 90) for watts in (120, 200, 280)),
    steady(120, 200, 60, "slow 200"),
    scene(11, drivetrain_loss=LOSS),
    sends("hub", "trainer", "bluetooth"),
    sends("heron", "spider", "bluetooth", offset_left_nm=0.3, offset_right_nm=0.3),
])  # fmt: skip


def test_an_offset_that_differs_at_low_torque_only_is_named() -> None:
    """Over the whole ride it hides in the unknown part of the drivetrain loss."""
    result = study(record(*scene_records(OFFSET)))
    assert difference(result, "steady 120", "heron").verdict == "differs"
    assert difference(result, "steady 280", "heron").verdict != "differs"
    heron = result.instruments["heron"]
    # Two can only differ: the kind of error is relative to the hub, and neither is called wrong.
    assert (heron.verdict, heron.cause) == ("undecided", "zero-offset")
    assert "neither can be called wrong" in heron.sentence
    assert heron.serves_as_reference == "undecided"
    assert heron.offset_nm == pytest.approx(0.6, abs=heron.offset_u95_nm)
    assert heron.gain == pytest.approx(1.0, abs=heron.gain_u95)


# -- repeated, shifted, held


BEFORE_AFTER = "".join([
    head("twice", "pedals"),
    pedals(),
    instrument("heron", mount="spider", profile="cycling-power", claim_percent=1.0),
    steady(90, 200, 90, "steady 200 before"),
    table("[[protocol.segment]]", {"name": "easy", "seconds": 30, "target_w": 120}),
    steady(90, 200, 90, "steady 200 after"),
    scene(5),
    sends("pedals", "pedals", "ant"),
    sends("heron", "spider", "bluetooth"),
    table("[[scene.instrument.heron.faults]]", {"at": 100.0, "fault": "gain", "size": 4.0}),
])  # fmt: skip


def test_the_same_block_before_and_after() -> None:
    result = study(record(*scene_records(BEFORE_AFTER)))
    (repeat,) = result.repeats
    assert (repeat.name, repeat.beyond_chance) == ("steady 200", True)
    assert repeat.change_percent == pytest.approx(4.0, abs=0.6)
    assert repeat.text.startswith("the same block (steady 200) read ")
    assert " % at 2:00" in repeat.text
    assert difference(result, "steady 200 before", "heron").verdict == "agrees"
    assert difference(result, "steady 200 after", "heron").verdict == "differs"
    # Pedals and heron alone: one of them changed.
    assert result.instruments["heron"].serves_as_reference == "undecided"
    assert not any(s.sure for s in result.shifts)


THIRD = """[[instrument]]
label = "hub"
role = "witness"
mount = "hub"
link = "scene:hub"
profile = "cycling-power"
drivetrain_loss = [2.6, 1.0]
claim_percent = 1.5
[[protocol.segment]]
name = "steady 200 before"
"""


@pytest.mark.parametrize("guilty", ["heron", "pedals"])
def test_a_third_instrument_tells_whose_change_it_was(guilty: str) -> None:
    text = BEFORE_AFTER.replace('[[protocol.segment]]\nname = "steady 200 before"\n', THIRD, 1)
    text = text.replace("[scene]\n", "[scene]\ndrivetrain_loss = [2.6, 1.0]\n")
    text = text.replace("scene.instrument.heron.faults", f"scene.instrument.{guilty}.faults")
    text += '[scene.instrument.hub]\nkind = "trainer"\nradio = "bluetooth"\n'
    result = study(record(*scene_records(text)))
    answers = {label: i.serves_as_reference for label, i in result.instruments.items()}
    assert answers[guilty] == "no"
    assert all(answer != "no" for label, answer in answers.items() if label != guilty)
    assert {s.instrument for s in result.shifts if s.sure} <= {guilty}


def test_how_the_load_was_held_comes_from_what_was_sent() -> None:
    # Fitness Machine Service 1.0: set target power is op code 0x05, simulation 0x11, reset 0x01; the
    # trainer page 0x31 is target power, 0x33 track resistance (ANT+ device profile).
    s = 1_000_000_000
    writes = [
        Write(1 * s, "hub", "2AD9", b"\x00"),
        Write(2 * s, "hub", "2AD9", b"\x05\xc8\x00"),
        Write(4 * s, "hub", "2AD9", b"\x05\xd2\x00", "not connected now"),
        Write(5 * s, "hub", "2AD9", b"\x11\x00\x00\x64\x00\x28\x33"),
        Write(7 * s, "hub", "2AD9", b"\x01"),
        Write(8 * s, "hub", "ant17", b"\x31\xff\xff\xff\xff\xff\x20\x03"),
        Write(9 * s, "hub", "ant17", b"\x33\xff\xff\xff\xff\x20\x4e\xff"),
    ]
    assert held_by(writes, 11) == [None, None, *["held"] * 3, *["grade"] * 2, None, "held", *["grade"] * 2]


def test_results_are_split_by_how_the_load_was_held() -> None:
    bench, records = scene_records(BEFORE_AFTER.replace("size = 4.0", "size = 0.0"))
    s = 1_000_000_000
    sent: list[Record] = [
        *records,
        Write(0, "hub", "2AD9", b"\x05\xc8\x00"),
        Write(100 * s, "hub", "2AD9", b"\x01"),
    ]
    result = study(record(bench, sorted(sent, key=lambda r: r.t_ns)))
    assert [segment.load for segment in result.segments] == ["held", "target", "target"]
    split = {x.group: x.deviation_percent for x in result.splits if x.by == "load"}
    blocks = {x.group: x.blocks for x in result.splits if x.by == "load"}
    assert split["held"] == pytest.approx(0.0, abs=0.5)
    assert split["target"] == pytest.approx(0.0, abs=0.6)
    # 90 s less settling and the last two seconds were held, the rest was not.
    assert (blocks["held"], blocks["target"]) == (7, 9)


def test_a_split_never_mixes_states() -> None:
    """The step of 4 % came with the change of load: no split may charge the load with it."""
    result = study(record(*scene_records(BEFORE_AFTER)))
    first, last = result.instruments["heron"].states
    assert last.opened_by.kind == "step"
    assert last.deviation_percent == pytest.approx((first.deviation_percent or 0.0) + 4.0, abs=0.6)
    assert all(x.deviation_percent == pytest.approx(4.0, abs=0.8) for x in result.splits)


# -- segments that nobody named


def test_a_ride_that_nobody_divided_is_divided_and_says_so() -> None:
    bench, records = evening_records()
    bare = msgspec.structs.replace(bench, protocol=None)
    result = study(record(bare, without_segments(records)))
    assert all(s.found and "(found)" in s.name for s in result.segments)
    names = [s.name for s in result.segments]
    assert any(name.startswith("sprint") for name in names)
    assert any(name.startswith("over/unders") for name in names)
    assert any(name.startswith("steady 2") for name in names)
    sprint = next(s for s in result.segments if s.kind == "sprint")
    assert sprint.start_s == pytest.approx(270.0, abs=3.0)
    assert sprint.end_s == pytest.approx(282.0, abs=3.0)
    steady = next(s for s in result.segments if s.name.startswith("steady 2"))
    assert steady.start_s == pytest.approx(25.0, abs=8.0)


def test_a_protocol_without_acts_is_laid_on_the_ride_by_its_shape() -> None:
    bench, records = evening_records()
    recording = record(bench, without_segments(records))
    spans = spans_of(recording)
    assert bench.protocol is not None
    assert [s.name for s in spans] == [s.name for s in bench.protocol.segments]
    assert spans[0].start_s == pytest.approx(0.0, abs=2.0)


def test_a_strange_protocol_is_not_laid_on_a_ride() -> None:
    text = "".join(
        f'[[segment]]\nname = "b{k}"\nseconds = 60\ntarget_w = {100 + 50 * (k % 3)}\n' for k in range(5)
    )
    rng = np.random.default_rng(3)
    assert plan_start(parse_protocol(text), 200.0 + 20.0 * rng.standard_normal(600)) is None


def test_each_kind_of_riding_is_found_in_a_made_up_ride() -> None:
    rng = np.random.default_rng(11)
    over_under = np.tile(np.repeat([290.0, 180.0], 30), 5)
    sprint = np.array([400.0, 700.0, 820.0, 800.0, 780.0, 740.0, 700.0, 640.0])
    plan = [
        np.full(180, 200.0), np.linspace(120.0, 320.0, 240), np.full(60, 100.0), over_under,
        np.full(90, 110.0), sprint, np.full(120, 150.0), np.zeros(60),
        200.0 + 90.0 * np.sin(np.arange(300) / 9.0) + 40.0 * rng.standard_normal(300),
    ]  # fmt: skip
    power = np.concatenate(plan) + 4.0 * rng.standard_normal(sum(map(len, plan)))
    power = np.maximum(power, 0.0)
    power[-360:-300] = 0.0
    spans = find_segments(power, np.full(len(power), 90.0))
    kinds = [s.kind for s in spans]
    assert kinds[:3] == ["block", "ramp", "block"]
    assert "over-under" in kinds
    assert "sprint" in kinds
    assert kinds[-1] == "free"
    ramp = spans[1]
    assert (ramp.start_s, ramp.end_s) == pytest.approx((180.0, 420.0), abs=12.0)
    cycles = next(s for s in spans if s.kind == "over-under")
    assert (cycles.start_s, cycles.end_s) == pytest.approx((480.0, 780.0), abs=12.0)
    assert all(a.end_s <= b.start_s + 1e-9 for a, b in pairwise(spans))


def test_a_change_of_cadence_parts_a_steady_load() -> None:
    power = 200.0 + 3.0 * np.random.default_rng(2).standard_normal(240)
    rpm = np.concatenate([np.full(120, 100.0), np.full(120, 62.0)])
    first, second = find_segments(power, rpm)
    assert first.end_s == second.start_s == pytest.approx(120.0, abs=6.0)


def test_nothing_ridden_has_no_segments_and_no_verdicts() -> None:
    assert find_segments(np.zeros(400), np.zeros(400)) == []
    assert find_segments(np.zeros(0), np.zeros(0)) == []


def test_a_session_of_no_seconds_is_studied() -> None:
    bench, _ = evening_records()
    result = study(record(bench, [Act(0, "segment", "never ridden")]))
    assert result.segments == []
    assert all(i.serves_as_reference == "undecided" for i in result.instruments.values())


# -- pieces


def test_mean_maximal_power_of_a_worked_example() -> None:
    told = vector("mmp-7")
    power = np.array(told["input"]["power_1hz"], dtype=np.float64)
    for seconds, watts in told["expected"]["best"].items():
        best = best_mean(power, int(seconds))
        assert best is not None
        assert best[0] == pytest.approx(watts, abs=1e-9)


def test_mean_maximal_power_is_that_of_trying_every_window() -> None:
    rng = np.random.default_rng(8)
    power = np.abs(np.cumsum(rng.standard_normal(900))) * 10.0
    power[[100, 101, 400]] = np.nan
    for seconds in (1, 3, 5, 15, 60, 300):
        windows = [power[k : k + seconds] for k in range(len(power) - seconds + 1)]
        means = [w.mean() if np.isfinite(w).all() else -1.0 for w in windows]
        best = best_mean(power, seconds)
        if max(means) < 0.0:
            assert best is None
            continue
        assert best is not None
        assert best == (pytest.approx(max(means), abs=1e-9), int(np.argmax(means)))
    assert best_mean(power, 901) is None


def test_published_efficiency_at_the_published_powers() -> None:
    # Wilson, Bicycling Science, 3rd ed.: clean derailleur drive, sprockets of 24, 19 and 13 teeth.
    told = vector("drivetrain-loss")["input"]
    rows = list(told["efficiency_percent"].values())
    for k, power_w in enumerate(told["power_W"]):
        low, high = published_efficiency(float(power_w))
        assert low == pytest.approx(min(row[k] for row in rows), abs=1e-9)
        assert high == pytest.approx(max(row[k] for row in rows), abs=1e-9)
    assert published_efficiency(800.0) == published_efficiency(400.0)
    # Between them: the fitted losses of the same table, watts and percent (each fit is good to 0.25 W).
    fits = vector("drivetrain-loss")["expected"]
    at = 150.0
    fitted = [
        100.0 * (1.0 - b) - 100.0 * a / at
        for a, b in zip(fits["a_W"].values(), fits["b"].values(), strict=True)
    ]
    low, high = published_efficiency(at)
    assert low == pytest.approx(min(fitted), abs=0.4)
    assert high == pytest.approx(max(fitted), abs=0.4)


def test_moving_by_a_lag_keeps_the_work() -> None:
    rng = np.random.default_rng(4)
    power = 200.0 + 50.0 * rng.standard_normal(200)
    for lag_s in (0.4, 1.7, -2.3):
        shifted = moved(power, lag_s)
        inside = np.isfinite(shifted)
        first, last = int(np.flatnonzero(inside)[0]), int(np.flatnonzero(inside)[-1])
        total = np.concatenate(([0.0], np.cumsum(power)))
        ends = np.interp([first + lag_s, last + 1 + lag_s], np.arange(201.0), total)
        assert shifted[inside].sum() == pytest.approx(ends[1] - ends[0], rel=1e-12)
    holes = power.copy()
    holes[50] = np.nan
    assert np.isnan(moved(holes, 0.5)[[49, 50]]).all()
    assert np.isfinite(moved(holes, 0.5)[51:199]).all()


def test_a_late_instrument_is_found_late_and_costs_no_verdict() -> None:
    recording = evening_recording()
    cells = recording.cells.copy()
    cells[2:, 1] = recording.cells[:-2, 1]
    cells[:2, 1] = 0.0
    result = study(dataclasses.replace(recording, cells=cells))
    lag = result.instruments["pedals"].lag_s
    assert lag == pytest.approx(2.0, abs=0.15)
    plain = study(recording)
    now, then = (difference(x, "steady 250", "pedals").deviation_percent for x in (result, plain))
    assert now == pytest.approx(then, abs=0.15)


def steady(seconds: int, lag_s: int, seed: int) -> Any:
    """The evening's bench on a ride without a step: a rider's own unrest about 200 W (first order
    autoregression of 0.9, 6 W), 2 W of each instrument's own; the second instrument comes later."""
    rng = np.random.default_rng(seed)
    recording = evening_recording()
    unrest = np.zeros(seconds + 20)
    for k in range(1, len(unrest)):
        unrest[k] = 0.9 * unrest[k - 1] + 6.0 * math.sqrt(1.0 - 0.81) * rng.standard_normal()
    cells = np.zeros((seconds, *recording.cells.shape[1:]))
    for i in range(cells.shape[1]):
        by_s = lag_s if i == 1 else 0
        power = 200.0 + unrest[10 - by_s : 10 - by_s + seconds] + 2.0 * rng.standard_normal(seconds)
        cells[:, i, WORK], cells[:, i, LEFT] = power, 0.5 * power
        cells[:, i, REVS] = 1.5
        cells[:, i, [SIDED, COVERED, TURNED]] = 1.0
    return dataclasses.replace(recording, cells=cells, seconds=float(seconds), acts=[], findings=[])


@pytest.mark.parametrize("lag_s", [0, 2, 4])
def test_without_a_step_the_slopes_tell_the_lag_and_how_sure_that_is(lag_s: int) -> None:
    inside = 0
    for seed in range(20):
        grid = Grid(steady(600, lag_s, seed))
        delay = grid.lags[1]
        assert delay.correlation is None, "there was no step"
        assert delay.u95_s is not None
        assert delay.bound_s < UNKNOWN_LAG_S / 2.0
        inside += abs(delay.lag_s - lag_s) <= delay.u95_s
    assert inside >= 18


@pytest.mark.parametrize("minutes", [4, 16])
def test_a_lag_from_steps_is_told_with_its_spread(minutes: int) -> None:
    inside = 0
    for seed in range(20):
        recording = steady(60 * minutes, 2, seed)
        for k in range(30, 60 * minutes, 60):
            recording.cells[k : k + 30, :, WORK] += 100.0
        # The second instrument shows the steps, too, two seconds later.
        recording.cells[:, 1, WORK] -= 100.0 * (np.arange(60 * minutes) // 30 % 2)
        recording.cells[2:, 1, WORK] += 100.0 * (np.arange(60 * minutes - 2) // 30 % 2)
        recording.cells[:, :, LEFT] = 0.5 * recording.cells[:, :, WORK]
        delay = Grid(recording).lags[1]
        assert delay.correlation is not None
        assert delay.u95_s is not None
        inside += abs(delay.lag_s - 2.0) <= delay.u95_s
    assert inside >= 18


def test_a_short_quiet_ride_tells_no_lag() -> None:
    grid = Grid(steady(60, 2, 1))
    assert grid.lags == {}
    assert grid.lag_bound_s(1) == UNKNOWN_LAG_S
    assert grid.lag_s(1) == 0.0


def test_a_grid_knows_whose_claims_count() -> None:
    grid = Grid(evening_recording())
    assert grid.limit_percent(1, 1000.0) == pytest.approx(math.hypot(1.0, 1.0))
    assert grid.limit_percent(2, 100.0) == pytest.approx(3.0)  # the floor of 3 W
    assert grid.reference_label(0) is None
    assert grid.reference_label(3) is None
