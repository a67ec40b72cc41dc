"""`rescue`: a torn session made whole in a copy, and judged again."""

from pathlib import Path

from monitor.commands.output import write_message, write_result
from monitor.sessions.derived import write_derived
from storage.damage import DamagedSession
from storage.rescue import rescue as rescue_session


def rescue(folder: Path) -> int:
    """Print the path of the whole session; 4 if records were lost. SessionError: there is none."""
    try:
        report = rescue_session(folder)
    except DamagedSession as error:
        write_message(f"plumbwatt: {error}. Nothing can be rescued.")
        return 4
    write_message(f"{folder}: {report.text}")
    if report.path is None:
        return 4
    if report.path.resolve() != folder.resolve():
        write_derived(report.path, lambda text: write_message(f"  {text}"))
    write_result(str(report.path))
    return 0 if report.outcome == "whole" else 4
