"""What an instrument reads under one condition only: told first, and neither a step nor a change of a repeat.

Rider, meters and bytes are made by `tests/benchmarks/judgement`, which shares no code with the monitor.
"""

from functools import cache
from typing import Any

import numpy as np
import pytest

from monitor.analysis.consistency import Opinion, judge_consistency
from monitor.study.answers.partly import partly
from monitor.study.parts.who import Who, resolved
from monitor.study.results import ShiftStudy, Split
from tests.benchmarks.judgement.evening import Change, Meter, Piece, Plan
from tests.benchmarks.judgement.score import run

EACH_S = 110
GEARS = ("small", "large") * 4
LOADS = (
    Piece("a", 240, 200, 90),
    Piece("b", 180, 280, 88),
    Piece("c", 180, 140, 85),
    Piece("a 2", 240, 200, 90),
)


@cache
def by_gear(whose: str, told: bool, rpm: float, seed: int) -> Any:
    """One reads 6 % more in every second block; `told`: the tester notes the gear."""
    pieces = tuple(Piece(f"gear {g}", EACH_S, 190, 90 if g == "small" else rpm) for g in GEARS)
    changes = tuple(
        Change(
            EACH_S * k + 1.0,
            gain_left=1.06 if g == "large" else 1.0,
            gain_right=1.06 if g == "large" else 1.0,
        )
        for k, g in enumerate(GEARS)
    )

    def meter(label: str, role: str, sender: str, claim: float) -> Meter:
        return Meter(label, role, "pedals", sender, claim, changes=changes if label == whose else ())

    meters = (
        meter("larch", "reference", "ant-dual", 1.0), meter("alder", "on-test", "ble-dual", 1.5),
        Meter("spoke", "witness", "spider", "ble-total", 1.5),
    )  # fmt: skip
    acts = tuple((EACH_S * k + 0.5, "gear", g, "") for k, g in enumerate(GEARS)) if told else ()
    _, _, study = run(Plan("gears", seed, pieces, meters, "larch", acts))
    return study


@pytest.mark.slow
def test_an_error_in_one_gear_is_told_with_the_gear() -> None:
    study = by_gear("alder", True, 90, 71)
    alder = study["instruments"]["alder"]
    assert (alder["verdict"], alder["cause"], alder["stands_apart"]) == ("differs", "placement", "yes")
    assert alder["sentence"].startswith("alder differs from larch in gear large by +6")
    assert "It agrees in gear small" in alder["sentence"]
    # A gear that is shifted again and again is no step of anybody, nor is a block in another gear a repeat.
    assert not study["shifts"]
    assert not [r for r in study["repeats"] if r["beyond_chance"]]
    assert len(alder["states"]) == 1
    large, small = (
        [s for s in study["splits"] if s["by"] == "gear" and s["group"] == g] for g in ("large", "small")
    )
    assert [s["verdict"] for s in large] == ["differs", "agrees"]
    assert [s["verdict"] for s in small] == ["agrees", "agrees"]


@pytest.mark.slow
def test_the_reference_that_is_wrong_in_one_gear_is_told_as_such() -> None:
    study = by_gear("larch", True, 90, 72)
    assert study["instruments"]["larch"]["stands_apart"] == "yes"
    assert "in gear large" in study["instruments"]["larch"]["sentence"]
    for label in ("alder", "spoke"):
        other = study["instruments"][label]
        assert (other["stands_apart"], other["cause"], other["verdict"]) == ("no", None, "agrees")


@pytest.mark.slow
def test_what_goes_with_cadence_is_no_step_and_what_goes_with_nothing_is() -> None:
    with_cadence = by_gear("alder", False, 70, 73)
    assert not [s for s in with_cadence["shifts"] if s["instrument"] == "alder"]
    assert with_cadence["instruments"]["alder"]["sentence"].startswith("alder differs from larch at ")
    # The same changes at one cadence, with nothing noted: they are its own.
    alone = by_gear("alder", False, 90, 73)
    found = [s["t_s"] for s in alone["shifts"] if s["instrument"] == "alder"]
    assert found[:3] == pytest.approx([EACH_S, 2 * EACH_S, 3 * EACH_S], abs=10.0)


def split(by: str, group: str, value: float, verdict: str, blocks: int = 9) -> Split:
    return Split(by, group, "alder", "larch", blocks, value, 0.4, 1.8, verdict)  # type: ignore[arg-type]


def test_the_condition_that_parts_best_is_told() -> None:
    gear = [split("gear", "large", 6.0, "differs"), split("gear", "small", 0.1, "agrees", 20)]
    torque = [split("torque", "20 to 28 N·m", 3.0, "differs"), split("torque", "12 to 20 N·m", 0.5, "agrees"),
              split("torque", "28 to 36 N·m", 2.0, "undecided")]  # fmt: skip
    found = partly([*torque, *gear], "alder")
    assert found is not None
    assert (found.by, found.words, found.agreeing) == (
        "gear", "in gear large by +6.0 % ± 0.4 %", "in gear small (+0.1 % ± 0.4 %)"
    )  # fmt: skip
    # A scale error differs in every group, and what nobody told parts nothing.
    assert (
        partly([split("gear", "large", 6.0, "differs"), split("gear", "small", 5.0, "differs")], "alder")
        is None
    )
    assert (
        partly([split("load", "not told", 6.0, "differs"), split("load", "held", 0.0, "agrees")], "alder")
        is None
    )
    few = [split("gear", "large", 6.0, "differs", 2), split("gear", "small", 0.1, "agrees")]
    assert partly(few, "alder") is None
    assert partly(gear, "birch") is None


def who(values: dict[str, float], from_s: int, to_s: int) -> Who:
    opinions = [Opinion(k, v, 0.2, {"larch": 1.0}.get(k, 1.5)) for k, v in values.items()]
    return Who(from_s, to_s, 30, opinions, judge_consistency(opinions), {"larch": (2.9, 0.6)})


def test_of_those_in_doubt_the_one_that_moved_since_all_agreed_stands_apart() -> None:
    before = who({"larch": 0.0, "alder": -0.5, "dyno": 0.8}, 0, 600)
    after = who({"larch": 0.0, "alder": -3.9, "dyno": -2.0}, 600, 1800)
    assert before.found.consistent
    assert sorted(k for k, v in after.found.apart.items() if v == "undecided") == ["alder", "larch"]
    drift = ShiftStudy("larch", 590.0, 3.1, "total", drift=True, until_s=610.0)
    told = resolved([before, after], [drift])[1].found
    assert told.apart == {"larch": "yes", "alder": "no", "dyno": "no"}
    assert "larch" not in told.odds
    # One that moved the other way, or by too little, leaves it open: something else is wrong there.
    for percent in (-3.1, 1.2):
        beside = ShiftStudy("larch", 590.0, percent, "total", drift=True, until_s=610.0)
        assert resolved([before, after], [beside])[1].found.apart == after.found.apart
    # Two that moved, one that is not in doubt, one not surely charged, and none leave it open.
    other = ShiftStudy("alder", 600.0, -2.0, "total")
    for shifts in ([drift, other], [ShiftStudy("dyno", 600.0, 2.0, "total")],
                   [ShiftStudy("larch", 600.0, 3.1, "total", sure=False)], []):  # fmt: skip
        assert resolved([before, after], shifts)[1].found.apart == after.found.apart
    # Nothing is said where they never agreed.
    assert resolved([after], [drift])[0].found.apart == after.found.apart


@pytest.mark.slow
def test_low_power_is_judged_no_finer_than_the_floor_by_all() -> None:
    """2.5 W of 85 W are 3 %, beyond the claims and within the floor of 3 W."""
    pieces = (Piece("a", 240, 85, 85), Piece("b", 240, 75, 65), Piece("a again", 240, 85, 85))
    meters = (
        Meter("larch", "reference", "pedals", "ant-dual", 1.0),
        Meter("alder", "on-test", "pedals", "ble-dual", 1.5, gain_left=1.029, gain_right=1.029),
        Meter("spoke", "witness", "spider", "ble-total", 1.5),
    )
    _, _, study = run(Plan("low", 74, pieces, meters, "larch"))
    assert [study["instruments"][k]["stands_apart"] for k in ("larch", "alder", "spoke")] == ["no"] * 3
    assert "the floor of 3 W" in study["instruments"]["alder"]["sentence"]


@pytest.mark.slow
def test_twice_one_side_without_anybody_who_reports_sides_is_nobodys_fault() -> None:
    """A rider of 47 : 53 on a healthy left-only unit beside two totals."""
    meters = (
        Meter("larch", "reference", "spider", "ant-total", 1.0),
        Meter("alder", "on-test", "crank", "ble-total", 1.5, doubles="left"),
        Meter("spoke", "witness", "spider", "ble-total", 1.5),
    )
    _, findings, study = run(Plan("left", 75, LOADS, meters, "larch", left_share=0.47))
    alder = study["instruments"]["alder"]
    assert alder["stands_apart"] == "undecided"
    assert alder["verdict"] != "differs"
    assert not [s for s in study["shifts"] if s["instrument"] == "alder"]
    assert not [f for f in findings if f.kind == "shifted"]
    assert "yes" not in [study["instruments"][k]["stands_apart"] for k in ("larch", "spoke")]
    assert np.isclose(alder["states"][0]["limit_percent"], np.hypot(1.0, 1.5) + 5.0, atol=0.01)


@pytest.mark.slow
def test_a_chain_that_takes_more_than_stated_is_no_scale_error_of_two_that_agree() -> None:
    """A hub as the reference, 3 % more lost than its bench says, and two at the crank that agree."""
    meters = (
        Meter("dyno", "reference", "hub", "ant-trainer", 1.5, loss=(2.6, 1.0), true_loss=(2.6, 4.2)),
        Meter("larch", "witness", "pedals", "ant-dual", 1.0),
        Meter("alder", "on-test", "crank", "ble-dual", 1.5),
    )
    _, _, study = run(Plan("chain", 76, LOADS, meters, "dyno"))
    for label in ("larch", "alder"):
        one = study["instruments"][label]
        assert one["cause"] in (None, "drivetrain")
        assert {s["cause"] for s in one["states"]} <= {None, "drivetrain"}
        assert one["stands_apart"] == "no"


@pytest.mark.slow
def test_a_drift_too_slow_for_what_is_looked_at_live_is_found_afterwards() -> None:
    """4 % in two hours, over loads that come again and again; nothing was raised as a drift while riding."""
    pieces = tuple(
        Piece(f"{w} {k}", 400, w, rpm) for k in range(6) for w, rpm in ((150, 88), (200, 90), (230, 82))
    )
    drift = (Change(1.0, gain_left=1.04, gain_right=1.04, over_s=7190.0),)
    meters = (
        Meter("larch", "reference", "pedals", "ant-dual", 1.0, correlation=0.45),
        Meter("alder", "on-test", "pedals", "ble-dual", 1.5, correlation=0.45, changes=drift),
        Meter("spoke", "witness", "spider", "ble-total", 1.5, correlation=0.45),
    )
    _, _, study = run(Plan("slow drift", 77, pieces, meters, "larch"))
    (found,) = [s for s in study["shifts"] if s["instrument"] == "alder"]
    assert found["drift"]
    assert found["delta_percent"] == pytest.approx(4.0, abs=0.9)
    assert study["instruments"]["alder"]["cause"] == "drift"
    assert not [s for s in study["shifts"] if s["instrument"] != "alder"]
