"""Single-leg drills, and a side that goes silent: what a side that hardly works says of an instrument.

No source: that a side which makes a few percent is no measure is arithmetic of the radio profiles. The power
page of the ANT+ bicycle power profile tells shares in steps of one percent: of a side that makes 3 % a step
is a third.
"""

import functools
import re
from collections.abc import Iterable

import numpy as np
import pytest

from capture.record import Packet
from monitor.report.terminal import study_lines
from monitor.setup.bench import parse_bench
from monitor.study.estimate.shares import idle, unsettled
from monitor.study.recording import Recording
from monitor.study.results import Study
from monitor.study.study import study
from monitor.text import change_by
from tests.helpers.cells import bench_of
from tests.helpers.rides import record
from tests.helpers.streams import Meter, Ride, Stretch, between, merged, ticks

LEFT = 0.47
DRILLS = [
    Stretch(200, 210, 92, LEFT), Stretch(60, 90, 65, 0.97), Stretch(30, 150, 85, LEFT),
    Stretch(60, 90, 65, 0.03), Stretch(30, 150, 85, LEFT), Stretch(60, 90, 65, 0.97),
    Stretch(60, 90, 65, 0.03), Stretch(150, 200, 92, LEFT),
]  # fmt: skip
DEAD_S = (240.0, 400.0)


BENCH = parse_bench(
    bench_of("pedals reference pedals both", "heron on-test crank both", "spider witness spider total",
             reference="pedals"),
    "the test's bench",
)  # fmt: skip


def _recorded(ride: Ride, heron: Iterable[Packet], seed: int) -> Recording:
    return record(
        BENCH,
        merged(
            ticks(ride.seconds),
            Meter("pedals", sided=True, noise=0.006, seed=seed, phase=0.1 * seed).ant(ride),
            heron,
            Meter("spider", noise=0.006, seed=seed).bluetooth(ride),
        ),
    )


@functools.cache
def _drills(seed: int, gain_right: float) -> tuple[Recording, Study]:
    ride = Ride(*DRILLS, noise=0.03, seed=seed)
    heron = Meter("heron", sided=True, noise=0.006, seed=seed, gain_right=gain_right, delay_s=0.3)
    # Shares come once a second, each of the turn before: the reference tells them twice as often.
    recording = _recorded(ride, heron.ant(ride, (0x12, 0x12, 0x12, 0x10)), seed)
    return recording, study(recording)


@pytest.mark.parametrize("seed", [1, 2])
def test_single_leg_drills_accuse_nobody_of_a_side(seed: int) -> None:
    recording, found = _drills(seed, 1.0)
    assert [f for f in recording.findings if f.event == "raised"] == []
    assert [(s.t_s, s.side, s.delta_percent) for s in found.shifts] == []


def test_a_side_that_is_off_is_found_beside_single_leg_drills() -> None:
    """The right side reads 8 % more wherever it works; both claims together leave 1.4 %."""
    recording, _ = _drills(1, 1.08)
    raised = {(f.kind, f.side) for f in recording.findings if f.event == "raised"}
    assert ("side-off", "right") in raised
    assert ("side-off", "left") not in raised


@functools.cache
def _silent_side() -> tuple[Recording, Study]:
    ride = Ride(Stretch(640, 200, 90, 0.49), noise=0.03)
    heron = Meter("heron", sided=True, noise=0.006, gain_right=between(*DEAD_S, 0.0))
    recording = _recorded(ride, heron.bluetooth(ride), 1)
    return recording, study(recording)


def test_a_side_that_goes_silent_is_no_step_of_the_other_one() -> None:
    recording, found = _silent_side()
    assert {s.side for s in found.shifts if s.instrument == "heron"} <= {"total", "right"}
    assert [round(s.t_s) for s in found.shifts] == pytest.approx(list(DEAD_S), abs=4.0)
    sides = {f.side for f in recording.findings if f.event == "raised" and f.kind in ("side-off", "shifted")}
    assert "left" not in sides


def test_a_side_that_goes_silent_is_told_in_words() -> None:
    """What it lost is all of it, and what comes back has no size in percent of nothing."""
    recording, found = _silent_side()
    told = [f.what for f in recording.findings if f.event == "raised" and f.side == "right"]
    assert any("heron right side shows nothing" in what for what in told)
    assert not any("shows nothing" in what and "scale" in what for what in told)
    percent = [float(number) for what in told for number in re.findall(r"([-+][0-9.]+) %", what)]
    assert all(abs(value) <= 100.0 for value in percent)
    states = found.instruments["heron"].states
    assert [s.silent_side for s in states] == [None, "right", None]
    said = " ".join(" ".join(study_lines(found)).split())
    assert "with nothing from its right side" in said
    assert [number for number in re.findall(r"moved by \+([0-9.]+) %", said) if float(number) > 100.0] == []


def test_above_a_hundred_percent_a_change_is_told_in_times() -> None:
    """By hand: +100 % is twice as much, +150 % two and a half times, +1900 % twenty times."""
    assert change_by(-87.8) == "by -87.8 %"
    assert change_by(100.0) == "by +100.0 %"
    assert change_by(150.0) == "to 2.5 times what it was"
    assert change_by(1900.0) == "to 20 times what it was"


def test_shares_on_the_way_between_two_levels_tell_nothing() -> None:
    """By hand: a meter tells 49 % until second 20, then 100 %, with two seconds of its mean between."""
    share = np.array([0.49] * 20 + [0.745, 0.745] + [1.0] * 20)
    moves = unsettled(100.0 * share, 100.0 * (1.0 - share))
    assert moves[18:24].all()
    assert not moves[:14].any()
    assert not moves[28:].any()


def test_a_meter_whose_shares_always_leap_is_not_left_out() -> None:
    """Every three seconds another of two shares, 20 points apart: that is how it tells, all evening."""
    share = np.array(([0.4] * 3 + [0.6] * 3) * 20)
    assert not unsettled(100.0 * share, 100.0 * (1.0 - share)).any()


def test_a_side_is_idle_only_where_both_say_so() -> None:
    watts = np.array([3.0, 3.0, 50.0]), np.array([97.0, 97.0, 50.0])
    theirs = np.array([4.0, 50.0, 4.0]), np.array([96.0, 50.0, 96.0])
    left, right = idle(*watts, *theirs)
    assert left.tolist() == [True, False, False]
    assert right.tolist() == [False, False, False]
