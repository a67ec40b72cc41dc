"""Start-up of each command, first frame of the demo, cold replay, octets a packet, size of the install."""

import fcntl
import importlib.metadata
import os
import pty
import re
import select
import statistics
import struct
import subprocess
import sys
import tempfile
import termios
import time
from collections.abc import Sequence
from pathlib import Path

import msgspec

from capture.record import End, Header, Record, Tick
from storage.journal import MAIN, SIDE, JournalWriter
from tests.benchmarks.performance.crowd import bench_text, crowd, packets
from tests.helpers.rides import write_session
from tests.helpers.sessions import QuickDisk

ROOT = Path(__file__).parents[3]
COMMANDS = ("", "demo", "find", "bench", "run", "follow", "replay", "study", "export", "rescue", "doctor")
REASONS = {
    "pyarrow": "journal, Parquet tables: a columnar format that other tools read",
    "numpy": "windows, lags, lines: all arithmetic on arrays",
    "openant": "USB drivers and message ids of the ANT+ stick",
    "textual": "the live screen",
    "pygments": "comes with the screen's library",
    "libusb-package": "libusb itself, so that no system package is needed",
}
"""Why a dependency of more than 10 MB is worth it."""
BIG_MB = 10.0


def seconds_of(command: Sequence[str], runs: int) -> float:
    """Median seconds of a command from start to end in a fresh process."""
    taken = []
    for _ in range(runs):
        begin = time.perf_counter()
        done = subprocess.run(
            command, cwd=ROOT, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, check=False
        )
        taken.append(time.perf_counter() - begin)
        if done.returncode:
            raise RuntimeError(f"{' '.join(command)}: {done.stderr.decode()[-1000:]}")
    return statistics.median(taken)


def plumbwatt(*arguments: str) -> list[str]:
    """The command of this environment."""
    return [str(Path(sys.executable).with_name("plumbwatt")), *arguments]


def help_s(runs: int) -> dict[str, float]:
    """Seconds of `--help` of each command."""
    return {name or "plumbwatt": seconds_of(plumbwatt(*name.split(), "--help"), runs) for name in COMMANDS}


def first_frame_s(runs: int) -> float:
    """Median seconds from starting the demo to its first frame that shows an instrument."""
    return statistics.median(_first_frame_s() for _ in range(runs))


def _first_frame_s() -> float:
    master, slave = pty.openpty()
    fcntl.ioctl(slave, termios.TIOCSWINSZ, struct.pack("HHHH", 40, 120, 0, 0))
    with tempfile.TemporaryDirectory() as folder:
        begin = time.perf_counter()
        process = subprocess.Popen(
            plumbwatt("demo", "--out", folder), cwd=ROOT, stdin=slave, stdout=slave, stderr=slave,
            start_new_session=True, env={**os.environ, "TERM": "xterm-256color"},
        )  # fmt: skip
        os.close(slave)
        said = b""
        try:
            while b"heron" not in said:
                if time.perf_counter() - begin > 30.0:
                    raise RuntimeError("no frame in 30 s")
                if select.select([master], [], [], 0.01)[0]:
                    said += os.read(master, 1 << 16)
            taken = time.perf_counter() - begin
            os.write(master, b"\x11")
            deadline = time.monotonic() + 20.0
            while process.poll() is None and time.monotonic() < deadline:
                if select.select([master], [], [], 0.1)[0]:
                    try:
                        os.read(master, 1 << 16)
                    except OSError:
                        break
        finally:
            process.terminate()
            process.wait(30.0)
            os.close(master)
    return taken


class Replayed(msgspec.Struct):
    """Cold replay of a ride of four instruments at 4 Hz."""

    hours: float
    seconds: float
    packets: int
    journal_octets_a_packet: float


def replay(runs: int, hours: float = 1.0) -> Replayed:
    """Seconds of the whole command in a fresh process, files in the cache of the system."""
    bench, records = crowd(4, int(3600 * hours))
    bench = msgspec.structs.replace(bench, text=bench_text(4))
    with tempfile.TemporaryDirectory() as folder:
        session = write_session(Path(folder), bench, [*records, End(records[-1].t_ns, "end")])
        size = _live_size(Path(folder), records)
        taken = seconds_of(plumbwatt("replay", str(session), "--headless", "--speed", "max"), runs)
    return Replayed(hours, taken, packets(records), size / packets(records))


def _live_size(folder: Path, records: list[Record]) -> int:
    """Octets of both files of a journal that is written to once a second, as a live one is."""
    writer = JournalWriter(folder, Header("", "0", 0), QuickDisk())
    for record in records:
        if isinstance(record, Tick):
            writer.flush()
        writer.append(record)
    writer.close()
    return sum((folder / name).stat().st_size for name in (MAIN, SIDE))


def install_mb() -> dict[str, float]:
    """Megabytes of every distribution that the program needs at run time, its own first."""
    names, at = ["plumbwatt"], 0
    sizes: dict[str, float] = {}
    while at < len(names):
        name = names[at]
        at += 1
        try:
            found = importlib.metadata.distribution(name)
        except importlib.metadata.PackageNotFoundError:
            continue
        files = [Path(str(file.locate())) for file in found.files or ()]
        sizes[name] = sum(file.stat().st_size for file in files if file.is_file()) / 1e6
        for text in found.requires or ():
            requirement = re.match(r"[A-Za-z0-9._-]+", text)
            if requirement is None or "extra ==" in text:
                continue
            other = requirement.group().lower().replace("_", "-").replace(".", "-")
            if other not in names:
                names.append(other)
    return sizes
