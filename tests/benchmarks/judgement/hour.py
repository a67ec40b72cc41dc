"""`python -m tests.benchmarks.judgement.hour`: an hour of known truth, and what is said of it, word for word.

The unit on test is within its claim until the sprint; then its right side reads 8 % high. Zeroing it changes
nothing, seating it anew cures it. In the largest gear it reports no power. A reader checks by eye.
"""

import argparse
import os
import sys
from dataclasses import replace

import numpy as np

from tests.benchmarks.judgement.evening import Change, Meter, Piece, Plan, changed
from tests.benchmarks.judgement.score import run

BLOCKS = (
    Piece("easy", 240, 150, 86),
    Piece("steady 1/3", 360, 220, 90, gear="middle"),
    Piece("low cadence", 240, 215, 62, gear="large"),
    Piece("high cadence", 240, 190, 104, gear="middle"),
    Piece("sprint", 12, 820, 110, table="sprint"),
    Piece("rest", 40, 0, 0, table="rest"),
    Piece("steady 2/3", 420, 220, 90, gear="middle"),
    Piece("zeroing", 40, 0, 0, table="rest"),
    Piece("after the zeroing", 420, 222, 89, gear="middle"),
    Piece("seating", 60, 0, 0, table="rest"),
    Piece("steady 3/3", 420, 220, 90, gear="middle"),
    Piece("low cadence again", 240, 215, 62, gear="large"),
    Piece("free", 420, 200, 87, gear="middle", table="free"),
    Piece("strong", 240, 280, 88, gear="middle"),
)


def hour(seed: int) -> Plan:
    """The plan of it; errors within the claims are drawn from the seed."""
    rng = np.random.default_rng([seed, 60])
    ride = (Piece("start", 8, 0, 0, table="rest"), *BLOCKS)
    starts = dict(zip((p.name for p in ride), np.cumsum([0, *(p.seconds for p in ride)]), strict=False))
    unit = changed(
        Meter("heron", "on-test", "pedals", "ble-dual", 1.5, delay_s=0.2, smoothing_s=1.0),
        rng.uniform(-0.6, 0.6),
    )
    bad = changed(unit, 8.0, "right")
    at, cured = float(starts["sprint"]) + 6.0, float(starts["seating"]) + 20.0
    unit = replace(
        unit, missing_gear="large",
        changes=(Change(at, bad.gain_left, bad.gain_right), Change(cured, unit.gain_left, unit.gain_right)),
    )  # fmt: skip
    meters = (
        changed(Meter("pedals", "reference", "pedals", "ant-dual", 1.0), rng.uniform(-0.5, 0.5)),
        unit,
        Meter(
            "hub", "witness", "hub", "ant-trainer", 1.5, delay_s=0.5, loss=(2.6, 1.0), true_loss=(2.8, 1.1)
        ),
    )
    acts = (
        (float(starts["zeroing"]) + 20.0, "zeroed", "by hand", "heron"),
        (cured, "position", "right pedal seated anew", "heron"),
    )
    return Plan("an hour", seed, ride, tuple(replace(m, correlation=0.45) for m in meters), "pedals", acts)


def main() -> int:
    """Print it."""
    from monitor.report.lines.summary import summary_lines
    from monitor.report.terminal import study_lines
    from monitor.study.results import decode

    p = argparse.ArgumentParser(prog="python -m tests.benchmarks.judgement.hour", description=__doc__)
    p.add_argument("--seed", type=int, default=1, help="errors within the claims, rider and noise (1)")
    p.add_argument("--width", type=int, default=110, help="columns (110)")
    p.add_argument("--summary", action="store_true", help="only the summary of twelve lines")
    args = p.parse_args()
    _, findings, told = run(hour(args.seed))
    import msgspec

    study = decode(msgspec.json.encode(told))
    lines = summary_lines(study, args.width) if args.summary else study_lines(study, args.width)
    for line in lines:
        print(line)
    if not args.summary:
        print("\nFINDINGS")
        for f in findings:
            print(f"{f.t_s:7.1f} s {f.event:8s} {f.kind} {f.instrument} {f.side or ''}: {f.what}")
    return 0


if __name__ == "__main__":
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    sys.exit(main())
