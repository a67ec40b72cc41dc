"""What is odd in a way of its own: a spike, a standing value, clipping, a doubled side, a wrong cadence."""

import math
from bisect import bisect_left
from dataclasses import dataclass

from monitor.analysis.block import MIN_POWER_W
from monitor.analysis.curve import LEFT, SIDED, WORK
from monitor.finding import Kind
from monitor.live.alarm import Signal
from monitor.live.faults.recent import JUMP_UP, JUMP_UP_W
from monitor.live.faults.seen import EVIDENCE_S, Seen
from monitor.live.faults.sign import SHOWN_S, Sign

STUCK_S = 6.0
HELD_BEFORE_S = 60.0
"""Seconds. A ride file of changes only that held a value so lately may well hold the next one longer."""
"""A reading that stands still for less may be chance."""
EVEN_S = 60.0
"""So long exactly 50 : 50 under varying power, or without sides, is no rider."""


@dataclass(frozen=True, slots=True)
class Turning:
    """Mean cadences of the last 15 seconds (rpm; None: unknown), the known ones sorted, by how much any
    changed from the first to the last four seconds (None: unknown), and the slowest of these means."""

    cadences: list[float | None]
    known: list[float]
    change: float | None
    slowest: float

    def median_without(self, own: float) -> float | None:
        """The upper median of the known cadences but one that is `own`; None if there is no other."""
        others = len(self.known) - 1
        if others < 1:
            return None
        half = others // 2
        return self.known[half if half < bisect_left(self.known, own) else half + 1]


class Oddities:
    """Looks at what each instrument shows beside what the others show."""

    def __init__(self, seen: Seen) -> None:
        self.seen = seen
        self.bench = seen.bench
        self.tracks = seen.tracks
        self.comparator = seen.comparator
        self.labels = seen.labels

    def _calm(self, kind: Kind, label: str) -> Sign | None:
        """Nothing odd; that need only be said where something was."""
        if (kind, label, "total") in self.seen.standing:
            return Sign(kind, label, "total", "below", unit="W")
        return None

    def stuck(self, i: int, now_s: float) -> Sign | None:
        """The same reading again and again, while others move."""
        r, track = self.seen.recent[i], self.tracks[i]
        label = self.labels[i]
        power = track.power_w
        silent = self.seen.heard[i] != "heard" or now_s - track.heard_s > EVIDENCE_S
        held = now_s - track.held_s < HELD_BEFORE_S
        if silent or held or power is None or power < MIN_POWER_W:
            return self._calm("stuck", label)
        shown_s = r.powers[-1][0] if r.powers else -math.inf
        # Just back from silence, or from a link that broke off, it has had no time to show anything new.
        listened_s = now_s - max(shown_s, self.seen.heard_since_s[i], self.seen.linked_s[i])
        if listened_s > 4.0 and self.seen.pedalling_since_s[i] < now_s - 4.0:
            others = [p for p in self.seen.others_between(i, now_s - 4.0, now_s) if p]
            if not others:
                return self._calm("stuck", label)
            since = shown_s
        else:
            if r.runs.n < 16 or r.runs.value_w < MIN_POWER_W or now_s - r.runs.since_s < STUCK_S:
                return self._calm("stuck", label)
            usual = r.runs.usual
            if r.runs.n < 3 * usual:
                return self._calm("stuck", label)
            others = [p for p in self.seen.others_between(i, r.runs.since_s, now_s) if len(p) > 4]
            if r.runs.value_w >= r.runs.peak_w and any(max(p) > 1.1 * r.runs.value_w for p in others):
                # A plateau at its highest while others go higher is clipping.
                return self._calm("stuck", label)
            # One that has never been seen to move may show a held target: then the others must move a lot.
            part = 0.03 if len(r.runs.past) >= 8 else 0.1
            # At the start of a run it may be by chance: their own scatter is no movement. Much later
            # it isn't, whatever they do.
            long = r.runs.n >= max(32, 6 * usual)
            if long and len(r.runs.past) >= 8:
                part = 0.015
            if not any(_moved(p, long) > max(4.0, part * r.runs.value_w) for p in others):
                return self._calm("stuck", label)
            since = r.runs.since_s
        return Sign(
            "stuck",
            label,
            "total",
            "over",
            value=now_s - since,
            limit=STUCK_S,
            unit="s",
            since_s=since,
            cause="unclear",
            what=f"{label} reported {power:.0f} W unchanged for {now_s - since:.0f} s while others changed",
            do="pedal backwards or wake it, and reconnect it if that does not help",
        )

    def spike(self, i: int, now_s: float) -> Sign | None:
        """A reading far out of the line that others don't show; told when its neighbours are known."""
        r = self.seen.recent[i]
        label = self.labels[i]
        jumps = r.jumps
        if jumps.candidate is not None and now_s - jumps.candidate.t_s > 2.5:
            jump, jumps.candidate = jumps.candidate, None
            at, power, mean = jump.t_s, jump.power_w, jump.mean_w
            later = r.between(at + 0.05, at + 2.5)
            back = [p for p in later if (p < 1.3 * mean + 60.0 if power > mean else p > 0.6 * mean)]
            stayed = len(later) - len(back)
            calm = [p for p in self.seen.others_between(i, at - 5.0, at + 2.5) if p]
            quiet = calm and all(
                max(p) < 1.25 * (sum(p) / len(p)) + 60.0 and min(p) > 0.6 * (sum(p) / len(p)) for p in calm
            )
            if back and stayed <= 2 and quiet:
                jumps.spike = jump
        if jumps.spike is None or now_s - jumps.spike.t_s >= SHOWN_S:
            return self._calm("spike", label)
        power, mean = jumps.spike.power_w, jumps.spike.mean_w
        return Sign(
            "spike",
            label,
            "total",
            "over",
            value=power,
            limit=JUMP_UP * mean + JUMP_UP_W,
            unit="W",
            since_s=jumps.spike.t_s,
            cause="unclear",
            what=f"{label} reported {power:.0f} W for a moment at {mean:.0f} W, the others did not",
            do="mark it, and check cable, magnet and interference if it comes again",
        )

    def clipped(self, i: int, now_s: float) -> Sign | None:
        """A plateau at its highest reading while others rise."""
        r = self.seen.recent[i]
        label = self.labels[i]
        if (
            r.runs.n < 4
            or r.runs.value_w < r.runs.peak_w
            or r.runs.value_w < 150.0
            or now_s - r.runs.since_s < 1.5
            or not r.powers
        ):
            return self._calm("clipped", label)
        # One that shows each value several times may only be late.
        if now_s - r.powers[-1][0] > 2.0 or r.runs.n <= r.runs.usual:
            return self._calm("clipped", label)
        others = [p for p in self.seen.others_between(i, r.runs.since_s - 1.0, now_s) if p]
        above = [max(p) for p in others if max(p) > 1.1 * max(r.runs.value_w, p[0])]
        if not others or len(above) != len(others):
            return self._calm("clipped", label)
        return Sign(
            "clipped",
            label,
            "total",
            "over",
            value=r.runs.value_w,
            limit=max(above),
            unit="W",
            since_s=r.runs.since_s,
            cause="unclear",
            what=f"{label} cuts off at {r.runs.value_w:.0f} W, its highest so far, while others rise to "
            f"{max(above):.0f} W, so its sprint peaks can't be used",
            do="check its range and firmware, ask the maker",
        )

    def one_sided(self, i: int, now_s: float) -> Sign | None:
        """Exactly 50 : 50 for a minute of varying power, or no sides told where the bench says both."""
        r, track = self.seen.recent[i], self.tracks[i]
        label = self.labels[i]
        since, what, do = None, "", ""
        if r.shares.even >= 40 and r.powers:
            span_s = r.powers[-1][0] - r.shares.even_since_s
            varied = r.shares.high_w - r.shares.low_w
            if span_s >= EVEN_S and varied > 15.0 and span_s >= EVEN_S * self._even_times(i):
                since = r.shares.even_since_s
                what = f"{label} has reported exactly 50 : 50 for {span_s:.0f} s, so one side is doubled"
                do = "wake and pair the other side"
        elif (
            track.share_s == -math.inf
            and r.shares.none >= 60
            and r.powers[-1][0] - r.shares.none_since_s >= EVEN_S
        ):
            since = r.shares.none_since_s
            what = f"{label} reports no sides though the bench says it has both"
            do = "wake and pair the other side, and check the settings for it"
        if since is None and ("one-sided", label, None) not in self.seen.standing:
            return None
        signal: Signal = "below" if since is None else "over"
        value = 0.0 if since is None else r.powers[-1][0] - since
        return Sign("one-sided", label, None, signal, value, EVEN_S, "s", None, since, "one-side", what, do)

    def _even_times(self, i: int) -> float:
        """How many times EVEN_S an even share must last to be no chance, since some riders are even.

        Once where another instrument shows that this one isn't; without one the longer the coarser
        the share is told.
        """
        end = self.comparator.ring.end
        rows: list[list[float]] = self.comparator.ring.window(max(0, end - int(EVEN_S)), end).tolist()
        others = [
            row[LEFT] / row[WORK]
            for j, row in enumerate(rows)
            if j != i and row[SIDED] > 0.8 * EVEN_S and row[WORK] > 0.0
        ]
        if others:
            return 1.0 if any(abs(share - 0.5) > 0.01 for share in others) else math.inf
        return 4.0 if self.tracks[i].share_step > 0.005 else 1.5

    def turning(self, end: int) -> Turning | None:
        """How all turned in the 15 closed seconds before `end`; None if there are fewer."""
        # Revolutions of a stop and of getting going again are told in too many ways to be compared.
        coasted = self.comparator.pedalled_since - 5 > end - 15 and self.comparator.powered
        if end < 15 or coasted:
            return None
        cadences, first, last = self.comparator.cadences(
            (end - 15, end), (end - 15, end - 11), (end - 4, end)
        )
        pairs = [(a, b) for a, b in zip(first, last, strict=True) if a is not None and b is not None]
        return Turning(
            cadences,
            sorted(c for c in cadences if c is not None),
            max(abs(b - a) for a, b in pairs) if pairs else None,
            min((a for pair in pairs for a in pair), default=0.0),
        )

    def cadence(self, i: int, turning: Turning) -> Sign | None:
        """Mean cadence (rpm) of the last 15 closed seconds against the reference, or the others' median."""
        label = self.labels[i]
        standing = ("cadence-off", label, None) in self.seen.standing
        own = turning.cadences[i]
        named = self.comparator.reference
        if named == i:
            return Sign("cadence-off", label, None, None, unit="rpm") if standing else None
        reference, name = None, "the others"
        if named is not None and turning.cadences[named] is not None:
            reference, name = turning.cadences[named], self.labels[named]
        elif own is not None:
            reference = turning.median_without(own)
        if own is None or reference is None or turning.change is None or max(own, reference) < 30.0:
            return Sign("cadence-off", label, None, None, unit="rpm") if standing else None
        # While cadence changes, an instrument that shows it late differs by lag x change / window.
        edge = min(turning.change, 60.0) * 3.0 / 15.0
        off = own - reference
        limit = self.bench.limits.cadence_rpm
        signal: Signal = None
        if turning.slowest >= 20.0:
            signal = "over" if abs(off) > limit + edge + 0.6 else "below" if abs(off) < limit else "between"
        if signal != "over" and not standing:
            return None
        ratio = own / reference
        twice = 0.47 < ratio < 0.53 or 1.9 < ratio < 2.1
        return Sign(
            "cadence-off",
            label,
            None,
            signal,
            value=off,
            limit=limit,
            unit="rpm",
            reference=name,
            cause=None if signal is None else "placement",
            what=f"{label} reports {own:.0f} rpm, {name} {reference:.0f} rpm"
            + (", it counts twice or every other turn" if twice else ""),
            do=f"check {'its magnet and sensor' if twice else 'its cadence sensor, magnet and settings'}",
        )


def _moved(powers: list[float], raw: bool) -> float:
    """By how much readings (W) moved: the span of the means of their thirds, or of all of them if `raw`."""
    n = len(powers) // 3
    if raw or not n:
        return max(powers) - min(powers)
    means = [sum(part) / len(part) for part in (powers[:n], powers[n:-n], powers[-n:])]
    return max(means) - min(means)
