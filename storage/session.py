"""The session folder: made under a name that nothing else has, and opened with helpful words."""

import contextlib
import difflib
import errno
import re
import shutil
from pathlib import Path

import msgspec

from capture.record import FORMAT
from storage.damage import SessionError
from storage.disk import Disk, read_plain
from storage.info import NAME, SessionInfo, read_info, write_info
from storage.journal import MAIN, read_journal

LIVE, LOG = "live.json", "recorder.log"
LOG_LIMIT = 16 << 20
"""Octets of the recorder's log; what would come after them is left out."""
_NAME_LIMIT = 48
_UNSAFE = re.compile(r"[^A-Za-z0-9_.-]+")


class Live(msgspec.Struct, frozen=True):
    """`live.json`: where the recorder of this session listens on 127.0.0.1, and its secret."""

    port: int
    token: str
    pid: int


class Session(msgspec.Struct, frozen=True):
    """A session folder and what its `session.json` said when it was opened."""

    path: Path
    info: SessionInfo


def safe_name(name: str) -> str:
    """A name as a part of a path on any system: letters, digits, `-_.`, at most 48 characters."""
    return _UNSAFE.sub("-", name).strip("-.")[:_NAME_LIMIT].strip("-.") or "session"


def free_path(path: Path) -> Path:
    """`path` if nothing is there, else the first of `-2`, `-3`, ... before the suffix."""
    for number in range(1, 10_000):
        candidate = _numbered(path, number)
        if not candidate.exists() and not candidate.is_symlink():
            return candidate
    raise SessionError(path, "has ten thousand namesakes", "Choose another folder")


def _numbered(path: Path, number: int) -> Path:
    return path if number == 1 else path.with_name(f"{path.stem}-{number}{path.suffix}")


def is_numbered(name: str, candidate: str) -> bool:
    """Whether `candidate` is `name`, or `name` with a number as `free_path` gives."""
    stem, suffix = Path(name).stem, Path(name).suffix
    return re.fullmatch(rf"{re.escape(stem)}(-[0-9]{{1,4}})?{re.escape(suffix)}", candidate) is not None


def make_folder(out: Path, name: str) -> Path:
    """A new folder `name` under `out`, with a number behind it if the name is taken.

    Raises:
        SessionError: it can't be made.
    """
    try:
        out.mkdir(parents=True, exist_ok=True)
        for number in range(1, 10_000):
            # Not `free_path`: a dot in the name of a folder begins no suffix.
            path = out / (name if number == 1 else f"{name}-{number}")
            try:
                path.mkdir()
            except FileExistsError:
                continue
            # Its name has to last as its files do, and so has that of a new `out`.
            path = path.resolve()
            for folder in path.parents[:2]:
                with contextlib.suppress(PermissionError):  # one that may be written to, but not be read
                    Disk().sync_folder(folder)
            return path
    except (NotADirectoryError, FileExistsError):
        raise SessionError(out, "is not a folder", "Give a folder, or remove the file") from None
    except OSError as error:
        problem = f"no folder for the session can be made there ({error.strerror or error})"
        raise SessionError(out, problem, _remedy(error)) from None
    raise SessionError(out / name, "has ten thousand namesakes", "Choose another folder")


def _remedy(error: OSError) -> str:
    if error.errno in (errno.ENOSPC, errno.EDQUOT):
        return "Make room, or choose a folder on another disk"
    return "Choose a folder that you may write to"


def create_session(out: Path, stamp: str, info: SessionInfo) -> Session:
    """A new session folder with its `session.json`.

    Args:
        out: the folder of all sessions; it is made if need be.
        stamp: local time as `2026-11-25-190312`; whoever has a clock tells it.
        info: what is known at the start; `info.name` goes into the folder's name.

    Raises:
        SessionError: the folder or the file can't be made.
    """
    path = make_folder(out, f"{stamp}-{safe_name(info.name)}")
    try:
        write_info(path, info)
    except OSError as error:
        # Not a session yet, and only ours: `session.json` may be there, though the disk did not confirm it.
        shutil.rmtree(path, ignore_errors=True)
        raise SessionError(path, f"can't be written to ({error.strerror or error})", _remedy(error)) from None
    return Session(path, info)


def open_session(path: Path | str) -> Session:
    """A session folder that is there; a file inside it will do, too.

    If `session.json` is gone or unreadable the journal's header stands in, and a remark says so.

    Raises:
        SessionError: there is no session, or a later version recorded it.
        DamagedSession: there is one, but neither description nor journal can be read.
    """
    path = Path(path)
    if not path.exists():
        raise SessionError(path, "is not there", _nearest(path))
    if path.is_file() and (path.name in (MAIN, NAME) or (path.parent / MAIN).exists()):
        path = path.parent
    if not path.is_dir():
        raise SessionError(path, "is a file, not a session folder", _nearest(path))
    if not (path / NAME).exists() and not (path / MAIN).exists():
        raise SessionError(path, f"is not a session: it holds neither {NAME} nor {MAIN}", _nearest(path))
    path = path.resolve()
    try:
        info = read_info(path)
        remark = f"{NAME} is missing; this is what the journal tells"
    except SessionError as error:
        if not (path / MAIN).exists():
            raise
        info, remark = None, f"{NAME} {error.problem}; this is what the journal tells"
    if info is None:
        header, records = read_journal(path)
        records.close()
        info = SessionInfo(
            format=header.format,
            program=header.program,
            name=path.name,
            bench=header.bench,
            protocol=header.protocol,
        )
        info.clock.utc_ns = header.utc_ns
        info.remarks.append(remark)
    if info.format > FORMAT:
        problem = f"was recorded by a later version ({info.program}, format {info.format})"
        raise SessionError(path, problem, f"Update this program: it reads up to format {FORMAT}")
    return Session(path, info)


def _nearest(path: Path) -> str:
    """A remedy that names the sessions nearby."""
    folder = path if path.is_dir() else path.parent
    try:
        names = sorted(each.parent.name for each in folder.glob(f"*/{MAIN}"))
    except OSError:
        names = []
    if not names:
        return "Give the folder of a session, as printed when it was recorded"
    close = difflib.get_close_matches(path.name, names, n=1, cutoff=0.5)
    if close:
        return f"Did you mean {folder / close[0]}?"
    return f"There are {len(names)} sessions in {folder}, the last is {folder / names[-1]}"


def read_live(folder: Path) -> Live | None:
    """Where the session's recorder listens; None if it isn't being recorded, as far as the file tells."""
    try:
        return msgspec.json.decode(read_plain(folder / LIVE, 1 << 16), type=Live)
    except (OSError, msgspec.MsgspecError, UnicodeError):
        return None
