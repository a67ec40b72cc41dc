"""One stretch of a session: all that a segment has, for any two times; the one place that computes it."""

from dataclasses import replace

from monitor.analysis.blockstats import Interval
from monitor.study.asked.peaks import same_peaks
from monitor.study.asked.span import Span
from monitor.study.asked.wanted import Wanted
from monitor.study.parts.common import Shared
from monitor.study.parts.differences import difference_with, row_of
from monitor.study.results import StretchStudy

LEAST_BLOCKS = 3
"""Fewer blocks of ten seconds have no ±: a scatter of two is hardly one."""
STRETCH = "stretch"


def stretches_of(shared: Shared, wanted: list[Wanted]) -> list[StretchStudy]:
    """Every stretch that lies in the session, in the order in which they were asked for."""
    return [
        stretch_of(shared, each.from_s, each.to_s, each.name)
        for each in wanted
        if each.from_s < shared.grid.seconds
    ]


def stretch_of(shared: Shared, from_s: float, to_s: float, name: str = "") -> StretchStudy:
    """The whole seconds of [from_s, to_s) of session time as a row of the shape of `segments`.

    `shared` as `study` leaves it: with the changes and the noise that it found. Nothing in it is
    altered. Blocks of ten known seconds are laid from the first second on; without LEAST_BLOCKS of
    them `u95_percent` is None and the verdict undecided. `parts` tells apart what lies between the
    changes of an instrument. The load is as held; nothing is left out for settling.
    """
    span = Span(name, from_s, to_s, STRETCH, 0.0)
    begin, end = shared.grid.clip(span.window())
    differences = []
    for i in shared.compared:
        found = difference_with(shared, i, begin, end, interval_of(shared, i, span), parted=True)
        if found is not None:
            differences.append(found)
    row = row_of(shared, span, differences)
    values = {key: getattr(row, key) for key in row.__struct_fields__}
    return StretchStudy(
        **values, peaks=same_peaks(shared, begin, end), too_short=end - begin < 10 * LEAST_BLOCKS
    )


def interval_of(shared: Shared, i: int, span: Span) -> Interval | None:
    """Mean log ratio of instrument `i` over the blocks of a span of its own; no ± from fewer than three."""
    blocks = shared.grid.blocks(i, [span])
    found = shared.mean_of(i, blocks.y, blocks.begin_s)
    if found is not None and found.n < LEAST_BLOCKS:
        return replace(found, u95=float("inf"))
    return found
