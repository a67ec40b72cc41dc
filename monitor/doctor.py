"""Can this computer run a bench? Each check tells `ok`, or what is wrong and the remedy.

Every check has a time limit of its own: a stuck Bluetooth service or USB driver must not
hang the one command that people run when something is stuck.
"""

import asyncio
import importlib
import os
import shutil
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Mapping
from importlib import metadata
from pathlib import Path
from typing import Literal

import msgspec

from capture.source import SourceError
from monitor import __version__

State = Literal["ok", "note", "wrong"]
LIMIT_S = 8.0
IMPORT_LIMIT_S = 60.0
"""A first import from a slow disk takes long, and is not a fault."""
SCREEN_COLUMNS, SCREEN_ROWS = 80, 24
FREE_MB = 200
"""An evening of six instruments takes about 50 MB with all that is made from it."""
LIBRARIES = ("bleak", "openant", "libusb_package", "msgspec", "numpy", "pyarrow", "textual", "jinja2")
RADIOS = ("bluetooth", "ant+")


class Check(msgspec.Struct, frozen=True, rename={"seen": "told"}):
    """One line of `doctor`: `seen` is what was found, `remedy` what a person can do (empty if ok)."""

    name: str
    state: State
    seen: str
    remedy: str = ""


Result = tuple[State, str, str]


def examine(
    limit_s: float = LIMIT_S, checks: Mapping[str, Callable[[], Result]] | None = None
) -> list[Check]:
    """All checks in a fixed order, each within its time limit; none of them raises."""
    found = []
    for name, check in (checks or CHECKS).items():
        limit = IMPORT_LIMIT_S if name == "libraries" and checks is None else limit_s
        found.append(_limited(name, check, limit))
    return found


def radio_usable(checks: list[Check]) -> bool:
    """True if at least one of the two radios can be used."""
    return any(check.name in RADIOS and check.state == "ok" for check in checks)


def _limited(name: str, check: Callable[[], Result], limit_s: float) -> Check:
    answers: list[Result] = []

    def ask() -> None:
        try:
            answers.append(check())
        except SourceError as error:
            answers.append(("wrong", error.thing, error.remedy))
        except Exception as error:
            answers.append(("wrong", f"the check itself failed: {type(error).__name__}: {error}", ""))

    # A daemon thread: one that never comes back must not keep the program from ending.
    thread = threading.Thread(target=ask, daemon=True)
    thread.start()
    thread.join(limit_s)
    if not answers:
        remedy = (
            "Something below this program is stuck: unplug and replug the device, or restart the computer."
        )
        return Check(name, "wrong", f"no answer within {limit_s:g} s", remedy)
    return Check(name, *answers[0])


def _python() -> Result:
    version = ".".join(str(part) for part in sys.version_info[:3])
    return "ok", f"Python {version}, plumbwatt {__version__}, {sys.platform}", ""


def _libraries() -> Result:
    missing = []
    for name in LIBRARIES:
        try:
            importlib.import_module(name)
        except ImportError as error:
            missing.append(f"{name} ({error})")
    if missing:
        return (
            "wrong",
            f"can't be loaded: {', '.join(missing)}",
            "Install plumbwatt anew: `pip install --force-reinstall plumbwatt`.",
        )
    return "ok", ", ".join(f"{name} {_version(name)}" for name in LIBRARIES), ""


def _version(name: str) -> str:
    try:
        return metadata.version(name.replace("_", "-"))
    except metadata.PackageNotFoundError:
        return "?"


def _bluetooth() -> Result:
    from capture.bluetooth import BluetoothSource

    asyncio.run(BluetoothSource([]).check())
    return "ok", "adapter ready", ""


def _ant() -> Result:
    from capture.ant import AntSource

    asyncio.run(AntSource([]).check())
    return "ok", "stick ready", ""


def _terminal() -> Result:
    columns, rows = shutil.get_terminal_size(fallback=(0, 0))
    term = os.environ.get("TERM", "")
    encoding = (sys.stdout.encoding or "").lower().replace("-", "")
    size = f"{columns}x{rows}" if sys.stdout.isatty() else "not a terminal"
    seen = f"{size}, TERM={term or '(not set)'}, {encoding or 'no encoding'}"
    if not sys.stdout.isatty():
        return "note", seen, "For the screen run plumbwatt in a terminal; --headless needs none."
    if encoding != "utf8":
        return "wrong", seen, "The screen draws lines in UTF-8: set LANG=C.UTF-8 or PYTHONUTF8=1."
    if columns < SCREEN_COLUMNS or rows < SCREEN_ROWS:
        return (
            "wrong",
            seen,
            f"Make the window at least {SCREEN_COLUMNS}x{SCREEN_ROWS}, or the letters smaller.",
        )
    if term in ("", "dumb"):
        return "wrong", seen, "Set TERM to what your terminal is, for instance TERM=xterm-256color."
    colours = "no colours (NO_COLOR)" if os.environ.get("NO_COLOR") else "colours"
    return "ok", f"{seen}, {colours}", ""


def _disk() -> Result:
    here = Path.cwd()
    free_mb = shutil.disk_usage(here).free / 1e6
    try:
        with tempfile.TemporaryFile(dir=here) as file:
            file.write(bytes(65536))
            began = time.perf_counter()
            os.fsync(file.fileno())
            took_ms = (time.perf_counter() - began) * 1e3
    except OSError as error:
        return (
            "wrong",
            f"{here} can't be written: {error.strerror}",
            "Go to a folder of your own, or use --out.",
        )
    seen = f"{here}: {free_mb / 1000:.1f} GB free, a forced write takes {took_ms:.1f} ms"
    if free_mb < FREE_MB:
        return "wrong", seen, f"Keep {FREE_MB} MB free for an evening, or use --out with another disk."
    if took_ms > 500:
        return "note", seen, "A slow disk: nothing is lost while it works, but use another if you can."
    return "ok", seen, ""


def _clock() -> Result:
    step_us = time.get_clock_info("monotonic").resolution * 1e6
    seen = time.strftime("%Y-%m-%d %H:%M:%S %Z") + f", steps of {step_us:.3g} µs"
    if time.gmtime().tm_year < 2025:
        return "wrong", seen, "Set the date of this computer: sessions carry it."
    if step_us > 2000:
        return "note", seen, "A coarse clock: arrival times are no finer than that."
    return "ok", seen, ""


CHECKS: dict[str, Callable[[], Result]] = {
    "program": _python,
    "libraries": _libraries,
    "bluetooth": _bluetooth,
    "ant+": _ant,
    "terminal": _terminal,
    "disk": _disk,
    "clock": _clock,
}
"""What is examined, in this order."""
