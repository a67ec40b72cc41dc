"""Silence and missing power: judged on packets, four times a second."""

import math
from array import array
from collections.abc import Iterator

from monitor.analysis.diagnose import Hole, placement
from monitor.analysis.work.track import Track
from monitor.live.alarm import Signal
from monitor.live.faults.rest import LATE_S, at_rest, holds
from monitor.live.faults.seen import EVIDENCE_S, Key, Seen
from monitor.live.faults.sign import Sign
from monitor.live.view import Heard

LOST_ON_THE_WAY = 2
"""So many packets in a row may be lost without anybody minding (common practice, no source)."""
NO_POWER_S = LATE_S
"""No power for this long while others show it."""
TURN_S = 1.5
"""Seconds. A turn of the crank and the way of its packet: one turn at 40 rpm (common practice)."""
NEVER_HEARD_S = 20.0
"""One that was never heard is lost when the others have pedalled for so long."""
# All common practice, no source.
OPEN_LAG_S = 2.0
"""Seconds. Before it is measured a lag is thought to be open by less."""
POWERED_S = 1.2
"""Seconds. Power that was shown within this time is shown now: one packet a second, and its jitter."""
NONE_W = 5.0
"""Watts. One that last showed no more than this shows none."""
RESUMED_S = 5.0
"""Others who began to pedal so much later than its last packet: it is silent since they did."""
SHOWING_S = 2.0
"""Seconds. Whoever tells of others that show none has shown power within this time, ..."""
SHOWING_W, LOW_W = 40.0, 20.0
"""... more than so many watts now, and more than so many throughout, ..."""
KEPT_PART, LOW_PART = 0.8, 0.5
"""... and its power is not below these parts of what it was: a mean, or a late one, falls at a stop."""
TURNING_RPM = 20.0
"""Revolutions per minute. A slower cadence says nothing of where a magnet is passed."""
RIDDEN_S = 10
"""Seconds. Gears and cadences that were ridden with power are noted each time so many have passed."""
KEPT_HOLES = 200
"""Holes that are remembered of an instrument, and ..."""
KEPT_CADENCES = 4000
"""... cadences ridden with power: eleven hours, one each `RIDDEN_S`."""


class Silence:
    """Who is heard, rests or is lost, and who shows no power while others do."""

    def __init__(self, seen: Seen) -> None:
        self.seen = seen
        self.bench = seen.bench
        self.tracks = seen.tracks
        self.comparator = seen.comparator
        self.labels = seen.labels
        n = len(seen.tracks)
        self.holes: list[list[Hole]] = [[] for _ in range(n)]
        self._ridden_s: list[dict[str, float]] = [{} for _ in range(n)]
        self._ridden_rpm = [array("d") for _ in range(n)]
        self._runs = [recent.runs for recent in seen.recent]
        self._lost_after_s = self.bench.limits.lost_after_s
        self._lost_keys: list[Key] = [("signal-lost", label, None) for label in seen.labels]
        self._missing_keys: list[Key] = [("power-missing", label, "total") for label in seen.labels]
        self._measures = [instrument.mount != "cadence" for instrument in self.bench.instruments]
        self._shown: list[tuple[float, float] | None] = [None] * n

    def signs(self, now_s: float) -> Iterator[Sign]:
        """Silence and missing power at `now_s`."""
        seen, tracks = self.seen, self.tracks
        heard, missing, standing = seen.heard, seen.missing, seen.standing
        self._shown = [None] * len(tracks)
        early_s, powered_s = now_s - EVIDENCE_S, now_s - POWERED_S
        # A value that is this young stands for no rest.
        seen.held = [runs.since_s < early_s and holds(seen, i, now_s) for i, runs in enumerate(self._runs)]
        shows = [
            t.heard_s > early_s and t.pedalled_s > early_s and not held
            for t, held in zip(tracks, seen.held, strict=True)
        ]
        total = sum(shows)
        pedalling_since_s = seen.pedalling_since_s
        for i, track in enumerate(tracks):
            if total - shows[i] <= 0:
                pedalling_since_s[i] = math.inf
            elif pedalling_since_s[i] == math.inf:
                pedalling_since_s[i] = now_s
            if (
                heard[i] != "heard"
                or now_s - track.heard_s >= self._lost_after_s
                or now_s < track.paused_s
                or self._lost_keys[i] in standing
            ):
                # Else a packet came so lately that nothing changes, and no alarm has to be told so.
                sign = self._silence(i, track, now_s)
                if sign is not None:
                    yield sign
            if not self._measures[i]:
                continue
            if powered_s < track.powered_s > track.unpowered_s and self._missing_keys[i] not in standing:
                # It shows power, and no alarm has to be told so.
                missing[i] = False
                continue
            sign = self._missing(i, track, now_s)
            if sign is not None:
                yield sign

    def _silence(self, i: int, track: Track, now_s: float) -> Sign | None:
        seen = self.seen
        label = self.labels[i]
        after = self.bench.limits.lost_after_s
        others_since = seen.pedalling_since_s[i]
        # What a ride file holds stands for time to come.
        silent_s = max(0.0, now_s - track.heard_s)
        # What a computer that stood still did not stamp was sent all the same.
        listened_s = min(silent_s, now_s - seen.deaf_s)
        signal: Signal
        heard: Heard
        since = track.heard_s
        # Two packets that are lost on the way are no lost link: at 1 Hz they make three seconds.
        slow = (LOST_ON_THE_WAY + 1) * track.period_s > after
        if now_s < track.paused_s:
            # A head unit that stopped its timer: nobody's time.
            heard, signal = "resting", "below"
        elif (listened_s if track.heard_s > -math.inf else silent_s) < after + (
            track.period_s if slow else 0.0
        ):
            heard, signal, since = "heard", "below", seen.heard_since_s[i]
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
            pedalled = track.pedalled_s > track.heard_s - EVIDENCE_S
            # What the others showed of the last turn before a stop is no pedalling during the silence.
            others = [t.pedalled_s for j, t in enumerate(self.tracks) if j != i and not seen.held[j]]
            ridden_s = max(others, default=-math.inf)
            least_s = after - TURN_S + (LATE_S if at_rest(seen, i) else 0.0)
            ridden = now_s - others_since >= after and ridden_s - track.heard_s > least_s
            if ridden or (alone and pedalled) or seen.heard[i] == "lost":
                heard, signal = "lost", "over"
                if others_since < math.inf:
                    since = max(
                        track.heard_s, others_since if others_since > track.heard_s + RESUMED_S else 0.0
                    )
            else:
                heard, signal = "resting", "below"
        if seen.given_up[i] and heard in ("lost", "searching"):
            heard = "given-up"
        if heard != seen.heard[i]:
            seen.heard[i] = heard
            seen.heard_since_s[i] = now_s if heard == "heard" else since
        if signal != "over" and self._lost_keys[i] not in seen.standing:
            return None
        reason = seen.given_up[i]
        what, do = f"{label} can't be reached ({reason})" if reason else f"{label} has sent no data", ""
        if not reason:
            what += f" for {max(0.0, silent_s):.1f} s"
            do = "wake it, check its battery, bring the receiver nearer, it is reconnected automatically"
        return Sign("signal-lost", label, None, signal, silent_s, after, "s", None, since, "link", what, do)

    def _late_s(self, i: int, j: int) -> float:
        """Seconds within which `i` can't show yet what `j` shows: its known lag, and a turn out of a rest.

        Of one that comes later than can be measured, as late as it may be.
        """
        later_s = self.comparator.later_s(i, j)
        if later_s is None:
            open_s = self.comparator.timings[i].sd_s
            return open_s + TURN_S if open_s > OPEN_LAG_S else 0.0
        return later_s + TURN_S

    def _missing(self, i: int, track: Track, now_s: float) -> Sign | None:
        seen = self.seen
        powered = track.powered_s > now_s - POWERED_S and track.unpowered_s < track.powered_s
        if powered:
            seen.missing[i] = False
        calm = powered or seen.heard[i] != "heard"
        if calm and self._missing_keys[i] not in seen.standing:
            return None
        label = self.labels[i]
        sign = Sign("power-missing", label, "total", None, 0.0, None, "W")
        if seen.heard[i] != "heard":
            return sign
        since = -math.inf
        other = None
        first = i
        watts = 0.0
        shown = could = 0
        for j, heard in enumerate(seen.heard):
            if j == i or heard != "heard" or not self._measures[j]:
                continue
            could += 1
            began, power = self._shown[j] or self._show(j, now_s)
            if began < math.inf:
                shown += 1
                if power > watts:
                    other, first, watts = self.labels[j], j, power
                since = max(since, began)
        if other is None or (could > 1 and 2 * shown <= could):
            # A tie is a rest: one of the others may be late with its last watts.
            return sign
        if powered:
            sign.signal = "below"
            return sign
        since = max(since, seen.heard_since_s[i])
        missing_s = now_s - max(track.powered_s, since)
        none_shown = track.power_w is None or track.power_w <= NONE_W
        over = missing_s >= NO_POWER_S and none_shown and missing_s >= self._late_s(i, first)
        sign.signal = "over" if over else "between"
        sign.since_s = max(track.powered_s, since)
        sign.reference = other
        sign.value, sign.limit = track.power_w or 0.0, watts
        if track.lacks is not None:
            # No hole of a magnet or a sensor: it measures, but can't be read yet.
            seen.missing[i] = sign.signal == "over"
            sign.cause = "zero-offset" if track.lacks == "zero offset" else "setting"
            sign.what = (
                f"{label} sends its torque as a frequency and has not reported its {track.lacks}: "
                "its power is not known"
            )
            sign.do = f"zero {label} with the crank still and unloaded"
            return sign
        if sign.signal == "over" and not seen.missing[i]:
            self.holes[i].append(Hole(sign.since_s, seen.gear, self._cadence_at(i)))
            # A gear or a cadence shows in far fewer.
            del self.holes[i][:-KEPT_HOLES]
        seen.missing[i] = sign.signal == "over"
        found = placement(self.holes[i], self._ridden_s[i], self._ridden_rpm[i])
        sign.cause = "placement" if found else "unclear"
        sign.what = f"{label} reports no power while {other} reports {watts:.0f} W"
        sign.do = "check magnet, sensor and cable, then shift a gear, mark it and keep riding"
        if found:
            sign.what += f", only {found}"
            sign.do = "suspect the position of magnet or sensor, move it and ride there again"
        return sign

    def _show(self, j: int, now_s: float) -> tuple[float, float]:
        """Since when an instrument has shown power, and nothing but power, for long enough to tell of
        others that show none (infinite: it hasn't), and its power (W); worked out once a look.

        One that averages or is late still shows the power before a stop: but then it falls.
        """
        t = self.tracks[j]
        power = t.power_w or 0.0
        began = math.inf
        if t.powered_s > now_s - SHOWING_S and t.unpowered_s < now_s - NO_POWER_S and power > SHOWING_W:
            # What was shown before a silence is no evidence after it.
            since = max(self._powered_since(j), self.seen.heard_since_s[j])
            early_s = now_s - NO_POWER_S
            if since <= early_s and power > KEPT_PART * self._power_at(j, early_s):
                # A short rest, too short for it to have fallen to nothing, is a rest all the same.
                lowest = min((p for at, p in self.seen.recent[j].powers if at >= early_s), default=power)
                if lowest > max(LOW_W, LOW_PART * power):
                    began = since
        shown = self._shown[j] = began, power
        return shown

    def _cadence_at(self, i: int) -> float | None:
        """The cadence that the others show now."""
        shown = [t.cadence_rpm for j, t in enumerate(self.tracks) if j != i and self.seen.heard[j] == "heard"]
        known = sorted(c for c in shown if c is not None and c > TURNING_RPM)
        return known[len(known) // 2] if known else None

    def ride_on(self, end: int) -> None:
        """Keep where power was shown: per gear, and per cadence, `RIDDEN_S` each."""
        [cadences] = self.comparator.cadences((end - RIDDEN_S, end))
        for i in self.comparator.powered:
            if (
                self.tracks[i].unpowered_s < self.tracks[i].heard_s - RIDDEN_S
                and self.seen.heard[i] == "heard"
            ):
                ridden = self._ridden_s[i]
                ridden[self.seen.gear] = ridden.get(self.seen.gear, 0.0) + RIDDEN_S
                known = sorted(c for c in cadences if c is not None and c > TURNING_RPM)
                if known and len(self._ridden_rpm[i]) < KEPT_CADENCES:
                    self._ridden_rpm[i].append(known[len(known) // 2])

    def _power_at(self, j: int, t_s: float) -> float:
        """The power that was shown last before `t_s`; 0 if that isn't remembered."""
        return next((p for t, p in reversed(self.seen.recent[j].powers) if t <= t_s), 0.0)

    def _powered_since(self, j: int) -> float:
        recent = self.seen.recent[j]
        return max(recent.powered_since_s, recent.powers[0][0]) if recent.powers else math.inf
