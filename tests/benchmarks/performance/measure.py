"""Measuring without fooling oneself: processor time of this process, rounds in turn, medians.

Things that are compared are measured in turn within one round, so that a busy machine
weighs on all of them alike; a figure is the median over the rounds, a ratio that of the rounds' own.
"""

import gc
import os
import platform
import statistics
import time
from collections.abc import Callable, Mapping


def in_turn(works: Mapping[str, Callable[[], object]], rounds: int) -> dict[str, list[float]]:
    """Processor seconds of each work in each of `rounds` rounds, in which all have their turn."""
    taken: dict[str, list[float]] = {name: [] for name in works}
    for work in works.values():
        work()
    for _ in range(rounds):
        for name, work in works.items():
            gc.collect()
            begin = time.process_time()
            work()
            taken[name].append(time.process_time() - begin)
    return taken


def ratio(some: list[float], others: list[float]) -> float:
    """Median of the ratios within each round: from round to round a machine may be half as fast."""
    return statistics.median(a / b for a, b in zip(some, others, strict=True))


def machine() -> str:
    """Processor, cores, Python, load: what a figure depends on."""
    model = platform.processor() or platform.machine()
    try:
        with open("/proc/cpuinfo", encoding="utf-8") as file:
            model = next(
                (line.split(":", 1)[1].strip() for line in file if line.startswith("model name")), model
            )
    except OSError:
        pass
    return (
        f"{model}, {os.cpu_count()} cores, Python {platform.python_version()}, {platform.system()}, "
        f"load {os.getloadavg()[0]:.1f}"
    )


def percentile(values: list[float], part: float) -> float:
    """The value below which `part` (0..1) of the values lie."""
    ordered = sorted(values)
    return ordered[min(len(ordered) - 1, int(part * len(ordered)))]
