"""What stands at the end of the live session is never denied by the study of the same session.

The evenings are those of `tests.benchmarks.judgement`: made from published layouts, by a
generator that shares nothing with the monitor; each scenario is met by other seeds than the
benchmark's own.
"""

import math

import numpy as np
import pytest

from capture.profiles import decode
from capture.record import Packet
from tests.benchmarks.judgement import score
from tests.benchmarks.judgement.evening import block_figures, make, noise, tau_for
from tests.benchmarks.judgement.scenarios import PARTS, plan

FIRST_SEED = 5000
SCENARIOS = [name for part in PARTS.values() for name in part]
FEW = ["wrong unit", "zeroed or re-seated", "bad side after a sprint", "coverage r 0.45"]


@pytest.mark.slow
@pytest.mark.parametrize("scenario", FEW)
def test_the_study_never_denies_what_stood_at_the_end(scenario: str) -> None:
    result = score.judge(scenario, FIRST_SEED)
    assert result.crash == ""
    assert result.contradictions == []


@pytest.mark.slow
@pytest.mark.parametrize("scenario", SCENARIOS)
def test_no_scenario_makes_live_and_study_contradict_each_other(scenario: str) -> None:
    results = [score.judge(scenario, FIRST_SEED + 1 + k) for k in range(6)]
    assert [r.crash for r in results if r.crash] == []
    assert {r.case: r.contradictions for r in results if r.contradictions} == {}


def test_a_contradiction_is_seen() -> None:
    """The check of the check: a study that denies what stands open is caught."""
    _, findings, study = score.run(plan("wrong unit", FIRST_SEED))
    assert any(f.kind == "power-off" and f.event == "raised" for f in findings)
    unit = study["instruments"]["heron"]
    unit |= {"as_left": "agrees", "verdict": "agrees", "serves_as_reference": "yes"}
    unit["states"] = []
    study["instruments"]["pedals"] |= {"serves_as_reference": "undecided", "stands_apart": "undecided"}
    assert any("the study says agrees" in text for text in score.contradictions(findings, study))


def test_what_the_generator_sends_decodes_to_what_it_meant() -> None:
    """Mean power of all packets, over steady seconds, is the power at the crank; two layouts, within 1 %."""
    evening = make(plan("consensus of 4", FIRST_SEED))
    begin, end = next((a + 15, b) for a, b, name in evening.segments if name == "steady 1/2")
    for m in evening.plan.meters:
        shown = []
        for record in evening.records:
            if (
                isinstance(record, Packet)
                and record.instrument == m.label
                and begin < record.t_ns / 1e9 < end
            ):
                reading = decode(record.channel, record.data)
                if reading.power_w is not None:
                    shown.append(reading.power_w)
        clean = evening.clean_w[m.label][int(begin) : int(end)].mean()
        if m.mount == "hub":
            watts, percent = m.true_loss
            clean = clean * (1 - percent / 100) - watts
        assert np.mean(shown) == pytest.approx(clean, rel=0.01), m.label


@pytest.mark.parametrize("correlation", [0.0, 0.45, 0.7])
def test_ten_second_means_of_the_noise_correlate_as_asked(correlation: float) -> None:
    """Over 200 000 s; the standard error of a correlation of 20 000 blocks is 0.007 (Bartlett), three
    times that for slow wander."""
    x = noise(np.random.default_rng(7), 200_000, 0.004, correlation)
    blocks = x.reshape(-1, 10).mean(axis=1)
    assert np.std(blocks) == pytest.approx(0.004, rel=0.06)
    found = float(np.corrcoef(blocks[:-1], blocks[1:])[0, 1])
    assert found == pytest.approx(correlation, abs=0.03)


def test_block_means_of_exponential_noise() -> None:
    """Time constant of one block, by hand: variance 2 exp(-1) = 0.7358, correlation 0.3996 / 0.7358."""
    variance, neighbour = block_figures(10.0)
    assert variance == pytest.approx(2 * math.exp(-1))
    assert neighbour == pytest.approx((1 - math.exp(-1)) ** 2 / (2 * math.exp(-1)))
    assert block_figures(tau_for(0.45))[1] == pytest.approx(0.45, abs=1e-6)
