"""What two instruments may show: losses between crank and hub, limits from claims, lags by kind."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from monitor.analysis.lag import Timing
from monitor.setup.bench import Bench, Instrument

DEFAULT_CLAIM_PERCENT = 2.0
"""For an instrument whose claim the bench does not give (common practice, no source)."""
HUB_LATE = Timing(0.8, 1.5)
"""Before anything is measured: a hub smooths and comes later than a crank (common practice, no source)."""
ALIKE = Timing(0.0, 0.9)
"""Two meters at the crank: radio and smoothing of up to three seconds (common practice, no source)."""
LOSS_SPREAD = 0.2
"""Relative standard uncertainty of a drivetrain loss that the bench states. The published
efficiencies of three gears of one chain (Wilson, Bicycling Science, 3rd ed.) spread by
13 % of the loss at 200 W and 17 % at 100 W about their mean."""


@dataclass(frozen=True, slots=True)
class Loss:
    """Drivetrain loss between crank and hub: `watts` + `percent` of the crank's power."""

    watts: float = 0.0
    percent: float = 0.0

    def at_crank(self, power_w: float) -> float:
        """The crank's power when the hub shows `power_w`."""
        return (power_w + self.watts) / (1.0 - self.percent / 100.0) if power_w > 0.0 else power_w

    def at_hub(self, power_w: float) -> float:
        """The hub's power when the crank has `power_w`."""
        return max(0.0, power_w * (1.0 - self.percent / 100.0) - self.watts) if power_w > 0.0 else power_w


def loss_of(instrument: Instrument) -> Loss:
    """The loss that the bench states for a hub; none for anything else."""
    return Loss(*instrument.drivetrain_loss) if instrument.drivetrain_loss else Loss()


def tolerance_percent(bench: Bench, instrument: Instrument, others: Sequence[Instrument]) -> float:
    """What two instruments may differ: the bench's word, else both claims as root sum of squares.

    Against a consensus of `others` their claims count as the mean of squares.
    """
    if bench.limits.power_percent > 0.0:
        return bench.limits.power_percent
    own = instrument.claim_percent or DEFAULT_CLAIM_PERCENT
    theirs = [(o.claim_percent or DEFAULT_CLAIM_PERCENT) ** 2 for o in others]
    return math.sqrt(own * own + (sum(theirs) / len(theirs) if theirs else 0.0))


def likely_lag(instrument: Instrument, base: Instrument) -> Timing:
    """The lag of an instrument behind another as far as their kinds tell."""
    hub, base_hub = instrument.mount == "hub", base.mount == "hub"
    return Timing(HUB_LATE.lag_s * (hub - base_hub), HUB_LATE.sd_s) if hub or base_hub else ALIKE
