"""Folders of many evenings whose truth is known."""

from collections.abc import Sequence
from pathlib import Path
from typing import NamedTuple

from tests.helpers.benches import head, hub, instrument, pedals, scene, sends, steady
from tests.helpers.rides import UTC_NS, scene_records, write_session

DAY_NS = 86_400_000_000_000


class Truth(NamedTuple):
    """One evening: day, model, serial number, gain, its right side's own, and that of the pedals."""

    day: int
    model: str = "K2"
    serial: str = "7"
    gain: float = 1.0
    right: float = 1.0
    pedals: float = 1.0
    firmware: str = "1.0"
    bench: str = "winter"


def bench_of(truth: Truth) -> str:
    """Three instruments, without a protocol."""
    text = head(truth.bench, "pedals") + pedals(model="twin")
    text += hub("witness", claim_percent=1.5, model="drum")
    text += instrument("heron", mount="crank", sides="both", claim_percent=1.5, model=truth.model)
    text += scene(truth.day + 1) + sends("pedals", "pedals", "ant", gain=truth.pedals, serial=51)
    text += sends("hub", "trainer", "bluetooth", serial=9001)
    return text + sends(
        "heron", "crank", "bluetooth", gain=truth.gain, gain_right=truth.right, serial=int(truth.serial),
        firmware=truth.firmware,
    )  # fmt: skip


def make_evening(
    out: Path, truth: Truth, blocks: Sequence[tuple[int, int]] = ((160, 88), (240, 92)), seconds: int = 60
) -> Path:
    """A short session of steady blocks (W, rpm)."""
    text = bench_of(truth)
    for watts, rpm in blocks:
        text += steady(seconds, watts, rpm, settle_s=5)
    bench, records = scene_records(text)
    stamp = f"2025-11-25-{truth.day:06d}"
    return write_session(out, bench, records, stamp, UTC_NS + truth.day * DAY_NS)
