"""What is made from a journal, and the lines in which findings are told.

Everything here is a function of the records: it can be deleted and made again. `derived.json` says what
the files were made from; those of another state of the session are made anew beside them.
"""

import contextlib
import hashlib
import math
from collections.abc import Callable, Iterable, Sequence
from datetime import UTC, datetime, timedelta
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

import msgspec

from capture.record import Header
from capture.sample import Reading
from monitor import __version__
from monitor.analysis.curve import COVERED, LEFT, REVS, SIDED, TURNED, WORK
from monitor.analysis.statistics import Floats
from monitor.analysis.track import Track
from monitor.finding import Finding
from monitor.live.pipeline import Pipeline
from monitor.sessions.missing import say_at_head
from monitor.sessions.stroke_columns import grid_strokes, sample_stroke_columns, sample_stroke_values
from monitor.setup.bench import Bench, parse_bench
from monitor.setup.protocol import Protocol, parse_protocol
from monitor.study.parts.common import Shared, shared_of
from monitor.study.recording import Recording, collect
from monitor.study.results import Study, encode
from monitor.text import plain
from storage.damage import Damage, SessionError
from storage.disk import is_plain, need_plain, read_plain, write_whole
from storage.journal import MAIN, SIDE
from storage.remainder import remainder_of
from storage.session import Session, free_path, is_numbered, open_session

if TYPE_CHECKING:
    from monitor.report.page import About
    from monitor.sessions.acts import AmendedRecords
    from storage.tables import Column, TableWriter

FINDINGS, SAMPLES, GRID, STUDY, REPORT = (
    "findings.jsonl", "samples.parquet", "grid.parquet", "study.json", "report.html",
)  # fmt: skip
NAMES = (SAMPLES, GRID, FINDINGS, STUDY, REPORT)
OF_THE_RIDE = (SAMPLES, GRID, FINDINGS)
"""Those in which nothing that is asked afterwards changes anything."""
DERIVED = "derived.json"
"""Says what the others were made from."""
MAKE_ROOM = "Make room there, then `plumbwatt study {folder}` makes what is missing"

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
    end = _End("end", round(pipeline.t_s, 3), plain(str(session)), pipeline.records, pipeline.lost_records)
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


class MadeFrom(msgspec.Struct, frozen=True, omit_defaults=True):
    """What derived files were made from: sizes of the journal's files, the amendments, the version."""

    journal_octets: int
    checksum_octets: int
    rest_octets: int
    amendments_sha256: str
    program: str
    joined_octets: int = 0
    """Of ride files that joined it."""
    asked_sha256: str = ""
    """Of stretches and words: study and report alone are made with them."""

    @property
    def of_the_ride(self) -> "MadeFrom":
        """The same without what was asked of the session."""
        return msgspec.structs.replace(self, asked_sha256="")


class Derived(msgspec.Struct, frozen=True):
    """`derived.json`: what the derived files were made from, and under which name each is kept."""

    made_from: MadeFrom
    files: dict[str, str]
    sha256: dict[str, str] = {}
    """Of the study and the report that a program of this fingerprint made: they need not be made again."""
    code_sha256: str = ""


class Made(msgspec.Struct, frozen=True):
    """What one pass over a journal gave: files, the study, the arrays that it used, what was damaged.

    `shared` is None where the study was read, and not made. `missing` are the names of files that could
    not be written, with the reason of each.
    """

    paths: list[Path]
    study: Study
    shared: Shared | None
    damage: Damage | None
    missing: dict[str, str]

    def need_all(self, folder: Path) -> None:
        """Raise SessionError, naming what is missing, if the disk refused a file."""
        if self.missing:
            raise SessionError(folder, missing_words(self.missing), MAKE_ROOM.format(folder=folder))


def missing_words(missing: dict[str, str]) -> str:
    """Which files could not be written, and why."""
    reasons = ", ".join(dict.fromkeys(missing.values()))
    return f"{', '.join(missing)} can't be written ({reasons})"


def made_from(folder: Path) -> MadeFrom:
    """What files derived from a session would be made from now. SessionError: bad amendments."""
    from monitor.sessions.acts import AMENDMENTS, MOST_OCTETS
    from monitor.sessions.asked import fingerprint
    from monitor.sessions.imports.joined import joined_octets

    try:
        amendments = read_plain(folder / AMENDMENTS, MOST_OCTETS)
    except OSError:
        # What is wrong with it is told by whoever reads it.
        amendments = b""
    rest = remainder_of(folder)
    return MadeFrom(
        _octets(folder / MAIN),
        _octets(folder / SIDE),
        0 if rest is None else _octets(rest / MAIN),
        hashlib.sha256(amendments).hexdigest() if amendments else "",
        f"plumbwatt {__version__}",
        joined_octets(folder),
        fingerprint(folder),
    )


def _octets(path: Path) -> int:
    try:
        return need_plain(path)
    except OSError:
        return 0


def up_to_date(folder: Path) -> dict[str, Path]:
    """The derived files that are there and were made from the session as it is now, by their name."""
    known = _known(folder)
    now = made_from(folder)
    if known is None or known.made_from.of_the_ride != now.of_the_ride:
        return {}
    names = NAMES if known.made_from == now else OF_THE_RIDE
    paths = {name: folder / known.files[name] for name in names if name in known.files}
    return {name: path for name, path in paths.items() if is_plain(path)}


def trusted(folder: Path, name: str) -> bytes | None:
    """The octets of STUDY or REPORT, if this very program made it of the session as it is now; else None.

    They are those that were written then: a file that was exchanged is not read, but made again.
    """
    known, path = _known(folder), up_to_date(folder).get(name)
    if known is None or path is None or known.code_sha256 != code_sha256():
        return None
    try:
        octets = path.read_bytes()
    except OSError:
        return None
    return octets if hashlib.sha256(octets).hexdigest() == known.sha256.get(name) else None


@cache
def code_sha256() -> str:
    """A fingerprint of this program: the same source says the same of the same journal."""
    found = hashlib.sha256()
    root = Path(__file__).parents[2]
    for package in ("capture", "monitor", "storage"):
        # A report is made of its template, style and script as well.
        for path in sorted(
            p for p in (root / package).rglob("*") if p.suffix in (".py", ".j2", ".css", ".js")
        ):
            found.update(path.relative_to(root).as_posix().encode() + b"\0" + path.read_bytes())
    return found.hexdigest()


def _known(folder: Path) -> Derived | None:
    """What `derived.json` says; None if there is none of ours."""
    try:
        known = msgspec.json.decode(read_plain(folder / DERIVED, 1 << 16), type=Derived)
    except (OSError, msgspec.MsgspecError, UnicodeError, RecursionError):
        return None
    # A session of others must not lead out of its folder.
    good = all(is_numbered(name, written) for name, written in known.files.items())
    return known if good else None


def _plan(folder: Path, afresh: bool) -> dict[str, Path]:
    """Where the files that are missing are to be written, by their name; told in `derived.json` first.

    A file gets its name only as a whole: so what is written there before the files is true of
    whichever of them is there. OSError: it can't be written.
    """
    now, known = made_from(folder), _known(folder)
    there = {} if afresh else up_to_date(folder)
    wanted = {name: free_path(folder / name) for name in NAMES if name not in there}
    files = {name: path.name for name, path in {**there, **wanted}.items()}
    kept = {} if known is None else {n: s for n, s in known.sha256.items() if n in there}
    vouched = Derived(now, files, kept, known.code_sha256 if known is not None and kept else "")
    write_whole(folder / DERIVED, msgspec.json.encode(vouched) + b"\n", replace=True)
    return wanted


def write_derived(folder: Path, progress: Progress | None = None) -> list[Path]:
    """Make everything that is not there yet, or not up to date, from a session; the paths of the files.

    One pass over the journal. A file that is there already stays: the new one gets a number.
    Raises what `storage.session.open_session` raises, BenchError, and SessionError if the disk refuses.
    """
    made = make_derived(folder, progress)
    made.need_all(folder)
    return made.paths


def make_derived(
    folder: Path,
    progress: Progress | None = None,
    on_second: Callable[[float], None] | None = None,
    *,
    afresh: bool = False,
) -> Made:
    """As `write_derived`, with all that it found; what the disk refuses is named in `missing`.

    `on_second` is told session seconds now and then. `afresh`: also what is up to date.
    """
    from monitor.study.study import study

    say = progress or (lambda text: None)
    session = open_session(folder)
    header, records = _journal(session.path)
    bench, _protocol = recorded_settings(header, session.path)
    say("judging the journal")
    files = _Files(session.path, afresh, say)
    samples = _Samples(files, header, bench)
    try:
        recording = collect(header, records, bench=bench, on_reading=samples.take, progress=on_second)
    except BaseException:
        samples.discard()
        raise
    recording.planned_as = records.planned_as
    say_at_head(recording, records.damage)
    say(f"{recording.records} records, {len(recording.findings)} changes of findings")
    files.put(SAMPLES, samples.finish)
    shared = shared_of(recording)
    result = with_asked(session.path, recording, shared, study(recording, shared))
    made: dict[str, bytes] = {}
    for name, write in _writers(session, recording, shared, result, made).items():
        files.put(name, write)
    if records.damage is None:
        # What was damaged is said each time anew, so each time it is read.
        vouch(session.path, {name: octets for name, octets in made.items() if name in files.done})
    return Made(files.written, result, shared, records.damage, files.missing)


def about(session: Session) -> "About":
    """What a report says of the folder that it is made from."""
    from monitor.report.page import About

    return About(session.path.name, session.info.started)


def with_asked(folder: Path, recording: Recording, shared: Shared, result: Study) -> Study:
    """The study with what was asked of the session: its stretches, and the tester's words."""
    from monitor.sessions.asked import read_words, wanted_of
    from monitor.study.asked.stretch import stretches_of

    wanted, words = wanted_of(folder, recording.acts), read_words(folder)
    if not wanted and not words:
        return result
    return msgspec.structs.replace(result, stretches=stretches_of(shared, wanted), words=words)


def vouch(folder: Path, made: dict[str, bytes]) -> None:
    """Say in `derived.json` what was written, so that what is unchanged need not be made again."""
    known = _known(folder)
    if known is None or not made:
        return
    kept = known.sha256 if known.code_sha256 == code_sha256() else {}
    sha256 = {**kept, **{name: hashlib.sha256(octets).hexdigest() for name, octets in made.items()}}
    vouched = msgspec.structs.replace(known, sha256=sha256, code_sha256=code_sha256())
    with contextlib.suppress(OSError):
        write_whole(folder / DERIVED, msgspec.json.encode(vouched) + b"\n", replace=True)


def _writers(
    session: Session, recording: Recording, shared: Shared, result: Study, made: dict[str, bytes]
) -> dict[str, Callable[[Path], None]]:
    """What writes each derived file but the samples; study and report stand in `made` then."""
    from monitor.report import report_html
    from storage.tables import write_table

    header = recording.header

    def grid(path: Path) -> None:
        columns, values = grid_columns(recording.bench), grid_values(recording)
        for i, series in recording.strokes.items():
            more, filled = grid_strokes(recording.labels[i], series)
            columns += more
            values |= filled
        write_table(path, columns, values, bench=header.bench, program=header.program)

    def kept(name: str, octets: Callable[[], bytes]) -> Callable[[Path], None]:
        def write(path: Path) -> None:
            made[name] = octets()
            write_whole(path, made[name])

        return write

    return {
        GRID: grid,
        FINDINGS: lambda path: write_whole(path, _text(finding_line(each) for each in recording.findings)),
        STUDY: kept(STUDY, lambda: encode(result)),
        REPORT: kept(REPORT, lambda: report_html(result, shared, None, about(session)).encode()),
    }


class _Files:
    """The derived files of one pass: where each goes, what was written, what the disk refused."""

    def __init__(self, folder: Path, afresh: bool, say: Progress) -> None:
        self.written: list[Path] = []
        self.done: set[str] = set()
        self.missing: dict[str, str] = {}
        self._say = say
        try:
            self._wanted = _plan(folder, afresh)
        except OSError as error:
            self._wanted = {}
            self.missing = dict.fromkeys(NAMES, error.strerror or str(error))

    def wanted(self, name: str) -> Path | None:
        """Where a file is to be written; None if it is not to be."""
        return self._wanted.get(name)

    def put(self, name: str, write: Callable[[Path], None]) -> None:
        """Have a file written if it is wanted."""
        path = self._wanted.get(name)
        if path is None or name in self.missing:
            return
        try:
            write(path)
        except (OSError, SessionError) as error:
            if not is_plain(path):
                self.refuse(name, error)
                return
            # Another process made the same from the same meanwhile.
        self.written.append(path)
        self.done.add(name)
        self._say(f"{path.name} written")

    def refuse(self, name: str, error: OSError | SessionError) -> None:
        """Remember that a file could not be written."""
        self.missing[name] = (error.strerror if isinstance(error, OSError) else error.problem) or str(error)


def run_session(
    folder: Path, on_second: Callable[[float], None] | None = None
) -> tuple[Recording, Damage | None]:
    """The session as arrays, and what was damaged; nothing is written. Raises as `write_derived`."""
    header, records = _journal(folder)
    bench, _protocol = recorded_settings(header, folder)
    recording = collect(header, records, bench=bench, progress=on_second)
    recording.planned_as = records.planned_as
    say_at_head(recording, records.damage)
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
        *sample_stroke_columns(),
    ]


class _Samples:
    """Gathers readings into row groups; a disk that refuses them costs this table and nothing else."""

    ROWS = 4096

    def __init__(self, files: _Files, header: Header, bench: Bench) -> None:
        from storage.tables import TableWriter

        self._files = files
        self._table: TableWriter | None = None
        self._labels = [i.label for i in bench.instruments]
        self._rows: list[tuple[float, float | None, str, tuple[Any, ...]]] = []
        path = files.wanted(SAMPLES)
        if path is None:
            return
        try:
            self._table = TableWriter(path, sample_columns(), bench=header.bench, program=header.program)
        except SessionError as error:
            files.refuse(SAMPLES, error)

    def take(self, t_s: float, i: int, r: Reading, track: Track) -> None:
        """One decoded packet; it is placed where the work that it tells of ends."""
        if self._table is None:
            return
        placed = track.curve.worked_s if track.fresh else None
        self._rows.append((t_s, placed, self._labels[i], _fields_of(r)))
        if len(self._rows) >= self.ROWS:
            try:
                self._flush(self._table)
            except SessionError as error:
                self._files.refuse(SAMPLES, error)
                self.discard()

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


def _text(lines: Iterable[str]) -> bytes:
    return "".join(f"{line}\n" for line in lines).encode()
