"""A record as a row of the journal and back; the layout and its reasons are in FORMAT.md."""

import struct
import zlib
from collections.abc import Iterable, Iterator, Sequence
from functools import cache
from typing import TYPE_CHECKING, Any, cast

import msgspec

from capture.record import Act, End, Header, Link, LinkState, Packet, Record, Reported, Store, Tick, Write

if TYPE_CHECKING:
    import pyarrow as pa

Row = tuple[int, int, str, str, bytes, bytes, str, int]
"""t_ns, kind, instrument, channel, data, extra, text, value."""

PACKET, LINK, TICK, ACT, REPORTED, WRITE, STORE, END = range(1, 9)

HEADER_KEY, CHECK_KEY = b"plumbwatt.header", b"plumbwatt.check"

PIECE_LIMIT = 16 << 20
"""Octets of the longest piece of a journal."""
BATCH_ROWS = 4096
"""Rows of the largest batch."""
END_OF_STREAM = b"\xff\xff\xff\xff\x00\x00\x00\x00"

_CHECKED = struct.Struct("<QIqBq5I")
_INT64 = 1 << 63


def row_of(record: Record) -> Row:
    """A record as a row. Raises TypeError if it is none of the known records."""
    t_ns = record.t_ns
    match record:
        case Packet(_, instrument, channel, data, extra):
            return t_ns, PACKET, instrument, channel, data, extra, "", 0
        case Tick(_, utc_ns):
            return t_ns, TICK, "", "", b"", b"", "", utc_ns
        case Link(_, instrument, state, reason):
            return t_ns, LINK, instrument, state, b"", b"", reason, 0
        case Act(_, act, text, instrument, at_ns):
            return t_ns, ACT, instrument, act, b"", b"", text, at_ns
        case Reported(_, instrument, key, value):
            return t_ns, REPORTED, instrument, key, b"", b"", value, 0
        case Write(_, instrument, channel, data, outcome):
            return t_ns, WRITE, instrument, channel, data, b"", outcome, 0
        case Store(_, state, lost, reason):
            return t_ns, STORE, "", state, b"", b"", reason, lost
        case End(_, reason):
            return t_ns, END, "", "", b"", b"", reason, 0
    raise TypeError(f"not a record: {type(record).__name__}")


def record_of(row: Row) -> Record | None:
    """A row as a record; None if its kind is not known (a later version wrote it)."""
    t_ns, kind, instrument, channel, data, extra, text, value = row
    match kind:
        case 1:
            return Packet(t_ns, instrument, channel, data, extra)
        case 2:
            return Link(t_ns, instrument, cast(LinkState, channel), text)
        case 3:
            return Tick(t_ns, value)
        case 4:
            return Act(t_ns, channel, text, instrument, value)
        case 5:
            return Reported(t_ns, instrument, channel, text)
        case 6:
            return Write(t_ns, instrument, channel, data, text)
        case 7:
            return Store(t_ns, cast(Any, channel), value, text)
        case 8:
            return End(t_ns, text)
    return None


def records_of(rows: Iterable[Row]) -> tuple[list[Record], int]:
    """Rows as records, and how many were of an unknown kind."""
    records: list[Record] = []
    unknown = 0
    for row in rows:
        # Nearly all rows are packets, and a session has a million of them.
        if row[1] == PACKET:
            records.append(Packet(row[0], row[2], row[3], row[4], row[5]))
        elif (record := record_of(row)) is not None:
            records.append(record)
        else:
            unknown += 1
    return records, unknown


def clean(record: Record) -> Record:
    """The same record in values that every part of the program can write down.

    Half surrogates (from names that the system could not decode) become `\\udcXX` written
    out, integers beyond 64 bits the nearest end. Raises TypeError if it is beyond help.
    """
    t_ns, kind, *texts, value = row_of(record)
    cleaned = [
        text.encode("utf-8", "backslashreplace").decode() if isinstance(text, str) else text for text in texts
    ]
    again = record_of(cast(Row, (_clamped(t_ns), kind, *cleaned, _clamped(value))))
    assert again is not None
    return again


def _clamped(number: int) -> int:
    return max(-_INT64, min(_INT64 - 1, int(number)))


def header_json(header: Header) -> bytes:
    """The header as it stands in the schema's metadata; its CRC-32 is the seed of all checks."""
    return msgspec.json.encode(header)


def row_check(seed: int, offset: int, number: int, head: Sequence[int], parts: Sequence[bytes]) -> int:
    """The CRC-32 of a row at its place.

    Args:
        seed: CRC-32 of the header's JSON.
        offset: where in the file the message of its batch begins.
        number: its place in the batch, from 0.
        head: t_ns, kind, value.
        parts: instrument, channel, data, extra, text as octets.
    """
    fixed = _CHECKED.pack(offset, number, *head, *map(len, parts))
    return zlib.crc32(b"".join((fixed, *parts)), seed)


@cache
def schema() -> "pa.Schema":
    """The columns, without a header in the metadata."""
    import pyarrow as pa

    types = {
        "t_ns": pa.int64(),
        "kind": pa.uint8(),
        "instrument": pa.utf8(),
        "channel": pa.utf8(),
        "data": pa.binary(),
        "extra": pa.binary(),
        "text": pa.utf8(),
        "value": pa.int64(),
        "check": pa.uint32(),
    }
    return pa.schema([pa.field(name, kind, nullable=False) for name, kind in types.items()])


def schema_message(json: bytes) -> bytes:
    """The schema with a header, as the first message of the stream."""
    check = f"{zlib.crc32(json):08x}".encode()
    message: bytes = schema().with_metadata({HEADER_KEY: json, CHECK_KEY: check}).serialize().to_pybytes()
    return message


def batch_message(records: Sequence[Record], offset: int, seed: int) -> bytes:
    """Records as one batch message that is to stand at `offset` of the file."""
    import pyarrow as pa

    rows = []
    for number, record in enumerate(records):
        row = row_of(record)
        t_ns, kind, instrument, channel, data, extra, text, value = row
        parts = (instrument.encode(), channel.encode(), data, extra, text.encode())
        rows.append((*row, row_check(seed, offset, number, (t_ns, kind, value), parts)))
    columns = [
        pa.array(column, field.type) for column, field in zip(zip(*rows, strict=True), schema(), strict=True)
    ]
    message: bytes = pa.record_batch(columns, schema=schema()).serialize().to_pybytes()
    return message


def rows_of_messages(messages: bytes) -> list[Row]:
    """The rows of a schema message followed by batch messages whose checksums are right.

    Raises:
        ValueError: it is not a journal's stream after all (a file made to look like one).
    """
    import pyarrow as pa

    try:
        table = pa.ipc.open_stream(pa.py_buffer(messages)).read_all()
        table.validate(full=True)
        columns = []
        for field in list(schema())[:-1]:
            column = table.column(field.name)
            if column.type != field.type or column.null_count:
                raise ValueError(f"column {field.name} is not {field.type}")
            columns.append(column.to_pylist())
    except (pa.ArrowException, KeyError, OSError, MemoryError) as error:
        raise ValueError(str(error)) from None
    return list(zip(*columns, strict=True))


def iterate(batches: Iterable[list[Record]]) -> Iterator[Record]:
    """The records of batches, one by one."""
    for batch in batches:
        yield from batch
