"""Have the ratios got worse? Ratios within one run, never seconds: they hold on any machine.

`python -m tests.benchmarks.performance.guard` compares with ratios.json beside this file and exits
with 1 if one has grown by more than its room; `--write` records the present ones.
"""

import argparse
import json
import sys
from pathlib import Path

from tests.benchmarks.performance import packet
from tests.benchmarks.performance.measure import machine

FILE = Path(__file__).with_name("ratios.json")
ROOM = 1.3
"""By which factor a ratio may grow before it is news: ten runs on a busy machine stayed within 1.15."""


def main() -> int:
    """Measure and compare; 1 if a ratio has grown beyond its room."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--write", action="store_true", help="record the present ratios")
    parser.add_argument("--rounds", type=int, default=5)
    args = parser.parse_args()
    now = packet.costs(args.rounds, hours=1.0).ratios
    print(machine())
    if args.write:
        FILE.write_text(
            json.dumps({k: round(v, 3) for k, v in now.items()}, indent=1) + "\n", encoding="utf-8"
        )
    known = json.loads(FILE.read_text("utf-8"))
    worse = 0
    for name, value in now.items():
        limit = known[name] * ROOM
        worse += value > limit
        print(f"{name:45} {value:7.2f}  recorded {known[name]:6.2f}  {'WORSE' if value > limit else 'fine'}")
    return int(worse > 0)


if __name__ == "__main__":
    sys.exit(main())
