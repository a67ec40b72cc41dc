"""The test protocol: named segments with targets, in order.

A protocol file holds `[[segment]]` tables; a bench file may hold the same tables as
`[[protocol.segment]]`. A segment with `repeat = 3` becomes three, named `NAME 1/3` to
`NAME 3/3`, so that the blocks can be told apart in the record. Neighbours with the same
`group` are repeated together: over 1/3, under 1/3, over 2/3, ...
"""

from collections.abc import Sequence
from pathlib import Path as FilePath

import msgspec

from monitor.setup.toml_check import BenchError, Document, Path, read_text

MOST_SEGMENTS = 1000
LONGEST_S = 24 * 3600.0
LOADS = ("target_w", "ramp_w", "free", "sprint")
"""The ways to set the load; a segment has exactly one."""
AFTER = "after the protocol"
"""Name of the segment that begins when the protocol is over, so that its last one ends."""
PAUSE = "pause"
"""Name of what is ridden between the two parts of a segment that was interrupted."""


class Segment(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """One block of a protocol; exactly one of the ways to set the load is given.

    `seconds` is its length and `settle_s` what is left out at its start, `target_w` a power
    to hold, `ramp_w` where a ramp begins and ends in watts, `cadence_rpm` a cadence to hold,
    `gear` a gear to ride in, `why` what the block is for. `repeat` and `group` are of the file:
    in a `Protocol` they are unrolled.
    """

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
    group: str = ""
    why: str = ""


class Protocol(msgspec.Struct, frozen=True, kw_only=True):
    """Segments in riding order, repeats unrolled. `text` is the TOML as read."""

    segments: tuple[Segment, ...]
    text: str = ""

    @property
    def total_s(self) -> float:
        """Length of the whole protocol in seconds."""
        return sum(segment.seconds for segment in self.segments)

    @property
    def starts_s(self) -> tuple[float, ...]:
        """When each segment begins, seconds after the start of the protocol."""
        starts = [0.0]
        for segment in self.segments[:-1]:
            starts.append(starts[-1] + segment.seconds)
        return tuple(starts)


def load_protocol(path: FilePath | str) -> Protocol:
    """A protocol file. BenchError: it can't be read or is not a protocol."""
    return parse_protocol(read_text(path), str(path))


def parse_protocol(text: str, name: str = "protocol") -> Protocol:
    """A protocol from TOML text; `name` is used in messages. BenchError: what is wrong, and where."""
    document = Document(text, name)
    if "protocol" in document.root:
        document.fail(
            ("protocol",), "this is how a bench file says it", "In a protocol file write [[segment]]."
        )
    document.refuse_unknown(document.root, (), ("segment",))
    if "segment" not in document.root:
        raise BenchError(name, "there is no segment", "Write [[segment]] with name, seconds and target_w.")
    return msgspec.structs.replace(read_segments(document, document.root["segment"], ("segment",)), text=text)


def read_segments(document: Document, value: object, path: Path) -> Protocol:
    """The protocol in the list of tables `value` at `path` of a document. BenchError: what is wrong."""
    segments: list[Segment] = []
    together: list[Segment] = []
    for at, table in enumerate(document.tables(path, value)):
        where = (*path, at)
        segment = document.convert(table, where, Segment)
        _check(document, segment, where, table)
        if together and segment.group != together[0].group:
            segments.extend(_unrolled(together))
            together = []
        if together and segment.repeat not in (1, together[0].repeat):
            problem = f"is {segment.repeat}, the group {segment.group} has {together[0].repeat}"
            document.fail((*where, "repeat"), problem, "Say it once, at the first of the group.")
        if segment.group:
            together.append(segment)
        else:
            segments.extend(_unrolled([segment]))
        repeats = together[0].repeat if together else 0
        if len(segments) + repeats * len(together) > MOST_SEGMENTS:
            document.fail(where, f"more than {MOST_SEGMENTS} segments with the repeats")
    segments.extend(_unrolled(together))
    protocol = Protocol(segments=tuple(segments))
    if not segments:
        document.fail(path, "there is no segment", "Write [[segment]] with name, seconds and target_w.")
    if protocol.total_s > LONGEST_S:
        document.fail(path, f"{protocol.total_s / 3600:.1f} hours in all, more than {LONGEST_S / 3600:.0f}")
    return protocol


def _check(document: Document, segment: Segment, where: Path, table: dict[str, object]) -> None:
    if not segment.name.strip() or len(segment.name) > 60 or "\n" in segment.name:
        document.fail((*where, "name"), "must be 1 to 60 characters in one line")
    if segment.name in (PAUSE, AFTER):
        document.fail((*where, "name"), f'"{segment.name}" has a meaning of its own', "Take another name.")
    # By identity: a target of 0 W is one, though 0 equals False.
    given = [load for load in LOADS if not _is_none(getattr(segment, load))]
    if len(given) != 1:
        problem = f"sets the load by {' and '.join(given)}" if given else "does not say how the load is set"
        hint = "Give exactly one of target_w = 200, ramp_w = [100, 300], free = true, sprint = true."
        document.fail(where, problem, hint)
    document.require_range((*where, "seconds"), segment.seconds, 1, LONGEST_S, "seconds")
    document.require_range((*where, "target_w"), segment.target_w, 0, 3000, "watts")
    for end_w in segment.ramp_w or ():
        document.require_range((*where, "ramp_w"), end_w, 0, 3000, "watts")
    document.require_range((*where, "cadence_rpm"), segment.cadence_rpm, 10, 250, "rpm")
    document.require_range((*where, "repeat"), segment.repeat, 1, 200, "times")
    document.require_range((*where, "settle_s"), segment.settle_s, 0, 600, "seconds")
    if "settle_s" in table and segment.settle_s >= segment.seconds:
        problem = f"is {segment.settle_s:g}, which leaves nothing of the {segment.seconds:g} seconds"
        document.fail((*where, "settle_s"), problem)


def _is_none(load: object) -> bool:
    return load is None or load is False


def _unrolled(together: Sequence[Segment]) -> list[Segment]:
    """The segments of one group, or a single one, as often as the first of them says."""
    repeat = together[0].repeat if together else 0
    return [
        msgspec.structs.replace(
            segment, name=f"{segment.name} {n}/{repeat}" if repeat > 1 else segment.name, repeat=1, group=""
        )
        for n in range(1, repeat + 1)
        for segment in together
    ]


def segment_line(segment: Segment) -> str:
    """A segment as one line of JSON, for an act; `read_segment` reads it."""
    plan = {
        field: value
        for field, value in msgspec.to_builtins(segment).items()
        if value != getattr(_BARE, field, None)
    }
    return msgspec.json.encode(plan).decode()


_BARE = Segment(name="", seconds=0.0)


def read_segment(line: str) -> Segment | None:
    """The segment in a line of JSON, checked like one in a file; None: it is none."""
    try:
        table = msgspec.json.decode(line, type=dict[str, object])
        document = Document("", "act")
        segment = document.convert(table, ("segment",), Segment)
        _check(document, segment, ("segment",), table)
    except (BenchError, msgspec.MsgspecError, UnicodeError):
        return None
    return segment
