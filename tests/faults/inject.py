"""Calls to the disk that fail, one by one: `python -m tests.faults.inject`.

Real processes run under `strace`, which lets the n-th call of each thread fail with an error, once or from
there on for ever. Each run is one of:

- *survived*: everything is there, at the latest after the same command once more without a fault;
- *refused*: nothing was begun, and a message says why, with a remedy;
- *lost, said*: records are missing, and as many are said to be;
- *lost*: records or files are missing and nobody said so, a message is missing, or a program's error shows.

    python -m tests.faults.inject                       # all: about a quarter of an hour
    python -m tests.faults.inject --work study --calls fsync rename --most 3
    python -m tests.faults.inject --case record/fsync/EIO/for-ever/2

Exit 1 if anything was lost. Linux only, with `strace` 5.0 or later; no rights are needed.
"""

import argparse
import asyncio
import os
import shutil
import subprocess
import sys
import tempfile
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import msgspec

from capture.record import Record, Store
from capture.scene import evening
from monitor.commands.live import make_job
from monitor.setup.bench import parse_bench
from storage.attach import RecorderError, attach
from storage.connection.job import Refused, Started
from storage.damage import DamagedSession, SessionError
from storage.remainder import read_session

ROOT = Path(__file__).resolve().parents[2]
CALLS = {
    "write": ("write", "pwrite64"),
    "fsync": ("fsync", "fdatasync"),
    "rename": ("rename", "renameat", "renameat2"),
    "link": ("link", "linkat"),
    "ftruncate": ("ftruncate",),
    "mkdir": ("mkdir", "mkdirat"),
}
ERRORS = ("ENOSPC", "EIO")
FORMS = ("once", "for-ever")
WORKS = ("begin", "record", "study", "rescue", "export", "acts")
OUTCOMES = ("survived", "refused", "lost, said", "lost")
LONGEST_S = 240.0
"""Seconds for anything."""


@dataclass(frozen=True)
class Case:
    """One call that fails."""

    work: str
    call: str
    error: str
    form: str
    nth: int

    def __str__(self) -> str:
        return f"{self.work}/{self.call}/{self.error}/{self.form}/{self.nth}"

    @staticmethod
    def parse(text: str) -> "Case":
        """Read a case from its name; ValueError if it is none."""
        work, call, error, form, nth = text.split("/")
        return Case(work, call, error, form, int(nth))


@dataclass(frozen=True)
class Outcome:
    """What came of a case: one of OUTCOMES, or "" where so many calls were never made; and why."""

    case: Case
    outcome: str
    why: str = ""


def traced(case: Case, log: Path, files: Iterable[Path], command: list[str]) -> list[str]:
    """A command with its n-th call failing; of `files` only, if there are any."""
    calls = ",".join(CALLS[case.call])
    when = f"{case.nth}+" if case.form == "for-ever" else str(case.nth)
    only = [word for path in files for word in ("-P", str(path))]
    inject = f"inject={calls}:error={case.error}:when={when}"
    quiet = [] if command[0] == "-p" else ["-qqq"]
    return ["strace", "-f", *quiet, "-o", str(log), *only, "-e", f"trace={calls}", "-e", inject, *command]


def was_injected(log: Path) -> bool:
    """Whether the call was made at all."""
    return log.exists() and "(INJECTED)" in log.read_text(errors="replace")


# -- recording


def begin(case: Case, folder: Path, _whole: Path) -> Outcome:
    """A recorder whose calls fail from its first moment on: it says so, or records."""
    log = folder / "strace"
    recorder = _Recorder(folder, lambda command: traced(case, log, [], command))
    seen = recorder.watched() if recorder.session else []
    code = recorder.ended()
    if not was_injected(log):
        return Outcome(case, "")
    if recorder.session is not None:
        return recorder.kept(case, code, seen)
    if not recorder.line:
        return Outcome(case, "lost", f"the recorder broke: {recorder.said[-300:]}")
    refusal = msgspec.json.decode(recorder.line, type=Refused).error
    good = code == refusal.code == 2 and refusal.remedy and not list((folder / "out").glob("*/*"))
    return Outcome(case, "refused" if good else "lost", f"{refusal.thing}. {refusal.remedy}")


def record(case: Case, folder: Path, _whole: Path) -> Outcome:
    """A recorder whose calls fail once it records: the built-in evening at full speed, with one viewer."""
    recorder = _Recorder(folder)
    if recorder.session is None:
        return Outcome(case, "lost", f"nothing was recorded: {recorder.line!r}")
    log, session = folder / "strace", recorder.session
    # A pipe does not fill up: only what goes to the files of the session fails. The others are files anyway.
    files = [session / name for name in ("journal.arrows", "journal.crc", "recorder.log")]
    command = traced(case, log, files if case.call == "write" else [], ["-p", str(recorder.process.pid)])
    # It waits for its first viewer: until then nothing is written.
    tracer = subprocess.Popen(command, stderr=subprocess.PIPE, text=True)
    assert tracer.stderr is not None
    if "attached" not in (first := tracer.stderr.readline()):
        recorder.process.kill()
        return Outcome(case, "lost", f"strace: {first}")
    seen = recorder.watched()
    code = recorder.ended()
    tracer.communicate()
    return recorder.kept(case, code, seen) if was_injected(log) else Outcome(case, "")


class _Recorder:
    """A recorder in a process of its own; `session` is None if it refused."""

    def __init__(self, folder: Path, wrapped: Callable[[list[str]], list[str]] = list) -> None:
        bench = parse_bench(evening(), "the built-in evening")
        job = make_job(bench, None, folder / "out", speed=float("inf"))
        self._complaints = folder / "complaints"
        with self._complaints.open("wb") as complaints:
            self.process = subprocess.Popen(
                wrapped([sys.executable, "-m", "storage.recorder"]),
                stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=complaints, cwd=ROOT,
            )  # fmt: skip
        assert self.process.stdin is not None
        assert self.process.stdout is not None
        self.process.stdin.write(msgspec.json.encode(job) + b"\n")
        self.process.stdin.close()
        self.line = self.process.stdout.readline()
        self.started = msgspec.json.decode(self.line, type=Started) if b'"port"' in self.line else None
        self.session = Path(self.started.session) if self.started else None

    @property
    def said(self) -> str:
        """What it wrote to stderr."""
        return self._complaints.read_text(errors="replace")

    def watched(self) -> list[Record] | str:
        """All records as its viewer gets them, or what broke that off."""
        assert self.started is not None
        return asyncio.run(_watch(self.started))

    def ended(self) -> int | None:
        """Its exit code; None if it does not end."""
        try:
            return self.process.wait(LONGEST_S)
        except subprocess.TimeoutExpired:
            self.process.kill()
            return None

    def kept(self, case: Case, code: int | None, seen: list[Record] | str) -> Outcome:
        """Whether what a viewer was given can be read back."""
        assert self.session is not None
        if code != 0 or "Traceback" in self.said:
            return Outcome(case, "lost", f"the recorder ended with {code}: {self.said[-300:]}")
        return _kept(case, self.session, seen)


async def _watch(started: Started) -> list[Record] | str:
    """All records of a session as its viewer gets them, or what broke it off."""
    seen: list[Record] = []
    try:
        async with asyncio.timeout(LONGEST_S):
            async with await attach(started) as attachment:
                async for batch in attachment.batches():
                    seen += batch
    except (RecorderError, TimeoutError, SessionError) as error:
        return f"the viewer was cut off after {len(seen)} records: {error!r}"
    return seen


def _kept(case: Case, session: Path, seen: list[Record] | str) -> Outcome:
    if isinstance(seen, str):
        return Outcome(case, "lost", seen)
    try:
        _, records = read_session(session)
        kept = Counter(map(repr, records))
    except (SessionError, DamagedSession, OSError) as error:
        return Outcome(case, "lost", f"the session can't be read: {error}")
    # What is said of a lost disk at the very end can't be on it.
    missing = sum((Counter(repr(r) for r in seen if not isinstance(r, Store)) - kept).values())
    told = max((r.lost for r in seen if isinstance(r, Store)), default=0)
    if not missing:
        return Outcome(case, "survived")
    # The `End` of a session whose disks all fail is seen by its viewers only.
    good = missing <= told + 1
    return Outcome(case, "lost, said" if good else "lost", f"{missing} records missing, {told} said")


# -- all that is made from a recorded session


def plumbwatt(*words: str) -> list[str]:
    """A command line of the program."""
    return [sys.executable, "-m", "monitor.cli", *words]


def run(command: list[str]) -> tuple[int, str, str]:
    """Exit code, stdout, stderr; 124 if it does not end."""
    try:
        done = subprocess.run(
            command,
            cwd=ROOT,
            capture_output=True,
            text=True,
            check=False,
            timeout=LONGEST_S,
            errors="replace",
        )
    except subprocess.TimeoutExpired:
        return 124, "", "it did not end"
    return done.returncode, done.stdout, done.stderr


def on_a_copy(
    words: Callable[[Path], list[str]], there: Callable[[Path, Path], str]
) -> Callable[[Case, Path, Path], Outcome]:
    """A command on a copy of a session. `there(copy, whole)` says what is missing after it went well."""

    def work(case: Case, folder: Path, whole: Path) -> Outcome:
        copy = folder / whole.name
        shutil.copytree(whole, copy)
        before = {name: (copy / name).read_bytes() for name in ("journal.arrows", "journal.crc")}
        log = folder / "strace"
        code, _, said = run(traced(case, log, [], plumbwatt(*words(copy))))
        if not was_injected(log):
            return Outcome(case, "")
        last = said.strip().splitlines()[-1] if said.strip() else ""
        if any((copy / name).read_bytes() != was for name, was in before.items()):
            return Outcome(case, "lost", "the journal was changed")
        if code not in (0, 2, 4) or "Traceback" in said or "this is a bug" in said:
            return Outcome(case, "lost", f"exit {code}: {said.strip()[-300:]}")
        if code == 0 and (missing := there(copy, whole)):
            return Outcome(case, "lost", f"exit 0, and yet {missing}")
        # Where no write goes through, to the terminal either, the exit code is all that can be said.
        if code and not last and case.call != "write":
            return Outcome(case, "lost", f"exit {code} without a word")
        again, _, after = run(plumbwatt(*words(copy)))
        missing = there(copy, whole)
        if again not in (0, 4) or missing:
            return Outcome(case, "lost", f"the second time exit {again}: {after.strip()[-300:]} {missing}")
        return Outcome(case, "survived", f"exit {code}: {last}")

    return work


DERIVED = ("samples.parquet", "grid.parquet", "findings.jsonl", "study.json", "report.html")


def _all_derived(copy: Path, whole: Path) -> str:
    for name in DERIVED:
        stem, suffix = name.split(".")
        made = [*copy.glob(name), *copy.glob(f"{stem}-*.{suffix}")]
        if not made:
            return f"{name} is missing"
        if name in ("findings.jsonl", "study.json") and not any(
            p.read_bytes() == (whole.parent / "reference" / name).read_bytes() for p in made
        ):
            return f"{name} is another than without a fault"
    if parts := [p.name for p in copy.rglob("*.part")]:
        return f"{parts} were left behind"
    return ""


def _rescued(copy: Path, whole: Path) -> str:
    made = [p.parent for p in copy.parent.glob("*/journal.arrows") if p.parent != copy]
    if not made:
        return "there is no whole copy"
    want = [repr(record) for record in read_session(copy)[1]]
    for path in made:
        _, records = read_session(path)
        if [repr(record) for record in records][: len(want)] == want:
            return ""
    return "the copy has not all that can be read"


def _exported(copy: Path, whole: Path) -> str:
    return "" if list(copy.glob("exports/*.zip")) else "there is no package"


def _noted(copy: Path, whole: Path) -> str:
    path = copy / "amendments.jsonl"
    text = path.read_text() if path.exists() else ""
    if not text.endswith("\n"):
        return "the act is not there" if not text else "its last line is torn"
    for line in text.splitlines():
        msgspec.json.decode(line)
    return "" if "a draught" in text else "the act is not there"


DOES: dict[str, Callable[[Case, Path, Path], Outcome]] = {
    "begin": begin,
    "record": record,
    "study": on_a_copy(lambda copy: ["study", str(copy)], _all_derived),
    "rescue": on_a_copy(lambda copy: ["rescue", str(copy)], _rescued),
    "export": on_a_copy(lambda copy: ["export", str(copy), "--to", "package"], _exported),
    "acts": on_a_copy(lambda copy: ["acts", "add", str(copy), "note", "a draught", "--at", "0:30"], _noted),
}


def make_sessions(base: Path) -> dict[str, Path]:
    """The sessions that the works begin with: a whole one, and one that was torn."""
    words = ["demo", "--headless", "--speed", "max", "--seconds", "90", "--out", str(base / "made")]
    code, _, said = run(plumbwatt(*words))
    assert code == 0, said
    (made,) = (base / "made").iterdir()
    bare = base / "session"
    bare.mkdir()
    (base / "reference").mkdir()
    for path in made.iterdir():
        shutil.copy(path, (base / "reference" if path.name in DERIVED else bare) / path.name)
    (bare / "derived.json").unlink(missing_ok=True)
    torn = base / "torn"
    shutil.copytree(bare, torn)
    journal = torn / "journal.arrows"
    journal.write_bytes(journal.read_bytes()[:-3000])
    return {**dict.fromkeys(WORKS, bare), "rescue": torn}


def tried(
    kind: tuple[str, str, str, str], most: int, base: Path, wholes: dict[str, Path]
) -> Iterator[Outcome]:
    """The outcomes of the first, second, ... call of a kind, until there are no more of them."""
    for nth in range(1, most + 1):
        outcome = one(Case(*kind, nth), base, wholes)
        if not outcome.outcome:
            return
        yield outcome


def one(case: Case, base: Path, wholes: dict[str, Path]) -> Outcome:
    """Run a case in a folder of its own; the folder stays if anything was lost."""
    folder = Path(tempfile.mkdtemp(prefix=f"{str(case).replace('/', '-')}-", dir=base))
    outcome = DOES[case.work](case, folder, wholes[case.work])
    if outcome.outcome != "lost":
        shutil.rmtree(folder)
    return outcome


def table(outcomes: list[Outcome]) -> str:
    """Tried, survived, refused, lost, by work, call and error."""
    lines = [
        "| what | call | error | tried | " + " | ".join(OUTCOMES) + " |",
        "|---|---|---|---|" + "---|" * 4,
    ]
    rows: dict[tuple[str, str, str], Counter[str]] = {}
    for each in outcomes:
        key = each.case.work, each.case.call, f"{each.case.error} {each.case.form.replace('-', ' ')}"
        rows.setdefault(key, Counter())[each.outcome] += 1
    for key, counts in sorted(rows.items(), key=lambda row: WORKS.index(row[0][0])):
        cells = [*key, str(counts.total()), *(str(counts[name] or "") for name in OUTCOMES)]
        lines.append("| " + " | ".join(cells) + " |")
    total = Counter(each.outcome for each in outcomes)
    lines.append(
        f"| all | | | {total.total()} | " + " | ".join(str(total[name] or "") for name in OUTCOMES) + " |"
    )
    return "\n".join(lines)


def main() -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--work", nargs="+", choices=WORKS, default=WORKS)
    parser.add_argument("--calls", nargs="+", choices=CALLS, default=list(CALLS))
    parser.add_argument("--errors", nargs="+", default=ERRORS, help="as errno.h names them")
    parser.add_argument("--forms", nargs="+", choices=FORMS, default=FORMS)
    parser.add_argument("--most", type=int, default=8, help="calls that are let fail, at most")
    parser.add_argument("--jobs", type=int, default=4)
    parser.add_argument("--case", type=Case.parse)
    options = parser.parse_args()
    if shutil.which("strace") is None:
        parser.error("strace is needed: apt install strace")
    base = Path(tempfile.mkdtemp(prefix="inject-"))
    os.environ["XDG_STATE_HOME"] = str(base / "state")
    os.environ["PYTHONPATH"] = str(ROOT)
    wholes = make_sessions(base)
    if options.case:
        outcome = one(options.case, base, wholes)
        print(f"{outcome.case}: {outcome.outcome or 'never called'}: {outcome.why} ({base})")
        return 1 if outcome.outcome == "lost" else 0
    kinds = [
        (work, call, error, form)
        for work in options.work
        for call in options.calls
        # The line to its parent goes into a pipe: that it can't be written for want of room does not happen.
        if (work, call) != ("begin", "write")
        for error in options.errors
        for form in options.forms
    ]
    outcomes: list[Outcome] = []
    with ThreadPoolExecutor(options.jobs) as pool:
        for found in pool.map(lambda kind: list(tried(kind, options.most, base, wholes)), kinds):
            outcomes += found
            for each in found:
                if each.outcome.startswith("lost"):
                    print(f"{each.case}: {each.outcome}: {each.why}", flush=True)
    print(table(outcomes))
    bad = any(each.outcome == "lost" for each in outcomes)
    if bad:
        print(f"what was lost stands in {base}")
    else:
        shutil.rmtree(base)
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())
