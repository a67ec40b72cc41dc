"""The side of a step by the instrument's own left share, where no second one knows its sides."""

from monitor.analysis.block import BLOCK_S
from monitor.analysis.changes.shift import Shift
from monitor.analysis.curve import LEFT, SIDED, WORK
from monitor.analysis.own_share import MOST_BLOCKS, SETTLING_S, OwnShare, own_share, shares
from monitor.live.faults.seen import Seen


def inferred_side(seen: Seen, i: int, shift: Shift) -> OwnShare | None:
    """What the own left share of `i` tells of a step of its total; None: nothing, or others tell it."""
    comparator = seen.comparator
    alone = seen.bench.instruments[i].sides == "both" and comparator.side_references.get(i) is None
    if not alone or shift.side != "total" or shift.drift:
        return None
    ring, reach = comparator.ring, MOST_BLOCKS * BLOCK_S
    step_s = int(shift.since_s)

    def told(begin: int, end: int) -> list[float]:
        begin = max(begin, ring.oldest)
        if end - begin < BLOCK_S:
            return []
        left, sided, work = (ring.series(begin, end, column)[:, i].tolist() for column in (LEFT, SIDED, WORK))
        return shares(left, sided, work)

    before = told(step_s - SETTLING_S - reach, step_s - SETTLING_S)
    after = told(step_s + SETTLING_S, min(ring.end, step_s + SETTLING_S + reach))
    return own_share(shift.percent, before, after)
