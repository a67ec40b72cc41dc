"""The recorder: a process of its own that owns radios, clock and journal.

`python -m storage.recorder` reads one job (JSON, one line) from stdin, and prints one line: where
the session is and where a viewer can attach, or what is missing. From then on it needs nobody.
It ends when the time is over, when a viewer says so, when its script is at an end, when it is
told to terminate, or when for half an hour nobody watches and nothing is heard.

One loop stamps, orders, keeps and passes on; the disk is written to by a thread. What is
appended to the journal is, in the same order, what every viewer gets.
"""

import asyncio
import contextlib
import heapq
import logging
import logging.handlers
import os
import queue
import secrets
import shutil
import signal
import sys
import time
from collections.abc import Awaitable, Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any, Literal

import msgspec

from capture.clock import Clock, DrivenClock, SessionClock
from capture.log import LogScript
from capture.record import Act, End, Header, Link, Packet, Record, Reported, Store, Tick, Write
from capture.source import LiveSource, Script, SourceError, Wanted
from storage import info as infos
from storage.connection.feed import Feed, in_thread
from storage.connection.job import Job, JobError, Refusal, Refused, Started
from storage.connection.last_will import LastWills
from storage.connection.wire import (
    Alive,
    Command,
    Do,
    Finish,
    LastWill,
    Send,
    WireError,
    decode_record,
    encode,
)
from storage.damage import SessionError
from storage.disk import is_plain, write_whole
from storage.journal import Flush, JournalWriter
from storage.pieces.rows import clean
from storage.remainder import make_refuge
from storage.session import LIVE, LOG, LOG_LIMIT, Live, Session, create_session

FLUSH_S = 1.0
"""Seconds from one write to the disk to the next."""
ALONE_S = 1800.0
"""Seconds without a viewer and without a packet after which a recorder ends by itself."""
FIRST_VIEWER_S = 30.0
"""Seconds that a script at full speed waits for its first viewer."""
LAST_WORDS_S = 10.0
"""Seconds for sources to close, for a failing disk to come back, for viewers to take the rest."""
DESCRIBE_S = 30.0
"""Seconds between two renewals of `session.json`."""
SLOW_S = 10.0
"""Seconds after which a disk that doesn't answer counts as failing."""
LAST_WRITES_S = 3.0
"""Seconds that a session's end waits for writes that are under way."""
WRITE_S = 15.0
"""Seconds that a write to an instrument may take."""
MOST_WRITES = 64
"""Writes to instruments that are under way; further ones are refused."""

_S = 1_000_000_000
_FLUSH_RECORDS = 1024
_WAITING_LIMIT = 2 * _FLUSH_RECORDS
_UNCONFIRMED_LIMIT = 32 * _FLUSH_RECORDS
_TURN = 256
_PEEK = 5000

log = logging.getLogger("storage.recorder")


class Sources(msgspec.Struct):
    """Where the records of a job come from."""

    live: list[tuple[LiveSource, list[str]]]
    """Radios, each with the labels that it serves."""
    scripts: list[Script]
    serving: dict[str, LiveSource | Script]
    """Label to source."""


def build_sources(job: Job) -> Sources:
    """The sources of a job, by the schemes of its links.

    Raises:
        JobError: a link that can't be understood, or something it needs is missing.
        SourceError: a radio or device is not available.
    """
    if not job.wanted:
        raise JobError("there is no instrument to listen to", "Add an [[instrument]] to the bench")
    by_scheme: dict[str, list[Wanted]] = {}
    for wanted in job.wanted:
        by_scheme.setdefault(wanted.scheme, []).append(wanted)
    built = Sources([], [], {})
    for scheme, members in by_scheme.items():
        make = _MAKERS.get(scheme)
        if make is None:
            raise JobError(
                f"{members[0].label}: {members[0].link!r} is no link",
                f"It begins with one of {', '.join(f'{each}:' for each in _MAKERS)}",
            )
        try:
            source = make(job, members)
        except ValueError as error:
            raise JobError(str(error), "Correct the bench") from error
        labels = [wanted.label for wanted in members]
        built.serving.update(dict.fromkeys(labels, source))
        if scheme in ("scene", "log"):
            built.scripts.append(source)
        else:
            built.live.append((source, labels))
    if built.live and job.speed != 1.0:
        raise JobError(
            f"speed {job.speed} with instruments on the air",
            "Leave it out: only scenes and logs can be hurried",
        )
    return built


def _bluetooth(job: Job, wanted: list[Wanted]) -> Any:
    from capture.bluetooth import BluetoothSource

    return BluetoothSource(wanted)


def _ant(job: Job, wanted: list[Wanted]) -> Any:
    from capture.ant import AntSource

    return AntSource(wanted)


def _scene(job: Job, wanted: list[Wanted]) -> Any:
    from capture.scene import Scene

    return Scene(job.scene, wanted, job.segments)


def _log(job: Job, wanted: list[Wanted]) -> Any:
    if job.log is None:
        raise JobError(
            f"{wanted[0].label}: {wanted[0].link} needs a capture log",
            "Use `plumbwatt replay LOG --bench BENCH`",
        )
    path = Path(job.log)
    if not path.is_file():
        raise JobError(f"{path} is not a capture log that can be read", "Give the path of a file")
    labels: dict[str, str] = {}
    for each in wanted:
        other = labels.setdefault(each.target, each.label)
        if other != each.label:
            raise JobError(f"{other} and {each.label} have the same link {each.link}", "Correct the bench")
    return LogScript(path, labels)


_MAKERS: dict[str, Callable[[Job, list[Wanted]], Any]] = {
    "bluetooth": _bluetooth,
    "ant": _ant,
    "scene": _scene,
    "log": _log,
}


def merged(scripts: list[Script], *, ticks: bool) -> Iterator[Record]:
    """The records of scripts in order of time.

    Args:
        scripts: the first one's ticks stand for all.
        ticks: False drops them all, when a real clock ticks.

    The `End` of a script is only passed on if it is the only one.
    """

    def one(number: int, script: Script) -> Iterator[Record]:
        for record in script.records():
            if isinstance(record, Tick) and (number or not ticks):
                continue
            if not isinstance(record, End) or len(scripts) == 1:
                yield record

    return heapq.merge(*(one(*each) for each in enumerate(scripts)), key=lambda record: record.t_ns)


class Recorder:
    """One recording, from its first record to its last.

    Args:
        job: what to record.
        sources: from `build_sources`, checked already.
        session: the folder.
        writer: its journal.
        clock: session time; a `DrivenClock` for scripts at full speed.
        records: what the scripts say, if there are any.
    """

    def __init__(
        self,
        job: Job,
        sources: Sources,
        session: Session,
        writer: JournalWriter,
        clock: Clock,
        records: Iterator[Record],
    ) -> None:
        self._job, self._sources, self._session = job, sources, session
        self._writer, self._clock, self._records = writer, clock, records
        self._scripted = not sources.live
        self._full_speed = isinstance(clock, DrivenClock)
        self.token = secrets.token_urlsafe(24)
        hurried = self._scripted and (job.speed == "max" or job.speed > 1.0)
        self._last_wills = LastWills(
            self._write_now, lambda label, why: self.emit(self._safe_target(label, why))
        )
        self.feed = Feed(
            session.path,
            writer.header,
            self.token,
            self._take_command,
            self._last_wills.gone,
            wait_for_viewers=hurried,
        )
        self._limit_ns = None if job.seconds is None else round(job.seconds * 1e9)
        self._over: asyncio.Future[str] = asyncio.get_running_loop().create_future()
        self._flush_now = asyncio.Event()
        self._last_ns = 0
        self._next_ns: int | None = None
        self._over_ns: int | None = None
        """The end, once it is known: nothing is recorded as later."""
        self._accepts, self._leaving = True, False
        # Its own: viewers who read the past, or a radio's library, may keep all the others busy.
        self._disk_thread = ThreadPoolExecutor(1, "journal")
        # Beside it: a disk may take seconds to confirm, and what comes meanwhile is written nevertheless.
        self._sync_thread = ThreadPoolExecutor(1, "journal-sync")
        self._confirming: asyncio.Task[None] | None = None
        self.live = b""
        """The content of `live.json`."""
        self._listed = {each.label: each for each in session.info.instruments}
        self._described_at = time.monotonic()
        self._last_company = time.monotonic()
        self._writes: set[asyncio.Task[str]] = set()

    # -- records in

    def emit(self, record: Record) -> None:
        """Take one record: into the journal and to every viewer. Never blocks, never raises.

        Once the session is over what comes later is not kept: radios are closed one after the other, and
        the silence of the first, beside packets of the others, would look like a loss.
        """
        if not self._accepts:
            return
        if self._over_ns is not None and record.t_ns > self._over_ns:
            if isinstance(record, Packet):  # a trainer's answer to its safe target
                self._last_wills.heard(record.instrument, record.channel, record.data)
            return
        try:
            encoded, record = _checked(record)
            if self._writer.append(record):
                self.feed.add(encoded)
                self._note(record)
        except Exception:
            log.exception("a record could not be taken: %.500r", record)
        if self._writer.waiting >= _FLUSH_RECORDS:
            self._flush_now.set()

    def now_ns(self) -> int:
        """Session time for what happens now, in order with what a script says; it stands at the end."""
        if self._over_ns is not None:
            return self._over_ns
        now = self._clock.now_ns()
        if self._scripted:
            # The clock may be ahead of a script that is late; its next record is not said yet.
            now = max(self._last_ns, min(now, self._next_ns if self._next_ns is not None else self._last_ns))
        return now

    def _note(self, record: Record) -> None:
        """Keep up what stands in `session.json`."""
        self._last_ns = record.t_ns
        match record:
            case Packet(_, label, channel, data):
                self._listing(label).packets += 1
                self._last_wills.heard(label, channel, data)
                if not self._scripted:
                    self._last_company = time.monotonic()
            case Tick(t_ns, utc_ns):
                anchors = self._session.info.clock.anchors
                anchors[1:] = []
                anchors.append(infos.Anchor(t_ns, utc_ns))
            case Reported(_, label, key, value):
                self._listing(label).reported[key] = value

    def _listing(self, label: str) -> infos.Listed:
        listed = self._listed.get(label)
        if listed is None:
            listed = self._listed[label] = infos.Listed(label=label)
            self._session.info.instruments.append(listed)
        return listed

    # -- what viewers ask for

    def _safe_target(self, label: str, why: str) -> Act:
        return Act(self.now_ns(), "safe-target", why, label)

    def _take_command(self, viewer: int, command: Command) -> None:
        self._last_wills.alive(viewer)
        match command:
            case Do(act, text, instrument, at_ns):
                self.emit(Act(self.now_ns(), act, text, instrument, at_ns))
                if act == "finish":
                    self.finish("finished by the operator")
            case Send(instrument, channel, data):
                if refusal := self._last_wills.refusal(viewer, instrument, channel):
                    self.emit(Write(self.now_ns(), instrument, channel, data, refusal))
                    return
                if len(self._writes) >= MOST_WRITES:
                    refusal = f"not sent: {MOST_WRITES} others are under way"
                    self.emit(Write(self.now_ns(), instrument, channel, data, refusal))
                    return
                task = asyncio.create_task(self._write_now(instrument, channel, data))
                self._writes.add(task)
                task.add_done_callback(self._writes.discard)
            case LastWill():
                if command.instrument not in self._sources.serving:
                    raise WireError(f"a will for {command.instrument}, which is not of this session")
                self._last_wills.leave(viewer, command)
            case Alive():
                pass
            case Finish(reason):
                self.finish(reason)

    async def _write_now(self, instrument: str, channel: str, data: bytes) -> str:
        """Send, and put into the record what became of it."""
        source = self._sources.serving.get(instrument)
        try:
            if source is None:
                outcome = f"there is no instrument {instrument}"
            else:
                async with asyncio.timeout(WRITE_S):
                    answer = source.write(instrument, channel, data)
                    outcome = answer if isinstance(answer, str) else await answer
        except TimeoutError:
            outcome = f"not confirmed: no answer in {WRITE_S:.0f} s"
        except asyncio.CancelledError:
            outcome = "not confirmed: the session ended first"
        except Exception as error:
            log.exception("writing to %s", instrument)
            outcome = f"an error of ours: {error!r}"
        self.emit(Write(self.now_ns(), instrument, channel, data, outcome))
        return outcome

    def finish(self, reason: str) -> None:
        """End the session; the first reason counts."""
        if not self._over.done():
            self._over_ns = self.now_ns()
            self._over.set_result(reason)

    # -- the run

    async def run(self) -> None:
        """Record until it is over, then bring everything to the disk and to the viewers."""
        keeping = asyncio.create_task(self._keep())
        jobs = (
            [asyncio.create_task(self._guarded(self._scripts(), "the script"))]
            if self._sources.scripts
            else []
        )
        ticking: asyncio.Task[None] | None = None
        if not self._scripted:
            jobs += [asyncio.create_task(self._live(source, labels)) for source, labels in self._sources.live]
            ticking = asyncio.create_task(self._guarded(self._tick(), "the clock"))
            jobs.append(ticking)
        jobs.append(
            asyncio.create_task(self._guarded(self._last_wills.watch(), "the watch over its viewers"))
        )
        try:
            reason = await self._over
            if ticking is not None:
                ticking.cancel()
            # A trainer has to let go before its radio does.
            await self._last_wills.finish()
            if self._writes:
                await asyncio.wait(self._writes, timeout=LAST_WRITES_S)
        finally:
            await _stopped([*jobs, *self._writes])
        await self._close(reason, keeping)

    async def _guarded(self, work: Any, what: str) -> None:
        try:
            await work
        except Exception as error:
            log.exception("%s failed", what)
            self.finish(f"{what} failed: {error!r}")

    async def _live(self, source: LiveSource, labels: list[str]) -> None:
        """One radio; its end is not the end of the session."""
        try:
            await source.run(self.emit, self._clock)
            reason = "the radio stopped by itself"
        except asyncio.CancelledError:
            task = asyncio.current_task()
            if task is not None and task.cancelling():
                raise
            # Not us: something inside the radio's library was cancelled and let it through.
            reason = "the radio's library gave up"
        except Exception as error:
            log.exception("a source failed")
            reason = f"an error of ours ({error!r}); {LOG} has the details"
        if self._over_ns is None:
            for label in labels:
                self.emit(Link(self.now_ns(), label, "given-up", reason))

    async def _tick(self) -> None:
        second = 0
        while True:
            due = second * _S if self._limit_ns is None else min(second * _S, self._limit_ns)
            await self._clock.sleep_until(due)
            now = self._clock.now_ns()
            if self._limit_ns is not None and now >= self._limit_ns:
                self.finish(f"{self._job.seconds:g} s are over")
                return
            self.emit(Tick(now, self._clock.utc_ns()))
            # A computer that slept owes no ticks: the step shows in the next one.
            second = max(second + 1, now // _S + 1)

    async def _scripts(self) -> None:
        if self._full_speed:
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(FIRST_VIEWER_S):
                    await self.feed.attached.wait()
        ended = "the script is at its end"
        turn = 0
        for record in self._records:
            if isinstance(record, End):
                self._last_ns = max(self._last_ns, record.t_ns)
                ended = record.reason or ended
                break
            if self._scripted and self._limit_ns is not None and record.t_ns > self._limit_ns:
                self._last_ns = self._limit_ns
                ended = f"{self._job.seconds:g} s are over"
                break
            self._next_ns = record.t_ns
            turn += 1
            if isinstance(self._clock, DrivenClock):
                self._clock.t_ns = max(self._clock.t_ns, record.t_ns)
            elif record.t_ns > self._clock.now_ns():
                await self._clock.sleep_until(record.t_ns)
            if turn >= _TURN:
                turn = 0
                await self._room()
            self.emit(record)
        if self._scripted:
            self.finish(ended)

    async def _room(self) -> None:
        """Let others have their turn; a script that is faster than disk or viewers waits for them."""
        await asyncio.sleep(0)
        writer = self._writer
        while not writer.failing and (
            writer.waiting > _WAITING_LIMIT or writer.unsynced > _UNCONFIRMED_LIMIT
        ):
            self._flush_now.set()
            await asyncio.sleep(0.01)
        if self._job.speed == "max" or self._job.speed > 1.0:
            await self.feed.room()

    # -- the disk

    async def _keep(self) -> None:
        begun = time.monotonic()
        while True:
            # From beginning to beginning: what a slow disk takes for one write must not delay the next.
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(max(0.0, begun + FLUSH_S - time.monotonic())):
                    await self._flush_now.wait()
            self._flush_now.clear()
            if self._leaving:
                return
            begun = time.monotonic()
            try:
                await self._write()
            except Exception:
                # Whatever it is: without this task nothing would ever reach the disk again.
                log.exception("the journal could not be kept")
            if self.feed.viewers:
                self._last_company = time.monotonic()
            elif time.monotonic() - self._last_company > ALONE_S:
                self.finish(f"nobody watched and nothing was heard for {ALONE_S / 60:.0f} min")

    async def _write(self) -> None:
        """Hand what waits to the system, which a kill does not undo, and have the disk confirm it."""
        done = await self._by_disk(self._writer.write, self._disk_thread)
        if not done.failing and (self._confirming is None or self._confirming.done()):
            self._confirming = asyncio.create_task(self._confirm())
        if not done.failing and time.monotonic() - self._described_at > DESCRIBE_S:
            await self._describe()

    async def _confirm(self) -> None:
        await self._by_disk(self._writer.sync, self._sync_thread)

    async def _flush(self) -> Flush:
        """Bring what waits to the disk, and wait until it has it."""
        return await self._by_disk(self._writer.flush, self._disk_thread)

    async def _by_disk(self, ask: Callable[[], Flush], thread: ThreadPoolExecutor) -> Flush:
        """Have the disk do something, and say so when it begins or ceases to refuse."""
        work = asyncio.ensure_future(in_thread(ask, thread))
        silent = not (await asyncio.wait([work], timeout=SLOW_S))[0]
        if silent:
            self._say_store("failing", f"the disk has not answered for {SLOW_S:.0f} s")
        done = await work
        self.feed.on_disk(done.written)
        if done.error is not None and done.changed:
            log.error("the journal could not be written", exc_info=done.error)
        if done.changed or silent:
            self._say_store("failing" if done.failing else "resumed", done.reason)
        return done

    def _say_store(self, state: Literal["failing", "resumed"], reason: str) -> None:
        self.emit(Store(self.now_ns(), state, self._writer.dropped, reason))
        log.warning("disk %s, %d records lost so far: %s", state, self._writer.dropped, reason)

    async def _describe(self) -> None:
        """Renew `session.json`."""
        info = self._session.info
        info.counts = infos.Counts(records=self._writer.written, lost=self._writer.dropped)
        self._described_at = time.monotonic()
        # Encoded here: the loop goes on changing it while the thread writes.
        copy = msgspec.json.decode(msgspec.json.encode(info), type=infos.SessionInfo)
        copy.remarks += self._problems()
        try:
            await in_thread(lambda: self._put_description(copy), self._disk_thread)
        except OSError as error:
            log.warning("session.json could not be written: %s", error)
        except Exception:
            log.exception("session.json could not be written")

    def _put_description(self, info: infos.SessionInfo) -> None:
        path = self._session.path
        infos.write_info(path, info)
        if self.live and not is_plain(path / LIVE):
            # The folder was deleted, and made again by the journal: viewers have to find us there.
            write_whole(path / LIVE, self.live, mode=0o600)

    def _problems(self) -> list[str]:
        """What was wrong with a capture log, as far as it has been read."""
        lines: list[str] = []
        for script in self._sources.scripts:
            if isinstance(script, LogScript):
                lines += [f"{script.path}, {problem}" for problem in script.problems]
                further = script.problem_count - len(script.problems)
                lines += [f"{script.path}: {further} further problems"] if further else []
        return lines

    # -- the end

    async def _close(self, reason: str, keeping: asyncio.Task[None]) -> None:
        answers = await self._answered(self._settle(keeping))
        last, end = _checked(End(self.now_ns(), reason))
        self._accepts = False
        asked = answers and not self._writer.failing
        if asked:
            # Viewers read the session when they are told of its end: so it is on the disk first.
            if self._writer.append(end):
                self._note(end)
            else:
                last = b""
            answers = await self._answered(in_thread(self._writer.close, self._disk_thread))
        if not asked or not answers or self._writer.failing:
            last = await self._keep_elsewhere(None if asked else reason) or last
        self._session.info.state = "closed"
        if answers:
            await self._describe()
            with contextlib.suppress(OSError):
                (self._session.path / LIVE).unlink()
        if last:
            self.feed.add(last)
        self.feed.end()
        await self.feed.drained(LAST_WORDS_S)
        self._disk_thread.shutdown(wait=False)
        self._sync_thread.shutdown(wait=False)

    async def _settle(self, keeping: asyncio.Task[None]) -> None:
        """Let the last write come to its end, and bring the rest to the disk if that is to be had."""
        self._leaving = True
        self._flush_now.set()
        await asyncio.wait([keeping])
        deadline = time.monotonic() + LAST_WORDS_S
        while (await self._flush()).failing and time.monotonic() < deadline:
            await asyncio.sleep(FLUSH_S)

    async def _answered(self, work: Awaitable[Any]) -> bool:
        """Wait for the disk as long as it takes anything; False if it stands still."""
        task, written = asyncio.ensure_future(work), -1
        while not task.done() and self._writer.written != written:
            written = self._writer.written
            await asyncio.wait([task], timeout=LAST_WORDS_S + SLOW_S)
        if task.done() and (error := task.exception()) is not None:
            log.error("the journal could not be closed", exc_info=error)
        return task.done()

    async def _keep_elsewhere(self, reason: str | None) -> bytes:
        """The disk is lost: what is in memory goes to a journal of its own (`storage.remainder`).

        `reason`: of the `End` that is still to come; None if the writer has it already. Gives that `End`
        for the viewers; empty if it is on the disk after all.
        """
        # A write that is under way may hang for ever.
        left = await asyncio.to_thread(self._writer.abandon, SLOW_S)
        if reason is None:
            if not left:
                return b""
            ended = left.pop()
            reason = ended.reason if isinstance(ended, End) else ""
        lost, now_ns = self._writer.dropped, self.now_ns()
        ended_at = End(now_ns, reason)
        place = self._session.path
        last = await asyncio.to_thread(_write_elsewhere, place, self._writer.header, left, lost, ended_at)
        log.error("%s", last[0].reason)
        self._session.info.remarks.append(last[0].reason)
        first, end = (_checked(each)[0] for each in last)
        self.feed.add(first)
        return end


def _write_elsewhere(
    session: Path, header: Header, left: list[Record], lost: int, end: End
) -> tuple[Store, End]:
    """Write records to a new journal on another disk, then where they are, and the end."""
    other: JournalWriter | None = None
    try:
        folder = make_refuge(session)
        other = JournalWriter(folder, header)
        for each in left:
            if not other.append(each):
                other.flush()
                other.append(each)
        if (done := other.flush()).failing:
            raise SessionError(folder, f"can't be written to ({done.reason})", "Make room there")
        where = f"the last {len(left)} records are in {folder}"
    except (OSError, SessionError) as error:
        lost += len(left)
        where = f"the last {len(left)} records are lost ({error})"
    last = Store(end.t_ns, "failing", lost, where), end
    if other is not None:
        for each in last:
            other.append(each)
        other.close()
    return last


def _checked(record: Record) -> tuple[bytes, Record]:
    """A record as MessagePack, and itself in values that all can read. Raises if it is beyond help."""
    try:
        encoded = encode(record)
        return encoded, decode_record(encoded)
    except (msgspec.MsgspecError, UnicodeError, OverflowError):
        record = clean(record)
        return encode(record), record


async def _stopped(tasks: Sequence[asyncio.Task[Any]]) -> None:
    """Cancel tasks and wait for them, but not for ever."""
    for task in tasks:
        task.cancel()
    if tasks:
        _, late = await asyncio.wait(tasks, timeout=LAST_WORDS_S)
        if late:
            log.error("%d tasks did not stop in %.0f s", len(late), LAST_WORDS_S)


def _beginning(records: Iterator[Record]) -> tuple[int, Iterator[Record]]:
    """Wall time at session time 0 by a script's first tick (0: not known), and all its records."""
    first: list[Record] = []
    for record in records:
        first.append(record)
        if isinstance(record, Tick):
            return record.utc_ns - record.t_ns, _chained(first, records)
        if len(first) >= _PEEK:
            break
    return 0, _chained(first, records)


def _chained(first: list[Record], rest: Iterator[Record]) -> Iterator[Record]:
    yield from first
    yield from rest


async def record(job: Job, announce: Callable[[Started], None]) -> None:
    """Do a job from beginning to end; `announce` is called once a viewer can attach.

    Raises:
        SourceError: a radio or device is not available.
        SessionError: the job can't be done; nothing was recorded.
    """
    sources = build_sources(job)
    for source, _ in sources.live:
        await source.check()
    scripted = not sources.live
    records: Iterator[Record] = merged(sources.scripts, ticks=scripted)
    if scripted:
        try:
            utc_ns, records = await asyncio.to_thread(_beginning, records)
        except OSError as error:
            raise JobError(
                f"{error.filename} can't be read ({error.strerror})", "Check path and rights"
            ) from None
    else:
        clock: Clock = SessionClock()
        utc_ns = clock.utc_ns() - clock.now_ns()
    header = Header(job.bench, job.program, utc_ns, job.protocol)
    session = await asyncio.to_thread(_session, job, header)
    try:
        writer = await asyncio.to_thread(JournalWriter, session.path, header)
    except SessionError:
        # Not a session yet, and only ours.
        shutil.rmtree(session.path, ignore_errors=True)
        raise
    if scripted:
        clock = DrivenClock(utc_ns) if job.speed == "max" else SessionClock(job.speed)
    recorder = Recorder(job, sources, session, writer, clock, records)
    server = await asyncio.start_server(recorder.feed.serve, "127.0.0.1", 0)
    port: int = server.sockets[0].getsockname()[1]
    with _logging_to(session.path / LOG):
        try:
            live = Live(port, recorder.token, os.getpid())
            with contextlib.suppress(OSError):  # viewers of our parent know it anyway
                recorder.live = msgspec.json.encode(live)
                write_whole(session.path / LIVE, recorder.live, mode=0o600)
            _on_termination(lambda: recorder.finish("the recorder was told to terminate"))
            announce(Started(str(session.path), port, recorder.token))
            await recorder.run()
        except Exception:
            log.exception("the recorder failed")
            raise
        finally:
            server.close()


def _session(job: Job, header: Header) -> Session:
    now = time.localtime()
    info = infos.SessionInfo(
        program=job.program,
        name=job.name,
        started=time.strftime("%Y-%m-%d %H:%M:%S", now),
        bench=job.bench,
        protocol=job.protocol,
        clock=infos.Clock(utc_ns=header.utc_ns),
        instruments=[
            infos.Listed(label=each.label, link=each.link, profile=each.profile) for each in job.wanted
        ],
    )
    return create_session(Path(job.out), time.strftime("%Y-%m-%d-%H%M%S", now), info)


class _LogFile(logging.handlers.WatchedFileHandler):
    """Opened again where it was removed, and bounded: who knocks at the port is written down, too.

    Never raises: the thread that writes lines would end with it, and lines pile up in memory.
    """

    def emit(self, record: logging.LogRecord) -> None:
        try:
            self.reopenIfNeeded()
            if self.stream is None:
                self.stream = self._open()
                self._statstream()
            if os.fstat(self.stream.fileno()).st_size < LOG_LIMIT:
                logging.StreamHandler.emit(self, record)
        except (OSError, ValueError):
            # A disk that refuses is told in the journal; the next line may find it well.
            stream, self.stream = self.stream, None
            with contextlib.suppress(OSError, ValueError):
                if stream is not None:
                    stream.close()


@contextlib.contextmanager
def _logging_to(path: Path) -> Iterator[None]:
    """Log into the session folder, through a queue: the loop must not wait for the disk."""
    raises, logging.raiseExceptions = logging.raiseExceptions, False
    lines: queue.SimpleQueue[logging.LogRecord] = queue.SimpleQueue()
    root = logging.getLogger()
    handler = logging.handlers.QueueHandler(lines)
    file = _LogFile(path, encoding="utf-8", errors="backslashreplace", delay=True)
    file.setFormatter(logging.Formatter("%(asctime)s %(levelname)s %(name)s: %(message)s"))
    listener = logging.handlers.QueueListener(lines, file)
    root.addHandler(handler)
    level = root.level
    root.setLevel(logging.INFO)
    listener.start()
    try:
        yield
    finally:
        listener.stop()
        root.removeHandler(handler)
        root.setLevel(level)
        logging.raiseExceptions = raises
        with contextlib.suppress(OSError, ValueError):  # lines that a full disk did not take
            file.close()


def _on_termination(finish: Callable[[], None]) -> None:
    loop = asyncio.get_running_loop()
    for name in ("SIGTERM", "SIGBREAK"):
        number = getattr(signal, name, None)
        if number is None:
            continue
        try:
            loop.add_signal_handler(number, finish)
        except NotImplementedError:
            signal.signal(number, lambda *_: loop.call_soon_threadsafe(finish))


def _print(line: Started | Refused) -> None:
    sys.stdout.buffer.write(msgspec.json.encode(line) + b"\n")
    sys.stdout.buffer.flush()


def _let_go(session: Path) -> None:
    """Give the terminal back: whoever started us may end, and its pipes with it."""
    nothing = os.open(os.devnull, os.O_RDWR)
    for fd in (0, 1, 2):
        os.dup2(nothing, fd)
    os.close(nothing)
    with contextlib.suppress(OSError):
        last_words = os.open(session / LOG, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o666)
        os.dup2(last_words, 2)
        os.close(last_words)


def main() -> int:
    """The process: a job from stdin, one line to stdout; the exit code."""
    for name in ("SIGINT", "SIGHUP"):
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), signal.SIG_IGN)

    def announce(started: Started) -> None:
        _print(started)
        _let_go(Path(started.session))

    try:
        job = msgspec.json.decode(sys.stdin.buffer.readline(), type=Job)
        asyncio.run(record(job, announce))
    except SourceError as error:
        return _refuse(3, error.thing, error.remedy)
    except JobError as error:
        return _refuse(2, error.problem, error.remedy)
    except SessionError as error:
        return _refuse(2, f"{error.path} {error.problem}", error.remedy)
    except msgspec.MsgspecError as error:
        return _refuse(2, f"the job can't be understood ({error})", "This is a bug of the caller")
    return 0


def _refuse(code: int, thing: str, remedy: str) -> int:
    _print(Refused(Refusal(code, thing, remedy)))
    return code


if __name__ == "__main__":
    sys.exit(main())
