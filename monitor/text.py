"""Names, times and numbers for people, and text from outside made safe to show.

Instruments choose their own names, and files and operating systems send text along. A
control character in such a text can clear a terminal, retitle it or turn the reading
direction around; markup is harmless only where nobody interprets it.
"""

import math
import re
import unicodedata
from collections.abc import Collection
from dataclasses import dataclass

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


def as_sentences(text: str, labels: Collection[str]) -> str:
    """A text whose thoughts stand apart by semicolons, as sentences. A label keeps its small letter."""
    parts = [part for part in _THOUGHTS.split(text.strip().rstrip(".")) if part]
    return " ".join(
        f"{part if part.split(' ', 1)[0].strip(':,') in labels else part[:1].upper() + part[1:]}."
        for part in parts
    )


def change_by(percent: float) -> str:
    """`by +2.1 %`; above 100 %, where a percentage says little, `to 2.5 times what it was`."""
    if percent <= 100.0:
        return f"by {percent:+z.1f} %"
    return f"{times_words(percent)} what it was"


def times_words(percent: float) -> str:
    """`to 2.5 times` of a change by so many percent."""
    times = 1.0 + percent / 100.0
    return f"to {times:.1f} times" if times < 9.95 else f"to {times:.0f} times"


def clock(t_s: float) -> str:
    """A time of the session or a length of time: `4:05`, from an hour on `1:04:05`; never below nought."""
    minutes, seconds = divmod(max(0, round(t_s)), 60)
    return f"{minutes}:{seconds:02d}" if minutes < 60 else f"{minutes // 60}:{minutes % 60:02d}:{seconds:02d}"


def seconds_of(text: str) -> float | None:
    """Seconds, or a time as `clock` writes it, in seconds; None: it is neither."""
    word = text.strip()
    if (found := _CLOCK.fullmatch(word)) is not None:
        hours, minutes, alone, seconds = found.groups()
        return 3600.0 * int(hours or 0) + 60.0 * int(minutes or alone or 0) + float(seconds)
    try:
        value = float(word)
    except ValueError:
        return None
    return value if math.isfinite(value) else None


_CLOCK = re.compile(r"(?:(\d{1,3}):([0-5]?\d)|(\d{1,5})):([0-5]\d(?:\.\d+)?)")


def moment(t_s: float) -> str:
    """A time of the session to a tenth of a second, in the form that `clock` has: `4:05.3`, `1:04:05.3`."""
    minutes, tenths = divmod(max(0, round(10.0 * t_s)), 600)
    seconds = f"{tenths / 10.0:04.1f}"
    return f"{minutes}:{seconds}" if minutes < 60 else f"{minutes // 60}:{minutes % 60:02d}:{seconds}"


@dataclass(frozen=True)
class Figures:
    """How numbers are written somewhere: the sign of minus, and what stands for a number that isn't known."""

    minus: str
    nothing: str

    def number(self, value: float | None, digits: int = 1, sign: bool = False) -> str:
        """A number of so many decimals; nought has no sign."""
        if value is None or not math.isfinite(value):
            return self.nothing
        text = f"{value:+.{digits}f}" if sign else f"{value:.{digits}f}"
        if float(text) == 0.0:
            text = text.lstrip("+-")
        return text.replace("-", self.minus)

    def sure(self, value: float | None, u95: float | None, digits: int = 1) -> str:
        """A deviation with its uncertainty; `?` where that isn't known."""
        if value is None:
            return self.nothing
        width = self.number(u95, digits) if u95 is not None else "?"
        return f"{self.number(value, digits, sign=True)} ± {width}"


TERMINAL = Figures("-", "-")
"""Plain signs, which any tool can read back."""
PAGE = Figures("\N{MINUS SIGN}", "\N{EN DASH}")


_WITHIN = re.compile(r"(?<=\d) (?=± ?\d|[%W]\b|%)|(?<=±) (?=\d)")
"""Spaces that belong to a figure."""


def minus(text: str) -> str:
    """A text with real minus signs before its numbers."""
    return _MINUS.sub(PAGE.minus, text)


_THOUGHTS = re.compile(r";\s+(?![^(]*\))|, then ")
"""Between two thoughts, not inside brackets."""
_MINUS = re.compile(r"(?<![\w\d.)])-(?=\d)")


def unbroken(text: str) -> str:
    """The same, where no line ends within a figure with its uncertainty or before its unit."""
    return _WITHIN.sub("\u00a0", text)
