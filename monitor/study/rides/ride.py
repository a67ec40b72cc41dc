"""A ride file after reading: values with the seconds for which each stands, pauses, laps, and what was wrong.

Both readers (`fit`, `table`) end here. Times are those of the file's own clock: Unix seconds, or seconds
from an unknown beginning.
"""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path
from typing import NamedTuple

import numpy as np

from monitor.analysis.lag import Floats

MOST_HELD_S = 12.0
"""Seconds. Recording of changes only writes at least this often (common practice, no source)."""
SMART_PART = 0.1
"""A file whose records leave out more than this part of the time was recorded by changes only."""
EVERY_S = 1.5
"""Seconds. A file that writes every second vouches for so long after a record, clocks in whole seconds."""
LONGEST_S = 7 * 86_400.0
LARGEST_BYTES = 64 << 20
MOST_RECORDS = 1_000_000
"""A ride of a week has 600 000."""


class RideFileError(ValueError):
    """A ride file that can't join: what is wrong, and what to do."""

    def __init__(self, path: Path, problem: str, remedy: str) -> None:
        self.path, self.problem, self.remedy = path, problem, remedy
        super().__init__(f"{path}: {problem}. {remedy}.")


class Row(NamedTuple):
    """One record as written. None: it does not say.

    `share_percent` is of the left side if `side_known`; `left_w` and `right_w` where the file names
    both.
    """

    time_s: float
    power_w: float | None = None
    cadence_rpm: float | None = None
    share_percent: float | None = None
    side_known: bool = False
    left_w: float | None = None
    right_w: float | None = None


class Lap(NamedTuple):
    """A lap, or a named step of a workout; `pressed`: a person began the next one."""

    name: str
    start_s: float
    end_s: float
    pressed: bool


class Pause(NamedTuple):
    """The timer stood still."""

    start_s: float
    end_s: float


class Held(NamedTuple):
    """A record and for how many seconds it stands."""

    row: Row
    held_s: float


@dataclass(frozen=True)
class RideFile:
    """One ride. `rows` in ascending time, each time once; `utc`: times are Unix seconds.

    `facts` is what the file tells of the power meter; `problems` are sentences on what was wrong with it.
    """

    path: Path
    kind: str
    rows: Sequence[Row]
    utc: bool
    pauses: Sequence[Pause] = ()
    laps: Sequence[Lap] = ()
    facts: dict[str, str] = field(default_factory=dict)
    problems: Sequence[str] = ()

    @property
    def start_s(self) -> float:
        """The first record."""
        return self.rows[0].time_s

    @property
    def end_s(self) -> float:
        """The last record."""
        return self.rows[-1].time_s

    @property
    def by_changes(self) -> bool:
        """Whether only changes were written (smart recording), and gaps of seconds are none."""
        gaps = np.diff([row.time_s for row in self.rows])
        gaps = gaps[gaps <= MOST_HELD_S]
        return bool(len(gaps)) and float((gaps > EVERY_S).sum()) > SMART_PART * len(gaps)

    def held(self) -> Iterator[Held]:
        """Every record with the seconds for which it stands: to the next one, to a pause, or to its limit."""
        limit_s = MOST_HELD_S if self.by_changes else EVERY_S
        usual_s = self._usual_s()
        starts = [pause.start_s for pause in self.pauses]
        at = 0
        for row, following in zip(self.rows, [*self.rows[1:], None], strict=True):
            gap_s = following.time_s - row.time_s if following is not None else usual_s
            while at < len(starts) and starts[at] < row.time_s:
                at += 1
            if at < len(starts) and starts[at] < row.time_s + gap_s:
                gap_s = min(starts[at] - row.time_s, usual_s) if starts[at] > row.time_s else 0.0
            elif gap_s > limit_s:
                gap_s = min(usual_s, limit_s)
            if gap_s > 0.0:
                yield Held(row, gap_s)

    def _usual_s(self) -> float:
        gaps = np.diff([row.time_s for row in self.rows])
        return min(EVERY_S, float(np.median(gaps))) if len(gaps) else 1.0

    def seconds(self) -> tuple[float, Floats]:
        """The first whole second, and the mean power of each second from there, W; nan where not known."""
        begin = math.floor(self.start_s)
        n = math.ceil(self.end_s - begin) + 2
        work, known = np.zeros(n), np.zeros(n)
        for row, held_s in self.held():
            if row.power_w is None:
                continue
            a = row.time_s - begin
            b = min(a + held_s, float(n))
            for k in range(int(a), min(n, math.ceil(b))):
                part = min(b, k + 1.0) - max(a, float(k))
                work[k] += part * row.power_w
                known[k] += part
        with np.errstate(invalid="ignore", divide="ignore"):
            power: Floats = np.where(known > 0.5, work / known, np.nan)
        return float(begin), power


def checked(
    path: Path,
    kind: str,
    rows: Sequence[Row],
    *,
    utc: bool,
    pauses: Sequence[Pause] = (),
    laps: Sequence[Lap] = (),
    facts: dict[str, str] | None = None,
    problems: Sequence[str] = (),
) -> RideFile:
    """Rows put in order, each time once. RideFileError: they make no ride, with the reason."""
    if not rows:
        raise RideFileError(path, "holds no record of a ride", _WHOLE)
    if not any(row.power_w is not None for row in rows):
        raise RideFileError(path, "holds no power", "Pair a power meter with the head unit and ride again")
    notes = list(problems)
    ordered = sorted(rows, key=lambda row: row.time_s)
    if any(a.time_s > b.time_s for a, b in pairwise(rows)):
        notes.append("its records were not in order of time, and were sorted")
    unique: list[Row] = []
    for row in ordered:
        if unique and unique[-1].time_s == row.time_s:
            unique[-1] = row
        else:
            unique.append(row)
    if len(unique) < len(ordered):
        notes.append(f"{len(ordered) - len(unique)} records share a time with another, the last one counts")
    if unique[-1].time_s - unique[0].time_s > LONGEST_S:
        raise RideFileError(path, "spans more than a week", "Give the file of one ride")
    still = _ordered(pauses)
    # What is written while the timer stands still is nobody's time.
    ridden = [row for row in unique if not any(p.start_s < row.time_s < p.end_s for p in still)]
    if not any(row.power_w is not None for row in ridden):
        raise RideFileError(path, "holds no power while its timer ran", _WHOLE)
    return RideFile(path, kind, ridden, utc, still, laps, facts or {}, notes)


_WHOLE = "Give the activity file that the head unit recorded"


def _ordered(pauses: Sequence[Pause]) -> list[Pause]:
    """Pauses in order, those that touch made one, those of no length left out."""
    found: list[Pause] = []
    for pause in sorted(pauses):
        if pause.end_s <= pause.start_s:
            continue
        if found and pause.start_s <= found[-1].end_s:
            found[-1] = Pause(found[-1].start_s, max(found[-1].end_s, pause.end_s))
        else:
            found.append(pause)
    return found
