"""The list of threats in DEVELOPERS.md: every test that it names is there."""

import re
from pathlib import Path

import pytest

from tests.fuzz.targets import TARGETS

ROOT = Path(__file__).parents[1]
TITLE = "## What may attack, and the test beside it"


def lines() -> list[list[str]]:
    """The cells of each line of the table."""
    section = (ROOT / "DEVELOPERS.md").read_text("utf-8").partition(TITLE)[2].partition("\n## ")[0]
    table = [line for line in section.splitlines() if line.startswith("|")]
    return [[cell.strip() for cell in line.strip("|").split("|")] for line in table[2:]]


@pytest.mark.parametrize("line", lines(), ids=lambda line: f"{line[0]}: {line[1]}"[:40])
def test_every_threat_names_tests_that_are_there(line: list[str]) -> None:
    assert len(line) == 4
    assert all(line)
    named = re.findall(r"`([^`]+)`", line[3])
    assert named
    for each in named:
        file, *words = each.split()
        if file == "fuzz":
            assert words
            assert set(words) <= set(TARGETS)
            continue
        assert words.pop(0) == "-k"
        tests = re.findall(r"(?m)^(?:async )?def (test_\w+)", (ROOT / "tests" / file).read_text("utf-8"))
        for word in words:
            assert any(word in name for name in tests), f"{file} has no test whose name holds {word}"


def test_the_list_is_found() -> None:
    assert len(lines()) >= 15
