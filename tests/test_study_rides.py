"""The study on rides of known truth that share nothing with the program's own scene."""

import pytest

from capture.record import Header
from monitor.study.recording import collect
from monitor.study.results import Study
from monitor.study.study import study
from tests.benchmarks.detection.generator import Case, make
from tests.helpers.rides import without_segments

pytestmark = pytest.mark.slow


def studied(case: str, seconds: int | None = None, bare: bool = False) -> tuple[Study, str]:
    made = make(Case.parse(case), seconds)
    records = without_segments(made.records) if bare else made.records
    recording = collect(Header(made.bench.text, "0", 0), records, bench=made.bench)
    return study(recording), made.fault.label if made.fault else ""


@pytest.mark.parametrize(
    "style", ["steady", "levels", "cadences", "over-unders", "ramp", "sprints", "efforts", "free"]
)
@pytest.mark.parametrize("bare", [False, True])
def test_healthy_instruments_never_differ_and_hardly_ever_move(style: str, bare: bool) -> None:
    moved = 0
    for bench in ("hub-dual", "four", "consensus", "pedals-dual", "pair-total", "single"):
        result, _ = studied(f"healthy/{style}/{bench}/11", 1200, bare)
        for segment in result.segments:
            for d in segment.differences:
                assert d.verdict != "differs", (bench, segment.name, d)
        assert all(i.verdict != "differs" for i in result.instruments.values())
        moved += len(result.shifts)
    # Two hours of riding, some six comparisons: one false change at most.
    assert moved <= 1


@pytest.mark.parametrize("case", ["scale/5/total/21", "scale/8/total/22", "zero/1.0/total/24"])
def test_what_differs_is_said_to_differ(case: str) -> None:
    result, label = studied(case)
    assert result.instruments[label].verdict == "differs"
    assert result.instruments[label].serves_as_reference == "no"
    others = [i for name, i in result.instruments.items() if name != label]
    assert all(i.verdict != "differs" for i in others)


def test_a_difference_that_claims_may_still_bear_is_told_and_charged_to_nobody() -> None:
    """8 % of one side is -3.7 % of the total: with claims of 2 % each, three may still be consistent."""
    result, label = studied("scale/8/side/23")
    unit = result.instruments[label]
    assert (unit.verdict, unit.stands_apart, unit.serves_as_reference) == ("undecided", "no", "undecided")
    assert unit.apart_odds == max(i.apart_odds or 0.0 for i in result.instruments.values())
    assert (unit.apart_odds or 0.0) > 0.5
    assert "differs from hub by" in unit.sentence
    # Which side it is does not depend on who is right.
    state = max(unit.states, key=lambda s: s.blocks)
    sides = sorted((abs(state.left_percent or 0.0), abs(state.right_percent or 0.0)))
    assert sides[0] < 2.0 < 6.0 < sides[1]


@pytest.mark.parametrize("seed", range(31, 37))
def test_a_shift_is_found_where_it_happened(seed: int) -> None:
    made = make(Case.parse(f"shifted/5/gain/{seed}"))
    assert made.fault is not None
    result, label = studied(f"shifted/5/gain/{seed}")
    mine = [s for s in result.shifts if s.instrument == label]
    assert mine, "not found"
    best = min(mine, key=lambda s: abs(s.t_s - made.fault.onset_s))
    assert best.t_s == pytest.approx(made.fault.onset_s, abs=60.0)
    assert abs(best.delta_percent) == pytest.approx(5.0, abs=1.5)


@pytest.mark.parametrize("kind", ["missing/0/power", "stuck/0/value", "lost/0/link", "spike/800/total"])
def test_faults_of_the_signal_are_no_deviation(kind: str) -> None:
    for seed in (41, 42):
        result, label = studied(f"{kind}/{seed}")
        assert result.instruments[label].verdict != "differs"
        assert result.instruments[label].serves_as_reference != "yes"
