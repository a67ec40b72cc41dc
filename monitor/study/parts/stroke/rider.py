"""Did the rider pedal differently? The stroke by instruments that are trusted, on both sides of a change.

Whatever moves the rider's stroke is seen by every instrument on the same pedals, each from its own zero:
so changes are compared, not angles. What one shows and another contradicts is nobody's.
"""

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from monitor.analysis.block import BLOCK_S
from monitor.analysis.statistics import Floats, spread_of_steps
from monitor.analysis.stroke.circular import wrapped
from monitor.analysis.stroke.series import Block, Series, Side
from monitor.analysis.stroke.summary import LEAST_BLOCKS, mean_of
from monitor.study.parts.stroke.results import RiderStroke
from monitor.study.results import rounded

TO_99 = 2.576 / 1.96
LEAST_DEG = 3.0
"""A peak that moves by less is no other way of pedalling: it wanders so with load and cadence (common
practice, no source)."""
LEAST_UNLIKE_DEG = 6.0
"""The same where cadence or power were others (common practice, no source)."""
LIKE_PART = 0.35
"""Two changes differ by no more than this part of the larger one if they are of one rider: in the sum of both
legs the other leg draws a peak towards its own, so that its move looks smaller (own calculation)."""
STEP_DEG = 5.0
"""A step of the peak inside an evening is told from this size on."""
LEAST_STEP_BLOCKS = 6
"""A step has a minute on either side."""
MOST_STEPS = 6
SURE = 5.0
"""A step is so many standard errors: it is looked for at every block of an evening."""
LEAST_PERCENT = 4.0
"""Effectiveness and smoothness that move by less say nothing (common practice, no source)."""

Window = tuple[float, float]
MOST_BLOCKS = 0.8
"""The part of a stretch's blocks that makes it seated, or standing (common practice, no source)."""
LEAST_SPREAD_DEG = 0.2
"""Finer than any angle is told: what comes in whole steps may seem to have no spread."""


class Moved(NamedTuple):
    """How the mean peak angle of a side moved: before, after, change and its 95 %, degrees."""

    side: Side
    before_deg: float
    after_deg: float
    change_deg: float
    u95_deg: float

    @property
    def seen(self) -> bool:
        """Beyond its uncertainty at 99 %, and of a size that matters."""
        return abs(self.change_deg) > max(LEAST_DEG, TO_99 * self.u95_deg)


def moved(series: Series, before: Sequence[Block], after: Sequence[Block]) -> list[Moved]:
    """How the peak of each side moved between two lots of blocks, where both are known."""
    found = []
    for side in series.sides:
        one, two = series.peak(before, side), series.peak(after, side)
        if one is None or two is None or min(one.n, two.n) < LEAST_BLOCKS:
            continue
        u95 = math.hypot(one.u95_deg, two.u95_deg)
        if math.isfinite(u95):
            change = wrapped(two.mean_deg - one.mean_deg)
            found.append(Moved(side, one.mean_deg, two.mean_deg, change, u95))
    return found


def most_moved(rows: Sequence[Moved]) -> Moved | None:
    """The side that moved most beyond its uncertainty, else the one that is known best."""
    seen = [m for m in rows if m.seen]
    if seen:
        return max(seen, key=lambda m: abs(m.change_deg))
    return min(rows, key=lambda m: m.u95_deg, default=None)


def compared(
    source: tuple[str, Series],
    others: Sequence[tuple[str, Series]],
    windows: tuple[Window, Window],
    alike: bool,
) -> RiderStroke:
    """The rider's stroke by the trusted `source`, in two stretches; `others` are held beside it."""
    label, series = source
    before, after = (series.blocks(*w) for w in windows)
    rows = moved(series, before, after)
    most = most_moved(rows)
    beside: dict[str, tuple[float, float]] = {}
    confirmed = True
    for name, other in others:
        beyond = moved(other, *(other.blocks(*w) for w in windows))
        theirs = next((m for m in beyond if most is not None and m.side == most.side), None)
        if theirs is None or most is None:
            continue
        beside[name] = (round(theirs.change_deg, 1), round(theirs.u95_deg, 1))
        gap = wrapped(most.change_deg - theirs.change_deg)
        allowed = max(
            LEAST_DEG,
            TO_99 * math.hypot(theirs.u95_deg, most.u95_deg),
            LIKE_PART * max(abs(most.change_deg), abs(theirs.change_deg)),
        )
        confirmed = confirmed and abs(gap) <= allowed
    side = most.side if most is not None else next(iter(series.sides), None)
    positions = [_position(b) for b in (before, after)]
    effectiveness = _points(before, after, series.sides, "effectiveness_percent")
    smoothness = _points(before, after, series.sides, "smoothness_percent")
    return RiderStroke(
        label,
        side,
        peak_before_deg=None if most is None else rounded(most.before_deg, 1),
        peak_after_deg=None if most is None else rounded(most.after_deg, 1),
        peak_u95_deg=None if most is None else rounded(most.u95_deg, 1),
        others=beside,
        confirmed=confirmed,
        alike=alike,
        both_sides={"left", "right"} <= {m.side for m in rows},
        effectiveness_change_points=effectiveness[0],
        effectiveness_u95_points=effectiveness[1],
        smoothness_change_points=smoothness[0],
        smoothness_u95_points=smoothness[1],
        position_before=positions[0],
        position_after=positions[1],
    )


def rider_moved(told: RiderStroke) -> bool | None:
    """Whether the stroke says that the rider changed; None: it does not say."""
    if told.source is None or not told.confirmed:
        return None
    stood = {told.position_before, told.position_after} == {"seated", "standing"}
    points = [
        (told.effectiveness_change_points, told.effectiveness_u95_points),
        (told.smoothness_change_points, told.smoothness_u95_points),
    ]
    # With load and cadence these change for every rider.
    others = told.alike and any(
        c is not None and u is not None and abs(c) > max(LEAST_PERCENT, TO_99 * u) for c, u in points
    )
    if told.peak_before_deg is None or told.peak_after_deg is None or told.peak_u95_deg is None:
        return True if stood or others else None
    change = wrapped(told.peak_after_deg - told.peak_before_deg)
    least = LEAST_DEG if told.alike else LEAST_UNLIKE_DEG
    if stood or others or abs(change) > max(least, TO_99 * told.peak_u95_deg):
        return True
    # Not seen to move is not the same as seen not to move.
    return False if told.peak_u95_deg <= least else None


def _position(blocks: Sequence[Block]) -> str | None:
    """`seated` or `standing`, if most blocks were."""
    words = [b.position for b in blocks if b.position]
    for word in ("seated", "standing"):
        if words and words.count(word) >= MOST_BLOCKS * len(words):
            return word
    return None


def _points(
    before: Sequence[Block], after: Sequence[Block], sides: Sequence[Side], name: str
) -> tuple[float | None, float | None]:
    """The change of a percentage of the side that moved most, and its 95 %."""
    best: tuple[float, float] | None = None
    for side in sides:
        (one, u_one), (two, u_two) = mean_of(before, side, name), mean_of(after, side, name)
        if one is None or two is None or u_one is None or u_two is None:
            continue
        change, u95 = two - one, math.hypot(u_one, u_two)
        if math.isfinite(u95) and (best is None or abs(change) > abs(best[0])):
            best = change, u95
    return (None, None) if best is None else (round(best[0], 1), round(best[1], 1))


def steps_of(series: Series) -> list[float]:
    """Session seconds at which the peak of a side stepped to another angle and stayed there.

    The series of blocks is halved where the two parts differ most, again and again, as long as the
    difference is beyond chance (binary segmentation: Scott and Knott, Biometrics 30, 507, 1974).
    """
    blocks = [
        b for at in range(0, series.seconds - BLOCK_S + 1, BLOCK_S) if (b := series.block(at)) is not None
    ]
    found: set[float] = set()
    for side in series.sides:
        rows = [(b.begin_s, b.sides[side].peak_deg) for b in blocks if side in b.sides]
        rows = [(at, peak) for at, peak in rows if math.isfinite(peak)]
        if len(rows) < 2 * LEAST_STEP_BLOCKS:
            continue
        at = np.array([r[0] for r in rows])
        peaks = np.array([r[1] for r in rows])
        # About the middle of all, so that no step goes round by way of 360.
        centre = float(np.degrees(np.angle(np.exp(1j * np.radians(peaks)).mean())))
        values = (peaks - centre + 180.0) % 360.0 - 180.0
        for k in _halved(values, 0, len(values)):
            found.add(float(at[k]))
    merged: list[float] = []
    for t_s in sorted(found):
        if not merged or t_s - merged[-1] > 2 * BLOCK_S:
            merged.append(t_s)
    return merged[:MOST_STEPS]


def _halved(values: Floats, begin: int, end: int) -> list[int]:
    """Indices of the first values after each step in values[begin:end]."""
    part = values[begin:end]
    n = len(part)
    if n < 2 * LEAST_STEP_BLOCKS:
        return []
    sd = max(LEAST_SPREAD_DEG, spread_of_steps(part))
    sums = np.concatenate([[0.0], np.cumsum(part)])
    k = np.arange(LEAST_STEP_BLOCKS, n - LEAST_STEP_BLOCKS + 1)
    gaps = (sums[n] - sums[k]) / (n - k) - sums[k] / k
    scores = np.abs(gaps) / (sd * np.sqrt(1.0 / k + 1.0 / (n - k)))
    best = int(np.argmax(scores))
    if scores[best] < SURE:
        return []
    at = int(k[best])
    near = float(
        np.median(part[at : at + 2 * LEAST_STEP_BLOCKS])
        - np.median(part[max(0, at - 2 * LEAST_STEP_BLOCKS) : at])
    )
    here = [begin + at] if abs(near) >= STEP_DEG else []
    return sorted([*_halved(values, begin, begin + at), *here, *_halved(values, begin + at, end)])
