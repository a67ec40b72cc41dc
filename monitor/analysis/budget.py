"""How sure a mean of blocks is: their noise by age, measured over a whole session, and intervals from it.

The log ratio of an instrument to its reference scatters from block to block and wanders
over minutes. Both are described by one covariance that depends on the distance in time
only: an independent part and parts that fade with time constants TAUS_S. Which of them a
session has is not chosen but weighed: restricted maximum likelihood (Patterson and
Thompson, Biometrika 58, 545, 1971) at each point of a small grid, the covariance
being the mean over the points by their likelihood. So a short session, which
cannot tell slow noise from none, is not taken to have none.
"""

import math
from dataclasses import dataclass
from itertools import pairwise
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from monitor.analysis.block import BLOCK_S
from monitor.analysis.statistics import Floats, t_975

Ints = npt.NDArray[np.int64]

TAUS_S = (6.0, 12.0, 25.0, 60.0, 150.0)
"""Time constants of what fades (s): from the smoothing of meters to their warming."""
SHARES = (0.15, 0.3, 0.5, 0.7, 0.85, 1.0)
"""Parts of a block's variance that fade slowly; the rest is independent from block to block."""
NONE_WEIGHT = 0.5
"""Weight, before any data, of no fading part at all: as likely as all that fade together (Jeffreys, Theory of
Probability, 5.0: half the prior to the simple hypothesis, half to its alternatives)."""
CHUNK = 24
"""So many neighbouring blocks are weighed together; what reaches farther hardly tells more."""
PRIOR_DOF = 8.0
"""How many degrees of freedom the session's spread is worth beside a stretch's own."""
MOST_EXACT = 400
"""Up to so many blocks a covariance is laid out as a matrix."""


class Half(NamedTuple):
    """Standard deviation of a mean (unit of the values), and the degrees of freedom it is known with."""

    sd: float
    dof: float

    @property
    def u95(self) -> float:
        """Student's 95 % half-width; infinite where it can't be known."""
        return t_975(self.dof) * self.sd if self.dof >= 1.0 and math.isfinite(self.sd) else math.inf


UNKNOWN = Half(math.inf, 0.0)


@dataclass(frozen=True, slots=True)
class Noise:
    """The covariance of two blocks by their distance: `nugget` at 0 only, `parts` that fade with TAUS_S.

    `dof` 0: nothing is known.
    """

    nugget: float = 0.0
    parts: tuple[float, ...] = (0.0,) * len(TAUS_S)
    dof: float = 0.0

    @property
    def variance(self) -> float:
        """Of a single block."""
        return self.nugget + sum(self.parts)

    @property
    def sd(self) -> float:
        """Of a single block."""
        return math.sqrt(self.variance)

    @property
    def r(self) -> float:
        """Autocorrelation of neighbouring blocks."""
        if self.variance <= 0.0:
            return 0.0
        fading = sum(p * math.exp(-BLOCK_S / tau) for p, tau in zip(self.parts, TAUS_S, strict=True))
        return fading / self.variance

    def covariance(self, begin_s: Ints | Floats) -> Floats:
        """Matrix of the covariances of blocks that begin at these seconds."""
        at = np.asarray(begin_s)
        distance = np.abs(at[:, None] - at[None, :])
        if at.dtype.kind == "i" and (most := int(distance.max(initial=0))) < distance.size:
            # Whole seconds: each distance is worked out once, and looked up.
            result: Floats = self._at(np.arange(most + 1))[distance]
            return result
        return self._at(distance)

    def _at(self, distance: Ints | Floats) -> Floats:
        """The covariance of blocks that begin so many seconds from each other."""
        result: Floats = np.where(distance < 0.5, self.nugget, 0.0)
        for part, tau in zip(self.parts, TAUS_S, strict=True):
            if part > 0.0:
                result += part * np.exp(-distance / tau)
        return result

    def of_mean(self, begin_s: Ints | Floats) -> float:
        """Variance of the mean of these blocks."""
        n = len(begin_s)
        if n <= MOST_EXACT:
            return float(self.covariance(begin_s).sum()) / (n * n)
        # Many blocks: what lies so many tens of seconds apart counts alike.
        at = (np.asarray(begin_s) - begin_s[0]) // BLOCK_S
        count = np.zeros(int(at[-1]) + 1)
        np.add.at(count, at.astype(np.int64), 1.0)
        reach = min(len(count), 150)
        total = n * self.variance
        for k in range(1, reach):
            pairs = float(count[:-k] @ count[k:])
            fading = sum(p * math.exp(-k * BLOCK_S / tau) for p, tau in zip(self.parts, TAUS_S, strict=True))
            total += 2.0 * pairs * fading
        return total / (n * n)

    def mean(self, y: Floats, begin_s: Ints | Floats) -> Half:
        """How sure the mean of the blocks `y` is.

        The session's covariance, its size held against the blocks' own scatter: both pooled, the
        session's worth at most PRIOR_DOF degrees of freedom.
        """
        n = len(y)
        if n == 0 or self.dof < 1.0 or self.variance <= 0.0:
            return UNKNOWN
        factor, dof = self.scale(y, begin_s)
        return Half(math.sqrt(factor * self.of_mean(begin_s)), dof)

    def scale(self, y: Floats, begin_s: Ints | Floats) -> tuple[float, float]:
        """By what the variance of these blocks differs from the session's, and its degrees of freedom."""
        n = len(y)
        prior = min(PRIOR_DOF, self.dof)
        if n < 2 or n > MOST_EXACT:
            return 1.0, max(self.dof if n > MOST_EXACT else prior, 1.0)
        # Solving for two columns is a hundredth of the work of an inverse.
        both = np.column_stack([np.ones(n), y])
        covariance = self.covariance(begin_s)
        try:
            ones, own = np.linalg.solve(covariance, both).T
        except np.linalg.LinAlgError:
            ones, own = (np.linalg.pinv(covariance, hermitian=True) @ both).T
        center = float(own.sum() / ones.sum())
        q = float((y - center) @ (own - center * ones))
        return (prior + q) / (prior + n - 1.0), prior + n - 1.0


def noise_of_blocks(y: Floats, begin_s: Ints, group: Ints, run: Ints) -> Noise:
    """The noise of blocks whose mean may differ from group to group.

    `y`: values; `begin_s`: their first seconds, ascending; `group`: blocks of one group have one
    true value (one state, one condition); `run`: blocks of different runs are not weighed
    together. Nothing is known from fewer than two more blocks than groups.
    """
    _, group = np.unique(group, return_inverse=True)
    groups = int(group.max()) + 1 if len(group) else 0
    free = len(y) - groups
    scatter = y - (np.bincount(group, y) / np.bincount(group))[group] if len(y) else y
    scale = float(scatter @ scatter)
    if free < 2 or scale <= 0.0:
        return Noise()
    grid = [(0.0, TAUS_S[0], NONE_WEIGHT)]
    each = (1.0 - NONE_WEIGHT) / (len(TAUS_S) * len(SHARES))
    grid += [(share, tau, each) for tau in TAUS_S for share in SHARES]
    shares, taus, prior = (np.array(column) for column in zip(*grid, strict=True))
    count = len(grid)
    logs = np.zeros(count)
    normal = np.zeros((count, groups, groups))
    right = np.zeros((count, groups))
    square = np.zeros(count)
    for first, last in _chunks(run):
        members = np.unique(group[first:last])
        design = (group[first:last, None] == members[None, :]).astype(np.float64)
        distance = np.abs(begin_s[first:last, None] - begin_s[None, first:last]).astype(np.float64)
        matrix = shares[:, None, None] * np.exp(-distance / taus[:, None, None])
        matrix += (1.0 - shares)[:, None, None] * (distance < 0.5)
        lower = np.linalg.cholesky(matrix + 1e-9 * np.eye(last - first))
        both = np.column_stack([design, scatter[first:last]])
        white = np.linalg.solve(lower, np.broadcast_to(both, (count, *both.shape)))
        logs += 2.0 * np.log(np.diagonal(lower, axis1=1, axis2=2)).sum(axis=1)
        x, z = white[:, :, :-1], white[:, :, -1]
        normal[:, members[:, None], members[None, :]] += np.swapaxes(x, 1, 2) @ x
        right[:, members] += (x * z[:, :, None]).sum(axis=1)
        square += (z * z).sum(axis=1)
    solved = np.linalg.solve(normal, right[:, :, None])[:, :, 0]
    rest = np.maximum(square - (right * solved).sum(axis=1), 1e-12 * scale)
    _, log_normal = np.linalg.slogdet(normal)
    likelihood = -0.5 * (logs + log_normal + free * np.log(rest))
    weight = prior * np.exp(likelihood - likelihood.max())
    weight /= weight.sum()
    variance = weight * rest / free
    parts = [float((variance * shares)[(taus == tau) & (shares > 0.0)].sum()) for tau in TAUS_S]
    return Noise(float((variance * (1.0 - shares)).sum()), tuple(parts), float(free))


def _chunks(run: Ints) -> list[tuple[int, int]]:
    """Runs cut to at most CHUNK blocks: (first, last)."""
    edges = [0, *(np.flatnonzero(np.diff(run)) + 1).tolist(), len(run)]
    found: list[tuple[int, int]] = []
    for a, b in pairwise(edges):
        pieces = max(1, -(-(b - a) // CHUNK))
        cuts = np.linspace(a, b, pieces + 1).round().astype(int).tolist()
        found += [(c, d) for c, d in pairwise(cuts) if d > c]
    return found
