"""Zero offset and crank length from the keyboard: what is asked of an instrument, and what came of it.

Like the trainer's machine: records go in, orders come out, nothing waits. A question belongs to a
person; the answer is judged from the record alone, so that a replay finds the same jump.
"""

from typing import Literal, NamedTuple

from capture.control import (
    Answer,
    Request,
    auto_zero_request,
    crank_length_request,
    read_answer,
    set_crank_length_request,
    write_words,
    zero_offset_request,
)
from capture.record import Link, Packet, Record, Write
from monitor.live.zeros import Zero, zero_unit

MOVING_RPM = 3.0
"""A crank that turns faster does not stand still."""
BLUETOOTH_S, ANT_S, SETTING_S = 30.0, 20.0, 8.0
"""Time for an answer: to a zero offset over Bluetooth (the limit of a procedure: from memory) and over ANT+,
and to a setting."""
_MACHINE, _ANT_TRAINER, _ANT_POWER, _POWER = "2AD9", "ant17", "ant11", "2A66"


class Wish(NamedTuple):
    """What a person wants of an instrument. `mm` is the crank length to be set, `on` the auto-zero."""

    kind: Literal["zero", "auto-zero", "crank-length", "set-crank-length"]
    label: str
    mm: float = 0.0
    on: bool = False


class Outcome(NamedTuple):
    """What came of it. `act` and `text` go into the record; `done`: as wanted."""

    act: str
    text: str
    label: str
    done: bool
    words: str


class Unit(NamedTuple):
    """An instrument as far as requests to it go: `heard` are the channels of its packets."""

    label: str
    link: str
    profile: str | None
    heard: tuple[str, ...] = ()
    enhanced: bool = False
    """It tells that it has the form of a zero offset that says why it failed."""
    context: object = None


class NotNowError(Exception):
    """It can't be asked now; the text says why and what to do."""


def still(cadence_rpm: float | None) -> bool:
    """Whether the crank stands still as far as anybody tells."""
    return cadence_rpm is None or cadence_rpm < MOVING_RPM


def _switched(on: bool) -> str:
    return "on" if on else "off"


class Asking:
    """One question to one instrument, from the key to the answer, its refusal, or silence.

    A zero offset begins with a prompt and is sent by `confirm`. Raises NotNowError if the
    instrument can't be asked at all.
    """

    def __init__(self, wish: Wish, unit: Unit) -> None:
        self.wish, self.unit = wish, unit
        self.stage: Literal["prompt", "asked", "over"] = "prompt"
        self.enhanced = unit.enhanced
        self._sent_s = 0.0
        self._last: Request | None = None
        self._reads_back = self._turned = False
        try:
            self._request = self._make()
        except ValueError as error:
            raise NotNowError(str(error)) from None
        self.limit_s = SETTING_S
        if wish.kind == "zero":
            self.limit_s = BLUETOOTH_S if self._request.channel == _POWER else ANT_S

    def _make(self) -> Request:
        unit, wish = self.unit, self.wish
        where = unit.link, unit.profile, unit.heard
        if wish.kind == "zero":
            return zero_offset_request(*where, enhanced=self.enhanced)
        if wish.kind == "auto-zero":
            return auto_zero_request(unit.link, wish.on, unit.profile, unit.heard)
        if wish.kind == "set-crank-length" and not self._reads_back:
            link, profile, heard = where
            return set_crank_length_request(link, wish.mm, profile, heard)
        return crank_length_request(*where)

    @property
    def prompt(self) -> str:
        """What a person has to do first."""
        label, wish = self.unit.label, self.wish
        if wish.kind == "zero":
            return f"zero {label}: unload the pedals, crank still, then Enter"
        if wish.kind == "set-crank-length":
            return f"set {label} to {wish.mm:g} mm"
        if wish.kind == "auto-zero":
            return f"switch auto-zero of {label} {_switched(wish.on)}"
        return f"read the crank length of {label}"

    def words(self, t_s: float) -> str:
        """How it stands."""
        if self.stage == "asked":
            what = {
                "zero": "zeroing",
                "auto-zero": "switching",
                "crank-length": "reading",
                "set-crank-length": "setting",
            }[self.wish.kind]
            left_s = max(0.0, self._sent_s + self.limit_s - t_s)
            return f"{what} {self.unit.label}, waiting for its answer ({left_s:.0f} s)"
        return self.prompt

    def confirm(self, t_s: float, cadence_rpm: float | None) -> Request:
        """Send it. NotNowError: the crank turns."""
        if self.wish.kind == "zero" and not still(cadence_rpm):
            raise NotNowError(f"the crank turns ({cadence_rpm:.0f} rpm): stop and unload the pedals first")
        return self._ask(t_s)

    def _ask(self, t_s: float) -> Request:
        self.stage, self._sent_s = "asked", t_s
        self._last = self._request = self._make()
        return self._request

    def take(self, record: Record, cadence_rpm: float | None) -> tuple[Outcome | None, list[Request]]:
        """The next record: what came of it, if that is known now, and what is to be asked next."""
        if self.stage != "asked":
            return None, []
        t_s = record.t_ns / 1e9
        request = self._request
        match record:
            case Packet(_, label, channel, data) if label == self.unit.label and channel == request.channel:
                answer = read_answer(channel, data)
                # Auto-zero is answered by the page of a zero offset.
                expected = "zero offset" if self.wish.kind in ("zero", "auto-zero") else "crank length"
                if answer is not None and answer.what in (expected, ""):
                    return self._answered(answer, t_s)
            case Write(_, label, channel, data, outcome) if (label, channel, data) == (
                self.unit.label, *request
            ):  # fmt: skip
                if outcome != "sent":
                    return self._over(False, write_words(outcome)), []
                if self.wish.kind == "set-crank-length" and channel == _ANT_POWER and not self._reads_back:
                    # A page is set without an answer: what it says when it is asked tells.
                    return None, self._read_back(t_s)
            case Link(_, label, state, reason) if label == self.unit.label and state in (
                "down", "given-up", "radio-lost"
            ):  # fmt: skip
                return self._over(False, f"its link was lost meanwhile ({reason or state})"), []
            case _:
                pass
        if self.wish.kind == "zero" and not still(cadence_rpm) and t_s - self._sent_s < self.limit_s:
            # It may still answer; a zero taken while turning is no zero.
            self._turned = True
        if t_s - self._sent_s >= self.limit_s:
            hint = "wake it, come nearer, and try again" if self.wish.kind == "zero" else "try again"
            return self._over(False, f"no answer in {self.limit_s:.0f} s: {hint}"), []
        return None, []

    def _answered(self, answer: Answer, t_s: float) -> tuple[Outcome | None, list[Request]]:
        wish = self.wish
        if answer.outcome == "refused":
            unknown = answer.why == "op code not supported"
            if wish.kind == "zero" and self.enhanced and unknown:
                self.enhanced = False
                return None, [self._ask(t_s)]
            hint = ""
            if wish.kind == "zero" and not unknown and "unloaded" not in answer.why:
                hint = "; crank still and unloaded, try again"
            if wish.kind == "auto-zero":
                return self._over(False, f"auto-zero is not switched {_switched(wish.on)}"), []
            return self._over(False, answer.words + hint), []
        if wish.kind == "auto-zero":
            if answer.auto_zero == _switched(wish.on):
                return self._over(True, answer.auto_zero), []
            return self._over(False, f"it says: auto-zero {answer.auto_zero or 'not told'}"), []
        if wish.kind == "zero":
            if answer.value is None:
                return self._over(True, "done, its value is not told"), []
            zero = Zero(answer.value, zero_unit(self._request.channel, self.unit.context))
            auto = f", auto-zero {answer.auto_zero}" if answer.auto_zero is not None else ""
            return self._over(True, zero.words + auto), []
        if wish.kind == "set-crank-length" and not self._reads_back:
            if self._request.channel == _ANT_POWER:
                return None, []  # a page from before it was set
            return None, self._read_back(t_s)
        if answer.value is None:
            return self._over(False, "it does not tell its crank length"), []
        if wish.kind == "crank-length":
            return self._over(True, f"{answer.value:g} mm"), []
        if answer.value != wish.mm:
            if self._request.channel == _ANT_POWER and t_s - self._sent_s < self.limit_s / 2:
                return None, []  # sent before it took the new length
            return self._over(False, f"it says {answer.value:g} mm, {wish.mm:g} mm was set"), []
        return self._over(True, f"{answer.value:g} mm"), []

    def _read_back(self, t_s: float) -> list[Request]:
        self._reads_back = True
        return [self._ask(t_s)]

    def _over(self, done: bool, text: str) -> Outcome:
        self.stage = "over"
        label = self.unit.label
        acts = {
            "zero": ("zeroed", "zero-failed", "zeroed"),
            "auto-zero": ("auto-zero", "auto-zero-failed", "auto-zero of"),
            "crank-length": ("crank-length", "crank-length-failed", "crank length of"),
            "set-crank-length": ("crank-length-set", "crank-length-failed", "now set,"),
        }
        good, bad, verb = acts[self.wish.kind]
        if done and self._turned:
            text += "; the crank turned meanwhile: do it again"
        if done:
            return Outcome(good, text, label, True, f"{verb} {label}: {text}")
        return Outcome(bad, text, label, False, f"{label}: {text}")
