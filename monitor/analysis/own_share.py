"""Which side a change of the total came from, by the instrument's own left share: an inference.

Where no second instrument knows its sides, only the instrument itself tells of them. With the share `s` of
the left side before, a change of the total by `d` that the left side alone made moves the share by
d (1 - s) / (1 + d); one of the right side alone by -s d / (1 + d); one of both alike leaves it. (From
L' = L + d (L + R) and R' = R, and the same with left and right exchanged.)

Fails for a rider who shifts the balance by just that at just that moment, while both sides change alike: so
it is said as an inference, and never as the side of a finding (how often it is right: benchmarks/detection).
"""

import math
from collections.abc import Sequence
from typing import NamedTuple

from monitor.analysis.block import BLOCK_S, MIN_POWER_W
from monitor.analysis.statistics import t_975
from monitor.finding import Side

MOST_BLOCKS = 12
"""Of ten seconds, on each side of the change."""
LEAST_BEFORE, LEAST_AFTER = 4, 2
SETTLING_S = 5
"""Seconds on either side that belong to neither."""
WANDERS = 1.5
"""How much wider the interval is for a rider whose balance wanders slowly than for blocks that know nothing
of each other (common practice, no source)."""
RIDER_U95 = 0.01
"""A rider's balance is another by a point from one pair of minutes to the next (95 %; common practice, no
source): a share that moves by less says nothing, however well it is known."""
FITS = 0.5
"""The share has to move by this part at least of what one side alone would have moved it, else it is nearer
to a change of both sides alike. By as much, beside its interval, it may miss that."""


class OwnShare(NamedTuple):
    """The change of an instrument's own left share, points, and which side alone would have made it."""

    side: Side
    points: float
    u95_points: float

    @property
    def words(self) -> str:
        """The inference, to be put behind what changed."""
        way = "rose" if self.points > 0.0 else "fell"
        return (
            f"its own left share {way} by {abs(self.points):.1f} points with it, "
            f"as from its {self.side} side alone (an inference)"
        )


def shares(left_j: Sequence[float], sided_s: Sequence[float], work_j: Sequence[float]) -> list[float]:
    """Left shares of whole blocks of ten seconds, from seconds; without those that tell none."""
    found = []
    for k in range(0, len(work_j) - BLOCK_S + 1, BLOCK_S):
        part = slice(k, k + BLOCK_S)
        total_j = math.fsum(work_j[part])
        if math.fsum(sided_s[part]) > 0.95 * BLOCK_S and total_j > MIN_POWER_W * BLOCK_S:
            found.append(math.fsum(left_j[part]) / total_j)
    return found


def own_share(step_percent: float, before: Sequence[float], after: Sequence[float]) -> OwnShare | None:
    """The side that a step of the total came from by these shares; None if they don't tell."""
    n, m = len(before), len(after)
    if n < LEAST_BEFORE or m < LEAST_AFTER:
        return None
    was, now = math.fsum(before) / n, math.fsum(after) / m
    squares = math.fsum((x - was) ** 2 for x in before) + math.fsum((x - now) ** 2 for x in after)
    sd = math.sqrt(squares / (n + m - 2))
    u95 = math.hypot(RIDER_U95, WANDERS * t_975(n + m - 2) * sd * math.sqrt(1.0 / n + 1.0 / m))
    moved = now - was
    if abs(moved) <= u95:
        return None
    d = step_percent / 100.0
    alone: dict[Side, float] = {"left": d * (1.0 - was) / (1.0 + d), "right": -was * d / (1.0 + d)}
    for side, would in alone.items():
        near = moved * would > 0.0 and abs(moved) >= FITS * abs(would)
        if near and abs(moved - would) <= u95 + FITS * abs(would):
            return OwnShare(side, 100.0 * moved, 100.0 * u95)
    return None
