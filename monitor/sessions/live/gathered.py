"""What the pipeline made of a session while it was recorded, so that its end need not run all of it again.

It stands in for a second pass only where the journal on the disk holds, record for record, what passed by
here: then both are one, for live and replayed sessions run through the same pipeline.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path

from capture.record import Header, Record
from monitor.finding import Finding
from monitor.live.pipeline import Pipeline
from monitor.sessions.settings import recorded_settings
from monitor.setup.bench import Bench
from monitor.setup.protocol import parse_protocol
from monitor.study.recording import Gathering, Recording


class Chain:
    """A fingerprint of records in their order; of use within one process alone."""

    def __init__(self) -> None:
        self.value = 0

    def take(self, record: Record) -> None:
        """The next record."""
        self.value = hash((self.value, record))

    def along(self, records: Iterable[Record]) -> Iterator[Record]:
        """The same records, each taken as it passes."""
        for record in records:
            self.take(record)
            yield record


class Gathered:
    """Takes all records of a session from the first on, after its pipeline did."""

    def __init__(self, bench: Bench) -> None:
        self.gathering = Gathering(len(bench.instruments))
        self.chain = Chain()
        self._pipeline: Pipeline | None = None
        self._last: list[Finding] = []

    def take(self, record: Record, index: Mapping[str, int], findings: Sequence[Finding]) -> None:
        """A record that was fed, and what it led to."""
        self.chain.take(record)
        self.gathering.see(record, index, findings)

    def close(self, pipeline: Pipeline, last: list[Finding]) -> None:
        """The pipeline has finished."""
        self._pipeline, self._last = pipeline, last

    def recording(self, header: Header, of: Path) -> Recording | None:
        """The session as arrays; None: it has not ended, or it ran with other settings than it recorded."""
        pipeline = self._pipeline
        if pipeline is None or recorded_settings(header, of) != (pipeline.bench, pipeline.protocol):
            return None
        protocol = parse_protocol(header.protocol, "the session's protocol") if header.protocol else None
        return self.gathering.recording(header, pipeline, protocol, self._last)
