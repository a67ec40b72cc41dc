"""What a recorder and its viewers say to each other: frames of MessagePack, without a socket.

The exchange is told in FORMAT.md.
"""

from collections.abc import Iterable
from typing import Annotated

import msgspec

from capture.record import Act, End, Header, Link, Packet, Record, Reported, Store, Tick, Write

COMMAND_LIMIT = 64 << 10
"""Octets of the longest frame that a recorder takes from a viewer."""
FRAME_LIMIT = 32 << 20
"""Octets of the longest frame that a viewer takes from a recorder."""


class WireError(ValueError):
    """The other side says something that makes no sense."""


class Hello(msgspec.Struct, frozen=True, tag="hello"):
    """A viewer's first words; `since`: how many records it already has."""

    token: str
    since: int = 0


class Do(msgspec.Struct, frozen=True, tag="act"):
    """Put an `Act` into the journal now; `finish` also ends the session."""

    act: str
    text: str = ""
    instrument: str = ""
    # As much as a journal holds: what viewers are sent has to be what stands there.
    at_ns: Annotated[int, msgspec.Meta(ge=-(1 << 63), le=(1 << 63) - 1)] = 0


class Send(msgspec.Struct, frozen=True, tag="write"):
    """Send bytes to an instrument; what becomes of it arrives as a `Write`."""

    instrument: str
    channel: str
    data: bytes


class Finish(msgspec.Struct, frozen=True, tag="finish"):
    """End the session."""

    reason: str = "finished"


class LastWill(msgspec.Struct, frozen=True, tag="will"):
    """What the recorder shall send to an instrument when this viewer is gone: dead, cut off, hung or left.

    It is sent, one entry of `data` after the other, when the connection ends, when nothing
    was heard from the viewer for `keep_alive_s`, and when the session ends. `answer` is how the
    answer to the last entry begins; without it a confirmed sending is enough. As long as a
    viewer has a will for a channel, others can't write to it; the latest one holds. Without
    `data` it is withdrawn.
    """

    instrument: str
    channel: str
    data: Annotated[tuple[bytes, ...], msgspec.Meta(max_length=16)] = ()
    answer: bytes = b""
    keep_alive_s: float = 2.0


class Alive(msgspec.Struct, frozen=True, tag="alive"):
    """The viewer is well; any other command says so too."""


class Cut(msgspec.Struct, frozen=True, array_like=True, tag="cut"):
    """The recorder drops this viewer, which may attach again; the reason is a sentence."""

    reason: str


Command = Do | Send | LastWill | Alive | Finish

_encoder = msgspec.msgpack.Encoder()
encode = _encoder.encode
"""Any of these, a `Header` or a record, as MessagePack."""
decode_hello = msgspec.msgpack.Decoder(Hello).decode
decode_command = msgspec.msgpack.Decoder(Command).decode
decode_header = msgspec.msgpack.Decoder(Header).decode
decode_record = msgspec.msgpack.Decoder(Record).decode
decode_sent = msgspec.msgpack.Decoder(
    Packet | Link | Tick | Act | Reported | Write | Store | End | Cut
).decode


def frame(payloads: Iterable[bytes]) -> bytes:
    """MessagePack objects as frames, one behind the other."""
    parts = []
    for payload in payloads:
        parts.append(len(payload).to_bytes(4, "big"))
        parts.append(payload)
    return b"".join(parts)


class Unframer:
    """Cuts frames out of octets as they come.

    Args:
        limit: octets of the longest frame that is believed.
    """

    def __init__(self, limit: int) -> None:
        self._limit = limit
        self._rest = b""

    def feed(self, data: bytes) -> list[bytes]:
        """The contents of the frames that are complete now.

        Raises:
            WireError: a frame is longer than the limit.
        """
        data = self._rest + data if self._rest else data
        frames, at = [], 0
        while at + 4 <= len(data):
            size = int.from_bytes(data[at : at + 4], "big")
            if size > self._limit:
                raise WireError(f"a frame of {size} octets")
            if at + 4 + size > len(data):
                break
            frames.append(data[at + 4 : at + 4 + size])
            at += 4 + size
        self._rest = data[at:]
        return frames
