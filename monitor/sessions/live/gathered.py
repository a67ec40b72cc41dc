"""What the pipeline made of a session while it was recorded, so that its end need not run all of it again.

It stands in for a second pass only where the journal on the disk holds, record for record, what passed by
here: then both are one, for live and replayed sessions run through the same pipeline.
"""

import tempfile
from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import IO

import msgspec

from capture.record import Header, Record
from monitor.finding import Finding
from monitor.live.pipeline import Pipeline
from monitor.sessions.settings import recorded_settings
from monitor.setup.bench import Bench
from monitor.setup.protocol import parse_protocol
from monitor.study.recording import Gathering, Part, Recording


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

    EVERY = 4096
    """Records after which what was gathered goes out of memory, which stays flat however long a ride is."""

    def __init__(self, bench: Bench) -> None:
        self._seen = 0
        self._spool: IO[bytes] | None = None
        self._lost = False
        self.gathering = Gathering(len(bench.instruments))
        self.chain = Chain()
        self._pipeline: Pipeline | None = None
        self._last: list[Finding] = []

    def take(self, record: Record, index: Mapping[str, int], findings: Sequence[Finding]) -> None:
        """A record that was fed, and what it led to."""
        self.chain.take(record)
        self.gathering.see(record, index, findings)
        self._seen += 1
        if self._seen % self.EVERY == 0:
            self._put_away()

    def _put_away(self) -> None:
        """Into a file without a name; where there is no room for it, the journal has all of it."""
        part = self.gathering.take_away()
        if self._lost:
            return
        try:
            if self._spool is None:
                # It lives as long as the recording, and has no name that could be left behind.
                self._spool = tempfile.TemporaryFile(prefix="plumbwatt-")  # noqa: SIM115
            octets = msgspec.msgpack.encode(part)
            self._spool.write(len(octets).to_bytes(8, "little") + octets)
        except (OSError, UnicodeError, msgspec.MsgspecError):
            # A screen goes on whatever becomes of this.
            self._lost = True

    def _parts(self, spool: IO[bytes]) -> Iterator[Part]:
        spool.seek(0)
        while head := spool.read(8):
            yield msgspec.msgpack.decode(spool.read(int.from_bytes(head, "little")), type=Part)

    def close(self, pipeline: Pipeline, last: list[Finding]) -> None:
        """The pipeline has finished."""
        self._pipeline, self._last = pipeline, last

    def _whole(self) -> bool:
        """Bring all back that was put away; False: it can't be."""
        if self._spool is not None:
            self._put_away()
            try:
                with self._spool as spool:
                    self.gathering.bring_back(self._parts(spool))
            except (OSError, msgspec.MsgspecError, ValueError):
                self._lost = True
            self._spool = None
        return not self._lost

    def recording(self, header: Header, of: Path) -> Recording | None:
        """The session as arrays; None: it has not ended, or it ran with other settings than it recorded.

        Once: what was gathered belongs to the recording then.
        """
        pipeline, self._pipeline = self._pipeline, None
        if (
            pipeline is None
            or not self._whole()
            or recorded_settings(header, of) != (pipeline.bench, pipeline.protocol)
        ):
            return None
        protocol = parse_protocol(header.protocol, "the session's protocol") if header.protocol else None
        return self.gathering.recording(header, pipeline, protocol, self._last)
