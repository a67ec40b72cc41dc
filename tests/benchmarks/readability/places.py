"""Where people read: the report, the terminal and the screen of several evenings."""

from collections.abc import Iterator
from functools import cache
from pathlib import Path

from monitor.report import report_html
from monitor.report.terminal import study_lines
from monitor.study.parts.common import shared_of
from monitor.study.recording import Recording
from monitor.study.study import study
from tests.benchmarks.readability.count import Measured, line_texts, measured, page_texts
from tests.helpers.rides import evening_recording, record, scene_records

ROOT = Path(__file__).parents[3]


@cache
def recordings() -> dict[str, Recording]:
    """The built-in evening, and the scenes of all faults and of none."""
    found = {"evening": evening_recording()}
    for path in sorted((ROOT / "fixtures" / "scenes").glob("*.toml")):
        found[path.stem] = record(*scene_records(path.read_text("utf-8")))
    return found


def places() -> Iterator[Measured]:
    """The sentences of each place."""
    for name, recording in recordings().items():
        shared = shared_of(recording)
        result = study(recording, shared)
        names = [*recording.labels, *(s.name for s in result.segments)]
        yield measured(f"report, {name}", page_texts(report_html(result, shared)), names)
        yield measured(f"terminal, {name}", line_texts(study_lines(result)), names)
        said = [text for f in recording.findings for text in (f.what, f.do)]
        yield measured(f"screen, {name}", said, names)
