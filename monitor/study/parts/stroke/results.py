"""What a study tells of the stroke, as plain values. Angles: degrees of a leg's own crank, 0 up, 90 forward.

What is the sum of both legs goes by the left crank; its peaks are those of the legs. None: not known.
"""

from collections.abc import Collection
from typing import Literal

import msgspec

from monitor.analysis.stroke.circular import wrapped
from monitor.analysis.stroke.series import Method, Side
from monitor.analysis.stroke.shape import BINS


class SideStroke(msgspec.Struct, frozen=True):
    """One side over a stretch. `peak_spread_deg` is from one ten seconds to the next (circular standard
    deviation), all `u95` are 95 % half-widths of the means.

    `shape` is torque over its mean in equal parts of the turn, the first one from 0 degrees on.
    """

    side: Side
    peak_deg: float | None
    peak_u95_deg: float | None
    peak_spread_deg: float | None
    phase_start_deg: float | None = None
    phase_end_deg: float | None = None
    effectiveness_percent: float | None = None
    effectiveness_u95_percent: float | None = None
    smoothness_percent: float | None = None
    smoothness_u95_percent: float | None = None
    shape: list[float | None] | None = None
    shape_u95: list[float | None] | None = None


class Stroke(msgspec.Struct, frozen=True):
    """One instrument over one stretch: a state, or a segment after settling.

    `of` is `state` or `segment`; a state here also ends where the stroke itself changed. `blocks` are
    tens of seconds with something reported. Seconds seated and standing are None if never reported.
    """

    instrument: str
    of: Literal["state", "segment"]
    name: str
    from_s: float
    to_s: float
    method: Method | None
    blocks: int
    sides: list[SideStroke]
    seated_s: float | None = None
    standing_s: float | None = None


class ShapeEffect(msgspec.Struct, frozen=True):
    """Whether an instrument's deviation follows the stroke, within its state as left.

    `source` is who reports the stroke; it is empty for a position that the tester noted.
    `change_percent` is how much more it deviates for each `unit` more, torque and cadence held equal.
    """

    instrument: str
    source: str
    by: Literal["effectiveness", "peak angle", "standing"]
    unit: str
    blocks: int
    low: float
    high: float
    change_percent: float
    u95_percent: float | None
    verdict: Literal["depends", "does not", "undecided"]


class VectorCount(msgspec.Struct, frozen=True):
    """Packets with vectors of one instrument: received, lost, and received without a sure angle."""

    instrument: str
    packets: int
    lost_packets: int
    unplaced_packets: int


class StrokeStudy(msgspec.Struct, frozen=True):
    """Everything of the stroke in one session."""

    stretches: list[Stroke]
    effects: list[ShapeEffect]
    vectors: list[VectorCount]

    def wrong(self, known: Collection[str]) -> str:
        """Why this can't be of a session with these instruments; empty if it can."""
        rows: tuple[Stroke | ShapeEffect | VectorCount, ...] = (*self.stretches, *self.effects, *self.vectors)
        if any(row.instrument not in known for row in rows):
            return "its strokes are of instruments that it does not know"
        if any(
            shape is not None and len(shape) != BINS
            for stroke in self.stretches
            for side in stroke.sides
            for shape in (side.shape, side.shape_u95)
        ):
            return f"a stroke has not {BINS} parts of the turn"
        return ""


class RiderStroke(msgspec.Struct, frozen=True):
    """The rider's stroke on both sides of a change, by `source`; None: only the unit itself reports any.

    `peak_*` are of `side`, the one that moved most. `others` are the changes of peak angle that
    further instruments show, with their 95 %: they have zeros of their own. `confirmed`: False where they
    contradict the source, so that it can't be told whether the rider moved. `alike`: cadence and power were
    the same before and after; `both_sides`: the peaks of both legs are known.
    """

    source: str | None
    side: Side | None = None
    peak_before_deg: float | None = None
    peak_after_deg: float | None = None
    peak_u95_deg: float | None = None
    others: dict[str, tuple[float, float]] = {}
    confirmed: bool = True
    alike: bool = False
    both_sides: bool = False
    share_source: str | None = None
    share_before_percent: float | None = None
    share_after_percent: float | None = None
    effectiveness_change_points: float | None = None
    effectiveness_u95_points: float | None = None
    smoothness_change_points: float | None = None
    smoothness_u95_points: float | None = None
    position_before: str | None = None
    position_after: str | None = None
    unit_side: str | None = None
    unit_change_percent: float | None = None
    unit_u95_percent: float | None = None

    @property
    def peak_change_deg(self) -> float | None:
        """By how much the peak moved, degrees; None where it is not known or contradicted."""
        if self.peak_before_deg is None or self.peak_after_deg is None or not self.confirmed:
            return None
        return round(wrapped(self.peak_after_deg - self.peak_before_deg), 1) + 0.0
