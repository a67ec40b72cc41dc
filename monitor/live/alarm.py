"""The states of an alarm: clear, pending, raised, blind.

An alarm is driven by one signal at a time: over its upper threshold, below its lower
one, between them, or not to be seen. It is raised when the signal has been over for
`hold_s`, cleared when it has been below for `linger_s`; between the thresholds nothing
changes, so a value that trembles about a limit does not flap. Not seen is neither calm
nor alarm: a blind alarm remembers whether it was raised, and goes on from there when
it can see again. Time is an argument; nothing here looks at a clock.
"""

from dataclasses import dataclass
from typing import Literal

from monitor.finding import Rule, State

Signal = Literal["over", "between", "below"] | None


@dataclass(slots=True)
class Alarm:
    """One alarm: its state, and since when (session seconds) the signal has been where it is."""

    state: State = "clear"
    raised: bool = False
    over_s: float | None = None
    below_s: float | None = None


def step(rule: Rule, alarm: Alarm, signal: Signal, at_s: float) -> Literal["raised", "cleared"] | None:
    """Move the alarm on to `at_s`; says when it was raised or cleared by this step."""
    if signal is None:
        alarm.over_s = alarm.below_s = None
        alarm.state = "blind"
        return None
    if signal == "over":
        alarm.below_s = None
        if alarm.over_s is None:
            alarm.over_s = at_s
        if not alarm.raised and at_s - alarm.over_s >= rule.hold_s:
            alarm.raised = True
            alarm.state = "raised"
            return "raised"
    elif signal == "below":
        alarm.over_s = None
        if alarm.below_s is None:
            alarm.below_s = at_s
        if alarm.raised and at_s - alarm.below_s >= rule.linger_s:
            alarm.raised = False
            alarm.state = "clear"
            return "cleared"
    else:
        alarm.over_s = alarm.below_s = None
    alarm.state = "raised" if alarm.raised else "pending" if alarm.over_s is not None else "clear"
    return None
