"""The viewer's side: start a recorder, attach to one, take its records, send it commands."""

import asyncio
import contextlib
import os
import socket
import subprocess
import sys
import tempfile
from collections.abc import AsyncIterator
from pathlib import Path
from typing import IO

import msgspec

from capture.record import End, Header, Record
from capture.source import SourceError
from storage.connection.job import Job, JobError, Refused, Started
from storage.connection.wire import (
    FRAME_LIMIT,
    Alive,
    Command,
    Cut,
    Do,
    Finish,
    Hello,
    LastWill,
    Send,
    Unframer,
    WireError,
    decode_header,
    decode_sent,
    encode,
    frame,
)
from storage.damage import SessionError
from storage.session import LIVE, read_live

ANSWER_S = 10.0
"""Seconds that a recorder may take to answer a viewer."""
START_S = 90.0
"""Seconds that a recorder may take to start; it asks the radios before it answers."""
LOOK_S = 3.0
"""Seconds that a recorder may take to answer who only asks whether it is there."""

_CHUNK = 1 << 16
_ALL = 1 << 62
# -P: a folder named `storage` where the operator happens to stand must not be taken for ours.
_COMMAND = ["-P", "-m", "storage.recorder"]


class RecorderError(Exception):
    """A recorder that can't be started, or is no longer there; the text says what to do."""


class CutOffError(RecorderError):
    """The recorder goes on, but dropped this viewer; it may attach again from `Attachment.received`."""


class Attachment:
    """A connection to a recorder: an asynchronous iterator of records, and the commands.

    The iteration ends after the `End` record. Use it once, and `close` it (or use `async with`).
    `header` came first; `received` counts all records so far, those before `since` included.

    Raises (while iterating):
        CutOffError: this viewer was too slow; the recording goes on.
        RecorderError: the recorder died; what it recorded is in `session`.
    """

    def __init__(
        self,
        session: Path,
        header: Header,
        reader: asyncio.StreamReader,
        writer: asyncio.StreamWriter,
        unframer: Unframer,
        waiting: list[bytes],
        since: int,
    ) -> None:
        self.session, self.header, self.received = session, header, since
        self._reader, self._writer, self._unframer = reader, writer, unframer
        self._waiting = waiting
        self.ended = False
        """The `End` record has been received."""

    async def __aiter__(self) -> AsyncIterator[Record]:
        async for batch in self.batches():
            for record in batch:
                yield record

    async def batches(self) -> AsyncIterator[list[Record]]:
        """The same records, as many at a time as have come: for who takes many in a second."""
        while True:
            batch: list[Record] = []
            cut: Cut | None = None
            for payload in self._waiting:
                sent = self._decoded(payload)
                if isinstance(sent, Cut):
                    cut = sent
                    break
                batch.append(sent)
            self._waiting = []
            if batch:
                self.received += len(batch)
                self.ended = isinstance(batch[-1], End)
                yield batch
            if cut is not None:
                raise CutOffError(
                    f"The recorder dropped this screen ({cut.reason}). It goes on; attach again."
                )
            if self.ended:
                return
            try:
                data = await self._reader.read(_CHUNK)
            except OSError:
                data = b""
            if not data:
                raise RecorderError(
                    f"The recorder of {self.session} is gone: it was ended or killed. What it had is kept, "
                    "but for the last second or two: see `plumbwatt replay` and `plumbwatt rescue`."
                )
            self._waiting = self._unframed(data)

    def _unframed(self, data: bytes) -> list[bytes]:
        try:
            return self._unframer.feed(data)
        except WireError as error:
            raise RecorderError(f"The recorder of {self.session} says what makes no sense: {error}") from None

    def _decoded(self, payload: bytes) -> Record | Cut:
        try:
            sent: Record | Cut = decode_sent(payload)
            return sent
        except (msgspec.MsgspecError, UnicodeError) as error:
            raise RecorderError(f"The recorder of {self.session} says what makes no sense: {error}") from None

    async def act(self, act: str, text: str = "", instrument: str = "", at_ns: int = 0) -> None:
        """Put an `Act` into the journal, stamped by the recorder; `finish` ends the session.

        `at_ns` is the session time that it belongs to, if that is earlier. Raises RecorderError
        if the recorder is gone.
        """
        await self._command(Do(act, text, instrument, at_ns))

    async def write(self, instrument: str, channel: str, data: bytes) -> None:
        """Send bytes to an instrument; what becomes of it comes as a `Write` record.

        Raises RecorderError if the recorder is gone.
        """
        await self._command(Send(instrument, channel, data))

    async def will(self, will: LastWill) -> None:
        """Leave a last will: what the recorder sends when this viewer is gone.

        Raises RecorderError if the recorder is gone.
        """
        await self._command(will)

    async def alive(self) -> None:
        """Give a sign of life, as a will asks for. Raises RecorderError if the recorder is gone."""
        await self._command(Alive())

    async def finish(self, reason: str = "finished") -> None:
        """End the session; the rest of its records, and `End`, still come.

        Raises RecorderError if the recorder is gone.
        """
        await self._command(Finish(reason))

    async def _command(self, command: Command) -> None:
        try:
            self._writer.write(frame([encode(command)]))
            await self._writer.drain()
        except OSError:
            raise RecorderError(f"The recorder of {self.session} is gone") from None

    async def __aenter__(self) -> "Attachment":
        return self

    async def __aexit__(self, *_: object) -> None:
        await self.close()

    async def close(self) -> None:
        """Detach; the recording goes on."""
        self._writer.close()
        with contextlib.suppress(OSError):
            await self._writer.wait_closed()


async def attach(target: Path | Started, since: int = 0) -> Attachment:
    """Attach to a recorder.

    Args:
        target: a session folder that is being recorded, or what `start_recorder` gave.
        since: how many records are known already; 0 gives all from the beginning.

    Raises:
        SessionError: the session is not being recorded (any more).
        RecorderError: something answers, but not as a recorder does.
    """
    if isinstance(target, Started):
        folder, port, token = Path(target.session), target.port, target.token
    else:
        folder = target
        live = read_live(folder)
        if live is None:
            raise SessionError(
                folder, "is not being recorded now", f"`plumbwatt replay {folder}` shows what was recorded"
            )
        port, token = live.port, live.token
    try:
        async with asyncio.timeout(ANSWER_S):
            reader, writer = await asyncio.open_connection("127.0.0.1", port, limit=_CHUNK)
    except (OSError, TimeoutError):
        raise SessionError(
            folder,
            "its recorder is gone: it died or was killed",
            f"What was recorded is kept: `plumbwatt rescue {folder}` makes it whole",
        ) from None
    unframer = Unframer(FRAME_LIMIT)
    try:
        async with asyncio.timeout(ANSWER_S):
            writer.write(frame([encode(Hello(token, since))]))
            await writer.drain()
            frames: list[bytes] = []
            while not frames:
                data = await reader.read(_CHUNK)
                if not data:
                    raise ConnectionResetError
                frames = unframer.feed(data)
        header = decode_header(frames.pop(0))
    except BaseException as error:
        writer.close()
        if isinstance(error, ConnectionError):
            raise RecorderError(
                f"The recorder of {folder} closed the connection: it is about to end, or too many programs "
                "connect to it. Try again."
            ) from None
        if isinstance(error, OSError | TimeoutError | WireError | UnicodeError | msgspec.MsgspecError):
            raise RecorderError(f"What listens for {folder} is not its recorder ({error!r})") from None
        raise
    return Attachment(folder, header, reader, writer, unframer, frames, since)


def is_recording(folder: Path) -> bool:
    """Whether a session is being recorded now: whether its recorder answers, not whether a file says so.

    After a power cut `live.json` stays behind, and its port may be another program's by now.
    """
    live = read_live(folder)
    if live is None:
        return False
    unframer = Unframer(FRAME_LIMIT)
    try:
        with socket.create_connection(("127.0.0.1", live.port), timeout=LOOK_S) as connection:
            # So many records are known to nobody: it has nothing to send but its header.
            connection.sendall(frame([encode(Hello(live.token, _ALL))]))
            frames: list[bytes] = []
            while not frames:
                data = connection.recv(_CHUNK)
                if not data:
                    # Another's port, or a recorder that has no room for strangers or is about to end.
                    return _runs(live.pid)
                frames = unframer.feed(data)
            decode_header(frames[0])
    except TimeoutError:
        # Somebody listens and does not come to answer: a computer under load, or one that is held.
        return _runs(live.pid)
    except (OSError, OverflowError, WireError, UnicodeError, msgspec.MsgspecError):
        return False
    return True


def recordings_in(out: Path) -> list[Path]:
    """The sessions in a folder of sessions that are being recorded now, by whoever is left to say so."""
    try:
        found = sorted(each.parent for each in out.glob(f"*/{LIVE}"))
    except OSError:
        return []
    return [folder for folder in found if is_recording(folder)]


def _runs(pid: int) -> bool:
    """Whether a process of that number runs, as far as can be seen."""
    if os.name == "nt" or pid <= 0:
        # There the question would end it.
        return True
    try:
        os.kill(pid, 0)
    except (ProcessLookupError, OverflowError):
        return False
    except OSError:
        pass
    return True


class RunningRecorder(msgspec.Struct, frozen=True):
    """A recorder that was started; it goes on whatever becomes of us."""

    started: Started
    process: subprocess.Popen[bytes]

    @property
    def session(self) -> Path:
        """The session folder."""
        return Path(self.started.session)

    async def attach(self, since: int = 0) -> Attachment:
        """See `attach`."""
        return await attach(self.started, since)

    async def wait(self, timeout_s: float = 60.0) -> int | None:
        """Wait for the recorder to end; its exit code, or None if it still runs."""
        try:
            return await asyncio.to_thread(self.process.wait, timeout_s)
        except subprocess.TimeoutExpired:
            return None


async def start_recorder(job: Job) -> RunningRecorder:
    """Start a recorder in a process of its own, away from the terminal's signals.

    Raises:
        SourceError: a radio or device is not available.
        JobError: the job can't be done: a bad link, a folder that can't be written to.
        RecorderError: the process failed to start.
    """
    return await asyncio.to_thread(_start, job)


def _start(job: Job) -> RunningRecorder:
    root = str(Path(__file__).resolve().parents[1])
    paths = [root, *filter(None, [os.environ.get("PYTHONPATH")])]
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join(paths)}
    command = [sys.executable, *_COMMAND]
    with _scratch() as complaints:
        process = _spawn(command, environment, complaints)
        assert process.stdin is not None
        assert process.stdout is not None
        line, late = b"", False
        try:
            with contextlib.suppress(OSError):
                process.stdin.write(msgspec.json.encode(job) + b"\n")
                process.stdin.close()
            line, late = _first_line(process)
        finally:
            process.stdout.close()
            with contextlib.suppress(OSError):
                process.stdin.close()
            if not line:
                process.kill()
                process.wait()
        if late:
            raise JobError(
                f"the recorder did not start within {START_S:.0f} s: this computer is too slow or too busy",
                "End other programs and try again",
            )
        if not line:
            complaints.seek(0)
            said = complaints.read()[-2000:].decode("utf-8", "replace").strip()
            raise RecorderError(f"The recorder did not start (exit code {process.returncode}). {said}")
    answer = msgspec.json.decode(line, type=dict[str, object])
    if "error" not in answer:
        return RunningRecorder(msgspec.convert(answer, Started), process)
    process.wait()
    refusal = msgspec.convert(answer, Refused).error
    if refusal.code == 3:
        raise SourceError(refusal.thing, refusal.remedy)
    raise JobError(refusal.thing, refusal.remedy)


def _scratch() -> IO[bytes]:
    """A file for what the recorder says before it can say it in order; read back if it does not start."""
    try:
        return tempfile.TemporaryFile()
    except OSError:
        # No folder for temporary files: a recording needs none, only these words are lost.
        return open(os.devnull, "w+b")


def _spawn(command: list[str], environment: dict[str, str], complaints: IO[bytes]) -> subprocess.Popen[bytes]:
    flags = 0
    if sys.platform == "win32":
        flags = subprocess.CREATE_NEW_PROCESS_GROUP | subprocess.CREATE_NO_WINDOW
    return subprocess.Popen(
        command,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=complaints,
        env=environment,
        start_new_session=os.name != "nt",
        creationflags=flags,
    )


def _first_line(process: subprocess.Popen[bytes]) -> tuple[bytes, bool]:
    """What the recorder prints first, empty if it ends; and whether it took so long that it was ended."""
    import threading

    assert process.stdout is not None
    timer = threading.Timer(START_S, process.kill)
    timer.start()
    try:
        line = process.stdout.readline()
        return line, not line and not timer.is_alive()
    finally:
        timer.cancel()
