"""What a tester marks while riding: stretches that a key opens and closes, notes that name an instrument."""

from collections.abc import Sequence

STRETCH = "stretch"
"""Kind of the act; its text is OPEN or CLOSE. It changes no segment and no finding."""
OPEN, CLOSE = "open", "close"
REMOUNTED = "remounted"
"""Text of the act `position` that names an instrument: it was seated anew, or its sensor was moved."""


def note_of(text: str, labels: Sequence[str]) -> tuple[str, str]:
    """The instrument that a note begins with, and the rest of it: `heron: creaks`; without one ("", text)."""
    label, colon, rest = text.partition(":")
    label = label.strip().lower()
    if colon and rest.strip() and label in labels:
        return label, rest.strip()
    return "", text
