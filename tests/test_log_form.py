"""A file that is no capture log in seconds is named as what it is; one that is, is read."""

import bz2
import gzip
import json
import lzma
from pathlib import Path

import pytest

from capture.log import LogScript
from capture.log_form import other_form
from capture.record import Packet
from monitor.cli import main

TODAY_S = 1_790_000_000.0


def lines(*, begin: float = 0.0, step: float = 0.25, n: int = 40) -> str:
    """A trainer in steps of `step`, beside it its battery every 240 steps."""
    out = []
    for k in range(n):
        t = begin + k * step
        out.append({"t": t, "instrument": "hub", "ble": "2A63", "hex": "0000FA00"})
        if k % 240 == 0:
            out.append({"t": t, "instrument": "hub", "ble": "2A19", "hex": "40"})
    return "".join(json.dumps(line) + "\n" for line in out)


@pytest.mark.parametrize(
    ("begin", "step", "unit", "by"),
    [
        (0.0, 250.0, "milliseconds", "1000"),
        (12.0, 1000.0, "milliseconds", "1000"),
        (1000 * TODAY_S, 250.0, "milliseconds", "1000"),
        (0.0, 250_000.0, "microseconds", "1000000"),
        (1e6 * TODAY_S, 1e6, "microseconds", "1000000"),
        (1e9 * TODAY_S, 1e9, "nanoseconds", "1000000000"),
    ],
)
def test_other_units_are_named_with_what_to_divide_by(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], begin: float, step: float, unit: str, by: str
) -> None:
    path = tmp_path / "evening.jsonl"
    path.write_text(lines(begin=begin, step=step))
    assert main(["replay", str(path), "--headless"]) == 2
    said = capsys.readouterr().err
    assert unit in said
    assert f"divide it by {by}\n" in said.replace(".\n", "\n")


@pytest.mark.parametrize("begin", [0.0, 86_000.0, TODAY_S])
@pytest.mark.parametrize("step", [0.01, 0.25, 1.0, 2.0])
def test_seconds_are_read_however_they_begin(tmp_path: Path, begin: float, step: float) -> None:
    path = tmp_path / "evening.jsonl"
    path.write_text(lines(begin=begin, step=step))
    assert sum(isinstance(record, Packet) for record in LogScript(path).records()) == 41


def test_a_pause_or_a_rare_value_is_no_other_unit(tmp_path: Path) -> None:
    # Half an hour between two blocks; a cadence sensor that sends only while it turns.
    path = tmp_path / "evening.jsonl"
    path.write_text(lines(n=20) + lines(begin=1800.0, n=20) + lines(begin=3500.0, step=1.0, n=9))
    assert other_form(path) is None
    path.write_text(lines(begin=0.0, step=60.0, n=7))
    assert other_form(path) is None, "seven packets tell nothing of a unit"


@pytest.mark.parametrize(
    ("pack", "word"),
    [
        (gzip.compress, "gzip"),
        (bz2.compress, "bzip2"),
        (lzma.compress, "xz"),
        (lambda octets: octets.decode().encode("utf-16"), "UTF-16"),
        (lambda octets: octets.decode().encode("utf-16-le"), "UTF-16"),
        (lambda octets: octets.decode().encode("utf-16-be"), "UTF-16"),
    ],
)
def test_packed_logs_and_other_encodings(tmp_path: Path, pack, word: str) -> None:
    path = tmp_path / "evening.jsonl"
    path.write_bytes(pack(lines().encode()))
    form = other_form(path)
    assert form is not None
    assert word in form
