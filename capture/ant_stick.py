"""One ANT stick on USB: opened, read by its own thread, asked and configured.

openant's USB drivers do the opening; its node is not used, because it drops repeated
pages, ends at the first bad check octet and never notices that a stick was pulled out. The
reader thread stamps the time right after each read and hands frames to the event loop.
"""

import asyncio
import contextlib
import errno
import sys
import threading
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, Protocol, TypeVar

import msgspec

from capture.ant_frames import Code, Frame, FrameCutter, MessageId, read_channel_message
from capture.sample import DecodeError
from capture.source import SourceError

ANSWER_S = 3.0
"""How long the stick may take for an answer; it takes milliseconds when it is well."""

READ_MS = 200
"""A read returns after this time even if nothing came, so that the thread can be ended."""

STOP_S = 2.0
"""How long a reader that is to end may take longer than that."""

UDEV_RULE = Path(__file__).with_name("60-plumbwatt-ant.rules")

T = TypeVar("T")
Key = tuple[int, int]
"""What is waited for: message id that is answered (or comes), channel (or network) number."""

_EVENT_KEY = 0x100  # events are waited for beside answers: above every message id


class Driver(Protocol):
    """What openant calls a driver: four methods that block."""

    def open(self) -> None:
        """Claim the device."""

    def close(self) -> None:
        """Release the device."""

    def read(self) -> Sequence[int]:
        """Octets that came; raises a USB time-out if none did for a while."""

    def write(self, data: bytes) -> None:
        """Send octets."""


class StickLostError(Exception):
    """The stick is gone or no longer answers; the text says which."""


class RefusedError(Exception):
    """The stick answered a message with an error code."""

    def __init__(self, message_id: MessageId, code: int) -> None:
        self.message_id, self.code = message_id, code
        reason = Code(code).name.lower().replace("_", " ") if code in set(Code) else f"code {code}"
        message = MessageId(message_id).name.lower().replace("_", " ")
        super().__init__(f"the stick refused {message}: {reason}")


class _UsbStick:
    """openant's driver, with reads of one USB packet.

    A read for more than one packet returns only after a short packet: a full packet of
    messages would wait for the next one, and its time stamp with it.
    """

    def __init__(self, driver: Any) -> None:
        self._driver = driver

    def open(self) -> None:
        self._driver.open()
        # The reset in there lets the kernel's serial driver take the interface again.
        with contextlib.suppress(NotImplementedError, OSError):
            if self._driver.dev.is_kernel_driver_active(0):
                self._driver.dev.detach_kernel_driver(0)

    def close(self) -> None:
        # openant gives the interface back to a kernel driver, whether or not there was one.
        with contextlib.suppress(NotImplementedError, OSError):
            self._driver.close()

    def read(self) -> Sequence[int]:
        endpoint = self._driver._in
        octets: Sequence[int] = endpoint.read(endpoint.wMaxPacketSize, READ_MS)
        return octets

    def write(self, data: bytes) -> None:
        self._driver.write(data)


def find_usb_stick() -> Driver:
    """The first ANT stick on USB, not opened yet; SourceError if there is none or no USB library."""
    import libusb_package

    if libusb_package.get_libusb1_backend() is None:
        raise SourceError("The USB library can't be loaded", "Install the package libusb-package again.")
    from openant.base.driver import USB2Driver, USB3Driver

    for kind in (USB3Driver, USB2Driver):
        if kind.find():
            return _UsbStick(kind())
    raise SourceError("No ANT stick was found", "Plug one in (USB 0fcf:1008 or 0fcf:1009).")


def _open_error(error: Exception) -> SourceError:
    """What a failure of the USB stack means for a person."""
    number = getattr(error, "errno", None)
    if sys.platform == "win32" and number not in (errno.EBUSY, errno.EACCES):
        return SourceError(
            f"The ANT stick can't be opened ({error})",
            "Give it the WinUSB driver, with a USB driver installer, and plug it in again.",
        )
    if number in (errno.EACCES, errno.EPERM) and sys.platform.startswith("linux"):
        return SourceError(
            "There are no rights for the ANT stick",
            f"sudo cp {UDEV_RULE} /etc/udev/rules.d/ && sudo udevadm control --reload, then plug it in "
            "again.",
        )
    if number in (errno.EBUSY, errno.EACCES):
        return SourceError("The ANT stick is held by another program", "End that program.")
    return SourceError(
        f"The ANT stick can't be opened ({error})", "Plug it in again, at another port if need be."
    )


async def in_daemon_thread(call: Callable[[], T]) -> T:
    """Run a blocking call in a thread of its own, which can't keep the process from ending."""
    loop = asyncio.get_running_loop()
    future: asyncio.Future[T] = loop.create_future()

    def settle(result: T | None, error: BaseException | None) -> None:
        if future.done():
            return
        if error is not None:
            future.set_exception(error)
        else:
            future.set_result(result)  # type: ignore[arg-type]  # None only if T allows it

    def work() -> None:
        result, error = None, None
        try:
            result = call()
        except Exception as caught:
            error = caught
        with contextlib.suppress(RuntimeError):  # the loop is closed: nobody waits any more
            loop.call_soon_threadsafe(settle, result, error)

    threading.Thread(target=work, name="ant-call", daemon=True).start()
    return await future


def _key(frame: Frame) -> Key | None:
    """What a frame answers; None if it is cut short or says nothing yet."""
    if frame.message_id != MessageId.CHANNEL_RESPONSE:
        return frame.message_id, 0
    try:
        message = read_channel_message(frame)
    except DecodeError:
        return None
    if message.answers is None:
        return _EVENT_KEY + message.code, message.channel
    if message.answers == MessageId.ACKNOWLEDGED_DATA and message.code == Code.NO_ERROR:
        return None  # taken; whether it was confirmed is told by an event
    return message.answers, message.channel


class Capabilities(msgspec.Struct, frozen=True):
    """What the stick can: numbers of channels and networks."""

    channels: int
    networks: int


class Stick:
    """An open stick. Frames go to `on_frame(t_ns, frame)`, its end to `on_lost(reason)`, in the loop.

    Answers and awaited events are matched by message and channel; they go to `on_frame` as well.
    """

    def __init__(self, driver: Driver, now_ns: Callable[[], int]) -> None:
        self.on_frame: Callable[[int, Frame], None] = lambda t_ns, frame: None
        self.on_lost: Callable[[str], None] = lambda reason: None
        self.heard_s = 0.0
        """Loop time of the last frame."""
        self._driver, self._now_ns = driver, now_ns
        self._loop = asyncio.get_running_loop()
        self._waiting: dict[Key, asyncio.Future[Frame]] = {}
        self._lost: str | None = None
        self._stopping = False
        self._thread = threading.Thread(target=self._read, name="ant-reader", daemon=True)

    @classmethod
    async def open(cls, find: Callable[[], Driver], now_ns: Callable[[], int]) -> "Stick":
        """Find, open and start to read; SourceError with the remedy if that is not possible."""

        def find_and_open() -> Driver:
            try:
                driver = find()
            except SourceError:
                raise
            except Exception as error:
                raise SourceError(
                    f"USB can't be used ({error})", "See what `plumbwatt doctor` says."
                ) from error
            try:
                driver.open()
            except Exception as error:
                with contextlib.suppress(Exception):
                    driver.close()
                raise _open_error(error) from error
            return driver

        opening = asyncio.ensure_future(in_daemon_thread(find_and_open))
        try:
            driver = await asyncio.shield(opening)
        except asyncio.CancelledError:
            with contextlib.suppress(Exception):
                (await opening).close()
            raise
        stick = cls(driver, now_ns)
        stick.heard_s = stick._loop.time()
        stick._thread.start()
        return stick

    # -- the reader's thread

    def _read(self) -> None:
        from usb.core import USBTimeoutError

        cutter = FrameCutter()
        while not self._stopping:
            try:
                octets = self._driver.read()
                t_ns = self._now_ns()
            except Exception as error:
                if isinstance(error, USBTimeoutError) or getattr(error, "errno", None) == errno.ETIMEDOUT:
                    continue
                self._hand_over(self._set_lost, f"the ANT stick is gone ({error})")
                return
            if frames := cutter.feed(bytes(octets)):
                self._hand_over(self._take, t_ns, frames)

    def _hand_over(self, call: Callable[..., None], *arguments: object) -> None:
        with contextlib.suppress(RuntimeError):  # the loop is closed: nobody listens any more
            self._loop.call_soon_threadsafe(call, *arguments)

    # -- in the loop

    def _set_lost(self, reason: str) -> None:
        if self._lost is not None or self._stopping:
            return
        self._lost = reason
        for future in self._waiting.values():
            if not future.done():
                future.set_exception(StickLostError(reason))
        self.on_lost(reason)

    def _take(self, t_ns: int, frames: list[Frame]) -> None:
        self.heard_s = self._loop.time()
        for frame in frames:
            key = _key(frame)
            future = None if key is None else self._waiting.get(key)
            if future is not None and not future.done():
                future.set_result(frame)
            self.on_frame(t_ns, frame)

    async def send(self, frame: Frame) -> None:
        """Write a frame; StickLostError if that is not possible."""
        if self._lost is not None:
            raise StickLostError(self._lost)
        try:
            await in_daemon_thread(lambda: self._driver.write(bytes(frame)))
        except Exception as error:
            self._set_lost(f"the ANT stick takes no more messages ({error})")
            raise StickLostError(str(error)) from error

    async def ask(self, frame: Frame, keys: Sequence[Key], within_s: float | None = None) -> Frame:
        """Send a frame and return the first of the frames waited for; StickLostError if none comes.

        Late answers to an earlier question are no answer: waiting begins before sending, and
        what nobody waits for is dropped.
        """
        future: asyncio.Future[Frame] = self._loop.create_future()
        for key in keys:
            self._waiting[key] = future
        try:
            await self.send(frame)
            async with asyncio.timeout(ANSWER_S if within_s is None else within_s):
                return await future
        except TimeoutError:
            asked = f"message 0x{frame.message_id:02X}"
            raise StickLostError(f"the ANT stick does not answer ({asked})") from None
        finally:
            for key in keys:
                if self._waiting.get(key) is future:
                    del self._waiting[key]
            if future.done() and not future.cancelled():
                future.exception()  # looked at, even if the sending failed first

    async def configure(self, message_id: MessageId, *content: int) -> None:
        """Send a setting and wait for the answer to it; RefusedError or StickLostError."""
        answer = await self.ask(Frame(message_id, bytes(content)), [(message_id, content[0])])
        code = read_channel_message(answer).code
        if code != Code.NO_ERROR:
            raise RefusedError(message_id, code)

    async def reset(self) -> None:
        """Put the stick into its first state: no channel assigned."""
        # Old sticks send no message after a reset; then the time is up and they are ready too.
        with contextlib.suppress(StickLostError):
            await self.ask(Frame(MessageId.RESET_SYSTEM, b"\x00"), [(MessageId.STARTUP, 0)])

    async def capabilities(self) -> Capabilities:
        """Ask for the numbers of channels and networks."""
        frame = await self.ask(
            Frame(MessageId.REQUEST_MESSAGE, bytes((0, MessageId.CAPABILITIES))),
            [(MessageId.CAPABILITIES, 0)],
        )
        if len(frame.content) < 2:
            raise StickLostError("the ANT stick does not tell its channels")
        return Capabilities(frame.content[0], frame.content[1])

    async def acknowledged(self, channel: int, content: bytes, within_s: float) -> int:
        """Send an acknowledged page; the event (TX_COMPLETED, TX_FAILED) or the refusing code."""
        keys = [
            (_EVENT_KEY + Code.TX_COMPLETED, channel),
            (_EVENT_KEY + Code.TX_FAILED, channel),
            (int(MessageId.ACKNOWLEDGED_DATA), channel),
        ]
        frame = Frame(MessageId.ACKNOWLEDGED_DATA, bytes((channel,)) + content)
        return read_channel_message(await self.ask(frame, keys, within_s)).code

    async def close_channel(self, channel: int) -> None:
        """Close a channel and wait until it is closed; no error if it was not open."""
        closed = (_EVENT_KEY + Code.CHANNEL_CLOSED, channel)
        refused = (int(MessageId.CLOSE_CHANNEL), channel)
        future: asyncio.Future[Frame] = self._loop.create_future()
        self._waiting[closed] = future
        try:
            answer = await self.ask(Frame(MessageId.CLOSE_CHANNEL, bytes((channel,))), [refused])
            if read_channel_message(answer).code == Code.NO_ERROR:
                with contextlib.suppress(TimeoutError):
                    async with asyncio.timeout(ANSWER_S):
                        await future
        finally:
            self._waiting.pop(closed, None)
            if future.done() and not future.cancelled():
                future.exception()

    async def close(self) -> None:
        """End the reader and release the device."""
        self._stopping = True

        def release() -> None:
            self._thread.join(READ_MS / 1000 + STOP_S)
            if self._thread.is_alive():
                return  # to close under a read may crash in the USB library; the process's end releases it
            with contextlib.suppress(Exception):
                self._driver.close()

        await in_daemon_thread(release)
