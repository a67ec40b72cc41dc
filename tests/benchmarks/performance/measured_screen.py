"""The whole live screen over a paced log, writing down when each redraw was over.

As a program: FOLDER with ride.jsonl and ride.toml; started on a terminal of its own by `live`.
"""

import atexit
import json
import sys
import time
from pathlib import Path

from monitor.commands import live
from monitor.dashboard.app import BenchApp
from monitor.setup.bench import load_bench
from storage import attach

frames: list[tuple[int, int]] = []
"""Monotonic time (ns) at which a redraw was over, and the records in the view that it shows."""
_poll = BenchApp.poll


def poll(self: BenchApp) -> None:
    """Take the view and draw it; note when the screen has been refreshed, changed or not."""
    known = self.source.pipeline.records  # type: ignore[attr-defined]
    _poll(self)
    self.call_after_refresh(lambda: frames.append((time.monotonic_ns(), known)))


def main(folder: Path) -> int:
    """Record the log in real time and watch it."""
    BenchApp.poll = poll  # type: ignore[method-assign]
    recorder = Path(__file__).with_name("measured_recorder.py")
    attach._COMMAND[:] = ["-P", str(recorder), str(folder / "taken.json")]
    atexit.register(lambda: (folder / "frames.json").write_text(json.dumps(frames), encoding="utf-8"))
    return live.record_log(
        folder / "ride.jsonl", load_bench(folder / "ride.toml"), False, 1.0, folder / "sessions"
    )


if __name__ == "__main__":
    sys.exit(main(Path(sys.argv[1])))
