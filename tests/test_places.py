"""The demo's evening on the screen, frame by frame: nothing moves because a message came."""

import re
from collections.abc import Iterator

import pytest

from capture.scene import Scene, evening
from capture.source import Wanted
from monitor.dashboard.parts.findings import Slots, key_of, open_findings, settled
from monitor.dashboard.parts.places import places
from monitor.dashboard.sheet import Face, draw_sheet
from monitor.live.pipeline import Pipeline
from monitor.live.screen import view_of
from monitor.live.view import View
from monitor.setup.bench import parse_bench

S = 1_000_000_000


def frames(every_s: float) -> Iterator[View]:
    """The views of the built-in evening, one every so many seconds of the session."""
    bench = parse_bench(evening(), "the built-in evening")
    wanted = [Wanted(each.label, each.link, each.profile) for each in bench.instruments]
    pipeline = Pipeline(bench, bench.protocol)
    segments = [
        {"name": each.name, "seconds": each.seconds, **_load(each)}
        for each in (bench.protocol.segments if bench.protocol else ())
    ]
    due_s = every_s
    for record in Scene(bench.scene, wanted, segments).records():
        while record.t_ns >= due_s * S:
            yield view_of(pipeline)
            due_s += every_s
        pipeline.feed(record)


def _load(segment: object) -> dict[str, object]:
    told = {key: getattr(segment, key) for key in ("target_w", "ramp_w", "cadence_rpm", "free", "sprint")}
    return {key: value for key, value in told.items() if value not in (None, False)}


def row_of(lines: list[str], pattern: str, first: int = 0) -> int:
    """The row on which an element stands."""
    return next(row for row in range(first, len(lines)) if re.search(pattern, lines[row]))


def elements(view: View, size: tuple[int, int], slots: Slots) -> dict[str, int]:
    """On which row each element of the bench stands; of the hero, the row of its name."""
    lines = draw_sheet(view, *size, Face(hands=True, slots=slots)).text().split("\n")
    at = places(*size, len(view.lanes))
    found = {
        "header": row_of(lines, r"● REC"),
        "hero": row_of(lines, r"\bheron\b", at.hero.y),
        "axis": row_of(lines, r"-6 % .*\bhub\b.*\+6 %"),
        "advice": row_of(lines, r"^ DO: "),
        "names": row_of(lines, r"── hub$", at.trace.y),
        "power": row_of(lines, r"w: power"),
        "keys": row_of(lines, r"\bspace mark\b|\bm mark\b"),
        "all": len(lines),
    }
    for number, lane in enumerate(view.lanes, 1):
        found[lane.label] = row_of(lines, rf"^ {number} . {lane.label}\b", at.lanes.y)
    return found


def moves(size: tuple[int, int], every_s: float) -> tuple[int, int, int, int]:
    """Frames, how often an element changed its row, how often a finding did, and how many were seen."""
    slots: Slots = ()
    before: dict[str, int] | None = None
    rows: dict[object, int] = {}
    count = changes = finding_moves = 0
    seen = set()
    for view in frames(every_s):
        slots = settled(slots, view)
        now = elements(view, size, slots)
        count += 1
        changes += before is not None and now != before
        before = now
        placed = {key: row for row, key in enumerate(slots) if key is not None}
        assert set(placed) == {key_of(alarm) for alarm in open_findings(view)}
        finding_moves += sum(rows[key] != row for key, row in placed.items() if key in rows)
        rows = dict(placed)
        seen |= set(placed)
    return count, changes, finding_moves, len(seen)


def test_nothing_moves_in_the_demo() -> None:
    """Findings come and go, a link is lost, segments begin, the word of the hero changes: no row does."""
    count, changes, finding_moves, findings = moves((80, 24), 2.0)
    assert count == 180
    assert findings == 4
    assert (changes, finding_moves) == (0, 0)


@pytest.mark.slow
@pytest.mark.parametrize("size", [(80, 24), (100, 30), (120, 40), (200, 60)])
def test_nothing_moves_in_any_frame_at_any_size(size: tuple[int, int]) -> None:
    count, changes, finding_moves, findings = moves(size, 0.25)
    assert count >= 1436
    assert findings == 4
    assert (changes, finding_moves) == (0, 0)
