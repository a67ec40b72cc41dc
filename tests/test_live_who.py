"""Whose a deviation is, live: told as a difference first, charged only to who stands apart from all others.

The rule is that of key comparisons: the largest consistent subset, Cox, Metrologia 44 (2007) 187, whose
arithmetic is checked in test_consistency. Here whole streams of bytes go through the pipeline.
"""

from collections.abc import Iterable

import pytest

from capture.record import Record, Reported
from monitor.finding import Finding
from monitor.live.pipeline import Pipeline
from monitor.live.screen import view_of
from monitor.setup.bench import Bench
from tests.helpers.streams import Meter, Ride, Stretch, bench, between, merged, ns, ticks

HUB = 'hub role="reference" claim_percent=1.0'
PEDALS = 'pedals role="witness" mount="pedals" sides="both" claim_percent=1.0'
HERON = 'heron sides="both" claim_percent=1.5'
THREE = bench(HUB, PEDALS, HERON)
TWO = bench(HUB, HERON)
RIDE = Ride(Stretch(200, 210, 88, 0.52), noise=0.02)


def run(
    b: Bench, *streams: Iterable[Record], until_s: float = RIDE.seconds
) -> tuple[Pipeline, list[Finding]]:
    pipeline = Pipeline(b)
    found: list[Finding] = []
    for record in merged(ticks(until_s), *streams):
        found += pipeline.feed(record)
    return pipeline, found


def meters(seed: int = 0, ride: Ride = RIDE, **gains: object) -> list[Iterable[Record]]:
    """The three of THREE; a gain may be a number or a function of the time."""

    def gain(label: str) -> float:
        return gains.get(label, 1.0)  # type: ignore[return-value]

    return [
        Meter("hub", gain=gain("hub"), noise=0.004, seed=seed + 10).ant(ride),
        Meter("pedals", gain=gain("pedals"), sided=True, noise=0.004, seed=seed + 20, phase=0.1).bluetooth(
            ride
        ),
        Meter("heron", gain=gain("heron"), sided=True, noise=0.004, seed=seed + 30).bluetooth(ride),
    ]


def raised(found: Iterable[Finding], kind: str) -> dict[str, list[Finding]]:
    result: dict[str, list[Finding]] = {}
    for f in found:
        if f.kind == kind and f.event == "raised":
            result.setdefault(f.instrument, []).append(f)
    return result


@pytest.mark.parametrize(
    ("guilty", "gain"), [("hub", 1.07), ("hub", 0.94), ("heron", 1.07), ("pedals", 0.93)]
)
def test_the_one_that_stands_apart_is_charged_whatever_its_role(guilty: str, gain: float) -> None:
    pipeline, found = run(THREE, *meters(**{guilty: gain}))
    off = raised(found, "power-off")
    assert set(off) == {guilty}
    first = off[guilty][0]
    assert first.t_s < 60.0
    assert first.value == pytest.approx(100.0 * (gain - 1.0), abs=1.5)
    assert ("above" if gain > 1.0 else "below") in first.what
    assert "the others" in off[guilty][-1].what
    assert [s.sign.instrument for s in pipeline.alarms.open() if s.sign.kind == "power-off"] == [guilty]
    lanes = {lane.label: lane for lane in view_of(pipeline).lanes}
    assert {label: lane.apart for label, lane in lanes.items()} == {
        label: "yes" if label == guilty else "no" for label in lanes
    }
    assert "power-off" in lanes[guilty].raised
    assert all(lane.verdict != "differs" for label, lane in lanes.items() if label != guilty)


def test_two_can_only_differ() -> None:
    streams = meters(heron=1.07)
    _, found = run(TWO, streams[0], streams[2])
    (first, *_) = raised(found, "power-off")["heron"]
    assert first.t_s < 60.0, "it is told as soon as before, and accuses nobody"
    assert "two instruments cannot tell which is wrong" in first.what
    for f in found:
        assert "error" not in f.what
        assert "stands apart" not in f.what


def test_one_instrument_on_two_radios_is_one_opinion() -> None:
    """A wrong reference and its copy do not outvote the healthy one: by the serial number, told on both."""
    wrong = [
        Meter("hub", gain=1.06, noise=0.004, seed=10),
        Meter("pedals", gain=1.06, sided=True, noise=0.004, seed=10, phase=0.1),
    ]
    b = bench(HUB.replace("hub ", 'hub mount="pedals" '), PEDALS, HERON)
    serials = [Reported(ns(1.0), label, "serial", "408211") for label in ("hub", "pedals")]
    streams = [wrong[0].ant(RIDE), wrong[1].bluetooth(RIDE), meters()[2]]
    _, found = run(b, *streams, serials)
    assert "two instruments cannot tell which is wrong" in raised(found, "power-off")["heron"][0].what
    assert not any("stands apart" in f.what or "the others" in f.what for f in found)
    # Without the number, and with readings that are not alike to the hundredth, they are two opinions.
    _, found = run(b, *[wrong[0].ant(RIDE), wrong[1].bluetooth(RIDE), meters()[2]])
    assert any("stands apart" in f.what for f in raised(found, "power-off")["heron"])


def test_a_step_of_the_reference_is_the_references() -> None:
    ride = Ride(Stretch(400, 210, 88, 0.52), noise=0.02)
    _, found = run(THREE, *meters(ride=ride, hub=between(200.0, 1e9, 1.03)), until_s=400.0)
    steps = raised(found, "shifted")
    assert set(steps) == {"hub"}
    assert steps["hub"][0].value == pytest.approx(3.0, abs=0.8)
    assert steps["hub"][0].since_s == pytest.approx(200.0, abs=11.0)
    assert 200.0 < steps["hub"][0].t_s < 260.0
    # Three percent may still be within claims that add up: a difference is told, and nobody is accused.
    for f in raised(found, "power-off").get("heron", []):
        assert "undecided" in f.what or "within their claims" in f.what or "cannot be told" in f.what


def test_a_step_of_one_of_two_is_told_of_both() -> None:
    ride = Ride(Stretch(400, 210, 88, 0.52), noise=0.02)
    streams = meters(ride=ride, heron=between(200.0, 1e9, 1.03))
    _, found = run(TWO, streams[0], streams[2], until_s=400.0)
    (step,) = raised(found, "shifted")["heron"]
    assert "against hub, two instruments cannot tell which changed" in step.what
    assert "zero both" in step.do


def test_a_side_of_the_only_other_one_with_sides_is_not_charged_to_heron() -> None:
    """The right pedal of the witness reads 12 % low: its total stands apart, and so does that side."""
    streams = meters()
    streams[1] = Meter("pedals", gain_right=0.86, sided=True, noise=0.004, seed=20, phase=0.1).bluetooth(RIDE)
    _, found = run(THREE, *streams)
    sides = raised(found, "side-off")
    assert {(f.instrument, f.side) for fs in sides.values() for f in fs} == {("pedals", "right")}
    assert sides["pedals"][0].value is not None
    assert sides["pedals"][0].value < -5.0
    assert sides["pedals"][0].t_s < 60.0


def test_sides_of_two_that_differ_under_equal_totals_accuse_nobody() -> None:
    streams = meters()
    heron = Meter("heron", gain=0.946, gain_right=1.12, sided=True, noise=0.004, seed=30)
    streams[2] = heron.bluetooth(RIDE)
    _, found = run(THREE, *streams)
    sides = raised(found, "side-off")
    assert set(sides) == {"heron"}
    assert all("stands apart" not in f.what and " error" not in f.what for f in sides["heron"])
    assert any("two instruments cannot tell which is wrong" in f.what for f in sides["heron"])
