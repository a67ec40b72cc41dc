"""Left and right exchanged: `sides-swapped`."""

import math

import msgspec

from monitor.live.faults.seen import Seen
from monitor.live.faults.sign import Sign
from monitor.live.pair import Pair, Window

SHARE_BLOCKS, LEAST_BLOCKS = 6, 4
"""Shares are read from the last blocks, so many at most and at least."""
# All common practice, no source.
UNEVEN_POINTS = 1.2
"""Both shares must be so far from one half: two meters within their claims may stand on either side of it."""
APART_POINTS = 2.0
"""And so far from each other."""
HONEST_TOTAL = 0.7
"""The total deviates by less than this part of its limit: an error of one side would show in it."""
MIRROR_PART, MIRROR_POINTS = 0.35, 0.3
"""Their sum misses 100 by less than this part of how uneven the rider is, and so many points."""


class Shares(msgspec.Struct, gc=False):
    """Left shares (percent) of an instrument and its reference over the last blocks."""

    end_s: int
    own: float
    theirs: float
    mirrored: bool


class Swap:
    """Holds the shares of each instrument against those of another, for sides that mirror each other."""

    def __init__(self, seen: Seen) -> None:
        self.seen = seen
        self._shares: dict[int, Shares | None] = {}

    def judge(self, sign: Sign, i: int, pair: Pair, reference: str) -> bool:
        """Whether the sides of instrument `i` are swapped; True where they have just been put right."""
        seen = self.seen
        shares = self.newest(i, pair)
        if shares is not None:
            sign.signal = "over" if shares.mirrored else "below"
            sign.value, sign.limit, sign.reference = shares.own, shares.theirs, reference
            sign.cause = "setting"
            if shares.mirrored:
                sign.what = (
                    f"{sign.instrument} reports left {shares.own:.1f} % where {reference} reports "
                    f"right {100.0 - shares.theirs:.1f} %, so its sides are swapped"
                )
                sign.do = "pair the pedals to their own sides"
        over = sign.signal == "over"
        put_right = seen.swapped[i] and sign.signal == "below"
        seen.swapped[i] = over or (seen.swapped[i] and not put_right)
        seen.sides_wrong[i] = over or self.reports_none(i)
        return put_right

    def reports_none(self, i: int) -> bool:
        """Whether an instrument tells no sides of its own: none at all, or always one half."""
        return self.seen.recent[i].shares.even >= 40 or self.seen.tracks[i].share_s == -math.inf

    def newest(self, i: int, pair: Pair) -> Shares | None:
        """Shares over the last blocks; None while they can't tell."""
        if not pair.blocks:
            return None
        shares = self._shares.get(i)
        if shares is None or shares.end_s != pair.blocks[-1].end_s:
            shares = self._shares[i] = _shares(pair)
        return shares


def looks_swapped(w: Window) -> bool:
    """Whether the sides mirror each other over one window, before the blocks can tell."""
    known = w.balance is not None and w.balance_reference is not None
    return known and _mirrored(w.balance or 0.0, w.balance_reference or 0.0, w.deviation, w.limit)


def _shares(pair: Pair) -> Shares | None:
    last = [pair.blocks[k] for k in range(-min(SHARE_BLOCKS, len(pair.blocks)), 0)]
    blocks = [b for b in last if b.left_w and b.right_w and b.left_reference_w]
    if len(blocks) < LEAST_BLOCKS:
        return None
    own = _balance([(b.left_w or 0.0, b.right_w or 0.0) for b in blocks])
    theirs = _balance([(b.left_reference_w or 0.0, b.right_reference_w or 0.0) for b in blocks])
    total = 100.0 * math.expm1(math.fsum(b.y for b in blocks) / len(blocks))
    return Shares(last[-1].end_s, own, theirs, _mirrored(own, theirs, total, pair.limit))


def _mirrored(own: float, theirs: float, deviation: float, limit: float) -> bool:
    """Left shares (percent) that mirror each other under an honest total.

    An error of one side would show in the total.
    """
    uneven = abs(theirs - 50.0)
    apart = min(uneven, abs(own - 50.0)) >= UNEVEN_POINTS and abs(own - theirs) > APART_POINTS
    mirrored = abs(own + theirs - 100.0) < MIRROR_PART * uneven + MIRROR_POINTS
    return apart and mirrored and abs(deviation) < HONEST_TOTAL * limit


def _balance(pairs: list[tuple[float, float]]) -> float:
    """Work-weighted left share, percent: the ratio of sums, not the mean of ratios."""
    left = math.fsum(p[0] for p in pairs)
    both = left + math.fsum(p[1] for p in pairs)
    return 100.0 * left / both if both else 50.0
