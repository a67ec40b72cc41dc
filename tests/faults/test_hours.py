"""Simulated hours with the real recorder and the real screen, as fast as they can: nothing grows, all lives.

Linux only: memory and handles are read from /proc.
"""

import os
import statistics
import sys
import time
from pathlib import Path

import pytest
from test_kills import TEXT, Screen, screens  # noqa: F401 (a fixture)

from capture.record import End, Tick
from storage.journal import Tail, read_journal
from storage.session import read_live

pytestmark = pytest.mark.skipif(not sys.platform.startswith("linux"), reason="reads /proc")
BOUNDED_H, LONG_H = 3, 72
MOST_GROWTH_MB = 1.0
"""After the first hour, of recorder and screen each."""
ALIVE_S = 20.0


def resident_mb(pid: int) -> float:
    """What a process holds of its own: files that it has mapped don't count."""
    for line in Path(f"/proc/{pid}/status").read_text("utf-8").splitlines():
        if line.startswith("RssAnon:"):
            return int(line.split()[1]) / 1024.0
    raise AssertionError("no RssAnon")


def handles(pid: int) -> int:
    return len(os.listdir(f"/proc/{pid}/fd"))


def test_hours(tmp_path: Path, long: bool, screens: list[Screen]) -> None:  # noqa: F811
    hours = LONG_H if long else BOUNDED_H
    screen = Screen(tmp_path, "--speed", "max", "--seconds", str(hours * 3600))
    screens.append(screen)
    pids = {"recorder": screen.recorder, "screen": screen.process.pid}
    at: list[tuple[float, dict[str, float], dict[str, int]]] = []
    last_ns, seen_at, drawn = 0, time.monotonic(), b""
    with Tail(screen.session, 0) as tail:
        while last_ns < (hours * 3600 - 60) * 1e9:
            records = tail.read()
            ticks = [r.t_ns for r in records if isinstance(r, Tick)]
            if ticks:
                last_ns = ticks[-1]
            else:
                time.sleep(0.2)
            if screen.seen != drawn:
                drawn, seen_at = screen.seen, time.monotonic()
            assert time.monotonic() - seen_at < ALIVE_S, "the screen stands still"
            assert screen.process.poll() is None, screen.seen[-3000:]
            hour = last_ns / 3.6e12
            # Not in the last minutes: the recorder may be taking leave already.
            if 1.0 + 0.25 * len(at) <= hour < hours - 0.2:
                at.append(
                    (
                        hour,
                        {name: resident_mb(pid) for name, pid in pids.items()},
                        {name: handles(pid) for name, pid in pids.items()},
                    )
                )
    # What the screen makes of the journal in the end is another test's business.
    deadline = time.monotonic() + 120.0
    while read_live(screen.session) is not None:
        assert time.monotonic() < deadline
        time.sleep(0.2)
    _, records = read_journal(screen.session)
    count, end = 0, None
    for record in records:
        count, end = count + 1, record
    assert isinstance(end, End)
    assert records.damage is None
    size_mb = (screen.session / "journal.arrows").stat().st_size / 1e6
    print(f"\n{hours} h simulated, {count} records, journal {size_mb:.0f} MB")
    for name in pids:
        mb = [memory[name] for _, memory, _ in at]
        opened = [fds[name] for _, _, fds in at]
        # An allocator breathes by half a megabyte: medians over the second hour and over the last.
        begin, later = statistics.median(mb[:4]), statistics.median(mb[-4:])
        print(f"{name}: {begin:.1f} MB in the second hour, {later:.1f} in the last, {max(mb):.1f} at most, "
              f"handles {min(opened)} to {max(opened)}")  # fmt: skip
        assert later - begin < MOST_GROWTH_MB, (name, mb)
        assert max(opened) - min(opened) <= 4, (name, opened)
