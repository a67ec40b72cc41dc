"""How well segments are found: a found one counts if it is of the right kind and lies where it was ridden."""

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

from tests.benchmarks.segments.rides import KINDS, Label, Ride

OVERLAP = 0.7
"""Seconds in common over seconds in either: from here on it is the same segment."""
LEAST_S = {"block": 60, "free": 120}
"""Shorter ones of these kinds are nobody's loss and nobody's error."""


class Found(NamedTuple):
    """What was found in [begin, end)."""

    kind: str
    begin: float
    end: float


@dataclass
class Score:
    """Counts by kind; `confused`: (what it was, what was found there)."""

    ridden: Counter[str] = field(default_factory=Counter)
    hit: Counter[str] = field(default_factory=Counter)
    found: Counter[str] = field(default_factory=Counter)
    true: Counter[str] = field(default_factory=Counter)
    confused: Counter[tuple[str, str]] = field(default_factory=Counter)

    def recall(self, kind: str) -> float:
        """Of those ridden, the part that was found."""
        return self.hit[kind] / self.ridden[kind] if self.ridden[kind] else 1.0

    def precision(self, kind: str) -> float:
        """Of those found, the part that was ridden."""
        return self.true[kind] / self.found[kind] if self.found[kind] else 1.0


def overlap(label: Label, found: Found) -> float:
    """Seconds in common over seconds in either."""
    both = min(label.end, found.end) - max(label.begin, found.begin)
    either = max(label.end, found.end) - min(label.begin, found.begin)
    return max(0.0, both) / either


def add(score: Score, ride: Ride, found: Sequence[Found]) -> None:
    """Count one ride."""
    for label in ride.labels:
        if label.kind == "any" or label.end - label.begin < LEAST_S.get(label.kind, 0):
            continue
        score.ridden[label.kind] += 1
        need = 0.5 if label.kind == "sprint" else OVERLAP
        if any(f.kind == label.kind and overlap(label, f) >= need for f in found):
            score.hit[label.kind] += 1
            continue
        near = max(found, key=lambda f: overlap(label, f), default=None)
        what = near.kind if near is not None and overlap(label, near) > 0.1 else "nothing"
        score.confused[label.kind, what if what != label.kind else f"{what}, elsewhere"] += 1
    for f in found:
        if f.end - f.begin < LEAST_S.get(f.kind, 0):
            continue
        score.found[f.kind] += 1
        # Inside riding of its own kind, or where nothing was asked for, it is true.
        inside = [x for x in ride.labels if min(x.end, f.end) - max(x.begin, f.begin) > 0]
        length = f.end - f.begin
        good = sum(
            min(x.end, f.end) - max(x.begin, f.begin)
            for x in inside
            if x.kind == f.kind or (x.kind == "any" and f.kind in ("block", "free"))
        )
        need = 0.5 if f.kind == "sprint" else OVERLAP
        score.true[f.kind] += good >= need * length


def table(score: Score) -> Iterable[str]:
    """The score as lines."""
    yield f"{'kind':12}{'ridden':>8}{'found of them':>15}{'found':>8}{'true of them':>14}"
    for kind in KINDS:
        yield (
            f"{kind:12}{score.ridden[kind]:8d}{100.0 * score.recall(kind):13.1f} %{score.found[kind]:8d}"
            f"{100.0 * score.precision(kind):12.1f} %"
        )
    for (was, what), count in score.confused.most_common(8):
        yield f"  {was} taken for {what}: {count}"
