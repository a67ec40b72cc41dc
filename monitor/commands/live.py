"""`demo`, `run` and `follow`: a session recorded and watched."""

import asyncio
import contextlib
import os
import shlex
import signal
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, Literal

import msgspec

from capture.source import Wanted
from monitor import __version__
from monitor.commands.output import (
    OutputError,
    UsageError,
    has_screen,
    need_utf8,
    on_terminal,
    write_message,
    write_result,
)
from monitor.finding import Finding
from monitor.live.runner import Runner
from monitor.sessions.derived import MAKE_ROOM, Made, end_line, finding_line, make_derived, missing_words
from monitor.sessions.live.live_session import LiveSession
from monitor.sessions.settings import recorded_settings
from monitor.sessions.vouched import NAMES, REPORT, up_to_date
from monitor.setup.bench import Bench, load_bench, parse_bench
from monitor.setup.protocol import Protocol, load_protocol
from monitor.study.results import Study
from storage.attach import Attachment, RunningRecorder, attach, recordings_in, start_recorder
from storage.connection.job import Job
from storage.remainder import remainder_of
from storage.session import open_session, read_live

TAKE_OVER_S = 3.0
"""Who follows a session begins a segment that is so late: the screen that should have is gone."""
SAFETY = "Ride within your limits; the makers' instructions, local rules and qualified people come first."


def demo(headless: bool, seconds: float | None, speed: float | None, out: Path) -> int:
    """The built-in evening, recorded and watched, then studied."""
    from capture.scene import evening

    bench = parse_bench(evening(), "the built-in evening")
    return _record(bench, None, headless, seconds, speed, out, stays=False)


def run(
    bench_file: Path,
    protocol_file: Path | None,
    headless: bool,
    seconds: float | None,
    speed: float | None,
    out: Path,
    speak: bool = False,
) -> int:
    """A bench, recorded and watched. SourceError: a radio that it needs can't be used."""
    bench = load_bench(bench_file)
    protocol = load_protocol(_protocol_path(protocol_file)) if protocol_file else None
    if speed is not None and speed != 1.0 and not bench.scripted:
        radio = next(i for i in bench.instruments if not i.link.startswith(("scene:", "log:")))
        raise UsageError(f"--speed is for scenes and logs only; {radio.label} is {radio.link}.")
    if any(instrument.link.startswith("log:") for instrument in bench.instruments):
        raise UsageError(
            f"{bench_file} links to a capture log. "
            f"Use `plumbwatt replay LOG.jsonl --bench {bench_file} --out DIR`."
        )
    if any(instrument.link.startswith("ride:") for instrument in bench.instruments):
        raise UsageError(
            f"{bench_file} links to ride files. Use `plumbwatt import LABEL=FILE ... --bench {bench_file}`."
        )
    return _record(bench, protocol, headless, seconds, speed, out, stays=True, speaker=_speaker(speak))


def _protocol_path(file: Path) -> Path:
    """The file, or one of the ready protocols if its bare name is given."""
    if file.exists() or file.name != str(file) or file.suffix:
        return file
    packages = Path(__file__).parents[2]
    # In the installed package, and in a checkout.
    places = (packages / "monitor" / "protocols", packages / "fixtures" / "protocols")
    ready = {path.stem: path for place in places for path in place.glob("*.toml")}
    if file.name not in ready:
        raise UsageError(f"there is no protocol file {file}. Ready ones: {', '.join(sorted(ready))}.")
    return ready[file.name]


def record_log(log: Path, bench: Bench, headless: bool, speed: float, out: Path) -> int:
    """A capture log as a session of its own."""
    others = [i.link for i in bench.instruments if not i.link.startswith("log:")]
    if others:
        raise UsageError(f"the bench for a log has links `log:LABEL` only, here is {others[0]}.")
    return _record(bench, None, headless, None, speed, out, stays=False, log=log)


def follow(folder: Path, watch_only: bool = False, speak: bool = False) -> int:
    """Attach a screen to a session that is being recorded. SessionError: it is not."""
    opened = open_session(folder)
    in_browser = "TEXTUAL_DRIVER" in os.environ
    if not on_terminal() and not in_browser:
        raise UsageError("the screen needs a terminal.")
    bench, protocol = recorded_settings(opened.info.header, opened.path)
    if read_live(opened.path) is None:
        asyncio.run(attach(opened.path))  # raises, and says what to do
    runner = None
    if protocol is not None and not bench.scripted and not watch_only:
        runner = Runner(protocol, late_s=TAKE_OVER_S)
    session = LiveSession(
        opened.path,
        lambda since: attach(opened.path, since),
        bench,
        protocol,
        runner=runner,
        late_s=TAKE_OVER_S,
        asks=not bench.scripted and not watch_only,
        keeps=not watch_only and not in_browser,
    )
    if session.controls is not None and in_browser:
        # Behind a browser stands a radio link of its own: when it breaks nobody lets the trainer go at once.
        session.controls.may_arm = False
    judges = not watch_only and not in_browser
    return _watch(session, stays=True, watch_only=watch_only, speaker=_speaker(speak), judges=judges)


def _speaker(speak: bool) -> Callable[[str], None] | None:
    if not speak:
        return None
    from monitor.speech import COMMANDS, Speaker, speech_command

    command = speech_command()
    if command is None:
        names = ", ".join(each[0] for each in COMMANDS)
        raise UsageError(f"--speak finds no speech command. Install one of {names}.")
    return Speaker(command)


def make_job(
    bench: Bench,
    protocol: Protocol | None,
    out: Path,
    seconds: float | None = None,
    speed: float | None = None,
    log: Path | None = None,
) -> Job:
    """What the recorder needs to know. UsageError: the scene can't be played, or a path is no UTF-8."""
    for path in (out, log):
        if path is not None:
            need_utf8(path.absolute())
    wanted = [Wanted(i.label, i.link, i.profile) for i in bench.instruments]
    pace: float | Literal["max"] = 1.0 if speed is None else "max" if speed == float("inf") else speed
    return Job(
        bench=bench.text,
        program=f"plumbwatt {__version__}",
        out=str(out),
        name=bench.name,
        wanted=wanted,
        protocol=protocol.text if protocol else "",
        scene=bench.scene,
        segments=_ridden(bench, protocol or bench.protocol, wanted),
        log=None if log is None else str(log.absolute()),
        seconds=seconds,
        speed=pace,
    )


def _ridden(bench: Bench, protocol: Protocol | None, wanted: list[Wanted]) -> list[dict[str, Any]]:
    """The segments that the rider of a scene follows; without scene and protocol the evening's."""
    scened = [one for one in wanted if one.scheme == "scene"]
    if not scened:
        return []
    from capture.scene import Scene, SceneError, evening

    if protocol is None and bench.scene is None:
        protocol = parse_bench(evening(), "the built-in evening").protocol
    segments = [_set_only(segment) for segment in protocol.segments] if protocol else []
    try:
        Scene(bench.scene, scened, segments)
    except SceneError as error:
        raise UsageError(f"the scene of the bench can't be played: {error}.") from None
    return segments


def _set_only(segment: msgspec.Struct) -> dict[str, Any]:
    """A segment as a table: without the keys that say nothing."""
    table: dict[str, Any] = msgspec.to_builtins(segment)
    return {
        key: value for key, value in table.items() if value is not None and value is not False and value != ""
    }


def _record(
    bench: Bench,
    protocol: Protocol | None,
    headless: bool,
    seconds: float | None,
    speed: float | None,
    out: Path,
    stays: bool,
    log: Path | None = None,
    speaker: Callable[[str], None] | None = None,
) -> int:
    """Start a recorder and watch it; the exit code. `stays`: it goes on when the screen is left."""
    headless = headless or not has_screen()
    job = make_job(bench, protocol, out, seconds, speed, log)
    for other in recordings_in(out):
        write_message(f"note: another recording goes on. `plumbwatt follow {other}` attaches a screen.")
    with _ended_by_signals():
        recorder = asyncio.run(_started(job))
        return _recorded(recorder, bench, protocol, headless, stays, speed, speaker)


def _recorded(
    recorder: RunningRecorder,
    bench: Bench,
    protocol: Protocol | None,
    headless: bool,
    stays: bool,
    speed: float | None,
    speaker: Callable[[str], None] | None,
) -> int:
    """Attend a recorder; whatever ends that, a recorder that goes on is named."""
    try:
        write_message(f"recording into {recorder.session}")
        # At another speed than 1 it would depend on the computer when a question reaches a scene.
        hurried = speed is not None and speed != 1.0
        return _attend(recorder, bench, protocol or bench.protocol, headless, stays, hurried, speaker)
    except BaseException:
        if read_live(recorder.session) is not None:
            write_message(f"The recording goes on. `plumbwatt follow {recorder.session}` attaches a screen.")
        raise


async def _started(job: Job) -> RunningRecorder:
    """Start a recorder; an interrupt or a signal to end meanwhile leaves none behind."""
    starting = asyncio.ensure_future(start_recorder(job))
    loop, us = asyncio.get_running_loop(), asyncio.current_task()
    assert us is not None
    with _ended_by_signals(lambda: loop.call_soon_threadsafe(us.cancel)):
        try:
            return await asyncio.shield(starting)
        except asyncio.CancelledError:
            write_message("ending, as soon as the recorder that is being started can be told so")
            # It can't be told before it answers; who asks once more must not leave it behind either.
            while not starting.done():
                with contextlib.suppress(asyncio.CancelledError):
                    await asyncio.wait([starting])
            recorder = starting.result()
            recorder.process.terminate()
            if await recorder.wait() is None:
                write_message(f"The recorder does not end: {recorder.session}")
            raise


def _interrupt() -> None:
    raise KeyboardInterrupt


@contextlib.contextmanager
def _ended_by_signals(end: Callable[[], object] = _interrupt) -> Iterator[None]:
    """What a signal to end does here, instead of ending this process without a word."""
    before = {}
    for name in ("SIGTERM", "SIGHUP"):
        number = getattr(signal, name, None)
        # Whoever had it ignored (nohup) meant it.
        if number is not None and signal.getsignal(number) is not signal.SIG_IGN:
            with contextlib.suppress(ValueError):  # not in the main thread
                before[number] = signal.signal(number, lambda *_: end())
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def _attend(
    recorder: RunningRecorder,
    bench: Bench,
    planned: Protocol | None,
    headless: bool,
    stays: bool,
    hurried: bool = False,
    speaker: Callable[[str], None] | None = None,
) -> int:
    """Watch a recorder that was started, to the end or until the screen is left; the exit code."""
    if planned is not None and not bench.scripted:
        write_message(f"{len(planned.segments)} segments, {planned.total_s / 60:.0f} min. {SAFETY}")
    # Before a ride on real instruments a person looks whether all is well, where there is a screen.
    checks = not headless and not bench.scripted
    runner = None if planned is None or bench.scripted else Runner(planned, waits=checks)
    printer = _Printer()
    session = LiveSession(
        recorder.session,
        _attaching(recorder),
        bench,
        planned,
        runner=runner,
        on_finding=printer if headless else None,
        asks=not hurried,
        hands=not headless,
        keeps=True,
    )
    if checks:
        session.act("preflight")
    if not headless:
        return _watch(session, stays, recorder, page="checks" if checks else "bench", speaker=speaker)
    printer.on_broken = session.finish
    asyncio.run(_until_closed(session, recorder))
    printer.line(end_line(session.pipeline, session.folder))
    code = _conclude(session)
    if printer.failed is not None:
        write_message(f"plumbwatt: findings could not be printed: they are in {session.folder}.")
        code = code or 2
    return code


def _attaching(recorder: RunningRecorder) -> Callable[[int], Any]:
    async def again(since: int) -> Attachment:
        return await recorder.attach(since)

    return again


class _Printer:
    """Prints findings; a reader that has gone ends the session as an interrupt does.

    Where they can't be written (a full disk) the recording matters more: that is said once, and goes on.
    """

    def __init__(self) -> None:
        self.on_broken: Callable[[], None] = lambda: None
        self.failed: OutputError | None = None
        self._broken = False

    def __call__(self, finding: Finding) -> None:
        self.line(finding_line(finding))

    def line(self, text: str) -> None:
        if self._broken:
            return
        try:
            write_result(text)
        except BrokenPipeError:
            self._broken = True
            self.on_broken()
        except OutputError as error:
            self._broken, self.failed = True, error
            write_message(f"plumbwatt: {error} The recording goes on.")


async def _until_closed(session: LiveSession, recorder: RunningRecorder | None) -> None:
    """Feed the session to its end; an interrupt asks the recorder to finish, a second one goes at once."""
    loop = asyncio.get_running_loop()
    following = asyncio.current_task()
    assert following is not None
    asked = False

    def interrupted() -> None:
        nonlocal asked
        if asked:
            following.cancel()
        asked = True
        write_message("finishing; once more leaves at once")
        session.finish("interrupted")

    for name in ("SIGINT", "SIGTERM"):
        with contextlib.suppress(NotImplementedError, RuntimeError):
            loop.add_signal_handler(getattr(signal, name), interrupted)
    try:
        await session.feed()
    except asyncio.CancelledError:
        raise KeyboardInterrupt from None
    if recorder is not None:
        await recorder.wait()


def _watch(
    session: LiveSession,
    stays: bool,
    recorder: RunningRecorder | None = None,
    *,
    page: Literal["bench", "checks"] = "bench",
    watch_only: bool = False,
    speaker: Callable[[str], None] | None = None,
    judges: bool = True,
) -> int:
    """The screen until it is left; then what was recorded is judged, unless it is still being recorded.

    Who only watches leaves that to others: a dozen tablets would judge it a dozen times.
    """
    from monitor.dashboard.app import BenchApp
    from monitor.dashboard.grounds import ground_now

    app = BenchApp(
        session,
        session.feed,
        leave_when_closed=True,
        read_only=watch_only,
        page=page,
        speaker=speaker,
        ground=ground_now(),
    )
    app.run()
    if app.feed_error is not None:
        raise app.feed_error
    if not session.closed:
        if stays:
            write_result(f"The recording goes on: {session.folder}")
            write_result(
                f"`plumbwatt follow {session.folder}` attaches a screen again; its key f finishes it."
            )
            return 0
        session.finish("the screen was left")
        asyncio.run(_until_closed(session, recorder))
    return _conclude(session, judges)


def _conclude(session: LiveSession, judges: bool = True) -> int:
    """Make everything from the journal and say where it is; 4 if the recorder died."""
    if session.closed_why:
        write_message(f"plumbwatt: THE RECORDER DIED: {session.closed_why}")
    code = 4 if session.closed_why else 0
    if (rest := remainder_of(session.folder)) is not None:
        write_message(
            f"plumbwatt: {session.folder}: its disk failed. The rest of the records stands in {rest}."
        )
        write_message(f"`plumbwatt rescue {session.folder}` joins both, into a whole session.")
        code = 4
    made: Made | None = None
    if not judges or len(up_to_date(session.folder)) == len(NAMES):
        write_message(f"closed; `plumbwatt study {session.folder}` judges it.")
    else:
        from monitor.commands.asking.judging import rare_collections

        with rare_collections():
            made = make_derived(
                session.folder, lambda text: write_message(f"  {text}"), gathered=session.gathered
            )
    write_message(f"session: {session.folder}")
    if made is None:
        return code
    for path in made.paths:
        write_message(f"  {path}")
    if made.missing:
        remedy = MAKE_ROOM.format(folder=session.folder)
        write_message(f"plumbwatt: {session.folder}: {missing_words(made.missing)}. {remedy}")
    if made.damage is not None:
        write_message(f"plumbwatt: {session.folder}: {made.damage.text}.")
        code = 4
    _say_verdict(session.folder, made.study)
    return code or (2 if made.missing else 0)


def _say_verdict(folder: Path, study: Study) -> None:
    """The verdict in three lines, where the report is, and the command that tells more."""
    from monitor.report.lines.summary import verdict_lines

    for line in verdict_lines(study):
        write_message(line)
    report = up_to_date(folder).get(REPORT)
    if report is not None:
        write_message(f"report: {report.absolute().as_uri()}")
    write_message(f"next: plumbwatt study {shlex.quote(str(folder))} --summary")
