"""What all ANT+ profiles share: eight-octet pages, common pages 0x46 to 0x57.

A page is a Struct of the octets as they stand on the air: `from_bytes` then `bytes()`
gives the same eight octets, reserved bits included; properties give units. Layouts are
those that the open-source ANT+ decoders (openant, MIT) and the public ANT+ SDK
references agree on; the profile documents themselves are for adopters and not used.
Device numbers, types and periods are openant's and the public SDKs'.
"""

import struct
from typing import ClassVar, Self

import msgspec

from capture.profiles.wire import need, put
from capture.sample import DecodeError, Reading

POWER = 11
TRAINER = 17
SPEED_CADENCE = 121
CADENCE = 122
SPEED = 123

PERIOD_TICKS = {POWER: 8182, TRAINER: 8192, SPEED_CADENCE: 8086, CADENCE: 8102, SPEED: 8118}
"""Message period of a device type, in 1/32768 s."""

PAGE_OCTETS = 8

Facts = dict[str, float | str]


class Page(msgspec.Struct, frozen=True, gc=False):
    """One page: fields are its octets from octet 1 on, in order, raw.

    A subclass names its page number and the layout of all eight octets (page number first).
    """

    NUMBER: ClassVar[int]
    LAYOUT: ClassVar[struct.Struct]

    @classmethod
    def from_bytes(cls, data: bytes) -> Self:
        """Take the page apart; DecodeError for another length or another page number."""
        if len(data) != PAGE_OCTETS:
            need(PAGE_OCTETS, data, "page")
        number, *fields = cls.LAYOUT.unpack(data)
        if number != cls.NUMBER:
            raise DecodeError(f"not page 0x{cls.NUMBER:02X} but 0x{number:02X}", "page number", 0, data)
        return cls(*fields)

    def __bytes__(self) -> bytes:
        return put(self.LAYOUT, type(self).__name__, self.NUMBER, *msgspec.structs.astuple(self))


def valid8(raw: int) -> int | None:
    """An octet in which 0xFF means that nothing is reported."""
    return None if raw == 0xFF else raw


def valid16(raw: int) -> int | None:
    """A 16-bit field in which 0xFFFF means that nothing is reported."""
    return None if raw == 0xFFFF else raw


class RequestPage(Page, frozen=True, gc=False):
    """0x46: asks the other side for a page. A sub-page number goes in the first descriptor."""

    NUMBER: ClassVar[int] = 0x46
    LAYOUT: ClassVar[struct.Struct] = struct.Struct("<BHBBBBB")

    serial: int = 0xFFFF
    descriptor_1: int = 0xFF
    descriptor_2: int = 0xFF
    response: int = 0x04
    """Bits 0-6: how often to answer; bit 7: answer by acknowledged message; 0x80: until it succeeds."""
    page: int = 0
    command: int = 1
    """1: a data page."""


_COMMAND_STATUS = {0: "pass", 1: "fail", 2: "not supported", 3: "rejected", 4: "pending"}


class CommandStatus(Page, frozen=True, gc=False):
    """0x47: what became of the last command."""

    NUMBER: ClassVar[int] = 0x47
    LAYOUT: ClassVar[struct.Struct] = struct.Struct("<BBBB4s")

    command_page: int = 0xFF
    sequence: int = 0xFF
    status_raw: int = 0xFF
    data: bytes = b"\xff\xff\xff\xff"
    """Octets 4 to 7 of the command."""

    @property
    def status(self) -> str | None:
        """`pass`, `fail`, `not supported`, `rejected`, `pending`; None: no command yet, or reserved."""
        return _COMMAND_STATUS.get(self.status_raw)


class Manufacturer(Page, frozen=True, gc=False):
    """0x50: manufacturer's identification."""

    NUMBER: ClassVar[int] = 0x50
    LAYOUT: ClassVar[struct.Struct] = struct.Struct("<BHBHH")

    reserved: int = 0xFFFF
    hardware_revision: int = 0
    manufacturer_id: int = 0
    model_number: int = 0


class Product(Page, frozen=True, gc=False):
    """0x51: software revision and serial number."""

    NUMBER: ClassVar[int] = 0x51
    LAYOUT: ClassVar[struct.Struct] = struct.Struct("<BBBBI")

    reserved: int = 0xFF
    supplemental_revision: int = 0xFF
    main_revision: int = 0
    serial_raw: int = 0xFFFFFFFF

    @property
    def software(self) -> str:
        """Main revision / 10, with a supplemental revision (main x 100 + supplemental) / 1000."""
        if self.supplemental_revision == 0xFF:
            return str(self.main_revision / 10)
        return str((self.main_revision * 100 + self.supplemental_revision) / 1000)

    @property
    def serial(self) -> int | None:
        """Serial number; None if it has none."""
        return None if self.serial_raw == 0xFFFFFFFF else self.serial_raw


_BATTERY_STATUS = {1: "new", 2: "good", 3: "ok", 4: "low", 5: "critical"}


def battery_voltage_v(fraction_raw: int, descriptor: int) -> float | None:
    """Volts from the fraction (1/256 V) and the whole volts in descriptor bits 0-3; 0xF: not told.

    That 0xF is invalid is from memory.
    """
    whole = descriptor & 0x0F
    return None if whole == 0x0F else whole + fraction_raw / 256


def battery_status(descriptor: int) -> str | None:
    """`new`, `good`, `ok`, `low`, `critical` from descriptor bits 4-6; None: invalid or reserved."""
    return _BATTERY_STATUS.get(descriptor >> 4 & 0x07)


class Battery(Page, frozen=True, gc=False):
    """0x52: battery. `operating_raw` is three octets, little-endian."""

    NUMBER: ClassVar[int] = 0x52
    LAYOUT: ClassVar[struct.Struct] = struct.Struct("<BBB3sBB")

    reserved: int = 0xFF
    identifier: int = 0xFF
    """Bits 0-3: number of batteries, bits 4-7: which of them; 0xFF: not used."""
    operating_raw: bytes = b"\x00\x00\x00"
    fraction_raw: int = 0
    descriptor: int = 0x7F
    """Bits 0-3 whole volts, 4-6 status, 7: operating time in 2 s (else 16 s)."""

    @property
    def count(self) -> int | None:
        """How many batteries the instrument has; None: not reported."""
        return None if self.identifier == 0xFF else self.identifier & 0x0F

    @property
    def index(self) -> int | None:
        """Which of the batteries; None: not reported."""
        return None if self.identifier == 0xFF else self.identifier >> 4

    @property
    def operating_s(self) -> int:
        """Operating time in seconds, as coarse as the page says."""
        return int.from_bytes(self.operating_raw, "little") * (2 if self.descriptor & 0x80 else 16)

    @property
    def voltage_v(self) -> float | None:
        """Volts; None if not reported."""
        return battery_voltage_v(self.fraction_raw, self.descriptor)

    @property
    def status(self) -> str | None:
        """`new`, `good`, `ok`, `low`, `critical`; None if not reported."""
        return battery_status(self.descriptor)


class TimeAndDate(Page, frozen=True, gc=False):
    """0x53: time and date; `weekday_and_day` has the day in bits 0-4, the day of the week in 5-7."""

    NUMBER: ClassVar[int] = 0x53
    LAYOUT: ClassVar[struct.Struct] = struct.Struct("<BBBBBBBB")

    reserved: int = 0xFF
    second: int = 0
    minute: int = 0
    hour: int = 0
    weekday_and_day: int = 1
    month: int = 1
    year: int = 0
    """Years since 2000."""


class SubfieldData(Page, frozen=True, gc=False):
    """0x54: two values by sub-page number."""

    NUMBER: ClassVar[int] = 0x54
    LAYOUT: ClassVar[struct.Struct] = struct.Struct("<BBBBhh")

    reserved: int = 0xFF
    subpage_1: int = 0xFF
    subpage_2: int = 0xFF
    value_1: int = 0
    value_2: int = 0

    @property
    def temperature_c(self) -> float | None:
        """Sub-page 1, 0.01 degrees; None if neither value is a temperature."""
        for subpage, value in ((self.subpage_1, self.value_1), (self.subpage_2, self.value_2)):
            if subpage == 1:
                return value / 100
        return None


class Opaque(Page, frozen=True, gc=False):
    """A page of which only the number is known: its octets are kept."""

    LAYOUT: ClassVar[struct.Struct] = struct.Struct("<B7s")

    octets: bytes = b"\xff" * 7


class MemoryLevel(Opaque, frozen=True, gc=False):
    """0x55: memory level; layout not found in an open source."""

    NUMBER: ClassVar[int] = 0x55


class PairedDevices(Opaque, frozen=True, gc=False):
    """0x56: paired devices; layout not found in an open source."""

    NUMBER: ClassVar[int] = 0x56


class ErrorDescription(Opaque, frozen=True, gc=False):
    """0x57: error description; layout not found in an open source."""

    NUMBER: ClassVar[int] = 0x57


PAGES: dict[int, type[Page]] = {
    page.NUMBER: page
    for page in (
        RequestPage,
        CommandStatus,
        Manufacturer,
        Product,
        Battery,
        TimeAndDate,
        SubfieldData,
        MemoryLevel,
        PairedDevices,
        ErrorDescription,
    )
}
"""Common pages by number."""


def known(**values: float | str | None) -> Facts | None:
    """Facts without those that are not reported; None if nothing is left."""
    kept = {name: value for name, value in values.items() if value is not None}
    return kept or None


def _command_facts(page: CommandStatus) -> Facts | None:
    if page.command_page == 0xFF:
        return None
    facts: Facts = {
        "command_page": f"0x{page.command_page:02X}",
        "command_status": page.status or "unknown",
        "command_sequence": page.sequence,
    }
    if page.command_page == 0x31 and page.status == "pass":
        facts["target_power_w"] = int.from_bytes(page.data[2:4], "little") / 4
    return facts


def _battery_facts(page: Battery) -> Facts | None:
    # With several batteries (a pair of pedals) the pages alternate: one name each, or the facts flicker.
    name = f"battery_{page.index}" if (page.count or 0) > 1 else "battery"
    facts: Facts = {}
    if page.voltage_v is not None:
        facts[f"{name}_v"] = page.voltage_v
    if page.status is not None:
        facts[f"{name}_state"] = page.status
    if page.operating_s:
        facts["operating_s"] = page.operating_s
    return facts or None


def decode(device_type: int, data: bytes) -> Reading:
    """A common page, or one that nobody knows, as a reading with facts and without values.

    Facts: `firmware`, `hardware`, `manufacturer_id`, `model_number`, `serial`, `battery_v` and
    `battery_state` (`battery_N_v`, `battery_N_state` where the instrument tells that it has
    several), `operating_s`, `temperature_c`, `command_page`, `command_status`. DecodeError
    for anything but eight octets.
    """
    need(PAGE_OCTETS, data, "page")
    number = data[0]
    facts: Facts | None = None
    if number == 0x50:
        maker = Manufacturer.from_bytes(data)
        facts = {
            "hardware": str(maker.hardware_revision),
            "manufacturer_id": maker.manufacturer_id,
            "model_number": maker.model_number,
        }
    elif number == 0x51:
        product = Product.from_bytes(data)
        serial = product.serial
        facts = known(firmware=product.software, serial=None if serial is None else str(serial))
    elif number == 0x52:
        facts = _battery_facts(Battery.from_bytes(data))
    elif number == 0x54:
        facts = known(temperature_c=SubfieldData.from_bytes(data).temperature_c)
    elif number == 0x47:
        facts = _command_facts(CommandStatus.from_bytes(data))
    return Reading(item=item(device_type, number), facts=facts)


def item(device_type: int, number: int) -> str:
    """The name of a page in a reading: `ant11/0x12`."""
    return f"ant{device_type}/0x{number:02X}"
