"""A ride file from a head unit as one more instrument: read, laid on the session's clock, joined.

The file has a clock of its own, in whole seconds. Its place is found from the shape of
the ride: the power of both must go up and down alike. A file that does not is refused.
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import msgspec
import numpy as np

from monitor.analysis.curve import COLUMNS, COVERED, LEFT, REVS, SIDED, TURNED, WORK
from monitor.analysis.lag import Floats
from monitor.setup.bench import Instrument, Mount, Role, Sides
from monitor.study.recording import Recording
from monitor.study.rides.place import LEAST_OVERLAP_S, correlations, place
from monitor.study.rides.ride import LARGEST_BYTES, RideFileError
from monitor.study.segments import row_median
from monitor.text import plain

HELD_S = 5
"""A value of the file stands for at most so many seconds (some head units write only changes)."""
LONGEST_S = 7 * 86_400
MOST_CLOCK_S = 7200.0
"""Head units keep time by satellite: a file that is further off was ridden at another time."""
__all__ = [
    "Alignment",
    "Ride",
    "RideFileError",
    "align",
    "correlations",
    "join",
    "read_ride",
    "session_power",
]

MOST_MESSAGES = 1_000_000
"""In a file; a record takes two octets there, and a hundred in memory. A ride of a week has 600 000."""
EVERY_SECOND = 0.9
"""Files that write so large a part of all seconds write every second, with holes."""


@dataclass(frozen=True, slots=True)
class Ride:
    """A ride file, one value a second; nan where it says nothing. `start_s` is Unix time of the first."""

    path: Path
    start_s: float
    power_w: Floats
    cadence_rpm: Floats
    left_percent: Floats


@dataclass(frozen=True, slots=True)
class Alignment:
    """Where the file lies: session time of its first second, and how sure that is.

    `likeness` is the correlation there, `rival` the best one elsewhere, `overlap_s` the
    seconds that both know. `clock_s`: by how much the file's clock is ahead of the
    session's, None if the session has no wall clock.
    """

    offset_s: float
    likeness: float
    rival: float
    overlap_s: int
    clock_s: float | None

    @property
    def words(self) -> str:
        """The quality in words."""
        clock = ""
        if self.clock_s is not None:
            clock = f", its clock {abs(self.clock_s):.1f} s {'ahead' if self.clock_s > 0 else 'behind'}"
        return (
            f"aligned by the shape of power: likeness {self.likeness:.3f} over {self.overlap_s} s "
            f"(elsewhere at best {self.rival:.2f}){clock}"
        )


# -- reading


def read_ride(path: Path) -> Ride:
    """Read a FIT activity. RideFileError: it is none, or has no power, with the reason."""
    try:
        size = path.stat().st_size
        if not path.is_file():
            raise RideFileError(path, "is no file", "Give the path of a FIT file")
    except OSError as error:
        raise RideFileError(path, error.strerror or "can't be read", "Give the path of a FIT file") from None
    if size > LARGEST_BYTES:
        raise RideFileError(path, "is larger than any ride", "Give the file of one ride")
    rows = list(_records(path))
    known = [(t, p, c, left) for t, p, c, left in rows if t is not None]
    if not known:
        problem = "holds no record of a ride" if not rows else "holds records without time stamps"
        raise RideFileError(path, problem, "Give the activity file that the head unit recorded")
    if not any(p is not None for _, p, _, _ in known):
        raise RideFileError(path, "holds no power", "Pair a power meter with the head unit and ride again")
    times = np.array([t for t, *_ in known])
    start, end = float(times.min()), float(times.max())
    if end - start > LONGEST_S:
        raise RideFileError(path, "spans more than a week", "Give the file of one ride")
    n = int(end - start) + 1
    series = [np.full(n, np.nan) for _ in range(3)]
    seen = np.zeros(n, dtype=bool)
    for t, *values in known:
        k = int(t - start)
        seen[k] = True
        for column, value in zip(series, values, strict=True):
            if value is not None:
                column[k] = value
    if seen.sum() < EVERY_SECOND * n:
        # Not every second is written: a value stands until the next one, for a while.
        series = [_held(column, seen) for column in series]
    power, cadence, left = series
    return Ride(path, start, power, cadence, left)


def _records(path: Path) -> Iterator[tuple[float | None, float | None, float | None, float | None]]:
    """Time, power, cadence, left percentage of each record of a FIT file."""
    try:
        import fitdecode
    except ImportError:
        remedy = "Install it with `pip install 'plumbwatt[ride-files]'`"
        raise RideFileError(path, "can't be read: the library for ride files is missing", remedy) from None
    try:
        with fitdecode.FitReader(
            str(path), check_crc=fitdecode.CrcCheck.RAISE, error_handling=fitdecode.ErrorHandling.RAISE
        ) as reader:
            for number, frame in enumerate(reader):
                if number >= MOST_MESSAGES:
                    problem = f"holds more than {MOST_MESSAGES} messages"
                    raise RideFileError(path, problem, "Give the file of one ride")
                if isinstance(frame, fitdecode.FitDataMessage) and frame.name == "record":
                    yield _values(frame)
    except RideFileError:
        raise
    except Exception as error:
        # The library meets any octets here and has no one class for what they may break in it.
        reason = plain(str(error), 160) or type(error).__name__
        remedy = "Give a whole FIT activity file"
        raise RideFileError(path, f"is no readable FIT file ({reason})", remedy) from None


def _values(frame: Any) -> tuple[float | None, float | None, float | None, float | None]:
    stamp = frame.get_value("timestamp", fallback=None)
    t = None
    if hasattr(stamp, "timestamp"):
        t = float(stamp.timestamp())
    elif isinstance(stamp, int | float):
        t = float(stamp)
    balance = frame.get_value("left_right_balance", fallback=None)
    left = None
    if isinstance(balance, int) and 0 <= balance <= 0xFF:
        # The highest bit says that the share is the right side's; without it nobody knows whose.
        left = 100.0 - (balance & 0x7F) if balance & 0x80 else None
    elif isinstance(balance, dict | str):
        left = None
    return t, _number(frame, "power", 0.0, 4000.0), _number(frame, "cadence", 0.0, 254.0), left


def _number(frame: Any, name: str, low: float, high: float) -> float | None:
    value = frame.get_value(name, fallback=None)
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        return None
    return float(value) if low <= value <= high else None


def _held(values: Floats, seen: "np.ndarray[tuple[int], np.dtype[np.bool_]]") -> Floats:
    at = np.where(seen, np.arange(len(values)), -1)
    last = np.maximum.accumulate(at)
    age = np.arange(len(values)) - last
    result: Floats = np.where((last >= 0) & (age <= HELD_S), values[np.maximum(last, 0)], np.nan)
    return result


# -- alignment


def align(ride: Ride, recording: Recording) -> Alignment:
    """The place of a ride on the session's clock. RideFileError: it is not the same ride, with figures."""
    session_w = session_power(recording)
    least = min(LEAST_OVERLAP_S, len(session_w), len(ride.power_w))
    if least < 60:
        raise RideFileError(ride.path, "is too short to be placed", "Give a ride of at least a minute")
    found = place(session_w, ride.power_w, least, ride.path)
    offset = found.offset_s
    clock = None
    if recording.header.utc_ns:
        clock = ride.start_s - (recording.header.utc_ns / 1e9 + offset)
        if abs(clock) > MOST_CLOCK_S:
            raise RideFileError(
                ride.path,
                "was recorded at another time: where its power fits, its clock is off by "
                f"{abs(clock) / 3600:.1f} h",
                "Give the file that was recorded during this session",
            )
    return Alignment(offset, found.likeness, found.rival, found.overlap_s, clock)


def session_power(recording: Recording) -> Floats:
    """The median power of a session's instruments, one value a second, W; nan where none is known."""
    which = [i for i, x in enumerate(recording.bench.instruments) if x.measures_power]
    cells = recording.cells[:, which]
    with np.errstate(invalid="ignore", divide="ignore"):
        power = np.where(cells[:, :, COVERED] > 0.5, cells[:, :, WORK] / cells[:, :, COVERED], np.nan)
    return row_median(power)


# -- joining


def join(
    recording: Recording,
    ride: Ride,
    alignment: Alignment,
    label: str,
    *,
    mount: Mount = "crank",
    role: Role = "witness",
    claim_percent: float | None = None,
) -> Recording:
    """The session with the ride as one more instrument; the old one is not changed.

    ValueError if the label is taken. Its work lies where the alignment says, to parts of a
    second; seconds that the file does not know are not covered.
    """
    if label in recording.labels:
        raise ValueError(f'"{label}" is an instrument of the session already: choose another label')
    sides: Sides = "both" if np.isfinite(ride.left_percent).sum() > 60 else "total"
    seconds = len(recording.cells)
    cells = np.zeros((seconds, 1, COLUMNS))
    power, part = _placed(ride.power_w, alignment.offset_s, seconds)
    cells[:, 0, WORK], cells[:, 0, COVERED] = power, part
    if sides == "both":
        left, known = _placed(ride.power_w * ride.left_percent / 100.0, alignment.offset_s, seconds)
        cells[:, 0, LEFT], cells[:, 0, SIDED] = left, known
    turned, known = _placed(ride.cadence_rpm / 60.0, alignment.offset_s, seconds)
    cells[:, 0, REVS], cells[:, 0, TURNED] = turned, known
    instrument = Instrument(
        label=label, link=f"log:{label}", role=role, mount=mount, sides=sides, claim_percent=claim_percent,
        notes=f"ride file {plain(ride.path.name, 60)}, {alignment.words}",
    )  # fmt: skip
    bench = msgspec.structs.replace(recording.bench, instruments=(*recording.bench.instruments, instrument))
    nothing = np.zeros(0)
    return replace(
        recording,
        bench=bench,
        cells=np.concatenate([recording.cells, cells], axis=1),
        arrivals=[*recording.arrivals, nothing],
        shown=[*recording.shown, nothing.reshape(0, 2)],
    )


def _placed(values: Floats, offset_s: float, seconds: int) -> tuple[Floats, Floats]:
    """Amounts per second of the session, and the known part of each second, from values of the file."""
    known = np.isfinite(values)
    total = np.concatenate(([0.0], np.cumsum(np.where(known, values, 0.0))))
    time = np.concatenate(([0.0], np.cumsum(known)))
    knots = offset_s + np.arange(len(values) + 1.0)
    at = np.arange(seconds + 1.0)
    return np.diff(np.interp(at, knots, total)), np.diff(np.interp(at, knots, time))
