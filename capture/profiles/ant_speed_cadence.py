"""ANT+ speed and cadence, device types 121 (combined), 122 (cadence), 123 (speed).

Layouts as in openant (MIT) and one further open decoder. 122 and 123 carry time and count in
octets 4 to 7 of every page; 121 has no page number at all. Times are 1/1024 s, of the last
revolution; a page that repeats means that nothing turned.
"""

import struct
from typing import ClassVar, Self

import msgspec

from capture.profiles import ant_common
from capture.profiles.ant_common import (
    CADENCE,
    PAGE_OCTETS,
    SPEED,
    SPEED_CADENCE,
    Facts,
    battery_status,
    battery_voltage_v,
    known,
)
from capture.profiles.wire import need, put
from capture.sample import DecodeError, Reading

_COMBINED = struct.Struct("<HHHH")
_SINGLE = struct.Struct("<B3sHH")
_LAST_PAGE = 0x0F


class SpeedCadencePage(msgspec.Struct, frozen=True, gc=False):
    """The only page of 121: crank and wheel, 1/1024 s and revolutions, both modulo 65536."""

    cadence_time_raw: int = 0
    cadence_revs: int = 0
    speed_time_raw: int = 0
    speed_revs: int = 0

    @classmethod
    def from_bytes(cls, data: bytes) -> Self:
        """Take the page apart; DecodeError for anything but eight octets."""
        need(PAGE_OCTETS, data, "page")
        return cls(*_COMBINED.unpack(data))

    def __bytes__(self) -> bytes:
        return put(_COMBINED, type(self).__name__, *msgspec.structs.astuple(self))


class RevolutionPage(msgspec.Struct, frozen=True, gc=False):
    """Any page 0 to 15 of 122 and 123; what `octets` (1 to 3) mean depends on the number.

    An old sensor never toggles; then octets 1 to 3 mean nothing. The page number is 0 there.
    """

    NUMBERS: ClassVar[range] = range(_LAST_PAGE + 1)

    number_raw: int = 0
    """Bits 0-6: page number; bit 7 toggles every few messages."""
    octets: bytes = b"\xff\xff\xff"
    time_raw: int = 0
    """Time of the last revolution, 1/1024 s, modulo 65536."""
    revs: int = 0

    @property
    def number(self) -> int:
        """Page number."""
        return self.number_raw & 0x7F

    @property
    def toggle(self) -> bool:
        """The bit that toggles."""
        return self.number_raw & 0x80 != 0

    @property
    def stopped(self) -> bool | None:
        """Page 5: True while nothing turns; None in other pages."""
        return self.octets[0] & 0x01 != 0 if self.number == 5 else None

    @property
    def battery_v(self) -> float | None:
        """Page 4: volts; None in other pages or if not told."""
        return battery_voltage_v(self.octets[1], self.octets[2]) if self.number == 4 else None

    @property
    def battery_status(self) -> str | None:
        """Page 4: `new` to `critical`; None in other pages or if not told."""
        return battery_status(self.octets[2]) if self.number == 4 else None

    @classmethod
    def from_bytes(cls, data: bytes) -> Self:
        """Take the page apart; DecodeError for another length or a page number above 15."""
        need(PAGE_OCTETS, data, "page")
        page = cls(*_SINGLE.unpack(data))
        if page.number not in cls.NUMBERS:
            raise DecodeError(f"not a speed or cadence page but 0x{page.number:02X}", "page number", 0, data)
        return page

    def __bytes__(self) -> bytes:
        return put(_SINGLE, type(self).__name__, *msgspec.structs.astuple(self))


def _page_facts(page: RevolutionPage) -> Facts | None:
    a, b, c = page.octets
    if page.number == 1:
        return {"operating_s": int.from_bytes(page.octets, "little") * 2}
    if page.number == 2:
        return {"manufacturer_id": a, "serial_high": b | c << 8}
    if page.number == 3:
        return {"hardware": str(a), "firmware": str(b), "model_number": c}
    if page.number == 4:
        return known(battery_v=page.battery_v, battery_state=page.battery_status)
    return None


def decode(device_type: int, data: bytes) -> Reading:
    """One page of a device of type 121, 122 or 123; DecodeError for anything but eight octets.

    ValueError for another device type. Facts: `battery_v`, `battery_state`, `firmware`,
    `hardware`, `manufacturer_id`, `model_number`, `operating_s`; `serial_high` are the upper
    16 bits of the serial number, whose lower bits are the device number.
    """
    if device_type == SPEED_CADENCE:
        both = SpeedCadencePage.from_bytes(data)
        return Reading(
            item="ant121",
            crank_revs=both.cadence_revs,
            crank_ticks=both.cadence_time_raw,
            crank_tick_hz=1024,
            wheel_revs=both.speed_revs,
            wheel_revs_modulus=65536,
            wheel_ticks=both.speed_time_raw,
            wheel_tick_hz=1024,
        )
    if device_type not in (CADENCE, SPEED):
        raise ValueError(f"ANT+ device type {device_type} is no speed or cadence sensor")
    need(PAGE_OCTETS, data, "page")
    number = data[0] & 0x7F
    if number > _LAST_PAGE:
        # A common page, toggle bit or not; whatever it is, it has no count.
        return ant_common.decode(device_type, bytes((number, *data[1:])))
    page = RevolutionPage.from_bytes(data)
    stopped = page.stopped
    reading = Reading(
        item=ant_common.item(device_type, number),
        moving=None if stopped is None else not stopped,
        facts=_page_facts(page) if number else None,
    )
    if device_type == CADENCE:
        reading.crank_revs, reading.crank_ticks, reading.crank_tick_hz = page.revs, page.time_raw, 1024
    else:
        reading.wheel_revs, reading.wheel_revs_modulus = page.revs, 65536
        reading.wheel_ticks, reading.wheel_tick_hz = page.time_raw, 1024
    return reading
