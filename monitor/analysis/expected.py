"""What two instruments may show: losses between crank and hub, limits from claims, lags by kind."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median
from typing import Literal, NamedTuple

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
        if power_w > 0.0 and (self.watts or self.percent):
            return max(0.0, power_w * (1.0 - self.percent / 100.0) - self.watts)
        return power_w


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


class Limit(NamedTuple):
    """What a difference of two instruments is held against at one power, in percent of that power."""

    percent: float
    """The limit of the verdict: `claims_percent`, or the floor in watts where that is larger."""
    sum_percent: float
    """The plain sum of the claims, at least `percent`: beyond it not both can be within their claims."""
    claims_percent: float
    """The tolerance without the floor: the bench's word, else the root sum of squares of the claims."""
    floor_w: float
    """The floor in watts of what is compared: the bench's for a total, half of it for a side."""
    floor_decides: bool
    """Whether the floor in watts, and not the claims, is the limit of the verdict."""
    assumed: bool
    """Whether a claim that the bench does not give was taken as DEFAULT_CLAIM_PERCENT."""


def limits(
    bench: Bench, instrument: Instrument, others: Sequence[Instrument], reference_w: float, side: bool = False
) -> Limit:
    """The limits of one comparison, live and afterwards alike.

    `others` are the instruments that it is compared with: one, or all whose median is the consensus.
    `reference_w` is the power (W) of what is compared: for a `side` that side's own power. A side is
    half of the whole, and so is its floor: at even halves both have the same limit in percent.

    Errors within claims add up to at most the plain sum. The error of a median is at most the median
    of the claims, since a median never falls when one of its values grows.
    """
    return tolerance(bench, instrument, others, side).at(reference_w)


@dataclass(frozen=True, slots=True)
class Tolerance:
    """What `limits` needs of two instruments, for a comparison that is made again and again."""

    claims_percent: float
    sum_percent: float
    floor_w: float
    assumed: bool

    def percent_at(self, reference_w: float) -> float:
        """The limit of the verdict alone, percent: what `at` tells with all that belongs to it."""
        floor_percent = 100.0 * self.floor_w / (reference_w if reference_w > 1.0 else 1.0)
        return floor_percent if floor_percent > self.claims_percent else self.claims_percent

    def at(self, reference_w: float) -> Limit:
        """The limits where the reference shows `reference_w` of what is compared."""
        floor_percent = 100.0 * self.floor_w / max(1.0, reference_w)
        percent = max(self.claims_percent, floor_percent)
        return Limit(
            percent,
            max(percent, self.sum_percent),
            self.claims_percent,
            self.floor_w,
            floor_percent > self.claims_percent,
            self.assumed,
        )


def tolerance(
    bench: Bench, instrument: Instrument, others: Sequence[Instrument], side: bool = False
) -> Tolerance:
    """The limits of one comparison at any power; arguments as those of `limits`."""
    theirs = [o.claim_percent or DEFAULT_CLAIM_PERCENT for o in others]
    return Tolerance(
        tolerance_percent(bench, instrument, others),
        (instrument.claim_percent or DEFAULT_CLAIM_PERCENT) + (median(theirs) if theirs else 0.0),
        bench.limits.floor_w * (0.5 if side else 1.0),
        any(not x.claim_percent for x in (instrument, *others)),
    )


RIDER_PERCENT = 5.0
"""Twice one side against a whole: so much may be the rider, whom nobody can tell from the instrument."""


def follows_rider(instrument: Instrument, side_reference: int | None) -> bool:
    """Whether an instrument doubles one side and nobody (`side_reference` None) reports the rider's sides."""
    return instrument.sides in ("left", "right") and side_reference is None


Zone = Literal["agrees", "undecided", "unusual", "broken"]
ZONE_WORDS: dict[Zone, str] = {
    "agrees": "agrees",
    "undecided": "undecided",
    "unusual": "unusual, yet both may be within their claims",
    "broken": "at least one claim is broken",
}


def zone(difference_percent: float, u95_percent: float, limit: Limit) -> Zone:
    """In which of three zones a difference lies for sure, with the guard band w = U (JCGM 106, ISO 14253-1).

    `agrees`: within the limit. `unusual`: beyond it, but not surely beyond the plain sum of the
    claims, so that both may be within theirs. `broken`: beyond the sum. Else `undecided`.
    """
    size = abs(difference_percent)
    if size + u95_percent <= limit.percent:
        return "agrees"
    if size - u95_percent > limit.sum_percent:
        return "broken"
    return "unusual" if size - u95_percent > limit.percent else "undecided"


def limit_words(limit: Limit) -> str:
    """The limit for people, and that the floor decides where it does: "1.8 %", "1.5 %, the floor of 3 W"."""
    floor = f", the floor of {limit.floor_w:g} W" if limit.floor_decides else ""
    return f"{limit.percent:.1f} %{floor}"


def likely_lag(instrument: Instrument, base: Instrument) -> Timing:
    """The lag of an instrument behind another as far as their kinds tell."""
    hub, base_hub = instrument.mount == "hub", base.mount == "hub"
    return Timing(HUB_LATE.lag_s * (hub - base_hub), HUB_LATE.sd_s) if hub or base_hub else ALIKE
