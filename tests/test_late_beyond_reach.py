"""One that comes later than can be measured is not one that comes at once."""

import numpy as np
import pytest

from monitor.analysis.expected import ALIKE
from monitor.analysis.lag import TIMING_REACH_S, Floats, slope_lag, timing
from tests.benchmarks.judgement.evening import Meter, Piece, Plan
from tests.benchmarks.judgement.score import run


def ridden(late_s: int, seed: int = 4) -> tuple[Floats, Floats]:
    """Five minutes of loads that change, and the same power so many seconds later; watts at 1 Hz."""
    rng = np.random.default_rng(seed)
    levels = np.repeat([150.0, 260.0, 190.0, 240.0, 160.0], 64)
    wander = np.convolve(rng.standard_normal(len(levels) + 8), np.ones(9) / 3.0, "valid")
    power = np.convolve(levels + 6.0 * wander, np.ones(3) / 3.0, "same")
    late = np.concatenate((np.full(late_s, power[0]), power[: len(power) - late_s]))
    return power[:310], late[:310] * (1.0 + 0.002 * rng.standard_normal(310))


@pytest.mark.parametrize("late_s", [0, 2, 5])
def test_a_lag_within_reach_is_measured(late_s: int) -> None:
    found = timing(*ridden(late_s), ALIKE, float(late_s))
    assert found.lag_s == pytest.approx(late_s, abs=0.5)
    assert found.sd_s < 0.6


@pytest.mark.parametrize("late_s", [8, 9])
def test_a_lag_beyond_reach_leaves_open_what_lies_between(late_s: int) -> None:
    a, b = ridden(late_s)
    assert slope_lag(a, b, ALIKE, 0.0) is None
    found = ALIKE
    for _ in range(3):
        found = timing(a, b, ALIKE, found.lag_s)
    # It is not told as if nothing had been ridden: then two of a kind come within a second of each other.
    assert found.lag_s == ALIKE.lag_s
    assert found.sd_s > TIMING_REACH_S
    # Even riding shows no lag, and nothing speaks against what was thought.
    even = np.full(310, 200.0)
    assert timing(even, even, ALIKE, 0.0).sd_s <= ALIKE.sd_s


@pytest.mark.slow
@pytest.mark.parametrize("seed", [81, 82])
def test_a_healthy_one_that_averages_long_and_comes_late_is_accused_of_nothing(seed: int) -> None:
    pieces = tuple(Piece(f"{k}", 90, w, 88) for k, w in enumerate((150, 250, 180, 270, 160, 230, 190, 260)))
    meters = (
        Meter("larch", "reference", "pedals", "ant-dual", 1.0),
        Meter("alder", "on-test", "pedals", "ble-total", 1.5, delay_s=4.0, smoothing_s=8.0),
        Meter("spoke", "witness", "spider", "ble-total", 1.5),
    )
    _, findings, study = run(Plan("late", seed, pieces, meters, "larch"))
    assert not [
        f for f in findings if f.event == "raised" and f.kind in ("power-off", "shifted", "power-missing")
    ]
    assert study["instruments"]["alder"]["verdict"] != "differs"
