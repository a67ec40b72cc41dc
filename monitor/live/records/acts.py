"""Acts of the operator: what a zeroing, a gear, a position or an undoing does to the bench."""

import math
from collections.abc import Mapping, Sequence

from capture.record import Act
from monitor.live.bank import Bank
from monitor.live.comparator import Comparator
from monitor.live.facts import Facts
from monitor.live.faults.watch import Watch
from monitor.live.records.links import EventSink
from monitor.live.runner import Runner, undone
from monitor.live.stroke import LiveStroke
from monitor.setup.acts import touch_of
from monitor.setup.protocol import read_segment

DONE_WORDS = {
    "gear": "a gear change",
    "position": "a change of position",
    "remounted": "a remounting",
    "setting": "a change of a setting",
    "crank-length-set": "a change of the crank length",
    "firmware": "new firmware",
}
"""What may have moved an instrument, in words."""


class Acts:
    """Takes the acts of an evening; an unknown one is shown, and changes nothing."""

    def __init__(
        self,
        index: Mapping[str, int],
        runner: Runner,
        comparator: Comparator,
        facts: Facts,
        alarms: Bank,
        watch: Watch,
        strokes: Sequence[LiveStroke],
        event: EventSink,
    ) -> None:
        self._index, self._runner, self._comparator = index, runner, comparator
        self._facts, self._alarms, self._watch = facts, alarms, watch
        self._strokes, self._event = strokes, event
        self._labels = sorted(index, key=lambda label: index[label])
        self._gears: list[tuple[int, str]] = []

    def take(self, act: Act, t_s: float) -> None:
        """The next act."""
        named = self._index.get(act.instrument)
        meant = range(len(self._strokes)) if named is None else (named,)
        self._runner.take(act)
        touched = [i for i in meant if touch_of(act.act, act.instrument, self._labels[i]) is not None]
        if touched:
            self.new_state(t_s)
            for i in touched:
                self._facts.touched_s[i] = t_s
                self._comparator.touched(i, math.ceil(t_s))
        if act.act == "zeroed":
            self._zeroed(meant, t_s)
        elif act.act == "zero-history" and named is not None:
            self._facts.zeros[named].take_history(act.text)
        elif act.act in DONE_WORDS:
            what = DONE_WORDS[act.act]
            self._watch.changes.happened.add(t_s, f"{what} ({act.text})" if act.text else what)
            if act.act == "gear":
                self._gears.append((act.t_ns, act.text))
                self._watch.seen.gear = act.text
        elif act.act == "acknowledge":
            self._alarms.acknowledge(act.instrument, act.text)
        elif act.act == "undo":
            self._undo(act)
        self._event(t_s, "·", _words(act))

    def new_state(self, t_s: float) -> None:
        """Something about an instrument changed: strokes are held against what comes from now on."""
        for stroke in self._strokes:
            stroke.begin(t_s)

    def _zeroed(self, meant: Sequence[int], t_s: float) -> None:
        changes = self._watch.changes
        for i in meant:
            changes.zeroed(i, t_s)
            self._comparator.reset(i)
            if i in changes.shifts:
                changes.shifts[i].reset()

    def _undo(self, act: Act) -> None:
        """What can be taken back while riding: a gear, and (by the runner) a segment or a block."""
        what, gears = undone(act), self._gears
        if what is not None and what[0] == "gear" and gears and gears[-1][0] == what[1]:
            gears.pop()
            self._watch.seen.gear = gears[-1][1] if gears else ""


def _words(act: Act) -> str:
    """An act as a line of the event list."""
    text = act.text
    if act.act == "insert" and (segment := read_segment(text)) is not None:
        text = f"{segment.name}, {segment.seconds:.0f} s"
    elif act.act == "undo" and (what := undone(act)) is not None:
        text = what[0]
    whom = f" {act.instrument}" if act.instrument else ""
    return f"{act.act}{whom} {text}".rstrip()
