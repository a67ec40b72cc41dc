"""A rider in numbers: power, cadence, torque of each leg and the work that they do, on a 50 Hz grid.

Everything is a function of a style, a length and a seed. The figures of the rider (spread
of power and cadence, ripple, asymmetry) are common practice, no source.
"""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

GRID_HZ = 50
SETTLE_S = 10
"""Seconds after a change of load that do not count as steady riding."""

STEADY_STYLES = ("steady", "levels", "cadences", "efforts")
UNSTEADY_STYLES = ("over-unders", "ramp", "sprints", "free")
STYLES = (*STEADY_STYLES, *UNSTEADY_STYLES)


@dataclass(frozen=True)
class Piece:
    """A stretch of riding: load in W (from `watts` to `end_watts`), cadence in rpm, 0 rpm for coasting."""

    seconds: int
    watts: float
    rpm: float
    end_watts: float | None = None
    name: str = ""
    gear: str = ""

    @property
    def held(self) -> bool:
        """Whether load and cadence are constant long enough to be called steady."""
        return self.end_watts is None and self.rpm > 0 and self.seconds >= 2 * SETTLE_S


@dataclass(frozen=True)
class Ride:
    """What the crank really did. `t_s`, `work_*_j` and `theta_rad` have one value per grid edge.

    The 1 Hz arrays have one value per whole second: mean power, mean cadence, steady and
    pedalling masks. `segments` and `gears` are (start in s, name).
    """

    style: str
    seconds: int
    t_s: Array
    theta_rad: Array
    work_left_j: Array
    work_right_j: Array
    power_w: Array
    cadence_rpm: Array
    steady: Mask
    pedalling: Mask
    segments: list[tuple[float, str]] = field(default_factory=list)
    gears: list[tuple[float, str]] = field(default_factory=list)

    def pauses(self, longer_than_s: float) -> list[tuple[int, int]]:
        """First and last-plus-one second of each stretch without pedalling."""
        edges = np.flatnonzero(np.diff(np.concatenate(([0], ~self.pedalling, [0])).astype(int)))
        return [(int(a), int(b)) for a, b in edges.reshape(-1, 2) if b - a > longer_than_s]


def wander(rng: np.random.Generator, seconds: int, sd: float, tau_s: float) -> Array:
    """Noise with correlation time `tau_s` at 1 Hz, `seconds` + 1 values, standard deviation `sd`."""
    n = seconds + 1 + int(8 * tau_s)
    spectrum = np.fft.rfft(rng.standard_normal(n))
    gain = 1 / np.sqrt(1 + (2 * np.pi * np.fft.rfftfreq(n) * tau_s) ** 2)
    shaped = np.fft.irfft(spectrum * gain, n)
    scale = np.sqrt(n / np.sum(np.concatenate((gain, gain[1 : (n + 1) // 2])) ** 2))
    return np.asarray(shaped[: seconds + 1] * scale * sd)


def _smoothed(x: Array, width: int) -> Array:
    """Mean of the `width` values centred at each place, edges repeated."""
    padded = np.concatenate((np.full(width // 2, x[0]), x, np.full(width - width // 2, x[-1])))
    total = np.concatenate(([0.0], np.cumsum(padded)))
    return np.asarray((total[width:] - total[:-width])[: len(x)] / width)


def _pieces(style: str, seconds: int, rng: np.random.Generator) -> list[Piece]:
    uniform = rng.uniform

    def whole(low: float, high: float) -> int:
        return int(rng.integers(int(low), int(high) + 1))

    out = [Piece(whole(3, 8), 0, 0, name="start")]
    cadence = uniform(82, 95)
    ridden = 0
    round_ = 0
    while ridden < seconds:
        round_ += 1
        new: list[Piece] = []
        if style == "steady":
            new = [Piece(whole(120, 300), uniform(100, 350), cadence + uniform(-5, 5), name="steady")]
        elif style == "constant":
            if round_ == 1:
                held = Piece(seconds, uniform(140, 280), cadence, name="constant")
            new = [held]
        elif style == "levels":
            rpm = uniform(50, 65) if round_ % 2 else uniform(98, 110)
            new = [
                Piece(
                    whole(60, 90), uniform(200, 400) if round_ % 2 else uniform(100, 200), rpm, name="level"
                )
            ]
        elif style == "cadences":
            new = [
                Piece(whole(90, 150), uniform(120, 260), rpm, name=f"{rpm:.0f} rpm")
                for rpm in (uniform(50, 60), uniform(70, 80), uniform(100, 110))
            ]
        elif style == "efforts":
            new = [
                Piece(whole(60, 120), uniform(120, 200), cadence, name="easy"),
                Piece(whole(25, 40), uniform(500, 1200), cadence + uniform(0, 15), name="effort"),
            ]
        elif style == "over-unders":
            span, middle = whole(30, 60), uniform(200, 300)
            depth = uniform(0.1, 0.25)
            new = [
                Piece(span, middle * (1 + sign * depth), cadence + sign * uniform(0, 6), name=name)
                for _ in range(4)
                for sign, name in ((1, "over"), (-1, "under"))
            ]
            new.append(Piece(whole(60, 120), uniform(110, 150), cadence - 5, name="easy"))
        elif style == "ramp":
            new = [
                Piece(whole(480, 720), uniform(90, 120), cadence, end_watts=uniform(320, 450), name="ramp"),
                Piece(whole(8, 30), 0, 0, name="rest"),
                Piece(whole(60, 120), 120, 80, name="easy"),
            ]
        elif style == "sprints":
            new = [
                Piece(whole(70, 120), uniform(130, 190), cadence, name="easy"),
                Piece(whole(8, 15), uniform(600, 1200), uniform(100, 115), name="sprint"),
                Piece(whole(5, 14), 0, 0, name="rest"),
            ]
        elif style == "free":
            new = [
                Piece(whole(15, 50), uniform(80, 320), uniform(68, 100), name="free")
                for _ in range(whole(1, 4))
            ]
            new.append(Piece(whole(60, 100) if rng.random() < 0.08 else whole(3, 15), 0, 0, name="free"))
            if rng.random() < 0.1:
                new.append(Piece(whole(20, 60), 0, 0, name="stop"))
        elif style == "gears":
            gear = ("small", "middle", "large")[round_ % 3]
            new = [Piece(whole(35, 60), uniform(150, 260), cadence + uniform(-4, 4), name="gears", gear=gear)]
        elif style == "spread-cadence":
            new = [
                Piece(whole(35, 60), uniform(150, 250), rpm, name="cadence")
                for rpm in (uniform(75, 88), uniform(100, 108))
            ]
        else:
            raise ValueError(f"unknown riding style {style!r}")
        out += new
        ridden = sum(p.seconds for p in out)
    return out


def ride(style: str, seconds: int, rng: np.random.Generator, share: float | None = None) -> Ride:
    """Ride `seconds` in a style; `share` is the mean left share of the work, else drawn from 0.45..0.55."""
    pieces = _pieces(style, seconds, rng)
    n = seconds * GRID_HZ
    counts = [p.seconds * GRID_HZ for p in pieces]
    watts = np.concatenate(
        [
            np.linspace(p.watts, p.watts if p.end_watts is None else p.end_watts, c)
            for p, c in zip(pieces, counts, strict=True)
        ]
    )[:n]
    rpm = np.repeat([p.rpm for p in pieces], counts)[:n]
    t = np.arange(n + 1) / GRID_HZ
    middle = t[:-1] + 0.5 / GRID_HZ
    whole_s = np.arange(seconds + 1)

    held_by_trainer = style in STEADY_STYLES and rng.random() < 0.5
    spread = 0.02 if held_by_trainer else 0.04
    quick = wander(rng, seconds, spread, rng.uniform(2, 5)) + wander(rng, seconds, spread / 2, 40)
    uneven = wander(rng, seconds, rng.uniform(0.008, 0.02), rng.uniform(3, 8))
    width = int(rng.uniform(0.8, 2.0) * GRID_HZ)
    watts = _smoothed(watts, width) * np.clip(1 + np.interp(middle, whole_s, quick), 0.5, 1.5)
    rpm = _smoothed(rpm, width) * np.clip(1 + np.interp(middle, whole_s, uneven), 0.8, 1.2)
    turning = rpm > 5.0
    omega = np.where(turning, rpm, 0.0) * (2 * np.pi / 60)
    torque = np.divide(watts, omega, out=np.zeros(n), where=turning)

    base = rng.uniform(0.45, 0.55) if share is None else share
    side = base + np.clip(rng.uniform(-0.02, 0.02) * (watts - 200) / 200, -0.03, 0.03)
    tiring = rng.uniform(-0.01, 0.01) * whole_s / 3600
    side += np.interp(middle, whole_s, wander(rng, seconds, 0.005, 60) + tiring)

    step = omega / GRID_HZ
    theta = np.concatenate(([0.0], np.cumsum(step)))
    angle = theta[:-1] + step / 2
    even = 1 - 0.45 * np.cos(2 * angle)
    odd = 1.5 * np.sin(angle)
    work_left = np.concatenate(([0.0], np.cumsum(torque * side * (even + odd) * step)))
    work_right = np.concatenate(([0.0], np.cumsum(torque * (1 - side) * (even - odd) * step)))

    starts = np.concatenate(([0], np.cumsum([p.seconds for p in pieces])))
    steady = np.zeros(seconds, bool)
    segments: list[tuple[float, str]] = []
    gears: list[tuple[float, str]] = []
    for piece, start in zip(pieces, starts, strict=False):
        if start >= seconds:
            break
        if piece.held:
            steady[start + SETTLE_S : start + piece.seconds] = True
        if not segments or segments[-1][1] != piece.name:
            segments.append((float(start), piece.name))
        if piece.gear:
            gears.append((float(start), piece.gear))
    at_s = slice(None, None, GRID_HZ)
    return Ride(
        style,
        seconds,
        t,
        theta,
        work_left,
        work_right,
        power_w=np.diff((work_left + work_right)[at_s]),
        cadence_rpm=np.diff(theta[at_s]) * 60 / (2 * np.pi),
        steady=steady,
        pedalling=np.diff(theta[at_s]) > 0,
        segments=segments,
        gears=gears,
    )
