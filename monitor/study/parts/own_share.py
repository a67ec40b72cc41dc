"""The side of a step by the instrument's own left share, where no second one knows its sides."""

from collections.abc import Sequence

import msgspec

from monitor.analysis.block import BLOCK_S
from monitor.analysis.curve import LEFT, SIDED, WORK
from monitor.analysis.own_share import MOST_BLOCKS, SETTLING_S, own_share, shares
from monitor.study.parts.common import Shared
from monitor.study.results import ShiftStudy


def with_inference(shared: Shared, shifts: Sequence[ShiftStudy]) -> list[ShiftStudy]:
    """The same steps, each with what the instrument's own left share tells of its side."""
    return [msgspec.structs.replace(s, inference=_inference(shared, s)) for s in shifts]


def _inference(shared: Shared, shift: ShiftStudy) -> str:
    grid = shared.grid
    i = grid.labels.index(shift.instrument)
    alone = grid.instruments[i].sides == "both" and grid.side_references.get(i) is None
    if not alone or shift.side != "total":
        return ""
    cells, reach = shared.recording.cells[:, i], MOST_BLOCKS * BLOCK_S
    step_s = int(shift.t_s)

    def told(begin: int, end: int) -> list[float]:
        part = cells[max(0, begin) : max(0, end)]
        return shares(part[:, LEFT].tolist(), part[:, SIDED].tolist(), part[:, WORK].tolist())

    before = told(step_s - SETTLING_S - reach, step_s - SETTLING_S)
    found = own_share(shift.delta_percent, before, told(step_s + SETTLING_S, step_s + SETTLING_S + reach))
    return "" if found is None else found.words
