"""Stops at which both of a comparison are touched, at which the reference is cured, or that are noted late.

Rider, meters and bytes are made by `tests/benchmarks/judgement`, which shares no code with the monitor.
"""

from functools import cache
from typing import Any

import pytest

from monitor.setup.acts import touch_of
from tests.benchmarks.judgement.evening import Change, Meter, Piece, Plan
from tests.benchmarks.judgement.score import run

RIDE = (
    Piece("steady 1/2", 150, 200, 90), Piece("low", 90, 190, 72), Piece("strong", 90, 270, 92),
    Piece("rest", 40, 0, 0, table="rest"),
    Piece("again strong", 90, 265, 91), Piece("again low", 90, 195, 73), Piece("steady 2/2", 150, 200, 90),
)  # fmt: skip
STOP_S = 330.0
"""The rest begins here and ends forty seconds later."""


def studied(larch: Meter, alder: Meter, acts: tuple[tuple[float, str, str, str], ...], seed: int) -> Any:
    hub = Meter("dyno", "witness", "hub", "ant-trainer", 1.5, loss=(2.6, 1.0), true_loss=(2.6, 1.0))
    _, _, study = run(Plan("stop", seed, RIDE, (larch, alder, hub), "larch", acts))
    return study


@cache
def both_zeroed(wrong: str, named: bool, seed: int) -> dict[str, Any]:
    """One of the two has a zero offset of 1.6 N·m until both are zeroed in one stop."""

    def meter(label: str, role: str, sender: str, claim: float) -> Meter:
        off = 0.8 if label == wrong else 0.0
        cured = (Change(STOP_S + 15, zero_left_nm=0.0, zero_right_nm=0.0),)
        return Meter(label, role, "pedals", sender, claim, zero_left_nm=off, zero_right_nm=off, changes=cured)

    acts = [(STOP_S + 15, "zeroed", "", "larch"), (STOP_S + 20, "zeroed", "", "alder")]
    if not named:
        acts = [(STOP_S + 15, "zeroed", "", "")]
    study = studied(
        meter("larch", "reference", "ant-dual", 1.0),
        meter("alder", "on-test", "ble-dual", 1.5),
        tuple(acts),
        seed,
    )
    return {a["instrument"]: a for a in study["acts_judged"]} | {"study": study}


@pytest.mark.parametrize(("wrong", "named"), [
    ("larch", True),
    pytest.param("larch", False, marks=pytest.mark.slow), pytest.param("alder", True, marks=pytest.mark.slow),
    pytest.param("alder", False, marks=pytest.mark.slow),
])  # fmt: skip
def test_of_two_zeroed_in_one_stop_the_one_that_was_wrong_is_cured(wrong: str, named: bool) -> None:
    said = both_zeroed(wrong, named, 61)
    right = {"larch": "alder", "alder": "larch"}[wrong]
    assert said[wrong]["effect"] == "cured"
    assert said[wrong]["change_percent"] < -4.0
    # The other one was held against the hub, which nobody touched or which did not move.
    assert said[right]["effect"] in ("no-change", "undecided")
    assert abs(said[right]["change_percent"]) < 1.0
    instruments = said["study"]["instruments"]
    assert instruments["alder"]["states"][-1]["opened_by"]["text"].count("zeroed") == 2
    # What came right in a stop is no drift across it, and no reason against its use from then on.
    assert not [s for s in said["study"]["shifts"] if s["drift"]]
    assert [instruments[k]["serves_as_reference"] for k in ("larch", "alder")].count("no") == 0


@cache
def reference_side(act: str, seed: int) -> Any:
    """The reference's right side reads 8 % too little until the stop."""
    larch = Meter("larch", "reference", "pedals", "ant-dual", 1.0, gain_right=0.92,
                  changes=(Change(STOP_S + 15, gain_right=1.0),))  # fmt: skip
    acts = ((STOP_S + 15, act, "right seated anew", "larch"),) if act else ()
    return studied(larch, Meter("alder", "on-test", "pedals", "ble-dual", 1.5), acts, seed)


@pytest.mark.slow
@pytest.mark.parametrize("act", ["", "remounted", "position", "setting"])
def test_a_side_of_the_reference_that_came_right_opens_a_state_of_all_others(act: str) -> None:
    """What it was before must not stand in what the others read now, nor be called theirs."""
    study = reference_side(act, 62)
    for label in ("alder", "dyno"):
        before, after = study["instruments"][label]["states"]
        assert (before["apart"], before["cause"], after["verdict"]) == ("larch", None, "agrees")
        assert study["instruments"][label]["cause"] is None
    assert [s["instrument"] for s in study["shifts"]] == ["larch"]
    # Its own share, of which one side moved, says nothing of the rider.
    again = [r for r in study["rider"] if r["changed"] == ["larch"]]
    assert {r["verdict"] for r in again} == {"undecided"}
    if act:
        (done,) = study["acts_judged"]
        assert (done["instrument"], done["effect"]) == ("larch", "cured")


@cache
def late(noted_s: float, steps: bool, seed: int) -> Any:
    """Zeroed in the stop, and noted only after riding on."""
    off = -0.8 if steps else 0.0
    cured = (Change(STOP_S + 15, zero_left_nm=0.0, zero_right_nm=0.0),)
    alder = Meter(
        "alder", "on-test", "pedals", "ble-dual", 1.5, zero_left_nm=off, zero_right_nm=off, changes=cured
    )
    larch = Meter("larch", "reference", "pedals", "ant-dual", 1.0)
    return studied(larch, alder, ((noted_s, "zeroed", "", "alder"),), seed)


@pytest.mark.slow
@pytest.mark.parametrize("seed", [63, 65, 66])
def test_an_act_that_was_noted_late_has_its_effect_at_the_stop(seed: int) -> None:
    study = late(STOP_S + 110, True, seed)
    (act,) = study["acts_judged"]
    assert act["effect"] == "cured"
    assert (act["noted_s"], act["t_s"] < STOP_S + 60) == (STOP_S + 110, True)
    assert "noted at 7:20" in study["instruments"]["alder"]["states"][1]["opened_by"]["text"]
    assert study["instruments"]["alder"]["as_left"] == "agrees"


@pytest.mark.slow
def test_an_act_that_changed_nothing_stays_where_it_was_noted() -> None:
    (act,) = late(STOP_S + 110, False, 63)["acts_judged"]
    assert (act["t_s"], act["noted_s"], act["effect"]) == (STOP_S + 110, None, "no-change")


def test_whose_an_act_is() -> None:
    assert touch_of("zeroed", "", "alder") == "zeroed"
    assert touch_of("remounted", "alder", "alder") == touch_of("position", "alder", "alder") == "remounted"
    # Without a name a position is the rider's, seated or standing.
    assert touch_of("position", "", "alder") is None
    assert touch_of("zeroed", "larch", "alder") is None
    assert touch_of("gear", "alder", "alder") is None


@pytest.mark.slow
@pytest.mark.parametrize(("wrong", "noted"), [("alder", "larch"), ("larch", "alder")])
def test_an_act_on_the_one_that_did_not_move_cured_nothing(wrong: str, noted: str) -> None:
    """One reads 6 % less until the stop, in which something was noted of the other one alone."""

    def meter(label: str, role: str, sender: str, claim: float) -> Meter:
        gain = 0.94 if label == wrong else 1.0
        cured = (Change(STOP_S + 15, gain_left=1.0, gain_right=1.0),)
        return Meter(label, role, "pedals", sender, claim, gain_left=gain, gain_right=gain, changes=cured)

    study = studied(
        meter("larch", "reference", "ant-dual", 1.0),
        meter("alder", "on-test", "ble-dual", 1.5),
        ((STOP_S + 15, "remounted", "tightened", noted),),
        64,
    )
    (act,) = study["acts_judged"]
    assert (act["instrument"], act["effect"] in ("no-change", "undecided")) == (noted, True)
    assert abs(act["change_percent"]) < 1.0
    before, after = study["instruments"]["alder"]["states"]
    assert (before["verdict"], after["verdict"]) == ("differs", "agrees")
    assert f"as {noted} was remounted" in after["opened_by"]["text"]
    assert [s["instrument"] for s in study["shifts"]] == [wrong]
    assert {tuple(r["changed"]) for r in study["rider"] if r["verdict"] == "unit"} <= {(wrong,)}
