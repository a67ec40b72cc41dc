"""The test protocol: named segments with targets, in order."""

import msgspec


class Segment(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """One block of a protocol; exactly one of the ways to set the load is given."""

    name: str
    seconds: float
    target_w: float | None = None
    ramp_w: tuple[float, float] | None = None
    free: bool = False
    sprint: bool = False
    cadence_rpm: float | None = None
    settle_s: float = 10.0
    gear: str = ""
    repeat: int = 1
    why: str = ""


class Protocol(msgspec.Struct, frozen=True, kw_only=True):
    """Segments in riding order, repeats unrolled. `text` is the TOML as read."""

    segments: tuple[Segment, ...]
    text: str = ""
