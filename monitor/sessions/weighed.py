"""Static loads that were read by radio: what an instrument reported at rest after a load was noted.

Two profiles report torque while the crank stands: the power vector of Bluetooth (0x2A64, magnitudes of
torque) and the zero request of an ANT+ crank torque frequency meter, whose answer (page 0x01) is the
frequency at whatever load hangs there, read with the slope of page 0x20.
"""

from collections.abc import Iterable
from pathlib import Path
from statistics import median
from typing import NamedTuple

from capture.profiles import decode
from capture.profiles.cycling_power import Vector
from capture.record import Act, Packet, Record
from capture.sample import DecodeError
from monitor.sessions.acts import list_acts
from monitor.weighing.loads import Load, Side, problem
from monitor.weighing.plan import parse_note
from storage.remainder import read_session

SETTLES_S, LASTS_S = 2.0, 20.0
"""Seconds after the note in which readings count: a mass swings at first, and the next one comes."""
ACTS = ("weight", "note")
"""Acts whose text may be a load: `20.01 kg right 0 up`."""
TORQUE_STEPS = 32.0
"""Steps of instantaneous torque in one newton metre (Cycling Power Service 1.1, vector)."""


class ByRadio(NamedTuple):
    """Loads with a reading, and how many noted loads had none."""

    loads: list[Load]
    unread: int


def loads_by_radio(folder: Path, label: str, sides: tuple[Side, ...]) -> ByRadio:
    """The loads that were noted in a session and that the instrument reported a torque for."""
    _, records = read_session(folder)
    noted = []
    for listed in list_acts(folder):
        now = listed.now
        if now is not None and now.act in ACTS and now.instrument in ("", label):
            hung = parse_note(now.text)
            if hung is not None and (now.act == "weight" or now.text.strip().lower().startswith("weight")):
                noted.append((now.at_s, hung))
    noted.sort(key=lambda each: each[0])
    torques = list(_torques(records, label))
    loads, unread, zero_nm = [], 0, None
    for k, (at_s, (mass, side, angle, way)) in enumerate(noted):
        until_s = min(at_s + LASTS_S, noted[k + 1][0] if k + 1 < len(noted) else at_s + LASTS_S)
        values = [nm for t_s, nm in torques if at_s + SETTLES_S <= t_s < until_s]
        if not values:
            unread += 1
            continue
        reading = median(values)
        if zero_nm is None and mass == 0.0:
            zero_nm = reading
        load = Load(side or sides[0], angle, mass, way, reading)
        if not problem(load):
            loads.append(load)
    return ByRadio(loads, unread)


def _torques(records: Iterable[Record], label: str) -> Iterable[tuple[float, float]]:
    """Times (s) and torques at rest (N·m) that an instrument reported."""
    slope = None
    first_hz: float | None = None
    for record in records:
        if isinstance(record, Act) or not isinstance(record, Packet) or record.instrument != label:
            continue
        t_s = record.t_ns / 1e9
        try:
            if record.channel == "2A64":
                torques = Vector.from_bytes(record.data).torques_32nds
                if torques:
                    yield t_s, sum(torques) / len(torques) / TORQUE_STEPS
                continue
            if not record.channel.startswith("ant"):
                continue
            reading = decode(record.channel, record.data)
        except DecodeError:
            continue
        slope = reading.slope_hz_per_nm or slope
        if reading.zero_offset_hz is not None and slope:
            # Against the first one: a frequency of its own at no load is usual, and no torque.
            first_hz = reading.zero_offset_hz if first_hz is None else first_hz
            yield t_s, (reading.zero_offset_hz - first_hz) / slope
