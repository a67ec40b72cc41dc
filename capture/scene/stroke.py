"""How the virtual rider's torque lies in the turn, and what an instrument makes of it.

With x the turns since the leg's own crank passed its peak, the torque of a leg over its mean is

    1 + r (1.3 cos 2 pi x + 0.5 cos 4 pi x)

near what instrumented pedals show for seated riding (common practice, no source). r is the ripple: above
about 1.08 the leg holds back at the rear. Its integral over the angle is a closed form.
"""

import math
from collections.abc import Sequence
from typing import Literal, NamedTuple

import msgspec

HARMONIC_1, HARMONIC_2 = 1.3, 0.5
"""Strength of the first and second harmonic of one leg's torque, relative to its mean."""
FORWARD_DEG = 90.0
"""Where a leg drives most if nothing else is said: crank forward."""
_STEPS = 360
_TWO_PI = 2.0 * math.pi

Side = Literal["left", "right"]
Position = Literal["seated", "standing"]


class StrokeHabit(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """How the rider pedals from `at` on, after `over_s` seconds of change. None: the rider's own ripple."""

    at: float = 0.0
    over_s: float = 0.0
    left_peak_deg: float = FORWARD_DEG
    right_peak_deg: float = FORWARD_DEG
    left_ripple: float | None = None
    right_ripple: float | None = None
    position: Position = "seated"


class Shape(NamedTuple):
    """The torque of both legs over the turn: angles of their peaks on their own cranks, and their ripples."""

    left_peak_deg: float
    right_peak_deg: float
    left_ripple: float
    right_ripple: float
    position: Position = "seated"

    def leg(self, side: Side) -> tuple[float, float]:
        """Peak in degrees and ripple of a leg."""
        if side == "left":
            return self.left_peak_deg, self.left_ripple
        return self.right_peak_deg, self.right_ripple

    def relative(self, side: Side, own_deg: float) -> float:
        """Torque of a leg over its mean at an angle of its own crank."""
        peak, ripple = self.leg(side)
        x = math.radians(own_deg - peak)
        return 1.0 + ripple * (HARMONIC_1 * math.cos(x) + HARMONIC_2 * math.cos(2.0 * x))

    def turned(self, side: Side, own_revs: float) -> float:
        """Integral of the ripple over the turns of a leg's own crank, in mean torques times turns."""
        peak, ripple = self.leg(side)
        x = _TWO_PI * (own_revs - peak / 360.0)
        return ripple * (
            HARMONIC_1 * math.sin(x) / _TWO_PI + HARMONIC_2 * math.sin(2.0 * x) / (2.0 * _TWO_PI)
        )

    def part(self, side: Side, from_deg: float, to_deg: float) -> float:
        """The part of a leg's work that it does between two angles of its own crank."""
        a, b = from_deg / 360.0, to_deg / 360.0
        return b - a + self.turned(side, b) - self.turned(side, a)


def own_revs(side: Side, crank_revs: float) -> float:
    """Turns of a leg's own crank since it was up; the left one is up at 0."""
    return crank_revs if side == "left" else crank_revs - 0.5


class Strokes:
    """How the rider pedals over time; `ripple` where a habit names none."""

    def __init__(self, habits: Sequence[StrokeHabit], ripple: float) -> None:
        self._habits = sorted(habits, key=lambda habit: habit.at)
        self._ripple = ripple
        self._usual = Shape(FORWARD_DEG, FORWARD_DEG, ripple, ripple)

    def at(self, t_s: float) -> Shape:
        """The shape at a time."""
        shape = self._usual
        for number, habit in enumerate(self._habits):
            if habit.at > t_s and number:
                break
            target = self._shape(habit)
            part = 1.0 if not number or habit.over_s <= 0.0 else min(1.0, (t_s - habit.at) / habit.over_s)
            shape = Shape(
                shape.left_peak_deg + part * (target.left_peak_deg - shape.left_peak_deg),
                shape.right_peak_deg + part * (target.right_peak_deg - shape.right_peak_deg),
                shape.left_ripple + part * (target.left_ripple - shape.left_ripple),
                shape.right_ripple + part * (target.right_ripple - shape.right_ripple),
                target.position,
            )
        return shape

    def _shape(self, habit: StrokeHabit) -> Shape:
        left, right = habit.left_ripple, habit.right_ripple
        return Shape(
            habit.left_peak_deg,
            habit.right_peak_deg,
            self._ripple if left is None else left,
            self._ripple if right is None else right,
            habit.position,
        )


class Turn(NamedTuple):
    """What one leg's torque is like over a turn, by an instrument; angles of its own crank in degrees.

    None: it never holds back.
    """

    peak_deg: float
    phase_deg: tuple[float, float] | None
    peak_phase_deg: tuple[float, float]
    effectiveness_percent: float
    smoothness_percent: float


def turn_of(torques: Sequence[float]) -> Turn:
    """One turn from torques at equal steps of the leg's own crank, from 0 degrees on."""
    n = len(torques)
    top = max(range(n), key=torques.__getitem__)
    drives = sum(torque for torque in torques if torque > 0.0)
    total = sum(torques)
    step = 360.0 / n
    return Turn(
        top * step,
        _around(torques, top, 0.0),
        _around(torques, top, 0.5 * torques[top]) or (0.0, 360.0),
        100.0 * total / drives if drives > 0.0 else 0.0,
        100.0 * total / n / torques[top] if torques[top] > 0.0 else 0.0,
    )


def _around(torques: Sequence[float], top: int, level: float) -> tuple[float, float] | None:
    """Angles between which the torque is above a level around its peak; None: all round."""
    n = len(torques)
    back = next((k for k in range(1, n) if torques[(top - k) % n] <= level), None)
    on = next((k for k in range(1, n) if torques[(top + k) % n] <= level), None)
    if back is None or on is None:
        return None
    step = 360.0 / n
    return (top - back) % n * step, (top + on) % n * step


def steps() -> range:
    """Whole degrees of a turn."""
    return range(_STEPS)
