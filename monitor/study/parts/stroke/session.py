"""The stroke over a whole session: which stretches it is told for, and by whom."""

from collections.abc import Mapping, Sequence
from itertools import pairwise

from monitor.analysis.block import BLOCK_S
from monitor.study.parts.common import Shared
from monitor.study.parts.states import Pair
from monitor.study.parts.stroke.effects import Stroked, StrokeGroup, effects_of, groups_of, stroked
from monitor.study.parts.stroke.results import ShapeEffect, Stroke, StrokeStudy, VectorCount
from monitor.study.parts.stroke.rider import steps_of
from monitor.study.parts.stroke.summary import stroke_of

TOGETHER_S = 3 * BLOCK_S
"""Changes nearer to each other than this open one state: a stroke is known in blocks."""


def strokes_of(shared: Shared, pairs: Sequence[Pair], copies: Mapping[int, int]) -> StrokeStudy | None:
    """Everything of the stroke; None where nothing is known of any. `copies` are instruments heard twice."""
    if not shared.strokes:
        # Who stood and who sat may have been noted all the same.
        effects = _effects(shared, copies)
        return StrokeStudy([], effects, []) if effects else None
    grid = shared.grid
    edges = _edges(shared, pairs)
    stretches: list[Stroke] = []
    for i, series in shared.strokes.items():
        states = [
            stroke_of(series, grid.labels[i], "state", f"state {k}", a, b)
            for k, (a, b) in enumerate(pairwise(edges), 1)
        ]
        segments = [
            stroke_of(series, grid.labels[i], "segment", s.name, s.start_s + s.settle_s, s.end_s)
            for s in shared.spans
        ]
        stretches += [s for s in (*states, *segments) if s is not None]
    vectors = [
        VectorCount(grid.labels[i], v.packets, v.lost_packets, v.unplaced_packets)
        for i, series in shared.strokes.items()
        if (v := series.vectors).packets
    ]
    return StrokeStudy(stretches, _effects(shared, copies), vectors)


def _edges(shared: Shared, pairs: Sequence[Pair]) -> list[float]:
    """Beginning, end, and all moments at which an instrument or the stroke itself changed."""
    changes = {b.t_s for pair in pairs for b in pair.kept}
    edges = [0.0]
    steps = {t_s for series in shared.strokes.values() for t_s in steps_of(series)}
    for t_s in sorted(changes):
        if t_s > edges[-1]:
            edges.append(t_s)
    for t_s in sorted(steps):
        # A step of the stroke is placed to a block; beside a change it is the same moment.
        if all(abs(t_s - edge) > TOGETHER_S for edge in edges):
            edges.append(t_s)
    return [*sorted(edges), float(shared.grid.seconds)]


def source_of(shared: Shared, i: int, copies: Mapping[int, int]) -> int | None:
    """Whose stroke is the rider's when `i` is asked about: the reference, else another not on test.

    Neither `i` itself nor the same instrument heard over another radio.
    """
    instruments = shared.grid.instruments
    trusted = [
        j
        for j, series in shared.strokes.items()
        if instruments[j].role != "on-test"
        and _root(j, copies) != _root(i, copies)
        and (series.method is not None or series.sides)
    ]
    order = {"vector": 0, "peak phase": 1, "extreme angle": 2}
    return min(
        trusted,
        key=lambda j: (j != shared.grid.reference, order.get(shared.strokes[j].method or "", 3), j),
        default=None,
    )


def _root(i: int, copies: Mapping[int, int]) -> int:
    return copies.get(i, i)


def others_of(shared: Shared, source: int, copies: Mapping[int, int]) -> list[int]:
    """Further instruments that report an angle, each heard once: they confirm or contradict."""
    return [
        j
        for j, series in shared.strokes.items()
        if series.method is not None and _root(j, copies) != _root(source, copies) and j not in copies
    ]


def stroke_groups(shared: Shared, i: int, copies: Mapping[int, int]) -> list[StrokeGroup]:
    """The blocks of an instrument as left, by the stroke that was ridden in them; see `groups_of`."""
    if i not in shared.left:
        return []
    return groups_of(_stroked(shared, i, _asked_source(shared, i, copies)), shared.left[i])


def _stroked(shared: Shared, i: int, source: int | None) -> list[Stroked]:
    """The stroke in each block of an instrument, by `source` (None: by what was noted)."""
    series = None if source is None else shared.strokes[source]
    return stroked(series, shared.blocks[i], shared.noted_positions)


def _asked_source(shared: Shared, i: int, copies: Mapping[int, int]) -> int | None:
    """Whose stroke errors are held against: a trusted instrument's, else its own report.

    That may be wrong, yet the deviation may follow it.
    """
    source = source_of(shared, i, copies)
    return i if source is None and i in shared.strokes else source


def _effects(shared: Shared, copies: Mapping[int, int]) -> list[ShapeEffect]:
    found: list[ShapeEffect] = []
    for i in shared.compared:
        if i not in shared.left:
            continue
        source = _asked_source(shared, i, copies)
        labels = shared.grid.labels
        name = "" if source is None else labels[source]
        found += effects_of(labels[i], name, shared.blocks[i], shared.left[i], _stroked(shared, i, source))
    return found
