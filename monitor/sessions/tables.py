"""The tables of a session: every decoded packet, and a row a second on one clock."""

import math
from collections.abc import Callable, Iterable, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

import msgspec

from capture.profiles import decode
from capture.record import Header, Packet, Record
from capture.sample import DecodeError, Reading
from monitor.analysis.curve import COVERED, LEFT, REVS, SIDED, TURNED, WORK
from monitor.analysis.statistics import Floats
from monitor.analysis.work.track import Track
from monitor.sessions.stroke_columns import grid_strokes, sample_stroke_columns, sample_stroke_values
from monitor.setup.bench import Bench
from monitor.study.recording import Recording
from storage.damage import SessionError

if TYPE_CHECKING:
    from storage.tables import Column, TableWriter

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
        *sample_stroke_columns(),
    ]


class Samples:
    """Gathers readings into row groups; a disk that refuses them costs this table and nothing else."""

    ROWS = 4096

    def __init__(
        self, path: Path | None, header: Header, bench: Bench, refuse: Callable[[SessionError], None]
    ) -> None:
        from storage.tables import TableWriter

        self._refuse = refuse
        self._table: TableWriter | None = None
        self._labels = [i.label for i in bench.instruments]
        self._rows: list[tuple[float, float | None, str, tuple[Any, ...]]] = []
        if path is None:
            return
        try:
            self._table = TableWriter(path, sample_columns(), bench=header.bench, program=header.program)
        except SessionError as error:
            refuse(error)

    def take(self, t_s: float, i: int, r: Reading, track: Track) -> None:
        """One decoded packet; it is placed where the work that it tells of ends."""
        self.add(t_s, i, r, track.curve.worked_s if track.fresh else None)

    def add(self, t_s: float, i: int, r: Reading, placed_s: float | None) -> None:
        """One decoded packet and its place; nan and None: it has none."""
        if self._table is None:
            return
        self._rows.append((t_s, placed_s, self._labels[i], _fields_of(r)))
        if len(self._rows) >= self.ROWS:
            try:
                self._flush(self._table)
            except SessionError as error:
                self._refuse(error)
                self.discard()

    def again(self, records: Iterable[Record], placed: Floats) -> bool:
        """The packets of a journal, whose places are known; False: they are not those of these places."""
        index = {label: i for i, label in enumerate(self._labels)}
        places = iter(placed.tolist())
        for record in records:
            if not isinstance(record, Packet) or (i := index.get(record.instrument)) is None:
                continue
            try:
                reading = decode(record.channel, record.data)
            except DecodeError:
                continue
            if (place := next(places, None)) is None:
                return False
            self.add(record.t_ns / 1e9, i, reading, place)
        return next(places, None) is None

    def finish(self, _path: Path) -> None:
        """Write the rest, and give the file its name. SessionError: the disk refuses."""
        if self._table is None:
            return
        try:
            self._flush(self._table)
            self._table.finish()
        except BaseException:
            self.discard()
            raise

    def discard(self) -> None:
        """Leave nothing behind."""
        table, self._table, self._rows = self._table, None, []
        if table is not None:
            table.discard()

    def _flush(self, table: "TableWriter") -> None:
        if not self._rows:
            return
        times, placed, labels, readings = zip(*self._rows, strict=True)
        self._rows = []
        columns = dict(zip(Reading.__struct_fields__, zip(*readings, strict=True), strict=True))
        same = ("item", "power_w", "cadence_rpm", "speed_mps", "left_share", "events", "power_sum_w",
                "crank_revs", "wheel_revs", "battery_percent")  # fmt: skip
        table.write(
            {
                "time_s": times,
                "placed_s": placed,
                "instrument": labels,
                **{name: columns[name] for name in same},
                "torque_sum_nm": _over(columns["torque_sum_32nds"], 32.0),
                "crank_event_s": _over(columns["crank_ticks"], columns["crank_tick_hz"]),
                "wheel_event_s": _over(columns["wheel_ticks"], columns["wheel_tick_hz"]),
                **sample_stroke_values(readings),
                "energy_j": _over(columns["energy_kj"], 0.001),
            }
        )


_fields_of = msgspec.structs.astuple


def _over(values: Sequence[float | None], divisor: float | Sequence[int]) -> Floats:
    """Values by a divisor, nan where there is none."""
    import numpy as np

    result: Floats = np.array(values, dtype=np.float64) / np.asarray(divisor, dtype=np.float64)
    return result


# -- grid


HALF = 0.5
"""Covered part of a second from which it has a mean power (common practice, no source)."""


def write_grid(path: Path, recording: Recording) -> None:
    """The grid of a session, with the columns of the stroke where any is reported."""
    from storage.tables import write_table

    columns, values = grid_columns(recording.bench), grid_values(recording)
    for i, series in recording.strokes.items():
        more, filled = grid_strokes(recording.labels[i], series)
        columns += more
        values |= filled
    write_table(path, columns, values, bench=recording.header.bench, program=recording.header.program)


def grid_columns(bench: Bench) -> "list[Column]":
    """The synchronized grid: a row a second."""
    from storage.tables import Column

    columns = [Column("time_s", "float", "s"), Column("utc", "text"), Column("segment", "text")]
    for instrument in bench.instruments:
        columns += [
            Column(f"{instrument.label}.power_w", "float", "W"),
            Column(f"{instrument.label}.work_j", "float", "J"),
            Column(f"{instrument.label}.left_w", "float", "W"),
            Column(f"{instrument.label}.right_w", "float", "W"),
            Column(f"{instrument.label}.cadence_rpm", "float", "rpm"),
            Column(f"{instrument.label}.coverage", "float", "1"),
        ]
    return columns


def grid_values(recording: Recording) -> dict[str, Any]:
    """The columns of the grid. Row k covers the second [k, k + 1).

    `power_w` and the sides are means over the covered part of the second, None where less than
    half of it (`HALF`) is; `work_j` is the work of that part, so that its sum is the work.
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
        known, turned = c[:, COVERED] > 0.0, c[:, TURNED] > 0.0
        half = c[:, COVERED] >= HALF
        with np.errstate(invalid="ignore", divide="ignore"):
            power = np.where(half, c[:, WORK] / c[:, COVERED], np.nan)
            side_w = np.where(half & (c[:, SIDED] > 0.0), c[:, LEFT] / c[:, SIDED], np.nan)
            cadence = np.where(turned, 60.0 * c[:, REVS] / c[:, TURNED], np.nan)
        nothing = np.full(seconds, np.nan)
        has_sides = instrument.sides != "total"
        values[f"{instrument.label}.power_w"] = power
        values[f"{instrument.label}.work_j"] = np.where(known, c[:, WORK], np.nan)
        values[f"{instrument.label}.left_w"] = (
            side_w if has_sides and instrument.sides != "right" else nothing
        )
        values[f"{instrument.label}.right_w"] = (
            power - side_w if has_sides and instrument.sides != "left" else nothing
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
