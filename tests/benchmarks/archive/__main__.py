"""A thousand sessions judged by one process and by two. `python -m tests.benchmarks.archive`.

Sessions of two minutes on the built-in scene with seeds of their own, repeated under other names. Both
runs start from journals alone and end with the data set; each is the whole command in a fresh process.
Printed: seconds, their ratio, and the most memory of any one process after a tenth and after all of the
sessions. It wants a quiet computer with at least two cores.
"""

import argparse
import os
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from capture.scene import evening
from tests.helpers.rides import scene_records, write_session

ROOT = Path(__file__).parents[3]
LEAST_RATIO, MOST_GROWTH = 1.8, 1.15
RUN = """
import resource, sys
from monitor.cli import main
code = main(["study", sys.argv[1], "--jobs", sys.argv[2]])
most = max(resource.getrusage(who).ru_maxrss for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
print(f"MOST {most}", file=sys.stderr)
sys.exit(code)
"""


def make_sessions(out: Path, count: int, seeds: int, minutes: float) -> None:
    """`count` session folders; every `seeds` of them are the same rides again."""
    for k in range(count):
        if k < seeds:
            bench, records = scene_records(evening().replace("seed = 20260115", f"seed = {8000 + k}", 1))
            kept = [r for r in records if r.t_ns <= minutes * 60e9]
            write_session(out, bench, kept, stamp=f"2025-11-{1 + k % 28:02d}-{190000 + k}")
        else:
            first = sorted(p for p in out.iterdir() if p.is_dir())[k % seeds]
            shutil.copytree(first, out / f"{first.name}-again-{k // seeds}")


def judge(folder: Path, jobs: int) -> tuple[float, int]:
    """Seconds of `study FOLDER --jobs N` from journals alone, and the memory of its largest process, kB."""
    for made in folder.glob("*"):
        if made.name == "archive" or not (made / "journal.arrows").exists():
            shutil.rmtree(made) if made.is_dir() else made.unlink()
            continue
        for each in made.iterdir():
            if not each.name.startswith(("journal", "session")):
                each.unlink()
    begin = time.perf_counter()
    done = subprocess.run(
        [sys.executable, "-c", RUN, str(folder), str(jobs)],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=True,
    )
    return time.perf_counter() - begin, int(done.stderr.rsplit("MOST ", 1)[1])


def main() -> int:
    """Measure and print; 1 if a bound is missed."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sessions", type=int, default=1000)
    parser.add_argument("--seeds", type=int, default=20)
    parser.add_argument("--minutes", type=float, default=2.0)
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as few, tempfile.TemporaryDirectory() as many:
        make_sessions(Path(few), args.sessions // 10, args.seeds, args.minutes)
        make_sessions(Path(many), args.sessions, args.seeds, args.minutes)
        _, early = judge(Path(few), 2)
        one_s, _ = judge(Path(many), 1)
        two_s, late = judge(Path(many), 2)
    ratio, growth = one_s / two_s, late / early
    load = f"{os.cpu_count()} cores, load {os.getloadavg()[0]:.1f}"
    print(f"{args.sessions} sessions of {args.minutes:g} min, {load}")
    print(f"one process   {one_s:7.1f} s, {1e3 * one_s / args.sessions:.0f} ms a session")
    print(f"two processes {two_s:7.1f} s, {ratio:.2f} times as fast (at least {LEAST_RATIO:g})")
    print(f"largest process {late / 1024:.0f} MB, {growth:.2f} of a tenth's (at most {MOST_GROWTH:g})")
    return int(ratio < LEAST_RATIO or growth > MOST_GROWTH)


if __name__ == "__main__":
    sys.exit(main())
