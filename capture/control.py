"""What can be asked of an instrument, as bytes to be written, and its answers in words. Pure: no radio here.

A request is a channel and the bytes for it, ready for `LiveSource.write`; whoever writes it
waits for the answer among the instrument's packets and reads it with `answer_words`.
"""

from typing import NamedTuple

from capture.profiles import ant_common, ant_power, ant_trainer, cycling_power, fitness_machine
from capture.profiles.wire import word
from capture.sample import DecodeError


class Request(NamedTuple):
    """Bytes for a channel: a control point write, or an ANT+ page for an acknowledged message."""

    channel: str
    data: bytes


_POWER, _MACHINE, _ANT_POWER, _ANT_TRAINER = "2A66", "2AD9", "ant11", "ant17"


def control_channel(link: str, profile: str | None) -> str:
    """Where requests to an instrument go: `2A66`, `2AD9`, `ant11` or `ant17`.

    `link` is a link string of the bench. A Bluetooth or scene link without a profile is
    taken for a power meter. ValueError if such an instrument takes no requests.
    """
    scheme, _, target = link.partition(":")
    if scheme == "ant":
        kind = target.partition(":")[0]
        channel = {"power": _ANT_POWER, "trainer": _ANT_TRAINER}.get(kind)
    elif scheme in ("bluetooth", "scene"):
        channel = {None: _POWER, "cycling-power": _POWER, "fitness-machine": _MACHINE}.get(profile)
    else:
        channel = None
    if channel is None:
        raise ValueError(
            f"{link} takes no requests: only power meters and trainers on a radio or in a scene do"
        )
    return channel


def zero_offset_request(link: str, profile: str | None = None) -> Request:
    """Start a zero offset (crank at rest and unloaded). ValueError if the instrument has none."""
    channel = control_channel(link, profile)
    if channel == _POWER:
        return Request(channel, bytes(cycling_power.Request(cycling_power.START_OFFSET_COMPENSATION)))
    if channel == _ANT_POWER:
        return Request(channel, bytes(ant_power.Calibration.zero_request()))
    if channel == _ANT_TRAINER:
        return Request(channel, bytes(ant_trainer.Calibration.request(zero_offset=True)))
    raise ValueError(f"{link}: a fitness machine has no zero offset; use its maker's spin-down")


def crank_length_request(link: str, profile: str | None = None) -> Request:
    """Ask which crank length is set in a power meter. ValueError for other instruments."""
    channel = control_channel(link, profile)
    if channel == _POWER:
        return Request(channel, bytes(cycling_power.Request(cycling_power.REQUEST_CRANK_LENGTH)))
    if channel == _ANT_POWER:
        page, subpage = ant_power.CrankParameters.NUMBER, ant_power.CrankParameters.SUBPAGE
        return Request(channel, bytes(ant_common.RequestPage(descriptor_1=subpage, page=page)))
    raise ValueError(f"{link}: only a power meter knows a crank length")


def set_crank_length_request(link: str, crank_length_mm: float, profile: str | None = None) -> Request:
    """Set the crank length of a power meter. ValueError for other instruments and for impossible lengths."""
    channel = control_channel(link, profile)
    if channel == _POWER:
        return Request(channel, bytes(cycling_power.set_crank_length(crank_length_mm)))
    if channel == _ANT_POWER:
        return Request(channel, bytes(ant_power.CrankParameters.set_length(crank_length_mm)))
    raise ValueError(f"{link}: only a power meter knows a crank length")


def take_control_requests(link: str, profile: str | None = None) -> tuple[Request, ...]:
    """What a trainer must grant, in this order, before it obeys: nothing on ANT+. ValueError if none."""
    if _trainer(link, profile) == _ANT_TRAINER:
        return ()
    ops = (fitness_machine.REQUEST_CONTROL, fitness_machine.START_OR_RESUME)
    return tuple(Request(_MACHINE, bytes(fitness_machine.Request(op))) for op in ops)


def target_power_request(link: str, power_w: float, profile: str | None = None) -> Request:
    """Have a trainer hold a power: whole watts on Bluetooth, quarters on ANT+.

    ValueError if it is no trainer or the power can't be sent; clamping to what is safe is the caller's.
    """
    if _trainer(link, profile) == _ANT_TRAINER:
        return Request(_ANT_TRAINER, bytes(ant_trainer.TargetPower.of(power_w)))
    if power_w < 0:
        raise ValueError(f"target power {power_w} W: below zero")
    return Request(_MACHINE, bytes(fitness_machine.Request(fitness_machine.SET_POWER, round(power_w))))


def _trainer(link: str, profile: str | None) -> str:
    channel = control_channel(link, profile)
    if channel not in (_MACHINE, _ANT_TRAINER):
        raise ValueError(f'{link} is no trainer: use ant:trainer:N, or profile = "fitness-machine"')
    return channel


_POWER_OPS = {
    cycling_power.SET_CRANK_LENGTH: "crank length",
    cycling_power.REQUEST_CRANK_LENGTH: "crank length",
    cycling_power.START_OFFSET_COMPENSATION: "zero offset",
    cycling_power.START_ENHANCED_OFFSET_COMPENSATION: "zero offset",
}
_MACHINE_OPS = {
    fitness_machine.REQUEST_CONTROL: "control",
    fitness_machine.RESET: "reset",
    fitness_machine.SET_POWER: "target power",
    fitness_machine.START_OR_RESUME: "start",
    fitness_machine.STOP_OR_PAUSE: "stop",
}
_COMMAND_PAGES = {0x30: "resistance", 0x31: "target power", 0x32: "wind", 0x33: "grade"}


def answer_words(channel: str, data: bytes) -> str | None:
    """An instrument's answer to a request, in words; None if the packet is no answer. Never raises."""
    try:
        if channel == _POWER:
            return _power_answer(cycling_power.Response.from_bytes(data))
        if channel == _MACHINE:
            return _machine_answer(fitness_machine.Response.from_bytes(data))
        if channel == _ANT_POWER and data[:1] in (b"\x01", b"\x02"):
            return _ant_power_answer(data)
        if channel == _ANT_TRAINER and data[:1] in (b"\x01", b"\x47"):
            return _ant_trainer_answer(data)
    except DecodeError as error:
        return f"an answer that can't be read: {error}"
    return None


def _power_answer(answer: cycling_power.Response) -> str:
    what = word(_POWER_OPS, answer.request_op).replace("reserved", "op")
    if answer.result != cycling_power.SUCCESS:
        why = word(cycling_power.RESULTS, answer.result)
        if answer.failure is not None:
            why += f", {word(cycling_power.FAILURES, answer.failure)}"
        return f"{what} refused: {why}"
    if answer.request_op == cycling_power.REQUEST_CRANK_LENGTH and answer.value is not None:
        return f"{what} {answer.value / 2:g} mm"
    if what == "zero offset" and answer.value is not None:
        # 0xFFFF, as s16: the offset is not available.
        return f"{what} done" + (f": {answer.value}" if answer.value != -1 else "")
    return f"{what} done"


def _machine_answer(answer: fitness_machine.Response) -> str:
    what = word(_MACHINE_OPS, answer.request_op).replace("reserved", "op")
    if answer.result == fitness_machine.SUCCESS:
        return f"{what} granted"
    if answer.result == fitness_machine.CONTROL_NOT_PERMITTED:
        return f"{what} refused: control not permitted, another program may have it; ask for control first"
    return f"{what} refused: {word(fitness_machine.RESULTS, answer.result)}"


def _ant_power_answer(data: bytes) -> str | None:
    if data[0] == 0x02:
        if data[1:2] != bytes([ant_power.CrankParameters.SUBPAGE]):
            return None
        length_mm = ant_power.CrankParameters.from_bytes(data).crank_length_mm
        return "crank length not told" if length_mm is None else f"crank length {length_mm:g} mm"
    page = ant_power.Calibration.from_bytes(data)
    if page.meaning == "success":
        return f"zero offset done: {page.zero_offset_raw}"
    if page.meaning == "failed":
        return "zero offset refused: the instrument reports a failure; is the crank at rest and unloaded?"
    return None


def _ant_trainer_answer(data: bytes) -> str | None:
    if data[0] == 0x01:
        page = ant_trainer.Calibration.from_bytes(data)
        return f"zero offset done: {page.zero_offset_raw}" if page.zero_offset_done else "zero offset refused"
    status = ant_common.CommandStatus.from_bytes(data)
    if status.command_page == 0xFF or status.status is None:
        return None
    what = word(_COMMAND_PAGES, status.command_page).replace("reserved", "page")
    if status.status == "pass":
        return f"{what} granted"
    return f"{what} {status.status}" if status.status == "pending" else f"{what} refused: {status.status}"


# 0x01-0x13, 0xFC-0xFF: Bluetooth Core Specification, vol 3 part F section 3.4.1.1 and Core Specification
# Supplement part B. 0x80 and 0x81 are the same two errors in services older than the common codes.
_ATT_WORDS = {
    0x02: "it can't be read",
    0x03: "it can't be written",
    0x05: "it wants to be paired first",
    0x06: "it does not support this",
    0x08: "it does not allow this program",
    0x0C: "it wants to be paired first, with a longer key",
    0x0D: "it wants another number of octets",
    0x0F: "it wants to be paired first",
    0x11: "it has no memory left",
    0x13: "it does not allow this value",
    0xFC: "it rejects the request now",
    0xFD: "enable indications first",
    0xFE: "busy: wait for the answer to the request before",
    0xFF: "the value is out of its range",
}
_CONTROL_POINT_WORDS = {0x80: _ATT_WORDS[0xFE], 0x81: _ATT_WORDS[0xFD]}


def att_words(code: int, control_point: bool = False) -> str:
    """An error of the attribute protocol in words; 0x80 and 0x81 mean something at a control point only."""
    words = _CONTROL_POINT_WORDS.get(code) if control_point else None
    return words or _ATT_WORDS.get(code) or f"error 0x{code:02X} of its own"
