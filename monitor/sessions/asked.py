"""What a tester wrote to a session afterwards: stretches and words, each in a file of its own beside it.

The journal and its amendments stay as they are, and so does all that was found: a stretch is one more row,
words are words. Study and report are made with both.
"""

import difflib
import hashlib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TypeVar

import msgspec

from capture.record import Act
from monitor.controls.marks import OPEN, STRETCH
from monitor.study.asked.wanted import MOST_STRETCHES, Wanted
from monitor.text import clock, plain
from storage.damage import SessionError
from storage.disk import need_plain, read_plain, write_whole

STRETCHES, WORDS = "stretches.json", "words.json"
FILES = (STRETCHES, WORDS)
MOST_OCTETS = 1 << 20
LONGEST_WORDS = 2000
KEYS = ("question", "provenance", "condition", "scope", "conclusion")
"""What a tester says of a session, in the order in which it is shown."""

T = TypeVar("T")


class Stretches(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """`stretches.json`: those that were asked for, and the names of live ones that were dropped."""

    stretches: list[Wanted] = []
    forgotten: list[str] = []


def _read(folder: Path, name: str, kind: type[T]) -> T | None:
    path = folder / name
    try:
        return msgspec.json.decode(read_plain(path, MOST_OCTETS), type=kind)
    except FileNotFoundError:
        return None
    except (OSError, msgspec.MsgspecError, UnicodeError, RecursionError) as error:
        remedy = "Correct it, or move it away: nothing else depends on it"
        raise SessionError(path, f"can't be read ({error})", remedy) from None


def _write(folder: Path, name: str, value: object) -> None:
    path = folder / name
    try:
        if path.is_symlink() or path.exists():
            need_plain(path)
        write_whole(path, msgspec.json.format(msgspec.json.encode(value), indent=1) + b"\n", replace=True)
    except OSError as error:
        raise SessionError(
            path, f"can't be written ({error.strerror or error})", "Check its rights"
        ) from None


def fingerprint(folder: Path) -> str:
    """Changes with what is asked of a session; empty while nothing is."""
    octets = b""
    for name in FILES:
        try:
            octets += name.encode() + b"\0" + read_plain(folder / name, MOST_OCTETS) + b"\0"
        except OSError:
            # What is wrong with it is said by whoever reads it.
            continue
    return hashlib.sha256(octets).hexdigest() if octets else ""


# -- stretches


def read_stretches(folder: Path) -> Stretches:
    """What is kept with a session. SessionError: the file makes no sense."""
    kept = _read(folder, STRETCHES, Stretches) or Stretches()
    for each in kept.stretches:
        if each.problem:
            raise SessionError(
                folder / STRETCHES,
                f"has a stretch that is none ({each.problem})",
                "Correct it, or move it away",
            )
    return kept


def from_acts(acts: Sequence[Act]) -> list[Wanted]:
    """Stretches that were opened and closed with the key while riding; one left open ends nowhere."""
    found: list[Wanted] = []
    opened: float | None = None
    for act in acts:
        if act.act != STRETCH:
            continue
        t_s = act.moment_ns / 1e9
        if act.text == OPEN:
            opened = t_s
        elif opened is not None and t_s - opened >= 1.0:
            found.append(Wanted(f"stretch {len(found) + 1}", opened, t_s))
            opened = None
    return found


def wanted_of(folder: Path, acts: Sequence[Act]) -> list[Wanted]:
    """All stretches of a session: those of the live key, then those asked for afterwards."""
    kept = read_stretches(folder)
    names = {each.name for each in kept.stretches}
    live = [w for w in from_acts(acts) if w.name not in kept.forgotten and w.name not in names]
    return [*live, *kept.stretches]


def need_inside(folder: Path, wanted: Sequence[Wanted], seconds: float) -> None:
    """SessionError: one of these begins after the session's `seconds`."""
    for each in wanted:
        if each.from_s >= seconds:
            problem = f"lasts {clock(seconds)}, so {plain(each.name, 40)} does not lie in it"
            raise SessionError(folder, problem, f"Its stretches lie from 0:00 to {clock(seconds)}")


def keep_stretches(folder: Path, wanted: Sequence[Wanted], seconds: float) -> None:
    """Keep further stretches with a session that lasts `seconds`; one of a known name takes its place.

    SessionError: one lies outside the session, or there would be too many.
    """
    need_inside(folder, wanted, seconds)
    kept = read_stretches(folder)
    by_name = {each.name: each for each in [*kept.stretches, *wanted]}
    if len(by_name) > MOST_STRETCHES:
        raise SessionError(
            folder, f"would have more than {MOST_STRETCHES} stretches", "Drop some with --forget"
        )
    forgotten = [name for name in kept.forgotten if name not in by_name]
    if Stretches(list(by_name.values()), forgotten) != kept:
        _write(folder, STRETCHES, Stretches(list(by_name.values()), forgotten))


def forget(folder: Path, names: Sequence[str], acts: Sequence[Act]) -> None:
    """Drop stretches by their names. SessionError: there is none of that name; then none is dropped."""
    kept = read_stretches(folder)
    there = [each.name for each in wanted_of(folder, acts)]
    for name in names:
        if name not in there:
            close = difflib.get_close_matches(name, there, n=1, cutoff=0.5)
            remedy = f"Did you mean {plain(close[0], 40)!r}?" if close else _list_words(there)
            raise SessionError(folder, f"has no stretch {plain(name, 40)!r}", remedy.rstrip("."))
    live = {each.name for each in from_acts(acts)}
    stretches = [each for each in kept.stretches if each.name not in names]
    forgotten = sorted({*kept.forgotten, *(name for name in names if name in live)})
    _write(folder, STRETCHES, Stretches(stretches, forgotten))


def _list_words(names: Sequence[str]) -> str:
    if not names:
        return "It has none"
    return f"It has {', '.join(plain(name, 40) for name in names)}"


# -- words


def read_words(folder: Path) -> dict[str, str]:
    """The tester's words by key, in the order of KEYS. SessionError: the file makes no sense."""
    words = _read(folder, WORDS, dict[str, str]) or {}
    for key, text in words.items():
        if problem := word_problem(key, text):
            raise SessionError(folder / WORDS, problem, "Correct it, or move it away")
    return {key: words[key] for key in KEYS if words.get(key)}


def word_problem(key: str, text: str) -> str:
    """What is wrong with a word; empty: nothing."""
    if key not in KEYS:
        close = difflib.get_close_matches(key, KEYS, n=1, cutoff=0.5)
        hint = f"did you mean {close[0]}?" if close else f"keys are {', '.join(KEYS)}"
        return f"{plain(key, 40)!r} is no key: {hint}"
    if len(text) > LONGEST_WORDS:
        return f"{key} is longer than {LONGEST_WORDS} characters"
    if any(not line.isprintable() for line in text.split("\n")):
        return f"{key} has characters that can't be shown"
    return ""


def set_words(folder: Path, changes: Mapping[str, str]) -> dict[str, str]:
    """Set words, or take one away by an empty text; all that are there then. ValueError: what is wrong."""
    for key, text in changes.items():
        if problem := word_problem(key, text):
            raise ValueError(problem)
    now = {**read_words(folder), **{key: text.strip() for key, text in changes.items()}}
    now = {key: now[key] for key in KEYS if now.get(key)}
    _write(folder, WORDS, now)
    return now
