"""What the bottom line asks: one key, a text, or Enter to be sure; and what follows from the answer."""

from collections.abc import Callable
from typing import Literal

from textual.widgets import Input

from monitor.controls.controls import Controls
from monitor.controls.marks import note_of
from monitor.controls.output import RefusedKeyError
from monitor.controls.zeroing import Wish
from monitor.dashboard.following import FollowingApp, Question
from monitor.dashboard.widgets import TEXT_CHARACTERS
from monitor.text import clock, plain

CHOICES = "123456789"
BY_NAME = "n"
"""Key for those whose lanes have no digit of their own."""
"""Keys that choose an instrument by the number of its lane; `a` means all."""
WHICH = "which "


class AskingApp(FollowingApp):
    """A screen that asks. A question belongs to the moment of its key, not to that of its answer."""

    def _known_gears(self) -> list[str]:
        """Gears to be offered, the latest first: those typed here, then those of the session."""
        controls = self._controls()
        recorded = reversed(controls.gears) if controls is not None else ()
        return list(dict.fromkeys((*self._gears, *recorded)))

    def _choose(self, kind: Literal["zero", "crank-length"], words: str) -> None:
        controls = self._hands()
        if controls is None:
            return
        labels = controls.labels(kind)
        if not labels:
            self._say(f"no instrument can be asked for it ({words.removesuffix(' of')})", loud=True)
        elif len(labels) == 1:
            self._chosen(kind, labels[0])
        else:
            self._ask_which(kind, words, labels)

    def _ask_which(self, act: str, words: str, labels: tuple[str, ...], more: str = "") -> None:
        """Ask for an instrument by the digit of its lane; by number or label, where that is not enough."""
        keys = self._lane_keys(labels)
        named = "  ".join(f"{key} {label}" for key, label in keys.items())
        prompt = f"{words} which?  {named}  {more}Esc none"
        if len(keys) == len(labels) and len(prompt) < self.size.width:
            self._ask(Question("choice", act, prompt, 0.0, labels))
        elif keys:
            digits = "" if len(keys) == 1 else f" to {max(keys)}"
            prompt = f"{words} which?  {min(keys)}{digits} its lane  {BY_NAME} by name  {more}Esc none"
            self._ask(Question("choice", act, prompt, 0.0, labels))
        else:
            self._ask_name(act, words, labels)

    def _ask_name(self, act: str, words: str, labels: tuple[str, ...]) -> None:
        """Ask for an instrument whose number or label is typed."""
        every = " or all" if act == "zeroed" else ""
        prompt = f"{words} which? its number or label{every}:"
        self._ask(Question("text", f"{WHICH}{act}", prompt, 0.0, labels))

    def _lane_keys(self, labels: tuple[str, ...]) -> dict[str, str]:
        """Those of the instruments that have a key: the number of their lane, up to nine."""
        lanes = zip(CHOICES, self._view.lanes, strict=False)
        return {key: lane.label for key, lane in lanes if lane.label in labels}

    def _named(self, question: Question, text: str) -> None:
        """A label was typed, or so much of it that only one begins like that, or the number of a lane."""
        act, typed = question.act.removeprefix(WHICH), text.lower()
        found = [label for label in question.labels if label == typed]
        if not found and typed.isdecimal() and 0 < int(typed) <= len(self._view.lanes):
            numbered = self._view.lanes[int(typed) - 1].label
            found = [label for label in question.labels if label == numbered]
        found = found or [label for label in question.labels if label.startswith(typed)]
        if act == "zeroed" and typed == "all":
            found = list(question.labels)
        elif len(found) != 1:
            count = len(found) or "no"
            self._say(f"{count} instruments begin with {typed[:16]}: nothing was done", loud=True)
            return
        if act != "zeroed":
            self._chosen(act, found[0])
            return
        for label in found:
            self._send("zeroed", "", label, f"zeroed {', '.join(found)}", question.at_s)

    def _ask_to_arm(self, label: str = "") -> None:
        """Whether the trainer shall be armed; of several, which was asked before."""
        controls = self._hands()
        if controls is None:
            return
        whom = f" {label}" if label else ""
        prompt = f"ARM{whom}, at most {controls.bench.trainer.max_w:.0f} W?  Enter: arm  Esc: no"
        labels = (label,) if label else ()
        self._ask(Question("sure", "arm", f"{prompt}   Then any other key lets it go", 0.0, labels))

    def _chosen(self, kind: str, label: str) -> None:
        if kind == "arm":
            self._ask_to_arm(label)
            return
        if kind == "remounted":
            self._try(lambda controls: controls.remounted(label))
            return
        if kind == "zero":
            look_up: Callable[[str], None] | None = getattr(self.source, "look_up_zeros", None)
            if look_up is not None:
                look_up(label)

            def begin(controls: Controls) -> str:
                controls.ask(Wish("zero", label))
                on = controls.auto_zero(label)
                switch = "" if on is None else f"a: switch its auto-zero {'off' if on else 'on'}   "
                prompt = f"Enter: zero it   {switch}Esc: not now"
                self._question = Question("sure", "zero", prompt, self._now_s(), (label,))
                return ""

            self._try(begin)
            return

        def read(controls: Controls) -> str:
            controls.ask(Wish("crank-length", label))
            return ""

        self._try(read)
        self._ask(Question("text", "mm", self._length_words(label), 0.0, (label,)))

    def _set_length(self, question: Question, text: str) -> None:
        """The length was typed: it has to be typed once more."""
        try:
            mm = float(text.replace(",", "."))
        except ValueError:
            self._say(f"{text[:20]} is no length in mm", loud=True)
            return
        label = question.labels[0]
        if question.act == "mm":
            prompt = f"type {mm:g} once more to set {label} to {mm:g} mm:"
            self._ask(Question("text", "mm-again", prompt, 0.0, (label,), mm))
        elif mm != question.value:
            self._say(f"{mm:g} is not {question.value:g}: nothing was set", loud=True)
        else:

            def set_(controls: Controls) -> str:
                controls.ask(Wish("set-crank-length", label, mm))
                return f"setting {label} to {mm:g} mm"

            self._try(set_)

    def _pass_checks(self) -> None:
        """The person says: go."""
        disk_free: Callable[[], int | None] | None = getattr(self.source, "disk_free", None)

        def go(controls: Controls) -> str:
            overridden = controls.ready(disk_free() if disk_free is not None else None)
            self._page = "bench"
            return f"overridden: {', '.join(overridden)}" if overridden else "go"

        self._try(go)

    def _ask(self, question: Question) -> None:
        """Open a question in the bottom line; it belongs to the moment of its key."""
        self._question = question._replace(at_s=self._now_s())
        self._safety_until = self._said_until = 0
        if question.kind == "text":
            self._typing.begin(self._known_gears() if question.act == "gear" else ())
            self._prompt.update(question.prompt)
            self._line.display = True
            self._typing.focus()
        self.draw()

    def _close_question(self) -> None:
        self._question = None
        self._line.display = False
        self._sheet.focus()
        self.draw()

    def answer(self, key: str) -> bool:
        """Take a key as the answer to a question that wants one key; whether it was one."""
        question = self._question
        if question is None or key == "escape":
            return False
        if question.kind == "text":
            # A click took the keys away from the typing line.
            self._typing.focus()
        elif question.kind == "sure" and key == "enter" and question.act != "finish":
            self._close_question()
            self._sure(question)
        elif question.kind == "sure" and key == "enter":
            self._close_question()
            if self.source.closed:
                self._say("the recorder is not connected: nothing to finish", loud=True)
            else:
                self._finishing = True
                self.source.finish()
                self.draw()
        elif (
            key == "a"
            and (question.kind, question.act) == ("sure", "zero")
            and (controls := self._hands()) is not None
        ):
            if controls.auto_zero(question.labels[0]) is not None:
                self._close_question()
                self._try(lambda controls: "" if controls.switch_auto_zero() else "no auto-zero to switch")
        elif question.kind == "choice" and key == BY_NAME:
            self._close_question()
            self._ask_name(question.act, question.prompt.partition(" which?")[0], question.labels)
        elif question.kind == "choice":
            chosen = (
                question.labels
                if key == "a" and question.act == "zeroed"
                else tuple(label for own, label in self._lane_keys(question.labels).items() if own == key)
            )
            if chosen:
                self._close_question()
            if chosen and question.act != "zeroed":
                self._chosen(question.act, chosen[0])
                return True
            for label in chosen:
                self._send("zeroed", "", label, f"zeroed {', '.join(chosen)}", question.at_s)
        return True

    def _sure(self, question: Question) -> None:
        """Enter, to a question that only wants to be sure."""
        if question.act == "arm":

            def arm(controls: Controls) -> str:
                controls.arm(*question.labels)
                return "armed"

            self._try(arm)
        elif question.act == "skip":
            self._send("segment", question.labels[0], "", f"begun: {question.labels[0]}")
        elif question.act == "zero":

            def confirm(controls: Controls) -> str:
                try:
                    controls.confirm()
                except RefusedKeyError:
                    # The prompt stands until the crank does.
                    self._question = question
                    raise
                return ""

            self._try(confirm)
        elif question.act == "override":
            self._pass_checks()

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """The typed text becomes an act at the moment of its key; an empty one is dropped."""
        question, text = self._question, plain(event.value.strip(), TEXT_CHARACTERS)
        self._close_question()
        if question is None or not text:
            return
        if question.act.startswith("mm"):
            self._set_length(question, text)
            return
        if question.act.startswith(WHICH):
            self._named(question, text)
            return
        if question.act == "gear":
            if text in self._gears:
                self._gears.remove(text)
            self._gears.appendleft(text)
        whom = ""
        if question.act == "note":
            whom, text = note_of(text, [lane.label for lane in self._view.lanes])
        said = f"{question.act} {clock(question.at_s)}: {f'{whom}: ' if whom else ''}{text}"
        self._send(question.act, text, whom, said, question.at_s)
