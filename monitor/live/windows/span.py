"""What all windows over the same seconds have in common: sums of every instrument, powers, and their ends."""

import math
from collections import deque
from collections.abc import Sequence
from itertools import islice

from monitor.analysis.curve import COVERED, LEFT, SIDED, WORK
from monitor.analysis.expected import Loss
from monitor.live.windows.ends import VARIES, Ends
from monitor.live.windows.past import SHARE_S, Past

LEAST_LAG_S = 0.05
"""A shorter lag is not worth correcting."""
SHARED_S = 0.3
"""A change of load of so many watts moves this many seconds of it between the sides, at most: a quarter of
a revolution's work at 60 rpm."""
SHARE_LATE_S = 2.5
"""A share stands for the last revolution, or for three seconds' mean, until the next one is told: with a turn
and a message lost, that is the difference of two meters in when they tell the same one (common practice, no
source)."""
SHARE_WANDERS = 0.1
"""Means of three seconds of a rider's share lie within so much of each other while nothing about the rider
changes (common practice, no source)."""


def between(sums: deque[float], begin: int, end: int, shift_s: float) -> float:
    """What a running sum grew by from `begin` to `end`, whole seconds before now, both read `shift_s` later;
    linear inside a second."""
    whole = math.floor(shift_s)
    part = shift_s - whole
    first, last = begin + whole - 1, end + whole - 1
    low, high = sums[first], sums[last]
    low += part * (sums[first + 1] - low)
    return high + part * (sums[last + 1] - high) - low


class Span:
    """The seconds [begin, end) of all instruments; what is asked for is worked out once.

    `rows` are the sums of every instrument's cells; `now` is the number of seconds closed so far.
    """

    __slots__ = ("_ends", "_first", "_last", "_losses", "_past", "_powers", "length_s", "rows")

    def __init__(
        self,
        rows: list[list[float]],
        begin: int,
        end: int,
        now: int,
        past: Sequence[Past],
        losses: Sequence[Loss],
    ) -> None:
        self.rows = rows
        self.length_s = end - begin
        self._first, self._last = begin - now, end - now
        self._past, self._losses = past, losses
        self._powers: list[float | None] = [None] * len(rows)
        self._ends: list[Ends | None] = [None] * len(rows)

    def power(self, j: int, shift_s: float) -> float:
        """Crank-equivalent mean power (W) of one instrument, read `shift_s` (0 or less) later."""
        if shift_s < -LEAST_LAG_S:
            work = between(self._past[j].works, self._first, self._last, shift_s)
            return self._losses[j].at_crank(work / self.length_s)
        power = self._powers[j]
        if power is None:
            row = self.rows[j]
            power = self._powers[j] = self._losses[j].at_crank(row[WORK] / row[COVERED])
        return power

    def shared(self, j: int, shift_s: float) -> tuple[float, float]:
        """Mean power (W) of both sides of one instrument, read `shift_s` (0 or less) later."""
        if shift_s < -LEAST_LAG_S:
            past, first, last, length = self._past[j], self._first, self._last, self.length_s
            left = between(past.lefts, first, last, shift_s) / length
            return left, between(past.works, first, last, shift_s) / length - left
        row = self.rows[j]
        left = row[LEFT] / row[SIDED]
        return left, row[WORK] / row[COVERED] - left

    def ends(self, k: int) -> Ends:
        """How the power of an instrument moved at the ends; the span ends now."""
        known = self._ends[k]
        if known is not None:
            return known
        past = self._past[k]
        fives, swings, two = past.fives, past.swings, past.two
        at = len(fives) - self.length_s
        start, last = fives[at + 4], fives[-1]
        before = fives[at - 1] if at > 0 else start
        change = max(abs(last - before), abs(two - before), abs(last - start), abs(two - start))
        ends = self._ends[k] = Ends(change, swings[at + 1], swings[-1], two)
        return ends

    def change_within(self, i: int, j: int, power_w: float) -> float:
        """Percent of a side's work that changes of load inside a window can move from one side to the other.

        Two meters share out by revolutions that begin at different crank angles: the one in
        which the load changes they share out differently.
        """
        most = max(self._most_swing(i), self._most_swing(j))
        return 100.0 * SHARED_S * max(0.0, most - VARIES * power_w) / (0.5 * self.length_s * power_w)

    def share_within(self, i: int, j: int, both_w: float, side_w: float, lag_s: float) -> float:
        """Percent of the smaller side's work (`side_w`) that changes of share inside a window can move from
        one side to the other. One of the two is read `lag_s` earlier, by either sign.

        A rider who goes on with one leg changes what both tell, each in its own message. What only one of
        them tells is no change of the rider, and a difference. Fails for a unit that loses a side in the very
        seconds in which its rider changes legs: it is told a window later.
        """
        back_s = SHARE_S + math.ceil(abs(lag_s))
        least = min(self._most_turn(i, back_s), self._most_turn(j, back_s)) - SHARE_WANDERS
        return 100.0 * SHARE_LATE_S * max(0.0, least) * both_w / (self.length_s * side_w)

    def _most_turn(self, k: int, back_s: int) -> float:
        """By how much (0..1) an instrument's share varied inside, and in `back_s` just before."""
        shares = self._past[k].shares
        inside = list(islice(shares, max(0, len(shares) - self.length_s - back_s), None))
        return max(inside) - min(inside)

    def _most_swing(self, k: int) -> float:
        """By how much (W) the power varied at most in any five seconds inside."""
        swings = self._past[k].swings
        return max(islice(swings, len(swings) - self.length_s, None))
