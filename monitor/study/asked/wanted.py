"""A stretch of a session as its tester writes it: `40:55-42:10=climb`."""

import math
import re

import msgspec

from monitor.text import clock, plain, seconds_of

LONGEST_NAME = 60
MOST_STRETCHES = 500


class Wanted(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A stretch that is asked for: session seconds and its name."""

    name: str
    from_s: float
    to_s: float

    @property
    def problem(self) -> str:
        """What is wrong with it; empty if nothing is."""
        if not (math.isfinite(self.from_s) and math.isfinite(self.to_s)):
            return "a time is no number"
        if self.from_s < 0.0:
            return "a session begins at 0:00"
        if self.to_s - self.from_s < 1.0:
            return "it must end at least a second after its beginning"
        if not self.name.strip() or len(self.name) > LONGEST_NAME or not self.name.isprintable():
            return f"a name has 1 to {LONGEST_NAME} characters in one line"
        return ""


def parse_stretch(text: str) -> Wanted:
    """`FROM-TO` or `FROM-TO=NAME`, times as `m:ss`, `h:mm:ss` or seconds; named by its times without NAME.

    Raises ValueError with what is wrong and how to write it.
    """
    span, equals, name = text.partition("=")
    times = re.fullmatch(r"\s*([0-9:.]+)\s*[-\N{EN DASH}]\s*([0-9:.]+)\s*", span)
    begin, end = (seconds_of(each) for each in times.groups()) if times is not None else (None, None)
    if begin is None or end is None or (equals and not name.strip()):
        raise ValueError(
            f"{plain(text, 60)!r} is no stretch. Write FROM-TO or FROM-TO=NAME, as in 40:55-42:10=climb"
        )
    wanted = Wanted(name.strip() or f"{clock(begin)}-{clock(end)}", begin, end)
    if wanted.problem:
        raise ValueError(f"{plain(text, 60)!r} is no stretch: {wanted.problem}")
    return wanted
