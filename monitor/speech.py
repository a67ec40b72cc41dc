"""Words spoken by the system's own speech command, where there is one; asked for, never by default.

A rider with his eyes on the road hears what begins next. Nothing waits for a voice: what is still being said
when more has come gives way to the latest.
"""

import shutil
import subprocess
import sys
import threading
from collections.abc import Callable, Sequence

COMMANDS: tuple[tuple[str, ...], ...] = (
    ("espeak-ng", "--stdin"),
    ("espeak", "--stdin"),
    ("spd-say", "--wait", "--pipe-mode"),
    ("say", "-f", "-"),
)
"""Speech commands that take their words from stdin, so that no word can be an option."""
_WINDOWS = (
    "powershell",
    "-NoProfile",
    "-Command",
    "Add-Type -AssemblyName System.Speech; "
    "(New-Object System.Speech.Synthesis.SpeechSynthesizer).Speak([Console]::In.ReadToEnd())",
)
LONGEST_S = 20.0


def speech_command(which: Callable[[str], str | None] = shutil.which) -> tuple[str, ...] | None:
    """The speech command of this system; None: there is none."""
    if sys.platform == "win32":
        return _WINDOWS
    for command in COMMANDS:
        if which(command[0]) is not None:
            return command
    return None


class Speaker:
    """Says words one after the other in a thread of its own; the latest of those that wait, not all."""

    def __init__(self, command: Sequence[str]) -> None:
        self._command = list(command)
        self._next: str | None = None
        self._more = threading.Condition()
        self._thread = threading.Thread(target=self._run, name="speech", daemon=True)
        self._thread.start()
        self.failed = ""
        """Why nothing is said any more."""

    def __call__(self, words: str) -> None:
        """Have words said; returns at once."""
        with self._more:
            self._next = words
            self._more.notify()

    def _run(self) -> None:
        while True:
            with self._more:
                while self._next is None:
                    self._more.wait()
                words, self._next = self._next, None
            try:
                subprocess.run(
                    self._command,
                    input=words.encode() + b"\n",
                    stdout=subprocess.DEVNULL,
                    stderr=subprocess.DEVNULL,
                    timeout=LONGEST_S,
                    check=False,
                )
            except subprocess.TimeoutExpired:
                continue
            except OSError as error:
                self.failed = str(error)
                return
