"""The recorder's side of the viewers: each is given all records in the order of the journal.

A viewer is a position in the journal. What lies on the disk and no longer in memory is read
from there in small portions, the rest comes out of a window of the latest records. So a
viewer that is late costs no memory, and one that dies costs nothing at all.
"""

import asyncio
import hmac
import itertools
import logging
from collections.abc import Callable
from concurrent.futures import Executor
from pathlib import Path
from typing import TypeVar

import msgspec

from capture.record import Header
from storage.connection.wire import (
    COMMAND_LIMIT,
    Command,
    Cut,
    Unframer,
    WireError,
    decode_command,
    decode_hello,
    encode,
    frame,
)
from storage.journal import Tail

BEHIND_LIMIT = 20_000
"""Records that a viewer of a live session may be behind, once it has been at the front."""
WINDOW = 4096
"""Records kept in memory although they are on the disk: a viewer this late needs no disk."""
ROOM = 2048
"""Records that a script at full speed may be ahead of the slowest viewer."""
STUCK_S = 30.0
"""A viewer that takes nothing for so long, while a script waits for it or after its end, is dropped."""

_PORTION = 512
_HELLO_S = 10.0
_VIEWERS = 32
_STRANGERS = 64
"""Connections that have not told the secret yet; for a further one the oldest is closed."""
_COMMAND_S = 1e-3
"""Seconds from a command to the same viewer's next one: more than a person or a program needs."""
_COMMAND_OCTETS = 1 << 20
"""Octets of commands in a second, of one viewer."""

_T = TypeVar("_T")

log = logging.getLogger("storage.connection.feed")


class _Viewer:
    def __init__(self, number: int, position: int, task: asyncio.Task[None]) -> None:
        self.number, self.position, self.task = number, position, task
        self.more = asyncio.Event()
        self.at_front = False
        self.reason = ""
        self.over = asyncio.Event()

    def cut(self, reason: str) -> None:
        """Let it go; the reason is empty if it went by itself."""
        if not self.over.is_set():
            self.reason = reason
            self.over.set()


class Feed:
    """The window, and the viewers at it.

    Args:
        folder: of the session, for the records that left the window.
        header: a viewer gets it first.
        token: what a viewer must know.
        command: takes what viewers ask for, and the number of the one who asks.
        left: is told the number of each viewer that is gone.
        wait_for_viewers: scripts at full speed wait; otherwise who is too far behind is cut off.
    """

    def __init__(
        self,
        folder: Path,
        header: Header,
        token: str,
        command: Callable[[int, Command], None],
        left: Callable[[int], None] = lambda number: None,
        *,
        wait_for_viewers: bool = False,
    ) -> None:
        self.attached = asyncio.Event()
        """Set by the first viewer."""
        self._folder, self._header, self._token, self._command = folder, header, token, command
        self._left, self._numbers = left, itertools.count(1)
        self._waits = wait_for_viewers
        self._window: list[bytes] = []
        self._first = 0
        self._on_disk = 0
        self._viewers: dict[_Viewer, None] = {}
        self._progress = asyncio.Event()
        self._ended = False
        self._tasks: set[asyncio.Task[None]] = set()
        self._strangers: dict[asyncio.Task[None], asyncio.StreamWriter] = {}
        """Who has not told the secret yet, the oldest first."""
        self._closing: dict[asyncio.StreamWriter, asyncio.Task[None]] = {}

    @property
    def viewers(self) -> int:
        """How many are attached."""
        return len(self._viewers)

    @property
    def total(self) -> int:
        """Records so far."""
        return self._first + len(self._window)

    def add(self, encoded: bytes) -> None:
        """The next record, as MessagePack; it is on its way when this returns."""
        self._window.append(encoded)
        for viewer in self._viewers:
            if viewer.at_front and not self._waits and self.total - viewer.position > BEHIND_LIMIT:
                viewer.cut(f"more than {BEHIND_LIMIT} records behind")
            viewer.more.set()

    def on_disk(self, count: int) -> None:
        """The first `count` records can be read from the journal: the window need not keep them all."""
        self._on_disk = count
        spare = min(count, self.total - WINDOW) - self._first
        if spare > WINDOW:
            del self._window[:spare]
            self._first += spare

    def end(self) -> None:
        """There will be no more records; viewers are let go when they have them all."""
        self._ended = True
        for viewer in self._viewers:
            viewer.more.set()

    async def drained(self, timeout_s: float) -> None:
        """Wait until every viewer has all records and is gone, but not for ever."""
        if self._viewers:
            await asyncio.wait([viewer.task for viewer in self._viewers], timeout=timeout_s)
        left = list(self._tasks)
        for task in left:
            task.cancel()
        if left:
            await asyncio.wait(left, timeout=1.0)
        closing = list(self._closing.values())
        for writer in self._closing:
            writer.transport.abort()
        if closing:
            await asyncio.wait(closing, timeout=1.0)

    async def room(self) -> None:
        """Wait until no viewer is more than `ROOM` records behind."""
        while any(self.total - viewer.position > ROOM for viewer in self._viewers):
            self._progress.clear()
            try:
                async with asyncio.timeout(STUCK_S):
                    await self._progress.wait()
            except TimeoutError:
                for viewer in self._viewers:
                    if self.total - viewer.position > ROOM:
                        viewer.cut(f"nothing taken for {STUCK_S:.0f} s")
                return

    async def serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """One connection, from its first octet to its end."""
        task = asyncio.current_task()
        assert task is not None
        if len(self._strangers) >= _STRANGERS:
            # A viewer tells it at once: whoever has waited longest is none.
            self._strangers.pop(next(iter(self._strangers))).transport.abort()
        self._strangers[task] = writer
        self._tasks.add(task)
        try:
            await self._serve(reader, writer)
        except (OSError, WireError, TimeoutError, UnicodeError, msgspec.MsgspecError) as error:
            log.info("a viewer left: %s", error or type(error).__name__)
        except asyncio.CancelledError:
            # Only `drained` cancels, at the very end.
            pass
        except Exception:
            log.exception("a viewer ended by an error of ours")
        finally:
            self._tasks.discard(task)
            self._strangers.pop(task, None)
            self._closing[writer] = asyncio.create_task(self._let_go(writer))

    async def _let_go(self, writer: asyncio.StreamWriter) -> None:
        """Close a connection; what it was sent last is still on its way, for a while."""
        try:
            writer.close()
            async with asyncio.timeout(STUCK_S):
                await writer.wait_closed()
        except TimeoutError:
            # Whoever stands still and takes nothing would hold a socket for days.
            writer.transport.abort()
        except OSError:
            pass
        finally:
            del self._closing[writer]

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        unframer = Unframer(COMMAND_LIMIT)
        async with asyncio.timeout(_HELLO_S):
            frames: list[bytes] = []
            while not frames:
                data = await reader.read(4096)
                if not data:
                    return
                frames = unframer.feed(data)
        hello = decode_hello(frames.pop(0))
        if not hmac.compare_digest(hello.token.encode(), self._token.encode()):
            raise WireError("a wrong token")
        if len(self._viewers) >= _VIEWERS:
            writer.write(frame([encode(Cut(f"{_VIEWERS} viewers are attached already"))]))
            return
        task = asyncio.current_task()
        assert task is not None
        self._strangers.pop(task, None)
        viewer = _Viewer(next(self._numbers), max(0, min(hello.since, self.total)), task)
        self._viewers[viewer] = None
        self.attached.set()
        writer.write(frame([encode(self._header)]))
        jobs = [
            asyncio.create_task(self._listen(reader, unframer, frames, viewer)),
            asyncio.create_task(self._send(viewer, writer)),
            asyncio.create_task(_is_set(viewer.over)),
        ]
        try:
            # A viewer that takes nothing keeps its sender waiting: so `over` is waited for beside it.
            await asyncio.wait(jobs[1:], return_when=asyncio.FIRST_COMPLETED)
        finally:
            del self._viewers[viewer]
            self._left(viewer.number)
            self._progress.set()
            for job in jobs:
                job.cancel()
            results = await asyncio.gather(*jobs, return_exceptions=True)
            if viewer.reason:
                log.info("a viewer was cut off: %s", viewer.reason)
                writer.write(frame([encode(Cut(viewer.reason))]))
        for result in results:
            if isinstance(result, Exception):
                raise result
        if not viewer.over.is_set():
            # It has everything when the socket has.
            writer.close()
            await writer.wait_closed()

    async def _listen(
        self, reader: asyncio.StreamReader, unframer: Unframer, frames: list[bytes], viewer: _Viewer
    ) -> None:
        """Take the viewer's commands until it goes."""
        try:
            while True:
                for each in frames:
                    self._command(viewer.number, decode_command(each))
                    # A flood must take neither the loop's time nor the memory that packets need.
                    await asyncio.sleep(max(_COMMAND_S, len(each) / _COMMAND_OCTETS))
                data = await reader.read(4096)
                if not data:
                    viewer.cut("")
                    return
                frames = unframer.feed(data)
        except OSError:
            viewer.cut("")
        except (WireError, UnicodeError, msgspec.MsgspecError) as error:
            viewer.cut(f"a command was not understood ({error})")

    async def _send(self, viewer: _Viewer, writer: asyncio.StreamWriter) -> None:
        """Bring the viewer everything to the end."""
        while True:
            if viewer.position < self._first:
                await self._send_past(viewer, writer)
            elif viewer.position < self.total:
                start = viewer.position - self._first
                await self._pass_on(viewer, writer, self._window[start : start + _PORTION])
            elif self._ended:
                return
            else:
                viewer.at_front = True
                viewer.more.clear()
                await viewer.more.wait()

    async def _pass_on(self, viewer: _Viewer, writer: asyncio.StreamWriter, portion: list[bytes]) -> None:
        viewer.position += len(portion)
        writer.write(frame(portion))
        await writer.drain()
        self._progress.set()

    async def _send_past(self, viewer: _Viewer, writer: asyncio.StreamWriter) -> None:
        """From the disk, until the window has the rest."""
        start = viewer.position
        try:
            with await in_thread(lambda: Tail(self._folder, start)) as past:
                # A small portion at a time: the thread must not keep the loop from stamping packets.
                while viewer.position < self._first and (
                    records := await in_thread(lambda: past.read(_PORTION))
                ):
                    if past.skipped_pieces:
                        # Places can't be counted beyond a piece that is not as written.
                        break
                    await self._pass_on(viewer, writer, [encode(record) for record in records])
        except ConnectionError:
            raise
        except OSError as error:
            viewer.cut(f"the disk doesn't give back what was recorded ({error.strerror or error})")
            return
        if viewer.position == start or past.skipped_pieces:
            # Unreadable although it was written; reading the session will tell what is missing.
            log.error("records %d to %d can't be read back", viewer.position, self._first)
            viewer.position = self._first


async def _is_set(event: asyncio.Event) -> None:
    await event.wait()


async def in_thread(work: Callable[[], _T], pool: Executor | None = None) -> _T:
    """As `asyncio.to_thread`, but a cancel waits for the thread: no file is closed under its hands.

    `pool`: whose thread it is; None: those that all share.
    """
    running = asyncio.get_running_loop().run_in_executor(pool, work)
    try:
        return await asyncio.shield(running)
    except asyncio.CancelledError:
        await asyncio.wait([running])
        raise
