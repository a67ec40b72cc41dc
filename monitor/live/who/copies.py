"""One instrument heard twice is one opinion: by its serial number on two links, or by readings alike."""

from collections.abc import Mapping, Sequence

import numpy as np

from monitor.analysis.block import MIN_POWER_W
from monitor.analysis.curve import COVERED, WORK
from monitor.analysis.statistics import Floats, spread_of_known
from monitor.live.comparator import Comparator
from monitor.live.windows.lags import LAG_S
from monitor.live.windows.past import COVERED_PART

TRUST = {"reference": 0, "witness": 1, "on-test": 2}
LEAST_SIGNS = 3
"""A serial number of fewer different signs (0, 1111, 1010) is none."""
SERIAL_MEAN_PERCENT, SERIAL_PERCENT = 0.5, 1.5
"""With one serial number: levels and five-second means of one instrument on two radios, which may smooth
differently (common practice, no source)."""
LIKE_PERCENT, ALIKE_MEAN_PERCENT, LIKE_TIMES = 0.15, 0.3, 4.0
"""One instrument heard twice: five-second means follow each other within LIKE_PERCENT (standard deviation),
levels within ALIKE_MEAN_PERCENT, both LIKE_TIMES as far from any other (common practice, no source)."""
LIKE_S = 5
LEAST_LIKE = 24
"""So many five-second means tell how alike two are: two minutes."""
RENEW_S = 30
"""They are compared anew so often at most, and only while it matters whose a difference is."""
SAME_MAKER = ("manufacturer", "manufacturer_id", "model", "model_number")


def same_serial(one: Mapping[str, object], two: Mapping[str, object]) -> bool:
    """Whether what two links reported names one instrument: serial number and, where both tell, maker."""
    serial = str(one.get("serial") or "")
    if len(set(serial)) < LEAST_SIGNS or serial != str(two.get("serial")):
        return False
    # The maker's name on one radio, its number on the other: only what both report can contradict.
    return all(key not in one or key not in two or one[key] == two[key] for key in SAME_MAKER)


class Copies:
    """Which instruments are another one heard a second time."""

    def __init__(self, comparator: Comparator, facts: Sequence[Mapping[str, object]]) -> None:
        self.comparator = comparator
        self.facts = facts
        instruments = comparator.instruments
        self._order = sorted(
            comparator.powered, key=lambda i: (i != comparator.reference, TRUST[instruments[i].role], i)
        )
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
        found: dict[int, int] = {}
        for place, i in enumerate(self._order):
            for j in self._order[:place]:
                if j not in found and (self._one_serial(fives, i, j) or self._one_reading(fives, i, j)):
                    found[i] = j
                    break
        return found

    def _one_serial(self, fives: Mapping[int, Floats], i: int, j: int) -> bool:
        """One serial number, and readings that do not contradict it.

        Modules are sold with serial numbers that nobody set: the same for a whole series.
        """
        instruments = self.comparator.instruments
        if instruments[i].mount != instruments[j].mount or not same_serial(self.facts[i], self.facts[j]):
            return False
        near = spread_of_known(fives[i] - fives[j], LEAST_LIKE)
        return near is None or (abs(near[0]) <= SERIAL_MEAN_PERCENT and near[1] <= SERIAL_PERCENT)

    def _one_reading(self, fives: Mapping[int, Floats], i: int, j: int) -> bool:
        one, two = self.comparator.instruments[i], self.comparator.instruments[j]
        if (one.mount == "hub") != (two.mount == "hub") or {one.sides, two.sides} & {"left", "right"}:
            return False
        near = spread_of_known(fives[i] - fives[j], LEAST_LIKE)
        if near is None or near[1] > LIKE_PERCENT or abs(near[0]) > ALIKE_MEAN_PERCENT:
            return False
        # Without a third nothing tells how far apart two that are not the same would be.
        far = [
            spread_of_known(fives[x] - fives[k], LEAST_LIKE) for x in (i, j) for k in fives if k not in (i, j)
        ]
        known = [f for f in far if f is not None]
        return bool(known) and all(f[1] >= LIKE_TIMES * near[1] for f in known)

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
