"""Sentences are short: how they are counted, and what the report, the terminal and the screen say."""

import pytest

from tests.benchmarks.readability.count import (
    MOST_MEDIAN,
    Measured,
    line_texts,
    measured,
    page_texts,
    sentences,
    words,
)
from tests.benchmarks.readability.places import places


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("One. Two! Three?", ["One.", "Two!", "Three?"]),
        ("At 1.8 % it agrees. heron does not.", ["At 1.8 % it agrees.", "heron does not."]),
        ("one line\n  goes on; and on", ["one line goes on; and on"]),
        ("", []),
    ],
)
def test_a_sentence_ends_where_a_reader_stops(text: str, wanted: list[str]) -> None:
    assert sentences(text) == wanted


def test_words_and_numbers_are_counted_and_signs_are_not() -> None:
    assert words("heron reads +4.2 % ± 1.0 % above hub (limit 1.8 %), since 0:44.") == 10
    assert words("the rider’s left-hand side") == 4


def test_forms_count_once_by_their_longest_and_labels_do_not_count() -> None:
    text = "heron agrees at 3:00 with hub. hub agrees at 4:10 with heron. too short"
    found = measured("x", [text], ["heron", "hub"])
    assert found.counted == [(6, "hub agrees at 4:10 with heron.")]
    assert found.median == 6.0
    long = Measured("x", [(31, "a"), (30, "b"), (40, "c")])
    assert long.long == [(40, "c"), (31, "a")]


def test_pages_give_their_paragraphs_and_terminals_their_lines() -> None:
    page = "<p>One <b>two</b> three.</p><svg><p>no</p></svg><td>no</td><li>four</li>"
    page += "<p>five<button>no</button></p>"
    assert page_texts(page) == ["One two three.", "four", "five"]
    assert list(line_texts(["A  B  C", "heron agrees with hub", "  indented line"])) == [
        "heron agrees with hub", "  indented line",
    ]  # fmt: skip


@pytest.mark.slow
def test_no_sentence_of_report_terminal_and_screen_is_too_long() -> None:
    found = list(places())
    assert sum(len(each.counted) for each in found) > 300
    assert [(each.place, each.long) for each in found if each.long] == []
    assert [(each.place, each.median) for each in found if each.median > MOST_MEDIAN] == []
