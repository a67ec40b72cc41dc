"""`study`: a finished session as tables, JSON and report; several side by side; a folder as an archive."""

from pathlib import Path
from typing import Any

import msgspec

from monitor.commands.asking.judging import Joining, known_study, studied
from monitor.commands.asking.options import NOTHING_MORE, Asked, keep, time_left
from monitor.commands.evenings import ManySessions, study_folder
from monitor.commands.output import (
    UsageError,
    progress_bar,
    write_file,
    write_message,
    write_result,
    write_result_text,
)
from monitor.report.evenings.terminal import evening_lines
from monitor.report.lines.summary import summary_lines
from monitor.report.terminal import comparison_lines, study_lines
from monitor.sessions.derived import MAKE_ROOM, Made, about, missing_words
from monitor.sessions.so_far import to_judge
from monitor.sessions.vouched import REPORT, trusted
from monitor.study.against import Comparison, Given, compare_sessions
from monitor.study.results import Study, encode
from monitor.text import plain
from storage.session import Session, open_session


def study(
    folder: Path,
    json: str | None,
    html: Path | None,
    against: list[Path],
    ride: Path | None = None,
    label: str | None = None,
    so_far: bool = False,
    asked: Asked = NOTHING_MORE,
    many: ManySessions | None = None,
) -> int:
    """Print or write the study of a session, or of a folder of sessions; the exit code.

    4 if records were lost, 2 if the disk refused what belongs into the session's folder. `so_far`: of a
    session that is being recorded, what it has until now.

    Raises SessionError or DamagedSession if it can't be read, BenchError if its bench
    can't, UsageError if a ride file can't join.
    """
    from monitor.sessions.archive import is_archive

    if is_archive(folder):
        if against or ride is not None or asked.of_one:
            raise UsageError(
                f"{folder} is a folder of sessions: --against, --with and what is asked of a ride are "
                "for one session"
            )
        return study_folder(folder, json, html, many or ManySessions(), asked.width)
    if many is not None and many != ManySessions():
        raise UsageError(
            f"{folder} is one session: --by, --references, --jobs and --cluster are for a folder of sessions"
        )
    if (ride is None) != (label is None):
        raise UsageError("--with RIDE.fit and --as LABEL go together")
    sessions = _different([folder, *against], so_far)
    keep(sessions[0], asked)
    # A report that nothing was asked of may be there already.
    kept = None if against or ride or asked.chosen or asked.bench else sessions[0].path
    page = trusted(kept, REPORT) if html is not None and kept is not None else None
    with progress_bar("studying", sessions[0].info) as progress:
        judged = studied(
            sessions[0], progress, Joining(ride, label), asked.bench, asked.only,
            arrays=html is not None and page is None,
        )  # fmt: skip
    given = [Given(plain(sessions[0].path.name), asked.part_of(judged.study))]
    given += [Given(plain(s.path.name), known_study(s, asked.only)) for s in sessions[1:]]
    comparison = compare_sessions(given) if against else None
    if json != "-":
        _print(given[0].study, comparison, asked)
    if json is not None:
        _write_json(json, _json(given, comparison, sessions))
    if html is not None:
        if page is None and kept is not None:
            # What was made just now need not be made again.
            page = trusted(kept, REPORT)
        if page is None and judged.shared is not None:
            from monitor.report import report_html

            page = report_html(given[0].study, judged.shared, comparison, about(sessions[0])).encode()
        write_file(html, page or b"")
    return _end(judged, sessions[0].path)


def _print(result: Study, comparison: Comparison | None, asked: Asked) -> None:
    """The tables of a session, and how it compares with others."""
    width, left = asked.width, time_left(result)
    for line in summary_lines(result, width, left) if asked.summary else study_lines(result, width, left):
        write_result(line)
    if comparison is not None:
        write_result("")
        beside = evening_lines(comparison.side_by_side, width)
        for line in (*beside, "", *comparison_lines(comparison, width)):
            write_result(line)


def _write_json(where: str, text: bytes) -> None:
    if where == "-":
        write_result_text(text)
    else:
        write_file(Path(where), text)


def _end(judged: Made, where: Path) -> int:
    """Say what the disk refused; the exit code."""
    if judged.missing:
        write_message(
            f"plumbwatt: {where}: {missing_words(judged.missing)}. {MAKE_ROOM.format(folder=where)}"
        )
    if judged.damage is not None and judged.damage.lossy:
        return 4
    return 2 if judged.missing else 0


def _different(folders: list[Path], so_far: bool) -> list[Session]:
    """The sessions of these folders. UsageError if one is given twice."""
    paths = [open_session(path).path for path in folders]
    for k, path in enumerate(paths):
        if path in paths[:k]:
            # It would agree with itself, and make every repeatability look better than it is.
            raise UsageError(f"{path} is given twice. Give each session once.")
    return [open_session(to_judge(path, so_far)) for path in paths]


def _json(given: list[Given], comparison: Comparison | None, sessions: list[Session]) -> bytes:
    """The study, as in `study.json`; further sessions under `against`, what changed under `comparison`."""
    if comparison is None:
        return encode(given[0].study)
    whole: dict[str, Any] = msgspec.to_builtins(given[0].study)
    whole["against"] = [
        {"session": str(session.path), "study": msgspec.to_builtins(one.study)}
        for session, one in zip(sessions[1:], given[1:], strict=True)
    ]
    whole["comparison"] = msgspec.to_builtins(comparison)
    return msgspec.json.format(msgspec.json.encode(whole), indent=1) + b"\n"
