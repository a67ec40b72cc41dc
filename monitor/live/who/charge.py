"""A deviation is told as a difference first, and charged to whoever stands apart from all others.

Two instruments can only differ. With three and more independent ones the largest subset that is
consistent with the claims tells who stands apart, which may be the reference that others are held against.
"""

from collections.abc import Mapping
from typing import NamedTuple

from monitor.analysis.consistency import LEAST_OPINIONS, Apart
from monitor.finding import Side
from monitor.live.comparator import Comparator
from monitor.live.faults.sign import Sign
from monitor.live.who.opinions import Opinions, Whose

PART_OF_TOTAL = 0.25
"""A side is half of the whole: its error shows in the total by at least this part of it."""


AGAIN_S = 5
"""While the same instruments deviate they are asked again after so many seconds."""
TAKEN_BACK_S = 180
"""After so many seconds of looks that name nobody it is open again who stands apart."""


class Charge(NamedTuple):
    """A deviation that belongs to an instrument which is compared with nobody: the reference.

    `value` against the mean of the others and `limit`, percent; `via` is whose comparison shows it,
    `sign` what that one shows. `sign.signal` drives the alarm.
    """

    value: float
    limit: float
    via: int
    sign: Sign


class Asked(NamedTuple):
    """When the instruments were asked last (s), which of them deviated, and what was found."""

    at_s: int
    over: frozenset[int]
    whose: Whose | None


class Charges:
    """Says of every deviation whose it is, or that it can't be told."""

    def __init__(self, comparator: Comparator, opinions: Opinions) -> None:
        self.comparator = comparator
        self.labels = [i.label for i in comparator.instruments]
        self.opinions = opinions
        self.apart: dict[Side, set[int]] = {"total": set(), "left": set(), "right": set()}
        """Who stands apart, by quantity, as long as the deviation lasts."""
        self.charged: dict[tuple[int, Side], Charge] = {}
        self._doubtful: set[int] = set()
        """Between whom a deviation of the power is undecided just now."""
        self._unnamed: dict[Side, int] = {"total": 0, "left": 0, "right": 0}
        """For how many seconds nobody was named while somebody is held to stand apart."""
        self._inconsistent: dict[Side, Whose] = {}
        """The last answer, while anything deviates, by which not all can be within their claims."""
        self._asked: dict[Side, Asked] = dict.fromkeys(self.apart, Asked(0, frozenset(), None))

    @property
    def open(self) -> bool:
        """Whether anything is kept of a deviation that has passed."""
        return bool(
            self.charged or self._inconsistent or self._doubtful or any(map(len, self.apart.values()))
        )

    def settle(self, side: Side, signs: Mapping[int, Sign]) -> None:
        """Take what all comparisons of one quantity show, by index: reword each, or charge its other one."""
        over = {i: s for i, s in signs.items() if s.signal == "over" and s.rests_on is not None}
        apart = self.apart[side]
        for i, sign in signs.items():
            sign.whose = "own" if i in apart else "difference"
        if not over:
            self._none_over(side, signs)
            return
        most = max(over, key=lambda i: abs(over[i].value or 0.0) / (over[i].limit or 1.0))
        rests_on = over[most].rests_on
        assert rests_on is not None
        asked = self._asked[side]
        if set(over) != asked.over or rests_on[1] - asked.at_s >= AGAIN_S:
            # Those that deviate most first: on a large bench not all can be asked.
            by_size = sorted(over, key=lambda i: -abs(over[i].value or 0.0) / (over[i].limit or 1.0))
            asked = Asked(rests_on[1], frozenset(over), self._whose(side, over[most], by_size, *rests_on))
            self._believe(side, asked.whose, rests_on[1] - self._asked[side].at_s)
            self._asked[side] = asked
        whose = asked.whose
        if whose is not None and not whose.consistent:
            self._inconsistent[side] = whose
        if side == "total" and whose is not None:
            self._doubtful = set() if whose.consistent or apart else set(whose.doubtful())
        charged: set[int] = set()
        for i, sign in sorted(over.items(), key=lambda item: -abs(item[1].value or 0.0)):
            other = self._other(side, i)
            if i in apart:
                sign.what += ", and stands apart from the others"
            elif other is not None and other in apart and self._silent(side, other):
                if other not in charged:
                    charged.add(other)
                    self._charge(side, other, i, sign, whose)
                sign.signal = "below"
                sign.cleared = f"{sign.instrument} agrees with the others, {self.labels[other]} stands apart"
            elif (other is None and apart) or self._between_others(side, i, signs):
                # Held against a median that the one who stands apart has moved, or in every largest
                # consistent subset: what is told of those between whom it is undecided says it already.
                sign.signal = "between"
            else:
                sign.what += self._open(whose, sign)
        for key in [k for k in self.charged if k[1] == side and k[0] not in charged]:
            del self.charged[key]

    def _none_over(self, side: Side, signs: Mapping[int, Sign]) -> None:
        """Nothing deviates now: what was charged follows what showed it, until all are calm."""
        calm = all(s.signal == "below" for s in signs.values())
        for key in [k for k in self.charged if k[1] == side]:
            shown = signs.get(self.charged[key].via)
            if calm or shown is None:
                del self.charged[key]
            else:
                self.charged[key] = self.charged[key]._replace(sign=shown)
        if not calm:
            return
        self.apart[side].clear()
        self._inconsistent.pop(side, None)
        if side == "total":
            self._doubtful.clear()

    def verdict(self, i: int) -> Apart | None:
        """Whether an instrument stands apart in its power from all others; None: there is nothing to tell."""
        apart = self.apart["total"]
        if i in apart or (apart and i in self.comparator.powered):
            return "yes" if i in apart else "no"
        return "undecided" if i in self._doubtful else None

    def _believe(self, side: Side, whose: Whose | None, after_s: int) -> None:
        """Keep who stands apart.

        Looks at windows of seconds waver: it takes another name, or a minute of looks that name nobody, to
        take one back.
        """
        apart, named = self.apart[side], set(whose.named() if whose is not None else ())
        if named:
            apart -= {i for i in apart if whose is not None and whose.apart.get(i) == "no"}
            apart |= named
        self._unnamed[side] = 0 if named or not apart else self._unnamed[side] + after_s
        if self._unnamed[side] > TAKEN_BACK_S:
            apart.clear()

    def blames_other(self, i: int) -> bool:
        """Whether what `i` is held against stands apart itself, and `i` does not."""
        return self.verdict(i) == "no" and self.comparator.reference in self.apart["total"]

    def _whose(self, side: Side, sign: Sign, first: list[int], begin: int, end: int) -> Whose | None:
        i = first[0]
        whose = self.opinions.of(side, begin, end, first)
        if side == "total" or (whose is not None and whose.independent > 2):
            return whose
        # Two that know their sides: the totals of all may tell whose side it is.
        total = self.opinions.of("total", begin, end, first)
        other = self._other(side, i)
        if total is None or other is None:
            return whose
        way = sign.value or 0.0
        for k, by in ((i, way), (other, -way)):
            off = total.against.get(k, (0.0, 0.0))[0]
            if k in total.named() and off * by > 0.0 and abs(off) > PART_OF_TOTAL * abs(by):
                return total
        return whose

    def _other(self, side: Side, i: int) -> int | None:
        """What an instrument is held against; None: the median of all others."""
        return self.comparator.reference if side == "total" else self.comparator.side_references[i]

    def _silent(self, side: Side, i: int) -> bool:
        """Whether nothing of its own can show that an instrument deviates."""
        return i == self.comparator.reference or (
            side != "total" and self.comparator.side_references[i] is None
        )

    def _charge(self, side: Side, other: int, via: int, sign: Sign, whose: Whose | None) -> None:
        shown = -(sign.value or 0.0)
        value = shown if whose is None or side != "total" else whose.against.get(other, (shown, 0.0))[0]
        own = Sign(sign.kind, sign.instrument, sign.side, "over", sign.value, sign.limit, sign.unit)
        own.rests_on = sign.rests_on
        # The mean of the others may lie nearer than the one that shows it most.
        value = value if abs(value) > (sign.limit or 0.0) and value * shown > 0.0 else shown
        self.charged[other, side] = Charge(value, sign.limit or 0.0, via, own)

    def _between_others(self, side: Side, i: int, signs: Mapping[int, Sign]) -> bool:
        """Whether it is undecided between others, one of whom shows it, and surely not `i`."""
        whose = self._inconsistent.get(side)
        if whose is None or not whose.innocent(i):
            return False
        return any(j != i and j in signs and signs[j].signal in ("over", "between") for j in whose.doubtful())

    def _open(self, whose: Whose | None, sign: Sign) -> str:
        """That it can't be told whose a difference is, and why."""
        independent = 0 if whose is None else whose.independent
        few = 0 < independent < LEAST_OPINIONS or len(self.comparator.powered) < LEAST_OPINIONS
        if sign.zone in ("unusual", "undecided") and (few or whose is None or whose.consistent):
            return f", unusual, yet {'both' if few else 'all'} may be within their claims"
        broken = ", beyond both claims" if sign.zone == "broken" else ""
        if few:
            return f"{broken}, two instruments cannot tell which is wrong"
        doubtful = sorted(whose.doubtful(), key=lambda i: -whose.odds[i])[:3] if whose is not None else []
        if len(doubtful) < 2:
            return f"{broken}, whose it is cannot be told yet"
        return f"{broken}, undecided between {', '.join(self.labels[i] for i in doubtful)}"
