"""The power that a trainer shall hold next: a ramp to what is wanted, eased where the crank nearly stands."""

import math
from typing import Final, Literal, NamedTuple

from monitor.controls.trainer.machine import Machine
from monitor.controls.trainer.orders import Load

COMMAND_S = 1.0
"""Least time between two commands that only follow the target: common practice, no source."""
STALL_RPM = 50.0
"""Below this the target is eased: at a held power a slower crank only gets heavier (the torque is the power
over the angular speed). The cadence is common practice, no source."""
STALL_SHARE = 0.7
"""Of a cadence that is planned lower than common."""
LEAST_STALL_RPM = 30.0
STALL_S = 1.0
"""How long the crank must be that slow..."""
RECOVERED_RPM, RECOVERED_S = 8.0, 2.0
"""...and how much faster, for how long, before the target rises again: common practice, no source."""

POWER: Final = "target power"
GRADE: Final = "grade"


class Wish(NamedTuple):
    """The next command: a power in W, or a grade in percent."""

    what: Literal["target power", "grade"]
    value: float


class Target:
    """What is commanded, what is wanted, and the next step between them."""

    def __init__(self, machine: Machine) -> None:
        self.load: Load | None = None
        """What the protocol asks for; None: nothing, which is the safe target."""
        self.current_w: float | None = None
        """The power that was commanded last; None while a road is simulated."""
        self.on_road = False
        self.eased = False
        self.commanded_s = -math.inf
        self._machine = machine
        self._slow_since_s: float | None = None
        self._fast_since_s: float | None = None

    def begin(self) -> None:
        """It is armed: nothing is known of the crank yet."""
        self.eased = False
        self._slow_since_s = self._fast_since_s = None

    def set_power(self, power_w: float | None, t_s: float) -> None:
        """This power goes out now."""
        self.current_w, self.on_road, self.commanded_s = power_w, False, t_s

    def set_road(self) -> None:
        """It has confirmed that it simulates a road."""
        self.on_road, self.current_w = True, None

    def end(self) -> None:
        """Nobody here commands it any more."""
        self.current_w, self.on_road, self.eased = None, False, False

    @property
    def goal_w(self) -> float:
        """Where the ramp ends."""
        if self.eased or self.load is None or self.load.power_w is None:
            return self._machine.safe_w
        return self._machine.allowed_w(self.load.power_w)

    def guard(self, rpm: float | None, t_s: float) -> bool:
        """Whether the target has to be eased now, before the crank can't be turned any more.

        `rpm` None: nobody tells a cadence.
        """
        planned = self.load.cadence_rpm if self.load is not None else None
        stall_rpm = max(LEAST_STALL_RPM, min(STALL_RPM, STALL_SHARE * planned if planned else STALL_RPM))
        if self.on_road or rpm is None:
            self._slow_since_s = self._fast_since_s = None
            return False
        if not self.eased:
            if rpm >= stall_rpm:
                self._slow_since_s = None
            elif self._slow_since_s is None:
                self._slow_since_s = t_s
            elif t_s - self._slow_since_s >= STALL_S and (self.current_w or 0.0) > self._machine.safe_w:
                self.eased, self._slow_since_s, self._fast_since_s = True, None, None
                return True
            return False
        if rpm < stall_rpm + RECOVERED_RPM:
            self._fast_since_s = None
        elif self._fast_since_s is None:
            self._fast_since_s = t_s
        elif t_s - self._fast_since_s >= RECOVERED_S:
            self.eased = False
        return False

    def follow(self, t_s: float) -> Wish | None:
        """One step of the ramp towards what is wanted; None: none is due."""
        machine, load = self._machine, self.load
        if load is not None and load.power_w is None and machine.can_grade is not False:
            self.eased = False
            return None if self.on_road else Wish(GRADE, machine.grade_percent)
        goal_w = self.goal_w
        since_s = t_s - self.commanded_s
        if self.on_road or self.current_w is None:
            return Wish(POWER, machine.safe_w)
        if self.current_w == goal_w or since_s < COMMAND_S:
            return None
        ramp_w_per_s = machine.rules.ramp_w_per_s
        step_w = ramp_w_per_s * min(since_s, COMMAND_S)
        power_w = self.current_w + max(-step_w, min(step_w, goal_w - self.current_w))
        # A trainer with coarse steps still moves, one of them at a time.
        allowed_w = machine.allowed_w(power_w)
        if allowed_w == self.current_w:
            if since_s * ramp_w_per_s < machine.step_w:
                return None
            allowed_w = machine.allowed_w(self.current_w + math.copysign(machine.step_w, goal_w - allowed_w))
        return Wish(POWER, allowed_w)

    def words(self, why: str) -> str:
        """What it holds, in words; `why`: what troubles it."""
        if self.on_road:
            return f"road of {self._machine.grade_percent:g} %"
        now = "" if self.current_w is None else f"{self.current_w:.0f} W"
        if self.eased:
            return f"EASED to {now}: turn faster"
        if self.load is not None and self.load.power_w is None:
            return f"{now}: it simulates no road"
        text = now if self.goal_w == self.current_w else f"{now} → {self.goal_w:.0f} W"
        return f"{text} ({why})" if why else text
