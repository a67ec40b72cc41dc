"""The protocol while it is ridden: begun by the clock or by keys, paused, repeated, extended, taken back."""

import itertools
import tomllib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from capture.record import Act, End, Header, Packet, Record, Tick
from capture.scene.definition import parse_segments
from monitor.live.advice.suggestion import HELD_S, alternates, existing
from monitor.live.pipeline import Pipeline
from monitor.live.runner import ASK_AGAIN_S, START_WITHIN_S, Runner, undo_text, undone
from monitor.live.screen import view_of
from monitor.live.view import Block
from monitor.setup.bench import parse_bench
from monitor.setup.protocol import (
    AFTER,
    PAUSE,
    Segment,
    load_protocol,
    parse_protocol,
    read_segment,
    segment_line,
)
from monitor.setup.toml_check import BenchError
from monitor.study.recording import collect
from monitor.study.segments import spans_of

S = 1_000_000_000
PROTOCOLS = Path(__file__).parent.parent / "fixtures" / "protocols"
PROTOCOL = """\
[[segment]]
name = "low"
seconds = 60
target_w = 150
cadence_rpm = 90
why = "First point of the line."

[[segment]]
name = "ramp"
seconds = 100
ramp_w = [100, 300]

[[segment]]
name = "sprint"
seconds = 10
sprint = true
"""


class Evening:
    """A runner and its record: what is due is begun at once, as a session does."""

    def __init__(self, text: str = PROTOCOL, **how: object) -> None:
        self.runner = Runner(parse_protocol(text), **how)  # type: ignore[arg-type]
        self.t_s = 0.0
        self.acts: list[Act] = []

    def act(self, act: str, text: str = "", at_s: float = 0.0) -> Act:
        done = Act(round(self.t_s * S), act, text, "", round(at_s * S))
        self.acts.append(done)
        self.runner.take(done)
        return done

    def until(self, t_s: float, heard: bool = True) -> "Evening":
        while self.t_s < t_s:
            self.t_s += 1.0
            name = self.runner.due(self.t_s, heard, 60.0 if heard else 5.0)
            if name is not None:
                self.act("segment", name)
        return self

    @property
    def begun(self) -> list[tuple[float, str]]:
        return [(act.t_ns / S, act.text) for act in self.acts if act.act == "segment"]


def test_it_runs_by_itself_to_its_end() -> None:
    evening = Evening().until(300)
    assert evening.begun == [(1, "low"), (61, "ramp"), (161, "sprint"), (171, AFTER)]
    assert evening.runner.following is None
    view = evening.runner.view(200)
    assert view is not None
    assert (view.name, view.left_s, view.target_w) == (AFTER, None, None)


def test_what_a_screen_announces() -> None:
    evening = Evening().until(41)
    view = evening.runner.view(41.0)
    assert view is not None
    assert (view.name, view.number, view.count, view.target_w, view.cadence_rpm) == ("low", 1, 3, 150, 90)
    assert (view.left_s, view.load, view.why) == (20.0, "hold", "First point of the line.")
    assert view.next == Block("ramp", 100, 100, None, "ramp")
    evening.until(86)
    assert evening.runner.target_w(86.0) == 150.0  # a quarter of the way from 100 to 300
    assert evening.runner.view(86.0).next == Block("sprint", 10, None, None, "sprint")  # type: ignore[union-attr]
    evening.until(165)
    assert evening.runner.target_w(165.0) is None


def test_a_pause_stops_the_clock_of_the_segment() -> None:
    evening = Evening().until(81)
    evening.act("segment", PAUSE)
    assert evening.runner.current is None
    assert evening.runner.target_w(100.0) is None
    evening.until(500)
    assert evening.begun[-1] == (81, PAUSE)  # nothing begins by itself
    view = evening.runner.view(500.0)
    assert view is not None
    assert (view.name, view.paused, view.left_s, view.target_w) == ("ramp", True, 80.0, None)
    evening.act("resume", "ramp")
    evening.act("segment", "ramp")
    assert evening.runner.target_w(500.0) == 140.0
    assert evening.runner.left_s(510.0) == 70.0
    evening.until(600)
    assert (580, "sprint") in evening.begun


def test_a_pause_of_nothing_is_a_name_like_others() -> None:
    evening = Evening()
    evening.act("segment", PAUSE)
    view = evening.runner.view(5.0)
    assert view is not None
    assert (view.name, view.paused) == (PAUSE, False)


def test_a_segment_is_skipped_and_repeated() -> None:
    evening = Evening().until(20)
    evening.act("segment", "ramp")
    evening.until(50)
    evening.act("repeat", "ramp")
    evening.act("segment", "ramp")
    assert evening.runner.left_s(50.0) == 100.0
    evening.until(151)
    assert evening.begun[-1] == (150, "sprint")


def test_the_repeated_one_of_two_names_alike_is_the_one_that_stands() -> None:
    evening = Evening(PROTOCOL + PROTOCOL).until(30)
    evening.act("repeat", "low")
    evening.act("segment", "low")
    evening.until(95)
    assert evening.begun[-1] == (90, "ramp")
    view = evening.runner.view(95.0)
    assert view is not None
    assert (view.number, view.count) == (2, 6)


BLOCK = Segment(name="tell crank: 200 W at 60 rpm", seconds=120.0, target_w=200.0, cadence_rpm=60.0)


def test_a_block_is_inserted_and_comes_next() -> None:
    evening = Evening().until(30)
    evening.act("insert", segment_line(BLOCK))
    assert evening.runner.following == BLOCK
    assert evening.runner.left_s(30.0) == 31.0  # the present one goes on
    evening.until(62)
    assert evening.begun[-1] == (61, BLOCK.name)
    assert evening.runner.target_w(62.0) == 200.0
    evening.until(182)
    assert evening.begun[-1] == (181, "ramp")
    known = evening.runner.known()
    assert known is not None
    assert [segment.name for segment in known.segments] == ["low", BLOCK.name, "ramp", "sprint"]


def test_a_block_after_the_protocol_waits_for_its_key() -> None:
    evening = Evening().until(200)
    evening.act("insert", segment_line(BLOCK))
    evening.until(300)
    assert evening.begun[-1] == (171, AFTER)
    assert evening.runner.following == BLOCK
    evening.act("segment", BLOCK.name)
    evening.until(421)
    assert evening.begun[-1] == (420, AFTER)


def test_blocks_of_one_name_can_be_told_apart() -> None:
    evening = Evening().until(30)
    for _ in range(3):
        evening.act("insert", segment_line(BLOCK))
    known = evening.runner.known()
    assert known is not None
    names = [segment.name for segment in known.segments]
    assert len(set(names)) == len(names)
    assert f"{BLOCK.name} (2)" in names


@pytest.mark.parametrize(
    "line", ["", "{}", "[]", "nonsense", '{"name":"x","seconds":-1,"free":true}', "\ud800"]
)
def test_what_is_no_block_is_not_inserted(line: str) -> None:
    evening = Evening().until(30)
    evening.act("insert", line)
    assert evening.runner.inserted == []


def test_the_last_act_is_taken_back() -> None:
    evening = Evening().until(30)
    wrong = evening.act("segment", "sprint")
    evening.t_s = 33
    evening.act("undo", undo_text(wrong))
    # As if nothing had been: it goes on with what is left.
    assert evening.runner.left_s(33.0) == 28.0
    evening.until(70)
    assert evening.begun[-1] == (61, "ramp")
    block = evening.act("insert", segment_line(BLOCK))
    evening.act("undo", undo_text(block))
    assert evening.runner.following is not None
    assert evening.runner.following.name == "sprint"
    assert evening.runner.inserted == []


def test_a_pause_that_was_ended_by_mistake_goes_on() -> None:
    evening = Evening().until(30)
    evening.act("segment", PAUSE)
    evening.act("resume", "low")
    wrong = evening.act("segment", "low")
    evening.act("undo", undo_text(wrong))
    view = evening.runner.view(90.0)
    assert view is not None
    assert (view.paused, view.left_s) == (True, 31.0)


def test_what_was_overtaken_is_not_taken_back() -> None:
    evening = Evening().until(59)
    wrong = evening.act("insert", segment_line(BLOCK))
    evening.until(62)
    evening.act("undo", undo_text(wrong))
    assert evening.runner.view(62.0).name == BLOCK.name  # type: ignore[union-attr]


def test_undo_texts() -> None:
    act = Act(12_345_678_901, "gear", "50x17")
    assert undone(Act(0, "undo", undo_text(act))) == ("gear", 12_345_678_901)
    assert undone(Act(0, "undo", "nonsense")) is None
    assert undone(Act(0, "undo", "gear " + "9" * 40)) is None
    assert undone(act) is None


def test_a_segment_that_was_typed_begins_at_its_key() -> None:
    evening = Evening().until(30)
    evening.act("segment", "low again", at_s=24.0)
    assert evening.runner.view(30.0).start_s == 24.0  # type: ignore[union-attr]


def test_it_waits_for_the_pre_flight_checks() -> None:
    evening = Evening(waits=True).until(200)
    assert evening.begun == []
    evening.act("ready", "")
    evening.until(205)
    assert evening.begun[0] == (201, "low")


def test_who_is_ready_need_not_wait_for_an_instrument_that_is_missing() -> None:
    evening = Evening(waits=True)
    evening.act("ready", "")
    evening.until(3, heard=False)
    assert evening.begun == [(1, "low")]
    assert START_WITHIN_S > 3
    assert ASK_AGAIN_S > 1


def test_without_a_protocol_there_are_the_operators_own_segments() -> None:
    runner = Runner()
    assert runner.due(100.0, True, 60.0) is None
    assert runner.view(1.0) is None
    runner.take(Act(5 * S, "segment", "my block"))
    view = runner.view(9.0)
    assert view is not None
    assert (view.name, view.number, view.count, view.left_s) == ("my block", 1, 0, None)
    assert runner.known() is None


# -- the file


def test_a_target_of_nothing_is_a_target() -> None:
    (segment,) = parse_protocol('[[segment]]\nname = "rest"\nseconds = 60\ntarget_w = 0\n').segments
    assert segment.target_w == 0.0


GROUP = """\
[[segment]]
name = "over"
group = "over/under"
repeat = 3
seconds = 30
target_w = 300

[[segment]]
name = "under"
group = "over/under"
seconds = 20
target_w = 150

[[segment]]
name = "easy"
seconds = 60
free = true
"""


def test_groups_are_repeated_together() -> None:
    protocol = parse_protocol(GROUP)
    assert [segment.name for segment in protocol.segments] == [
        "over 1/3", "under 1/3", "over 2/3", "under 2/3", "over 3/3", "under 3/3", "easy",
    ]  # fmt: skip
    assert {segment.group for segment in protocol.segments} == {""}
    tables = tomllib.loads(GROUP)["segment"]
    assert [segment.name for segment in parse_segments(tables)] == [s.name for s in protocol.segments]
    assert protocol.total_s == 210


def test_groups_that_contradict_themselves_are_refused() -> None:
    with pytest.raises(BenchError, match='line 11, segment 2 "repeat": is 2, the group over/under has 3'):
        parse_protocol(GROUP.replace("seconds = 20", "repeat = 2\nseconds = 20"))
    with pytest.raises(BenchError, match="more than 1000 segments"):
        parse_protocol(GROUP.replace("repeat = 3", "repeat = 200") + "\n" + "\n".join(
            GROUP.replace("repeat = 3", "repeat = 200") for _ in range(3)))  # fmt: skip
    with pytest.raises(BenchError, match="has a meaning of its own"):
        parse_protocol(GROUP.replace('"easy"', '"pause"'))


@pytest.mark.parametrize("name", ["quick-check", "full-bench"])
def test_the_ready_protocols_run_to_their_end(name: str) -> None:
    runner = Runner(load_protocol(PROTOCOLS / f"{name}.toml"))
    begun = []
    for t_s in range(1, 5000):
        due = runner.due(float(t_s), True, 60.0)
        if due is not None:
            begun.append(due)
            runner.take(Act(t_s * S, "segment", due))
    assert begun[:-1] == [segment.name for segment in runner.protocol.segments]  # type: ignore[union-attr]
    assert begun[-1] == AFTER


SEGMENTS = st.builds(
    Segment,
    name=st.text(st.characters(codec="ascii", categories=["L", "N"]), min_size=1, max_size=20),
    seconds=st.floats(11, 4000),
    target_w=st.floats(0, 3000),
    cadence_rpm=st.none() | st.floats(10, 250),
    why=st.text(max_size=20).filter(str.isprintable),
)


@given(SEGMENTS)
def test_a_segment_goes_through_an_act(segment: Segment) -> None:
    assert read_segment(segment_line(segment)) == segment


WORDS = st.sampled_from(["segment", "pause", "resume", "repeat", "insert", "undo", "ready", "gear"])
TEXTS = st.sampled_from(
    ["low", "ramp", "sprint", PAUSE, AFTER, "x", "", segment_line(BLOCK), "segment 5000000000"]
)


@given(st.lists(st.tuples(WORDS, TEXTS, st.integers(0, 20))))
def test_any_acts_in_any_order_leave_it_sound(acts: list[tuple[str, str, int]]) -> None:
    runner = Runner(parse_protocol(PROTOCOL))
    t_s = 0
    for word, text, seconds in acts:
        t_s += seconds
        runner.take(Act(t_s * S, word, text))
        view = runner.view(float(t_s))
        assert view is None or view.left_s is None or view.left_s >= 0.0
        target_w = runner.target_w(float(t_s))
        assert target_w is None or 0.0 <= target_w <= 3000.0
        runner.due(float(t_s), True, 60.0)
        assert runner.known() is not None


# -- in the pipeline: what would settle it, and a gear that is taken back

BENCH = """\
[bench]
reference = "hub"
[[instrument]]
label = "hub"
mount = "hub"
link = "log:hub"
[[instrument]]
label = "crank"
link = "log:crank"
claim_percent = 1.0
"""


def steady(crank_gain: float, seconds: int) -> list[Record]:
    records: list[Record] = []
    for n in range(seconds * 4):
        t_ns = n * S // 4
        for label, gain in (("hub", 1.0), ("crank", crank_gain)):
            power = round(200 * gain + (n * 7919 % 5 - 2))
            revs = n * 90 // 240
            ticks = round(revs * 1024 * 60 / 90) & 0xFFFF
            data = b"\x20\x00" + power.to_bytes(2, "little") + revs.to_bytes(2, "little")
            records.append(Packet(t_ns, label, "2A63", data + ticks.to_bytes(2, "little")))
        if n % 4 == 0:
            records.append(Tick(t_ns, t_ns))
    return records


def test_the_block_that_would_settle_it_is_proposed() -> None:
    pipeline = Pipeline(parse_bench(BENCH))
    for record in steady(1.06, 150):
        pipeline.feed(record)
    view = view_of(pipeline)
    assert any(alarm.kind == "power-off" for alarm in view.alarms)
    assert view.suggestion is not None
    # All was ridden at one torque: another cadence at the same power tells scale from zero.
    assert view.suggestion.block == Block("tell crank: 200 W at 60 rpm", 120.0, 200.0, 60.0)
    assert "scale or zero offset" in view.suggestion.words


def test_what_is_undecided_asks_for_more_of_the_same() -> None:
    """The claims of 2 % and 1 % make a limit of 2.2 %, and it reads 2 % high."""
    pipeline = Pipeline(parse_bench(BENCH), parse_protocol(PROTOCOL))
    pipeline.feed(Act(0, "segment", "low"))
    proposed = {}
    for record in sorted([*steady(1.02, 90), Act(33 * S, "segment", "my block")], key=lambda r: r.t_ns):
        pipeline.feed(record)
        view = view_of(pipeline)
        proposed[view.t_s] = view.suggestion
    assert next(lane for lane in view.lanes if lane.label == "crank").verdict == "undecided"
    # The block had 27 s left, and might well have settled it; then 20 s belong to the new one.
    assert not any(each for t_s, each in proposed.items() if t_s < 53.0)
    assert proposed[60.0] is not None
    assert proposed[60.0].block == Block("settle crank: 200 W at 90 rpm", 120.0, 200.0, 90.0)


def test_a_block_of_the_protocol_serves_before_one_is_made_up() -> None:
    """Whose power is within 15 % of what is wanted, and its cadence within 10 rpm."""
    plan = parse_protocol(
        "\n".join(
            f'[[segment]]\nname = "{name}"\nseconds = {seconds}\ntarget_w = {target_w}\ncadence_rpm = {rpm}'
            for name, seconds, target_w, rpm in (
                ("a", 120, 250, 90), ("b", 120, 210, 65), ("c", 30, 200, 60), ("d", 90, 190, 61),
            )
        )
    ).segments  # fmt: skip
    assert existing(plan, 200.0, 60.0) == (210.0, 65.0)
    assert existing(plan, 195.0, 60.0) == (190.0, 61.0)
    assert existing(plan, 120.0, 60.0) == (120.0, 60.0)  # none serves
    assert existing((), 120.0, None) == (120.0, None)


def test_over_unders_are_known_by_taking_turns() -> None:
    def plan(*blocks: tuple[float, float]) -> tuple[Segment, ...]:
        return tuple(Segment(name=f"{n}", seconds=s, target_w=w) for n, (s, w) in enumerate(blocks))

    evening = plan((125, 220), (30, 220), *((15, 270), (15, 180)) * 3, (23, 120), (45, 250))
    assert [at for at in range(len(evening)) if alternates(evening, at)] == [2, 3, 4, 5, 6, 7]
    assert not any(alternates(plan((60, 150), (60, 400), (60, 150)), at) for at in range(3))
    assert not any(alternates(plan(*((180, 150), (180, 250)) * 3), at) for at in range(6))
    assert not alternates((), 0)


class Scripted:
    """What a proposal is made from, in the hands of a test."""

    def __init__(self, protocol: str) -> None:
        self.pipeline = Pipeline(parse_bench(BENCH), parse_protocol(protocol))
        for record in steady(1.06, 150):
            self.pipeline.feed(record)

    def proposed(self, t_s: float, begun: str | None = None) -> str | None:
        """The name of the block that is proposed at a time."""
        if begun is not None:
            self.pipeline.feed(Act(round(t_s * S), "segment", begun))
        self.pipeline.t_s = t_s
        suggestion = view_of(self.pipeline).suggestion
        return None if suggestion is None else suggestion.block.name


def test_a_proposal_has_no_place_in_ramps_over_unders_and_the_first_seconds() -> None:
    over_unders = "".join(
        f'[[segment]]\nname = "{name} {n}"\nseconds = 100\ntarget_w = {w}\n'
        for n in range(3)
        for name, w in (("over", 250), ("under", 150))
    )
    bench = Scripted(PROTOCOL + over_unders)
    assert bench.proposed(150.0) is not None
    for name in ("ramp", "sprint", "over 1", "under 2"):
        assert bench.proposed(200.0, name) is None
        assert bench.proposed(240.0) is None
    assert bench.proposed(300.0, "low") is None
    assert bench.proposed(319.0) is None
    assert bench.proposed(321.0) is not None
    assert bench.proposed(330.0, PAUSE) is None


def test_a_proposal_stands_for_twenty_seconds_whatever_comes() -> None:
    bench = Scripted(PROTOCOL)
    first = bench.proposed(150.0)
    assert first is not None
    bench.pipeline.watch.deviation.diagnoses.clear()
    bench.pipeline.alarms.known.clear()
    assert bench.proposed(150.0 + HELD_S - 0.5) == first
    assert bench.proposed(150.0 + HELD_S + 0.5) is None


def test_a_gear_is_taken_back() -> None:
    pipeline = Pipeline(parse_bench(BENCH))
    gears = [Act(S, "gear", "50x17"), Act(2 * S, "gear", "50x71")]
    for act in gears:
        pipeline.feed(act)
    pipeline.feed(Act(3 * S, "undo", undo_text(gears[1])))
    assert pipeline.watch.seen.gear == "50x17"
    assert pipeline.events[-1].text == "undo gear"
    pipeline.feed(Act(4 * S, "undo", undo_text(gears[0])))
    assert pipeline.watch.seen.gear == ""
    pipeline.feed(Act(5 * S, "insert", segment_line(BLOCK)))
    assert pipeline.events[-1].text == f"insert {BLOCK.name}, 120 s"


def test_an_inserted_block_is_studied_as_what_it_was() -> None:
    name = BLOCK.name
    told = ((1, "segment", "low"), (30, "insert", segment_line(BLOCK)), (40, "segment", name),
            (100, "segment", PAUSE), (110, "resume", name), (110, "segment", name))  # fmt: skip
    acts = [*(Act(t_s * S, act, text) for t_s, act, text in told), End(140 * S, "over")]
    records = sorted([*steady(1.0, 140), *acts], key=lambda record: record.t_ns)
    spans = spans_of(collect(Header(BENCH, "t", 0, PROTOCOL), records))
    assert [(span.name, span.start_s, span.kind, span.target_w) for span in spans] == [
        ("low", 1.0, "block", 150.0),
        (name, 40.0, "block", 200.0),
        (PAUSE, 100.0, "free", None),
        (name, 110.0, "block", 200.0),
    ]


def test_segments_last_as_long_as_they_say_although_the_clock_ticks_beside_them() -> None:
    """An act is recorded a moment after the tick that brought it; the error must not add up."""
    runner = Runner(parse_protocol(PROTOCOL))
    begun: list[tuple[str, float]] = []
    for n in range(200):
        t_s = n + 0.013
        if (name := runner.due(t_s, True, 60.0)) is not None:
            begun.append((name, t_s + 0.004))
            runner.take(Act(round(begun[-1][1] * S), "segment", name))
    assert [name for name, _ in begun] == ["low", "ramp", "sprint", AFTER]
    starts = [t_s for _, t_s in begun]
    assert [b - a for a, b in itertools.pairwise(starts)] == pytest.approx([60, 100, 10])
