"""Rides as plain tables (CSV): a column of time and named columns with their units, mapped once.

A column is known by a name of ours that tells its unit (`power_w`, `time_s`); what is called otherwise
is mapped: `power_w=Watts`, `cadence_rpm=Cadence (rpm)`.
"""

import csv
import io
import math
import re
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path

import numpy as np

from monitor.study.rides.fit import MOST_POWER_W, read_octets
from monitor.study.rides.ride import MOST_RECORDS, RideFile, RideFileError, Row, checked
from monitor.text import plain

TIMES = {"time_s": 1.0, "time_ms": 0.001, "time_min": 60.0}
"""Columns of time from an unknown beginning, in seconds."""
STAMPS = {"unix_s": 1.0, "unix_ms": 0.001}
"""Columns of Unix time, in seconds."""
UTC = "utc"
"""A column of dates and times by ISO 8601 (RFC 3339); without a zone they are read as UTC."""
QUANTITIES = {
    "power_w": (1.0, -500.0, MOST_POWER_W), "power_kw": (1000.0, -500.0, MOST_POWER_W),
    "left_w": (1.0, -500.0, MOST_POWER_W), "right_w": (1.0, -500.0, MOST_POWER_W),
    "left_percent": (1.0, 0.0, 100.0), "right_percent": (1.0, 0.0, 100.0), "left_share": (100.0, 0.0, 100.0),
    "cadence_rpm": (1.0, 0.0, 254.0), "cadence_hz": (60.0, 0.0, 254.0),
    "torque_nm": (1.0, -500.0, 1000.0),
}  # fmt: skip
"""What a column may hold, by its name: the factor to our unit, and the range of what is believed."""
NAMES = (*TIMES, *STAMPS, UTC, *QUANTITIES)
_STAMP = re.compile(r"\d{4}-\d\d-\d\d[T ]\d\d:\d\d:\d\d(?:\.\d{1,9})?")
_ZONE = re.compile(r"(Z|z|[+-]\d\d:?\d\d)$")


def read_table(path: Path, columns: Mapping[str, str] | None = None) -> RideFile:
    """Read a CSV. `columns` maps a name of NAMES to the header that holds it.

    RideFileError: a column is missing, or there is no ride in it, with the reason.
    """
    text = _text(path)
    dialect = _dialect(text)
    lines = csv.reader(io.StringIO(text), dialect)
    header = [cell.strip() for cell in next(_lines(path, lines), [])]
    at = _found(path, header, columns or {})
    rows: list[Row] = []
    bad = wild = 0
    for number, cells in enumerate(_lines(path, lines)):
        if number >= MOST_RECORDS:
            raise RideFileError(path, f"holds more than {MOST_RECORDS} rows", "Give the file of one ride")
        if not any(cells):
            continue
        time_s = _time(cells, at)
        if time_s is None:
            bad += 1
            continue
        values: dict[str, float | None] = {}
        for name, (factor, low, high) in QUANTITIES.items():
            value = _number(cells, at.get(name), dialect.delimiter)
            value = value * factor if value is not None else None
            if value is not None and not low <= value <= high:
                wild, value = wild + 1, None
            values[name] = value
        rows.append(_row(time_s, values))
    problems = []
    if bad:
        problems.append(f"{bad} rows have no readable time and were left out")
    if wild:
        problems.append(f"{wild} impossible values were left out")
    if not rows and bad:
        raise RideFileError(path, "has no readable time in any row", "Name its column: time_s, unix_s or utc")
    utc = not any(name in at for name in TIMES)
    return checked(path, "CSV", rows, utc=utc, problems=problems)


def _lines(path: Path, lines: Iterator[list[str]]) -> Iterator[list[str]]:
    try:
        yield from lines
    except csv.Error as error:
        raise RideFileError(path, f"is no table ({error})", "Save it as CSV") from None


def _row(time_s: float, v: Mapping[str, float | None]) -> Row:
    power, cadence = v["power_w"], v["cadence_rpm"]
    if power is None:
        power = v["power_kw"]
    if cadence is None:
        cadence = v["cadence_hz"]
    left, right = v["left_w"], v["right_w"]
    if power is None and left is not None and right is not None:
        power = left + right
    if power is not None and left is not None and right is None:
        right = power - left
    elif power is not None and right is not None and left is None:
        left = power - right
    if power is None and v["torque_nm"] is not None and cadence is not None:
        power = v["torque_nm"] * cadence * math.tau / 60.0
    share = v["left_percent"] if v["left_percent"] is not None else v["left_share"]
    if share is None and v["right_percent"] is not None:
        share = 100.0 - v["right_percent"]
    return Row(time_s, power, cadence, share, share is not None, left, right)


def _text(path: Path) -> str:
    data = read_octets(path)
    for encoding in ("utf-8-sig", "utf-16") if data[:2] in (b"\xff\xfe", b"\xfe\xff") else ("utf-8-sig",):
        try:
            text = data.decode(encoding)
        except UnicodeError:
            continue
        if "\0" not in text:
            return text
    raise RideFileError(path, "is no text in UTF-8", "Save it as CSV in UTF-8")


def _dialect(text: str) -> type[csv.Dialect]:
    head = text[:4096].partition("\n")[0]
    delimiter_ = max(",;\t", key=head.count)

    class Found(csv.excel):
        delimiter = delimiter_

    return Found


def _found(path: Path, header: Sequence[str], columns: Mapping[str, str]) -> dict[str, int]:
    """Where each quantity stands."""
    lower = [cell.lower() for cell in header]
    at: dict[str, int] = {}
    for name, wanted in columns.items():
        if name not in NAMES:
            raise RideFileError(path, f"{plain(name, 30)} is no quantity", f"Known: {', '.join(NAMES)}")
        if wanted in header:
            at[name] = header.index(wanted)
        elif wanted.lower() in lower:
            at[name] = lower.index(wanted.lower())
    for name in NAMES:
        if name not in at and name in lower:
            at[name] = lower.index(name)
    shown = ", ".join(plain(cell, 30) for cell in header[:20]) or "none"
    if not any(name in at for name in (*TIMES, *STAMPS, UTC)):
        remedy = f"Name its column: --column time_s=HEADER, unix_s or utc. Its headers: {shown}"
        raise RideFileError(path, "has no column of time", remedy)
    needed = ("power_w", "power_kw", "torque_nm")
    if not any(name in at for name in needed) and not ("left_w" in at and "right_w" in at):
        remedy = f"Name its column: --column power_w=HEADER. Its headers: {shown}"
        raise RideFileError(path, "has no column of power", remedy)
    return at


def _cell(cells: Sequence[str], at: int | None) -> str:
    return cells[at].strip() if at is not None and at < len(cells) else ""


def _number(cells: Sequence[str], at: int | None, delimiter: str) -> float | None:
    text = _cell(cells, at)
    if not text:
        return None
    if delimiter != "," and "," in text and "." not in text:
        text = text.replace(",", ".")
    try:
        value = float(text)
    except ValueError:
        return None
    return value if math.isfinite(value) else None


def _time(cells: Sequence[str], at: Mapping[str, int]) -> float | None:
    for name, factor in (*TIMES.items(), *STAMPS.items()):
        if name in at:
            value = _number(cells, at[name], ";")
            return value * factor if value is not None and abs(value) < 1e14 else None
    return unix_s(_cell(cells, at[UTC]))


def unix_s(text: str) -> float | None:
    """A date and time by ISO 8601 as Unix seconds; without a zone it is UTC. None: it is none."""
    zone_s = 0.0
    if (zone := _ZONE.search(text)) is not None:
        text = text[: zone.start()]
        if zone[1] not in "Zz":
            sign = -1.0 if zone[1][0] == "-" else 1.0
            zone_s = sign * (3600.0 * int(zone[1][1:3]) + 60.0 * int(zone[1][-2:]))
    if not _STAMP.fullmatch(text):
        return None
    try:
        # No zone is left in it: numpy reads it as UTC.
        seconds, rest = divmod(
            int(np.datetime64(text.replace(" ", "T"), "ns").astype(np.int64)), 1_000_000_000
        )
        return seconds + rest / 1e9 - zone_s
    except ValueError:
        return None
