"""Simulated rides for the tests of the study: records of a scene, and sessions made from them."""

import functools
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import msgspec

from capture.record import Act, End, Header, Record
from capture.scene import Scene, evening
from capture.source import Wanted
from monitor.setup.bench import Bench, parse_bench
from monitor.setup.protocol import Segment
from monitor.study.recording import Recording, collect
from storage.info import SessionInfo
from storage.journal import JournalWriter
from storage.session import create_session
from tests.helpers.benches import head, instrument, pedals, scene, sends, steady

UTC_NS = 1_764_097_200_000_000_000
PROGRAM = "0.1.0"


def scene_records(text: str) -> tuple[Bench, list[Record]]:
    """A bench with a scene as its tester writes it, and all records of the ride."""
    bench = parse_bench(text, "the test's bench")
    wanted = [Wanted(i.label, i.link, i.profile) for i in bench.instruments]
    segments: list[Mapping[str, Any]] = []
    for segment in bench.protocol.segments if bench.protocol else ():
        nothing = Segment(name="", seconds=0.0)
        table: dict[str, Any] = msgspec.to_builtins(segment)
        told = {k: v for k, v in table.items() if getattr(segment, k) != getattr(nothing, k)}
        segments.append({**told, "settle_s": segment.settle_s})
    return bench, list(Scene(bench.scene, wanted, segments or None).records())


@functools.cache
def evening_records() -> tuple[Bench, tuple[Record, ...]]:
    """The built-in evening of six minutes."""
    bench, records = scene_records(evening())
    return bench, tuple(records)


def record(bench: Bench, records: Iterable[Record], protocol: str = "", utc_ns: int = UTC_NS) -> Recording:
    """Records as arrays."""
    return collect(Header(bench.text, PROGRAM, utc_ns, protocol), records, bench=bench)


@functools.cache
def evening_recording() -> Recording:
    """The built-in evening as arrays; nobody may change them."""
    return record(*evening_records())


def write_session(
    out: Path,
    bench: Bench,
    records: Sequence[Record],
    stamp: str = "2025-11-25-190000",
    utc_ns: int = UTC_NS,
) -> Path:
    """A session folder with a closed journal."""
    info = SessionInfo(program=PROGRAM, name=bench.name, bench=bench.text, state="closed")
    info.clock.utc_ns = utc_ns
    path = create_session(out, stamp, info).path
    writer = JournalWriter(path, Header(bench.text, PROGRAM, utc_ns))
    for k, each in enumerate(records):
        writer.append(each)
        if k % 512 == 511:
            writer.flush()
    if not isinstance(records[-1], End):
        writer.append(End(records[-1].t_ns))
    writer.flush()
    writer.close()
    return path


def without_segments(records: Iterable[Record]) -> list[Record]:
    """The same ride, which nobody divided."""
    return [r for r in records if not (isinstance(r, Act) and r.act == "segment")]


def shortened(recording: Recording, seconds: int) -> Recording:
    """The first seconds of a session's cells."""
    return replace(recording, cells=recording.cells[:seconds])


def two(seed: int, gain: float, serial: int) -> str:
    """A bench of pedals and of a crank on test that reads `gain` times as much, without a protocol."""
    text = head("two", "pedals") + pedals()
    text += instrument("heron", mount="crank", sides="both", profile="cycling-power", claim_percent=1.5)
    text += scene(seed) + sends("pedals", "pedals", "ant", serial=51)
    return text + sends("heron", "crank", "bluetooth", gain=gain, serial=serial, firmware="1.0")


def short_session(
    out: Path,
    *,
    seed: int,
    gain: float = 1.0,
    serial: int = 7,
    seconds: int = 50,
    stamp: str = "",
    blocks: int = 2,
) -> Path:
    """A session of a few steady blocks with two instruments; `gain` is that of the one on test."""
    text = two(seed, gain, serial)
    for k in range(blocks):
        text += steady(seconds, 180 + 40 * k, 90, settle_s=5)
    bench, records = scene_records(text)
    return write_session(out, bench, records, stamp or f"2025-11-{seed % 27 + 1:02d}-180000")
