"""Segments of a session that nobody divided: sprints, over/unders, ramps, steady blocks, free riding.

What is even is found first, by laying straight pieces through the ride; what is left is free riding.
"""

import itertools
import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from monitor.analysis.block import MIN_POWER_W
from monitor.analysis.blockstats import Ints, best_parts, change_points
from monitor.analysis.statistics import Floats, spread_of_steps
from monitor.study.asked.span import BIN_S, SETTLE_S, STEADY_S, Span, is_steady

RPM_STEP = 10.0
SHORT_BIN_S = 3
"""Loads in turn may be as short as ten seconds: means of five would hide every other step."""
SPRINT_OF_USUAL, SPRINT_OF_PEAK, SPRINT_W, WEAK_SPRINT = 2.5, 0.55, 500.0, 4.0
"""A sprint has 3 s of at least 2.5 times the usual power, 0.55 of the highest of the session, and 500 W or
four times the usual power: a surge to 450 W at 200 W is none (common practice, no source)."""
LONGEST_SPRINT_S = 40
SHORTEST_TURN_S, LONGEST_TURN_S = 8, 150
"""Parts of over/unders."""
LEAST_GAP = 0.07
"""Two loads that differ by less than this part are one."""
LEAST_UNDER = 0.55
"""An under is work as well, at least this part of an over; a rest between two blocks is none."""
CALM_S = 20
"""Seconds on either side of a sprint whose mean takes its place, so that it hides no block."""
LEAST_RIDE_S, WIDER_S = 30, 8
"""Less is no ride to find sprints in; a sprint reaches at most so far beyond what is far above the usual."""
FEWEST_TURNS, FEWEST_BINS = 4, 4
"""Two whole cycles of two loads; so few means divide into nothing."""
CALM_QUARTER = 25.0
"""The percentile that NORMAL_QUARTER is of."""
CADENCE_BINS, CADENCE_LEAST, CADENCE_PENALTY = 8, 4, 20.0 + RPM_STEP**2
"""A stretch of at least 40 s may be parted by its cadence, into parts of at least 20 s. A change costs as
much as a step of RPM_STEP in one bin, and what turns wander besides (common practice, no source)."""


class Likeness(NamedTuple):
    """Overs are alike within `level` of the gap, and within `length` of their length or `length_s`."""

    level: float
    length: float
    length_s: float


STRICT, LOOSE, MANY = Likeness(0.25, 0.2, 4.0), Likeness(0.4, 0.25, 5.0), 6
"""Four parts may come about by chance in free riding, six hardly: so many need be less alike."""
EVEN_OF_GAP = 0.28
"""Three-second means of a part scatter by no more than this part of the gap."""
RAMP_S, RAMP_W, RAMP_PART, RAMP_REST = 80, 40.0, 0.25, 0.25
"""A ramp lasts at least 80 s, rises or falls by 40 W and a quarter of its mean, and leaves a quarter of the
scatter that the rise itself has: free riding drifts up and down for a minute as well."""
LEAST_SIGMA_W, LEVEL_PART, LINE_PART = 2.0, 0.015, 0.02
"""No rider's means of three or five seconds scatter less than 2 W, or 1.5 and 2 % of the usual power about a
level and a line (common practice, no source)."""
LEVEL_PENALTY, LINE_PENALTY = 6.0, 9.0
"""Of a change, times variance and ln n. Schwarz's criterion has 1 for each free value (here 2 and 3), which
suits independent values; a rider's are not, hence three times as much (common practice, no source)."""
NORMAL_QUARTER = 0.3186
"""Lower quartile of absolute values over the standard deviation of a normal distribution: any handbook."""
REST_S = 30
FREE_S = 60


class Piece(NamedTuple):
    """A stretch laid on a line: mean W, slope W/s, standard deviation of five-second means about it."""

    begin: int
    end: int
    mean_w: float
    slope: float
    rest_w: float

    @property
    def seconds(self) -> int:
        """Its length."""
        return self.end - self.begin

    @property
    def rise_w(self) -> float:
        """By how much it rises from end to end."""
        return self.slope * self.seconds


def find_segments(power_w: Floats, rpm: Floats) -> list[Span]:
    """Steady blocks, over/unders, ramps, sprints and free riding in a session that nobody divided.

    `power_w` and `rpm` are one value a second, nan where unknown. Names say what was found.
    """
    n = len(power_w)
    ridden = np.where(np.isfinite(power_w), power_w, 0.0)
    sprints = sprints_in(ridden)
    calm = ridden.copy()
    for begin, end in sprints:
        around = np.concatenate([calm[max(0, begin - CALM_S) : begin], calm[end : end + CALM_S]])
        calm[begin:end] = around.mean() if len(around) else 0.0
    spans: list[Span] = []
    taken = np.zeros(n, dtype=bool)

    def take(kind: str, begin: int, end: int, name: str, settle_s: float) -> None:
        spans.append(Span(name, float(begin), float(end), kind, settle_s, found=True))
        taken[begin:end] = True

    for begin, end in sprints:
        take("sprint", begin, end, "sprint", 0.0)
    for begin, end in over_unders_in(calm):
        if not taken[begin:end].any():
            take("over-under", begin, end, "over/unders", 0.0)
    pieces = straight_pieces(calm)
    for p in pieces:
        if is_ramp(p) and not taken[p.begin : p.end].any():
            low, high = p.mean_w - p.rise_w / 2.0, p.mean_w + p.rise_w / 2.0
            take("ramp", p.begin, p.end, f"ramp {_tens(low)} to {_tens(high)} W", SETTLE_S)
    for p in pieces:
        for begin, end in _free_of(taken, p.begin, p.end):
            for a, b in _same_cadence(rpm, begin, end):
                if b - a >= STEADY_S and is_steady(calm[a:b]):
                    take("block", a, b, f"steady {_tens(calm[a + BIN_S : b].mean())} W", SETTLE_S)
    for begin, end in _free_of(taken, 0, n):
        for a, b in _pedalled(ridden, begin, end):
            if b - a >= FREE_S:
                take("free", a, b, "free riding", SETTLE_S)
    return _named(sorted(spans, key=lambda s: s.start_s))


def _tens(power_w: float) -> str:
    return f"{10 * round(float(power_w) / 10):.0f}"


# -- sprints


def sprints_in(power_w: Floats) -> list[tuple[int, int]]:
    """Stretches of 2 to 40 s far above what is ridden otherwise; a surge in free riding is none."""
    n = len(power_w)
    ridden = power_w[power_w >= MIN_POWER_W]
    if n < LEAST_RIDE_S or not len(ridden):
        return []
    three = np.convolve(power_w, np.ones(3) / 3.0, "same")
    usual = float(np.median(ridden))
    peak = float(three.max())
    threshold = max(SPRINT_OF_USUAL * usual, SPRINT_OF_PEAK * peak, min(SPRINT_W, WEAK_SPRINT * usual))
    found: list[tuple[int, int]] = []
    for a, b in _runs(three >= threshold):
        if not 2 <= b - a <= LONGEST_SPRINT_S:
            continue
        # It begins and ends half way up from what was ridden.
        level = 0.5 * (float(three[a:b].max()) + usual)
        begin, end = a, b
        while begin > 0 and a - begin < WIDER_S and power_w[begin - 1] > level:
            begin -= 1
        while end < n and end - b < WIDER_S and power_w[end] > level:
            end += 1
        if found and begin <= found[-1][1] + 3:
            begin = found.pop()[0]
        found.append((begin, end))
    return found


# -- over/unders


def over_unders_in(power_w: Floats) -> list[tuple[int, int]]:
    """Sets of at least two whole cycles of two loads, each held as evenly and as long as the time before."""
    pieces = _levels(power_w)
    found = []
    k = 0
    while k < len(pieces):
        many = _in_turn(power_w, pieces, k, LOOSE)
        if many < MANY:
            many = _in_turn(power_w, pieces, k, STRICT)
        if many >= FEWEST_TURNS:
            many -= many % 2
            found.append((pieces[k][0], pieces[k + many - 1][1]))
            k += many
        else:
            k += 1
    return found


def _levels(power_w: Floats) -> list[tuple[int, int]]:
    """Stretches of constant mean: optimal partitioning of three-second means, edges set to the second."""
    bins = power_w[: len(power_w) // SHORT_BIN_S * SHORT_BIN_S].reshape(-1, SHORT_BIN_S).mean(axis=1)
    if len(bins) < FEWEST_BINS:
        return []
    sigma = max(spread_of_steps(bins), LEVEL_PART * float(np.median(bins)), LEAST_SIGMA_W)
    points = change_points(bins, LEVEL_PENALTY * sigma * sigma * math.log(len(bins)))
    edges = [0, *(_refined(power_w, SHORT_BIN_S * p) for p in points), len(power_w)]
    pieces = [(a, b) for a, b in itertools.pairwise(edges) if b > a]
    return _joined(power_w, pieces)


def _joined(power_w: Floats, pieces: list[tuple[int, int]]) -> list[tuple[int, int]]:
    """Short pieces on the way from one level to the next go to whichever they are nearer to."""
    result: list[tuple[int, int]] = []
    k = 0
    while k < len(pieces):
        begin, end = pieces[k]
        if end - begin < SHORTEST_TURN_S and result and k + 1 < len(pieces):
            level = float(power_w[begin:end].mean())
            before, after = (float(power_w[a:b].mean()) for a, b in (result[-1], pieces[k + 1]))
            if min(before, after) <= level <= max(before, after):
                if abs(level - before) <= abs(level - after):
                    result[-1] = (result[-1][0], end)
                else:
                    pieces[k + 1] = (begin, pieces[k + 1][1])
                k += 1
                continue
        if result and begin - result[-1][0] > 0:
            last = result[-1]
            one, two = float(power_w[last[0] : last[1]].mean()), float(power_w[begin:end].mean())
            if abs(one - two) < LEAST_GAP * max(one, two):
                result[-1] = (last[0], end)
                k += 1
                continue
        result.append((begin, end))
        k += 1
    return result


def _refined(power_w: Floats, at: int) -> int:
    """The second near `at` that parts two levels best."""
    begin, end = max(0, at - 3 * BIN_S), min(len(power_w), at + 3 * BIN_S)
    best, found = math.inf, at
    for k in range(max(begin + 3, at - BIN_S), min(end - 3, at + BIN_S) + 1):
        cost = float(power_w[begin:k].var() * (k - begin) + power_w[k:end].var() * (end - k))
        if cost < best:
            best, found = cost, k
    return found


def _in_turn(power_w: Floats, pieces: Sequence[tuple[int, int]], k: int, like: Likeness) -> int:
    """How many pieces from `k` on go up and down between two levels, each part like those before it."""
    levels: list[float] = []
    lengths: list[int] = []
    for begin, end in pieces[k:]:
        length = end - begin
        level = float(power_w[begin:end].mean())
        if not SHORTEST_TURN_S <= length <= LONGEST_TURN_S or level < MIN_POWER_W:
            break
        if levels:
            gap = level - levels[-1]
            if abs(gap) < LEAST_GAP * max(level, levels[-1]):
                break
            if min(level, levels[-1]) < LEAST_UNDER * max(level, levels[-1]):
                break
            if not _even(power_w[begin:end], abs(gap)):
                break
        elif k + 1 < len(pieces):
            following = pieces[k + 1]
            gap = float(power_w[following[0] : following[1]].mean()) - level
            if not _even(power_w[begin:end], abs(gap)):
                break
        if len(levels) >= 2:
            gap = levels[-1] - levels[-2]
            if (level - levels[-1]) * gap >= 0.0 or abs(level - levels[-2]) > like.level * abs(gap):
                break
            if abs(length - lengths[-2]) > max(like.length_s, like.length * lengths[-2]):
                break
        levels.append(level)
        lengths.append(length)
    return len(levels)


def _even(power_w: Floats, gap_w: float) -> bool:
    """Whether a part is held: three-second means, without its ends, scatter little of the gap."""
    inner = power_w[SHORT_BIN_S : len(power_w) - SHORT_BIN_S]
    bins = inner[: len(inner) // SHORT_BIN_S * SHORT_BIN_S].reshape(-1, SHORT_BIN_S).mean(axis=1)
    return len(bins) < 2 or float(bins.std()) <= EVEN_OF_GAP * gap_w


# -- straight pieces


def straight_pieces(power_w: Floats) -> list[Piece]:
    """The ride as straight lines: optimal partitioning of five-second means, each part on its own line.

    As `change_points`, with the rest about a line in place of that about a mean: a ramp is one piece.
    """
    bins = power_w[: len(power_w) // BIN_S * BIN_S].reshape(-1, BIN_S).mean(axis=1)
    n = len(bins)
    if n < FEWEST_BINS:
        return []
    steps = np.abs(np.diff(bins))
    # The calmer quarter tells the scatter of what is even, however much is ridden freely.
    quiet = float(np.percentile(steps, CALM_QUARTER)) / (NORMAL_QUARTER * math.sqrt(2.0))
    sigma = max(quiet, LINE_PART * float(np.median(bins)), LEAST_SIGMA_W)
    edges = [0, *_line_points(bins, LINE_PENALTY * sigma * sigma * math.log(n)), n]
    at = [0, *(_refined(power_w, BIN_S * e) for e in edges[1:-1]), len(power_w)]
    return [_piece(power_w, a, b) for a, b in itertools.pairwise(at) if b - a >= BIN_S]


def _line_points(y: Floats, penalty: float) -> list[int]:
    """Where one straight line ends and the next begins; exact, O(n^2)."""
    n = len(y)
    x = np.arange(n, dtype=np.float64)
    y = y - y.mean()
    sums = [np.concatenate(([0.0], np.cumsum(v))) for v in (x, y, x * x, x * y, y * y)]
    sx, sy, sxx, sxy, syy = sums

    def rest(start: Ints, end: int) -> Floats:
        m = (end - start).astype(np.float64)
        dx, dy = sx[end] - sx[start], sy[end] - sy[start]
        vxx = sxx[end] - sxx[start] - dx * dx / m
        vxy = sxy[end] - sxy[start] - dx * dy / m
        vyy = syy[end] - syy[start] - dy * dy / m
        return np.asarray(np.maximum(0.0, vyy - vxy * vxy / np.maximum(vxx, 1e-12)))

    return best_parts(n, penalty, 2, rest)


def _piece(power_w: Floats, begin: int, end: int) -> Piece:
    part = power_w[begin:end]
    bins = part[: len(part) // BIN_S * BIN_S].reshape(-1, BIN_S).mean(axis=1)
    mean = float(part.mean())
    if len(bins) < 3:
        return Piece(begin, end, mean, 0.0, float(bins.std()))
    x = BIN_S * (np.arange(len(bins)) - (len(bins) - 1) / 2.0)
    slope = float(x @ bins) / float(x @ x)
    return Piece(begin, end, mean, slope, float((bins - bins.mean() - slope * x).std()))


def is_ramp(piece: Piece) -> bool:
    """Whether a straight piece is a ramp: long, steep, and hardly anything but a line."""
    rise = abs(piece.rise_w)
    steep = rise >= max(RAMP_W, RAMP_PART * piece.mean_w)
    # A line from end to end has a standard deviation of its rise over the root of twelve.
    even = piece.rest_w <= RAMP_REST * rise / math.sqrt(12.0)
    return piece.seconds >= RAMP_S and piece.mean_w >= MIN_POWER_W and steep and even


# -- what is left


def _runs(mask: "np.ndarray[tuple[int], np.dtype[np.bool_]]") -> list[tuple[int, int]]:
    edges = np.flatnonzero(np.diff(np.concatenate(([0], mask.astype(np.int8), [0]))))
    return [(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def _free_of(
    taken: "np.ndarray[tuple[int], np.dtype[np.bool_]]", begin: int, end: int
) -> list[tuple[int, int]]:
    return [(begin + a, begin + b) for a, b in _runs(~taken[begin:end])]


def _pedalled(power_w: Floats, begin: int, end: int) -> list[tuple[int, int]]:
    """Stretches with riding in [begin, end); a rest of more than REST_S parts them."""
    ridden = np.flatnonzero(power_w[begin:end] >= MIN_POWER_W)
    if not len(ridden):
        return []
    parts = np.split(ridden, np.flatnonzero(np.diff(ridden) > REST_S) + 1)
    return [(begin + int(p[0]), begin + int(p[-1]) + 1) for p in parts]


def _same_cadence(rpm: Floats, begin: int, end: int) -> list[tuple[int, int]]:
    """[begin, end) parted where cadence steps by RPM_STEP or more."""
    part = rpm[begin:end]
    bins = part[: len(part) // BIN_S * BIN_S].reshape(-1, BIN_S).mean(axis=1)
    if len(bins) < CADENCE_BINS or not np.isfinite(bins).all():
        return [(begin, end)]
    points = change_points(bins, CADENCE_PENALTY, least=CADENCE_LEAST)
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
