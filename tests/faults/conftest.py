"""Sizes of the tests of faults: bounded, as the continuous integration runs them, or `--long`."""

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[1]))


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--long", action="store_true", help="every number as the release needs it: hours")


@pytest.fixture(scope="session")
def long(request: pytest.FixtureRequest) -> bool:
    return bool(request.config.getoption("--long"))
