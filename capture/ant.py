"""ANT+ instruments over a USB stick: a live source of records, and what is in range.

One tracking channel an instrument, never a background-scanning one: only a tracking channel
tells each slot in which nothing came. Searches have low priority and never end, so that an
absent instrument does not take slots from the others. Losses are records: `missed` for a
slot, `down` when the stick gives a track up (and searches again by itself), `radio-lost`
when the stick itself is gone; then it is looked for until it is back.
"""

import asyncio
import contextlib
import logging
from collections.abc import Callable, Sequence
from typing import Final

from capture.ant_frames import Code, Extended, Frame, MessageId, read_channel_message, read_data
from capture.ant_stick import (
    Driver,
    RefusedError,
    Stick,
    StickLostError,
    find_usb_stick,
    in_daemon_thread,
)
from capture.clock import Clock
from capture.profiles import ant_common
from capture.record import Link, LinkState, Packet, Reported
from capture.sample import DecodeError
from capture.source import Emit, Sighting, SourceError, Wanted

KINDS: Final = {
    "power": ant_common.POWER,
    "trainer": ant_common.TRAINER,
    "cadence": ant_common.CADENCE,
    "speed": ant_common.SPEED,
    "speed-cadence": ant_common.SPEED_CADENCE,
}
"""Device type by the word in a link."""

_NAMES: Final = {
    ant_common.POWER: ("power meter", "bicycle power"),
    ant_common.TRAINER: ("trainer", "fitness equipment"),
    ant_common.CADENCE: ("cadence sensor", "bike cadence"),
    ant_common.SPEED: ("speed sensor", "bike speed"),
    ant_common.SPEED_CADENCE: ("speed and cadence sensor", "bike speed and cadence"),
}

ANT_PLUS_FREQUENCY = 57
"""2457 MHz."""

_NETWORK = 0
_SLAVE = 0x00
_BACKGROUND_SCAN = 0x01
_FOR_EVER = 0xFF
_EXTENDED_ALL = 0xE0
_EXCLUDED_MOST = 4

BACKOFF_S = (0.5, 1.0, 2.0, 4.0, 8.0)
"""Waits between looks for a stick that is gone; the last one for ever."""

SERVED_WELL_S = 10.0
"""A stick that stayed this long is looked for from the shortest wait again."""

QUIET_S = 10.0
"""After so much silence of all channels the stick is asked whether it is still there."""

SEARCH_ON_S = 2.0
"""Wait before a new search for any instrument, if the last one found a wrong one."""

SEND_TRIES = 5
SEND_WITHIN_S = 3.0
RSSI_EVERY_NS = 10_000_000_000

_log = logging.getLogger(__name__)


class _Instrument:
    """One wanted instrument, its channel and what is known of it."""

    def __init__(self, wanted: Wanted, channel: int) -> None:
        self.label, self.link, self.channel = wanted.label, wanted.link, channel
        kind, _, number = wanted.target.partition(":")
        valid = kind in KINDS and (
            number == "*" or (number.isascii() and number.isdigit() and int(number) <= 0xFFFF)
        )
        if wanted.scheme != "ant" or not valid:
            raise SourceError(
                f"The link {wanted.link} of {wanted.label} is none",
                f"Write ant:KIND:NUMBER, KIND one of {', '.join(KINDS)}, NUMBER 0 to 65535 "
                "(0 or *: the first that is heard).",
            )
        self.device_type = KINDS[kind]
        self.wanted_number = 0 if number == "*" else int(number)
        self.number = self.wanted_number
        """The device number, once known; 0 before."""
        self.packet_channel = f"ant{self.device_type}"
        self.state: LinkState | None = None
        self.is_open = False
        """The channel is open on the stick, and nobody here asked to close it."""
        self.is_queued = False
        """It waits for its channel to be opened anew."""
        self.passed_by = 0
        """Another instrument's number that a search for any has found last."""
        self.number_reported = False
        self.rssi_reported_ns: int | None = None


def _network_key() -> bytes:
    """The key of the ANT+ network, as openant ships it."""
    from openant.devices import ANTPLUS_NETWORK_KEY

    return bytes(ANTPLUS_NETWORK_KEY)


async def _open_stick(find: Callable[[], Driver], now_ns: Callable[[], int]) -> Stick:
    """A stick on the ANT+ network with all extended data; SourceError or StickLostError."""
    stick = await Stick.open(find, now_ns)
    try:
        await stick.reset()
        key = await in_daemon_thread(_network_key)  # a heavy import: not in the loop
        await stick.configure(MessageId.NETWORK_KEY, _NETWORK, *key)
        try:
            await stick.configure(MessageId.LIB_CONFIG, 0, _EXTENDED_ALL)
        except RefusedError:
            # An older stick: channel id only, or nothing; the pages are the same.
            with contextlib.suppress(RefusedError):
                await stick.configure(MessageId.ENABLE_EXTENDED, 0, 1)
    except BaseException:
        await stick.close()
        raise
    return stick


class AntSource:
    """ANT+ instruments behind one USB stick, as `capture.source.LiveSource`.

    Links are `ant:power:12345`, `ant:trainer:N`, `ant:cadence:N`, `ant:speed:N`,
    `ant:speed-cadence:N`; number 0 or `*` takes the first of that kind that is heard and stays
    with it. SourceError for a link that is none, or that stands twice. `find` gives an unopened
    driver; another one than USB only for tests.
    """

    def __init__(self, wanted: Sequence[Wanted], find: Callable[[], Driver] = find_usb_stick) -> None:
        self._instruments = [_Instrument(one, channel) for channel, one in enumerate(wanted)]
        self._find = find
        self._stick: Stick | None = None
        self._sending = asyncio.Lock()
        self._work: asyncio.Queue[_Instrument | StickLostError] = asyncio.Queue()
        self._emit: Emit = lambda record: None
        self._now_ns: Callable[[], int] = lambda: 0
        taken: dict[tuple[int, int], str] = {}
        for one in self._instruments:
            other = taken.setdefault((one.device_type, one.wanted_number), one.label)
            if other != one.label:
                raise SourceError(
                    f"{other} and {one.label} have the same link {one.link}",
                    "Write the device number of each; `plumbwatt find` lists them.",
                )

    # -- the contract of a live source

    async def check(self) -> None:
        """Open the stick and ask for its channels; SourceError with the remedy if it can't serve all."""
        try:
            stick = await _open_stick(self._find, lambda: 0)
            try:
                channels = (await stick.capabilities()).channels
            finally:
                await stick.close()
        except (StickLostError, RefusedError) as error:
            raise SourceError(f"The ANT stick can't be used: {error}", "Plug it in again.") from error
        if channels < len(self._instruments):
            surplus = ", ".join(one.label for one in self._instruments[channels:])
            raise SourceError(
                f"The ANT stick has {channels} channels, here are {len(self._instruments)} ANT+ instruments",
                f"Take {surplus} out of the bench, or link by Bluetooth what has it.",
            )

    async def run(self, emit: Emit, clock: Clock) -> None:
        """Listen until cancelled; close the channels and release the stick before returning."""
        self._emit, self._now_ns = emit, clock.now_ns
        loop = asyncio.get_running_loop()
        fails = 0
        while True:
            began_s = loop.time()
            try:
                await self._serve(clock)
            except (SourceError, StickLostError, RefusedError) as error:
                for one in self._instruments:
                    self._change(one, self._now_ns(), "radio-lost", str(error))
            if loop.time() - began_s > SERVED_WELL_S:
                fails = 0
            await asyncio.sleep(BACKOFF_S[min(fails, len(BACKOFF_S) - 1)])
            fails += 1

    async def write(self, instrument: str, channel: str, data: bytes) -> str:
        """Send an acknowledged page to an instrument; `sent` once it confirmed, else why not."""
        one = next((i for i in self._instruments if i.label == instrument), None)
        if one is None:
            return f"there is no ANT+ instrument {instrument}"
        if channel != one.packet_channel:
            return f"{instrument} is {one.packet_channel}, not {channel}"
        if len(data) != ant_common.PAGE_OCTETS:
            return f"an ANT+ page has {ant_common.PAGE_OCTETS} octets, not {len(data)}"
        async with self._sending:
            try:
                return await self._transmit(one, data)
            except StickLostError as error:
                return f"not confirmed: {error}"

    # -- serving one stick

    async def _serve(self, clock: Clock) -> None:
        """Open all channels on a stick and keep them; raises when the stick is gone."""
        stick = await _open_stick(self._find, clock.now_ns)
        try:
            channels = (await stick.capabilities()).channels
            self._work = asyncio.Queue()
            stick.on_lost = lambda reason: self._work.put_nowait(StickLostError(reason))
            stick.on_frame = self._take
            self._stick = stick
            for one in self._instruments:
                if one.channel < channels:
                    await self._search(stick, one)
                else:
                    self._change(
                        one, self._now_ns(), "given-up", f"the ANT stick has only {channels} channels"
                    )
            while True:
                await self._attend(stick)
        finally:
            self._stick = None
            await self._leave(stick)

    async def _attend(self, stick: Stick) -> None:
        """Wait for a channel that has to be opened anew, or look whether a quiet stick is still there."""
        try:
            async with asyncio.timeout(QUIET_S):
                todo = await self._work.get()
        except TimeoutError:
            asked_s = asyncio.get_running_loop().time()
            if asked_s - stick.heard_s >= QUIET_S:
                try:
                    await stick.capabilities()
                except StickLostError:
                    # After a pause of the whole machine the answer waits behind other messages.
                    if stick.heard_s < asked_s:
                        raise
            return
        if isinstance(todo, StickLostError):
            raise todo
        todo.is_open = False
        await stick.close_channel(todo.channel)
        with contextlib.suppress(RefusedError):
            await stick.configure(MessageId.UNASSIGN_CHANNEL, todo.channel)
        await self._search(stick, todo)

    async def _leave(self, stick: Stick) -> None:
        """Close what is open, if the stick still answers, and release it."""
        try:
            for one in self._instruments:
                one.is_open = False
                await stick.close_channel(one.channel)
        except StickLostError:
            pass  # it is gone, or slow: a reset when it is opened next closes all
        finally:
            await stick.close()

    async def _search(self, stick: Stick, one: _Instrument) -> None:
        """Assign and open the channel of an instrument."""
        channel, number, device_type = one.channel, one.number, one.device_type
        one.is_queued = False
        self._change(
            one,
            self._now_ns(),
            "searching",
            f"looking for {one.link}" if number else f"looking for any {_NAMES[device_type][0]}",
        )
        try:
            await stick.configure(MessageId.ASSIGN_CHANNEL, channel, _SLAVE, _NETWORK)
            await stick.configure(MessageId.CHANNEL_ID, channel, number & 0xFF, number >> 8, device_type, 0)
            period = ant_common.PERIOD_TICKS[device_type]
            await stick.configure(MessageId.CHANNEL_PERIOD, channel, period & 0xFF, period >> 8)
            await stick.configure(MessageId.CHANNEL_FREQUENCY, channel, ANT_PLUS_FREQUENCY)
            # A search begins with low priority and becomes one of high priority after a time (public ANT
            # SDK header: 0xFF, never). A stick without low priority goes by the other time.
            with contextlib.suppress(RefusedError):
                await stick.configure(MessageId.LOW_PRIORITY_SEARCH_TIMEOUT, channel, _FOR_EVER)
            await stick.configure(MessageId.SEARCH_TIMEOUT, channel, _FOR_EVER)
            if number == 0:
                await self._exclude_others(stick, one)
            one.is_open = True
            await stick.configure(MessageId.OPEN_CHANNEL, channel)
        except RefusedError as error:
            one.is_open = False
            self._change(one, self._now_ns(), "given-up", f"{error}; plug the stick in again")

    async def _exclude_others(self, stick: Stick, one: _Instrument) -> None:
        """Keep a search for any instrument from the ones that the bench names."""
        others = [i.number for i in self._instruments if i.device_type == one.device_type and i.number]
        others = others[:_EXCLUDED_MOST]
        if not others:
            return
        # Not every stick keeps such a list: `_is_ours` refuses the pages of others in any case.
        with contextlib.suppress(RefusedError):
            for index, number in enumerate(others):
                await stick.configure(
                    MessageId.ADD_CHANNEL_ID,
                    one.channel,
                    number & 0xFF,
                    number >> 8,
                    one.device_type,
                    0,
                    index,
                )
            await stick.configure(MessageId.CONFIG_LIST, one.channel, len(others), 1)

    # -- what comes from the stick, in the loop's thread

    def _take(self, t_ns: int, frame: Frame) -> None:
        try:
            if frame.message_id in (MessageId.BROADCAST_DATA, MessageId.ACKNOWLEDGED_DATA):
                self._take_page(t_ns, frame)
            elif frame.message_id == MessageId.CHANNEL_RESPONSE:
                message = read_channel_message(frame)
                if message.answers is None:
                    self._take_event(t_ns, message.channel, message.code)
            elif frame.message_id == MessageId.CHANNEL_ID:
                self._take_channel_id(t_ns, frame.content)
            elif frame.message_id == MessageId.STARTUP:
                self._work.put_nowait(StickLostError("the ANT stick began anew by itself"))
        except DecodeError as error:
            _log.warning("a message of the ANT stick is not understood: %s", error)

    def _on_channel(self, channel: int) -> _Instrument | None:
        return self._instruments[channel] if channel < len(self._instruments) else None

    def _take_page(self, t_ns: int, frame: Frame) -> None:
        data = read_data(frame)
        one = self._on_channel(data.channel)
        if one is None or one.state in (None, "radio-lost", "given-up"):
            return
        try:
            extended = Extended.from_bytes(data.extra)
        except DecodeError:
            extended = Extended()  # the packet keeps the octets
        if not self._is_ours(one, extended.device_number):
            return
        if one.state != "up":
            self._change(one, t_ns, "up", self._how(one, extended))
        if not one.number_reported:
            self._tell_number(one, t_ns, extended.device_number)
        self._emit(Packet(t_ns, one.label, one.packet_channel, data.page, data.extra))
        if extended.rssi_dbm is not None and (
            one.rssi_reported_ns is None or t_ns - one.rssi_reported_ns >= RSSI_EVERY_NS
        ):
            one.rssi_reported_ns = t_ns
            self._emit(Reported(t_ns, one.label, "rssi_dbm", str(extended.rssi_dbm)))

    def _is_ours(self, one: _Instrument, number: int | None) -> bool:
        """False if the page is of another instrument; a search for any takes the first that is free."""
        if number is None or number == one.number:
            return True
        if one.number == 0:
            if all(i.number != number or i.device_type != one.device_type for i in self._instruments):
                one.number = number
                return True
            if not one.is_queued:
                # A stick that keeps no list of others: a new search may find the right one.
                one.is_queued = True
                if one.passed_by != number:
                    one.passed_by = number
                    self._emit(
                        Link(
                            self._now_ns(),
                            one.label,
                            "searching",
                            f"heard {number}, which the bench has already; searching on",
                        )
                    )
                asyncio.get_running_loop().call_later(SEARCH_ON_S, self._work.put_nowait, one)
            return False
        # The track was taken up by another instrument after a loss: search for the right one.
        self._open_anew(one)
        return False

    def _how(self, one: _Instrument, extended: Extended) -> str:
        name = f"{_NAMES[one.device_type][0]} {one.number or extended.device_number or ''}".rstrip()
        again = one.state == "down" or one.number_reported
        signal = "" if extended.rssi_dbm is None else f", {extended.rssi_dbm} dBm"
        return f"{name} heard{' again' if again else ''}{signal}"

    def _tell_number(self, one: _Instrument, t_ns: int, number: int | None) -> None:
        number = number or one.number
        one.number_reported = True
        if number:
            self._emit(Reported(t_ns, one.label, "ant_id", str(number)))
        elif self._stick is not None:
            # A stick without extended data: ask once whom the channel found.
            self._identify(self._stick, one)

    def _identify(self, stick: Stick, one: _Instrument) -> None:
        question = Frame(MessageId.REQUEST_MESSAGE, bytes((one.channel, MessageId.CHANNEL_ID)))
        task = asyncio.ensure_future(stick.send(question))
        task.add_done_callback(lambda done: done.cancelled() or done.exception())

    def _take_channel_id(self, t_ns: int, content: bytes) -> None:
        one = self._on_channel(content[0]) if len(content) >= 3 else None
        number = int.from_bytes(content[1:3], "little")
        if one is not None and one.number == 0 and number:
            one.number = number
            self._emit(Reported(t_ns, one.label, "ant_id", str(number)))

    def _take_event(self, t_ns: int, channel: int, code: int) -> None:
        one = self._on_channel(channel)
        if one is None:
            return
        if code == Code.RX_FAIL and one.state == "up":
            self._emit(Link(t_ns, one.label, "missed"))
        elif code == Code.CHANNEL_COLLISION and one.state == "up":
            self._emit(Link(t_ns, one.label, "missed", "its slot collided with another instrument's"))
        elif code in (Code.QUEUE_OVERFLOW, Code.SERIAL_QUEUE_OVERFLOW) and one.state == "up":
            self._emit(Link(t_ns, one.label, "missed", "the ANT stick's queue overflowed"))
        elif code == Code.GO_TO_SEARCH and one.state == "up":
            self._change(one, t_ns, "down", f"{one.label} was not heard for 2 s; searching again")
            if one.number != one.wanted_number:
                self._open_anew(one)  # search for the one that was found, not for any
        elif code == Code.CHANNEL_CLOSED and one.is_open:
            # A stick that knows no endless search, or an upset one.
            if one.state == "up":
                self._change(one, t_ns, "down", "the ANT stick closed the channel; searching again")
            self._open_anew(one)

    def _open_anew(self, one: _Instrument) -> None:
        if not one.is_queued:
            one.is_queued = True
            self._work.put_nowait(one)

    def _change(self, one: _Instrument, t_ns: int, state: LinkState, reason: str) -> None:
        """Emit a change of state; no record if it is no change, nor a second search after a loss."""
        if one.state == state or (state == "searching" and one.state == "down"):
            return
        one.state = state
        self._emit(Link(t_ns, one.label, state, reason))

    # -- sending

    async def _transmit(self, one: _Instrument, data: bytes) -> str:
        for _ in range(SEND_TRIES):
            stick = self._stick
            if stick is None:
                return "the ANT stick is gone"
            if one.state != "up":
                return f"{one.label} is not heard now"
            code = await stick.acknowledged(one.channel, data, SEND_WITHIN_S)
            if code == Code.TX_COMPLETED:
                return "sent"
            if code == Code.TRANSFER_IN_PROGRESS:
                await asyncio.sleep(ant_common.PERIOD_TICKS[one.device_type] / 32768)
            elif code not in (Code.TX_FAILED, Code.NO_ERROR):
                return f"the ANT stick refused it (code {code})"
        return f"not confirmed: no answer from {one.label} in {SEND_TRIES} tries"


async def find(seconds: float, find_stick: Callable[[], Driver] = find_usb_stick) -> list[Sighting]:
    """Listen to everything in range for a while; SourceError if the stick can't be used.

    Instruments that can be asked are asked once for firmware and battery, since those pages
    come by themselves only every half minute. Sorted by kind and number.
    """
    try:
        stick = await _open_stick(find_stick, lambda: 0)
        try:
            scan = _Scan(stick)
            try:
                await scan.listen(seconds)
            except (StickLostError, RefusedError, DecodeError):
                # One answer that is missing must not hide what was heard until then.
                if not scan.sightings():
                    raise
        finally:
            await stick.close()
    except (StickLostError, RefusedError) as error:
        raise SourceError(f"The ANT stick can't be used: {error}", "Plug it in again.") from error
    return scan.sightings()


class _Scan:
    """Continuous scanning on channel 0, which then takes the whole radio."""

    def __init__(self, stick: Stick) -> None:
        self._stick = stick
        self._facts: dict[tuple[int, int], dict[str, float | str]] = {}
        self._rssi_dbm: dict[tuple[int, int], int] = {}
        self._unasked: asyncio.Queue[tuple[int, int, int]] = asyncio.Queue()
        stick.on_frame = self._take

    async def listen(self, seconds: float) -> None:
        stick = self._stick
        try:
            await self._assign()
            await stick.configure(MessageId.OPEN_SCAN_MODE, 0)
        except RefusedError:
            # No scan mode: a background-scanning channel for any instrument hears nearly as much.
            with contextlib.suppress(RefusedError):
                await stick.configure(MessageId.UNASSIGN_CHANNEL, 0)
            await self._assign(_BACKGROUND_SCAN)
            await stick.configure(MessageId.OPEN_CHANNEL, 0)
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(seconds):
                while True:
                    await self._ask(*await self._unasked.get())
        with contextlib.suppress(StickLostError):
            await stick.close_channel(0)

    async def _assign(self, *extended: int) -> None:
        await self._stick.configure(MessageId.ASSIGN_CHANNEL, 0, _SLAVE, _NETWORK, *extended)
        await self._stick.configure(MessageId.CHANNEL_ID, 0, 0, 0, 0, 0)
        await self._stick.configure(MessageId.CHANNEL_FREQUENCY, 0, ANT_PLUS_FREQUENCY)

    def _take(self, t_ns: int, frame: Frame) -> None:
        if frame.message_id not in (MessageId.BROADCAST_DATA, MessageId.ACKNOWLEDGED_DATA):
            return
        try:
            data = read_data(frame)
            extended = Extended.from_bytes(data.extra)
        except DecodeError:
            return
        number, device_type = extended.device_number, extended.device_type
        if number is None or device_type not in _NAMES:
            return
        key = (device_type, number)
        if key not in self._facts:
            self._facts[key] = {}
            if device_type in (ant_common.POWER, ant_common.TRAINER):
                self._unasked.put_nowait((*key, extended.transmission_type or 0))
        if device_type != ant_common.SPEED_CADENCE:  # its pages have no number
            self._facts[key].update(ant_common.decode(device_type, data.page).facts or {})
        if extended.rssi_dbm is not None:
            self._rssi_dbm[key] = extended.rssi_dbm

    async def _ask(self, device_type: int, number: int, transmission: int) -> None:
        """Ask one instrument for manufacturer, product and battery; no answer is no harm."""
        whom = Extended(device_number=number, device_type=device_type, transmission_type=transmission)
        for page in (0x51, 0x52, 0x50):
            request = bytes(ant_common.RequestPage(page=page, response=1))
            with contextlib.suppress(StickLostError):
                await self._stick.acknowledged(0, request + bytes(whom), 1.0)

    def sightings(self) -> list[Sighting]:
        found = []
        words = {device_type: word for word, device_type in KINDS.items()}
        for (device_type, number), facts in sorted(self._facts.items()):
            name, profile = _NAMES[device_type]
            firmware = facts.get("firmware")
            details = [
                f"{title} {facts[fact]}"
                for title, fact in (
                    ("maker", "manufacturer_id"),
                    ("model", "model_number"),
                    ("serial", "serial"),
                    ("battery", "battery_state"),
                )
                if fact in facts
            ]
            volts = facts.get("battery_v")
            if isinstance(volts, float):
                details.append(f"{volts:.2f} V")
            found.append(
                Sighting(
                    link=f"ant:{words[device_type]}:{number}",
                    name=f"{name} {number}",
                    profiles=(f"ANT+ {profile}",),
                    rssi_dbm=self._rssi_dbm.get((device_type, number)),
                    firmware=None if firmware is None else str(firmware),
                    detail=", ".join(details),
                )
            )
        return found
