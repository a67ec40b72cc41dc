"""A bench of any size whose instruments all send four times a second: the ride that costs are measured on."""

from operator import attrgetter

import numpy as np

from capture.record import Act, Packet, Record, Tick
from monitor.setup.bench import Bench, Instrument
from tests.benchmarks.detection.generator import MOUNTS, UTC_NS
from tests.benchmarks.detection.meters import Meter, send
from tests.benchmarks.detection.rider import ride

SENDERS = ("ant-trainer", "ble-dual-torque", "ant-spider", "ant-dual")
"""In turn: a hub without sides, pedals, a spider, a crank; two radios, all kinds of counters."""
HZ = 4.0
SEGMENT_S = 120


def meters(count: int) -> list[Meter]:
    """`count` healthy instruments; each fifth of them leans, so that there is something to find."""
    made = []
    for i in range(count):
        sender = SENDERS[i % len(SENDERS)]
        two = "dual" in sender
        gain = 1.05 if i % 5 == 4 else 1.0 + 0.001 * (i % 3)
        made.append(
            Meter(
                f"m{i}",
                sender,
                MOUNTS.get(sender, "spider"),
                "both" if two else "total",
                1.5,
                gain_left=gain,
                gain_right=gain,
                update_s=1.0 / HZ,
                clock_ppm=5.0 * (i % 7),
                clock_s=11.0 * i,
                loss=0.01,
            )
        )
    return made


def crowd(count: int, seconds: int, *, reference: str = "m0", seed: int = 1) -> tuple[Bench, list[Record]]:
    """The bench and all records of `seconds` of riding at levels."""
    rng = np.random.default_rng(seed)
    instruments = meters(count)
    bench = Bench(
        name="crowd",
        reference=reference,
        instruments=tuple(
            Instrument(label=m.label, link=f"log:{m.label}", mount=m.mount, sides=m.sides, claim_percent=1.5)
            for m in instruments
        ),
    )
    ridden = ride("levels", seconds, rng)
    records: list[Record] = [Tick(s * 1_000_000_000, UTC_NS + s * 1_000_000_000) for s in range(seconds + 1)]
    records += [
        Act(s * 1_000_000_000 + 1, "segment", f"block {s // SEGMENT_S}") for s in range(0, seconds, SEGMENT_S)
    ]
    for m in instruments:
        records += send(ridden, m, None, rng).records
    records.sort(key=attrgetter("t_ns"))
    return bench, records


def bench_text(count: int, reference: str = "m0") -> str:
    """The bench as a file for a log of these instruments; at most `monitor.setup.bench.MOST_INSTRUMENTS`."""
    lines = ["[bench]", 'name = "crowd"', f'reference = "{reference}"']
    for m in meters(count):
        lines += [
            "[[instrument]]",
            f'label = "{m.label}"',
            f'mount = "{m.mount}"',
            f'sides = "{m.sides}"',
            f'link = "log:{m.label}"',
            "claim_percent = 1.5",
        ]
    return "\n".join(lines) + "\n"


def packets(records: list[Record]) -> int:
    """How many of the records are packets."""
    return sum(isinstance(record, Packet) for record in records)
