"""Seated and standing as the tester noted it: a position that no instrument reports splits the deviation."""

import numpy as np
import pytest

from capture.record import Act
from monitor.analysis.stroke.series import Series
from monitor.analysis.stroke.track import StrokeSecond
from monitor.analysis.stroke.vector import Vectors
from monitor.report import report_html
from monitor.report.stroke import effect_sentence
from monitor.study.grid import Blocks
from monitor.study.parts.common import Shared, shared_of
from monitor.study.parts.stroke.effects import effects_of, groups_of, stroked
from monitor.study.parts.stroke.position import block_position, noted_positions
from monitor.study.results import Study, decode, encode
from monitor.study.study import study
from monitor.text import TERMINAL
from tests.helpers.rides import record, scene_records


def noted(*acts: tuple[float, str], instrument: str = "") -> list[Act]:
    return [Act(round(t_s * 1e9), "position", text, instrument) for t_s, text in acts]


def test_each_second_has_what_was_noted_last() -> None:
    words = noted_positions(noted((10.0, "standing"), (25.0, "seated"), (40.0, "on the drops")), 50)
    assert words.tolist() == ["seated"] * 10 + ["standing"] * 15 + ["seated"] * 15 + [""] * 10


def test_who_is_first_noted_to_sit_may_have_stood_before() -> None:
    assert noted_positions(noted((10.0, "Seated ")), 12).tolist() == [""] * 10 + ["seated"] * 2


def test_an_instrument_that_was_seated_anew_is_no_rider() -> None:
    assert not (noted_positions(noted((10.0, "standing"), instrument="heron"), 20) != "").any()


def test_an_act_that_belongs_to_an_earlier_moment_counts_from_there() -> None:
    late = Act(round(12e9), "position", "standing", "", round(8e9))
    assert noted_positions([late], 14).tolist() == ["seated"] * 8 + ["standing"] * 6


def test_a_block_in_which_the_rider_stood_up_is_neither() -> None:
    words = noted_positions(noted((15.0, "standing")), 40)
    assert [block_position(words, at) for at in (0, 10, 20, 35)] == ["seated", "", "standing", "standing"]
    # Eight seconds of ten are enough.
    assert block_position(noted_positions(noted((12.0, "standing")), 20), 10) == "standing"


def standing_reads_more(percent: float, seed: int = 1) -> Blocks:
    """Twenty minutes, every other minute stood: the unit deviates by that much more there."""
    rng = np.random.default_rng(seed)
    begin_s = 10 * np.arange(120)
    stood = begin_s // 60 % 2 == 1
    return Blocks(
        begin_s=begin_s, segment=np.zeros(120, dtype=np.int64),
        y=np.log1p((percent * stood + rng.normal(0.0, 0.3, 120)) / 100.0),
        reference_w=rng.uniform(150.0, 300.0, 120), cadence_rpm=rng.uniform(75.0, 100.0, 120),
    )  # fmt: skip


WORDS = noted_positions(noted(*((60.0 * k, ("seated", "standing")[k % 2]) for k in range(20))), 1200)


@pytest.mark.parametrize("seed", range(4))
def test_an_error_that_comes_with_standing_is_told_with_its_size(seed: int) -> None:
    blocks = standing_reads_more(1.6, seed)
    every = np.full(120, True)
    stroke = stroked(None, blocks, WORDS)
    (effect,) = effects_of("heron", "", blocks, every, stroke)
    assert (effect.by, effect.source, effect.verdict) == ("standing", "", "depends")
    assert effect.u95_percent is not None
    # One in twenty lies beyond its 95 %, four standard errors none of these.
    assert effect.change_percent == pytest.approx(1.6, abs=2.0 * effect.u95_percent)
    assert effect.u95_percent < 0.2
    assert [(g.by, g.name, int(g.mask.sum())) for g in groups_of(stroke, every)] == [
        ("position", "seated", 60), ("position", "standing", 60)
    ]  # fmt: skip
    assert "depends on standing (by what was noted)" in effect_sentence(effect, TERMINAL)


def test_what_an_instrument_reports_goes_before_what_was_noted() -> None:
    rows = [(s, StrokeSecond(facts={}, position="seated")) for s in range(0, 1200, 5)]
    series = Series(1200, rows, Vectors(), "", "both")
    _, _, standing = stroked(series, standing_reads_more(0.0), WORDS)
    assert not standing.noted
    assert set(standing.x.tolist()) == {0.0}


def test_nothing_noted_is_no_group() -> None:
    blocks = standing_reads_more(0.0)
    stroke = stroked(None, blocks, noted_positions([], 1200))
    assert groups_of(stroke, np.full(120, True)) == []
    assert effects_of("heron", "", blocks, np.full(120, True), stroke) == []


# -- a whole session: two meters that report nothing of the stroke, a rider who stands up now and then


TEXT = """
[bench]
name = "standing"
reference = "spider"
[[instrument]]
label = "spider"
role = "reference"
mount = "spider"
link = "scene:spider"
claim_percent = 1.0
[[instrument]]
label = "heron"
mount = "spider"
link = "scene:heron"
claim_percent = 1.5
[[protocol.segment]]
name = "steady"
seconds = 320
target_w = 220
[scene]
seed = 11
[scene.instrument.spider]
kind = "spider"
[scene.instrument.heron]
kind = "spider"
radio = "ant"
""" + "".join(
    f'[[scene.act]]\nat = {at}\nact = "position"\ntext = "{text}"\n'
    for at, text in ((80, "standing"), (160, "seated"), (240, "standing"))
)


@pytest.fixture(scope="module")
def session() -> tuple[Shared, Study]:
    bench, records = scene_records(TEXT)
    recording = record(bench, records)
    shared = shared_of(recording)
    return shared, study(recording, shared)


def test_the_acts_of_a_session_split_the_deviation(session: tuple[Shared, Study]) -> None:
    _, found = session
    rows = {s.group: s for s in found.splits if s.by == "position" and s.instrument == "heron"}
    assert set(rows) == {"seated", "standing"}
    assert 12 <= rows["seated"].blocks <= 16
    assert 12 <= rows["standing"].blocks <= 16
    # Both read the same truth in either position.
    assert all(abs(s.deviation_percent) < 1.0 for s in rows.values())


def test_a_study_with_noted_positions_alone_is_kept_and_drawn(session: tuple[Shared, Study]) -> None:
    shared, found = session
    assert found.strokes is not None
    assert [(e.by, e.source) for e in found.strokes.effects] == [("standing", "")]
    assert found.strokes.effects[0].verdict in ("does not", "undecided")
    assert encode(decode(encode(found))) == encode(found)
    assert "by what was noted" in report_html(found, shared)
