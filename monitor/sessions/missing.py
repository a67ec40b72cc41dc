"""What a reader has to know of a recording before its numbers: sentences for the head of the report."""

from collections.abc import Iterable

from monitor.finding import Finding
from monitor.study.recording import Recording
from monitor.text import clock
from storage.damage import Damage, Gap

PLACES = 3
"""Holes that are named by their times; of more the number."""


def say_at_head(recording: Recording, damage: Damage | None) -> None:
    """Lay these sentences into a recording whose records were all read."""
    recording.missing = missing_part(damage)
    recording.late_stamps = late_stamps(recording.findings)


def missing_part(damage: Damage | None) -> str:
    """What a reader of the report has to know of a damaged journal; "" if nothing is missing."""
    if damage is None or not (damage.torn or damage.lossy):
        return ""
    reasons = []
    if damage.torn:
        reasons.append("the recording was not closed, so its end is not here")
    if damage.bytes_lost or damage.rows_lost:
        reasons.append(f"about {damage.seconds_lost:.1f} s can't be read{_places(damage.gaps)}")
    if damage.header == "lost":
        reasons.append("bench and protocol can't be read")
    return f"A part of this session is missing: {' and '.join(reasons)}."


def _places(gaps: tuple[Gap, ...]) -> str:
    inside = [gap.before_ns for gap in gaps if gap.before_ns is not None and gap.after_ns is not None]
    if not inside:
        return ""
    if len(inside) > PLACES:
        return f", in {len(inside)} places"
    return f", at {', '.join(clock(before_ns / 1e9) for before_ns in inside)}"


def late_stamps(findings: Iterable[Finding]) -> str:
    """That the computer did not keep up while it recorded; "" if it did."""
    late_s = [f.value or 0.0 for f in findings if f.kind == "stamps-late" and f.event == "raised"]
    if not late_s:
        return ""
    times = "once" if len(late_s) == 1 else f"{len(late_s)} times"
    return f"The computer that recorded did not keep up {times}: stamps are up to {max(late_s):.1f} s late."
