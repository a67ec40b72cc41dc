"""What is odd in a way of its own: a spike, a standing value, clipping, a doubled side, a wrong cadence."""

import math

from monitor.compare import MIN_POWER_W
from monitor.faults.seen import Seen
from monitor.faults.sign import SHOWN_S, Sign


class Oddities:
    """Looks at what each instrument shows beside what the others show."""

    def __init__(self, seen: Seen) -> None:
        self.seen = seen
        self.bench = seen.bench
        self.tracks = seen.tracks
        self.comparator = seen.comparator
        self.labels = seen.labels

    def stuck(self, i: int, now_s: float) -> Sign:
        """The same reading again and again, while others move."""
        r, track = self.seen.recent[i], self.tracks[i]
        label = self.labels[i]
        sign = Sign("stuck", label, "total", "below", unit="W")
        power = track.power_w
        if self.seen.heard[i] != "heard" or power is None or power < MIN_POWER_W:
            return sign
        shown_s = r.powers[-1][0] if r.powers else -math.inf
        # Just back from silence it has had no time to show anything new.
        listened_s = now_s - max(shown_s, self.seen.heard_since_s[i])
        if listened_s > 4.0 and self.seen.pedalling_since_s[i] < now_s - 4.0:
            others = [p for p in self.seen.others_between(i, now_s - 4.0, now_s) if p]
            if others:
                sign.signal, since = "over", shown_s
            else:
                return sign
        else:
            usual = max(r.runs, default=1)
            if r.run_n < max(12, 3 * usual) or r.run_w < MIN_POWER_W or now_s - r.run_s < 6.0:
                return sign
            others = [p for p in self.seen.others_between(i, r.run_s, now_s) if len(p) > 4]
            if r.run_w >= r.peak_w and any(max(p) > 1.1 * r.run_w for p in others):
                return sign  # a plateau at its highest while others go higher is clipping
            # One that has never been seen to move may show a held target: then the others must move a lot.
            part = 0.015 if len(r.runs) >= 8 else 0.1
            if not any(max(p) - min(p) > max(4.0, part * r.run_w) for p in others):
                return sign
            sign.signal, since = "over", r.run_s
        sign.value, sign.limit, sign.since_s, sign.cause = power, None, since, "unclear"
        sign.advice = (
            f"{label} has shown {power:.0f} W unchanged for {now_s - since:.0f} s while others move: "
            "spin backwards or wake it; if it stays, reconnect it"
        )
        return sign

    def spike(self, i: int, now_s: float) -> Sign:
        """A reading far out of the line that others don't show; told when its neighbours are known."""
        r = self.seen.recent[i]
        label = self.labels[i]
        if r.candidate is not None and now_s - r.candidate[0] > 2.5:
            at, power, mean = r.candidate
            r.candidate = None
            later = r.between(at + 0.05, at + 2.5)
            back = [p for p in later if (p < 1.3 * mean + 60.0 if power > mean else p > 0.6 * mean)]
            stayed = len(later) - len(back)
            calm = [p for p in self.seen.others_between(i, at - 5.0, at + 2.5) if p]
            quiet = calm and all(
                max(p) < 1.25 * (sum(p) / len(p)) + 60.0 and min(p) > 0.6 * (sum(p) / len(p)) for p in calm
            )
            if back and stayed <= 2 and quiet:
                r.spike, r.spike_s = (power, mean), at
        sign = Sign("spike", label, "total", "below", unit="W")
        if r.spike is not None and now_s - r.spike_s < SHOWN_S:
            power, mean = r.spike
            sign.signal, sign.value, sign.limit, sign.since_s = "over", power, 1.5 * mean + 100.0, r.spike_s
            sign.cause = "unclear"
            sign.advice = (
                f"{label} showed {power:.0f} W for a moment at {mean:.0f} W, the others didn't: "
                "mark it; if it comes again look at cable, magnet and interference"
            )
        return sign

    def clipped(self, i: int, now_s: float) -> Sign:
        """A plateau at its highest reading while others rise."""
        r = self.seen.recent[i]
        label = self.labels[i]
        sign = Sign("clipped", label, "total", "below", unit="W")
        if r.run_n < 4 or r.run_w < r.peak_w or r.run_w < 150.0 or now_s - r.run_s < 1.5 or not r.powers:
            return sign
        if now_s - r.powers[-1][0] > 2.0:
            return sign
        others = [p for p in self.seen.others_between(i, r.run_s - 1.0, now_s) if p]
        above = [max(p) for p in others if max(p) > 1.1 * max(r.run_w, p[0])]
        if others and len(above) == len(others):
            sign.signal, sign.value, sign.limit, sign.since_s = "over", r.run_w, max(above), r.run_s
            sign.cause = "unclear"
            sign.advice = (
                f"{label} stays at {r.run_w:.0f} W, its highest so far, while others rise to "
                f"{max(above):.0f} W: it clips, sprint peaks of it can't be used"
            )
        return sign

    def one_sided(self, i: int, now_s: float) -> Sign:
        """Exactly 50 : 50 for a minute of varying power, or no sides told where the bench says both."""
        r, track = self.seen.recent[i], self.tracks[i]
        label = self.labels[i]
        sign = Sign("one-sided", label, None, "below", 50.0, None, "points", cause="one-side")
        if r.share_even >= 40 and r.powers:
            span_s = r.powers[-1][0] - r.even_s
            varied = r.even_span[1] - r.even_span[0]
            if span_s >= 60.0 and varied > 15.0:
                sign.signal, sign.since_s = "over", r.even_s
                sign.advice = (
                    f"{label} has shown exactly 50 : 50 for {span_s:.0f} s: one side is doubled, the other "
                    "isn't heard; wake and pair the other side"
                )
        elif track.share_s == -math.inf and r.untold >= 60 and r.powers[-1][0] - r.untold_s >= 60.0:
            sign.signal, sign.since_s = "over", r.untold_s
            sign.advice = (
                f"{label} tells no sides though the bench says it has both: the other side isn't heard, or a "
                "setting hides it; wake and pair the other side"
            )
        return sign

    def cadence(self, i: int, cadences: list[float | None], end: int) -> Sign:
        """Mean cadence (rpm) of the last 15 closed seconds against the reference, or the others' median."""
        label = self.labels[i]
        sign = Sign("cadence-off", label, None, None, unit="rpm")
        own = cadences[i]
        named = self.comparator.reference
        reference: float | None
        if named is not None and named != i and cadences[named] is not None:
            reference, name = cadences[named], self.labels[named]
        elif named == i:
            return sign
        else:
            others = sorted(c for j, c in enumerate(cadences) if j != i and c is not None)
            reference = others[len(others) // 2] if others else None
            name = "the others"
        if own is None or reference is None or max(own, reference) < 30.0:
            return sign
        first, last = self.comparator.cadence(end - 15, end - 11), self.comparator.cadence(end - 4, end)
        pairs = [(a, b) for a, b in zip(first, last, strict=True) if a is not None and b is not None]
        if not pairs:
            return sign
        # While cadence changes, an instrument that shows it late differs by lag x change / window.
        change = max(abs(b - a) for a, b in pairs)
        edge = min(change, 60.0) * 3.0 / 15.0
        off = own - reference
        limit = self.bench.limits.cadence_rpm
        sign.value, sign.limit, sign.reference = off, limit, name
        if min(a for pair in pairs for a in pair) < 20.0:
            return sign
        sign.signal = "over" if abs(off) > limit + edge + 0.6 else "below" if abs(off) < limit else "between"
        sign.cause = "placement"
        ratio = own / reference
        twice = 0.47 < ratio < 0.53 or 1.9 < ratio < 2.1
        sign.advice = f"{label} shows {own:.0f} rpm, {name} {reference:.0f} rpm: " + (
            "it counts twice or every other turn, look at magnet and sensor"
            if twice
            else "look at its cadence sensor, magnet or settings"
        )
        return sign
