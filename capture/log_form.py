"""What a file that is given as a capture log is instead, as far as its beginning shows it."""

import itertools
import statistics
from pathlib import Path

import msgspec

LOOK_OCTETS = 1 << 18
LOOK_PACKETS = 8
"""So many packets on one channel, at least, for their distance in time to be judged."""
SLOWEST_S = 30.0
"""Power meters, trainers and cadence sensors send each second or more often, and batteries each minute: where
no channel comes more often than this, the times are no seconds (common practice, no source)."""

# RFC 1952, 2.3.1 (gzip); RFC 8878, 3.1.1 (zstd); the others as `file` knows them (from memory).
_PACKED = {
    b"\x1f\x8b": "gzip",
    b"BZh": "bzip2",
    b"\xfd7zXZ\x00": "xz",
    b"PK\x03\x04": "zip",
    b"\x28\xb5\x2f\xfd": "zstd",
}
# RFC 2781, 3.2; with four octets a sign UTF-32 begins like UTF-16.
_MARKS = (b"\xff\xfe", b"\xfe\xff")
# From so many of them on it is this unit and not the one before; and its number in a second.
_UNITS = ((1.0, "milliseconds", "1000"), (1e3, "microseconds", "1000000"), (1e6, "nanoseconds", "1000000000"))
_YEAR_5000_S = 1e11


class _Line(msgspec.Struct):
    t: float
    instrument: str = ""
    ble: str | None = None
    ant: int | None = None


def other_form(path: Path) -> str | None:
    """What the file is, and what to do, if it can't be a log in seconds; None: it may be one.

    Raises OSError if it can't be read.
    """
    with path.open("rb") as file:
        beginning = file.read(LOOK_OCTETS)
    for mark, name in _PACKED.items():
        if beginning.startswith(mark):
            return f"it is compressed ({name}): unpack it first"
    # JSON begins with ASCII: in UTF-16 each second octet is zero.
    if beginning.startswith(_MARKS) or b"\x00" in beginning[:4]:
        return "it is UTF-16 text: save it as UTF-8"
    return _other_unit(beginning)


def _other_unit(beginning: bytes) -> str | None:
    times: dict[tuple[str, str | int | None], list[float]] = {}
    first: float | None = None
    for text in beginning.removeprefix(b"\xef\xbb\xbf").split(b"\n")[:-1]:
        try:
            line = _decode(text)
        except (msgspec.MsgspecError, UnicodeError, RecursionError):
            continue  # each such line is named when the log is read
        first = line.t if first is None else first
        channel = line.ble if line.ble is not None else line.ant
        if channel is not None:
            times.setdefault((line.instrument, channel), []).append(line.t)
    for least, unit, by in reversed(_UNITS):
        if first is not None and first >= least * _YEAR_5000_S:
            return f"its times are {unit} since 1970: t is in seconds, divide it by {by}"
    steps = [
        statistics.median(b - a for a, b in itertools.pairwise(each))
        for each in times.values()
        if len(each) >= LOOK_PACKETS
    ]
    for least, unit, by in reversed(_UNITS):
        if steps and min(steps) > least * SLOWEST_S:
            apart = f"packets are {min(steps):.0f} apart"
            return f"its times look like {unit}, {apart}: t is in seconds, divide it by {by}"
    return None


_decode = msgspec.json.Decoder(_Line).decode
