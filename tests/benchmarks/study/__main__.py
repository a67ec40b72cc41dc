"""How long the study of an hour of four instruments takes. `python -m tests.benchmarks.study`.

Each figure is the best of several runs in fresh processes: the whole command from a cold
start (Python, imports, reading and judging the journal, study, report and tables written),
the analysis alone, and the same tables by a plain pandas script.
"""

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from monitor.setup.bench import parse_bench
from monitor.setup.protocol import load_protocol
from tests.helpers.rides import scene_records, write_session

HERE = Path(__file__).parent
ROOT = HERE.parents[2]
PROTOCOL = ROOT / "fixtures" / "protocols" / "full-bench.toml"
MOST_S, MOST_ANALYSIS_S = 3.0, 0.5
ANALYSIS = """
import sys, time, json
from pathlib import Path
from monitor.sessions.derived import run_session
from monitor.study.study import study
recording, _ = run_session(Path(sys.argv[1]))
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


def cold(session: Path, html: Path) -> float:
    """Seconds of the command on a session that has only its journal."""
    for pattern in ("*.parquet", "study*.json", "report*.html", "findings*"):
        for path in session.glob(pattern):
            path.unlink()
    begin = time.perf_counter()
    command = [sys.executable, "-m", "monitor.cli", "study", str(session), "--html", str(html)]
    subprocess.run(command, check=True, cwd=ROOT, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    return time.perf_counter() - begin


def told(command: list[str]) -> float:
    """The seconds that a program says it took."""
    out = subprocess.run(command, check=True, cwd=ROOT, capture_output=True, text=True).stdout
    return float(json.loads(out.splitlines()[-1])["seconds"])


def main() -> int:
    """Measure and print; 1 if a bound is missed."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=5)
    runs = parser.parse_args().runs
    with tempfile.TemporaryDirectory() as folder:
        session = make_session(Path(folder))
        whole = min(cold(session, Path(folder) / "x.html") for _ in range(runs))
        analysis = min(told([sys.executable, "-c", ANALYSIS, str(session)]) for _ in range(runs))
        script = str(HERE / "pandas_tables.py")
        begin = [0.0] * runs
        pandas_whole = []
        for k in range(runs):
            begin[k] = time.perf_counter()
            told([sys.executable, script, str(session)])
            pandas_whole.append(time.perf_counter() - begin[k])
        pandas_s = min(told([sys.executable, script, str(session)]) for _ in range(runs))
        records = json.loads((session / "study.json").read_bytes())["records"]
        size = (Path(folder) / "x.html").stat().st_size
    load = os.getloadavg()[0]
    print(f"one hour, four instruments, {records} records, {os.cpu_count()} cores, load {load:.1f}")
    print(
        f"whole command from a cold start   {whole:6.2f} s (at most {MOST_S:g} s), report {size / 1e3:.0f} kB"
    )
    print(f"  of it the analysis              {analysis:6.2f} s (at most {MOST_ANALYSIS_S:g} s)")
    print(f"pandas script, decoded samples in {pandas_s:6.2f} s, {min(pandas_whole):.2f} s with its start")
    print(f"analysis against pandas           {analysis / pandas_s:6.2f} of its time")
    return int(whole > MOST_S or analysis > MOST_ANALYSIS_S)


if __name__ == "__main__":
    sys.exit(main())
