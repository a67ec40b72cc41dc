"""The screen: pictures of frozen views, keys that become acts, and the pure drawing under both.

The pictures in `tests/pictures` are what the terminal would show, without colour. After a
change that is meant, rewrite them with `PLUMBWATT_PICTURES=write pytest tests/test_dashboard.py`
and read the difference before committing it.
"""

import asyncio
import gc
import math
import os
import re
import subprocess
import sys
import unicodedata
from collections.abc import Callable
from pathlib import Path
from typing import Any

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rich.cells import cached_cell_len, get_character_cell_size
from textual.pilot import Pilot

from monitor.dashboard import look
from monitor.dashboard.app import BenchApp
from monitor.dashboard.canvas import Box, Canvas, cells, fit, wrap
from monitor.dashboard.figures import SCALES, draw_figures, figure_rows, figure_width
from monitor.dashboard.following import STALE_S
from monitor.dashboard.parts.findings import draw_findings, settled
from monitor.dashboard.parts.lanes import draw_lanes
from monitor.dashboard.parts.message import Banner
from monitor.dashboard.parts.places import ADVICE_ROWS, hero_scale, places
from monitor.dashboard.parts.rail import Rail, draw_rail, span_percent
from monitor.dashboard.parts.standing import chosen, number_of, standing
from monitor.dashboard.parts.trace import LEFT, NAMES, draw_trace, looks, scale_w, span_of
from monitor.dashboard.sheet import Face, draw_sheet
from monitor.dashboard.widgets import MOST_WIDTHS
from monitor.live.view import AlarmView, Block, Event, Lane, Segment, Suggestion, View
from monitor.text import clock, plain, plain_name

PICTURES = Path(__file__).parent / "pictures"
SIZES = ((80, 24), (120, 40))
replace = msgspec.structs.replace

# -- views


def a_lane(label: str, **said: Any) -> Lane:
    standard: dict[str, Any] = {
        "role": "on-test",
        "mount": "crank",
        "heard": "heard",
        "heard_since_s": 3.0,
        "verdict": "agrees",
        "power_w": 330.0,
        "cadence_rpm": 90.0,
        "deviation_percent": -0.3,
        "deviation_w": -1.0,
        "u95_percent": 0.6,
        "limit_percent": 2.2,
        "packets": 3480,
        "loss_percent": 0.4,
        "basis": "over 2:10",
        "side_basis": "last 0:30",
    }
    return Lane(label=label, **(standard | said))


SIDED: dict[str, Any] = {
    "left_u95_percent": 0.7, "right_u95_percent": 0.8, "side_limit_percent": 3.0, "side_reference": "pedals",
}  # fmt: skip
SILENT: dict[str, Any] = {
    "verdict": "blind",
    "power_w": None,
    "left_w": None,
    "right_w": None,
    "cadence_rpm": None,
    "deviation_percent": None,
    "u95_percent": None,
    "left_deviation_percent": None,
    "right_deviation_percent": None,
    "raised": (),
}
HUB = a_lane(
    "hub",
    role="reference",
    mount="hub",
    verdict="reference",
    power_w=331.4,
    deviation_percent=None,
    u95_percent=None,
)
PEDALS = a_lane(
    "pedals", role="witness", mount="pedals", left_w=166.0, right_w=164.0,
    left_deviation_percent=-1.1, right_deviation_percent=0.6, battery_percent=18.0,
    lag_s=-1.42, lag_u95_s=0.36, **(SIDED | {"side_reference": "heron"}),
)  # fmt: skip
HERON = a_lane(
    "heron", mount="pedals", verdict="differs", power_w=347.1, deviation_percent=5.2, deviation_w=17.0,
    left_w=167.0, right_w=180.0, left_deviation_percent=0.9, right_deviation_percent=8.6,
    raised=("power-off", "right side-off"), **SIDED,
)  # fmt: skip
SPIDER = a_lane("spider-unit-two", mount="spider", verdict="undecided", power_w=325.0, deviation_percent=-1.9,
                u95_percent=1.4, bad_packets=2)  # fmt: skip
STRAIGHT = replace(HERON, verdict="agrees", power_w=333.0, deviation_percent=0.8, right_w=167.0,
                   right_deviation_percent=1.0, raised=())  # fmt: skip

SECONDS = tuple(float(second) for second in range(752, 872))


def blocks(gain: float) -> tuple[float | None, ...]:
    """Forty seconds at 330 W, forty at 180 W, and so on, with a ripple of its own for each gain."""
    return tuple(
        gain * (330.0 if second // 40 % 2 else 180.0) + 4.0 * math.sin(1.7 * second + 40.0 * gain)
        for second in SECONDS
    )


TRACES = {
    "hub": blocks(1.0),
    "pedals": blocks(0.997),
    "heron": blocks(1.052),
    "spider-unit-two": blocks(0.981),
}
DEVIATIONS: dict[str, tuple[float | None, ...]] = {
    "pedals": tuple(-0.4 + 0.3 * math.sin(0.05 * second) for second in SECONDS),
    "heron": tuple(0.8 if second < 831 else 5.2 for second in SECONDS),
    "spider-unit-two": tuple(-1.9 if second > 800 else None for second in SECONDS),
}
EVENTS = (
    Event(12.0, "~", "hub up"),
    Event(590.0, "!", "heron signal-lost"),
    Event(598.0, "✓", "heron signal-lost over"),
    Event(640.0, "·", "zeroed heron"),
    Event(801.0, "·", "segment over/under"),
)
DO = (
    "zeroing will not cure it, check its settings. "
    "Hold 200 W and go from 100 to 60 rpm for two minutes to tell."
)
ADVICE = f"heron right +14 W for 0:41, grows with torque: {DO}"


def calm(**said: Any) -> View:
    standard: dict[str, Any] = {
        "t_s": 872.0,
        "bench": "winter bench",
        "reference": "hub",
        "lanes": (HUB, PEDALS, STRAIGHT, SPIDER),
        "recording": "recording",
        "segment": Segment("over/under", 800.0, 3, 6, 330.0, 90.0, 18.4, "sprint"),
        "alarms": (),
        "events": EVENTS,
        "advice": "spider-unit-two is undecided, hold this load steadily",
        "trace_s": SECONDS,
        "traces_w": TRACES,
        "deviations": DEVIATIONS,
    }
    return View(**(standard | said))


def differs() -> View:
    return calm(
        lanes=(HUB, PEDALS, HERON, SPIDER),
        alarms=(
            AlarmView(
                "side-off",
                "heron",
                "right",
                "raised",
                831.0,
                "heron right reads 14 W high",
                what="heron right reads 14 W high",
                do="keep riding",
                value=8.6,
                limit=3.0,
                cause="unclear",
            ),
            AlarmView(
                "power-off",
                "heron",
                "total",
                "raised",
                842.0,
                ADVICE,
                what="heron reads 5.2 % above hub",
                do=DO,
                value=5.2,
                limit=2.2,
                cause="scale",
            ),
        ),
        events=(*EVENTS, Event(831.0, "!", "heron power-off"), Event(831.0, "!", "heron right side-off")),
        advice=ADVICE,
    )


def lost() -> View:
    return calm(
        lanes=(
            HUB,
            replace(PEDALS, heard="lost", heard_since_s=831.0, **(SILENT | {"raised": ("signal-lost",)})),
            replace(
                HERON, heard="resting", heard_since_s=840.0, **(SILENT | {"power_w": 0.0, "cadence_rpm": 0.0})
            ),
            replace(SPIDER, heard="given-up", heard_since_s=300.0, **SILENT),
        ),
        alarms=(
            AlarmView("signal-lost", "pedals", None, "raised", 831.0, "pedals: nothing for 41 s"),
            AlarmView("side-off", "pedals", "left", "blind", 700.0, "was 4 % low", acknowledged=True),
        ),
        advice="pedals are silent for 0:41: bring the receiver nearer, or turn the crank to wake them",
    )


def blind() -> View:
    return calm(
        reference="consensus",
        segment=None,
        lanes=(
            replace(HUB, role="witness", verdict="blind"),
            PEDALS,
            replace(HERON, **SILENT),
            replace(SPIDER, heard="searching", **SILENT),
        ),
        alarms=(
            AlarmView("power-off", "heron", "total", "blind", 861.0, "nobody pedals"),
            AlarmView("balance-off", "heron", None, "blind", 861.0, "nobody pedals"),
            AlarmView("cadence-off", "pedals", None, "pending", 870.0, "may be 3 rpm high"),
        ),
        advice="",
    )


def failing() -> View:
    view = differs()
    trouble = AlarmView(
        "not-recorded", "", None, "raised", 850.0, "Free some space: it is tried again every second"
    )
    return replace(view, recording="NOT RECORDED: no space left on the disk", alarms=(trouble, *view.alarms))


def alone() -> View:
    return calm(
        reference="pedals",
        lanes=(replace(PEDALS, role="reference", verdict="reference", deviation_percent=None),),
        traces_w={"pedals": TRACES["pedals"]},
        advice="one instrument alone: nothing to compare it with",
    )


def eight() -> View:
    more = (PEDALS, SPIDER, PEDALS, STRAIGHT)
    return replace(
        differs(),
        lanes=(
            HUB,
            PEDALS,
            HERON,
            SPIDER,
            *(replace(lane, label=f"unit-{n}") for n, lane in enumerate(more, 1)),
        ),
    )


def twelve() -> View:
    """More than have a row at 80 by 24, and more than there are digits."""
    more = [replace([PEDALS, SPIDER][n % 2], label=f"unit-{n}", role="on-test") for n in range(1, 11)]
    return replace(differs(), lanes=(HUB, HERON, *more))


def sixty_four() -> View:
    """As many as a bench may have; the last but one leans and the last is lost."""
    more = (replace([PEDALS, SPIDER, STRAIGHT][n % 3], label=f"unit-{n:02}") for n in range(61))
    lanes = (HUB, *more, HERON, replace(SPIDER, label="unit-61", heard="lost", verdict="blind"))
    return replace(differs(), lanes=lanes)


def expected_loss() -> View:
    """The hub is judged against the pedals, below them by what the drivetrain takes; and a cadence sensor."""
    return calm(
        reference="pedals",
        lanes=(
            replace(PEDALS, role="reference", verdict="reference", deviation_percent=None),
            replace(HUB, role="on-test", verdict="agrees", power_w=321.0, deviation_percent=-0.4,
                    u95_percent=0.5, expected_percent=-2.6),
            a_lane("cadence", mount="cadence", **(SILENT | {"cadence_rpm": 89.0, "limit_percent": None})),
        ),
    )  # fmt: skip


ESCAPES = "\x1b[2J\x1b]0;x\x07"


def hostile() -> View:
    """Names and texts that try markup, control sequences, reversed reading and towers of accents."""
    return calm(
        bench=f"[bold red]x[/]{ESCAPES}",
        lanes=(
            replace(HUB, label="a[/b]c"),
            replace(PEDALS, label="[@click=app.quit]m[/]"),
            replace(HERON, label="\u202eevil\x00\n\t"),
            replace(SPIDER, label="z" + "\u0301" * 30 + "\u4f60\u597d" * 6, power_w=math.nan,
                    deviation_percent=math.inf),
        ),
        recording=f"recording{ESCAPES}",
        segment=Segment("[b]\x1b[5m", 0.0, 1, 2, 330.0, None, 3.0, "\u202e[/]"),
        alarms=(AlarmView("power-off", "[x]\x9b31m", None, "raised", 1.0, "\x1b[31m [/]"),),
        events=(Event(5.0, ESCAPES, f"{ESCAPES}[/]"),),
        advice=f"[red]{ESCAPES}\u202e x \x85" * 12,
        traces_w={"a[/b]c": TRACES["hub"], "\u202eevil\x00\n\t": TRACES["heron"]},
    )  # fmt: skip


def hand_back() -> View:
    """The unit goes back in two hours; nothing presses."""
    return calm(segment=replace(calm().segment, why="a high torque at a low cadence"), hand_back_s=7265.0)


STATES: dict[str, Callable[[], View]] = {
    "hand-back": hand_back,
    "calm": calm,
    "differs": differs,
    "lost": lost,
    "blind": blind,
    "failing": failing,
    "alone": alone,
    "eight": eight,
    "expected-loss": expected_loss,
    "hostile": hostile,
}


class Frozen:
    """A source that stands still unless told, and remembers what it was asked to do."""

    def __init__(self, view: View) -> None:
        self.now = view
        self.closed, self.closed_why = False, ""
        self.acts: list[tuple[str, str, str, float | None]] = []
        self.finished = 0

    def view(self) -> View:
        return self.now

    def act(self, act: str, text: str, instrument: str, at_s: float | None = None) -> None:
        self.acts.append((act, text, instrument, at_s))

    def finish(self) -> None:
        self.finished += 1

    def later(self, seconds: float) -> None:
        self.now = replace(self.now, t_s=self.now.t_s + seconds)


async def settle(app: BenchApp, pilot: Pilot[str]) -> None:
    """Draw as a poll would, and wait until it stands on the terminal."""
    await pilot.pause()
    app.poll()
    await pilot.pause()


def shown(app: BenchApp) -> str:
    """What stands on the terminal, as text."""
    return "\n".join(strip.text.rstrip() for strip in app.screen._compositor.render_strips())


async def press(pilot: Pilot[str], *keys: str) -> None:
    await pilot.press(*keys)
    await pilot.pause()


def compare(name: str, text: str) -> None:
    """Against the picture of that name; rewrites it on demand."""
    path = PICTURES / f"{name}.txt"
    assert text.strip(), "nothing was drawn"
    if os.environ.get("PLUMBWATT_PICTURES") == "write":
        path.write_text(text + "\n", encoding="utf-8")
    assert text + "\n" == path.read_text(encoding="utf-8"), f"{path.name} shows something else"


# -- pictures


@pytest.mark.parametrize(
    ("state", "size"),
    [
        *((state, SIZES[0]) for state in STATES),
        *((state, SIZES[1]) for state in ("differs", "lost", "eight", "hostile", "hand-back")),
        *(("differs", size) for size in ((40, 10), (60, 20), (100, 30), (200, 60))),
    ],
)
async def test_picture(state: str, size: tuple[int, int]) -> None:
    app = BenchApp(Frozen(STATES[state]()), poll_hz=0)
    async with app.run_test(size=size) as pilot:
        await press(pilot, "escape")  # the caution goes with the first key
        await settle(app, pilot)
        compare(f"{state}-{size[0]}x{size[1]}", shown(app))


@pytest.mark.parametrize(
    ("name", "keys"),
    [
        ("first-screen", ()),
        ("help", ("question_mark",)),
        ("details", ("i",)),
        ("ask-finish", ("f",)),
        ("ask-zeroed", ("z",)),
        ("ask-note", ("n", "w", "e", "t")),
        ("marked", ("space",)),
    ],
)
async def test_picture_of_a_page_or_question(name: str, keys: tuple[str, ...]) -> None:
    app = BenchApp(Frozen(differs()), poll_hz=0)
    async with app.run_test(size=(80, 24)) as pilot:
        await press(pilot, *keys)
        await settle(app, pilot)
        compare(f"{name}-80x24", shown(app))


@pytest.mark.parametrize("size", SIZES, ids=lambda size: f"{size[0]}x{size[1]}")
async def test_picture_of_a_screen_that_was_cut_off(size: tuple[int, int]) -> None:
    source = Frozen(failing())
    source.closed, source.closed_why = True, "the recorder went away"
    app = BenchApp(source, poll_hz=0)
    async with app.run_test(size=size) as pilot:
        await settle(app, pilot)
        compare(f"cut-off-{size[0]}x{size[1]}", shown(app))


async def test_picture_of_a_screen_that_only_watches() -> None:
    app = BenchApp(Frozen(calm()), poll_hz=0, read_only=True)
    async with app.run_test(size=(80, 24)) as pilot:
        await press(pilot, "escape")
        await settle(app, pilot)
        compare("read-only-80x24", shown(app))


@pytest.mark.parametrize("state", STATES)
def test_the_screen_is_the_pure_drawing(state: str) -> None:
    """The picture without any terminal: the widget adds nothing of its own."""
    drawn = draw_sheet(STATES[state](), 80, 24, Face()).text()
    assert drawn + "\n" == (PICTURES / f"{state}-80x24.txt").read_text(encoding="utf-8")


async def test_hostile_names_reach_the_terminal_as_plain_text() -> None:
    app = BenchApp(Frozen(hostile()), poll_hz=0)
    async with app.run_test(size=(120, 40)) as pilot:
        for keys in (("escape",), ("i",), ("i", "z")):
            await press(pilot, *keys)
            text = shown(app)
            assert not [c for c in text.replace("\n", "") if unicodedata.category(c)[0] == "C"]
            assert "[@click=app.q" in text


# -- words and marks


@pytest.mark.parametrize(
    ("lane", "expected"),
    [
        (HUB, ("┃", "reference", "")),
        (PEDALS, ("✓", "agrees", "-0.3 %")),
        (replace(HERON, raised=("power-off",)), ("✗", "HIGH", "+5.2 %")),
        (replace(HERON, deviation_percent=-5.2, raised=()), ("✗", "LOW", "-5.2 %")),
        (SPIDER, ("?", "undecided", "-1.9 %")),
        (replace(SPIDER, u95_percent=6.7), ("?", "measuring", "")),
        (replace(SPIDER, **SILENT), ("◌", "no data yet", "")),
        (replace(HERON, heard="lost", heard_since_s=831.0), ("!", "LOST", "for 0:41")),
        (replace(HERON, heard="given-up", heard_since_s=0.0), ("!", "GIVEN UP", "14:32 ago")),
        (replace(HERON, heard="searching", heard_since_s=860.0), ("~", "searching", "0:12")),
        (replace(HERON, heard="resting", heard_since_s=860.0), ("○", "resting", "0:12")),
    ],
)
def test_every_state_has_its_own_mark_and_word(lane: Lane, expected: tuple[str, str, str]) -> None:
    assert standing(calm(lanes=(lane,)), lane)[:3] == expected


@pytest.mark.parametrize(
    ("alarm", "lane", "word", "loud"),
    [
        (AlarmView("cadence-off", "heron", None, "raised", 1.0, "", value=90.0), {"cadence_rpm": 180.0},
         "CADENCE DOUBLED", True),
        (AlarmView("cadence-off", "heron", None, "raised", 1.0, "", value=-45.0), {"cadence_rpm": 45.0},
         "CADENCE HALVED", True),
        (AlarmView("cadence-off", "heron", None, "raised", 1.0, "", value=6.0), {"cadence_rpm": 96.0},
         "CADENCE +6", True),
        (AlarmView("setting-differs", "heron", None, "raised", 1.0, ""), {}, "SETTING DIFFERS", True),
        (AlarmView("battery-low", "heron", None, "raised", 1.0, ""), {}, "battery low", False),
        (AlarmView("clipped", "heron", None, "raised", 1.0, ""), {}, "CLIPPED", True),
        (AlarmView("power-missing", "heron", None, "raised", 1.0, ""), {}, "NO POWER", True),
        (AlarmView("side-off", "heron", "left", "raised", 1.0, "", value=-4.0), {}, "LEFT LOW", True),
        (AlarmView("one-sided", "heron", None, "raised", 1.0, ""), {}, "ONE SIDE DOUBLED", True),
    ],
)  # fmt: skip
def test_the_word_of_a_lane_is_its_worst_open_finding_of_any_kind(
    alarm: AlarmView, lane: dict[str, Any], word: str, loud: bool
) -> None:
    heron = replace(STRAIGHT, **lane)
    view = calm(lanes=(HUB, heron), alarms=(alarm,))
    said = standing(view, heron)
    assert (said.word, said.loud) == (word, loud)
    assert word in draw_sheet(view, 80, 24, Face()).text()
    low = AlarmView("battery-low", "heron", None, "raised", 2.0, "")
    assert standing(replace(view, alarms=(low, alarm)), heron).word == word


def test_a_finding_that_cannot_be_seen_now_is_no_verdict() -> None:
    alarm = AlarmView("power-off", "heron", "total", "blind", 861.0, "")
    lane = replace(HERON, **SILENT)
    assert standing(calm(lanes=(HUB, lane), alarms=(alarm,)), lane)[:2] == ("◌", "no data now")


def test_a_battery_that_is_low_does_not_hide_a_deviation() -> None:
    low = AlarmView("battery-low", "heron", None, "raised", 2.0, "")
    lane = replace(HERON, raised=("battery-low",))
    assert standing(calm(lanes=(HUB, lane), alarms=(low,)), lane).word == "HIGH"


def test_nothing_is_shown_whose_uncertainty_is_above_three_limits() -> None:
    """A figure with ±6.7 against a limit of 2.2 is no measurement, on lane, rail, hero and large page."""
    for u95, shown_ in ((6.5, True), (6.7, False)):
        sides = SIDED | {"left_u95_percent": 3.1 * u95, "right_u95_percent": 3.1 * u95}
        lane = replace(STRAIGHT, verdict="undecided", deviation_percent=4.4, u95_percent=u95, **sides)
        view = calm(lanes=(HUB, lane), deviations={})
        for size in (*SIZES, (40, 10)):
            for page in ("bench", "big"):
                text = draw_sheet(view, *size, Face(page=page)).text()  # type: ignore[arg-type]
                assert ("±" in text) == shown_, text
                assert ("measuring" in text) != shown_
                assert "+1.0" not in text  # the right side, which is even less certain
        assert (number_of(lane, "hub") is not None) == shown_


def test_a_side_that_differs_is_the_number_that_stands_there() -> None:
    """Its own deviation, uncertainty, limit and reference; the total stands beside it."""
    number = number_of(HERON, "hub")
    assert number is not None
    assert number == (8.6, 0.8, 3.0, "pedals", "right")
    text = draw_sheet(differs(), 80, 24, Face()).text()
    for words in ("±0.8 %  limit 3.0", "RIGHT side", "against pedals", "total +5.2 %", "last 0:30"):
        assert words in text
    total = number_of(replace(HERON, raised=("power-off",)), "hub")
    assert total is not None
    assert (total.percent, total.side, total.against) == (5.2, "total", "hub")


def test_the_window_that_the_verdict_rests_on_is_named() -> None:
    view = calm(lanes=(HUB, STRAIGHT))
    for size in ((40, 12), (80, 24), (120, 40), (200, 60)):
        assert "over 2:10" in draw_sheet(view, *size, Face()).text()
        if size != (40, 12):
            assert "over 2:10" in draw_sheet(view, *size, Face(page="big")).text()


def test_the_loss_of_the_drivetrain_is_worded_as_taken_out() -> None:
    lane = replace(STRAIGHT, left_w=None, right_w=None, expected_percent=2.24)
    assert "after 2.2 % drivetrain loss" in draw_sheet(calm(lanes=(HUB, lane)), 80, 24, Face()).text()


def test_balance_and_both_sides_stand_in_watts() -> None:
    text = draw_sheet(differs(), 80, 24, Face()).text()
    assert "L 167 W +0.9 %  R 180 W +8.6 %" in text
    assert "48/52" in text  # 167 of 347 W, of the lane


def test_the_hero_is_the_worst_unit_on_test_or_the_one_that_is_asked_for() -> None:
    view = differs()
    assert chosen(view, "") is not None
    assert chosen(view, "").label == "heron"  # type: ignore[union-attr]
    assert chosen(view, "spider-unit-two").label == "spider-unit-two"  # type: ignore[union-attr]
    # A witness is none of the units on test, whatever is asked for.
    assert chosen(view, "pedals").label == "heron"  # type: ignore[union-attr]
    lost_one = replace(SPIDER, heard="lost", heard_since_s=868.0, **SILENT)
    lanes = (HUB, PEDALS, STRAIGHT, lost_one)
    assert chosen(calm(lanes=lanes), "").label == "spider-unit-two"  # type: ignore[union-attr]


async def test_tab_walks_the_units_on_test_and_comes_back_to_the_worst() -> None:
    app = BenchApp(Frozen(differs()), poll_hz=0)
    async with app.run_test(size=(80, 24)) as pilot:
        heroes = []
        for _ in range(4):
            await settle(app, pilot)
            heroes.append(shown(app).split("\n")[3][22:37].split()[0])
            await press(pilot, "tab")
        assert heroes == ["heron", "heron", "spider-unit-two", "heron"]
        assert app._unit == "heron"


def test_a_silent_instrument_never_shows_its_last_watts_or_verdict() -> None:
    """What was last heard is no reading of now."""
    for heard in ("lost", "given-up", "searching"):
        view = calm(lanes=(HUB, replace(HERON, heard=heard, heard_since_s=831.0)))
        for size in SIZES:
            text = draw_sheet(view, *size, Face()).text()
            assert "HIGH" not in text
            assert "L 167" not in text
            assert "347" not in text


@pytest.mark.parametrize(
    ("seconds", "text"),
    [(0, "0:00"), (-3, "0:00"), (41.6, "0:42"), (872, "14:32"), (3599.6, "1:00:00"), (3723, "1:02:03")],
)
def test_times(seconds: float, text: str) -> None:
    assert clock(seconds) == text


def test_a_difference_of_nought_has_no_sign() -> None:
    assert [look.signed(value) for value in (5.16, -0.3, 0.04, -0.04)] == [
        "+5.2 %",
        "-0.3 %",
        "0.0 %",
        "0.0 %",
    ]


@pytest.mark.parametrize("text", ["recording", "replay at 10x", "closed", "finished"])
def test_a_recording_that_is_well_is_quiet(text: str) -> None:
    assert not look.not_recording(calm(recording=text))


@pytest.mark.parametrize("text", ["NOT RECORDED: disk full", "failing", "recording fails", "", "stopped"])
def test_any_other_word_about_the_recording_is_loud(text: str) -> None:
    view = calm(recording=text)
    for size in SIZES:
        assert "NOT BEING RECORDED" in draw_sheet(view, *size, Face()).text()
    assert "NOT BEING RECORDED" in draw_sheet(view, 60, 10, Face()).text()


# -- the rail


def rail(lane: Lane, rows: int = 2, span: float = 6.0, width: int = 45) -> tuple[list[str], Rail]:
    """The rows of one rail, and the rail."""
    canvas = Canvas(width, rows, look.GROUND)
    view = calm(lanes=(HUB, lane))
    drawn = Rail(canvas, 0, width, span)
    draw_rail(drawn, 0, rows, view, lane, standing(view, lane))
    return [row.ljust(width) for row in canvas.text().split("\n")], drawn


@pytest.mark.parametrize("rows", [1, 2])
@pytest.mark.parametrize("deviation", [-6.0, -3.0, -1.2, 0.0, 1.2, 3.0, 6.0])
def test_the_mark_hangs_where_the_deviation_is(deviation: float, rows: int) -> None:
    lane = replace(HERON, deviation_percent=deviation)
    lines, drawn = rail(lane, rows)
    assert lines[0].index("█") == drawn.line + round(deviation / 6.0 * drawn.half)


def test_the_bar_and_the_band_are_as_long_as_they_are_wide() -> None:
    lane = replace(STRAIGHT, deviation_percent=1.0, u95_percent=2.0, limit_percent=4.0)
    (row, _), drawn = rail(lane)
    for sign, percent in (("├", -1.0), ("┤", 3.0)):
        assert row.index(sign) == drawn.line + round(percent / 6.0 * drawn.half)
    assert row.index("░") == drawn.line + round(-4.0 / 6.0 * drawn.half)
    assert row.rindex("░") == drawn.line + round(4.0 / 6.0 * drawn.half)


def test_the_band_stands_around_the_line_whatever_the_drivetrain_takes() -> None:
    """A lane's deviation is what is left after the expected loss, so its tolerance is around nought."""
    plain_lane = replace(STRAIGHT, deviation_percent=None, limit_percent=2.0)
    lines, drawn = rail(replace(plain_lane, expected_percent=-2.6))
    assert lines == rail(plain_lane)[0]
    assert lines[0].index("░") == drawn.line - round(2.0 / 6.0 * drawn.half)
    assert lines[0].rindex("░") == drawn.line + round(2.0 / 6.0 * drawn.half)


@pytest.mark.parametrize(("deviation", "arrow"), [(40.0, "▶"), (-40.0, "◀"), (1e12, "▶")])
def test_what_is_off_the_scale_shows_an_arrow(deviation: float, arrow: str) -> None:
    (row, _), _ = rail(replace(HERON, deviation_percent=deviation))
    assert row.strip()[-1 if deviation > 0 else 0] == arrow


def test_both_sides_in_one_cell_stand_side_by_side() -> None:
    """Beside one another in a row of their own, beside the total's mark in its row."""
    level = replace(STRAIGHT, left_deviation_percent=0.0, right_deviation_percent=0.0, deviation_percent=0.0)
    lines, drawn = rail(replace(level, **SIDED))
    assert lines[1][drawn.line : drawn.line + 2] == "LR"
    lines, drawn = rail(replace(level, **SIDED), rows=1)
    assert lines[0][drawn.line - 1 : drawn.line + 2] == "L█R"


def test_the_scale_follows_the_tolerance_not_the_reading() -> None:
    """A mark must move because its instrument does, not because the scale did."""
    assert span_percent(calm()) == 6.0
    assert span_percent(calm(lanes=(HUB, replace(HERON, deviation_percent=30.0)))) == 6.0
    assert span_percent(expected_loss()) == 6.0
    assert span_percent(calm(lanes=(replace(HUB, limit_percent=None),))) == 6.0
    assert span_percent(calm(lanes=(HUB, replace(HERON, limit_percent=3.1)))) == 12.0
    assert span_percent(calm(lanes=(HUB, replace(HERON, limit_percent=900.0)))) == 50.0


def test_an_undecided_mark_is_hollow() -> None:
    for lane, mark in ((HERON, "█"), (STRAIGHT, "█"), (SPIDER, "║")):
        assert mark in rail(lane)[0][0]


def test_lanes_that_lean_or_are_lost_are_never_left_out() -> None:
    many = [replace(PEDALS, label=f"unit-{n}") for n in range(30)]
    many[27] = replace(HERON, label="leaning")
    many[29] = replace(PEDALS, label="silent", heard="lost", heard_since_s=3.0)
    many[28] = HUB
    canvas = Canvas(80, 12, look.GROUND)
    draw_lanes(canvas, canvas.box, 1, calm(lanes=tuple(many)))
    text = canvas.text()
    assert "leaning" in text
    assert "silent" in text
    assert "┃ hub " in text
    assert "19 more not shown" in text
    # What was asked for is there, too, and what has an open finding is not hidden silently.
    draw_lanes(canvas, canvas.box, 1, calm(lanes=tuple(many)), "unit-20")
    assert "unit-20" in canvas.text()
    few = Canvas(80, 2, look.GROUND)
    draw_lanes(few, few.box, 1, calm(lanes=tuple(many)))
    assert "29 more not shown, 1 with an open finding" in few.text()


# -- figures, canvas, text


@pytest.mark.parametrize(("scale", "rows"), [(1, 3), (2, 5), (3, 8), (4, 10), (5, 13)])
def test_figures_are_told_apart_and_as_large_as_promised(scale: int, rows: int) -> None:
    """Five dots of half a cell each, so many times."""
    assert figure_rows(scale) == rows
    seen = set()
    for sign in "0123456789-+:.":
        canvas = Canvas(20, 14, look.GROUND)
        draw_figures(canvas, 0, 0, sign, scale, look.BOLD)
        lines = canvas.text().rstrip().split("\n")
        assert max(len(line) for line in lines) <= figure_width(sign, scale)
        assert len(lines) <= rows
        seen.add(canvas.text())
    assert len(seen) == 14
    canvas = Canvas(20, 14, look.GROUND)
    draw_figures(canvas, 0, 0, "8", scale, look.BOLD)
    assert canvas.text().count("█") * 2 + len(re.findall("[▀▄]", canvas.text())) == 13 * scale * scale


def test_the_hero_can_be_read_from_the_saddle() -> None:
    """The deviation's digits subtend 20 minutes of arc and more at 1.5 m.

    ISO 9241-303 asks for characters of 20 to 22 minutes of arc for comfort and 16 at least (the values from
    memory). A screen of 14 inches, 16 to 9, is 0.174 m high; a terminal of 40 rows that fills it has rows
    of a fortieth of that. A figure is five dots of half a row, `scale` times as high.
    """
    height_m = 14 * 0.0254 * 9 / math.hypot(16, 9)
    for size, at_least in (((120, 40), 20.0), ((80, 24), 20.0), ((200, 60), 20.0)):
        row_m = height_m / size[1]
        text = "8.6"
        scale = hero_scale(*size)
        lines = draw_sheet(differs(), *size, Face()).text().split("\n")
        top = places(*size, 4).hero.y
        drawn = Canvas(figure_width(text, scale), figure_rows(scale), look.GROUND)
        draw_figures(drawn, 0, 0, text, scale, look.BOLD)
        first, *rest = drawn.text().split("\n")
        x = lines[top].index(first)
        # It stands there as large as that, and nothing else in its place.
        assert [
            line[x : x + drawn.width].rstrip() for line in lines[top + 1 : top + figure_rows(scale)]
        ] == rest
        digit_m = 2.5 * scale * row_m
        minutes = math.degrees(2.0 * math.atan(digit_m / 2.0 / 1.5)) * 60.0
        assert minutes >= at_least, (size, minutes)
    assert [hero_scale(*size) for size in ((80, 24), (100, 30), (120, 40), (200, 60))] == [1, 1, 2, 3]


def test_plain_replaces_every_character_of_category_c() -> None:
    """Category C is Cc, Cf, Cs, Co, Cn (Unicode Standard, section 4.5); Python's table is the reference."""
    for point in (*range(0x3100), 0xD800, 0xE000, 0xFEFF, 0xFFF9, 0xFFFF, 0x1F6B4, 0xE0001, 0x10FFFF):
        sign = chr(point)
        expected = "\N{REPLACEMENT CHARACTER}" if unicodedata.category(sign).startswith("C") else sign
        assert plain(f"a{sign}b") == f"a{expected}b", hex(point)


def test_names_are_cut() -> None:
    assert plain_name("x" * 24) == "x" * 24
    assert plain_name("x" * 25) == "x" * 23 + "…"
    assert plain("\x1b]0;" * 100, 8) == "\N{REPLACEMENT CHARACTER}]0;\N{REPLACEMENT CHARACTER}]0…"


@given(
    st.text(max_size=40), st.integers(-5, 30), st.integers(0, 24), st.text(max_size=12), st.integers(-5, 30)
)
def test_a_row_is_always_as_wide_as_the_canvas(text: str, x: int, end: int, over: str, at: int) -> None:
    """Wide characters, combining marks and overwriting by halves never move what stands to the right."""
    canvas = Canvas(20, 1, look.GROUND)
    canvas.put(x, 0, text, look.BOLD, end=end)
    canvas.put(at, 0, over, look.QUIET)
    row = "".join(part for part, _ in canvas.row(0))
    assert sum(map(get_character_cell_size, row)) == 20
    assert not [sign for sign in row if unicodedata.category(sign)[0] == "C"]


@given(st.text(max_size=40), st.integers(0, 20), st.integers(1, 4))
def test_cut_and_wrapped_text_fits(text: str, width: int, rows: int) -> None:
    assert cells(fit(text, width)) <= width
    lines = wrap(text, width, rows)
    assert len(lines) <= rows
    assert all(cells(line) <= width for line in lines)


def test_wrapping_loses_nothing_that_fits() -> None:
    assert " ".join(wrap(ADVICE, 76, 3)) == ADVICE
    assert wrap("one two three", 7, 2) == ["one two", "three"]
    assert wrap("one two three four", 7, 2) == ["one two", "three …"]


# -- trace


def dots(text: str, left: int, right: int) -> list[list[bool]]:
    """Braille cells as dots, by the numbering of the Unicode block Braille Patterns (U+2800 to U+28FF)."""
    bits = ((0, 3), (1, 4), (2, 5), (6, 7))
    rows = []
    for line in text.split("\n"):
        masks = [ord(c) - 0x2800 if 0x2800 <= ord(c) <= 0x28FF else 0 for c in line.ljust(right)[left:right]]
        rows += [[bool(mask >> bit & 1) for mask in masks for bit in pair] for pair in bits]
    return rows


def trace_of(
    values: tuple[float | None, ...], width: int = 60, height: int = 7, kind: Any = "power"
) -> list[list[bool]]:
    """One instrument on test, over the whole width."""
    view = calm(lanes=(STRAIGHT,), trace_s=tuple(map(float, range(len(values)))), traces_w={"heron": values},
                deviations={"heron": values}, events=(), trace_span_s=float(len(values) - 1))  # fmt: skip
    rows = draw_trace(view, width, height, kind).text().split("\n")
    return dots("\n".join(rows[: height - 1]), LEFT, width - NAMES)


def test_a_trace_rises_and_falls_with_the_watts() -> None:
    grid = trace_of((100.0,) * 60 + (200.0,) * 60)
    columns_on = [[row for row in range(24) if grid[row][column]] for column in range(len(grid[0]))]
    assert columns_on[0] == [23]
    assert columns_on[-1] == [0]
    assert columns_on[len(columns_on) // 4] == [23]
    # The step is one unbroken line.
    step = next(rows for rows in columns_on if len(rows) > 2)
    assert step == list(range(min(step), max(step) + 1))


def test_a_gap_in_the_trace_is_a_gap() -> None:
    grid = trace_of((150.0,) * 40 + (None,) * 40 + (150.0,) * 40)
    lit = [any(row[column] for row in grid) for column in range(len(grid[0]))]
    third = len(lit) // 3
    assert all(lit[: third - 1])
    assert not any(lit[third + 1 : 2 * third - 1])
    assert all(lit[2 * third + 2 :])


def test_watts_that_cannot_be_are_gaps_and_do_not_flatten_the_rest() -> None:
    grid = trace_of((100.0,) * 40 + (1e300, math.nan, -math.inf) * 14 + (200.0,) * 38)
    lit = [any(row[column] for row in grid) for column in range(len(grid[0]))]
    assert lit[0]
    assert lit[-1]
    assert not any(lit[len(lit) // 3 + 1 : 2 * len(lit) // 3 - 1])


def test_a_spike_does_not_flatten_the_trace() -> None:
    """The axis leaves the outermost fiftieth out; what is beyond it stands at the edge."""
    steady = tuple(0.5 * math.sin(second) for second in range(300))
    spiked = (*steady[:150], 80.0, 80.0, *steady[152:])
    assert span_of(sorted(steady), 2.0) == span_of(sorted(spiked), 2.0) == 6.0
    assert span_of(sorted((*steady[:250], *(9.0,) * 50)), 2.0) == 12.0  # what lasts is no spike
    assert span_of([], 0.0) == 6.0
    grid = trace_of(spiked, kind="deviation")
    assert any(grid[0])
    watts = (*(200.0 + value for value in steady[:150]), 3000.0, *(200.0 + value for value in steady[151:]))
    flat, level = trace_of(watts), trace_of(tuple(200.0 + value for value in steady))
    used = [row for row in range(1, 24) if any(flat[row])]
    assert max(used) - min(used) >= max(row for row in range(24) if any(level[row])) // 2


def test_each_instrument_has_one_look_by_its_role_whatever_it_reads() -> None:
    lanes = (HUB, PEDALS, HERON, SPIDER)
    own = looks(lanes)
    assert len({(each.sign, each.dots) for each in own.values()}) == 4
    assert looks([replace(lane, deviation_percent=-9.0, heard="lost") for lane in lanes]) == own
    # Units on test are drawn in full, or nearly; nobody else is.
    density = {label: sum(each.dots) / len(each.dots) for label, each in own.items()}
    assert min(density["heron"], density["spider-unit-two"]) > max(density["pedals"], density["hub"])
    assert own["heron"].style.bold
    assert not own["pedals"].style.bold


def test_names_of_the_trace_keep_their_places_in_bench_order() -> None:
    for view in (differs(), lost(), calm()):
        names = [line[80 - NAMES + 4 :].strip() for line in draw_trace(view, 80, 8).text().split("\n")[:4]]
        assert names == ["hub", "pedals", "heron", "spider-uni…"]


def test_acts_and_findings_stand_at_their_moments() -> None:
    view = calm(
        events=(Event(600.0, "·", "gear 50x17"), Event(701.0, "·", "zeroed heron"),
                Event(801.0, "·", "segment over"), Event(831.0, "!", "heron power-off"),
                Event(840.0, "~", "hub up")),
    )  # fmt: skip
    row = draw_trace(view, 100, 8).text().split("\n")[-1]
    width = 100 - NAMES - LEFT
    for sign, t_s in (("^", 701.0), ("|", 801.0), ("!", 831.0)):
        assert row[LEFT + round((t_s - (871.0 - 300.0)) / 300.0 * (width - 1))] == sign
    assert "^zeroed heron" in row
    assert "hub up" not in row


def test_the_band_of_the_trace_is_the_tolerance() -> None:
    view = calm(deviations={}, lanes=(HUB, STRAIGHT))
    text = draw_trace(replace(view, deviations={"heron": (0.1,) * len(SECONDS)}), 80, 13).text().split("\n")
    rows = [row for row, line in enumerate(text) if re.search("[░─]", line[LEFT : 80 - NAMES])]
    # 12 rows for 12 %, nought between the sixth and the seventh: 2.2 % either way.
    assert rows == [3, 4, 5, 6, 7, 8]


def test_a_short_drop_survives_the_thinning() -> None:
    values = [150.0 + 50.0 * (second // 100 % 2) for second in range(3000)]
    values[1250] = 100.0
    assert sum(trace_of(tuple(values))[-1]) > sum(trace_of(tuple(values[:1250] + values[1251:]))[-1]) - 1
    assert any(trace_of(tuple(values))[-1])


@pytest.mark.parametrize(
    ("values", "rows", "expected"),
    [
        ([178.0, 334.0], 6, (100.0, 200.0, 300.0, 400.0)),
        ([200.0, 200.0], 6, (200.0, 210.0)),
        ([0.0, 1999.0], 6, (0.0, 1000.0, 2000.0)),
        ([], 6, (0.0, 50.0, 100.0)),
    ],
)
def test_the_trace_has_round_watts_at_its_side(
    values: list[float], rows: int, expected: tuple[float, ...]
) -> None:
    assert scale_w(values, rows) == expected


# -- open findings


def test_open_findings_stand_once_each_with_what_they_are_since_and_for() -> None:
    canvas = Canvas(100, 4, look.GROUND)
    draw_findings(canvas, canvas.box, lost(), ())
    rows = canvas.text().split("\n")
    # In the order in which they began.
    assert rows[0].startswith(" ◌  11:40 pedals left side deviates, for 2:52, no data now")
    assert rows[1].split("  ")[1].strip() == "13:51 pedals signal lost, for 0:41"
    assert "8.6" in draw_sheet(differs(), 80, 24, Face()).text()


def test_a_finding_keeps_its_row_while_it_is_open() -> None:
    def finding(kind: Any, since_s: float) -> AlarmView:
        return AlarmView(kind, "heron", None, "raised", since_s, "")

    first, second, third = finding("stuck", 10.0), finding("clipped", 20.0), finding("spike", 30.0)
    slots = settled((), calm(alarms=(second, first)))
    assert [key[0] for key in slots if key] == ["stuck", "clipped"]
    slots = settled(slots, calm(alarms=(third, second)))
    # The first is over, and its row free for the next.
    assert [key[0] for key in slots if key] == ["spike", "clipped"]
    slots = settled(slots, calm(alarms=(second,)))
    assert [key and key[0] for key in slots] == [None, "clipped"]
    assert settled(slots, calm()) == ()


def test_more_findings_than_rows_are_counted() -> None:
    alarms = tuple(
        AlarmView("stuck", f"unit-{n}", None, "raised", 800.0 + n, "", acknowledged=True) for n in range(5)
    )
    hidden = AlarmView("spike", "unit-9", None, "raised", 900.0, "")
    canvas = Canvas(60, 4, look.GROUND)
    draw_findings(canvas, canvas.box, calm(alarms=(hidden, *alarms)), ())
    assert "3 more: press i. unit-9 spike" in canvas.text()


# -- sizes


def test_places_fill_the_screen_and_follow_from_its_size_alone() -> None:
    for width, height, lanes in (
        (w, h, n) for w in (80, 100, 112, 150, 220) for h in range(24, 90) for n in (*range(1, 26), 64)
    ):
        at = places(width, height, lanes)
        boxes = (at.header, at.message, at.hero, at.axis, at.lanes, at.advice, at.trace, at.findings, at.keys)
        y = 0
        for box in boxes:
            assert (box.x, box.y, box.width) == (0, y, width)
            y += box.height
        assert y == height
        assert (at.message.height, at.advice.height, at.keys.height) == (1, ADVICE_ROWS, 1)
        assert at.findings.height >= 2
        assert at.trace.height == 0 or at.trace.height >= 4
        assert at.lanes.height >= min(lanes, 9)
        assert at.scale in SCALES


def test_a_larger_screen_enlarges_and_never_rearranges() -> None:
    """Of the same bench every part has at least as many rows, in the same order."""
    before = places(80, 24, 4)
    for width, height in ((100, 30), (112, 36), (120, 40), (150, 44), (200, 60)):
        at = places(width, height, 4)
        assert all(
            new.height >= old.height
            for new, old in zip(at, before, strict=True)
            if isinstance(new, Box) and isinstance(old, Box)
        )
        before = at


def test_no_message_moves_anything() -> None:
    """Whatever is said, asked, raised or lost: labels, axis, advice, keys and trace keep their rows."""
    proposed = Suggestion("heron: why", Block("tell heron", 120.0, 200.0, 60.0))
    soon = Segment("over", 800.0, 3, 6, 330.0, 90.0, 8.4, "sprint", next=Block("sprint", 10.0, load="sprint"))
    views = (
        calm(),
        differs(),
        lost(),
        failing(),
        calm(segment=None, suggestion=proposed),
        calm(segment=soon),
    )
    faces = (
        Face(), Face(safety=True), Face(said="marked"), Face(question="Finish?"), Face(read_only=True),
        Face(banner=Banner("CUT OFF", "gone", do="again"), old=True), Face(hands=True), Face(trace="power"),
    )  # fmt: skip
    for size in ((80, 24), (100, 30), (120, 40), (200, 60)):
        seen = set()
        for view in views:
            for face in faces:
                lines = draw_sheet(view, *size, face).text().split("\n")
                first = next(row for row, line in enumerate(lines) if line.startswith(" 1 "))
                labels = tuple(
                    next(
                        row
                        for row, line in enumerate(lines)
                        if line[5:].startswith(lane.label[:11]) and row >= first
                    )
                    for lane in view.lanes
                )
                axis = next(row for row, line in enumerate(lines) if "+6 %" in line)
                do = next(row for row, line in enumerate(lines) if line.startswith(" DO: "))
                seen.add((labels, axis, do, len(lines)))
        assert len(seen) == 1, seen


@pytest.mark.parametrize("size", [(79, 24), (80, 23), (60, 20), (40, 10)])
def test_a_small_window_shows_the_hero_alone(size: tuple[int, int]) -> None:
    for view in (differs(), lost(), blind(), alone()):
        lines = draw_sheet(view, *size, Face()).text().split("\n")
        assert len(lines) == size[1]
        assert "14:32" in lines[0]
        assert "q leave" in lines[-1]
    text = draw_sheet(differs(), *size, Face()).text()
    for words in ("RIGHT HIGH", "±0.8 %  limit 3.0", "L 167 W +0.9 %  R 180 W +8.6 %", "DO: "):
        assert words in text
    assert "NOT BEING RECORDED" in draw_sheet(failing(), *size, Face()).text()


@pytest.mark.parametrize("size", [(39, 24), (80, 9), (12, 4), (1, 1), (0, 0)])
def test_a_window_too_small_for_that_says_so(size: tuple[int, int]) -> None:
    text = draw_sheet(calm(), *size, Face()).text()
    if size[0] * size[1] >= 400:
        assert f"{size[0]}x{size[1]}" in text
        assert "40x10" in text


async def test_a_window_that_grows_shows_the_bench_again() -> None:
    app = BenchApp(Frozen(calm()), poll_hz=0)
    async with app.run_test(size=(60, 20)) as pilot:
        await pilot.pause()
        assert "80x24 shows all" in shown(app)
        await pilot.resize_terminal(80, 24)
        await pilot.pause(0.1)
        assert "winter bench" in shown(app)


numbers = st.none() | st.floats() | st.floats(-500, 3000)
lanes_strategy = st.builds(
    Lane,
    label=st.text(max_size=18),
    role=st.just("on-test"),
    mount=st.sampled_from(["pedals", "crank", "hub", "cadence"]),
    heard=st.sampled_from(["heard", "resting", "lost", "searching", "given-up"]),
    heard_since_s=st.floats(0, 900),
    verdict=st.sampled_from(["reference", "agrees", "differs", "undecided", "blind"]),
    power_w=numbers,
    left_w=numbers,
    right_w=numbers,
    cadence_rpm=numbers,
    deviation_percent=numbers,
    deviation_w=numbers,
    expected_percent=st.floats(-9, 9),
    u95_percent=numbers,
    limit_percent=numbers,
    left_deviation_percent=numbers,
    right_deviation_percent=numbers,
    raised=st.lists(st.sampled_from(["side-off", "left side-off", "stuck"]), max_size=3).map(tuple),
    battery_percent=numbers,
    loss_percent=numbers,
    lag_s=numbers,
    lag_u95_s=numbers,
)


@settings(max_examples=60, deadline=None)
@given(
    lanes=st.lists(lanes_strategy, max_size=9),
    size=st.sampled_from([(80, 24), (110, 30), (120, 40), (200, 60), (40, 10), (30, 5)]),
    page=st.sampled_from(["bench", "help", "details", "big", "checks"]),
    trace=st.lists(numbers, max_size=9),
)
def test_no_view_breaks_the_drawing(
    lanes: list[Lane], size: tuple[int, int], page: Any, trace: list[Any]
) -> None:
    view = calm(
        lanes=tuple(lanes),
        trace_s=tuple(map(float, range(len(trace)))),
        traces_w={lane.label: tuple(trace) for lane in lanes},
    )
    canvas = draw_sheet(view, *size, Face(page=page, safety=True))
    assert (canvas.width, canvas.height) == size


# -- keys


async def test_mark() -> None:
    source = Frozen(calm())
    async with BenchApp(source, poll_hz=0).run_test(size=(80, 24)) as pilot:
        await press(pilot, "space", "m")
        assert source.acts == [("mark", "", "", None)] * 2
        assert "marked 14:32" in shown(pilot.app)  # type: ignore[arg-type]


async def test_zeroed_asks_which_and_belongs_to_the_moment_of_the_key() -> None:
    source = Frozen(calm())
    async with BenchApp(source, poll_hz=0).run_test(size=(80, 24)) as pilot:
        await press(pilot, "z")
        source.later(9.0)
        await press(pilot, "7")  # nobody has that number: the question stays
        assert source.acts == []
        await press(pilot, "3")
        assert source.acts == [("zeroed", "", "heron", 872.0)]
        await press(pilot, "z", "escape", "3")
        assert len(source.acts) == 1
        await press(pilot, "z", "a")
        assert [act[2] for act in source.acts[1:]] == ["hub", "pedals", "heron", "spider-unit-two"]


async def test_twelve_instruments_at_80_by_24() -> None:
    """Those without a row are counted, and each can be got at by key."""
    source = Frozen(twelve())
    app = BenchApp(source, poll_hz=0)
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(app, pilot)
        labels = [lane.label for lane in twelve().lanes]
        rows = {label: re.search(rf"^ ?(\d+) . {label} ", shown(app), re.M) for label in labels}
        assert {label: int(row[1]) for label, row in rows.items() if row} == {
            label: number for number, label in enumerate(labels, 1) if rows[label]
        }
        hidden = [label for label in labels if not rows[label]]
        assert len(hidden) == 2
        assert "2 more not shown: i lists all, Tab shows the units on test" in shown(app)
        await press(pilot, "i", "pagedown")
        assert all(re.search(rf"\b{label} ", shown(app)) for label in hidden), shown(app)
        await press(pilot, "escape")
        # Tab walks all units on test: whichever is shown large has its lane, too.
        seen = set()
        for _ in range(len(labels)):
            seen |= {label for label in hidden if re.search(rf"^ ?\d+ . {label} ", shown(app), re.M)}
            await press(pilot, "tab")
        assert seen == set(hidden)
        await press(pilot, "z", "3")
        await press(pilot, "z", "n", *"12", "enter")
        await press(pilot, "z", "n", *"unit-1", "enter")
        assert "2 instruments begin with unit-1" not in shown(app)
        assert [label for _, _, label, _ in source.acts] == [labels[2], labels[11], "unit-1"]


@pytest.mark.slow
@pytest.mark.parametrize("size", [(80, 24), (120, 40)])
async def test_sixty_four_instruments_on_one_screen(size: tuple[int, int]) -> None:
    """Not all have room: those that lean or are lost do, and how many more there are is said."""
    source = Frozen(sixty_four())
    app = BenchApp(source, poll_hz=0)
    async with app.run_test(size=size) as pilot:
        await settle(app, pilot)
        text = shown(app)
        assert "heron" in text
        assert "unit-61" in text
        assert re.search(r"\b\d\d more not shown: i lists all", text), text
        await press(pilot, "i")
        details = shown(app)
        assert all(word in details for word in ("heron", "Open findings", "power deviates"))
        assert re.search(r"\d\d more rows: PgDn, j", details)
        for _ in range(8):
            if "unit-61" in details:
                break
            await press(pilot, "pagedown")
            details = shown(app)
        assert "unit-61" in details
        assert re.search(r"space +mark +z +zeroed +g +gear +n +note", details)
        await press(pilot, "escape")
        await press(pilot, "z")
        assert "zeroed which?  1 to 9 its lane  n by name  a all  Esc none" in shown(app)
        await press(pilot, "n")
        assert "zeroed which? its number or label or all:" in shown(app)
        await press(pilot, *"unit-6", "enter")
        assert "2 instruments begin with unit-6: nothing was done" in shown(app)
        await press(pilot, "z", "n", *"unknown", "enter")
        assert "no instruments begin with unknown" in shown(app)
        assert source.acts == []
        await press(pilot, "z", "n", *"UNIT-60", "enter")
        await press(pilot, "z", "n", *"her", "enter")
        assert [(act, label) for act, _, label, _ in source.acts] == [
            ("zeroed", "unit-60"),
            ("zeroed", "heron"),
        ]
        await press(pilot, "z", "a")
        assert len(source.acts) == 2 + 64


@pytest.mark.slow
async def test_what_drawn_strips_hold_in_circles_is_cleared_away(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("monitor.dashboard.following.TIDY_S", 0.05)
    monkeypatch.setattr("gc.freeze", lambda: None)
    collected: list[int] = []
    real = gc.collect
    monkeypatch.setattr("gc.collect", lambda *args: collected.append(1) or real(*args))
    app = BenchApp(Frozen(calm()), poll_hz=0)
    async with app.run_test(size=(80, 24)):
        assert collected == []
        app._settle()
        async with asyncio.timeout(10):
            while len(collected) < 3:
                await asyncio.sleep(0.02)


@pytest.mark.slow
async def test_widths_of_texts_are_not_remembered_without_bound() -> None:
    """The clock makes every second's texts new ones."""
    source = Frozen(differs())
    app = BenchApp(source, poll_hz=0)
    async with app.run_test(size=(80, 24)) as pilot:
        for _ in range(2 * MOST_WIDTHS):
            source.later(1.0)
            app.poll()
            if app._polls % 16 == 0:
                await pilot.pause()
        assert cached_cell_len.cache_info().currsize < MOST_WIDTHS + 200


async def test_zeroed_does_not_ask_when_there_is_only_one() -> None:
    source = Frozen(alone())
    async with BenchApp(source, poll_hz=0).run_test(size=(80, 24)) as pilot:
        await press(pilot, "z")
        assert source.acts == [("zeroed", "", "pedals", None)]


async def test_a_note_belongs_to_the_moment_of_its_key_and_its_letters_are_no_commands() -> None:
    source = Frozen(calm())
    async with BenchApp(source, poll_hz=0).run_test(size=(80, 24)) as pilot:
        await press(pilot, "n")
        source.later(20.0)
        await press(pilot, *"fq z", "enter")
        assert source.acts == [("note", "fq z", "", 872.0)]
        assert source.finished == 0
        await press(pilot, "n", "enter", "n", "x", "escape")
        assert len(source.acts) == 1


async def test_gears_come_back_with_the_arrow_keys() -> None:
    source = Frozen(calm())
    async with BenchApp(source, poll_hz=0).run_test(size=(80, 24)) as pilot:
        await press(pilot, "g", *"50", "enter", "g", *"34", "enter")
        await press(pilot, "g")
        assert "34, 50" in shown(pilot.app)  # type: ignore[arg-type]
        await press(pilot, "up", "up", "enter", "g", "up", "up", "down", "enter")
        assert [act[1] for act in source.acts] == ["50", "34", "50", "50"]
        assert {act[0] for act in source.acts} == {"gear"}


async def test_the_next_segment_begins_at_once_or_is_asked_for_by_name() -> None:
    source = Frozen(calm())
    async with BenchApp(source, poll_hz=0).run_test(size=(80, 24)) as pilot:
        app: Any = pilot.app
        await press(pilot, "s")
        assert source.acts == [("segment", "sprint", "", None)]
        source.now = calm(segment=None)
        app.poll()
        await press(pilot, "s", *"free", "enter")
        assert source.acts[1] == ("segment", "free", "", 872.0)


async def test_acknowledge_names_every_alarm_that_waits_once() -> None:
    both = tuple(AlarmView("side-off", "heron", side, "raised", 8.0, "") for side in ("left", "right"))
    seen = AlarmView("stuck", "hub", None, "raised", 8.0, "", acknowledged=True)
    waits = AlarmView("power-off", "pedals", "total", "blind", 8.0, "")
    source = Frozen(calm(alarms=(*both, seen, waits, AlarmView("spike", "hub", None, "pending", 8.0, ""))))
    async with BenchApp(source, poll_hz=0).run_test(size=(80, 24)) as pilot:
        await press(pilot, "a")
        assert source.acts == [
            ("acknowledge", "side-off", "heron", None),
            ("acknowledge", "power-off", "pedals", None),
        ]


async def test_finish_takes_two_different_keys() -> None:
    source = Frozen(calm())
    app = BenchApp(source, poll_hz=0)
    async with app.run_test(size=(80, 24)) as pilot:
        await press(pilot, "f", "f", "y", "space", "q")
        assert source.finished == 0
        assert source.acts == []
        await press(pilot, "escape", "enter")
        assert source.finished == 0
        await press(pilot, "f", "enter")
        assert source.finished == 1
        assert "Finishing" in shown(app)
        app.poll()
        assert app.return_value is None
        source.closed = True
        app.poll()
        await pilot.pause()
    assert app.return_value == "finished"


@pytest.mark.parametrize("key", ["q", "ctrl+q"])
async def test_leaving_ends_nothing(key: str) -> None:
    source = Frozen(calm())
    app = BenchApp(source, poll_hz=0)
    async with app.run_test(size=(80, 24)) as pilot:
        await press(pilot, "ctrl+c")
        assert "recording goes on" in shown(app)
        await press(pilot, key)
    assert app.return_value == "left"
    assert (source.acts, source.finished) == ([], 0)


@pytest.mark.parametrize("page", ["?", "i"])
@pytest.mark.parametrize("closes", ["q", "escape", ""])
async def test_q_escape_and_the_pages_own_key_close_a_page_and_nothing_more(page: str, closes: str) -> None:
    app = BenchApp(Frozen(calm()), poll_hz=0)
    async with app.run_test(size=(80, 24)) as pilot:
        await press(pilot, "escape")
        before = shown(app)
        own = page.replace("?", "question_mark")
        await press(pilot, own)
        assert shown(app) != before
        await press(pilot, closes or own)
        assert shown(app) == before
        assert app.is_running
        await press(pilot, "q")
    assert app.return_value == "left"


async def test_control_q_leaves_from_a_page_too() -> None:
    app = BenchApp(Frozen(calm()), poll_hz=0)
    async with app.run_test(size=(80, 24)) as pilot:
        await press(pilot, "question_mark", "ctrl+q")
    assert app.return_value == "left"


async def test_help_and_details_are_pages_that_close_again() -> None:
    app = BenchApp(Frozen(lost()), poll_hz=0)
    async with app.run_test(size=(80, 24)) as pilot:
        for key, word in (("question_mark", "Keys"), ("i", "instrument ")):
            await press(pilot, key)
            assert word in shown(app)
            assert "1 of 4 heard, 1 LOST" in shown(app)
            await press(pilot, "escape")
            assert word not in shown(app)


async def test_a_watching_screen_takes_no_acts() -> None:
    source = Frozen(differs())
    app = BenchApp(source, poll_hz=0, read_only=True)
    async with app.run_test(size=(80, 24)) as pilot:
        await press(pilot, "space", "m", "z", "1", "g", "n", "s", "a", "f", "enter")
        assert (source.acts, source.finished) == ([], 0)
        await press(pilot, "i")
        assert "battery" in shown(app)


async def test_keys_can_be_clicked() -> None:
    source = Frozen(calm())
    async with BenchApp(source, poll_hz=0).run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        row = shown(pilot.app).split("\n")[-1]  # type: ignore[arg-type]
        await pilot.click(offset=(row.index("mark"), 23))
        await pilot.pause()
        assert source.acts == [("mark", "", "", None)]
        await pilot.click(offset=(1, 0))  # the session time: no key


# -- trouble of the screen itself


async def test_acts_are_refused_loudly_when_nobody_takes_them() -> None:
    source = Frozen(calm())
    source.closed, source.closed_why = True, "the pipe broke"
    app = BenchApp(source, poll_hz=0)
    async with app.run_test(size=(80, 24)) as pilot:
        await press(pilot, "space")
        assert "NOT SENT" in shown(app)
        assert "CUT OFF FROM THE RECORDER" in shown(app)
        assert "● REC" not in shown(app)
        await press(pilot, "f", "enter")
    assert (source.acts, source.finished) == ([], 0)


async def test_a_view_that_stands_still_is_called_old() -> None:
    source = Frozen(calm())
    app = BenchApp(source, poll_hz=0)
    async with app.run_test(size=(80, 24)) as pilot:
        for _ in range(int(4 * STALE_S) - 1):
            app.poll()
        await pilot.pause()
        assert "NO NEWS" not in shown(app)
        app.poll()
        await pilot.pause()
        assert "NO NEWS FROM THE RECORDER" in shown(app)
        source.later(1.0)
        app.poll()
        await pilot.pause()
        assert "NO NEWS" not in shown(app)


async def test_a_session_that_closed_well_says_so_quietly_and_can_take_the_screen_along() -> None:
    source = Frozen(calm())
    app = BenchApp(source, poll_hz=0)
    async with app.run_test(size=(80, 24)) as pilot:
        source.closed = True
        app.poll()
        await pilot.pause()
        assert "The session is closed" in shown(app)
        assert "!!!" not in shown(app)
        await press(pilot, "q")
    assert app.return_value == "closed"
    app = BenchApp(source, poll_hz=0, leave_when_closed=True)
    async with app.run_test(size=(80, 24)) as pilot:
        app.poll()
        await pilot.pause()
    assert app.return_value == "closed"


async def test_the_feed_runs_beside_the_screen_and_ends_with_it() -> None:
    source, told = Frozen(calm()), []

    async def feed() -> None:
        try:
            source.later(1.0)
            told.append("fed")
            await asyncio.Event().wait()
        finally:
            told.append("ended")

    app = BenchApp(source, feed, poll_hz=0)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        app.poll()
        await pilot.pause()
        assert "14:33" in shown(app)
        assert told == ["fed"]
    assert told == ["fed", "ended"]
    assert app.feed_error is None


async def test_a_feed_that_fails_is_loud() -> None:
    async def feed() -> None:
        raise OSError("the pipe [b]broke\x1b[2J")

    app = BenchApp(Frozen(calm()), feed(), poll_hz=0)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        text = shown(app)
        assert "CUT OFF FROM THE RECORDER" in text
        assert "the pipe [b]broke" in " ".join(text.split())
    assert isinstance(app.feed_error, OSError)


async def test_a_new_alarm_rings_once() -> None:
    source = Frozen(calm())
    app = BenchApp(source, poll_hz=0)
    rung: list[int] = []
    async with app.run_test(size=(80, 24)):
        app.bell = lambda: rung.append(1)  # type: ignore[method-assign]
        for view in (calm(), differs(), differs(), calm(), lost()):
            source.now = view
            app.poll()
    assert len(rung) == 2


async def test_only_rows_that_changed_are_drawn_again(monkeypatch: pytest.MonkeyPatch) -> None:
    source = Frozen(calm())
    app = BenchApp(source, poll_hz=0)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        drawn: list[int] = []
        monkeypatch.setattr(app._sheet, "refresh", lambda *regions, **_: drawn.extend(r.y for r in regions))
        app.poll()
        assert drawn == []
        source.later(1.0)
        app.poll()
    assert drawn == [0]


async def test_the_caution_stands_on_the_first_screen_for_half_a_minute() -> None:
    source = Frozen(calm())
    app = BenchApp(source, poll_hz=0)
    async with app.run_test(size=(80, 24)) as pilot:
        for _ in range(119):
            source.later(0.25)
            app.poll()
        await pilot.pause()
        assert "can hurt" in shown(app)
        source.later(0.25)
        app.poll()
        await pilot.pause()
        assert "can hurt" not in shown(app)


@pytest.mark.parametrize("module", ["monitor.text", "monitor.dashboard.sheet"])
def test_drawing_needs_no_screen_library(module: str) -> None:
    """What a report or a command uses of these must not pay for starting a terminal application."""
    code = f"import sys, {module}; sys.exit('textual' in sys.modules or 'asyncio' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def test_the_header_says_what_is_done_with_the_session() -> None:
    def header(view: View, **face: Any) -> str:
        return draw_sheet(view, 80, 24, Face(**face)).text().split("\n")[0]

    paused = replace(calm().segment, paused=True)
    assert "● REC " in header(calm())
    assert "● REC  PAUSED" in header(calm(segment=paused))
    assert "● WATCHING " in header(calm(), read_only=True)
    assert "REPLAY x8 " in header(calm(recording="REPLAY x8"), read_only=True)
    assert "REPLAY  PAUSED" in header(calm(recording="REPLAY, paused"), read_only=True)
    assert "! NOT RECORDED" in header(failing())
