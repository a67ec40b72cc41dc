"""What is missing of a recording, in one sentence for the head of the report."""

from monitor.text import clock
from storage.damage import Damage, Gap

PLACES = 3
"""Holes that are named by their times; of more the number."""


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
