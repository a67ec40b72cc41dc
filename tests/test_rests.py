"""Rests as meters show them: asleep at once, late, repeating the last value. None of it is a fault.

Rides, meters and bytes are the scoreboard's, which share nothing with the program.
"""

import pytest

from tests.benchmarks.detection import generator, score
from tests.benchmarks.judgement.score import judge


def told(case: str, seconds: int) -> list[score.Reported]:
    scenario = generator.make(generator.Case.parse(case), seconds)
    findings, _ = score.run(scenario)
    assert score.judge(scenario, findings, 0.0).blamed_others == []
    return [score.Reported.of(finding) for finding in findings]


@pytest.mark.parametrize(
    ("case", "seconds", "was"),
    [
        ("healthy/sprints/manners/0", 480, "signal-lost of two asleep at once, beside a trainer 3 s late"),
        ("healthy/sprints/manners/2", 240, "stuck, of a spider that repeats its last value at a rest"),
        ("healthy/sprints/manners/900", 240, "power-off, of pedals whose last value was taken for work"),
        ("healthy/free/manners/101", 240, "stuck, of pedals that do, beside a spider 3 s late"),
    ],
)
def test_a_rest_is_no_fault_however_it_is_shown(case: str, seconds: int, was: str) -> None:
    assert told(case, seconds) == [], was


def test_a_value_that_is_held_is_no_witness_of_riding() -> None:
    # Pedals fall asleep at each rest; a spider that repeats its last value does not make that a loss.
    lost = told("lost/0/among-rare/5", 0)
    assert [(x.instrument, x.event, x.kind) for x in lost] == [
        ("heron", "raised", "signal-lost"),
        ("heron", "cleared", "signal-lost"),
    ]
    assert lost[0].t_s == pytest.approx(142.25), "2.5 s after its last packet: a real loss costs no more time"


def test_turns_whose_place_was_corrected_are_not_compared() -> None:
    # Each second a packet, 60.6 rpm: after 55 s the first fresh event shows that all came 0.75 s too late.
    assert not any(x.kind == "cadence-off" for x in told("stuck/0/value/500", 0))


@pytest.mark.slow
@pytest.mark.parametrize("style", ["free", "sprints", "over-unders"])
@pytest.mark.parametrize("seed", range(900, 904))
def test_rare_manners_on_rides_that_nobody_looked_at(style: str, seed: int) -> None:
    assert told(f"healthy/{style}/manners/{seed}", 900) == []


@pytest.mark.slow
def test_who_stands_already_while_others_still_climb_is_not_stuck() -> None:
    """A hub that averages a second shows the start's power six seconds long; the others average two."""
    assert judge("step of 5 to 7 %", 960014).condemned == []
