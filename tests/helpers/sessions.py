"""Journals and sessions for the tests of storage."""

import random
from pathlib import Path

from capture.record import Act, End, Header, Link, Packet, Record, Reported, Store, Tick, Write
from storage.disk import Disk
from storage.info import Clock, SessionInfo
from storage.journal import MAIN, JournalWriter
from storage.session import Session, create_session

S = 1_000_000_000
HEADER = Header("[bench]\nname = 'winter ☃'\n", "0.1.0", 1_790_000_000_000_000_000, "[[segment]]\n")

EVERY_KIND: list[Record] = [
    Tick(0, HEADER.utc_ns),
    Reported(5, "hub", "name", "a name with \x1b[2J, ] and \u202e"),
    Link(6, "hub", "searching"),
    Link(7, "hub", "down", "out of range"),
    Packet(S, "hub", "2A63", bytes(range(20))),
    Packet(S + 1, "crank", "ant11", b"\x10\x01\xff\x5a\xfa\x00\xfa\x00", b"\x80\x01\x02"),
    Packet(S + 2, "crank", "ant11", b""),
    Act(2 * S, "segment", "steady 200 W"),
    Act(2 * S, "gear", "50x17 größer", "hub"),
    Write(3 * S, "hub", "2AD9", b"\x05\xc8\x00"),
    Write(3 * S, "hub", "2AD9", b"\x05\xc8\x00", "not connected now"),
    Store(4 * S, "failing", 0, "No space left on device"),
    Store(5 * S, "resumed", 17),
    Tick(-1, -(2**62)),
    End(6 * S, "finished"),
]


def evening(batches: int, seed: int = 1, ended: bool = True) -> list[list[Record]]:
    """So many seconds of four instruments, as the batches in which a recorder would write them."""
    chance = random.Random(seed)
    result: list[list[Record]] = []
    for second in range(batches):
        batch: list[Record] = [Tick(second * S, HEADER.utc_ns + second * S)]
        for number in range(chance.randint(1, 16)):
            t_ns = second * S + number * S // 16 + chance.randint(0, 9_999_999)
            label = chance.choice(("hub", "pedals", "crank", "cadence"))
            if chance.random() < 0.05:
                batch.append(Act(t_ns, "note", f"{second} {'ä' * chance.randint(0, 5)}", label))
            else:
                batch.append(Packet(t_ns, label, "2A63", chance.randbytes(chance.randint(4, 20))))
        result.append(batch)
    if ended:
        result.append([End(batches * S, "finished")])
    return result


class QuickDisk(Disk):
    """Doesn't wait for the medium: tests cut and garble files, not power."""

    def sync(self, fd: int) -> None:
        pass


def write_journal(
    folder: Path, batches: list[list[Record]], header: Header = HEADER, close: bool = True
) -> list[int]:
    """Write batches, one piece each; where the pieces end: the schema, then each batch."""
    writer = JournalWriter(folder, header, QuickDisk())
    ends = [(folder / MAIN).stat().st_size]
    for batch in batches:
        for record in batch:
            assert writer.append(record)
        assert not writer.flush().failing
        ends.append((folder / MAIN).stat().st_size)
    if close:
        assert not writer.close().failing
    else:
        writer.abandon()
    return ends


def make_session(out: Path, batches: list[list[Record]], name: str = "winter", close: bool = True) -> Session:
    """A session folder as a recorder leaves it behind; `close` False: as one that was killed."""
    info = SessionInfo(
        program=HEADER.program,
        name=name,
        bench=HEADER.bench,
        protocol=HEADER.protocol,
        clock=Clock(utc_ns=HEADER.utc_ns),
        state="closed" if close else "recording",
    )
    session = create_session(out, "2026-11-25-190312", info)
    write_journal(session.path, batches, close=close)
    return session


def files(folder: Path) -> dict[str, bytes]:
    """Everything in a folder."""
    return {each.name: each.read_bytes() for each in sorted(folder.iterdir())}
