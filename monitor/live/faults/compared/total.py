"""The power of an instrument beyond its tolerance: `power-off`."""

import math

from monitor.analysis.expected import RIDER_PERCENT, limit_words
from monitor.live.faults.compared.quantity import SIGMA, SYSTEMATIC, Look, judge, sigma, zone_with
from monitor.live.faults.seen import Seen
from monitor.live.faults.sign import Sign
from monitor.live.pair import Pair, Window


class Total:
    """Holds the power of each instrument against its tolerance."""

    def __init__(self, seen: Seen) -> None:
        self.seen = seen
        self.comparator = seen.comparator

    def sign(self, i: int, pair: Pair) -> Sign:
        """`power-off` of instrument `i`."""
        bench = self.seen.bench
        sign = Sign("power-off", self.seen.labels[i], "total", None, unit="%", reference=bench.reference)
        if not pair.windows:
            return sign
        more = 0.0
        if bench.instruments[i].sides in ("left", "right"):
            if self.comparator.side_references[i] is not None:
                # Judged as the side that it is.
                return sign
            more = RIDER_PERCENT
        sign.signal = "between"
        if any(r.jumps.candidate is not None for r in self.seen.recent) or self.seen.at_top[i]:
            # Something jumped just now: first see whether it was a spike. Or it is cut off, perhaps.
            return sign
        if self.comparator.reference is None and not self._leans_most(pair):
            return sign
        looks = {length: _look(length, w, more) for length, w in pair.windows.items()}
        judged = judge(looks, pair.shown_s, pair.verdict, pair.noise)
        sign.signal, sign.value, sign.limit = judged.signal, judged.look.value, judged.look.limit
        sign.rests_on = (judged.look.window.begin_s, judged.look.window.end_s)
        if judged.leans:
            _tell(sign, judged.look)
            sign.zone = zone_with(judged.look, pair.verdict, pair.noise)
        return sign

    def _leans_most(self, pair: Pair) -> bool:
        """Against a consensus one that leans makes the others lean too, by less: who leans most is it."""

        def lean(p: Pair) -> float:
            return abs(p.shown.deviation) if p.shown is not None else 0.0

        others = [
            lean(p)
            for j, p in self.comparator.pairs.items()
            if p is not pair and j not in self.comparator.leaning
        ]
        return lean(pair) >= max(others, default=0.0)


def _look(length: int, w: Window, more: float) -> Look:
    systematic = SYSTEMATIC * w.u_loss
    scatter = math.hypot(w.u, w.u_lag)
    doubt = sigma(SIGMA, length) * scatter + systematic
    u95 = 1.96 * math.hypot(scatter, w.u_loss)
    return Look(w, w.deviation, w.limits, w.edge, doubt, u95, more, systematic)


def _tell(sign: Sign, look: Look) -> None:
    """What the window shows, in words."""
    way = "above" if look.value > 0.0 else "below"
    limit = f"{look.limit:.1f} %" if look.more else limit_words(look.limits)
    sign.what = (
        f"{sign.instrument} reads {abs(look.value):.1f} % {way} {sign.reference} "
        f"at {look.window.power_w:.0f} W (limit {limit})"
    )
