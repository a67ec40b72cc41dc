"""Cadence against cadence, on rides whose cadences were laid out by hand."""

import numpy as np
import pytest

from monitor.study.asked.cadence import advice_of, cadence_of
from monitor.study.parts.common import shared_of
from monitor.study.results import CadenceStudy
from monitor.study.study import study
from tests.helpers.cells import Series, bench_of, by_hand

BENCH = bench_of(
    "hub reference hub total", "pedals witness pedals total", "sensor on-test cadence total", reference="hub"
)


def ride() -> Series:
    """Four minutes each at 45, 70, 90 and 105 rpm, as a rider holds them."""
    chance = np.random.default_rng(3)
    return np.repeat([45.0, 70.0, 90.0, 105.0], 240) + chance.normal(0.0, 0.4, 960)


def rows(hub: Series, pedals: Series, sensor: Series, bench: str = BENCH) -> dict[str, CadenceStudy]:
    watts = np.full(len(hub), 200.0)
    recording = by_hand(
        bench, {"hub": watts, "pedals": watts}, {"hub": hub, "pedals": pedals, "sensor": sensor},
        segments=[(0, "45"), (240, "70"), (480, "90"), (720, "105")],
    )  # fmt: skip
    return {row.instrument: row for row in cadence_of(shared_of(recording))}


def test_a_sensor_on_test_that_reads_right_agrees_in_every_range() -> None:
    true = ride()
    found = rows(true, true, true + 0.3)
    sensor = found["sensor"]
    assert sensor.reference == "pedals"
    assert sensor.deviation_rpm == pytest.approx(0.3, abs=0.01)
    assert (sensor.verdict, sensor.limit_rpm) == ("agrees", 2.0)
    assert [(b.low_rpm, b.high_rpm) for b in sensor.by] == [(0, 50), (65, 80), (80, 95), (95, 110)]
    # 24 blocks of ten seconds in four minutes; the one over the change is uneven.
    assert all(22 <= b.blocks <= 24 for b in sensor.by)


def test_a_trainer_that_estimates_low_cadence_is_seen_in_that_range() -> None:
    true = ride()
    hub = np.where(true < 60.0, true + 9.0, true)
    found = rows(hub, true, true)
    row = found["hub"]
    assert row.verdict == "differs"
    assert row.estimated
    by = {b.low_rpm: b for b in row.by}
    assert by[0.0].deviation_rpm == pytest.approx(9.0, abs=0.01)
    assert by[0.0].verdict == "differs"
    assert by[80.0].verdict == "agrees"
    assert "take cadence from pedals" in advice_of(list(found.values()))
    assert "hub is off by +9.0 rpm below 50 rpm" in advice_of(list(found.values()))


def test_the_width_is_students_over_the_blocks() -> None:
    # White noise in blocks: its standard deviation is known, and 95 % of intervals must hold the truth.
    held = 0
    for seed in range(120):
        chance = np.random.default_rng(seed)
        true = np.full(400, 90.0)
        sensor = true + 0.8 + np.repeat(chance.normal(0.0, 0.5, 40), 10)
        row = rows(true, true, sensor)["sensor"]
        held += abs(row.deviation_rpm - 0.8) <= (row.u95_rpm or 0.0)
    # Binomial(120, 0.95): fewer than 107 in under one of a thousand runs.
    assert held >= 107


def test_one_of_three_that_counts_double_is_no_reference() -> None:
    true = ride()
    text = bench_of(
        "hub reference hub total", "pedals witness pedals total", "sensor on-test cadence total",
        "crank on-test crank total", reference="hub",
    )  # fmt: skip
    watts = np.full(len(true), 200.0)
    recording = by_hand(
        text, {"hub": watts, "pedals": watts, "crank": watts},
        {"hub": true, "pedals": 2.0 * true, "sensor": true, "crank": true},
    )  # fmt: skip
    result = cadence_of(shared_of(recording))
    assert {row.reference for row in result} == {"sensor"}
    assert [row.instrument for row in result if row.verdict == "differs"] == ["pedals"]


def test_two_that_differ_blame_nobody() -> None:
    true = ride()
    text = bench_of("pedals reference pedals total", "sensor on-test cadence total", reference="pedals")
    recording = by_hand(text, {"pedals": true * 2.0}, {"pedals": true, "sensor": true + 5.0})
    result = cadence_of(shared_of(recording))
    assert result[0].verdict == "differs"
    assert "nothing tells which is right" in advice_of(result)


def test_nothing_to_compare_gives_nothing() -> None:
    text = bench_of("pedals reference pedals total", "sensor on-test cadence total", reference="pedals")
    quiet = np.full(100, np.nan)
    assert cadence_of(shared_of(by_hand(text, {"pedals": np.full(100, 200.0)}, {"sensor": quiet}))) == []
    still = np.zeros(100)
    both = {"pedals": still, "sensor": still}
    assert cadence_of(shared_of(by_hand(text, {"pedals": still}, both))) == []


def answers(hub: Series, pedals: Series, sensor: Series) -> dict[str, tuple[str, str]]:
    watts = np.full(len(hub), 200.0)
    recording = by_hand(
        BENCH, {"hub": watts, "pedals": watts}, {"hub": hub, "pedals": pedals, "sensor": sensor},
        segments=[(0, "45"), (240, "70"), (480, "90"), (720, "105")],
    )  # fmt: skip
    found = study(recording).instruments["sensor"]
    return {"sensor": (found.verdict, found.serves_as_reference), "text": (found.sentence, found.why)}


def test_a_sensor_on_test_gets_a_closing_answer() -> None:
    true = ride()
    told = answers(true, true, true + 0.3)
    assert told["sensor"] == ("agrees", "yes")
    assert "+0.3 rpm" in told["text"][0]
    # One other that measures, and a hub that may estimate: a difference is nobody's.
    told = answers(true, true, true + 6.0)
    assert told["sensor"] == ("undecided", "undecided")
    assert "nothing tells which is right" in told["text"][1]
    assert all(len(part.split()) <= 25 for part in told["text"][0].split(";"))


def test_a_sensor_that_two_others_contradict_is_no_reference() -> None:
    true = ride()
    text = bench_of(
        "hub reference hub total", "pedals witness pedals total", "crank witness crank total",
        "sensor on-test cadence total", reference="hub",
    )  # fmt: skip
    watts = np.full(len(true), 200.0)
    recording = by_hand(
        text, {"hub": watts, "pedals": watts, "crank": watts},
        {"hub": true, "pedals": true, "crank": true + 0.1, "sensor": np.where(true < 60, true * 2.0, true)},
    )  # fmt: skip
    found = study(recording).instruments["sensor"]
    assert (found.verdict, found.serves_as_reference) == ("differs", "no")
    assert "below 50 rpm" in found.sentence
    assert "+45" in found.sentence or "+44" in found.sentence
