"""Rescue: into a copy, nothing wrong in it, and an honest word about what was lost."""

import errno
import os
import random
from pathlib import Path

import pytest

from capture.record import End, Packet, Record, Store, Tick
from storage.damage import DamagedSession, SessionError
from storage.info import read_info
from storage.journal import MAIN, SIDE, read_journal
from storage.rescue import rescue
from tests.helpers.sessions import EVERY_KIND, HEADER, S, evening, files, make_session, write_journal


def read(folder: Path) -> list[Record]:
    """As anyone would read it; it must be whole."""
    header, records = read_journal(folder)
    found = list(records)
    assert header == HEADER
    assert records.damage is None
    return found


def flat(batches: list[list[Record]]) -> list[Record]:
    return [record for batch in batches for record in batch]


def test_a_killed_recording_is_made_whole_and_left_alone(tmp_path: Path):
    batches = evening(30, ended=False)
    session = make_session(tmp_path, batches, close=False)
    before = files(session.path)
    report = rescue(session.path)
    assert (report.outcome, report.records, report.bytes_lost) == ("whole", len(flat(batches)), 0)
    assert report.path == session.path.with_name(f"{session.path.name}-rescued")
    assert files(session.path) == before
    *found, end = read(report.path)
    assert found == flat(batches)
    assert end == End(found[-1].t_ns, "rescued: the recording was not closed")


def test_the_description_of_the_copy_is_made_from_its_records(tmp_path: Path):
    batches = evening(30, ended=False)
    session = make_session(tmp_path, [EVERY_KIND[:5], *batches], close=False)
    report = rescue(session.path)
    assert report.path is not None
    info = read_info(report.path)
    assert info is not None
    assert (info.state, info.rescued_from, info.header) == ("rescued", session.path.name, HEADER)
    assert info.counts.records == report.records + 1
    hub = next(each for each in info.instruments if each.label == "hub")
    records = [*EVERY_KIND[:5], *flat(batches)]
    assert hub.packets == sum(isinstance(each, Packet) and each.instrument == "hub" for each in records)
    assert hub.reported["name"].startswith("a name with")
    ticks = [each for each in records if isinstance(each, Tick)]
    assert [(each.t_ns, each.utc_ns) for each in info.clock.anchors] == [
        (ticks[0].t_ns, ticks[0].utc_ns),
        (ticks[-1].t_ns, ticks[-1].utc_ns),
    ]
    assert report.text in info.remarks


def test_a_whole_session_needs_no_copy(tmp_path: Path):
    session = make_session(tmp_path, evening(5))
    report = rescue(session.path)
    assert (report.outcome, report.path, report.bytes_lost) == ("whole", session.path, 0)
    assert [each.name for each in tmp_path.iterdir()] == [session.path.name]


def test_a_hole_is_told_in_the_copy(tmp_path: Path):
    batches = [
        [Packet(second * S + n, "hub", "2A63", bytes([second, n])) for n in range(8)] for second in range(20)
    ]
    session = make_session(tmp_path, batches, close=False)
    side = (session.path / SIDE).read_bytes()
    ends = [int.from_bytes(side[at : at + 8], "little") for at in range(0, len(side), 16)]
    main = bytearray((session.path / MAIN).read_bytes())
    main[ends[5] : ends[8]] = bytes(ends[8] - ends[5])
    (session.path / MAIN).write_bytes(main)
    report = rescue(session.path)
    assert report.outcome == "lossy"
    assert (report.records, report.bytes_lost) == (17 * 8, ends[8] - ends[5])
    assert report.seconds_lost == pytest.approx(4.0, abs=0.1)
    assert "about 4.0 s" in report.text
    assert report.path is not None
    found = read(report.path)
    assert found[: 5 * 8] == flat(batches[:5])
    # Three batches of eight were lost; their number can only be estimated from their octets.
    mark = found[5 * 8]
    assert isinstance(mark, Store)
    assert (mark.state, mark.t_ns) == ("resumed", 8 * S)
    assert mark.lost == pytest.approx(24, abs=2)
    assert found[5 * 8 + 1 : -1] == flat(batches[8:])
    assert isinstance(found[-1], End)


def test_without_the_side_file_all_is_kept(tmp_path: Path):
    batches = evening(40)
    session = make_session(tmp_path, batches)
    (session.path / SIDE).unlink()
    report = rescue(session.path)
    assert report.outcome == "whole"
    assert report.path is not None
    assert read(report.path) == flat(batches)


@pytest.mark.parametrize("seed", range(12))
def test_whatever_is_cut_or_garbled_the_copy_is_whole_and_true(tmp_path: Path, seed: int):
    chance = random.Random(seed)
    batches = evening(40, seed, ended=False)
    session = make_session(tmp_path, batches, close=False)
    path = session.path / MAIN
    main = bytearray(path.read_bytes())
    start = chance.randrange(len(main) - 100)
    main[start : start + 100] = chance.randbytes(100)
    path.write_bytes(main[: chance.randint(start + 100, len(main))])
    if seed % 3 == 0:
        (session.path / SIDE).unlink()
    report = rescue(session.path)
    assert report.outcome == "lossy"
    assert report.path is not None
    kept = [each for each in read(report.path) if not isinstance(each, Store | End)]
    rest = iter(flat(batches))
    assert all(record in rest for record in kept)
    assert len(kept) == report.records > 0


def test_a_second_rescue_does_not_overwrite_the_first(tmp_path: Path):
    session = make_session(tmp_path, evening(5, ended=False), close=False)
    first, second = rescue(session.path), rescue(session.path)
    assert first.path is not None
    assert second.path == first.path.with_name(f"{first.path.name}-2")
    assert files(first.path)[MAIN] == files(second.path)[MAIN]
    # And what was rescued needs no rescue.
    assert rescue(first.path).path == first.path


def test_nothing_to_keep_leaves_nothing_behind(tmp_path: Path):
    session = make_session(tmp_path, evening(5, ended=False), close=False)
    (session.path / MAIN).write_bytes(bytes(20_000))
    report = rescue(session.path)
    assert (report.outcome, report.path, report.records) == ("nothing", None, 0)
    assert "not one record" in report.text
    assert len(list(tmp_path.iterdir())) == 1
    (session.path / MAIN).write_bytes(b"")
    with pytest.raises(DamagedSession):
        rescue(session.path)


def test_a_lost_description_is_no_obstacle(tmp_path: Path):
    batches = evening(5, ended=False)
    session = make_session(tmp_path, batches, close=False)
    (session.path / "session.json").write_text("{")
    report = rescue(session.path)
    assert report.path is not None
    info = read_info(report.path)
    assert info is not None
    assert info.header == HEADER
    assert any("session.json" in remark for remark in info.remarks)


def test_a_folder_that_is_no_session(tmp_path: Path):
    with pytest.raises(SessionError, match="is not a session"):
        rescue(tmp_path)


def test_no_room_for_the_copy_is_told_and_the_session_stays(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    session = make_session(tmp_path, evening(5, ended=False), close=False)
    before = files(session.path)

    def write(self: object, fd: int, data: memoryview) -> int:
        if os.fstat(fd).st_size > 2000:
            raise OSError(errno.ENOSPC, "No space left on device")
        return os.write(fd, data)

    monkeypatch.setattr("storage.disk.Disk.write_some", write)
    with pytest.raises(SessionError, match=r"can't be written \(No space left on device\). Make room"):
        rescue(session.path)
    assert [each.name for each in tmp_path.iterdir()] == [session.path.name]
    assert files(session.path) == before


def test_a_copy_that_does_not_read_back_is_no_success(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    """A disk that takes everything and keeps something else."""
    session = make_session(tmp_path, evening(5, ended=False), close=False)

    def write(self: object, fd: int, data: memoryview) -> int:
        octets = bytearray(data)
        if len(octets) > 500:
            octets[-300] ^= 1
        return os.write(fd, octets)

    monkeypatch.setattr("storage.disk.Disk.write_some", write)
    with pytest.raises(SessionError, match="doesn't read as it was written"):
        rescue(session.path)
    assert len(list(tmp_path.iterdir())) == 1


def test_a_journal_alone_is_rescued_too(tmp_path: Path):
    folder = tmp_path / "from a stick"
    folder.mkdir()
    batches = evening(5, ended=False)
    write_journal(folder, batches, close=False)
    report = rescue(folder)
    assert report.path == tmp_path.resolve() / "from a stick-rescued"
    assert read(report.path)[:-1] == flat(batches)
