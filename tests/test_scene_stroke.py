"""A scene emits the stroke in real bytes: what its rider does is what decoders read out of them."""

import math
from collections import Counter
from typing import Any

import pytest

from capture.profiles import decode
from capture.record import Packet
from capture.sample import Reading
from capture.scene import Scene, SceneError
from capture.source import Wanted

LEFT_DEG, RIGHT_DEG = 85.0, 110.0


def scene(kind: str = "pedals", radio: str = "bluetooth", **more: Any) -> list[Reading]:
    """Twenty seconds of one instrument, every packet decoded."""
    faults = more.pop("faults", [])
    rider = {
        "ripple": 1.3,
        "stroke": [
            {"left_peak_deg": LEFT_DEG, "right_peak_deg": RIGHT_DEG},
            {"at": 12.0, "left_peak_deg": LEFT_DEG, "right_peak_deg": RIGHT_DEG, "position": "standing"},
        ],
    }
    definition = {
        "seed": 4,
        "rider": rider,
        "segment": [{"name": "steady", "seconds": 20.0, "target_w": 200.0}],
        "instrument": {"unit": {"kind": kind, "radio": radio, "faults": faults, **more}},
    }
    records = Scene(definition, [Wanted("unit", "scene:unit")]).records()
    packets = [r for r in records if isinstance(r, Packet)]
    return [decode(p.channel, p.data) for p in packets]


def facts(readings: list[Reading], name: str) -> list[float]:
    """All values of a fact, in order."""
    return [r.facts[name] for r in readings if r.facts and name in r.facts]  # type: ignore[misc]


def test_extremes_and_their_angles() -> None:
    readings = scene(extremes=True)
    # Two legs of half the torque each: the greater of the peaks, by the left crank.
    peaks = {round(a) for a in facts(readings, "max_torque_angle_deg")}
    near = {LEFT_DEG, RIGHT_DEG + 180.0}
    assert all(min(abs(a - n) for n in near) <= 8.0 for a in peaks)
    most, least = facts(readings, "max_torque_nm"), facts(readings, "min_torque_nm")
    assert all(a > 0.0 and a > b for a, b in zip(most, least, strict=True))
    # A ripple of 1.3 makes the left leg hold back behind: it drives through its peak.
    top, bottom = facts(readings, "top_dead_spot_deg"), facts(readings, "bottom_dead_spot_deg")
    middle = (top[-1] + 0.5 * ((bottom[-1] - top[-1]) % 360.0)) % 360.0
    assert middle == pytest.approx(LEFT_DEG, abs=1.5)
    features = next(r.facts for r in readings if r.item == "2A65")
    assert features is not None
    assert features["extreme_magnitudes"] == features["extreme_angles"] == features["dead_spot_angles"] == 1.0


def test_vectors_come_as_often_as_they_say() -> None:
    readings = scene(vector_hz=32, vector_values=8)
    vectors = [r.vector for r in readings if r.vector is not None]
    assert len(vectors) == pytest.approx(19.0 * 32.0 / 8.0, abs=4.0)
    assert all(len(v.values) == 8 and v.direction == 1 and not v.is_force for v in vectors)
    mean = sum(sum(v.values) for v in vectors) / sum(len(v.values) for v in vectors)
    # 200 W at 88 rpm; it takes a second or two until the rider is there.
    assert mean == pytest.approx(200.0 / (2.0 * math.pi * 88.0 / 60.0), rel=0.1)


def test_one_crank_alone_sends_its_own_leg() -> None:
    both = [r.vector for r in scene(vector_hz=32) if r.vector is not None]
    left = [r.vector for r in scene("single-sided", vector_hz=32) if r.vector is not None]
    sums = [sum(sum(v.values) for v in vectors) for vectors in (both, left)]
    assert sums[1] == pytest.approx(0.5 * sums[0], rel=0.1)


def test_pages_of_the_stroke_come_in_turn() -> None:
    readings = scene(radio="ant", stroke_pages=True)
    count = Counter(r.item for r in readings)
    assert all(count[f"ant11/0x{page}"] >= 2 for page in ("13", "14", "E0", "E1", "E2"))
    for side, peak in (("left", LEFT_DEG), ("right", RIGHT_DEG)):
        starts = facts(readings, f"{side}_power_phase_peak_start_deg")
        ends = facts(readings, f"{side}_power_phase_peak_end_deg")
        for start, end in zip(starts, ends, strict=True):
            assert (start + 0.5 * ((end - start) % 360.0)) % 360.0 == pytest.approx(peak, abs=1.5)
    assert facts(readings, "torque_barycenter_deg")[-1] == pytest.approx(
        0.5 * (LEFT_DEG + RIGHT_DEG), abs=1.0
    )
    positions = [r.facts["rider_position"] for r in readings if r.facts and "rider_position" in r.facts]
    assert (positions[0], positions[-1]) == ("seated", "standing")
    # Mean over greatest torque of 1 + 1.3 (1.3 cos x + 0.5 cos 2x): 1 / (1 + 1.3 * 1.8).
    assert facts(readings, "left_pedal_smoothness_percent")[-1] == pytest.approx(100.0 / 3.34, abs=0.5)
    assert facts(readings, "left_torque_effectiveness_percent")[-1] < 100.0


def test_a_zero_of_its_own_and_an_angle_that_slips() -> None:
    fault = {"at": 10.0, "fault": "angle", "size": 15.0}
    readings = scene(radio="ant", stroke_pages=True, angle_zero_deg=7.0, faults=[fault])
    starts = facts(readings, "left_power_phase_peak_start_deg")
    ends = facts(readings, "left_power_phase_peak_end_deg")
    peaks = [(a + 0.5 * ((b - a) % 360.0)) % 360.0 for a, b in zip(starts, ends, strict=True)]
    assert peaks[0] == pytest.approx(LEFT_DEG + 7.0, abs=1.5)
    assert peaks[-1] == pytest.approx(LEFT_DEG + 22.0, abs=1.5)


def test_a_part_that_is_misread_changes_the_power_by_its_work() -> None:
    fault = {"at": 0.0, "fault": "sector", "size": 20.0, "side": "left", "from_deg": 45.0, "to_deg": 135.0}
    true = [r for r in scene(noise_percent=0.0) if r.item == "2A63"]
    wrong = [r for r in scene(noise_percent=0.0, faults=[fault]) if r.item == "2A63"]
    ratio = sum(r.power_w or 0.0 for r in wrong) / sum(r.power_w or 0.0 for r in true)
    # By hand: the quarter turn has 1/4 + 1.3 (1.3 (sin 50 + sin 40) + 0.25 (sin 100 + sin 80)) / (2 pi) of
    # the left leg's work, and that leg makes half of the power.
    degrees = [math.sin(math.radians(d)) for d in (50.0, 40.0, 100.0, 80.0)]
    part = 0.25 + 1.3 * (1.3 * (degrees[0] + degrees[1]) + 0.25 * (degrees[2] + degrees[3])) / (2.0 * math.pi)
    assert ratio == pytest.approx(1.0 + 0.5 * 0.2 * part, abs=0.004)
    share = [r.left_share for r in wrong if r.left_share is not None]
    assert share[-1] > 0.51


def test_a_scene_without_it_sends_none() -> None:
    assert not any(r.vector for r in scene())
    assert not facts(scene(), "max_torque_nm")
    pages = Counter(r.item for r in scene(radio="ant"))
    assert not any(pages[f"ant11/0x{page}"] for page in ("14", "E0", "E1", "E2"))


@pytest.mark.parametrize(
    ("more", "message"),
    [
        ({"faults": [{"at": 0.0, "fault": "sector", "from_deg": 90.0, "to_deg": 80.0}]}, "to_deg"),
        ({"vector_hz": 1000.0}, "vector_hz"),
        ({"kind": "hub", "faults": [{"at": 0.0, "fault": "sector", "side": "left"}]}, "no two sides"),
    ],
)
def test_what_no_scene_can_play_is_named(more: dict[str, Any], message: str) -> None:
    with pytest.raises(SceneError, match=message):
        scene(**more)
