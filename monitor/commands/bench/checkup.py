"""`doctor`: the checks of this computer, printed."""

import msgspec

from monitor.commands.output import write_message, write_result
from monitor.doctor import Check, examine, radio_usable

MARKS = {"ok": "ok   ", "note": "note ", "wrong": "WRONG"}


def doctor(json: bool, checks: list[Check] | None = None) -> int:
    """Print each check; 3 if neither radio can be used, else 0."""
    checks = examine() if checks is None else checks
    usable = radio_usable(checks)
    if json:
        write_result(msgspec.json.encode(checks).decode())
    else:
        for check in checks:
            write_result(f"{MARKS[check.state]}  {check.name:<10} {check.seen}")
            if check.remedy:
                write_result(f"       {'':<10} {check.remedy}")
    if not usable:
        write_message("neither radio can be used: only scenes, capture logs and recorded sessions will run")
    return 0 if usable else 3
