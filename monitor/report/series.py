"""What the traces of the report are drawn from: one value a second, or fewer in a long session."""

import math
from collections.abc import Sequence
from typing import Any

import msgspec
import numpy as np

from monitor.analysis.statistics import Floats
from monitor.study.grid import Grid
from monitor.study.results import Study
from monitor.text import plain

MOST_POINTS = 5400
WINDOW_S = 30
ACTS = {
    "segment": "",
    "mark": "mark",
    "zeroed": "zeroed",
    "gear": "gear",
    "position": "seated",
    "note": "note",
}


def payload(study: Study, grid: Grid) -> dict[str, Any]:
    """Plain lists for the page's script; null where nothing is known.

    `t` seconds; `power`, `cadence`, `left` by label as shown; `difference` by label, percent
    at the crank over WINDOW_S around each time; `limits` percent.
    """
    step = max(1, math.ceil(grid.seconds / MOST_POINTS))
    n = grid.seconds // step
    t = [k * step for k in range(n)]
    power: dict[str, list[float | None]] = {}
    cadence: dict[str, list[float | None]] = {}
    left: dict[str, list[float | None]] = {}
    difference: dict[str, list[float | None]] = {}
    limits: dict[str, float] = {}
    for i, label in enumerate(grid.labels):
        if i in grid.powered:
            power[label] = _listed(_every(grid.power_w[:, i], step, n), 1)
            if grid.instruments[i].sides == "both":
                left[label] = _listed(_every(_share(grid, i), step, n), 2)
        rpm = _every(grid.cadence_rpm[:, i], step, n)
        if np.isfinite(rpm).any():
            cadence[label] = _listed(rpm, 1)
        if grid.reference_label(i) is not None:
            pair = grid.compared(i)
            difference[label] = _listed(_every(rolling(pair.own_w, pair.reference_w), step, n), 2)
            limits[label] = round(grid.limit_percent(i, 1e9), 3)
    return {
        "t": t,
        "step": step,
        "labels": [label for label in grid.labels if label in power],
        "all": list(grid.labels),
        "power": power,
        "cadence": cadence,
        "left": left,
        "difference": difference,
        "limits": limits,
        "segments": [{"name": plain(s.name, 60), "from": s.start_s, "to": s.end_s} for s in study.segments],
        "marks": marks(study, grid),
    }


def marks(study: Study, grid: Grid) -> list[dict[str, Any]]:
    """Acts and findings on the time axis: second, sign, words."""
    found: list[dict[str, Any]] = []
    for act in grid.recording.acts:
        if act.act == "segment":
            continue
        whom = f"{act.instrument} " if act.instrument else ""
        text = f"{whom}{ACTS.get(act.act, act.act)} {act.text}".strip()
        found.append({"t": round(act.t_ns / 1e9, 1), "sign": "act", "text": plain(text, 120)})
    for f in grid.recording.findings:
        if f.event == "raised":
            side = "" if f.side in (None, "total") else f"{f.side} "
            found.append(
                {
                    "t": round(f.since_s, 1),
                    "sign": "finding",
                    "text": plain(f"{f.instrument} {side}{f.kind}".strip(), 120),
                }
            )
    for s in study.shifts:
        side = "" if s.side == "total" else f"{s.side} side "
        found.append(
            {"t": s.t_s, "sign": "change", "text": f"{s.instrument} {side}moved by {s.delta_percent:+.1f} %"}
        )
    return sorted(found, key=lambda m: (m["t"], m["sign"], m["text"]))


def script_json(value: object) -> str:
    """JSON that may stand inside a script element: nothing in it can end the element."""
    text = msgspec.json.encode(value).decode()
    for sign in "<>&\u2028\u2029":
        text = text.replace(sign, f"\\u{ord(sign):04x}")
    return text


def _share(grid: Grid, i: int) -> Floats:
    """Left part of the power, percent, over ten seconds."""
    left, total = _sums(grid.left_w[:, i], 10), _sums(grid.power_w[:, i], 10)
    with np.errstate(invalid="ignore", divide="ignore"):
        result: Floats = np.where(total > 200.0, 100.0 * left / total, np.nan)
    return result


def rolling(own: Floats, reference: Floats) -> Floats:
    """Percent by which work differs over WINDOW_S around each second; nan with a fifth of it unknown."""
    both = np.isfinite(own) & np.isfinite(reference)
    a = _box(np.where(both, own, 0.0), WINDOW_S)
    b = _box(np.where(both, reference, 0.0), WINDOW_S)
    n = _box(both.astype(np.float64), WINDOW_S)
    with np.errstate(invalid="ignore", divide="ignore"):
        good = (n >= 0.8 * WINDOW_S) & (b >= 30.0 * n)
        result: Floats = np.where(good, 100.0 * (a / b - 1.0), np.nan)
    return result


def _sums(values: Floats, width: int) -> Floats:
    """Running sums; nan where a value is unknown."""
    good = np.isfinite(values)
    total = _box(np.where(good, values, 0.0), width)
    result: Floats = np.where(_box(good.astype(np.float64), width) >= width - 0.5, total, np.nan)
    return result


def _box(values: Floats, width: int) -> Floats:
    """Sums over `width` values around each, fewer at the ends."""
    n = len(values)
    total = np.concatenate(([0.0], np.cumsum(values)))
    at = np.arange(n)
    result: Floats = total[np.minimum(n, at + width // 2 + width % 2)] - total[np.maximum(0, at - width // 2)]
    return result


def _every(values: Floats, step: int, n: int) -> Floats:
    if step == 1:
        return values[:n]
    rows = values[: n * step].reshape(n, step)
    good = np.isfinite(rows)
    count = good.sum(axis=1)
    with np.errstate(invalid="ignore", divide="ignore"):
        result: Floats = np.where(2 * count >= step, np.where(good, rows, 0.0).sum(axis=1) / count, np.nan)
    return result


def _listed(values: Floats, digits: int) -> list[float | None]:
    return [v if v == v else None for v in np.round(values, digits).tolist()]


def overlay(
    grid: Grid, start_s: float, end_s: float, before_s: int = 5, after_s: int = 8
) -> dict[str, Sequence[Any]]:
    """One sprint at 1 s, every instrument moved by its lag: seconds from its beginning, watts by label."""
    begin, end = max(0, int(start_s) - before_s), min(grid.seconds, math.ceil(end_s) + after_s)
    result: dict[str, Sequence[Any]] = {"t": [k - start_s for k in range(begin, end)]}
    from monitor.study.grid import moved

    for i in grid.powered:
        result[grid.labels[i]] = moved(grid.power_w[:, i], grid.lag_s(i))[begin:end].tolist()
    return result
