"""The verdict in a few lines: what stands after a ride, and `study --summary`."""

from monitor.report.states import exchanged, judged_states, now_reads
from monitor.study.results import InstrumentStudy, State, Study
from monitor.text import TERMINAL, clock, plain

MOST_LINES = 12
VERDICT_LINES = 3
MOST_UNITS = 5
LONGEST = 160
"""A line is cut here, whatever the terminal."""
WORDS = {
    "agrees": "agrees",
    "differs": "DIFFERS",
    "undecided": "undecided",
    "reference": "reference",
    "none": "no power to judge",
}
ORDER = {"differs": 0, "undecided": 1, "agrees": 2}
ANSWERS = {"yes": "yes", "no": "no", "undecided": "can't tell yet"}


def summary_lines(study: Study, width: int | None = None, left: str = "") -> list[str]:
    """At most twelve lines of one terminal line each, the verdict first.

    `left`: how long it is until the unit is handed back.
    """
    units = ordered(study)
    lines = [_head(study)]
    if study.judged_under is not None:
        lines.append(under_line(study))
    lines += [unit_line(study, label) for label in units[:MOST_UNITS]]
    if len(units) > MOST_UNITS:
        rest = units[MOST_UNITS:]
        lines.append(f"{len(rest)} more: {', '.join(f'{label} {_word(study, label)}' for label in rest)}")
    lines += [text for label in units[:1] if (text := history_line(study, label))]
    lines.append(reference_line(study))
    if study.cadence_advice:
        lines.append(f"cadence: {study.cadence_advice}")
    tasks = study.tasks
    if tasks is not None and tasks.hand_back:
        ride = f", {clock(tasks.seconds)} of riding settles what is open" if tasks.blocks else ""
        lines.append(
            f"hand-back at {tasks.hand_back}{f', {left}' if left else ''}: {len(tasks.cure)} to cure{ride}"
        )
    lines += [f"open: {o.instrument + ': ' if o.instrument else ''}{o.question}: {o.ride}"
              for o in study.open[:2]]  # fmt: skip
    limit = min(width or LONGEST, LONGEST)
    return [plain(line, limit) for line in lines if line][:MOST_LINES]


def verdict_lines(study: Study, width: int | None = None) -> list[str]:
    """Three lines at the end of a ride: the worst unit on test, what happened to it, what to do with it."""
    every = ordered(study)
    units = [label for label in every if study.instruments[label].role == "on-test"] or every
    lines = [unit_line(study, label) for label in units[:VERDICT_LINES]]
    if len(lines) < VERDICT_LINES and units:
        lines.append(history_line(study, units[0]) or f"{units[0]}: {_steady_words(study, units[0])}")
    if len(lines) < VERDICT_LINES:
        lines.append(reference_line(study))
    limit = min(width or LONGEST, LONGEST)
    return [plain(line, limit) for line in lines if line][:VERDICT_LINES]


def ordered(study: Study) -> list[str]:
    """Units on test, the worst first, then the others that were compared; never a reference."""
    compared = [label for label, i in study.instruments.items() if i.verdict in ORDER]
    return sorted(
        compared,
        key=lambda label: (
            study.instruments[label].role != "on-test", ORDER[study.instruments[label].verdict], label,
        ),
    )  # fmt: skip


def _head(study: Study) -> str:
    lost = f", {study.lost_records} records LOST" if study.lost_records else ""
    ended = "" if study.whole else ", the recording ended abruptly"
    return f"{study.bench} against {study.reference}, {clock(study.seconds)}{lost}{ended}"


def under_line(study: Study) -> str:
    """Both benches, and what one of them says otherwise."""
    under = study.judged_under
    if under is None:
        return ""
    changes = "; ".join(under.changes) or "nothing otherwise"
    return f"judged under {under.bench} ({under.file}), recorded under {under.recorded_bench}: {changes}"


def _word(study: Study, label: str) -> str:
    return WORDS.get(study.instruments[label].verdict, study.instruments[label].verdict)


def unit_line(study: Study, label: str) -> str:
    """`heron: DIFFERS as left, +4.2 ± 1.0 %, limit 1.8 %; right +8.1 ± 1.1 %`."""
    i = study.instruments[label]
    if i.work_kj is None:
        return i.sentence.rstrip(".").replace(f"{label} ", f"{label}: ", 1)
    now = _now(i)
    against = next((s.reference for s in study.splits if s.instrument == label), study.reference)
    text = f"{label}: {_word(study, label)}"
    if now is None:
        return f"{text}, too little common riding with {against}"
    by = f"{TERMINAL.sure(*now_reads(now))} %"
    if now.apart is not None:
        return f"{text} with the others; {now.apart} stands apart, {by} against it"
    text += f", {by} against {against}"
    text += f", limit {TERMINAL.number(now.limit_percent)} %"
    off = [r for r in i.by_side if r.verdict == "differs"] if i.verdict == "differs" else []
    if exchanged(i):
        text += ", its sides are exchanged"
    if off and now.end_percent is None:
        text += "".join(f", {r.side} {TERMINAL.sure(r.deviation_percent, r.u95_percent)} %" for r in off)
    if i.cause not in (None, "unclear") and i.verdict == "differs":
        text += f", {i.cause}"
    return text


def _now(i: InstrumentStudy) -> State | None:
    states = judged_states(i.states)
    return states[-1] if states else None


def history_line(study: Study, label: str) -> str:
    """What it was before the state as left; empty where nothing changed."""
    states = judged_states(study.instruments[label].states)
    if len(states) < 2:
        return ""
    before, after = states[-2], states[-1]
    was = TERMINAL.sure(before.deviation_percent, before.u95_percent)
    word = f"and {before.apart} differed" if before.apart is not None else WORDS[before.verdict]
    return (
        f"before {clock(before.to_s)}: {label} {word}, {was} %, until "
        f"{after.opened_by.text or after.opened_by.kind}"
    )


def _steady_words(study: Study, label: str) -> str:
    changes = [s for s in study.shifts if s.instrument == label]
    return "no change was found in it" if not changes else f"{len(changes)} changes were found in it"


def reference_line(study: Study) -> str:
    """Whether each would serve as a reference, in one line; the reason of the first on test."""
    powered = [(label, i) for label, i in study.instruments.items() if i.verdict != "none"]
    if not powered:
        return ""
    answers = ", ".join(f"{label} {ANSWERS[i.serves_as_reference]}" for label, i in powered)
    return f"use as a reference: {answers}"
