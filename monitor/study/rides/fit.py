"""FIT activities (Flexible and Interoperable Data Transfer), read as far as they go.

A head unit that lost power leaves a file without its last octets, or without its length in the header.
What stands before that is a ride all the same; what was wrong is said beside it.
"""

import io
import math
import re
import struct
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from monitor.study.rides.ride import (
    LARGEST_BYTES,
    MOST_RECORDS,
    Lap,
    Pause,
    RideFile,
    RideFileError,
    Row,
    checked,
)
from monitor.text import plain

MOST_POWER_W = 4000.0
BIKE_POWER = 11
"""ANT+ device type of a power meter, as `device_info` names it (ANT+ Managed Network)."""
_HEADER = struct.Struct("<BBHI4s")
"""Length of the header, protocol, profile, octets of data, `.FIT` (FIT protocol, file header)."""
_SIDE = re.compile(r"(?<![a-z])(left|right)(?![a-z])")
_STOPS, _STARTS = ("stop", "stop_all", "stop_disable", "stop_disable_all"), ("start",)
_PRESSED = ("manual", "session_end", "time", "fitness_equipment")
LONGEST_LAP_S = 1e6
"""Eleven days: more is no time of a lap."""


def read_fit(path: Path) -> RideFile:
    """Read a FIT activity as far as it goes. RideFileError: there is no ride in it, with the reason."""
    data = read_octets(path)
    reader = _Reader(path)
    reader.read(data)
    return checked(
        path,
        "FIT",
        reader.rows,
        utc=True,
        pauses=list(reader.pauses()),
        laps=reader.named_laps(),
        facts=reader.facts(),
        problems=reader.problems,
    )


def read_octets(path: Path) -> bytes:
    """The file, within bounds. RideFileError: it is no plain file, or larger than any ride."""
    remedy = "Give the path of a ride file"
    try:
        size = path.stat().st_size
        if not path.is_file():
            raise RideFileError(path, "is no file", remedy)
        if size > LARGEST_BYTES:
            raise RideFileError(path, "is larger than any ride", "Give the file of one ride")
        return path.read_bytes()
    except OSError as error:
        raise RideFileError(path, error.strerror or "can't be read", remedy) from None


class _Reader:
    """Collects the messages of one file that matter here."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.rows: list[Row] = []
        self.problems: list[str] = []
        self._events: list[tuple[float, bool]] = []
        """Timer events: when, and whether it stopped."""
        self._laps: list[tuple[float, float, str, int | None]] = []
        self._steps: dict[int, str] = {}
        self._devices: list[dict[str, Any]] = []
        self._sides: dict[str, str] = {}
        """Developer fields that name the power of a side: field name to side."""
        self._wild = 0

    def read(self, data: bytes) -> None:
        """Take all messages up to the first that can't be read."""
        try:
            import fitdecode
        except ImportError:
            problem = "can't be read: the library for ride files is missing"
            raise RideFileError(
                self.path, problem, "Install it with `pip install 'plumbwatt[ride-files]'`"
            ) from None
        data = self._with_length(data)
        try:
            with fitdecode.FitReader(
                io.BytesIO(data),
                check_crc=fitdecode.CrcCheck.READONLY,
                error_handling=fitdecode.ErrorHandling.RAISE,
            ) as reader:
                for number, frame in enumerate(reader):
                    if number >= MOST_RECORDS:
                        problem = f"holds more than {MOST_RECORDS} messages"
                        raise RideFileError(self.path, problem, "Give the file of one ride")
                    if isinstance(frame, fitdecode.FitDataMessage):
                        self._message(frame)
                    elif isinstance(frame, fitdecode.FitCRC) and not frame.matched:
                        self._say("its checksum is wrong: some of its values may be wrong")
        except RideFileError:
            raise
        except Exception as error:
            # The library meets any octets here and has no one class for what they may break in it.
            reason = plain(str(error), 120) or type(error).__name__
            if not self.rows:
                raise RideFileError(
                    self.path, f"is no readable FIT file ({reason})", "Give a FIT activity file"
                ) from None
            self._say("it is cut off or damaged, and was read as far as it goes")
        if self._wild:
            self._say(f"{self._wild} impossible values were left out")

    def _with_length(self, data: bytes) -> bytes:
        """The file with the length that it really has in its header, if that can't be right."""
        if len(data) < _HEADER.size:
            return data
        size, protocol, profile, stated, magic = _HEADER.unpack_from(data)
        if magic != b".FIT" or size < _HEADER.size or size > len(data):
            return data
        there = len(data) - size
        if stated == 0 or stated > there:
            # Two octets of checksum would follow, but nobody wrote them.
            self._say("it was never closed: its end and its checksum are missing")
            rest = b"\0\0" + data[14:size] if size >= 14 else b""
            return _HEADER.pack(size, protocol, profile, there, magic) + rest + data[size:]
        return data

    def _say(self, problem: str) -> None:
        if problem not in self.problems:
            self.problems.append(problem)

    # -- messages

    def _message(self, frame: Any) -> None:
        name = frame.name
        if name == "record":
            self._record(frame)
        elif name == "event" and frame.get_value("event", fallback=None) == "timer":
            at = _seconds(frame, "timestamp")
            kind = frame.get_value("event_type", fallback=None)
            if at is not None and kind in (*_STOPS, *_STARTS):
                self._events.append((at, kind in _STOPS))
        elif name == "lap":
            self._lap(frame)
        elif name == "workout_step":
            index, text = _value(frame, "message_index"), _value(frame, "wkt_step_name")
            if isinstance(index, int) and isinstance(text, str) and text.strip():
                self._steps[index] = plain(text.strip(), 60)
        elif name == "device_info" and len(self._devices) < 1000:
            self._devices.append(
                {
                    key: _value(frame, key)
                    for key in (
                        "device_type", "antplus_device_type", "serial_number", "manufacturer", "product",
                        "product_name", "software_version", "battery_voltage",
                    )
                }
            )  # fmt: skip
        elif name == "field_description":
            self._described(frame)

    def _record(self, frame: Any) -> None:
        at = _seconds(frame, "timestamp")
        if at is None:
            return
        cadence = self._number(frame, "cadence", 0.0, 254.0)
        part = self._number(frame, "fractional_cadence", 0.0, 1.0)
        share, known = self._balance(frame)
        sides: dict[str, float | None] = {"left": None, "right": None}
        for field, side in self._sides.items():
            value = self._number(frame, field, -500.0, MOST_POWER_W)
            sides[side] = value if value is not None else sides[side]
        power = self._number(frame, "power", 0.0, MOST_POWER_W)
        left, right = sides["left"], sides["right"]
        if power is None and left is not None and right is not None:
            power = left + right
        self.rows.append(
            Row(
                at, power, cadence + (part or 0.0) if cadence is not None else None, share, known, left, right
            )
        )

    def _balance(self, frame: Any) -> tuple[float | None, bool]:
        """Percent of the left side, or of an unknown one, and whether it is known to be the left."""
        # As written: the library has words for two of the values.
        raw = frame.get_raw_value("left_right_balance", fallback=None)
        if not isinstance(raw, int) or isinstance(raw, bool) or not 0 <= raw <= 0xFF or raw & 0x7F > 100:
            return None, False
        # The highest bit says that the share is the right side's; without it nobody knows whose.
        return (100.0 - (raw & 0x7F), True) if raw & 0x80 else (float(raw), False)

    def _number(self, frame: Any, name: str, low: float, high: float) -> float | None:
        value = _value(frame, name)
        if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
            return None
        if low <= value <= high:
            return float(value)
        self._wild += 1
        return None

    def _described(self, frame: Any) -> None:
        """A developer field that names the power of one side, such as "Left Power" in watts."""
        name, unit = _value(frame, "field_name"), _value(frame, "units")
        if not isinstance(name, str) or len(self._sides) >= 2:
            return
        words = re.sub(r"[^a-z]+", " ", re.sub(r"([a-z])([A-Z])", r"\1 \2", name).lower())
        sides = set(_SIDE.findall(words))
        watts = isinstance(unit, str) and unit.strip().lower() in ("w", "watt", "watts")
        names_power = "power" in words.split() and "balance" not in words and "phase" not in words
        if len(sides) == 1 and (watts or (names_power and not unit)):
            side = sides.pop()
            if side not in self._sides.values():
                self._sides[name] = side

    def _lap(self, frame: Any) -> None:
        start, end = _seconds(frame, "start_time"), _seconds(frame, "timestamp")
        elapsed = _value(frame, "total_elapsed_time")
        if start is not None and isinstance(elapsed, int | float) and 0.0 < elapsed < LONGEST_LAP_S:
            # Thousandths; the time stamp has whole seconds.
            end = start + float(elapsed)
        if start is None or end is None or end <= start:
            return
        trigger, step = _value(frame, "lap_trigger"), _value(frame, "wkt_step_index")
        self._laps.append(
            (start, end, str(trigger) if trigger is not None else "", step if isinstance(step, int) else None)
        )

    # -- what comes of them

    def pauses(self) -> Iterator[Pause]:
        """From each stop of the timer to the next start."""
        stopped: float | None = None
        last = max((row.time_s for row in self.rows), default=0.0)
        for at, stops in sorted(self._events, key=lambda event: event[0]):
            if stops and stopped is None:
                stopped = at
            elif not stops and stopped is not None:
                yield Pause(stopped, at)
                stopped = None
        if stopped is not None and last > stopped:
            yield Pause(stopped, last + 1.0)

    def named_laps(self) -> list[Lap]:
        """Laps in order; named after the step of the workout, else by number."""
        laps = []
        for number, (start, end, trigger, step) in enumerate(sorted(self._laps), 1):
            name = self._steps.get(step, "") if step is not None else ""
            pressed = bool(name) or not trigger or trigger in _PRESSED
            laps.append(Lap(name or f"lap {number}", start, end, pressed))
        return laps

    def facts(self) -> dict[str, str]:
        """What the head unit heard of the power meter, if it had just one."""
        meters = [
            d for d in self._devices if BIKE_POWER in (d["device_type"], d["antplus_device_type"])
            or "bike_power" in (d["device_type"], d["antplus_device_type"])
        ]  # fmt: skip
        serials = {d["serial_number"] for d in meters if d["serial_number"]}
        if len(serials) > 1:
            return {}
        found: dict[str, str] = {}
        for d in meters:
            for key, name in (
                ("serial", "serial_number"), ("manufacturer", "manufacturer"), ("model", "product_name"),
                ("firmware", "software_version"), ("battery_v", "battery_voltage"),
            ):  # fmt: skip
                value = d[name]
                if isinstance(value, float):
                    value = round(value, 3)
                if value not in (None, "", 0):
                    found[key] = plain(str(value), 60)
        return found


def _value(frame: Any, name: str) -> Any:
    return frame.get_value(name, fallback=None)


def _seconds(frame: Any, name: str) -> float | None:
    """A time stamp as Unix seconds; those before FIT's first date count from an unknown beginning."""
    stamp = _value(frame, name)
    if hasattr(stamp, "timestamp"):
        return float(stamp.timestamp())
    if isinstance(stamp, int | float) and not isinstance(stamp, bool) and math.isfinite(stamp):
        return float(stamp)
    return None
