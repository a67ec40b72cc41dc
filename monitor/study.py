"""A finished session judged segment by segment: the one place that computes what is told afterwards.

Terminal, report, JSON and CSV show the numbers of a `Study`; its JSON is `study.json`. A
segment is looked at once, so its interval is Student's over blocks of ten seconds of the
log ratio, with their autocorrelation counted; the difference itself is a ratio of work.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import msgspec
import numpy as np
import numpy.typing as npt

from monitor.bench import CONSENSUS, Instrument
from monitor.compare import (
    BLOCK_S,
    LOSS_SPREAD,
    MIN_POWER_W,
    Floats,
    Lag,
    estimate_lag,
    judge,
    loss_of,
    mean_with_u95,
    tolerance_percent,
)
from monitor.curve import COVERED, LEFT, REVS, SIDED, TURNED, WORK
from monitor.recording import Recording
from monitor.segments import Span, spans_of

Judged = Literal["agrees", "differs", "undecided"]
Serves = Literal["yes", "no", "undecided"]
Bools = npt.NDArray[np.bool_]

PEAKS_S = (1, 5, 15, 30, 60)
WHOLE = 0.98
"""A second counts as covered from this part of it on."""


class Means(msgspec.Struct, frozen=True):
    """What one instrument showed over a segment after settling; `coverage` is 0..1 of its seconds."""

    power_w: float | None
    left_w: float | None
    right_w: float | None
    cadence_rpm: float | None
    coverage: float


class Difference(msgspec.Struct, frozen=True):
    """One instrument against its reference over a segment.

    `delta_*` is as shown, `expected_percent` what the drivetrain should make of it,
    `deviation_percent` what is left at the crank after that: it is judged, with
    `u95_percent`, against `limit_percent`. `share_right` is the part of the difference that
    the right side makes (0..1 when both sides lean the same way), where it can be told.
    """

    instrument: str
    reference: str
    delta_w: float
    delta_percent: float
    expected_percent: float
    u95_percent: float | None
    limit_percent: float
    verdict: Judged
    left_delta_w: float | None
    right_delta_w: float | None
    share_right: float | None
    deviation_percent: float
    blocks: int


class SegmentStudy(msgspec.Struct, frozen=True):
    """One segment; times are session seconds, `settle_s` of its beginning are left out of the means."""

    name: str
    start_s: float
    end_s: float
    steady: bool
    means: dict[str, Means]
    differences: list[Difference]
    kind: str
    settle_s: float
    target_w: float | None
    found: bool


class InstrumentStudy(msgspec.Struct, frozen=True):
    """One instrument over the whole session; gain and offset are relative to the reference."""

    gain: float | None
    gain_u95: float | None
    offset_nm: float | None
    offset_u95_nm: float | None
    cause: str | None
    lag_s: float | None
    noise_w: float | None
    lost_s: float
    loss_percent: float | None
    peaks_w: dict[str, float | None]
    serves_as_reference: Serves
    why: str


class ShiftStudy(msgspec.Struct, frozen=True):
    """A step of an instrument against its own past."""

    instrument: str
    t_s: float
    delta_percent: float
    side: str


class Study(msgspec.Struct, frozen=True):
    """A studied session; `msgspec.json.encode` gives `study.json`."""

    segments: list[SegmentStudy]
    instruments: dict[str, InstrumentStudy]
    shifts: list[ShiftStudy]
    bench: str
    reference: str
    seconds: float


def study(recording: Recording) -> Study:
    """Study a session that was run through the pipeline."""
    grid = Grid(recording)
    segments = [_segment(grid, span) for span in spans_of(recording)]
    shifts = [
        ShiftStudy(grid.labels[i], _round(s.since_s, 1), _round(s.percent, 2), s.side)
        for i, detector in sorted(recording.pipeline.watch.shifts.items())
        for s in detector.found
    ]
    instruments = {label: _instrument(grid, i, segments, shifts) for i, label in enumerate(grid.labels)}
    bench = recording.bench
    return Study(segments, instruments, shifts, bench.name, bench.reference, _round(recording.seconds, 3))


def study_json(result: Study) -> bytes:
    """The text of `study.json`."""
    return msgspec.json.format(msgspec.json.encode(result), indent=1) + b"\n"


# -- the session on one grid


@dataclass(slots=True)
class Compared:
    """Two instruments second by second, crank-equivalent watts, the first moved by its lag; nan: unknown."""

    own_w: Floats
    reference_w: Floats


class Grid:
    """Cells of all seconds with what the comparisons need: reference, losses, lags."""

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
        self.side_references = recording.pipeline.comparator.side_references
        self.losses = [loss_of(instrument) for instrument in self.instruments]
        self.power_w = self._shown(WORK, COVERED)
        self.crank_w = np.array([self._at_crank(i, self.power_w[:, i]) for i in range(len(self.labels))]).T
        self.crank_w = self.crank_w.reshape(self.seconds, len(self.labels))
        self.left_w = self._shown(LEFT, SIDED)
        self.cadence_rpm = 60.0 * self._shown(REVS, TURNED)
        self.lags = self._lags()

    def _shown(self, amount: int, time: int) -> Floats:
        seconds = self.cells[:, :, time]
        with np.errstate(invalid="ignore", divide="ignore"):
            result: Floats = np.where(seconds > WHOLE, self.cells[:, :, amount] / seconds, np.nan)
        return result

    def _at_crank(self, i: int, power_w: Floats) -> Floats:
        loss = self.losses[i]
        result: Floats = np.where(
            power_w > 0.0, (power_w + loss.watts) / (1.0 - loss.percent / 100.0), power_w
        )
        return result

    def _lags(self) -> dict[int, Lag]:
        """Each instrument's lag behind the reference from all unsteady riding."""
        r = self.reference
        found: dict[int, Lag] = {}
        if r is None:
            return found
        for i in self.powered:
            if i == r:
                continue
            best = self._lag(r, i)
            if best is not None:
                found[i] = best
        return found

    def _lag(self, r: int, i: int) -> Lag | None:
        a, b = self.power_w[:, r], self.power_w[:, i]
        both = np.isfinite(a) & np.isfinite(b)
        # The longest stretch without a hole: a lag can't be read across one.
        edges = np.flatnonzero(np.diff(np.concatenate(([0], both.astype(np.int8), [0]))))
        if not len(edges):
            return None
        begins, ends = edges[::2], edges[1::2]
        k = int(np.argmax(ends - begins))
        return estimate_lag(a[begins[k] : ends[k]], b[begins[k] : ends[k]], 1.0)

    def lag_s(self, i: int) -> float:
        """The lag that comparisons correct for; 0 while it isn't trusted."""
        lag = self.lags.get(i)
        return lag.lag_s if lag is not None and lag.trusted and abs(lag.lag_s) < 6.0 else 0.0

    def reference_label(self, i: int) -> str | None:
        """What instrument `i` is compared with; None if there is nothing."""
        if self.reference == i or i not in self.powered:
            return None
        if self.reference is None:
            return CONSENSUS if len(self.powered) >= 3 else None
        return self.labels[self.reference]

    def others(self, i: int) -> list[Instrument]:
        """Whose claims count beside that of instrument `i`."""
        if self.reference is not None:
            return [self.instruments[self.reference]]
        return [self.instruments[j] for j in self.powered if j != i]

    def compared(self, i: int) -> Compared:
        """Instrument `i` and its reference, second by second."""
        own = self._moved(i, self.lag_s(i)) if self.lag_s(i) else self.crank_w[:, i]
        sides = self.instruments[i].sides
        side = self.side_references.get(i)
        if sides in ("left", "right") and side is not None:
            left = self.left_w[:, side]
            # Twice one side: comparable with twice that side of another, not with a total.
            reference = 2.0 * (left if sides == "left" else self.power_w[:, side] - left)
        elif self.reference is not None:
            reference = self.crank_w[:, self.reference]
        else:
            theirs = self.crank_w[:, [j for j in self.powered if j != i]]
            known = np.isfinite(theirs).sum(axis=1) >= 2
            reference = np.full(self.seconds, np.nan)
            reference[known] = np.nanmedian(theirs[known], axis=1)
        return Compared(own, reference)

    def _moved(self, i: int, lag_s: float) -> Floats:
        """Crank-equivalent power of each second, read `lag_s` later; exact differences of work."""
        power = self.power_w[:, i]
        total = np.concatenate(([0.0], np.cumsum(np.nan_to_num(power))))
        holes = np.concatenate(([0.0], np.cumsum(~np.isfinite(power))))
        knots = np.arange(self.seconds + 1.0)
        at = knots + lag_s
        moved = np.diff(np.interp(at, knots, total))
        unknown = (np.diff(np.interp(at, knots, holes)) > 1e-9) | (at[1:] > self.seconds) | (at[:-1] < 0)
        moved[unknown] = np.nan
        return self._at_crank(i, moved)


# -- one segment


def _segment(grid: Grid, span: Span) -> SegmentStudy:
    begin, end = span.window()
    begin, end = min(begin, grid.seconds), min(end, grid.seconds)
    means = {label: _means(grid, i, begin, end) for i, label in enumerate(grid.labels)}
    steady = _is_steady(grid, begin, end)
    differences = [d for i in grid.powered if (d := _difference(grid, i, begin, end)) is not None]
    return SegmentStudy(
        span.name, _round(span.start_s, 3), _round(span.end_s, 3), steady, means, differences,
        span.kind, _round(span.settle_s, 1), span.target_w, span.found,
    )  # fmt: skip


def _means(grid: Grid, i: int, begin: int, end: int) -> Means:
    cells = grid.cells[begin:end, i].sum(axis=0)
    length = end - begin
    covered, sided, turned = cells[COVERED], cells[SIDED], cells[TURNED]
    power = cells[WORK] / covered if covered > 0.5 else None
    left = right = None
    sides = grid.instruments[i].sides
    if power is not None and sided > 0.5 and sides != "total":
        side_w = cells[LEFT] / sided
        left = side_w if sides != "right" else None
        right = power - side_w if sides != "left" else None
    cadence = 60.0 * cells[REVS] / turned if turned > 0.5 else None
    return Means(
        _maybe(power, 2), _maybe(left, 2), _maybe(right, 2), _maybe(cadence, 2),
        _round(min(1.0, (covered if i in grid.powered else turned) / length) if length else 0.0, 4),
    )  # fmt: skip


def _is_steady(grid: Grid, begin: int, end: int) -> bool:
    power = _consensus(grid, begin, end)
    five = power[: len(power) // 5 * 5].reshape(-1, 5).mean(axis=1)
    if len(five) < 3 or not np.isfinite(five).all():
        five = five[np.isfinite(five)]
        if len(five) < 3:
            return False
    mean = float(five.mean())
    spread = float(np.percentile(five, 95) - np.percentile(five, 5))
    return mean >= MIN_POWER_W and spread <= 0.15 * mean


def _consensus(grid: Grid, begin: int, end: int) -> Floats:
    """The median of all instruments, second by second; nan where none is known."""
    values = grid.crank_w[begin:end][:, grid.powered]
    known = np.isfinite(values).any(axis=1)
    result = np.full(end - begin, np.nan)
    result[known] = np.nanmedian(values[known], axis=1)
    return result


def _difference(grid: Grid, i: int, begin: int, end: int) -> Difference | None:
    reference = grid.reference_label(i)
    if reference is None:
        return None
    pair = grid.compared(i)
    own, theirs = pair.own_w[begin:end], pair.reference_w[begin:end]
    both = np.isfinite(own) & np.isfinite(theirs)
    if both.sum() < 5:
        return None
    own_w, reference_w = float(own[both].mean()), float(theirs[both].mean())
    if reference_w < MIN_POWER_W:
        return None
    loss = grid.losses[i]
    r = grid.reference
    one_sided = grid.instruments[i].sides in ("left", "right") and grid.side_references.get(i) is not None
    base_loss = grid.losses[r] if r is not None and not one_sided else loss_of(_PLAIN)
    base_w = base_loss.at_hub(reference_w)
    shown_w, expected_w = loss.at_hub(own_w), loss.at_hub(reference_w)
    deviation = 100.0 * (own_w / reference_w - 1.0)
    losses = [loss, *([base_loss] if r is not None else [grid.losses[j] for j in grid.powered if j != i])]
    u_loss = LOSS_SPREAD * max(100.0 * (1.0 - x.at_hub(reference_w) / reference_w) for x in losses)
    ys = _blocks(own, theirs)
    spread = mean_with_u95(ys)
    u95 = None
    if spread is not None and math.isfinite(spread.u95):
        lag = grid.lags.get(i)
        bound_s = 1.0 if lag is not None and lag.trusted else 5.0
        edge = _edge(own, theirs, reference_w, bound_s)
        u95 = math.hypot(100.0 * spread.u95, 1.96 * u_loss) + edge
    limit = max(
        tolerance_percent(grid.bench, grid.instruments[i], grid.others(i)),
        100.0 * grid.bench.limits.floor_w / reference_w,
    )
    verdict = judge(deviation, u95, limit) if u95 is not None else "undecided"
    left, right, share = _sides(grid, i, begin, end)
    label = grid.labels[grid.side_references[i] or 0] if one_sided else reference
    return Difference(
        grid.labels[i],
        label,
        _round(shown_w - base_w, 2),
        _round(100.0 * (shown_w / base_w - 1.0), 3),
        _round(100.0 * (expected_w / base_w - 1.0), 3),
        _maybe(u95, 3),
        _round(limit, 3),
        verdict,  # type: ignore[arg-type]
        left,
        right,
        share,
        _round(deviation, 3),
        len(ys),
    )


_PLAIN = Instrument(label="plain", link="log:plain")


def _blocks(own: Floats, reference: Floats) -> Floats:
    """Log ratios of whole blocks of ten known seconds."""
    n = len(own) // BLOCK_S
    a = own[: n * BLOCK_S].reshape(n, BLOCK_S).mean(axis=1)
    b = reference[: n * BLOCK_S].reshape(n, BLOCK_S).mean(axis=1)
    with np.errstate(invalid="ignore"):
        good = np.isfinite(a) & np.isfinite(b) & (b >= MIN_POWER_W) & (a > 0.05 * b)
    result: Floats = np.log(a[good] / b[good])
    return result


def _edge(own: Floats, reference: Floats, power_w: float, bound_s: float) -> float:
    """Percent of the segment's work that a lag of up to `bound_s` can move over its ends."""
    worst = 0.0
    for series in (own, reference):
        known = series[np.isfinite(series)]
        if len(known) >= 2:
            worst = max(worst, abs(float(known[-5:].mean() - known[:5].mean())))
    return 100.0 * bound_s * worst / (len(own) * power_w)


def _sides(grid: Grid, i: int, begin: int, end: int) -> tuple[float | None, float | None, float | None]:
    """Watts by which the left and the right side differ, and the right's part of both."""
    side = grid.side_references.get(i)
    sides = grid.instruments[i].sides
    if side is None or sides == "total":
        return None, None, None
    values = np.stack(
        [grid.left_w[begin:end, i], grid.power_w[begin:end, i], grid.left_w[begin:end, side],
         grid.power_w[begin:end, side]]
    )  # fmt: skip
    known = np.isfinite(values).all(axis=0)
    if known.sum() < 5:
        return None, None, None
    own_left, own, left, total = (float(v) for v in values[:, known].mean(axis=1))
    d_left = own_left - left if sides != "right" else None
    d_right = (own - own_left) - (total - left) if sides != "left" else None
    share = None
    if d_left is not None and d_right is not None:
        blocks = _mean_blocks(values[1] - values[3])
        spread = mean_with_u95(blocks)
        if spread is not None and abs(d_left + d_right) > spread.u95:
            share = _round(d_right / (d_left + d_right), 3)
    return _maybe(d_left, 2), _maybe(d_right, 2), share


def _mean_blocks(values: Floats) -> Floats:
    n = len(values) // BLOCK_S
    means = values[: n * BLOCK_S].reshape(n, BLOCK_S).mean(axis=1)
    result: Floats = means[np.isfinite(means)]
    return result


# -- one instrument


def _instrument(
    grid: Grid, i: int, segments: Sequence[SegmentStudy], shifts: Sequence[ShiftStudy]
) -> InstrumentStudy:
    lag = grid.lags.get(i)
    lost_s = _lost_s(grid, i)
    missed, packets = grid.recording.pipeline.missed[i], grid.recording.pipeline.packets[i]
    loss: float | None
    if missed:
        loss = 100.0 * missed / (missed + packets)
    else:
        loss = 100.0 * lost_s / grid.seconds if grid.seconds else None
    power = grid.power_w[:, i] if i in grid.powered else np.full(grid.seconds, np.nan)
    peaks = {str(d): _maybe(best_mean(power, d), 1) for d in PEAKS_S}
    serves, why = _serves(grid, i, segments, shifts)
    return InstrumentStudy(
        gain=None,
        gain_u95=None,
        offset_nm=None,
        offset_u95_nm=None,
        cause=None,
        lag_s=_maybe(lag.lag_s if lag is not None and lag.trusted else None, 2),
        noise_w=None,
        lost_s=_round(lost_s, 1),
        loss_percent=_maybe(loss, 3),
        peaks_w=peaks,
        serves_as_reference=serves,
        why=why,
    )


def best_mean(power_w: Floats, seconds: int) -> float | None:
    """The highest mean over `seconds` neighbouring values (1 Hz); stretches with a nan don't count."""
    if len(power_w) < seconds:
        return None
    known = np.isfinite(power_w)
    total = np.concatenate(([0.0], np.cumsum(np.where(known, power_w, 0.0))))
    holes = np.concatenate(([0], np.cumsum(~known)))
    means = (total[seconds:] - total[:-seconds]) / seconds
    means = means[holes[seconds:] == holes[:-seconds]]
    return float(means.max()) if len(means) else None


def _lost_s(grid: Grid, i: int) -> float:
    """Seconds without a word from the instrument while others showed that somebody pedals."""
    time = COVERED if i in grid.powered else TURNED
    own = grid.cells[:, i, time]
    others = [j for j in grid.powered if j != i]
    if not others or not grid.seconds:
        return 0.0
    with np.errstate(invalid="ignore"):
        ridden = (grid.crank_w[:, others] >= MIN_POWER_W).any(axis=1)
    missing = np.where(ridden, 1.0 - np.minimum(1.0, own), 0.0)
    return float(missing[missing > 1.0 - WHOLE].sum())


def _serves(
    grid: Grid, i: int, segments: Sequence[SegmentStudy], shifts: Sequence[ShiftStudy]
) -> tuple[Serves, str]:
    label = grid.labels[i]
    if i not in grid.powered:
        return "undecided", "it measures no power"
    against = [d for s in segments for d in s.differences if d.instrument == label]
    if i == grid.reference:
        return "undecided", "the others were compared with it; nothing here judges the reference itself"
    wrong = [d for d in against if d.verdict == "differs"]
    right = [d for d in against if d.verdict == "agrees"]
    moved = [s for s in shifts if s.instrument == label]
    if wrong:
        worst = max(wrong, key=lambda d: abs(d.deviation_percent))
        return "no", (
            f"it differs by {worst.deviation_percent:+.1f} % in {len(wrong)} of {len(against)} segments, "
            f"more than the {worst.limit_percent:.1f} % that the claims allow"
        )
    if moved:
        return "no", f"it shifted by {moved[0].delta_percent:+.1f} % against its own past"
    if right and len(right) == len(against):
        return "yes", f"it agrees within the claims in all {len(right)} segments that can be judged"
    if right:
        return "undecided", f"{len(right)} of {len(against)} segments agree, the others can't be told yet"
    return "undecided", "no segment is long and steady enough to tell"


def _round(value: float, digits: int) -> float:
    rounded = round(float(value), digits)
    return rounded + 0.0  # no negative zero


def _maybe(value: float | None, digits: int) -> float | None:
    return None if value is None or not math.isfinite(value) else _round(value, digits)
