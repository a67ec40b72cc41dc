"""Before the ride: is every instrument there, well heard, itself, and set as the bench says?

Values only; nothing here waits, reads a file or sends. What is wrong is a sentence with the remedy.
A red item can be overridden by a person, which is recorded; nothing is hidden by it.
"""

import itertools
import math
import statistics
from collections import deque
from collections.abc import Callable
from typing import Literal, NamedTuple

from capture.control import Request, control_channel, crank_length_request
from capture.record import Act, Link, Packet, Record, Tick, Write
from monitor.live.pipeline import Pipeline
from monitor.live.records.packets import MEASUREMENTS
from monitor.live.view import Heard
from monitor.live.zeros import Zeros
from monitor.setup.bench import Bench, Instrument

State = Literal["ok", "wait", "untold", "warn", "red"]
"""`wait`: it may come by itself; `untold`: not known, and nobody can help it; `warn`: look at it."""

WARM_UP_S = 600.0
"""Minutes until an instrument has its temperature (common practice, no source)."""
NEVER_HEARD_S = 20.0
RECENT_S = 60.0
LOSS_WARN, LOSS_RED = 5.0, 20.0
"""Percent of the messages that did not come. On ANT+ 95 to 99.9 % come in a good place (public forum)."""
GAP_WARN_S = 3.0
RSSI_WEAK_DBM = -85.0
"""Weaker than this a link breaks when a leg comes between (common practice, no source)."""
BATTERY_WARN, BATTERY_RED = 15.0, 5.0
DISK_WARN, DISK_RED = 1_000_000_000, 100_000_000
"""Octets; an evening of four instruments takes some ten millions."""
LENGTH_MM = 0.4
"""Crank lengths are set in half millimetres or coarser."""
ASK_AFTER_S, ASK_AGAIN_S, ASK_TIMES = 1.5, 8.0, 3
LEAST_MESSAGES, BURST_S, USUAL_S, IS_GAP = 8, 0.02, 0.25, 2.5
"""So many messages tell a rhythm; what comes closer than BURST_S came in one burst; USUAL_S where all did
(four a second, as ANT+ and many Bluetooth meters send); a gap is IS_GAP times the usual. Common practice, no
source."""


class Item(NamedTuple):
    """One thing that was looked at. `key` names it in an override."""

    key: str
    state: State
    text: str
    remedy: str = ""
    overridden: bool = False

    @property
    def stops(self) -> bool:
        """Whether a person has to do something, or to override it, before the ride."""
        return self.state == "red" and not self.overridden


class Checked(NamedTuple):
    """An instrument and its items; the bench itself has no label."""

    label: str
    items: tuple[Item, ...]


class Checks(NamedTuple):
    """Everything at one moment. `ready`: a person has said so."""

    t_s: float
    groups: tuple[Checked, ...]
    ready: bool

    @property
    def stops(self) -> list[tuple[str, Item]]:
        """Label and item of what is red and not overridden."""
        return [(group.label, item) for group in self.groups for item in group.items if item.stops]

    @property
    def missing(self) -> list[tuple[str, Item]]:
        """Label and item of what is still waited for."""
        return [(group.label, item) for group in self.groups for item in group.items if item.state == "wait"]


def override_text(item: Item) -> str:
    """The text of the act `override` for an item."""
    return f"{item.key}: {item.text}"


class Rhythm(NamedTuple):
    """How messages came: a second, percent missing by the usual interval, the longest gap."""

    per_s: float
    missing_percent: float
    gap_s: float


class Air:
    """How one instrument comes through the air: its rhythm, and what is missing in it."""

    def __init__(self) -> None:
        self.times: deque[float] = deque()

    def take(self, t_s: float) -> None:
        """A measurement came."""
        self.times.append(t_s)
        while self.times and self.times[0] < t_s - RECENT_S:
            self.times.popleft()

    def rhythm(self) -> Rhythm | None:
        """How its messages came; None: too few to say.

        Radios deliver in bursts; so what counts is how many usual intervals fit into each gap.
        """
        if len(self.times) < LEAST_MESSAGES:
            return None
        times = list(self.times)
        gaps = [b - a for a, b in itertools.pairwise(times)]
        usual_s = statistics.median(apart) if (apart := [gap for gap in gaps if gap > BURST_S]) else USUAL_S
        missing = sum(max(0, round(gap / usual_s) - 1) for gap in gaps if gap > IS_GAP * usual_s)
        span_s = times[-1] - times[0]
        percent = 100.0 * missing / (len(gaps) + missing)
        return Rhythm(len(gaps) / span_s if span_s > 0.0 else 0.0, percent, max(gaps))


class Preflight:
    """Collects what the records tell. Feed it each one after the pipeline."""

    def __init__(self, bench: Bench) -> None:
        self.bench = bench
        self._air = {instrument.label: Air() for instrument in bench.instruments}
        self._channels: dict[str, dict[str, None]] = {each.label: {} for each in bench.instruments}
        self._first_s: dict[str, float] = {}
        self._overridden: set[tuple[str, str]] = set()
        self._zeroed_s: dict[str, tuple[float, str]] = {}
        self.ready = False
        self.references = ""
        """What earlier evenings say of the trusted instruments; empty: nothing to look at."""

    def take(self, record: Record) -> None:
        """See one record."""
        match record:
            case Packet(t_ns, label, channel) if label in self._air and (
                channel in MEASUREMENTS or channel.startswith("ant")
            ):
                self._air[label].take(t_ns / 1e9)
                self._channels[label].setdefault(channel)
                self._first_s.setdefault(label, t_ns / 1e9)
            case Act(t_ns, "override", text, label):
                self._overridden.add((label, text.partition(":")[0]))
            case Act(t_ns, "zeroed", text, label):
                for each in [label] if label else list(self._air):
                    self._zeroed_s[each] = (record.moment_ns / 1e9, text)
            case Act(_, "ready"):
                self.ready = True
            case _:
                pass

    def checks(self, pipeline: Pipeline, disk_free: int | None) -> Checks:
        """Everything as it stands; `disk_free` in octets, None: not known."""
        t_s = pipeline.t_s
        groups = [Checked("", self._bench_items(pipeline, disk_free))]
        for i, instrument in enumerate(self.bench.instruments):
            groups.append(Checked(instrument.label, tuple(self._items(i, instrument, pipeline))))
        marked = tuple(
            Checked(g.label, tuple(
                item._replace(overridden=(g.label, item.key) in self._overridden) for item in g.items
            ))
            for g in groups
        )  # fmt: skip
        return Checks(t_s, marked, self.ready)

    # -- the bench

    def _bench_items(self, pipeline: Pipeline, disk_free: int | None) -> tuple[Item, ...]:
        recording = pipeline.recording
        items = [
            Item("recording", "ok", "recording")
            if recording == "recording"
            else Item("recording", "red", recording, "free some space on the disk or reconnect the drive")
        ]
        if disk_free is None:
            items.append(Item("disk", "untold", "free space not known"))
        else:
            text = f"{disk_free / 1e9:.1f} GB free"
            state: State = "red" if disk_free < DISK_RED else "warn" if disk_free < DISK_WARN else "ok"
            items.append(Item("disk", state, text, "" if state == "ok" else "free some space"))
        items.append(self._warm_up(pipeline.t_s))
        if self.references:
            remedy = "check them with weights, or ride a third instrument along"
            items.append(Item("references", "warn", self.references, remedy))
        return tuple(items)

    def _warm_up(self, t_s: float) -> Item:
        if not self._first_s:
            return Item("warm-up", "wait", "warm-up begins with the first instrument heard")
        since_s = t_s - max(self._first_s.values())
        clock = f"{int(since_s) // 60}:{int(since_s) % 60:02} of {WARM_UP_S / 60:.0f} min"
        if since_s >= WARM_UP_S:
            return Item("warm-up", "ok", f"warm: {int(since_s) // 60} min since the last one was found")
        return Item("warm-up", "wait", f"warming up, {clock}", "ride easily, then set the zero offsets")

    # -- an instrument

    def _items(self, i: int, instrument: Instrument, pipeline: Pipeline) -> list[Item]:
        facts = pipeline.facts.reported[i]
        heard = pipeline.facts.heard[i]
        items = [self._link(i, instrument, heard, pipeline), *self._radio(i, instrument, pipeline)]
        if not pipeline.packets[i]:
            return items
        items += [_identity(facts), _battery(facts)]
        if instrument.mount in ("pedals", "crank", "spider", "chainring"):
            items.append(_crank_length(instrument, facts))
        if instrument.measures_power:
            items.append(self._zero(instrument, facts, pipeline.t_s, pipeline.facts.zeros[i]))
        if isinstance(celsius := facts.get("temperature_c"), int | float):
            items.append(Item("temperature", "ok", f"{celsius:.0f} °C"))
        return items

    def _link(self, i: int, instrument: Instrument, heard: Heard, pipeline: Pipeline) -> Item:
        since_s = pipeline.t_s - pipeline.facts.heard_since_s[i]
        wake = "turn its crank, look at its battery and at the link in the bench"
        if instrument.mount == "hub":
            wake = "plug it in, end other programs that hold it, look at the link in the bench"
        match heard:
            case "heard":
                return Item("link", "ok", "heard")
            case "resting":
                return Item("link", "ok", "heard, at rest")
            case "lost":
                return Item("link", "red", f"lost for {since_s:.0f} s", wake)
            case "given-up":
                reason = pipeline.facts.given_up[i] or "given up"
                return Item("link", "red", reason, wake)
            case "searching":
                if pipeline.t_s < NEVER_HEARD_S:
                    return Item("link", "wait", f"looking for {instrument.link}", wake)
                return Item("link", "red", f"not heard: {instrument.link}", wake)

    def _radio(self, i: int, instrument: Instrument, pipeline: Pipeline) -> list[Item]:
        """Strength, rhythm and loss: what interference looks like."""
        facts = pipeline.facts.reported[i]
        items = []
        rssi = _number(facts.get("rssi_dbm"))
        if rssi is not None:
            weak = rssi < RSSI_WEAK_DBM
            remedy = "bring the receiver nearer, in sight of it" if weak else ""
            items.append(Item("signal", "warn" if weak else "ok", f"{rssi:.0f} dBm", remedy))
        rhythm = self._air[instrument.label].rhythm()
        if rhythm is None or pipeline.facts.heard[i] != "heard":
            # Many say nothing while nobody pedals.
            return items
        rate, percent, gap_s = rhythm
        slots = pipeline.packets[i] + pipeline.missed[i]
        if pipeline.missed[i] and slots:
            # Slot by slot, where the radio counts them: but of all the session.
            percent = max(percent, 100.0 * pipeline.missed[i] / slots)
        text = f"{rate:.1f} a second, {percent:.1f} % missing, longest gap {gap_s:.1f} s"
        remedy = "radio is disturbed: receiver nearer, away from USB 3 plugs, Wi-Fi and other computers"
        state: State = "ok"
        if percent > LOSS_RED:
            state = "red"
        elif percent > LOSS_WARN or gap_s > GAP_WARN_S:
            state = "warn"
        items.append(Item("radio", state, text, "" if state == "ok" else remedy))
        return items

    def _zero(self, instrument: Instrument, facts: dict[str, float | str], t_s: float, zeros: Zeros) -> Item:
        """What it can, and whether it was done in this session."""
        link, profile = instrument.link, instrument.profile
        can = ""
        try:
            channel = control_channel(link, profile, tuple(self._channels[instrument.label]))
        except ValueError:
            channel = ""
        if facts.get("enhanced_offset_compensation") == 1.0:
            can = "can be zeroed from here, and tells why if it fails"
        elif facts.get("offset_compensation") == 1.0 or channel in ("ant11", "ant17"):
            can = "can be zeroed from here"
        elif facts.get("offset_compensation") == 0.0:
            can = "says it can't be zeroed over the radio"
        if isinstance(auto := facts.get("auto_zero"), str):
            can = f"{can}, auto-zero {auto}".lstrip(", ")
        done = self._zeroed_s.get(instrument.label)
        if done is not None:
            ago_s = t_s - done[0]
            text = f"zeroed {int(ago_s) // 60}:{int(ago_s) % 60:02} ago"
            text += f": {done[1]}" if done[1] else ""
            if zeros.jump is not None:
                return Item(
                    "zero", "warn", f"{text}, a jump", "unload the pedals, crank still, zero it again"
                )
            return Item("zero", "ok", "; ".join(part for part in (text, can) if part))
        if instrument.mount == "hub":
            return Item("zero", "ok", can or "its maker's spin-down, if it has one")
        asked = "from here" in can
        how = "press o: pedals unloaded, crank still" if asked else "zero it as its maker says, then press z"
        return Item("zero", "warn", "; ".join(part for part in ("not zeroed yet", can) if part), how)


def _identity(facts: dict[str, float | str]) -> Item:
    maker = facts.get("manufacturer") or (
        f"maker {facts['manufacturer_id']:g}" if _number(facts.get("manufacturer_id")) is not None else ""
    )
    model = facts.get("model") or (
        f"model {facts['model_number']:g}" if _number(facts.get("model_number")) is not None else ""
    )
    words = [str(word) for word in (facts.get("name"), maker, model) if word]
    for key, title in (("firmware", "firmware"), ("serial", "serial"), ("location", "at")):
        if facts.get(key):
            words.append(f"{title} {facts[key]}")
    if not words:
        return Item("identity", "untold", "tells nothing of itself")
    missing = [name for name in ("firmware", "serial") if not facts.get(name)]
    text = ", ".join(words)
    return Item("identity", "ok", text + (f"; not told: {', '.join(missing)}" if missing else ""))


def _battery(facts: dict[str, float | str]) -> Item:
    percent = _number(facts.get("battery_percent"))
    states = [str(v) for k, v in facts.items() if k.startswith("battery") and k.endswith("_state")]
    worst = next((state for state in ("critical", "low") if state in states), states[0] if states else None)
    remedy = "change or charge it before the ride"
    if percent is not None:
        text = f"battery {percent:.0f} %"
        if percent <= BATTERY_RED:
            return Item("battery", "red", text, remedy)
        return (
            Item("battery", "warn", text, remedy) if percent <= BATTERY_WARN else Item("battery", "ok", text)
        )
    if worst is not None:
        volts = _number(facts.get("battery_v"))
        text = f"battery {worst}" + (f", {volts:.2f} V" if volts is not None else "")
        state: State = "red" if worst == "critical" else "warn" if worst == "low" else "ok"
        return Item("battery", state, text, "" if state == "ok" else remedy)
    return Item("battery", "untold", "battery not told")


def _crank_length(instrument: Instrument, facts: dict[str, float | str]) -> Item:
    reported, mounted = _number(facts.get("crank_length_mm")), instrument.crank_length_mm
    if reported is None:
        remedy = "look it up in its maker's program: a wrong length is a wrong scale"
        text = "crank length not told"
        return Item("crank-length", "untold" if mounted is None else "warn", text, remedy)
    if mounted is None:
        remedy = "write crank_length_mm into the bench to have it compared"
        return Item("crank-length", "ok", f"crank length {reported:g} mm; the bench tells none", remedy)
    if abs(reported - mounted) < LENGTH_MM:
        return Item("crank-length", "ok", f"crank length {reported:g} mm, as mounted")
    percent = 100.0 * (reported / mounted - 1.0)
    return Item(
        "crank-length",
        "red",
        f"crank length {reported:g} mm, mounted {mounted:g} mm: {percent:+z.1f} % by that alone",
        f"press l to set {mounted:g} mm, or correct the bench",
    )


def _number(value: object) -> float | None:
    try:
        number = float(value)  # type: ignore[arg-type]
    except (TypeError, ValueError):
        return None
    return number if math.isfinite(number) else None


# -- asking for settings


class Asker:
    """Asks each power meter once a link for its crank length: a function of the records alone.

    `late_s`: who follows a session leaves it to the screen that started it.
    """

    def __init__(self, bench: Bench, late_s: float = 0.0) -> None:
        self._instruments = {
            each.label: each
            for each in bench.instruments
            if each.measures_power and each.mount != "hub" and each.profile != "fitness-machine"
        }
        self._late_s = late_s
        self._up_s: dict[str, float] = {}
        self._asked: dict[str, list[float]] = {}
        self._heard: dict[str, dict[str, None]] = {}
        self._reported: set[str] = set()

    def take(
        self, record: Record, facts: Callable[[str], dict[str, float | str]]
    ) -> list[tuple[str, Request]]:
        """The next record, and what gives the facts known of a label; whom to ask now, and what.

        It asks on ticks only: once a second is often enough.
        """
        t_s = record.t_ns / 1e9
        match record:
            case Link(_, label, state) if label in self._instruments:
                if state == "up":
                    self._up_s.setdefault(label, t_s)
                    self._asked.setdefault(label, [])
                elif state in ("down", "given-up", "radio-lost"):
                    self._up_s.pop(label, None)
                    self._asked.pop(label, None)
                    self._reported.discard(label)
            case Packet(_, label, channel, data) if label in self._instruments:
                self._heard.setdefault(label, {}).setdefault(channel)
                self._up_s.setdefault(label, t_s)
                if (channel == "2A66" and data[:2] == b"\x20\x05") or (
                    channel == "ant11" and data[:2] == b"\x02\x01"
                ):
                    self._reported.add(label)
            case Write(_, label, channel, data, outcome) if label in self._instruments:
                request = self._request(label)
                asked = self._asked.setdefault(label, [])
                if request is not None and (channel, data) == request and outcome == "sent":
                    if asked and t_s - asked[-1] < ASK_AGAIN_S:
                        # Ours, or another screen's in the place of ours.
                        asked[-1] = t_s
                    else:
                        asked.append(t_s)
            case Tick():
                return self._due(t_s, facts)
            case _:
                pass
        return []

    def _request(self, label: str) -> Request | None:
        each = self._instruments[label]
        try:
            return crank_length_request(each.link, each.profile, tuple(self._heard.get(label, ())))
        except ValueError:
            return None

    def _due(self, t_s: float, facts: Callable[[str], dict[str, float | str]]) -> list[tuple[str, Request]]:
        due = []
        for label, up_s in self._up_s.items():
            asked = self._asked.setdefault(label, [])
            if label in self._reported or len(asked) >= ASK_TIMES or not self._heard.get(label):
                continue
            since_s = t_s - (asked[-1] if asked else up_s)
            if since_s < self._late_s + (ASK_AGAIN_S if asked else ASK_AFTER_S):
                continue
            request = self._request(label)
            if request is None:
                asked.extend([t_s] * ASK_TIMES)
                continue
            if request.channel == "2A66" and facts(label).get("crank_length_adjustable") != 1.0:
                # It says that it has none to tell, or has not said anything yet.
                continue
            asked.append(t_s)
            due.append((label, request))
        return due
