"""A scene: a virtual rider and virtual instruments as a script that emits the bytes of real profiles.

The same definition gives the same bytes, however fast or slow it is drawn: all chance
comes from the seed, and each instrument has its own, so that another one beside it
changes nothing.
"""

import datetime
import heapq
from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from capture.record import Act, End, Record, Tick
from capture.scene.definition import (
    SceneDefinition,
    SceneError,
    Segment,
    gear_ratio,
    nearest,
    parse,
    parse_segments,
    unrolled,
)
from capture.scene.instruments import PROFILES, VirtualInstrument, make_instrument
from capture.scene.rider import Rider
from capture.source import Wanted

_SECOND_NS = 1_000_000_000


def evening() -> str:
    """The built-in evening as the text of a bench file: scene, instruments and protocol, six minutes."""
    return Path(__file__).with_name("evening.toml").read_text(encoding="utf-8")


class Scene:
    """A scene as a `capture.source.Script`.

    Args:
        definition: the table `[scene]` of a bench; None or empty: that of `evening`.
        wanted: what is listened to; links are `scene:LABEL`.
        protocol: segments of the protocol as tables, in riding order; the rider follows them
            unless the scene has segments of its own. The start of each is an act.

    Raises:
        SceneError: the definition, a link or a profile is wrong; the message names the place.
    """

    def __init__(
        self,
        definition: Mapping[str, Any] | None,
        wanted: Sequence[Wanted],
        protocol: Sequence[Mapping[str, Any]] | None = None,
    ) -> None:
        self.definition = parse(definition if definition else _evening_scene())
        self.wanted = tuple(wanted)
        self._profiles = [_profiles(self.definition, one) for one in self.wanted]
        asked = parse_segments(protocol) if protocol else ()
        self._ridden = unrolled(self.definition.segment) or asked
        if not self._ridden:
            raise SceneError("scene.segment: there is none, and no protocol to follow")
        self._protocol = asked or self._ridden
        length_s = max(_length_s(self._ridden), _length_s(self._protocol))
        self.end_s: float | None = None if self.definition.loop else length_s
        """Length in seconds; None: it goes on until it is stopped."""
        self._run: _Run | None = None

    def records(self) -> Iterator[Record]:
        """All records from the beginning, in order of time; `write` then acts on this run."""
        self._run = _Run(self)
        return self._run.records()

    def write(self, instrument: str, channel: str, data: bytes) -> str:
        """Bytes from the operator's side at the present time of the script; `sent`, or why not."""
        if self._run is None:
            return "the scene has not begun"
        return self._run.write(instrument, channel, data)

    def truth(self, until_s: float | None = None) -> Rider:
        """The ride as it really was, with the trainer's targets of the latest run, up to `until_s`.

        Ask it for work and revolutions at any time. ValueError for an endless scene without `until_s`.
        """
        until_s = self.end_s if until_s is None else until_s
        if until_s is None:
            raise ValueError("an endless scene has no end: say how far")
        rider = self._rider(keep=True, holds=self._run.rider.holds if self._run else ())
        rider.extend(until_s)
        return rider

    def segments(self) -> list[tuple[float, Segment]]:
        """When each segment of the first lap begins, seconds, and what it is."""
        starts, at_s = [], 0.0
        for segment in self._protocol:
            starts.append((at_s, segment))
            at_s += segment.seconds
        return starts

    def _rider(self, keep: bool = False, holds: Sequence[tuple[int, float | None]] = ()) -> Rider:
        scene = self.definition
        ratio = gear_ratio(scene.gear)
        assert ratio is not None
        return Rider(
            self._ridden,
            scene.rider,
            str(scene.seed),
            gear=ratio,
            loss=scene.drivetrain_loss,
            loop=scene.loop,
            keep=keep,
            holds=holds,
        )


def _evening_scene() -> Mapping[str, Any]:
    import tomllib

    table: Mapping[str, Any] = tomllib.loads(evening())["scene"]
    return table


def _length_s(segments: Sequence[Segment]) -> float:
    return sum(segment.seconds for segment in segments)


def _profiles(scene: SceneDefinition, wanted: Wanted) -> tuple[str, ...]:
    """What an instrument is listened to for: the profile asked for, or all that it speaks."""
    if wanted.scheme != "scene":
        raise SceneError(f'{wanted.label}: "{wanted.link}" is no link to a scene; write scene:LABEL')
    if wanted.target not in scene.instrument:
        hint = nearest(wanted.target, list(scene.instrument))
        raise SceneError(f'{wanted.label}: the scene has no instrument "{wanted.target}"; {hint}')
    kind = scene.instrument[wanted.target].kind
    spoken = PROFILES[kind]
    if wanted.profile is None:
        return spoken
    if wanted.profile not in spoken:
        known = ", ".join(spoken)
        raise SceneError(f'{wanted.label}: a "{kind}" does not speak {wanted.profile}, only {known}')
    return (wanted.profile,)


class _Run:
    """One playing of a scene: a queue of what happens next, drained in order of time."""

    def __init__(self, scene: Scene) -> None:
        self.rider = scene._rider()
        self._queue: list[tuple[int, int, Callable[[float], None] | None, Record | None]] = []
        self._number = 0
        self._now_ns = 0
        self._end_ns = None if scene.end_s is None else round(scene.end_s * 1e9)
        definition = scene.definition
        start = definition.start_utc
        if start.tzinfo is None:
            start = start.replace(tzinfo=datetime.UTC)
        self._utc_ns = round(start.timestamp() * 1e6) * 1000
        self._instruments: dict[str, VirtualInstrument] = {}
        self.rider.extend(0.0)
        self.emit(Tick(0, self._utc_ns))
        self._laps(scene.segments(), scene.definition.loop)
        labels = {one.target: one.label for one in reversed(scene.wanted)}
        for act in definition.act:
            if act.instrument == "" or act.instrument in labels:
                label = labels.get(act.instrument, "")
                self.emit(Act(round(act.at * 1e9), act.act, act.text, label))
        for one, profiles in zip(scene.wanted, scene._profiles, strict=True):
            instrument = make_instrument(one.label, one.target, profiles, definition, self.rider, self)
            self._instruments[one.label] = instrument
            instrument.start()

    def _laps(self, starts: Sequence[tuple[float, Segment]], loop: bool) -> None:
        length_s = starts[-1][0] + starts[-1][1].seconds

        def lap(t_s: float) -> None:
            for start_s, segment in starts:
                self.emit(Act(round((t_s + start_s) * 1e9), "segment", segment.name))
            if loop:
                self.at(t_s + length_s, lap)

        lap(0.0)

    def at(self, t_s: float, action: Callable[[float], None]) -> None:
        """Run `action` at `t_s`."""
        self._number += 1
        heapq.heappush(self._queue, (round(t_s * 1e9), self._number, action, None))

    def emit(self, record: Record) -> None:
        """Give out a record at its time."""
        self._number += 1
        heapq.heappush(self._queue, (record.t_ns, self._number, None, record))

    def records(self) -> Iterator[Record]:
        """All records until the scene ends."""
        queue, end_ns = self._queue, self._end_ns
        while queue:
            t_ns, _, action, record = heapq.heappop(queue)
            if end_ns is not None and t_ns > end_ns:
                break
            self._now_ns = t_ns
            if record is not None:
                yield record
                if type(record) is Tick:
                    following_ns = t_ns + _SECOND_NS
                    self.emit(Tick(following_ns, self._utc_ns + following_ns))
            elif action is not None:
                t_s = t_ns * 1e-9
                self.rider.extend(t_s)
                action(t_s)
        if end_ns is not None:
            yield End(end_ns, "the scene is over")

    def write(self, instrument: str, channel: str, data: bytes) -> str:
        """Bytes for an instrument, now."""
        target = self._instruments.get(instrument)
        if target is None:
            return f"{instrument} is not in the scene"
        return target.write(self._now_ns * 1e-9, channel, data)
