"""What the bench has shown so far, shared by all detectors."""

import math
from collections.abc import Container

from monitor.analysis.work.track import Track
from monitor.finding import Kind, Side
from monitor.live.comparator import Comparator
from monitor.live.facts import Facts
from monitor.live.faults.recent import Recent
from monitor.setup.bench import Bench

EVIDENCE_S = 2.5
"""Showing power or a turn within this time is pedalling: one revolution at 24 rpm."""

Key = tuple[Kind, str, Side | None]


class Seen:
    """The state that detectors share; lists have one entry an instrument, in bench order."""

    def __init__(
        self,
        bench: Bench,
        tracks: list[Track],
        comparator: Comparator,
        facts: Facts,
        standing: Container[Key],
    ) -> None:
        self.bench = bench
        self.tracks = tracks
        self.comparator = comparator
        n = len(bench.instruments)
        self.labels = [i.label for i in bench.instruments]
        self.recent = [Recent() for _ in range(n)]
        self.heard, self.heard_since_s, self.given_up = facts.heard, facts.heard_since_s, facts.given_up
        self.facts, self.zeros = facts.reported, facts.zeros
        self.linked_s = [-math.inf] * n
        """When each connection began: before, nothing new could be heard."""
        self.pedalling_since_s = [math.inf] * n
        """Since when the others have been pedalling, without a pause; infinite while they rest."""
        self.gear = ""
        self.deaf_s = -math.inf
        """Until when this computer stamped nothing that it heard."""
        self.held = [False] * n
        """Repeats a value longer than it ever does while it is ridden, and shows no turn: no pedalling."""
        self.missing = [False] * n
        """Shows no power while others do."""
        self.sides_wrong = [False] * n
        """Its sides are doubled, swapped or untold: they follow the rider, not the meter."""
        self.swapped = [False] * n
        self.doubled = [False] * n
        """One side is counted twice, which stands as a finding."""
        self.ceiling_w: list[float | None] = [None] * n
        """Where each cuts off at the top, once that was seen."""
        self.at_top = [False] * n
        """Stands at its highest reading while others rise: cut off, perhaps."""
        self.restarted_s = [-math.inf] * n
        self.standing = standing
        """Alarms (kind, label, side) that were over once: only these need to be told of calm."""

    def others_between(self, i: int, begin_s: float, end_s: float) -> list[list[float]]:
        """Powers that each other instrument showed in [begin, end]."""
        return [
            self.recent[j].between(begin_s, end_s)
            for j in range(len(self.tracks))
            if j != i and self.bench.instruments[j].mount != "cadence" and self.heard[j] == "heard"
        ]
