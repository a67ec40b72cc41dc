"""Records in, findings out: the one path of live, replayed and studied sessions.

Time is what the records say. Findings are judged on a fixed grid of session time that
moves on when a record passes it; a tick a second moves it when all is silent. The same
records give the same findings, to the byte.
"""

import math
from collections import deque
from collections.abc import Callable

import numpy as np

from capture.control import request_words
from capture.profiles import decode
from capture.record import Act, End, Link, Packet, Record, Reported, Store, Tick, Write
from capture.sample import DecodeError, Reading
from monitor.analysis.accounts import Account
from monitor.analysis.curve import COVERED, LEFT, WORK, Ring
from monitor.analysis.statistics import Floats
from monitor.analysis.work.showing import HELD_S
from monitor.analysis.work.track import Track
from monitor.finding import Finding
from monitor.live.advice.suggestion import Proposer
from monitor.live.bank import Bank
from monitor.live.comparator import Comparator
from monitor.live.facts import Facts
from monitor.live.faults.sign import Sign
from monitor.live.faults.stall import Stall
from monitor.live.faults.watch import Watch
from monitor.live.runner import Runner, undone
from monitor.live.stroke import LiveStroke, StrokeSink
from monitor.live.view import Event
from monitor.live.zeros import Zero, zero_unit
from monitor.setup.bench import Bench
from monitor.setup.protocol import Protocol, read_segment

STEP_S = 0.25
WAIT_S = 7.0
"""Seconds that the common time waits for the slowest instrument: two turns at 20 rpm, and packets that a
radio keeps back for up to five seconds and then gives at once, nothing lost."""
TURNS_BEHIND_S = 4.0
"""Seconds that turns may be behind power: one at 20 rpm, and what a rest is laid behind its packet. Further
behind it tells none."""
TICKS_LATE_S = 2.0
"""Seconds between two ticks (there is one a second) from which this computer was too slow to stamp."""
JUMP_S = 3600.0
"""A hole in the records longer than this is stepped over, not lived through."""
MEASUREMENTS = frozenset({"2A63", "2AD2", "2A5B", "ride"})

CellSink = Callable[[int, Floats], None]
ReadingSink = Callable[[float, int, Reading, Track], None]


class Pipeline:
    """Feed it the records of a session in journal order; it keeps only what fits a flat memory.

    `runner` stands for a plain one of the protocol. `on_cell(second, cell)` is called for each
    closed second with the (instruments, COLUMNS) array of `monitor.analysis.curve`;
    `on_reading(t_s, index, reading, track)` for each decoded packet, `on_stroke(index, second, row)` for each
    second in which an instrument reported something of the stroke.
    """

    def __init__(
        self,
        bench: Bench,
        protocol: Protocol | None = None,
        *,
        on_cell: CellSink | None = None,
        on_reading: ReadingSink | None = None,
        on_stroke: StrokeSink | None = None,
        runner: Runner | None = None,
    ) -> None:
        self.bench = bench
        self.protocol = protocol
        self.index = {instrument.label: i for i, instrument in enumerate(bench.instruments)}
        n = len(bench.instruments)
        self.tracks = [Track(instrument.sides) for instrument in bench.instruments]
        self.accounts = [Account() for _ in bench.instruments]
        self.strokes = [
            LiveStroke(i, instrument.sides, on_stroke) for i, instrument in enumerate(bench.instruments)
        ]
        self.ring = Ring(n)
        self.comparator = Comparator(bench, self.ring)
        self.facts = Facts(n)
        self.alarms = Bank()
        self.watch = Watch(bench, self.tracks, self.comparator, self.facts, self.alarms.known)
        self.events: deque[Event] = deque(maxlen=200)
        self.proposer = Proposer()
        self.packets = [0] * n
        self.bad_packets = [0] * n
        self.missed = [0] * n
        self.strange = 0
        """Packets of labels that the bench doesn't know."""
        self.records = 0
        self.lost_records = 0
        self.stamps_late_s = 0.0
        """How late this computer stamped when it was last too slow, seconds; 0: it never was."""
        self.t_s = 0.0
        self.runner = runner or Runner(protocol)
        self._gears: list[tuple[int, str]] = []
        self.recording = "recording"
        self.ended = False
        self._works = [instrument.mount != "cadence" for instrument in bench.instruments]
        self._up = [False] * n
        self._gone = [False] * n
        """The link was told to be down: nothing that waits will come."""
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
        elif isinstance(record, Reported):
            i = self.index.get(record.instrument)
            if i is not None:
                self.facts.reported[i][record.key] = record.value
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
        for stroke in self.strokes:
            stroke.track.close()
        for track in self.tracks:
            track.settle()
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
            if power is not None:
                self.accounts[i].shows(t_s, power)
            recent = seen.recent[i]
            if (
                power is None
                and track.fresh
                and t_s > track.reading_s + HELD_S
                and (reading.torque_sum_32nds is not None or reading.torque_ticks is not None)
            ):
                power = track.power_w
            if power is not None and (track.fresh or not recent.powers or recent.powers[-1][1] != power):
                recent.feed(t_s, power, reading.left_share)
        self.strokes[i].track.take(reading, t_s)
        if reading.facts:
            facts = self.facts.reported[i]
            facts.update(reading.facts)
            if isinstance(raw := reading.facts.get("zero_offset_raw"), int | float):
                unit = zero_unit(p.channel, facts.get("measurement_context"))
                self.facts.zeros[i].take(t_s, Zero(float(raw), unit))
        if reading.battery_percent is not None:
            self.facts.reported[i]["battery_percent"] = float(reading.battery_percent)
        if self._on_reading is not None:
            self._on_reading(t_s, i, reading, track)

    def _tick(self, tick: Tick, t_s: float) -> None:
        if self._wall is not None and tick.utc_ns:
            past_s, past_utc = self._wall
            by_s = (tick.utc_ns - past_utc) / 1e9 - (t_s - past_s)
            if abs(by_s) > 1.0:
                self.watch.step_s, self.watch.step_by_s = t_s, by_s
            late_s = t_s - past_s - 1.0
            if late_s >= TICKS_LATE_S - 1.0:
                self.stamps_late_s = late_s
                self.watch.stall = Stall(t_s, late_s)
                self._event(t_s, "!", self.watch.stall.what)
        self._wall = (t_s, tick.utc_ns)

    def _link(self, link: Link, t_s: float) -> None:
        i = self.index.get(link.instrument)
        if i is None:
            return
        if link.state == "missed":
            self.missed[i] += 1
            return
        self._gone[i] = link.state in ("down", "given-up", "radio-lost")
        if link.state == "up":
            if not self._up[i]:
                if self.packets[i]:
                    self.watch.changes.happens(t_s, f"a new connection of {link.instrument}")
                self.tracks[i].baseline()
                self.watch.seen.linked_s[i] = t_s
            self._up[i] = True
            self.facts.given_up[i] = None
        elif self._gone[i]:
            self._up[i] = False
            self.facts.given_up[i] = link.reason or "the link is given up" if link.state != "down" else None
        reason = f": {link.reason}" if link.reason else ""
        self._event(t_s, "~", f"{link.instrument} {link.state}{reason}")

    def _act(self, act: Act, t_s: float) -> None:
        named = self.index.get(act.instrument)
        self.runner.take(act)
        if act.act == "zeroed" or (act.act == "position" and act.instrument):
            self._new_state(t_s)
            for i in range(len(self.tracks)) if named is None else (named,):
                self.facts.touched_s[i] = t_s
        if act.act == "zeroed":
            for i in range(len(self.tracks)) if named is None else (named,):
                self.watch.changes.zeroed(i, t_s)
                self.comparator.reset(i)
                if i in self.watch.changes.shifts:
                    self.watch.changes.shifts[i].reset()
        elif act.act == "zero-history" and named is not None:
            self.facts.zeros[named].take_history(act.text)
        elif act.act == "gear":
            self._gears.append((act.t_ns, act.text))
            self.watch.seen.gear = act.text
            self.watch.changes.happens(t_s, f"a gear change ({act.text})" if act.text else "a gear change")
        elif act.act == "position":
            self.watch.changes.happens(
                t_s, f"a change of position ({act.text})" if act.text else "a change of position"
            )
        elif act.act == "acknowledge":
            self.alarms.acknowledge(act.instrument, act.text)
        elif act.act == "undo":
            self._undo(act)
        self._event(t_s, "·", _act_text(act))

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
        # Not even a tick came: this computer stamped nothing, so silence says nothing of the links.
        stalled = self._wall is not None and to_s - self.t_s >= TICKS_LATE_S
        if to_s - self._next_s > JUMP_S:
            # The state of the last heard moment, then straight on.
            for _ in range(int((self.bench.limits.lost_after_s + WAIT_S + 1.0) / STEP_S)):
                self._step(self._next_s, findings, looks=not stalled)
                self._next_s += STEP_S
            self._skip(int(to_s) - 1)
            self._next_s = math.floor(to_s / STEP_S) * STEP_S
        if stalled:
            self.watch.seen.deaf_s = to_s
        while self._next_s <= to_s:
            self._step(self._next_s, findings, looks=not stalled)
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

    def _step(self, now_s: float, findings: list[Finding], looks: bool = True) -> None:
        if looks:
            for sign in self.watch.quick(now_s):
                self._drive(sign, now_s, findings)
        common = now_s
        for track, heard, works, gone in zip(
            self.tracks, self.facts.heard, self._works, self._gone, strict=True
        ):
            curve = track.curve
            frontier = curve.worked_s if works else curve.turned_s
            if frontier - TURNS_BEHIND_S < curve.turned_s < frontier:
                # Its turns are told by their ends: the last one begins before the power does.
                frontier = curve.turned_s
            # Silent, yet linked: what it measured may be kept back, and come at once.
            may_come = not gone and now_s - track.heard_s < WAIT_S and 0.0 < frontier > track.heard_s - WAIT_S
            if (heard == "heard" or may_come) and frontier < common:
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
        cell = self._as_shown(cell)
        self.ring.append(cell)
        self.comparator.second(cell)

    def _as_shown(self, cell: Floats) -> Floats:
        """A closed cell with work as it was shown: counters say when it was done, what is shown is judged."""
        for i, (track, account) in enumerate(zip(self.tracks, self.accounts, strict=True)):
            before = account.factor
            work_j, covered_s = float(cell[i, WORK]), float(cell[i, COVERED])
            factor = account.counts(self.ring.end, work_j, covered_s, track.counts_work)
            if factor is not None:
                self.ring.scale(i, factor / before)
                self.comparator.scale(i, factor / before)
                self.watch.changes.begin_anew(i)
        factors = [account.factor for account in self.accounts]
        if all(f == 1.0 for f in factors):
            return cell
        cell = cell.copy()
        cell[:, [WORK, LEFT]] *= np.array(factors)[:, None]
        return cell

    def _drive(self, sign: Sign, now_s: float, findings: list[Finding]) -> None:
        finding, event = self.alarms.drive(sign, now_s)
        if finding is not None:
            findings.append(finding)
        if event is None:
            return
        if sign.kind in ("power-off", "side-off"):
            # What is judged from its raising on is the fault; from its clearing on, the cure.
            self._renew(sign)
            self._new_state(now_s)
        mark = "!" if event == "raised" else "✓"
        what = sign.kind if sign.side in (None, "total") else f"{sign.side} {sign.kind}"
        self._event(now_s, mark, f"{sign.instrument} {what}{'' if event == 'raised' else ' over'}".strip())

    def _new_state(self, t_s: float) -> None:
        """Something about an instrument changed: strokes are held against what comes from now on."""
        for stroke in self.strokes:
            stroke.begin(t_s)

    def _renew(self, sign: Sign) -> None:
        pair = self.comparator.pairs.get(self.index.get(sign.instrument, -1))
        if pair is not None:
            for verdict in (pair.verdict, pair.verdict_left, pair.verdict_right):
                verdict.reset()


def _act_text(act: Act) -> str:
    """An act as a line of the event list."""
    text = act.text
    if act.act == "insert" and (segment := read_segment(text)) is not None:
        text = f"{segment.name}, {segment.seconds:.0f} s"
    elif act.act == "undo" and (what := undone(act)) is not None:
        text = what[0]
    whom = f" {act.instrument}" if act.instrument else ""
    return f"{act.act}{whom} {text}".rstrip()
