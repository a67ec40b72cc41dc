"""What the derived files of a session were made from, and which of them this very program made.

`derived.json` says it. A file of another state of the session is made anew beside the old one. The study, the
report and the recording as arrays need not be made again where they are, octet for octet, what this program
wrote of the same records: whatever is foreign, damaged, exchanged or older is made, never believed.
"""

import contextlib
import hashlib
from collections.abc import Iterator, Mapping
from functools import cache
from pathlib import Path

import msgspec

from monitor import __version__
from monitor.study.kept import MOST_OCTETS, KeptError, kept_octets, recording_of
from monitor.study.recording import Recording
from storage.disk import is_plain, need_plain, read_plain, write_whole
from storage.journal import MAIN, SIDE
from storage.remainder import remainder_of
from storage.session import free_path, is_numbered

FINDINGS, SAMPLES, GRID, STUDY, REPORT = (
    "findings.jsonl", "samples.parquet", "grid.parquet", "study.json", "report.html",
)  # fmt: skip
NAMES = (SAMPLES, GRID, FINDINGS, STUDY, REPORT)
OF_THE_RIDE = (SAMPLES, GRID, FINDINGS)
"""Those in which nothing that is asked afterwards changes anything."""
RECORDING = "recording.npz"
"""The session as arrays: what every question starts from, in place of the journal. It is for no reader, so
that a new one takes the place of an old one, and none is needed."""
DERIVED = "derived.json"
"""Says what the others were made from."""


class MadeFrom(msgspec.Struct, frozen=True, omit_defaults=True):
    """What derived files were made from: sizes of the journal's files, the amendments, the version."""

    journal_octets: int
    checksum_octets: int
    rest_octets: int
    amendments_sha256: str
    program: str
    joined_octets: int = 0
    """Of ride files that joined it."""
    asked_sha256: str = ""
    """Of stretches and words: study and report alone are made with them."""

    @property
    def of_the_ride(self) -> "MadeFrom":
        """The same without what was asked of the session."""
        return msgspec.structs.replace(self, asked_sha256="")


class Derived(msgspec.Struct, frozen=True):
    """`derived.json`: what the derived files were made from, and under which name each is kept."""

    made_from: MadeFrom
    files: dict[str, str]
    sha256: dict[str, str] = {}
    """Of the files that a program of this fingerprint made of just these records."""
    code_sha256: str = ""
    records_sha256: str = ""


def made_from(folder: Path) -> MadeFrom:
    """What files derived from a session would be made from now. SessionError: bad amendments."""
    from monitor.sessions.acts import AMENDMENTS, MOST_OCTETS
    from monitor.sessions.asked import fingerprint
    from monitor.sessions.imports.joined import joined_octets

    try:
        amendments = read_plain(folder / AMENDMENTS, MOST_OCTETS)
    except OSError:
        # What is wrong with it is told by whoever reads it.
        amendments = b""
    rest = remainder_of(folder)
    return MadeFrom(
        _octets(folder / MAIN),
        _octets(folder / SIDE),
        0 if rest is None else _octets(rest / MAIN),
        hashlib.sha256(amendments).hexdigest() if amendments else "",
        f"plumbwatt {__version__}",
        joined_octets(folder),
        fingerprint(folder),
    )


def _octets(path: Path) -> int:
    try:
        return need_plain(path)
    except OSError:
        return 0


def up_to_date(folder: Path) -> dict[str, Path]:
    """The derived files that are there and were made from the session as it is now, by their name."""
    return _current(folder, _known(folder))


def _current(folder: Path, known: Derived | None) -> dict[str, Path]:
    now = made_from(folder)
    if known is None or known.made_from.of_the_ride != now.of_the_ride:
        return {}
    names = NAMES if known.made_from == now else OF_THE_RIDE
    paths = {name: folder / known.files[name] for name in names if name in known.files}
    return {name: path for name, path in paths.items() if is_plain(path)}


def trusted(folder: Path, name: str) -> bytes | None:
    """The octets of STUDY, REPORT or RECORDING, if this very program made it of these records; else None.

    They are those that were written then: a file that was exchanged is not read, but made again.
    """
    known = _known(folder)
    if known is None or name not in known.sha256 or known.code_sha256 != code_sha256():
        return None
    if name == RECORDING:
        same = known.made_from.of_the_ride == made_from(folder).of_the_ride
        path = folder / RECORDING if same else None
    else:
        path = _current(folder, known).get(name)
    if path is None or known.records_sha256 != records_sha256(folder):
        return None
    try:
        octets = read_plain(path, MOST_OCTETS)
    except OSError:
        return None
    return octets if hashlib.sha256(octets).hexdigest() == known.sha256[name] else None


@cache
def code_sha256() -> str:
    """A fingerprint of this program: the same source says the same of the same journal."""
    found = hashlib.sha256()
    root = Path(__file__).parents[2]
    for package in ("capture", "monitor", "storage"):
        # A report is made of its template, style and script as well.
        for path in sorted(
            p for p in (root / package).rglob("*") if p.suffix in (".py", ".j2", ".css", ".js")
        ):
            found.update(path.relative_to(root).as_posix().encode() + b"\0" + path.read_bytes())
    return found.hexdigest()


def records_sha256(folder: Path) -> str:
    """A fingerprint of all records of a session: a bit that fell over on the disk changes it, too."""
    return _records_sha256(tuple(_signatures(folder)))


@cache
def _records_sha256(files: tuple[tuple[Path, int, int], ...]) -> str:
    found = hashlib.sha256()
    for path, octets, _changed in files:
        found.update(f"{path.name} {octets}\0".encode())
        with contextlib.suppress(OSError), path.open("rb") as file:
            while data := file.read(1 << 20):
                found.update(data)
    return found.hexdigest()


def _signatures(folder: Path) -> Iterator[tuple[Path, int, int]]:
    """Each file with records, how long it is and when it was written, for the time of this process."""
    from monitor.sessions.imports.joined import joined_folders

    rest = remainder_of(folder)
    for place in (folder, *([] if rest is None else [rest]), *joined_folders(folder)):
        for path in (place / MAIN, place / SIDE):
            if is_plain(path):
                yield path, _octets(path), path.lstat().st_mtime_ns


def _known(folder: Path) -> Derived | None:
    """What `derived.json` says; None if there is none of ours."""
    try:
        known = msgspec.json.decode(read_plain(folder / DERIVED, 1 << 16), type=Derived)
    except (OSError, msgspec.MsgspecError, UnicodeError, RecursionError):
        return None
    # A session of others must not lead out of its folder.
    good = all(is_numbered(name, written) for name, written in known.files.items())
    return known if good else None


def plan(folder: Path, afresh: bool) -> dict[str, Path]:
    """Where the files that are missing are to be written, by their name; told in `derived.json` first.

    A file gets its name only as a whole: so what is written there before the files is true of
    whichever of them is there. OSError: it can't be written.
    """
    now, known = made_from(folder), _known(folder)
    there = {} if afresh else _current(folder, known)
    wanted = {name: free_path(folder / name) for name in NAMES if name not in there}
    files = {name: path.name for name, path in {**there, **wanted}.items()}
    still = set(there)
    if known is not None and known.made_from.of_the_ride == now.of_the_ride:
        still.add(RECORDING)
    kept = {} if known is None else {n: s for n, s in known.sha256.items() if n in still}
    code, records = ("", "") if known is None or not kept else (known.code_sha256, known.records_sha256)
    _write(folder, Derived(now, files, kept, code, records))
    return wanted


def vouch(folder: Path, made: Mapping[str, bytes]) -> None:
    """Say in `derived.json` what was written, so that what is unchanged need not be made again."""
    known = _known(folder)
    if known is None or not made:
        return
    code, records = code_sha256(), records_sha256(folder)
    same = (known.code_sha256, known.records_sha256) == (code, records)
    sha256 = {name: hashlib.sha256(octets).hexdigest() for name, octets in made.items()}
    sha256 = {**known.sha256, **sha256} if same else sha256
    with contextlib.suppress(OSError):
        _write(folder, Derived(known.made_from, known.files, sha256, code, records))


def _write(folder: Path, derived: Derived) -> None:
    write_whole(folder / DERIVED, msgspec.json.encode(derived) + b"\n", replace=True)


# -- the recording as arrays


def kept_recording(folder: Path) -> Recording | None:
    """The session as arrays, as this program kept it of what is there now; None: its journal must run."""
    octets = trusted(folder, RECORDING)
    if octets is None:
        return None
    try:
        return recording_of(octets)
    except KeptError:
        return None


def keep_recording(folder: Path, recording: Recording) -> None:
    """Keep the arrays of a session whose journal is whole; where the disk refuses, they are made again."""
    octets = kept_octets(recording)
    if octets is None:
        return
    with contextlib.suppress(OSError):
        now, known = made_from(folder), _known(folder)
        if known is None or known.made_from.of_the_ride != now.of_the_ride:
            _write(folder, Derived(now, {}))
        write_whole(folder / RECORDING, octets, replace=True)
        vouch(folder, {RECORDING: octets})
