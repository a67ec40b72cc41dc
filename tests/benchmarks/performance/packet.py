"""What a packet costs from its bytes to the findings, beside decoding alone and beside pandas."""

import gc
import statistics
import time

import msgspec

from capture.profiles import decode
from capture.record import Packet, Record
from capture.sample import DecodeError
from monitor.bench import Bench
from monitor.pipeline import Pipeline
from tests.benchmarks.performance import pandas_version
from tests.benchmarks.performance.crowd import crowd, packets
from tests.benchmarks.performance.measure import in_turn

SIZES = {1: 1200, 2: 900, 4: 900, 8: 450, 16: 240, 32: 150, 64: 120}
"""Instruments and seconds."""
MINUTE_NS = 60_000_000_000


class Cost(msgspec.Struct):
    """Microseconds of processor time a packet."""

    instruments: dict[int, float]
    decoding: float
    pandas_at_once: float
    pandas_live: float
    first_minute: float = 0.0
    early: float = 0.0
    """Median of the minutes 2 to 11, when all windows are there."""
    late: float = 0.0
    """Median of the last ten minutes of the long ride."""
    hours: float = 0.0


def run(bench: Bench, records: list[Record]) -> None:
    """All records through a new pipeline."""
    feed = Pipeline(bench).feed
    for record in records:
        feed(record)


def decode_all(them: list[Packet]) -> None:
    """Decoding alone."""
    for packet in them:
        try:
            decode(packet.channel, packet.data)
        except DecodeError:
            continue


def costs(rounds: int, hours: float = 0.0, live_s: int = 90) -> Cost:
    """Measure; `hours` above 0 also runs that long a ride of four instruments."""
    rides = {count: crowd(count, seconds) for count, seconds in SIZES.items()}
    bench, records = rides[4]
    them = [r for r in records if isinstance(r, Packet)]
    few = [r for r in them if r.t_ns < live_s * 1_000_000_000]
    works = {f"{count}": (lambda b=b, r=r: run(b, r)) for count, (b, r) in rides.items()}
    works["decoding"] = lambda: decode_all(them)
    works["pandas"] = lambda: pandas_version.at_once(bench, them)
    taken = in_turn(works, rounds)
    slow = in_turn({"live": lambda: pandas_version.live(bench, few)}, 1)["live"]
    cost = Cost(
        {count: 1e6 * taken[f"{count}"] / packets(rides[count][1]) for count in SIZES},
        1e6 * taken["decoding"] / len(them),
        1e6 * taken["pandas"] / len(them),
        1e6 * slow / len(few),
    )
    if hours > 0.0:
        minutes = by_minute(*crowd(4, int(hours * 3600)))
        cost.hours = hours
        cost.first_minute = minutes[0]
        cost.early = statistics.median(minutes[1:11])
        cost.late = statistics.median(minutes[-10:])
    return cost


def by_minute(bench: Bench, records: list[Record]) -> list[float]:
    """Microseconds a packet in each minute of one long run."""
    # Of a million records that stand ready none belongs to the pipeline: the collector leaves them out.
    gc.collect()
    gc.freeze()
    try:
        feed = Pipeline(bench).feed
        out = []
        edge, count, begin = MINUTE_NS, 0, time.process_time()
        for record in records:
            if record.t_ns >= edge:
                out.append(1e6 * (time.process_time() - begin) / max(1, count))
                edge, count, begin = edge + MINUTE_NS, 0, time.process_time()
            feed(record)
            count += isinstance(record, Packet)
        return out
    finally:
        gc.unfreeze()
