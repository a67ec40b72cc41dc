"""All alarms of a bench: what the detectors say drives them, and each change of state is a finding."""

import math
from dataclasses import dataclass
from typing import Literal, NamedTuple

from monitor.finding import KINDS, Cause, Finding
from monitor.live.alarm import Alarm, step
from monitor.live.faults.seen import Key
from monitor.live.faults.sign import Sign

_ORDER = {kind: place for place, kind in enumerate(KINDS)}


@dataclass(slots=True)
class Standing:
    """An alarm, what was said of it last, since when (session seconds), and whether the rider knows."""

    alarm: Alarm
    sign: Sign
    since_s: float = 0.0
    acknowledged: bool = False
    cause: Cause | None = None
    """The cause that was said last, unless it was unclear."""
    whose: str = ""
    """Whether it was said to be a difference, or the instrument's own."""
    inferred: str = ""
    """What was said to be inferred."""

    def learns(self, sign: Sign) -> bool:
        """Whether a sign tells what wasn't said yet of what is raised: its cause, or whose it is."""
        if not self.alarm.raised or sign.signal not in ("over", "between") or not sign.what:
            return False
        caused = sign.cause not in (None, "unclear", self.cause)
        inferred = sign.inferred not in ("", self.inferred)
        return caused or (sign.signal == "over" and (inferred or sign.whose not in ("", self.whose)))

    def says(self, sign: Sign, anew: bool) -> None:
        """Remember what a sign tells; `anew`: nothing was told before."""
        self.sign = sign
        if anew or sign.cause not in (None, "unclear"):
            self.cause = None if sign.cause == "unclear" else sign.cause
        self.whose = sign.whose or ("" if anew else self.whose)
        self.inferred = sign.inferred or ("" if anew else self.inferred)


class Driven(NamedTuple):
    """What a sign has led to: a finding, and whether the alarm changed its state by it.

    A finding that stands may be said again, with its cause: then there is no `event`.
    """

    finding: Finding | None
    event: Literal["raised", "cleared"] | None


class Bank:
    """The alarms of one bench; time is an argument."""

    def __init__(self) -> None:
        self.known: dict[Key, Standing] = {}
        """Every alarm that was over once."""

    def raised(self, key: Key) -> bool:
        """Whether this alarm is raised."""
        standing = self.known.get(key)
        return standing is not None and standing.alarm.raised

    def open(self) -> list[Standing]:
        """What is raised, in the order in which it is to be shown."""
        return sorted(
            (s for s in self.known.values() if s.alarm.raised),
            key=lambda s: (s.acknowledged, _ORDER[s.sign.kind], -s.since_s, s.sign.instrument),
        )

    def acknowledge(self, instrument: str, kind: str) -> None:
        """The rider knows of what is raised; an empty text stands for all."""
        for (own, label, _side), standing in self.known.items():
            if standing.alarm.raised and instrument in ("", label) and kind in ("", own):
                standing.acknowledged = True

    def drive(self, sign: Sign, now_s: float) -> Driven:
        """Move the alarm of `sign` on to `now_s`."""
        key = (sign.kind, sign.instrument, sign.side)
        standing = self.known.get(key)
        if standing is None:
            if sign.signal != "over":
                return _NOTHING
            standing = self.known[key] = Standing(Alarm(), sign)
        event = step(KINDS[sign.kind], standing.alarm, sign.signal, now_s)
        if event == "cleared":
            last = standing.sign
            sign.reference, sign.cause = sign.reference or last.reference, last.cause
            sign.limit = last.limit if sign.limit is None else sign.limit
            sign.what, sign.do = sign.cleared or _cleared(sign), ""
        learnt = event is None and standing.learns(sign)
        if event is not None or learnt:
            standing.says(sign, event is not None)
        elif sign.signal == "over":
            standing.sign = sign
        if learnt:
            # The ride has told what it is: the standing finding is said again, with its cause. A drift
            # began before the step for which it was taken.
            standing.since_s = standing.since_s if sign.since_s is None else max(0.0, sign.since_s)
            return Driven(_finding(sign, "raised", now_s, standing.since_s), None)
        if event is None:
            return _NOTHING
        if event == "raised":
            began = sign.since_s if sign.since_s is not None else standing.alarm.over_s
            standing.since_s = now_s if began is None or began == -math.inf else max(0.0, began)
            standing.acknowledged = False
        return Driven(_finding(sign, event, now_s, standing.since_s), event)


_NOTHING = Driven(None, None)


def _cleared(sign: Sign) -> str:
    """What is so again now that an alarm is cleared."""
    phrase = KINDS[sign.kind].phrase
    if not sign.instrument:
        return phrase
    side = f" {sign.side} side" if sign.side in ("left", "right") else ""
    return f"{sign.instrument}{side}: {phrase}"


def _finding(sign: Sign, event: Literal["raised", "cleared"], now_s: float, since_s: float) -> Finding:
    return Finding(
        t_s=round(now_s, 3),
        event=event,
        kind=sign.kind,
        instrument=sign.instrument,
        side=sign.side,
        reference=sign.reference,
        value=None if sign.value is None or not math.isfinite(sign.value) else round(sign.value, 3),
        limit=None if sign.limit is None else round(sign.limit, 3),
        unit=sign.unit,
        since_s=round(since_s, 3),
        cause=sign.cause,
        what=sign.what,
        do=sign.do,
        advice=sign.advice,
    )
