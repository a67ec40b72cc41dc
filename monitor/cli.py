"""The command line: names, options and help of every command, and what the exit codes mean.

What a command does stands in `monitor.commands` and is loaded when it is called, so that
help and errors of spelling are answered at once.
"""

import contextlib
import errno
import os
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated, Any, Literal

from cyclopts import App, CycloptsError, Parameter, Token

from monitor import __version__
from monitor.text import seconds_of

EXIT_FINE, EXIT_BUG, EXIT_USAGE, EXIT_RADIO, EXIT_DAMAGED, EXIT_INTERRUPTED = 0, 1, 2, 3, 4, 130


def _version() -> str:
    return __version__


def _speed(type_: Any, tokens: Sequence[Token]) -> float:
    word = tokens[0].value
    if word == "max":
        return float("inf")
    try:
        value = float(word)
    except ValueError:
        value = 0.0
    if not 0.01 <= value <= 10_000:
        raise ValueError("a number from 0.01 to 10000, or max, is needed")
    return value


def _seconds(type_: Any, tokens: Sequence[Token]) -> float:
    try:
        value = float(tokens[0].value)
    except ValueError:
        value = 0.0
    if not 0 < value <= 1_000_000:
        raise ValueError("a number of seconds above 0 is needed")
    return value


def _masses(type_: Any, tokens: Sequence[Token]) -> tuple[float, ...]:
    try:
        return tuple(float(part) for part in tokens[0].value.split(","))
    except ValueError:
        raise ValueError("masses are numbers of kg, separated by commas: 5,10,20") from None


def _session_time(type_: Any, tokens: Sequence[Token]) -> float:
    """Seconds, or a time as the tables show it."""
    value = seconds_of(tokens[0].value)
    if value is None:
        raise ValueError("a time of the session is needed: 42:10, 1:02:03, or seconds")
    return value


Flag = Parameter(negative=())
Repeated = Annotated[list[str] | None, Parameter(negative=(), allow_leading_hyphen=False)]
Speed = Annotated[float | None, Parameter(converter=_speed)]
Seconds = Annotated[float, Parameter(converter=_seconds)]
ScreenStyle = Literal["auto", "dark", "light"]
MaybeSeconds = Annotated[float | None, Parameter(converter=_seconds)]

app = App(
    name="plumbwatt",
    help="A live bench monitor for people who test cycling power meters.\n\n"
    "Start with `plumbwatt demo`, then `plumbwatt doctor` and `plumbwatt find`.",
    version=_version,
    help_format="plaintext",
    result_action="return_value",
    exit_on_error=False,
    print_error=False,
    suppress_keyboard_interrupt=False,
)
bench = App(name="bench", help="Write a bench file from what is in range, or check one.")
app.command(bench)
acts = App(
    name="acts",
    help="List what was done in a session, and put it right afterwards; the journal stays as it was.\n\n"
    "Example: plumbwatt acts list sessions/2026-11-25-190312-winter-bench",
)
app.command(acts)


@app.command
def demo(
    *,
    headless: Annotated[bool, Flag] = False,
    seconds: MaybeSeconds = None,
    speed: Speed = None,
    out: Path = Path("sessions"),
    style: ScreenStyle = "auto",
) -> int:
    """Watch a simulated evening of six minutes: a bench recorded, judged live, and studied at the end.

    A crank reads high on its right side for a while, a link breaks, power is missing. The
    instruments are simulated, the rest is what a real evening runs through.

    Example: plumbwatt demo --headless --speed max

    Parameters
    ----------
    headless
        Print findings as JSON lines instead of the screen.
    seconds
        End after so many seconds of the session.
    speed
        Session seconds in a second, or max. Without it 1.
    out
        The folder in which the session's folder is made.
    style
        The ground of the screen: dark, light, or auto, which is what the terminal reports.
    """
    from monitor.commands.live import demo
    from monitor.commands.output import use_style

    use_style(style, headless)

    return demo(headless, seconds, speed, out)


@app.command
def run(
    bench: Path,
    /,
    *,
    protocol: Path | None = None,
    headless: Annotated[bool, Flag] = False,
    seconds: MaybeSeconds = None,
    speed: Speed = None,
    speak: Annotated[bool, Flag] = False,
    out: Path = Path("sessions"),
    style: ScreenStyle = "auto",
) -> int:
    """Record a bench and watch it.

    Hard riding can hurt: the makers' instructions, local rules and qualified people come first.
    Leaving the screen does not end the recording; `follow` attaches one again.

    Example: plumbwatt run winter.toml --protocol quick-check

    Parameters
    ----------
    bench
        The bench file (TOML).
    protocol
        A protocol file (TOML), or a ready one: quick-check (12 minutes), full-bench (an hour). Its
        segments begin at their times; the key s begins the next.
    headless
        Print findings as JSON lines instead of the screen; an interrupt finishes the session.
    seconds
        End after so many seconds of the session.
    speed
        Session seconds in a second, or max; only if every link is scene: or log:.
    speak
        Say segments and alarms aloud, by the system's own speech command.
    out
        The folder in which the session's folder is made.
    style
        The ground of the screen: dark, light, or auto, which is what the terminal reports.
    """
    from monitor.commands.live import run
    from monitor.commands.output import use_style

    use_style(style, headless)

    return run(bench, protocol, headless, seconds, speed, out, speak)


@app.command
def follow(
    session: Path,
    /,
    *,
    watch_only: Annotated[bool, Flag] = False,
    speak: Annotated[bool, Flag] = False,
    serve: Annotated[bool, Flag] = False,
    address: str | None = None,
    port: int = 8123,
    acts: Annotated[bool, Flag] = False,
    style: ScreenStyle = "auto",
) -> int:
    """Attach a screen to a session that is being recorded, here or in a browser.

    With --serve the screen is shown in any number of browsers, on a tablet at the handlebar for
    instance; they only watch, and only on this computer unless --address is given. With that, or
    where they may act (--acts), each takes a code that is printed here. The recorder is not touched
    by any of them.

    Example: plumbwatt follow sessions/2026-11-25-190312-winter-bench --serve --address 192.168.1.20

    Parameters
    ----------
    session
        The session folder, as printed by `run`.
    watch_only
        Keys that act are off.
    speak
        Say segments and alarms aloud, by the system's own speech command.
    serve
        Serve the screen to browsers instead of showing it here.
    address
        Listen on this address of this computer (0.0.0.0: on all), for others to look.
    port
        Where to listen.
    acts
        Keys act in the browsers too, save those that command the trainer.
    style
        The ground of the screen: dark, light, or auto, which is what the terminal reports.
    """
    from monitor.commands.output import use_style

    use_style(style, serve)
    if serve:
        from monitor.commands.serve import serve as serve_screen

        return serve_screen(session, address, port, acts)
    from monitor.commands.live import follow

    return follow(session, watch_only, speak)


@app.command
def find(*, seconds: Seconds = 10.0, json: Annotated[bool, Flag] = False) -> int:
    """List the instruments in range on both radios.

    Turn the cranks: sleeping instruments say nothing. The first column is what a bench file
    takes as `link`.

    Example: plumbwatt find --seconds 20

    Parameters
    ----------
    seconds
        How long to listen.
    json
        Print a JSON list instead of a table.
    """
    from monitor.commands.bench.find import find

    return find(seconds, json)


@bench.command(name="new")
def bench_new(*, out: Path | None = None, seconds: Seconds = 10.0) -> int:
    """Write a commented bench file from what is in range.

    Without a radio, or with nothing in range, it is a template.

    Example: plumbwatt bench new --out winter.toml

    Parameters
    ----------
    out
        The file to write; it must not exist yet. Without it the bench goes to stdout.
    seconds
        How long to listen.
    """
    from monitor.commands.bench.find import new_bench

    return new_bench(out, seconds)


@bench.command(name="check")
def bench_check(file: Path, /) -> int:
    """Validate a bench file, and say what it means.

    Example: plumbwatt bench check winter.toml

    Parameters
    ----------
    file
        The bench file (TOML).
    """
    from monitor.commands.bench.benches import check

    return check(file)


@app.command
def replay(
    recorded: Annotated[Path, Parameter(name="SESSION|LOG.jsonl")],
    /,
    *,
    bench: Path | None = None,
    headless: Annotated[bool, Flag] = False,
    speed: Speed = None,
    out: Path | None = None,
    style: ScreenStyle = "auto",
) -> int:
    """Run a recorded session, or another logger's capture log, through the same pipeline again.

    Exit code 4: records of the session were lost.

    Example: plumbwatt replay sessions/2026-11-25-190312-evening --headless

    Parameters
    ----------
    recorded
        A session folder, or a capture log (JSON lines).
    bench
        A bench to judge by instead of the recorded one; for a log it has links `log:LABEL`.
    headless
        Print findings as JSON lines instead of the screen.
    speed
        Session seconds in a second, or max. Without it 1, and max if headless.
    out
        For a log: record it as a session, in a folder made in this one.
    style
        The ground of the screen: dark, light, or auto, which is what the terminal reports.
    """
    from monitor.commands.output import use_style
    from monitor.commands.replay import replay

    use_style(style, headless)

    return replay(recorded, bench, headless, speed, out)


@app.command
def study(
    session: Path,
    /,
    *,
    json: Annotated[str | None, Parameter(name="--json", allow_leading_hyphen=True)] = None,
    html: Path | None = None,
    against: Annotated[list[Path] | None, Parameter(consume_multiple=True, negative=())] = None,
    ride: Annotated[Path | None, Parameter(name="--with")] = None,
    label: Annotated[str | None, Parameter(name="--as")] = None,
    so_far: Annotated[bool, Flag] = False,
    stretch: Repeated = None,
    forget: Repeated = None,
    bench: Path | None = None,
    only: Annotated[list[str] | None, Parameter(consume_multiple=True, negative=())] = None,
    segments: str = "",
    summary: Annotated[bool, Flag] = False,
    wide: Annotated[bool, Flag] = False,
    by: Literal["unit", "model", "firmware", "bench"] = "unit",
    references: Annotated[bool, Flag] = False,
    jobs: int = 1,
    cluster: str | None = None,
) -> int:
    """Judge a finished session segment by segment: means, deviations with uncertainty, causes.

    A folder of sessions gives all evenings side by side, and a data set for other programs. Exit code 4:
    records of the session were lost.

    Example: plumbwatt study sessions/2026-11-25-190312-winter-bench --html report.html

    Example: plumbwatt study sessions/2026-11-25-190312-winter-bench --stretch 40:55-42:10=climb

    Parameters
    ----------
    session
        The session folder, or a folder of sessions.
    json
        Write the study as JSON to this file; - prints it instead of the tables.
    html
        Write the report, one self-contained page.
    against
        Further sessions to set beside this one, segment by segment.
    ride
        A ride file (FIT) of the same ride: it joins as one more instrument.
    label
        What that instrument is to be called.
    so_far
        Of a session that is being recorded, judge what it has until now, in a folder of its own.
    stretch
        FROM-TO or FROM-TO=NAME: one more row with all that a segment has, kept with the session.
        May be given several times; stretches may overlap.
    forget
        Drop the kept stretch of this name. May be given several times.
    bench
        Judge the same recording under another bench: its reference, claims, losses, roles, mounts and
        sides. What was recorded stays; both benches are named.
    only
        Show these instruments alone; all are judged. The others have no name: reference, other-1, ...
    segments
        Show segments whose names fit: a part of the name, or a pattern with * and ?.
    summary
        At most twelve lines.
    wide
        Every table with all its columns, however narrow the terminal.
    by
        Of a folder: what makes a group of evenings.
    references
        Of a folder: whether the trusted instruments are still true, by control charts of each pair.
    jobs
        Of a folder: so many processes judge what is new or changed, a session each at a time. 0: one a core.
    cluster
        Of a folder: the address of a Dask scheduler whose workers judge, such as tcp://10.0.0.5:8786.
    """
    from monitor.commands.asking.options import Asked
    from monitor.commands.evenings import ManySessions
    from monitor.commands.study import study

    asked = Asked(
        tuple(stretch or ()), tuple(forget or ()), bench, tuple(only or ()), segments, summary, wide
    )
    many = ManySessions(by, references, jobs, cluster)
    return study(session, json, html, against or [], ride, label, so_far, asked, many)


@app.command
def words(
    session: Path,
    /,
    *,
    set_: Annotated[list[str] | None, Parameter(name="--set", consume_multiple=True, negative=())] = None,
    json: Annotated[bool, Flag] = False,
) -> int:
    """Show or set your own words to a session: they stand at the top of its report and package.

    Keys: question, provenance (whose unit it is, from where), condition (how it came), scope (what was
    tested and what was not), conclusion. An empty text takes one away.

    Example: plumbwatt words sessions/2026-11-25-190312-winter-bench --set "question=Does it hold 1 %?"

    Parameters
    ----------
    session
        The session folder.
    set_
        KEY=TEXT, one or several.
    json
        Print a JSON object instead of lines.
    """
    from monitor.commands.asking.words import words

    return words(session, set_ or [], json)


@app.command
def figure(
    session: Path,
    /,
    *,
    what: Literal["deviation", "power", "sides", "cadence", "sprint", "torque", "agreement", "repeats"],
    out: Path,
    instrument: Annotated[list[str] | None, Parameter(consume_multiple=True, negative=())] = None,
    stretch: Repeated = None,
    smooth: int | None = None,
    size: str = "1920x1080",
    style: Literal["light", "dark", "print"] = "light",
) -> int:
    """Draw one picture of a session, for an article or a film.

    Names, units, limits, smoothing, date and unit stand in the picture. It needs matplotlib, an
    optional part: pip install 'plumbwatt[figures]'.

    Example: plumbwatt figure sessions/2026-11-25-190312-winter-bench --what deviation --out heron.png

    Parameters
    ----------
    session
        The session folder.
    what
        What is drawn.
    out
        The file: its ending says png, svg or pdf. One that is there is replaced.
    instrument
        Draw these instruments alone.
    stretch
        Draw this part of the session alone: FROM-TO or FROM-TO=NAME, as in 40:55-42:10=climb. May be given
        several times.
    smooth
        Mean over so many seconds. Without it 10, for deviations the window of the bench, for sprints 1.
    size
        Width and height in pixels.
    style
        light, dark, or print: larger letters and thinner lines, for a column of paper.
    """
    from monitor.commands.figure import figure

    return figure(session, what, out, instrument or [], stretch or [], smooth, size, style)


@app.command
def export(
    sessions: Annotated[list[Path], Parameter(name="SESSION", consume_multiple=True)],
    /,
    *,
    to: Literal["csv", "fit", "parquet", "package"],
    out: Path | None = None,
    so_far: Annotated[bool, Flag] = False,
    only: Annotated[list[str] | None, Parameter(consume_multiple=True, negative=())] = None,
    rename: Annotated[list[str] | None, Parameter(consume_multiple=True, negative=())] = None,
) -> int:
    """Write a session for other tools, and print the paths.

    A package is one zip file for a reader elsewhere: data, report, checksums, how to read it.

    Example: plumbwatt export sessions/2026-11-25-190312-winter-bench --to package

    Example: plumbwatt export sessions/2026-11-25-190312-winter-bench --to package --only heron

    Parameters
    ----------
    sessions
        The session folder; several for one package of all, side by side.
    to
        csv, fit (a ride file an instrument), parquet or package.
    out
        The folder for it; without it a folder in the session.
    so_far
        Of a session that is being recorded, what it has until now, in a folder of its own.
    only
        Labels of the instruments that a package is to tell of. Others lose their names in it, and their
        packets stay here.
    rename
        LABEL=NAME: what an instrument is called in the package.
    """
    from monitor.commands.export import export

    return export(sessions, to, out, so_far, only, rename)


@app.command(name="import")
def import_(
    files: Annotated[list[str], Parameter(name="LABEL=FILE", consume_multiple=True)],
    /,
    *,
    bench: Path | None = None,
    into: Path | None = None,
    out: Path = Path("sessions"),
    shift: Annotated[list[str] | None, Parameter(consume_multiple=True, negative=())] = None,
    column: Annotated[list[str] | None, Parameter(consume_multiple=True, negative=())] = None,
    laps: str | None = None,
) -> int:
    """Make a session of ride files (FIT or CSV) of one ride, or have them join a session for good.

    The clocks are brought together by the shape of power. The files are kept in the session. Role,
    mount, sides, claim and loss of each label come from the bench, whatever its links; without one they
    are asked for.

    Example: plumbwatt import pedals=a.fit unit=b.fit hub=c.fit --bench winter.toml

    Parameters
    ----------
    files
        A label of the bench and its ride file, for each file.
    bench
        The bench file that knows the labels.
    into
        A session that they join, instead of making one.
    out
        The folder in which the session's folder is made.
    shift
        LABEL=SECONDS: add so many seconds to a file's times, instead of finding its place by shape.
    column
        NAME=HEADER: which column of a CSV holds what, such as power_w=Watts, time_s=secs, left_percent=L%.
    laps
        The label whose laps become segments, or none. Without it the file with the most laps by hand.
    """
    from monitor.commands.importing import import_files

    return import_files(files, bench, into, out, shift or [], column or [], laps)


@app.command(name="weigh")
def weigh(
    where: Path,
    /,
    *,
    instrument: str,
    masses: Annotated[tuple[float, ...], Parameter(converter=_masses)] = (5.0, 10.0, 20.0),
    mass_tolerance: float = 0.1,
    crank_length: float | None = None,
    level: float = 1.0,
    resolution: float = 0.1,
    gravity: float | None = None,
    latitude: float | None = None,
    height: float | None = None,
    readings: Path | None = None,
    by_radio: Annotated[bool, Flag] = False,
    json: Annotated[bool, Flag] = False,
) -> int:
    """Check an instrument at rest with known masses, which trusts no other power meter.

    It leads through both sides, four positions of the crank, masses added and taken off, and asks for
    each reading. Expected is mass x gravity x crank length x cosine. The maker's instructions go first:
    some forbid static loads.

    Example: plumbwatt weigh winter.toml --instrument heron --masses 5,10,20 --latitude 52 --height 40

    Parameters
    ----------
    where
        A bench file, or the folder of a session that the result is kept with.
    instrument
        The label of the instrument.
    masses
        The masses in kg, separated by commas.
    mass_tolerance
        How far each mass may be off what is marked, in percent.
    crank_length
        Crank length in mm, if the bench does not tell.
    level
        How exactly the crank is set to its position, in degrees.
    resolution
        The last digit of a reading, in N·m.
    gravity
        Local gravity in m/s², if you know it.
    latitude
        Latitude in degrees: gravity follows by the normal gravity formula.
    height
        Height above the sea in m, with --latitude.
    readings
        A CSV file with side, angle_deg, mass_kg, direction, reading_nm: nothing is asked then.
    by_radio
        Take the readings from the session: each load was noted as `weight 20.01 kg right 0 up`.
    json
        Print JSON instead of a table.
    """
    from monitor.commands.bench.weigh import Wanted, weigh_command

    return weigh_command(
        where,
        Wanted(
            instrument, masses, mass_tolerance, crank_length, level, resolution, gravity, latitude, height,
            readings, by_radio, json,
        ),
    )  # fmt: skip


@acts.command(name="list")
def acts_list(session: Path, /, *, json: Annotated[bool, Flag] = False) -> int:
    """List every act of a session, with its number, and how it was recorded if it was put right.

    Example: plumbwatt acts list sessions/2026-11-25-190312-winter-bench

    Parameters
    ----------
    session
        The session folder.
    json
        Print JSON lines instead of a table.
    """
    from monitor.commands.acts import list_

    return list_(session, json)


@acts.command(name="edit")
def acts_edit(
    session: Path,
    number: str,
    /,
    *,
    act: str | None = None,
    text: str | None = None,
    instrument: str | None = None,
    at: Annotated[float | None, Parameter(converter=_session_time)] = None,
    why: str = "",
) -> int:
    """Change an act: its kind, its text, whom it concerns, or when it was.

    Replay, study and exports read it so from now on; the journal keeps the original.

    Example: plumbwatt acts edit sessions/2026-11-25-190312-winter-bench 12 --text "50x17"

    Parameters
    ----------
    session
        The session folder.
    number
        The number of the act, as `acts list` shows it.
    act
        Another kind: mark, zeroed, gear, note, position, segment, ...
    text
        Another text.
    instrument
        The label of another instrument; empty: it concerns the bench.
    at
        Another time: 42:10 or 1:02:03 as the tables show it, or session seconds.
    why
        What the change is for; kept with it.
    """
    from monitor.commands.acts import edit

    return edit(session, number, act, text, instrument, at, why)


@acts.command(name="remove")
def acts_remove(session: Path, number: str, /, *, why: str = "") -> int:
    """Say that an act never happened; the journal keeps it.

    Example: plumbwatt acts remove sessions/2026-11-25-190312-winter-bench 7 --why "wrong key"

    Parameters
    ----------
    session
        The session folder.
    number
        The number of the act, as `acts list` shows it.
    why
        What the change is for; kept with it.
    """
    from monitor.commands.acts import remove

    return remove(session, number, why)


@acts.command(name="restore")
def acts_restore(session: Path, number: str, /) -> int:
    """Have an act read as it was recorded again.

    Example: plumbwatt acts restore sessions/2026-11-25-190312-winter-bench 7

    Parameters
    ----------
    session
        The session folder.
    number
        The number of the act, as `acts list` shows it.
    """
    from monitor.commands.acts import restore

    return restore(session, number)


@acts.command(name="add")
def acts_add(
    session: Path,
    act: str,
    text: str = "",
    /,
    *,
    at: Annotated[float, Parameter(converter=_session_time)],
    instrument: str = "",
    why: str = "",
) -> int:
    """Add an act that nobody recorded.

    Example: plumbwatt acts add sessions/2026-11-25-190312-winter-bench gear 50x17 --at 5:12

    Parameters
    ----------
    session
        The session folder.
    act
        Its kind: mark, zeroed, gear, note, position, segment, ...
    text
        Its text.
    at
        When it was: 42:10 or 1:02:03 as the tables show it, or session seconds.
    instrument
        The label of the instrument that it concerns; empty: the bench.
    why
        What the change is for; kept with it.
    """
    from monitor.commands.acts import add

    return add(session, act, text, instrument, at, why)


@app.command
def rescue(session: Path, /) -> int:
    """Make a torn session whole again, into a copy beside it, and say what was lost.

    The session itself is not touched. Exit code 4: records were lost.

    Example: plumbwatt rescue sessions/2026-11-25-190312-winter-bench

    Parameters
    ----------
    session
        The session folder.
    """
    from monitor.commands.rescue import rescue

    return rescue(session)


@app.command
def doctor(*, json: Annotated[bool, Flag] = False) -> int:
    """Check radios, rights, libraries, terminal, disk and clock of this computer.

    Each line says ok, or what is wrong and the remedy. Exit code 3: neither radio can be used.

    Example: plumbwatt doctor

    Parameters
    ----------
    json
        Print a JSON list of the checks.
    """
    from monitor.commands.bench.checkup import doctor

    return doctor(json)


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command; the exit code.

    0 fine, 1 an internal error, 2 bad arguments or files, 3 a radio or device is missing, 4 a
    damaged session, 130 interrupted.
    """
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            # A name in another script must not end a recording on a terminal without UTF-8.
            stream.reconfigure(errors="replace")
    try:
        code = app(list(sys.argv[1:] if arguments is None else arguments))
    except CycloptsError as error:
        return _fail(EXIT_USAGE, f"{error} (see `plumbwatt --help`)")
    except KeyboardInterrupt:
        return _fail(EXIT_INTERRUPTED, "interrupted")
    except BrokenPipeError:
        _give_no_more()
        return EXIT_FINE
    except Exception as error:
        return _explain(error)
    code = code if isinstance(code, int) else EXIT_FINE
    try:
        if sys.stdout is not None:
            sys.stdout.flush()
    except BrokenPipeError:
        _give_no_more()
    except OSError as error:
        # What a library printed, as the help is.
        _give_no_more()
        return _fail(EXIT_USAGE, f"the output can't be written ({error.strerror or error})")
    return code


def _give_no_more() -> None:
    """Nothing more can be written: what is still buffered must not raise again at the exit."""
    if sys.stdout is not None:
        with contextlib.suppress(OSError, ValueError):
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


_REMEDIES = {
    errno.ENOSPC: "Make room where the output goes, or send it elsewhere",
    errno.EDQUOT: "Make room where the output goes, or send it elsewhere",
    errno.EMFILE: "This computer lets a program open too few files: `ulimit -n 256` raises that",
    errno.ENFILE: "Too many files are open on this computer: end other programs",
}


def _explain(error: Exception) -> int:
    """Say what went wrong in words for the operator; the exit code."""
    from capture.source import SourceError
    from monitor.commands.output import OutputError, UsageError
    from monitor.setup.toml_check import BenchError
    from storage.damage import DamagedSession, SessionError

    if isinstance(error, BenchError | UsageError | SessionError):
        return _fail(EXIT_USAGE, str(error))
    if isinstance(error, OutputError):
        _give_no_more()
        return _fail(EXIT_USAGE, str(error))
    if isinstance(error, SourceError):
        return _fail(EXIT_RADIO, str(error))
    if isinstance(error, DamagedSession):
        return _fail(EXIT_DAMAGED, f"{error}. Run `plumbwatt rescue {error.path}`.")
    if isinstance(error, OSError) and error.errno in _REMEDIES:
        _give_no_more()
        where = f"{error.filename}: " if error.filename is not None else ""
        return _fail(EXIT_USAGE, f"{where}{error.strerror}. {_REMEDIES[error.errno]}.")
    if isinstance(error, UnicodeEncodeError) and "surrogates" in error.reason:
        # How the system's file names come that are no UTF-8 (PEP 383).
        return _fail(EXIT_USAGE, f"{error.object}: this name is no UTF-8. Use another name.")
    if isinstance(error, OSError) and error.filename is not None:
        return _fail(EXIT_USAGE, f"{error.filename}: {error.strerror}")
    return _apologise(error)


def _apologise(error: Exception) -> int:
    import tempfile
    import traceback

    where = ""
    try:
        handle, name = tempfile.mkstemp(prefix="plumbwatt-error-", suffix=".txt")
        with open(handle, "w", encoding="utf-8", errors="replace") as file:
            file.write(f"plumbwatt {_version()}, {sys.platform}, Python {sys.version}\n\n")
            file.write("".join(traceback.format_exception(error)))
        where = f" The details are in {name}: please send them to the maintainers."
    except OSError:
        pass
    what = f"{type(error).__name__}: {error}"
    return _fail(EXIT_BUG, f"sorry, this is a bug of plumbwatt ({what}). What was recorded is kept.{where}")


def _fail(code: int, text: str) -> int:
    from monitor.commands.output import write_message

    write_message(f"plumbwatt: {text}")
    return code


if __name__ == "__main__":
    sys.exit(main())
