"""What the page says in sentences: verdicts, bench, method, captions of the traces, the list of events."""

import contextlib
from typing import Any

from monitor.report.drawing.svg import Markup, swatch
from monitor.report.material import Material
from monitor.report.states import by_role
from monitor.text import PAGE, as_sentences, minus, plain

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
    "not told": "load not recorded",
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
                "sentence": minus(plain(as_sentences(i.sentence, given.order))),
                "cause": i.cause,
                "cause_text": plain(as_sentences(i.cause_text, given.order)),
                "answer": ANSWERS[i.serves_as_reference],
                "why": minus(plain(as_sentences(i.why, given.order))),
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
                "claim": f"± {i.claim_percent:g} %" if i.claim_percent is not None else "not stated",
                "crank": f"{i.crank_length_mm:g} mm" if i.crank_length_mm is not None else NOTHING,
                "told": reported or "nothing",
                "zeroed": plain("; ".join(i.zeroed)) or "not during the session",
                "notes": plain(i.notes, 200) or NOTHING,
            }
        )
    return result


def judged(given: Material) -> list[tuple[str, list[str]]]:
    """How the comparison was made: paragraphs, each with a list that belongs to it."""
    grid, study = given.grid, given.study
    losses = [
        f"{label} {loss.watts:g} W and {loss.percent:g} %"
        for label, loss in zip(grid.labels, grid.losses, strict=True)
        if (loss.watts or loss.percent) and (label in given.labels or label == study.reference)
    ]
    lags = [
        f"{label} {sure(i.lag_s, i.lag_u95_s, 2)} s"
        for label in given.labels
        if (i := study.instruments[label]).lag_s is not None
    ]
    text: list[tuple[str, list[str]]] = [
        (
            f"Every instrument was compared with {given.reference}. Power was not sampled but added up: each "
            "instrument’s work over the same seconds, divided by the time. Seconds in which one of the two "
            "was not heard are left out.",
            [],
        ),
        (
            "The first seconds after each change of load are left out, because instruments average "
            "differently. The table says how many.",
            [],
        ),
    ]
    if losses:
        text.append(
            (
                "Deviations are what is left after the drivetrain losses that the bench states. A fifth of "
                "a loss counts as uncertain. Between crank and hub:",
                losses,
            )
        )
    if lags:
        text.append(("Differences in timing were found and taken out:", lags))
    text.append(
        (
            "The limit comes from both claims (root sum of squares) unless the bench sets one. It is never "
            f"finer than {grid.bench.limits.floor_w:g} W.",
            [f"{label} {number(given.limit(label))} %" for label in given.compared],
        )
    )
    text.append(
        (
            "“Agrees”: the deviation with all its uncertainty (95 %) lies inside the limit. “Differs”: it "
            "lies outside. Everything between is “can’t tell yet”. Uncertainty comes from the scatter of "
            "blocks of ten seconds, from the loss, and from changes of load at the ends of a segment.",
            [],
        )
    )
    if any(d.excluded_s for s in study.segments for d in s.differences):
        text.append(
            (
                "Seconds with no power, a value that stands still, or a spike do not count as a deviation. "
                "They are listed as findings.",
                [],
            )
        )
    if any(s.found for s in study.segments):
        text.append(("The protocol was not recorded: the segments were found in the data.", []))
    return [(minus(line), [minus(entry) for entry in entries]) for line, entries in text]


MOST_NAMED = 4
"""A caption with the numbers of more instruments can't be read; they stand in the tables."""


def trace_captions(given: Material) -> list[tuple[str, str, str]]:
    """Element, heading and caption of each trace; the page adds over how long the means are."""
    band = ", ".join(f"{label} ± {number(given.limit(label))} %" for label in given.compared)
    power = (
        "As each instrument shows it. Grey stripes are segments. Signs at the foot: squares are acts, "
        "triangles findings, diamonds changes."
    )
    few = f" ({band})" if len(given.compared) <= MOST_NAMED else ""
    deviation = f"From {given.reference}, after the expected loss. Bands: limits{few}."
    sides = [
        f"{label} against {given.grid.labels[side]}"
        for label in given.compared
        if (side := given.grid.side_references.get(given.order[label])) is not None
    ]
    named = f": {', '.join(sides)}" if len(sides) <= MOST_NAMED else ""
    return [
        ("trace-power", "Power", power),
        ("trace-difference", "Deviation", deviation if band else "Nothing to compare with."),
        (
            "trace-sides",
            "Deviation of each side",
            f"Left (L) and right (R){named}. The right side is the thin, dashed line.",
        ),
        ("trace-left", "Left side", "Power of the left side, as each instrument shows it."),
        ("trace-right", "Right side", "Power of the right side, as each instrument shows it."),
        ("trace-cadence", "Cadence", "As each instrument shows it."),
    ]
