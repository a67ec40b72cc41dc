"""Packets: decoded, and given to all that live on what an instrument sends."""

from collections.abc import Callable, Sequence
from typing import NamedTuple

from capture.profiles import decode
from capture.record import Packet
from capture.sample import DecodeError, Reading
from monitor.analysis.accounts import Account
from monitor.analysis.stroke.track import StrokeTrack, tells_of_stroke
from monitor.analysis.work.showing import HELD_S
from monitor.analysis.work.track import Track
from monitor.live.facts import Facts
from monitor.live.faults.recent import Recent
from monitor.live.zeros import Zero, Zeros, zero_unit

MEASUREMENTS = frozenset({"2A63", "2AD2", "2A5B", "ride"})

ReadingSink = Callable[[float, int, Reading, Track], None]


class _Instrument(NamedTuple):
    """One instrument, and what takes its readings."""

    i: int
    track: Track
    account: Account
    recent: Recent
    stroke: StrokeTrack
    reported: dict[str, float | str]
    zeros: Zeros


class Packets:
    """Takes the packets of a bench; `sink(t_s, index, reading, track)` gets each decoded one as well."""

    def __init__(
        self,
        labels: Sequence[str],
        tracks: Sequence[Track],
        accounts: Sequence[Account],
        recent: Sequence[Recent],
        strokes: Sequence[StrokeTrack],
        facts: Facts,
        sink: ReadingSink | None,
    ) -> None:
        every = zip(
            range(len(labels)), tracks, accounts, recent, strokes, facts.reported, facts.zeros, strict=True
        )
        self._known = {label: _Instrument(*one) for label, one in zip(labels, every, strict=True)}
        self._sink = sink
        self.counts = [0] * len(labels)
        self.bad = [0] * len(labels)
        """Those that could not be decoded."""
        self.strange = 0
        """Packets of labels that the bench doesn't know."""

    def take(self, p: Packet, t_s: float) -> None:
        """The next packet."""
        known = self._known.get(p.instrument)
        if known is None:
            self.strange += 1
            return
        i, track, account, recent, stroke, reported, zeros = known
        self.counts[i] += 1
        channel = p.channel
        try:
            reading = decode(channel, p.data)
        except DecodeError:
            self.bad[i] += 1
            return
        if channel in MEASUREMENTS or channel.startswith("ant"):
            track.feed(reading, t_s)
            power = reading.power_w
            if power is not None:
                account.shows(t_s, power)
            elif (
                track.fresh
                and t_s > track.reading_s + HELD_S
                and (reading.torque_sum_32nds is not None or reading.torque_ticks is not None)
            ):
                power = track.power_w
            if power is not None and (track.fresh or not recent.powers or recent.powers[-1][1] != power):
                recent.feed(t_s, power, reading.left_share)
        facts = reading.facts
        if stroke.reports or reading.vector is not None or (facts and tells_of_stroke(facts)):
            stroke.take(reading, t_s)
        if facts:
            reported.update(facts)
            if isinstance(raw := facts.get("zero_offset_raw"), int | float):
                unit = zero_unit(channel, reported.get("measurement_context"))
                zeros.take(t_s, Zero(float(raw), unit))
        if reading.battery_percent is not None:
            reported["battery_percent"] = float(reading.battery_percent)
        if self._sink is not None:
            self._sink(t_s, i, reading, track)
