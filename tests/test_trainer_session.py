"""From the saddle: keys through controls and session to the recorder, and back as records.

First on a virtual bench, then over connections that break, then torn by chance: no command above the
maximum, none that nobody armed, no act lost.
"""

import asyncio
from collections import Counter
from collections.abc import AsyncIterator, Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from capture.record import Act, End, Header, Link, Packet, Record, Reported, Tick, Write
from capture.scene import Scene
from capture.source import Wanted
from monitor.controls.controls import Controls, is_ridden
from monitor.controls.output import Ask, Do, Leave, RefusedKeyError
from monitor.controls.zeroing import Wish
from monitor.live.pipeline import Pipeline
from monitor.live.runner import Runner
from monitor.live.screen import view_of
from monitor.live.view import Block
from monitor.sessions.live.live_session import AGAIN_TICKS, LiveSession
from monitor.sessions.live.previous_zeros import earlier_zeros, unit_of
from monitor.setup.bench import parse_bench
from monitor.setup.protocol import parse_protocol
from storage.attach import CutOffError, RecorderError
from storage.connection.wire import LastWill
from storage.info import Clock, Listed, SessionInfo, write_info
from storage.journal import JournalWriter
from storage.session import create_session

S = 1_000_000_000
BENCH = """\
[bench]
reference = "hub"
[[instrument]]
label = "hub"
mount = "hub"
link = "scene:hub"
profile = "fitness-machine"
[[instrument]]
label = "crank"
link = "scene:crank"
crank_length_mm = 170
[[instrument]]
label = "pedals"
mount = "pedals"
sides = "both"
link = "scene:pedals"
[trainer]
max_w = 260
"""
PROTOCOL = """\
[[segment]]
name = "low"
seconds = 60
target_w = 150
cadence_rpm = 90
[[segment]]
name = "high"
seconds = 60
target_w = 400
cadence_rpm = 90
[[segment]]
name = "free"
seconds = 600
free = true
"""


class Rig:
    """A scene with controls; what comes out of it is done at once, as a recorder would."""

    def __init__(self, radio: str = "bluetooth", ridden: dict[str, Any] | None = None, **crank: Any) -> None:
        self.bench = parse_bench(BENCH)
        table = {
            "seed": 4,
            "instrument": {
                "hub": {"kind": "trainer"},
                "crank": {"kind": "crank", "radio": radio, "crank_length_mm": 172.5, **crank},
                "pedals": {"kind": "pedals", "radio": "ant"},
            },
        }
        wanted = [Wanted(each.label, each.link, each.profile) for each in self.bench.instruments]
        ride = ridden or {"name": "ride", "seconds": 900, "target_w": 150, "cadence_rpm": 90}
        self.scene = Scene(table, wanted, [ride])
        protocol = parse_protocol(PROTOCOL)
        self.runner = Runner(protocol, waits=True)
        self.pipeline = Pipeline(self.bench, protocol, runner=self.runner)
        self.controls = Controls(self.bench, self.pipeline, asks=True)
        self.ridden_s = 0.0
        self.records: list[Record] = []
        self.wills: list[Leave] = []
        self._source = self.scene.records()

    def until(self, t_s: float) -> "Rig":
        for record in self._source:
            if isinstance(record, Act):
                continue  # the segments of the scene's own ride
            self.take(record)
            if isinstance(record, Tick):
                now_s = record.t_ns / S
                self.ridden_s = self.ridden_s + 1.0 if is_ridden(self.pipeline, now_s) else 0.0
                name = self.runner.due(now_s, True, self.ridden_s)
                if name is not None:
                    self.take(Act(record.t_ns, "segment", name))
            self.flush(record.t_ns)
            if record.t_ns >= t_s * S:
                break
        return self

    def take(self, record: Record) -> None:
        self.records.append(record)
        self.pipeline.feed(record)
        self.controls.take(record)

    def flush(self, t_ns: int | None = None) -> None:
        now = self.records[-1].t_ns if t_ns is None else t_ns
        while self.controls.out:
            out, self.controls.out = self.controls.out, []
            for each in out:
                match each:
                    case Do(act, text, instrument, at_s):
                        self.take(Act(now, act, text, instrument, 0 if at_s is None else round(at_s * S)))
                    case Ask(instrument, (channel, data)):
                        outcome = self.scene.write(instrument, channel, data)
                        self.take(Write(now, instrument, channel, data, outcome))
                    case Leave():
                        self.wills.append(each)

    def acts(self, *words: str) -> list[tuple[str, str, str]]:
        return [(r.act, r.text, r.instrument) for r in self.records if isinstance(r, Act) and r.act in words]

    @property
    def powers(self) -> list[int]:
        return [
            int.from_bytes(r.data[1:3], "little", signed=True)
            for r in self.records
            if isinstance(r, Write) and r.channel == "2AD9" and r.data[:1] == b"\x05"
        ]


def test_a_ride_held_by_protocol_from_the_checks_to_the_safe_target() -> None:
    rig = Rig().until(20)
    assert rig.runner.current is None  # it waits for the checks
    overridden = rig.controls.ready(10**11)
    rig.flush()
    # The crank tells 172.5 mm where 170 are mounted: asked for at link-up, red, overridden on record.
    assert overridden == ["crank-length of crank"]
    assert rig.acts("override") == [("override", "crank-length: crank length 172.5 mm, mounted 170 mm: "
                                     "+1.5 % by that alone", "crank")]  # fmt: skip
    assert rig.acts("ready")[0][1].startswith("without waiting for warm-up")
    rig.until(25)
    rig.controls.arm()
    rig.until(60)
    assert rig.powers[0] == 80
    assert rig.powers[-1] == 150
    rig.until(120)
    # The protocol says 400 W, the bench allows 260.
    assert max(rig.powers) == 260
    view = rig.controls.view()
    assert view.trainer is not None
    assert view.trainer.target_w == 260
    rig.controls.fall("key x")
    rig.until(124)
    assert rig.powers[-1] == 80
    assert not rig.controls.armed
    assert not rig.controls.trainers.have_wills()
    assert [each.bequest.data == () for each in rig.wills] == [False, True]
    told = [text for _, text, _ in rig.acts("trainer")]
    assert told[0].startswith("armed: at most 260 W")
    assert told[-2:] == ["safe target: key x", "let go at 80 W"]


def test_a_pause_lets_the_target_down_and_going_on_brings_it_back() -> None:
    rig = Rig().until(20)
    rig.controls.ready(None)
    rig.until(21)
    rig.controls.arm()
    rig.until(50)
    assert rig.powers[-1] == 150
    assert rig.controls.pause() == "paused: low"
    rig.until(70)
    assert rig.powers[-1] == 80
    left_s = rig.runner.left_s(70.0)
    assert rig.controls.pause() == "on with low"
    rig.until(72)
    assert rig.runner.left_s(72.0) == pytest.approx((left_s or 0) - 2, abs=1.1)
    rig.until(80)
    assert rig.powers[-1] == 150
    assert rig.acts("segment", "resume")[-2:] == [("resume", "low", ""), ("segment", "low", "")]


def test_keys_of_the_protocol() -> None:
    rig = Rig().until(20)
    with pytest.raises(RefusedKeyError, match="no segment"):
        rig.controls.pause()
    with pytest.raises(RefusedKeyError, match="no segment"):
        rig.controls.repeat()
    with pytest.raises(RefusedKeyError, match="no block is proposed"):
        rig.controls.insert(None)
    rig.controls.ready(None)
    rig.until(40)
    assert rig.controls.repeat() == "low"
    rig.until(42)
    assert rig.runner.left_s(42.0) == pytest.approx(58, abs=1.1)
    rig.controls.act("segment", "mine")
    rig.until(42.5)
    assert view_of(rig.pipeline).suggestion is None  # it has just begun
    rig.until(65)
    suggestion = view_of(rig.pipeline).suggestion
    assert suggestion is not None
    name = rig.controls.insert(suggestion.block)
    rig.until(66)
    assert rig.runner.following is not None
    assert rig.runner.following.name == name
    with pytest.raises(RefusedKeyError, match="comes next already"):
        rig.controls.insert(suggestion.block)
    assert rig.controls.undo() == "insert"
    rig.until(44)
    assert rig.runner.following is not None
    assert rig.runner.following.name == "high"


def test_undo_takes_the_acts_of_this_screen_back_one_by_one() -> None:
    rig = Rig().until(10)
    with pytest.raises(RefusedKeyError, match="nothing to take back"):
        rig.controls.undo()
    rig.take(Act(10 * S, "mark", "by another screen"))
    rig.controls.act("mark")
    with pytest.raises(RefusedKeyError, match="not recorded yet"):
        rig.controls.undo()
    rig.until(11)
    rig.controls.act("gear", "50x17", at_s=10.5)
    assert rig.controls.toggle_position() == "standing"
    rig.until(12)
    assert rig.controls.view().position == "standing"
    assert [rig.controls.undo() for _ in range(3)] == ["position standing", "gear 50x17", "mark"]
    rig.until(13)
    assert [text.split()[0] for _, text, _ in rig.acts("undo")] == ["position", "gear", "mark"]
    (own,) = [r.t_ns for r in rig.records if isinstance(r, Act) and r.act == "mark" and not r.text]
    assert rig.acts("undo")[2][1] == f"mark {own}"
    with pytest.raises(RefusedKeyError, match="nothing"):
        rig.controls.undo()


def test_what_was_overtaken_can_not_be_taken_back() -> None:
    rig = Rig().until(20)
    rig.controls.ready(None)
    rig.until(77)
    rig.controls.act("segment", "low")
    rig.until(150)
    with pytest.raises(RefusedKeyError, match="too late: after segment low the next one has begun"):
        rig.controls.undo()


@pytest.mark.parametrize("radio", ["bluetooth", "ant"])
def test_a_zero_offset_from_the_keyboard(radio: str) -> None:
    rig = Rig(radio, {"name": "rest", "seconds": 900, "stand": True}).until(10)
    assert rig.controls.labels("zero") == ("crank", "pedals")
    rig.controls.earlier_zeros("crank", [("2026-11-20", 5000.0)])
    rig.controls.ask(Wish("zero", "crank"))
    assert "unload the pedals" in rig.controls.view().asking
    assert rig.controls.view().stage == "prompt"
    rig.controls.confirm()
    rig.until(11)
    assert rig.controls.view().stage == "asked"
    with pytest.raises(RefusedKeyError, match="yet to answer"):
        rig.controls.ask(Wish("zero", "pedals"))
    rig.until(14)
    assert rig.controls.view().asking == ""
    assert rig.controls.said.startswith("zeroed crank: ")
    assert rig.controls.said.endswith("before: 5000 on 2026-11-20")
    (zeroed,) = rig.acts("zeroed")
    assert zeroed[2] == "crank"
    assert rig.acts("zero-history") == [("zero-history", "5000 on 2026-11-20", "crank")]
    # Far from what it was in the earlier session: a finding.
    assert any(alarm.kind == "zero-jumped" for alarm in view_of(rig.pipeline).alarms)


def test_a_zero_offset_is_refused_while_the_crank_turns_and_drops_the_trainer() -> None:
    rig = Rig().until(20)
    rig.controls.arm()
    rig.until(25)
    assert rig.controls.turning
    rig.controls.ask(Wish("zero", "crank"))
    rig.flush()
    assert not rig.controls.armed
    assert rig.powers[-1] == 80
    with pytest.raises(RefusedKeyError, match=r"the crank turns \(\d+ rpm\)"):
        rig.controls.confirm()
    rig.controls.cancel()
    assert rig.controls.view().asking == ""
    with pytest.raises(RefusedKeyError, match="nothing waits"):
        rig.controls.confirm()
    with pytest.raises(RefusedKeyError, match="spin-down"):
        rig.controls.ask(Wish("zero", "hub"))


def test_auto_zero_is_switched_in_place_of_a_zero() -> None:
    rest = {"name": "rest", "seconds": 900, "stand": True}
    rig = Rig("ant", rest, auto_zero=True).until(10)
    assert rig.controls.auto_zero("crank") is None  # not told yet
    rig.controls.ask(Wish("zero", "crank"))
    assert not rig.controls.switch_auto_zero()
    rig.controls.confirm()
    rig.until(14)
    assert rig.acts("zeroed")[0][1].endswith("auto-zero on")
    for n, (state, on) in enumerate((("off", False), ("on", True)), 1):
        rig.controls.ask(Wish("zero", "crank"))
        assert rig.controls.switch_auto_zero()
        rig.until(14 + 4 * n)
        assert rig.controls.said == f"auto-zero of crank: {state}"
        assert rig.acts("auto-zero")[-1] == ("auto-zero", state, "crank")
        assert rig.controls.auto_zero("crank") is on
    assert len(rig.acts("zeroed")) == 1
    assert not rig.acts("auto-zero-failed")
    # An instrument without one has nothing to be switched.
    rig.controls.ask(Wish("zero", "pedals"))
    assert not rig.controls.switch_auto_zero()
    with pytest.raises(RefusedKeyError, match="zero by themselves"):
        Rig("bluetooth", rest).until(10).controls.ask(Wish("auto-zero", "crank", on=True))


@pytest.mark.parametrize("radio", ["bluetooth", "ant"])
def test_a_crank_length_is_set(radio: str) -> None:
    rig = Rig(radio).until(20)
    assert any(alarm.kind == "setting-differs" for alarm in view_of(rig.pipeline).alarms)
    rig.controls.ask(Wish("set-crank-length", "crank", 170.0))
    rig.until(30)
    assert rig.controls.said == "now set, crank: 170 mm"
    assert rig.acts("crank-length-set") == [("crank-length-set", "170 mm", "crank")]
    assert not any(alarm.kind == "setting-differs" for alarm in view_of(rig.pipeline).alarms)
    rig.controls.ask(Wish("crank-length", "crank"))
    rig.until(40)
    assert rig.controls.said == "crank length of crank: 170 mm"


def test_of_two_trainers_the_one_that_is_named_is_armed() -> None:
    text = BENCH.replace('link = "scene:crank"', 'link = "ant:trainer:7"').replace(
        "[trainer]\nmax_w = 260\n", ""
    )
    bench = parse_bench(text)
    controls = Controls(bench, Pipeline(bench))
    assert controls.trainers.labels() == ("hub", "crank")
    with pytest.raises(RefusedKeyError, match="which trainer"):
        controls.arm()
    with pytest.raises(RefusedKeyError, match="crank is not heard"):
        controls.arm("crank")
    bench = parse_bench(text + '[trainer]\nlabel = "crank"\n')
    controls = Controls(bench, Pipeline(bench))
    with pytest.raises(RefusedKeyError, match="crank is not heard"):
        controls.arm()
    bench = parse_bench('[bench]\nreference = "a"\n[[instrument]]\nlabel = "a"\nlink = "ant:power:5"\n')
    with pytest.raises(RefusedKeyError, match="no trainer"):
        Controls(bench, Pipeline(bench)).arm()


# -- over connections that break


class Straw:
    """A recorder that gives records, waits, and then does what it is told to."""

    def __init__(self, records: list[Record], then: Exception | None, wait_s: float = 0.02) -> None:
        self.records, self.then, self.wait_s = records, then, wait_s
        self.heard: list[tuple[Any, ...]] = []
        self.lives = 0

    async def batches(self) -> AsyncIterator[list[Record]]:
        yield self.records
        await asyncio.sleep(self.wait_s)
        if self.then is not None:
            raise self.then

    async def act(self, act: str, text: str = "", instrument: str = "", at_ns: int = 0) -> None:
        self.heard.append(("act", act, text))

    async def write(self, instrument: str, channel: str, data: bytes) -> None:
        self.heard.append(("write", instrument, data.hex()))

    async def will(self, will: LastWill) -> None:
        self.heard.append(("will", will.instrument, will.keep_alive_s))

    async def alive(self) -> None:
        self.lives += 1

    async def finish(self, reason: str = "finished") -> None:
        self.heard.append(("finish", reason))

    async def close(self) -> None:
        pass


def live(*straws: Straw | Exception, text: str = BENCH, folder: Path = Path("nowhere")) -> LiveSession:
    left = list(straws)

    async def again(since: int) -> Straw:
        straw = left.pop(0)
        if isinstance(straw, Exception):
            raise straw
        return straw

    return LiveSession(folder, again, parse_bench(text), now_ns=lambda: 0)  # type: ignore[arg-type]


REAL = BENCH.replace("scene:hub", "bluetooth:AA:BB:CC:DD:EE:FF")
BIKE = bytes.fromhex("4400000000000000")
UP: list[Record] = [Link(0, "hub", "up"), Packet(S, "hub", "2AD2", BIKE), Tick(S, S)]


async def test_arming_leaves_the_will_before_the_first_command_and_gives_signs_of_life(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr("monitor.sessions.live.live_session.KEEP_ALIVE_S", 0.04)
    straw = Straw(UP, CutOffError("slow"), wait_s=0.3)
    session = live(straw, Straw([End(2 * S, "over")], None), text=REAL)
    feeding = asyncio.create_task(session.feed())
    await asyncio.sleep(0.05)
    assert straw.lives == 0
    assert session.controls is not None
    session.controls.arm()
    session.pass_on()
    await feeding
    assert [each[0] for each in straw.heard] == ["act", "will", "write"]
    assert straw.heard[2] == ("write", "hub", "00")
    assert straw.lives > 3
    assert not session.controls.armed  # the connection broke


def test_a_screen_that_is_behind_arms_nothing_and_lets_go() -> None:
    now_s = 100.0
    bench = parse_bench(REAL)
    session = LiveSession(
        Path("nowhere"), lambda since: None, bench, now_ns=lambda: round(now_s * S),  # type: ignore[arg-type, return-value]
    )  # fmt: skip
    controls = session.controls
    assert controls is not None

    def second(n: int) -> None:
        for record in (Packet(n * S, "hub", "2AD2", BIKE), Tick(n * S, n * S)):
            session._take(record)

    session._take(Link(0, "hub", "up"))
    for n in range(1, 41):
        second(n)
    with pytest.raises(RefusedKeyError, match="60 s behind: arm when it has caught up"):
        controls.arm()
    for n in range(41, 100):
        second(n)
    controls.arm()
    assert controls.armed
    now_s = 102.0
    second(100)
    assert controls.armed
    now_s = 105.0
    second(101)
    assert not controls.armed
    assert any(each.done == Do("trainer", "safe target: this screen is 4 s behind", "hub")
               for each in session._outbox)  # fmt: skip


async def test_what_was_meant_for_the_trainer_is_not_sent_later_and_acts_are() -> None:
    class Deaf(Straw):
        async def act(self, act: str, text: str = "", instrument: str = "", at_ns: int = 0) -> None:
            raise RecorderError("gone")

    last = Straw([Tick(2 * S, 0), End(3 * S, "over")], None)
    session = live(Deaf(UP, RecorderError("gone"), 0.05), last, text=REAL)
    feeding = asyncio.create_task(session.feed())
    await asyncio.sleep(0.02)
    assert session.controls is not None
    session.act("mark")
    session.controls.arm()
    session.pass_on()
    await feeding
    assert [each for each in last.heard if each[0] != "act"] == []
    assert ("act", "mark", "") in last.heard


async def test_an_act_that_was_lost_with_its_connection_is_sent_again() -> None:
    first = Straw([Tick(S, 0)], CutOffError("slow"))
    ticks: list[Record] = [Tick(n * S, 0) for n in range(2, 2 + AGAIN_TICKS)]
    second = Straw([Act(S, "gear", "50x17"), *ticks], CutOffError("slow"))
    third = Straw([End(20 * S, "over")], None)
    session = live(first, second, third)
    session.act("mark")
    session.act("gear", "50x17")
    await session.feed()
    assert first.heard == [("act", "mark", ""), ("act", "gear", "50x17")]
    # The gear came back as a record, the mark did not.
    assert second.heard == [("act", "mark", "")]


async def test_without_hands_it_only_asks_and_watches(tmp_path: Path) -> None:
    bench = parse_bench(BENCH)
    session = LiveSession(tmp_path, lambda since: None, bench, hands=False)  # type: ignore[arg-type, return-value]
    assert session.controls is None
    session.act("mark", at_s=3.0)
    assert session._outbox[0].done == Do("mark", "", "", 3.0)
    assert session.disk_free() is not None
    assert LiveSession(tmp_path / "gone", lambda since: None, bench).disk_free() is None  # type: ignore[arg-type, return-value]


# -- the archive


def evening(out: Path, stamp: str, utc_s: int, *zeros: int, address: str = "C0:FF:EE:00:00:01") -> Path:
    info = SessionInfo(program="t", name="s", started="", bench=BENCH, protocol="", clock=Clock(utc_ns=0))
    info.instruments.append(Listed(label="old-name", reported={"address": address}))
    folder = create_session(out, stamp, info).path
    write_info(folder, info)
    writer = JournalWriter(folder, Header(BENCH, "t", utc_s * S))
    for n, raw in enumerate(zeros):
        data = bytes.fromhex("200c01") + raw.to_bytes(2, "little", signed=True)
        writer.append(Packet((n + 1) * 60 * S, "old-name", "2A66", data))
        writer.append(Packet((n + 1) * 60 * S + S, "old-name", "2A66", data))
        writer.append(Packet((n + 1) * 60 * S + S, "other", "2A66", data))
    writer.append(End(999 * S, "over"))
    writer.close()
    return folder


def test_the_zeros_of_earlier_sessions_are_found_by_the_units_identity(tmp_path: Path) -> None:
    day = 86_400
    evening(tmp_path, "2026-11-20-190000", 1_795_200_000, 300, 301)
    evening(tmp_path, "2026-11-21-190000", 1_795_200_000 + day, -7)
    evening(tmp_path, "2026-11-22-190000", 1_795_200_000 + 2 * day, 999, address="C0:FF:EE:00:00:02")
    torn = evening(tmp_path, "2026-11-23-190000", 1_795_200_000 + 3 * day, 888)
    (torn / "session.json").write_text("nonsense", encoding="utf-8")
    now = evening(tmp_path, "2026-11-24-190000", 1_795_200_000 + 4 * day, 777)
    evening(tmp_path, "2026-11-25-190000", 1_795_200_000 + 5 * day, 666)
    found = earlier_zeros(now, "address C0:FF:EE:00:00:01")
    assert [raw for _, raw in found] == [300.0, 301.0, -7.0]
    assert found[0][0] == "2026-11-20"
    assert found[2][0] == "2026-11-21"


def test_what_tells_a_unit_from_others() -> None:
    assert unit_of({"address": "C0:FF:EE:00:00:01", "ant_id": "7"}) == "address C0:FF:EE:00:00:01"
    assert unit_of({"ant_id": "7"}) == "ant_id 7"
    assert unit_of({"name": "x"}) is None


async def test_a_session_brings_them_into_its_record_once(tmp_path: Path) -> None:
    evening(tmp_path, "2026-11-20-190000", 1_795_200_000, 300)
    now = evening(tmp_path, "2026-11-24-190000", 1_795_300_000)
    straw = Straw([Reported(S, "crank", "address", "C0:FF:EE:00:00:01")], CutOffError("slow"), 0.3)
    session = live(straw, Straw([End(2 * S, "over")], None), folder=now)
    feeding = asyncio.create_task(session.feed())
    await asyncio.sleep(0.02)
    for _ in range(2):
        session.look_up_zeros("crank")
    await feeding
    assert straw.heard == [("act", "zero-history", "300 on 2026-11-20")]


# -- torn by chance


class Recorder:
    """What a recorder does with what reaches it; a connection that breaks swallows what is on its way."""

    def __init__(self) -> None:
        self.t_s = 1.0
        self.journal: list[Record] = []
        self.wire: list[tuple[Any, ...]] = []
        self.will: LastWill | None = None
        self.refuses = False
        self.held: list[tuple[float, bytes]] = []
        self.armed = False
        """A person has armed the trainer over this connection."""
        self.result = 1
        """What the trainer answers: success, or an error of its control point."""

    async def act(self, act: str, text: str = "", instrument: str = "", at_ns: int = 0) -> None:
        self.wire.append(("act", act, text, instrument, at_ns))

    async def write(self, instrument: str, channel: str, data: bytes) -> None:
        self.wire.append(("write", instrument, channel, data))

    async def will_(self, will: LastWill) -> None:
        self.wire.append(("will", will))

    @property
    def t_ns(self) -> int:
        return round(self.t_s * S)

    def deliver(self, count: int) -> None:
        for _ in range(min(count, len(self.wire))):
            what, *rest = self.wire.pop(0)
            if what == "act":
                self.journal.append(Act(self.t_ns, *rest))
            elif what == "will":
                self.will = rest[0] if rest[0].data else None
                self.refuses = False
            else:
                label, channel, data = rest
                if self.refuses and channel == "2AD9":
                    self.journal.append(Write(self.t_ns, label, channel, data, "not sent: dropped"))
                    continue
                assert self.armed or channel != "2AD9", "a command that nobody armed over this connection"
                self.command(label, channel, data)

    def command(self, label: str, channel: str, data: bytes) -> None:
        self.journal.append(Write(self.t_ns, label, channel, data))
        if channel == "2AD9":
            self.held.append((self.t_s, data))
            self.journal.append(Packet(self.t_ns, label, channel, bytes((0x80, data[0], self.result))))

    def gone(self, why: str) -> None:
        self.wire.clear()
        self.armed = False
        if self.will is not None:
            self.journal.append(Act(self.t_ns, "safe-target", why, self.will.instrument))
            for data in self.will.data:
                self.command(self.will.instrument, self.will.channel, data)
            self.will, self.refuses = None, True


Did = tuple[str, str]
"""An act and its text."""


def _goes_on(said: str) -> Did:
    """What the key for a pause did, from what it answers."""
    return "segment", "pause" if said.startswith("paused: ") else said.removeprefix("on with ")


def _nothing(_: object) -> None:
    """No act has to come of it."""


def _own(session: LiveSession, act: str, text: str, at_s: float | None = None) -> Did:
    session.act(act, text, at_s=at_s)
    return act, text


KEYS: dict[str, Callable[[LiveSession, Controls, int], Did | None]] = {
    "t": lambda session, controls, n: controls.arm(),
    "x": lambda session, controls, n: _nothing(controls.fall("key x")),
    "m": lambda session, controls, n: _own(session, "mark", f"number {n}"),
    "g": lambda session, controls, n: _own(session, "gear", f"50x{n}", 0.5),
    "n": lambda session, controls, n: _own(session, "note", f"clicks {n}", 1.0),
    "s": lambda session, controls, n: _own(session, "segment", "high"),
    "own": lambda session, controls, n: _own(session, "segment", f"own {n}"),
    "p": lambda session, controls, n: _goes_on(controls.pause()),
    "r": lambda session, controls, n: ("segment", controls.repeat()),
    "y": lambda session, controls, n: ("insert", controls.insert(Block(f"tell {n}", 120.0, 900.0))),
    "d": lambda session, controls, n: ("position", controls.toggle_position()),
    "u": lambda session, controls, n: ("undo", controls.undo()),
    "enter": lambda session, controls, n: ("ready", " ".join(controls.ready(None))),
}
"""What a key does; the act that must then come into the record, if any. `n` makes texts differ."""
TOLD_OTHERWISE = ("insert", "undo", "ready")
"""Acts whose text in the record is another than what the key answers."""
ONCE = ("mark", "gear", "note")
"""Acts with a text of their own here: none may be lost, and none may be there twice."""


class Torn(RuleBasedStateMachine):
    """Keys, time, links, connections and answers in any order, with a recorder that obeys."""

    def __init__(self) -> None:
        super().__init__()
        self.recorder = Recorder()
        protocol = parse_protocol(PROTOCOL)
        self.session = LiveSession(
            Path("nowhere"), lambda since: None, parse_bench(REAL), protocol, runner=Runner(protocol),  # type: ignore[arg-type, return-value]
            now_ns=lambda: self.recorder.t_ns,
        )  # fmt: skip
        self.connected = True
        self.session._connected()
        self.seen = 0
        self.done: Counter[Did] = Counter()
        self.keys = 0
        self.taken = False
        """What the trainer holds is the affair of another program."""
        self.armed_at: int | None = None
        """How many commands had been carried out when a person armed it last."""
        self.recorder.journal += UP
        self.read()

    @initialize(riding=st.sampled_from([False, True, True]))
    def begin(self, riding: bool) -> None:
        """Mostly the trainer is held already, in the block that asks for more than the bench allows.

        Chance alone hardly ever arms it and then leaves it in peace until the ramp is at its end.
        """
        if riding:
            self.key("s", True)
            self.key("t", True)
            self.all_well(12)

    # what the session does by itself

    def read(self) -> None:
        """The session takes the records that it has not seen, and passes on what it has to say."""
        if not self.connected:
            return
        while self.seen < len(self.recorder.journal):
            record = self.recorder.journal[self.seen]
            self.seen += 1
            self.session._take(record)
        self.send()

    def send(self) -> None:
        if not self.connected:
            return
        connection = _Wire(self.recorder)
        while self.session._outbox:
            letter = self.session._outbox[0]
            with pytest.raises(StopIteration):
                letter.send(connection).send(None)  # type: ignore[arg-type, attr-defined]
            self.session._passed_on(letter)

    # what happens to it

    @rule(key=st.sampled_from(sorted(KEYS)), at_once=st.booleans())
    def key(self, key: str, at_once: bool) -> None:
        before = len(self.recorder.held)
        controls = self.session.controls
        assert controls is not None
        self.keys += 1
        try:
            did = KEYS[key](self.session, controls, self.keys)
        except RefusedKeyError:
            return
        self.session.pass_on()
        if key == "t":
            assert self.connected
            self.armed_at, self.recorder.armed = before, True
        if did is not None:
            act, text = did
            self.done[act, "" if act in TOLD_OTHERWISE else text] += 1
        if at_once:
            self.send()

    @rule(count=st.integers(1, 9))
    def delivered(self, count: int) -> None:
        if self.connected:
            before = len(self.recorder.held)
            self.recorder.deliver(count)
            if len(self.recorder.held) > before:
                # It is ours again once a command has reached it, and not by the key alone.
                self.taken = False
            self.read()

    @rule(seconds=st.integers(1, 8), cadence=st.sampled_from([180, 180, 180, 60]))
    def time(self, seconds: int, cadence: int) -> None:
        for _ in range(seconds):
            self.recorder.t_s += 1.0
            t_ns = self.recorder.t_ns
            bike = bytes.fromhex("44000000") + cadence.to_bytes(2, "little") + (150).to_bytes(2, "little")
            self.recorder.journal += [Packet(t_ns, "hub", "2AD2", bike), Tick(t_ns, t_ns)]
            self.read()

    @rule(seconds=st.integers(2, 12))
    def all_well(self, seconds: int) -> None:
        for _ in range(seconds):
            for _ in range(6):
                self.delivered(9)
            self.time(1, 180)

    @rule(state=st.sampled_from(["down", "up"]))
    def link(self, state: Any) -> None:
        self.recorder.journal.append(Link(self.recorder.t_ns, "hub", state))
        self.read()

    @rule(result=st.sampled_from([1, 1, 2, 3, 4]))
    def answers_from_now_on(self, result: int) -> None:
        """Success; or not supported, invalid, failed. Control that another program has is the next rule."""
        self.recorder.result = result

    @rule()
    def another_program_takes_it(self) -> None:
        self.recorder.journal.append(Packet(self.recorder.t_ns, "hub", "2ADA", b"\xff"))
        self.taken = True
        self.read()

    @precondition(lambda self: self.connected)
    @rule()
    def connection_breaks(self) -> None:
        self.connected = False
        self.session._disconnected()
        self.recorder.gone("the screen that commanded it is gone")

    @precondition(lambda self: not self.connected)
    @rule()
    def connected_again(self) -> None:
        self.connected = True
        self.session._connected()
        self.read()

    @precondition(lambda self: self.connected)
    @rule(
        keys=st.lists(st.sampled_from(["t", "t", "m", "m", *sorted(KEYS)]), min_size=1, max_size=4),
        at_once=st.booleans(),
        arrived=st.integers(0, 2),
    )
    def keys_into_a_connection_that_breaks(self, keys: list[str], at_once: bool, arrived: int) -> None:
        """What was typed and has not all arrived: acts come later, commands never."""
        for key in keys:
            self.key(key, at_once)
        if at_once:
            self.delivered(arrived)
        self.connection_breaks()
        self.connected_again()
        self.delivered(9)

    @precondition(lambda self: self.connected)
    @rule()
    def screen_was_silent(self) -> None:
        if self.recorder.will is not None:
            wire = list(self.recorder.wire)
            self.recorder.gone("the screen was silent")
            self.recorder.wire = wire
            self.recorder.armed = True  # it refuses instead, see `deliver`
            self.read()

    # what must hold

    @invariant()
    def nothing_above_the_maximum_and_nothing_unarmed(self) -> None:
        held = self.recorder.held
        for _, data in held:
            if data[:1] == b"\x05":
                assert 0 <= int.from_bytes(data[1:3], "little", signed=True) <= 260
        if self.armed_at is None:
            assert not held

    @invariant()
    def who_is_cut_off_has_a_trainer_at_its_safe_target(self) -> None:
        held = self.recorder.held
        if not self.connected and held and not self.taken:
            last = [data for _, data in held if data[:1] in (b"\x05", b"\x11")]
            assert not last or last[-1] == b"\x05\x50\x00"

    def teardown(self) -> None:
        """Whatever happened: once all is connected, every act is in the journal."""
        if not self.connected:
            self.connected_again()
        for _ in range(4 * AGAIN_TICKS):
            self.delivered(50)
            self.time(1, 180)
        acts = [record for record in self.recorder.journal if isinstance(record, Act)]
        found = Counter((each.act, each.text) for each in acts)
        for act in TOLD_OTHERWISE:
            found[act, ""] = sum(each.act == act for each in acts)
        lost = self.done - found
        assert not lost, lost
        twice = [did for did, count in found.items() if did[0] in ONCE and count > 1]
        assert not twice, twice


class _Wire:
    """A connection onto the recorder's wire."""

    def __init__(self, recorder: Recorder) -> None:
        self.act, self.write, self.will = recorder.act, recorder.write, recorder.will_


TestTorn = pytest.mark.slow(Torn.TestCase)
TestTorn.settings = settings(
    max_examples=60, stateful_step_count=40, deadline=None, suppress_health_check=list(HealthCheck)
)
