"""Rides of known work and meters that tell of them in the bytes of real profiles, for hand-made streams.

Unlike `capture.scene` nothing here is simulated that a test doesn't ask for: a ride is made of
stretches of constant power and cadence, a meter sends what happened, exactly.
"""

import math
import random
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field

from capture.profiles import ant_power, cycling_power
from capture.record import Packet, Record, Tick
from monitor.setup.bench import Bench, parse_bench

S = 1_000_000_000
UTC_NS = 1_790_000_000 * S
TWO_PI = 2.0 * math.pi


def ns(t_s: float) -> int:
    return round(t_s * S)


@dataclass(frozen=True)
class Revolution:
    """One turn of the crank: when it ended, how long it took (s), its work (J), its left share."""

    end_s: float
    seconds: float
    work_j: float
    left: float
    number: int

    @property
    def torque_nm(self) -> float:
        return self.work_j / TWO_PI


@dataclass(frozen=True)
class Stretch:
    """Constant riding. Power or cadence 0: nobody pedals."""

    seconds: float
    power_w: float
    rpm: float = 90.0
    left: float = 0.5


class Ride:
    """Stretches one after the other. `noise` is a relative scatter of power, new with each revolution."""

    def __init__(self, *stretches: Stretch, noise: float = 0.0, seed: int = 1) -> None:
        self.stretches = stretches
        self.seconds = sum(s.seconds for s in stretches)
        chance = random.Random(seed)
        self.revolutions: list[Revolution] = []
        begin, turned, work, left, last = 0.0, 0.0, 0.0, 0.0, 0.0
        factor = 1.0
        for s in stretches:
            end = begin + s.seconds
            rate = s.rpm / 60.0 if s.power_w > 0.0 else 0.0
            at = begin
            while rate and at + (1.0 - turned) / rate <= end:
                step = (1.0 - turned) / rate
                at += step
                work += factor * s.power_w * step
                left += factor * s.power_w * step * s.left
                self.revolutions.append(
                    Revolution(at, at - last, work, left / work, len(self.revolutions) + 1)
                )
                turned, work, left, last = 0.0, 0.0, 0.0, at
                factor = 1.0 + noise * chance.gauss(0.0, 1.0)
            if rate:
                turned += (end - at) * rate
                work += factor * s.power_w * (end - at)
                left += factor * s.power_w * (end - at) * s.left
            else:
                turned, work, left, last = 0.0, 0.0, 0.0, end
            begin = end

    def work_j(self, begin_s: float, end_s: float) -> float:
        """Work of the stretches over a time, without the noise."""
        total, at = 0.0, 0.0
        for s in self.stretches:
            total += s.power_w * max(0.0, min(end_s, at + s.seconds) - max(begin_s, at))
            at += s.seconds
        return total


@dataclass
class Meter:
    """A crank meter: gain and offset on torque, seeded scatter, delay; counters begin at odd values.

    `gain` may depend on the time (s) at which a revolution ended.
    """

    label: str
    gain: float | Callable[[float], float] = 1.0
    offset_nm: float = 0.0
    gain_right: float | Callable[[float], float] = 1.0
    noise: float = 0.0
    sided: bool = False
    seed: int = 1
    delay_s: float = 0.02
    phase: float = 0.0
    torque: bool = True
    revolutions: bool = True
    start_revs: int = 65500
    start_ticks: int = 65000
    start_torque: int = 65000
    chance: random.Random = field(init=False)

    def __post_init__(self) -> None:
        self.chance = random.Random(f"{self.seed} {self.label}")

    def measured(self, r: Revolution) -> tuple[float, float]:
        """Mean torque (N·m) and left share that it shows of one revolution."""
        scatter = 1.0 + self.noise * self.chance.gauss(0.0, 1.0)
        gain, gain_right = (g(r.end_s) if callable(g) else g for g in (self.gain, self.gain_right))
        left, right = r.torque_nm * r.left, r.torque_nm * (1.0 - r.left) * gain_right
        total = (left + right) * gain * scatter + self.offset_nm
        return total, left / (left + right)

    def bluetooth(self, ride: Ride, idle_s: float = 1.0) -> Iterator[Packet]:
        """A notification with each revolution; none for `idle_s`: the same event again, 0 W after 2 s."""
        torque_sum = 0.0
        last: tuple[int, int, int, int | None] | None = None
        at = event_s = last_w = 0.0
        ends: list[Revolution | None] = [*ride.revolutions, None]
        for r in ends:
            until = ride.seconds if r is None else r.end_s
            while until - at > idle_s + 0.5:
                at += idle_s
                quiet = last is None or at - event_s > 2.0
                yield self._measurement(at + self.delay_s, 0.0 if quiet else last_w, last)
            if r is None:
                return
            at = event_s = r.end_s
            torque, left = self.measured(r)
            torque_sum += torque
            last = (
                (self.start_revs + r.number) % 65536,
                (self.start_ticks + int(r.end_s * 1024.0)) % 65536,
                (self.start_torque + round(32.0 * torque_sum)) % 65536,
                round(200.0 * left) if self.sided else None,
            )
            last_w = TWO_PI * torque / r.seconds
            yield self._measurement(at + self.delay_s, last_w, last)

    def _measurement(
        self, t_s: float, power_w: float, last: tuple[int, int, int, int | None] | None
    ) -> Packet:
        revs, ticks, torque, share = last or (
            self.start_revs % 65536, self.start_ticks % 65536, self.start_torque % 65536,
            100 if self.sided else None,
        )  # fmt: skip
        told = self.torque and self.revolutions
        body = cycling_power.Measurement(
            round(power_w),
            share,
            torque if told else None,
            crank_revs=revs if self.revolutions else None,
            crank_event_1024ths=ticks if self.revolutions else None,
            balance_is_left=share is not None,
            torque_at_crank=told,
        )
        return Packet(ns(t_s), self.label, "2A63", bytes(body))

    def ant(
        self, ride: Ride, pages: Sequence[int] = (0x12, 0x10), slot_s: float = 8182 / 32768
    ) -> Iterator[Packet]:
        """Pages in turn with the last revolution, one a slot; a repeated count is a repeated event."""
        torque_sum, power_sum = 0.0, 0.0
        count, ticks, last_w, rpm = 0, 0, 0.0, 0.0
        left: float = 0.5
        queue = iter([*ride.revolutions, None])
        following = next(queue)
        t, slot, ended = self.phase, 0, 0.0
        while t < ride.seconds:
            while following is not None and following.end_s <= t:
                torque, left = self.measured(following)
                torque_sum += torque
                last_w = TWO_PI * torque / following.seconds
                rpm = 60.0 / following.seconds
                power_sum += round(last_w)
                count, ticks, ended = following.number, int(following.end_s * 2048.0), following.end_s
                following = next(queue)
            stands = t - ended > 2.5
            if pages[slot % len(pages)] == 0x12:
                page: ant_power.CrankTorque | ant_power.PowerOnly = ant_power.CrankTorque(
                    count % 256,
                    (self.start_revs + count) % 256,
                    0 if stands else round(rpm),
                    (self.start_ticks + ticks) % 65536,
                    (self.start_torque + round(32.0 * torque_sum)) % 65536,
                )
            else:
                page = ant_power.PowerOnly(
                    count % 256,
                    0x80 | round(100.0 * (1.0 - left)) if self.sided else 0xFF,
                    0 if stands else round(rpm),
                    int(power_sum) % 65536,
                    0 if stands else round(last_w),
                )
            yield Packet(ns(t + self.delay_s), self.label, "ant11", bytes(page))
            slot += 1
            t = self.phase + slot * slot_s


Body = cycling_power.Measurement


def altered(
    packets: Iterable[Packet], begin_s: float, end_s: float, change: Callable[[Body, Body], Body | None]
) -> Iterator[Packet]:
    """Packets of 0x2A63, those in [begin, end) changed by `change(now, last before)`; None drops one."""
    last: Body | None = None
    for p in packets:
        body = Body.from_bytes(p.data)
        if begin_s <= p.t_ns / S < end_s:
            changed = change(body, last or body)
            if changed is not None:
                yield Packet(p.t_ns, p.instrument, p.channel, bytes(changed))
        else:
            last = body
            yield p


def without(packets: Iterable[Packet], begin_s: float, end_s: float) -> Iterator[Packet]:
    """Packets but those in [begin, end)."""
    return (p for p in packets if not begin_s <= p.t_ns / S < end_s)


def between(begin_s: float, end_s: float, inside: float, outside: float = 1.0) -> Callable[[float], float]:
    """A gain that is `inside` in [begin, end)."""
    return lambda t: inside if begin_s <= t < end_s else outside


def ticks(seconds: float, begin_s: int = 0) -> Iterator[Tick]:
    """A tick a second, the wall clock beside it."""
    for k in range(begin_s, int(seconds) + 1):
        yield Tick(k * S, UTC_NS + k * S)


def merged(*streams: Iterable[Record]) -> list[Record]:
    """All records in order of time; equal times keep the order of the streams."""
    return sorted((r for stream in streams for r in stream), key=lambda r: r.t_ns)


def bench(*instruments: str, reference: str = "hub", limits: str = "") -> Bench:
    """A bench; each instrument is `LABEL KEY=VALUE ...` in TOML values, by default a crank on test."""
    text = f'[bench]\nreference = "{reference}"\n'
    for one in instruments:
        label, *keys = one.split()
        text += f'[[instrument]]\nlabel = "{label}"\nlink = "log:{label}"\n' + "\n".join(keys) + "\n"
    if limits:
        text += f"[limits]\n{limits}\n"
    return parse_bench(text)
