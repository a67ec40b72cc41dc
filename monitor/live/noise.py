"""How much blocks of one instrument against another scatter, and how far neighbouring ones go together."""

import math
from collections import deque

from monitor.analysis.block import BLOCK_S
from monitor.analysis.statistics import slow_factor


class Noise:
    """Spread and autocorrelation of block log ratios, learnt from differences, so that a step costs little.

    `sd` starts from a prior worth a few blocks: as a fraction, the standard deviation of one block
    of BLOCK_S seconds about its level.

    `r` is the lag-1 autocorrelation over the whole session: 1 minus the mean square of differences of
    neighbours over that of blocks 40 s to two minutes apart (the idea of von Neumann's ratio, Ann.
    Math. Stat. 12, 367, 1941). So levels that differ from state to state cost little, and white noise on
    top of a slow wander is seen, which neighbours but one do not show. Only blocks of like load are
    held against each other: what a zero offset does from torque to torque is no noise.
    """

    PRIOR_BLOCKS = 4.0
    KEEP = 36
    PRIOR_R = 0.1
    """Autocorrelation of blocks before any is measured (common practice, no source)."""
    PRIOR_R_BLOCKS = 12.0
    PRIOR_DOUBT_BLOCKS = 16.0
    """Before it is measured `r` is known to a quarter (common practice, no source)."""
    MOST_R = 0.85
    """Slower noise can't be told from a drift within minutes."""
    LEAST_NEAR = 6
    """Fewer differences of neighbours say nothing of what those of others mean."""
    FAR = (4, 6, 9, 12)
    """So many blocks apart are blocks that are held against neighbours."""
    ALIKE = 1.05
    """Loads that differ by less than a twentieth are alike (common practice, no source)."""
    MOST = 4.5
    """Half a squared difference counts as three standard deviations of neighbours at most: a step is a few
    large ones among many."""

    WILD = 9.0
    """A larger one of blocks far apart is a change, which no noise makes: it is left out."""

    def __init__(self, prior: float) -> None:
        self.prior = prior
        self._past: deque[tuple[float | None, float]] = deque(maxlen=max(self.FAR))
        """The blocks before, newest first: value, load."""
        self._squares: deque[float] = deque(maxlen=self.KEEP)
        self._near = self._near_n = self._far = self._far_n = 0.0
        self._neighbours = prior
        self.sd = prior
        self.r = self.PRIOR_R
        self.doubt_r = math.sqrt(1.0 / self.PRIOR_DOUBT_BLOCKS)
        """Standard error of `r` (Bartlett's of a lag-1 autocorrelation)."""
        self._means: dict[float, float] = {}

    def update(self, y: float | None, load: float = 1.0) -> None:
        """Take the next block, or None where a block could not be used; `load` is its torque in any unit."""
        last = self._past[0][0] if self._past else None
        if y is not None and last is not None:
            # Half the squared difference estimates the variance of neighbours.
            self._squares.append(min(0.5 * (y - last) ** 2, 2.0 * self.MOST * self._neighbours**2))
            p = self.PRIOR_BLOCKS
            mean = (p * self.prior**2 + math.fsum(self._squares)) / (p + len(self._squares))
            self._neighbours = math.sqrt(mean)
        if y is not None:
            self._learn_r(y, load)
            # Neighbours that go together differ by less than they scatter.
            self.sd = self._neighbours / math.sqrt(1.0 - self.sure_r)
            self._means.clear()
        self._past.appendleft((y, load))

    def _learn_r(self, y: float, load: float) -> None:
        scale = 0.5 / self._neighbours**2
        for k in (1, *self.FAR):
            if k > len(self._past):
                break
            before, load_before = self._past[k - 1]
            if before is None or max(load, load_before) > self.ALIKE * min(load, load_before):
                continue
            square = scale * (y - before) ** 2
            if k == 1:
                self._near += min(square, self.MOST)
                self._near_n += 1.0
            elif square < self.WILD:
                self._far += square / len(self.FAR)
                self._far_n += 1.0 / len(self.FAR)
        if self._near_n < self.LEAST_NEAR or self._far <= 0.0:
            return
        own = 1.0 - (self._near / self._near_n) / (self._far / self._far_n)
        p, n = self.PRIOR_R_BLOCKS, self._far_n
        self.r = min(self.MOST_R, max(0.0, (p * self.PRIOR_R + n * own) / (p + n)))
        self.doubt_r = math.sqrt((1.0 - self.r * self.r) / (self._far_n + self.PRIOR_DOUBT_BLOCKS))

    @property
    def sure_r(self) -> float:
        """The autocorrelation by which a window is judged: what of `r` is not the prior's, and one standard
        error more; no less than `r` itself.

        Windows are looked at every second, so that an alarm finds the moments at which `r` is taken for too
        small: in the first minutes, when nobody knows it, most of all.
        """
        if self._near_n < self.LEAST_NEAR:
            return 0.0
        own = self.r - self.PRIOR_R * self.PRIOR_R_BLOCKS / (self.PRIOR_R_BLOCKS + self._far_n)
        return min(self.MOST_R, max(self.r, own + self.doubt_r))

    def safe_r(self, deviations: float) -> float:
        """The autocorrelation, so many of its standard errors above what is measured."""
        return min(self.MOST_R, self.r + deviations * self.doubt_r)

    def of_mean(self, seconds: float) -> float:
        """Standard deviation of a mean over so many seconds, as a fraction.

        Of n blocks, which need not be whole, of a first-order autoregression:
        (1 + r) / (1 - r) - 2 r (1 - r^n) / (n (1 - r)^2) over n of the variance of one.
        """
        known = self._means.get(seconds)
        if known is None:
            n, r = seconds / BLOCK_S, self.sure_r
            grows = (1.0 + r) / (1.0 - r) - 2.0 * r * (1.0 - r**n) / (n * (1.0 - r) ** 2)
            known = self._means[seconds] = self.sd * math.sqrt(max(grows, 1.0) / n)
        return known

    def long_run(self, r: float) -> float:
        """What the standard deviation of one block would be if blocks were independent and their mean as
        unsure as it is with the autocorrelation `r`."""
        return self._neighbours / math.sqrt(1.0 - r) * slow_factor(r)
