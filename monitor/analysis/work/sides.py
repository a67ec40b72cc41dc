"""How one instrument shares its work between the sides."""

import math

from monitor.analysis.work.showing import HELD_S

SWING = 0.16
"""No rider's share moves by so much from one revolution to the next (common practice, no source)."""
SWING_S = 1.6
"""Seconds. Two shares so near to each other are of neighbouring revolutions (38 rpm and more)."""
SWUNG_S = 2.0
"""Seconds after a swing for which one reading alone is no whole revolution."""
STEP_ANT, STEP_BLUETOOTH = 0.01, 0.005
"""Steps in which shares are told: ANT+ power profile, Bluetooth Cycling Power Service."""


class Sides:
    """The share of the left side (0..1) as it was reported last.

    `measured` is the bench's word on what it measures: the total of a one-sided meter is twice its side.
    """

    __slots__ = ("_reported", "_swung_s", "left_share", "one", "share_s", "step")

    def __init__(self, measured: str) -> None:
        self.one = measured in ("left", "right")
        self.left_share: float | None = None
        self._reported: float | None = None
        self._swung_s = -math.inf
        self.share_s = -math.inf
        self.step = STEP_BLUETOOTH

    def take(self, share: float, step: float, t_s: float) -> None:
        """A share of the left side. A meter that doesn't share out whole revolutions tells one that swings
        about the rider's own, from one reading to the next: two together are nearer to whole revolutions.
        """
        last = self._reported
        swings = last is not None and t_s - self.share_s < SWING_S and abs(share - last) > SWING
        if swings and last is not None:
            self.left_share = 0.5 * (last + share)
            self._swung_s = t_s
        elif t_s - self._swung_s > SWUNG_S:
            self.left_share = share
        # Else the other half was missed, or the same one came again.
        self._reported = share
        self.share_s = t_s
        self.step = step

    def share(self, t_s: float) -> float | None:
        """The left side's part of work that is told at `t_s`; None: not known."""
        if self.one:
            return 0.5
        return None if t_s - self.share_s > HELD_S else self.left_share
