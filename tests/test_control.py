"""Requests to instruments as bytes, and their answers in words."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from capture.control import (
    answer_words,
    att_words,
    control_channel,
    crank_length_request,
    set_crank_length_request,
    take_control_requests,
    target_power_request,
    zero_offset_request,
)

BLE, POWER, TRAINER = "bluetooth:C0:FF:EE:00:00:01", "ant:power:4001", "ant:trainer:4003"


# Bluetooth: GATT Specification Supplement, "Cycling Power Control Point" (op codes; 1/2 mm from published
# stack headers). ANT+: openant 1.3.4 and the public nRF5 SDK reference of pages 0x01, 0x02, 0x46.
@pytest.mark.parametrize(
    ("request_", "channel", "hex_"),
    [
        (zero_offset_request(BLE), "2A66", "0c"),
        (zero_offset_request("scene:crank", "cycling-power"), "2A66", "0c"),
        (zero_offset_request(POWER), "ant11", "01aaffffffffffff"),
        (crank_length_request(BLE), "2A66", "05"),
        (crank_length_request(POWER), "ant11", "46ffff01ff040201"),
        (set_crank_length_request(BLE, 172.5), "2A66", "045901"),
        (set_crank_length_request(POWER, 172.5), "ant11", "0201ffff7d0000ff"),
    ],
)
def test_requests_to_a_power_meter(request_: tuple[str, bytes], channel: str, hex_: str) -> None:
    assert (request_[0], request_[1].hex()) == (channel, hex_)


def test_the_zero_offset_request_to_a_trainer_sets_its_bit_only() -> None:
    # From one open decoder: page 0x01, bit 6 of octet 1 asks for a zero offset.
    channel, data = zero_offset_request(TRAINER)
    assert (channel, data[:2].hex(), data[3:].hex(), len(data)) == ("ant17", "0140", "ffffffffff", 8)


def test_target_power() -> None:
    # Fitness Machine Service 1.0, section 4.16.2: op 0x05, s16 W; 0x00 request control, 0x07 start.
    assert target_power_request(BLE, 200.4, "fitness-machine") == ("2AD9", bytes.fromhex("05c800"))
    assert [r.data for r in take_control_requests(BLE, "fitness-machine")] == [b"\x00", b"\x07"]
    # openant 1.3.4, set_target_power: page 0x31, octets 6-7 in 0.25 W.
    assert target_power_request(TRAINER, 250) == ("ant17", bytes.fromhex("31ffffffffffe803"))
    assert take_control_requests(TRAINER) == ()


@pytest.mark.parametrize("power_w", [-1, 40000])
@pytest.mark.parametrize(("link", "profile"), [(BLE, "fitness-machine"), (TRAINER, None)])
def test_an_impossible_target_is_refused(link: str, profile: str | None, power_w: float) -> None:
    with pytest.raises(ValueError, match=r"power"):
        target_power_request(link, power_w, profile)


@pytest.mark.parametrize(
    ("link", "profile"),
    [("log:crank", None), ("ant:cadence:5", None), (BLE, "speed-cadence"), ("", None), ("ant:", None)],
)
def test_what_takes_no_requests_says_so(link: str, profile: str | None) -> None:
    with pytest.raises(ValueError, match="takes no requests"):
        control_channel(link, profile)


def test_what_an_instrument_has_not_can_not_be_asked() -> None:
    with pytest.raises(ValueError, match="no zero offset"):
        zero_offset_request(BLE, "fitness-machine")
    with pytest.raises(ValueError, match="crank length"):
        crank_length_request(TRAINER)
    with pytest.raises(ValueError, match="no trainer"):
        target_power_request(POWER, 200)


@pytest.mark.parametrize(
    ("channel", "hex_", "words"),
    [
        ("2A66", "200c01f4ff", "zero offset done: -12"),
        ("2A66", "200c01ffff", "zero offset done"),
        ("2A66", "200c04", "zero offset refused: operation failed"),
        ("2A66", "20100401", "zero offset refused: operation failed, incorrect calibration position"),
        ("2A66", "2005015901", "crank length 172.5 mm"),
        ("2A66", "200402", "crank length refused: op code not supported"),
        ("2AD9", "800501", "target power granted"),
        ("2AD9", "800503", "target power refused: invalid parameter"),
        ("ant11", "01acffffffff3101", "zero offset done: 305"),
        ("ant11", "0201ffff7d0200ff", "crank length 172.5 mm"),
        ("ant17", "4731000020030000", "target power granted"),
        ("ant17", "4731000320030000", "target power refused: rejected"),
        ("ant17", "4731000420030000", "target power pending"),
    ],
)
def test_answers_in_words(channel: str, hex_: str, words: str) -> None:
    assert answer_words(channel, bytes.fromhex(hex_)) == words


def test_answers_that_tell_what_to_do() -> None:
    assert "ask for control first" in str(answer_words("2AD9", bytes.fromhex("800505")))
    assert "unloaded" in str(answer_words("ant11", bytes.fromhex("01afffffffff0000")))
    assert "can't be read" in str(answer_words("2A66", b"\x20"))


@pytest.mark.parametrize(
    ("channel", "hex_"),
    [
        ("2A63", "0000c800"),
        ("ant11", "10ffffffffffffff"),
        ("ant17", "47ffffffffffffff"),
        ("2A19", "53"),
        ("", ""),
    ],
)
def test_other_packets_are_no_answers(channel: str, hex_: str) -> None:
    assert answer_words(channel, bytes.fromhex(hex_)) is None


@given(st.sampled_from(["2A66", "2AD9", "ant11", "ant17", "2A63"]), st.binary(max_size=24))
def test_an_answer_never_raises(channel: str, data: bytes) -> None:
    answer_words(channel, data)


@given(st.integers(0, 255), st.booleans())
def test_every_error_has_words(code: int, control_point: bool) -> None:
    assert att_words(code, control_point)
