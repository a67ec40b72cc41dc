"""`doctor`: the checks of this computer, printed."""

import msgspec

from monitor.commands.talk import give, tell
from monitor.doctor import Check, examine, radio_usable

MARKS = {"ok": "ok   ", "note": "note ", "wrong": "WRONG"}


def doctor(json: bool, checks: list[Check] | None = None) -> int:
    """Print each check; 3 if neither radio can be used, else 0."""
    checks = examine() if checks is None else checks
    usable = radio_usable(checks)
    if json:
        give(msgspec.json.encode(checks).decode())
    else:
        for check in checks:
            give(f"{MARKS[check.state]}  {check.name:<10} {check.told}")
            if check.remedy:
                give(f"       {'':<10} {check.remedy}")
    if not usable:
        tell("neither radio can be used: only scenes, capture logs and recorded sessions will run")
    return 0 if usable else 3
