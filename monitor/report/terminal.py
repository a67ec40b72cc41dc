"""A study as lines for a terminal: aligned tables of the numbers that `study.json` holds."""

from collections.abc import Sequence

from monitor.report.lines.asked import asked_lines, task_lines, word_lines
from monitor.report.lines.fit import Row, fitted, wrapped
from monitor.report.lines.summary import ordered, under_line
from monitor.report.states import HEAD, sentences, state_rows
from monitor.report.stroke import HEAD as STROKE_HEAD
from monitor.report.stroke import stroke_rows, stroke_words
from monitor.study.against import Comparison
from monitor.study.results import Difference, Split, Study
from monitor.text import TERMINAL, as_sentences, clock, plain

WORDS = {"agrees": "agrees", "differs": "DIFFERS", "undecided": "can't tell yet"}
number, sure, NOTHING = TERMINAL.number, TERMINAL.sure, TERMINAL.nothing


def study_lines(study: Study, width: int | None = None, left: str = "") -> list[str]:
    """The whole study within `width` columns (None: as wide as it is), the verdicts first.

    `left`: how long it is until the unit is handed back.
    """
    lost = f", {study.lost_records} LOST" if study.lost_records else ""
    head = f"{study.bench} against {study.reference}: {clock(study.seconds)}, {study.records} records{lost}"
    lines = wrapped(head, width)
    for sentence in filter(None, (study.missing, study.late_stamps)):
        lines += wrapped(sentence, width)
    if study.judged_under is not None:
        lines += wrapped(under_line(study), width)
    lines.append("")
    first = ordered(study)
    for label in [*first, *(label for label in study.instruments if label not in first)]:
        i = study.instruments[label]
        lines += wrapped(as_sentences(i.sentence, study.instruments), width)
        if i.cause is not None:
            lines += wrapped(
                f"  Kind of error: {i.cause}. {as_sentences(i.cause_text, study.instruments)}".rstrip(), width
            )
        answer = {"yes": "yes", "no": "no", "undecided": "can't tell yet"}[i.serves_as_reference]
        why = as_sentences(i.why, study.instruments)
        lines += wrapped(f"  Would serve as a reference for others: {answer}. {why}", width)
    for block in (
        word_lines(study, width), _states(study, width), asked_lines(study, width),
        _means(study, width), _verdicts(study, width), _repeats(study), *_splits(study, width),
        _peaks(study, width), _efficiency(study), _instruments(study, width), _sides(study, width),
        _strokes(study, width), _changes(study), _open(study), task_lines(study, left),
    ):  # fmt: skip
        if block:
            lines += ["", *(part for line in block for part in wrapped(line, width))]
    return [plain(line) for line in lines]


def _states(study: Study, width: int | None) -> list[str]:
    rows: list[Row] = [HEAD]
    rows += [row.cells(WORDS) for row in state_rows(study, TERMINAL)]
    lines = ["STATES", *fitted(rows, 4, width, ("OPENED BY", "LEFT %", "RIGHT %"))] if len(rows) > 1 else []
    words = sentences(study, TERMINAL)
    return [*lines, *([""] if lines and words else []), *words]


def _means(study: Study, width: int | None) -> list[str]:
    rows: list[Row] = [
        ("MEANS", "FROM", "SETTLED", "LOAD", "INSTRUMENT", "POWER W", "LEFT W", "RIGHT W", "RPM", "HEARD %",
         "MEAN OF S", "FAULT S")
    ]  # fmt: skip
    for s in study.segments:
        first = (s.name, clock(s.start_s), f"{s.settle_s:g} s", s.load)
        for label, m in s.means.items():
            rows.append(
                (*first, label, number(m.power_w), number(m.left_w), number(m.right_w), number(m.cadence_rpm),
                 f"{100.0 * m.coverage:.0f}", str(m.seconds), str(m.fault_s) if m.fault_s else "")
            )  # fmt: skip
            first = ("", "", "", "")
    if not any(m.fault_s for s in study.segments for m in s.means.values()):
        rows = [row[:-1] for row in rows]
    numbers = len(rows[0]) - 5
    return fitted(rows, numbers, width, ("SETTLED", "FROM", "LOAD", "HEARD %")) if len(rows) > 1 else []


def _verdicts(study: Study, width: int | None) -> list[str]:
    rows: list[Row] = [
        ("DIFFERENCES", "INSTRUMENT", "AGAINST", "VERDICT", "DEVIATION %", "LIMIT %", "SHOWN W", "SHOWN %",
         "EXPECTED %", "LEFT W", "RIGHT W", "RIGHT'S PART")
    ]  # fmt: skip
    named: list[tuple[str, list[Difference]]] = [(s.name, s.differences) for s in study.segments]
    named += [(f"{c.name}, {c.cycles} whole cycles", c.differences) for c in study.cycles]
    for name, differences in named:
        first = name
        for d in differences:
            share = f"{100.0 * d.share_right:.0f} %" if d.share_right is not None else NOTHING
            rows.append(
                (first, d.instrument, d.reference, WORDS[d.verdict],
                 sure(d.deviation_percent, d.u95_percent, 2), number(d.limit_percent, 2),
                 number(d.delta_w, 1, True), number(d.delta_percent, 2, True),
                 number(d.expected_percent, 2, True), number(d.left_delta_w, 1, True),
                 number(d.right_delta_w, 1, True), share)
            )  # fmt: skip
            first = ""
            for p in d.parts:
                rows.append(
                    ("", f"  {clock(p.start_s)} to {clock(p.end_s)}", "", WORDS[p.verdict],
                     sure(p.deviation_percent, p.u95_percent, 2), number(d.limit_percent, 2), *[""] * 6)
                )  # fmt: skip
    drop = ("EXPECTED %", "RIGHT'S PART", "SHOWN %", "LEFT W", "RIGHT W", "AGAINST")
    return fitted(rows, 8, width, drop) if len(rows) > 1 else []


def _repeats(study: Study) -> list[str]:
    if not study.repeats:
        return []
    return ["REPEATS", *(f"{r.instrument}: {r.text}" for r in study.repeats)]


def _splits(study: Study, width: int | None) -> list[list[str]]:
    """As left, and as found for those that did not stay as they were."""
    return [
        _split_table("DEVIATION % BY", study.splits, width),
        _split_table("AS FOUND, % BY", study.splits_found, width),
    ]


def _split_table(head: str, splits: Sequence[Split], width: int | None) -> list[str]:
    labels = list(dict.fromkeys(s.instrument for s in splits))
    kinds = ("load", "gear", "torque", "cadence", "power", "effectiveness", "peak angle", "position")
    order = {kind: k for k, kind in enumerate(kinds)}
    keys = dict.fromkeys((s.by, s.group) for s in splits if s.by in order)
    if not keys:
        return []
    found = {(s.by, s.group, s.instrument): s for s in splits}
    rows: list[Row] = [(head, "GROUP", *labels)]
    for by, group in sorted(keys, key=lambda k: order[k[0]]):
        cells = []
        for label in labels:
            s = found.get((by, group, label))
            mark = {"differs": " !", "undecided": " ?"}.get(s.verdict, "  ") if s else "  "
            cells.append(sure(s.deviation_percent, s.u95_percent, 2) + mark if s else NOTHING + mark)
        rows.append((by, group, *cells))
    return fitted(rows, len(labels), width)


def _strokes(study: Study, width: int | None) -> list[str]:
    rows: list[Row] = [STROKE_HEAD, *stroke_rows(study, TERMINAL)]
    words = stroke_words(study, TERMINAL)
    return [*(fitted(rows, 6, width) if len(rows) > 1 else []), *words]


def _peaks(study: Study, width: int | None) -> list[str]:
    if not study.peaks:
        return []
    labels = list(study.peaks[0].best_w)
    rows: list[Row] = [("HIGHEST MEAN", f"{study.reference} AT", *(f"{label} W (same)" for label in labels))]
    for p in study.peaks:
        cells = [f"{number(p.best_w[label], 0)} ({number(p.same_window_w[label], 0)})" for label in labels]
        rows.append((f"{p.seconds} s", clock(p.start_s), *cells))
    return fitted(rows, len(labels), width)


def _efficiency(study: Study) -> list[str]:
    if not study.efficiency:
        return []
    return ["BETWEEN CRANK AND HUB", *(f"{e.segment}: {e.text}" for e in study.efficiency)]


def _instruments(study: Study, width: int | None) -> list[str]:
    rows: list[Row] = [
        (
            "INSTRUMENT",
            "SCALE",
            "ZERO N·m",
            "NOISE W",
            "LAG S",
            "NOT HEARD S",
            "LOSS %",
            "LONGEST GAP S",
            "WORK KJ",
        )
    ]
    for label, i in study.instruments.items():
        scale = (
            f"{i.gain:.4f} ± {i.gain_u95:.4f}" if i.gain is not None and i.gain_u95 is not None else NOTHING
        )
        zero = NOTHING
        if i.offset_nm is not None and i.offset_u95_nm is not None:
            zero = f"{number(i.offset_nm, 2, True)} ± {number(i.offset_u95_nm, 2)}"
        noise = number(i.noise_w)
        if i.noise_w is None and i.noise_high_w is not None:
            noise = f"< {number(i.noise_high_w)}"
        lag = sure(i.lag_s, i.lag_u95_s, 2) if i.lag_s is not None else NOTHING
        rows.append(
            (label, scale, zero, noise, lag, number(i.lost_s, 0),
             number(i.loss_percent, 1), number(i.signal.longest_gap_s), number(i.work_kj))
        )  # fmt: skip
    return fitted(rows, 8, width, ("LONGEST GAP S", "WORK KJ", "LAG S"))


def _sides(study: Study, width: int | None) -> list[str]:
    rows: list[Row] = [("SIDES", "SIDE", "AGAINST", "FROM", "TO", "VERDICT", "DEVIATION %", "LIMIT %")]
    for label, i in study.instruments.items():
        rows += [
            (label, r.side, r.reference, clock(r.start_s), clock(r.end_s), WORDS[r.verdict],
             sure(r.deviation_percent, r.u95_percent, 2), number(r.limit_percent, 2))
            for r in i.by_side
        ]  # fmt: skip
    return fitted(rows, 2, width, ("AGAINST",)) if len(rows) > 1 else []


def _changes(study: Study) -> list[str]:
    if not study.shifts:
        return []
    lines = ["CHANGES"]
    for s in study.shifts:
        side = "" if s.side == "total" else f" {s.side} side"
        act = f" ({s.act})" if s.act else ""
        lines.append(f"{clock(s.t_s)}  {s.instrument}{side} by {number(s.delta_percent, 1, True)} %{act}")
        if s.inference:
            lines.append(f"      {s.inference}")
    return lines


def _open(study: Study) -> list[str]:
    if not study.open:
        return []
    lines = ["NOT DECIDED, AND WHICH RIDE WOULD"]
    for o in study.open:
        whom = f"{o.instrument}: " if o.instrument else ""
        lines.append(f"{whom}{o.question}: {o.ride}")
    return lines


def comparison_lines(comparison: Comparison, width: int | None = None) -> list[str]:
    """Sessions side by side: segments, changes, repeatability."""
    names = comparison.sessions
    heads = [f"{k}: {name}" for k, name in enumerate(names, 1)]
    rows: list[Row] = [("SIDE BY SIDE", "INSTRUMENT", *heads)]
    for row in comparison.rows:
        cells = []
        for r in row.results:
            mark = "" if r is None or not r.beyond_chance else " changed"
            cells.append(NOTHING if r is None else f"{sure(r.deviation_percent, r.u95_percent, 2)} %{mark}")
        rows.append((row.segment, row.instrument, *cells))
    lines = fitted(rows, len(names), width) if len(rows) > 1 else ["The sessions have no segment in common."]
    if comparison.changes:
        lines += ["", "CHANGES AGAINST THE FIRST", *(c.text for c in comparison.changes)]
    if comparison.repeatability:
        table: list[Row] = [
            ("REPEATABILITY (ISO 5725)", "SESSIONS", "SEGMENTS", "WITHIN %", "BETWEEN %", "BOTH %",
             "REPEATABILITY LIMIT %", "REPRODUCIBILITY LIMIT %")
        ]  # fmt: skip
        table += [
            (r.instrument, str(r.sessions), str(r.segments), number(r.within_percent, 2),
             number(r.between_percent, 2), number(r.total_percent, 2),
             number(r.repeatability_limit_percent, 2), number(r.reproducibility_limit_percent, 2))
            for r in comparison.repeatability
        ]  # fmt: skip
        lines += ["", *fitted(table, 7, width)]
    for name, words in zip(names, comparison.words, strict=False):
        if words:
            lines += ["", f"{name}:", *(f"  {key}: {text}" for key, text in words.items())]
    lines += [f"note: {remark}" for remark in comparison.remarks]
    return [plain(line) for line in lines]
