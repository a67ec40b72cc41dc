"""By how much each instrument comes later than the reference, learnt from the last five minutes."""

import math
from collections.abc import Mapping, Sequence

import numpy as np

from monitor.analysis.block import MIN_POWER_W
from monitor.analysis.curve import COVERED, WORK, Ring
from monitor.analysis.expected import ALIKE, likely_lag
from monitor.analysis.lag import Timing, timing
from monitor.live.pair import Pair
from monitor.live.windows.past import COVERED_PART
from monitor.live.windows.span import LEAST_LAG_S
from monitor.setup.bench import Instrument

KNOWN_LAG_SD_S = 0.6
"""With a larger standard deviation a lag is what was thought before rather than what was measured."""
LAG_S = 300
"""A lag is learnt from so many of the last seconds: enough changes of power, and delays may drift."""
EARLY_S, EARLY_EACH_S, LATER_EACH_S = 60, 5, 20
"""In the first minute lags are learnt anew each 5 s, then each 20 s: fits cost more than they move."""


class Lags:
    """The lag of each instrument behind `anchor`: the reference, or the first with power in a consensus."""

    def __init__(
        self,
        instruments: Sequence[Instrument],
        powered: Sequence[int],
        anchor: int,
        pairs: Mapping[int, Pair],
    ) -> None:
        self._powered, self._pairs, self._anchor = powered, pairs, anchor
        base = instruments[anchor]
        self._before = [
            Timing(0.0, 0.0) if i == anchor else likely_lag(instrument, base)
            for i, instrument in enumerate(instruments)
        ]
        self.timings = list(self._before)
        """By index of the bench."""
        self.reach_s = self._reach()
        """By how many seconds comparisons reach back before their windows."""

    def due(self, end: int) -> bool:
        """Whether lags are to be learnt anew at second `end`."""
        return end % (EARLY_EACH_S if end <= EARLY_S else LATER_EACH_S) == 0

    def find(self, ring: Ring) -> None:
        """Learn the lag of each instrument from the last five minutes."""
        anchor, end = self._anchor, ring.end
        begin = max(ring.oldest, end - LAG_S)
        covered = ring.series(begin, end, COVERED)
        power = ring.series(begin, end, WORK)
        power[(covered < COVERED_PART) | (power < MIN_POWER_W)] = np.nan
        each = power.T.copy()
        timings = self.timings
        for i in self._powered:
            if i != anchor:
                timings[i] = timing(each[anchor], each[i], self._before[i], timings[i].lag_s)
        for i, pair in self._pairs.items():
            side = pair.side
            if side is None or pair.sides == "total":
                continue
            if side == anchor:
                pair.side_timing = timings[i]
            else:
                pair.side_timing = timing(each[side], each[i], ALIKE, pair.side_timing.lag_s)
        self.reach_s = self._reach()

    def _reach(self) -> int:
        lags = [self.timings[i].lag_s for i in self._powered]
        lags += [x for pair in self._pairs.values() for x in (0.0, pair.side_timing.lag_s)]
        reach_s = max(lags, default=0.0) - min(lags, default=0.0)
        return math.ceil(reach_s) if reach_s > LEAST_LAG_S else 0

    def known(self, i: int) -> Timing | None:
        """The measured lag of an instrument behind the anchor; None while there is none to speak of."""
        timing = self.timings[i]
        return timing if 0.0 < timing.sd_s < KNOWN_LAG_SD_S else None

    def later_s(self, i: int, j: int) -> float | None:
        """By how many seconds `i` shows later than `j`; negative: earlier, None: not measured yet."""
        if any(k != self._anchor and self.known(k) is None for k in (i, j)):
            return None
        return self.timings[i].lag_s - self.timings[j].lag_s
