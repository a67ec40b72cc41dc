"""A study as one self-contained HTML page: numbers come from the study, curves from its grid."""

import base64
import contextlib
import hashlib
import math
import re
from functools import cache
from html import escape
from pathlib import Path
from typing import Any

import numpy as np

from monitor.report.charts import COLOURS, DASHES, Plot, nice_ticks, padded, picture, swatch, tag, titled
from monitor.report.series import overlay, payload, script_json
from monitor.setup.bench import CONSENSUS
from monitor.study.against import Comparison
from monitor.study.grid import Bools, Grid
from monitor.study.recording import Recording
from monitor.study.results import Difference, Part, SegmentStudy, Study
from monitor.study.segments import spans_of
from monitor.text import plain

HERE = Path(__file__).parent
WORDS = {
    "agrees": "✓ agrees",
    "differs": "✗ differs",
    "undecided": "? can’t tell yet",
    "reference": "● the reference",
    "none": "– no power to judge",
}
ANSWERS = {"yes": "Yes", "no": "No", "undecided": "Can’t tell yet"}
POINTS = {"good": "✓", "bad": "✗", "open": "?"}
LOADS = {
    "held": "held by the trainer",
    "grade": "simulated grade",
    "resistance": "fixed resistance",
    "target": "at a target",
    "free": "free",
    "sprint": "sprint",
    "not told": "not told",
}
CONTENTS = (
    ("verdict", "Verdict"), ("bench", "Bench"), ("judged", "How it was judged"), ("trace", "Whole session"),
    ("segments", "Segments"), ("sides", "Left and right"), ("agreement", "Agreement"),
    ("torque", "Scale and zero"), ("where", "Torque, cadence, load"), ("sprints", "Sprints"),
    ("repeats", "Repeated blocks"),
    ("signal", "Signal, noise, lag"), ("open", "What stays open"),
)  # fmt: skip
NOTHING = "–"
QUIET_EDGE = 2.0
MOST_MARKS = 600
"""More marks in one chart hide each other."""


def report_html(study: Study, recording: Recording, comparison: Comparison | None = None) -> str:
    """The page; the same study and recording give the same text. `comparison`: other sessions beside it."""
    grid = Grid(recording)
    page = _Page(study, grid, comparison)
    script, style, template = _assets()
    data = payload(study, grid) | {"colours": COLOURS, "dashes": DASHES}
    policy = (
        f"default-src 'none'; script-src '{_hash(script)}'; style-src '{_hash(style)}'; img-src data:; "
        "base-uri 'none'; form-action 'none'"
    )
    html: str = template.render(
        policy=policy, style=_Safe(style), script=_Safe(script), data=_Safe(script_json(data)), study=study,
        **page.context(),
    )  # fmt: skip
    return html


def _hash(text: str) -> str:
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()


class _Safe(str):
    """Text that is markup already."""

    def __html__(self) -> str:
        return str(self)


@cache
def _assets() -> tuple[str, str, Any]:
    """Script, style and the compiled template; the vendored plotting library goes first."""
    from jinja2 import DictLoader, Environment, StrictUndefined

    vendor = HERE / "vendor"
    licence = (vendor / "LICENSE").read_text("utf-8").strip()
    plotting = (vendor / "uPlot.iife.min.js").read_text("utf-8")
    script = f"/* uPlot\n{licence}\n*/\n{plotting}{(HERE / 'report.js').read_text('utf-8')}"
    style = (vendor / "uPlot.min.css").read_text("utf-8") + (HERE / "style.css").read_text("utf-8")
    if "</script" in script or "</style" in style:
        raise ValueError("a vendored file would end its own element")
    source = (HERE / "page.html.j2").read_text("utf-8")
    environment = Environment(
        loader=DictLoader({"page": source}), autoescape=True, undefined=StrictUndefined, trim_blocks=False
    )
    environment.filters["plain"] = plain
    environment.filters["minus"] = minus
    return script, style, environment.get_template("page")


def number(value: float | None, digits: int = 1, sign: bool = False) -> str:
    """A number for readers: a real minus sign, a dash where it isn't known."""
    if value is None or not math.isfinite(value):
        return NOTHING
    text = f"{value:+.{digits}f}" if sign else f"{value:.{digits}f}"
    if float(text) == 0.0:
        text = text.replace("-", "").replace("+", "")
    return text.replace("-", "−")


def sure(value: float | None, u95: float | None, digits: int = 1) -> str:
    """A deviation with its uncertainty."""
    if value is None:
        return NOTHING
    return number(value, digits, sign=True) + (f" ± {number(u95, digits)}" if u95 is not None else " ± ?")


UNITS = {"mm": "mm", "v": "V", "percent": "%"}
"""By the last part of a fact's name."""


def fact(name: str, value: str) -> str:
    """What an instrument told of itself, the unit behind the number: `crank length 172.5 mm`."""
    words, _, last = plain(name, 40).rpartition("_")
    unit, value = UNITS.get(last) if words else None, plain(value, 40)
    if unit is not None:
        with contextlib.suppress(ValueError):
            value = f"{float(value):.4g}"
    text = f"{words} {value} {unit}" if unit else f"{words}_{last} {value}"
    return text.replace("_", " ").strip()


def clock(t_s: float) -> str:
    """Session time as `4:05` or `1:04:05`."""
    minutes, seconds = divmod(round(t_s), 60)
    return f"{minutes}:{seconds:02d}" if minutes < 60 else f"{minutes // 60}:{minutes % 60:02d}:{seconds:02d}"


class _Page:
    """The parts of one page."""

    def __init__(self, study: Study, grid: Grid, comparison: Comparison | None) -> None:
        self.comparison = comparison
        self.study = study
        self.grid = grid
        self.order = {label: k for k, label in enumerate(grid.labels)}
        self.compared = [label for i, label in enumerate(grid.labels) if grid.reference_label(i) is not None]
        self.powered = [grid.labels[i] for i in grid.powered]
        spans = spans_of(grid.recording)
        self.blocks = {label: grid.blocks(self.order[label], spans) for label in self.compared}
        self.reference = "the median of all" if study.reference == CONSENSUS else study.reference

    def context(self) -> dict[str, Any]:
        """All that the template needs besides the study."""
        study = self.study
        started = None
        if study.utc_ns:
            text = str(np.datetime_as_string(np.datetime64(study.utc_ns, "ns"), unit="m"))
            started = f"{text.replace('T', ' ')} UTC"
        return {
            "title": f"{plain(study.bench, 80)}: power meters compared",
            "bench": plain(study.bench, 80),
            "started": started,
            "duration": clock(study.seconds),
            "reference": self.reference,
            "contents": CONTENTS if self.comparison is None else (*CONTENTS, ("against", "Other sessions")),
            "comparison": self.comparison,
            "against": self.against(),
            "repeatability": self.repeatability(),
            "cards": self.cards(),
            "forests": [c for label in self.compared if (c := self.forest(label)) is not None],
            "bench_rows": self.bench_rows(),
            "judged": self.judged(),
            "traces": self.traces(),
            "events": self.events(),
            "segment_rows": [self.segment_rows(s) for s in study.segments],
            "by_side": self.by_side(),
            "side_rows": self.side_rows(),
            "agreement": [c for label in self.compared if (c := self.agreement(label)) is not None],
            "lines": [c for label in self.compared if (c := self.torque_line(label)) is not None],
            "where": [c for by in ("torque", "cadence") if (c := self.where(by)) is not None],
            "split_rows": self.split_rows(),
            "compared": self.compared,
            "powered": self.powered,
            "sprints": [c for s in study.segments if s.sprint and (c := self.sprint(s)) is not None],
            "sprint_rows": self.sprint_rows(),
            "peak_rows": self.peak_rows(),
            "repeats": [c for label in self.compared if (c := self.repeats(label)) is not None],
            "efficiency": self.efficiency(),
            "strip": self.strip(),
            "session_swatches": [_Safe(swatch(k)) for k in range(len(self.comparison.sessions))]
            if self.comparison is not None
            else [],
            "signal_rows": self.signal_rows(),
        }

    def differences(self, label: str) -> list[tuple[str, Difference]]:
        """What one instrument differs by, segment by segment, with names."""
        found = [
            (plain(s.name, 60), d)
            for s in self.study.segments
            for d in s.differences
            if d.instrument == label
        ]
        found += [
            (plain(f"{c.name} (whole cycles)", 60), d)
            for c in self.study.cycles
            for d in c.differences
            if d.instrument == label
        ]
        return found

    # -- words

    def cards(self) -> list[dict[str, Any]]:
        result = []
        for label, i in self.study.instruments.items():
            result.append(
                {
                    "label": label,
                    "swatch": _Safe(swatch(self.order[label])),
                    "role": i.role,
                    "mount": i.mount,
                    "verdict": i.verdict,
                    "word": WORDS[i.verdict],
                    "sentence": minus(plain(i.sentence)),
                    "cause": i.cause,
                    "cause_text": plain(i.cause_text[:1].upper() + i.cause_text[1:])
                    + ("." if i.cause_text else ""),
                    "answer": ANSWERS[i.serves_as_reference],
                    "why": minus(plain(i.why[:1].upper() + i.why[1:])) + ".",
                    "reasons": [
                        {"point": r.point, "word": POINTS[r.point], "text": minus(plain(r.text))}
                        for r in i.reasons
                    ],
                }
            )
        return result

    def bench_rows(self) -> list[dict[str, str]]:
        result = []
        for label, i in self.study.instruments.items():
            told = ", ".join(fact(k, v) for k, v in i.told.items())
            result.append(
                {
                    "label": label,
                    "role": i.role,
                    "mount": i.mount,
                    "sides": i.sides,
                    "claim": f"± {i.claim_percent:g} %" if i.claim_percent is not None else "not told",
                    "crank": f"{i.crank_length_mm:g} mm" if i.crank_length_mm is not None else NOTHING,
                    "told": told or "nothing",
                    "zeroed": plain("; ".join(i.zeroed)) or "not during the session",
                    "notes": plain(i.notes, 200) or NOTHING,
                }
            )
        return result

    def judged(self) -> list[str]:
        grid, study = self.grid, self.study
        losses = [
            f"{label}: {loss.watts:g} W and {loss.percent:g} % between crank and hub"
            for label, loss in zip(grid.labels, grid.losses, strict=True)
            if loss.watts or loss.percent
        ]
        lags = [
            f"{label} {sure(i.lag_s, i.lag_u95_s, 2)} s"
            for label, i in study.instruments.items()
            if i.lag_s is not None
        ]
        text = [
            f"Every instrument was compared with {self.reference}. Power was not sampled but added up: each "
            "instrument’s work over the same seconds, divided by the time. Where an instrument was not "
            "heard, those seconds count for nobody.",
            "The first seconds after each change of load are left out (they stand in the table), because "
            "instruments average differently.",
        ]
        if losses:
            text.append(
                f"The bench states these losses: {'; '.join(losses)}. Deviations are what is left after "
                "them; a fifth of the loss counts as uncertain."
            )
        if lags:
            text.append(f"Differences in timing were found and taken out: {', '.join(lags)}.")
        limits = [f"{label} {number(self.limit(label))} %" for label in self.compared]
        text.append(
            "The limit comes from both claims (root sum of squares) unless the bench sets one, and is never "
            f"finer than {grid.bench.limits.floor_w:g} W" + (f": {', '.join(limits)}." if limits else ".")
        )
        text.append(
            "“Agrees” means that the deviation and its whole uncertainty (95 %) lie inside the limit, "
            "“differs” that they lie outside it; everything between is “can’t tell yet”. Uncertainty "
            "comes from the scatter of blocks of ten seconds, from the loss, and from what changing "
            "load at the ends of a segment can do."
        )
        faults = sum(d.excluded_s for s in study.segments for d in s.differences)
        if faults:
            text.append(
                "Seconds in which an instrument showed no power, a standing value or a spike are told for "
                "themselves and do not count as a deviation."
            )
        if any(s.found for s in study.segments):
            text.append("Nobody divided this session: its segments were found in the data.")
        return [minus(t) for t in text]

    def traces(self) -> list[tuple[str, str, str]]:
        means = ", ".join(f"{label} {number(self.mean(label), 0)} W" for label in self.powered)
        band = ", ".join(f"{label} ± {number(self.limit(label))} %" for label in self.compared)
        both = [lb for lb in self.powered if self.grid.instruments[self.order[lb]].sides == "both"]
        deviation = (
            f"From {self.reference} over thirty seconds, after the expected loss. Bands: tolerance ({band})."
        )
        power = (
            f"As shown by each instrument, one value a second. Means of the ride: {means}. Grey stripes are "
            "segments; small signs at the foot: squares acts, triangles findings, diamonds changes."
        )
        left = f"Left side’s part of the power over ten seconds: {' against '.join(both) or 'not told'}."
        return [
            ("trace-power", "Power", power),
            ("trace-difference", "Deviation", deviation if band else "Nothing to compare with."),
            ("trace-left", "Left share", left),
            ("trace-cadence", "Cadence", "As told by each instrument."),
        ]

    def mean(self, label: str) -> float | None:
        """Mean power over the whole ride where it is known."""
        power = self.grid.power_w[:, self.order[label]]
        return float(np.nanmean(power)) if np.isfinite(power).any() else None

    def events(self) -> list[dict[str, str]]:
        rows: list[tuple[float, str, str]] = []
        for a in self.grid.recording.acts:
            whom = f"{a.instrument}: " if a.instrument else ""
            rows.append((a.t_ns / 1e9, f"act: {a.act}", f"{whom}{a.text}"))
        for f in self.grid.recording.findings:
            if f.event == "raised":
                rows.append((f.since_s, f"finding: {f.kind}", f.advice))
        for s in self.study.shifts:
            side = "" if s.side == "total" else f" {s.side} side"
            act = f" ({s.act})" if s.act else ""
            by = number(s.delta_percent, 1, True)
            rows.append((s.t_s, "change", f"{s.instrument}{side} moved by {by} %{act}"))
        return [
            {"t": clock(t), "kind": plain(kind, 40), "text": minus(plain(text, 400))}
            for t, kind, text in sorted(rows, key=lambda r: r[0])
        ]

    # -- tables

    def segment_rows(self, s: SegmentStudy) -> dict[str, Any]:
        rows: list[dict[str, Any]] = []
        for label, m in s.means.items():
            d = next((d for d in s.differences if d.instrument == label), None)
            verdict = "reference" if label == self.study.reference else d.verdict if d else "none"
            rows.append(
                {
                    "part": False,
                    "label": label,
                    "note": f"{d.excluded_s} s around a fault left out of differences"
                    if d and d.excluded_s
                    else "",
                    "power": number(m.power_w),
                    "left": number(m.left_w),
                    "right": number(m.right_w),
                    "cadence": number(m.cadence_rpm),
                    "coverage": f"{100.0 * m.coverage:.0f} %",
                    "delta_w": number(d.delta_w if d else None, 1, True),
                    "delta": number(d.delta_percent if d else None, 2, True),
                    "expected": number(d.expected_percent if d else None, 2, True),
                    "deviation": sure(d.deviation_percent, d.u95_percent, 2) if d else NOTHING,
                    "limit": number(d.limit_percent if d else None, 2),
                    "verdict": verdict,
                    "word": WORDS[verdict] if verdict != "none" else NOTHING,
                }
            )
            for p in d.parts if d else []:
                rows.append(
                    {
                        "part": True,
                        "label": f"of these {label} from {clock(p.start_s)} to {clock(p.end_s)}",
                        "deviation": sure(p.deviation_percent, p.u95_percent, 2),
                        "limit": number(d.limit_percent if d else None, 2),
                        "verdict": p.verdict,
                        "word": WORDS[p.verdict],
                    }
                )
        steady = "" if s.steady or s.kind != "block" else ", unsteady"
        return {
            "name": plain(s.name, 60),
            "time": f"{clock(s.start_s)}–{clock(s.end_s)}, {s.settle_s:g} s settling",
            "load": LOADS.get(s.load, s.load) + steady + (f", {plain(s.gear, 30)}" if s.gear else ""),
            "rows": rows,
        }

    def side_rows(self) -> list[dict[str, str]]:
        return [
            {
                "segment": plain(s.name, 60),
                "label": d.instrument,
                "against": d.side_reference,
                "left": number(d.left_delta_w, 1, True),
                "right": number(d.right_delta_w, 1, True),
                "share": f"{100.0 * d.share_right:.0f} %"
                if d.share_right is not None
                else "no difference to share",
                "balance": number(s.means[d.instrument].left_percent, 1)
                + f" (against {number(s.means[d.side_reference].left_percent, 1)})",
            }
            for s in self.study.segments
            for d in s.differences
            if d.side_reference is not None
        ]

    def by_side(self) -> list[str]:
        lines = []
        for label, i in self.study.instruments.items():
            for r in i.by_side:
                lines.append(
                    f"{label}, {r.side} side against {r.reference}, {clock(r.start_s)} to {clock(r.end_s)}: "
                    f"{sure(r.deviation_percent, r.u95_percent)} %, limit {number(r.limit_percent)} %: "
                    f"{WORDS[r.verdict]}"
                )
        return lines

    def split_rows(self) -> list[dict[str, Any]]:
        names = {"load": "load", "torque": "torque", "cadence": "cadence", "power": "power"}
        keys = [(s.by, s.group) for s in self.study.splits if s.by in names]
        rows = []
        for by, group in dict.fromkeys(sorted(keys, key=lambda k: list(names).index(k[0]))):
            cells = []
            for label in self.compared:
                found = next(
                    (s for s in self.study.splits if (s.by, s.group, s.instrument) == (by, group, label)),
                    None,
                )
                cells.append(
                    {
                        "text": f"{sure(found.deviation_percent, found.u95_percent)} (n {found.blocks}) "
                        + WORDS[found.verdict][0]
                        if found
                        else NOTHING,
                        "verdict": found.verdict if found else "none",
                    }
                )
            rows.append({"by": names[by], "group": LOADS.get(group, group), "cells": cells})
        return rows

    def sprint_rows(self) -> list[dict[str, str]]:
        return [
            {
                "segment": plain(s.name, 60),
                "label": label,
                "one": number(peaks["1"], 0),
                "three": number(peaks["3"], 0),
                "five": number(peaks["5"], 0),
                "work": number(s.sprint.work_kj[label], 2),
            }
            for s in self.study.segments
            if s.sprint
            for label, peaks in s.sprint.peaks_w.items()
        ]

    def peak_rows(self) -> list[dict[str, Any]]:
        return [
            {
                "seconds": f"{p.seconds} s" if p.seconds < 120 else f"{p.seconds // 60} min",
                "at": clock(p.start_s),
                "cells": [
                    f"{number(p.best_w[label], 0)} ({number(p.same_window_w[label], 0)})"
                    for label in self.powered
                ],
            }
            for p in self.study.peaks
        ]

    def efficiency(self) -> list[dict[str, str]]:
        rows = []
        for e in self.study.efficiency:
            u95 = f" ± {number(e.u95_percent)}" if e.u95_percent is not None else ""
            rows.append(
                {
                    "segment": plain(e.segment, 60),
                    "pair": f"{e.hub} / {e.crank}",
                    "power": number(e.power_w, 0),
                    "measured": number(e.percent) + u95,
                    "published": f"{number(e.expected_low_percent)} to {number(e.expected_high_percent)}",
                }
            )
        return rows

    def signal_rows(self) -> list[dict[str, str]]:
        rows = []
        for label, i in self.study.instruments.items():
            if i.noise_w is not None:
                noise = number(i.noise_w, 1)
            elif i.noise_high_w is not None:
                noise = f"below {number(i.noise_high_w, 1)}"
            else:
                noise = NOTHING
            rows.append(
                {
                    "label": label,
                    "packets": str(i.signal.packets),
                    "bad": str(i.signal.bad_packets),
                    "missed": str(i.signal.missed_packets),
                    "interval": number(i.signal.interval_s, 2),
                    "gap": number(i.signal.longest_gap_s, 1),
                    "lost": number(i.lost_s, 0),
                    "loss": number(i.loss_percent, 1),
                    "noise": noise,
                    "lag": sure(i.lag_s, i.lag_u95_s, 2),
                    "work": number(i.work_kj, 1),
                }
            )
        return rows

    # -- charts

    def limit(self, label: str) -> float:
        """The tolerance at high power, percent."""
        return self.grid.limit_percent(self.order[label], 1e9)

    def quiet(self, label: str) -> Bools:
        """Which blocks of an instrument lie in quiet riding."""
        result: Bools = self.blocks[label].edge_percent < QUIET_EDGE
        return result

    def forest(self, label: str) -> dict[str, Any] | None:
        """Deviation with interval, a row a segment, on the tolerance band."""
        found = self.differences(label)
        if not found:
            return None
        k = self.order[label]
        rows: list[tuple[str, Difference, Difference | Part]] = []
        for name, d in found:
            rows.append((name, d, d))
            rows += [(f"· {clock(p.start_s)}–{clock(p.end_s)}", d, p) for p in d.parts]
        widest = max(d.limit_percent for _, d in found)
        ends = [r.deviation_percent + sign * (r.u95_percent or 0.0) for *_, r in rows for sign in (-1.0, 1.0)]
        low, high = padded([*ends, -1.2 * widest, 1.2 * widest], 2.0)
        low, high = max(low, -20.0 * widest), min(high, 20.0 * widest)
        n = len(rows)
        agree = sum(r.verdict == "agrees" for *_, r in rows)
        differ = sum(r.verdict == "differs" for *_, r in rows)
        plot = Plot(
            f"{label}: deviation by segment", f"{n} rows; {agree} agree, {differ} differ", (low, high),
            (-n + 0.5, 0.5), "deviation %, with 95 % interval", "", 56.0 + 19.0 * n, 128.0, y_ticks=False,
        )  # fmt: skip
        for row, (name, d, r) in enumerate(rows):
            y = -float(row)
            plot.box(-d.limit_percent, d.limit_percent, y - 0.5, y + 0.5, "tolerance")
            x = min(max(r.deviation_percent, low), high)
            if r.u95_percent is not None:
                a, b = r.deviation_percent - r.u95_percent, r.deviation_percent + r.u95_percent
                plot.whisker((max(low, a), y), (min(high, b), y), k)
            note = f"{name}: {sure(r.deviation_percent, r.u95_percent)} %, {WORDS[r.verdict]}"
            plot.mark(x, y, k, 3.4, note, r.u95_percent is None)
            plot.row_text(y, shortened(name, 19))
        plot.segment((0.0, 0.5), (0.0, -n + 0.5), "rule")
        caption = (
            f"{label} against {found[0][1].reference}, a row a segment. The band is the limit; an interval "
            "inside it agrees, one outside it differs. Pale marks have no interval."
        )
        if n > len(found):
            caption += " Rows with a dot are parts of the segment above them, between two changes."
        return _chart(plot, caption)

    def agreement(self, label: str) -> dict[str, Any] | None:
        """Bland and Altman's plot: difference against mean, with limits."""
        told = next((a for a in self.study.agreement if a.instrument == label), None)
        blocks = self.blocks[label]
        if told is None or not len(blocks.y):
            return None
        k, quiet = self.order[label], self.quiet(label)
        mean = 0.5 * (blocks.own_w + blocks.reference_w)[quiet]
        percent = 100.0 * np.expm1(blocks.y[quiet])
        low, high = number(told.lower_percent, 2, True), number(told.upper_percent, 2, True)
        bias = number(told.bias_percent, 2, True)
        plot = Plot(
            f"{label}: deviation against mean",
            f"bias {bias} percent, limits of agreement {low} to {high} percent",
            padded(mean.tolist(), 40.0),
            padded([*percent.tolist(), told.lower_percent, told.upper_percent], 2.0),
            "mean of both, W", "deviation %",
        )  # fmt: skip
        limit = self.grid.limit_percent(k, float(mean.mean()))
        plot.band(-limit, limit)
        step = max(1, len(mean) // MOST_MARKS)
        for x, y in zip(mean[::step].tolist(), percent[::step].tolist(), strict=True):
            plot.mark(x, y, k, 2.0, faint=True)
        of = blocks.segment[quiet]
        for segment in np.unique(of).tolist():
            inside = of == segment
            x, y = float(mean[inside].mean()), float(percent[inside].mean())
            name = plain(self.study.segments[segment].name, 60)
            plot.mark(x, y, k, 4.5, f"{name}: {number(y, 2, True)} % at {x:.0f} W")
        plot.rule(told.bias_percent, f"bias {bias} %")
        plot.rule(told.lower_percent, f"{low} %", "limit")
        plot.rule(told.upper_percent, f"{high} %", "limit")
        caption = (
            f"{label} against {told.reference}, after the expected loss: {told.blocks} blocks of ten seconds "
            "(pale) and the means of the segments (large). Between the dashed limits lie 95 % of such "
            "blocks (Bland and Altman); band: tolerance."
        )
        return _chart(plot, caption)

    def torque_line(self, label: str) -> dict[str, Any] | None:
        """Deviation of torque against torque with the fitted line."""
        line = next((x for x in self.study.lines if x.instrument == label), None)
        if line is None:
            return None
        k, blocks = self.order[label], self.blocks[label]
        quiet = self.quiet(label) & np.isfinite(blocks.torque_nm)
        x = blocks.torque_nm[quiet]
        y = x * np.expm1(blocks.y[quiet])
        percent, zero = number(100.0 * (line.gain - 1.0), 2, True), number(line.offset_nm, 2, True)
        plot = Plot(
            f"{label}: torque against torque", f"scale {percent} percent, zero {zero} N·m",
            padded([*x.tolist(), 0.0], 10.0), padded([*y.tolist(), 0.0], 0.8),
            "torque of the reference, N·m", "own torque minus it, N·m",
        )  # fmt: skip
        step = max(1, len(x) // MOST_MARKS)
        for px, py in zip(x[::step].tolist(), y[::step].tolist(), strict=True):
            plot.mark(px, py, k, 2.2, faint=True)
        plot.rule(0.0)
        plot.line([(e, line.offset_nm + (line.gain - 1.0) * e) for e in plot.x], k)
        scale = f"{percent} % ± {number(100.0 * line.gain_u95, 2)} %"
        zero = f"{zero} ± {number(line.offset_u95_nm, 2)} N·m"
        if line.told:
            words = f"scale {scale}, zero {zero}"
        else:
            words = (
                f"the torques ridden are too alike to tell scale ({scale}) from zero ({zero}); at "
                f"{number(line.mean_nm, 0)} N·m the deviation is {number(line.at_mean_nm, 2, True)} N·m"
            )
        caption = (
            f"{label} against {line.reference}: {words}. A scale error makes the line steep and does not go "
            "away with zeroing; a zero offset lifts it as a whole."
        )
        return _chart(plot, caption)

    def where(self, by: str) -> dict[str, Any] | None:
        """Deviation against torque or cadence: bins with intervals, all instruments."""
        unit = {"torque": "N·m", "cadence": "rpm"}[by]
        groups: list[tuple[int, float, float, float | None, str]] = []
        cloud: list[tuple[int, float, float]] = []
        for label in self.compared:
            k, blocks = self.order[label], self.blocks[label]
            values = blocks.torque_nm if by == "torque" else blocks.cadence_rpm
            quiet = self.quiet(label) & np.isfinite(values)
            step = max(1, int(quiet.sum()) // (MOST_MARKS // 2))
            for x, y in zip(values[quiet][::step].tolist(), blocks.y[quiet][::step].tolist(), strict=True):
                cloud.append((k, x, 100.0 * math.expm1(y)))
            for s in self.study.splits:
                if s.by != by or s.instrument != label:
                    continue
                low = -math.inf if s.low is None else s.low
                high = math.inf if s.high is None else s.high
                with np.errstate(invalid="ignore"):
                    inside = quiet & (values >= low) & (values < high)
                if inside.any():
                    note = f"{label}, {s.group}: {sure(s.deviation_percent, s.u95_percent)} %"
                    at = float(values[inside].mean())
                    groups.append((k, at, s.deviation_percent, s.u95_percent, note))
        if not groups:
            return None
        ys = [y + sign * (u or 0.0) for _, _, y, u, _ in groups for sign in (-1.0, 1.0)]
        plot = Plot(
            f"Deviation against {by}", f"{len(groups)} groups of blocks",
            padded([x for _, x, _ in cloud] + [x for _, x, *_ in groups], 10.0),
            padded(ys + [y for *_, y in cloud], 3.0), f"{by}, {unit}", "deviation %",
        )  # fmt: skip
        tightest = min(self.limit(label) for label in self.compared)
        plot.band(-tightest, tightest)
        for k, x, y in cloud:
            plot.mark(x, y, k, 1.5, faint=True)
        plot.rule(0.0)
        width = plot.x[1] - plot.x[0]
        for k, x, y, u, note in groups:
            # Side by side, so that no interval hides another.
            x += 0.012 * width * (k - 0.5 * len(self.order))
            if u is not None:
                plot.whisker((x, y - u), (x, y + u), k)
            plot.mark(x, y, k, 4.0, note)
        caption = (
            "Groups of blocks with 95 % intervals; small and pale: single blocks. Band: the tightest "
            "tolerance."
        )
        return _chart(plot, caption, self.legend(self.compared))

    def sprint(self, s: SegmentStudy) -> dict[str, Any] | None:
        """All instruments through one sprint, second by second."""
        if s.sprint is None:
            return None
        series = overlay(self.grid, s.start_s, s.end_s)
        values = [v for label in self.powered for v in series[label] if v == v]
        if not values:
            return None
        name = plain(s.name, 60)
        peaks = {label: s.sprint.peaks_w[label]["1"] for label in self.powered}
        words = ", ".join(f"{label} {number(w, 0)} W" for label, w in peaks.items())
        plot = Plot(
            f"{name} at one second", f"peaks: {words}", (float(series["t"][0]), float(series["t"][-1])),
            padded([*values, 0.0], 100.0), "seconds from its beginning", "power W",
        )  # fmt: skip
        for label in self.powered:
            k = self.order[label]
            plot.line(list(zip(series["t"], series[label], strict=True)), k)
            top, at = peaks[label], s.sprint.peak_s[label]
            if top is not None and at is not None:
                plot.mark(at - s.start_s, top, k, 4.0, f"{label}: {number(top, 0)} W")
        caption = f"{name} at {clock(s.start_s)}. Highest second (marked): {words}."
        return _chart(plot, caption, self.legend(self.powered))

    def legend(self, labels: list[str]) -> str:
        """Which line and marker is whose, as markup."""
        shown = [f'<span class="key">{swatch(self.order[label])} {escape(label)}</span>' for label in labels]
        return _Safe("".join(shown))

    def repeats(self, label: str) -> dict[str, Any] | None:
        """First and last of each repeated block beside each other."""
        told = [r for r in self.study.repeats if r.instrument == label]
        if not told:
            return None
        ends = [
            [
                (-0.12, r.first_percent, r.first_u95_percent, r.first),
                (0.12, r.last_percent, r.last_u95_percent, r.last),
            ]
            for r in told
        ]  # fmt: skip
        ys = [y + sign * (u or 0.0) for pair in ends for _, y, u, _ in pair for sign in (-1.0, 1.0)]
        limit, k = self.limit(label), self.order[label]
        plot = Plot(
            f"{label}: the same block at first and at last", f"{len(told)} kinds of block",
            (-0.5, len(told) - 0.5), padded([*ys, -1.2 * limit, 1.2 * limit], 2.0),
            "left mark: first, right mark: last", "deviation %", x_ticks=False,
        )  # fmt: skip
        plot.band(-limit, limit)
        plot.rule(0.0)
        for column, pair in enumerate(ends):
            plot.line([(column + by, y) for by, y, _, _ in pair], k)
            for by, y, u, name in pair:
                x = column + by
                if u is not None:
                    plot.whisker((x, y - u), (x, y + u), k)
                plot.mark(x, y, k, 4.0, f"{plain(name, 60)}: {sure(y, u)} %")
            plot.column_text(column, shortened(plain(told[column].name, 60), 60 // len(told) + 4))
        caption = f"{label}: the first and the last block of each kind with 95 % intervals."
        return _chart(plot, caption)

    def against(self) -> list[dict[str, Any]]:
        """A plot per instrument: segments as rows, sessions beside each other, with intervals."""
        comparison = self.comparison
        if comparison is None:
            return []
        charts = []
        for label in dict.fromkeys(row.instrument for row in comparison.rows):
            rows = [row for row in comparison.rows if row.instrument == label]
            told = [r for row in rows for r in row.results if r is not None]
            ends = [r.deviation_percent + sign * (r.u95_percent or 0.0) for r in told for sign in (-1.0, 1.0)]
            limit = self.limit(label)
            n, many = len(rows), len(comparison.sessions)
            height = max(19.0, 8.0 * many)
            plot = Plot(
                f"{label}: sessions side by side", f"{n} segments in {many} sessions",
                padded([*ends, -1.2 * limit, 1.2 * limit], 2.0), (-n + 0.5, 0.5),
                "deviation %, with 95 % interval", "", 56.0 + height * n, 128.0, y_ticks=False,
            )  # fmt: skip
            plot.box(-limit, limit, -n + 0.5, 0.5, "tolerance")
            for at, row in enumerate(rows):
                plot.row_text(-float(at), shortened(plain(row.segment, 60), 19))
                for k, r in enumerate(row.results):
                    if r is None:
                        continue
                    y = -at + 0.7 * (0.5 - (k + 0.5) / many)
                    if r.u95_percent is not None:
                        low, high = r.deviation_percent - r.u95_percent, r.deviation_percent + r.u95_percent
                        plot.whisker((max(low, plot.x[0]), y), (min(high, plot.x[1]), y), k)
                    note = f"{plain(r.session, 60)}: {sure(r.deviation_percent, r.u95_percent)} %"
                    plot.mark(r.deviation_percent, y, k, 3.2, note)
            plot.segment((0.0, 0.5), (0.0, -n + 0.5), "rule")
            charts.append(_chart(plot, f"{label}: each segment in each session. Band: tolerance."))
        return charts

    def repeatability(self) -> list[dict[str, str]]:
        if self.comparison is None:
            return []
        return [
            {
                "label": r.instrument,
                "sessions": str(r.sessions),
                "segments": str(r.segments),
                "within": number(r.within_percent, 2),
                "between": number(r.between_percent, 2),
                "total": number(r.total_percent, 2),
                "r": number(r.repeatability_limit_percent, 2),
                "R": number(r.reproducibility_limit_percent, 2),
            }
            for r in self.comparison.repeatability
        ]

    def strip(self) -> dict[str, Any] | None:
        """When each instrument was heard, on one time axis."""
        seconds = self.grid.seconds
        if not seconds:
            return None
        width, left, row = 840.0, 110.0, 22.0
        height = 34.0 + row * len(self.study.instruments)
        scale = (width - left - 30.0) / seconds
        parts = []
        lost = []
        for k, (label, i) in enumerate(self.study.instruments.items()):
            y = 6.0 + row * k
            parts.append(tag("text", label, class_="tick", text_anchor="end", x=left - 8, y=y + 12))
            parts.append(tag("rect", class_="heard", x=left, y=y + 5, width=seconds * scale, height=6))
            if i.lost_s > 0.0:
                lost.append(f"{label} {number(i.lost_s, 0)} s")
            kinds = (("lost", i.signal.lost, "not heard"), ("nothing", i.signal.no_power, "no power"))
            for name, spans, word in kinds:
                for a, b in spans:
                    box = tag(
                        "rect",
                        class_=name,
                        x=left + a * scale,
                        y=y,
                        width=max(1.5, (b - a) * scale),
                        height=16,
                    )
                    parts.append(titled(box, f"{label} {word} {clock(a)} to {clock(b)}"))
        for m in nice_ticks(0.0, seconds / 60.0, 8):
            x = left + 60.0 * m * scale
            parts.append(tag("text", clock(60.0 * m), class_="tick", text_anchor="middle", x=x, y=height - 8))
        svg = picture(
            width, height, "When each instrument was heard", f"Not heard: {', '.join(lost) or 'none'}", parts
        )
        caption = (
            "Dark: not heard while the others showed pedalling. Lighter: heard, but showed no power then."
        )
        return {"svg": _Safe(svg), "caption": caption}


def shortened(text: str, most: int) -> str:
    """A text of at most so many signs."""
    return text if len(text) <= most else f"{text[: most - 1]}…"


def minus(text: str) -> str:
    """Real minus signs before numbers."""
    return _MINUS.sub("−", text)


_MINUS = re.compile(r"(?<![\w\d.)])-(?=\d)")


def _chart(plot: Plot, caption: str, legend: str = "") -> dict[str, Any]:
    return {"svg": _Safe(plot.svg()), "caption": caption, "legend": legend}
