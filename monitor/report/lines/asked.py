"""What was asked of a session, as tables of a terminal: stretches, cadence, targets, sprints side by side."""

from monitor.report.lines.fit import Row, fitted, wrapped
from monitor.study.results import SamePeak, Study
from monitor.text import TERMINAL, clock

WORDS = {"agrees": "agrees", "differs": "DIFFERS", "undecided": "can't tell yet"}
number, sure, NOTHING = TERMINAL.number, TERMINAL.sure, TERMINAL.nothing
PEAK_HEAD = ("SECONDS", "AT", "INSTRUMENT", "POWER W", "DIFFERENCE W", "DIFFERENCE %")


def stretch_lines(study: Study, width: int | None) -> list[str]:
    """Every stretch: what each showed, and how it differs, with the parts between its changes."""
    rows: list[Row] = [
        ("STRETCHES", "FROM", "TO", "INSTRUMENT", "VERDICT", "POWER W", "LEFT W", "RIGHT W", "RPM",
         "DEVIATION %", "LIMIT %", "SHOWN W", "SHOWN %")
    ]  # fmt: skip
    for s in study.stretches:
        first = (s.name, clock(s.start_s), clock(s.end_s))
        for label, m in s.means.items():
            d = next((d for d in s.differences if d.instrument == label), None)
            cells: Row = (NOTHING,) * 4
            word = NOTHING
            if d is not None:
                word = "too short for ±" if s.too_short else WORDS[d.verdict]
                cells = (
                    number(d.deviation_percent, 2, True) if s.too_short
                    else sure(d.deviation_percent, d.u95_percent, 2),
                    number(d.limit_percent, 2), number(d.delta_w, 1, True), number(d.delta_percent, 2, True),
                )  # fmt: skip
            rows.append(
                (*first, label, word, number(m.power_w), number(m.left_w), number(m.right_w),
                 number(m.cadence_rpm), *cells)
            )  # fmt: skip
            first = ("", "", "")
            for p in d.parts if d is not None else ():
                rows.append(
                    ("", clock(p.start_s), clock(p.end_s), "", WORDS[p.verdict], "", "", "", "",
                     sure(p.deviation_percent, p.u95_percent, 2), "", "", "")
                )  # fmt: skip
    if len(rows) == 1:
        return []
    drop = ("SHOWN %", "SHOWN W", "RPM", "LEFT W", "RIGHT W", "LIMIT %")
    lines = fitted(rows, 8, width, drop)
    peaks: list[Row] = [("PEAKS OF", *PEAK_HEAD)]
    for s in study.stretches:
        peaks += _peak_rows(s.name, s.peaks)
    return lines if len(peaks) == 1 else [*lines, "", *fitted(peaks, 3, width, ("AT",))]


def _peak_rows(name: str, peaks: list[SamePeak]) -> list[Row]:
    rows: list[Row] = []
    first = name
    for p in peaks:
        by = {d.instrument: d for d in p.differences}
        head = (f"{p.seconds} s", clock(p.start_s))
        for label, power in p.power_w.items():
            d = by.get(label)
            cut = " cut off" if label in p.clipped else ""
            rows.append(
                (first, *head, label + cut, number(power, 0),
                 number(d.delta_w if d else None, 1, True), number(d.delta_percent if d else None, 1, True))
            )  # fmt: skip
            first, head = "", ("", "")
    return rows


def sprint_lines(study: Study, width: int | None) -> list[str]:
    """All in the same seconds, those of the reference's peak; then what all sprints say together."""
    rows: list[Row] = [("SPRINTS", *PEAK_HEAD)]
    for s in study.segments:
        if s.sprint is not None:
            rows += _peak_rows(s.name, s.sprint.same)
    if len(rows) == 1:
        return []
    lines = fitted(rows, 3, width, ("AT",))
    work: list[Row] = [("OWN BEST", "INSTRUMENT", "1 S W", "3 S W", "5 S W", "10 S W", "WORK KJ")]
    for s in study.segments:
        if s.sprint is None:
            continue
        first = s.name
        for label, own in s.sprint.peaks_w.items():
            best = tuple(number(own.get(k), 0) for k in ("1", "3", "5", "10"))
            work.append((first, label, *best, number(s.sprint.work_kj[label], 2)))
            first = ""
    lines += ["", *fitted(work, 5, width)]
    many: list[Row] = [
        ("ALL SPRINTS", "AGAINST", "SECONDS", "SPRINTS", "CUT OFF", "DIFFERENCE W", "DIFFERENCE %",
         "AT THE CRANK %", "SPREAD %")
    ]  # fmt: skip
    many += [
        (r.instrument, r.reference, f"{r.seconds} s", str(r.sprints), str(r.clipped),
         number(r.delta_w, 1, True), number(r.delta_percent, 2, True),
         sure(r.deviation_percent, r.u95_percent, 2), number(r.sd_percent, 2))
        for r in study.sprint_statistics
    ]  # fmt: skip
    drop = ("SPREAD %", "AGAINST", "DIFFERENCE W")
    return lines if len(many) == 1 else [*lines, "", *fitted(many, 6, width, drop)]


def highest_lines(study: Study, width: int | None) -> list[str]:
    """The highest seconds of the session, all instruments in the same ones."""
    rows: list[Row] = [("HIGHEST", *PEAK_HEAD)]
    rows += _peak_rows("session", study.highest)
    return fitted(rows, 3, width, ("AT",)) if len(rows) > 1 else []


def cadence_lines(study: Study, width: int | None) -> list[str]:
    """Each cadence against the most trusted one, in all and by range; then whom to trust."""
    rows: list[Row] = [("CADENCE", "AGAINST", "RANGE", "VERDICT", "DEVIATION rpm", "LIMIT rpm")]
    for c in study.cadence:
        rows.append(
            (c.instrument, c.reference, "all", WORDS[c.verdict], sure(c.deviation_rpm, c.u95_rpm, 2),
             number(c.limit_rpm))
        )  # fmt: skip
        for b in c.by:
            end = f"over {b.low_rpm:g}" if b.high_rpm is None else f"{b.low_rpm:g} to {b.high_rpm:g}"
            rows.append(("", "", end, WORDS[b.verdict], sure(b.deviation_rpm, b.u95_rpm, 2), ""))
    if len(rows) == 1:
        return []
    advice = wrapped(f"{study.cadence_advice}.", width) if study.cadence_advice else []
    return [*fitted(rows, 2, width, ("LIMIT rpm", "AGAINST")), *advice]


def target_lines(study: Study, width: int | None) -> list[str]:
    """A trainer against what it was told, by segment and load."""
    rows: list[Row] = [
        ("TARGET", "SEGMENT", "LOAD", "TARGET W", "SHOWN W", "ERROR W", "OVERSHOOT W", "SETTLES S")
    ]
    for t in study.target:
        load = t.load if t.grade_percent is None else f"{t.load} {t.grade_percent:g} %"
        rows.append(
            (t.instrument, t.segment, load, number(t.target_w, 0), number(t.shown_w),
             number(t.error_w, 1, True), number(t.overshoot_w), number(t.settles_s, 0))
        )  # fmt: skip
    return fitted(rows, 5, width) if len(rows) > 1 else []


def word_lines(study: Study, width: int | None) -> list[str]:
    """The tester's own words, key by key."""
    lines: list[str] = []
    for key, text in study.words.items():
        first, *rest = text.split("\n")
        lines += wrapped(f"{key}: {first}", width)
        lines += [part for line in rest for part in wrapped(f"  {line}", width)]
    return lines
