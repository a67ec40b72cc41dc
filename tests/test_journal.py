"""The journal: what comes back, what doesn't, and what a failing disk does to it."""

import errno
import os
import random
import shutil
import stat
import struct
import subprocess
import sys
import threading
import time
import tracemalloc
import zlib
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import msgspec
import pyarrow as pa
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from capture.record import Act, End, Header, Link, Packet, Record, Reported, Store, Tick, Write
from storage import journal as journaling
from storage import rescue as rescuing
from storage.damage import Damage, DamagedSession, SessionError
from storage.disk import Disk, read_around_holes, write_whole
from storage.journal import MAIN, SIDE, JournalWriter, Tail, read_journal
from storage.pieces import salvage as salvaging
from storage.pieces.salvage import Found, find_header, salvage
from storage.rescue import rescue
from tests.helpers.sessions import EVERY_KIND, HEADER, QuickDisk, S, evening, make_session, write_journal


def read(folder: Path) -> tuple[list[Record], Damage | None]:
    header, records = read_journal(folder)
    found = list(records)
    assert header == HEADER or (records.damage and records.damage.header == "lost")
    assert records.count == len(found)
    return found, records.damage


def flat(batches: list[list[Record]]) -> list[Record]:
    return [record for batch in batches for record in batch]


def is_part_of(part: list[Record], whole: list[Record]) -> bool:
    """Nothing but records of `whole`, in its order, none twice."""
    rest = iter(whole)
    return all(record in rest for record in part)


# -- what is written comes back


def test_every_kind_comes_back(tmp_path: Path):
    write_journal(tmp_path, [EVERY_KIND])
    assert read(tmp_path) == (EVERY_KIND, None)


def test_one_record_a_batch_or_all_in_one_is_the_same(tmp_path: Path):
    for name, batches in {"one": [[each] for each in EVERY_KIND], "all": [EVERY_KIND]}.items():
        (tmp_path / name).mkdir()
        write_journal(tmp_path / name, batches)
        assert read(tmp_path / name) == (EVERY_KIND, None)


texts = st.text(max_size=20)
times = st.integers(-(2**63), 2**63 - 1)
octets = st.binary(max_size=30)
states = st.sampled_from(["searching", "connecting", "up", "down", "missed", "given-up", "radio-lost"])
records = st.one_of(
    st.builds(Packet, times, texts, texts, octets, octets),
    st.builds(Link, times, texts, states, texts),
    st.builds(Tick, times, times),
    st.builds(Act, times, texts, texts, texts),
    st.builds(Reported, times, texts, texts, texts),
    st.builds(Write, times, texts, texts, octets, texts),
    st.builds(Store, times, st.sampled_from(["failing", "resumed"]), times, texts),
    st.builds(End, times, texts),
)


@settings(deadline=None, max_examples=30, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.lists(records, max_size=12), max_size=4))
def test_any_records_come_back(tmp_path: Path, batches: list[list[Record]]):
    shutil.rmtree(tmp_path)
    tmp_path.mkdir()
    write_journal(tmp_path, batches)
    found, damage = read(tmp_path)
    assert found == flat(batches)
    ended = bool(found) and isinstance(found[-1], End)
    assert damage == (None if ended else Damage(torn=True))
    # The way for bad days finds the same rows without the side file.
    (tmp_path / SIDE).unlink()
    assert read(tmp_path)[0] == flat(batches)


def test_what_cannot_be_written_down_is_written_as_well_as_it_can(tmp_path: Path):
    writer = JournalWriter(tmp_path, HEADER)
    odd = Packet(1, "hub", "2A63", 5)  # type: ignore[arg-type]
    for record in (Reported(2**70, "hub", "name", "\udcff"), Tick(3, 4)):
        assert writer.append(record)
    with pytest.raises(TypeError):
        writer.append(odd)
    assert writer.flush().written == 2
    writer.close()
    assert read(tmp_path)[0] == [Reported(2**63 - 1, "hub", "name", "\\udcff"), Tick(3, 4)]


def test_a_giant_record_is_refused_and_counted(tmp_path: Path):
    writer = JournalWriter(tmp_path, HEADER)
    assert not writer.append(Packet(1, "hub", "2A63", bytes(2 << 20)))
    assert writer.append(Packet(2, "hub", "2A63", bytes(900_000)))
    done = writer.flush()
    assert (done.changed, done.failing, done.lost, done.written) == (True, False, 1, 1)
    writer.close()
    assert len(read(tmp_path)[0]) == 1


@pytest.mark.slow
def test_sixty_thousand_records_come_in_portions(tmp_path: Path):
    batches = [[Packet(n * 64 + k, "hub", "2A63", bytes(10)) for k in range(64)] for n in range(950)]
    write_journal(tmp_path, batches)
    tracemalloc.start()
    try:
        _, found = read_journal(tmp_path)
        count = sum(1 for _ in found)
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert count == 60_800
    # All at once they would be four times that.
    assert peak < 4 << 20


# -- the layout, from FORMAT.md and by an Arrow library that is not told of us


def test_any_arrow_reader_reads_the_main_file(tmp_path: Path):
    write_journal(tmp_path, [EVERY_KIND[:5], EVERY_KIND[5:]])
    # The reference: Apache Arrow's own reader of its IPC stream format.
    table = pa.ipc.open_stream(pa.OSFile(str(tmp_path / MAIN))).read_all()
    table.validate(full=True)
    assert table.column_names == [
        "t_ns", "kind", "instrument", "channel", "data", "extra", "text", "value", "check",
    ]  # fmt: skip
    assert table["t_ns"].to_pylist() == [record.t_ns for record in EVERY_KIND]
    assert table["kind"].to_pylist() == [3, 5, 2, 2, 1, 1, 1, 4, 4, 6, 6, 7, 7, 3, 8]
    assert table["data"].to_pylist()[5] == b"\x10\x01\xff\x5a\xfa\x00\xfa\x00"
    assert table["extra"].to_pylist()[5] == b"\x80\x01\x02"
    assert table["value"].to_pylist()[12] == 17
    header = table.schema.metadata[b"plumbwatt.header"]
    assert msgspec.json.decode(header, type=Header) == HEADER
    assert table.schema.metadata[b"plumbwatt.check"] == b"%08x" % zlib.crc32(header)


def test_the_side_file_is_as_told(tmp_path: Path):
    ends = write_journal(tmp_path, SMALL)
    main, side = (tmp_path / MAIN).read_bytes(), (tmp_path / SIDE).read_bytes()
    ends.append(ends[-1] + 8)
    assert main[ends[-2] :] == b"\xff\xff\xff\xff\0\0\0\0"
    assert len(side) == 16 * len(ends)
    start = 0
    for number, end in enumerate(ends):
        entry = side[16 * number : 16 * number + 16]
        assert struct.unpack("<QI", entry[:12]) == (end, zlib.crc32(main[start:end]))
        assert struct.unpack("<I", entry[12:]) == (zlib.crc32(entry[:12]),)
        start = end


def hand_made(
    folder: Path,
    rows: list[dict[str, object]],
    header: Header = HEADER,
    extra: bool = False,
    compression: str | None = None,
) -> None:
    """A journal put together from FORMAT.md alone; `compression` is what it doesn't allow."""
    fields = {
        "t_ns": pa.int64(), "kind": pa.uint8(), "instrument": pa.utf8(), "channel": pa.utf8(),
        "data": pa.binary(), "extra": pa.binary(), "text": pa.utf8(), "value": pa.int64(),
        "check": pa.uint32(),
    }  # fmt: skip
    if extra:
        fields["rssi"] = pa.int64()
    json = msgspec.json.encode(header)
    metadata = {"plumbwatt.header": json, "plumbwatt.check": f"{zlib.crc32(json):08x}"}
    schema = pa.schema([pa.field(*each, nullable=False) for each in fields.items()], metadata)
    sink = pa.BufferOutputStream()
    options = pa.ipc.IpcWriteOptions(compression=compression)
    with pa.ipc.new_stream(sink, schema, options=options) as stream:
        offset = len(schema.serialize())
        full = []
        for number, row in enumerate(rows):
            row = {"instrument": "", "channel": "", "data": b"", "extra": b"", "text": "", "value": 0, **row}
            parts = [row["instrument"].encode(), row["channel"].encode(), row["data"], row["extra"]]  # type: ignore[attr-defined]
            parts.append(row["text"].encode())  # type: ignore[attr-defined]
            octets = struct.pack("<QIqBq", offset, number, row["t_ns"], row["kind"], row["value"])
            octets += struct.pack("<5I", *map(len, parts)) + b"".join(parts)
            full.append({**row, "check": zlib.crc32(octets, zlib.crc32(json)), "rssi": -60})
        stream.write_batch(pa.RecordBatch.from_pylist(full, schema))
    main = sink.getvalue().to_pybytes()
    entries = b""
    start = 0
    for end in (offset, len(main) - 8, len(main)):
        head = struct.pack("<QI", end, zlib.crc32(main[start:end]))
        entries += head + struct.pack("<I", zlib.crc32(head))
        start = end
    (folder / MAIN).write_bytes(main)
    (folder / SIDE).write_bytes(entries)


@pytest.mark.parametrize("extra", [False, True])
@pytest.mark.parametrize("with_side", [False, True])
def test_a_journal_made_by_hand_is_read(tmp_path: Path, extra: bool, with_side: bool):
    rows: list[dict[str, object]] = [
        {"t_ns": 1, "kind": 3, "value": 77},
        {"t_ns": 2, "kind": 99, "text": "from a later version"},
        {"t_ns": 3, "kind": 1, "instrument": "hub", "channel": "2A63", "data": b"\1\2"},
        {"t_ns": 4, "kind": 8, "text": "done"},
    ]
    hand_made(tmp_path, rows, extra=extra)
    if not with_side:
        (tmp_path / SIDE).unlink()
    _, found = read_journal(tmp_path)
    assert list(found) == [Tick(1, 77), Packet(3, "hub", "2A63", b"\1\2"), End(4, "done")]
    assert found.unknown == 1
    assert found.damage == (None if with_side else Damage(side="missing"))


@pytest.mark.slow
@pytest.mark.parametrize("trick", ["compressed", "rows"])
def test_a_batch_that_would_unfold_is_not_given_to_arrow(tmp_path: Path, trick: str):
    """Right checksums over a few octets that say they are millions of rows."""
    count = 200_000 if trick == "compressed" else 5000
    hand_made(
        tmp_path, [{"t_ns": 0, "kind": 99}] * count, compression="zstd" if trick == "compressed" else None
    )
    assert (tmp_path / MAIN).stat().st_size < (1 << 20)
    _, found = read_journal(tmp_path)
    assert list(found) == []
    assert found.unknown == 0
    assert found.damage is not None
    assert found.damage.lossy
    with Tail(tmp_path) as tail:
        assert tail.read() == []
        assert tail.skipped_pieces == 1


def test_a_later_format_is_refused_by_name(tmp_path: Path):
    hand_made(tmp_path, [{"t_ns": 1, "kind": 3}], Header("", "9.9.9", 1, format=2))
    with pytest.raises(SessionError, match=r"later version \(9\.9\.9, format 2\)\. Update"):
        read_journal(tmp_path)


@pytest.mark.parametrize(("name", "content"), [("journal.txt", b"x"), (MAIN, None)])
def test_no_journal_is_an_error_with_a_remedy(tmp_path: Path, name: str, content: bytes | None):
    if content is not None:
        (tmp_path / name).write_bytes(content)
    else:
        (tmp_path / name).mkdir()
    with pytest.raises(SessionError):
        read_journal(tmp_path)


def test_an_empty_journal_is_damaged(tmp_path: Path):
    (tmp_path / MAIN).touch()
    with pytest.raises(DamagedSession):
        read_journal(tmp_path)


def test_a_journal_is_never_begun_twice(tmp_path: Path):
    write_journal(tmp_path, [EVERY_KIND])
    with pytest.raises(SessionError, match="can't hold a journal"):
        JournalWriter(tmp_path, HEADER)
    assert read(tmp_path) == (EVERY_KIND, None)


def test_a_value_of_the_wrong_kind_does_not_hold_up_the_others(tmp_path: Path):
    writer = JournalWriter(tmp_path, HEADER)
    for record in (Tick(1, 2), Packet(2, "hub", "2A63", "text"), Tick(3, 4)):  # type: ignore[arg-type]
        assert writer.append(record)
    done = writer.flush()
    assert (done.failing, done.changed, done.lost, done.written) == (False, True, 1, 2)
    writer.close()
    assert read(tmp_path)[0] == [Tick(1, 2), Tick(3, 4)]


# -- cuts


# None of more than two seconds: a longer one would be written as several.
SMALL = [EVERY_KIND[:4], EVERY_KIND[4:9], EVERY_KIND[9:12], EVERY_KIND[12:]]


def before(ends: list[int], batches: list[list[Record]], size: int) -> list[Record]:
    """The records of the batches that lie wholly in the first `size` octets."""
    return flat([batch for batch, end in zip(batches, ends[1:], strict=True) if end <= size])


@pytest.mark.slow
def test_cut_at_every_octet_keeps_every_whole_batch_and_nothing_else(tmp_path: Path):
    ends = write_journal(tmp_path, SMALL)
    length = (tmp_path / MAIN).stat().st_size
    for size in range(length - 1, 0, -1):
        os.truncate(tmp_path / MAIN, size)
        expected = before(ends, SMALL, size)
        found, damage = read(tmp_path)
        assert found == expected, size
        assert damage is not None
        assert damage.torn == (size < ends[-1])
        lost = length - max((end for end in ends if end <= size), default=0)
        assert damage.bytes_lost == lost


def test_a_side_file_cut_at_every_octet_costs_nothing(tmp_path: Path):
    write_journal(tmp_path, SMALL)
    side = (tmp_path / SIDE).read_bytes()
    for size in range(len(side)):
        (tmp_path / SIDE).write_bytes(side[:size])
        found, damage = read(tmp_path)
        assert found == flat(SMALL), size
        assert damage is None or not damage.lossy


def test_killed_between_the_two_files_costs_nothing(tmp_path: Path):
    """Main written, entry not yet: the order of writing makes this the usual torn journal."""
    ends = write_journal(tmp_path, SMALL)
    main, side = (tmp_path / MAIN).read_bytes(), (tmp_path / SIDE).read_bytes()
    for number, end in enumerate(ends[1:], start=1):
        (tmp_path / MAIN).write_bytes(main[:end])
        (tmp_path / SIDE).write_bytes(side[: 16 * number])
        found, damage = read(tmp_path)
        assert found == flat(SMALL[:number])
        assert damage == (Damage(torn=True) if number < len(SMALL) else None)


def test_a_ride_written_at_once_is_cut_as_gently_as_one_written_live(tmp_path: Path):
    """A scene or a capture log runs through hours in one flush."""
    records = flat(evening(200))
    write_journal(tmp_path, [records])
    length = (tmp_path / MAIN).stat().st_size
    for percent in (99, 60, 30, 10):
        os.truncate(tmp_path / MAIN, length * percent // 100)
        found, damage = read(tmp_path)
        assert damage is not None
        assert damage.torn
        assert found == records[: len(found)]
        assert found[-1].t_ns > (percent / 100 - 0.06) * 200 * S


@pytest.mark.slow
def test_random_cuts_of_a_longer_journal(tmp_path: Path):
    batches = evening(200)
    ends = write_journal(tmp_path, batches)
    main, side = (tmp_path / MAIN).read_bytes(), (tmp_path / SIDE).read_bytes()
    chance = random.Random(2)
    for _ in range(60):
        size, entries = chance.randint(ends[0], len(main)), chance.randint(0, len(side))
        (tmp_path / MAIN).write_bytes(main[:size])
        (tmp_path / SIDE).write_bytes(side[:entries])
        assert read(tmp_path)[0] == before(ends, batches, size)


# -- damage

PAGE = 4096


def zeros(main: bytes, chance: random.Random) -> tuple[bytes, int, int]:
    at = len(main) - chance.randint(1, PAGE)
    return main[:at] + bytes(PAGE), at, len(main)


def garbage(main: bytes, chance: random.Random) -> tuple[bytes, int, int]:
    at = len(main) - chance.randint(1, PAGE)
    return main[:at] + chance.randbytes(PAGE), at, len(main)


def hole(main: bytes, chance: random.Random) -> tuple[bytes, int, int]:
    at = chance.randrange(len(main) // PAGE) * PAGE
    return main[:at] + bytes(PAGE) + main[at + PAGE :], at, at + PAGE


def garbled(main: bytes, chance: random.Random) -> tuple[bytes, int, int]:
    at = chance.randrange(len(main) // PAGE) * PAGE
    return main[:at] + chance.randbytes(PAGE) + main[at + PAGE :], at, at + PAGE


def flipped(main: bytes, chance: random.Random) -> tuple[bytes, int, int]:
    at = chance.randrange(len(main))
    return main[:at] + bytes([main[at] ^ 1 << chance.randrange(8)]) + main[at + 1 :], at, at + 1


def old_block(main: bytes, chance: random.Random) -> tuple[bytes, int, int]:
    """A page of this very journal in the place of another."""
    pages = len(main) // PAGE
    source, target = chance.sample(range(pages), 2)
    page = main[source * PAGE : source * PAGE + PAGE]
    return main[: target * PAGE] + page + main[target * PAGE + PAGE :], target * PAGE, target * PAGE + PAGE


@pytest.mark.slow
@pytest.mark.parametrize("image", [zeros, garbage, hole, garbled, flipped, old_block])
@pytest.mark.parametrize("side_is", ["whole", "missing", "damaged"])
def test_damage_gives_no_wrong_row_and_costs_no_other_batch(
    tmp_path: Path, image: Callable[[bytes, random.Random], tuple[bytes, int, int]], side_is: str
):
    batches = evening(60)
    ends = write_journal(tmp_path, batches)
    main, side = (tmp_path / MAIN).read_bytes(), (tmp_path / SIDE).read_bytes()
    chance = random.Random(f"{image.__name__} {side_is}")
    if side_is == "missing":
        (tmp_path / SIDE).unlink()
    lossy = 0
    for _ in range(12):
        wrong, start, end = image(main, chance)
        if side_is == "damaged":
            (tmp_path / SIDE).write_bytes(flipped(side, chance)[0])
        (tmp_path / MAIN).write_bytes(wrong)
        _, records = read_journal(tmp_path)
        found = list(records)
        assert is_part_of(found, flat(batches))
        if records.damage is None or records.damage.header == "lost":
            # Without the header nothing can be proved but by the side file.
            assert start < ends[0] or wrong == main, records.damage
            continue
        spared = [
            batch
            for batch, first, last in zip(batches, ends, ends[1:], strict=False)
            if last <= start or first >= end
        ]
        assert is_part_of(flat(spared), found)
        lossy += records.damage.lossy
    assert lossy > 3


def test_a_flipped_bit_in_the_data_costs_one_row(tmp_path: Path):
    batch: list[Record] = [Packet(n, "hub", "2A63", b"payload %03d" % n) for n in range(100)]
    write_journal(tmp_path, [batch, [End(100, "")]])
    main = (tmp_path / MAIN).read_bytes()
    at = main.index(b"payload 042") + 3
    (tmp_path / MAIN).write_bytes(main[:at] + bytes([main[at] ^ 4]) + main[at + 1 :])
    found, damage = read(tmp_path)
    assert found == [*batch[:42], *batch[43:], End(100, "")]
    assert damage is not None
    assert (damage.rows_lost, damage.torn) == (1, False)
    assert 0 < damage.bytes_lost < 200


def test_the_times_around_a_hole_are_told(tmp_path: Path):
    batches = [[Packet(second * S, "hub", "2A63", bytes(10))] for second in range(20)]
    ends = write_journal(tmp_path, batches, close=False)
    main = bytearray((tmp_path / MAIN).read_bytes())
    main[ends[5] : ends[8]] = bytes(ends[8] - ends[5])
    (tmp_path / MAIN).write_bytes(main)
    found, damage = read(tmp_path)
    assert found == flat(batches[:5] + batches[8:])
    assert damage is not None
    (gap,) = damage.gaps
    assert (gap.before_ns, gap.after_ns, gap.octets) == (4 * S, 8 * S, ends[8] - ends[5])
    assert damage.seconds_lost == pytest.approx(4.0)
    assert "octets are unreadable" in damage.text


def test_a_lost_tail_is_estimated_by_the_mean_rate(tmp_path: Path):
    batches = [[Packet(second * S, "hub", "2A63", bytes(10))] for second in range(20)]
    ends = write_journal(tmp_path, batches, close=False)
    os.truncate(tmp_path / MAIN, ends[16])
    damage = read(tmp_path)[1]
    assert damage is not None
    assert damage.bytes_lost == ends[20] - ends[16]
    assert damage.seconds_lost == pytest.approx(4.0, abs=0.3)


def test_session_json_stands_in_for_a_lost_header(tmp_path: Path):
    session = make_session(tmp_path, [EVERY_KIND])
    main = bytearray((session.path / MAIN).read_bytes())
    main[100:300] = bytes(200)
    (session.path / MAIN).write_bytes(main)
    assert read(session.path) == (EVERY_KIND, Damage(header="replaced", pieces_wrong=1))
    (session.path / SIDE).unlink()
    found, damage = read(session.path)
    assert found == EVERY_KIND
    assert damage is not None
    assert (damage.header, damage.side) == ("replaced", "missing")
    (session.path / "session.json").unlink()
    found, damage = read(session.path)
    assert found == []
    assert damage is not None
    assert damage.header == "lost"


def test_right_rows_of_another_journal_are_wrong_rows(tmp_path: Path):
    """A recycled block of the disk: same place in the file, another evening."""
    for name, utc_ns in (("one", 1), ("other", 2)):
        (tmp_path / name).mkdir()
        write_journal(tmp_path / name, SMALL, Header("", "", utc_ns))
    one, other = (tmp_path / "one" / MAIN).read_bytes(), (tmp_path / "other" / MAIN).read_bytes()
    (tmp_path / "one" / MAIN).write_bytes(one[:1000] + other[1000:])
    (tmp_path / "one" / SIDE).unlink()
    _, found = read_journal(tmp_path / "one")
    assert list(found) == []


def test_a_bad_block_costs_only_itself(tmp_path: Path):
    ends = write_journal(tmp_path, SMALL)

    class BadBlock(Disk):
        def read(self, fd: int, offset: int, size: int) -> bytes:
            if offset < 8192 and offset + size > 4096:
                raise OSError(errno.EIO, "Input/output error")
            return super().read(fd, offset, size)

    path = tmp_path / "block"
    path.write_bytes(b"x" * 20_000)
    fd = os.open(path, os.O_RDONLY)
    try:
        data = read_around_holes(BadBlock(), fd, 100, 15_000)
    finally:
        os.close(fd)
    assert len(data) == 15_000
    assert data.count(0) <= 2 * 4096
    assert ends


@given(st.binary(max_size=600), st.integers(0, 40))
@settings(deadline=None, max_examples=200)
def test_salvage_takes_any_octets(data: bytes, at: int):
    data = data[:at] + b"\xff\xff\xff\xff" + data[at:]
    for found in salvage(lambda offset, size: data[offset : offset + size], 0, len(data), 0):
        assert (found.rows, found.wrong, found.end - found.at) == ([], 0, 8)
    assert find_header(data) is None


class Counted:
    """Octets of a file in memory, and how many were asked for."""

    def __init__(self, data: bytes) -> None:
        self.data, self.asked = data, 0

    def __call__(self, offset: int, size: int) -> bytes:
        self.asked += size
        return self.data[offset : offset + size]


@pytest.mark.slow
@pytest.mark.parametrize("blank", [b"\0", b"\xff"])
@pytest.mark.parametrize("shift", [0, 5])
def test_blank_blocks_are_passed_over_and_what_is_behind_them_is_found(
    tmp_path: Path, blank: bytes, shift: int
):
    """Zeros of a hole, ones of an erased flash: what they hide is found at whatever place it begins."""
    write_journal(tmp_path, SMALL)
    main = (tmp_path / MAIN).read_bytes()
    seed = zlib.crc32(msgspec.json.encode(HEADER))
    start = find_header(main)[1]  # type: ignore[index]
    whole = [row for found in salvage(Counted(main), start, len(main), seed) for row in found.rows]
    assert len(whole) == len(EVERY_KIND)
    octets = Counted(blank * start + main[start:] + blank * (48 << 20))
    found_rows = [row for found in salvage(octets, shift, len(octets.data), seed) for row in found.rows]
    assert found_rows == whole
    # The window over the journal, and each blank block once: not every octet twice.
    assert octets.asked < len(octets.data) + (36 << 20)


def test_what_looks_like_messages_does_not_keep_a_reader_busy(monkeypatch: pytest.MonkeyPatch):
    tried = 0

    def counted(*asked: Any) -> Found:
        nonlocal tried
        tried += 1
        return batch(*asked)

    batch = salvaging._batch
    monkeypatch.setattr(salvaging, "_batch", counted)
    octets = b"\xff\xff\xff\xff\x00\xff\x00\x00" * (1 << 18)
    assert list(salvage(Counted(octets), 0, len(octets), 0)) == []
    assert 0 < tried < 10_000


@pytest.mark.slow
def test_a_giant_hole_of_a_side_file_is_one_wrong_entry(tmp_path: Path):
    write_journal(tmp_path, SMALL)
    os.truncate(tmp_path / SIDE, 1 << 30)
    begin = time.perf_counter()
    found, damage = read(tmp_path)
    assert found == EVERY_KIND
    assert damage == Damage(side="damaged")
    # Entry by entry it is more than half a minute.
    assert time.perf_counter() - begin < 15.0


HOSTILE = """
import random, struct, sys, zlib
from pathlib import Path
from storage.journal import MAIN, SIDE, read_journal
folder = Path(sys.argv[1])
main, side = (folder / MAIN).read_bytes(), (folder / SIDE).read_bytes()
ends = [0] + [struct.unpack_from("<Q", side, at)[0] for at in range(0, len(side), 16)]
chance = random.Random(int(sys.argv[2]))
for _ in range(300):
    changed = bytearray(main)
    start, end = chance.choice(list(zip(ends, ends[1:]))[:-1])
    for _ in range(chance.randint(1, 40)):
        changed[chance.randrange(start, end)] = chance.choice((0, 1, 127, 128, 255, chance.randrange(256)))
    entries = b""
    for start, end in zip(ends, ends[1:]):
        head = struct.pack("<QI", end, zlib.crc32(changed[start:end]))
        entries += head + struct.pack("<I", zlib.crc32(head))
    (folder / MAIN).write_bytes(changed)
    (folder / SIDE).write_bytes(entries)
    for _ in read_journal(folder)[1]:
        pass
print("alive")
"""


def test_a_file_made_to_deceive_does_not_end_the_process(tmp_path: Path):
    """Right checksums over nonsense; in a process of its own, since Arrow might abort."""
    write_journal(tmp_path, SMALL)
    done = subprocess.run([sys.executable, "-c", HOSTILE, str(tmp_path), "1"], capture_output=True, text=True)
    assert (done.returncode, done.stdout) == (0, "alive\n"), done.stderr


# -- a journal that is being written


def test_a_tail_sees_each_batch_once_it_is_on_the_disk(tmp_path: Path):
    writer = JournalWriter(tmp_path, HEADER)
    with Tail(tmp_path) as tail:
        assert tail.read() == []
        for batch in SMALL:
            for record in batch:
                writer.append(record)
            assert tail.read() == []
            writer.flush()
            assert tail.read() == batch
        writer.close()
        assert tail.read() == []
    for skip in (0, 3, 4, 5, 14, 15, 100):
        with Tail(tmp_path, skip) as tail:
            found = tail.read(1) + tail.read()
            assert found == EVERY_KIND[skip:]


def test_an_unfinished_batch_is_left_for_later(tmp_path: Path):
    write_journal(tmp_path, SMALL)
    main, side = (tmp_path / MAIN).read_bytes(), (tmp_path / SIDE).read_bytes()
    (tmp_path / SIDE).write_bytes(side[: 16 * 3 - 5])
    with Tail(tmp_path) as tail:
        assert tail.read() == SMALL[0]
        (tmp_path / SIDE).write_bytes(side)
        assert tail.read() == flat(SMALL[1:])
        assert tail.skipped_pieces == 0
    (tmp_path / MAIN).write_bytes(main[:-400] + bytes(400))
    with Tail(tmp_path) as tail:
        assert tail.read() == flat(SMALL[:-1])
        assert tail.skipped_pieces == 2


# -- disks that fail


class FailingDisk(QuickDisk):
    """Refuses from the call number `fails_from` on, until it is mended; each kind of call counts."""

    def __init__(self, fails_from: int = 1 << 60, code: int = errno.ENOSPC) -> None:
        self.calls, self.fails_from, self.code = 0, fails_from, code
        self.tears = True

    def _call(self) -> None:
        self.calls += 1
        if self.calls >= self.fails_from:
            raise OSError(self.code, os.strerror(self.code))

    def write_some(self, fd: int, data: memoryview) -> int:
        # A nearly full disk takes a part of it.
        part = data[: max(1, len(data) // 3)]
        written = super().write_some(fd, part) if self.tears else len(part)
        self._call()
        return written

    def truncate(self, fd: int, size: int) -> None:
        self._call()
        super().truncate(fd, size)

    def sync(self, fd: int) -> None:
        self._call()


def fresh(folder: Path) -> Path:
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir()
    return folder


@pytest.mark.parametrize("code", [errno.ENOSPC, errno.EIO])
def test_whatever_call_fails_nothing_is_lost(tmp_path: Path, code: int):
    folder = tmp_path / "session"
    for fails_from in range(1, 60):
        disk = FailingDisk(code=code)
        writer = JournalWriter(fresh(folder), HEADER, disk)
        for record in SMALL[0]:
            writer.append(record)
        assert writer.flush().written == 4
        good = {name: (folder / name).stat().st_size for name in (MAIN, SIDE)}
        disk.calls, disk.fails_from = 0, fails_from
        for record in SMALL[1]:
            writer.append(record)
        done = writer.flush()
        if not done.failing:
            writer.abandon()
            break
        assert (done.changed, done.reason, done.written) == (True, os.strerror(code), 4)
        # Whatever it looks like now, a reader sees whole batches only.
        assert read(folder)[0] in (flat(SMALL[:1]), flat(SMALL[:2]))
        for record in flat(SMALL[2:]):
            writer.append(record)
        again = writer.flush()
        assert (again.failing, again.changed) == (True, False)
        # Before it tries again it cuts off what the failure left behind.
        disk.fails_from, disk.tears = disk.calls + 3, False
        assert writer.flush().failing
        disk.tears = True
        assert {name: (folder / name).stat().st_size for name in good} == good
        disk.fails_from = 1 << 60
        done = writer.flush()
        assert (done.failing, done.changed, done.lost, done.written) == (False, True, 0, len(EVERY_KIND))
        writer.close()
        assert read(folder) == (EVERY_KIND, None), fails_from
    assert 8 < fails_from < 59


def test_closing_on_a_full_disk_can_be_tried_again(tmp_path: Path):
    disk = FailingDisk()
    writer = JournalWriter(tmp_path, HEADER, disk)
    for record in EVERY_KIND:
        writer.append(record)
    writer.flush()
    disk.fails_from = 0
    assert writer.close().failing
    assert writer.waiting == 0
    disk.fails_from = 1 << 60
    assert not writer.close().failing
    assert not writer.close().failing
    assert read(tmp_path) == (EVERY_KIND, None)


def test_memory_is_bounded_and_what_a_person_did_is_kept(tmp_path: Path):
    disk = FailingDisk()
    writer = JournalWriter(tmp_path, HEADER, disk, memory_limit=100_000)
    disk.fails_from = 0
    kept: list[Record] = []
    for number in range(2000):
        packet, act = Packet(number, "hub", "2A63", bytes(20)), Act(number, "mark", "here")
        kept += [packet] if writer.append(packet) else []
        if number % 10 == 0:
            assert writer.append(act)
            kept.append(act)
        if number % 500 == 0:
            assert writer.flush().failing
    assert 0 < writer.dropped < 2000
    disk.fails_from = 1 << 60
    done = writer.flush()
    assert (done.changed, done.lost, done.written) == (True, writer.dropped, len(kept))
    done = writer.flush()
    assert (done.changed, done.lost) == (False, writer.dropped)
    assert writer.append(Packet(9, "hub", "2A63", bytes(20)))
    writer.close()
    assert read(tmp_path)[0][:-1] == kept


def test_that_records_are_being_lost_is_news_at_once(tmp_path: Path):
    disk = FailingDisk()
    writer = JournalWriter(tmp_path, HEADER, disk, memory_limit=10_000)
    disk.fails_from = 0
    told = []
    for number in range(1000):
        writer.append(Packet(number, "hub", "2A63", bytes(20)))
        done = writer.flush()
        assert (done.failing, done.lost) == (True, writer.dropped)
        if done.changed:
            told.append(done.lost)
    assert told[:3] == [0, 1, 3]
    assert writer.dropped / 2 <= told[-1] <= writer.dropped
    assert len(told) < 14
    disk.fails_from = 1 << 60
    done = writer.flush()
    assert (done.failing, done.changed, done.lost) == (False, True, writer.dropped)
    writer.abandon()


def test_a_system_that_takes_nothing_is_a_failing_disk(tmp_path: Path):
    class Nothing(Disk):
        calls = 0

        def write_some(self, fd: int, data: memoryview) -> int:
            self.calls += 1
            assert self.calls < 100
            return 0

    with pytest.raises(SessionError, match="takes no octet"):
        JournalWriter(tmp_path, HEADER, Nothing())


@pytest.mark.parametrize("code", [errno.EINVAL, errno.ENOTSUP, errno.EIO])
def test_folders_that_cannot_be_synced_are_no_bad_disk(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, code: int
):
    """Some file systems know fsync for files only; an error of the medium is another thing."""

    def fsync(fd: int) -> None:
        if stat.S_ISDIR(os.fstat(fd).st_mode):
            raise OSError(code, os.strerror(code))

    monkeypatch.setattr(os, "fsync", fsync)
    if code == errno.EIO:
        with pytest.raises(SessionError, match="Input/output error"):
            JournalWriter(tmp_path, HEADER)
    else:
        write_journal(tmp_path, [EVERY_KIND])
        assert read(tmp_path) == (EVERY_KIND, None)


def test_records_are_given_up_by_a_journal_whose_disk_hangs(tmp_path: Path):
    asked, answer = threading.Event(), threading.Event()

    class Hanging(QuickDisk):
        def write_some(self, fd: int, data: memoryview) -> int:
            if hangs:
                asked.set()
                answer.wait(30.0)
            return super().write_some(fd, data)

    hangs = False
    writer = JournalWriter(tmp_path, HEADER, Hanging())
    hangs = True
    writer.append(Tick(1, 2))
    flushing = threading.Thread(target=writer.flush)
    flushing.start()
    try:
        assert asked.wait(30.0)
        writer.append(Tick(3, 4))
        assert writer.abandon(0.01) == [Tick(1, 2), Tick(3, 4)]
    finally:
        hangs = False
        answer.set()
        flushing.join()
    # The files are still those of the write that hung: it may come to its end.
    assert writer.close().written == 2
    assert read(tmp_path)[0] == [Tick(1, 2), Tick(3, 4)]


@pytest.fixture
def running(tmp_path: Path) -> Iterator[tuple[Path, JournalWriter]]:
    folder = fresh(tmp_path / "session")
    writer = JournalWriter(folder, HEADER)
    for record in SMALL[0]:
        writer.append(record)
    assert not writer.flush().failing
    for record in SMALL[1]:
        writer.append(record)
    yield folder, writer
    writer.abandon()


on_posix = pytest.mark.skipif(os.name == "nt", reason="open files can't be deleted there")


def finish(writer: JournalWriter) -> None:
    for record in flat(SMALL[2:]):
        writer.append(record)
    assert not writer.flush().failing
    assert not writer.close().failing


@on_posix
@pytest.mark.parametrize("gone", [[MAIN, SIDE], [MAIN], [SIDE]])
def test_deleted_files_come_back(running: tuple[Path, JournalWriter], gone: list[str]):
    folder, writer = running
    for name in gone:
        (folder / name).unlink()
    finish(writer)
    assert read(folder) == (EVERY_KIND, None)


@on_posix
def test_a_deleted_folder_comes_back(running: tuple[Path, JournalWriter]):
    folder, writer = running
    shutil.rmtree(folder)
    finish(writer)
    assert read(folder) == (EVERY_KIND, None)


@on_posix
def test_a_folder_comes_back_with_those_above_it(tmp_path: Path):
    """All sessions were deleted, not this one alone."""
    (tmp_path / "sessions" / "evening").mkdir(parents=True)
    folder = tmp_path / "sessions" / "evening"
    writer = JournalWriter(folder, HEADER)
    for record in SMALL[0] + SMALL[1]:
        writer.append(record)
    assert not writer.flush().failing
    shutil.rmtree(tmp_path / "sessions")
    finish(writer)
    assert read(folder) == (EVERY_KIND, None)


@on_posix
def test_a_folder_may_be_renamed(running: tuple[Path, JournalWriter]):
    folder, writer = running
    renamed = folder.rename(folder.with_name("moved aside"))
    finish(writer)
    assert read(renamed) == (EVERY_KIND, None)
    assert not folder.exists()


@on_posix
def test_a_disk_that_was_pulled_out_and_plugged_in_again(tmp_path: Path):
    """To the program these are other files with the same names and octets."""
    folder, disk = fresh(tmp_path / "session"), FailingDisk(code=errno.EIO)
    writer = JournalWriter(folder, HEADER, disk)
    for record in SMALL[0] + SMALL[1]:
        writer.append(record)
    writer.flush()
    disk.fails_from = 0
    for record in flat(SMALL[2:]):
        writer.append(record)
    assert writer.flush().failing
    shutil.copytree(folder, tmp_path / "copy")
    shutil.rmtree(folder)
    assert writer.flush().failing
    shutil.rmtree(folder, ignore_errors=True)
    (tmp_path / "copy").rename(folder)
    disk.fails_from = 1 << 60
    assert not writer.flush().failing
    writer.close()
    assert read(folder) == (EVERY_KIND, None)


@on_posix
def test_another_journal_in_its_place_is_left_alone(running: tuple[Path, JournalWriter]):
    folder, writer = running
    shutil.rmtree(folder)
    folder.mkdir()
    write_journal(folder, [EVERY_KIND])
    before_ = {each.name: each.read_bytes() for each in folder.iterdir()}
    done = writer.flush()
    assert done.failing
    assert "another or an older journal" in done.reason
    assert {each.name: each.read_bytes() for each in folder.iterdir()} == before_
    assert writer.abandon() == SMALL[1]


# -- folders and files around it


def test_the_name_of_a_new_session_lasts_as_its_files_do(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    """After a loss of power a folder that was never synced is gone with all that is in it."""
    synced: list[Path] = []
    monkeypatch.setattr(Disk, "sync_folder", lambda disk, folder: synced.append(folder))
    session = make_session(tmp_path / "out", [EVERY_KIND])
    assert session.path.parent in [each.resolve() for each in synced]


def test_a_session_that_cannot_be_begun_leaves_no_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    def refuse(disk: Disk, fd: int, data: memoryview) -> int:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(Disk, "write_some", refuse)
    with pytest.raises(SessionError, match=r"No space left on device.*Make room"):
        make_session(tmp_path, [EVERY_KIND])
    assert list(tmp_path.iterdir()) == []


@on_posix
def test_a_file_under_way_is_no_other_user_s(tmp_path: Path):
    """Who owns the file that is there already reads what is written to it, whatever its mode."""
    temporary = tmp_path / f".live.json.{os.getpid()}.part"
    temporary.write_text("")
    temporary.chmod(0o666)
    with temporary.open() as other:
        write_whole(tmp_path / "live.json", b"secret", mode=0o600)
        assert other.read() == ""
    assert (tmp_path / "live.json").read_bytes() == b"secret"
    assert (tmp_path / "live.json").stat().st_mode & 0o77 == 0


@on_posix
@pytest.mark.parametrize("log", ["link", "folder", "unreadable"])
def test_a_rescue_carries_no_log_that_is_none(tmp_path: Path, log: str, monkeypatch: pytest.MonkeyPatch):
    session = make_session(tmp_path / "out", [EVERY_KIND[:-1]], close=False)
    path, secret = session.path / "recorder.log", tmp_path / "secret"
    secret.write_text("what is the reader's own")
    if log == "link":
        path.symlink_to(secret)
    elif log == "folder":
        path.mkdir()
    else:
        path.write_text("lines")
        read_bytes = Path.read_bytes

        def refuse(which: Path) -> bytes:
            if which.name == path.name:
                raise OSError(errno.EIO, "Input/output error")
            return read_bytes(which)

        monkeypatch.setattr(Path, "read_bytes", refuse)
        monkeypatch.setattr(shutil, "copyfile", lambda *_: refuse(path))
    report = rescue(session.path)
    assert report.outcome == "whole"
    assert report.path is not None
    assert not (report.path / "recorder.log").exists()


def test_a_rescue_of_few_but_large_records_keeps_them_all(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    """They fill the memory of the copy's journal before they are enough for a write."""
    large: list[Record] = [Packet(n * S, "hub", "2A63", bytes(50_000)) for n in range(30)]
    session = make_session(tmp_path, [[each] for each in large], close=False)
    writer = rescuing.JournalWriter
    monkeypatch.setattr(
        rescuing, "JournalWriter", lambda path, header: writer(path, header, memory_limit=200_000)
    )
    report = rescue(session.path)
    assert (report.outcome, report.records) == ("whole", 30)


def test_a_record_too_large_for_a_copy_is_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    session = make_session(tmp_path, [[Packet(2 * S, "hub", "2A63", bytes(50_000))]], close=False)
    monkeypatch.setattr(journaling, "_RECORD_LIMIT", 40_000)
    with pytest.raises(SessionError, match=r"a record at 2.0 s that is too large") as raised:
        rescue(session.path)
    assert raised.value.path == session.path
    assert [each.name for each in tmp_path.iterdir()] == [session.path.name]
