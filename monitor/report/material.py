"""What the parts of a page draw on: a study, its grid, and what is asked of both again and again."""

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from monitor.setup.bench import CONSENSUS
from monitor.setup.roles import Look, by_role, looks_of
from monitor.study.against import Comparison
from monitor.study.grid import Blocks, Bools, Grid
from monitor.study.parts.common import QUIET_EDGE, Shared
from monitor.study.results import Difference, Study
from monitor.text import plain


@dataclass(frozen=True)
class Material:
    """One study with the arrays that it was made from; `comparison`: other sessions beside it."""

    study: Study
    shared: Shared
    comparison: Comparison | None = None

    @property
    def grid(self) -> Grid:
        """The synchronized seconds."""
        return self.shared.grid

    @cached_property
    def order(self) -> dict[str, int]:
        """The number of each instrument in the arrays."""
        return {label: k for k, label in enumerate(self.grid.labels)}

    @cached_property
    def looks(self) -> dict[str, Look]:
        """How each instrument is drawn."""
        return dict(zip(self.grid.labels, looks_of(self.grid.bench), strict=True))

    @cached_property
    def labels(self) -> list[str]:
        """All instruments that the study tells of: on test first, then witnesses, then the reference."""
        every = [self.grid.labels[i] for i in by_role(self.grid.bench)]
        return [label for label in every if label in self.study.instruments]

    def tells_of(self, label: str) -> bool:
        """Whether an act or a finding of this instrument belongs here; without a label it is the bench's."""
        return not label or label in self.labels

    @cached_property
    def compared(self) -> list[str]:
        """Those that have something to be held against, in the same order."""
        return [label for label in self.labels if self.order[label] in self.shared.compared]

    @cached_property
    def powered(self) -> list[str]:
        """Those that measure power, in the same order."""
        return [label for label in self.labels if self.order[label] in self.grid.powered]

    @cached_property
    def blocks(self) -> dict[str, Blocks]:
        """The blocks of each compared instrument."""
        return {self.grid.labels[i]: blocks for i, blocks in self.shared.blocks.items()}

    @property
    def reference(self) -> str:
        """What the others are compared with, in words."""
        return "the median of all" if self.study.reference == CONSENSUS else self.study.reference

    def differences(self, label: str) -> list[tuple[str, Difference]]:
        """What one instrument differs by, segment by segment, with names."""
        found = [
            (plain(s.name, 60), d)
            for s in self.study.segments
            for d in s.differences
            if d.instrument == label
        ]
        found += [
            (plain(f"{c.name} (whole cycles)", 60), d)
            for c in self.study.cycles
            for d in c.differences
            if d.instrument == label
        ]
        return found

    def limit(self, label: str) -> float:
        """The tolerance at high power, percent."""
        return self.grid.limit_percent(self.order[label], 1e9)

    def quiet(self, label: str) -> Bools:
        """Which blocks of an instrument lie in quiet riding."""
        result: Bools = self.blocks[label].edge_percent < QUIET_EDGE
        return result

    def as_left(self, label: str) -> Bools:
        """Which blocks of an instrument lie in its state as left; all where no state is known."""
        known = self.shared.left.get(self.order[label])
        result: Bools = np.ones(len(self.blocks[label].y), dtype=bool) if known is None else known
        return result
