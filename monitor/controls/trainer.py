"""What a trainer is told to do, and when it is let go: a state machine that neither waits nor sends.

Records go in, orders come out. It is armed by a person, in this session, and by nothing that is
recorded: whoever replays a session feeds the same records and never gets an order. Whatever
goes wrong (a key, a lost link, an answer that doesn't come, a machine that obeys somebody else)
ends in the safe target and in not being armed any more.
"""

import math
from collections import deque
from typing import Final, Literal, NamedTuple

from capture.control import (
    Request,
    capabilities_request,
    command_status_request,
    grade_request,
    read_answer,
    take_control_requests,
    target_power_request,
    trainer_channel,
    write_words,
)
from capture.profiles import decode
from capture.record import Act, Link, Packet, Record, Write
from capture.sample import DecodeError
from monitor.setup.bench import TrainerRules

COMMAND_S = 1.0
"""Least time between two commands that only follow the target."""
ANSWER_S = 3.0
"""A command without an answer for so long is sent again..."""
TRIES = 3
"""...so often; then the trainer is let go."""
SILENT_S = 4.0
"""A trainer that tells nothing for so long can't be held by anyone."""
STALL_RPM = 50.0
"""Below this the target is eased: at a held power a slower crank only gets heavier."""
STALL_SHARE = 0.7
"""Of a cadence that is planned lower than common."""
LEAST_STALL_RPM = 30.0
STALL_S = 1.0
"""How long the crank must be that slow..."""
RECOVERED_RPM, RECOVERED_S = 8.0, 2.0
"""...and how much faster, for how long, before the target rises again."""
GRADE_LIMIT_PERCENT = 5.0
KEEP_ALIVE_S = 2.0

Phase = Literal["off", "asking", "held", "falling", "taken"]
"""`off`: not armed. `asking`: armed, waits to be granted control and the safe target. `held`: follows the
target. `falling`: the safe target is sent until it is confirmed. `taken`: another program has it."""

_CONTROL, _START, _POWER, _GRADE, _STATUS = "control", "start", "target power", "grade", "status"
_LOST: Final = ("down", "given-up", "radio-lost")
_TAKEN = "control permission lost"
_OTHERS = "another program has taken control"
_STOPPED: Final = ("reset", "stopped or paused by the user", "stopped by the safety key")
_ASK_WHOSE_S = 10.0
"""How often a trainer on ANT+ is asked whom it obeys."""
_STRANGE = 2
"""Two answers in a row must tell of a target that is not ours: one may be late."""


class Load(NamedTuple):
    """What the rider is to have: a power in W, or (None) a free road. `cadence_rpm` is the planned one."""

    power_w: float | None = None
    cadence_rpm: float | None = None


class Bequest(NamedTuple):
    """The will to be left with the recorder; no `data`: withdraw it."""

    channel: str
    data: tuple[bytes, ...] = ()
    answer: bytes = b""


class Said(NamedTuple):
    """Something for the record, an act `trainer`."""

    text: str


Order = Request | Bequest | Said
"""What the session has to do, in this order."""


class TrainerView(NamedTuple):
    """The trainer as a screen shows it. Powers in W; None: not known or none."""

    label: str
    phase: Phase
    words: str
    target_w: float | None = None
    goal_w: float | None = None
    max_w: float = 0.0
    eased: bool = False
    loud: bool = False
    """Somebody has to do something."""
    troubled: bool = False
    """It is not armed, and there is a reason worth telling."""
    ever: bool = False
    """It was armed in this session, by whichever screen."""


class _Command(NamedTuple):
    what: str
    request: Request
    value: float | None
    sent_s: float
    tries: int = 1
    written: bool = False


class _Step(NamedTuple):
    """A request of several that are sent one after the other; `power_w`: the target it sets, if any."""

    what: str
    request: Request
    power_w: float | None


class RefusedError(Exception):
    """The trainer can't be armed now; the text says why and what to do."""


class Trainer:
    """One trainer of the bench.

    Args:
        label, link, profile: as the bench names it.
        rules: what it may do.
    """

    def __init__(self, label: str, link: str, profile: str | None, rules: TrainerRules) -> None:
        self.label, self.rules = label, rules
        self.phase: Phase = "off"
        self.why = ""
        """Why it is not armed, or what troubles it."""
        self.eased = False
        self._link, self._profile = link, profile
        self._heard: dict[str, None] = {}
        self._up = False
        self._heard_s = -math.inf
        self._t_s = 0.0
        self._low_w, self._high_w, self._step_w = 0.0, rules.max_w, 1.0
        self._can_hold: bool | None = None
        self._can_grade: bool | None = None
        self._load: Load | None = None
        self._steps: list[_Step] = []
        self._pending: _Command | None = None
        self._retry_s = -math.inf
        self._current_w: float | None = None
        """The power that was commanded last; None while a road is simulated."""
        self._on_road = False
        self._commanded_s = -math.inf
        self._own: deque[Request] = deque()
        """Sent and not yet seen in the record."""
        self._cadence_rpm: float | None = None
        self._slow_since_s: float | None = None
        self._fast_since_s: float | None = None
        self._fall_why = ""
        self._granted = False
        self._unanswered = 0
        """Targets that a fitness machine has yet to answer: its answers don't say which."""
        self._asked_s = -math.inf
        self._strange = 0
        self._control_lost = 0
        self._last_try = False
        """Another program took control of what was held here: the safe target is tried once, and no more."""
        self._held_w: float | None = None
        """What was held when control was taken away."""
        self._elsewhere = ""
        """What another screen said when it armed it."""
        self._meant = False
        """A person has let it go."""
        self._ever = False
        self._left_w: float | None = None
        """The safe target that it has confirmed, since it was let go; None: that is not known."""

    # -- what it may be

    @property
    def ever(self) -> bool:
        """It was armed in this session, by whichever screen."""
        return self._ever

    @property
    def armed(self) -> bool:
        """Whether anything but the safe target may be commanded."""
        return self.phase in ("asking", "held")

    @property
    def channel(self) -> str:
        """Where it takes its targets. ValueError if it is no trainer."""
        return trainer_channel(self._link, self._profile, self._heard)

    @property
    def ceiling_w(self) -> float:
        """Never more than this: the bench's maximum and the trainer's own."""
        return max(0.0, min(self.rules.max_w, self._high_w))

    @property
    def safe_w(self) -> float:
        """What it is dropped to: the bench's, or the least that the trainer can."""
        return self._allowed(max(self.rules.safe_w, self._low_w))

    def _allowed(self, power_w: float) -> float:
        """The nearest power that may be commanded and that the trainer knows."""
        low, high = max(0.0, self._low_w), self.ceiling_w
        if power_w <= low:
            return _whole_w(min(low, high))
        steps = math.floor((min(power_w, high) - low) / self._step_w + 1e-9)
        return _whole_w(low + steps * self._step_w)

    # -- a person's word

    def arm(self, t_s: float) -> list[Order]:
        """A person arms it, or takes it back. RefusedError: it can't be now."""
        if self.armed:
            raise RefusedError(f"{self.label} is armed already")
        try:
            channel = self.channel
        except ValueError as error:
            raise RefusedError(str(error)) from None
        if not self._up or t_s - self._heard_s > SILENT_S:
            raise RefusedError(f"{self.label} is not heard: wake it, wait for its link, then arm again")
        if self._can_hold is False:
            raise RefusedError(f"{self.label} tells that it can't hold a power")
        if self._low_w > self.rules.max_w:
            raise RefusedError(
                f"{self.label} can't go below {self._low_w:g} W, the bench allows {self.rules.max_w:g} W"
            )
        self.phase, self.why, self.eased, self._elsewhere = "asking", "", False, ""
        self._ever, self._left_w = True, None
        self._t_s = max(self._t_s, t_s)
        self._slow_since_s = self._fast_since_s = None
        self._pending, self._granted = None, False
        self._unanswered = self._strange = 0
        self._last_try = False
        self._own.clear()
        target = self._power(self.safe_w)
        self._steps = [
            _Step(_CONTROL if number == 0 else _START, request, None)
            for number, request in enumerate(take_control_requests(self._link, self._profile, self._heard))
        ]
        ask = capabilities_request(self._link, self._profile, self._heard)
        if ask is not None and self._can_hold is None:
            self._steps.append(_Step(_STATUS, ask, None))
        self._steps.append(_Step(_POWER, target, self.safe_w))
        said = f"armed: at most {self.ceiling_w:g} W, safe {self.safe_w:g} W, {self.rules.ramp_w_per_s:g} W/s"
        return [Said(said), self._last_will(channel), *self._next_step(t_s)]

    def fall(self, t_s: float, why: str) -> list[Order]:
        """Drop to the safe target and be armed no more: a key, the end, or anything that looks wrong."""
        if not self.armed:
            return []
        orders = self._fall(max(t_s, self._t_s), why)
        self._meant = True
        return orders

    def want(self, load: Load | None) -> None:
        """What the protocol asks for now; None: nothing, which is the safe target."""
        self._load = load

    def cut_off(self) -> None:
        """The connection to the recorder broke: it carries out the will, nothing may come from here."""
        if self.phase in ("asking", "held", "falling"):
            self._let_go("the recorder was out of reach; it has dropped the trainer to its safe target")
        self._own.clear()

    # -- records

    def take(self, record: Record, cadence_rpm: float | None) -> list[Order]:
        """The next record, and the cadence that the bench tells at its time (None: nobody tells)."""
        t_s = record.t_ns / 1e9
        self._t_s = max(self._t_s, t_s)
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
                self._elsewhere = text if text.startswith("armed") else ""
                self._ever = self._ever or bool(self._elsewhere)
            case Act(_, "safe-target", text, label) if label == self.label:
                self._elsewhere = ""
                if self.phase != "off":
                    self._let_go(f"dropped to its safe target by the recorder: {text}")
        return orders + self._go_on(t_s)

    def _packet(self, packet: Packet, t_s: float) -> list[Order]:
        self._heard.setdefault(packet.channel)
        self._heard_s = t_s
        if packet.channel in ("2ACC", "2AD8", "2ADA") or packet.channel == "ant17":
            try:
                facts = decode(packet.channel, packet.data).facts or {}
            except DecodeError:
                facts = {}
            self._learn(facts)
            if facts.get("machine_status") == _TAKEN:
                return self._taken(t_s)
            if self.armed and facts.get("machine_status") in _STOPPED:
                return self._fall(t_s, f"it says: {facts['machine_status']}")
            if self.armed and self._can_hold is False:
                return self._fall(t_s, "it tells that it can't hold a power")
        answer = read_answer(packet.channel, packet.data)
        if answer is None or packet.channel not in ("2AD9", "ant17"):
            return []
        if answer.why == "control not permitted":
            self._unanswered = 0
            if self._last_try and self._pending is not None and answer.what != self._pending.what:
                # To a command of before; the last try is not answered yet.
                return []
            return self._taken(t_s)
        if packet.channel == "2AD9" and answer.what == _POWER:
            self._unanswered -= 1
            if self._unanswered > 0:
                return []
            self._unanswered = 0
        pending = self._pending
        if pending is None or answer.what != pending.what or answer.outcome == "pending":
            return self._look_whose(answer.value, t_s)
        other = answer.value is not None and pending.value is not None and answer.value != pending.value
        if packet.channel == "ant17" and other:
            # Page 0x47 tells of the last command: this is still the one before.
            return []
        return self._answered(pending, answer.outcome == "done", answer.why, t_s)

    def _learn(self, facts: dict[str, float | str]) -> None:
        """What it tells of its abilities."""
        for name, attribute in (("can_set_power", "_can_hold"), ("can_set_simulation", "_can_grade")):
            if isinstance(value := facts.get(name), float):
                setattr(self, attribute, value > 0.0)
        if isinstance(modes := facts.get("trainer_modes"), str):
            self._can_hold, self._can_grade = "target power" in modes, "simulation" in modes
        low, high, step = (facts.get(name) for name in ("min_power_w", "max_power_w", "power_step_w"))
        if isinstance(low, float) and isinstance(high, float) and high > max(0.0, low):
            self._low_w, self._high_w = max(0.0, low), high
            self._step_w = step if isinstance(step, float) and 0.0 < step <= high - low else 1.0

    def _link_changed(self, link: Link, t_s: float) -> list[Order]:
        if link.state in _LOST:
            self._up = False
            if self.armed:
                return self._fall(t_s, f"its link is lost ({link.reason or link.state})")
            if self._last_try and self.phase == "falling":
                return self._lost("its link was lost")
            if self.phase == "taken":
                self.phase, self.why = "off", "its link was lost"
        elif link.state == "up":
            anew, self._up = not self._up, True
            self._heard_s = t_s
            if self.armed and anew:
                return self._fall(t_s, "its link was made anew")
            if self.phase == "falling":
                # A new link has nobody's control yet.
                self._pending, self._retry_s = None, -math.inf
                self._granted, self._unanswered = False, 0
        return []

    def _wrote(self, write: Write, t_s: float) -> list[Order]:
        request = Request(write.channel, write.data)
        if request in self._own:
            self._own.remove(request)
        elif write.outcome == "sent" and self.phase != "off" and _commands(request):
            self._let_go("another screen or the recorder commands it")
            return []
        elif write.outcome == "sent" and _commands(request):
            self._left_w = None
        pending = self._pending
        if pending is None or request != pending.request or pending.written:
            return []
        if write.outcome.startswith("not sent:"):
            self._let_go(write.outcome.removeprefix("not sent: "))
            return []
        if write.outcome == "sent":
            self._pending = pending._replace(written=True, sent_s=t_s)
            if pending.what == _STATUS:
                self._pending = None
                return self._next_step(t_s)
            status = command_status_request(self._link, self._profile, self._heard)
            return [] if status is None else [self._send(status)]
        self.why = f"{pending.what} {write_words(write.outcome)}"
        if self._last_try:
            return self._lost(self.why)
        self._unanswered = max(0, self._unanswered - (pending.what == _POWER))
        # As if its time were over, but not at once: what is busy now may be free in a second.
        self._pending = pending._replace(written=True, sent_s=t_s - ANSWER_S + COMMAND_S)
        return []

    def _answered(self, pending: _Command, done: bool, why: str, t_s: float) -> list[Order]:
        self._pending = None
        if done:
            self.why = "" if self.phase != "falling" else self.why
            if pending.what == _CONTROL:
                self._granted = True
            if pending.what == _GRADE:
                self._on_road, self._current_w = True, None
            return self._next_step(t_s)
        if pending.what == _START:
            # Not every machine wants to be started before it obeys.
            return self._next_step(t_s)
        if pending.what == _GRADE:
            self._can_grade = False
            return []
        if pending.what == _CONTROL and self.phase == "asking":
            self._let_go(f"control refused: {why}")
            return [Said(f"not armed: {self.why}"), Bequest(self.channel)]
        if self._last_try:
            return self._lost(f"{pending.what} refused: {why}")
        if self.phase == "falling":
            self.why = f"the safe target was refused: {why}"
            self._retry_s = t_s + COMMAND_S
            return []
        return self._fall(t_s, f"{pending.what} refused: {why}")

    def _look_whose(self, power_w: float | None, t_s: float) -> list[Order]:
        """A trainer on ANT+ obeys whoever spoke last; it tells what that was."""
        if self.phase != "held" or self._pending is not None or None in (power_w, self._current_w):
            return []
        self._strange = self._strange + 1 if power_w != self._current_w else 0
        return self._taken(t_s) if self._strange >= _STRANGE else []

    def _taken(self, t_s: float) -> list[Order]:
        """Another program has it: one last try at the safe target, then no more until a person says so.

        Ours may be the power that it goes on holding, and nobody else may know of the rider.
        """
        if self.phase in ("off", "taken"):
            return []
        self._control_lost += 1
        if self._control_lost > 1:
            return self._lost("it is controlled by another program")
        said: list[Order] = []
        if self.phase != "falling":
            self._last_try, self._held_w = True, self._current_w
            self.phase, self.why, self._fall_why, self.eased = "falling", _OTHERS, _OTHERS, False
            said.append(Said(f"{_OTHERS}: the safe target is tried once"))
        self._granted, self._pending = False, None
        self._steps = self._falling_steps()
        return [*said, *self._next_step(t_s)]

    def _lost(self, why: str) -> list[Order]:
        """The safe target could not be set, and another program has the trainer: say what it may hold."""
        held_w = self._held_w if self._last_try else self._current_w
        holds = "" if held_w is None else f", it may go on holding {held_w:.0f} W"
        self.phase, self._pending, self._steps, self._last_try = "taken", None, [], False
        self.why = f"{_OTHERS}; the safe target was not confirmed ({why}){holds}"
        return [Said(self.why), Bequest(self.channel)]

    # -- time

    def _go_on(self, t_s: float) -> list[Order]:
        """What time asks for: a command again, the next step of a ramp, the stall guard."""
        if self.phase in ("off", "taken"):
            return []
        pending = self._pending
        if pending is not None:
            if t_s - pending.sent_s < ANSWER_S:
                # The guard does not wait for an answer.
                return self._guard(t_s) if self.phase == "held" else []
            if self._last_try:
                return self._lost("no answer")
            if not self._up:
                self._pending = None
                return []
            if self.phase == "falling" or pending.tries < TRIES:
                self._pending = pending._replace(sent_s=t_s, tries=pending.tries + 1, written=False)
                self._unanswered = 0
                return [self._send(pending.request)]
            self._pending = None
            if pending.what in (_START, _STATUS):
                return self._next_step(t_s)
            if pending.what == _CONTROL:
                self._let_go("control was asked for and not answered")
                return [Said(f"not armed: {self.why}"), Bequest(self.channel)]
            return self._fall(t_s, f"it does not answer ({pending.what})")
        if self.phase == "falling":
            if self._up and t_s >= self._retry_s and not self._steps:
                self._steps = self._falling_steps()
            return self._next_step(t_s) if self._up and t_s >= self._retry_s else []
        if self.phase == "asking":
            return self._next_step(t_s)
        if t_s - self._heard_s > SILENT_S:
            return self._fall(t_s, f"it tells nothing for {SILENT_S:g} s")
        return self._guard(t_s) or self._follow(t_s) or self._ask_whose(t_s)

    def _ask_whose(self, t_s: float) -> list[Order]:
        """Ask a trainer on ANT+ now and then what its last command was."""
        if t_s - max(self._asked_s, self._commanded_s) < _ASK_WHOSE_S:
            return []
        self._asked_s = t_s
        status = command_status_request(self._link, self._profile, self._heard)
        return [] if status is None else [self._send(status)]

    def _guard(self, t_s: float) -> list[Order]:
        """Ease the target when the crank all but stands, before it can't be turned any more."""
        rpm = self._cadence_rpm
        planned = self._load.cadence_rpm if self._load is not None else None
        stall_rpm = max(LEAST_STALL_RPM, min(STALL_RPM, STALL_SHARE * planned if planned else STALL_RPM))
        if self._on_road or rpm is None:
            self._slow_since_s = self._fast_since_s = None
            return []
        if not self.eased:
            if rpm >= stall_rpm:
                self._slow_since_s = None
            elif self._slow_since_s is None:
                self._slow_since_s = t_s
            elif t_s - self._slow_since_s >= STALL_S and (self._current_w or 0.0) > self.safe_w:
                self.eased, self._slow_since_s, self._fast_since_s = True, None, None
                return [Said(f"eased at {rpm:.0f} rpm"), *self._command(_POWER, self.safe_w, t_s)]
            return []
        if rpm < stall_rpm + RECOVERED_RPM:
            self._fast_since_s = None
        elif self._fast_since_s is None:
            self._fast_since_s = t_s
        elif t_s - self._fast_since_s >= RECOVERED_S:
            self.eased = False
        return []

    def _follow(self, t_s: float) -> list[Order]:
        """One step of the ramp towards what is wanted."""
        load = self._load
        if load is not None and load.power_w is None and self._can_grade is not False:
            self.eased = False
            return [] if self._on_road else self._command(_GRADE, self._grade_percent, t_s)
        goal_w = self._goal_w()
        since_s = t_s - self._commanded_s
        if self._on_road or self._current_w is None:
            return self._command(_POWER, self.safe_w, t_s)
        if self._current_w == goal_w or since_s < COMMAND_S:
            return []
        step_w = self.rules.ramp_w_per_s * min(since_s, COMMAND_S)
        power_w = self._current_w + max(-step_w, min(step_w, goal_w - self._current_w))
        # A trainer with coarse steps still moves, one of them at a time.
        allowed_w = self._allowed(power_w)
        if allowed_w == self._current_w:
            if since_s * self.rules.ramp_w_per_s < self._step_w:
                return []
            allowed_w = self._allowed(self._current_w + math.copysign(self._step_w, goal_w - allowed_w))
        return self._command(_POWER, allowed_w, t_s)

    def _goal_w(self) -> float:
        load = self._load
        if self.eased or load is None or load.power_w is None:
            return self.safe_w
        return self._allowed(load.power_w)

    @property
    def _grade_percent(self) -> float:
        return max(-GRADE_LIMIT_PERCENT, min(GRADE_LIMIT_PERCENT, self.rules.grade_percent))

    # -- sending

    def _power(self, power_w: float) -> Request:
        return target_power_request(self._link, min(power_w, self.ceiling_w), self._profile, self._heard)

    def _command(self, what: str, value: float, t_s: float) -> list[Order]:
        if what == _POWER:
            request = self._power(value)
            self._current_w, self._on_road = value, False
        else:
            request = grade_request(self._link, value, self._profile, self._heard)
        self._commanded_s = t_s
        self._pending = _Command(what, request, value if what == _POWER else None, t_s)
        return [self._send(request)]

    def _send(self, request: Request) -> Request:
        self._own.append(request)
        self._unanswered += request.channel == "2AD9" and request.data[:1] == b"\x05"
        return request

    def _next_step(self, t_s: float) -> list[Order]:
        """The next of what must be done in order; after the last the phase is over."""
        if self._pending is not None:
            return []
        if self._steps:
            what, request, value = self._steps.pop(0)
            if what == _POWER:
                self._current_w, self._on_road, self._commanded_s = value, False, t_s
            self._pending = _Command(what, request, value, t_s)
            return [self._send(request)]
        if self.phase == "asking":
            self.phase = "held"
        elif self.phase == "falling" and self._last_try:
            self.phase, self._last_try = "taken", False
            self.why = f"{_OTHERS}; it confirmed the safe target of {self.safe_w:g} W"
            return [Said(self.why), Bequest(self.channel)]
        elif self.phase == "falling":
            self._let_go(self._fall_why)
            self._left_w = self.safe_w
            return [Said(f"let go at {self.safe_w:g} W"), Bequest(self.channel)]
        return []

    def _last_will(self, channel: str) -> Bequest:
        target = self._power(self.safe_w).data
        if channel != "2AD9":
            return Bequest(channel, (target,))
        control = take_control_requests(self._link, self._profile, self._heard)[0].data
        return Bequest(channel, (control, target), bytes((0x80, target[0], 0x01)))

    # -- letting go

    def _falling_steps(self) -> list[_Step]:
        steps: list[_Step] = []
        if not self._granted:
            for request in take_control_requests(self._link, self._profile, self._heard)[:1]:
                steps.append(_Step(_CONTROL, request, None))
        return [*steps, _Step(_POWER, self._power(self.safe_w), self.safe_w)]

    def _fall(self, t_s: float, why: str) -> list[Order]:
        self.phase, self.why, self._fall_why, self.eased = "falling", why, why, False
        self._meant = False
        # Whatever was under way, the safe target goes now; if the trainer is busy, it goes again.
        self._pending, self._retry_s, self._control_lost = None, -math.inf, 0
        self._last_try = False
        if not self._up:
            self._granted = False
            self._steps = []
            return [Said(f"safe target: {why}")]
        self._steps = self._falling_steps()
        return [Said(f"safe target: {why}"), *self._next_step(t_s)]

    def _let_go(self, why: str) -> None:
        self.phase, self.why, self.eased = "off", why, False
        self._left_w = None
        self._pending, self._steps, self._granted = None, [], False
        self._current_w, self._on_road = None, False

    # -- to be shown

    def view(self) -> TrainerView:
        """As it stands now."""
        goal_w = self._goal_w() if self.phase == "held" and not self._on_road else None
        return TrainerView(
            self.label, self.phase, self._words(), self._current_w, goal_w, self.ceiling_w, self.eased,
            loud=self.eased or self.phase in ("falling", "taken"),
            troubled=self.phase == "off" and bool(self._elsewhere or (self.why and not self._meant)),
            ever=self._ever,
        )  # fmt: skip

    def _words(self) -> str:
        match self.phase:
            case "off":
                if self._elsewhere:
                    return f"{self._elsewhere} by another screen"
                if not self._ever:
                    return f"not armed: {self.why}" if self.why else "not armed"
                holds = "" if self._left_w is None else f", holds {self._left_w:.0f} W"
                why = f": {self.why}" if self.why and not self._meant else ""
                return f"released{holds}, t arms again{why}"
            case "asking":
                return "asking for control"
            case "falling":
                return f"TO THE SAFE TARGET: {self.why}"
            case "taken":
                failed = ", SAFE TARGET NOT CONFIRMED" if "not confirmed" in self.why else ""
                return f"TAKEN by another program{failed}; t takes it back"
            case "held":
                pass
        if self._on_road:
            return f"road of {self._grade_percent:g} %"
        now = "" if self._current_w is None else f"{self._current_w:.0f} W"
        if self.eased:
            return f"EASED to {now}: turn faster"
        if self._load is not None and self._load.power_w is None:
            return f"{now}: it simulates no road"
        goal_w = self._goal_w()
        text = now if goal_w == self._current_w else f"{now} → {goal_w:.0f} W"
        return f"{text} ({self.why})" if self.why else text


def _whole_w(power_w: float) -> float:
    """Whole watts, which is what a fitness machine takes, and never more than meant."""
    return float(math.floor(power_w + 1e-9))


def _commands(request: Request) -> bool:
    """Whether these octets set what a trainer does: not a question, not a calibration."""
    if request.channel == "2AD9":
        return request.data[:1] not in (b"", b"\x00", b"\x07")
    return request.channel == "ant17" and request.data[:1] in (b"\x30", b"\x31", b"\x32", b"\x33")
