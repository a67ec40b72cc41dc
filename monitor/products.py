"""What is made from a journal, and the lines in which findings are told.

Everything here is a function of the records: it can be deleted and made again.
"""

from collections.abc import Callable, Iterable
from pathlib import Path

import msgspec

from capture.record import Header
from monitor.bench import Bench, parse_bench
from monitor.pipeline import Pipeline
from monitor.plain import plain
from monitor.protocol import Protocol, parse_protocol
from monitor.view import Finding

FINDINGS = "findings.jsonl"

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


def write_products(folder: Path, progress: Progress | None = None) -> list[Path]:
    """Make everything that can be made from the journal of a session; the paths of the files.

    A file that is there already stays: the new one gets a number. Raises what
    `storage.session.open_session` raises, and BenchError.
    """
    from storage.disk import write_whole
    from storage.journal import read_journal
    from storage.session import open_session

    say = progress or (lambda text: None)
    session = open_session(folder)
    header, records = read_journal(session.path)
    bench, protocol = recorded_settings(header, session.path)
    pipeline = Pipeline(bench, protocol)
    say("judging the journal")
    lines = [finding_line(finding) for record in records for finding in pipeline.feed(record)]
    lines += [finding_line(finding) for finding in pipeline.finish()]
    path = session.product(FINDINGS)
    write_whole(path, _text(lines))
    say(f"{len(lines)} changes of findings")
    return [path]


def _text(lines: Iterable[str]) -> bytes:
    return "".join(f"{line}\n" for line in lines).encode()
