"""Plain words: no private idiom and no endless sentence in what a person reads."""

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
PRIVATE = (
    "the deviation of power is over", "the news of a shift is over", "the loss of signal is over",
    "then its cause may be told", "for sure and in none against it", "which of the two leans",
    "think of a knock", "has crept by", "no cure", "each time in gear", "takes no records", "give it back",
    "tells cadence only", "tried on metal", "give yourself the right", "talk to stderr", "bug of ours",
    "looked at every time", "seated anew", "the same block again", "heard alone", "judged by its own",
    "deviates over", "leans more", "nothing but riding",
)  # fmt: skip
"""Idioms that only somebody who knows the program can read."""
READ = ("report", "dashboard", "commands", "study", "live", "controls", "sessions")
MOST_WORDS = 30
SENTENCES_OF = ("report", "dashboard", "commands")


def texts_of(source: str) -> Iterator[str]:
    """Every text of a module that is no docstring; what an f-string fills in counts as one word."""
    tree = ast.parse(source)
    # A string that stands alone describes what is above it: nobody but a developer reads it.
    inner = {id(n.value) for n in ast.walk(tree) if isinstance(n, ast.Expr)}
    for node in ast.walk(tree):
        if isinstance(node, ast.JoinedStr):
            inner |= {id(part) for part in node.values}
            yield "".join(p.value if isinstance(p, ast.Constant) else "…" for p in node.values)  # type: ignore[misc]
    for node in ast.walk(tree):
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in inner:
            yield node.value


def page_texts() -> Iterator[str]:
    """The words of the report's template, an element each, without its markup."""
    template = (ROOT / "monitor/report/web/page.html.j2").read_text("utf-8")
    for part in re.split(r"<[^>]*>", re.sub(r"\{%.*?%\}", "", template)):
        yield re.sub(r"\{\{.*?\}\}", "…", part)


def user_texts(rooms: tuple[str, ...]) -> Iterator[tuple[str, str]]:
    """Where a text stands, and the text."""
    for room in rooms:
        for file in sorted((ROOT / "monitor" / room).rglob("*.py")):
            for text in texts_of(file.read_text("utf-8")):
                yield str(file.relative_to(ROOT)), text
    if "report" in rooms:
        for text in page_texts():
            yield "monitor/report/web/page.html.j2", text


def sentences(text: str) -> list[str]:
    """Sentences and list entries of a text."""
    return re.split(r"(?<=[.!?])\s+|\n", text)


def test_no_private_idiom_stands_in_a_text_for_people() -> None:
    texts = [*user_texts(READ), ("monitor/cli.py", (ROOT / "monitor/cli.py").read_text("utf-8"))]
    texts += [(name, (ROOT / name).read_text("utf-8")) for name in ("README.md", "DEVELOPERS.md")]
    found = [(file, phrase) for file, text in texts for phrase in PRIVATE if phrase in text.lower()]
    assert found == []


def test_no_sentence_has_more_than_thirty_words() -> None:
    long = [
        (file, sentence)
        for file, text in user_texts(SENTENCES_OF)
        for sentence in sentences(text)
        if len(re.findall(r"\w[\w’'-]*", sentence)) > MOST_WORDS
    ]
    assert long == []


@pytest.mark.parametrize(
    ("source", "texts"),
    [
        ('"""Doc: bug of ours."""\nx = "shown"', ["shown"]),
        ('x = f"{a} no {b} cure"', ["… no … cure"]),
        ('x = "no " "cure"', ["no cure"]),
        ('def f():\n    """Doc."""\n    return {"k": ("a", "b")}', ["k", "a", "b"]),
    ],
)
def test_texts_are_found_and_docstrings_are_not(source: str, texts: list[str]) -> None:
    assert list(texts_of(source)) == texts
