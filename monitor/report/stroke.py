"""What a study says of the stroke: rows and sentences for terminal and page."""

from typing import Any, NamedTuple

from monitor.analysis.stroke.series import Side
from monitor.study.parts.stroke.results import RiderStroke, ShapeEffect, SideStroke, Stroke
from monitor.study.results import RiderChange, Study
from monitor.text import PAGE, Figures, clock, plain

NAMES: dict[Side, str] = {
    "left": "left", "right": "right", "both": "both legs together", "unknown": "side not reported",
}  # fmt: skip
METHODS = {
    "vector": "torque over the turn",
    "peak phase": "middle of the peak power phase",
    "extreme angle": "angle of greatest torque",
    None: "no angle reported",
}
ZERO = "Angles are degrees of each leg's own crank: 0 is up, 90 is forward, in the direction of pedalling."
LEAST_POINTS = 1.0
"""Effectiveness that changed by less is not worth a word."""
HEAD = (
    "STROKE", "FROM", "TO", "SIDE", "ANGLE FROM", "PEAK °", "SPREAD °", "POWER PHASE °",
    "EFFECTIVENESS %", "SMOOTHNESS %", "STANDING %",
)  # fmt: skip


class StrokeRow(NamedTuple):
    """One side of one instrument over one stretch, as text in the order of `HEAD`."""

    label: str
    start: str
    end: str
    side: str
    method: str
    peak: str
    spread: str
    phase: str
    effectiveness: str
    smoothness: str
    standing: str


def stretches(study: Study, of: str = "state") -> list[Stroke]:
    """The strokes of all states, or of all segments; empty where nobody reports any."""
    return [s for s in study.strokes.stretches if s.of == of] if study.strokes is not None else []


def stroke_rows(study: Study, figures: Figures, of: str = "state") -> list[StrokeRow]:
    """Every side of every instrument over every state (or segment) that is known."""
    rows = []
    for s in stretches(study, of):
        name = s.instrument if of == "state" else f"{plain(s.name, 30)}: {s.instrument}"
        told = [side for side in s.sides if side.peak_deg is not None or side.smoothness_percent is not None]
        for side in told:
            rows.append(_row(s, side, name, figures))
        if not told:
            no = figures.nothing
            start, end = clock(s.from_s), clock(s.to_s)
            rows.append(StrokeRow(name, start, end, no, no, no, no, no, no, no, _standing(s, figures)))
    return rows


def _row(s: Stroke, side: SideStroke, name: str, figures: Figures) -> StrokeRow:
    return StrokeRow(
        name, clock(s.from_s), clock(s.to_s), NAMES[side.side],
        METHODS[s.method] if side.peak_deg is not None else figures.nothing,
        plus_minus(side.peak_deg, side.peak_u95_deg, figures),
        figures.number(side.peak_spread_deg),
        figures.nothing
        if side.phase_start_deg is None or side.phase_end_deg is None
        else f"{side.phase_start_deg:.0f} to {side.phase_end_deg:.0f}",
        plus_minus(side.effectiveness_percent, side.effectiveness_u95_percent, figures),
        plus_minus(side.smoothness_percent, side.smoothness_u95_percent, figures),
        _standing(s, figures),
    )  # fmt: skip


def plus_minus(value: float | None, u95: float | None, figures: Figures) -> str:
    """A value that is no difference, with its uncertainty."""
    if value is None:
        return figures.nothing
    return f"{figures.number(value)} ± {figures.number(u95) if u95 is not None else '?'}"


def _standing(s: Stroke, figures: Figures) -> str:
    if s.seated_s is None or s.standing_s is None or not s.seated_s + s.standing_s:
        return figures.nothing
    return f"{100.0 * s.standing_s / (s.seated_s + s.standing_s):.0f}"


def stroke_words(study: Study, figures: Figures) -> list[str]:
    """Who reports the stroke, whether errors depend on it, and what of the vectors was lost."""
    if study.strokes is None:
        return []
    labels = sorted({s.instrument for s in study.strokes.stretches}, key=list(study.instruments).index)
    lines = []
    if labels and all(study.instruments[label].role == "on-test" for label in labels):
        only = " and ".join(labels)
        lines.append(f"Only {only} reports the stroke, and is itself on test: nothing is concluded from it.")
    lines += [effect_sentence(effect, figures) for effect in study.strokes.effects]
    for v in study.strokes.vectors:
        lost = f"{v.lost_packets} of {v.packets + v.lost_packets} packets with torque vectors lost"
        lines.append(f"{v.instrument}: {lost}, {v.unplaced_packets} without a sure angle.")
    return [plain(line) for line in lines]


def effect_sentence(e: ShapeEffect, figures: Figures) -> str:
    """Whether the deviation of an instrument follows the stroke, with the number."""
    by = {
        "effectiveness": "torque effectiveness",
        "peak angle": "angle of peak torque",
        "standing": "standing",
    }
    what = {
        "depends": f"the deviation depends on {by[e.by]}",
        "does not": f"the deviation does not depend on {by[e.by]}",
        "undecided": f"whether the deviation depends on {by[e.by]} is undecided",
    }[e.verdict]
    change = f"{figures.sure(e.change_percent, e.u95_percent)} %"
    per = "standing" if e.by == "standing" else f"for each {e.unit} more"
    own = " (its own report)" if e.source == e.instrument else f" (by {e.source or 'what was noted'})"
    return f"{e.instrument}: {what}{own}, {change} {per}. Torque and cadence are held equal."


def change_sentence(change: RiderChange, stroke: RiderStroke, figures: Figures) -> str:
    """Whether rider or unit changed, with the stroke on both sides of the change."""
    label, (before, after) = change.instrument, (change.before, change.after)
    spans = f"{clock(before[0])}–{clock(before[1])} against {clock(after[0])}–{clock(after[1])}"
    return f"{label}, {spans}. {_rider_numbers(stroke, change, figures)} {_who(change, stroke, figures)}"


def _rider_numbers(stroke: RiderStroke, change: RiderChange, figures: Figures) -> str:
    """What the trusted instrument says of the rider: one sentence of angle and share, one of the rest."""
    first, then = [], []
    if stroke.peak_before_deg is not None and stroke.peak_after_deg is not None:
        u95 = figures.number(stroke.peak_u95_deg, 0)
        side = f"{stroke.side} " if stroke.side in ("left", "right") else ""
        first.append(f"{side}peak {stroke.peak_before_deg:.0f}° to {stroke.peak_after_deg:.0f}° (± {u95})")
    if stroke.share_before_percent is not None and stroke.share_after_percent is not None:
        shares = f"{stroke.share_before_percent:.1f} to {stroke.share_after_percent:.1f} %"
        whose = "" if stroke.share_source == stroke.source else f" by {stroke.share_source}"
        first.append(f"share {shares} (± {figures.number(change.u95_points)}){whose}")
    points, u95_points = stroke.effectiveness_change_points, stroke.effectiveness_u95_points
    if points is not None and u95_points is not None and abs(points) >= max(LEAST_POINTS, u95_points):
        then.append(f"effectiveness by {figures.sure(points, u95_points)} points")
    if stroke.position_before != stroke.position_after:
        then.append(f"{stroke.position_before or 'unknown'}, then {stroke.position_after or 'unknown'}")
    told = f"By {stroke.source}: {', '.join(first)}." if first else f"By {stroke.source}: no angle."
    return f"{told} Also {', '.join(then)}." if then else told


def _who(change: RiderChange, stroke: RiderStroke, figures: Figures) -> str:
    label = change.instrument
    unit = ""
    if stroke.unit_change_percent is not None:
        what = f"{label}'s {stroke.unit_side}" if stroke.unit_side in ("left", "right") else label
        way = "rose" if stroke.unit_change_percent > 0.0 else "fell"
        by = figures.number(abs(stroke.unit_change_percent))
        unit = f"{what} {way} by {by} % (± {figures.number(stroke.unit_u95_percent)})"
    whose = "" if change.changed in ([], [label]) else f"{' or '.join(change.changed)} did"
    if not stroke.confirmed:
        theirs = ", ".join(f"{name} {figures.number(c, 0, True)}°" for name, (c, _) in stroke.others.items())
        return f"Others saw another change of angle ({theirs}), so the angles decide nothing."
    if change.verdict == "unit":
        return f"The rider did not change; {whose or unit or f'{label} did'}."
    if change.verdict == "rider":
        return f"The rider changed, {label}'s deviation did not."
    if change.verdict == "both":
        return (
            f"The rider changed, and {whose or unit or f'{label} did too'}: its error may follow the stroke."
        )
    return "Rider or unit: undecided."


def context_words(study: Study) -> dict[str, Any]:
    """All words and rows that the template needs."""
    return {
        "zero": ZERO,
        "words": stroke_words(study, PAGE),
        "rows": stroke_rows(study, PAGE),
        "segment_rows": stroke_rows(study, PAGE, "segment"),
    }
