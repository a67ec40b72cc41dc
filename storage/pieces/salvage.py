"""Rows out of octets that nothing vouches for, without ever handing them to Arrow.

Arrow's reader trusts what it is given; garbage can end the process. Here each message is
taken apart by hand, with every offset checked, and a row is kept only if its own checksum
is right at this place of this journal. The layout is that of the Arrow columnar format
(Message.fbs, Schema.fbs) in FlatBuffers encoding
(https://flatbuffers.dev/internals/: a table begins with the signed distance to
its vtable; a vtable holds its own size, the table's size, and one offset per field, 0 if absent).
"""

import struct
import zlib
from collections.abc import Callable, Iterator
from typing import NamedTuple

import msgspec

from storage.pieces.rows import BATCH_ROWS, CHECK_KEY, END_OF_STREAM, HEADER_KEY, PIECE_LIMIT, Row, row_check

MARK = b"\xff\xff\xff\xff"
_SCHEMA, _RECORD_BATCH = 1, 3
_COMPRESSION = 3
_LAYOUT_LIMIT = 64 << 10
"""Octets of the longest description of a batch; ours take a few hundred."""
# Columns in the order of the schema: fixed ones have two buffers, the others three.
_WIDTHS = (8, 1, None, None, None, None, None, 8, 4)
_BUFFERS = sum(2 if width else 3 for width in _WIDTHS)
_SHORTEST = 512
"""Octets of a batch message at the least: nine columns are described in more."""
# What a disk gives that was never written, or was erased. A message begins with a mark and a size, at a
# multiple of 8: so none begins in a whole block of either.
_BLANK = (bytes(1 << 20), b"\xff" * (1 << 20))


class _NotOursError(Exception):
    """These octets are no message of a journal."""


class _Table:
    """A FlatBuffers table inside `data`; every access stays inside or raises _NotOursError."""

    def __init__(self, data: bytes, at: int) -> None:
        self.data, self.at = data, at
        self._vtable = at - _get(data, "<i", at)
        self._vtable_size = _get(data, "<H", self._vtable)

    def _field(self, number: int) -> int:
        slot = 4 + 2 * number
        if slot + 2 > self._vtable_size:
            return 0
        offset = _get(self.data, "<H", self._vtable + slot)
        return self.at + offset if offset else 0

    def scalar(self, number: int, layout: str) -> int:
        at = self._field(number)
        return _get(self.data, layout, at) if at else 0

    def target(self, number: int) -> int:
        """Where the thing is that an offset field points to; _NotOursError if the field is absent."""
        at = self._field(number)
        if not at:
            raise _NotOursError
        return at + _get(self.data, "<I", at)

    def has(self, number: int) -> bool:
        return self._field(number) > 0

    def table(self, number: int) -> "_Table":
        return _Table(self.data, self.target(number))

    def octets(self, number: int) -> bytes:
        return _vector(self.data, self.target(number), 1)


def _get(data: bytes, layout: str, at: int) -> int:
    if at < 0:
        raise _NotOursError
    try:
        (value,) = struct.unpack_from(layout, data, at)
    except struct.error:
        raise _NotOursError from None
    return int(value)


def _vector(data: bytes, at: int, width: int) -> bytes:
    size = _get(data, "<I", at) * width
    if at + 4 + size > len(data):
        raise _NotOursError
    return data[at + 4 : at + 4 + size]


class _Message(NamedTuple):
    """A message of the stream: its table, where its body begins, where it ends."""

    table: _Table
    body: int
    end: int


def _message(data: bytes, at: int, limit: int) -> _Message:
    """The message that begins at `at`.

    `limit`: octets of the longest table that is looked at.
    """
    if data[at : at + 4] != MARK:
        raise _NotOursError
    size = _get(data, "<I", at + 4)
    body = at + 8 + size
    if size < 8 or size > limit or body > len(data):
        raise _NotOursError
    metadata = data[at + 8 : body]
    message = _Table(metadata, _get(metadata, "<I", 0))
    length = message.scalar(3, "<q")
    if not 0 <= length <= PIECE_LIMIT:
        raise _NotOursError
    return _Message(message, body, body + length)


def find_header(data: bytes) -> tuple[bytes, int] | None:
    """The JSON of the header from the beginning of a journal, and where its message ends.

    None if it is not as it was written.
    """
    try:
        message, _, end = _message(data, 0, PIECE_LIMIT)
        if message.scalar(1, "<B") != _SCHEMA:
            return None
        schema = message.table(2)
        pairs = schema.target(2)
        found = {}
        for number in range(min(_get(schema.data, "<I", pairs), 64)):
            at = pairs + 4 + 4 * number
            pair = _Table(schema.data, at + _get(schema.data, "<I", at))
            found[pair.octets(0)] = pair.octets(1)
    except _NotOursError:
        return None
    json = found.get(HEADER_KEY)
    if json is None or found.get(CHECK_KEY) != f"{zlib.crc32(json):08x}".encode():
        return None
    return json, end


class Found(msgspec.Struct, gc=False):
    """A batch message in a region: its rows that are right, and how many are not.

    `at` and `end` are offsets in the file.
    """

    at: int
    end: int
    rows: list[Row]
    wrong: int


def _batch(data: bytes, at: int, offset: int, seed: int) -> Found:
    """The batch message at `at` of `data`, which is at `offset` + `at` of the file."""
    message, body, end = _message(data, at, _LAYOUT_LIMIT)
    if message.scalar(1, "<B") != _RECORD_BATCH or end > len(data):
        raise _NotOursError
    batch = message.table(2)
    count = batch.scalar(0, "<q")
    if not 0 < count <= min(BATCH_ROWS, (end - body) // 8):
        raise _NotOursError
    lengths = _vector(batch.data, batch.target(2), 16)[: 16 * _BUFFERS]
    spans = list(struct.iter_unpack("<qq", lengths))
    buffers = iter(spans)
    view = memoryview(data)

    def buffer() -> memoryview:
        start, length = next(buffers, (-1, -1))
        if start < 0 or length < 0 or body + start + length > end:
            raise _NotOursError
        return view[body + start : body + start + length]

    columns: list[Callable[[int], bytes | None]] = []
    for width in _WIDTHS:
        buffer()  # validity: nothing is ever null
        columns.append(_fixed(buffer(), width) if width else _varying(buffer(), buffer()))
    rows: list[Row] = []
    for number in range(count):
        row = _row([column(number) for column in columns], offset + at, number, seed)
        if row is not None:
            rows.append(row)
    return Found(offset + at, offset + end, rows, count - len(rows))


def is_batch(piece: bytes) -> bool:
    """Whether a piece is one batch as a recorder writes it.

    To be asked before Arrow gets it: a few octets of another message can unfold to thousands of
    millions of rows.
    """
    try:
        message, _, end = _message(piece, 0, _LAYOUT_LIMIT)
        if message.scalar(1, "<B") != _RECORD_BATCH or end != len(piece):
            return False
        batch = message.table(2)
        return 0 < batch.scalar(0, "<q") <= BATCH_ROWS and not batch.has(_COMPRESSION)
    except _NotOursError:
        return False


def _fixed(values: memoryview, width: int) -> Callable[[int], bytes | None]:
    def cell(number: int) -> bytes | None:
        found = bytes(values[number * width : (number + 1) * width])
        return found if len(found) == width else None

    return cell


def _varying(offsets: memoryview, values: memoryview) -> Callable[[int], bytes | None]:
    def cell(number: int) -> bytes | None:
        pair = offsets[4 * number : 4 * number + 8]
        if len(pair) < 8:
            return None
        start, end = struct.unpack("<ii", pair)
        return bytes(values[start:end]) if 0 <= start <= end <= len(values) else None

    return cell


def _row(cells: list[bytes | None], offset: int, number: int, seed: int) -> Row | None:
    if None in cells:
        return None
    t_octets, kind_octets, *parts, value_octets, check_octets = [cell or b"" for cell in cells]
    (t_ns,), (value,), (check,) = (
        struct.unpack("<q", t_octets),
        struct.unpack("<q", value_octets),
        struct.unpack("<I", check_octets),
    )
    kind = kind_octets[0]
    if row_check(seed, offset, number, (t_ns, kind, value), parts) != check:
        return None
    instrument, channel, data, extra, text = parts
    try:
        return t_ns, kind, instrument.decode(), channel.decode(), data, extra, text.decode(), value
    except UnicodeDecodeError:
        return None


def salvage(read: Callable[[int, int], bytes], start: int, end: int, seed: int | None) -> Iterator[Found]:
    """The batches that can be proved right, in whole or in part, between two offsets of a file.

    The end-of-stream mark comes as a batch without rows. Memory is bounded by two pieces.

    Args:
        read: (offset, size) -> octets, fewer only at the end of the file.
        start: where to begin; messages begin at multiples of 8.
        end: where to stop.
        seed: CRC-32 of the header's JSON; None: not known, so nothing can be proved.
    """
    if seed is None:
        return
    # A message that begins in the first half of the window lies in it as a whole.
    window = 2 * (PIECE_LIMIT + _LAYOUT_LIMIT)
    position = start + -start % 8
    # More rows or messages than fit in the region are only met in a file made to keep us busy.
    budget, tries = BATCH_ROWS + (end - start) // 8, BATCH_ROWS + (end - start) // _SHORTEST
    while position < end:
        if read(position, min(len(_BLANK[0]), end - position)) in _BLANK:
            position += len(_BLANK[0])
            continue
        data = read(position, min(window, end - position))
        last = position + len(data) >= end or len(data) < window
        limit = len(data) if last else len(data) // 2
        at = 0
        while at < limit and budget > 0 and tries > 0:
            at = data.find(MARK, at)
            if at < 0 or at >= limit:
                break
            if at % 8:
                at += 1
                continue
            if data[at : at + 8] == END_OF_STREAM:
                yield Found(position + at, position + at + 8, [], 0)
                at += 8
                continue
            if not 8 <= int.from_bytes(data[at + 4 : at + 8], "little") <= _LAYOUT_LIMIT:
                at += 8
                continue
            try:
                found = _batch(data, at, position, seed)
            except _NotOursError:
                tries -= 1
                at += 8
                continue
            budget -= len(found.rows) + found.wrong
            if found.rows:
                yield found
            # A length is only believed if the whole message proved right.
            at = found.end - position if not found.wrong else at + 8
        if last or budget <= 0 or tries <= 0:
            return
        position += max(limit, at)
        position -= position % 8
