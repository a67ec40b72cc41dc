"""How sure a mean of blocks is when their noise is white, neighbourly or slow."""

import math

import numpy as np
import pytest
from scipy.linalg import solve

from monitor.analysis.block import BLOCK_S
from monitor.analysis.budget import TAUS_S, Noise, noise_of_blocks


def fading(n: int, r: float, sd: float, rng: np.random.Generator) -> np.ndarray:
    """First order autoregression from its stationary start."""
    x = np.zeros(n)
    x[0] = sd * rng.standard_normal()
    for k in range(1, n):
        x[k] = r * x[k - 1] + sd * math.sqrt(1.0 - r * r) * rng.standard_normal()
    return x


def blocks(rng: np.random.Generator, r: float, slow: bool) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Seven segments of 5 to 29 blocks with a rest between them; the true ratio is one."""
    sizes = (5, 11, 5, 11, 17, 5, 29)
    at, segment, first = [], [], 0
    for k, n in enumerate(sizes):
        at += range(first, first + n)
        segment += [k] * n
        first += n + 2
    y = fading(first, r, 0.006, rng)
    if slow:
        # 0.4 % with a time constant of 60 s.
        y += fading(first, math.exp(-BLOCK_S / 60.0), 0.004, rng)
    where = np.array(at)
    return y[where], BLOCK_S * where, np.array(segment)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("r", "slow", "least", "most"),
    [(0.0, False, 94.0, 100.0), (0.45, False, 93.0, 99.5), (0.0, True, 88.0, 99.5), (0.7, True, 88.0, 99.5)],
)
def test_intervals_of_segments_and_of_all_hold_what_they_say(
    r: float, slow: bool, least: float, most: float
) -> None:
    rng = np.random.default_rng(20261)
    inside = count = inside_all = 0
    sessions = 40
    for _ in range(sessions):
        y, begin_s, segment = blocks(rng, r, slow)
        noise = noise_of_blocks(y, begin_s, segment, np.zeros_like(segment))
        for k in range(7):
            mask = segment == k
            inside += abs(float(y[mask].mean())) <= noise.mean(y[mask], begin_s[mask]).u95
            count += 1
        inside_all += abs(float(y.mean())) <= noise.mean(y, begin_s).u95
    assert least <= 100.0 * inside / count <= most
    assert inside_all >= 0.85 * sessions


def test_the_noise_of_a_long_session_is_what_was_put_in() -> None:
    rng = np.random.default_rng(5)
    n = 400
    y = fading(n, 0.45, 0.006, rng)
    at = np.arange(n)
    noise = noise_of_blocks(y, BLOCK_S * at, at // 50, np.zeros(n, dtype=np.int64))
    assert noise.sd == pytest.approx(0.006, rel=0.15)
    assert noise.r == pytest.approx(0.45, abs=0.12)
    assert noise.dof == n - 8


def test_the_variance_of_a_mean_by_hand() -> None:
    # Two blocks ten seconds apart, nugget 1, one part of 3 that fades with 6 s:
    # (4 + 4 + 2 * 3 exp(-10/6)) / 4.
    noise = Noise(1.0, (3.0, 0.0, 0.0, 0.0, 0.0), 20.0)
    assert noise.of_mean(np.array([0, 10])) == pytest.approx((8.0 + 6.0 * math.exp(-10.0 / 6.0)) / 4.0)
    # Many blocks are counted by distance; it is the same sum.
    at = 10 * np.arange(500)
    exact = float(noise.covariance(at).sum()) / 500**2
    assert noise.of_mean(at) == pytest.approx(exact, rel=1e-9)


def test_own_scatter_counts_beside_the_sessions() -> None:
    noise = Noise(1e-4, (0.0, 2e-4, 0.0, 0.0, 0.0), 40.0)
    at = 10 * np.arange(6)
    y = np.array([0.01, -0.03, 0.05, 0.0, -0.06, 0.03])
    residual = (
        y
        - np.ones(6)
        * (np.ones(6) @ solve(noise.covariance(at), y))
        / solve(noise.covariance(at), np.ones(6)).sum()
    )
    q = float(residual @ solve(noise.covariance(at), residual))
    factor, dof = noise.scale(y, at)
    assert dof == 8.0 + 5.0
    assert factor == pytest.approx((8.0 + q) / 13.0, rel=1e-6)


def test_what_is_not_known_is_infinite() -> None:
    two = np.array([0.0, 0.01])
    noise = noise_of_blocks(two, np.array([0, 10]), np.array([0, 1]), np.array([0, 0]))
    assert noise.dof == 0.0
    assert noise.mean(two, np.array([0, 10])).u95 == math.inf


def test_covariances_by_whole_seconds_are_those_worked_out_one_by_one() -> None:
    noise = Noise(0.2, tuple(0.1 * (k + 1) for k in range(len(TAUS_S))), 50.0)
    for begin_s in (np.arange(0, 3000, 10), np.array([0, 7, 9, 2000]), np.array([], dtype=np.int64)):
        one_by_one = noise.covariance(begin_s.astype(np.float64))
        assert noise.covariance(begin_s).tobytes() == one_by_one.tobytes()
