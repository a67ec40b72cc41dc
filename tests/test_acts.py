"""Acts put right after the session: the journal stays, what reads it sees the change."""

import json
import os
import socket
from dataclasses import replace
from pathlib import Path

import pytest
from cyclopts import Token
from hypothesis import given
from hypothesis import strategies as st

from capture.record import Act, End, Header, Packet, Record, Tick
from monitor.cli import _session_time, main
from monitor.live.runner import effective, undo_text
from monitor.sessions.acts import (
    AMENDMENTS,
    Amendment,
    Reading,
    add_act,
    amended,
    edit_act,
    list_acts,
    open_session_journal,
    read_amendments,
    remove_act,
    restore_act,
)
from monitor.sessions.derived import run_session
from monitor.study.segments import spans_of
from monitor.text import moment
from storage.damage import SessionError
from storage.info import Clock, SessionInfo
from storage.journal import MAIN, JournalWriter, read_journal
from storage.session import create_session
from tests.helpers.rides import short_session

S = 1_000_000_000
UTC = "2026-11-25T19:03:12Z"
BENCH = """\
[bench]
reference = "hub"
[[instrument]]
label = "hub"
mount = "hub"
link = "log:hub"
"""
ACTS = [
    Act(2 * S, "segment", "warm up"),
    Act(10 * S, "gear", "50x71"),
    Act(20 * S, "segment", "steady"),
    Act(25 * S, "zeroed", "", "hub"),
    Act(31 * S, "note", "clicks", "", 28 * S),
]


def power(n: int) -> Packet:
    return Packet(n * S // 2, "hub", "2A63", bytes.fromhex("0000") + (200).to_bytes(2, "little"))


@pytest.fixture
def session(tmp_path: Path) -> Path:
    info = SessionInfo(program="t", name="s", started="", bench=BENCH, protocol="", clock=Clock(utc_ns=0))
    folder = create_session(tmp_path, "2026-11-25-190312", info).path
    records: list[Record] = [power(n) for n in range(120)]
    records += [Tick(n * S, n * S) for n in range(60)]
    records = sorted([*records, *ACTS], key=lambda record: record.t_ns)
    writer = JournalWriter(folder, Header(BENCH, "t", 0))
    for record in [*records, End(60 * S, "over")]:
        writer.append(record)
    assert not writer.close().failing
    return folder


def acts_of(folder: Path) -> list[tuple[float, str, str, str]]:
    _, records = open_session_journal(folder)
    return [
        (record.moment_ns / S, record.act, record.text, record.instrument)
        for record in records
        if isinstance(record, Act)
    ]


ORIGINAL = [
    (2.0, "segment", "warm up", ""),
    (10.0, "gear", "50x71", ""),
    (20.0, "segment", "steady", ""),
    (25.0, "zeroed", "", "hub"),
    (28.0, "note", "clicks", ""),
]


def test_acts_are_changed_moved_removed_added_and_restored(session: Path) -> None:
    before = (session / MAIN).read_bytes()
    assert acts_of(session) == ORIGINAL
    edit_act(session, "2", UTC, "typing error", text="50x17")
    edit_act(session, "3", UTC, at_s=23.5)
    remove_act(session, "4", UTC)
    add_act(session, Reading("position", "standing", "", 40.0), UTC)
    assert acts_of(session) == [
        (2.0, "segment", "warm up", ""),
        (10.0, "gear", "50x17", ""),
        (23.5, "segment", "steady", ""),
        (28.0, "note", "clicks", ""),
        (40.0, "position", "standing", ""),
    ]
    listed = list_acts(session)
    assert [(one.key, one.changed) for one in listed] == [
        ("1", False), ("2", True), ("3", True), ("4", True), ("5", False), ("+1", True),
    ]  # fmt: skip
    assert listed[1].was == Reading("gear", "50x71", "", 10.0)
    assert listed[3].now is None
    # The original is kept, to the octet.
    assert (session / MAIN).read_bytes() == before
    assert [record for record in read_journal(session)[1] if isinstance(record, Act)] == ACTS
    # All of it back.
    for key in ("2", "3", "4", "+1"):
        restore_act(session, key, UTC)
    assert acts_of(session) == ORIGINAL
    assert len(read_amendments(session)) == 8
    assert not any(one.changed for one in list_acts(session))


def test_the_study_reads_them(session: Path) -> None:
    recording, _ = run_session(session)
    assert [(span.name, span.start_s) for span in spans_of(recording)] == [("warm up", 2.0), ("steady", 20.0)]
    edit_act(session, "3", UTC, at_s=30.0, text="steady 200")
    add_act(session, Reading("segment", "cool down", "", 50.0), UTC)
    recording, damage = run_session(session)
    assert damage is None
    assert [(span.name, span.start_s) for span in spans_of(recording)] == [
        ("warm up", 2.0), ("steady 200", 30.0), ("cool down", 50.0),
    ]  # fmt: skip


def test_the_records_around_them_stay_in_order(session: Path) -> None:
    edit_act(session, "3", UTC, at_s=7.25)
    add_act(session, Reading("mark", "", "", 0.0), UTC)
    add_act(session, Reading("mark", "", "", 60.0), UTC)
    _, records = open_session_journal(session)
    found = list(records)
    times = [record.t_ns for record in found]
    assert times == sorted(times)
    assert len(found) == len(list(read_journal(session)[1])) + 2
    assert records.damage is None


def test_an_act_that_took_its_time_to_type_keeps_its_moment(session: Path) -> None:
    edit_act(session, "5", UTC, text="creaks")
    assert acts_of(session)[-1] == (28.0, "note", "creaks", "")
    _, records = open_session_journal(session)
    assert [r.t_ns for r in records if isinstance(r, Act) and r.act == "note"] == [31 * S]


@pytest.mark.parametrize("key", ["0", "6", "+1", "x", "", "-1"])
def test_what_is_not_there_can_not_be_changed(session: Path, key: str) -> None:
    with pytest.raises(SessionError, match="has no act"):
        edit_act(session, key, UTC, text="x")


@pytest.mark.parametrize(
    "changes",
    [{"act": ""}, {"act": "two words"}, {"text": "x" * 501}, {"text": "a\nb"}, {"text": "\x1b[2J"},
     {"at_s": -1.0}, {"at_s": float("nan")}, {"at_s": 1e9}],
)  # fmt: skip
def test_what_can_not_be_an_act_is_refused(session: Path, changes: dict[str, object]) -> None:
    with pytest.raises(SessionError, match="Nothing was changed"):
        edit_act(session, "2", UTC, **changes)
    assert not (session / AMENDMENTS).exists()


@pytest.mark.parametrize("line", ["nonsense", "{}", '{"number": "x"}', '{"number": 1, "more": 2}', "[]"])
def test_a_bad_line_is_named(session: Path, line: str) -> None:
    (session / AMENDMENTS).write_text(f"\n{line}\n", encoding="utf-8")
    with pytest.raises(SessionError, match=r"line 2 is no amendment.*journal itself has every act"):
        open_session_journal(session)


def test_another_encoding_is_named(session: Path) -> None:
    (session / AMENDMENTS).write_bytes(b"\xff\xfe")
    with pytest.raises(SessionError, match="can't be read"):
        list_acts(session)


def test_from_the_command_line(session: Path, capsys: pytest.CaptureFixture[str]) -> None:
    where = str(session)
    assert main(["acts", "list", where]) == 0
    table = capsys.readouterr().out.splitlines()
    assert table[2].split() == ["2", "0:10.0", "gear", "50x71"]
    assert main(["acts", "edit", where, "2", "--text", "50x17", "--why", "slip"]) == 0
    told = capsys.readouterr().err
    assert "recorded: 0:10.0 gear 50x71" in told
    assert "now:      0:10.0 gear 50x17" in told
    assert main(["acts", "remove", where, "4"]) == 0
    assert main(["acts", "add", where, "position", "standing", "--at", "41.5"]) == 0
    capsys.readouterr()
    assert main(["acts", "list", where, "--json"]) == 0
    lines = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert lines[1]["now"] == {"act": "gear", "text": "50x17", "instrument": "", "at_s": 10.0}
    assert lines[3]["now"] is None
    assert lines[5]["key"] == "+1"
    assert main(["acts", "list", where]) == 0
    out = capsys.readouterr().out
    assert "was: 0:10.0 gear 50x71" in out
    assert "removed" in out
    assert "added" in out
    assert main(["acts", "restore", where, "2"]) == 0
    assert acts_of(session)[1] == ORIGINAL[1]
    assert read_amendments(session)[0].why == "slip"


@pytest.mark.slow
def test_mistakes_on_the_command_line(session: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["acts", "edit", str(session), "2"]) == 2
    assert "--act, --text, --instrument or --at" in capsys.readouterr().err
    assert main(["acts", "edit", str(session), "77", "--text", "x"]) == 2
    assert "acts list" in capsys.readouterr().err
    with socket.create_server(("127.0.0.1", 0)) as held:
        live = {"port": held.getsockname()[1], "token": "x", "pid": os.getpid()}
        (session / "live.json").write_text(json.dumps(live), encoding="utf-8")
        assert main(["acts", "remove", str(session), "2"]) == 2
    assert "being recorded now" in capsys.readouterr().err


# -- taken back while riding


def test_what_was_taken_back_is_gone_and_the_rest_stands_at_its_moment() -> None:
    slip = Act(10 * S, "gear", "50x71")
    acts = [slip, Act(12 * S, "undo", undo_text(slip)), Act(31 * S, "note", "clicks", "", 8 * S)]
    assert effective(acts) == [Act(8 * S, "note", "clicks")]


ONE_ACT = st.builds(
    Act, st.integers(0, 10**10), st.sampled_from(["mark", "gear", "undo"]), st.text(max_size=5)
)


@given(
    st.lists(ONE_ACT, max_size=8),
    st.lists(st.tuples(st.integers(0, 12), st.integers(0, 2), st.booleans()), max_size=8),
)
def test_no_record_but_an_amended_act_is_touched(
    acts: list[Act], changes: list[tuple[int, int, bool]]
) -> None:
    acts = sorted(acts, key=lambda act: act.t_ns)
    others: list[Record] = [Tick(n * S, n) for n in range(11)]
    records = sorted([*others, *acts], key=lambda record: record.t_ns)
    amendments = [
        Amendment(number, Reading("x", "", "", 3.0) if keep else None, Reading("y", "", "", 2.0), id_)
        for number, id_, keep in changes
    ]
    found = list(amended(records, amendments))
    assert [record for record in found if isinstance(record, Tick)] == others
    touched = {number for number, _, _ in changes}
    kept = [act for number, act in enumerate(acts, 1) if number not in touched]
    assert [record for record in found if isinstance(record, Act) and record.act != "x"] == kept
    times = [record.t_ns for record in found]
    assert times == sorted(times)


# -- what can't be of this session


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["add", "W", "gaer", "50x17", "--at", "12"], "Did you mean gear?"),
        (["add", "W", "mark", "--at", "12", "--instrument", "hubb"], "Did you mean hub?"),
        (["add", "W", "mark", "--at", "12", "--instrument", "zzz"], "Its instruments are hub"),
        (["add", "W", "mark", "--at", "1:01"], "from 0:00 to 1:00"),
        (["add", "W", "mark", "--at", "42:10"], "42:10 lies outside it"),
        (["add", "W", "mark", "--at=-3"], "lies outside it"),
        (["add", "W", "note", "  ", "--at", "12"], "note needs a text"),
        (["edit", "W", "1", "--text", ""], "segment needs a text"),
        (["edit", "W", "2", "--act", "zeroedd"], "Did you mean zeroed?"),
        (["edit", "W", "2", "--at", "1:75"], "42:10, 1:02:03, or seconds"),
        (["edit", "W", "2", "--at", "nan"], "42:10, 1:02:03, or seconds"),
    ],
)
def test_an_act_that_cannot_be_is_refused(
    session: Path, capsys: pytest.CaptureFixture[str], arguments: list[str], words: str
) -> None:
    assert main(["acts", *(str(session) if each == "W" else each for each in arguments)]) == 2
    assert words in " ".join(capsys.readouterr().err.split())
    assert not (session / AMENDMENTS).exists()


def test_times_as_the_tables_show_them(session: Path) -> None:
    for at in ("0:42", "42", "0:00:42", "00:42.0"):
        assert main(["acts", "add", str(session), "mark", "--at", at]) == 0
    assert [time for time, act, *_ in acts_of(session) if act == "mark"] == [42.0] * 4


def test_another_name_keeps_what_was_planned(tmp_path: Path) -> None:
    session = short_session(tmp_path, seed=3, seconds=20)
    before = spans_of(run_session(session)[0])
    listed = list_acts(session)
    key = next(one.key for one in listed if one.was is not None and one.was.text == "steady 220")
    edit_act(session, key, UTC, text="hill")
    after = spans_of(run_session(session)[0])
    assert [span.name for span in after] == ["steady 180", "hill"]
    assert [span.target_w for span in after] == [180.0, 220.0]
    assert [span.settle_s for span in after] == [5.0, 5.0]
    assert [replace(span, name="") for span in after] == [replace(span, name="") for span in before]


@pytest.mark.parametrize(
    ("t_s", "shown"),
    [(0.0, "0:00.0"), (59.96, "1:00.0"), (104.25, "1:44.2"), (3599.94, "59:59.9"), (3845.3, "1:04:05.3")],
)
def test_what_a_list_of_acts_shows_can_be_given_as_a_time(t_s: float, shown: str) -> None:
    assert moment(t_s) == shown
    assert _session_time(float, [Token(value=shown)]) == pytest.approx(t_s, abs=0.051)
