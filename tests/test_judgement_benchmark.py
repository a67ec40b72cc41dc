"""The quick form of the benchmark of judgement: no healthy instrument is condemned, nothing crashes.

Evenings by a generator that shares nothing with the monitor, on seeds that the benchmark's own
tables don't use.
"""

import pytest

from tests.benchmarks.judgement.__main__ import cases, run_all, safe, tables
from tests.benchmarks.judgement.score import Result, judge

FIRST_SEED = 7000


@pytest.fixture(scope="module")
def results() -> list[Result]:
    return run_all(cases("", None, FIRST_SEED, True), 2)


@pytest.mark.slow
def test_no_healthy_instrument_is_condemned(results: list[Result]) -> None:
    assert safe(results) == [], tables(results)


@pytest.mark.slow
def test_nobody_healthy_is_named_in_place_of_the_guilty(results: list[Result]) -> None:
    assert [r.case for r in results if r.named == "wrong"] == []


@pytest.mark.slow
@pytest.mark.parametrize("scenario", ["wrong reference", "consensus of 3, one bad"])
def test_the_guilty_one_is_named_and_nobody_else(scenario: str) -> None:
    result = judge(scenario, FIRST_SEED + 100)
    assert result.crash == ""
    assert (result.named, result.condemned) == ("right", [])


@pytest.mark.slow
def test_two_can_only_differ() -> None:
    result = judge("two only", FIRST_SEED + 100)
    assert (result.crash, result.condemned) == ("", [])
