"""The shape of the stroke: torque by angle, gathered in bins, and where in it the peaks lie."""

import math

import numpy as np

from monitor.analysis.statistics import Floats

BINS = 36
BIN_DEG = 360.0 / BINS
LEAST_FILLED = 8
"""So many bins must hold something: the first three harmonics need seven numbers."""
MOST_HARMONICS = 6
"""Enough for a stroke that rises and falls within a quarter of a turn (common practice, no source)."""
_FINE = np.radians(np.arange(0.0, 360.0, 0.25))

SUM, COUNT, OFFSET = 0, 1, 2
"""Rows of a gathered shape: sum of torques, how many, sum of the angles behind the bins' beginnings."""


def gathered() -> Floats:
    """A shape with nothing in it: (3, BINS)."""
    return np.zeros((3, BINS))


def gather(into: Floats, angles_deg: Floats, torques: Floats) -> None:
    """Add values at their angles to a gathered shape."""
    angles = np.mod(angles_deg, 360.0)
    at = np.minimum((angles / BIN_DEG).astype(np.int64), BINS - 1)
    into[SUM] += np.bincount(at, torques, BINS)
    into[COUNT] += np.bincount(at, minlength=BINS)
    into[OFFSET] += np.bincount(at, angles - at * BIN_DEG, BINS)


class Fit:
    """A trigonometric polynomial through a gathered shape, over its mean: 1 is the mean torque.

    Least squares over the bins that hold something, each at the mean angle of its values.
    """

    def __init__(self, coefficients: Floats) -> None:
        self.coefficients = coefficients
        order = (len(coefficients) - 1) // 2
        phases = np.outer(np.arange(1, order + 1), _FINE)
        self.curve: Floats = (
            coefficients[0]
            + coefficients[1 : order + 1] @ np.cos(phases)
            + coefficients[order + 1 :] @ np.sin(phases)
        )
        """Torque over its mean, every quarter of a degree from 0."""

    def strength(self, harmonic: int) -> float:
        """Amplitude of a harmonic."""
        order = (len(self.coefficients) - 1) // 2
        if harmonic > order:
            return 0.0
        return math.hypot(self.coefficients[harmonic], self.coefficients[order + harmonic])

    @property
    def is_sum(self) -> bool:
        """Two lobes a turn, as the sum of two legs has; one leg alone has one.

        A raised cosine of half a turn has harmonics of 0.42 and 0.25, so that the sum of two legs is
        known as one while neither makes more than four fifths of it (own calculation).
        """
        return self.strength(2) > self.strength(1)

    def peak(self, low_deg: float = 0.0, high_deg: float = 360.0) -> float:
        """The angle of greatest torque between two angles, degrees; nan if it has no top in there."""
        low, high = round(4 * low_deg), round(4 * high_deg)
        at = low + int(np.argmax(self.curve[low:high]))
        n = len(self.curve)
        before, here, after = self.curve[at - 1], self.curve[at], self.curve[(at + 1) % n]
        if here < before or here < after or here <= 0.0:
            return math.nan
        bend = before - 2.0 * here + after
        return (at + (0.5 * (before - after) / bend if bend < 0.0 else 0.0)) / 4.0

    def phase(self) -> tuple[float, float] | None:
        """Angles from and to which the torque drives around its peak; None if it drives all round."""
        n = len(self.curve)
        top = int(np.argmax(self.curve))
        drives = np.roll(self.curve > 0.0, -top)
        if drives.all() or not drives[0]:
            return None
        end = int(np.argmin(drives))
        back = int(np.argmin(drives[::-1]))
        return ((top - back) % n) / 4.0, ((top + end) % n) / 4.0

    @property
    def effectiveness_percent(self) -> float:
        """Torque less what holds back, of all that drives: 100 where nothing holds back (common practice)."""
        drives = float(np.maximum(self.curve, 0.0).sum())
        return 100.0 * float(self.curve.sum()) / drives if drives > 0.0 else math.nan

    @property
    def smoothness_percent(self) -> float:
        """Mean over greatest torque (common practice)."""
        top = float(self.curve.max())
        return 100.0 * float(self.curve.mean()) / top if top > 0.0 else math.nan


def fit(shape: Floats) -> Fit | None:
    """The polynomial of a gathered shape; None where too few bins hold something, or it does not drive."""
    counts = shape[COUNT]
    filled = counts > 0.0
    n = int(filled.sum())
    if n < LEAST_FILLED:
        return None
    torque = shape[SUM][filled] / counts[filled]
    angle = np.radians(np.flatnonzero(filled) * BIN_DEG + shape[OFFSET][filled] / counts[filled])
    order = min(MOST_HARMONICS, (n - 1) // 2 - (n < BINS // 2))
    phases = np.outer(angle, np.arange(1, order + 1))
    columns = np.hstack([np.ones((n, 1)), np.cos(phases), np.sin(phases)])
    weight = np.sqrt(counts[filled])
    solution, _, rank, _ = np.linalg.lstsq(columns * weight[:, None], torque * weight, rcond=1e-6)
    if rank < columns.shape[1] or solution[0] <= 0.0:
        return None
    return Fit(solution / solution[0])


def relative(shape: Floats) -> Floats | None:
    """Torque of each bin over the mean of the turn, nan where nothing is; None as for `fit`."""
    counts = shape[COUNT]
    found = fit(shape)
    if found is None:
        return None
    mean = _mean_torque(shape, found)
    with np.errstate(invalid="ignore", divide="ignore"):
        result: Floats = np.where(counts > 0.0, shape[SUM] / counts, np.nan) / mean
    return result


def _mean_torque(shape: Floats, found: Fit) -> float:
    """The mean over the angle, not over the values: more of them may lie where the crank is slow."""
    filled = shape[COUNT] > 0.0
    torque = shape[SUM][filled] / shape[COUNT][filled]
    at = np.flatnonzero(filled) * BIN_DEG + shape[OFFSET][filled] / shape[COUNT][filled]
    curve = found.curve[np.minimum((4.0 * at).astype(np.int64), len(found.curve) - 1)]
    weight = shape[COUNT][filled]
    return float((weight * torque * curve).sum() / (weight * curve * curve).sum())
