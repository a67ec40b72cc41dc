"""One session judged for a command: read where this program made it, else made; or under another bench."""

import gc
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import NamedTuple

import msgspec

from monitor.commands.output import Progress, UsageError, write_message
from monitor.sessions.derived import Made, make_derived, session_arrays, with_asked
from monitor.sessions.exports.exporting import read_study
from monitor.sessions.imports.joined import bench_text
from monitor.sessions.so_far import SO_FAR
from monitor.sessions.vouched import NAMES, STUDY, trusted, up_to_date, vouch
from monitor.setup.bench import parse_bench
from monitor.setup.toml_check import suggestion
from monitor.study.asked.choice import choose
from monitor.study.recording import Recording
from monitor.study.results import JudgedUnder, Study, decode, encode
from monitor.text import plain
from storage.damage import Damage, SessionError
from storage.session import Session


class Joining(NamedTuple):
    """A ride file that joins for this once, and as what; both None: none does."""

    ride: Path | None = None
    label: str | None = None


def studied(
    session: Session,
    progress: Progress,
    joining: Joining,
    bench: Path | None,
    only: Sequence[str] = (),
    *,
    arrays: bool,
) -> Made:
    """One session; what it lacks is written into its folder, unless a ride file or another bench takes part.

    `arrays`: what the study was made from is needed, too, so that it can't just be read. `only`: all others
    have no name of their own, for this once. UsageError: one of these is no instrument of the session.
    """
    if bench is not None or joining.ride is not None or only:
        return _judged_anew(session, progress, joining, bench, only)
    found = up_to_date(session.path)
    if len(found) < len(NAMES):
        return _made(session, progress)
    if not arrays and (octets := trusted(session.path, STUDY)) is not None:
        return Made([], decode(octets), None, None, {})
    from monitor.study.parts.common import shared_of
    from monitor.study.study import study as study_of

    recording, damage = session_arrays(session.path, progress)
    shared = shared_of(recording)
    result = with_asked(session.path, recording, shared, study_of(recording, shared))
    octets = encode(result)
    if not _holds(found[STUDY], octets):
        # It was judged otherwise before, or its files were exchanged: then both stay.
        return _made(session, progress, afresh=True)
    if damage is None:
        vouch(session.path, {STUDY: octets})
    _warn(session, damage)
    return Made([], result, shared, damage, {})


def _judged_anew(
    session: Session, progress: Progress, joining: Joining, bench: Path | None, only: Sequence[str] = ()
) -> Made:
    """With a ride file, under another bench or without the names of others, for this once.

    What belongs into the session's folder stays as it is.
    """
    from monitor.sessions.exports.renamed import chosen_arrays, words_without
    from monitor.sessions.judged import run_under
    from monitor.study.parts.common import shared_of
    from monitor.study.study import study as study_of

    under: JudgedUnder | None = None
    joins = () if joining.label is None else (joining.label,)
    for label in only:
        if label not in (labels := [*_labels(session), *joins]):
            raise UsageError(
                f"--only {plain(label, 40)}: no instrument of this session. {suggestion(label, labels)}"
            )
    if bench is not None:
        recording, damage, under = run_under(session.path, bench, progress, only, joins)
    elif only:
        recording, damage = chosen_arrays(session.path, only, progress, joins)
    else:
        recording, damage = session_arrays(session.path, progress)
    if joining.ride is not None and joining.label is not None:
        recording = _joined(recording, joining.ride, joining.label)
    shared = shared_of(recording)
    result = with_asked(session.path, recording, shared, study_of(recording, shared))
    if only:
        hidden = [label for label in _labels(session) if label not in only]
        words = words_without(result.words, hidden, write_message)
        result = msgspec.structs.replace(result, words=words)
    _warn(session, damage)
    return Made([], msgspec.structs.replace(result, judged_under=under), shared, damage, {})


def _labels(session: Session) -> list[str]:
    bench = parse_bench(bench_text(session), f"the bench recorded in {session.path}")
    return [each.label for each in bench.instruments]


@contextmanager
def rare_collections() -> Iterator[None]:
    """The garbage collector looks a hundred times less often: what a pass over a journal makes, it keeps."""
    before = gc.get_threshold()
    gc.set_threshold(100 * before[0], *before[1:])
    try:
        yield
    finally:
        gc.set_threshold(*before)


def _made(session: Session, progress: Progress, *, afresh: bool = False) -> Made:
    with rare_collections():
        made = make_derived(session.path, on_second=progress, afresh=afresh)
    for path in made.paths:
        write_message(f"written: {path}")
    _warn(session, made.damage)
    return made


def _joined(recording: Recording, path: Path, label: str) -> Recording:
    from monitor.study.ridefile import RideFileError, align, join, read_ride

    try:
        ride = read_ride(path)
        alignment = align(ride, recording)
        joined = join(recording, ride, alignment, label)
    except (RideFileError, ValueError) as error:
        raise UsageError(str(error)) from None
    write_message(f"{label}: {path.name}, {alignment.words}")
    return joined


def _holds(path: Path, data: bytes) -> bool:
    """Whether a file has just these octets."""
    return path.stat().st_size == len(data) and path.read_bytes() == data


def known_study(session: Session, only: Sequence[str] = ()) -> Study:
    """The study of another session: the one that it has, else a new one.

    `only`: of these instruments, as far as it has them. UsageError: it has none.
    """
    if only:
        there = [label for label in _labels(session) if label in only]
        if not there:
            raise UsageError(f"--only: {session.path} has none of these instruments")
        return choose(_judged_anew(session, lambda seconds: None, Joining(), None, there).study, there)
    latest = up_to_date(session.path).get(STUDY)
    if latest is not None:
        try:
            return read_study(latest)
        except SessionError as error:
            write_message(f"note: {error}")
    from monitor.study.parts.common import shared_of
    from monitor.study.study import study as study_of

    recording, damage = session_arrays(session.path)
    _warn(session, damage)
    shared = shared_of(recording)
    return with_asked(session.path, recording, shared, study_of(recording, shared))


def _warn(session: Session, damage: Damage | None) -> None:
    if damage is not None and (damage.lossy or session.path.parent.name != SO_FAR):
        write_message(f"note: {session.path}: {damage.text}. `plumbwatt rescue` makes it whole.")
