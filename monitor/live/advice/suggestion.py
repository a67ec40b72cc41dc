"""The block that would settle what is open: which, when it may be proposed, and for how long it stands.

A proposal that comes and goes, or that asks for steady riding amid a ramp, is worse than none. It is made of
blocks that exist: a steady block of the protocol where one serves, and what was measured so far.
"""

from collections.abc import Mapping, Sequence

from monitor.analysis.block import MIN_POWER_W
from monitor.analysis.diagnose import Diagnosis
from monitor.finding import Side
from monitor.live.pair import Pair
from monitor.live.runner import Runner
from monitor.live.view import AlarmView, Block, Lane, Suggestion
from monitor.setup.protocol import Segment

HELD_S = 20.0
"""A proposal stands so long at least, whatever comes meanwhile."""
BEGINS_S = 20.0
"""None in the first seconds of the ride and of a segment: what is new settles first."""
SETTLES_S = 20.0
"""With less of a segment left than this it won't settle what is undecided; another block would."""
ALTERNATE_S, TAKES = 120.0, 4
"""Blocks up to so long, at least so many, that take turns between two loads are over/unders."""
LEAST_BLOCKS = 2
"""Blocks of ten seconds that must be measured before more of them are asked for."""
SERVES_W, SERVES_RPM = 0.15, 10.0
"""A block of the protocol serves within this part of the wanted power, and within this of its cadence."""
SIDES = ("left side-off", "right side-off")
"""Of what is raised of an instrument: which side it is, is known."""
STEADY_S = 60.0
"""A shorter block of the protocol is none to repeat."""


def alternates(plan: Sequence[Segment], at: int) -> bool:
    """Whether the segment is one of at least four that take turns between two loads: over/unders."""

    def load(k: int) -> float | None:
        held = 0 <= k < len(plan) and plan[k].seconds <= ALTERNATE_S
        return plan[k].target_w if held else None

    def turns(k: int, step: int) -> int:
        """How many segments from the neighbour on go on taking turns."""
        number = 0
        while load(k + step) is not None and load(k + step) != load(k):
            if number and load(k + step) != load(k - step):
                break
            number, k = number + 1, k + step
        return number

    before, after = turns(at, -1), turns(at, 1)
    joined = not before or not after or load(at - 1) == load(at + 1)
    return load(at) is not None and (before + after if joined else max(before, after)) >= TAKES - 1


def existing(plan: Sequence[Segment], target_w: float, rpm: float | None) -> tuple[float, float | None]:
    """The load of a steady block of the protocol that serves as well as the wanted one, else that one."""
    serving = [
        segment
        for segment in plan
        if segment.target_w is not None
        and segment.seconds >= STEADY_S
        and abs(segment.target_w - target_w) <= SERVES_W * target_w
        and (rpm is None or segment.cadence_rpm is None or abs(segment.cadence_rpm - rpm) <= SERVES_RPM)
    ]
    nearest = min(serving, key=lambda segment: abs((segment.target_w or 0.0) - target_w), default=None)
    if nearest is None or nearest.target_w is None:
        return target_w, rpm
    return nearest.target_w, nearest.cadence_rpm or rpm


def _block(what: str, label: str, seconds: float, target_w: float, rpm: float | None) -> Block:
    at = "" if rpm is None else f" at {rpm:.0f} rpm"
    return Block(f"{what} {label}: {target_w:.0f} W{at}", seconds, target_w, rpm)


class Proposer:
    """Proposes one block at a time, in session time, from what the comparisons (by index) and their diagnoses
    leave open."""

    def __init__(
        self,
        index: Mapping[str, int],
        runner: Runner,
        pairs: Mapping[int, Pair],
        diagnoses: Mapping[tuple[int, Side], Diagnosis],
    ) -> None:
        self._index, self._runner, self._pairs, self._diagnoses = index, runner, pairs, diagnoses
        self._standing: tuple[float, Suggestion] | None = None

    def propose(
        self, t_s: float, lanes: tuple[Lane, ...], alarms: tuple[AlarmView, ...]
    ) -> Suggestion | None:
        """What is proposed at `t_s`; the same for at least `HELD_S` while proposals have a place."""
        if not self._has_a_place(t_s):
            self._standing = None
            return None
        if self._standing is not None and 0.0 <= t_s - self._standing[0] < HELD_S:
            return self._standing[1]
        found = self._for_alarm(lanes, alarms) or self._for_undecided(t_s, lanes)
        if found is None:
            self._standing = None
        elif self._standing is None or self._standing[1] != found:
            self._standing = t_s, found
        return found

    def _has_a_place(self, t_s: float) -> bool:
        """Not in the first seconds, in ramps, sprints, pauses and over/unders."""
        runner = self._runner
        if t_s < BEGINS_S or runner.interrupted is not None:
            return False
        if t_s - runner.start_s < BEGINS_S:
            return False
        segment = runner.current
        return segment is None or not (
            segment.ramp_w is not None or segment.sprint or alternates(runner.plan, runner.at)
        )

    def _for_alarm(self, lanes: tuple[Lane, ...], alarms: tuple[AlarmView, ...]) -> Suggestion | None:
        """The ride that tells what is wrong with the most pressing instrument whose side is not known."""
        sided = {lane.label for lane in lanes if any(side in kind for kind in lane.raised for side in SIDES)}
        for alarm in alarms:
            i = self._index.get(alarm.instrument)
            if alarm.instrument in sided:
                # Zeroing or seating that side tells more than another torque would.
                continue
            found = None if i is None else self._diagnoses.get((i, alarm.side or "total"))
            if found is None or found.cause != "unclear" or found.block is None:
                continue
            ride = found.block
            load = existing(self._runner.plan, ride.power_w, ride.cadence_rpm)
            words = f"{alarm.instrument}: scale or zero offset? Another torque tells"
            return Suggestion(words, _block("tell", alarm.instrument, ride.seconds, *load))
        return None

    def _for_undecided(self, t_s: float, lanes: tuple[Lane, ...]) -> Suggestion | None:
        """More of the same, steadily, for the first instrument that blocks have begun to tell of."""
        left_s = self._runner.left_s(t_s)
        if left_s is not None and left_s > SETTLES_S and self._runner.current is not None:
            # What is being ridden may well settle it.
            return None
        for lane in lanes:
            if (
                lane.verdict != "undecided"
                or lane.again is not None
                or lane.heard != "heard"
                or (lane.power_w or 0.0) <= MIN_POWER_W
            ):
                continue
            if self._pairs[self._index[lane.label]].verdict.n >= LEAST_BLOCKS:
                return self._steadier(lane)
        return None

    def _steadier(self, lane: Lane) -> Suggestion:
        segment = self._runner.current
        if segment is not None and segment.target_w is not None:
            target_w, rpm = segment.target_w, segment.cadence_rpm
        else:
            last = self._pairs[self._index[lane.label]].blocks[-1]
            target_w = 10.0 * round(last.reference_w / 10.0)
            rpm = None if lane.cadence_rpm is None else 5.0 * round(lane.cadence_rpm / 5.0)
        words = f"{lane.label} is undecided, two steady minutes would settle it"
        load = existing(self._runner.plan, target_w, rpm)
        return Suggestion(words, _block("settle", lane.label, 120.0, *load))
