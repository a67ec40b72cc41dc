"""Are the references still true? Each pair of trusted instruments by evening, and what came beside it.

Two instruments can only move against each other: a chart says that a pair has changed, and the weights, or a
third instrument, say which of the two.
"""

import itertools
import math
from collections.abc import Mapping, Sequence

import msgspec
import numpy as np

from monitor.study.evenings.control import Chart, chart_of
from monitor.study.evenings.evening import TRUSTED, Evening, Torque
from monitor.study.results import known, rounded
from monitor.text import TERMINAL

COMMON_PART = 2.0 / 3.0
"""A range of torque counts if so many of the pair's evenings have it."""
LEAST_BLOCKS = 4
"""Fewer blocks of ten seconds in a range of torque say nothing."""
FLOOR_PERCENT = 0.15
"""No pair repeats better from evening to evening (common practice, no source)."""
WEIGH_AFTER_DAYS = 180
"""Static checks are advised every half year (a published static method, second hand)."""


class Named(msgspec.Struct, frozen=True):
    """A trusted instrument as evenings know it: serial number, model, mount and label."""

    unit: str
    model: str
    mount: str
    label: str

    @property
    def words(self) -> str:
        """How it is called: its label, and its unit."""
        return f"{self.label} ({self.unit})" if self.unit else self.label


class Point(msgspec.Struct, frozen=True):
    """One evening of a pair: the first over the second, percent above 1, at the common torques."""

    session: str
    utc: str
    percent: float
    u95_percent: float | None
    ranges: int


class Pair(msgspec.Struct, frozen=True):
    """A pair of trusted instruments over all evenings; `chart` None: too few of them for limits."""

    first: Named
    second: Named
    points: list[Point]
    low_nm: float
    high_nm: float | None
    chart: Chart | None
    change_percent: float | None
    since: str
    verdict: str
    text: str


class Health(msgspec.Struct, frozen=True):
    """A trusted instrument over time: zero offsets as reported, battery, and the last weights."""

    who: Named
    zeros: list[tuple[str, str]]
    batteries: list[tuple[str, float]]
    weighed: str
    days_since_weights: int | None
    text: str


class References(msgspec.Struct, frozen=True):
    """All pairs and all trusted instruments; `line` is what to know before a ride."""

    pairs: list[Pair]
    instruments: list[Health]
    line: str


def references_of(
    evenings: Sequence[Evening], weighed: Mapping[str, str] | None = None, today: str = ""
) -> References:
    """The health of the trusted instruments. `weighed`: by unit the date of its last weights."""
    trusted = [e for e in sorted(evenings, key=lambda e: (e.utc, e.session)) if e.role in TRUSTED]
    by_session: dict[str, list[Evening]] = {}
    for e in trusted:
        by_session.setdefault(e.session, []).append(e)
    found: dict[tuple[tuple[str, str], tuple[str, str]], list[tuple[Evening, Evening]]] = {}
    for members in by_session.values():
        for a, b in itertools.combinations(sorted(members, key=_key), 2):
            if _key(a) != _key(b) and (pair := _ordered(a, b)) is not None:
                found.setdefault((_key(pair[0]), _key(pair[1])), []).append(pair)
    pairs = [p for both in found.values() if (p := pair_of(both)) is not None]
    people = {_key(e): e for e in trusted}
    health = [_health([e for e in trusted if _key(e) == key], weighed or {}, today) for key in people]
    return References(pairs, health, line_of(pairs, health))


def _key(e: Evening) -> tuple[str, str]:
    """What tells instruments apart: serial number and kind (makers count from one each), else the label."""
    return (e.unit, e.model or e.mount) if e.unit else ("", e.instrument)


def _ordered(a: Evening, b: Evening) -> tuple[Evening, Evening] | None:
    """The pair with the one that was compared first; None if they have no comparison in common."""
    if a.reference == b.instrument:
        return a, b
    if b.reference == a.instrument:
        return b, a
    return (a, b) if a.reference == b.reference and a.torques and b.torques else None


def _ratios(a: Evening, b: Evening) -> dict[tuple[float, float | None], tuple[float, float | None, int]]:
    """Log ratio of a over b in each range of torque, its 95 % half-width, and the blocks."""
    own = {(t.low_nm, t.high_nm): t for t in a.torques if t.blocks >= LEAST_BLOCKS}
    if a.reference == b.instrument:
        return {key: (_log(t), t.u95_percent, t.blocks) for key, t in own.items()}
    other = {(t.low_nm, t.high_nm): t for t in b.torques if t.blocks >= LEAST_BLOCKS}
    found = {}
    for key in own.keys() & other.keys():
        one, two = own[key], other[key]
        u95 = None
        if one.u95_percent is not None and two.u95_percent is not None:
            u95 = math.hypot(one.u95_percent, two.u95_percent)
        found[key] = (_log(one) - _log(two), u95, min(one.blocks, two.blocks))
    return found


def _log(t: Torque) -> float:
    return math.log1p(t.deviation_percent / 100.0)


def pair_of(both: Sequence[tuple[Evening, Evening]]) -> Pair | None:
    """One pair over its evenings, at the torques that most of them have; None if there are none."""
    ratios = [_ratios(a, b) for a, b in both]
    keys = sorted({key for r in ratios for key in r}, key=lambda key: key[0])
    common = [key for key in keys if sum(key in r for r in ratios) >= COMMON_PART * len(ratios)]
    used = [(pair, r) for pair, r in zip(both, ratios, strict=True) if any(key in r for key in common)]
    if not common or not used:
        return None
    values = _adjusted([r for _, r in used], common)
    points = []
    for ((a, _b), r), value in zip(used, values, strict=True):
        widths = [r[key][1] for key in common if key in r]
        told = [w for w in widths if w is not None]
        u95 = math.fsum(told) / len(told) if len(told) == len(widths) and told else None
        points.append(
            Point(a.session, a.utc, rounded(100.0 * math.expm1(value), 3), known(u95, 3), len(widths))
        )
    a, b = used[-1][0]
    first, second = (Named(e.unit, e.model, e.mount, e.instrument) for e in (a, b))
    chart = chart_of([p.percent for p in points], FLOOR_PERCENT)
    change, since, verdict, text = _judged(first, second, points, chart)
    return Pair(first, second, points, common[0][0], common[-1][1], chart, change, since, verdict, text)


def _adjusted(
    ratios: Sequence[Mapping[tuple[float, float | None], tuple[float, float | None, int]]],
    common: Sequence[tuple[float, float | None]],
) -> list[float]:
    """Each evening's level at the common torques, as if each had ridden all: an additive fit of both.

    An evening without the hard blocks must not look like a change where the ratio depends on torque.
    """
    rows, weights, targets = [], [], []
    n, m = len(ratios), len(common)
    for k, r in enumerate(ratios):
        for j, key in enumerate(common):
            if key in r:
                row = np.zeros(n + m)
                row[k], row[n + j] = 1.0, 1.0
                rows.append(row)
                weights.append(math.sqrt(r[key][2]))
                targets.append(r[key][0])
    # The ranges' own effects add up to nothing: levels are means over all of them alike.
    rows.append(np.concatenate((np.zeros(n), np.ones(m))))
    weights.append(1e3)
    targets.append(0.0)
    w = np.array(weights)
    found, *_ = np.linalg.lstsq(np.array(rows) * w[:, None], np.array(targets) * w, rcond=None)
    return [float(v) for v in found[:n]]


def _judged(
    first: Named, second: Named, points: Sequence[Point], chart: Chart | None
) -> tuple[float | None, str, str, str]:
    """Change against the first evenings, since when, one word, one sentence."""
    name = f"{first.label}/{second.label}"
    if chart is None:
        text = f"{name}: {len(points)} evenings, five are needed for limits"
        return None, "", "too-few", text
    if not chart.signal:
        change = rounded(chart.ewma[-1] - chart.centre, 3)
        text = (
            f"{name}: steady over {len(points)} evenings, within ±{TERMINAL.number(3.0 * chart.sigma, 1)} % "
            f"of its first {chart.first}"
        )
        return change, "", "steady", text
    at = _since(chart)
    # What holds since then, not an average that still remembers what was before.
    after = chart.values[at:]
    change = rounded(math.fsum(after) / len(after) - chart.centre, 3)
    since = points[at].utc[:7] or points[at].session
    text = f"{name} {TERMINAL.number(change, 1, True)} % since {since}: look before you trust"
    return change, since, "changed", text


def _since(chart: Chart) -> int:
    """The value at which what holds at the end began: the first of the last ones on that side."""
    last = len(chart.values) - 1
    moved = chart.ewma[-1] if last in chart.drifted else chart.values[-1]
    sign = math.copysign(1.0, moved - chart.centre)
    at = len(chart.values) - 1
    while at > chart.first and (chart.values[at - 1] - chart.centre) * sign > chart.sigma:
        at -= 1
    return at


def _health(evenings: Sequence[Evening], weighed: Mapping[str, str], today: str) -> Health:
    last = evenings[-1]
    who = Named(last.unit, last.model, last.mount, last.instrument)
    zeros = [(e.date, e.zero) for e in evenings if e.zero]
    batteries = [(e.date, e.battery_percent) for e in evenings if e.battery_percent is not None]
    date = weighed.get(last.unit or last.instrument, "")
    days = days_between(date, today)
    if not date:
        text = f"{who.words}: never checked with weights"
    elif days is None:
        text = f"{who.words}: checked with weights on {date}"
    else:
        text = f"{who.words}: checked with weights {days} days ago"
        if days > WEIGH_AFTER_DAYS:
            text += ", half a year is the longest that is recommended"
    return Health(who, zeros, batteries, date, days, text)


def days_between(earlier: str, later: str) -> int | None:
    """Days from one ISO date to another; None if either is none."""
    if not earlier or not later:
        return None
    try:
        return int((np.datetime64(later[:10], "D") - np.datetime64(earlier[:10], "D")).astype(int))
    except ValueError:
        return None


def line_of(pairs: Sequence[Pair], health: Sequence[Health]) -> str:
    """The one line for the checks before a ride; empty: nothing to look at."""
    changed = [p for p in pairs if p.verdict == "changed"]
    if changed:
        worst = max(changed, key=lambda p: abs(p.change_percent or 0.0))
        return worst.text
    old = [h for h in health if h.days_since_weights is not None and h.days_since_weights > WEIGH_AFTER_DAYS]
    return old[0].text if old else ""
