"""Who stands apart: published comparisons, hand-worked ones, and how often it is right, wrong or silent."""

import math
from itertools import combinations
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from scipy import stats

from monitor.analysis.consistency import (
    Consistency,
    Opinion,
    chi_squared_tail,
    copies_of,
    judge_consistency,
    largest_consistent,
    odds_out,
    tail_of,
    weighted,
)
from monitor.live.who.copies import Copies
from monitor.setup.bench import Instrument

# The Newtonian constant of gravitation (10^-11 m^3 kg^-1 s^-2), measured eleven times: Mohr, Taylor, Newell,
# "CODATA recommended values of the fundamental physical constants: 2010", Rev. Mod. Phys. 84, 1527.
# Values from memory; that they give the published chi-squared speaks for them.
G = (
    (6.67248, 0.00043), (6.67290, 0.00050), (6.67398, 0.00070), (6.674255, 0.000092), (6.67559, 0.00027),
    (6.67422, 0.00098), (6.67387, 0.00027), (6.67228, 0.00087), (6.67425, 0.00012), (6.67349, 0.00018),
    (6.67234, 0.00014),
)  # fmt: skip


def bench(*values: float, claims: tuple[float, ...], u: float = 0.1) -> Consistency:
    return judge_consistency(
        [Opinion(f"i{k}", v, u, c) for k, (v, c) in enumerate(zip(values, claims, strict=True))]
    )


def test_chi_squared_of_a_published_inconsistent_comparison() -> None:
    values, variances = [g for g, _ in G], [u * u for _, u in G]
    _, _, chi = weighted(values, variances)
    # Published for ten degrees of freedom: 209.6, a Birge ratio of 4.58.
    assert chi == pytest.approx(209.6, abs=0.06)
    assert math.sqrt(chi / 10.0) == pytest.approx(4.58, abs=0.005)
    assert tail_of(values, variances) < 1e-30


@pytest.mark.parametrize("dof", [1, 2, 3, 4, 5, 9, 10, 31])
def test_tail_of_chi_squared_against_a_library(dof: int) -> None:
    for x in (0.01, 0.5, 1.0, 3.84, 6.635, 9.21, 25.0, 80.0):
        assert chi_squared_tail(x, dof) == pytest.approx(stats.chi2.sf(x, dof), rel=1e-10)
    assert chi_squared_tail(0.0, dof) == 1.0


def test_tail_at_the_points_of_a_handbook_table() -> None:
    # NIST/SEMATECH e-Handbook 1.3.6.7.4, upper tail 0.01, for 1, 2 and 3 degrees of freedom.
    for dof, x in ((1, 6.635), (2, 9.210), (3, 11.345)):
        assert chi_squared_tail(x, dof) == pytest.approx(0.01, abs=2e-6)


def test_weighted_mean_by_hand() -> None:
    # Weights 1, 1/4, 1/4: mean (10 + 12/4 + 8/4) / 1.5 = 10, chi-squared 0 + 4/4 + 4/4, u = 1 / sqrt(1.5).
    assert weighted([10.0, 12.0, 8.0], [1.0, 4.0, 4.0]) == pytest.approx((10.0, 1.0 / math.sqrt(1.5), 2.0))


def test_largest_subset_by_hand() -> None:
    # Unit variances; three values within one, the fourth ten away: (0, 0.5, 1) have chi-squared 0.5.
    assert largest_consistent([0.0, 0.5, 1.0, 10.0], [1.0] * 4) == [(0, 1, 2)]
    # Three in a row, three apart each: neighbours have 9/2 = 4.5 < 6.635 each, all three 18 > 9.21.
    assert largest_consistent([0.0, 3.0, 6.0], [1.0] * 3) == [(0, 1), (1, 2)]
    # Ten apart each: no two are consistent (100/2 > 6.635).
    assert largest_consistent([0.0, 10.0, 20.0], [1.0] * 3) == []


def test_largest_subset_against_complete_enumeration_with_a_library() -> None:
    rng = np.random.default_rng(20)
    for _ in range(60):
        n = int(rng.integers(2, 7))
        values = rng.normal(0.0, 2.5, n).tolist()
        variances = rng.uniform(0.3, 2.0, n).tolist()
        expected: list[tuple[int, ...]] = []
        for size in range(n, 1, -1):
            for subset in combinations(range(n), size):
                x, w = np.array(values)[list(subset)], 1.0 / np.array(variances)[list(subset)]
                chi = float((w * (x - np.average(x, weights=w)) ** 2).sum())
                if stats.chi2.sf(chi, size - 1) >= 0.01:
                    expected.append(subset)
            if expected:
                break
        assert largest_consistent(values, variances) == expected


def test_the_one_outside_stands_apart_whatever_its_place() -> None:
    for k in range(3):
        values = [0.0, 0.2, -0.1]
        values[k] += 7.0
        found = bench(*values, claims=(1.0, 1.5, 1.5))
        assert [found.apart[f"i{j}"] for j in range(3)] == ["yes" if j == k else "no" for j in range(3)]
        assert found.odds[f"i{k}"] > 0.95


def test_two_can_only_differ() -> None:
    found = bench(0.0, 9.0, claims=(1.0, 1.5))
    assert not found.consistent
    assert set(found.apart.values()) == {"undecided"}


def test_two_against_two_is_no_majority() -> None:
    found = bench(0.0, 0.1, 8.0, 8.1, claims=(1.0,) * 4)
    assert set(found.apart.values()) == {"undecided"}


def test_one_between_two_is_not_apart_and_the_outer_ones_stay_open() -> None:
    # 0 and 3.2 are inconsistent with claims of 1 (u 0.58 each), the middle is consistent with both.
    found = bench(0.0, 1.7, 3.4, claims=(1.0, 1.0, 1.0))
    assert found.apart == {"i0": "undecided", "i1": "no", "i2": "undecided"}


def test_odds_by_hand_for_two() -> None:
    # Two with claims of sqrt(3) (variance 1), no noise, 8 apart. Variance of the difference: both in 2,
    # one out 26, both out 50; a pattern's density is that of the difference, times its prior (0.05 out).
    def density(variance: float) -> float:
        return math.exp(-64.0 / (2.0 * variance)) / math.sqrt(2.0 * math.pi * variance)

    inside, one, both = 0.95**2 * density(2.0), 0.95 * 0.05 * density(26.0), 0.05**2 * density(50.0)
    expected = (one + both) / (inside + 2.0 * one + both)
    odds = odds_out([Opinion(x, v, 0.0, math.sqrt(3.0)) for x, v in (("a", 0.0), ("b", 8.0))])
    assert odds["a"] == pytest.approx(expected, rel=1e-9)
    assert odds["b"] == pytest.approx(expected, rel=1e-9)


def test_on_test_is_likelier_out_than_what_is_trusted() -> None:
    odds = odds_out([Opinion("pedals", 0.0, 0.1, 1.0, 0.05), Opinion("heron", 5.0, 0.1, 1.0, 0.3)])
    assert odds["heron"] > 0.7 > 0.3 > odds["pedals"]


def test_nobody_and_one() -> None:
    assert judge_consistency([]).consistent
    assert judge_consistency([Opinion("a", 3.0, 0.1, 1.0)]).apart == {"a": "no"}


@pytest.mark.slow
def test_a_bench_of_many_is_judged_in_bounded_time() -> None:
    opinions = [Opinion(f"i{k}", 14.0 if k == 40 else 0.1 * (k % 5), 0.2, 1.5) for k in range(64)]
    found = judge_consistency(opinions)
    assert found.apart["i40"] == "yes"
    assert sum(v == "yes" for v in found.apart.values()) == 1


@pytest.mark.parametrize(
    ("bad", "off", "right"), [(1, 5.0, 0.9), (0, 5.0, 0.95), (1, 6.0, 0.97), (2, 6.0, 0.9)]
)
def test_operating_characteristics(bad: int, off: float, right: float) -> None:
    """Errors of healthy ones anywhere within their claims; one bad: it is named, hardly ever another."""
    rng = np.random.default_rng(7)
    claims, u = (1.0, 1.5, 1.5), (0.1, 0.1, 0.5)
    named = wrong = 0
    n = 1500
    for _ in range(n):
        errors = [rng.uniform(-c, c) for c in claims]
        errors[bad] = off * rng.choice((-1.0, 1.0))
        seen = [e + rng.normal(0.0, s) for e, s in zip(errors, u, strict=True)]
        found = judge_consistency([Opinion(str(k), seen[k], u[k], claims[k]) for k in range(3)])
        yes = [k for k in range(3) if found.apart[str(k)] == "yes"]
        named += yes == [bad]
        wrong += any(k != bad for k in yes)
    assert named >= right * n
    assert wrong <= 0.005 * n


def test_healthy_benches_are_left_alone() -> None:
    rng = np.random.default_rng(8)
    for claims in ((1.0, 1.5, 1.5), (2.0, 2.0, 2.0), (1.0, 1.5, 1.5, 2.0)):
        accused = 0
        for _ in range(1500):
            seen = [rng.uniform(-c, c) + rng.normal(0.0, 0.2) for c in claims]
            found = judge_consistency(
                [Opinion(str(k), v, 0.2, c) for k, (v, c) in enumerate(zip(seen, claims, strict=True))]
            )
            accused += "yes" in found.apart.values()
        assert accused <= 2


def test_one_device_on_two_radios_is_one_opinion_though_each_radio_adds_its_own_noise() -> None:
    """Hand-made five-second means: each instrument wanders by 0.3 %, each radio adds 0.075 %."""
    rng = np.random.default_rng(8)
    own = 0.3 * rng.standard_normal((3, 240))

    def heard(i: int) -> Any:
        return own[i] + 0.075 * rng.standard_normal(240)

    kinds = [
        Instrument(label=x, role="witness", mount="spider", sides="total", link=f"scene:{x}") for x in "abcd"
    ]
    facts: list[dict[str, object]] = [{}] * 4
    assert copies_of([0, 1, 2, 3], kinds, facts, {0: heard(0), 1: heard(1), 2: heard(2), 3: heard(2)}) == {
        3: 2
    }
    # Two that are alike to a half of what they differ from a third may be two good ones.
    good = {0: own[0], 1: own[0] + 0.12 * own[1] / 0.3, 2: own[2]}
    assert copies_of([0, 1, 2], kinds[:3], facts[:3], {**good, 2: own[0] + 0.24 * own[2] / 0.3}) == {}


def test_one_heard_twice_stays_one_while_a_rest_makes_its_radios_look_less_alike() -> None:
    rng = np.random.default_rng(9)

    def fives(apart: float) -> list[Any]:
        one, other = 0.4 * rng.standard_normal((2, 60))
        return [one, one + apart * rng.standard_normal(60), other]

    def kind(label: str) -> Instrument:
        return Instrument(label=label, role="witness", mount="spider", sides="total", link=f"scene:{label}")

    ring, kinds = SimpleNamespace(end=0), [kind(label) for label in "abc"]
    bench = SimpleNamespace(ring=ring, instruments=kinds, powered=[0, 1, 2], reference=None)
    copies = Copies(bench, [{}] * 3)  # type: ignore[arg-type]

    def heard(apart: float) -> dict[int, int]:
        ring.end += 60
        copies._fives = lambda end: fives(apart)  # type: ignore[method-assign]
        return copies.now()

    # Alone a spread of 0.3 % makes no copy; of one that is known it is no contradiction, 3 % is.
    assert heard(0.3) == {}
    assert heard(0.05) == {1: 0}
    assert heard(0.3) == {1: 0}
    assert heard(3.0) == {}
    assert heard(0.3) == {}
