"""What a virtual instrument measures, with its errors and its faults, before it is put on the air.

A crank sensor sees an event with each revolution: the crank passes the angle at which this
instrument counts. It has the work of either leg since the last event, hence the mean
torques; gain, offset, noise, smoothing and faults act on these, and whatever the
instrument tells (power, balance, accumulated torque, counters) comes from the result.
A time-synchronous instrument measures its displayed power by intervals instead.
A wheel sensor does the same with the wheel and with the work that reaches the hub.

All times of an instrument are those of its own clock, which may run fast or slow.
"""

import math
import random
from collections import deque

from capture.scene.definition import (
    DEFAULT_SIZE,
    SIDED_KINDS,
    Fault,
    Instrument,
)
from capture.scene.manners import ticks_of
from capture.scene.rider import Rider
from capture.scene.stroke import Side

_TWO_PI = 2.0 * math.pi
_GREATEST_HOLD_S = 4.0
_LEAST_HOLD_S = 2.0
_LEAST_TURN = 0.02
"""Revolutions of an interval; less is a rest."""


_FLAGS = {
    "no-power": "no_power",
    "stuck": "stuck",
    "swapped": "swapped",
    "dropout": "off_air",
    "silent": "silent",
}
"""Faults without a size, and what they set."""


class FaultState:
    """What the faults of an instrument amount to at one moment."""

    def __init__(self) -> None:
        self.clear()

    def clear(self) -> None:
        """No fault at all."""
        self.gain_left = self.gain_right = 1.0
        self.offset_left_nm = self.offset_right_nm = 0.0
        self.no_power = self.stuck = self.swapped = False
        self.doubled = ""
        self.clip_w: float | None = None
        self.cadence = 1.0
        self.spikes: list[int] = []
        self.drifts: list[Fault] = []
        self.sectors: list[Fault] = []
        self.angle_deg = 0.0
        self.off_air = self.silent = False
        self.battery_percent: float | None = None


class Faults:
    """The faults of one instrument in time; ask with times that never go back."""

    def __init__(self, faults: tuple[Fault, ...]) -> None:
        self.faults = faults
        edges = {fault.at for fault in faults} | {f.until for f in faults if f.until is not None}
        self._edges = sorted(edges)
        self._edge = 0
        self.state = FaultState()
        """What is wrong at the time that was asked about last."""
        self.restarts = sorted(fault.at for fault in faults if fault.fault == "restart")

    def at(self, t_s: float) -> FaultState:
        """What is wrong at `t_s`."""
        moved = False
        while self._edge < len(self._edges) and self._edges[self._edge] <= t_s:
            self._edge += 1
            moved = True
        if moved:
            self._recompute(t_s)
        return self.state

    def size(self, number: int) -> float:
        """Size of a fault, in the unit of its kind."""
        return _size(self.faults[number])

    def single(self, number: int) -> bool:
        """True: the fault is one event, not a span of time."""
        return self.faults[number].until is None

    def _recompute(self, t_s: float) -> None:
        state = self.state
        state.clear()
        for number, fault in enumerate(self.faults):
            begun = fault.at <= t_s
            if begun and fault.fault == "drift":
                state.drifts.append(fault)
            if not begun or (fault.until is not None and fault.until <= t_s):
                continue
            size = _size(fault)
            if fault.fault in ("gain", "offset"):
                _leans(state, fault, size)
            elif fault.fault in _FLAGS:
                setattr(state, _FLAGS[fault.fault], True)
            elif fault.fault == "doubled":
                state.doubled = fault.side or "left"
            elif fault.fault == "clip":
                state.clip_w = size
            elif fault.fault == "cadence-doubled":
                state.cadence = 2.0
            elif fault.fault == "cadence-halved":
                state.cadence = 0.5
            elif fault.fault == "spike":
                state.spikes.append(number)
            elif fault.fault == "sector":
                state.sectors.append(fault)
            elif fault.fault == "angle":
                state.angle_deg += size
            elif fault.fault == "battery-low":
                state.battery_percent = size


def _leans(state: FaultState, fault: Fault, size: float) -> None:
    """A gain (percent) or an offset (N·m) on one side or on both."""
    left, right = fault.side != "right", fault.side != "left"
    if fault.fault == "gain":
        ratio = 1.0 + size / 100.0
        state.gain_left *= ratio if left else 1.0
        state.gain_right *= ratio if right else 1.0
    else:
        size *= 0.5 if left and right else 1.0
        state.offset_left_nm += size if left else 0.0
        state.offset_right_nm += size if right else 0.0


def _size(fault: Fault) -> float:
    return DEFAULT_SIZE.get(fault.fault, 0.0) if fault.size is None else fault.size


class DeviceClock:
    """The clock of an instrument: seconds since it was switched on, a little fast or slow."""

    def __init__(self, ppm: float, chance: random.Random) -> None:
        self.rate = 1.0 + ppm * 1e-6
        self._ahead_s = chance.uniform(0.0, 1000.0)

    def at(self, t_s: float) -> float:
        """What the clock shows at session time `t_s`, seconds."""
        return self._ahead_s + t_s * self.rate

    def restart(self, t_s: float) -> None:
        """From zero again."""
        self._ahead_s = -t_s * self.rate


class Sensor:
    """What all sensors share: crank revolutions with their times, faults, the clock.

    Counters are whole numbers that never wrap here; the sender cuts them to their width.
    `crank_x`, `wheel_x` are clock readings in seconds of the last counted revolution.
    """

    def __init__(
        self, definition: Instrument, rider: Rider, chance: random.Random, mounted_mm: float
    ) -> None:
        self.definition, self.rider, self.chance = definition, rider, chance
        self.clock = DeviceClock(definition.clock_ppm, chance)
        self.faults = Faults(definition.faults)
        self.mounted_mm = mounted_mm
        self.set_mm = definition.crank_length_mm or mounted_mm
        self._phase = chance.random()
        self._next_revs = self._phase
        self._piece = 0
        self.event_revs = 0.5 if definition.half_turns else 1.0
        """Revolutions from one crank event to the next."""
        self.counted = 0
        """Crank events so far."""
        self._restarts = deque(self.faults.restarts)
        self.crank_revs = chance.randrange(3000)
        self.crank_x = self.clock.at(0.0)
        self.crank_period_s = 0.0
        self.last_crank_t = -math.inf
        self._half = False

    def advance(self, t_s: float) -> None:
        """Measure on until `t_s` (seconds of session time), less the delay of the instrument."""
        t_s -= self.definition.delay_s
        if t_s < 0.0:
            return
        while self._restarts and self._restarts[0] <= t_s:
            at = self._restarts.popleft()
            self._until(at)
            self._restart(at)
        self._until(t_s)

    def turning(self, t_s: float) -> bool:
        """Has the crank passed lately? An instrument can't know it before the next revolution is overdue."""
        since = t_s - self.definition.delay_s - self.last_crank_t
        return since <= min(_GREATEST_HOLD_S, max(_LEAST_HOLD_S, 2.0 * self.crank_period_s))

    def asleep(self, t_s: float) -> bool:
        """Is it in its sleep? It wakes with the next crank event."""
        after_s = self.definition.sleeps_after_s
        return after_s is not None and t_s - self.definition.delay_s - max(0.0, self.last_crank_t) > after_s

    def cadence_rpm(self, t_s: float) -> float:
        """Cadence as displayed: of the last revolution, zero when it is overdue."""
        if self.crank_period_s <= 0.0 or not self.turning(t_s):
            return 0.0
        return 60.0 / self.crank_period_s * self.faults.state.cadence

    def next_event_s(self, t_s: float) -> float | None:
        """About when the next revolution can be told; None while the crank stands."""
        seen_s = t_s - self.definition.delay_s
        if seen_s < 0.0 or (rate := self.rider.crank_rate(seen_s)) < 0.05:
            return None
        return t_s + max(0.0, self._next_revs - self.rider.crank_revs(seen_s)) / rate

    def misread(self, left: float, right: float, t_s: float) -> tuple[float, float]:
        """Mean torques of a turn as an instrument has them that misreads a part of the stroke."""
        shape = self.rider.shape(max(0.0, t_s))
        for fault in self.faults.state.sectors:
            error = _size(fault) / 100.0
            if fault.side != "right":
                left *= 1.0 + error * shape.part("left", fault.from_deg, fault.to_deg)
            if fault.side != "left":
                right *= 1.0 + error * shape.part("right", fault.from_deg, fault.to_deg)
        return left, right

    def stroke_factor(self, side: Side, t_s: float) -> float:
        """Mean torque of a leg by this instrument, N·m; no noise, and without what it misreads in a part."""
        state, definition = self.faults.at(t_s), self.definition
        mean = self.rider.mean_torque_nm(t_s)[side == "right"] * definition.gain
        if side == "left":
            return mean * definition.gain_left * state.gain_left
        return mean * definition.gain_right * state.gain_right

    def stroke_shape(self, side: Side, own_deg: float, t_s: float) -> float:
        """Torque of a leg over its mean at an angle of its own crank, as this instrument reads it."""
        relative = self.rider.shape(t_s).relative(side, own_deg)
        for low, high, factor in self.sectors(side, t_s):
            relative *= factor if low <= own_deg % 360.0 < high else 1.0
        return relative

    def sectors(self, side: Side, t_s: float) -> tuple[tuple[float, float, float], ...]:
        """Parts of a leg's stroke that are misread: from, to in degrees, and told over true."""
        return tuple(
            (fault.from_deg, fault.to_deg, 1.0 + _size(fault) / 100.0)
            for fault in self.faults.at(t_s).sectors
            if fault.side in (None, side)
        )

    @property
    def measured_sides(self) -> tuple[Side, ...]:
        """The legs whose torque this kind of instrument sees."""
        return ("left",) if self.definition.kind == "single-sided" else ("left", "right")

    def crank_torque(self, crank_deg: float, t_s: float) -> float:
        """Torque at an angle of the left crank: the sum of the legs that are seen, N·m."""
        return sum(
            self.stroke_factor(side, t_s)
            * self.stroke_shape(side, crank_deg if side == "left" else crank_deg - 180.0, t_s)
            for side in self.measured_sides
        )

    def told_deg(self, angle_deg: float, t_s: float) -> float:
        """An angle as this instrument sends it, in [0, 360)."""
        return (angle_deg + self.definition.angle_zero_deg + self.faults.at(t_s).angle_deg) % 360.0

    def _until(self, t_s: float) -> None:
        self._crank_until(t_s)

    def _crank_until(self, t_s: float) -> None:
        revs = self.rider.crank_revs(t_s)
        while self._next_revs <= revs:
            event = self.rider.crank_event(self._next_revs, self._piece)
            self._piece = event.piece
            self._next_revs += self.event_revs
            self.counted += 1
            self._crank_event(event.t, event.left_j, event.right_j)

    def _crank_event(self, t_s: float, left_j: float, right_j: float) -> None:
        self._count_crank(t_s, self.clock.at(t_s))

    def _count_crank(self, t_s: float, x: float) -> bool:
        """Count a revolution; False if a fault makes the instrument miss it."""
        if self.last_crank_t > -math.inf:
            self.crank_period_s = (x - self._last_event_x) / self.event_revs
        self._last_event_x = x
        self.last_crank_t = t_s
        if self.event_revs < 1.0:
            self._first_half = not self._first_half
            if self._first_half:
                return False
        factor = self.faults.at(t_s).cadence
        if factor == 0.5:
            self._half = not self._half
            if self._half:
                return False
        self.crank_revs += 2 if factor == 2.0 else 1
        self.crank_x = x
        return True

    _last_event_x = 0.0
    _first_half = False

    def _restart(self, t_s: float) -> None:
        self.clock.restart(t_s)
        self.crank_revs = 0
        self.crank_x = 0.0
        self._last_event_x = self.clock.at(self.last_crank_t) if self.last_crank_t > -math.inf else 0.0


class _Torque:
    """Torque of one shaft made from work, with the errors and faults of the instrument."""

    def __init__(self, sensor: Sensor) -> None:
        definition = sensor.definition
        self._sensor, self._definition = sensor, definition
        self._gauss = sensor.chance.gauss
        self.power_w = 0.0
        self.left_share = 0.5
        self.zeroed_left_nm = self.zeroed_right_nm = 0.0
        self._window: deque[tuple[float, float, float]] = deque()
        self._stuck_w: float | None = None
        self._spent: set[int] = set()
        self._sided = definition.kind in SIDED_KINDS
        self._by_force = definition.kind in ("pedals", "crank", "single-sided")

    def offsets_nm(self) -> tuple[float, float]:
        """The zero offsets of left and right as they act now, N·m."""
        state = self._sensor.faults.state
        return (
            self._definition.offset_left_nm + state.offset_left_nm - self.zeroed_left_nm,
            self._definition.offset_right_nm + state.offset_right_nm - self.zeroed_right_nm,
        )

    def zero(self) -> float:
        """Take away the present offsets; their sum before, N·m."""
        left, right = self.offsets_nm()
        self.zeroed_left_nm += left
        self.zeroed_right_nm += right
        return left + right

    def forget(self) -> None:
        """The instrument starts anew: nothing to smooth over."""
        self._window.clear()

    def measure(self, left_j: float, right_j: float, revs: float, seconds: float, t_s: float) -> float:
        """Mean torque as told, N·m, from the work of `revs` revolutions in `seconds` of its clock.

        Sets `power_w` and `left_share`.
        """
        if revs <= 0.0 or seconds <= 0.0:
            self.power_w = 0.0
            self._window.clear()
            return 0.0
        left, right = self._sides(left_j / (_TWO_PI * revs), right_j / (_TWO_PI * revs), t_s)
        definition = self._definition
        if definition.smoothing_revs > 1 or definition.smoothing_s > 0.0:
            left, right = self._smoothed(left, right, seconds)
        total = max(0.0, left + right)
        if total > 0.0:
            self.left_share = min(1.0, max(0.0, left / total))
        shown_w = self._shown_w(_TWO_PI * total * revs / seconds, t_s)
        self.power_w = shown_w
        return shown_w * seconds / (_TWO_PI * revs)

    def _sides(self, left: float, right: float, t_s: float) -> tuple[float, float]:
        state = self._sensor.faults.at(t_s)
        definition = self._definition
        if state.sectors:
            left, right = self._sensor.misread(left, right, t_s)
        offset_left, offset_right = self.offsets_nm()
        gain = definition.gain
        if self._by_force:
            gain *= self._sensor.set_mm / self._sensor.mounted_mm
        gain_left, gain_right = state.gain_left, state.gain_right
        for drift in state.drifts:
            assert drift.until is not None
            grown = 1.0 + _size(drift) / 100.0 * min(1.0, (t_s - drift.at) / (drift.until - drift.at))
            gain_left *= 1.0 if drift.side == "right" else grown
            gain_right *= 1.0 if drift.side == "left" else grown
        if not self._sided:
            if definition.kind == "single-sided":
                right, offset_right = left, offset_left
            noise = 1.0 + definition.noise_percent / 100.0 * self._gauss(0.0, 1.0)
            total = (left + right) * gain * gain_left * noise + offset_left + offset_right
            return total / 2.0, total / 2.0
        noise_left = 1.0 + definition.noise_percent / 100.0 * self._gauss(0.0, 1.0)
        noise_right = 1.0 + definition.noise_percent / 100.0 * self._gauss(0.0, 1.0)
        left = left * gain * definition.gain_left * gain_left * noise_left + offset_left
        right = right * gain * definition.gain_right * gain_right * noise_right + offset_right
        if state.doubled == "left":
            right = left
        elif state.doubled == "right":
            left = right
        return (right, left) if state.swapped else (left, right)

    def _smoothed(self, left: float, right: float, seconds: float) -> tuple[float, float]:
        window = self._window
        window.append((left, right, seconds))
        revs, span_s = self._definition.smoothing_revs, self._definition.smoothing_s
        if span_s > 0.0:
            while len(window) > 1 and sum(part[2] for part in window) > span_s:
                window.popleft()
        else:
            while len(window) > revs:
                window.popleft()
        n = len(window)
        return sum(part[0] for part in window) / n, sum(part[1] for part in window) / n

    def _shown_w(self, power_w: float, t_s: float) -> float:
        state = self._sensor.faults.at(t_s)
        for number in state.spikes:
            if number not in self._spent:
                power_w += self._sensor.faults.size(number)
                if self._sensor.faults.single(number):
                    self._spent.add(number)
        if state.clip_w is not None:
            power_w = min(power_w, state.clip_w)
        if state.stuck:
            if self._stuck_w is None:
                self._stuck_w = self.power_w or power_w
            power_w = self._stuck_w
        else:
            self._stuck_w = None
        return 0.0 if state.no_power else power_w


class CrankSensor(Sensor):
    """A power meter at pedals, crank or spider.

    Per revolution: `events`, `torque_sum_nm`, `power_sum_w`, `power_w`, `left_share`.
    By time: the same from intervals, and `period_sum_s` stands still at rest.
    """

    def __init__(
        self, definition: Instrument, rider: Rider, chance: random.Random, mounted_mm: float
    ) -> None:
        super().__init__(definition, rider, chance, mounted_mm)
        self.torque = _Torque(self)
        self.by_time = definition.sync == "time"
        self._interval: _Torque | None = _Torque(self) if self.by_time else None
        self._last = (0.0, 0.0)
        self._interval_last = (0.0, 0.0, 0.0, 0.0)
        self.interval_s = 1.0 / definition.rate_hz / self.clock.rate
        self.next_interval_s = self.interval_s * (1.0 + chance.random())
        self._turned_nm = self.rev_torque_nm = 0.0
        self.events = chance.randrange(256)
        self.torque_sum_nm = chance.uniform(0.0, 2000.0)
        self.power_sum_w = chance.randrange(65536)
        self.period_sum_s = chance.uniform(0.0, 30.0)
        self.torque_ticks = 0.0
        """What an instrument counts that sends its torque as a frequency."""

    def power_w(self, t_s: float) -> float:
        """Power as displayed: zero when the next revolution is overdue, unless the last one is repeated."""
        if self._interval is not None:
            return self._interval.power_w
        return self.torque.power_w if self.definition.repeats_last or self.turning(t_s) else 0.0

    @property
    def left_share(self) -> float:
        """Left share 0..1 as displayed."""
        return (self._interval or self.torque).left_share

    def zero(self) -> float:
        """Take away the zero offset; what it was, N·m."""
        if self._interval is not None:
            self._interval.zero()
        return self.torque.zero()

    def _until(self, t_s: float) -> None:
        if self._interval is not None:
            while self.next_interval_s <= t_s:
                self._crank_until(self.next_interval_s)
                self._measure_interval(self.next_interval_s)
                self.next_interval_s += self.interval_s
        self._crank_until(t_s)

    def _crank_event(self, t_s: float, left_j: float, right_j: float) -> None:
        x = self.clock.at(t_s)
        if self.counted > 1:
            seconds = x - self._last_event_x
            last_left, last_right = self._last
            revs = self.event_revs
            torque = self.torque.measure(left_j - last_left, right_j - last_right, revs, seconds, t_s)
            self._turned_nm += torque
            if self._interval is None:
                self.events += 1
                self.torque_sum_nm += torque
                self.period_sum_s += seconds
                self.torque_ticks += ticks_of(torque, seconds)
                self.power_sum_w += round(self.torque.power_w)
        self._last = (left_j, right_j)
        if self._count_crank(t_s, x):
            # Torque is reported as of the last revolution that was counted: it belongs to that event.
            self.rev_torque_nm = self._turned_nm

    def _measure_interval(self, t_s: float) -> None:
        assert self._interval is not None
        left_j, right_j = self.rider.work_j(t_s)
        revs = self.rider.crank_revs(t_s)
        last_t, last_left, last_right, last_revs = self._interval_last
        self._interval_last = (t_s, left_j, right_j, revs)
        seconds = (t_s - last_t) * self.clock.rate
        turned = revs - last_revs
        if turned < _LEAST_TURN:
            turned = 0.0
        torque = self._interval.measure(left_j - last_left, right_j - last_right, turned, seconds, t_s)
        self.events += 1
        self.power_sum_w += round(self._interval.power_w)
        if turned > 0.0:
            self.torque_sum_nm += torque
            self.period_sum_s += seconds / turned

    def _restart(self, t_s: float) -> None:
        super()._restart(t_s)
        self.events = self.power_sum_w = 0
        self.torque_sum_nm = self._turned_nm = self.rev_torque_nm = self.period_sum_s = 0.0
        self.torque_ticks = 0.0
        self.torque.forget()


class WheelSensor(Sensor):
    """A hub or a trainer: torque per revolution of the wheel, displayed power by intervals.

    `wheel_revs`, `wheel_x`, `wheel_torque_sum_nm` go with each revolution; `events`,
    `power_sum_w`, `interval_cadence_rpm` with each interval, as do `timed_period_s` and `timed_torque_nm`:
    sums of the mean period of a revolution and of the mean torque, which stand while the wheel does.
    """

    def __init__(
        self, definition: Instrument, rider: Rider, chance: random.Random, mounted_mm: float, wheel_mm: float
    ) -> None:
        super().__init__(definition, rider, chance, mounted_mm)
        self.torque = _Torque(self)
        self._interval = _Torque(self)
        self._wheel_m = wheel_mm / 1000.0
        self._next_wheel = chance.random()
        self._wheel_piece = 0
        self._last_wheel: tuple[float, float] | None = None
        self._interval_last = (0.0, 0.0, 0.0, 0.0)
        self.interval_s = 1.0 / definition.rate_hz / self.clock.rate
        self.next_interval_s = self.interval_s * (1.0 + chance.random())
        self.wheel_revs = chance.randrange(5000)
        self.wheel_x = self.clock.at(0.0)
        self.wheel_torque_sum_nm = chance.uniform(0.0, 2000.0)
        self.rev_torque_nm = 0.0
        self.events = chance.randrange(256)
        self.power_sum_w = chance.randrange(65536)
        self.interval_cadence_rpm = 0.0
        self.timed_period_s = self.timed_torque_nm = 0.0

    def power_w(self, t_s: float) -> float:
        """Power as displayed, of the last interval."""
        return self._interval.power_w

    def speed_mps(self, t_s: float) -> float:
        """Speed of the wheel's rim."""
        return self.rider.wheel_rate(t_s) * self._wheel_m

    def zero(self) -> float:
        """Take away the zero offset; what it was, N·m at the wheel."""
        self._interval.zero()
        return self.torque.zero()

    def _until(self, t_s: float) -> None:
        while self.next_interval_s <= t_s:
            self._crank_until(self.next_interval_s)
            self._wheel_until(self.next_interval_s)
            self._measure_interval(self.next_interval_s)
            self.next_interval_s += self.interval_s
        self._crank_until(t_s)
        self._wheel_until(t_s)

    def _wheel_until(self, t_s: float) -> None:
        revs = self.rider.wheel_revs(t_s)
        while self._next_wheel <= revs:
            event = self.rider.wheel_event(self._next_wheel, self._wheel_piece)
            self._wheel_piece = event.piece
            self._next_wheel += 1.0
            x = self.clock.at(event.t)
            if self._last_wheel is not None:
                work_j = event.hub_j - self._last_wheel[0]
                seconds = x - self._last_wheel[1]
                torque = self.torque.measure(work_j / 2.0, work_j / 2.0, 1.0, seconds, event.t)
                self.wheel_torque_sum_nm += torque
                self.rev_torque_nm += torque
                self.wheel_revs += 1
                self.wheel_x = x
            self._last_wheel = (event.hub_j, x)

    def _measure_interval(self, t_s: float) -> None:
        hub_j, wheel = self.rider.hub_work_j(t_s), self.rider.wheel_revs(t_s)
        crank = self.rider.crank_revs(t_s)
        last_t, last_hub, last_wheel, last_crank = self._interval_last
        self._interval_last = (t_s, hub_j, wheel, crank)
        seconds = (t_s - last_t) * self.clock.rate
        half_j = (hub_j - last_hub) / 2.0
        turned = wheel - last_wheel
        torque = self._interval.measure(half_j, half_j, turned, seconds, t_s)
        if turned > _LEAST_TURN:
            self.timed_period_s += seconds / turned
            self.timed_torque_nm += torque
        if self.definition.idle_w and crank - last_crank < _LEAST_TURN:
            self._interval.power_w = self.chance.gauss(0.0, self.definition.idle_w)
        self.events += 1
        self.power_sum_w += max(0, round(self._interval.power_w))
        self.interval_cadence_rpm = 60.0 * (crank - last_crank) / seconds * self.faults.at(t_s).cadence

    def _restart(self, t_s: float) -> None:
        super()._restart(t_s)
        self.events = self.power_sum_w = self.wheel_revs = 0
        self.wheel_torque_sum_nm = self.rev_torque_nm = self.wheel_x = 0.0
        self.timed_period_s = self.timed_torque_nm = 0.0
        self._last_wheel = None


class RevolutionSensor(Sensor):
    """A cadence sensor, or a speed and cadence sensor: it only counts."""

    def __init__(
        self, definition: Instrument, rider: Rider, chance: random.Random, mounted_mm: float
    ) -> None:
        super().__init__(definition, rider, chance, mounted_mm)
        self._counts_wheel = definition.kind == "speed-cadence"
        self._next_wheel = chance.random()
        self._wheel_piece = 0
        self.wheel_revs = chance.randrange(5000)
        self.wheel_x = self.clock.at(0.0)

    def _until(self, t_s: float) -> None:
        self._crank_until(t_s)
        if not self._counts_wheel:
            return
        revs = self.rider.wheel_revs(t_s)
        while self._next_wheel <= revs:
            event = self.rider.wheel_event(self._next_wheel, self._wheel_piece)
            self._wheel_piece = event.piece
            self._next_wheel += 1.0
            self.wheel_revs += 1
            self.wheel_x = self.clock.at(event.t)

    def _restart(self, t_s: float) -> None:
        super()._restart(t_s)
        self.wheel_revs = 0
        self.wheel_x = 0.0
