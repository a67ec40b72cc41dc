"""The scene: its bytes are decoded again and held against the truth of the ride."""

import itertools
import math
import statistics
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
import pytest

from capture.control import (
    answer_words,
    crank_length_request,
    set_crank_length_request,
    take_control_requests,
    target_power_request,
    zero_offset_request,
)
from capture.log import read_log, to_log
from capture.profiles import ant_common, ant_power, ant_trainer, cycling_power, decode, fitness_machine
from capture.record import Act, End, Link, Packet, Record, Reported, Tick
from capture.sample import Reading
from capture.scene import Scene, SceneError, evening
from capture.scene.definition import FaultKind, parse
from capture.scene.rider import PIECE_S, Rider
from capture.source import Wanted
from monitor.setup.bench import parse_bench
from tests.helpers import ant_means

FIXTURES = Path(__file__).parent.parent / "fixtures" / "scenes"
S = 1_000_000_000
TWO_PI = 2.0 * math.pi
LSB_NM = 1.0 / 32.0

STEADY = [{"name": "steady", "seconds": 120, "target_w": 220, "cadence_rpm": 90}]
EXACT = {"noise_percent": 0.0, "retransmit_percent": 0.0, "loss_percent": 0.0}


def scene(
    instruments: Mapping[str, Mapping[str, Any]],
    segments: Sequence[Mapping[str, Any]] = STEADY,
    profile: str | None = None,
    **more: Any,
) -> Scene:
    table = {"seed": 5, "segment": list(segments), "instrument": dict(instruments), **more}
    return Scene(table, [Wanted(label, f"scene:{label}", profile) for label in instruments])


def packets(records: Sequence[Record], label: str, channel: str) -> list[Packet]:
    return [r for r in records if isinstance(r, Packet) and r.instrument == label and r.channel == channel]


def pages(records: Sequence[Record], label: str, number: int) -> list[tuple[float, bytes]]:
    return [
        (r.t_ns / S, r.data)
        for r in records
        if isinstance(r, Packet) and r.instrument == label and r.data[0] == number
    ]


def measurements(records: Sequence[Record], label: str) -> list[tuple[float, cycling_power.Measurement]]:
    return [
        (packet.t_ns / S, cycling_power.Measurement.from_bytes(packet.data))
        for packet in packets(records, label, "2A63")
    ]


def links(records: Sequence[Record], label: str) -> list[tuple[float, str]]:
    return [(r.t_ns / S, r.state) for r in records if isinstance(r, Link) and r.instrument == label]


class Revolution(msgspec.Struct):
    """What really happened in the revolution that ends with a count of a crank sensor."""

    end_s: float
    left_j: float
    right_j: float
    seconds: float

    @property
    def power_w(self) -> float:
        return (self.left_j + self.right_j) / self.seconds


def revolutions(played: Scene, label: str, truth: Rider) -> list[Revolution]:
    """The true revolutions of a crank sensor; only the angle at which it counts is asked of it."""
    sensor = played._run._instruments[label].sensor  # type: ignore[union-attr]
    events = []
    revs, piece = sensor._phase, 0
    while revs < truth.crank_revs(played.end_s or 0.0):
        events.append(truth.crank_event(revs, piece))
        piece = events[-1].piece
        revs += 1.0
    return [
        Revolution(b.t, b.left_j - a.left_j, b.right_j - a.right_j, b.t - a.t)
        for a, b in itertools.pairwise(events)
    ]


def matched(
    played: Scene, records: Sequence[Record], label: str
) -> Iterator[tuple[float, cycling_power.Measurement, cycling_power.Measurement, Revolution]]:
    """Consecutive notifications of one new event each, with the true revolution between them."""
    true = revolutions(played, label, played.truth())
    at = -1
    for (_, before), (t_s, after) in itertools.pairwise(measurements(records, label)):
        if after.crank_event_1024ths == before.crank_event_1024ths:
            continue
        # A packet arrives 4 ms or more after its event, and before the next one.
        while at + 1 < len(true) and true[at + 1].end_s <= t_s - 0.004:
            at += 1
        if at >= 0:
            yield t_s, before, after, true[at]


# -- the ride ---------------------------------------------------------------------------


def ride(segments: Sequence[Mapping[str, Any]], **rider: Any) -> Rider:
    return scene({"x": {"kind": "cadence"}}, segments, rider=rider).truth()


def test_work_is_the_integral_of_torque_over_the_angle():
    # The closed form against a plain trapezoid rule over small steps of the same torque.
    truth = ride(STEADY, left_share=0.53, left_share_per_100w=0.02)
    for at_s in (7.0, 33.25, 80.1):
        piece = truth._piece(at_s)
        t = np.linspace(piece.t_0, piece.t_0 + PIECE_S, 20001)
        s = t - piece.t_0
        revs = piece.crank_0 + piece.crank_rate_0 * s + piece.crank_half_slope * s**2
        x = TWO_PI * (revs - 0.25)
        wave_left = 1.0 + 1.3 * np.cos(x) + 0.5 * np.cos(2 * x)
        wave_right = 1.0 - 1.3 * np.cos(x) + 0.5 * np.cos(2 * x)
        end = piece.t_0 + PIECE_S - 1e-12
        left_j, right_j = truth.work_j(end)
        assert left_j - piece.left_0 == pytest.approx(piece.left_per_rev * np.trapezoid(wave_left, revs))
        assert right_j - piece.right_0 == pytest.approx(piece.right_per_rev * np.trapezoid(wave_right, revs))
        assert truth.crank_revs(end) - piece.crank_0 == pytest.approx(revs[-1] - revs[0])


def test_ride_is_continuous_and_events_are_where_the_crank_passes():
    truth = ride(
        [*STEADY, {"name": "c", "seconds": 5, "coast": True}, {"name": "f", "seconds": 30, "free": True}]
    )
    for at_s in np.arange(PIECE_S, 150.0, PIECE_S):
        assert truth.crank_revs(at_s) == pytest.approx(truth.crank_revs(at_s - 1e-9), abs=1e-7)
        assert truth.wheel_revs(at_s) == pytest.approx(truth.wheel_revs(at_s - 1e-9), abs=1e-7)
        assert sum(truth.work_j(at_s)) == pytest.approx(sum(truth.work_j(at_s - 1e-9)), abs=1e-4)
        assert truth.hub_work_j(at_s) == pytest.approx(truth.hub_work_j(at_s - 1e-9), abs=1e-4)
    for revs in np.arange(0.3, 150.0, 7.7):
        event = truth.crank_event(revs)
        assert truth.crank_revs(event.t) == pytest.approx(revs, abs=1e-9)
        assert truth.work_j(event.t) == pytest.approx((event.left_j, event.right_j), abs=1e-6)
        turn = truth.wheel_event(revs)
        assert truth.wheel_revs(turn.t) == pytest.approx(revs, abs=1e-9)
        assert truth.hub_work_j(turn.t) == pytest.approx(turn.hub_j, abs=1e-6)


def mean_w(truth: Rider, begin_s: float, end_s: float) -> float:
    return (sum(truth.work_j(end_s)) - sum(truth.work_j(begin_s))) / (end_s - begin_s)


def test_segments_are_ridden_as_they_ask():
    segments: list[dict[str, Any]] = [
        {"name": "steady", "seconds": 60, "target_w": 200, "cadence_rpm": 92},
        {"name": "ramp", "seconds": 100, "ramp_w": [100, 300]},
        {"name": "over/under", "seconds": 60, "over_under_w": [150, 250], "period_s": 20},
        {"name": "low", "seconds": 40, "target_w": 200, "cadence_rpm": 55},
        {"name": "sprint", "seconds": 15, "sprint": 800},
        {"name": "coast", "seconds": 10, "coast": True},
        {"name": "free", "seconds": 300, "free": 160},
        {"name": "stand", "seconds": 10, "stand": True},
    ]
    truth = ride(segments, variability_percent=0.0, cadence_variability_rpm=0.0, ripple=0.0)
    assert mean_w(truth, 20, 60) == pytest.approx(200, abs=0.01)
    assert (truth.crank_revs(60) - truth.crank_revs(20)) * 1.5 == pytest.approx(92, abs=0.01)
    assert mean_w(truth, 105, 115) == pytest.approx(200, abs=3)  # a rider follows a ramp with a lag
    assert mean_w(truth, 165, 170) == pytest.approx(150, abs=1)
    assert mean_w(truth, 175, 180) == pytest.approx(250, abs=1)
    assert 60 * truth.crank_rate(250) == pytest.approx(55, abs=0.01)
    assert 500 < max(mean_w(truth, t, t + 1) for t in range(260, 275)) < 800
    assert mean_w(truth, 276, 285) == 0.0
    assert truth.crank_rate(284) == 0.0
    assert truth.wheel_rate(284) > 0.5
    assert mean_w(truth, 290, 585) == pytest.approx(160, rel=0.15)
    powers = [mean_w(truth, t, t + 5) for t in range(300, 580, 5)]
    assert statistics.stdev(powers) > 10.0
    assert truth.wheel_rate(594) == 0.0


def test_unsteadiness_is_autocorrelated_and_of_the_size_asked_for():
    truth = ride([{**STEADY[0], "seconds": 3000}], variability_percent=3.0, ripple=0.0)
    powers = np.array([mean_w(truth, t, t + 1) for t in range(20, 2999)])
    assert powers.mean() == pytest.approx(220, rel=0.01)
    assert powers.std() / 220 == pytest.approx(0.03, rel=0.2)
    centred = powers - powers.mean()
    assert (centred[1:] * centred[:-1]).mean() / centred.var() > 0.6


def test_left_share_and_its_change_with_power():
    segments = [
        {"name": "a", "seconds": 100, "target_w": 200},
        {"name": "b", "seconds": 100, "target_w": 300},
    ]
    truth = ride(segments, left_share=0.48, left_share_per_100w=0.03)
    for begin_s, share in ((10, 0.48), (110, 0.51)):
        (l_0, r_0), (l_1, r_1) = truth.work_j(begin_s), truth.work_j(begin_s + 90)
        assert (l_1 - l_0) / (l_1 - l_0 + r_1 - r_0) == pytest.approx(share, abs=0.003)


def test_hub_gets_what_the_drivetrain_leaves():
    # loss = a + b P; 2.61 W + 0.97 % fits published bench figures of one gear.
    played = scene(
        {"x": {"kind": "cadence"}},
        rider={"variability_percent": 0.0, "ripple": 0.0},
        drivetrain_loss=[2.61, 0.97],
    )
    truth = played.truth()
    hub_w = (truth.hub_work_j(110) - truth.hub_work_j(20)) / 90
    assert hub_w == pytest.approx(220 - 2.61 - 0.0097 * 220, abs=0.02)


# -- energy: decoded accumulators against the truth -------------------------------------


@pytest.mark.parametrize("sync", ["crank", "time"])
def test_bluetooth_torque_and_balance_are_the_truth_within_rounding(sync: str):
    crank = {"kind": "crank", "sync": sync, "gain": 1.03, "gain_left": 0.98, "offset_right_nm": 0.4, **EXACT}
    played = scene({"x": crank})
    records = list(played.records())
    told = measurements(records, "x")
    true = revolutions(played, "x", played.truth())
    left = np.array([r.left_j / TWO_PI * 1.03 * 0.98 for r in true])
    right = np.array([r.right_j / TWO_PI * 1.03 + 0.4 for r in true])
    sums = np.concatenate([[0.0], np.cumsum(left + right)])
    first = told[0][1]
    assert first.crank_revs is not None
    # Revolutions before the link stood are in no packet: the sum is known up to its beginning.
    begin = next(k for k, r in enumerate(true) if r.end_s > told[0][0]) - 1
    last = told[-1][1]
    turned = (last.crank_revs - first.crank_revs) & 0xFFFF  # type: ignore[operator]
    assert turned > 150
    for _, measurement in told:
        revs = (measurement.crank_revs - first.crank_revs) & 0xFFFF  # type: ignore[operator]
        expected = sums[begin + 1 + revs] - sums[begin + 1]
        torque = (measurement.torque_sum_32nds - first.torque_sum_32nds) & 0xFFFF  # type: ignore[operator]
        wrapped = (torque - 32.0 * expected + 32768) % 65536 - 32768
        assert abs(wrapped) <= 1.01
        assert measurement.balance_is_left
        assert measurement.torque_at_crank
    if sync == "crank":
        for _, _, after, revolution in matched(played, records, "x"):
            tl, tr = revolution.left_j / TWO_PI * 1.03 * 0.98, revolution.right_j / TWO_PI * 1.03 + 0.4
            assert after.power_w == pytest.approx(TWO_PI * (tl + tr) / revolution.seconds, abs=0.51)
            assert after.balance_half_percent == pytest.approx(200 * tl / (tl + tr), abs=0.51)


def test_event_times_are_those_of_the_crank():
    played = scene({"x": {"kind": "pedals", **EXACT}})
    records = list(played.records())
    for _, before, after, revolution in matched(played, records, "x"):
        ticks = (after.crank_event_1024ths - before.crank_event_1024ths) & 0xFFFF  # type: ignore[operator]
        revs = (after.crank_revs - before.crank_revs) & 0xFFFF  # type: ignore[operator]
        if revs == 1:
            assert abs(ticks - 1024 * revolution.seconds) <= 1.01


def test_ant_crank_torque_is_the_truth_within_rounding():
    played = scene({"x": {"kind": "crank", "radio": "ant", "gain": 0.97, **EXACT}})
    records = list(played.records())
    found = [ant_power.CrankTorque.from_bytes(data) for _, data in pages(records, "x", 0x12)]
    assert len(found) > 150  # three slots of eight
    first, last = found[0], found[-1]
    events = torque = period = 0
    for before, after in itertools.pairwise(found):
        events += (after.event_count - before.event_count) & 0xFF
        torque += (after.torque_raw - before.torque_raw) & 0xFFFF
        period += (after.period_raw - before.period_raw) & 0xFFFF
        assert (after.ticks - before.ticks) & 0xFF == (after.event_count - before.event_count) & 0xFF
    assert first != last
    times = [t for t, _ in pages(records, "x", 0x12)]
    true = [r for r in revolutions(played, "x", played.truth()) if times[0] < r.end_s < times[-1]]
    assert abs(events - len(true)) <= 1
    true = true[-events:]
    work_j = sum(r.left_j + r.right_j for r in true)
    assert TWO_PI * torque / 32 == pytest.approx(0.97 * work_j, abs=0.97 * 220 + 1)
    assert period / 2048 == pytest.approx(sum(r.seconds for r in true), abs=1.0)
    # The profile's own formula for two pages: power = 128 pi dT / dP.
    by_event: dict[int, ant_power.CrankTorque] = {}
    for page in found:
        by_event.setdefault(page.event_count, page)
    means = [ant_means.mean_torque(a, b) for a, b in itertools.pairwise(found)]
    powers = [mean.power_w for mean in means if mean is not None]
    assert statistics.fmean(powers[20:]) == pytest.approx(0.97 * mean_w(played.truth(), 20, 120), rel=0.01)


def test_ant_power_only_sums_the_power_of_each_event():
    played = scene({"x": {"kind": "crank", "radio": "ant", **EXACT}})
    records = list(played.records())
    found = [ant_power.PowerOnly.from_bytes(data) for _, data in pages(records, "x", 0x10)]
    for before, after in itertools.pairwise(found):
        events = (after.event_count - before.event_count) & 0xFF
        added = (after.power_sum_w - before.power_sum_w) & 0xFFFF
        if events == 0:
            assert added == 0
        elif events == 1:
            assert added == after.power_w
        assert after.is_right
    true = {round(r.power_w): r for r in revolutions(played, "x", played.truth())}
    assert all(page.power_w in true for page in found[5:])


@pytest.mark.parametrize("radio", ["bluetooth", "ant"])
def test_wheel_torque_is_the_work_at_the_hub(radio: str):
    played = scene({"x": {"kind": "hub", "radio": radio, "gain": 1.02, **EXACT}})
    records = list(played.records())
    truth = played.truth()
    if radio == "bluetooth":
        found = [(t, m.wheel_revs, m.torque_sum_32nds) for t, m in measurements(records, "x")]
        assert not any(m.torque_at_crank for _, m in measurements(records, "x"))
    else:
        wheel = [(t, ant_power.WheelTorque.from_bytes(data)) for t, data in pages(records, "x", 0x11)]
        found = [(t, page.ticks, page.torque_raw) for t, page in wheel]
    revs = torque = 0
    for (_, revs_0, torque_0), (_, revs_1, torque_1) in itertools.pairwise(found):
        revs += (revs_1 - revs_0) & 0xFF  # type: ignore[operator]
        torque += (torque_1 - torque_0) & 0xFFFF  # type: ignore[operator]
    begin_s, end_s = found[0][0], found[-1][0]
    assert revs == pytest.approx(truth.wheel_revs(end_s) - truth.wheel_revs(begin_s), abs=2.0)
    work_j = truth.hub_work_j(end_s) - truth.hub_work_j(begin_s)
    # Arrival may lie one turn of the wheel (50 J at most) after the last event, at either end.
    assert TWO_PI * torque / 32 == pytest.approx(1.02 * work_j, abs=110)
    assert work_j > 20_000


def test_trainer_power_is_the_mean_of_its_interval():
    trainer = {"kind": "trainer", "rate_hz": 2.0, **EXACT}
    played = scene({"x": trainer}, profile="fitness-machine")
    truth_and_told = []
    records = list(played.records())
    truth = played.truth()
    for packet in packets(records, "x", "2AD2"):
        bike = fitness_machine.IndoorBikeData.from_bytes(packet.data)
        truth_and_told.append(
            (packet.t_ns / S, bike.power_w, bike.cadence_half_rpm, bike.speed_hundredths_kmh)
        )
    assert len(truth_and_told) == pytest.approx(240, abs=3)
    energy_j = sum(power_w for _, power_w, _, _ in truth_and_told) * 0.5  # type: ignore[misc]
    begin_s, end_s = truth_and_told[0][0] - 0.5, truth_and_told[-1][0]
    work_j = truth.hub_work_j(end_s) - truth.hub_work_j(begin_s)
    assert energy_j == pytest.approx(work_j, abs=60)
    cadences = [cadence / 2 for t, _, cadence, _ in truth_and_told if t > 20]  # type: ignore[operator]
    assert statistics.fmean(cadences) == pytest.approx(
        60 * (truth.crank_revs(120) - truth.crank_revs(20)) / 100, abs=0.3
    )
    speed_kmh = statistics.fmean(s / 100 for t, _, _, s in truth_and_told if t > 20)  # type: ignore[operator]
    assert speed_kmh == pytest.approx(90 / 60 * 50 / 17 * 2.105 * 3.6, rel=0.02)


def test_ant_trainer_sums_its_power():
    trainer = {"kind": "trainer", "radio": "ant", "rate_hz": 4.0, **EXACT}
    played = scene({"x": trainer}, profile="fitness-machine")
    records = list(played.records())
    found = [(t, ant_trainer.TrainerData.from_bytes(data)) for t, data in pages(records, "x", 0x19)]
    events = summed = 0
    for (_, before), (_, after) in itertools.pairwise(found):
        events += (after.event_count - before.event_count) & 0xFF
        summed += (after.power_sum_w - before.power_sum_w) & 0xFFFF
    truth = played.truth()
    span_s = found[-1][0] - found[0][0]
    assert events / span_s == pytest.approx(4.0, abs=0.05)
    work_j = truth.hub_work_j(found[-1][0]) - truth.hub_work_j(found[0][0])
    assert summed / 4.0 == pytest.approx(work_j, abs=120)
    assert found[-1][1].state == "in use"
    general = [ant_trainer.General.from_bytes(data) for _, data in pages(records, "x", 0x10)]
    assert general[-1].speed_mps == pytest.approx(9.3, rel=0.1)


def test_time_synchronous_ant_sensor_goes_on_counting_at_rest():
    # As the public plug-in reference tells: events go on, period and ticks stand still.
    spider = {"kind": "spider", "radio": "ant", "sync": "time", "rate_hz": 4.0, **EXACT}
    segments = [*STEADY, {"name": "stand", "seconds": 20, "stand": True}]
    records = list(scene({"x": spider}, segments).records())
    found = [(t, ant_power.CrankTorque.from_bytes(data)) for t, data in pages(records, "x", 0x12)]
    resting = [page for t, page in found if t > 124]
    assert len({page.event_count for page in resting}) > 20
    assert len({(page.period_raw, page.ticks, page.torque_raw) for page in resting}) == 1
    riding = [page for t, page in found if 20 < t < 118]
    means = [ant_means.mean_torque(a, b) for a, b in itertools.pairwise(riding)]
    powers = [mean.power_w for mean in means if mean is not None]
    assert statistics.fmean(powers) == pytest.approx(220, rel=0.03)
    rpms = [mean.rpm for mean in means if mean is not None]
    assert statistics.fmean(rpms) == pytest.approx(90, rel=0.02)


def test_resting_crank_repeats_its_last_event_and_shows_nothing():
    segments = [*STEADY, {"name": "stand", "seconds": 20, "stand": True}]
    instruments = {"b": {"kind": "crank", **EXACT}, "a": {"kind": "crank", "radio": "ant", **EXACT}}
    records = list(scene(instruments, segments).records())
    resting = [m for t, m in measurements(records, "b") if t > 126]
    assert len(resting) >= 12
    assert {m.power_w for m in resting} == {0}
    assert len({(m.crank_revs, m.crank_event_1024ths, m.torque_sum_32nds) for m in resting}) == 1
    last = [ant_power.PowerOnly.from_bytes(data) for t, data in pages(records, "a", 0x10) if t > 126]
    assert {(page.power_w, page.cadence_rpm) for page in last} == {(0, 0)}
    assert len({page.event_count for page in last}) == 1


@pytest.mark.parametrize("radio", ["bluetooth", "ant"])
@pytest.mark.parametrize("kind", ["cadence", "speed-cadence"])
def test_counting_sensors_count(radio: str, kind: str):
    played = scene({"x": {"kind": kind, "radio": radio, **EXACT}})
    records = list(played.records())
    truth = played.truth()
    channel = {"bluetooth": "2A5B", "ant": "ant122" if kind == "cadence" else "ant121"}[radio]
    found = [(p.t_ns / S, decode(channel, p.data)) for p in packets(records, "x", channel)]
    first, last = found[0], found[-1]
    turned = (last[1].crank_revs - first[1].crank_revs) & 0xFFFF  # type: ignore[operator]
    assert turned == pytest.approx(truth.crank_revs(last[0]) - truth.crank_revs(first[0]), abs=1.0)
    if kind == "speed-cadence":
        wheel = (last[1].wheel_revs - first[1].wheel_revs) & 0xFFFF  # type: ignore[operator]
        assert wheel == pytest.approx(truth.wheel_revs(last[0]) - truth.wheel_revs(first[0]), abs=2.0)
    else:
        assert last[1].wheel_revs is None


def test_single_sided_doubles_the_left_and_a_spider_sees_both():
    instruments = {"left": {"kind": "single-sided", **EXACT}, "all": {"kind": "spider", **EXACT}}
    played = scene(instruments, rider={"left_share": 0.53})
    records = list(played.records())
    for _, _, after, revolution in matched(played, records, "left"):
        assert after.power_w == pytest.approx(2 * revolution.left_j / revolution.seconds, abs=0.51)
        assert after.balance_half_percent is None
    for _, _, after, revolution in matched(played, records, "all"):
        assert after.power_w == pytest.approx(revolution.power_w, abs=0.51)


def test_wrong_crank_length_is_a_scale_error_of_what_measures_force():
    length = {"crank_length_mm": 175.0, **EXACT}
    played = scene(
        {"x": {"kind": "pedals", **length}, "y": {"kind": "spider", **length}}, crank_length_mm=170.0
    )
    records = list(played.records())
    for label, factor in (("x", 175 / 170), ("y", 1.0)):
        for _, _, after, revolution in matched(played, records, label):
            assert after.power_w == pytest.approx(factor * revolution.power_w, abs=0.51)


def test_smoothing_averages_over_revolutions():
    played = scene(
        {"x": {"kind": "spider", "smoothing_revs": 4, **EXACT}}, rider={"variability_percent": 6.0}
    )
    records = list(played.records())
    torques = []
    for _, _, after, revolution in matched(played, records, "x"):
        torques.append((revolution.left_j + revolution.right_j) / TWO_PI)
        if len(torques) > 4:
            mean_nm = statistics.fmean(torques[-4:])
            assert after.power_w == pytest.approx(TWO_PI * mean_nm / revolution.seconds, abs=0.51)


def test_delay_is_between_the_event_and_its_packet():
    arrivals = {}
    for delay_s in (0.0, 0.9):
        records = list(scene({"x": {"kind": "crank", "delay_s": delay_s, **EXACT}}).records())
        arrivals[delay_s] = {m.crank_event_1024ths: t for t, m in reversed(measurements(records, "x"))}
    both = arrivals[0.0].keys() & arrivals[0.9].keys()
    assert len(both) > 80  # the tick is unique for 64 s, within which it is the same event
    lags = sorted(arrivals[0.9][ticks] - arrivals[0.0][ticks] for ticks in both)
    assert statistics.median(lags) == pytest.approx(0.9, abs=0.03)


# -- faults -----------------------------------------------------------------------------

AT_S, UNTIL_S = 40.0, 80.0


def faulty(fault: FaultKind, **more: Any) -> tuple[Scene, list[Record]]:
    script = {"at": AT_S, "until": UNTIL_S, "fault": fault, **more}
    crank = {"kind": "crank", "faults": [script], **EXACT}
    played = scene({"x": crank}, rider={"left_share": 0.52, "variability_percent": 4.0})
    return played, list(played.records())


def healthy_w(revolution: Revolution) -> tuple[float, float]:
    return revolution.left_j / revolution.seconds, revolution.right_j / revolution.seconds


EXPECTED = {
    "gain-right": ("gain", {"side": "right", "size": 8.0}, lambda a, b, w: (a, 1.08 * b)),
    "gain-left": ("gain", {"side": "left", "size": -5.0}, lambda a, b, w: (0.95 * a, b)),
    "gain": ("gain", {"size": 3.0}, lambda a, b, w: (1.03 * a, 1.03 * b)),
    "offset-right": ("offset", {"side": "right", "size": 2.0}, lambda a, b, w: (a, b + 2.0 * w)),
    "offset": ("offset", {"size": -1.0}, lambda a, b, w: (a - 0.5 * w, b - 0.5 * w)),
    "doubled": ("doubled", {"side": "left"}, lambda a, b, w: (a, a)),
    "doubled-right": ("doubled", {"side": "right"}, lambda a, b, w: (b, b)),
    "swapped": ("swapped", {}, lambda a, b, w: (b, a)),
    "no-power": ("no-power", {}, lambda a, b, w: (0.0, 0.0)),
    "clip": ("clip", {"size": 215.0}, lambda a, b, w: _clipped(a, b, 215.0)),
}


def _clipped(left_w: float, right_w: float, limit_w: float) -> tuple[float, float]:
    factor = min(1.0, limit_w / (left_w + right_w))
    return factor * left_w, factor * right_w


@pytest.mark.parametrize("name", EXPECTED)
def test_fault_of_the_torque_is_seen_exactly_as_scripted(name: str):
    fault, more, expected = EXPECTED[name]
    played, records = faulty(fault, **more)  # type: ignore[arg-type]
    wrong = 0
    for _, before, after, revolution in matched(played, records, "x"):
        left_w, right_w = healthy_w(revolution)
        acts = AT_S <= revolution.end_s < UNTIL_S
        true_w = left_w + right_w
        if acts:
            left_w, right_w = expected(left_w, right_w, TWO_PI / revolution.seconds)
            wrong += abs(left_w + right_w - true_w) > 1.0 or abs(left_w - right_w) < 0.1 or name == "swapped"
        assert after.power_w == pytest.approx(left_w + right_w, abs=0.51)
        if left_w + right_w > 0.0:
            assert after.balance_half_percent == pytest.approx(200 * left_w / (left_w + right_w), abs=0.51)
        revs = (after.crank_revs - before.crank_revs) & 0xFFFF  # type: ignore[operator]
        torque = (after.torque_sum_32nds - before.torque_sum_32nds) & 0xFFFF  # type: ignore[operator]
        if revs == 1:
            work_j = (left_w + right_w) * revolution.seconds
            assert TWO_PI * torque / 32 == pytest.approx(work_j, abs=TWO_PI / 32 * 1.01)
    assert wrong > 20


def test_stuck_power_with_a_live_counter():
    played, records = faulty("stuck")
    inside = [
        (after.power_w, after.crank_revs)
        for _, _, after, r in matched(played, records, "x")
        if 42 < r.end_s < 79
    ]
    assert len({power_w for power_w, _ in inside}) == 1
    assert len({revs for _, revs in inside}) == len(inside) > 40
    outside = {after.power_w for _, _, after, r in matched(played, records, "x") if r.end_s > 82}
    assert len(outside) > 10


def test_spike_is_one_event():
    crank = {"kind": "crank", "faults": [{"at": AT_S, "fault": "spike", "size": 700.0}], **EXACT}
    played = scene({"x": crank})
    excess = [
        (r.end_s, after.power_w - r.power_w)
        for _, _, after, r in matched(played, list(played.records()), "x")
    ]
    high = [(end_s, watts) for end_s, watts in excess if watts > 5]
    assert len(high) == 1
    assert high[0][1] == pytest.approx(700, abs=0.51)
    assert AT_S <= high[0][0] < AT_S + 0.8


def test_drift_grows_from_at_to_until_and_stays():
    played, records = faulty("drift", size=6.0)
    for _, _, after, r in matched(played, records, "x"):
        grown = 0.06 * min(1.0, max(0.0, (r.end_s - AT_S) / (UNTIL_S - AT_S)))
        assert after.power_w == pytest.approx((1 + grown) * r.power_w, abs=0.51)


@pytest.mark.parametrize(("fault", "factor"), [("cadence-doubled", 2.0), ("cadence-halved", 0.5)])
@pytest.mark.parametrize("kind", ["crank", "cadence"])
@pytest.mark.parametrize("radio", ["bluetooth", "ant"])
def test_miscounted_revolutions(fault: str, factor: float, kind: str, radio: str):
    script = {"at": AT_S, "until": UNTIL_S, "fault": fault}
    played = scene({"x": {"kind": kind, "radio": radio, "faults": [script], **EXACT}})
    records = list(played.records())
    readings = [
        (r.t_ns / S, reading)
        for r in records
        if isinstance(r, Packet) and (reading := decode(r.channel, r.data)).crank_revs is not None
    ]
    modulus = readings[0][1].crank_revs_modulus
    rates = {}
    for begin_s, end_s in ((10, 39), (42, 79), (82, 119)):
        inside = [(t, r.crank_revs) for t, r in readings if begin_s < t < end_s]
        turned = sum((b - a) % modulus for (_, a), (_, b) in itertools.pairwise(inside))  # type: ignore[operator]
        rates[begin_s] = 60 * turned / (inside[-1][0] - inside[0][0])
    assert rates[10] == pytest.approx(90, rel=0.05)
    assert rates[42] == pytest.approx(90 * factor, rel=0.05)
    assert rates[82] == pytest.approx(90, rel=0.05)
    if kind == "crank" and radio == "bluetooth":
        told = [m for t, m in measurements(records, "x") if 42 < t < 79]
        assert statistics.fmean(m.power_w for m in told) == pytest.approx(220, rel=0.04)
        # Torque belongs to the event that is told with it: it never moves without one.
        assert all(
            a.torque_sum_32nds == b.torque_sum_32nds
            for a, b in itertools.pairwise(told)
            if a.crank_event_1024ths == b.crank_event_1024ths
        )


def test_restart_begins_all_counters_at_zero():
    script = {"at": AT_S, "fault": "restart"}
    instruments = {
        "b": {"kind": "crank", "faults": [script], **EXACT},
        "a": {"kind": "crank", "radio": "ant", "faults": [script], **EXACT},
    }
    records = list(scene(instruments).records())
    after = next(m for t, m in measurements(records, "b") if t > AT_S + 0.3)
    assert after.crank_revs <= 2  # type: ignore[operator]
    assert after.crank_event_1024ths < 1024  # type: ignore[operator]
    assert after.torque_sum_32nds < 60 * 32  # type: ignore[operator]
    page = next(
        ant_power.CrankTorque.from_bytes(data) for t, data in pages(records, "a", 0x12) if t > AT_S + 0.3
    )
    assert page.event_count <= 1
    assert page.period_raw < 2048
    assert all(state != "down" for _, state in links(records, "b"))


def test_dropout_over_bluetooth_is_a_lost_link():
    _, records = faulty("dropout")
    assert [(t, state) for t, state in links(records, "x") if t > 1] == [
        (AT_S, "down"),
        (AT_S + 0.5, "searching"),
        (UNTIL_S, "connecting"),
        (UNTIL_S, "up"),
    ]
    heard = [r.t_ns / S for r in records if isinstance(r, Packet)]
    assert not any(AT_S <= t < UNTIL_S for t in heard)
    assert any(AT_S - 1 < t < AT_S for t in heard)
    # The accumulated torque begins anew with the connection; it is known to in published stacks.
    first = next(m for t, m in measurements(records, "x") if t > UNTIL_S)
    assert first.torque_sum_32nds < 64 * 32  # type: ignore[operator]
    assert len(packets(records, "x", "2A26")) == 2


def test_dropout_over_ant_is_missed_slots_then_a_search():
    script = {"at": AT_S, "until": UNTIL_S, "fault": "dropout"}
    records = list(scene({"x": {"kind": "crank", "radio": "ant", "faults": [script], **EXACT}}).records())
    states = [state for t, state in links(records, "x") if AT_S <= t < UNTIL_S]
    # Eight slots at 4 Hz are the 2 s after which a tracking receiver gives up (public ANT forum).
    assert states == ["missed"] * 7 + ["down", "searching"]
    down_s = next(t for t, state in links(records, "x") if state == "down")
    assert down_s - AT_S == pytest.approx(2.0, abs=0.26)
    up_s = next(t for t, state in links(records, "x") if state == "up" and t > 1)
    assert UNTIL_S <= up_s < UNTIL_S + 0.26
    assert not any(AT_S <= p.t_ns / S < UNTIL_S for p in packets(records, "x", "ant11"))


@pytest.mark.parametrize("radio", ["bluetooth", "ant"])
def test_silence_leaves_the_link_alone(radio: str):
    script = {"at": AT_S, "until": UNTIL_S, "fault": "silent"}
    records = list(scene({"x": {"kind": "crank", "radio": radio, "faults": [script], **EXACT}}).records())
    heard = [r.t_ns / S for r in records if isinstance(r, Packet)]
    assert not any(AT_S + 0.1 < t < UNTIL_S for t in heard)
    assert any(t > UNTIL_S for t in heard)
    assert [state for t, state in links(records, "x") if t > 1] == []


def test_low_battery_is_told():
    script = {"at": AT_S, "fault": "battery-low", "size": 7.0}
    instruments = {
        "b": {"kind": "crank", "battery_percent": 80, "faults": [script]},
        "a": {"kind": "crank", "radio": "ant", "battery_percent": 80, "faults": [script]},
        "c": {"kind": "cadence", "radio": "ant", "battery_percent": 80, "faults": [script]},
    }
    records = list(scene(instruments).records())
    assert [(p.t_ns / S > AT_S, p.data[0]) for p in packets(records, "b", "2A19")] == [(False, 80), (True, 7)]
    for label in ("a", "c"):
        told = [
            (r.t_ns / S, reading.facts["battery_state"])
            for r in records
            if isinstance(r, Packet)
            and r.instrument == label
            and (reading := decode(r.channel, r.data)).facts
            and "battery_state" in reading.facts
        ]
        assert {status for t, status in told if t < AT_S} == {"good"}
        assert {status for t, status in told if t > AT_S + 0.1} == {"low"}


# -- the air ----------------------------------------------------------------------------


def test_bluetooth_packets_wait_for_a_connection_event():
    crank = {
        "kind": "crank",
        "noise_percent": 0.0,
        "interval_ms": 100.0,
        "latency_ms": 5.0,
        "retransmit_percent": 10.0,
    }
    played = scene({"x": crank}, [{**STEADY[0], "seconds": 1500}])
    records = list(played.records())
    delays = np.array([t - r.end_s for t, _, _, r in matched(played, records, "x")])
    assert len(delays) > 2000
    assert delays.min() > 0.005
    # Uniform wait for the next event plus latency; one more interval for each that is missed.
    assert delays.mean() == pytest.approx(0.005 + 0.050 + 0.100 * 0.1 / 0.9, abs=0.012)
    late = (delays > 0.115).mean()
    assert late == pytest.approx(0.1, abs=0.03)
    arrivals = np.array([p.t_ns for p in packets(records, "x", "2A63")])
    assert (np.diff(arrivals) >= 0).all()


def test_ant_slots_and_losses():
    crank = {"kind": "crank", "radio": "ant", "loss_percent": 3.0}
    records = list(scene({"x": crank}, [{**STEADY[0], "seconds": 1500}]).records())
    arrivals = np.array([p.t_ns for p in packets(records, "x", "ant11")]) / S
    # Power is sent every 8182/32768 s (openant, public SDKs).
    slots = np.round(np.diff(arrivals) * 32768 / 8182)
    assert np.median(np.diff(arrivals)[slots == 1]) == pytest.approx(8182 / 32768, abs=2e-4)
    missed = sum(state == "missed" for _, state in links(records, "x"))
    assert missed == int((slots - 1).sum())
    expected = 0.03 * 1500 * 32768 / 8182
    assert missed == pytest.approx(expected, abs=4 * math.sqrt(expected))


def test_bluetooth_loss():
    lossy = {"kind": "crank", "sync": "time", "rate_hz": 4.0, "loss_percent": 20.0}
    records = list(scene({"x": lossy}, [{**STEADY[0], "seconds": 600}]).records())
    assert len(packets(records, "x", "2A63")) == pytest.approx(0.8 * 2400, abs=4 * math.sqrt(2400 * 0.16))


@pytest.mark.parametrize("ppm", [-300.0, 0.0, 200.0])
@pytest.mark.parametrize("radio", ["bluetooth", "ant"])
def test_clock_error_shows_in_ticks_against_arrival(ppm: float, radio: str):
    crank = {"kind": "crank", "radio": radio, "clock_ppm": ppm, **EXACT}
    records = list(scene({"x": crank}, [{**STEADY[0], "seconds": 2400}]).records())
    ticks, hz, x, arrivals = 0, 1024, [], []
    last: Reading | None = None
    for r in records:
        if not isinstance(r, Packet):
            continue
        reading = decode(r.channel, r.data)
        if reading.crank_ticks is None or (last is not None and reading.crank_ticks == last.crank_ticks):
            continue
        if last is not None:
            ticks += (reading.crank_ticks - last.crank_ticks) % 65536  # type: ignore[operator]
        last, hz = reading, reading.crank_tick_hz
        x.append(ticks)
        arrivals.append(r.t_ns / S)
    slope = np.polyfit(arrivals, np.array(x) / hz, 1)[0]
    assert (slope - 1.0) * 1e6 == pytest.approx(ppm, abs=25)


# -- control ----------------------------------------------------------------------------


def play_with(
    played: Scene, writes: Sequence[tuple[float, str, str, bytes]]
) -> tuple[list[Record], list[str]]:
    """Play a scene and write at given times; all records, and what each write came to."""
    records, outcomes, todo = [], [], list(writes)
    for record in played.records():
        while todo and record.t_ns >= todo[0][0] * S:
            _, label, channel, data = todo.pop(0)
            outcomes.append(played.write(label, channel, data))
        records.append(record)
    return records, outcomes


@pytest.mark.parametrize("radio", ["bluetooth", "ant"])
@pytest.mark.parametrize("zero", ["success", "failure", "when-still"])
def test_zeroing_takes_a_second_and_takes_the_offset_away(radio: str, zero: str):
    offsets = {"offset_left_nm": 1.0, "offset_right_nm": 0.5, "zero": zero}
    played = scene({"x": {"kind": "crank", "radio": radio, **offsets, **EXACT}})
    link = {"bluetooth": "scene:x", "ant": "ant:power:1"}[radio]
    channel, data = zero_offset_request(link)
    records, outcomes = play_with(played, [(60.0, "x", channel, data)])
    assert outcomes == ["sent"]
    answers = [
        (r.t_ns / S, answer_words(channel, r.data))
        for r in records
        if isinstance(r, Packet) and r.channel == channel and answer_words(channel, r.data)
        if "zero" in (answer_words(channel, r.data) or "")
    ]
    assert 61.0 <= answers[0][0] < 61.6
    done = zero == "success"
    assert ("done: 48" in answers[0][1]) == done  # type: ignore[operator]
    assert ("refused" in answers[0][1]) != done  # type: ignore[operator]
    if radio == "bluetooth":
        for _, _, after, r in matched(played, records, "x"):
            offset_w = 0.0 if done and r.end_s > 61.0 else 1.5 * TWO_PI / r.seconds
            assert after.power_w == pytest.approx(r.power_w + offset_w, abs=0.51)


def test_zeroing_succeeds_when_still():
    segments = [*STEADY, {"name": "stand", "seconds": 20, "stand": True}]
    played = scene({"x": {"kind": "crank", "zero": "when-still", "offset_left_nm": 1.0, **EXACT}}, segments)
    records, _ = play_with(played, [(130.0, "x", *zero_offset_request("scene:x"))])
    answer = cycling_power.Response.from_bytes(packets(records, "x", "2A66")[0].data)
    assert (answer.result, answer.value) == (cycling_power.SUCCESS, 32)


def test_busy_until_the_zeroing_is_answered():
    played = scene({"x": {"kind": "crank", **EXACT}})
    zero = zero_offset_request("scene:x")
    _, outcomes = play_with(played, [(60.0, "x", *zero), (60.3, "x", *zero), (63.0, "x", *zero)])
    assert [outcome.partition(":")[0] for outcome in outcomes] == ["sent", "busy", "sent"]


@pytest.mark.parametrize("radio", ["bluetooth", "ant"])
def test_crank_length_is_told_set_and_acts(radio: str):
    played = scene({"x": {"kind": "pedals", "radio": radio, "crank_length_mm": 175.0, **EXACT}})
    link = {"bluetooth": "scene:x", "ant": "ant:power:1"}[radio]
    ask, put = crank_length_request(link), set_crank_length_request(link, 172.5)
    records, outcomes = play_with(played, [(30.0, "x", *ask), (60.0, "x", *put), (90.0, "x", *ask)])
    assert set(outcomes) == {"sent"}
    told = [
        (r.t_ns / S, reading.facts["crank_length_mm"])
        for r in records
        if isinstance(r, Packet)
        and (reading := decode(r.channel, r.data)).facts
        and "crank_length_mm" in reading.facts
    ]
    assert {mm for t, mm in told if t < 60} == {175.0}
    assert {mm for t, mm in told if t > 61} == {172.5}
    assert any(30 < t < 32 for t, _ in told)
    if radio == "bluetooth":
        for _, _, after, r in matched(played, records, "x"):
            if not 60 < r.end_s < 61:
                factor = 175.0 / 172.5 if r.end_s < 60 else 1.0
                assert after.power_w == pytest.approx(factor * r.power_w, abs=0.51)


def test_unknown_requests_are_refused_not_swallowed():
    played = scene({"x": {"kind": "crank"}, "a": {"kind": "crank", "radio": "ant"}})
    writes = [
        (10.0, "x", "2A66", b"\x0e"),
        (11.0, "x", "2A66", b"\x04\x01"),
        (12.0, "x", "2A66", b""),
        (13.0, "x", "2AD9", b"\x00"),
        (14.0, "nobody", "2A66", b"\x0c"),
        (15.0, "a", "2A66", b"\x0c"),
        (16.0, "a", "ant11", b"\x01\xaa"),
    ]
    records, outcomes = play_with(played, writes)
    answers = [cycling_power.Response.from_bytes(p.data) for p in packets(records, "x", "2A66")]
    assert [(answer.request_op, answer.result) for answer in answers] == [(0x0E, 2), (0x04, 3)]
    assert outcomes[:2] == ["sent", "sent"]
    assert all(outcome != "sent" for outcome in outcomes[2:])


@pytest.mark.parametrize("radio", ["bluetooth", "ant"])
def test_trainer_holds_a_target_that_it_itself_measures(radio: str):
    trainer = {"kind": "trainer", "radio": radio, "gain": 1.04, "rate_hz": 2.0, **EXACT}
    played = scene({"x": trainer}, [{**STEADY[0], "seconds": 300}], profile="fitness-machine")
    link = {"bluetooth": "scene:x", "ant": "ant:trainer:1"}[radio]
    target = target_power_request(link, 160, "fitness-machine")
    writes = [(100.0, "x", *target)]
    writes += [(101.0, "x", *request) for request in take_control_requests(link, "fitness-machine")]
    writes += [(102.0, "x", *target)]
    records, outcomes = play_with(played, writes)
    assert set(outcomes) == {"sent"}
    readings = [(r.t_ns / S, decode(r.channel, r.data)) for r in records if isinstance(r, Packet)]
    told = [(t, r.power_w) for t, r in readings if r.power_w is not None]
    assert statistics.fmean(w for t, w in told if 50 < t < 100) == pytest.approx(1.04 * 215, rel=0.03)
    assert statistics.fmean(w for t, w in told if 112 < t < 300) == pytest.approx(160, rel=0.015)
    truth = played.truth()
    assert mean_w(truth, 112, 300) == pytest.approx((160 / 1.04 + 2.6) / 0.99, rel=0.015)
    if radio == "bluetooth":
        words = [answer_words("2AD9", p.data) for p in packets(records, "x", "2AD9")]
        assert words[0].startswith("target power refused: control not permitted")  # type: ignore[union-attr]
        assert words[1:] == ["control granted", "start granted", "target power granted"]
        status = [decode("2ADA", p.data).facts for p in packets(records, "x", "2ADA")]
        assert {"machine_status": "target power changed", "target_power_w": 160.0} in status


def test_trainer_lets_go_when_told_and_when_the_link_breaks():
    trainer = {"kind": "trainer", "faults": [{"at": 200.0, "until": 210.0, "fault": "dropout"}], **EXACT}
    played = scene({"x": trainer}, [{**STEADY[0], "seconds": 300}], profile="fitness-machine")
    op = fitness_machine.Request
    writes = [
        (20.0, "x", "2AD9", bytes(op(fitness_machine.REQUEST_CONTROL))),
        (21.0, "x", "2AD9", bytes(op(fitness_machine.SET_POWER, 120))),
        (60.0, "x", "2AD9", bytes(op(fitness_machine.STOP_OR_PAUSE, 1))),
        (100.0, "x", "2AD9", bytes(op(fitness_machine.SET_POWER, 5000))),
        (150.0, "x", "2AD9", bytes(op(fitness_machine.SET_POWER, 130))),
        (205.0, "x", "2AD9", bytes(op(fitness_machine.SET_POWER, 90))),
    ]
    records, outcomes = play_with(played, writes)
    truth = played.truth()
    assert mean_w(truth, 30, 60) == pytest.approx((120 + 2.6) / 0.99, rel=0.03)
    assert mean_w(truth, 70, 100) == pytest.approx(220, rel=0.05)
    assert mean_w(truth, 105, 150) == pytest.approx(220, rel=0.05)
    assert mean_w(truth, 160, 200) == pytest.approx((130 + 2.6) / 0.99, rel=0.03)
    assert mean_w(truth, 212, 300) == pytest.approx(220, rel=0.05)
    assert outcomes[-1] == "not connected now"
    words = [answer_words("2AD9", p.data) for p in packets(records, "x", "2AD9")]
    assert words[3] == "target power refused: invalid parameter"


def test_ant_trainer_reports_the_last_command():
    played = scene({"x": {"kind": "trainer", "radio": "ant", **EXACT}}, profile="fitness-machine")
    ask = bytes(ant_common.RequestPage(page=0x47))
    writes = [
        (20.0, "x", "ant17", ask),
        (30.0, "x", "ant17", bytes(ant_trainer.TargetPower.of(150))),
        (31.0, "x", "ant17", ask),
        (40.0, "x", "ant17", bytes(ant_common.RequestPage(page=0x36))),
    ]
    records, _ = play_with(played, writes)
    states = [ant_common.CommandStatus.from_bytes(data) for _, data in pages(records, "x", 0x47)]
    assert states[0].command_page == 0xFF
    assert (states[-1].command_page, states[-1].status) == (0x31, "pass")
    _, data = pages(records, "x", 0x36)[0]
    assert ant_trainer.Capabilities.from_bytes(data).mode_names == ("target power", "simulation")


# -- the script -------------------------------------------------------------------------


def wanted(text: str) -> tuple[Mapping[str, Any], list[Wanted], list[dict[str, Any]] | None]:
    bench = parse_bench(text)
    assert bench.scene is not None
    protocol = [msgspec.structs.asdict(s) for s in bench.protocol.segments] if bench.protocol else None
    return bench.scene, [Wanted(i.label, i.link, i.profile) for i in bench.instruments], protocol


def bench_scene(name: str) -> Scene:
    text = evening() if name == "evening" else (FIXTURES / f"{name}.toml").read_text()
    return Scene(*wanted(text))


@pytest.mark.slow
@pytest.mark.parametrize("name", ["evening", "healthy", "faults"])
def test_same_seed_same_records_whatever_the_pace(name: str):
    played = bench_scene(name)
    first = list(played.records())
    drawn, again = played.records(), []
    while chunk := list(itertools.islice(drawn, 97)):
        again += chunk
    assert first == again
    if name == "evening":
        assert first == list(bench_scene(name).records())
    assert all(a.t_ns <= b.t_ns for a, b in itertools.pairwise(first))
    assert isinstance(first[-1], End)


def test_another_seed_is_another_ride():
    table, links_, protocol = wanted(evening())
    assert list(Scene({**table, "seed": 1}, links_, protocol).records()) != list(
        Scene({**table, "seed": 2}, links_, protocol).records()
    )


def test_an_instrument_does_not_depend_on_its_neighbours():
    table, links_, protocol = wanted(evening())
    alone = list(Scene(table, [links_[2]], protocol).records())
    together = [r for r in bench_scene("evening").records() if getattr(r, "instrument", "") == "heron"]
    assert [r for r in alone if getattr(r, "instrument", "") == "heron"] == together


@pytest.mark.parametrize("name", ["evening", "healthy", "faults"])
def test_every_packet_decodes_and_every_instrument_is_heard(name: str):
    played = bench_scene(name)
    heard = set()
    for record in played.records():
        if isinstance(record, Packet):
            decode(record.channel, record.data)
            heard.add(record.instrument)
    assert heard == {one.label for one in played.wanted}


def test_seconds_segments_and_end_are_told():
    played = bench_scene("evening")
    records = list(played.records())
    ticks = [r for r in records if isinstance(r, Tick)]
    assert [tick.t_ns for tick in ticks] == [k * S for k in range(361)]
    assert ticks[1].utc_ns - ticks[0].utc_ns == S
    assert ticks[0].utc_ns == 1_768_500_000 * S  # 2026-01-15 18:00 UTC
    acts = [(r.t_ns / S, r.text) for r in records if isinstance(r, Act) and r.act == "segment"]
    assert acts[:4] == [(0.0, "warm up"), (25.0, "steady 220"), (150.0, "low cadence"), (180.0, "over 1/3")]
    assert Act(104 * S, "position", "right side seated anew", "heron") in records
    assert records[-1] == End(360 * S, "the scene is over")
    assert Reported(S // 20, "hub", "name", "scene hub") in records


def test_protocol_is_followed_and_its_repeats_unrolled():
    protocol = [
        {
            "name": "on",
            "seconds": 20,
            "target_w": 300,
            "repeat": 2,
            "settle_s": 0,
            "why": "",
            "gear": "50x15",
        },
        {"name": "free", "seconds": 20, "free": True, "sprint": False},
    ]
    played = Scene({"instrument": {"x": {"kind": "crank"}}}, [Wanted("unit", "scene:x")], protocol)
    records = list(played.records())
    acts = [(r.t_ns / S, r.text) for r in records if isinstance(r, Act)]
    assert acts == [(0.0, "on 1/2"), (20.0, "on 2/2"), (40.0, "free")]
    assert mean_w(played.truth(), 10, 40) == pytest.approx(300, rel=0.05)
    assert packets(records, "unit", "2A63")


@pytest.mark.slow
def test_endless_scene_goes_round():
    segments = [{"name": "a", "seconds": 10, "target_w": 100}, {"name": "b", "seconds": 10, "target_w": 200}]
    played = scene({"x": {"kind": "crank"}}, segments, loop=True)
    assert played.end_s is None
    records = list(itertools.takewhile(lambda r: r.t_ns < 4000 * S, played.records()))
    acts = [(r.t_ns // S, r.text) for r in records if isinstance(r, Act)]
    assert acts == [(10 * k, "ab"[k % 2]) for k in range(400)]
    truth = played.truth(4000.0)
    assert mean_w(truth, 3985, 3990) == pytest.approx(100, rel=0.1)
    assert len(played._run.rider._pieces) < 9000  # type: ignore[union-attr]
    with pytest.raises(ValueError, match="how far"):
        played.truth()


def test_profile_decides_what_is_listened_to():
    table = {"instrument": {"t": {"kind": "trainer"}}, "segment": STEADY}
    for profile, channels in (
        ("fitness-machine", {"2AD2"}),
        ("cycling-power", {"2A63"}),
        (None, {"2AD2", "2A63"}),
    ):
        records = Scene(table, [Wanted("t", "scene:t", profile)]).records()
        heard = {r.channel for r in records if isinstance(r, Packet)}
        assert heard & {"2AD2", "2A63", "2A5B"} == channels


def test_scene_becomes_a_capture_log_and_comes_back():
    records = list(bench_scene("evening").records())
    back = list(read_log(to_log(records)))
    kept = [r for r in records if isinstance(r, Packet | Act)]
    assert [r for r in back if isinstance(r, Packet | Act)] == kept
    assert {r.instrument for r in back if isinstance(r, Link)} == {"hub", "pedals", "heron", "cadence"}
    assert [r.t_ns for r in back if isinstance(r, Tick)] == [k * S for k in range(360)]


def test_without_a_table_the_evening_is_played():
    assert Scene(None, [Wanted("u", "scene:heron")], STEADY).definition == parse(
        tomllib.loads(evening())["scene"]
    )


WRONG = {
    "unknown key": ({"sed": 1}, 'no key "sed"; did you mean "seed"'),
    "unknown instrument key": (
        {"instrument": {"x": {"kind": "crank", "gian": 1.0}}},
        'scene.instrument.x: there is no key "gian"; did you mean "gain"',
    ),
    "kind": ({"instrument": {"x": {"kind": "pedal"}}}, 'scene.instrument.x.kind: .*did you mean "pedals"'),
    "no kind": ({"instrument": {"x": {}}}, 'scene.instrument.x: the key "kind" is missing'),
    "no instruments": ({"instrument": {}}, "scene.instrument: there is none"),
    "not a table": ({"instrument": 3}, "scene.instrument: must be a table"),
    "text for a number": ({"seed": "one"}, "scene.seed: 'one' is not a whole number"),
    "not finite": ({"instrument": {"x": {"kind": "crank", "gain": math.inf}}}, "gain: inf is not a finite"),
    "out of range": ({"instrument": {"x": {"kind": "crank", "gain": 50.0}}}, "gain: 50 is not within"),
    "fault": (
        {"instrument": {"x": {"kind": "crank", "faults": [{"at": 1, "fault": "stick"}]}}},
        'scene.instrument.x.faults 1.fault: .*did you mean "stuck"',
    ),
    "fault without at": (
        {"instrument": {"x": {"kind": "crank", "faults": [{"fault": "stuck"}]}}},
        'faults 1: the key "at" is missing',
    ),
    "fault order": (
        {"instrument": {"x": {"kind": "crank", "faults": [{"at": 5, "until": 4, "fault": "stuck"}]}}},
        "until: 4 is not after",
    ),
    "side of a spider": (
        {"instrument": {"x": {"kind": "spider", "faults": [{"at": 5, "fault": "gain", "side": "left"}]}}},
        "no two sides",
    ),
    "size of a dropout": (
        {"instrument": {"x": {"kind": "spider", "faults": [{"at": 5, "fault": "dropout", "size": 2}]}}},
        "has no size",
    ),
    "power of a cadence sensor": (
        {"instrument": {"x": {"kind": "cadence", "faults": [{"at": 5, "fault": "stuck"}]}}},
        "measures no power",
    ),
    "two loads": (
        {"segment": [{"name": "a", "seconds": 5, "free": True, "target_w": 3}]},
        "has target_w and free",
    ),
    "no load": ({"segment": [{"name": "a", "seconds": 5}]}, "does not say how"),
    "gear": ({"gear": "big"}, "scene.gear"),
    "act": ({"act": [{"at": 1, "act": "mark", "instrument": "y"}]}, 'there is no "y"'),
    "no segment": ({"segment": []}, "no protocol to follow"),
}


@pytest.mark.parametrize("name", WRONG)
def test_wrong_definition_is_named_with_the_remedy(name: str):
    change, message = WRONG[name]
    table = {"segment": STEADY, "instrument": {"x": {"kind": "crank"}}, **change}
    with pytest.raises(SceneError, match=message):
        Scene(table, [Wanted("x", "scene:x")])


@pytest.mark.parametrize(
    ("link", "profile", "message"),
    [
        ("scene:y", None, 'no instrument "y"'),
        ("scene:x", "fitness-machine", "does not speak fitness-machine"),
        ("log:x", None, "no link to a scene"),
    ],
)
def test_wrong_link_is_named(link: str, profile: str | None, message: str):
    with pytest.raises(SceneError, match=message):
        Scene({"segment": STEADY, "instrument": {"x": {"kind": "crank"}}}, [Wanted("a", link, profile)])


def test_nothing_can_be_written_before_it_begins():
    assert scene({"x": {"kind": "crank"}}).write("x", "2A66", b"\x0c") == "the scene has not begun"
