"""What is fuzzed: a reader, the exceptions that it may raise, inputs to begin with, and its share."""

import json
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from capture.log import Tally, read_log
from capture.profiles import CODECS, decode, device_information
from capture.sample import DecodeError

ROOT = Path(__file__).parents[2]
ANT = ("ant11", "ant17", "ant121", "ant122", "ant123")


@dataclass(frozen=True)
class Target:
    """`read` gets the octets; `named` is what may leave it; `share` how many of all inputs it gets."""

    read: Callable[[bytes], object]
    named: tuple[type[Exception], ...]
    seeds: list[bytes]
    share: float
    limit: int = 4096


def _vectors() -> list[bytes]:
    path = ROOT / "fixtures" / "vectors" / "radio-vectors.json"
    vectors = json.loads(path.read_text("utf-8"))["vectors"]
    return [bytes.fromhex(payload["hex"]) for vector in vectors for payload in vector["payloads"]]


def decoders() -> Target:
    """One octet picks the channel, the rest is the packet."""
    channels = [*CODECS, *device_information.TEXTS, *ANT]

    def read(data: bytes) -> None:
        if data:
            decode(channels[data[0] % len(channels)], data[1:])

    seeds = [bytes([k]) + v for k in range(len(channels)) for v in _vectors()[k % 7 :: 7]]
    return Target(read, (DecodeError,), seeds, 80.0, 600)


def frames() -> Target:
    """A stream of an ANT stick in portions, cut into frames and read."""
    from capture.ant_frames import FrameCutter, read_channel_message, read_data

    def read(data: bytes) -> None:
        cutter = FrameCutter()
        half = len(data) // 2
        for part in (data[:half], data[half:]):
            for frame in cutter.feed(part):
                for reader in (read_data, read_channel_message):
                    try:
                        reader(frame)
                    except DecodeError:
                        continue

    page = bytes.fromhex("a4094e001001ff5afa00fa00")
    whole = page + bytes([_xor(page)])
    extended = bytes.fromhex("a40e4e001001ff5afa00fa0080 0100 0b 01".replace(" ", ""))
    event = bytes.fromhex("a40340000102")
    seeds = [whole * 3, extended + bytes([_xor(extended)]), event + bytes([_xor(event)]) + whole, b"\xa4" * 9]
    return Target(read, (), seeds, 10.0)


def _xor(data: bytes) -> int:
    value = 0
    for octet in data:
        value ^= octet
    return value


def pipeline() -> Target:
    """Packets with any octets, in a row, from two instruments: all the way to findings and a view."""
    from capture.record import Packet, Tick
    from monitor.live.pipeline import Pipeline
    from monitor.live.screen import view_of
    from monitor.setup.bench import parse_bench

    bench = parse_bench(
        '[bench]\nreference = "a"\n[[instrument]]\nlabel = "a"\nlink = "log:a"\nsides = "both"\n'
        '[[instrument]]\nlabel = "b"\nlink = "log:b"\n'
    )
    channels = ("2A63", "ant11", "2AD2", "ant17", "2A5B", "2A64", "ant121", "ant122", "2A66", "2A19")

    def read(data: bytes) -> None:
        one = Pipeline(bench)
        t_ns = at = 0
        while at + 4 <= len(data):
            length = data[at + 3] % 24
            t_ns += data[at] * 20_000_000
            one.feed(
                Packet(
                    t_ns, "ab"[data[at + 1] % 2], channels[data[at + 2] % 10], data[at + 4 : at + 4 + length]
                )
            )
            at += 4 + length
        one.feed(Tick(t_ns + 1_000_000_000, 1))
        one.finish()
        view_of(one)

    vectors = [v for v in _vectors() if len(v) < 24]
    seeds = [
        b"".join(bytes([12, k % 2, (k // 9) % 10, len(v)]) + v for k, v in enumerate(vectors[n::11]))
        for n in range(11)
    ]
    return Target(read, (), seeds, 1.0)


def log() -> Target:
    """A capture log."""

    def read(data: bytes) -> None:
        for _ in read_log(data.split(b"\n"), None, Tally()):
            pass

    seeds = [path.read_bytes()[:3000] for path in sorted((ROOT / "fixtures").rglob("*.jsonl"))]
    seeds.append(
        b'{"t": 1.234, "instrument": "hub", "ble": "2A63", "hex": "0000C800"}\n{"t": 2, "act": "note"}'
    )
    return Target(read, (), seeds, 3.0)


def bench() -> Target:
    """A bench file, and the text that is made of it again for messages."""
    from monitor.setup.bench import parse_bench
    from monitor.setup.toml_check import BenchError

    def read(data: bytes) -> None:
        parse_bench(data.decode("utf-8", "replace"))

    return Target(read, (BenchError,), _toml("benches", "scenes"), 1.5)


def protocol() -> Target:
    """A protocol file."""
    from monitor.setup.protocol import parse_protocol
    from monitor.setup.toml_check import BenchError

    def read(data: bytes) -> None:
        parse_protocol(data.decode("utf-8", "replace"))

    return Target(read, (BenchError,), _toml("protocols"), 1.5)


def _toml(*folders: str) -> list[bytes]:
    paths = [path for folder in folders for path in sorted((ROOT / "fixtures" / folder).rglob("*.toml"))]
    return [path.read_bytes()[:4000] for path in paths]


def journal() -> Target:
    """Main and side file of a journal; the first two octets say how the input is split."""
    from storage.damage import DamagedSession, SessionError
    from storage.journal import MAIN, SIDE, read_journal
    from tests.helpers.sessions import EVERY_KIND, evening, write_journal

    folder = Path(tempfile.mkdtemp(prefix="fuzz-journal-"))
    write_journal(folder, [EVERY_KIND[:-1], *evening(3)])
    main, side = (folder / MAIN).read_bytes(), (folder / SIDE).read_bytes()

    def read(data: bytes) -> None:
        at = int.from_bytes(data[:2], "little")
        (folder / MAIN).write_bytes(data[2 + at :])
        (folder / SIDE).write_bytes(data[2 : 2 + at])
        _, records = read_journal(folder)
        for _ in records:
            pass

    seeds = [len(side).to_bytes(2, "little") + side + main, b"\x00\x00" + main]
    return Target(read, (SessionError, DamagedSession), seeds, 1.0, 1 << 16)


def fit() -> Target:
    """A ride file of another head unit."""
    from monitor.study.ridefile import RideFileError, read_ride
    from monitor.study.rides.fit import read_fit

    folder = Path(tempfile.mkdtemp(prefix="fuzz-fit-"))
    path = folder / "ride.fit"

    from fitdecode.utils import compute_crc

    def read(data: bytes) -> None:
        # Every other input has its sizes and checksums put right: else none would get past them.
        if len(data) > 14 and data[len(data) // 2] % 2:
            body = b"\x0c" + data[1:4] + (len(data) - 14).to_bytes(4, "little") + data[8:-2]
            data = body + compute_crc(body).to_bytes(2, "little")
        path.write_bytes(data)
        try:
            read_ride(path)
        except RideFileError:
            # What is damaged is read as far as it goes by whoever asks for that.
            ride = read_fit(path)
            assert all(held_s > 0.0 for _, held_s in ride.held())

    return Target(read, (RideFileError,), [_fit()], 0.3, 1 << 14)


def table() -> Target:
    """A ride as a plain table."""
    from monitor.study.rides.ride import RideFileError
    from monitor.study.rides.table import read_table

    path = Path(tempfile.mkdtemp(prefix="fuzz-table-")) / "ride.csv"

    def read(data: bytes) -> None:
        path.write_bytes(data)
        ride = read_table(path)
        assert all(held_s > 0.0 for _, held_s in ride.held())

    seeds = [
        b"time_s,power_w,cadence_rpm,left_percent\n0,200,90,51\n1,210,90,\n3.5,1e3,91,200\n",
        b"utc;left_w;right_w\n2024-01-01T00:00:00+01:00;100,5;99\n2024-01-01 00:00:02Z;1;2\n",
    ]
    return Target(read, (RideFileError,), seeds, 1.0, 4096)


def _fit() -> bytes:
    """A ride of a minute, as a common encoder writes it."""
    from fit_tool.fit_file_builder import FitFileBuilder
    from fit_tool.profile.messages.file_id_message import FileIdMessage
    from fit_tool.profile.messages.record_message import RecordMessage
    from fit_tool.profile.profile_type import FileType

    builder = FitFileBuilder(auto_define=True)
    head = FileIdMessage()
    head.type = FileType.ACTIVITY
    head.time_created = 1_700_000_000_000
    builder.add(head)
    for k in range(60):
        record = RecordMessage()
        record.timestamp = 1_700_000_000_000 + 1000 * k
        record.power = 200 + k
        record.cadence = 90
        builder.add(record)
    return bytes(builder.build().to_bytes())


def wire() -> Target:
    """What a stranger sends to the recorder's port, and what a recorder sends to a viewer."""
    import msgspec

    from storage.connection.wire import (
        COMMAND_LIMIT,
        Hello,
        Unframer,
        WireError,
        decode_command,
        decode_hello,
        decode_sent,
        encode,
        frame,
    )

    def read(data: bytes) -> None:
        for payload in Unframer(COMMAND_LIMIT).feed(data):
            for decoder in (decode_hello, decode_command, decode_sent):
                try:
                    decoder(payload)
                except (msgspec.MsgspecError, UnicodeError, WireError):
                    continue

    seeds = [frame([encode(Hello("token", 3))]), frame([encode(Hello("x" * 40, 0))] * 3)]
    return Target(read, (WireError,), seeds, 2.0)


def kept() -> Target:
    """The arrays of a session; of every other input one member is packed anew, past the checksums of ZIP."""
    import io
    import zipfile

    from monitor.study.kept import KeptError, kept_octets, recording_of
    from tests.helpers.rides import evening_recording

    octets = kept_octets(evening_recording())
    assert octets is not None
    with zipfile.ZipFile(io.BytesIO(octets)) as packed:
        members = {name: packed.read(name) for name in packed.namelist()}
    names = list(members)

    def read(data: bytes) -> None:
        if len(data) > 4 and data[0] % 2:
            name = names[data[1] % len(names)]
            at = int.from_bytes(data[2:4], "little") % (len(members[name]) + 1)
            changed = members[name][:at] + data[4:20] + members[name][at + len(data[4:20]) :]
            file = io.BytesIO()
            with zipfile.ZipFile(file, "w") as again:
                for each, was in members.items():
                    again.writestr(each, changed if each == name else was)
            data = file.getvalue()
        recording_of(data)

    seeds = [octets, *(bytes([1, k, 0, 0]) + b"1e999,null,-5[[{" for k in range(len(names)))]
    return Target(read, (KeptError,), seeds, 0.05, 1 << 20)


TARGETS: dict[str, Callable[[], Target]] = {
    "decoders": decoders,
    "frames": frames,
    "pipeline": pipeline,
    "log": log,
    "bench": bench,
    "protocol": protocol,
    "journal": journal,
    "fit": fit,
    "table": table,
    "wire": wire,
    "kept": kept,
}
