"""The live screen: polls a frozen view four times a second, draws it, passes the operator's acts on.

It keeps nothing of the bench: what it shows is a function of the last view and of the
question it is asking. The recorder is another process, so that no drawing can disturb
it, and leaving the screen does not end a recording.
"""

import gc
from collections import deque
from collections.abc import Callable, Coroutine, Iterable
from typing import Any, ClassVar, Literal, NamedTuple, Protocol

from rich.cells import cached_cell_len
from rich.segment import Segment as Cells
from textual import events
from textual.app import App, ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal
from textual.geometry import Region, Size
from textual.strip import Strip
from textual.widget import Widget
from textual.widgets import Input, Static
from textual.worker import Worker, WorkerState

from monitor.controls.controls import Cockpit, RefusedKeyError, RideView
from monitor.controls.zeroing import Wish
from monitor.dashboard.canvas import Canvas, Run
from monitor.dashboard.look import BLACK, BLUE, GROUND, WHITE, clock, waiting
from monitor.dashboard.panels import HANDS, KEYS, Banner
from monitor.dashboard.saddle import load_words
from monitor.dashboard.sheet import Face, Page, draw_sheet, trace_box
from monitor.dashboard.trace import draw_trace
from monitor.live.view import Block, View
from monitor.text import plain

POLL_HZ = 4.0
STALE_S = 5.0
"""The journal ticks every second: a view that stands still longer is not followed any more."""
SAID_S, TOLD_S = 3.0, 10.0
"""How long an answer to a key stands, and what an instrument said: its zero offset is a number to be read."""
SAFETY_S = 30.0
"""How long the caution stays on the first screen unless a key is pressed."""
TEXT_CHARACTERS = 200
GEARS_KEPT = 6
CHOICES = "123456789bcdefghijklmnopqrstuvwxyz"
"""Keys that choose an instrument; `a` means all."""
WHICH = "which "
HOLDING = frozenset("mgndsprauyibc") | {"question_mark", "up", "down"}
"""Keys that do their work while a trainer is held; any other one drops it to its safe target."""
SETTLED_S, TIDY_S = 2.0, 5.0
"""Drawn strips hold one another in circles. Left to the collector's own pace tens of thousands pile up, and
over the hours the process grows by what they took at most."""
MOST_WIDTHS = 512
"""Texts whose width rich remembers; most of ours hold a clock and never come again."""
SLAP_KEYS, SLAP_POLLS = 3, 1
"""So many keys within so many polls are a hand on the keyboard, not a word."""
COUNTDOWN_S = 3.0
"""The bell rings so long before a segment is over, and when one begins: in addition to what is shown."""


class ViewSource(Protocol):
    """Where views come from and acts go to: a session, or a session that is being followed."""

    @property
    def closed(self) -> bool:
        """No more views will come."""
        ...

    @property
    def closed_why(self) -> str:
        """Why it closed; empty when the session ended as it should."""
        ...

    def view(self) -> View:
        """The bench as it stands now; cheap, and the same object as long as nothing changed."""
        ...

    def act(self, act: str, text: str, instrument: str, at_s: float | None = None) -> None:
        """Send an act (`capture.record.Act`) to the recorder; never raises, never waits.

        `at_s` is the session time it belongs to, when that is not now: a note belongs to
        the moment of its key, not to the moment when its last word was typed.
        """
        ...

    def finish(self) -> None:
        """Ask the recorder to close the session; `closed` follows."""
        ...


class _Question(NamedTuple):
    """What the bottom line asks. `kind`: `text` is typed, `choice` one key, `sure` Enter or Esc."""

    kind: str
    act: str
    prompt: str
    at_s: float
    labels: tuple[str, ...] = ()
    value: float = 0.0


def _rings(before: View, now: View) -> bool:
    """Whether a segment has just begun, or is about to end: the bell, beside what is shown."""
    then, segment = before.segment, now.segment
    if segment is None or segment.paused:
        return False
    if then is None or then.start_s != segment.start_s:
        return then is not None
    return (
        then.left_s is not None
        and segment.left_s is not None
        and then.left_s > COUNTDOWN_S >= segment.left_s > 0.0
    )


Feed = Coroutine[Any, Any, None] | Callable[[], Coroutine[Any, Any, None]]


class Sheet(Widget, can_focus=True):
    """Shows a canvas; only rows that changed are sent to the terminal."""

    DEFAULT_CSS = "Sheet { width: 100%; height: 1fr; }"

    def __init__(self) -> None:
        super().__init__()
        self._rows: list[tuple[Run, ...]] = []

    def show(self, canvas: Canvas) -> None:
        """Replace what is shown."""
        if cached_cell_len.cache_info().currsize > MOST_WIDTHS:
            cached_cell_len.cache_clear()
        before, self._rows = self._rows, [canvas.row(y) for y in range(canvas.height)]
        changed = [y for y, row in enumerate(self._rows) if y >= len(before) or before[y] != row]
        if changed:
            self.refresh(*(Region(0, y, canvas.width, 1) for y in changed))

    def render_line(self, y: int) -> Strip:
        """One row as textual wants it."""
        if y >= len(self._rows):
            return Strip.blank(self.size.width, GROUND)
        return Strip([Cells(text, style) for text, style in self._rows[y]])

    def get_content_height(self, container: Size, viewport: Size, width: int) -> int:
        """As high as the room that there is."""
        return container.height

    async def on_key(self, event: events.Key) -> None:
        """Keys answer the question first, if there is one."""
        app = self.app
        if isinstance(app, BenchApp) and (app.held(event.key) or app.answer(event.key)):
            event.stop()
            event.prevent_default()


class _Typing(Input):
    """The text of a note or a gear; up and down bring earlier texts back."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("up", "earlier(1)", show=False),
        Binding("down", "earlier(-1)", show=False),
    ]

    def __init__(self) -> None:
        super().__init__(compact=True, select_on_focus=False, max_length=TEXT_CHARACTERS)
        self.cursor_blink = False
        self.before: list[str] = []
        self._at = 0

    def begin(self, before: Iterable[str]) -> None:
        """Empty, with these texts to bring back, the latest first."""
        self.value, self.before, self._at = "", list(before), 0

    def action_earlier(self, step: int) -> None:
        """Bring an earlier text back, or go forward to the empty line."""
        self._at = max(0, min(len(self.before), self._at + step))
        self.value = self.before[self._at - 1] if self._at else ""
        self.cursor_position = len(self.value)


class BenchApp(App[str]):
    """The screen of a bench.

    `source` gives views and takes acts. `feed` is a coroutine (or a function that makes one)
    that keeps the source fresh: it runs as a worker of this app, is cancelled when the screen
    closes, and if it fails the screen says so, and `feed_error` holds the exception. `poll_hz` 0
    draws only when `poll` is called. `read_only` takes no acts. `leave_when_closed` closes
    the screen as soon as the source has closed well. `page` is shown first. `speaker` is given
    words to be spoken.

    `run()` returns `left` (the recording goes on), `finished`, or `closed` when the source had
    already closed.
    """

    TITLE = "Plumbwatt"
    ENABLE_COMMAND_PALETTE = False
    CSS = f"""
    Screen {{ background: {BLACK}; color: {WHITE}; overflow: hidden; }}
    #line {{ dock: bottom; display: none; height: 1; background: {BLUE}; color: #FFFFFF; text-style: bold; }}
    #prompt {{ width: auto; max-width: 60%; height: 1; padding: 0 1; }}
    _Typing, _Typing:focus {{
        width: 1fr; height: 1; border: none; padding: 0; background: #FFFFFF; color: #000000;
        background-tint: #FFFFFF 0%;
    }}
    """
    BINDINGS: ClassVar[list[BindingType]] = [
        *(
            Binding(key.replace("?", "question_mark"), action, word, show=False)
            for key, word, action, *_ in (*KEYS, *HANDS)
        ),
        Binding("m", "mark", show=False),
        Binding("escape", "back", show=False),
        Binding("enter", "go", show=False),
        Binding("ctrl+q", "leave", show=False, priority=True),
    ]
    ACTS = frozenset(action for _, _, action, _, act in (*KEYS, *HANDS) if act)
    HANDS = frozenset(action for _, _, action, _, act in HANDS if act)

    def __init__(
        self,
        source: ViewSource,
        feed: Feed | None = None,
        *,
        poll_hz: float = POLL_HZ,
        read_only: bool = False,
        leave_when_closed: bool = False,
        page: Page = "bench",
        speaker: Callable[[str], None] | None = None,
    ) -> None:
        super().__init__()
        self.source, self.read_only = source, read_only
        self.feed_error: BaseException | None = None
        self._feed, self._poll_hz, self._leave_when_closed = feed, poll_hz, leave_when_closed
        self._sheet, self._typing = Sheet(), _Typing()
        self._line, self._prompt = Horizontal(id="line"), Static(id="prompt", markup=False)
        self._view = source.view()
        self._trace: Canvas | None = None
        self._page: Page = page
        self._speaker = speaker
        self._ride: RideView | None = None
        self._keys: deque[int] = deque(maxlen=SLAP_KEYS)
        """Polls at the latest keys."""
        self._question: _Question | None = None
        self._gears: deque[str] = deque(maxlen=GEARS_KEPT)
        self._polls = 0
        self._still_polls = 0
        self._said, self._said_loud, self._said_until = "", False, 0
        self._safety_until = self._after(SAFETY_S)
        self._finishing = False
        self._ready_seen: bool | None = None
        self._offered = page == "checks"
        """The checks were shown without being asked for."""

    def _after(self, seconds: float) -> int:
        """The poll that comes so many seconds from now; screen time is counted in polls."""
        return self._polls + round(seconds * (self._poll_hz or POLL_HZ))

    def compose(self) -> ComposeResult:
        """The sheet, and the line for typing."""
        yield self._sheet
        with self._line:
            yield self._prompt
            yield self._typing

    def on_mount(self) -> None:
        """Start the feed and the one timer."""
        self._sheet.focus()
        if self._feed is not None:
            self.run_worker(self._feed, name="feed", exit_on_error=False)
        if self._poll_hz:
            self.set_interval(1 / self._poll_hz, self.poll)
        if not self.is_headless:
            self.set_timer(SETTLED_S, self._settle)

    def _settle(self) -> None:
        """What stands now stands to the end: the collector need not look through it again and again."""
        self._tidy()
        gc.freeze()
        self.set_interval(TIDY_S, self._tidy)

    def _tidy(self) -> None:
        gc.collect()

    def on_resize(self) -> None:
        """Draw at once in the new size."""
        self.call_after_refresh(self.draw)

    def on_worker_state_changed(self, event: Worker.StateChanged) -> None:
        """A feed that failed is not silent."""
        if event.worker.name == "feed" and event.state is WorkerState.ERROR:
            self.feed_error = event.worker.error
            self.draw()

    # Drawing

    def poll(self) -> None:
        """Take the latest view and draw it; the trace every second time."""
        before, self._view = self._view, self.source.view()
        self._polls += 1
        self._attend()
        self._still_polls = self._still_polls + 1 if self._view.t_s == before.t_s else 0
        if self._polls % 2 == 0:
            self._trace = None
        if self.source.closed and not self.source.closed_why and (self._finishing or self._leave_when_closed):
            self.exit("finished" if self._finishing else "closed")
            return
        if len(waiting(self._view)) > len(waiting(before)) or _rings(before, self._view):
            self.bell()
        self._speak(before)
        self.draw()

    def _attend(self) -> None:
        """See what the cockpit has to say."""
        cockpit = self._cockpit()
        if cockpit is None:
            return
        eased = self._ride is not None and self._ride.trainer is not None and self._ride.trainer.eased
        self._ride = cockpit.view()
        if self._question is not None and self._question.act == "mm":
            self._prompt.update(self._length_words(self._question.labels[0]))
        if cockpit.said:
            said, cockpit.said = cockpit.said, ""
            self._say(said, seconds=TOLD_S)
            self._tell(said)
        if self._ride.trainer is not None and self._ride.trainer.eased and not eased:
            self.bell()
            self._tell("turn faster")
        if cockpit.pipeline.runner.waits and not cockpit.preflight.ready and not self._offered:
            # Another screen was left before the checks were passed: the protocol still waits.
            self._offered, self._page = True, "bench" if self.read_only else "checks"
        if self._page == "checks" and cockpit.preflight.ready and self._ready_seen is False:
            self._page = "bench"
        self._ready_seen = cockpit.preflight.ready

    def _cockpit(self) -> Cockpit | None:
        """The hands of the source; None: what is shown can't be acted on."""
        cockpit: Cockpit | None = getattr(self.source, "cockpit", None)
        return cockpit

    def _hands(self) -> Cockpit | None:
        return None if self.read_only else self._cockpit()

    def _pass_on(self) -> None:
        """Have the session send what the cockpit wants to be sent."""
        pass_on: Callable[[], None] | None = getattr(self.source, "pass_on", None)
        if pass_on is not None:
            pass_on()

    def _speak(self, before: View) -> None:
        """Say aloud what a rider would miss with his eyes on the road."""
        now, then = self._view.segment, before.segment
        if now is not None and (then is None or (now.name, now.start_s) != (then.name, then.start_s)):
            words = load_words(Block(now.name, 0.0, now.target_w, now.cadence_rpm, now.load or "hold"))
            self._tell(f"{now.name}, {words}" if now.target_w is not None else now.name)
        if len(waiting(self._view)) > len(waiting(before)) and self._view.advice:
            self._tell(self._view.advice)

    def _tell(self, words: str) -> None:
        if self._speaker is not None:
            self._speaker(plain(words, TEXT_CHARACTERS))

    def face(self) -> Face:
        """What the screen adds to the view at this moment."""
        banner, question = self._trouble(), self._question
        cockpit = self._cockpit()
        checks = None
        if self._page == "checks" and cockpit is not None:
            disk_free: Callable[[], int | None] | None = getattr(self.source, "disk_free", None)
            checks = cockpit.checks(disk_free() if disk_free is not None else None)
        return Face(
            page=self._page,
            said=self._said if self._polls < self._said_until else "",
            said_loud=self._said_loud,
            question=question.prompt if question is not None else "",
            safety=self._polls < self._safety_until,
            read_only=self.read_only,
            old=banner is not None and banner.loud,
            banner=banner,
            hands=cockpit is not None,
            ride=self._ride,
            checks=checks,
        )

    def _trouble(self) -> Banner | None:
        """What keeps the screen from following the bench, if anything does."""
        from_when = f"What stands below is from {clock(self._view.t_s)}."
        again = "Recording may well go on: `plumbwatt follow SESSION` attaches a screen again."
        if self.feed_error is not None:
            why = f"{type(self.feed_error).__name__}: {self.feed_error}"
            return Banner("CUT OFF FROM THE RECORDER", f"{from_when} {again} ({why})")
        if self.source.closed:
            if self.source.closed_why:
                cockpit = self._cockpit()
                if cockpit is not None and cockpit.orphan is not None:
                    label, power_w = cockpit.orphan
                    held = f"{label} may go on holding {power_w:.0f} W: STOP PEDALLING, switch it off"
                    return Banner(
                        "CUT OFF, NOBODY COMMANDS THE TRAINER", f"{held}. {self.source.closed_why}."
                    )
                return Banner("CUT OFF FROM THE RECORDER", f"{self.source.closed_why}. {from_when} {again}")
            return Banner("The session is closed", "q leaves the screen", loud=False)
        if self._still_polls >= round(STALE_S * (self._poll_hz or POLL_HZ)):
            seconds = self._still_polls / (self._poll_hz or POLL_HZ)
            still = f"Nothing has come for {seconds:.0f} s."
            return Banner("NO NEWS FROM THE RECORDER", f"{still} {from_when} {again}")
        if self._finishing:
            return Banner("Finishing", "the journal is being closed", loud=False)
        return None

    def draw(self) -> None:
        """Draw the view as it was last polled."""
        width, height = self.size
        if width <= 0 or height <= 0:
            return
        face = self.face()
        at = trace_box(width, height, self._view, face)
        if self._trace is None or (self._trace.width, self._trace.height) != (at.width, at.height):
            self._trace = draw_trace(self._view, at.width, at.height)
        self._sheet.show(draw_sheet(self._view, width, height, face, self._trace))

    def _say(self, text: str, loud: bool = False, seconds: float = SAID_S) -> None:
        """Answer a key in the bottom line for a moment."""
        self._said, self._said_loud, self._said_until = plain(text), loud, self._after(seconds)
        self.draw()

    # The trainer is held: what a key does then

    def held(self, key: str) -> bool:
        """Let the trainer go if this key, or a slap on the keyboard, asks for it; whether that was all."""
        cockpit = self._hands()
        if cockpit is None:
            return False
        self._keys.append(self._polls)
        slap = len(self._keys) == SLAP_KEYS and self._polls - self._keys[0] <= SLAP_POLLS
        if not cockpit.armed:
            return False
        choosing = self._question is not None and self._question.kind == "choice" and key in (*CHOICES, "a")
        if not slap and (key in HOLDING or choosing):
            return False
        why = "several keys at once" if slap else f"key {key}"
        cockpit.fall(why)
        self._pass_on()
        self.bell()
        self._say(f"TO THE SAFE TARGET: {why}", loud=True)
        self._tell("safe target")
        # These also do what they say.
        return slap or key not in ("q", "f", "o", "l", "z", "ctrl+q", "ctrl+c")

    # Keys

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Acts are off on a screen that only watches, and while a question is open."""
        if action in self.ACTS or action in ("leave", "page"):
            if self._question is not None and action != "leave":
                return False
            if action in self.HANDS and self._cockpit() is None:
                return False
            return action == "leave" or not (self.read_only and action in self.ACTS)
        return True

    def _send(self, act: str, text: str, instrument: str, said: str, at_s: float | None = None) -> bool:
        """Pass an act on, unless nobody would take it; say which."""
        self._safety_until = 0
        if self.source.closed or self.feed_error is not None:
            self._say(f"NOT SENT: {said}. The recorder is not connected.", loud=True)
            return False
        self.source.act(act, text, instrument, at_s)
        self._say(said)
        return True

    def _now_s(self) -> float:
        """Session time at this key."""
        return self.source.view().t_s

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
        self._ask(_Question("text", "gear", f"gear{before}:", 0.0))

    def _known_gears(self) -> list[str]:
        """Gears to be offered, the latest first: those typed here, then those of the session."""
        cockpit = self._cockpit()
        recorded = reversed(cockpit.gears) if cockpit is not None else ()
        return list(dict.fromkeys((*self._gears, *recorded)))

    def action_note(self) -> None:
        """Ask for a note; its moment is now."""
        self._ask(_Question("text", "note", f"note at {clock(self._now_s())}:", 0.0))

    def action_segment(self) -> None:
        """Begin the next segment of the protocol, or one that the operator names."""
        segment = self._view.segment
        if segment is not None and segment.next_name:
            self._send("segment", segment.next_name, "", f"begun: {segment.next_name}")
        else:
            self._ask(_Question("text", "segment", "name of the segment that begins now:", 0.0))

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
            _Question("sure", "finish", "Finish the session?  Enter: finish   Esc: go on recording", 0.0)
        )

    def action_page(self, page: Page) -> None:
        """Show a page, or the bench again."""
        self._safety_until = 0
        self._page = "bench" if self._page == page else page
        self.draw()

    async def action_back(self) -> None:
        """Close the question, or the page; a trainer that is held is let go first."""
        if self._typing.has_focus:
            # Everywhere else the key has been seen already.
            self.held("escape")
        if self._question is not None:
            if self._question.act == "zero" and (cockpit := self._hands()) is not None:
                cockpit.cancel()
                self._ride = cockpit.view()
            self._close_question()
        elif self._page != "bench":
            self._page = "bench"
        self._safety_until = 0
        self.draw()

    def action_leave(self) -> None:
        """Close the screen and nothing else."""
        self.exit("closed" if self.source.closed else "left")

    async def action_quit(self) -> None:
        """Same as leaving: a screen never ends a recording by the way."""
        self.action_leave()

    def action_help_quit(self) -> None:
        """The interrupt key only tells the two ways out."""
        self._say("q leaves this screen, recording goes on; f finishes the session")

    # Protocol, trainer, zero offset

    def _try(self, work: Callable[[Cockpit], str]) -> None:
        """Do something by the cockpit; say what it did, or why it can't be done now."""
        self._safety_until = 0
        cockpit = self._hands()
        if cockpit is None:
            return
        if self.source.closed or self.feed_error is not None:
            self._say("NOT DONE: the recorder is not connected.", loud=True)
            return
        try:
            said = work(cockpit)
        except RefusedKeyError as error:
            self._say(str(error), loud=True)
            return
        self._pass_on()
        self._ride = cockpit.view()
        if said:
            self._say(said)
        self.draw()

    def action_pause(self) -> None:
        """Pause the segment, or go on with it."""
        self._try(lambda cockpit: cockpit.pause())

    def action_repeat(self) -> None:
        """Begin the segment anew."""
        self._try(lambda cockpit: f"once more: {cockpit.repeat()}")

    def action_insert(self) -> None:
        """Have the proposed block ridden next."""
        suggestion = self._view.suggestion
        block = suggestion.block if suggestion is not None else None
        self._try(lambda cockpit: f"comes next: {cockpit.insert(block)}")

    def action_position(self) -> None:
        """Seated or standing."""
        self._try(lambda cockpit: cockpit.toggle_position())

    def action_undo(self) -> None:
        """Take the last act back."""
        self._try(lambda cockpit: f"taken back: {cockpit.undo()}")

    def action_trainer(self) -> None:
        """Ask whether the trainer shall be armed; a held one is let go by `held`."""
        cockpit = self._hands()
        if cockpit is None or cockpit.armed:
            return
        limits = cockpit.bench.trainer
        self._ask(
            _Question(
                "sure",
                "arm",
                f"ARM, at most {limits.max_w:.0f} W?  Enter: arm  Esc: no   Then any other key lets it go",
                0.0,
            )
        )

    def action_zero(self) -> None:
        """Zero offset over the radio: which instrument, then the prompt."""
        self._choose("zero", "zero offset of")

    def action_length(self) -> None:
        """Crank length: which instrument; then read, and set if a length is typed."""
        self._choose("crank-length", "crank length of")

    def _choose(self, kind: Literal["zero", "crank-length"], words: str) -> None:
        cockpit = self._hands()
        if cockpit is None:
            return
        labels = cockpit.labels(kind)
        if not labels:
            self._say(f"no instrument can be asked for it ({words.removesuffix(' of')})", loud=True)
        elif len(labels) == 1:
            self._chosen(kind, labels[0])
        else:
            self._ask_which(kind, words, labels)

    def _ask_which(self, act: str, words: str, labels: tuple[str, ...], more: str = "") -> None:
        """Ask for an instrument by one key; by its label, when there are more than a line holds."""
        named = "  ".join(f"{key} {label}" for key, label in zip(CHOICES, labels, strict=False))
        prompt = f"{words} which?  {named}  {more}Esc none"
        if len(labels) <= len(CHOICES) and len(prompt) < self.size.width:
            self._ask(_Question("choice", act, prompt, 0.0, labels))
        else:
            prompt = f"{words} which? its label{' or all' if more else ''}:"
            self._ask(_Question("text", f"{WHICH}{act}", prompt, 0.0, labels))

    def _named(self, question: _Question, text: str) -> None:
        """A label was typed, or so much of it that only one begins like that."""
        act, typed = question.act.removeprefix(WHICH), text.lower()
        found = [label for label in question.labels if label == typed]
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

    def _chosen(self, kind: str, label: str) -> None:
        if kind == "zero":
            look_up: Callable[[str], None] | None = getattr(self.source, "look_up_zeros", None)
            if look_up is not None:
                look_up(label)

            def begin(cockpit: Cockpit) -> str:
                cockpit.ask(Wish("zero", label))
                on = cockpit.auto_zero(label)
                switch = "" if on is None else f"a: switch its auto-zero {'off' if on else 'on'}   "
                prompt = f"Enter: zero it   {switch}Esc: not now"
                self._question = _Question("sure", "zero", prompt, self._now_s(), (label,))
                return ""

            self._try(begin)
            return

        def read(cockpit: Cockpit) -> str:
            cockpit.ask(Wish("crank-length", label))
            return ""

        self._try(read)
        self._ask(_Question("text", "mm", self._length_words(label), 0.0, (label,)))

    def _length_words(self, label: str) -> str:
        """The question for a length: what the instrument tells, as soon as it does, and what is mounted."""
        cockpit = self._hands()
        if cockpit is None:
            return f"{label}, new mm:"
        told = cockpit.crank_length_mm(label)
        mounted = next(each.crank_length_mm for each in cockpit.bench.instruments if each.label == label)
        tells = "not told" if told is None else f"{told:g} mm"
        return f"{label} {tells}{'' if mounted is None else f', mounted {mounted:g}'}. New mm or Enter:"

    def _set_length(self, question: _Question, text: str) -> None:
        """The length was typed: it has to be typed once more."""
        try:
            mm = float(text.replace(",", "."))
        except ValueError:
            self._say(f"{text[:20]} is no length in mm", loud=True)
            return
        label = question.labels[0]
        if question.act == "mm":
            prompt = f"type {mm:g} once more to set {label} to {mm:g} mm:"
            self._ask(_Question("text", "mm-again", prompt, 0.0, (label,), mm))
        elif mm != question.value:
            self._say(f"{mm:g} is not {question.value:g}: nothing was set", loud=True)
        else:

            def set_(cockpit: Cockpit) -> str:
                cockpit.ask(Wish("set-crank-length", label, mm))
                return f"setting {label} to {mm:g} mm"

            self._try(set_)

    def action_go(self) -> None:
        """On the page of checks: the ride may begin. What is red is asked about first."""
        cockpit = self._hands()
        if self._page != "checks" or cockpit is None or cockpit.preflight.ready:
            return
        stops = (self.face().checks or cockpit.checks(None)).stops
        if not stops:
            self._pass_checks()
            return
        named = ", ".join(f"{item.key} of {label or 'the bench'}" for label, item in stops)
        self._ask(_Question("sure", "override", f"OVERRIDE {named}?  Enter: go   Esc: mend it first", 0.0))

    def _pass_checks(self) -> None:
        """The person says: go."""
        disk_free: Callable[[], int | None] | None = getattr(self.source, "disk_free", None)

        def go(cockpit: Cockpit) -> str:
            overridden = cockpit.ready(disk_free() if disk_free is not None else None)
            self._page = "bench"
            return f"overridden: {', '.join(overridden)}" if overridden else "go"

        self._try(go)

    # Questions

    def _ask(self, question: _Question) -> None:
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
            and (cockpit := self._hands()) is not None
        ):
            if cockpit.auto_zero(question.labels[0]) is not None:
                self._close_question()
                self._try(lambda cockpit: "" if cockpit.switch_auto_zero() else "no auto-zero to switch")
        elif question.kind == "choice":
            chosen = (
                question.labels
                if key == "a" and question.act == "zeroed"
                else tuple(
                    label for choice, label in zip(CHOICES, question.labels, strict=False) if choice == key
                )
            )
            if chosen:
                self._close_question()
            if chosen and question.act != "zeroed":
                self._chosen(question.act, chosen[0])
                return True
            for label in chosen:
                self._send("zeroed", "", label, f"zeroed {', '.join(chosen)}", question.at_s)
        return True

    def _sure(self, question: _Question) -> None:
        """Enter, to a question that only wants to be sure."""
        if question.act == "arm":

            def arm(cockpit: Cockpit) -> str:
                cockpit.arm()
                return "armed"

            self._try(arm)
        elif question.act == "zero":

            def confirm(cockpit: Cockpit) -> str:
                try:
                    cockpit.confirm()
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
        self._send(question.act, text, "", f"{question.act} {clock(question.at_s)}: {text}", question.at_s)
