"""Control over a trainer: asked for, held, given back at the safe target, or taken by another program."""

import math
from collections.abc import Sequence

from monitor.controls.trainer.exchange import CONTROL, Exchange, Step
from monitor.controls.trainer.machine import Machine
from monitor.controls.trainer.orders import Bequest, Order, Phase, Said, TrainerView
from monitor.controls.trainer.target import POWER, Target

_OTHERS = "another program has taken control"


class Control:
    """The phases of holding one trainer, and what goes out when one ends."""

    def __init__(self, machine: Machine, target: Target, exchange: Exchange) -> None:
        self.phase: Phase = "off"
        self.why = ""
        """Why it is not armed, or what troubles it."""
        self.ever = False
        """It was armed in this session, by whichever screen."""
        self.elsewhere = ""
        """What another screen said when it armed it."""
        self.up = False
        """Its link."""
        self.granted = False
        """A fitness machine has said that it obeys."""
        self.last_try = False
        """Another program took control of what was held here: the safe target is tried once, and no more."""
        self.meant = False
        """A person has let it go."""
        self.left_w: float | None = None
        """The safe target that it has confirmed, since it was let go; None: that is not known."""
        self._machine, self._target, self._exchange = machine, target, exchange
        self._fall_why = ""
        self._taken_times = 0
        self._held_w: float | None = None
        """What was held when control was taken away."""

    def begin(self, t_s: float, steps: Sequence[Step]) -> list[Order]:
        """Ask for control, by these steps and the safe target."""
        self.phase, self.why, self.elsewhere = "asking", "", ""
        self.ever, self.left_w = True, None
        self.granted = self.last_try = False
        self._target.begin()
        self._exchange.begin([*steps, self._safe_step()])
        return self.next_step(t_s)

    def next_step(self, t_s: float) -> list[Order]:
        """The next of what must be done in order; after the last the phase is over."""
        exchange = self._exchange
        if exchange.pending is not None:
            return []
        if exchange.steps:
            what, request, power_w = exchange.steps.pop(0)
            if what == POWER:
                self._target.set_power(power_w, t_s)
            return [exchange.command(what, request, power_w, t_s)]
        safe_w = self._machine.safe_w
        if self.phase == "asking":
            self.phase = "held"
        elif self.phase == "falling" and self.last_try:
            self.phase, self.last_try = "taken", False
            self.why = f"{_OTHERS}; it confirmed the safe target of {safe_w:g} W"
            return [Said(self.why), Bequest(self._machine.channel)]
        elif self.phase == "falling":
            self.let_go(self._fall_why)
            self.left_w = safe_w
            return [Said(f"let go at {safe_w:g} W"), Bequest(self._machine.channel)]
        return []

    def _safe_step(self) -> Step:
        safe_w = self._machine.safe_w
        return Step(POWER, self._machine.power(safe_w), safe_w)

    def falling_steps(self) -> list[Step]:
        """What sets the safe target."""
        control = [] if self.granted else self._machine.take_control()[:1]
        return [*(Step(CONTROL, request, None) for request in control), self._safe_step()]

    # -- how it ends

    def fall(self, t_s: float, why: str) -> list[Order]:
        """To the safe target, and armed no more."""
        self.phase, self.why, self._fall_why = "falling", why, why
        self._target.eased, self.meant = False, False
        # Whatever was under way, the safe target goes now; if the trainer is busy, it goes again.
        self._exchange.pending, self._exchange.retry_s = None, -math.inf
        self._taken_times, self.last_try = 0, False
        if not self.up:
            self.granted = False
            self._exchange.steps = []
            return [Said(f"safe target: {why}")]
        self._exchange.steps = self.falling_steps()
        return [Said(f"safe target: {why}"), *self.next_step(t_s)]

    def taken(self, t_s: float) -> list[Order]:
        """Another program has it: one last try at the safe target, then no more until a person says so.

        Ours may be the power that it goes on holding, and nobody else may know of the rider.
        """
        if self.phase in ("off", "taken"):
            return []
        self._taken_times += 1
        if self._taken_times > 1:
            return self.lost("it is controlled by another program")
        said: list[Order] = []
        if self.phase != "falling":
            self.last_try, self._held_w = True, self._target.current_w
            self.phase, self.why, self._fall_why, self._target.eased = "falling", _OTHERS, _OTHERS, False
            said.append(Said(f"{_OTHERS}: the safe target is tried once"))
        self.granted, self._exchange.pending = False, None
        self._exchange.steps = self.falling_steps()
        return [*said, *self.next_step(t_s)]

    def lost(self, why: str) -> list[Order]:
        """The safe target could not be set, and another program has the trainer: say what it may hold."""
        held_w = self._held_w if self.last_try else self._target.current_w
        holds = "" if held_w is None else f", it may go on holding {held_w:.0f} W"
        self.phase, self.last_try = "taken", False
        self._exchange.clear()
        self.why = f"{_OTHERS}; the safe target was not confirmed ({why}){holds}"
        return [Said(self.why), Bequest(self._machine.channel)]

    def let_go(self, why: str) -> None:
        """Nothing more is sent."""
        self.phase, self.why = "off", why
        self.left_w, self.granted = None, False
        self._exchange.clear()
        self._target.end()

    def not_armed(self, why: str) -> list[Order]:
        """Control was not to be had."""
        self.let_go(why)
        return [Said(f"not armed: {why}"), Bequest(self._machine.channel)]

    # -- to be shown

    def view(self, label: str) -> TrainerView:
        """As it stands now."""
        target = self._target
        goal_w = target.goal_w if self.phase == "held" and not target.on_road else None
        return TrainerView(
            label, self.phase, self._words(), target.current_w, goal_w, self._machine.ceiling_w, target.eased,
            loud=target.eased or self.phase in ("falling", "taken"),
            troubled=self.phase == "off" and bool(self.elsewhere or (self.why and not self.meant)),
            ever=self.ever,
        )  # fmt: skip

    def _words(self) -> str:
        match self.phase:
            case "off":
                if self.elsewhere:
                    return f"{self.elsewhere} by another screen"
                if not self.ever:
                    return f"not armed: {self.why}" if self.why else "not armed"
                holds = "" if self.left_w is None else f", holds {self.left_w:.0f} W"
                why = f": {self.why}" if self.why and not self.meant else ""
                return f"released{holds}, t arms again{why}"
            case "asking":
                return "asking for control"
            case "falling":
                return f"TO THE SAFE TARGET: {self.why}"
            case "taken":
                failed = ", SAFE TARGET NOT CONFIRMED" if "not confirmed" in self.why else ""
                return f"TAKEN by another program{failed}; t takes it back"
            case "held":
                return self._target.words(self.why)
