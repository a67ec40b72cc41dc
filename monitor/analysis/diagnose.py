"""What kind of error it is: scale or zero offset, which side, whose noise, and which ride would tell.

Everything stands on blocks of ten seconds of one instrument against its reference. A
scale error keeps its percentage at every torque; a constant torque offset weighs more
the lower the torque. Which of the two it is can be told only from riding at different
torques; where the ride doesn't tell, no cause is named but the ride that would.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from monitor.analysis.block import BLOCK_S, Block, torques_of
from monitor.analysis.expected import LOSS_SPREAD
from monitor.analysis.statistics import Floats, autocorrelation, effective_n
from monitor.finding import Cause, Side

GATE_GAIN = 0.005
GATE_OFFSET_NM = 0.25
"""Gain and zero are told only if their standard deviations are below these: then scale and offset
of the sizes that matter to a tester are apart."""
EVIDENCE = 14.0
"""How much better (difference of chi squared) one explanation must fit than the other: odds of
e^7, 1000 to 1, since it is looked at every ten seconds for an evening."""
SMALLER = 0.4
"""Of two explanations the smaller one makes less than this part of the larger (common practice)."""
LUCKY, MIXED = 0.7, 2.0
"""Blocks that scatter by less than the first of their usual spread are a lucky stretch; by more than the
second they are no one state (common practice, no source)."""
LEVEL_OF_SIDE = 0.003
"""What the steps of a share leave open of a side over two minutes at one load, a fraction (computed, for a
rider whose share wanders by 0.2 points and steps of one point)."""
LEVEL = 0.05
"""Blocks whose torques differ by less are of one level."""
MIN_BLOCKS = 6
USUAL_RAD_S = 9.0
"""Speed of a crank at 86 rpm: what a loss in watts is as a torque (common practice, no source)."""
TWO_PI = 2.0 * math.pi


# -- lines


@dataclass(frozen=True, slots=True)
class Line:
    """y = gain x + offset with standard deviations and their covariance.

    `offset_at_mean` is the fitted value at the mean of x, which is uncorrelated with the
    gain and known even when gain and offset are not.
    """

    gain: float
    offset: float
    sd_gain: float
    sd_offset: float
    covariance: float
    mean_x: float
    sd_at_mean: float
    n: int

    @property
    def separable(self) -> bool:
        """Whether gain and offset are apart enough to be told separately."""
        return self.sd_gain <= GATE_GAIN and self.sd_offset <= GATE_OFFSET_NM

    def predict(self, x: float) -> tuple[float, float]:
        """The line at `x` and its standard deviation, from the covariance (GUM, H.3)."""
        variance = self.sd_offset**2 + x * x * self.sd_gain**2 + 2.0 * x * self.covariance
        return self.gain * x + self.offset, math.sqrt(max(0.0, variance))


def deming(x: Floats, y: Floats, ratio: float = 1.0) -> tuple[float, float]:
    """Slope and intercept of the line with errors in both variables.

    `ratio` is the variance of the errors of y over that of x. Raises ValueError when x
    and y have nothing to do with each other or there are fewer than two points.
    """
    if len(x) < 2:
        raise ValueError("a line needs two points")
    mx, my = float(x.mean()), float(y.mean())
    dx, dy = x - mx, y - my
    sxx, syy, sxy = float(dx @ dx), float(dy @ dy), float(dx @ dy)
    if sxy == 0.0:
        raise ValueError("no common variation to fit a line to")
    half = syy - ratio * sxx
    slope = (half + math.sqrt(half * half + 4.0 * ratio * sxy * sxy)) / (2.0 * sxy)
    return slope, my - slope * mx


def torque_line(x: Floats, y: Floats, ratio: float = 1.0) -> Line | None:
    """The errors-in-variables line of one torque (N·m, y) against another (x), with covariance.

    Standard deviations come from the scatter about the line and the effective number of
    blocks: var(gain) = s^2 / (n_eff var(x)), var(offset) = s^2 / n_eff + mean^2 var(gain).
    None for fewer than six blocks or no spread.
    """
    n = len(x)
    if n < MIN_BLOCKS or float(x.std()) <= 0.0:
        return None
    try:
        gain, offset = deming(x, y, ratio)
    except ValueError:
        return None
    residuals = y - gain * x - offset
    n_eff = max(3.0, effective_n(n, autocorrelation(residuals)))
    s2 = float(residuals @ residuals) / (n - 2)
    var_x = float(x.var())
    mean = float(x.mean())
    var_gain = s2 / (n_eff * var_x)
    var_mean = s2 / n_eff
    return Line(
        gain, offset, math.sqrt(var_gain), math.sqrt(var_mean + mean * mean * var_gain),
        -mean * var_gain, mean, math.sqrt(var_mean), n,
    )  # fmt: skip


# -- cause


@dataclass(frozen=True, slots=True)
class Diagnosis:
    """A cause, the sentence that says why, and the fitted line where it can be told.

    `ride` is the ride that would tell, when the cause is `unclear`, and `block` the same as numbers;
    `cure` is what to try when the cause is known.
    """

    cause: Cause
    why: str
    ride: str = ""
    gain: float | None = None
    offset_nm: float | None = None
    sd_gain: float | None = None
    sd_offset_nm: float | None = None
    block: "Ride | None" = None
    cure: str = ""
    scale_percent: float | None = None
    """Of a scale error: its size at every torque."""


FOLLOWS_RIDER = Diagnosis(
    "unclear",
    "it measures one side, and nobody reports the rider's other one",
    "add an instrument that reports both sides",
)
"""Of one that doubles a side: with the torque the rider's balance goes, as a scale or a zero offset would."""


class Ride(NamedTuple):
    """A block that would tell more: a power to hold at a cadence other than before, for so long."""

    power_w: float
    cadence_rpm: float
    seconds: float = 120.0


class Torques(NamedTuple):
    """Reference torque and own torque (N·m), and cadence (rpm), one of each a block."""

    reference_nm: Floats
    own_nm: Floats
    cadence_rpm: Floats


def torques(blocks: Sequence[Block], side: Side) -> Torques:
    """Torques and cadences of the blocks that have them; of a side at the same crank speed."""
    rows = [(t.reference_nm, t.reference_nm * math.exp(t.y), t.cadence_rpm) for t in torques_of(blocks, side)]
    table = np.array(rows).reshape(-1, 3)
    return Torques(table[:, 0], table[:, 1], table[:, 2])


class _Fits(NamedTuple):
    """The relative deviation as a scale, as an offset (N·m), and as both together.

    A `chi` is how much worse one alone explains it than both do; `mixed`: no straight line through the
    torques explains it, so that the blocks belong to more than one state.
    """

    scale: float
    zero_nm: float
    both: tuple[float, float]
    sds: tuple[float, float]
    scale_chi: float
    zero_chi: float
    mixed: bool
    mean_nm: float

    @property
    def line(self) -> tuple[float | None, float | None, float | None, float | None]:
        """Gain, offset and their standard deviations, where they are apart."""
        if self.mixed or self.sds[0] > GATE_GAIN or self.sds[1] > GATE_OFFSET_NM:
            return None, None, None, None
        return 1.0 + self.both[0], self.both[1], *self.sds

    @property
    def parts(self) -> tuple[float, float]:
        """What scale and offset contribute at the mean torque: the smaller one must be small."""
        return abs(self.both[0]), abs(self.both[1]) / self.mean_nm

    @property
    def cause(self) -> Cause:
        """`scale` or `zero-offset` where one alone explains it and the other alone does not."""
        scale, zero = self.parts
        if self.mixed:
            return "unclear"
        if self.zero_chi - self.scale_chi > EVIDENCE > self.scale_chi and zero < SMALLER * scale:
            return "scale"
        if self.scale_chi - self.zero_chi > EVIDENCE > self.zero_chi and scale < SMALLER * zero:
            return "zero-offset"
        return "unclear"


def _fitted(known: Torques, side: Side, block_sd: float, loss_w: float) -> _Fits:
    # The ratio itself, not its logarithm: an offset is then exactly a line in 1 / torque.
    x, n = known.reference_nm, len(known.reference_nm)
    y, inverse = known.own_nm / x - 1.0, 1.0 / x
    scale = float(y.mean())
    zero_nm = float(inverse @ y / (inverse @ inverse))
    design = np.column_stack([np.ones(n), inverse])
    both, *_ = np.linalg.lstsq(design, y, rcond=None)
    rest = y - design @ both
    variance = float(rest @ rest) / max(1, n - 2)
    r = max(0.0, autocorrelation(rest))
    # Two that read the same to the digit leave no scatter at all.
    s2 = max(variance, (LUCKY * block_sd) ** 2, 1e-12) * (1.0 + r) / (1.0 - r)
    covariance = s2 * np.linalg.pinv(design.T @ design)
    systematic_nm = LOSS_SPREAD * loss_w / USUAL_RAD_S
    # What blocks of one level have in common does not average: each of them counts for less.
    worth = 1.0 / (1.0 + LEVEL_OF_SIDE**2 / s2 * _alike(x)) if side != "total" else np.ones(n)
    return _Fits(
        scale,
        zero_nm,
        (float(both[0]), float(both[1])),
        (
            math.sqrt(float(covariance[0, 0])),
            math.hypot(math.sqrt(float(covariance[1, 1])), systematic_nm),
        ),
        float(worth @ ((y - scale) ** 2 - rest**2)) / s2,
        float(worth @ ((y - zero_nm * inverse) ** 2 - rest**2)) / s2,
        variance > (MIXED * block_sd) ** 2,
        float(x.mean()),
    )


def diagnose(
    blocks: Sequence[Block], side: Side, block_sd: float, loss_w: float = 0.0, shared: bool = False
) -> Diagnosis:
    """Scale, zero offset or unclear, from blocks that all belong to one state of the instrument.

    The relative deviation is fitted as a (a scale), as b / torque (an offset of b N·m), and as
    both; a name is given only where one of the two alone explains it and the other alone
    does not; gain and zero as numbers only where they are apart. `block_sd` is the usual
    spread of one block's ratio: a lucky quiet stretch must not look like proof. `loss_w` is
    the constant part of a drivetrain loss in the comparison, which looks like an offset and
    is known to a fifth. `shared`: whose of the two it is stays open, so that the words are of a difference.
    """
    known = torques(blocks, side)
    if len(known.reference_nm) < MIN_BLOCKS:
        return Diagnosis(
            "unclear",
            "too little steady riding to find the cause",
            "keep riding steadily for another minute to find the cause",
        )
    fits = _fitted(known, side, block_sd, loss_w)
    # A difference that both claims may leave is no error, though it goes with the torque as one.
    what, as_scale, as_zero = (
        ("difference", "as a scale error makes", "as a zero offset makes")
        if shared
        else ("error", "a scale error", "a zero offset")
    )
    where = f"the {what}" if side == "total" else f"the {side} side's {what}"
    if fits.cause == "scale":
        words = f"{where} is {100.0 * fits.scale:+z.1f} % at every torque, {as_scale}"
        cure = "zeroing will not cure it, check its settings and ask the maker"
        return Diagnosis("scale", words, "", *fits.line, cure=cure, scale_percent=100.0 * fits.scale)
    if fits.cause == "zero-offset":
        words = f"{where} is a constant {fits.zero_nm:+z.2f} N·m, {as_zero}"
        cure = "unload the pedals, zero it and ride the block again"
        return Diagnosis("zero-offset", words, "", *fits.line, cure=cure)
    ride, block = _ride(known.reference_nm, known.cadence_rpm)
    why = "scale or zero offset can't be told apart yet"
    return Diagnosis("unclear", why, ride, *fits.line, block=block)


def _alike(x: Floats) -> Floats:
    """How many blocks have about the same torque as each."""
    near: Floats = (np.abs(x[:, None] / x - 1.0) < LEVEL).sum(axis=1).astype(np.float64)
    return near


def _ride(torque_nm: Floats, cadence: Floats) -> tuple[str, Ride]:
    """The ride that would tell scale from zero: far from the torque ridden so far, at steady power."""
    if not len(torque_nm):
        words = "hold 200 W and go from 100 to 60 rpm for two minutes each to tell scale from zero"
        return words, Ride(200.0, 60.0)
    rpm = float(cadence[-6:].mean())
    power = float((torque_nm[-6:] * cadence[-6:]).mean()) * TWO_PI / 60.0
    watts = 10.0 * round(min(max(power, 120.0), 260.0) / 10.0)
    go = 60.0 if rpm > 75.0 else 100.0
    words = (
        f"hold {watts:.0f} W and go from {rpm:.0f} to {go:.0f} rpm for two minutes to tell scale from zero"
    )
    return words, Ride(watts, go)


# -- sides

PART_OPEN = 0.25
"""Of a total's difference a side must leave no more than this part open, beside what scatter leaves open
(common practice, no source)."""
ALONE, SHARED = 0.25, 0.5
"""The other side's part of this one's: surely below ALONE it is one side's error, surely above SHARED it is
not; between the two it may be called either, and is called as before (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Attribution:
    """How a difference of the total splits on the sides, watts, with 95 % half-widths.

    `total_w` is the difference of the total, which may be held against another instrument than the sides
    are. `side` is named when one side explains it and the other one's part is surely small, `leans` where
    that may be so.
    """

    left_w: float
    right_w: float
    u95_left_w: float
    u95_right_w: float
    side: Side | None
    total_w: float
    leans: Side | None = None

    def named(self, before: bool) -> Side | None:
        """The side to name: what may be called either is named if one side was named `before`."""
        return self.leans if self.side is None and before else self.side

    @property
    def mirrored(self) -> "Attribution":
        """The same of the instrument on the other side of the comparison."""
        return replace(self, left_w=-self.left_w, right_w=-self.right_w, total_w=-self.total_w)

    @property
    def words(self) -> str:
        """`+7 ± 1 W of +8 W on the right side`; empty where no side is named."""
        side = self.side or self.leans
        if side is None:
            return ""
        own, half = (self.left_w, self.u95_left_w) if side == "left" else (self.right_w, self.u95_right_w)
        return f"{own:+z.0f} ± {half:.0f} W of {self.total_w:+z.0f} W on the {side} side"


def attribute(blocks: Sequence[Block]) -> Attribution | None:
    """Split the mean difference of the blocks that know both sides; None for fewer than three.

    Where the total is held against one instrument and the sides against another, what the two differ by
    belongs to no side: a side whose change does not come to that of the total explains nothing.
    """
    rows = [
        (
            b.left_w - b.left_reference_w,
            b.right_w - b.right_reference_w,
            b.reference_w * math.expm1(b.y),
        )
        for b in blocks
        if b.left_w is not None
        and b.right_w is not None
        and b.left_reference_w is not None
        and b.right_reference_w is not None
    ]
    if len(rows) < 3:
        return None
    table = np.array(rows)
    means = table.mean(axis=0)
    halves = []
    for column in table.T:
        n_eff = max(2.0, effective_n(len(column), autocorrelation(column)))
        halves.append(2.2 * float(column.std(ddof=1)) / math.sqrt(n_eff))
    left, right, total = (float(m) for m in means)
    side: Side | None = None
    leans: Side | None = None
    sides: tuple[tuple[Side, float, float, float, float], ...] = (
        ("left", left, halves[0], right, halves[1]),
        ("right", right, halves[1], left, halves[0]),
    )
    for name, own, half, other, half_other in sides:
        if own * total <= 0.0 or abs(own) < abs(other):
            continue
        beside, open_w = abs(own - total), math.hypot(half, halves[2])
        alone = abs(own) > 2.0 * half and abs(other) + half_other <= ALONE * abs(own)
        if alone and beside <= PART_OPEN * abs(total) + open_w:
            side = name
        elif abs(other) - half_other < SHARED * abs(own) and beside <= SHARED * abs(total) + open_w:
            leans = name
    return Attribution(left, right, halves[0], halves[1], side, total, leans if side is None else None)


# -- noise without truth


@dataclass(frozen=True, slots=True)
class NoiseEstimate:
    """Noise of one instrument, in the unit of the series; `low` 0 means: below `high`.

    `value` is None when the estimated variance is not positive: then only `high` is known.
    """

    value: float | None
    low: float
    high: float


def three_cornered_hat(series: Floats) -> list[NoiseEstimate] | None:
    """Noise of each of three or more instruments from their differences alone.

    `series` has shape (n, instruments). Grubbs' estimators, which are the three-cornered
    hat for three; for more, least squares over all pairs. Errors are taken as
    independent: what two instruments share is charged to the others. Intervals are
    95 %, from the sampling spread of the pair variances. None for fewer than three
    instruments or ten rows.
    """
    n, k = series.shape
    if k < 3 or n < 10:
        return None
    pairs = [(i, j) for i in range(k) for j in range(i + 1, k)]
    design = np.zeros((len(pairs), k))
    variances = np.zeros(len(pairs))
    n_effs = np.zeros(len(pairs))
    for row, (i, j) in enumerate(pairs):
        design[row, i] = design[row, j] = 1.0
        d = series[:, i] - series[:, j]
        variances[row] = float(d.var(ddof=1))
        n_effs[row] = max(3.0, effective_n(n, autocorrelation(d) ** 2))
    solve = np.linalg.pinv(design)
    estimates = solve @ variances
    spreads = np.sqrt((solve**2) @ (2.0 * variances**2 / (n_effs - 1.0)))
    result = []
    for variance, spread in zip(estimates, spreads, strict=True):
        low, high = variance - 1.96 * spread, max(variance, 0.0) + 1.96 * spread
        result.append(
            NoiseEstimate(
                math.sqrt(variance) if variance > 0.0 else None,
                math.sqrt(low) if low > 0.0 else 0.0,
                math.sqrt(high),
            )
        )
    return result


# -- placement


@dataclass(frozen=True, slots=True)
class Hole:
    """A stretch without power while others showed it: when, in which gear, at which cadence."""

    at_s: float
    gear: str
    cadence_rpm: float | None


def placement(holes: Sequence[Hole], ridden: dict[str, float], cadences: Sequence[float]) -> str | None:
    """What the holes have in common: `in gear X` or `between A and B rpm`; None if nothing.

    `ridden` is the time in seconds with power per gear, `cadences` the cadence of each ten
    seconds with power. At least two holes, all alike, and enough riding without a hole
    elsewhere: else it is chance.
    """
    if len(holes) < 2:
        return None
    gears = {h.gear for h in holes}
    if len(gears) == 1:
        (gear,) = gears
        elsewhere = sum(s for g, s in ridden.items() if g != gear)
        if gear and elsewhere >= 60.0:
            return f"in gear {gear}"
    known = [h.cadence_rpm for h in holes if h.cadence_rpm is not None]
    if len(known) == len(holes) and len(known) >= 3:
        low, high = min(known) - 4.0, max(known) + 4.0
        outside = [c for c in cadences if not low <= c <= high]
        if high - low <= 20.0 and len(outside) * BLOCK_S >= 120.0:
            return f"between {low:.0f} and {high:.0f} rpm"
    return None
