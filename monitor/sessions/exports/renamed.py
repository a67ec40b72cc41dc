"""A session whose instruments have other names: those that are not chosen are `reference`, `other-1`, ...

They are judged all the same, since two say less than four. They get these names before any sentence is made
of them, so that none has another one.
"""

import re
import tomllib
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from pathlib import Path

import msgspec

from capture.record import Act, Link, Packet, Record, Reported, Write
from monitor.finding import Finding
from monitor.sessions.acts import open_session_journal
from monitor.sessions.derived import session_arrays
from monitor.sessions.missing import say_at_head
from monitor.setup.bench import CONSENSUS, LABEL, Bench, Instrument
from monitor.setup.toml_check import suggestion
from monitor.setup.toml_write import toml_text
from monitor.study.recording import Recording, collect
from monitor.text import plain
from storage.damage import Damage

REFERENCE, OTHER = "reference", "other"


def _free(name: str, taken: Sequence[str]) -> str:
    """The name, or one like it where an instrument that stays is called so."""
    return next(each for each in (name, *(f"{name}-{letter}" for letter in "abcdef")) if each not in taken)


def new_names(
    bench: Bench, only: Sequence[str], rename: Mapping[str, str], joining: Sequence[str] = ()
) -> dict[str, str]:
    """The name of every instrument. ValueError: a label or a name that can't be.

    `only` may also have labels of those that are still to join.
    """
    labels = [each.label for each in bench.instruments]
    for label in [*only, *rename]:
        if label not in (*labels, *joining):
            raise ValueError(
                f"{plain(label, 40)} is no instrument of this session. {suggestion(label, labels)}"
            )
    for name in rename.values():
        if not LABEL.fullmatch(name) or name == CONSENSUS:
            raise ValueError(f"{plain(name, 40)!r} is no name: 1 to 16 of the characters a-z, 0-9 and -")
    names: dict[str, str] = {}
    others = 0
    for label in labels:
        if label in rename:
            names[label] = rename[label]
        elif not only or label in only:
            names[label] = label
        elif label == bench.reference:
            names[label] = _free(REFERENCE, only)
        else:
            others += 1
            names[label] = _free(f"{OTHER}-{others}", only)
    twice = sorted(name for name in set(names.values()) if list(names.values()).count(name) > 1)
    if twice:
        raise ValueError(f"{twice[0]} would be the name of two instruments. Give one of them another")
    return names


def renamed_bench(bench: Bench, names: Mapping[str, str], kept: Sequence[str]) -> str:
    """The bench in TOML with the names of the package; of the others only what the judgement needs."""
    instruments = []
    for each in bench.instruments:
        name = names[each.label]
        table: dict[str, object] = {
            "label": name, "link": f"log:{name}", "role": each.role, "mount": each.mount, "sides": each.sides,
        }  # fmt: skip
        if each.profile is not None:
            table["profile"] = each.profile
        if each.claim_percent is not None:
            table["claim_percent"] = each.claim_percent
        if each.drivetrain_loss is not None:
            table["drivetrain_loss"] = list(each.drivetrain_loss)
        if each.crank_length_mm is not None:
            table["crank_length_mm"] = each.crank_length_mm
        if name in kept:
            own = {
                "notes": _own_notes(each, names, kept),
                "model": each.model,
                "serial": each.serial,
                "firmware": each.firmware,
            }
            table |= {key: value for key, value in own.items() if value}
        instruments.append(table)
    reference = names.get(bench.reference, bench.reference)
    root: dict[str, object] = {
        "bench": {"name": bench.name, "reference": reference},
        "instrument": instruments,
        "limits": msgspec.to_builtins(bench.limits),
    }
    # As it was written: what it leaves out has defaults that depend on the segment.
    if (protocol := tomllib.loads(bench.text).get("protocol")) is not None:
        root["protocol"] = protocol
    return toml_text(root)


def renamed(records: Iterable[Record], names: Mapping[str, str], kept: Sequence[str]) -> Iterator[Record]:
    """The records with other names; what a person wrote of another instrument is blank."""
    for record in records:
        if isinstance(record, Packet | Link | Write | Reported) and record.instrument in names:
            name = names[record.instrument]
            if isinstance(record, Reported) and name not in kept:
                # Its name, maker and serial number are nobody's business.
                continue
            yield msgspec.structs.replace(record, instrument=name)
        elif isinstance(record, Act):
            name = names.get(record.instrument, record.instrument)
            about_others = name not in kept if name else record.act in ("note", "mark")
            text = (
                "" if about_others and record.act in ("note", "mark", "position", "zeroed") else record.text
            )
            if about_others and record.act in ("note", "mark"):
                continue
            yield msgspec.structs.replace(record, instrument=name, text=text)
        else:
            yield record


def _own_notes(each: Instrument, names: Mapping[str, str], kept: Sequence[str]) -> str:
    """What the bench notes of an instrument; nothing where it names another, as whose clock it was set by."""
    hidden = [label for label in names if names[label] not in kept]
    return "" if names_hidden(each.notes, hidden) else each.notes


def with_names(bench: Bench, names: Mapping[str, str], kept: Sequence[str]) -> Bench:
    """The bench with other names; of the others only what the judgement needs."""

    def one(each: Instrument) -> Instrument:
        name = names[each.label]
        if name in kept:
            return msgspec.structs.replace(each, label=name, notes=_own_notes(each, names, kept))
        # How it was heard says how fine its values are, and whose it is does not matter.
        link = f"{each.link.partition(':')[0]}:{name}"
        return msgspec.structs.replace(
            each, label=name, link=link, notes="", model="", serial="", firmware=""
        )

    return msgspec.structs.replace(
        bench,
        reference=names.get(bench.reference, bench.reference),
        instruments=tuple(one(each) for each in bench.instruments),
    )


def names_hidden(text: str, hidden: Iterable[str]) -> bool:
    """Whether a text names one of these instruments, as a word of its own."""
    words = set(re.findall(r"[A-Za-z0-9-]+", text))
    return any(label in words for label in hidden)


def words_without(
    words: Mapping[str, str], hidden: Sequence[str], say: Callable[[str], None]
) -> dict[str, str]:
    """The tester's words without those that name one of these instruments; `say` is told which."""
    left = {key: text for key, text in words.items() if not names_hidden(text, hidden)}
    for key in words:
        if key not in left:
            say(f"note: the {key} names an instrument that was not chosen, and is left out")
    return left


def chosen_arrays(
    folder: Path,
    only: Sequence[str],
    on_second: Callable[[float], None] | None = None,
    joining: Sequence[str] = (),
) -> tuple[Recording, Damage | None]:
    """The session as arrays, in which all others but these have no name of their own.

    `joining`: labels of what will join. ValueError: a label that is none. Sentences that were made in riding
    and name another one are made anew, from the journal.
    """
    recording, damage = session_arrays(folder, on_second)
    names = new_names(recording.bench, only, {}, joining)
    bench = with_names(recording.bench, names, only)
    hidden = [label for label in names if label not in only]
    if any(names_hidden(_said(f), hidden) for f in recording.findings if f.instrument in only):
        header, records = open_session_journal(folder)
        again = collect(header, renamed(records, names, only), bench=bench, progress=on_second)
        again.planned_as = records.planned_as
        # Those that are left out here were recorded all the same.
        again.records = recording.records
        say_at_head(again, records.damage)
        return again, records.damage
    recording.bench = bench
    recording.findings = [_renamed_finding(f, names, only) for f in recording.findings]
    recording.acts = [a for a in renamed(recording.acts, names, only) if isinstance(a, Act)]
    recording.links = [each for each in renamed(recording.links, names, only) if isinstance(each, Link)]
    recording.writes = [each for each in renamed(recording.writes, names, only) if isinstance(each, Write)]
    return recording, damage


def _said(finding: Finding) -> str:
    return f"{finding.what} {finding.do} {finding.advice}"


def _renamed_finding(finding: Finding, names: Mapping[str, str], kept: Sequence[str]) -> Finding:
    reference = finding.reference
    found = msgspec.structs.replace(
        finding,
        instrument=names.get(finding.instrument, finding.instrument),
        reference=None if reference is None else names.get(reference, reference),
    )
    if found.instrument in kept or not found.instrument:
        return found
    # It counts in what is judged, and nobody reads it.
    return msgspec.structs.replace(found, what="", do="", advice="")
