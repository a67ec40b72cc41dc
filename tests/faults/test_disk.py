"""Disks that are full, read-only, slow: recording resumes when it can, and what was lost is counted.

A small file system of our own is mounted; without the right to mount these tests are skipped.
"""

import subprocess
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from capture.record import End, Packet, Record
from storage.disk import Disk
from storage.journal import JournalWriter, read_journal
from tests.helpers.sessions import HEADER, S


@pytest.fixture
def small(tmp_path: Path) -> Iterator[Path]:
    """A file system of 256 kB."""
    folder = tmp_path / "small"
    folder.mkdir()
    done = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=256k", "tmpfs", str(folder)], capture_output=True, check=False
    )
    if done.returncode:
        pytest.skip(f"can't mount: {done.stderr.decode().strip()}")
    yield folder
    subprocess.run(["umount", "-l", str(folder)], check=True)


def second(number: int, packets: int = 16) -> list[Record]:
    return [
        Packet(number * S + k, "hub", "2A63", number.to_bytes(4, "little") + bytes([k]))
        for k in range(packets)
    ]


def put(writer: JournalWriter, records: list[Record]) -> list[Record]:
    """Append, flush, and give back what was taken."""
    taken = [record for record in records if writer.append(record)]
    writer.flush()
    return taken


def test_full_and_freed_again(small: Path) -> None:
    ballast = small / "ballast"
    ballast.write_bytes(bytes(160 << 10))
    writer = JournalWriter(small, HEADER)
    taken: list[Record] = []
    number = 0
    while not writer.failing:
        taken += put(writer, second(number))
        number += 1
        assert number < 5000
    full_at = number
    for _ in range(60):
        taken += put(writer, second(number))
        number += 1
    assert writer.failing
    assert writer.waiting >= 60 * 16
    ballast.unlink()
    done = writer.flush()
    assert not done.failing
    assert done.changed
    assert done.lost == 0
    assert writer.waiting == 0
    taken += put(writer, [End(number * S, "finished")])
    assert not writer.close().failing
    _, records = read_journal(small)
    assert list(records) == taken, f"full after {full_at} s"
    assert records.damage is None


def test_full_for_so_long_that_memory_is_full_too(small: Path) -> None:
    ballast = small / "ballast"
    ballast.write_bytes(bytes(200 << 10))
    writer = JournalWriter(small, HEADER, memory_limit=100_000)
    sent, taken = 0, []
    for number in range(3000):
        records = second(number)
        sent += len(records)
        taken += put(writer, records)
    assert writer.failing
    assert writer.dropped == sent - len(taken) > 0
    ballast.unlink()
    done = writer.flush()
    assert (done.failing, done.changed, done.lost) == (False, True, sent - len(taken))
    later = put(writer, second(9000))
    assert len(later) == 16, "it resumes"
    assert not writer.close().failing
    _, records = read_journal(small)
    assert list(records) == taken + later


def test_read_only_for_a_while(small: Path) -> None:
    writer = JournalWriter(small, HEADER)
    taken = put(writer, second(0))
    # An open file keeps a file system from becoming read-only; a bind mount can be made so.
    subprocess.run(["mount", "--bind", str(small), str(small)], check=True)
    try:
        subprocess.run(["mount", "-o", "remount,bind,ro", str(small)], check=True)
        other = Disk()
        with pytest.raises(OSError, match="Read-only"):
            other.create(small / "x")
        taken += put(writer, second(1))
        subprocess.run(["mount", "-o", "remount,bind,rw", str(small)], check=True)
        taken += put(writer, second(2))
        assert not writer.close().failing
    finally:
        subprocess.run(["umount", "-l", str(small)], check=True)
    _, records = read_journal(small)
    assert list(records) == taken


class ReadOnly(Disk):
    """A file system that became read-only under open files, as after an error of the medium."""

    def __init__(self) -> None:
        self.closed = False

    def write_some(self, fd: int, data: memoryview) -> int:
        if self.closed:
            raise OSError(30, "Read-only file system")
        return super().write_some(fd, data)

    def open(self, path: Path) -> int:
        if self.closed:
            raise OSError(30, "Read-only file system")
        return super().open(path)


def test_read_only_under_open_files(tmp_path: Path) -> None:
    disk = ReadOnly()
    writer = JournalWriter(tmp_path, HEADER, disk)
    taken = put(writer, second(0))
    disk.closed = True
    for number in range(1, 30):
        taken += put(writer, second(number))
        assert writer.failing == "Read-only file system"
    disk.closed = False
    taken += put(writer, second(30))
    assert not writer.failing
    assert not writer.close().failing
    _, records = read_journal(tmp_path)
    assert list(records) == taken
    assert writer.dropped == 0


class Slow(Disk):
    """Every fsync takes a second."""

    def sync(self, fd: int) -> None:
        time.sleep(1.0)
        super().sync(fd)


def test_a_slow_disk_delays_nothing_but_itself(tmp_path: Path) -> None:
    import threading

    writer = JournalWriter(tmp_path, HEADER, Slow())
    stop = threading.Event()

    def keep() -> None:
        while not stop.is_set():
            writer.flush()

    keeper = threading.Thread(target=keep)
    keeper.start()
    taken: list[Record] = []
    slowest = 0.0
    for number in range(40):
        for record in second(number, 4):
            begin = time.perf_counter()
            if writer.append(record):
                taken.append(record)
            slowest = max(slowest, time.perf_counter() - begin)
        time.sleep(0.1)
    stop.set()
    keeper.join()
    assert not writer.close().failing
    assert writer.dropped == 0
    _, records = read_journal(tmp_path)
    assert list(records) == taken
    assert slowest < 1.0, "append waits for no disk"
