"""Power, sides and balance beyond their tolerance, since when, and why."""

import math
from collections.abc import Iterator

from monitor.analysis.diagnose import Diagnosis
from monitor.finding import Side
from monitor.live.faults.compared.balance import judge_balance
from monitor.live.faults.compared.cause import Causes
from monitor.live.faults.compared.change import Changes
from monitor.live.faults.compared.quantity import SIDE_SIGMA, SIGMA
from monitor.live.faults.compared.sides import judge_side
from monitor.live.faults.compared.swap import Swap, looks_swapped
from monitor.live.faults.compared.total import Total
from monitor.live.faults.seen import Key, Seen
from monitor.live.faults.sign import Sign
from monitor.live.pair import Pair
from monitor.live.who.charge import Charges
from monitor.live.who.opinions import Opinions

LEAST_SIGMA, LEAST_SIDE_SIGMA = 0.99 * min(SIGMA.values()), 0.99 * min(SIDE_SIGMA.values())
"""No sign is over with less scatter between a deviation and its limit; a little less, for rounding."""
QUANTITIES: tuple[Side, ...] = ("total", "left", "right")


class Deviation:
    """Holds the windows of each instrument against its tolerance and says what kind of error it is."""

    def __init__(self, seen: Seen, changes: Changes, opinions: Opinions) -> None:
        self.seen = seen
        self.bench = seen.bench
        self.comparator = seen.comparator
        self.labels = seen.labels
        self.total = Total(seen)
        self.swap = Swap(seen)
        self.causes = Causes(seen, changes)
        self.charges = Charges(seen.comparator, opinions)
        self._ready: dict[int, tuple[Sign, Sign, Sign, Sign, Sign]] = {}
        """What each instrument shows at this second; those that show nothing are left out."""
        self._chargeable: dict[int, list[tuple[Side, Key]]] = {
            i: [
                (side, ("power-off" if side == "total" else "side-off", self.labels[i], side))
                for side in QUANTITIES
                if not (i in seen.comparator.pairs if side == "total" else self._sided(i))
            ]
            for i in seen.comparator.side_references
        }
        """In which quantities each is compared with nobody, and shows only in the comparisons of others."""
        self._over: set[int] = set()
        """Instruments of which any sign was over once."""

    @property
    def diagnoses(self) -> dict[tuple[int, Side], Diagnosis]:
        """What explains the deviation of an instrument or a side of it, as far as is known."""
        return self.causes.diagnoses

    def settle(self, end: int) -> None:
        """Look at all instruments at the common time `end`, and find out whose each deviation is."""
        ready = self._ready
        ready.clear()
        loud = [
            (i, pair)
            for i, pair in self.comparator.pairs.items()
            if i in self._over or (pair.windows and not self._quiet(i, pair))
        ]
        if not self.charges.open and all(i not in self._over and self._below(i, pair) for i, pair in loud):
            return
        for i, pair in loud:
            label = self.labels[i]
            power = self.total.sign(i, pair)
            left = Sign("side-off", label, "left", None, unit="%")
            right = Sign("side-off", label, "right", None, unit="%")
            balance = Sign("balance-off", label, None, None, unit="points")
            swapped = Sign("sides-swapped", label, None, None, unit="points")
            ready[i] = (power, left, right, balance, swapped)
            if pair.windows and self._sided(i):
                self._judge_sides(i, pair, end, ready[i])
            if any(sign.signal == "over" for sign in ready[i]):
                self._over.add(i)
        for place, side in enumerate(QUANTITIES):
            self.charges.settle(side, {i: every[place] for i, every in ready.items()})

    def signs(self, i: int, pair: Pair, now_s: float, end: int) -> Iterator[Sign]:
        """`power-off`, and where sides are told `side-off`, `balance-off` and `sides-swapped`."""
        every = self._ready.get(i)
        if every is None:
            return
        power, left, right, *_ = every
        for sign in (power, left, right):
            self.causes.explain(sign, i, pair, now_s, end)
        if self.bench.instruments[i].sides == "total":
            yield power
            return
        # Sides that are held against nobody's show only in the comparisons of others with them.
        yield from (sign for sign in every if sign.kind != "side-off" or self._sided(i))

    def charged(self, i: int, now_s: float, end: int) -> Iterator[Sign]:
        """What belongs to instrument `i` though it shows only in the comparisons of others with it."""
        for side, key in self._chargeable.get(i, ()):
            charge = self.charges.charged.get((i, side))
            if charge is not None:
                yield self.causes.charge(i, side, charge, now_s, end)
            elif key in self.seen.standing:
                self.causes.forget(i, side)
                yield Sign(key[0], self.labels[i], side, "below", 0.0, unit="%")

    def _sided(self, i: int) -> bool:
        """Whether the sides of an instrument are held against those of another."""
        return self.comparator.side_references[i] is not None and self.bench.instruments[i].sides != "total"

    def _judge_sides(self, i: int, pair: Pair, end: int, signs: tuple[Sign, Sign, Sign, Sign, Sign]) -> None:
        """Both sides, the balance, and whether all that is only a swap."""
        power, left, right, balance, swapped = signs
        reference = self.labels[self.comparator.side_references[i] or 0]
        left.reference = right.reference = reference
        rounding = self._rounding(i)
        judge_side(left, "left", pair, rounding)
        judge_side(right, "right", pair, rounding)
        judge_balance(balance, pair, self.bench.limits.balance_points, reference)
        put_right = self.swap.judge(swapped, i, pair, reference)
        if self.seen.doubled[i]:
            # It has one side only: what the other one seems to read is the rider's own balance.
            for sign in (left, right, balance):
                sign.signal = "below"
                sign.cleared = f"{sign.instrument} counts one side twice: its sides say nothing"
        elif self._other_apart(i):
            # It is the other one's balance that may be wrong.
            balance.signal = "below"
            balance.cleared = f"{balance.instrument} agrees with the others, {reference} stands apart"
        if self.swap.sure(i):
            for sign in (left, right, balance):
                sign.signal = "below"
        elif put_right:
            # Its pedals were put right: what it showed before says nothing of its sides.
            pair.reset(end)
            for sign in (power, left, right, balance):
                sign.signal = None
        elif self.swap.maybe(i) or (
            swapped.signal is None and looks_swapped(pair.windows[max(pair.windows)])
        ):
            # Before another stretch can tell, mirrored sides are not yet sides that lean.
            for sign in (left, right, balance):
                sign.signal = "between" if sign.signal == "over" else sign.signal

    def _rounding(self, i: int) -> float:
        """What the steps of the shares of `i` and of its side reference leave open of a side, percent."""
        two = (i, self.comparator.side_references[i])
        return math.hypot(
            *(
                self.seen.recent[j].shares.rounding_percent(self.seen.tracks[j].share_step)
                for j in two
                if j is not None and self.bench.instruments[j].sides == "both"
            )
        )

    def _other_apart(self, i: int) -> bool:
        """Whether what the sides of `i` are held against stands apart from all others, and `i` does not."""
        j, apart = self.comparator.side_references[i], self.charges.apart.values()
        return any(j in who for who in apart) and not any(i in who for who in apart)

    def _below(self, i: int, pair: Pair) -> bool:
        """Whether no sign of an instrument can be over, though some window lies beyond its limits: by less
        than the scatter that any sign takes."""
        shown, points = pair.shown, self.bench.limits.balance_points
        for w in pair.windows.values():
            if shown is None or (w.left is None, w.right is None) != (
                shown.left is None,
                shown.right is None,
            ):
                # Another window than the shown one decides for the sides.
                return False
            if not (
                w.within(True, points) if w is shown else w.within_scatter(LEAST_SIGMA, LEAST_SIDE_SIGMA)
            ):
                return False
        return self._sides_stand(i, pair)

    def _sides_stand(self, i: int, pair: Pair) -> bool:
        """Whether the shares of an instrument do not mirror those of another; notes whether they are told."""
        if self._sided(i):
            shares = self.swap.newest(i, pair)
            if shares is not None and shares.mirrored:
                return False
            self.seen.sides_wrong[i] = self.swap.reports_none(i)
        return True

    def _quiet(self, i: int, pair: Pair) -> bool:
        """Whether all windows and shares of an instrument are such that no sign of it can be over."""
        points = self.bench.limits.balance_points
        shown = pair.shown
        for w in pair.windows.values():
            if not w.within(w is shown, points):
                return False
        return self._sides_stand(i, pair)
