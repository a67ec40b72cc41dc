"""The protocol as it is being ridden: where it stands, what comes next, and what a person has changed.

All of it is a function of the acts in the record, so every screen, a replay and a study see the same.
Acts that it knows: `segment` (one begins, by the clock or by a key), `pause` is a segment of that name,
`resume` and `repeat` (the next `segment` goes on, or begins anew), `insert` (a block of its own comes next),
`undo`, `preflight` (it waits for a person to pass the checks), `ready` (he has).

It waits in `ready` until somebody begins its first segment by a key, or until the cranks turn.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace

import msgspec

from capture.record import Act
from monitor.live.view import Block
from monitor.live.view import Segment as SegmentView
from monitor.setup.protocol import AFTER, PAUSE, Protocol, Segment, read_segment

RIDDEN_S = 3.0
"""So long the cranks must turn before that begins the protocol: a crank spun by hand wakes a sensor."""
START_WITHIN_S = 30.0
"""Cranks that turn begin it when every instrument was heard, or after so long."""
ASK_AGAIN_S = 3.0
"""An act that has not come back as a record after so long is sent once more."""
TICK_S = 1.0
"""The clock of a session. A segment ends at the tick nearest to its end: at the first one after it, each
would last almost a second longer, and an evening a minute."""
UNDOABLE = 50
_UNDO = re.compile(r"(\S+) (\d+)")


@dataclass(frozen=True, slots=True)
class _Place:
    """Where the protocol stands. `at` is -1 before it, the length of the plan after it."""

    plan: tuple[Segment, ...]
    at: int = -1
    start_s: float = 0.0
    before_s: float = 0.0
    """Seconds of this segment that were ridden before a pause."""
    own: str | None = None
    """A segment that the operator named, in place of the plan's."""
    own_number: int = 0
    paused: bool = False


def undone(act: Act) -> tuple[str, int] | None:
    """What an act `undo` takes back: the word and the record time of an earlier act; None: nothing."""
    found = _UNDO.fullmatch(act.text) if act.act == "undo" else None
    return (found[1], int(found[2])) if found is not None and len(found[2]) < 19 else None


def undo_text(act: Act) -> str:
    """The text of the act `undo` that takes another one back."""
    return f"{act.act} {act.t_ns}"


def effective(acts: Sequence[Act]) -> list[Act]:
    """What was done in the end: acts that were taken back are gone, each stands at its moment, in order."""
    gone: set[tuple[str, int]] = set()
    for act in acts:
        if (what := undone(act)) is not None:
            gone.add(what)
    left = [
        act if act.moment_ns == act.t_ns else msgspec.structs.replace(act, t_ns=act.moment_ns, at_ns=0)
        for act in acts
        if act.act != "undo" and (act.act, act.t_ns) not in gone
    ]
    return sorted(left, key=lambda act: act.t_ns)


class Runner:
    """Where a protocol stands. Without one, only the segments that the operator names.

    `waits` has it begin only after an act `ready`, as an act `preflight` does. `late_s` is how
    long `due` waits for another one to begin a segment: who follows a session takes over when the
    screen that began it is gone.
    """

    def __init__(self, protocol: Protocol | None = None, *, late_s: float = 0.0, waits: bool = False) -> None:
        self.protocol, self.late_s, self.waits = protocol, late_s, waits
        self.ready = False
        self.inserted: list[Segment] = []
        self._place = _Place(protocol.segments if protocol is not None else ())
        self._history: list[tuple[str, int, _Place]] = []
        """Act, its record time, and where the protocol stood before it."""
        self._prefix: tuple[str, _Place] | None = None
        self._asked: tuple[str, float] | None = None
        self._number = 0

    # -- acts

    def take(self, act: Act) -> None:
        """See what was done, by whomever."""
        match act.act:
            case "segment":
                self._begin(act)
            case "resume" | "repeat":
                # The segment that follows is the one that stood, not the next of that name.
                self._prefix = act.act, self._place
            case "insert":
                if (segment := read_segment(act.text)) is not None:
                    self._remember(act)
                    self.inserted.append(segment)
                    self._insert(segment)
            case "undo":
                self._undo(act)
            case "preflight":
                self.waits = True
            case "ready":
                self.ready = True

    def _remember(self, act: Act, place: _Place | None = None) -> None:
        self._history.append((act.act, act.t_ns, place or self._place))
        del self._history[:-UNDOABLE]

    def _begin(self, act: Act) -> None:
        place, name, start_s = self._place, act.text, act.moment_ns / 1e9
        prefix, self._prefix = self._prefix, None
        self._remember(act, prefix[1] if prefix is not None else None)
        self._asked = None
        self._number += 1
        names = [segment.name for segment in place.plan]
        ahead = [at for at, each in enumerate(names) if each == name and at > place.at]
        anywhere = [at for at, each in enumerate(names) if each == name]
        current = names[place.at] if 0 <= place.at < len(names) else None
        if name == AFTER:
            self._place = replace(place, at=len(names), start_s=start_s, before_s=0.0, own=None, paused=False)
        elif name == PAUSE and current is not None:
            if not place.paused and place.own is None:
                ridden_s = place.before_s + start_s - place.start_s
                self._place = replace(place, before_s=ridden_s, start_s=start_s, paused=True)
        elif prefix is not None and name == current:
            before_s = place.before_s if prefix[0] == "resume" and place.paused else 0.0
            self._place = replace(place, start_s=start_s, before_s=before_s, own=None, paused=False)
        elif anywhere:
            at = (ahead or anywhere)[0]
            self._place = replace(place, at=at, start_s=start_s, before_s=0.0, own=None, paused=False)
        else:
            self._place = replace(
                place, start_s=start_s, before_s=0.0, own=name, own_number=self._number, paused=False
            )

    def _insert(self, segment: Segment) -> None:
        place = self._place
        following = min(len(place.plan), place.at + 1)
        name, n = segment.name, 1
        taken = {each.name for each in place.plan}
        while segment.name in taken:
            # Two blocks of one name could not be told apart in the record.
            n += 1
            segment = _renamed(segment, f"{name} ({n})")
        plan = (*place.plan[:following], segment, *place.plan[following:])
        self._asked = None
        if place.at >= len(place.plan) and place.own is None and place.plan:
            # After the protocol nothing begins by itself any more: it waits for its key.
            self._place = replace(place, plan=plan, at=following - 1, own=AFTER, own_number=len(plan))
        else:
            self._place = replace(place, plan=plan)

    def can_take_back(self, act: Act) -> bool:
        """Whether an act `undo` of this one would still do something."""
        return bool(self._history) and self._history[-1][:2] == (act.act, act.t_ns)

    def _undo(self, act: Act) -> None:
        what = undone(act)
        if what is None or not self._history or self._history[-1][:2] != what:
            return
        word, _, before = self._history.pop()
        if word == "insert" and self.inserted:
            self.inserted.pop()
        self._place, self._asked = before, None

    # -- what is due

    def due(self, t_s: float, all_heard: bool, ridden_s: float) -> str | None:
        """The name of the segment that has to begin now, or None.

        `ridden_s`: for how long the cranks have been turning as in riding; 0: they are not.
        """
        place = self._place
        if self.protocol is None and not self.inserted:
            return None
        if place.own is not None or place.paused or place.at >= len(place.plan):
            return None
        if place.at < 0:
            if self.waits and not self.ready:
                return None
            if not self.ready and not all_heard and ridden_s < START_WITHIN_S:
                return None
            due_s = t_s + RIDDEN_S - ridden_s
        else:
            due_s = place.start_s + place.plan[place.at].seconds - place.before_s
        if t_s < due_s + self.late_s - TICK_S / 2.0:
            return None
        following = place.at + 1
        name = place.plan[following].name if following < len(place.plan) else AFTER
        if self._asked is not None and self._asked[0] == name and t_s - self._asked[1] < ASK_AGAIN_S:
            return None
        self._asked = name, t_s
        return name

    # -- what stands

    @property
    def plan(self) -> tuple[Segment, ...]:
        """The protocol with what was inserted."""
        return self._place.plan

    @property
    def at(self) -> int:
        """Which segment of the plan is ridden; -1 before the first, their number after the last."""
        return self._place.at

    @property
    def start_s(self) -> float:
        """When the present segment began, session seconds."""
        return self._place.start_s

    @property
    def current(self) -> Segment | None:
        """The segment of the plan that is being ridden; None before, after, in a pause, in one of his own."""
        place = self._place
        if place.own is not None or place.paused or not 0 <= place.at < len(place.plan):
            return None
        return place.plan[place.at]

    @property
    def interrupted(self) -> Segment | None:
        """The segment that a pause has interrupted."""
        place = self._place
        return place.plan[place.at] if place.paused else None

    @property
    def following(self) -> Segment | None:
        """The segment that comes next."""
        place = self._place
        at = place.at + 1
        return place.plan[at] if at < len(place.plan) else None

    def known(self) -> Protocol | None:
        """The protocol with what was inserted, for whoever looks a segment up by its name."""
        if self.protocol is None and not self.inserted:
            return None
        text = self.protocol.text if self.protocol is not None else ""
        return Protocol(segments=self._place.plan, text=text)

    def target_w(self, t_s: float) -> float | None:
        """The power to be held at a time; None: the load is free, or nothing is asked for."""
        segment = self.current
        if segment is None:
            return None
        if segment.ramp_w is not None:
            begin_w, end_w = segment.ramp_w
            share = (self._place.before_s + t_s - self._place.start_s) / segment.seconds
            return begin_w + (end_w - begin_w) * min(1.0, max(0.0, share))
        return segment.target_w

    def left_s(self, t_s: float) -> float | None:
        """Seconds until the segment is over, which stand still in a pause; None: it has no set length."""
        place = self._place
        if place.own is not None or not 0 <= place.at < len(place.plan):
            return None
        ridden_s = place.before_s + (0.0 if place.paused else t_s - place.start_s)
        return max(0.0, place.plan[place.at].seconds - ridden_s)

    def view(self, t_s: float) -> SegmentView | None:
        """The segment as a screen shows it; None: there is no protocol, and none was begun yet."""
        place = self._place
        if place.own is None and place.at < 0 and not place.plan:
            return None
        count, following = len(place.plan), self.following
        next_name = following.name if following is not None else None
        nxt = block(following) if following is not None else None
        if place.own is not None:
            # Its number says only that it is none of the plan's.
            return SegmentView(
                place.own, place.start_s, place.own_number, count, next=nxt, next_name=next_name
            )
        if place.at < 0:
            waits = self.waits and not self.ready
            return SegmentView(
                "checks" if waits else "ready", 0.0, 0, count, next=nxt, next_name=next_name,
                stage="checks" if waits else "ready",
            )  # fmt: skip
        if place.at >= count:
            return SegmentView(AFTER, place.start_s, count + 1, count, stage="finished")
        segment = place.plan[place.at]
        return SegmentView(
            name=segment.name,
            start_s=place.start_s,
            number=place.at + 1,
            count=count,
            target_w=None if place.paused else self.target_w(t_s),
            cadence_rpm=segment.cadence_rpm,
            left_s=self.left_s(t_s),
            next_name=next_name,
            load=load_word(segment),
            gear=segment.gear,
            why=segment.why,
            paused=place.paused,
            next=nxt,
        )


def load_word(segment: Segment) -> str:
    """How the load of a segment is set: `hold`, `ramp`, `free` or `sprint`."""
    if segment.sprint:
        return "sprint"
    return "free" if segment.free else "ramp" if segment.ramp_w is not None else "hold"


def block(segment: Segment) -> Block:
    """A segment as a screen announces it."""
    target_w = segment.target_w if segment.ramp_w is None else segment.ramp_w[0]
    return Block(segment.name, segment.seconds, target_w, segment.cadence_rpm, load_word(segment))


def _renamed(segment: Segment, name: str) -> Segment:
    return msgspec.structs.replace(segment, name=name[:60])
