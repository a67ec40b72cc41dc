"""The end of a session whose disk was lost: a journal of its own elsewhere, found again and joined.

What the recorder still has in memory when a disk fails to the end goes to the first of `refuges` that
takes it, into a folder `NAME-rest`. Whoever reads the session looks there.
"""

import contextlib
import itertools
import os
import re
import tempfile
from collections.abc import Iterator
from pathlib import Path

import msgspec

from capture.record import Header, Record
from storage.damage import Damage, DamagedSession, Gap, SessionError
from storage.journal import Records, read_journal
from storage.session import make_folder

SUFFIX = "-rest"
_END = re.compile(rf"(.+){SUFFIX}(-[0-9]+)?")
_NEXT_NS = 2_000_000_000


def refuges() -> list[Path]:
    """Where the end of a session may go, those first that outlast a restart of the computer."""
    places = []
    state = os.environ.get("LOCALAPPDATA" if os.name == "nt" else "XDG_STATE_HOME")
    with contextlib.suppress(RuntimeError):  # who has no home
        places.append((Path(state) if state else Path.home() / ".local" / "state") / "plumbwatt")
    places.append(Path("/var/tmp"))
    with contextlib.suppress(OSError):  # where there is no folder for temporary files
        places.append(Path(tempfile.gettempdir()))
    return places


def make_refuge(session: Path) -> Path:
    """A new folder for the end of a session. SessionError: there is none that can be written to."""
    problem: SessionError | None = None
    for place in refuges():
        try:
            folder = make_folder(place, f"{session.name}{SUFFIX}")
            folder.chmod(0o700)
            return folder
        except (SessionError, OSError) as error:
            problem = problem or SessionError(place, f"can't be used ({error})", "Make room there")
    raise problem or SessionError(session, "has no other place for its end", "Set HOME or TMPDIR")


def session_of(name: str) -> str | None:
    """The name of the session that a folder of that name is the end of; None: it is not named so."""
    found = _END.fullmatch(name)
    return None if found is None else found[1]


def remainder_of(session: Path) -> Path | None:
    """The folder with the end of a session, or None. The latest, if there are several."""
    # Also beside it, where a person puts it who takes both to another computer.
    places = [session.parent, *refuges()]
    found = [path for place in places for path in _ends_in(place, session.name)]
    for path in reversed(found):
        if _is_ours(path) and _belongs(path, session):
            return path
    return None


MOST_GONE = 8
"""So many of the numbers behind a name may have been removed in a row."""


def _ends_in(place: Path, session: str) -> list[Path]:
    """What stands in a folder under the names that ends of a session get, in the order of their making.

    Name by name: to list a folder of thousands of sessions for each of them takes longer than to judge it.
    """
    found: list[Path] = []
    number = gone = 0
    while gone < MOST_GONE:
        number += 1
        path = place / (f"{session}{SUFFIX}" if number == 1 else f"{session}{SUFFIX}-{number}")
        if path.is_dir():
            found.append(path)
            gone = 0
        else:
            gone += 1
    return found


def _is_ours(path: Path) -> bool:
    """A folder that this user made: others may write to a place for temporary files, too."""
    if path.is_symlink() or not path.is_dir():
        return False
    return os.name == "nt" or path.stat().st_uid == os.getuid()


def _belongs(path: Path, session: Path) -> bool:
    try:
        header, records = read_journal(path)
        records.close()
    except (SessionError, DamagedSession, OSError):
        return False
    try:
        own, records = read_journal(session)
        records.close()
    except (SessionError, DamagedSession, OSError):
        # Its disk is gone; the name, to the second, is what is left to go by.
        return True
    return header == own


class Joined:
    """The records of a session, and after them those of its end, if that stands elsewhere. One pass."""

    def __init__(self, main: Records, rest: Path | None) -> None:
        self._main, self.rest = main, rest
        self._end = read_journal(rest)[1] if rest is not None else None
        self._first_ns: int | None = None
        self._records = self._joined()

    def __iter__(self) -> Iterator[Record]:
        return self._records

    def __next__(self) -> Record:
        return next(self._records)

    def _joined(self) -> Iterator[Record]:
        if self._end is None:
            yield from self._main
            return
        first = next(self._end, None)
        self._first_ns = None if first is None else first.t_ns
        tail: list[Record] = []
        for record in self._main:
            if first is not None and record.t_ns >= first.t_ns:
                tail.append(record)
            yield record
        if first is None:
            return
        # A write that was said to have failed may be on the disk all the same.
        ahead = [first, *itertools.islice(self._end, max(0, len(tail) - 1))]
        same = next((n for n in range(len(tail), 0, -1) if tail[-n:] == ahead[:n]), 0)
        yield from ahead[same:]
        yield from self._end

    def _begins_at(self, gap: Gap) -> bool:
        """Whether the end goes on where the main part stops: a tick stands in each second."""
        return self._first_ns is not None and self._first_ns - (gap.before_ns or 0) <= _NEXT_NS

    @property
    def count(self) -> int:
        """Records given so far."""
        return self._main.count + (self._end.count if self._end is not None else 0)

    @property
    def good_octets(self) -> int:
        """Octets of the records given so far."""
        return self._main.good_octets + (self._end.good_octets if self._end is not None else 0)

    @property
    def gaps(self) -> list[Gap]:
        """Holes met so far; see `storage.journal.Records`."""
        return self._main.gaps

    @property
    def damage(self) -> Damage | None:
        """What was wrong, complete when all was read; None: whole, joined or not."""
        found = self._main.damage
        if self._end is None or found is None:
            return found
        torn = self._end.damage is not None and self._end.damage.torn
        joined = msgspec.structs.replace(found, torn=torn)
        last = found.gaps[-1] if found.gaps else None
        if last is not None and last.after_ns is None and self._begins_at(last):
            # Half a write is left at the end of the main part; all of it went to the other one.
            octets = found.bytes_lost - last.octets
            others = found.gaps[:-1]
            joined = msgspec.structs.replace(
                joined,
                bytes_lost=octets,
                gaps=others,
                rows_lost=found.rows_lost if others else 0,
                seconds_lost=found.seconds_lost if others else 0.0,
            )
        return joined if joined != Damage(gaps=()) else None

    def close(self) -> None:
        """Close the files; to be called when the iteration was given up."""
        self._main.close()
        if self._end is not None:
            self._end.close()


def read_session(folder: Path) -> tuple[Header, Joined]:
    """Header and records of a session, with its end wherever it is. Raises as `read_journal`."""
    header, records = read_journal(folder)
    return header, Joined(records, remainder_of(folder))
