"""Many evenings as lines for a terminal."""

from collections.abc import Sequence

from monitor.report.lines.fit import Row, fitted
from monitor.report.terminal import WORDS
from monitor.study.evenings.evening import Evening, Value
from monitor.study.evenings.groups import Group, SideBySide
from monitor.study.evenings.references import Pair, References
from monitor.text import TERMINAL, plain

number, sure, NOTHING = TERMINAL.number, TERMINAL.sure, TERMINAL.nothing
QUANTITIES = ("TOTAL %", "LEFT %", "RIGHT %", "HELD %", "FREE %", "LOW RPM %", "HIGH RPM %")


def value(v: Value) -> str:
    """A deviation as a cell."""
    return sure(v.percent, v.u95_percent, 1) if v.percent is not None else NOTHING


def _values(e: Evening | Group) -> tuple[str, ...]:
    return tuple(value(v) for v in (e.total, e.left, e.right, e.held, e.free, e.low_cadence, e.high_cadence))


def evening_lines(found: SideBySide, width: int | None = None) -> list[str]:
    """The first sentence, every evening, the groups and how they differ."""
    lines = [found.sentence, ""]
    rows: list[Row] = [
        ("EVENING", "INSTRUMENT", "UNIT", "FIRMWARE", "AGAINST", "VERDICT", *QUANTITIES, "LIMIT %")
    ]
    rows += [
        (e.date, e.instrument, " ".join(w for w in (e.model, e.unit) if w) or NOTHING, e.firmware or NOTHING,
         f"{e.reference} {e.reference_unit}".strip() or NOTHING, WORDS[e.verdict] if e.verdict else NOTHING,
         *_values(e), number(e.limit_percent, 1))
        for e in found.evenings
    ]  # fmt: skip
    drop = ("FIRMWARE", "AGAINST", "LOW RPM %", "HIGH RPM %", "HELD %", "FREE %", "LIMIT %")
    if len(rows) > 1:
        lines += fitted(rows, 8, width, drop)
    lines += ["", *_groups(found, width)]
    if found.between:
        words = {True: "beyond chance", False: "no difference beyond chance", None: "too few evenings to say"}
        lines += ["", "BETWEEN GROUPS"]
        lines += [
            f"{b.quantity}: {b.second} against {b.first}: "
            f"{sure(b.difference_percent, b.u95_percent, 2)} points, {words[b.beyond_chance]}"
            for b in found.between
        ]
    lines += [f"note: {remark}" for remark in found.remarks]
    return [plain(line) for line in lines]


def _groups(found: SideBySide, width: int | None) -> list[str]:
    rows: list[Row] = [
        (f"BY {found.by.upper()}", "UNITS", "FROM", "TO", *QUANTITIES, "AGREE", "DIFFER", "OPEN",
         "REPEATABILITY %", "BETWEEN UNITS %", "REPRODUCIBILITY %")
    ]  # fmt: skip
    rows += [
        (g.name, str(max(1, len(g.units))), g.first, g.last, *_values(g), str(g.agrees), str(g.differs),
         str(g.undecided), number(g.spread.repeatability_percent, 2),
         number(g.spread.between_units_percent, 2), number(g.spread.reproducibility_percent, 2))
        for g in found.groups
    ]  # fmt: skip
    drop = ("UNITS", "LOW RPM %", "HIGH RPM %", "HELD %", "FREE %", "FROM")
    return fitted(rows, 13, width, drop) if len(rows) > 1 else []


def reference_lines(found: References, width: int | None = None) -> list[str]:
    """Each pair of trusted instruments with its limits, and what is known of each instrument."""
    lines = [found.line or "Nothing says that the references have changed.", ""]
    rows: list[Row] = [
        ("PAIR", "EVENINGS", "FROM", "TO", "FIRST %", "SIGMA %", "LIMITS %", "LATEST %", "AVERAGE %")
    ]
    for p in found.pairs:
        rows.append(_pair(p))
    if len(rows) > 1:
        lines += fitted(rows, 5, width, ("SIGMA %", "FIRST %", "FROM"))
    else:
        lines.append("No two trusted instruments were ridden together.")
    others = [p.text for p in found.pairs if p.text != found.line]
    lines += [*([""] if others else []), *others, "", *_instruments(found, width)]
    return [plain(line) for line in lines]


def _pair(p: Pair) -> Row:
    c = p.chart
    name = f"{p.first.words} / {p.second.words}"
    ends = (str(len(p.points)), p.points[0].utc[:10] or p.points[0].session, p.points[-1].utc[:10])
    latest = number(p.points[-1].percent, 2, True)
    if c is None:
        return (name, *ends, NOTHING, NOTHING, NOTHING, latest, NOTHING)
    limits = f"{number(c.low, 2, True)} to {number(c.high, 2, True)}"
    return (
        name,
        *ends,
        number(c.centre, 2, True),
        number(c.sigma, 2),
        limits,
        latest,
        number(c.ewma[-1], 2, True),
    )


def _instruments(found: References, width: int | None) -> Sequence[str]:
    rows: list[Row] = [("TRUSTED", "LAST ZERO OFFSET", "ZERO OFFSETS", "BATTERY %", "LAST WEIGHTS", "DAYS")]
    rows += [
        (h.who.words, h.zeros[-1][1] if h.zeros else NOTHING, str(len(h.zeros)),
         number(h.batteries[-1][1], 0) if h.batteries else NOTHING, h.weighed or NOTHING,
         str(h.days_since_weights) if h.days_since_weights is not None else NOTHING)
        for h in found.instruments
    ]  # fmt: skip
    return fitted(rows, 1, width, ("ZERO OFFSETS",)) if len(rows) > 1 else []
