"""What may have moved an instrument: acts, new connections, sprints, steps of temperature."""

import math
from collections import deque

from monitor.live.faults.seen import Seen

SPRINT_W, SPRINT_TIMES = 400.0, 2.0
"""More than so many watts, and so many times the mean of MEAN_S: a pull that may move a cleat or a sensor. A
strong rider's steady 400 W is none, nor are 200 W after a rest (common practice, no source)."""
MEAN_S = 60
SPRINT_APART_S = 30.0
"""A sprint lasts ten to twenty seconds: within so many it is still the same one."""
WARM_C = 3.0
"""A step of temperature that may show: strain gauges are compensated to a few hundredths of a percent per
kelvin, so that less than this makes a tenth of a percent (common practice, no source)."""
BEFORE_S, AFTER_S = 60.0, 20.0
"""What happened so long before a change may have made it; so long after, since a change is placed to a block
or two."""
KEPT = 64
"""So many of the last are remembered: an evening has fewer acts and sprints."""


class Happened:
    """Keeps what happened, and notices what nobody tells."""

    def __init__(self, seen: Seen) -> None:
        self.seen = seen
        self.comparator = seen.comparator
        self.last: deque[tuple[float, str]] = deque(maxlen=KEPT)
        """When, and in words (`the zeroing of heron`, `a sprint`)."""
        self._sprint_s = -math.inf
        self._warm_c: list[float | None] = [None] * len(seen.tracks)

    def add(self, t_s: float, words: str) -> None:
        """Something happened that may have moved an instrument."""
        self.last.append((t_s, words))

    def notice(self, now_s: float) -> None:
        """Sprints and steps of temperature, which nobody tells."""
        for i in self.comparator.powered:
            seconds = self.comparator.past[i].seconds
            if len(seconds) < MEAN_S or now_s - self._sprint_s < SPRINT_APART_S:
                continue
            power_w = seconds[-1]
            if not power_w > SPRINT_W:
                # Most seconds are none: the mean of the minute before is worked out for the others alone.
                continue
            mean_w = sum(p for p in list(seconds)[-MEAN_S:] if p == p) / MEAN_S
            if power_w > SPRINT_TIMES * mean_w:
                self._sprint_s = now_s
                self.add(now_s, "a sprint")
        for i, facts in enumerate(self.seen.facts):
            warm = facts.get("temperature_c")
            if isinstance(warm, float):
                before = self._warm_c[i]
                if before is None:
                    self._warm_c[i] = warm
                elif abs(warm - before) >= WARM_C:
                    self._warm_c[i] = warm
                    self.add(now_s, f"{warm - before:+z.0f} °C in {self.seen.labels[i]}")

    def near(self, t_s: float) -> str:
        """What happened nearest to a moment, rather before it; empty: nothing."""
        near = [(abs(t_s - t), words) for t, words in self.last if -BEFORE_S <= t - t_s <= AFTER_S]
        return min(near)[1] if near else ""

    def warmed_since(self, t_s: float) -> str:
        """The last step of temperature since then; empty: there was none."""
        return next((words for t, words in reversed(self.last) if "°C" in words and t >= t_s), "")
