"""From readings to the work curve: cumulative work and revolutions over host time.

Each instrument's packets become pieces of work laid on the host's seconds. Where the
profile sends accumulators their differences are exact and a lost packet costs nothing;
where it sends power only, power times the time since the packet before is laid down.
Time that nobody vouched for stays uncovered: it is missing, never zero, never held.
"""

import math

import numpy as np
import numpy.typing as npt

from capture.sample import Reading
from monitor.analysis.timebase import Counter, DeviceClock

TWO_PI = 2.0 * math.pi
HELD_S = 3.0
"""A power reading vouches for at most this long before it (common practice, no source)."""
BRIDGED_S = 8.0
"""An accumulator's difference is laid evenly over a gap of at most this long."""
STAND_IN_S = 1.0
"""So long the packets that know more are waited for, once others are heard again."""
REST_S = 3.0
"""No new revolution for this long while packets come: the crank rests (20 rpm is its slowest)."""
REST_TOLD_S = 1.2
"""The same when the packet itself says 0 W."""
MAX_POWER_W = 4000.0
MAX_REVS_PER_S = 5.0
SWING = 0.16
"""No rider's share moves by so much from one revolution to the next (common practice, no source)."""
EVENT_S = 2.0
"""A turning crank shows a new revolution within this time, at 30 rpm and more."""
MAX_EVENTS_PER_S = 10.0
AHEAD_S = 1.5
"""A device can't have lived longer than the host since the last event: then its counters began anew."""
CAPACITY_S = 1 << 13

WORK, LEFT, SIDED, COVERED, REVS, TURNED = range(6)
"""Columns of a cell: joules, joules of the left side, seconds with known sides, seconds
with known work, crank revolutions, seconds with known revolutions."""
COLUMNS = 6


class Ring:
    """Closed cells of all instruments as running sums; window sums in O(1), memory flat.

    `sums[k % CAPACITY_S]` has shape (instruments, COLUMNS): the totals at the end of second k.
    """

    def __init__(self, instruments: int) -> None:
        # Written, not only reserved: what it takes it takes at once, and not an hour later.
        self.sums: npt.NDArray[np.float64] = np.full((CAPACITY_S, instruments, COLUMNS), 0.0)
        self.end = 0
        """Seconds closed so far; cell k covers [k, k + 1)."""

    def append(self, cell: npt.NDArray[np.float64]) -> None:
        """Close the next second; `cell` has shape (instruments, COLUMNS)."""
        k = self.end
        np.add(self.sums[(k - 1) % CAPACITY_S], cell, out=self.sums[k % CAPACITY_S])
        self.end = k + 1

    def window(self, begin: int, end: int) -> npt.NDArray[np.float64]:
        """Sums over the seconds [begin, end), shape (instruments, COLUMNS)."""
        difference: npt.NDArray[np.float64] = (
            self.sums[(end - 1) % CAPACITY_S] - self.sums[(begin - 1) % CAPACITY_S]
        )
        return difference

    def series(self, begin: int, end: int, column: int) -> npt.NDArray[np.float64]:
        """Cells of one column over [begin, end), shape (end - begin, instruments)."""
        index = np.arange(begin - 1, end) % CAPACITY_S
        result: npt.NDArray[np.float64] = np.diff(self.sums[index, :, column], axis=0)
        return result

    @property
    def oldest(self) -> int:
        """The first second that a window may begin at."""
        return max(0, self.end - CAPACITY_S + 1)


class Curve:
    """One instrument's open seconds, filled by pieces until they are closed."""

    __slots__ = ("_cells", "base", "total_j", "turned_s", "worked_s")

    def __init__(self) -> None:
        self.base = 0
        self._cells: list[list[float]] = []
        self.worked_s = 0.0
        """Work is known up to here: the frontier."""
        self.turned_s = 0.0
        self.total_j = 0.0

    def _pieces(self, t0_s: float, t1_s: float) -> list[tuple[list[float], float]]:
        """The cells that [t0, t1) touches, each with its seconds."""
        cells, base = self._cells, self.base
        # At least one is open: what ended before it goes there too.
        last = max(int(t1_s) - base, 0)
        while len(cells) <= last:
            cells.append([0.0] * COLUMNS)
        first = int(t0_s) - base
        if first >= last or t1_s <= base:
            return [(cells[last], t1_s - t0_s)]
        if first >= 0 and first + 1 == last:
            # By far the most that are not within one second.
            edge_s = float(base + last)
            return [(cells[first], edge_s - t0_s), (cells[last], t1_s - edge_s)]
        pieces = []
        for i in range(first, last + 1):
            length = min(t1_s, base + i + 1.0) - max(t0_s, float(base + i))
            if length > 0.0:
                # A second that is closed can't be reopened: what comes late for it goes into
                # the oldest open one, so that no work is lost.
                pieces.append((cells[i if i > 0 else 0], length))
        return pieces

    def work(self, t0_s: float, t1_s: float, work_j: float, left_share: float | None) -> None:
        """Lay `work_j` evenly on [t0, t1); the left side's part if its share is known."""
        if t1_s <= t0_s:
            return
        self.total_j += work_j
        density = work_j / (t1_s - t0_s)
        for cell, length in self._pieces(t0_s, t1_s):
            j = density * length
            cell[WORK] += j
            cell[COVERED] += length
            if left_share is not None:
                cell[LEFT] += j * left_share
                cell[SIDED] += length
        if t1_s > self.worked_s:
            self.worked_s = t1_s

    def turn(self, t0_s: float, t1_s: float, revs: float) -> None:
        """Lay crank revolutions evenly on [t0, t1)."""
        if t1_s <= t0_s:
            return
        density = revs / (t1_s - t0_s)
        for cell, length in self._pieces(t0_s, t1_s):
            cell[REVS] += density * length
            cell[TURNED] += length
        if t1_s > self.turned_s:
            self.turned_s = t1_s

    @property
    def pending(self) -> int:
        """How many open seconds hold anything."""
        return len(self._cells)

    def close(self) -> list[float]:
        """Take out the oldest open second."""
        self.base += 1
        return self._cells.pop(0) if self._cells else [0.0] * COLUMNS


class _Accumulator:
    """Counters of one kind of packet that sends torque and event time."""

    __slots__ = (
        "clock",
        "event_s",
        "interval_s",
        "placed",
        "revs",
        "ticks",
        "timed",
        "torque",
        "uneven",
        "updates",
    )

    def __init__(self, revs_modulus: int) -> None:
        self.placed = False
        """Whether the last event's time is known: that of the baseline is not, it may be old."""
        self.clock = DeviceClock()
        self.revs = Counter(revs_modulus)
        self.ticks = Counter(65536)
        self.torque = Counter(65536)
        self.updates = Counter(256)
        self.event_s = -math.inf
        self.interval_s = 1.0
        self.uneven = 0
        self.timed = False
        """Whether updates come at a fixed rate, not once a revolution."""


class _Sum:
    """Counters of one kind of packet that sends a sum of power and an update count."""

    __slots__ = ("events", "power", "update_s")

    def __init__(self) -> None:
        self.events = Counter(256)
        self.power = Counter(65536)
        self.update_s = -math.inf


TORQUE, POWER_SUM, POWER = 3, 2, 1


class Track:
    """Turns one instrument's readings into its curve, and remembers what was last shown.

    `feed` takes readings in order of arrival. All times are host seconds. `sides` is the
    bench's word on what the instrument measures: a one-sided meter's total is twice its side.
    """

    def __init__(self, sides: str) -> None:
        self.curve = Curve()
        self.sides = sides
        self.heard_s = -math.inf
        self.power_w: float | None = None
        self.told_s = -math.inf
        """When it last told its power in watts; until it falls silent there, none is derived for show."""
        self.powered_s = -math.inf
        """When it last showed power with a live counter."""
        self.unpowered_s = -math.inf
        """When it last showed none."""
        self.turning_s = -math.inf
        """When it last showed a turning crank."""
        self.cadence_rpm: float | None = None
        self.left_share: float | None = None
        self._share_told: float | None = None
        self.share_s = -math.inf
        self.share_step = 0.005
        self.fresh = False
        """Whether the last reading brought a new event, not a repetition."""
        self.restarts = 0
        self.trusts_torque = True
        self._torque_j = 0.0
        self._power_j = 0.0
        self._source = ""
        self._source_rank = 0
        self._source_s = -math.inf
        self._without_s = math.inf
        self._opened_s = -math.inf
        self._before_s = 0.0
        self._accumulators: dict[str, _Accumulator] = {}
        self._sums: dict[str, _Sum] = {}
        self._cranks: dict[str, _Accumulator] = {}
        self._crank_source = ""
        self._crank_s = -math.inf
        self._power_seen_s: dict[str, float] = {}

    # -- link

    def baseline(self) -> None:
        """A new connection: counters may have started anew, nothing is differenced across."""
        self._accumulators.clear()
        self._sums.clear()
        self._cranks.clear()
        self._power_seen_s.clear()
        self.left_share = None

    # -- readings

    def feed(self, r: Reading, t_s: float) -> None:
        """Take one reading that arrived at `t_s`."""
        gap_s = t_s - self.heard_s if self.heard_s > -math.inf else 0.0
        self.heard_s = t_s
        self.fresh = False
        if r.left_share is not None:
            # A meter that doesn't share out whole revolutions tells a share that swings about the
            # rider's own, from one reading to the next: two together are nearer to whole revolutions.
            last = self._share_told
            swings = last is not None and t_s - self.share_s < 1.6 and abs(r.left_share - last) > SWING
            self.left_share = 0.5 * (last + r.left_share) if swings and last is not None else r.left_share
            self._share_told = r.left_share
            self.share_s = t_s
            self.share_step = 0.01 if r.item.startswith("ant") else 0.005
        if r.power_w is not None:
            self.power_w = r.power_w
            self.told_s = t_s
            if r.power_w <= 0.0:
                self.unpowered_s = t_s
        if r.cadence_rpm is not None:
            self.cadence_rpm = r.cadence_rpm
            if r.cadence_rpm > 0.0 and r.crank_revs is None and (r.power_w or 0.0) > 0.0:
                self.turning_s = t_s
        torque = r.torque_sum_32nds
        revs, ticks = (r.crank_revs, r.crank_ticks) if r.torque_at_crank else (r.wheel_revs, r.wheel_ticks)
        by_torque = torque is not None and revs is not None and ticks is not None
        if torque is not None and revs is not None and ticks is not None:
            self._feed_torque(r, torque, revs, ticks, t_s, gap_s)
        if r.crank_revs is not None and r.crank_ticks is not None and not (by_torque and r.torque_at_crank):
            self._feed_crank(r, r.crank_revs, r.crank_ticks, t_s, gap_s)
        if by_torque:
            return
        if r.power_sum_w is not None and r.events is not None:
            self._feed_sum(r, r.power_sum_w, r.events, t_s)
        elif r.power_w is not None:
            self._feed_power(r, r.power_w, t_s)

    def _serves(self, item: str, rank: int, t_s: float) -> bool:
        """Whether this kind of packet is the one that the work is taken from.

        A lesser kind stands in only when it has come for a second without the better one:
        after a silence of the radio either may be heard first, and only the better one's
        counters know all of it.
        """
        if rank <= self._source_rank and item != self._source:
            if t_s - self._source_s <= HELD_S:
                return False
            self._without_s = min(self._without_s, t_s)
            if t_s - self._without_s < STAND_IN_S:
                return False
        self._source, self._source_rank, self._source_s = item, rank, t_s
        self._without_s = math.inf
        return True

    def _share(self, t_s: float) -> float | None:
        if self.sides in ("left", "right"):
            return 0.5
        if self.left_share is None or t_s - self.share_s > HELD_S:
            return None
        return self.left_share

    def _shows(self, power_w: float, t_s: float) -> None:
        """A new event tells of power, or of none."""
        self.fresh = True
        if power_w > 0.0:
            self.powered_s = t_s
        else:
            self.unpowered_s = t_s

    def _feed_torque(self, r: Reading, torque: int, revs: int, ticks: int, t_s: float, gap_s: float) -> None:
        at_crank = r.torque_at_crank
        a = self._accumulators.get(r.item)
        if a is None:
            a = _Accumulator(r.crank_revs_modulus if at_crank else r.wheel_revs_modulus)
            self._accumulators[r.item] = a
        hz = r.crank_tick_hz if at_crank else r.wheel_tick_hz
        d_revs, d_ticks, d_torque = a.revs.step(revs), a.ticks.step(ticks), a.torque.step(torque)
        d_updates = a.updates.step(r.events) if r.events is not None else None
        took_over = self._source != r.item
        serves = self._serves(r.item, TORQUE, t_s)
        if d_revs is None or d_ticks is None or d_torque is None:
            a.event_s = a.clock.restart(t_s)
            self._open(t_s, serves)
            return
        curve = self.curve
        share = self._share(t_s)
        if not d_ticks and not d_revs and not d_torque:
            # Nothing new. An update counter that goes on while time stands still says: stopped.
            told = bool(d_updates) or r.moving is False or r.power_w == 0.0
            if told and t_s - self.told_s > HELD_S:
                self.power_w = 0.0
            if told:
                self.unpowered_s = t_s
                self.fresh = bool(d_updates)
            since = t_s - a.event_s
            hold = REST_TOLD_S if told else max(REST_S, 2.0 * a.interval_s)
            if since > hold:
                upto = t_s - 0.5
                if serves and upto - curve.worked_s <= BRIDGED_S:
                    curve.work(curve.worked_s, upto, 0.0, share)
                elif serves:
                    curve.worked_s = upto
                if at_crank and self._crank_serves(r.item, t_s):
                    if upto - curve.turned_s <= BRIDGED_S:
                        curve.turn(curve.turned_s, upto, 0.0)
                    else:
                        curve.turned_s = upto
            return
        if d_updates is not None and at_crank and (a.timed or d_updates != d_revs):
            # Updates at a fixed rate: each adds the interval's mean torque and mean period, so
            # the accumulated period is no clock and the time is the packets' own.
            a.timed = a.timed or a.uneven >= 2
            a.uneven += 1
            self._feed_timed(r, a, d_updates, d_ticks / hz, d_torque / 32.0, float(d_revs), t_s, serves)
            return
        elapsed = d_ticks / hz
        # An event time says nothing of whole wraps: the host's clock does.
        wrap = 65536.0 / hz
        since = t_s - a.event_s
        if since - elapsed > 0.75 * wrap:
            elapsed += wrap * round((since - elapsed) / wrap)
        work_j = TWO_PI * d_torque / 32.0
        if (
            elapsed <= 0.0
            or elapsed > since + AHEAD_S
            or work_j > MAX_POWER_W * max(elapsed, 0.2)
            or (at_crank and d_revs > MAX_REVS_PER_S * elapsed + 1.0)
        ):
            self.restarts += a.placed
            a.placed = True
            a.event_s = a.clock.restart(t_s)
            self._open(t_s, serves)
            return
        last_s = a.event_s
        event_s = a.clock.event(elapsed, t_s, gap_s)
        a.event_s = event_s
        a.placed = True
        a.interval_s = min(elapsed, 3.0)
        power_w = work_j / elapsed
        if t_s - self.told_s > HELD_S:
            self.power_w = power_w
        self._shows(power_w if r.power_w is None else r.power_w, t_s)
        if d_revs:
            self.turning_s = t_s
        if r.power_w is not None and elapsed <= HELD_S:
            # A turn that a rest or a gap made long says nothing of the power in between.
            self._weigh(work_j, r.power_w * elapsed)
        if serves:
            begin = curve.worked_s
            if begin == self._opened_s and elapsed <= HELD_S:
                # The stretch was opened when the packet of the baseline came; its event was earlier.
                begin = max(self._before_s, min(begin, event_s - elapsed))
            if not self.trusts_torque and r.power_w is not None:
                work_j = r.power_w * min(elapsed, max(0.05, event_s - begin))
            elif took_over and begin > last_s:
                # What another kind of packet has told of already doesn't count again.
                work_j *= max(0.0, event_s - begin) / (event_s - last_s) if event_s > last_s else 0.0
            if event_s - begin > BRIDGED_S:
                curve.worked_s = event_s
            elif begin < event_s:
                curve.work(begin, event_s, work_j, share)
            elif work_j:
                curve.work(event_s - 0.05, event_s, work_j, share)
        if at_crank and self._crank_serves(r.item, t_s):
            begin = curve.turned_s
            if event_s - begin > BRIDGED_S:
                curve.turned_s = event_s
            else:
                curve.turn(begin, event_s, float(d_revs))
            self.cadence_rpm = 60.0 * d_revs / elapsed

    def _feed_timed(
        self,
        r: Reading,
        a: _Accumulator,
        updates: int,
        periods_s: float,
        torques_nm: float,
        revs: float,
        t_s: float,
        serves: bool,
    ) -> None:
        """A meter that updates at a fixed rate: power is mean torque times 2 pi over the mean period."""
        curve = self.curve
        since = t_s - a.event_s
        a.event_s = t_s
        power_w = TWO_PI * torques_nm / periods_s if periods_s > 0.0 else 0.0
        if (
            power_w > MAX_POWER_W
            or updates > MAX_EVENTS_PER_S * since + 4.0
            or revs > MAX_REVS_PER_S * since + 2.0
        ):
            self.restarts += a.placed
            a.placed = True
            self._open(t_s, serves)
            return
        a.placed = True
        if t_s - self.told_s > HELD_S:
            self.power_w = power_w
        self._shows(power_w if r.power_w is None else r.power_w, t_s)
        if revs:
            self.turning_s = t_s
        if serves:
            begin = curve.worked_s
            if t_s - begin > BRIDGED_S:
                curve.worked_s = t_s
            else:
                curve.work(begin, t_s, power_w * (t_s - begin), self._share(t_s))
        if self._crank_serves(r.item, t_s):
            begin = curve.turned_s
            if t_s - begin > BRIDGED_S:
                curve.turned_s = t_s
            else:
                # Whole revolutions come in lumps at this rate; the mean period is finer.
                fine = updates * (t_s - begin) / periods_s if periods_s > 0.0 else 0.0
                curve.turn(begin, t_s, fine)
            self.cadence_rpm = 60.0 * updates / periods_s if periods_s > 0.0 else 0.0

    def _open(self, t_s: float, serves: bool) -> None:
        """Begin a stretch of known work here: what was before stays missing."""
        if serves and t_s > self.curve.worked_s:
            self._before_s = max(0.0, self.curve.worked_s)
            self._opened_s = self.curve.worked_s = t_s
        if t_s > self.curve.turned_s:
            self.curve.turned_s = t_s

    def _weigh(self, torque_j: float, power_j: float) -> None:
        """Compare both accounts of the same work: not every meter accumulates as its profile says."""
        self._torque_j = 0.97 * self._torque_j + torque_j
        self._power_j = 0.97 * self._power_j + power_j
        if self._power_j > 2000.0 or self._torque_j > 2000.0:
            ratio = self._torque_j / self._power_j if self._power_j > 0.0 else math.inf
            if self.trusts_torque:
                self.trusts_torque = 0.8 < ratio < 1.25
            else:
                self.trusts_torque = 0.9 < ratio < 1.1

    def _crank_serves(self, item: str, t_s: float) -> bool:
        if item == self._crank_source or t_s - self._crank_s > HELD_S:
            self._crank_source = item
            self._crank_s = t_s
            return True
        return False

    def _feed_crank(self, r: Reading, revs: int, ticks: int, t_s: float, gap_s: float) -> None:
        """Revolutions and their event time, without torque."""
        # The pages of a cadence sensor differ in their background data, not in their counters.
        item = r.item.partition("/")[0] if r.item.startswith("ant12") else r.item
        a = self._cranks.get(item)
        if a is None:
            a = self._cranks[item] = _Accumulator(r.crank_revs_modulus)
        d_revs, d_ticks = a.revs.step(revs), a.ticks.step(ticks)
        serves = self._crank_serves(item, t_s)
        curve = self.curve
        if d_revs is None or d_ticks is None:
            a.event_s = a.clock.restart(t_s)
            if t_s > curve.turned_s:
                curve.turned_s = t_s
            return
        if not d_ticks and not d_revs:
            hold = REST_TOLD_S if (r.power_w == 0.0 or r.moving is False) else max(REST_S, 2.0 * a.interval_s)
            if t_s - a.event_s > hold:
                if r.cadence_rpm is None:
                    self.cadence_rpm = 0.0
                if serves:
                    upto = t_s - 0.5
                    if upto - curve.turned_s <= BRIDGED_S:
                        curve.turn(curve.turned_s, upto, 0.0)
                    else:
                        curve.turned_s = upto
            return
        hz = r.crank_tick_hz
        elapsed = d_ticks / hz
        wrap = 65536.0 / hz
        since = t_s - a.event_s
        if since - elapsed > 0.75 * wrap:
            elapsed += wrap * round((since - elapsed) / wrap)
        if elapsed <= 0.0 or elapsed > since + AHEAD_S or d_revs > MAX_REVS_PER_S * elapsed + 1.0:
            self.restarts += a.placed
            a.placed = True
            a.event_s = a.clock.restart(t_s)
            if t_s > curve.turned_s:
                curve.turned_s = t_s
            return
        event_s = a.clock.event(elapsed, t_s, gap_s)
        a.event_s = event_s
        a.placed = True
        a.interval_s = min(elapsed, 3.0)
        if d_revs:
            self.turning_s = t_s
            if r.power_w is None:
                self.fresh = True
        if r.cadence_rpm is None:
            self.cadence_rpm = 60.0 * d_revs / elapsed
        if serves:
            begin = curve.turned_s
            if event_s - begin > BRIDGED_S:
                curve.turned_s = event_s
            else:
                curve.turn(begin, event_s, float(d_revs))

    def _feed_sum(self, r: Reading, power_sum: int, events: int, t_s: float) -> None:
        s = self._sums.get(r.item)
        if s is None:
            s = self._sums[r.item] = _Sum()
        d_events, d_power = s.events.step(events), s.power.step(power_sum)
        serves = self._serves(r.item, POWER_SUM, t_s)
        if d_events is None or d_power is None:
            s.update_s = t_s
            self._open(t_s, serves)
            return
        curve = self.curve
        share = self._share(t_s)
        since = t_s - s.update_s
        if not d_events:
            told = r.power_w == 0.0 or r.cadence_rpm == 0.0
            if since > (REST_TOLD_S if told else REST_S):
                self.unpowered_s = t_s
                if serves:
                    upto = t_s - 0.5
                    if upto - curve.worked_s <= BRIDGED_S:
                        curve.work(curve.worked_s, upto, 0.0, share)
                    else:
                        curve.worked_s = upto
                    self._integrate_cadence(r, upto)
            return
        mean_w = d_power / d_events
        s.update_s = t_s
        if mean_w > MAX_POWER_W or d_events > MAX_EVENTS_PER_S * since + 4.0:
            self.restarts += 1
            self._open(t_s, serves)
            return
        self._shows(mean_w if r.power_w is None else r.power_w, t_s)
        if t_s - self.told_s > HELD_S:
            self.power_w = mean_w
        if serves:
            begin = curve.worked_s
            if t_s - begin > BRIDGED_S:
                curve.worked_s = t_s
            else:
                curve.work(begin, t_s, mean_w * (t_s - begin), share)
            self._integrate_cadence(r, t_s)

    def _feed_power(self, r: Reading, power_w: float, t_s: float) -> None:
        last = self._power_seen_s.get(r.item)
        self._power_seen_s[r.item] = t_s
        # A count of crank revolutions that stands still tells that the power is only held;
        # without one each packet is a new reading.
        if r.crank_revs is None or t_s - self.turning_s < EVENT_S or power_w <= 0.0:
            self._shows(power_w, t_s)
        if not self._serves(r.item, POWER, t_s):
            return
        curve = self.curve
        if last is None:
            self._open(t_s, True)
            return
        begin = max(curve.worked_s, last)
        if t_s - begin > HELD_S:
            curve.worked_s = t_s
        else:
            curve.work(begin, t_s, power_w * (t_s - begin), self._share(t_s))
        self._integrate_cadence(r, t_s)

    def _integrate_cadence(self, r: Reading, t_s: float) -> None:
        """Revolutions from a told cadence, where no counter is sent."""
        if r.cadence_rpm is None or r.crank_revs is not None or not self._crank_serves(r.item, t_s):
            return
        curve = self.curve
        begin = curve.turned_s
        if t_s - begin > HELD_S:
            curve.turned_s = t_s
        else:
            curve.turn(begin, t_s, r.cadence_rpm / 60.0 * (t_s - begin))
