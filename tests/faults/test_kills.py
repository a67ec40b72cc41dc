"""Killed at random times: the recorder, the screen, both. What was recorded stays and is true.

The source is a scene, whose bytes are known beforehand; it runs in real time.
"""

import asyncio
import contextlib
import os
import pty
import random
import select
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from capture.record import End, Header, Packet, Record, Write
from capture.scene import Scene
from capture.source import Wanted
from monitor.setup.bench import parse_bench
from storage.attach import RecorderError, attach
from storage.damage import SessionError
from storage.journal import Tail, read_journal
from storage.rescue import rescue
from storage.session import read_live

BOUNDED, LONG = 4, 67
"""Kills of each of the three kinds: 12, or 201."""
MOST_LOST_S = 1.2
TEXT = """
[bench]
name = "killed"
reference = "hub"
[[instrument]]
label = "hub"
role = "reference"
mount = "hub"
link = "scene:hub"
[[instrument]]
label = "pedals"
mount = "pedals"
sides = "both"
link = "scene:pedals"
[[instrument]]
label = "spider"
mount = "spider"
link = "scene:spider"
[[instrument]]
label = "heron"
mount = "crank"
sides = "both"
link = "scene:heron"
[scene]
seed = 7
loop = true
[[scene.segment]]
name = "steady"
seconds = 60
target_w = 200
[scene.instrument.hub]
kind = "trainer"
radio = "ant"
[scene.instrument.pedals]
kind = "pedals"
radio = "ant"
[scene.instrument.spider]
kind = "spider"
radio = "ant"
[scene.instrument.heron]
kind = "crank"
radio = "bluetooth"
"""


class Screen:
    """`plumbwatt run` on a terminal of its own, in its own process group."""

    def __init__(self, folder: Path, *options: str) -> None:
        bench = folder / "bench.toml"
        bench.write_text(TEXT, encoding="utf-8")
        self.out = folder / "sessions"
        self.master, slave = pty.openpty()
        self.process = subprocess.Popen(
            [sys.executable, "-m", "monitor.cli", "run", str(bench), "--out", str(self.out), *options],
            stdin=slave, stdout=slave, stderr=slave, start_new_session=True,
            env={**os.environ, "TERM": "xterm-256color"}, cwd=Path(__file__).parents[2],
        )  # fmt: skip
        os.close(slave)
        self.seen = b""
        self._stop = threading.Event()
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()
        deadline = time.monotonic() + 30.0
        while (found := self._live()) is None:
            assert time.monotonic() < deadline, self.seen[-2000:]
            time.sleep(0.05)
        self.session, self.recorder = found

    def _read(self) -> None:
        while not self._stop.is_set():
            if select.select([self.master], [], [], 0.1)[0]:
                try:
                    self.seen = (self.seen + os.read(self.master, 1 << 16))[-200_000:]
                except OSError:
                    return

    def _live(self) -> tuple[Path, int] | None:
        for session in self.out.glob("*"):
            if (live := read_live(session)) is not None:
                return session, live.pid
        return None

    def close(self) -> None:
        for pid in (self.process.pid, self.recorder):
            with contextlib.suppress(ProcessLookupError):
                os.kill(pid, signal.SIGKILL)
        self.process.wait(10.0)
        self._stop.set()
        self._reader.join(2.0)
        os.close(self.master)


@pytest.fixture
def screens(tmp_path: Path) -> Iterator[list[Screen]]:
    opened: list[Screen] = []
    yield opened
    for screen in opened:
        screen.close()


def until(session: Path, seconds: float) -> int:
    """Wait until so much session time lies on the disk and a random part of a second more; the last t_ns."""
    deadline = time.monotonic() + 60.0
    last = 0
    with Tail(session, 0) as tail:
        while last < seconds * 1e9:
            for record in tail.read():
                last = record.t_ns
            assert time.monotonic() < deadline
            time.sleep(0.02)
    return last


def check_true(found: list[Record]) -> None:
    """Every packet is the next one of the scene, none is left out; requests are asked anew of the scene.

    The recorder draws one record ahead, so a request acts on those after the one that is due.
    """
    bench = parse_bench(TEXT, "the bench")
    scene = Scene(bench.scene, [Wanted(i.label, i.link, i.profile) for i in bench.instruments])
    records = scene.records()
    due = next(records)
    for record in found:
        if record == due:
            due = next(records)
        elif isinstance(record, Write):
            if record.outcome == "sent":
                assert scene.write(record.instrument, record.channel, record.data) == "sent"
        else:
            assert not isinstance(record, Packet), (record, due)


async def heard_up_to(session: Path, kill_s: float, kill: "list[int]") -> int:
    """Follow the recorder, kill at a session time, and tell the time of the last packet that it took."""
    last = 0
    connection = await attach(session)
    begin: float | None = None
    try:
        async for batch in connection.batches():
            for record in batch:
                if isinstance(record, Packet):
                    last = record.t_ns
            if begin is None:
                begin = time.monotonic() - last / 1e9
            if time.monotonic() - begin >= kill_s:
                for pid in kill:
                    with contextlib.suppress(ProcessLookupError):
                        os.kill(pid, signal.SIGKILL)
                kill = []
    except (SessionError, RecorderError):
        pass
    finally:
        await connection.close()
    return last


@pytest.mark.parametrize("who", ["recorder", "both"])
def test_a_killed_recorder_loses_a_second_at_most(
    who: str, tmp_path: Path, long: bool, screens: list[Screen]
) -> None:
    chance = random.Random(who)
    lost: list[float] = []
    for number in range(LONG if long else BOUNDED):
        (tmp_path / str(number)).mkdir()
        screen = Screen(tmp_path / str(number))
        screens.append(screen)
        kill = [screen.recorder] if who == "recorder" else [screen.recorder, screen.process.pid]
        last_ns = asyncio.run(heard_up_to(screen.session, chance.uniform(1.5, 4.5), kill))
        header, records = read_journal(screen.session)
        found = list(records)
        assert isinstance(header, Header)
        assert not any(isinstance(r, End) for r in found)
        check_true(found)
        there = max((r.t_ns for r in found if isinstance(r, Packet)), default=0)
        lost.append((last_ns - there) / 1e9)
        assert lost[-1] <= MOST_LOST_S
        report = rescue(screen.session)
        assert report.outcome == "whole", report
        assert report.path is not None
        again = list(read_journal(report.path)[1])
        assert again[: len(found)] == found
        if who == "recorder":
            # The screen sees it and says so; it has not died of it.
            deadline = time.monotonic() + 15.0
            while b"CUT" not in screen.seen and time.monotonic() < deadline:
                time.sleep(0.1)
            assert b"CUT" in screen.seen
            assert screen.process.poll() is None
        screen.close()
        screens.remove(screen)
    print(f"\n{who} killed {len(lost)} times: lost at most {max(lost):.2f} s of packets")


def test_a_killed_screen_costs_nothing(tmp_path: Path, long: bool, screens: list[Screen]) -> None:
    chance = random.Random("screen")
    for number in range(LONG if long else BOUNDED):
        (tmp_path / str(number)).mkdir()
        screen = Screen(tmp_path / str(number))
        screens.append(screen)
        until(screen.session, 1.0)
        time.sleep(chance.uniform(0.0, 2.5))
        os.kill(screen.process.pid, signal.SIGKILL)
        screen.process.wait(10.0)
        found = asyncio.run(_attach_again_and_finish(screen.session))
        assert isinstance(found[-1], End)
        _, records = read_journal(screen.session)
        assert list(records) == found
        assert records.damage is None
        check_true(found)
        screen.close()
        screens.remove(screen)


async def _attach_again_and_finish(session: Path) -> list[Record]:
    """What `follow` does: from the beginning, on to a later second, then finish."""
    found: list[Record] = []
    async with asyncio.timeout(30.0):
        connection = await attach(session)
        asked = False
        async for batch in connection.batches():
            found += batch
            if not asked and len(found) > 10:
                await asyncio.sleep(0.3)
                await connection.finish("the test is over")
                asked = True
        await connection.close()
    return found
