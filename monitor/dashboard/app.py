"""The live screen: what each key does.

It keeps nothing of the bench: what it shows is a function of the last view and of the
question it is asking. The recorder is another process, so that no drawing can disturb
it, and leaving the screen does not end a recording.
"""

from typing import ClassVar

from textual.binding import Binding, BindingType

from monitor.dashboard.asking import CHOICES, AskingApp
from monitor.dashboard.following import GEARS_KEPT, SLAP_KEYS, SLAP_POLLS, Question
from monitor.dashboard.look import waiting
from monitor.dashboard.parts.keys import HANDS, KEYS, LOOKS
from monitor.dashboard.parts.standing import chosen, units_on_test
from monitor.dashboard.sheet import SCROLLS, Page, page_canvas, page_room
from monitor.text import clock

HOLDING = frozenset("mgndsprauyibckw") | {"question_mark", "up", "down", "tab"}
"""Keys that do their work while a trainer is held; any other one drops it to its safe target."""
JUST_S = 2.0
"""So shortly after a change the key for the next segment asks."""


class BenchApp(AskingApp):
    """The screen of a bench.

    `source` gives views and takes acts. `feed` is a coroutine (or a function that makes one)
    that keeps the source fresh: it runs as a worker of this app, is cancelled when the screen
    closes, and if it fails the screen says so, and `feed_error` holds the exception. `poll_hz` 0
    draws only when `poll` is called. `read_only` takes no acts. `leave_when_closed` closes
    the screen as soon as the source has closed well. `page` is shown first. `speaker` is given
    words to be spoken. `ground` is what it is drawn on; NO_COLOR goes before it.

    `run()` returns `left` (the recording goes on), `finished`, or `closed` when the source had
    already closed.
    """

    BINDINGS: ClassVar[list[BindingType]] = [
        *(
            Binding(key.replace("?", "question_mark"), action, word, show=False)
            for key, word, action, *_ in (*KEYS, *HANDS, *LOOKS)
        ),
        Binding("m", "mark", show=False),
        Binding("escape", "back", show=False),
        Binding("enter", "go", show=False),
        Binding("ctrl+q", "quit", show=False, priority=True),
    ]
    ACTS = frozenset(action for _, _, action, _, act in (*KEYS, *HANDS) if act)
    HANDS = frozenset(action for _, _, action, _, act in HANDS if act)

    def takes(self, key: str) -> bool:
        """Look at every key first: it may let a trainer go, answer the question, or move a page."""
        if self._is_report(key):
            return True
        if self.held(key) or self.answer(key) or self.scrolled(key):
            return True
        if key == "tab":
            # Everywhere else it moves between fields, of which there is one here.
            self.action_unit()
        return key == "tab"

    def _is_report(self, key: str) -> bool:
        """Whether it is no key but part of a terminal's late answer to what it looks like.

        Such an answer begins with `]` and comes at once, all of it, up to its terminator.
        """
        if key == "right_square_bracket" and self._polls < self._reports_until and not self._is_armed():
            self._report_poll = self._polls
        if self._report_poll is None or self._polls - self._report_poll > SLAP_POLLS:
            self._report_poll = None
            return False
        if key in ("backslash", "ctrl+g"):
            self._report_poll = None
        return True

    def _is_armed(self) -> bool:
        controls = self._hands()
        return controls is not None and controls.armed

    def held(self, key: str) -> bool:
        """Let the trainer go if this key, or a slap on the keyboard, asks for it; whether that was all."""
        controls = self._hands()
        if controls is None:
            return False
        self._keys.append(self._polls)
        slap = len(self._keys) == SLAP_KEYS and self._polls - self._keys[0] <= SLAP_POLLS
        if not controls.armed:
            return False
        choosing = self._question is not None and self._question.kind == "choice" and key in (*CHOICES, "a")
        if not slap and (key in HOLDING or choosing):
            return False
        why = "several keys at once" if slap else f"key {key}"
        controls.fall(why)
        self._pass_on()
        self.bell()
        self._say(f"TO THE SAFE TARGET: {why}", loud=True)
        self._tell("safe target")
        # These also do what they say.
        return slap or key not in ("q", "f", "o", "l", "z", "ctrl+q", "ctrl+c")

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Acts are off on a screen that only watches, and while a question is open."""
        if action in self.ACTS or action in ("leave", "page"):
            if self._question is not None and action != "leave":
                return False
            if action in self.HANDS and self._controls() is None:
                return False
            return action == "leave" or not (self.read_only and action in self.ACTS)
        return True

    def action_mark(self) -> None:
        """Mark this moment."""
        self._send("mark", "", "", f"marked {clock(self._now_s())}")

    def action_zeroed(self) -> None:
        """An instrument was zeroed: ask which, unless there is only one."""
        labels = tuple(lane.label for lane in self._view.lanes)
        if len(labels) == 1:
            self._send("zeroed", "", labels[0], f"zeroed {labels[0]}")
        elif labels:
            self._ask_which("zeroed", "zeroed", labels, "a all  ")

    def action_gear(self) -> None:
        """Ask for the gear."""
        gears = self._known_gears()[:GEARS_KEPT]
        before = f" (up: {', '.join(gears)})" if gears else ""
        self._ask(Question("text", "gear", f"gear{before}:", 0.0))

    def action_note(self) -> None:
        """Ask for a note; its moment is now."""
        self._ask(Question("text", "note", f"note at {clock(self._now_s())}:", 0.0))

    def action_segment(self) -> None:
        """Begin the next segment of the protocol, or one that the operator names."""
        segment = self._view.segment
        if segment is not None and segment.stage == "checks":
            self._page = "checks"
            self._say("the checks come first: Enter when they are passed")
        elif segment is not None and segment.next_name:
            ago_s = self._now_s() - segment.start_s
            if not segment.stage and 0.0 <= ago_s < JUST_S:
                # The clock was faster than the finger: two at once are hardly meant.
                prompt = f"{segment.name} has just begun.  Enter: on to {segment.next_name}   Esc: stay"
                self._ask(Question("sure", "skip", prompt, 0.0, (segment.next_name,)))
                return
            self._send("segment", segment.next_name, "", f"begun: {segment.next_name}")
        else:
            self._ask(Question("text", "segment", "name of the segment that begins now:", 0.0))

    def action_acknowledge(self) -> None:
        """Acknowledge every alarm that waits."""
        alarms = list(dict.fromkeys((alarm.kind, alarm.instrument) for alarm in waiting(self._view)))
        if not alarms:
            self._say("no alarm waits")
        for kind, instrument in alarms:
            self._send("acknowledge", kind, instrument, f"acknowledged: {len(alarms)}")

    def action_finish(self) -> None:
        """Ask whether the session shall be closed."""
        self._ask(
            Question("sure", "finish", "Finish the session?  Enter: finish   Esc: go on recording", 0.0)
        )

    def action_page(self, page: Page) -> None:
        """Show a page, or the bench again."""
        self._safety_until = self._first = 0
        self._page = "bench" if self._page == page else page
        self.draw()

    def action_unit(self) -> None:
        """Show the next unit on test; after the last one the worst again."""
        labels = [lane.label for lane in units_on_test(self._view)]
        after = labels.index(self._unit) + 1 if self._unit in labels else 0
        self._unit = labels[after] if after < len(labels) and len(labels) > 1 else ""
        shown = chosen(self._view, self._unit)
        if len(labels) == 1:
            self._say(f"{labels[0]} is the only unit on test")
        elif shown is not None:
            self._say(shown.label if self._unit else f"the worst of all, now {shown.label}")

    def action_traced(self) -> None:
        """Trace power, or deviation again."""
        self._kind = "power" if self._kind == "deviation" else "deviation"
        self._trace = None
        self.draw()

    def scrolled(self, key: str) -> bool:
        """Move a page that is longer than the screen; whether this key does that."""
        if self._page not in SCROLLS or self._question is not None:
            return False
        width, height = self.size
        room = page_room(width, height, self._view, self._page)
        step = {"j": 1, "down": 1, "k": -1, "up": -1, "pagedown": room - 1, "pageup": 1 - room}.get(key)
        if step is None:
            return False
        most = page_canvas(self._view, width, self.face()).height - room
        self._first = max(0, min(most, self._first + step))
        self.draw()
        return True

    async def action_back(self) -> None:
        """Close the question, or the page; a trainer that is held is let go first."""
        if self._typing.has_focus:
            # Everywhere else the key has been seen already.
            self.held("escape")
        if self._question is not None:
            if self._question.act == "zero" and (controls := self._hands()) is not None:
                controls.cancel()
                self._ride = controls.view()
            self._close_question()
        elif self._page != "bench":
            self._page = "bench"
        self._safety_until = 0
        self.draw()

    async def action_leave(self) -> None:
        """Close the page that is open, else the screen, and nothing more."""
        if self._page != "bench" and not self.source.closed and self.feed_error is None:
            await self.action_back()
        else:
            await self.action_quit()

    async def action_quit(self) -> None:
        """Leave from any page: a screen never ends a recording by the way."""
        self.exit("closed" if self.source.closed else "left")

    def action_help_quit(self) -> None:
        """The interrupt key only tells the two ways out."""
        self._say("q leaves this screen, recording goes on; f finishes the session")

    def action_pause(self) -> None:
        """Pause the segment, or go on with it."""
        self._try(lambda controls: controls.pause())

    def action_repeat(self) -> None:
        """Begin the segment anew."""
        self._try(lambda controls: f"once more: {controls.repeat()}")

    def action_insert(self) -> None:
        """Have the proposed block ridden next."""
        suggestion = self._view.suggestion
        block = suggestion.block if suggestion is not None else None
        self._try(lambda controls: f"comes next: {controls.insert(block)}")

    def action_position(self) -> None:
        """Seated or standing."""
        self._try(lambda controls: controls.toggle_position())

    def action_remounted(self) -> None:
        """An instrument was seated anew, or its sensor moved: ask which."""
        labels = tuple(lane.label for lane in self._view.lanes)
        if len(labels) == 1:
            self._chosen("remounted", labels[0])
        elif labels:
            self._ask_which("remounted", "remounted", labels)

    def action_stretch(self) -> None:
        """Open a stretch, or close it."""
        self._try(lambda controls: controls.toggle_stretch())

    def action_undo(self) -> None:
        """Take the last act back."""
        self._try(lambda controls: f"taken back: {controls.undo()}")

    def action_trainer(self) -> None:
        """Ask whether the trainer shall be armed; a held one is let go by `held`."""
        controls = self._hands()
        if controls is None or controls.armed:
            return
        able = controls.trainers.labels()
        if len(able) > 1:
            self._ask_which("arm", "ARM", able)
        else:
            self._ask_to_arm()

    def action_zero(self) -> None:
        """Zero offset over the radio: which instrument, then the prompt."""
        self._choose("zero", "zero offset of")

    def action_length(self) -> None:
        """Crank length: which instrument; then read, and set if a length is typed."""
        self._choose("crank-length", "crank length of")

    def action_go(self) -> None:
        """On the page of checks: the ride may begin. What is red is asked about first."""
        controls = self._hands()
        if self._page != "checks" or controls is None or controls.preflight.ready:
            return
        stops = (self.face().checks or controls.checks(None)).stops
        if not stops:
            self._pass_checks()
            return
        named = ", ".join(f"{item.key} of {label or 'the bench'}" for label, item in stops)
        self._ask(Question("sure", "override", f"OVERRIDE {named}?  Enter: go   Esc: mend it first", 0.0))
