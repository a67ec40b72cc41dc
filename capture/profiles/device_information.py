"""Device Information Service 0x180A and Battery Service 0x180F.

Layouts: Bluetooth SIG, GATT Specification Supplement, sections "System ID", "PnP ID",
"Battery Level" and those of the string characteristics.
"""

import struct
from collections.abc import Mapping
from typing import Final

import msgspec

from capture.profiles.wire import U8, put, read, read_int, word
from capture.sample import Reading

TEXTS: Final[Mapping[str, str]] = {
    "2A29": "manufacturer",
    "2A24": "model",
    "2A25": "serial",
    "2A26": "firmware",
    "2A27": "hardware",
    "2A28": "software",
}
"""The string characteristics and the names of the facts that they tell."""


class Text(msgspec.Struct, frozen=True, gc=False):
    """A string characteristic, UTF-8, exactly as sent."""

    raw: bytes

    @classmethod
    def from_bytes(cls, data: bytes) -> "Text":
        """Any octets are a text: an old device's odd encoding must not hide its firmware."""
        return cls(bytes(data))

    def __bytes__(self) -> bytes:
        return self.raw

    @property
    def text(self) -> str:
        """The text up to the first NUL, without blanks around it.

        What is not UTF-8 or not printable (it could steer a terminal) becomes U+FFFD.
        """
        shown = self.raw.partition(b"\0")[0].decode("utf-8", "replace").strip()
        return "".join(letter if letter.isprintable() else "\ufffd" for letter in shown)

    def reading(self, channel: str) -> Reading:
        """The fact that characteristic `channel` (a key of TEXTS) tells; none if the text is empty."""
        text = self.text
        return Reading(item=channel, facts={TEXTS[channel]: text} if text else None)


class BatteryLevel(msgspec.Struct, frozen=True, gc=False):
    """Battery Level 0x2A19: `percent_raw` 0..100, above reserved."""

    percent_raw: int
    rest: bytes = b""

    @classmethod
    def from_bytes(cls, data: bytes) -> "BatteryLevel":
        """Decode the value; DecodeError if it is empty."""
        return cls(read_int(U8, data, 0, "percent_raw"), bytes(data[1:]))

    def __bytes__(self) -> bytes:
        return put(U8, "percent_raw", self.percent_raw) + self.rest

    @property
    def percent(self) -> float | None:
        """0..100; None for a reserved value."""
        return float(self.percent_raw) if self.percent_raw <= 100 else None

    def reading(self) -> Reading:
        """The battery in shared terms."""
        return Reading(item="2A19", battery_percent=self.percent)


_PNP = struct.Struct("<BHHH")
VENDOR_SOURCES: Final = {1: "Bluetooth SIG", 2: "USB"}
"""Who gave out the vendor number of a PnP ID."""


class PnpId(msgspec.Struct, frozen=True, gc=False):
    """PnP ID 0x2A50; `vendor_source` is a key of VENDOR_SOURCES, the rest are numbers of the vendor."""

    vendor_source: int
    vendor_id: int
    product_id: int
    product_version: int
    rest: bytes = b""

    @classmethod
    def from_bytes(cls, data: bytes) -> "PnpId":
        """Decode the value; DecodeError if it is shorter than 7 octets."""
        source, vendor, product, version = read(_PNP, data, 0, "vendor and product")
        return cls(source, vendor, product, version, bytes(data[_PNP.size :]))

    def __bytes__(self) -> bytes:
        numbers = (self.vendor_source, self.vendor_id, self.product_id, self.product_version)
        return put(_PNP, "vendor and product", *numbers) + self.rest

    def reading(self) -> Reading:
        """Facts `vendor_source` in words, `vendor_id`, `product_id`, `product_version` as hex digits."""
        facts: dict[str, float | str] = {
            "vendor_source": word(VENDOR_SOURCES, self.vendor_source),
            "vendor_id": f"{self.vendor_id:04x}",
            "product_id": f"{self.product_id:04x}",
            "product_version": f"{self.product_version:04x}",
        }
        return Reading(item="2A50", facts=facts)


_SYSTEM = struct.Struct("<5s3s")


class SystemId(msgspec.Struct, frozen=True, gc=False):
    """System ID 0x2A23: 40 bits of the manufacturer, 24 bits organizationally unique identifier.

    Both in the order of the air, least significant octet first.
    """

    manufacturer_octets: bytes
    organization_octets: bytes
    rest: bytes = b""

    @classmethod
    def from_bytes(cls, data: bytes) -> "SystemId":
        """Decode the value; DecodeError if it is shorter than 8 octets."""
        manufacturer, organization = read(_SYSTEM, data, 0, "system id")
        return cls(manufacturer, organization, bytes(data[_SYSTEM.size :]))

    def __bytes__(self) -> bytes:
        if len(self.manufacturer_octets) != 5 or len(self.organization_octets) != 3:
            raise ValueError("system id: needs 5 and 3 octets")
        return self.manufacturer_octets + self.organization_octets + self.rest

    def reading(self) -> Reading:
        """The fact `system_id`: 16 hex digits, most significant first."""
        octets = self.manufacturer_octets + self.organization_octets
        return Reading(item="2A23", facts={"system_id": octets[::-1].hex()})
