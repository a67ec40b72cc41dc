"""A quantity held against its limit over several windows: its signal, and on what that rests."""

import math
from collections.abc import Mapping

import msgspec

from monitor.analysis.expected import Limit, Zone, zone
from monitor.live.alarm import Signal
from monitor.live.noise import Noise
from monitor.live.pair import Verdict, Window, longest

SIDE_SIGMA = {10: 6.0, 20: 4.0, 25: 3.7, 30: 3.5, 50: 3.3}
SIGMA = {10: 3.6, 20: 3.0, 25: 2.8, 30: 2.7, 50: 2.5}
"""Standard deviations of scatter that must lie between a deviation and its limit, by window length.
Windows are looked at every second; an instrument whose true deviation is half its limit is never
raised by chance, one exactly at its limit now and then."""
SYSTEMATIC = 1.65
"""The same for the uncertainty of the expected drivetrain loss, which looking again doesn't change."""
LONG_SIGMA = 3.5
"""The same for longer windows: slow noise averages less there than blocks of ten seconds tell."""
FULL_S = 30
"""A window of so many seconds, or of those that the bench asks for, may say that a deviation has passed."""
VERDICT_BLOCKS = 4
"""Fewer blocks are no verdict."""


class Look(msgspec.Struct, gc=False):
    """A quantity of one window (percent): what it shows, what it may be, and how sure that is.

    Beyond its limit by more than `edge + doubt` it is over; within the claims it is calm. `alone`: whether
    it leans by itself in this window, and not merely along with something else; `alone_long` the same for
    all blocks since the last change. `more` is added to its limits.
    """

    window: Window
    value: float
    limits: Limit
    edge: float
    doubt: float
    u95: float
    """95 % half-width of one look, edges aside."""
    more: float = 0.0
    systematic: float = 0.0
    """What the verdict doubts beyond its blocks' scatter."""
    alone: bool = True
    alone_long: bool = True

    @property
    def limit(self) -> float:
        """What it is held against."""
        return self.limits.percent + self.more

    @property
    def claim(self) -> float:
        """The same without the floor in watts."""
        return self.limits.claims_percent + self.more

    @property
    def zone(self) -> Zone:
        """Whether two may differ so much, each within its claim, by this window alone."""
        return self.zone_of(self.value, self.u95 + self.edge)

    def zone_of(self, value: float, u95: float) -> Zone:
        """The same of another figure (percent) of what is held against these limits."""
        limits = self.limits
        if self.more:
            limits = limits._replace(percent=self.limit, sum_percent=limits.sum_percent + self.more)
        return zone(value, u95, limits)


class Judged(msgspec.Struct, gc=False):
    """The signal, the look on which it rests, and whether it leans enough to be told in words."""

    signal: Signal
    look: Look
    leans: bool


def zone_with(look: Look, verdict: Verdict, noise: Noise) -> Zone:
    """Whether two may differ so much by the window that is told, and by all blocks since the last change.

    A window over sprints is sure of little; a cause is told from all blocks, and the claims are held against
    the same. Only what the window may be is looked at: other blocks are of another time. Fails for a unit
    that creeps inside of what the window leaves open: its zone is that of its mean.
    """
    shown = look.zone
    if shown == "broken" or verdict.n < VERDICT_BLOCKS:
        return shown
    mean, u95 = 100.0 * math.expm1(verdict.mean), 100.0 * verdict.u95(noise) + look.systematic
    if mean * look.value <= 0.0 or abs(mean - look.value) > look.u95 + look.edge + u95:
        return shown
    told = look.zone_of(mean, u95)
    return told if told in ("unusual", "broken") else shown


def sigma(table: Mapping[int, float], length_s: int) -> float:
    """Standard deviations for a window of `length_s`: linear between the lengths of `table`."""
    if length_s in table:
        return table[length_s]
    shorter, longer = (
        max(n for n in table if n < length_s),
        min((n for n in table if n > length_s), default=0),
    )
    if not longer:
        return LONG_SIGMA
    part = (length_s - shorter) / (longer - shorter)
    return table[shorter] + part * (table[longer] - table[shorter])


def judge(looks: Mapping[int, Look], shown_s: int, verdict: Verdict, noise: Noise) -> Judged:
    """Hold the looks at a quantity, by window length (s) and the shortest first, against its limit; without
    any that is over, the one of `shown_s` and the verdict over all blocks since the last change decide.

    Shorter windows raise what is large sooner. While none of `shown_s` is filled the longest stands in.
    """
    for look in reversed(list(looks.values())):
        if look.alone and abs(look.value) - look.limit - look.edge > look.doubt:
            return Judged("over", look, True)
    length_s = longest(looks, shown_s)
    shown = looks[length_s]
    if abs(shown.value) <= shown.claim:
        # A short window is calm by chance now and then: those up to FULL_S must be so too.
        passed = length_s >= min(shown_s, FULL_S) and all(
            abs(look.value) <= look.claim for n, look in looks.items() if length_s < n <= FULL_S
        )
        return Judged("below" if passed else "between", shown, False)
    signal: Signal = "between"
    if shown.alone_long and verdict.n >= VERDICT_BLOCKS:
        # What no window alone can tell, all blocks since the last change may.
        mean = 100.0 * math.expm1(verdict.mean)
        doubt = 100.0 * verdict.u_alarm(noise) + shown.systematic
        if abs(mean) - shown.limit > doubt:
            signal = "over"
    return Judged(signal, shown, True)
