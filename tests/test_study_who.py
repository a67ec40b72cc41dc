"""Who is off, afterwards: by instruments that are independent of each other, never by their role."""

import pytest

from monitor.study.results import Study
from monitor.study.study import study
from tests.helpers.rides import record, scene_records

BENCH = """
[bench]
name = "who"
reference = "pedals"
[[instrument]]
label = "pedals"
role = "reference"
mount = "pedals"
sides = "both"
link = "scene:pedals"
claim_percent = 1.0
[[instrument]]
label = "hub"
role = "witness"
mount = "hub"
link = "scene:hub"
profile = "cycling-power"
drivetrain_loss = [2.6, 1.0]
claim_percent = 1.5
[[instrument]]
label = "heron"
role = "on-test"
mount = "spider"
link = "scene:heron"
profile = "cycling-power"
claim_percent = 1.5
[[protocol.segment]]
name = "steady 200"
seconds = 180
target_w = 200
cadence_rpm = 90
[[protocol.segment]]
name = "steady 260"
seconds = 180
target_w = 260
cadence_rpm = 80
[[protocol.segment]]
name = "slow 180"
seconds = 120
target_w = 180
cadence_rpm = 65
[[protocol.segment]]
name = "steady 200 again"
seconds = 120
target_w = 200
cadence_rpm = 90
[scene]
seed = {seed}
drivetrain_loss = [2.6, 1.0]
[scene.instrument.pedals]
kind = "pedals"
radio = "ant"
serial = 2345
{pedals}
[scene.instrument.hub]
kind = "trainer"
radio = "bluetooth"
serial = 3456
{hub}
[scene.instrument.heron]
kind = "spider"
radio = "bluetooth"
serial = 4567
{heron}
"""


def evening(seed: int = 3, **settings: str) -> Study:
    text = BENCH.format(seed=seed, **{k: settings.get(k, "") for k in ("pedals", "hub", "heron")})
    return study(record(*scene_records(text)))


@pytest.mark.slow
@pytest.mark.parametrize(("guilty", "gain"), [("pedals", 1.06), ("heron", 0.94), ("hub", 1.065)])
def test_the_one_outside_is_named_whatever_its_role(guilty: str, gain: float) -> None:
    result = evening(**{guilty: f"gain = {gain}"})
    apart = {label: i.stands_apart for label, i in result.instruments.items()}
    assert apart == {label: "yes" if label == guilty else "no" for label in apart}
    assert (result.instruments[guilty].apart_odds or 0.0) > 0.9
    for label, i in result.instruments.items():
        assert i.serves_as_reference == "no" if label == guilty else i.serves_as_reference != "no"
        if label != guilty:
            assert i.verdict in ("reference", "agrees", "undecided")
            assert i.as_left != "differs"
    # The difference is told as one, whoever it belongs to.
    if guilty == "pedals":
        assert "stands apart" in result.instruments["pedals"].sentence
        assert "pedals stands apart, heron agrees with the others" in result.instruments["heron"].sentence


def test_healthy_ones_are_left_alone() -> None:
    for seed in (3, 4):
        result = evening(seed)
        assert {i.stands_apart for i in result.instruments.values()} == {"no"}
        assert all(i.serves_as_reference != "no" and i.same_as is None for i in result.instruments.values())


def test_two_only_can_differ_but_neither_is_wrong() -> None:
    text = BENCH.format(seed=3, pedals="gain = 1.06", hub="", heron="")
    start, end = text.index('[[instrument]]\nlabel = "hub"'), text.index('[[instrument]]\nlabel = "heron"')
    text = text[:start] + text[end:]
    start, end = text.index("[scene.instrument.hub]"), text.index("[scene.instrument.heron]")
    result = study(record(*scene_records(text[:start] + text[end:])))
    heron = result.instruments["heron"]
    assert any(d.verdict == "differs" for s in result.segments for d in s.differences)
    assert (heron.verdict, heron.stands_apart, heron.serves_as_reference) == ("undecided",) * 3
    assert "neither can be called wrong" in heron.sentence
    assert result.instruments["pedals"].serves_as_reference == "undecided"


def test_one_instrument_on_two_radios_is_one_opinion() -> None:
    """A wrong reference and its copy outvote nobody."""
    text = BENCH.format(seed=3, pedals="gain = 1.06", hub="", heron="")
    copy = """[[instrument]]
label = "pedals-two"
role = "witness"
mount = "pedals"
sides = "both"
link = "scene:pedals-two"
claim_percent = 1.0
[[protocol.segment]]
name = "steady 200"
"""
    text = text.replace('[[protocol.segment]]\nname = "steady 200"\n', copy, 1)
    text += (
        '[scene.instrument.pedals-two]\nkind = "pedals"\nradio = "bluetooth"\nserial = 2345\ngain = 1.06\n'
    )
    result = study(record(*scene_records(text)))
    assert result.instruments["pedals-two"].same_as == "pedals"
    assert result.instruments["pedals"].stands_apart == "yes"
    assert result.instruments["heron"].stands_apart == "no"
    assert result.instruments["heron"].as_left != "differs"
    assert "heard twice" in result.instruments["pedals-two"].sentence


def test_a_serial_number_that_nobody_set_makes_no_copy() -> None:
    result = evening(pedals="gain = 1.0", hub="", heron="gain = 1.02")
    assert all(i.same_as is None for i in result.instruments.values())
