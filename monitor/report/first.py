"""The first screen of the page: for each unit on test one sentence, four tiles, one chart."""

from typing import Any

from monitor.report.drawing.overview import overview
from monitor.report.drawing.svg import Markup, swatch
from monitor.report.material import Material
from monitor.report.states import act_name, exchanged, judged_states, now_reads
from monitor.report.words import ANSWERS, WORDS, fact
from monitor.study.results import ActJudged, InstrumentStudy, SideResult, State
from monitor.text import PAGE, change_by, clock, minus, plain

IDENTITY = (("model", "model"), ("model_number", "model"), ("serial", "serial"), ("firmware", "firmware"))


def on_test(given: Material) -> list[dict[str, Any]]:
    """What the first screen says of each unit on test: one sentence, four tiles, one chart.

    The tiles: does it read true, which side and when, what cured it, would it serve as a reference.
    """
    found = []
    for label in given.labels:
        i = given.study.instruments[label]
        if i.role != "on-test":
            continue
        found.append(
            {
                "label": label,
                "swatch": Markup(swatch(given.looks[label])),
                "identity": identity(i),
                "condition": condition(i),
                "tiles": [_true(i), _side(given, label, i), _cure(given, label), _serves(i)],
                "mark": _true(i)["answer"],
                "sentence": sentence(given, label, i),
                "chart": overview(given, label),
            }
        )
    return found


def identity(i: InstrumentStudy) -> str:
    """Name, model, serial number and firmware, as far as the radio gave them."""
    parts = [plain(i.reported["name"], 40)] if i.reported.get("name") else []
    parts += [f"{word} {plain(i.reported[key], 40)}" for key, word in IDENTITY if i.reported.get(key)]
    return ", ".join(parts) or "no name, model or serial number received"


def condition(i: InstrumentStudy) -> str:
    """Crank length in the device and on the bike, when it was zeroed, its temperature, the tester's note."""
    parts = []
    if own := i.reported.get("crank_length_mm"):
        parts.append(f"{fact('crank_length_mm', own)} set")
    if i.crank_length_mm is not None:
        parts.append(f"crank length {i.crank_length_mm:g} mm mounted")
    parts.append(f"zeroed {plain('; '.join(i.zeroed), 80)}" if i.zeroed else "not zeroed in the session")
    if celsius := i.reported.get("temperature_c"):
        parts.append(f"{plain(celsius, 12)} °C")
    if i.notes:
        parts.append(plain(i.notes, 80))
    return " · ".join(parts)


def _deviation(s: State) -> str:
    return f"{PAGE.sure(*now_reads(s))} %"


def _tile(question: str, verdict: str, answer: str, more: str = "") -> dict[str, str]:
    return {"question": question, "verdict": verdict, "answer": answer, "more": minus(more)}


def _true(i: InstrumentStudy) -> dict[str, str]:
    states = judged_states(i.states)
    if not states:
        return _tile("Reads true?", i.verdict, WORDS[i.verdict])
    found, left = states[0], states[-1]
    verdict = i.as_left or left.verdict
    more = f"as left {_deviation(left)}, limit {PAGE.number(left.limit_percent)} %"
    if left.apart is not None:
        more = f"with the others; {left.apart} stands apart, {_deviation(left)} against it"
    elif found is not left:
        more += f"; as found {_deviation(found)}: {_as_found(i, found)}"
    return _tile("Reads true?", verdict, WORDS[verdict], more)


def _as_found(i: InstrumentStudy, found: State) -> str:
    """Its verdict: who is to blame is asked of all instruments, but a state that agrees is never blamed."""
    return found.verdict if found.verdict == "agrees" else i.as_found or found.verdict


def _off_side(i: InstrumentStudy) -> SideResult | None:
    """The side that differs most; None if none does, if both do alike, or if the other one stands apart."""
    off = [r for r in i.by_side if r.verdict == "differs"]
    if len({r.deviation_percent > 0.0 for r in off}) < len(off):
        return None
    off = [r for r in off if not any(s.apart == r.reference and _holds(s, r) for s in i.states)]
    return max(off, key=lambda r: abs(r.deviation_percent)) if off else None


def _holds(s: State, r: SideResult) -> bool:
    """Whether what is said of a side is of this state."""
    return s.from_s <= 0.5 * (r.start_s + r.end_s) <= s.to_s


def _span(s: State) -> str:
    """From when to when, and what ended it."""
    return f"from {clock(s.from_s)} to {clock(s.to_s)}"


def _side(given: Material, label: str, i: InstrumentStudy) -> dict[str, str]:
    question = "Which side, since when?"
    if exchanged(i):
        return _tile(question, "differs", "Exchanged", "left is reported as right")
    wrong = [s for s in judged_states(i.states) if s.verdict == "differs" and s.apart is None]
    if (off := _off_side(i)) is not None:
        inside = [s for s in wrong if _holds(s, off)]
        percent, u95 = _of_side(inside[0], off.side) if inside else (None, None)
        if percent is None or u95 is None:
            percent, u95 = off.deviation_percent, off.u95_percent
        by = PAGE.sure(percent, u95)
        when = _span(inside[0]) if inside else f"from {clock(off.start_s)} to {clock(off.end_s)}"
        return _tile(
            question, "differs", f"{off.side.capitalize()} {by} %", f"{when}, against {off.reference}"
        )
    if wrong:
        return _tile(question, "differs", "No single side", ", ".join(_span(s) for s in wrong))
    if moved := [s for s in given.study.shifts if s.instrument == label and s.sure]:
        worst = max(moved, key=lambda s: abs(s.delta_percent))
        side = "" if worst.side == "total" else f"{worst.side.capitalize()} side "
        many = f", the largest of {len(moved)} changes" if len(moved) > 1 else ""
        by = f"by {PAGE.number(worst.delta_percent, 1, True)} %"
        if worst.delta_percent > 100.0:
            by = change_by(worst.delta_percent)
        return _tile(
            question, "undecided", f"{side}changed {by}".capitalize(), f"at {clock(worst.t_s)}{many}"
        )
    sound = [r for r in i.by_side if not any(s.apart == r.reference and _holds(s, r) for s in i.states)]
    both = i.by_side and all(r.verdict == "agrees" for r in sound)
    return _tile(question, "none", "Neither side" if both else "Nothing found")


def _helped(given: Material, label: str) -> ActJudged | None:
    """The last act that cured it or made it better."""
    acts = [a for a in given.study.acts_judged if a.instrument == label and a.effect in ("cured", "better")]
    return acts[-1] if acts else None


def _cure(given: Material, label: str) -> dict[str, str]:
    question = "What cured it?"
    if (act := _helped(given, label)) is not None:
        name = act_name(act)
        return _tile(
            question, "agrees" if act.effect == "cured" else "undecided",
            f"{name[:1].upper()}{name[1:]} at {clock(act.t_s)}",
            f"changed it by {PAGE.sure(act.change_percent, act.u95_percent)} %: {act.effect}",
        )  # fmt: skip
    acts = [a for a in given.study.acts_judged if a.instrument == label]
    return _tile(question, "none", "No act that was judged" if acts else "No act was judged")


def _serves(i: InstrumentStudy) -> dict[str, str]:
    verdict = {"yes": "agrees", "no": "differs"}.get(i.serves_as_reference, "undecided")
    reason = plain(i.why.split(". ")[0].removesuffix("."), 90)
    return _tile("Use as a reference?", verdict, ANSWERS[i.serves_as_reference], reason)


def sentence(given: Material, label: str, i: InstrumentStudy) -> str:
    """The answer in one sentence of under 25 words."""
    states = judged_states(i.states)
    if i.work_kj is None:
        return minus(plain(i.sentence))
    if not states:
        words = {
            "agrees": f"{label} agrees with {given.reference}{_but(i)}.",
            "differs": f"{label} differs from {given.reference} in at least one segment{_but(i)}.",
            "undecided": f"Whether {label} agrees with {given.reference} is undecided{_but(i)}.",
            "reference": f"{label} is what the others are compared with.",
        }
        return words.get(i.verdict, f"{label} has no power to compare.")
    left = states[-1]
    verdict = i.as_left or left.verdict
    if left.apart is not None:
        by = _deviation(left)
        return minus(
            f"{label} agrees with the others; {left.apart} stands apart, so that it reads {by} against it."
        )
    text = {
        "agrees": f"{label} agrees with {given.reference} as left ({_deviation(left)})",
        "differs": f"{label} differs from {given.reference} as left ({_deviation(left)})",
        "undecided": f"{label} as left is undecided ({_deviation(left)})",
    }[verdict]
    before = [s for s in states[:-1] if s.verdict == "differs" and s.apart is None]
    if before:
        worst = max(before, key=lambda s: abs(s.deviation_percent or 0.0))
        text += f", after {PAGE.number(worst.deviation_percent, 1, True)} % {_span(worst)}"
        text += _worst_side(i, worst)
        if (act := _helped(given, label)) is not None and act.effect == "cured":
            text += f"; {act_name(act)} cured it"
    return minus(f"{text}.")


def _worst_side(i: InstrumentStudy, s: State) -> str:
    """The side that made it so, in brackets."""
    off = _off_side(i)
    percent = None if off is None else _of_side(s, off.side)[0]
    return "" if off is None or percent is None else f" ({off.side} side {PAGE.number(percent, 1, True)} %)"


def _of_side(s: State, side: str) -> tuple[float | None, float | None]:
    """A side's deviation in a state, and its 95 %."""
    return (s.left_percent, s.left_u95_percent) if side == "left" else (s.right_percent, s.right_u95_percent)


def _but(i: InstrumentStudy) -> str:
    """The side that differs, if one does."""
    if (worst := _off_side(i)) is None:
        return ""
    return f"; its {worst.side} side differs by {PAGE.sure(worst.deviation_percent, worst.u95_percent)} %"
