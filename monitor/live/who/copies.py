"""One instrument heard twice is one opinion: by its serial number on two links, or by readings alike."""

from collections.abc import Mapping, Sequence

import numpy as np

from monitor.analysis.block import MIN_POWER_W
from monitor.analysis.consistency import LIKE_S, by_trust, contradict, copies_of
from monitor.analysis.curve import COVERED, WORK
from monitor.analysis.statistics import Floats
from monitor.live.comparator import Comparator
from monitor.live.windows.lags import LAG_S
from monitor.live.windows.past import COVERED_PART

RENEW_S = 30
"""They are compared anew so often at most, and only while it matters whose a difference is."""


class Copies:
    """Which instruments are another one heard a second time."""

    def __init__(self, comparator: Comparator, facts: Sequence[Mapping[str, object]]) -> None:
        self.comparator = comparator
        self.facts = facts
        self._order = by_trust(comparator.powered, comparator.reference, comparator.instruments)
        self._found: dict[int, int] = {}
        self._next_s = 0

    def now(self) -> dict[int, int]:
        """By index, the less trusted to the more trusted one that it is."""
        end = self.comparator.ring.end
        if end >= self._next_s:
            self._next_s = end + RENEW_S
            self._found = self._find(end)
        return self._found

    def _find(self, end: int) -> dict[int, int]:
        fives = dict(zip(self._order, self._fives(end), strict=True))
        found = copies_of(self._order, self.comparator.instruments, self.facts, fives)
        # One instrument does not become two because a rest makes its two radios look less alike.
        kept = {i: j for i, j in self._found.items() if not contradict(fives, i, j)}
        return kept | found

    def _fives(self, end: int) -> list[Floats]:
        """Logarithms (percent) of five-second means of the power at the crank, each read at the time of the
        latest; nan where not known or not ridden."""
        comparator = self.comparator
        ring = comparator.ring
        begin = max(ring.oldest, end - LAG_S)
        n = (end - begin - comparator.reach_s) // LIKE_S
        if n < 1:
            return [np.zeros(0) for _ in self._order]
        work = ring.series(begin, end, WORK)
        covered = ring.series(begin, end, COVERED) > COVERED_PART
        last_s = max(comparator.timings[i].lag_s for i in self._order)
        seconds = np.arange(end - begin + 1, dtype=np.float64)
        edges = comparator.reach_s + LIKE_S * np.arange(n + 1, dtype=np.float64)
        result = []
        for i in self._order:
            at = edges + comparator.timings[i].lag_s - last_s
            done = np.interp(at, seconds, np.concatenate(([0.0], np.cumsum(work[:, i]))))
            holes = np.interp(at, seconds, np.concatenate(([0.0], np.cumsum(~covered[:, i]))))
            means = np.diff(done) / LIKE_S
            five = np.full(n, np.nan)
            good = (np.diff(holes) == 0.0) & (means >= MIN_POWER_W)
            five[good] = 100.0 * np.log([comparator.losses[i].at_crank(float(w)) for w in means[good]])
            result.append(five)
        return result
