"""Power, sides and balance beyond their tolerance, since when, and why."""

import math
from collections.abc import Iterator

from monitor.analysis.block import Block
from monitor.analysis.diagnose import Diagnosis, attribute, diagnose
from monitor.finding import Side
from monitor.live.faults.change import Changes
from monitor.live.faults.seen import Seen
from monitor.live.faults.sign import Sign
from monitor.live.pair import Pair, Window

SIDE_SIGMA = {10: 6.0, 20: 3.6, 25: 3.2, 30: 3.0, 50: 2.75}
SIGMA = {10: 3.6, 20: 3.0, 25: 2.8, 30: 2.7, 50: 2.5}
"""Standard deviations of scatter that must lie between a deviation and its limit, by window length.
Windows are looked at every second; an instrument whose true deviation is half its limit is never
raised by chance, one exactly at its limit now and then."""
SYSTEMATIC = 1.65
"""The same for the uncertainty of the expected drivetrain loss, which looking again doesn't change."""


class Deviation:
    """Holds the windows of each instrument against its tolerance and says what kind of error it is."""

    def __init__(self, seen: Seen, changes: Changes) -> None:
        self.seen = seen
        self.bench = seen.bench
        self.tracks = seen.tracks
        self.comparator = seen.comparator
        self.labels = seen.labels
        self.changes = changes
        self.onsets: dict[tuple[int, Side], float] = {}
        """Since when a deviation has been over its limit: the blocks from there on tell its cause."""
        self.diagnoses: dict[tuple[int, Side], Diagnosis] = {}
        self._over: set[int] = set()
        """Instruments of which any sign was over once."""
        self._shares: dict[int, tuple[int, float, float, bool] | None] = {}
        """From the last blocks of each instrument: their end, both left shares (%), whether mirrored."""

    def signs(self, i: int, pair: Pair, now_s: float, end: int) -> Iterator[Sign]:
        """`power-off`, and where sides are told `side-off`, `balance-off` and `sides-swapped`."""
        if i not in self._over and (not pair.windows or self._quiet(i, pair)):
            return
        label = self.labels[i]
        power = Sign("power-off", label, "total", None, unit="%", reference=self.bench.reference)
        sides: dict[Side, Sign] = {
            "left": Sign("side-off", label, "left", None, unit="%"),
            "right": Sign("side-off", label, "right", None, unit="%"),
        }
        balance = Sign("balance-off", label, None, None, unit="points")
        swapped = Sign("sides-swapped", label, None, None, unit="points")
        windows = pair.windows
        instrument = self.bench.instruments[i]
        side = self.comparator.side_references[i]
        if windows:
            one_sided = instrument.sides in ("left", "right")
            if not one_sided:
                self._judge_total(power, pair, label)
            elif side is None:
                # Twice one side against a whole: nobody can say how much of it is the rider.
                self._judge_total(power, pair, label, 5.0)
            if side is not None and instrument.sides != "total":
                for sign in sides.values():
                    sign.reference = self.labels[side]
                self._judge_sides(sides, pair, label)
                self._judge_balance(balance, windows, label, self.labels[side])
                self._judge_swapped(swapped, i, pair, label, self.labels[side])
                put_right = self.seen.swapped[i] and swapped.signal == "below"
                self.seen.swapped[i] = swapped.signal == "over" or (self.seen.swapped[i] and not put_right)
                self.seen.sides_wrong[i] = swapped.signal == "over" or self._untold(i)
                if swapped.signal == "over":
                    for sign in (*sides.values(), balance):
                        sign.signal = "below"
                elif put_right:
                    # Its pedals were put right: what it showed before says nothing of its sides.
                    pair.reset(end)
                    for sign in (power, *sides.values(), balance):
                        sign.signal = None
                elif swapped.signal is None and _looks_swapped(windows[max(windows)]):
                    # Before the blocks can tell, mirrored sides are not yet sides that lean.
                    for sign in (*sides.values(), balance):
                        sign.signal = "between" if sign.signal == "over" else sign.signal
        if "over" in (
            power.signal,
            sides["left"].signal,
            sides["right"].signal,
            balance.signal,
            swapped.signal,
        ):
            self._over.add(i)
        for sign in (power, *sides.values()):
            self._explain(sign, i, pair, now_s, end)
        yield power
        if instrument.sides != "total":
            yield from sides.values()
            yield balance
            yield swapped

    def _quiet(self, i: int, pair: Pair) -> bool:
        """Whether all windows and shares of an instrument are such that no sign of it can be over."""
        points = self.bench.limits.balance_points
        windows = pair.windows
        shown = windows.get(30) or windows[max(windows)]
        for w in windows.values():
            own, theirs = w.balance, w.balance_reference
            side = max(abs(w.left or 0.0), abs(w.right or 0.0))
            if (
                abs(w.deviation) > (w.claim if w is shown else w.limit)
                or side > (w.side_claim if w is shown else w.side_limit)
                or (own is not None and theirs is not None and abs(own - theirs) > points)
            ):
                return False
        if self.comparator.side_references[i] is not None and self.bench.instruments[i].sides != "total":
            shares = self._newest_shares(i, pair)
            if shares is not None and shares[3]:
                return False
            self.seen.sides_wrong[i] = self._untold(i)
        return True

    def _untold(self, i: int) -> bool:
        """Whether an instrument tells no sides of its own: none at all, or always one half."""
        return self.seen.recent[i].share_even >= 40 or self.tracks[i].share_s == -math.inf

    def _explain(self, sign: Sign, i: int, pair: Pair, now_s: float, end: int) -> None:
        """Since when, and why, as far as the blocks since then tell."""
        side = sign.side or "total"
        key = (i, side)
        if side == "total":
            leaning = self.comparator.leaning
            if sign.signal == ("below" if i in leaning else "over"):
                leaning ^= {i}
                if self.comparator.reference is None:
                    self.changes.consensus_changed(i)
        if sign.signal == "below":
            self.onsets.pop(key, None)
            self.diagnoses.pop(key, None)
        if sign.signal != "over" and key not in self.onsets:
            return
        if key not in self.onsets:
            self.onsets[key] = self._since(pair, sign, now_s)
        onset = sign.since_s = self.onsets[key]
        if end % 10 == 0 or key not in self.diagnoses:
            # If one explanation fits all that was ridden since the last change, the more torques
            # the better; if none does, the fault began at its onset and only that tells.
            begin = max([pair.reset_s, *(x.since_s for x in self.changes.shifts[i].found[-1:])])
            every = [b for b in pair.blocks if b.begin_s >= begin]
            since = [b for b in every if b.begin_s >= onset - 1.0]
            noise = {"total": pair.noise, "left": pair.noise_left, "right": pair.noise_right}[side]
            loss_w = 0.0
            if side == "total":
                reference = self.comparator.reference
                pairing = [i] if reference is None else [i, reference]
                loss_w = max(self.comparator.losses[j].watts for j in pairing)
            found = self._setting(i, sign) or self._one_side(sign, i, since)
            if found is None:
                found = diagnose(every, side, noise.sd, loss_w)
                if found.cause == "unclear" and len(since) < len(every):
                    found = diagnose(since, side, noise.sd, loss_w)
            self.diagnoses[key] = found
        found = self.diagnoses[key]
        if not sign.what:
            # It agrees just now: there is nothing that this would be the cause of.
            return
        sign.cause = found.cause
        sign.do = found.ride or found.cure
        if found.cause != "unclear":
            # What isn't known yet would not stay true.
            sign.what += f", {found.why}"
        if side != "total":
            return
        trial = self.changes.zeros.get(i)
        if trial is not None and sign.signal == "over":
            sign.what += trial.text([b.y for b in pair.blocks if b.begin_s >= trial.at_s])
        if sign.signal == "over" and self._reference_alone(i):
            sign.cause = "unclear"
            sign.what = (
                f"all others agree with one another and differ from {self.bench.reference} by "
                f"{sign.value or 0.0:+.1f} %"
            )
            sign.do = f"look at {self.bench.reference} first"

    def _reference_alone(self, i: int) -> bool:
        """Whether two or more others lean from the named reference alike, and agree among themselves."""
        if self.comparator.reference is None or len(self.comparator.pairs) < 2:
            return False
        leans = []
        for pair in self.comparator.pairs.values():
            if not pair.windows:
                return False
            w = pair.windows[max(n for n in pair.windows if n <= 30)]
            if abs(w.deviation) <= w.limit:
                return False
            leans.append((w.deviation, w.limit))
        values = [d for d, _ in leans]
        return max(values) - min(values) <= min(limit for _, limit in leans)

    def _setting(self, i: int, sign: Sign) -> Diagnosis | None:
        """A deviation that the crank length set in the instrument explains."""
        mounted = self.bench.instruments[i].crank_length_mm
        told = self.seen.facts[i].get("crank_length_mm")
        if mounted is None or not isinstance(told, float) or abs(told - mounted) < 0.4 or sign.value is None:
            return None
        percent = 100.0 * (told / mounted - 1.0)
        if abs(sign.value - percent) > max(0.5 * (sign.limit or 0.0), 0.4 * abs(percent)):
            return None
        return Diagnosis(
            "setting",
            f"it is set to {told:g} mm cranks where {mounted:g} mm are mounted, which makes {percent:+.1f} %",
            cure=f"set {mounted:g} mm",
        )

    def _one_side(self, sign: Sign, i: int, blocks: list[Block]) -> Diagnosis | None:
        """A deviation of the total that one side explains."""
        if sign.side != "total" or self.bench.instruments[i].sides != "both":
            return None
        split = attribute(blocks)
        if split is None or split.side is None:
            return None
        own, half = (
            (split.left_w, split.u95_left_w) if split.side == "left" else (split.right_w, split.u95_right_w)
        )
        return Diagnosis(
            "one-side",
            f"of which the {split.side} side makes {own:+.0f} W (± {half:.0f} W) of "
            f"{split.left_w + split.right_w:+.0f} W",
            cure=f"check how the {split.side} side is mounted, zero it and ride the block again",
        )

    def _judge_total(self, sign: Sign, pair: Pair, label: str, more: float = 0.0) -> None:
        sign.signal = "between"
        windows = pair.windows
        if any(r.candidate is not None for r in self.seen.recent):
            # Something jumped just now: first see whether it was a spike.
            return
        if self.comparator.reference is None and not self._leans_most(pair):
            return
        for length, w in windows.items():
            over = abs(w.deviation) - w.limit - more - w.edge
            if over > SIGMA.get(length, 3.5) * math.hypot(w.u, w.u_lag) + SYSTEMATIC * w.u_loss:
                sign.signal = "over"
                self._tell(sign, w, label, w.limit + more, True)
        if sign.signal == "over":
            return
        shown = windows.get(30) or windows[max(windows)]
        leans = abs(shown.deviation) > shown.claim + more
        self._tell(sign, shown, label, shown.limit + more, leans)
        if not leans and shown.end_s - shown.begin_s >= 30:
            sign.signal = "below"
        verdict = pair.verdict
        if leans and verdict.n >= 4:
            # What no window alone can tell, all blocks since the last change may.
            mean = 100.0 * math.expm1(verdict.mean)
            doubt = 100.0 * verdict.u_alarm(0.5 * pair.noise.prior) + SYSTEMATIC * shown.u_loss
            if abs(mean) - shown.limit - more > doubt:
                sign.signal = "over"

    def _leans_most(self, pair: Pair) -> bool:
        """Against a consensus one that leans makes the others lean too, by less: who leans most is it."""

        def lean(p: Pair) -> float:
            return abs(p.windows[max(n for n in p.windows if n <= 30)].deviation) if p.windows else 0.0

        others = [
            lean(p)
            for j, p in self.comparator.pairs.items()
            if p is not pair and j not in self.comparator.leaning
        ]
        return lean(pair) >= max(others, default=0.0)

    def _tell(self, sign: Sign, w: Window, label: str, limit: float, words: bool) -> None:
        """What the window shows; in words only where it may be raised."""
        sign.value, sign.limit = w.deviation, limit
        if not words:
            return
        way = "above" if w.deviation > 0.0 else "below"
        sign.what = (
            f"{label} reads {abs(w.deviation):.1f} % {way} {sign.reference} at {w.power_w:.0f} W "
            f"(limit {limit:.1f} %)"
        )

    def _judge_sides(self, sides: dict[Side, Sign], pair: Pair, label: str) -> None:
        windows = pair.windows
        for side, sign in sides.items():
            seen = [(n, w) for n, w in windows.items() if self._of(w, side) is not None]
            if not seen:
                continue
            sign.signal = "between"
            for length, w in seen:
                own, u = self._of(w, side) or 0.0, w.u_left if side == "left" else w.u_right
                if abs(own) <= w.side_limit:
                    continue
                other = self._of(w, "right" if side == "left" else "left")
                # A side is named only if it stands out from the other one: when both lean
                # alike it is the total that leans.
                apart = other is None or abs(own - other) > max(w.side_limit, 0.5 * abs(own), 2.5 * u)
                doubt = SIDE_SIGMA.get(length, 3.5) * math.hypot(u, w.u_side_lag)
                far = abs(own) - w.side_limit - w.side_edge > doubt
                if far and apart and (other is None or abs(own) > abs(other)):
                    sign.signal = "over"
                    self._tell_side(sign, w, side, own, label, True)
            if sign.signal != "over":
                w = dict(seen).get(30) or seen[-1][1]
                own = self._of(w, side) or 0.0
                other = self._of(w, "right" if side == "left" else "left")
                leans = abs(own) > w.side_claim
                self._tell_side(sign, w, side, own, label, leans)
                if not leans and w.end_s - w.begin_s >= 30:
                    sign.signal = "below"
                verdict, noise = (
                    (pair.verdict_left, pair.noise_left)
                    if side == "left"
                    else (pair.verdict_right, pair.noise_right)
                )
                apart = other is None or abs(own - other) > max(w.side_limit, 0.5 * abs(own))
                if leans and apart and verdict.n >= 4 and (other is None or abs(own) > abs(other)):
                    mean = 100.0 * math.expm1(verdict.mean)
                    doubt = 100.0 * verdict.u_alarm(0.5 * noise.prior)
                    if abs(mean) - w.side_limit > doubt:
                        sign.signal = "over"

    @staticmethod
    def _of(w: Window, side: Side) -> float | None:
        return w.left if side == "left" else w.right

    def _tell_side(self, sign: Sign, w: Window, side: Side, own: float, label: str, words: bool) -> None:
        sign.value, sign.limit = own, w.side_limit
        if not words:
            return
        watts = (w.left_w if side == "left" else w.right_w) or 0.0
        delta_w = watts - watts / (1.0 + own / 100.0) if own > -100.0 else -watts
        sign.what = f"{label} {side} side {delta_w:+.0f} W ({own:+.1f} %) against {sign.reference}"

    def _judge_balance(self, sign: Sign, windows: dict[int, Window], label: str, reference: str) -> None:
        lengths = [n for n in windows if 20 <= n <= 60]
        w = windows[min(lengths, key=lambda n: abs(n - 30))] if lengths else None
        if w is None or w.balance is None or w.balance_reference is None:
            return
        off = w.balance - w.balance_reference
        limit = self.bench.limits.balance_points
        sign.value, sign.limit, sign.reference = off, limit, reference
        if abs(off) - limit > 4.0 * w.u_balance:
            sign.signal = "over"
        else:
            sign.signal = "below" if abs(off) < limit else "between"
        sign.cause = "one-side"
        if sign.signal == "over":
            sign.what = (
                f"{label} reports {w.balance:.1f} % on the left, {reference} {w.balance_reference:.1f} %"
            )
            sign.do = "zero both sides, check whether one pedal is loose"

    def _judge_swapped(self, sign: Sign, i: int, pair: Pair, label: str, reference: str) -> None:
        shares = self._newest_shares(i, pair)
        if shares is None:
            return
        _, own, theirs, mirrored = shares
        sign.signal = "over" if mirrored else "below"
        sign.value, sign.limit, sign.reference, sign.cause = own, theirs, reference, "setting"
        if mirrored:
            sign.what = (
                f"{label} reports left {own:.1f} % where {reference} reports right {100.0 - theirs:.1f} %, "
                "so its sides are swapped"
            )
            sign.do = "pair the pedals to their own sides"

    def _newest_shares(self, i: int, pair: Pair) -> tuple[int, float, float, bool] | None:
        if not pair.blocks:
            return None
        shares = self._shares.get(i)
        if shares is None or shares[0] != pair.blocks[-1].end_s:
            shares = self._shares[i] = _shares(pair)
        return shares

    def _since(self, pair: Pair, sign: Sign, now_s: float) -> float:
        """When the deviation began: back over the blocks, as long as three together lean its way."""
        value = sign.value or 0.0
        way = 1.0 if value > 0.0 else -1.0
        # An offset leans less at high torque: a third of the deviation is enough to go on.
        enough = 0.3 * abs(math.log1p(max(-0.9, value / 100.0)))
        since = float(pair.windows[min(pair.windows)].begin_s) if pair.windows else now_s
        leans = [
            (b.end_s, way * y)
            for b in pair.blocks
            if b.end_s <= since
            and b.begin_s >= pair.reset_s
            and (y := b.y if sign.side == "total" else b.y_left if sign.side == "left" else b.y_right)
            is not None
        ]
        for k in range(len(leans) - 1, -1, -1):
            three = leans[max(0, k - 2) : k + 1]
            if sum(y for _, y in three) / len(three) < enough:
                break
            since = leans[k][0] - 10.0
        return min(since, now_s)


def _shares(pair: Pair) -> tuple[int, float, float, bool] | None:
    """End of the last block, left shares (percent) of both over the last six, and whether they are mirrored;
    None while they can't tell."""
    last = [pair.blocks[k] for k in range(-min(6, len(pair.blocks)), 0)]
    blocks = [b for b in last if b.left_w and b.right_w and b.left_reference_w]
    if len(blocks) < 4:
        return None
    own = _balance([(b.left_w or 0.0, b.right_w or 0.0) for b in blocks])
    theirs = _balance([(b.left_reference_w or 0.0, b.right_reference_w or 0.0) for b in blocks])
    total = 100.0 * math.expm1(math.fsum(b.y for b in blocks) / len(blocks))
    return last[-1].end_s, own, theirs, _mirrored(own, theirs, total, pair.limit)


def _mirrored(own: float, theirs: float, deviation: float, limit: float) -> bool:
    """Left shares (percent) that mirror each other under an honest total.

    An error of one side would show in the total.
    """
    lean = theirs - 50.0
    apart = abs(lean) >= 1.2 and abs(own - theirs) > 2.0
    return apart and abs(deviation) < 0.7 * limit and abs(own + theirs - 100.0) < 0.35 * abs(lean) + 0.3


def _looks_swapped(w: Window) -> bool:
    known = w.balance is not None and w.balance_reference is not None
    return known and _mirrored(w.balance or 0.0, w.balance_reference or 0.0, w.deviation, w.limit)


def _balance(pairs: list[tuple[float, float]]) -> float:
    """Work-weighted left share, percent: the ratio of sums, not the mean of ratios."""
    left = math.fsum(p[0] for p in pairs)
    both = left + math.fsum(p[1] for p in pairs)
    return 100.0 * left / both if both else 50.0
