"""Detectors: each looks at what the bench has shown and says over, below, between or not to be seen.

A detector reports a number and its limit; whether that becomes an alarm is decided by
`monitor.alarm`. The quick ones (silence, no power) look at packets four times a second,
the others at closed seconds, so that all instruments are judged on the same interval.
"""

import math
from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass

from monitor.alarm import Rule, Signal
from monitor.bench import Bench
from monitor.compare import MIN_POWER_W, Block, Comparator, Pair, Window
from monitor.curve import Track
from monitor.diagnose import Diagnosis, Hole, attribute, diagnose, placement
from monitor.shift import MIN_PERCENT, Shift, ShiftDetector
from monitor.view import Cause, Heard, Kind, Side, Unit

RULES: dict[Kind, Rule] = {
    # Silence and missing power are timed by their detectors.
    "signal-lost": Rule(0.0, 0.0),
    "power-missing": Rule(0.0, 1.0),
    # Windows of work move slowly; a short hold keeps out what only touches the limit.
    "power-off": Rule(1.0, 3.0),
    "side-off": Rule(1.0, 3.0),
    "balance-off": Rule(3.0, 5.0),
    "cadence-off": Rule(3.0, 5.0),
    "stuck": Rule(0.0, 2.0),
    "spike": Rule(0.0, 0.0),
    "clipped": Rule(0.0, 5.0),
    "one-sided": Rule(0.0, 5.0),
    "sides-swapped": Rule(0.0, 20.0),
    "shifted": Rule(0.0, 0.0),
    "restarted": Rule(0.0, 0.0),
    "setting-differs": Rule(0.0, 0.0),
    "battery-low": Rule(0.0, 0.0),
    "not-recorded": Rule(0.0, 0.0),
    "clock-stepped": Rule(0.0, 0.0),
}

EVIDENCE_S = 2.5
"""Showing power or a turn within this time is pedalling: one revolution at 24 rpm."""
NO_POWER_S = 3.5
"""No power for this long while others show it. Meters that average show power up to 3 s late."""
SHOWN_S = 8.0
"""Something that happened at one moment (spike, restart) stays raised this long, to be seen."""
NEVER_HEARD_S = 20.0
LOW_BATTERY_PERCENT = 15.0
"""Common practice, no source."""
SIGMA = {10: 4.2, 20: 3.5, 30: 3.1, 60: 2.9}
"""Standard deviations of scatter that must lie between a deviation and its limit, by window length.
Windows are looked at every second; an instrument whose true deviation is half its limit is never
raised by chance, one exactly at its limit now and then."""
SYSTEMATIC = 1.65
"""The same for the uncertainty of the expected drivetrain loss, which looking again doesn't change."""


@dataclass(slots=True)
class Sign:
    """What a detector saw: `signal` drives the alarm `(kind, instrument, side)`."""

    kind: Kind
    instrument: str
    side: Side | None
    signal: Signal
    value: float | None = None
    limit: float | None = None
    unit: Unit = "%"
    reference: str | None = None
    since_s: float | None = None
    cause: Cause | None = None
    advice: str = ""


@dataclass(slots=True)
class ZeroTrial:
    """The blocks before a zeroing, to be held against those after it."""

    at_s: float
    before: list[float]

    def text(self, after: list[float]) -> str:
        """What the zeroing changed; empty while there are too few blocks on either side."""
        if len(self.before) < 3 or len(after) < 3:
            return ""
        change = 100.0 * math.expm1(sum(after) / len(after) - sum(self.before) / len(self.before))
        return f", zeroing changed it by {change:+.1f} %: no cure"


class Recent:
    """An instrument's last shown powers, for what only neighbours in time can tell."""

    __slots__ = (
        "at_peak",
        "candidate",
        "even_s",
        "even_span",
        "mean_w",
        "peak_w",
        "powered_since_s",
        "powers",
        "run_n",
        "run_s",
        "run_w",
        "runs",
        "share_even",
        "spike",
        "spike_s",
        "untold",
        "untold_s",
    )

    def __init__(self) -> None:
        self.powers: deque[tuple[float, float]] = deque(maxlen=64)
        self.powered_since_s = math.inf
        self.mean_w = 0.0
        self.run_w = -1.0
        self.run_n = 0
        self.run_s = 0.0
        self.runs: deque[int] = deque(maxlen=200)
        self.peak_w = 0.0
        self.at_peak = 0
        self.candidate: tuple[float, float, float] | None = None
        self.spike: tuple[float, float] | None = None
        self.spike_s = -math.inf
        self.share_even = 0
        self.even_s = 0.0
        self.even_span: list[float] = []
        self.untold = 0
        self.untold_s = 0.0

    def feed(self, t_s: float, power_w: float, left_share: float | None) -> None:
        """Take a newly shown power (a repeated event is not new)."""
        self.powers.append((t_s, power_w))
        if power_w <= 0.0:
            self.powered_since_s = math.inf
        elif self.powered_since_s == math.inf:
            self.powered_since_s = t_s
        mean = self.mean_w
        jumped = (power_w > 1.5 * mean + 100.0 and mean > 30.0) or (power_w < 0.3 * mean and mean > 80.0)
        if jumped:
            # Only out of the line: after a rest or inside a sprint a jump is no news.
            if self.candidate is None and 0.6 * mean < self.run_w < 1.4 * mean:
                self.candidate = (t_s, power_w, mean)
            # A jump that stays is no spike: let the mean follow, slowly.
            self.mean_w += 0.1 * (power_w - mean)
        else:
            self.mean_w += 0.25 * (power_w - mean)
        if power_w == self.run_w:
            self.run_n += 1
        else:
            if self.run_n:
                self.runs.append(self.run_n)
            self.run_w, self.run_n, self.run_s = power_w, 1, t_s
        if power_w > self.peak_w:
            self.peak_w, self.at_peak = power_w, 1
        elif power_w == self.peak_w:
            self.at_peak += 1
        if left_share == 0.5 and power_w > 0.0:
            if not self.share_even:
                self.even_s = t_s
                self.even_span = [power_w, power_w]
            self.share_even += 1
            span = self.even_span
            span[0], span[1] = min(span[0], power_w), max(span[1], power_w)
        elif left_share is not None and power_w > 0.0:
            self.share_even = 0
        if left_share is None and power_w > 0.0:
            if not self.untold:
                self.untold_s = t_s
            self.untold += 1

    def between(self, begin_s: float, end_s: float) -> list[float]:
        """Powers shown in [begin, end]."""
        return [p for t, p in self.powers if begin_s <= t <= end_s]


class Watch:
    """All detectors of one bench."""

    def __init__(self, bench: Bench, tracks: list[Track], comparator: Comparator) -> None:
        self.bench = bench
        self.tracks = tracks
        self.comparator = comparator
        n = len(bench.instruments)
        self.labels = [i.label for i in bench.instruments]
        self.recent = [Recent() for _ in range(n)]
        self.heard: list[Heard] = ["searching"] * n
        self.heard_since_s = [0.0] * n
        self.pedalling_since_s = [math.inf] * n
        """Since when the others have been pedalling, without a pause; infinite while they rest."""
        self.facts: list[dict[str, float | str]] = [{} for _ in range(n)]
        self.restarts = [0] * n
        self.restarted_s = [-math.inf] * n
        self.given_up: list[str | None] = [None] * n
        self.shifts = {i: ShiftDetector() for i in comparator.pairs}
        self.onsets: dict[tuple[int, Side], float] = {}
        """Since when a deviation has been over its limit: the blocks from there on tell its cause."""
        self.diagnoses: dict[tuple[int, Side], Diagnosis] = {}
        self.gear = ""
        self.holes: list[list[Hole]] = [[] for _ in range(n)]
        self._missing_now = [False] * n
        self._sides_wrong = [False] * n
        self._swapped = [False] * n
        self._ridden_s: list[dict[str, float]] = [{} for _ in range(n)]
        self._ridden_rpm: list[list[float]] = [[] for _ in range(n)]
        self.happened: deque[tuple[float, str]] = deque(maxlen=64)
        """What may have moved an instrument: when, and in words (`the zeroing of heron`, `a sprint`)."""
        self.zeros: dict[int, ZeroTrial] = {}
        self._sprint_s = -math.inf
        self._warm_c: list[float | None] = [None] * n
        self.failing_s: float | None = None
        self.step_s = -math.inf
        self.step_by_s = 0.0

    # -- four times a second

    def quick(self, now_s: float) -> Iterator[Sign]:
        """Silence and missing power at `now_s`."""
        shows = [
            t.heard_s > now_s - EVIDENCE_S and max(t.powered_s, t.turning_s) > now_s - EVIDENCE_S
            for t in self.tracks
        ]
        total = sum(shows)
        for i, track in enumerate(self.tracks):
            if total - shows[i] > 0:
                if self.pedalling_since_s[i] == math.inf:
                    self.pedalling_since_s[i] = now_s
            else:
                self.pedalling_since_s[i] = math.inf
            yield self._silence(i, track, now_s)
            if self.bench.instruments[i].mount != "cadence":
                yield self._missing(i, track, now_s)

    def _silence(self, i: int, track: Track, now_s: float) -> Sign:
        label = self.labels[i]
        after = self.bench.limits.lost_after_s
        others_since = self.pedalling_since_s[i]
        silent_s = now_s - track.heard_s
        signal: Signal
        heard: Heard
        since = track.heard_s
        if silent_s < after:
            heard, signal, since = "heard", "below", self.heard_since_s[i]
        elif track.heard_s == -math.inf:
            heard = "searching"
            waited = now_s - others_since
            signal = "over" if waited > NEVER_HEARD_S else None
            since = 0.0
            silent_s = now_s
        else:
            alone = len(self.tracks) == 1 or all(
                t.heard_s < now_s - EVIDENCE_S for j, t in enumerate(self.tracks) if j != i
            )
            pedalled = max(track.powered_s, track.turning_s) > track.heard_s - EVIDENCE_S
            if now_s - others_since >= after or (alone and pedalled) or self.heard[i] == "lost":
                heard, signal = "lost", "over"
                if others_since < math.inf:
                    since = max(track.heard_s, others_since if others_since > track.heard_s + 5.0 else 0.0)
            else:
                heard, signal = "resting", "below"
        if self.given_up[i] and heard in ("lost", "searching"):
            heard = "given-up"
        if heard != self.heard[i]:
            self.heard[i] = heard
            self.heard_since_s[i] = now_s if heard == "heard" else since
        reason = self.given_up[i]
        advice = (
            f"{label} can't be reached: {reason}"
            if reason
            else f"{label} has not been heard for {max(0.0, silent_s):.1f} s: wake it, look at its battery, "
            "bring the receiver nearer; it is reconnected by itself"
        )
        return Sign("signal-lost", label, None, signal, silent_s, after, "s", None, since, "link", advice)

    def _missing(self, i: int, track: Track, now_s: float) -> Sign:
        label = self.labels[i]
        sign = Sign("power-missing", label, "total", None, 0.0, None, "W")
        if self.heard[i] != "heard":
            return sign
        since = -math.inf
        other = None
        watts = 0.0
        shown = could = 0
        for j, t in enumerate(self.tracks):
            if j == i or self.bench.instruments[j].mount == "cadence" or self.heard[j] != "heard":
                continue
            could += 1
            # Another that has shown power, and nothing but power, for long enough. One that
            # averages or is late still shows the power before a stop: but then it falls.
            began = self._powered_since(j)
            power = t.power_w or 0.0
            if (
                t.powered_s > now_s - 2.0
                and t.unpowered_s < now_s - NO_POWER_S
                and power > 40.0
                and began <= now_s - NO_POWER_S
                and power > 0.8 * self._power_at(j, now_s - NO_POWER_S)
            ):
                shown += 1
                if power > watts:
                    other, watts = self.labels[j], power
                since = max(since, began)
        if other is None or 2 * shown < could:
            return sign
        if track.powered_s > now_s - 1.2 and track.unpowered_s < track.powered_s:
            sign.signal = "below"
            return sign
        missing_s = now_s - max(track.powered_s, since)
        none_shown = track.power_w is None or track.power_w <= 5.0
        sign.signal = "over" if missing_s >= NO_POWER_S and none_shown else "between"
        sign.since_s = max(track.powered_s, since)
        sign.reference = other
        sign.value, sign.limit = track.power_w or 0.0, watts
        if sign.signal == "over" and not self._missing_now[i]:
            self.holes[i].append(Hole(sign.since_s, self.gear, self._cadence_at(i)))
        self._missing_now[i] = sign.signal == "over"
        found = placement(self.holes[i], self._ridden_s[i], self._ridden_rpm[i])
        sign.cause = "placement" if found else "unclear"
        sign.advice = f"{label} shows no power while {other} shows {watts:.0f} W: " + (
            f"each time {found}, so it is where it sits: move magnet or sensor and ride there again"
            if found
            else "look at magnet, sensor and cable, then shift a gear, mark it and ride on"
        )
        return sign

    def _cadence_at(self, i: int) -> float | None:
        """The cadence that the others show now."""
        shown = [t.cadence_rpm for j, t in enumerate(self.tracks) if j != i and self.heard[j] == "heard"]
        known = sorted(c for c in shown if c is not None and c > 20.0)
        return known[len(known) // 2] if known else None

    def _ride_on(self, end: int) -> None:
        """Keep where power was shown: per gear, and per cadence, ten seconds each."""
        cadences = self.comparator.cadence(end - 10, end)
        for i in self.comparator.powered:
            if self.tracks[i].unpowered_s < self.tracks[i].heard_s - 10.0 and self.heard[i] == "heard":
                ridden = self._ridden_s[i]
                ridden[self.gear] = ridden.get(self.gear, 0.0) + 10.0
                known = sorted(c for c in cadences if c is not None and c > 20.0)
                if known and len(self._ridden_rpm[i]) < 4000:
                    self._ridden_rpm[i].append(known[len(known) // 2])

    def _power_at(self, j: int, t_s: float) -> float:
        """The power that was shown last before `t_s`; 0 if that isn't remembered."""
        return next((p for t, p in reversed(self.recent[j].powers) if t <= t_s), 0.0)

    def _powered_since(self, j: int) -> float:
        recent = self.recent[j]
        return max(recent.powered_since_s, recent.powers[0][0]) if recent.powers else math.inf

    # -- every closed second

    def second(self, now_s: float, end: int) -> Iterator[Sign]:
        """Everything that is judged on closed seconds; `end` is the common time of all windows."""
        cadences = self.comparator.cadence(end - 15, end) if end >= 15 else []
        if end % 10 == 0 and end >= 10:
            self._ride_on(end)
        if end % 2 == 0:
            self._notice(now_s)
        for i in self.comparator.powered:
            own = (self._spike(i, now_s), self._stuck(i, now_s), self._clipped(i, now_s))
            odd = any(sign.signal == "over" for sign in own)
            if odd or self._missing_now[i] or now_s - self.restarted_s[i] < SHOWN_S:
                # What is wrong in a way of its own is neither judged nor a judge of others.
                self.comparator.clean_since[i] = max(self.comparator.clean_since[i], end)
            yield from own
        for i, instrument in enumerate(self.bench.instruments):
            pair = self.comparator.pairs.get(i)
            if pair is not None:
                yield from self._power(i, pair, now_s, end)
                yield from self._shift(i, pair, end)
            if cadences:
                yield self._cadence(i, cadences, end)
            if instrument.mount != "cadence" and instrument.sides == "both":
                yield self._one_sided(i, now_s)
            yield from self._settings(i, now_s)
        if self.failing_s is not None:
            yield Sign(
                "not-recorded",
                "",
                None,
                "over",
                value=now_s - self.failing_s,
                limit=0.0,
                unit="s",
                since_s=self.failing_s,
                advice="the disk takes no records: free space or give it back; measuring goes on, unrecorded",
            )
        else:
            yield Sign("not-recorded", "", None, "below", 0.0, 0.0, "s")
        stepped = now_s - self.step_s < SHOWN_S
        yield Sign(
            "clock-stepped",
            "",
            None,
            "over" if stepped else "below",
            value=self.step_by_s,
            limit=1.0,
            unit="s",
            since_s=self.step_s,
            advice="the computer's clock was set, or it slept: times of day are off in this session",
        )

    def _reference(self) -> str:
        return self.bench.reference

    def _power(self, i: int, pair: Pair, now_s: float, end: int) -> Iterator[Sign]:
        label = self.labels[i]
        power = Sign("power-off", label, "total", None, unit="%", reference=self._reference())
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
                self._judge_swapped(swapped, pair, label, self.labels[side])
                put_right = self._swapped[i] and swapped.signal == "below"
                self._swapped[i] = swapped.signal == "over" or (self._swapped[i] and not put_right)
                self._sides_wrong[i] = (
                    swapped.signal == "over"
                    or self.recent[i].share_even >= 40
                    or self.tracks[i].share_s == -math.inf
                )
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
        for sign in (power, *sides.values()):
            self._explain(sign, i, pair, now_s, end)
        yield power
        if instrument.sides != "total":
            yield from sides.values()
            yield balance
            yield swapped

    def _explain(self, sign: Sign, i: int, pair: Pair, now_s: float, end: int) -> None:
        """Since when, and why, as far as the blocks since then tell."""
        side = sign.side or "total"
        key = (i, side)
        if side == "total":
            if sign.signal == "over":
                self.comparator.leaning.add(i)
            elif sign.signal == "below":
                self.comparator.leaning.discard(i)
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
            begin = max([pair.reset_s, *(x.since_s for x in self.shifts[i].found[-1:])])
            every = [b for b in pair.blocks if b.end_s - 10.0 >= begin]
            since = [b for b in every if b.end_s - 10.0 >= onset - 1.0]
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
        sign.cause = found.cause
        sign.advice += f": {found.why}" + (f", {found.ride}" if found.ride else "")
        if side != "total":
            return
        trial = self.zeros.get(i)
        if trial is not None and sign.signal == "over":
            sign.advice += trial.text([b.y for b in pair.blocks if b.end_s - 10.0 >= trial.at_s])
        if sign.signal == "over" and self._reference_alone(i):
            sign.cause = "unclear"
            sign.advice = (
                f"{self.bench.reference} stands alone: all others agree with one another and differ from it "
                f"by {sign.value or 0.0:+.1f} %, look at {self.bench.reference} first"
            )

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

    def happens(self, t_s: float, words: str) -> None:
        """Something happened that may have moved an instrument."""
        self.happened.append((t_s, words))

    def zeroed(self, i: int, t_s: float) -> None:
        """An instrument was zeroed: remember how it stood."""
        self.happens(t_s, f"the zeroing of {self.labels[i]}")
        pair = self.comparator.pairs.get(i)
        if pair is not None:
            blocks = [b.y for b in pair.blocks if b.end_s - 10.0 >= pair.reset_s]
            self.zeros[i] = ZeroTrial(t_s, blocks[-12:])

    def _notice(self, now_s: float) -> None:
        """Sprints and steps of temperature, which nobody tells."""
        for i in self.comparator.powered:
            seconds = self.comparator.seconds[i]
            if len(seconds) < 60 or now_s - self._sprint_s < 30.0:
                continue
            last = seconds[-1]
            if last > 400.0 and last > 2.0 * sum(p for p in list(seconds)[-60:] if p == p) / 60.0:
                self._sprint_s = now_s
                self.happens(now_s, "a sprint")
        for i, facts in enumerate(self.facts):
            warm = facts.get("temperature_c")
            if isinstance(warm, float):
                before = self._warm_c[i]
                if before is None:
                    self._warm_c[i] = warm
                elif abs(warm - before) >= 3.0:
                    self._warm_c[i] = warm
                    self.happens(now_s, f"{warm - before:+.0f} °C in {self.labels[i]}")

    def _near(self, t_s: float) -> str:
        """What happened nearest before a moment (blocks are ten seconds, so a little after counts)."""
        near = [(abs(t_s - t), words) for t, words in self.happened if -60.0 <= t - t_s <= 20.0]
        return min(near)[1] if near else ""

    def _setting(self, i: int, sign: Sign) -> Diagnosis | None:
        """A deviation that the crank length set in the instrument explains."""
        mounted = self.bench.instruments[i].crank_length_mm
        told = self.facts[i].get("crank_length_mm")
        if mounted is None or not isinstance(told, float) or abs(told - mounted) < 0.4 or sign.value is None:
            return None
        percent = 100.0 * (told / mounted - 1.0)
        if abs(sign.value - percent) > max(0.5 * (sign.limit or 0.0), 0.4 * abs(percent)):
            return None
        return Diagnosis(
            "setting",
            f"it is set to {told:g} mm cranks where {mounted:g} mm are mounted, which makes "
            f"{percent:+.1f} %, set {mounted:g} mm",
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
            f"the {split.side} side makes {own:+.0f} W (± {half:.0f} W) of "
            f"{split.left_w + split.right_w:+.0f} W, look at its mounting, zero it and ride the block again",
        )

    def _judge_total(self, sign: Sign, pair: Pair, label: str, more: float = 0.0) -> None:
        sign.signal = "between"
        windows = pair.windows
        if any(r.candidate is not None for r in self.recent):
            # Something jumped just now: first see whether it was a spike.
            return
        if self.comparator.reference is None and not self._leans_most(pair):
            return
        for length, w in windows.items():
            doubt = SIGMA.get(length, 3.5) * w.u + SYSTEMATIC * w.u_loss
            if abs(w.deviation) - w.limit - more - w.edge > doubt:
                sign.signal = "over"
                self._tell(sign, w, label, w.limit + more)
        if sign.signal == "over":
            return
        shown = windows.get(30) or windows[max(windows)]
        leans = abs(shown.deviation) > shown.claim + more
        self._tell(sign, shown, label, shown.limit + more)
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

    def _tell(self, sign: Sign, w: Window, label: str, limit: float) -> None:
        sign.value, sign.limit = w.deviation, limit
        way = "above" if w.deviation > 0.0 else "below"
        sign.advice = (
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
                other = self._of(w, "right" if side == "left" else "left")
                # A side is named only if it stands out from the other one: when both lean
                # alike it is the total that leans.
                apart = other is None or abs(own - other) > max(w.side_limit, 0.5 * abs(own), 2.5 * u)
                far = abs(own) - w.side_limit - w.edge > SIGMA.get(length, 3.5) * u
                if far and apart and (other is None or abs(own) > abs(other)):
                    sign.signal = "over"
                    self._tell_side(sign, w, side, own, label)
            if sign.signal != "over":
                w = dict(seen).get(30) or seen[-1][1]
                own = self._of(w, side) or 0.0
                other = self._of(w, "right" if side == "left" else "left")
                leans = abs(own) > w.side_claim
                self._tell_side(sign, w, side, own, label)
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

    def _tell_side(self, sign: Sign, w: Window, side: Side, own: float, label: str) -> None:
        watts = (w.left_w if side == "left" else w.right_w) or 0.0
        delta_w = watts - watts / (1.0 + own / 100.0) if own > -100.0 else -watts
        sign.value, sign.limit = own, w.side_limit
        sign.advice = f"{label} {side} side {delta_w:+.0f} W ({own:+.1f} %) against {sign.reference}"

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
        sign.advice = (
            f"{label} puts {w.balance:.1f} % on the left, {reference} {w.balance_reference:.1f} %: "
            "zero both sides, look whether one pedal is loose"
        )

    def _judge_swapped(self, sign: Sign, pair: Pair, label: str, reference: str) -> None:
        blocks = [b for b in list(pair.blocks)[-6:] if b.left_w and b.right_w and b.left_reference_w]
        if len(blocks) < 4:
            return
        own = _balance([(b.left_w or 0.0, b.right_w or 0.0) for b in blocks])
        theirs = _balance([(b.left_reference_w or 0.0, b.right_reference_w or 0.0) for b in blocks])
        total = 100.0 * math.expm1(math.fsum(b.y for b in blocks) / len(blocks))
        sign.signal = "over" if _mirrored(own, theirs, total, pair.limit) else "below"
        sign.value, sign.limit, sign.reference, sign.cause = own, theirs, reference, "setting"
        sign.advice = (
            f"{label} shows left {own:.1f} % where {reference} shows right {100.0 - theirs:.1f} %: "
            "its sides are swapped, pair the pedals to their own sides"
        )

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
            and b.end_s - 10 >= pair.reset_s
            and (y := b.y if sign.side == "total" else b.y_left if sign.side == "left" else b.y_right)
            is not None
        ]
        for k in range(len(leans) - 1, -1, -1):
            three = leans[max(0, k - 2) : k + 1]
            if sum(y for _, y in three) / len(three) < enough:
                break
            since = leans[k][0] - 10.0
        return min(since, now_s)

    def _shift(self, i: int, pair: Pair, end: int) -> Iterator[Sign]:
        detector = self.shifts[i]
        if self._sides_wrong[i]:
            # A doubled or swapped side follows the rider's own balance: that is no step of the meter.
            detector.reset()
        elif end % 10 == 0 and pair.blocks and pair.blocks[-1].end_s == end:
            found = detector.feed(pair.blocks[-1])
            if found is not None and self.comparator.reference is None:
                self._settle_shift(i, found)
        shift = detector.shown(end)
        label = self.labels[i]
        for side in ("total", "left", "right"):
            sign = Sign("shifted", label, side, "below", unit="%", reference=self._reference())
            if shift is not None and shift.side == side:
                sign.signal = "over"
                sign.value, sign.limit, sign.since_s = shift.percent, MIN_PERCENT, shift.since_s
                sign.cause = "unclear"
                where = "" if side == "total" else f" {side} side"
                near = self._near(shift.since_s)
                sign.advice = (
                    f"{label}{where} changed by {shift.percent:+.1f} % against its own past: "
                    + (f"it came with {near}" if near else "nothing known came with it, think of a knock")
                    + "; zero it and ride the block again"
                )
            yield sign

    def _settle_shift(self, i: int, found: Shift) -> None:
        """Against a consensus a step of one moves all: it belongs to the one that moved most."""
        steps = {i: found.percent}
        for j, pair in self.comparator.pairs.items():
            after = [b.y for b in pair.blocks if b.end_s > found.since_s]
            before = [b.y for b in pair.blocks if b.end_s <= found.since_s][-12:]
            if j != i and after and before:
                steps[j] = 100.0 * math.expm1(sum(after) / len(after) - sum(before) / len(before))
        most = max(steps, key=lambda j: abs(steps[j]))
        if most != i:
            self.shifts[i].found.pop()
            self.shifts[most].found.append(Shift(found.since_s, found.found_s, steps[most], "total"))
        for detector in self.shifts.values():
            detector.reset()

    def _cadence(self, i: int, cadences: list[float | None], end: int) -> Sign:
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

    def _others_between(self, i: int, begin_s: float, end_s: float) -> list[list[float]]:
        return [
            self.recent[j].between(begin_s, end_s)
            for j in range(len(self.tracks))
            if j != i and self.bench.instruments[j].mount != "cadence" and self.heard[j] == "heard"
        ]

    def _stuck(self, i: int, now_s: float) -> Sign:
        r, track = self.recent[i], self.tracks[i]
        label = self.labels[i]
        sign = Sign("stuck", label, "total", "below", unit="W")
        power = track.power_w
        if self.heard[i] != "heard" or power is None or power < MIN_POWER_W:
            return sign
        shown_s = r.powers[-1][0] if r.powers else -math.inf
        # Just back from silence it has had no time to show anything new.
        listened_s = now_s - max(shown_s, self.heard_since_s[i])
        if listened_s > 4.0 and self.pedalling_since_s[i] < now_s - 4.0:
            others = [p for p in self._others_between(i, now_s - 4.0, now_s) if p]
            if others:
                sign.signal, since = "over", shown_s
            else:
                return sign
        else:
            usual = max(r.runs, default=1)
            if r.run_n < max(12, 3 * usual) or r.run_w < MIN_POWER_W or now_s - r.run_s < 6.0:
                return sign
            others = [p for p in self._others_between(i, r.run_s, now_s) if len(p) > 4]
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

    def _spike(self, i: int, now_s: float) -> Sign:
        r = self.recent[i]
        label = self.labels[i]
        if r.candidate is not None and now_s - r.candidate[0] > 2.5:
            at, power, mean = r.candidate
            r.candidate = None
            later = r.between(at + 0.05, at + 2.5)
            back = [p for p in later if (p < 1.3 * mean + 60.0 if power > mean else p > 0.6 * mean)]
            stayed = len(later) - len(back)
            calm = [p for p in self._others_between(i, at - 5.0, at + 2.5) if p]
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

    def _clipped(self, i: int, now_s: float) -> Sign:
        r = self.recent[i]
        label = self.labels[i]
        sign = Sign("clipped", label, "total", "below", unit="W")
        if r.run_n < 4 or r.run_w < r.peak_w or r.run_w < 150.0 or now_s - r.run_s < 1.5 or not r.powers:
            return sign
        if now_s - r.powers[-1][0] > 2.0:
            return sign
        others = [p for p in self._others_between(i, r.run_s - 1.0, now_s) if p]
        above = [max(p) for p in others if max(p) > 1.1 * max(r.run_w, p[0])]
        if others and len(above) == len(others):
            sign.signal, sign.value, sign.limit, sign.since_s = "over", r.run_w, max(above), r.run_s
            sign.cause = "unclear"
            sign.advice = (
                f"{label} stays at {r.run_w:.0f} W, its highest so far, while others rise to "
                f"{max(above):.0f} W: it clips, sprint peaks of it can't be used"
            )
        return sign

    def _one_sided(self, i: int, now_s: float) -> Sign:
        r, track = self.recent[i], self.tracks[i]
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

    def _settings(self, i: int, now_s: float) -> Iterator[Sign]:
        track, label, facts = self.tracks[i], self.labels[i], self.facts[i]
        if track.restarts != self.restarts[i]:
            self.restarts[i] = track.restarts
            self.restarted_s[i] = now_s
        recent = now_s - self.restarted_s[i] < SHOWN_S
        yield Sign(
            "restarted",
            label,
            None,
            "over" if recent else "below",
            value=0.0,
            unit="s",
            since_s=self.restarted_s[i],
            cause="unclear",
            advice=f"{label} began its counters anew: it was reset or lost its supply; look at its battery, "
            "zero it and ride the block again",
        )
        mounted = self.bench.instruments[i].crank_length_mm
        told = facts.get("crank_length_mm")
        if mounted is not None and isinstance(told, float) and told > 0.0:
            percent = 100.0 * (told / mounted - 1.0)
            yield Sign(
                "setting-differs",
                label,
                None,
                "over" if abs(told - mounted) >= 0.4 else "below",
                value=percent,
                limit=0.0,
                cause="setting",
                advice=f"{label} is set to {told:g} mm cranks, {mounted:g} mm are mounted: "
                f"it reads {percent:+.1f} % by that alone; set {mounted:g} mm",
            )
        battery = facts.get("battery_percent")
        # With several batteries the weakest counts.
        states = [v for k, v in facts.items() if k.startswith("battery") and k.endswith("_state")]
        state = next((v for v in states if v in ("low", "critical")), states[0] if states else None)
        if isinstance(battery, float) or isinstance(state, str):
            low = (isinstance(battery, float) and battery <= LOW_BATTERY_PERCENT) or state in (
                "low",
                "critical",
            )
            shown = f"{battery:.0f} %" if isinstance(battery, float) else str(state)
            yield Sign(
                "battery-low",
                label,
                None,
                "over" if low else "below",
                value=battery if isinstance(battery, float) else None,
                limit=LOW_BATTERY_PERCENT,
                advice=f"the battery of {label} is low ({shown}): change or charge it before the next ride",
            )


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
