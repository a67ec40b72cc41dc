"""The head of a report says what is missing; what stands elsewhere is found beside the session, too."""

from pathlib import Path

import pytest

from capture.record import End, Header, Record, Tick
from monitor.finding import Finding
from monitor.live.pipeline import Pipeline
from monitor.sessions.archive import sessions_in
from monitor.sessions.live.live_session import LiveSession
from monitor.sessions.missing import late_stamps, missing_part
from monitor.setup.bench import parse_bench
from storage.attach import RecorderError
from storage.damage import Damage, Gap, SessionError
from storage.journal import JournalWriter
from storage.remainder import read_session, remainder_of

S = 1_000_000_000
BENCH = '[bench]\nreference = "hub"\n[[instrument]]\nlabel = "hub"\nmount = "hub"\nlink = "scene:hub"\n'
HEADER = Header(BENCH, "test", 1_790_000_000 * S)
HOLE = Gap(200 * S, 212 * S, 900)


@pytest.mark.parametrize(
    ("damage", "said"),
    [
        (None, ""),
        (Damage(side="missing"), ""),
        (
            Damage(torn=True),
            "A part of this session is missing: the recording was not closed, so its end is not here.",
        ),
        (
            Damage(bytes_lost=900, seconds_lost=12.0, gaps=(HOLE,)),
            "A part of this session is missing: about 12.0 s can't be read, at 3:20.",
        ),
        (
            Damage(bytes_lost=3600, seconds_lost=48.0, gaps=(HOLE,) * 4),
            "A part of this session is missing: about 48.0 s can't be read, in 4 places.",
        ),
        (
            Damage(torn=True, bytes_lost=100, seconds_lost=1.5, gaps=(Gap(30 * S, None, 100),)),
            "A part of this session is missing: the recording was not closed, so its end is not here "
            "and about 1.5 s can't be read.",
        ),
    ],
)
def test_what_is_missing_in_one_sentence(damage: Damage | None, said: str) -> None:
    assert missing_part(damage) == said
    assert len(said.split()) <= 25


@pytest.mark.parametrize(
    ("late_s", "said"),
    [
        ([], ""),
        ([2.4], "The computer that recorded did not keep up once: stamps are up to 2.4 s late."),
        (
            [2.4, 4.25, 1.5],
            "The computer that recorded did not keep up 3 times: stamps are up to 4.2 s late.",
        ),
    ],
)
def test_a_computer_that_did_not_keep_up_in_one_sentence(late_s: list[float], said: str) -> None:
    findings: list[Finding] = []
    ticks: list[Record] = [Tick(0, HEADER.utc_ns)]
    for late in late_s:
        # On time again for a minute, then a tick that is late.
        last_ns = ticks[-1].t_ns
        ticks += [Tick(last_ns + k * S, HEADER.utc_ns + last_ns + k * S) for k in range(1, 60)]
        late_ns = last_ns + 60 * S + round(late * 1e9)
        ticks.append(Tick(late_ns, HEADER.utc_ns + late_ns))
    pipeline = Pipeline(parse_bench(BENCH, "bench"))
    for tick in ticks:
        findings += pipeline.feed(tick)
    last_ns = ticks[-1].t_ns
    for k in range(1, 20):
        findings += pipeline.feed(Tick(last_ns + k * S, HEADER.utc_ns + last_ns + k * S))
    assert late_stamps(findings) == said


def write(folder: Path, records: list[Record]) -> Path:
    folder.mkdir()
    writer = JournalWriter(folder, HEADER)
    for record in records:
        writer.append(record)
    assert not writer.flush().failing
    writer.abandon()
    return folder


@pytest.fixture
def parts(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> tuple[Path, Path]:
    """A session whose disk failed after six seconds, and the rest of it, beside it."""
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    ticks: list[Record] = [Tick(k * S, HEADER.utc_ns + k * S) for k in range(12)]
    out = tmp_path / "out"
    out.mkdir()
    main = write(out / "evening", ticks[:6])
    return main, write(out / "evening-rest", [*ticks[6:], End(12 * S, "over")])


def test_the_rest_is_found_beside_the_session_and_is_no_session_of_its_own(parts: tuple[Path, Path]) -> None:
    main, rest = parts
    assert remainder_of(main) == rest
    _, records = read_session(main)
    assert len(list(records)) == 13
    assert records.damage is None
    assert sessions_in(main.parent) == [main]
    rest.rename(rest.with_name("evening-rest-2"))
    assert sessions_in(main.parent) == [main]
    main.rename(main.with_name("another"))
    assert len(sessions_in(main.parent)) == 2, "an end alone is all that there is of it"


@pytest.mark.slow
async def test_who_follows_gets_the_end_from_where_it_is(parts: tuple[Path, Path]) -> None:
    main, _ = parts

    async def attach(since: int) -> None:
        if since == 0:
            raise RecorderError("the connection broke")
        raise SessionError(main, "is not being recorded now", "")

    async def gone(_since: int) -> None:
        raise SessionError(main, "is not being recorded now", "")

    for how in (gone, attach):
        session = LiveSession(main, how, parse_bench(BENCH, "bench"))  # type: ignore[arg-type]
        await session.feed()
        assert (session.closed, session.closed_why) == (True, "")
        assert session.pipeline.records == 13
        assert session.pipeline.t_s == 12.0
