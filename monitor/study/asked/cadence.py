"""Cadence against cadence: who turns as fast as the others say, in which range, and whom to trust.

A difference is made of ten seconds of pedalling in which the reference turns evenly, so that an
instrument that shows its cadence late is not charged with that.
"""

import math
from collections.abc import Sequence
from itertools import pairwise
from typing import NamedTuple

import numpy as np

from monitor.analysis.block import BLOCK_S
from monitor.analysis.blockstats import Interval, interval, usual_spread
from monitor.analysis.statistics import Floats, judge
from monitor.study.grid import Bools, Ints
from monitor.study.parts.common import Shared
from monitor.study.results import CadenceBy, CadenceStudy, Judged, Reason, Serves, known, rounded

BINS_RPM = (0.0, 50.0, 65.0, 80.0, 95.0, 110.0, math.inf)
"""Trainers that estimate the cadence do so worst where it is low (common practice, no source)."""
LEAST_RPM = 20.0
"""Below this nobody pedals steadily."""
EVEN_RPM = 5.0
"""A block counts if the reference's cadence changes by no more than this from its first to its last third."""
LEAST_BLOCKS = 2
WHOLE_RPM = 1.96 * 0.5 / math.sqrt(3.0)
"""95 % of what rounding to whole turns a minute hides, where a trainer holds its cadence still."""
TRUST = {"reference": 0, "witness": 1, "on-test": 2}


class Blocks(NamedTuple):
    """Ten seconds each: own cadence minus the reference's (rpm), the reference's, first second, segment."""

    off_rpm: Floats
    reference_rpm: Floats
    begin_s: Ints
    segment: Ints


def cadence_of(shared: Shared) -> list[CadenceStudy]:
    """Every instrument that shows a cadence against the most trusted one that measures it; empty for one."""
    grid = shared.grid
    showing = [i for i in range(len(grid.labels)) if _pedalled(grid.cadence_rpm[:, i]).sum() >= BLOCK_S]
    base = reference_of(shared, showing)
    if base is None or len(showing) < 2:
        return []
    rows = []
    for i in showing:
        # What shows a cadence now and then is heard where the reference pedals, also where it shows none.
        if i != base and (row := _row(shared, i, base)) is not None:
            rows.append(row)
    return rows


def reference_of(shared: Shared, showing: list[int]) -> int | None:
    """Whose cadence the others are held against: one that measures it, never a hub that may estimate it.

    The reference of the bench if it does, else by role, a cadence sensor first. One that differs from
    the median of three or more that measure it is no reference.
    """
    grid = shared.grid
    measuring = [i for i in showing if grid.instruments[i].mount != "hub"]
    if len(measuring) >= 3:
        stacked = grid.cadence_rpm[:, measuring]
        good = np.isfinite(stacked).all(axis=1) & (stacked >= LEAST_RPM).all(axis=1)
        if good.sum() >= BLOCK_S:
            middle = np.median(stacked[good], axis=1)
            limit = grid.bench.limits.cadence_rpm
            fit = [
                i for k, i in enumerate(measuring) if abs(float((stacked[good, k] - middle).mean())) <= limit
            ]
            measuring = fit or measuring
    return min(
        measuring or showing,
        key=lambda i: (
            i != grid.reference,
            TRUST[grid.instruments[i].role],
            grid.instruments[i].mount != "cadence",
            i,
        ),
        default=None,
    )


def _pedalled(rpm: Floats) -> Bools:
    with np.errstate(invalid="ignore"):
        result: Bools = rpm >= LEAST_RPM
    return result


def blocks_of(shared: Shared, i: int, base: int) -> Blocks:
    """All blocks of ten seconds in which both were heard and the reference turned evenly.

    They are laid in the settled parts of the segments; segment -1 outside them.
    """
    grid = shared.grid
    own, theirs = grid.cadence_rpm[:, i], grid.cadence_rpm[:, base]
    n = grid.seconds // BLOCK_S
    segment = np.full(grid.seconds, -1, dtype=np.int64)
    for k, span in enumerate(shared.spans):
        segment[slice(*grid.clip(span.window()))] = k
    a, b = (x[: n * BLOCK_S].reshape(n, BLOCK_S) for x in (own, theirs))
    with np.errstate(invalid="ignore"):
        change = np.abs(b[:, -3:].mean(axis=1) - b[:, :3].mean(axis=1))
        good = np.isfinite(a).all(axis=1) & (b >= LEAST_RPM).all(axis=1) & (change <= EVEN_RPM)
    at = np.flatnonzero(good)
    off = (a[at] - b[at]).mean(axis=1) if len(at) else np.zeros(0)
    middle = b[at].mean(axis=1) if len(at) else np.zeros(0)
    begin = at.astype(np.int64) * BLOCK_S
    return Blocks(off, middle, begin, segment[begin + BLOCK_S // 2] if len(at) else begin)


def _row(shared: Shared, i: int, base: int) -> CadenceStudy | None:
    grid = shared.grid
    blocks = blocks_of(shared, i, base)
    usual = usual_spread([blocks.off_rpm[blocks.segment == k] for k in np.unique(blocks.segment)])
    estimated = grid.instruments[i].mount == "hub"
    found = interval(blocks.off_rpm, usual)
    if found is None:
        return None
    limit = grid.bench.limits.cadence_rpm
    by = []
    for low, high in pairwise(BINS_RPM):
        inside = (blocks.reference_rpm >= low) & (blocks.reference_rpm < high)
        part = interval(blocks.off_rpm[inside], usual)
        if part is not None:
            high_rpm = None if math.isinf(high) else high
            u95 = _u95(part, estimated)
            by.append(
                CadenceBy(low, high_rpm, rounded(part.value, 2), known(u95, 2),
                          _verdict(part, u95, limit), part.n)
            )  # fmt: skip
    u95 = _u95(found, estimated)
    return CadenceStudy(
        grid.labels[i], grid.labels[base], rounded(found.value, 2), known(u95, 2), rounded(limit, 2),
        _overall(_verdict(found, u95, limit), by), by, found.n, estimated,
    )  # fmt: skip


def _u95(found: Interval, estimated: bool) -> float | None:
    if not math.isfinite(found.u95):
        return None
    return math.hypot(found.u95, WHOLE_RPM) if estimated else found.u95


def _verdict(found: Interval, u95: float | None, limit: float) -> Judged:
    if u95 is None or found.n < LEAST_BLOCKS:
        return "undecided"
    return judge(found.value, u95, limit)  # type: ignore[return-value]


def _overall(verdict: Judged, by: list[CadenceBy]) -> Judged:
    """An instrument that differs in one range differs, however right it is in another."""
    return "differs" if any(b.verdict == "differs" for b in by) else verdict


def advice_of(rows: list[CadenceStudy]) -> str:
    """Whose cadence to trust, in a sentence; empty where nothing was compared.

    With one other that measures it, a difference is nobody's: that is said instead.
    """
    if not rows:
        return ""
    base = rows[0].reference
    off = [row for row in rows if row.verdict == "differs"]
    guessed = [row for row in off if row.estimated]
    measured = [row for row in off if not row.estimated]
    agree = [row.instrument for row in rows if row.verdict == "agrees"]
    parts = []
    if measured and not agree:
        names = " and ".join(row.instrument for row in measured)
        parts.append(f"{base} and {names} differ in cadence, and nothing tells which is right")
    elif measured:
        names = " and ".join(row.instrument for row in measured)
        parts.append(f"take cadence from {base}: {names} shows another one")
    elif agree:
        verb = "agrees" if len(agree) == 1 else "agree"
        parts.append(f"take cadence from {base}: {' and '.join(agree)} {verb} with it")
    for row in guessed:
        worst = max(row.by, key=lambda b: (b.verdict == "differs", abs(b.deviation_rpm)))
        where = _range_words(worst)
        parts.append(
            f"{row.instrument} is off by {worst.deviation_rpm:+z.1f} rpm {where}: a hub may estimate cadence"
        )
    return "; ".join(parts)


def _range_words(by: CadenceBy) -> str:
    if by.high_rpm is None:
        return f"above {by.low_rpm:g} rpm"
    if by.low_rpm == 0.0:
        return f"below {by.high_rpm:g} rpm"
    return f"at {by.low_rpm:g} to {by.high_rpm:g} rpm"


class CadenceAnswer(NamedTuple):
    """What is said at the end of an instrument that measures cadence and no power."""

    verdict: str
    sentence: str
    serves: Serves
    why: str
    reasons: list[Reason]


LEAST_RANGES = 2
"""Seen at one cadence only, it says nothing of others."""


def cadence_answer(label: str, rows: Sequence[CadenceStudy]) -> CadenceAnswer:
    """Whether it shows the cadence that is pedalled, and whether others may be held against it.

    Yes: another one that measures agrees, at two ranges of cadence. No: two others that measure agree
    with each other and not with it. With one other alone a difference is nobody's.
    """
    own = next((row for row in rows if row.instrument == label), None)
    if own is not None:
        base = own.reference
        agree = [
            r.instrument for r in rows if r.instrument != label and not r.estimated and r.verdict == "agrees"
        ]
        size = f"{own.deviation_rpm:+z.1f} rpm" + (f" ± {own.u95_rpm:.1f}" if own.u95_rpm is not None else "")
        limit = f"limit {own.limit_rpm:g} rpm"
        words = {"agrees": "cadence agrees with", "differs": "cadence differs from"}
        text = f"{words.get(own.verdict, 'cadence is undecided against')} {base}: {size} ({limit})"
        if own.verdict == "agrees":
            return _agreeing(label, text, base, [b for b in own.by if b.verdict == "agrees"])
        if own.verdict == "differs":
            worst = max(own.by, key=lambda b: (b.verdict == "differs", abs(b.deviation_rpm)))
            text += f", up to {worst.deviation_rpm:+z.1f} rpm {_range_words(worst)}"
            if agree:
                why = f"its cadence differs from {base}, with which {' and '.join(agree)} agree"
                return _said(label, "differs", text, "no", Reason("bad", why))
            why = f"it and {base} differ, and nothing tells which is right"
            return _said(label, "undecided", text, "undecided", Reason("open", why))
        return _said(label, "undecided", text, "undecided", Reason("open", "too little was pedalled to tell"))
    measured = [r for r in rows if not r.estimated]
    if not measured:
        why = "no other instrument measures cadence"
        return _said(label, "none", "reports cadence only: there is nothing to compare it with", "undecided",
                     Reason("open", why))  # fmt: skip
    agree = [r.instrument for r in measured if r.verdict == "agrees"]
    if agree:
        verb = "agrees" if len(agree) == 1 else "agree"
        text = f"is what cadences are compared with; {' and '.join(agree)} {verb} with it"
        ranges = [b for r in measured if r.verdict == "agrees" for b in r.by if b.verdict == "agrees"]
        seen = {b.low_rpm: b for b in ranges}
        return _agreeing(label, text, " and ".join(agree), list(seen.values()))
    names = " and ".join(r.instrument for r in measured)
    why = f"it and {names} do not agree, and nothing tells which is right"
    return _said(label, "undecided", f"is undecided: {why}", "undecided", Reason("open", why))


def _agreeing(label: str, text: str, with_whom: str, ranges: Sequence[CadenceBy]) -> CadenceAnswer:
    good = Reason("good", f"its cadence agrees with that of {with_whom}")
    if len(ranges) < LEAST_RANGES:
        return _said(
            label, "agrees", text, "undecided", good, Reason("open", "it was seen at one cadence only")
        )
    many = f"it was seen at {len(ranges)} ranges of cadence"
    return _said(label, "agrees", text, "yes", good, Reason("good", many))


def _said(label: str, verdict: str, text: str, serves: Serves, *reasons: Reason) -> CadenceAnswer:
    told = [r for r in reasons if r.point != "good"] or list(reasons)
    why = "; ".join(r.text for r in told)
    if serves == "yes":
        why = f"for cadence: {why}"
    return CadenceAnswer(verdict, f"{label} {text}.", serves, why, list(reasons))
