"""`weigh`: the static check with known masses, led through step by step and set beside what was ridden."""

import sys
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import NamedTuple

import msgspec

from monitor.commands.output import UsageError, table, write_message, write_result
from monitor.setup.bench import Bench, Instrument, load_bench, stated
from monitor.text import plain
from monitor.weighing.gravity import gravity_of
from monitor.weighing.kept import WEIGHTS, Check, keep_check
from monitor.weighing.loads import Load, Setup, Side, problem
from monitor.weighing.plan import CAUTIONS, read_table, steps, words
from monitor.weighing.result import Weighed, missing, weigh

MASSES_KG = (5.0, 10.0, 20.0)


HEADS = ("side", "verdict", "gain", "±", "zero N·m", "±", "hysteresis N·m", "torque N·m", "furthest N·m")


class Wanted(NamedTuple):
    """What the command line says of a check."""

    instrument: str
    masses_kg: tuple[float, ...]
    mass_tolerance_percent: float
    crank_length_mm: float | None
    level_deg: float
    resolution_nm: float
    gravity_mps2: float | None
    latitude_deg: float | None
    height_m: float | None
    readings: Path | None
    by_radio: bool
    json: bool


class _Found(NamedTuple):
    """Where a check belongs: the bench, the file that keeps it, the session's folder (None: a bench file)."""

    bench: Bench
    keep: Path
    session: Path | None


def weigh_command(where: Path, wanted: Wanted) -> int:
    """Lead through a static check, or take its readings from a file or a session; print and keep it."""
    found = _find(where)
    instrument = _instrument(found.bench, wanted.instrument)
    setup = _setup(instrument, wanted)
    sides = _sides(instrument)
    for line in CAUTIONS:
        write_message(f"caution: {line}")
    loads, radio = _loads(found, instrument, sides, wanted)
    results = weigh(loads, setup, instrument.claim_percent)
    for side in sides:
        if lack := missing(loads, setup, side):
            write_message(f"{side}: no result, {lack}")
    check = Check(
        datetime.now(UTC).isoformat(timespec="seconds").replace("+00:00", "Z"),
        instrument.label, _serial(found, instrument), setup.gravity.value_mps2, setup.gravity.source,
        setup.crank_length_mm, setup.mass_tolerance_percent, setup.level_deg, setup.resolution_nm,
        loads, radio, results,
    )  # fmt: skip
    if loads:
        keep_check(found.keep, check)
        write_message(f"kept in {found.keep}")
    if wanted.json:
        write_result(msgspec.json.encode(check).decode())
    else:
        for line in result_lines(check, _ridden(found, instrument)):
            write_result(line)
    return 0


# -- what is weighed


def _find(where: Path) -> _Found:
    if where.suffix == ".toml":
        return _Found(load_bench(where), where.with_suffix(".weights.json"), None)
    from monitor.sessions.settings import recorded_settings
    from storage.journal import read_journal
    from storage.session import open_session

    path = open_session(where).path
    header, _ = read_journal(path)
    bench, _ = recorded_settings(header, path)
    return _Found(bench, path / WEIGHTS, path)


def _instrument(bench: Bench, label: str) -> Instrument:
    labels = [each.label for each in bench.instruments if each.measures_power]
    if label not in labels:
        raise UsageError(f"the bench has no power meter {plain(label, 20)!r}: it has {', '.join(labels)}.")
    instrument = next(each for each in bench.instruments if each.label == label)
    if instrument.mount == "hub":
        raise UsageError(
            f"{label} sits in the hub: a mass on the pedal reaches it through gears and chain. "
            "Weigh instruments at pedals, crank, spider or chainring."
        )
    return instrument


def _sides(instrument: Instrument) -> tuple[Side, ...]:
    if instrument.sides == "both":
        return "left", "right"
    if instrument.sides in ("left", "right"):
        return (instrument.sides,)
    return ("total",)


def _setup(instrument: Instrument, wanted: Wanted) -> Setup:
    length = wanted.crank_length_mm or instrument.crank_length_mm
    if length is None:
        raise UsageError(
            f"the crank length of {instrument.label} is not known: give --crank-length 172.5, "
            "or crank_length_mm in the bench."
        )
    if not 50.0 <= length <= 300.0:
        raise UsageError(f"a crank length lies from 50 to 300 mm, not at {length:g}.")
    if not wanted.masses_kg or any(not 0.0 < mass <= 200.0 for mass in wanted.masses_kg):
        raise UsageError("masses lie above 0 and up to 200 kg: --masses 5,10,20")
    try:
        gravity = gravity_of(wanted.gravity_mps2, wanted.latitude_deg, wanted.height_m)
    except ValueError as error:
        raise UsageError(f"{error}.") from None
    return Setup(
        gravity,
        length,
        mass_tolerance_percent=wanted.mass_tolerance_percent,
        level_deg=wanted.level_deg,
        resolution_nm=wanted.resolution_nm,
    )


def _serial(found: _Found, instrument: Instrument) -> str:
    named = stated(instrument).get("serial", "")
    if not named and found.session is not None:
        from storage.info import read_info

        info = read_info(found.session)
        own = [each for each in info.instruments if each.label == instrument.label] if info else []
        named = own[0].reported.get("serial", "") if own else ""
    return str(named)


# -- readings


def _loads(
    found: _Found, instrument: Instrument, sides: tuple[Side, ...], wanted: Wanted
) -> tuple[list[Load], int]:
    """The loads with their readings, and how many of them came by radio."""
    if wanted.readings is not None:
        try:
            return read_table(wanted.readings), 0
        except ValueError as error:
            raise UsageError(f"{error}.") from None
    if wanted.by_radio:
        if found.session is None:
            raise UsageError(
                "readings by radio stand in a session: record one, note each load as it hangs "
                "(`weight 20.01 kg right 0 up`), and give its folder."
            )
        from monitor.sessions.weighed import loads_by_radio

        heard = loads_by_radio(found.session, instrument.label, sides)
        if heard.unread:
            write_message(
                f"{heard.unread} noted loads have no reading: {instrument.label} reported no torque then"
            )
        return heard.loads, len(heard.loads)
    return ask(sides, wanted.masses_kg, _answer), 0


def ask(sides: Sequence[Side], masses_kg: Sequence[float], answer: Callable[[str], str | None]) -> list[Load]:
    """Lead through all steps; `answer` takes a question and gives what was typed (None: no more is)."""
    loads: list[Load] = []
    every = list(steps(sides, masses_kg))
    write_message("type each reading in N·m; Enter leaves one out, b takes the last one back, q ends")
    at = 0
    while at < len(every):
        side, angle, mass, direction = every[at]
        typed = answer(f"{at + 1} of {len(every)}, {words(side, angle, mass, direction)}: ")
        if typed is None or typed.strip().lower() == "q":
            break
        typed = typed.strip().lower().replace(",", ".").removesuffix("n·m").removesuffix("nm")
        if typed == "b":
            at = max(0, at - 1)
            loads = [load for load in loads if load[:4] != every[at]]
            continue
        if typed:
            try:
                load = Load(side, angle, mass, direction, float(typed))
                wrong = problem(load)
            except ValueError:
                wrong = f"{plain(typed, 20)!r} is no number"
            if wrong:
                write_message(f"{wrong}. Type it again, or press Enter to leave it out.")
                continue
            loads.append(load)
        at += 1
    return loads


def _answer(question: str) -> str | None:
    sys.stderr.write(question)
    sys.stderr.flush()
    line = sys.stdin.readline() if sys.stdin is not None else ""
    return line if line else None


# -- what was ridden, and the lines


class Ridden(NamedTuple):
    """A gain as it was ridden: of whom, against whom, with its 95 % half-width."""

    instrument: str
    reference: str
    gain: float
    u95: float


def _ridden(found: _Found, instrument: Instrument) -> list[Ridden]:
    """Gains of the session's study: of the instrument that was weighed, and of the trusted ones."""
    if found.session is None:
        return []
    from monitor.sessions.exports.exporting import read_study
    from monitor.sessions.vouched import STUDY, up_to_date

    latest = up_to_date(found.session).get(STUDY)
    if latest is None:
        write_message(f"`plumbwatt study {found.session}` first, to see the ridden gains beside it")
        return []
    study = read_study(latest)
    trusted = [each.label for each in found.bench.instruments if each.role != "on-test"]
    result = []
    for label in dict.fromkeys([instrument.label, *trusted]):
        one = study.instruments.get(label)
        if one is not None and one.gain is not None and one.gain_u95 is not None:
            result.append(Ridden(label, found.bench.reference, one.gain, one.gain_u95))
    return result


def result_lines(check: Check, ridden: Sequence[Ridden]) -> list[str]:
    """The result for a terminal: a table a side, what the interval is made of, and the ridden gains."""
    lines = [
        f"{check.instrument} against known masses: crank {check.crank_length_mm:g} mm, "
        f"gravity {check.gravity_mps2:.4f} m/s² ({check.gravity}), {len(check.loads)} readings"
    ]
    if not check.results:
        return [*lines, "no result: too few readings"]
    rows: list[tuple[str, ...]] = [HEADS]
    for each in check.results:
        rows.append(_row(each))
    lines += table(rows)
    for each in check.results:
        parts = ", ".join(f"{part.name} {part.percent:.2f} %" for part in each.budget)
        lines.append(f"{each.side}: the gain's standard uncertainty is made of {parts}")
    for one in ridden:
        lines.append(f"ridden: {one.instrument} against {one.reference}, gain {one.gain:.3f} ± {one.u95:.3f}")
    return lines


def _row(one: Weighed) -> tuple[str, ...]:
    both = one.hysteresis_nm is not None and one.hysteresis_u95_nm is not None
    return (
        one.side,
        "no claim" if one.verdict is None else f"{one.verdict} (claim {one.claim_percent:g} %)",
        f"{one.gain:.4f}",
        f"{one.gain_u95:.4f}",
        f"{one.zero_nm:+z.2f}",
        f"{one.zero_u95_nm:.2f}",
        f"{one.hysteresis_nm:+z.2f} ± {one.hysteresis_u95_nm:.2f}" if both else "not read both ways",
        f"{one.least_nm:.1f} to {one.most_nm:.1f}",
        f"{one.furthest_nm:+z.2f}",
    )
