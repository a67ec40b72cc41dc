"""A ride file as records of a journal: each value as it was written, for as long as it stands.

Time that a file leaves out (its timer stood still, it began later, it ended earlier) is a pause:
it is neither riding nor a lost signal.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence

from capture.profiles.ride_sample import CHANNEL, Sample
from capture.record import Act, Link, Packet, Record, Reported
from monitor.setup.protocol import Protocol
from monitor.study.rides.ride import Lap, Pause, RideFile

S = 1_000_000_000
ORDER: dict[type, int] = {Reported: 0, Link: 1, Act: 2, Packet: 3}
LEAST_PAUSE_S = 0.5
"""Less than the clocks of the files can tell."""
ALIKE_PART, ALIKE_S = 0.1, 10.0
"""Laps whose lengths are those of the protocol within this are its segments."""


def records_of(label: str, ride: RideFile, shift_s: float, end_s: float) -> list[Record]:
    """All records of one file, in order. `shift_s` brings its times to session time, `end_s` is the last."""
    begin_s = ride.start_s + shift_s
    first_ns = max(0, round(begin_s * S))
    found: list[Record] = [Reported(first_ns, label, key, value) for key, value in ride.facts.items()]
    found.append(Link(0, label, "up", f"a {ride.kind} file"))
    last_s = begin_s
    for row, held_s in ride.held():
        at_s = row.time_s + shift_s
        if row.power_w is None or not 0.0 <= at_s < end_s:
            # A record without power: the head unit did not hear the meter.
            continue
        sample = Sample(
            min(held_s, end_s - at_s),
            row.power_w,
            row.cadence_rpm,
            row.share_percent,
            row.left_w,
            row.right_w,
            row.side_known,
        )
        found.append(Packet(round(at_s * S), label, CHANNEL, bytes(sample)))
        last_s = max(last_s, at_s + sample.held_s)
    still = [Pause(p.start_s + shift_s, p.end_s + shift_s) for p in ride.pauses]
    still += [Pause(0.0, begin_s), Pause(last_s, end_s)]
    for pause in still:
        start_s, stop_s = max(0.0, pause.start_s), min(end_s, pause.end_s)
        if stop_s - start_s >= LEAST_PAUSE_S:
            data = bytes(Sample(stop_s - start_s, paused=True))
            found.append(Packet(round(start_s * S), label, CHANNEL, data))
    return in_order(found)


def in_order(records: Iterable[Record]) -> list[Record]:
    """Records by time; of one moment, what is known of an instrument comes before its values."""
    return sorted(records, key=lambda record: (record.t_ns, ORDER.get(type(record), 4)))


def laps_of(rides: Mapping[str, RideFile], wanted: str | None = None) -> tuple[str, Sequence[Lap]] | None:
    """Whose laps divide the evening: those of `wanted`, else of the file with the most that a person pressed.

    Laps by distance or place alone divide nothing; a single lap is the whole ride.
    """
    if wanted is not None:
        return (wanted, rides[wanted].laps) if rides[wanted].laps else None
    best = max(rides, key=lambda label: _pressed(rides[label]), default=None)
    if best is None or _pressed(rides[best]) < 2:
        return None
    return best, rides[best].laps


def _pressed(ride: RideFile) -> int:
    return sum(lap.pressed for lap in ride.laps) if len(ride.laps) > 1 else 0


def lap_acts(laps: Sequence[Lap], shift_s: float, end_s: float, protocol: Protocol | None) -> Iterator[Act]:
    """Laps as segments, each with a name of its own; those of the protocol if they are as long as its."""
    names = [lap.name for lap in laps]
    if protocol is not None and len(protocol.segments) == len(laps):
        lengths = zip(laps, protocol.segments, strict=True)
        if all(
            abs(lap.end_s - lap.start_s - segment.seconds) <= max(ALIKE_S, ALIKE_PART * segment.seconds)
            for lap, segment in lengths
        ):
            names = [segment.name for segment in protocol.segments]
    taken: dict[str, int] = {}
    last_s = 0.0
    for lap, name in zip(laps, names, strict=True):
        start_s = max(0.0, lap.start_s + shift_s)
        if start_s >= end_s:
            continue
        taken[name] = taken.get(name, 0) + 1
        # Two segments of one name could not be told apart.
        text = name if taken[name] == 1 else f"{name} ({taken[name]})"
        yield Act(round(start_s * S), "segment", text)
        last_s = min(end_s, lap.end_s + shift_s)
    if 0.0 < last_s < end_s - 1.0:
        yield Act(round(last_s * S), "finish")
