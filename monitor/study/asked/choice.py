"""A part of a study: chosen instruments, and segments whose names fit a pattern."""

from collections.abc import Sequence
from fnmatch import fnmatchcase
from typing import TypeVar

import msgspec

from monitor.study.parts.stroke.results import StrokeStudy
from monitor.study.results import SamePeak, SegmentStudy, Sprint, StretchStudy, Study

V = TypeVar("V")
S = TypeVar("S", bound=SegmentStudy)


def choose(study: Study, labels: Sequence[str] = (), pattern: str = "") -> Study:
    """The study with these instruments alone and with segments that fit; nothing is judged anew.

    What an instrument is compared with stays named where it is compared: `sessions.exports.renamed` gives it
    another name before. `pattern` as in a shell
    (`*`, `?`, `[...]`), without any of these a part of the name; case does not matter.
    """
    if labels:
        study = _with(study, frozenset(labels))
    if pattern:
        study = msgspec.structs.replace(
            study,
            segments=[s for s in study.segments if fits(s.name, pattern)],
            stretches=[s for s in study.stretches if fits(s.name, pattern)],
            cycles=[c for c in study.cycles if fits(c.name, pattern)],
            repeats=[r for r in study.repeats if fits(r.name, pattern)],
            efficiency=[e for e in study.efficiency if fits(e.segment, pattern)],
            target=[t for t in study.target if fits(t.segment, pattern)],
        )
    return study


def fits(name: str, pattern: str) -> bool:
    """Whether a segment's name fits a pattern."""
    pattern, name = pattern.lower(), name.lower()
    return fnmatchcase(name, pattern if any(sign in pattern for sign in "*?[") else f"*{pattern}*")


def _with(study: Study, labels: frozenset[str]) -> Study:
    return msgspec.structs.replace(
        study,
        segments=[_segment(s, labels) for s in study.segments],
        stretches=[_segment(s, labels) for s in study.stretches],
        instruments={label: i for label, i in study.instruments.items() if label in labels},
        shifts=[s for s in study.shifts if s.instrument in labels],
        cycles=[
            msgspec.structs.replace(c, differences=[d for d in c.differences if d.instrument in labels])
            for c in study.cycles
        ],
        repeats=[r for r in study.repeats if r.instrument in labels],
        splits=[s for s in study.splits if s.instrument in labels],
        agreement=[a for a in study.agreement if a.instrument in labels],
        splits_found=[s for s in study.splits_found if s.instrument in labels],
        agreement_found=[a for a in study.agreement_found if a.instrument in labels],
        lines=[x for x in study.lines if x.instrument in labels],
        peaks=[
            msgspec.structs.replace(
                p, best_w=_of(p.best_w, labels), best_start_s=_of(p.best_start_s, labels),
                same_window_w=_of(p.same_window_w, labels),
            )
            for p in study.peaks
        ],
        sprint_statistics=[s for s in study.sprint_statistics if s.instrument in labels],
        highest=[_peak(p, labels) for p in study.highest],
        efficiency=[e for e in study.efficiency if {e.hub, e.crank} <= labels],
        open=[o for o in study.open if not o.instrument or o.instrument in labels],
        acts_judged=[a for a in study.acts_judged if a.instrument in labels],
        rider=[r for r in study.rider if r.instrument in labels],
        cadence=[c for c in study.cadence if c.instrument in labels],
        target=[t for t in study.target if t.instrument in labels],
        tasks=None if study.tasks is None else msgspec.structs.replace(
            study.tasks,
            cure=[t for t in study.tasks.cure if t.instrument in labels],
            other=[t for t in study.tasks.other if not t.instrument or t.instrument in labels],
        ),
        strokes=None if study.strokes is None else StrokeStudy(
            [s for s in study.strokes.stretches if s.instrument in labels],
            [e for e in study.strokes.effects if e.instrument in labels],
            [v for v in study.strokes.vectors if v.instrument in labels],
        ),
    )  # fmt: skip


def _of(values: dict[str, V], labels: frozenset[str]) -> dict[str, V]:
    return {label: value for label, value in values.items() if label in labels}


def _segment(segment: S, labels: frozenset[str]) -> S:
    changes: dict[str, object] = {
        "means": _of(segment.means, labels),
        "differences": [d for d in segment.differences if d.instrument in labels],
    }
    if segment.sprint is not None:
        s = segment.sprint
        changes["sprint"] = Sprint(
            _of(s.peaks_w, labels), _of(s.work_kj, labels), _of(s.peak_s, labels),
            [_peak(p, labels) for p in s.same],
        )  # fmt: skip
    if isinstance(segment, StretchStudy):
        changes["peaks"] = [_peak(p, labels) for p in segment.peaks]
    return msgspec.structs.replace(segment, **changes)


def _peak(peak: SamePeak, labels: frozenset[str]) -> SamePeak:
    return msgspec.structs.replace(
        peak,
        power_w=_of(peak.power_w, labels),
        differences=[d for d in peak.differences if d.instrument in labels],
        clipped=[label for label in peak.clipped if label in labels],
    )
