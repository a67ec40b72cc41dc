"""What a packet costs from its bytes to the findings, beside decoding alone and beside pandas."""

import gc
import statistics
import time
from collections.abc import Callable

import msgspec

from capture.profiles import decode
from capture.record import Packet, Record
from capture.sample import DecodeError
from monitor.live.pipeline import Pipeline
from monitor.setup.bench import Bench
from tests.benchmarks.performance import pandas_version
from tests.benchmarks.performance.crowd import crowd, packets
from tests.benchmarks.performance.measure import in_turn, ratio

SIZES = {1: 1200, 2: 900, 4: 900, 8: 450, 16: 240, 32: 150, 64: 120}
"""Instruments and seconds."""
MINUTE_NS = 60_000_000_000
DECODINGS = 10
"""So often a ride is decoded in one turn, that it takes about as long as what it is held against."""


class Cost(msgspec.Struct):
    """Microseconds of processor time a packet."""

    instruments: dict[int, float]
    decoding: float
    pandas_at_once: float
    pandas_live: float
    ratios: dict[str, float]
    """Of the above, each the median of the rounds' own."""
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
    sizes = {f"{count}": (lambda b=b, r=r: run(b, r)) for count, (b, r) in rides.items()}
    # What is held against four instruments comes right before and after them.
    works: dict[str, Callable[[], object]] = {
        "64": sizes.pop("64"),
        "decoding": lambda: decode_all(DECODINGS * them),
        "4": sizes.pop("4"),
        "pandas": lambda: pandas_version.at_once(bench, them),
        **sizes,
    }
    seconds = in_turn(works, rounds)
    counts = {name: len(them) for name in works} | {f"{n}": packets(r) for n, (_, r) in rides.items()}
    counts["decoding"] *= DECODINGS
    taken = {name: [1e6 * s / counts[name] for s in each] for name, each in seconds.items()}
    slow = in_turn({"live": lambda: pandas_version.live(bench, few)}, 1)["live"]
    four = taken["4"]
    cost = Cost(
        {count: statistics.median(taken[f"{count}"]) for count in SIZES},
        statistics.median(taken["decoding"]),
        statistics.median(taken["pandas"]),
        1e6 * slow[0] / len(few),
        {
            "four instruments against decoding alone": ratio(four, taken["decoding"]),
            "four instruments against pandas at once": ratio(four, taken["pandas"]),
            "64 instruments against four, a packet": ratio(taken["64"], four),
            "one instrument against four, a packet": ratio(taken["1"], four),
        },
    )
    if hours > 0.0:
        cost.aged = aged(hours)
        cost.ratios["hours later against the first minute"] = cost.aged.ratio
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
