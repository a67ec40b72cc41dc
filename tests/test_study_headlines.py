"""The first sentences of an instrument: of a drift, of exchanged sides, and of those who are not to blame.

Rider, meters and bytes are made by `tests/benchmarks/judgement`, which shares no code with the monitor.
"""

import re
from functools import cache
from typing import Any

import msgspec
import pytest

from capture.record import Header
from monitor.report.first import on_test
from monitor.report.lines.summary import unit_line
from monitor.report.material import Material
from monitor.report.states import state_rows
from monitor.study.parts.common import shared_of
from monitor.study.recording import collect
from monitor.study.results import Study, encode
from monitor.study.study import study
from monitor.text import TERMINAL
from tests.benchmarks.judgement.evening import UTC_NS, make
from tests.benchmarks.judgement.kinds import plan_of

WORDS = {"agrees": "agrees", "differs": "differs", "undecided": "undecided"}


@cache
def given(kind: str, seed: int) -> Material:
    """One evening, studied, with its arrays."""
    evening = make(plan_of(kind, seed))
    shared = shared_of(collect(Header(evening.bench, "test", UTC_NS, evening.protocol), evening.records))
    return Material(study(shared.recording, shared), shared)


def told(kind: str, seed: int) -> Study:
    return given(kind, seed).study


@cache
def said(kind: str, seed: int) -> dict[str, Any]:
    """The study as it is kept."""
    result: dict[str, Any] = msgspec.json.decode(encode(told(kind, seed)))
    return result


def first_screen(kind: str, seed: int) -> dict[str, Any]:
    """What the report says first of the unit on test."""
    return on_test(given(kind, seed))[0]


@pytest.mark.parametrize("seed", [71, pytest.param(72, marks=pytest.mark.slow)])
def test_nobody_is_called_wrong_in_a_state_in_which_the_reference_stands_apart(seed: int) -> None:
    instruments = said("reference-steps", seed)["instruments"]
    assert instruments["pedals"]["stands_apart"] == "yes"
    for label in ("heron", "spider"):
        one = instruments[label]
        assert one["cause"] is None
        assert one["as_left"] == "agrees"
        last = one["states"][-1]
        # The difference is told as one, and whose it is.
        assert (last["verdict"], last["apart"], last["cause"]) == ("differs", "pedals", None)
        assert one["states"][0]["apart"] is None
    rows = [r for r in state_rows(told("reference-steps", seed), TERMINAL) if r.label == "heron"]
    assert rows[-1].word(WORDS) == "pedals is apart"
    assert rows[-1].cells(WORDS)[1] == "pedals is apart"
    line = unit_line(told("reference-steps", seed), "heron")
    assert line.startswith("heron: agrees with the others; pedals stands apart, ")
    first = first_screen("reference-steps", seed)
    assert first["sentence"].startswith(
        "heron agrees with the others; pedals stands apart, so that it reads +"
    )
    assert first["tiles"][0]["answer"] == "✓ agrees"
    assert first["tiles"][1]["answer"] in ("Neither side", "Nothing found")
    assert first["tiles"][0]["more"].startswith("with the others; pedals stands apart, +")


@pytest.mark.slow
@pytest.mark.parametrize("seed", [73, 74])
def test_a_drift_is_judged_by_what_it_came_to(seed: int) -> None:
    """It drifts by -6 % until the end: its mean is half of that, which two claims may hold."""
    instruments = said("drift-on", seed)["instruments"]
    heron = instruments["heron"]
    last = [s for s in heron["states"] if s["deviation_percent"] is not None][-1]
    assert last["end_percent"] == pytest.approx(2.0 * last["deviation_percent"], abs=1.5)
    assert (last["verdict"], last["cause"]) == ("differs", "drift")
    first, second = heron["sentence"].split(". ")[:2]
    assert "it came to -" in first
    assert first.endswith("by a drift")
    assert second == "The drift is its own"
    assert heron["verdict"] == "differs"
    screen = first_screen("drift-on", seed)
    came_to = f"−{abs(last['end_percent']):.1f}"
    assert came_to in screen["sentence"]
    assert came_to in screen["tiles"][0]["more"]
    # Both legs drift alike: neither is to blame.
    assert screen["tiles"][1]["answer"] == "No single side"
    for label in ("pedals", "spider"):
        assert all(s["end_percent"] is None for s in instruments[label]["states"])


@pytest.mark.slow
@pytest.mark.parametrize("seed", [75, 76])
def test_exchanged_sides_are_no_error_of_a_side(seed: int) -> None:
    heron = said("exchanged", seed)["instruments"]["heron"]
    assert heron["sentence"].startswith("heron has its sides exchanged: it reports left 5")
    assert "In all it agrees with pedals" in heron["sentence"]
    assert heron["cause"] == "setting"
    assert heron["verdict"] == "agrees"
    assert "differs on one side" not in heron["sentence"]
    assert {r["verdict"] for r in heron["by_side"]} == {"undecided"}
    assert first_screen("exchanged", seed)["tiles"][1]["answer"] == "Exchanged"
    assert unit_line(told("exchanged", seed), "heron").endswith("its sides are exchanged")


@pytest.mark.slow
@pytest.mark.parametrize("seed", [77, 78])
def test_one_that_comes_right_by_a_drift_was_wrong_before(seed: int) -> None:
    heron = said("warm-up", seed)["instruments"]["heron"]
    judged = [s for s in heron["states"] if s["deviation_percent"] is not None]
    assert [s["verdict"] for s in judged[:-1]] == ["differs"] * (len(judged) - 1)
    assert judged[-1]["verdict"] == "agrees"
    assert judged[-2]["cause"] == "drift"
    assert "0 of 0" not in heron["sentence"]
    assert heron["verdict"] == "agrees"
    assert re.search(r"it drifted from -[34]\.\d % to [+-]0\.\d %", heron["sentence"])


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(80, 86))
def test_slow_noise_opens_no_drift(seed: int) -> None:
    """Half a percent that wanders within minutes: ramps may be found in it, of which none stands."""
    wandered = said("wandering", seed)
    assert not [s for s in wandered["shifts"] if s["drift"]]
    for one in wandered["instruments"].values():
        assert one["verdict"] != "differs"
