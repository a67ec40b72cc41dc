"""A block: ten seconds of one instrument against its reference; whatever has a spread is made of them."""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal, NamedTuple

from monitor.finding import Side

BLOCK_S = 10
SILENT_SIDE_PART = 0.05
"""A side that makes no more than this part of another instrument's shows nothing: a battery that is empty, a
sensor that is lost (common practice, no source)."""
MIN_POWER_W = 30.0
"""Below this a ratio of powers says nothing of an instrument."""
LEAST_SIDE_W = MIN_POWER_W / 3
"""Below this a ratio of sides says nothing (common practice, no source)."""
LEAST_SIDE_PART = 0.15
"""A side that makes less of both is no measure of an instrument: riders of one leg leave a few percent to the
other, of which one step of a share is a third (common practice, no source)."""
LEAST_RPM, LEAST_TORQUE_W = 20.0, 5.0
"""Slower pedalling, or less power of what is compared, has no torque worth the name (common practice, no
source)."""
QUIET_PERCENT = 1.5
"""Blocks whose ends may move them by more tell nothing of torques (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Block:
    """Ten accepted seconds of one instrument against its reference, twenty around a change of load.

    Powers are crank-equivalent watts; `y` is the log ratio after the expected loss, `y_left`,
    `y_right` those of the sides.
    """

    end_s: int
    y: float
    power_w: float
    reference_w: float
    cadence_rpm: float | None
    edge_percent: float
    y_left: float | None = None
    y_right: float | None = None
    left_w: float | None = None
    right_w: float | None = None
    left_reference_w: float | None = None
    right_reference_w: float | None = None
    length_s: int = BLOCK_S

    @property
    def begin_s(self) -> int:
        """Its first second."""
        return self.end_s - self.length_s


class Torque(NamedTuple):
    """A block at its torque: reference torque (N·m), log ratio, cadence (rpm), and the block's end (s)."""

    reference_nm: float
    y: float
    cadence_rpm: float
    end_s: int


def torques_of(blocks: Sequence[Block], side: Side) -> Iterator[Torque]:
    """The blocks that tell a torque. For a side: that side's, its power over the same crank speed."""
    for b in blocks:
        if b.cadence_rpm is None or b.cadence_rpm < LEAST_RPM or b.edge_percent > QUIET_PERCENT:
            continue
        y: float | None
        reference_w: float | None
        if side == "total":
            y, reference_w = b.y, b.reference_w
        elif side == "left":
            y, reference_w = b.y_left, b.left_reference_w
        else:
            y, reference_w = b.y_right, b.right_reference_w
        if y is not None and reference_w is not None and reference_w > LEAST_TORQUE_W:
            yield Torque(reference_w / (math.tau * b.cadence_rpm / 60.0), y, b.cadence_rpm, b.end_s)


def silent_side(blocks: Sequence[Block]) -> Literal["left", "right"] | None:
    """The side that showed nothing in each of these blocks, while that of another instrument worked.

    None: neither, or both, or no block tells both. Fails for one that drops out for some seconds of each ten.
    """
    left = [(b.left_w, b.left_reference_w) for b in blocks]
    right = [(b.right_w, b.right_reference_w) for b in blocks]
    silent = _silent(left), _silent(right)
    return None if silent[0] == silent[1] else "left" if silent[0] else "right"


def _silent(powers_w: Sequence[tuple[float | None, float | None]]) -> bool:
    known = [(own, other) for own, other in powers_w if own is not None and other is not None]
    return bool(known) and all(
        other >= LEAST_SIDE_W and own <= SILENT_SIDE_PART * other for own, other in known
    )
