"""Bench and protocol of a session, as its header has them."""

from pathlib import Path

from capture.record import Header
from monitor.setup.bench import Bench, parse_bench
from monitor.setup.protocol import Protocol, parse_protocol


def recorded_settings(
    header: Header, of: Path | str, bench: Bench | None = None
) -> tuple[Bench, Protocol | None]:
    """Bench and protocol as they were used; `bench` stands in for the recorded one.

    A protocol file outranks the protocol in a bench. BenchError: this version can't read them;
    `of` says whose they are.
    """
    if bench is None:
        bench = parse_bench(header.bench, f"the bench recorded in {of}")
    protocol = bench.protocol
    if header.protocol:
        protocol = parse_protocol(header.protocol, f"the protocol recorded in {of}")
    return bench, protocol
