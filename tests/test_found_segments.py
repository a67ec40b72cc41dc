"""Segments that nobody named, on labelled rides whose generator knows nothing of the monitor."""

import numpy as np
import pytest

from monitor.study.asked.found import find_segments, sprints_in
from monitor.study.study import study
from tests.benchmarks.segments.rides import Writer
from tests.benchmarks.segments.score import Found, Score, add, overlap
from tests.helpers.cells import bench_of, by_hand


def found_in(writer: Writer) -> list[Found]:
    ride = writer.ride("a ride")
    return [Found(s.kind, s.start_s, s.end_s) for s in find_segments(ride.power_w, ride.rpm)]


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize("trainer", [True, False])
def test_a_surge_to_450_watts_is_no_sprint(seed: int, trainer: bool) -> None:
    writer = Writer(seed, trainer=trainer)
    writer.free(400, 190.0, surges=6)
    writer.sprint(10, 900.0)
    writer.free(300, 190.0, surges=2)
    writer.sprint(12, 950.0)
    writer.easy(60)
    found = [f for f in found_in(writer) if f.kind == "sprint"]
    labels = [label for label in writer.labels if label.kind == "sprint"]
    assert len(found) == 2
    assert all(overlap(label, f) >= 0.5 for label, f in zip(labels, found, strict=True))


def test_a_weak_riders_sprint_is_one() -> None:
    power = np.concatenate([np.full(300, 80.0), np.full(8, 380.0), np.full(300, 80.0)])
    assert len(sprints_in(power)) == 1
    # Riding at 200 W, the same watts are none.
    assert sprints_in(np.concatenate([np.full(300, 200.0), np.full(8, 380.0), np.full(300, 200.0)])) == []


@pytest.mark.parametrize(("over_s", "under_s"), [(12, 12), (40, 20), (30, 30), (60, 90)])
@pytest.mark.parametrize("trainer", [True, False])
def test_a_set_of_over_unders_is_one_segment(over_s: int, under_s: int, trainer: bool) -> None:
    writer = Writer(over_s, trainer=trainer)
    writer.steady(200, 180.0)
    writer.over_unders(4, over_s, under_s, 270.0, 200.0)
    writer.easy(100)
    (found,) = [f for f in found_in(writer) if f.kind == "over-under"]
    assert overlap(writer.labels[1], found) >= 0.9


def test_stairs_are_blocks_and_a_ramp_is_one_piece() -> None:
    writer = Writer(4, trainer=True)
    writer.stairs(4, 90, 150.0, 35.0)
    writer.easy(60)
    writer.ramp(240, 120.0, 280.0)
    kinds = [f.kind for f in found_in(writer)]
    assert kinds.count("ramp") == 1
    assert kinds[:4] == ["block"] * 4


def test_free_riding_is_nothing_else() -> None:
    for seed in range(6):
        writer = Writer(seed, trainer=False)
        writer.free(900, 180.0)
        found = found_in(writer)
        assert {f.kind for f in found} <= {"free", "block"}
        score = Score()
        add(score, writer.ride("again"), found)
        assert score.ridden["free"] == 1


def test_the_load_of_a_found_segment_is_told_only_by_what_was_sent() -> None:
    writer = Writer(2, trainer=True)
    writer.steady(200, 200.0)
    writer.free(240, 180.0)
    writer.sprint(10, 950.0)
    writer.free(200, 180.0)
    ride = writer.ride("one")
    bench = bench_of("hub reference hub total", "pedals on-test pedals total", reference="hub")
    result = study(by_hand(bench, {"hub": ride.power_w, "pedals": ride.power_w}, {"pedals": ride.rpm}))
    assert {"block", "sprint", "free"} <= {s.kind for s in result.segments}
    assert {s.load for s in result.segments} == {"not told"}
    assert all(s.found for s in result.segments)
