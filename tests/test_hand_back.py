"""When the unit goes back: the time until then, and where it stands on the screen."""

from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import pytest

from capture.record import End, Tick
from monitor.dashboard.canvas import Box, Canvas
from monitor.dashboard.look import GROUND
from monitor.dashboard.parts.message import Banner, draw_message
from monitor.live.view import View
from monitor.sessions.live.hand_back import seconds_left
from monitor.sessions.live.live_session import LiveSession
from monitor.setup.bench import parse_bench
from tests.test_dashboard import calm

S = 1_000_000_000
BENCH = """
[bench]
reference = "hub"
hand_back = "09:00"
[[instrument]]
label = "hub"
link = "bluetooth:AA:BB:CC:DD:EE:FF"
"""


def ns(text: str) -> int:
    return round(datetime.fromisoformat(text).timestamp()) * S


def zone(name: str) -> ZoneInfo:
    try:
        return ZoneInfo(name)
    except ZoneInfoNotFoundError:
        pytest.skip("no table of time zones here")


def test_the_next_such_time_after_the_beginning_counts() -> None:
    began = ns("2025-11-25T19:00:00+00:00")
    assert seconds_left("09:00", began, began, UTC) == 14 * 3600
    assert seconds_left("19:30", began, ns("2025-11-25T19:29:00+00:00"), UTC) == 60
    assert seconds_left("09:00", began, ns("2025-11-26T09:00:05+00:00"), UTC) == -5
    # To begin at just that time means the next day.
    assert seconds_left("19:00", began, began, UTC) == 24 * 3600
    assert seconds_left("", began, began, UTC) is None
    assert seconds_left("09:00", 0, began, UTC) is None
    assert seconds_left("09:00", began, -(2**62), UTC) is None


@pytest.mark.parametrize(
    ("began", "hours"),
    [
        ("2025-10-25T20:00:00+02:00", 14),  # 20:00 in summer to 9:00 in winter: from 18:00 to 8:00 UTC
        ("2025-03-29T20:00:00+01:00", 12),  # and back: from 19:00 to 7:00 UTC
        ("2025-06-10T20:00:00+02:00", 13),
    ],
)
def test_a_night_in_which_the_clocks_change(began: str, hours: int) -> None:
    assert seconds_left("09:00", ns(began), ns(began), zone("Europe/Berlin")) == hours * 3600


async def test_a_session_that_is_recorded_counts_down_by_its_ticks() -> None:
    began = ns("2025-11-25T19:00:00+00:00")
    session = LiveSession(Path("nowhere"), None, parse_bench(BENCH))  # type: ignore[arg-type]
    assert session.view().hand_back_s is None, "no clock was heard yet"
    for k in range(3):
        session._take(Tick(k * S, began + k * S))
    left_s = session.view().hand_back_s
    assert left_s == seconds_left("09:00", began, began + 2 * S)
    assert left_s is not None
    assert 0.0 < left_s <= 24 * 3600
    session._take(Tick(3 * S, 0))
    assert session.view().hand_back_s is None, "a tick without a clock"
    session._take(End(4 * S))
    without = LiveSession(Path("nowhere"), None, parse_bench(BENCH.replace("hand_back", "name")))  # type: ignore[arg-type]
    without._take(Tick(0, began))
    assert without.view().hand_back_s is None


def row(view: View, width: int, banner: Banner | None = None) -> str:
    canvas = Canvas(width, 1, GROUND)
    draw_message(canvas, Box(0, 0, width, 1), view, banner, None)
    return canvas.text().split("\n")[0].rstrip()


@pytest.mark.parametrize("width", [60, 80, 120, 200])
def test_it_stands_at_the_right_end_and_leaves_what_presses_its_room(width: int) -> None:
    back = "hand-back in 1:01:05"
    assert row(calm(hand_back_s=3665.0), width).endswith(back)
    assert len(row(calm(hand_back_s=3665.0), width)) == width - 1
    short = row(calm(hand_back_s=3665.0), width, Banner("CATCHING UP", ""))
    assert short.startswith(" !!! CATCHING UP")
    assert short.endswith(back)
    long = row(calm(hand_back_s=3665.0), width, Banner("NOT BEING RECORDED", "x" * width))
    assert "hand-back" not in long
    assert long == row(calm(), width, Banner("NOT BEING RECORDED", "x" * width))
    assert row(calm(hand_back_s=-1.0), width).endswith("hand-back is due")
    assert "hand-back" not in row(calm(), width)


def test_a_row_without_room_for_both_has_the_message() -> None:
    assert "hand-back" not in row(calm(hand_back_s=3665.0), 30)
