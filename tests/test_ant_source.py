"""The ANT+ source on a stick that is played at the level of its serial messages.

What the stick does (answers, events, eight misses before it searches again) follows openant's
message ids and the public `ant_parameters.h`; tests/lab runs the same source on a real USB stack.
"""

import array
import asyncio
import errno
import queue
import subprocess
import sys
import threading
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager, suppress
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from openant.base.message import Message
from openant.devices import ANTPLUS_NETWORK_KEY
from usb.core import USBError, USBTimeoutError

from capture import ant, ant_stick
from capture.ant import AntSource, find
from capture.ant_frames import Code, Extended, Frame, FrameCutter
from capture.ant_stick import UDEV_RULE, StickLostError
from capture.clock import DrivenClock
from capture.profiles import ant_common, ant_power
from capture.record import Link, Packet, Record, Reported
from capture.source import SourceError, Wanted

PAGE = bytes(ant_power.PowerOnly(event_count=7, cadence_raw=90, power_sum_w=1400, power_raw=200))
UNPLUGGED = USBError("No such device (it may have been disconnected)", -4, errno.ENODEV)

ID = Message.ID


class PlayedStick:
    """A driver as openant's, and behind it a stick that answers as told."""

    def __init__(self, channels: int = 8, delay_s: float = 0.0) -> None:
        self.channels, self.delay_s = channels, delay_s
        self.is_open = False
        self.opened = self.closed = 0
        self.refuses: dict[int, int] = {}
        """Message id to the code with which it is refused."""
        self.mute: set[int] = set()
        self.transfers: list[list[int]] = []
        """Codes (as events; negative: as answers) for each acknowledged page to come; then completed."""
        self.open_error: Exception | None = None
        self.got: list[Frame] = []
        self._out: queue.Queue[bytes | Exception] = queue.Queue()

    # what openant calls

    def open(self) -> None:
        self.opened += 1
        if self.open_error is not None:
            raise self.open_error
        self.is_open = True
        self._out = queue.Queue()

    def close(self) -> None:
        self.closed += 1
        self.is_open = False

    def read(self) -> "array.array[int]":
        try:
            item = self._out.get(timeout=0.02)
        except queue.Empty:
            raise USBTimeoutError("Operation timed out", -7, errno.ETIMEDOUT) from None
        if isinstance(item, Exception):
            raise item
        return array.array("B", item)

    def write(self, data: bytes) -> None:
        for frame in FrameCutter().feed(data):
            self.got.append(frame)
            self._answer(frame)

    # what the stick does

    def put(self, data: bytes) -> None:
        self._out.put(data)

    def pull_out(self) -> None:
        self._out.put(UNPLUGGED)

    def page(
        self, channel: int, page: bytes = PAGE, extra: bytes = b"", kind: int = ID.BROADCAST_DATA
    ) -> None:
        self.put(bytes(Frame(kind, bytes((channel,)) + page + extra)))

    def event(self, channel: int, code: int, answers: int = 1) -> None:
        self.put(bytes(Frame(ID.RESPONSE_CHANNEL, bytes((channel, answers, code)))))

    def _answer(self, frame: Frame) -> None:
        def later(data: bytes) -> None:
            if self.delay_s:
                threading.Timer(self.delay_s, self.put, (data,)).start()
            else:
                self.put(data)

        if frame.message_id in self.mute:
            return
        if frame.message_id == ID.RESET_SYSTEM:
            later(bytes(Frame(ID.STARTUP_MESSAGE, b"\x20")))
        elif frame.message_id == ID.REQUEST_MESSAGE:
            channel, wanted = frame.content
            answers = {
                ID.RESPONSE_CAPABILITIES: bytes((self.channels, 3, 0, 0xBA, 0x36, 0, 0xDF, 0)),
                ID.RESPONSE_CHANNEL_ID: bytes((channel, 0x39, 0x30, 11, 5)),
            }
            later(bytes(Frame(wanted, answers[wanted])))
        elif frame.message_id == ID.ACKNOWLEDGED_DATA:
            for code in self.transfers.pop(0) if self.transfers else [Code.TX_COMPLETED]:
                answers_ = ID.ACKNOWLEDGED_DATA if code < 0 or code == Code.NO_ERROR else 1
                self.event(frame.content[0] & 0x1F, abs(code), answers_)
        else:
            code = self.refuses.get(frame.message_id, Code.NO_ERROR)
            later(bytes(Frame(ID.RESPONSE_CHANNEL, bytes((frame.content[0], frame.message_id, code)))))
            if frame.message_id == ID.CLOSE_CHANNEL and code == Code.NO_ERROR:
                self.event(frame.content[0], Code.CHANNEL_CLOSED)

    def sent(self, message_id: int) -> list[bytes]:
        return [frame.content for frame in self.got if frame.message_id == message_id]


class Listener:
    """A running source and what it has emitted."""

    def __init__(self, source: AntSource, clock: DrivenClock) -> None:
        self.source, self.clock = source, clock
        self.records: list[Record] = []
        self.threads: set[int] = set()

    def emit(self, record: Record) -> None:
        self.threads.add(threading.get_ident())
        self.records.append(record)

    def packets(self) -> list[Packet]:
        return [r for r in self.records if isinstance(r, Packet)]

    def links(self, label: str = "crank") -> list[str]:
        return [r.state for r in self.records if isinstance(r, Link) and r.instrument == label]

    def reasons(self, label: str = "crank") -> list[str]:
        return [r.reason for r in self.records if isinstance(r, Link) and r.instrument == label]

    def told(self) -> list[tuple[str, str, str]]:
        return [(r.instrument, r.key, r.value) for r in self.records if isinstance(r, Reported)]


async def until(true: Callable[[], object]) -> None:
    """Wait for what another thread brings; fails after 5 s."""
    async with asyncio.timeout(5):
        while not true():
            await asyncio.sleep(0.005)


@asynccontextmanager
async def listening(stick: PlayedStick, *links: str, find_: Any = None) -> AsyncIterator[Listener]:
    """A source on these links; the first is `crank`, then `second`, `third`."""
    labels = ("crank", "second", "third")
    wanted = [Wanted(label, link) for label, link in zip(labels, links or ("ant:power:12345",), strict=False)]
    clock = DrivenClock()
    listener = Listener(AntSource(wanted, find_ or (lambda: stick)), clock)
    task = asyncio.create_task(listener.source.run(listener.emit, clock))
    try:
        await until(
            lambda: (
                len(stick.sent(ID.OPEN_CHANNEL)) >= min(len(wanted), stick.channels)
                or "given-up" in listener.links()
                or task.done()
            )
        )
        yield listener
    finally:
        task.cancel()
        with suppress(asyncio.CancelledError):
            await task


@pytest.fixture(autouse=True)
def short_waits(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(ant, "BACKOFF_S", (0.01, 0.02))


@pytest.fixture
def no_threads_left() -> Any:
    yield
    for thread in threading.enumerate():
        if thread.name.startswith("ant-"):
            thread.join(1)
    assert not [t.name for t in threading.enumerate() if t.name == "ant-reader"]


@pytest.fixture
def stick(no_threads_left: None) -> PlayedStick:
    return PlayedStick()


# What arrives


async def test_identical_pages_are_all_delivered(stick: PlayedStick) -> None:
    async with listening(stick) as heard:
        heard.clock.t_ns = 123
        for _ in range(40):
            stick.page(0)
        await until(lambda: len(heard.packets()) == 40)
    assert heard.packets() == [Packet(123, "crank", "ant11", PAGE)] * 40
    assert heard.links() == ["searching", "up"]
    assert heard.threads == {threading.get_ident()}


async def test_acknowledged_pages_of_an_instrument_are_packets_too(stick: PlayedStick) -> None:
    async with listening(stick) as heard:
        stick.page(0, bytes.fromhex("01acffffffffa404"), kind=ID.ACKNOWLEDGED_DATA)
        await until(heard.packets)
    assert heard.packets()[0].data.hex() == "01acffffffffa404"


async def test_garbage_and_split_frames_cost_only_what_they_hit(stick: PlayedStick) -> None:
    frame = bytes(Frame(ID.BROADCAST_DATA, b"\x00" + PAGE))
    async with listening(stick) as heard:
        stick.page(0)
        stick.put(b"\xff\x00\x13" * 7)
        stick.put(frame[:5])
        stick.put(frame[5:] + frame + frame[:1])
        stick.put(frame[1:])
        stick.put(frame[:-1] + bytes((frame[-1] ^ 1,)))  # bad check octet
        stick.put(bytes(Frame(ID.BROADCAST_DATA, b"\x00\x10")))  # a page cut short, with a good one
        stick.page(0)
        await until(lambda: len(heard.packets()) == 5)
        stick.page(0)
        await until(lambda: len(heard.packets()) == 6)
    assert {packet.data for packet in heard.packets()} == {PAGE}
    assert heard.links() == ["searching", "up"]


async def test_extended_data_are_kept_whole_and_rssi_is_told_now_and_then(stick: PlayedStick) -> None:
    dbm = bytes(Extended(12345, 11, 5, 0x20, -61, -128, receive_ticks=4711))
    agc = bytes(Extended(12345, 11, 5, 0x10, rssi_agc=(1, 104), receive_ticks=4711))
    async with listening(stick) as heard:
        for t_s, extra in ((0, dbm), (1, dbm), (9.9, dbm), (10, agc), (10.1, dbm), (11, b"\xff\x01")):
            heard.clock.t_ns, count = int(t_s * 1e9), len(heard.packets())
            stick.page(0, extra=extra)
            await until(lambda n=count: len(heard.packets()) == n + 1)  # type: ignore[misc]
    assert [p.extra for p in heard.packets()] == [dbm, dbm, dbm, agc, dbm, b"\xff\x01"]
    assert heard.told() == [
        ("crank", "ant_id", "12345"),
        ("crank", "rssi_dbm", "-61"),
        ("crank", "rssi_dbm", "-61"),
    ]
    assert [r.t_ns for r in heard.records if isinstance(r, Reported)] == [0, 0, int(10.1 * 1e9)]


async def test_channels_are_kept_apart(stick: PlayedStick) -> None:
    async with listening(stick, "ant:power:12345", "ant:cadence:77", "ant:trainer:5") as heard:
        for channel in (2, 0, 1, 2, 7):  # 7: nobody's
            stick.page(channel, bytes((channel,)) * 8)
        await until(lambda: len(heard.packets()) == 4)
    assert [(p.instrument, p.channel, p.data[0]) for p in heard.packets()] == [
        ("third", "ant17", 2),
        ("crank", "ant11", 0),
        ("second", "ant122", 1),
        ("third", "ant17", 2),
    ]


# How it is asked


async def test_configuration_is_that_of_a_tracking_channel(stick: PlayedStick) -> None:
    async with listening(stick, "ant:speed-cadence:4660"):
        pass
    ours = [frame for frame in stick.got if frame.message_id != ID.RESET_SYSTEM]
    expected = [
        Message(ID.SET_NETWORK_KEY, [0, *ANTPLUS_NETWORK_KEY]),
        Message(ID.LIB_CONFIG, [0, 0xE0]),
        Message(ID.REQUEST_MESSAGE, [0, ID.RESPONSE_CAPABILITIES]),
        Message(ID.ASSIGN_CHANNEL, [0, 0, 0]),  # no extended assignment: not background scanning
        Message(ID.SET_CHANNEL_ID, [0, 0x34, 0x12, 121, 0]),
        Message(ID.SET_CHANNEL_PERIOD, [0, 8086 & 0xFF, 8086 >> 8]),
        Message(ID.SET_CHANNEL_RF_FREQ, [0, 57]),
        Message(ID.LOW_PRIORITY_CHANNEL_SEARCH_TIMEOUT, [0, 255]),
        Message(ID.SET_CHANNEL_SEARCH_TIMEOUT, [0, 255]),
        Message(ID.OPEN_CHANNEL, [0]),
        Message(ID.CLOSE_CHANNEL, [0]),
    ]
    assert [bytes(frame) for frame in ours] == [message.get().tobytes() for message in expected]
    assert (stick.opened, stick.closed, stick.is_open) == (1, 1, False)


async def test_slow_answers_are_waited_for(no_threads_left: None) -> None:
    stick = PlayedStick(delay_s=0.05)
    async with listening(stick) as heard:
        stick.page(0)
        await until(heard.packets)
    assert heard.links() == ["searching", "up"]
    assert stick.opened == 1


async def test_an_answer_for_another_channel_or_message_is_no_answer(
    stick: PlayedStick, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(ant_stick, "ANSWER_S", 0.1)
    stick.mute = {ID.OPEN_CHANNEL}
    async with listening(stick) as heard:
        stick.event(3, Code.NO_ERROR, ID.OPEN_CHANNEL)
        stick.event(0, Code.NO_ERROR, ID.ASSIGN_CHANNEL)
        await until(lambda: "radio-lost" in heard.links())
    assert heard.links()[:2] == ["searching", "radio-lost"]
    assert "does not answer (message 0x4B)" in heard.reasons()[1]


async def test_an_old_stick_is_served_without_extensions(stick: PlayedStick) -> None:
    stick.refuses = {
        ID.LIB_CONFIG: Code.INVALID_MESSAGE,
        ID.ENABLE_EXT_RX_MESGS: Code.INVALID_MESSAGE,
        ID.LOW_PRIORITY_CHANNEL_SEARCH_TIMEOUT: Code.INVALID_MESSAGE,
    }
    async with listening(stick, "ant:power:*") as heard:
        stick.page(0)
        await until(heard.told)
        stick.page(0)
        await until(lambda: len(heard.packets()) == 2)
    assert stick.sent(ID.ENABLE_EXT_RX_MESGS) == [b"\x00\x01"]
    assert heard.told() == [("crank", "ant_id", "12345")]
    assert stick.sent(ID.REQUEST_MESSAGE).count(bytes((0, ID.RESPONSE_CHANNEL_ID))) == 1


async def test_a_refused_channel_is_given_up_with_the_reason(stick: PlayedStick) -> None:
    stick.refuses = {ID.ASSIGN_CHANNEL: Code.CHANNEL_IN_WRONG_STATE}
    async with listening(stick) as heard:
        await until(lambda: "given-up" in heard.links())
    assert heard.links() == ["searching", "given-up"]
    assert "refused assign channel: channel in wrong state" in heard.reasons()[-1]


# What is lost


async def test_a_missed_slot_a_lost_track_and_the_way_back(stick: PlayedStick) -> None:
    async with listening(stick) as heard:
        stick.event(0, Code.RX_FAIL)  # before anything was heard: no loss
        stick.page(0)
        for _ in range(8):
            stick.event(0, Code.RX_FAIL)
        stick.event(0, Code.GO_TO_SEARCH)
        stick.page(0)
        stick.event(0, Code.CHANNEL_COLLISION)
        await until(lambda: heard.links()[-1] == "missed" and len(heard.packets()) == 2)
    assert heard.links() == ["searching", "up", *["missed"] * 8, "down", "up", "missed"]
    reasons = [reason for reason in heard.reasons() if reason]
    assert reasons == [
        "looking for ant:power:12345",
        "power meter 12345 heard",
        "crank was not heard for 2 s; searching again",
        "power meter 12345 heard again",
        "its slot collided with another instrument's",
    ]
    assert stick.sent(ID.OPEN_CHANNEL) == [b"\x00"]  # the stick searches by itself


async def test_a_search_that_ends_is_begun_again(stick: PlayedStick) -> None:
    async with listening(stick) as heard:
        stick.event(0, Code.SEARCH_TIMEOUT)
        stick.event(0, Code.CHANNEL_CLOSED)
        await until(lambda: len(stick.sent(ID.OPEN_CHANNEL)) == 2)
        stick.page(0)
        await until(heard.packets)
        stick.event(0, Code.CHANNEL_CLOSED)
        await until(lambda: len(stick.sent(ID.OPEN_CHANNEL)) == 3)
    assert heard.links() == ["searching", "up", "down"]


async def test_a_stick_that_is_pulled_out_is_looked_for(stick: PlayedStick) -> None:
    looks = 0

    def find_() -> PlayedStick:
        nonlocal looks
        looks += 1
        if 1 < looks < 4:
            raise SourceError("No ANT stick was found", "Plug one in.")
        return stick

    async with listening(stick, "ant:power:12345", "ant:cadence:1", find_=find_) as heard:
        stick.page(0)
        await until(heard.packets)
        stick.pull_out()
        await until(lambda: len(stick.sent(ID.OPEN_CHANNEL)) == 4)
        stick.page(0)
        stick.page(1)
        await until(lambda: len(heard.packets()) == 3)
    assert heard.links() == ["searching", "up", "radio-lost", "searching", "up"]
    assert heard.links("second") == ["searching", "radio-lost", "searching", "up"]
    assert "No such device" in heard.reasons()[2]
    assert heard.reasons()[-1].endswith("heard again")
    assert looks == 4
    assert (stick.opened, stick.closed) == (2, 2)


async def test_waits_between_looks_grow_to_eight_seconds(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.undo()
    waits: list[float] = []

    async def sleep(seconds: float) -> None:
        waits.append(seconds)
        if len(waits) == 7:
            raise asyncio.CancelledError

    def find_() -> PlayedStick:
        raise SourceError("No ANT stick was found", "Plug one in.")

    records: list[Record] = []
    source = AntSource([Wanted("crank", "ant:power:1")], find_)
    monkeypatch.setattr(asyncio, "sleep", sleep)
    with pytest.raises(asyncio.CancelledError):
        await source.run(records.append, DrivenClock())
    assert waits == [0.5, 1, 2, 4, 8, 8, 8]
    assert records == [Link(0, "crank", "radio-lost", "No ANT stick was found. Plug one in.")]


async def test_a_stick_that_begins_anew_is_configured_anew(stick: PlayedStick) -> None:
    async with listening(stick) as heard:
        stick.put(bytes(Frame(ID.STARTUP_MESSAGE, b"\x00")))
        await until(lambda: len(stick.sent(ID.OPEN_CHANNEL)) == 2)
    assert heard.links() == ["searching", "radio-lost", "searching"]
    assert "began anew" in heard.reasons()[1]


async def test_a_quiet_stick_is_asked_and_a_dead_one_noticed(
    stick: PlayedStick, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(ant, "QUIET_S", 0.03)
    monkeypatch.setattr(ant_stick, "ANSWER_S", 0.2)
    async with listening(stick) as heard:
        await until(lambda: len(stick.sent(ID.REQUEST_MESSAGE)) >= 3)
        assert heard.links() == ["searching"]
        stick.mute = {ID.REQUEST_MESSAGE}
        await until(lambda: "radio-lost" in heard.links())
        stick.mute = set()
        await until(lambda: heard.links()[-1] == "searching")
    assert "does not answer" in heard.reasons()[1]


async def test_a_stick_that_sends_pages_is_alive_even_if_its_answer_is_late(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """As after a pause of the whole machine, when the answer waits behind many pages."""
    monkeypatch.setattr(ant, "QUIET_S", 0)

    class Stick:
        heard_s = 0.0
        pages_come = True

        async def capabilities(self) -> None:
            if self.pages_come:
                self.heard_s = asyncio.get_running_loop().time()
            raise StickLostError("the ANT stick does not answer")

    source, played = AntSource([Wanted("crank", "ant:power:1")]), Stick()
    await source._attend(played)  # type: ignore[arg-type]
    played.pages_come, played.heard_s = False, 0.0
    with pytest.raises(StickLostError):
        await source._attend(played)  # type: ignore[arg-type]


async def test_writes_that_fail_mean_that_the_stick_is_gone(
    stick: PlayedStick, monkeypatch: pytest.MonkeyPatch
) -> None:
    async with listening(stick) as heard:
        stick.page(0)
        await until(heard.packets)
        with monkeypatch.context() as patch:
            patch.setattr(stick, "write", lambda data: (_ for _ in ()).throw(UNPLUGGED))
            assert "No such device" in await heard.source.write("crank", "ant11", PAGE)
        await until(lambda: heard.links()[-1] == "searching")
    assert heard.links() == ["searching", "up", "radio-lost", "searching"]


# Sending

ZERO = bytes(ant_power.Calibration.zero_request())


@pytest.mark.parametrize(
    ("transfers", "outcome", "frames"),
    [
        ([], "sent", 1),
        ([[Code.NO_ERROR, Code.TX_COMPLETED]], "sent", 1),
        ([[Code.TX_FAILED], [Code.TX_FAILED]], "sent", 3),
        ([[-Code.TRANSFER_IN_PROGRESS]], "sent", 2),
        ([[Code.TX_FAILED]] * 5, "not confirmed: no answer from crank in 5 tries", 5),
        ([[-Code.CHANNEL_IN_WRONG_STATE]], "the ANT stick refused it (code 21)", 1),
    ],
)
async def test_acknowledged_pages(
    stick: PlayedStick, transfers: list[list[int]], outcome: str, frames: int
) -> None:
    stick.transfers = transfers
    async with listening(stick, "ant:cadence:1", "ant:power:12345") as heard:
        heard.source._instruments[1].label = "crank"  # on channel 1: the channel number must be sent
        heard.source._instruments[0].label = "other"
        stick.page(1)
        await until(heard.packets)
        assert await heard.source.write("crank", "ant11", ZERO) == outcome
    assert stick.sent(ID.ACKNOWLEDGED_DATA) == [b"\x01" + ZERO] * frames
    assert not [r for r in heard.records if type(r).__name__ == "Write"]  # the recorder writes those


async def test_a_page_for_nobody_is_not_sent(stick: PlayedStick, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(ant, "SEND_WITHIN_S", 0.05)
    async with listening(stick) as heard:
        write = heard.source.write
        assert await write("crank", "ant11", ZERO) == "crank is not heard now"
        assert await write("nobody", "ant11", ZERO) == "there is no ANT+ instrument nobody"
        assert await write("crank", "ant17", ZERO) == "crank is ant11, not ant17"
        assert await write("crank", "ant11", ZERO[:7]) == "an ANT+ page has 8 octets, not 7"
        assert stick.sent(ID.ACKNOWLEDGED_DATA) == []
        stick.page(0)
        await until(heard.packets)
        stick.mute = {ID.ACKNOWLEDGED_DATA}
        assert "does not answer" in await write("crank", "ant11", ZERO)
        stick.pull_out()
        await until(lambda: "radio-lost" in heard.links())
    assert await write("crank", "ant11", ZERO) == "the ANT stick is gone"


async def test_two_senders_wait_for_each_other(stick: PlayedStick) -> None:
    stick.mute = {ID.ACKNOWLEDGED_DATA}
    async with listening(stick) as heard:
        stick.page(0)
        await until(heard.packets)
        first = asyncio.create_task(heard.source.write("crank", "ant11", ZERO))
        second = asyncio.create_task(heard.source.write("crank", "ant11", PAGE))
        await until(lambda: len(stick.sent(ID.ACKNOWLEDGED_DATA)) == 1)
        await asyncio.sleep(0.05)
        assert stick.sent(ID.ACKNOWLEDGED_DATA) == [b"\x00" + ZERO]
        stick.event(0, Code.TX_COMPLETED)
        await until(lambda: len(stick.sent(ID.ACKNOWLEDGED_DATA)) == 2)
        stick.event(0, Code.TX_COMPLETED)
        assert (await first, await second) == ("sent", "sent")


# Links without a number


def whose(number: int, device_type: int = 11) -> bytes:
    return bytes(Extended(device_number=number, device_type=device_type, transmission_type=5))


async def test_the_first_that_is_heard_is_kept(stick: PlayedStick, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(ant, "SEARCH_ON_S", 0.01)
    async with listening(stick, "ant:power:*", "ant:power:500") as heard:
        stick.page(0, extra=whose(500))  # the second's: not taken
        stick.page(0, extra=whose(500))
        stick.page(1, extra=whose(500))
        await until(lambda: len(stick.sent(ID.OPEN_CHANNEL)) == 3)
        stick.page(0, extra=whose(501))
        await until(lambda: len(heard.packets()) == 2)
        stick.event(0, Code.GO_TO_SEARCH)
        await until(lambda: len(stick.sent(ID.OPEN_CHANNEL)) == 4)
        stick.page(0, extra=whose(502))  # found after the loss: another instrument
        await until(lambda: len(stick.sent(ID.OPEN_CHANNEL)) == 5)
        stick.page(0, extra=whose(501))
        await until(lambda: len(heard.packets()) == 3)
    assert [(p.instrument, p.extra) for p in heard.packets()] == [
        ("second", whose(500)),
        ("crank", whose(501)),
        ("crank", whose(501)),
    ]
    assert ("crank", "ant_id", "501") in heard.told()
    wanted = [content for content in stick.sent(ID.SET_CHANNEL_ID) if content[0] == 0]
    assert [int.from_bytes(content[1:3], "little") for content in wanted] == [0, 0, 501, 501]
    # The one that the bench names is kept from the search for any.
    assert stick.sent(ID.ADD_CHANNEL_ID) == [bytes((0, 500 & 0xFF, 500 >> 8, 11, 0, 0))] * 2
    assert stick.sent(ID.CONFIG_LIST) == [b"\x00\x01\x01"] * 2
    assert heard.reasons()[1] == "heard 500, which the bench has already; searching on"
    assert heard.links() == ["searching", "searching", "up", "down", "up"]


# The end


async def test_cancelled_while_it_opens(no_threads_left: None) -> None:
    stick = PlayedStick()
    gate = threading.Event()

    def find_() -> PlayedStick:
        gate.wait(5)
        return stick

    source = AntSource([Wanted("crank", "ant:power:1")], find_)
    task = asyncio.create_task(source.run(lambda record: None, DrivenClock()))
    await asyncio.sleep(0.02)
    task.cancel()
    await asyncio.sleep(0.02)
    gate.set()
    with pytest.raises(asyncio.CancelledError):
        await task
    assert (stick.opened, stick.closed, stick.is_open) == (1, 1, False)


def test_a_stuck_usb_stack_does_not_keep_the_process() -> None:
    script = """
import asyncio, threading
from capture import ant_stick
from capture.ant import AntSource
from capture.clock import SessionClock
from capture.source import Wanted
ant_stick.ANSWER_S = ant_stick.STOP_S = 0.1
class Stuck:
    def open(self): pass
    def close(self): print("closed under a read")
    def read(self): threading.Event().wait()
    def write(self, data): pass
async def main():
    told = asyncio.Event()
    def emit(record):
        print(record)
        told.set()
    source = AntSource([Wanted("crank", "ant:power:1")], Stuck)
    task = asyncio.create_task(source.run(emit, SessionClock()))
    await told.wait()
    task.cancel()
    await asyncio.gather(task, return_exceptions=True)
asyncio.run(main())
print("ended")
"""
    done = subprocess.run(
        [sys.executable, "-c", script],
        capture_output=True,
        text=True,
        timeout=90,
        check=True,
        cwd=Path(__file__).parent.parent,
    )
    assert "does not answer" in done.stdout
    assert done.stdout.endswith("ended\n")
    assert "closed under a read" not in done.stdout


# What can't be used


@pytest.mark.parametrize(
    ("error", "platform", "thing", "remedy"),
    [
        (USBError("Access denied", -3, errno.EACCES), "linux", "no rights", str(UDEV_RULE)),
        (USBError("Resource busy", -6, errno.EBUSY), "linux", "another program", "End that program"),
        (USBError("Access denied", -3, errno.EACCES), "win32", "another program", "End that program"),
        (
            NotImplementedError("Operation not supported or unimplemented on this platform"),
            "win32",
            "can't be opened",
            "WinUSB",
        ),
        (USBError("Pipe error", -9, errno.EPIPE), "linux", "can't be opened", "Plug it in again"),
        (ValueError("Device not found"), "linux", "can't be opened", "Plug it in again"),
    ],
)
async def test_a_stick_that_cannot_be_opened(
    stick: PlayedStick,
    monkeypatch: pytest.MonkeyPatch,
    error: Exception,
    platform: str,
    thing: str,
    remedy: str,
) -> None:
    monkeypatch.setattr(sys, "platform", platform)
    stick.open_error = error
    source = AntSource([Wanted("crank", "ant:power:1")], lambda: stick)
    with pytest.raises(SourceError) as caught:
        await source.check()
    assert thing in caught.value.thing
    assert remedy in caught.value.remedy
    assert stick.closed == 1


async def test_no_stick_in_this_machine() -> None:
    """The real look over USB; skipped where someone has a stick plugged in."""
    with suppress(SourceError):
        ant_stick.find_usb_stick()
        pytest.skip("there is a stick")
    with pytest.raises(SourceError, match="No ANT stick was found"):
        await AntSource([Wanted("crank", "ant:power:1")]).check()
    with pytest.raises(SourceError, match="No ANT stick was found"):
        await find(1)


async def test_check_leaves_the_stick_free(stick: PlayedStick) -> None:
    await AntSource([Wanted("crank", "ant:power:1")], lambda: stick).check()
    assert (stick.opened, stick.closed, stick.is_open) == (1, 1, False)


async def test_check_of_a_silent_stick(stick: PlayedStick, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(ant_stick, "ANSWER_S", 0.05)
    stick.mute = set(range(256))
    with pytest.raises(SourceError, match=r"does not answer.*Plug it in again"):
        await AntSource([Wanted("crank", "ant:power:1")], lambda: stick).check()
    assert not stick.is_open


async def test_more_instruments_than_channels(no_threads_left: None) -> None:
    stick = PlayedStick(channels=1)
    links = [Wanted("crank", "ant:power:1"), Wanted("second", "ant:cadence:2")]
    with pytest.raises(SourceError, match=r"has 1 channels, here are 2 .*Take second out"):
        await AntSource(links, lambda: stick).check()
    async with listening(stick, "ant:power:1", "ant:cadence:2") as heard:
        await until(lambda: heard.links("second"))
        stick.page(0)
        await until(heard.packets)
    assert heard.links() == ["searching", "up"]
    assert heard.links("second") == ["given-up"]


@pytest.mark.parametrize(
    "link",
    [
        "ant:power",
        "ant:rower:1",
        "ant:power:65536",
        "ant:power:-1",
        "ant:power:x",
        "ant:power:²",
        "bluetooth:power:1",
        "ant",
    ],
)
def test_links_that_are_none(link: str) -> None:
    with pytest.raises(SourceError, match=r"crank is none\. Write ant:KIND:NUMBER"):
        AntSource([Wanted("crank", link)])


def test_a_link_that_stands_twice() -> None:
    with pytest.raises(SourceError, match="a and b have the same link"):
        AntSource([Wanted("a", "ant:power:0"), Wanted("b", "ant:power:*")])
    AntSource([Wanted("a", "ant:power:5"), Wanted("b", "ant:trainer:5")])


def test_the_udev_rule_comes_before_the_rules_that_read_its_tag() -> None:
    """`73-seat-late.rules` of systemd grants what is tagged `uaccess` by then."""
    assert int(UDEV_RULE.name.partition("-")[0]) < 73
    (rule,) = [line for line in UDEV_RULE.read_text().splitlines() if not line.startswith("#")]
    assert 'ATTR{idVendor}=="0fcf"' in rule
    assert 'TAG+="uaccess"' in rule


# What is in range


@pytest.mark.parametrize("scans", [True, False])
async def test_find_lists_what_is_heard(stick: PlayedStick, scans: bool) -> None:
    if not scans:
        stick.refuses = {ID.OPEN_RX_SCAN_MODE: Code.INVALID_MESSAGE}
    strong = bytes(Extended(12345, 11, 5, 0x20, -61, -128))
    looking = asyncio.create_task(find(0.8, lambda: stick))
    opened = ID.OPEN_RX_SCAN_MODE if scans else ID.OPEN_CHANNEL
    await until(lambda: stick.sent(opened))
    await asyncio.sleep(0.05)
    stick.page(0, PAGE, strong)
    stick.page(0, PAGE, whose(9, 120))  # a heart rate strap: no instrument of ours
    stick.page(0, b"\x00" * 8, whose(7, 121))
    stick.page(0, PAGE, b"\xe0\x01")
    for page in (
        ant_common.Product(main_revision=14, supplemental_revision=2, serial_raw=4711),
        ant_common.Battery(fraction_raw=128, descriptor=0x22),
        ant_common.Manufacturer(0, 1, 99, 3),
    ):
        stick.page(0, bytes(page), strong)
    sightings = await looking
    assert [s.link for s in sightings] == ["ant:power:12345", "ant:speed-cadence:7"]
    crank = sightings[0]
    assert (crank.name, crank.profiles, crank.rssi_dbm, crank.firmware, crank.detail) == (
        "power meter 12345",
        ("ANT+ bicycle power",),
        -61,
        "1.402",
        "maker 99, model 3, serial 4711, battery good, 2.50 V",
    )
    assert (sightings[1].rssi_dbm, sightings[1].firmware, sightings[1].detail) == (None, None, "")
    asked = stick.sent(ID.ACKNOWLEDGED_DATA)
    assert [(content[7], content[9:]) for content in asked] == [
        (page, whose(12345)) for page in (0x51, 0x52, 0x50)
    ]
    assert not stick.is_open


@pytest.mark.parametrize("how", ["silent", "nonsense"])
async def test_a_question_without_answer_at_the_end_loses_nothing_that_was_heard(
    stick: PlayedStick, monkeypatch: pytest.MonkeyPatch, how: str
) -> None:
    monkeypatch.setattr(ant_stick, "ANSWER_S", 0.2)
    stick.mute = {ID.CLOSE_CHANNEL}
    if how == "nonsense":
        answer = stick._answer
        nonsense = bytes(Frame(ID.RESPONSE_CHANNEL, bytes((0, ID.CLOSE_CHANNEL))))
        monkeypatch.setattr(
            stick,
            "_answer",
            lambda frame: stick.put(nonsense) if frame.message_id == ID.CLOSE_CHANNEL else answer(frame),
        )
    looking = asyncio.create_task(find(0.3, lambda: stick))
    await until(lambda: stick.sent(ID.OPEN_RX_SCAN_MODE))
    await asyncio.sleep(0.05)
    stick.page(0, PAGE, bytes(Extended(12345, 11, 5, 0x20, -61, -128)))
    assert [s.link for s in await looking] == ["ant:power:12345"]


# Any order of events

EVENTS = st.lists(
    st.one_of(
        st.just(("page", 0)),
        st.tuples(st.just("event"), st.sampled_from([2, 8, 9, 7, 1, 52])),
        st.just(("stranger", 0)),
        st.just(("short", 0)),
    ),
    max_size=30,
)


@given(EVENTS)
def test_states_follow_one_another_sensibly(events: list[tuple[str, int]]) -> None:
    source = AntSource([Wanted("crank", "ant:power:12345")], lambda: PlayedStick())
    heard = Listener(source, DrivenClock())
    source._emit = heard.emit
    (one,) = source._instruments
    source._change(one, 0, "searching", "")
    pages = 0
    for kind, code in events:
        if kind == "page":
            pages += 1
            source._take(0, Frame(ID.BROADCAST_DATA, b"\x00" + PAGE + whose(12345)))
        elif kind == "stranger":
            source._take(0, Frame(ID.BROADCAST_DATA, b"\x00" + PAGE + whose(1)))
        elif kind == "short":
            source._take(0, Frame(ID.RESPONSE_CHANNEL, b"\x00"))
        else:
            source._take(0, Frame(ID.RESPONSE_CHANNEL, bytes((0, 1, code))))
    assert len(heard.packets()) == pages
    state = "none"
    allowed = {
        "none": {"searching"},
        "searching": {"up"},
        "up": {"missed", "down"},
        "missed": {"missed", "down"},
        "down": {"up"},
    }
    for record in heard.records:
        if isinstance(record, Link):
            assert record.state in allowed[state]
            state = record.state
        elif isinstance(record, Packet):
            assert state in ("up", "missed")
