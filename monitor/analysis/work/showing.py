"""What one instrument last showed, and when."""

import math

HELD_S = 3.0
"""Seconds. A power reading vouches for at most this long before it (common practice, no source)."""
PEDALLED_W = 10.0
"""Watts. Less is what a trainer shows while nobody rides, and no rider keeps (common practice, no source)."""
PEDALLED_RPM = 20.0
"""Revolutions per minute. No rider pedals slower for long (common practice, no source)."""
TAIL = 0.5
"""A power below this part of what was shown just before may be the tail of a mean, not pedalling."""
TAIL_PER_S = 0.75
"""Part of the power shown before that is left after each second, as it is forgotten: three seconds, over
which meters smooth (common practice, no source), leave less than `TAIL`."""


class Showing:
    """What was last shown of power, turns and counters; all times are host seconds."""

    __slots__ = (
        "_level_s",
        "_level_w",
        "cadence_rpm",
        "fresh",
        "heard_s",
        "held_s",
        "lacks",
        "paused_s",
        "pedalled_s",
        "period_s",
        "power_w",
        "powered_s",
        "reading_s",
        "restarts",
        "turning_s",
        "unpowered_s",
    )

    def __init__(self) -> None:
        self.heard_s = -math.inf
        self.power_w: float | None = None
        self.reading_s = -math.inf
        """When it last told its power in watts; until it falls silent there, none is derived for show."""
        self.powered_s = -math.inf
        """When it last showed power with a live counter."""
        self.unpowered_s = -math.inf
        """When it last showed none."""
        self.turning_s = -math.inf
        """When it last showed a turning crank."""
        self.pedalled_s = -math.inf
        """When it last showed that somebody pedals: a turn of the crank, or power (and, where it tells one,
        a cadence) such as a rider makes. A wheel that runs on and idle watts are none."""
        self.held_s = -math.inf
        """Until when a value of a ride file stands for want of a new one: that it repeats shows no fault."""
        self.paused_s = -math.inf
        """Until when the timer of a ride file stands still."""
        self.period_s = 0.0
        """Usual time between its packets."""
        self.cadence_rpm: float | None = None
        self.fresh = False
        """Whether the last reading brought a new event, not a repetition."""
        self.restarts = 0
        self.lacks: str | None = None
        """What it has not told yet and without which it can't be read as a power meter."""
        self._level_w = 0.0
        self._level_s = -math.inf

    def shows(self, power_w: float, t_s: float, cadence_rpm: float | None = None) -> None:
        """A new event tells of power, or of none."""
        self.fresh = True
        if power_w <= 0.0:
            self.unpowered_s = t_s
            return
        self.powered_s = t_s
        if power_w < PEDALLED_W or (cadence_rpm is not None and cadence_rpm < PEDALLED_RPM):
            return
        if power_w >= self._level_w:
            self.pedalled_s = t_s
            self._level_w = power_w
        else:
            level_w = self._level_w * TAIL_PER_S ** max(0.0, t_s - self._level_s)
            if power_w >= TAIL * level_w:
                self.pedalled_s = t_s
            self._level_w = max(power_w, level_w)
        self._level_s = t_s

    def derives(self, power_w: float, t_s: float) -> None:
        """Show a power that follows from counters, where none is told in watts."""
        if t_s - self.reading_s > HELD_S:
            self.power_w = power_w

    def turns(self, t_s: float) -> None:
        """A packet shows a new turn of the crank."""
        self.turning_s = self.pedalled_s = t_s
