"""A trainer against what it was told: rides whose answer to a target was laid out by hand."""

import numpy as np
import pytest

from capture.record import Write
from monitor.study.asked.target import targets_of
from monitor.study.parts.common import shared_of
from monitor.study.results import TargetStudy
from monitor.study.study import study
from tests.helpers.cells import S, Series, bench_of, by_hand

BENCH = bench_of("hub reference hub total", "pedals on-test pedals total", reference="hub")


def told(t_s: float, watts: int) -> Write:
    """Set Target Power, op code 0x05, sint16 W, little endian (FTMS 1.0, 4.16.2.5)."""
    return Write(round(t_s * S), "hub", "2AD9", b"\x05" + watts.to_bytes(2, "little", signed=True))


def rows(hub: Series, writes: list[Write], *segments: tuple[float, str]) -> list[TargetStudy]:
    recording = by_hand(BENCH, {"hub": hub, "pedals": hub}, {}, segments=segments, writes=writes)
    return targets_of(shared_of(recording))


def test_error_overshoot_and_time_to_settle() -> None:
    # 100 W, then told 200 W at 60 s: 4 s at 150, 6 s at 230 W, then 203 W.
    hub = np.concatenate([np.full(60, 100.0), np.full(4, 150.0), np.full(6, 230.0), np.full(50, 203.0)])
    first, second = rows(hub, [told(0, 100), told(60, 200)], (0, "easy"), (60, "hard"))
    assert (first.segment, first.target_w, first.shown_w, first.error_w) == ("easy", 100.0, 100.0, 0.0)
    assert (second.instrument, second.segment, second.load) == ("hub", "hard", "held")
    assert second.target_w == 200.0
    assert second.shown_w == pytest.approx(203.0)
    assert second.error_w == pytest.approx(3.0)
    # Three-second means: 230 W stands for six seconds, so its mean reaches it.
    assert second.overshoot_w == pytest.approx(30.0)
    # 203 W from 70 s on; the mean of three seconds is within 10 W (5 %) from 71 s on.
    assert second.settles_s == 11.0


def test_an_overshoot_of_a_step_down_is_what_lies_below() -> None:
    hub = np.concatenate([np.full(60, 250.0), np.full(5, 80.0), np.full(55, 100.0)])
    second = rows(hub, [told(0, 250), told(60, 100)], (0, "hard"), (60, "easy"))[1]
    assert second.overshoot_w == pytest.approx(20.0)
    assert second.error_w == pytest.approx(0.0)


def test_a_trainer_that_never_settles_says_so() -> None:
    hub = np.concatenate([np.full(60, 100.0), np.full(60, 170.0)])
    second = rows(hub, [told(0, 100), told(60, 200)], (0, "easy"), (60, "hard"))[1]
    assert second.settles_s is None
    assert second.overshoot_w == 0.0
    assert second.error_w == pytest.approx(-30.0)


def test_a_ramp_has_an_error_and_no_overshoot() -> None:
    hub = np.concatenate([np.full(30, 100.0), 100.0 + np.arange(90.0)])
    writes = [told(0, 100), *(told(30 + k, 100 + k) for k in range(90))]
    second = rows(hub, writes, (0, "easy"), (30, "ramp"))[1]
    assert second.overshoot_w is None
    assert second.settles_s is None
    assert second.error_w == pytest.approx(0.0, abs=0.6)


def test_grade_and_resistance_are_recognised_and_have_no_target() -> None:
    hub = np.full(180, 180.0)
    writes = [
        told(0, 180),
        # Indoor bike simulation, op 0x11: wind, grade in 0.01 %, rolling, drag (FTMS 1.0, 4.16.2.18).
        Write(60 * S, "hub", "2AD9", b"\x11\x00\x00\x64\x00\x28\x33"),
        # Set resistance level, op 0x04.
        Write(120 * S, "hub", "2AD9", b"\x04\x0a"),
    ]
    found = rows(hub, writes, (0, "one"), (60, "two"), (120, "three"))
    assert [(r.segment, r.load, r.grade_percent) for r in found] == [
        ("one", "held", None), ("two", "grade", 1.0), ("three", "resistance", None),
    ]  # fmt: skip
    assert [r.target_w for r in found] == [180.0, None, None]
    segments = study(by_hand(BENCH, {"hub": hub, "pedals": hub}, {}, segments=[(0, "one"), (60, "two")],
                             writes=writes[:2])).segments  # fmt: skip
    assert [s.load for s in segments] == ["held", "grade"]


def test_the_pages_of_the_other_radio_are_read_too() -> None:
    # Page 0x31 target power in quarters of a watt, 0x33 grade as (x + 200 %) / 0.01 % (ANT+ FE-C).
    writes = [
        Write(0, "hub", "ant17", b"\x31\xff\xff\xff\xff\xff\x20\x03"),
        Write(60 * S, "hub", "ant17", b"\x33\xff\xff\xff\xff\x20\x4e\xff"),
    ]
    found = rows(np.full(120, 200.0), writes, (0, "one"), (60, "two"))
    assert [(r.target_w, r.load, r.grade_percent) for r in found] == [(200.0, "held", None),
                                                                      (None, "grade", 0.0)]  # fmt: skip


def test_what_was_not_sent_or_makes_no_sense_is_no_target() -> None:
    hub = np.full(60, 200.0)
    writes = [
        Write(0, "hub", "2AD9", b"\x05\xc8\x00", "not connected now"),
        Write(0, "hub", "2AD9", b"\x05"),
        Write(0, "hub", "2A66", b"\x05\xc8\x00"),
        Write(0, "hub", "ant17", b"\x31"),
    ]
    assert rows(hub, writes, (0, "one")) == []
    # Control given back: nothing is held any more.
    back = rows(hub, [told(0, 200), Write(5 * S, "hub", "2AD9", b"\x01")], (0, "one"))
    assert back == []


def test_seconds_that_were_not_heard_are_no_error() -> None:
    hub = np.full(60, 200.0)
    hub[30:45] = np.nan
    (row,) = rows(hub, [told(0, 200)], (0, "one"))
    assert row.error_w == pytest.approx(0.0)
