"""The end of a recording: what its pipeline made of it stands in for a second pass, if it is the same."""

import asyncio
import shutil
from collections.abc import AsyncIterator, Callable, Sequence
from dataclasses import fields
from pathlib import Path
from typing import Any

import msgspec
import pytest

from capture.record import Act, Packet, Record
from capture.scene import evening
from monitor.cli import main
from monitor.live.runner import Runner
from monitor.sessions.derived import make_derived, run_session
from monitor.sessions.live.gathered import Gathered
from monitor.sessions.live.live_session import LiveSession
from monitor.sessions.settings import recorded_settings
from monitor.sessions.vouched import NAMES, RECORDING, kept_recording
from monitor.setup.bench import Bench
from monitor.study.recording import Recording
from storage.attach import CutOffError
from storage.journal import read_journal
from storage.session import open_session
from tests.helpers.rides import scene_records, short_session, write_session
from tests.test_kept import same


class Connection:
    """A recorder that hands on records from the asked one on; it breaks off before those in `breaks`."""

    def __init__(self, records: Sequence[Record], since: int, breaks: set[int]) -> None:
        self._records, self._since, self._breaks = records, since, breaks

    async def batches(self) -> AsyncIterator[list[Record]]:
        for at in range(self._since, len(self._records), 50):
            if at in self._breaks:
                self._breaks.discard(at)
                raise CutOffError("cut off")
            yield list(self._records[at : at + 50])

    async def act(self, *_: Any) -> None: ...
    async def write(self, *_: Any) -> None: ...
    async def will(self, *_: Any) -> None: ...
    async def alive(self) -> None: ...
    async def finish(self, *_: Any) -> None: ...
    async def close(self) -> None: ...


def lived(
    folder: Path,
    records: Sequence[Record],
    breaks: Sequence[int] = (),
    bench: Callable[[Bench], Bench] = lambda bench: bench,
) -> LiveSession:
    """A session that a screen followed to its end, looking at it all the while."""
    recorded, protocol = recorded_settings(open_session(folder).info.header, folder)
    left = set(breaks)

    async def attach(since: int) -> Any:
        return Connection(records, since, left)

    runner = None if protocol is None else Runner(protocol, waits=True)
    session = LiveSession(
        folder, attach, bench(recorded), protocol, runner=runner, keeps=True, now_ns=lambda: 0
    )

    async def followed() -> None:
        feeding = asyncio.ensure_future(session.feed())
        while not feeding.done():
            session.view()
            await asyncio.sleep(0)
        await feeding

    asyncio.run(followed())
    assert session.closed
    return session


def assert_same(found: Recording | None, truth: Recording) -> None:
    assert found is not None
    for field in fields(Recording):
        assert same(getattr(found, field.name), getattr(truth, field.name)), field.name


def files(folder: Path) -> dict[str, bytes]:
    return {name: (folder / name).read_bytes() for name in (*NAMES, RECORDING)}


@pytest.fixture(scope="module")
def session(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return short_session(tmp_path_factory.mktemp("session"), seed=6, seconds=20)


@pytest.fixture(scope="module")
def records(session: Path) -> list[Record]:
    return list(read_journal(session)[1])


@pytest.fixture(scope="module")
def truth(session: Path) -> dict[str, bytes]:
    """What the journal alone gives."""
    make_derived(session)
    return files(session)


@pytest.fixture
def fresh(session: Path, truth: dict[str, bytes], tmp_path: Path) -> Path:
    """The session as it is at its end: nothing is made of it yet."""
    folder = Path(shutil.copytree(session, tmp_path / session.name))
    for name in (*truth, "derived.json"):
        (folder / name).unlink()
    return folder


Change = Callable[[list[Record]], list[Record]]


def never(*_: object, **__: object) -> None:
    raise AssertionError("a second pass")


@pytest.mark.parametrize("breaks", [[], [100, 200, 250]])
def test_the_end_needs_no_second_pass_and_gives_the_same_to_the_byte(
    fresh: Path, records: list[Record], truth: dict[str, bytes], breaks: list[int],
    monkeypatch: pytest.MonkeyPatch,
) -> None:  # fmt: skip
    live = lived(fresh, records, breaks)
    with monkeypatch.context() as patched:
        patched.setattr("monitor.sessions.derived.collect", never)
        make_derived(fresh, gathered=live.gathered)
    assert files(fresh) == truth
    assert_same(kept_recording(fresh), run_session(fresh)[0])


def test_memory_stays_flat_and_parts_come_back_in_their_order(
    fresh: Path, records: list[Record], truth: dict[str, bytes], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(Gathered, "EVERY", 37)
    live = lived(fresh, records)
    assert live.gathered is not None
    gathering = live.gathered.gathering
    assert len(gathering._placed) <= 37 >= len(gathering._cells)
    with monkeypatch.context() as patched:
        patched.setattr("monitor.sessions.derived.collect", never)
        make_derived(fresh, gathered=live.gathered)
    assert files(fresh) == truth


def test_where_nothing_can_be_put_away_a_second_pass_is_made(
    fresh: Path, records: list[Record], truth: dict[str, bytes], monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object, **__: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Gathered, "EVERY", 37)
    monkeypatch.setattr("monitor.sessions.live.gathered.tempfile.TemporaryFile", full)
    make_derived(fresh, gathered=lived(fresh, records).gathered)
    assert files(fresh) == truth


def lost(records: list[Record]) -> list[Record]:
    return records[:200] + records[201:]


def late(records: list[Record]) -> list[Record]:
    return records[50:]


def another_octet(records: list[Record]) -> list[Record]:
    k = next(k for k, r in enumerate(records) if k > 100 and isinstance(r, Packet) and len(r.data) > 3)
    packet = records[k]
    assert isinstance(packet, Packet)
    data = packet.data[:3] + bytes([packet.data[3] ^ 1]) + packet.data[4:]
    return [
        *records[:k],
        Packet(packet.t_ns, packet.instrument, packet.channel, data, packet.extra),
        *records[k + 1 :],
    ]


def exchanged(records: list[Record]) -> list[Record]:
    return [*records[:200], records[201], records[200], *records[202:]]


def one_more(records: list[Record]) -> list[Record]:
    return [*records[:-1], Act(records[-1].t_ns, "note", "heard here alone"), records[-1]]


@pytest.mark.parametrize(
    "change",
    [
        lost,
        another_octet,
        *(pytest.param(each, marks=pytest.mark.slow) for each in (late, exchanged, one_more)),
    ],
)
def test_whoever_saw_other_records_than_the_disk_holds_is_not_believed(
    fresh: Path,
    records: list[Record],
    truth: dict[str, bytes],
    change: Change,
) -> None:
    live = lived(fresh, change(records))
    make_derived(fresh, gathered=live.gathered)
    assert files(fresh) == truth


def test_a_session_under_another_bench_or_without_an_end_is_not_believed(
    fresh: Path, records: list[Record], truth: dict[str, bytes]
) -> None:
    other = lived(fresh, records, bench=lambda bench: msgspec.structs.replace(bench, reference="heron"))
    make_derived(fresh, gathered=other.gathered)
    assert files(fresh) == truth
    header = open_session(fresh).info.header
    open_one = Gathered(recorded_settings(header, fresh)[0])
    assert open_one.recording(header, fresh) is None


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["evening", "stroke", "acts"])
def test_all_kinds_of_sessions_end_alike(tmp_path: Path, kind: str, monkeypatch: pytest.MonkeyPatch) -> None:
    if kind == "stroke":
        from tests.test_stroke_study import TEXT

        bench, ride = scene_records(TEXT.format(seed=4, hz=16, length=60, move=60, step=120))
    else:
        bench, ride = scene_records(evening())
    if kind == "acts":
        acts = [("repeat", ""), ("gear", "50x17"), ("undo", ""), ("zeroed", ""), ("note", "wind"),
                ("pause", ""), ("resume", "")]  # fmt: skip
        for k, (act, text) in enumerate(acts, 1):
            at = k * len(ride) // 9
            ride.insert(at, Act(ride[at].t_ns, act, text, "heron" if act == "zeroed" else ""))
    session = write_session(tmp_path, bench, ride)
    monkeypatch.setattr(Gathered, "EVERY", 500)
    live = lived(session, list(read_journal(session)[1]))
    with monkeypatch.context() as patched:
        patched.setattr("monitor.sessions.derived.collect", never)
        make_derived(session, gathered=live.gathered)
    again = write_session(tmp_path / "again", bench, ride)
    make_derived(again)
    assert files(again) == files(session)
    assert_same(kept_recording(session), run_session(session)[0])


@pytest.mark.slow
def test_a_recording_of_its_own_ends_without_a_second_pass(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["demo", "--headless", "--speed", "max", "--seconds", "90", "--out", str(tmp_path)]) == 0
    (session,) = tmp_path.iterdir()
    said = capsys.readouterr().err
    assert "report.html written" in said
    assert "judging the journal" not in said
    assert_same(kept_recording(session), run_session(session)[0])
    made = files(session)
    for name in (*made, "derived.json"):
        (session / name).unlink()
    assert main(["study", str(session)]) == 0
    assert files(session) == made
