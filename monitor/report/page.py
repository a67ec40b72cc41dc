"""A study as one self-contained HTML page: numbers come from the study, curves from its grid."""

import base64
import hashlib
from functools import cache
from pathlib import Path
from typing import Any, NamedTuple

from monitor.report import first, head, states, tables, words
from monitor.report.drawing import plots, stroke
from monitor.report.drawing.colours import SESSIONS, css
from monitor.report.drawing.svg import Markup, swatch
from monitor.report.evenings.rows import QUANTITIES, evening_rows
from monitor.report.lines.asked import WORDS as TERMINAL_WORDS
from monitor.report.lines.asked import asked_tables, for_page
from monitor.report.lines.summary import under_line
from monitor.report.material import Material
from monitor.report.selection import MOST_S, selection
from monitor.report.series import SMOOTH_S, payload, script_json
from monitor.study.against import Comparison
from monitor.study.parts.common import Shared
from monitor.study.results import Study
from monitor.text import PAGE, minus, plain, unbroken

HERE = Path(__file__).parent
SCRIPTS = ("base", "numbers", "traces", "select", "save", "style")
"""The page's own script, in this order, in one scope."""
CONTENTS = (
    ("verdict", "Verdict"), ("states", "States and acts"),
    ("bench", "Bench"), ("judged", "How it was judged"), ("trace", "Whole session"),
    ("segments", "Segments"), ("asked", "Stretches, cadence, trainer"), ("sides", "Left and right"),
    ("agreement", "Agreement"),
    ("torque", "Scale and zero"), ("where", "Torque, cadence, load"), ("sprints", "Sprints"),
    ("repeats", "Repeated blocks"),
    ("signal", "Signal, noise, lag"), ("open", "What stays open"),
)  # fmt: skip


class About(NamedTuple):
    """What a page says of its session beside the study: its folder's name, local time of the start."""

    session: str = "SESSION"
    started: str = ""


OF_SPRINTS = ("SPRINTS", "OWN BEST", "ALL SPRINTS", "HIGHEST", "PEAKS OF")
"""Tables that have a place of their own on the page, by their first heading."""
UNTITLED = About()


def report_html(
    study: Study, shared: Shared, comparison: Comparison | None = None, about: About = UNTITLED
) -> str:
    """The page; the same study gives the same text.

    `shared`: the arrays that the study was made from. `comparison`: other sessions beside it.
    """
    script, style, template = _assets()
    given = Material(study, shared, comparison)
    data = payload(given) | selection(given)
    data |= {"title": _title(study), "session": plain(about.session, 120), "reference": study.reference}
    policy = (
        f"default-src 'none'; script-src '{hashed(script)}'; style-src '{hashed(style)}'; img-src data:; "
        "base-uri 'none'; form-action 'none'"
    )
    html: str = template.render(
        policy=policy, style=Markup(style), script=Markup(script), data=Markup(script_json(data)),
        study=study, **_context(given, about),
    )  # fmt: skip
    return html


def _title(study: Study) -> str:
    return f"{plain(study.bench, 80)}, {head.day(study)}" if study.utc_ns else plain(study.bench, 80)


def hashed(text: str) -> str:
    """The source of a style or script as a content security policy names it."""
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()


@cache
def _assets() -> tuple[str, str, Any]:
    """Script, style and the compiled template; the vendored plotting library goes first."""
    from jinja2 import DictLoader, Environment, StrictUndefined

    vendor = HERE / "vendor"
    licence = (vendor / "LICENSE").read_text("utf-8").strip()
    plotting = (vendor / "uPlot.iife.min.js").read_text("utf-8")
    own = "".join((HERE / "web" / f"{name}.js").read_text("utf-8") for name in SCRIPTS)
    script = f'/* uPlot\n{licence}\n*/\n{plotting}(function () {{\n"use strict";\n{own}}})();\n'
    style = (
        css() + (vendor / "uPlot.min.css").read_text("utf-8") + (HERE / "web/style.css").read_text("utf-8")
    )
    if "</script" in script or "</style" in style:
        raise ValueError("a vendored file would end its own element")
    source = (HERE / "web/page.html.j2").read_text("utf-8")
    environment = Environment(
        loader=DictLoader({"page": source}), autoescape=True, undefined=StrictUndefined, trim_blocks=False
    )
    environment.filters["plain"] = plain
    environment.filters["minus"] = minus
    environment.filters["unbroken"] = unbroken
    return script, style, environment.get_template("page")


def _contents(given: Material) -> tuple[tuple[str, str], ...]:
    """The sections that there are, with their names."""
    contents: tuple[tuple[str, str], ...] = CONTENTS
    if given.study.strokes is not None:
        at = next(k for k, (name, _) in enumerate(contents) if name == "agreement")
        contents = (*contents[:at], ("stroke", "Stroke"), *contents[at:])
    return contents if given.comparison is None else (*contents, ("against", "Other sessions"))


def _context(given: Material, about: About) -> dict[str, Any]:
    """All that the template needs besides the study."""
    study = given.study
    asked = asked_tables(study, PAGE)
    sprints = [s for s in study.segments if s.sprint]
    return {
        "title": f"{plain(study.bench, 80)}: power meters compared",
        "bench": plain(study.bench, 80),
        "facts": head.facts(given, about.started),
        "swatches": [(label, Markup(swatch(given.looks[label]))) for label in given.labels],
        "smooth": SMOOTH_S,
        "selectable": bool(given.grid.seconds) and given.grid.seconds <= MOST_S,
        "reference": given.reference,
        "contents": _contents(given),
        "comparison": given.comparison,
        "against": plots.against(given),
        "against_rows": evening_rows(given.comparison.side_by_side) if given.comparison is not None else [],
        "against_quantities": QUANTITIES,
        "repeatability": tables.repeatability(given),
        "units": first.on_test(given),
        "state_rows": states.state_rows(study, PAGE),
        "state_words": states.sentences(study, PAGE),
        "verdict_words": words.WORDS,
        "act_rows": tables.act_rows(given),
        "finding_rows": tables.finding_rows(given),
        "cards": words.cards(given),
        "forests": [c for label in given.compared if (c := plots.forest(given, label)) is not None],
        "bench_rows": words.bench_rows(given),
        "judged": words.judged(given),
        "traces": words.trace_captions(given),
        "segment_rows": [tables.segment_rows(given, s) for s in study.segments],
        "by_side": tables.by_side(given),
        "side_rows": tables.side_rows(given),
        "agreement": [c for label in given.compared if (c := plots.agreement(given, label)) is not None],
        "lines": [c for label in given.compared if (c := plots.torque_line(given, label)) is not None],
        "where": [c for by in ("torque", "cadence") if (c := plots.where(given, by)) is not None],
        "split_rows": tables.split_rows(given),
        "compared": given.compared,
        "powered": given.powered,
        "sprints": [c for s in sprints if (c := plots.sprint(given, s)) is not None],
        "same_rows": tables.same_rows(given),
        "peak_rows": tables.peak_rows(given),
        "repeats": [c for label in given.compared if (c := plots.repeats(given, label)) is not None],
        "efficiency": tables.efficiency(given),
        "strip": plots.strip(given),
        "session_swatches": [
            Markup(swatch(SESSIONS[k % len(SESSIONS)])) for k in range(len(given.comparison.sessions))
        ]
        if given.comparison is not None
        else [],
        "signal_rows": tables.signal_rows(given),
        "under": under_line(study),
        "asked": [for_page(table) for table in asked if table.rows[0][0] not in OF_SPRINTS],
        "sprint_tables": [
            for_page(table)
            for table in asked
            if table.rows[0][0] == "OWN BEST" or (table.rows[0][0] == "ALL SPRINTS" and len(sprints) > 1)
        ],
        "verdicts": {word: key for key, word in TERMINAL_WORDS.items()},
        "stroke": stroke.context(given) if study.strokes is not None else None,
    }
