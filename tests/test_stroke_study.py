"""The stroke in a study: whose change it was, whether errors follow it, what the report says of it.

The truth is the parameter of a virtual rider or of series made by hand, not what the program says.
"""

import math
from collections.abc import Iterable, Sequence

import msgspec
import numpy as np
import pytest

from capture.record import Packet
from capture.scene.stroke import Shape, StrokeHabit, Strokes, own_revs, turn_of
from monitor.analysis.stroke.series import Series, Side
from monitor.analysis.stroke.track import StrokeSecond
from monitor.analysis.stroke.vector import Vectors
from monitor.report import report_html
from monitor.report.states import rider_sentence
from monitor.report.stroke import stroke_rows, stroke_words
from monitor.study.grid import Blocks
from monitor.study.parts.common import Shared, shared_of
from monitor.study.parts.stroke.effects import Stroked, effects_of, groups_of
from monitor.study.parts.stroke.results import RiderStroke, ShapeEffect
from monitor.study.parts.stroke.rider import compared, rider_moved, steps_of
from monitor.study.results import RiderChange, Study, decode, encode
from monitor.study.study import study
from monitor.text import TERMINAL
from tests.helpers.rides import record, scene_records
from tests.test_stroke import both, leg, seconds_of, series_of

WINDOWS = ((0.0, 120.0), (120.0, 240.0))


def pages(
    before: dict[str, float], after: dict[str, float], seed: int = 1, words: Sequence[str] = ("", "")
) -> Series:
    """Two minutes before and two after: pages every third second, with a little scatter."""
    rng = np.random.default_rng(seed)
    rows = []
    for at in range(0, 240, 3):
        facts = {
            name: value + rng.normal(0.0, 0.7) for name, value in (before if at < 120 else after).items()
        }
        rows.append((at, StrokeSecond(facts=facts, position=words[at >= 120])))
    return Series(240, rows, Vectors(), "", "both")


def peak(side: str, deg: float) -> dict[str, float]:
    """The ends of a peak power phase about an angle."""
    return {f"{side}_power_phase_peak_start_deg": deg - 50.0, f"{side}_power_phase_peak_end_deg": deg + 50.0}


def legs(left: float, right: float) -> dict[str, float]:
    return peak("left", left) | peak("right", right)


# -- the rider's stroke


def test_a_leg_that_moves_is_the_riders() -> None:
    told = compared(("pedals", pages(legs(92, 95), legs(104, 95))), [], WINDOWS, True)
    assert (told.side, told.peak_change_deg) == ("left", pytest.approx(12.0, abs=1.0))
    assert told.both_sides
    assert rider_moved(told) is True


@pytest.mark.parametrize("seed", range(5))
def test_a_steady_rider_did_not_move(seed: int) -> None:
    told = compared(("pedals", pages(legs(92, 95), legs(92.5, 95), seed)), [], WINDOWS, True)
    assert rider_moved(told) is False


def test_instruments_with_zeros_of_their_own_are_compared_by_change() -> None:
    other = pages(legs(150, 135), legs(162, 135), 2)
    told = compared(("pedals", pages(legs(92, 95), legs(104, 95))), [("heron", other)], WINDOWS, True)
    assert told.confirmed
    assert told.others["heron"][0] == pytest.approx(12.0, abs=1.0)
    assert rider_moved(told) is True


def test_a_change_that_another_contradicts_is_nobodys() -> None:
    steady = pages(legs(92, 95), legs(92, 95), 2)
    slipped = pages(legs(92, 95), legs(104, 107), 3)
    for source, other in ((slipped, steady), (steady, slipped)):
        told = compared(("pedals", source), [("heron", other)], WINDOWS, True)
        assert not told.confirmed
        assert rider_moved(told) is None
        assert told.peak_change_deg is None


def test_a_change_over_the_seam_is_small() -> None:
    told = compared(("pedals", pages(legs(357, 5), legs(4, 5))), [], WINDOWS, True)
    assert told.peak_change_deg == pytest.approx(7.0, abs=1.0)


def test_a_peak_that_wanders_with_the_load_is_no_other_way_of_pedalling() -> None:
    series = pages(legs(92, 95), legs(96.5, 95))
    assert rider_moved(compared(("pedals", series), [], WINDOWS, alike=False)) is False
    assert rider_moved(compared(("pedals", series), [], WINDOWS, alike=True)) is True


def test_what_is_not_known_well_is_not_steady() -> None:
    rng = np.random.default_rng(3)
    rows = [(at, StrokeSecond(facts=peak("left", 92.0 + rng.normal(0.0, 40.0)))) for at in range(0, 240, 3)]
    told = compared(("pedals", Series(240, rows, Vectors(), "", "both")), [], WINDOWS, True)
    assert told.peak_u95_deg is not None
    assert told.peak_u95_deg > 3.0
    assert rider_moved(told) is None


def test_who_stands_up_has_changed() -> None:
    told = compared(
        ("pedals", pages(legs(92, 95), legs(92, 95), words=("seated", "standing"))), [], WINDOWS, True
    )
    assert (told.position_before, told.position_after) == ("seated", "standing")
    assert rider_moved(told) is True


def test_effectiveness_alone_tells_a_change_only_at_the_same_load() -> None:
    name = "left_torque_effectiveness_percent"
    series = pages({name: 80.0}, {name: 90.0})
    assert series.method is None
    assert rider_moved(compared(("pedals", series), [], WINDOWS, alike=True)) is True
    assert rider_moved(compared(("pedals", series), [], WINDOWS, alike=False)) is None


def test_without_a_trusted_instrument_nothing_is_concluded() -> None:
    assert rider_moved(RiderStroke(None)) is None


def steps(peaks: Iterable[float], noise: float = 1.0, seed: int = 1) -> list[float]:
    """Steps that are found in blocks of ten seconds with these peaks."""
    rng = np.random.default_rng(seed)
    rows = []
    for k, deg in enumerate(peaks):
        facts = peak("left", (deg + rng.normal(0.0, noise)) % 360.0)
        rows += [(10 * k + s, StrokeSecond(facts=facts)) for s in (1, 5, 8)]
    return steps_of(series_of(rows, "", "both"))


@pytest.mark.parametrize("seed", range(6))
def test_steps_of_the_peak_are_found_where_they_are(seed: int) -> None:
    found = steps([90.0] * 20 + [102.0] * 20 + [95.0] * 20, seed=seed)
    assert [round(at / 10) for at in found] == [pytest.approx(20, abs=1), pytest.approx(40, abs=1)]
    assert steps([355.0] * 15 + [6.0] * 15, seed=seed) != []


@pytest.mark.parametrize("seed", range(6))
def test_noise_drift_and_a_moment_are_no_steps(seed: int) -> None:
    assert steps([90.0] * 60, 2.0, seed) == []
    assert steps([90.0] * 20 + [120.0] + [90.0] * 20, 1.0, seed) == []
    assert steps([90.0] * 10 + [110.0] * 3, 1.0, seed) == []


# -- errors that follow the stroke


def blocks_of(n: int, seed: int, error_percent: np.ndarray) -> Blocks:
    """Blocks of an instrument whose deviation is given, at torques and cadences that vary."""
    rng = np.random.default_rng(seed)
    return Blocks(
        begin_s=10 * np.arange(n), segment=np.zeros(n, dtype=np.int64),
        y=np.log1p((error_percent + rng.normal(0.0, 0.3, n)) / 100.0),
        reference_w=rng.uniform(150.0, 300.0, n), cadence_rpm=rng.uniform(75.0, 100.0, n),
    )  # fmt: skip


@pytest.mark.parametrize("seed", range(5))
def test_an_error_that_follows_the_peak_is_told_with_its_size(seed: int) -> None:
    x = np.random.default_rng(seed + 50).uniform(85.0, 115.0, 60)
    blocks = blocks_of(60, seed, 0.15 * (x - 100.0))
    (effect,) = effects_of("heron", "pedals", blocks, np.full(60, True), [Stroked("peak angle", x)])
    assert effect.verdict == "depends"
    assert abs(effect.change_percent - 1.5) <= 1.5 * (effect.u95_percent or 0.0)


@pytest.mark.parametrize("seed", range(5))
def test_a_zero_offset_is_not_taken_for_the_stroke(seed: int) -> None:
    # Effectiveness rises with the torque, and so falls what a zero offset of 0.5 N·m deviates.
    blocks = blocks_of(80, seed, np.zeros(80))
    torque = blocks.torque_nm
    error = 100.0 * 0.5 / torque
    blocks.y = blocks.y + np.log1p(error / 100.0)
    x = 60.0 + torque + np.random.default_rng(seed + 700).normal(0.0, 3.0, 80)
    (effect,) = effects_of("heron", "pedals", blocks, np.full(80, True), [Stroked("effectiveness", x)])
    assert effect.verdict != "depends"


def test_an_interval_of_an_effect_holds_the_truth() -> None:
    held = 0
    for seed in range(200):
        x = np.random.default_rng(seed + 9000).uniform(85.0, 115.0, 30)
        blocks = blocks_of(30, seed, 0.05 * (x - 100.0))
        (effect,) = effects_of("heron", "pedals", blocks, np.full(30, True), [Stroked("peak angle", x)])
        held += abs(effect.change_percent - 0.5) <= (effect.u95_percent or 0.0) + 0.005
    assert held >= 200 * (0.95 - 3.0 * math.sqrt(0.05 * 0.95 / 200))


def test_what_did_not_vary_is_not_asked() -> None:
    blocks = blocks_of(40, 1, np.zeros(40))
    still = [Stroked("peak angle", np.full(40, 95.0)), Stroked("standing", np.zeros(40))]
    assert effects_of("heron", "pedals", blocks, np.full(40, True), still) == []
    assert groups_of(still, np.full(40, True)) == []
    few = [Stroked("peak angle", np.linspace(80, 110, 40))]
    assert effects_of("heron", "pedals", blocks, np.arange(40) < 8, few) == []


def test_groups_of_blocks_by_stroke() -> None:
    x = np.array([85.0] * 4 + [95.0] * 5 + [105.0] * 2 + [math.nan] * 3)
    groups = groups_of([Stroked("peak angle", x)], np.full(14, True))
    assert [(g.by, g.name, int(g.mask.sum())) for g in groups] == [
        ("peak angle", "80 to 90 °", 4), ("peak angle", "90 to 100 °", 5)
    ]  # fmt: skip
    stood = groups_of([Stroked("standing", np.array([0.0] * 6 + [1.0] * 3))], np.full(9, True))
    assert [(g.by, g.name) for g in stood] == [("position", "seated"), ("position", "standing")]


# -- words


CHANGED = RiderStroke(
    "pedals", "left", 92.0, 93.1, 2.0, share_source="pedals", share_before_percent=49.3,
    share_after_percent=49.4, unit_side="right", unit_change_percent=7.8, unit_u95_percent=0.6,
)  # fmt: skip


def change(verdict: str, stroke: RiderStroke | None) -> str:
    row = RiderChange((0.0, 300.0), (300.0, 600.0), 0.1, 0.3, 0.0, 1.1, verdict, "heron", stroke)  # type: ignore[arg-type]
    return rider_sentence(row, TERMINAL)


def test_the_sentence_has_both_numbers_and_their_uncertainty() -> None:
    assert change("unit", CHANGED) == (
        "heron, 0:00–5:00 against 5:00–10:00. "
        "By pedals: left peak 92° to 93° (± 2), share 49.3 to 49.4 % (± 0.3). "
        "The rider did not change; heron's right rose by 7.8 % (± 0.6)."
    )
    assert change("rider", CHANGED).endswith("The rider changed, heron's deviation did not.")
    assert "its error may follow the stroke" in change("both", CHANGED)
    assert change("undecided", CHANGED).endswith("Rider or unit: undecided.")


def test_what_did_not_move_has_no_word() -> None:
    still = msgspec.structs.replace(CHANGED, effectiveness_change_points=0.0, effectiveness_u95_points=0.0)
    assert "effectiveness" not in change("unit", still)
    rose = msgspec.structs.replace(CHANGED, effectiveness_change_points=4.2, effectiveness_u95_points=1.1)
    text = change("unit", rose)
    assert "Also effectiveness by +4.2 ± 1.1 points." in text
    assert max(len(sentence.split()) for sentence in text.split(". ")) <= 25


def test_where_only_the_unit_reports_it_that_is_said() -> None:
    text = change("undecided", RiderStroke(None))
    assert text.endswith("Only heron itself reports the stroke: nothing is concluded from it.")


def test_where_instruments_contradict_each_other_nobody_is_named() -> None:
    text = change(
        "undecided", msgspec.structs.replace(CHANGED, confirmed=False, others={"heron": (12.0, 1.0)})
    )
    assert "(heron +12°), so the angles decide nothing" in text
    assert "The rider" not in text


# -- the virtual rider


def test_work_of_a_leg_over_a_turn_does_not_depend_on_its_shape() -> None:
    shape = Shape(70.0, 120.0, 1.3, 0.6)
    for side in ("left", "right"):
        around = [shape.relative(side, angle) for angle in range(360)]  # type: ignore[arg-type]
        assert sum(around) / 360.0 == pytest.approx(1.0)
        # The closed form is the integral: a sum of a thousand strips says the same.
        strips = [shape.relative(side, 30.0 + (k + 0.5) * 0.09) for k in range(1000)]  # type: ignore[arg-type]
        assert shape.part(side, 30.0, 120.0) == pytest.approx(sum(strips) * 0.09 / 360.0, rel=1e-5)  # type: ignore[arg-type]
        assert shape.part(side, 0.0, 360.0) == pytest.approx(1.0)  # type: ignore[arg-type]


def test_a_habit_is_reached_in_its_time() -> None:
    strokes = Strokes(
        (StrokeHabit(left_peak_deg=90.0), StrokeHabit(at=100.0, over_s=20.0, left_peak_deg=110.0)), 1.0
    )
    assert [strokes.at(t).left_peak_deg for t in (0.0, 100.0, 110.0, 120.0, 500.0)] == [90, 90, 100, 110, 110]
    assert own_revs("right", 1.75) == 1.25


def test_a_turn_from_its_torques() -> None:
    turn = turn_of([leg(100.0, 180.0)(np.array([float(a)]))[0] for a in range(360)])
    assert turn.peak_deg == 100.0
    # By hand, as for the fit: zero at 81.3 degrees on either side; half of 4.3 at 44.4.
    assert turn.phase_deg == pytest.approx((18.7, 181.3), abs=1.0)
    assert turn.peak_phase_deg == pytest.approx((55.6, 144.4), abs=1.0)
    assert turn_of([1.0] * 360).phase_deg is None


# -- whole sessions

TEXT = """
[bench]
name = "stroke"
reference = "pedals"
[[instrument]]
label = "pedals"
role = "reference"
mount = "pedals"
sides = "both"
link = "scene:pedals"
claim_percent = 1.0
[[instrument]]
label = "heron"
role = "on-test"
mount = "crank"
sides = "both"
link = "scene:heron"
claim_percent = 1.5
[[instrument]]
label = "hub"
role = "witness"
mount = "hub"
sides = "total"
link = "scene:hub"
claim_percent = 1.5
drivetrain_loss = [2.6, 1.0]
[[protocol.segment]]
name = "steady"
seconds = {length}
target_w = 220
repeat = 3
[scene]
seed = {seed}
[scene.rider]
left_share = 0.49
ripple = 1.25
[[scene.rider.stroke]]
left_peak_deg = 92
right_peak_deg = 96
[[scene.rider.stroke]]
at = {move}
left_peak_deg = 106
right_peak_deg = 96
[scene.instrument.pedals]
kind = "pedals"
vector_hz = {hz}
loss_percent = 2
[scene.instrument.heron]
kind = "crank"
radio = "ant"
stroke_pages = true
angle_zero_deg = 7
[[scene.instrument.heron.faults]]
at = {step}
fault = "gain"
side = "right"
size = 8.0
[scene.instrument.hub]
kind = "hub"
"""


def ridden(seed: int = 3, hz: float = 32, length: int = 100) -> tuple[Shared, Study]:
    """Three blocks: after the first the rider's left leg moves on, after the second the unit steps."""
    text = TEXT.format(seed=seed, hz=hz, length=length, move=length, step=2 * length)
    bench, records = scene_records(text)
    recording = record(bench, records)
    shared = shared_of(recording)
    return shared, study(recording, shared)


@pytest.fixture(scope="module")
def session() -> tuple[Shared, Study]:
    return ridden()


def changes(found: Study, label: str, at_s: float) -> list[RiderChange]:
    """Rows about one moment."""
    rows = [r for r in found.rider if r.instrument == label and r.before[1] == r.after[0]]
    return [r for r in rows if abs(r.after[0] - at_s) <= 15.0]


def assert_truth(found: Study, length: int) -> None:
    """What the parameters say: the move is the rider's, the step is the unit's right side's."""
    (move,) = changes(found, "heron", length)
    assert move.verdict == "rider"
    assert move.peak_angle_change_deg == pytest.approx(14.0, abs=4.0)
    (step,) = changes(found, "heron", 2 * length)
    assert step.verdict == "unit"
    assert step.stroke is not None
    # The rider's move before is not in the window of the step.
    assert step.before[0] >= length - 15.0
    assert (step.stroke.peak_u95_deg or 99.0) < 3.0
    assert step.stroke.unit_side == "right"
    assert step.stroke.unit_change_percent == pytest.approx(8.0, abs=1.0)
    assert [r.verdict for r in changes(found, "hub", 2 * length)] == []
    assert found.strokes is not None
    states = [s for s in found.strokes.stretches if s.of == "state" and s.instrument == "pedals"]
    assert [s.from_s for s in states] == [pytest.approx(at, abs=12.0) for at in (0, length, 2 * length)]
    for s in states:
        peaks = {x.side: x.peak_deg for x in s.sides}
        assert peaks["left"] == pytest.approx(92.0 if s.from_s < length - 15 else 106.0, abs=2.5)
        assert peaks["right"] == pytest.approx(96.0, abs=2.5)
    # The unit's own zero is seven degrees on, which changes nothing.
    units = [s for s in found.strokes.stretches if s.of == "state" and s.instrument == "heron"]
    assert [x.peak_deg for x in units[0].sides if x.side == "left"] == [pytest.approx(99.0, abs=1.5)]


def test_the_move_is_the_riders_and_the_step_is_the_units(session: tuple[Shared, Study]) -> None:
    assert_truth(session[1], 100)


def test_lost_vectors_are_counted(session: tuple[Shared, Study]) -> None:
    strokes = session[1].strokes
    assert strokes is not None
    (count,) = strokes.vectors
    assert count.instrument == "pedals"
    assert 100.0 * count.lost_packets / (count.packets + count.lost_packets) == pytest.approx(2.0, abs=1.0)


def test_the_study_survives_its_file(session: tuple[Shared, Study]) -> None:
    found = session[1]
    assert decode(encode(found)) == found


@pytest.mark.parametrize("wrong", ["label", "shape"])
def test_a_study_of_others_with_a_stroke_that_cannot_be_is_refused(
    session: tuple[Shared, Study], wrong: str
) -> None:
    found = session[1]
    assert found.strokes is not None
    stroke = next(s for s in found.strokes.stretches if s.sides and s.sides[-1].shape is not None)
    if wrong == "label":
        stroke = msgspec.structs.replace(stroke, instrument="nobody")
    else:
        short = msgspec.structs.replace(stroke.sides[-1], shape=[1.0, 2.0])
        stroke = msgspec.structs.replace(stroke, sides=[short])
    bad = msgspec.structs.replace(found, strokes=msgspec.structs.replace(found.strokes, stretches=[stroke]))
    with pytest.raises(msgspec.ValidationError, match=r"strokes are of instruments|parts of the turn"):
        decode(encode(bad))


def test_the_page_has_pictures_tables_and_words(session: tuple[Shared, Study]) -> None:
    shared, found = session
    page = report_html(found, shared)
    assert 'id="stroke"' in page
    assert page.count("Torque over the turn, ") == 2  # title and description of one picture
    assert "Angles in time, left" in page
    assert "Angles in time, right" in page
    rows = stroke_rows(found, TERMINAL)
    assert {r.label for r in rows} == {"pedals", "heron"}
    assert any("packets with torque vectors lost" in line for line in stroke_words(found, TERMINAL))


def test_a_bench_without_stroke_has_nothing_of_it(session: tuple[Shared, Study]) -> None:
    shared, _ = session
    recording = shared.recording
    kept, recording.strokes = recording.strokes, {}
    try:
        found = study(recording, shared_of(recording))
    finally:
        recording.strokes = kept
    assert found.strokes is None
    assert all(r.stroke is None and r.peak_angle_change_deg is None for r in found.rider)


@pytest.mark.slow
@pytest.mark.parametrize(("seed", "hz"), [(11, 32), (12, 16), (13, 50), (14, 12.5)])
def test_other_rides_and_rates_say_the_same(seed: int, hz: float) -> None:
    assert_truth(ridden(seed, hz, 240)[1], 240)


@pytest.mark.slow
@pytest.mark.parametrize("seed", [21, 22, 23])
def test_a_part_of_the_stroke_that_is_misread_shows_with_the_peak(seed: int) -> None:
    text = TEXT.format(seed=seed, hz=32, length=300, move=9999, step=9999)
    begin, end = text.index("[[scene.rider.stroke]]"), text.index("[scene.instrument.pedals]")
    rng = np.random.default_rng(seed)
    habits = "".join(
        f"[[scene.rider.stroke]]\nat = {at}\nover_s = 5\nleft_peak_deg = {d}\nright_peak_deg = {d}\n"
        for at, d in zip(range(0, 900, 40), rng.uniform(83.0, 107.0, 23).round(1), strict=True)
    )
    text = text[:begin] + habits + text[end:]
    fault = 'fault = "gain"\nside = "right"\nsize = 8.0'
    sector = 'fault = "sector"\nsize = 12.0\nfrom_deg = 100\nto_deg = 180'
    bench, records = scene_records(text.replace("at = 9999\n" + fault, "at = 0\n" + sector))
    recording = record(bench, records)
    found = study(recording, shared_of(recording))
    assert found.strokes is not None
    effects: dict[str, ShapeEffect] = {e.instrument: e for e in found.strokes.effects if e.by == "peak angle"}
    # A tenth more of what lies behind 100 degrees comes with each ten degrees that the peak moves on.
    moved = [Shape(d, d, 1.25, 1.25).part("left", 100.0, 180.0) for d in (90.0, 100.0)]
    assert effects["heron"].verdict == "depends"
    assert effects["heron"].change_percent == pytest.approx(12.0 * (moved[1] - moved[0]), rel=0.35)
    assert effects["hub"].verdict == "does not"


def test_vectors_are_heard_beside_measurements_that_keep_their_pace(session: tuple[Shared, Study]) -> None:
    signal = session[1].instruments["pedals"].signal
    # One measurement a turn, at 88 rpm.
    assert signal.interval_s == pytest.approx(60.0 / 88.0, abs=0.1)
    assert all(not isinstance(a, Packet) for a in session[0].recording.acts)


def test_the_sum_of_two_legs_moves_with_either() -> None:
    series = series_of([*seconds_of(both(leg(92.0), leg(97.0)), 120)])
    sides: tuple[Side, ...] = ("left", "right", "both")
    assert series.sides == sides
