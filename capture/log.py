"""The capture log: packets that another logger wrote down, read as a session.

A log is JSON lines in ascending time:

    {"t": 1.234, "instrument": "hub", "ble": "2A63", "hex": "..."}
    {"t": 1.250, "instrument": "crank", "ant": 11, "hex": "16 hex digits"}
    {"t": 2.0, "act": "segment", "text": "steady", "instrument": "hub"}

`t` is in seconds. If the first one lies in 0 <= t < 1e6 it is taken as seconds since the
start and kept; any other beginning (the seconds since 1970, the uptime of a computer) is
subtracted, so that the session begins at 0. Seconds since 1970 also give the wall time of
the ticks; otherwise wall time is session time.

A line that can't be used is counted and named, never fatal, and costs no other line:

* time up to 2 s behind the line before: used, at the time of the line before;
* time further back, or more than an hour ahead: left out, unless the next lines agree with
  it. Then the logger's clock was set, or two logs stand behind each other: times go on
  from the last line before the step.
"""

import errno
import math
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from typing import BinaryIO

import msgspec

from capture.log_form import other_form
from capture.record import Act, End, Link, Packet, Record, Tick

LINE_LIMIT = 64 * 1024
"""Octets of the longest line that is read."""
PROBLEM_LIMIT = 100
"""Problems that are kept with their line; the rest is only counted."""
LABEL_LIMIT = 256
"""Different instrument labels that are told apart."""

_START_LIMIT_S = 1e6
_EPOCH_FROM_S, _EPOCH_TO_S = 1e9, 1e11
_BACK_LIMIT_S = 2.0
_AHEAD_LIMIT_S = 3600.0
_AGREEING_LINES = 8
_LABEL_LENGTH = 64
# The longest value of an attribute (Bluetooth Core Specification, Vol 3, Part F, 3.2.9).
_BLE_VALUE_LIMIT = 512
_ANT_PAYLOAD = 8
_HEX_DIGITS = frozenset("0123456789abcdefABCDEF")


class Problem(msgspec.Struct, frozen=True):
    """One thing that is wrong with a log: the line's number, counted from 1, and what it is."""

    line: int
    text: str

    def __str__(self) -> str:
        return f"line {self.line}: {self.text}"


class Tally:
    """What was met while a log was read.

    `problems` holds the first `PROBLEM_LIMIT` of `problem_count`; `labels_seen` counts the
    packets of each instrument in the log, `skipped` those of instruments that nobody asked for.
    """

    def __init__(self) -> None:
        self.lines = 0
        self.problems: list[Problem] = []
        self.problem_count = 0
        self.labels_seen: dict[str, int] = {}
        self.skipped: dict[str, int] = {}

    def problem(self, line: int, text: str) -> None:
        """Count one problem, and keep it if there is room."""
        self.problem_count += 1
        if len(self.problems) < PROBLEM_LIMIT:
            self.problems.append(Problem(line, text))


class _Line(msgspec.Struct):
    t: float
    instrument: str | None = None
    ble: str | None = None
    ant: int | None = None
    hex: str | None = None
    act: str | None = None
    text: str | None = None


class _LineError(ValueError):
    pass


class _Entry(msgspec.Struct):
    """A good line before it has a place in session time."""

    line: int
    t: float
    label: str
    channel: str = ""
    data: bytes = b""
    act: str = ""
    text: str = ""


_decode = msgspec.json.Decoder(_Line).decode


def _label(line: _Line) -> str:
    label = line.instrument or ""
    if len(label) > _LABEL_LENGTH or not label.isprintable():
        raise _LineError(f"instrument is not a label of up to {_LABEL_LENGTH} printable characters")
    return label


def _parse(number: int, text: str | bytes) -> _Entry:
    """One line as an entry.

    Raises:
        _LineError: with the reason, for whatever is wrong with it.
    """
    if len(text) > LINE_LIMIT + 1:
        raise _LineError(f"longer than {LINE_LIMIT} octets")
    try:
        line = _decode(text)
    except msgspec.ValidationError as error:
        raise _LineError(str(error).replace("`$.", "`").replace("Object", "line")) from None
    except (msgspec.DecodeError, UnicodeError, RecursionError) as error:
        raise _LineError(f"not JSON ({error})") from None
    if not math.isfinite(line.t):
        raise _LineError("t is not a finite number")
    kinds = [key for key in ("ble", "ant", "act") if getattr(line, key) is not None]
    if len(kinds) != 1:
        found = " and ".join(kinds) or "none"
        raise _LineError(f"needs exactly one of the keys ble, ant and act, has {found}")
    label = _label(line)
    if line.act is not None:
        if not line.act or len(line.act) > _LABEL_LENGTH:
            raise _LineError(f"act is empty or longer than {_LABEL_LENGTH} characters")
        return _Entry(number, line.t, label, act=line.act, text=line.text or "")
    if not label:
        raise _LineError("has no instrument")
    channel, data = _payload(line)
    return _Entry(number, line.t, label, channel, data)


def _payload(line: _Line) -> tuple[str, bytes]:
    """Channel and octets of a line that holds a packet; _LineError with the reason."""
    if line.hex is None:
        raise _LineError("has no hex")
    try:
        data = bytes.fromhex(line.hex)
    except ValueError:
        raise _LineError("hex is not an even number of hex digits") from None
    if line.ble is not None:
        if len(line.ble) != 4 or not _HEX_DIGITS.issuperset(line.ble):
            raise _LineError("ble is not the four hex digits of a characteristic, such as 2A63")
        if len(data) > _BLE_VALUE_LIMIT:
            raise _LineError(f"hex holds {len(data)} octets, a characteristic has up to {_BLE_VALUE_LIMIT}")
        return line.ble.upper(), data
    assert line.ant is not None
    if not 1 <= line.ant <= 127:
        raise _LineError("ant is not a device type of 1 to 127, such as 11")
    if len(data) != _ANT_PAYLOAD:
        raise _LineError(f"hex holds {len(data)} octets, an ANT message has {_ANT_PAYLOAD}")
    return f"ant{line.ant}", data


class _Timeline:
    """Gives entries their session time; holds back those that jump until others agree."""

    def __init__(self, tally: Tally) -> None:
        self._tally = tally
        self._base_s: float | None = None
        self._last_s = 0.0
        self._held: list[_Entry] = []
        self._utc_s = 0.0

    @property
    def utc_base_ns(self) -> int:
        """What to add to session time for the wall time, nanoseconds."""
        # A float of today's seconds since 1970 is good to a quarter of a microsecond.
        return round(self._utc_s * 1e6) * 1000

    def place(self, entry: _Entry) -> Iterator[tuple[float, _Entry]]:
        """The entries that can be given out now, with session time in seconds, never going back."""
        if self._base_s is None:
            self._rebase(0.0 if 0.0 <= entry.t < _START_LIMIT_S else entry.t)
            assert self._base_s is not None
            self._last_s = entry.t - self._base_s
        at_s = entry.t - self._base_s
        if self._last_s - _BACK_LIMIT_S <= at_s <= self._last_s + _AHEAD_LIMIT_S:
            self.drop_held()
            yield self._advance(at_s, entry), entry
            return
        if self._held and not -_BACK_LIMIT_S <= entry.t - self._held[-1].t <= _AHEAD_LIMIT_S:
            self.drop_held()
        self._held.append(entry)
        if len(self._held) < _AGREEING_LINES:
            return
        held, self._held = self._held, []
        self._tally.problem(
            held[0].line,
            f"t steps by {self._step(held[0]):+.3f} s and stays there; times go on from the line before",
        )
        self._rebase(held[0].t - self._last_s)
        assert self._base_s is not None
        for one in held:
            yield self._advance(one.t - self._base_s, one), one

    def drop_held(self) -> None:
        """Give up the entries held back: nothing agreed with them."""
        for entry in self._held:
            self._tally.problem(entry.line, f"t jumps by {self._step(entry):+.3f} s; the line is left out")
        self._held = []

    def _step(self, entry: _Entry) -> float:
        return entry.t - (self._base_s or 0.0) - self._last_s

    def _rebase(self, base_s: float) -> None:
        self._base_s = base_s
        self._utc_s = base_s if _EPOCH_FROM_S <= base_s < _EPOCH_TO_S else 0.0

    def _advance(self, at_s: float, entry: _Entry) -> float:
        if at_s < self._last_s:
            back_s = self._last_s - at_s
            self._tally.problem(
                entry.line, f"t goes back by {back_s:.3f} s; the time of the line before is taken"
            )
        self._last_s = max(self._last_s, at_s)
        return self._last_s


def read_log(
    lines: Iterable[str | bytes],
    labels: Mapping[str, str] | None = None,
    tally: Tally | None = None,
) -> Iterator[Record]:
    """The records of a capture log, one line at a time, in order of time.

    Between the lines of the log come a `Link` "up" before the first packet of each instrument, a
    `Tick` at each whole second of session time from the one in which the log begins to its
    last, and an `End`.

    Args:
        lines: the lines of the log, text or UTF-8. Lines over 64 KiB are named, not read.
        labels: instrument label in the log -> label in the session. Packets and acts of other
            instruments are skipped and counted (`segment` and other acts of the whole bench
            stay). None: every instrument, under its own label.
        tally: is told what was met; see `Tally`.
    """
    tally = Tally() if tally is None else tally
    timeline = _Timeline(tally)
    next_tick: int | None = None
    t_ns = 0
    up: dict[str, None] = {}
    for number, text in enumerate(lines, start=1):
        tally.lines = number
        stripped = text.strip()
        if not stripped:
            continue
        if number == 1:
            stripped = (
                stripped.removeprefix("\ufeff")
                if isinstance(stripped, str)
                else stripped.removeprefix(b"\xef\xbb\xbf")
            )
        try:
            entry = _parse(number, stripped)
        except _LineError as error:
            tally.problem(number, str(error))
            continue
        for at_s, placed in timeline.place(entry):
            t_ns = round(at_s * 1e9)
            if next_tick is None:
                next_tick = int(at_s)
            while next_tick * 1_000_000_000 <= t_ns:
                tick_ns = next_tick * 1_000_000_000
                yield Tick(tick_ns, tick_ns + timeline.utc_base_ns)
                next_tick += 1
            yield from _records(placed, t_ns, labels, tally, up)
    timeline.drop_held()
    yield End(t_ns, "end of the log")


def _records(
    entry: _Entry, t_ns: int, labels: Mapping[str, str] | None, tally: Tally, up: dict[str, None]
) -> Iterator[Record]:
    label: str | None = entry.label
    if entry.label and labels is not None:
        label = labels.get(entry.label)
    if entry.act:
        if label is None and entry.act != "segment":
            _count(tally.skipped, entry.label)
            return
        yield Act(t_ns, entry.act, entry.text, label or "")
        return
    _count(tally.labels_seen, entry.label)
    if label is None:
        _count(tally.skipped, entry.label)
        return
    if label not in up:
        up[label] = None
        yield Link(t_ns, label, "up", "log")
    yield Packet(t_ns, label, entry.channel, entry.data)


def _count(counts: dict[str, int], label: str) -> None:
    if label not in counts and len(counts) >= LABEL_LIMIT:
        label = "..."
    counts[label] = counts.get(label, 0) + 1


def _bounded_lines(file: BinaryIO) -> Iterator[bytes]:
    """The lines of a file; of an over-long one only its beginning, longer than the limit."""
    while line := file.readline(LINE_LIMIT + 2):
        if not line.endswith(b"\n") and len(line) == LINE_LIMIT + 2:
            while (rest := file.readline(LINE_LIMIT)) and not rest.endswith(b"\n"):
                pass
        yield line


class LogScript:
    """A capture log as a script: the file is read anew by each call of `records`.

    Args:
        path: the log.
        labels: instrument label in the log (the target of a link `log:LABEL`) -> label of the
            instrument in the session. None: every instrument, under its own label.
    """

    def __init__(self, path: str | Path, labels: Mapping[str, str] | None = None) -> None:
        self.path = Path(path)
        self.labels = dict(labels) if labels is not None else None
        self.tally = Tally()

    @property
    def problems(self) -> list[Problem]:
        """The first problems of the present or last reading; `problem_count` tells them all."""
        return self.tally.problems

    @property
    def problem_count(self) -> int:
        """How many problems the present or last reading has met."""
        return self.tally.problem_count

    @property
    def labels_seen(self) -> dict[str, int]:
        """The instruments of the log so far, each with its number of packets."""
        return self.tally.labels_seen

    def records(self) -> Iterator[Record]:
        """All records from the beginning; see `read_log`.

        Raises:
            OSError: the file can't be read, or is in another form; see `capture.log_form`.
        """
        self.tally = Tally()
        if (form := other_form(self.path)) is not None:
            raise OSError(errno.EINVAL, form, str(self.path))
        with self.path.open("rb") as file:
            yield from read_log(_bounded_lines(file), self.labels, self.tally)

    def write(self, instrument: str, channel: str, data: bytes) -> str:
        """Why nothing can be sent to an instrument of a log."""
        return "a log can't be written to"


def to_log(records: Iterable[Record]) -> Iterator[str]:
    """The lines (without line ends) of a capture log that holds the packets and acts of `records`.

    Everything else of a session (links, ticks, writes, ANT extended data) has no place in a log.
    Times are written in seconds with nine decimals, so that they come back to the nanosecond.
    """
    for record in records:
        if not isinstance(record, Packet | Act):
            continue
        seconds, rest = divmod(record.t_ns, 1_000_000_000)
        line: dict[str, object] = {"t": msgspec.Raw(f"{seconds}.{rest:09d}".encode())}
        if record.instrument:
            line["instrument"] = record.instrument
        if isinstance(record, Act):
            line |= {"act": record.act, "text": record.text}
        else:
            if record.channel.startswith("ant"):
                line["ant"] = int(record.channel.removeprefix("ant"))
            else:
                line["ble"] = record.channel
            line["hex"] = record.data.hex().upper()
        yield msgspec.json.encode(line).decode()
