"""A session while it is being recorded: records from the recorder, through the pipeline, to the screen.

The recorder is another process and owns the journal. This side may break off and attach
again at any time: it asks for the records after those it has, and if the recorder is
gone it takes the rest from the disk.
"""

import asyncio
import contextlib
import itertools
import math
import shutil
import time
from collections import deque
from collections.abc import AsyncIterator, Awaitable, Callable
from pathlib import Path
from typing import NamedTuple
from typing import Protocol as Interface

import msgspec

from capture.control import Request
from capture.record import Act, End, Record, Tick
from monitor.controls.controls import Controls, is_ridden
from monitor.controls.output import Ask, Do, Leave, Output, is_perishable
from monitor.controls.trainer.orders import KEEP_ALIVE_S
from monitor.finding import Finding
from monitor.live.pipeline import Pipeline
from monitor.live.runner import Runner
from monitor.live.screen import view_of
from monitor.live.view import View
from monitor.sessions.live.gathered import Gathered
from monitor.sessions.live.hand_back import seconds_left
from monitor.sessions.live.previous_zeros import earlier_zeros, unit_of
from monitor.sessions.live.trusted import references_line
from monitor.setup.bench import Bench
from monitor.setup.protocol import Protocol
from storage.attach import CutOffError, RecorderError
from storage.connection.wire import LastWill
from storage.damage import DamagedSession, SessionError
from storage.journal import Tail
from storage.remainder import read_session

DISK_S = 5.0
"""How often free space is looked up, in session seconds."""
AGAIN_TICKS = 3
"""An act that has not come back so many ticks after a new connection was lost with the old one."""
BEHIND_S = 3.0
"""A screen that shows what was so long ago commands no trainer: it catches up, or is too slow."""
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

    async def will(self, will: LastWill) -> None:
        """Leave a last will."""
        ...

    async def alive(self) -> None:
        """Give a sign of life."""
        ...

    async def finish(self, reason: str = "finished") -> None:
        """End the session."""
        ...

    async def close(self) -> None:
        """Detach; the recording goes on."""
        ...


Attach = Callable[[int], Awaitable[Connection]]
"""Attaches to the recorder; the argument is how many records are known already."""


class Letter(NamedTuple):
    """Something to be passed on. A perishable one is not passed on over a later connection."""

    send: Callable[[Connection], Awaitable[None]]
    done: Do | None = None
    perishable: bool = False


class LiveSession:
    """A session that is being recorded; a source of views for the screen, and taker of acts.

    Args:
        folder: the session's.
        attach: gives a connection to its recorder; raises SessionError if there is none.
        bench, protocol: as they stand in the journal's header.
        runner: begins the segments of the protocol; None if something else does, as in a scene.
        on_finding: is told of every change of a finding.
        late_s: who follows a session leaves questions to the screen that started it, so long.
        asks: power meters are asked for their crank length when they are linked.
        hands: keys can act on trainer, zero offset and protocol (`controls`).
        keeps: what the pipeline makes of the records is kept for the study (`gathered`).
        now_ns: the clock that the recorder, on this same computer, writes into its ticks.
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
        late_s: float = 0.0,
        asks: bool = False,
        hands: bool = True,
        keeps: bool = False,
        now_ns: Callable[[], int] = time.time_ns,
    ) -> None:
        self.folder = folder
        self.gathered = Gathered(bench) if keeps else None
        sink = None if self.gathered is None else self.gathered.gathering
        self.pipeline = Pipeline(
            bench,
            protocol,
            on_cell=None if sink is None else sink.cell,
            on_reading=None if sink is None else sink.reading,
            on_stroke=None if sink is None else sink.stroke,
            runner=runner,
        )
        self.controls = Controls(bench, self.pipeline, late_s=late_s, asks=asks) if hands or asks else None
        if self.controls is not None:
            self.controls.preflight.references = references_line(folder.parent, bench)
        self.closed = False
        self.closed_why = ""
        self.ending = ""
        """Why it was closed on purpose."""
        self._attach, self._runner, self._on_finding = attach, runner, on_finding
        # The ticks of a scene have a calendar of their own.
        self._now_ns = None if bench.scripted else now_ns
        self._outbox: deque[Letter] = deque()
        self._posted = asyncio.Event()
        self._connections = 0
        self._ticks = 0
        """Since this connection was made."""
        self._unconfirmed: list[tuple[Do, int]] = []
        """Acts that were sent and have not come back as records, and over which connection."""
        self._looked_up: set[str] = set()
        self._tasks: set[asyncio.Future[None]] = set()
        self._free: tuple[float, int | None] = (-math.inf, None)
        self._view: tuple[int, View] | None = None
        self._hand_back = bench.hand_back
        self._utc_ns = (0, 0)
        """The clock at the first tick and at the last one."""
        self._ridden_s = 0.0
        """For how many ticks, one a second, the cranks have been turning."""

    # -- what a screen asks for

    def view(self) -> View:
        """The bench as it stands now; the same object as long as nothing came."""
        if self._view is None or self._view[0] != self.pipeline.records:
            left_s = seconds_left(self._hand_back, *self._utc_ns)
            self._view = (
                self.pipeline.records,
                msgspec.structs.replace(view_of(self.pipeline), hand_back_s=left_s),
            )
        return self._view[1]

    def act(self, act: str, text: str = "", instrument: str = "", at_s: float | None = None) -> None:
        """Send an act to the recorder, which stamps it; `at_s` is the moment it belongs to, if earlier."""
        if self.controls is not None:
            self.controls.act(act, text, instrument, at_s)
            self.pass_on()
        else:
            self._post(self._letter(Do(act, text, instrument, at_s)))

    def write(self, instrument: str, channel: str, data: bytes) -> None:
        """Send bytes to an instrument; what becomes of it comes back as a record."""
        self._post(self._letter(Ask(instrument, Request(channel, data))))

    def finish(self, reason: str = "finished by the operator") -> None:
        """Ask the recorder to close the session; `closed` follows."""
        self._post(Letter(lambda connection: connection.finish(reason)))

    def pass_on(self) -> None:
        """Post what the controls want to be passed on."""
        if self.controls is not None:
            out, self.controls.out = self.controls.out, []
            for each in out:
                self._post(self._letter(each))

    def disk_free(self) -> int | None:
        """Octets free where the session is kept; looked up every few seconds. None: not known."""
        if self.pipeline.t_s - self._free[0] >= DISK_S:
            try:
                free = shutil.disk_usage(self.folder).free
            except OSError:
                free = None
            self._free = self.pipeline.t_s, free
        return self._free[1]

    def look_up_zeros(self, label: str) -> None:
        """Have the zeros that earlier sessions beside this one know of a unit brought into the record."""
        if self.controls is None or label in self._looked_up:
            return
        self._looked_up.add(label)
        unit = unit_of(self.pipeline.facts.reported[self.pipeline.index[label]])
        if unit is None:
            return

        async def look() -> None:
            assert self.controls is not None
            zeros = await asyncio.to_thread(earlier_zeros, self.folder, unit)
            self.controls.earlier_zeros(label, zeros)
            self.pass_on()

        task = asyncio.ensure_future(look())
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)

    def _letter(self, output: Output) -> Letter:
        match output:
            case Do(act, text, instrument, at_s):
                at_ns = 0 if at_s is None else round(at_s * 1e9)
                return Letter(lambda connection: connection.act(act, text, instrument, at_ns), output)
            case Ask(instrument, request):
                return Letter(
                    lambda connection: connection.write(instrument, *request),
                    perishable=is_perishable(output),
                )
            case Leave(instrument, bequest):
                will = LastWill(instrument, bequest.channel, bequest.data, bequest.answer, KEEP_ALIVE_S)
                return Letter(lambda connection: connection.will(will), perishable=True)

    def _post(self, letter: Letter) -> None:
        self._outbox.append(letter)
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
        self._connected()
        jobs = [asyncio.create_task(self._send(connection)), asyncio.create_task(self._beat(connection))]
        try:
            async for batch in connection.batches():
                for number, record in enumerate(batch, 1):
                    self._take(record)
                    if number % YIELD_RECORDS == 0:
                        await asyncio.sleep(0)
                await asyncio.sleep(0)
        finally:
            for job in jobs:
                job.cancel()
            self._disconnected()
            await connection.close()

    def _connected(self) -> None:
        self._connections += 1
        self._ticks = 0
        if self.controls is not None:
            self.controls.connected = True

    def _disconnected(self) -> None:
        """The recorder lets a trainer go by itself now: nothing that was meant for it may come later."""
        if self.controls is not None:
            self.controls.cut_off()
        self._outbox = deque(letter for letter in self._outbox if not letter.perishable)

    async def _send(self, connection: Connection) -> None:
        """Pass on what was posted; what could not be sent waits for the next connection."""
        # An event belongs to one loop, and a session that a screen has left goes on in another.
        posted = self._posted = asyncio.Event()
        posted.set()
        while True:
            await posted.wait()
            posted.clear()
            while self._outbox:
                letter = self._outbox[0]
                try:
                    await letter.send(connection)
                except RecorderError:
                    return
                self._passed_on(letter)

    def _passed_on(self, letter: Letter) -> None:
        if self._outbox and self._outbox[0] is letter:
            self._outbox.popleft()
        if letter.done is not None:
            self._unconfirmed.append((letter.done, self._connections))

    async def _beat(self, connection: Connection) -> None:
        """Signs of life, as long as the recorder is to let a trainer go without them."""
        while True:
            await asyncio.sleep(KEEP_ALIVE_S / 4)
            if self.controls is not None and self.controls.trainers.have_wills():
                try:
                    await connection.alive()
                except RecorderError:
                    return

    def _take(self, record: Record) -> None:
        findings = self.pipeline.feed(record)
        if self.gathered is not None:
            self.gathered.take(record, self.pipeline.index, findings)
        self._tell(findings)
        if self.controls is not None:
            self.controls.take(record)
            if isinstance(record, Tick) and self._now_ns is not None:
                self._look_how_late(record, self.controls)
            self.pass_on()
        if isinstance(record, Act):
            self._confirm(record)
        elif isinstance(record, Tick):
            self._utc_ns = self._utc_ns[0] or record.utc_ns, record.utc_ns
            self._send_again()
        if isinstance(record, End):
            self.ending = record.reason
            self._close("")
        elif self._runner is not None and isinstance(record, Tick):
            t_s = record.t_ns / 1e9
            self._ridden_s = self._ridden_s + 1.0 if is_ridden(self.pipeline, t_s) else 0.0
            # What is long past was for another screen to begin: whoever attaches hears the whole session.
            if self._behind_s(record) > BEHIND_S:
                return
            name = self._runner.due(t_s, all(self.pipeline.packets), self._ridden_s)
            if name is not None:
                self.act("segment", name)

    def _behind_s(self, tick: Tick) -> float:
        """How old a tick is by this computer's clock; 0 where all comes from a script."""
        return 0.0 if self._now_ns is None else max(0.0, (self._now_ns() - tick.utc_ns) / 1e9)

    def _look_how_late(self, tick: Tick, controls: Controls) -> None:
        """Whoever attaches has the whole session to catch up with, and a computer may be too slow."""
        controls.behind_s = self._behind_s(tick)
        if controls.behind_s > BEHIND_S:
            controls.fall(f"this screen is {controls.behind_s:.0f} s behind")

    def _confirm(self, act: Act) -> None:
        """An act has come back. Of two alike the earlier may be the one that was lost."""
        for each in reversed(self._unconfirmed):
            at_ns = 0 if each[0].at_s is None else round(each[0].at_s * 1e9)
            if each[0][:3] == (act.act, act.text, act.instrument) and at_ns == act.at_ns:
                self._unconfirmed.remove(each)
                return

    def _send_again(self) -> None:
        """An act that went into a connection that then broke, and is not in the record, goes once more."""
        self._ticks += 1
        if self._ticks != AGAIN_TICKS:
            return
        old = [done for done, connection in self._unconfirmed if connection < self._connections]
        self._unconfirmed = [each for each in self._unconfirmed if each[1] >= self._connections]
        for done in old:
            self._post(self._letter(done))

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
            self._take_remainder()
        if not self.closed:
            self._close(why)

    def _take_remainder(self) -> None:
        """The end of a session whose disk failed, from where its recorder put it."""
        with contextlib.suppress(OSError, SessionError, DamagedSession):
            _, records = read_session(self.folder)
            if records.rest is not None:
                for record in itertools.islice(records, self.pipeline.records, None):
                    self._take(record)

    def _close(self, why: str) -> None:
        last = self.pipeline.finish()
        if self.gathered is not None:
            self.gathered.close(self.pipeline, last)
        self._tell(last)
        self.closed, self.closed_why = True, why

    def _tell(self, findings: list[Finding]) -> None:
        if self._on_finding is not None:
            for finding in findings:
                self._on_finding(finding)
