"""What all parts of a study share: the grid, the segments, and each instrument's blocks and changes."""

import math
from dataclasses import dataclass, field

import numpy as np

from monitor.analysis.block import BLOCK_S, MIN_POWER_W
from monitor.analysis.blockstats import Interval, Spread, interval, usual_spread
from monitor.analysis.budget import Noise, noise_of_blocks
from monitor.analysis.statistics import Floats
from monitor.analysis.stroke.series import Series
from monitor.setup.acts import touch_of
from monitor.study.asked.span import Span
from monitor.study.estimate.sure import (
    BETWEEN,
    BLUETOOTH_STEP_POINTS,
    EDGES,
    LOSS,
    SCATTER,
    SHARE,
    SHARE_STEP_POINTS,
    Between,
    Spreads,
    Sure,
    share_percent,
)
from monitor.study.grid import Blocks, Bools, Grid, Ints, held_by
from monitor.study.parts.stroke.position import Words, noted_positions
from monitor.study.recording import Recording
from monitor.study.results import rounded
from monitor.study.segments import spans_of

QUIET_EDGE = 2.0
"""Blocks whose edges may add more percent than this say nothing of scale, torque and cadence."""


@dataclass(slots=True)
class Shared:
    """One session as arrays, with what was found of it so far.

    `blocks`, `cuts` and `usual` have one entry for each instrument of `compared`: its blocks, the
    seconds at which it or its reference changed or was touched, the usual spread of a block, and how its
    noise goes with time.
    """

    recording: Recording
    grid: Grid
    spans: list[Span]
    held: list[str | None]
    compared: list[int]
    blocks: dict[int, Blocks]
    cuts: dict[int, list[float]] = field(default_factory=dict)
    left: dict[int, Bools] = field(default_factory=dict)
    """The blocks of each instrument that lie in its state as left."""
    first: dict[int, Bools] = field(default_factory=dict)
    """The same of its state as found, of those that did not stay in it."""
    usual: dict[int, Spread] = field(default_factory=dict)
    noise: dict[int, Noise] = field(default_factory=dict)
    side_noise: dict[tuple[int, str], Noise] = field(default_factory=dict)
    share_noise: dict[int, Noise] = field(default_factory=dict)
    """How the left share goes with time, of the instruments that were asked for it."""
    noted_positions: Words = field(default_factory=lambda: np.full(0, "", dtype="U8"))
    """Seated or standing second by second, as the tester noted it."""
    between: dict[int, Spreads] = field(default_factory=dict)
    """How far the segments of one state lie apart beyond their noise."""

    @property
    def strokes(self) -> dict[int, Series]:
        """What was reported of the stroke, by the instruments that report any of it."""
        return self.recording.strokes

    def acts(self, i: int) -> list[float]:
        """When the instrument, or its reference, was zeroed or seated anew."""
        label, reference = self.grid.labels[i], self.grid.reference_label(i)
        return [
            rounded(a.t_ns / 1e9, 1)
            for a in self.recording.acts
            if any(touch_of(a.act, a.instrument, each) for each in (label, reference) if each)
        ]

    def usual_of(self, i: int) -> Spread:
        """The usual spread of blocks about the means of segments and parts.

        A change inside a segment is no spread: the parts beside it have means of their own.
        """
        blocks = self.blocks[i]
        at = np.searchsorted(np.array(self.cuts[i]), blocks.begin_s + 0.5 * BLOCK_S)
        quiet = blocks.edge_percent < QUIET_EDGE
        groups = [
            blocks.y[(blocks.segment == k) & (at == p) & quiet]
            for k in range(len(self.spans))
            for p in range(len(self.cuts[i]) + 1)
        ]
        return usual_spread(groups)

    def noise_of(self, i: int, side: str = "") -> Noise:
        """The noise of blocks (of a side of them) by their distance in time, over all the session.

        Each part of a segment may have a true level of its own: what it does at its torque and cadence.
        """
        blocks = self.blocks[i]
        y = blocks.ratios(side)
        quiet = (blocks.edge_percent < QUIET_EDGE) & np.isfinite(y)
        at = np.searchsorted(np.array(self.cuts[i]), blocks.begin_s + 0.5 * BLOCK_S)[quiet]
        level = blocks.segment[quiet] * (len(self.cuts[i]) + 1) + at
        return noise_of_blocks(y[quiet], blocks.begin_s[quiet], level, at)

    def mean(self, i: int, mask: Bools) -> Interval | None:
        """Mean log ratio of these blocks with its 95 % half-width; None for no blocks."""
        return self.mean_of(i, self.blocks[i].y[mask], self.blocks[i].begin_s[mask])

    def mean_of(self, i: int, y: Floats, begin_s: Ints) -> Interval | None:
        """The mean of log ratios `y` of blocks of instrument `i` that begin at `begin_s`, as `mean`.

        Where the session is too short to know its noise, Student's interval with the usual spread.
        """
        noise = self.noise.get(i, Noise())
        if noise.dof < 1.0 or not len(y):
            return interval(y, self.usual[i])
        half = noise.mean(y, begin_s)
        worth = noise.variance / noise.of_mean(begin_s)
        return Interval(float(y.mean()), half.u95, len(y), max(1.0, worth), half.sd * math.sqrt(worth))

    def noise_between(self, i: int, j: int) -> Noise:
        """The noise of one instrument against another, if one of them is what the other is compared with."""
        for one, other in ((i, j), (j, i)):
            if self.grid.reference_label(one) == self.grid.labels[other]:
                return self.noise.get(one, Noise())
        return Noise()

    def sure(self, i: int, mask: Bools, between: Between | None = None) -> Sure | None:
        """Mean log ratio of these blocks with its budget; None for no blocks.

        `between`: how far segments lie apart, where that is known better than by all of a state.
        """
        found = self.mean(i, mask)
        if found is None:
            return None
        blocks = self.blocks[i]
        counts = np.bincount(blocks.segment[mask])
        several = int((counts > 0).sum()) > 1
        if between is None:
            between = self.between.get(i, Spreads()).at(float(blocks.begin_s[mask][0]))
        parts = {
            SCATTER: 100.0 * found.u95,
            BETWEEN: between.percent(counts.tolist()) if several else 0.0,
            LOSS: 1.96 * self.grid.u_loss_percent(i, float(blocks.reference_w[mask].mean())),
            EDGES: float(blocks.edge_percent[mask].mean()) / math.sqrt(found.n),
        }
        return Sure(found.value, found.n, found.n_effective, found.sd, parts)

    def sure_side(self, i: int, mask: Bools, side: str) -> Sure | None:
        """The same of a side against that side of the side reference; None for no blocks that have both."""
        y = self.blocks[i].ratios(side)
        mask = mask & np.isfinite(y)
        noise = self.side_noise.get((i, side), Noise())
        if not mask.any():
            return None
        begin_s = self.blocks[i].begin_s[mask]
        half = noise.mean(y[mask], begin_s)
        worth = noise.variance / noise.of_mean(begin_s) if noise.variance > 0.0 else 1.0
        parts = {
            SCATTER: 100.0 * half.u95,
            EDGES: float(self.blocks[i].edge_percent[mask].mean()) / math.sqrt(float(mask.sum())),
            SHARE: math.hypot(*self._share_steps(i, begin_s)),
        }
        return Sure(float(y[mask].mean()), int(mask.sum()), worth, noise.sd, parts)

    def _share_steps(self, i: int, begin_s: Ints) -> list[float]:
        """What the steps of its own share and of the side reference's leave open of a side, percent."""
        grid, pair = self.grid, self.grid.compared(i)
        rows = (begin_s[:, None] + np.arange(BLOCK_S)).ravel()
        sides = ((pair.left_w, pair.right_w), (pair.left_reference_w, pair.right_reference_w))
        result = []
        for (left, right), j in zip(sides, (i, grid.side_references.get(i)), strict=True):
            part, total = left[rows], (left + right)[rows]
            with np.errstate(invalid="ignore"):
                good = total >= MIN_POWER_W
            bluetooth = j is not None and grid.instruments[j].link.startswith("bluetooth:")
            step = BLUETOOTH_STEP_POINTS if bluetooth else SHARE_STEP_POINTS
            result.append(share_percent(100.0 * part[good] / total[good], step))
        return result


def shared_of(recording: Recording) -> Shared:
    """The arrays of a session; changes and spreads are still to be found."""
    grid = Grid(recording)
    spans = spans_of(recording)
    compared = [i for i in grid.powered if grid.reference_label(i) is not None]
    held = held_by(recording.writes, grid.seconds)
    blocks = {i: grid.blocks(i, spans) for i in compared}
    noted = noted_positions(recording.acts, grid.seconds)
    return Shared(recording, grid, spans, held, compared, blocks, noted_positions=noted)
