"""`python -m tests.benchmarks.judgement`: is what is said of a bench true? By evenings of known truth."""

import argparse
import os
import statistics
import sys
import time
from collections import defaultdict
from collections.abc import Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import msgspec

from tests.benchmarks.judgement import score
from tests.benchmarks.judgement.scenarios import PARTS, plan
from tests.benchmarks.judgement.score import Result

RECORDED = "## Last recorded run"
SEEDS = {"coverage": 133, "alarms": 48, "safety": 20, "guilty": 50, "acts": 100, "changes": 40}
"""Evenings of each scenario; of `alarms` half an hour each, so 48 are a day."""
QUICK = {"coverage": 4, "alarms": 6, "safety": 2, "guilty": 3, "acts": 5, "changes": 3}


def cases(only: str, seeds: int | None, first: int, quick: bool) -> list[tuple[str, int]]:
    """(scenario, seed) of all that is asked for; `only` is a part or a scenario, empty for all."""
    out = []
    for part, scenarios in PARTS.items():
        count = seeds or (QUICK if quick else SEEDS)[part]
        for scenario in scenarios:
            if only in ("", part, scenario):
                out += [(scenario, first + k) for k in range(count)]
    return out


def run_all(wanted: Sequence[tuple[str, int]], jobs: int) -> list[Result]:
    """All results, in the order asked for."""
    if jobs <= 1:
        return [score.judge(*case) for case in wanted]
    with ProcessPoolExecutor(jobs) as pool:
        return list(pool.map(score.judge, *zip(*wanted, strict=True), chunksize=2))


def _row(what: str, measured: str, target: str, met: bool | None) -> str:
    word = "" if met is None else "yes" if met else "**no**"
    return f"| {what} | {measured} | {target} | {word} |"


def _table(rows: Iterable[str]) -> str:
    return "\n".join(["| what | measured | to reach | met |", "|---|---|---|---|", *rows])


def _share(part: int, whole: int) -> str:
    return f"{100.0 * part / whole:.1f} % of {whole}" if whole else ""


def tables(results: Sequence[Result]) -> str:
    """The tables as markdown: every row with what was measured and what is to be reached."""
    of = {part: [r for r in results if r.scenario in names] for part, names in PARTS.items()}
    parts = []
    crashes = [r for r in results if r.crash]
    hours = sum(r.hours for r in results)
    parts.append(f"{len(results)} evenings, {hours:.0f} h of riding; {len(crashes)} crashes.")
    parts += [f"`{r.case}`\n```\n{r.crash}```" for r in crashes[:3]]
    if of["coverage"]:
        parts.append("### Stated 95 % intervals that hold the truth\n" + _coverage(of["coverage"]))
    rows = []
    for scenario in PARTS["alarms"]:
        members = [r for r in of["alarms"] if r.scenario == scenario]
        if not members:
            continue
        alarms = sum(len(r.alarms) for r in members)
        ridden = sum(r.hours for r in members)
        allowed = 0.0 if "0.8" in scenario else ridden
        target = "0" if "0.8" in scenario else "at most 1 an hour"
        rows.append(
            _row(f"false alarms, {scenario}", f"{alarms} in {ridden:.1f} h", target, alarms <= allowed)
        )
        said = [r for r in members if r.condemned]
        rows.append(_row(f"condemned afterwards, {scenario}", _cases(said, len(members)), "0", not said))
    for scenario in [*PARTS["safety"], *PARTS["guilty"], *PARTS["acts"], *PARTS["changes"]]:
        members = [r for r in results if r.scenario == scenario]
        if members:
            said = [r for r in members if r.condemned]
            rows.append(_row(f"healthy condemned, {scenario}", _cases(said, len(members)), "0", not said))
    guilty = [r for r in [*of["guilty"], *of["safety"]] if r.named and "reference" not in r.scenario]
    guilty += [r for r in of["safety"] if r.scenario == "wrong reference"]
    for scenario in dict.fromkeys(r.scenario for r in guilty):
        members = [r for r in guilty if r.scenario == scenario]
        right = sum(r.named == "right" for r in members)
        wrong = [r for r in members if r.named == "wrong"]
        rows.append(
            _row(f"guilty one named, {scenario}", _share(right, len(members)), "at least 93 %",
                 right >= 0.93 * len(members))
        )  # fmt: skip
        rows.append(
            _row(f"wrong names, {scenario}", _cases(wrong, len(members)), "at most 0.5 %",
                 len(wrong) <= 0.005 * len(members))
        )  # fmt: skip
    effects = [r for r in of["acts"] if r.effect]
    if effects:
        decided = [r for r in effects if r.effect and r.effect[0] not in ("nothing", "undecided")]
        wrong = [r for r in decided if r.effect and not _right(*r.effect)]
        right = len(decided) - len(wrong)
        rows.append(
            _row("effect of an act decided", _share(len(decided), len(effects)), "at least 80 %",
                 len(decided) >= 0.8 * len(effects))
        )  # fmt: skip
        rows.append(
            _row("effect right, of those decided", f"{_share(right, len(decided))} {_list(wrong)}",
                 "at least 95 %", right >= 0.95 * len(decided) if decided else None)
        )  # fmt: skip
    against = [r for r in results if r.contradictions]
    rows.append(_row("live and study contradict each other", _cases(against, len(results)), "0", not against))
    late = [r for r in of["changes"] if r.delay_s is not None or r.missed]
    if late:
        told = sorted(r.delay_s for r in late if r.delay_s is not None)
        words = f"{len(told)} of {len(late)} seen"
        if told:
            words += (
                f", median {statistics.median(told):.0f} s, 95 % {told[int(0.95 * (len(told) - 1))]:.0f} s"
            )
        rows.append(
            _row(
                "a step of 5 to 7 % of the unit: first finding",
                words,
                "90 s",
                len(told) == len(late) and told[-1] <= 90,
            )
        )
    parts.append("### What is said\n" + _table(rows))
    kinds: dict[str, list[Result]] = defaultdict(list)
    for r in results:
        for text in {c.split(": ", 1)[1] for c in r.contradictions}:
            kinds[text].append(r)
        for text in {c.split(": ", 1)[1] for c in r.condemned}:
            kinds[f"healthy: {text}"].append(r)
    if kinds:
        parts.append(
            "### Seen where it must not be\n"
            + "\n".join(
                f"- {text}: {_list(v)}" for text, v in sorted(kinds.items(), key=lambda kv: -len(kv[1]))
            )
        )
    return "\n\n".join(parts) + "\n"


def _right(said: str, true: str) -> bool:
    return said == true or (true == "cured" and said == "better")


def _list(members: Sequence[Result]) -> str:
    return ", ".join(f"`{r.case}`" for r in members[:6]) + (
        f" and {len(members) - 6} more" if len(members) > 6 else ""
    )


def _cases(members: Sequence[Result], whole: int) -> str:
    return f"{len(members)} of {whole}" + (f": {_list(members)}" if members else "")


def _coverage(results: Sequence[Result]) -> str:
    names = list(dict.fromkeys(r.scenario for r in results))
    held: dict[str, dict[str, list[bool]]] = defaultdict(lambda: defaultdict(list))
    for r in results:
        for i in r.intervals:
            held[i.what][r.scenario].append(i.holds)
    lines = ["| interval | " + " | ".join(names) + " | met |", "|---|" + "---|" * len(names) + "---|"]
    for what, by in sorted(held.items()):
        cells, met = [], True
        for name in names:
            seen = by[name]
            cells.append(_share(sum(seen), len(seen)))
            if seen:
                part = sum(seen) / len(seen)
                met &= part >= 0.88 if name.endswith("0.7") else 0.93 <= part <= 0.99
        lines.append(f"| {what} | " + " | ".join(cells) + f" | {'yes' if met else '**no**'} |")
    lines.append(
        "| *to reach* | "
        + " | ".join("88 % and more" if n.endswith("0.7") else "93 to 99 %" for n in names)
        + " | |"
    )
    return "\n".join(lines)


def safe(results: Sequence[Result]) -> list[str]:
    """What breaks the rules of safety: crashes, and healthy instruments that were condemned."""
    return [f"{r.case}: crashed" for r in results if r.crash] + [
        f"{r.case}: {text}" for r in results for text in r.condemned
    ]


def main() -> int:
    """Run what is asked for; 1 if a healthy instrument was condemned or something crashed."""
    p = argparse.ArgumentParser(prog="python -m tests.benchmarks.judgement", description=__doc__)
    p.add_argument("--quick", action="store_true", help="a few evenings of each scenario, under a minute")
    p.add_argument("--seeds", type=int, help=f"evenings of each scenario ({SEEDS})")
    p.add_argument("--first-seed", type=int, default=0, help="other evenings than those used for tuning (0)")
    p.add_argument("--only", default="", metavar="PART", help=f"{', '.join(PARTS)}, or one scenario (all)")
    p.add_argument("--jobs", type=int, default=2, help="processes (2)")
    p.add_argument("--json", type=Path, metavar="FILE", help="every evening's result as JSON")
    p.add_argument("--case", metavar="SCENARIO/SEED", help="one evening: truth, findings, result")
    p.add_argument("--readme", action="store_true", help="put the tables at the end of README.md")
    args = p.parse_args()
    if args.case:
        return _show(args.case)
    wanted = cases(args.only, args.seeds, args.first_seed, args.quick)
    if not wanted:
        p.error(f"{args.only!r} is neither a part nor a scenario")
    began = time.perf_counter()
    results = run_all(wanted, args.jobs)
    text = tables(results)
    print(text)
    print(f"{time.perf_counter() - began:.0f} s on {args.jobs} processes", file=sys.stderr)
    if args.json:
        args.json.write_bytes(msgspec.json.format(msgspec.json.encode(results)))
    if args.readme:
        readme = Path(__file__).parent / "README.md"
        head = readme.read_text(encoding="utf-8").split(RECORDED)[0]
        readme.write_text(f"{head}{RECORDED}\n\nSeeds from {args.first_seed} on. {text}", encoding="utf-8")
    return 1 if safe(results) else 0


def _show(case: str) -> int:
    scenario, _, seed = case.rpartition("/")
    told = plan(scenario, int(seed))
    for m in told.meters:
        print(m)
    print(f"reference {told.reference}, acts {told.acts}, guilty {told.guilty or 'nobody'}, {told.told}")
    _, findings, study = score.run(told)
    for f in findings:
        print(msgspec.json.encode(f).decode())
    for label, one in study["instruments"].items():
        print(f"{label}: {one['verdict']}, serves: {one['serves_as_reference']}, {one['why']}")
        for state in one["states"]:
            print(f"  {msgspec.json.encode(state).decode()}")
    for judged in study["acts_judged"]:
        print(msgspec.json.encode(judged).decode())
    print(msgspec.json.format(msgspec.json.encode(score.judge(scenario, int(seed)))).decode())
    return 0


if __name__ == "__main__":
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    sys.exit(main())
