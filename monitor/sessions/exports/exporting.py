"""A session for other tools: what goes into each file, and how a stranger reads it.

The numbers are those of the session's tables and of its study; nothing is computed here.
"""

import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

import msgspec

from monitor.sessions.acts import AMENDMENTS
from monitor.sessions.asked import LONGEST_WORDS, STRETCHES, WORDS
from monitor.sessions.derived import about, session_arrays, with_asked, write_derived
from monitor.sessions.imports.joined import bench_text, joined_folders
from monitor.sessions.imports.session import CONTENTS, RIDES, kept_paths
from monitor.sessions.so_far import to_judge
from monitor.sessions.stroke_columns import RIDE_FILE_PERCENTS, grid_stroke_fields
from monitor.sessions.vouched import FINDINGS, GRID, NAMES, SAMPLES, STUDY, up_to_date
from monitor.setup.bench import parse_bench
from monitor.study.results import Study, decode, encode
from monitor.text import plain
from storage.damage import SessionError
from storage.disk import read_plain, write_whole
from storage.exports.csv_file import csv_lines, write_csv
from storage.exports.fit_file import DeveloperField, Lap, Ride, fit_bytes, need_fit
from storage.exports.package import README, Item, package_bytes, readme
from storage.journal import MAIN, SIDE
from storage.session import Session, free_path, make_folder, open_session, safe_name
from storage.tables import Column, Table, read_table, write_table

Say = Callable[[str], None]
KINDS = ("csv", "fit", "parquet", "package")
STUDY_OCTETS = 256 << 20
"""At most so long is a study that is read."""
AGAIN = "Move it away; `plumbwatt study` makes it again"
FIRST_S, LAST_S = 946_684_800.0, 4_102_444_800.0
"""Dates that every kind of file can hold, Unix seconds: the years 2000 to 2099."""


def export(
    folder: Path, kind: str, out: Path | None = None, say: Say | None = None, *, so_far: bool = False
) -> list[Path]:
    """Write one kind of export; the paths of what was written.

    `kind` is one of KINDS; `out` the folder for it, by default `exports` in the session.
    Tables that are not there yet, or are of another state of the session, are made first. `so_far`: of a
    session that is being recorded, what it has until now (`monitor.sessions.so_far`). Raises
    ValueError for another kind, and what opening, studying and writing raise.
    """
    if kind not in KINDS:
        raise ValueError(f"{kind} is no kind of export; there are {', '.join(KINDS)}")
    if kind == "fit":
        need_fit()
    say = say or (lambda text: None)
    session = open_session(to_judge(folder, so_far))
    names = derived_files(session, say)
    study = read_study(names[STUDY])
    if out is None:
        out = session.path / "exports"
        if out.is_symlink():
            problem = "is a link that leads out of the session"
            raise SessionError(out, problem, "Remove it, or give a folder with --out")
    try:
        return _write_kind(kind, session, names, study, out, say)
    except OSError as error:
        if error.filename is not None and Path(error.filename) != out:
            raise
        problem = f"can't be written to ({error.strerror or error})"
        raise SessionError(out, problem, "Make room, or give another folder with --out") from None


def _write_kind(
    kind: str, session: Session, names: Mapping[str, Path], study: Study, out: Path, say: Say
) -> list[Path]:
    if kind == "fit":
        return _fit(session, names, study, out, say)
    if kind == "package":
        return _package(session, names, out)
    target = make_folder(out, f"{safe_name(session.path.name)}-{kind}")
    if kind == "parquet":
        return _parquet(session, names, study, target)
    return _csv(names, study, target)


def read_study(path: Path) -> Study:
    """A study from its file. SessionError if it is none of ours."""
    try:
        return decode(read_plain(path, STUDY_OCTETS))
    except (OSError, msgspec.MsgspecError) as error:
        problem = f"is no study that this version reads ({error})"
        raise SessionError(path, problem, AGAIN) from None


def need_columns(path: Path, columns: Iterable[Column], numbers: Iterable[str]) -> None:
    """SessionError if a table lacks one of these columns, or has no numbers there."""
    kinds = {column.name: column.kind for column in columns}
    for name in numbers:
        if kinds.get(name) not in ("int", "float"):
            problem = f"has no numbers in a column {plain(name, 40)}, so it is not of this session"
            raise SessionError(path, problem, AGAIN)


def _utc_s(study: Study) -> float | None:
    """Unix time of the first second, None if there is none or no file could hold it."""
    utc_s = (study.utc_ns or 0) / 1e9
    return utc_s if FIRST_S <= utc_s < LAST_S else None


def derived_files(session: Session, say: Say) -> dict[str, Path]:
    """Each derived file by its name; they are made if one is missing or of another state of the session."""
    found = up_to_date(session.path)
    if len(found) < len(NAMES):
        write_derived(session.path, say)
        found = up_to_date(session.path)
    if len(found) < len(NAMES):
        raise SessionError(session.path, "changes while it is read", "Try again when nobody writes there")
    return found


# -- tables of the study

SEGMENT_COLUMNS = (
    Column("segment", "text"), Column("start_s", "float", "s"), Column("end_s", "float", "s"),
    Column("settle_s", "float", "s"), Column("kind", "text"), Column("load", "text"),
    Column("steady", "bool"),
    Column("instrument", "text"), Column("power_w", "float", "W"), Column("left_w", "float", "W"),
    Column("right_w", "float", "W"), Column("cadence_rpm", "float", "rpm"),
    Column("coverage", "float", "1"),
    Column("reference", "text"), Column("delta_w", "float", "W"), Column("delta_percent", "float", "%"),
    Column("expected_percent", "float", "%"), Column("deviation_percent", "float", "%"),
    Column("u95_percent", "float", "%"), Column("limit_percent", "float", "%"), Column("verdict", "text"),
    Column("left_delta_w", "float", "W"), Column("right_delta_w", "float", "W"),
    Column("share_right", "float", "1"), Column("blocks", "int"),
)  # fmt: skip
_OF_SEGMENT = ("start_s", "end_s", "settle_s", "kind", "load", "steady")
_OF_MEANS = ("power_w", "left_w", "right_w", "cadence_rpm", "coverage")
_OF_DIFFERENCE = (
    "reference", "delta_w", "delta_percent", "expected_percent", "deviation_percent", "u95_percent",
    "limit_percent", "verdict", "left_delta_w", "right_delta_w", "share_right", "blocks",
)  # fmt: skip


def segment_values(study: Study) -> dict[str, list[Any]]:
    """One row per segment and instrument, as columns of SEGMENT_COLUMNS."""
    values: dict[str, list[Any]] = {column.name: [] for column in SEGMENT_COLUMNS}
    for segment in study.segments:
        for label, means in segment.means.items():
            found = next((d for d in segment.differences if d.instrument == label), None)
            values["segment"].append(segment.name)
            values["instrument"].append(label)
            for name in _OF_SEGMENT:
                values[name].append(getattr(segment, name))
            for name in _OF_MEANS:
                values[name].append(getattr(means, name))
            for name in _OF_DIFFERENCE:
                values[name].append(getattr(found, name) if found is not None else None)
    return values


_FINDING_COLUMNS = (
    Column("t_s", "float", "s"), Column("event", "text"), Column("kind", "text"),
    Column("instrument", "text"), Column("side", "text"), Column("reference", "text"),
    Column("value", "float"), Column("limit", "float"),
    Column("unit", "text"), Column("since_s", "float", "s"), Column("cause", "text"),
    Column("what", "text"), Column("do", "text"), Column("advice", "text"),
)  # fmt: skip


def _finding_values(path: Path) -> dict[str, list[Any]]:
    """Findings as columns. SessionError if the file holds something else."""
    rows = []
    for number, line in enumerate(read_plain(path).splitlines(), 1):
        if not line.strip():
            continue
        try:
            rows.append(msgspec.json.decode(line, type=dict[str, str | int | float | bool | None]))
        except (msgspec.MsgspecError, RecursionError, UnicodeError):
            raise SessionError(path, f"holds no finding in line {number}", AGAIN) from None
    return {column.name: [row.get(column.name) for row in rows] for column in _FINDING_COLUMNS}


# -- kinds


def _csv(names: Mapping[str, Path], study: Study, target: Path) -> list[Path]:
    paths = []
    for name in (GRID, SAMPLES):
        with Table(names[name]) as table:
            path = target / f"{Path(name).stem}.csv"
            write_csv(path, _plain_columns(table.columns), map(plain_values, table.groups()))
            paths.append(path)
    path = target / "segments.csv"
    write_csv(path, SEGMENT_COLUMNS, [plain_values(segment_values(study))])
    paths.append(path)
    path = target / "findings.csv"
    write_csv(path, _FINDING_COLUMNS, [plain_values(_finding_values(names[FINDINGS]))])
    return [*paths, path]


def _plain_columns(columns: Sequence[Column]) -> list[Column]:
    """Columns whose names and units may stand in a terminal: a table may be of others."""
    return [Column(plain(c.name), c.kind, plain(c.unit)) for c in columns]


def plain_values(values: Mapping[str, Sequence[Any]]) -> dict[str, list[Any]]:
    """The same columns with texts that may stand in a terminal: such files are looked at with `cat`, too."""
    return {
        plain(name): [plain(v) if isinstance(v, str) else v for v in column]
        for name, column in values.items()
    }


def _parquet(session: Session, names: Mapping[str, Path], study: Study, target: Path) -> list[Path]:
    paths = []
    for name in (GRID, SAMPLES):
        path = target / name
        write_whole(path, read_plain(names[name]))
        paths.append(path)
    path = target / "segments.parquet"
    _write_segments(session, study, path)
    return [*paths, path]


def _write_segments(session: Session, study: Study, path: Path) -> None:
    write_table(
        path, SEGMENT_COLUMNS, segment_values(study), bench=bench_text(session), program=session.info.program
    )


def rides(session: Session, names: Mapping[str, Path], study: Study) -> dict[str, Ride]:
    """One ride per instrument with power, and `combined`: the reference, the others as developer fields."""
    bench = parse_bench(bench_text(session), "the session's bench")
    columns, grid = read_table(names[GRID])
    kinds = ("power_w", "left_w", "right_w", "cadence_rpm")
    wanted = [f"{i.label}.{kind}" for i in bench.instruments for kind in kinds]
    need_columns(names[GRID], columns, ["time_s", *wanted])
    seconds = len(grid["time_s"])
    utc_s = _utc_s(study)
    last = float(seconds)
    laps = [Lap(s.name, min(max(s.start_s, 0.0), last), min(s.end_s, last)) for s in study.segments]
    result = {}
    fields = []
    for i in bench.instruments:
        cadence = grid[f"{i.label}.cadence_rpm"]
        fields.append(DeveloperField(f"{i.label}.cadence_rpm", "rpm", cadence))
        if not i.measures_power:
            continue
        power, left = grid[f"{i.label}.power_w"], grid[f"{i.label}.left_w"]
        share = [
            100.0 * side / whole if i.sides == "both" and side is not None and whole else None
            for side, whole in zip(left, power, strict=True)
        ]
        exact = DeveloperField(f"{i.label}.power_w", "W", power)
        fields.append(exact)
        if i.sides != "total":
            fields += [
                DeveloperField(f"{i.label}.left_w", "W", left),
                DeveloperField(f"{i.label}.right_w", "W", grid[f"{i.label}.right_w"]),
            ]
        stroke = [
            DeveloperField(name, unit, grid[name])
            for name, unit in grid_stroke_fields(i.label).items()
            if any(c.name == name and c.kind == "float" for c in columns)
        ]
        fields += stroke
        percents = {
            standard: grid[f"{i.label}.{name}"]
            for name, standard in RIDE_FILE_PERCENTS.items()
            if any(f.name == f"{i.label}.{name}" for f in stroke)
        }
        result[i.label] = Ride(power, cadence, share, laps, [exact, *stroke], utc_s, "plumbwatt", percents)
    base = result.get(bench.reference) or next(iter(result.values()), None)
    if base is not None:
        found = [f for f in fields if any(v is not None for v in f.values)]
        result["combined"] = msgspec.structs.replace(base, fields=found)
    return result


def _fit(session: Session, names: Mapping[str, Path], study: Study, out: Path, say: Say) -> list[Path]:
    out.mkdir(parents=True, exist_ok=True)
    paths = []
    for label, ride in rides(session, names, study).items():
        path = free_path(out / f"{safe_name(session.path.name)}-{label}.fit")
        write_whole(path, fit_bytes(ride))
        paths.append(path)
        say(f"{path.name} written")
    return paths


def _package(session: Session, names: Mapping[str, Path], out: Path) -> list[Path]:
    study, items = whole_items(session, names)
    return [write_zip(session, out, safe_name(session.path.name), study, items, HOW_TO_READ)]


def whole_items(session: Session, names: Mapping[str, Path]) -> tuple[Study, list[Item]]:
    """All files of a package of one session, made from its journal, and its study."""
    from monitor.report import report_html
    from monitor.study.parts.common import shared_of
    from monitor.study.study import study as study_of

    # Made anew: a package is handed on, and a report of others could run what it likes in a browser.
    recording, _damage = session_arrays(session.path)
    shared = shared_of(recording)
    study = with_asked(session.path, recording, shared, study_of(recording, shared))
    report = report_html(study, shared, None, about(session)).encode()
    temporary = free_path(session.path / ".segments.parquet")
    try:
        _write_segments(session, study, temporary)
        segments = temporary.read_bytes()
    finally:
        temporary.unlink(missing_ok=True)
    return study, package_items(session, names, study, segments, report)


def write_zip(
    session: Session, out: Path, name: str, study: Study, items: Sequence[Item], ending: str
) -> Path:
    """One zip file of these items with a text that explains each, the tester's words first; its path."""
    out.mkdir(parents=True, exist_ok=True)
    path = free_path(out / f"{name}.zip")
    said = [f"**{key.capitalize()}**: {markdown(t, LONGEST_WORDS)}" for key, t in study.words.items()]
    text = readme(
        f"Session {markdown(session.path.name)}",
        "".join(f"{line}\n\n" for line in said)
        + f"Bench “{markdown(study.bench)}”, compared with {markdown(study.reference)}. Open `report.html` "
        "first: it needs no network and no other program than a browser. All times are seconds from the "
        "start of the session; columns tell their unit in their name.",
        items,
        ending,
    )
    everything = [Item(README, text.encode(), "this text"), *items]
    write_whole(path, package_bytes(everything, name, _utc_s(study)))
    return path


def finding_text(path: Path, labels: Sequence[str]) -> bytes:
    """The findings of these instruments, a JSON object a line. SessionError: it holds something else."""
    values = _finding_values(path)
    lines = zip(read_plain(path).splitlines(), values["instrument"], strict=True)
    return b"".join(line + b"\n" for line, label in lines if label in labels)


def markdown(text: str, longest: int = 80) -> str:
    """A text from outside as words of a Markdown file: no links, no pictures, no HTML."""
    return re.sub(r"([\\`*_\[\]<>&|~$])", r"\\\1", plain(text.replace("\n", " "), longest))


def package_items(
    session: Session, names: Mapping[str, Path], study: Study, segments: bytes, report: bytes
) -> list[Item]:
    """The files of a package with what is said of each."""
    table = "".join(csv_lines(SEGMENT_COLUMNS, [plain_values(segment_values(study))]))
    items = [
        Item("report.html", report, "the report for readers, with all plots"),
        Item("study.json", encode(study), "every number of the report, by segment and instrument"),
        Item("segments.csv", table.encode(), "means, differences, verdicts by segment and instrument"),
        Item("segments.parquet", segments, "the same table with types"),
        Item(
            "grid.parquet", names[GRID],
            "a row a second, all instruments on one clock: power, sides, cadence, and `coverage`, the part "
            "of the second that was heard; power is the mean of that part, empty below half; the sum of "
            "`work_j` is the work in joules; angles are degrees of a leg's own crank, 0 up, 90 forward, "
            "in the direction of pedalling",
        ),
        Item(
            "samples.parquet", names[SAMPLES],
            "every decoded packet: `time_s` when it arrived, `placed_s` where its work ends on the common "
            "clock",
        ),
        Item("findings.jsonl", names[FINDINGS], "what the monitor found, one JSON object a line"),
        Item("bench.toml", bench_text(session).encode(), "the bench as the tester described it"),
    ]  # fmt: skip
    if session.info.protocol:
        items.append(Item("protocol.toml", session.info.protocol.encode(), "the protocol that was ridden"))
    for name, text in (
        ("session.json", "when it was recorded, by which version, what each instrument reported of itself"),
        (
            "journal.arrows",
            "the raw packets as they arrived (Arrow IPC stream): all else is made from it",
        ),
        ("journal.crc", "checksums of the parts of the journal"),
        (AMENDMENTS, "acts that were put right afterwards, and how they read before: all tables follow it"),
        (WORDS, "what the tester says of the session"),
        (STRETCHES, "stretches that the tester asked for"),
    ):
        path = session.path / name
        if path.exists():
            items.append(Item(name, path, text))
    return items + _ride_items(session)


def _ride_items(session: Session) -> list[Item]:
    """The ride files that a session keeps, what is known of each, and the journals of those that joined."""
    kept = kept_paths(session.path)
    if not kept:
        return []
    items = [
        Item(
            f"{RIDES}/{CONTENTS}",
            session.path / RIDES / CONTENTS,
            "ride files: how each clock was brought to the session's, how sure that is, checksums",
        )
    ]
    items += [Item(f"{RIDES}/{one.file}", path, f"the ride file of {one.label}") for one, path in kept]
    for folder in joined_folders(session.path):
        items += [
            Item(f"{RIDES}/{folder.name}/{name}", folder / name, "what a file that joined held, as a journal")
            for name in (MAIN, SIDE)
            if (folder / name).exists()
        ]
    return items


HOW_TO_READ = '''## Reading it

With pandas:

```python
import pandas
grid = pandas.read_parquet("grid.parquet")
power = grid.filter(like=".power_w").mean()
segments = pandas.read_parquet("segments.parquet")
verdicts = segments.pivot_table("deviation_percent", "segment", "instrument", sort=False)
```

With duckdb:

```python
import duckdb
worst = duckdb.sql("""
    select segment, instrument, deviation_percent, u95_percent, verdict
    from 'segments.parquet' where verdict is not null order by abs(deviation_percent) desc
""").fetchall()
packets = duckdb.sql("""
    select instrument, item, count(*) from 'samples.parquet' group by all order by all
""").fetchall()
```

The raw packets:

```python
import pyarrow.ipc
with pyarrow.ipc.open_stream("journal.arrows") as stream:
    first = stream.read_next_batch()
```'''


def summary(paths: Sequence[Path]) -> str:
    """What was written, in a few words."""
    total = sum(path.stat().st_size for path in paths)
    return f"{len(paths)} file{'' if len(paths) == 1 else 's'}, {total / 1e6:.1f} MB"
