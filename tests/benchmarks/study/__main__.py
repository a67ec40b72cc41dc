"""How long the study of an hour of four instruments takes. `python -m tests.benchmarks.study`.

Each row is a whole command in a fresh process (Python, imports, reading, judging, tables on the terminal and
the report), the best of several runs, beside the same tables by a plain pandas script with its own start.
"""

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import NamedTuple

from monitor.setup.bench import parse_bench
from monitor.setup.protocol import load_protocol
from tests.helpers.rides import scene_records, write_session

HERE = Path(__file__).parent
ROOT = HERE.parents[2]
PROTOCOL = ROOT / "fixtures" / "protocols" / "full-bench.toml"
MOST_OF_PANDAS = 1.5
"""How much longer than the pandas script a question may take that starts from what a ride leaves."""
MOST_JOURNAL_S, MOST_ANALYSIS_S = 3.0, 0.5
BOUNDED = {
    "after a ride": "arrays and tables there, study and report made",
    "one new stretch": "the same, with one row more",
    "unchanged": "all there",
}
ANALYSIS = """
import sys, time, json
from pathlib import Path
from monitor.sessions.derived import session_arrays
from monitor.study.study import study
recording, _ = session_arrays(Path(sys.argv[1]))
begin = time.perf_counter()
result = study(recording)
print(json.dumps({"seconds": time.perf_counter() - begin, "segments": len(result.segments)}))
"""


def make_session(out: Path) -> Path:
    """An hour of the full protocol on the scene of bench.toml."""
    text = (HERE / "bench.toml").read_text("utf-8")
    segments = PROTOCOL.read_text("utf-8").replace("[[segment]]", "[[protocol.segment]]")
    bench, records = scene_records(f"{text}\n{segments}")
    assert parse_bench(bench.text).protocol == bench.protocol
    assert load_protocol(PROTOCOL).total_s >= 3500
    return write_session(out, bench, records)


class Took(NamedTuple):
    """Seconds on the clock, and seconds of the processor."""

    wall_s: float
    processor_s: float


def timed(command: list[str], environment: dict[str, str]) -> Took:
    """A command in a process of its own."""
    before, begin = os.times(), time.perf_counter()
    subprocess.run(
        command, check=True, cwd=ROOT, env=environment, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )
    wall_s, after = time.perf_counter() - begin, os.times()
    used = after.children_user + after.children_system - before.children_user - before.children_system
    return Took(wall_s, used)


def without(session: Path, *patterns: str) -> None:
    """Take files away."""
    for pattern in patterns:
        for path in session.glob(pattern):
            path.unlink()


def measure(session: Path, folder: Path, runs: int) -> dict[str, list[Took]]:
    """Every row, in turns, so that what else the computer does falls on all alike."""
    # An installed program has its bytecode, and so has pandas: both have it here from the first round on.
    environment = {k: v for k, v in os.environ.items() if k != "PYTHONDONTWRITEBYTECODE"}
    environment["PYTHONPYCACHEPREFIX"] = str(folder / "bytecode")
    study = [sys.executable, "-m", "monitor.cli", "study", str(session), "--html", str(folder / "x.html")]
    script = [sys.executable, str(HERE / "pandas_tables.py"), str(session)]
    rows: dict[str, list[Took]] = {name: [] for name in ("from the journal", *BOUNDED, "pandas script")}
    for turn in range(runs + 1):
        without(session, "*.parquet", "study*.json", "report*.html", "findings*", "*.npz", "derived.json")
        took = {"from the journal": timed(study, environment)}
        without(session, "study*.json", "report*.html")
        took["after a ride"] = timed(study, environment)
        took["unchanged"] = timed(study, environment)
        took["pandas script"] = timed(script, environment)
        took["one new stretch"] = timed([*study, "--stretch", f"10:00-12:{turn:02d}=climb"], environment)
        if turn:
            for name, one in took.items():
                rows[name].append(one)
        without(session, "stretches.json", "study*.json", "report*.html")
    subprocess.run(study, check=True, cwd=ROOT, env=environment, capture_output=True)
    return rows


def analysed(session: Path) -> float:
    """Seconds of the analysis alone, from arrays to verdicts, as the program says."""
    command = [sys.executable, "-c", ANALYSIS, str(session)]
    out = subprocess.run(command, check=True, cwd=ROOT, capture_output=True, text=True).stdout
    return float(json.loads(out.splitlines()[-1])["seconds"])


def main() -> int:
    """Measure and print; 1 if a bound is missed."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=5)
    runs = parser.parse_args().runs
    with tempfile.TemporaryDirectory() as folder:
        session = make_session(Path(folder))
        rows = measure(session, Path(folder), runs)
        analysis = min(analysed(session) for _ in range(runs))
        records = json.loads((session / "study.json").read_bytes())["records"]
        size = (Path(folder) / "x.html").stat().st_size
    best = {name: Took(*map(min, zip(*took, strict=True))) for name, took in rows.items()}
    pandas = best["pandas script"]
    load = os.getloadavg()[0]
    print(f"one hour, four instruments, {records} records, {os.cpu_count()} cores, load {load:.1f}")
    print(f"report {size / 1e3:.0f} kB; best of {runs}; times of pandas with its own start in brackets")
    says = {"from the journal": "nothing else there: rescued, or a new version", **BOUNDED}
    for name, took in best.items():
        bound = f", at most {MOST_OF_PANDAS:g}" if name in BOUNDED else ""
        ratio = f"({took.wall_s / pandas.wall_s:.2f}{bound})" if name in says else ""
        print(
            f"{name:<17} {took.wall_s:6.2f} s, processor {took.processor_s:5.2f} s  "
            f"{ratio:<20} {says.get(name, 'from decoded samples')}"
        )
    print(f"the analysis alone {analysis:5.2f} s (at most {MOST_ANALYSIS_S:g} s)")
    late = any(best[name].wall_s > MOST_OF_PANDAS * pandas.wall_s for name in BOUNDED)
    slow = best["from the journal"].wall_s > MOST_JOURNAL_S or analysis > MOST_ANALYSIS_S
    return int(late or slow or best["unchanged"].wall_s > best["after a ride"].wall_s)


if __name__ == "__main__":
    sys.exit(main())
