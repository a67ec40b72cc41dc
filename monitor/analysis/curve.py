"""The work curve: cumulative work and revolutions over host time, in cells of a second.

`Curve` holds the seconds of one instrument that are still open, `Ring` the closed ones of all.
What is laid on them is found in `monitor.analysis.work`. Time that nobody vouched for stays
uncovered: it is missing, never zero, never held.
"""

import numpy as np
import numpy.typing as npt

BRIDGED_S = 8.0
"""Seconds. An accumulator's difference is laid evenly over a gap of at most this long (common
practice, no source): its work is right over the whole gap, within the gap only on average."""
CAPACITY_S = 1 << 13
"""Closed seconds that are kept: 2 h 16 min, longer than any window that is asked for."""

WORK, LEFT, SIDED, COVERED, REVS, TURNED = range(6)
"""Columns of a cell: joules, joules of the left side, seconds with known sides, seconds
with known work, crank revolutions, seconds with known revolutions."""
COLUMNS = 6


class Ring:
    """Closed cells of all instruments as running sums; window sums in O(1), memory flat.

    `sums[k % CAPACITY_S]` has shape (instruments, COLUMNS): the totals at the end of second k.
    """

    def __init__(self, instruments: int) -> None:
        # Written, not only reserved: what it takes it takes at once, and not an hour later.
        self.sums: npt.NDArray[np.float64] = np.full((CAPACITY_S, instruments, COLUMNS), 0.0)
        self.end = 0
        """Seconds closed so far; cell k covers [k, k + 1)."""

    def append(self, cell: npt.NDArray[np.float64]) -> None:
        """Close the next second; `cell` has shape (instruments, COLUMNS)."""
        k = self.end
        np.add(self.sums[(k - 1) % CAPACITY_S], cell, out=self.sums[k % CAPACITY_S])
        self.end = k + 1

    def scale(self, instrument: int, by: float) -> None:
        """Count all work of an instrument `by` times as large, also what is past."""
        self.sums[:, instrument, [WORK, LEFT]] *= by

    def window(self, begin: int, end: int) -> npt.NDArray[np.float64]:
        """Sums over the seconds [begin, end), shape (instruments, COLUMNS)."""
        difference: npt.NDArray[np.float64] = (
            self.sums[(end - 1) % CAPACITY_S] - self.sums[(begin - 1) % CAPACITY_S]
        )
        return difference

    def series(self, begin: int, end: int, column: int) -> npt.NDArray[np.float64]:
        """Cells of one column over [begin, end), shape (end - begin, instruments)."""
        index = np.arange(begin - 1, end) % CAPACITY_S
        result: npt.NDArray[np.float64] = np.diff(self.sums[index, :, column], axis=0)
        return result

    @property
    def oldest(self) -> int:
        """The first second that a window may begin at."""
        return max(0, self.end - CAPACITY_S + 1)


class Curve:
    """One instrument's open seconds, filled by pieces until they are closed."""

    __slots__ = ("_cells", "base", "turned_s", "worked_s")

    def __init__(self) -> None:
        self.base = 0
        self._cells: list[list[float]] = []
        self.worked_s = 0.0
        """Work is known up to here: the frontier."""
        self.turned_s = 0.0
        """Revolutions are known up to here."""

    def _pieces(self, t0_s: float, t1_s: float) -> list[tuple[list[float], float]]:
        """The open cells that [t0, t1) touches, each with its seconds.

        A second that is closed can't be reopened: what comes late for it is left out, and not put
        on another second, which it would make wrong.
        """
        cells, base = self._cells, self.base
        last = int(t1_s) - base
        if last < 0:
            return []
        while len(cells) <= last:
            cells.append([0.0] * COLUMNS)
        first = int(t0_s) - base
        if first == last:
            return [(cells[last], t1_s - t0_s)]
        if first >= 0 and first + 1 == last:
            # By far the most that are not within one second.
            edge_s = float(base + last)
            return [(cells[first], edge_s - t0_s), (cells[last], t1_s - edge_s)]
        pieces = []
        for i in range(max(first, 0), last + 1):
            length = min(t1_s, base + i + 1.0) - max(t0_s, float(base + i))
            if length > 0.0:
                pieces.append((cells[i], length))
        return pieces

    def work(self, t0_s: float, t1_s: float, work_j: float, left_share: float | None) -> None:
        """Lay `work_j` evenly on [t0, t1); the left side's part if its share is known."""
        if t1_s <= t0_s:
            return
        length = t1_s - t0_s
        density = work_j / length
        cells, at = self._cells, int(t1_s) - self.base
        if 0 <= at < len(cells) and int(t0_s) - self.base == at:
            # Within one second, as most are.
            cell, j = cells[at], density * length
            cell[WORK] += j
            cell[COVERED] += length
            if left_share is not None:
                cell[LEFT] += j * left_share
                cell[SIDED] += length
            if t1_s > self.worked_s:
                self.worked_s = t1_s
            return
        for cell, length in self._pieces(t0_s, t1_s):
            j = density * length
            cell[WORK] += j
            cell[COVERED] += length
            if left_share is not None:
                cell[LEFT] += j * left_share
                cell[SIDED] += length
        if t1_s > self.worked_s:
            self.worked_s = t1_s

    def turn(self, t0_s: float, t1_s: float, revs: float, known_s: float | None = None) -> None:
        """Lay crank revolutions evenly on [t0, t1).

        `known_s`: up to there something has been told already; what is laid comes on top of it.
        """
        if t1_s <= t0_s:
            return
        density = revs / (t1_s - t0_s)
        for cell, length in self._pieces(t0_s, t1_s):
            cell[REVS] += density * length
            if known_s is None:
                cell[TURNED] += length
        if known_s is not None and known_s < t1_s:
            for cell, length in self._pieces(known_s, t1_s):
                cell[TURNED] += length
        if t1_s > self.turned_s:
            self.turned_s = t1_s

    def work_to(
        self,
        t_s: float,
        work_j: float,
        left_share: float | None,
        begin_s: float | None = None,
        bridged_s: float = BRIDGED_S,
    ) -> None:
        """Lay work from the frontier (or `begin_s`) to `t_s`; beyond a hole of `bridged_s` only move on.

        Then the hole stays uncovered, and the work in it is left out.
        """
        begin_s = self.worked_s if begin_s is None else begin_s
        if t_s - begin_s > bridged_s:
            self.worked_s = t_s
        else:
            self.work(begin_s, t_s, work_j, left_share)

    def turn_to(self, t_s: float, revs: float, bridged_s: float = BRIDGED_S, least_s: float = 0.0) -> None:
        """Lay revolutions from their frontier to `t_s`; beyond a hole of `bridged_s` only move on.

        They took `least_s` at the least: then they began before what is told already.
        """
        begin_s = self.turned_s
        if t_s - begin_s > bridged_s:
            self.turned_s = t_s
        elif t_s - begin_s < least_s and revs:
            self.turn(t_s - least_s, t_s, revs, begin_s)
        else:
            self.turn(begin_s, t_s, revs)

    @property
    def pending(self) -> int:
        """How many open seconds hold anything."""
        return len(self._cells)

    def close(self) -> list[float]:
        """Take out the oldest open second."""
        self.base += 1
        return self._cells.pop(0) if self._cells else [0.0] * COLUMNS
