"""The screen follows a session: it polls the view, draws it, and passes acts on.

Nothing here asks or knows a key; the questions and the keys stand on top of it.
"""

import gc
import os
from collections import deque
from collections.abc import Callable, Coroutine
from typing import Any, NamedTuple, Protocol

from textual.app import App, ComposeResult
from textual.containers import Horizontal
from textual.widgets import Static
from textual.worker import Worker, WorkerState

from monitor.controls.controls import Controls, RideView
from monitor.controls.output import RefusedKeyError
from monitor.dashboard.canvas import Canvas
from monitor.dashboard.grounds import Ground, colours_of
from monitor.dashboard.look import BLACK, BLUE, WHITE, waiting
from monitor.dashboard.parts.findings import Slots, settled
from monitor.dashboard.parts.message import Banner, load_words
from monitor.dashboard.parts.trace import Kind, draw_trace
from monitor.dashboard.sheet import Face, Page, draw_sheet, trace_box
from monitor.dashboard.widgets import TEXT_CHARACTERS, Sheet, Typing
from monitor.live.view import Block, View
from monitor.text import clock, plain

POLL_HZ = 4.0
STALE_S = 5.0
"""The journal ticks every second: a view that stands still longer is not followed any more."""
SAID_S, READ_S = 3.0, 10.0
"""How long an answer to a key stands, and what an instrument said: its zero offset is a number to be read."""
SAFETY_S = 30.0
"""How long the caution stays on the first screen unless a key is pressed."""
REPORTS_S = 10.0
"""So long after the start a terminal's answer to a question may still come."""
SETTLED_S, TIDY_S = 2.0, 5.0
"""Drawn strips hold one another in circles. Left to the collector's own pace tens of thousands pile up, and
over the hours the process grows by what they took at most."""
GEARS_KEPT = 6
SLAP_KEYS, SLAP_POLLS = 3, 1
"""So many keys within so many polls are a hand on the keyboard, not a word."""
_DEVIATION: Kind = "deviation"
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


class Question(NamedTuple):
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


class FollowingApp(App[str]):
    """Views of a session as a drawn sheet, with what is said about them. See `BenchApp` for its arguments."""

    TITLE = "Plumbwatt"
    ENABLE_COMMAND_PALETTE = False
    CSS = f"""
    Screen {{ background: {BLACK}; color: {WHITE}; overflow: hidden; }}
    #line {{ dock: bottom; display: none; height: 1; background: {BLUE}; color: #FFFFFF; text-style: bold; }}
    #prompt {{ width: auto; max-width: 60%; height: 1; padding: 0 1; }}
    Typing, Typing:focus {{
        width: 1fr; height: 1; border: none; padding: 0; background: #FFFFFF; color: #000000;
        background-tint: #FFFFFF 0%;
    }}
    """

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
        ground: Ground = "dark",
    ) -> None:
        if os.environ.get("NO_COLOR"):
            ground = "none"
        # The colours of the terminal itself pass only in this mode, and with none wanted, none do.
        super().__init__(ansi_color=True if ground in ("few", "none") else None)
        self.ground: Ground = ground
        self.source, self.read_only = source, read_only
        self.feed_error: BaseException | None = None
        self._feed, self._poll_hz, self._leave_when_closed = feed, poll_hz, leave_when_closed
        self._sheet, self._typing = Sheet(ground), Typing()
        self._line, self._prompt = Horizontal(id="line"), Static(id="prompt", markup=False)
        self._view = source.view()
        self._trace: Canvas | None = None
        self._page: Page = page
        self._unit, self._kind, self._first = "", _DEVIATION, 0
        self._slots: Slots = ()
        self._speaker = speaker
        self._ride: RideView | None = None
        self._keys: deque[int] = deque(maxlen=SLAP_KEYS)
        """Polls at the latest keys."""
        self._question: Question | None = None
        self._gears: deque[str] = deque(maxlen=GEARS_KEPT)
        self._polls = 0
        self._report_poll: int | None = None
        self._reports_until = self._after(REPORTS_S)
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
        self.screen.styles.color, self.screen.styles.background = colours_of(self.ground)
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

    def poll(self) -> None:
        """Take the latest view and draw it; the trace every second time."""
        before, self._view = self._view, self.source.view()
        self._polls += 1
        self._slots = settled(self._slots, self._view)
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
        """See what the controls have to say."""
        controls = self._controls()
        if controls is None:
            return
        eased = self._ride is not None and self._ride.trainer is not None and self._ride.trainer.eased
        self._ride = controls.view()
        if self._question is not None and self._question.act == "mm":
            self._prompt.update(self._length_words(self._question.labels[0]))
        if controls.said:
            said, controls.said = controls.said, ""
            self._say(said, seconds=READ_S)
            self._tell(said)
        if self._ride.trainer is not None and self._ride.trainer.eased and not eased:
            self.bell()
            self._tell("turn faster")
        if controls.pipeline.runner.waits and not controls.preflight.ready and not self._offered:
            # Another screen was left before the checks were passed: the protocol still waits.
            self._offered, self._page = True, "bench" if self.read_only else "checks"
        if self._page == "checks" and controls.preflight.ready and self._ready_seen is False:
            self._page = "bench"
        self._ready_seen = controls.preflight.ready

    def _controls(self) -> Controls | None:
        """The hands of the source; None: what is shown can't be acted on."""
        controls: Controls | None = getattr(self.source, "controls", None)
        return controls

    def _hands(self) -> Controls | None:
        return None if self.read_only else self._controls()

    def _pass_on(self) -> None:
        """Have the session send what the controls want to be sent."""
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
        controls = self._controls()
        checks = None
        if self._page == "checks" and controls is not None:
            disk_free: Callable[[], int | None] | None = getattr(self.source, "disk_free", None)
            checks = controls.checks(disk_free() if disk_free is not None else None)
        return Face(
            page=self._page,
            said=self._said if self._polls < self._said_until else "",
            said_loud=self._said_loud,
            question=question.prompt if question is not None else "",
            safety=self._polls < self._safety_until,
            read_only=self.read_only,
            old=banner is not None and banner.loud,
            banner=banner,
            hands=controls is not None,
            ride=self._ride,
            checks=checks,
            unit=self._unit,
            trace=self._kind,
            slots=self._slots,
            first=self._first,
        )

    def _trouble(self) -> Banner | None:
        """What keeps the screen from following the bench, if anything does."""
        from_when = f"What stands here is from {clock(self._view.t_s)}."
        again = f"{from_when} `plumbwatt follow SESSION` attaches a screen again, recording may well go on."
        if self.feed_error is not None:
            why = f"{type(self.feed_error).__name__}: {self.feed_error}"
            return Banner("CUT OFF FROM THE RECORDER", why, do=again)
        if self.source.closed:
            return self._closing_words(again)
        if self._still_polls >= round(STALE_S * (self._poll_hz or POLL_HZ)):
            seconds = self._still_polls / (self._poll_hz or POLL_HZ)
            return Banner("NO NEWS FROM THE RECORDER", f"nothing has come for {seconds:.0f} s", do=again)
        if self._finishing:
            return Banner("Finishing", "the journal is being closed", loud=False)
        return None

    def _closing_words(self, again: str) -> Banner:
        """What there is to say of a session that is closed."""
        why = self.source.closed_why
        if not why:
            ending: str = getattr(self.source, "ending", "")
            words = (
                f"{plain(ending, TEXT_CHARACTERS)}, q leaves the screen" if ending else "q leaves the screen"
            )
            return Banner(f"The session is closed after {clock(self._view.t_s)}", words, loud=False)
        controls = self._controls()
        if controls is not None and controls.trainers.orphan is not None:
            label, power_w = controls.trainers.orphan
            held = f"STOP PEDALLING, switch {label} off: it may go on holding {power_w:.0f} W."
            return Banner("CUT OFF, NOBODY COMMANDS THE TRAINER", "", do=f"{held} {why}.")
        return Banner("CUT OFF FROM THE RECORDER", why, do=again)

    def draw(self) -> None:
        """Draw the view as it was last polled."""
        width, height = self.size
        if width <= 0 or height <= 0:
            return
        face = self.face()
        at = trace_box(width, height, self._view, face)
        if self._trace is None or (self._trace.width, self._trace.height) != (at.width, at.height):
            self._trace = draw_trace(self._view, at.width, at.height, self._kind)
        self._sheet.show(draw_sheet(self._view, width, height, face, self._trace))

    def _say(self, text: str, loud: bool = False, seconds: float = SAID_S) -> None:
        """Answer a key in the bottom line for a moment."""
        self._said, self._said_loud, self._said_until = plain(text), loud, self._after(seconds)
        self.draw()

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

    def _try(self, work: Callable[[Controls], str]) -> None:
        """Do something by the controls; say what it did, or why it can't be done now."""
        self._safety_until = 0
        controls = self._hands()
        if controls is None:
            return
        if self.source.closed or self.feed_error is not None:
            self._say("NOT DONE: the recorder is not connected.", loud=True)
            return
        try:
            said = work(controls)
        except RefusedKeyError as error:
            self._say(str(error), loud=True)
            return
        self._pass_on()
        self._ride = controls.view()
        if said:
            self._say(said)
        self.draw()

    def _length_words(self, label: str) -> str:
        """The question for a length: what the instrument tells, as soon as it does, and what is mounted."""
        controls = self._hands()
        if controls is None:
            return f"{label}, new mm:"
        length_mm = controls.crank_length_mm(label)
        mounted = next(each.crank_length_mm for each in controls.bench.instruments if each.label == label)
        tells = "not told" if length_mm is None else f"{length_mm:g} mm"
        return f"{label} {tells}{'' if mounted is None else f', mounted {mounted:g}'}. New mm or Enter:"
