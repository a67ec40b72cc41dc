"""Recorder and screen as two processes over a paced source: their load, and how late things are."""

import fcntl
import json
import os
import pty
import select
import struct
import subprocess
import sys
import termios
import time
from pathlib import Path

import msgspec

from capture.log import to_log
from storage.session import read_live
from tests.benchmarks.performance.crowd import bench_text, crowd, packets
from tests.benchmarks.performance.measure import percentile

ROOT = Path(__file__).parents[3]
SETTLE_S = 10.0
"""Starting is not yet running: load is counted from here on."""


class Live(msgspec.Struct):
    """Percent of one core, and milliseconds."""

    seconds: float
    packets: int
    recorder_percent: float
    monitor_percent: float
    recorder_mb: float
    monitor_mb: float
    stamp_late_ms: dict[str, float]
    """How late the loop was with what was due: median, 99 %, most."""
    to_screen_ms: dict[str, float]
    """From the arrival of a packet to the end of the first redraw whose view knows it."""
    frames: int


def measure(folder: Path, seconds: int = 60, count: int = 4) -> Live:
    """Run it on a terminal of 120 x 40 for so long, in real time."""
    _, records = crowd(count, seconds)
    (folder / "ride.jsonl").write_text("\n".join(to_log(records)) + "\n", encoding="utf-8")
    (folder / "ride.toml").write_text(bench_text(count), encoding="utf-8")
    master, slave = pty.openpty()
    fcntl.ioctl(slave, termios.TIOCSWINSZ, struct.pack("HHHH", 40, 120, 0, 0))
    screen = subprocess.Popen(
        [sys.executable, "-m", "tests.benchmarks.performance.measured_screen", str(folder)],
        cwd=ROOT, stdin=slave, stdout=slave, stderr=slave, start_new_session=True,
        env={**os.environ, "TERM": "xterm-256color", "COLORTERM": "truecolor"},
    )  # fmt: skip
    os.close(slave)
    begin = time.monotonic()
    loads: dict[str, list[tuple[float, float, float]]] = {"recorder": [], "monitor": []}
    recorder = None
    said = b""
    while screen.poll() is None and time.monotonic() - begin < seconds + 60.0:
        if select.select([master], [], [], 0.25)[0]:
            try:
                said = (said + os.read(master, 1 << 16))[-8000:]
            except OSError:
                break
        if recorder is None:
            recorder = _recorder(folder)
            continue
        if SETTLE_S < time.monotonic() - begin < seconds:
            for name, pid in (("recorder", recorder), ("monitor", screen.pid)):
                load = _load(pid)
                if load is not None:
                    loads[name].append((time.monotonic(), *load))
    os.close(master)
    try:
        screen.wait(30.0)
    finally:
        screen.kill()
    if screen.returncode:
        raise RuntimeError(
            f"the screen ended with {screen.returncode}: {said[-2000:].decode(errors='replace')}"
        )
    taken = json.loads((folder / "taken.json").read_text("utf-8"))
    frames = json.loads((folder / "frames.json").read_text("utf-8"))
    late = [one[1] / 1e6 for one in taken]
    return Live(
        seconds,
        packets(records),
        _percent(loads["recorder"]),
        _percent(loads["monitor"]),
        loads["recorder"][-1][2],
        loads["monitor"][-1][2],
        _spread(late),
        _spread(_to_screen(taken, frames)),
        len({shown for _, shown in frames}),
    )


def _recorder(folder: Path) -> int | None:
    for session in (folder / "sessions").glob("*"):
        live = read_live(session)
        if live is not None:
            return live.pid
    return None


def _load(pid: int) -> tuple[float, float] | None:
    """Processor seconds so far of a process and its children, and resident MB."""
    try:
        stat = Path(f"/proc/{pid}/stat").read_text("utf-8").rpartition(")")[2].split()
        pages = int(Path(f"/proc/{pid}/statm").read_text("utf-8").split()[1])
    except OSError:
        return None
    return (int(stat[11]) + int(stat[12])) / os.sysconf("SC_CLK_TCK"), pages * os.sysconf(
        "SC_PAGE_SIZE"
    ) / 1e6


def _percent(loads: list[tuple[float, float, float]]) -> float:
    (first_s, first, _), (last_s, last, _) = loads[0], loads[-1]
    return 100.0 * (last - first) / (last_s - first_s)


def _to_screen(taken: list[list[int]], frames: list[list[int]]) -> list[float]:
    """Milliseconds from each packet to the first frame that knows it; packets of the first seconds, in
    which the screen is still being built, and those after the last frame don't count."""
    out, at = [], 0
    start_ns = taken[0][2] + int(SETTLE_S * 1e9)
    for number, _, arrived_ns in taken:
        while at < len(frames) and (frames[at][1] < number or frames[at][0] < arrived_ns):
            at += 1
        if at == len(frames):
            break
        if arrived_ns > start_ns:
            out.append((frames[at][0] - arrived_ns) / 1e6)
    return out


def _spread(values: list[float]) -> dict[str, float]:
    return {"median": percentile(values, 0.5), "99 %": percentile(values, 0.99), "most": max(values)}
