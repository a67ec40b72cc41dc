"""Each command's real screen with its real source, in a terminal of its own (a pseudo terminal)."""

import asyncio
import json
import os
import re
import select
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from capture.record import Act, Packet, Tick
from monitor.commands.live import make_job
from monitor.dashboard.replaying import ReplayApp
from monitor.sessions.replay import Replay
from monitor.setup.bench import parse_bench
from storage.attach import start_recorder
from storage.journal import read_journal
from storage.session import read_live

ROOT = Path(__file__).parents[1]
S = 1_000_000_000
BENCH = """\
[bench]
name = "evening"
reference = "hub"
[[instrument]]
label = "hub"
mount = "hub"
link = "scene:hub"
"""
PATIENCE_S = 60.0

needs_pty = pytest.mark.skipif(sys.platform == "win32", reason="needs a pseudo terminal")


class Terminal:
    """A command in a terminal of 100 columns and 30 rows."""

    def __init__(self, *arguments: str) -> None:
        import fcntl
        import pty
        import struct
        import termios

        self.seen = ""
        self._master, slave = pty.openpty()
        fcntl.ioctl(slave, termios.TIOCSWINSZ, struct.pack("HHHH", 30, 100, 0, 0))
        environment = {**os.environ, "TERM": "xterm-256color", "PYTHONPATH": str(ROOT)}
        self.process = subprocess.Popen(
            [sys.executable, "-m", "monitor.cli", *arguments],
            stdin=slave, stdout=slave, stderr=slave, env=environment, cwd=ROOT, start_new_session=True,
        )  # fmt: skip
        os.close(slave)

    def _read(self, wait_s: float) -> bool:
        """Take what has come; False at its end."""
        if not select.select([self._master], [], [], wait_s)[0]:
            return True
        try:
            octets = os.read(self._master, 1 << 16)
        except OSError:  # so Linux says that the other side is closed
            return False
        # What is drawn, without the commands to the terminal.
        self.seen += re.sub(r"\x1b(\[[0-9;:?<>=]*[a-zA-Z]|[()=>].?)", "", octets.decode("utf-8", "replace"))
        return bool(octets)

    def until(self, *words: str) -> None:
        """Wait until one of these has been shown since the last time."""
        end_s = time.monotonic() + PATIENCE_S
        while not any(word in self.seen for word in words):
            assert time.monotonic() < end_s, f"{words} did not come: {self.seen[-3000:]}"
            assert self._read(0.2), f"it ended before {words}: {self.seen[-3000:]}"
        self.seen = ""

    def type(self, keys: str) -> None:
        os.write(self._master, keys.encode())

    def end(self) -> tuple[int, str]:
        """Wait for its end: exit code, and what it said last."""
        end_s = time.monotonic() + PATIENCE_S
        while self._read(0.2):
            assert time.monotonic() < end_s, f"it does not end: {self.seen[-3000:]}"
            if self.process.poll() is not None and not select.select([self._master], [], [], 0.2)[0]:
                break
        return self.process.wait(PATIENCE_S), self.seen

    def close(self) -> None:
        self.process.kill()
        self.process.wait()
        os.close(self._master)


@pytest.fixture
def terminals() -> Iterator[list[Terminal]]:
    opened: list[Terminal] = []
    yield opened
    for each in opened:
        each.close()


def only_session(out: Path) -> Path:
    (found,) = (each for each in out.iterdir() if each.is_dir())
    return found


def end_recorder(session: Path) -> None:
    if (live := read_live(session)) is not None:
        os.kill(live.pid, signal.SIGTERM)


@needs_pty
@pytest.mark.slow
def test_the_demo_shows_its_screen_and_judges_at_its_end(tmp_path: Path, terminals: list[Terminal]) -> None:
    terminal = Terminal("demo", "--seconds", "8", "--out", str(tmp_path))
    terminals.append(terminal)
    terminal.until("● REC")
    # The page of help closes by q, and nothing ends by that.
    terminal.type("?")
    terminal.until("Esc, q or ? close it")
    terminal.type("q")
    terminal.until("heard", "mark")
    assert terminal.process.poll() is None
    code, said = terminal.end()
    assert code == 0, said
    assert "report.html" in said
    assert (only_session(tmp_path) / "report.html").is_file()


@needs_pty
@pytest.mark.slow
def test_run_is_left_and_follow_finishes_it(tmp_path: Path, terminals: list[Terminal]) -> None:
    bench = tmp_path / "bench.toml"
    bench.write_text(BENCH)
    out = tmp_path / "out"
    run = Terminal("run", str(bench), "--out", str(out))
    terminals.append(run)
    run.until("● REC")
    run.type("q")
    code, said = run.end()
    assert code == 0, said
    assert "The recording goes on" in said
    session = only_session(out)
    try:
        assert read_live(session) is not None
        follow = Terminal("follow", str(session))
        terminals.append(follow)
        follow.until("● REC")
        follow.type("f")
        follow.until("Finish the session?")
        follow.type("\r")
        code, said = follow.end()
        assert code == 0, said
        assert "session:" in said
        assert read_live(session) is None
    finally:
        end_recorder(session)


@needs_pty
@pytest.mark.slow
def test_a_stretch_and_a_reseated_instrument_by_their_keys(tmp_path: Path, terminals: list[Terminal]) -> None:
    """Keys v and e, as they reach the journal, and the row that the study makes of the stretch."""
    bench = tmp_path / "bench.toml"
    heron = '[[instrument]]\nlabel = "heron"\nlink = "scene:heron"\n'
    bench.write_text(BENCH.replace('"evening"', '"evening"\nhand_back = "09:00"') + heron)
    out = tmp_path / "out"
    run = Terminal("run", str(bench), "--out", str(out))
    terminals.append(run)
    run.until("● REC")
    run.until("hand-back in")
    run.type("v")
    run.until("stretch opened")
    run.type("e")
    run.until("which?")
    run.type("2")
    run.until("heron")
    time.sleep(2.0)
    run.type("v")
    run.until("stretch closed")
    run.type("f")
    run.until("Finish the session?")
    run.type("\r")
    code, said = run.end()
    assert code == 0, said
    session = only_session(out)
    acts = [record for record in read_journal(session)[1] if isinstance(record, Act)]
    told = [(act.act, act.text, act.instrument) for act in acts if act.act in ("stretch", "position")]
    assert told == [("stretch", "open", ""), ("position", "remounted", "heron"), ("stretch", "close", "")]
    (row,) = json.loads((session / "study.json").read_bytes())["stretches"]
    opened, closed = (act.moment_ns / 1e9 for act in acts if act.act == "stretch")
    assert (row["start_s"], row["end_s"]) == (pytest.approx(opened, abs=0.1), pytest.approx(closed, abs=0.1))


async def recorded(out: Path) -> Path:
    """A session of two minutes of a scene."""
    recorder = await start_recorder(make_job(parse_bench(BENCH, "bench"), None, out, 120.0, float("inf")))
    async with await recorder.attach() as viewer:
        async for _ in viewer:
            pass
    await recorder.wait()
    return recorder.session


@needs_pty
@pytest.mark.slow
def test_replay_shows_its_screen_pauses_steps_and_changes_its_speed(
    tmp_path: Path, terminals: list[Terminal]
) -> None:
    session = asyncio.run(recorded(tmp_path))
    terminal = Terminal("replay", str(session))
    terminals.append(terminal)
    terminal.until("REPLAY x1")
    terminal.type(" ")
    terminal.until("paused")
    terminal.type("\x1b[C")
    terminal.until("0:0")
    terminal.type("+")
    terminal.until("2 times as fast")
    terminal.type(" ")
    terminal.until("REPLAY x2")
    for _ in range(5):
        terminal.type("+")
    terminal.until("REPLAY x64")
    terminal.until("at its end")
    terminal.type("q")
    code, said = terminal.end()
    assert code == 0, said


def replay_of(seconds: int, path: Path) -> Replay:
    """Ticks and a packet a second."""
    records = [
        each
        for t in range(seconds)
        for each in (Tick(t * S, t * S), Packet(t * S + S // 2, "hub", "2A63", bytes.fromhex("00006400")))
    ]
    return Replay(path, iter(records), parse_bench(BENCH, "bench"), None)


async def test_keys_of_a_replay(tmp_path: Path) -> None:
    """Whole session seconds by steps, none while it stands still, all at the greatest speed."""
    player = replay_of(600, tmp_path)
    player.pace(1.0)
    app = ReplayApp(player, poll_hz=0)
    async with app.run_test(size=(100, 30)) as pilot:
        await pilot.press("space")
        await pilot.pause()
        assert player.paused
        stood_s = player.pipeline.t_s
        await asyncio.sleep(0.3)
        assert player.pipeline.t_s == stood_s
        assert player.view().recording == "REPLAY, paused"
        await pilot.press("right", "right", "pagedown")
        for _ in range(200):
            if player.pipeline.t_s >= 62.0:
                break
            await asyncio.sleep(0.01)
        # From somewhere in its first second on.
        assert 62.0 <= player.pipeline.t_s <= 63.5
        await asyncio.sleep(0.1)
        assert player.pipeline.t_s <= 63.5
        await pilot.press(*["plus"] * 8)
        assert player.speed == 64.0
        await pilot.press("minus", "space")
        assert (player.speed, player.paused) == (32.0, False)
        begun_s = player.pipeline.t_s
        await asyncio.sleep(0.5)
        assert 8.0 <= player.pipeline.t_s - begun_s <= 60.0
        app.poll()
        assert player.view().recording == "REPLAY x32"
        assert app.feed_error is None
        await pilot.press("q")
    assert app.return_value == "left"


async def test_a_late_start_of_the_clock_is_not_waited_for(tmp_path: Path) -> None:
    """A log may begin at any second."""
    records = [Tick((1000 + t) * S, t * S) for t in range(3)]
    player = Replay(tmp_path, iter(records), parse_bench(BENCH, "bench"), None)
    player.pace(64.0)
    async with asyncio.timeout(5):
        await player.play()
    assert player.closed
