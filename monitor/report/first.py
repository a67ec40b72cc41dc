"""The first screen of the page: for each unit on test four tiles, one sentence, one chart."""

from typing import Any

import numpy as np

from monitor.report.charts import Markup, Plot, padded, swatch
from monitor.report.material import Material
from monitor.report.series import rolling
from monitor.report.states import act_name, judged_states
from monitor.report.words import ANSWERS, WORDS
from monitor.study.results import InstrumentStudy, State
from monitor.text import PAGE, clock, minus, plain

MOST_POINTS = 420
"""One a unit of the picture's width."""
TICKS_S = (30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 14400, 43200)
IDENTITY = (("model", "model"), ("model_number", "model"), ("serial", "serial"), ("firmware", "firmware"))


def on_test(given: Material) -> list[dict[str, Any]]:
    """What the first screen says of each unit on test."""
    return [
        {
            "label": label,
            "swatch": Markup(swatch(given.order[label])),
            "identity": identity(i),
            "tiles": tiles(given, label, i),
            "sentence": sentence(given, label, i),
            "chart": chart(given, label),
        }
        for label, i in given.study.instruments.items()
        if i.role == "on-test"
    ]


def identity(i: InstrumentStudy) -> str:
    """Name, model, serial number and firmware, as far as the radio gave them."""
    parts = [plain(i.reported["name"], 40)] if i.reported.get("name") else []
    parts += [f"{word} {plain(i.reported[key], 40)}" for key, word in IDENTITY if i.reported.get(key)]
    return ", ".join(parts) or "no name, model or serial number received"


def tiles(given: Material, label: str, i: InstrumentStudy) -> list[dict[str, str]]:
    """Does it read true, which side and when, what cured it, would it serve as a reference."""
    return [_true(i), _side(i), _cure(given, label), {
        "question": "Use as a reference", "verdict": _as_verdict(i.serves_as_reference),
        "answer": ANSWERS[i.serves_as_reference], "more": "",
    }]  # fmt: skip


def _as_verdict(answer: str) -> str:
    return {"yes": "agrees", "no": "differs"}.get(answer, "undecided")


def _deviation(s: State) -> str:
    return f"{PAGE.sure(s.deviation_percent, s.u95_percent)} %"


def _true(i: InstrumentStudy) -> dict[str, str]:
    states = judged_states(i.states)
    if not states:
        return {"question": "Reads true?", "verdict": i.verdict, "answer": WORDS[i.verdict], "more": ""}
    found, left = states[0], states[-1]
    more = f"as left {_deviation(left)}"
    if found is not left:
        more += f"; as found {_deviation(found)}, {found.verdict}"
    return {"question": "Reads true?", "verdict": left.verdict, "answer": WORDS[left.verdict], "more": more}


def _side(i: InstrumentStudy) -> dict[str, str]:
    off = [r for r in i.by_side if r.verdict == "differs"]
    wrong = [s for s in judged_states(i.states) if s.verdict == "differs"]
    if off:
        worst = max(off, key=lambda r: abs(r.deviation_percent))
        by = PAGE.sure(worst.deviation_percent, worst.u95_percent)
        return {
            "question": "Which side, when?", "verdict": "differs",
            "answer": f"{worst.side.capitalize()} {by} %",
            "more": f"{clock(worst.start_s)} to {clock(worst.end_s)}, against {worst.reference}",
        }  # fmt: skip
    if wrong:
        spans = ", ".join(f"{clock(s.from_s)} to {clock(s.to_s)}" for s in wrong)
        return {
            "question": "Which side, when?", "verdict": "differs", "answer": "No single side", "more": spans,
        }  # fmt: skip
    answer = (
        "Neither side" if i.by_side and all(r.verdict == "agrees" for r in i.by_side) else "Nothing found"
    )
    return {"question": "Which side, when?", "verdict": "none", "answer": answer, "more": ""}


def _cure(given: Material, label: str) -> dict[str, str]:
    acts = [a for a in given.study.acts_judged if a.instrument == label]
    helped = [a for a in acts if a.effect in ("cured", "better")]
    question = "What cured it?"
    if helped:
        act = helped[-1]
        by = f"changed it by {PAGE.sure(act.change_percent, act.u95_percent)} %"
        name = act_name(act)
        return {
            "question": question, "verdict": "agrees" if act.effect == "cured" else "undecided",
            "answer": f"{name[:1].upper()}{name[1:]} at {clock(act.t_s)}", "more": f"{by}: {act.effect}",
        }  # fmt: skip
    answer = "No act that was judged" if acts else "No act was judged"
    return {"question": question, "verdict": "none", "answer": answer, "more": ""}


def sentence(given: Material, label: str, i: InstrumentStudy) -> str:
    """The answer in one sentence of under 25 words."""
    states = judged_states(i.states)
    if not states:
        words = {
            "agrees": f"{label} agrees with {given.reference}{_but(i)}.",
            "differs": f"{label} differs from {given.reference} in at least one segment{_but(i)}.",
            "undecided": f"Whether {label} agrees with {given.reference} is undecided{_but(i)}.",
            "reference": f"{label} is what the others are compared with.",
        }
        return words.get(i.verdict, f"{label} has no power to compare.")
    found, left = states[0], states[-1]
    ends = {
        "agrees": f"{label} agrees with {given.reference} as left ({_deviation(left)})",
        "differs": f"{label} differs from {given.reference} as left ({_deviation(left)})",
        "undecided": f"{label} as left is undecided ({_deviation(left)})",
    }
    text = ends[left.verdict]
    if found is not left:
        text += f"; as found: {_deviation(found)}, {found.verdict}"
    return minus(f"{text}.")


def _but(i: InstrumentStudy) -> str:
    """The side that differs, if one does."""
    off = [r for r in i.by_side if r.verdict == "differs"]
    if not off:
        return ""
    worst = max(off, key=lambda r: abs(r.deviation_percent))
    return f"; its {worst.side} side differs by {PAGE.sure(worst.deviation_percent, worst.u95_percent)} %"


def chart(given: Material, label: str) -> dict[str, Any] | None:
    """Deviation over time: total and both sides, band, segments, acts as flags."""
    grid, k = given.grid, given.order[label]
    if label not in given.compared or not grid.seconds:
        return None
    pair = grid.compared(k)
    total = rolling(pair.own_w, pair.reference_w)
    side = grid.side_references.get(k)
    sides = []
    if side is not None and grid.instruments[k].sides == "both" and grid.instruments[side].sides == "both":
        left = rolling(grid.left_w[:, k], grid.left_w[:, side])
        right = rolling(grid.power_w[:, k] - grid.left_w[:, k], grid.power_w[:, side] - grid.left_w[:, side])
        sides = [("L", left), ("R", right)]
    values = np.concatenate([total, *(v for _, v in sides)])
    values = values[np.isfinite(values)]
    if not len(values):
        return None
    limit = given.limit(label)
    # A spike must not flatten everything else.
    low, high = np.percentile(values, [1.0, 99.0]).tolist()
    y = padded([low, high, -1.5 * limit, 1.5 * limit], 2.0)
    plot = Plot(
        f"{label}: deviation over the session",
        f"limit {limit:.1f} percent, {len(given.study.segments)} segments",
        (0.0, float(grid.seconds)), y, "time in the session", "deviation %", 230.0, x_ticks=False,
    )  # fmt: skip
    for n, s in enumerate(given.study.segments):
        if n % 2 == 0:
            plot.box(s.start_s, s.end_s, *y, "stripe")
    plot.band(-limit, limit)
    plot.rule(0.0)
    step = max(1, grid.seconds // MOST_POINTS)

    def points(of: Any) -> list[tuple[float, float]]:
        return [(float(t), min(max(float(of[t]), y[0]), y[1])) for t in range(0, grid.seconds, step)]

    for name, of in sides:
        plot.thin(points(of), name)
    plot.line(points(total), k)
    for act in grid.recording.acts:
        if act.act != "segment":
            words = f"{act.instrument} {act.act} {act.text}".strip()
            plot.flag(act.t_ns / 1e9, f"{clock(act.t_ns / 1e9)} {plain(words, 80)}")
    every = next((t for t in TICKS_S if grid.seconds / t <= 6), TICKS_S[-1])
    for t in range(0, grid.seconds - every // 4, every):
        plot.column_text(float(t), clock(t))
    against = f", L and R: its sides against {grid.labels[side]}" if sides and side is not None else ""
    caption = (
        f"{label} against {grid.reference_label(k)} over thirty seconds{against}. "
        "Band: tolerance. Stripes: segments. Flags: acts."
    )
    return {"svg": Markup(plot.svg()), "caption": caption}
