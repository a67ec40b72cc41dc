"""Power meters in numbers, and the bytes that they send.

Layouts are written straight from the published tables: Bluetooth SIG GATT Specification
Supplement (0x2A63, 0x2AD2, 0x2A66, 0x2A19); ANT+ pages 0x01..0x52 as open ANT+ libraries
read them (bicycle power 0x10, 0x12, 0x02; fitness equipment 0x10, 0x19; common 0x50..0x52).
Nothing here is shared with the program that is scored.
"""

import itertools
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from capture.record import Link, Packet, Record
from monitor.setup.bench import Mount, Sides
from tests.benchmarks.detection.rider import GRID_HZ, Array, Mask, Ride, wander

Octets = NDArray[np.uint8]

ANT_SLOT_S = {"ant11": 8182 / 32768, "ant17": 8192 / 32768}
HOLD_S = 2.0
"""A crank sensor shows 0 W when no revolution has ended for this long (common practice, no source)."""
NEVER_S = 1e9
SLOW_S = 60.0
"""Time constant of slow noise: a meter that wanders over its minutes (common practice, no source)."""


@dataclass(frozen=True)
class Fault:
    """What is wrong, with which instrument, how much, on which side, when, and in which variant.

    `size` is in percent (scale, shifted, setting), N·m (zero), W (clipped, spike), else 0;
    its sign is the direction. `windows` are the spans in seconds in which a fault that comes
    and goes acts; a fault that stays has one span from `onset_s` to the end.
    """

    kind: str
    label: str
    onset_s: float
    size: float = 0.0
    side: str = "total"
    variant: str = ""
    windows: tuple[tuple[float, float], ...] = ((0.0, NEVER_S),)

    def acts(self, t_s: Array) -> Mask:
        """Where on a time axis the fault acts."""
        out = np.zeros(len(t_s), bool)
        for start, end in self.windows:
            out |= (t_s >= start) & (t_s < end)
        return out


@dataclass(frozen=True)
class Meter:
    """One instrument with its own manners. Gains are ratios, `noise` a relative SD over one second."""

    label: str
    sender: str
    mount: Mount
    sides: Sides
    claim_percent: float
    gain_left: float = 1.0
    gain_right: float = 1.0
    zero_nm: float = 0.0
    drift: float = 0.0
    noise: float = 0.01
    slow: float = 0.0
    """Relative SD of a noise with a time constant of SLOW_S, beside that which is white."""
    smoothing_s: float = 0.0
    """Width of a moving mean; time constant where `low_pass`."""
    low_pass: bool = False
    delay_s: float = 0.1
    update_s: float = 1.0
    """Seconds between reports; 0: one at each revolution."""
    clock_ppm: float = 0.0
    clock_s: float = 0.0
    loss: float = 0.0
    loss_w: float = 0.0
    loss_percent: float = 0.0
    """Drivetrain loss as it is; the bench states what the tester believes."""
    told_crank_mm: float | None = None
    pages12: bool = True
    extended: bool = False
    sleeps: bool = False
    sleeps_after_s: float = 25.0
    """Seconds without pedalling; a whole number."""
    turn: float = 1.0
    """Of a revolution for each report of a crank: with a half one the legs come in turn."""
    holds: bool = False
    """A rest repeats the last value instead of showing 0 W."""
    idle_w: float = 0.0
    """Standard deviation of what is shown while nobody pedals."""
    battery_percent: int = 80

    @property
    def channel(self) -> str:
        """The channel of its measurements."""
        return {
            "ant-dual": "ant11",
            "ant-spider": "ant11",
            "ant-hub-timed": "ant11",
            "ant-frequency": "ant11",
            "ant-trainer": "ant17",
            "ble-trainer": "2AD2",
        }.get(self.sender, "2A63")


@dataclass
class Sent:
    """What an instrument sent, and its mean power each second: without noise (and sides), and as measured."""

    records: list[Record]
    clean_w: Array
    clean_left_w: Array
    clean_right_w: Array
    measured_w: Array
    last_heard_s: float = 0.0
    """Arrival of the last packet before a loss."""


def _measure(
    ride: Ride, m: Meter, fault: Fault | None, rng: np.random.Generator
) -> tuple[Array, Array, Array, Array]:
    """Cumulative work of the sides at the grid edges: left, right with noise; left, right without."""
    middle = ride.t_s[:-1] + 0.5 / GRID_HZ
    turned = np.diff(ride.theta_rad)
    left, right = np.diff(ride.work_left_j), np.diff(ride.work_right_j)
    drift = 1 + np.clip(
        np.interp(middle, np.arange(ride.seconds + 1), wander(rng, ride.seconds, m.drift / 2, 400)),
        -m.drift,
        m.drift,
    )
    left, right = left * m.gain_left * drift, right * m.gain_right * drift
    left, right = left + m.zero_nm / 2 * turned, right + m.zero_nm / 2 * turned
    if m.mount == "hub":
        a = m.loss_w / GRID_HZ * (turned > 0) / 2
        left, right = left * (1 - m.loss_percent / 100) - a, right * (1 - m.loss_percent / 100) - a
    if fault is not None:
        acts = fault.acts(middle)
        on_left, on_right = fault.side in ("total", "left"), fault.side in ("total", "right")
        if fault.kind in ("scale", "setting") or (fault.kind == "shifted" and fault.variant == "gain"):
            gain = np.where(acts, 1 + fault.size / 100, 1.0)
            left, right = left * (gain if on_left else 1.0), right * (gain if on_right else 1.0)
        elif fault.kind == "zero" or (fault.kind == "shifted" and fault.variant == "offset"):
            extra = np.where(acts, fault.size, 0.0) * turned / (2 if fault.side == "total" else 1)
            left, right = left + extra * on_left, right + extra * on_right
        elif fault.kind in ("missing", "placement"):
            left, right = np.where(acts, 0.0, left), np.where(acts, 0.0, right)
        elif fault.kind == "one-sided":
            right = np.where(acts, left, right)
        elif fault.kind == "swapped":
            left, right = np.where(acts, right, left), np.where(acts, left, right)
    if m.sender == "ble-left":
        right = left
    clean = [np.concatenate(([0.0], np.cumsum(x))) for x in (left, right)]
    if fault is not None and (fault.kind == "one-sided" or m.sender == "ble-left"):
        noise = np.ones((2, 1)) * rng.standard_normal(len(left))
    else:
        noise = rng.standard_normal((2, len(left))) * (np.sqrt(2) if m.sides == "both" else 1.0)
        if m.sides != "both":
            noise[1] = noise[0]
    sd, slow = m.noise * np.sqrt(GRID_HZ), np.zeros(len(left))
    if m.slow:
        slow = np.interp(middle, np.arange(ride.seconds + 1), wander(rng, ride.seconds, m.slow, SLOW_S))
    noisy = [
        np.concatenate(([0.0], np.cumsum(x * (1 + sd * e + slow))))
        for x, e in zip((left, right), noise, strict=True)
    ]
    return noisy[0], noisy[1], clean[0], clean[1]


def _ends_of_revolutions(ride: Ride, factor: Array | None, phase: float, turn: float = 1.0) -> Array:
    """Times in s at which the crank passes `phase`; `factor` (per grid step) miscounts the turning.

    `turn`: of a revolution, from one time to the next.
    """
    theta = ride.theta_rad
    if factor is not None:
        theta = np.concatenate(([0.0], np.cumsum(np.diff(theta) * factor)))
    marks = np.arange(phase, theta[-1], 2 * np.pi * turn)
    return np.interp(marks, theta, ride.t_s)


def _cadence(ride: Ride, t_s: Array, factor: Array | None) -> Array:
    """Mean cadence in rpm over the second before each time."""
    theta = ride.theta_rad
    if factor is not None:
        theta = np.concatenate(([0.0], np.cumsum(np.diff(theta) * factor)))
    return (np.interp(t_s, ride.t_s, theta) - np.interp(t_s - 1.0, ride.t_s, theta)) * 60 / (2 * np.pi)


def _miscount(ride: Ride, fault: Fault | None) -> Array | None:
    if fault is None or fault.kind != "cadence":
        return None
    factor = {"double": 2.0, "half": 0.5, "off": 1.07}[fault.variant]
    return np.where(fault.acts(ride.t_s[:-1]), factor, 1.0)


def _event_faults(fault: Fault | None, t_s: Array, power: Array) -> tuple[Array, Mask]:
    """Power of each event after clipping, spikes and a stuck value; mask of the stuck events."""
    stuck = np.zeros(len(t_s), bool)
    if fault is None:
        return power, stuck
    acts = fault.acts(t_s)
    if fault.kind == "clipped":
        power = np.where(acts, np.minimum(power, fault.size), power)
    elif fault.kind == "spike":
        power = power.copy()
        for start, _ in fault.windows:
            at = np.searchsorted(t_s, start)
            if at < len(power):
                power[at] += fault.size
    elif fault.kind == "stuck" and fault.variant == "value" and acts.any():
        first = int(np.argmax(acts))
        power = np.where(acts, power[max(0, first - 1)], power)
        stuck = acts
    return power, stuck


@dataclass
class _Revolutions:
    """Per revolution: end in s, power W, smoothed power W, torque N·m, left share of the smoothed work."""

    t_s: Array
    power: Array
    shown: Array
    torque: Array
    share: Array


def _revolutions(
    ride: Ride, m: Meter, fault: Fault | None, left: Array, right: Array, rng: np.random.Generator
) -> _Revolutions:
    t = _ends_of_revolutions(ride, None, rng.uniform(0.5, 2 * np.pi), m.turn)
    if fault is not None and fault.kind == "missing" and fault.variant == "all":
        t = t[~fault.acts(t)]
    edges = np.concatenate(([0.0], t))
    span = np.diff(edges)
    w_left, w_right = np.diff(np.interp(edges, ride.t_s, left)), np.diff(np.interp(edges, ride.t_s, right))
    riding = np.minimum(span, 2.0)
    power, stuck = _event_faults(fault, t, (w_left + w_right) / riding)
    work = power * riding
    n = max(1, round(m.smoothing_s * 1.5 / m.turn))

    def over(x: Array) -> Array:
        total = np.concatenate((np.zeros(n), np.cumsum(x)))
        return np.asarray(total[n:] - total[:-n])

    total = over(w_left) + over(w_right)
    share = np.clip(np.divide(over(w_left), total, out=np.full(len(t), 0.5), where=total > 1), 0, 1)
    shown = np.where(stuck, power, over(work) / np.maximum(over(riding), 1e-9))
    return _Revolutions(t, power, shown, work / (2 * np.pi), share)


def _every(seconds: float, step: float, ppm: float, rng: np.random.Generator) -> Array:
    step = step / (1 + ppm * 1e-6)
    return np.arange(rng.uniform(0.3, 0.3 + step), seconds, step)


def _over_bluetooth(t_s: Array, rng: np.random.Generator) -> Array:
    """Arrival times in s: next connection event, 5 % of the packets sent again once to three times."""
    interval = rng.choice([0.015, 0.030, 0.050])
    wait = 0.004 + rng.uniform(0, interval, len(t_s)) + rng.exponential(0.002, len(t_s))
    again = np.where(rng.random(len(t_s)) < 0.05, rng.integers(1, 4, len(t_s)), 0) * interval
    return np.asarray(np.maximum.accumulate(t_s + wait + again))


def _since_start(fault: Fault | None, t_s: Array, *counters: Array) -> list[Array]:
    """Counters that begin again at zero when the instrument restarts."""
    if fault is None or fault.kind != "restarted":
        return list(counters)
    after = t_s >= fault.onset_s
    if not after.any():
        return list(counters)
    return [np.where(after, c - c[int(np.argmax(after))], c) for c in counters]


def _rows(columns: list[tuple[str, Array | int]], n: int) -> list[bytes]:
    """Little-endian packed records: one per row."""
    table = np.zeros(n, np.dtype([(f"f{i}", kind) for i, (kind, _) in enumerate(columns)]))
    for i, (kind, values) in enumerate(columns):
        bits = int(kind[-1]) * 8
        whole = np.asarray(values).astype(np.int64)
        if kind[1] == "i":
            limit = 1 << (bits - 1)
            table[f"f{i}"] = np.clip(whole, -limit, limit - 1)
        else:
            table[f"f{i}"] = whole % (1 << bits)
    raw, size = table.tobytes(), table.dtype.itemsize
    return [raw[i : i + size] for i in range(0, n * size, size)]


def _crank_data(ride: Ride, m: Meter, fault: Fault | None, s: Array, ends: Array) -> tuple[Array, Array]:
    """Cumulative crank revolutions and event time in 1/1024 s as known at the device times `s`."""
    known = np.searchsorted(ends, s + 1e-9, "right")
    # The last turn before the ride; one that is late has told of it long ago.
    stamps = np.concatenate(([-20.0 if m.delay_s > 2.0 else 0.0], ends))[known]
    revs, stamp = _since_start(fault, s, known.astype(float), stamps * (1 + m.clock_ppm * 1e-6))
    restarted = fault is not None and fault.kind == "restarted"
    first = 0 if restarted else int(m.clock_s * 977) % 65536
    return revs + first, np.floor((stamp + (0 if restarted else m.clock_s)) * 1024)


def _crank_meter_bluetooth(
    ride: Ride, m: Meter, fault: Fault | None, left: Array, right: Array, rng: np.random.Generator
) -> tuple[Array, list[bytes]]:
    rev = _revolutions(ride, m, fault, left, right, rng)
    if m.update_s:
        s = _every(ride.seconds, m.update_s, m.clock_ppm, rng)
    else:
        s = rev.t_s + m.delay_s
        gaps = [np.arange(a + 1.5, b, 1.0) for a, b in itertools.pairwise(s) if b - a > 1.5]
        tail = np.arange(s[-1] + 1.5 if len(s) else 0.5, ride.seconds, 1.0)
        s = np.sort(np.concatenate([s, *gaps, tail]))
    known = np.searchsorted(rev.t_s, s - m.delay_s + 1e-9, "right")
    at = known - 1
    resting = (at < 0) | (s - m.delay_s - rev.t_s[at] > HOLD_S)
    if fault is not None and fault.kind == "stuck" and fault.variant == "value":
        resting &= ~fault.acts(s)
    if m.holds:
        resting = at < 0
    power = np.where(resting, 0, np.rint(rev.shown[at]))
    torque = np.concatenate(([0.0], np.cumsum(rev.torque)))[known]
    (torque,) = _since_start(fault, s, torque)
    factor = _miscount(ride, fault)
    ends = (
        rev.t_s[:: round(1 / m.turn)]
        if factor is None
        else _ends_of_revolutions(ride, factor, rng.uniform(0.5, 6.0))
    )
    revs, stamp = _crank_data(ride, m, fault, s - m.delay_s, ends)
    two_sided = m.sides == "both" and not (fault is not None and fault.variant == "absent")
    with_torque = m.sender == "ble-dual-torque"
    flags = (0b11 if two_sided else 0) | (0b1100 if with_torque else 0) | 0b100000
    columns: list[tuple[str, Array | int]] = [("<u2", flags), ("<i2", power)]
    if two_sided:
        columns.append(("|u1", np.where(resting, 100, np.rint(rev.share[at] * 200))))
    if with_torque:
        columns.append(("<u2", np.floor(torque * 32 + 1e-9)))
    columns += [("<u2", revs), ("<u2", stamp)]
    return s, _rows(columns, len(s))


def _timed(ride: Ride, m: Meter, fault: Fault | None, left: Array, right: Array, s: Array) -> Array:
    """Power as shown at the device times `s`: delayed, then a moving mean (spider) or a low pass (hub).

    Where nobody turned for as long as it averages, a rest as it is the meter's manner.
    """
    step = m.update_s or 0.25
    total = left + right
    at = s - m.delay_s
    if m.mount == "hub":
        raw = (np.interp(at, ride.t_s, total) - np.interp(at - step, ride.t_s, total)) / step
        if m.smoothing_s >= step:
            if m.low_pass:
                kernel = np.exp(-np.arange(int(np.ceil(5 * m.smoothing_s / step))) * step / m.smoothing_s)
            else:
                kernel = np.ones(round(m.smoothing_s / step))
            raw = np.convolve(raw, kernel / kernel.sum())[: len(raw)]
        power = raw
    else:
        span = max(step, m.smoothing_s)
        power = (np.interp(at, ride.t_s, total) - np.interp(at - span, ride.t_s, total)) / span
    power = np.maximum(power, 0)
    turned = np.interp(at, ride.t_s, ride.theta_rad) - np.interp(at - step, ride.t_s, ride.theta_rad)
    rests = (turned <= 0) & (power < 1)
    if m.idle_w:
        # A chance of its own for each moment: draws of the others stay as they were.
        idle = np.random.default_rng(len(s)).normal(0.0, m.idle_w, len(s))
        power = np.where(rests, np.maximum(idle, -50 if m.sender == "ble-trainer" else 0), power)
    elif m.holds:
        last = np.maximum.accumulate(np.where(rests, 0, np.arange(len(s))))
        power = power[last]
    return _event_faults(fault, s, power)[0]


def _timed_meter_bluetooth(
    ride: Ride, m: Meter, fault: Fault | None, left: Array, right: Array, rng: np.random.Generator
) -> tuple[Array, list[bytes]]:
    s = _every(ride.seconds, m.update_s, m.clock_ppm, rng)
    power = np.rint(_timed(ride, m, fault, left, right, s))
    factor = _miscount(ride, fault)
    if m.sender == "ble-trainer":
        cadence = _cadence(ride, s - m.delay_s, factor)
        speed = np.where(power > 0, 500 + 8 * np.sqrt(np.maximum(power, 0)) * 10, 0)
        return s, _rows(
            [("<u2", 0b1000100), ("<u2", speed), ("<u2", np.rint(cadence * 2)), ("<i2", power)], len(s)
        )
    if m.sender == "ble-spider":
        return s, _rows([("<u2", 0), ("<i2", power)], len(s))
    ends = _ends_of_revolutions(ride, factor, rng.uniform(0.5, 6.0))
    revs, stamp = _crank_data(ride, m, fault, s - m.delay_s, ends)
    return s, _rows([("<u2", 0b100000), ("<i2", power), ("<u2", revs), ("<u2", stamp)], len(s))


def _low(x: Array) -> Octets:
    return (x.astype(np.int64) & 0xFF).astype(np.uint8)


def _pages(columns: list[Array | int], n: int) -> Octets:
    """Eight octets a row; a column outside 0..255 is cut to its low octet."""
    out = np.zeros((n, 8), np.uint8)
    for i, values in enumerate(columns):
        out[:, i] = _low(np.asarray(values, float))
    return out


def _common_pages(rows: Octets, m: Meter, fault: Fault | None, s: Array, rng: np.random.Generator) -> None:
    """Every 65th slot tells maker, product or battery (0x50, 0x51, 0x52); a crank adds parameters (0x02)."""
    volts, fraction = 3, 0.7 * 256
    for count, at in enumerate(range(int(rng.integers(8, 40)), len(rows), 65)):
        which = count % (4 if m.told_crank_mm and m.channel == "ant11" else 3)
        if which == 0:
            status = 2
            if fault is not None and fault.kind == "battery" and s[at] >= fault.onset_s:
                status = 5 if fault.variant == "critical" else 4
            rows[at] = (0x52, 0xFF, 0xFF, 0x10, 0x20, 0x00, int(fraction), volts | status << 4)
        elif which == 1:
            rows[at] = (0x50, 0xFF, 0xFF, 0x01, 0xFF, 0x00, 0x11, 0x00)
        elif which == 2:
            rows[at] = (0x51, 0xFF, 0xFF, 0x0C, 0x39, 0x30, 0x00, 0x00)
        else:
            length = round(((m.told_crank_mm or 170.0) - 110) * 2)
            rows[at] = (0x02, 0x01, 0xFF, 0xFF, length, 0b00110110, 0x00, 0xFF)


def _crank_meter_ant(
    ride: Ride, m: Meter, fault: Fault | None, left: Array, right: Array, s: Array, rng: np.random.Generator
) -> Octets:
    rev = _revolutions(ride, m, fault, left, right, rng)
    known = np.searchsorted(rev.t_s, s - m.delay_s, "right")
    at = known - 1
    resting = (at < 0) | (s - m.delay_s - rev.t_s[at] > HOLD_S)
    if fault is not None and fault.kind == "stuck" and fault.variant == "value":
        resting &= ~fault.acts(s)
    if m.holds:
        resting = at < 0
    shown = np.rint(np.maximum(rev.shown, 0))
    power = np.where(resting, 0, shown[at])
    summed = np.concatenate(([0.0], np.cumsum(shown)))[known]
    torque = np.concatenate(([0.0], np.cumsum(rev.torque)))[known]
    stamp = np.concatenate(([0.0], rev.t_s))[known] * (1 + m.clock_ppm * 1e-6)
    events, summed, torque, stamp = _since_start(fault, s, known.astype(float), summed, torque, stamp)
    if fault is None or fault.kind != "restarted":
        events, stamp, summed = events + m.clock_s, stamp + m.clock_s, summed + int(m.clock_s * 777)
    events, summed = np.floor(events), np.floor(summed)
    raw_torque, period = np.floor(torque * 32 + 1e-9), np.floor(stamp * 2048)
    cadence = np.where(resting, 0, np.rint(_cadence(ride, s - m.delay_s, _miscount(ride, fault))))
    balance: Array | int = np.where(resting, 0x80 | 50, 0x80 | np.rint((1 - rev.share[at]) * 100).astype(int))
    if m.sides != "both" or (fault is not None and fault.variant == "absent"):
        balance = 0xFF
    n = len(s)
    rows = _pages([0x10, events, balance, cadence, summed, summed // 256, power, power // 256], n)
    if m.pages12:
        torque_rows = _pages(
            [0x12, events, events, cadence, period, period // 256, raw_torque, raw_torque // 256], n
        )
        rows[1::2] = torque_rows[1::2]
    return rows


def _timed_meter_ant(
    ride: Ride, m: Meter, fault: Fault | None, left: Array, right: Array, s: Array, rng: np.random.Generator
) -> Octets:
    step = m.update_s or 0.25
    updates = _every(ride.seconds + step, step, m.clock_ppm, rng)
    shown = np.rint(np.clip(_timed(ride, m, fault, left, right, updates), 0, 4094))
    known = np.searchsorted(updates, s, "right")
    at = np.maximum(known - 1, 0)
    power = np.where(known > 0, shown[at], 0)
    summed = np.concatenate(([0.0], np.cumsum(shown)))[known]
    events, summed = _since_start(fault, s, known.astype(float), summed)
    if fault is None or fault.kind != "restarted":
        events, summed = events + int(m.clock_s), summed + int(m.clock_s * 777)
    cadence = np.rint(_cadence(ride, updates[at] - m.delay_s, _miscount(ride, fault)))
    n = len(s)
    if m.channel == "ant11":
        return _pages([0x10, events, 0xFF, cadence, summed, summed // 256, power, power // 256], n)
    rows = _pages([0x19, events, cadence, summed, summed // 256, power, power // 256 % 16, 0x30], n)
    general = _pages([0x10, 25, s * 4, s * 8, 0x40, 0x1F, 0xFF, 0x30], n)
    rows[3::4] = general[3::4]
    return rows


WHEEL_TURNS = 2.7
"""Of the wheel for one of the crank: a common gear."""
SLOPE_HZ_PER_NM, OFFSET_HZ = 25.0, 512.0
"""Of a torque that is sent as a frequency (a made-up sensor within what page 0x20 can tell)."""


def _timed_wheel_ant(
    ride: Ride, m: Meter, fault: Fault | None, left: Array, right: Array, s: Array, rng: np.random.Generator
) -> Octets:
    """Page 0x11 of a hub that updates at a fixed rate: each update adds a mean period and a mean torque."""
    step = m.update_s or 0.25
    updates = _every(ride.seconds + step, step, m.clock_ppm, rng)
    shown = np.clip(_timed(ride, m, fault, left, right, updates), 0, 4094)
    rate = _cadence(ride, updates - m.delay_s, None) / 60 * WHEEL_TURNS
    turning = rate > 0.2
    rate = np.where(turning, rate, 1.0)
    known = np.searchsorted(updates, s, "right")

    def counter(each: Array) -> Array:
        return np.floor(np.concatenate(([0.0], np.cumsum(np.where(turning, each, 0.0))))[known])

    period, torque = counter(2048 / rate), counter(32 * shown / (2 * np.pi * rate))
    ticks = counter(rate * step)
    return _pages([0x11, known, ticks, 0xFF, period, period // 256, torque, torque // 256], len(s))


def _frequency_meter_ant(
    ride: Ride, m: Meter, fault: Fault | None, left: Array, right: Array, s: Array, rng: np.random.Generator
) -> Octets:
    """Page 0x20 (big-endian): turns, slope, time and ticks; its zero offset by page 0x01 each half minute."""
    rev = _revolutions(ride, m, fault, left, right, rng)
    lasted = np.diff(rev.t_s, prepend=0.0)
    ticks = np.concatenate(([0.0], np.cumsum((OFFSET_HZ + SLOPE_HZ_PER_NM * rev.torque) * lasted)))
    ended = np.concatenate(([0.0], rev.t_s))
    known = np.searchsorted(rev.t_s, s - m.delay_s, "right")
    time, tick, slope = np.floor(ended[known] * 2000), np.floor(ticks[known]), int(SLOPE_HZ_PER_NM * 10)
    n = len(s)
    rows = _pages([0x20, known, slope // 256, slope % 256, time // 256, time, tick // 256, tick], n)
    offset = int(OFFSET_HZ)
    zero = _pages([0x01, 0x10, 0x01, 0xFF, 0xFF, 0xFF, offset // 256, offset % 256], n)
    for each in (slice(4, 40, 8), slice(40, None, 120)):
        rows[each] = zero[each]
    return rows


def _frozen(fault: Fault | None, s: Array, rows: list[bytes]) -> list[bytes]:
    """The whole payload stands still while a fault of that kind acts."""
    if fault is None or fault.kind != "stuck" or fault.variant != "payload":
        return rows
    acts = fault.acts(s)
    first = max(0, int(np.argmax(acts)) - 1)
    return [rows[first] if a else row for a, row in zip(acts, rows, strict=True)]


def _bursts(ride: Ride, m: Meter, rng: np.random.Generator) -> list[tuple[float, float]]:
    """Spans in which the radio is disturbed: never so long that a signal is lost by any usual measure."""
    starts = rng.uniform(30, ride.seconds, rng.poisson(m.loss * 100 * ride.seconds / 3600))
    longest = 1.3 if m.channel.startswith("ant") else 0.9
    return [(float(t), float(t + rng.uniform(0.3, longest))) for t in starts]


def _dropped(m: Meter, s: Array, rng: np.random.Generator) -> Mask:
    """Packets lost at random: any slot of ANT+; over Bluetooth few, and no two in a row."""
    if m.channel.startswith("ant"):
        return rng.random(len(s)) < m.loss
    lost = rng.random(len(s)) < m.loss / 10
    around = np.concatenate(([9.0], s[2:] - s[:-2], [9.0])) if len(s) > 2 else np.full(len(s), 9.0)
    lost &= around < 2.1
    lost[1:] &= ~lost[:-1]
    return lost


def _lost(fault: Fault | None, arrival: Array) -> Mask:
    if fault is None or fault.kind != "lost":
        return np.zeros(len(arrival), bool)
    return fault.acts(arrival)


def _sent(ride: Ride, m: Meter, fault: Fault | None, s: Array) -> Mask:
    """Which packets leave the device: none in its sleep, none while it starts again."""
    sent = np.ones(len(s), bool)
    if m.sleeps:
        for start, end in ride.pauses(m.sleeps_after_s):
            sent &= (s < start + m.sleeps_after_s) | (s > end + 0.5)
    if fault is not None and fault.kind == "restarted":
        sent &= ~((s >= fault.onset_s - fault.size) & (s < fault.onset_s))
    return sent


def _told_bluetooth(m: Meter, fault: Fault | None, up_s: float, seconds: int) -> list[Record]:
    """What is read after connecting, and battery reports."""
    t = int(up_s * 1e9)
    out: list[Record] = [
        Packet(t - 40_000_000, m.label, "2A26", b"1.4.2"),
        Packet(t - 30_000_000, m.label, "2A19", bytes([m.battery_percent])),
    ]
    if m.told_crank_mm:
        half_mm = round(m.told_crank_mm * 2)
        out.append(Packet(t - 20_000_000, m.label, "2A66", b"\x20\x05\x01" + half_mm.to_bytes(2, "little")))
    level = m.battery_percent
    for at in range(300, seconds, 300):
        level = max(1, level - (at % 900 == 0))
        if fault is None or fault.kind != "battery" or at < fault.onset_s:
            out.append(Packet(int(at * 1e9), m.label, "2A19", bytes([level])))
    if fault is not None and fault.kind == "battery":
        level = 4 if fault.variant == "critical" else 9
        for at in range(int(fault.onset_s), seconds, 60):
            out.append(Packet(at * 1_000_000_000, m.label, "2A19", bytes([level])))
    return out


def _links(m: Meter, fault: Fault | None, up_s: float) -> list[Record]:
    up = int(up_s * 1e9)
    out: list[Record] = [Link(0, m.label, "searching"), Link(up - 50_000_000, m.label, "up")]
    if m.channel.startswith("2"):
        out.insert(1, Link(up // 2, m.label, "connecting"))
    if fault is not None and fault.kind == "lost" and fault.variant == "link":
        for start, end in fault.windows:
            out.append(Link(int(start * 1e9) + 400_000_000, m.label, "down", "no answer from the device"))
            if end < NEVER_S:
                out.append(Link(int(end * 1e9) - 1_000_000, m.label, "up"))
    return out


def _extended(s: Array, m: Meter, rng: np.random.Generator) -> list[bytes]:
    """Flag octet, channel id, signal strength and receive time in 1/32768 s, as a stick adds them."""
    n = len(s)
    dbm = np.clip(np.rint(rng.normal(-62, 4, n)), -100, -20)
    kind = 17 if m.channel == "ant17" else 11
    return _rows(
        [
            ("|u1", 0xE0),
            ("<u2", 12345),
            ("|u1", kind),
            ("|u1", 5),
            ("|u1", 0x20),
            ("|i1", dbm),
            ("|i1", -90),
            ("<u2", np.floor(s * 32768)),
        ],
        n,
    )


def send(ride: Ride, m: Meter, fault: Fault | None, rng: np.random.Generator) -> Sent:
    """Everything that the host hears of one instrument, in order of arrival."""
    fault = fault if fault is not None and fault.label == m.label else None
    left, right, clean_left, clean_right = _measure(ride, m, fault, rng)
    up_s = float(rng.uniform(0.3, 1.5))
    records: list[Record] = _links(m, fault, up_s)
    if m.channel.startswith("ant"):
        slot = ANT_SLOT_S[m.channel] / (1 + m.clock_ppm * 1e-6)
        s = np.arange(rng.uniform(up_s, up_s + slot), ride.seconds, slot)
        if m.sender == "ant-dual":
            octets = _crank_meter_ant(ride, m, fault, left, right, s, rng)
        else:
            make = {"ant-hub-timed": _timed_wheel_ant, "ant-frequency": _frequency_meter_ant}.get(m.sender)
            octets = (make or _timed_meter_ant)(ride, m, fault, left, right, s, rng)
        _common_pages(octets, m, fault, s, rng)
        raw = octets.tobytes()
        rows = _frozen(fault, s, [raw[i : i + 8] for i in range(0, len(raw), 8)])
        arrival = s + 0.002 + rng.exponential(0.001, len(s))
        sent = _sent(ride, m, fault, s)
        heard = ~_dropped(m, s, rng) & ~_lost(fault, arrival)
        for start, end in _bursts(ride, m, rng):
            heard &= (s < start) | (s > end)
        extra = _extended(s + 0.0005, m, rng) if m.extended else [b""] * len(s)
        down = fault.acts(s - 2.0) if fault is not None and fault.kind == "lost" else np.zeros(len(s), bool)
        for t, row, more, hears, quiet in zip(
            (arrival * 1e9).astype(np.int64).tolist(),
            rows,
            extra,
            (sent & heard).tolist(),
            down.tolist(),
            strict=True,
        ):
            if hears:
                records.append(Packet(t, m.label, m.channel, row, more))
            elif not quiet:
                records.append(Link(t + 4_000_000, m.label, "missed"))
    else:
        crank = m.sender in ("ble-dual", "ble-dual-torque", "ble-left")
        s, rows = (_crank_meter_bluetooth if crank else _timed_meter_bluetooth)(
            ride, m, fault, left, right, rng
        )
        rows = _frozen(fault, s, rows)
        arrival = _over_bluetooth(s, rng)
        for start, end in _bursts(ride, m, rng):
            # Bluetooth sends again until it is heard.
            late = (arrival > start) & (arrival < end)
            arrival = np.maximum.accumulate(np.where(late, end + 0.01, arrival))
        heard = ~_dropped(m, arrival, rng) & ~_lost(fault, arrival)
        keep = _sent(ride, m, fault, s) & heard & (s > up_s)
        records += _told_bluetooth(m, fault, up_s, ride.seconds)
        for t, row, kept in zip((arrival * 1e9).astype(np.int64).tolist(), rows, keep.tolist(), strict=True):
            if kept:
                records.append(Packet(t, m.label, m.channel, row))
        sent, heard = keep, keep
    hears = arrival[heard & sent]
    last = 0.0
    if fault is not None and fault.kind == "lost":
        before = hears[hears < fault.onset_s]
        last = float(before[-1]) if len(before) else 0.0
    at_s = slice(None, None, GRID_HZ)
    return Sent(
        records,
        clean_w=np.diff((clean_left + clean_right)[at_s]),
        clean_left_w=np.diff(clean_left[at_s]),
        clean_right_w=np.diff(clean_right[at_s]),
        measured_w=np.diff((left + right)[at_s]),
        last_heard_s=last,
    )
