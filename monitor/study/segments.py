"""Where the segments of a session lie: told by acts, else planned by the protocol, else found in the data."""

import math

import numpy as np

from monitor.analysis.curve import COVERED, REVS, TURNED, WORK
from monitor.analysis.statistics import Floats
from monitor.setup.protocol import AFTER, PAUSE, Protocol, Segment
from monitor.study.asked.found import find_segments
from monitor.study.asked.span import SETTLE_S, Span
from monitor.study.recording import Recording

PLAN_CORRELATION = 0.8
"""How like the ride must be to the plan before a protocol without acts is believed."""


def spans_of(recording: Recording) -> list[Span]:
    """The segments of a session, in order."""
    protocol = recording.protocol or recording.bench.protocol
    spans = _announced(recording, protocol)
    if spans:
        return spans
    power = row_median(_seconds(recording, WORK, COVERED, powered=True))
    if protocol is not None:
        start = plan_start(protocol, power)
        if start is not None:
            return _planned(protocol, float(start), float(len(power)))
    rpm = 60.0 * row_median(_seconds(recording, REVS, TURNED, powered=False))
    return find_segments(power, rpm)


# -- told or planned


def _announced(recording: Recording, protocol: Protocol | None) -> list[Span]:
    end_s = float(len(recording.cells))
    acts = [a for a in recording.acts if a.act == "segment"]
    finishes = [a.t_ns / 1e9 for a in recording.acts if a.act == "finish"]
    spans = []
    for k, act in enumerate(acts):
        start = act.t_ns / 1e9
        stop = acts[k + 1].t_ns / 1e9 if k + 1 < len(acts) else end_s
        stop = min([stop, end_s, *(t for t in finishes if t > start)])
        if stop > start:
            planned = recording.planned_as.get(act.t_ns, act.text)
            spans.append(_span(act.text or f"segment {k + 1}", start, stop, _plan(protocol, k, planned)))
    return spans


def _plan(protocol: Protocol | None, k: int, name: str) -> Segment | None:
    if protocol is None:
        return None
    if k < len(protocol.segments) and protocol.segments[k].name == name:
        return protocol.segments[k]
    return next((s for s in protocol.segments if s.name == name), None)


def _span(name: str, start_s: float, end_s: float, plan: Segment | None) -> Span:
    longest = (end_s - start_s) / 2.0
    if plan is None:
        # What is ridden after the protocol, or between the parts of a segment, is nobody's block.
        kind = "free" if name in (AFTER, PAUSE) else "block"
        return Span(name, start_s, end_s, kind, min(SETTLE_S, longest))
    kind = "sprint" if plan.sprint else "ramp" if plan.ramp_w else "free" if plan.free else "block"
    settle = 0.0 if plan.sprint else min(plan.settle_s, longest)
    return Span(name, start_s, end_s, kind, settle, plan.target_w, plan.cadence_rpm, plan.gear)


def _planned(protocol: Protocol, start_s: float, end_s: float) -> list[Span]:
    spans = []
    for at, plan in zip(protocol.starts_s, protocol.segments, strict=True):
        begin, stop = start_s + at, min(start_s + at + plan.seconds, end_s)
        if stop > max(0.0, begin):
            spans.append(_span(plan.name, max(0.0, begin), stop, plan))
    return spans


def plan_start(protocol: Protocol, power_w: Floats) -> int | None:
    """The second at which the protocol was begun, from its likeness to the power ridden; else None.

    The correlation of both over all seconds whose load is set, at every whole second that
    leaves at least half of the protocol inside the session; it must reach PLAN_CORRELATION.
    """
    plan = np.full(math.ceil(protocol.total_s), np.nan)
    for at, s in zip(protocol.starts_s, protocol.segments, strict=True):
        k, stop = round(at), min(len(plan), round(at + s.seconds))
        if s.target_w is not None:
            plan[k:stop] = s.target_w
        elif s.ramp_w is not None:
            plan[k:stop] = np.linspace(*s.ramp_w, stop - k)
    best, found = 0.0, None
    for start in range(max(1, len(power_w) - len(plan) // 2)):
        ridden = power_w[start : start + len(plan)]
        wanted = plan[: len(ridden)]
        both = np.isfinite(ridden) & np.isfinite(wanted)
        if both.sum() < 60:
            continue
        a, b = ridden[both] - ridden[both].mean(), wanted[both] - wanted[both].mean()
        scale = math.sqrt(float(a @ a) * float(b @ b))
        likeness = float(a @ b) / scale if scale > 0.0 else 0.0
        if likeness > best:
            best, found = likeness, start
    return found if best >= PLAN_CORRELATION else None


# -- arrays


def _seconds(recording: Recording, amount: int, time: int, *, powered: bool) -> Floats:
    """Amount per second of time, shape (seconds, instruments that have it); nan where unknown."""
    which = [i for i, x in enumerate(recording.bench.instruments) if x.measures_power or not powered]
    cells = recording.cells[:, which]
    seconds = cells[:, :, time]
    with np.errstate(invalid="ignore", divide="ignore"):
        result: Floats = np.where(seconds > 0.5, cells[:, :, amount] / seconds, np.nan)
    return result


def row_median(values: Floats) -> Floats:
    """The median of each row's known values; nan for a row without any."""
    result = np.full(len(values), np.nan)
    if values.shape[1] == 0:
        return result
    known = np.isfinite(values)
    count = known.sum(axis=1)
    some = count > 0
    ordered = np.sort(np.where(known, values, np.inf)[some], axis=1)
    n = count[some]
    rows = np.arange(len(n))
    result[some] = 0.5 * (ordered[rows, (n - 1) // 2] + ordered[rows, n // 2])
    return result
