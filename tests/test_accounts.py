"""What an instrument shows is judged, live as afterwards, though its work is read from its counters."""

import re
from dataclasses import replace

import numpy as np
import pytest

from monitor.analysis.accounts import LIVE_WINDOW_S, Account, is_even, ratio_of
from tests.benchmarks.judgement.evening import Meter, Piece, Plan
from tests.benchmarks.judgement.score import run


def ridden(account: Account, shown_w: list[float], counted_w: list[float], sound: bool = True) -> list[float]:
    """The factors after each second in which the factor changed."""
    found = []
    for second, (shown, counted) in enumerate(zip(shown_w, counted_w, strict=True)):
        account.shows(second + 0.3, shown)
        if (factor := account.counts(second, counted, 1.0, sound)) is not None:
            found.append(factor)
    return found


def test_a_minute_of_even_riding_tells_by_how_much_what_is_shown_differs() -> None:
    account = Account()
    assert ridden(account, [212.0] * 120, [200.0] * 120) == [pytest.approx(1.06)]
    again = Account()
    assert ridden(again, [212.0] * 59, [200.0] * 59) == []
    assert account.factor == pytest.approx(1.06)


def test_noise_and_rounding_of_short_windows_make_no_second_account() -> None:
    """Means of fifteen seconds that scatter by 0.7 % each, over 200 rides of an hour."""
    rng = np.random.default_rng(20)
    windows = 3600 // LIVE_WINDOW_S
    for _ in range(200):
        shown = np.repeat(200.0 * (1.0 + 0.007 * rng.standard_normal(windows)), LIVE_WINDOW_S).round()
        assert ridden(Account(), shown.tolist(), [200.0] * len(shown)) == []


def test_what_is_shown_late_or_while_the_load_changes_is_not_compared() -> None:
    levels = [150.0, 300.0] * 200
    late = [150.0] * 5 + levels[:-5]
    assert ridden(Account(), late, levels) == []
    # A window with a rest is no riding, and neither is one with a second of which nothing is known.
    assert not is_even([200.0] * 12 + [0.0] * 3)
    assert not is_even([200.0] * 7 + [float("nan")] + [200.0] * 7)
    assert is_even([200.0] * 15)


def test_a_meter_that_is_read_by_what_it_shows_has_one_account() -> None:
    assert ridden(Account(), [240.0] * 300, [200.0] * 300, sound=False) == []


def test_a_display_that_is_mended_is_believed_again() -> None:
    account = Account()
    shown = [212.0] * 300 + [200.0] * 600
    found = ridden(account, shown, [200.0] * 900)
    assert found[0] == pytest.approx(1.06)
    assert account.factor == 1.0
    assert len(found) == 2


def test_held_back_packets_are_no_measure() -> None:
    """One window in ten has the power of another one: the median of the others stands."""
    shown = [230.0 if (k // LIVE_WINDOW_S) % 10 == 4 else 206.0 for k in range(1800)]
    account = Account()
    ridden(account, shown, [200.0] * 1800)
    assert account.factor == pytest.approx(1.03)
    ratio = ratio_of([1.03, 1.031, 1.029, 1.15, 1.03, 1.0305])
    assert ratio is not None
    assert ratio.ratio == pytest.approx(1.03, abs=1e-3)


RIDE = (Piece("easy", 60, 150, 85), Piece("steady", 240, 220, 90), Piece("strong", 60, 260, 92))
PEDALS = Meter("pedals", "reference", "pedals", "ant-dual", 1.0)
HERON = Meter("heron", "on-test", "pedals", "ble-dual", 1.5)
SPIDER = Meter("spider", "witness", "spider", "ble-total", 1.5)


@pytest.mark.parametrize("sender", ["ble-dual", pytest.param("ant-dual", marks=pytest.mark.slow)])
def test_a_display_that_is_off_is_raised_while_riding_and_told_alike_afterwards(sender: str) -> None:
    unit = replace(HERON, sender=sender, shown_factor=1.06)
    _, findings, study = run(Plan("shown", 61, RIDE, (PEDALS, unit, SPIDER), "pedals"))
    raised = [f for f in findings if f.event == "raised" and f.kind == "power-off"]
    assert {f.instrument for f in raised} == {"heron"}
    assert raised[0].t_s < 150.0
    assert raised[-1].value == pytest.approx(6.0, abs=1.0)
    assert raised[-1].cause == "scale"
    assert re.search(r"it shows [56]\.\d % more than its own torque and turns make", raised[-1].what)
    assert study["instruments"]["heron"]["verdict"] == "differs"


@pytest.mark.slow
@pytest.mark.parametrize("seed", [62, 63])
def test_a_reference_whose_display_is_off_is_no_change_of_the_others(seed: int) -> None:
    _, findings, _ = run(
        Plan("shown", seed, RIDE, (replace(PEDALS, shown_factor=1.06), HERON, SPIDER), "pedals")
    )
    assert not [f for f in findings if f.kind == "shifted"]
    assert {f.instrument for f in findings if f.kind == "power-off" and f.event == "raised"} <= {"pedals"}
