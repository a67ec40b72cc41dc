"""The stroke of one instrument over a session: seconds as arrays, and ten of them as a block."""

import math
from collections.abc import Mapping, Sequence
from typing import Literal, NamedTuple

import numpy as np

from monitor.analysis.block import BLOCK_S
from monitor.analysis.statistics import Floats
from monitor.analysis.stroke.circular import Direction, direction, resultant
from monitor.analysis.stroke.shape import BINS, COUNT, Fit, fit, relative
from monitor.analysis.stroke.track import FACT_HELD_S, POSITION_HELD_S, StrokeSecond, peak_of
from monitor.analysis.stroke.vector import Vectors

Method = Literal["vector", "peak phase", "extreme angle"]
"""What an angle of peak torque is told by."""
Side = Literal["left", "right", "both", "unknown"]
"""Whose torque it is; `both`: the sum of two legs, by the left crank."""
LEAST_VALUES = 60
"""Values of a block of vectors: six a second, with fewer its shape is a guess."""
LEAST_SECONDS = 1
"""Seconds of a block in which an angle was reported: pages come in turn, each tells of a whole turn."""
LEAST_SHARE = 0.8
"""A block is seated or standing if so much of it is."""
STEP_U95_DEG: Mapping[Method, float] = {
    # Half a step is a rectangular distribution: 1.96 / sqrt(3) of it. The middle of two ends has less.
    "vector": 1.96 * 0.5 / math.sqrt(3.0),
    "peak phase": 1.96 * 0.5 * (360.0 / 256.0) / math.sqrt(6.0),
    "extreme angle": 1.96 * 0.5 / math.sqrt(3.0),
}
"""What the steps of an angle leave open, degrees: 1 in vectors and extremes, 360/256 in phases."""
LEFT_PLACES, RIGHT_PLACES = ("left crank", "left pedal"), ("right crank", "right pedal")


class SideBlock(NamedTuple):
    """One side in one block; nan: not known. `shape` is torque over its mean by bins, or None."""

    peak_deg: float
    effectiveness_percent: float
    smoothness_percent: float
    phase_start_deg: float
    phase_end_deg: float
    shape: Floats | None


class Block(NamedTuple):
    """Ten seconds: what each side did, and `seated`, `standing` or nothing if it was neither for long."""

    begin_s: int
    sides: dict[Side, SideBlock]
    position: str


class Arrays(NamedTuple):
    """Second by second what was reported of the stroke: what a `Series` is made of.

    `shapes` has shape (seconds, 3, BINS), or is None; `facts` and `peaks` (the middle of the peak power
    phase of a side, degrees) hold nan where nothing came; `position` holds words, held until the next.
    """

    shapes: Floats | None
    facts: dict[str, Floats]
    peaks: dict[Side, Floats]
    position: "np.ndarray[tuple[int], np.dtype[np.str_]]"


def arrays_of(seconds: int, rows: Sequence[tuple[int, StrokeSecond]]) -> Arrays:
    """The seconds in which something was reported, laid into arrays."""
    found = Arrays(None, {}, {}, np.full(seconds, "", dtype="U14"))
    shapes: Floats | None = None
    sides: tuple[Side, Side] = ("left", "right")
    for second, row in rows:
        if not 0 <= second < seconds:
            continue
        if row.shape is not None:
            if shapes is None:
                shapes = np.zeros((seconds, 3, BINS), dtype=np.float32)
            shapes[second] = row.shape
        for name, value in row.facts.items():
            if name not in found.facts:
                found.facts[name] = np.full(seconds, np.nan)
            found.facts[name][second] = value
        for side in sides:
            if (peak := peak_of(row.facts, side)) is not None:
                found.peaks.setdefault(side, np.full(seconds, np.nan))[second] = peak
        if row.position:
            found.position[second] = row.position
    _hold(found.position, int(POSITION_HELD_S))
    return found._replace(shapes=shapes)


class Series:
    """What an instrument reported of the stroke.

    `seconds` is the length of the session; `place` the word for where its sensor sits, `measures` the
    bench's word for its sides.
    """

    def __init__(
        self,
        seconds: int,
        rows: Sequence[tuple[int, StrokeSecond]] | Arrays,
        vectors: Vectors,
        place: str,
        measures: str,
    ) -> None:
        self.seconds, self.vectors, self.place, self.measures = seconds, vectors, place, measures
        self.arrays = rows if isinstance(rows, Arrays) else arrays_of(seconds, rows)
        self.shapes, self.facts, self.peaks, self.position = self.arrays
        self.vector_side: Side | None = self._vector_side(place, measures)
        self.method: Method | None = self._method()
        self._blocks: dict[int, Block | None] = {}

    def _vector_side(self, place: str, measures: str) -> Side | None:
        """Whose torque the vectors are: with two lobes the sum, else of the side on which the sensor sits."""
        found = self._whole()
        if found is None:
            return None
        if found.is_sum:
            return "both"
        if place in LEFT_PLACES or (measures == "left" and place not in RIGHT_PLACES):
            return "left"
        return "right" if place in RIGHT_PLACES or measures == "right" else "unknown"

    def _whole(self) -> Fit | None:
        return None if self.shapes is None else fit(self.shapes.sum(axis=0))

    def _method(self) -> Method | None:
        if self.vector_side is not None:
            return "vector"
        if self.peaks:
            return "peak phase"
        return "extreme angle" if "max_torque_angle_deg" in self.facts else None

    @property
    def step_u95_deg(self) -> float:
        """What the steps of its angles leave open, degrees."""
        return STEP_U95_DEG[self.method] if self.method is not None else 0.0

    @property
    def sides(self) -> tuple[Side, ...]:
        """The sides that anything is known of; `both` only where no side is."""
        found: set[Side] = set()
        if self.method == "vector" and self.vector_side is not None:
            found |= {"left", "right"} if self.vector_side == "both" else {self.vector_side}
        elif self.method == "peak phase":
            found |= set(self.peaks)
        elif self.method == "extreme angle":
            found |= {self._one_side} if self._one_side else {"left", "right"}
        each: tuple[Side, Side] = ("left", "right")
        for side in each:
            if (
                f"{side}_torque_effectiveness_percent" in self.facts
                or f"{side}_pedal_smoothness_percent" in self.facts
            ):
                found.add(side)
        if self.vector_side == "both" or "pedal_smoothness_percent" in self.facts:
            found.add("both")
        order: tuple[Side, ...] = ("left", "right", "both", "unknown")
        return tuple(side for side in order if side in found)

    @property
    def _one_side(self) -> Side | None:
        """The side of an instrument that measures one only."""
        return "left" if self.measures == "left" else "right" if self.measures == "right" else None

    def peak(self, blocks: Sequence[Block], side: Side) -> Direction | None:
        """The mean angle of peak torque of a side over some blocks; None where it is not known."""
        values = np.array([b.sides[side].peak_deg for b in blocks if side in b.sides])
        return direction(values, self.step_u95_deg)

    def held(self, name: str) -> Floats:
        """A fact second by second, held until the next report or FACT_HELD_S."""
        values = self.facts[name].copy()
        _hold(values, int(FACT_HELD_S))
        return values

    def peak_about(self, second: int, seconds: int, side: Side) -> float:
        """The angle of peak torque in some seconds about one, degrees; nan where it is not known there."""
        rows = slice(max(0, second - seconds // 2), min(self.seconds, second + seconds // 2 + 1))
        found = None
        if self.method == "vector" and self.shapes is not None:
            if not self.shapes[second, COUNT].sum():
                return math.nan
            found = fit(self.shapes[rows].sum(axis=0))
        if self.method == "peak phase" and side in self.peaks:
            return _direction_of(self.peaks[side][rows], 1)
        return self._peak(side, rows, found)

    def blocks(self, from_s: float, to_s: float) -> list[Block]:
        """Blocks that lie wholly in a stretch, laid from its beginning on, with something reported."""
        begin, end = max(0, math.ceil(from_s)), min(self.seconds, math.floor(to_s))
        found = (self.block(at) for at in range(begin, end - BLOCK_S + 1, BLOCK_S))
        return [block for block in found if block is not None]

    def block(self, begin_s: int) -> Block | None:
        """The block that begins there; None if nothing was reported in it."""
        if begin_s not in self._blocks:
            self._blocks[begin_s] = self._block(begin_s)
        return self._blocks[begin_s]

    def _block(self, begin_s: int) -> Block | None:
        rows = slice(begin_s, begin_s + BLOCK_S)
        shape = None if self.shapes is None else self.shapes[rows].sum(axis=0)
        if shape is not None and shape[COUNT].sum() < LEAST_VALUES:
            shape = None
        found = None if shape is None else fit(shape)
        drawn = None if shape is None or found is None else relative(shape)
        sides: dict[Side, SideBlock] = {}
        for side in self.sides:
            whole = found if side == self.vector_side else None
            own = None if whole is None or side == "both" else whole
            phase = own.phase() if own is not None else None
            block = SideBlock(
                self._peak(side, rows, found),
                self._mean(
                    f"{side}_torque_effectiveness_percent", rows, own.effectiveness_percent if own else None
                ),
                self._mean(_smoothness(side), rows, own.smoothness_percent if own else None),
                self._angle(f"{side}_power_phase_start_deg", rows, phase[0] if phase else None),
                self._angle(f"{side}_power_phase_end_deg", rows, phase[1] if phase else None),
                drawn if whole is not None else None,
            )
            if block.shape is not None or any(math.isfinite(v) for v in block[:5]):
                sides[side] = block
        words = self.position[rows]
        position = next((w for w in ("seated", "standing") if (words == w).mean() >= LEAST_SHARE), "")
        return Block(begin_s, sides, position) if sides or position else None

    def _peak(self, side: Side, rows: slice, found: Fit | None) -> float:
        if self.method == "vector":
            if found is None or side == "both":
                return math.nan
            if self.vector_side != "both":
                return found.peak() % 360.0 if side == self.vector_side else math.nan
            return found.peak(0.0, 180.0) if side == "left" else found.peak(180.0, 360.0) - 180.0
        if self.method == "peak phase":
            return _direction_of(self.peaks[side][rows]) if side in self.peaks else math.nan
        if self.method == "extreme angle":
            angles = self.facts["max_torque_angle_deg"][rows] % 360.0
            if self._one_side is not None or side not in ("left", "right"):
                return _direction_of(angles) if side == self._one_side else math.nan
            # Of the sum of both legs the stronger one has the peak: each has its half of the turn.
            with np.errstate(invalid="ignore"):
                mine = angles[(angles < 180.0) if side == "left" else (angles >= 180.0)]
            return _direction_of(mine if side == "left" else mine - 180.0)
        return math.nan

    def _mean(self, name: str, rows: slice, else_value: float | None) -> float:
        if name not in self.facts:
            return math.nan if else_value is None else else_value
        values = self.facts[name][rows]
        good = values[np.isfinite(values)]
        return float(good.mean()) if len(good) else math.nan

    def _angle(self, name: str, rows: slice, else_value: float | None) -> float:
        if name in self.facts:
            return _direction_of(self.facts[name][rows])
        return math.nan if else_value is None else else_value


def _smoothness(side: Side) -> str:
    return "pedal_smoothness_percent" if side == "both" else f"{side}_pedal_smoothness_percent"


def _direction_of(angles: Floats, least: int = LEAST_SECONDS) -> float:
    good = angles[np.isfinite(angles)]
    return resultant(good)[0] if len(good) >= least else math.nan


def _hold(values: "np.ndarray[tuple[int], np.dtype[np.generic]]", seconds: int) -> None:
    """Fill what is empty with what was last known, for so many seconds at most."""
    known = values != "" if values.dtype.kind == "U" else np.isfinite(values)
    last = np.maximum.accumulate(np.where(known, np.arange(len(values)), -1))
    age = np.arange(len(values)) - last
    use = (last >= 0) & (age > 0) & (age < seconds)
    values[use] = values[last[use]]
