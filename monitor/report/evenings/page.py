"""Many evenings as one self-contained page: no script, nothing loaded, readable on a phone."""

from collections.abc import Sequence
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

from monitor.report.drawing.colours import SESSIONS, css
from monitor.report.drawing.svg import Markup, Plot, padded, swatch
from monitor.report.evenings.rows import QUANTITIES, cell, evening_rows
from monitor.setup.roles import Look
from monitor.study.evenings.evening import Evening
from monitor.study.evenings.groups import Group, SideBySide
from monitor.study.evenings.references import Pair, References
from monitor.text import PAGE, minus, plain

HERE = Path(__file__).parent
number, sure = PAGE.number, PAGE.sure
MOST_ROWS = 400
"""So many evenings are listed, the latest; all of them stand in the data set."""


def evenings_html(title: str, found: SideBySide, references: References | None, program: str) -> str:
    """The page; the same evenings give the same text."""
    from monitor.report.page import hashed

    style, template = _assets()
    policy = (
        f"default-src 'none'; style-src '{hashed(style)}'; img-src data:; base-uri 'none'; form-action 'none'"
    )
    html: str = template.render(
        policy=policy,
        style=Markup(style),
        title=f"{plain(title, 80)}: evenings side by side",
        heading=plain(title, 80),
        found=found,
        sentence=found.sentence,
        quantities=[name for _, name in QUANTITIES],
        groups=[_group(k, g) for k, g in enumerate(found.groups)],
        between=[_between(b) for b in found.between if b.beyond_chance],
        rows=evening_rows(found)[-MOST_ROWS:],
        left_out=max(0, len(found.evenings) - MOST_ROWS),
        charts=[c for name, word in QUANTITIES[:3] if (c := _over_time(found, name, word)) is not None],
        references=references,
        pairs=[_pair(p) for p in references.pairs] if references is not None else [],
        trusted=_trusted(references) if references is not None else [],
        program=plain(program, 60),
    )
    return html


@cache
def _assets() -> tuple[str, Any]:
    from jinja2 import DictLoader, Environment, StrictUndefined

    style = css() + (HERE.parent / "web" / "style.css").read_text("utf-8")
    style += (HERE / "evenings.css").read_text("utf-8")
    source = (HERE / "page.html.j2").read_text("utf-8")
    environment = Environment(loader=DictLoader({"page": source}), autoescape=True, undefined=StrictUndefined)
    environment.filters["plain"] = plain
    environment.filters["minus"] = minus
    return style, environment.get_template("page")


def look(k: int) -> Look:
    """How group number `k` is drawn."""
    return SESSIONS[k % len(SESSIONS)]


def _group(k: int, g: Group) -> dict[str, Any]:
    s = g.spread
    verdict = "differs" if g.differs else "agrees" if g.agrees else "undecided"
    words = [
        f"{n} {word}" for n, word in ((g.agrees, "agree"), (g.differs, "differ"), (g.undecided, "open")) if n
    ]
    return {
        "swatch": Markup(swatch(look(k))),
        "name": plain(g.name, 60),
        "verdict": verdict,
        "word": ", ".join(words) or "not compared",
        "evenings": "one evening" if g.evenings == 1 else f"{g.evenings} evenings",
        "when": g.first if g.first == g.last else f"{g.first} to {g.last}",
        "units": plain(", ".join(g.units[:6]), 120) or "serial number not known",
        "firmware": plain(", ".join(g.firmwares[:6]), 120) or "not known",
        "references": plain(", ".join(g.references[:4]), 120) or "nothing",
        "values": [
            {"name": word, "value": f"{cell(v)} %" if v.percent is not None else PAGE.nothing}
            for name, word in QUANTITIES
            for v in (getattr(g, name),)
        ],
        "repeatability": _spread(s.repeatability_percent, s.repeatability_limit_percent),
        "reproducibility": _spread(s.reproducibility_percent, s.reproducibility_limit_percent),
    }


def _spread(s: float | None, limit: float | None) -> str:
    if s is None:
        return "too few evenings to say"
    return f"s {number(s, 2)} %, two results within {number(limit, 1)} %"


def _between(b: Any) -> str:
    words = {"total": "total", "left": "left side", "right": "right side"}[b.quantity]
    return f"{words}: {b.second} against {b.first}: {sure(b.difference_percent, b.u95_percent, 1)} points"


# -- charts


def _times(found: Sequence[Evening]) -> list[float]:
    """Days since the first evening; evenings without a date follow each other."""
    if all(e.utc for e in found):
        days = [np.datetime64(e.utc[:19]).astype("datetime64[s]").astype(float) / 86_400.0 for e in found]
        return [d - days[0] for d in days]
    return [float(k) for k in range(len(found))]


def _over_time(found: SideBySide, quantity: str, word: str) -> dict[str, Any] | None:
    """One quantity by evening, a mark with its interval for each, a sign for each group."""
    from monitor.study.evenings.groups import name_of

    shown = [e for e in found.evenings if getattr(e, quantity).percent is not None]
    if len(shown) < 2:
        return None
    order = {g.name: k for k, g in enumerate(found.groups)}
    times = _times(shown)
    values = [getattr(e, quantity) for e in shown]
    ends = [v.percent + sign * (v.u95_percent or 0.0) for v in values for sign in (-1.0, 1.0)]
    limits = [e.limit_percent for e in shown if e.limit_percent is not None]
    widest = max(limits, default=0.0)
    dated = all(e.utc for e in shown)
    plot = Plot(
        f"{word} by evening", f"{len(shown)} evenings",
        padded(times, 2.0), padded([*ends, -widest, widest], 2.0),
        f"days since {shown[0].utc[:10]}" if dated else "evening", "deviation %",
    )  # fmt: skip
    if limits:
        plot.band(-widest, widest)
    for t, e, v in zip(times, shown, values, strict=True):
        k = order[name_of(e, found.by)]
        if v.u95_percent is not None:
            plot.whisker((t, v.percent - v.u95_percent), (t, v.percent + v.u95_percent), look(k))
        note = f"{e.date} {plain(name_of(e, found.by), 40)}: {sure(v.percent, v.u95_percent, 1)} %"
        plot.mark(t, v.percent, look(k), 3.8, note, "mark" if v.u95_percent is not None else "faint")
    plot.rule(0.0)
    legend = Markup("".join(
        f'<span class="key">{swatch(look(order[g.name]))} {escape_(g.name)}</span>' for g in found.groups[:8]
    ))  # fmt: skip
    caption = f"{word}: deviation of each evening with its uncertainty (95 %). The band is the widest limit."
    return {"svg": Markup(plot.svg()), "legend": legend, "caption": caption}


def escape_(text: str) -> str:
    """Words as text of a page."""
    from html import escape

    return escape(plain(text, 40))


def _pair(p: Pair) -> dict[str, Any]:
    name = f"{p.first.words} / {p.second.words}"
    return {"name": plain(name, 80), "text": plain(p.text), "verdict": p.verdict, "charts": _charts(p, name)}


def _charts(p: Pair, name: str) -> list[dict[str, Any]]:
    c = p.chart
    points = p.points
    ends = [q.percent + sign * (q.u95_percent or 0.0) for q in points for sign in (-1.0, 1.0)]
    bounds = [c.low, c.high] if c is not None else []
    xs = [float(k + 1) for k in range(len(points))]
    span = (0.5, max(1.5, len(points) + 0.5))
    high = f"{number(p.high_nm, 0)} N·m" if p.high_nm is not None else "more"
    plot = Plot(
        f"{name}: individuals", p.text, span, padded([*ends, *bounds], 0.8), "evening", "ratio, % above 1",
    )  # fmt: skip
    for x, q in zip(xs, points, strict=True):
        if q.u95_percent is not None:
            plot.whisker((x, q.percent - q.u95_percent), (x, q.percent + q.u95_percent), look(5))
    if c is not None:
        plot.rule(c.centre, f"first {c.first} evenings")
        plot.rule(c.low, number(c.low, 2, True), "limit")
        plot.rule(c.high, number(c.high, 2, True), "limit")
        plot.line(list(zip(xs, c.ewma, strict=True)), look(0))
    for k, (x, q) in enumerate(zip(xs, points, strict=True)):
        bad = c is not None and (k in c.beyond or k in c.drifted)
        plot.mark(
            x,
            q.percent,
            look(int(bad)),
            4.6 if bad else 3.4,
            f"{q.utc[:10]}: {number(q.percent, 2, True)} %",
        )
    caption = (
        f"{name}, at common torques from {number(p.low_nm, 0)} N·m to {high}, by evening. Dashed: limits of "
        "individuals from its first evenings (three sigma). Line: exponentially weighted average for slow "
        "drift. Large squares are outside."
    )
    found = [{"svg": Markup(plot.svg()), "caption": caption}]
    if c is not None:
        ranges = Plot(
            f"{name}: moving range", "", span, (0.0, 1.15 * max([c.range_high, *c.ranges])),
            "evening", "range, points",
        )  # fmt: skip
        ranges.rule(c.range_high, number(c.range_high, 2), "limit")
        ranges.line(list(zip(xs[1:], c.ranges, strict=True)), look(0))
        for k, (x, r) in enumerate(zip(xs[1:], c.ranges, strict=True)):
            ranges.mark(x, r, look(int(k + 1 in c.jumps)), 4.6 if k + 1 in c.jumps else 3.4)
        found.append({"svg": Markup(ranges.svg()), "caption": "Moving range: from each evening to the next."})
    return found


def _trusted(references: References) -> list[dict[str, Any]]:
    rows = []
    for h in references.instruments:
        zeros = ", ".join(f"{date}: {text}" for date, text in h.zeros[-4:])
        battery = f"{number(h.batteries[-1][1], 0)} %" if h.batteries else PAGE.nothing
        if len(h.batteries) > 1 and round(h.batteries[0][1]) != round(h.batteries[-1][1]):
            battery = f"{number(h.batteries[0][1], 0)} to {battery}"
        rows.append(
            {"name": plain(h.who.words, 60), "model": plain(h.who.model, 40) or PAGE.nothing,
             "zeros": plain(zeros, 200) or PAGE.nothing, "battery": battery, "text": plain(h.text)}
        )  # fmt: skip
    return rows
