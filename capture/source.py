"""The contract of everything that can be heard.

A live source (Bluetooth, ANT+) runs until it is cancelled and hands over records as
they come. A loss is a record, never an exception: a source mends its links by itself.
A script (scene, capture log) is an iterator of records whose times are its own, ticks
included; the recorder paces it.
"""

from collections.abc import Callable, Iterator
from typing import Protocol

import msgspec

from capture.clock import Clock
from capture.record import Record


class SourceError(Exception):
    """A radio or device is not available. `thing` is what, `remedy` what a person can do."""

    def __init__(self, thing: str, remedy: str) -> None:
        self.thing, self.remedy = thing, remedy
        super().__init__(f"{thing}. {remedy}")


class Wanted(msgspec.Struct, frozen=True):
    """One instrument to listen to: its label, its link string (`bluetooth:...`), its profile or None."""

    label: str
    link: str
    profile: str | None = None

    @property
    def scheme(self) -> str:
        """The word before the first colon of the link."""
        return self.link.partition(":")[0]

    @property
    def target(self) -> str:
        """What follows the first colon of the link."""
        return self.link.partition(":")[2]


Emit = Callable[[Record], None]
"""Takes one record, at once, in the loop's thread. It never blocks and never raises."""


class LiveSource(Protocol):
    """A radio that serves several instruments."""

    async def check(self) -> None:
        """Raise SourceError if the radio can't be used at all (no adapter, off, no rights)."""
        ...

    async def run(self, emit: Emit, clock: Clock) -> None:
        """Listen until cancelled; close every link before returning."""
        ...

    async def write(self, instrument: str, channel: str, data: bytes) -> str:
        """Send bytes to an instrument; `sent`, or why not. Never raises for the radio's sake."""
        ...


class Script(Protocol):
    """A scene or a log: records with times of their own, in order, ticks included."""

    def records(self) -> Iterator[Record]:
        """All records from the beginning."""
        ...

    def write(self, instrument: str, channel: str, data: bytes) -> str:
        """Bytes from the operator's side; takes effect at the script's present time."""
        ...


class Sighting(msgspec.Struct, frozen=True):
    """One instrument in range, as `find` lists it. None: not reported."""

    link: str
    name: str
    profiles: tuple[str, ...]
    rssi_dbm: int | None = None
    battery_percent: float | None = None
    firmware: str | None = None
    detail: str = ""
