"""A finished session judged segment by segment: the one place that computes what is told afterwards.

A segment is looked at once, so its interval is Student's over blocks of ten seconds of
the log ratio, with their autocorrelation counted; the difference itself is a ratio of
work. What is told is in `monitor.study.results`.
"""

import math
import re
import warnings
from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from monitor.analysis.block import BLOCK_S, MIN_POWER_W, Block
from monitor.analysis.blockstats import (
    Interval,
    Spread,
    change_points,
    components,
    interval,
    limits_of_agreement,
    step_beside,
    usual_spread,
)
from monitor.analysis.curve import COVERED, LEFT, REVS, SIDED, TURNED, WORK
from monitor.analysis.diagnose import Diagnosis, attribute, diagnose, three_cornered_hat, torque_line
from monitor.analysis.expected import LOSS_SPREAD, tolerance_percent
from monitor.analysis.statistics import Floats, judge
from monitor.study.grid import SMEARED_S, Blocks, Bools, Grid, Ints, held_by, log_ratio, moved, stretches
from monitor.study.recording import Recording
from monitor.study.results import (
    Agreement,
    Cycles,
    Difference,
    Efficiency,
    InstrumentStudy,
    Judged,
    Means,
    Part,
    Peak,
    Repeat,
    SegmentStudy,
    ShiftStudy,
    SideResult,
    Signal,
    Split,
    Sprint,
    Study,
    TorqueLine,
    encode,
    known,
    rounded,
)
from monitor.study.segments import Span, is_steady, spans_of
from monitor.study.verdict import Judgement, conclude, open_questions

__all__ = ["best_mean", "encode", "study"]

PEAKS_S = (1, 5, 15, 30, 60)
MAXIMAL_S = (1, 3, 5, 15, 30, 60, 300, 1200)
SPRINT_S = (1, 3, 5)
COARSE_SHARE_PERCENT = 0.57
"""95 % of what a share in steps of half a percent of the total can hide of a side."""
QUIET_EDGE = 2.0
"""Blocks whose edges may add more percent than this say nothing of scale, torque and cadence."""
LEAST_S = 5
"""Fewer known seconds make no difference of a segment."""
CHANGE_BIN_S = 5
EVEN = 0.1
"""Neighbouring five-second means of an even load differ by no more than this part of it."""
LEAST_CHANGE_PERCENT = 1.0
LEAST_SIDE_PERCENT = 3.0
CHANGE_SIGMA = 5.5
NEAR_ACT_S = 20.0
SAME_CHANGE_S = 45.0
TORQUE_BINS_NM = (0.0, 12.0, 20.0, 28.0, 36.0, 48.0, math.inf)
CADENCE_BINS_RPM = (0.0, 65.0, 80.0, 95.0, 110.0, math.inf)
POWER_BINS_W = (0.0, 125.0, 175.0, 225.0, 275.0, 350.0, math.inf)
FACTS = (
    "name", "manufacturer", "manufacturer_id", "model", "model_number", "serial", "firmware", "hardware",
    "software", "crank_length_mm", "battery_percent", "battery_v", "battery_state",
)  # fmt: skip
EFFICIENCY_W = (50.0, 100.0, 200.0, 400.0)
EFFICIENCY_PERCENT = ((94.2, 96.2, 97.4, 98.1), (94.1, 96.4, 97.6, 98.4), (92.1, 94.9, 96.9, 97.8))
"""Efficiency of a clean derailleur drive at 50, 100, 200 and 400 W with sprockets of 24, 19 and 13 teeth
(Wilson, Bicycling Science, 3rd ed.)."""


def study(recording: Recording) -> Study:
    """Study a session that was run through the pipeline."""
    return _Work(recording).result()


def best_mean(power_w: Floats, seconds: int) -> tuple[float, int] | None:
    """The highest mean over `seconds` neighbouring values (1 Hz) and where it begins.

    Stretches with a nan don't count; None if none is left. Of equal ones the first.
    """
    if len(power_w) < seconds:
        return None
    good = np.isfinite(power_w)
    total = np.concatenate(([0.0], np.cumsum(np.where(good, power_w, 0.0))))
    holes = np.concatenate(([0], np.cumsum(~good)))
    means = np.where(
        holes[seconds:] == holes[:-seconds], (total[seconds:] - total[:-seconds]) / seconds, -np.inf
    )
    at = int(np.argmax(means))
    return (float(means[at]), at) if math.isfinite(means[at]) else None


def published_efficiency(power_w: float) -> tuple[float, float]:
    """Lowest and highest efficiency, percent, that EFFICIENCY_PERCENT gives at a power at the crank.

    Linear in 1 / power between the published ones, as a loss of constant watts and percent
    has it; held constant outside.
    """
    inverse = -1.0 / np.array(EFFICIENCY_W)
    at = [float(np.interp(-1.0 / max(1.0, power_w), inverse, row)) for row in EFFICIENCY_PERCENT]
    return min(at), max(at)


def clock(t_s: float) -> str:
    """Session time as `4:05` or `1:04:05`."""
    whole = round(t_s)
    minutes, seconds = divmod(whole, 60)
    return f"{minutes}:{seconds:02d}" if minutes < 60 else f"{minutes // 60}:{minutes % 60:02d}:{seconds:02d}"


class _Work:
    """One study in the making: the grid and what several parts of it share."""

    def __init__(self, recording: Recording) -> None:
        self.recording = recording
        self.grid = Grid(recording)
        self.spans = spans_of(recording)
        self.held = held_by(recording.writes, self.grid.seconds)
        self.compared = [i for i in self.grid.powered if self.grid.reference_label(i) is not None]
        self.blocks = {i: self.grid.blocks(i, self.spans) for i in self.compared}
        self.shifts: list[ShiftStudy] = []
        self.cuts: dict[int, list[float]] = {}
        for i in self.compared:
            found = self._shifts(i)
            self.shifts += found
            self.cuts[i] = sorted({s.t_s for s in found} | set(self._acts(i)))
        self.shifts.sort(key=lambda s: (s.t_s, s.instrument))
        # A change inside a segment is no spread: blocks are taken about the means of the parts.
        self.usual = {i: self._usual(i) for i in self.compared}

    def _usual(self, i: int) -> Spread:
        """The usual spread of blocks about the means of segments and parts."""
        blocks = self.blocks[i]
        at = np.searchsorted(np.array(self.cuts[i]), blocks.begin_s + 0.5 * BLOCK_S)
        quiet = blocks.edge_percent < QUIET_EDGE
        groups = [
            blocks.y[(blocks.segment == k) & (at == p) & quiet]
            for k in range(len(self.spans))
            for p in range(len(self.cuts[i]) + 1)
        ]
        return usual_spread(groups)

    def _acts(self, i: int) -> list[float]:
        """When the instrument, or its reference, was zeroed or seated anew."""
        label, reference = self.grid.labels[i], self.grid.reference_label(i)
        return [
            rounded(a.t_ns / 1e9, 1)
            for a in self.recording.acts
            if (a.act == "zeroed" and a.instrument in ("", label, reference))
            or (a.act == "position" and a.instrument in (label, reference))
        ]

    def result(self) -> Study:
        """All of it."""
        recording, grid = self.recording, self.grid
        segments = [self._segment(k, span) for k, span in enumerate(self.spans)]
        cycles = self._cycles(segments)
        repeats = self._repeats(segments)
        splits = self._splits()
        agreement = [a for i in self.compared if (a := self._agreement(i)) is not None]
        lines = [line for i in self.compared if (line := self._line(i)) is not None]
        diagnoses = {i: self._diagnose(i, segments) for i in self.compared}
        noise = self._noise()
        instruments: dict[str, InstrumentStudy] = {}
        judgements = {
            label: Judgement(
                label, grid.instruments[i], grid.bench.reference, grid.reference_label(i), segments, cycles,
                repeats, splits, [s for s in self.shifts if s.instrument == label], recording.findings,
                self._signal(i), diagnoses.get(i), recording.bench, i in grid.powered, self._by_side(i),
            )
            for i, label in enumerate(grid.labels)
        }  # fmt: skip
        for i, label in enumerate(grid.labels):
            instruments[label] = self._instrument(i, judgements, diagnoses.get(i), noise)
        return Study(
            segments=segments,
            instruments=instruments,
            shifts=self.shifts,
            cycles=cycles,
            repeats=repeats,
            splits=splits,
            agreement=agreement,
            lines=lines,
            peaks=self._peaks(),
            efficiency=self._efficiency(segments),
            open=open_questions(list(judgements.values()), lines),
            bench=recording.bench.name,
            reference=recording.bench.reference,
            utc_ns=recording.header.utc_ns or None,
            seconds=rounded(recording.seconds, 3),
            records=recording.records,
            lost_records=recording.lost_records,
            whole=recording.closed,
            program=recording.header.program,
        )

    # -- segments

    def _segment(self, k: int, span: Span) -> SegmentStudy:
        grid = self.grid
        begin, end = grid.clip(span.window())
        power = grid.consensus_w[begin:end]
        rpm = grid.rpm[begin:end]
        mean_w = float(np.nanmean(power)) if np.isfinite(power).any() else None
        mean_rpm = float(np.nanmean(rpm)) if np.isfinite(rpm).any() else None
        torque = mean_w * 60.0 / (math.tau * mean_rpm) if mean_w and mean_rpm and mean_rpm > 20.0 else None
        # In a steady load the block means are what may drift; a ramp or a sprint is never steady.
        steady = span.kind not in ("ramp", "sprint", "over-under") and is_steady(power)
        differences = [d for i in self.compared if (d := self._difference(i, k, begin, end)) is not None]
        return SegmentStudy(
            name=span.name,
            start_s=rounded(span.start_s, 3),
            end_s=rounded(span.end_s, 3),
            steady=steady,
            means={label: self._means(i, begin, end) for i, label in enumerate(grid.labels)},
            differences=differences,
            kind=span.kind,
            load=self._load(span, begin, end),
            settle_s=rounded(span.settle_s, 1),
            target_w=known(span.target_w, 1),
            power_w=known(mean_w, 2),
            torque_nm=known(torque, 2),
            cadence_rpm=known(mean_rpm, 2),
            gear=span.gear,
            found=span.found,
            sprint=self._sprint(begin, end) if span.kind == "sprint" else None,
        )

    def _load(self, span: Span, begin: int, end: int) -> str:
        told = [x for x in self.held[begin:end] if x is not None]
        if told and 2 * len(told) >= end - begin:
            return max(sorted(set(told)), key=told.count)
        if span.kind in ("sprint", "free"):
            return span.kind
        return "target" if span.target_w is not None or span.kind == "ramp" else "not told"

    def _means(self, i: int, begin: int, end: int) -> Means:
        grid = self.grid
        cells = grid.cells[begin:end, i].sum(axis=0)
        length = end - begin
        covered, sided, turned = float(cells[COVERED]), float(cells[SIDED]), float(cells[TURNED])
        power = float(cells[WORK]) / covered if covered > 0.5 and i in grid.powered else None
        left = right = percent = None
        sides = grid.instruments[i].sides
        if power is not None and sided > 0.5 and sides != "total":
            side_w = float(cells[LEFT]) / sided
            left = side_w if sides != "right" else None
            right = power - side_w if sides != "left" else None
            percent = 100.0 * side_w / power if sides == "both" and power > 0.0 else None
        cadence = 60.0 * float(cells[REVS]) / turned if turned > 0.5 else None
        told = covered if i in grid.powered else turned
        return Means(
            known(power, 2), known(left, 2), known(right, 2), known(cadence, 2),
            rounded(min(1.0, told / length), 4) if length else 0.0, known(percent, 2),
        )  # fmt: skip

    def _difference(
        self, i: int, k: int | None, begin: int, end: int, cycle_s: float | None = None
    ) -> Difference | None:
        """Instrument `i` over [begin, end); of segment `k`, or of whole cycles of `cycle_s` seconds."""
        grid = self.grid
        pair = grid.compared(i)
        own, theirs = pair.own_w[begin:end], pair.reference_w[begin:end]
        both = np.isfinite(own) & np.isfinite(theirs)
        if both.sum() < LEAST_S:
            return None
        own_w, reference_w = float(own[both].mean()), float(theirs[both].mean())
        if reference_w < MIN_POWER_W:
            return None
        loss, base = grid.losses[i], grid.base_loss(i)
        base_w, shown_w, expected_w = base.at_hub(reference_w), loss.at_hub(own_w), loss.at_hub(reference_w)
        deviation = 100.0 * (own_w / reference_w - 1.0)
        spread = self._interval(i, k, begin, end, cycle_s)
        u_spread = 100.0 * spread.u95 if spread is not None and math.isfinite(spread.u95) else None
        u_loss = 1.96 * grid.u_loss_percent(i, reference_w)
        edge = _edge(own, theirs, reference_w, grid.lag_bound_s(i))
        u95 = math.hypot(u_spread, u_loss) + edge if u_spread is not None else None
        limit = grid.limit_percent(i, reference_w)
        left, right, share, side = self._sides(i, begin, end)
        return Difference(
            instrument=grid.labels[i],
            reference=grid.reference_label(i) or "",
            delta_w=rounded(shown_w - base_w, 2),
            delta_percent=rounded(100.0 * (shown_w / base_w - 1.0), 3),
            expected_percent=rounded(100.0 * (expected_w / base_w - 1.0), 3),
            u95_percent=known(u95, 3),
            limit_percent=rounded(limit, 3),
            verdict=_judge(deviation, u95, limit),
            left_delta_w=left,
            right_delta_w=right,
            share_right=share,
            deviation_percent=rounded(deviation, 3),
            blocks=spread.n if spread is not None else 0,
            spread_u95_percent=known(u_spread, 3),
            loss_u95_percent=rounded(u_loss, 3),
            edge_percent=rounded(edge, 3),
            side_reference=side,
            excluded_s=int(grid.excluded[begin:end, i].sum()),
            parts=self._parts(i, k, begin, end, limit, u_loss) if k is not None else [],
        )

    def _interval(
        self, i: int, k: int | None, begin: int, end: int, cycle_s: float | None
    ) -> Interval | None:
        if k is not None:
            blocks = self.blocks[i]
            return interval(blocks.y[blocks.segment == k], self.usual[i])
        # Whole cycles: what the edges move inside a cycle cancels, so the cycles are the blocks.
        pair = self.grid.compared(i)
        count = max(1, round((end - begin) / (cycle_s or (end - begin))))
        at = np.linspace(begin, end, count + 1).round().astype(int)
        ys = []
        for a, b in zip(at[:-1].tolist(), at[1:].tolist(), strict=True):
            both = np.isfinite(pair.own_w[a:b]) & np.isfinite(pair.reference_w[a:b])
            if 2 * both.sum() > b - a:
                ys.append(math.log(float(pair.own_w[a:b][both].mean() / pair.reference_w[a:b][both].mean())))
        usual = self.usual[i]
        scale = math.sqrt(BLOCK_S / max(BLOCK_S, (end - begin) / count))
        return interval(np.array(ys), Spread(usual.sd * scale, usual.dof, 0.0)) if ys else None

    def _parts(self, i: int, k: int, begin: int, end: int, limit: float, u_loss: float) -> list[Part]:
        """The segment between the changes of the instrument; none if it did not change in it."""
        inside = [t for t in self.cuts[i] if begin + LEAST_S <= t <= end - LEAST_S]
        if not inside:
            return []
        pair = self.grid.compared(i)
        parts = []
        edges = [float(begin), *inside, float(end)]
        for a, b in pairwise(edges):
            first, last = math.ceil(a), math.floor(b)
            own, theirs = pair.own_w[first:last], pair.reference_w[first:last]
            both = np.isfinite(own) & np.isfinite(theirs)
            if both.sum() < LEAST_S or float(theirs[both].mean()) < MIN_POWER_W:
                continue
            deviation = 100.0 * (float(own[both].mean() / theirs[both].mean()) - 1.0)
            n = len(own) // BLOCK_S
            ys = log_ratio(
                own[: n * BLOCK_S].reshape(n, BLOCK_S).mean(axis=1),
                theirs[: n * BLOCK_S].reshape(n, BLOCK_S).mean(axis=1),
            )
            spread = interval(ys[np.isfinite(ys)], self.usual[i])
            u95 = None
            if spread is not None and math.isfinite(spread.u95):
                edge = _edge(own, theirs, float(theirs[both].mean()), self.grid.lag_bound_s(i))
                u95 = math.hypot(100.0 * spread.u95, u_loss) + edge
            parts.append(
                Part(
                    rounded(a, 1), rounded(b, 1), rounded(deviation, 3), known(u95, 3),
                    _judge(deviation, u95, limit),
                )
            )  # fmt: skip
        return parts

    def _sides(
        self, i: int, begin: int, end: int
    ) -> tuple[float | None, float | None, float | None, str | None]:
        """Watts by which the sides differ, the right's part, and from whom."""
        grid = self.grid
        side = grid.side_references.get(i)
        if side is None or grid.instruments[i].sides == "total":
            return None, None, None, None
        pair = grid.compared(i)
        left = (pair.left_w - pair.left_reference_w)[begin:end]
        right = (pair.right_w - pair.right_reference_w)[begin:end]
        told = [np.isfinite(d) for d in (left, right) if np.isfinite(d).any()]
        if not told:
            return None, None, None, None
        both = np.logical_and.reduce(told)
        if both.sum() < LEAST_S:
            return None, None, None, None
        d_left = known(float(left[both].mean()), 2)
        d_right = known(float(right[both].mean()), 2)
        share = None
        if d_left is not None and d_right is not None:
            n = len(left) // BLOCK_S
            total = (left + right)[: n * BLOCK_S].reshape(n, BLOCK_S).mean(axis=1)
            spread = interval(total[np.isfinite(total)], Spread())
            if spread is not None and abs(d_left + d_right) > spread.u95:
                share = rounded(d_right / (d_left + d_right), 3)
        return d_left, d_right, share, grid.labels[side]

    def _sprint(self, begin: int, end: int) -> Sprint:
        grid = self.grid
        # A meter that is late shows the peak after the segment's end; the reference's clock decides.
        peaks: dict[str, dict[str, float | None]] = {}
        work: dict[str, float | None] = {}
        when: dict[str, float | None] = {}
        for i in grid.powered:
            series = moved(grid.sound_w[:, i], self.lag(i))[begin:end]
            best = {s: best_mean(series, s) for s in SPRINT_S}
            label = grid.labels[i]
            peaks[label] = {str(s): known(b[0], 1) if b else None for s, b in best.items()}
            first = best[SPRINT_S[0]]
            when[label] = float(begin + first[1]) if first else None
            good = np.isfinite(series)
            work[label] = known(float(series[good].sum()) / 1000.0, 3) if good.all() and len(good) else None
        return Sprint(peaks, work, when)

    def lag(self, i: int) -> float:
        """Lag behind the base of all lags, as far as it is trusted."""
        return self.grid.lag_s(i)

    # -- changes

    def _shifts(self, i: int) -> list[ShiftStudy]:
        """Steps of one instrument: inside blocks by exact partitioning, elsewhere as seen live."""
        label = self.grid.labels[i]
        found: list[tuple[float, float, str]] = []
        for span in self.spans:
            # In free riding, ramps and sprints only what was seen live counts.
            if span.kind == "block":
                found += self._changes(i, *self.grid.clip(span.window()))
        live = self.recording.pipeline.watch.changes.shifts
        for shift in live[i].found if i in live else []:
            if all(abs(t - shift.since_s) > SAME_CHANGE_S for t, _, _ in found):
                found.append((shift.since_s, shift.percent, shift.side))
        acts = [
            (a.t_ns / 1e9, a.text or a.act)
            for a in self.recording.acts
            if a.act in ("zeroed", "position", "gear", "note", "mark") and a.instrument in ("", label)
        ]
        result = []
        for t, percent, side in sorted(found):
            near = [text for at, text in acts if abs(at - t) <= NEAR_ACT_S]
            result.append(
                ShiftStudy(label, rounded(t, 1), rounded(percent, 2), side, near[0] if near else "")
            )
        return result

    def _changes(self, i: int, begin: int, end: int) -> list[tuple[float, float, str]]:
        """Changes inside one window as (second, percent, side)."""
        n = (end - begin) // CHANGE_BIN_S
        if n < 6:
            return []
        pair = self.grid.compared(i)
        series = {
            "total": (pair.own_w, pair.reference_w),
            "left": (pair.left_w, pair.left_reference_w),
            "right": (pair.right_w, pair.right_reference_w),
        }
        found: list[tuple[float, float, str]] = []
        stop = begin + n * CHANGE_BIN_S
        quiet = self._quiet_bins(begin, n)
        # In a load that does not hold still a short part may be the load's.
        least = 2 if is_steady(self.grid.consensus_w[begin:end]) else 6
        rpm = self.grid.rpm[begin:stop].reshape(n, CHANGE_BIN_S).mean(axis=1)
        for side, (own, theirs) in series.items():
            a = own[begin:stop].reshape(n, CHANGE_BIN_S).mean(axis=1)
            b = theirs[begin:stop].reshape(n, CHANGE_BIN_S).mean(axis=1)
            y = log_ratio(a, b)
            good = np.isfinite(y) & quiet
            if good.sum() < 6:
                continue
            values, times = y[good], begin + CHANGE_BIN_S * np.flatnonzero(good)
            cadence = np.where(np.isfinite(rpm), rpm, 85.0)[good]
            inverse = np.maximum(cadence, 20.0) / np.maximum(b[good], 1.0)
            # A share comes in steps of up to one percent of the total, which is two of a side.
            smallest = LEAST_CHANGE_PERCENT if side == "total" else LEAST_SIDE_PERCENT
            at = [
                self._to_second(own, theirs, t, begin, end)
                for t in _steps(values, inverse, times, least, smallest)
            ]
            found += [(t, percent, side) for t, percent in _sizes(own, theirs, at, begin, end, smallest)]
        merged: list[tuple[float, float, str]] = []
        while found:
            t = found[0][0]
            # A weak step is placed roughly: the same one may be seen here in a side, there in the total.
            near = [f for f in found if abs(f[0] - t) <= SAME_CHANGE_S and f[1] * found[0][1] > 0.0]
            found = [f for f in found if f not in near]
            # The side that moved most is the one to name; when both moved alike it is the total.
            best = max(near, key=lambda f: abs(f[1]) * (1.3 if f[2] == "total" else 1.0))
            merged.append(best)
        return merged

    def _quiet_bins(self, begin: int, n: int) -> Bools:
        """Which bins have an even load from ten seconds before to five after: none of it is averaging's."""
        grid = self.grid
        before, after = 2, 1
        first = begin - before * CHANGE_BIN_S
        padded = np.full((n + before + after) * CHANGE_BIN_S, np.nan)
        low, high = max(0, first), min(grid.seconds, first + len(padded))
        padded[low - first : high - first] = grid.consensus_w[low:high]
        # Where the session ends nothing is known, and nothing speaks against it.
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", RuntimeWarning)
            means = np.nanmean(padded.reshape(-1, CHANGE_BIN_S), axis=1)
            around = np.stack([means[k : k + n] for k in range(before + after + 1)])
            spread = np.nanmax(around, axis=0) - np.nanmin(around, axis=0)
            result: Bools = spread <= EVEN * np.nanmean(around, axis=0)
        return result

    def _to_second(self, own: Floats, theirs: Floats, t: int, begin: int, end: int) -> float:
        """The second near `t` that parts the ratio best."""
        a, b = max(begin, t - 3 * CHANGE_BIN_S), min(end, t + 3 * CHANGE_BIN_S)
        y = log_ratio(own[a:b], theirs[a:b])
        if not np.isfinite(y).all():
            return float(t)
        best, found = math.inf, int(t)
        for at in range(max(a + 3, t - CHANGE_BIN_S), min(b - 3, t + CHANGE_BIN_S) + 1):
            cut = at - a
            cost = float(y[:cut].var()) * cut + float(y[cut:].var()) * (len(y) - cut)
            if cost < best:
                best, found = cost, at
        return float(found)

    # -- groups of segments

    def _cycles(self, segments: Sequence[SegmentStudy]) -> list[Cycles]:
        """Runs of at least two cycles of two alternating loads, each half at most two minutes."""
        result = []
        k = 0
        while k < len(segments):
            if segments[k].kind == "over-under":
                s = segments[k]
                result.append(Cycles(s.name, s.start_s, s.end_s, 1, s.differences))
                k += 1
                continue
            many = _alternating(segments, k)
            if many < 4:
                k += 1
                continue
            many -= many % 2
            first, last = segments[k], segments[k + many - 1]
            begin, end = self.grid.clip((math.ceil(first.start_s), math.floor(last.end_s)))
            count = many // 2
            differences = [
                d
                for i in self.compared
                if (d := self._difference(i, None, begin, end, (end - begin) / count)) is not None
            ]
            names = f"{_family(first.name)[0]} / {_family(segments[k + 1].name)[0]}"
            result.append(Cycles(names, first.start_s, last.end_s, count, differences))
            k += many
        return result

    def _repeats(self, segments: Sequence[SegmentStudy]) -> list[Repeat]:
        families: dict[str, list[SegmentStudy]] = {}
        for s in segments:
            families.setdefault(_family(s.name)[0], []).append(s)
        result = []
        for name, members in families.items():
            if len(members) < 2 or not _alike(members):
                continue
            for i in self.compared:
                label = self.grid.labels[i]
                told = [(s, d) for s in members for d in s.differences if d.instrument == label]
                if len(told) >= 2:
                    result.append(_repeat(name, *told[0], *told[-1]))
        return result

    def _splits(self) -> list[Split]:
        result = []
        for i in self.compared:
            blocks = self.blocks[i]
            quiet = blocks.edge_percent < QUIET_EDGE
            loads = [self._load(s, *self.grid.clip(s.window())) for s in self.spans]
            by_load = np.array([loads[k] for k in blocks.segment.tolist()], dtype=object)
            groups: list[tuple[str, str, Bools]] = [("all", "all", quiet)]
            groups += [("load", load, (by_load == load) & quiet) for load in sorted(set(loads))]
            for by, values, bins, unit in (
                ("torque", blocks.torque_nm, TORQUE_BINS_NM, "N·m"),
                ("cadence", blocks.cadence_rpm, CADENCE_BINS_RPM, "rpm"),
                ("power", blocks.reference_w, POWER_BINS_W, "W"),
            ):
                for low, high in pairwise(bins):
                    with np.errstate(invalid="ignore"):
                        inside = (values >= low) & (values < high) & quiet
                    name = f"over {low:g} {unit}" if high == math.inf else f"{low:g} to {high:g} {unit}"
                    groups.append((by, name, inside))
            for by, name, mask in groups:
                split = self._split(i, by, name, mask)
                if split is not None:
                    result.append(split)
        return result

    def _split(self, i: int, by: str, name: str, mask: Bools) -> Split | None:
        blocks = self.blocks[i]
        found = interval(blocks.y[mask], self.usual[i])
        if found is None:
            return None
        reference_w = float(blocks.reference_w[mask].mean())
        deviation = 100.0 * math.expm1(found.value)
        u95 = None
        if math.isfinite(found.u95):
            edge = float(blocks.edge_percent[mask].mean()) / math.sqrt(found.n)
            u95 = math.hypot(100.0 * found.u95, 1.96 * self.grid.u_loss_percent(i, reference_w)) + edge
        limit = self.grid.limit_percent(i, reference_w)
        return Split(
            by, name, self.grid.labels[i], self.grid.reference_label(i) or "", found.n, rounded(deviation, 3),
            known(u95, 3), rounded(limit, 3), _judge(deviation, u95, limit),
        )  # fmt: skip

    # -- one instrument against its reference

    def _agreement(self, i: int) -> Agreement | None:
        blocks = self.blocks[i]
        quiet = blocks.edge_percent < QUIET_EDGE
        y = blocks.y[quiet]
        found = interval(y, self.usual[i])
        if found is None or found.n < 3:
            return None
        of = blocks.segment[quiet]
        parts = components([y[of == k] for k in range(len(self.spans))])
        limits = limits_of_agreement(y, parts.total if parts is not None else found.sd)
        return Agreement(
            self.grid.labels[i],
            self.grid.reference_label(i) or "",
            found.n,
            rounded(100.0 * math.expm1(limits.bias), 3),
            known(100.0 * found.u95, 3),
            rounded(100.0 * limits.sd, 3),
            rounded(100.0 * math.expm1(limits.lower), 3),
            rounded(100.0 * math.expm1(limits.upper), 3),
            known(100.0 * parts.within, 3) if parts else None,
            known(100.0 * parts.between, 3) if parts else None,
        )

    def _line(self, i: int) -> TorqueLine | None:
        blocks = self.blocks[i]
        x = blocks.torque_nm
        good = np.isfinite(x) & (blocks.edge_percent < QUIET_EDGE)
        x = x[good]
        y = x * np.exp(blocks.y[good])
        line = torque_line(x, y)
        if line is None:
            return None
        loss_w = max(self.grid.losses[i].watts, self.grid.base_loss(i).watts)
        loss_percent = max(self.grid.losses[i].percent, self.grid.base_loss(i).percent)
        omega = float(np.mean(blocks.own_w[good] / y))
        # The loss model is known to a fifth: its watts look like an offset, its percent like a gain.
        sd_gain = math.hypot(line.sd_gain, LOSS_SPREAD * loss_percent / 100.0)
        sd_offset = math.hypot(line.sd_offset, LOSS_SPREAD * loss_w / omega)
        at_mean = line.predict(line.mean_x)[0] - line.mean_x
        return TorqueLine(
            self.grid.labels[i], self.grid.reference_label(i) or "", line.n, rounded(line.gain, 5),
            rounded(1.96 * sd_gain, 5), rounded(line.offset, 4), rounded(1.96 * sd_offset, 4),
            rounded(line.mean_x, 3), rounded(at_mean, 4), rounded(100.0 * at_mean / line.mean_x, 3),
            rounded(float(x.min()), 3), rounded(float(x.max()), 3), line.told,
        )  # fmt: skip

    def _diagnose(self, i: int, segments: Sequence[SegmentStudy]) -> Diagnosis | None:
        """Why the instrument deviates, from the blocks of the state in which it does so most.

        A state is what lies between two changes or acts. None: it does not deviate beyond
        its limit in any, and its line is that of the longest state.
        """
        blocks = self.blocks[i]
        at = np.searchsorted(np.array(self.cuts[i]), blocks.begin_s + 0.5 * BLOCK_S)
        quiet = blocks.edge_percent < QUIET_EDGE
        loss_w = max(self.grid.losses[i].watts, self.grid.base_loss(i).watts)
        usual = self.usual[i]
        best: tuple[float, Diagnosis] | None = None
        longest: tuple[int, Diagnosis] | None = None
        for state in range(len(self.cuts[i]) + 1):
            mask = (at == state) & quiet
            found = interval(blocks.y[mask], usual)
            if found is None:
                continue
            rows = _as_blocks(blocks, mask)
            diagnosis = diagnose(rows, "total", usual.sd, loss_w)
            if longest is None or found.n > longest[0]:
                longest = (found.n, diagnosis)
            deviation = abs(100.0 * math.expm1(found.value))
            limit = self.grid.limit_percent(i, float(blocks.reference_w[mask].mean()))
            u95 = math.hypot(100.0 * found.u95, 1.96 * self.grid.u_loss_percent(i, 200.0))
            if deviation - u95 <= limit and not self._differs_in(i, state, segments):
                continue
            split = attribute(rows)
            if split is not None and split.side is not None:
                own = split.left_w if split.side == "left" else split.right_w
                diagnosis = Diagnosis(
                    "one-side",
                    f"the {split.side} side makes {own:+.1f} W of {split.left_w + split.right_w:+.1f} W",
                    "", diagnosis.gain, diagnosis.offset_nm, diagnosis.sd_gain, diagnosis.sd_offset_nm,
                )  # fmt: skip
            if best is None or deviation > best[0]:
                best = (deviation, diagnosis)
        if best is not None:
            return best[1]
        if longest is None:
            return None
        d = longest[1]
        return Diagnosis("unclear", "", d.ride, d.gain, d.offset_nm, d.sd_gain, d.sd_offset_nm)

    def _differs_in(self, i: int, state: int, segments: Sequence[SegmentStudy]) -> bool:
        """Whether a segment wholly in this state differs: an offset may do so at low torque alone."""
        cuts = [-math.inf, *self.cuts[i], math.inf]
        return any(
            d.instrument == self.grid.labels[i] and d.verdict == "differs"
            for s in segments
            if cuts[state] <= s.start_s + s.settle_s and s.end_s <= cuts[state + 1]
            for d in s.differences
        )

    def _by_side(self, i: int) -> list[SideResult]:
        """Each side against that of the side reference, in the state where it deviates most."""
        grid = self.grid
        side_reference = grid.side_references.get(i)
        if i not in self.blocks or side_reference is None or grid.instruments[i].sides == "total":
            return []
        blocks = self.blocks[i]
        state = np.searchsorted(np.array(self.cuts[i]), blocks.begin_s + 0.5 * BLOCK_S)
        quiet = blocks.edge_percent < QUIET_EDGE
        tolerance = tolerance_percent(grid.bench, grid.instruments[i], [grid.instruments[side_reference]])
        result = []
        for side, y, watts in (
            ("left", blocks.y_left, blocks.left_reference_w),
            ("right", blocks.y_right, blocks.right_reference_w),
        ):
            told = np.isfinite(y) & quiet
            groups = [
                y[told & (blocks.segment == k) & (state == p)]
                for k in range(len(self.spans))
                for p in range(len(self.cuts[i]) + 1)
            ]
            usual = usual_spread(groups)
            found = []
            for p in range(len(self.cuts[i]) + 1):
                mask = told & (state == p)
                one = interval(y[mask], usual)
                if one is None or one.n < 2:
                    continue
                deviation = 100.0 * math.expm1(one.value)
                u95 = math.hypot(100.0 * one.u95, COARSE_SHARE_PERCENT) if math.isfinite(one.u95) else None
                limit = max(tolerance, 100.0 * grid.bench.limits.floor_w / float(watts[mask].mean()))
                begin = float(blocks.begin_s[mask][0])
                found.append(
                    SideResult(
                        side, grid.labels[side_reference], begin, float(blocks.begin_s[mask][-1] + BLOCK_S),
                        rounded(deviation, 3), known(u95, 3), rounded(limit, 3),
                        _judge(deviation, u95, limit),
                    )
                )  # fmt: skip
            if found:
                # What is sure counts before what is large.
                result.append(max(found, key=lambda r: (r.verdict == "differs", abs(r.deviation_percent))))
        return result

    def _noise(self) -> dict[int, tuple[float | None, float]]:
        """Noise of a ten-second mean, W, and its upper bound, from the differences of all."""
        grid = self.grid
        which = [i for i in grid.powered if not grid.one_sided(i)]
        if len(which) < 3 or not self.compared:
            return {}
        series = np.stack([grid.moved(i, self.lag(i)) for i in which], axis=1)
        rows = []
        lost = 0
        cuts = sorted({math.ceil(t) for times in self.cuts.values() for t in times})
        for span in self.spans:
            first, last = grid.clip(span.window())
            if span.kind in ("sprint", "ramp", "over-under"):
                continue
            edges = [first, *(t for t in cuts if first < t < last), last]
            for begin, end in pairwise(edges):
                n = (end - begin) // BLOCK_S
                means = series[begin : begin + n * BLOCK_S].reshape(n, BLOCK_S, len(which)).mean(axis=1)
                means = means[np.isfinite(means).all(axis=1)]
                means = means[(means > MIN_POWER_W).all(axis=1)]
                if len(means) >= 3:
                    rows.append(means - means.mean(axis=0))
                    lost += 1
        if not rows:
            return {}
        table = np.concatenate(rows)
        estimates = three_cornered_hat(table)
        if estimates is None:
            return {}
        # Each segment's own mean was taken out.
        scale = math.sqrt(len(table) / max(1, len(table) - lost))
        return {
            i: (None if e.value is None else scale * e.value, scale * e.high)
            for i, e in zip(which, estimates, strict=True)
        }

    def _signal(self, i: int) -> Signal:
        grid, pipeline = self.grid, self.recording.pipeline
        arrivals = self.recording.arrivals[i] if i < len(self.recording.arrivals) else np.zeros(0)
        gaps = np.diff(arrivals)
        ridden = grid.ridden[:, i]
        longest = None
        if len(gaps):
            at = np.minimum(arrivals[:-1].astype(int), max(0, grid.seconds - 1))
            awake = gaps[ridden[at]] if grid.seconds else gaps
            longest = float(awake.max()) if len(awake) else None
        time = COVERED if i in grid.powered else TURNED
        silent = stretches(ridden & (grid.cells[:, i, time] < 0.5)) if grid.seconds else []
        return Signal(
            pipeline.packets[i] if i < len(pipeline.packets) else 0,
            pipeline.bad_packets[i] if i < len(pipeline.bad_packets) else 0,
            pipeline.missed[i] if i < len(pipeline.missed) else 0,
            known(float(np.median(gaps)), 3) if len(gaps) else None,
            known(longest, 2),
            [(float(a), float(b)) for a, b in silent],
            [(float(a), float(b)) for a, b in stretches(grid.no_power[:, i])],
        )

    def _instrument(
        self,
        i: int,
        judgements: dict[str, Judgement],
        diagnosis: Diagnosis | None,
        noise: dict[int, tuple[float | None, float]],
    ) -> InstrumentStudy:
        grid, pipeline = self.grid, self.recording.pipeline
        label, bench = grid.labels[i], grid.instruments[i]
        judgement = judgements[label]
        lag = grid.lags.get(i)
        missed = judgement.signal.missed_packets
        lost_s = sum(b - a for a, b in judgement.signal.lost)
        loss: float | None = None
        if missed:
            loss = 100.0 * missed / (missed + judgement.signal.packets)
        elif grid.seconds:
            loss = 100.0 * lost_s / grid.seconds
        powered = i in grid.powered
        best = {s: best_mean(grid.sound_w[:, i], s) if powered else None for s in PEAKS_S}
        answer, why, reasons = conclude(judgement, judgements)
        facts = pipeline.watch.seen.facts[i] if i < len(pipeline.watch.seen.facts) else {}
        gain = offset = u_gain = u_offset = None
        if diagnosis is not None and diagnosis.gain is not None and diagnosis.sd_gain is not None:
            loss_percent = max(grid.losses[i].percent, grid.base_loss(i).percent)
            gain = diagnosis.gain
            u_gain = 1.96 * math.hypot(diagnosis.sd_gain, LOSS_SPREAD * loss_percent / 100.0)
            offset, u_offset = diagnosis.offset_nm, 1.96 * (diagnosis.sd_offset_nm or 0.0)
        own_noise = noise.get(i)
        return InstrumentStudy(
            gain=known(gain, 5),
            gain_u95=known(u_gain, 5),
            offset_nm=known(offset, 3),
            offset_u95_nm=known(u_offset, 3),
            cause=judgement.cause,
            lag_s=known(lag.lag_s, 2) if lag is not None else None,
            noise_w=known(own_noise[0], 2) if own_noise else None,
            lost_s=rounded(lost_s, 1),
            loss_percent=known(loss, 3),
            peaks_w={str(s): known(b[0], 1) if b else None for s, b in best.items()},
            serves_as_reference=answer,
            why=why,
            verdict=judgement.verdict,
            sentence=judgement.sentence(judgements),
            reasons=reasons,
            role=bench.role,
            mount=bench.mount,
            sides=bench.sides,
            claim_percent=bench.claim_percent,
            crank_length_mm=bench.crank_length_mm,
            notes=bench.notes,
            told=_told(facts),
            zeroed=[
                f"{clock(a.t_ns / 1e9)} {a.text}".rstrip()
                for a in self.recording.acts
                if a.act == "zeroed" and a.instrument in ("", label)
            ],
            noise_high_w=known(own_noise[1], 2) if own_noise else None,
            lag_u95_s=known(lag.u95_s, 2) if lag is not None else None,
            lag_correlation=known(lag.correlation, 3) if lag is not None else None,
            work_kj=known(float(grid.cells[:, i, WORK].sum()) / 1000.0, 3) if powered else None,
            signal=judgement.signal,
            cause_text=judgement.cause_text,
            by_side=list(judgement.by_side),
        )

    # -- peaks and efficiency

    def _peaks(self) -> list[Peak]:
        grid = self.grid
        base = grid.reference
        if base is None:
            name, series = grid.bench.reference, grid.consensus_w
        else:
            name, series = grid.labels[base], grid.sound_w[:, base]
        result = []
        for seconds in MAXIMAL_S:
            top = best_mean(series, seconds)
            if top is None:
                continue
            start = top[1]
            best: dict[str, float | None] = {}
            when: dict[str, float | None] = {}
            same: dict[str, float | None] = {}
            for i in grid.powered:
                label = grid.labels[i]
                own = best_mean(grid.sound_w[:, i], seconds)
                best[label], when[label] = (known(own[0], 1), float(own[1])) if own else (None, None)
                window = moved(grid.sound_w[:, i], self.lag(i))[start : start + seconds]
                same[label] = known(float(window.mean()), 1)
            result.append(Peak(seconds, name, float(start), best, when, same))
        return result

    def _efficiency(self, segments: Sequence[SegmentStudy]) -> list[Efficiency]:
        grid = self.grid
        hubs = [i for i in grid.powered if grid.instruments[i].mount == "hub"]
        cranks = [
            i
            for i in grid.powered
            if grid.instruments[i].mount != "hub" and grid.instruments[i].sides in ("both", "total")
        ]
        result = []
        for h in hubs:
            hub = moved(grid.sound_w[:, h], self.lag(h))
            for c in cranks:
                crank = moved(grid.sound_w[:, c], self.lag(c))
                for segment, span in zip(segments, self.spans, strict=True):
                    if segment.steady:
                        found = _efficiency(
                            (grid.labels[h], grid.labels[c]), segment, hub, crank,
                            grid.clip(span.window()), self.usual.get(c, Spread()),
                        )  # fmt: skip
                        if found is not None:
                            result.append(found)
        return result


# -- pieces without a session


def _judge(deviation: float, u95: float | None, limit: float) -> Judged:
    if u95 is None:
        return "undecided"
    return judge(deviation, u95, limit)  # type: ignore[return-value]


def _edge(own: Floats, reference: Floats, power_w: float, bound_s: float) -> float:
    """Percent of the window's work that a lag of up to `bound_s` can move over its ends."""
    worst = 0.0
    for series in (own, reference):
        good = series[np.isfinite(series)]
        if len(good) >= 2:
            worst = max(worst, abs(float(good[-3:].mean() - good[:3].mean())))
    return 100.0 * bound_s * worst / (len(own) * power_w)


def _steps(y: Floats, inverse: Floats, times: Ints, least: int, least_percent: float) -> list[int]:
    """The seconds in which a series of log ratios steps, beyond chance and beyond what torque explains."""
    # The usual spread, from differences over one and three bins: averaging meters hide it from neighbours.
    sigma = max(float(np.median(np.abs(y[by:] - y[:-by]))) for by in (1, 3)) / (0.6745 * math.sqrt(2.0))
    sigma = max(sigma, 1e-4)
    points = change_points(y, 5.0 * sigma * sigma * math.log(max(8, len(y))), least=least)
    # The weakest point goes until all that are left stand against the parts beside them.
    while points:
        edges = [0, *points, len(y)]
        tests = []
        for a, at, b in zip(edges, points, edges[2:], strict=False):
            step, sd = step_beside(y[a:b], inverse[a:b], at - a)
            # Short parts can look quiet by luck: the session's spread must not be undercut.
            sd = max(sd, sigma * math.sqrt(1.0 / (at - a) + 1.0 / (b - at)))
            large = abs(100.0 * math.expm1(step)) >= least_percent
            tests.append((abs(step) / sd if large and math.isfinite(sd) else 0.0, at))
        strength, weakest = min(tests)
        if strength >= CHANGE_SIGMA:
            return [int(times[at]) for at in points]
        points.remove(weakest)
    return []


def _sizes(
    own: Floats, theirs: Floats, at: Sequence[float], begin: int, end: int, least_percent: float
) -> list[tuple[float, float]]:
    """The percent by which the ratio of work changes at each second of `at`."""
    edges = [begin, *(int(t) for t in at), end]
    ratios = []
    for a, b in pairwise(edges):
        # What averaging smears over a step belongs to neither level.
        first = a + SMEARED_S if a > begin and b - a > 4 * SMEARED_S else a
        both = np.isfinite(own[first:b]) & np.isfinite(theirs[first:b])
        total = float(theirs[first:b][both].sum())
        ratios.append(float(own[first:b][both].sum()) / total if total > 0.0 else math.nan)
    sizes = [100.0 * (after / before - 1.0) for before, after in pairwise(ratios)]
    return [(t, size) for t, size in zip(at, sizes, strict=True) if abs(size) >= least_percent]


_FAMILY = re.compile(
    r"^(?P<name>.*?)[\s,:_-]*(?:\(found\)\s*)?"
    r"(?:(?P<k>\d+)\s*(?:/|of)\s*\d+|#(?P<n>\d+)|\b(?P<word>again|before|after|repeat|first|last))?$",
    re.IGNORECASE,
)


def _family(name: str) -> tuple[str, str]:
    """The name of a block without what tells its repetition, and that rest: `over` and `2/6`."""
    match = _FAMILY.match(name.strip())
    if match is None or not match["name"]:
        return name, ""
    return match["name"].strip(), name[len(match["name"]) :].strip()


def _alike(members: Sequence[SegmentStudy]) -> bool:
    """Whether blocks of one name were ridden alike: power within a tenth, cadence within 10 rpm."""
    powers = [s.power_w for s in members if s.power_w is not None]
    rpms = [s.cadence_rpm for s in members if s.cadence_rpm is not None]
    if len(powers) < 2 or members[0].kind in ("free",):
        return False
    if members[0].kind == "sprint":
        return True
    return max(powers) - min(powers) <= 0.1 * max(powers) and (not rpms or max(rpms) - min(rpms) <= 10.0)


def _alternating(segments: Sequence[SegmentStudy], k: int) -> int:
    """How many segments from `k` on go up and down between two loads."""
    levels: list[float] = []
    for s in segments[k:]:
        length = s.end_s - s.start_s
        level = s.power_w or 0.0
        if s.kind != "block" or not 8.0 <= length <= 120.0 or level < MIN_POWER_W:
            break
        if levels and abs(level - levels[-1]) < 0.08 * max(level, levels[-1]):
            break
        if len(levels) >= 2 and (
            (level - levels[-1]) * (levels[-1] - levels[-2]) >= 0.0 or abs(level - levels[-2]) > 0.12 * level
        ):
            break
        levels.append(level)
    return len(levels)


def _repeat(name: str, first: SegmentStudy, one: Difference, last: SegmentStudy, two: Difference) -> Repeat:
    change = rounded(two.deviation_percent - one.deviation_percent, 3)
    first_percent, last_percent = (rounded(d.deviation_percent, 1) for d in (one, two))
    u = None
    if one.spread_u95_percent is not None and two.spread_u95_percent is not None:
        u = math.hypot(one.spread_u95_percent + one.edge_percent, two.spread_u95_percent + two.edge_percent)
    text = (
        f"the same block ({name}) read {first_percent:+.1f} % at {clock(first.start_s)} and "
        f"{last_percent:+.1f} % at {clock(last.start_s)}"
    )
    if u is not None:
        text += ": a change beyond chance" if abs(change) > u else ": no change beyond chance"
        text += f" ({rounded(change, 1):+.1f} % ± {u:.1f} %)"
    return Repeat(
        name, one.instrument, one.reference, first.name, last.name, one.deviation_percent, one.u95_percent,
        two.deviation_percent, two.u95_percent, change, known(u, 3),
        None if u is None else abs(change) > u, text,
    )  # fmt: skip


def _as_blocks(blocks: Blocks, mask: Bools) -> list[Block]:
    """Rows for the diagnosis, in the form that the live comparison makes."""
    rows = []
    for k in np.flatnonzero(mask).tolist():
        rows.append(
            Block(
                int(blocks.begin_s[k]) + BLOCK_S,
                float(blocks.y[k]),
                float(blocks.own_w[k]),
                float(blocks.reference_w[k]),
                _number(blocks.cadence_rpm[k]),
                float(blocks.edge_percent[k]),
                _number(blocks.y_left[k]),
                _number(blocks.y_right[k]),
                _number(blocks.left_w[k]),
                _number(blocks.right_w[k]),
                _number(blocks.left_reference_w[k]),
                _number(blocks.right_reference_w[k]),
            )
        )
    return rows


def _number(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None


def _efficiency(
    labels: tuple[str, str],
    segment: SegmentStudy,
    hub: Floats,
    crank: Floats,
    window: tuple[int, int],
    usual: Spread,
) -> Efficiency | None:
    hub_label, crank_label = labels
    begin, end = window
    h, c = hub[begin:end], crank[begin:end]
    both = np.isfinite(h) & np.isfinite(c)
    if both.sum() < 3 * BLOCK_S or float(c[both].mean()) < MIN_POWER_W:
        return None
    n = len(h) // BLOCK_S
    ys = log_ratio(
        h[: n * BLOCK_S].reshape(n, BLOCK_S).mean(axis=1), c[: n * BLOCK_S].reshape(n, BLOCK_S).mean(axis=1)
    )
    spread = interval(ys[np.isfinite(ys)], usual)
    power_w = float(c[both].mean())
    percent = 100.0 * float(h[both].mean()) / power_w
    u95 = percent * spread.u95 if spread is not None and math.isfinite(spread.u95) else None
    low, high = published_efficiency(power_w)
    sure = f" ± {u95:.1f} %" if u95 is not None else ""
    text = f"{hub_label} shows {percent:.1f} %{sure} of {crank_label} at {power_w:.0f} W"
    if percent > 100.0 + (u95 or 0.0):
        text += ": more than goes in at the crank, so this is no loss but a disagreement"
    else:
        text += f"; published for clean chains: {low:.1f} to {high:.1f} %"
    return Efficiency(
        hub_label, crank_label, segment.name, rounded(power_w, 2), int(both.sum()), rounded(percent, 3),
        known(u95, 3), rounded(low, 2), rounded(high, 2), text,
    )  # fmt: skip


def _told(facts: dict[str, float | str]) -> dict[str, str]:
    """What the radio told that a reader should see: settings and identity, no list of abilities."""
    wanted = [k for k in facts if k in FACTS or "offset" in k or "zero" in k or "calibration" in k]
    skip = ("offset_compensation", "enhanced_offset_compensation", "offset_compensation_indicator",
            "factory_calibration_date", "custom_calibration")  # fmt: skip
    order = {name: k for k, name in enumerate(FACTS)}
    wanted = sorted((k for k in wanted if k not in skip), key=lambda k: (order.get(k, 99), k))
    return {
        k: f"{v:g}" if isinstance(v, float | int) and not isinstance(v, bool) else str(v)
        for k in wanted
        for v in (facts[k],)
    }
