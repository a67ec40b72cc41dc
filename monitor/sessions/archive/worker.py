"""One of several processes that judge sessions: `python -m monitor.sessions.archive.worker TARGET`."""

import sys
from pathlib import Path

import msgspec

from monitor.sessions.archive.judging import entry_of


def main() -> int:
    """Judge what is named on stdin, a path a line, until it ends."""
    target = Path(sys.argv[1])
    try:
        for line in sys.stdin.buffer:
            path = Path(msgspec.json.decode(line, type=str))
            entry = entry_of(path, target)
            sys.stdout.buffer.write(msgspec.json.encode(entry) + b"\n")
            sys.stdout.buffer.flush()
    except (KeyboardInterrupt, BrokenPipeError):
        return 130
    return 0


if __name__ == "__main__":
    sys.exit(main())
