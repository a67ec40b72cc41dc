"""A recording as octets and back, exactly: what a pass over the journal gave, so that it need not run again.

A ZIP file as numpy's `.npz` (NumPy Enhancement Proposal 1): one array a member, in the octets that memory
holds, and `head.json` for the rest. Nothing in it is evaluated. It is read by its own measure: what each
member must hold follows from the head, and whatever is not just that is refused.
"""

import io
import math
import zipfile
from collections.abc import Iterator, Mapping
from dataclasses import asdict
from typing import Annotated, Any, NamedTuple

import msgspec
import numpy as np

from capture.record import Act, Header, Link, Write
from monitor.analysis.changes.shift import Shift
from monitor.analysis.curve import COLUMNS
from monitor.analysis.statistics import Floats
from monitor.analysis.stroke.series import Arrays, Series, Side
from monitor.analysis.stroke.shape import BINS
from monitor.analysis.stroke.track import FIELDS, POSITIONS
from monitor.analysis.stroke.vector import Vectors
from monitor.finding import Finding
from monitor.finding import Side as FindingSide
from monitor.setup.bench import parse_bench
from monitor.setup.protocol import Protocol, Segment
from monitor.study.recording import Recording

FORMAT = 1
HEAD = "head.json"
MOST_HEAD_OCTETS = 64 << 20
MOST_OCTETS = 256 << 20
"""Of all arrays together: a day of four instruments with the stroke of two has half of it."""
WORDS = ("", *POSITIONS)
"""Positions of the rider, by the number that stands for them in an array."""

Count = Annotated[int, msgspec.Meta(ge=0, le=1 << 40)]
Rows = Annotated[int, msgspec.Meta(ge=0, le=MOST_OCTETS)]


class KeptError(ValueError):
    """Octets that are no recording of this program."""


class _Finding(Finding, frozen=True, kw_only=True):
    """A finding whose numbers come back as they were: a limit of 245 is not 245.0 where it is printed."""

    t_s: int | float
    value: int | float | None
    limit: int | float | None
    since_s: int | float


class _Shift(msgspec.Struct, frozen=True):
    """The same of a step or drift."""

    since_s: int | float
    found_s: int | float
    percent: int | float
    side: FindingSide
    drift: bool
    until_s: int | float | None
    percent_per_hour: int | float | None
    u95_per_hour: int | float | None
    open: bool


class _Stroke(msgspec.Struct, frozen=True):
    place: str
    shapes: bool
    facts: list[str]
    peaks: list[Side]
    packets: Count
    lost_packets: Count
    unplaced_packets: Count


class _Head(msgspec.Struct, frozen=True):
    format: int
    header: Header
    plan: tuple[Segment, ...] | None
    plan_text: str
    findings: list[_Finding]
    acts: list[Act]
    links: list[Link]
    writes: list[Write]
    seconds: float
    records: Count
    lost_records: Count
    closed: bool
    facts: list[dict[str, int | float | str]]
    packets: list[Count]
    bad_packets: list[Count]
    missed: list[Count]
    shifts: dict[int, list[_Shift]]
    side_references: dict[int, int | None]
    missing: str
    late_stamps: str
    planned_as: dict[int, str]
    cells: Rows
    arrivals: list[Rows]
    shown: list[Rows]
    holds: list[Rows]
    placed: Rows
    strokes: dict[int, _Stroke]


class _Member(NamedTuple):
    """One array of the file; `finite`: nan and infinity have no meaning in it."""

    name: str
    dtype: str
    shape: tuple[int, ...]
    finite: bool = True

    @property
    def start(self) -> bytes:
        """What stands before the numbers: the header of a `.npy` file, version 1.0."""
        text = f"{{'descr': '{self.dtype}', 'fortran_order': False, 'shape': {self.shape!r}, }}".encode()
        text += b" " * (-(len(text) + 11) % 64) + b"\n"
        return b"\x93NUMPY\x01\x00" + len(text).to_bytes(2, "little") + text

    @property
    def octets(self) -> int:
        """How long its numbers are."""
        return math.prod(self.shape) * np.dtype(self.dtype).itemsize


def kept_octets(recording: Recording) -> bytes | None:
    """A recording as octets; None if it has something that they could not give back exactly."""
    try:
        head = _head(recording)
        text = msgspec.json.encode(head)
        if msgspec.json.encode(msgspec.json.decode(text, type=_Head)) != text:
            # A number that JSON has no word for.
            return None
        octets = _packed(text, head, recording)
        recording_of(octets)
    except (KeptError, msgspec.MsgspecError, TypeError, UnicodeError, OverflowError):
        return None
    return octets


def _head(recording: Recording) -> _Head:
    protocol = recording.protocol
    return _Head(
        format=FORMAT,
        header=recording.header,
        plan=None if protocol is None else protocol.segments,
        plan_text="" if protocol is None else protocol.text,
        findings=[_Finding(**msgspec.structs.asdict(each)) for each in recording.findings],
        acts=recording.acts,
        links=recording.links,
        writes=recording.writes,
        seconds=recording.seconds,
        records=recording.records,
        lost_records=recording.lost_records,
        closed=recording.closed,
        facts=recording.facts,
        packets=recording.packets,
        bad_packets=recording.bad_packets,
        missed=recording.missed,
        shifts={i: [_Shift(**asdict(each)) for each in lot] for i, lot in recording.shifts.items()},
        side_references=recording.side_references,
        missing=recording.missing,
        late_stamps=recording.late_stamps,
        planned_as=dict(recording.planned_as),
        cells=len(recording.cells),
        arrivals=[len(each) for each in recording.arrivals],
        shown=[len(each) for each in recording.shown],
        holds=[len(each) for each in recording.holds],
        placed=len(recording.placed),
        strokes={
            i: _Stroke(
                series.place,
                series.shapes is not None,
                list(series.facts),
                list(series.peaks),
                series.vectors.packets,
                series.vectors.lost_packets,
                series.vectors.unplaced_packets,
            )
            for i, series in recording.strokes.items()
        },
    )


def _members(head: _Head, n: int) -> Iterator[_Member]:
    """Every array that a file with this head holds, of a session of `n` instruments."""
    yield _Member("cells", "<f8", (head.cells, n, COLUMNS))
    for i in range(n):
        yield _Member(f"arrivals-{i}", "<f8", (head.arrivals[i],))
        yield _Member(f"shown-{i}", "<f8", (head.shown[i], 2))
        yield _Member(f"holds-{i}", "<f8", (head.holds[i], 4), finite=False)
    yield _Member("placed", "<f8", (head.placed,), finite=False)
    for i, stroke in head.strokes.items():
        if stroke.shapes:
            yield _Member(f"stroke-{i}-shapes", "<f4", (head.cells, 3, BINS))
        for name in stroke.facts:
            yield _Member(f"stroke-{i}-{name}", "<f8", (head.cells,), finite=False)
        for side in stroke.peaks:
            yield _Member(f"stroke-{i}-peak-{side}", "<f8", (head.cells,), finite=False)
        yield _Member(f"stroke-{i}-position", "|u1", (head.cells,))


def _packed(text: bytes, head: _Head, recording: Recording) -> bytes:
    arrays: dict[str, Any] = {"cells": recording.cells, "placed": recording.placed}
    for i in range(len(recording.arrivals)):
        arrays[f"arrivals-{i}"] = recording.arrivals[i]
        arrays[f"shown-{i}"] = recording.shown[i]
        arrays[f"holds-{i}"] = recording.holds[i]
    for i, series in recording.strokes.items():
        arrays[f"stroke-{i}-shapes"] = series.shapes
        arrays |= {f"stroke-{i}-{name}": values for name, values in series.facts.items()}
        arrays |= {f"stroke-{i}-peak-{side}": values for side, values in series.peaks.items()}
        codes = np.zeros(len(series.position), dtype=np.uint8)
        for code, word in enumerate(WORDS):
            codes[series.position == word] = code
        arrays[f"stroke-{i}-position"] = codes
    file = io.BytesIO()
    with zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as packed:
        _put(packed, HEAD, text)
        for member in _members(head, len(recording.labels)):
            array = arrays[member.name]
            if array.shape != member.shape or array.dtype != np.dtype(member.dtype):
                raise KeptError(f"{member.name} is {array.dtype} {array.shape}")
            _put(packed, f"{member.name}.npy", member.start + array.tobytes())
    return file.getvalue()


def _put(packed: zipfile.ZipFile, name: str, data: bytes) -> None:
    # Without the time of writing: the same recording gives the same octets.
    info = zipfile.ZipInfo(name)
    info.compress_type = zipfile.ZIP_DEFLATED
    packed.writestr(info, data)


def recording_of(octets: bytes) -> Recording:
    """The recording in these octets. KeptError: they are none, or hold what no recording could.

    Memory is bounded by MOST_OCTETS, whatever they say.
    """
    try:
        with zipfile.ZipFile(io.BytesIO(octets)) as packed:
            head = msgspec.json.decode(_member(packed, HEAD, MOST_HEAD_OCTETS), type=_Head)
            return _unpacked(packed, head)
    except KeptError:
        raise
    except Exception as error:
        # A torn ZIP file has a dozen ways to be wrong, and the bench in it another.
        raise KeptError(f"{type(error).__name__}: {error}") from None


def _unpacked(packed: zipfile.ZipFile, head: _Head) -> Recording:
    if head.format != FORMAT:
        raise KeptError(f"format {head.format}")
    bench = parse_bench(head.header.bench, "the recorded bench")
    n = len(bench.instruments)
    each = (head.facts, head.packets, head.bad_packets, head.missed, head.arrivals, head.shown, head.holds)
    if any(len(lot) != n for lot in each) or not math.isfinite(head.seconds):
        raise KeptError("of another bench")
    known = {*head.strokes, *head.shifts, *head.side_references}
    known |= {j for j in head.side_references.values() if j is not None}
    if not known <= set(range(n)) or any(not set(s.facts) <= set(FIELDS) for s in head.strokes.values()):
        raise KeptError("of instruments that are not there")
    members = list(_members(head, n))
    names = [HEAD, *(f"{member.name}.npy" for member in members)]
    if packed.namelist() != names or sum(member.octets for member in members) > MOST_OCTETS:
        raise KeptError("other members than the head tells")
    arrays = {member.name: _array(packed, member) for member in members}
    for i in range(n):
        times = arrays[f"arrivals-{i}"]
        if (np.diff(times) < 0.0).any():
            raise KeptError("packets that came before those before them")
    return Recording(
        header=head.header,
        bench=bench,
        protocol=None if head.plan is None else Protocol(segments=head.plan, text=head.plan_text),
        cells=arrays["cells"],
        findings=[Finding(**msgspec.structs.asdict(each)) for each in head.findings],
        acts=head.acts,
        links=head.links,
        writes=head.writes,
        seconds=head.seconds,
        records=head.records,
        lost_records=head.lost_records,
        closed=head.closed,
        facts=[dict(facts) for facts in head.facts],
        packets=head.packets,
        bad_packets=head.bad_packets,
        missed=head.missed,
        shifts={i: [Shift(**msgspec.structs.asdict(each)) for each in lot] for i, lot in head.shifts.items()},
        side_references=head.side_references,
        arrivals=[arrays[f"arrivals-{i}"] for i in range(n)],
        shown=[arrays[f"shown-{i}"] for i in range(n)],
        holds=[arrays[f"holds-{i}"] for i in range(n)],
        placed=arrays["placed"],
        missing=head.missing,
        late_stamps=head.late_stamps,
        strokes={
            i: _series(i, stroke, head.cells, arrays, bench.instruments[i].sides)
            for i, stroke in head.strokes.items()
        },
        planned_as=head.planned_as,
    )


def _series(i: int, stroke: _Stroke, seconds: int, arrays: Mapping[str, Any], measures: str) -> Series:
    codes = arrays[f"stroke-{i}-position"]
    if len(codes) and codes.max() >= len(WORDS):
        raise KeptError("a position that is none")
    vectors = Vectors()
    vectors.packets, vectors.lost_packets = stroke.packets, stroke.lost_packets
    vectors.unplaced_packets = stroke.unplaced_packets
    found = Arrays(
        arrays.get(f"stroke-{i}-shapes"),
        {name: arrays[f"stroke-{i}-{name}"] for name in stroke.facts},
        {side: arrays[f"stroke-{i}-peak-{side}"] for side in stroke.peaks},
        np.array(WORDS, dtype="U14")[codes],
    )
    return Series(seconds, found, vectors, stroke.place, measures)


def _member(packed: zipfile.ZipFile, name: str, most: int) -> bytes:
    """A member of at most so many octets; a small one can say that it unfolds to any length."""
    with packed.open(name) as file:
        data = file.read(most + 1)
    if len(data) > most:
        raise KeptError(f"{name} is longer than it may be")
    return data


def _array(packed: zipfile.ZipFile, member: _Member) -> Floats:
    start = member.start
    data = _member(packed, f"{member.name}.npy", len(start) + member.octets)
    if not data.startswith(start) or len(data) != len(start) + member.octets:
        raise KeptError(f"{member.name} has not the shape that the head tells")
    values: Floats = np.frombuffer(data, member.dtype, offset=len(start)).reshape(member.shape).copy()
    if member.finite and not np.isfinite(values).all():
        raise KeptError(f"{member.name} has numbers that are none")
    return values
