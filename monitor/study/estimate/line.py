"""The line of one instrument's torque over another's, with what a drivetrain's loss leaves open of it."""

import math
from typing import NamedTuple

import numpy as np

from monitor.analysis.expected import LOSS_SPREAD
from monitor.study.estimate.sure import GainZero, gain_and_zero
from monitor.study.grid import Bools
from monitor.study.parts.common import Shared
from monitor.study.results import rounded

NO_LINE = (None, None, None, None)


class Line(NamedTuple):
    """A line of torques, and what a drivetrain's loss leaves open of gain and zero offset (N·m)."""

    fit: GainZero
    loss_gain: float
    loss_nm: float
    low_nm: float
    high_nm: float

    @property
    def apart(self) -> bool:
        """Whether gain and zero can be told apart."""
        return self.fit.apart

    @property
    def u_gain(self) -> float:
        """95 % half-width of the gain."""
        return math.hypot(self.fit.t * self.fit.sd_gain, 1.96 * self.loss_gain)

    @property
    def u_offset_nm(self) -> float:
        """95 % half-width of the zero offset."""
        return math.hypot(self.fit.t * self.fit.sd_offset_nm, 1.96 * self.loss_nm)

    @property
    def rounded(self) -> tuple[float, float, float, float]:
        """Gain and zero offset, each followed by its half-width."""
        return (
            rounded(self.fit.gain, 5), rounded(self.u_gain, 5),
            rounded(self.fit.offset_nm, 4), rounded(self.u_offset_nm, 4),
        )  # fmt: skip


def line_over(shared: Shared, i: int, mask: Bools) -> Line | None:
    """Torque of instrument `i` over that of its reference in these blocks; None where no line can be laid."""
    blocks, grid = shared.blocks[i], shared.grid
    x = blocks.torque_nm
    good = np.isfinite(x) & mask
    x = x[good]
    fit = gain_and_zero(
        x, blocks.y[good], blocks.begin_s[good], blocks.segment[good],
        shared.noise[i],
    )  # fmt: skip
    if fit is None:
        return None
    # The loss model is known to a fifth: its watts look like an offset, its percent like a gain.
    loss_w = max(grid.losses[i].watts, grid.base_loss(i).watts)
    loss_percent = max(grid.losses[i].percent, grid.base_loss(i).percent)
    omega = float(np.mean(blocks.reference_w[good] / x))
    return Line(
        fit, LOSS_SPREAD * loss_percent / 100.0, LOSS_SPREAD * loss_w / omega, float(x.min()), float(x.max())
    )
