"""`import`: ride files as an evening of their own, or joined to a session for good."""

import sys
import time
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import get_args

from monitor import __version__
from monitor.commands.output import UsageError, progress_bar, write_message, write_result
from monitor.setup.bench import CONSENSUS, Bench, Mount, Role, Sides, load_bench, parse_bench
from monitor.setup.toml_check import nearest
from monitor.setup.toml_write import toml_text
from monitor.study.rides.place import Placed, place_all
from monitor.study.rides.ride import RideFile, RideFileError
from monitor.text import plain

Ask = Callable[[str], str]
TABLES = (".csv", ".tsv", ".txt")
_BENCH = "Give --bench BENCH.toml: it says role, mount, sides and claim of each"


def import_files(
    given: Sequence[str],
    bench: Path | None,
    into: Path | None,
    out: Path,
    shift: Sequence[str],
    column: Sequence[str],
    laps: str | None,
    ask: Ask | None = None,
) -> int:
    """Make a session of ride files, or have them join one; print its folder. UsageError, BenchError."""
    paths = _pairs(given, "LABEL=FILE")
    by_hand = {label: _seconds(label, text) for label, text in _pairs(shift, "LABEL=SECONDS").items()}
    columns = _pairs(column, "NAME=HEADER")
    for label in [*by_hand, *([laps] if laps is not None and laps != "none" else [])]:
        if label not in paths:
            raise UsageError(f"{label} is no label of the files given: {', '.join(paths)}.")
    loaded = load_bench(bench) if bench is not None else None
    if loaded is not None:
        # Before files are read: a label that is misspelt is the usual mistake.
        for label in paths:
            _need_label(label, loaded, bench)
    try:
        rides = {label: _read(Path(path), columns) for label, path in paths.items()}
        for label, ride in rides.items():
            for problem in ride.problems:
                write_message(f"note: {label} ({ride.path.name}): {problem}")
        if into is not None:
            return _join(rides, loaded, into, by_hand, bench, ask)
        return _make(rides, loaded, bench, out, by_hand, laps, ask)
    except RideFileError as error:
        raise UsageError(str(error)) from None


def _pairs(given: Sequence[str], form: str) -> dict[str, str]:
    found: dict[str, str] = {}
    for each in given:
        key, equals, value = each.partition("=")
        if not equals or not key.strip() or not value.strip():
            raise UsageError(f"{each!r} is not {form}.")
        if key in found:
            raise UsageError(f"{key} is given twice. Give each once.")
        found[key.strip()] = value.strip()
    return found


def _seconds(label: str, text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = float("nan")
    if not abs(value) <= 1e9:
        raise UsageError(f"--shift {label}={text}: a number of seconds is needed, such as {label}=-37.")
    return value


def _need_label(label: str, bench: Bench, path: Path | None) -> None:
    known = [i.label for i in bench.instruments]
    if label not in known:
        near = nearest(label, known)
        hint = f'Did you mean "{near}"?' if near else f"Its labels are {', '.join(known)}."
        raise UsageError(f'{path} has no instrument "{plain(label, 20)}". {hint}')


def _read(path: Path, columns: Mapping[str, str]) -> RideFile:
    if path.suffix.lower() in TABLES:
        from monitor.study.rides.table import read_table

        return read_table(path, columns)
    from monitor.study.rides.fit import read_fit

    return read_fit(path)


# -- an evening of their own


def _make(
    rides: Mapping[str, RideFile],
    bench: Bench | None,
    path: Path | None,
    out: Path,
    by_hand: Mapping[str, float],
    laps: str | None,
    ask: Ask | None,
) -> int:
    from monitor.sessions.imports.benches import bench_for
    from monitor.sessions.imports.session import make_session, notes_of

    if len(rides) < 2:
        raise UsageError(
            "one ride file alone has nothing to be compared with. Give two or more, or --into SESSION."
        )
    if bench is None:
        bench = _asked(rides, _asker(ask), whole=True)
    if laps == "none":
        rides = {label: _undivided(ride) for label, ride in rides.items()}
        laps = None
    first = bench.reference if bench.reference in rides else next(iter(rides))
    placed = place_all(rides, first, by_hand)
    found, dropped = bench_for(bench, notes_of(rides, placed), str(path or "the bench that was asked for"))
    for label in dropped:
        write_message(f"note: {label} of the bench has no file and is left out")
    _tell(placed)
    starts = [ride.start_s + placed[label].shift_s for label, ride in rides.items()]
    begun = time.localtime(min(starts)) if rides[first].utc else time.localtime()
    stamp = time.strftime("%Y-%m-%d-%H%M%S", begun)
    session = make_session(rides, placed, found, out, stamp, f"plumbwatt {__version__}", laps)
    write_result(str(session.path))
    return 0


def _undivided(ride: RideFile) -> RideFile:
    from dataclasses import replace

    return replace(ride, laps=())


def _tell(placed: Mapping[str, Placed]) -> None:
    for label, where in placed.items():
        write_message(f"{label}: {where.words}")


# -- joined to a session


def _join(
    rides: Mapping[str, RideFile],
    bench: Bench | None,
    into: Path,
    by_hand: Mapping[str, float],
    path: Path | None,
    ask: Ask | None,
) -> int:
    from monitor.sessions.acts import open_session_journal
    from monitor.sessions.derived import session_arrays
    from monitor.sessions.imports.benches import instrument_tables
    from monitor.sessions.imports.joined import join_session
    from monitor.study.ridefile import session_power
    from storage.attach import is_recording
    from storage.session import open_session

    session = open_session(into)
    if is_recording(session.path):
        raise UsageError(f"{into} is being recorded now. Files can join it when it is closed.")
    if bench is None:
        bench = _asked(rides, _asker(ask), whole=False)
    empty = dict.fromkeys(rides, "")
    tables = {
        str(table["label"]): table
        for table in instrument_tables(bench, empty, str(path or "the bench that was asked for"))
    }
    with progress_bar("reading", session.info) as progress:
        recording, _damage = session_arrays(session.path, progress)
    if not len(session_power(recording)):
        raise UsageError(f"{into} holds no power, so no file can be placed on it.")
    header, records = open_session_journal(session.path)
    records.close()
    placed = join_session(session, recording, header, rides, tables, by_hand)
    _tell(placed)
    write_result(str(session.path))
    return 0


# -- what no bench says


def _asker(ask: Ask | None) -> Ask:
    if ask is not None:
        return ask
    if sys.stdin is None or not sys.stdin.isatty():
        raise UsageError(f"what the files' instruments are is not known. {_BENCH}.")
    return _prompt


def _prompt(question: str) -> str:
    write_message(question)
    try:
        return input()
    except EOFError:
        raise UsageError(f"the answer is missing. {_BENCH}.") from None


def _asked(rides: Mapping[str, RideFile], ask: Ask, whole: bool) -> Bench:
    """A bench from a person's answers: nothing about an instrument is taken for granted."""
    tables: list[dict[str, object]] = []
    for label in rides:
        mount = _choice(ask, f"{label}: where is it mounted?", get_args(Mount)[:-1])
        sides = _choice(ask, f"{label}: what does it measure?", get_args(Sides))
        role = _choice(ask, f"{label}: its role?", get_args(Role))
        table: dict[str, object] = {"label": label, "link": f"ride:{label}", "mount": mount, "sides": sides}
        table["role"] = role
        claim = _number(ask, f"{label}: its claimed accuracy, ± percent (empty: not known)?")
        if claim is not None:
            table["claim_percent"] = claim
        if mount == "hub":
            watts = _number(ask, f"{label}: drivetrain loss between crank and hub, watts (empty: not known)?")
            percent = _number(ask, f"{label}: and percent of the power?") if watts is not None else None
            if watts is not None:
                table["drivetrain_loss"] = [watts, percent or 0.0]
        tables.append(table)
    head = {"name": "ride files", "reference": next(iter(rides))}
    if whole:
        choices = (*rides, *([CONSENSUS] if len(rides) >= 3 else []))
        head["reference"] = _choice(ask, "What are the others compared with?", choices)
    return parse_bench(toml_text({"bench": head, "instrument": tables}), "the bench that was asked for")


def _choice(ask: Ask, question: str, choices: Sequence[str]) -> str:
    for _ in range(3):
        answer = ask(f"{question} ({', '.join(choices)})").strip().lower()
        if answer in choices:
            return answer
        write_message(f"{plain(answer, 30) or 'nothing'} is none of them")
    raise UsageError(f"{question} No answer fits. {_BENCH}.")


def _number(ask: Ask, question: str) -> float | None:
    for _ in range(3):
        answer = ask(question).strip().replace(",", ".").rstrip("% ")
        if not answer:
            return None
        try:
            return float(answer)
        except ValueError:
            write_message(f"{plain(answer, 30)} is no number")
    raise UsageError(f"{question} No answer fits. {_BENCH}.")
