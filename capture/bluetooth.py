"""Bluetooth LE instruments over bleak: one scanner, one connection at a time being made, links that mend.

The life of a link: `searching` until an advertisement of the instrument is heard,
`connecting`, `up` when a measurement is subscribed, `down` with a reason, and round again
after a growing pause. `given-up` is for what needs a person; it is still tried now and then.

Notification callbacks are plain functions on purpose: bleak runs an async callback as a task
of its own, and such tasks finish in another order than the packets came in.
"""

from __future__ import annotations

import asyncio
import logging
import re
from collections.abc import Callable, Coroutine, Iterable
from typing import TYPE_CHECKING, Any, NamedTuple, TypeVar

import msgspec

from capture.bluetooth_trouble import pairing_remedy, plain, unavailable, wants_pairing
from capture.clock import Clock
from capture.control import att_words
from capture.record import Link, LinkState, Packet, Reported
from capture.source import Emit, Sighting, SourceError, Wanted

if TYPE_CHECKING:
    from bleak import BleakClient, BleakScanner
    from bleak.backends.adapter import BaseBleakAdapter
    from bleak.backends.characteristic import BleakGATTCharacteristic
    from bleak.backends.client import BaseBleakClient
    from bleak.backends.device import BLEDevice
    from bleak.backends.scanner import AdvertisementData, BaseBleakScanner
    from bleak.backends.service import BleakGATTServiceCollection

log = logging.getLogger(__name__)
T = TypeVar("T")

# Numbers: Bluetooth SIG Assigned Numbers, sections "GATT Services" and "Characteristics by UUID".
SERVICES = {"cycling-power": "1818", "fitness-machine": "1826", "speed-cadence": "1816"}
"""The service of each profile, 16 bits in hex."""
MEASUREMENTS = {"cycling-power": "2A63", "fitness-machine": "2AD2", "speed-cadence": "2A5B"}
"""The characteristic of each profile that notifies measurements."""
VECTOR = "2A64"
"""The characteristic that notifies how torque lies in the turn; it is asked for where it is offered."""
_ALONGSIDE = {"cycling-power": ("2A66", VECTOR), "fitness-machine": ("2ADA", "2AD9"), "speed-cadence": ()}
_READ_BY_SERVICE = {
    "cycling-power": ("2A65", "2A5D"),
    "fitness-machine": ("2ACC", "2AD8", "2AD6"),
    "speed-cadence": ("2A5C", "2A5D"),
}
_READ_ALWAYS = ("2A29", "2A24", "2A25", "2A26", "2A27", "2A28")
_BATTERY = "2A19"
_NO_RSSI = -127
_BASE_UUID = "-0000-1000-8000-00805f9b34fb"
_ADDRESS = re.compile(
    r"[0-9A-F]{2}(:[0-9A-F]{2}){5}|[0-9A-F]{8}(-[0-9A-F]{4}){3}-[0-9A-F]{12}", re.IGNORECASE
)


class Timing(msgspec.Struct, frozen=True):
    """How long everything may take, in seconds."""

    backoff_s: tuple[float, ...] = (0.5, 1.0, 2.0, 4.0, 8.0)
    """Pause after a loss or a failed attempt, one after the other; the last is repeated."""
    given_up_s: float = 30.0
    connect_s: float = 15.0
    exchange_s: float = 5.0
    """One read, write or subscription."""
    close_s: float = 5.0
    start_s: float = 30.0
    """Starting the scanner; macOS asks the person for permission meanwhile."""
    stable_s: float = 10.0
    """A link that stood this long starts the back-off anew."""
    fresh_s: float = 15.0
    """Age of an advertisement that is still worth a connection: BlueZ may report one in ten seconds only."""
    settle_s: float = 0.1
    """After a loss, what looks like an advertisement is BlueZ telling of the loss itself."""
    namesake_s: float = 1.0
    """How long to look whether a name is unique before it is trusted."""
    look_s: float = 5.0
    """How often to ask the system which instruments it holds connected (first after a fifth of it)."""
    watchdog_s: float = 20.0
    """No advertisement of anyone while an instrument is missing: discovery has stalled, scan anew."""
    orphaned_s: float = 2.0
    """The same, just after the last link fell: the adapter itself may be gone."""
    radio_retry_s: float = 2.0
    silent_s: float = 10.0
    """A link without packets for so long is asked whether it still stands..."""
    probe_s: float = 30.0
    """...and again after so long, as an instrument at rest may well be silent."""
    rssi_s: float = 10.0
    vectors_per_s: int = 40
    """Vectors that are taken in a second: at 100 torques a second, nine in a packet, there come twelve. A
    sensor that floods costs no more; what is left out is seen as lost by the angles of the others."""
    short_discoveries: int = 4
    """Connections with an incomplete service list before it is believed."""


class Backends(NamedTuple):
    """Classes to use instead of the system's radio; None: the system's."""

    scanner: type[BaseBleakScanner] | None = None
    client: type[BaseBleakClient] | None = None
    adapter: type[BaseBleakAdapter] | None = None


SYSTEM = Backends()
TIMING = Timing()


class _LostError(Exception):
    """The link is gone or could not be made; it will be tried again."""


class _ShortError(_LostError):
    """The service list lacks what the instrument should have: seen on BlueZ, cured by connecting anew."""


class _GiveUpError(Exception):
    """A person is needed."""


def channel_of(uuid: str) -> str:
    """The 16-bit number of a Bluetooth SIG UUID in four upper-case hex digits, or the UUID itself."""
    uuid = uuid.lower()
    return uuid[4:8].upper() if uuid.startswith("0000") and uuid.endswith(_BASE_UUID) else uuid


def _why(error: Exception) -> str:
    return str(error) if isinstance(error, _LostError) else plain(error)


def _clean(name: str | None) -> str:
    return (name or "").strip("\0 \t\r\n")


def _table(services: BleakGATTServiceCollection) -> dict[str, list[BleakGATTCharacteristic]]:
    """Characteristics by channel, in the order of their handles: bleak's own changes from run to run."""
    table: dict[str, list[BleakGATTCharacteristic]] = {}
    for _, characteristic in sorted(services.characteristics.items()):
        table.setdefault(channel_of(characteristic.uuid), []).append(characteristic)
    return table


def _pick(
    table: dict[str, list[BleakGATTCharacteristic]], channel: str, profile: str | None
) -> BleakGATTCharacteristic | None:
    """The one in the service of the profile, else the first: 2A5D, for one, may stand in two services."""
    found = table.get(channel, [])
    if profile:
        for characteristic in found:
            if channel_of(characteristic.service_uuid) == SERVICES[profile]:
                return characteristic
    return found[0] if found else None


class _Allowance:
    """So many packets in any second of the clock, and no more."""

    def __init__(self, most: int) -> None:
        self._most, self._second, self._taken = most, -1, 0

    def takes(self, t_ns: int) -> bool:
        """Whether a packet that comes now is taken."""
        second = t_ns // 1_000_000_000
        if second != self._second:
            self._second, self._taken = second, 0
        self._taken += 1
        return self._taken <= self._most


class _Connection:
    """One connection from `connect` to its end; the next one is another object."""

    def __init__(self, client: BleakClient) -> None:
        self.client = client
        self.table: dict[str, list[BleakGATTCharacteristic]] = {}
        self.routes: dict[str, list[str]] = {}
        """Labels by subscribed channel."""
        self.lost = asyncio.Event()
        self.ended = ""
        """Why we want it to end, if we do."""
        self.routing = asyncio.Lock()
        self.writing = asyncio.Lock()


class _Peer:
    """One device on the air and the labels that listen to it."""

    def __init__(self, target: str, wanted: list[Wanted]) -> None:
        self.name = target.removeprefix("name=") if target.startswith("name=") else None
        self.address = None if self.name is not None else target.upper()
        self.wanted = wanted
        self.states: dict[str, tuple[LinkState, str]] = {}
        self.reported: dict[str, str] = {}
        self.rssi_reported_ns: int | None = None
        self.device: BLEDevice | None = None
        self.advertised: frozenset[str] = frozenset()
        self.candidates: dict[str, BLEDevice] = {}
        """Devices of the wanted name by address, while the address is not settled."""
        self.sighted = asyncio.Event()
        self.seen_at = 0.0
        self.deaf_until = 0.0
        self.heard_at = 0.0
        self.stood_s = 0.0
        """How long the last connection stood."""
        self.connection: _Connection | None = None
        self.known: set[str] = set()
        """Measurements that this device was once seen to have."""
        self.short = 0
        self.merged = False

    @property
    def labels(self) -> list[str]:
        return [w.label for w in self.wanted]

    def missing(self) -> bool:
        return not self.merged and any(self.state(label) != "up" for label in self.labels)

    def state(self, label: str) -> str:
        return self.states.get(label, ("", ""))[0]

    def profiles(self, label: str) -> tuple[str, ...]:
        """Profiles a label may be fed from."""
        asked = next((w.profile for w in self.wanted if w.label == label), None)
        return (asked,) if asked else tuple(MEASUREMENTS)


class BluetoothSource:
    """All Bluetooth LE instruments of a bench, as a `capture.source.LiveSource`.

    `wanted` have links `bluetooth:AA:BB:CC:DD:EE:FF` (on macOS the UUID that the host made
    for the device) or `bluetooth:name=...`, and a profile of `MEASUREMENTS`, or None: whatever
    of these the device has. Labels with the same device share its connection, and each gets
    the characteristics of its profile. `adapter` is a BlueZ name such as `hci1`.
    Raises ValueError for a link or a profile that can't be understood.
    """

    def __init__(
        self,
        wanted: Iterable[Wanted],
        *,
        adapter: str | None = None,
        backends: Backends = SYSTEM,
        timing: Timing = TIMING,
    ) -> None:
        groups: dict[str, list[Wanted]] = {}
        for w in wanted:
            by_name = w.target.startswith("name=") and len(w.target) > len("name=")
            if w.scheme != "bluetooth" or not (by_name or _ADDRESS.fullmatch(w.target)):
                raise ValueError(
                    f"{w.label}: {w.link!r} is neither bluetooth:AA:BB:CC:DD:EE:FF nor bluetooth:name=..."
                )
            if w.profile is not None and w.profile not in MEASUREMENTS:
                raise ValueError(f"{w.label}: profile {w.profile!r} is none of {', '.join(MEASUREMENTS)}")
            groups.setdefault(w.target if by_name else w.target.upper(), []).append(w)
        self._peers = [_Peer(target, members) for target, members in groups.items()]
        self._adapter, self._backends, self._timing = adapter, backends, timing
        self._radio = asyncio.Event()
        self._connecting = asyncio.Lock()
        self._quiet_since = 0.0
        self._orphaned = False

    async def check(self) -> None:
        """Start and stop a scan. Raises SourceError with the remedy if that fails."""
        if self._radio.is_set():
            return
        scanner = await _started(self._scanner(lambda device, advertisement: None), self._timing)
        await _stopped(scanner, self._timing)

    async def run(self, emit: Emit, clock: Clock) -> None:
        """Listen until cancelled; losses are records. Every link is closed before it returns."""
        self._emit, self._clock = emit, clock
        self._loop = asyncio.get_running_loop()
        try:
            async with asyncio.TaskGroup() as tasks:
                tasks.create_task(self._scan())
                for peer in self._peers:
                    tasks.create_task(self._serve(peer))
        finally:
            self._radio.clear()

    async def write(self, instrument: str, channel: str, data: bytes) -> str:
        """Write with response to a characteristic, its answers (indications) being switched on first.

        `channel` is the characteristic in four hex digits. Returns `sent` once the device has
        taken the bytes, else why not; the answer itself comes as a packet.
        """
        peer = next((p for p in self._peers if instrument in p.labels and not p.merged), None)
        if peer is None:
            return f"{instrument} is not on Bluetooth"
        connection = peer.connection
        if connection is None or peer.state(instrument) != "up":
            return "not connected now"
        characteristic = _pick(connection.table, channel, next(iter(peer.profiles(instrument)), None))
        if characteristic is None:
            return f"the instrument has no characteristic {channel}"
        if "write" not in characteristic.properties:
            return f"characteristic {channel} can't be written"
        async with connection.writing:
            try:
                await self._route(peer, connection, channel, characteristic, instrument)
                await self._exchange(connection.client.write_gatt_char(characteristic, data, response=True))
            except Exception as error:  # bleak's backends raise more than BleakError when a link goes away
                return self._write_failed(error, peer)
        return "sent"

    def _write_failed(self, error: Exception, peer: _Peer) -> str:
        from bleak.exc import BleakGATTProtocolError

        if wants_pairing(error):
            return pairing_remedy(peer.address or "")
        if isinstance(error, BleakGATTProtocolError):
            return att_words(int(error.code), control_point=True)
        return f"not confirmed: {_why(error)}"

    # -- records

    def _say(
        self, peer: _Peer, state: LinkState, reason: str = "", labels: Iterable[str] | None = None
    ) -> None:
        for label in peer.labels if labels is None else labels:
            before = peer.states.get(label)
            # A person has been asked for help: that stands until it works, or there is other news.
            asked = before is not None and before[0] == "given-up"
            if before == (state, reason) or (asked and state in ("searching", "connecting", "down")):
                continue
            peer.states[label] = (state, reason)
            self._emit(Link(self._clock.now_ns(), label, state, reason))

    def _tell(self, peer: _Peer, key: str, value: str) -> None:
        if value and peer.reported.get(key) != value:
            peer.reported[key] = value
            for label in peer.labels:
                self._emit(Reported(self._clock.now_ns(), label, key, value))

    # -- the scanner

    def _scanner(self, heard: Callable[[BLEDevice, AdvertisementData], None]) -> BleakScanner:
        return _new_scanner(heard, self._adapter, self._backends)

    async def _scan(self) -> None:
        """Keep one scanner on; restart it when it has gone deaf, and notice when the radio is gone."""
        scanner: BleakScanner | None = None
        try:
            while True:
                async with self._connecting:  # a connection that is being made needs the scanner
                    if scanner is not None:
                        old, scanner = scanner, None
                        await _stopped(old, self._timing)
                    try:
                        scanner = await _started(self._scanner(self._advertised), self._timing)
                    except SourceError as error:
                        self._radio_failed(str(error))
                if scanner is None:
                    await asyncio.sleep(self._timing.radio_retry_s)
                else:
                    self._radio_stands()
                    await self._until_quiet()
        finally:
            if scanner is not None:
                await _stopped(scanner, self._timing)

    async def _until_quiet(self) -> None:
        t = self._timing
        while True:
            await asyncio.sleep(min(1.0, t.orphaned_s / 2))
            quiet_s = self._loop.time() - self._quiet_since
            patience_s = t.orphaned_s if self._orphaned else t.watchdog_s
            if quiet_s > patience_s and any(peer.missing() for peer in self._peers):
                log.info("no advertisement for %.1f s: scanning anew", quiet_s)
                return

    def _radio_stands(self) -> None:
        self._quiet_since, self._orphaned = self._loop.time(), False
        self._radio.set()
        for peer in self._peers:
            self._say(peer, "searching", labels=[n for n in peer.labels if peer.state(n) == "radio-lost"])

    def _radio_failed(self, reason: str) -> None:
        self._radio.clear()
        # If a link stands, the adapter is there: only the scan failed.
        scan_only = any(peer.connection for peer in self._peers)
        for peer in self._peers:
            if peer.merged or peer.connection:
                continue
            if scan_only:
                self._say(peer, "searching", f"the search can't go on: {reason}")
            else:
                self._say(peer, "radio-lost", reason)

    def _advertised(self, device: BLEDevice, advertisement: AdvertisementData) -> None:
        now = self._loop.time()
        # BlueZ reports any change of a device here. Without a signal strength it was no advertisement:
        # all strengths vanish, for instance, when the adapter is switched off.
        on_air = advertisement.rssi != _NO_RSSI
        if on_air:
            self._quiet_since, self._orphaned = now, False
        name, address = _clean(advertisement.local_name or device.name), device.address.upper()
        for peer in self._peers:
            if peer.address is None:
                if name == peer.name and on_air:
                    peer.candidates[address] = device
                    peer.sighted.set()
            elif peer.address == address and now >= peer.deaf_until:
                peer.advertised |= {channel_of(uuid) for uuid in advertisement.service_uuids}
                self._tell(peer, "address", device.address)
                self._tell(peer, "name", advertisement.local_name or device.name or "")
                if on_air and peer.connection is None:
                    peer.device, peer.seen_at = device, now
                    peer.sighted.set()
                    self._tell_rssi(peer, advertisement.rssi)

    def _tell_rssi(self, peer: _Peer, rssi_dbm: int) -> None:
        t_ns = self._clock.now_ns()
        if peer.rssi_reported_ns is None or t_ns - peer.rssi_reported_ns >= self._timing.rssi_s * 1e9:
            peer.rssi_reported_ns = t_ns
            for label in peer.labels:
                self._emit(Reported(t_ns, label, "rssi_dbm", str(rssi_dbm)))

    async def _held_by_system(self, peer: _Peer) -> BLEDevice | None:
        """A device that the system holds connected, say from a program that died: it does not advertise."""
        for device in await _held(self._adapter, self._backends, self._timing, SERVICES.values()):
            if peer.address is None:
                if _clean(device.name) == peer.name:
                    return device
            elif device.address.upper() == peer.address:
                return device
        return None

    # -- one instrument

    async def _serve(self, peer: _Peer) -> None:
        failures, backoff = 0, self._timing.backoff_s
        while not peer.merged:
            try:
                await self._sight(peer)
                if peer.merged:
                    return
                await self._session(peer)
                continue
            except _GiveUpError as error:
                self._say(peer, "given-up", str(error))
                pause_s = self._timing.given_up_s
            except _ShortError as error:
                self._say(peer, "down", str(error))
                pause_s = backoff[0]
            except Exception as error:  # whatever a backend raises is one more reason to try again
                if not isinstance(error, _LostError):
                    log.info("%s: %r", ", ".join(peer.labels), error)
                self._say(peer, "down", _why(error))
                if peer.stood_s > self._timing.stable_s:
                    failures = 0
                pause_s = backoff[min(failures, len(backoff) - 1)]
                failures += 1
            await asyncio.sleep(pause_s)

    async def _sight(self, peer: _Peer) -> None:
        """Return when the device was heard advertising, or is held by the system."""
        look_s = self._timing.look_s / 5
        while True:
            await self._radio.wait()
            self._say(peer, "searching")
            try:
                async with asyncio.timeout(look_s):
                    await peer.sighted.wait()
            except TimeoutError:
                look_s = self._timing.look_s
                device = await self._held_by_system(peer)
                if device is None:
                    continue
                peer.candidates[device.address.upper()] = device
                peer.device, peer.seen_at = device, self._loop.time()
            if peer.address is not None:
                return
            await asyncio.sleep(self._timing.namesake_s)
            if self._settle_name(peer):
                return
            peer.sighted.clear()

    def _settle_name(self, peer: _Peer) -> bool:
        """Decide which device a name means; another of the same name must not be recorded in its place."""
        others = {p.address: p for p in self._peers if p.address is not None}
        free = {a: d for a, d in peer.candidates.items() if a not in others}
        shared = [others[a] for a in peer.candidates if a in others]
        if len(free) > 1:
            peer.candidates.clear()
            peer.sighted.clear()
            raise _GiveUpError(
                f"{len(free)} instruments are called {peer.name}: "
                f"give the address in the link, one of {', '.join(sorted(free)[:4])}"
            )
        if free:
            ((peer.address, peer.device),) = free.items()
            peer.seen_at = self._loop.time()
            self._tell(peer, "address", peer.device.address)
            self._tell(peer, "name", peer.name or "")
            return True
        profiles = {w.profile for w in peer.wanted}
        if len(shared) == 1 and None not in profiles and not profiles & {w.profile for w in shared[0].wanted}:
            self._merge(peer, shared[0])
            return True
        return False

    def _merge(self, peer: _Peer, into: _Peer) -> None:
        """Two links, one by name and one by address, mean the same device: share its connection."""
        peer.merged = True
        into.wanted = [*into.wanted, *peer.wanted]
        into.states |= peer.states
        into.reported.clear()
        if into.connection is not None:
            into.connection.ended = "connecting anew, to serve one more label"
            into.connection.lost.set()

    async def _session(self, peer: _Peer) -> None:
        """Connect and listen; raises when it is over. Returns if the device must be sighted again first."""
        from bleak import BleakClient

        peer.stood_s = 0.0
        async with self._connecting:
            now, device = self._loop.time(), peer.device
            if device is None or now - peer.seen_at > self._timing.fresh_s:
                peer.sighted.clear()  # it waited long for its turn and may be gone: hear it again first
                return
            self._say(peer, "connecting")
            connection: _Connection

            def lost(_: BleakClient) -> None:
                connection.lost.set()

            connection = _Connection(
                BleakClient(
                    device,
                    disconnected_callback=lost,
                    timeout=self._timing.connect_s,
                    backend=self._backends.client,
                )
            )
            try:
                async with asyncio.timeout(self._timing.connect_s):
                    await connection.client.connect()
            except BaseException as error:
                self._forget(peer)
                await self._close(connection)
                if wants_pairing(error):
                    raise _GiveUpError(pairing_remedy(device.address)) from error
                raise
        if connection.client.is_connected:
            connection.lost.clear()  # an attempt that bleak repeated by itself has reported a loss
        peer.connection = connection
        peer.heard_at = began = self._loop.time()
        try:
            await self._until_lost(peer, connection)
        finally:
            peer.connection = None
            peer.stood_s = self._loop.time() - began
            self._forget(peer)
            await self._close(connection)

    async def _until_lost(self, peer: _Peer, connection: _Connection) -> None:
        talk = asyncio.create_task(self._talk(peer, connection))
        loss = asyncio.create_task(connection.lost.wait())
        try:
            await asyncio.wait({talk, loss}, return_when=asyncio.FIRST_COMPLETED)
            # An instrument that refuses may hang up at once: then its refusal is what matters.
            if talk.done() and (not connection.lost.is_set() or isinstance(talk.exception(), _GiveUpError)):
                talk.result()
        finally:
            for task in (talk, loss):
                task.cancel()
            await asyncio.gather(talk, loss, return_exceptions=True)
        raise _LostError(connection.ended or "the connection broke: out of range, asleep, or switched off")

    def _forget(self, peer: _Peer) -> None:
        """Only an advertisement from now on tells that the device can be connected."""
        peer.device = None
        peer.sighted.clear()
        now = self._loop.time()
        peer.deaf_until = now + self._timing.settle_s
        self._quiet_since = max(self._quiet_since, now)
        if not any(p.connection for p in self._peers):
            self._orphaned = True

    async def _close(self, connection: _Connection) -> None:
        try:
            async with asyncio.timeout(self._timing.close_s):
                await connection.client.disconnect()
        except Exception as error:  # it is being thrown away; the next connection is a new client
            log.debug("disconnecting: %r", error)

    async def _exchange(self, action: Coroutine[Any, Any, T]) -> T:
        async with asyncio.timeout(self._timing.exchange_s):
            return await action

    async def _talk(self, peer: _Peer, connection: _Connection) -> None:
        """Subscribe first, then read what stands still, then watch that the link lives."""
        connection.table = _table(connection.client.services)
        await self._subscribe(peer, connection)
        for label in peer.labels:
            for profile in peer.profiles(label):
                for channel in _ALONGSIDE[profile]:
                    await self._also(peer, connection, channel, profile, label)
        await self._read_all(peer, connection)
        for label in peer.labels:
            await self._also(peer, connection, _BATTERY, None, label)
        await self._watch(peer, connection)

    async def _subscribe(self, peer: _Peer, connection: _Connection) -> None:
        problems: dict[str, str] = {}
        standing: dict[str, list[str]] = {}
        pairing = False
        for label in peer.labels:
            profiles = peer.profiles(label)
            asked = len(profiles) == 1
            expected = [
                p
                for p in profiles
                if asked or SERVICES[p] in peer.advertised or MEASUREMENTS[p] in peer.known
            ]
            for profile in profiles:
                channel = MEASUREMENTS[profile]
                characteristic = _pick(connection.table, channel, profile)
                if characteristic is None:
                    if profile in expected:
                        problems[label] = f"it offers no {profile} measurement ({channel})"
                    continue
                try:
                    await self._route(peer, connection, channel, characteristic, label)
                    standing.setdefault(label, []).append(channel)
                    peer.known.add(channel)
                except Exception as error:
                    if wants_pairing(error):
                        pairing, problems[label] = True, pairing_remedy(connection.client.address)
                    elif connection.lost.is_set():
                        raise
                    else:
                        problems[label] = _why(error)
            if label not in standing and label not in problems:
                problems[label] = "it offers none of power, fitness machine, speed and cadence"
        if problems and not pairing:
            peer.short += 1
            if peer.short < self._timing.short_discoveries:
                problem = next(iter(problems.values()))
                raise _ShortError(f"{problem}, perhaps only at first: connecting anew")
        elif not problems:
            peer.short = 0
        if not standing:
            problem = next(iter(problems.values()))
            raise _GiveUpError(
                problem
                if pairing
                else f"{problem}: is it the right instrument, awake, with the right profile?"
            )
        self._say(peer, "up", labels=standing)
        for label, problem in problems.items():
            if label not in standing:
                self._say(peer, "given-up", problem, labels=[label])

    async def _route(
        self,
        peer: _Peer,
        connection: _Connection,
        channel: str,
        characteristic: BleakGATTCharacteristic,
        label: str,
    ) -> None:
        """Have a label get what a characteristic notifies or indicates; without either, do nothing."""
        async with connection.routing:
            labels = connection.routes.get(channel)
            if labels is not None:
                if label not in labels:
                    labels.append(label)
                return
            if not {"notify", "indicate"} & set(characteristic.properties):
                if channel in MEASUREMENTS.values():
                    raise _LostError(f"its measurement {channel} can't be subscribed")
                return
            connection.routes[channel] = [label]
            try:
                await self._exchange(
                    connection.client.start_notify(characteristic, self._receiver(peer, connection, channel))
                )
            except BaseException:
                del connection.routes[channel]
                raise

    def _receiver(
        self, peer: _Peer, connection: _Connection, channel: str
    ) -> Callable[[BleakGATTCharacteristic, bytearray], None]:
        labels, measures = connection.routes[channel], channel in MEASUREMENTS.values()
        takes = _Allowance(self._timing.vectors_per_s).takes if channel == VECTOR else None

        def receive(_: BleakGATTCharacteristic, data: bytearray) -> None:
            t_ns = self._clock.now_ns()
            if takes is not None and not takes(t_ns):
                return
            peer.heard_at = self._loop.time()
            payload = bytes(data)
            for label in labels:
                # A packet may come before the answer to its subscription.
                if measures and connection is peer.connection and not connection.lost.is_set():
                    self._say(peer, "up", labels=[label])
                self._emit(Packet(t_ns, label, channel, payload))

        return receive

    async def _also(
        self, peer: _Peer, connection: _Connection, channel: str, profile: str | None, label: str
    ) -> None:
        """Subscribe to what is good to have; a refusal does not end the link."""
        characteristic = _pick(connection.table, channel, profile)
        if characteristic is None:
            return
        try:
            await self._route(peer, connection, channel, characteristic, label)
        except Exception as error:
            log.info("%s: no subscription to %s: %r", label, channel, error)

    async def _read_all(self, peer: _Peer, connection: _Connection) -> None:
        """Read identity and settings once a connection.

        What is subscribed is never read: BlueZ delivers the value read as a notification too.
        The battery is read before it is subscribed.
        """
        wishes: dict[tuple[str, str | None], list[str]] = {}
        for label in peer.labels:
            for channel in _READ_ALWAYS:
                wishes.setdefault((channel, None), []).append(label)
            for service in peer.profiles(label):
                for channel in _READ_BY_SERVICE[service]:
                    wishes.setdefault((channel, service), []).append(label)
            wishes.setdefault((_BATTERY, None), []).append(label)
        values: dict[int, bytes | None] = {}
        taken: set[tuple[str, int]] = set()
        for (channel, profile), labels in wishes.items():
            characteristic = _pick(connection.table, channel, profile)
            if characteristic is None or "read" not in characteristic.properties:
                continue
            handle = characteristic.handle
            if handle not in values:
                try:
                    values[handle] = bytes(
                        await self._exchange(connection.client.read_gatt_char(characteristic))
                    )
                except Exception as error:
                    log.info("%s: %s not read: %r", labels[0], channel, error)
                    values[handle] = None
            value, t_ns = values[handle], self._clock.now_ns()
            for label in labels:
                if value is not None and (label, handle) not in taken:
                    taken.add((label, handle))
                    self._emit(Packet(t_ns, label, channel, value))

    async def _watch(self, peer: _Peer, connection: _Connection) -> None:
        """Never return; raise when the link is dead though nobody said so, as after a crash below bleak."""
        from bleak.exc import BleakGATTProtocolError

        t = self._timing
        next_probe = 0.0
        readable = [
            c
            for channel in (*_READ_ALWAYS, "2A65", "2ACC", "2A5C")
            for c in connection.table.get(channel, [])
            if "read" in c.properties
        ]
        while True:
            await asyncio.sleep(min(1.0, t.silent_s / 2))
            if not connection.client.is_connected:
                raise _LostError("the connection broke without a word from the system")
            now = self._loop.time()
            if now - peer.heard_at <= t.silent_s or now < next_probe or not readable:
                continue
            try:
                await self._exchange(connection.client.read_gatt_char(readable[0]))
            except BleakGATTProtocolError:
                pass  # it answered
            except Exception as error:
                raise _LostError(f"silent, and it does not answer ({_why(error)})") from error
            next_probe = self._loop.time() + t.probe_s


def _bluez(adapter: str | None) -> dict[str, Any]:
    return {"bluez": {"adapter": adapter}} if adapter else {}


def _new_scanner(
    heard: Callable[[BLEDevice, AdvertisementData], None], adapter: str | None, backends: Backends
) -> BleakScanner:
    from bleak import BleakScanner

    return BleakScanner(heard, **_bluez(adapter), backend=backends.scanner)


async def _started(scanner: BleakScanner, timing: Timing) -> BleakScanner:
    try:
        async with asyncio.timeout(timing.start_s):
            await scanner.start()
    except Exception as error:  # D-Bus and the systems' bindings raise kinds of their own besides BleakError
        await _stopped(scanner, timing)
        raise unavailable(error) from error
    return scanner


async def _stopped(scanner: BleakScanner, timing: Timing) -> None:
    try:
        async with asyncio.timeout(timing.close_s):
            await scanner.stop()
    except Exception as error:
        log.debug("stopping the scan: %r", error)


async def _held(
    adapter: str | None, backends: Backends, timing: Timing, services: Iterable[str]
) -> list[BLEDevice]:
    """Devices with one of these services that the system holds connected; empty if it can't say."""
    if backends.scanner is not None and backends.adapter is None:
        return []
    from bleak import BleakAdapter

    try:
        async with asyncio.timeout(timing.exchange_s):
            radio = await BleakAdapter.get(**_bluez(adapter), backend=backends.adapter)
            return await radio.get_connected_devices(list(services))
    except Exception as error:  # a convenience: without it the search goes on by advertisements
        log.debug("no list of connected devices: %r", error)
        return []


async def find(
    seconds: float = 10.0,
    *,
    details: bool = False,
    details_s: float = 30.0,
    adapter: str | None = None,
    backends: Backends = SYSTEM,
    timing: Timing = TIMING,
) -> list[Sighting]:
    """List instruments in range, strongest first: those that advertise one of our services.

    With `details`, each is connected shortly, one after the other and for `details_s` in all,
    to ask for battery and firmware. Those that the system holds connected come last: they don't
    advertise, and are not asked, as that would end a link that another program may need.
    Raises SourceError if the radio can't be used.
    """
    heard: dict[str, tuple[BLEDevice, AdvertisementData]] = {}

    def note(device: BLEDevice, advertisement: AdvertisementData) -> None:
        if _profiles(advertisement) and (advertisement.rssi != _NO_RSSI or device.address not in heard):
            heard[device.address] = device, advertisement

    scanner = await _started(_new_scanner(note, adapter, backends), timing)
    try:
        await asyncio.sleep(seconds)
        sightings = [_sighting(device, advertisement) for device, advertisement in heard.values()]
        sightings.sort(key=lambda s: (-(s.rssi_dbm if s.rssi_dbm is not None else -999), s.link))
        if details:  # the scanner stays on: BlueZ forgets devices when it stops
            end = asyncio.get_running_loop().time() + details_s
            devices = {f"bluetooth:{address}": device for address, (device, _) in heard.items()}
            sightings = [await _ask(devices[s.link], s, end, backends, timing) for s in sightings]
        held: dict[str, Sighting] = {}
        for profile, service in SERVICES.items():
            for device in await _held(adapter, backends, timing, [service]):
                link = f"bluetooth:{device.address}"
                before = held[link].profiles if link in held else ()
                if device.address not in heard:
                    detail = "already connected on this computer"
                    held[link] = Sighting(link, device.name or "", (*before, profile), detail=detail)
    finally:
        await _stopped(scanner, timing)
    return [*sightings, *(held[link] for link in sorted(held))]


def _profiles(advertisement: AdvertisementData) -> tuple[str, ...]:
    offered = {channel_of(uuid) for uuid in (*advertisement.service_uuids, *advertisement.service_data)}
    return tuple(profile for profile, service in SERVICES.items() if service in offered)


def _sighting(device: BLEDevice, advertisement: AdvertisementData) -> Sighting:
    rssi = advertisement.rssi
    machine = next(
        (v for k, v in advertisement.service_data.items() if channel_of(k) == SERVICES["fitness-machine"]),
        b"",
    )
    # Flags, then the machine type in two octets; some machines send these two reversed. Bit 5: indoor bike
    # (Fitness Machine Service 1.0, section 3.1).
    kinds = machine[1] | machine[2] if len(machine) >= 3 else 0
    other_machine = kinds != 0 and not kinds & 0x20
    return Sighting(
        link=f"bluetooth:{device.address}",
        name=advertisement.local_name or device.name or "",
        profiles=_profiles(advertisement),
        rssi_dbm=None if rssi == _NO_RSSI else rssi,
        detail="a fitness machine, but no bike" if other_machine else "",
    )


async def _ask(
    device: BLEDevice, sighting: Sighting, end: float, backends: Backends, timing: Timing
) -> Sighting:
    from bleak import BleakClient

    left_s = end - asyncio.get_running_loop().time()
    if left_s <= 0:
        return msgspec.structs.replace(sighting, detail=sighting.detail or "not asked, the time was up")
    client = BleakClient(device, timeout=timing.connect_s, backend=backends.client)
    battery: float | None = None
    firmware: str | None = None
    detail = sighting.detail
    try:
        async with asyncio.timeout(min(left_s, timing.connect_s)):
            await client.connect()
            table = _table(client.services)
            level, version = _pick(table, _BATTERY, None), _pick(table, "2A26", None)
            if version is not None:
                firmware = (
                    _clean(bytes(await client.read_gatt_char(version)).decode("utf-8", "replace")) or None
                )
            if level is not None:
                octets = bytes(await client.read_gatt_char(level))
                battery = float(octets[0]) if octets and octets[0] <= 100 else None
    except Exception as error:  # one that does not answer must not hide the others
        detail = detail or _why(error)
    finally:
        try:
            async with asyncio.timeout(timing.close_s):
                await client.disconnect()
        except Exception as error:
            log.debug("disconnecting: %r", error)
    return msgspec.structs.replace(sighting, battery_percent=battery, firmware=firmware, detail=detail)
