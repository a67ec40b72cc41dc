"""A trainer as it tells itself to be, within what the bench allows; and the octets that command it."""

import math

from capture.control import (
    Request,
    capabilities_request,
    command_status_request,
    grade_request,
    take_control_requests,
    target_power_request,
    trainer_channel,
)
from capture.profiles import ant_trainer, decode, fitness_machine
from capture.record import Packet
from capture.sample import DecodeError
from monitor.controls.trainer.orders import Bequest
from monitor.setup.bench import TrainerRules

MACHINE, ANT = "2AD9", "ant17"
"""Where targets go: the control point of the Fitness Machine Service, the pages of an ANT+ trainer."""
_TELLS_ABILITIES = ("2ACC", "2AD8", "2ADA", ANT)
"""Feature, supported power range and status of a fitness machine; any page of an ANT+ trainer."""
GRADE_LIMIT_PERCENT = 5.0
"""No steeper road is simulated: common practice, no source."""
_STEP_W = 1.0
"""Where the machine tells no step: the unit of its target (Fitness Machine Service 1.0, op code 0x05)."""
_ROUNDING = 1e-9
"""What arithmetic may have taken from a whole number of steps or watts."""
_ANT_COMMANDS = (
    ant_trainer.BasicResistance.NUMBER,
    ant_trainer.TargetPower.NUMBER,
    ant_trainer.WindResistance.NUMBER,
    ant_trainer.TrackResistance.NUMBER,
)
_NO_COMMANDS = (fitness_machine.REQUEST_CONTROL, fitness_machine.START_OR_RESUME)


class Machine:
    """What one trainer is, can and may.

    Args:
        link, profile: as the bench names it.
        rules: what it may do.
    """

    def __init__(self, link: str, profile: str | None, rules: TrainerRules) -> None:
        self.rules = rules
        self.can_hold: bool | None = None
        """A power; None: it has not told."""
        self.can_grade: bool | None = None
        """It simulates a road."""
        self.low_w, self.step_w = 0.0, _STEP_W
        self._high_w = rules.max_w
        self._link, self._profile = link, profile
        self._heard: dict[str, None] = {}

    # -- what it tells

    def hear(self, packet: Packet) -> str | None:
        """Learn what a packet tells of abilities; the machine's status, if it tells one."""
        self._heard.setdefault(packet.channel)
        if packet.channel not in _TELLS_ABILITIES:
            return None
        try:
            facts = decode(packet.channel, packet.data).facts or {}
        except DecodeError:
            return None
        self._learn(facts)
        status = facts.get("machine_status")
        return status if isinstance(status, str) else None

    def _learn(self, facts: dict[str, float | str]) -> None:
        if isinstance(value := facts.get("can_set_power"), float):
            self.can_hold = value > 0.0
        if isinstance(value := facts.get("can_set_simulation"), float):
            self.can_grade = value > 0.0
        if isinstance(modes := facts.get("trainer_modes"), str):
            self.can_hold, self.can_grade = "target power" in modes, "simulation" in modes
        low, high, step = (facts.get(name) for name in ("min_power_w", "max_power_w", "power_step_w"))
        if isinstance(low, float) and isinstance(high, float) and high > max(0.0, low):
            self.low_w, self._high_w = max(0.0, low), high
            self.step_w = step if isinstance(step, float) and 0.0 < step <= high - low else _STEP_W

    # -- what it may

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
        return self.allowed_w(max(self.rules.safe_w, self.low_w))

    def allowed_w(self, power_w: float) -> float:
        """The nearest power that may be commanded and that the trainer knows."""
        low, high = self.low_w, self.ceiling_w
        if power_w <= low:
            return _whole_w(min(low, high))
        steps = math.floor((min(power_w, high) - low) / self.step_w + _ROUNDING)
        return _whole_w(low + steps * self.step_w)

    @property
    def grade_percent(self) -> float:
        """The road that the bench wishes, within what may be simulated."""
        return max(-GRADE_LIMIT_PERCENT, min(GRADE_LIMIT_PERCENT, self.rules.grade_percent))

    # -- the octets

    def power(self, power_w: float) -> Request:
        """Hold so much, and never more than the ceiling."""
        return target_power_request(self._link, min(power_w, self.ceiling_w), self._profile, self._heard)

    def grade(self, percent: float) -> Request:
        """Simulate a road so steep."""
        return grade_request(self._link, percent, self._profile, self._heard)

    def take_control(self) -> tuple[Request, ...]:
        """What has to be granted before it obeys: control, then a start. None on ANT+."""
        return tuple(take_control_requests(self._link, self._profile, self._heard))

    def capabilities(self) -> Request | None:
        """The question what it can, where it has to be asked and has not told."""
        asked = capabilities_request(self._link, self._profile, self._heard)
        return asked if self.can_hold is None else None

    def command_status(self) -> Request | None:
        """The question what its last command was, where it does not answer by itself."""
        return command_status_request(self._link, self._profile, self._heard)

    def last_will(self) -> Bequest:
        """What the recorder sends if this program is gone: the safe target."""
        target = self.power(self.safe_w).data
        if self.channel != MACHINE:
            return Bequest(self.channel, (target,))
        control = self.take_control()[0].data
        answer = bytes((fitness_machine.RESPONSE, target[0], fitness_machine.SUCCESS))
        return Bequest(self.channel, (control, target), answer)


def _whole_w(power_w: float) -> float:
    """Whole watts, which is what a fitness machine takes, and never more than meant."""
    return float(math.floor(power_w + _ROUNDING))


def sets_power(request: Request) -> bool:
    """Whether these octets are a fitness machine's target power."""
    return request.channel == MACHINE and request.data[:1] == bytes((fitness_machine.SET_POWER,))


def commands(request: Request) -> bool:
    """Whether these octets set what a trainer does: not a question, not a calibration."""
    if not request.data:
        return False
    if request.channel == MACHINE:
        return request.data[0] not in _NO_COMMANDS
    return request.channel == ANT and request.data[0] in _ANT_COMMANDS
