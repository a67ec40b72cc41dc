"""A stretch of a session: the same numbers as a segment of the same seconds, and nothing else changed."""

import math

import msgspec
import numpy as np
import pytest

from monitor.study.asked.stretch import stretch_of
from monitor.study.asked.wanted import Wanted, parse_stretch
from monitor.study.parts.common import Shared, shared_of
from monitor.study.results import Study, encode
from monitor.study.study import study
from monitor.text import clock, seconds_of
from tests.helpers.rides import evening_recording


@pytest.fixture(scope="module")
def judged() -> tuple[Shared, Study]:
    shared = shared_of(evening_recording())
    return shared, study(evening_recording(), shared)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("40:55-42:10=climb", Wanted("climb", 2455.0, 2530.0)),
        ("1:00:05 - 1:02:00", Wanted("1:00:05-1:02:00", 3605.0, 3720.0)),
        ("12.5-90=left = right", Wanted("left = right", 12.5, 90.0)),
    ],
)
def test_a_stretch_is_written_as_the_tables_show_times(text: str, expected: Wanted) -> None:
    assert parse_stretch(text) == expected


@pytest.mark.parametrize(
    "text", ["", "40:55", "42:10-40:55", "1-1.5", "4:75-9:00", "1-2=", "a-b", "nan-5", "-5-10", "0-5=a\x1bb"]
)
def test_what_is_no_stretch_is_refused_with_how_to_write_one(text: str) -> None:
    with pytest.raises(ValueError, match="no stretch"):
        parse_stretch(text)


@pytest.mark.parametrize("second", [0, 59, 60, 3599, 3600, 86_399])
def test_times_are_read_as_they_are_shown(second: int) -> None:
    assert seconds_of(clock(second)) == second


def test_a_stretch_over_the_seconds_of_a_segment_has_its_numbers(judged: tuple[Shared, Study]) -> None:
    shared, result = judged
    compared = 0
    for segment, span in zip(result.segments, shared.spans, strict=True):
        row = stretch_of(shared, *shared.grid.clip(span.window()), segment.name)
        assert row.means == segment.means
        assert (row.torque_nm, row.cadence_rpm) == (segment.torque_nm, segment.cadence_rpm)
        # A segment is compared without its last seconds, where the next load begins.
        row = stretch_of(shared, *shared.grid.clip(span.compared()), segment.name)
        for one, two in zip(row.differences, segment.differences, strict=True):
            if one.u95_percent is None:
                # Under half a minute it says nothing of ±, where a segment may.
                assert one.blocks < 3
                continue
            assert one == two
            compared += 1
    assert compared == 3


def test_the_mean_is_that_of_its_seconds(judged: tuple[Shared, Study]) -> None:
    shared, _ = judged
    row = stretch_of(shared, 40.0, 150.0, "own")
    pair = shared.grid.compared(1)
    own, theirs = pair.own_w[40:150].mean(), pair.reference_w[40:150].mean()
    (pedals,) = [d for d in row.differences if d.instrument == "pedals"]
    assert pedals.deviation_percent == pytest.approx(100.0 * (own / theirs - 1.0), abs=6e-4)
    # Eleven blocks of ten seconds: 40..50, ..., 140..150.
    assert pedals.blocks == 11
    parts = (pedals.spread_u95_percent or 0.0, pedals.loss_u95_percent, pedals.edge_percent)
    assert pedals.u95_percent == pytest.approx(math.hypot(*parts), abs=2e-3)


def test_a_boundary_inside_parts_the_stretch(judged: tuple[Shared, Study]) -> None:
    shared, result = judged
    change = result.instruments["heron"].states[-1].from_s
    (heron,) = [d for d in stretch_of(shared, 50.0, change + 45.0).differences if d.instrument == "heron"]
    assert len(heron.parts) == 2
    assert heron.parts[0].end_s == heron.parts[1].start_s == change
    # The right side reads high before the change and true after it.
    assert heron.parts[0].verdict == "differs"
    assert heron.parts[1].verdict == "agrees"
    clear = [
        d for d in stretch_of(shared, change + 5.0, change + 45.0).differences if d.instrument == "heron"
    ]
    assert clear[0].parts == []


def test_under_half_a_minute_there_is_no_width(judged: tuple[Shared, Study]) -> None:
    shared, _ = judged
    short, long = stretch_of(shared, 40.0, 69.0), stretch_of(shared, 40.0, 70.0)
    assert short.too_short
    assert not long.too_short
    assert {(d.u95_percent, d.verdict) for d in short.differences} == {(None, "undecided")}
    assert all(d.u95_percent is not None for d in long.differences)


def test_peaks_are_of_the_same_seconds(judged: tuple[Shared, Study]) -> None:
    shared, _ = judged
    row = stretch_of(shared, 20.0, 200.0)
    assert [p.seconds for p in row.peaks] == [1, 3, 5, 10]
    grid = shared.grid
    for peak in row.peaks:
        window = slice(int(peak.start_s), int(peak.start_s) + peak.seconds)
        hub = grid.sound_w[:, 0]
        assert peak.power_w["hub"] == pytest.approx(hub[window].mean(), abs=0.051)
        means = np.convolve(hub[20:200], np.ones(peak.seconds) / peak.seconds, "valid")
        assert peak.power_w["hub"] == pytest.approx(np.nanmax(means), abs=0.051)
        for d in peak.differences:
            assert d.delta_w == pytest.approx(
                (peak.power_w[d.instrument] or 0.0) - (peak.power_w["hub"] or 0.0), abs=0.11
            )


def test_asking_changes_nothing_that_was_found(judged: tuple[Shared, Study]) -> None:
    shared, result = judged
    before = encode(result)
    for begin in (0.0, 33.3, 100.0):
        stretch_of(shared, begin, begin + 120.0)
    assert encode(study(evening_recording(), shared_of(evening_recording()))) == before
    asked = msgspec.structs.replace(result, stretches=[stretch_of(shared, 10.0, 100.0)])
    told = msgspec.json.decode(encode(asked))
    assert [s["name"] for s in told.pop("stretches")] == [""]
    plain = msgspec.json.decode(before)
    plain.pop("stretches")
    assert told == plain


def test_a_stretch_past_the_end_ends_with_the_session(judged: tuple[Shared, Study]) -> None:
    shared, _ = judged
    row = stretch_of(shared, 300.0, 100_000.0)
    assert row.differences
    assert row.means["hub"].coverage <= 1.0
    empty = stretch_of(shared, 50_000.0, 100_000.0)
    assert empty.differences == []
    assert empty.means["hub"].power_w is None
    assert empty.peaks == []
