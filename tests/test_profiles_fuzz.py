"""Whatever comes by radio: a reading or a DecodeError, and no octet lost on the way back."""

import json
import math
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from capture.profiles import CODECS, Codec, cycling_power, decode, device_information, fitness_machine
from capture.profiles import speed_cadence as csc
from capture.sample import DecodeError, Reading

ANT = ["ant11", "ant17", "ant121", "ant122", "ant123"]
CHANNELS = [*CODECS, *device_information.TEXTS, *ANT, "ant120", "2A37"]
WAYS_BACK: list[type[Codec]] = [*CODECS.values()]
REQUESTS: list[Any] = [cycling_power.Request, csc.Request, fitness_machine.Request]

RECORDED = [
    bytes.fromhex(payload["hex"])
    for vector in json.loads(
        (Path(__file__).parents[1] / "fixtures/vectors/radio-vectors.json").read_text(encoding="utf-8")
    )["vectors"]
    for payload in vector["payloads"]
]


@st.composite
def damaged(draw: st.DrawFn) -> bytes:
    """A recorded packet with a few octets changed, cut short or made longer."""
    data = bytearray(draw(st.sampled_from(RECORDED)))
    for _ in range(draw(st.integers(0, 3))):
        if data:
            data[draw(st.integers(0, len(data) - 1))] = draw(st.integers(0, 255))
    return bytes(data[: draw(st.integers(0, len(data)))]) + draw(st.binary(max_size=4))


# Uniform octets seldom make a sound packet, so the kinds of answers and pages come first here.
HEADED = st.tuples(
    st.sampled_from([b"\x20", b"\x10", b"\x80", b""]),
    st.integers(0, 32).map(lambda op: bytes([op])),
    st.sampled_from([b"\x01", b"\x04", b""]),
    st.binary(max_size=12),
).map(b"".join)
PACKETS = st.one_of(
    st.binary(max_size=64), st.binary(min_size=8, max_size=8), st.binary(max_size=600), HEADED, damaged()
)


def outcome(channel: str, data: bytes) -> Reading | DecodeError:
    try:
        return decode(channel, data)
    except DecodeError as error:
        return error


def check(reading: Reading) -> None:
    """Nothing in a reading may trip those who store or show it."""
    assert reading.item
    for share in (reading.left_share, reading.side_share):
        assert share is None or 0.0 <= share <= 1.0
    assert reading.left_share is None or reading.side_share is None
    assert reading.battery_percent is None or 0.0 <= reading.battery_percent <= 100.0
    for number in (reading.power_w, reading.cadence_rpm, reading.speed_mps):
        assert number is None or math.isfinite(number)
    for revs, modulus in (
        (reading.crank_revs, reading.crank_revs_modulus),
        (reading.wheel_revs, reading.wheel_revs_modulus),
    ):
        assert revs is None or 0 <= revs < modulus
    for counter in (reading.torque_sum_32nds, reading.power_sum_w, reading.crank_ticks, reading.wheel_ticks):
        assert counter is None or 0 <= counter < 65536
    for name, value in (reading.facts or {}).items():
        assert name.isidentifier()
        if isinstance(value, str):
            assert value.isprintable()
        else:
            assert math.isfinite(value)


@pytest.mark.parametrize("channel", CHANNELS)
@given(data=PACKETS)
def test_only_a_reading_or_a_decode_error_leaves(channel: str, data: bytes) -> None:
    got = outcome(channel, data)
    if isinstance(got, DecodeError):
        assert got.field
        assert 0 <= got.offset <= len(data)
        assert got.data == data
    else:
        check(got)


@pytest.mark.parametrize(
    "codec", [*WAYS_BACK, *REQUESTS, device_information.Text], ids=lambda codec: repr(codec)
)
@given(data=PACKETS)
def test_what_decodes_encodes_to_the_same_octets(codec: Any, data: bytes) -> None:
    try:
        packet = codec.from_bytes(data)
    except DecodeError:
        return
    assert bytes(packet) == data
    assert codec.from_bytes(bytes(packet)) == packet


@given(channel=st.text(max_size=12), data=st.binary(max_size=20))
def test_a_channel_of_any_name_is_decoded_or_refused(channel: str, data: bytes) -> None:
    got = outcome(channel, data)
    assert isinstance(got, Reading) or got.data == data
