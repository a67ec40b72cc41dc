"""A session judged under another bench: the same journal, another reference, claim, role or mount.

Nothing in the session's folder changes; what is said names both benches.
"""

from collections.abc import Callable, Iterable, Sequence
from pathlib import Path

import msgspec

from capture.record import Record
from monitor.sessions.acts import open_session_journal
from monitor.sessions.exports.renamed import new_names, renamed, with_names
from monitor.sessions.missing import say_at_head
from monitor.setup.bench import Bench, Limits, load_bench, parse_bench
from monitor.setup.toml_check import BenchError, suggestion
from monitor.study.recording import Recording, collect
from monitor.study.results import JudgedUnder
from storage.damage import Damage, DamagedSession

KEYS = ("role", "mount", "sides", "claim_percent", "drivetrain_loss", "crank_length_mm")
"""What of an instrument may be judged otherwise. Links and profiles are as they were recorded."""


def run_under(
    folder: Path,
    bench_file: Path,
    on_second: Callable[[float], None] | None = None,
    only: Sequence[str] = (),
    joining: Sequence[str] = (),
) -> tuple[Recording, Damage | None, JudgedUnder]:
    """The session as arrays under another bench, what was damaged, and what the bench changes.

    The protocol stays as recorded. Raises BenchError for a bench that is none, or that names an
    instrument that the session does not have, and what reading the session raises. `only`: all others have no
    name of their own; `joining`: labels of what will join. ValueError: one of `only` is neither.
    """
    given = load_bench(bench_file)
    header, records = open_session_journal(folder)
    if not header.bench:
        for _ in records:
            pass
        if records.damage is not None:
            raise DamagedSession(folder, records.damage)
    try:
        recorded = parse_bench(header.bench, f"the bench recorded in {folder}")
        bench = _fitted(given, recorded, bench_file)
        # What it is compared with here is the reference.
        names = new_names(msgspec.structs.replace(recorded, reference=bench.reference), only, {}, joining)
    except BaseException:
        records.close()
        raise
    heard: Iterable[Record] = records
    if only:
        recorded, bench = with_names(recorded, names, only), with_names(bench, names, only)
        heard = renamed(records, names, only)
    recording = collect(header, heard, bench=bench, progress=on_second)
    recording.planned_as = records.planned_as
    say_at_head(recording, records.damage)
    under = JudgedUnder(bench.name, bench_file.name, recorded.name, changes_of(recorded, bench))
    return recording, records.damage, under


def _fitted(given: Bench, recorded: Bench, file: Path) -> Bench:
    """The given bench with the recorded protocol. BenchError: it is of other instruments."""
    known = [each.label for each in recorded.instruments]
    for each in given.instruments:
        if each.label not in known:
            raise BenchError(
                str(file), f'"{each.label}" is no instrument of this session',
                suggestion(each.label, known), "instrument label",
            )  # fmt: skip
    return msgspec.structs.replace(given, protocol=recorded.protocol, scene=recorded.scene)


def changes_of(recorded: Bench, given: Bench) -> list[str]:
    """What the given bench says otherwise, a line each."""
    lines = []
    if recorded.reference != given.reference:
        lines.append(f"reference: {given.reference}, recorded {recorded.reference}")
    there = {each.label: each for each in given.instruments}
    for one in recorded.instruments:
        other = there.get(one.label)
        if other is None:
            lines.append(f"{one.label}: left out")
            continue
        for key in KEYS:
            was, now = getattr(one, key), getattr(other, key)
            if was != now:
                lines.append(f"{one.label}: {_key(key)} {_value(now, key)}, recorded {_value(was, key)}")
    for key in Limits.__struct_fields__:
        was, now = getattr(recorded.limits, key), getattr(given.limits, key)
        if was != now:
            lines.append(f"limits: {key} {now:g}, recorded {was:g}")
    return lines


NAMES = {"claim_percent": "claim", "drivetrain_loss": "drivetrain loss", "crank_length_mm": "crank length"}


def _key(key: str) -> str:
    return NAMES.get(key, key)


def _value(value: object, key: str) -> str:
    if value is None:
        return "none"
    if key == "drivetrain_loss" and isinstance(value, tuple):
        return f"{value[0]:g} W + {value[1]:g} %"
    if isinstance(value, float):
        return f"{value:g} {'mm' if key == 'crank_length_mm' else '%'}"
    return str(value)
