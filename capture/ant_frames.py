"""The serial messages of an ANT stick: cut out of a stream of octets, built, read.

A frame is sync 0xA4, length of the content, message id, content, XOR of all octets before
(ANT Message Protocol and Usage, as in openant's `base.message` and in the public
`ant_parameters.h`). Extended data stand behind the eight octets of a page.
"""

import struct
from enum import IntEnum
from typing import Self

import msgspec

from capture.sample import DecodeError

SYNC = 0xA4

MAX_CONTENT = 40
"""A longer length octet is noise: an advanced burst with all extended data has 36 octets."""


class MessageId(IntEnum):
    """The messages that are used here."""

    ANT_VERSION = 0x3E
    CHANNEL_RESPONSE = 0x40
    UNASSIGN_CHANNEL = 0x41
    ASSIGN_CHANNEL = 0x42
    CHANNEL_PERIOD = 0x43
    SEARCH_TIMEOUT = 0x44
    CHANNEL_FREQUENCY = 0x45
    NETWORK_KEY = 0x46
    RESET_SYSTEM = 0x4A
    OPEN_CHANNEL = 0x4B
    CLOSE_CHANNEL = 0x4C
    REQUEST_MESSAGE = 0x4D
    BROADCAST_DATA = 0x4E
    ACKNOWLEDGED_DATA = 0x4F
    CHANNEL_ID = 0x51
    CAPABILITIES = 0x54
    ADD_CHANNEL_ID = 0x59
    CONFIG_LIST = 0x5A
    OPEN_SCAN_MODE = 0x5B
    LOW_PRIORITY_SEARCH_TIMEOUT = 0x63
    ENABLE_EXTENDED = 0x66
    LIB_CONFIG = 0x6E
    STARTUP = 0x6F


class Code(IntEnum):
    """Response codes, and the events of a channel (in messages whose answered id is 1)."""

    NO_ERROR = 0
    SEARCH_TIMEOUT = 1
    RX_FAIL = 2
    TX_COMPLETED = 5
    TX_FAILED = 6
    CHANNEL_CLOSED = 7
    GO_TO_SEARCH = 8
    CHANNEL_COLLISION = 9
    CHANNEL_IN_WRONG_STATE = 21
    TRANSFER_IN_PROGRESS = 31
    INVALID_MESSAGE = 40
    SERIAL_QUEUE_OVERFLOW = 52
    QUEUE_OVERFLOW = 53


EVENT = 1
"""In place of the answered message id: the message is an event."""


class Frame(msgspec.Struct, frozen=True, gc=False):
    """One message. For most ids the first octet of the content is the channel."""

    message_id: int
    content: bytes

    def __bytes__(self) -> bytes:
        """The frame with sync, length and check octet."""
        if len(self.content) > 0xFF:
            raise ValueError(f"a frame holds 255 octets at most, not {len(self.content)}")
        head = bytes((SYNC, len(self.content), self.message_id)) + self.content
        return head + bytes((_xor(head),))


def _xor(data: bytes) -> int:
    check = 0
    for octet in data:
        check ^= octet
    return check


class FrameCutter:
    """Finds frames in a stream that may hold anything; never raises.

    After a bad check octet it looks for the next sync one octet on, so that noise costs only
    the frame that it hit. `skipped` counts the octets that belonged to no frame.
    """

    def __init__(self) -> None:
        self.skipped = 0
        self._buffer = bytearray()

    @property
    def waiting(self) -> int:
        """Octets kept because they may be the beginning of a frame; less than one longest frame."""
        return len(self._buffer)

    def feed(self, data: bytes) -> list[Frame]:
        """Take more octets; return the frames that are complete now, in order."""
        buffer = self._buffer
        buffer += data
        frames = []
        at, end = 0, len(buffer)
        while True:
            start = buffer.find(SYNC, at)
            if start < 0:
                self.skipped += end - at
                at = end
                break
            self.skipped += start - at
            at = start
            if end - at < 2:
                break
            length = buffer[at + 1]
            if length > MAX_CONTENT:
                self.skipped += 1
                at += 1
                continue
            stop = at + length + 4
            if stop > end:
                break
            frame = bytes(buffer[at:stop])
            if _xor(frame):
                self.skipped += 1
                at += 1
                continue
            frames.append(Frame(frame[2], frame[3:-1]))
            at = stop
        del buffer[:at]
        return frames


_CHANNEL_ID = struct.Struct("<HBB")
_RSSI_DBM = struct.Struct("<bb")
_RSSI_AGC = struct.Struct("<BH")

RSSI_TYPE_DBM = 0x20
RSSI_TYPE_AGC = 0x10


class Extended(msgspec.Struct, frozen=True, gc=False):
    """Extended data of a received page, flag octet first; None: not sent.

    Channel id, then RSSI, then receive time (`ant_parameters.h`; application note AN16). The
    RSSI is in dBm only where its type is 0x20 (three octets); type 0x10 has four octets and
    tells no field strength, `rssi_agc` keeps them.
    """

    device_number: int | None = None
    device_type: int | None = None
    transmission_type: int | None = None
    rssi_type: int | None = None
    rssi_dbm: int | None = None
    rssi_threshold_dbm: int | None = None
    rssi_agc: tuple[int, int] | None = None
    """Above or below, threshold."""
    receive_ticks: int | None = None
    """When the stick received it, 1/32768 s, modulo 2 s."""

    @classmethod
    def from_bytes(cls, data: bytes) -> Self:
        """Take extended data apart, nothing if empty; DecodeError if cut short or unknown."""
        values: dict[str, int | tuple[int, int]] = {}
        if not data:
            return cls()
        flags, at = data[0], 1
        if flags & ~0xE0:
            raise DecodeError(f"unknown flags 0x{flags & ~0xE0:02X}", "extended flags", 0, data)
        try:
            if flags & 0x80:
                number, device_type, transmission = _CHANNEL_ID.unpack_from(data, at)
                values = {
                    "device_number": number,
                    "device_type": device_type,
                    "transmission_type": transmission,
                }
                at += 4
            if flags & 0x40:
                kind = values["rssi_type"] = data[at]
                if kind == RSSI_TYPE_DBM:
                    values["rssi_dbm"], values["rssi_threshold_dbm"] = _RSSI_DBM.unpack_from(data, at + 1)
                    at += 3
                elif kind == RSSI_TYPE_AGC:
                    values["rssi_agc"] = _RSSI_AGC.unpack_from(data, at + 1)
                    at += 4
                else:
                    raise DecodeError(f"unknown RSSI type 0x{kind:02X}", "rssi type", at, data)
            if flags & 0x20:
                values["receive_ticks"] = int.from_bytes(data[at : at + 2], "little")
                at += 2
        except (struct.error, IndexError):
            raise DecodeError("extended data are cut short", "extended data", at, data) from None
        if at != len(data):
            raise DecodeError(
                f"{len(data)} octets of extended data, {at} expected",
                "extended data",
                min(at, len(data)),
                data,
            )
        return cls(**values)  # type: ignore[arg-type]  # names and types are those of the fields

    def __bytes__(self) -> bytes:
        """Back to octets; nothing if nothing is reported."""
        flags, body = 0, b""
        if self.device_number is not None:
            flags |= 0x80
            body += _CHANNEL_ID.pack(self.device_number, self.device_type, self.transmission_type)
        if self.rssi_type == RSSI_TYPE_DBM:
            flags |= 0x40
            body += bytes((RSSI_TYPE_DBM,)) + _RSSI_DBM.pack(self.rssi_dbm, self.rssi_threshold_dbm)
        elif self.rssi_agc is not None:
            flags |= 0x40
            body += bytes((RSSI_TYPE_AGC,)) + _RSSI_AGC.pack(*self.rssi_agc)
        if self.receive_ticks is not None:
            flags |= 0x20
            body += self.receive_ticks.to_bytes(2, "little")
        return bytes((flags,)) + body if flags else b""


class ChannelData(msgspec.Struct, frozen=True, gc=False):
    """A received page: channel number, eight octets, and the extended data as they came."""

    channel: int
    page: bytes
    extra: bytes


class ChannelMessage(msgspec.Struct, frozen=True, gc=False):
    """An answer to the message `answers`, or an event (`answers` is None)."""

    channel: int
    answers: int | None
    code: int


def read_data(frame: Frame) -> ChannelData:
    """A broadcast or acknowledged page; DecodeError if it is shorter than a page."""
    if len(frame.content) < 9:
        raise DecodeError(
            "a page needs a channel and eight octets", "content", len(frame.content), frame.content
        )
    return ChannelData(frame.content[0] & 0x1F, frame.content[1:9], frame.content[9:])


def read_channel_message(frame: Frame) -> ChannelMessage:
    """A response or event; DecodeError if it is cut short."""
    if len(frame.content) < 3:
        raise DecodeError(
            "an event needs channel, message id and code", "content", len(frame.content), frame.content
        )
    channel, answers, code = frame.content[:3]
    return ChannelMessage(channel & 0x1F, None if answers == EVENT else answers, code)
