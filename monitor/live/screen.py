"""What a screen shows: the View, made from the pipeline as it stands."""

import math
from typing import Any

from monitor.analysis.block import BLOCK_S
from monitor.analysis.curve import COVERED, LEFT, REVS, SIDED, TURNED, WORK
from monitor.analysis.statistics import judge
from monitor.finding import Kind, Side
from monitor.live.advice.again import again_of
from monitor.live.bank import Standing
from monitor.live.pair import TRAIL_S, Window
from monitor.live.pipeline import Pipeline
from monitor.live.view import Again, AlarmView, Heard, Lane, StrokeView, Verdict, View
from monitor.text import clock

SHOWN_MEAN_S = 3
"""Seconds. A power that is read while riding is a mean of so many (common practice, no source)."""
TRACE_S = TRAIL_S
"""Seconds of the traces."""


def view_of(p: Pipeline) -> View:
    """The bench as it stands now."""
    end = p.ring.end
    begin = max(0, end - TRACE_S)
    lanes = tuple(_lane(p, i, end) for i in range(len(p.tracks)))
    seconds = tuple(float(s) for s in range(begin, end))
    traces: dict[str, tuple[float | None, ...]] = {}
    if end > begin:
        work = p.ring.series(begin, end, WORK)
        covered = p.ring.series(begin, end, COVERED)
        for i, instrument in enumerate(p.bench.instruments):
            if instrument.mount != "cadence":
                traces[instrument.label] = tuple(
                    float(w / c) if c > 0.5 else None for w, c in zip(work[:, i], covered[:, i], strict=True)
                )
    alarms = tuple(_alarm(s) for s in p.alarms.open())
    return View(
        p.t_s, p.bench.name, p.bench.reference, lanes, p.recording,
        p.runner.view(p.t_s), alarms, tuple(p.events),
        alarms[0].text if alarms else _calm(p, lanes), seconds, traces,
        p.proposer.propose(p.t_s, lanes, alarms), _strokes(p), _deviations(p, begin, end), float(TRACE_S),
    )  # fmt: skip


def _alarm(s: Standing) -> AlarmView:
    sign = s.sign
    return AlarmView(
        sign.kind, sign.instrument, sign.side, s.alarm.state, s.since_s, sign.advice, s.acknowledged,
        sign.what, sign.do, sign.value, sign.limit, sign.unit, sign.cause,
    )  # fmt: skip


def _deviations(p: Pipeline, begin: int, end: int) -> dict[str, tuple[float | None, ...]]:
    """The deviation of every instrument over the window that ends with each second; None: not well known."""
    found = {}
    for i, pair in p.comparator.pairs.items():
        values: list[float | None] = [None] * (end - begin)
        for end_s, percent in pair.trail:
            if begin < end_s <= end:
                values[end_s - begin - 1] = percent
        found[p.bench.instruments[i].label] = tuple(values)
    return found


def _strokes(p: Pipeline) -> tuple[StrokeView, ...]:
    """How torque lies in the turn, of those that report it."""
    return tuple(
        shown
        for i, stroke in enumerate(p.strokes)
        if (shown := stroke.view(p.bench.instruments[i].label, _place(p, i), p.t_s)) is not None
    )


def _place(p: Pipeline, i: int) -> str:
    return str(p.facts.reported[i].get("location", ""))


def _calm(p: Pipeline, lanes: tuple[Lane, ...]) -> str:
    waiting = [lane.label for lane in lanes if lane.heard == "searching"]
    if waiting:
        return f"turn the cranks to wake {', '.join(waiting)}, not heard yet"
    open_ = [lane for lane in lanes if lane.verdict == "undecided"]
    if open_:
        return f"{open_[0].label} is undecided, hold this load steadily"
    if any(lane.verdict == "agrees" for lane in lanes):
        return "nothing, all that is measured agrees within the claims"
    return "ride steadily, comparisons begin after ten seconds of pedalling"


def _lane(p: Pipeline, i: int, end: int) -> Lane:
    instrument = p.bench.instruments[i]
    track = p.tracks[i]
    label = instrument.label
    power = left = right = cadence = None
    heard: Heard = p.facts.heard[i]
    if end >= SHOWN_MEAN_S and heard in ("heard", "resting"):
        row = p.ring.window(end - SHOWN_MEAN_S, end)[i].tolist()
        if row[COVERED] > 0.5:
            power = row[WORK] / row[COVERED]
            if row[SIDED] > 0.5 and instrument.sides != "total":
                left = row[LEFT] / row[SIDED]
                right = max(0.0, power - left) if instrument.sides != "left" else None
                if instrument.sides == "right":
                    left = None
        if row[TURNED] > 0.5:
            cadence = 60.0 * row[REVS] / row[TURNED]
    elif heard in ("heard", "resting"):
        power, cadence = track.power_w, track.cadence_rpm
    raised = tuple(
        kind if side in (None, "total") else f"{side} {kind}"
        for (kind, name, side), s in p.alarms.known.items()
        if name == label and s.alarm.raised
    )
    slots = p.packets[i] + p.missed[i]
    battery = p.facts.reported[i].get("battery_percent")
    measured = _NOTHING
    anew = again_of(p, i)
    lag = p.comparator.lag(i)
    verdict: Verdict = "blind"
    pair = p.comparator.pairs.get(i)
    if i == p.comparator.reference:
        verdict = "reference"
    elif pair is not None:
        verdict, measured = _verdict(p, i, label) if anew is None else _verdict_anew(p, i, *anew)
    return Lane(
        label=label,
        role=instrument.role,
        mount=instrument.mount,
        heard=heard,
        heard_since_s=p.facts.heard_since_s[i],
        verdict=verdict,
        power_w=power,
        left_w=left,
        right_w=right,
        cadence_rpm=cadence,
        **measured,
        raised=raised,
        battery_percent=battery if isinstance(battery, float) else None,
        packets=p.packets[i],
        bad_packets=p.bad_packets[i],
        loss_percent=100.0 * p.missed[i] / slots if p.missed[i] else None,
        lag_s=None if lag is None else lag.lag_s,
        lag_u95_s=None if lag is None else 1.96 * lag.sd_s,
        again=None if anew is None else anew[0],
        apart=p.watch.deviation.charges.verdict(i),
    )


_NOTHING: dict[str, Any] = {}


def _verdict(p: Pipeline, i: int, label: str) -> tuple[Verdict, dict[str, Any]]:
    """The verdict over all accepted blocks since the last change, and what it rests on.

    While a deviation of the total is raised that is the window, which keeps it so; else the blocks. Before
    there are two of them the window is all there is.
    """
    pair = p.comparator.pairs[i]
    w = pair.shown
    if w is None:
        return "blind", {}
    measured = _of_window(p, i, w)
    raised = [side for side in _SIDES if p.alarms.raised((_KIND[side], label, side))]
    v = pair.verdict
    if v.n < 2 or "total" in raised:
        return "differs" if raised else "undecided", measured
    mean = 100.0 * math.expm1(v.mean)
    u95 = math.hypot(100.0 * v.u95(pair.noise), 1.96 * w.u_loss)
    measured |= {
        "deviation_percent": mean,
        "deviation_w": 0.01 * mean * w.reference_w,
        "u95_percent": u95,
        "basis": f"over {clock(v.n * BLOCK_S)}",
    }
    verdict: Verdict = "differs" if raised else judge(mean, u95, w.limit)  # type: ignore[assignment]
    if not raised and p.watch.deviation.charges.blames_other(i):
        # What differs is the reference, or somebody else: that says nothing of this one yet.
        return "undecided", measured
    return verdict, measured


def _verdict_anew(p: Pipeline, i: int, again: Again, w: Window | None) -> tuple[Verdict, dict[str, Any]]:
    """The same of what came since the instrument was touched: a window of it, as soon as there is one."""
    return "differs" if again.stands else "undecided", {} if w is None else _of_window(p, i, w)


def _of_window(p: Pipeline, i: int, w: Window) -> dict[str, Any]:
    return {
        "deviation_percent": w.deviation,
        "deviation_w": w.deviation_w,
        "expected_percent": w.expected_percent,
        "u95_percent": w.u95,
        "limit_percent": w.limit,
        "basis": f"last {clock(w.end_s - w.begin_s)}",
        **_sides(p, i, w),
    }


_SIDES: tuple[Side, ...] = ("total", "left", "right")
_KIND: dict[Side, Kind] = {"total": "power-off", "left": "side-off", "right": "side-off"}


def _sides(p: Pipeline, i: int, w: Window) -> dict[str, Any]:
    """What the window says of the sides, and whose sides they are held against."""
    against = p.comparator.side_references[i]
    if against is None or (w.left is None and w.right is None):
        return {}
    return {
        "left_deviation_percent": w.left,
        "right_deviation_percent": w.right,
        "left_u95_percent": None if w.left is None else w.side_u95("left"),
        "right_u95_percent": None if w.right is None else w.side_u95("right"),
        "side_limit_percent": w.side_limit,
        "side_reference": p.bench.instruments[against].label,
        "side_basis": f"last {clock(w.end_s - w.begin_s)}",
    }
