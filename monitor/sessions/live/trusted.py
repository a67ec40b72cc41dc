"""What a folder's evenings say of its trusted instruments, kept for the checks before the next ride."""

from pathlib import Path
from typing import TYPE_CHECKING

import msgspec

from monitor.setup.bench import Bench
from monitor.text import plain
from storage.damage import SessionError
from storage.disk import read_plain, write_whole

if TYPE_CHECKING:
    from monitor.study.evenings.references import References

FOLDER, HEALTH = "archive", "references.json"
MOST_OCTETS = 1 << 20
LONGEST = 160


class KeptPair(msgspec.Struct, frozen=True):
    """A pair of trusted instruments by their labels: whether it has changed, and in words."""

    first: str
    second: str
    verdict: str
    text: str


class KeptHealth(msgspec.Struct, frozen=True):
    """`references.json`, as of the last time that the folder was studied."""

    format: int
    pairs: list[KeptPair]


def keep_health(target: Path, found: "References") -> None:
    """Keep it with the data set. SessionError: the disk refuses."""
    pairs = [KeptPair(p.first.label, p.second.label, p.verdict, p.text) for p in found.pairs]
    path = target / HEALTH
    try:
        data = msgspec.json.format(msgspec.json.encode(KeptHealth(1, pairs)), indent=1) + b"\n"
        if path.is_symlink():
            raise SessionError(path, "is a link that leads out of the data set", "Remove it")
        write_whole(path, data, replace=True)
    except OSError as error:
        raise SessionError(path, f"can't be written ({error.strerror or error})", "Make room there") from None


def references_line(folder: Path, bench: Bench) -> str:
    """What to know of this bench's trusted instruments before a ride; empty: nothing, or nobody has looked.

    A comfort before a ride: what can't be read is passed by.
    """
    try:
        known = msgspec.json.decode(read_plain(folder / FOLDER / HEALTH, MOST_OCTETS), type=KeptHealth)
    except (OSError, msgspec.MsgspecError, UnicodeError, RecursionError):
        return ""
    trusted = {i.label for i in bench.instruments if i.role != "on-test"}
    changed = [p.text for p in known.pairs if p.verdict == "changed" and {p.first, p.second} <= trusted]
    return plain(changed[0], LONGEST) if changed else ""
