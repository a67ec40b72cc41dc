"""A quantity held against its limit over several windows: its signal, and on what that rests."""

import math
from collections.abc import Sequence

import msgspec

from monitor.live.alarm import Signal
from monitor.live.pair import Noise, Verdict, Window

SIDE_SIGMA = {10: 6.0, 20: 3.6, 25: 3.2, 30: 3.0, 50: 2.75}
SIGMA = {10: 3.6, 20: 3.0, 25: 2.8, 30: 2.7, 50: 2.5}
"""Standard deviations of scatter that must lie between a deviation and its limit, by window length.
Windows are looked at every second; an instrument whose true deviation is half its limit is never
raised by chance, one exactly at its limit now and then."""
SYSTEMATIC = 1.65
"""The same for the uncertainty of the expected drivetrain loss, which looking again doesn't change."""
OTHER_SIGMA = 3.5
"""The same as SIGMA for lengths that it hasn't."""
FULL_S = 30
"""A window of so many seconds may say that a deviation has passed."""
VERDICT_BLOCKS = 4
"""Fewer blocks are no verdict."""


class Look(msgspec.Struct, gc=False):
    """A quantity of one window (percent): what it shows, what it may be, and how sure that is.

    Beyond `limit` by more than `edge + doubt` it is over; within `claim` it is calm. `alone`: whether
    it leans by itself in this window, and not merely along with something else; `alone_long` the same for
    all blocks since the last change.
    """

    window: Window
    value: float
    limit: float
    claim: float
    edge: float
    doubt: float
    systematic: float = 0.0
    """What the verdict doubts beyond its blocks' scatter."""
    alone: bool = True
    alone_long: bool = True


class Judged(msgspec.Struct, gc=False):
    """The signal, the look on which it rests, and whether it leans enough to be told in words."""

    signal: Signal
    look: Look
    leans: bool


def judge(looks: Sequence[Look], shown: Look, verdict: Verdict, noise: Noise) -> Judged:
    """Hold the looks at a quantity, shortest window first, against its limit; without any that is over,
    the `shown` one and the verdict over all blocks since the last change decide."""
    for look in reversed(looks):
        if look.alone and abs(look.value) - look.limit - look.edge > look.doubt:
            return Judged("over", look, True)
    if abs(shown.value) <= shown.claim:
        full = shown.window.end_s - shown.window.begin_s >= FULL_S
        return Judged("below" if full else "between", shown, False)
    signal: Signal = "between"
    if shown.alone_long and verdict.n >= VERDICT_BLOCKS:
        # What no window alone can tell, all blocks since the last change may.
        mean = 100.0 * math.expm1(verdict.mean)
        doubt = 100.0 * verdict.u_alarm(0.5 * noise.prior) + shown.systematic
        if abs(mean) - shown.limit > doubt:
            signal = "over"
    return Judged(signal, shown, True)
