"""What was recorded, seen again: the same pipeline over a journal or a capture log.

A capture log without a bench gets one that fits what is in it.
"""

import asyncio
import contextlib
import re
import time
from collections.abc import Callable, Iterator
from itertools import chain
from pathlib import Path

import msgspec

from capture.log import LogScript
from capture.profiles import decode
from capture.record import Packet, Record
from capture.sample import DecodeError
from monitor.finding import Finding
from monitor.live.pipeline import Pipeline
from monitor.live.screen import view_of
from monitor.live.view import View
from monitor.sessions.acts import AmendedRecords, open_session_journal
from monitor.sessions.settings import recorded_settings
from monitor.setup.bench import Bench, parse_bench
from monitor.setup.protocol import Protocol
from monitor.text import plain
from storage.damage import Damage, DamagedSession
from storage.session import open_session

OnFinding = Callable[[Finding], None]
YIELD_RECORDS = 256
"""At full speed the screen gets its turn after so many records."""
_SHORTEST_WAIT_S = 0.001
LOOK_PACKETS = 400
"""So many packets of each instrument of a log tell what it is."""

_LOG_SUFFIXES = (".jsonl", ".json", ".log", ".ndjson")


class Replay:
    """Records from a file through the pipeline, at once or paced; a source of views for a screen.

    `path` is the session folder or the log. `on_finding` is told of every change of a finding.
    """

    closed_why = ""

    def __init__(
        self,
        path: Path,
        records: Iterator[Record],
        bench: Bench,
        protocol: Protocol | None,
        on_finding: OnFinding | None = None,
        speed: float = float("inf"),
    ) -> None:
        self.path = path
        self.pipeline = Pipeline(bench, protocol)
        self.closed = False
        self.paused = False
        """It stands still; see `pause` and `step`."""
        self._records = records
        self._on_finding = on_finding
        self._view: tuple[int, str, View] | None = None
        self._speed = speed
        self._t_ns = 0
        self._step_to_ns: int | None = None
        self._anchor: tuple[int, float] | None = None
        """A moment of the recording, and when it was shown, s of the monotonic clock."""
        self._changed = asyncio.Event()

    @property
    def damage(self) -> Damage | None:
        """What was wrong with the journal; complete when all was read. None: whole, or a log."""
        return self._records.damage if isinstance(self._records, AmendedRecords) else None

    async def feed(self, speed: float = float("inf")) -> None:
        """Run through the records; at `speed` session seconds in a second, or as fast as can be."""
        self._changed = asyncio.Event()
        self._speed = speed
        for number, record in enumerate(self._records, 1):
            if number == 1:
                self._at(record.t_ns)
            if self.paused or self._speed != float("inf"):
                await self._due(record.t_ns)
            if number % YIELD_RECORDS == 0:
                await asyncio.sleep(0)
            self._t_ns = record.t_ns
            self._tell(self.pipeline.feed(record))
        self._tell(self.pipeline.finish())
        self.closed = True

    async def play(self) -> None:
        """`feed` for a screen, from the pace that was set before; see `pace`, `pause` and `step`."""
        await self.feed(self._speed)

    def _at(self, t_ns: int) -> None:
        """This moment of the recording is now: pace and pauses count from here."""
        self._anchor = t_ns, time.monotonic()
        self._changed.set()

    async def _due(self, t_ns: int) -> None:
        """Wait until a record's time has come, however the pace is changed meanwhile."""
        while self._step_to_ns is None or t_ns > self._step_to_ns:
            assert self._anchor is not None
            wait_s = None
            if not self.paused:
                from_ns, since_s = self._anchor
                wait_s = (t_ns - from_ns) / 1e9 / self._speed - (time.monotonic() - since_s)
                if wait_s <= _SHORTEST_WAIT_S:
                    return
            self._changed.clear()
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(wait_s):
                    await self._changed.wait()

    # -- what a screen's keys do

    @property
    def speed(self) -> float:
        """Session seconds in a second."""
        return self._speed

    def pace(self, speed: float) -> None:
        """Go on at another speed."""
        self._speed = speed
        self._at(self._t_ns)

    def pause(self) -> None:
        """Stand still, or go on."""
        self.paused = not self.paused
        self._step_to_ns = None
        self._at(self._t_ns)

    def step(self, seconds: float = 1.0) -> None:
        """Stand still, so many session seconds further on."""
        self.paused = True
        begun_ns = self._t_ns if self._step_to_ns is None else max(self._t_ns, self._step_to_ns)
        self._step_to_ns = begun_ns + round(seconds * 1e9)
        self._at(self._t_ns)

    @property
    def words(self) -> str:
        """How it runs, for the place where a live screen says that it records."""
        if self.closed:
            return "REPLAY, at its end"
        if self.paused:
            return "REPLAY, paused"
        return "REPLAY" if self._speed == float("inf") else f"REPLAY x{self._speed:g}"

    def _tell(self, findings: list[Finding]) -> None:
        if self._on_finding is not None:
            for finding in findings:
                self._on_finding(finding)

    def view(self) -> View:
        """The bench as it stood at this moment of the recording."""
        now = self.pipeline.records, self.words
        if self._view is None or self._view[:2] != now:
            self._view = *now, msgspec.structs.replace(view_of(self.pipeline), recording=now[1])
        return self._view[2]

    def act(self, act: str, text: str = "", instrument: str = "", at_s: float | None = None) -> None:
        """What was recorded can't be acted on."""

    def finish(self) -> None:
        """What was recorded is finished."""


def is_log(path: Path) -> bool:
    """Whether this is a capture log and not a session, or a file in one."""
    return (
        path.is_file()
        and path.suffix.lower() in _LOG_SUFFIXES
        and not (path.parent / "journal.arrows").exists()
    )


def replay_session(path: Path, bench: Bench | None = None, on_finding: OnFinding | None = None) -> Replay:
    """A replay of a session folder.

    Raises SessionError or DamagedSession if it can't be read, BenchError if its bench can't.
    """
    session = open_session(path)
    header, records = open_session_journal(session.path)
    if not header.bench and bench is None:
        # Only a header that is lost has no bench; the records alone don't tell what they are.
        for _ in records:
            pass
        raise DamagedSession(session.path, records.damage or Damage(torn=True))
    bench, protocol = recorded_settings(header, session.path, bench)
    return Replay(session.path, records, bench, protocol, on_finding)


def replay_log(path: Path, bench: Bench, on_finding: OnFinding | None = None) -> tuple[Replay, LogScript]:
    """A replay of a capture log, and its reader, whose `tally` tells of bad lines when all was read."""
    script = LogScript(path, log_labels(bench))
    return Replay(path, script.records(), bench, bench.protocol, on_finding), script


def log_labels(bench: Bench) -> dict[str, str]:
    """Label in the log -> label in the bench, for the links `log:LABEL`."""
    return {
        instrument.link.removeprefix("log:"): instrument.label
        for instrument in bench.instruments
        if instrument.link.startswith("log:")
    }


class _Seen(msgspec.Struct):
    channels: list[str] = []
    packets: int = 0
    both: bool = False
    power: bool = False


def bench_for_log(path: Path) -> Bench | None:
    """A bench that fits the instruments of a log, None if it has none. OSError: it can't be read.

    The reference is the consensus from three power instruments on, else a trainer, else the first.
    """
    seen = _look(LogScript(path))
    if not any(entry.power for entry in seen.values()):
        return None
    power = [label for label, entry in seen.items() if entry.power]
    hubs = [label for label in power if _mount(seen[label]) == "hub"]
    names = _labels(seen)
    reference = "consensus" if len(power) >= 3 else names[(hubs or power)[0]]
    blocks = [f'[bench]\nname = {_quoted(plain(path.stem, limit=60))}\nreference = "{reference}"\n']
    for label, entry in seen.items():
        mount = _mount(entry)
        role = "reference" if names[label] == reference else "witness" if mount == "cadence" else "on-test"
        sides = "both" if entry.both else "total"
        blocks.append(
            f'[[instrument]]\nlabel = "{names[label]}"\nrole = "{role}"\n'
            f'mount = "{mount}"\nsides = "{sides}"\nlink = {_quoted(f"log:{label}")}\n'
        )
    return parse_bench("\n".join(blocks), f"the bench made for {path}")


def _look(script: LogScript) -> dict[str, _Seen]:
    """What each instrument of the log sends, in order of appearance."""
    seen: dict[str, _Seen] = {}
    for record in script.records():
        if not isinstance(record, Packet):
            continue
        entry = seen.setdefault(record.instrument, _Seen())
        entry.packets += 1
        if entry.packets > LOOK_PACKETS:
            continue
        if record.channel not in entry.channels:
            entry.channels.append(record.channel)
        try:
            reading = decode(record.channel, record.data)
        except DecodeError:
            continue
        entry.both = entry.both or reading.left_share is not None
        measured = (reading.power_w, reading.power_sum_w, reading.torque_sum_32nds)
        entry.power = entry.power or any(value is not None for value in measured)
    return seen


def _mount(entry: _Seen) -> str:
    if not entry.power:
        return "cadence"
    return "hub" if any(channel in ("2AD2", "ant17") for channel in entry.channels) else "crank"


def _labels(seen: dict[str, _Seen]) -> dict[str, str]:
    """A bench label for each label of the log."""
    names: dict[str, str] = {}
    for label in seen:
        word = re.sub(r"[^a-z0-9-]+", "-", label.lower()).strip("-")[:16].strip("-") or "meter"
        numbered = (f"{word[:13]}-{n}" for n in range(2, 1000))
        names[label] = next(
            name for name in chain((word,), numbered) if name not in (*names.values(), "consensus")
        )
    return names


def _quoted(text: str) -> str:
    return msgspec.json.encode(text).decode()
