"""The second of a step, from seconds of work on the ring that blocks of ten seconds do not see apart."""

import math

import numpy as np
import pytest

from monitor.analysis.curve import COLUMNS, COVERED, LEFT, SIDED, WORK, Ring
from monitor.live.faults.compared.moment import BEFORE_S, moment

POWER_W = 210.0


def ring_of(ratios: np.ndarray, lag_s: int = 0, scatter: float = 0.02, seed: int = 0) -> Ring:
    """One that reads `ratios` (one a second) times the others and is so late (early: below zero), beside
    two that read true."""
    rng = np.random.default_rng([seed, 61])
    power = POWER_W * (1.0 + 0.05 * np.sin(np.arange(len(ratios)) / 7.0))
    ring = Ring(3)
    for k in range(len(ratios)):
        cell = np.zeros((3, COLUMNS))
        own, others = max(0, k - max(0, lag_s)), max(0, k + min(0, lag_s))
        watts = np.array([power[own] * ratios[own], power[others], power[others]])
        cell[:, WORK] = watts * (1.0 + scatter * rng.standard_normal(3))
        cell[:, LEFT] = 0.5 * cell[:, WORK]
        cell[:, SIDED] = cell[:, COVERED] = 1.0
        ring.append(cell)
    return ring


@pytest.mark.parametrize("lag_s", [-2, 0, 3])
@pytest.mark.parametrize("side", ["total", "left"])
def test_a_step_is_placed_to_the_second_wherever_the_blocks_put_it(lag_s: int, side: str) -> None:
    """5 % at 0:103, told by the blocks as 0:100 or 0:110; a second scatters by 3 %."""
    errors = []
    for seed in range(20):
        ratios = np.where(np.arange(160) < 103, 1.0, 1.05)
        ring = ring_of(ratios, max(0, lag_s), seed=seed)
        others = (
            {1: float(max(0, lag_s)), 2: float(max(0, lag_s))} if side == "total" else {1: max(0.0, lag_s)}
        )
        at = moment(ring, 0, others, side, 100.0 + 10.0 * (seed % 2))  # type: ignore[arg-type]
        errors.append(at - 103.0 - max(0, lag_s))
    assert abs(np.mean(errors)) <= 1.0
    assert math.sqrt(np.mean(np.square(errors))) <= 2.5


def test_one_that_the_shortest_window_showed_lies_before_that_window() -> None:
    """Seen over the last ten seconds of 150 when they were half full of it and more: it was at 0:134."""
    ratios = np.where(np.arange(150) < 134, 1.0, 1.07)
    errors = [
        moment(ring_of(ratios, seed=seed), 0, {1: 0.0}, "total", 140.0, BEFORE_S) - 134.0
        for seed in range(20)
    ]
    assert abs(np.mean(errors)) <= 1.0
    assert np.max(np.abs(errors)) <= 4.0


@pytest.mark.parametrize("size", [0.0, 0.004])
def test_where_the_seconds_can_not_tell_the_blocks_do(size: float) -> None:
    """No step, one far below what a second scatters by, or a drift: nothing earlier is made up."""
    step = np.where(np.arange(160) < 103, 1.0, 1.0 + size)
    creep = 1.0 + 0.02 * np.arange(160) / 160.0
    for ratios in (step, creep):
        told = [moment(ring_of(ratios, seed=seed), 0, {1: 0.0}, "total", 100.0) for seed in range(20)]
        assert told.count(100.0) >= 18


def test_too_few_or_unknown_seconds_leave_it_where_it_was() -> None:
    assert moment(ring_of(np.ones(12)), 0, {1: 0.0}, "total", 6.0) == 6.0
    ring = ring_of(np.where(np.arange(160) < 103, 1.0, 1.1))
    ring.sums[:, 1, COVERED] = 0.0
    assert moment(ring, 0, {1: 0.0}, "total", 100.0) == 100.0
    assert moment(ring, 0, {1: 0.0}, "total", 100.0 + math.ulp(100.0)) > 100.0


def test_a_load_that_changes_with_the_reading_and_a_late_meter_mislead_it() -> None:
    """It fails where it must: the lag is not known, and the load jumps by half within these seconds."""
    n = 160
    ratios = np.where(np.arange(n) < 103, 1.0, 1.05)
    ring = Ring(2)
    power = np.where(np.arange(n) < 108, 200.0, 300.0)
    for k in range(n):
        cell = np.zeros((2, COLUMNS))
        cell[:, WORK] = (power[max(0, k - 4)] * ratios[k], power[k])
        cell[:, COVERED] = 1.0
        ring.append(cell)
    right, wrong = (moment(ring, 0, {1: lag_s}, "total", 100.0) for lag_s in (4.0, 0.0))
    assert abs(right - 103.0) <= 1.0
    assert abs(wrong - 103.0) > 1.0
