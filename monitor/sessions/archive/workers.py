"""Several processes on this computer, each judging one session at a time.

A worker reads the path of a session a line, and answers with an entry a line. One that dies takes its
session's try with it: another is started, the session is tried once more, and then it is refused.
"""

import contextlib
import queue
import signal
import subprocess
import sys
import threading
from collections.abc import Iterator, Sequence
from pathlib import Path

import msgspec

from monitor.sessions.archive.dataset import Entry

TRIES = 2
STOP_S = 10.0
"""So long a worker may take to put what it is writing in order, when all is stopped."""
COMMAND = ("-P", "-m", "monitor.sessions.archive.worker")


def by_workers(jobs: int, paths: Sequence[Path], target: Path) -> Iterator[Entry]:
    """Entries in the order in which they are done. Closing the iterator stops the workers."""
    waiting: queue.SimpleQueue[Path] = queue.SimpleQueue()
    for path in paths:
        waiting.put(path)
    done: queue.SimpleQueue[Entry] = queue.SimpleQueue()
    workers = [_Worker(target, waiting, done) for _ in range(jobs)]
    try:
        for worker in workers:
            worker.start()
        for _ in paths:
            yield done.get()
    finally:
        for worker in workers:
            worker.stop()
        for worker in workers:
            worker.join(STOP_S)


class _Worker(threading.Thread):
    """A thread that feeds one process, and starts another when it dies."""

    def __init__(
        self, target: Path, waiting: "queue.SimpleQueue[Path]", done: "queue.SimpleQueue[Entry]"
    ) -> None:
        super().__init__(daemon=True)
        self.target, self.waiting, self.done = target, waiting, done
        self._process: subprocess.Popen[bytes] | None = None
        self._stopped = False
        self._lock = threading.Lock()

    def run(self) -> None:
        """Take sessions until none is left."""
        while not self._stopped:
            try:
                path = self.waiting.get_nowait()
            except queue.Empty:
                break
            try:
                entry = self._entry(path)
            except Exception as error:
                # No answer would have the caller wait for ever.
                entry = Entry(path.name, "refused", f"no process could judge it ({error})")
            self.done.put(entry)
        self._end()

    def _entry(self, path: Path) -> Entry:
        code: int | None = None
        for _ in range(TRIES):
            process = self._running()
            if process is None:
                break
            assert process.stdin is not None
            assert process.stdout is not None
            line = b""
            with contextlib.suppress(OSError, ValueError):
                process.stdin.write(msgspec.json.encode(str(path.resolve())) + b"\n")
                process.stdin.flush()
                line = process.stdout.readline()
            with contextlib.suppress(msgspec.MsgspecError):
                return msgspec.json.decode(line, type=Entry)
            code = self._end()
        return Entry(
            path.name, "refused", f"the process that judged it died, {TRIES} times (exit code {code})"
        )

    def _running(self) -> "subprocess.Popen[bytes] | None":
        with self._lock:
            if self._stopped:
                return None
            if self._process is None:
                self._process = subprocess.Popen(
                    [sys.executable, *COMMAND, str(self.target)],
                    stdin=subprocess.PIPE,
                    stdout=subprocess.PIPE,
                )
            return self._process

    def _end(self) -> int | None:
        with self._lock:
            process, self._process = self._process, None
        if process is None:
            return None
        for pipe in (process.stdin, process.stdout):
            if pipe is not None:
                with contextlib.suppress(OSError):
                    pipe.close()
        try:
            return process.wait(STOP_S)
        except subprocess.TimeoutExpired:
            process.kill()
            return process.wait()

    def stop(self) -> None:
        """Have the process end now: as by Ctrl-C, it removes what it has half written."""
        with self._lock:
            self._stopped = True
            process = self._process
        if process is not None and process.poll() is None:
            if sys.platform == "win32":
                process.terminate()
            else:
                process.send_signal(signal.SIGINT)
