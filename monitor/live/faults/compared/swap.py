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
COMMON_RPM = 85.0
HONEST_TOTAL = 0.7
"""The total deviates by less than this part of its limit: an error of one side would show in it."""
MIRROR_PART, MIRROR_POINTS = 0.35, 0.3
"""Their sum misses 100 by less than this part of how uneven the rider is, and so many points."""


REST_S, APART_S, OTHER_LOAD = 20, 60, 0.15
"""Two stretches are separate with a rest of so many seconds between them, so far apart in time, or with
torques that differ by this part. One alone may be a rider who leans for once."""


class Shares(msgspec.Struct, gc=False):
    """Left shares (percent) of an instrument and its reference over the last blocks, from when to when (s),
    and the torque there (any unit; nan where it changed). `alike`: uneven to the same side, not swapped."""

    begin_s: int
    end_s: int
    own: float
    theirs: float
    load: float
    mirrored: bool
    alike: bool


class Swap:
    """Holds the shares of each instrument against those of another, for sides that mirror each other."""

    def __init__(self, seen: Seen) -> None:
        self.seen = seen
        self._shares: dict[int, Shares | None] = {}
        self._first: dict[int, Shares] = {}
        """The first stretch in which the sides of an instrument mirrored those of another."""
        self._sure: set[int] = set()
        """Those that did so in two separate ones."""

    def judge(self, sign: Sign, i: int, pair: Pair, reference: str) -> bool:
        """Whether the sides of instrument `i` are swapped; True where they have just been put right."""
        seen = self.seen
        shares = self.newest(i, pair)
        if shares is not None:
            self._take(i, pair, shares)
            sure = i in self._sure
            sign.signal = "below" if shares.alike else "over" if shares.mirrored and sure else "between"
            sign.value, sign.limit, sign.reference = shares.own, shares.theirs, reference
            sign.cause = "setting"
            if sign.signal == "over":
                sign.since_s = float(self._first[i].begin_s)
                sign.what = (
                    f"{sign.instrument} reports left {shares.own:.1f} % where {reference} reports "
                    f"right {100.0 - shares.theirs:.1f} %, in separate stretches, so its sides are swapped"
                )
                sign.do = "pair the pedals to their own sides"
        over = i in self._sure
        put_right = seen.swapped[i] and not over and sign.signal == "below"
        seen.swapped[i] = over or (seen.swapped[i] and not put_right)
        seen.sides_wrong[i] = over or self.maybe(i) or self.reports_none(i)
        return put_right

    def maybe(self, i: int) -> bool:
        """Whether the sides of an instrument mirror those of another, in one stretch so far."""
        shares = self._shares.get(i)
        return shares is not None and shares.mirrored and i not in self._sure

    def sure(self, i: int) -> bool:
        """Whether they did so in two."""
        return i in self._sure

    def _take(self, i: int, pair: Pair, shares: Shares) -> None:
        if shares.alike:
            self._sure.discard(i)
            self._first.pop(i, None)
        elif shares.mirrored:
            first = self._first.get(i)
            if first is None:
                self._first[i] = first = shares
            gap_s = shares.begin_s - first.end_s
            ratio = shares.load / first.load
            other = max(ratio, 1.0 / ratio) > 1.0 + OTHER_LOAD or _rested(pair, first.end_s, shares.begin_s)
            if gap_s >= APART_S or (gap_s >= 0 and other):
                self._sure.add(i)

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


def _rested(pair: Pair, from_s: int, to_s: int) -> bool:
    """Whether nothing was compared for REST_S or more within [from_s, to_s]."""
    last_s = from_s
    for b in pair.blocks:
        if from_s < b.end_s and b.begin_s <= to_s:
            if b.begin_s - last_s >= REST_S:
                return True
            last_s = b.end_s
    return to_s - last_s >= REST_S


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
    loads = [b.reference_w / (b.cadence_rpm or COMMON_RPM) for b in blocks]
    # Of blocks on both sides of a change of load there is none to tell.
    load = sum(loads) / len(loads) if max(loads) < (1.0 + OTHER_LOAD) * min(loads) else math.nan
    uneven = min(abs(own - 50.0), abs(theirs - 50.0)) >= UNEVEN_POINTS
    alike = uneven and (own - 50.0) * (theirs - 50.0) > 0.0
    mirrored = _mirrored(own, theirs, total, pair.limit)
    return Shares(blocks[0].begin_s, last[-1].end_s, own, theirs, load, mirrored, alike)


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
