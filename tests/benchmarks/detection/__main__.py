"""`python -m tests.benchmarks.detection`: the scoreboard of the monitor's findings, by command only."""

import argparse
import os
import sys
from pathlib import Path

import msgspec

from tests.benchmarks.detection import check, generator, score

RECORDED = "## Last recorded run"


def main() -> int:
    """Run what the arguments ask for; 1 if the generator's own check fails or the monitor crashed."""
    p = argparse.ArgumentParser(prog="python -m tests.benchmarks.detection", description=__doc__)
    p.add_argument("--quick", action="store_true", help="two rides of each fault, four healthy hours")
    p.add_argument("--hours", type=float, default=24.0, help="healthy hours (24)")
    p.add_argument("--minutes", type=int, default=60, help="length of a healthy ride (60)")
    p.add_argument("--seeds", type=int, default=12, help="rides for each fault and size (12)")
    p.add_argument("--first-seed", type=int, default=0, help="other rides than those used for tuning (0)")
    p.add_argument(
        "--kinds",
        nargs="*",
        metavar="KIND",
        help=f"{', '.join(generator.HEALTHY + tuple(generator.SIZES))} (all)",
    )
    p.add_argument("--jobs", type=int, default=2, help="processes (2)")
    p.add_argument("--json", type=Path, metavar="FILE", help="every ride's result as JSON")
    p.add_argument("--case", metavar="KIND/SIZE/HOW/SEED", help="one case: truth, findings, verdict")
    p.add_argument("--write", type=Path, metavar="DIR", help="with --case: write its log and bench")
    p.add_argument(
        "--check", action="store_true", help="decode what is generated with the program's decoders"
    )
    p.add_argument("--readme", action="store_true", help="put the scoreboard into the README beside this")
    args = p.parse_args()
    os.environ.setdefault("OMP_NUM_THREADS", "1")

    if args.check:
        lines = check.check()
        print("\n".join(lines))
        return int(any(line.startswith("WRONG") for line in lines))
    known = [*generator.HEALTHY, *generator.SIZES]
    kinds = args.kinds or known
    if unknown := [k for k in kinds if k not in known]:
        p.error(f"unknown kind {unknown[0]!r}; one of {', '.join(known)}")
    if args.case:
        return _one(p, args)

    hours, minutes, seeds = (4.0, 15, 2) if args.quick else (args.hours, args.minutes, args.seeds)
    results = score.many(
        generator.cases([k for k in kinds if k not in generator.HEALTHY], seeds, args.first_seed), args.jobs
    )
    if "healthy" in kinds:
        results += score.many(generator.healthy(hours, minutes, args.first_seed), args.jobs, minutes * 60)
    if "near" in kinds:
        results += score.many(generator.near(hours, minutes, args.first_seed), args.jobs, minutes * 60)
    board = score.report(results)
    print(board)
    if args.readme:
        page = Path(__file__).with_name("README.md")
        kept = page.read_text(encoding="utf-8").partition(RECORDED)[0]
        page.write_text(f"{kept}{RECORDED}\n\n{board}", encoding="utf-8")
    if args.json:
        args.json.write_bytes(msgspec.json.format(msgspec.json.encode(results)))
    return int(any(x.crash for x in results))


def _one(p: argparse.ArgumentParser, args: argparse.Namespace) -> int:
    try:
        case = generator.Case.parse(args.case)
        s = generator.make(case, args.minutes * 60)
    except (ValueError, KeyError) as why:
        p.error(f"--case {args.case}: {why}; for example scale/5/side/7 or healthy/free/four/0")
    if args.write:
        log, bench = generator.write(s, args.write)
        print(f"plumbwatt replay {log} --bench {bench} --headless --speed max")
        return 0
    print(f"{case}: {s.ride.style}, bench {s.bench_kind}, {s.ride.seconds} s; {s.fault}")
    for m in s.meters:
        print(f"  {m}")
    print(f"  truly {s.net_percent:+.2f} % against {s.reference}, tolerance {s.tolerance_percent:.2f} %")
    findings, _ = score.run(s)
    for f in findings:
        print(msgspec.json.encode(f).decode())
    result = score.judge(s, findings, 0.0)
    result.told = []
    print(msgspec.json.format(msgspec.json.encode(result)).decode())
    return 0


if __name__ == "__main__":
    sys.exit(main())
