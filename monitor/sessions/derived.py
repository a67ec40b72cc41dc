"""What is made from a journal, and the lines in which findings are told.

Everything here is a function of the records: it can be deleted and made again.
"""

import math
from collections.abc import Callable, Iterable, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

import msgspec

from capture.record import Header
from capture.sample import Reading
from monitor.analysis.curve import COVERED, LEFT, REVS, SIDED, TURNED, WORK
from monitor.analysis.statistics import Floats
from monitor.analysis.track import Track
from monitor.finding import Finding
from monitor.live.pipeline import Pipeline
from monitor.setup.bench import Bench, parse_bench
from monitor.setup.protocol import Protocol, parse_protocol
from monitor.study.parts.common import Shared, shared_of
from monitor.study.recording import Recording, collect
from monitor.study.results import Study, encode
from monitor.text import plain
from storage.damage import Damage

if TYPE_CHECKING:
    from monitor.sessions.acts import AmendedRecords
    from storage.tables import Column, TableWriter

FINDINGS, SAMPLES, GRID, STUDY, REPORT = (
    "findings.jsonl", "samples.parquet", "grid.parquet", "study.json", "report.html",
)  # fmt: skip

Progress = Callable[[str], None]


class _End(msgspec.Struct, frozen=True):
    event: str
    t_s: float
    session: str
    records: int
    lost_records: int


def finding_line(finding: Finding) -> str:
    """A finding as one line of JSON, without a line end."""
    return plain(msgspec.json.encode(finding).decode())


def end_line(pipeline: Pipeline, session: Path | str) -> str:
    """The last line of a headless run: session time, where it is, records seen and lost."""
    end = _End("end", round(pipeline.t_s, 3), str(session), pipeline.records, pipeline.lost_records)
    return plain(msgspec.json.encode(end).decode())


def recorded_settings(
    header: Header, of: Path | str, bench: Bench | None = None
) -> tuple[Bench, Protocol | None]:
    """Bench and protocol as they were used; `bench` stands in for the recorded one.

    A protocol file outranks the protocol in a bench. BenchError: this version can't read them;
    `of` says whose they are.
    """
    if bench is None:
        bench = parse_bench(header.bench, f"the bench recorded in {of}")
    protocol = bench.protocol
    if header.protocol:
        protocol = parse_protocol(header.protocol, f"the protocol recorded in {of}")
    return bench, protocol


class Made(msgspec.Struct, frozen=True):
    """What one pass over a journal gave: files, the study, the arrays that it used, what was damaged."""

    paths: list[Path]
    study: Study
    shared: Shared
    damage: Damage | None


def write_products(folder: Path, progress: Progress | None = None) -> list[Path]:
    """Make everything that can be made from the journal of a session; the paths of the files.

    One pass over the journal. A file that is there already stays: the new one gets a
    number. Raises what `storage.session.open_session` raises, and BenchError.
    """
    return make_products(folder, progress).paths


def make_products(
    folder: Path, progress: Progress | None = None, on_second: Callable[[float], None] | None = None
) -> Made:
    """As `write_products`, with all that it found; `on_second` is told session seconds now and then."""
    from monitor.report import report_html
    from monitor.study.study import study
    from storage.disk import write_whole
    from storage.session import open_session
    from storage.tables import TableWriter

    say = progress or (lambda text: None)
    session = open_session(folder)
    header, records = _journal(session.path)
    bench, _protocol = recorded_settings(header, session.path)
    say("judging the journal")
    samples_path = session.product(SAMPLES)
    with TableWriter(samples_path, sample_columns(), bench=header.bench, program=header.program) as table:
        samples = _Samples(table, bench)
        recording = collect(header, records, bench=bench, on_reading=samples.take, progress=on_second)
        samples.flush()
    say(f"{recording.records} records, {len(recording.findings)} changes of findings")
    grid_path = session.product(GRID)
    with TableWriter(grid_path, grid_columns(bench), bench=header.bench, program=header.program) as table:
        table.write(grid_values(recording))
    paths = [samples_path, grid_path]
    shared = shared_of(recording)
    result = study(recording, shared)
    for name, data in (
        (FINDINGS, _text(finding_line(finding) for finding in recording.findings)),
        (STUDY, encode(result)),
        (REPORT, report_html(result, shared).encode()),
    ):
        path = session.product(name)
        write_whole(path, data)
        paths.append(path)
        say(f"{path.name} written")
    return Made(paths, result, shared, records.damage)


def run_session(
    folder: Path, on_second: Callable[[float], None] | None = None
) -> tuple[Recording, Damage | None]:
    """The session as arrays, and what was damaged; nothing is written. Raises as `write_products`."""
    header, records = _journal(folder)
    bench, _protocol = recorded_settings(header, folder)
    recording = collect(header, records, bench=bench, progress=on_second)
    return recording, records.damage


def _journal(folder: Path) -> "tuple[Header, AmendedRecords]":
    """Header and records, acts as they were put right. DamagedSession: the header with the bench is gone."""
    from monitor.sessions.acts import open_session_journal
    from storage.damage import DamagedSession

    header, records = open_session_journal(folder)
    if not header.bench:
        for _ in records:
            pass
        if records.damage is not None:
            raise DamagedSession(folder, records.damage)
    return header, records


# -- samples


def sample_columns() -> "list[Column]":
    """What is kept of each decoded packet: counters as sent, times in s, torque in N·m."""
    from storage.tables import Column

    return [
        Column("time_s", "float", "s"),
        Column("placed_s", "float", "s"),
        Column("instrument", "text"),
        Column("item", "text"),
        Column("power_w", "float", "W"),
        Column("cadence_rpm", "float", "rpm"),
        Column("speed_mps", "float", "m/s"),
        Column("left_share", "float", "1"),
        Column("events", "int"),
        Column("power_sum_w", "float", "W"),
        Column("torque_sum_nm", "float", "N·m"),
        Column("crank_revs", "int"),
        Column("crank_event_s", "float", "s"),
        Column("wheel_revs", "int"),
        Column("wheel_event_s", "float", "s"),
        Column("energy_j", "float", "J"),
        Column("battery_percent", "float", "%"),
    ]


class _Samples:
    """Gathers readings into row groups."""

    ROWS = 4096

    def __init__(self, table: "TableWriter", bench: Bench) -> None:
        self._table = table
        self._labels = [i.label for i in bench.instruments]
        self._rows: list[tuple[float, float | None, str, tuple[Any, ...]]] = []

    def take(self, t_s: float, i: int, r: Reading, track: Track) -> None:
        """One decoded packet; it is placed where the work that it tells of ends."""
        placed = track.curve.worked_s if track.fresh else None
        self._rows.append((t_s, placed, self._labels[i], _fields_of(r)))
        if len(self._rows) >= self.ROWS:
            self.flush()

    def flush(self) -> None:
        """Write what has been gathered."""
        if not self._rows:
            return
        times, placed, labels, readings = zip(*self._rows, strict=True)
        self._rows = []
        told = dict(zip(Reading.__struct_fields__, zip(*readings, strict=True), strict=True))
        same = ("item", "power_w", "cadence_rpm", "speed_mps", "left_share", "events", "power_sum_w",
                "crank_revs", "wheel_revs", "battery_percent")  # fmt: skip
        self._table.write(
            {
                "time_s": times,
                "placed_s": placed,
                "instrument": labels,
                **{name: told[name] for name in same},
                "torque_sum_nm": _over(told["torque_sum_32nds"], 32.0),
                "crank_event_s": _over(told["crank_ticks"], told["crank_tick_hz"]),
                "wheel_event_s": _over(told["wheel_ticks"], told["wheel_tick_hz"]),
                "energy_j": _over(told["energy_kj"], 0.001),
            }
        )


_fields_of = msgspec.structs.astuple


def _over(values: Sequence[float | None], divisor: float | Sequence[int]) -> Floats:
    """Values by a divisor, nan where there is none."""
    import numpy as np

    result: Floats = np.array(values, dtype=np.float64) / np.asarray(divisor, dtype=np.float64)
    return result


# -- grid


def grid_columns(bench: Bench) -> "list[Column]":
    """The synchronized grid: a row a second."""
    from storage.tables import Column

    columns = [Column("time_s", "float", "s"), Column("utc", "text"), Column("segment", "text")]
    for instrument in bench.instruments:
        columns += [
            Column(f"{instrument.label}.power_w", "float", "W"),
            Column(f"{instrument.label}.left_w", "float", "W"),
            Column(f"{instrument.label}.right_w", "float", "W"),
            Column(f"{instrument.label}.cadence_rpm", "float", "rpm"),
            Column(f"{instrument.label}.coverage", "float", "1"),
        ]
    return columns


def grid_values(recording: Recording) -> dict[str, Any]:
    """The columns of the grid. Row k covers the second [k, k + 1).

    `power_w` is the work of the second over one second, so that its sum is the work even
    where `coverage` is below 1; None where nothing is known.
    """
    import numpy as np

    from monitor.study.segments import spans_of

    cells = recording.cells
    seconds = len(cells)
    segment: list[str | None] = [None] * seconds
    for span in spans_of(recording):
        for k in range(math.ceil(span.start_s), min(seconds, math.ceil(span.end_s))):
            segment[k] = span.name
    values: dict[str, Any] = {
        "time_s": np.arange(seconds, dtype=float),
        "utc": _utc(recording.header.utc_ns, seconds),
        "segment": segment,
    }
    for i, instrument in enumerate(recording.bench.instruments):
        c = cells[:, i]
        known, sided, turned = c[:, COVERED] > 0.0, c[:, SIDED] > 0.0, c[:, TURNED] > 0.0
        with np.errstate(invalid="ignore", divide="ignore"):
            # Sides are known for a part of the second, power for another: both as of the whole.
            side_w = np.where(sided, c[:, LEFT] / c[:, SIDED] * c[:, COVERED], np.nan)
            cadence = np.where(turned, 60.0 * c[:, REVS] / c[:, TURNED], np.nan)
        power = np.where(known, c[:, WORK], np.nan)
        nothing = np.full(seconds, np.nan)
        told = instrument.sides != "total"
        values[f"{instrument.label}.power_w"] = power
        values[f"{instrument.label}.left_w"] = side_w if told and instrument.sides != "right" else nothing
        values[f"{instrument.label}.right_w"] = (
            power - side_w if told and instrument.sides != "left" else nothing
        )
        values[f"{instrument.label}.cadence_rpm"] = cadence
        time = COVERED if instrument.measures_power else TURNED
        values[f"{instrument.label}.coverage"] = np.minimum(1.0, c[:, time])
    return values


def _utc(utc_ns: int, seconds: int) -> list[str | None]:
    if not utc_ns:
        return [None] * seconds
    start = datetime.fromtimestamp(utc_ns // 1_000_000 / 1000, UTC)
    return [
        (start + timedelta(seconds=k)).isoformat(timespec="milliseconds").replace("+00:00", "Z")
        for k in range(seconds)
    ]


def _text(lines: Iterable[str]) -> bytes:
    return "".join(f"{line}\n" for line in lines).encode()
