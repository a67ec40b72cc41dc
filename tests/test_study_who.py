"""Who is off, afterwards: by instruments that are independent of each other, never by their role."""

import pytest

from monitor.study.results import Study
from monitor.study.study import study
from tests.helpers.benches import LOSS, head, hub, instrument, pedals, scene, sends, steady
from tests.helpers.rides import record, scene_records


def bench_of(seed: int, **settings: str) -> str:
    """Three instruments over four blocks; `settings` are lines for one of them in the scene."""
    text = head("who", "pedals") + pedals()
    text += hub("witness", profile="cycling-power", claim_percent=1.5)
    text += instrument("heron", role="on-test", mount="spider", profile="cycling-power", claim_percent=1.5)
    text += steady(180, 200, 90) + steady(180, 260, 80) + steady(120, 180, 65, "slow 180")
    text += steady(120, 200, 90, "steady 200 again") + scene(seed, drivetrain_loss=LOSS)
    text += sends("pedals", "pedals", "ant", serial=2345) + settings.get("pedals", "") + "\n"
    text += sends("hub", "trainer", "bluetooth", serial=3456) + settings.get("hub", "") + "\n"
    return text + sends("heron", "spider", "bluetooth", serial=4567) + settings.get("heron", "") + "\n"


def evening(seed: int = 3, **settings: str) -> Study:
    text = bench_of(seed, **settings)
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
        assert (
            "heron agrees with hub, not with pedals, which stands apart: "
            in result.instruments["heron"].sentence
        )


def test_healthy_ones_are_left_alone() -> None:
    for seed in (3, 4):
        result = evening(seed)
        assert {i.stands_apart for i in result.instruments.values()} == {"no"}
        assert all(i.serves_as_reference != "no" and i.same_as is None for i in result.instruments.values())


def test_two_only_can_differ_but_neither_is_wrong() -> None:
    text = bench_of(3, pedals="gain = 1.06")
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
    text = bench_of(3, pedals="gain = 1.06")
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
