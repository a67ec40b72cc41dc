"""What the journal holds, in the order in which it happened.

Everything that the program knows of an evening is one of these records: raw
packets with their arrival time, changes of a link, what the operator did, what
was written to an instrument, a tick a second, and trouble with the disk. Samples,
findings and reports are functions of the records and can be rebuilt from them.

Times are `t_ns`: nanoseconds of the monotonic session clock, zero at the start
of the session. Wall time enters only through `Header.utc_ns` and `Tick.utc_ns`.
"""

from typing import Literal

import msgspec

FORMAT = 1
"""Version of the record set; a reader refuses a newer one."""

LinkState = Literal["searching", "connecting", "up", "down", "missed", "given-up", "radio-lost"]
"""What became of a link.

`searching` and `connecting` precede `up` (subscribed: data can come). `down` is a
loss that will be mended by itself; `missed` one expected ANT+ slot without a
message; `given-up` the end state that needs a person; `radio-lost` means that the
adapter or stick itself is gone.
"""


class Header(msgspec.Struct, frozen=True):
    """The first thing in a journal: what a replay needs besides the records.

    `bench` and `protocol` are the texts of the TOML files as they were used, `utc_ns`
    the wall clock at session time zero, `program` the version that recorded.
    """

    bench: str
    program: str
    utc_ns: int
    protocol: str = ""
    format: int = FORMAT


class _Record(msgspec.Struct, frozen=True, array_like=True, gc=False):
    t_ns: int


class Packet(_Record, frozen=True, array_like=True, gc=False, tag="packet"):
    """Bytes as they arrived, never altered.

    `channel` tells what they are: the 16-bit number of a Bluetooth characteristic in
    four upper-case hex digits (`2A63`), or `ant` and the ANT+ device type (`ant11`).
    Values that were read, not notified (device information, features), are packets
    too. `extra` holds the ANT extended data (flag octet onwards), if any.
    """

    instrument: str
    channel: str
    data: bytes
    extra: bytes = b""


class Link(_Record, frozen=True, array_like=True, gc=False, tag="link"):
    """A link changed its state; `reason` is a sentence for the operator, or empty."""

    instrument: str
    state: LinkState
    reason: str = ""


class Tick(_Record, frozen=True, array_like=True, gc=False, tag="tick"):
    """Once a second, so that silence is written down; `utc_ns` shows steps of the wall clock."""

    utc_ns: int


class Act(_Record, frozen=True, array_like=True, gc=False, tag="act"):
    """Something a person, or the program on a person's behalf, did.

    `act` is one of `segment` (a segment named `text` begins), `mark`, `zeroed`, `gear`,
    `note`, `position`, `acknowledge`, `finish`, or a word that a later version adds; an
    unknown word is kept and shown. `instrument` is empty when it concerns the bench.
    `at_ns` is the session time that it belongs to, when that is not `t_ns`: what takes its
    time to be typed belongs to the moment of its key. 0: `t_ns`.
    """

    act: str
    text: str = ""
    instrument: str = ""
    at_ns: int = 0

    @property
    def moment_ns(self) -> int:
        """Session time that the act belongs to; never after its record."""
        return min(self.at_ns, self.t_ns) if self.at_ns > 0 else self.t_ns


class Reported(_Record, frozen=True, array_like=True, gc=False, tag="told"):
    """What the radio reported of an instrument outside its packets: `name`, `address`, `rssi_dbm`."""

    instrument: str
    key: str
    value: str


class Write(_Record, frozen=True, array_like=True, gc=False, tag="write"):
    """Bytes sent to an instrument: a control point write or an acknowledged ANT+ message.

    `outcome` is `sent`, or the reason why it could not be sent. Answers are packets.
    """

    instrument: str
    channel: str
    data: bytes
    outcome: str = "sent"


class Store(_Record, frozen=True, array_like=True, gc=False, tag="store"):
    """The disk refused (`failing`) or took records again (`resumed`); `lost` counts the records gone."""

    state: Literal["failing", "resumed"]
    lost: int = 0
    reason: str = ""


class End(_Record, frozen=True, array_like=True, gc=False, tag="end"):
    """The session was closed on purpose; without it the journal was torn."""

    reason: str = ""


Record = Packet | Link | Tick | Act | Reported | Write | Store | End
