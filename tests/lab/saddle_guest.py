"""In the machine: ride from the saddle against real radio stacks. Called by saddle_lab.py.

    saddle_guest.py zero BENCH OUT        ask every instrument for zero offset and crank length
    saddle_guest.py trainer BENCH PROTOCOL OUT
                                          hold a trainer from real screens, and kill them

Writes what happened to OUT/result.json, times as Unix seconds.
"""

import asyncio
import json
import os
import pty
import signal
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from capture.record import Act, End, Link, Packet, Record, Write
from monitor.commands.live import make_job
from monitor.controls.output import RefusedKeyError
from monitor.controls.zeroing import Wish
from monitor.sessions.live.live_session import LiveSession
from monitor.setup.bench import load_bench
from storage.attach import Attachment, attach, start_recorder
from storage.session import read_live

PYTHON = [sys.executable, "-m", "monitor.cli"]


def say(*words: object) -> None:
    print(f"{time.time():.2f}", *words, flush=True)


# -- zero offset and crank length, by the hands of a session


async def zero(bench_file: Path, out: Path) -> dict[str, Any]:
    bench = load_bench(bench_file)
    recorder = await start_recorder(make_job(bench, None, out))
    session = LiveSession(recorder.session, recorder.attach, bench, asks=True)
    feeding = asyncio.create_task(session.feed())
    controls = session.controls
    assert controls is not None
    labels = [each.label for each in bench.instruments]
    await until(lambda: all(session.pipeline.packets), 60, "all heard")
    await asyncio.sleep(6)
    result: dict[str, Any] = {"session": str(recorder.session), "said": {}, "refused": {}}
    facts = session.pipeline.facts.reported
    result["asked"] = {label: facts[i].get("crank_length_mm") for i, label in enumerate(labels)}

    async def ask(name: str, wish: Wish) -> None:
        try:
            controls.ask(wish)
            if wish.kind == "zero":
                controls.confirm()
        except RefusedKeyError as error:
            result["refused"][name] = str(error)
            controls.cancel()
            return
        session.pass_on()
        await until(lambda: bool(controls.said), 45, name)
        result["said"][name] = controls.said
        say(name, controls.said)
        controls.said = ""

    for label in labels:
        for turn in range(2):
            await ask(f"{label} {turn}", Wish("zero", label))
    for label in labels[:1] + labels[-1:]:
        await ask(f"{label} read", Wish("crank-length", label))
        await ask(f"{label} set", Wish("set-crank-length", label, 170.0))
    session.finish("done")
    await feeding
    return result


async def until(done: Callable[[], bool], seconds: float, what: str) -> None:
    end = time.monotonic() + seconds
    while not done():
        if time.monotonic() > end:
            raise TimeoutError(what)
        await asyncio.sleep(0.05)


# -- a trainer held from real screens


class Screen:
    """A command in a terminal of its own; what it draws is thrown away, but read."""

    def __init__(self, *command: str) -> None:
        self.pid, self._fd = pty.fork()
        if self.pid == 0:
            os.environ["TERM"] = "xterm-256color"
            os.execv(PYTHON[0], [*PYTHON, *command])
        os.set_blocking(self._fd, False)
        self.drawn = b""
        asyncio.get_running_loop().add_reader(self._fd, self._read)

    def _read(self) -> None:
        try:
            self.drawn = (self.drawn + os.read(self._fd, 65536))[-20000:]
        except OSError:
            asyncio.get_running_loop().remove_reader(self._fd)

    async def type(self, *keys: str) -> None:
        for key in keys:
            os.write(self._fd, key.encode())
            await asyncio.sleep(0.8)

    async def shows(self, words: bytes, seconds: float) -> bool:
        """Whether something with these words is drawn before so long."""
        end = time.monotonic() + seconds
        while words not in self.drawn and time.monotonic() < end:
            await asyncio.sleep(0.05)
        return words in self.drawn

    def signal(self, number: int) -> float:
        os.kill(self.pid, number)
        return time.time()


class Watcher:
    """Reads the records of a session, beside the screens."""

    def __init__(self) -> None:
        self.records: list[tuple[float, Record]] = []
        self._viewer: Attachment | None = None

    async def follow(self, session: Path) -> None:
        self._viewer = await attach(session)
        async for batch in self._viewer.batches():
            now = time.time()
            self.records += [(now, record) for record in batch]

    async def finish(self) -> None:
        assert self._viewer is not None
        await self._viewer.finish("done")

    async def see(
        self, what: str, wanted: Callable[[Record], bool], seconds: float = 90, since: int = 0
    ) -> float:
        """Wait for a record; when it came."""
        end = time.monotonic() + seconds
        while True:
            for when, record in self.records[since:]:
                if wanted(record):
                    say("seen:", what)
                    return when
            if time.monotonic() > end:
                raise TimeoutError(f"{what} in {self.records[-5:]}")
            await asyncio.sleep(0.05)


async def arm(watcher: Watcher, screen: Screen, what: str, since: int) -> None:
    """Arm the trainer by keys; a screen that has yet to catch up refuses it, and is asked again."""
    assert await screen.shows(b"REC", 60), screen.drawn[-500:]
    for _ in range(6):
        screen.drawn = b""
        await screen.type("t")
        if await screen.shows(b"ARM", 10):
            await screen.type("\r")
            try:
                await watcher.see(what, is_act("trainer", "armed"), 6, since)
            except TimeoutError:
                continue
            return
    raise TimeoutError(what)


def is_act(act: str, text: str = "") -> Callable[[Record], bool]:
    return lambda record: isinstance(record, Act) and record.act == act and record.text.startswith(text)


def sets(power_w: int) -> Callable[[Record], bool]:
    """Whether a record is the sending of that power; layouts of both radios written down anew."""

    def wanted(record: Record) -> bool:
        if not isinstance(record, Write) or record.outcome != "sent":
            return False
        ble = record.channel == "2AD9" and record.data == b"\x05" + power_w.to_bytes(2, "little")
        ant = record.channel == "ant17" and record.data[:1] == b"\x31"
        return ble or (ant and record.data[6:8] == (4 * power_w).to_bytes(2, "little"))

    return wanted


async def trainer(bench: Path, protocol: Path, out: Path) -> dict[str, Any]:
    result: dict[str, Any] = {"kills": {}}
    first = Screen("run", str(bench), "--protocol", str(protocol), "--out", str(out / "sessions"))
    sessions = out / "sessions"

    def recording() -> bool:
        return sessions.exists() and any(read_live(each) for each in sessions.iterdir())

    await until(recording, 120, "a recorder")
    session = next(each for each in sessions.iterdir() if read_live(each))
    result["session"] = str(session)
    watcher = Watcher()
    following = asyncio.create_task(watcher.follow(session))
    up = lambda record: isinstance(record, Packet) and record.channel in ("2AD2", "ant17")  # noqa: E731
    await watcher.see("the trainer", up, 90)
    await asyncio.sleep(12)
    for _ in range(4):
        if any(is_act("ready")(record) for _, record in watcher.records):
            break
        await first.type("\r")
        await asyncio.sleep(3)
    await watcher.see("ready", is_act("ready"), 30)
    await watcher.see("the first segment", is_act("segment", "first"), 30)
    await arm(watcher, first, "armed", 0)
    for name in ("second", "third", "fourth"):
        await watcher.see(f"segment {name}", is_act("segment", name), 60)
    await watcher.see("180 W", sets(180), 40)
    await asyncio.sleep(4)

    # The screen that the tester started is the recorder's parent.
    since = len(watcher.records)
    killed = first.signal(signal.SIGKILL)
    result["kills"]["the recorder's parent"] = await fallen(watcher, killed, since)

    second = Screen("follow", str(session))
    since = len(watcher.records)
    await arm(watcher, second, "armed again", since)
    await watcher.see("180 W again", sets(180), 40, since)
    await asyncio.sleep(3)
    since = len(watcher.records)
    killed = second.signal(signal.SIGKILL)
    result["kills"]["a screen that follows"] = await fallen(watcher, killed, since)

    third = Screen("follow", str(session))
    since = len(watcher.records)
    await arm(watcher, third, "armed a third time", since)
    await watcher.see("180 W a third time", sets(180), 40, since)
    since = len(watcher.records)
    stopped = third.signal(signal.SIGSTOP)
    result["kills"]["a screen that hangs"] = await fallen(watcher, stopped, since)
    third.signal(signal.SIGCONT)
    await asyncio.sleep(3)

    since = len(watcher.records)
    await arm(watcher, third, "armed a fourth time", since)
    await watcher.see("180 W a fourth time", sets(180), 40, since)
    await asyncio.sleep(3)
    since = len(watcher.records)
    pressed = time.time()
    await third.type("x")
    went = await watcher.see("the safe target by a key", sets(80), 10, since)
    result["kills"]["a key"] = {"at": pressed, "safe": went, "by": "the screen"}
    await watcher.see("let go", is_act("trainer", "let go"), 10, since)
    since = len(watcher.records)
    await third.type("s")
    await watcher.see("the free segment", is_act("segment", "free"), 10, since)
    await arm(watcher, third, "armed a fifth time", since)
    await asyncio.sleep(8)
    since = len(watcher.records)
    ended = time.time()
    await watcher.finish()
    await watcher.see("the end", lambda record: isinstance(record, End), 30, since)
    went = await watcher.see("the safe target at the end", sets(80), 1, since)
    result["kills"]["the end of the session"] = {"at": ended, "safe": went, "by": "the recorder"}
    await following
    records = watcher.records
    result["acts"] = [[when, r.act, r.text] for when, r in records if isinstance(r, Act)]
    result["links"] = [[when, r.state] for when, r in records if isinstance(r, Link) and r.state != "missed"]
    result["outcomes"] = sorted({r.outcome for _, r in watcher.records if isinstance(r, Write)})
    return result


async def fallen(watcher: Watcher, at: float, since: int) -> dict[str, Any]:
    """The recorder lets the trainer go by itself: what it said, and when the safe target went."""
    await watcher.see("the recorder's word", is_act("safe-target"), 15, since)
    word = next(record.text for _, record in watcher.records[since:]
                if isinstance(record, Act) and record.act == "safe-target")  # fmt: skip
    went = await watcher.see("the safe target", sets(80), 15, since)
    await asyncio.sleep(5)
    return {"at": at, "safe": went, "by": "the recorder", "word": word}


def main() -> int:
    what, *arguments = sys.argv[1:]
    paths = [Path(each) for each in arguments]
    out = paths[-1]
    try:
        result = asyncio.run({"zero": zero, "trainer": trainer}[what](*paths))
    except Exception as error:
        say("failed:", repr(error))
        raise
    (out / "result.json").write_text(json.dumps(result, indent=1))
    return 0


if __name__ == "__main__":
    sys.exit(main())
