"""Sessions side by side: what changed beyond chance, and how well results repeat.

The same unit before and after zeroing, several units, several evenings. Segments are
matched by name, instruments by label; an instrument on test that has no namesake stands
against the other session's instrument on test, if each has just one.
"""

import math
from collections.abc import Sequence

import msgspec
import numpy as np

from monitor.study.evenings.evening import Evening, evenings_of
from monitor.study.evenings.groups import By, SideBySide, side_by_side
from monitor.study.results import Difference, Study, known, rounded

COVERAGE_FACTOR = 1.96 * math.sqrt(2.0)
"""Between two single results: 2.77 times their standard deviation (ISO 5725-6)."""


class Given(msgspec.Struct, frozen=True):
    """A session that takes part: its name, what it is, and its study."""

    name: str
    study: Study


class Result(msgspec.Struct, frozen=True):
    """One instrument's deviation in one segment of one session; `change_*` against the first session."""

    session: str
    instrument: str
    deviation_percent: float
    u95_percent: float | None
    verdict: str
    change_percent: float | None
    change_u95_percent: float | None
    beyond_chance: bool | None


class Row(msgspec.Struct, frozen=True):
    """One segment and instrument over all sessions; None where a session does not have it."""

    segment: str
    instrument: str
    results: list[Result | None]


class Change(msgspec.Struct, frozen=True):
    """The mean change of an instrument over all segments that it shares with the first session."""

    instrument: str
    session: str
    segments: int
    change_percent: float
    u95_percent: float | None
    beyond_chance: bool | None
    text: str


class Repeatability(msgspec.Struct, frozen=True):
    """Components of variance of an instrument's deviations, terms of ISO 5725.

    `within_percent` is the repeatability standard deviation s_r, `between_percent` that of
    the sessions' own levels s_L, `total_percent` both together; the limits are what two single
    results differ by at most (95 %). All of one unit.
    """

    instrument: str
    sessions: int
    segments: int
    within_percent: float
    between_percent: float
    total_percent: float
    repeatability_limit_percent: float
    reproducibility_limit_percent: float
    unit: str = ""
    """Its serial number: results of two units, or of two models, are no repetition."""


class Unit(msgspec.Struct, frozen=True, rename={"reported": "told"}):
    """What a session's instrument said of itself."""

    session: str
    instrument: str
    reported: dict[str, str]
    zeroed: list[str]


class Comparison(msgspec.Struct, frozen=True):
    """Sessions side by side; the first is the one that the others are held against."""

    sessions: list[str]
    rows: list[Row]
    changes: list[Change]
    repeatability: list[Repeatability]
    units: list[Unit]
    remarks: list[str]
    words: list[dict[str, str]] = []
    """What the tester says of each session, in their order."""
    side_by_side: SideBySide = SideBySide("unit", "", [], [], [], [])


def compare_sessions(given: Sequence[Given]) -> Comparison:
    """Compare two sessions or more."""
    first = given[0]
    counterparts = [_counterparts(first.study, g.study) for g in given]
    rows = []
    for segment in dict.fromkeys(s.name for g in given for s in g.study.segments):
        for label in _labels(first.study):
            found = [
                _difference(g.study, segment, names.get(label))
                for g, names in zip(given, counterparts, strict=True)
            ]
            if sum(d is not None for d in found) >= 2 or (found[0] is not None and len(given) == 1):
                rows.append(Row(segment, label, _results(given, found)))
    labels = list(dict.fromkeys(row.instrument for row in rows))
    changes = [
        c
        for label in labels
        for k in range(1, len(given))
        if (c := _change(label, given[k].name, [r.results[k] for r in rows if r.instrument == label]))
        is not None
    ]
    repeat = [
        r
        for label in labels
        for unit, which in _same_unit(given, counterparts, label).items()
        if (r := repeatability(label, [_of(x, which) for x in rows if x.instrument == label], unit))
        is not None
    ]
    units = [
        Unit(g.name, label, i.reported, i.zeroed) for g in given for label, i in g.study.instruments.items()
    ]
    evenings = [e for g in given for e in evenings_of(g.name, g.study)]
    return Comparison(
        [g.name for g in given],
        rows,
        changes,
        repeat,
        units,
        _remarks(given),
        [g.study.words for g in given],
        side_by_side(evenings, _by(evenings)),
    )


def _by(evenings: Sequence[Evening]) -> By:
    """What tells the sessions apart: the model, else the unit, else the firmware of what is on test."""
    tested = [e for e in evenings if e.role == "on-test"] or list(evenings)
    if len({e.model for e in tested if e.model}) > 1:
        return "model"
    if len({e.unit for e in tested if e.unit}) > 1:
        return "unit"
    return "firmware" if len({e.firmware for e in tested if e.firmware}) > 1 else "unit"


def _same_unit(
    given: Sequence[Given], counterparts: Sequence[dict[str, str]], label: str
) -> dict[str, list[int]]:
    """Numbers of the sessions that have the same unit, by its serial number (empty: not known)."""
    found: dict[str, list[int]] = {}
    for k, (g, names) in enumerate(zip(given, counterparts, strict=True)):
        own = g.study.instruments.get(names.get(label, ""))
        if own is not None:
            found.setdefault(own.reported.get("serial", ""), []).append(k)
    return found


def _of(row: Row, which: Sequence[int]) -> Row:
    return Row(row.segment, row.instrument, [row.results[k] for k in which])


def _labels(study: Study) -> list[str]:
    return [
        label for label in study.instruments if any(_difference(study, s.name, label) for s in study.segments)
    ]


def _counterparts(first: Study, other: Study) -> dict[str, str]:
    names = {label: label for label in first.instruments if label in other.instruments}
    one = [label for label, i in first.instruments.items() if i.role == "on-test"]
    two = [label for label, i in other.instruments.items() if i.role == "on-test"]
    if len(one) == len(two) == 1:
        names[one[0]] = two[0]
    return names


def _difference(study: Study, segment: str, label: str | None) -> Difference | None:
    """The first comparison of that name: a segment that was ridden again has a name of its own."""
    return next(
        (d for s in study.segments if s.name == segment for d in s.differences if d.instrument == label), None
    )


def _results(given: Sequence[Given], found: Sequence[Difference | None]) -> list[Result | None]:
    base = found[0]
    results: list[Result | None] = []
    for k, (g, d) in enumerate(zip(given, found, strict=True)):
        if d is None:
            results.append(None)
            continue
        change = u95 = None
        if k and base is not None:
            change = d.deviation_percent - base.deviation_percent
            # The same drivetrain stands in both, so its loss can't have made the change.
            if d.spread_u95_percent is not None and base.spread_u95_percent is not None:
                u95 = math.hypot(
                    d.spread_u95_percent + d.edge_percent, base.spread_u95_percent + base.edge_percent
                )
        results.append(
            Result(
                g.name, d.instrument, d.deviation_percent, d.u95_percent, d.verdict, known(change, 3),
                known(u95, 3), abs(change) > u95 if change is not None and u95 is not None else None,
            )
        )  # fmt: skip
    return results


def _change(label: str, session: str, results: Sequence[Result | None]) -> Change | None:
    changed = [r for r in results if r is not None and r.change_percent is not None]
    if not changed:
        return None
    values = np.array([r.change_percent for r in changed], dtype=np.float64)
    mean = float(values.mean())
    widths = [r.change_u95_percent for r in changed if r.change_u95_percent is not None]
    u95 = None
    if len(widths) == len(changed):
        chance = math.sqrt(sum(w * w for w in widths)) / len(changed)
        # Segments that changed unlike each other say more than their own scatter does.
        spread = 1.96 * float(values.std(ddof=1)) / math.sqrt(len(changed)) if len(changed) > 2 else 0.0
        u95 = max(chance, spread)
    beyond = abs(mean) > u95 if u95 is not None else None
    sure = f" ± {u95:.2f} %" if u95 is not None else ""
    words = {True: "a change beyond chance", False: "no change beyond chance", None: "too little to tell"}
    text = (
        f"{label} in {session}: {mean:+z.2f} %{sure} against the first over {len(changed)} segments, "
        f"{words[beyond]}"
    )
    return Change(label, session, len(changed), rounded(mean, 3), known(u95, 3), beyond, text)


def repeatability(label: str, rows: Sequence[Row], unit: str = "") -> Repeatability | None:
    """Components of variance from the segments that all sessions have; None for fewer than two of either.

    Two-way layout without replication, sessions by segments, segments as fixed levels:
    s_r^2 is the mean square of the residuals, s_L^2 = max(0, (MS_sessions - s_r^2) / segments).
    """
    table = np.array(
        [
            [r.deviation_percent for r in row.results if r is not None]
            for row in rows
            if all(r is not None for r in row.results)
        ],
        dtype=np.float64,
    )
    if table.ndim != 2 or min(table.shape) < 2:
        return None
    m, k = table.shape
    rest = table - table.mean(axis=1, keepdims=True)
    levels = rest.mean(axis=0)
    residual = rest - levels
    within = float((residual**2).sum()) / ((m - 1) * (k - 1))
    between = max(0.0, (m * float((levels**2).sum()) / (k - 1) - within) / m)
    s_r, s_l, s_total = math.sqrt(within), math.sqrt(between), math.sqrt(within + between)
    return Repeatability(
        label, k, m, rounded(s_r, 3), rounded(s_l, 3), rounded(s_total, 3),
        rounded(COVERAGE_FACTOR * s_r, 3), rounded(COVERAGE_FACTOR * s_total, 3), unit,
    )  # fmt: skip


def _remarks(given: Sequence[Given]) -> list[str]:
    first = given[0].study
    remarks = []
    for g in given[1:]:
        if g.study.reference != first.reference:
            remarks.append(
                f"{g.name} was compared with {g.study.reference}, {given[0].name} with {first.reference}"
            )
        for label, i in g.study.instruments.items():
            before = first.instruments.get(label)
            if before is None:
                continue
            for key in ("serial", "firmware", "crank_length_mm"):
                old, new = before.reported.get(key), i.reported.get(key)
                if old is not None and new is not None and old != new:
                    remarks.append(
                        f"{label} has {key.replace('_', ' ')} {new} in {g.name}, {old} in {given[0].name}"
                    )
    return remarks
