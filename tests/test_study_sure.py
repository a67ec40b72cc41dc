"""The spread between segments, gain and zero, from a session's noise: by hand, by a library, by chance."""

import math

import numpy as np
import pytest
from statsmodels.regression.linear_model import GLS

from monitor.analysis.block import BLOCK_S
from monitor.analysis.budget import Noise, noise_of_blocks
from monitor.study.estimate.sure import Between, Levels, Sure, between_of, gain_and_zero
from tests.test_study_noise import fading

RNG_SEED = 20264
QUIET = Noise(1e-6, (0.0, 4e-6, 0.0, 0.0, 0.0), 100.0)


def test_the_spread_between_segments_by_hand() -> None:
    """DerSimonian and Laird: 0, 2 and 4 with variances of 1 have a mean of 2, Q = 8, two degrees of freedom.

    c = 3 - 3 / 3 = 2: the variance between them is (8 - 2) / 2 = 3. Unequal ones, weights 1, 1/2, 1/4:
    mean (0 + 1 + 1) / 1.75 = 8/7, Q = 64/49 + 18/49 + 100/49 = 26/7, c = 1.75 - 1.3125 / 1.75 = 1:
    (26/7 - 2) / 1 = 12/7.
    """
    even = between_of([Levels([(0.0, 1.0), (2.0, 1.0), (4.0, 1.0)])])
    assert (even.sd, even.dof) == (pytest.approx(math.sqrt(3.0)), 2.0)
    uneven = between_of([Levels([(0.0, 1.0), (2.0, 2.0), (4.0, 4.0)])])
    assert uneven.sd**2 == pytest.approx(12.0 / 7.0)
    # Two states pool what they say: (8 + 2 - 2 - 1) / (2 + 1), and a state of one segment says nothing.
    pooled = between_of(
        [Levels([(0.0, 1.0), (2.0, 1.0), (4.0, 1.0)]), Levels([(0.0, 1.0), (2.0, 1.0)]), Levels([(9.0, 1.0)])]
    )
    assert (pooled.sd**2, pooled.dof) == (pytest.approx(7.0 / 3.0), 3.0)
    # No more than chance makes of them: nothing.
    assert between_of([Levels([(0.0, 1.0), (0.5, 1.0)])]).sd == 0.0
    assert between_of([]).dof == 0.0


def test_what_it_leaves_open_of_a_mean_by_hand() -> None:
    """0.3 % between segments, three degrees of freedom (t = 3.182): four alike 3.182 x 0.3 / 2 = 0.477 %.

    Ten, five and five blocks count as 400 / 150 = 2.67 segments.
    """
    between = Between(0.003, 3.0)
    assert between.percent([7, 7, 7, 7]) == pytest.approx(0.4773, abs=1e-4)
    assert between.percent([10, 5, 5, 0]) == pytest.approx(
        100 * 3.182 * 0.003 / math.sqrt(400 / 150), abs=1e-3
    )
    assert Between().percent([7, 7]) == 0.0


def test_a_budget_is_the_root_sum_of_squares_of_its_parts() -> None:
    """GUM 5.1.2, parts that have nothing to do with each other: 0.3, 0.4 and 1.2 % give 1.3 %."""
    sure = Sure(math.log(1.02), 12, 6.0, 0.01, {"scatter": 0.3, "lag and edges": 0.4, "drivetrain loss": 1.2})
    assert sure.u95 == pytest.approx(1.3)
    assert sure.percent == pytest.approx(2.0)
    assert sure.of("scatter", "lag and edges") == pytest.approx(0.5)


def ride(rng: np.random.Generator, r: float, level: float) -> tuple[np.ndarray, ...]:
    """Six segments of five torques: torque, log ratio of gain 1.02 and zero 0.3 N·m, begin, segment."""
    torques, sizes = (14.0, 22.0, 33.0, 20.0, 28.0, 22.0), (11, 17, 13, 11, 17, 16)
    torque, segment, at, first = [], [], [], 0
    for k, (nm, n) in enumerate(zip(torques, sizes, strict=True)):
        torque += (nm * (1.0 + 0.02 * rng.standard_normal(n))).tolist()
        segment += [k] * n
        at += range(first, first + n)
        first += n + 3
    x, of, where = np.array(torque), np.array(segment), np.array(at)
    noise = fading(first, r, 0.004, rng)[where] + level * rng.standard_normal(6)[of]
    return x, np.log(1.02 + 0.3 / x) + noise, BLOCK_S * where, of


def test_gain_and_zero_are_generalised_least_squares() -> None:
    """Against statsmodels, with the noise's covariance; the scale pooled with eight degrees of freedom."""
    x, y, begin_s, segment = ride(np.random.default_rng(4), 0.3, 0.0)
    fit = gain_and_zero(x, y, begin_s, np.zeros_like(segment), QUIET)
    assert fit is not None
    design = np.column_stack([np.ones(len(x)), 1.0 / x])
    known = GLS(np.exp(y), design, sigma=QUIET.covariance(begin_s)).fit()
    assert (fit.gain, fit.offset_nm) == pytest.approx(tuple(known.params), rel=1e-9)
    rest = known.scale * (len(x) - 2)
    scale = (8.0 + rest) / (8.0 + len(x) - 2.0)
    covariance = known.cov_params() / known.scale * scale
    assert fit.sd_gain == pytest.approx(math.sqrt(covariance[0, 0]), rel=1e-6)
    assert fit.sd_offset_nm == pytest.approx(math.sqrt(covariance[1, 1]), rel=1e-6)
    assert fit.covariance == pytest.approx(covariance[0, 1], rel=1e-6)


def test_a_line_is_no_surer_than_its_segments_lie_on_it() -> None:
    """Segments that lie 1 % off the line, whatever their blocks scatter: the gain is far less sure."""
    x, y, begin_s, segment = ride(np.random.default_rng(6), 0.0, 0.0)
    off = np.array([0.01, -0.01, 0.01, 0.01, -0.01, -0.01])[segment]
    one = gain_and_zero(x, y, begin_s, segment, QUIET)
    two = gain_and_zero(x, y + off, begin_s, segment, QUIET)
    assert one is not None
    assert two is not None
    assert two.sd_gain > 3.0 * one.sd_gain


def test_too_few_or_too_like_blocks_have_no_line() -> None:
    x, y, begin_s, segment = ride(np.random.default_rng(6), 0.0, 0.0)
    assert gain_and_zero(x[:5], y[:5], begin_s[:5], segment[:5], QUIET) is None
    assert gain_and_zero(np.full(len(x), 20.0), y, begin_s, segment, QUIET) is None
    assert gain_and_zero(x, y, begin_s, segment, Noise()) is None
    assert gain_and_zero(x[:0], y[:0], begin_s[:0], segment[:0], QUIET) is None


def test_a_line_through_a_day_of_blocks_is_laid_in_bounded_time() -> None:
    rng = np.random.default_rng(3)
    n = 8000
    x = 20.0 + 8.0 * rng.random(n)
    fit = gain_and_zero(x, np.log(1.01 + 0.1 / x), BLOCK_S * np.arange(n), np.zeros(n, dtype=np.int64), QUIET)
    assert fit is not None
    assert fit.n <= 1200
    assert (fit.gain, fit.offset_nm) == pytest.approx((1.01, 0.1), abs=1e-6)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("r", "level", "least"), [(0.0, 0.0, 93.0), (0.45, 0.0, 93.0), (0.85, 0.0, 88.0), (0.3, 0.003, 88.0)]
)
def test_gain_and_zero_hold_what_they_say(r: float, level: float, least: float) -> None:
    """A simulation: white, neighbourly and slow noise, and segments with levels of their own.

    Four of six segments determine a level of their own badly: with 0.3 % between them 88 % is asked.
    """
    rng = np.random.default_rng(RNG_SEED)
    inside = count = 0
    for _ in range(150):
        x, y, begin_s, segment = ride(rng, r, level)
        noise = noise_of_blocks(y, begin_s, segment, np.zeros_like(segment))
        fit = gain_and_zero(x, y, begin_s, segment, noise)
        assert fit is not None
        inside += abs(fit.gain - 1.02) <= fit.t * fit.sd_gain
        inside += abs(fit.offset_nm - 0.3) <= fit.t * fit.sd_offset_nm
        count += 2
    assert 100.0 * inside / count >= least
