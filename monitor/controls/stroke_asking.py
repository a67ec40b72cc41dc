"""Asking ANT+ power meters for their settings of the stroke, such as where a peak power phase begins.

They tell them on request only (page 0x46 for page 0x02 with a sub-page). Nothing is set: the bits that switch
pages of the stroke on are read in opposite ways by open decoders, and no standard was at hand.
"""

from collections.abc import Callable
from typing import NamedTuple

from capture.control import Request, stroke_settings_request
from capture.profiles import ant_power
from capture.record import Link, Packet, Record, Tick, Write
from monitor.setup.bench import Bench

ASK_AFTER_S = 6.0
"""Seconds after a link is up: crank length and the checks before a ride go first."""
ASK_AGAIN_S, ASK_TIMES = 4.0, 2

_CAPABILITIES = (0xFD, 0xFE)
_CALLS_FOR: dict[int, tuple[int, ...]] = {
    0x13: _CAPABILITIES,
    0x14: _CAPABILITIES,
    0xE0: (ant_power.PowerPhaseSettings.SUBPAGE, *_CAPABILITIES),
    0xE1: (ant_power.PowerPhaseSettings.SUBPAGE, *_CAPABILITIES),
    0xE2: (ant_power.POSITION_SUBPAGE, *_CAPABILITIES),
}
"""Which sub-pages explain a page of the stroke that was heard."""


class _Asked(NamedTuple):
    subpage: int
    t_s: float


class StrokeAsker:
    """Asks each ANT+ power meter that reports its stroke, once a link: a function of the records alone.

    One question at a time, at most ASK_TIMES each: who does not know a sub-page says nothing. `late_s`: who
    follows a session leaves it to the screen that started it.
    """

    def __init__(self, bench: Bench, late_s: float = 0.0) -> None:
        self._instruments = {each.label: each for each in bench.instruments if each.measures_power}
        self._late_s = late_s
        self._up_s: dict[str, float] = {}
        self._wanted: dict[str, dict[int, None]] = {}
        self._answered: dict[str, set[int]] = {}
        self._asked: dict[str, list[_Asked]] = {}

    def take(
        self, record: Record, _facts: Callable[[str], dict[str, float | str]]
    ) -> list[tuple[str, Request]]:
        """The next record; whom to ask now, and what. It asks on ticks only."""
        t_s = record.t_ns / 1e9
        match record:
            case Packet(_, label, "ant11", data) if data and label in self._instruments:
                self._up_s.setdefault(label, t_s)
                if data[0] == ant_power.Parameters.NUMBER and len(data) > 1:
                    self._answered.setdefault(label, set()).add(data[1])
                for subpage in _CALLS_FOR.get(data[0], ()):
                    self._wanted.setdefault(label, {}).setdefault(subpage)
            case Link(_, label, state) if state in ("down", "given-up", "radio-lost"):
                for kept in (self._up_s, self._wanted, self._answered, self._asked):
                    kept.pop(label, None)
            case Write(_, label, "ant11", data) if label in self._instruments:
                self._wrote(label, data, t_s)
            case Tick():
                return [(label, request) for label in self._wanted for request in self._due(label, t_s)]
            case _:
                pass
        return []

    def _wrote(self, label: str, data: bytes, t_s: float) -> None:
        """A question went out: ours, or another screen's in the place of ours."""
        for subpage in self._wanted.get(label, ()):
            if data == self._request(label, subpage).data:
                asked = self._asked.setdefault(label, [])
                if asked and asked[-1].subpage == subpage and t_s - asked[-1].t_s < ASK_AGAIN_S:
                    asked.pop()
                asked.append(_Asked(subpage, t_s))

    def _due(self, label: str, t_s: float) -> list[Request]:
        asked = self._asked.setdefault(label, [])
        since_s = t_s - (asked[-1].t_s if asked else self._up_s[label])
        if since_s < self._late_s + (ASK_AGAIN_S if asked else ASK_AFTER_S):
            return []
        answered = self._answered.get(label, set())
        for subpage in sorted(self._wanted[label], key=lambda s: sum(a.subpage == s for a in asked)):
            if subpage not in answered and sum(a.subpage == subpage for a in asked) < ASK_TIMES:
                asked.append(_Asked(subpage, t_s))
                return [self._request(label, subpage)]
        return []

    def _request(self, label: str, subpage: int) -> Request:
        each = self._instruments[label]
        return stroke_settings_request(each.link, subpage, each.profile, ("ant11",))
