"""Static checks that are kept, beside a session or beside a bench file."""

from pathlib import Path

import msgspec

from monitor.weighing.loads import Load
from monitor.weighing.result import Weighed
from storage.damage import SessionError
from storage.disk import need_plain, read_plain, write_whole

WEIGHTS = "weights.json"
MOST_OCTETS = 1 << 22
MOST_CHECKS = 200


class Check(msgspec.Struct, frozen=True):
    """One static check: when, of which instrument, under which setting, what was read, what follows.

    `gravity` says where the value is from. `by_radio`: readings that came from the instrument's packets.
    """

    utc: str
    instrument: str
    serial: str
    gravity_mps2: float
    gravity: str
    crank_length_mm: float
    mass_tolerance_percent: float
    level_deg: float
    resolution_nm: float
    loads: list[Load]
    by_radio: int
    results: list[Weighed]


class Checks(msgspec.Struct, frozen=True):
    """`weights.json`: the checks in the order in which they were made."""

    format: int = 1
    runs: list[Check] = []


def read_checks(path: Path) -> Checks:
    """What is kept in a file; nothing where there is none. SessionError: it makes no sense."""
    try:
        checks = msgspec.json.decode(read_plain(path, MOST_OCTETS), type=Checks)
    except FileNotFoundError:
        return Checks()
    except (OSError, msgspec.MsgspecError, UnicodeError, RecursionError) as error:
        remedy = "Correct it, or move it away: nothing else depends on it"
        raise SessionError(path, f"can't be read ({error})", remedy) from None
    if checks.format != 1:
        raise SessionError(path, f"has format {checks.format}", "A later version of this program reads it")
    return checks


def keep_check(path: Path, check: Check) -> None:
    """Add a check to a file. SessionError: it can't be read or written, or is full."""
    runs = [*read_checks(path).runs, check]
    if len(runs) > MOST_CHECKS:
        raise SessionError(path, f"has {MOST_CHECKS} checks already", "Move it away and begin a new one")
    try:
        if path.is_symlink() or path.exists():
            need_plain(path)
        data = msgspec.json.format(msgspec.json.encode(Checks(runs=runs)), indent=1) + b"\n"
        write_whole(path, data, replace=True)
    except OSError as error:
        reason = f"can't be written ({error.strerror or error})"
        raise SessionError(path, reason, "Check its rights") from None
