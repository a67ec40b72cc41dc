"""How often the side that is inferred from one meter alone is the right one.

    python -m tests.benchmarks.detection.own_share [--seeds 20] [--first-seed 60000] [--only NAME]

A trainer that knows no sides and one dual meter, twelve minutes, a step after seven. What is said live and
in the study counts; whoever changes the rule should look at seeds that nobody has looked at.
"""

import argparse
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, replace
from operator import attrgetter

import numpy as np

from capture.record import Header, Record, Tick
from monitor.live.pipeline import Pipeline
from monitor.study.recording import collect
from monitor.study.study import study
from tests.benchmarks.detection import generator
from tests.benchmarks.detection.meters import NEVER_S, Fault, send
from tests.benchmarks.detection.rider import GRID_HZ, Ride, ride

SECONDS, ONSET_S = 720, 420.0
NEAR_S = 30.0
STYLES = ("constant", "steady", "over-unders")
SENDERS = ("ble-dual-torque", "ble-dual", "ant-dual")


@dataclass(frozen=True)
class Truth:
    """What happens: which side of the meter steps, and whether the rider's balance moves at that moment."""

    name: str
    side: str
    low_percent: float
    high_percent: float
    rider_points: float = 0.0


TRUTHS = (
    Truth("left side alone, 4 to 6 %", "left", 4.0, 6.0),
    Truth("left side alone, 6 to 12 %", "left", 6.0, 12.0),
    Truth("right side alone, 4 to 6 %", "right", 4.0, 6.0),
    Truth("right side alone, 6 to 12 %", "right", 6.0, 12.0),
    Truth("both sides alike, 2 to 6 %", "total", 2.0, 6.0),
    Truth("both alike, rider's balance moves by 1 point then", "total", 2.0, 6.0, 1.0),
    Truth("both alike, rider's balance moves by 2.5 points then", "total", 2.0, 6.0, 2.5),
)


def shifted(rode: Ride, points: float) -> Ride:
    """The same ride with the left share higher by so many points from ONSET_S on."""
    total = rode.work_left_j + rode.work_right_j
    at = int(ONSET_S * GRID_HZ)
    moved = points / 100.0 * np.maximum(0.0, total - total[at])
    return replace(rode, work_left_j=rode.work_left_j + moved, work_right_j=rode.work_right_j - moved)


def evening(truth: Truth, seed: int) -> tuple[generator.Bench, list[Record]]:
    """Bench and records of one evening, drawn by its seed."""
    rng = np.random.default_rng([seed, TRUTHS.index(truth)])
    rode = ride(str(rng.choice(STYLES)), SECONDS, rng)
    if truth.rider_points:
        rode = shifted(rode, truth.rider_points * float(rng.choice([-1.0, 1.0])))
    meters, reference, on_test = generator._meters("pair-total", rng, False, str(rng.choice(SENDERS)))
    size = float(rng.uniform(truth.low_percent, truth.high_percent) * rng.choice([-1.0, 1.0]))
    fault = Fault("shifted", "heron", ONSET_S, size, truth.side, "gain", ((ONSET_S, NEVER_S),))
    bench = generator._bench("one with sides", meters, reference, on_test, (2.6, 1.2))
    records: list[Record] = [Tick(s * 10**9, generator.UTC_NS + s * 10**9) for s in range(SECONDS + 1)]
    for meter in meters:
        records += send(rode, meter, fault, rng).records
    return bench, sorted((r for r in records if r.t_ns <= SECONDS * 10**9), key=attrgetter("t_ns"))


def side_in(words: str) -> str:
    """The side that a sentence infers; empty if it infers none."""
    return next((side for side in ("left", "right") if f"as from its {side} side alone" in words), "")


def said(truth: Truth, seed: int) -> dict[str, str]:
    """`not seen`, or the side inferred (empty: none), live and in the study."""
    bench, records = evening(truth, seed)
    pipeline = Pipeline(bench)
    found = [finding for record in records for finding in pipeline.feed(record)]
    live = [f.what for f in found if (f.event, f.kind, f.instrument) == ("raised", "shifted", "heron")]
    result = study(collect(Header(bench.text, "benchmark", 0), records))
    rows = [s for s in result.shifts if s.instrument == "heron" and abs(s.t_s - ONSET_S) < NEAR_S]
    return {
        "live": side_in(live[-1]) if live else "not seen",
        "study": side_in(rows[0].inference) if rows else "not seen",
    }


def outcome(truth: Truth, told: str) -> str:
    """What an answer is worth."""
    if told == "not seen":
        return told
    if not told:
        return "nothing said"
    return "right" if told == truth.side else "wrong"


OUTCOMES: tuple[str, ...] = ("right", "wrong", "nothing said", "not seen")


def table(rows: dict[tuple[str, str], Counter[str]]) -> str:
    """The counts as Markdown."""
    lines = ["| what happened | told by | right side | wrong side | nothing said | step not seen |"]
    lines.append("|---|---|---|---|---|---|")
    lines += [
        f"| {name} | {by} | " + " | ".join(str(counts[each]) for each in OUTCOMES) + " |"
        for (name, by), counts in rows.items()
    ]
    return "\n".join(lines)


def main(say: Callable[[str], None] = print) -> int:
    """Ride all evenings, print the table."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--seeds", type=int, default=20)
    parser.add_argument("--first-seed", type=int, default=60000)
    parser.add_argument("--only", default="", help="a part of the name of what happens")
    args = parser.parse_args()
    rows: dict[tuple[str, str], Counter[str]] = {}
    for truth in TRUTHS:
        if args.only not in truth.name:
            continue
        for seed in range(args.first_seed, args.first_seed + args.seeds):
            for by, told in said(truth, seed).items():
                rows.setdefault((truth.name, by), Counter())[outcome(truth, told)] += 1
    say(f"{args.seeds} evenings each, seeds from {args.first_seed} on.\n\n{table(rows)}")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
