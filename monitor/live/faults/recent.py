"""What one instrument showed lately, kept by what is asked of it: heights, standing values, jumps, shares.

Each of these is fed by every newly shown power (a repeated event is not new) and read by one detector.
"""

import math
from collections import deque
from dataclasses import dataclass

JUMP_UP, JUMP_UP_W = 1.5, 100.0
"""So far above the mean lately is out of the line; common practice, no source."""
JUMP_DOWN = 0.3
"""So far below it, too."""
LOW_W, HIGH_W = 30.0, 80.0
"""Means under which a jump up, or down, says nothing: a rider who begins, or one who coasts."""
USUAL = (0.6, 1.4)
"""The value before a jump has to lie within these parts of the mean: inside a sprint a jump is no news."""
FOLLOWS, FOLLOWS_JUMP = 0.25, 0.1
"""Weight of a new value in the mean; less for a jump, which may yet turn out to be a spike."""


@dataclass(frozen=True, slots=True)
class Jump:
    """A reading out of the line of those before it."""

    t_s: float
    power_w: float
    mean_w: float


class Jumps:
    """Readings out of the line: candidates for spikes until their neighbours are known."""

    __slots__ = ("candidate", "mean_w", "spike")

    def __init__(self) -> None:
        self.mean_w = 0.0
        self.candidate: Jump | None = None
        self.spike: Jump | None = None

    def feed(self, t_s: float, power_w: float, before_w: float) -> bool:
        """Take a power (W) and the one before it; whether it is out of the line."""
        mean = self.mean_w
        if JUMP_DOWN * mean <= power_w <= JUMP_UP * mean + JUMP_UP_W:
            self.mean_w = mean + FOLLOWS * (power_w - mean)
            return False
        jumped = mean > (LOW_W if power_w > mean else HIGH_W)
        if jumped and self.candidate is None and USUAL[0] * mean < before_w < USUAL[1] * mean:
            self.candidate = Jump(t_s, power_w, mean)
        self.mean_w += (FOLLOWS_JUMP if jumped else FOLLOWS) * (power_w - mean)
        return jumped


class Runs:
    """How often the same value is shown in a row, and the highest value reached."""

    __slots__ = ("n", "past", "peak_w", "since_s", "value_w")

    def __init__(self) -> None:
        self.value_w = -1.0
        self.n = 0
        self.since_s = 0.0
        self.past: deque[int] = deque(maxlen=200)
        self.peak_w = 0.0

    def feed(self, t_s: float, power_w: float, jumped: bool) -> None:
        """Take a power (W); one out of the line may be a spike, which is no height that was reached."""
        if power_w == self.value_w:
            self.n += 1
        else:
            if self.n and self.value_w > 0.0:
                # To show nothing for a while is a rest, not its usual way to show power.
                self.past.append(self.n)
            self.value_w, self.n, self.since_s = power_w, 1, t_s
        if not jumped and power_w > self.peak_w:
            self.peak_w = power_w

    @property
    def usual(self) -> int:
        """The longest run so far that was no standing value now."""
        return max(self.past, default=1)


LATELY = 1.0 / 60.0
"""Weight of a new share in how shares vary lately: a minute or less."""


class EvenShares:
    """How long the left share has been exactly one half, or not reported, while power was shown; and how it
    varies."""

    __slots__ = (
        "before", "even", "even_since_s", "high_w", "low_w", "mean", "none", "none_since_s", "told",
        "variance",
    )  # fmt: skip

    def __init__(self) -> None:
        self.mean = self.variance = 0.0
        """Of the shares lately (0..1)."""
        self.before = 0.5
        """The left share before the even run, over the last twenty values or so."""
        self.told = 0
        """How many shares that were not even it has told so far."""
        self.even = self.none = 0
        self.even_since_s = self.none_since_s = 0.0
        self.low_w = self.high_w = 0.0

    def feed(self, t_s: float, power_w: float, left_share: float | None) -> None:
        """Take a power (W, above zero) with its left share (0..1; None: not reported)."""
        if left_share is None:
            if not self.none:
                self.none_since_s = t_s
            self.none += 1
            return
        off = left_share - self.mean
        if self.mean == 0.0:
            self.mean = left_share
        else:
            self.mean += LATELY * off
            self.variance += LATELY * (off * off * (1.0 - LATELY) - self.variance)
        if left_share == 0.5:
            if not self.even:
                self.even_since_s, self.low_w, self.high_w = t_s, power_w, power_w
            self.even += 1
            self.low_w, self.high_w = min(self.low_w, power_w), max(self.high_w, power_w)
        else:
            # An even value between uneven ones is one of them, too.
            self.before += (left_share - self.before) * (0.05 if self.told else 1.0)
            self.told += 1
            self.even = 0

    def rounding_percent(self, step: float) -> float:
        """What a share told in steps of `step` (0..1) hides of a side's mean: standard uncertainty, percent.

        A share that stands still between two steps may be off by half of one, which is twice as much of a
        side (a rectangle, GUM 4.3.7). One that wanders by `s` is dithered: exp(-2 pi^2 s^2 / step^2) of it is
        left (Widrow's model of quantisation, from memory). What is told varies by the wander and a
        rectangle, and by flipping between two steps at the least.
        """
        spread, beyond = self.variance / (step * step), (self.mean / step) % 1.0
        wander = max(0.0, min(spread - 1.0 / 12.0, spread - beyond * (1.0 - beyond)))
        return 200.0 * step / math.sqrt(12.0) * math.exp(-2.0 * math.pi**2 * wander)


class Recent:
    """An instrument's last shown powers, and what follows from them one by one."""

    __slots__ = ("jumps", "powered_since_s", "powers", "runs", "shares")

    def __init__(self) -> None:
        self.powers: deque[tuple[float, float]] = deque(maxlen=64)
        self.powered_since_s = math.inf
        self.jumps = Jumps()
        self.runs = Runs()
        self.shares = EvenShares()

    def feed(self, t_s: float, power_w: float, left_share: float | None) -> None:
        """Take a newly shown power (W) with its left share (0..1; None: not reported)."""
        self.powers.append((t_s, power_w))
        if power_w <= 0.0:
            self.powered_since_s = math.inf
        elif self.powered_since_s == math.inf:
            self.powered_since_s = t_s
        runs = self.runs
        jumped = self.jumps.feed(t_s, power_w, runs.value_w)
        runs.feed(t_s, power_w, jumped)
        if power_w > 0.0:
            self.shares.feed(t_s, power_w, left_share)

    def between(self, begin_s: float, end_s: float) -> list[float]:
        """Powers shown in [begin, end]."""
        return [p for t, p in self.powers if begin_s <= t <= end_s]
