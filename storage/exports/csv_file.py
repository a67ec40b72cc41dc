"""Comma-separated values as RFC 4180 has them, safe to open in a spreadsheet."""

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from storage.tables import Column

DANGEROUS = ("=", "+", "-", "@", "\t", "\r", "|", "＝", "＋", "－", "＠")
"""A text that begins like this, wide forms among it, is run as a formula by some spreadsheet programs."""


def header_of(column: Column) -> str:
    """A column's name with its unit: `hub.power_w (W)`."""
    return f"{column.name} ({column.unit})" if column.unit not in ("", "1") else column.name


def cell(value: object) -> str:
    """One value as a field: numbers as they are, texts made harmless and quoted where they must be.

    A list of numbers has spaces between them. A text that a spreadsheet would run gets an apostrophe in
    front. Unknown (None, nan) is empty, an empty text is quoted.
    """
    if value is None or (isinstance(value, float) and not math.isfinite(value)):
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int | float):
        return repr(value)
    if isinstance(value, list):
        return " ".join(repr(each) for each in value if isinstance(each, int | float))
    text = str(value)
    if text.lstrip(" ").startswith(DANGEROUS):
        text = f"'{text}"
    if not text or text != text.strip() or any(sign in text for sign in ',"\r\n'):
        return '"' + text.replace('"', '""') + '"'
    return text


def csv_lines(columns: Sequence[Column], groups: Iterable[Mapping[str, Sequence[Any]]]) -> Iterator[str]:
    """The lines of a file, each with its line end; `groups` are parts of a table in order."""
    yield ",".join(cell(header_of(column)) for column in columns) + "\r\n"
    names = [column.name for column in columns]
    for group in groups:
        for row in zip(*(group[name] for name in names), strict=True):
            yield ",".join(map(cell, row)) + "\r\n"


def write_csv(path: Path, columns: Sequence[Column], groups: Iterable[Mapping[str, Sequence[Any]]]) -> None:
    """A new file; it must not exist yet (FileExistsError)."""
    with path.open("x", encoding="utf-8", newline="") as file:
        file.writelines(csv_lines(columns, groups))
