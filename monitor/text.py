"""Text that came from outside, made safe to show: on the screen, in a terminal line, in a report.

Instruments choose their own names, and files and operating systems send text along. A
control character in such a text can clear a terminal, retitle it or turn the reading
direction around; markup is harmless only where nobody interprets it.
"""

import unicodedata

REPLACEMENT = "\N{REPLACEMENT CHARACTER}"
NAME_CHARACTERS = 24
"""What a name may fill in a line; longer ones are cut."""


def plain(text: str, limit: int | None = None) -> str:
    """`text` with every character of Unicode category C (control, format, surrogate, unassigned) as U+FFFD.

    Line ends and tabs are control characters too, so the result is one line. `limit` is the
    greatest number of characters; a longer text ends in `…`.
    """
    if limit is not None and len(text) > limit:
        text = text[: limit - 1] + "…"
    if text.isprintable():
        return text
    return "".join(REPLACEMENT if unicodedata.category(sign)[0] == "C" else sign for sign in text)


def plain_name(text: str) -> str:
    """A name from outside: no control characters, at most `NAME_CHARACTERS` long."""
    return plain(text, NAME_CHARACTERS)
