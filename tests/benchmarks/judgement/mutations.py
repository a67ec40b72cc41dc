"""`python -m tests.benchmarks.judgement.mutations`: does a test fail when the arithmetic changes its meaning?

Each change is made alone in a temporary copy of the tree, and the tests named beside it are run there
until the first one fails. First all have to pass with nothing changed. A change that no test notices is
listed, and the exit status is 1; so is one whose text stands no longer in the source, or stands there
twice: it has to be written anew.
"""

import argparse
import os
import re
import shutil
import subprocess
import sys
import tempfile
import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parents[3]
ARITHMETIC = ("tests/test_judgement_arithmetic.py",)
SURE = ("tests/test_study_sure.py", *ARITHMETIC)
COPIED = ("capture", "storage", "monitor", "tests", "fixtures", "pyproject.toml")


@dataclass(frozen=True)
class Mutation:
    """One change of meaning: `old` stands exactly once in `path` and becomes `new`."""

    name: str
    path: str
    old: str
    new: str
    tests: tuple[str, ...] = ARITHMETIC


MUTATIONS = (
    Mutation(
        "edge halved", "monitor/study/estimate/edges.py",
        "result: Floats = 100.0 * worst", "result: Floats = 50.0 * worst",
    ),
    Mutation(
        "loss at one standard uncertainty", "monitor/study/parts/differences.py",
        "u_loss = 1.96 * grid.u_loss_percent", "u_loss = grid.u_loss_percent",
    ),
    Mutation(
        "share resolution dropped", "monitor/study/estimate/sure.py",
        "still = 1.96 * 2.0 * step_points", "still = 0.0 * step_points",
    ),
    Mutation(
        "gain's interval without the loss", "monitor/study/estimate/line.py",
        "math.hypot(self.fit.t * self.fit.sd_gain, 1.96 * self.loss_gain)",
        "self.fit.t * self.fit.sd_gain",
    ),
    Mutation(
        "zero at one standard uncertainty", "monitor/study/estimate/line.py",
        "math.hypot(self.fit.t * self.fit.sd_offset_nm, 1.96 * self.loss_nm)",
        "math.hypot(self.fit.sd_offset_nm, self.loss_nm)",
    ),
    Mutation(
        "lag at one standard uncertainty", "monitor/study/estimate/delay.py",
        "half_s = math.hypot(1.96 * sd_s, apart_s)", "half_s = math.hypot(sd_s, apart_s)",
    ),
    Mutation(
        "what averaging bends of a lag forgotten", "monitor/study/estimate/delay.py",
        "half_s = math.hypot(1.96 * sd_s, apart_s)", "half_s = 1.96 * sd_s",
    ),
    Mutation(
        "rests tell a lag", "monitor/study/estimate/delay.py",
        "step_lag(base_w, own_w, without_rests(ridden))",
        "step_lag(base_w, own_w, np.isfinite(base_w) & np.isfinite(own_w))",
    ),
    Mutation(
        "bound of a lag 0.2 s", "monitor/study/estimate/delay.py",
        "KNOWN_LAG_S, UNKNOWN_LAG_S = 0.5, 5.0", "KNOWN_LAG_S, UNKNOWN_LAG_S = 0.2, 5.0",
    ),
    Mutation(
        "the last seconds of a load compared", "monitor/study/estimate/edges.py", "TAIL_S = 2", "TAIL_S = 0",
    ),
    Mutation(
        "a pause judged as riding", "monitor/study/parts/differences.py",
        "LEAST_RIDDEN = 0.5", "LEAST_RIDDEN = 0.0",
    ),
    Mutation(
        "the spread between segments forgotten", "monitor/study/parts/common.py",
        "percent(counts.tolist()) if several else 0.0", "percent(counts.tolist()) if False else 0.0",
        SURE,
    ),
    Mutation(
        "the spread between segments as a variance", "monitor/study/estimate/sure.py",
        "Between(math.sqrt(max(0.0, excess / scale)), dof)", "Between(max(0.0, excess / scale), dof)",
        SURE,
    ),
    Mutation(
        "segments beside a line forgotten", "monitor/study/estimate/sure.py",
        "covariance += between.sd**2", "covariance += 0.0 * between.sd**2",
        SURE,
    ),
    Mutation(
        "a line without the noise's covariance", "monitor/study/estimate/sure.py",
        "    covariance = noise.covariance(begin_s)\n", "    covariance = noise.variance * np.eye(n)\n",
        SURE,
    ),
    Mutation(
        "repeat's interval halved", "monitor/study/parts/repeats.py",
        "u = math.hypot(one.spread", "u = 0.5 * math.hypot(one.spread",
    ),
    Mutation(
        "sign of a one-sided lag", "monitor/study/grid.py",
        "            lag = self._between(i, side)\n", "            lag = -self._between(i, side)\n",
    ),
    Mutation(
        "degrees of freedom by n", "monitor/analysis/blockstats.py",
        "free = max(1.0, weight + n_eff - 1.0)", "free = max(1.0, weight + n - 1.0)",
    ),
    Mutation(
        "the session's autocorrelation forgotten", "monitor/analysis/blockstats.py",
        "if n >= FEW else usual.r", "if n >= FEW else 0.0",
    ),
    Mutation(
        "noise of three without autocorrelation", "monitor/analysis/diagnose.py",
        "n_effs[row] = max(3.0, effective_n(n, autocorrelation(d) ** 2))", "n_effs[row] = float(n)",
    ),
    Mutation(
        "cause without autocorrelation", "monitor/analysis/diagnose.py",
        "1e-12) * (1.0 + r) / (1.0 - r)", "1e-12)",
    ),
    Mutation(
        "a side named at half the evidence", "monitor/analysis/diagnose.py",
        "alone = abs(own) > 2.0 * half", "alone = abs(own) > 1.0 * half",
    ),
    Mutation(
        "evidence for a cause 5", "monitor/analysis/diagnose.py",
        "EVIDENCE = 14.0", "EVIDENCE = 5.0",
    ),
    Mutation(
        "floor of timing 0.03 s", "monitor/analysis/lag.py",
        "TIMING_FLOOR_S = 0.15", "TIMING_FLOOR_S = 0.03",
    ),
    Mutation(
        "spread of losses halved", "monitor/analysis/expected.py",
        "LOSS_SPREAD = 0.2", "LOSS_SPREAD = 0.1",
    ),
    Mutation(
        "the reference's own loss forgotten", "monitor/study/grid.py",
        "losses = [self.losses[i], self.base_loss(i)]", "losses = [self.losses[i]]",
    ),
    Mutation(
        "systematic part of a window zero", "monitor/live/faults/compared/quantity.py",
        "SYSTEMATIC = 1.65", "SYSTEMATIC = 0.0",
    ),
    Mutation(
        "systematic part of a zero offset zero", "monitor/analysis/diagnose.py",
        "systematic_nm = LOSS_SPREAD * loss_w / USUAL_RAD_S", "systematic_nm = 0.0 * loss_w",
    ),
    Mutation(
        "floor of a side doubled", "monitor/analysis/expected.py",
        "bench.limits.floor_w * (0.5 if side else 1.0),", "bench.limits.floor_w,",
    ),
    Mutation(
        "more minutes by ten", "monitor/study/answers/questions.py",
        "((falls / needed) ** 2 - 1.0) / BLOCKS_A_MINUTE", "((falls / needed) ** 2 - 1.0) / 0.6",
    ),
    Mutation(
        "a side of half the total explains it", "monitor/analysis/diagnose.py",
        "PART_OPEN = 0.25", "PART_OPEN = 0.5", ("tests/test_diagnose.py",),
    ),
    Mutation(
        "a step is called a drift at even odds", "monitor/analysis/changes/ramp.py",
        "CLEARLY = 8.0", "CLEARLY = -8.0", ("tests/test_shift.py",),
    ),
    Mutation(
        "a drift takes no account of the torque", "monitor/analysis/changes/ramp.py",
        "(inverse, likely_nm), (pace, PACE_SD)", "(0.0 * inverse, likely_nm), (pace, PACE_SD)",
        ("tests/test_drift_beside_torque.py",),
    ),
    Mutation(
        "slow noise is taken for white", "monitor/analysis/changes/ramp.py",
        "np.array([0.0, 0.2, 0.4, 0.6, 0.75, 0.85, 0.93])", "np.array([0.0, 0.01])",
        ("tests/test_drift_beside_torque.py",),
    ),
    Mutation(
        "a zero offset is named though a drift explains the same", "monitor/analysis/changes/constant.py",
        "_best(level, s, long_s, False)[0]) >= CLEARLY", "_best(level, s, long_s, False)[0]) >= -1e9",
        ("tests/test_drift_beside_torque.py",),
    ),
    Mutation(
        "the lag of a meter does not move a step", "monitor/live/faults/compared/moment.py",
        "behind = {j: round(lag_s)", "behind = {j: 0 * round(lag_s)", ("tests/test_moment.py",),
    ),
    Mutation(
        "a lean within tolerance is part of it", "monitor/live/faults/compared/cause.py",
        "enough = max(0.3 * now, min(beyond, 0.9 * now))", "enough = 0.3 * now",
        ("tests/test_since_and_shares.py",),
    ),
    Mutation(
        "live, the steps of a share hide nothing", "monitor/live/faults/recent.py",
        "return 200.0 * step / math.sqrt(12.0)", "return 0.0 * step / math.sqrt(12.0)",
        ("tests/test_since_and_shares.py",),
    ),
    Mutation(
        "a fifth lost is borne", "monitor/study/answers/serves.py",
        "MOST_LOST_PERCENT = 2.0", "MOST_LOST_PERCENT = 20.0",
    ),
    Mutation(
        "one torque is enough", "monitor/study/answers/serves.py",
        "if len(groups) < 2:", "if len(groups) < 1:",
    ),
    Mutation(
        "levels of a share taken for its wander", "monitor/study/estimate/sure.py",
        "max(1, len(share_points) // SHARE_WINDOW_S)", "1",
    ),
    Mutation(
        "one level after another taken for flips", "monitor/study/estimate/sure.py",
        "LEAST_FLIPS = 4", "LEAST_FLIPS = 1",
    ),
    Mutation(
        "a side that makes most of it called by chance", "monitor/analysis/diagnose.py",
        "return self.leans if self.side is None and before else self.side", "return self.side or self.leans",
        ("tests/test_diagnose.py",),
    ),
    Mutation(
        "agreeing with one of whom it is not known", "monitor/study/answers/verdict.py",
        'who.found.apart.get(self.reference or "", "yes") != "yes"', "False",
        ("tests/test_as_found.py",),
    ),
)  # fmt: skip


def faults_of(text: str, mutation: Mutation) -> str:
    """Why a mutation can't be applied to the text of its file; empty if it can."""
    count = text.count(mutation.old)
    return "" if count == 1 else f"stands {count} times in {mutation.path}, not once"


def run(mutation: Mutation) -> tuple[str, bool]:
    """What became of it, for people, and whether that is as it should be."""
    source = ROOT / mutation.path
    why = faults_of(source.read_text(encoding="utf-8"), mutation) if source.is_file() else "its file is gone"
    if why:
        return f"STALE: {why}", False
    with tempfile.TemporaryDirectory() as folder:
        for name in COPIED:
            path = ROOT / name
            if path.is_dir():
                shutil.copytree(path, Path(folder, name), ignore=shutil.ignore_patterns("__pycache__"))
            else:
                shutil.copy(path, folder)
        changed = Path(folder, mutation.path)
        text = changed.read_text(encoding="utf-8")
        changed.write_text(text.replace(mutation.old, mutation.new), encoding="utf-8")
        # What is installed must not be met before the copy.
        environment = os.environ | {"PYTHONPATH": folder, "PYTHONDONTWRITEBYTECODE": "1"}
        done = subprocess.run(
            [sys.executable, "-m", "pytest", "-x", "-q", "-p", "no:cacheprovider", *mutation.tests],
            cwd=folder,
            env=environment,
            capture_output=True,
            text=True,
            check=False,
        )
    if done.returncode == 0:
        return "SURVIVED: no test failed", False
    failed = re.findall(r"^(?:FAILED|ERROR) (\S+)", done.stdout, re.MULTILINE)
    if done.returncode == 1 and failed:
        return f"fails {failed[0]}", True
    return f"BROKEN: pytest ended with {done.returncode}: {done.stdout[-300:]}{done.stderr[-300:]}", False


def main() -> int:
    """Apply all of them, or those whose name has the words given; 1 if one survives."""
    p = argparse.ArgumentParser(prog="python -m tests.benchmarks.judgement.mutations", description=__doc__)
    p.add_argument("words", nargs="*", help="only mutations with these words in their name")
    p.add_argument("--jobs", type=int, default=2, help="at once (2)")
    p.add_argument("--list", action="store_true", help="say what would be changed, and whether it can be")
    args = p.parse_args()
    wanted = [m for m in MUTATIONS if all(word in m.name for word in args.words)]
    if args.list:
        for m in wanted:
            path = ROOT / m.path
            why = faults_of(path.read_text(encoding="utf-8"), m) if path.is_file() else "its file is gone"
            print(f"{m.name}: {m.path}: {why or 'can be applied'}")
        return 0
    began = time.perf_counter()
    control, _ = run(Mutation("nothing", "pyproject.toml", "[project]", "[project]", SURE))
    if not control.startswith("SURVIVED"):
        print(f"the tests fail without any change, so they tell nothing: {control}")
        return 1
    bad = 0
    with ThreadPoolExecutor(args.jobs) as pool:
        for m, (text, good) in zip(wanted, pool.map(run, wanted), strict=True):
            print(f"{m.name}: {text}", flush=True)
            bad += not good
    print(
        f"{len(wanted) - bad} of {len(wanted)} noticed, {time.perf_counter() - began:.0f} s", file=sys.stderr
    )
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())
