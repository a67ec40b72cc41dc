"""A zero offset is no drift, and no uncertainty of the state that begins when it is set right.

Rider, meters and bytes are made by `tests/benchmarks/judgement`, which shares no code with the monitor.
"""

from functools import cache
from typing import Any

import numpy as np
import pytest

from monitor.study.estimate.sure import Between, Levels, Spreads, between_of
from tests.benchmarks.judgement.evening import Change, Meter, Piece, Plan
from tests.benchmarks.judgement.score import run

RIDE = (
    Piece("easy", 120, 150, 85), Piece("steady 1/2", 240, 220, 90), Piece("low cadence", 180, 220, 65),
    Piece("high cadence", 120, 200, 103), Piece("rest", 20, 0, 0, table="rest"),
    Piece("again easy", 120, 160, 86), Piece("again low", 180, 220, 64), Piece("strong", 120, 280, 90),
    Piece("steady 2/2", 240, 220, 90),
)  # fmt: skip
ZEROED_S = 675.0


@cache
def heron(offset_nm: float, seed: int) -> dict[str, Any]:
    """What is said of a unit whose zero is off by so much until it is zeroed."""
    half = 0.5 * offset_nm
    unit = Meter("heron", "on-test", "pedals", "ble-dual", 1.5, zero_left_nm=half, zero_right_nm=half,
                 changes=(Change(ZEROED_S, zero_left_nm=0.0, zero_right_nm=0.0),))  # fmt: skip
    others = (
        Meter("pedals", "reference", "pedals", "ant-dual", 1.0),
        Meter("spider", "witness", "spider", "ble-total", 1.5),
    )
    plan = Plan("zeroed", seed, RIDE, (others[0], unit, others[1]), "pedals",
                acts=((ZEROED_S, "zeroed", "", "heron"),))  # fmt: skip
    _, _, study = run(plan)
    return {**study["instruments"]["heron"], "acts": study["acts_judged"], "shifts": study["shifts"]}


@pytest.mark.parametrize(("offset_nm", "seed"), [(-1.8, 51)])
def test_the_state_after_a_zeroing_is_as_sure_as_its_own_blocks_make_it(offset_nm: float, seed: int) -> None:
    said = heron(offset_nm, seed)
    assert [s["opened_by"]["kind"] for s in said["states"]] == ["start", "zeroed"]
    before, after = said["states"]
    assert (before["verdict"], before["cause"], after["verdict"]) == ("differs", "zero-offset", "agrees")
    # Ten minutes of blocks with 0.4 %: their mean is known to a tenth, and some more between segments.
    assert after["u95_percent"] < 0.6
    assert said["as_left"] == "agrees"
    assert [a["effect"] for a in said["acts"]] == ["cured"]


@pytest.mark.slow
@pytest.mark.parametrize("seed", [52, 53, 54])
@pytest.mark.parametrize("offset_nm", [-1.8, -1.0, 1.2])
def test_torques_that_change_make_no_drift_of_a_zero_offset(offset_nm: float, seed: int) -> None:
    """32 N·m at low cadence, 17 at ease: -1.8 N·m is -5.6 % there and -10.6 % here, of one state."""
    said = heron(offset_nm, seed)
    assert [s["opened_by"]["kind"] for s in said["states"]] == ["start", "zeroed"]
    assert not [s for s in said["shifts"] if s["instrument"] == "heron" and s["drift"]]
    assert said["states"][1]["u95_percent"] < 0.6


def test_segments_beside_the_line_of_an_offset_count_and_not_their_torques() -> None:
    rng = np.random.default_rng(7)
    torque = np.array([17.0, 23.3, 32.3, 18.5])
    off = [(float(-1.8 / x + 0.001 * e), 1e-6) for x, e in zip(torque, rng.standard_normal(4), strict=True)]
    even = [(0.001, 1e-6), (-0.001, 1e-6), (0.0, 1e-6)]
    polluted = between_of([Levels(off), Levels(even)])
    beside = [(y + 1.8 / x, v) for (y, v), x in zip(off, torque, strict=True)]
    usual = between_of([Levels(beside, 2), Levels(even)])
    assert polluted.sd > 10 * usual.sd
    spreads = Spreads(usual, ((0.0, 600.0, between_of([Levels(off)])),))
    assert spreads.at(599.0).sd > 10 * usual.sd
    assert spreads.at(600.0) == usual
    assert Spreads().at(1.0) == Between()
