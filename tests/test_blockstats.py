"""Intervals, components of variance and changes, held to published examples and other libraries."""

import math
from itertools import pairwise

import numpy as np
import pytest
import scipy.stats
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.analysis.blockstats import (
    Spread,
    change_points,
    components,
    interval,
    limits_of_agreement,
    step_beside,
    usual_spread,
)
from monitor.analysis.statistics import Floats, judge
from tests.helpers.metrology import vector


def peak_flow() -> tuple[Floats, Floats]:
    """First readings of both meters: Bland and Altman, Lancet 1986; 327: 307-310, table 1."""
    told = vector("bland-altman-1986")["input"]
    return np.array(told["a_first"], dtype=np.float64), np.array(told["b_first"], dtype=np.float64)


def test_limits_of_agreement_of_the_paper() -> None:
    a, b = peak_flow()
    told = vector("bland-altman-1986")["expected"]
    limits = limits_of_agreement(a - b)
    assert limits.bias == pytest.approx(told["mean"], abs=1e-9)
    assert limits.sd == pytest.approx(told["sd"], abs=1e-9)
    assert [limits.lower, limits.upper] == pytest.approx(told["limits_196sd"], abs=1e-9)
    # As printed there: mean -2.1, standard deviation 38.8, limits with twice it -79.7 and 75.5.
    assert round(limits.bias, 1) == told["paper_printed"]["mean"]
    assert round(limits.sd, 1) == told["paper_printed"]["sd"]
    twice = [round(limits.bias, 1) + k * round(limits.sd, 1) for k in (-2.0, 2.0)]
    assert twice == pytest.approx(told["paper_printed"]["limits"], abs=1e-9)


def test_limits_of_a_ratio_are_those_of_the_logarithms() -> None:
    a, b = peak_flow()
    told = vector("bland-altman-1986")["expected"]
    limits = limits_of_agreement(np.log(a / b))
    assert math.exp(limits.bias) == pytest.approx(told["ratio_geomean"], abs=1e-9)
    assert [math.exp(limits.lower), math.exp(limits.upper)] == pytest.approx(
        told["ratio_limits_196"], abs=1e-9
    )


def test_interval_without_prior_is_students() -> None:
    a, b = peak_flow()
    told = vector("bland-altman-1986")["expected"]
    # High and low by turns have no positive autocorrelation, so all 17 count.
    ordered = np.sort(a - b)
    d = np.empty(17)
    d[::2], d[1::2] = ordered[:9], ordered[9:]
    found = interval(d, Spread())
    assert found is not None
    assert found.n_effective == 17
    assert [found.value - found.u95, found.value + found.u95] == pytest.approx(told["ci95_mean"], abs=1e-3)
    few = interval(d[:6], Spread())
    assert few is not None
    half = scipy.stats.t.ppf(0.975, 5) * d[:6].std(ddof=1) / math.sqrt(6)
    assert few.u95 == pytest.approx(half, rel=1e-3)


def test_agreement_within_a_limit_is_an_equivalence_test() -> None:
    # Two one-sided tests on the same data with a margin of 20: p = 0.0377, so at 5 % they are
    # equivalent, at 2.5 % (which an interval of 95 % means) they are not.
    a, b = peak_flow()
    told = vector("tost-pefr")["expected"]
    d = a - b
    se = float(d.std(ddof=1)) / math.sqrt(len(d))
    p = scipy.stats.t.sf((20.0 - abs(float(d.mean()))) / se, len(d) - 1)
    assert p == pytest.approx(told["p_tost"], abs=1e-9)
    u90 = scipy.stats.t.ppf(0.95, len(d) - 1) * se
    u95 = scipy.stats.t.ppf(0.975, len(d) - 1) * se
    assert judge(float(d.mean()), u90, 20.0) == "agrees"
    assert judge(float(d.mean()), u95, 20.0) == "undecided"


def test_who_agrees_conforms_with_at_least_97_5_percent() -> None:
    # JCGM 106:2012: the probability of conformance is the normal distribution function of the distance
    # to the limit in standard uncertainties. Its example of -5.47 ± 0.05 against -5.40 gives 0.92
    # (the printed figure is from memory): with the guard band U = 1.96 u that is no agreement.
    u, limit = 0.05, 0.07
    conforms = scipy.stats.norm.cdf(limit / u)
    assert conforms == pytest.approx(vector("jcgm106-conformance")["expected"][0]["pc"], abs=1e-9)
    assert judge(0.0, 1.96 * u, limit) == "undecided"
    for distance in np.linspace(-0.3, limit, 61):
        y = limit - float(distance)
        verdict = judge(abs(y), 1.96 * u, limit)
        inside = scipy.stats.norm.cdf(float(distance) / u)
        assert verdict != "agrees" or inside >= 0.975 - 1e-6
        assert verdict != "differs" or inside <= 0.025 + 1e-6


@pytest.mark.parametrize("n", [3, 5, 11, 30])
@pytest.mark.parametrize("r", [0.0, 0.3])
def test_interval_covers_the_mean_in_short_segments(n: int, r: float) -> None:
    # A session of several segments: the spread is learnt from all, the interval is one segment's.
    rng = np.random.default_rng(n * 10 + int(10 * r))
    hits = trials = 0
    for _ in range(250):
        noise = rng.standard_normal((6, n + 20))
        values = np.zeros_like(noise)
        for k in range(1, n + 20):
            values[:, k] = r * values[:, k - 1] + math.sqrt(1.0 - r * r) * noise[:, k]
        segments = [row[20:] for row in values]
        usual = usual_spread(segments)
        for segment in segments[:2]:
            found = interval(segment, usual)
            assert found is not None
            hits += abs(found.value) <= found.u95
            trials += 1
    # 500 trials at 95 % have a standard deviation of one percent.
    assert 0.90 <= hits / trials <= 0.998


def test_interval_of_one_block_needs_the_sessions_spread() -> None:
    one = np.array([0.01])
    assert interval(one, Spread()) is not None
    assert math.isinf(interval(one, Spread()).u95)  # type: ignore[union-attr]
    known = interval(one, Spread(0.01, 40.0, 0.0))
    assert known is not None
    assert known.u95 == pytest.approx(scipy.stats.t.ppf(0.975, 4) * 0.01, rel=1e-3)
    assert interval(np.zeros(0), Spread(0.01, 40.0, 0.0)) is None


def test_components_are_the_mean_squares_of_anova() -> None:
    rng = np.random.default_rng(5)
    groups = [rng.normal(m, 1.0, size) for m, size in ((0.0, 4), (1.5, 7), (-0.5, 5), (0.7, 6))]
    found = components(groups)
    assert found is not None
    f = scipy.stats.f_oneway(*groups).statistic
    total = sum(len(g) for g in groups)
    m0 = (total - sum(len(g) ** 2 for g in groups) / total) / (len(groups) - 1)
    assert found.within**2 * (1.0 + m0 * found.between**2 / found.within**2) == pytest.approx(
        f * found.within**2, rel=1e-9
    )
    pooled = sum(((g - g.mean()) ** 2).sum() for g in groups) / (total - len(groups))
    assert found.within == pytest.approx(math.sqrt(pooled), rel=1e-12)
    assert found.total == pytest.approx(math.hypot(found.within, found.between), rel=1e-12)


def test_within_instrument_repeatability_from_duplicates() -> None:
    told = vector("bland-altman-1986")["input"]
    expected = vector("repeatability-1986")["expected"]
    pairs = list(zip(told["a_first"], told["a_second"], strict=True))
    found = components(pairs)
    assert found is not None
    assert found.within == pytest.approx(expected["within_sd_a"], abs=1e-9)


def test_no_components_without_repeats_or_groups() -> None:
    assert components([[1.0], [2.0]]) is None
    assert components([[1.0, 2.0]]) is None
    assert components([]) is None


def test_the_nile_changes_in_1898() -> None:
    # Cobb, Biometrika 65, 243 (1978); the data come with statsmodels.
    import statsmodels.api as sm

    flow = sm.datasets.nile.load_pandas().data["volume"].to_numpy(dtype=np.float64)
    told = vector("nile")["expected"]
    (at,) = change_points(flow, 3.0 * math.log(len(flow)) * float(flow.var()) / 2.0)
    assert at == told["change_after_index"]
    assert 1871 + at - 1 == told["year"]
    assert float(flow[:at].mean()) == pytest.approx(told["mean_before"], abs=1e-9)
    assert float(flow[at:].mean()) == pytest.approx(told["mean_after"], abs=1e-9)


@settings(max_examples=40, deadline=None)
@given(st.lists(st.floats(-5.0, 5.0), min_size=4, max_size=9), st.floats(0.1, 20.0))
def test_partition_is_the_best_of_all(values: list[float], penalty: float) -> None:
    y = np.array(values)
    n = len(y)

    def cost(points: list[int]) -> float:
        edges = [0, *points, n]
        parts = pairwise(edges)
        return sum(float(((y[a:b] - y[a:b].mean()) ** 2).sum()) for a, b in parts) + penalty * len(points)

    every = [[]]
    for mask in range(1, 1 << (n - 1)):
        points = [k + 1 for k in range(n - 1) if mask >> k & 1]
        edges = [0, *points, n]
        if all(b - a >= 2 for a, b in pairwise(edges)):
            every.append(points)
    assert cost(change_points(y, penalty)) == pytest.approx(min(map(cost, every)), abs=1e-9)


def test_a_step_beside_a_slope_is_what_least_squares_gives() -> None:
    rng = np.random.default_rng(9)
    x = rng.uniform(0.02, 0.08, 60)
    step = np.where(np.arange(60) >= 25, 0.03, 0.0)
    y = 0.01 + step + 0.4 * x + 0.002 * rng.standard_normal(60)
    found, sd = step_beside(y, x, 25)
    assert found == pytest.approx(0.03, abs=4.0 * sd)
    assert 0.0003 < sd < 0.002
    # Where torque changes with the step and nothing else happens there is no step.
    x = np.where(np.arange(60) >= 25, 0.07, 0.03) + 0.004 * rng.standard_normal(60)
    found, sd = step_beside(0.4 * x + 0.002 * rng.standard_normal(60), x, 25)
    assert abs(found) < 4.0 * sd
