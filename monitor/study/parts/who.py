"""Who stands apart in a stretch of a session, whose a change was, and which instruments are one opinion."""

import math
from collections.abc import Callable, Sequence
from typing import NamedTuple

import msgspec
import numpy as np

from monitor.analysis.block import BLOCK_S, MIN_POWER_W
from monitor.analysis.blockstats import Spread, interval
from monitor.analysis.budget import Noise
from monitor.analysis.consistency import (
    LEVEL,
    LIKE_S,
    PRIOR_ON_TEST,
    PRIOR_TRUSTED,
    Apart,
    Consistency,
    Opinion,
    by_trust,
    copies_of,
    judge_consistency,
    weighted,
)
from monitor.analysis.expected import DEFAULT_CLAIM_PERCENT, LOSS_SPREAD
from monitor.analysis.statistics import Floats
from monitor.setup.acts import touch_of
from monitor.setup.bench import Instrument
from monitor.study.grid import Bools, moved
from monitor.study.parts.changes import LEAST_CHANGE_PERCENT, NEAR_ACT_S, SAME_CHANGE_S
from monitor.study.parts.common import Shared
from monitor.study.parts.conditions.ridden import Part, parts_ridden
from monitor.study.results import ShiftStudy, rounded

LEAST_BLOCKS = 6
"""Fewer common blocks say nothing of who stands apart: less than a minute."""
UNEVEN = 0.1
"""A block whose ends differ by more than this part of its power is left out: a lag could move it anywhere."""
AROUND_CHANGE_BLOCKS = 12
"""A change is read from so many blocks before and after it: two minutes."""
WANDER_PERCENT = 0.3
"""What two healthy instruments may move against each other in minutes (common practice, no source)."""
LEAST_RPM = 20.0
"""Below this a torque says more of the cadence than of the pedal."""
OF_HALVES = 0.25
"""Both halves of the torques are looked at after the whole: each gets this part of the level."""
OF_CONDITIONS = 0.25
"""Then gears, positions and cadences, each kind with this part of it."""
ENDS_OF_DRIFT, BESIDE_S = 0.25, 2.0
"""A drift is told by this part of it at either end; a step without the seconds beside it."""
MOST_PART = 0.5
"""What moved an instrument explains a difference of which it made this part (common practice, no source)."""
SHOWS_POWER = 0.3
"""An instrument that reads less than this part of the middle one has a fault of its own, and no opinion."""


class Who(NamedTuple):
    """What the independent instruments say of each other over [from_s, to_s).

    `against_others` is by label the deviation, percent, from the weighted mean of the others that do not
    stand apart, with its standard uncertainty, claims included; `opinions` are what was compared.
    """

    from_s: int
    to_s: int
    blocks: int
    opinions: list[Opinion]
    found: Consistency
    against_others: dict[str, tuple[float, float]]
    part: str = ""
    """Under which condition alone they are inconsistent, in words after a verb; empty: at large."""


def same_as(shared: Shared) -> dict[int, int]:
    """Instruments that are another one heard a second time, by index: the less trusted to the more trusted.

    One serial number of one maker on two links, or residuals that follow each other as no two instruments do.
    """
    grid = shared.grid
    order = by_trust(grid.powered, grid.reference, grid.instruments)
    return copies_of(order, grid.instruments, shared.recording.facts, {i: _fives(shared, i) for i in order})


def _fives(shared: Shared, i: int) -> Floats:
    """Logarithm of five-second means of the power at the crank, percent; nan where not known or ridden."""
    grid = shared.grid
    series = grid.moved(i, grid.lag_s(i))
    n = len(series) // LIKE_S
    means = series[: n * LIKE_S].reshape(n, LIKE_S).mean(axis=1)
    result = np.full(n, np.nan)
    with np.errstate(invalid="ignore"):
        good = means >= MIN_POWER_W
    result[good] = 100.0 * np.log(means[good])
    return result


def base_of(shared: Shared) -> int | None:
    """The common origin of all opinions: the reference, in a consensus the first with power."""
    return shared.grid.lag_base


def who(shared: Shared, copies: dict[int, int], from_s: float, to_s: float) -> Who | None:
    """What independent instruments say of each other in [from_s, to_s); None: too little common riding."""
    grid, base = shared.grid, base_of(shared)
    if base is None:
        return None
    # What doubles a side has an opinion on the whole only by the shares of another.
    independent = [i for i in grid.powered if i not in copies and not grid.follows_rider(i)]
    logs, power_w = _logs(shared, independent, from_s, to_s)
    heard = [i for i in independent if np.isfinite(logs[i]).sum() >= LEAST_BLOCKS]
    if base not in heard:
        return None
    common = np.logical_and.reduce([np.isfinite(logs[i]) for i in heard])
    if common.sum() < LEAST_BLOCKS:
        return None
    result = _who(shared, heard, base, logs, common, power_w, LEVEL)
    if not result.found.consistent:
        return result._replace(from_s=int(from_s), to_s=int(to_s))
    # A zero offset hides in a mean over all torques and shows where the torque is low.
    rpm = _rpm(shared, from_s, len(power_w))
    torque = _torque(rpm, power_w)
    known = common & np.isfinite(torque)
    parts = []
    if known.sum() >= 2 * LEAST_BLOCKS:
        middle = float(np.median(torque[known]))
        parts += [Part("", known & half, OF_HALVES) for half in (torque < middle, torque >= middle)]
    begin, _ = grid.clip((math.ceil(from_s), math.floor(to_s)))
    parts += [p._replace(share=OF_CONDITIONS * p.share) for p in parts_ridden(shared, begin, rpm)]
    found = []
    for part in parts:
        inside = common & part.mask
        if inside.sum() >= LEAST_BLOCKS:
            one = _who(shared, heard, base, logs, inside, power_w, part.share * LEVEL)
            if not one.found.consistent:
                found.append(one._replace(part=part.words))
    if found:
        # The one that tells whose it is, and that most clearly.
        result = min(found, key=lambda w: ("yes" not in w.found.apart.values(), w.found.probability))
    return result._replace(from_s=int(from_s), to_s=int(to_s))


def resolved(common: Sequence[Who], shifts: Sequence[ShiftStudy]) -> list[Who]:
    """The same, where who moved tells whose a difference is that the levels leave open.

    All were consistent before, and of those in doubt one alone has changed since, the way in which it differs
    now and by most of that: the difference is its own. One that moved for another reason is not to blame.
    """
    result: list[Who] = []
    for w in common:
        doubt = {label for label, apart in w.found.apart.items() if apart == "undecided"}
        before = next((b for b in reversed(result) if b.found.consistent), None)
        if w.found.consistent or not doubt or before is None:
            result.append(w)
            continue
        # What drifts may be consistent for a while yet.
        ended = [(s.until_s or s.t_s, s) for s in shifts if s.sure and s.t_s < w.to_s]
        since = [s for end_s, s in ended if before.to_s <= end_s + SAME_CHANGE_S]
        moved = {s.instrument for s in since if abs(s.delta_percent) >= LEAST_CHANGE_PERCENT}
        if len(moved) != 1 or not moved <= doubt or not _explains(w, next(iter(moved)), since):
            result.append(w)
            continue
        apart: dict[str, Apart] = {**w.found.apart, **dict.fromkeys(doubt, "no"), moved.pop(): "yes"}
        # The odds are those of the levels alone.
        found = w.found._replace(apart=apart, odds={k: v for k, v in w.found.odds.items() if k not in doubt})
        result.append(w._replace(found=found, against_others=_against_others(w.opinions, found)))
    return result


def _explains(w: Who, label: str, since: Sequence[ShiftStudy]) -> bool:
    """Whether what an instrument moved by makes most of what it differs by from the others."""
    own = [s for s in since if s.instrument == label]
    totals = [s.delta_percent for s in own if s.side == "total"]
    # A side does half of the total, about.
    moved = sum(totals) if totals else 0.5 * sum(s.delta_percent for s in own)
    differs, _ = w.against_others.get(label, (0.0, 0.0))
    return moved * differs > 0.0 and abs(moved) >= MOST_PART * abs(differs)


def _who(
    shared: Shared,
    heard: Sequence[int],
    base: int,
    logs: dict[int, Floats],
    common: Bools,
    power_w: Floats,
    level: float,
) -> Who:
    """The opinions over the blocks of a mask, tested at a level."""
    grid = shared.grid
    mean_w = float(power_w[common].mean())
    # A difference is not judged finer than the bench asks, and so is nobody's part of it.
    asked = grid.bench.limits
    least = max(asked.power_percent, 100.0 * asked.floor_w / mean_w) / math.sqrt(2.0)
    opinions = []
    for i in heard:
        value, u = _value(shared, i, logs[i] - logs[base], common) if i != base else (0.0, 0.0)
        instrument = grid.instruments[i]
        u = math.hypot(u, _loss_percent(shared, i, mean_w), _asymmetry_percent(shared, i))
        claim = max(instrument.claim_percent or DEFAULT_CLAIM_PERCENT, least)
        prior = PRIOR_ON_TEST if instrument.role == "on-test" else PRIOR_TRUSTED
        opinions.append(Opinion(grid.labels[i], value, u, claim, prior))
    found = judge_consistency(opinions, level)
    return Who(0, 0, int(common.sum()), opinions, found, _against_others(opinions, found))


def _rpm(shared: Shared, from_s: float, n: int) -> Floats:
    """The cadence of `n` blocks from a moment on, turns a minute; nan where it is not known."""
    begin = max(0, math.ceil(from_s))
    result: Floats = shared.grid.rpm[begin : begin + n * BLOCK_S].reshape(n, BLOCK_S).mean(axis=1)
    return result


def _torque(rpm: Floats, power_w: Floats) -> Floats:
    """Torque at the crank of each block, N·m; nan where no cadence is known."""
    with np.errstate(invalid="ignore", divide="ignore"):
        result: Floats = np.where(rpm > LEAST_RPM, power_w * 60.0 / (math.tau * rpm), np.nan)
    return result


def whose_change(
    shared: Shared, copies: dict[int, int], t_s: float, cuts: Sequence[float], until_s: float | None = None
) -> str | None:
    """Whose a change at `t_s` was: the label of the one that moved against all others; None: can't be told.

    `cuts` are the seconds of other changes: nothing is read across them. A drift took `until_s`; what it
    moved is read at both of its ends. Claims cancel in a change,
    so that only the ride's own uncertainty counts, and what healthy ones wander.
    """
    grid, base = shared.grid, base_of(shared)
    if base is None:
        return None
    before = max((c for c in cuts if c < t_s - BLOCK_S), default=0.0)
    after = min((c for c in cuts if c > t_s + BLOCK_S), default=float(grid.seconds))
    before = max(before, t_s - AROUND_CHANGE_BLOCKS * BLOCK_S)
    after = min(after, t_s + AROUND_CHANGE_BLOCKS * BLOCK_S)
    windows = ((before, t_s - BESIDE_S), (t_s + BESIDE_S, after))
    if until_s is not None:
        reach = AROUND_CHANGE_BLOCKS * BLOCK_S
        ends = min(reach, ENDS_OF_DRIFT * (until_s - t_s))
        windows = ((max(0.0, t_s - reach), t_s + ends), (until_s - ends, until_s + reach))
    independent = [i for i in grid.powered if i not in copies and not grid.follows_rider(i)]
    opinions = []
    for i in independent:
        if i == base:
            opinions.append(Opinion(grid.labels[i], 0.0, WANDER_PERCENT, 0.0))
            continue
        values = []
        for window in windows:
            logs, _ = _logs(shared, [i, base], *window)
            ratio = logs[i] - logs[base]
            known = np.isfinite(ratio)
            if known.sum() < 3:
                break
            values.append(_value(shared, i, ratio, known))
        if len(values) == 2:
            (one, u_one), (two, u_two) = values
            u = math.hypot(u_one, u_two, WANDER_PERCENT)
            opinions.append(Opinion(grid.labels[i], two - one, u, 0.0))
    if len(opinions) < 3:
        return None
    apart = [label for label, verdict in judge_consistency(opinions).apart.items() if verdict == "yes"]
    return apart[0] if len(apart) == 1 else None


def whose_of(
    shared: Shared, copies: dict[int, int], shifts: Sequence[ShiftStudy]
) -> Callable[[float, float], str | None]:
    """Whose a change was that came between two moments (session seconds); None: it cannot be told."""

    def whose(began_s: float, t_s: float) -> str | None:
        far = [s.t_s for s in shifts if not began_s - SAME_CHANGE_S <= s.t_s <= t_s + SAME_CHANGE_S]
        return whose_change(shared, copies, t_s, far)

    return whose


def attributed(shared: Shared, copies: dict[int, int], shifts: Sequence[ShiftStudy]) -> list[ShiftStudy]:
    """Each change charged to whoever moved: one of the reference shows in every comparison with it.

    A change that three or more instruments charge to one stays with it; equal ones of the others at that
    moment were its mirror image and go. What can't be charged stays where it was seen, `sure` false,
    unless the tester did something to that instrument alone.
    """
    result: list[ShiftStudy] = []
    rest = sorted(shifts, key=lambda s: (s.t_s, s.instrument))
    while rest:
        first = rest[0]
        near = [s for s in rest if s.drift == first.drift and _together(first, s)]
        rest = [s for s in rest if s not in near]
        t_s = sorted(s.t_s for s in near)[len(near) // 2]
        cuts = [s.t_s for s in shifts if s not in near]
        whose = whose_change(shared, copies, t_s, cuts, first.until_s)
        own = [s for s in near if s.instrument == whose]
        if own:
            result += own
        elif whose is not None:
            # Only the reference has no row of its own: what the others show is its change, reversed.
            # A step of one of its sides shows in the sides of the others, and of them alone.
            side = next((s for s in ("total", "left", "right") if any(n.side == s for n in near)), "total")
            sizes = sorted(s.delta_percent for s in near if s.side == side)
            if sizes:
                size = rounded(-sizes[len(sizes) // 2], 2)
                rate = None if first.percent_per_hour is None else -first.percent_per_hour
                result.append(
                    msgspec.structs.replace(
                        first, instrument=whose, t_s=t_s, delta_percent=size, side=side, act="",
                        percent_per_hour=rate,
                    )
                )  # fmt: skip
        else:
            result += [msgspec.structs.replace(s, sure=_touched(shared, s)) for s in near]
    return sorted(result, key=lambda s: (s.t_s, s.instrument))


def _together(one: ShiftStudy, two: ShiftStudy) -> bool:
    """Whether two changes are at one moment; of drifts, whether they mostly lie in one time."""
    if one.until_s is None or two.until_s is None:
        return two.t_s - one.t_s <= SAME_CHANGE_S
    common = min(one.until_s, two.until_s) - max(one.t_s, two.t_s)
    return common > 0.5 * min(one.until_s - one.t_s, two.until_s - two.t_s)


def _touched(shared: Shared, shift: ShiftStudy) -> bool:
    """Whether the tester did something to this instrument, and to it alone, at that moment."""
    return any(
        a.instrument == shift.instrument and touch_of(a.act, a.instrument, shift.instrument) is not None
        for a in shared.recording.acts
        if abs(a.t_ns / 1e9 - shift.t_s) <= NEAR_ACT_S
    )


def _logs(
    shared: Shared, instruments: Sequence[int], from_s: float, to_s: float
) -> tuple[dict[int, Floats], Floats]:
    """Logarithms (percent) of block means by instrument, and each block's median power (W)."""
    grid = shared.grid
    begin, end = grid.clip((math.ceil(from_s), math.floor(to_s)))
    n = max(0, end - begin) // BLOCK_S
    rows = slice(begin, begin + n * BLOCK_S)
    middle = grid.consensus_w[rows].reshape(n, BLOCK_S)
    with np.errstate(invalid="ignore"):
        change = np.abs(middle[:, -3:].mean(axis=1) - middle[:, :3].mean(axis=1))
        power_w = middle.mean(axis=1)
        even: Bools = (change <= UNEVEN * power_w) & (power_w >= MIN_POWER_W)
    logs = {}
    for i in instruments:
        means = _series(shared, i)[rows].reshape(n, BLOCK_S).mean(axis=1)
        row = np.full(n, np.nan)
        with np.errstate(invalid="ignore"):
            good = even & (means > SHOWS_POWER * power_w)
        row[good] = 100.0 * np.log(means[good])
        logs[i] = row
    return logs, power_w


def _series(shared: Shared, i: int) -> Floats:
    """Power at the crank; of one that doubles a side, what both sides would be by the other one's shares."""
    grid = shared.grid
    own = grid.moved(i, grid.lag_s(i))
    if not grid.one_sided(i):
        return own
    j = grid.side_references[i] or 0
    total = grid.moved(j, grid.lag_s(j))
    left = moved(grid.left_w[:, j], grid.lag_s(j))
    side = left if grid.instruments[i].sides == "left" else total - left
    with np.errstate(invalid="ignore", divide="ignore"):
        result: Floats = np.where(side > 1.0, own * total / (2.0 * side), np.nan)
    return result


def _value(shared: Shared, i: int, ratio: Floats, known: Bools) -> tuple[float, float]:
    """Mean and standard uncertainty (percent) of the log ratio of `i` in percent, one value a block.

    By the noise of the whole session, and no less than what these blocks show themselves: the noise is that
    of `i` against its reference, which in a consensus is another one than the common origin.
    """
    values = ratio[known]
    usual = [s for s in shared.usual.values() if s.dof > 0.0]
    like = max(usual, key=lambda s: s.sd, default=Spread())
    found = interval(values / 100.0, like)
    if found is None or not math.isfinite(found.u95):
        return float(values.mean()), 100.0
    u95 = found.u95
    noise = shared.noise.get(i, Noise())
    if noise.dof >= 1.0:
        u95 = max(u95, noise.mean(values / 100.0, BLOCK_S * np.flatnonzero(known)).u95)
    return 100.0 * found.value, 100.0 * u95 / 1.96


def _loss_percent(shared: Shared, i: int, power_w: float) -> float:
    """Standard uncertainty of the loss that is taken out of a hub's reading."""
    return LOSS_SPREAD * 100.0 * (1.0 - shared.grid.losses[i].at_hub(power_w) / power_w)


def _asymmetry_percent(shared: Shared, i: int) -> float:
    """What the shares of another instrument add where one side stands for both."""
    grid = shared.grid
    if not grid.one_sided(i):
        return 0.0
    other: Instrument = grid.instruments[grid.side_references[i] or 0]
    return (other.claim_percent or DEFAULT_CLAIM_PERCENT) / math.sqrt(3.0)


def _against_others(opinions: Sequence[Opinion], found: Consistency) -> dict[str, tuple[float, float]]:
    result = {}
    for o in opinions:
        rest = [p for p in opinions if p is not o and found.apart[p.label] != "yes"]
        if rest:
            mean, u, _ = weighted([p.value for p in rest], [max(1e-6, p.variance) for p in rest])
            result[o.label] = (o.value - mean, math.hypot(u, o.u))
    return result
