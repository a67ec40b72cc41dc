"""What every act did to the instrument it was done to."""

import math
from collections.abc import Sequence
from typing import Literal, NamedTuple

import msgspec
import numpy as np

from monitor.setup.acts import touch_of
from monitor.study.estimate.sure import Levels, between_of
from monitor.study.grid import Blocks
from monitor.study.parts.states import (
    LEAST_BLOCKS,
    NO_CHANGE_PERCENT,
    Boundary,
    Change,
    Pair,
    unlike_percent,
)
from monitor.study.results import ActJudged, known, rounded
from monitor.text import clock


class _Seen(NamedTuple):
    """An act, the change that its stop made of the instrument (None: not known), and where that was seen."""

    act: Boundary
    stop: Boundary
    change: Change | None
    pair: Pair


def acts_judged(pairs: Sequence[Pair]) -> list[ActJudged]:
    """What every act did to its instrument: an act on the reference shows in what all others read.

    Where both of a comparison were touched in one stop, each is held against those that were not.
    """
    seen = [
        _Seen(act, stop, _change_of(pair, stop, act.instrument, pairs), pair)
        for pair in pairs
        for stop in pair.boundaries
        for act in _acts_of(stop)
    ]
    result = []
    for key in dict.fromkeys((s.act.t_s, s.act.act, s.act.instrument) for s in seen):
        rows = [s for s in seen if (s.act.t_s, s.act.act, s.act.instrument) == key]
        # The narrowest comparison tells most of what was done to the reference.
        result.append(_judged(min(rows, key=lambda s: _width(s.change))))
    return sorted(result, key=lambda a: (a.t_s, a.instrument))


def _acts_of(stop: Boundary) -> list[Boundary]:
    """All acts of a stop, in order."""
    if stop.mixed:
        return [each for one in stop.mixed for each in _acts_of(one)]
    return [*stop.also, stop._replace(also=())] if stop.act else []


def _change_of(pair: Pair, stop: Boundary, label: str, pairs: Sequence[Pair]) -> Change | None:
    """The change of `label`, one of the two of a pair, at a stop; None: it cannot be told."""
    sign = 1.0 if label == pair.label else -1.0
    own = pair.changes.get(stop)
    if own is None or not stop.mixed:
        return own.times(sign) if own is not None else None
    touched = _touched(pair, stop)
    others = [p for p in pairs if p is not pair and p.reference == pair.reference]
    still = [p for p in others if p.label not in touched]
    if not still and stop.instrument:
        # All were touched, and one of them moved: the rest can be held against each other.
        if label == stop.instrument or stop.instrument not in (pair.label, pair.reference):
            return own.times(sign)
        still = [p for p in others if p.label != stop.instrument]
    if not still:
        return None if own.seen else own.times(sign)
    if label == pair.reference:
        changes = (p.change_within(*pair.reach(stop), stop) for p in still)
        found = [c.times(-1.0) for c in changes if c is not None]
    else:
        found = [c for p in still if (c := _change_against(pair, p, stop)) is not None]
    return min(found, key=_width, default=None)


def _change_against(pair: Pair, other: Pair, stop: Boundary) -> Change | None:
    """The change of one instrument against another that is compared with the same reference."""
    blocks = pair.blocks
    common, mine, theirs = np.intersect1d(blocks.begin_s, other.blocks.begin_s, return_indices=True)
    y, segment = blocks.y[mine] - other.blocks.y[theirs], blocks.segment[mine]
    halves = []
    for mask in pair.beside(stop.t_s, *pair.reach(stop), stop.began_s):
        inside = (mask[mine]) & other.quiet[theirs]
        if inside.sum() < LEAST_BLOCKS:
            return None
        halves.append(inside)
    noise = pair.shared.noise[pair.i]
    # Segments of each half lie apart for reasons of these two alone: the reference is in neither.
    levels = []
    for inside in halves:
        each = [inside & (segment == k) for k in np.unique(segment[inside])]
        long = [m for m in each if m.sum() >= LEAST_BLOCKS]
        levels.append(Levels([(float(y[m].mean()), noise.of_mean(common[m])) for m in long]))
    spread = between_of(levels)
    u95 = math.hypot(
        *(100.0 * noise.mean(y[m], common[m]).u95 for m in halves),
        *(spread.percent(np.bincount(segment[m]).tolist()) for m in halves),
        unlike_percent(blocks.torque_nm[mine], *halves),
    )
    before, after = (100.0 * math.expm1(float(y[m].mean())) for m in halves)
    return Change(before, after, after - before, u95 if math.isfinite(u95) else None)


def _touched(pair: Pair, stop: Boundary) -> set[str]:
    """Who was touched in a stop."""
    inside = [a for a in pair.shared.recording.acts if stop.began_s - 0.1 <= a.t_ns / 1e9 <= stop.t_s + 0.1]
    return {
        label
        for label in pair.shared.grid.labels
        if any(touch_of(a.act, a.instrument, label) is not None for a in inside)
    }


def _width(change: Change | None) -> float:
    return change.u95 if change is not None and change.u95 is not None else math.inf


def _judged(seen: _Seen) -> ActJudged:
    """An act with what its stop as a whole did to its instrument."""
    act, change, pair = seen.act, seen.change, seen.pair
    with_it = [
        f"{b.act} at {clock(b.t_s)}"
        for b in _acts_of(seen.stop)
        if b.instrument == act.instrument and (b.t_s, b.act) != (act.t_s, act.act)
    ]
    told = ActJudged(
        act.t_s, act.act, act.instrument, None, None, None, None, "undecided", with_it, known(act.noted_s, 1)
    )
    if change is None:
        return told
    limit = pair.shared.grid.limit_percent(pair.i, _power_at(pair.blocks, seen.stop.t_s))
    return msgspec.structs.replace(
        told, before_percent=rounded(change.before, 3), after_percent=rounded(change.after, 3),
        change_percent=rounded(change.change, 3), u95_percent=known(change.u95, 3),
        effect=_effect(change, limit),
    )  # fmt: skip


def _power_at(blocks: Blocks, t_s: float) -> float:
    near = np.argsort(np.abs(blocks.begin_s - t_s))[: 2 * LEAST_BLOCKS]
    return float(blocks.reference_w[near].mean())


def _effect(change: Change, limit: float) -> Literal["cured", "better", "no-change", "worse", "undecided"]:
    """`cured`: beyond the limit before and within it after, by a change beyond chance."""
    if change.u95 is None:
        return "undecided"
    if abs(change.change) + change.u95 <= NO_CHANGE_PERCENT:
        return "no-change"
    if not change.seen:
        small = abs(change.change) + change.u95 <= max(NO_CHANGE_PERCENT, 0.5 * limit)
        return "no-change" if small else "undecided"
    if abs(change.after) >= abs(change.before):
        return "worse"
    return "cured" if abs(change.before) > limit >= abs(change.after) else "better"
