"""Whether a change left all that the monitor says as it was: `python -m tests.benchmarks.performance.same`.

Runs varied benches of the detection benchmark, and some that it has not (64 instruments, flapping
links, garbage, leaps in time), through the pipeline and writes one hash a case over every
finding, every closed cell and the view every few seconds. Before a change `--save FILE`, after
it `--against FILE`: a case whose hash differs is named.
"""

import argparse
import hashlib
import json
import sys
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import msgspec
import numpy as np

from capture.record import Act, Link, Packet, Record, Reported, Store, Tick
from monitor.live.pipeline import Pipeline
from monitor.live.screen import view_of
from monitor.setup.bench import Bench
from tests.benchmarks.detection import generator
from tests.benchmarks.performance.crowd import crowd

VIEW_S = 7.0


def names() -> list[str]:
    """The cases: two rides of each kind and variant of fault, healthy rides, and rough ones."""
    faults = [
        f"{kind}/{size}/{how}/{seed}"
        for kind, variants in generator.SIZES.items()
        for number, (size, how) in enumerate(variants)
        for seed in ((0, 1) if number == 0 else (2,))
    ]
    styles = ("steady", "levels", "free", "sprints", "over-unders", "ramp")
    healthy = [f"healthy/{style}/{bench}/0" for style, bench in zip(styles, generator.BENCHES, strict=True)]
    return faults + healthy + [f"rough/{name}" for name in ROUGH]


def digest(name: str) -> str:
    """The hash of all that one case says."""
    if name.startswith("rough/"):
        bench, records = ROUGH[name.removeprefix("rough/")]()
    else:
        scenario = generator.make(generator.Case.parse(name), 1200)
        bench, records = scenario.bench, scenario.records
    return hash_of(bench, records)


def hash_of(bench: Bench, records: list[Record]) -> str:
    """Findings, cells and views of these records, hashed in the order in which they come."""
    told = hashlib.sha256()
    pipeline = Pipeline(bench, on_cell=lambda second, cell: told.update(np.asarray(cell, float).tobytes()))
    shown_s = 0.0
    for record in records:
        for finding in pipeline.feed(record):
            told.update(msgspec.json.encode(finding))
        if pipeline.t_s >= shown_s:
            shown_s = pipeline.t_s + VIEW_S
            told.update(repr(view_of(pipeline)).encode())
    for finding in pipeline.finish():
        told.update(msgspec.json.encode(finding))
    told.update(repr(view_of(pipeline)).encode())
    return told.hexdigest()[:32]


def _rough(seed: int) -> tuple[Bench, list[Record]]:
    """A generated ride over which everything goes wrong that a radio, a disk and an operator can do."""
    name = ("healthy/free/four/7", "shifted/3/gain/5", "scale/8/side/6", "healthy/steady/consensus/3")[seed]
    scenario = generator.make(generator.Case.parse(name), 900)
    rng = np.random.default_rng(seed)
    labels = [i.label for i in scenario.bench.instruments]
    records: list[Record] = []
    down: dict[str, float] = {}
    leap_ns = 0
    for record in scenario.records:
        t_s = record.t_ns / 1e9
        if t_s > 500.0 and not leap_ns and seed in (0, 1):
            leap_ns = int((45.0 if seed else 5000.0) * 1e9)
        moved = msgspec.structs.replace(record, t_ns=record.t_ns + leap_ns)
        if isinstance(moved, Packet):
            label = moved.instrument
            if label in down:
                if t_s < down[label]:
                    continue
                del down[label]
                records.append(Link(moved.t_ns, label, "up"))
            dice = rng.random()
            if dice < 0.002:
                down[label] = t_s + float(rng.uniform(0.5, 12.0))
                records.append(Link(moved.t_ns, label, "down", "out of range"))
            elif dice < 0.006:
                records.append(msgspec.structs.replace(moved, data=rng.bytes(len(moved.data))))
            elif dice < 0.010:
                records += [moved] * 3
            elif dice < 0.012:
                records.append(msgspec.structs.replace(moved, data=moved.data[: len(moved.data) // 2]))
            else:
                records.append(moved)
            continue
        records.append(moved)
        if isinstance(moved, Tick):
            label = labels[int(rng.integers(len(labels)))]
            dice = rng.random()
            if dice < 0.01:
                records.append(Act(moved.t_ns, "zeroed", "", label if rng.random() < 0.5 else ""))
            elif dice < 0.015:
                records.append(Act(moved.t_ns, "acknowledge", "", ""))
            elif dice < 0.02:
                records.append(Act(moved.t_ns, "position", "drops", ""))
            elif dice < 0.025:
                records.append(Store(moved.t_ns, "failing", int(t_s), "disk full"))
            elif dice < 0.035:
                records.append(Store(moved.t_ns, "recovered", int(t_s)))
            elif dice < 0.04:
                records.append(Link(moved.t_ns, label, "given-up", "it doesn't answer"))
            elif dice < 0.05:
                records.append(Reported(moved.t_ns, label, "firmware", "1.2"))
            elif dice < 0.06:
                records.append(Link(moved.t_ns, label, "missed"))
    return scenario.bench, records


ROUGH: dict[str, Callable[[], tuple[Bench, list[Record]]]] = {
    "every-trouble/0": lambda: _rough(0),
    "every-trouble/1": lambda: _rough(1),
    "every-trouble/2": lambda: _rough(2),
    "every-trouble/3": lambda: _rough(3),
    "crowd/64": lambda: crowd(64, 240),
    "crowd/1": lambda: crowd(1, 300),
    "crowd/consensus": lambda: crowd(9, 600, reference="consensus"),
}


def main() -> int:
    """Hash all cases; 1 if one differs from the file."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--save", type=Path, metavar="FILE")
    parser.add_argument("--against", type=Path, metavar="FILE")
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--cases", nargs="*", metavar="NAME", help="only these")
    args = parser.parse_args()
    cases = args.cases or names()
    with ProcessPoolExecutor(args.jobs) as pool:
        hashes = dict(zip(cases, pool.map(digest, cases), strict=True))
    if args.save:
        args.save.write_text(json.dumps(hashes, indent=0) + "\n", encoding="utf-8")
    known = json.loads(args.against.read_text("utf-8")) if args.against else {}
    other = [name for name in cases if name in known and known[name] != hashes[name]]
    for name in other:
        print(f"DIFFERS {name}")
    compared = sum(name in known for name in cases)
    print(f"{len(cases)} cases" + (f", {compared} compared, {len(other)} differ" if args.against else ""))
    return int(bool(other) or (args.against is not None and not compared))


if __name__ == "__main__":
    sys.exit(main())
