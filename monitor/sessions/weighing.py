"""Static checks that are kept with a session: `weights.json`, a list that only grows."""

from pathlib import Path

import msgspec

from monitor.study.weights.check import Load, Setup, SideResult, overall
from storage.damage import SessionError
from storage.disk import read_plain, write_whole

WEIGHTS = "weights.json"
MOST_OCTETS = 16 << 20


class Weighing(msgspec.Struct, frozen=True, kw_only=True):
    """One static check of one instrument: what was set, what was read, what follows."""

    instrument: str
    unit: str
    utc: str
    setup: Setup
    gravity_mps2: float
    gravity_u_mps2: float
    gravity_source: str
    loads: list[Load]
    sides: list[SideResult]
    notes: str = ""


class Kept(msgspec.Struct, frozen=True, kw_only=True):
    """`weights.json`."""

    format: int = 1
    weighings: list[Weighing] = []


class Latest(msgspec.Struct, frozen=True):
    """The last static check of an instrument: its day, and the gain of the whole."""

    date: str
    gain: float | None
    gain_u95: float | None


def read_weighings(folder: Path) -> list[Weighing]:
    """The static checks of a session, oldest first. SessionError: the file can't be read."""
    path = folder / WEIGHTS
    try:
        return msgspec.json.decode(read_plain(path, MOST_OCTETS), type=Kept).weighings
    except FileNotFoundError:
        return []
    except (OSError, msgspec.MsgspecError, UnicodeError, RecursionError) as error:
        raise SessionError(path, f"is no list of static checks ({error})", "Move it away") from None


def add_weighing(folder: Path, weighing: Weighing) -> Path:
    """Keep a static check with a session; the file. SessionError: it can't be read or written."""
    path = folder / WEIGHTS
    kept = Kept(weighings=[*read_weighings(folder), weighing])
    try:
        write_whole(path, msgspec.json.format(msgspec.json.encode(kept), indent=1) + b"\n", replace=True)
    except OSError as error:
        raise SessionError(path, f"can't be written ({error.strerror or error})", "Make room there") from None
    return path


def latest_weighings(folder: Path) -> dict[str, Latest]:
    """The last static check of each instrument of a session, by label."""
    found: dict[str, Latest] = {}
    for weighing in read_weighings(folder):
        gain = overall(weighing.sides)
        found[weighing.instrument] = Latest(
            weighing.utc[:10],
            gain.value if gain is not None else None,
            gain.u95 if gain is not None else None,
        )
    return found
