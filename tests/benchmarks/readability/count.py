"""Sentences and their words, out of pages, lines of a terminal, and source."""

import html.parser
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from statistics import median

MOST_WORDS, MOST_MEDIAN = 30, 14
LEAST_WORDS = 4
"""What is shorter is a heading, a label or a cell, and no sentence."""
_WORD = re.compile(r"[^\W\d_][\w’'-]*|[+−-]?\d[\d.:,]*")
_END = re.compile(r"(?<=[.!?])[\"”’)]*\s+(?=[^\W_a-z]|[a-z]+\b)")
_SPOKEN = ("p", "li", "figcaption", "caption", "dd")


def sentences(text: str) -> list[str]:
    """The sentences of a text: ended by a full stop, an exclamation or a question mark, or its end."""
    return [part.strip() for part in _END.split(" ".join(text.split())) if part.strip()]


def words(sentence: str) -> int:
    """How many words and numbers a sentence has."""
    return len(_WORD.findall(sentence))


@dataclass(frozen=True)
class Measured:
    """The sentences of one place, each with its words."""

    place: str
    counted: list[tuple[int, str]]

    @property
    def median(self) -> float:
        """Words of the middle sentence; 0 where there is none."""
        return float(median(n for n, _ in self.counted)) if self.counted else 0.0

    @property
    def long(self) -> list[tuple[int, str]]:
        """Those that have too many, longest first."""
        return sorted((each for each in self.counted if each[0] > MOST_WORDS), reverse=True)


def measured(place: str, texts: Iterable[str], names: Iterable[str] = ()) -> Measured:
    """The sentences of texts; those that differ in numbers and `names` alone once, by the longest."""
    known = re.compile("|".join(rf"(?<![\w-]){re.escape(name)}(?![\w-])" for name in names) or r"(?!)")
    longest: dict[str, tuple[int, str]] = {}
    for text in texts:
        for sentence in sentences(text):
            form = re.sub(r"[+−-]?\d[\d.:]*", "#", known.sub("@", sentence))
            longest[form] = max(longest.get(form, (0, "")), (words(sentence), sentence))
    return Measured(place, [each for each in longest.values() if each[0] >= LEAST_WORDS])


class _Spoken(html.parser.HTMLParser):
    """The texts of a page's paragraphs, list entries, captions and answers."""

    def __init__(self) -> None:
        super().__init__()
        self.texts: list[str] = []
        self._inside: list[str] = []
        self._silent = 0

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag in ("svg", "script", "style", "button", "template"):
            self._silent += 1
        elif tag in _SPOKEN:
            self._inside.append("")

    def handle_endtag(self, tag: str) -> None:
        if tag in ("svg", "script", "style", "button", "template"):
            self._silent -= 1
        elif tag in _SPOKEN and self._inside:
            text = self._inside.pop()
            self.texts += [text] if text.strip() else []

    def handle_data(self, data: str) -> None:
        if self._inside and not self._silent:
            self._inside[-1] += data


def page_texts(page: str) -> list[str]:
    """What is written in sentences on a page of HTML."""
    spoken = _Spoken()
    spoken.feed(page)
    return spoken.texts


def line_texts(lines: Iterable[str]) -> Iterator[str]:
    """The lines of a terminal without those of tables, whose columns stand two or more apart."""
    for line in lines:
        if not re.search(r"\S {2,}\S", line.strip()):
            yield line
