"""What was asked of a session, as tables for terminal and page: stretches, cadence, targets, sprints."""

from typing import NamedTuple

from monitor.report.lines.fit import Row, fitted, wrapped
from monitor.report.states import by_role
from monitor.study.results import SamePeak, StretchStudy, Study
from monitor.text import TERMINAL, Figures, clock

WORDS = {"agrees": "agrees", "differs": "DIFFERS", "undecided": "can't tell yet"}
PEAK_HEAD = ("SECONDS", "AT", "INSTRUMENT", "POWER W", "DIFFERENCE W", "DIFFERENCE %")


class Table(NamedTuple):
    """Rows with their heading first, of which the last `numbers` columns are numbers.

    `caption` says what it is, `drop` which columns matter least, `after` what is said below it.
    """

    caption: str
    rows: list[Row]
    numbers: int
    drop: tuple[str, ...] = ()
    after: str = ""


def asked_tables(study: Study, figures: Figures) -> list[Table]:
    """All that are not empty."""
    tables = (
        _stretches(study, figures), _stretch_peaks(study, figures), _cadence(study, figures),
        _target(study, figures), _sprints(study, figures), _own_best(study, figures),
        _statistics(study, figures), _highest(study, figures),
    )  # fmt: skip
    return [table for table in tables if len(table.rows) > 1]


def asked_lines(study: Study, width: int | None) -> list[str]:
    """The same for a terminal, an empty line between them."""
    lines: list[str] = []
    for table in asked_tables(study, TERMINAL):
        after = wrapped(table.after, width) if table.after else []
        lines += ["", *fitted(table.rows, table.numbers, width, table.drop), *after]
    return lines[1:]


FIRST_ON_PAGE = {
    "STRETCHES": "Stretch", "PEAKS OF": "Stretch", "CADENCE": "Instrument", "TARGET": "Instrument",
    "SPRINTS": "Sprint", "OWN BEST": "Sprint", "ALL SPRINTS": "Instrument", "HIGHEST": "Highest of",
}  # fmt: skip
"""What stands over the first column where a caption says what the table is."""


def for_page(table: Table) -> Table:
    """The table for a page: no cell refers to the row above, and a verdict stands beside its instrument."""
    head, *rows = table.rows
    texts = len(head) - table.numbers
    filled: list[Row] = []
    for row in rows:
        above = filled[-1] if filled else row
        filled.append(tuple(cell or (above[k] if k < texts else "") for k, cell in enumerate(row)))
    names = [FIRST_ON_PAGE.get(head[0], head[0]), *(_title(cell) for cell in head[1:])]
    order = list(range(len(head)))
    if "Verdict" in names:
        first = [names.index("Instrument"), names.index("Verdict")]
        order = [*first, *(k for k in order if k not in first)]
    moved = [tuple(row[k] for k in order) for row in (tuple(names), *filled)]
    return table._replace(rows=moved)


def _title(heading: str) -> str:
    """`POWER W` as `Power W`."""
    word, _, unit = heading.rpartition(" ")
    if word and unit in ("W", "%", "rpm", "KJ", "S"):
        return f"{word.capitalize()} {'kJ' if unit == 'KJ' else unit.lower() if unit == 'S' else unit}"
    return "rpm" if heading == "RPM" else heading.capitalize()


def _stretches(study: Study, figures: Figures) -> Table:
    """Every stretch: what each showed, and how it differs, with the parts between its changes."""
    rows: list[Row] = [
        ("STRETCHES", "FROM", "TO", "INSTRUMENT", "VERDICT", "POWER W", "LEFT W", "RIGHT W", "RPM",
         "DEVIATION %", "LIMIT %", "SHOWN W", "SHOWN %")
    ]  # fmt: skip
    order = by_role(study)
    for s in study.stretches:
        rows += _stretch(s, [label for label in order if label in s.means], figures)
    drop = ("SHOWN %", "SHOWN W", "RPM", "LEFT W", "RIGHT W", "LIMIT %")
    return Table("Stretches that were asked for", rows, 8, drop)


def _stretch(s: StretchStudy, labels: list[str], figures: Figures) -> list[Row]:
    number, sure = figures.number, figures.sure
    rows: list[Row] = []
    first: Row = (s.name, clock(s.start_s), clock(s.end_s))
    for label in labels:
        m = s.means[label]
        d = next((d for d in s.differences if d.instrument == label), None)
        cells: Row = (figures.nothing,) * 4
        word = figures.nothing
        if d is not None:
            word = "too short for ±" if s.too_short else WORDS[d.verdict]
            deviation = (
                number(d.deviation_percent, 2, True)
                if s.too_short
                else sure(d.deviation_percent, d.u95_percent, 2)
            )
            shown = number(d.delta_w, 1, True), number(d.delta_percent, 2, True)
            cells = (deviation, number(d.limit_percent, 2), *shown)
        means = (number(m.power_w), number(m.left_w), number(m.right_w), number(m.cadence_rpm))
        rows.append((*first, label, word, *means, *cells))
        first = ("", "", "")
        for p in d.parts if d is not None else ():
            part = sure(p.deviation_percent, p.u95_percent, 2)
            rows.append(
                ("", clock(p.start_s), clock(p.end_s), "", WORDS[p.verdict], "", "", "", "", part, "", "", "")
            )
    return rows


def _stretch_peaks(study: Study, figures: Figures) -> Table:
    rows: list[Row] = [("PEAKS OF", *PEAK_HEAD)]
    for s in study.stretches:
        rows += _peak_rows(s.name, s.peaks, figures)
    return Table("Highest seconds of the stretches, all in the same ones", rows, 3, ("AT",))


def _peak_rows(name: str, peaks: list[SamePeak], figures: Figures) -> list[Row]:
    rows: list[Row] = []
    first = name
    for p in peaks:
        by = {d.instrument: d for d in p.differences}
        head: Row = (f"{p.seconds} s", clock(p.start_s))
        for label in sorted(p.power_w, key=p.reference.__eq__):
            power, d = p.power_w[label], by.get(label)
            cut = " cut off" if label in p.clipped else ""
            watts = figures.number(d.delta_w if d else None, 1, True)
            percent = figures.number(d.delta_percent if d else None, 1, True)
            rows.append((first, *head, label + cut, figures.number(power, 0), watts, percent))
            first, head = "", ("", "")
    return rows


def _sprints(study: Study, figures: Figures) -> Table:
    """All in the same seconds, those of the reference's peak."""
    rows: list[Row] = [("SPRINTS", *PEAK_HEAD)]
    for s in study.segments:
        if s.sprint is not None:
            rows += _peak_rows(s.name, s.sprint.same, figures)
    return Table("Sprints, all in the seconds of the reference's peak", rows, 3, ("AT",))


def _own_best(study: Study, figures: Figures) -> Table:
    number = figures.number
    rows: list[Row] = [("OWN BEST", "INSTRUMENT", "1 S W", "3 S W", "5 S W", "10 S W", "WORK KJ")]
    for s in study.segments:
        if s.sprint is None:
            continue
        first = s.name
        for label, own in s.sprint.peaks_w.items():
            best = tuple(number(own.get(k), 0) for k in ("1", "3", "5", "10"))
            rows.append((first, label, *best, number(s.sprint.work_kj[label], 2)))
            first = ""
    return Table("Sprints, each one's own best", rows, 5)


def _statistics(study: Study, figures: Figures) -> Table:
    number = figures.number
    rows: list[Row] = [
        ("ALL SPRINTS", "AGAINST", "SECONDS", "SPRINTS", "CUT OFF", "DIFFERENCE W", "DIFFERENCE %",
         "AT THE CRANK %", "SPREAD %")
    ]  # fmt: skip
    rows += [
        (r.instrument, r.reference, f"{r.seconds} s", str(r.sprints), str(r.clipped),
         number(r.delta_w, 1, True), number(r.delta_percent, 2, True),
         figures.sure(r.deviation_percent, r.u95_percent, 2), number(r.sd_percent, 2))
        for r in study.sprint_statistics
    ]  # fmt: skip
    return Table("All sprints together", rows, 6, ("SPREAD %", "AGAINST", "DIFFERENCE W"))


def _highest(study: Study, figures: Figures) -> Table:
    rows: list[Row] = [("HIGHEST", *PEAK_HEAD), *_peak_rows("session", study.highest, figures)]
    return Table("Highest seconds of the session, all in the same ones", rows, 3, ("AT",))


def _cadence(study: Study, figures: Figures) -> Table:
    """Each cadence against the most trusted one, in all and by range; then whom to trust."""
    sure = figures.sure
    rows: list[Row] = [("CADENCE", "AGAINST", "RANGE rpm", "VERDICT", "DEVIATION rpm", "LIMIT rpm")]
    for c in study.cadence:
        deviation = sure(c.deviation_rpm, c.u95_rpm, 2)
        limit = figures.number(c.limit_rpm)
        rows.append((c.instrument, c.reference, "all", WORDS[c.verdict], deviation, limit))
        for b in c.by:
            end = f"over {b.low_rpm:g}" if b.high_rpm is None else f"{b.low_rpm:g} to {b.high_rpm:g}"
            rows.append(("", "", end, WORDS[b.verdict], sure(b.deviation_rpm, b.u95_rpm, 2), ""))
    advice = f"{study.cadence_advice}." if study.cadence_advice else ""
    return Table("Cadence, by range", rows, 2, ("LIMIT rpm", "AGAINST"), advice)


def _target(study: Study, figures: Figures) -> Table:
    """A trainer against what it was told, by segment and load."""
    number = figures.number
    rows: list[Row] = [
        ("TARGET", "SEGMENT", "LOAD", "TARGET W", "SHOWN W", "ERROR W", "OVERSHOOT W", "SETTLES S")
    ]
    for t in study.target:
        load = t.load if t.grade_percent is None else f"{t.load} {t.grade_percent:g} %"
        rows.append(
            (t.instrument, t.segment, load, number(t.target_w, 0), number(t.shown_w),
             number(t.error_w, 1, True), number(t.overshoot_w), number(t.settles_s, 0))
        )  # fmt: skip
    return Table("The trainer against its target", rows, 5)


def task_lines(study: Study, left: str = "") -> list[str]:
    """What is left to do: what to cure, which blocks to ride, what no ride settles. `left`: the countdown."""
    tasks = study.tasks
    if tasks is None or not (tasks.cure or tasks.blocks):
        return []
    until = f" BEFORE HAND-BACK AT {tasks.hand_back}{f', {left}' if left else ''}" if tasks.hand_back else ""
    lines = [f"TO DO{until}"]
    lines += [f"{t.instrument}: {t.what}. {t.do}" for t in tasks.cure]
    for b in tasks.blocks:
        load = f", {b.target_w:.0f} W" if b.target_w is not None else ""
        rpm = f", {b.cadence_rpm:.0f} rpm" if b.cadence_rpm is not None else ""
        lines.append(f"ride {clock(b.seconds)} {b.name}{load}{rpm}, which settles:")
        lines += [f"  {text}" for text in b.settles]
    if len(tasks.blocks) > 1:
        lines.append(f"{clock(tasks.seconds)} of riding in all settles it")
    return lines


def word_lines(study: Study, width: int | None) -> list[str]:
    """The tester's own words, key by key."""
    lines: list[str] = []
    for key, text in study.words.items():
        first, *rest = text.split("\n")
        lines += wrapped(f"{key}: {first}", width)
        lines += [part for line in rest for part in wrapped(f"  {line}", width)]
    return lines
