"""What can be asked of an instrument, as bytes to be written, and its answers in words. Pure: no radio here.

A request is a channel and the bytes for it, ready for `LiveSource.write`; whoever writes it
waits for the answer among the instrument's packets and reads it with `answer_words`.
"""

import math
from collections.abc import Collection
from typing import Literal, NamedTuple

from capture.profiles import ant_common, ant_power, ant_trainer, cycling_power, fitness_machine
from capture.profiles.wire import word
from capture.sample import DecodeError


class Request(NamedTuple):
    """Bytes for a channel: a control point write, or an ANT+ page for an acknowledged message."""

    channel: str
    data: bytes


_POWER, _MACHINE, _ANT_POWER, _ANT_TRAINER = "2A66", "2AD9", "ant11", "ant17"

ROLLING_COEFFICIENT, WIND_KG_PER_M = 0.004, 0.51
"""Of a simulated road: a tyre on asphalt, a rider on the hoods (common practice, no source)."""
STEEPEST_PERCENT = 40.0
_ROUNDING = 1e-6
"""What arithmetic may have taken from a whole number."""


def control_channel(link: str, profile: str | None, heard: Collection[str] = ()) -> str:
    """Where requests to an instrument go: `2A66`, `2AD9`, `ant11` or `ant17`.

    `link` is a link string of the bench, `heard` the channels of the packets that came from it so
    far: they tell what a link alone does not (the radio of a scene's instrument, the
    profile of a Bluetooth one). Without them a Bluetooth or scene link without a profile is taken
    for a power meter. ValueError if such an instrument takes no requests.
    """
    scheme, _, target = link.partition(":")
    channel: str | None = None
    if scheme == "ant":
        channel = {"power": _ANT_POWER, "trainer": _ANT_TRAINER}.get(target.partition(":")[0])
    elif scheme == "scene" and (spoken := [each for each in (_ANT_POWER, _ANT_TRAINER) if each in heard]):
        channel = spoken[0]
    elif scheme in ("bluetooth", "scene"):
        if profile is None and "2AD2" in heard and "2A63" not in heard:
            profile = "fitness-machine"
        channel = {None: _POWER, "cycling-power": _POWER, "fitness-machine": _MACHINE}.get(profile)
    if channel is None:
        raise ValueError(
            f"{link} takes no requests: only power meters and trainers on a radio or in a scene do"
        )
    return channel


def trainer_channel(link: str, profile: str | None, heard: Collection[str] = ()) -> str:
    """Where a trainer takes its targets: `2AD9` or `ant17`. ValueError if it is no trainer."""
    if profile is None and "2AD2" in heard:
        profile = "fitness-machine"
    channel = control_channel(link, profile, heard)
    if channel not in (_MACHINE, _ANT_TRAINER):
        raise ValueError(f'{link} is no trainer: use ant:trainer:N, or profile = "fitness-machine"')
    return channel


def zero_offset_request(
    link: str, profile: str | None = None, heard: Collection[str] = (), *, enhanced: bool = False
) -> Request:
    """Start a zero offset (crank at rest and unloaded). ValueError if the instrument has none.

    `enhanced` asks for the form of Bluetooth that tells why it failed; other links have one form.
    """
    channel = control_channel(link, profile, heard)
    if channel == _POWER:
        op = cycling_power.START_ENHANCED_OFFSET_COMPENSATION if enhanced else _START_OFFSET
        return Request(channel, bytes(cycling_power.Request(op)))
    if channel == _ANT_POWER:
        return Request(channel, bytes(ant_power.Calibration.zero_request()))
    if channel == _ANT_TRAINER:
        return Request(channel, bytes(ant_trainer.Calibration.request(zero_offset=True)))
    raise ValueError(f"{link}: a fitness machine has no zero offset; use its maker's spin-down")


def auto_zero_request(
    link: str, on: bool, profile: str | None = None, heard: Collection[str] = ()
) -> Request:
    """Switch the automatic zero offset of an ANT+ power meter. ValueError for other instruments."""
    channel = control_channel(link, profile, heard)
    if channel != _ANT_POWER:
        raise ValueError(f"{link}: only ANT+ power meters can be told to zero by themselves")
    return Request(channel, bytes(ant_power.Calibration(identifier=_AUTO_ZERO, status=int(on))))


def crank_length_request(link: str, profile: str | None = None, heard: Collection[str] = ()) -> Request:
    """Ask which crank length is set in a power meter. ValueError for other instruments."""
    channel = control_channel(link, profile, heard)
    if channel == _POWER:
        return Request(channel, bytes(cycling_power.Request(cycling_power.REQUEST_CRANK_LENGTH)))
    if channel == _ANT_POWER:
        page, subpage = ant_power.CrankParameters.NUMBER, ant_power.CrankParameters.SUBPAGE
        return Request(channel, bytes(ant_common.RequestPage(descriptor_1=subpage, page=page)))
    raise ValueError(f"{link}: only a power meter knows a crank length")


def stroke_settings_request(
    link: str, subpage: int, profile: str | None = None, heard: Collection[str] = ()
) -> Request:
    """Ask an ANT+ power meter for a sub-page of its parameters (page 0x02). ValueError for other instruments.

    0x02: threshold of the peak power phase; 0x04: offset of the position; 0xFD, 0xFE: what it can do.
    """
    channel = control_channel(link, profile, heard)
    if channel != _ANT_POWER:
        raise ValueError(f"{link}: only ANT+ power meters have settings of the stroke")
    page = ant_power.Parameters.NUMBER
    return Request(channel, bytes(ant_common.RequestPage(descriptor_1=subpage, page=page)))


def set_crank_length_request(
    link: str, crank_length_mm: float, profile: str | None = None, heard: Collection[str] = ()
) -> Request:
    """Set the crank length of a power meter. ValueError for other instruments and for impossible lengths."""
    channel = control_channel(link, profile, heard)
    if channel == _POWER:
        return Request(channel, bytes(cycling_power.set_crank_length(crank_length_mm)))
    if channel == _ANT_POWER:
        return Request(channel, bytes(ant_power.CrankParameters.set_length(crank_length_mm)))
    raise ValueError(f"{link}: only a power meter knows a crank length")


def take_control_requests(
    link: str, profile: str | None = None, heard: Collection[str] = ()
) -> tuple[Request, ...]:
    """What a trainer must grant, in this order, before it obeys: nothing on ANT+. ValueError if none."""
    if trainer_channel(link, profile, heard) == _ANT_TRAINER:
        return ()
    ops = (fitness_machine.REQUEST_CONTROL, fitness_machine.START_OR_RESUME)
    return tuple(Request(_MACHINE, bytes(fitness_machine.Request(op))) for op in ops)


def target_power_request(
    link: str, power_w: float, profile: str | None = None, heard: Collection[str] = ()
) -> Request:
    """Have a trainer hold a power: whole watts on Bluetooth, quarters on ANT+, never more than `power_w`.

    ValueError if it is no trainer or the power can't be sent; clamping to what is safe is the caller's.
    """
    if trainer_channel(link, profile, heard) == _ANT_TRAINER:
        return Request(
            _ANT_TRAINER, bytes(ant_trainer.TargetPower.of(math.floor(power_w * 4 + _ROUNDING) / 4))
        )
    if power_w < 0:
        raise ValueError(f"target power {power_w} W: below zero")
    return Request(
        _MACHINE, bytes(fitness_machine.Request(fitness_machine.SET_POWER, math.floor(power_w + _ROUNDING)))
    )


def grade_request(
    link: str, grade_percent: float, profile: str | None = None, heard: Collection[str] = ()
) -> Request:
    """Have a trainer simulate a road of that grade without wind.

    ValueError if it is no trainer, or the grade is steeper than `STEEPEST_PERCENT` either way.
    """
    if not -STEEPEST_PERCENT <= grade_percent <= STEEPEST_PERCENT:
        raise ValueError(f"grade {grade_percent} %: only -40 to 40 % can be set")
    if trainer_channel(link, profile, heard) == _ANT_TRAINER:
        page = ant_trainer.TrackResistance.of(grade_percent, ROLLING_COEFFICIENT)
        return Request(_ANT_TRAINER, bytes(page))
    road = fitness_machine.Simulation(
        0, round(grade_percent * 100), round(ROLLING_COEFFICIENT * 10_000), round(WIND_KG_PER_M * 100)
    )
    return Request(_MACHINE, bytes(fitness_machine.Request(fitness_machine.SET_SIMULATION, simulation=road)))


def command_status_request(
    link: str, profile: str | None = None, heard: Collection[str] = ()
) -> Request | None:
    """Ask an ANT+ trainer what became of the last command; a fitness machine answers unasked: None."""
    if trainer_channel(link, profile, heard) != _ANT_TRAINER:
        return None
    return Request(_ANT_TRAINER, bytes(ant_common.RequestPage(page=ant_common.CommandStatus.NUMBER)))


def capabilities_request(
    link: str, profile: str | None = None, heard: Collection[str] = ()
) -> Request | None:
    """Ask an ANT+ trainer which commands it obeys; a fitness machine's are read when it is linked: None."""
    if trainer_channel(link, profile, heard) != _ANT_TRAINER:
        return None
    return Request(_ANT_TRAINER, bytes(ant_common.RequestPage(page=ant_trainer.Capabilities.NUMBER)))


_START_OFFSET, _AUTO_ZERO = cycling_power.START_OFFSET_COMPENSATION, 0xAB

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
    fitness_machine.SET_SIMULATION: "grade",
    fitness_machine.START_OR_RESUME: "start",
    fitness_machine.STOP_OR_PAUSE: "stop",
}
_COMMAND_PAGES = {0x30: "resistance", 0x31: "target power", 0x32: "wind", 0x33: "grade"}


def request_words(channel: str, data: bytes) -> str | None:
    """What octets for a control point or an ANT+ page ask for, in words; None: not known. Never raises."""
    try:
        if channel == _POWER:
            request = cycling_power.Request.from_bytes(data)
            what = _POWER_OPS.get(request.op)
            if request.op == cycling_power.SET_CRANK_LENGTH and request.value is not None:
                return f"set {what} {request.value / 2:g} mm"
            return what
        if channel == _MACHINE:
            return _machine_request(fitness_machine.Request.from_bytes(data))
        if channel in (_ANT_POWER, _ANT_TRAINER) and len(data) == ant_common.PAGE_OCTETS:
            return _ant_request(channel, data)
    except DecodeError:
        pass
    return None


def _machine_request(request: fitness_machine.Request) -> str | None:
    if request.op == fitness_machine.SET_POWER:
        return f"target power {request.value} W"
    if request.simulation is not None:
        return f"grade {request.simulation.grade_hundredths_percent / 100:g} %"
    return _MACHINE_OPS.get(request.op)


def _ant_request(channel: str, data: bytes) -> str | None:
    page = data[0]
    if page == ant_common.RequestPage.NUMBER:
        return f"page 0x{data[6]:02X}"
    if channel == _ANT_POWER:
        if page == 0x01:
            return {0xAA: "zero offset", _AUTO_ZERO: "auto-zero"}.get(data[1])
        if page == 0x02 and data[1] == ant_power.CrankParameters.SUBPAGE:
            length_mm = ant_power.CrankParameters.from_bytes(data).crank_length_mm
            return "set crank length" + ("" if length_mm is None else f" {length_mm:g} mm")
        return None
    if page == ant_trainer.TargetPower.NUMBER:
        return f"target power {ant_trainer.TargetPower.from_bytes(data).power_w:g} W"
    if page == ant_trainer.TrackResistance.NUMBER:
        return f"grade {ant_trainer.TrackResistance.from_bytes(data).grade_percent or 0.0:g} %"
    return "zero offset" if page == 0x01 else _COMMAND_PAGES.get(page)


class Answer(NamedTuple):
    """What an instrument says to a request.

    `what` names the request (`zero offset`, `crank length`, `control`, `target power`, `grade`,
    `start`, ...; empty: not known), `words` say it all to a person. `value` is the raw zero
    offset, the crank length in mm, or the target in W that a trainer says it has taken. `why` is
    the reason of a refusal. `auto_zero` is told by ANT+ power meters.
    """

    what: str
    outcome: Literal["done", "refused", "pending"]
    words: str
    value: float | None = None
    why: str = ""
    auto_zero: str | None = None


def read_answer(channel: str, data: bytes) -> Answer | None:
    """An instrument's answer to a request; None if the packet is no answer. Never raises."""
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
        return Answer("", "refused", f"an answer that can't be read: {error}", why="it can't be read")
    return None


def answer_words(channel: str, data: bytes) -> str | None:
    """An instrument's answer to a request, in words; None if the packet is no answer. Never raises."""
    answer = read_answer(channel, data)
    return None if answer is None else answer.words


def _refused(what: str, why: str) -> Answer:
    return Answer(what, "refused", f"{what} refused: {why}", why=why)


def _power_answer(answer: cycling_power.Response) -> Answer:
    what = word(_POWER_OPS, answer.request_op).replace("reserved", "op")
    if answer.result != cycling_power.SUCCESS:
        why = word(cycling_power.RESULTS, answer.result)
        if answer.failure is not None:
            why += f", {word(cycling_power.FAILURES, answer.failure)}"
        if answer.company_id is not None:
            why += f" (maker {answer.company_id}: {answer.maker_data.hex() or 'no more is known'})"
        return _refused(what, why)
    if answer.request_op == cycling_power.REQUEST_CRANK_LENGTH and answer.value is not None:
        return Answer(what, "done", f"{what} {answer.value / 2:g} mm", answer.value / 2)
    if what == "zero offset" and answer.value is not None and answer.value != -1:
        return Answer(what, "done", f"{what} done: {answer.value}", float(answer.value))
    # 0xFFFF, as s16 -1: the offset is not available.
    return Answer(what, "done", f"{what} done")


def _machine_answer(answer: fitness_machine.Response) -> Answer:
    what = word(_MACHINE_OPS, answer.request_op).replace("reserved", "op")
    if answer.result == fitness_machine.SUCCESS:
        return Answer(what, "done", f"{what} granted")
    why = word(fitness_machine.RESULTS, answer.result)
    if answer.result == fitness_machine.CONTROL_NOT_PERMITTED:
        words = f"{what} refused: {why}, another program may have it; ask for control first"
        return Answer(what, "refused", words, why=why)
    return _refused(what, why)


def _ant_power_answer(data: bytes) -> Answer | None:
    if data[0] == 0x02:
        if data[1:2] != bytes([ant_power.CrankParameters.SUBPAGE]):
            return None
        length_mm = ant_power.CrankParameters.from_bytes(data).crank_length_mm
        if length_mm is None:
            return _refused("crank length", "not told")._replace(words="crank length not told")
        return Answer("crank length", "done", f"crank length {length_mm:g} mm", length_mm)
    page = ant_power.Calibration.from_bytes(data)
    if page.meaning == "success":
        value = page.data
        return Answer("zero offset", "done", f"zero offset done: {value}", float(value),
                      auto_zero=page.auto_zero)  # fmt: skip
    if page.zero_offset_hz is not None:
        value = page.zero_offset_hz
        return Answer("zero offset", "done", f"zero offset done: {value} Hz", float(value))
    if page.meaning == "failed":
        why = "the instrument reports a failure; is the crank at rest and unloaded?"
        return _refused("zero offset", why)._replace(auto_zero=page.auto_zero)
    return None


def _ant_trainer_answer(data: bytes) -> Answer | None:
    if data[0] == 0x01:
        page = ant_trainer.Calibration.from_bytes(data)
        if page.zero_offset_done:
            value = page.zero_offset_raw
            return Answer("zero offset", "done", f"zero offset done: {value}", float(value))
        return Answer("zero offset", "refused", "zero offset refused", why="the trainer reports a failure")
    status = ant_common.CommandStatus.from_bytes(data)
    if status.command_page == 0xFF or status.status is None:
        return None
    what = word(_COMMAND_PAGES, status.command_page).replace("reserved", "page")
    power_w = int.from_bytes(status.data[2:4], "little") / 4 if status.command_page == 0x31 else None
    if status.status == "pass":
        return Answer(what, "done", f"{what} granted", power_w)
    if status.status == "pending":
        return Answer(what, "pending", f"{what} pending", power_w)
    return _refused(what, status.status)._replace(value=power_w)


# 0x01-0x13, 0xFC-0xFF: Bluetooth Core Specification, vol 3 part F section 3.4.1.1 and Core Specification
# Supplement part B. 0x80 and 0x81 are the same two errors in services older than the common codes.
_OWN_ERROR = " of its own"
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
    return words or _ATT_WORDS.get(code) or f"error 0x{code:02X}{_OWN_ERROR}"


def write_words(outcome: str) -> str:
    """What became of a write that was not `sent`: refused, not confirmed, or not sent at all.

    Only what is known not to have left says "not sent": the instrument may have obeyed otherwise.
    """
    if outcome.startswith(("not sent", "not confirmed")):
        return outcome
    refused = outcome in (*_ATT_WORDS.values(), *_CONTROL_POINT_WORDS.values()) or outcome.endswith(
        _OWN_ERROR
    )
    return f"refused: {outcome}" if refused else f"not sent: {outcome}"
