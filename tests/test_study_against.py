"""Sessions side by side, and what repeats of results are worth."""

import math
from pathlib import Path

import msgspec
import numpy as np
import pandas
import pytest
import statsmodels.api as sm
from statsmodels.formula.api import ols

from monitor.report.terminal import comparison_lines
from monitor.sessions.derived import write_derived
from monitor.sessions.exports.exporting import read_study
from monitor.sessions.vouched import STUDY
from monitor.study.against import Given, Result, Row, compare_sessions, repeatability
from monitor.study.results import Study
from storage.damage import SessionError
from tests.helpers.rides import short_session


@pytest.fixture(scope="module")
def studies(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Study]:
    """The same unit twice, then after a change of 3 %, then another unit."""
    out = tmp_path_factory.mktemp("sessions")
    made = {}
    for name, seed, gain, serial in (
        ("first", 1, 1.0, 7), ("again", 2, 1.0, 7), ("zeroed", 3, 1.03, 7), ("other", 4, 0.98, 8),
    ):  # fmt: skip
        path = short_session(out, seed=seed, gain=gain, serial=serial)
        write_derived(path)
        made[name] = read_study(path / STUDY)
    return made


def test_a_change_is_told_from_chance(studies: dict[str, Study]) -> None:
    told = compare_sessions([Given(name, study) for name, study in studies.items()])
    assert told.sessions == ["first", "again", "zeroed", "other"]
    assert {row.segment for row in told.rows} == {"steady 180", "steady 220"}
    changes = {c.session: c for c in told.changes if c.instrument == "heron"}
    assert changes["again"].beyond_chance is False
    assert changes["zeroed"].beyond_chance is True
    assert changes["zeroed"].change_percent == pytest.approx(3.0, abs=0.4)
    assert changes["other"].change_percent == pytest.approx(-2.0, abs=0.4)
    assert "a change beyond chance" in changes["zeroed"].text
    assert any("heron has serial 8 in other, 7 in first" in remark for remark in told.remarks)
    lines = comparison_lines(told)
    assert any("changed" in line for line in lines)
    assert any("REPEATABILITY (ISO 5725)" in line for line in lines)


def test_the_same_session_did_not_change(studies: dict[str, Study]) -> None:
    told = compare_sessions([Given("a", studies["first"]), Given("b", studies["first"])])
    assert all(c.change_percent == 0.0 and c.beyond_chance is False for c in told.changes)
    assert all(r.within_percent == 0.0 and r.between_percent == 0.0 for r in told.repeatability)


def test_an_instrument_of_another_name_on_test_is_held_against_the_first(studies: dict[str, Study]) -> None:
    text = (
        msgspec.json.encode(studies["zeroed"]).decode().replace('"heron"', '"kite"').replace("heron", "kite")
    )
    renamed = msgspec.json.decode(text, type=Study)
    told = compare_sessions([Given("a", studies["first"]), Given("b", renamed)])
    row = next(r for r in told.rows if r.instrument == "heron")
    assert [r.instrument if r else None for r in row.results] == ["heron", "kite"]


def test_sessions_without_a_common_segment_say_so(studies: dict[str, Study]) -> None:
    bare = msgspec.structs.replace(studies["again"], segments=[])
    told = compare_sessions([Given("a", studies["first"]), Given("b", bare)])
    assert told.rows == []
    assert comparison_lines(told)[0] == "The sessions have no segment in common."


def rows_of(table: list[list[float]]) -> list[Row]:
    return [
        Row(
            f"s{k}",
            "x",
            [Result(f"e{n}", "x", v, 0.5, "agrees", None, None, None) for n, v in enumerate(values)],
        )
        for k, values in enumerate(table)
    ]


def test_components_of_variance_are_the_mean_squares_of_a_two_way_anova() -> None:
    rng = np.random.default_rng(12)
    table = rng.normal(0.0, 0.3, (5, 6)) + rng.normal(0.0, 0.8, 6)[None, :] + np.arange(5.0)[:, None]
    found = repeatability("x", rows_of(table.tolist()))
    assert found is not None
    segment, session = np.meshgrid(np.arange(5), np.arange(6), indexing="ij")
    data = pandas.DataFrame({"y": table.ravel(), "segment": segment.ravel(), "session": session.ravel()})
    anova = sm.stats.anova_lm(ols("y ~ C(segment) + C(session)", data).fit())
    within = anova.loc["Residual", "mean_sq"]
    between = max(0.0, (anova.loc["C(session)", "mean_sq"] - within) / 5)
    assert found.within_percent == pytest.approx(math.sqrt(within), abs=6e-4)
    assert found.between_percent == pytest.approx(math.sqrt(between), abs=6e-4)
    assert found.total_percent == pytest.approx(math.sqrt(within + between), abs=6e-4)
    # ISO 5725: r = 2.8 s_r, R = 2.8 s_R (1.96 times the square root of two, 2.77).
    assert found.repeatability_limit_percent == pytest.approx(2.77 * math.sqrt(within), rel=2e-3)
    assert found.reproducibility_limit_percent == pytest.approx(2.77 * math.sqrt(within + between), rel=2e-3)


def test_no_components_from_one_session_or_one_segment() -> None:
    assert repeatability("x", rows_of([[1.0], [2.0]])) is None
    assert repeatability("x", rows_of([[1.0, 2.0]])) is None
    assert repeatability("x", []) is None


def test_a_study_of_another_version_is_refused_with_the_remedy(tmp_path: Path) -> None:
    (tmp_path / "study.json").write_text("{}", encoding="utf-8")
    with pytest.raises(SessionError, match="plumbwatt study"):
        read_study(tmp_path / "study.json")
