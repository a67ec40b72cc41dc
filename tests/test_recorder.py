"""The recorder: one order for the journal and all viewers, and nobody's end is its own."""

import asyncio
import contextlib
import json
import logging
import os
import shutil
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import AsyncIterator, Awaitable, Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import msgspec
import pytest

from capture.clock import Clock
from capture.record import Act, End, Header, Link, Packet, Record, Reported, Store, Tick, Write
from capture.source import Emit, SourceError, Wanted
from storage import attach as attaching
from storage import recorder
from storage.attach import Attachment, CutOffError, RecorderError, RunningRecorder, attach, start_recorder
from storage.connection import feed, last_will
from storage.connection.job import Job, JobError, Started
from storage.connection.wire import (
    FRAME_LIMIT,
    Do,
    Hello,
    LastWill,
    Unframer,
    WireError,
    decode_sent,
    encode,
    frame,
)
from storage.damage import SessionError
from storage.disk import Disk
from storage.info import read_info
from storage.journal import MAIN, Flush, JournalWriter, Tail, read_journal
from storage.rescue import rescue
from storage.session import LIVE, LOG, read_live

S = 1_000_000_000
BENCH = '[bench]\nname = "winter ☃"\n'


def job(out: Path, *links: str, **more: Any) -> Job:
    wanted = [Wanted(link.partition(":")[2] or link, link) for link in links]
    return Job(bench=BENCH, program="0.1.0", out=str(out), name="winter", wanted=wanted, **more)


def journal(session: Path) -> list[Record]:
    """All records of a session that was closed."""
    header, records = read_journal(session)
    found = list(records)
    assert header.bench == BENCH
    assert records.damage is None
    return found


def log_file(path: Path, seconds: int, rate: int = 4) -> Path:
    lines = [
        json.dumps({"t": n / rate, "instrument": "hub", "ble": "2A63", "hex": f"0000{n % 256:02X}00"})
        for n in range(seconds * rate)
    ]
    path.write_text("\n".join(lines))
    return path


# -- the process


class Starter:
    """Recorders of a test, ended with it."""

    def __init__(self) -> None:
        self.running: list[RunningRecorder] = []

    async def __call__(self, wish: Job) -> RunningRecorder:
        started = await start_recorder(wish)
        self.running.append(started)
        return started


@pytest.fixture
def start() -> Iterator[Starter]:
    started = Starter()
    yield started
    for each in started.running:
        if each.process.poll() is None:
            each.process.kill()
            each.process.wait()


async def test_a_log_becomes_a_session_and_the_viewer_sees_the_journal(tmp_path: Path, start: Starter):
    log = log_file(tmp_path / "evening.jsonl", 60)
    running = await start(job(tmp_path / "out", "log:hub", log=str(log), speed="max"))
    viewer = await running.attach()
    seen = [record async for record in viewer]
    await viewer.close()
    assert await running.wait() == 0
    assert seen == journal(running.session)
    assert viewer.header == Header(BENCH, "0.1.0", 0)
    assert viewer.received == len(seen)
    packets = [record for record in seen if isinstance(record, Packet)]
    assert [record.t_ns for record in packets] == [n * S // 4 for n in range(240)]
    assert [record.t_ns for record in seen if isinstance(record, Tick)] == [n * S for n in range(60)]
    assert seen[-1] == End(239 * S // 4, "end of the log")
    info = read_info(running.session)
    assert info is not None
    assert (info.state, info.counts.records, info.counts.lost) == ("closed", len(seen), 0)
    assert info.instruments[0].packets == 240
    assert not (running.session / LIVE).exists()
    with pytest.raises(SessionError, match="is not being recorded now"):
        await attach(running.session)


@pytest.mark.slow
async def test_bad_lines_of_a_log_are_named_in_the_session(tmp_path: Path, start: Starter):
    log = log_file(tmp_path / "evening.jsonl", 2)
    log.write_text("nonsense\n" + log.read_text() + '\n{"t": 9}\n')
    running = await start(job(tmp_path / "out", "log:hub", log=str(log), speed="max"))
    async with await running.attach() as viewer:
        seen = [record async for record in viewer]
    assert await running.wait() == 0
    assert sum(isinstance(record, Packet) for record in seen) == 8
    info = read_info(running.session)
    assert info is not None
    first, second = info.remarks
    assert first.startswith(f"{log}, line 1: not JSON")
    assert second.startswith(f"{log}, line 10: ")


async def test_a_scene_at_full_speed_ends_at_its_time(tmp_path: Path, start: Starter):
    segment = {"name": "steady", "seconds": 60, "target_w": 200}
    wish = job(tmp_path, "scene:hub", segments=[segment], speed="max", seconds=20.5)
    running = await start(wish)
    viewer = await running.attach()
    seen = [record async for record in viewer]
    await viewer.close()
    assert await running.wait() == 0
    assert seen == journal(running.session)
    assert sum(isinstance(record, Packet) for record in seen) > 30
    assert [record.t_ns for record in seen if isinstance(record, Tick)] == [n * S for n in range(21)]
    assert seen[-1] == End(20_500_000_000, "20.5 s are over")
    ticks = [record for record in seen if isinstance(record, Tick)]
    assert {record.utc_ns - record.t_ns for record in ticks} == {viewer.header.utc_ns}


@pytest.mark.slow
async def test_viewers_come_and_go_and_the_recording_goes_on(tmp_path: Path, start: Starter):
    segment = {"name": "steady", "seconds": 600, "target_w": 200}
    running = await start(job(tmp_path, "scene:hub", segments=[segment], speed=20.0))
    first = await running.attach()
    seen: list[Record] = []
    async for record in first:
        seen.append(record)
        if len(seen) == 100:
            break
    # As a screen that is killed: no farewell.
    first._writer.transport.abort()
    again = await attach(running.session, since=len(seen))
    other = await attach(running.session)
    await again.act("segment", "over 1/3")
    await again.write("hub", "2AD9", b"\x00")
    await again.write("heron", "2AD9", b"\x00")
    rest = again.batches()
    late: list[Record] = []
    async for batch in rest:
        late += batch
        if sum(isinstance(record, Write) for record in late) == 2:
            break
    await again.finish("enough")
    async for batch in rest:
        late += batch
    seen += late
    assert seen == [record async for record in other]
    assert again.ended
    assert other.ended
    await again.close()
    await other.close()
    assert await running.wait() == 0
    assert journal(running.session) == seen
    assert seen[-1] == End(seen[-1].t_ns, "enough")
    acts = [record for record in seen if isinstance(record, Act) and record.text == "over 1/3"]
    assert len(acts) == 1
    outcomes = {record.instrument: record.outcome for record in seen if isinstance(record, Write)}
    assert outcomes.keys() == {"hub", "heron"}
    assert outcomes["heron"] == "there is no instrument heron"
    times = [record.t_ns for record in seen]
    assert times == sorted(times)


@pytest.mark.slow
async def test_a_killed_recorder_leaves_a_session_to_rescue(tmp_path: Path, start: Starter):
    segment = {"name": "steady", "seconds": 600, "target_w": 200}
    running = await start(job(tmp_path, "scene:hub", segments=[segment], speed=20.0))
    viewer = await running.attach()
    seen: list[Record] = []

    async def watch() -> None:
        async for record in viewer:
            seen.append(record)
            # Something is on the disk once its files have grown beyond the header.
            if len(seen) % 20 == 0 and (running.session / MAIN).stat().st_size > 4000:
                running.process.kill()

    with pytest.raises(RecorderError, match=r"is gone.*plumbwatt rescue"):
        await watch()
    await viewer.close()
    running.process.wait()
    with pytest.raises(SessionError, match="its recorder is gone"):
        await attach(running.session)
    _, records = read_journal(running.session)
    found = list(records)
    assert 0 < len(found) <= len(seen)
    # What the viewer saw and what the disk holds begin alike; the disk may lack the last second.
    assert found == seen[: len(found)]
    assert records.damage is not None
    assert records.damage.torn
    report = rescue(running.session)
    assert report.path is not None
    assert journal(report.path)[: len(found)] == found


@pytest.mark.skipif(os.name == "nt", reason="signals of another kind there")
async def test_signals_of_the_terminal_are_ignored_and_termination_is_clean(tmp_path: Path, start: Starter):
    segment = {"name": "steady", "seconds": 600, "target_w": 200}
    running = await start(job(tmp_path, "scene:hub", segments=[segment]))
    assert os.getsid(running.process.pid) != os.getsid(0)
    viewer = await running.attach()
    stream = viewer.batches()
    seen = await anext(stream)
    running.process.send_signal(signal.SIGINT)
    running.process.send_signal(signal.SIGHUP)
    while not any(record.t_ns > S // 2 for record in seen):
        seen += await anext(stream)
    running.process.terminate()
    async for batch in stream:
        seen += batch
    await viewer.close()
    assert await running.wait() == 0
    assert journal(running.session) == seen
    assert seen[-1] == End(seen[-1].t_ns, "the recorder was told to terminate")


@pytest.mark.slow
@pytest.mark.skipif(os.name == "nt", reason="needs a limit of the system")
async def test_a_real_full_disk_is_told_and_survived(tmp_path: Path):
    """The system itself refuses to let the files grow (RLIMIT_FSIZE), then allows it again."""
    script = (
        "import resource, runpy, signal, sys\n"
        "limit = lambda n: resource.setrlimit(resource.RLIMIT_FSIZE, (n, resource.RLIM_INFINITY))\n"
        "signal.signal(signal.SIGUSR1, lambda *_: limit(resource.RLIM_INFINITY))\n"
        "limit(6000)\n"
        "runpy.run_module('storage.recorder', run_name='__main__')\n"
    )
    segment = {"name": "steady", "seconds": 600, "target_w": 200}
    wish = job(tmp_path, "scene:hub", segments=[segment], speed=50.0)
    process = subprocess.Popen(
        [sys.executable, "-c", script], stdin=subprocess.PIPE, stdout=subprocess.PIPE, start_new_session=True
    )
    assert process.stdin is not None
    assert process.stdout is not None
    try:
        process.stdin.write(msgspec.json.encode(wish) + b"\n")
        process.stdin.close()
        line = await asyncio.to_thread(process.stdout.readline)
        process.stdout.close()
        viewer = await attach(msgspec.json.decode(line, type=Started))
        seen: list[Record] = []
        async for record in viewer:
            seen.append(record)
            if isinstance(record, Store) and record.state == "failing":
                process.send_signal(signal.SIGUSR1)
            if isinstance(record, Store) and record.state == "resumed":
                await viewer.finish()
        await viewer.close()
        assert await asyncio.to_thread(process.wait, 30) == 0
    finally:
        process.kill()
        process.wait()
    stores = [record for record in seen if isinstance(record, Store)]
    assert [(record.state, record.lost) for record in stores] == [("failing", 0), ("resumed", 0)]
    assert stores[0].reason == "File too large"
    assert journal(viewer.session) == seen


SAME_STICK = [Wanted("a", "ant:power:5"), Wanted("b", "ant:power:5")]
"""One stick can't tell these two apart; found before the stick is looked for."""


def refusals(out: Path) -> list[tuple[Job, type[Exception], str]]:
    log = log_file(out / "log", 1)
    (out / "file").write_text("")
    return [
        (job(out, "semaphore:hub"), JobError, "'semaphore:hub' is no link. It begins with one of blue"),
        (job(out, "log:hub"), JobError, "log:hub needs a capture log"),
        (job(out, "log:hub", log=str(out / "x")), JobError, "x is not a capture log"),
        (job(out, "scene:hub", scene={"sede": 1}), JobError, "sede"),
        (job(out, "bluetooth:AA"), JobError, "'bluetooth:AA' is neither"),
        (job(out, "bluetooth:AA:BB:CC:DD:EE:FF", speed="max"), JobError, "only scenes and logs"),
        (msgspec.structs.replace(job(out), wanted=SAME_STICK), SourceError, "a and b have the same link"),
        (job(out / "file", "log:hub", log=str(log)), SessionError, "is not a folder"),
        (job(out), JobError, "there is no instrument to listen to"),
        (
            msgspec.structs.replace(
                job(out, log=str(log)), wanted=[Wanted("a", "log:x"), Wanted("b", "log:x")]
            ),
            JobError,
            "a and b have the same link log:x",
        ),
    ]


@pytest.mark.parametrize("number", range(10))
async def test_a_job_that_cannot_be_done_makes_no_session(tmp_path: Path, number: int):
    wish, error, words = refusals(tmp_path)[number]
    with pytest.raises(error, match=words):
        await recorder.record(wish, lambda started: None)
    assert sorted(each.name for each in tmp_path.iterdir()) == ["file", "log"]


@pytest.mark.slow
async def test_refusals_of_the_process_become_exceptions(tmp_path: Path, start: Starter):
    wishes = refusals(tmp_path)
    for wish, _, words in (wishes[0], wishes[7]):
        with pytest.raises(JobError, match=words):
            await start(wish)
    with pytest.raises(SourceError, match=wishes[6][2]):
        await start(wishes[6][0])


@pytest.mark.parametrize("code", [2, 3])
def test_the_exit_code_tells_who_is_to_blame(tmp_path: Path, code: int):
    line = b'{"speed": -1}' if code == 2 else msgspec.json.encode(refusals(tmp_path)[6][0])
    command = [sys.executable, "-m", "storage.recorder"]
    done = subprocess.run(command, input=line + b"\n", capture_output=True)
    assert done.returncode == code
    (answer,) = done.stdout.splitlines()
    error = json.loads(answer)["error"]
    assert error.keys() == {"code", "thing", "remedy"}
    assert error["code"] == code


async def test_a_recorder_that_does_not_come_up_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr(attaching, "_COMMAND", ["-c", "raise SystemExit('no such thing')"])
    with pytest.raises(RecorderError, match=r"did not start \(exit code 1\)\. no such thing"):
        await start_recorder(job(tmp_path, "log:hub"))


# -- in this process, with sources of our own


class Radio:
    """A live source that is driven by the test."""

    def __init__(self, labels: list[str]) -> None:
        self.labels = labels
        self.emit: Emit
        self.clock: Clock
        self.ready = asyncio.Event()
        self.trouble: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        self.refuses: SourceError | None = None
        self.answer: Callable[[], Awaitable[str]] | None = None

    async def check(self) -> None:
        if self.refuses:
            raise self.refuses

    async def run(self, emit: Emit, clock: Clock) -> None:
        self.emit, self.clock = emit, clock
        self.ready.set()
        try:
            await self.trouble
        finally:
            for label in self.labels:
                emit(Link(clock.now_ns(), label, "down", "closed"))

    def say(self, label: str, data: bytes) -> None:
        self.emit(Packet(self.clock.now_ns(), label, "2A63", data))

    async def write(self, instrument: str, channel: str, data: bytes) -> str:
        return await self.answer() if self.answer else "sent"


class Script:
    """Records as they stand."""

    def __init__(self, records: list[Record]) -> None:
        self._records, self.given = records, 0
        self.written: list[bytes] = []

    def records(self) -> Iterator[Record]:
        for record in self._records:
            self.given += 1
            yield record

    def write(self, instrument: str, channel: str, data: bytes) -> str:
        self.written.append(data)
        return "sent"


class Bench:
    """A recorder in this process."""

    def __init__(self, started: Started, task: asyncio.Task[None]) -> None:
        self.started, self.task = started, task
        self.session = Path(started.session)

    async def viewer(self, since: int = 0) -> Attachment:
        return await attach(self.started, since)

    async def all(self) -> list[Record]:
        async with await self.viewer() as viewer:
            seen = [record async for record in viewer]
        await self.task
        return seen

    async def all_after_finish(self) -> list[Record]:
        async with await self.viewer() as viewer:
            await viewer.finish("done")
            seen = [record async for record in viewer]
        await self.task
        return seen


Begin = Callable[..., Awaitable[Bench]]


@pytest.fixture
async def begin(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> AsyncIterator[Begin]:
    tasks: list[asyncio.Task[None]] = []
    monkeypatch.setattr(recorder, "LAST_WORDS_S", 2.0)
    monkeypatch.setattr(recorder, "_on_termination", lambda finish: None)

    async def begin_(sources: dict[str, Any], **more: Any) -> Bench:
        makers = {scheme: lambda job, wanted, source=source: source for scheme, source in sources.items()}
        monkeypatch.setattr(recorder, "_MAKERS", {**recorder._MAKERS, **makers})
        started: asyncio.Future[Started] = asyncio.get_running_loop().create_future()
        wish = job(tmp_path / "out", *(f"{scheme}:{label}" for scheme, label in more.pop("links")), **more)
        task = asyncio.create_task(recorder.record(wish, started.set_result))
        tasks.append(task)
        await asyncio.wait([task, started], return_when=asyncio.FIRST_COMPLETED)
        if task.done():
            await task
        return Bench(started.result(), task)

    yield begin_
    for task in tasks:
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError, Exception):
            await task


async def test_what_a_radio_says_is_seen_at_once_and_kept(begin: Begin):
    radio = Radio(["hub"])
    bench = await begin({"bluetooth": radio}, links=[("bluetooth", "hub")])
    viewer = await bench.viewer()
    await radio.ready.wait()
    stream = aiter(viewer)
    for number in range(5):
        radio.say("hub", bytes([number]))
        async for record in stream:
            if isinstance(record, Packet):
                # Nothing waits for the disk or for other packets.
                assert record.data == bytes([number])
                break
    radio.emit(Reported(1, "hub", "name", "\udcff"))
    await viewer.finish("done")
    rest = [record async for record in stream]
    assert Reported(1, "hub", "name", "\\udcff") in rest
    # Its farewell comes after the end, and is none of the session's.
    assert not any(isinstance(record, Link) for record in rest)
    assert isinstance(rest[-1], End)
    await viewer.close()
    await bench.task
    found = journal(bench.session)
    assert found[-len(rest) :] == rest
    assert found[0] == Tick(found[0].t_ns, found[0].utc_ns)  # type: ignore[attr-defined]
    info = read_info(bench.session)
    assert info is not None
    assert info.instruments[0].reported == {"name": "\\udcff"}


async def test_a_source_that_fails_ends_nothing_else(begin: Begin):
    good, bad = Radio(["hub"]), Radio(["crank"])
    bench = await begin({"bluetooth": good, "ant": bad}, links=[("bluetooth", "hub"), ("ant", "crank")])
    await good.ready.wait()
    await bad.ready.wait()
    bad.trouble.set_exception(RuntimeError("a bug in a radio"))
    viewer = await bench.viewer()
    stream = aiter(viewer)
    async for record in stream:
        if isinstance(record, Link) and record.state == "given-up":
            assert record.instrument == "crank"
            assert "a bug in a radio" in record.reason
            break
    good.say("hub", b"still here")
    async for record in stream:
        if isinstance(record, Packet):
            assert record.data == b"still here"
            break
    await viewer.close()
    seen = await bench.all_after_finish()
    assert journal(bench.session) == seen
    log = (bench.session / LOG).read_text()
    assert "Traceback" in log
    assert "a bug in a radio" in log


async def test_a_library_that_cancels_itself_is_a_failure_not_an_end(begin: Begin):
    radio = Radio(["hub"])
    bench = await begin({"bluetooth": radio}, links=[("bluetooth", "hub")])
    await radio.ready.wait()
    radio.trouble.cancel()
    await asyncio.sleep(0)
    seen = await bench.all_after_finish()
    assert any(isinstance(record, Link) and record.state == "given-up" for record in seen)


async def test_a_radio_that_is_not_there_makes_no_session(begin: Begin, tmp_path: Path):
    radio = Radio(["hub"])
    radio.refuses = SourceError("No Bluetooth adapter", "Plug one in")
    with pytest.raises(SourceError, match="No Bluetooth adapter"):
        await begin({"bluetooth": radio}, links=[("bluetooth", "hub")])
    assert not (tmp_path / "out").exists()


async def test_writes_are_records_with_their_outcome(begin: Begin, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr(recorder, "WRITE_S", 0.05)
    radio = Radio(["hub"])
    bench = await begin({"bluetooth": radio}, links=[("bluetooth", "hub")])

    async def fails() -> str:
        raise RuntimeError("broken")

    async def hangs() -> str:
        await asyncio.Event().wait()
        return "never"

    viewer = await bench.viewer()
    stream = aiter(viewer)
    outcomes = []
    for answer in (None, fails, hangs):
        radio.answer = answer
        await viewer.write("hub", "2AD9", b"\x05\xc8\x00")
        async for record in stream:
            if isinstance(record, Write):
                assert (record.channel, record.data) == ("2AD9", b"\x05\xc8\x00")
                outcomes.append(record.outcome)
                break
    await viewer.close()
    assert outcomes[0] == "sent"
    assert "broken" in outcomes[1]
    assert outcomes[2].startswith("not confirmed: no answer in")
    seen = await bench.all_after_finish()
    assert [record.outcome for record in seen if isinstance(record, Write)] == outcomes


class Leaving(Radio):
    """A radio that is slow to go; until it is gone `say` works."""

    def __init__(self, labels: list[str], leave_s: float) -> None:
        super().__init__(labels)
        self.leave_s = leave_s

    async def run(self, emit: Emit, clock: Clock) -> None:
        try:
            await super().run(emit, clock)
        finally:
            until = asyncio.get_running_loop().time() + self.leave_s
            while asyncio.get_running_loop().time() < until:
                for label in self.labels:
                    self.say(label, b"late")
                await asyncio.sleep(0.02)


async def test_nothing_is_recorded_as_later_than_the_end(begin: Begin):
    """One radio closes at once and the other half a second later, and goes on hearing until then."""
    quick, slow = Radio(["pedals"]), Leaving(["hub"], 0.5)
    links = [("bluetooth", "pedals"), ("ant", "hub")]
    bench = await begin({"bluetooth": quick, "ant": slow}, links=links)
    await quick.ready.wait()
    await slow.ready.wait()
    quick.say("pedals", b"1")
    slow.say("hub", b"1")
    seen = await bench.all_after_finish()
    assert seen == journal(bench.session)
    end = seen[-1]
    assert isinstance(end, End)
    assert [record for record in seen if record.t_ns > end.t_ns] == []
    assert [record.data for record in seen if isinstance(record, Packet)] == [b"1", b"1"]
    assert not any(isinstance(record, Link) for record in seen)


class Tardy(Disk):
    """Takes everything at once, and long to confirm it."""

    def sync(self, fd: int) -> None:
        time.sleep(0.3)
        super().sync(fd)


@pytest.mark.slow
async def test_what_is_written_does_not_wait_for_what_the_disk_confirms(
    begin: Begin, monkeypatch: pytest.MonkeyPatch
):
    monkeypatch.setattr(recorder, "FLUSH_S", 0.05)
    monkeypatch.setattr(
        recorder, "JournalWriter", lambda folder, header: JournalWriter(folder, header, Tardy())
    )
    radio = Radio(["hub"])
    bench = await begin({"bluetooth": radio}, links=[("bluetooth", "hub")])
    await radio.ready.wait()
    with Tail(bench.session) as tail:
        worst_s = 0.0
        for number in range(10):
            said_s = time.monotonic()
            radio.say("hub", bytes([number]))
            async with asyncio.timeout(5.0):
                while not any(isinstance(r, Packet) and r.data == bytes([number]) for r in tail.read()):
                    await asyncio.sleep(0.005)
            worst_s = max(worst_s, time.monotonic() - said_s)
    # One confirmation of both files takes 0.6 s.
    assert worst_s < 0.4
    assert await bench.all_after_finish() == journal(bench.session)


@pytest.mark.slow
@pytest.mark.skipif(os.name == "nt", reason="needs SIGKILL")
async def test_a_disk_that_confirms_slowly_costs_a_kill_no_more(tmp_path: Path):
    """Two seconds for each fsync; a real SIGKILL at a moment that falls on none of its own."""
    slow = "import os, sys, time; real = os.fsync; os.fsync = lambda fd: (time.sleep(2.0), real(fd)); "
    program = slow + "from storage.recorder import main; sys.exit(main())"
    segment = {"name": "steady", "seconds": 60.0, "target_w": 180.0}
    wish = job(tmp_path / "out", "scene:hub", segments=[segment])
    process = subprocess.Popen(
        [sys.executable, "-c", program],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, cwd=Path(__file__).parents[1],
    )  # fmt: skip
    assert process.stdin is not None
    assert process.stdout is not None
    try:
        process.stdin.write(msgspec.json.encode(wish) + b"\n")
        process.stdin.close()
        line = await asyncio.to_thread(process.stdout.readline)
        started = msgspec.json.decode(line, type=Started)
        heard: list[Record] = []

        async def watch() -> None:
            async with await attach(started) as viewer:
                with contextlib.suppress(RecorderError):
                    async for record in viewer:
                        heard.append(record)

        watching = asyncio.create_task(watch())
        await asyncio.sleep(7.3)
        process.kill()
        await watching
    finally:
        process.kill()
        process.wait()
        process.stdout.close()
    _, records = read_journal(Path(started.session))
    kept = list(records)
    assert kept == heard[: len(kept)]
    lost_s = (heard[-1].t_ns - kept[-1].t_ns) / 1e9
    assert heard[-1].t_ns > 5_000_000_000
    assert lost_s <= 1.2


async def test_a_write_under_way_is_finished_before_the_radio_is_closed(begin: Begin):
    radio = Radio(["hub"])
    bench = await begin({"bluetooth": radio}, links=[("bluetooth", "hub")])
    asked = asyncio.Event()

    async def slow() -> str:
        asked.set()
        await asyncio.sleep(0.1)
        return "sent"

    radio.answer = slow
    async with await bench.viewer() as viewer:
        await viewer.write("hub", "2AD9", b"\x00")
        await asked.wait()
        await viewer.finish("done")
        seen = [record async for record in viewer]
    await bench.task
    assert [type(record) for record in seen if not isinstance(record, Tick)] == [Write, End]
    assert [record.outcome for record in seen if isinstance(record, Write)] == ["sent"]


async def test_a_write_without_end_is_a_record_too(begin: Begin, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr(recorder, "LAST_WRITES_S", 0.05)
    radio = Radio(["hub"])
    bench = await begin({"bluetooth": radio}, links=[("bluetooth", "hub")])
    asked = asyncio.Event()

    async def hangs() -> str:
        asked.set()
        await asyncio.Event().wait()
        return "never"

    radio.answer = hangs
    async with await bench.viewer() as viewer:
        await viewer.write("hub", "2AD9", b"\x00")
        await asked.wait()
        await viewer.finish("done")
        seen = [record async for record in viewer]
    await bench.task
    assert [record.outcome for record in seen if isinstance(record, Write)] == [
        "not confirmed: the session ended first"
    ]


async def test_a_journal_that_cannot_be_begun_leaves_no_folder(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    def refuse(self: object, fd: int, data: memoryview) -> int:
        if len(data) > 500:
            raise OSError(28, "No space left on device")
        return os.write(fd, data)

    log = log_file(tmp_path / "log", 1)
    monkeypatch.setattr(Disk, "write_some", refuse)
    with pytest.raises(SessionError, match=r"No space left on device.*make room"):
        await recorder.record(job(tmp_path / "out", "log:hub", log=str(log)), lambda started: None)
    assert list((tmp_path / "out").iterdir()) == []


async def test_finish_as_an_act_ends_the_session(begin: Begin):
    bench = await begin({"bluetooth": Radio(["hub"])}, links=[("bluetooth", "hub")])
    viewer = await bench.viewer()
    await viewer.act("undo", "the last mark")
    await viewer.act("finish")
    seen = [record async for record in viewer]
    await viewer.close()
    await bench.task
    assert [record.act for record in seen if isinstance(record, Act)] == ["undo", "finish"]
    assert isinstance(seen[-1], End)


async def test_real_instruments_beside_a_scene_have_one_clock(begin: Begin):
    radio = Radio(["hub"])
    script = Script([Tick(0, 5), Packet(1, "virtual", "2A63", b"1"), Tick(S, S + 5), End(2, "over")])
    bench = await begin(
        {"bluetooth": radio, "scene": script}, links=[("bluetooth", "hub"), ("scene", "virtual")], seconds=1.2
    )
    seen = await bench.all()
    assert journal(bench.session) == seen
    ticks = [record for record in seen if isinstance(record, Tick)]
    assert len(ticks) == 2
    assert all(record.utc_ns > 10**18 for record in ticks)
    assert [record for record in seen if isinstance(record, Packet)] == [Packet(1, "virtual", "2A63", b"1")]
    assert seen[-1] == End(seen[-1].t_ns, "1.2 s are over")


async def test_nobody_there_for_long_ends_it(begin: Begin, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr(recorder, "ALONE_S", 0.3)
    monkeypatch.setattr(recorder, "FLUSH_S", 0.05)
    radio = Radio(["hub"])
    bench = await begin({"bluetooth": radio}, links=[("bluetooth", "hub")])
    viewer = await bench.viewer()
    await asyncio.sleep(0.5)
    # Somebody watches.
    assert not bench.task.done()
    await viewer.close()
    await asyncio.wait_for(bench.task, 20)
    assert "nobody watched and nothing was heard" in journal(bench.session)[-1].reason  # type: ignore[union-attr]


async def test_a_script_that_breaks_off_closes_the_session(begin: Begin):
    class Broken(Script):
        def records(self) -> Iterator[Record]:
            yield Tick(0, 0)
            raise RuntimeError("no more")

    bench = await begin({"scene": Broken([])}, links=[("scene", "hub")])
    seen = await bench.all()
    assert journal(bench.session) == seen
    assert "no more" in seen[-1].reason  # type: ignore[union-attr]


# -- viewers that are slow, wrong or many


def big(count: int) -> list[Record]:
    return [Packet(number, "hub", "2A63", number.to_bytes(4, "big") * 1000) for number in range(count)]


async def raw(bench: Bench, hello: bytes) -> tuple[asyncio.StreamReader, asyncio.StreamWriter]:
    """A viewer that takes as little as a socket can."""
    plug = socket.socket()
    plug.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
    plug.setblocking(False)
    await asyncio.get_running_loop().sock_connect(plug, ("127.0.0.1", bench.started.port))
    reader, writer = await asyncio.open_connection(sock=plug, limit=1024)
    writer.write(hello)
    return reader, writer


async def test_a_viewer_too_slow_for_real_time_is_cut_off_and_may_come_back(
    begin: Begin, monkeypatch: pytest.MonkeyPatch
):
    monkeypatch.setattr(feed, "BEHIND_LIMIT", 300)
    radio = Radio(["hub"])
    bench = await begin({"bluetooth": radio}, links=[("bluetooth", "hub")])
    await radio.ready.wait()
    reader, writer = await raw(bench, frame([encode(Hello(bench.started.token))]))
    quick = await bench.viewer()
    stream = quick.batches()
    seen: list[Record] = []
    for record in big(6000):
        radio.emit(record)
        if record.t_ns % 100 == 0:
            while record not in seen[-300:]:  # a tick may come behind it
                seen += await anext(stream)
    # It reads at last: whole frames, in order, and why it was dropped.
    unframer = Unframer(FRAME_LIMIT)
    sent: list[bytes] = []
    while data := await reader.read(1 << 20):
        sent += unframer.feed(data)
    writer.close()
    *got, cut = [decode_sent(payload) for payload in sent[1:]]
    assert cut.reason == "more than 300 records behind"
    assert got == seen[: len(got)]
    assert len(got) < 6000
    again = await bench.viewer(since=len(got))
    await again.finish("done")
    rest = [record async for record in again]
    async for batch in stream:
        seen += batch
    await quick.close()
    await again.close()
    await bench.task
    assert [*got, *rest] == seen == journal(bench.session)


async def test_a_cut_is_an_exception_for_the_viewer(begin: Begin):
    bench = await begin({"bluetooth": Radio(["hub"])}, links=[("bluetooth", "hub")])
    viewer = await bench.viewer()
    viewer._writer.write(frame([b"\xc1"]))
    with pytest.raises(CutOffError, match="was not understood"):
        async for _ in viewer:
            pass
    await viewer.close()
    assert journal_goes_on(await bench.all_after_finish())


def journal_goes_on(seen: list[Record]) -> bool:
    return isinstance(seen[-1], End) and seen[-1].reason == "done"


@pytest.mark.slow
async def test_a_script_at_full_speed_waits_for_its_viewer(begin: Begin, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr(feed, "ROOM", 500)
    script = Script([Tick(0, 0), *big(8000), End(8000, "over")])
    bench = await begin({"scene": script}, links=[("scene", "hub")], speed="max")
    reader, writer = await raw(bench, frame([encode(Hello(bench.started.token))]))
    before = -1
    while before != script.given:
        before = script.given
        await asyncio.sleep(0.2)
    # Kernel and transport hold some, the room and a turn are allowed; the rest waits.
    assert script.given < 4000
    unframer = Unframer(FRAME_LIMIT)
    seen = []
    while data := await reader.read(1 << 20):
        seen += [decode_sent(payload) for payload in unframer.feed(data) if payload[0] & 0xF0 == 0x90]
    writer.close()
    await bench.task
    assert len(seen) == 8002
    assert seen == journal(bench.session)


async def test_a_viewer_that_hangs_does_not_hold_a_script_for_ever(
    begin: Begin, monkeypatch: pytest.MonkeyPatch
):
    monkeypatch.setattr(feed, "ROOM", 100)
    monkeypatch.setattr(feed, "STUCK_S", 0.3)
    script = Script([*big(6000), End(6000, "over")])
    bench = await begin({"scene": script}, links=[("scene", "hub")], speed="max")
    _, writer = await raw(bench, frame([encode(Hello(bench.started.token))]))
    await asyncio.wait_for(bench.task, 30)
    writer.close()
    assert len(journal(bench.session)) == 6001


async def test_without_a_viewer_a_script_at_full_speed_starts_in_the_end(
    begin: Begin, monkeypatch: pytest.MonkeyPatch
):
    monkeypatch.setattr(recorder, "FIRST_VIEWER_S", 0.1)
    records = [Tick(0, 0), Packet(1, "hub", "2A63", b"1"), End(2, "over")]
    bench = await begin({"scene": Script(records)}, links=[("scene", "hub")], speed="max")
    await bench.task
    assert journal(bench.session) == records


async def test_a_late_viewer_gets_the_past_from_the_disk(begin: Begin, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr(feed, "WINDOW", 64)
    monkeypatch.setattr(recorder, "FLUSH_S", 0.05)
    radio = Radio(["hub"])
    bench = await begin({"bluetooth": radio}, links=[("bluetooth", "hub")])
    await radio.ready.wait()
    for number in range(3000):
        radio.say("hub", number.to_bytes(2, "big"))
        if number % 500 == 499:
            await asyncio.sleep(0.2)
    for since in (0, 1, 1234, 2999):
        viewer = await bench.viewer(since)
        seen: list[Record] = []
        async for batch in viewer.batches():
            seen += batch
            if isinstance(seen[-1], Packet) and seen[-1].data == (2999).to_bytes(2, "big"):
                break
        await viewer.close()
        _, records = read_journal(bench.session)
        assert seen == list(records)[since : since + len(seen)]
    seen = await bench.all_after_finish()
    assert journal(bench.session) == seen
    assert sum(isinstance(record, Packet) for record in seen) == 3000


@pytest.mark.parametrize(
    "hello",
    [
        frame([encode(Hello("wrong"))]),
        frame([encode(Do("finish"))]),
        frame([b"\xc1"]),
        b"\xff\xff\xff\xff",
        b"GET / HTTP/1.1\r\n\r\n",
    ],
)
async def test_who_does_not_know_the_secret_gets_nothing(begin: Begin, hello: bytes):
    bench = await begin({"bluetooth": Radio(["hub"])}, links=[("bluetooth", "hub")])
    reader, writer = await raw(bench, hello)
    async with asyncio.timeout(20):
        assert await reader.read() == b""
    writer.close()
    assert journal_goes_on(await bench.all_after_finish())


async def test_a_command_that_makes_no_sense_is_told_and_ends_the_viewer_only(begin: Begin):
    bench = await begin({"bluetooth": Radio(["hub"])}, links=[("bluetooth", "hub")])
    noise = [frame([b"\xc1"]), frame([encode(Do("note", "ab")).replace(b"ab", b"\xa5\xff")])]
    for words in noise:
        hello = encode(Hello(bench.started.token))
        reader, writer = await raw(bench, frame([hello]) + words)
        async with asyncio.timeout(20):
            said = await reader.read()
        assert b"a command was not understood" in said
        writer.close()
    assert journal_goes_on(await bench.all_after_finish())


async def test_a_giant_command_makes_no_sense(begin: Begin):
    """Its size is told first: nobody waits for what would fill the memory."""
    bench = await begin({"bluetooth": Radio(["hub"])}, links=[("bluetooth", "hub")])
    hello = frame([encode(Hello(bench.started.token))])
    for octets in (1 << 20, (1 << 32) - 1):
        reader, writer = await raw(bench, hello)
        async with asyncio.timeout(20):
            await reader.readexactly(4)
            writer.write(octets.to_bytes(4, "big"))
            assert b"a command was not understood" in await reader.read()
        writer.close()
    assert journal_goes_on(await bench.all_after_finish())


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="needs a second address of this computer")
async def test_the_secret_is_asked_for_on_this_computer_only(begin: Begin):
    bench = await begin({"bluetooth": Radio(["hub"])}, links=[("bluetooth", "hub")])
    with pytest.raises(ConnectionRefusedError):
        await asyncio.open_connection("127.0.0.2", bench.started.port)
    assert journal_goes_on(await bench.all_after_finish())


async def test_the_secret_is_the_owner_s(begin: Begin):
    bench = await begin({"bluetooth": Radio(["hub"])}, links=[("bluetooth", "hub")])
    live = read_live(bench.session)
    assert live is not None
    assert (live.port, live.token, live.pid) == (bench.started.port, bench.started.token, os.getpid())
    if os.name != "nt":
        assert (bench.session / LIVE).stat().st_mode & 0o77 == 0
    await bench.all_after_finish()
    assert read_live(bench.session) is None


async def test_something_else_on_the_port_is_not_taken_for_a_recorder(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    async def answer(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        writer.write(b"220 mail ready\r\n")
        writer.close()

    server = await asyncio.start_server(answer, "127.0.0.1", 0)
    port = server.sockets[0].getsockname()[1]
    with pytest.raises(RecorderError, match="is not its recorder"):
        await attach(Started(str(tmp_path), port, "t"))
    server.close()
    await server.wait_closed()


# -- disks that fail under a recorder


class Stubborn(Disk):
    """Refuses while `full` is set."""

    def __init__(self) -> None:
        self.full = False

    def write_some(self, fd: int, data: memoryview) -> int:
        if self.full:
            raise OSError(28, "No space left on device")
        return super().write_some(fd, data)


@pytest.fixture
def disks(monkeypatch: pytest.MonkeyPatch) -> list[Stubborn]:
    """The disk of each journal that is begun, in order."""
    begun: list[Stubborn] = []

    def writer(folder: Path, header: Header) -> JournalWriter:
        begun.append(Stubborn())
        return JournalWriter(folder, header, begun[-1])

    monkeypatch.setattr(recorder, "JournalWriter", writer)
    monkeypatch.setattr(recorder, "FLUSH_S", 0.05)
    return begun


async def until(stream: AsyncIterator[Record], state: str) -> Store:
    async for record in stream:
        if isinstance(record, Store):
            assert record.state == state
            return record
    raise AssertionError


async def test_a_full_disk_is_told_at_once_and_nothing_is_lost(begin: Begin, disks: list[Stubborn]):
    radio = Radio(["hub"])
    bench = await begin({"bluetooth": radio}, links=[("bluetooth", "hub")])
    await radio.ready.wait()
    viewer = await bench.viewer()
    stream = aiter(viewer)
    disks[0].full = True
    radio.say("hub", b"1")
    assert (await until(stream, "failing")).reason == "No space left on device"
    radio.say("hub", b"2")
    disks[0].full = False
    assert (await until(stream, "resumed")).lost == 0
    await viewer.close()
    seen = await bench.all_after_finish()
    assert journal(bench.session) == seen
    assert [record.data for record in seen if isinstance(record, Packet)] == [b"1", b"2"]


async def test_a_disk_that_never_comes_back_costs_nothing_either(
    begin: Begin, disks: list[Stubborn], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
):
    (tmp_path / "elsewhere").mkdir()
    monkeypatch.setattr("storage.remainder.refuges", lambda: [tmp_path / "elsewhere"])
    monkeypatch.setattr(recorder, "LAST_WORDS_S", 0.2)
    radio = Radio(["hub"])
    bench = await begin({"bluetooth": radio}, links=[("bluetooth", "hub")])
    await radio.ready.wait()
    viewer = await bench.viewer()
    stream = aiter(viewer)
    disks[0].full = True
    radio.say("hub", b"1")
    await until(stream, "failing")
    await viewer.finish("done")
    store = await until(stream, "failing")
    (elsewhere,) = (tmp_path / "elsewhere").iterdir()
    assert str(elsewhere) in store.reason
    last = [record async for record in stream]
    assert isinstance(last[-1], End)
    await viewer.close()
    await bench.task
    _, first = read_journal(bench.session)
    rest = journal(elsewhere)
    both = [*first, *rest]
    assert [record.data for record in both if isinstance(record, Packet)] == [b"1"]
    assert journal_goes_on(rest)
    info = read_info(bench.session)
    assert info is not None
    assert str(elsewhere) in info.remarks[0]


class Hanging(Disk):
    """Takes nothing and says nothing until `answer` is set."""

    def __init__(self) -> None:
        self.answer = threading.Event()
        self.answer.set()

    def write_some(self, fd: int, data: memoryview) -> int:
        self.answer.wait(60.0)
        return super().write_some(fd, data)


async def test_a_disk_that_hangs_does_not_hold_back_the_end(
    begin: Begin, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
):
    (tmp_path / "elsewhere").mkdir()
    monkeypatch.setattr("storage.remainder.refuges", lambda: [tmp_path / "elsewhere"])
    monkeypatch.setattr(recorder, "LAST_WORDS_S", 0.2)
    monkeypatch.setattr(recorder, "SLOW_S", 0.2)
    monkeypatch.setattr(recorder, "FLUSH_S", 0.05)
    disk = Hanging()
    begun: list[Path] = []

    def writer(folder: Path, header: Header) -> JournalWriter:
        begun.append(folder)
        return JournalWriter(folder, header, disk if len(begun) == 1 else Disk())

    monkeypatch.setattr(recorder, "JournalWriter", writer)
    radio = Radio(["hub"])
    bench = await begin({"bluetooth": radio}, links=[("bluetooth", "hub")])
    await radio.ready.wait()
    try:
        disk.answer.clear()
        radio.say("hub", b"1")
        async with await bench.viewer() as viewer:
            await viewer.finish("done")
            seen = [record async for record in viewer]
        await asyncio.wait_for(bench.task, 20)
        assert len(begun) == 2
        stores = [record for record in seen if isinstance(record, Store)]
        assert "has not answered" in stores[0].reason
        assert str(begun[1]) in stores[-1].reason
        rest = journal(begun[1])
        assert [record.data for record in rest if isinstance(record, Packet)] == [b"1"]
        assert journal_goes_on(rest)
        assert seen[-2:] == rest[-2:]
    finally:
        disk.answer.set()


async def test_what_can_be_kept_nowhere_is_counted_as_lost(
    begin: Begin, disks: list[Stubborn], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
):
    """The other disk is as full as the first: no word of a place where nothing is."""
    (tmp_path / "elsewhere").mkdir()
    monkeypatch.setattr("storage.remainder.refuges", lambda: [tmp_path / "elsewhere"])
    monkeypatch.setattr(recorder, "LAST_WORDS_S", 0.2)
    radio = Radio(["hub"])
    bench = await begin({"bluetooth": radio}, links=[("bluetooth", "hub")])
    await radio.ready.wait()

    class Full(Stubborn):
        """Takes a journal's beginning and no more."""

        def write_some(self, fd: int, data: memoryview) -> int:
            if os.lseek(fd, 0, os.SEEK_CUR):
                raise OSError(28, "No space left on device")
            return super().write_some(fd, data)

    monkeypatch.setattr(
        recorder, "JournalWriter", lambda folder, header: JournalWriter(folder, header, Full())
    )
    viewer = await bench.viewer()
    stream = aiter(viewer)
    disks[0].full = True
    radio.say("hub", b"1")
    await until(stream, "failing")
    await viewer.finish("done")
    store = await until(stream, "failing")
    assert "are lost" in store.reason
    assert "No space left" in store.reason
    assert store.lost > 0
    assert isinstance([record async for record in stream][-1], End)
    await viewer.close()
    await bench.task


async def test_a_disk_that_fails_at_the_very_end_is_told(
    begin: Begin, disks: list[Stubborn], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
):
    (tmp_path / "elsewhere").mkdir()
    monkeypatch.setattr("storage.remainder.refuges", lambda: [tmp_path / "elsewhere"])
    radio = Radio(["hub"])
    bench = await begin({"bluetooth": radio}, links=[("bluetooth", "hub")])
    await radio.ready.wait()
    close = JournalWriter.close

    def full(writer: JournalWriter) -> Flush:
        disks[0].full = True
        return close(writer)

    monkeypatch.setattr(JournalWriter, "close", full)
    seen = await bench.all_after_finish()
    (elsewhere,) = (tmp_path / "elsewhere").iterdir()
    assert isinstance(seen[-2], Store)
    assert str(elsewhere) in seen[-2].reason
    assert journal_goes_on(seen)
    _, first = read_journal(bench.session)
    assert [*first, *journal(elsewhere)] == seen


async def test_viewers_of_the_past_do_not_keep_the_journal_waiting(
    begin: Begin, monkeypatch: pytest.MonkeyPatch
):
    """Each reads in a thread; on a disk that gives little they take all threads there are."""
    monkeypatch.setattr(feed, "WINDOW", 8)
    monkeypatch.setattr(recorder, "FLUSH_S", 0.05)
    free, reading = threading.Event(), 0

    class Slow(Tail):
        def read(self, limit: int = 0) -> list[Record]:
            nonlocal reading
            reading += 1
            free.wait(60.0)
            return super().read(limit)

    monkeypatch.setattr(feed, "Tail", Slow)
    radio = Radio(["hub"])
    bench = await begin({"bluetooth": radio}, links=[("bluetooth", "hub")])
    await radio.ready.wait()
    executor = ThreadPoolExecutor(2)
    asyncio.get_running_loop().set_default_executor(executor)
    viewers = []
    try:
        for number in range(100):
            radio.say("hub", bytes([number]))
        size = (bench.session / MAIN).stat().st_size
        while (bench.session / MAIN).stat().st_size == size:
            await asyncio.sleep(0.02)
        await asyncio.sleep(0.1)
        viewers = [await bench.viewer() for _ in range(3)]
        while reading < 2:
            await asyncio.sleep(0.02)
        size = (bench.session / MAIN).stat().st_size
        radio.say("hub", b"kept")
        async with asyncio.timeout(10):
            while (bench.session / MAIN).stat().st_size == size:
                await asyncio.sleep(0.02)
    finally:
        free.set()
        for viewer in viewers:
            await viewer.close()
    seen = await bench.all_after_finish()
    assert journal(bench.session) == seen
    assert any(isinstance(record, Packet) and record.data == b"kept" for record in seen)


async def test_an_error_of_ours_does_not_end_the_writing(begin: Begin, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr(recorder, "FLUSH_S", 0.05)
    monkeypatch.setattr(recorder, "DESCRIBE_S", 0.0)
    radio = Radio(["hub"])
    bench = await begin({"bluetooth": radio}, links=[("bluetooth", "hub")])
    await radio.ready.wait()
    failed = asyncio.Event()
    loop = asyncio.get_running_loop()

    def fails(*_: object) -> None:
        loop.call_soon_threadsafe(failed.set)
        raise RuntimeError("a bug in the description")

    with monkeypatch.context() as patched:
        patched.setattr(recorder.infos, "write_info", fails)
        await failed.wait()
        failed.clear()
        await asyncio.wait_for(failed.wait(), 10)
        seen = await bench.all_after_finish()
    assert journal_goes_on(seen)
    assert journal(bench.session) == seen
    assert not (bench.session / LIVE).exists()
    assert "a bug in the description" in (bench.session / LOG).read_text()


@pytest.mark.skipif(os.name == "nt", reason="open files can't be deleted there")
async def test_a_deleted_folder_comes_back_with_all_that_belongs_to_it(
    begin: Begin, monkeypatch: pytest.MonkeyPatch
):
    monkeypatch.setattr(recorder, "FLUSH_S", 0.05)
    monkeypatch.setattr(recorder, "DESCRIBE_S", 0.0)
    radio = Radio(["hub"])
    bench = await begin({"bluetooth": radio}, links=[("bluetooth", "hub")])
    await radio.ready.wait()
    shutil.rmtree(bench.session.parent)
    logging.getLogger("storage.recorder").warning("said while nothing was there")
    async with asyncio.timeout(20):
        while read_live(bench.session) is None:
            await asyncio.sleep(0.02)
    assert (bench.session / LIVE).stat().st_mode & 0o77 == 0
    logging.getLogger("storage.recorder").warning("said when it was there again")
    async with await attach(bench.session) as viewer:
        await viewer.finish("done")
        seen = [record async for record in viewer]
    await bench.task
    assert journal(bench.session) == seen
    info = read_info(bench.session)
    assert info is not None
    assert info.state == "closed"
    assert "said when it was there again" in (bench.session / LOG).read_text()


def test_the_log_is_bounded(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr(recorder, "LOG_LIMIT", 2000)
    with recorder._logging_to(tmp_path / LOG):
        for _ in range(1000):
            log = logging.getLogger("storage.connection.feed")
            log.info("a viewer left: a wrong token")
    assert 1000 < (tmp_path / LOG).stat().st_size < 2200


async def test_who_knows_no_secret_does_not_take_all_handles(begin: Begin, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr(feed, "_STRANGERS", 4)
    bench = await begin({"bluetooth": Radio(["hub"])}, links=[("bluetooth", "hub")])
    held = [await raw(bench, b"") for _ in range(4)]
    await asyncio.sleep(0.05)
    # All places are taken: whoever knows the secret comes in at once, the oldest of the others goes.
    async with asyncio.timeout(2):
        await (await bench.viewer()).close()
    with contextlib.suppress(ConnectionError):
        assert await asyncio.wait_for(held[0][0].read(), 5) == b""
    more = [await raw(bench, b"") for _ in range(3)]
    for reader, _ in held[1:3]:
        with contextlib.suppress(ConnectionError):
            assert await asyncio.wait_for(reader.read(), 5) == b""
    assert not any(reader.at_eof() for reader, _ in more)
    for _, each in (*held, *more):
        each.close()
    assert journal_goes_on(await bench.all_after_finish())


def sockets() -> int:
    """How many this process has."""
    count = 0
    for each in Path("/proc/self/fd").iterdir():
        with contextlib.suppress(FileNotFoundError):
            count += os.readlink(each).startswith("socket:")
    return count


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="reads /proc")
async def test_a_screen_that_stands_still_does_not_hold_a_socket_for_ever(
    begin: Begin, monkeypatch: pytest.MonkeyPatch
):
    monkeypatch.setattr(feed, "BEHIND_LIMIT", 300)
    monkeypatch.setattr(feed, "STUCK_S", 0.3)
    radio = Radio(["hub"])
    bench = await begin({"bluetooth": radio}, links=[("bluetooth", "hub")])
    await radio.ready.wait()
    before = sockets()
    _, writer = await raw(bench, frame([encode(Hello(bench.started.token))]))
    await (await bench.viewer()).close()
    for record in big(6000):
        radio.emit(record)
        if record.t_ns % 100 == 0:
            await asyncio.sleep(0)
    async with asyncio.timeout(20):
        # Ours is still open; that of the recorder is not.
        while sockets() > before + 1:
            await asyncio.sleep(0.05)
    writer.close()
    assert journal_goes_on(await bench.all_after_finish())


async def test_a_flood_of_commands_costs_no_packet(begin: Begin, monkeypatch: pytest.MonkeyPatch):
    """Whoever knows the secret may still be mad: what he fills is his own connection, not the memory."""
    radio = Radio(["hub"])
    bench = await begin({"bluetooth": radio}, links=[("bluetooth", "hub")])
    await radio.ready.wait()
    _, writer = await raw(bench, frame([encode(Hello(bench.started.token))]))
    writer.write(frame([encode(Do("note", "x"))] * 200_000))
    quick = await bench.viewer()
    stream = aiter(quick)
    begun = asyncio.get_running_loop().time()
    acts = 0
    while (seconds := asyncio.get_running_loop().time() - begun) < 1.0:
        record = await anext(stream)
        acts += isinstance(record, Act)
    assert 0 < acts < 1500 * seconds
    writer.transport.abort()
    await quick.close()
    assert journal_goes_on(await bench.all_after_finish())


@pytest.mark.slow
async def test_a_piece_that_cannot_be_read_back_is_not_made_up_for_by_others(
    begin: Begin, monkeypatch: pytest.MonkeyPatch
):
    """What follows it would be given twice: once from the disk and once from the window."""
    monkeypatch.setattr(feed, "WINDOW", 64)
    monkeypatch.setattr(recorder, "FLUSH_S", 0.05)
    radio = Radio(["hub"])
    bench = await begin({"bluetooth": radio}, links=[("bluetooth", "hub")])
    await radio.ready.wait()
    for number in range(40):
        for _ in range(5):
            radio.say("hub", b"number %03d" % number)
        await asyncio.sleep(0.06)
    main = (bench.session / MAIN).read_bytes()
    with (bench.session / MAIN).open("r+b") as file:
        file.seek(main.index(b"number 005"))
        file.write(b"!")
    async with await bench.viewer() as viewer:
        await viewer.finish("done")
        seen = [record async for record in viewer]
    await bench.task
    heard = [record for record in seen if isinstance(record, Packet)]
    assert heard[-1].data == b"number 039"
    assert [record.t_ns for record in heard] == sorted({record.t_ns for record in heard})


async def test_wills_are_bounded_and_for_instruments_of_the_session(begin: Begin):
    radio = Radio(["hub"])
    bench = await begin({"bluetooth": radio}, links=[("bluetooth", "hub")])
    await radio.ready.wait()
    for left, words in (
        ([LastWill("heron", "2AD9", (b"\0",))], "a will for heron, which is not of this session"),
        ([LastWill("hub", f"{number:04X}", (b"\0",)) for number in range(40)], "there are 32 wills already"),
        ([LastWill("hub", "2AD9", (b"\0",) * 17)], "was not understood"),
    ):
        async with await bench.viewer() as viewer:
            for each in left:
                await viewer.will(each)
            with pytest.raises(CutOffError, match=words):
                async for _ in viewer:
                    pass
    assert journal_goes_on(await bench.all_after_finish())


async def test_writes_under_way_are_bounded(begin: Begin, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr(recorder, "MOST_WRITES", 2)
    monkeypatch.setattr(recorder, "LAST_WRITES_S", 0.05)
    radio = Radio(["hub"])
    bench = await begin({"bluetooth": radio}, links=[("bluetooth", "hub")])

    async def hangs() -> str:
        await asyncio.Event().wait()
        return "never"

    radio.answer = hangs
    async with await bench.viewer() as viewer:
        for _ in range(3):
            await viewer.write("hub", "2AD9", b"\x00")
        async for record in viewer:
            if isinstance(record, Write):
                assert record.outcome == "not sent: 2 others are under way"
                break
    await bench.all_after_finish()


async def test_a_moment_that_no_journal_holds_is_no_command(begin: Begin):
    bench = await begin({"bluetooth": Radio(["hub"])}, links=[("bluetooth", "hub")])
    async with await bench.viewer() as viewer:
        await viewer.act("note", "far", at_ns=(1 << 63) + 5)
        with pytest.raises(CutOffError, match="was not understood"):
            async for _ in viewer:
                pass
    assert journal_goes_on(await bench.all_after_finish())


async def test_who_takes_command_between_two_attempts_has_the_last_word(monkeypatch: pytest.MonkeyPatch):
    """The will of the first is still being tried when the second one is gone, too."""
    monkeypatch.setattr(last_will, "RETRY_S", (0.05,))
    sent: list[bytes] = []
    link = "not connected now"

    async def write(instrument: str, channel: str, data: bytes) -> str:
        if link == "sent":
            sent.append(data)
        return link

    held = last_will.LastWills(write, lambda label, why: None)
    held.leave(1, LastWill("hub", "2AD9", (b"first",)))
    held.gone(1)
    await asyncio.sleep(0.01)
    held.leave(2, LastWill("hub", "2AD9", (b"second",)))
    held.gone(2)
    await asyncio.sleep(0.01)
    link = "sent"
    await asyncio.sleep(0.2)
    assert sent == [b"second"]
    await held.finish()


def test_frames_are_cut_wherever_they_are_split():
    payloads = [b"", b"a", bytes(300), b"\x93\x01\x02\x03"]
    octets = frame(payloads)
    for step in (1, 2, 3, 7, 1000):
        unframer = Unframer(1000)
        found = []
        for at in range(0, len(octets), step):
            found += unframer.feed(octets[at : at + step])
        assert found == payloads
    with pytest.raises(WireError):
        Unframer(299).feed(octets)
