"""Where the segments of a session lie: told by acts, else planned by the protocol, else one whole ride."""

import math
from dataclasses import dataclass

from monitor.protocol import Protocol, Segment
from monitor.recording import Recording

SETTLE_S = 10.0
"""Left out after each step: the longest averaging of common instruments (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Span:
    """One segment in session seconds. `found`: nobody named it, it was found in the data."""

    name: str
    start_s: float
    end_s: float
    kind: str = "block"
    settle_s: float = SETTLE_S
    target_w: float | None = None
    found: bool = False

    def window(self) -> tuple[int, int]:
        """The whole seconds that count, after settling: [begin, end)."""
        begin = math.ceil(self.start_s + self.settle_s - 1e-6)
        return begin, max(begin, math.floor(self.end_s + 1e-6))


def spans_of(recording: Recording) -> list[Span]:
    """The segments of a session, in order."""
    protocol = recording.protocol or recording.bench.protocol
    end_s = float(len(recording.cells))
    acts = [a for a in recording.acts if a.act == "segment"]
    spans = []
    for k, act in enumerate(acts):
        start = act.t_ns / 1e9
        stop = acts[k + 1].t_ns / 1e9 if k + 1 < len(acts) else end_s
        finish = [a.t_ns / 1e9 for a in recording.acts if a.act == "finish" and a.t_ns > act.t_ns]
        stop = min(stop, *finish[:1], end_s) if finish else min(stop, end_s)
        if stop > start:
            spans.append(_planned(act.text or f"segment {k + 1}", start, stop, protocol, k))
    if not spans and end_s > 0:
        spans = [Span("whole ride", 0.0, end_s, settle_s=0.0, found=True)]
    return spans


def _planned(name: str, start_s: float, end_s: float, protocol: Protocol | None, k: int) -> Span:
    plan: Segment | None = None
    if protocol is not None:
        segments = protocol.segments
        if k < len(segments) and segments[k].name == name:
            plan = segments[k]
        else:
            plan = next((s for s in segments if s.name == name), None)
    if plan is None:
        return Span(name, start_s, end_s, settle_s=min(SETTLE_S, (end_s - start_s) / 2))
    kind = "sprint" if plan.sprint else "ramp" if plan.ramp_w else "free" if plan.free else "block"
    settle = 0.0 if plan.sprint else min(plan.settle_s, (end_s - start_s) / 2)
    return Span(name, start_s, end_s, kind, settle, plan.target_w)
