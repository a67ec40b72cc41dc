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
from capture.record import Act, End, Link, Packet, Record, Reported, Store, Tick, Write
from monitor.analysis.accounts import Account
from monitor.analysis.curve import Ring
from monitor.analysis.statistics import Floats
from monitor.analysis.work.track import Track
from monitor.finding import Finding
from monitor.live.advice.suggestion import Proposer
from monitor.live.bank import Bank
from monitor.live.comparator import Comparator
from monitor.live.facts import Facts
from monitor.live.faults.sign import Sign
from monitor.live.faults.stall import Stall
from monitor.live.faults.watch import Watch
from monitor.live.records.acts import Acts
from monitor.live.records.links import Links
from monitor.live.records.packets import Packets, ReadingSink
from monitor.live.records.shown import AsShown
from monitor.live.runner import Runner
from monitor.live.stroke import LiveStroke, StrokeSink
from monitor.live.view import Event
from monitor.setup.bench import Bench
from monitor.setup.protocol import Protocol

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

CellSink = Callable[[int, Floats], None]


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
        accounts = [Account() for _ in bench.instruments]
        self.strokes = [
            LiveStroke(i, instrument.sides, on_stroke) for i, instrument in enumerate(bench.instruments)
        ]
        self.ring = Ring(n)
        self.comparator = Comparator(bench, self.ring)
        self.facts = Facts(n)
        self.alarms = Bank()
        self.watch = Watch(bench, self.tracks, self.comparator, self.facts, self.alarms.known)
        self.events: deque[Event] = deque(maxlen=200)
        self.records = 0
        self.lost_records = 0
        self.stamps_late_s = 0.0
        """How late this computer stamped when it was last too slow, seconds; 0: it never was."""
        self.t_s = 0.0
        self.runner = runner or Runner(protocol)
        labels = [instrument.label for instrument in bench.instruments]
        seen, strokes = self.watch.seen, [stroke.track for stroke in self.strokes]
        self.intake = Packets(labels, self.tracks, accounts, seen.recent, strokes, self.facts, on_reading)
        self.packets, self.bad_packets = self.intake.counts, self.intake.bad
        self._links = Links(self.index, self.tracks, self.packets, self.facts, self.watch, self._event)
        self.missed = self._links.missed
        self._acts = Acts(
            self.index,
            self.runner,
            self.comparator,
            self.facts,
            self.alarms,
            self.watch,
            self.strokes,
            self._event,
        )
        self._shown = AsShown(self.tracks, accounts, self._rescale)
        causes = self.watch.deviation.causes
        self.proposer = Proposer(self.index, self.runner, self.comparator.pairs, causes.diagnoses)
        self.recording = "recording"
        self.ended = False
        works = [instrument.mount != "cadence" for instrument in bench.instruments]
        self._measuring = list(zip(range(n), self.tracks, works, strict=True))
        self._next_s = STEP_S
        self._wall: tuple[float, int] | None = None
        self._on_cell = on_cell

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
            self.intake.take(record, t_s)
        elif isinstance(record, Tick):
            self._tick(record, t_s)
        elif isinstance(record, Link):
            self._links.take(record, t_s)
        elif isinstance(record, Act):
            self._acts.take(record, t_s)
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
        if self.ring.end + 1 > now_s:
            return
        common = self._common_s(now_s)
        while self.ring.end + 1 <= common:
            self._close()
            for sign in self.watch.second(now_s, self.ring.end):
                self._drive(sign, now_s, findings)

    def _common_s(self, now_s: float) -> float:
        """Up to where all that are heard have reported, session seconds; as soon as it is clear that the
        next second is not yet among it, that."""
        common, least = now_s, now_s - WAIT_S
        next_s = self.ring.end + 1
        heard, gone = self.facts.heard, self._links.gone
        for i, track, works in self._measuring:
            curve = track.curve
            turned_s = curve.turned_s
            frontier = curve.worked_s if works else turned_s
            if frontier - TURNS_BEHIND_S < turned_s < frontier:
                # Its turns are told by their ends: the last one begins before the power does.
                frontier = turned_s
            if frontier >= common:
                continue
            # Silent, yet linked: what it measured may be kept back, and come at once.
            if heard[i] == "heard" or (
                not gone[i] and now_s - track.heard_s < WAIT_S and 0.0 < frontier > track.heard_s - WAIT_S
            ):
                common = frontier
                if common < next_s > least:
                    break
        return max(common, least)

    def _close(self) -> None:
        rows = [track.curve.close() for track in self.tracks]
        second, cell = self.ring.end, np.array(rows)
        if self._on_cell is not None:
            self._on_cell(second, cell)
        if self._shown.take(second, rows):
            cell = np.array(rows)
        self.ring.append(cell)
        self.comparator.second(cell)

    def _rescale(self, i: int, by: float) -> None:
        """What an instrument shows turns out to be `by` times what was taken for it."""
        self.ring.scale(i, by)
        self.comparator.scale(i, by)
        self.watch.changes.begin_anew(i)

    def _drive(self, sign: Sign, now_s: float, findings: list[Finding]) -> None:
        finding, event = self.alarms.drive(sign, now_s)
        if finding is not None:
            findings.append(finding)
        if event is None:
            return
        if sign.kind in ("power-off", "side-off"):
            # What is judged from its raising on is the fault; from its clearing on, the cure.
            self._renew(sign)
            self._acts.new_state(now_s)
        mark = "!" if event == "raised" else "✓"
        what = sign.kind if sign.side in (None, "total") else f"{sign.side} {sign.kind}"
        self._event(now_s, mark, f"{sign.instrument} {what}{'' if event == 'raised' else ' over'}".strip())

    def _renew(self, sign: Sign) -> None:
        pair = self.comparator.pairs.get(self.index.get(sign.instrument, -1))
        if pair is not None:
            for verdict in (pair.verdict, pair.verdict_left, pair.verdict_right):
                verdict.reset()
