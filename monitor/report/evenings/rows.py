"""Evenings as rows of a table on a page."""

from typing import Any

from monitor.report.terminal import WORDS
from monitor.study.evenings.evening import Evening, Value
from monitor.study.evenings.groups import SideBySide
from monitor.text import PAGE, plain

number, sure = PAGE.number, PAGE.sure
QUANTITIES = (
    ("total", "Total"), ("left", "Left"), ("right", "Right"), ("held", "Held load"), ("free", "Free riding"),
    ("low_cadence", "Below 80 rpm"), ("high_cadence", "95 rpm and more"),
)  # fmt: skip


def evening_rows(found: SideBySide) -> list[dict[str, Any]]:
    """A row an evening, in time."""
    return [_row(e) for e in found.evenings]


def cell(v: Value) -> str:
    """A deviation with its uncertainty, or a dash."""
    return sure(v.percent, v.u95_percent, 1) if v.percent is not None else PAGE.nothing


def _values(e: Evening) -> list[str]:
    return [cell(getattr(e, name)) for name, _ in QUANTITIES]


def _row(e: Evening) -> dict[str, Any]:
    return {
        "date": e.date,
        "session": plain(e.session, 60),
        "instrument": plain(e.instrument, 20),
        "unit": plain(" ".join(w for w in (e.model, e.unit) if w), 60) or PAGE.nothing,
        "firmware": plain(e.firmware, 20) or PAGE.nothing,
        "reference": plain(f"{e.reference} {e.reference_unit}".strip(), 40) or PAGE.nothing,
        "verdict": e.verdict or "undecided",
        "word": WORDS[e.verdict].lower() if e.verdict else "not compared",
        "values": _values(e),
        "limit": number(e.limit_percent, 1),
    }
