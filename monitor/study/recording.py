"""A finished session as arrays: the journal run once through the pipeline, at full speed.

Study, tables and report start from here; nothing in it is computed twice. It holds one
row a second per instrument, the acts, the links and the findings, never the packets.
"""

import math
from array import array
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field

import msgspec
import numpy as np

from capture.record import Act, End, Header, Link, Packet, Record, Store, Tick, Write
from capture.sample import Reading
from monitor.analysis.changes.shift import Shift
from monitor.analysis.curve import COLUMNS
from monitor.analysis.statistics import Floats
from monitor.analysis.stroke.series import Series
from monitor.analysis.stroke.track import StrokeSecond
from monitor.analysis.work.track import Track
from monitor.finding import Finding
from monitor.live.pipeline import Pipeline
from monitor.live.runner import effective
from monitor.setup.bench import Bench, identity, parse_bench
from monitor.setup.protocol import Protocol, parse_protocol

VECTORS = "2A64"
ReadingSink = Callable[[float, int, Reading, Track], None]


@dataclass(slots=True)
class Recording:
    """One session.

    `cells` has shape (seconds, instruments, COLUMNS) with the columns of
    `monitor.analysis.curve` (joules, joules left, seconds with known sides, seconds with known
    work, revolutions, seconds with known revolutions); row k covers [k, k + 1) of session
    time. What is listed per instrument is in bench order.
    """

    header: Header
    bench: Bench
    protocol: Protocol | None
    cells: Floats
    findings: list[Finding]
    acts: list[Act]
    links: list[Link]
    writes: list[Write]
    seconds: float
    records: int
    lost_records: int
    closed: bool
    facts: list[dict[str, float | str]] = field(default_factory=list)
    """What each instrument reported of itself."""
    packets: list[int] = field(default_factory=list)
    bad_packets: list[int] = field(default_factory=list)
    missed: list[int] = field(default_factory=list)
    """Packets that a radio knows it did not hear."""
    shifts: dict[int, list[Shift]] = field(default_factory=dict)
    """Steps and drifts that were found live, by the instrument compared."""
    side_references: dict[int, int | None] = field(default_factory=dict)
    """Against whose sides those of each compared instrument were held."""
    arrivals: list[Floats] = field(default_factory=list)
    """Arrival times of each instrument's packets, seconds, in order."""
    shown: list[Floats] = field(default_factory=list)
    """What each instrument showed: rows (arrival s, power W), one per packet with power."""
    holds: list[Floats] = field(default_factory=list)
    """Records of ride files: rows (time s, seconds held, power W or nan, 1 if the timer was paused)."""
    placed: Floats = field(default_factory=lambda: np.zeros(0))
    """Where the work that each decoded packet tells of ends, seconds, in order of arrival; nan: nowhere."""
    missing: str = ""
    """What is missing of it, as a sentence for people."""
    late_stamps: str = ""
    """That the computer did not keep up, as a sentence for people."""
    strokes: dict[int, Series] = field(default_factory=dict)
    """What was reported of the stroke, by the instruments that report any of it."""
    planned_as: Mapping[int, str] = field(default_factory=dict)
    """Segments that were given another name afterwards: when they begin, ns, and their name in the plan."""

    @property
    def labels(self) -> list[str]:
        """Labels in bench order."""
        return [i.label for i in self.bench.instruments]


class Part(msgspec.Struct, frozen=True, array_like=True):
    """A stretch of what was gathered, as octets: numbers of 64 bits as memory holds them, by instrument."""

    cells: bytes
    arrivals: list[bytes]
    shown: list[bytes]
    holds: list[bytes]
    placed: bytes
    strokes: list[list[tuple[int, bytes, dict[str, float], str]]]
    links: list[Link]
    writes: list[Write]


class Gathering:
    """What passes by while a session is judged, as far as a study needs it; lists are by instrument.

    Its `cell`, `reading` and `stroke` are what a `Pipeline` calls; `see` is for every record, after it was
    fed. The same at the recording and at a replay.
    """

    def __init__(self, n: int, on_reading: ReadingSink | None = None) -> None:
        self._on_reading = on_reading
        self._cells: list[Floats] = []
        self._arrivals = [array("d") for _ in range(n)]
        self._shown = [array("d") for _ in range(n)]
        self._holds = [array("d") for _ in range(n)]
        self._placed = array("d")
        self._strokes: list[list[tuple[int, StrokeSecond]]] = [[] for _ in range(n)]
        self._findings: list[Finding] = []
        self._links: list[Link] = []
        self._writes: list[Write] = []
        self._acts: list[Act] = []
        self._records = self._lost = 0
        self._closed = False

    def cell(self, _second: int, cell: Floats) -> None:
        """A second was closed."""
        self._cells.append(cell)

    def reading(self, t_s: float, i: int, reading: Reading, track: Track) -> None:
        """A packet was decoded."""
        self._placed.append(track.curve.worked_s if track.fresh else math.nan)
        if reading.power_w is not None:
            self._shown[i].extend((t_s, reading.power_w))
        if reading.held_s is not None:
            power_w = math.nan if reading.power_w is None else reading.power_w
            self._holds[i].extend((t_s, reading.held_s, power_w, float(reading.moving is False)))
        if self._on_reading is not None:
            self._on_reading(t_s, i, reading, track)

    def stroke(self, i: int, second: int, row: StrokeSecond) -> None:
        """An instrument reported something of the stroke in this second."""
        self._strokes[i].append((second, row))

    def see(self, record: Record, index: Mapping[str, int], findings: Sequence[Finding]) -> None:
        """A record was fed, and led to these findings."""
        self._records += 1
        if findings:
            self._findings.extend(findings)
        if isinstance(record, Packet):
            i = index.get(record.instrument)
            # Vectors come beside the measurements, which alone have a pace.
            if i is not None and record.channel != VECTORS:
                self._arrivals[i].append(record.t_ns / 1e9)
        elif isinstance(record, Link):
            self._links.append(record)
        elif isinstance(record, Write):
            self._writes.append(record)
        elif isinstance(record, Act):
            self._acts.append(record)
        elif isinstance(record, Store):
            self._lost = max(self._lost, record.lost)
        elif isinstance(record, End):
            self._closed = True

    def take_away(self) -> Part:
        """What has been gathered so far but for the rare (acts, findings); it is gone from here then."""
        part = Part(
            np.array(self._cells).tobytes(),
            [a.tobytes() for a in self._arrivals],
            [a.tobytes() for a in self._shown],
            [a.tobytes() for a in self._holds],
            self._placed.tobytes(),
            [
                [
                    (s, b"" if row.shape is None else row.shape.tobytes(), row.facts, row.position)
                    for s, row in lot
                ]
                for lot in self._strokes
            ],
            self._links,
            self._writes,
        )
        n = len(self._arrivals)
        self._cells = []
        self._arrivals, self._shown, self._holds = ([array("d") for _ in range(n)] for _ in range(3))
        self._placed = array("d")
        self._strokes = [[] for _ in range(n)]
        self._links, self._writes = [], []
        return part

    def bring_back(self, parts: Iterable[Part]) -> None:
        """All parts that were taken away, in their order; nothing was gathered since."""
        n = len(self._arrivals)
        for part in parts:
            self._cells.extend(np.frombuffer(part.cells).reshape(-1, n, COLUMNS))
            for own, taken in (
                (self._arrivals, part.arrivals),
                (self._shown, part.shown),
                (self._holds, part.holds),
            ):
                for values, octets in zip(own, taken, strict=True):
                    values.frombytes(octets)
            self._placed.frombytes(part.placed)
            for rows, lot in zip(self._strokes, part.strokes, strict=True):
                for second, octets, facts, position in lot:
                    shape = np.frombuffer(octets).reshape(3, -1) if octets else None
                    rows.append((second, StrokeSecond(shape, facts, position)))
            self._links.extend(part.links)
            self._writes.extend(part.writes)

    def recording(
        self, header: Header, pipeline: Pipeline, protocol: Protocol | None, last: Sequence[Finding]
    ) -> Recording:
        """All of it, once the pipeline has finished with its `last` findings."""
        n, bench = len(self._arrivals), pipeline.bench
        return Recording(
            header=header,
            bench=bench,
            protocol=pipeline.runner.known() if pipeline.runner.inserted else protocol,
            cells=np.array(self._cells) if self._cells else np.zeros((0, n, COLUMNS)),
            findings=[*self._findings, *last],
            acts=effective(self._acts),
            links=self._links,
            writes=self._writes,
            seconds=pipeline.t_s,
            records=self._records,
            lost_records=self._lost,
            closed=self._closed,
            facts=[
                identity(instrument, reported)
                for instrument, reported in zip(bench.instruments, pipeline.facts.reported, strict=True)
            ],
            packets=pipeline.packets,
            bad_packets=pipeline.bad_packets,
            missed=pipeline.missed,
            shifts=pipeline.watch.changes.found(),
            side_references=dict(pipeline.comparator.side_references),
            arrivals=[np.array(a) for a in self._arrivals],
            strokes={
                i: Series(
                    len(self._cells),
                    self._strokes[i],
                    stroke.track.vectors,
                    str(pipeline.facts.reported[i].get("location", "")),
                    bench.instruments[i].sides,
                )
                for i, stroke in enumerate(pipeline.strokes)
                if stroke.track.reports
            },
            shown=[np.array(s).reshape(-1, 2) for s in self._shown],
            holds=[np.array(h).reshape(-1, 4) for h in self._holds],
            placed=np.array(self._placed),
        )


def collect(
    header: Header,
    records: Iterable[Record],
    *,
    bench: Bench | None = None,
    on_reading: ReadingSink | None = None,
    progress: Callable[[float], None] | None = None,
) -> Recording:
    """Run the records through the pipeline and keep what a study needs.

    `bench` replaces the one of the header. `on_reading` sees every decoded packet, for
    whoever writes tables of samples; `progress` is told session seconds now and then.
    Raises BenchError if the header's bench can't be read.
    """
    bench = bench or parse_bench(header.bench, "the session's bench")
    protocol = parse_protocol(header.protocol, "the session's protocol") if header.protocol else None
    kept = Gathering(len(bench.instruments), on_reading)
    pipeline = Pipeline(
        bench, protocol or bench.protocol, on_cell=kept.cell, on_reading=kept.reading, on_stroke=kept.stroke
    )
    feed, see, index = pipeline.feed, kept.see, pipeline.index
    for record in records:
        see(record, index, feed(record))
        if progress is not None and isinstance(record, Tick):
            progress(record.t_ns / 1e9)
    return kept.recording(header, pipeline, protocol, pipeline.finish())
