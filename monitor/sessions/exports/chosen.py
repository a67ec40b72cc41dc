"""A package of chosen instruments under names of one's choice: a maker need not read of its rivals.

All are judged, since two say less than four. Then what is handed on is of those that were chosen: their rows,
their packets, their findings. What they are compared with is `reference`, others are `other-1`, `other-2`.
They get these names before anything is computed, so that no sentence has another one.
"""

import tempfile
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path

import msgspec

from capture.record import Record
from monitor.sessions.acts import open_session_journal
from monitor.sessions.asked import read_words, wanted_of
from monitor.sessions.derived import about, make_derived
from monitor.sessions.exports.exporting import (
    HOW_TO_READ,
    SEGMENT_COLUMNS,
    Say,
    finding_text,
    plain_values,
    segment_values,
    write_zip,
)
from monitor.sessions.exports.renamed import names_hidden, new_names, renamed, renamed_bench, words_without
from monitor.sessions.imports.session import CONTENTS, RIDES, Contents, kept_paths
from monitor.sessions.vouched import FINDINGS, GRID, SAMPLES
from monitor.setup.bench import parse_bench
from monitor.study.asked.choice import choose
from monitor.study.asked.stretch import stretches_of
from monitor.study.results import Study, encode
from storage.damage import SessionError
from storage.exports.csv_file import csv_lines
from storage.exports.package import Item
from storage.info import SessionInfo
from storage.journal import MAIN, SIDE, JournalWriter
from storage.session import Session, create_session, safe_name
from storage.tables import Column, Table, read_table, write_table


def chosen_package(
    session: Session, out: Path, only: Sequence[str], rename: Mapping[str, str], say: Say
) -> list[Path]:
    """Write the package; its path. ValueError: a label or a name that can't be; else as an export raises."""
    from monitor.report import report_html

    header, records = open_session_journal(session.path)
    bench = parse_bench(header.bench, f"the bench recorded in {session.path}")
    names = new_names(bench, only, rename)
    kept = [names[label] for label in names if not only or label in only]
    with tempfile.TemporaryDirectory(prefix="plumbwatt-package-") as folder:
        info = SessionInfo(
            program=session.info.program, name=bench.name, bench=renamed_bench(bench, names, kept),
            protocol=session.info.protocol, state="closed",
        )  # fmt: skip
        info.clock.utc_ns = session.info.clock.utc_ns
        whole = create_session(Path(folder) / "all", session.path.name[:17], info)
        _write_journal(whole, renamed(records, names, kept))
        made = make_derived(whole.path)
        made.need_all(whole.path)
        assert made.shared is not None
        hidden = [label for label in names if names[label] not in kept]
        words = words_without(read_words(session.path), hidden, say)
        acts = made.shared.recording.acts
        wanted = stretches_of(made.shared, wanted_of(session.path, acts))
        study = choose(msgspec.structs.replace(made.study, words=words, stretches=wanted), kept)
        page = report_html(study, made.shared, None, about(session)).encode()
        own = create_session(Path(folder) / "own", session.path.name[:17], info)
        _own_journal(whole, own, kept)
        tables = _tables(whole, Path(folder), kept, study)
        items = [
            *_items(whole, own, study, page, tables, kept),
            *_ride_items(session, names, kept),
        ]
    name = f"{safe_name(session.path.name)}-{'-'.join(kept)}"[:120]
    return [write_zip(session, out, name, study, items, HOW_TO_READ)]


def _write_journal(session: Session, records: Iterable[Record]) -> None:
    writer = JournalWriter(session.path, session.info.header)
    for k, each in enumerate(records):
        writer.append(each)
        if k % 512 == 511:
            writer.flush()
    if writer.close().failing:
        raise SessionError(session.path, "can't be written", "Make room where temporary files go")


def _own_journal(whole: Session, own: Session, kept: Sequence[str]) -> None:
    """The packets of the chosen ones alone, with what was done and when."""
    _header, records = open_session_journal(whole.path)
    _write_journal(
        own, (each for each in records if not (label := getattr(each, "instrument", "")) or label in kept)
    )


def _tables(whole: Session, folder: Path, kept: Sequence[str], study: Study) -> dict[str, Path]:
    """Grid, samples and segments of the chosen ones, as files."""
    columns, values = read_table(whole.path / GRID)
    mine = [c for c in columns if "." not in c.name or c.name.split(".", 1)[0] in kept]
    paths = {name: folder / name for name in (GRID, SAMPLES, "segments.parquet")}
    made = {"bench": whole.info.bench, "program": whole.info.program}
    write_table(paths[GRID], mine, {c.name: values[c.name] for c in mine}, **made)
    with Table(whole.path / SAMPLES) as table:
        rows: dict[str, list[object]] = {c.name: [] for c in table.columns}
        sample_columns: list[Column] = list(table.columns)
        for group in table.groups():
            of = [k for k, label in enumerate(group["instrument"]) if label in kept]
            for name, column in group.items():
                rows[name] += [column[k] for k in of]
    write_table(paths[SAMPLES], sample_columns, rows, **made)
    write_table(paths["segments.parquet"], SEGMENT_COLUMNS, segment_values(study), **made)
    return paths


def _items(
    whole: Session, own: Session, study: Study, page: bytes, tables: Mapping[str, Path], kept: Sequence[str]
) -> list[Item]:
    table = "".join(csv_lines(SEGMENT_COLUMNS, [plain_values(segment_values(study))]))
    names = ", ".join(kept)
    items = [
        Item("report.html", page, f"the report for readers, of {names}"),
        Item("study.json", encode(study), "every number of the report, by segment and instrument"),
        Item("segments.csv", table.encode(), "means, differences, verdicts by segment and instrument"),
        Item("segments.parquet", tables["segments.parquet"].read_bytes(), "the same table with types"),
        Item("grid.parquet", tables[GRID].read_bytes(), f"a row a second on one clock, of {names}"),
        Item("samples.parquet", tables[SAMPLES].read_bytes(), f"every decoded packet of {names}"),
        Item("findings.jsonl", finding_text(whole.path / FINDINGS, kept), "what the monitor found of them"),
        Item("bench.toml", whole.info.bench.encode(), "the bench; others have names of their place only"),
        Item(
            "journal.arrows", (own.path / MAIN).read_bytes(), f"the raw packets of {names} (Arrow IPC stream)"
        ),
        Item("journal.crc", (own.path / SIDE).read_bytes(), "checksums of the parts of the journal"),
    ]
    if whole.info.protocol:
        items.append(Item("protocol.toml", whole.info.protocol.encode(), "the protocol that was ridden"))
    return items


def _ride_items(session: Session, names: Mapping[str, str], kept: Sequence[str]) -> list[Item]:
    """The ride files of the chosen ones, and what is known of them."""
    own = [(one, path) for one, path in kept_paths(session.path) if names.get(one.label) in kept]
    if not own:
        return []
    hidden = [label for label in names if names[label] not in kept]
    files, items = [], []
    for one, path in own:
        file = names[one.label] + Path(one.file).suffix
        known = msgspec.structs.replace(
            one,
            label=names[one.label],
            file=file,
            name=file if names_hidden(one.name, hidden) else one.name,
            against=names.get(one.against, one.against),
        )
        files.append(known)
        items.append(Item(f"{RIDES}/{file}", path, f"the ride file of {known.label}"))
    text = msgspec.json.format(msgspec.json.encode(Contents(files=files)), indent=1) + b"\n"
    return [Item(f"{RIDES}/{CONTENTS}", text, "how the clock of each ride file was set, checksums"), *items]
