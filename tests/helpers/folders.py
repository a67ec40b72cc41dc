"""Folders of many evenings whose truth is known."""

from collections.abc import Sequence
from pathlib import Path
from typing import NamedTuple

from tests.helpers.rides import UTC_NS, scene_records, write_session

DAY_NS = 86_400_000_000_000
BENCH = """
[bench]
name = "{bench}"
reference = "pedals"
[[instrument]]
label = "pedals"
role = "reference"
mount = "pedals"
sides = "both"
link = "scene:pedals"
claim_percent = 1.0
model = "twin"
[[instrument]]
label = "hub"
role = "witness"
mount = "hub"
link = "scene:hub"
claim_percent = 1.5
drivetrain_loss = [2.6, 1.0]
model = "drum"
[[instrument]]
label = "heron"
mount = "crank"
sides = "both"
link = "scene:heron"
claim_percent = 1.5
model = "{model}"
[scene]
seed = {seed}
[scene.instrument.pedals]
kind = "pedals"
radio = "ant"
gain = {pedals}
serial = 51
[scene.instrument.hub]
kind = "trainer"
radio = "bluetooth"
serial = 9001
[scene.instrument.heron]
kind = "crank"
radio = "bluetooth"
gain = {gain}
gain_right = {right}
serial = {serial}
firmware = "{firmware}"
"""


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


def make_evening(
    out: Path, truth: Truth, blocks: Sequence[tuple[int, int]] = ((160, 88), (240, 92)), seconds: int = 60
) -> Path:
    """A short session of steady blocks (W, rpm)."""
    text = BENCH.format(seed=truth.day + 1, **truth._asdict())
    for watts, rpm in blocks:
        text += f'[[protocol.segment]]\nname = "steady {watts}"\nseconds = {seconds}\n'
        text += f"target_w = {watts}\ncadence_rpm = {rpm}\nsettle_s = 5\n"
    bench, records = scene_records(text)
    stamp = f"2025-11-25-{truth.day:06d}"
    return write_session(out, bench, records, stamp, UTC_NS + truth.day * DAY_NS)
