"""Sprints side by side: the same seconds for all, statistics over all sprints, clipping; by hand."""

import math
from typing import Literal

import numpy as np
import pytest

from monitor.finding import Finding
from monitor.study.asked.peaks import same_peaks
from monitor.study.parts.common import shared_of
from monitor.study.recording import Recording
from monitor.study.study import study
from tests.helpers.cells import Series, bench_of, by_hand

BENCH = bench_of("hub reference hub total", "heron on-test crank total", reference="hub")
RATIOS = (1.02, 1.03, 1.05)
DECIDED: tuple[float, Literal["raised"]] = (135.0, "raised")
OVER: tuple[float, Literal["cleared"]] = (146.0, "cleared")


@pytest.fixture(autouse=True)
def no_lag(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where gains change from sprint to sprint a lag of some hundredths of a second is read."""
    monkeypatch.setattr("monitor.study.grid.delay_of", lambda *given: None)


def ride() -> tuple[Series, Series]:
    """Three sprints with a peak in their third second; heron reads 2, 3 and 5 % more in them."""
    easy = np.full(60, 150.0)
    shape = np.array([700.0, 900.0, 1000.0, 960.0, 940.0, 900.0, 850.0, 800.0, 750.0, 700.0, 650.0, 600.0])
    hub = np.concatenate([x for _ in RATIOS for x in (easy, shape)] + [easy])
    heron = np.concatenate([x for r in RATIOS for x in (easy, r * shape)] + [easy])
    return hub, heron


def recording() -> Recording:
    hub, heron = ride()
    segments = [
        x for k in range(3) for x in ((72.0 * k, f"easy {k + 1}"), (72.0 * k + 60.0, f"sprint {k + 1}"))
    ]
    text = BENCH + "".join(
        f'[[protocol.segment]]\nname = "easy {k}"\nseconds = 60\ntarget_w = 150\n'
        f'[[protocol.segment]]\nname = "sprint {k}"\nseconds = 12\nsprint = true\n'
        for k in (1, 2, 3)
    )
    return by_hand(text, {"hub": hub, "heron": heron}, {}, segments=[*segments, (216.0, "end")])


def test_all_stand_in_the_same_seconds() -> None:
    rows = same_peaks(shared_of(recording()), 60, 72)
    # By hand: 1000; (900 + 1000 + 960) / 3; (900 + 1000 + 960 + 940 + 900) / 5; the first ten.
    assert [r.power_w["hub"] for r in rows] == pytest.approx([1000.0, 966.7, 940.0, 850.0])
    assert [r.start_s for r in rows] == [62.0, 62.0, 61.0, 60.0]
    assert [r.power_w["heron"] for r in rows] == pytest.approx([1020.0, 986.0, 958.8, 867.0])
    assert [r.differences[0].delta_w for r in rows] == pytest.approx([20.0, 19.3, 18.8, 17.0])
    assert {r.differences[0].delta_percent for r in rows} == {2.0}


def test_statistics_over_all_sprints() -> None:
    result = study(recording())
    assert sum(s.sprint is not None for s in result.segments) == 3
    rows = {r.seconds: r for r in result.sprint_statistics}
    assert set(rows) == {1, 3, 5, 10}
    row = rows[5]
    assert row.sprints == 3
    assert row.deviation_percent == pytest.approx(10.0 / 3.0, abs=0.006)
    # 2, 3 and 5 %: a standard deviation of 1.5275; Student's t for two degrees of freedom is 4.303.
    assert row.sd_percent == pytest.approx(1.53, abs=0.006)
    assert row.u95_percent == pytest.approx(4.303 * 1.5275 / math.sqrt(3.0), abs=0.02)


def test_a_sprint_in_which_one_cut_off_is_counted_and_left_out() -> None:
    made = recording()
    made.findings = [
        Finding(
            t_s, event, "clipped", "heron", "total", None, 800.0, 990.0, "W", 134.0, "unclear", "", "", ""
        )
        for t_s, event in (DECIDED, OVER)
    ]
    result = study(made)
    clipped = [p.clipped for s in result.segments if s.sprint is not None for p in s.sprint.same]
    assert clipped == [[]] * 4 + [["heron"]] * 4 + [[]] * 4
    (row,) = [r for r in result.sprint_statistics if r.seconds == 1]
    assert (row.sprints, row.clipped) == (2, 1)
    assert row.deviation_percent == pytest.approx(3.5, abs=0.01)


def test_a_single_sprint_has_no_spread() -> None:
    made = recording()
    made.acts = made.acts[:2]
    (row,) = [r for r in study(made).sprint_statistics if r.seconds == 3]
    assert row.u95_percent is None
    assert row.sprints == 1
