"""One segment in session seconds, and what counts as a steady load."""

import math
from dataclasses import dataclass

import numpy as np

from monitor.analysis.block import MIN_POWER_W
from monitor.analysis.statistics import Floats
from monitor.study.estimate.edges import inner

SETTLE_S = 10.0
"""Left out after each step: the longest averaging of common instruments (common practice, no source)."""
BIN_S = 5
STEADY_S = 40
LOADS = ("block", "ramp", "free", "over-under")
"""Kinds of segments that end where another load begins."""
STEADY_SPREAD = 0.15
"""Five-second means of a steady block stay within this part of its power (5th to 95th percentile)."""
_ROUNDING_S = 1e-6
"""What arithmetic may have taken from a whole second."""
STEADY_PERCENTILES = 5, 95
"""Between these lies the spread of a steady load: one stop or surge makes none unsteady."""


@dataclass(frozen=True, slots=True)
class Span:
    """One segment in session seconds.

    `kind` is block, ramp, sprint, free or over-under; `found` says that nobody named it.
    """

    name: str
    start_s: float
    end_s: float
    kind: str = "block"
    settle_s: float = SETTLE_S
    target_w: float | None = None
    cadence_rpm: float | None = None
    gear: str = ""
    found: bool = False

    def window(self) -> tuple[int, int]:
        """The whole seconds that count, after settling: [begin, end)."""
        begin = math.ceil(self.start_s + self.settle_s - _ROUNDING_S)
        return begin, max(begin, math.floor(self.end_s + _ROUNDING_S))

    def compared(self) -> tuple[int, int]:
        """The whole seconds that are compared: [begin, end), of a load without its last ones."""
        return inner(*self.window()) if self.kind in LOADS else self.window()


def is_steady(power_w: Floats) -> bool:
    """Whether power stays within STEADY_SPREAD of its mean, by five-second means; a third may be unknown."""
    bins = power_w[: len(power_w) // BIN_S * BIN_S].reshape(-1, BIN_S).mean(axis=1)
    known = bins[np.isfinite(bins)]
    if len(known) < 3 or len(known) < 2 * len(bins) // 3:
        return False
    mean = float(known.mean())
    low, high = np.percentile(known, STEADY_PERCENTILES)
    spread = float(high - low)
    return mean >= MIN_POWER_W and spread <= STEADY_SPREAD * mean
