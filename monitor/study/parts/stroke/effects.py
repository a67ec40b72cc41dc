"""Does an error depend on the shape of the stroke? Deviation against effectiveness, peak and standing.

Crank-based meters are known to differ in where in the stroke they are loaded (common practice, no
source). Harder and faster pedalling changes the stroke, and a zero offset deviates with the torque: so
torque and cadence are held equal by regression before the stroke is asked.
"""

import math
from typing import Literal, NamedTuple

import numpy as np

from monitor.analysis.statistics import Floats, autocorrelation, t_975
from monitor.analysis.stroke.series import Block, Series
from monitor.study.grid import Blocks, Bools
from monitor.study.parts.stroke.position import SEATED, STANDING, Words, block_position
from monitor.study.parts.stroke.results import ShapeEffect
from monitor.study.results import known, rounded

LEAST_BLOCKS = 12
"""Fewer blocks can't hold torque and cadence equal."""
LEAST_EACH = 3
"""Blocks seated and standing, and of each group."""
SMALL_PERCENT = 1.0
"""An error that moves by surely less than this over all that was ridden does not depend on the stroke."""
BIN = 10.0
"""Percent or degrees of one group of blocks."""
LEAST_SPREAD = {"effectiveness": 3.0, "peak angle": 3.0, "standing": 0.0}
"""Percent and degrees between the tenth and the ninetieth of a hundred blocks: less is no other stroke."""
TO_99 = 2.576 / 1.96

By = Literal["effectiveness", "peak angle", "standing"]
UNITS: dict[By, tuple[str, float]] = {
    "effectiveness": ("10 percentage points", 10.0),
    "peak angle": ("10 degrees", 10.0),
    "standing": ("standing against seated", 1.0),
}
REACH = 0.1, 0.9
"""Between these quantiles lies what was ridden of a property."""
FREE_VALUES, LEAST_DOF, LEAST_OWN_PART = 4, 3, 1e-3
"""The fit's level, torque, cadence and slope; degrees of freedom without which there is none; and how much of
a property has to be left once torque and cadence have explained theirs."""


class Stroked(NamedTuple):
    """What the stroke was in each of an instrument's blocks, by what is asked; nan: not known."""

    by: By
    x: Floats
    noted: bool = False
    """By what the tester noted, not by an instrument."""


def stroked(series: Series | None, blocks: Blocks, noted: Words) -> list[Stroked]:
    """Effectiveness, peak and position in each block of a comparison.

    `series` is what an instrument reports of the stroke, None if nobody does; `noted` the positions that the
    tester noted. They count where the instrument reports none.
    """
    begins = blocks.begin_s.tolist()
    rows = [series.block(at) if series is not None and at >= 0 else None for at in begins]
    found = [
        Stroked("effectiveness", np.array([_mean(row, "effectiveness_percent") for row in rows])),
        Stroked("peak angle", _peaks(rows)),
    ]
    words = [row.position if row is not None else "" for row in rows]
    reported = any(words)
    if not reported:
        words = [block_position(noted, at) if at >= 0 else "" for at in begins]
    return [*found, Stroked("standing", np.array([_standing(word) for word in words]), noted=not reported)]


def _mean(row: Block | None, name: str) -> float:
    values = [getattr(s, name) for s in row.sides.values()] if row is not None else []
    good = [v for v in values if math.isfinite(v)]
    return sum(good) / len(good) if good else math.nan


def _peaks(rows: list[Block | None]) -> Floats:
    """The peak, mean of the sides that are known in most blocks; no step from 360 to 0 in it."""
    sides = [s for s in ("left", "right", "unknown") if any(r is not None and s in r.sides for r in rows)]
    table = np.array(
        [[r.sides[s].peak_deg if r is not None and s in r.sides else math.nan for s in sides] for r in rows]
    ).reshape(len(rows), len(sides))
    good = [k for k in range(len(sides)) if np.isfinite(table[:, k]).mean() >= 0.5] if len(rows) else []
    if not good:
        return np.full(len(rows), math.nan)
    table = table[:, good]
    for k in range(len(good)):
        column = table[:, k]
        there = np.isfinite(column)
        centre = float(np.degrees(np.angle(np.exp(1j * np.radians(column[there])).mean()))) % 360.0
        table[:, k] = centre + (column - centre + 180.0) % 360.0 - 180.0
    result: Floats = table.mean(axis=1)
    return result


def _standing(word: str) -> float:
    return 1.0 if word == STANDING else 0.0 if word == SEATED else math.nan


class StrokeGroup(NamedTuple):
    """Blocks of a like stroke: what it is by, its name, which blocks, and the edges of what they share."""

    by: str
    name: str
    mask: Bools
    low: float | None
    high: float | None


def groups_of(stroke: list[Stroked], mask: Bools) -> list[StrokeGroup]:
    """Groups of ten percent of effectiveness, ten degrees of the peak, and of either position.

    Only where at least two groups of a kind have LEAST_EACH blocks each.
    """
    found: list[StrokeGroup] = []
    for by, x, _ in stroke:
        if by == "standing":
            groups = [
                StrokeGroup("position", word, x == code, None, None)
                for word, code in ((SEATED, 0.0), (STANDING, 1.0))
            ]
        else:
            unit = "%" if by == "effectiveness" else "°"
            known = x[np.isfinite(x) & mask]
            edges = np.unique(np.floor(known / BIN)) * BIN
            groups = [
                StrokeGroup(
                    by, f"{low:g} to {low + BIN:g} {unit}", (x >= low) & (x < low + BIN), low, low + BIN
                )
                for low in edges.tolist()
            ]
        groups = [g for g in groups if int((g.mask & mask).sum()) >= LEAST_EACH]
        if len(groups) > 1:
            found += groups
    return found


def effects_of(
    label: str, source: str, blocks: Blocks, mask: Bools, stroke: list[Stroked]
) -> list[ShapeEffect]:
    """A row for each property of the stroke that varied enough within the blocks of `mask`.

    `source` is who reports the stroke; a position that was noted has none.
    """
    found = []
    for by, x, noted in stroke:
        good = mask & np.isfinite(x) & np.isfinite(blocks.torque_nm) & np.isfinite(blocks.cadence_rpm)
        if int(good.sum()) < LEAST_BLOCKS or not _varies(by, x[good]):
            continue
        row = _effect(label, "" if noted else source, by, x[good], blocks, good)
        if row is not None:
            found.append(row)
    return found


def _varies(by: By, x: Floats) -> bool:
    if by == "standing":
        return min(int((x == 1.0).sum()), int((x == 0.0).sum())) >= LEAST_EACH
    return float(np.ptp(np.quantile(x, REACH))) >= LEAST_SPREAD[by]


def _effect(label: str, source: str, by: By, x: Floats, blocks: Blocks, good: Bools) -> ShapeEffect | None:
    unit, scale = UNITS[by]
    y = 100.0 * np.expm1(blocks.y[good])
    held = np.column_stack([np.ones(len(y)), 1.0 / blocks.torque_nm[good], blocks.cadence_rpm[good]])
    # What torque and cadence explain of either is taken out (Frisch and Waugh, Econometrica 1, 387, 1933).
    x_left, y_left = (v - held @ np.linalg.lstsq(held, v, rcond=None)[0] for v in (x, y))
    power = float(x_left @ x_left)
    dof = len(y) - FREE_VALUES
    if power <= LEAST_OWN_PART * float(((x - x.mean()) ** 2).sum()) or dof < LEAST_DOF:
        return None
    slope = float(x_left @ y_left) / power
    rest = y_left - slope * x_left
    r = max(0.0, autocorrelation(rest * x_left))
    worth = (1.0 - r) / (1.0 + r)
    u95 = t_975(max(1.0, dof * worth)) * math.sqrt(float(rest @ rest) / dof / power / worth)
    reach = float(np.ptp(np.quantile(x, REACH))) if by != "standing" else 1.0
    verdict: Literal["depends", "does not", "undecided"] = "undecided"
    if abs(slope) > TO_99 * u95 and abs(slope) * reach > 0.5 * SMALL_PERCENT:
        verdict = "depends"
    elif (abs(slope) + u95) * reach <= SMALL_PERCENT:
        verdict = "does not"
    return ShapeEffect(
        label, source, by, unit, len(y), rounded(float(x.min()), 1), rounded(float(x.max()), 1),
        rounded(slope * scale, 2), known(u95 * scale, 2), verdict,
    )  # fmt: skip
