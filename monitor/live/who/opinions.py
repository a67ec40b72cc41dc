"""What independent instruments say of each other over one window, and who stands apart from all others."""

import math
from collections.abc import Mapping, Sequence
from statistics import median
from typing import NamedTuple

from monitor.analysis.block import BLOCK_S, Block
from monitor.analysis.consistency import (
    PRIOR_ON_TEST,
    PRIOR_TRUSTED,
    TRUST,
    Apart,
    Consistency,
    Opinion,
    judge_consistency,
    weighted,
)
from monitor.analysis.expected import DEFAULT_CLAIM_PERCENT
from monitor.finding import Side
from monitor.live.comparator import Comparator
from monitor.live.who.copies import Copies

LIVE_LEVEL = 0.005
"""Significance of the test for consistency live, where it is looked at again and again; afterwards, once,
it is twice that."""
LEAST_ODDS = 0.8
"""Nobody is named whose odds to be outside the claim are lower. By simulation of three with claims of 1, 1.5
and 1.5 %, one of them 4 % off: 0.1 % wrong names instead of 0.3 %, 40 % right ones instead of 48 %."""
FAIR_ODDS = 0.15
"""With odds from here on one is in doubt where the others leave it open (common practice, no source)."""
MOST_ASKED = 8
"""So many are asked at most: subsets of more than that take longer than they tell."""
AROUND_BLOCKS = 12
"""A change is read from so many blocks before it: two minutes."""
WANDER_PERCENT = 0.3
"""What two healthy instruments may move against each other in minutes (common practice, no source)."""


class Whose(NamedTuple):
    """What can be said of whose a difference is. `independent` instruments were compared.

    `apart` and `odds` are by index; `against` is the deviation (percent) from the weighted mean of the
    others that do not stand apart, with its standard uncertainty, claims included. `consistent`: all may
    be within their claims.
    """

    independent: int
    consistent: bool
    apart: dict[int, Apart]
    odds: dict[int, float]
    against: dict[int, tuple[float, float]]

    def moved(self) -> list[int]:
        """The same of a change, to which claims, and so the odds, say nothing."""
        return [i for i, apart in self.apart.items() if apart == "yes"]

    def named(self) -> list[int]:
        """Who stands apart from all others for sure."""
        return [i for i, apart in self.apart.items() if apart == "yes" and self.odds[i] >= LEAST_ODDS]

    def doubtful(self) -> list[int]:
        """Between whom it is undecided."""
        named = self.named()
        unsure = [i for i, apart in self.apart.items() if apart == "yes" and i not in named]
        # Outside of the largest subset, yet not by the odds: then those are in doubt whose odds are fair.
        fair = [i for i, odds in self.odds.items() if unsure and odds >= FAIR_ODDS and i not in named]
        undecided = [i for i, apart in self.apart.items() if apart == "undecided"]
        return list(dict.fromkeys((*undecided, *unsure, *fair)))

    def innocent(self, i: int) -> bool:
        """Whether somebody is in doubt, and it is surely not `i`."""
        return not self.consistent and self.apart.get(i) == "no" and i not in self.doubtful()


class Opinions:
    """Asks the independent instruments of a bench."""

    def __init__(self, comparator: Comparator, facts: Sequence[Mapping[str, object]]) -> None:
        self.comparator = comparator
        self.copies = Copies(comparator, facts)

    def of(self, quantity: Side, begin: int, end: int, first: Sequence[int]) -> Whose | None:
        """Who stands apart in the power or in a side over the seconds [begin, end), which end now.

        `first` are asked in any case, the one that deviates most first. None: it can't be told.
        """
        levels = self.comparator.levels(begin, end, quantity)
        copies = self.copies.now() if len(levels) > 1 else {}
        chosen = [i for i in self._chosen(first) if i in levels and i not in copies][:MOST_ASKED]
        if len(chosen) < 2:
            return None
        floor_w = self.comparator.bench.limits.floor_w * (0.5 if quantity != "total" else 1.0)
        middle_w = median(levels[i].power_w for i in chosen)
        least = 100.0 * floor_w / math.sqrt(2.0) / max(1.0, middle_w)
        return self._judge(
            {i: 100.0 * math.log(levels[i].power_w / middle_w) for i in chosen},
            {i: levels[i].u_percent for i in chosen},
            {i: max(self._claim(i), least) for i in chosen},
            copies,
        )

    def _chosen(self, first: Sequence[int]) -> list[int]:
        """All, the most telling first: the reference, three that deviate most, then by trust and claim."""
        reference = self.comparator.reference
        begin = [*([] if reference is None else [reference]), *(i for i in first if i != reference)][:4]
        instruments = self.comparator.instruments
        rest = sorted(
            (i for i in self.comparator.powered if i not in begin),
            key=lambda i: (i in first, TRUST[instruments[i].role], self._claim(i), i),
        )
        return [*begin, *rest]

    def _claim(self, i: int) -> float:
        """Its claim, percent; where the bench has a tolerance of its own at least its part of that."""
        claim = self.comparator.instruments[i].claim_percent or DEFAULT_CLAIM_PERCENT
        return max(claim, self.comparator.bench.limits.power_percent / math.sqrt(2.0))

    def _judge(
        self,
        values: Mapping[int, float],
        u: Mapping[int, float],
        claims: Mapping[int, float],
        copies: Mapping[int, int],
    ) -> Whose:
        instruments = self.comparator.instruments
        opinions = [
            Opinion(
                instruments[i].label,
                value,
                u[i],
                claims.get(i, 0.0),
                PRIOR_ON_TEST if instruments[i].role == "on-test" else PRIOR_TRUSTED,
            )
            for i, value in values.items()
        ]
        found = judge_consistency(opinions, LIVE_LEVEL)
        by_index = dict(zip(values, opinions, strict=True))
        apart: dict[int, Apart] = {i: found.apart[o.label] for i, o in by_index.items()}
        odds = {i: found.odds[o.label] for i, o in by_index.items()}
        for copy, original in copies.items():
            if original in apart:
                apart[copy], odds[copy] = apart[original], odds[original]
        return Whose(len(opinions), found.consistent, apart, odds, _against_others(by_index, found))

    def change(self, side: Side, since_s: float, before_s: float = 0.0) -> Whose | None:
        """Who moved against all others at `since_s`; nothing before `before_s` is read.

        Claims cancel in a change: only what the ride leaves open counts, and what healthy ones wander.
        """
        values: dict[int, float] = {}
        u: dict[int, float] = {}
        copies = self.copies.now()
        base = self.comparator.reference
        if base is not None:
            values[base], u[base] = 0.0, WANDER_PERCENT
        for i, pair in self.comparator.pairs.items():
            if i in copies or (side != "total" and self.comparator.side_references[i] != base):
                continue
            noise = {"total": pair.noise, "left": pair.noise_left, "right": pair.noise_right}[side]
            rows = [(b.end_s, y) for b in pair.blocks if (y := ratio_of(b, side)) is not None]
            after = [y for end_s, y in rows if end_s > since_s][-AROUND_BLOCKS:]
            before = [y for end_s, y in rows if before_s < end_s <= since_s][-AROUND_BLOCKS:]
            if len(after) < 2 or len(before) < 3:
                continue
            values[i] = 100.0 * (sum(after) / len(after) - sum(before) / len(before))
            scatter = math.hypot(noise.of_mean(BLOCK_S * len(after)), noise.of_mean(BLOCK_S * len(before)))
            u[i] = math.hypot(100.0 * scatter, WANDER_PERCENT)
        # Those that moved most, and as many that did not as are needed to outvote them.
        order = sorted(values, key=lambda i: -abs(values[i]))
        chosen = set(order) if len(order) <= MOST_ASKED else {*order[:3], *order[3 - MOST_ASKED :]}
        if base is not None:
            chosen.add(base)
        few = {i: v for i, v in values.items() if i in chosen}
        return self._judge(few, u, {}, copies) if len(few) >= 2 else None


def ratio_of(block: Block, side: Side) -> float | None:
    """The log ratio of a block, of the total or of a side."""
    return block.y if side == "total" else block.y_left if side == "left" else block.y_right


def _against_others(opinions: Mapping[int, Opinion], found: Consistency) -> dict[int, tuple[float, float]]:
    result = {}
    for i, o in opinions.items():
        rest = [p for p in opinions.values() if p is not o and found.apart[p.label] != "yes"]
        if rest:
            mean, u, _ = weighted([p.value for p in rest], [max(1e-6, p.variance) for p in rest])
            result[i] = (o.value - mean, math.hypot(u, o.u))
    return result
