"""What a screen's keys lead to: acts for the record, octets for instruments, wills for the recorder."""

from typing import NamedTuple

from capture.control import Request
from monitor.controls.trainer import Bequest


class Do(NamedTuple):
    """An act for the record. `at_s` is the session second it belongs to, if earlier than now."""

    act: str
    text: str = ""
    instrument: str = ""
    at_s: float | None = None


class Ask(NamedTuple):
    """Octets for an instrument. `trainer`: they command it, and must not be sent late."""

    instrument: str
    request: Request
    trainer: bool = False


class Leave(NamedTuple):
    """A will to be left with the recorder."""

    instrument: str
    bequest: Bequest


Output = Do | Ask | Leave


class RefusedKeyError(Exception):
    """A key that can't do its work now; the text says why and what to do."""


def is_perishable(output: Output) -> bool:
    """Whether it must not be sent over another connection than the one it was meant for."""
    return isinstance(output, Leave) or (isinstance(output, Ask) and output.trainer)
