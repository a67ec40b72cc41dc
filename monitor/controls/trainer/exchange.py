"""What was sent to a trainer and what is still to be said of it: one command at a time, the rest in order."""

import math
from collections import deque
from collections.abc import Sequence
from typing import Final, NamedTuple

from capture.control import Answer, Request
from monitor.controls.trainer.machine import ANT, MACHINE, sets_power
from monitor.controls.trainer.target import POWER

ANSWER_S = 3.0
"""A command without an answer for so long is sent again..."""
TRIES = 3
"""...so often; then the trainer is let go. Common practice, no source."""

CONTROL: Final = "control"
START: Final = "start"
STATUS: Final = "status"


class Command(NamedTuple):
    """A request that waits to be written, and then for its answer. `value`: the target that it sets, in W."""

    what: str
    request: Request
    value: float | None
    sent_s: float
    tries: int = 1
    written: bool = False


class Step(NamedTuple):
    """A request of several that are sent one after the other; `power_w`: the target it sets, if any."""

    what: str
    request: Request
    power_w: float | None


class Exchange:
    """The requests of this program to one trainer."""

    def __init__(self) -> None:
        self.pending: Command | None = None
        self.steps: list[Step] = []
        self.unanswered = 0
        """Targets that a fitness machine has yet to answer: its answers don't say which."""
        self.retry_s = -math.inf
        """Before this the safe target is not sent again."""
        self._own: deque[Request] = deque()
        """Sent and not yet seen in the record."""

    def clear(self) -> None:
        """Nothing is under way any more; what was sent is still known as ours."""
        self.pending, self.steps = None, []

    def begin(self, steps: Sequence[Step]) -> None:
        """All from the beginning, as for a trainer that is armed."""
        self.pending, self.steps, self.unanswered = None, list(steps), 0
        self._own.clear()

    def forget_own(self) -> None:
        """What was sent will not come back in the record."""
        self._own.clear()

    def send(self, request: Request) -> Request:
        """Out with it; no answer is waited for."""
        self._own.append(request)
        self.unanswered += sets_power(request)
        return request

    def command(self, what: str, request: Request, value: float | None, t_s: float) -> Request:
        """Out with it, and wait for its answer."""
        self.pending = Command(what, request, value, t_s)
        return self.send(request)

    def again(self, command: Command, t_s: float) -> Request:
        """The same once more: it was not answered."""
        self.pending = command._replace(sent_s=t_s, tries=command.tries + 1, written=False)
        self.unanswered = 0
        return self.send(command.request)

    # -- what is said of it

    def is_own(self, request: Request) -> bool:
        """Whether a request in the record was sent from here."""
        if request not in self._own:
            return False
        self._own.remove(request)
        return True

    def waits_for(self, request: Request) -> Command | None:
        """The command under way, if these are its octets and the radio has not told of them yet."""
        pending = self.pending
        return None if pending is None or pending.request != request or pending.written else pending

    def written(self, command: Command, t_s: float) -> None:
        """The radio has sent it."""
        self.pending = command._replace(written=True, sent_s=t_s)

    def failed(self, command: Command, sent_s: float) -> None:
        """The radio could not send it. `sent_s`: as if it had gone out then, and without an answer."""
        self.unanswered = max(0, self.unanswered - (command.what == POWER))
        self.pending = command._replace(written=True, sent_s=sent_s)

    def answered(self, channel: str, answer: Answer) -> Command | None:
        """The command that is over by this answer; None: none is."""
        if channel == MACHINE and answer.what == POWER:
            self.unanswered -= 1
            if self.unanswered > 0:
                return None
            self.unanswered = 0
        pending = self.pending
        if pending is None or answer.what != pending.what or answer.outcome == "pending":
            return None
        if channel == ANT and None not in (answer.value, pending.value) and answer.value != pending.value:
            # Page 0x47 tells of the last command: this is still the one before.
            return None
        self.pending = None
        return pending
