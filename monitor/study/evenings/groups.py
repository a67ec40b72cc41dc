"""Evenings by unit, model, firmware or bench: what each shows, how well it repeats, how groups differ.

ISO 5725: repeatability is of one unit; what units of one model differ by makes reproducibility. How two
models differ is neither: it is a difference, and is said as one.
"""

import math
from collections.abc import Sequence
from typing import Literal

import msgspec
import numpy as np

from monitor.analysis.statistics import t_975
from monitor.study.evenings.evening import Evening, Value
from monitor.study.results import known, rounded
from monitor.text import TERMINAL

By = Literal["unit", "model", "firmware", "bench"]
QUANTITIES = ("right", "left", "total")
"""Sides first: what one side does shows in the total only by half."""
COVERAGE_FACTOR = 1.96 * math.sqrt(2.0)
"""Between two single results (ISO 5725-6)."""
WORTH_PERCENT = 0.5
"""Groups that differ by less make no first sentence (common practice, no source)."""


class Spread(msgspec.Struct, frozen=True):
    """Components of variance of one quantity over a group's evenings, percent; None: not known.

    `repeatability` is between evenings of one unit; `between_units` what units of one model differ by
    beyond that; `reproducibility` both.
    """

    evenings: int
    units: int
    repeatability_percent: float | None
    between_units_percent: float | None
    reproducibility_percent: float | None
    repeatability_limit_percent: float | None
    reproducibility_limit_percent: float | None


class Group(msgspec.Struct, frozen=True):
    """The evenings of one unit, model, firmware or bench. Means are over evenings, each alike."""

    name: str
    evenings: int
    units: list[str]
    models: list[str]
    firmwares: list[str]
    references: list[str]
    first: str
    last: str
    total: Value
    left: Value
    right: Value
    held: Value
    free: Value
    low_cadence: Value
    high_cadence: Value
    agrees: int
    differs: int
    undecided: int
    spread: Spread


class Between(msgspec.Struct, frozen=True):
    """How two groups differ in one quantity; `beyond_chance` None: too few evenings to say."""

    quantity: str
    first: str
    second: str
    difference_percent: float
    u95_percent: float | None
    beyond_chance: bool | None


class SideBySide(msgspec.Struct, frozen=True):
    """Evenings of the instruments on test, their groups, how these differ, and one first sentence."""

    by: By
    sentence: str
    evenings: list[Evening]
    groups: list[Group]
    between: list[Between]
    remarks: list[str]


def side_by_side(evenings: Sequence[Evening], by: By = "unit", everyone: bool = False) -> SideBySide:
    """Group evenings. Only instruments on test count, unless there are none or `everyone` is wished."""
    tested = [e for e in evenings if e.role == "on-test"]
    chosen = sorted(
        evenings if everyone or not tested else tested, key=lambda e: (e.utc, e.session, e.instrument)
    )
    members: dict[str, list[Evening]] = {}
    for e in chosen:
        members.setdefault(name_of(e, by), []).append(e)
    groups = [_group(name, found) for name, found in members.items()]
    between = [
        b
        for k, one in enumerate(groups)
        for two in groups[k + 1 :]
        for quantity in QUANTITIES
        if (b := _between(quantity, members, one.name, two.name)) is not None
    ]
    return SideBySide(by, _sentence(groups, between, by), chosen, groups, between, _remarks(chosen, groups))


def name_of(e: Evening, by: By) -> str:
    """The group of an evening. Without a serial number units can't be told apart: then the label stands."""
    if by == "unit":
        return e.identity
    if by == "model":
        return e.model or f"{e.instrument} (model not known)"
    if by == "firmware":
        return f"{e.model or e.instrument}, firmware {e.firmware or 'not known'}"
    return e.bench


# -- one group


def _group(name: str, evenings: Sequence[Evening]) -> Group:
    def mean(quantity: str) -> Value:
        return mean_value([getattr(e, quantity) for e in evenings])

    def distinct(key: str) -> list[str]:
        return sorted({getattr(e, key) for e in evenings} - {""})

    words = [e.verdict for e in evenings]
    return Group(
        name=name,
        evenings=len(evenings),
        units=distinct("unit"),
        models=distinct("model"),
        firmwares=distinct("firmware"),
        references=sorted({f"{e.reference} {e.reference_unit}".strip() for e in evenings} - {""}),
        first=evenings[0].date,
        last=evenings[-1].date,
        total=mean("total"),
        left=mean("left"),
        right=mean("right"),
        held=mean("held"),
        free=mean("free"),
        low_cadence=mean("low_cadence"),
        high_cadence=mean("high_cadence"),
        agrees=words.count("agrees"),
        differs=words.count("differs"),
        undecided=words.count("undecided"),
        spread=spread_of(evenings),
    )


def mean_value(values: Sequence[Value]) -> Value:
    """The mean over evenings with its 95 % half-width.

    From three evenings on their own spread tells it (Student); never less than the mean of their own
    half-widths, since what is systematic in one evening is common to all.
    """
    found = [v.percent for v in values if v.percent is not None]
    if not found:
        return Value()
    widths = [v.u95_percent for v in values if v.percent is not None and v.u95_percent is not None]
    own = math.fsum(widths) / len(widths) if len(widths) == len(found) else None
    n = len(found)
    mean = math.fsum(found) / n
    if n < 3:
        return Value(rounded(mean, 3), known(own, 3))
    half = t_975(n - 1.0) * float(np.std(found, ddof=1)) / math.sqrt(n)
    return Value(rounded(mean, 3), known(max(half, own or 0.0), 3))


def spread_of(evenings: Sequence[Evening], quantity: str = "total") -> Spread:
    """One-way components of variance: units by their evenings (ISO 5725-2, 7.4; unequal numbers).

    A unit with another firmware, or against another reference, is another condition: its evenings are no
    repetition. Units are told from each other only under the same conditions.
    """
    rows: dict[tuple[str, str, str, str], list[float]] = {}
    for e in evenings:
        value = getattr(e, quantity).percent
        if value is not None:
            against = f"{e.reference} {e.reference_unit}"
            rows.setdefault((e.model, e.unit or e.instrument, e.firmware, against), []).append(value)
    conditions = {(key[0], *key[2:]) for key in rows}
    n = sum(len(v) for v in rows.values())
    repeated = [v for v in rows.values() if len(v) >= 2]
    dof = sum(len(v) - 1 for v in repeated)
    s_r2 = sum(float(np.var(v)) * len(v) for v in repeated) / dof if dof else None
    s_l2 = None
    if s_r2 is not None and len(conditions) == 1 and len(rows) >= 2:
        p = len(rows)
        grand = sum(math.fsum(v) for v in rows.values()) / n
        between = sum(len(v) * (math.fsum(v) / len(v) - grand) ** 2 for v in rows.values()) / (p - 1)
        n0 = (n - sum(len(v) ** 2 for v in rows.values()) / n) / (p - 1)
        s_l2 = max(0.0, (between - s_r2) / n0)
    s_r = math.sqrt(s_r2) if s_r2 is not None else None
    s_total = math.sqrt(s_r2 + s_l2) if s_r2 is not None and s_l2 is not None else None
    return Spread(
        n,
        len({(key[0], key[1]) for key in rows}),
        known(s_r, 3),
        known(math.sqrt(s_l2), 3) if s_l2 is not None else None,
        known(s_total, 3),
        known(COVERAGE_FACTOR * s_r, 3) if s_r is not None else None,
        known(COVERAGE_FACTOR * s_total, 3) if s_total is not None else None,
    )


# -- groups against each other


def _between(quantity: str, members: dict[str, list[Evening]], one: str, two: str) -> Between | None:
    first, second = ([getattr(e, quantity) for e in members[name]] for name in (one, two))
    a, b = mean_value(first), mean_value(second)
    if a.percent is None or b.percent is None:
        return None
    u95 = None
    if a.u95_percent is not None and b.u95_percent is not None:
        u95 = math.hypot(a.u95_percent, b.u95_percent)
    difference = b.percent - a.percent
    return Between(
        quantity,
        one,
        two,
        rounded(difference, 3),
        known(u95, 3),
        abs(difference) > u95 if u95 is not None else None,
    )


def _sentence(groups: Sequence[Group], between: Sequence[Between], by: By) -> str:
    """What to know first: the quantity in which the groups differ most, with the value of each."""
    told = [b for b in between if b.beyond_chance and abs(b.difference_percent) >= WORTH_PERCENT]
    if not groups:
        return "No instrument on test was compared with another."
    if not told:
        return _alone(groups)
    worst = max(told, key=lambda b: (abs(b.difference_percent), -QUANTITIES.index(b.quantity)))
    named = [g for g in groups if getattr(g, worst.quantity).percent is not None]
    words = "total" if worst.quantity == "total" else f"{worst.quantity} side"
    if len(named) == 2 and by == "model":
        old, new = named
        names = [f"the earlier model ({old.name})", f"this one ({new.name})"]
    else:
        names = [g.name for g in named]
    values = [
        f"{TERMINAL.number(getattr(g, worst.quantity).percent, 1, True)} % on {name}"
        for g, name in zip(named, names, strict=True)
    ]
    shown, more = values[:4], len(values) - 4
    rest = f", and {more} more" if more > 0 else ""
    return f"{words}: {', '.join(shown)}{rest}."


def _alone(groups: Sequence[Group]) -> str:
    if len(groups) == 1:
        (g,) = groups
        number = "one evening" if g.evenings == 1 else f"{g.evenings} evenings"
        return f"{g.name}: {TERMINAL.sure(g.total.percent, g.total.u95_percent)} % over {number}."
    return f"No two of {len(groups)} groups differ beyond chance."


def _remarks(evenings: Sequence[Evening], groups: Sequence[Group]) -> list[str]:
    """What may make evenings unlike each other that is no difference of units."""
    remarks = []
    for g in groups:
        if len(g.references) > 1:
            remarks.append(f"{g.name} was compared with {' and '.join(g.references[:4])}")
        if len(g.firmwares) > 1:
            remarks.append(f"{g.name} had firmware {', '.join(g.firmwares[:6])}")
    nameless = sorted({e.instrument for e in evenings if not e.unit})
    if nameless:
        remarks.append(
            f"the serial number of {', '.join(nameless[:6])} is not known: evenings are matched by label"
        )
    return remarks
