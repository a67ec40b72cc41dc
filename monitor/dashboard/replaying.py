"""The screen of a replay: the same pictures, and keys that pause it, step through it and change its speed."""

from collections.abc import Coroutine
from typing import Any, Protocol

from monitor.dashboard.app import BenchApp
from monitor.dashboard.following import ViewSource
from monitor.dashboard.grounds import Ground
from monitor.dashboard.parts.message import Banner
from monitor.dashboard.sheet import SCROLLS, Face

SLOWEST, FASTEST = 0.25, 64.0
STEP_S, LEAP_S = 1.0, 60.0
"""Session seconds that one step goes on, and a large one."""
KEYS_LINE = "space pause  → 1 s  PgDn 1 min  + - speed  tab unit  i info  ? help  q leave"


class Player(ViewSource, Protocol):
    """What was recorded, as it is played."""

    paused: bool

    @property
    def speed(self) -> float:
        """Session seconds in a second."""
        ...

    def play(self) -> Coroutine[Any, Any, None]:
        """Run through what was recorded."""
        ...

    def pace(self, speed: float) -> None:
        """Go on at another speed."""
        ...

    def pause(self) -> None:
        """Stand still, or go on."""
        ...

    def step(self, seconds: float = 1.0) -> None:
        """Stand still, so much further on."""
        ...


class ReplayApp(BenchApp):
    """The screen of a bench, of what was recorded. It takes no acts."""

    def __init__(self, player: Player, *, poll_hz: float = 4.0, ground: Ground = "dark") -> None:
        super().__init__(player, player.play, poll_hz=poll_hz, read_only=True, ground=ground)
        self._player = player

    def takes(self, key: str) -> bool:
        """The keys of a replay; the others are those of every screen."""
        player = self._player
        if self._page in SCROLLS or player.closed:
            return super().takes(key)
        match key:
            case "space" | "p":
                player.pause()
                self._say("paused: space goes on" if player.paused else "goes on")
            case "right" | "pagedown":
                player.step(STEP_S if key == "right" else LEAP_S)
            case "plus" | "equals_sign":
                self._pace(2.0)
            case "minus":
                self._pace(0.5)
            case _:
                return super().takes(key)
        return True

    def _pace(self, factor: float) -> None:
        speed = max(SLOWEST, min(FASTEST, self._player.speed * factor))
        self._player.pace(speed)
        self._say(f"{speed:g} times as fast as it was recorded")

    def face(self) -> Face:
        """As on every screen, with the keys of a replay in the bottom line."""
        face = super().face()
        return face._replace(question="" if face.said else KEYS_LINE, safety=False)

    def _trouble(self) -> Banner | None:
        """A replay that stands still is no recorder that says nothing."""
        if self.feed_error is None and not self.source.closed:
            return None
        if self.feed_error is not None:
            why = f"{type(self.feed_error).__name__}: {self.feed_error}"
            return Banner("THE REPLAY FAILED", why, do="Nothing: what was recorded is as it was.")
        return Banner("The replay is at its end", "q leaves the screen", loud=False)
