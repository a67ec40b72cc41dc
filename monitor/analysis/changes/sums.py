"""Sums and averages that watch one series: what they do is in the handbooks."""

import math
from statistics import NormalDist

_NORMAL = NormalDist()


def student_cdf(t: float, dof: int) -> float:
    """Distribution function of Student's t for whole degrees of freedom.

    The finite sums of Abramowitz and Stegun 26.7.3 and 26.7.4.
    """
    theta = math.atan(t / math.sqrt(dof))
    c2 = math.cos(theta) ** 2
    if dof % 2:
        total, term = 0.0, math.cos(theta)
        for j in range(3, dof + 1, 2):
            total += term
            term *= c2 * (j - 1) / j
        a = 2.0 / math.pi * (theta + math.sin(theta) * total)
    else:
        total, term = 0.0, 1.0
        for j in range(2, dof + 1, 2):
            total += term
            term *= c2 * (j - 1) / j
        a = math.sin(theta) * total
    return 0.5 + 0.5 * a


class SelfStarting:
    """Standardises each value by those before it: N(0, 1) until something changes."""

    def __init__(self) -> None:
        self.n = 0
        self.mean = 0.0
        self._m2 = 0.0

    def update(self, x: float) -> float | None:
        """The standardised value, or None while fewer than two values came before."""
        u = None
        if self.n >= 2 and self._m2 > 0.0:
            s = math.sqrt(self._m2 / (self.n - 1))
            t = (x - self.mean) / s * math.sqrt(self.n / (self.n + 1.0))
            dof = self.n - 1
            p = student_cdf(t, dof) if dof <= 200 else _NORMAL.cdf(t)
            u = _NORMAL.inv_cdf(min(max(p, 1e-12), 1.0 - 1e-12))
        self.n += 1
        d = x - self.mean
        self.mean += d / self.n
        self._m2 += d * (x - self.mean)
        return u


class Cusum:
    """Tabular cumulative sums, both ways, reference value `k`; the caller compares with its h."""

    def __init__(self, k: float) -> None:
        self.k = k
        self.high = self.low = 0.0
        self.since_high = self.since_low = 0

    def update(self, z: float) -> None:
        """Take one standardised value; `since_high` and `since_low` count values since the last zero."""
        self.high = max(0.0, self.high + z - self.k)
        self.since_high = self.since_high + 1 if self.high > 0.0 else 0
        self.low = max(0.0, self.low - z - self.k)
        self.since_low = self.since_low + 1 if self.low > 0.0 else 0


class Ewma:
    """An exponentially weighted moving average, weight `lam` for each new value."""

    def __init__(self, lam: float, start: float) -> None:
        self.lam = lam
        self.value = start

    def update(self, x: float) -> float:
        """Take the next value; the average."""
        self.value += self.lam * (x - self.value)
        return self.value

    def half_width(self, sd: float, sigmas: float) -> float:
        """Distance of the control limits from the centre line, after many values of spread `sd`."""
        return sigmas * sd * math.sqrt(self.lam / (2.0 - self.lam))


class Trend:
    """Whether a series goes up or down in time beside what a zero offset makes of it, by running sums alone.

    A cheap first look, by least squares of a level, an offset and a slope. What may be a drift passes,
    and most of what is none does not.
    """

    LEAST_N = 8
    """Fewer values have no trend."""
    SIGMAS = 3.0
    """Standard deviations that a slope takes to be looked at (common practice, no source)."""
    LEAST_PART = 0.4
    """Of what is asked for; one that began late has moved little over the whole."""
    HELD = 1e-6
    """A zero offset is held to nothing where the torque never changed (square of 1 / N·m)."""

    def __init__(self) -> None:
        self.begin()

    def begin(self) -> None:
        """Forget all."""
        self.n = 0
        self._start_s = self._last_s = 0.0
        self._last_y = self._steps = 0.0
        self._w = self._x = self._t = self._y = 0.0
        self._xx = self._xt = self._xy = self._tt = self._ty = self._yy = 0.0

    def update(self, t_s: float, y: float, inverse: float, weight: float) -> None:
        """Take a value at `t_s`, at this reciprocal torque (1 / N·m)."""
        if not self.n:
            self._start_s, self._last_y = t_s, y
        self.n += 1
        self._last_s = t_s
        # In thousands of seconds: the squares of an evening stay of the size of the others.
        t = (t_s - self._start_s) / 1000.0
        self._steps += weight * (y - self._last_y) ** 2
        self._last_y = y
        wx, wt, wy = weight * inverse, weight * t, weight * y
        self._w += weight
        self._x += wx
        self._t += wt
        self._y += wy
        self._xx += wx * inverse
        self._xt += wx * t
        self._xy += wx * y
        self._tt += wt * t
        self._ty += wt * y
        self._yy += wy * y

    def leans(self, least: float) -> bool:
        """Whether it may have moved by `least` or more from its beginning on."""
        if self.n < self.LEAST_N:
            return False
        w, x, t, y = self._w, self._x, self._t, self._y
        xx = self._xx - x * x / w + self.HELD
        xt, xy = self._xt - x * t / w, self._xy - x * y / w
        tt = self._tt - t * t / w - xt * xt / xx
        ty = self._ty - t * y / w - xt * xy / xx
        yy = self._yy - y * y / w - xy * xy / xx
        if tt <= 0.0:
            return False
        slope = ty / tt
        if abs(slope) * (self._last_s - self._start_s) < 1000.0 * self.LEAST_PART * least:
            return False
        rest = yy - slope * ty
        if rest <= 0.0:
            return True
        # Neighbours that go together differ by less than they scatter.
        r = min(0.9, max(0.0, 1.0 - 0.5 * self._steps / rest))
        variance = rest / self.n / tt * (1.0 + r) / (1.0 - r)
        return slope * slope > self.SIGMAS**2 * variance
