"""All detectors of one bench, in the order in which they build on each other."""

import math
from collections.abc import Container, Iterator

from monitor.analysis.work.track import Track
from monitor.live.comparator import Comparator
from monitor.live.facts import Facts
from monitor.live.faults.compared.change import Changes
from monitor.live.faults.compared.deviation import Deviation
from monitor.live.faults.oddities.cadence import cadence, turning
from monitor.live.faults.oddities.clipped import clipped
from monitor.live.faults.oddities.one_sided import one_sided
from monitor.live.faults.oddities.spike import spike
from monitor.live.faults.oddities.stuck import stuck
from monitor.live.faults.seen import Key, Seen
from monitor.live.faults.settings import Settings
from monitor.live.faults.sign import SHOWN_S, Sign
from monitor.live.faults.silence import RIDDEN_S, Silence
from monitor.live.faults.stall import Stall, stall_sign
from monitor.live.who.opinions import Opinions
from monitor.setup.bench import Bench


class Watch:
    """Yields the signs of every detector; the pipeline drives the alarms with them."""

    def __init__(
        self,
        bench: Bench,
        tracks: list[Track],
        comparator: Comparator,
        facts: Facts,
        standing: Container[Key],
    ) -> None:
        self.seen = Seen(bench, tracks, comparator, facts, standing)
        self.silence = Silence(self.seen)
        self.opinions = Opinions(comparator, self.seen.facts)
        self.changes = Changes(self.seen, self.opinions)
        self.deviation = Deviation(self.seen, self.changes, self.opinions)
        self.settings = Settings(self.seen)
        self.failing_s: float | None = None
        """Since when the disk has taken no records."""
        self.step_s = -math.inf
        self.step_by_s = 0.0
        self.stall: Stall | None = None
        """The last time that this computer was too slow."""

    def quick(self, now_s: float) -> Iterator[Sign]:
        """Silence and missing power at `now_s`."""
        return self.silence.signs(now_s)

    def second(self, now_s: float, end: int) -> Iterator[Sign]:
        """Everything that is judged on closed seconds; `end` is the common time of all windows."""
        seen, comparator = self.seen, self.seen.comparator
        turned = turning(comparator, end)
        if end % RIDDEN_S == 0 and end >= RIDDEN_S:
            self.silence.ride_on(end)
        if end % 2 == 0:
            self.changes.happened.notice(now_s)
        for i in comparator.powered:
            own = [
                sign
                for sign in (spike(seen, i, now_s), stuck(seen, i, now_s), clipped(seen, i, now_s))
                if sign is not None
            ]
            odd = any(sign.signal == "over" for sign in own) if own else False
            if odd or seen.missing[i] or now_s - seen.restarted_s[i] < SHOWN_S:
                # What is wrong in a way of its own is neither judged nor a judge of others.
                comparator.set_aside(i, end)
            yield from own
        self.deviation.settle(end)
        for i, instrument in enumerate(seen.bench.instruments):
            pair = comparator.pairs.get(i)
            if pair is not None:
                yield from self.deviation.signs(i, pair, now_s, end)
                yield from self.changes.signs(i, pair, end)
            yield from self.deviation.charged(i, now_s, end)
            if i == comparator.reference:
                yield from self.changes.signs_of_reference(end)
            if turned is not None and (sign := cadence(seen, i, turned)) is not None:
                yield sign
            if instrument.mount != "cadence" and instrument.sides == "both":
                sign = one_sided(seen, i)
                if sign is not None:
                    yield sign
            yield from self.settings.signs(i, now_s)
        yield from self._of_the_computer(now_s)

    def _of_the_computer(self, now_s: float) -> Iterator[Sign]:
        standing = self.seen.standing
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
                what="the disk is not accepting data, measuring goes on unrecorded",
                do="free some space or reconnect the drive",
            )
        elif ("not-recorded", "", None) in standing:
            yield Sign("not-recorded", "", None, "below", 0.0, 0.0, "s")
        if (sign := stall_sign(self.stall, now_s, standing)) is not None:
            yield sign
        stepped = now_s - self.step_s < SHOWN_S
        if stepped or ("clock-stepped", "", None) in standing:
            yield Sign(
                "clock-stepped",
                "",
                None,
                "over" if stepped else "below",
                value=self.step_by_s,
                limit=1.0,
                unit="s",
                since_s=self.step_s,
                what=f"the computer's clock was set or it slept: times of day are off "
                f"by {self.step_by_s:+z.1f} s in this session",
            )
