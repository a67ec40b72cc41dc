"""Last wills of viewers: what is sent to an instrument when the one who commands it is gone.

A screen that holds a trainer at a power may be killed, hang, or lose its connection, and the
trainer would go on holding. So it leaves a will with the recorder beforehand. Nothing here knows
what the octets mean.
"""

import asyncio
import itertools
import logging
import time
from collections.abc import Awaitable, Callable

from storage.connection.wire import LastWill, WireError

LOOK_S = 0.2
"""Seconds between two looks at who is still alive."""
STEP_S = 0.3
"""Pause between two entries of a will: an instrument answers one before it takes the next."""
ANSWER_S = 2.0
"""Seconds in which an answer is expected."""
RETRY_S = (0.3, 0.5, 1.0, 2.0)
"""Waits after failed attempts; the last is repeated for as long as the session lasts."""
LAST_S = 5.0
"""Seconds that the end of a session waits for wills to be done."""
MOST = 32
"""Wills that are held or being carried out: each of these is written again and again."""

Place = tuple[str, str]
"""Instrument and channel."""
WriteNow = Callable[[str, str, bytes], Awaitable[str]]
"""Writes octets to an instrument and puts the `Write` into the record; its outcome."""
Say = Callable[[str, str], None]
"""Takes an instrument and why its will is carried out, for the record."""

log = logging.getLogger("storage.connection.last_will")


class _Held:
    def __init__(self, viewer: int, last_will: LastWill) -> None:
        self.viewer, self.last_will = viewer, last_will


class LastWills:
    """Who commands which channel, and what happens when he is gone.

    Args:
        write: sends.
        say: is told once, before a will is carried out.
        now: seconds of a monotonic clock.
    """

    def __init__(self, write: WriteNow, say: Say, now: Callable[[], float] = time.monotonic) -> None:
        self._write, self._say, self._now = write, say, now
        self._held: dict[Place, _Held] = {}
        self._fallen: dict[Place, set[int]] = {}
        self._heard: dict[int, float] = {}
        self._answers: dict[Place, list[bytes]] = {}
        self._due: dict[Place, asyncio.Task[None]] = {}
        self._ended = self._over_time = False

    def leave(self, viewer: int, last_will: LastWill) -> None:
        """Take a will, in place of any earlier one for the channel; without data withdraw it.

        Raises WireError if there are more than anyone needs.
        """
        place = last_will.instrument, last_will.channel
        if self._ended:
            return
        self.alive(viewer)
        if not last_will.data:
            held = self._held.get(place)
            if held is not None and held.viewer == viewer:
                del self._held[place]
            return
        if place not in self._held and len(self._held) + len(self._due) >= MOST:
            raise WireError(f"there are {MOST} wills already")
        # A will that is being carried out ends by itself: whoever commands now sends what he wants.
        self._fallen.pop(place, None)
        self._held[place] = _Held(viewer, last_will)

    def alive(self, viewer: int) -> None:
        """Something was heard from a viewer."""
        self._heard[viewer] = self._now()

    def refusal(self, viewer: int, instrument: str, channel: str) -> str:
        """Why a viewer must not write to a channel now; empty if it may."""
        if self._ended:
            return "not sent: the session ends"
        held = self._held.get((instrument, channel))
        if held is not None and held.viewer != viewer:
            return "not sent: another screen commands it"
        if viewer in self._fallen.get((instrument, channel), ()):
            return "not sent: it was dropped to its safe state; take command anew"
        return ""

    def heard(self, instrument: str, channel: str, data: bytes) -> None:
        """A packet came: perhaps an answer that is waited for."""
        answers = self._answers.get((instrument, channel))
        if answers is not None:
            answers.append(data)

    def gone(self, viewer: int, why: str = "the screen that commanded it is gone") -> None:
        """A viewer is gone: carry out its wills."""
        self._heard.pop(viewer, None)
        for place, held in list(self._held.items()):
            if held.viewer == viewer:
                self._fall(place, why)

    def look(self) -> None:
        """Carry out the wills of viewers that have been silent for too long."""
        now = self._now()
        for place, held in list(self._held.items()):
            limit_s = min(max(held.last_will.keep_alive_s, 0.5), 60.0)
            if now - self._heard.get(held.viewer, 0.0) > limit_s:
                self._fall(place, f"the screen that commanded it has been silent for {limit_s:g} s")

    async def watch(self) -> None:
        """Look now and then, until cancelled."""
        while True:
            self.look()
            await asyncio.sleep(LOOK_S)

    async def finish(self) -> None:
        """The session ends: carry out what is left, and wait for it, but not for ever."""
        for place in list(self._held):
            self._fall(place, "the session ends")
        self._ended = True
        tasks = list(self._due.values())
        if tasks:
            _, late = await asyncio.wait(tasks, timeout=LAST_S)
            # A write that is cancelled may still come to its end as one that was refused.
            self._over_time = True
            for task in late:
                task.cancel()

    def _fall(self, place: Place, why: str) -> None:
        held = self._held.pop(place)
        self._fallen.setdefault(place, set()).add(held.viewer)
        self._say(place[0], why)
        task = self._due[place] = asyncio.create_task(self._carry_out(place, held.last_will))
        task.add_done_callback(lambda done: self._over(place, done))

    def _over(self, place: Place, task: asyncio.Task[None]) -> None:
        if self._due.get(place) is task:
            del self._due[place]
        if not task.cancelled() and (error := task.exception()) is not None:
            log.error("a will could not be carried out", exc_info=error)

    async def _carry_out(self, place: Place, last_will: LastWill) -> None:
        """Send until it is done; a link that is down now may come back."""
        task = asyncio.current_task()
        for attempt in itertools.count():
            # Another may have taken command meanwhile, and be gone as well: then it is his will that counts.
            taken = place in self._held or self._due.get(place) is not task
            if taken or self._over_time or await self._attempt(place, last_will):
                return
            await asyncio.sleep(RETRY_S[min(attempt, len(RETRY_S) - 1)])

    async def _attempt(self, place: Place, last_will: LastWill) -> bool:
        answers = self._answers[place] = []
        try:
            for number, data in enumerate(last_will.data):
                if number:
                    await asyncio.sleep(STEP_S)
                if place in self._held:
                    return True
                answers.clear()
                if await self._write(*place, data) != "sent":
                    return False
            loop = asyncio.get_running_loop()
            deadline = loop.time() + ANSWER_S
            while last_will.answer and not any(each.startswith(last_will.answer) for each in answers):
                if loop.time() > deadline:
                    return False
                await asyncio.sleep(STEP_S / 3)
        finally:
            if self._answers.get(place) is answers:
                del self._answers[place]
        return True
