"""Where the segments of a session lie: told by acts, else planned by the protocol, else found in the data."""

import itertools
import math
from collections import Counter
from dataclasses import dataclass, replace

import numpy as np

from monitor.analysis.block import MIN_POWER_W
from monitor.analysis.blockstats import change_points
from monitor.analysis.curve import COVERED, REVS, TURNED, WORK
from monitor.analysis.statistics import Floats
from monitor.setup.protocol import AFTER, PAUSE, Protocol, Segment
from monitor.study.recording import Recording

SETTLE_S = 10.0
"""Left out after each step: the longest averaging of common instruments (common practice, no source)."""
PLAN_CORRELATION = 0.8
"""How like the ride must be to the plan before a protocol without acts is believed."""
BIN_S = 5
STEADY_S = 40
STEADY_SPREAD = 0.15
"""Five-second means of a steady block stay within this part of its power (5th to 95th percentile)."""
RPM_STEP = 10.0


@dataclass(frozen=True, slots=True)
class Span:
    """One segment in session seconds.

    `kind` is block, ramp, sprint, free or over-under; `found` says that nobody named it.
    """

    name: str
    start_s: float
    end_s: float
    kind: str = "block"
    settle_s: float = SETTLE_S
    target_w: float | None = None
    cadence_rpm: float | None = None
    gear: str = ""
    found: bool = False

    def window(self) -> tuple[int, int]:
        """The whole seconds that count, after settling: [begin, end)."""
        begin = math.ceil(self.start_s + self.settle_s - 1e-6)
        return begin, max(begin, math.floor(self.end_s + 1e-6))


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


# -- found in the data


def find_segments(power_w: Floats, rpm: Floats) -> list[Span]:
    """Steady blocks, over-unders, ramps, sprints and free riding in a session that nobody divided.

    `power_w` and `rpm` are one value a second, nan where unknown. Names say what was found.
    """
    n = len(power_w)
    ridden = np.where(np.isfinite(power_w), power_w, 0.0)
    sprints = _sprints(ridden)
    calm = ridden.copy()
    for begin, end in sprints:
        around = np.concatenate([calm[max(0, begin - 20) : begin], calm[end : end + 20]])
        calm[begin:end] = around.mean() if len(around) else 0.0
    pieces = _pieces(calm)
    spans: list[Span] = []
    taken = np.zeros(n, dtype=bool)

    def take(kind: str, begin: int, end: int, name: str, settle_s: float) -> None:
        spans.append(Span(name, float(begin), float(end), kind, settle_s, found=True))
        taken[begin:end] = True

    for begin, end in sprints:
        take("sprint", begin, end, "sprint", 0.0)
    k = 0
    while k < len(pieces):
        many = _alternating(calm, pieces, k)
        if many >= 4:
            many -= many % 2  # whole cycles only
            take("over-under", pieces[k][0], pieces[k + many - 1][1], "over/unders", 0.0)
            k += many
            continue
        many = _climbing(calm, pieces, k)
        if many:
            begin, end = pieces[k][0], pieces[k + many - 1][1]
            low, high = calm[begin : begin + BIN_S].mean(), calm[end - BIN_S : end].mean()
            take("ramp", begin, end, f"ramp {_tens(low)} to {_tens(high)} W", SETTLE_S)
            k += many
            continue
        k += 1
    for piece in pieces:
        for begin, end in _free_of(taken, *piece):
            for a, b in _same_cadence(rpm, begin, end):
                if b - a >= STEADY_S and is_steady(calm[a:b]):
                    take("block", a, b, f"steady {_tens(calm[a + BIN_S : b].mean())} W", SETTLE_S)
    for begin, end in _free_of(taken, 0, n):
        for a, b in _pedalled(ridden, begin, end):
            if b - a >= 60:
                take("free", a, b, "free riding", SETTLE_S)
    return _named(sorted(spans, key=lambda s: s.start_s))


def is_steady(power_w: Floats) -> bool:
    """Whether power stays within STEADY_SPREAD of its mean, by five-second means; a third may be unknown."""
    bins = power_w[: len(power_w) // BIN_S * BIN_S].reshape(-1, BIN_S).mean(axis=1)
    known = bins[np.isfinite(bins)]
    if len(known) < 3 or len(known) < 2 * len(bins) // 3:
        return False
    mean = float(known.mean())
    spread = float(np.percentile(known, 95) - np.percentile(known, 5))
    return mean >= MIN_POWER_W and spread <= STEADY_SPREAD * mean


def _tens(power_w: float) -> str:
    return f"{10 * round(float(power_w) / 10):.0f}"


def _sprints(power_w: Floats) -> list[tuple[int, int]]:
    """Stretches of 3 to 40 s far above what is ridden otherwise."""
    n = len(power_w)
    if n < 30:
        return []
    three = np.convolve(power_w, np.ones(3) / 3.0, "same")
    ridden = power_w[power_w >= MIN_POWER_W]
    if not len(ridden):
        return []
    usual = float(np.percentile(ridden, 90))
    threshold = max(1.4 * usual, 1.8 * float(np.median(ridden)))
    found = []
    high = np.concatenate(([0], (three >= threshold).astype(np.int8), [0]))
    edges = np.flatnonzero(np.diff(high))
    for a, b in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        if not 2 <= b - a <= 40:
            continue
        level = 0.5 * (float(three[a:b].max()) + usual) * 0.5
        begin, end = a, b
        while begin > 0 and a - begin < 5 and three[begin - 1] > max(level, 1.1 * usual):
            begin -= 1
        while end < n and end - b < 5 and three[end] > max(level, 1.1 * usual):
            end += 1
        found.append((begin, end))
    return found


def _pieces(power_w: Floats) -> list[tuple[int, int]]:
    """Stretches of constant mean: optimal partitioning of five-second means, edges set to the second."""
    bins = power_w[: len(power_w) // BIN_S * BIN_S].reshape(-1, BIN_S).mean(axis=1)
    if len(bins) < 2:
        return []
    steps = np.abs(np.diff(bins))
    # Successive differences of a constant level have sqrt(2) of its spread; 0.6745 makes a median a sigma.
    sigma = max(float(np.median(steps)) / (0.6745 * math.sqrt(2.0)), 0.02 * float(np.median(bins)), 2.0)
    points = change_points(bins, 6.0 * sigma * sigma * math.log(len(bins)))
    edges = [0, *(_refined(power_w, BIN_S * p) for p in points), len(power_w)]
    return [(a, b) for a, b in itertools.pairwise(edges) if b > a]


def _refined(power_w: Floats, at: int) -> int:
    """The second near `at` that parts two levels best."""
    begin, end = max(0, at - 3 * BIN_S), min(len(power_w), at + 3 * BIN_S)
    best, found = math.inf, at
    for k in range(max(begin + 3, at - BIN_S), min(end - 3, at + BIN_S) + 1):
        cost = float(power_w[begin:k].var() * (k - begin) + power_w[k:end].var() * (end - k))
        if cost < best:
            best, found = cost, k
    return found


def _alternating(power_w: Floats, pieces: list[tuple[int, int]], k: int) -> int:
    """How many pieces from `k` on go up and down between two levels."""
    levels: list[float] = []
    for begin, end in pieces[k:]:
        length = end - begin
        if not 8 <= length <= 90:
            break
        level = float(power_w[begin:end].mean())
        if level < MIN_POWER_W:
            break
        if levels and abs(level - levels[-1]) < 0.08 * max(level, levels[-1]):
            break
        if len(levels) >= 2:
            if (level - levels[-1]) * (levels[-1] - levels[-2]) >= 0.0:
                break
            if abs(level - levels[-2]) > 0.12 * level:
                break
        levels.append(level)
    return len(levels)


def _climbing(power_w: Floats, pieces: list[tuple[int, int]], k: int) -> int:
    """How many pieces from `k` on make one straight ramp; 0 if they don't.

    A staircase climbs as well, but its steps are flat: the slope inside the pieces tells.
    """
    best = 0
    direction = 0.0
    for many in range(2, len(pieces) - k + 1):
        (a, b), (c, d) = pieces[k + many - 2], pieces[k + many - 1]
        step = float(power_w[c:d].mean() - power_w[a:b].mean())
        if direction * step < 0.0:
            break
        direction = math.copysign(1.0, step)
        begin, end = pieces[k][0], d
        y = power_w[begin:end]
        x = np.arange(len(y), dtype=np.float64)
        slope, intercept = np.polyfit(x, y, 1)
        rest = y - slope * x - intercept
        if float(rest.var()) > 0.12 * float(y.var()):
            continue
        inside = [float(np.polyfit(np.arange(q - p), power_w[p:q], 1)[0]) for p, q in pieces[k : k + many]
                  if q - p >= 10]  # fmt: skip
        rises = abs(slope) * len(y) >= max(40.0, 0.25 * float(y.mean()))
        if len(y) >= 60 and rises and inside and float(np.median(inside)) / slope > 0.5:
            best = many
    return best


def _free_of(
    taken: "np.ndarray[tuple[int], np.dtype[np.bool_]]", begin: int, end: int
) -> list[tuple[int, int]]:
    edges = np.flatnonzero(np.diff(np.concatenate(([1], taken[begin:end].astype(np.int8), [1]))))
    return [(begin + int(a), begin + int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def _pedalled(power_w: Floats, begin: int, end: int) -> list[tuple[int, int]]:
    """Stretches with riding in [begin, end); a rest of more than 30 s parts them."""
    ridden = np.flatnonzero(power_w[begin:end] >= MIN_POWER_W)
    if not len(ridden):
        return []
    parts = np.split(ridden, np.flatnonzero(np.diff(ridden) > 30) + 1)
    return [(begin + int(p[0]), begin + int(p[-1]) + 1) for p in parts]


def _same_cadence(rpm: Floats, begin: int, end: int) -> list[tuple[int, int]]:
    """[begin, end) parted where cadence steps by RPM_STEP or more."""
    part = rpm[begin:end]
    bins = part[: len(part) // BIN_S * BIN_S].reshape(-1, BIN_S).mean(axis=1)
    if len(bins) < 8 or not np.isfinite(bins).all():
        return [(begin, end)]
    points = change_points(bins, 20.0 + RPM_STEP**2, least=4)
    edges = [0, *points, len(bins)]
    levels = [float(bins[a:b].mean()) for a, b in itertools.pairwise(edges)]
    kept = [p for p, a, b in zip(points, levels, levels[1:], strict=False) if abs(b - a) >= RPM_STEP]
    at = [begin, *(begin + BIN_S * p for p in kept), end]
    return list(itertools.pairwise(at))


def _named(spans: list[Span]) -> list[Span]:
    """The same spans with names of their own, which say that they were found."""
    counts = Counter(s.name for s in spans)
    seen: Counter[str] = Counter()
    result = []
    for s in spans:
        seen[s.name] += 1
        number = f" {seen[s.name]}/{counts[s.name]}" if counts[s.name] > 1 else ""
        result.append(replace(s, name=f"{s.name} (found){number}"))
    return result


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
