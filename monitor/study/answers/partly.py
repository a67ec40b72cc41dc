"""What differs under some conditions only: in one gear, standing, at some cadences or torques."""

from collections.abc import Sequence
from typing import NamedTuple

from monitor.study.parts.conditions.ridden import at_range
from monitor.study.results import Split, rounded

BY = ("gear", "position", "load", "cadence", "torque", "power")
"""The order in which conditions are asked: what a tester can change first."""
LEAST_BLOCKS = 3
LOAD_WORDS = {
    "held": "with the load held",
    "grade": "at a simulated grade",
    "resistance": "at a set resistance",
    "target": "in blocks with a target",
    "free": "in free riding",
    "sprint": "in sprints",
}
MOST_NAMED = 2
"""Groups that a sentence names."""


class Partly(NamedTuple):
    """The condition by which an instrument differs, and its groups that surely differ and surely agree."""

    by: str
    differ: list[Split]
    agree: list[Split]

    @property
    def words(self) -> str:
        """`at 65 to 80 rpm by -3.3 % ± 0.5 % and in gear large by +5.9 % ± 0.3 %`, the largest first."""
        worst = sorted(self.differ, key=lambda s: -abs(s.deviation_percent))[:MOST_NAMED]
        return " and ".join(f"{group_words(s)} by {_size(s)}" for s in worst)

    @property
    def limit(self) -> str:
        """The limit where it differs most, for people."""
        return f"{max(self.differ, key=lambda s: abs(s.deviation_percent)).limit_percent:.1f} %"

    @property
    def agreeing(self) -> str:
        """`at 80 to 95 rpm (+0.3 % ± 0.2 %)`: the group with most blocks that agrees."""
        best = max(self.agree, key=lambda s: s.blocks)
        return f"{group_words(best)} ({_size(best)})"


def partly(splits: Sequence[Split], label: str) -> Partly | None:
    """The condition that parts best what differs from what agrees; None: none does.

    Groups that decide nothing speak against a condition: a scale error shows in every one.
    """
    best: tuple[int, int, Partly] | None = None
    for order, by in enumerate(BY):
        groups = [s for s in splits if s.instrument == label and s.by == by and s.blocks >= LEAST_BLOCKS]
        groups = [s for s in groups if by != "load" or s.group in LOAD_WORDS]
        differ, agree = ([s for s in groups if s.verdict == v] for v in ("differs", "agrees"))
        if not differ or not agree:
            continue
        found = (len(groups) - len(differ) - len(agree), order, Partly(by, differ, agree))
        if best is None or found[:2] < best[:2]:
            best = found
    return best[2] if best is not None else None


def group_words(split: Split) -> str:
    """A group after a verb: `in gear large`, `when standing`, `with the load held`, `at 65 to 80 rpm`."""
    if split.by == "gear":
        return f"in gear {split.group}"
    if split.by == "position":
        return f"when {split.group}"
    if split.by == "load":
        return LOAD_WORDS[split.group]
    return at_range(split.group)


def _size(split: Split) -> str:
    sure = f" ± {split.u95_percent:.1f} %" if split.u95_percent is not None else ""
    return f"{rounded(split.deviation_percent, 1):+z.1f} %{sure}"
