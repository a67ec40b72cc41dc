"""How an instrument was found is said of its first state alone, never of what all said of a later one."""

from dataclasses import replace
from typing import Any

import pytest

from monitor.analysis.consistency import Apart, Consistency
from monitor.setup.bench import Instrument
from monitor.study.answers.verdict import Judgement
from monitor.study.parts.who import Who
from monitor.study.results import Opened, State

NOTHING: Any = None
APART = Consistency(False, 0.0, {"heron": "yes", "hub": "no", "pedals": "no"}, {"heron": 0.99}, [])


def judgement(from_s: int, to_s: int) -> Judgement:
    """Two states, and all instruments asked over [from_s, to_s): heron stands apart there."""
    states = [
        State(0.0, 60.0, Opened("start", 0.0, ""), 4, 0.1, 0.9, 1.8, "agrees"),
        State(60.0, 130.0, Opened("step", 60.0, ""), 6, -3.9, 0.9, 1.8, "differs"),
        State(130.0, 720.0, Opened("step", 130.0, ""), 40, 0.0, 0.8, 1.8, "agrees"),
    ]
    return Judgement(
        "heron", Instrument(label="heron", link="scene:heron"), "hub", "hub", [], [], [], [], [], [], NOTHING,
        None, NOTHING, True, [], who_found=Who(from_s, to_s, 6, NOTHING, APART, {}), states=states,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("from_s", "to_s", "found"), [(0, 60, "differs"), (60, 130, "agrees"), (130, 720, "agrees")]
)
def test_what_all_say_of_a_later_state_is_not_charged_to_the_first(
    from_s: int, to_s: int, found: str
) -> None:
    assert judgement(from_s, to_s).as_found == found


@pytest.mark.parametrize(
    ("hub", "said"), [("undecided", "undecided"), ("no", "undecided"), ("yes", "agrees")]
)
def test_one_that_differs_agrees_only_where_the_reference_is_known_to_be_off(hub: Apart, said: str) -> None:
    """Pedals are between heron and the hub, and consistent with either; from the hub they differ."""
    found = Consistency(False, 0.0, {"heron": "undecided", "hub": hub, "pedals": "no"}, {}, [])
    who = Who(0, 720, 60, NOTHING, found, {"pedals": (0.3, 0.4)})
    assert replace(judgement(0, 720), label="pedals").charged("differs", who) == said
