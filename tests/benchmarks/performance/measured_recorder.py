"""A recorder that writes down when it took each record; started in place of the plain one by `live`.

As a program: the job on stdin, as `storage.recorder`; FILE is the first argument.
"""

import atexit
import json
import sys
import time
from pathlib import Path

from capture.record import Packet, Record
from storage import recorder

taken: list[tuple[int, int, int]] = []
"""Number of the record, lateness against its due time (ns), monotonic time (ns); packets only."""
_emit = recorder.Recorder.emit
_count = 0


def emit(self: recorder.Recorder, record: Record) -> None:
    """Note how late the loop is with a record whose time the script fixed, then take it."""
    global _count
    _count += 1
    if isinstance(record, Packet):
        taken.append((_count, self._clock.now_ns() - record.t_ns, time.monotonic_ns()))
    _emit(self, record)


if __name__ == "__main__":
    recorder.Recorder.emit = emit  # type: ignore[method-assign]
    atexit.register(lambda: Path(sys.argv[1]).write_text(json.dumps(taken), encoding="utf-8"))
    sys.exit(recorder.main())
