"""A trainer against what it was told: target and shown power per block, overshoot, time to settle.

What it was told is read from the requests that went out (fitness machine control point of FTMS 1.0,
the trainer's command pages 0x30 to 0x33), never from what the plan wanted.
"""

import math
from collections.abc import Iterator, Sequence
from typing import NamedTuple

import numpy as np

from capture.profiles.ant_trainer import BasicResistance, TargetPower, TrackResistance, WindResistance
from capture.profiles.fitness_machine import (
    RESET,
    SET_POWER,
    SET_RESISTANCE,
    SET_SIMULATION,
    STOP_OR_PAUSE,
    Request,
)
from capture.record import Write
from capture.sample import DecodeError
from monitor.analysis.statistics import Floats
from monitor.study.grid import GRADE, HELD, RESISTANCE
from monitor.study.parts.common import Shared
from monitor.study.results import TargetStudy, known

SETTLED_W, SETTLED_PART = 5.0, 0.05
"""A trainer has settled while it stays within 5 W or 5 % of its target (common practice, no source)."""
SETTLED_S = 5
"""For so many seconds on end."""
SMOOTH_S = 3
"""What is shown is looked at in means of three seconds: a pedal stroke is no overshoot."""
STEP_W = 10.0
"""A smaller change of the target makes no overshoot that could be told from the rider's."""
LEAST_S = 10
"""Fewer seconds of one load make no row."""


class Command(NamedTuple):
    """From `t_s` on: `kind` is held, grade, resistance, or empty where the trainer was let go.

    `value`: W, percent of grade; None where the request has none that is known here.
    """

    t_s: float
    instrument: str
    kind: str
    value: float | None


def commands_of(writes: Sequence[Write]) -> list[Command]:
    """What trainers were told, in order; requests that did not go out are left out."""
    found = []
    for write in writes:
        if write.outcome == "sent" and write.data and (command := _command(write)) is not None:
            found.append(command)
    return found


def _command(write: Write) -> Command | None:
    t_s, whom, data = write.t_ns / 1e9, write.instrument, write.data
    try:
        if write.channel == "2AD9":
            request = Request.from_bytes(data)
            if request.op == SET_POWER:
                return Command(t_s, whom, HELD, None if request.value is None else float(request.value))
            if request.op == SET_SIMULATION and request.simulation is not None:
                grade = request.simulation.grade_hundredths_percent / 100.0
                return Command(t_s, whom, GRADE, grade)
            if request.op == SET_RESISTANCE:
                return Command(t_s, whom, RESISTANCE, None)
            # Reset and stop let it go.
            return Command(t_s, whom, "", None) if request.op in (RESET, STOP_OR_PAUSE) else None
        if write.channel == "ant17" and data[0] == TargetPower.NUMBER:
            return Command(t_s, whom, HELD, TargetPower.from_bytes(data).power_w)
        if write.channel == "ant17" and data[0] == TrackResistance.NUMBER:
            return Command(t_s, whom, GRADE, TrackResistance.from_bytes(data).grade_percent)
        if write.channel == "ant17" and data[0] in (BasicResistance.NUMBER, WindResistance.NUMBER):
            return Command(t_s, whom, RESISTANCE if data[0] == BasicResistance.NUMBER else GRADE, None)
    except DecodeError:
        pass
    return None


def targets_of(shared: Shared) -> list[TargetStudy]:
    """A row for each trainer, segment and kind of load that it was told in it."""
    grid = shared.grid
    commands = commands_of(shared.recording.writes)
    rows: list[TargetStudy] = []
    for i in grid.powered:
        own = [c for c in commands if c.instrument == grid.labels[i]]
        if own:
            rows += _rows(shared, i, own)
    return rows


def _rows(shared: Shared, i: int, commands: Sequence[Command]) -> Iterator[TargetStudy]:
    grid = shared.grid
    shown = grid.sound_w[:, i]
    told_w, grade, kind = _by_second(commands, grid.seconds)
    for span in shared.spans:
        begin, end = grid.clip((math.ceil(span.start_s), math.floor(span.end_s)))
        settled = slice(*grid.clip(span.window()))
        for load in (HELD, GRADE, RESISTANCE):
            mine = np.array([k == load for k in kind[settled]], dtype=bool)
            good = mine & np.isfinite(shown[settled])
            if mine.sum() < LEAST_S or good.sum() < LEAST_S:
                continue
            shown_w = float(shown[settled][good].mean())
            target_w = slope = overshoot = settles = None
            if load == HELD:
                with_target = good & np.isfinite(told_w[settled])
                if with_target.sum() < LEAST_S:
                    continue
                target_w = float(told_w[settled][with_target].mean())
                shown_w = float(shown[settled][with_target].mean())
                overshoot, settles = _answer(shown, told_w, begin, end)
            elif load == GRADE and np.isfinite(grade[settled][good]).any():
                slope = float(np.nanmean(grade[settled][good]))
            yield TargetStudy(
                grid.labels[i], span.name, known(target_w, 1), known(shown_w, 1),
                known(None if target_w is None else shown_w - target_w, 1),
                known(overshoot, 1), known(settles, 0), load, known(slope, 2),
            )  # fmt: skip


def _by_second(commands: Sequence[Command], seconds: int) -> tuple[Floats, Floats, list[str]]:
    """Per second: target W, grade percent (nan: none), and the kind of load."""
    told_w, grade = np.full(seconds, np.nan), np.full(seconds, np.nan)
    kind = [""] * seconds
    ends = [c.t_s for c in commands[1:]] + [float(seconds)]
    for command, stop in zip(commands, ends, strict=True):
        a, b = max(0, math.ceil(command.t_s)), min(seconds, math.ceil(stop))
        if a >= b:
            continue
        kind[a:b] = [command.kind] * (b - a)
        value = math.nan if command.value is None else command.value
        told_w[a:b] = value if command.kind == HELD else math.nan
        grade[a:b] = value if command.kind == GRADE else math.nan
    return told_w, grade, kind


def _answer(shown: Floats, told_w: Floats, begin: int, end: int) -> tuple[float | None, float | None]:
    """Overshoot (W, beyond the target in the direction of its step) and seconds until it has settled.

    Counted from the second in which the target reached what it then was until the segment's end, and
    the step from the power that was shown before the segment. None where the target moves on, or was
    not changed.
    """
    targets = told_w[begin:end]
    if not len(targets) or not np.isfinite(targets[-1]):
        return None, None
    final = float(targets[-1])
    moving = np.flatnonzero(~(np.abs(targets - final) <= 0.5))
    first = begin + (int(moving[-1]) + 1 if len(moving) else 0)
    if end - first < max(LEAST_S, (end - begin) // 3):
        # It moved nearly to the end: a ramp, which it follows but never reaches.
        return None, None
    smooth = _smoothed(shown, begin, end)
    level = [float(x) for x in shown[max(0, begin - SMOOTH_S) : begin] if math.isfinite(x)]
    before = sum(level) / len(level) if level else math.nan
    overshoot = None
    if math.isfinite(before) and abs(final - before) >= STEP_W:
        way = math.copysign(1.0, final - before)
        beyond = way * (smooth[first - begin :] - final)
        known_ = beyond[np.isfinite(beyond)]
        overshoot = max(0.0, float(known_.max())) if len(known_) else None
    allowed = max(SETTLED_W, SETTLED_PART * final)
    near = np.abs(smooth - final) <= allowed
    for k in range(first - begin, len(near) - SETTLED_S + 1):
        if near[k : k + SETTLED_S].all():
            return overshoot, float(k - (first - begin))
    return overshoot, None


def _smoothed(shown: Floats, begin: int, end: int) -> Floats:
    """Centred means over SMOOTH_S seconds inside [begin, end); nan where one is not known."""
    half = SMOOTH_S // 2
    result = np.full(end - begin, np.nan)
    for k in range(begin, end):
        part = shown[max(begin, k - half) : min(end, k + half + 1)]
        if np.isfinite(part).all():
            result[k - begin] = part.mean()
    return result
