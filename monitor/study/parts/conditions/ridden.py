"""How blocks were ridden: in which gear, seated or standing, at which cadence and torque."""

import math
from itertools import pairwise
from typing import NamedTuple

import numpy as np

from monitor.analysis.block import BLOCK_S
from monitor.analysis.statistics import Floats
from monitor.study.grid import Bools, Ints
from monitor.study.parts.common import QUIET_EDGE, Shared
from monitor.study.parts.stroke.position import Words, block_position

OTHER_RPM, OTHER_TORQUE = 8.0, 0.2
"""From so many turns a minute, or such a part of the torque, on it is ridden otherwise."""
LIKE_RPM, LIKE_TORQUE = 4.0, 0.15
"""Up to so many it is ridden alike. All four are common practice, no source."""
NEAR_BLOCKS, MOST_BLOCKS, LEAST_BLOCKS = 3, 12, 3
"""Blocks that tell how it was ridden beside a step; those compared on either side, at most and least."""
CADENCE_BINS_RPM = (0.0, 65.0, 80.0, 95.0, 110.0, math.inf)
PART_LEFT = 0.5
"""A step goes with a condition if under one condition less than this part of it is left."""


class Ridden(NamedTuple):
    """How it was ridden right beside a moment. Empty: not noted."""

    gear: str
    position: str
    cadence_rpm: float
    torque_nm: float

    def unlike(self, other: "Ridden") -> bool:
        """Whether the two were ridden otherwise."""
        return (
            bool(self.gear and other.gear and self.gear != other.gear)
            or bool(self.position and other.position and self.position != other.position)
            or abs(self.cadence_rpm - other.cadence_rpm) > OTHER_RPM
            or abs(self.torque_nm - other.torque_nm) > OTHER_TORQUE * min(self.torque_nm, other.torque_nm)
        )


def one_word(words: Words) -> str:
    """What all of them say; empty if they do not."""
    said = set(words.tolist())
    return said.pop() if len(said) == 1 else ""


def gear_in(shared: Shared, from_s: float, to_s: float) -> str:
    """The gear in which a stretch was ridden, as noted; empty where nothing was, or where it was changed."""
    gears = [(a.moment_ns / 1e9, a.text) for a in shared.recording.acts if a.act == "gear" and a.text]
    before = max((g for g in gears if g[0] <= from_s), default=(0.0, ""))
    return "" if any(from_s < t < to_s for t, _ in gears) else before[1]


def range_name(low: float, high: float, unit: str) -> str:
    """`65 to 80 rpm`, or `over 110 rpm` where nothing bounds it."""
    return f"over {low:g} {unit}" if high == math.inf else f"{low:g} to {high:g} {unit}"


def at_range(name: str) -> str:
    """A range after a verb: `at 65 to 80 rpm`, `over 110 rpm`."""
    return name if name.startswith("over ") else f"at {name}"


class Part(NamedTuple):
    """The blocks that were ridden under one condition, in words after a verb, and its share of a level."""

    words: str
    mask: Bools
    share: float


def parts_ridden(shared: Shared, begin_s: int, rpm: Floats) -> list[Part]:
    """Blocks of BLOCK_S one after the other by gear, position and cadence (`rpm`, one a block).

    Every one of these three that was ridden in more than one way has one share, which its groups divide.
    """
    starts = [begin_s + BLOCK_S * k for k in range(len(rpm))]
    gears = np.array([gear_in(shared, t, t + BLOCK_S) for t in starts], dtype=np.str_)
    positions = np.array([block_position(shared.noted_positions, t) for t in starts], dtype=np.str_)
    kinds = [
        [(f"in gear {g}", gears == g) for g in sorted(set(gears.tolist()) - {""})],
        [(f"when {p}", positions == p) for p in sorted(set(positions.tolist()) - {""})],
    ]
    with np.errstate(invalid="ignore"):
        kinds.append(
            [
                (at_range(range_name(a, b, "rpm")), (rpm >= a) & (rpm < b))
                for a, b in pairwise(CADENCE_BINS_RPM)
            ]
        )
    result = []
    for kind in kinds:
        ridden = [(words, mask) for words, mask in kind if mask.any()]
        if len(ridden) > 1:
            result += [Part(words, mask, 1.0 / len(ridden)) for words, mask in ridden]
    return result


def gears_of(shared: Shared, i: int) -> Words:
    """The gear in which each block of an instrument was ridden, as noted; empty in a block that shifts."""
    begin = shared.blocks[i].begin_s
    acts = sorted((a for a in shared.recording.acts if a.act == "gear" and a.text), key=lambda a: a.moment_ns)
    at = np.array([a.moment_ns / 1e9 for a in acts])
    names = np.array(["", *(a.text for a in acts)])
    first, last = np.searchsorted(at, begin, "right"), np.searchsorted(at, begin + BLOCK_S, "right")
    result: Words = np.where(first == last, names[first], "")
    return result


def positions_of(shared: Shared, i: int) -> Words:
    """Whether each block was ridden seated or standing, as noted; empty where it was not."""
    words = shared.noted_positions
    result: Words = np.array([block_position(words, int(t)) for t in shared.blocks[i].begin_s], dtype="U8")
    return result


def moved_alike_percent(shared: Shared, i: int, from_s: float, to_s: float) -> float:
    """By how much the last third of a stretch reads otherwise than the first where both were ridden alike.

    0 where hardly anything was: another way of riding is no change of the instrument.
    """
    blocks = shared.blocks[i]
    good = (blocks.edge_percent < QUIET_EDGE) & np.isfinite(blocks.torque_nm)
    good &= (blocks.begin_s >= from_s) & (blocks.begin_s + BLOCK_S <= to_s)
    rows = np.flatnonzero(good)
    third = len(rows) // 3
    if third < MOST_BLOCKS:
        return 0.0
    first, last = rows[:third], rows[-third:]
    gears, positions = gears_of(shared, i), positions_of(shared, i)
    like = np.abs(blocks.cadence_rpm[last, None] - blocks.cadence_rpm[None, first]) <= LIKE_RPM
    torque = blocks.torque_nm
    like &= np.abs(torque[last, None] - torque[None, first]) <= LIKE_TORQUE * torque[last, None]
    like &= (gears[last, None] == gears[None, first]) & (positions[last, None] == positions[None, first])
    matched = like.any(axis=1)
    if matched.sum() < MOST_BLOCKS:
        return 0.0
    before = (like[matched] @ blocks.y[first]) / like[matched].sum(axis=1)
    return 100.0 * float((blocks.y[last][matched] - before).mean())


def goes_with_riding(shared: Shared, i: int, t_s: float, percent: float, side: str) -> bool:
    """Whether a step at `t_s` came with another way of riding and is gone where that was ridden again.

    A condition comes and goes: what an instrument reads under it belongs to it, before the step as after.
    False where it was ridden in one way only on either side: then nothing tells them apart.
    """
    blocks = shared.blocks[i]
    y = blocks.ratios("" if side == "total" else side)
    touched = [0.0, *shared.acts(i), float(shared.grid.seconds)]
    low, high = max(t for t in touched if t <= t_s), min(t for t in touched if t >= t_s)
    good = (blocks.edge_percent < QUIET_EDGE) & np.isfinite(y) & np.isfinite(blocks.torque_nm)
    good &= (blocks.begin_s >= low) & (blocks.begin_s + BLOCK_S <= high)
    before, after = good & (blocks.begin_s + BLOCK_S <= t_s), good & (blocks.begin_s >= t_s)
    if min(before.sum(), after.sum()) < NEAR_BLOCKS:
        return False
    gears, positions = gears_of(shared, i), positions_of(shared, i)

    def ridden(at: Ints) -> Ridden:
        return Ridden(
            one_word(gears[at]),
            one_word(positions[at]),
            float(np.median(blocks.cadence_rpm[at])),
            float(np.median(blocks.torque_nm[at])),
        )

    one = ridden(np.flatnonzero(before)[-NEAR_BLOCKS:])
    two = ridden(np.flatnonzero(after)[:NEAR_BLOCKS])
    if not one.unlike(two):
        return False

    def remains(each: Ridden) -> float | None:
        """How much lies between what was read right before and after under one condition."""
        like = (gears == each.gear) & (positions == each.position)
        like &= np.abs(blocks.cadence_rpm - each.cadence_rpm) <= LIKE_RPM
        like &= np.abs(blocks.torque_nm - each.torque_nm) <= LIKE_TORQUE * each.torque_nm
        a, b = np.flatnonzero(like & before)[-MOST_BLOCKS:], np.flatnonzero(like & after)[:MOST_BLOCKS]
        return abs(float(y[b].mean() - y[a].mean())) if min(len(a), len(b)) >= LEAST_BLOCKS else None

    left = [r for each in (one, two) if (r := remains(each)) is not None]
    if not left:
        # Neither was ridden on both sides: what was ridden last before, and again after, tells as well.
        earlier = np.flatnonzero(before)[::-NEAR_BLOCKS]
        others = (r for k in earlier if (r := remains(ridden(np.array([k])))) is not None)
        left = [r for r in [next(others, None)] if r is not None]
    return bool(left) and max(left) < PART_LEFT * abs(float(np.log1p(percent / 100.0)))
