"""The keys of the saddle on the screen: what holds, what lets go, what is asked, what is recorded."""

from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from test_dashboard import Frozen, calm, compare, differs, press, replace, settle, shown
from test_trainer_session import Rig
from textual.pilot import Pilot

from capture.profiles.cycling_power import Feature
from capture.record import Act
from monitor.controls.controls import Controls, RideView
from monitor.controls.preflight import Checked, Checks, Item
from monitor.controls.trainer import TrainerView
from monitor.dashboard.app import HOLDING, BenchApp
from monitor.dashboard.canvas import Box, Canvas
from monitor.dashboard.figures import draw_figures, figure_rows, figure_width
from monitor.dashboard.look import ASK, BOLD, FAINT, GROUND, LOUD, QUIET
from monitor.dashboard.pages.big import SCALES, draw_big
from monitor.dashboard.pages.checks import checks_page, draw_verdict
from monitor.dashboard.pages.help import help_page
from monitor.dashboard.parts.header import draw_header
from monitor.dashboard.parts.keys import HANDS, KEYS, LOOKS, draw_keys
from monitor.dashboard.parts.message import Line, draw_line, rider_lines
from monitor.dashboard.sheet import Face, draw_sheet
from monitor.live.pipeline import Pipeline
from monitor.live.screen import view_of
from monitor.live.view import Block, Segment, Suggestion, View
from monitor.setup.bench import parse_bench
from monitor.setup.protocol import AFTER
from monitor.text import clock

SIZE = (80, 24)


class Riding:
    """A source with hands: what it passes on is done at once, on the virtual bench."""

    def __init__(self, rig: Rig) -> None:
        self.rig, self.controls = rig, rig.controls
        self.closed, self.closed_why = False, ""
        self.looked_up: list[str] = []
        self.finished = 0

    def view(self) -> View:
        return view_of(self.rig.pipeline)

    def act(self, act: str, text: str, instrument: str, at_s: float | None = None) -> None:
        self.controls.act(act, text, instrument, at_s)
        self.pass_on()

    def pass_on(self) -> None:
        self.rig.flush()

    def disk_free(self) -> int:
        return 10**11

    def look_up_zeros(self, label: str) -> None:
        self.looked_up.append(label)

    def finish(self) -> None:
        self.finished += 1


TWO_TRAINERS = """\
[bench]
name = "two"
reference = "hub"
[[instrument]]
label = "hub"
mount = "hub"
link = "bluetooth:AA:BB:CC:DD:EE:01"
profile = "fitness-machine"
[[instrument]]
label = "pedals"
mount = "pedals"
link = "bluetooth:AA:BB:CC:DD:EE:02"
profile = "cycling-power"
[[instrument]]
label = "roller"
mount = "hub"
link = "ant:trainer:7"
"""
STANDING = {"name": "rest", "seconds": 900, "stand": True}


def riding(until_s: float = 40.0, *, armed: bool = False) -> Riding:
    """A rider in the first segment; the checks are passed."""
    rig = Rig().until(20)
    rig.controls.ready(None)
    rig.flush()
    rig.until(22)
    if armed:
        rig.controls.arm()
        rig.flush()
    return Riding(rig.until(until_s))


async def advance(app: BenchApp, pilot: Pilot[str], source: Riding, t_s: float) -> None:
    source.rig.until(t_s)
    await settle(app, pilot)


# -- pictures


async def test_picture_of_the_checks_and_what_enter_does() -> None:
    source = Riding(Rig().until(20))
    app = BenchApp(source, poll_hz=0, page="checks")
    async with app.run_test(size=SIZE) as pilot:
        await settle(app, pilot)
        compare("checks-80x24", shown(app))
        await press(pilot, "enter")
        assert "OVERRIDE crank-length of crank?" in shown(app)
        await press(pilot, "escape")
        assert source.rig.acts("override", "ready") == []
        await press(pilot, "enter", "enter")
        assert [act for act, _, _ in source.rig.acts("override", "ready")] == ["override", "ready"]
        await advance(app, pilot, source, 23)
        assert "1/3" in shown(app)
        await press(pilot, "c", "enter")
        assert "The checks are passed." in shown(app)
        assert len(source.rig.acts("ready")) == 1


async def test_a_screen_that_comes_later_offers_the_checks_that_the_protocol_waits_for() -> None:
    for read_only in (False, True):
        source = Riding(Rig().until(20))
        app = BenchApp(source, poll_hz=0, read_only=read_only)
        async with app.run_test(size=SIZE) as pilot:
            await settle(app, pilot)
            assert ("to mend or to override" in shown(app)) == (not read_only)
            await press(pilot, "escape")
            await settle(app, pilot)
            assert "to mend" not in shown(app)  # offered once


async def test_picture_of_a_held_trainer_near_the_end_of_a_segment() -> None:
    source = riding(75, armed=True)
    app = BenchApp(source, poll_hz=0)
    async with app.run_test(size=SIZE) as pilot:
        await press(pilot, "i", "i")  # the caution goes with the first key
        await settle(app, pilot)
        compare("held-80x24", shown(app))
        await settle(app, pilot)
        await press(pilot, "b")
        await settle(app, pilot)
        compare("big-80x24", shown(app))


async def test_picture_of_all_keys() -> None:
    app = BenchApp(riding(), poll_hz=0)
    async with app.run_test(size=SIZE) as pilot:
        await press(pilot, "question_mark")
        await settle(app, pilot)
        compare("help-hands-80x24", shown(app))


# -- arming and letting go


async def test_arming_takes_two_keys_and_the_same_key_lets_go() -> None:
    source = riding()
    app = BenchApp(source, poll_hz=0)
    async with app.run_test(size=SIZE) as pilot:
        await press(pilot, "t")
        assert "ARM, at most 260 W?" in shown(app)
        await press(pilot, "t", "x", "escape", "enter")
        assert source.rig.powers == []
        await press(pilot, "t", "enter")
        await advance(app, pilot, source, 50)
        assert source.rig.powers[-1] == 150
        assert "TRAINER hub 150 W, max 260 W" in shown(app)
        await press(pilot, "t")
        assert source.rig.powers[-1] == 80
        await advance(app, pilot, source, 55)
        assert not source.controls.armed
        # Its state stands there from the first arming on, and what it was left at.
        assert "TRAINER hub released, holds 80 W, t arms again" in shown(app)


@pytest.mark.parametrize("key", ["space", "escape", "enter", "x", "5", "q", "f", "o", "l", "z", "j", "F"])
async def test_any_other_key_drops_the_trainer_to_its_safe_target(key: str) -> None:
    source = riding(armed=True)
    app = BenchApp(source, poll_hz=0)
    async with app.run_test(size=SIZE) as pilot:
        await pilot.pause()
        assert source.rig.powers[-1] == 150
        await press(pilot, key)
        assert source.rig.powers[-1] == 80
        assert source.rig.acts("trainer")[-1][1].startswith("safe target: ")
        assert source.rig.acts("mark") == []  # the widest key lets go, and does nothing else
        if key in ("o", "f", "z"):
            await settle(app, pilot)
            assert "?" in shown(app).split("\n")[-1]  # and it asks what it always asks
    assert (app.return_value == "left") == (key == "q")


async def test_acts_do_not_let_go_and_typing_is_no_command() -> None:
    source = riding(armed=True)
    app = BenchApp(source, poll_hz=0)
    async with app.run_test(size=SIZE) as pilot:
        for key in ("m", "d", "p", "p", "i", "b", "c", "question_mark", "a", "u", "tab", "w"):
            await pilot.press(key)
            source.rig.until(source.rig.pipeline.t_s + 1)
            app.poll()
            app.poll()
        await press(pilot, "n", *"fq x t", "enter")
        assert source.rig.acts("note")[0][1] == "fq x t"
        assert source.controls.armed
        done = [act for act, _, _ in source.rig.acts("mark", "position", "undo")]
        assert done == ["mark", "position", "undo"]
        await press(pilot, "g", "5", "escape")
        assert source.rig.powers[-1] == 80
        assert not source.controls.armed


async def test_a_slap_on_the_keyboard_lets_go_whatever_the_keys() -> None:
    source = riding(armed=True)
    app = BenchApp(source, poll_hz=0)
    async with app.run_test(size=SIZE) as pilot:
        await pilot.pause()
        await press(pilot, "m", "d", "m")
        assert source.rig.powers[-1] == 80
        assert ("trainer", "safe target: several keys at once", "hub") in source.rig.acts("trainer")


async def test_leaving_by_the_interrupt_key_does_not_let_go_by_itself_but_q_does() -> None:
    source = riding(armed=True)
    app = BenchApp(source, poll_hz=0)
    async with app.run_test(size=SIZE) as pilot:
        await press(pilot, "ctrl+c")
        assert "recording goes on" in shown(app)
        await press(pilot, "q")
    assert app.return_value == "left"
    assert source.rig.powers[-1] == 80


async def test_a_watching_screen_can_neither_arm_nor_let_go() -> None:
    source = riding(armed=True)
    app = BenchApp(source, poll_hz=0, read_only=True)
    async with app.run_test(size=SIZE) as pilot:
        acts = len(source.rig.records)
        for key in ("t", "space", "o", "l", "p", "s", "y", "n", "x"):
            await pilot.press(key, "enter", "escape")
        assert source.controls.armed
        assert len(source.rig.records) == acts
        assert source.finished == 0
        await settle(app, pilot)
        assert "watching only" in shown(app)


async def test_control_that_was_taken_and_an_eased_target_are_loud() -> None:
    source = riding(armed=True)
    app = BenchApp(source, poll_hz=0)
    rung: list[int] = []
    async with app.run_test(size=SIZE) as pilot:
        app.bell = lambda: rung.append(1)  # type: ignore[method-assign]
        from capture.record import Packet

        now = source.rig.records[-1].t_ns
        source.rig.take(Packet(now, "hub", "2ADA", b"\xff"))
        await settle(app, pilot)
        # The safe target is tried once before the trainer is left to the other program.
        at_s = now / 1e9
        await advance(app, pilot, source, at_s + 3.0)
        assert source.rig.powers[-1] == 80
        assert "TAKEN by another program; t takes it back" in shown(app)
        await press(pilot, "t", "enter")
        await advance(app, pilot, source, 47)
        assert source.controls.armed
        assert source.rig.powers[-1] == 150


async def test_without_a_trainer_the_key_says_so() -> None:
    source = riding()
    source.controls.trainers._all.clear()
    app = BenchApp(source, poll_hz=0)
    async with app.run_test(size=SIZE) as pilot:
        await press(pilot, "t", "enter")
        assert "no trainer that could be commanded" in shown(app)


async def test_a_recorder_that_dies_while_it_holds_the_trainer_is_the_loudest_word() -> None:
    source = riding(armed=True)
    app = BenchApp(source, poll_hz=0)
    async with app.run_test(size=SIZE) as pilot:
        await settle(app, pilot)
        source.controls.cut_off()
        source.closed, source.closed_why = True, "The recorder is gone"
        await settle(app, pilot)
        text = " ".join(shown(app).split())
        assert "NOBODY COMMANDS THE TRAINER" in text
        assert "STOP PEDALLING, switch hub off: it may go on holding 150 W" in text


async def test_gears_of_other_screens_are_offered() -> None:
    source = riding()
    source.rig.take(Act(source.rig.records[-1].t_ns, "gear", "34x28"))
    app = BenchApp(source, poll_hz=0)
    async with app.run_test(size=SIZE) as pilot:
        await press(pilot, "g", *"50x17", "enter", "g")
        assert "(up: 50x17, 34x28)" in shown(app)
        await press(pilot, "up", "up", "enter")
        assert [text for _, text, _ in source.rig.acts("gear")] == ["34x28", "50x17", "34x28"]


# -- protocol, position, undo


async def test_keys_of_the_protocol_and_of_the_rider() -> None:
    source = riding()
    app = BenchApp(source, poll_hz=0)
    async with app.run_test(size=SIZE) as pilot:
        await press(pilot, "p")
        await settle(app, pilot)
        assert "PAUSED: low" in shown(app)
        await press(pilot, "p")
        await settle(app, pilot)
        assert "PAUSED" not in shown(app)
        await press(pilot, "r")
        assert "once more: low" in shown(app)
        await press(pilot, "y")
        assert "no block is proposed" in shown(app)
        await press(pilot, "d", "d")
        assert [text for _, text, _ in source.rig.acts("position")] == ["standing", "seated"]
        await advance(app, pilot, source, 42)
        await press(pilot, "u")
        assert "taken back: position seated" in shown(app)
        await press(pilot, "s")
        await advance(app, pilot, source, 43)
        assert "2/3" in shown(app)


async def test_the_proposed_block_is_inserted_by_one_key() -> None:
    source = riding(70)
    app = BenchApp(source, poll_hz=0)
    async with app.run_test(size=SIZE) as pilot:
        await settle(app, pilot)
        assert "y rides 150 W" in shown(app)
        await press(pilot, "y")
        await advance(app, pilot, source, 71)
        assert "comes next: settle crank: 150 W" in shown(app)
        assert source.rig.runner.following is not None
        assert source.rig.runner.following.name == "settle crank: 150 W at 90 rpm"
        assert "y rides" not in shown(app)


async def test_next_within_two_seconds_after_a_change_asks() -> None:
    source = riding()
    app = BenchApp(source, poll_hz=0)
    async with app.run_test(size=SIZE) as pilot:
        await press(pilot, "s")  # long after the last change: at once
        await advance(app, pilot, source, 41)
        assert "2/3" in shown(app)
        await press(pilot, "s")
        assert "high has just begun.  Enter: on to" in shown(app)
        await press(pilot, "s", "escape")
        await advance(app, pilot, source, 41.5)
        assert "2/3" in shown(app)
        await press(pilot, "s", "enter")
        await advance(app, pilot, source, 43)
        assert "3/3" in shown(app)


async def test_a_protocol_that_is_ready_is_begun_by_its_key_after_the_checks() -> None:
    source = Riding(Rig(ridden=STANDING).until(20))
    app = BenchApp(source, poll_hz=0)
    async with app.run_test(size=SIZE) as pilot:
        await press(pilot, "escape", "s")
        await settle(app, pilot)
        # `s` leads to what it waits for.
        assert "to mend or to override" in shown(app)
        await press(pilot, "enter", "enter")
        await advance(app, pilot, source, 60)
        assert "READY: s or the first turn of the cranks begins low, 150 W at 90 rpm" in shown(app)
        assert source.rig.acts("segment") == []
        await press(pilot, "s")
        await advance(app, pilot, source, 62)
        assert "1/3" in shown(app)


async def test_at_its_end_it_says_which_keys_go_on() -> None:
    source = riding()
    source.rig.take(Act(source.rig.records[-1].t_ns, "segment", AFTER))
    app = BenchApp(source, poll_hz=0)
    async with app.run_test(size=SIZE) as pilot:
        await settle(app, pilot)
        assert "finished: f closes, s one more, r repeats" in shown(app)
        await press(pilot, "r")
        last = source.rig.runner.plan[-1].name
        assert source.rig.acts("segment")[-1][1] == last
        await advance(app, pilot, source, 43)
        assert "3/3" in shown(app)
        source.rig.take(Act(source.rig.records[-1].t_ns, "segment", AFTER))
        await settle(app, pilot)
        await press(pilot, "s", *"more", "enter")
        assert source.rig.acts("segment")[-1][1] == "more"


async def test_of_two_trainers_the_key_asks_which() -> None:
    text = TWO_TRAINERS
    bench = parse_bench(text)
    controls = Controls(bench, Pipeline(bench))
    source: Any = Frozen(calm())
    source.controls = controls
    app = BenchApp(source, poll_hz=0)
    async with app.run_test(size=SIZE) as pilot:
        source.now = replace(calm(), lanes=tuple(replace(lane, label=label) for lane, label in
                             zip(calm().lanes, ("hub", "pedals", "roller"), strict=False)))  # fmt: skip
        await settle(app, pilot)
        await press(pilot, "t")
        assert "ARM which?  1 hub  3 roller  Esc none" in shown(app)
        await press(pilot, "2")
        assert "ARM which?" in shown(app)
        await press(pilot, "3")
        assert "ARM roller, at most 400 W?" in shown(app)
        await press(pilot, "enter")
        assert "roller is not heard" in shown(app)


def test_only_who_can_is_offered_a_zero_offset_and_a_crank_length() -> None:
    """The features of 0x2A65 (Bluetooth, Cycling Power Service): bits 9, 12, 19; not reported is not no."""
    bench = parse_bench(TWO_TRAINERS)
    controls = Controls(bench, Pipeline(bench))
    assert controls.labels("zero") == ("pedals", "roller")  # the roller's is its own spin-down
    facts = controls.pipeline.facts.reported[controls.pipeline.index["pedals"]]
    facts.update(Feature(1 << 12).reading().facts or {})
    assert controls.labels("zero") == ("roller",)
    assert controls.labels("crank-length") == ("pedals",)
    facts.update(Feature(1 << 19).reading().facts or {})
    assert "pedals" in controls.labels("zero")
    assert controls.labels("crank-length") == ()


# -- zero offset and crank length


async def test_a_zero_offset_by_keys_and_its_refusal_while_the_crank_turns() -> None:
    source = riding()
    app = BenchApp(source, poll_hz=0)
    async with app.run_test(size=SIZE) as pilot:
        await press(pilot, "o")
        assert "zero offset of which?  2 crank  3 pedals" in shown(app)
        await press(pilot, "1")  # the hub has none: the question stays
        assert "zero offset of which?" in shown(app)
        await press(pilot, "2")
        await settle(app, pilot)
        assert "zero crank: unload the pedals, crank still" in shown(app)
        assert source.looked_up == ["crank"]
        await press(pilot, "enter")
        assert "the crank turns" in shown(app)
        assert source.rig.acts("zeroed", "zero-failed") == []
        await press(pilot, "escape")
        await settle(app, pilot)
        assert "zero crank" not in shown(app)


async def test_a_zero_offset_by_keys_that_succeeds() -> None:
    source = Riding(Rig("ant", {"name": "rest", "seconds": 900, "stand": True}).until(10))
    app = BenchApp(source, poll_hz=0)
    async with app.run_test(size=SIZE) as pilot:
        await press(pilot, "o", "3", "enter")
        await settle(app, pilot)
        assert "zeroing pedals, waiting for its answer" in shown(app)
        await advance(app, pilot, source, 13)
        assert "zeroed pedals: " in shown(app)
        assert [whom for _, _, whom in source.rig.acts("zeroed")] == ["pedals"]


async def test_auto_zero_is_offered_to_who_has_told_of_one() -> None:
    source = Riding(Rig("ant", {"name": "rest", "seconds": 900, "stand": True}, auto_zero=True).until(10))
    app = BenchApp(source, poll_hz=0)
    async with app.run_test(size=SIZE) as pilot:
        await press(pilot, "o", "a")  # to which?
        assert "zero offset of which?" in shown(app)
        await press(pilot, "2")
        await settle(app, pilot)
        assert "Enter: zero it   Esc: not now" in shown(app)
        await press(pilot, "a")  # it has not told yet
        assert source.rig.acts("acknowledge") == []
        await press(pilot, "enter")
        await advance(app, pilot, source, 13)
        await press(pilot, "o", "a", "2")
        await settle(app, pilot)
        assert "Enter: zero it   a: switch its auto-zero off   Esc: not now" in shown(app)
        await press(pilot, "a")
        await settle(app, pilot)
        assert "switching crank, waiting for its answer" in shown(app)
        await advance(app, pilot, source, 16)
        assert "auto-zero of crank: off" in shown(app)
        assert source.rig.acts("auto-zero") == [("auto-zero", "off", "crank")]
        assert len(source.rig.acts("zeroed")) == 1


@pytest.mark.slow
async def test_a_crank_length_is_set_only_when_it_was_typed_twice() -> None:
    source = riding()
    app = BenchApp(source, poll_hz=0)
    async with app.run_test(size=SIZE) as pilot:
        await press(pilot, "l", "2")
        await advance(app, pilot, source, 42)
        # What it says stands in the question, where it is not covered by it.
        assert "crank 172.5 mm, mounted 170. New mm or Enter:" in shown(app)
        await press(pilot, *"17x", "enter")
        assert "17x is no length in mm" in shown(app)
        await press(pilot, "l", "2")
        await advance(app, pilot, source, 44)
        await press(pilot, *"170", "enter")
        assert "type 170 once more to set crank to 170 mm" in shown(app)
        await press(pilot, *"175", "enter")
        assert "nothing was set" in shown(app)
        await press(pilot, "l", "2")
        await advance(app, pilot, source, 46)
        await press(pilot, *"170", "enter")
        await press(pilot, *"170,0", "enter")
        await advance(app, pilot, source, 50)
        assert "now set, crank: 170 mm" in shown(app)
        assert source.rig.acts("crank-length-set") == [("crank-length-set", "170 mm", "crank")]
        await press(pilot, "l", "2", "enter")
        assert len(source.rig.acts("crank-length-set")) == 1


# -- spoken and rung


async def test_words_are_spoken_and_the_bell_is_an_addition() -> None:
    source, spoken = riding(), list[str]()
    app = BenchApp(source, poll_hz=0, speaker=spoken.append)
    rung: list[str] = []
    async with app.run_test(size=SIZE) as pilot:
        app.bell = lambda: rung.append("bell")  # type: ignore[method-assign]
        await settle(app, pilot)
        for t_s in range(41, 86):
            source.rig.until(t_s)
            app.poll()
        assert "high, 400 W at 90 rpm" in spoken
        assert len(rung) >= 2  # three seconds before the end, and at the beginning


# -- drawing


TRAINER = TrainerView("hub", "held", "230 W → 250 W", 230.0, 250.0, 400.0)
RIDE = RideView(TRAINER, "", "", "seated")
NEXT = Block("sprint", 10.0, None, None, "sprint")


def test_lines_for_the_rider_the_most_pressing_first() -> None:
    segment = Segment("over", 800.0, 3, 6, 330.0, 90.0, 8.4, "sprint", "hold", next=NEXT)
    view = calm(segment=segment, suggestion=Suggestion("heron: why", Block("tell heron", 120.0, 200.0, 60.0)))
    lines = rider_lines(view, RIDE._replace(asking="zero heron", stage="prompt"))
    assert [line.text.split()[0] for line in lines] == ["zero", "NEXT", "y"]
    assert lines[1].text == "NEXT in 8 s: sprint, sprint"
    loud = TRAINER._replace(phase="taken", words="TAKEN", loud=True)
    assert rider_lines(view, RIDE._replace(trainer=loud))[0].style is LOUD
    paused = replace(segment, paused=True)
    (line, *_) = rider_lines(replace(view, segment=paused), None)
    assert (line.text, line.style) == ("PAUSED: over, 0:08 left   p: go on", ASK)
    assert rider_lines(calm(segment=None), None) == []


def header(view: View, trainer: TrainerView | None, size: tuple[int, int] = (80, 2)) -> Canvas:
    canvas = Canvas(*size, GROUND)
    draw_header(canvas, canvas.box, view, trainer)
    return canvas


@pytest.mark.parametrize("size", [(80, 2), (120, 3)])
def test_the_trainer_stands_in_the_header_from_its_first_arming_on(size: tuple[int, int]) -> None:
    view = calm()
    never = TRAINER._replace(phase="off", words="not armed")
    assert "TRAINER" not in header(view, never, size).text()
    assert "TRAINER hub 230 W → 250 W, max 400 W" in header(view, TRAINER, size).text()
    let_go = TRAINER._replace(phase="off", words="released, holds 80 W, t arms again", ever=True)
    assert "TRAINER hub released, holds 80 W, t arms again" in header(view, let_go, size).text()
    troubled = never._replace(words="not armed: its link was lost", troubled=True)
    assert "its link was lost" in header(view, troubled, size).text()


def test_the_target_is_dimmed_once_nobody_holds_it_any_more() -> None:
    def target(trainer: TrainerView | None) -> Any:
        canvas = header(calm(), trainer)
        return next(style for text, style in canvas.row(1) if "330 W" in text)

    assert target(None) is BOLD
    assert target(TRAINER._replace(ever=True)) is BOLD
    assert target(TRAINER._replace(phase="off", ever=True)) is FAINT
    # Without a trainer that was ever armed the rider holds it himself.
    assert target(TRAINER._replace(phase="off")) is BOLD


def test_every_key_and_every_sign_is_on_the_help_page() -> None:
    keys = [key for key, *_ in (*KEYS, *HANDS, *LOOKS)]
    assert len(set(keys)) == len(keys)
    for width in (80, 120, 200):
        text = help_page(width, False, True).text()
        for key in keys:
            assert f" {key} " in text
        assert "any other key drops it to its" in text
    # Every sign that a mark, a lane or the trace may show.
    for sign in "┃░├─█┤║◀▶✓✗?!◌~○·━╍┅╌┈┄┉╴|^…●":
        assert sign in text, sign
    for title in (
        "Keys of the bench",
        "Keys of a page",
        "Signs of a lane",
        "The trace",
        "Open findings",
        "Checks",
    ):
        assert title in text
    # Keys that hold the trainer are keys that exist, and those that let go are not among them.
    assert {key.replace("?", "question_mark") for key in keys} | {"up", "down", "m", "k"} >= HOLDING
    assert not {"space", "t", "o", "l", "q", "f", "z"} & HOLDING


async def test_a_long_page_scrolls_by_keys_to_its_end_and_back() -> None:
    app = BenchApp(riding(), poll_hz=0)
    async with app.run_test(size=SIZE) as pilot:
        await press(pilot, "question_mark")
        top = shown(app)
        assert "more rows: PgDn, j" in top
        await press(pilot, "j", "down", "k", "up")
        assert shown(app) == top
        await press(pilot, *["pagedown"] * 9)
        assert "the end: PgUp, k" in shown(app)
        assert "qualified people" in shown(app)
        await press(pilot, *["pageup"] * 9)
        assert shown(app) == top
        await press(pilot, "question_mark", "question_mark")
        assert shown(app) == top


@pytest.mark.parametrize("width", [80, 100, 118, 200])
@pytest.mark.parametrize("alarms", [False, True])
def test_the_bottom_line_has_room_for_its_keys(width: int, alarms: bool) -> None:
    canvas = Canvas(width, 1, GROUND)
    draw_keys(canvas, 0, False, True, alarms, armed=True)
    words = canvas.text().split()
    assert words[0] == "m"
    assert words[-2:] == ["q", "leave"]
    assert ("ack" in words) == alarms
    assert "space" not in words


STATES = st.sampled_from(["ok", "wait", "untold", "warn", "red"])
ITEMS = st.builds(Item, st.sampled_from(["link", "disk"]), STATES, st.text(max_size=90), st.text(max_size=90))


@settings(max_examples=40, deadline=None)
@given(
    groups=st.lists(st.builds(Checked, st.text(max_size=9), st.tuples(ITEMS, ITEMS)), max_size=9),
    size=st.sampled_from([(80, 24), (120, 40), (80, 8)]),
    ready=st.booleans(),
)
def test_no_checks_break_the_drawing(groups: list[Checked], size: tuple[int, int], ready: bool) -> None:
    checks = Checks(10.0, tuple(groups), ready)
    face = Face(page="checks", checks=checks, hands=True)
    assert draw_sheet(calm(), *size, face).text()
    assert checks_page(checks, size[0]).width == size[0]


def test_what_stops_comes_first_and_the_verdict_stands_below() -> None:
    many = tuple(Item("radio", "warn", f"number {n}", "look") for n in range(30))
    stop = Item("link", "red", "not heard", "turn its crank")
    checks = Checks(1.0, (Checked("a", many), Checked("b", (stop,))), False)
    lines = draw_sheet(calm(), 80, 24, Face(page="checks", checks=checks)).text().split("\n")
    assert lines[3].strip() == "b ✗ not heard: turn its crank"
    assert lines[-2].startswith(" 1 to mend")
    assert "more rows: PgDn" in lines[-3]
    assert "no checks" in checks_page(None, 80).text()
    canvas = Canvas(80, 1, GROUND)
    draw_verdict(canvas, canvas.box, None, False)
    assert canvas.text() == ""


@pytest.mark.parametrize("segment", [
    None, Segment("x", 0.0), Segment("a" * 60, 0.0, 1, 2, 9999.0, 120.0, 36000.0, "n", "hold"),
    Segment("sprint", 0.0, 1, 2, None, None, 3.0, None, "sprint"),
    Segment("free", 0.0, 1, 2, None, None, 3.0, None, "free", paused=True),
])  # fmt: skip
def test_big_figures_of_anything(segment: Segment | None) -> None:
    for size in ((80, 20), (120, 40), (80, 5)):
        canvas = Canvas(*size, GROUND)
        draw_big(canvas, Box(0, 0, *size), calm(segment=segment), RIDE)


@pytest.mark.parametrize(("load", "paused", "word"), [("sprint", False, "SPRINT"), ("free", False, "FREE"),
                                                      ("hold", True, "PAUSE")])  # fmt: skip
@pytest.mark.parametrize("size", [(80, 20), (120, 40)])
def test_words_in_the_place_of_a_target_are_as_large_as_it(
    load: str, paused: bool, word: str, size: tuple[int, int]
) -> None:
    segment = Segment("x", 0.0, 1, 2, None, None, 3.0, None, load, paused=paused)
    canvas = Canvas(*size, GROUND)
    draw_big(canvas, Box(0, 0, *size), calm(segment=segment), RIDE)
    assert stands_large(canvas.text(), word) >= (1 if size[0] < 100 else 2)


def stands_large(text: str, word: str, at_x: int = 2) -> int:
    """The largest size in which a word stands in the column of figures; 0: it does not."""
    lines = text.splitlines()
    found = 0
    for scale in SCALES:
        drawn = Canvas(figure_width(word, scale), figure_rows(scale), GROUND)
        draw_figures(drawn, 0, 0, word, scale, BOLD)
        wanted = [line.rstrip() for line in drawn.text().splitlines()]
        for y in range(len(lines)):
            window = [line[at_x : at_x + drawn.width].rstrip() for line in lines[y : y + len(wanted)]]
            found = scale if window == wanted else found
    return found


@pytest.mark.parametrize("size", [(80, 24), (120, 40)])
@pytest.mark.parametrize(
    ("block", "word"),
    [
        (Block("under 1/6", 30.0, 170.0, 85.0, "hold"), "170"),
        (Block("roll", 30.0, None, None, "free"), "FREE"),
        (Block("ramp", 300.0, 120.0, 90.0, "ramp"), "120"),
    ],
)
def test_what_comes_next_is_large_too(block: Block, word: str, size: tuple[int, int]) -> None:
    segment = Segment("over", 800.0, 3, 6, 330.0, 90.0, 8.4, block.name, "hold", next=block)
    view = calm(segment=segment, suggestion=Suggestion("heron: why", Block("tell heron", 120.0, 200.0, 60.0)))
    text = draw_sheet(view, *size, Face(page="big", hands=True, ride=RIDE)).text()
    assert stands_large(text, word) >= (1 if size[0] < 100 else 2)
    assert f"for {clock(block.seconds)}" in text
    assert "NEXT in 8 s" in text
    assert "TRAINER hub" in text


@pytest.mark.parametrize(("size", "scale"), [((80, 24), 2), ((100, 30), 2), ((120, 40), 3), ((200, 60), 5)])
def test_the_large_page_has_verdict_side_deviation_target_time_left_and_turns(
    size: tuple[int, int], scale: int
) -> None:
    """All of them large, on every screen that shows all, and larger on a larger one."""
    text = draw_sheet(differs(), *size, Face(page="big", hands=True, ride=RIDE)).text()
    half = size[0] // 2 + 2
    for word, at_x in (("+8.6", 2), ("HIGH", half), ("330", 2), ("0:18", half), ("331", 2), ("90", half)):
        assert stands_large(text, word, at_x) == scale, word
    for words in ("RIGHT side", "±0.8", "limit 3.0", "last 0:30", "target", "left", "rpm of 90", "W hub"):
        assert words in text


def test_what_the_checks_say_is_never_cut() -> None:
    words = ", ".join(f"word {n}" for n in range(60))
    checks = Checks(1.0, (Checked("a", (Item("identity", "ok", words),)),), False)
    text = checks_page(checks, 80).text()
    assert "word 59" in text
    assert "…" not in text


def test_a_line_says_the_short_form_where_the_long_one_has_no_room() -> None:
    line = Line("y rides 200 W at 60 rpm for 2:00 next: because of this and that", QUIET, "y rides 200 W")
    for width, text in ((90, line.text), (40, line.short)):
        canvas = Canvas(width, 1, GROUND)
        draw_line(canvas, canvas.box, line)
        assert canvas.text().strip() == text


def test_the_reason_of_a_proposal_is_never_cut() -> None:
    """Beside the proposal where there is room, else in the rows of advice, before all other advice."""
    words = ("heron: scale or zero offset? Another torque tells", "spider-unit-two is undecided, two steady "
             "minutes would settle it")  # fmt: skip
    for reason in words:
        view = replace(calm(), suggestion=Suggestion(reason, Block("tell heron", 120.0, 200.0, 60.0)))
        for size in ((80, 24), (100, 30), (120, 40)):
            lines = draw_sheet(view, *size, Face(hands=True, ride=RIDE)).text().split("\n")
            assert "y rides 200 W at 60 rpm for 2:00 next" in "\n".join(lines)
            assert reason in " ".join(" ".join(lines).replace("DO: ", "").split())


@pytest.mark.parametrize("size", [(80, 24), (120, 40)])
@pytest.mark.parametrize(
    ("values", "words"),
    [
        (
            {"verdict": "differs", "deviation_percent": 4.1, "u95_percent": 0.9, "limit_percent": 1.8,
             "raised": ("power-off",)},
            "heron  ±0.9, limit 1.8",
        ),
        (
            {"verdict": "agrees", "deviation_percent": 0.2, "u95_percent": 0.9, "limit_percent": 1.8},
            "heron  ±0.9, limit 1.8",
        ),
        (
            {"verdict": "undecided", "deviation_percent": 9.0, "u95_percent": 5.4, "limit_percent": 1.8},
            "heron: measuring",
        ),
    ],
)  # fmt: skip
def test_big_figures_have_the_verdict_on_the_worst_unit_on_test(
    values: dict[str, Any], words: str, size: tuple[int, int]
) -> None:
    view = calm()
    lane = replace(
        view.lanes[0], label="heron", role="on-test", mount="crank", heard="heard", basis="", **values
    )
    others = [replace(each, role="witness") for each in view.lanes[1:]]
    view = replace(view, lanes=[lane, *others])
    assert words in draw_sheet(view, *size, Face(page="big", hands=True, ride=RIDE)).text()


def test_pictures_are_kept_beside_the_others() -> None:
    names: list[Any] = ["checks", "held", "big", "help-hands"]
    assert all((Path(__file__).parent / "pictures" / f"{name}-80x24.txt").exists() for name in names)
    assert Act(0, "mark").moment_ns == 0
