"""The Bluetooth source against a simulated radio: every state of a link, and nothing lost on the way."""

import asyncio
import contextlib
import sys
from collections.abc import AsyncIterator, Callable

import pytest
from bleak.exc import (
    BleakBluetoothNotAvailableError,
    BleakBluetoothNotAvailableReason,
    BleakDBusError,
    BleakError,
    BleakGATTProtocolError,
)
from msgspec.structs import replace

from capture.bluetooth import BluetoothSource, Timing, channel_of, find
from capture.bluetooth_trouble import unavailable
from capture.clock import DrivenClock
from capture.record import Link, Packet, Record, Reported
from capture.source import SourceError, Wanted
from tests.helpers.fake_bluetooth import CADENCE, POWER, TRAINER, Peripheral, World

A, B, C = "C0:FF:EE:00:00:01", "C0:FF:EE:00:00:02", "C0:FF:EE:00:00:03"
# Pauses are short; what ends an attempt is not, save where a test is about that: a busy machine must not.
QUICK = Timing(
    backoff_s=(0.002, 0.004),
    given_up_s=0.02,
    stable_s=0.05,
    settle_s=0.001,
    namesake_s=0.02,
    look_s=0.02,
    orphaned_s=0.02,
    radio_retry_s=0.005,
    silent_s=0.05,
    probe_s=0.05,
)


class Listener:
    """A running source and what came of it."""

    def __init__(self, source: BluetoothSource, world: World) -> None:
        self.source, self.world = source, world
        self.clock = DrivenClock()
        self.records: list[Record] = []

    def emit(self, record: Record) -> None:
        self.records.append(record)
        self.clock.t_ns += 1_000  # so that the order of stamps can be checked

    def links(self, label: str) -> list[str]:
        return [r.state for r in self.records if isinstance(r, Link) and r.instrument == label]

    def reason(self, label: str, state: str) -> str:
        return next(
            r.reason
            for r in self.records
            if isinstance(r, Link) and r.instrument == label and r.state == state
        )

    def packets(self, label: str, channel: str) -> list[bytes]:
        return [
            r.data
            for r in self.records
            if isinstance(r, Packet) and r.instrument == label and r.channel == channel
        ]

    async def until(self, condition: Callable[[], bool], what: str) -> None:
        try:
            async with asyncio.timeout(10):
                while not condition():
                    await asyncio.sleep(0.002)
        except TimeoutError:
            pytest.fail(f"never came: {what}\n" + "\n".join(map(str, self.records[-30:])))

    async def state(self, label: str, state: str, times: int = 1) -> None:
        await self.until(lambda: self.links(label).count(state) >= times, f"{label} {state} x{times}")


@contextlib.asynccontextmanager
async def listening(world: World, *wanted: Wanted, timing: Timing = QUICK) -> AsyncIterator[Listener]:
    source = BluetoothSource(wanted, backends=world.backends, timing=timing)
    listener = Listener(source, world)
    task = asyncio.create_task(source.run(listener.emit, listener.clock))
    try:
        yield listener
        assert not task.done(), task.exception()
    finally:
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await task
    assert not world.scanners, "the scanner was left running"
    assert not any(p.client for p in world.peripherals), "a link was left open"


def wanted(label: str, target: str, profile: str | None = None) -> Wanted:
    return Wanted(label, f"bluetooth:{target}", profile)


async def test_a_sensor_is_found_subscribed_and_heard_in_order() -> None:
    crank = Peripheral(A, "Spider", POWER)
    async with listening(World(crank), wanted("crank", A.lower())) as seen:
        await seen.state("crank", "up")
        crank.send("2A63", *(bytes([n]) for n in range(50)))
        await seen.until(lambda: "2A19" in crank.subscriptions, "battery subscription")
        crank.send("2A19", b"\x52")
    assert seen.links("crank") == ["searching", "connecting", "up"]
    assert seen.packets("crank", "2A63") == [bytes([n]) for n in range(50)]
    stamps = [r.t_ns for r in seen.records]
    assert stamps == sorted(stamps)
    told = {r.key: r.value for r in seen.records if isinstance(r, Reported)}
    assert told == {"name": "Spider", "address": A, "rssi_dbm": "-50"}
    for channel, value in {
        "2A65": b"\x0a\x02\x00\x00",
        "2A5D": b"\x0f",
        "2A29": b"Maker",
        "2A26": b"1.4.2",
    }.items():
        assert seen.packets("crank", channel) == [value]
    assert seen.packets("crank", "2A19") == [b"\x53", b"\x52"], "read once, then notified"
    assert crank.reads[0] != "2A63"


async def test_measurements_are_subscribed_before_anything_is_read() -> None:
    crank = Peripheral(A, "Spider", POWER)
    crank.notify_on_subscribe["2A63"] = [b"first"]
    async with listening(World(crank), wanted("crank", A)) as seen:
        await seen.until(lambda: bool(seen.packets("crank", "2A19")), "battery")
    kinds = [(type(r).__name__, getattr(r, "channel", getattr(r, "state", ""))) for r in seen.records]
    kinds = [k for k in kinds if k[0] != "Reported"]
    assert kinds[:4] == [("Link", "searching"), ("Link", "connecting"), ("Link", "up"), ("Packet", "2A63")]


async def test_signal_strength_is_told_at_most_every_ten_seconds_of_session_time() -> None:
    crank = Peripheral(A, "Spider", POWER)
    crank.connect_errors = [BleakError("no") for _ in range(1000)]
    async with listening(World(crank), wanted("crank", A)) as seen:
        await seen.state("crank", "down", 3)

        def told() -> list[int]:
            return [r.t_ns for r in seen.records if isinstance(r, Reported) and r.key == "rssi_dbm"]

        assert len(told()) == 1
        seen.clock.t_ns += 10_000_000_000
        await seen.until(lambda: len(told()) == 2, "the next signal strength")
        await seen.state("crank", "down", seen.links("crank").count("down") + 3)
        assert len(told()) == 2


async def test_a_lost_link_comes_back_by_itself_with_a_new_client() -> None:
    crank = Peripheral(A, "Spider", POWER)
    async with listening(World(crank), wanted("crank", A)) as seen:
        await seen.state("crank", "up")
        crank.send("2A63", b"\x01")
        crank.vanish()
        await seen.state("crank", "searching", 2)
        crank.on_air = True
        await seen.state("crank", "up", 2)
        crank.send("2A63", b"\x02")
    assert seen.links("crank") == ["searching", "connecting", "up", "down", "searching", "connecting", "up"]
    assert seen.packets("crank", "2A63") == [b"\x01", b"\x02"]
    assert "out of range" in seen.reason("crank", "down")


async def test_failing_connections_are_tried_again_whatever_the_backend_raises() -> None:
    crank = Peripheral(A, "Spider", POWER)
    crank.connect_errors = [
        BleakError("failed to discover services, device disconnected"),
        BleakDBusError("org.bluez.Error.InProgress", ["Operation already in progress"]),
        OSError("broken pipe"),
        KeyError("a bug below"),
        EOFError(),
    ]
    async with listening(World(crank), wanted("crank", A)) as seen:
        await seen.state("crank", "up")
    assert seen.links("crank").count("down") == 5
    reasons = [r.reason for r in seen.records if isinstance(r, Link) and r.state == "down"]
    assert "busy" in reasons[1]
    assert all(reasons)


async def test_the_pause_between_attempts_grows_and_is_reset_by_a_link_that_stood(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    pauses: list[float] = []
    sleep = asyncio.sleep

    async def noting(seconds: float) -> None:
        if 1 <= seconds < 100:  # the pauses of this test are the only ones of that size
            pauses.append(seconds)
            seconds = 0.0
        await sleep(seconds)

    monkeypatch.setattr("capture.bluetooth.asyncio.sleep", noting)
    crank = Peripheral(A, "Spider", POWER)
    crank.connect_errors = [BleakError("no") for _ in range(7)]
    timing = replace(QUICK, backoff_s=(5.0, 10.0, 20.0, 40.0, 80.0))
    async with listening(World(crank), wanted("crank", A), timing=timing) as seen:
        await seen.state("crank", "up")
        assert pauses == [5, 10, 20, 40, 80, 80, 80]
        await sleep(QUICK.stable_s * 2)
        crank.hang_up()
        await seen.state("crank", "up", 2)
    assert pauses[7:] == [5]


async def test_a_device_that_is_gone_when_its_turn_comes_does_not_block_the_others() -> None:
    ghost, crank = Peripheral(A, "Ghost", POWER), Peripheral(B, "Spider", POWER)
    ghost.on_air = False
    world = World(ghost, crank)
    timing = replace(QUICK, connect_s=0.05)
    async with listening(world, wanted("ghost", A), wanted("crank", B), timing=timing) as seen:
        await seen.state("crank", "up")
        for n in range(1, 4):  # stray advertisements, then silence: the connection times out
            while seen.links("ghost").count("connecting") < n:
                world.advertise(ghost)
                await asyncio.sleep(0.002)
            await seen.state("ghost", "down", n)
        crank.hang_up()
        await seen.state("crank", "up", 2)
    assert "no answer in time" in seen.reason("ghost", "down")


async def test_eight_sensors_at_once_connect_one_after_the_other_and_all_come_up() -> None:
    peripherals = [Peripheral(f"C0:FF:EE:00:00:{n:02X}", f"S{n}", POWER) for n in range(8)]
    world = World(*peripherals)
    async with listening(world, *(wanted(f"s{n}", p.address) for n, p in enumerate(peripherals))) as seen:
        for n in range(8):
            await seen.state(f"s{n}", "up")
        for n, p in enumerate(peripherals):
            p.send("2A63", bytes([n]))
    assert world.most_connecting == 1
    assert world.scans == 1
    assert [seen.packets(f"s{n}", "2A63") for n in range(8)] == [[bytes([n])] for n in range(8)]


async def test_a_short_service_list_is_cured_by_connecting_anew() -> None:
    crank = Peripheral(A, "Spider", POWER)
    crank.short = 2
    async with listening(World(crank), wanted("crank", A)) as seen:
        await seen.state("crank", "up")
    assert crank.connections == 3
    assert "given-up" not in seen.links("crank")
    assert "connecting anew" in seen.reason("crank", "down")


async def test_a_device_that_advertises_power_but_lists_only_bike_data_is_connected_anew() -> None:
    trainer = Peripheral(A, "Train", TRAINER)
    trainer.without = {"2A63"}
    async with listening(World(trainer), wanted("hub", A)) as seen:
        await seen.state("hub", "down")
        trainer.without = set()
        await seen.state("hub", "up")
        assert {"2A63", "2AD2"} <= trainer.subscriptions


async def test_without_any_measurement_it_gives_up_with_a_remedy_and_still_tries() -> None:
    crank = Peripheral(A, "Spider", POWER)
    crank.without = {"2A63"}
    async with listening(World(crank), wanted("crank", A)) as seen:
        await seen.state("crank", "given-up")
        assert crank.connections == QUICK.short_discoveries
        reason = seen.reason("crank", "given-up")
        assert "2A63" in reason
        assert "right instrument" in reason
        await seen.until(lambda: crank.connections > QUICK.short_discoveries + 1, "another try")
        assert seen.links("crank")[-1] == "given-up", "the call for help stands while it is tried again"
        crank.without = set()
        await seen.state("crank", "up")
    assert seen.links("crank")[-2:] == ["given-up", "up"]


@pytest.mark.parametrize(
    "refusal",
    [
        BleakGATTProtocolError(0x05),
        BleakGATTProtocolError(0x0F),
        BleakDBusError("org.bluez.Error.NotPermitted", ["Not paired"]),
        BleakError("Access Denied"),
    ],
)
async def test_a_demand_for_pairing_gives_up_and_says_how_to_pair(refusal: BleakError) -> None:
    crank = Peripheral(A, "Spider", POWER)
    crank.notify_errors["2A63"] = refusal
    async with listening(World(crank), wanted("crank", A)) as seen:
        await seen.state("crank", "given-up")
        assert "pair" in seen.reason("crank", "given-up")
        if sys.platform == "linux":
            assert f"bluetoothctl pair {A}" in seen.reason("crank", "given-up")
        crank.notify_errors.clear()  # a person has paired it
        await seen.state("crank", "up")
    assert seen.links("crank")[-2:] == ["given-up", "up"]


async def test_a_refused_pairing_at_connection_gives_up() -> None:
    crank = Peripheral(A, "Spider", POWER)
    crank.connect_errors = [BleakDBusError("org.bluez.Error.AuthenticationFailed", ["Authentication Failed"])]
    async with listening(World(crank), wanted("crank", A)) as seen:
        await seen.state("crank", "given-up")
        await seen.state("crank", "up")


async def test_two_labels_share_the_connection_of_one_trainer() -> None:
    trainer = Peripheral(A, "Train", TRAINER)
    labels = [wanted("power", A, "cycling-power"), wanted("machine", A.lower(), "fitness-machine")]
    async with listening(World(trainer), *labels) as seen:
        await seen.state("power", "up")
        await seen.state("machine", "up")
        trainer.send("2A63", b"\x01")
        trainer.send("2AD2", b"\x02")
        await seen.until(lambda: "2A19" in trainer.subscriptions, "battery subscription")
        trainer.send("2ADA", b"\x04")
        trainer.hang_up()
        await seen.state("power", "up", 2)
        await seen.state("machine", "up", 2)
    assert trainer.connections == 2
    assert [seen.packets("power", c) for c in ("2A63", "2AD2", "2ADA")] == [[b"\x01"], [], []]
    assert [seen.packets("machine", c) for c in ("2A63", "2AD2", "2ADA")] == [[], [b"\x02"], [b"\x04"]]
    assert seen.packets("power", "2A29")[0] == seen.packets("machine", "2A29")[0] == b"Maker"
    assert seen.packets("power", "2ACC") == []
    assert seen.packets("machine", "2A65") == []


async def test_of_two_labels_the_one_that_is_served_stays_up() -> None:
    trainer = Peripheral(A, "Train", TRAINER)
    trainer.without = {"2AD2"}
    labels = [wanted("power", A, "cycling-power"), wanted("machine", A, "fitness-machine")]
    async with listening(World(trainer), *labels) as seen:
        await seen.state("power", "up")
        await seen.state("machine", "given-up")
        trainer.send("2A63", b"\x01")
        assert seen.links("power")[-1] == "up"
    assert seen.packets("power", "2A63") == [b"\x01"]


async def test_the_location_is_read_from_the_service_of_the_profile() -> None:
    both = {**POWER, **CADENCE}
    crank = Peripheral(A, "Both", both)
    async with listening(World(crank), wanted("cadence", A, "speed-cadence")) as seen:
        await seen.until(lambda: bool(seen.packets("cadence", "2A19")), "battery")
    assert seen.packets("cadence", "2A5D") == [CADENCE["1816"]["2A5D"]]


async def test_a_name_finds_its_device_and_keeps_to_it() -> None:
    crank, twin = Peripheral(A, "Spider", POWER), Peripheral(B, "Spider", POWER)
    twin.on_air = False
    async with listening(World(crank, twin), wanted("crank", "name=Spider")) as seen:
        await seen.state("crank", "up")
        crank.vanish()
        twin.on_air = True
        await seen.state("crank", "searching", 2)
        await asyncio.sleep(0.1)
        crank.on_air = True
        await seen.state("crank", "up", 2)
    assert (crank.connections, twin.connections) == (2, 0)
    assert Reported(0, "crank", "address", A).value in [
        r.value for r in seen.records if isinstance(r, Reported)
    ]


async def test_a_name_that_two_devices_have_is_not_guessed() -> None:
    twins = Peripheral(A, "Spider", POWER), Peripheral(B, "Spider", POWER)
    async with listening(World(*twins), wanted("crank", "name=Spider")) as seen:
        await seen.state("crank", "given-up")
        assert A in seen.reason("crank", "given-up")
        assert B in seen.reason("crank", "given-up")
        assert not twins[0].connections + twins[1].connections
        twins[1].on_air = False
        await seen.state("crank", "up")
    assert twins[0].connections == 1


async def test_a_name_and_an_address_of_one_trainer_share_its_connection() -> None:
    trainer = Peripheral(A, "Train", TRAINER)
    labels = [wanted("power", A, "cycling-power"), wanted("machine", "name=Train", "fitness-machine")]
    async with listening(World(trainer), *labels) as seen:
        await seen.until(
            lambda: seen.links("power")[-1:] == ["up"] and seen.links("machine")[-1:] == ["up"], "both up"
        )
        trainer.send("2AD2", b"\x02")
        trainer.send("2A63", b"\x01")
    assert seen.packets("machine", "2AD2") == [b"\x02"]
    assert seen.packets("power", "2A63") == [b"\x01"]


async def test_a_device_that_the_system_holds_connected_is_taken_over() -> None:
    crank = Peripheral(A, "Spider", POWER)
    world = World(crank)
    world.held = [crank]
    async with listening(world, wanted("crank", A)) as seen:
        await seen.state("crank", "up")


async def test_a_vanished_adapter_is_told_and_everything_returns_with_it() -> None:
    crank, other = Peripheral(A, "Spider", POWER), Peripheral(B, "Pedals", POWER)
    world = World(crank, other)
    gone = BleakBluetoothNotAvailableError("gone", BleakBluetoothNotAvailableReason.NO_BLUETOOTH)
    async with listening(world, wanted("crank", A), wanted("pedals", B)) as seen:
        await seen.state("crank", "up")
        await seen.state("pedals", "up")
        world.break_adapter(gone)
        await seen.state("crank", "radio-lost")
        await seen.state("pedals", "radio-lost")
        assert "adapter" in seen.reason("crank", "radio-lost")
        world.mend_adapter()
        await seen.state("crank", "up", 2)
        await seen.state("pedals", "up", 2)
    states = seen.links("crank")
    assert states.index("down") < states.index("radio-lost")
    assert states[-3:] == ["searching", "connecting", "up"]


async def test_a_radio_that_is_missing_at_the_start_is_waited_for() -> None:
    crank = Peripheral(A, "Spider", POWER)
    world = World(crank)
    world.start_errors = [FileNotFoundError(2, "No such file or directory") for _ in range(3)]
    async with listening(world, wanted("crank", A)) as seen:
        await seen.state("crank", "up")
    assert seen.links("crank")[0] == "radio-lost"


async def test_a_scan_that_went_deaf_is_started_anew() -> None:
    crank, other = Peripheral(A, "Spider", POWER), Peripheral(B, "Pedals", POWER)
    world = World(crank, other)
    timing = replace(QUICK, watchdog_s=0.1)
    async with listening(world, wanted("crank", A), wanted("pedals", B), timing=timing) as seen:
        await seen.state("crank", "up")
        await seen.state("pedals", "up")
        world.deaf = True
        crank.hang_up()
        await seen.state("crank", "searching", 2)
        await seen.until(lambda: world.scans >= 2, "a second scan")
        world.deaf = False
        await seen.state("crank", "up", 2)
    assert seen.links("pedals") == ["searching", "connecting", "up"], "the other link was left alone"


async def test_changes_without_signal_strength_are_no_advertisements() -> None:
    crank = Peripheral(A, "Spider", POWER)
    crank.on_air = False
    world = World(crank)
    async with listening(world, wanted("crank", A)) as seen:
        await seen.state("crank", "searching")
        for _ in range(20):
            world.advertise(crank, rssi=-127)
            await asyncio.sleep(0.002)
    assert seen.links("crank") == ["searching"]


async def test_a_link_that_died_without_a_word_is_noticed() -> None:
    crank = Peripheral(A, "Spider", POWER)
    async with listening(World(crank), wanted("crank", A), timing=replace(QUICK, exchange_s=0.1)) as seen:
        await seen.until(lambda: "2A19" in crank.subscriptions, "battery subscription")
        crank.mute = True
        await seen.state("crank", "down")
        crank.mute = False
        await seen.state("crank", "up", 2)
    assert "does not answer" in seen.reason("crank", "down")


async def test_a_resting_sensor_that_answers_stays_up() -> None:
    crank = Peripheral(A, "Spider", POWER)
    async with listening(World(crank), wanted("crank", A)) as seen:
        await seen.state("crank", "up")
        await seen.until(lambda: crank.reads.count("2A29") >= 3, "probes")
        assert seen.links("crank")[-1] == "up"
    assert seen.packets("crank", "2A29") == [b"Maker"], (
        "a probe is not recorded as if the instrument had spoken"
    )


async def test_a_write_is_sent_with_indications_on_and_the_answer_is_a_packet() -> None:
    crank = Peripheral(A, "Spider", POWER)
    crank.answers[b"\x0c"] = b"\x20\x0c\x01\xf4\xff"
    async with listening(World(crank), wanted("crank", A)) as seen:
        assert await seen.source.write("crank", "2A66", b"\x0c") == "not connected now"
        await seen.state("crank", "up")
        assert await seen.source.write("crank", "2A66", b"\x0c") == "sent"
        assert (
            await seen.source.write("crank", "2AD9", b"\x00") == "the instrument has no characteristic 2AD9"
        )
        assert await seen.source.write("crank", "2A65", b"\x00") == "characteristic 2A65 can't be written"
        assert await seen.source.write("nobody", "2A66", b"\x0c") == "nobody is not on Bluetooth"
    assert crank.written == [("2A66", b"\x0c")]
    assert seen.packets("crank", "2A66") == [b"\x20\x0c\x01\xf4\xff"]


async def test_an_answer_goes_to_the_label_that_wrote_too() -> None:
    trainer = Peripheral(A, "Train", TRAINER)
    trainer.answers[b"\x00"] = b"\x80\x00\x01"
    async with listening(World(trainer), wanted("power", A, "cycling-power")) as seen:
        await seen.state("power", "up")
        assert await seen.source.write("power", "2AD9", b"\x00") == "sent"
    assert seen.packets("power", "2AD9") == [b"\x80\x00\x01"]


# 0xFC to 0xFF: Core Specification Supplement, part B. 0x80 and 0x81 at a control point: headers of
# services that are older than the common codes; common practice, no source beyond those.
@pytest.mark.parametrize(
    ("error", "words"),
    [
        (BleakGATTProtocolError(0xFD), "enable indications first"),
        (BleakGATTProtocolError(0x81), "enable indications first"),
        (BleakGATTProtocolError(0xFE), "busy"),
        (BleakGATTProtocolError(0x80), "busy"),
        (BleakGATTProtocolError(0x05), "paired"),
        (BleakGATTProtocolError(0x0D), "octets"),
        (BleakGATTProtocolError(0x9A), "0x9A"),
        (BleakError("Not connected"), "broke"),
        (TimeoutError(), "no answer"),
    ],
)
async def test_a_refused_write_says_why(error: BaseException, words: str) -> None:
    crank = Peripheral(A, "Spider", POWER)
    crank.write_errors = [error]
    async with listening(World(crank), wanted("crank", A)) as seen:
        await seen.state("crank", "up")
        assert words in await seen.source.write("crank", "2A66", b"\x0c")
        assert await seen.source.write("crank", "2A66", b"\x0c") == "sent"


async def test_a_control_point_that_refuses_indications_does_not_end_the_link() -> None:
    crank = Peripheral(A, "Spider", POWER)
    crank.notify_errors["2A66"] = BleakGATTProtocolError(0x0F)
    async with listening(World(crank), wanted("crank", A)) as seen:
        await seen.until(lambda: "2A19" in crank.subscriptions, "the rest of the link")
        assert "paired" in await seen.source.write("crank", "2A66", b"\x0c")
        assert seen.links("crank") == ["searching", "connecting", "up"]


NOT_AVAILABLE = BleakBluetoothNotAvailableError
BUS = "org.freedesktop.DBus.Error."
REASON = BleakBluetoothNotAvailableReason


@pytest.mark.parametrize(
    ("error", "system", "thing", "remedy"),
    [
        (FileNotFoundError(2, "no socket"), "linux", "D-Bus", "systemctl enable --now dbus bluetooth"),
        (NOT_AVAILABLE("", REASON.POWERED_OFF), "linux", "switched off", "bluetoothctl power on"),
        (NOT_AVAILABLE("", REASON.POWERED_OFF), "darwin", "switched off", "System Settings"),
        (NOT_AVAILABLE("", REASON.POWERED_OFF), "win32", "switched off", "Settings, Bluetooth & devices"),
        (NOT_AVAILABLE("", REASON.NO_BLUETOOTH), "linux", "no Bluetooth adapter", "bluetoothctl list"),
        (NOT_AVAILABLE("", REASON.NO_BLUETOOTH), "win32", "no Bluetooth adapter", "Device Manager"),
        (NOT_AVAILABLE("", REASON.NO_BLE_CENTRAL_ROLE), "linux", "Low Energy", "4.0"),
        (NOT_AVAILABLE("", REASON.DENIED_BY_USER), "darwin", "may not use", "Privacy & Security"),
        (NOT_AVAILABLE("", REASON.DENIED_BY_SYSTEM), "linux", "may not use", "usermod -aG bluetooth"),
        (PermissionError(13, "denied"), "linux", "may not use", "usermod -aG bluetooth"),
        (BleakError("adapter 'hci7' not found"), "linux", "no Bluetooth adapter", "bluetoothctl list"),
        (BleakDBusError(BUS + "ServiceUnknown", [""]), "linux", "service", "systemctl"),
        (BleakDBusError(BUS + "Spawn.ChildExited", [""]), "linux", "service", "systemctl"),
        (BleakDBusError(BUS + "AccessDenied", [""]), "linux", "may not use", "usermod"),
        (BleakDBusError("org.bluez.Error.NotReady", [""]), "linux", "switched off", "power on"),
        (BleakDBusError("org.bluez.Error.InProgress", [""]), "linux", "busy", "Close other programs"),
        (TimeoutError(), "darwin", "did not answer", "terminal"),
        (RuntimeError("odd"), "linux", "odd", "restart"),
    ],
)
async def test_check_names_what_is_missing_and_the_remedy(
    error: BaseException, system: str, thing: str, remedy: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("capture.bluetooth.unavailable", lambda e: unavailable(e, system))
    world = World()
    world.start_errors = [error]
    source = BluetoothSource([], backends=world.backends, timing=QUICK)
    with pytest.raises(SourceError) as caught:
        await source.check()
    assert thing in caught.value.thing
    assert remedy in caught.value.remedy
    await source.check()
    assert not world.scanners
    world.start_errors = [error]
    with pytest.raises(SourceError):
        await find(0, backends=world.backends, timing=QUICK)


@pytest.mark.skipif(sys.platform != "linux", reason="the system bus is a matter of Linux")
async def test_check_against_the_real_backend_without_a_bus(
    monkeypatch: pytest.MonkeyPatch, tmp_path: object
) -> None:
    monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", f"unix:path={tmp_path}/no-such-socket")
    with pytest.raises(SourceError, match="D-Bus"):
        await BluetoothSource([wanted("crank", A)]).check()


@pytest.mark.parametrize(
    "link", ["bluetooth:", "bluetooth:name=", "bluetooth:12:34", "ant:power:1", "bluetooth"]
)
def test_a_link_that_means_nothing_is_refused(link: str) -> None:
    with pytest.raises(ValueError, match="crank"):
        BluetoothSource([Wanted("crank", link)])


def test_an_unknown_profile_is_refused() -> None:
    with pytest.raises(ValueError, match="cycling-power"):
        BluetoothSource([wanted("crank", A, "powr")])


def test_a_link_of_a_system_that_hides_addresses_is_taken() -> None:
    BluetoothSource([wanted("crank", "6c4c7f0e-3a1d-4ab2-9a7e-5f0d8b0f2c11")])


# Bluetooth SIG Assigned Numbers: base UUID 00000000-0000-1000-8000-00805F9B34FB.
def test_channel_of_a_uuid() -> None:
    assert channel_of("00002A63-0000-1000-8000-00805F9B34FB") == "2A63"
    assert channel_of("6e400001-b5a3-f393-e0a9-e50e24dcca9e") == "6e400001-b5a3-f393-e0a9-e50e24dcca9e"


async def test_find_lists_what_is_in_range_strongest_first() -> None:
    near, far = Peripheral(A, "Near", POWER), Peripheral(B, "Far", TRAINER)
    phone = Peripheral(C, "Phone", {"180F": {"2A19": b"\x10"}})
    near.rssi, far.rssi = -40, -80
    far.service_data = {"1826": b"\x01\x20\x00"}
    sightings = await find(0.05, backends=World(far, phone, near).backends, timing=QUICK)
    assert [(s.link, s.name, s.profiles, s.rssi_dbm, s.detail) for s in sightings] == [
        (f"bluetooth:{A}", "Near", ("cycling-power",), -40, ""),
        (f"bluetooth:{B}", "Far", ("cycling-power", "fitness-machine"), -80, ""),
    ]
    assert near.connections == 0


async def test_find_knows_instruments_by_service_data_and_tells_other_machines() -> None:
    rower = Peripheral(A, "Oars", {"180F": {"2A19": b"\x10"}})
    rower.service_data = {"1826": b"\x01\x10\x00"}
    (sighting,) = await find(0.05, backends=World(rower).backends, timing=QUICK)
    assert sighting.profiles == ("fitness-machine",)
    assert "no bike" in sighting.detail


async def test_find_asks_for_battery_and_firmware_one_after_the_other() -> None:
    near, far, held = (
        Peripheral(A, "Near", POWER),
        Peripheral(B, "Far", POWER),
        Peripheral(C, "Held", TRAINER),
    )
    far.rssi, far.connect_errors = -80, [BleakError("failed")]
    world = World(near, far, held)
    world.held = [held]
    first, second, third = await find(0.05, details=True, backends=world.backends, timing=QUICK)
    assert (first.battery_percent, first.firmware) == (83.0, "1.4.2")
    assert (second.battery_percent, second.firmware) == (None, None)
    assert "failed" in second.detail
    assert (third.link, third.profiles) == (f"bluetooth:{C}", ("cycling-power", "fitness-machine"))
    assert "already connected" in third.detail
    assert held.connections == 0, "asking would end the other program's link"
    assert world.most_connecting == 1
    assert not world.scanners
    assert near.client is None


async def test_find_keeps_its_time_limit() -> None:
    near = Peripheral(A, "Near", POWER)
    (sighting,) = await find(0.05, details=True, details_s=0, backends=World(near).backends, timing=QUICK)
    assert "time was up" in sighting.detail
    assert near.connections == 0


async def test_cancelling_closes_links_even_if_closing_hangs(monkeypatch: pytest.MonkeyPatch) -> None:
    crank = Peripheral(A, "Spider", POWER)
    world = World(crank)
    source = BluetoothSource(
        [wanted("crank", A)], backends=world.backends, timing=replace(QUICK, close_s=0.05)
    )
    listener = Listener(source, world)
    task = asyncio.create_task(source.run(listener.emit, listener.clock))
    await listener.state("crank", "up")

    async def hang(self: object) -> None:
        await asyncio.sleep(3600)

    assert world.backends.client is not None
    monkeypatch.setattr(world.backends.client, "disconnect", hang)
    task.cancel()
    with pytest.raises(asyncio.CancelledError):
        await asyncio.wait_for(task, 5)
    assert not world.scanners
