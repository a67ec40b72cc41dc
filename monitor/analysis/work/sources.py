"""Which kind of packet the work and the turns of an instrument are taken from."""

import math
from typing import NamedTuple

from monitor.analysis.work.showing import HELD_S

STAND_IN_S = 1.0
"""Seconds. So long the packets that know more are waited for, once others are heard again: four slots
of an ANT+ channel, in which a meter sends each of its pages (common practice, no source)."""
WEIGHT_LEFT = 0.97
"""Part of both accounts of work that is kept with each turn: 33 turns count, half a minute."""
WEIGHED_J = 2000.0
"""Joules. Both accounts are compared once one of them holds so much: ten seconds of easy riding."""

TORQUE, POWER_SUM, POWER = 3, 2, 1
"""Ranks of what a packet tells work by: the greater knows more."""


class _Band(NamedTuple):
    """Ratios between which two accounts of the same work agree."""

    low: float
    high: float


DOUBTED = _Band(0.8, 1.25)
"""A meter whose torque is further than this from its power accumulates otherwise than its profile says."""
TRUSTED_AGAIN = _Band(0.9, 1.1)
"""And is believed again within this: narrower, so that it does not flicker."""


class Sources:
    """Believes one kind of packet at a time, the one that knows most."""

    __slots__ = (
        "_crank",
        "_crank_s",
        "_power_j",
        "_rank",
        "_served_s",
        "_torque_j",
        "_without_s",
        "item",
        "trusts_torque",
    )

    def __init__(self) -> None:
        self.item = ""
        """The kind that serves for the work."""
        self._rank = 0
        self._served_s = -math.inf
        self._without_s = math.inf
        self._crank = ""
        self._crank_s = -math.inf
        self.trusts_torque = True
        self._torque_j = 0.0
        self._power_j = 0.0

    def serves(self, item: str, rank: int, t_s: float) -> bool:
        """Whether this kind of packet is the one that the work is taken from.

        A lesser kind stands in only when it has come for a second without the better one:
        after a silence of the radio either may be heard first, and only the better one's
        counters know all of it.
        """
        if item != self.item and rank <= self._rank:
            if t_s - self._served_s <= HELD_S:
                return False
            self._without_s = min(self._without_s, t_s)
            if t_s - self._without_s < STAND_IN_S:
                return False
        self.item, self._rank, self._served_s = item, rank, t_s
        self._without_s = math.inf
        return True

    @property
    def counts_work(self) -> bool:
        """Whether its work is made of counters, and not of the power that it shows."""
        return self._rank == POWER_SUM or (self._rank == TORQUE and self.trusts_torque)

    def serves_turns(self, item: str, t_s: float) -> bool:
        """Whether this kind of packet is the one that turns of the crank are taken from."""
        if item == self._crank or t_s - self._crank_s > HELD_S:
            self._crank = item
            self._crank_s = t_s
            return True
        return False

    def weigh(self, torque_j: float, power_j: float) -> None:
        """Compare both accounts of the same work: not every meter accumulates as its profile says."""
        self._torque_j = WEIGHT_LEFT * self._torque_j + torque_j
        self._power_j = WEIGHT_LEFT * self._power_j + power_j
        if self._power_j > WEIGHED_J or self._torque_j > WEIGHED_J:
            ratio = self._torque_j / self._power_j if self._power_j > 0.0 else math.inf
            band = DOUBTED if self.trusts_torque else TRUSTED_AGAIN
            self.trusts_torque = band.low < ratio < band.high
