"""Bytes of power meters and trainers, by the published layouts, and when the host hears them.

Bluetooth: Cycling Power Measurement (0x2A63) as in the Cycling Power Service 1.1, fields by the
GATT Specification Supplement. ANT+: pages 0x10 and 0x12 of the bicycle power profile, 0x19 of
fitness equipment, 0x51 of the common pages.
"""

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from capture.record import Link, Packet, Record

if TYPE_CHECKING:
    from tests.benchmarks.judgement.evening import Meter

Array = NDArray[np.float64]

STEP_S = {"ble-dual": 1.0, "ble-total": 1.0, "ant-dual": 0.25, "ant-total": 1.0, "ant-trainer": 0.25}
"""How often the values of each kind of sender are new."""
BLE_WAIT_S = {"ble-dual": 0.0, "ble-total": 0.02}
"""How long a new value waits for its packet in the mean, s: over Bluetooth the connection event. Events of a
crank bear their own time; over ANT+ `ant_wait_s` knows when the next slot is."""
ANT_LOST = 0.01
RESTS_AFTER_S = 2.5


def _table(columns: list[tuple[str, Array | int]], n: int) -> list[bytes]:
    """One packed little-endian row for each packet; values wrap at the width of their field."""
    out = np.zeros(n, np.dtype([(f"f{k}", kind) for k, (kind, _) in enumerate(columns)]))
    for k, (kind, values) in enumerate(columns):
        bits = 8 * int(kind[-1])
        whole = np.asarray(values).astype(np.int64) % (1 << bits)
        if kind[1] == "i":
            whole = np.where(whole >= 1 << (bits - 1), whole - (1 << bits), whole)
        out[f"f{k}"] = whole
    raw, size = out.tobytes(), out.dtype.itemsize
    return [raw[k * size : (k + 1) * size] for k in range(n)]


class _Crank:
    """What a meter in the crank knows at its own times: whole revolutions, their work, the last one's end."""

    def __init__(self, t: Array, left: Array, right: Array, turns: Array, s: Array) -> None:
        count = int(turns[-1])
        # A turn ends when the angle passes a whole number; during a rest the angle stands.
        slope = np.arange(len(turns)) * 1e-12
        self.ends = np.interp(np.arange(1, count + 1), turns + slope, t)
        zero = np.zeros(1)
        self.t_s = np.concatenate((zero, self.ends))
        self.left = np.concatenate((zero, np.interp(self.ends, t, left)))
        self.right = np.concatenate((zero, np.interp(self.ends, t, right)))
        self.known = np.searchsorted(self.ends, s, "right")
        self.resting = s - self.t_s[self.known] > RESTS_AFTER_S

    def over(self, packets: int, step_s: float) -> tuple[Array, Array]:
        """Mean power and left share over the revolutions of the last `packets` packets, at least one."""
        before = np.concatenate((np.zeros(packets, int), self.known[:-packets]))
        first = np.minimum(before, np.maximum(self.known - 1, 0))
        # The first turn after a rest begins with the rest; a device counts from when the crank moves.
        turned = np.concatenate(([0.0], np.cumsum(np.minimum(np.diff(self.t_s), 2.0))))
        span = np.maximum(turned[self.known] - turned[first], 1e-9)
        total = (self.left + self.right)[self.known] - (self.left + self.right)[first]
        share = np.divide(
            self.left[self.known] - self.left[first], total, out=np.full(len(total), 0.5), where=total > 1.0
        )
        return np.where(self.known > 0, total / span, 0.0), np.clip(share, 0.0, 1.0)


def ant_wait_s(m: "Meter", s: Array) -> float:
    """How long a new value waits in the mean for the next of the slots `s`, s.

    Sums lose nothing in a slot that has another page or is not heard. A trainer's values are as often new
    as there are slots, so that all of them wait alike: less than a slot, by chance.
    """
    if m.sender == "ant-dual":
        return 0.0
    new = np.arange(1.0, s[-1] - m.delay_s - 2.0, STEP_S[m.sender]) + m.delay_s
    return float((s[np.searchsorted(s, new)] - new).mean())


def send(
    m: "Meter", t: Array, left: Array, right: Array, turns: Array, rng: np.random.Generator
) -> tuple[list[Record], float]:
    """All that the host hears of one instrument, and how long its values wait for their packets, s.

    Works (J) and crank turns are given at the times `t`.
    """
    up = 0.5
    records: list[Record] = [Link(0, m.label, "searching"), Link(int(0.4e9), m.label, "up")]
    if m.sender.startswith("ble"):
        s = np.arange(up + rng.uniform(0, 1), t[-1], 1.0)
        rows = _bluetooth(m, t, left, right, turns, s)
        arrival = s + 0.004 + rng.uniform(0, 0.03, len(s)) + rng.exponential(0.002, len(s))
        if m.serial:
            records.append(Packet(int(0.45e9), m.label, "2A25", str(m.serial).encode()))
        heard = rng.random(len(s)) > 0.001
        channel, wait_s = "2A63", BLE_WAIT_S[m.sender]
    else:
        trainer = m.sender == "ant-trainer"
        s = np.arange(up + rng.uniform(0, 0.25), t[-1], (8192 if trainer else 8182) / 32768)
        rows = _ant(m, t, left, right, turns, s)
        if m.serial:
            page = bytes((0x51, 0xFF, 0xFF, 10)) + m.serial.to_bytes(4, "little")
            for k in range(20, len(rows), 121):
                rows[k] = page
        arrival = s + 0.003 + rng.exponential(0.001, len(s))
        heard = rng.random(len(s)) > ANT_LOST
        channel, wait_s = "ant17" if trainer else "ant11", ant_wait_s(m, s)
    for at, row, hears in zip((arrival * 1e9).astype(np.int64).tolist(), rows, heard.tolist(), strict=True):
        if hears:
            records.append(Packet(at, m.label, channel, row))
        elif channel != "2A63":
            records.append(Link(at + 2_000_000, m.label, "missed"))
    return records, wait_s


def _bluetooth(m: "Meter", t: Array, left: Array, right: Array, turns: Array, s: Array) -> list[bytes]:
    at = s - m.delay_s
    crank = _Crank(t, left, right, turns, at)
    n = len(s)
    stamp = np.floor(crank.t_s[crank.known] * 1024)
    if m.sender == "ble-total":
        power = np.rint(_mean(m, t, left + right, at))
        return _table([("<u2", 0x20), ("<i2", power), ("<u2", crank.known), ("<u2", stamp)], n)
    power, share = crank.over(max(1, round(m.smoothing_s)), 1.0)
    power = np.where(crank.resting, 0, np.rint(power * m.shown_factor))
    torque = np.floor((crank.left + crank.right)[crank.known] / (2 * np.pi) * 32)
    half = np.where(crank.resting, 100, np.rint(share * 200))
    # Flags: balance present and of the left, torque present and from the crank, crank data present.
    return _table(
        [("<u2", 0x2F), ("<i2", power), ("|u1", half), ("<u2", torque), ("<u2", crank.known), ("<u2", stamp)],
        n,
    )


def _mean(m: "Meter", t: Array, work: Array, at: Array) -> Array:
    """Power averaged over the meter's own time before each of the moments `at`."""
    span = max(m.smoothing_s, STEP_S[m.sender])
    power = (np.interp(at, t, work) - np.interp(at - span, t, work)) / span
    return np.asarray(np.maximum(power, 0.0) * m.shown_factor)


def _ant(m: "Meter", t: Array, left: Array, right: Array, turns: Array, s: Array) -> list[bytes]:
    at = s - m.delay_s
    n = len(s)
    cadence = np.rint(np.maximum(0, np.interp(at, t, turns) - np.interp(at - 2.0, t, turns)) * 30)
    if m.sender == "ant-dual":
        crank = _Crank(t, left, right, turns, at)
        # A new event with each turn: power of the turn, summed in whole watts.
        spans = np.minimum(np.diff(crank.t_s), 2.0)
        each = np.rint(np.diff(crank.left + crank.right) / spans * m.shown_factor)
        summed = np.concatenate(([0.0], np.cumsum(each)))[crank.known]
        shown = np.concatenate(([0.0], each))[crank.known]
        power = np.where(crank.resting, 0, shown)
        _, share = crank.over(4, 0.25)
        balance = np.where(crank.resting, 0x80 | 50, 0x80 | np.rint((1 - share) * 100).astype(int))
        rows = _table(
            [("|u1", 0x10), ("|u1", crank.known), ("|u1", balance), ("|u1", cadence), ("<u2", summed),
             ("<u2", power)], n,
        )  # fmt: skip
        torque = np.floor((crank.left + crank.right)[crank.known] / (2 * np.pi) * 32)
        period = np.floor(crank.t_s[crank.known] * 2048)
        more = _table(
            [("|u1", 0x12), ("|u1", crank.known), ("|u1", crank.known), ("|u1", cadence), ("<u2", period),
             ("<u2", torque)], n,
        )  # fmt: skip
        rows[1::2] = more[1::2]
        return rows
    step = STEP_S[m.sender]
    update = np.floor(at / step)
    power = np.rint(np.minimum(_mean(m, t, left + right, np.maximum(update, 0) * step), 4090))
    # The sum grows at each update, whether or not a slot shows it.
    every = np.arange(int(t[-1] / step) + 2)
    grown = np.cumsum(np.rint(np.minimum(_mean(m, t, left + right, every * step), 4090)))
    events = np.maximum(update, 0).astype(int)
    summed = grown[events]
    if m.sender == "ant-trainer":
        rows = _table(
            [("|u1", 0x19), ("|u1", events), ("|u1", cadence), ("<u2", summed), ("|u1", power % 256),
             ("|u1", power // 256 % 16), ("|u1", 0x30)], n,
        )  # fmt: skip
        general = _table(
            [("|u1", 0x10), ("|u1", 25), ("|u1", np.floor(s * 4)), ("|u1", np.floor(s * 8)), ("<u2", 8000),
             ("|u1", 0xFF), ("|u1", 0x30)], n,
        )  # fmt: skip
        rows[3::4] = general[3::4]
        return rows
    return _table(
        [("|u1", 0x10), ("|u1", events), ("|u1", 0xFF), ("|u1", cadence), ("<u2", summed), ("<u2", power)], n
    )
