"""What the bench has shown so far, shared by all detectors."""

import math
from collections import deque
from collections.abc import Container

from monitor.analysis.track import Track
from monitor.finding import Kind, Side
from monitor.live.comparator import Comparator
from monitor.live.facts import Facts
from monitor.setup.bench import Bench

EVIDENCE_S = 2.5
"""Showing power or a turn within this time is pedalling: one revolution at 24 rpm."""

Key = tuple[Kind, str, Side | None]


class Recent:
    """An instrument's last shown powers, for what only neighbours in time can tell."""

    __slots__ = (
        "candidate",
        "even_s",
        "even_span",
        "mean_w",
        "no_share",
        "no_share_s",
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
        self.candidate: tuple[float, float, float] | None = None
        self.spike: tuple[float, float] | None = None
        self.spike_s = -math.inf
        self.share_even = 0
        self.even_s = 0.0
        self.even_span: list[float] = []
        self.no_share = 0
        self.no_share_s = 0.0

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
            if self.run_n and self.run_w > 0.0:
                # To show nothing for a while is a rest, not its usual way to show power.
                self.runs.append(self.run_n)
            self.run_w, self.run_n, self.run_s = power_w, 1, t_s
        # A value far out of the line may be a spike, which is no height that it has reached.
        if not jumped and power_w > self.peak_w:
            self.peak_w = power_w
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
            if not self.no_share:
                self.no_share_s = t_s
            self.no_share += 1

    def between(self, begin_s: float, end_s: float) -> list[float]:
        """Powers shown in [begin, end]."""
        return [p for t, p in self.powers if begin_s <= t <= end_s]


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
        self.missing = [False] * n
        """Shows no power while others do."""
        self.sides_wrong = [False] * n
        """Its sides are doubled, swapped or untold: they follow the rider, not the meter."""
        self.swapped = [False] * n
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
