"""The only reader of time in the program; one clock runs by itself, one is driven by hand."""

import asyncio
import time
from typing import Protocol


class Clock(Protocol):
    """Session time in nanoseconds, zero at the start of the session."""

    def now_ns(self) -> int:
        """Nanoseconds of session time since the start."""
        ...

    def utc_ns(self) -> int:
        """Wall time, nanoseconds since 1970 UTC."""
        ...

    async def sleep_until(self, t_ns: int) -> None:
        """Return when session time has reached `t_ns`."""
        ...


class SessionClock:
    """The monotonic clock of the host, counted from the moment of construction.

    `speed` scales session time against real time: 10 passes ten session seconds in one.
    Only scripted sources (scenes, logs) may run at another speed than 1.
    """

    def __init__(self, speed: float = 1.0) -> None:
        self.speed = speed
        self._start_ns = time.monotonic_ns()
        self._start_utc_ns = time.time_ns()

    def now_ns(self) -> int:
        """Nanoseconds of session time since the start."""
        elapsed = time.monotonic_ns() - self._start_ns
        return elapsed if self.speed == 1.0 else int(elapsed * self.speed)

    def utc_ns(self) -> int:
        """Wall time; at another speed than 1 it runs along with session time."""
        return time.time_ns() if self.speed == 1.0 else self._start_utc_ns + self.now_ns()

    async def sleep_until(self, t_ns: int) -> None:
        """Sleep until session time has reached `t_ns`; yields to the loop even if it has."""
        await asyncio.sleep(max(0.0, (t_ns - self.now_ns()) / 1e9 / self.speed))


class DrivenClock:
    """Time moves only when told: for tests, and for scripted sources at full speed."""

    def __init__(self, utc_ns: int = 0) -> None:
        self.t_ns = 0
        self._start_utc_ns = utc_ns

    def now_ns(self) -> int:
        """The time it was last driven to."""
        return self.t_ns

    def utc_ns(self) -> int:
        """Start plus session time."""
        return self._start_utc_ns + self.t_ns

    async def sleep_until(self, t_ns: int) -> None:
        """Jump to `t_ns` if that is ahead."""
        self.t_ns = max(self.t_ns, t_ns)
        await asyncio.sleep(0)
