"""A session second by second: every instrument beside its reference, lags and losses taken out.

Everything that is studied afterwards is read from here. Powers are crank-equivalent: a
hub's power plus the loss that the bench states. nan means: not known.
"""

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from capture.profiles import ant_trainer, fitness_machine
from capture.record import Write
from monitor.analysis.block import BLOCK_S, MIN_POWER_W
from monitor.analysis.curve import COVERED, LEFT, REVS, SIDED, TURNED, WORK
from monitor.analysis.expected import (
    LOSS_SPREAD,
    RIDER_PERCENT,
    Loss,
    follows_rider,
    likely_lag,
    limits,
    loss_of,
)
from monitor.analysis.statistics import Floats
from monitor.setup.bench import CONSENSUS, Instrument
from monitor.study.asked.span import Span
from monitor.study.estimate.delay import UNKNOWN_LAG_S, Delay, delay_of, stretches
from monitor.study.estimate.edges import edge_percent
from monitor.study.estimate.shares import idle, unsettled
from monitor.study.recording import Recording
from monitor.study.segments import row_median
from monitor.study.shown import shown_over_counted

Bools = npt.NDArray[np.bool_]
Ints = npt.NDArray[np.int64]

WHOLE = 0.98
"""A second counts as covered from this part of it on."""
HELD_LONG_S = 1.5
"""A value of a ride file that stands longer was held for want of a new one."""
NO_POWER_W = 5.0
NO_POWER_S = 4
"""No power for this long while the others show it is a fault of its own, not a difference."""
SMEARED_S = 3
"""Averaging instruments carry a fault of the signal into so many neighbouring seconds."""

HELD, GRADE, RESISTANCE = "held", "grade", "resistance"


# -- the session
NEARLY_NONE = 0.05
"""An instrument that reads less than this part of the other shows no power: a fault of its own, no ratio."""


@dataclass(slots=True)
class Compared:
    """One instrument and its reference second by second, W at the crank; the first moved by its lag.

    The sides are as the instruments tell them; nan where either does not.
    """

    own_w: Floats
    reference_w: Floats
    left_w: Floats
    right_w: Floats
    left_reference_w: Floats
    right_reference_w: Floats
    u_loss_percent: float = 0.0


@dataclass(slots=True)
class Blocks:
    """Blocks of ten known seconds of one instrument: parallel arrays, one entry a block.

    `y` is the log ratio to the reference, `edge_percent` what a lag can make of it.
    """

    begin_s: Ints = field(default_factory=lambda: np.zeros(0, dtype=np.int64))
    segment: Ints = field(default_factory=lambda: np.zeros(0, dtype=np.int64))
    y: Floats = field(default_factory=lambda: np.zeros(0))
    own_w: Floats = field(default_factory=lambda: np.zeros(0))
    reference_w: Floats = field(default_factory=lambda: np.zeros(0))
    cadence_rpm: Floats = field(default_factory=lambda: np.zeros(0))
    edge_percent: Floats = field(default_factory=lambda: np.zeros(0))
    y_left: Floats = field(default_factory=lambda: np.zeros(0))
    y_right: Floats = field(default_factory=lambda: np.zeros(0))
    left_w: Floats = field(default_factory=lambda: np.zeros(0))
    right_w: Floats = field(default_factory=lambda: np.zeros(0))
    left_reference_w: Floats = field(default_factory=lambda: np.zeros(0))
    right_reference_w: Floats = field(default_factory=lambda: np.zeros(0))

    def ratios(self, side: str) -> Floats:
        """The log ratio of a side, or of the total for an empty one."""
        return {"": self.y, "left": self.y_left, "right": self.y_right}[side]

    @property
    def torque_nm(self) -> Floats:
        """Torque of the reference at the crank."""
        with np.errstate(invalid="ignore", divide="ignore"):
            result: Floats = self.reference_w * 60.0 / (2.0 * math.pi * self.cadence_rpm)
        return result


class Grid:
    """All seconds of a session, with reference, losses and lags of its instruments.

    Arrays have shape (seconds, instruments): `power_w` as shown, `sound_w` the same without
    what was seen to be a fault of the signal (no power, stuck, spikes: these are told for
    themselves), `crank_w` that at the crank, `left_w`, `cadence_rpm`. `rpm` is the median
    cadence of all that tell one.
    """

    def __init__(self, recording: Recording) -> None:
        self.recording = recording
        self.bench = recording.bench
        self.labels = recording.labels
        self.cells = recording.cells
        self.seconds = len(recording.cells)
        self.instruments = recording.bench.instruments
        self.powered = [i for i, instrument in enumerate(self.instruments) if instrument.measures_power]
        self.reference = (
            self.labels.index(self.bench.reference) if self.bench.reference in self.labels else None
        )
        self.side_references = dict(recording.side_references)
        for i in self.powered:
            # One whose split is computed has none while riding: it is compared for showing alone.
            if i not in self.side_references or self.instruments[i].sides == "computed":
                self.side_references[i] = self._side_reference(i)
        self.losses = [loss_of(instrument) for instrument in self.instruments]
        self.power_w = self._shown(WORK, COVERED)
        self.accounts = [
            shown_over_counted(recording, i, self.power_w[:, i]) for i in range(len(self.labels))
        ]
        # What it shows is what is judged; its counters say when the work was done.
        self.power_w *= [self.shown_factor(i) for i in range(len(self.labels))]
        self.ridden = np.stack([self._ridden(i) for i in range(len(self.labels))], axis=1)
        with np.errstate(invalid="ignore"):
            self.no_power = self.ridden & (self.power_w < NO_POWER_W)
        for i in range(len(self.labels)):
            self.no_power[:, i] = _longer_than(self.no_power[:, i] & (i in self.powered), NO_POWER_S)
        self.excluded = self._excluded()
        self.sound_w = np.where(self.excluded, np.nan, self.power_w)
        self.crank_w = np.full_like(self.power_w, np.nan)
        for i in self.powered:
            self.crank_w[:, i] = at_crank(self.losses[i], self.sound_w[:, i])
        self.left_w = np.where(self.excluded, np.nan, self._shown(LEFT, SIDED)) * [
            self.shown_factor(i) for i in range(len(self.labels))
        ]
        self.cadence_rpm = 60.0 * self._shown(REVS, TURNED)
        self.rpm = row_median(self.cadence_rpm)
        self.consensus_w = row_median(self.crank_w[:, self.powered])
        self.lags = self._lags()
        self._compared: dict[int, Compared] = {}
        self._held: dict[int, Floats] = {}

    def shown_factor(self, i: int) -> float:
        """What its counted power is multiplied by to be what it shows: 1 while both accounts agree."""
        account = self.accounts[i]
        return account.ratio if account is not None and account.leaves_one else 1.0

    def _side_reference(self, i: int) -> int | None:
        """Whose sides an instrument that joined afterwards is compared with: the most trusted."""
        if i == self.reference:
            return None
        both = [j for j in self.powered if j != i and self.instruments[j].sides == "both"]
        order = {"reference": 0, "witness": 1, "on-test": 2}
        return min(
            both, key=lambda j: (j != self.reference, order[self.instruments[j].role], j), default=None
        )

    def _shown(self, amount: int, time: int) -> Floats:
        seconds = self.cells[:, :, time]
        with np.errstate(invalid="ignore", divide="ignore"):
            result: Floats = np.where(seconds > WHOLE, self.cells[:, :, amount] / seconds, np.nan)
        return result

    def _ridden(self, i: int) -> Bools:
        """Seconds in which most others showed power, and had for three seconds, and went on to."""
        others = [j for j in self.powered if j != i]
        with np.errstate(invalid="ignore"):
            votes = (self.power_w[:, others] >= MIN_POWER_W).sum(axis=1)
            voters = np.isfinite(self.power_w[:, others]).sum(axis=1)
        on = (votes > 0) & (2 * votes > voters)
        calm: Bools = on.copy()
        for by in (1, 2, 3):
            calm[by:] &= on[:-by]
            calm[:-by] &= on[by:]
        return calm

    def _excluded(self) -> Bools:
        """Seconds that say nothing of accuracy: no power, stuck, a spike, with what averaging smears."""
        mask: Bools = self.no_power.copy()
        for finding in self.recording.findings:
            if finding.kind not in ("stuck", "spike") or finding.event != "raised":
                continue
            if finding.instrument not in self.labels:
                continue
            i = self.labels.index(finding.instrument)
            begin = int(finding.since_s)
            end = begin + 1
            if finding.kind == "stuck":
                over = [
                    f.t_s
                    for f in self.recording.findings
                    if (f.kind, f.instrument, f.event) == ("stuck", finding.instrument, "cleared")
                    and f.t_s >= finding.t_s
                ]
                end = math.ceil(over[0]) if over else self.seconds
            mask[begin:end, i] = True
        wide: Bools = mask.copy()
        for by in range(1, SMEARED_S + 1):
            wide[by:] |= mask[:-by]
            wide[:-by] |= mask[by:]
        return wide

    # -- lags

    def _lags(self) -> dict[int, Delay]:
        """Each instrument's lag behind the reference (or the first instrument with power)."""
        found: dict[int, Delay] = {}
        base = self.lag_base
        for i in self.powered:
            if base is None or i == base:
                continue
            likely = likely_lag(self.instruments[i], self.instruments[base])
            delay = delay_of(self.sound_w[:, base], self.sound_w[:, i], likely)
            if delay is not None:
                found[i] = delay
        return found

    @property
    def lag_base(self) -> int | None:
        """The instrument against which lags are read: the reference, without one the first."""
        if self.reference is not None:
            return self.reference
        return self.powered[0] if self.powered else None

    def lag_s(self, i: int) -> float:
        """The lag that comparisons correct for; 0 while it isn't known."""
        delay = self.lags.get(i)
        return delay.lag_s if delay is not None else 0.0

    def lag_bound_s(self, i: int) -> float:
        """What may be left of a difference in timing."""
        delay = self.lags.get(i)
        return delay.bound_s if delay is not None else UNKNOWN_LAG_S

    # -- against what

    def one_sided(self, i: int) -> bool:
        """Whether the instrument doubles one side and is compared with twice that side."""
        return self.instruments[i].sides in ("left", "right") and self.side_references.get(i) is not None

    def reference_label(self, i: int) -> str | None:
        """What instrument `i` is compared with; None if there is nothing."""
        if self.reference == i or i not in self.powered:
            return None
        if self.one_sided(i):
            return self.labels[self.side_references[i] or 0]
        if self.reference is None:
            return CONSENSUS if len(self.powered) >= 3 else None
        return self.labels[self.reference]

    def others(self, i: int) -> list[Instrument]:
        """Whose claims count beside that of instrument `i`."""
        if self.one_sided(i):
            return [self.instruments[self.side_references[i] or 0]]
        if self.reference is not None:
            return [self.instruments[self.reference]]
        return [self.instruments[j] for j in self.powered if j != i]

    def limit_percent(self, i: int, reference_w: float) -> float:
        """What instrument `i` may differ at this power: the claims, but never finer than the floor."""
        limit = limits(self.bench, self.instruments[i], self.others(i), reference_w).percent
        return limit + (RIDER_PERCENT if self.follows_rider(i) else 0.0)

    def follows_rider(self, i: int) -> bool:
        """Whether the instrument doubles one side and nobody reports the rider's sides."""
        return follows_rider(self.instruments[i], self.side_references.get(i))

    def side_limit_percent(self, i: int, side_w: float) -> float:
        """The same for a side of instrument `i`, at that side's power."""
        j = self.side_references.get(i)
        others = [self.instruments[j]] if j is not None else self.others(i)
        return limits(self.bench, self.instruments[i], others, side_w, side=True).percent

    def base_loss(self, i: int) -> Loss:
        """The loss of what instrument `i` is compared with."""
        if self.reference is None or self.one_sided(i):
            return Loss()
        return self.losses[self.reference]

    def u_loss_percent(self, i: int, reference_w: float) -> float:
        """Standard uncertainty, percent, of the losses that the comparison takes out."""
        losses = [self.losses[i], self.base_loss(i)]
        if self.reference is None and not self.one_sided(i):
            losses += [self.losses[j] for j in self.powered if j != i]
        return LOSS_SPREAD * max(100.0 * (1.0 - x.at_hub(reference_w) / reference_w) for x in losses)

    def compared(self, i: int) -> Compared:
        """Instrument `i` and its reference, second by second."""
        if i not in self._compared:
            self._compared[i] = self._compare(i)
        return self._compared[i]

    def _compare(self, i: int) -> Compared:
        sides = self.instruments[i].sides
        side = self.side_references.get(i)
        nothing = np.full(self.seconds, np.nan)
        if self.one_sided(i) and side is not None:
            lag = self._between(i, side)
            left = self.left_w[:, side]
            # Twice one side: comparable with twice that side of another, not with a total.
            reference = 2.0 * (left if sides == "left" else self.sound_w[:, side] - left)
        elif self.reference is not None:
            lag = self.lag_s(i)
            reference = self.crank_w[:, self.reference]
        else:
            lag = 0.0
            base = self.lag_s(i)
            theirs = [self.moved(j, self.lag_s(j) - base) for j in self.powered if j != i]
            stacked = np.stack(theirs, axis=1) if theirs else np.full((self.seconds, 1), np.nan)
            known = np.isfinite(stacked).sum(axis=1) >= 2
            reference = np.where(known, row_median(stacked), np.nan)
        result = Compared(self.moved(i, lag), reference, nothing, nothing, nothing, nothing)
        if sides == "total":
            return result
        if side is not None:
            by = self._between(i, side)
            left = self.left_w[:, side]
            result.left_reference_w = left
            result.right_reference_w = self.sound_w[:, side] - left
        else:
            by = lag
        own_left = moved(self.left_w[:, i], by)
        if sides != "right":
            result.left_w = own_left
        if sides != "left":
            result.right_w = moved(self.sound_w[:, i], by) - own_left
        if side is not None and sides == "both":
            _without_idle_sides(result)
        return result

    def _between(self, i: int, j: int) -> float:
        """Lag of instrument `i` behind `j`."""
        return self.lag_s(i) - self.lag_s(j)

    def moved(self, i: int, lag_s: float) -> Floats:
        """Crank-equivalent power of instrument `i`, read `lag_s` later."""
        return at_crank(self.losses[i], moved(self.sound_w[:, i], lag_s))

    def held_variance(self, i: int) -> Floats:
        """What holding a value until the next one may have done to each second's work, J squared.

        Over a gap the power went from the held value to the next by an unknown way: its mean lies anywhere
        between both alike (a rectangular distribution, GUM 4.3.7), about the held value.
        """
        if i not in self._held:
            found = np.zeros(self.seconds + 1)
            holds = self.recording.holds[i] if i < len(self.recording.holds) else np.zeros((0, 4))
            for (at, held_s, power, paused), after in itertools.pairwise(holds):
                if held_s > HELD_LONG_S and not paused and not after[3] and at + held_s > after[0] - 0.01:
                    change_j = (after[2] - power) * held_s
                    if np.isfinite(change_j) and 0.0 <= at < self.seconds:
                        found[int(at)] += change_j * change_j / 3.0
            self._held[i] = found[: self.seconds]
        return self._held[i]

    def held_percent(self, i: int, begin: int, end: int, power_w: float) -> float:
        """95 % half-width, percent of the work of [begin, end), that held values of both leave open."""
        reference = self.side_references.get(i) if self.one_sided(i) else self.reference
        variance = float(self.held_variance(i)[begin:end].sum())
        if reference is not None:
            variance += float(self.held_variance(reference)[begin:end].sum())
        return 100.0 * 1.96 * math.sqrt(variance) / (max(1, end - begin) * power_w)

    # -- blocks

    def paused(self, i: int) -> Bools:
        """Seconds in which the timer of a ride file stood still, or the file had not begun or was over."""
        found: Bools = np.zeros(self.seconds, dtype=bool)
        if i < len(self.recording.holds):
            for at, held_s, _power, paused in self.recording.holds[i]:
                if paused:
                    found[max(0, int(at)) : max(0, math.ceil(at + held_s))] = True
        return found

    def blocks(self, i: int, spans: Sequence[Span]) -> Blocks:
        """All blocks of instrument `i` in the settled parts of the segments, in order."""
        pair = self.compared(i)
        starts: list[Ints] = []
        segment: list[Ints] = []
        known = np.isfinite(pair.own_w) & np.isfinite(pair.reference_w)
        for k, span in enumerate(spans):
            first, last = self.clip(span.compared())
            for begin, end in stretches(known[first:last]):
                n = (end - begin) // BLOCK_S
                starts.append(first + begin + BLOCK_S * np.arange(n, dtype=np.int64))
                segment.append(np.full(n, k, dtype=np.int64))
        at = np.concatenate(starts) if starts else np.zeros(0, dtype=np.int64)
        of = np.concatenate(segment) if segment else np.zeros(0, dtype=np.int64)
        rows = at[:, None] + np.arange(BLOCK_S)
        own, reference = pair.own_w[rows].mean(axis=1), pair.reference_w[rows].mean(axis=1)
        with np.errstate(invalid="ignore", divide="ignore"):
            good = (reference >= MIN_POWER_W) & (own > NEARLY_NONE * reference)
        at, of, rows, own, reference = at[good], of[good], rows[good], own[good], reference[good]
        if not len(at):
            return Blocks()
        edge = edge_percent(pair.own_w, pair.reference_w, at, at + BLOCK_S, self.lag_bound_s(i))
        cadence = np.full(len(at), np.nan)
        turned = np.isfinite(self.rpm[rows])
        enough = turned.sum(axis=1) >= BLOCK_S // 2
        cadence[enough] = np.nanmean(self.rpm[rows[enough]], axis=1)
        left, right = pair.left_w[rows].mean(axis=1), pair.right_w[rows].mean(axis=1)
        left_r = pair.left_reference_w[rows].mean(axis=1)
        right_r = pair.right_reference_w[rows].mean(axis=1)
        return Blocks(
            at, of, np.log(own / reference), own, reference, cadence, edge,
            log_ratio(left, left_r), log_ratio(right, right_r), left, right, left_r, right_r,
        )  # fmt: skip

    def clip(self, window: tuple[int, int]) -> tuple[int, int]:
        """A window held to the seconds that there are."""
        begin, end = (min(max(0, at), self.seconds) for at in window)
        return begin, max(begin, end)


def at_crank(loss: Loss, power_w: Floats) -> Floats:
    """Crank power for a hub's, as `Loss.at_crank`, for arrays."""
    with np.errstate(invalid="ignore"):
        result: Floats = np.where(
            power_w > 0.0, (power_w + loss.watts) / (1.0 - loss.percent / 100.0), power_w
        )
    return result


def moved(power_w: Floats, lag_s: float) -> Floats:
    """Power of each second read `lag_s` later: exact differences of cumulative work.

    Seconds that touch an unknown one, or reach over the ends, are unknown.
    """
    if abs(lag_s) < 0.01:
        return power_w
    n = len(power_w)
    known = np.isfinite(power_w)
    total = np.concatenate(([0.0], np.cumsum(np.where(known, power_w, 0.0))))
    holes = np.concatenate(([0.0], np.cumsum(~known)))
    knots = np.arange(n + 1.0)
    at = knots + lag_s
    result: Floats = np.diff(np.interp(at, knots, total))
    unknown = (np.diff(np.interp(at, knots, holes)) > 1e-9) | (at[1:] > n + 1e-9) | (at[:-1] < -1e-9)
    result[unknown] = np.nan
    return result


def _without_idle_sides(pair: Compared) -> None:
    """Leave out the seconds in which two that tell both sides tell nothing of them that could be compared."""
    own, theirs = (pair.left_w, pair.right_w), (pair.left_reference_w, pair.right_reference_w)
    moves = unsettled(*own) | unsettled(*theirs)
    left, right = idle(*own, *theirs)
    pair.left_w, pair.right_w = (
        np.where(moves | none, np.nan, w) for w, none in zip(own, (left, right), strict=True)
    )


def _longer_than(mask: Bools, seconds: int) -> Bools:
    result: Bools = np.zeros_like(mask)
    for begin, end in stretches(mask):
        result[begin:end] = end - begin >= seconds
    return result


def log_ratio(a: Floats, b: Floats) -> Floats:
    """log(a / b) where both are at least a third of MIN_POWER_W, else nan."""
    result = np.full(len(a), np.nan)
    with np.errstate(invalid="ignore"):
        good = (b >= MIN_POWER_W / 3) & (a > NEARLY_NONE * b)
    result[good] = np.log(a[good] / b[good])
    return result


# -- how the load was held


_MODES: dict[str, dict[int, str | None]] = {
    "2AD9": {
        fitness_machine.SET_POWER: HELD,
        fitness_machine.SET_SIMULATION: GRADE,
        fitness_machine.SET_RESISTANCE: RESISTANCE,
        fitness_machine.RESET: None,
        fitness_machine.STOP_OR_PAUSE: None,
    },
    "ant17": {
        ant_trainer.TargetPower.NUMBER: HELD,
        ant_trainer.TrackResistance.NUMBER: GRADE,
        ant_trainer.WindResistance.NUMBER: GRADE,
        ant_trainer.BasicResistance.NUMBER: RESISTANCE,
    },
}
"""What a request makes of the load, by its channel and its op code or page; all others leave it as it is."""


def held_by(writes: Sequence[Write], seconds: int) -> list[str | None]:
    """Per second what the trainer was told: `held` (a target power), `grade`, `resistance`, or None.

    From the requests that went out to the control point of a fitness machine (Fitness Machine Service 1.0)
    and the command pages of an ANT+ trainer.
    """
    result: list[str | None] = [None] * seconds
    changes: list[tuple[int, str | None]] = []
    for write in writes:
        modes = _MODES.get(write.channel)
        if write.outcome != "sent" or not write.data or modes is None or write.data[0] not in modes:
            continue
        mode = modes[write.data[0]]
        changes.append((math.ceil(write.t_ns / 1e9), mode))
    for k, (at, mode) in enumerate(changes):
        stop = changes[k + 1][0] if k + 1 < len(changes) else seconds
        for second in range(max(0, at), min(seconds, stop)):
            result[second] = mode
    return result
