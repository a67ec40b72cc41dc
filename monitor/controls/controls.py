"""What a rider can do from the saddle: the meaning of the keys, as acts, requests and wills to be passed on.

Records go in (after the pipeline), things to pass on come out in `out`, in their order; nothing waits or
sends. A session passes them on, a test plays with them. What has been done by whom is read back from the
record: an act counts when it has come back.
"""

import math
from typing import Literal, NamedTuple

from capture.record import Act, Packet, Record
from monitor.controls.marks import CLOSE, OPEN, REMOUNTED, STRETCH
from monitor.controls.output import Ask, Do, Output, RefusedKeyError, is_perishable
from monitor.controls.preflight import Asker, Checks, Preflight, override_text
from monitor.controls.stroke_asking import StrokeAsker
from monitor.controls.trainer import Load, RefusedError, Trainer, TrainerView
from monitor.controls.trainers import Trainers, passed_on
from monitor.controls.zeroing import Asking, NotNowError, Outcome, Unit, Wish, still
from monitor.live.pipeline import Pipeline
from monitor.live.runner import undo_text
from monitor.live.view import Block
from monitor.live.zeros import history_text
from monitor.setup.bench import Bench, Instrument
from monitor.setup.protocol import PAUSE, Segment, segment_line
from monitor.text import clock

RIDING_RPM, RIDING_W = 30.0, 20.0
"""A crank that turns so fast, or a meter that reports so much, is ridden (common practice, no source)."""
HEARD_S = 3.0
"""A cadence older than this says nothing of now."""
OLD_S = 2.0
"""No trainer is armed by what is known of a time further back."""
UNDOABLE = frozenset({"mark", "gear", "note", "position", "zeroed", "segment", "insert", "override"})
SEATED, STANDING = "seated", "standing"


_ABILITIES = {
    "zero": ("offset_compensation", "enhanced_offset_compensation"),
    "crank-length": ("crank_length_adjustable",),
    "set-crank-length": ("crank_length_adjustable",),
}
"""Features of a power meter (Bluetooth, Cycling Power Feature) of which each question needs one."""
TURN_AGE_S = 1.5
"""A last turn older than this says that the crank has become slower: 40 rpm take so long."""


class RideView(NamedTuple):
    """What a screen shows besides the bench."""

    trainer: TrainerView | None
    asking: str
    """The prompt or the state of what is being asked of an instrument; empty: nothing is."""
    stage: Literal["", "prompt", "asked"]
    position: str


class Controls:
    """One screen's hands. `late_s`: it follows a session that another screen may be attending to.

    `asks`: power meters are asked for their crank length when they are linked, and for what explains the
    stroke that they report.
    """

    def __init__(self, bench: Bench, pipeline: Pipeline, *, late_s: float = 0.0, asks: bool = False) -> None:
        self.bench, self.pipeline = bench, pipeline
        self.preflight = Preflight(bench)
        self.out: list[Output] = []
        self.connected = True
        """Whether a recorder takes what is passed on."""
        self.behind_s = 0.0
        """How old what is known is, as far as that can be told."""
        self.may_arm = True
        self.said = ""
        """The latest outcome of a question, for the screen; it takes it away."""
        self.position = SEATED
        self.stretch_open_s: float | None = None
        """Since when a stretch is open, by whichever screen; None: none is."""
        self.gears: list[str] = []
        """Gears of this session, by whichever screen, the latest last."""
        self._askers = (Asker(bench, late_s), StrokeAsker(bench, late_s)) if asks else ()
        self._heard: dict[str, dict[str, None]] = {each.label: {} for each in bench.instruments}
        self._asking: Asking | None = None
        self.trainers = Trainers(bench)
        self._sent: list[Do] = []
        """Acts of this screen that have not come back yet."""
        self._mine: list[Act] = []
        """Acts of this screen that can be taken back, the latest last."""
        self._histories: set[str] = set()

    # -- records

    def take(self, record: Record) -> None:
        """The next record; the pipeline has had it already."""
        t_s = record.t_ns / 1e9
        self.preflight.take(record)
        if isinstance(record, Packet):
            if record.instrument in self._heard:
                self._heard[record.instrument].setdefault(record.channel)
        elif isinstance(record, Act):
            self._took(record)
        for asker in self._askers:
            for label, request in asker.take(record, self._facts):
                self.out.append(Ask(label, request))
        whom = getattr(record, "instrument", None)
        busy = self.trainers.concerned(whom)
        if busy or self._asking is not None:
            self._decide(record, t_s, busy)

    def _decide(self, record: Record, t_s: float, busy: list[Trainer]) -> None:
        """What depends on the crank and on the protocol: trainers, and a question to an instrument."""
        cadence_rpm, load = self.cadence_rpm(t_s), self._load(t_s)
        for trainer in busy:
            trainer.want(load)
            self.out += passed_on(trainer, trainer.take(record, cadence_rpm))
        if self._asking is not None:
            outcome, requests = self._asking.take(record, cadence_rpm)
            self.out += [Ask(self._asking.unit.label, request) for request in requests]
            if outcome is not None:
                self._concluded(outcome)

    def _facts(self, label: str) -> dict[str, float | str]:
        return self.pipeline.facts.reported[self.pipeline.index[label]]

    def _took(self, act: Act) -> None:
        done = next((each for each in self._sent if _is_same(each, act)), None)
        if done is not None:
            self._sent.remove(done)
            if act.act in UNDOABLE:
                self._mine.append(act)
        if act.act == "position" and not act.instrument:
            self.position = act.text
        elif act.act == STRETCH:
            self.stretch_open_s = act.t_ns / 1e9 if act.text == OPEN else None
        elif act.act == "gear" and act.text:
            self.gears = [*(each for each in self.gears if each != act.text), act.text]
        elif act.act == "safe-target":
            self.trainers.orphan = None
        elif act.act == "zero-history":
            self._histories.add(act.instrument)

    def cut_off(self) -> None:
        """The connection to the recorder broke: what commands a trainer must not be sent any more."""
        self.connected = False
        self.trainers.cut_off()
        self.out = [each for each in self.out if not is_perishable(each)]

    # -- what is known

    def cadence_rpm(self, t_s: float) -> float | None:
        """The fastest cadence that any instrument tells now; None: nobody tells one.

        A crank that has not finished a turn for a while is slower than it was: at most one turn in that time.
        """
        found: float | None = None
        for track in self.pipeline.tracks:
            rpm = track.cadence_rpm
            if rpm is None or t_s - track.heard_s > HEARD_S:
                continue
            age_s = t_s - track.turning_s
            if age_s > TURN_AGE_S and rpm > 0.0:
                rpm = min(rpm, 60.0 / age_s) if math.isfinite(age_s) else 0.0
            found = rpm if found is None else max(found, rpm)
        return found

    def _load(self, t_s: float) -> Load | None:
        runner = self.pipeline.runner
        segment = runner.current
        if segment is None:
            return None
        if segment.free or segment.sprint:
            return Load(None, segment.cadence_rpm)
        return Load(runner.target_w(t_s), segment.cadence_rpm)

    def checks(self, disk_free: int | None) -> Checks:
        """The pre-flight checks as they stand; `disk_free` in octets, None: not known."""
        return self.preflight.checks(self.pipeline, disk_free)

    def view(self) -> RideView:
        """What a screen shows."""
        trainer = self.trainers.shown()
        asking = self._asking
        return RideView(
            trainer.view() if trainer is not None else None,
            asking.words(self.pipeline.t_s) if asking is not None else "",
            "" if asking is None or asking.stage == "over" else asking.stage,
            self.position,
        )

    @property
    def armed(self) -> bool:
        """Whether this screen holds a trainer."""
        return bool(self.trainers.held())

    # -- acts

    def act(self, act: str, text: str = "", instrument: str = "", at_s: float | None = None) -> None:
        """Something a person did."""
        done = Do(act, text, instrument, at_s)
        self.out.append(done)
        self._sent.append(done)

    def toggle_position(self) -> str:
        """The other one of seated and standing."""
        position = SEATED if self.position == STANDING else STANDING
        self.act("position", position)
        return position

    def toggle_stretch(self) -> str:
        """Open a stretch, or close the one that is open; what happened."""
        since_s = self.stretch_open_s
        self.act(STRETCH, OPEN if since_s is None else CLOSE)
        if since_s is None:
            return "stretch opened: the same key closes it"
        return f"stretch closed, {clock(self.pipeline.t_s - since_s)} long: the study has a row for it"

    def remounted(self, label: str) -> str:
        """An instrument was seated anew, or its sensor was moved: what follows is a new state of it."""
        self.act("position", REMOUNTED, label)
        return f"{label}: re-seated, or its sensor moved"

    def undo(self) -> str:
        """Take the last act of this screen back; what it was. RefusedKeyError: there is none."""
        if not self._mine:
            waits = any(each.act in UNDOABLE for each in self._sent)
            raise RefusedKeyError(
                "the last act is not recorded yet: once more in a moment" if waits else "nothing to take back"
            )
        act = self._mine.pop()
        if act.act in ("segment", "insert") and not self.pipeline.runner.can_take_back(act):
            raise RefusedKeyError(f"too late: after {act.act} {act.text[:20]} the next one has begun")
        self.act("undo", undo_text(act))
        return f"{act.act} {act.text if act.act != 'insert' else ''}".strip()

    # -- the protocol

    def pause(self) -> str:
        """Interrupt the segment, or go on with it; what happens. RefusedKeyError: there is none."""
        runner = self.pipeline.runner
        if (interrupted := runner.interrupted) is not None:
            self.out.append(Do("resume", interrupted.name))
            self.act("segment", interrupted.name)
            return f"on with {interrupted.name}"
        if runner.current is None:
            raise RefusedKeyError("no segment of a protocol is being ridden")
        self.act("segment", PAUSE)
        return f"paused: {runner.current.name}"

    def repeat(self) -> str:
        """Begin the segment anew; its name. RefusedKeyError: there is none."""
        runner = self.pipeline.runner
        segment = runner.current or runner.interrupted
        if segment is None and runner.plan and runner.at >= len(runner.plan):
            # At its end the last one.
            segment = runner.plan[-1]
        if segment is None:
            raise RefusedKeyError("no segment of a protocol is being ridden")
        self.out.append(Do("repeat", segment.name))
        self.act("segment", segment.name)
        return segment.name

    def insert(self, block: Block | None) -> str:
        """Have a block ridden next; its name. RefusedKeyError: none is proposed."""
        if block is None:
            raise RefusedKeyError("no block is proposed: what is ridden may settle it, or nothing is open")
        following = self.pipeline.runner.following
        if following is not None and following.name.startswith(block.name):
            raise RefusedKeyError(f"{following.name} comes next already")
        segment = Segment(
            name=block.name[:60],
            seconds=block.seconds,
            target_w=block.target_w,
            cadence_rpm=block.cadence_rpm,
            why="To settle what is undecided.",
        )
        self.act("insert", segment_line(segment))
        return segment.name

    def ready(self, disk_free: int | None) -> list[str]:
        """The checks are passed; what is red is overridden, and recorded so. What was, in words."""
        checks = self.checks(disk_free)
        overridden = []
        for label, item in checks.stops:
            self.out.append(Do("override", override_text(item), label))
            overridden.append(f"{item.key} of {label or 'the bench'}")
        waited = ", ".join(f"{item.key} of {label or 'the bench'}" for label, item in checks.missing)
        self.out.append(Do("ready", f"without waiting for {waited}" if waited else ""))
        return overridden

    # -- the trainer

    def arm(self, label: str = "") -> None:
        """Arm the trainer of that label, or the only one; or take it back. RefusedKeyError: it can't be."""
        if not self.may_arm:
            raise RefusedKeyError("a trainer is armed at the computer beside it, not from a browser")
        if not self.connected:
            raise RefusedKeyError("the recorder is not connected: nothing can be armed now")
        if self.behind_s > OLD_S:
            raise RefusedKeyError(f"this screen is {self.behind_s:.0f} s behind: arm when it has caught up")
        trainer = self.trainers.chosen(label)
        try:
            self.out += passed_on(trainer, trainer.arm(self.pipeline.t_s))
        except RefusedError as error:
            raise RefusedKeyError(str(error)) from None
        trainer.want(self._load(self.pipeline.t_s))

    def fall(self, why: str) -> bool:
        """Drop the trainer to its safe target; whether it was held."""
        held = self.trainers.held()
        for trainer in held:
            self.out += passed_on(trainer, trainer.fall(self.pipeline.t_s, why))
        return bool(held)

    # -- zero offset and crank length

    def labels(self, kind: Literal["zero", "crank-length", "set-crank-length"]) -> tuple[str, ...]:
        """Instruments that can be asked for it, in bench order."""
        found = []
        for each in self.bench.instruments:
            facts = self._facts(each.label)
            if all(facts.get(ability) == 0.0 for ability in _ABILITIES[kind]):
                # It says itself that it can't.
                continue
            try:
                mm = each.crank_length_mm or 172.5
                Asking(Wish(kind, each.label, mm), self._unit(each))
            except NotNowError:
                continue
            found.append(each.label)
        return tuple(found)

    def ask(self, wish: Wish) -> None:
        """Begin to ask; a zero offset waits for `confirm`. RefusedKeyError: it can't be asked."""
        if self._asking is not None and self._asking.stage == "asked":
            raise RefusedKeyError(f"{self._asking.unit.label} has yet to answer")
        instrument = next(each for each in self.bench.instruments if each.label == wish.label)
        try:
            self._asking = Asking(wish, self._unit(instrument))
        except NotNowError as error:
            raise RefusedKeyError(str(error)) from None
        if wish.kind == "zero":
            self.fall("zeroing")
        else:
            self.confirm()

    def auto_zero(self, label: str) -> bool | None:
        """Whether an instrument zeroes itself, as far as it has told; None: it can't, or has not told."""
        return {"on": True, "off": False}.get(str(self._facts(label).get("auto_zero")))

    def switch_auto_zero(self) -> bool:
        """In place of the zero offset that waits to be confirmed; whether there is an auto-zero to switch."""
        asking = self._asking
        if asking is None or asking.stage != "prompt" or (on := self.auto_zero(asking.unit.label)) is None:
            return False
        self.cancel()
        self.ask(Wish("auto-zero", asking.unit.label, on=not on))
        return True

    def confirm(self) -> None:
        """The pedals are unloaded: ask. RefusedKeyError: the crank turns, or nothing waits."""
        asking = self._asking
        if asking is None or asking.stage != "prompt":
            raise RefusedKeyError("nothing waits for an answer")
        try:
            request = asking.confirm(self.pipeline.t_s, self.cadence_rpm(self.pipeline.t_s))
        except NotNowError as error:
            raise RefusedKeyError(str(error)) from None
        self.out.append(Ask(asking.unit.label, request))

    def cancel(self) -> None:
        """Forget a question that was not sent yet."""
        if self._asking is not None and self._asking.stage == "prompt":
            self._asking = None

    def crank_length_mm(self, label: str) -> float | None:
        """What an instrument has told of its crank length; None: nothing yet."""
        length_mm = self._facts(label).get("crank_length_mm")
        return float(length_mm) if isinstance(length_mm, int | float) and math.isfinite(length_mm) else None

    @property
    def turning(self) -> bool:
        """Whether the crank turns as far as anybody tells."""
        return not still(self.cadence_rpm(self.pipeline.t_s))

    def earlier_zeros(self, label: str, zeros: list[tuple[str, float]]) -> None:
        """What earlier sessions know of a unit's zero (date, raw value): into the record, once."""
        if zeros and label not in self._histories:
            self._histories.add(label)
            self.out.append(Do("zero-history", history_text(zeros), label))

    def _unit(self, instrument: Instrument) -> Unit:
        facts = self._facts(instrument.label)
        return Unit(
            instrument.label,
            instrument.link,
            instrument.profile,
            tuple(self._heard[instrument.label]),
            enhanced=facts.get("enhanced_offset_compensation") == 1.0,
            context=facts.get("measurement_context"),
        )

    def _concluded(self, outcome: Outcome) -> None:
        self._asking = None
        self.said = outcome.words
        if outcome.act == "zeroed":
            before = self.pipeline.facts.zeros[self.pipeline.index[outcome.label]].before_words()
            self.said += f"; {before}" if before else ""
        self.out.append(Do(outcome.act, outcome.text, outcome.label))


def is_ridden(pipeline: Pipeline, t_s: float) -> bool:
    """Whether any instrument reports turns or power as in riding, now."""
    heard = [track for track in pipeline.tracks if t_s - track.heard_s <= HEARD_S]
    return any(
        (track.cadence_rpm or 0.0) >= RIDING_RPM or (track.power_w or 0.0) >= RIDING_W for track in heard
    )


def _is_same(done: Do, act: Act) -> bool:
    at_ns = 0 if done.at_s is None else round(done.at_s * 1e9)
    return (done.act, done.text, done.instrument, at_ns) == (act.act, act.text, act.instrument, act.at_ns)
