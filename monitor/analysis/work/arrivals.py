"""When the packets of one instrument come: their pace, silences, and what was kept back in them."""

import math

BURST_S = 0.1
"""Seconds. Packets nearer to each other than this were kept back and come at once: no profile sends more
than 8 a second, and a connection event of Bluetooth is at most 4 s, its packets some milliseconds apart
(common practice, no source)."""
PACE_S = 1.0
"""Seconds between packets, until their own is known: the usual second."""
PACE_LIMIT_S = 3.0
"""Seconds. A longer silence is no pace."""
PACE_WEIGHT = 0.1
"""Weight of each new time between packets in the usual one."""
STALL = 1.6
"""So many paces (of `STALL_PACE_S` at least) without a packet are a silence, behind which others may come."""
STALL_PACE_S = 0.9
CATCHES_UP = 0.8
"""Part of its pace. Packets of a backlog come faster than this, live ones jitter by less (common practice,
no source)."""


class Arrivals:
    """Tells packets that come on their own from those that a radio or a computer kept back."""

    __slots__ = ("_burst_n", "_pace_s", "bursts", "gap_s", "stalled_s")

    def __init__(self) -> None:
        self._pace_s = PACE_S
        self.bursts, self._burst_n = False, 0
        """What was kept back in a silence is still coming, and so many packets of it have come."""
        self.gap_s = 0.0
        """The silence before the packets that came last, at once or alone, seconds."""
        self.stalled_s = -math.inf
        """When the last silence ended: what repeats its last event then may be an old packet."""

    def hear(self, t_s: float, gap_s: float) -> bool:
        """Take a packet that came `gap_s` after the one before; False: it came at once with that one, or
        was kept back with it."""
        self._burst_n += 1
        if gap_s < BURST_S or (self.bursts and self._catches_up(gap_s)):
            return False
        self.gap_s = gap_s
        pace_s = self._pace_s
        self.bursts, self._burst_n = False, 0
        if gap_s > STALL * (pace_s if pace_s > STALL_PACE_S else STALL_PACE_S):
            self.stalled_s, self.bursts = t_s, True
        if gap_s < PACE_LIMIT_S:
            self._pace_s = pace_s + PACE_WEIGHT * (gap_s - pace_s)
        return True

    @property
    def alone(self) -> bool:
        """Whether the last packet came at its own time, neither kept back nor with another."""
        return not self.bursts and not self._burst_n

    def _catches_up(self, gap_s: float) -> bool:
        """Whether a packet is one of those kept back, though it did not come at once with the one before.

        A computer that is too slow gives them one after the other: faster than they are sent, and no more
        than the silence had room for. Taking the next one after a true loss for such a one costs nothing.
        """
        return gap_s < CATCHES_UP * self._pace_s and self._burst_n * self._pace_s < self.gap_s
