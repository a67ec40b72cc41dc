"""The journal: records appended as they happen, and read back only if proved right.

The layout, its reasons and the behaviour on a failing disk are in FORMAT.md; nothing else
opens these files. Nothing here reads a clock: whoever owns the writer calls `flush` once a
second, from a thread, since it waits for the disk.
"""

import contextlib
import errno
import os
import stat
import struct
import threading
import zlib
from collections import deque
from collections.abc import Iterator
from pathlib import Path
from typing import Literal, NamedTuple

import msgspec

from capture.record import FORMAT, End, Header, Link, Packet, Record, Tick
from storage.damage import GAP_LIMIT, Damage, DamagedSession, Gap, SessionError
from storage.disk import Disk, read_around_holes
from storage.info import read_info
from storage.pieces import rows
from storage.pieces.rows import BATCH_ROWS, END_OF_STREAM, PIECE_LIMIT
from storage.pieces.salvage import Found, find_header, is_batch, salvage

MAIN, SIDE = "journal.arrows", "journal.crc"

MEMORY_LIMIT = 64 << 20
"""Octets of records that wait for a failing disk, by estimate, before packets and ticks are refused."""

_RECORD_OCTETS = 160
# A character takes up to six octets when it is written out: so a batch stays below PIECE_LIMIT.
_RECORD_LIMIT = _BATCH_OCTETS = 1 << 20
_GROUP_OCTETS = 1 << 18
_PIECE_NS = 2_000_000_000
"""Session time in one batch at the most. Recorded live a batch holds a second; a ride that runs as fast as
it can would otherwise stand in a few large ones, and a torn file would lose minutes with each."""
_ENTRY = struct.Struct("<QII")
_BLANK = bytes(_ENTRY.size << 12)


def _entry(end: int, crc: int) -> bytes:
    head = struct.pack("<QI", end, crc)
    return head + struct.pack("<I", zlib.crc32(head))


def _weight(record: Record) -> int:
    """About how much memory a record takes, in octets."""
    if isinstance(record, Packet):
        return _RECORD_OCTETS + len(record.data) + len(record.extra)
    return _RECORD_OCTETS + sum(len(value) for value in rows.row_of(record)[2:7])


class Flush(msgspec.Struct, frozen=True, kw_only=True):
    """What became of a flush.

    `written`: records that are on the disk, from the beginning. `failing`: the disk refuses;
    `reason` says how. `changed`: this is news: a failure that begins or ends, or records lost since
    the last time (while it fails: the first ones, and whenever they are twice as many). `lost`: records
    that could not be kept, from the beginning. `error`: the exception, when the failure was not the
    disk's.
    """

    written: int
    failing: bool = False
    changed: bool = False
    reason: str = ""
    lost: int = 0
    error: Exception | None = None


class _Mark(msgspec.Struct, frozen=True):
    """How far both files are written: their ends, the side file's last entry, writes so far."""

    end: int = 0
    side_end: int = 0
    last_entry: bytes = b""
    writes: int = 0


class JournalWriter:
    """Writes one journal. `append` belongs to one thread, `write` to another, `sync` to a third one.

    `write` hands what waits to the operating system: it outlives the end of this process. `sync` has the
    disk keep it: then it outlives a loss of power, and counts as written. They are apart because a disk
    may take seconds for the second. `flush` is both; it and `close` wait for all of them.

    Args:
        folder: where to make the two files; it must exist.
        header: what a replay needs besides the records.
        disk: the way to the disk; tests put a failing one here.
        memory_limit: see `MEMORY_LIMIT`.

    Raises:
        SessionError: the files are there already, or can't be made.
    """

    def __init__(
        self, folder: Path, header: Header, disk: Disk | None = None, memory_limit: int = MEMORY_LIMIT
    ) -> None:
        self.folder, self.header = folder, header
        self.failing = ""
        """Why the disk refuses; empty while it doesn't."""
        self._disk = disk or Disk()
        self._memory_limit = memory_limit
        self._seed = zlib.crc32(rows.header_json(header))
        self._pending: deque[Record] = deque()
        self._batch: list[Record] = []
        self._batch_weight = 0
        self._unsynced: deque[tuple[list[Record], int]] = deque()
        """Written, but the disk has not confirmed it: each write's records and their weight."""
        # Who takes both takes them in this order. The second one also guards the open files and `_synced`.
        self._flushing, self._syncing = threading.Lock(), threading.Lock()
        # Two counters: one is written by who appends, one under `_syncing`: `append` never waits.
        self._weight_in = self._weight_out = 0
        self._written = 0
        self._dropped_reported = 0
        self._refused = 0
        self._unwritable = 0
        self._mark = self._synced = _Mark()
        self._main = self._side = -1
        remedy = "Choose another folder, or make room and check the rights"
        try:
            self._main = self._disk.create(folder / MAIN)
            self._side = self._disk.create(folder / SIDE)
            self._put([rows.schema_message(rows.header_json(header))])
            self._sync()
            self._disk.sync_folder(folder)
        except OSError as error:
            self._close_files()
            raise SessionError(folder, f"can't hold a journal ({_reason(error)})", remedy) from None

    @property
    def written(self) -> int:
        """Records that are on the disk."""
        return self._written

    @property
    def waiting(self) -> int:
        """Records that are in memory only."""
        return len(self._pending) + len(self._batch)

    @property
    def unsynced(self) -> int:
        """Records that are written and that the disk has not confirmed; also in memory as yet."""
        return sum(len(batch) for batch, _ in list(self._unsynced))

    @property
    def dropped(self) -> int:
        """Records that could not be kept, from the beginning."""
        return self._refused + self._unwritable

    def append(self, record: Record) -> bool:
        """Take a record, at once. False: it was refused and counted, since memory is full.

        Also refused is a record of more than a million octets.
        """
        weight = _weight(record)
        if weight > _RECORD_LIMIT:
            self._refused += 1
            return False
        if self._weight_in - self._weight_out + weight > self._memory_limit:
            droppable = isinstance(record, Packet | Tick) or (
                isinstance(record, Link) and record.state == "missed"
            )
            # What a person did is little and can't be heard again: it has twice the room.
            if droppable or self._weight_in - self._weight_out > 2 * self._memory_limit:
                self._refused += 1
                return False
        self._weight_in += weight
        self._pending.append(record)
        return True

    def write(self) -> Flush:
        """Hand what waits to the operating system; once the disk has refused, a `flush`.

        Never raises for the disk's sake.
        """
        with self._flushing:
            if self.failing:
                return self._flush()
            try:
                self._write_waiting()
            except Exception as error:
                return self._fail(error)
            return self._resume()

    def sync(self) -> Flush:
        """Have the disk keep what is written; blocks as long as the disk takes. Never raises for its sake."""
        with self._syncing:
            if self._main < 0 or self.failing:
                # What has failed is written once more, before it can be kept.
                return Flush(written=self._written, failing=bool(self.failing), reason=self.failing)
            try:
                self._sync()
            except Exception as error:
                return self._fail(error)
            return Flush(written=self._written, lost=self.dropped)

    def flush(self) -> Flush:
        """Bring what waits to the disk; blocks. After a failure it is simply called again.

        Never raises for the disk's sake.
        """
        with self._flushing:
            return self._flush()

    def _flush(self) -> Flush:
        try:
            self._write_waiting()
            with self._syncing:
                self._sync()
        except Exception as error:
            return self._fail(error)
        return self._resume()

    def _write_waiting(self) -> None:
        self._ready()
        due = len(self._pending)
        while self._batch or due > 0:
            if not self._batch:
                due -= self._take()
            self._write_batches()

    def close(self) -> Flush:
        """Flush, mark the end of the stream and close the files.

        If that fails nothing is closed: call it again, or `abandon`.
        """
        with self._flushing:
            if self._main < 0:
                return Flush(written=self._written, lost=self.dropped)
            result = self._flush()
            if result.failing:
                return result
            try:
                self._put([END_OF_STREAM])
                with self._syncing:
                    self._sync()
            except Exception as error:
                return self._fail(error)
            with self._syncing:
                self._close_files()
            return result

    def abandon(self, wait_s: float = -1.0) -> list[Record]:
        """Close the files as they are; the records that did not reach the disk.

        `wait_s`: how long a flush that is under way may take (negative: without end). One that takes
        longer is left alone with the files: some of these records may reach the disk yet.
        """
        held = self._flushing.acquire(timeout=wait_s)
        both = held and self._syncing.acquire(timeout=wait_s)
        left = [*(each for batch, _ in list(self._unsynced) for each in batch), *self._batch, *self._pending]
        if both:
            self._close_files()
            self._batch = []
            self._unsynced.clear()
            self._pending.clear()
            self._syncing.release()
        if held:
            self._flushing.release()
        return left

    def _take(self) -> int:
        """Move records for one write out of the queue; how many."""
        # In it at once: whoever abandons the journal while the disk hangs looks there.
        batch = self._batch = []
        weight = 0
        while self._pending and len(batch) < BATCH_ROWS and weight < _BATCH_OCTETS:
            record = self._pending.popleft()
            weight += _weight(record)
            batch.append(record)
        self._batch_weight = weight
        return len(batch)

    def _write_batches(self) -> None:
        try:
            pieces = self._pieces()
        except Exception:
            # One value that can't be written must not hold up the others for ever.
            self._batch = self._cleaned(self._batch)
            pieces = self._pieces()
        self._put(pieces)

    def _pieces(self) -> list[bytes]:
        """What is taken as batch messages, each of little session time."""
        parts: list[list[Record]] = []
        for record in self._batch:
            if not parts or record.t_ns - parts[-1][0].t_ns >= _PIECE_NS:
                parts.append([])
            parts[-1].append(record)
        pieces: list[bytes] = []
        end = self._mark.end
        for part in parts:
            pieces.append(rows.batch_message(part, end, self._seed))
            end += len(pieces[-1])
        return pieces

    def _cleaned(self, batch: list[Record]) -> list[Record]:
        kept = []
        for record in batch:
            try:
                record = rows.clean(record)
                rows.batch_message([record], 0, self._seed)
                kept.append(record)
            except MemoryError:
                raise  # it may be there at the next attempt
            except Exception:
                self._unwritable += 1
        return kept

    def _put(self, pieces: list[bytes]) -> None:
        """Write pieces of the present batch, then their entries."""
        disk, mark = self._disk, self._mark
        end, entries = mark.end, [mark.last_entry]
        for piece in pieces:
            end += len(piece)
            entries.append(_entry(end, zlib.crc32(piece)))
        side = b"".join(entries[1:])
        if pieces:
            disk.write(self._main, b"".join(pieces), mark.end)
            disk.write(self._side, side, mark.side_end)
        # In one of the two at any time: whoever abandons the journal looks there.
        self._unsynced.append((self._batch, self._batch_weight))
        self._batch, self._batch_weight = [], 0
        self._mark = _Mark(end, mark.side_end + len(side), entries[-1], mark.writes + 1)

    def _sync(self) -> None:
        """Have the disk keep what is written by now; only then does it count. Under `_syncing`."""
        mark = self._mark
        if mark.writes == self._synced.writes:
            return
        self._disk.sync(self._main)
        self._disk.sync(self._side)
        for _ in range(mark.writes - self._synced.writes):
            batch, weight = self._unsynced.popleft()
            self._written += len(batch)
            self._weight_out += weight
        self._synced = mark

    def _roll_back(self) -> None:
        """What the disk has not confirmed waits again: after a failure nobody knows what is left of it.

        Under both locks.
        """
        again = [*self._unsynced, (self._batch, self._batch_weight)]
        self._unsynced.clear()
        self._batch, self._batch_weight = [], 0
        for batch, weight in reversed(again):
            self._weight_out += weight - sum(map(_weight, batch))
            self._pending.extendleft(reversed(batch))
        self._mark = self._synced

    def _fail(self, error: Exception) -> Flush:
        lost = self.dropped
        # That records are being lost is news at once, and then whenever they have become twice as many.
        changed = not self.failing or lost > 2 * self._dropped_reported
        self.failing = _reason(error)
        if changed:
            self._dropped_reported = lost
        return Flush(
            written=self._written,
            failing=True,
            changed=changed,
            reason=self.failing,
            lost=lost,
            error=None if isinstance(error, OSError) else error,
        )

    def _resume(self) -> Flush:
        lost = self.dropped
        changed, self.failing = bool(self.failing) or lost > self._dropped_reported, ""
        self._dropped_reported = lost
        return Flush(written=self._written, changed=changed, lost=lost)

    def _ready(self) -> None:
        """See to it that both open files are those in the folder and end where they are good.

        Deleted files would go on taking octets that nobody can ever find.
        """
        if not self.failing and all(os.fstat(fd).st_nlink for fd in (self._main, self._side)):
            return
        # Not while the other thread waits for one of them.
        with self._syncing:
            self._roll_back()
            mark, old = self._synced, (self._main, self._side)
            main = self._again(MAIN, self._main, mark.end)
            try:
                side = self._again(SIDE, self._side, mark.side_end, mark.last_entry)
            except BaseException:
                _close(main)
                raise
            self._main, self._side = main, side
            _close(*old)
            self._disk.truncate(self._main, mark.end)
            self._disk.truncate(self._side, mark.side_end)

    def _again(self, name: str, old: int, end: int, ending: bytes = b"") -> int:
        """Open a file once more, by name as after a disk was plugged in again; else as it is still open."""
        path = self.folder / name
        try:
            fd = self._disk.open(path)
        except FileNotFoundError:
            if os.fstat(old).st_nlink:
                # It lies elsewhere: the folder was renamed, or its disk is out of reach.
                return os.dup(old)
            return self._bring_back(path, old, end)
        try:
            if os.fstat(fd).st_size < end or self._disk.read(fd, end - len(ending), len(ending)) != ending:
                raise OSError(errno.EEXIST, f"another or an older journal stands in {self.folder}")
        except BaseException:
            _close(fd)
            raise
        return fd

    def _bring_back(self, path: Path, old: int, end: int) -> int:
        """Write a deleted file anew from what is still open."""
        # Deleted it may be with all that stood above it.
        self.folder.mkdir(parents=True, exist_ok=True)
        fd = self._disk.create(path)
        try:
            for at in range(0, end, 1 << 20):
                self._disk.write(fd, self._disk.read(old, at, min(1 << 20, end - at)), at)
            self._disk.sync(fd)
            self._disk.sync_folder(self.folder)
            self._disk.sync_folder(self.folder.parent)
        except BaseException:
            _close(fd)
            path.unlink(missing_ok=True)
            raise
        return fd

    def _close_files(self) -> None:
        _close(self._main, self._side)
        self._main = self._side = -1


def _close(*opened: int) -> None:
    for fd in opened:
        if fd >= 0:
            with contextlib.suppress(OSError):
                os.close(fd)


def _reason(error: Exception) -> str:
    """What went wrong, short, for the operator."""
    if isinstance(error, OSError) and error.strerror:
        return error.strerror
    return f"{type(error).__name__}: {error}"


class _Piece(msgspec.Struct, frozen=True, gc=False):
    """A piece of the main file; `crc` is None where the side file doesn't vouch for it."""

    start: int
    end: int
    crc: int | None


class _Side:
    """The side file as pieces of the main file, in order and without holes.

    `state` and `promised` (how long the main file once was) are right when the iteration is over.
    """

    def __init__(self, path: Path, size: int) -> None:
        self.state: Literal["whole", "missing", "damaged"] = "whole"
        self.promised = 0
        self._path, self._size = path, size

    def __iter__(self) -> Iterator[_Piece]:
        start, broken = 0, False
        for end, crc in self._entries():
            if end is None or not start < end <= start + PIECE_LIMIT:
                # The next good entry tells where this piece and its own end, not where they meet.
                self.state, broken = "damaged", True
                if end is None or end <= start:
                    continue
            self.promised = max(self.promised, end)
            if end > self._size:
                continue
            yield _Piece(start, end, None if broken else crc)
            start, broken = end, False
        if start < self._size:
            yield _Piece(start, self._size, None)

    def _entries(self) -> Iterator[tuple[int | None, int]]:
        disk = Disk()
        try:
            fd = disk.open_to_read(self._path)
        except OSError:
            self.state = "missing"
            return
        try:
            offset, size = 0, os.fstat(fd).st_size
            while offset < size:
                data = read_around_holes(disk, fd, offset, min(size - offset, len(_BLANK)))
                offset += len(data)
                if data == _BLANK:
                    # A giant of a hole says no more than one wrong entry.
                    yield None, 0
                    continue
                for at in range(0, len(data) - _ENTRY.size + 1, _ENTRY.size):
                    end, crc, check = _ENTRY.unpack_from(data, at)
                    good = zlib.crc32(data[at : at + 12]) == check
                    yield (end, crc) if good else (None, 0)
                if len(data) % _ENTRY.size:
                    return
            if not size:
                self.state = "missing"
        finally:
            os.close(fd)


class Records:
    """The records of a journal, in order, a few thousand in memory at a time. One pass.

    `damage` and the counts are complete when the iteration is over. Iterate to the end, or `close`.
    """

    def __init__(self, path: Path, header: bytes | None, schema_end: int) -> None:
        """`header`: the JSON if it is known; `schema_end`: where the first message of the file ends, or 0."""
        self.path = path
        self.count = 0
        """Records given so far."""
        self.unknown = 0
        """Rows of kinds that a later version added; they were skipped."""
        self._disk = Disk()
        self._fd = -1
        self._fd = self._disk.open_to_read(path)
        self._size = os.fstat(self._fd).st_size
        self._side = _Side(path.with_name(SIDE), self._size)
        self._seed = None if header is None else zlib.crc32(header)
        self._header: Literal["whole", "replaced", "lost"] = "whole"
        if not schema_end:
            self._header = "lost" if header is None else "replaced"
        self._schema_end = schema_end
        self._schema = rows.schema_message(header or b"{}")
        self._ended = False
        self._pieces_wrong = 0
        self._last_ns: int | None = None
        self.good_octets = self._bytes_lost = self._rows_lost = self._pending_gap = 0
        self.gaps: list[Gap] = []
        """Holes met so far between records; the records after the last one are the next to come."""
        self._iterator = rows.iterate(self._batches())

    def __iter__(self) -> Iterator[Record]:
        return self._iterator

    def __next__(self) -> Record:
        return next(self._iterator)

    def __del__(self) -> None:
        self.close()

    def close(self) -> None:
        """Close the file; to be called when the iteration was given up."""
        _close(self._fd)
        self._fd = -1

    @property
    def damage(self) -> Damage | None:
        """What was wrong with the journal; None if it is whole and was closed."""
        octets = self._bytes_lost + max(0, self._side.promised - self._size)
        damage = Damage(
            torn=not self._ended,
            bytes_lost=octets,
            rows_lost=self._rows_lost,
            seconds_lost=self._seconds_lost(octets),
            gaps=(*self.gaps, *self._last_gap()),
            side=self._side.state,
            header=self._header,
            pieces_wrong=self._pieces_wrong,
        )
        return damage if damage != Damage(gaps=()) else None

    def _last_gap(self) -> list[Gap]:
        octets = self._pending_gap + max(0, self._side.promised - self._size)
        return [Gap(self._last_ns, None, octets)] if octets else []

    def _seconds_lost(self, octets: int) -> float:
        inside = [gap for gap in self.gaps if gap.after_ns is not None]
        known_ns = sum(max(0, (gap.after_ns or 0) - (gap.before_ns or 0)) for gap in inside)
        unplaced = octets - sum(gap.octets for gap in inside)
        rate = self.good_octets / (self._last_ns / 1e9) if self._last_ns and self._last_ns > 0 else 0.0
        return known_ns / 1e9 + (unplaced / rate if rate else 0.0)

    def _batches(self) -> Iterator[list[Record]]:
        try:
            group: list[tuple[_Piece, bytes]] = []
            octets = 0
            for piece in self._side:
                data = self._proved(piece)
                if data is None:
                    yield from self._group(group)
                    group, octets = [], 0
                    if piece.start == 0 and piece.crc is not None and self._header == "replaced":
                        self._schema_end = piece.end
                    yield from self._salvaged(piece.start, piece.end)
                elif piece.start == 0:
                    self._schema = data
                elif data != END_OF_STREAM:
                    if not is_batch(data):
                        # The checksum is right and yet it is no batch: Arrow never gets it.
                        yield from self._group(group)
                        group, octets = [], 0
                        yield from self._salvaged(piece.start, piece.end)
                        continue
                    group.append((piece, data))
                    octets += len(data)
                    if octets >= _GROUP_OCTETS:
                        yield from self._group(group)
                        group, octets = [], 0
            yield from self._group(group)
        finally:
            self.close()

    def _proved(self, piece: _Piece) -> bytes | None:
        """The octets of a piece if they are as written."""
        if piece.crc is None:
            return None
        data = read_around_holes(self._disk, self._fd, piece.start, piece.end - piece.start)
        if zlib.crc32(data) == piece.crc:
            return data
        self._pieces_wrong += 1
        return None

    def _group(self, group: list[tuple[_Piece, bytes]]) -> Iterator[list[Record]]:
        if not group:
            return
        try:
            found = rows.rows_of_messages(b"".join((self._schema, *(data for _, data in group))))
        except ValueError:
            # The checksums are right and yet it is no journal: trust no more than the single row.
            for piece, _ in group:
                yield from self._salvaged(piece.start, piece.end)
            return
        self.good_octets += sum(len(data) for _, data in group)
        yield self._records(found)

    def _salvaged(self, start: int, end: int) -> Iterator[list[Record]]:
        def read(offset: int, size: int) -> bytes:
            return read_around_holes(self._disk, self._fd, offset, size)

        start = max(start, min(self._schema_end, end))
        for found in salvage(read, start, end, self._seed):
            self._lose(found.at - start)
            if found.rows:
                yield self._records(found.rows)
            self._lose(self._wrong_octets(found))
            start = max(start, found.end)
        self._lose(end - start)

    def _wrong_octets(self, found: Found) -> int:
        """The share of a batch that belongs to its wrong rows."""
        octets = found.end - found.at
        wrong = octets * found.wrong // (len(found.rows) + found.wrong) if found.wrong else 0
        self._rows_lost += found.wrong
        self.good_octets += octets - wrong
        return wrong

    def _lose(self, octets: int) -> None:
        if octets > 0:
            self._bytes_lost += octets
            self._pending_gap += octets

    def _records(self, found: list[rows.Row]) -> list[Record]:
        records, unknown = rows.records_of(found)
        self.unknown += unknown
        self.count += len(records)
        if records:
            if self._pending_gap:
                if len(self.gaps) < GAP_LIMIT:
                    self.gaps.append(Gap(self._last_ns, records[0].t_ns, self._pending_gap))
                self._pending_gap = 0
            self._last_ns = records[-1].t_ns
            self._ended = isinstance(records[-1], End)
        return records


def read_journal(folder: Path) -> tuple[Header, Records]:
    """The header and the records of a session's journal.

    The file is never changed. A header that is unreadable here is taken from `session.json`; if that is
    gone too, it comes back empty and `Records.damage` says so.

    Raises:
        SessionError: there is no journal, it can't be opened, or a later version recorded it.
        DamagedSession: the journal is empty.
    """
    path = folder / MAIN
    remedy = "Give the folder of a session, as printed when it was recorded"
    try:
        disk = Disk()
        fd = disk.open_to_read(path)
        try:
            if not stat.S_ISREG(os.fstat(fd).st_mode):
                raise SessionError(path, "is not a file", remedy)
            size = os.fstat(fd).st_size
            length = int.from_bytes(read_around_holes(disk, fd, 4, min(size, 4)), "little") + 8
            beginning = read_around_holes(disk, fd, 0, min(size, length, PIECE_LIMIT))
        finally:
            _close(fd)
        if not size:
            raise DamagedSession(folder, Damage(torn=True, header="lost"))
        found = find_header(beginning)
        header, json, schema_end = _header(folder, found)
        return header, Records(path, json, schema_end)
    except FileNotFoundError:
        raise SessionError(folder, f"holds no journal ({MAIN})", remedy) from None
    except OSError as error:
        raise SessionError(path, f"can't be read ({_reason(error)})", "Check disk and rights") from None


class _Head(NamedTuple):
    """The header, its JSON if known, and where the schema message ends."""

    header: Header
    json: bytes | None
    end: int


def _header(folder: Path, found: tuple[bytes, int] | None) -> _Head:
    """What stands at the beginning of a journal, else what its folder says of it."""
    if found:
        with contextlib.suppress(msgspec.MsgspecError, UnicodeError):
            header = msgspec.json.decode(found[0], type=Header)
            return _Head(_readable(folder, header), *found)
    with contextlib.suppress(SessionError):
        if info := read_info(folder):
            return _Head(_readable(folder, info.header), rows.header_json(info.header), 0)
    return _Head(Header("", "", 0), None, 0)


def _readable(folder: Path, header: Header) -> Header:
    if header.format > FORMAT:
        raise SessionError(
            folder,
            f"was recorded by a later version ({header.program}, format {header.format})",
            f"Update this program: it reads up to format {FORMAT}",
        )
    return header


class Tail:
    """Reads a journal that is still being written; only pieces that the side file vouches for.

    Args:
        folder: of the session.
        skip: records to leave out at the beginning.

    Raises:
        OSError: there is no journal yet.
    """

    def __init__(self, folder: Path, skip: int = 0) -> None:
        self.skipped_pieces = 0
        """Pieces that could not be proved right."""
        self._disk = Disk()
        self._main = self._side = -1
        self._main = self._disk.open_to_read(folder / MAIN)
        self._side = self._disk.open_to_read(folder / SIDE)
        self._schema = b""
        self._end = self._side_at = 0
        self._skip = skip

    def __enter__(self) -> "Tail":
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def __del__(self) -> None:
        self.close()

    def close(self) -> None:
        """Close the files."""
        _close(self._main, self._side)
        self._main = self._side = -1

    def read(self, limit: int = BATCH_ROWS) -> list[Record]:
        """The next records: at least `limit`, if so many have been written, else all there are.

        Raises OSError if the disk doesn't give them back.
        """
        records: list[Record] = []
        while len(records) < limit and (batch := self._next_batch()) is not None:
            if self._skip:
                dropped = min(self._skip, len(batch))
                self._skip -= dropped
                batch = batch[dropped:]
            records += batch
        return records

    def _next_batch(self) -> list[Record] | None:
        """The records of the next piece; None if there is none yet."""
        entry = self._disk.read(self._side, self._side_at, _ENTRY.size)
        if len(entry) < _ENTRY.size:
            return None
        end, crc, check = _ENTRY.unpack(entry)
        if zlib.crc32(entry[:12]) != check or not self._end < end <= self._end + PIECE_LIMIT:
            return None
        piece = self._disk.read(self._main, self._end, end - self._end)
        self._side_at += _ENTRY.size
        self._end = end
        if zlib.crc32(piece) != crc:
            self.skipped_pieces += 1
            return []
        if not self._schema:
            self._schema = piece
            return []
        if piece == END_OF_STREAM:
            return []
        if not is_batch(piece):
            self.skipped_pieces += 1
            return []
        try:
            return rows.records_of(rows.rows_of_messages(self._schema + piece))[0]
        except ValueError:
            self.skipped_pieces += 1
            return []
