"""Records in, findings and views out: the one path of live, replayed and studied sessions.

Time is what the records say. Findings are judged on a fixed grid of session time that
moves on when a record passes it; a tick a second moves it when all is silent. The same
records give the same findings, to the byte.
"""

import math
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from capture.control import request_words
from capture.profiles import decode
from capture.record import Act, End, Link, Packet, Record, Store, Tick, Told, Write
from capture.sample import DecodeError, Reading
from monitor.analysis.block import MIN_POWER_W
from monitor.analysis.curve import COVERED, LEFT, REVS, SIDED, TURNED, WORK, Ring
from monitor.analysis.statistics import Floats, judge
from monitor.analysis.track import HELD_S, Track
from monitor.finding import KINDS, Finding, Kind, Side
from monitor.live.alarm import Alarm, step
from monitor.live.comparator import Comparator
from monitor.live.faults.sign import Sign
from monitor.live.faults.watch import Watch
from monitor.live.runner import Runner, undone
from monitor.live.view import AlarmView, Block, Event, Heard, Lane, Suggestion, Verdict, View
from monitor.live.zeros import Zero, zero_unit
from monitor.setup.bench import Bench
from monitor.setup.protocol import Protocol, read_segment

STEP_S = 0.25
WAIT_S = 6.0
"""The common time waits this long for the slowest instrument that is heard: two turns at 20 rpm."""
JUMP_S = 3600.0
"""A hole in the records longer than this is stepped over, not lived through."""
SHOWN_MEAN_S = 3
SETTLES_S = 20.0
"""With less of a segment left than this it won't settle what is undecided; another block would."""
TRACE_S = 120
MEASUREMENTS = frozenset({"2A63", "2AD2", "2A5B", "2A64"})
_ORDER = {kind: place for place, kind in enumerate(KINDS)}

CellSink = Callable[[int, Floats], None]
ReadingSink = Callable[[float, int, Reading, Track], None]


@dataclass(slots=True)
class _Standing:
    alarm: Alarm
    sign: Sign
    since_s: float = 0.0
    acknowledged: bool = False


class Pipeline:
    """Feed it the records of a session in journal order; it keeps only what fits a flat memory.

    `runner` stands for a plain one of the protocol. `on_cell(second, cell)` is called for each
    closed second with the (instruments, COLUMNS) array of `monitor.analysis.curve`;
    `on_reading(t_s, index, reading, track)` for each decoded packet.
    """

    def __init__(
        self,
        bench: Bench,
        protocol: Protocol | None = None,
        *,
        on_cell: CellSink | None = None,
        on_reading: ReadingSink | None = None,
        runner: Runner | None = None,
    ) -> None:
        self.bench = bench
        self.protocol = protocol
        self.index = {instrument.label: i for i, instrument in enumerate(bench.instruments)}
        n = len(bench.instruments)
        self.tracks = [Track(instrument.sides) for instrument in bench.instruments]
        self.ring = Ring(n)
        self.comparator = Comparator(bench, self.ring)
        self.watch = Watch(bench, self.tracks, self.comparator)
        self.alarms: dict[tuple[Kind, str, Side | None], _Standing] = {}
        self.watch.seen.standing = self.alarms
        self.events: deque[Event] = deque(maxlen=200)
        self.packets = [0] * n
        self.bad_packets = [0] * n
        self.missed = [0] * n
        self.strange = 0
        """Packets of labels that the bench doesn't know."""
        self.records = 0
        self.lost_records = 0
        self.t_s = 0.0
        self.runner = runner or Runner(protocol)
        self._gears: list[tuple[int, str]] = []
        self.recording = "recording"
        self.ended = False
        self._works = [instrument.mount != "cadence" for instrument in bench.instruments]
        self._up = [False] * n
        self._next_s = STEP_S
        self._wall: tuple[float, int] | None = None
        self._on_cell = on_cell
        self._on_reading = on_reading

    # -- records

    def feed(self, record: Record) -> list[Finding]:
        """Take the next record; the findings that changed state before it happened."""
        self.records += 1
        t_s = record.t_ns / 1e9
        findings: list[Finding] = []
        if t_s >= self._next_s:
            self._advance(t_s, findings)
        if t_s > self.t_s:
            self.t_s = t_s
        if isinstance(record, Packet):
            self._packet(record, t_s)
        elif isinstance(record, Tick):
            self._tick(record, t_s)
        elif isinstance(record, Link):
            self._link(record, t_s)
        elif isinstance(record, Act):
            self._act(record, t_s)
        elif isinstance(record, Told):
            i = self.index.get(record.instrument)
            if i is not None:
                self.watch.seen.facts[i][record.key] = record.value
        elif isinstance(record, Write):
            self._wrote(record, t_s)
        elif isinstance(record, Store):
            self._store(record, t_s)
        elif isinstance(record, End):
            self.ended = True
            self.recording = "closed"
        return findings

    def finish(self) -> list[Finding]:
        """No more records: close what is still open, so that no work is missing from the cells."""
        findings: list[Finding] = []
        frontier = max((max(t.curve.worked_s, t.curve.turned_s) for t in self.tracks), default=0.0)
        while self.ring.end < min(frontier, self.t_s + WAIT_S):
            self._close()
        return findings

    def _packet(self, p: Packet, t_s: float) -> None:
        i = self.index.get(p.instrument)
        if i is None:
            self.strange += 1
            return
        self.packets[i] += 1
        try:
            reading = decode(p.channel, p.data)
        except DecodeError:
            self.bad_packets[i] += 1
            return
        track, seen = self.tracks[i], self.watch.seen
        if p.channel in MEASUREMENTS or p.channel.startswith("ant"):
            track.feed(reading, t_s)
            power = reading.power_w
            recent = seen.recent[i]
            if (
                power is None
                and track.fresh
                and t_s > track.told_s + HELD_S
                and reading.torque_sum_32nds is not None
            ):
                power = track.power_w
            if power is not None and (track.fresh or not recent.powers or recent.powers[-1][1] != power):
                recent.feed(t_s, power, reading.left_share)
        if reading.facts:
            facts = seen.facts[i]
            facts.update(reading.facts)
            if isinstance(raw := reading.facts.get("zero_offset_raw"), int | float):
                unit = zero_unit(p.channel, facts.get("measurement_context"))
                seen.zeros[i].take(t_s, Zero(float(raw), unit))
        if reading.battery_percent is not None:
            seen.facts[i]["battery_percent"] = float(reading.battery_percent)
        if self._on_reading is not None:
            self._on_reading(t_s, i, reading, track)

    def _tick(self, tick: Tick, t_s: float) -> None:
        if self._wall is not None and tick.utc_ns:
            past_s, past_utc = self._wall
            by_s = (tick.utc_ns - past_utc) / 1e9 - (t_s - past_s)
            if abs(by_s) > 1.0:
                self.watch.step_s, self.watch.step_by_s = t_s, by_s
        self._wall = (t_s, tick.utc_ns)

    def _link(self, link: Link, t_s: float) -> None:
        i = self.index.get(link.instrument)
        if i is None:
            return
        if link.state == "missed":
            self.missed[i] += 1
            return
        if link.state == "up":
            if not self._up[i]:
                if self.packets[i]:
                    self.watch.changes.happens(t_s, f"a new connection of {link.instrument}")
                self.tracks[i].baseline()
                self.watch.seen.linked_s[i] = t_s
            self._up[i] = True
            self.watch.seen.given_up[i] = None
        elif link.state in ("down", "given-up", "radio-lost"):
            self._up[i] = False
            self.watch.seen.given_up[i] = (
                link.reason or "the link is given up" if link.state != "down" else None
            )
        reason = f": {link.reason}" if link.reason else ""
        self._event(t_s, "~", f"{link.instrument} {link.state}{reason}")

    def _act(self, act: Act, t_s: float) -> None:
        named = self.index.get(act.instrument)
        self.runner.take(act)
        if act.act == "zeroed":
            for i in range(len(self.tracks)) if named is None else (named,):
                self.watch.changes.zeroed(i, t_s)
                self.comparator.reset(i)
                if i in self.watch.changes.shifts:
                    self.watch.changes.shifts[i].reset()
        elif act.act == "zero-history" and named is not None:
            self.watch.seen.zeros[named].take_history(act.text)
        elif act.act == "gear":
            self._gears.append((act.t_ns, act.text))
            self.watch.seen.gear = act.text
            self.watch.changes.happens(t_s, f"a gear change ({act.text})" if act.text else "a gear change")
        elif act.act == "position":
            self.watch.changes.happens(
                t_s, f"a change of position ({act.text})" if act.text else "a change of position"
            )
        elif act.act == "acknowledge":
            for (kind, label, _side), standing in self.alarms.items():
                if standing.alarm.raised and act.instrument in ("", label) and act.text in ("", kind):
                    standing.acknowledged = True
        elif act.act == "undo":
            self._undo(act)
        self._event(t_s, "·", _told(act))

    def _undo(self, act: Act) -> None:
        """What can be taken back while riding: a gear, and (by the runner) a segment or a block."""
        what = undone(act)
        if what is not None and what[0] == "gear" and self._gears and self._gears[-1][0] == what[1]:
            self._gears.pop()
            self.watch.seen.gear = self._gears[-1][1] if self._gears else ""

    def _store(self, store: Store, t_s: float) -> None:
        self.lost_records = max(self.lost_records, store.lost)
        if store.state == "failing":
            if self.watch.failing_s is None:
                self.watch.failing_s = t_s
            self.recording = f"NOT RECORDED: {store.reason}" if store.reason else "NOT RECORDED"
        else:
            self.watch.failing_s = None
            self.recording = "recording"

    def _wrote(self, write: Write, t_s: float) -> None:
        """A line for what was asked of an instrument; a target that moves every second is one line."""
        what = request_words(write.channel, write.data)
        where = f" to {write.instrument}" if write.instrument else ""
        if what is None or write.outcome != "sent":
            self._event(t_s, "→", f"{what or write.channel}{where}: {write.outcome}")
            return
        text = f"{what}{where}"
        if what.startswith("target power") and self.events:
            last = self.events[-1]
            if last.mark == "→" and last.text.startswith("target power") and last.text.endswith(where):
                self.events.pop()
        if not what.startswith("page "):
            self._event(t_s, "→", text)

    def _event(self, t_s: float, mark: str, text: str) -> None:
        self.events.append(Event(t_s, mark, text))

    # -- time

    def _advance(self, to_s: float, findings: list[Finding]) -> None:
        if to_s - self._next_s > JUMP_S:
            # The state of the last heard moment, then straight on.
            for _ in range(int((self.bench.limits.lost_after_s + WAIT_S + 1.0) / STEP_S)):
                self._step(self._next_s, findings)
                self._next_s += STEP_S
            self._skip(int(to_s) - 1)
            self._next_s = math.floor(to_s / STEP_S) * STEP_S
        while self._next_s <= to_s:
            self._step(self._next_s, findings)
            self._next_s += STEP_S

    def _skip(self, to: int) -> None:
        ring = self.ring
        if to <= ring.end:
            return
        ring.sums[:] = ring.sums[(ring.end - 1) % len(ring.sums)]
        ring.end = to
        self.comparator.leap(to)
        for track in self.tracks:
            while track.curve.base < to:
                track.curve.close()
                if not track.curve.pending:
                    track.curve.base = to

    def _step(self, now_s: float, findings: list[Finding]) -> None:
        for sign in self.watch.quick(now_s):
            self._drive(sign, now_s, findings)
        common = now_s
        for track, heard, works in zip(self.tracks, self.watch.seen.heard, self._works, strict=True):
            if heard == "heard":
                frontier = track.curve.worked_s if works else track.curve.turned_s
                if frontier < common:
                    common = frontier
        common = max(common, now_s - WAIT_S)
        while self.ring.end + 1 <= common:
            self._close()
            for sign in self.watch.second(now_s, self.ring.end):
                self._drive(sign, now_s, findings)

    def _close(self) -> None:
        cell = np.array([track.curve.close() for track in self.tracks])
        if self._on_cell is not None:
            self._on_cell(self.ring.end, cell)
        self.ring.append(cell)
        self.comparator.second(cell)

    def _drive(self, sign: Sign, now_s: float, findings: list[Finding]) -> None:
        key = (sign.kind, sign.instrument, sign.side)
        standing = self.alarms.get(key)
        if standing is None:
            if sign.signal != "over":
                return
            standing = self.alarms[key] = _Standing(Alarm(), sign)
        event = step(KINDS[sign.kind], standing.alarm, sign.signal, now_s)
        if event == "cleared":
            last = standing.sign
            sign.reference, sign.cause = sign.reference or last.reference, last.cause
            sign.limit = last.limit if sign.limit is None else sign.limit
            sign.what, sign.do = _cleared(sign), ""
        named = (
            sign.signal in ("over", "between")
            and standing.alarm.raised
            and event is None
            and standing.sign.cause == "unclear"
            and sign.cause not in (None, "unclear")
        )
        if sign.signal == "over" or event is not None or named:
            standing.sign = sign
        if named:
            # The ride has told what it is: the standing finding is said again, with its cause.
            findings.append(_finding(sign, "raised", now_s, standing.since_s))
        if event is None:
            return
        if event == "raised":
            began = sign.since_s if sign.since_s is not None else standing.alarm.over_s
            standing.since_s = now_s if began is None or began == -math.inf else max(0.0, began)
            standing.acknowledged = False
        if sign.kind in ("power-off", "side-off"):
            # What is judged from its raising on is the fault; from its clearing on, the cure.
            self._renew(sign)
        findings.append(_finding(sign, event, now_s, standing.since_s))
        mark = "!" if event == "raised" else "✓"
        what = sign.kind if sign.side in (None, "total") else f"{sign.side} {sign.kind}"
        self._event(now_s, mark, f"{sign.instrument} {what}{'' if event == 'raised' else ' over'}".strip())

    def _renew(self, sign: Sign) -> None:
        pair = self.comparator.pairs.get(self.index.get(sign.instrument, -1))
        if pair is not None:
            for verdict in (pair.verdict, pair.verdict_left, pair.verdict_right):
                verdict.reset()

    # -- what a screen shows

    def view(self) -> View:
        """The bench as it stands now."""
        end = self.ring.end
        begin = max(0, end - TRACE_S)
        lanes = tuple(self._lane(i, end) for i in range(len(self.tracks)))
        seconds = tuple(float(s) for s in range(begin, end))
        traces: dict[str, tuple[float | None, ...]] = {}
        if end > begin:
            work = self.ring.series(begin, end, WORK)
            covered = self.ring.series(begin, end, COVERED)
            for i, instrument in enumerate(self.bench.instruments):
                if instrument.mount != "cadence":
                    traces[instrument.label] = tuple(
                        float(w / c) if c > 0.5 else None
                        for w, c in zip(work[:, i], covered[:, i], strict=True)
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
            for s in sorted(
                (s for s in self.alarms.values() if s.alarm.raised),
                key=lambda s: (s.acknowledged, _ORDER[s.sign.kind], -s.since_s, s.sign.instrument),
            )
        )
        return View(
            self.t_s, self.bench.name, self.bench.reference, lanes, self.recording,
            self.runner.view(self.t_s), alarms, tuple(self.events),
            alarms[0].text if alarms else self._calm(lanes), seconds, traces,
            self._suggestion(lanes, alarms),
        )  # fmt: skip

    def _calm(self, lanes: tuple[Lane, ...]) -> str:
        waiting = [lane.label for lane in lanes if lane.heard == "searching"]
        if waiting:
            return f"waiting for {', '.join(waiting)}"
        open_ = [lane for lane in lanes if lane.verdict == "undecided"]
        if open_:
            return f"{open_[0].label} can't be told yet: hold this load steadily"
        if any(lane.verdict == "agrees" for lane in lanes):
            return "all that can be told agrees within the claims"
        return "ride steadily: comparisons begin after ten seconds of pedalling"

    def _lane(self, i: int, end: int) -> Lane:
        instrument = self.bench.instruments[i]
        track = self.tracks[i]
        label = instrument.label
        power = left = right = cadence = None
        heard: Heard = self.watch.seen.heard[i]
        if end >= SHOWN_MEAN_S and heard in ("heard", "resting"):
            row = self.ring.window(end - SHOWN_MEAN_S, end)[i].tolist()
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
            for (kind, name, side), s in self.alarms.items()
            if name == label and s.alarm.raised
        )
        slots = self.packets[i] + self.missed[i]
        battery = self.watch.seen.facts[i].get("battery_percent")
        lane: dict[str, float | None] = {}
        lag = self.comparator.lag(i)
        verdict: Verdict = "blind"
        pair = self.comparator.pairs.get(i)
        if i == self.comparator.reference:
            verdict = "reference"
        elif pair is not None:
            verdict, lane = self._verdict(i, label)
        return Lane(
            label=label,
            role=instrument.role,
            mount=instrument.mount,
            heard=heard,
            heard_since_s=self.watch.seen.heard_since_s[i],
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
            packets=self.packets[i],
            bad_packets=self.bad_packets[i],
            loss_percent=100.0 * self.missed[i] / slots if self.missed[i] else None,
            lag_s=None if lag is None else lag.lag_s,
            lag_u95_s=None if lag is None else 1.96 * lag.sd_s,
        )

    def _verdict(self, i: int, label: str) -> tuple[Verdict, dict[str, float | None]]:
        """The verdict over all accepted blocks since the last change, and the window as drawn."""
        pair = self.comparator.pairs[i]
        if not pair.windows:
            return "blind", {}
        w = pair.windows[max(n for n in pair.windows if n <= 30)]
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
            standing = self.alarms.get((kind, label, side))  # type: ignore[arg-type]
            if standing is not None and standing.alarm.raised:
                return "differs", drawn
        v = pair.verdict
        if v.n < 2:
            return "undecided", drawn
        mean = 100.0 * math.expm1(v.mean)
        u95 = 100.0 * v.u95(pair.noise.sd)
        verdict = judge(mean, math.hypot(u95, 1.96 * w.u_loss), w.limit)
        return verdict, drawn  # type: ignore[return-value]

    def _suggestion(self, lanes: tuple[Lane, ...], alarms: tuple[AlarmView, ...]) -> Suggestion | None:
        """The block that would settle what is undecided, the most pressing first."""
        diagnoses = self.watch.deviation.diagnoses
        for alarm in alarms:
            label, side = alarm.instrument, alarm.side
            i = self.index.get(label)
            if i is None:
                continue
            found = diagnoses.get((i, side or "total"))
            if found is not None and found.cause == "unclear" and found.block is not None:
                ride = found.block
                name = f"tell {label}: {ride.power_w:.0f} W at {ride.cadence_rpm:.0f} rpm"
                return Suggestion(
                    f"{label}: {found.ride}", Block(name, ride.seconds, ride.power_w, ride.cadence_rpm)
                )
        left_s = self.runner.left_s(self.t_s)
        if left_s is not None and left_s > SETTLES_S and self.runner.current is not None:
            # What is being ridden may well settle it.
            return None
        for lane in lanes:
            if lane.verdict == "undecided" and lane.heard == "heard" and (lane.power_w or 0.0) > MIN_POWER_W:
                return self._steadier(lane)
        return None

    def _steadier(self, lane: Lane) -> Suggestion:
        """More of the same, steadily: what an undecided comparison needs."""
        target_w = self.runner.target_w(self.t_s)
        if target_w is None:
            target_w = 10.0 * round((lane.power_w or 0.0) / 10.0)
        rpm = None if lane.cadence_rpm is None else 5.0 * round(lane.cadence_rpm / 5.0)
        words = f"{lane.label} can't be told yet: two minutes at {target_w:.0f} W, steadily, would settle it"
        return Suggestion(words, Block(f"settle {lane.label}: {target_w:.0f} W", 120.0, target_w, rpm))


def _told(act: Act) -> str:
    """An act as a line of the event list."""
    text = act.text
    if act.act == "insert" and (segment := read_segment(text)) is not None:
        text = f"{segment.name}, {segment.seconds:.0f} s"
    elif act.act == "undo" and (what := undone(act)) is not None:
        text = what[0]
    whom = f" {act.instrument}" if act.instrument else ""
    return f"{act.act}{whom} {text}".rstrip()


def _cleared(sign: Sign) -> str:
    """What is so again now that an alarm is cleared."""
    phrase = KINDS[sign.kind].phrase
    if not sign.instrument:
        return phrase
    side = f" {sign.side} side" if sign.side in ("left", "right") else ""
    return f"{sign.instrument}{side}: {phrase}"


def _finding(sign: Sign, event: str, now_s: float, since_s: float) -> Finding:
    return Finding(
        t_s=round(now_s, 3),
        event=event,  # type: ignore[arg-type]
        kind=sign.kind,
        instrument=sign.instrument,
        side=sign.side,
        reference=sign.reference,
        value=None if sign.value is None or not math.isfinite(sign.value) else round(sign.value, 3),
        limit=None if sign.limit is None else round(sign.limit, 3),
        unit=sign.unit,
        since_s=round(since_s, 3),
        cause=sign.cause,
        what=sign.what,
        do=sign.do,
        advice=sign.advice,
    )
