"""A session while it is being recorded: records from the recorder, through the pipeline, to the screen.

The recorder is another process and owns the journal. This side may break off and attach
again at any time: it asks for the records after those it has, and if the recorder is
gone it takes the rest from the disk.
"""

import asyncio
from collections import deque
from collections.abc import AsyncIterator, Awaitable, Callable
from pathlib import Path
from typing import Protocol as Interface

from capture.record import End, Record, Tick
from monitor.bench import Bench
from monitor.pipeline import Pipeline
from monitor.protocol import Protocol
from monitor.runner import Runner
from monitor.view import Finding, View
from storage.attach import CutOffError, RecorderError
from storage.damage import SessionError
from storage.journal import Tail

YIELD_RECORDS = 64
"""At full speed the screen gets its turn after so many records."""
AGAIN_S = (0.1, 0.2, 0.5, 1.0, 2.0)
"""Waits before attaching again; then the recorder is believed to be gone."""


class Connection(Interface):
    """One attachment to a recorder, as `storage.attach.Attachment`."""

    def batches(self) -> AsyncIterator[list[Record]]:
        """The records from the asked one on; ends after the `End` record."""
        ...

    async def act(self, act: str, text: str = "", instrument: str = "", at_ns: int = 0) -> None:
        """Put an act into the journal; `at_ns` is the session time that it belongs to, if earlier."""
        ...

    async def write(self, instrument: str, channel: str, data: bytes) -> None:
        """Send bytes to an instrument."""
        ...

    async def finish(self, reason: str = "finished") -> None:
        """End the session."""
        ...

    async def close(self) -> None:
        """Detach; the recording goes on."""
        ...


Attach = Callable[[int], Awaitable[Connection]]
"""Attaches to the recorder; the argument is how many records are known already."""
Command = Callable[[Connection], Awaitable[None]]


class LiveSession:
    """A session that is being recorded; a source of views for the screen, and taker of acts.

    Args:
        folder: the session's.
        attach: gives a connection to its recorder; raises SessionError if there is none.
        bench, protocol: as they stand in the journal's header.
        runner: begins the segments of the protocol; None if something else does, as in a scene.
        on_finding: is told of every change of a finding.
    """

    def __init__(
        self,
        folder: Path,
        attach: Attach,
        bench: Bench,
        protocol: Protocol | None = None,
        *,
        runner: Runner | None = None,
        on_finding: Callable[[Finding], None] | None = None,
    ) -> None:
        self.folder = folder
        self.pipeline = Pipeline(bench, protocol, runner=runner)
        self.closed = False
        self.closed_why = ""
        self._attach, self._runner, self._on_finding = attach, runner, on_finding
        self._outbox: deque[Command] = deque()
        self._posted = asyncio.Event()
        self._view: tuple[int, View] | None = None

    # -- what a screen asks for

    def view(self) -> View:
        """The bench as it stands now; the same object as long as nothing came."""
        if self._view is None or self._view[0] != self.pipeline.records:
            self._view = self.pipeline.records, self.pipeline.view()
        return self._view[1]

    def act(self, act: str, text: str = "", instrument: str = "", at_s: float | None = None) -> None:
        """Send an act to the recorder, which stamps it; `at_s` is the moment it belongs to, if earlier."""
        at_ns = 0 if at_s is None else round(at_s * 1e9)
        self._post(lambda connection: connection.act(act, text, instrument, at_ns))

    def write(self, instrument: str, channel: str, data: bytes) -> None:
        """Send bytes to an instrument; what becomes of it comes back as a record."""
        self._post(lambda connection: connection.write(instrument, channel, data))

    def finish(self, reason: str = "finished by the operator") -> None:
        """Ask the recorder to close the session; `closed` follows."""
        self._post(lambda connection: connection.finish(reason))

    def _post(self, command: Command) -> None:
        self._outbox.append(command)
        self._posted.set()

    # -- records

    async def feed(self) -> None:
        """Follow the session to its end, over broken connections; returns when `closed`.

        If the recorder is gone, what it wrote is taken from the disk, and `closed_why` says so.
        """
        failures = 0
        while not self.closed:
            known = self.pipeline.records
            try:
                await self._follow(await self._attach(known))
            except CutOffError:
                pass
            except SessionError as error:
                self._take_from_disk(f"{error.problem}. {error.remedy}")
                return
            except RecorderError as error:
                failures = failures + 1 if self.pipeline.records == known else 1
                if failures > len(AGAIN_S):
                    self._take_from_disk(str(error))
                    return
                await asyncio.sleep(AGAIN_S[failures - 1])

    async def _follow(self, connection: Connection) -> None:
        sending = asyncio.create_task(self._send(connection))
        try:
            async for batch in connection.batches():
                for number, record in enumerate(batch, 1):
                    self._take(record)
                    if number % YIELD_RECORDS == 0:
                        await asyncio.sleep(0)
                await asyncio.sleep(0)
        finally:
            sending.cancel()
            await connection.close()

    async def _send(self, connection: Connection) -> None:
        """Pass on what was posted; what could not be sent waits for the next connection."""
        # An event belongs to one loop, and a session that a screen has left goes on in another.
        posted = self._posted = asyncio.Event()
        posted.set()
        while True:
            await posted.wait()
            posted.clear()
            while self._outbox:
                try:
                    await self._outbox[0](connection)
                except RecorderError:
                    return
                self._outbox.popleft()

    def _take(self, record: Record) -> None:
        self._tell(self.pipeline.feed(record))
        if isinstance(record, End):
            self._close("")
        elif self._runner is not None and isinstance(record, Tick):
            name = self._runner.due(record.t_ns / 1e9, all(self.pipeline.packets))
            if name is not None:
                self.act("segment", name)

    def _take_from_disk(self, why: str) -> None:
        """The rest of the journal, when no recorder answers."""
        try:
            with Tail(self.folder, self.pipeline.records) as tail:
                while records := tail.read():
                    for record in records:
                        self._take(record)
        except OSError as error:
            why = f"{why} ({error.strerror})"
        if not self.closed:
            self._close(why)

    def _close(self, why: str) -> None:
        self._tell(self.pipeline.finish())
        self.closed, self.closed_why = True, why

    def _tell(self, findings: list[Finding]) -> None:
        if self._on_finding is not None:
            for finding in findings:
                self._on_finding(finding)
