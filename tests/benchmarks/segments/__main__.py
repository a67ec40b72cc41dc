"""How well segments that nobody named are found. `python -m tests.benchmarks.segments --seeds 40`."""

import argparse
import sys

from monitor.study.asked.found import find_segments
from tests.benchmarks.segments.rides import ALL, KINDS, Ride
from tests.benchmarks.segments.score import Found, Score, add, table

LEAST_RECALL = {"block": 0.95, "over-under": 0.95, "ramp": 0.95, "sprint": 0.98, "free": 0.93}
LEAST_PRECISION = {"block": 0.97, "over-under": 0.97, "ramp": 0.97, "sprint": 0.98, "free": 0.95}


def found_in(ride: Ride) -> list[Found]:
    """What the monitor finds."""
    return [Found(s.kind, s.start_s, s.end_s) for s in find_segments(ride.power_w, ride.rpm)]


def run(seeds: int, first: int) -> Score:
    """All kinds of rides, on a trainer and on a road."""
    score = Score()
    for seed in range(first, first + seeds):
        for make in ALL:
            for trainer in (True, False):
                ride = make(seed, trainer)
                add(score, ride, found_in(ride))
    return score


def missed(score: Score) -> list[str]:
    """The bounds that are not reached."""
    low = [f"{kind}: found {score.recall(kind):.3f}" for kind in KINDS
           if score.recall(kind) < LEAST_RECALL[kind]]  # fmt: skip
    return low + [
        f"{kind}: true {score.precision(kind):.3f}"
        for kind in KINDS
        if score.precision(kind) < LEAST_PRECISION[kind]
    ]


def main() -> int:
    """Print the table; 1 if a bound is missed."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=20)
    parser.add_argument("--first-seed", type=int, default=1)
    given = parser.parse_args()
    score = run(given.seeds, given.first_seed)
    print("\n".join(table(score)))
    for line in missed(score):
        print(f"MISSED {line}")
    return int(bool(missed(score)))


if __name__ == "__main__":
    sys.exit(main())
