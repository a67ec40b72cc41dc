"""A block: ten seconds of one instrument against its reference; whatever has a spread is made of them."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

BLOCK_S = 10
SILENT_PART = 0.05
"""A side that makes no more than this part of another instrument's shows nothing: a battery that is empty, a
sensor that is lost (common practice, no source)."""
MIN_POWER_W = 30.0
"""Below this a ratio of powers says nothing of an instrument."""
LEAST_SIDE_W = MIN_POWER_W / 3
"""Below this a ratio of sides says nothing (common practice, no source)."""
LEAST_SIDE_PART = 0.15
"""A side that makes less of both is no measure of an instrument: riders of one leg leave a few percent to the
other, of which one step of a share is a third (common practice, no source)."""


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
    return bool(known) and all(other >= LEAST_SIDE_W and own <= SILENT_PART * other for own, other in known)
