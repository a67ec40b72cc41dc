"""States of an instrument: stretches in which nothing about it changed, and what acts between them did."""

import math
from collections.abc import Callable, Sequence
from itertools import pairwise
from statistics import NormalDist
from typing import NamedTuple

import numpy as np

from monitor.analysis.block import BLOCK_S, silent_side
from monitor.analysis.diagnose import FOLLOWS_RIDER, attribute, diagnose
from monitor.analysis.statistics import Floats
from monitor.setup.acts import touch_of
from monitor.study.estimate.line import NO_LINE, line_over
from monitor.study.estimate.sure import DRIFT, SCATTER, Levels, Spreads, between_of
from monitor.study.grid import Bools
from monitor.study.parts.acts.noted import Changed, done_at
from monitor.study.parts.changes import SAME_CHANGE_S, ridden_between
from monitor.study.parts.common import QUIET_EDGE, Shared
from monitor.study.parts.differences import judged
from monitor.study.parts.sides import as_blocks, judges_sides, told_one_side
from monitor.study.results import Opened, ShiftStudy, State, known, rounded
from monitor.text import clock, times_words

AROUND_BLOCKS = 30
"""An act is judged by so many blocks before and after it: five minutes."""
BESIDE_STOP_S = 300.0
"""What was ridden so long before and after a stop tells what was done in it."""
RIDDEN_BETWEEN_S = 5
"""A change is placed to some seconds; with more riding between them act and change are two things."""
TO_99 = 2.576 / 1.96
LEAST_BLOCKS = 3
"""Fewer blocks make no state that can be judged."""
LIKELY_OFFSET_NM = 0.2
"""A zero offset that nobody notices: between unlike torques it looks like a change (common practice, no
source)."""
NO_CHANGE_PERCENT = 1.0
"""An act did nothing if its change is surely smaller than this."""
BY_CHANCE = 0.01
"""Of all reconnections of an evening together: the chance that one looks like a change, two-sided."""


Whose = Callable[[float, float], str | None]
"""Whose a change was that came between two moments, session seconds; None: it cannot be told."""


class Boundary(NamedTuple):
    """Something that may have changed an instrument at `t_s`; `act` is empty for what data alone showed.

    `also`: acts of the same stop, before it. Nothing was ridden between them to tell them apart.
    `mixed`: acts of one stop on both instruments of a comparison, or on the one that did not move; then
    `instrument` is the one that moved, as far as independent instruments tell, else empty. `noted_s`: when
    it was noted, if later than done.
    """

    t_s: float
    opened: Opened
    act: str
    instrument: str
    also: tuple["Boundary", ...] = ()
    named: str = ""
    """What happened, with the name of the instrument."""
    mixed: tuple["Boundary", ...] = ()
    noted_s: float | None = None

    @property
    def began_s(self) -> float:
        """When the first act of the stop was."""
        return min((b.began_s for b in (*self.also, *self.mixed)), default=self.t_s)

    @property
    def maybe(self) -> bool:
        """Whether it is a boundary only if a change is seen: an act or a reconnection may change nothing."""
        return bool(self.act) or self.opened.kind == "reconnected"


class Change(NamedTuple):
    """The deviation (percent) in the blocks before and after a boundary, and the change with its 95 %."""

    before: float
    after: float
    change: float
    u95: float | None

    @property
    def seen(self) -> bool:
        """Whether it is beyond its uncertainty, at 99 %: an evening has several acts, each looked at."""
        return self.u95 is not None and abs(self.change) > TO_99 * self.u95

    def times(self, sign: float) -> "Change":
        """The same, as one of the reference if `sign` is -1."""
        return Change(sign * self.before, sign * self.after, sign * self.change, self.u95)


def boundaries_of(
    shared: Shared, label: str, shifts: Sequence[ShiftStudy], changed_at: Changed
) -> list[Boundary]:
    """Acts on an instrument and changes that are its own, in order; a change beside an act is the act's."""
    found = []
    for a in shared.recording.acts:
        kind = touch_of(a.act, a.instrument, label)
        if kind is None:
            continue
        noted_s = rounded(a.t_ns / 1e9, 1)
        t_s = done_at(shared, label, noted_s, shifts, changed_at)
        text = f"{kind} at {clock(t_s)}" + (f" ({a.text})" if a.text else "")
        if t_s != noted_s:
            text += f", noted at {clock(noted_s)}"
        late = noted_s if t_s != noted_s else None
        found.append(Boundary(t_s, Opened(kind, t_s, text), a.act, label, noted_s=late))
    for t_s in reconnections_of(shared, label):
        if not any(_same_moment(shared, t_s, b.t_s) for b in found):
            text = f"reconnected at {clock(t_s)}"
            found.append(Boundary(t_s, Opened("reconnected", t_s, text), "", label))
    for s in shifts:
        if s.instrument != label or any(_same_moment(shared, s.t_s, b.t_s) for b in found):
            continue
        opened = Opened("drift" if s.drift else "step", s.t_s, change_words(s))
        found.append(Boundary(s.t_s, opened, "", label, named=change_words(s, label)))
        if s.until_s is not None:
            at = clock(s.until_s)
            opened = Opened("drift", s.until_s, f"the end of its drift at {at}")
            found.append(
                Boundary(s.until_s, opened, "", label, named=f"the end of the drift of {label} at {at}")
            )
    return sorted(found, key=lambda b: b.t_s)


def change_words(shift: ShiftStudy, whose: str = "") -> str:
    """`a step of +2.1 % at 12:30`, `a step of pedals by +2.1 % at 12:30`, or a drift with its rate."""
    by = f"{whose} by " if whose else ""
    if not shift.drift:
        side = "" if shift.side == "total" else f" on its {shift.side} side"
        if shift.delta_percent > 100.0:
            of = f" of {whose}" if whose else ""
            return f"a step{of}{side} {times_words(shift.delta_percent)} at {clock(shift.t_s)}"
        return f"a step of {by}{shift.delta_percent:+z.1f} %{side} at {clock(shift.t_s)}"
    rate = "" if shift.percent_per_hour is None else f", {shift.percent_per_hour:+z.1f} % an hour"
    until = "on" if shift.until_s is None else f"to {clock(shift.until_s)}"
    return f"a drift of {by}{shift.delta_percent:+z.1f} % from {clock(shift.t_s)} {until}{rate}"


def reconnections_of(shared: Shared, label: str) -> list[float]:
    """When the link to an instrument was up again after it had been lost, session seconds."""
    found = []
    lost = False
    for link in shared.recording.links:
        if link.instrument != label:
            continue
        if link.state in ("down", "given-up", "radio-lost"):
            lost = True
        elif link.state == "up":
            if lost:
                found.append(rounded(link.t_ns / 1e9, 1))
            lost = False
    return found


def _same_moment(shared: Shared, change_s: float, act_s: float) -> bool:
    """Whether a change is the act's: hardly anything was ridden between them, however long the stop was."""
    return ridden_between(shared, change_s, act_s) <= RIDDEN_BETWEEN_S


class Pair:
    """One instrument against its reference, cut where either of them changed."""

    def __init__(
        self, shared: Shared, i: int, shifts: Sequence[ShiftStudy], whose: Whose = lambda _began, _t: None
    ) -> None:
        self.shared, self.i, self.shifts, self.whose = shared, i, shifts, whose
        self.label = shared.grid.labels[i]
        self.reference = shared.grid.reference_label(i) or ""
        self.blocks = shared.blocks[i]
        self.quiet: Bools = self.blocks.edge_percent < QUIET_EDGE
        self.middle: Floats = np.asarray(self.blocks.begin_s + 0.5 * BLOCK_S, dtype=np.float64)
        self.session_spread = Spreads()
        own = boundaries_of(shared, self.label, shifts, self._changed_over)
        theirs = boundaries_of(shared, self.reference, shifts, self._changed_over)
        stops = self._stops(self._apart(sorted([*own, *theirs], key=lambda b: b.t_s)))
        self.boundaries = [self._charged(b) for b in self._mixed(stops)]
        self.changes: dict[Boundary, Change] = {}
        # Before anything is known of states, each stretch between boundaries is one.
        self.session_spread = self.spreads(self.boundaries)
        self.kept: list[Boundary] = []
        self._keep()

    def _apart(self, boundaries: list[Boundary]) -> list[Boundary]:
        """Steps with nothing to judge between them and an act are the act's: a step is placed roughly.

        A drift keeps its begin and its end: what lies beyond is no part of it.
        """
        acts = [b for b in boundaries if b.maybe]
        return [
            b
            for b in boundaries
            if b.opened.kind != "step" or b.maybe or not any(self._is_the_acts(b, a) for a in acts)
        ]

    def _stops(self, boundaries: list[Boundary]) -> list[Boundary]:
        """Acts on one instrument with nothing to judge between them as one: what each did can't be told."""
        result: list[Boundary] = []
        for b in boundaries:
            last = result[-1] if result else None
            if (
                last is not None
                and last.act
                and b.act
                and last.instrument == b.instrument
                and int(self.mask(last.t_s, b.t_s).sum()) < LEAST_BLOCKS
            ):
                opened = Opened(b.opened.kind, b.t_s, f"{last.opened.text} and {b.opened.text}")
                alone = last._replace(also=())
                result[-1] = b._replace(opened=opened, also=(*last.also, alone))
            else:
                result.append(b)
        return result

    def _mixed(self, boundaries: list[Boundary]) -> list[Boundary]:
        """Acts on both instruments with nothing to judge between them as one: who moved, others say."""
        result: list[Boundary] = []
        for b in boundaries:
            last = result[-1] if result else None
            if last is None or not last.act or not b.act or self.mask(last.t_s, b.t_s).sum() >= LEAST_BLOCKS:
                result.append(b)
                continue
            acts = (*(last.mixed or (last,)), b)
            text = " and ".join(f"{a.instrument} {a.opened.text}" for a in acts)
            one = Boundary(b.t_s, Opened(b.opened.kind, b.t_s, text), b.act, "", (), text, acts)
            result[-1] = one._replace(instrument=self.whose(one.began_s, one.t_s) or "")
        return result

    def _charged(self, boundary: Boundary) -> Boundary:
        """A boundary whose change was the other one's, though nobody noted anything of that one."""
        if not boundary.act or boundary.mixed:
            return boundary
        whose = self.whose(boundary.began_s, boundary.t_s)
        if whose is None or whose == boundary.instrument or whose not in (self.label, self.reference):
            return boundary
        step = "a step of its own" if whose == self.label else f"a step of {whose}"
        text = f"{step}, as {boundary.instrument} was {boundary.opened.text}"
        opened = Opened("step", boundary.t_s, text)
        return Boundary(boundary.t_s, opened, boundary.act, whose, (), text, (boundary,))

    def _changed_over(self, begin_s: float, end_s: float) -> bool:
        """Whether the two surely read otherwise after a stop than before it."""
        change = self.change(end_s, begin_s - BESIDE_STOP_S, end_s + BESIDE_STOP_S, begin_s)
        return change is not None and change.seen and abs(change.change) > NO_CHANGE_PERCENT

    def _is_the_acts(self, step: Boundary, act: Boundary) -> bool:
        low, high = sorted((step.t_s, act.t_s))
        near = ridden_between(self.shared, low, high) <= SAME_CHANGE_S
        return near and int(self.mask(low, high).sum()) < LEAST_BLOCKS

    def _keep(self) -> None:
        """Keep the boundaries that changed something; the stretches beside the others are one state."""
        kept = self.kept
        for boundary in self.boundaries:
            change = self.change_within(*self.reach(boundary), boundary)
            if boundary.opened.kind == "drift":
                # A ramp was held against steps already; beside its ends hardly anything moves.
                kept.append(boundary)
                continue
            if change is None:
                # A step that was found is one, however little was ridden beside it.
                if not boundary.maybe:
                    kept.append(boundary)
                continue
            self.changes[boundary] = change
            if self._changed(boundary, change):
                kept.append(boundary)

    def _changed(self, boundary: Boundary, change: Change) -> bool:
        """Whether a boundary is one. Of many reconnections some look like a change by chance (Bonferroni)."""
        if change.u95 is None or abs(change.change) + change.u95 <= NO_CHANGE_PERCENT:
            return False
        if boundary.opened.kind != "reconnected":
            return change.seen
        many = sum(b.opened.kind == "reconnected" for b in self.boundaries)
        times = NormalDist().inv_cdf(1.0 - 0.5 * BY_CHANCE / many) / 1.96
        return abs(change.change) > max(NO_CHANGE_PERCENT, times * change.u95)

    def reach(self, boundary: Boundary) -> tuple[float, float]:
        """From the boundary kept before to the next one after: what is between them is beside this one."""
        from_s = max((b.t_s for b in self.kept if b.t_s < boundary.t_s), default=-math.inf)
        later = (
            b.began_s for b in self.boundaries if b.t_s > boundary.t_s and b.opened.kind != "reconnected"
        )
        return from_s, min(later, default=math.inf)

    def change_within(self, from_s: float, to_s: float, boundary: Boundary) -> Change | None:
        """The change at a boundary, by the blocks near it in [from_s, to_s]; None: too few."""
        return self.change(boundary.t_s, from_s, to_s, boundary.began_s)

    def change(self, t_s: float, from_s: float, to_s: float, began_s: float | None = None) -> Change | None:
        """The change of the deviation at `t_s`, by the blocks near it in [from_s, to_s]; None: too few.

        `began_s`: if what changed it took until `t_s`, when it began.
        """
        before, after = self.beside(t_s, from_s, to_s, t_s if began_s is None else began_s)
        if min(before.sum(), after.sum()) < LEAST_BLOCKS:
            return None
        one, two = (self.shared.mean(self.i, m) for m in (before, after))
        if one is None or two is None:
            return None
        change = 100.0 * (math.expm1(two.value) - math.expm1(one.value))
        u95 = None
        if math.isfinite(one.u95) and math.isfinite(two.u95):
            unlike = unlike_percent(self.blocks.torque_nm, before, after)
            levels = [np.bincount(self.blocks.segment[m]).tolist() for m in (before, after)]
            sides = zip((before, after), levels, strict=True)
            begins = self.blocks.begin_s
            spread = [self.session_spread.at(float(begins[m][0])).percent(counts) for m, counts in sides]
            u95 = math.hypot(100.0 * one.u95, 100.0 * two.u95, unlike, *spread)
        return Change(100.0 * math.expm1(one.value), 100.0 * math.expm1(two.value), change, u95)

    def beside(self, t_s: float, from_s: float, to_s: float, began_s: float) -> tuple[Bools, Bools]:
        """The blocks near a moment, before it began and after it, in [from_s, to_s]."""
        # Averaging carries a change into the block that holds it.
        before = self.quiet & (self.middle > from_s) & (self.blocks.begin_s + BLOCK_S <= began_s)
        after = self.quiet & (self.blocks.begin_s >= t_s) & (self.middle < to_s)
        before[np.flatnonzero(before)[:-AROUND_BLOCKS]] = False
        after[np.flatnonzero(after)[AROUND_BLOCKS:]] = False
        return before, after

    def drifted(self, from_s: float, to_s: float) -> float:
        """By how many percent a drift moved the instrument, or the other one, within [from_s, to_s]."""
        total = 0.0
        for s in self.shifts:
            if s.drift and s.until_s is not None and s.instrument in (self.label, self.reference):
                overlap = min(to_s, s.until_s) - max(from_s, s.t_s)
                sign = 1.0 if s.instrument == self.label else -1.0
                total += sign * s.delta_percent * max(0.0, overlap) / (s.until_s - s.t_s)
        return total

    def mask(self, from_s: float, to_s: float) -> Bools:
        """Quiet blocks that lie wholly in [from_s, to_s)."""
        result: Bools = self.quiet & (self.blocks.begin_s >= from_s) & (self.blocks.begin_s + BLOCK_S <= to_s)
        return result

    def states(self) -> list[State]:
        """All states, also those too short to be judged, in order."""
        edges = [b.t_s for b in self.kept]
        opened = [Opened("start", 0.0, ""), *(b.opened for b in self.kept)]
        for k, boundary in enumerate(self.kept, 1):
            if boundary.instrument != self.label or boundary.mixed:
                text = boundary.named or f"{boundary.instrument} {opened[k].text}"
                opened[k] = Opened(opened[k].kind, opened[k].t_s, text)
        starts, ends = [0.0, *edges], [*edges, float(self.shared.grid.seconds)]
        return [
            state_of(
                self, rounded(a, 1), rounded(b, 1), o, k > 0 and self.kept[k - 1].instrument == self.label
            )
            for k, (a, b, o) in enumerate(zip(starts, ends, opened, strict=True))
        ]

    def spreads(self, boundaries: Sequence[Boundary]) -> Spreads:
        """How far segments between two boundaries lie apart, beyond what their noise makes of them."""
        noise = self.shared.noise[self.i]
        edges = [0.0, *(b.t_s for b in boundaries), float(self.shared.grid.seconds)]
        usual, own = [], []
        for a, b in pairwise(edges):
            if abs(self.drifted(a, b)) > NO_CHANGE_PERCENT or noise.variance <= 0.0:
                # What drifts has no level that segments could lie beside.
                continue
            mask = self.mask(a, b)
            off = self._off_line(mask)
            levels, beside = [], []
            for k in np.unique(self.blocks.segment[mask]):
                inside = mask & (self.blocks.segment == k)
                begin_s = self.blocks.begin_s[inside]
                if len(begin_s) >= LEAST_BLOCKS:
                    variance = noise.of_mean(begin_s)
                    levels.append((float(self.blocks.y[inside].mean()), variance))
                    if off is not None:
                        beside.append((float(off[inside].mean()), variance))
            if off is None:
                usual.append(Levels(levels))
            else:
                usual.append(Levels(beside, 2))
                own.append((a, b, between_of([Levels(levels)])))
        return Spreads(between_of(usual), tuple(own))

    def _off_line(self, mask: Bools) -> Floats | None:
        """Log ratios beside the line of gain and zero offset; None unless these blocks show an offset."""
        x = self.blocks.torque_nm
        if not np.isfinite(x[mask]).all():
            return None
        line = line_over(self.shared, self.i, mask)
        if line is None or not line.apart or abs(line.fit.offset_nm) <= line.u_offset_nm:
            return None
        with np.errstate(invalid="ignore", divide="ignore"):
            result: Floats = self.blocks.y - np.log(line.fit.gain + line.fit.offset_nm / x)
        return result


def unlike_percent(torque_nm: Floats, before: Bools, after: Bools) -> float:
    """What a likely zero offset makes of a difference between the torques before and after."""
    known = [torque_nm[m & np.isfinite(torque_nm)] for m in (before, after)]
    means = [float(k.mean()) for k in known if len(k)]
    if len(means) < 2:
        return 0.0
    return 100.0 * LIKELY_OFFSET_NM * abs(1.0 / means[0] - 1.0 / means[1])


def state_of(pair: Pair, from_s: float, to_s: float, opened: Opened, own: bool = False) -> State:
    """One state with the budget of its interval: parts that average down and parts that do not.

    The deviation is the mean of the log ratio of its blocks. `own`: what opened it was this instrument's.
    """
    blocks, shared, i = pair.blocks, pair.shared, pair.i
    mask = pair.mask(from_s, to_s)
    sure = shared.sure(i, mask)
    if sure is None or sure.n < LEAST_BLOCKS:
        return State(from_s, to_s, opened, int(mask.sum()), None, None, None, "undecided")
    u95 = sure.u95 if math.isfinite(sure.u95) else None
    limit = shared.grid.limit_percent(i, float(blocks.reference_w[mask].mean()))
    verdict = judged(sure.percent, u95, limit)
    end = end_u95 = None
    if opened.kind == "drift" and u95 is not None and (moved := pair.drifted(from_s, to_s)):
        # The end of a line is known half as well as its middle (the regression of evenly spaced values).
        end, end_u95 = sure.percent + 0.5 * moved, math.hypot(u95, math.sqrt(3.0) * sure.parts[SCATTER])
        sure.parts[DRIFT] = 0.5 * abs(moved)
        u95 = math.hypot(u95, sure.parts[DRIFT])
        verdict = judged(end, end_u95, limit) if own else judged(sure.percent, u95, limit)
        if own and to_s < shared.grid.seconds and abs(began := end - moved) > abs(end):
            # It may have come right by a drift: then what it began with is what was wrong.
            verdict = judged(began, end_u95, limit)
    cause = None
    if verdict == "differs":
        cause = "drift" if own and end is not None else _cause(pair, mask, to_s)
    left, right = (_side(shared, i, mask, side) for side in ("left", "right"))
    line = line_over(shared, i, mask)
    known_line = line.rounded if line is not None and line.apart else NO_LINE
    return State(
        from_s, to_s, opened, sure.n, rounded(sure.percent, 3), known(u95, 3), rounded(limit, 3), verdict,
        left[0], left[1], right[0], right[1], known_line[0], known_line[1], known_line[2], known_line[3],
        cause=cause,
        budget={part: rounded(v, 3) for part, v in sure.parts.items() if math.isfinite(v)},
        end_percent=known(end, 3) if own else None, end_u95_percent=known(end_u95, 3) if own else None,
        silent_side=silent_side(as_blocks(blocks, mask)) if judges_sides(shared, i) else None,
    )  # fmt: skip


def _side(shared: Shared, i: int, mask: Bools, side: str) -> tuple[float | None, float | None]:
    """A side's deviation and its 95 %, percent."""
    sure = shared.sure_side(i, mask, side)
    if sure is None or sure.n < LEAST_BLOCKS:
        return None, None
    return rounded(sure.percent, 3), known(sure.u95, 3)


def _cause(pair: Pair, mask: Bools, to_s: float) -> str:
    """Why it deviates in this state, from the blocks of this state alone."""
    grid, i = pair.shared.grid, pair.i
    if grid.follows_rider(i):
        return FOLLOWS_RIDER.cause
    rows = as_blocks(pair.blocks, mask)
    split = attribute(rows) if judges_sides(pair.shared, i) else None
    if split is not None and split.named(told_one_side(pair.shared, i, to_s)) is not None:
        return "one-side"
    loss_w = max(grid.losses[i].watts, grid.base_loss(i).watts)
    return diagnose(rows, "total", pair.shared.usual[i].sd, loss_w).cause


def left_mask(pair: Pair, states: Sequence[State]) -> Bools:
    """The quiet blocks of the last state that can be judged: what one number of a session speaks of."""
    for state in reversed(states):
        if state.deviation_percent is not None:
            return pair.mask(state.from_s, state.to_s)
    return pair.quiet


def found_mask(pair: Pair, states: Sequence[State]) -> Bools | None:
    """The quiet blocks of the first state that can be judged; None if it is the last one as well."""
    judged_states = [s for s in states if s.deviation_percent is not None]
    return pair.mask(judged_states[0].from_s, judged_states[0].to_s) if len(judged_states) > 1 else None
