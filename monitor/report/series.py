"""What the traces of the report are drawn from: one value a second, or fewer in a long session."""

import math
from collections.abc import Sequence
from typing import Any

import msgspec
import numpy as np
from numpy.typing import NDArray

from monitor.analysis.block import MIN_POWER_W
from monitor.analysis.statistics import Floats
from monitor.report.material import Material
from monitor.study.estimate.edges import edge_percent
from monitor.study.grid import moved
from monitor.study.parts.common import QUIET_EDGE
from monitor.study.results import Study
from monitor.text import change_by, plain

Indices = NDArray[np.intp]

MOST_POINTS = 21600
"""Six hours of seconds; longer sessions are thinned."""
SIDE_W = MIN_POWER_W / 3.0
"""A side with less says nothing in percent."""
SMOOTH_S = (1, 3, 5, 10, 30)
"""The choices of the page's one switch."""
KNOWN_PART = 0.8
"""A mean needs this part of its seconds."""
ACTS = {
    "segment": "",
    "mark": "mark",
    "zeroed": "zeroed",
    "gear": "gear",
    "position": "seated",
    "note": "note",
}


def payload(given: Material) -> dict[str, Any]:
    """Plain lists for the page's script; null where nothing is known.

    `power`, `cadence`, `left`, `right` by label as shown, W and rpm; `limits` percent, `side_limits`
    percent; `changes` the rows at which what is compared changed; `thin`, of a long session only: what is
    compared, in means of `step` seconds.
    """
    grid, study = given.grid, given.study
    step = max(1, math.ceil(grid.seconds / MOST_POINTS))
    n = grid.seconds // step
    told: dict[str, dict[str, list[float | None]]] = {"power": {}, "cadence": {}, "left": {}, "right": {}}
    for label in given.labels:
        i = given.order[label]
        if i in grid.powered:
            told["power"][label] = _listed(every(grid.power_w[:, i], step, n), 1)
            sides = grid.instruments[i].sides
            if sides in ("both", "left"):
                told["left"][label] = _listed(every(grid.left_w[:, i], step, n), 1)
            if sides in ("both", "right"):
                told["right"][label] = _listed(every(grid.power_w[:, i] - grid.left_w[:, i], step, n), 1)
        rpm = every(grid.cadence_rpm[:, i], step, n)
        if np.isfinite(rpm).any():
            told["cadence"][label] = _listed(rpm, 1)
    return {
        "n": n,
        "step": step,
        "window_s": grid.bench.limits.window_s,
        "labels": given.labels,
        "looks": {
            label: {"key": look.key, "dash": list(look.dash), "width": look.width}
            for label, look in given.looks.items()
            if label in given.labels
        },
        **told,
        "limits": {label: round(given.limit(label), 3) for label in given.compared},
        "side_references": {
            label: grid.labels[side]
            for label in given.compared
            if (side := grid.side_references.get(given.order[label])) is not None
        },
        "thin": {label: _thin(given, label, step, n) for label in given.compared if step > 1},
        "segments": [{"name": plain(s.name, 60), "from": s.start_s, "to": s.end_s} for s in study.segments],
        "changes": {label: [round(c / step) for c in changes_of(study, label)] for label in given.compared},
        "marks": marks(given),
    }


def _thin(given: Material, label: str, step: int, n: int) -> dict[str, list[float | None]]:
    """Both powers, and both of each side, over the seconds that both know."""
    pair = given.grid.compared(given.order[label])
    found = {}
    for name, own, theirs in (
        ("own", pair.own_w, pair.reference_w),
        ("left", pair.left_w, pair.left_reference_w),
        ("right", pair.right_w, pair.right_reference_w),
    ):
        both = np.isfinite(own) & np.isfinite(theirs)
        if both.any():
            found[name] = _listed(every(np.where(both, own, np.nan), step, n), 2)
            found[f"{name}_reference"] = _listed(every(np.where(both, theirs, np.nan), step, n), 2)
    return found


def marks(given: Material) -> list[dict[str, Any]]:
    """Acts and findings on the time axis: second, sign, words."""
    study, grid = given.study, given.grid
    found: list[dict[str, Any]] = []
    for act in grid.recording.acts:
        if act.act == "segment" or not given.tells_of(act.instrument):
            continue
        whom = f"{act.instrument} " if act.instrument else ""
        text = f"{whom}{ACTS.get(act.act, act.act)} {act.text}".strip()
        found.append({"t": round(act.t_ns / 1e9, 1), "sign": "act", "text": plain(text, 120)})
    standing: set[tuple[str, str, str | None]] = set()
    for f in grid.recording.findings:
        key = (f.kind, f.instrument, f.side)
        if not given.tells_of(f.instrument):
            continue
        if f.event == "cleared":
            standing.discard(key)
        elif key not in standing:
            standing.add(key)
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
            {"t": s.t_s, "sign": "change", "text": f"{s.instrument} {side}moved {change_by(s.delta_percent)}"}
        )
    return sorted(found, key=lambda m: (m["t"], m["sign"], m["text"]))


def script_json(value: object) -> str:
    """JSON that may stand inside a script element: nothing in it can end the element."""
    text = msgspec.json.encode(value).decode()
    for sign in "<>&\u2028\u2029":
        text = text.replace(sign, f"\\u{ord(sign):04x}")
    return text


def rolling(
    own: Floats,
    reference: Floats,
    window_s: int,
    least_w: float = MIN_POWER_W,
    changes_s: Sequence[float] = (),
) -> Floats:
    """Percent by which work differs over `window_s` around each second; no window reaches over a change.

    nan with a fifth of it unknown, or below a mean of `least_w`.
    """
    both = np.isfinite(own) & np.isfinite(reference)
    begin, end = _windows(len(own), window_s, changes_s)
    a = _box(np.where(both, own, 0.0), begin, end)
    b = _box(np.where(both, reference, 0.0), begin, end)
    n = _box(both.astype(np.float64), begin, end)
    with np.errstate(invalid="ignore", divide="ignore"):
        good = (n >= KNOWN_PART * _needed(begin, end, window_s)) & (b >= least_w * n)
        result: Floats = np.where(good, 100.0 * (a / b - 1.0), np.nan)
    return result


def deviations(given: Material, label: str, window_s: int) -> dict[str, Floats]:
    """Deviation over time of `total`, `left` and `right`, percent, as far as they are compared.

    Windows end at changes. Where a lag of what timing leaves open would move a window's mean by more than
    blocks may have of it, as beside a rest or a sprint, nothing is known.
    """
    grid = given.grid
    k = given.order[label]
    pair, changes_s = grid.compared(k), changes_of(given.study, label)
    begin, end = _windows(grid.seconds, window_s, changes_s)
    edge = edge_percent(pair.own_w, pair.reference_w, begin, end, grid.lag_bound_s(k))

    def quiet(own: Floats, theirs: Floats, least_w: float) -> Floats:
        result: Floats = np.where(
            edge <= QUIET_EDGE, rolling(own, theirs, window_s, least_w, changes_s), np.nan
        )
        return result

    found = {"total": quiet(pair.own_w, pair.reference_w, MIN_POWER_W)}
    if grid.side_references.get(k) is not None:
        found["left"] = quiet(pair.left_w, pair.left_reference_w, SIDE_W)
        found["right"] = quiet(pair.right_w, pair.right_reference_w, SIDE_W)
    return found


def smoothed(values: Floats, window_s: int) -> Floats:
    """Means over `window_s` around each second; nan with more than a fifth of them unknown."""
    known = np.isfinite(values)
    begin, end = _windows(len(values), window_s)
    n = _box(known.astype(np.float64), begin, end)
    total = _box(np.where(known, values, 0.0), begin, end)
    with np.errstate(invalid="ignore", divide="ignore"):
        result: Floats = np.where(n >= KNOWN_PART * _needed(begin, end, window_s), total / n, np.nan)
    return result


def changes_of(study: Study, label: str) -> list[float]:
    """When an instrument changed, seconds in order: where one of its states ends and the next begins."""
    states = study.instruments[label].states
    return sorted({s.from_s for s in states[1:]} | {s.to_s for s in states[:-1]})


def _windows(n: int, width: int, changes_s: Sequence[float] = ()) -> tuple[Indices, Indices]:
    """First row of the window around each of `n` rows, and the one after its last.

    Windows are cut at the ends and at changes: a mean over both sides of one is true of neither.
    """
    at = np.arange(n)
    cuts = np.array(sorted({0, n, *(min(n, max(0, round(c))) for c in changes_s)}))
    part = np.searchsorted(cuts, at, side="right")
    begin = np.maximum(cuts[part - 1], at - width // 2)
    end = np.minimum(cuts[part], at + width // 2 + width % 2)
    return begin, end


def _needed(begin: Indices, end: Indices, width: int) -> Indices:
    """Seconds that a window has; cut windows count as half a whole one at least."""
    needed: Indices = np.maximum(end - begin, (width + 1) // 2)
    return needed


def _box(values: Floats, begin: Indices, end: Indices) -> Floats:
    """Sums over windows."""
    total = np.concatenate(([0.0], np.cumsum(values)))
    result: Floats = total[end] - total[begin]
    return result


def every(values: Floats, step: int, n: int) -> Floats:
    """Means of `step` neighbouring values, the first `n` of them; nan with more than half unknown."""
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
    given: Material, start_s: float, end_s: float, before_s: int = 5, after_s: int = 8
) -> dict[str, Sequence[Any]]:
    """One sprint at 1 s, every instrument moved by its lag: seconds from its beginning, watts by label."""
    grid = given.grid
    begin, end = max(0, int(start_s) - before_s), min(grid.seconds, math.ceil(end_s) + after_s)
    result: dict[str, Sequence[Any]] = {"t": [k - start_s for k in range(begin, end)]}
    for i in grid.powered:
        if grid.labels[i] not in given.labels:
            continue
        result[grid.labels[i]] = moved(grid.power_w[:, i], grid.lag_s(i))[begin:end].tolist()
    return result
