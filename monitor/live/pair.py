"""What is remembered of one instrument against its reference: verdicts, windows, blocks."""

import math
from collections import deque
from collections.abc import Collection
from dataclasses import dataclass
from typing import Literal

from monitor.analysis.block import Block
from monitor.analysis.expected import ALIKE, Limit, Tolerance
from monitor.analysis.statistics import effective_n, sequence_radius, sequence_rho, slow_factor, t_975
from monitor.finding import Side
from monitor.live.noise import Noise
from monitor.live.windows.ends import Edge, Ends, edge_of
from monitor.setup.bench import Sides

MEASURED = 3.0
"""An uncertainty of so many limits says nothing yet."""
SHARE_COARSE_PERCENT = 0.2
"""A share comes in steps of half a percent (Bluetooth, Cycling Power Service) or one percent (ANT+ power
profile) of the total, which a share that moves by a step or more averages out: a fifth of a step is left
(computed)."""
TRAIL_S = 300
"""So many seconds of deviations are kept to be drawn."""


NO_EDGE = Edge(0.0, 0.0)


class Verdict:
    """A verdict that may be looked at after every block: mean of all blocks since the last reset."""

    N_TIGHT = 30
    RHO = sequence_rho(N_TIGHT)
    RHO_ALARM = sequence_rho(12, 0.001)
    SAFE = 1.5
    """Standard errors by which the autocorrelation is taken larger than measured, so that the nominal error
    holds up to 0.7, which the first minutes can't yet tell (by simulation: 4.5 % at 0.7, 1 % at 0.45)."""

    def __init__(self) -> None:
        self.reset()

    def reset(self) -> None:
        """Forget: the instrument was zeroed, mended, or has shifted."""
        self.n = 0
        self.mean = 0.0
        self._m2 = 0.0

    def update(self, y: float) -> None:
        """Take the log ratio of one block (Welford's recurrence)."""
        self.n += 1
        d = y - self.mean
        self.mean += d / self.n
        self._m2 += d * (y - self.mean)

    @property
    def sd(self) -> float:
        """Standard deviation of the blocks so far; 0 for fewer than two."""
        return math.sqrt(self._m2 / (self.n - 1)) if self.n > 1 else 0.0

    def u95(self, noise: Noise) -> float:
        """95 % half-width valid at every look, as a fraction; `noise` guards against a lucky start."""
        return self._half(noise, 1.0, self.RHO, 0.05)

    def u_alarm(self, noise: Noise) -> float:
        """Half-width for raising an alarm: once in a thousand sessions by chance, tightest early."""
        return self._half(noise, 0.7, self.RHO_ALARM, 0.001)

    def _half(self, noise: Noise, part: float, rho: float, alpha: float) -> float:
        if self.n < 2:
            return math.inf
        r = noise.safe_r(self.SAFE)
        sd = max(self.sd * slow_factor(r), part * noise.long_run(r))
        # The spread is also known by the prior of the noise.
        dof = noise.PRIOR_BLOCKS + max(0.0, effective_n(self.n, r) - 1.0)
        return sequence_radius(self.n, sd, rho, alpha) * t_975(dof) / 1.96


@dataclass(slots=True, eq=False)
class Window:
    """One instrument against its reference over one window; percent unless the name says otherwise.

    `deviation` is what is left after the expected drivetrain loss; `u` its standard
    uncertainty from scatter, `u_loss` that of the expected loss. `limit` is what it is held
    against at this power: the claims, at least the floor in watts. `left` and `right` are the deviations of
    the sides against those of another, with the limit of each.
    """

    begin_s: int
    end_s: int
    power_w: float
    reference_w: float
    deviation: float
    deviation_w: float
    u: float
    tolerance: Tolerance
    limit: float
    ends: Ends
    """Of the instrument itself, ..."""
    other_ends: Ends
    """... and of what it is compared with."""
    lag_sd_s: float
    smoothed_s2: float
    """What smoothing may move over an end, square seconds of the slope of power there."""
    averaged: float = 0.0
    """Percent that one which averages for long may move over the ends, ..."""
    side_averaged: float = 0.0
    """... and of either side."""
    expected_percent: float = 0.0
    u_loss: float = 0.0
    left: float | None = None
    right: float | None = None
    left_w: float | None = None
    right_w: float | None = None
    scatter_left: float = 0.0
    scatter_right: float = 0.0
    side_tolerance: Tolerance | None = None
    """Of either side; None: no side is compared."""
    left_reference_w: float = 0.0
    right_reference_w: float = 0.0
    left_limit: float = 0.0
    right_limit: float = 0.0
    side_ends: Ends | None = None
    """Of what the sides are compared with."""
    side_lag_sd_s: float = 0.0
    side_smoothed_s2: float = 0.0
    side_within: float = 0.0
    """What changes of load inside the window can move from one side to the other."""
    balance: float | None = None
    balance_reference: float | None = None
    both: float | None = None
    """Of one that counts a side twice: its deviation from both sides of another together."""

    _edge: Edge | None = None
    _side_edge: Edge | None = None

    def _at_ends(self) -> Edge:
        """What both ends leave open of the total; worked out when it is asked for first."""
        edge = self._edge
        if edge is None:
            length_s = self.end_s - self.begin_s
            edge = self._edge = edge_of(self.ends, self.other_ends, self.reference_w, length_s)
        return edge

    def _sides_at_ends(self) -> Edge:
        """What both ends leave open of the sides."""
        edge = self._side_edge
        if edge is None:
            if self.side_ends is None:
                return NO_EDGE
            length_s, both_w = self.end_s - self.begin_s, self.left_reference_w + self.right_reference_w
            edge = self._side_edge = edge_of(self.ends, self.side_ends, both_w, length_s)
        return edge

    @property
    def u_lag(self) -> float:
        """Standard uncertainty from the corrected lag."""
        return self.lag_sd_s * self._at_ends()[0]

    @property
    def edge(self) -> float:
        """What smoothing at the window's ends can contribute at most."""
        return self.smoothed_s2 * self._at_ends()[1] + self.averaged

    @property
    def u_side_lag(self) -> float:
        """Standard uncertainty of either side from the corrected lag."""
        return self.side_lag_sd_s * self._sides_at_ends()[0]

    @property
    def side_edge(self) -> float:
        """What smoothing at both ends, and changes of load inside, can contribute to a side at most."""
        return self.side_smoothed_s2 * self._sides_at_ends()[1] + self.side_averaged + self.side_within

    @property
    def u_left(self) -> float:
        """Standard uncertainty of the left deviation from scatter and the steps of shares; 0: not known."""
        if self.left is None:
            return 0.0
        return math.hypot(self.scatter_left, SHARE_COARSE_PERCENT * self.times_half("left"))

    @property
    def u_right(self) -> float:
        """The same of the right deviation."""
        if self.right is None:
            return 0.0
        return math.hypot(self.scatter_right, SHARE_COARSE_PERCENT * self.times_half("right"))

    def times_half(self, side: Literal["left", "right"]) -> float:
        """How many times as much a part of both is of a side as it is where both sides do half."""
        left, right = self.left_reference_w, self.right_reference_w
        return 0.5 * (left + right) / (left if side == "left" else right)

    @property
    def u_balance(self) -> float:
        """Standard uncertainty of the difference of both balances, points; 0: not known."""
        return 0.25 * math.hypot(self.u_left, self.u_right) if self.balance_reference is not None else 0.0

    @property
    def balance_within(self) -> float:
        """What changes inside the window can move the difference of both balances by at most, points."""
        both_w = self.left_reference_w + self.right_reference_w
        least_w = min(self.left_reference_w, self.right_reference_w)
        return self.side_within * least_w / both_w if both_w > 0.0 else 0.0

    @property
    def u95(self) -> float:
        """95 % uncertainty of the deviation, percent."""
        a_second, a_square_second = self._at_ends()
        u_lag = self.lag_sd_s * a_second
        return (
            1.96 * math.hypot(self.u, u_lag, self.u_loss) + self.smoothed_s2 * a_square_second + self.averaged
        )

    def side_u95(self, side: Literal["left", "right"]) -> float:
        """95 % uncertainty of a side's deviation, percent."""
        return (
            1.96 * math.hypot(self.u_left if side == "left" else self.u_right, self.u_side_lag)
            + self.side_edge
        )

    @property
    def limits(self) -> Limit:
        """All that `limit` rests on."""
        return self.tolerance.at(self.reference_w)

    @property
    def claim(self) -> float:
        """The limit without the floor, percent."""
        return self.tolerance.claims_percent

    def side(self, side: Side) -> tuple[float, Limit] | None:
        """The deviation of a side (percent) and its limits; None where it isn't known."""
        value, reference_w = (
            (self.left, self.left_reference_w) if side == "left" else (self.right, self.right_reference_w)
        )
        tolerance = self.side_tolerance
        return None if value is None or tolerance is None else (value, tolerance.at(reference_w))

    @property
    def side_limit(self) -> float:
        """The wider one of the limits of both sides, percent; 0 where no side is compared."""
        return max(self.left_limit, self.right_limit)

    @property
    def calm(self) -> bool:
        """Whether total and sides are within half of their limits."""
        left, right = self.left, self.right
        return (
            2.0 * abs(self.deviation) < self.limit
            and (left is None or 2.0 * abs(left) <= self.left_limit)
            and (right is None or 2.0 * abs(right) <= self.right_limit)
        )

    def within_scatter(self, sigma: float, side_sigma: float) -> bool:
        """Whether total and sides lie beyond their limits by no more than so many standard deviations."""
        left, right = self.left, self.right
        return (
            abs(self.deviation) <= self.limit + sigma * self.u
            and (left is None or abs(left) <= self.left_limit + side_sigma * self.u_left)
            and (right is None or abs(right) <= self.right_limit + side_sigma * self.u_right)
        )

    def within(self, claims: bool, points: float) -> bool:
        """Whether nothing that it shows lies beyond its limits (if `claims`: those without the floor), and
        the balances differ by no more than `points`."""
        left, right, own, theirs = self.left, self.right, self.balance, self.balance_reference
        if abs(self.deviation) > (self.tolerance.claims_percent if claims else self.limit):
            return False
        if self.side_tolerance is not None:
            claim = self.side_tolerance.claims_percent
            if left is not None and abs(left) > (claim if claims else self.left_limit):
                return False
            if right is not None and abs(right) > (claim if claims else self.right_limit):
                return False
        return own is None or theirs is None or abs(own - theirs) <= points


def longest(lengths_s: Collection[int], up_to_s: int) -> int:
    """The longest of these lengths up to `up_to_s`, or the shortest if all are longer."""
    return max((n for n in lengths_s if n <= up_to_s), default=min(lengths_s))


class Pair:
    """What is remembered of one instrument against its reference."""

    def __init__(
        self,
        tolerance: Tolerance,
        smoothed_s2: float,
        shown_s: int,
        sides: Sides,
        side: int | None,
        side_tolerance: Tolerance | None,
        side_smoothed_s2: float,
    ) -> None:
        self.tolerance = tolerance
        self.limit = tolerance.claims_percent
        """The tolerance without the floor, percent."""
        self.shown_s = shown_s
        """Length of the window that the bench asks for."""
        self.smoothed_s2 = smoothed_s2
        """What smoothing may move over a window's end, square seconds of the slope of power there."""
        self.sides = sides
        """What the instrument measures."""
        self.side = side
        """Index of the one that its sides are compared with; None: there is none."""
        self.side_tolerance = side_tolerance
        self.side_smoothed_s2 = side_smoothed_s2
        self.side_timing = ALIKE
        """Lag behind what its sides are compared with."""
        self.noise = Noise(0.007)
        self.noise_left = Noise(0.008)
        self.noise_right = Noise(0.008)
        self.verdict = Verdict()
        self.verdict_left = Verdict()
        self.verdict_right = Verdict()
        self.windows: dict[int, Window] = {}
        """The windows that end now, by length in seconds; empty while nothing can be said, and without
        the lengths in between while nothing leans."""
        self.trail: deque[tuple[int, float]] = deque(maxlen=TRAIL_S)
        """Deviations (percent) over the shown window, of the seconds that knew it well enough to be drawn."""
        self.blocks: deque[Block] = deque(maxlen=360)
        self.uneven = False
        """Whether the last block ended amid a change of load, and waits for the next one."""
        self.reset_s = 0
        self.touched_s = 0
        """Before this one of the two was another: what is drawn does not reach back beyond it."""

    @property
    def shown(self) -> Window | None:
        """The window that the bench asks for, or until it is filled the longest; None: there is none."""
        windows = self.windows
        if not windows:
            return None
        return windows.get(self.shown_s) or windows[longest(windows, self.shown_s)]

    def longest_since(self, begin_s: float) -> Window | None:
        """The longest window that ends now and begins at or after `begin_s`; None: there is none."""
        fitting = [n for n, window in self.windows.items() if window.begin_s >= begin_s]
        return self.windows[max(fitting)] if fitting else None

    def noise_of(self, quantity: Side) -> Noise:
        """How the blocks of the total or of a side scatter."""
        return (
            self.noise if quantity == "total" else self.noise_left if quantity == "left" else self.noise_right
        )

    def remember(self, end_s: int) -> None:
        """Keep the window that ends now, unless its uncertainty is so large that it says nothing."""
        w = self.shown
        if w is not None and w.begin_s < self.touched_s:
            w = self.longest_since(self.touched_s)
        if w is not None and w.u95 < MEASURED * w.limit:
            self.trail.append((end_s, w.deviation))

    def reset(self, at_s: int) -> None:
        """Nothing before `at_s` speaks for what the instrument does from now on."""
        self.reset_s = at_s
        for verdict in (self.verdict, self.verdict_left, self.verdict_right):
            verdict.reset()
        self.windows.clear()
