"""What a screen shows: the View, made from the pipeline as it stands."""

import math

from monitor.analysis.block import MIN_POWER_W
from monitor.analysis.curve import COVERED, LEFT, REVS, SIDED, TURNED, WORK
from monitor.analysis.statistics import judge
from monitor.live.pipeline import Pipeline
from monitor.live.view import AlarmView, Block, Heard, Lane, Suggestion, Verdict, View

SHOWN_MEAN_S = 3
"""Seconds. A power that is read while riding is a mean of so many (common practice, no source)."""
SETTLES_S = 20.0
"""With less of a segment left than this it won't settle what is undecided; another block would."""
TRACE_S = 120
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
    alarms = tuple(
        AlarmView(
            s.sign.kind,
            s.sign.instrument,
            s.sign.side,
            s.alarm.state,
            s.since_s,
            s.sign.advice,
            s.acknowledged,
        )
        for s in p.alarms.open()
    )
    return View(
        p.t_s, p.bench.name, p.bench.reference, lanes, p.recording,
        p.runner.view(p.t_s), alarms, tuple(p.events),
        alarms[0].text if alarms else _calm(p, lanes), seconds, traces,
        _suggestion(p, lanes, alarms),
        tuple(
            shown
            for i, stroke in enumerate(p.strokes)
            if (shown := stroke.view(p.bench.instruments[i].label, _place(p, i), p.t_s)) is not None
        ),
    )  # fmt: skip


def _place(p: Pipeline, i: int) -> str:
    return str(p.facts.reported[i].get("location", ""))


def _calm(p: Pipeline, lanes: tuple[Lane, ...]) -> str:
    waiting = [lane.label for lane in lanes if lane.heard == "searching"]
    if waiting:
        return f"waiting for {', '.join(waiting)}"
    open_ = [lane for lane in lanes if lane.verdict == "undecided"]
    if open_:
        return f"{open_[0].label} can't be told yet: hold this load steadily"
    if any(lane.verdict == "agrees" for lane in lanes):
        return "all that can be told agrees within the claims"
    return "ride steadily: comparisons begin after ten seconds of pedalling"


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
    lane: dict[str, float | None] = {}
    lag = p.comparator.lag(i)
    verdict: Verdict = "blind"
    pair = p.comparator.pairs.get(i)
    if i == p.comparator.reference:
        verdict = "reference"
    elif pair is not None:
        verdict, lane = _verdict(p, i, label)
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
        deviation_percent=lane.get("deviation"),
        deviation_w=lane.get("deviation_w"),
        expected_percent=lane.get("expected") or 0.0,
        u95_percent=lane.get("u95"),
        limit_percent=lane.get("limit"),
        left_deviation_percent=lane.get("left"),
        right_deviation_percent=lane.get("right"),
        raised=raised,
        battery_percent=battery if isinstance(battery, float) else None,
        packets=p.packets[i],
        bad_packets=p.bad_packets[i],
        loss_percent=100.0 * p.missed[i] / slots if p.missed[i] else None,
        lag_s=None if lag is None else lag.lag_s,
        lag_u95_s=None if lag is None else 1.96 * lag.sd_s,
        apart=p.watch.deviation.charges.verdict(i),
    )


def _verdict(p: Pipeline, i: int, label: str) -> tuple[Verdict, dict[str, float | None]]:
    """The verdict over all accepted blocks since the last change, and the window as drawn."""
    pair = p.comparator.pairs[i]
    w = pair.shown
    if w is None:
        return "blind", {}
    drawn: dict[str, float | None] = {
        "deviation": w.deviation,
        "deviation_w": w.deviation_w,
        "expected": w.expected_percent,
        "u95": 1.96 * math.hypot(w.u, w.u_lag, w.u_loss) + w.edge,
        "limit": w.limit,
        "left": w.left,
        "right": w.right,
    }
    for kind, side in (("power-off", "total"), ("side-off", "left"), ("side-off", "right")):
        if p.alarms.raised((kind, label, side)):  # type: ignore[arg-type]
            return "differs", drawn
    if p.watch.deviation.charges.blames_other(i):
        return "undecided", drawn
    v = pair.verdict
    if v.n < 2:
        return "undecided", drawn
    mean = 100.0 * math.expm1(v.mean)
    u95 = 100.0 * v.u95(pair.noise.sd)
    verdict = judge(mean, math.hypot(u95, 1.96 * w.u_loss), w.limit)
    return verdict, drawn  # type: ignore[return-value]


def _suggestion(p: Pipeline, lanes: tuple[Lane, ...], alarms: tuple[AlarmView, ...]) -> Suggestion | None:
    """The block that would settle what is undecided, the most pressing first."""
    diagnoses = p.watch.deviation.diagnoses
    for alarm in alarms:
        label, side = alarm.instrument, alarm.side
        i = p.index.get(label)
        if i is None:
            continue
        found = diagnoses.get((i, side or "total"))
        if found is not None and found.cause == "unclear" and found.block is not None:
            ride = found.block
            name = f"tell {label}: {ride.power_w:.0f} W at {ride.cadence_rpm:.0f} rpm"
            return Suggestion(
                f"{label}: {found.ride}", Block(name, ride.seconds, ride.power_w, ride.cadence_rpm)
            )
    left_s = p.runner.left_s(p.t_s)
    if left_s is not None and left_s > SETTLES_S and p.runner.current is not None:
        # What is being ridden may well settle it.
        return None
    for lane in lanes:
        if lane.verdict == "undecided" and lane.heard == "heard" and (lane.power_w or 0.0) > MIN_POWER_W:
            return _steadier(p, lane)
    return None


def _steadier(p: Pipeline, lane: Lane) -> Suggestion:
    """More of the same, steadily: what an undecided comparison needs."""
    target_w = p.runner.target_w(p.t_s)
    if target_w is None:
        target_w = 10.0 * round((lane.power_w or 0.0) / 10.0)
    rpm = None if lane.cadence_rpm is None else 5.0 * round(lane.cadence_rpm / 5.0)
    words = f"{lane.label} can't be told yet: two minutes at {target_w:.0f} W, steadily, would settle it"
    return Suggestion(words, Block(f"settle {lane.label}: {target_w:.0f} W", 120.0, target_w, rpm))
