"""By how much each instrument comes later than the reference, learnt from the last five minutes."""

import math
from collections.abc import Mapping, Sequence

import numpy as np

from monitor.analysis.averaging import USUAL, Averaging, averaging
from monitor.analysis.block import MIN_POWER_W
from monitor.analysis.curve import COVERED, WORK, Ring
from monitor.analysis.expected import ALIKE, likely_lag
from monitor.analysis.lag import Floats, Timing, timing
from monitor.live.pair import Pair
from monitor.live.windows.past import COVERED_PART
from monitor.live.windows.span import LEAST_LAG_S
from monitor.setup.bench import Instrument

KNOWN_LAG_SD_S = 0.6
"""With a larger standard deviation a lag is what was thought before rather than what was measured."""
LAG_S = 300
"""A lag is learnt from so many of the last seconds: enough changes of power, and delays may drift."""
AVERAGED_EACH_S = 60
"""Whether one averages is looked at so often once it has been told: that is a setting, and hardly changes."""
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
        self._averagings: list[Averaging | None] = [
            None if i in powered and i != anchor else USUAL for i in range(len(instruments))
        ]
        self.plain = False
        """Whether all are known to average no more than usual."""
        self.unknown = [known is None for known in self._averagings]
        """By index of the bench: whether it is not known yet by how much an instrument averages."""
        self.widths_s2 = [0.0] * len(instruments)
        """The square of the moving mean (s) that each shows of the anchor; negative where the anchor averages
        what that instrument shows. Of two instruments the one with more is the smoother one."""
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
                timings[i] = self._timing(i, each[anchor], each[i], end)
        self.plain = all(known is USUAL for known in self._averagings)
        self.unknown = [known is None for known in self._averagings]
        widths = (0.0 if known is None else known.width_s for known in self._averagings)
        self.widths_s2 = [math.copysign(width_s**2, width_s) for width_s in widths]
        for i, pair in self._pairs.items():
            side = pair.side
            if side is None or pair.sides == "total":
                continue
            if side == anchor:
                pair.side_timing = timings[i]
            elif self.widths_s2[i] != self.widths_s2[side]:
                own, other = timings[i], timings[side]
                pair.side_timing = Timing(own.lag_s - other.lag_s, math.hypot(own.sd_s, other.sd_s))
            else:
                pair.side_timing = timing(each[side], each[i], ALIKE, pair.side_timing.lag_s)
        self.reach_s = self._reach()

    def _timing(self, i: int, base: Floats, shown: Floats, end: int) -> Timing:
        """By how much an instrument comes later than the anchor, and whether one of them averages."""
        known = self._averagings[i]
        if known is None or end % AVERAGED_EACH_S == 0:
            known = self._averagings[i] = averaging(base, shown) or known
        if known is not None and known.timing is not None:
            # What is usual for its kind says nothing of one that averages.
            return known.timing
        return timing(base, shown, self._before[i], self.timings[i].lag_s)

    def averages_s(self, i: int) -> float:
        """The moving mean (s) that an instrument is known to show of the anchor; 0: none beyond the usual."""
        known = self._averagings[i]
        return 0.0 if known is None else max(0.0, known.width_s)

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
