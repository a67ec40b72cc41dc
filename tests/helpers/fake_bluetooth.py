"""A simulated radio behind bleak: scanner, client and adapter classes bound to one `World`.

Only what the source sees of a radio is simulated: advertisements, connections that fail or
break, short service lists, notifications, and answers of a control point.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from typing import Any

from bleak.backends.adapter import BaseBleakAdapter
from bleak.backends.characteristic import BleakGATTCharacteristic
from bleak.backends.client import BaseBleakClient
from bleak.backends.device import BLEDevice
from bleak.backends.scanner import AdvertisementData, BaseBleakScanner
from bleak.backends.service import BleakGATTService, BleakGATTServiceCollection
from bleak.exc import BleakError, BleakGATTProtocolError

from capture.bluetooth import Backends

POWER = {
    "1818": {"2A63": "notify", "2A65": b"\x0a\x02\x00\x00", "2A5D": b"\x0f", "2A66": "control"},
    "180A": {"2A29": b"Maker", "2A24": b"Model", "2A25": b"77", "2A26": b"1.4.2"},
    "180F": {"2A19": b"\x53"},
}
TRAINER = {
    **POWER,
    "1826": {"2AD2": "notify", "2ACC": bytes(8), "2AD8": bytes(6), "2AD9": "control", "2ADA": "notify"},
}
CADENCE = {"1816": {"2A5B": "notify", "2A5C": b"\x02\x00", "2A5D": b"\x05"}}


def uuid(number: str) -> str:
    return f"0000{number.lower()}-0000-1000-8000-00805f9b34fb"


class Peripheral:
    """One device. `services` has, per characteristic, `notify`, `control`, or the bytes to be read."""

    def __init__(self, address: str, name: str, services: dict[str, dict[str, Any]]) -> None:
        self.address, self.name, self.services = address, name, services
        self.on_air = True
        self.rssi = -50
        self.service_data: dict[str, bytes] = {}
        self.connect_errors: list[BaseException] = []
        self.short = 0
        """How many discoveries come back without services."""
        self.without: set[str] = set()
        """Characteristics that a discovery never shows."""
        self.notify_errors: dict[str, BaseException] = {}
        self.notify_on_subscribe: dict[str, list[bytes]] = {}
        """Sent before the subscription is answered."""
        self.mute = False
        """Connected, but answers nothing any more."""
        self.written: list[tuple[str, bytes]] = []
        self.write_errors: list[BaseException] = []
        self.answers: dict[bytes, bytes] = {}
        self.client: FakeClient | None = None
        self.connections = 0
        self.reads: list[str] = []

    def send(self, channel: str, *packets: bytes) -> None:
        """Notify or indicate to the one who is subscribed."""
        assert self.client is not None, f"{self.name} is not connected"
        for data in packets:
            self.client.subscribed[channel](bytearray(data))

    @property
    def subscriptions(self) -> set[str]:
        return set(self.client.subscribed) if self.client else set()

    def hang_up(self) -> None:
        if self.client:
            self.client.drop()

    def vanish(self) -> None:
        self.on_air = False
        self.hang_up()


class World:
    """All devices in range, and the adapter. `backends` go into the source."""

    def __init__(self, *peripherals: Peripheral) -> None:
        self.peripherals = list(peripherals)
        self.start_errors: list[BaseException] = []
        self.broken: BaseException | None = None
        """While set, no scan can be started: the adapter is gone."""
        self.deaf = False
        """Scanning, but nothing is reported."""
        self.scanners: list[FakeScanner] = []
        self.scans = self.scanning = self.connecting = self.most_connecting = 0
        self.held: list[Peripheral] = []
        """Connected by somebody else on this computer."""
        bound = {"world": self}
        self.backends = Backends(
            scanner=type("BoundScanner", (FakeScanner,), bound),
            client=type("BoundClient", (FakeClient,), bound),
            adapter=type("BoundAdapter", (FakeAdapter,), bound),
        )

    def break_adapter(self, error: BaseException) -> None:
        self.broken, self.deaf = error, True
        for peripheral in self.peripherals:
            peripheral.hang_up()

    def mend_adapter(self) -> None:
        self.broken, self.deaf = None, False

    def advertise(self, peripheral: Peripheral, rssi: int | None = None) -> None:
        for scanner in self.scanners:
            scanner.hear(peripheral, peripheral.rssi if rssi is None else rssi)


class FakeScanner(BaseBleakScanner):
    world: World

    def __init__(self, detection_callback: Any, service_uuids: Any, scanning_mode: str, **_: Any) -> None:
        super().__init__(detection_callback, service_uuids)
        self.task: asyncio.Task[None] | None = None

    async def start(self) -> None:
        await asyncio.sleep(0)
        if self.world.broken:
            raise self.world.broken
        if self.world.start_errors:
            raise self.world.start_errors.pop(0)
        self.seen_devices = {}
        self.world.scans += 1
        self.world.scanners.append(self)
        assert len(self.world.scanners) == 1, "two scanners at once"
        self.task = asyncio.create_task(self.run())

    async def stop(self) -> None:
        if self.task:
            self.world.scanners.remove(self)
            self.task.cancel()
            self.task = None

    async def run(self) -> None:
        while True:
            for peripheral in self.world.peripherals:
                if peripheral.on_air and peripheral.client is None and peripheral not in self.world.held:
                    self.hear(peripheral, peripheral.rssi)
            await asyncio.sleep(0.002)

    def hear(self, peripheral: Peripheral, rssi: int) -> None:
        if self.world.deaf:
            return
        services = [uuid(s) for s in peripheral.services if s in ("1818", "1826", "1816")]
        data = {uuid(k): v for k, v in peripheral.service_data.items()}
        advertisement = AdvertisementData(peripheral.name, {}, data, services, None, rssi, ())
        device = self.create_or_update_device(
            peripheral.address, peripheral.address, peripheral.name, peripheral, advertisement
        )
        self.call_detection_callbacks(device, advertisement)


class FakeClient(BaseBleakClient):
    world: World

    def __init__(self, device: BLEDevice, services: Any = None, **kwargs: Any) -> None:
        assert isinstance(device, BLEDevice), "an address makes bleak scan by itself"
        super().__init__(
            device, disconnected_callback=kwargs["disconnected_callback"], timeout=kwargs["timeout"]
        )
        self.peripheral: Peripheral = device.details
        self.subscribed: dict[str, Callable[[bytearray], None]] = {}
        self.used = False

    @property
    def name(self) -> str:
        return self.peripheral.name

    @property
    def mtu_size(self) -> int:
        return 23

    @property
    def is_connected(self) -> bool:
        return self.peripheral.client is self

    async def connect(self, pair: bool, **_: Any) -> None:
        assert not self.used, "a client must not be used for a second connection"
        self.used = True
        world, p = self.world, self.peripheral
        assert world.scanners, "BlueZ forgets the device when nobody scans"
        world.connecting += 1
        world.most_connecting = max(world.most_connecting, world.connecting)
        try:
            await asyncio.sleep(0.001)
            if p.connect_errors:
                raise p.connect_errors.pop(0)
            if not p.on_air:
                await asyncio.sleep(3600)
        finally:
            world.connecting -= 1
        p.client = self
        p.connections += 1
        self.services = BleakGATTServiceCollection()
        short, p.short = p.short > 0, max(0, p.short - 1)
        handle = 0
        for number, characteristics in {} if short else p.services.items():
            handle += 1
            service = BleakGATTService(None, handle, uuid(number))
            self.services.add_service(service)
            for channel, what in characteristics.items():
                handle += 1
                properties = {"notify": ["notify"], "control": ["write", "indicate"]}.get(
                    what if isinstance(what, str) else "",
                    ["read", "notify"] if channel == "2A19" else ["read"],
                )
                if channel not in p.without:
                    self.services.add_characteristic(
                        BleakGATTCharacteristic(what, handle, uuid(channel), properties, lambda: 20, service)
                    )

    async def disconnect(self) -> None:
        await asyncio.sleep(0)
        if self.is_connected:
            self.drop()

    def drop(self) -> None:
        self.peripheral.client = None
        self.services = None
        if self._disconnected_callback:
            self._disconnected_callback()

    async def pair(self, *args: Any, **kwargs: Any) -> None: ...

    async def unpair(self) -> None: ...

    async def answer(self) -> Peripheral:
        await asyncio.sleep(3600 if self.peripheral.mute else 0)
        if not self.is_connected:
            raise BleakError("Not connected")
        return self.peripheral

    async def read_gatt_char(self, characteristic: BleakGATTCharacteristic, **_: Any) -> bytearray:
        channel = characteristic.uuid[4:8].upper()
        assert channel not in self.subscribed, (
            "a read of a subscribed characteristic comes back as a notification"
        )
        (await self.answer()).reads.append(channel)
        return bytearray(characteristic.obj)

    async def read_gatt_descriptor(self, descriptor: Any, **_: Any) -> bytearray:
        raise NotImplementedError

    async def write_gatt_char(
        self, characteristic: BleakGATTCharacteristic, data: Any, response: bool
    ) -> None:
        p, channel = await self.answer(), characteristic.uuid[4:8].upper()
        assert response
        p.written.append((channel, bytes(data)))
        if p.write_errors:
            raise p.write_errors.pop(0)
        if channel not in self.subscribed:
            raise BleakGATTProtocolError(0xFD)
        if bytes(data) in p.answers:
            p.send(channel, p.answers[bytes(data)])

    async def write_gatt_descriptor(self, descriptor: Any, data: Any) -> None:
        raise NotImplementedError

    async def start_notify(self, characteristic: BleakGATTCharacteristic, callback: Any, **_: Any) -> None:
        channel = characteristic.uuid[4:8].upper()
        p = await self.answer()
        if channel in p.notify_errors:
            raise p.notify_errors[channel]
        assert channel not in self.subscribed
        self.subscribed[channel] = callback
        p.send(channel, *p.notify_on_subscribe.get(channel, []))

    async def stop_notify(self, characteristic: BleakGATTCharacteristic) -> None:
        self.subscribed.pop(characteristic.uuid[4:8].upper(), None)


class FakeAdapter(BaseBleakAdapter):
    world: World

    @classmethod
    async def get(cls, **_: Any) -> FakeAdapter:
        return cls()

    async def get_connected_devices(self, service_uuids: frozenset[str]) -> list[BLEDevice]:
        return [
            BLEDevice(p.address, p.name, p)
            for p in self.world.held
            if service_uuids & {uuid(s) for s in p.services}
        ]
