"""A session while it is recorded: one path for live and replay, and nothing lost when a part dies."""

import asyncio
import contextlib
import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import AsyncIterator, Callable
from pathlib import Path

import pytest

from capture.record import Act, End, Header, Link, Packet, Record, Tick
from monitor.cli import main
from monitor.commands import live as live_commands
from monitor.commands.live import make_job
from monitor.controls.controls import is_ridden
from monitor.live.pipeline import Pipeline
from monitor.live.runner import RIDDEN_S, START_WITHIN_S, Runner
from monitor.sessions import derived as products
from monitor.sessions.live.live_session import LiveSession
from monitor.setup.bench import parse_bench
from monitor.setup.protocol import AFTER, parse_protocol
from storage.attach import CutOffError, RecorderError, attach, start_recorder
from storage.damage import SessionError
from storage.journal import JournalWriter, read_journal
from storage.session import read_live

S = 1_000_000_000
BENCH = """\
[bench]
reference = "hub"
[[instrument]]
label = "hub"
mount = "hub"
link = "scene:hub"
"""
PROTOCOL = """\
[[segment]]
name = "one"
seconds = 60
target_w = 150
[[segment]]
name = "two"
seconds = 30
sprint = true
"""


# -- the protocol, as rows of (session second, what happened or whether all are heard, what is due)


def due(runner: Runner, t_s: float, heard: bool = True, ridden_s: float = 60.0) -> str | None:
    return runner.due(t_s, heard, ridden_s)


def begin(runner: Runner, t_s: float, name: str) -> None:
    runner.take(Act(int(t_s * S), "segment", name))


def test_segments_begin_at_their_times() -> None:
    runner = Runner(parse_protocol(PROTOCOL))
    assert due(runner, 5, heard=False, ridden_s=5.0) is None
    assert due(runner, 6) == "one"
    assert due(runner, 7) is None  # asked for, not yet come back
    begin(runner, 7.2, "one")
    assert due(runner, 66) is None
    assert due(runner, 67) == "two"  # the tick nearest to 67.2
    assert due(runner, 71) == "two"  # nothing came back for four seconds: asked for again
    begin(runner, 72.1, "two")
    assert due(runner, 101) is None
    assert due(runner, 102) == AFTER
    begin(runner, 102, AFTER)
    assert due(runner, 500) is None


def test_the_protocol_begins_without_an_instrument_that_is_never_heard() -> None:
    runner = Runner(parse_protocol(PROTOCOL))
    assert due(runner, 100.0, heard=False, ridden_s=START_WITHIN_S - 1) is None
    assert due(runner, 101.0, heard=False, ridden_s=START_WITHIN_S) == "one"


def test_the_protocol_waits_for_the_tester_or_the_cranks() -> None:
    runner = Runner(parse_protocol(PROTOCOL))
    # Nobody rides: an hour is no reason to begin.
    assert due(runner, 3600.0, ridden_s=0.0) is None
    view = runner.view(3600.0)
    assert view is not None
    assert (view.stage, view.number, view.next_name, view.left_s) == ("ready", 0, "one", None)
    # A crank that is spun by hand to wake a sensor begins nothing.
    assert due(runner, 3601.0, ridden_s=RIDDEN_S - 1.0) is None
    assert due(runner, 3602.0, ridden_s=RIDDEN_S) == "one"
    # By the key it begins without any of that.
    begin(runner, 3603.0, "one")
    view = runner.view(3604.0)
    assert view is not None
    assert (view.stage, view.name, view.left_s) == ("", "one", 59.0)
    checked = Runner(parse_protocol(PROTOCOL), waits=True)
    assert due(checked, 100.0) is None
    assert checked.view(100.0).stage == "checks"  # type: ignore[union-attr]
    checked.take(Act(100 * S, "ready"))
    assert checked.view(100.0).stage == "ready"  # type: ignore[union-attr]
    assert due(checked, 101.0, ridden_s=0.0) is None
    assert due(checked, 102.0, heard=False, ridden_s=RIDDEN_S) == "one"


def test_who_follows_leaves_the_beginning_to_the_screen_that_was_first() -> None:
    runner = Runner(parse_protocol(PROTOCOL), late_s=3.0)
    assert due(runner, 100.0, ridden_s=RIDDEN_S) is None
    assert due(runner, 103.0, ridden_s=RIDDEN_S + 3.0) == "one"


def test_the_operator_may_skip_and_may_name_a_segment_of_his_own() -> None:
    runner = Runner(parse_protocol(PROTOCOL))
    begin(runner, 3, "one")
    begin(runner, 10, "two")  # the key for the next one
    assert due(runner, 39) is None
    begin(runner, 39.5, "changing the battery")
    assert due(runner, 300) is None
    begin(runner, 301, "one")
    assert due(runner, 361.5) == "two"


def test_who_follows_takes_over_late_only() -> None:
    runner = Runner(parse_protocol(PROTOCOL), late_s=3.0)
    begin(runner, 7, "one")
    assert due(runner, 69) is None
    assert due(runner, 70) == "two"


def test_a_name_that_stands_twice_is_begun_twice() -> None:
    runner = Runner(parse_protocol(PROTOCOL + PROTOCOL))
    begun = []
    t_s = 1.0
    while (name := due(runner, t_s)) != AFTER:
        if name is not None:
            begun.append(name)
            begin(runner, t_s, name)
        t_s += 1
    assert begun == ["one", "two", "one", "two"]


def test_watts_are_a_ride_as_long_as_they_are_heard() -> None:
    """20 W by any instrument; packets are those of the Cycling Power Measurement, 0x2A63."""
    pipeline = Pipeline(parse_bench(BENCH))
    assert not is_ridden(pipeline, 1.0)
    for t_s, power_w, ridden in ((1.0, 5, False), (2.0, 5, False), (3.0, 150, True), (4.0, 150, True)):
        data = b"\x00\x00" + power_w.to_bytes(2, "little")
        pipeline.feed(Packet(round(t_s * S), "hub", "2A63", data))
        assert is_ridden(pipeline, t_s) == ridden
    assert not is_ridden(pipeline, 9.0)  # not heard since


# -- broken connections, with a recorder of straw


class Straw:
    """A recorder that gives some records and then does what it is told to."""

    def __init__(self, records: list[Record], then: Exception | None) -> None:
        self.records, self.then, self.heard, self.closed = records, then, list[tuple[object, ...]](), False

    async def batches(self) -> AsyncIterator[list[Record]]:
        yield self.records
        await asyncio.sleep(0.02)
        if self.then is not None:
            raise self.then

    async def act(self, act: str, text: str = "", instrument: str = "", at_ns: int = 0) -> None:
        self.heard.append((act, text, instrument, *([at_ns] if at_ns else [])))

    async def write(self, instrument: str, channel: str, data: bytes) -> None:
        self.heard.append(("write", instrument, channel))

    async def finish(self, reason: str = "finished") -> None:
        self.heard.append(("finish", reason))

    async def close(self) -> None:
        self.closed = True


def attaching(*straws: Straw | Exception) -> tuple[Callable[[int], object], list[int]]:
    left, asked = list(straws), list[int]()

    async def again(since: int) -> Straw:
        asked.append(since)
        straw = left.pop(0)
        if isinstance(straw, Exception):
            raise straw
        return straw

    return again, asked


def ticks(first: int, last: int) -> list[Record]:
    return [Tick(second * S, second * S) for second in range(first, last)]


async def test_a_screen_that_was_dropped_comes_back_for_the_rest() -> None:
    first = Straw(ticks(0, 10), CutOffError("too slow"))
    second = Straw(ticks(10, 12), RecorderError("the connection broke"))
    third = Straw([*ticks(12, 13), End(13 * S, "over")], None)
    again, asked = attaching(first, second, RecorderError("not yet"), third)
    session = LiveSession(Path("nowhere"), again, parse_bench(BENCH))  # type: ignore[arg-type]
    session.act("mark")
    await session.feed()
    assert asked == [0, 10, 12, 12]
    assert (session.pipeline.records, session.closed, session.closed_why) == (14, True, "")
    assert first.heard == [("mark", "", "")]
    assert first.closed
    assert third.closed


REAL = BENCH.replace("scene:hub", "bluetooth:AA:BB:CC:DD:EE:FF")


@pytest.mark.parametrize("old", [True, False])
async def test_who_attaches_begins_nothing_in_the_past_that_it_hears(old: bool) -> None:
    # The cranks turned before the first screen told that it waits for its key: a slow computer.
    now_s = 1000.0
    records: list[Record] = []
    for second in range(30):
        records.append(Packet(second * S, "hub", "2A63", bytes.fromhex("0000c800")))
        behind_s = 300.0 - second if old else 0.0
        records.append(Tick(second * S + 1, round((now_s - behind_s) * S)))
    again, _ = attaching()
    bench, protocol = parse_bench(REAL), parse_protocol(PROTOCOL)
    session = LiveSession(
        Path("nowhere"), again, bench, protocol,  # type: ignore[arg-type]
        runner=Runner(protocol, late_s=3.0), now_ns=lambda: round(now_s * S),
    )  # fmt: skip
    begun: list[str] = []
    session.act = lambda act, text="", *_: begun.append(text)  # type: ignore[assignment, method-assign, misc]
    for record in records:
        session._take(record)
    assert begun[:1] == ([] if old else ["one"])


async def test_what_could_not_be_sent_waits_for_the_next_connection() -> None:
    class Deaf(Straw):
        async def act(self, act: str, text: str = "", instrument: str = "", at_ns: int = 0) -> None:
            raise RecorderError("gone")

    last = Straw([End(S, "over")], None)
    again, _ = attaching(Deaf(ticks(0, 1), RecorderError("gone")), last)
    session = LiveSession(Path("nowhere"), again, parse_bench(BENCH))  # type: ignore[arg-type]
    session.act("gear", "50x17")
    session.finish("enough")
    await session.feed()
    assert last.heard == [("gear", "50x17", ""), ("finish", "enough")]


async def test_a_dead_recorder_is_said_loudly_and_its_last_records_come_from_the_disk(tmp_path: Path) -> None:
    records = [*ticks(0, 5), Link(5 * S, "hub", "up")]
    writer = JournalWriter(tmp_path, Header(BENCH, "test", 0))
    for record in records:
        writer.append(record)
    assert not writer.close().failing
    gone = SessionError(tmp_path, "its recorder is gone", "replay shows what was recorded")
    again, asked = attaching(Straw(records[:3], RecorderError("gone")), gone)
    session = LiveSession(tmp_path, again, parse_bench(BENCH))  # type: ignore[arg-type]
    await session.feed()
    assert asked == [0, 3]
    assert session.pipeline.records == 6
    assert session.closed
    assert "recorder is gone" in session.closed_why


async def test_a_session_that_was_closed_meanwhile_is_no_death(tmp_path: Path) -> None:
    writer = JournalWriter(tmp_path, Header(BENCH, "test", 0))
    for record in [*ticks(0, 3), End(3 * S, "over")]:
        writer.append(record)
    writer.close()
    again, _ = attaching(SessionError(tmp_path, "is not being recorded now", ""))
    session = LiveSession(tmp_path, again, parse_bench(BENCH))  # type: ignore[arg-type]
    await session.feed()
    assert (session.closed, session.closed_why, session.pipeline.records) == (True, "", 4)


async def test_an_act_tells_the_moment_of_its_key() -> None:
    straw = Straw(ticks(0, 20), CutOffError("too slow"))
    last = Straw([End(20 * S, "over")], None)
    again, _ = attaching(straw, last)
    session = LiveSession(Path("nowhere"), again, parse_bench(BENCH))  # type: ignore[arg-type]
    feeding = asyncio.create_task(session.feed())
    await asyncio.sleep(0.005)
    session.act("note", "clicked", at_s=12.34)
    session.act("gear", "50x17")
    await feeding
    assert [*straw.heard, *last.heard] == [("note", "clicked", "", 12_340_000_000), ("gear", "50x17", "")]


def test_the_same_view_while_nothing_came() -> None:
    again, _ = attaching()
    session = LiveSession(Path("nowhere"), again, parse_bench(BENCH))  # type: ignore[arg-type]
    assert session.view() is session.view()
    session.pipeline.feed(Tick(0, 0))
    assert session.view().t_s == 0.0


# -- with the real recorder


def only_session(out: Path) -> Path:
    (session,) = out.iterdir()
    return session


def test_live_and_replay_print_the_same_bytes(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["demo", "--headless", "--speed", "max", "--seconds", "135", "--out", str(tmp_path)]) == 0
    live, talk = capsys.readouterr()
    session = only_session(tmp_path)
    *findings, end = [json.loads(line) for line in live.splitlines()]
    assert end == {
        "event": "end", "t_s": 135.0, "session": str(session), "records": end["records"], "lost_records": 0,
    }  # fmt: skip
    assert list(findings[0]) == [
        "t_s", "event", "kind", "instrument", "side", "reference", "value", "limit", "unit", "since_s",
        "cause", "what", "do", "advice",
    ]  # fmt: skip
    told = [(f["event"], f["kind"], f["instrument"], f["side"]) for f in findings]
    assert ("raised", "side-off", "heron", "right") in told
    assert str(session) in talk
    assert (session / "findings.jsonl").read_text(encoding="utf-8") == "".join(live.splitlines(True)[:-1])
    assert main(["replay", str(session), "--headless"]) == 0
    assert capsys.readouterr().out == live
    # Once more, now that its products are there: the same again, and nothing was overwritten.
    assert main(["replay", str(session / "session.json"), "--headless"]) == 0
    assert capsys.readouterr().out == live


@pytest.mark.slow
def test_a_session_is_judged_once_and_not_by_who_only_watches(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Several screens see the end of a session at the same moment."""
    assert main(["demo", "--headless", "--speed", "max", "--seconds", "20", "--out", str(tmp_path)]) == 0
    session = only_session(tmp_path)
    made = sorted(path.name for path in session.iterdir())
    for name in products.SAMPLES, products.GRID, products.STUDY, products.REPORT, products.FINDINGS:
        (session / name).unlink()
    closed = LiveSession(session, lambda since: None, parse_bench(BENCH))  # type: ignore[arg-type, return-value]
    assert live_commands._conclude(closed, judges=False) == 0
    assert not (session / products.SAMPLES).exists()
    assert "`plumbwatt study" in capsys.readouterr().err
    for _ in range(2):
        assert live_commands._conclude(closed) == 0
        assert sorted(path.name for path in session.iterdir()) == made


@pytest.mark.slow
def test_a_capture_log_becomes_a_session(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    # Cycling Power Measurement: flags 0x0020 (crank revolutions), 200 W; Bluetooth SIG, Cycling Power
    # Service 1.1, table 3.2.
    lines = [
        json.dumps({"t": n * 0.5, "instrument": "Pedals, left", "ble": "2A63",
                    "hex": f"2000c800{n:02x}00{(n * 683) % 65536 & 255:02x}{(n * 683) % 65536 >> 8:02x}"})
        for n in range(120)
    ]  # fmt: skip
    log = tmp_path / "ride.jsonl"
    log.write_text("\n".join([*lines[:60], "nonsense", *lines[60:]]), encoding="utf-8")
    assert main(["replay", str(log), "--headless"]) == 0
    alone, talk = capsys.readouterr()
    assert "pedals-left against pedals-left" in talk
    assert "line 61" in talk
    assert main(["replay", str(log), "--headless", "--out", str(tmp_path / "out")]) == 0
    live = capsys.readouterr().out
    session = only_session(tmp_path / "out")
    assert json.loads(live.splitlines()[-1])["session"] == str(session)
    assert live.splitlines()[:-1] == alone.splitlines()[:-1]
    assert main(["replay", str(session), "--headless"]) == 0
    assert capsys.readouterr().out == live
    assert "line 61" in (session / "session.json").read_text(encoding="utf-8")


def start(out: Path, *options: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-m", "monitor.cli", "demo", "--headless", "--out", str(out), *options],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def recording(out: Path, records: int = 1) -> Path:
    """The session folder, once it is being recorded and so many records are on the disk."""
    deadline = time.monotonic() + 30
    while time.monotonic() < deadline:
        for folder in out.iterdir() if out.exists() else ():
            if read_live(folder) is not None and (folder / "journal.crc").stat().st_size > 16 * records:
                return folder
        time.sleep(0.05)
    raise AssertionError("no recording began")


def last_record(session: Path) -> Record:
    *_, last = read_journal(session)[1]
    return last


@pytest.mark.slow
def test_an_interrupt_finishes_the_session(tmp_path: Path) -> None:
    with start(tmp_path) as process:
        session = recording(tmp_path)
        process.send_signal(signal.SIGINT)
        out, err = process.communicate(timeout=30)
    assert process.returncode == 0, err
    assert json.loads(out.splitlines()[-1])["event"] == "end"
    assert isinstance(last_record(session), End)
    assert (session / "findings.jsonl").exists()
    assert "Traceback" not in err


@pytest.mark.slow
def test_a_reader_that_goes_away_finishes_the_session(tmp_path: Path) -> None:
    with start(tmp_path, "--speed", "50") as process:
        session = recording(tmp_path)
        assert process.stdout is not None
        process.stdout.close()
        assert process.stderr is not None
        err = process.stderr.read()
        process.wait(timeout=60)
    assert "Traceback" not in err
    assert process.returncode == 0, err
    assert isinstance(last_record(session), End)


@pytest.mark.slow
def test_a_killed_recorder_is_said_and_what_it_wrote_is_kept(tmp_path: Path) -> None:
    with start(tmp_path) as process:
        session = recording(tmp_path, records=2)
        live = read_live(session)
        assert live is not None
        os.kill(live.pid, signal.SIGKILL)
        out, err = process.communicate(timeout=60)
    assert process.returncode == 4, err
    assert "THE RECORDER DIED" in err
    assert json.loads(out.splitlines()[-1])["records"] > 0
    assert (session / "findings.jsonl").exists()
    assert main(["replay", str(session), "--headless"]) == 0


@pytest.mark.slow
def test_a_killed_monitor_ends_no_recording_and_another_attaches(tmp_path: Path) -> None:
    with start(tmp_path) as process:
        session = recording(tmp_path)
        process.kill()
        process.communicate()

    async def watch() -> LiveSession:
        looking = await attach(session)
        await looking.close()
        bench = parse_bench(looking.header.bench)
        following = LiveSession(session, lambda since: attach(session, since), bench)
        feeding = asyncio.create_task(following.feed())
        while following.pipeline.t_s < 2.0:
            await asyncio.sleep(0.05)
        following.finish("seen enough")
        await asyncio.wait_for(feeding, 30)
        return following

    following = asyncio.run(watch())
    assert (following.closed, following.closed_why) == (True, "")
    assert following.pipeline.records == sum(1 for _ in read_journal(session)[1])
    assert isinstance(last_record(session), End)


async def test_a_job_tells_the_recorder_what_the_bench_says(tmp_path: Path) -> None:
    bench = parse_bench(BENCH)
    job = make_job(bench, parse_protocol(PROTOCOL), tmp_path, seconds=3.0, speed=float("inf"))
    assert (job.speed, job.seconds, job.protocol, job.bench) == ("max", 3.0, PROTOCOL, BENCH)
    recorder = await start_recorder(job)
    session = LiveSession(recorder.session, recorder.attach, bench, parse_protocol(PROTOCOL))
    await session.feed()
    assert await recorder.wait() == 0
    assert session.view().segment is not None
    assert session.view().segment.name == "one"  # type: ignore[union-attr]
    assert session.pipeline.t_s == 3.0


def recorders(folder: Path) -> list[int]:
    """Processes that record into a folder, by what they hold open."""
    found = []
    for each in Path("/proc").iterdir():
        if each.name.isdecimal():
            with contextlib.suppress(OSError):
                command = (each / "cmdline").read_bytes()
                opened = [os.readlink(fd) for fd in (each / "fd").iterdir()]
                if b"storage.recorder" in command and any(str(folder) in name for name in opened):
                    found.append(int(each.name))
    return found


@pytest.mark.slow
@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="looks into /proc")
@pytest.mark.parametrize("name", ["SIGTERM", "SIGHUP"])
def test_a_headless_run_that_is_told_to_end_while_it_starts_leaves_no_recorder_unsaid(
    tmp_path: Path, name: str
) -> None:
    """From before the recorder is there until the run is under way, every tenth of a second."""
    for number in range(10):
        out = tmp_path / str(number)
        command = [sys.executable, "-m", "monitor.cli", "demo", "--headless", "--out", str(out)]
        root = Path(__file__).parents[1]
        # Whoever runs the tests may ignore the signal (as nohup does), and children inherit that.
        kept = signal.signal(getattr(signal, name), signal.SIG_DFL)
        try:
            run = subprocess.Popen(
                command, cwd=root, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True
            )
        finally:
            signal.signal(getattr(signal, name), kept)
        # Counted from the process of the recorder on, however long the imports before it take.
        children = Path(f"/proc/{run.pid}/task/{run.pid}/children")
        while run.poll() is None and not any(
            (path / "children").read_text() for path in children.parents[1].glob("*")
        ):
            time.sleep(0.01)
        time.sleep(number * 0.1)
        run.send_signal(getattr(signal, name))
        _, said = run.communicate(timeout=60)
        if left := recorders(out):
            for pid in left:
                os.kill(pid, signal.SIGKILL)
            assert "The recording goes on" in said, (number, said)
