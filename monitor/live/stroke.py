"""The stroke as it is now, beside what it was when the present state began; for a page of the screen."""

from collections import deque
from collections.abc import Callable
from typing import Final

from monitor.analysis.stroke.circular import wrapped
from monitor.analysis.stroke.series import Block, Series, Side
from monitor.analysis.stroke.summary import mean_of, mean_shape
from monitor.analysis.stroke.track import StrokeSecond, StrokeTrack
from monitor.live.view import SideView, StrokeView

FIRST_S: Final = 60
"""Seconds with something reported, from the beginning of a state on, that the present is held against."""
LAST_S: Final = 30
"""Seconds that are the present."""
LEAST_BLOCKS: Final = 3
"""With fewer blocks an angle has no interval."""


StrokeSink = Callable[[int, int, StrokeSecond], None]


class LiveStroke:
    """One instrument's stroke; memory is bounded.

    `measures` is the bench's word for its sides; `sink(index, second, row)` gets each second as well.
    """

    def __init__(self, index: int, measures: str, sink: StrokeSink | None = None) -> None:
        self.track = StrokeTrack(self._take)
        self._index, self._sink = index, sink
        self._measures = measures
        self._began_s = 0.0
        self._first: list[tuple[int, StrokeSecond]] = []
        self._last: deque[tuple[int, StrokeSecond]] = deque(maxlen=LAST_S)
        empty = Series(0, [], self.track.vectors, "", measures)
        self._was: tuple[object, Series, list[Block]] = (None, empty, [])
        self._seen: tuple[object, StrokeView | None] = (None, None)

    def _take(self, second: int, row: StrokeSecond) -> None:
        if self._sink is not None:
            self._sink(self._index, second, row)
        if len(self._first) < FIRST_S and second >= self._began_s:
            self._first.append((second, row))
        self._last.append((second, row))

    def begin(self, t_s: float) -> None:
        """A new state begins: what comes from now on is what later strokes are held against."""
        self._began_s = t_s
        self._first.clear()

    def view(self, label: str, place: str, now_s: float) -> StrokeView | None:
        """What a screen shows of it; None if it never reported anything."""
        if not self.track.reports:
            return None
        newest = self._last[-1][0] if self._last else -1
        at = newest, len(self._first), self._began_s, place
        if self._seen[0] != at:
            self._seen = at, self._view(label, place, now_s)
        return self._seen[1]

    def _view(self, label: str, place: str, now_s: float) -> StrokeView:
        if self._was[0] != (len(self._first), self._began_s, place):
            earlier = self._series(self._first, place)
            blocks_of_first = earlier.blocks(0.0, earlier.seconds)
            self._was = (len(self._first), self._began_s, place), earlier, blocks_of_first
        _, first, before = self._was
        recent = [(s, row) for s, row in self._last if s >= now_s - LAST_S]
        now = self._series(recent, place)
        blocks = now.blocks(0.0, now.seconds)
        sides = tuple(_side(now, blocks, first, before, side) for side in now.sides)
        position = next((row.position for _, row in reversed(recent) if row.position), "")
        vectors = self.track.vectors
        return StrokeView(
            label, self._began_s, sides, position, vectors.packets, vectors.lost_packets, len(self._first)
        )

    def _series(self, rows: list[tuple[int, StrokeSecond]], place: str) -> Series:
        begin = rows[0][0] if rows else 0
        # Whole blocks: nothing may be left out at the end.
        seconds = 10 * ((rows[-1][0] - begin) // 10 + 1) if rows else 0
        moved = [(second - begin, row) for second, row in rows]
        return Series(seconds, moved, self.track.vectors, place, self._measures)


def _side(now: Series, blocks: list[Block], first: Series, before: list[Block], side: Side) -> SideView:
    peak, was = now.peak(blocks, side), first.peak(before, side)
    change = None if peak is None or was is None else wrapped(peak.mean_deg - was.mean_deg)
    u95 = None
    if peak is not None and was is not None and min(peak.n, was.n) >= LEAST_BLOCKS:
        u95 = (peak.u95_deg**2 + was.u95_deg**2) ** 0.5
    shapes = [
        mean_shape([x.shape for b in lot if (x := b.sides.get(side)) is not None and x.shape is not None])[0]
        for lot in (blocks, before)
    ]
    mine = [b.sides[side] for b in blocks if side in b.sides]
    phase = (mine[-1].phase_start_deg, mine[-1].phase_end_deg) if mine else None
    return SideView(
        side,
        None if peak is None else peak.mean_deg,
        change,
        u95,
        tuple(shapes[0]) if shapes[0] is not None else (),
        tuple(shapes[1]) if shapes[1] is not None else (),
        phase if phase is not None and phase[0] == phase[0] and phase[1] == phase[1] else None,
        mean_of(blocks, side, "effectiveness_percent")[0],
        mean_of(blocks, side, "smoothness_percent")[0],
    )
