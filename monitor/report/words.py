"""What the page says in sentences: verdicts, bench, method, captions of the traces, the list of events."""

import contextlib
import re
from collections.abc import Collection
from typing import Any

from monitor.report.drawing.svg import Markup, swatch
from monitor.report.material import Material
from monitor.report.states import by_role
from monitor.text import PAGE, minus, plain

number, sure, NOTHING = PAGE.number, PAGE.sure, PAGE.nothing
WORDS = {
    "agrees": "✓ agrees",
    "differs": "✗ differs",
    "undecided": "? can’t tell yet",
    "reference": "● the reference",
    "none": "– no power to judge",
}
ANSWERED = ("agrees", "differs", "undecided")
ANSWERS = {"yes": "Yes", "no": "No", "undecided": "Can’t tell yet"}
POINTS = {"good": "✓", "bad": "✗", "open": "?"}
LOADS = {
    "held": "held by the trainer",
    "grade": "simulated grade",
    "resistance": "fixed resistance",
    "target": "at a target",
    "free": "free",
    "sprint": "sprint",
    "not told": "not told",
}


UNITS = {"mm": "mm", "v": "V", "percent": "%"}
"""By the last part of a fact's name."""


def fact(name: str, value: str) -> str:
    """What an instrument reported of itself, the unit behind the number: `crank length 172.5 mm`."""
    words, _, last = plain(name, 40).rpartition("_")
    unit, value = UNITS.get(last) if words else None, plain(value, 40)
    if unit is not None:
        with contextlib.suppress(ValueError):
            value = f"{float(value):.4g}"
    text = f"{words} {value} {unit}" if unit else f"{words}_{last} {value}"
    return text.replace("_", " ").strip()


def apart(text: str, labels: Collection[str]) -> str:
    """A text whose thoughts stand apart by semicolons, as sentences. A label keeps its small letter."""
    parts = [part for part in re.split(r";\s+(?![^(]*\))", text.strip().rstrip(".")) if part]
    return " ".join(
        f"{part if part.split(' ', 1)[0].strip(':,') in labels else part[:1].upper() + part[1:]}."
        for part in parts
    )


def cards(given: Material) -> list[dict[str, Any]]:
    """The verdict on each instrument."""
    result = []
    for label in by_role(given.study):
        i = given.study.instruments[label]
        # The headline is how a unit was left; what was before stands in the sentence.
        verdict = i.as_left if i.as_left is not None and i.verdict in ANSWERED else i.verdict
        result.append(
            {
                "label": label,
                "swatch": Markup(swatch(given.looks[label])),
                "role": i.role,
                "mount": i.mount,
                "verdict": verdict,
                "word": WORDS[verdict] + (" as left" if verdict != i.verdict else ""),
                "sentence": minus(plain(apart(i.sentence, given.order))),
                "cause": i.cause,
                "cause_text": plain(apart(i.cause_text, given.order)),
                "answer": ANSWERS[i.serves_as_reference],
                "why": minus(plain(apart(i.why, given.order))),
                "reasons": [
                    {"point": r.point, "word": POINTS[r.point], "text": minus(plain(r.text))}
                    for r in i.reasons
                ],
            }
        )
    return result


def bench_rows(given: Material) -> list[dict[str, str]]:
    """What was on the bench, as the tester and the radio describe it."""
    result = []
    for label in given.labels:
        i = given.study.instruments[label]
        reported = ", ".join(fact(k, v) for k, v in i.reported.items())
        result.append(
            {
                "label": label,
                "role": i.role,
                "mount": i.mount,
                "sides": i.sides,
                "claim": f"± {i.claim_percent:g} %" if i.claim_percent is not None else "not told",
                "crank": f"{i.crank_length_mm:g} mm" if i.crank_length_mm is not None else NOTHING,
                "told": reported or "nothing",
                "zeroed": plain("; ".join(i.zeroed)) or "not during the session",
                "notes": plain(i.notes, 200) or NOTHING,
            }
        )
    return result


def judged(given: Material) -> list[str]:
    """How the comparison was made, a paragraph each."""
    grid, study = given.grid, given.study
    losses = [
        f"{label}: {loss.watts:g} W and {loss.percent:g} % between crank and hub"
        for label, loss in zip(grid.labels, grid.losses, strict=True)
        if (loss.watts or loss.percent) and (label in given.labels or label == study.reference)
    ]
    lags = [
        f"{label} {sure(i.lag_s, i.lag_u95_s, 2)} s"
        for label, i in study.instruments.items()
        if i.lag_s is not None
    ]
    text = [
        f"Every instrument was compared with {given.reference}. Power was not sampled but added up: each "
        "instrument’s work over the same seconds, divided by the time. Where an instrument was not "
        "heard, those seconds count for nobody.",
        "The first seconds after each change of load are left out (they stand in the table), because "
        "instruments average differently.",
    ]
    if losses:
        text.append(
            f"The bench states these losses: {'; '.join(losses)}. Deviations are what is left after "
            "them; a fifth of the loss counts as uncertain."
        )
    if lags:
        text.append(f"Differences in timing were found and taken out: {', '.join(lags)}.")
    limits = [f"{label} {number(given.limit(label))} %" for label in given.compared]
    text.append(
        "The limit comes from both claims (root sum of squares) unless the bench sets one, and is never "
        f"finer than {grid.bench.limits.floor_w:g} W" + (f": {', '.join(limits)}." if limits else ".")
    )
    text.append(
        "“Agrees” means that the deviation and its whole uncertainty (95 %) lie inside the limit, "
        "“differs” that they lie outside it; everything between is “can’t tell yet”. Uncertainty "
        "comes from the scatter of blocks of ten seconds, from the loss, and from what changing "
        "load at the ends of a segment can do."
    )
    faults = sum(d.excluded_s for s in study.segments for d in s.differences)
    if faults:
        text.append(
            "Seconds in which an instrument showed no power, a standing value or a spike are told for "
            "themselves and do not count as a deviation."
        )
    if any(s.found for s in study.segments):
        text.append("Nobody divided this session: its segments were found in the data.")
    return [minus(t) for t in text]


def trace_captions(given: Material) -> list[tuple[str, str, str]]:
    """Element, heading and caption of each trace; the page adds over how long the means are."""
    means = ", ".join(f"{label} {number(given.mean(label), 0)} W" for label in given.powered)
    band = ", ".join(f"{label} ± {number(given.limit(label))} %" for label in given.compared)
    power = (
        f"As each instrument shows it. Means of the ride: {means}. Grey stripes are segments. "
        "Signs at the foot: squares are acts, triangles findings, diamonds changes."
    )
    deviation = f"From {given.reference}, after the expected loss. Bands: limits ({band})."
    sides = [
        f"{label} against {given.grid.labels[side]}"
        for label in given.compared
        if (side := given.grid.side_references.get(given.order[label])) is not None
    ]
    return [
        ("trace-power", "Power", power),
        ("trace-difference", "Deviation", deviation if band else "Nothing to compare with."),
        (
            "trace-sides",
            "Deviation of each side",
            f"Left (L) and right (R): {', '.join(sides)}. The right side is the thin, dashed line.",
        ),
        ("trace-left", "Left side", "Power of the left side, as each instrument shows it."),
        ("trace-right", "Right side", "Power of the right side, as each instrument shows it."),
        ("trace-cadence", "Cadence", "As each instrument shows it."),
    ]
