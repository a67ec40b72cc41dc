"""What records, a person and time do to a trainer.

Records go in, orders come out. It is armed by a person, in this session, and by nothing that is
recorded: whoever replays a session feeds the same records and never gets an order. Whatever
goes wrong (a key, a lost link, an answer that doesn't come, a machine that obeys somebody else)
ends in the safe target and in not being armed any more.
"""

import math
from typing import Final

from capture.control import Request, read_answer, write_words
from capture.record import Act, Link, Packet, Record, Write
from monitor.controls.trainer.control import Control
from monitor.controls.trainer.exchange import (
    ANSWER_S,
    CONTROL,
    START,
    STATUS,
    TRIES,
    Command,
    Exchange,
    Step,
)
from monitor.controls.trainer.machine import ANT, MACHINE, Machine, commands
from monitor.controls.trainer.orders import Load, Order, Phase, RefusedError, Said, TrainerView
from monitor.controls.trainer.target import COMMAND_S, GRADE, POWER, Target
from monitor.setup.bench import TrainerRules

SILENT_S = 4.0
"""A trainer that tells nothing for so long can't be held by anyone: common practice, no source."""

_LOST: Final = ("down", "given-up", "radio-lost")
_TAKEN = "control permission lost"
_STOPPED: Final = ("reset", "stopped or paused by the user", "stopped by the safety key")
_ASK_WHOSE_S = 10.0
"""How often a trainer on ANT+ is asked whom it obeys."""
_STRANGE = 2
"""Two answers in a row must tell of a target that is not ours: one may be late."""


class Trainer:
    """One trainer of the bench.

    Args:
        label, link, profile: as the bench names it.
        rules: what it may do.
    """

    def __init__(self, label: str, link: str, profile: str | None, rules: TrainerRules) -> None:
        self.label = label
        self.machine = Machine(link, profile, rules)
        self.target = Target(self.machine)
        self.exchange = Exchange()
        self.t_s = 0.0
        """Of the latest record."""
        self._control = Control(self.machine, self.target, self.exchange)
        self._heard_s = -math.inf
        self._cadence_rpm: float | None = None
        self._asked_s = -math.inf
        self._strange = 0

    @property
    def phase(self) -> Phase:
        """Whether it is held, and by whom."""
        return self._control.phase

    @property
    def why(self) -> str:
        """Why it is not armed, or what troubles it."""
        return self._control.why

    @property
    def ever(self) -> bool:
        """It was armed in this session, by whichever screen."""
        return self._control.ever

    @property
    def armed(self) -> bool:
        """Whether anything but the safe target may be commanded."""
        return self.phase in ("asking", "held")

    # -- a person's word

    def arm(self, t_s: float) -> list[Order]:
        """A person arms it, or takes it back. RefusedError: it can't be now."""
        machine, rules = self.machine, self.machine.rules
        if self.armed:
            raise RefusedError(f"{self.label} is armed already")
        try:
            _ = machine.channel
        except ValueError as error:
            raise RefusedError(str(error)) from None
        if not self._control.up or t_s - self._heard_s > SILENT_S:
            raise RefusedError(f"{self.label} is not heard: wake it, wait for its link, then arm again")
        if machine.can_hold is False:
            raise RefusedError(f"{self.label} tells that it can't hold a power")
        if machine.low_w > rules.max_w:
            raise RefusedError(
                f"{self.label} can't go below {machine.low_w:g} W, the bench allows {rules.max_w:g} W"
            )
        self.t_s, self._strange = max(self.t_s, t_s), 0
        steps = [
            Step(CONTROL if number == 0 else START, request, None)
            for number, request in enumerate(machine.take_control())
        ]
        if (ask := machine.capabilities()) is not None:
            steps.append(Step(STATUS, ask, None))
        said = (
            f"armed: at most {machine.ceiling_w:g} W, safe {machine.safe_w:g} W, {rules.ramp_w_per_s:g} W/s"
        )
        orders = self._control.begin(t_s, steps)
        return [Said(said), machine.last_will(), *orders]

    def fall(self, t_s: float, why: str) -> list[Order]:
        """Drop to the safe target and be armed no more: a key, the end, or anything that looks wrong."""
        if not self.armed:
            return []
        orders = self._control.fall(max(t_s, self.t_s), why)
        self._control.meant = True
        return orders

    def want(self, load: Load | None) -> None:
        """What the protocol asks for now; None: nothing, which is the safe target."""
        self.target.load = load

    def cut_off(self) -> None:
        """The connection to the recorder broke: it carries out the will, nothing may come from here."""
        if self.phase in ("asking", "held", "falling"):
            self._control.let_go(
                "the recorder was out of reach; it has dropped the trainer to its safe target"
            )
        self.exchange.forget_own()

    # -- records

    def take(self, record: Record, cadence_rpm: float | None) -> list[Order]:
        """The next record, and the cadence that the bench tells at its time (None: nobody tells)."""
        t_s = record.t_ns / 1e9
        self.t_s = max(self.t_s, t_s)
        self._cadence_rpm = cadence_rpm
        orders: list[Order] = []
        match record:
            case Packet(_, label) if label == self.label:
                orders += self._packet(record, t_s)
            case Link(_, label) if label == self.label:
                orders += self._link_changed(record, t_s)
            case Write(_, label) if label == self.label:
                orders += self._wrote(record, t_s)
            case Act(_, "trainer", text, label) if label == self.label and self.phase == "off":
                self._control.elsewhere = text if text.startswith("armed") else ""
                self._control.ever = self.ever or bool(self._control.elsewhere)
            case Act(_, "safe-target", text, label) if label == self.label:
                self._control.elsewhere = ""
                if self.phase != "off":
                    self._control.let_go(f"dropped to its safe target by the recorder: {text}")
        return orders + self._go_on(t_s)

    def _packet(self, packet: Packet, t_s: float) -> list[Order]:
        self._heard_s = t_s
        status = self.machine.hear(packet)
        if status == _TAKEN:
            return self._control.taken(t_s)
        if self.armed and status in _STOPPED:
            return self._control.fall(t_s, f"it says: {status}")
        if self.armed and self.machine.can_hold is False:
            return self._control.fall(t_s, "it tells that it can't hold a power")
        answer = read_answer(packet.channel, packet.data)
        if answer is None or packet.channel not in (MACHINE, ANT):
            return []
        if answer.why == "control not permitted":
            self.exchange.unanswered = 0
            pending = self.exchange.pending
            if self._control.last_try and pending is not None and answer.what != pending.what:
                # To a command of before; the last try is not answered yet.
                return []
            return self._control.taken(t_s)
        command = self.exchange.answered(packet.channel, answer)
        if command is None:
            return self._look_whose(answer.value, t_s)
        return self._answered(command, answer.outcome == "done", answer.why, t_s)

    def _link_changed(self, link: Link, t_s: float) -> list[Order]:
        if link.state in _LOST:
            self._control.up = False
            if self.armed:
                return self._control.fall(t_s, f"its link is lost ({link.reason or link.state})")
            if self._control.last_try and self.phase == "falling":
                return self._control.lost("its link was lost")
            if self.phase == "taken":
                self._control.phase, self._control.why = "off", "its link was lost"
        elif link.state == "up":
            anew, self._control.up = not self._control.up, True
            self._heard_s = t_s
            if self.armed and anew:
                return self._control.fall(t_s, "its link was made anew")
            if self.phase == "falling":
                # A new link has nobody's control yet.
                self.exchange.pending, self.exchange.retry_s = None, -math.inf
                self.exchange.unanswered, self._control.granted = 0, False
        return []

    def _wrote(self, write: Write, t_s: float) -> list[Order]:
        request = Request(write.channel, write.data)
        if not self.exchange.is_own(request) and write.outcome == "sent" and commands(request):
            if self.phase != "off":
                self._control.let_go("another screen or the recorder commands it")
                return []
            self._control.left_w = None
        command = self.exchange.waits_for(request)
        if command is None:
            return []
        if write.outcome.startswith("not sent:"):
            self._control.let_go(write.outcome.removeprefix("not sent: "))
            return []
        if write.outcome == "sent":
            if command.what == STATUS:
                self.exchange.pending = None
                return self._control.next_step(t_s)
            self.exchange.written(command, t_s)
            return self._ask_status()
        self._control.why = f"{command.what} {write_words(write.outcome)}"
        if self._control.last_try:
            return self._control.lost(self.why)
        # As if its time were over, but not at once: what is busy now may be free in a second.
        self.exchange.failed(command, t_s - ANSWER_S + COMMAND_S)
        return []

    def _answered(self, command: Command, done: bool, why: str, t_s: float) -> list[Order]:
        if done:
            self._control.why = "" if self.phase != "falling" else self.why
            if command.what == CONTROL:
                self._control.granted = True
            if command.what == GRADE:
                self.target.set_road()
            return self._control.next_step(t_s)
        if command.what == START:
            # Not every machine wants to be started before it obeys.
            return self._control.next_step(t_s)
        if command.what == GRADE:
            self.machine.can_grade = False
            return []
        if command.what == CONTROL and self.phase == "asking":
            return self._control.not_armed(f"control refused: {why}")
        if self._control.last_try:
            return self._control.lost(f"{command.what} refused: {why}")
        if self.phase == "falling":
            self._control.why = f"the safe target was refused: {why}"
            self.exchange.retry_s = t_s + COMMAND_S
            return []
        return self._control.fall(t_s, f"{command.what} refused: {why}")

    def _look_whose(self, power_w: float | None, t_s: float) -> list[Order]:
        """A trainer on ANT+ obeys whoever spoke last; it tells what that was."""
        current_w = self.target.current_w
        if self.phase != "held" or self.exchange.pending is not None or None in (power_w, current_w):
            return []
        self._strange = self._strange + 1 if power_w != current_w else 0
        return self._control.taken(t_s) if self._strange >= _STRANGE else []

    # -- time

    def _go_on(self, t_s: float) -> list[Order]:
        """What time asks for: a command again, the next step of a ramp, the stall guard."""
        if self.phase in ("off", "taken"):
            return []
        if self.exchange.pending is not None:
            return self._wait(self.exchange.pending, t_s)
        if self.phase == "falling":
            if not self._control.up or t_s < self.exchange.retry_s:
                return []
            if not self.exchange.steps:
                self.exchange.steps = self._control.falling_steps()
            return self._control.next_step(t_s)
        if self.phase == "asking":
            return self._control.next_step(t_s)
        if t_s - self._heard_s > SILENT_S:
            return self._control.fall(t_s, f"it tells nothing for {SILENT_S:g} s")
        return self._guard(t_s) or self._follow(t_s) or self._ask_whose(t_s)

    def _wait(self, pending: Command, t_s: float) -> list[Order]:
        """For the answer to what was sent; too long, and it is sent again, or the trainer is let go."""
        if t_s - pending.sent_s < ANSWER_S:
            # The guard does not wait for an answer.
            return self._guard(t_s) if self.phase == "held" else []
        if self._control.last_try:
            return self._control.lost("no answer")
        if not self._control.up:
            self.exchange.pending = None
            return []
        if self.phase == "falling" or pending.tries < TRIES:
            return [self.exchange.again(pending, t_s)]
        self.exchange.pending = None
        if pending.what in (START, STATUS):
            return self._control.next_step(t_s)
        if pending.what == CONTROL:
            return self._control.not_armed("control was asked for and not answered")
        return self._control.fall(t_s, f"it does not answer ({pending.what})")

    def _ask_whose(self, t_s: float) -> list[Order]:
        """Ask a trainer on ANT+ now and then what its last command was."""
        if t_s - max(self._asked_s, self.target.commanded_s) < _ASK_WHOSE_S:
            return []
        self._asked_s = t_s
        return self._ask_status()

    def _ask_status(self) -> list[Order]:
        status = self.machine.command_status()
        return [] if status is None else [self.exchange.send(status)]

    def _guard(self, t_s: float) -> list[Order]:
        rpm = self._cadence_rpm
        if not self.target.guard(rpm, t_s):
            return []
        return [Said(f"eased at {rpm:.0f} rpm"), *self._hold(self.machine.safe_w, t_s)]

    def _follow(self, t_s: float) -> list[Order]:
        wish = self.target.follow(t_s)
        if wish is None:
            return []
        if wish.what == POWER:
            return self._hold(wish.value, t_s)
        self.target.commanded_s = t_s
        return [self.exchange.command(GRADE, self.machine.grade(wish.value), None, t_s)]

    def _hold(self, power_w: float, t_s: float) -> list[Order]:
        self.target.set_power(power_w, t_s)
        return [self.exchange.command(POWER, self.machine.power(power_w), power_w, t_s)]

    # -- to be shown

    def view(self) -> TrainerView:
        """As it stands now."""
        return self._control.view(self.label)
