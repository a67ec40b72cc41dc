"""What each instrument shows for itself over one window, read at the time of the latest."""

import math
from collections.abc import Mapping, Sequence
from typing import NamedTuple

from monitor.analysis.block import BLOCK_S, LEAST_SIDE_W, MIN_POWER_W
from monitor.analysis.expected import DEFAULT_CLAIM_PERCENT, LOSS_SPREAD
from monitor.finding import Side
from monitor.live.pair import SHARE_COARSE_PERCENT, Pair
from monitor.live.windows.averaged import averaged_percent
from monitor.live.windows.ends import JUMP_TIMES, SILENT_PART, SLOPE_OF_TWO, UNSTEADY, VARIES, smoothed_of
from monitor.live.windows.span import Span
from monitor.live.windows.windows import Windows
from monitor.setup.bench import Instrument


class Level(NamedTuple):
    """Mean of one instrument over a window, taken to the crank (W), and what the ride leaves open of it
    (standard uncertainty, percent): scatter, lag, smoothing, expected loss. Its claim is no part of that."""

    power_w: float
    u_percent: float


NONE = Level(0.0, 0.0)
"""One of which the window tells nothing."""


class Levels:
    """What the instruments of a bench show, each for itself."""

    def __init__(
        self, instruments: Sequence[Instrument], windows: Windows, pairs: Mapping[int, Pair]
    ) -> None:
        self._instruments, self._windows, self._pairs = instruments, windows, pairs

    def of(self, begin: int, end: int, quantity: Side, pedalled_since: int) -> dict[int, Level]:
        """By index over the seconds [begin, end), which end now: the `total`, or the `left` or `right` side.

        Nobody may have coasted since `begin`. Empty: an end of the window tells nothing.
        """
        windows, timings = self._windows, self._windows.lags.timings
        from_s = begin - windows.lags.reach_s
        side = quantity != "total"
        if pedalled_since > from_s:
            return {}
        clean = [
            j
            for j in windows.powered
            if (past := windows.past[j]).clean_since <= from_s
            and (not side or (self._instruments[j].sides == "both" and past.sided_since <= from_s))
        ]
        if len(clean) < 2:
            return {}
        span = windows.span(begin, end)
        last_s = max(timings[j].lag_s for j in clean)
        plain = windows.lags.plain
        quickest = clean[0] if plain else min(clean, key=windows.lags.widths_s2.__getitem__)
        levels = {}
        for j in clean:
            level = self._level(span, j, from_s, last_s, quantity)
            if level is not None and level.power_w > 0.0 and not plain:
                averaged = averaged_percent(span, windows.lags, j, (quickest,), level.power_w)
                # As a uniform distribution: the standard deviation of what can be no more than that.
                level = Level(level.power_w, math.hypot(level.u_percent, averaged / math.sqrt(3.0)))
            if level is None:
                return {}
            if level.power_w > 0.0:
                levels[j] = level
        return levels

    def _level(self, span: Span, j: int, from_s: int, last_s: float, quantity: Side) -> Level | None:
        """One instrument, read as much earlier than the latest (`last_s`) as it is earlier; None: an end of
        the window tells nothing."""
        past, timing = self._windows.past[j], self._windows.lags.timings[j]
        shift_s = timing.lag_s - last_s
        power_w = span.power(j, shift_s)
        if power_w < MIN_POWER_W:
            return NONE
        open_percent = self._open_percent(span, j, power_w)
        if open_percent is None or past.two < SILENT_PART * power_w:
            return None
        scatter = self._scatter(j, quantity, span.length_s)
        if quantity != "total":
            left, right = span.shared(j, shift_s)
            side_w = left if quantity == "left" else right
            return Level(max(0.0, side_w), math.hypot(scatter, open_percent, SHARE_COARSE_PERCENT))
        if self._instruments[j].sides in ("left", "right"):
            return self._doubled(span, j, from_s, last_s, Level(power_w, open_percent), scatter)
        return Level(power_w, math.hypot(scatter, open_percent))

    def _open_percent(self, span: Span, j: int, power_w: float) -> float | None:
        """What loss, lag and smoothing leave open of a mean (standard uncertainty, percent); None: an end of
        the window tells nothing."""
        change, start, stop, _ = span.ends(j)
        if change != change or (span.length_s <= BLOCK_S and change > UNSTEADY * power_w):
            return None
        loss = LOSS_SPREAD * 100.0 * (1.0 - self._windows.losses[j].at_hub(power_w) / power_w)
        part = 100.0 / (span.length_s * power_w)
        jump = max(0.0, max(start, stop) - VARIES * power_w)
        smoothed_s2 = smoothed_of(self._instruments[j].mount == "hub")
        # As a uniform distribution: the standard deviation of what can be no more than that.
        smoothed = smoothed_s2 * (math.hypot(start, stop) / SLOPE_OF_TWO + JUMP_TIMES * jump) / math.sqrt(3.0)
        return math.hypot(loss, part * self._windows.lags.timings[j].sd_s * change, part * smoothed)

    def _doubled(self, span: Span, j: int, from_s: int, last_s: float, own: Level, scatter: float) -> Level:
        """One that doubles a side: what both would be by the shares of another, whose claim comes in with
        it. `own` is what it shows, without its scatter (percent)."""
        windows = self._windows
        pair = self._pairs.get(j)
        other = None if pair is None else pair.side
        if other is None or windows.past[other].sided_since > from_s:
            return NONE
        left, right = span.shared(other, windows.lags.timings[other].lag_s - last_s)
        side_w = left if self._instruments[j].sides == "left" else right
        if side_w < LEAST_SIDE_W:
            return NONE
        claim = self._instruments[other].claim_percent or DEFAULT_CLAIM_PERCENT
        power_w = own.power_w * ((left + right) / (2.0 * side_w))
        open_percent = math.hypot(own.u_percent, claim / math.sqrt(3.0))
        return Level(power_w, math.hypot(scatter, open_percent))

    def _scatter(self, j: int, quantity: Side, length_s: int) -> float:
        """Percent that the scatter of one instrument leaves open over so many seconds: its part of that of
        a difference; the most of all where it has no difference of its own."""

        def of(pair: Pair) -> float:
            return pair.noise_of(quantity).of_mean(length_s)

        own = self._pairs.get(j)
        most = of(own) if own is not None else max(map(of, self._pairs.values()), default=0.0)
        return 100.0 * most / math.sqrt(2.0)
