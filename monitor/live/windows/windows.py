"""One instrument against its reference over the same seconds: the windows of the live comparison."""

import math
from collections.abc import Sequence

from monitor.analysis.block import MIN_POWER_W
from monitor.analysis.curve import Ring
from monitor.analysis.expected import LOSS_SPREAD, Loss
from monitor.live.pair import Pair, Window
from monitor.live.windows.averaged import averaged_percent
from monitor.live.windows.lags import Lags
from monitor.live.windows.past import Past
from monitor.live.windows.sides import add_sides
from monitor.live.windows.span import Span


class Windows:
    """Makes windows of the closed seconds that end now, and keeps what they have in common.

    `reference` is the index of the named one; None: each is held against the median of all others.
    """

    def __init__(
        self,
        ring: Ring,
        past: Sequence[Past],
        losses: Sequence[Loss],
        powered: Sequence[int],
        reference: int | None,
        lags: Lags,
    ) -> None:
        self.ring = ring
        self.past = past
        self.losses = losses
        self.lags = lags
        self.powered = powered
        self._reference = reference
        self._named = None if reference is None else (reference,)
        self.leaning: set[int] = set()
        """Raised for their power: they are no part of the consensus that others are held against."""
        self._spans: dict[int, Span] = {}
        self._lossy = any(each.loss is not None for each in past)

    def moves_on(self) -> None:
        """Another second has closed: what ended with the last one is of no use any more."""
        self._spans.clear()

    def span(self, begin: int, end: int) -> Span:
        """What all windows over [begin, end) have in common; they end now."""
        span = self._spans.get(begin)
        if span is None:
            rows: list[list[float]] = self.ring.window(begin, end).tolist()
            span = self._spans[begin] = Span(rows, begin, end, self.ring.end, self.past, self.losses)
        return span

    def _others(self, i: int, begin: int) -> Sequence[int]:
        """The consensus that an instrument is held against over a window: others, of whom two are known."""
        past = self.past
        begin -= self.lags.reach_s
        clean = [j for j in self.powered if j != i and past[j].clean_since <= begin]
        if len(clean) < 2:
            return ()
        return [j for j in clean if j not in self.leaning] or clean

    def window(self, i: int, pair: Pair, begin: int, end: int) -> Window | None:
        """Instrument `i` against its reference over [begin, end); None: there is nothing to be compared."""
        others = self._others(i, begin) if self._named is None else self._named
        if not others or (self._reference is not None and self.past[self._reference].clean_since > begin):
            return None
        span = self.span(begin, end)
        lags = self.lags
        from_s = begin - lags.reach_s
        one, side = pair.sides, pair.side
        base = others[0]
        if side is not None and one in ("left", "right"):
            # Twice one side: comparable with twice that side of another, not with a total.
            if max(self.past[side].sided_since, self.past[side].clean_since) > from_s:
                return None
            base, sd_s, lag_s = side, pair.side_timing.sd_s, pair.side_timing.lag_s
            left, right = span.shared(side, -max(0.0, lag_s))
            own_w = span.power(i, min(0.0, lag_s))
            reference_w = 2.0 * (left if one == "left" else right)
        elif len(others) == 1:
            own, other = lags.timings[i], lags.timings[base]
            behind_s = own.lag_s - other.lag_s
            sd_s = math.hypot(own.sd_s, other.sd_s)
            # The earlier one is read as much later ago as the other is late.
            reference_w = span.power(base, -behind_s if behind_s > 0.0 else 0.0)
            own_w = span.power(i, behind_s if behind_s < 0.0 else 0.0)
        else:
            own_w, reference_w, sd_s = self._against_median(i, others, span)
        if reference_w < MIN_POWER_W:
            return None
        tolerance = pair.tolerance
        window = Window(
            begin,
            end,
            own_w,
            reference_w,
            100.0 * (own_w / reference_w - 1.0),
            own_w - reference_w,
            100.0 * pair.noise.of_mean(span.length_s),
            tolerance,
            tolerance.percent_at(reference_w),
            span.ends(i),
            span.ends(base),
            sd_s,
            pair.smoothed_s2,
        )
        if self._lossy and (
            self.past[i].loss is not None or any(self.past[j].loss is not None for j in others)
        ):
            self._add_loss(window, i, others)
        if not lags.plain:
            self._add_averaged(window, i, span, (base,) if len(others) == 1 else others, side)
        add_sides(window, i, pair, span, self.past, from_s)
        return window

    def _against_median(self, i: int, others: Sequence[int], span: Span) -> tuple[float, float, float]:
        """Power (W) of an instrument, the median of others', the standard uncertainty of their lag (s)."""
        timings = self.lags.timings
        own = timings[i]
        last_s = max(own.lag_s, *(timings[j].lag_s for j in others))
        theirs = sorted(span.power(j, timings[j].lag_s - last_s) for j in others)
        half = len(theirs) // 2
        reference_w = theirs[half] if len(theirs) % 2 else 0.5 * (theirs[half - 1] + theirs[half])
        sd_s = math.hypot(own.sd_s, sum(timings[j].sd_s for j in others) / len(others))
        return span.power(i, own.lag_s - last_s), reference_w, sd_s

    def _add_averaged(
        self, window: Window, i: int, span: Span, others: Sequence[int], side: int | None
    ) -> None:
        """What an instrument that averages makes of the ends of a window."""
        window.averaged = averaged_percent(span, self.lags, i, others, window.reference_w)
        if side is not None and len(others) == 1 and others[0] == side:
            window.side_averaged = window.averaged
        elif side is not None:
            window.side_averaged = averaged_percent(span, self.lags, i, (side,), window.reference_w)

    def _add_loss(self, window: Window, i: int, others: Sequence[int]) -> None:
        """What the expected loss between crank and hub makes of a window."""
        loss, reference_w = self.losses[i], window.reference_w
        if loss.watts or loss.percent:
            window.power_w = loss.at_hub(window.power_w)
        shown_reference_w = (
            reference_w if self._reference is None else self.losses[self._reference].at_hub(reference_w)
        )
        if shown_reference_w > 0.0:
            window.expected_percent = 100.0 * (loss.at_hub(reference_w) / shown_reference_w - 1.0)
        losses = [loss, *(self.losses[j] for j in others)]
        window.u_loss = LOSS_SPREAD * max(100.0 * (1.0 - x.at_hub(reference_w) / reference_w) for x in losses)
