"""An evening of known truth: what the rider did, what each instrument would show, and the records of it.

The physics is on a grid of a quarter second: work of each leg and turns of the crank. An
instrument has a gain and a zero offset for each leg, a delay, an averaging time, noise whose
blocks of ten seconds are correlated, and changes in time. Nothing here knows how the
monitor measures: truth is what an instrument would have shown without noise, held against
another one, taken to the crank by the loss that the chain really had.
"""

import math
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from capture.record import Act, Packet, Record, Tick
from tests.benchmarks.judgement import packets

Array = NDArray[np.float64]

GRID_HZ = 4
UTC_NS = 1_764_500_000_000_000_000
SETTLE_S = 10.0
WANDER_TAU_S = 60.0
RIDDEN_W = 20.0


@dataclass(frozen=True)
class Piece:
    """A stretch of the ride: load in W, cadence in rpm (0: no pedalling), gear, and its kind."""

    name: str
    seconds: int
    watts: float
    rpm: float
    gear: str = ""
    table: str = "target"
    """`target`, `free` or `sprint` in the protocol; `rest` is a pause within the segment before it."""


@dataclass(frozen=True)
class Change:
    """From `t_s` on these of the meter's figures are other ones; gradually over `over_s` seconds."""

    t_s: float
    gain_left: float | None = None
    gain_right: float | None = None
    zero_left_nm: float | None = None
    zero_right_nm: float | None = None
    over_s: float = 0.0


@dataclass(frozen=True)
class Meter:
    """One instrument. Gains and zero offsets (N·m at the crank) are of each leg; the total is their sum.

    `sender` says how it speaks: `ble-dual`, `ble-total`, `ant-dual`, `ant-total`, `ant-trainer`.
    `loss` is what its bench states of the chain (W, %), `true_loss` what the chain takes.
    `copy_of` sends the measured values of another once more, as one device on two radios does.
    """

    label: str
    role: str
    mount: str
    sender: str
    claim_percent: float
    gain_left: float = 1.0
    gain_right: float = 1.0
    zero_left_nm: float = 0.0
    zero_right_nm: float = 0.0
    delay_s: float = 0.1
    smoothing_s: float = 1.0
    noise: float = 0.0028
    """Relative standard deviation of a mean over ten seconds."""
    correlation: float = 0.0
    """Of neighbouring blocks of ten seconds: 0, 0.45, or 0.7 for slow wander."""
    shown_factor: float = 1.0
    loss: tuple[float, float] | None = None
    true_loss: tuple[float, float] = (0.0, 0.0)
    missing_gear: str = ""
    doubles: str = ""
    exchanged: bool = False
    """It calls its left side right."""
    """The one leg (`left`, `right`) that it measures and counts twice. A dual one then has lost its other
    side and shows even halves; one that tells a total alone was made so, and its bench says it."""
    ceiling_w: float = math.inf
    """It shows no more than this."""
    copy_of: str = ""
    serial: int = 0
    changes: tuple[Change, ...] = ()

    @property
    def dual(self) -> bool:
        """Whether it tells both sides."""
        return self.sender.endswith("dual")

    @property
    def gain(self) -> float:
        """Gain of the total for even legs."""
        return 0.5 * (self.gain_left + self.gain_right)


@dataclass(frozen=True)
class Plan:
    """What is asked of one evening; `healthy` are the labels that nothing may be said against."""

    name: str
    seed: int
    ride: tuple[Piece, ...]
    meters: tuple[Meter, ...]
    reference: str
    acts: tuple[tuple[float, str, str, str], ...] = ()
    """(second, act, text, label)."""
    healthy: tuple[str, ...] = ()
    guilty: str = ""
    told: dict[str, float | str] = field(default_factory=dict)
    left_share: float | None = None
    """Of the rider; drawn if not given."""


@dataclass
class Evening:
    """Records and the truth. Arrays of `clean_*` have a value a second, W at the crank as it was shown."""

    plan: Plan
    bench: str
    protocol: str
    records: list[Record]
    seconds: int
    clean_w: dict[str, Array]
    clean_left_w: dict[str, Array]
    clean_right_w: dict[str, Array]
    power_w: Array
    omega: Array
    """Of the crank, rad/s."""
    segments: list[tuple[float, float, str]]
    wait_s: dict[str, float]
    """How long new values wait for their packets, by label."""

    def deviation_percent(self, label: str, against: str, begin: float, end: float, side: str = "") -> float:
        """The true deviation of one against another over the pedalled seconds of [begin, end)."""
        table = {"": self.clean_w, "left": self.clean_left_w, "right": self.clean_right_w}[side]
        at = slice(max(0, math.ceil(begin - 1e-6)), max(0, math.floor(end + 1e-6)))
        ridden = self.power_w[at] > RIDDEN_W
        own, other = table[label][at][ridden].sum(), table[against][at][ridden].sum()
        return float(100.0 * (own / other - 1.0)) if other > 0.0 else math.nan

    def line(self, label: str, against: str) -> tuple[float, float]:
        """True gain and zero offset (N·m) of one's torque over the other's, which has no zero."""
        m = next(m for m in self.plan.meters if m.label == label)
        zero = m.zero_left_nm + m.zero_right_nm
        ridden = self.power_w > RIDDEN_W
        own = (self.clean_w[label] - zero * self.omega)[ridden].sum()
        return float(own / self.clean_w[against][ridden].sum()), zero

    def lag_s(self, label: str) -> float:
        """True lateness: transport, waiting, and half of what averaging exceeds the interval of new values.

        A dual meter counts torque and turns without averaging, whatever its shown power does.
        """
        m = next(m for m in self.plan.meters if m.label == label)
        averaged = 0.0 if m.dual else 0.5 * max(0.0, m.smoothing_s - packets.STEP_S[m.sender])
        return m.delay_s + averaged + self.wait_s[label]


def ornstein(rng: np.random.Generator, n: int, step_s: float, tau_s: float) -> Array:
    """Gaussian noise of unit variance whose correlation falls as exp(-t / tau), `n` values `step_s` apart."""
    if tau_s <= 0.0:
        return rng.standard_normal(n)
    keep = math.exp(-step_s / tau_s)
    fresh = rng.standard_normal(n) * math.sqrt(1.0 - keep * keep)
    fresh[0] = rng.standard_normal()
    out = np.empty(n)
    last = 0.0
    for k, x in enumerate(fresh.tolist()):
        last = keep * last + x
        out[k] = last
    return out


def block_figures(tau_s: float, block_s: float = 10.0) -> tuple[float, float]:
    """Variance of block means of unit exponential noise, and the correlation of neighbours."""
    a = block_s / tau_s
    variance = 2.0 * (a - 1.0 + math.exp(-a)) / (a * a)
    return variance, (1.0 - math.exp(-a)) ** 2 / (a * a) / variance


def tau_for(correlation: float) -> float:
    """The time constant that gives neighbouring ten-second means this correlation, by bisection."""
    low, high = 0.1, 2000.0
    for _ in range(60):
        middle = math.sqrt(low * high)
        low, high = (middle, high) if block_figures(middle)[1] < correlation else (low, middle)
    return low


def noise(rng: np.random.Generator, seconds: int, sd: float, correlation: float) -> Array:
    """Relative noise of one leg or total at 1 Hz: ten-second means have `sd` and that correlation."""
    white = rng.standard_normal(seconds) * math.sqrt(10.0)
    if correlation <= 0.0:
        return sd * white
    if correlation >= 0.7:
        # Slow wander of 60 s mixed with so much white noise that neighbouring blocks correlate by 0.7.
        variance, neighbour = block_figures(WANDER_TAU_S)
        share = correlation / neighbour
        slow = ornstein(rng, seconds, 1.0, WANDER_TAU_S) / math.sqrt(variance)
        return sd * (math.sqrt(share) * slow + math.sqrt(1.0 - share) * white)
    tau = tau_for(correlation)
    return sd * ornstein(rng, seconds, 1.0, tau) / math.sqrt(block_figures(tau)[0])


def _smooth(x: Array, width: int) -> Array:
    kernel = np.ones(width) / width
    return np.convolve(np.pad(x, (width // 2, width - 1 - width // 2), mode="edge"), kernel, "valid")


def _figure(m: Meter, name: str, t_s: Array) -> Array:
    """A figure of the meter over time, with its changes."""
    value = np.full(len(t_s), float(getattr(m, name)))
    for change in m.changes:
        to = getattr(change, name)
        if to is not None:
            over = np.clip((t_s - change.t_s) / change.over_s, 0, 1) if change.over_s else t_s >= change.t_s
            value = value + (to - value) * over
    return value


def _below(ceiling_w: float, legs: list[Array]) -> list[Array]:
    """Both legs cut in the same part, so that they make no more than the ceiling."""
    cut = np.minimum(1.0, ceiling_w / np.maximum(legs[0] + legs[1], 1e-9))
    return [leg * cut for leg in legs]


def _bench(plan: Plan) -> str:
    lines = ["[bench]", f'name = "{plan.name} {plan.seed}"', f'reference = "{plan.reference}"', ""]
    for m in plan.meters:
        lines += ["[[instrument]]", f'label = "{m.label}"', f'role = "{m.role}"', f'mount = "{m.mount}"']
        sides = "both" if m.dual else m.doubles or "total"
        lines += [f'sides = "{sides}"', f'link = "log:{m.label}"']
        lines += [f"claim_percent = {m.claim_percent}"]
        if m.loss is not None:
            lines += [f"drivetrain_loss = [{m.loss[0]}, {m.loss[1]}]"]
        lines += [""]
    return "\n".join(lines)


def _protocol(ride: tuple[Piece, ...]) -> str:
    lines: list[str] = []
    for piece in ride:
        if piece.table == "rest":
            continue
        lines += ["[[segment]]", f'name = "{piece.name}"', f"seconds = {piece.seconds}"]
        if piece.table == "target":
            lines += [f"target_w = {piece.watts:.0f}", f"cadence_rpm = {piece.rpm:.0f}"]
        else:
            lines += [f"{piece.table} = true"]
        if piece.gear:
            lines += [f'gear = "{piece.gear}"']
        lines += [""]
    return "\n".join(lines)


def make(plan: Plan) -> Evening:
    """Ride the plan and let every instrument send."""
    rng = np.random.default_rng([plan.seed, *plan.name.encode()])
    seconds = sum(p.seconds for p in plan.ride)
    n = seconds * GRID_HZ
    t = np.arange(n + 1) / GRID_HZ
    middle = t[:-1] + 0.5 / GRID_HZ
    counts = [p.seconds * GRID_HZ for p in plan.ride]
    watts, rpm = (np.repeat([getattr(p, a) for p in plan.ride], counts) for a in ("watts", "rpm"))
    gear = np.repeat([p.gear for p in plan.ride], counts)
    free = np.repeat([p.table == "free" for p in plan.ride], counts)
    whole = np.arange(seconds)
    # How a rider wanders: common practice, no source.
    quick = np.interp(middle, whole, ornstein(rng, seconds, 1.0, 4.0))
    slow = np.interp(middle, whole, ornstein(rng, seconds, 1.0, 30.0))
    watts = _smooth(watts, 2 * GRID_HZ) * (1 + np.where(free, 0.10, 0.02) * (0.8 * quick + 0.6 * slow))
    uneven = np.interp(middle, whole, ornstein(rng, seconds, 1.0, 6.0))
    rpm = _smooth(rpm, 2 * GRID_HZ) * (1 + np.where(free, 0.03, 0.01) * uneven)
    turning = (rpm > 15.0) & (watts > 5.0)
    omega = np.where(turning, rpm, 0.0) * (2 * math.pi / 60)
    watts = np.where(turning, np.maximum(watts, 0.0), 0.0)
    drawn = rng.uniform(0.47, 0.53)
    share = (drawn if plan.left_share is None else plan.left_share) + np.interp(
        middle, whole, 0.004 * ornstein(rng, seconds, 1.0, 40.0)
    )
    turns = np.concatenate(([0.0], np.cumsum(omega / GRID_HZ))) / (2 * math.pi)

    def per_second(x: Array) -> Array:
        return x.reshape(seconds, GRID_HZ).mean(axis=1)

    records: list[Record] = [Tick(s * 10**9, UTC_NS + s * 10**9) for s in range(seconds + 1)]
    segments: list[tuple[float, float, str]] = []
    start = 0
    for piece in plan.ride:
        if piece.table == "rest":
            records.append(Act(start * 10**9 + 1, "segment", "pause"))
        else:
            segments.append((float(start), float(start + piece.seconds), piece.name))
            records.append(Act(start * 10**9 + 1, "segment", piece.name))
        if piece.gear:
            records.append(Act(start * 10**9 + 2, "gear", piece.gear))
        start += piece.seconds
    records += [Act(int(at * 1e9), act, text, label) for at, act, text, label in plan.acts]

    clean: dict[str, tuple[Array, Array, Array]] = {}
    measured: dict[str, tuple[Array, Array]] = {}
    for m in plan.meters:
        w_loss, percent = m.true_loss
        gains = [_figure(m, f"gain_{side}", middle) for side in ("left", "right")]
        zeros = [_figure(m, f"zero_{side}_nm", middle) for side in ("left", "right")]
        through = np.where(turning, watts * (1 - percent / 100) - w_loss, 0.0)
        legs = [
            np.where(turning, through * part * gain + zero * omega, 0.0)
            for part, gain, zero in zip((share, 1 - share), gains, zeros, strict=True)
        ]
        if m.doubles:
            legs = [legs[m.doubles == "right"]] * 2
        if m.exchanged:
            legs.reverse()
        uncut = legs
        legs = _below(m.ceiling_w, legs)
        shown = sum(legs) * m.shown_factor
        at_crank = np.where(turning, (shown + w_loss) / (1 - percent / 100), 0.0)
        clean[m.label] = (
            per_second(at_crank), per_second(legs[0] * m.shown_factor), per_second(legs[1] * m.shown_factor),
        )  # fmt: skip
        noisy = [
            leg * (1 + np.repeat(noise(rng, seconds, m.noise * math.sqrt(2.0), m.correlation), GRID_HZ))
            for leg in uncut
        ]
        if m.doubles:
            noisy[1] = noisy[0]
        noisy = _below(m.ceiling_w, noisy)
        measured[m.label] = (noisy[0], noisy[1])
        if m.copy_of:
            measured[m.label] = measured[m.copy_of]
            clean[m.label] = clean[m.copy_of]
    wait_s: dict[str, float] = {}
    for m in plan.meters:
        left, right = measured[m.label]
        quiet = np.isin(gear, [m.missing_gear]) if m.missing_gear else np.zeros(n, bool)
        left, right = (np.where(quiet, 0.0, x) for x in (left, right))
        works = [np.concatenate(([0.0], np.cumsum(x / GRID_HZ))) for x in (left, right)]
        sent, wait_s[m.label] = packets.send(m, t, works[0], works[1], turns, rng)
        records += sent
    end = seconds * 10**9
    records = sorted((r for r in records if r.t_ns <= end), key=lambda r: (r.t_ns, isinstance(r, Packet)))
    return Evening(
        plan,
        _bench(plan),
        _protocol(plan.ride),
        records,
        seconds,
        {k: v[0] for k, v in clean.items()},
        {k: v[1] for k, v in clean.items()},
        {k: v[2] for k, v in clean.items()},
        per_second(watts),
        per_second(omega),
        segments,
        wait_s,
    )


def changed(m: Meter, percent: float, side: str = "total") -> Meter:
    """The same meter with a gain off by so many percent, in one leg or in both."""
    by = 1 + percent / 100
    left = m.gain_left * (by if side in ("total", "left") else 1.0)
    right = m.gain_right * (by if side in ("total", "right") else 1.0)
    return replace(m, gain_left=left, gain_right=right)
