"""`study`: a finished session as tables, JSON and report; several sessions side by side."""

import textwrap
from pathlib import Path
from typing import Any

import msgspec

from monitor.commands.talk import give, table, tell
from monitor.products import STUDY, recorded_settings, write_products
from monitor.recording import Recording, collect
from monitor.report import report_html
from monitor.results import Difference, Study, encode
from monitor.study import study as study_of
from storage.damage import DamagedSession
from storage.disk import write_whole
from storage.journal import read_journal
from storage.session import Session, open_session, read_live

WIDTH = 100
WORDS = {"agrees": "agrees", "differs": "DIFFERS", "undecided": "can't tell yet"}


def study(folder: Path, json: str | None, html: Path | None, against: list[Path]) -> int:
    """Print or write the study of a session; 4 if records of it were lost.

    Raises SessionError or DamagedSession if it can't be read, BenchError if its bench can't.
    """
    sessions = [open_session(path) for path in (folder, *against)]
    studied = [_studied(session) for session in sessions]
    result, recording, lossy = studied[0]
    if json == "-":
        for line in _json(sessions, [each for each, _, _ in studied]).decode().rstrip("\n").split("\n"):
            give(line)
    else:
        for line in _lines(result):
            give(line)
        if against:
            give("")
            for line in _side_by_side(sessions, [each for each, _, _ in studied]):
                give(line)
    if json is not None and json != "-":
        write_whole(Path(json), _json(sessions, [each for each, _, _ in studied]), replace=True)
        tell(f"written: {json}")
    if html is not None:
        write_whole(html, report_html(result, recording).encode(), replace=True)
        tell(f"written: {html}")
    if sessions[0].latest(STUDY) is None and read_live(sessions[0].path) is None:
        # Its screen was left before the session ended, so nobody has made them yet.
        for path in write_products(sessions[0].path):
            tell(f"written: {path}")
    return 4 if lossy else 0


def _studied(session: Session) -> tuple[Study, Recording, bool]:
    header, records = read_journal(session.path)
    if not header.bench:
        for _ in records:
            pass
        if records.damage is not None:
            raise DamagedSession(session.path, records.damage)
    bench, _ = recorded_settings(header, session.path)
    recording = collect(header, records, bench=bench)
    damage = records.damage
    if damage is not None:
        tell(f"note: {session.path}: {damage.text}. `plumbwatt rescue` makes it whole.")
    return study_of(recording), recording, damage is not None and damage.lossy


def _json(sessions: list[Session], studies: list[Study]) -> bytes:
    """The study, as in `study.json`; further sessions stand under `against`."""
    if len(studies) == 1:
        return encode(studies[0])
    whole: dict[str, Any] = msgspec.to_builtins(studies[0])
    whole["against"] = [
        {"session": str(session.path), "study": msgspec.to_builtins(each)}
        for session, each in zip(sessions[1:], studies[1:], strict=True)
    ]
    return msgspec.json.format(msgspec.json.encode(whole), indent=1) + b"\n"


def _lines(study: Study) -> list[str]:
    lost = f", {study.lost_records} LOST" if study.lost_records else ""
    lines = [
        f"{study.bench} against {study.reference}: {_clock(study.seconds)}, {study.records} records{lost}",
        "",
    ]
    rows = [("SEGMENT", "FROM", "LONG", "INSTRUMENT", "POWER", "AGAINST", "DEVIATION", "LIMIT", "VERDICT")]
    spans = [(s.name, s.start_s, s.end_s, s.means, s.differences) for s in study.segments]
    spans += [(f"{c.name} ({c.cycles} cycles)", c.start_s, c.end_s, {}, c.differences) for c in study.cycles]
    for name, start_s, end_s, means, differences in spans:
        first = (name, _clock(start_s), _clock(end_s - start_s))
        for difference in differences:
            mean = means.get(difference.instrument)
            power = "-" if mean is None or mean.power_w is None else f"{mean.power_w:.0f} W"
            rows.append((*first, difference.instrument, power, *_judged(difference)))
            first = ("", "", "")
            for part in difference.parts:
                part_span = (_clock(part.start_s), _clock(part.end_s - part.start_s))
                judged = (_percent(part.deviation_percent, part.u95_percent), "", WORDS[part.verdict])
                rows.append(("  a part of it", *part_span, "", "", "", *judged))
        if not differences:
            rows.append((*first, "-", "-", "-", "-", "-", "nothing to compare"))
    lines += [*table(rows), ""]
    for label, instrument in study.instruments.items():
        lines += _wrapped(instrument.sentence or f"{label}: {instrument.verdict}")
        serves = f"Would serve as a reference: {instrument.serves_as_reference}, {instrument.why}."
        lines += _wrapped(serves, "  ")
        if instrument.cause is not None:
            lines += _wrapped(f"Cause: {instrument.cause}. {instrument.cause_text}", "  ")
    for question in study.open:
        lines += _wrapped(f"Open: {question.instrument}: {question.question} {question.ride}")
    return lines


def _wrapped(text: str, indent: str = "") -> list[str]:
    return textwrap.wrap(text, WIDTH, initial_indent=indent, subsequent_indent=indent + "  ")


def _judged(difference: Difference) -> tuple[str, str, str, str]:
    return (
        difference.reference,
        _percent(difference.deviation_percent, difference.u95_percent),
        f"{difference.limit_percent:.1f} %",
        WORDS[difference.verdict],
    )


def _percent(deviation: float, u95: float | None) -> str:
    return f"{deviation:+.1f} %" if u95 is None else f"{deviation:+.1f} ± {u95:.1f} %"


def _side_by_side(sessions: list[Session], studies: list[Study]) -> list[str]:
    """The deviations of all sessions, a column each; segments are matched by name."""
    found: dict[tuple[str, str], dict[int, str]] = {}
    for column, study in enumerate(studies):
        for segment in study.segments:
            for difference in segment.differences:
                cell = f"{_judged(difference)[1]} {WORDS[difference.verdict]}"
                found.setdefault((segment.name, difference.instrument), {}).setdefault(column, cell)
    rows = [("SEGMENT", "INSTRUMENT", *(session.path.name for session in sessions))]
    rows += [
        (name, label, *(cells.get(column, "-") for column in range(len(studies))))
        for (name, label), cells in found.items()
    ]
    return table(rows)


def _clock(seconds: float) -> str:
    minutes, rest = divmod(round(seconds), 60)
    return f"{minutes}:{rest:02d}"
