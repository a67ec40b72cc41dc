"""The virtual rider on the virtual bicycle: what really happens, before anyone measures it.

Motion and work are closed forms, so that the truth of any moment is exact. The ride is
made of pieces of a quarter second. Within a piece the cadence changes linearly with time
and the mean torque of either leg is constant; on top lies a ripple that depends on the
crank angle alone. With r the crank's revolutions and x = r - 1/4 (the left crank is up at
r = 0 and drives most a quarter later), the torque of the left leg is

    T (1 + a1 cos 2 pi x + a2 cos 4 pi x)

and that of the right leg the same half a revolution later. Its integral over the angle is
the work: no step of integration, no error.

The wheel turns with the crank through the gear, or rolls on freely. It receives the work
of the crank less the loss of the drivetrain, a + b P, which grows with power as measured
chains do (a linear fit of published bench figures; common practice, no single source).
"""

import math
import random
from collections.abc import Sequence
from typing import NamedTuple

from capture.scene.definition import Rider as Habits
from capture.scene.definition import Segment, gear_ratio
from capture.scene.stroke import HARMONIC_1, HARMONIC_2, Shape, Strokes, own_revs

PIECE_S = 0.25
"""Length of a piece, seconds; exact in binary, so that piece times never drift."""

_KEPT_PIECES = 4096
_TWO_PI = 2.0 * math.pi
_FOUR_PI = 4.0 * math.pi

_RISE_S = 0.8  # how fast a rider finds a new power
_HELD_S = 1.2  # how fast a trainer brings one about
_SPRINT_RISE_S, _SPRINT_FADE_S = 0.9, 30.0
_SPRINT_EXTRA_RPM = 25.0
_SPIN_UP_RPM_PER_S, _SPIN_DOWN_RPM_PER_S = 25.0, 120.0
_ROLL_OUT_S, _BRAKED_S = 6.0, 0.8
_FAST_S, _SLOW_S, _CADENCE_S, _FREE_S, _SHARE_S = 3.0, 40.0, 4.0, 25.0, 20.0
_FREE_SPREAD = 0.2
_SHARE_SPREAD = 0.002
_GREATEST_TORQUE_NM = 220.0


class Piece(NamedTuple):
    """A quarter second of riding; `_0` are values at its start, J, revolutions, revolutions/s."""

    t_0: float
    crank_0: float
    crank_rate_0: float
    crank_half_slope: float
    left_0: float
    right_0: float
    left_per_rev: float
    right_per_rev: float
    odd_0: float
    even_0: float
    kept: float
    """Share of the crank's work that reaches the wheel."""
    hub_0: float
    wheel_0: float
    wheel_rate_0: float
    wheel_half_slope: float
    shape: Shape | None = None
    """How the rider pedals, if it is not the usual way; with the ripples of either leg at its start."""
    left_ripple_0: float = 0.0
    right_ripple_0: float = 0.0


class CrankEvent(NamedTuple):
    """The moment in which the crank passes an angle: time in s, work of either leg so far in J."""

    t: float
    left_j: float
    right_j: float
    piece: int


class WheelEvent(NamedTuple):
    """The moment in which the wheel passes an angle: time in s, work at the hub so far in J."""

    t: float
    hub_j: float
    piece: int


class _Block(NamedTuple):
    segment: Segment
    start_s: float
    end_s: float
    gear: float


class Wander:
    """Autocorrelated unsteadiness: mean 0, standard deviation 1, memory `memory_s` seconds."""

    def __init__(self, memory_s: float, chance: random.Random) -> None:
        self._keep = math.exp(-PIECE_S / memory_s)
        self._spread = math.sqrt(1.0 - self._keep**2)
        self._gauss = chance.gauss
        self.value = chance.gauss(0.0, 1.0)

    def step(self) -> float:
        """The value a piece later."""
        self.value = self._keep * self.value + self._spread * self._gauss(0.0, 1.0)
        return self.value


class Rider:
    """The ride so far; `extend` makes it longer, everything else asks about it.

    Args:
        segments: blocks in riding order, repeats unrolled.
        habits: the rider.
        seed: text from which all chance comes.
        gear: ratio of the wheel to the crank where a segment names none.
        loss: drivetrain loss, watts and percent.
        loop: begin again after the last segment; else the rider then stops.
        keep: keep the whole ride, not only the last quarter of an hour.
        holds: what `holds` of an earlier ride said: the trainer asks for the same again.
    """

    def __init__(
        self,
        segments: Sequence[Segment],
        habits: Habits,
        seed: str,
        gear: float = 2.94,
        loss: tuple[float, float] = (2.6, 1.0),
        loop: bool = False,
        keep: bool = False,
        holds: Sequence[tuple[int, float | None]] = (),
    ) -> None:
        self._habits = habits
        self.loss = loss[0], loss[1] / 100.0
        """Drivetrain loss: watts, and share of the power."""
        self.ripple = habits.ripple
        self._loop, self._keep = loop, keep
        self._blocks: list[_Block] = []
        at = 0.0
        for segment in segments:
            ratio = gear_ratio(segment.gear) or gear
            self._blocks.append(_Block(segment, at, at + segment.seconds, ratio))
            at += segment.seconds
        self.length_s = at
        self._block = 0
        self._lap_s = 0.0
        chance = random.Random(f"{seed} rider")
        self._fast, self._slow = Wander(_FAST_S, chance), Wander(_SLOW_S, chance)
        self._spin, self._free = Wander(_CADENCE_S, chance), Wander(_FREE_S, chance)
        self._lean = Wander(_SHARE_S, chance)
        self._odd = HARMONIC_1 * habits.ripple / _TWO_PI
        self._even = HARMONIC_2 * habits.ripple / _FOUR_PI
        self._strokes = Strokes(habits.stroke, habits.ripple)
        self._usual_shape = Strokes((), habits.ripple).at(0.0)
        self.held_w: float | None = None
        self._intended_w = 0.0
        self._pieces: list[Piece] = []
        self._first = 0
        self._next_start = (0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0)
        self.holds: list[tuple[int, float | None]] = []
        """Each call of `hold`: number of the first piece that it concerns, and the power in W."""
        self._replayed = dict(holds)

    # -- the ride is made ---------------------------------------------------------------

    @property
    def pieces_made(self) -> int:
        """How many pieces the ride has."""
        return self._first + len(self._pieces)

    def hold(self, power_w: float | None) -> None:
        """From the next piece on the trainer asks for this power at the crank; None: for none."""
        self.held_w = power_w
        self.holds.append((self.pieces_made, power_w))

    def extend(self, t_s: float) -> None:
        """Ride on until the ride covers `t_s`."""
        while self.pieces_made * PIECE_S <= t_s:
            self._ride_piece()

    def _present_block(self, t_s: float) -> _Block | None:
        while self._block < len(self._blocks) and t_s - self._lap_s >= self._blocks[self._block].end_s:
            self._block += 1
            if self._loop and self._block == len(self._blocks):
                self._block = 0
                self._lap_s += self.length_s
        return self._blocks[self._block] if self._block < len(self._blocks) else None

    def _ride_piece(self) -> None:
        habits = self._habits
        if self.pieces_made in self._replayed:
            self.hold(self._replayed[self.pieces_made])
        t_0 = self.pieces_made * PIECE_S
        middle = t_0 + PIECE_S / 2.0
        fast, slow, free = self._fast.step(), self._slow.step(), self._free.step()
        spin, lean = self._spin.step(), self._lean.step()
        block = self._present_block(middle)
        gear = block.gear if block is not None else 1.0
        power_w, rpm, roll_s = 0.0, 0.0, _ROLL_OUT_S
        if block is not None and not (block.segment.coast or block.segment.stand):
            into_s = middle - self._lap_s - block.start_s
            asked_w, rpm = self._asked(block.segment, into_s, free)
            unsteady = habits.variability_percent / 100.0
            rise_s = _RISE_S
            if self.held_w is not None:
                asked_w, unsteady, rise_s = self.held_w, unsteady / 2.0, _HELD_S
            self._intended_w += (asked_w - self._intended_w) * (1.0 - math.exp(-PIECE_S / rise_s))
            power_w = max(0.0, self._intended_w * (1.0 + unsteady * (0.8 * fast + 0.6 * slow)))
            rpm = max(10.0, rpm + habits.cadence_variability_rpm * spin)
        else:
            self._intended_w = 0.0
            if block is not None and block.segment.stand:
                roll_s = _BRAKED_S
        self._append(t_0, power_w, rpm / 60.0, lean, gear, roll_s)

    def _asked(self, segment: Segment, into_s: float, free: float) -> tuple[float, float]:
        """Power in W and cadence in rpm that a segment asks for, `into_s` after its start."""
        habits = self._habits
        through = into_s / segment.seconds
        cadence = segment.cadence_rpm if segment.cadence_rpm is not None else habits.cadence_rpm
        rpm = cadence[0] + (cadence[1] - cadence[0]) * through if isinstance(cadence, tuple) else cadence
        if segment.target_w is not None:
            return segment.target_w, rpm
        if segment.ramp_w is not None:
            low, high = segment.ramp_w
            return low + (high - low) * through, rpm
        if segment.over_under_w is not None:
            return segment.over_under_w[int(2.0 * into_s / segment.period_s) % 2], rpm
        if segment.sprint is not False:
            peak_w = habits.sprint_w if segment.sprint is True else float(segment.sprint)
            rise = 1.0 - math.exp(-into_s / _SPRINT_RISE_S)
            return peak_w * rise * math.exp(-into_s / _SPRINT_FADE_S), rpm + _SPRINT_EXTRA_RPM * rise
        mean_w = habits.free_w if segment.free is True else float(segment.free)
        return max(0.0, mean_w * (1.0 + _FREE_SPREAD * free)), rpm

    def _append(
        self, t_0: float, power_w: float, rate: float, lean: float, gear: float, roll_s: float
    ) -> None:
        crank_0, crank_rate_0, left_0, right_0, hub_0, wheel_0, wheel_rate_0 = self._next_start
        faster = crank_rate_0 + _SPIN_UP_RPM_PER_S / 60.0 * PIECE_S
        slower = crank_rate_0 - _SPIN_DOWN_RPM_PER_S / 60.0 * PIECE_S
        crank_rate_1 = max(0.0, min(max(rate, slower), faster))
        turned = (crank_rate_0 + crank_rate_1) / 2.0 * PIECE_S
        left_per_rev = right_per_rev = 0.0
        kept = 0.0
        if turned > 0.0 and power_w > 0.0:
            per_rev = min(power_w * PIECE_S / turned, _TWO_PI * _GREATEST_TORQUE_NM)
            power_w = per_rev * turned / PIECE_S
            share = self._habits.left_share + self._habits.left_share_per_100w * (power_w - 200.0) / 100.0
            share = min(0.95, max(0.05, share + _SHARE_SPREAD * lean))
            left_per_rev, right_per_rev = per_rev * share, per_rev * (1.0 - share)
            kept = max(0.0, 1.0 - self.loss[1] - self.loss[0] / power_w)
        wheel_rate_1 = max(crank_rate_1 * gear, wheel_rate_0 * math.exp(-PIECE_S / roll_s))
        if wheel_rate_1 < 0.05:
            wheel_rate_1 = 0.0
        odd_0, even_0 = self._ripple(crank_0)
        shape = self._strokes.at(t_0 + PIECE_S / 2.0) if self._habits.stroke else None
        piece = Piece(
            t_0, crank_0, crank_rate_0, (crank_rate_1 - crank_rate_0) / (2.0 * PIECE_S),
            left_0, right_0, left_per_rev, right_per_rev, odd_0, even_0,
            kept, hub_0, wheel_0, wheel_rate_0, (wheel_rate_1 - wheel_rate_0) / (2.0 * PIECE_S),
            shape,
            shape.turned("left", own_revs("left", crank_0)) if shape is not None else 0.0,
            shape.turned("right", own_revs("right", crank_0)) if shape is not None else 0.0,
        )  # fmt: skip
        self._pieces.append(piece)
        left_1, right_1 = self._work(piece, crank_0 + turned)
        self._next_start = (
            crank_0 + turned,
            crank_rate_1,
            left_1,
            right_1,
            hub_0 + kept * (left_1 - left_0 + right_1 - right_0),
            wheel_0 + (wheel_rate_0 + wheel_rate_1) / 2.0 * PIECE_S,
            wheel_rate_1,
        )
        if not self._keep and len(self._pieces) >= 2 * _KEPT_PIECES:
            del self._pieces[:_KEPT_PIECES]
            self._first += _KEPT_PIECES

    # -- the ride is asked --------------------------------------------------------------

    def _ripple(self, revs: float) -> tuple[float, float]:
        """Integral of the ripple's odd and even part at this angle, in revolutions."""
        angle = _TWO_PI * (revs - 0.25)
        sine, cosine = math.sin(angle), math.cos(angle)
        return self._odd * sine, self._even * 2.0 * sine * cosine

    def _work(self, piece: Piece, revs: float) -> tuple[float, float]:
        if piece.shape is not None:
            return self._shaped_work(piece, piece.shape, revs)
        odd, even = self._ripple(revs)
        odd -= piece.odd_0
        common = revs - piece.crank_0 + even - piece.even_0
        return (
            piece.left_0 + piece.left_per_rev * (common + odd),
            piece.right_0 + piece.right_per_rev * (common - odd),
        )

    @staticmethod
    def _shaped_work(piece: Piece, shape: Shape, revs: float) -> tuple[float, float]:
        turned = revs - piece.crank_0
        left = shape.turned("left", own_revs("left", revs)) - piece.left_ripple_0
        right = shape.turned("right", own_revs("right", revs)) - piece.right_ripple_0
        return (
            piece.left_0 + piece.left_per_rev * (turned + left),
            piece.right_0 + piece.right_per_rev * (turned + right),
        )

    def shape(self, t_s: float) -> Shape:
        """How the torque of both legs lies in the turn."""
        return self._piece(t_s).shape or self._usual_shape

    def mean_torque_nm(self, t_s: float) -> tuple[float, float]:
        """Torque of the left and the right leg, the ripple taken out, N·m."""
        piece = self._piece(t_s)
        return piece.left_per_rev / _TWO_PI, piece.right_per_rev / _TWO_PI

    def _piece(self, t_s: float) -> Piece:
        at = int(t_s / PIECE_S) - self._first
        if at < 0:
            raise IndexError(f"{t_s} s is no longer kept")
        return self._pieces[at]

    def crank_revs(self, t_s: float) -> float:
        """Revolutions of the crank since the start."""
        piece = self._piece(t_s)
        s = t_s - piece.t_0
        return piece.crank_0 + s * (piece.crank_rate_0 + s * piece.crank_half_slope)

    def crank_rate(self, t_s: float) -> float:
        """Revolutions of the crank per second."""
        piece = self._piece(t_s)
        return piece.crank_rate_0 + 2.0 * (t_s - piece.t_0) * piece.crank_half_slope

    def work_j(self, t_s: float) -> tuple[float, float]:
        """Work of the left and the right leg since the start, J."""
        return self._work(self._piece(t_s), self.crank_revs(t_s))

    def wheel_revs(self, t_s: float) -> float:
        """Revolutions of the wheel since the start."""
        piece = self._piece(t_s)
        s = t_s - piece.t_0
        return piece.wheel_0 + s * (piece.wheel_rate_0 + s * piece.wheel_half_slope)

    def wheel_rate(self, t_s: float) -> float:
        """Revolutions of the wheel per second."""
        piece = self._piece(t_s)
        return piece.wheel_rate_0 + 2.0 * (t_s - piece.t_0) * piece.wheel_half_slope

    def hub_work_j(self, t_s: float) -> float:
        """Work that has reached the hub since the start, J."""
        piece = self._piece(t_s)
        left, right = self._work(piece, self.crank_revs(t_s))
        return piece.hub_0 + piece.kept * (left - piece.left_0 + right - piece.right_0)

    def crank_event(self, revs: float, piece: int = 0) -> CrankEvent:
        """When the crank reaches `revs` revolutions; search begins at a piece known to be not later.

        The ride must reach that far (IndexError).
        """
        at = max(piece - self._first, 0)
        pieces = self._pieces
        while True:
            here = pieces[at]
            last = at + 1 == len(pieces)
            if revs <= (self._next_start[0] if last else pieces[at + 1].crank_0):
                break
            at += 1
        s = _when(revs - here.crank_0, here.crank_rate_0, here.crank_half_slope)
        left, right = self._work(here, revs)
        return CrankEvent(here.t_0 + s, left, right, self._first + at)

    def wheel_event(self, revs: float, piece: int = 0) -> WheelEvent:
        """When the wheel reaches `revs` revolutions; as `crank_event`."""
        at = max(piece - self._first, 0)
        pieces = self._pieces
        while True:
            here = pieces[at]
            last = at + 1 == len(pieces)
            if revs <= (self._next_start[5] if last else pieces[at + 1].wheel_0):
                break
            at += 1
        s = _when(revs - here.wheel_0, here.wheel_rate_0, here.wheel_half_slope)
        crank = here.crank_0 + s * (here.crank_rate_0 + s * here.crank_half_slope)
        left, right = self._work(here, crank)
        hub = here.hub_0 + here.kept * (left - here.left_0 + right - here.right_0)
        return WheelEvent(here.t_0 + s, hub, self._first + at)


def _when(distance: float, rate: float, half_slope: float) -> float:
    """The time in which `rate` s + `half_slope` s^2 reaches `distance`, stable for slopes near zero."""
    if distance <= 0.0:
        return 0.0
    root = math.sqrt(max(0.0, rate * rate + 4.0 * half_slope * distance))
    return min(PIECE_S, 2.0 * distance / (rate + root)) if rate + root > 0.0 else PIECE_S
