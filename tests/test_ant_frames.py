"""Serial frames: vectors, a reference library's framing, and noise."""

import json
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from capture.ant_frames import (
    MAX_CONTENT,
    SYNC,
    ChannelMessage,
    Code,
    Extended,
    Frame,
    FrameCutter,
    MessageId,
    read_channel_message,
    read_data,
)
from capture.sample import DecodeError

FILE = Path(__file__).parent.parent / "fixtures" / "vectors" / "radio-vectors.json"
VECTORS = {v["id"]: v for v in json.loads(FILE.read_text())["vectors"] if v["profile"] == "ANT serial"}


def octets(name: str) -> bytes:
    return bytes.fromhex(VECTORS[name]["payloads"][0]["hex"])


def cut(data: bytes) -> Frame:
    cutter = FrameCutter()
    (frame,) = cutter.feed(data)
    assert (cutter.skipped, cutter.waiting) == (0, 0)
    return frame


@pytest.mark.parametrize("name", [n for n in VECTORS if n.startswith("ser")])
def test_data_with_extension(name: str) -> None:
    """Captures of a public forum thread, and the layout of application note AN16 (ser-06)."""
    raw, expected = octets(name), VECTORS[name]["expected"]
    frame = cut(raw)
    data = read_data(frame)
    extended = Extended.from_bytes(data.extra)
    got: dict[str, Any] = {
        "sync": raw[0],
        "length": len(frame.content),
        "id": frame.message_id,
        "checksum_ok": True,
        "channel": data.channel,
        "payload": data.page.hex(),
    }
    if data.extra:
        got |= {
            "flag": data.extra[0],
            "consumed_all": True,
            "device_number": extended.device_number,
            "device_type": extended.device_type,
            "transmission_type": extended.transmission_type,
            "rssi_type": extended.rssi_type,
            "rssi_dbm": extended.rssi_dbm,
            "rssi_threshold": extended.rssi_threshold_dbm,
            "rx_timestamp_ticks": extended.receive_ticks,
        }
        if extended.receive_ticks is not None:
            got["rx_timestamp_s"] = extended.receive_ticks / 32768
    assert {key: got[key] for key in expected} == expected
    assert all(got[key] is None for key in set(got) - set(expected))
    assert bytes(extended) == data.extra
    assert bytes(frame) == raw


@pytest.mark.parametrize("name", [n for n in VECTORS if n.startswith("evt")])
def test_channel_events(name: str) -> None:
    expected = VECTORS[name]["expected"]
    message = read_channel_message(cut(octets(name)))
    ours = {
        "EVENT_RX_FAIL": Code.RX_FAIL,
        "EVENT_RX_FAIL_GO_TO_SEARCH": Code.GO_TO_SEARCH,
        "EVENT_RX_SEARCH_TIMEOUT": Code.SEARCH_TIMEOUT,
        "EVENT_CHANNEL_CLOSED": Code.CHANNEL_CLOSED,
        "EVENT_CHANNEL_COLLISION": Code.CHANNEL_COLLISION,
        "EVENT_TRANSFER_TX_COMPLETED": Code.TX_COMPLETED,
        "EVENT_TRANSFER_TX_FAILED": Code.TX_FAILED,
    }
    assert message == ChannelMessage(expected["channel"], None, ours[expected["name"]])


CONFIGURATION = {
    "cfg-01": Frame(MessageId.RESET_SYSTEM, b"\x00"),
    "cfg-02": Frame(MessageId.ASSIGN_CHANNEL, b"\x00\x00\x00"),
    "cfg-03": Frame(MessageId.ASSIGN_CHANNEL, b"\x00\x00\x00\x01"),
    "cfg-04": Frame(MessageId.CHANNEL_ID, b"\x00\x00\x00\x0b\x00"),
    "cfg-05": Frame(MessageId.CHANNEL_PERIOD, b"\x00" + (8182).to_bytes(2, "little")),
    "cfg-06": Frame(MessageId.CHANNEL_FREQUENCY, b"\x00\x39"),
    "cfg-07": Frame(MessageId.SEARCH_TIMEOUT, b"\x00\x0c"),
    "cfg-08": Frame(MessageId.LOW_PRIORITY_SEARCH_TIMEOUT, b"\x00\x00"),
    "cfg-09": Frame(MessageId.LIB_CONFIG, b"\x00\xe0"),
    "cfg-10": Frame(MessageId.ENABLE_EXTENDED, b"\x00\x01"),
    "cfg-11": Frame(MessageId.OPEN_CHANNEL, b"\x00"),
}


@pytest.mark.parametrize("name", CONFIGURATION)
def test_configuration_messages(name: str) -> None:
    assert bytes(CONFIGURATION[name]).hex() == VECTORS[name]["expected"]["hex"]


def test_no_vector_is_left_out() -> None:
    assert {n for n in VECTORS if n[:3] not in ("ser", "evt")} == set(CONFIGURATION)


def test_numbers_are_those_of_openant() -> None:
    from openant.base.message import Message

    codes, ids = vars(Message.Code), vars(Message.ID)
    names = {
        "NO_ERROR": "RESPONSE_NO_ERROR",
        "SEARCH_TIMEOUT": "EVENT_RX_SEARCH_TIMEOUT",
        "RX_FAIL": "EVENT_RX_FAIL",
        "TX_COMPLETED": "EVENT_TRANSFER_TX_COMPLETED",
        "TX_FAILED": "EVENT_TRANSFER_TX_FAILED",
        "CHANNEL_CLOSED": "EVENT_CHANNEL_CLOSED",
        "GO_TO_SEARCH": "EVENT_RX_FAIL_GO_TO_SEARCH",
        "CHANNEL_COLLISION": "EVENT_CHANNEL_COLLISION",
        "SERIAL_QUEUE_OVERFLOW": "EVENT_SERIAL_QUE_OVERFLOW",
        "QUEUE_OVERFLOW": "EVENT_QUE_OVERFLOW",
    }
    for code in Code:
        assert codes[names.get(code.name, code.name)] == code
    names = {
        "ANT_VERSION": "RESPONSE_ANT_VERSION",
        "CHANNEL_RESPONSE": "RESPONSE_CHANNEL",
        "CHANNEL_PERIOD": "SET_CHANNEL_PERIOD",
        "SEARCH_TIMEOUT": "SET_CHANNEL_SEARCH_TIMEOUT",
        "CHANNEL_FREQUENCY": "SET_CHANNEL_RF_FREQ",
        "NETWORK_KEY": "SET_NETWORK_KEY",
        "CHANNEL_ID": "SET_CHANNEL_ID",
        "CAPABILITIES": "RESPONSE_CAPABILITIES",
        "OPEN_SCAN_MODE": "OPEN_RX_SCAN_MODE",
        "ENABLE_EXTENDED": "ENABLE_EXT_RX_MESGS",
        "LOW_PRIORITY_SEARCH_TIMEOUT": "LOW_PRIORITY_CHANNEL_SEARCH_TIMEOUT",
        "STARTUP": "STARTUP_MESSAGE",
    }
    for message in MessageId:
        assert ids[names.get(message.name, message.name)] == message


FRAMES = st.builds(Frame, st.integers(0, 255), st.binary(max_size=MAX_CONTENT))


@given(FRAMES.filter(lambda frame: frame.content != b""))
def test_framing_agrees_with_openant(frame: Frame) -> None:
    from openant.base.message import Message

    assert bytes(frame) == Message(frame.message_id, list(frame.content)).get().tobytes()


@given(FRAMES)
def test_a_frame_comes_back(frame: Frame) -> None:
    assert cut(bytes(frame)) == frame


@given(data=st.binary(max_size=300), splits=st.lists(st.integers(0, 300), max_size=8))
def test_any_octets_in_any_portions(data: bytes, splits: list[int]) -> None:
    """Never raises, keeps no more than one frame, accounts for every octet, whatever the portions."""
    whole, parts = FrameCutter(), FrameCutter()
    frames = whole.feed(data)
    edges = [0, *sorted(min(s, len(data)) for s in splits), len(data)]
    in_parts = []
    for start, stop in pairwise(edges):
        in_parts += parts.feed(data[start:stop])
        assert parts.waiting < MAX_CONTENT + 4
    assert in_parts == frames
    assert (parts.skipped, parts.waiting) == (whole.skipped, whole.waiting)
    assert sum(len(bytes(frame)) for frame in frames) + whole.skipped + whole.waiting == len(data)


NOISE = st.binary(max_size=30).map(lambda data: data.replace(bytes((SYNC,)), b"\x00"))


@given(st.lists(st.tuples(NOISE, FRAMES), max_size=12))
def test_noise_without_a_sync_costs_nothing(pieces: list[tuple[bytes, Frame]]) -> None:
    cutter = FrameCutter()
    frames = cutter.feed(b"".join(noise + bytes(frame) for noise, frame in pieces))
    assert frames == [frame for _, frame in pieces]
    assert cutter.skipped == sum(len(noise) for noise, _ in pieces)


def naive(data: bytes) -> list[Frame]:
    """The same by trying every place in turn: slow, and plain to see."""
    frames, at = [], 0
    while at < len(data):
        if data[at] == SYNC and at + 1 < len(data) and data[at + 1] <= MAX_CONTENT:
            stop = at + data[at + 1] + 4
            if stop > len(data):
                break  # may still become a frame
            check = 0
            for octet in data[at:stop]:
                check ^= octet
            if check == 0:
                frames.append(Frame(data[at + 2], data[at + 3 : stop - 1]))
                at = stop
                continue
        elif data[at] == SYNC and at + 1 == len(data):
            break
        at += 1
    return frames


PIECES = st.one_of(st.binary(max_size=30), FRAMES.map(bytes), st.just(bytes((SYNC,)) * 3))


@given(st.lists(PIECES, max_size=12))
def test_frames_in_garbage_with_syncs(pieces: list[bytes]) -> None:
    data = b"".join(pieces)
    assert FrameCutter().feed(data) == naive(data)


@pytest.mark.parametrize("hit", range(13))
def test_a_lost_or_altered_octet_costs_one_frame(hit: int) -> None:
    """Frames of the captures' shape; every octet of the second of five is hit once."""
    frames = [Frame(MessageId.BROADCAST_DATA, bytes((0, 0x10, n, 0xFF, 90, n, 0, 200, 0))) for n in range(5)]
    stream = [bytes(frame) for frame in frames]
    others = frames[:1] + frames[2:]
    lost = stream[1][:hit] + stream[1][hit + 1 :]
    altered = stream[1][:hit] + bytes((stream[1][hit] ^ 0x01,)) + stream[1][hit + 1 :]
    for bad in (lost, altered):
        cutter = FrameCutter()
        got = cutter.feed(b"".join((stream[0], bad, *stream[2:], stream[0] * 4)))
        assert got[:4] == others
        assert cutter.skipped == len(bad)


def test_short_messages_are_named() -> None:
    with pytest.raises(DecodeError, match="a channel and eight octets"):
        read_data(Frame(MessageId.BROADCAST_DATA, b"\x00\x10"))
    with pytest.raises(DecodeError, match="channel, message id and code"):
        read_channel_message(Frame(MessageId.CHANNEL_RESPONSE, b"\x00"))
    with pytest.raises(ValueError, match="255"):
        bytes(Frame(0, bytes(256)))


@given(st.binary(max_size=16))
def test_extended_data_are_kept_or_refused(data: bytes) -> None:
    try:
        extended = Extended.from_bytes(data)
    except DecodeError:
        return
    if data and data != b"\x00":  # no flags: as good as nothing
        assert bytes(extended) == data


@pytest.mark.parametrize(
    ("hex_", "why"),
    [
        ("80616256", "cut short"),
        ("4020c4", "cut short"),
        ("20ff", "octets"),
        ("e1", "unknown flags"),
        ("403000", "unknown RSSI type"),
        ("80616256010000", "octets"),
    ],
)
def test_bad_extended_data_are_named(hex_: str, why: str) -> None:
    with pytest.raises(DecodeError, match=why):
        Extended.from_bytes(bytes.fromhex(hex_))
