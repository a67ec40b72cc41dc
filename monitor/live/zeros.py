"""Zero offsets as instruments report them, those before, and whether one lies far from them."""

import math
import re
import statistics
from collections.abc import Sequence
from typing import Literal, NamedTuple

REPEATED_S = 2.5
"""The same zero told again within this time is the same one: ANT+ sends its answer several times.
Bluetooth sends it once, and when its unit is known it came that way."""
JUMP_NM, JUMP_N, JUMP_RAW, JUMP_SHARE = 0.5, 3.0, 16.0, 0.05
"""A zero that moves by less is no jump (common practice, no source): newton metres, newtons, and in a maker's
own unit counts or this share of the value, whichever is more."""
JUMP_SPREAD = 4.0
"""Nor is one within so many standard deviations of the zeros before, once there are four."""
_POWER = "2A66"

ZeroUnit = Literal["N·m", "N", "raw"]


class Zero(NamedTuple):
    """A zero offset as the instrument told it, and the same in `unit`."""

    raw: float
    unit: ZeroUnit

    @property
    def value(self) -> float:
        """In `unit`: 1/32 N·m is what Bluetooth counts torques in."""
        return self.raw / 32.0 if self.unit == "N·m" else self.raw

    @property
    def words(self) -> str:
        """`305 (9.53 N·m)`, or the number alone where its unit is the maker's secret."""
        return f"{self.raw:g} ({self.value:.2f} {self.unit})" if self.unit != "raw" else f"{self.raw:g}"


def zero_unit(channel: str, context: object) -> ZeroUnit:
    """The unit of a zero told on a channel; `context` is the fact `measurement_context`, if told.

    Cycling Power Service 1.1: an offset is a force in N or a torque in 1/32 N·m, by bit 16 of the
    feature. On ANT+ the unit is the maker's own.
    """
    if channel != _POWER:
        return "raw"
    return "N·m" if context == "torque" else "N" if context == "force" else "raw"


class Jump(NamedTuple):
    """A zero far from the ones before: by how much, what was allowed, and both in `unit`."""

    delta: float
    limit: float
    unit: ZeroUnit
    usual: float


def jump(earlier: Sequence[float], zero: Zero) -> Jump | None:
    """Whether a zero lies far from the earlier ones of the same unit; None: no, or nothing is known.

    `earlier` are values in the zero's own unit. Compared with their median; once there are four, their
    spread (median absolute deviation, times 1.4826 as for a normal distribution) widens the limit.
    """
    if not earlier:
        return None
    usual = statistics.median(earlier)
    floors = {"N·m": JUMP_NM, "N": JUMP_N, "raw": max(JUMP_RAW, JUMP_SHARE * abs(usual))}
    limit = floors[zero.unit]
    if len(earlier) >= 4:
        spread = 1.4826 * statistics.median(abs(value - usual) for value in earlier)
        limit = max(limit, JUMP_SPREAD * spread)
    delta = zero.value - usual
    return Jump(delta, limit, zero.unit, usual) if abs(delta) > limit else None


def history_text(zeros: Sequence[tuple[str, float]]) -> str:
    """Zeros of earlier sessions (date, raw value) as the text of an act `zero-history`."""
    return "; ".join(f"{raw:g} on {date}" for date, raw in zeros)


def read_history(text: str) -> list[tuple[str, float]]:
    """The zeros in the text of an act `zero-history`; what can't be read is left out."""
    found = re.findall(r"(-?\d+(?:\.\d+)?(?:e[+-]?\d+)?) on (\d{4}-\d\d-\d\d)", text)
    return [(date, float(raw)) for raw, date in found if math.isfinite(float(raw))]


class Zeros:
    """The zeros of one instrument: those of earlier sessions, then those of this one."""

    def __init__(self) -> None:
        self.earlier: list[tuple[str, float]] = []
        """Date and raw value, from the archive."""
        self.here: list[tuple[float, Zero]] = []
        """Session second and zero."""
        self.jump: Jump | None = None
        """Of the latest one."""
        self.jumped_s = -math.inf

    def take_history(self, text: str) -> None:
        """What an act `zero-history` tells; the latest one counts."""
        self.earlier = read_history(text)

    def take(self, t_s: float, zero: Zero) -> bool:
        """A zero was told; whether it is a new one."""
        again = bool(self.here) and zero == self.here[-1][1] and t_s - self.here[-1][0] < REPEATED_S
        if again and zero.unit == "raw":
            return False
        scale = 1 / 32.0 if zero.unit == "N·m" else 1.0
        before = [raw * scale for _, raw in self.earlier]
        before += [old.value for _, old in self.here if old.unit == zero.unit]
        self.jump = jump(before, zero)
        if self.jump is not None:
            self.jumped_s = t_s
        self.here.append((t_s, zero))
        return True

    def before_words(self) -> str:
        """The zeros before the latest one, in words; empty if there are none."""
        here = ", ".join(f"{zero.raw:g}" for _, zero in self.here[:-1][-3:])
        parts = [f"this session {here}"] if here else []
        parts += [f"{raw:g} on {date}" for date, raw in self.earlier[-3:]]
        return f"before: {', '.join(parts)}" if parts else ""
