"""`session.json`: what one wants to know of a session before opening its journal."""

from pathlib import Path
from typing import Literal

import msgspec

from capture.record import FORMAT, Header
from storage.damage import SessionError
from storage.disk import need_plain, write_whole

NAME = "session.json"
_SIZE_LIMIT = 16 << 20


class Listed(msgspec.Struct, kw_only=True, rename={"reported": "told"}):
    """One instrument of a session; `reported` is what the radio said of it outside its packets."""

    label: str
    link: str = ""
    profile: str | None = None
    packets: int = 0
    reported: dict[str, str] = {}


class Anchor(msgspec.Struct, frozen=True):
    """The same moment on both clocks: session time and wall time, nanoseconds."""

    t_ns: int
    utc_ns: int


class Clock(msgspec.Struct, kw_only=True):
    """Wall time at session time 0 (0: not known), and the first and last tick."""

    utc_ns: int = 0
    anchors: list[Anchor] = []


class Counts(msgspec.Struct, kw_only=True):
    """Records in the journal, and records that could not be kept."""

    records: int = 0
    lost: int = 0


class SessionInfo(msgspec.Struct, kw_only=True):
    """The content of `session.json`; its keys are told in FORMAT.md."""

    format: int = FORMAT
    program: str
    name: str
    started: str = ""
    state: Literal["recording", "closed", "rescued"] = "recording"
    bench: str
    protocol: str = ""
    clock: Clock = msgspec.field(default_factory=Clock)
    instruments: list[Listed] = []
    counts: Counts = msgspec.field(default_factory=Counts)
    remarks: list[str] = []
    rescued_from: str | None = None

    @property
    def header(self) -> Header:
        """The journal's header, as far as this file tells it."""
        return Header(self.bench, self.program, self.clock.utc_ns, self.protocol, self.format)


def read_info(folder: Path) -> SessionInfo | None:
    """The session's `session.json`; None if there is none.

    Raises:
        SessionError: it can't be read, or is not what it should be.
    """
    path = folder / NAME
    remedy = f"Move it away: the journal tells the same; or put a copy of {NAME} in its place"
    try:
        if need_plain(path) > _SIZE_LIMIT:
            raise SessionError(path, f"is longer than {_SIZE_LIMIT >> 20} MiB", remedy)
        return msgspec.json.decode(path.read_bytes(), type=SessionInfo)
    except FileNotFoundError:
        return None
    except OSError as error:
        raise SessionError(
            path, f"can't be read ({error.strerror or error})", "Check disk and rights"
        ) from None
    except (msgspec.MsgspecError, UnicodeError, RecursionError) as error:
        raise SessionError(path, f"is not a session's description ({error})", remedy) from None


def write_info(folder: Path, info: SessionInfo) -> None:
    """Put `session.json` in place as a whole, or leave the old one; OSError if the disk refuses."""
    data = msgspec.json.format(msgspec.json.encode(info), indent=2)
    write_whole(folder / NAME, data + b"\n", replace=True)
