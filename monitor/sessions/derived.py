"""What is made from a journal, and the lines in which findings are told.

Everything here is a function of the records: it can be deleted and made again. `derived.json` says what
the files were made from; those of another state of the session are made anew beside them.
"""

from collections.abc import Callable, Iterable
from pathlib import Path
from typing import TYPE_CHECKING

import msgspec

from capture.record import Header
from monitor.finding import Finding
from monitor.live.pipeline import Pipeline
from monitor.sessions.missing import say_at_head
from monitor.sessions.settings import recorded_settings
from monitor.sessions.tables import Samples, write_grid
from monitor.sessions.vouched import (
    FINDINGS,
    GRID,
    NAMES,
    REPORT,
    SAMPLES,
    STUDY,
    keep_recording,
    kept_recording,
    plan,
    vouch,
)
from monitor.study.parts.common import Shared, shared_of
from monitor.study.recording import Recording, collect
from monitor.study.results import Study, encode
from monitor.text import plain
from storage.damage import Damage, SessionError
from storage.disk import is_plain, write_whole
from storage.session import Session, open_session

if TYPE_CHECKING:
    from monitor.report.page import About
    from monitor.sessions.acts import AmendedRecords
    from monitor.sessions.live.gathered import Gathered

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
    gathered: "Gathered | None" = None,
) -> Made:
    """As `write_derived`, with all that it found; what the disk refuses is named in `missing`.

    `on_second` is told session seconds now and then. `afresh`: also what is up to date. `gathered`: what was
    made of the records while they were recorded here.
    """
    from monitor.study.study import study

    say = progress or (lambda text: None)
    session = open_session(folder)
    kept = None if afresh else kept_recording(session.path)
    files = _Files(session.path, afresh, say)
    recording, damage = _pass(session, files, kept or gathered, say, on_second)
    say(f"{recording.records} records, {len(recording.findings)} changes of findings")
    shared = shared_of(recording)
    result = with_asked(session.path, recording, shared, study(recording, shared))
    made: dict[str, bytes] = {}
    for name, write in _writers(session, recording, shared, result, made).items():
        files.put(name, write)
    if damage is None:
        # What was damaged is said each time anew, so each time it is read.
        vouch(session.path, {name: octets for name, octets in made.items() if name in files.done})
        if recording is not kept:
            keep_recording(session.path, recording)
    return Made(files.written, result, shared, damage, files.missing)


def _pass(
    session: Session,
    files: "_Files",
    known: "Recording | Gathered | None",
    say: Progress,
    on_second: Callable[[float], None] | None,
) -> tuple[Recording, Damage | None]:
    """The session as arrays, its table of samples, and what was damaged; of the journal what is needed."""
    wanted = files.wanted(SAMPLES)
    if isinstance(known, Recording) and wanted is None:
        return known, None
    if known is not None and (found := _sampled(session, files, known)) is not None:
        return found, None
    header, records = _journal(session.path)
    bench, _protocol = recorded_settings(header, session.path)
    say("judging the journal")
    samples = Samples(wanted, header, bench, files.refuse)
    try:
        recording = collect(header, records, bench=bench, on_reading=samples.take, progress=on_second)
    except BaseException:
        samples.discard()
        raise
    recording.planned_as = records.planned_as
    say_at_head(recording, records.damage)
    files.put(SAMPLES, samples.finish)
    return recording, records.damage


def _sampled(session: Session, files: "_Files", known: "Recording | Gathered") -> Recording | None:
    """What is known of a session already, once its journal was read for the samples; None: of another."""
    from monitor.sessions.live.gathered import Chain

    header, records = _journal(session.path)
    recording = known if isinstance(known, Recording) else known.recording(header, session.path)
    if recording is None:
        records.close()
        return None
    chain = Chain()
    samples = Samples(files.wanted(SAMPLES), header, recording.bench, files.refuse)
    same = samples.again(chain.along(records), recording.placed) and records.damage is None
    if not isinstance(known, Recording):
        same = same and chain.value == known.chain.value
        say_at_head(recording, None)
    if not same:
        samples.discard()
        records.close()
        return None
    files.put(SAMPLES, samples.finish)
    return recording


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


def _writers(
    session: Session, recording: Recording, shared: Shared, result: Study, made: dict[str, bytes]
) -> dict[str, Callable[[Path], None]]:
    """What writes each derived file but the samples; study and report stand in `made` then."""
    from monitor.report import report_html

    def kept(name: str, octets: Callable[[], bytes]) -> Callable[[Path], None]:
        def write(path: Path) -> None:
            made[name] = octets()
            write_whole(path, made[name])

        return write

    return {
        GRID: lambda path: write_grid(path, recording),
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
            self._wanted = plan(folder, afresh)
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
                self.refuse(error, name)
                return
            # Another process made the same from the same meanwhile.
        self.written.append(path)
        self.done.add(name)
        self._say(f"{path.name} written")

    def refuse(self, error: OSError | SessionError, name: str = SAMPLES) -> None:
        """Remember that a file could not be written."""
        self.missing[name] = (error.strerror if isinstance(error, OSError) else error.problem) or str(error)


def run_session(
    folder: Path, on_second: Callable[[float], None] | None = None
) -> tuple[Recording, Damage | None]:
    """The journal as arrays, and what was damaged; nothing is written. Raises as `write_derived`."""
    header, records = _journal(folder)
    bench, _protocol = recorded_settings(header, folder)
    recording = collect(header, records, bench=bench, progress=on_second)
    recording.planned_as = records.planned_as
    say_at_head(recording, records.damage)
    return recording, records.damage


def session_arrays(
    folder: Path, on_second: Callable[[float], None] | None = None
) -> tuple[Recording, Damage | None]:
    """As `run_session`; a whole session is kept as arrays, and its journal need not run a second time."""
    kept = kept_recording(folder)
    if kept is not None:
        return kept, None
    recording, damage = run_session(folder, on_second)
    if damage is None:
        keep_recording(folder, recording)
    return recording, damage


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


def _text(lines: Iterable[str]) -> bytes:
    return "".join(f"{line}\n" for line in lines).encode()
