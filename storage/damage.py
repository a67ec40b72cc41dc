"""What can be wrong with a session on the disk, in words for the operator."""

from pathlib import Path
from typing import Literal

import msgspec

GAP_LIMIT = 1000
"""Gaps that are kept one by one; further ones are only counted in octets and rows."""


class SessionError(Exception):
    """A folder or file that can't be used as asked: which one, what is the matter, what to do."""

    def __init__(self, path: Path | str, problem: str, remedy: str) -> None:
        self.path, self.problem, self.remedy = Path(path), problem, remedy
        super().__init__(f"{path}: {problem}. {remedy}")


class Gap(msgspec.Struct, frozen=True):
    """A hole in a journal: session time of the last record before and the first after it, ns.

    None: there is no record on that side. `octets` is how much of the file is unreadable there.
    """

    before_ns: int | None
    after_ns: int | None
    octets: int


class Damage(msgspec.Struct, frozen=True, kw_only=True):
    """What a reader met in a journal besides records.

    `torn`: it doesn't end with an `End` record, so the recording was not closed.
    `bytes_lost`: octets that hold no record that could be proved right, among them octets that the
    side file vouches for but the journal no longer has. `rows_lost`: rows that were seen, but
    their checksum is wrong. `seconds_lost`: an estimate, from the times around the gaps and the
    mean rate of the journal. `header`: `replaced` if `session.json` had to stand in for it.
    `pieces_wrong`: pieces of the journal whose checksum is wrong; their rows were proved one by one.
    """

    torn: bool = False
    bytes_lost: int = 0
    rows_lost: int = 0
    seconds_lost: float = 0.0
    gaps: tuple[Gap, ...] = ()
    side: Literal["whole", "missing", "damaged"] = "whole"
    header: Literal["whole", "replaced", "lost"] = "whole"
    pieces_wrong: int = 0

    @property
    def lossy(self) -> bool:
        """Something that was once written can't be read any more."""
        return bool(self.bytes_lost or self.rows_lost or self.header == "lost")

    @property
    def text(self) -> str:
        """One line for the operator."""
        parts = []
        if self.torn:
            parts.append("the recording was not closed")
        if self.side != "whole":
            parts.append(f"the checksum file is {self.side}")
        if self.pieces_wrong and not self.bytes_lost:
            parts.append(f"{self.pieces_wrong} pieces are not as written, but all their records are")
        if self.header == "replaced":
            parts.append("the header is unreadable, session.json tells the same")
        if self.header == "lost":
            parts.append("the header is unreadable, and with it bench and protocol")
        if self.bytes_lost or self.rows_lost:
            lost = f"{self.bytes_lost} octets are unreadable"
            if self.rows_lost:
                lost += f", among them {self.rows_lost} records that were seen but are not as written"
            parts.append(f"{lost} (about {self.seconds_lost:.1f} s)")
        return "; ".join(parts) or "whole"


class DamagedSession(Exception):  # noqa: N818 - it names what was met, not a mistake
    """Nothing, or not what was asked for, can be read of a session: `damage` tells why."""

    def __init__(self, path: Path | str, damage: Damage) -> None:
        self.path, self.damage = Path(path), damage
        super().__init__(f"{path}: {damage.text}")
