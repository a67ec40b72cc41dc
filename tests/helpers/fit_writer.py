"""A writer of FIT files from the published layout (FIT protocol: header, definition and data messages, CRC).

It shares nothing with the program's own export. Numbers of messages and fields are those of the FIT global
profile, from memory.
"""

import struct
from collections.abc import Sequence
from dataclasses import dataclass, field

EPOCH_S = 631_065_600
"""1989-12-31T00:00:00Z, from which FIT counts, in Unix seconds."""
ENUM, UINT8, UINT16, UINT32, STRING, FLOAT32, BYTE, UINT32Z = 0x00, 0x02, 0x84, 0x86, 0x07, 0x88, 0x0D, 0x8C
FILE_ID, RECORD, EVENT, LAP, SESSION, DEVICE_INFO, FIELD_DESCRIPTION, DEVELOPER = (
    0,
    20,
    21,
    19,
    18,
    23,
    206,
    207,
)
WORKOUT_STEP = 27
_FORMATS = {ENUM: "B", UINT8: "B", UINT16: "H", UINT32: "I", FLOAT32: "f", UINT32Z: "I"}
_NIBBLES = (
    0x0000, 0xCC01, 0xD801, 0x1400, 0xF001, 0x3C00, 0x2800, 0xE401,
    0xA001, 0x6C00, 0x7800, 0xB401, 0x5000, 0x9C01, 0x8801, 0x4400,
)  # fmt: skip


def crc(data: bytes) -> int:
    """CRC-16 of the FIT protocol, four bits at a time."""
    value = 0
    for octet in data:
        for nibble in (octet & 0xF, octet >> 4):
            value = (value >> 4 & 0x0FFF) ^ _NIBBLES[value & 0xF] ^ _NIBBLES[nibble]
    return value


def message(
    local: int, number: int, fields: Sequence[tuple[int, int, object]], developer: object = None
) -> bytes:
    """Definition and data of one message; fields are (number, base type, value)."""
    head, body = [], b""
    for at, base, value in fields:
        packed = value if isinstance(value, bytes) else struct.pack("<" + _FORMATS[base], value)
        head.append(bytes([at, len(packed), base]))
        body += packed
    definition = bytes([0x40 | local, 0, 0]) + struct.pack("<HB", number, len(head)) + b"".join(head)
    if developer:
        values = list(developer)  # type: ignore[call-overload]
        definition = bytes([definition[0] | 0x20]) + definition[1:] + bytes([len(values)])
        for at, value in values:
            definition += bytes([at, 4, 0])
            body += struct.pack("<f", value)
    return definition + bytes([local]) + body


@dataclass
class Written:
    """A ride to write: seconds of the file's clock (Unix) with what each record holds; None is left out."""

    start_s: int
    power_w: Sequence[float | None]
    cadence_rpm: Sequence[float | None] = ()
    balance: Sequence[int | None] = ()
    """The octet as it stands in the file: 0x80 + the right side's percent, or a percent of nobody's side."""
    sides_w: Sequence[tuple[float, float] | None] = ()
    names: tuple[str, str] = ("Left Power", "Right Power")
    skip: frozenset[int] = frozenset()
    """Seconds without a record."""
    pauses: Sequence[tuple[int, int]] = ()
    laps: Sequence[tuple[float, float]] = ()
    trigger: int = 0
    """0 manual, 2 distance."""
    step_names: Sequence[str] = ()
    serial: int | None = None
    late: dict[int, int] = field(default_factory=dict)


def fit(ride: Written) -> bytes:
    """The file."""

    def at(second: float) -> int:
        return int(ride.start_s - EPOCH_S + second)

    n = len(ride.power_w)
    out = message(0, FILE_ID, [(0, ENUM, 4), (1, UINT16, 255), (2, UINT16, 1), (4, UINT32, at(0))])
    if ride.serial is not None:
        # An ANT+ power meter (device type 11, source ANT+ 1), paired with the head unit.
        out += message(1, DEVICE_INFO, [(253, UINT32, at(0)), (1, UINT8, 11), (3, UINT32Z, ride.serial),
                                        (5, UINT16, 312), (25, ENUM, 1), (10, UINT16, 1000)])  # fmt: skip
    for number, name in enumerate(ride.step_names):
        out += message(2, WORKOUT_STEP, [(254, UINT16, number), (0, STRING, name.encode() + b"\0")])
    if ride.sides_w:
        out += message(3, DEVELOPER, [(3, UINT8, 0), (1, BYTE, bytes(range(16)))])
        for number, name in enumerate(ride.names):
            out += message(4, FIELD_DESCRIPTION, [(0, UINT8, 0), (1, UINT8, number), (2, UINT8, FLOAT32),
                           (3, STRING, name.encode() + b"\0"), (8, STRING, b"watts\0")])  # fmt: skip
    out += message(5, EVENT, [(253, UINT32, at(0)), (0, ENUM, 0), (1, ENUM, 0)])
    stops = {a: 4 for a, _ in ride.pauses} | {b: 0 for _, b in ride.pauses}
    for k in range(n):
        if k in stops:
            out += message(5, EVENT, [(253, UINT32, at(k)), (0, ENUM, 0), (1, ENUM, stops[k])])
        if k in ride.skip or any(a <= k < b for a, b in ride.pauses):
            continue
        fields: list[tuple[int, int, object]] = [(253, UINT32, at(k))]
        power = ride.power_w[k]
        if power is not None:
            fields.append((7, UINT16, round(power)))
        if ride.cadence_rpm and ride.cadence_rpm[k] is not None:
            fields.append((4, UINT8, round(ride.cadence_rpm[k] or 0)))
        if ride.balance and ride.balance[k] is not None:
            fields.append((30, UINT8, ride.balance[k]))
        sides = ride.sides_w[k] if ride.sides_w else None
        out += message(6, RECORD, fields, None if sides is None else list(enumerate(sides)))
    out += message(5, EVENT, [(253, UINT32, at(n)), (0, ENUM, 0), (1, ENUM, 4)])
    for number, (begin, end) in enumerate(ride.laps):
        lap: list[tuple[int, int, object]] = [
            (253, UINT32, at(end)), (2, UINT32, at(begin)), (7, UINT32, round(1000 * (end - begin))),
            (24, ENUM, ride.trigger),
        ]  # fmt: skip
        if ride.step_names:
            lap.append((71, UINT16, number))
        out += message(7, LAP, lap)
    head = struct.pack("<BBHI4s", 14, 0x20, 2140, len(out), b".FIT")
    head += struct.pack("<H", crc(head))
    return head + out + struct.pack("<H", crc(head + out))
