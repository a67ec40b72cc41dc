"""What was raised before somebody touched the instrument: it is looked at anew, with what came since alone.

A window that reaches back beyond the cure mixes both, and shows an error that fades. Nothing is decided here:
a finding is cleared by the windows that raised it.
"""

import math

from monitor.live.bank import Standing
from monitor.live.faults.compared.quantity import FULL_S
from monitor.live.pair import Window
from monitor.live.pipeline import Pipeline
from monitor.live.view import Again

COMPARED = frozenset({"power-off", "side-off", "balance-off", "sides-swapped"})
"""What windows tell; all else is seen without them."""
LEAST_S = 10
"""The shortest window, seconds."""


def again_of(p: Pipeline, i: int) -> tuple[Again, Window | None] | None:
    """How far instrument `i` is looked at anew, and the longest window of that; None: it is not."""
    pair = p.comparator.pairs.get(i)
    if pair is None:
        return None
    raised = [
        s
        for s in p.alarms.open()
        if s.sign.instrument == p.bench.instruments[i].label and s.sign.kind in COMPARED
    ]
    since_s = _touched_s(p, i, raised) if raised else -math.inf
    raised = [s for s in raised if s.since_s < since_s]
    if not raised:
        return None
    begin_s = math.ceil(since_s) + p.comparator.reach_s
    needed_s = min(p.comparator.shown_s, FULL_S)
    counted_s = p.ring.end - max(begin_s, pair.reset_s, p.comparator.pedalled_since)
    if counted_s >= needed_s:
        return None
    window = pair.longest_since(begin_s)
    if window is None:
        counted_s = min(counted_s, LEAST_S - 1)
    stands = window is not None and any(_stands(s, window) for s in raised)
    return Again(since_s, float(max(0, counted_s)), float(needed_s), stands), window


def _touched_s(p: Pipeline, i: int, raised: list[Standing]) -> float:
    """When it, or what it is held against, was zeroed or seated anew last, or moved towards the others."""
    others = (p.comparator.reference, p.comparator.side_references.get(i))
    touched = [p.facts.touched_s[j] for j in {i, *others} if j is not None]
    detector = p.watch.changes.shifts.get(i)
    value = raised[0].sign.value or 0.0
    if detector is not None:
        touched += [x.since_s for x in detector.found[-1:] if not x.drift and x.percent * value < 0.0]
    return max(touched)


def _stands(s: Standing, w: Window) -> bool:
    """Whether the window shows what was raised as beyond doubt."""
    sign = s.sign
    if sign.kind == "power-off":
        return abs(w.deviation) - w.u95 > w.limit
    if sign.kind == "side-off" and sign.side in ("left", "right"):
        known = w.side(sign.side)
        return known is not None and abs(known[0]) - w.side_u95(sign.side) > known[1].percent
    return False
