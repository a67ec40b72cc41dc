"""A record of a ride file as a packet: what a head unit wrote down, held until the next record.

The layout is our own (`storage/FORMAT.md`, channel `ride`), little endian. A value stands for `held_s`
seconds from the packet's time on; there are no counters, so nothing can be made good that is missing.
"""

import math
import struct

import msgspec

from capture.sample import DecodeError, Reading

CHANNEL = "ride"
PAUSED, SIDE_KNOWN = 1, 2
"""Flags: the timer stood still for `held_s` seconds; the share is known to be the left side's."""
_LAYOUT = struct.Struct("<Bffffff")
_NAMES = ("flags", "held_s", "power_w", "cadence_rpm", "share_percent", "left_w", "right_w")
_OFFSETS = (0, 1, 5, 9, 13, 17, 21)
LONGEST_HELD_S = 86_400.0
_RANGES = {
    "held_s": (0.0, LONGEST_HELD_S),
    "power_w": (-4000.0, 10_000.0),
    "cadence_rpm": (0.0, 300.0),
    "share_percent": (0.0, 100.0),
    "left_w": (-4000.0, 10_000.0),
    "right_w": (-4000.0, 10_000.0),
}
"""Readable values; what is outside was never written by us."""


class Sample(msgspec.Struct, frozen=True):
    """One record. None: the file does not say.

    `share_percent` is the balance as written, of the left side if `side_known`; `left_w` and `right_w`
    stand in files that name both sides in watts. `rest` are octets of a later version.
    """

    held_s: float
    power_w: float | None = None
    cadence_rpm: float | None = None
    share_percent: float | None = None
    left_w: float | None = None
    right_w: float | None = None
    side_known: bool = False
    paused: bool = False
    rest: bytes = b""

    @classmethod
    def from_bytes(cls, data: bytes) -> "Sample":
        """Decode; raises nothing but DecodeError."""
        if len(data) < _LAYOUT.size:
            raise DecodeError(f"shorter than {_LAYOUT.size} octets", "length", len(data), data)
        flags, *values = _LAYOUT.unpack_from(data)
        if flags & ~(PAUSED | SIDE_KNOWN):
            raise DecodeError("unknown flags", "flags", 0, data)
        read: dict[str, float | None] = {}
        for name, offset, value in zip(_NAMES[1:], _OFFSETS[1:], values, strict=True):
            low, high = _RANGES[name]
            if math.isnan(value) and name != "held_s":
                read[name] = None
            elif low <= value <= high:
                read[name] = value
            else:
                raise DecodeError("out of range", name, offset, data)
        held_s = read.pop("held_s")
        assert held_s is not None
        return cls(
            held_s,
            side_known=bool(flags & SIDE_KNOWN),
            paused=bool(flags & PAUSED),
            rest=bytes(data[_LAYOUT.size :]),
            **read,
        )

    def __bytes__(self) -> bytes:
        """The octets that were decoded, all of them."""
        flags = PAUSED * self.paused | SIDE_KNOWN * self.side_known
        values = (self.power_w, self.cadence_rpm, self.share_percent, self.left_w, self.right_w)
        return _LAYOUT.pack(flags, self.held_s, *(math.nan if v is None else v for v in values)) + self.rest

    def reading(self) -> Reading:
        """The fields in the terms that all profiles share; a side in watts outranks a share."""
        share = self.share_percent / 100.0 if self.share_percent is not None else None
        left, side = (share, None) if self.side_known else (None, share)
        if self.left_w is not None and self.right_w is not None and self.left_w + self.right_w > 0.0:
            left, side = min(1.0, max(0.0, self.left_w / (self.left_w + self.right_w))), None
        return Reading(
            item=CHANNEL,
            power_w=self.power_w,
            cadence_rpm=self.cadence_rpm,
            left_share=left,
            side_share=side,
            moving=False if self.paused else None,
            held_s=self.held_s,
        )
