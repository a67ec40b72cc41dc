"""A healthy one that shows a mean of many seconds answers a change of load slowly: that is no error."""

import random
from collections import deque

import msgspec
import numpy as np
import pytest

from capture.record import Header, Packet
from monitor.analysis.averaging import USUAL, averaging
from monitor.analysis.lag import Floats
from monitor.finding import Finding
from monitor.live.pipeline import Pipeline
from monitor.live.windows.averaged import averaged_j
from monitor.study.recording import collect
from tests.benchmarks.judgement.evening import SETTLE_S, UTC_NS, Change, Meter, Piece, Plan, make
from tests.helpers.streams import Body, Ride, S, Stretch, bench, merged, ticks
from tests.helpers.streams import Meter as Stream

SLOW = pytest.mark.slow
FINE = 10
"""Steps a second in which power is made up."""


def ridden(seed: int, wander: float = 0.035, levels: tuple[float, ...] = (150, 210, 180, 260)) -> Floats:
    """Five minutes of riding, watts at 10 Hz: levels, and slow changes about them (a first-order process)."""
    rng = np.random.default_rng(seed)
    power = np.repeat(levels, 300 * FINE // len(levels)).astype(np.float64)
    keep = np.exp(-1.0 / (7.0 * FINE))
    own = rng.standard_normal(len(power)) * np.sqrt(1.0 - keep * keep)
    for k in range(1, len(own)):
        own[k] += keep * own[k - 1]
    return power * (1.0 + wander * own)


def shown(power: Floats, mean_s: float, late_s: float, seed: int, noise: float = 0.01) -> Floats:
    """Watts at 1 Hz of a moving mean, so much later; noise of its own is averaged with the rest."""
    rng = np.random.default_rng(seed)
    noisy = power * (1.0 + np.repeat(noise * rng.standard_normal(len(power) // FINE), FINE))
    width, late = max(1, round(FINE * (mean_s + 1.0))), round(FINE * late_s)
    sums = np.concatenate((np.zeros(1), np.cumsum(np.concatenate((np.full(width + late, noisy[0]), noisy)))))
    at = np.arange(FINE, len(power) + 1, FINE) + width
    return np.round((sums[at] - sums[at - width]) / width)


@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize(("mean_s", "late_s"), [(7.0, 0.0), (9.0, 1.0), (9.0, 3.0)])
def test_a_long_mean_and_its_lag_are_measured_whichever_of_two_averages(
    mean_s: float, late_s: float, seed: int
) -> None:
    power = ridden(seed)
    quick, slow = shown(power, 0.0, 0.0, seed), shown(power, mean_s, late_s, seed + 50)
    found, turned = averaging(quick, slow), averaging(slow, quick)
    assert found is not None
    assert found.timing is not None
    assert found.width_s == pytest.approx(mean_s + 1.0, abs=1.5)
    # The middle of a moving mean comes half its width later.
    assert found.timing.lag_s == pytest.approx(late_s + 0.5 * mean_s, abs=2.0 * found.timing.sd_s)
    assert turned is not None
    assert turned.timing is not None
    assert turned.width_s == -found.width_s
    assert turned.timing.lag_s == -found.timing.lag_s


def test_minutes_of_even_riding_already_tell_a_long_mean() -> None:
    power = ridden(5, levels=(200,))[: 90 * FINE]
    found = averaging(shown(power, 0.0, 0.0, 6), shown(power, 9.0, 1.0, 7))
    assert found is not None
    assert found.width_s == pytest.approx(10.0, abs=2.0)


@pytest.mark.parametrize("mean_s", [0.0, 1.0, 2.0])
@pytest.mark.parametrize("late_s", [0.0, 1.5])
def test_usual_smoothing_is_none(mean_s: float, late_s: float) -> None:
    for seed in range(4):
        power = ridden(seed)
        assert averaging(shown(power, 0.0, 0.0, seed), shown(power, mean_s, late_s, seed + 50)) is USUAL


def test_noise_of_the_other_which_any_mean_makes_less_is_none() -> None:
    """A trainer holds the power, and both only scatter; or the load hardly changes while one scatters."""
    for seed in range(20):
        for power, noise in ((ridden(seed, 0.001, (200,)), 0.01), (ridden(seed, 0.0, (180, 181, 182)), 0.02)):
            found = averaging(shown(power, 0.0, 0.0, seed, noise), shown(power, 0.0, 0.5, seed + 50, 0.01))
            assert found is None or found is USUAL


def test_one_that_never_changes_or_hardly_was_seen_tells_nothing() -> None:
    power = shown(ridden(3), 0.0, 0.0, 3)
    assert averaging(power, np.full(len(power), 200.0)) is None
    assert averaging(power[:40], power[:40]) is None
    holes = power.copy()
    holes[::15] = np.nan
    assert averaging(holes, power) is None


@pytest.mark.parametrize("width", [5, 8, 10, 12])
def test_what_a_mean_moves_over_an_end_of_a_window(width: int) -> None:
    """A step of 100 W and its moving mean, read half its width earlier, with ends at every place of it."""
    fine, at = 100, 40 * 100
    step = np.where(np.arange(80 * fine) >= at, 100.0, 0.0)
    sums = np.concatenate((np.zeros(1), np.cumsum(step) / fine))
    late = np.array([(sums[k] - sums[max(0, k - width * fine)]) / width for k in range(len(sums))])
    missed = np.cumsum(late)[width * fine // 2 :] / fine - sums[: len(sums) - width * fine // 2]
    # By hand: in the middle of the ramp a triangle of half the step and half the width is missing.
    assert np.max(np.abs(missed)) == pytest.approx(100.0 * width / 8.0, rel=0.01)
    for k in range(at, at + width * fine, fine // 2):
        five = late[max(0, k - 5 * fine) : k + 1]
        open_j = averaged_j(float(width * width), 0.0, float(five.max() - five.min()))
        assert abs(missed[k - width * fine // 2]) <= open_j + 1.0


LEVELS = (150, 250, 180, 270, 160, 230, 190, 260)


def told(smoothing_s: float, changes: tuple[Change, ...], seed: int) -> list[Finding]:
    """What is raised of one evening's power: one that averages, beside two that don't."""
    pieces = tuple(Piece(f"{k}", 90, w, 88) for k, w in enumerate(LEVELS))
    meters = (
        Meter("larch", "reference", "pedals", "ant-dual", 1.0),
        Meter(
            "alder",
            "on-test",
            "pedals",
            "ble-total",
            1.5,
            1.004,
            1.004,
            delay_s=1.0,
            smoothing_s=smoothing_s,
            changes=changes,
        ),
        Meter("spoke", "witness", "spider", "ble-total", 1.5),
    )
    evening = make(Plan("averaging", seed, pieces, meters, "larch"))
    findings = collect(Header(evening.bench, "benchmark", UTC_NS, evening.protocol), evening.records).findings
    return [f for f in findings if f.event == "raised" and f.kind in ("power-off", "shifted", "side-off")]


@pytest.mark.parametrize("seed", [31, pytest.param(32, marks=SLOW), pytest.param(33, marks=SLOW)])
@pytest.mark.parametrize("smoothing_s", [8.0, 10.0])
def test_a_healthy_one_that_averages_is_accused_of_nothing_where_the_load_changes(
    smoothing_s: float, seed: int
) -> None:
    assert not told(smoothing_s, (), seed)


@pytest.mark.parametrize("seed", [41, pytest.param(42, marks=SLOW)])
@pytest.mark.parametrize("smoothing_s", [pytest.param(1.0, marks=SLOW), 10.0])
@pytest.mark.parametrize("piece", [1, 4])
def test_an_error_that_begins_with_a_change_of_load_is_found_in_its_time(
    piece: int, smoothing_s: float, seed: int
) -> None:
    """What averaging leaves open hides for the length of a window at most, also where it is not told yet."""
    at_s = SETTLE_S + 90.0 * piece
    found = [f for f in told(smoothing_s, (Change(at_s, 1.064, 1.064),), seed) if f.kind == "power-off"]
    assert found
    assert found[0].instrument == "alder"
    assert at_s < found[0].t_s < at_s + 60.0


def alternating(stuck_s: float = 1e9) -> list[Finding]:
    """What is raised where power goes up and down, then to and fro within ten seconds: one that shows a mean
    of fifteen revolutions, at 90 rpm, stands still there. From `stuck_s` on it always shows the same."""
    chance = random.Random(5)
    ride = Ride(
        *(Stretch(4, chance.uniform(190.0, 250.0), 90, 0.5) for _ in range(40)),
        *(Stretch(5, w, 90, 0.5) for _ in range(5) for w in (212, 228)),
        *(Stretch(4, chance.uniform(190.0, 250.0), 90, 0.5) for _ in range(10)),
    )
    last: deque[int] = deque(maxlen=15)
    slow: list[Packet] = []
    for packet in Stream("heron", torque=False).bluetooth(ride):
        body = Body.from_bytes(packet.data)
        if packet.t_ns < stuck_s * S:
            last.append(body.power_w)
        shown_w = round(sum(last) / len(last))
        slow.append(
            Packet(packet.t_ns, "heron", "2A63", bytes(msgspec.structs.replace(body, power_w=shown_w)))
        )
    pipeline = Pipeline(bench("hub", "heron"))
    found: list[Finding] = []
    for record in merged(ticks(ride.seconds), Stream("hub").ant(ride), slow):
        found += pipeline.feed(record)
    return [f for f in found if f.event == "raised" and f.kind == "stuck"]


def test_a_mean_that_stands_still_while_its_length_evens_all_out_is_not_stuck() -> None:
    assert not alternating()


def test_one_that_averages_and_gets_stuck_is_found() -> None:
    found = alternating(210.0)
    assert [f.instrument for f in found] == ["heron"]
    assert 210.0 < found[0].t_s < 235.0
