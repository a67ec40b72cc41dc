"""Who stands apart: the largest consistent subset of independent instruments, and odds for what stays open.

No instrument is right by its role. Each has a claim; what was measured are differences. With
three or more independent instruments the largest subset that is consistent with the claims tells
who stands apart from it; two can only differ.
"""

import math
from collections.abc import Iterator, Mapping, Sequence
from itertools import combinations
from typing import Literal, NamedTuple

from monitor.analysis.statistics import Floats, spread_of_known
from monitor.setup.bench import Instrument

LEVEL = 0.01
"""Significance of the test for consistency. At 5 % a wrong one is named in 1 to 5 % of simulated benches."""
OUT_SD_PERCENT = 5.0
"""How far one that is outside its claim is off: a standard deviation (common practice, no source)."""
PRIOR_TRUSTED, PRIOR_ON_TEST = 0.05, 0.3
"""Probability before the ride that an instrument is outside its claim (common practice, no source)."""
LEAST_OPINIONS = 3
"""Two instruments can only differ: it takes three to tell who."""
MOST_DROPPED = 3
"""With more than SMALL_BENCH instruments no more than this many are left out of a subset."""
SMALL_BENCH = 10

Apart = Literal["yes", "no", "undecided"]


class Opinion(NamedTuple):
    """What one independent instrument says of a common quantity, all in percent.

    `value` is against any common origin; `u` its standard uncertainty from the ride (scatter, lag, losses);
    `claim` the plus or minus of its maker. For changes at one moment the claim is 0: it cancels.
    """

    label: str
    value: float
    u: float
    claim: float
    prior_out: float = PRIOR_TRUSTED

    @property
    def variance(self) -> float:
        """Of the ride and of a claim that is anywhere within its bounds alike (GUM 4.3.7: a**2 / 3)."""
        return self.u * self.u + self.claim * self.claim / 3.0


class Consistency(NamedTuple):
    """Whether all are consistent, and for each label whether it stands apart and the odds that it is out.

    `probability` is that of a larger chi-squared by chance; `subsets` are the largest consistent ones.
    """

    consistent: bool
    probability: float
    apart: dict[str, Apart]
    odds: dict[str, float]
    subsets: list[tuple[str, ...]]


def chi_squared_tail(x: float, dof: int) -> float:
    """The probability that chi-squared with `dof` (1 or more) degrees of freedom exceeds `x`.

    Finite sums for whole degrees of freedom: Abramowitz and Stegun 26.4.4 and 26.4.5.
    """
    if x <= 0.0:
        return 1.0
    half = 0.5 * x
    tail, k = (math.exp(-half), 2) if dof % 2 == 0 else (math.erfc(math.sqrt(half)), 1)
    while k < dof:
        tail += math.exp(0.5 * k * math.log(half) - half - math.lgamma(0.5 * k + 1.0))
        k += 2
    return min(1.0, tail)


class Weighted(NamedTuple):
    """A weighted mean, its standard uncertainty, and the observed chi-squared."""

    mean: float
    u: float
    chi_squared: float


def weighted(values: Sequence[float], variances: Sequence[float]) -> Weighted:
    """The weighted mean of values that all mean the same.

    Cox, Metrologia 39 (2002) 589, procedure A. Variances are above zero.
    """
    weights = [1.0 / v for v in variances]
    total = math.fsum(weights)
    mean = math.fsum(w * x for w, x in zip(weights, values, strict=True)) / total
    chi = math.fsum(w * (x - mean) ** 2 for w, x in zip(weights, values, strict=True))
    return Weighted(mean, 1.0 / math.sqrt(total), chi)


def tail_of(values: Sequence[float], variances: Sequence[float]) -> float:
    """How likely chance alone makes so large a chi-squared; 1 for fewer than two values."""
    if len(values) < 2:
        return 1.0
    return chi_squared_tail(weighted(values, variances).chi_squared, len(values) - 1)


def largest_consistent(
    values: Sequence[float], variances: Sequence[float], level: float = LEVEL
) -> list[tuple[int, ...]]:
    """The largest subsets, as indices, that pass the chi-squared test at `level`; several if there are.

    Complete enumeration from the whole set down to pairs (Cox, Metrologia 44 (2007) 187); on benches
    of more than SMALL_BENCH only MOST_DROPPED are left out. Empty: not even two are consistent.
    """
    n = len(values)
    dropped = n - 2 if n <= SMALL_BENCH else MOST_DROPPED
    for size in range(n, max(1, n - dropped - 1), -1):
        found = [
            subset
            for subset in combinations(range(n), size)
            if tail_of([values[i] for i in subset], [variances[i] for i in subset]) >= level
        ]
        if found:
            return found
    return []


def judge_consistency(opinions: Sequence[Opinion], level: float = LEVEL) -> Consistency:
    """Who stands apart among independent instruments.

    `yes` only for one outside a unique largest consistent subset that holds most of three or more.
    Where the subsets are several, whoever is in all of them is not apart, the rest are undecided.
    """
    labels = [o.label for o in opinions]
    values = [o.value for o in opinions]
    variances = [o.variance for o in opinions]
    n = len(opinions)
    probability = tail_of(values, variances)
    subsets = largest_consistent(values, variances, level)
    named = [tuple(labels[i] for i in s) for s in subsets]
    odds = odds_out(opinions)
    if probability >= level:
        return Consistency(True, probability, dict.fromkeys(labels, "no"), odds, named)
    apart: dict[str, Apart] = dict.fromkeys(labels, "undecided")
    # Two of four are no majority: the other two may be the healthy ones.
    if n >= 3 and subsets and 2 * len(subsets[0]) > n:
        always = set(range(n)).intersection(*subsets)
        for i in always:
            apart[labels[i]] = "no"
        if len(subsets) == 1:
            for i in set(range(n)) - always:
                apart[labels[i]] = "yes"
    return Consistency(False, probability, apart, odds, named)


def odds_out(opinions: Sequence[Opinion]) -> dict[str, float]:
    """For each label the probability that the instrument is outside its claim.

    Each is within its claim (variance claim**2 / 3) or out (OUT_SD_PERCENT); every pattern is weighed by its
    prior and by the likelihood of the differences, with a flat prior on what all measure. After the
    Bayesian model averaging of key comparisons of Elster and Toman, Metrologia 47 (2010) 113 (from memory).
    """
    n = len(opinions)
    if n == 0:
        return {}
    logs: list[tuple[float, frozenset[int]]] = []
    values = [o.value for o in opinions]
    for out in _patterns(n):
        variances = [
            o.u * o.u + (OUT_SD_PERCENT**2 if i in out else max(1e-6, o.claim * o.claim / 3.0))
            for i, o in enumerate(opinions)
        ]
        _, u_mean, chi = weighted(values, variances)
        log = -0.5 * chi - 0.5 * math.fsum(map(math.log, variances)) + math.log(u_mean)
        log += math.fsum(
            math.log(o.prior_out if i in out else 1.0 - o.prior_out) for i, o in enumerate(opinions)
        )
        logs.append((log, out))
    top = max(log for log, _ in logs)
    total = math.fsum(math.exp(log - top) for log, _ in logs)
    return {
        o.label: math.fsum(math.exp(log - top) for log, out in logs if i in out) / total
        for i, o in enumerate(opinions)
    }


def _patterns(n: int) -> Iterator[frozenset[int]]:
    """Which of `n` are out: every pattern, on large benches those with few."""
    most = n if n <= SMALL_BENCH else MOST_DROPPED
    for size in range(most + 1):
        for out in combinations(range(n), size):
            yield frozenset(out)


# -- one instrument heard twice is one opinion

TRUST = {"reference": 0, "witness": 1, "on-test": 2}
LEAST_SIGNS = 3
"""A serial number of fewer different signs (0, 1111, 1010) is none."""
SERIAL_MEAN_PERCENT, SERIAL_PERCENT = 0.5, 1.5
"""With one serial number: levels and five-second means of one instrument on two radios, which may smooth
differently (common practice, no source)."""
LIKE_PERCENT, ALIKE_MEAN_PERCENT, LIKE_TIMES = 0.15, 0.3, 3.0
"""One instrument heard twice: five-second means follow each other within LIKE_PERCENT (standard deviation),
levels within ALIKE_MEAN_PERCENT, both LIKE_TIMES as far from any other (common practice, no source)."""
LIKE_S, LONGER = 5, 4
"""Seconds of such a mean, and how many of them make a longer one that is looked at as well."""
LEAST_LIKE = 24
"""So many five-second means tell how alike two are: two minutes."""
SAME_MAKER = ("manufacturer", "manufacturer_id", "model", "model_number")


def by_trust(powered: Sequence[int], reference: int | None, instruments: Sequence[Instrument]) -> list[int]:
    """Instruments by index, the most trusted first: of two that are one the first is kept."""
    return sorted(powered, key=lambda i: (i != reference, TRUST[instruments[i].role], i))


def copies_of(
    order: Sequence[int],
    instruments: Sequence[Instrument],
    facts: Sequence[Mapping[str, object]],
    fives: Mapping[int, Floats],
) -> dict[int, int]:
    """Which of `order` are another one heard a second time: by index, the less to the more trusted.

    `facts` are what the links reported, `fives` logarithms (percent) of five-second means of the power at the
    crank at one time for all, nan where not known or ridden.
    """
    found: dict[int, int] = {}
    for place, i in enumerate(order):
        for j in order[:place]:
            one, two = instruments[i], instruments[j]
            if j not in found and (
                (one.mount == two.mount and _one_serial(facts, fives, i, j))
                or (_comparable(one, two) and _one_reading(fives, i, j))
            ):
                found[i] = j
                break
    return found


def same_serial(one: Mapping[str, object], two: Mapping[str, object]) -> bool:
    """Whether what two links reported names one instrument: serial number and, where both tell, maker."""
    serial = str(one.get("serial") or "")
    if len(set(serial)) < LEAST_SIGNS or serial != str(two.get("serial")):
        return False
    # The maker's name on one radio, its number on the other: only what both report can contradict.
    return all(key not in one or key not in two or one[key] == two[key] for key in SAME_MAKER)


def _one_serial(facts: Sequence[Mapping[str, object]], fives: Mapping[int, Floats], i: int, j: int) -> bool:
    """One serial number, and readings that do not contradict it.

    Modules are sold with serial numbers that nobody set: the same for a whole series.
    """
    if max(i, j) >= len(facts) or not same_serial(facts[i], facts[j]):
        return False
    return not contradict(fives, i, j)


def _comparable(one: Instrument, two: Instrument) -> bool:
    """Whether alike readings could be one instrument's: not of a crank and a hub, nor of single sides."""
    return (one.mount == "hub") == (two.mount == "hub") and not {one.sides, two.sides} & {"left", "right"}


def contradict(fives: Mapping[int, Floats], i: int, j: int) -> bool:
    """Whether what two read cannot be one instrument's that is heard twice."""
    near = spread_of_known(fives[i] - fives[j], LEAST_LIKE)
    return near is not None and (abs(near[0]) > SERIAL_MEAN_PERCENT or near[1] > SERIAL_PERCENT)


def _one_reading(fives: Mapping[int, Floats], i: int, j: int) -> bool:
    """In fives, or in means of four of them: what each radio adds of its own averages down much faster than
    what two instruments do not have in common."""
    return any(_follow(fives, i, j, width) for width in (1, LONGER))


def _follow(fives: Mapping[int, Floats], i: int, j: int, width: int) -> bool:
    near = spread_of_known(_longer(fives[i] - fives[j], width), LEAST_LIKE)
    if near is None or near[1] > LIKE_PERCENT / math.sqrt(width) or abs(near[0]) > ALIKE_MEAN_PERCENT:
        return False
    # Without a third nothing tells how far apart two that are not the same would be.
    others = [_longer(fives[x] - fives[k], width) for x in (i, j) for k in fives if k not in (i, j)]
    known = [f for other in others if (f := spread_of_known(other, LEAST_LIKE)) is not None]
    return bool(known) and all(f[1] >= LIKE_TIMES * near[1] for f in known)


def _longer(y: Floats, width: int) -> Floats:
    """Means of so many neighbouring values, nan where one is not known."""
    n = len(y) // width
    result: Floats = y[: n * width].reshape(n, width).mean(axis=1)
    return result
