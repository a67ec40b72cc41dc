"""The rows of the page's tables, as texts."""

from typing import Any

from monitor.report.material import Material
from monitor.report.words import LOADS, WORDS
from monitor.study.results import SamePeak, SegmentStudy
from monitor.text import PAGE, clock, minus, plain

LONG_PEAK_S = 15
"""Shorter ones stand in the table of the same seconds."""
number, sure, NOTHING = PAGE.number, PAGE.sure, PAGE.nothing


def segment_rows(given: Material, s: SegmentStudy) -> dict[str, Any]:
    """One segment: a row an instrument, below it its parts between two changes."""
    rows: list[dict[str, Any]] = []
    for label in given.labels:
        m = s.means[label]
        d = next((d for d in s.differences if d.instrument == label), None)
        verdict = "reference" if label == given.study.reference else d.verdict if d else "none"
        rows.append(
            {
                "part": False,
                "silent": m.power_w is None and d is None,
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
                    "silent": False,
                    "label": f"· {label} {clock(p.start_s)} to {clock(p.end_s)}",
                    "deviation": sure(p.deviation_percent, p.u95_percent, 2),
                    "limit": number(d.limit_percent if d else None, 2),
                    "verdict": p.verdict,
                    "word": WORDS[p.verdict],
                }
            )
    steady = "" if s.steady or s.kind != "block" else ", unsteady"
    return {
        "name": plain(s.name, 60),
        "time": f"{clock(s.start_s)} to {clock(s.end_s)}, {s.settle_s:g} s settling",
        "load": LOADS.get(s.load, s.load) + steady + (f", {plain(s.gear, 30)}" if s.gear else ""),
        "rows": rows,
    }


def by_side(given: Material) -> list[dict[str, str]]:
    """Each side against the same side of another instrument."""
    return [
        {
            "label": label,
            "side": r.side,
            "against": r.reference,
            "start": clock(r.start_s),
            "end": clock(r.end_s),
            "deviation": sure(r.deviation_percent, r.u95_percent),
            "limit": number(r.limit_percent),
            "verdict": r.verdict,
        }
        for label in given.labels
        for r in given.study.instruments[label].by_side
    ]


def act_rows(given: Material) -> list[dict[str, str]]:
    """What the tester did, in the order of time, with what it changed where that was judged."""
    judged = given.study.acts_judged
    effects = {(round(a.t_s), a.act, a.instrument): a.effect.replace("-", " ") for a in judged}
    return [
        {
            "t": clock(act.t_ns / 1e9),
            "act": plain(act.act, 40),
            "label": plain(act.instrument, 40) or NOTHING,
            "text": plain(act.text, 300) or NOTHING,
            "effect": effects.get((round(act.t_ns / 1e9), act.act, act.instrument), NOTHING).replace(
                "-", " "
            ),
        }
        for act in given.grid.recording.acts
        if act.act not in ("segment", "finish") and given.tells_of(act.instrument)
    ]


def _left_percent(s: SegmentStudy, label: str) -> float | None:
    """The left part of the power, percent; None where the page does not tell of that instrument."""
    means = s.means.get(label)
    return None if means is None else means.left_percent


def side_rows(given: Material) -> list[dict[str, str]]:
    """Left and right differences and balance, a row a segment and instrument."""
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
            + f" (against {number(_left_percent(s, d.side_reference), 1)})",
        }
        for s in given.study.segments
        for d in s.differences
        if d.side_reference is not None
    ]


def split_rows(given: Material) -> list[dict[str, Any]]:
    """Deviation by load, torque, cadence, power and stroke, a column an instrument."""
    names = {
        "load": "load", "gear": "gear", "torque": "torque", "cadence": "cadence", "power": "power",
        "effectiveness": "torque effectiveness", "peak angle": "angle of peak torque", "position": "position",
    }  # fmt: skip
    keys = [(s.by, s.group) for s in given.study.splits if s.by in names]
    rows = []
    for by, group in dict.fromkeys(sorted(keys, key=lambda k: list(names).index(k[0]))):
        cells = []
        for label in given.compared:
            found = next(
                (s for s in given.study.splits if (s.by, s.group, s.instrument) == (by, group, label)),
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


def same_rows(given: Material) -> list[dict[str, Any]]:
    """Highest means in the seconds of the reference's peak: of sprints, stretches and the session."""
    sprints = [(plain(s.name, 60), s.sprint.same) for s in given.study.segments if s.sprint]
    known = {(p.seconds, p.start_s) for _, same in sprints for p in same}
    asked = [(plain(s.name, 60), s.peaks) for s in given.study.stretches]
    session = [p for p in given.study.highest if (p.seconds, p.start_s) not in known]
    return [
        {
            "name": name,
            "seconds": f"{p.seconds} s",
            "at": clock(p.start_s),
            "cells": [_same_cell(p, label) for label in given.powered],
        }
        for name, peaks in [*sprints, *asked, ("whole session", session)]
        for p in peaks
    ]


def _same_cell(p: SamePeak, label: str) -> str:
    """Watts, and by how much they differ from the reference's in the same seconds."""
    d = next((d for d in p.differences if d.instrument == label), None)
    text = number(p.power_w.get(label), 0)
    if d is not None:
        text += f" ({number(d.delta_w, 0, True)} W, {number(d.delta_percent, 1, True)} %)"
    return f"{text}, cut off" if label in p.clipped else text


def peak_rows(given: Material) -> list[dict[str, Any]]:
    """Highest means over a time: an instrument's own best and that of the same seconds."""
    return [
        {
            "seconds": f"{p.seconds} s" if p.seconds < 120 else f"{p.seconds // 60} min",
            "at": clock(p.start_s),
            "cells": [
                f"{number(p.best_w[label], 0)} ({number(p.same_window_w[label], 0)})"
                for label in given.powered
            ],
        }
        for p in given.study.peaks
        if p.seconds >= LONG_PEAK_S
    ]


def efficiency(given: Material) -> list[dict[str, str]]:
    """Power at the hub over power at the crank beside published values."""
    rows = []
    for e in given.study.efficiency:
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


def signal_rows(given: Material) -> list[dict[str, str]]:
    """How each instrument was received, how it scatters and how late it is."""
    rows = []
    for label in given.labels:
        i = given.study.instruments[label]
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


def repeatability(given: Material) -> list[dict[str, str]]:
    """Spread within and between sessions, terms of ISO 5725."""
    if given.comparison is None:
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
        for r in given.comparison.repeatability
    ]


def finding_rows(given: Material) -> list[dict[str, str]]:
    """Findings in the order raised, each once: since when, until when, and how it ended."""
    rows: list[dict[str, str]] = []
    open_rows: dict[tuple[str, str, str | None], dict[str, str]] = {}
    for f in given.grid.recording.findings:
        key = (f.kind, f.instrument, f.side)
        if not given.tells_of(f.instrument):
            continue
        if f.event == "raised" and key not in open_rows:
            side = f" {f.side}" if f.side in ("left", "right") else ""
            open_rows[key] = {
                "label": f.instrument,
                "kind": f"{f.kind.replace('-', ' ')}{side}",
                "since": clock(f.since_s),
                "until": NOTHING,
                "ended": "still open at the end",
                "what": "",
            }
            rows.append(open_rows[key])
        if f.event == "raised":
            # The last raising knows most of the cause.
            open_rows[key]["what"] = minus(plain(f.what, 300))
        elif key in open_rows:
            open_rows.pop(key).update(until=clock(f.t_s), ended=minus(plain(f.what, 120)))
    return rows
