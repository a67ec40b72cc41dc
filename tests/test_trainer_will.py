"""Last wills: what the recorder sends to an instrument when the screen that commands it is gone."""

import asyncio
import itertools
from collections.abc import Awaitable, Callable
from pathlib import Path

import pytest

from capture.record import Act, End, Record, Tick, Write
from capture.source import Wanted
from storage.attach import Attachment, RunningRecorder, start_recorder
from storage.connection import last_will
from storage.connection.job import Job
from storage.connection.last_will import LastWills
from storage.connection.wire import LastWill
from storage.journal import read_journal

# Fitness Machine Service 1.0, section 4.16: 0x00 request control, 0x05 s16 W, answer 0x80 op 0x01.
CONTROL, SAFE, GRANTED = b"\x00", b"\x05\x50\x00", b"\x80\x05\x01"
WILL = LastWill("hub", "2AD9", (CONTROL, SAFE), GRANTED, 2.0)
HUB = ("hub", "2AD9")


@pytest.fixture(autouse=True)
def at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    for name, seconds in (("STEP_S", 0.01), ("ANSWER_S", 0.05), ("LAST_S", 1.0)):
        monkeypatch.setattr(last_will, name, seconds)
    monkeypatch.setattr(last_will, "RETRY_S", (0.001,))


class Machine:
    """Takes what is sent, and answers as it is told to."""

    def __init__(self, *outcomes: str, answers: bool = True) -> None:
        self.sent: list[bytes] = []
        self.said: list[tuple[str, str]] = []
        self.now = 100.0
        self._outcomes = itertools.chain(outcomes, itertools.repeat("sent"))
        self.answers = answers
        self.wills = LastWills(
            self.write, lambda label, why: self.said.append((label, why)), lambda: self.now
        )

    async def write(self, instrument: str, channel: str, data: bytes) -> str:
        outcome = next(self._outcomes)
        if outcome == "sent":
            self.sent.append(data)
            if self.answers:
                answer = bytes([0x80, data[0], 1])
                asyncio.get_running_loop().call_soon(self.wills.heard, instrument, channel, answer)
        return outcome

    async def settled(self) -> None:
        while self.wills._due:
            await asyncio.sleep(0.005)


async def test_who_is_gone_leaves_the_machine_safe() -> None:
    machine = Machine()
    machine.wills.leave(1, WILL)
    machine.wills.gone(2)
    assert machine.said == []
    machine.wills.gone(1)
    await machine.settled()
    assert machine.sent == [CONTROL, SAFE]
    assert machine.said == [("hub", "the screen that commanded it is gone")]


async def test_who_is_silent_is_taken_for_dead_and_must_not_go_on() -> None:
    machine = Machine()
    machine.wills.leave(1, WILL)
    machine.now += 1.9
    machine.wills.look()
    machine.wills.alive(1)
    machine.now += 1.9
    machine.wills.look()
    assert machine.said == []
    assert machine.wills.refusal(1, *HUB) == ""
    machine.now += 0.2
    machine.wills.look()
    await machine.settled()
    assert machine.sent == [CONTROL, SAFE]
    # It was only paused: what it had in its sleeve comes too late.
    machine.wills.alive(1)
    assert "take command anew" in machine.wills.refusal(1, *HUB)
    machine.wills.leave(1, WILL)
    assert machine.wills.refusal(1, *HUB) == ""


async def test_a_will_can_be_withdrawn_by_its_owner_only() -> None:
    machine = Machine()
    machine.wills.leave(1, WILL)
    machine.wills.leave(2, LastWill(*HUB))
    assert "another screen" in machine.wills.refusal(2, *HUB)
    machine.wills.leave(1, LastWill(*HUB))
    assert machine.wills.refusal(2, *HUB) == ""
    machine.wills.gone(1)
    await machine.settled()
    assert (machine.sent, machine.said) == ([], [])


async def test_the_latest_holds() -> None:
    machine = Machine()
    machine.wills.leave(1, WILL)
    machine.wills.leave(2, WILL)
    assert "another screen" in machine.wills.refusal(1, *HUB)
    machine.wills.gone(1)
    await asyncio.sleep(0)
    assert machine.sent == []
    machine.wills.gone(2)
    await machine.settled()
    assert machine.sent == [CONTROL, SAFE]


async def test_a_link_that_is_down_gets_it_when_it_is_back() -> None:
    machine = Machine("not connected now", "not connected now", "sent", "busy")
    machine.wills.leave(1, WILL)
    machine.wills.gone(1)
    for _ in range(200):
        await asyncio.sleep(0.005)
        if machine.sent[-2:] == [CONTROL, SAFE]:
            break
    assert machine.sent == [CONTROL, CONTROL, SAFE]
    assert len(machine.said) == 1


async def test_without_the_answer_it_is_sent_again() -> None:
    machine = Machine(answers=False)
    machine.wills.leave(1, WILL)
    machine.wills.gone(1)
    while len(machine.sent) < 4:
        await asyncio.sleep(0.005)
    machine.answers = True
    await asyncio.sleep(0.3)
    count = len(machine.sent)
    assert machine.sent[-1] == SAFE
    await asyncio.sleep(0.2)
    assert len(machine.sent) == count  # answered: enough


async def test_an_answer_to_what_went_before_does_not_count() -> None:
    machine = Machine(answers=False)
    machine.wills.leave(1, WILL)
    machine.wills.gone(1)
    while machine.sent != [CONTROL]:
        await asyncio.sleep(0)
    machine.wills.heard(*HUB, GRANTED)  # to the last command of the dead screen
    while len(machine.sent) < 4:
        await asyncio.sleep(0.005)
    assert machine.sent[:4] == [CONTROL, SAFE, CONTROL, SAFE]


async def test_who_takes_command_meanwhile_is_not_disturbed() -> None:
    machine = Machine("not connected now", "not connected now", "not connected now", "not connected now")
    machine.wills.leave(1, WILL)
    machine.wills.gone(1)
    await asyncio.sleep(0)
    machine.wills.leave(2, WILL)
    await asyncio.sleep(0.1)
    assert machine.sent == []


async def test_the_end_of_the_session_waits_for_the_machine_but_not_for_ever() -> None:
    machine = Machine(*["not connected now"] * 100_000)
    machine.wills.leave(1, WILL)
    await asyncio.wait_for(machine.wills.finish(), 10)
    assert machine.said == [("hub", "the session ends")]


# -- with a real recorder and the virtual trainer


def job(out: Path) -> Job:
    segment = {"name": "steady", "seconds": 600, "target_w": 200}
    return Job(
        bench='[bench]\nname = "x"\n', program="0", out=str(out), name="x",
        wanted=[Wanted("hub", "scene:hub", "fitness-machine")], segments=[segment], speed=4.0,
    )  # fmt: skip


async def until(viewer: Attachment, done: Callable[[list[Record]], bool]) -> list[Record]:
    seen: list[Record] = []
    async for batch in viewer.batches():
        seen += batch
        if done(seen):
            break
    return seen


def writes(records: list[Record]) -> list[tuple[bytes, str]]:
    return [(record.data, record.outcome) for record in records if isinstance(record, Write)]


async def held(viewer: Attachment) -> None:
    """Wait for the link, then hold the virtual trainer at 250 W with a will that says 80 W."""
    await until(viewer, lambda seen: any(getattr(record, "state", "") == "up" for record in seen))
    await viewer.will(LastWill("hub", "2AD9", (CONTROL, SAFE), GRANTED, 1.0))
    await viewer.write("hub", "2AD9", CONTROL)
    await viewer.write("hub", "2AD9", b"\x05\xfa\x00")


async def gone(running: RunningRecorder, *viewers: Attachment) -> None:
    for viewer in viewers:
        await viewer.close()
    running.process.kill()
    running.process.wait()


Leaving = Callable[[Attachment], Awaitable[None]]


async def by_dying(viewer: Attachment) -> None:
    viewer._writer.transport.abort()


async def by_leaving(viewer: Attachment) -> None:
    await viewer.close()


async def by_silence(viewer: Attachment) -> None:
    """Goes on reading; its loop would have to send a sign of life."""


async def by_finishing(viewer: Attachment) -> None:
    await viewer.finish("enough")


@pytest.mark.parametrize(
    "leaves",
    [by_dying, *(pytest.param(by, marks=pytest.mark.slow) for by in (by_leaving, by_silence, by_finishing))],
)
async def test_a_recorder_lets_the_trainer_go(tmp_path: Path, leaves: Leaving) -> None:
    running = await start_recorder(job(tmp_path))
    other, viewer = await running.attach(), await running.attach()
    try:
        await held(viewer)
        await leaves(viewer)
        seen = await until(other, lambda seen: any(data == SAFE for data, _ in writes(seen)))
        acts = [record for record in seen if isinstance(record, Act) and record.act == "safe-target"]
        assert [act.instrument for act in acts] == ["hub"]
        assert writes(seen) == [
            (CONTROL, "sent"), (b"\x05\xfa\x00", "sent"), (CONTROL, "sent"), (SAFE, "sent"),
        ]  # fmt: skip
        if leaves is by_silence:
            # It is alive after all, but has to take command anew.
            await viewer.write("hub", "2AD9", b"\x05\xfa\x00")
            late = await until(other, lambda seen: bool(writes(seen)))
            assert writes(late)[0][1].startswith("not sent: it was dropped")
        if leaves is not by_finishing:
            await other.finish("over")
        async for _ in other.batches():
            pass
        assert await running.wait() == 0
        *_, last = read_journal(running.session)[1]
        assert isinstance(last, End)
    finally:
        await gone(running, viewer, other)


@pytest.mark.slow
async def test_signs_of_life_keep_it_and_others_are_kept_off(tmp_path: Path) -> None:
    running = await start_recorder(job(tmp_path))
    viewer, other = await running.attach(), await running.attach()
    try:
        await held(viewer)
        await other.write("hub", "2AD9", b"\x05\x2c\x01")
        beats = 0

        def beaten(seen: list[Record]) -> bool:
            # Session time runs four times as fast: eight of its seconds are two of the clock's.
            return any(isinstance(record, Tick) and record.t_ns > 9e9 for record in seen)

        async def beat() -> None:
            nonlocal beats
            while True:
                await viewer.alive()
                beats += 1
                await asyncio.sleep(0.2)

        beating = asyncio.create_task(beat())
        seen = await until(other, beaten)
        beating.cancel()
        assert beats > 4
        assert not any(isinstance(record, Act) and record.act == "safe-target" for record in seen)
        assert (b"\x05\x2c\x01", "not sent: another screen commands it") in writes(seen)
    finally:
        await gone(running, viewer, other)
