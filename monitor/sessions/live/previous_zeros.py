"""What earlier sessions in the same folder know of a unit: its zero offsets, from their journals."""

from collections.abc import Iterable
from datetime import UTC, datetime
from pathlib import Path

from capture.control import read_answer
from capture.record import Header, Packet, Record
from storage.damage import SessionError
from storage.info import read_info
from storage.journal import MAIN, read_journal

SESSIONS = 6
"""So many of the latest sessions with the unit are read; a journal takes about a second."""
LOOKED_AT = 60
"""So many of the latest sessions are asked whether they have it."""
_IDENTITIES = ("address", "ant_id")
SAME_ANSWER_NS = 10 * 10**9
"""The same value again within this time is the same answer, sent again: ANT+ repeats its pages."""


def unit_of(facts: dict[str, float | str]) -> str | None:
    """What tells a unit from others of its kind: its address or device number; None: nothing yet."""
    for key in _IDENTITIES:
        if value := facts.get(key):
            return f"{key} {value}"
    return None


def earlier_zeros(session: Path, unit: str) -> list[tuple[str, float]]:
    """Date and raw value of each zero that a unit told in earlier sessions beside this one, oldest first.

    Sessions that can't be read are passed by: this is a comfort while riding, not a report.
    """
    folders = sorted((each.parent for each in session.parent.glob(f"*/{MAIN}")), reverse=True)
    found: list[list[tuple[str, float]]] = []
    for folder in [each for each in folders if each.name < session.name][:LOOKED_AT]:
        label = _label_of(folder, unit)
        if label is None:
            continue
        try:
            header, records = read_journal(folder)
            found.append(zeros_in(header, records, label))
        except (SessionError, OSError, ValueError):
            continue
        if len(found) >= SESSIONS:
            break
    return [zero for zeros in reversed(found) for zero in zeros]


def _label_of(folder: Path, unit: str) -> str | None:
    try:
        info = read_info(folder)
    except (SessionError, OSError, ValueError):
        return None
    for each in info.instruments if info is not None else ():
        if unit_of(dict(each.reported)) == unit:
            return each.label
    return None


def zeros_in(header: Header, records: Iterable[Record], label: str) -> list[tuple[str, float]]:
    """Date and raw value of each zero that an instrument told in a session."""
    found: list[tuple[int, float]] = []
    for record in records:
        if not isinstance(record, Packet) or record.instrument != label:
            continue
        if record.channel not in ("2A66", "ant11", "ant17"):
            continue
        answer = read_answer(record.channel, record.data)
        if answer is None or answer.what != "zero offset" or answer.value is None:
            continue
        if answer.outcome == "done" and not (
            found and found[-1][1] == answer.value and record.t_ns - found[-1][0] < SAME_ANSWER_NS
        ):
            found.append((record.t_ns, answer.value))
    if not header.utc_ns:
        return []
    return [
        (datetime.fromtimestamp((header.utc_ns + t_ns) / 1e9, UTC).date().isoformat(), raw)
        for t_ns, raw in found
    ]
