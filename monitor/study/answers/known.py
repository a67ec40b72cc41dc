"""All that is known of one instrument, as it was measured."""

from collections.abc import Sequence
from dataclasses import dataclass

from monitor.analysis.accounts import LEAST_RATIO
from monitor.analysis.consistency import Apart
from monitor.analysis.diagnose import Diagnosis
from monitor.analysis.expected import tolerance_percent
from monitor.finding import Finding
from monitor.setup.bench import Bench, Instrument
from monitor.study.parts.who import Who
from monitor.study.results import (
    ActJudged,
    Cycles,
    Repeat,
    SegmentStudy,
    ShiftStudy,
    ShownOverCounted,
    SideResult,
    Signal,
    Split,
    State,
)

FLOOR_PERCENT = 0.01
"""A limit that is larger than the claims by so much comes from the floor in watts."""
CLEARLY_OFF = 1.5
"""Uncertainties (95 %) by which a display has to be off its own counters (common practice, no source)."""


@dataclass(slots=True)
class Known:
    """What was measured of one instrument, and by whom."""

    label: str
    instrument: Instrument
    bench_reference: str
    reference: str | None
    segments: Sequence[SegmentStudy]
    cycles: Sequence[Cycles]
    repeats: Sequence[Repeat]
    splits: Sequence[Split]
    shifts: Sequence[ShiftStudy]
    findings: Sequence[Finding]
    signal: Signal
    diagnosis: Diagnosis | None
    bench: Bench
    powered: bool
    by_side: Sequence[SideResult]
    who: Who | None = None
    """What all independent instruments say of each other in the last common state."""
    who_found: Who | None = None
    """The same in the first."""
    copy_of: str | None = None
    states: Sequence[State] = ()
    acts: Sequence[ActJudged] = ()
    shown_over_counted: ShownOverCounted | None = None
    reference_mount: str = ""
    both_percent: float | None = None
    """Of one that doubles a side: its deviation from both sides of the side reference together."""

    @property
    def stands_apart(self) -> Apart:
        """`yes` only for one outside the unique largest consistent subset of three or more."""
        return self.who.found.apart.get(self.label, "undecided") if self.who is not None else "undecided"

    @property
    def apart_odds(self) -> float | None:
        """The probability that it is outside its claim; None where it was no opinion of its own."""
        return self.who.found.odds.get(self.label) if self.who is not None else None

    @property
    def opinions(self) -> int:
        """How many independent instruments there are to tell who is off."""
        return len(self.who.opinions) if self.who is not None else 0

    @property
    def follows_rider(self) -> bool:
        """Whether it doubles one side and nobody reports the rider's sides."""
        return self.instrument.sides in ("left", "right") and self.both_percent is None

    @property
    def display_percent(self) -> float | None:
        """By how much its display is off its own torque and turns; None: it is not, or not known."""
        account = self.shown_over_counted
        if account is None or abs(account.ratio - 1.0) <= max(LEAST_RATIO, CLEARLY_OFF * account.u95):
            return None
        return 100.0 * (account.ratio - 1.0)

    def floor_decides(self, now: Split | State) -> bool:
        """Whether the floor in watts, and not the claims, is the limit."""
        others = [i for i in self.bench.instruments if i.label == self.reference]
        if not others or self.follows_rider or now.limit_percent is None:
            return False
        return now.limit_percent > tolerance_percent(self.bench, self.instrument, others) + FLOOR_PERCENT

    @property
    def is_reference(self) -> bool:
        """Whether the others are compared with it."""
        return self.label == self.bench_reference

    @property
    def overall(self) -> Split | None:
        """All quiet blocks together."""
        return next((s for s in self.splits if s.instrument == self.label and s.by == "all"), None)

    @property
    def judged_states(self) -> list[State]:
        """States that were long enough to be judged."""
        return [s for s in self.states if s.deviation_percent is not None and s.u95_percent is not None]

    @property
    def left_state(self) -> State | None:
        """The last one: as left."""
        return self.judged_states[-1] if self.judged_states else None

    def raised(self, *kinds: str) -> list[Finding]:
        """Findings of these kinds that were raised for this instrument."""
        return [
            f for f in self.findings if f.instrument == self.label and f.event == "raised" and f.kind in kinds
        ]

    def standing(self, *kinds: str) -> list[Finding]:
        """Those of them that were not cleared again, each as it was raised last."""
        last: dict[tuple[str, str | None], Finding] = {}
        for f in self.findings:
            if f.instrument == self.label and f.kind in kinds:
                last[f.kind, f.side] = f
        return [f for f in last.values() if f.event == "raised"]
