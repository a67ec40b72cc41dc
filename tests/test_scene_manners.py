"""Manners of a scene's instruments that are rare and right: their octets, and that nobody is accused.

Octets are taken apart here by the published layouts (ANT+ pages 0x10, 0x11, 0x20 and 0x01; 0x2A63) and held
against the truth of the ride.
"""

import itertools
import math
import struct
from collections.abc import Mapping, Sequence
from typing import Any

import pytest

from capture.control import zero_offset_request
from capture.record import Header, Link, Packet, Record, Tick
from capture.scene import Scene, SceneError
from capture.scene.definition import parse
from capture.source import Wanted
from monitor.live.pipeline import Pipeline
from monitor.study.recording import collect
from monitor.study.results import Study
from monitor.study.study import study
from tests.helpers.rides import PROGRAM, UTC_NS, scene_records

S = 1_000_000_000
EXACT = {"noise_percent": 0.0, "retransmit_percent": 0.0, "loss_percent": 0.0}
STEADY = {"name": "steady", "seconds": 100, "target_w": 210, "cadence_rpm": 90}
STAND = {"name": "stand", "seconds": 50, "stand": True}
ALONE = (STEADY, STAND, {**STEADY, "name": "again", "seconds": 60})


def played(instrument: Mapping[str, Any], segments: Sequence[Mapping[str, Any]] = ALONE) -> Scene:
    table = {"seed": 5, "segment": list(segments), "instrument": {"x": {**EXACT, **instrument}}}
    return Scene(table, [Wanted("x", "scene:x", None)])


def octets(records: Sequence[Record], number: int | None = None) -> list[tuple[float, bytes]]:
    """Arrival and octets of each measurement, or of each page of a number."""
    return [
        (r.t_ns / S, r.data)
        for r in records
        if isinstance(r, Packet) and (r.channel == "2A63" if number is None else r.data[0] == number)
    ]


def mean_w(scene: Scene, begin_s: float, end_s: float, at_hub: bool = False) -> float:
    truth = scene.truth()
    work = truth.hub_work_j if at_hub else lambda t: sum(truth.work_j(t))
    return (work(end_s) - work(begin_s)) / (end_s - begin_s)


def test_half_turns_tell_one_leg_after_the_other() -> None:
    scene = played({"kind": "pedals", "half_turns": True})
    riding = [struct.unpack("<HhBHH", data) for t, data in octets(list(scene.records())) if 20 < t < 98]
    assert {flags for flags, *_ in riding} == {0b100011}, "balance and revolutions, no accumulated torque"
    # Three reports a second at 90 rpm, of which each second one counts a revolution.
    assert len(riding) == pytest.approx(78 * 3, rel=0.05)
    assert riding[-1][3] - riding[0][3] == pytest.approx(78 * 1.5, abs=2)
    shares = [share / 2 for _, _, share, _, _ in riding]
    assert abs(sum(shares[::2]) - sum(shares[1::2])) / len(shares) > 10.0
    assert sum(power for _, power, *_ in riding) / len(riding) == pytest.approx(
        mean_w(scene, 20, 98), rel=0.01
    )


def test_a_torque_that_is_a_frequency_has_its_offset_apart() -> None:
    scene = played({"kind": "spider", "radio": "ant", "torque_frequency": True})
    records = list(scene.records())
    assert {data[0] for _, data in octets(records, 0x20) + octets(records, 0x01)} == {0x20, 0x01}
    assert not any(octets(records, number) for number in (0x10, 0x12, 0x50, 0x51, 0x52))
    offsets = [struct.unpack(">BBBxxxH", data) for _, data in octets(records, 0x01)]
    assert set(offsets) == {(0x01, 0x10, 0x01, 512)}
    riding = [struct.unpack(">xBHHH", data) for t, data in octets(records, 0x20) if 20 < t < 98]
    turns = (riding[-1][0] - riding[0][0]) % 256
    seconds = (riding[-1][2] - riding[0][2]) % 65536 / 2000 + 65536 / 2000 * 2
    ticks = (riding[-1][3] - riding[0][3]) % 65536 + 65536
    assert {slope for _, slope, *_ in riding} == {250}
    # Torque is (f - offset) / (slope / 10), power that torque times the angular speed.
    torque_nm = (ticks / seconds - 512) / 25
    power_w = torque_nm * 2 * math.pi * turns / seconds
    assert power_w == pytest.approx(mean_w(scene, 20, 98), rel=0.02)


def test_such_a_meter_answers_a_zero_offset_with_its_offset() -> None:
    scene = played({"kind": "spider", "radio": "ant", "torque_frequency": True})
    answers: list[bytes] = []
    for record in scene.records():
        if isinstance(record, Tick) and record.t_ns == 120 * S:
            assert scene.write("x", *zero_offset_request("scene:x", heard=("ant11",))) == "sent"
        if isinstance(record, Packet) and record.data[0] == 0x01 and 120.5 < record.t_ns / S < 124:
            answers.append(record.data)
    assert len(answers) >= 4
    assert {data.hex() for data in answers} == {"011001ffffff0200"}


def test_a_wheel_by_time_goes_on_counting_while_it_stands() -> None:
    scene = played({"kind": "hub", "radio": "ant", "sync": "time", "rate_hz": 4.0})
    found = [(t, struct.unpack("<xBBxHH", data)) for t, data in octets(list(scene.records()), 0x11)]
    resting = [page for t, page in found if 110 < t < 148]
    assert len({events for events, *_ in resting}) > 50
    assert len({page[1:] for page in resting}) == 1, "ticks, period and torque stand"
    riding = [page for t, page in found if 20 < t < 98]
    powers = [
        128 * math.pi * ((b[3] - a[3]) % 65536) / ((b[2] - a[2]) % 65536)
        for a, b in itertools.pairwise(riding)
        if (b[2] - a[2]) % 65536
    ]
    assert sum(powers) / len(powers) == pytest.approx(mean_w(scene, 20, 98, at_hub=True), rel=0.02)


@pytest.mark.parametrize("radio", ["bluetooth", "ant"])
def test_who_sleeps_at_once_is_silent_until_the_crank_turns(radio: str) -> None:
    scene = played({"kind": "crank", "radio": radio, "sleeps_after_s": 2.0})
    times = [r.t_ns / S for r in scene.records() if isinstance(r, Packet)]
    last, first = max(t for t in times if t < 125), min(t for t in times if t > 125)
    truth = scene.truth()
    stopped = next(t / 10 for t in range(900, 1200) if truth.crank_rate(t / 10) < 0.05)
    began = next(t / 10 for t in range(1400, 1700) if truth.crank_rate(t / 10) > 0.5)
    assert last <= stopped + 2.0 + 0.3
    assert began - 0.1 < first < began + 2.0
    states = [r.state for r in scene.records() if isinstance(r, Link)]
    assert ("down" in states) == (radio == "ant")


def test_who_repeats_the_last_value_shows_it_at_rest() -> None:
    shown = {}
    for repeats in (True, False):
        scene = played({"kind": "spider", "repeats_last": repeats})
        resting = [data for t, data in octets(list(scene.records())) if 110 < t < 148]
        shown[repeats] = {struct.unpack_from("<h", data, 2)[0] for data in resting}
    assert shown[False] == {0}
    assert len(shown[True]) == 1
    assert 100 < shown[True].pop() < 300


@pytest.mark.parametrize(("kind", "radio"), [("trainer", "ant"), ("hub", "bluetooth")])
def test_idle_watts_are_shown_while_nobody_pedals_and_only_then(kind: str, radio: str) -> None:
    scene = played({"kind": kind, "radio": radio, "idle_w": 2.0, "rate_hz": 2.0})
    records = list(scene.records())
    if radio == "ant":
        resting = [d[5] | (d[6] & 15) << 8 for t, d in octets(records, 0x10) + octets(records, 0x19)
                   if d[0] == 0x19 and 110 < t < 148]  # fmt: skip
    else:
        resting = [struct.unpack_from("<h", data, 2)[0] for t, data in octets(records) if 110 < t < 148]
    assert len(set(resting)) >= 3
    assert max(map(abs, resting)) <= 10
    assert sum(map(abs, resting)) / len(resting) == pytest.approx(1.2, abs=0.8)


@pytest.mark.parametrize(
    ("more", "message"),
    [
        ({"kind": "hub", "half_turns": True}, 'half_turns: "hub" measures no torque at the crank'),
        ({"kind": "cadence", "repeats_last": True}, 'repeats_last: "cadence" measures no torque'),
        ({"kind": "spider", "half_turns": True, "sync": "time"}, "half_turns: does not go with"),
        ({"kind": "spider", "torque_frequency": True}, 'torque_frequency: needs radio = "ant"'),
        ({"kind": "crank", "idle_w": 2.0}, 'idle_w: "crank" shows none: hub and trainer do'),
        ({"kind": "crank", "sleeps_after_s": 0.1}, "sleeps_after_s: 0.1 is not within 0.5 to 3600"),
    ],
)
def test_what_an_instrument_can_not_do_is_named(more: dict[str, Any], message: str) -> None:
    with pytest.raises(SceneError, match=r"scene\.instrument\.x") as raised:
        parse({"instrument": {"x": more}})
    assert message in str(raised.value)


# -- whole rides: nobody is accused

MANNERS: dict[str, tuple[str, str]] = {
    "half turns over Bluetooth": ("pedals", 'kind = "pedals"\nhalf_turns = true'),
    "half turns over ANT+": ("crank", 'kind = "crank"\nradio = "ant"\nhalf_turns = true'),
    "torque as a frequency": ("spider", 'kind = "spider"\nradio = "ant"\ntorque_frequency = true'),
    "a wheel by time": ("hub", 'kind = "hub"\nradio = "ant"\nsync = "time"'),
    "a wheel by time, four a second": ("hub", 'kind = "hub"\nradio = "ant"\nsync = "time"\nrate_hz = 4'),
    "late by three seconds": ("spider", 'kind = "spider"\ndelay_s = 3'),
    "pedals late by three seconds": ("pedals", 'kind = "pedals"\nradio = "ant"\ndelay_s = 3'),
    "asleep at once over Bluetooth": ("crank", 'kind = "crank"\nsleeps_after_s = 2'),
    "asleep at once over ANT+": ("spider", 'kind = "spider"\nradio = "ant"\nsleeps_after_s = 2'),
    "the last value again": ("spider", 'kind = "spider"\nrepeats_last = true'),
    "the last value again over ANT+": ("pedals", 'kind = "pedals"\nradio = "ant"\nrepeats_last = true'),
    "idle watts of a trainer": ("hub", 'kind = "trainer"\nidle_w = 2'),
    "idle watts over ANT+": ("hub", 'kind = "trainer"\nradio = "ant"\nidle_w = 2'),
}
BENCH = """
[bench]
name = "manners"
reference = "pedals"
[[instrument]]
label = "pedals"
role = "reference"
mount = "pedals"
sides = "both"
link = "scene:pedals"
claim_percent = 1.0
[[instrument]]
label = "spider"
role = "witness"
mount = "spider"
link = "scene:spider"
claim_percent = 1.5
[[instrument]]
label = "heron"
mount = "{mount}"
sides = "{sides}"
link = "scene:heron"
{profile}
claim_percent = 2.0
{loss}
[scene]
seed = {seed}
[[scene.segment]]
name = "first"
seconds = 100
target_w = 200
[[scene.segment]]
name = "roll"
seconds = 14
coast = true
[[scene.segment]]
name = "second"
seconds = 80
target_w = 260
cadence_rpm = 75
[[scene.segment]]
name = "stop"
seconds = 45
stand = true
[[scene.segment]]
name = "free"
seconds = 80
free = true
[[scene.segment]]
name = "a short stop"
seconds = 6
stand = true
[[scene.segment]]
name = "sprint"
seconds = 10
sprint = true
[[scene.segment]]
name = "roll out"
seconds = 20
coast = true
[[scene.segment]]
name = "last"
seconds = 80
target_w = 200
[scene.instrument.pedals]
kind = "pedals"
[scene.instrument.spider]
kind = "spider"
radio = "ant"
[scene.instrument.heron]
{heron}
"""


def judged(name: str, seed: int) -> tuple[list[str], Study]:
    """What was raised, and the study, of an evening with one odd and healthy instrument."""
    mount, heron = MANNERS[name]
    loss = "drivetrain_loss = [2.6, 1.0]" if mount == "hub" else ""
    profile = 'profile = "fitness-machine"' if '"trainer"' in heron else ""
    sides = "both" if mount in ("pedals", "crank") else "total"
    text = BENCH.format(mount=mount, sides=sides, loss=loss, profile=profile, seed=seed, heron=heron)
    bench, records = scene_records(text)
    pipeline = Pipeline(bench)
    found = [finding for record in records for finding in pipeline.feed(record)]
    raised = [f"{f.t_s:.0f} s: {f.kind} {f.instrument}: {f.what}" for f in found if f.event == "raised"]
    return raised, study(collect(Header(bench.text, PROGRAM, UTC_NS), records, bench=bench))


def assert_calm(name: str, seed: int) -> None:
    raised, found = judged(name, seed)
    assert raised == []
    assert {label: i.serves_as_reference for label, i in found.instruments.items() if
            i.serves_as_reference == "no"} == {}  # fmt: skip
    rows = [d for s in found.segments for d in s.differences if d.instrument == "heron" and s.steady]
    assert rows
    assert all(d.verdict != "differs" for d in rows)
    deviation = [d.deviation_percent for d in rows if d.deviation_percent is not None]
    assert deviation
    assert max(map(abs, deviation)) < 2.0


@pytest.mark.slow
@pytest.mark.parametrize("seed", [11, 12])
@pytest.mark.parametrize("name", MANNERS)
def test_a_healthy_instrument_with_manners_is_left_in_peace(name: str, seed: int) -> None:
    assert_calm(name, seed)


def test_the_oddest_is_left_in_peace() -> None:
    assert_calm("torque as a frequency", 10)
