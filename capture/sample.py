"""What a decoder yields: one reading in plain units, or one named error."""

import msgspec


class DecodeError(ValueError):
    """Bytes that are not what their profile says: names the field, the offset, shows the hex.

    Nothing else leaves a decoder; any other exception is a bug.
    """

    def __init__(self, message: str, field: str, offset: int, data: bytes) -> None:
        self.message, self.field, self.offset, self.data = message, field, offset, bytes(data)
        super().__init__(f"{message}: {field} at octet {offset} of {bytes(data).hex() or 'nothing'}")


class StrokeVector(msgspec.Struct, frozen=True, gc=False):
    """Magnitudes that follow each other evenly in time, from `first_angle_deg` of the crank on.

    `values` are N·m, or N if `is_force`. `direction`: 0 not told, 1 tangential, 2 radial, 3 lateral. The
    counters are raw, as sent with it: modulo 65536, 1/1024 s. None: the packet does not say.
    """

    values: tuple[float, ...] = ()
    first_angle_deg: int | None = None
    is_force: bool = False
    direction: int = 0
    crank_revs: int | None = None
    crank_ticks: int | None = None


class Reading(msgspec.Struct, gc=False):
    """One packet in the terms that all profiles share. None: the packet does not say.

    Counters are raw, as sent: they wrap at the modulus named beside them and are
    unwrapped in one place (`monitor.analysis.work.timebase`). `left_share` is 0..1 of the total and
    only given when the side is certain; `side_share` when a share is reported but not whose.
    """

    item: str = ""
    """What was decoded: `2A63`, or device type and page `ant11/0x12`."""
    power_w: float | None = None
    cadence_rpm: float | None = None
    speed_mps: float | None = None
    left_share: float | None = None
    side_share: float | None = None
    events: int | None = None
    """Update counter of the page, modulo 256; separate for each `item` family (see `event_family`)."""
    event_family: int = 0
    power_sum_w: int | None = None
    """Sum of the power of all updates so far, modulo 65536 (one addend an event)."""
    torque_sum_32nds: int | None = None
    """Accumulated torque, 1/32 N·m, modulo 65536: one mean torque added per crank revolution (or update)."""
    torque_at_crank: bool = False
    """True: torque and its time belong to the crank; False: to the wheel."""
    crank_revs: int | None = None
    crank_revs_modulus: int = 65536
    crank_ticks: int | None = None
    """Event time of the last crank revolution, or accumulated period, modulo 65536."""
    crank_tick_hz: int = 1024
    wheel_revs: int | None = None
    wheel_revs_modulus: int = 1 << 32
    wheel_ticks: int | None = None
    wheel_tick_hz: int = 2048
    torque_ticks: int | None = None
    """Ticks of a frequency that stands for the crank's torque, accumulated, modulo 65536."""
    slope_hz_per_nm: float | None = None
    """Of that frequency."""
    zero_offset_hz: float | None = None
    """Of that frequency at rest: told apart, and needed for any torque."""
    energy_kj: int | None = None
    moving: bool | None = None
    """False when the packet itself says that the crank or wheel has stopped."""
    battery_percent: float | None = None
    held_s: float | None = None
    """The values stand for so many seconds from the packet's time on: a record of a ride file. None: they
    tell of the time before the packet."""
    vector: StrokeVector | None = None
    facts: dict[str, float | str] | None = None
    """What else was reported, by name with unit: `firmware`, `serial`, `crank_length_mm`, `battery_v`, ..."""
