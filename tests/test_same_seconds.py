"""Means in one row are of the same seconds, faults of a signal apart; laid out by hand."""

import numpy as np
import pytest

from monitor.study.asked.means import means_over
from monitor.study.parts.common import shared_of
from tests.helpers.cells import bench_of, by_hand

BENCH = bench_of("hub reference hub total", "pedals witness pedals both", "heron on-test crank total",
                 reference="hub")  # fmt: skip
STEP = np.concatenate([np.full(60, 250.0), np.full(40, 300.0)])


def test_one_heard_for_a_part_stands_beside_the_others_means_of_that_part() -> None:
    # 250 W for a minute, then 300 W: heron is lost in the last 40 s. The mean of all is 270 W, of the
    # minute 250 W: these must not stand in one row.
    heron = STEP.copy()
    heron[60:] = np.nan
    shared = shared_of(by_hand(BENCH, {"hub": STEP, "pedals": STEP, "heron": heron}, {}))
    found = means_over(shared, 0, 100)
    assert {m.power_w for m in found.values()} == {250.0}
    assert {m.seconds for m in found.values()} == {60}
    assert found["heron"].coverage == pytest.approx(0.6)
    assert found["hub"].coverage == 1.0


def test_one_hardly_heard_costs_the_others_nothing() -> None:
    heron = STEP.copy()
    heron[20:] = np.nan
    shared = shared_of(by_hand(BENCH, {"hub": STEP, "pedals": STEP, "heron": heron}, {}))
    found = means_over(shared, 0, 100)
    assert (found["hub"].power_w, found["hub"].seconds) == (270.0, 100)
    assert (found["heron"].power_w, found["heron"].seconds) == (250.0, 20)


def test_zeros_of_a_fault_are_apart() -> None:
    heron = STEP.copy()
    heron[30:40] = 0.0
    shared = shared_of(by_hand(BENCH, {"hub": STEP, "pedals": STEP, "heron": heron}, {}))
    found = means_over(shared, 0, 60)
    assert {m.power_w for m in found.values()} == {250.0}
    # Ten seconds, and three on either side into which averaging instruments carry them.
    assert found["heron"].fault_s == 16
    assert found["hub"].fault_s == 0
    assert {m.seconds for m in found.values()} == {44}


def test_sides_add_up_to_the_mean() -> None:
    recording = by_hand(BENCH, {"hub": STEP, "pedals": STEP, "heron": STEP}, {}, left_share={"pedals": 0.48})
    m = means_over(shared_of(recording), 0, 100)["pedals"]
    assert (m.power_w, m.left_w, m.right_w) == pytest.approx((270.0, 129.6, 140.4))
    assert m.left_percent == pytest.approx(48.0)


def test_nothing_heard_is_nothing() -> None:
    silent = np.full(100, np.nan)
    found = means_over(shared_of(by_hand(BENCH, {"hub": STEP, "pedals": silent, "heron": STEP}, {})), 0, 100)
    assert found["pedals"].power_w is None
    assert found["hub"].power_w == 270.0
    none = means_over(shared_of(by_hand(BENCH, {"hub": STEP, "pedals": STEP, "heron": STEP}, {})), 40, 40)
    assert none["hub"].power_w is None
