"""From readings to the work curve: what an instrument's packets say of work and revolutions, and when.

Where the profile sends accumulators their differences are exact and a lost packet costs
nothing; where it sends power only, power times the time since the packet before is laid
down. Time that nobody vouched for stays uncovered: it is missing, never zero, never held.
"""

import math
from typing import NamedTuple

from capture.sample import Reading
from monitor.analysis.curve import BRIDGED_S, Curve
from monitor.analysis.timebase import AHEAD_S, Counter, DeviceClock, unwrapped

TWO_PI = 2.0 * math.pi
HELD_S = 3.0
"""Seconds. A power reading vouches for at most this long before it (common practice, no source)."""
STAND_IN_S = 1.0
"""Seconds. So long the packets that know more are waited for, once others are heard again: four slots
of an ANT+ channel, in which a meter sends each of its pages (common practice, no source)."""
REST_S = 3.0
"""Seconds without a new revolution while packets come: the crank rests (20 rpm is its slowest)."""
REST_SHOWN_S = 1.2
"""The same when the packet itself says 0 W."""
BEHIND_S = 0.5
"""Seconds. A rest is laid up to so long before the packet that shows it: a turn may have ended since that
the meter tells of in its next packet (half of the usual second between packets, common practice)."""
UPDATE_S = 1.0
"""Seconds. The slowest fixed rate at which torque is updated (common practice, no source)."""
MAX_POWER_W = 4000.0
"""Watts. More than any rider has shown over a turn (common practice, no source)."""
MAX_REVS_PER_S = 5.0
"""Revolutions of a crank per second: 300 rpm, more than any rider turns (common practice, no source)."""
TURN_S = 0.2
"""Seconds. No turn at full power is quicker: one at `MAX_REVS_PER_S`."""
LATE_TURN_S = 0.05
"""Seconds. Work whose time has been told of already is laid on so short a time before its event."""
SWING = 0.16
"""No rider's share moves by so much from one revolution to the next (common practice, no source)."""
SWUNG_S = 2.0
"""Seconds after a swing for which one reading alone is no whole revolution."""
SWING_S = 1.6
"""Seconds. Two shares so near to each other are of neighbouring revolutions (38 rpm and more)."""
EVENT_S = 2.0
"""Seconds. A turning crank shows a new revolution within this time, at 30 rpm and more."""
PEDALLED_W = 10.0
"""Watts. Less is what a trainer shows while nobody rides, and no rider keeps (common practice, no source)."""
PEDALLED_RPM = 20.0
"""Revolutions per minute. No rider pedals slower for long (common practice, no source)."""
TAIL = 0.5
"""A power below this part of what was shown just before may be the tail of a mean, not pedalling."""
TAIL_PER_S = 0.75
"""Part of the power shown before that is left after each second, as it is forgotten: three seconds, over
which meters smooth (common practice, no source), leave less than `TAIL`."""
SLOWEST_S = 2.0
"""Seconds. No profile sends more seldom while the crank turns (common practice, no source)."""
MAX_EVENTS_PER_S = 10.0
"""Updates per second: no profile sends more often (8 Hz, common practice, no source)."""
EVENTS_AT_ONCE = 4.0
"""Updates that may come at once: those of a second that the radio kept back."""
EVEN_UPDATES = 120
"""Packets in a row, half a minute, with an update for each revolution: the meter updates once a revolution
after all. At a fixed rate that nearly is the wheel's, nothing is lost by reading it so."""
BURST_S = 0.1
"""Seconds. Packets nearer to each other than this were kept back and come at once: no profile sends more
than 8 a second, and a connection event of Bluetooth is at most 4 s, its packets some milliseconds apart
(common practice, no source)."""
PACE_S = 1.0
"""Seconds between packets, until their own is known: the usual second."""
PACE_LIMIT_S = 3.0
"""Seconds. A longer silence is no pace."""
STALL = 1.6
"""So many paces (of `STALL_PACE_S` at least) without a packet are a silence, behind which others may come."""
STALL_PACE_S = 0.9
CATCHES_UP = 0.8
"""Part of its pace. Packets of a backlog come faster than this, live ones jitter by less (common practice,
no source)."""
FIRST_TURN_S = 0.6
"""Seconds. A turn from standstill takes so long at least (100 rpm at once: common practice, no source)."""
WEIGHT_LEFT = 0.97
"""Part of both accounts of work that is kept with each turn: 33 turns count, half a minute."""
WEIGHED_J = 2000.0
"""Joules. Both accounts are compared once one of them holds so much: ten seconds of easy riding."""

TORQUE, POWER_SUM, POWER = 3, 2, 1
"""Ranks of what a packet tells work by: the greater knows more."""


class _Band(NamedTuple):
    """Ratios between which two accounts of the same work agree."""

    low: float
    high: float


DOUBTED = _Band(0.8, 1.25)
"""A meter whose torque is further than this from its power accumulates otherwise than its profile says."""
TRUSTED_AGAIN = _Band(0.9, 1.1)
"""And is believed again within this: narrower, so that it does not flicker."""


JOINS_S = 5.0
"""Seconds within which the times of events are found, where those of packets stood for them before."""
STOOD_S = 0.3
"""Seconds. An event that would lie so much before a packet without it has another time: packets of one
device are no more unlike in how late they are (own calculation: connection intervals and slots)."""


class _Held(NamedTuple):
    """Power that came at the end of a silence and may have more behind it."""

    power_w: float
    turns_per_s: float | None
    updates: int


class _Step(NamedTuple):
    """How far the counters went since the packet before."""

    revs: int
    ticks: int
    torque_32nds: int
    updates: int | None


class _Accumulator:
    """Counters of one kind of packet that sends event times, of the crank or of the wheel."""

    __slots__ = (
        "clock",
        "even",
        "event_s",
        "hz",
        "interval_s",
        "joined_s",
        "placed",
        "repeated_s",
        "revs",
        "ticks",
        "timed",
        "torque",
        "updates",
    )

    def __init__(self, revs_modulus: int, hz: int) -> None:
        self.placed = False
        """Whether the last event's time is known: that of the baseline is not, it may be old."""
        self.hz = hz
        self.clock = DeviceClock()
        self.revs = Counter(revs_modulus)
        self.ticks = Counter(65536)
        self.torque = Counter(65536)
        self.updates = Counter(256)
        self.event_s = -math.inf
        self.repeated_s = -math.inf
        """Arrival of the last packet that came at its own time and told of no new event."""
        self.interval_s = 1.0
        self.timed = False
        """Whether updates come at a fixed rate, not once a revolution."""
        self.joined_s = -math.inf
        """When it was found that updates come once a revolution after all."""
        self.even = 0
        """Packets in a row with as many updates as revolutions, since it was found to be `timed`."""

    def step(self, revs: int, ticks: int, torque_32nds: int = 0, updates: int | None = None) -> _Step | None:
        """How far all counters went; None for the baseline."""
        d_revs, d_ticks, d_torque = (
            self.revs.step(revs),
            self.ticks.step(ticks),
            self.torque.step(torque_32nds),
        )
        d_updates = None if updates is None else self.updates.step(updates)
        if d_revs is None or d_ticks is None or d_torque is None:
            return None
        return _Step(d_revs, d_ticks, d_torque, d_updates)

    def elapsed_s(self, ticks: int, t_s: float, late_s: float, least_s: float = 0.0) -> float:
        """Seconds between the last event and this one, wraps undone."""
        return unwrapped(ticks / self.hz, t_s - self.event_s, 65536.0 / self.hz, late_s, least_s)

    def happens(self, elapsed_s: float, t_s: float, gap_s: float) -> float:
        """Place the event that came at `t_s`, `elapsed_s` after the last; host seconds."""
        if self.event_s + elapsed_s < self.repeated_s - STOOD_S:
            # It was not before a packet that did not know of it: the device's time stood in between.
            self.event_s = self.clock.restart(t_s)
        else:
            self.event_s = self.clock.event(elapsed_s, t_s, gap_s)
        self.placed = True
        self.interval_s = min(elapsed_s, REST_S)
        return self.event_s

    def rest_s(self, shown: bool) -> float:
        """Seconds without an event after which the crank rests; `shown`: the packet says so itself."""
        return REST_SHOWN_S if shown else max(REST_S, 2.0 * self.interval_s)


class _Sum:
    """Counters of one kind of packet that sends a sum of power and an update count."""

    __slots__ = ("events", "power", "update_s")

    def __init__(self) -> None:
        self.events = Counter(256)
        self.power = Counter(65536)
        self.update_s = -math.inf


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
        self.reading_s = -math.inf
        """When it last told its power in watts; until it falls silent there, none is derived for show."""
        self.powered_s = -math.inf
        """When it last showed power with a live counter."""
        self.unpowered_s = -math.inf
        """When it last showed none."""
        self.turning_s = -math.inf
        """When it last showed a turning crank."""
        self.pedalled_s = -math.inf
        """When it last showed that somebody pedals: a turn of the crank, or power (and, where it tells one,
        a cadence) such as a rider makes. A wheel that runs on and idle watts are none."""
        self.held_s = -math.inf
        """Until when a value of a ride file stands for want of a new one: that it repeats shows no fault."""
        self.paused_s = -math.inf
        """Until when the timer of a ride file stands still."""
        self.period_s = 0.0
        """Usual time between its packets."""
        self._level_w = 0.0
        self._level_s = -math.inf
        self._still_w, self._still_s = -1.0, -math.inf
        """The power that was told last, and since when it is the same."""
        self.cadence_rpm: float | None = None
        self.left_share: float | None = None
        self._share_reported: float | None = None
        self._swung_s = -math.inf
        self.share_s = -math.inf
        self.share_step = 0.005
        self.fresh = False
        """Whether the last reading brought a new event, not a repetition."""
        self.restarts = 0
        self.lacks: str | None = None
        """What it has not told yet and without which it can't be read as a power meter."""
        self.trusts_torque = True
        self._zero_hz: float | None = None
        self._pace_s = PACE_S
        self._bursts, self._burst_n = False, 0
        """What was kept back in a silence is still coming, and so many packets of it have come."""
        self._gap_s = 0.0
        """The silence before the packets that came last, at once or alone."""
        self._stalled_s = -math.inf
        """When the last silence ended: what repeats its last event then may be an old packet."""
        self._held: list[_Held] = []
        self._held_s = -math.inf
        self._held_begin_s = 0.0
        self._held_bridged_s = HELD_S
        self._rested = False
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

    @property
    def turns_moved_s(self) -> float:
        """When it last turned out that turns had been placed too late; see `DeviceClock.moved_s`."""
        clocks = (each.clock.moved_s for held in (self._accumulators, self._cranks) for each in held.values())
        return max(clocks, default=-math.inf)

    # -- link

    def baseline(self) -> None:
        """A new connection: counters may have started anew, nothing is differenced across."""
        self._accumulators.clear()
        self._sums.clear()
        self._cranks.clear()
        self._power_seen_s.clear()
        self.left_share = None
        self.settle()

    # -- readings

    def feed(self, r: Reading, t_s: float) -> None:
        """Take one reading that arrived at `t_s`."""
        if r.held_s is not None:
            self._feed_held(r, t_s, r.held_s)
            return
        gap_s = self._hear(t_s)
        self.period_s += 0.1 * (min(max(gap_s, 0.0), SLOWEST_S) - self.period_s)
        self.fresh = False
        if r.zero_offset_hz is not None:
            self._zero_hz = r.zero_offset_hz
        if r.left_share is not None:
            self._take_share(r.left_share, 0.01 if r.item.startswith("ant") else 0.005, t_s)
        if r.power_w is not None:
            self.power_w = r.power_w
            self.reading_s = t_s
            if r.power_w <= 0.0:
                self.unpowered_s = t_s
        if r.cadence_rpm is not None:
            self.cadence_rpm = r.cadence_rpm
            if r.cadence_rpm > 0.0 and r.crank_revs is None and (r.power_w or 0.0) > 0.0:
                self.turning_s = t_s
        by_torque = self._feed_torque(r, t_s, gap_s)
        if r.crank_revs is not None and r.crank_ticks is not None and not (by_torque and _crank_torque(r)):
            self._feed_crank(r, r.crank_revs, r.crank_ticks, t_s, gap_s)
        if by_torque:
            return
        if r.power_sum_w is not None and r.events is not None:
            self._feed_sum(r, r.power_sum_w, r.events, t_s)
        elif r.power_w is not None:
            self._feed_power(r, r.power_w, t_s)

    def _feed_held(self, r: Reading, t_s: float, held_s: float) -> None:
        """A record of a ride file: its values stand for the `held_s` seconds that follow it.

        A paused timer vouches for nothing; what it leaves out is neither riding nor loss.
        """
        end_s = t_s + held_s
        curve = self.curve
        self.heard_s = max(self.heard_s, end_s)
        self.period_s += 0.1 * (min(held_s, SLOWEST_S) - self.period_s)
        self.fresh = False
        if r.moving is False:
            self.paused_s = end_s
            curve.worked_s, curve.turned_s = max(curve.worked_s, end_s), max(curve.turned_s, end_s)
            return
        if held_s > 1.5 * UPDATE_S:
            self.held_s = end_s
        self.power_w, self.cadence_rpm = r.power_w, r.cadence_rpm
        self.left_share = r.left_share
        if r.left_share is not None:
            self.share_s, self.share_step = t_s, 0.01
        if r.power_w is None:
            curve.worked_s = max(curve.worked_s, end_s)
        else:
            self.told_s = t_s
            begin_s = max(t_s, curve.worked_s)
            # No power is none of either side, and no file gives it a share.
            share = self._share(t_s) if r.power_w > 0.0 else 0.5
            curve.work(begin_s, end_s, r.power_w * (end_s - begin_s), share)
            self._shows(r.power_w, t_s, r.cadence_rpm)
            # What is held is shown as long as it is held.
            if r.power_w > 0.0:
                self.powered_s = end_s
                if self.pedalled_s == t_s:
                    self.pedalled_s = end_s
        if r.cadence_rpm is None:
            curve.turned_s = max(curve.turned_s, end_s)
        else:
            if r.cadence_rpm > 0.0 and (r.power_w or 0.0) > 0.0:
                self.turning_s = end_s
            begin_s = max(t_s, curve.turned_s)
            curve.turn(begin_s, end_s, r.cadence_rpm / 60.0 * (end_s - begin_s))

    def settle(self) -> None:
        """Nothing more comes at once: lay what was kept for what might."""
        held = self._held
        if not held:
            return
        curve, end_s = self.curve, self._held_s
        share = self._share(end_s)
        begin_s, hole_s = self._held_begin_s, end_s - self._held_begin_s
        bridged_s = self._held_bridged_s
        if hole_s > bridged_s * len(held):
            # The last one vouches for its own time; what was before is missing.
            begin_s = curve.worked_s = end_s
        each_s = (end_s - begin_s) / sum(h.updates for h in held)
        at_s = begin_s
        for h in held:
            to_s = at_s + each_s * h.updates
            curve.work(at_s, to_s, h.power_w * (to_s - at_s), share)
            at_s = to_s
            if h.turns_per_s is not None:
                curve.turn_to(to_s, h.turns_per_s * (to_s - curve.turned_s), bridged_s)
        self._held = []

    def _catches_up(self, gap_s: float) -> bool:
        """Whether a packet is one of those kept back, though it did not come at once with the one before.

        A computer that is too slow gives them one after the other: faster than they are sent, and no more
        than the silence had room for. Taking the next one after a true loss for such a one costs nothing.
        """
        quick = gap_s < CATCHES_UP * self._pace_s
        return self._bursts and quick and self._burst_n * self._pace_s < self._gap_s

    def _hear(self, t_s: float) -> float:
        """Note that a packet came; the silence before those that came at once with it, seconds."""
        if self.heard_s == -math.inf:
            self.heard_s = t_s
            return 0.0
        gap_s = t_s - self.heard_s
        self.heard_s = t_s
        self._burst_n += 1
        if gap_s >= BURST_S and not self._catches_up(gap_s):
            self._gap_s = gap_s
            self._bursts, self._burst_n = False, 0
            if self._held:
                self.settle()
            if gap_s > STALL * max(self._pace_s, STALL_PACE_S):
                self._stalled_s, self._bursts = t_s, True
            if gap_s < PACE_LIMIT_S:
                self._pace_s += 0.1 * (gap_s - self._pace_s)
        return self._gap_s

    # -- sides

    def _take_share(self, share: float, step: float, t_s: float) -> None:
        """A share of the left side. A meter that doesn't share out whole revolutions tells one that swings
        about the rider's own, from one reading to the next: two together are nearer to whole revolutions.
        """
        last = self._share_reported
        swings = last is not None and t_s - self.share_s < SWING_S and abs(share - last) > SWING
        if swings and last is not None:
            self.left_share = 0.5 * (last + share)
            self._swung_s = t_s
        elif t_s - self._swung_s > SWUNG_S:
            self.left_share = share
        # Else the other half was missed, or the same one came again.
        self._share_reported = share
        self.share_s = t_s
        self.share_step = step

    def _share(self, t_s: float) -> float | None:
        if self.sides in ("left", "right"):
            return 0.5
        if self.left_share is None or t_s - self.share_s > HELD_S:
            return None
        return self.left_share

    # -- who is believed

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

    @property
    def counts_work(self) -> bool:
        """Whether its work is made of counters, and not of the power that it shows."""
        return self._source_rank == POWER_SUM or (self._source_rank == TORQUE and self.trusts_torque)

    def _crank_serves(self, item: str, t_s: float) -> bool:
        if item == self._crank_source or t_s - self._crank_s > HELD_S:
            self._crank_source = item
            self._crank_s = t_s
            return True
        return False

    def _weigh(self, torque_j: float, power_j: float) -> None:
        """Compare both accounts of the same work: not every meter accumulates as its profile says."""
        self._torque_j = WEIGHT_LEFT * self._torque_j + torque_j
        self._power_j = WEIGHT_LEFT * self._power_j + power_j
        if self._power_j > WEIGHED_J or self._torque_j > WEIGHED_J:
            ratio = self._torque_j / self._power_j if self._power_j > 0.0 else math.inf
            band = DOUBTED if self.trusts_torque else TRUSTED_AGAIN
            self.trusts_torque = band.low < ratio < band.high

    def _shows(self, power_w: float, t_s: float, cadence_rpm: float | None = None) -> None:
        """A new event tells of power, or of none."""
        self.fresh = True
        if power_w > 0.0:
            self.powered_s = t_s
            if power_w >= PEDALLED_W and (cadence_rpm is None or cadence_rpm >= PEDALLED_RPM):
                level_w = self._level_w * TAIL_PER_S ** max(0.0, t_s - self._level_s)
                if power_w >= TAIL * level_w:
                    self.pedalled_s = t_s
                self._level_w, self._level_s = max(power_w, level_w), t_s
        else:
            self.unpowered_s = t_s

    def _derives(self, power_w: float, t_s: float) -> None:
        """Show a power that follows from counters, where none is told in watts."""
        if t_s - self.reading_s > HELD_S:
            self.power_w = power_w

    def _open(self, t_s: float, serves: bool) -> None:
        """Begin a stretch of known work here: what was before stays missing."""
        if serves and t_s > self.curve.worked_s:
            self._before_s = max(0.0, self.curve.worked_s)
            self._opened_s = self.curve.worked_s = t_s
        if t_s > self.curve.turned_s:
            self.curve.turned_s = t_s

    # -- torque and event time

    def _feed_torque(self, r: Reading, t_s: float, gap_s: float) -> bool:
        """Torque and its events, of the crank or of the wheel; False: the packet tells no torque."""
        if r.torque_ticks is not None:
            return self._feed_frequency(r, r.torque_ticks, t_s, gap_s)
        torque = r.torque_sum_32nds
        revs, ticks = (r.crank_revs, r.crank_ticks) if r.torque_at_crank else (r.wheel_revs, r.wheel_ticks)
        if torque is None or revs is None or ticks is None:
            return False
        a = self._accumulator(r)
        took_over = self._source != r.item
        serves = self._serves(r.item, TORQUE, t_s)
        if r.events is not None and r.events == a.updates.last and torque == a.torque.last:
            # Revolutions may go on between updates: the next one's differences hold them.
            self._repeats(r, a, None, t_s, serves)
            return True
        step = a.step(revs, ticks, torque, r.events)
        if step is None:
            a.event_s = a.clock.restart(t_s)
            self._open(t_s, serves)
        elif not step.ticks and not step.revs and not step.torque_32nds:
            self._repeats(r, a, step.updates, t_s, serves)
        elif step.updates and (a.timed or step.updates != step.revs):
            # Updates at a fixed rate: each adds the interval's mean torque and mean period, so
            # the accumulated period is no clock and the time is the packets' own.
            a.even = a.even + 1 if step.updates == step.revs else 0
            a.timed = a.even < EVEN_UPDATES
            if not a.timed:
                a.joined_s = t_s
            self._feed_timed(r, a, step.updates, step, t_s, serves)
        else:
            least_s = step.revs / MAX_REVS_PER_S if r.torque_at_crank else 0.0
            elapsed = a.elapsed_s(step.ticks, t_s, gap_s, least_s - 1.0)
            work_j = TWO_PI * step.torque_32nds / 32.0
            self._turns(r, a, step.revs, elapsed, work_j, t_s, gap_s, serves, took_over)
        return True

    def _accumulator(self, r: Reading) -> _Accumulator:
        a = self._accumulators.get(r.item)
        if a is None:
            a = self._accumulators[r.item] = (
                _Accumulator(r.crank_revs_modulus, r.crank_tick_hz)
                if _crank_torque(r)
                else _Accumulator(r.wheel_revs_modulus, r.wheel_tick_hz)
            )
        return a

    def _feed_frequency(self, r: Reading, torque_ticks: int, t_s: float, gap_s: float) -> bool:
        """A frequency for the torque: read with its slope and its zero offset. False while one is missing.

        Torque = (ticks / time - zero offset) / slope, over whole turns (nRF5 SDK reference).
        """
        slope, zero_hz = r.slope_hz_per_nm, self._zero_hz
        self.lacks = None if zero_hz is not None and slope else "slope" if not slope else "zero offset"
        if zero_hz is None or not slope or r.crank_revs is None or r.crank_ticks is None:
            return False
        a = self._accumulator(r)
        took_over = self._source != r.item
        serves = self._serves(r.item, TORQUE, t_s)
        if a.revs.last == r.crank_revs:
            # Time and ticks may go on without a turn: the next one's differences hold them.
            self._repeats(r, a, None, t_s, serves)
            return True
        step = a.step(r.crank_revs, r.crank_ticks, torque_ticks)
        if step is None:
            a.event_s = a.clock.restart(t_s)
            self._open(t_s, serves)
            return True
        elapsed = a.elapsed_s(step.ticks, t_s, gap_s, step.revs / MAX_REVS_PER_S - 1.0)
        ticks = step.torque_32nds
        if elapsed > HELD_S:
            # Through a stop the ticks go on at about the offset, and may have wrapped.
            ticks += 65536 * max(0, round((zero_hz * elapsed - ticks) / 65536.0))
        torque_nm = (ticks / elapsed - zero_hz) / slope if elapsed > 0.0 else 0.0
        work_j = TWO_PI * torque_nm * step.revs
        self._turns(r, a, step.revs, elapsed, work_j, t_s, gap_s, serves, took_over)
        return True

    def _turns(
        self,
        r: Reading,
        a: _Accumulator,
        revs: int,
        elapsed: float,
        work_j: float,
        t_s: float,
        gap_s: float,
        serves: bool,
        took_over: bool,
    ) -> None:
        """Turns of crank or wheel ended, `elapsed` seconds after the ones before, and did this work."""
        at_crank = _crank_torque(r)
        if (
            elapsed <= 0.0
            or elapsed > t_s - a.event_s + AHEAD_S
            or work_j > MAX_POWER_W * max(elapsed, TURN_S)
            or (at_crank and revs > MAX_REVS_PER_S * elapsed + 1.0)
        ):
            self.restarts += a.placed
            a.placed = True
            a.event_s = a.clock.restart(t_s)
            self._open(t_s, serves)
            return
        last_s = a.event_s
        first = not a.placed or self._rested
        event_s = a.happens(elapsed, t_s, gap_s)
        power_w = work_j / elapsed
        self._derives(power_w, t_s)
        self._shows(power_w if r.power_w is None else r.power_w, t_s, r.cadence_rpm)
        if revs and at_crank:
            self.turning_s = self.pedalled_s = t_s
        if r.power_w is not None and elapsed <= HELD_S:
            # A turn that a rest or a gap made long says nothing of the power in between.
            self._weigh(work_j, r.power_w * elapsed)
        if serves:
            if t_s < a.joined_s + JOINS_S:
                # What was laid by the times of packets reached to the last packet, not to its event.
                work_j *= min(1.0, max(0.0, event_s - self.curve.worked_s) / elapsed)
            self._lay_turns(r, work_j, elapsed, event_s, last_s if took_over else None, t_s)
        if at_crank and self._crank_serves(r.item, t_s):
            self._turn_to(event_s, revs, first)
            self.cadence_rpm = 60.0 * revs / elapsed

    def _turn_to(self, event_s: float, revs: int, first: bool) -> None:
        """Lay turns of the crank; the first after a rest began in it."""
        self.curve.turn_to(event_s, float(revs), least_s=FIRST_TURN_S * revs if first else 0.0)
        self._rested = False

    def _rest_to(self, t_s: float) -> None:
        """No turn of the crank up to here."""
        self.curve.turn_to(t_s, 0.0)
        self._rested = True

    def _repeats(self, r: Reading, a: _Accumulator, updates: int | None, t_s: float, serves: bool) -> None:
        """No counter moved. An update counter that goes on while time stands still says: stopped."""
        if not self._bursts and not self._burst_n:
            a.repeated_s = t_s
        shown = bool(updates) or r.moving is False or r.power_w == 0.0
        if shown:
            self._derives(0.0, t_s)
            self.unpowered_s = t_s
            self.fresh = bool(updates)
        if t_s - max(a.event_s, self._stalled_s) > a.rest_s(shown):
            # A page that only repeats is never told to be 0 W: a rest is.
            self._derives(0.0, t_s)
            self.unpowered_s = t_s
            # An update at a fixed rate tells of all the time up to it, and the next one may follow.
            upto_s = t_s if a.timed and updates else t_s - (UPDATE_S if a.timed else BEHIND_S)
            if serves:
                self.curve.work_to(upto_s, 0.0, self._share(t_s))
            if _crank_torque(r) and self._crank_serves(r.item, t_s):
                self._rest_to(upto_s)

    def _lay_turns(
        self,
        r: Reading,
        work_j: float,
        elapsed_s: float,
        event_s: float,
        taken_over_from_s: float | None,
        t_s: float,
    ) -> None:
        """Lay the work of the turns that ended at `event_s`.

        `taken_over_from_s`: the event before, if another kind of packet has told since.
        """
        begin = self.curve.worked_s
        if begin == self._opened_s and elapsed_s <= HELD_S:
            # The stretch was opened when the packet of the baseline came; its event was earlier.
            begin = max(self._before_s, min(begin, event_s - elapsed_s))
        if not self.trusts_torque and r.power_w is not None:
            work_j = r.power_w * min(elapsed_s, max(LATE_TURN_S, event_s - begin))
        elif taken_over_from_s is not None and begin > taken_over_from_s:
            # What another kind of packet has told of already doesn't count again.
            whole_s = event_s - taken_over_from_s
            work_j *= max(0.0, event_s - begin) / whole_s if whole_s > 0.0 else 0.0
        if begin < event_s:
            self.curve.work_to(event_s, work_j, self._share(t_s), begin)
        elif work_j:
            self.curve.work(event_s - LATE_TURN_S, event_s, work_j, self._share(t_s))

    def _feed_timed(
        self, r: Reading, a: _Accumulator, updates: int, step: _Step, t_s: float, serves: bool
    ) -> None:
        """A meter that updates at a fixed rate: power is mean torque times 2 pi over the mean period."""
        since = t_s - a.event_s
        a.event_s = t_s
        periods_s = step.ticks / a.hz
        power_w = TWO_PI * step.torque_32nds / 32.0 / periods_s if periods_s > 0.0 else 0.0
        if (
            power_w > MAX_POWER_W
            or updates > MAX_EVENTS_PER_S * since + EVENTS_AT_ONCE
            or (r.torque_at_crank and step.revs > MAX_REVS_PER_S * since + 2.0)
        ):
            self.restarts += a.placed
            a.placed = True
            self._open(t_s, serves)
            return
        a.placed = True
        self._derives(power_w, t_s)
        self._shows(power_w if r.power_w is None else r.power_w, t_s, r.cadence_rpm)
        turns_per_s = None
        if r.torque_at_crank:
            if step.revs:
                self.turning_s = self.pedalled_s = t_s
            if self._crank_serves(r.item, t_s):
                # Whole revolutions come in lumps at this rate; the mean period is finer.
                turns_per_s = updates / periods_s if periods_s > 0.0 else 0.0
                self.cadence_rpm = 60.0 * turns_per_s
        if serves:
            self._lay_power(power_w, turns_per_s, updates, self.curve.worked_s, t_s, BRIDGED_S)
        elif turns_per_s is not None:
            self.curve.turn_to(t_s, turns_per_s * (t_s - self.curve.turned_s))

    def _lay_power(
        self,
        power_w: float,
        turns_per_s: float | None,
        updates: int,
        begin_s: float,
        t_s: float,
        bridged_s: float,
    ) -> None:
        """Lay a power that was told for the time since `begin_s`, and a cadence.

        It has no time of its own but that of its packet. After a silence others may come with it
        that were kept back: then they share the silence in their order.
        """
        if self._held or self._bursts:
            if not self._held:
                self._held_begin_s, self._held_bridged_s = begin_s, bridged_s
            self._held.append(_Held(power_w, turns_per_s, updates))
            self._held_s = t_s
            return
        curve = self.curve
        curve.work_to(t_s, power_w * (t_s - begin_s), self._share(t_s), begin_s, bridged_s)
        if turns_per_s is not None:
            curve.turn_to(t_s, turns_per_s * (t_s - curve.turned_s), bridged_s)

    # -- revolutions without torque

    def _feed_crank(self, r: Reading, revs: int, ticks: int, t_s: float, gap_s: float) -> None:
        """Revolutions and their event time, without torque."""
        # The pages of a cadence sensor differ in their background data, not in their counters.
        item = r.item.partition("/")[0] if r.item.startswith("ant12") else r.item
        a = self._cranks.get(item)
        if a is None:
            a = self._cranks[item] = _Accumulator(r.crank_revs_modulus, r.crank_tick_hz)
        step = a.step(revs, ticks)
        serves = self._crank_serves(item, t_s)
        if step is None:
            a.event_s = a.clock.restart(t_s)
            self._open(t_s, False)
            return
        if not step.ticks and not step.revs:
            shown = r.power_w == 0.0 or r.moving is False
            if t_s - max(a.event_s, self._stalled_s) > a.rest_s(shown):
                if r.cadence_rpm is None:
                    self.cadence_rpm = 0.0
                if serves:
                    self._rest_to(t_s - BEHIND_S)
            return
        elapsed = a.elapsed_s(step.ticks, t_s, gap_s, step.revs / MAX_REVS_PER_S - 1.0)
        if (
            elapsed <= 0.0
            or elapsed > t_s - a.event_s + AHEAD_S
            or step.revs > MAX_REVS_PER_S * elapsed + 1.0
        ):
            self.restarts += a.placed
            a.placed = True
            a.event_s = a.clock.restart(t_s)
            self._open(t_s, False)
            return
        first = not a.placed or self._rested
        event_s = a.happens(elapsed, t_s, gap_s)
        if step.revs:
            self.turning_s = self.pedalled_s = t_s
            if r.power_w is None:
                self.fresh = True
        if r.cadence_rpm is None:
            self.cadence_rpm = 60.0 * step.revs / elapsed
        if serves:
            self._turn_to(event_s, step.revs, first)

    # -- power, with a sum or alone

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
        since = t_s - s.update_s
        if not d_events:
            shown = r.power_w == 0.0 or r.cadence_rpm == 0.0
            if t_s - max(s.update_s, self._stalled_s) > (REST_SHOWN_S if shown else REST_S):
                self.unpowered_s = t_s
                if serves:
                    rest_s = t_s - BEHIND_S
                    curve.work_to(rest_s, 0.0, self._share(t_s))
                    turns_per_s = self._shown_turns(r, t_s)
                    if turns_per_s is not None:
                        curve.turn_to(rest_s, turns_per_s * (rest_s - curve.turned_s), HELD_S)
            return
        mean_w = d_power / d_events
        s.update_s = t_s
        if mean_w > MAX_POWER_W or d_events > MAX_EVENTS_PER_S * since + EVENTS_AT_ONCE:
            self.restarts += 1
            self._open(t_s, serves)
            return
        self._shows(mean_w if r.power_w is None else r.power_w, t_s, r.cadence_rpm)
        self._derives(mean_w, t_s)
        if serves:
            self._lay_power(mean_w, self._shown_turns(r, t_s), d_events, curve.worked_s, t_s, BRIDGED_S)

    def _feed_power(self, r: Reading, power_w: float, t_s: float) -> None:
        last = self._power_seen_s.get(r.item)
        self._power_seen_s[r.item] = t_s
        # A count of crank revolutions that stands still tells that the power is only held;
        # without one each packet is a new reading.
        if r.crank_revs is None or t_s - self.turning_s < EVENT_S or power_w <= 0.0:
            self._shows(power_w, t_s, r.cadence_rpm)
        if not self._serves(r.item, POWER, t_s):
            return
        if last is None:
            self._open(t_s, True)
            return
        begin = max(self.curve.worked_s, last)
        if self._only_held(r, power_w, t_s):
            power_w = 0.0
        self._lay_power(power_w, self._shown_turns(r, t_s), 1, begin, t_s, HELD_S)

    def _only_held(self, r: Reading, power_w: float, t_s: float) -> bool:
        """Whether crank and power stand: the last value, repeated at a rest.

        A counter that fails while the power goes on moving is no rest.
        """
        if power_w != self._still_w:
            self._still_w, self._still_s = power_w, t_s
        a = self._cranks.get(r.item)
        if r.crank_revs is None or a is None:
            return False
        return t_s - max(a.event_s, self._stalled_s, self._still_s) > a.rest_s(False)

    def _shown_turns(self, r: Reading, t_s: float) -> float | None:
        """Turns per second from a told cadence, where no counter is sent."""
        if r.cadence_rpm is None or r.crank_revs is not None or not self._crank_serves(r.item, t_s):
            return None
        return r.cadence_rpm / 60.0


def _crank_torque(r: Reading) -> bool:
    """Whether the torque that a packet tells is the crank's."""
    return r.torque_at_crank or r.torque_ticks is not None
