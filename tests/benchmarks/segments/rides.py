"""Labelled rides of one value a second: what was ridden from when to when is known. No code of the monitor.

A rider is a level with a slow wander, pedal-to-pedal scatter and transitions that take a few seconds, on a
trainer (steep and quiet) or on a road (soft and restless).
"""

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

Series = npt.NDArray[np.float64]
KINDS = ("block", "over-under", "ramp", "sprint", "free")


class Label(NamedTuple):
    """What was ridden in [begin, end)."""

    kind: str
    begin: int
    end: int


class Ride(NamedTuple):
    """Power (W) and cadence (rpm), one value a second, and what was ridden."""

    name: str
    power_w: Series
    rpm: Series
    labels: list[Label]


class Writer:
    """Puts a ride together, piece by piece."""

    def __init__(self, seed: int, *, trainer: bool) -> None:
        self.chance = np.random.default_rng(seed)
        self.trainer = trainer
        self.scale = self.chance.uniform(0.7, 1.25)
        """How strong the rider is."""
        self.target: list[Series] = []
        self.turns: list[Series] = []
        self.restless: list[Series] = []
        self.labels: list[Label] = []
        self.at = 0

    def _put(self, watts: Series, rpm: float, restless: float) -> tuple[int, int]:
        begin = self.at
        self.target.append(watts)
        self.turns.append(np.full(len(watts), rpm))
        self.restless.append(np.full(len(watts), restless))
        self.at += len(watts)
        return begin, self.at

    def steady(self, seconds: int, watts: float, rpm: float = 90.0) -> None:
        """An even load."""
        span = self._put(np.full(seconds, self.scale * watts), rpm, 1.0)
        self.labels.append(Label("block", *span))

    def over_unders(
        self, cycles: int, over_s: int, under_s: int, over: float, under: float, first: str = "over"
    ) -> None:
        """Two loads in turn."""
        parts = [np.full(over_s, self.scale * over), np.full(under_s, self.scale * under)]
        if first == "under":
            parts.reverse()
        span = self._put(np.concatenate(parts * cycles), 92.0, 1.0)
        self.labels.append(Label("over-under", *span))

    def ramp(self, seconds: int, low: float, high: float) -> None:
        """An even rise or fall."""
        span = self._put(np.linspace(self.scale * low, self.scale * high, seconds), 88.0, 1.0)
        self.labels.append(Label("ramp", *span))

    def stairs(self, steps: int, seconds: int, low: float, by: float) -> None:
        """Flat steps: each is a block of its own."""
        for k in range(steps):
            self.steady(seconds, low + k * by)

    def sprint(self, seconds: int, watts: float) -> None:
        """All out: up in two seconds, fading by a fifth."""
        shape = np.linspace(1.0, 0.8, seconds)
        shape[0] = 0.6
        span = self._put(self.scale * watts * shape, 112.0, 1.5)
        self.labels.append(Label("sprint", *span))

    def easy(self, seconds: int, watts: float = 110.0) -> None:
        """Rolling on between two things; no segment that has to be found."""
        span = self._put(np.full(seconds, self.scale * watts), 82.0, 2.0)
        self.labels.append(Label("any", *span))

    def surge(self, seconds: int, watts: float) -> None:
        """Harder for a moment, as on a rise or out of a corner: no sprint."""
        self._put(np.full(seconds, watts), 95.0, 1.5)

    def free(self, seconds: int, watts: float, surges: int = 0, surge_w: float = 450.0) -> None:
        """A road: restless, with rolling and, where asked, surges in it."""
        begin = self.at
        level = self.scale * watts
        left = seconds
        parts = max(1, surges)
        for k in range(parts):
            length = left // (parts - k)
            left -= length
            if surges:
                self._free_piece(length - 12, level)
                self.surge(12, surge_w)
            else:
                self._free_piece(length, level)
        self.labels.append(Label("free", begin, self.at))

    def _free_piece(self, seconds: int, level: float) -> None:
        # Autoregression of order one with a time constant of 12 s and a fifth to a third of the level.
        series = np.empty(seconds)
        value, sd = 0.0, level * self.chance.uniform(0.22, 0.33)
        keep = np.exp(-1.0 / 12.0)
        for k in range(seconds):
            value = keep * value + np.sqrt(1.0 - keep**2) * sd * self.chance.normal()
            series[k] = max(0.0, level + value)
        at = 0
        while self.chance.random() < 0.6 and at + 60 < seconds:
            at += int(self.chance.integers(30, 60))
            series[at : at + int(self.chance.integers(3, 9))] = 0.0
        self._put(series, 84.0, 1.0)

    def ride(self, name: str) -> Ride:
        """The whole ride as a meter shows it."""
        target, rpm, restless = (np.concatenate(x) for x in (self.target, self.turns, self.restless))
        # A trainer is there after a second or two, a rider on a road after three.
        tau = self.chance.uniform(0.6, 1.2) if self.trainer else self.chance.uniform(1.2, 2.2)
        power = np.empty(len(target))
        value = target[0]
        for k, watts in enumerate(target):
            value += (watts - value) * (1.0 - np.exp(-1.0 / tau))
            power[k] = value
        slow = np.empty(len(power))
        value = 0.0
        spread = 0.008 if self.trainer else 0.02
        for k in range(len(power)):
            value = 0.97 * value + np.sqrt(1.0 - 0.97**2) * spread * self.chance.normal()
            slow[k] = value
        quick = (0.015 if self.trainer else 0.04) * restless * self.chance.normal(size=len(power))
        power = np.maximum(0.0, power * (1.0 + slow + quick))
        cadence = rpm + self.chance.normal(0.0, 1.0, len(rpm))
        return Ride(name, power, np.where(power > 5.0, cadence, 0.0), self.labels)


def intervals(seed: int, trainer: bool) -> Ride:
    """Blocks of unlike length between easy riding."""
    w = Writer(seed, trainer=trainer)
    w.easy(120)
    for watts in w.chance.permutation([170.0, 200.0, 230.0, 260.0]):
        w.steady(int(w.chance.integers(90, 300)), float(watts))
        w.easy(60)
    return w.ride("blocks")


SETS = (
    (12, 12, 290.0, 180.0), (15, 15, 280.0, 190.0), (20, 40, 270.0, 200.0), (30, 30, 260.0, 210.0),
    (40, 20, 250.0, 200.0), (60, 60, 250.0, 215.0), (60, 90, 250.0, 215.0), (120, 60, 245.0, 205.0),
)  # fmt: skip
"""Seconds over and under, W over and under."""


def over_unders(seed: int, trainer: bool) -> Ride:
    """Three sets of unlike length and height, two to eight cycles each."""
    w = Writer(seed, trainer=trainer)
    w.steady(240, 180.0)
    for k in w.chance.permutation(len(SETS))[:3].tolist():
        over_s, under_s, over, under = SETS[k]
        cycles = int(w.chance.integers(2 if over_s >= 60 else 3, 5 if over_s >= 60 else 9))
        w.over_unders(cycles, over_s, under_s, over, under, "over" if w.chance.random() < 0.5 else "under")
        w.easy(90)
    return w.ride("over/unders")


def ramps(seed: int, trainer: bool) -> Ride:
    """One up, one down, and a staircase, which is none."""
    w = Writer(seed, trainer=trainer)
    w.easy(120)
    w.ramp(int(w.chance.integers(180, 420)), 120.0, 300.0)
    w.easy(90)
    w.steady(120, 200.0)
    w.ramp(int(w.chance.integers(120, 240)), 260.0, 150.0)
    w.easy(60)
    w.stairs(4, 75, 150.0, 35.0)
    return w.ride("ramps")


def sprints(seed: int, trainer: bool) -> Ride:
    """Two sprints, and half a dozen surges to 450 W that are none."""
    w = Writer(seed, trainer=trainer)
    w.free(420, 190.0, surges=3)
    w.easy(40)
    w.sprint(int(w.chance.integers(8, 16)), w.chance.uniform(800.0, 1150.0))
    w.easy(120)
    w.free(420, 200.0, surges=3)
    w.easy(30)
    w.sprint(int(w.chance.integers(8, 16)), w.chance.uniform(800.0, 1150.0))
    w.easy(90)
    return w.ride("sprints and surges")


def road(seed: int, trainer: bool) -> Ride:
    """Free riding alone: nothing else may be found."""
    w = Writer(seed, trainer=False)
    w.free(1500, 190.0, surges=int(w.chance.integers(0, 6)))
    return w.ride("road")


def evening(seed: int, trainer: bool) -> Ride:
    """A bit of all, as a tester rides it."""
    w = Writer(seed, trainer=trainer)
    w.ramp(180, 100.0, 200.0)
    w.steady(180, 200.0)
    w.steady(120, 200.0, rpm=62.0)
    w.over_unders(4, 20, 20, 270.0, 190.0)
    w.easy(60)
    w.sprint(12, 950.0)
    w.easy(60)
    w.steady(150, 230.0)
    w.free(300, 180.0)
    return w.ride("evening")


ALL = (intervals, over_unders, ramps, sprints, road, evening)
