"""The bench of ride files: what a tester's bench says of the labels that have a file, whatever its links."""

import tomllib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from monitor.setup.bench import CONSENSUS, Bench, parse_bench
from monitor.setup.toml_check import BenchError
from monitor.setup.toml_write import toml_text
from monitor.text import plain

NOTES_LIMIT = 2000


def bench_for(bench: Bench, notes: Mapping[str, str], of: str) -> tuple[Bench, list[str]]:
    """The bench with a `ride:` link for each label of `notes`, and the labels without a file, left out.

    `notes` tells by label what its file is; `of` names the bench in messages. BenchError: a label is none of
    the bench's, or its reference has no file.
    """
    _need_labels(bench, list(notes), of)
    root: dict[str, Any] = tomllib.loads(bench.text)
    kept, dropped = [], []
    for table in root["instrument"]:
        label = table["label"]
        if label not in notes:
            dropped.append(label)
            continue
        table = {key: value for key, value in table.items() if key != "profile"}
        table["link"] = f"ride:{label}"
        table["notes"] = _noted(str(table.get("notes", "")), notes[label])
        kept.append(table)
    if bench.reference != CONSENSUS and bench.reference in dropped:
        raise BenchError(
            of,
            f'its reference "{bench.reference}" has no ride file',
            f"Give {bench.reference}=FILE, or a bench with another reference.",
            "bench.reference",
        )
    left = {key: value for key, value in root.items() if key not in ("scene", "instrument", "trainer")}
    head = {"bench": left.pop("bench"), "instrument": kept, **left}
    return parse_bench(toml_text(head), of), dropped


def bench_with(text: str, tables: Sequence[Mapping[str, object]], of: str) -> Bench:
    """A recorded bench with further instruments. BenchError: they don't fit."""
    root: dict[str, Any] = tomllib.loads(text)
    # Tables of instruments may stand anywhere; those of a protocol come last in a file of people.
    root["instrument"] = [*root["instrument"], *tables]
    return parse_bench(toml_text(root), of)


def instrument_tables(bench: Bench, notes: Mapping[str, str], of: str) -> list[dict[str, object]]:
    """What a bench says of these labels, as tables with `ride:` links. BenchError: it has not all."""
    _need_labels(bench, list(notes), of)
    tables = []
    for table in tomllib.loads(bench.text)["instrument"]:
        label = table["label"]
        if label in notes:
            one = {key: value for key, value in table.items() if key not in ("profile", "notes")}
            tables.append(
                {**one, "link": f"ride:{label}", "notes": _noted(str(table.get("notes", "")), notes[label])}
            )
    return tables


def _need_labels(bench: Bench, labels: Sequence[str], of: str) -> None:
    known = [instrument.label for instrument in bench.instruments]
    for label in labels:
        if label not in known:
            raise BenchError(
                of, f'has no instrument "{plain(label, 20)}"', f"Its labels are {', '.join(known)}."
            )


def _noted(notes: str, of_file: str) -> str:
    return f"{notes.strip()}{'. ' if notes.strip() else ''}{of_file}"[:NOTES_LIMIT]


def file_words(path: Path, kind: str, words: str, problems: Sequence[str]) -> str:
    """What is said of a file in notes and remarks: one sentence a fact."""
    said = [f"{kind} file {plain(path.name, 60)}", words, *problems]
    return ". ".join(each[:1].upper() + each[1:] for each in said) + "."
