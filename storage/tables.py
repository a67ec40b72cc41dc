"""Tables beside the journal, in Parquet: written in row groups, named in the end, never overwritten.

What the columns mean is the monitor's business; here they have a name, a kind and a unit.
"""

import contextlib
import os
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import msgspec

from capture.record import FORMAT
from storage.damage import SessionError
from storage.disk import Disk, create_temporary, need_plain, publish

if TYPE_CHECKING:
    import numpy as np
    import pyarrow as pa

GROUP_ROWS = 4096
"""Rows of a row group; `TableWriter` holds about so many in memory."""
MOST_GROUP_ROWS = 1 << 17
"""Of a table that is read: a small file can say that one group holds thousands of millions."""

_BENCH, _PROGRAM, _FORMAT, _UNIT = b"plumbwatt.bench", b"plumbwatt.program", b"plumbwatt.format", b"unit"


Kind = Literal["int", "float", "text", "bool", "floats"]


class Column(msgspec.Struct, frozen=True):
    """One column: `int` is 64 bits, `floats` a list of numbers, `unit` an SI symbol or empty.

    Every column may hold None.
    """

    name: str
    kind: Kind = "float"
    unit: str = ""


class TableWriter:
    """Writes one Parquet file; a context manager. Without `finish` (or on an exception) nothing is left.

    Args:
        path: the final name; see `storage.session.free_path` for a free one.
        columns: in the order of the file; integers are stored as differences.
        bench: the TOML text that goes into the metadata.
        program: the version that writes.

    Raises:
        SessionError: something has that name, or the file can't be made.
    """

    def __init__(self, path: Path, columns: Sequence[Column], *, bench: str, program: str) -> None:
        import pyarrow as pa
        from pyarrow import parquet

        if path.exists():
            raise SessionError(path, "is there already", "It is never overwritten; choose another name")
        self.path, self.columns = path, tuple(columns)
        self._waiting: list[pa.RecordBatch] = []
        self._rows = 0
        self._schema = _schema(self.columns, bench, program)
        texts = [column.name for column in columns if column.kind == "text"]
        integers = {column.name: "DELTA_BINARY_PACKED" for column in columns if column.kind == "int"}
        try:
            self._temporary, fd = create_temporary(path)
            self._file = os.fdopen(fd, "wb")
        except OSError as error:
            raise SessionError(path, f"can't be made ({error.strerror})", "Check room and rights") from None
        self._writer: Any = parquet.ParquetWriter(
            self._file,
            self._schema,
            compression="zstd",
            use_dictionary=texts or False,
            column_encoding=integers or None,
        )

    def __enter__(self) -> "TableWriter":
        return self

    def __exit__(self, kind: type[BaseException] | None, *_: object) -> None:
        if kind is None:
            self.finish()
        else:
            self.discard()

    def write(self, values: Mapping[str, "Sequence[Any] | np.ndarray[Any, Any]"]) -> None:
        """Append rows: for each column a sequence of the same length. NaN in a float column means None.

        Raises:
            ValueError: a column is missing, unknown, of another length or another kind.
            SessionError: the disk refuses.
        """
        import pyarrow as pa

        if set(values) != {column.name for column in self.columns}:
            wrong = sorted(set(values) ^ {column.name for column in self.columns})
            raise ValueError(f"columns missing or unknown: {', '.join(wrong)}")
        try:
            arrays = [
                pa.array(values[column.name], field.type, from_pandas=column.kind == "float")
                for column, field in zip(self.columns, self._schema, strict=True)
            ]
            batch = pa.record_batch(arrays, schema=self._schema)
        except (pa.ArrowException, OverflowError, UnicodeError) as error:
            raise ValueError(str(error)) from None
        self._waiting.append(batch)
        self._rows += batch.num_rows
        if self._rows >= GROUP_ROWS:
            self._flush()

    def finish(self) -> None:
        """Write the rest and the footer, and give the file its name. Nothing more can be written.

        Raises:
            SessionError: the disk refuses, or something took the name meanwhile.
        """
        if self._writer is None:
            return
        try:
            self._flush()
            self._writer.close()
            self._writer = None
            self._file.flush()
            Disk().sync(self._file.fileno())
            self._file.close()
            publish(self._temporary, self.path)
        except OSError as error:
            problem = f"can't be written ({error.strerror or error})"
            raise SessionError(self.path, problem, "Make room and try again") from None
        finally:
            self.discard()

    def discard(self) -> None:
        """Remove what was not finished."""
        if self._writer is not None:
            with contextlib.suppress(OSError):
                self._writer.close()
            self._writer = None
        with contextlib.suppress(OSError):
            self._file.close()
        with contextlib.suppress(OSError):
            self._temporary.unlink(missing_ok=True)

    def _flush(self) -> None:
        import pyarrow as pa

        if not self._rows:
            return
        try:
            self._writer.write_table(pa.Table.from_batches(self._waiting, self._schema), GROUP_ROWS)
        except OSError as error:
            problem = f"can't be written ({error.strerror or error})"
            raise SessionError(self.path, problem, "Make room and try again") from None
        self._waiting, self._rows = [], 0


def _schema(columns: Sequence[Column], bench: str, program: str) -> "pa.Schema":
    import pyarrow as pa

    types = {
        "int": pa.int64(),
        "float": pa.float64(),
        "text": pa.utf8(),
        "bool": pa.bool_(),
        "floats": pa.list_(pa.float64()),
    }
    fields = [
        pa.field(column.name, types[column.kind], metadata={_UNIT: column.unit.encode()})
        for column in columns
    ]
    metadata = {_BENCH: bench.encode(), _PROGRAM: program.encode(), _FORMAT: str(FORMAT).encode()}
    return pa.schema(fields, metadata)


class Table:
    """A Parquet file of ours, open for reading; a context manager.

    Raises:
        SessionError: it isn't there, or is no such table.
    """

    def __init__(self, path: Path) -> None:
        import pyarrow as pa
        from pyarrow import parquet

        self.path = path
        try:
            need_plain(path)
            # Opened here: the library takes no name that is no UTF-8.
            self._octets = path.open("rb")
            self._file: Any = parquet.ParquetFile(self._octets)
            schema = self._file.schema_arrow
        except FileNotFoundError:
            raise SessionError(path, "is not there", "It is made by `plumbwatt study`") from None
        except (OSError, pa.ArrowException) as error:
            if (octets := getattr(self, "_octets", None)) is not None:
                octets.close()
            problem = f"is not a whole Parquet file ({str(error)[:200]})"
            raise SessionError(path, problem, "Move it away and make it again from the journal") from None
        metadata = schema.metadata or {}
        self.bench = metadata.get(_BENCH, b"").decode("utf-8", "replace")
        """The TOML text of the bench."""
        self.program = metadata.get(_PROGRAM, b"").decode("utf-8", "replace")
        """The version that wrote the table."""
        self.columns = tuple(
            Column(
                field.name,
                _kind(field.type),
                (field.metadata or {}).get(_UNIT, b"").decode("utf-8", "replace"),
            )
            for field in schema
        )
        self.rows: int = self._file.metadata.num_rows
        sizes = (self._file.metadata.row_group(k).num_rows for k in range(self._file.num_row_groups))
        if (largest := max(sizes, default=0)) > MOST_GROUP_ROWS:
            self.close()
            problem = f"is no table of this program (a group of {largest} rows)"
            raise SessionError(path, problem, "Move it away and make it again from the journal")

    def __enter__(self) -> "Table":
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Close the file."""
        self._file.close()
        self._octets.close()

    def groups(self, columns: Sequence[str] | None = None) -> Iterator[dict[str, list[Any]]]:
        """Row group by row group, each column as a list with None where nothing is known.

        Raises:
            SessionError: the file is damaged.
        """
        import pyarrow as pa

        try:
            for number in range(self._file.num_row_groups):
                yield self._file.read_row_group(number, columns=columns).to_pydict()
        except (OSError, pa.ArrowException) as error:
            problem = f"is damaged ({str(error)[:200]})"
            raise SessionError(
                self.path, problem, "Move it away and make it again from the journal"
            ) from None


def _kind(kind: Any) -> Kind:
    import pyarrow as pa

    if pa.types.is_integer(kind):
        return "int"
    if pa.types.is_floating(kind):
        return "float"
    if pa.types.is_list(kind):
        return "floats"
    return "bool" if pa.types.is_boolean(kind) else "text"


def write_table(
    path: Path, columns: Sequence[Column], values: Mapping[str, Sequence[Any]], *, bench: str, program: str
) -> None:
    """A table that is in memory as a whole; see `TableWriter`."""
    with TableWriter(path, columns, bench=bench, program=program) as table:
        table.write(values)


def read_table(path: Path) -> tuple[tuple[Column, ...], dict[str, list[Any]]]:
    """The columns and all values of a table; see `Table` for one that may not fit in memory."""
    with Table(path) as table:
        values: dict[str, list[Any]] = {column.name: [] for column in table.columns}
        for group in table.groups():
            for name, found in group.items():
                values[name] += found
        return table.columns, values
