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
    aged: "Aged | None" = None
    """Whether it grows with the length of the ride, if that was asked for."""


class Aged(msgspec.Struct):
    """Microseconds of processor time a packet of a young and of an old pipeline, medians of rounds."""

    hours: float
    first_minute: float
    late: float
    ratio: float
    """Median of the rounds' own ratios: what slows the machine slows both halves of a round."""


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
        cost.aged = aged(hours)
    return cost


def aged(hours: float, rounds: int = 31) -> Aged:
    """A pipeline that has lived for `hours`, minute by minute in turn with the first minute of a new one."""
    minutes = round(60 * hours)
    bench, records = crowd(4, 60 * (minutes + rounds))
    by_minute: list[list[Record]] = [[] for _ in range(minutes + rounds + 1)]
    for record in records:
        by_minute[min(record.t_ns // MINUTE_NS, minutes + rounds)].append(record)
    del records
    # Of a million records that stand ready none belongs to the pipeline: the collector leaves them out.
    gc.collect()
    gc.freeze()
    try:
        old = Pipeline(bench)
        for minute in by_minute[:minutes]:
            through(old, minute)
        first, late = [], []
        for minute in by_minute[minutes : minutes + rounds]:
            first.append(through(Pipeline(bench), by_minute[0]))
            late.append(through(old, minute))
    finally:
        gc.unfreeze()
    ratios = [b / a for a, b in zip(first, late, strict=True)]
    return Aged(hours, statistics.median(first), statistics.median(late), statistics.median(ratios))


def through(pipeline: Pipeline, records: list[Record]) -> float:
    """Microseconds a packet that the pipeline takes for these records."""
    feed = pipeline.feed
    begin = time.process_time()
    for record in records:
        feed(record)
    return 1e6 * (time.process_time() - begin) / packets(records)
