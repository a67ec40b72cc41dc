"""What a person did, put right after the session: amendments beside the journal, which stays as it was.

`amendments.jsonl` in the session folder has one line per change, appended and never rewritten: which act
(by its number among the acts of the journal, from 1), how it read there, and how it is to be read. The
latest line for an act counts. Replay, study and exports read the journal through `open_session_journal`.
"""

import difflib
import heapq
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import msgspec

from capture.record import Act, Header, Record
from monitor.setup.bench import Instrument, parse_bench
from monitor.setup.toml_check import BenchError
from monitor.text import clock
from storage.damage import Damage, SessionError
from storage.disk import need_plain, read_plain
from storage.remainder import Joined, read_session

if TYPE_CHECKING:
    from monitor.sessions.imports.joined import WithRides

AMENDMENTS = "amendments.jsonl"
LONGEST = 500
"""Characters of a text."""
MOST_OCTETS = 16 << 20
"""Of the file of amendments."""


class Reading(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """An act as it reads: `at_s` is the session second that it belongs to."""

    act: str
    text: str
    instrument: str
    at_s: float

    @classmethod
    def of(cls, act: Act) -> "Reading":
        """How an act of the journal reads."""
        return cls(act.act, act.text, act.instrument, act.moment_ns / 1e9)


class Amendment(msgspec.Struct, frozen=True, forbid_unknown_fields=True, omit_defaults=True):
    """One change. `number` 0: an act that is not in the journal; `now` None: it never happened.

    `was` is how it read before (None for a new one), `id` tells added acts apart, `utc` is when the
    change was made, `why` what for.
    """

    number: int
    now: Reading | None = None
    was: Reading | None = None
    id: int = 0
    utc: str = ""
    why: str = ""


class Listed(msgspec.Struct, frozen=True):
    """An act as a list shows it: `key` is `3`, or `+1` for one that was added; `now` None: removed."""

    key: str
    was: Reading | None
    now: Reading | None

    @property
    def changed(self) -> bool:
        """Whether it reads otherwise than in the journal."""
        return self.was != self.now


def read_amendments(folder: Path) -> list[Amendment]:
    """The amendments of a session, in the order in which they were made; SessionError: a bad line."""
    path = folder / AMENDMENTS
    try:
        lines = read_plain(path, MOST_OCTETS).decode("utf-8").splitlines()
    except FileNotFoundError:
        return []
    except (OSError, UnicodeError) as error:
        raise SessionError(path, f"can't be read ({error})", "Correct it, or move it away") from None
    found = []
    for number, line in enumerate(lines, 1):
        if not line.strip():
            continue
        try:
            found.append(msgspec.json.decode(line, type=Amendment))
        except (msgspec.MsgspecError, UnicodeError) as error:
            remedy = "Correct that line, or move the file away: the journal itself has every act as it was"
            raise SessionError(path, f"line {number} is no amendment ({error})", remedy) from None
    return found


def _latest(amendments: Iterable[Amendment]) -> dict[tuple[int, int], Amendment]:
    """The amendment that counts, by number and id."""
    return {(each.number, each.id): each for each in amendments}


def amended(records: Iterable[Record], amendments: Iterable[Amendment]) -> Iterator[Record]:
    """The records with every act as it is to be read, in order of time.

    An act whose words changed keeps its record time; one that was moved or added stands at the time
    that it belongs to.
    """
    latest = _latest(amendments)
    moved: list[Act] = []
    kept: dict[int, Act | None] = {}
    for (number, _), each in latest.items():
        if number:
            kept[number] = None
        if each.now is None:
            continue
        if number and each.was is not None and each.now.at_s == each.was.at_s:
            kept[number] = Act(0, each.now.act, each.now.text, each.now.instrument)
        else:
            moved.append(Act(_ns(each.now.at_s), each.now.act, each.now.text, each.now.instrument))
    moved.sort(key=lambda act: act.t_ns)
    return heapq.merge(_replaced(records, kept), moved, key=lambda record: record.t_ns)


def _replaced(records: Iterable[Record], kept: dict[int, Act | None]) -> Iterator[Record]:
    number = 0
    for record in records:
        if isinstance(record, Act):
            number += 1
            if number in kept:
                act = kept[number]
                if act is not None:
                    yield msgspec.structs.replace(act, t_ns=record.t_ns, at_ns=record.at_ns)
                continue
        yield record


def planned_as(amendments: Iterable[Amendment]) -> dict[int, str]:
    """Segments that got another name: when each begins, ns, and the name by which the plan knows it."""
    return {
        _ns(each.now.at_s): each.was.text
        for each in _latest(amendments).values()
        if each.now is not None and each.was is not None
        if each.now.act == each.was.act == "segment" and each.now.text != each.was.text
    }


def _ns(at_s: float) -> int:
    return max(0, round(at_s * 1e9))


class AmendedRecords:
    """The records of a session as they are to be read; `damage` as of the journal. One pass."""

    def __init__(self, journal: "Joined | WithRides", amendments: list[Amendment]) -> None:
        self._journal = journal
        self.amendments = amendments
        self._records = amended(journal, amendments) if amendments else iter(journal)
        self.planned_as = planned_as(amendments)

    def __iter__(self) -> Iterator[Record]:
        return self._records

    def __next__(self) -> Record:
        return next(self._records)

    @property
    def damage(self) -> Damage | None:
        """What was wrong with the journal; complete when all was read. None: whole."""
        return self._journal.damage

    def close(self) -> None:
        """Close the file; to be called when the iteration was given up."""
        self._journal.close()


def open_session_journal(folder: Path) -> tuple[Header, AmendedRecords]:
    """Header and records of a session folder, acts as they were put right.

    Raises what `storage.remainder.read_session` raises, and SessionError for a bad amendment.
    """
    # Most sessions have none, and its readers bring numpy.
    from monitor.sessions.imports.joined import with_rides

    amendments = read_amendments(folder)
    header, records = with_rides(folder, *read_session(folder))
    return header, AmendedRecords(records, amendments)


# -- a person's changes


def list_acts(folder: Path) -> list[Listed]:
    """Every act of a session, those that were added last, with how it read and how it reads."""
    _, records = read_session(folder)
    latest = _latest(read_amendments(folder))
    listed = []
    number = 0
    for record in records:
        if isinstance(record, Act):
            number += 1
            was = Reading.of(record)
            change = latest.get((number, 0))
            listed.append(Listed(str(number), was, was if change is None else change.now))
    added = [each for (number, _), each in sorted(latest.items()) if number == 0]
    return listed + [Listed(f"+{each.id}", None, each.now) for each in added]


def edit_act(folder: Path, key: str, utc: str, why: str = "", **changes: Any) -> Listed:
    """Change an act; `changes` are fields of `Reading`. SessionError: there is none of that key."""
    one = _found(folder, key)
    reading = one.now or one.was
    assert reading is not None
    return _write(folder, one, msgspec.structs.replace(reading, **changes), utc, why)


def remove_act(folder: Path, key: str, utc: str, why: str = "") -> Listed:
    """Say that an act never happened. SessionError: there is none of that key."""
    return _write(folder, _found(folder, key), None, utc, why)


def restore_act(folder: Path, key: str, utc: str, why: str = "") -> Listed:
    """Have an act read as in the journal again; an added one is removed. SessionError: none of that key."""
    one = _found(folder, key)
    return _write(folder, one, one.was, utc, why)


def add_act(folder: Path, reading: Reading, utc: str, why: str = "") -> Listed:
    """Add an act that nobody recorded."""
    ids = [each.id for each in read_amendments(folder) if each.number == 0]
    return _write(folder, Listed(f"+{max(ids, default=0) + 1}", None, None), reading, utc, why)


def _found(folder: Path, key: str) -> Listed:
    listed = list_acts(folder)
    one = next((each for each in listed if each.key == key), None)
    if one is None:
        raise SessionError(folder, f"has no act {key}", f"`plumbwatt acts list {folder}` lists them")
    return one


def _write(folder: Path, one: Listed, now: Reading | None, utc: str, why: str) -> Listed:
    if now is not None:
        _check(folder, now, one.now or one.was)
    added = one.key.startswith("+")
    amendment = Amendment(
        number=0 if added else int(one.key),
        now=now,
        was=one.was,
        id=int(one.key[1:]) if added else 0,
        utc=utc,
        why=why,
    )
    path = folder / AMENDMENTS
    try:
        if path.is_symlink() or path.exists():
            need_plain(path)
        with open(path, "ab") as file:
            file.write(msgspec.json.encode(amendment) + b"\n")
    except OSError as error:
        raise SessionError(path, f"can't be written ({error.strerror})", "Check its rights") from None
    return Listed(one.key, one.was, now)


NEEDS_TEXT = frozenset({"segment", "gear", "note", "position"})
KINDS = ("mark", "zeroed", "gear", "note", "position", "segment", "remounted", "setting", "firmware",
         "pause", "resume", "repeat", "finish")  # fmt: skip
"""Kinds of acts that a person may set down afterwards; one that stands in the session is known, too."""


def _check(folder: Path, now: Reading, was: Reading | None) -> None:
    """SessionError, with the nearest right one, if an act can't be of this session."""
    listed = list_acts(folder)
    header, records = open_session_journal(folder)
    last_ns = max((record.t_ns for record in records), default=0)
    kinds = {*KINDS, *(one.was.act for one in listed if one.was is not None)}
    labels = [i.label for i in _instruments(header.bench)]
    wrong = ""
    if now.act not in kinds and (was is None or now.act != was.act):
        wrong, remedy = f"{now.act!r} is no kind of act", _nearest(now.act, sorted(kinds), "Kinds are")
    elif now.instrument and labels and now.instrument not in labels:
        wrong = f"it has no instrument {now.instrument!r}"
        remedy = _nearest(now.instrument, labels, "Its instruments are")
    elif len(now.text) > LONGEST or not now.text.isprintable():
        wrong, remedy = f"the text must be one line of at most {LONGEST} characters", "Shorten it."
    elif now.act in NEEDS_TEXT and not now.text.strip():
        wrong, remedy = f"{now.act} needs a text", "Say what it was."
    elif not 0.0 <= now.at_s <= last_ns / 1e9:
        time = clock(now.at_s) if now.at_s >= 0 else f"{now.at_s:g} s"
        wrong, remedy = f"{time} lies outside it", f"It lasted from 0:00 to {clock(last_ns / 1e9)}."
    if wrong:
        raise SessionError(folder, wrong, f"{remedy} Nothing was changed")


def _instruments(bench: str) -> tuple[Instrument, ...] | list[Instrument]:
    try:
        return parse_bench(bench, "the recorded bench").instruments
    except BenchError:
        # A bench of another version says nothing of labels, and stops nobody.
        return []


def _nearest(given: str, known: Sequence[str], words: str) -> str:
    close = difflib.get_close_matches(given, known, n=1, cutoff=0.5)
    return f"Did you mean {close[0]}?" if close else f"{words} {', '.join(known)}."
