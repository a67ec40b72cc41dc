"""The page of the stroke: what is drawn of the present, and of what has changed since the state began."""

import math

import numpy as np
import pytest

from capture.sample import Reading
from monitor.dashboard.canvas import cells
from monitor.dashboard.sheet import Face, draw_sheet
from monitor.live.stroke import FIRST_S, LAST_S, LiveStroke
from monitor.live.view import SideView, StrokeView, View
from tests.test_dashboard import calm
from tests.test_stroke import Pedal, both, leg

LOBE = tuple(round(1.0 + math.sin(math.radians(10.0 * k - 10.0)), 3) for k in range(36))
WAS = tuple(round(1.0 + math.sin(math.radians(10.0 * k + 10.0)), 3) for k in range(36))
PEDALS = StrokeView(
    "pedals", 754.0,
    (
        SideView("left", 103.4, 11.2, 1.8, LOBE, WAS, (12.0, 190.0), 88.0, 31.0),
        SideView("right", 97.0, 0.4, 1.9, LOBE, LOBE),
    ),
    "standing", 3000, 12, FIRST_S,
)  # fmt: skip
HERON = StrokeView("heron", 754.0, (SideView("left", 112.0), SideView("right")), "", 0, 0, 4)


def page(view: View, width: int = 80, height: int = 24) -> str:
    return draw_sheet(view, width, height, Face(page="stroke")).text()


def test_both_sides_stand_beside_each_other_with_their_change() -> None:
    text = page(calm(strokes=(PEDALS, HERON)))
    assert "pedals" in text
    assert "state since 12:34, standing, 12 of 3012 vectors lost" in text
    assert "left peak 103°  +11 ° ±2  drives 1" in text
    assert "right peak 97°  0 ° ±2" in text
    wide = page(calm(strokes=(PEDALS,)), 160, 40)
    assert "drives 12–190°  eff 88 %  smooth 31 %" in wide
    assert "left peak 112°" in text
    assert "right: measuring" in text
    # Bars of the present, dots where the top was.
    assert "█" in text
    assert "·" in text.split("pedals")[1]


def test_a_bench_without_says_so() -> None:
    assert "No instrument on this bench reports how torque lies in the turn." in page(calm())


@pytest.mark.parametrize(("width", "height"), [(80, 24), (100, 30), (160, 50), (240, 70)])
@pytest.mark.parametrize("many", [1, 2, 5])
def test_nothing_leaves_the_window(width: int, height: int, many: int) -> None:
    view = calm(strokes=(PEDALS,) * many)
    rows = page(view, width, height).split("\n")
    assert len(rows) == height
    assert max(cells(row) for row in rows) <= width
    if many == 5 and height == 24:
        assert "more: a taller window" in "\n".join(rows)


def test_a_side_without_torque_draws_nothing() -> None:
    for shape in ((0.0,) * 36, (None,) * 36, (-1.0,) * 36, (math.nan,) * 36):
        side = SideView("left", None, shape=shape, shape_before=shape)
        assert "left: measuring" in page(calm(strokes=(StrokeView("x", 0.0, (side,)),)))


def fed(live: LiveStroke, pedal: Pedal, seconds: float) -> None:
    """Let a sensor send for a while."""
    until = pedal.t_s + seconds
    while pedal.t_s < until:
        v, t_s = pedal.packet()
        live.track.take(Reading(item="2A64", vector=v), t_s)


def test_a_change_is_told_against_the_beginning_of_the_state() -> None:
    live, pedal = LiveStroke(0, "both"), Pedal()
    assert live.view("pedals", "", 0.0) is None
    fed(live, pedal, FIRST_S + 20)
    pedal.torque = both(leg(104.0), leg(97.0))
    fed(live, pedal, LAST_S + 15)
    seen = live.view("pedals", "left pedal", pedal.t_s)
    assert seen is not None
    assert seen.first_s == FIRST_S
    sides = {side.side: side for side in seen.sides}
    assert sides["left"].peak_deg == pytest.approx(104.0, abs=1.5)
    assert sides["left"].change_deg == pytest.approx(12.0, abs=1.5)
    assert sides["right"].change_deg == pytest.approx(0.0, abs=1.0)
    assert (sides["left"].change_u95_deg or 99.0) < 3.0
    live.begin(pedal.t_s)
    fed(live, pedal, 60)
    again = live.view("pedals", "left pedal", pedal.t_s)
    assert again is not None
    assert {s.side: s.change_deg for s in again.sides}["left"] == pytest.approx(0.0, abs=1.0)


def test_what_is_kept_of_a_long_ride_is_bounded() -> None:
    live, pedal = LiveStroke(0, "both"), Pedal()
    fed(live, pedal, 120)
    assert (len(live._first), len(live._last)) == (FIRST_S, LAST_S)
    # What was heard long ago is not the present.
    gone = live.view("pedals", "", pedal.t_s + 500.0)
    assert gone is not None
    assert all(side.peak_deg is None for side in gone.sides)
    assert np.isfinite([s.since_s for s in [gone]]).all()
