"""`replay`: what was recorded, through the pipeline again."""

import asyncio
from pathlib import Path

from capture.log import LogScript
from monitor.commands.output import UsageError, has_screen, write_message, write_result
from monitor.finding import Finding
from monitor.sessions.derived import end_line, finding_line
from monitor.sessions.replay import Replay, bench_for_log, is_log, replay_log, replay_session
from monitor.setup.bench import Bench, load_bench

SHOWN_PROBLEMS = 10


def replay(
    path: Path, bench_file: Path | None, headless: bool, speed: float | None, out: Path | None = None
) -> int:
    """Replay a session or a capture log on the screen, or as lines; 4 if records were lost.

    With `out` a log becomes a session.
    """
    if not path.exists():
        from storage.session import open_session

        open_session(path)  # says what is near
    bench = load_bench(bench_file) if bench_file else None
    headless = headless or not has_screen()
    on_finding = _print if headless else None
    if speed is None:
        speed = float("inf") if headless else 1.0
    script = None
    if is_log(path):
        bench = log_bench(path, bench)
        if out is not None:
            from monitor.commands.live import record_log

            code = record_log(path, bench, headless, speed, out)
            # The recorder read it in a process of its own; here it is read once more for what is wrong.
            _, script = replay_log(path, bench)
            for _record in script.records():
                pass
            _tell_problems(path, script)
            return code
        player, script = replay_log(path, bench, on_finding)
    elif out is not None:
        raise UsageError(f"--out makes a session of a capture log; {path} is a session already.")
    else:
        player = replay_session(path, bench, on_finding)
    if headless:
        asyncio.run(player.feed(speed))
        write_result(end_line(player.pipeline, player.path))
    else:
        from monitor.dashboard.grounds import ground_now
        from monitor.dashboard.replaying import ReplayApp

        player.pace(speed)
        app = ReplayApp(player, ground=ground_now())
        app.run()
        if app.feed_error is not None:
            raise app.feed_error
    if script is not None:
        _tell_problems(path, script)
    return _judge(player) if player.closed else 0


def _tell_problems(path: Path, script: LogScript) -> None:
    """Name the lines that could not be used as written, and instruments that log and bench don't share."""
    for problem in script.problems[:SHOWN_PROBLEMS]:
        write_message(f"note: {path}, {problem}")
    others = script.problems[SHOWN_PROBLEMS:]
    if others:
        lines = ", ".join(dict.fromkeys(str(problem.line) for problem in others))
        more = " and more" if script.problem_count > len(script.problems) else ""
        write_message(
            f"note: {script.problem_count} problems in {path} in all, the others in lines {lines}{more}"
        )
    tally = script.tally
    for label, count in tally.skipped.items():
        write_message(
            f"note: {path}: {count} records of {label!r} are left out, no instrument has the link log:{label}"
        )
    for label in script.labels or ():
        if label not in tally.labels_seen:
            write_message(f"note: {path} has no packet of {label!r}: look at the link log:{label}")


def log_bench(path: Path, bench: Bench | None) -> Bench:
    """The bench for a log: the one given, if it has links to it, or one made from what is in it."""
    if bench is None:
        bench = bench_for_log(path)
        if bench is None:
            hint = 'Lines look like {"t": 1.5, "instrument": "hub", "ble": "2A63", "hex": "..."}.'
            raise UsageError(f"{path} holds no packet of a power instrument. {hint}")
        write_message(
            f"no bench given: {', '.join(i.label for i in bench.instruments)} against {bench.reference}"
        )
    elif not any(instrument.link.startswith("log:") for instrument in bench.instruments):
        raise UsageError(f'the bench has no link to a log. Write link = "log:LABEL" with a label of {path}.')
    return bench


def _print(finding: Finding) -> None:
    write_result(finding_line(finding))


def _judge(player: Replay) -> int:
    damage = player.damage
    if damage is None:
        return 0
    remedy = f"Run `plumbwatt rescue {player.path}`."
    if not damage.lossy:
        write_message(f"note: {player.path}: {damage.text}. All that was written is here. {remedy}")
        return 0
    write_message(f"plumbwatt: {player.path}: {damage.text}. {remedy}")
    return 4
