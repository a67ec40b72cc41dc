"""The capture log: what it says, and what becomes of lines that are wrong."""

import itertools
import json
import random
import tracemalloc
from collections.abc import Iterable
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from capture.log import LINE_LIMIT, PROBLEM_LIMIT, LogScript, Tally, read_log, to_log
from capture.record import Act, End, Link, Packet, Record, Tick

FIXTURES = Path(__file__).parent.parent / "fixtures" / "logs"
S = 1_000_000_000


def power(t: object, label: object = "hub", hex_: object = "0000FA00") -> str:
    return json.dumps({"t": t, "instrument": label, "ble": "2A63", "hex": hex_})


def read(lines: Iterable[str | bytes], **options: object) -> tuple[list[Record], Tally]:
    tally = Tally()
    return list(read_log(lines, tally=tally, **options)), tally  # type: ignore[arg-type]


def packets(records: Iterable[Record]) -> list[Packet]:
    return [record for record in records if isinstance(record, Packet)]


def test_lines_become_records():
    records, tally = read(
        [
            '{"t": 0.25, "instrument": "hub", "ble": "2a63", "hex": "0000FA00"}',
            '{"t": 0.5, "instrument": "crank", "ant": 11, "hex": "10 01 FF 5A FA 00 FA 00"}',
            '{"t": 1.0, "act": "segment", "text": "steady"}',
            '{"t": 2.75, "act": "saddle-raised", "instrument": "hub"}',
        ]
    )
    assert records == [
        Tick(0, 0),
        Link(S // 4, "hub", "up", "log"),
        Packet(S // 4, "hub", "2A63", bytes.fromhex("0000fa00")),
        Link(S // 2, "crank", "up", "log"),
        Packet(S // 2, "crank", "ant11", bytes.fromhex("1001ff5afa00fa00")),
        Tick(S, S),
        Act(S, "segment", "steady"),
        Tick(2 * S, 2 * S),
        Act(2 * S + 3 * S // 4, "saddle-raised", "", "hub"),
        End(2 * S + 3 * S // 4, "end of the log"),
    ]
    assert tally.problem_count == 0
    assert tally.labels_seen == {"hub": 1, "crank": 1}


def test_silence_is_written_down():
    records, _ = read([power(0), power(7.5)])
    assert [record.t_ns // S for record in records if isinstance(record, Tick)] == list(range(8))


@pytest.mark.parametrize(
    ("first", "begins_s"),
    [(0, 0.0), (12.5, 12.5), (999_999.0, 999_999.0), (1e6, 0.0), (-3.0, 0.0), (1_790_000_000.25, 0.0)],
)
def test_beginning_is_kept_or_subtracted(first: float, begins_s: float):
    records, tally = read([power(first), power(first + 1.5)])
    assert [packet.t_ns for packet in packets(records)] == [int(begins_s * S), int((begins_s + 1.5) * S)]
    assert tally.problem_count == 0


def test_seconds_since_1970_give_wall_time():
    records, _ = read([power(1_790_000_000.25), power(1_790_000_001.5)])
    ticks = [record for record in records if isinstance(record, Tick)]
    assert ticks == [Tick(0, 1_790_000_000_250_000_000), Tick(S, 1_790_000_001_250_000_000)]


BAD_LINES = {
    "not JSON": (b"{", "not JSON"),
    "not UTF-8": (b'{"t": 1, "act": "\xff"}', "not JSON"),
    "no object": (b"[1, 2]", "array"),
    "deep": (b'{"t": 1, "act": "mark", "more": ' + b"[" * 30_000, "not JSON"),
    "no t": (b'{"instrument": "hub", "ble": "2A63", "hex": ""}', "`t`"),
    "t is text": (power("1").encode(), "`t`"),
    "t is true": (power(True).encode(), "`t`"),
    "t is NaN": (b'{"t": NaN, "act": "mark"}', "not JSON"),
    "t is infinite": (b'{"t": 1e999, "act": "mark"}', ""),
    "t is huge": (b'{"t": 1' + b"0" * 400 + b', "act": "mark"}', ""),
    "no kind": (b'{"t": 1, "instrument": "hub", "hex": "00"}', "exactly one"),
    "two kinds": (b'{"t": 1, "instrument": "hub", "ble": "2A63", "ant": 11, "hex": "00"}', "ble and ant"),
    "no instrument": (b'{"t": 1, "ble": "2A63", "hex": "00"}', "no instrument"),
    "instrument is a number": (power(1, 7).encode(), "instrument"),
    "instrument is too long": (power(1, "x" * 65).encode(), "label"),
    "instrument clears the screen": (power(1, "\x1b[2J").encode(), "label"),
    "no hex": (b'{"t": 1, "instrument": "hub", "ble": "2A63"}', "no hex"),
    "odd hex": (power(1, hex_="0").encode(), "hex digits"),
    "bad hex": (power(1, hex_="0G").encode(), "hex digits"),
    "hex is a number": (power(1, hex_=12).encode(), "hex"),
    "value too long": (power(1, hex_="00" * 513).encode(), "513 octets"),
    "characteristic too long": (
        b'{"t": 1, "instrument": "hub", "ble": "02A63", "hex": ""}',
        "four hex digits",
    ),
    "characteristic no hex": (b'{"t": 1, "instrument": "hub", "ble": "2A6X", "hex": ""}', "four hex digits"),
    "device type": (b'{"t": 1, "instrument": "hub", "ant": 0, "hex": "0000000000000000"}', "device type"),
    "ANT too short": (b'{"t": 1, "instrument": "hub", "ant": 11, "hex": "00000000000000"}', "7 octets"),
    "ANT too long": (b'{"t": 1, "instrument": "hub", "ant": 11, "hex": "000000000000000000"}', "9 octets"),
    "act is empty": (b'{"t": 1, "act": ""}', "act"),
    "act is a number": (b'{"t": 1, "act": 1}', "act"),
    "text is a number": (b'{"t": 1, "act": "note", "text": 1}', "text"),
    "over-long": (power(1, hex_="00" * LINE_LIMIT).encode(), "longer than"),
}


@pytest.mark.parametrize("name", BAD_LINES)
def test_bad_line_is_counted_and_named(name: str):
    line, word = BAD_LINES[name]
    records, tally = read([power(0), line, power(2)])
    assert [packet.t_ns for packet in packets(records)] == [0, 2 * S]
    assert [problem.line for problem in tally.problems] == [2]
    assert tally.problem_count == 1
    assert word in str(tally.problems[0])
    assert str(tally.problems[0]).startswith("line 2: ")


def test_empty_lines_and_byte_order_mark_are_no_problem():
    records, tally = read([b"\xef\xbb\xbf" + power(0).encode() + b"\r\n", "", "  \n", power(1) + "\n"])
    assert len(packets(records)) == 2
    assert tally.problem_count == 0


def test_empty_log_is_a_session_without_anything():
    assert read([])[0] == [End(0, "end of the log")]


def test_slightly_out_of_order_is_clamped():
    records, tally = read([power(1), power(3), power(2.5), power(3.5)])
    assert [packet.t_ns for packet in packets(records)] == [S, 3 * S, 3 * S, 7 * S // 2]
    assert [str(problem) for problem in tally.problems] == [
        "line 3: t goes back by 0.500 s; the time of the line before is taken"
    ]


@pytest.mark.parametrize("wild", [-50.0, 1e5, 1e300])
def test_single_jump_is_left_out(wild: float):
    records, tally = read([power(100), power(101), power(101 + wild), power(102)])
    assert [packet.t_ns // S for packet in packets(records)] == [100, 101, 102]
    assert [problem.line for problem in tally.problems] == [3]
    assert "jumps" in tally.problems[0].text


@pytest.mark.parametrize("step", [-1000.0, 500_000.0])
def test_clock_that_was_set_loses_nothing(step: float):
    times = [1000 + k / 4 for k in range(20)]
    lines = [power(t) for t in times] + [power(t + step) for t in times]
    records, tally = read(lines)
    at_s = [packet.t_ns / S for packet in packets(records)]
    assert at_s == times + [times[-1] + k / 4 for k in range(20)]
    assert tally.problem_count == 1
    assert tally.problems[0].line == 21
    assert "stays there" in tally.problems[0].text


def test_jump_in_the_last_lines_is_named():
    _, tally = read([power(1), power(1e7), power(1e7 + 1)])
    assert [problem.line for problem in tally.problems] == [2, 3]


def test_labels_name_the_instruments_of_the_session():
    lines = [
        power(0, "a"),
        power(1, "b"),
        power(2, "b"),
        '{"t": 3, "act": "zeroed", "instrument": "a"}',
        '{"t": 3, "act": "zeroed", "instrument": "b"}',
        '{"t": 3, "act": "segment", "text": "one", "instrument": "b"}',
    ]
    records, tally = read(lines, labels={"a": "hub"})
    assert packets(records) == [Packet(0, "hub", "2A63", bytes.fromhex("0000FA00"))]
    assert [r for r in records if isinstance(r, Act)] == [
        Act(3 * S, "zeroed", "", "hub"),
        Act(3 * S, "segment", "one"),
    ]
    assert tally.labels_seen == {"a": 1, "b": 2}
    assert tally.skipped == {"b": 3}
    assert tally.problem_count == 0


def test_problems_and_labels_stay_bounded():
    _, tally = read(["?"] * 5000 + [power(k / 100, f"x{k}") for k in range(1000)])
    assert tally.problem_count == 5000
    assert len(tally.problems) == PROBLEM_LIMIT
    assert len(tally.labels_seen) <= 257
    assert sum(tally.labels_seen.values()) == 1000


def test_reads_as_it_goes():
    # An endless log can only be read by a reader that keeps nothing.
    endless = (power(k / 4) for k in itertools.count())
    first = list(itertools.islice(read_log(endless), 1000))
    assert len(packets(first)) > 700


json_values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=4), inner, max_size=3),
    max_leaves=5,
)
keys = st.sampled_from(["t", "instrument", "ble", "ant", "hex", "act", "text"])


@given(
    st.lists(
        st.binary(max_size=40)
        | st.text(max_size=40)
        | st.dictionaries(keys, json_values).map(json.dumps)
        | st.floats(allow_nan=True).map(power),
        max_size=12,
    )
)
def test_no_line_is_fatal_and_time_never_goes_back(lines: list[str | bytes]):
    last = None
    for record in itertools.islice(read_log(lines), 10_000):
        assert last is None or record.t_ns >= last
        last = record.t_ns


def test_script_reads_the_file_anew_each_time(tmp_path: Path):
    path = tmp_path / "evening.jsonl"
    path.write_text("\n".join([power(0), "broken", power(1.5, "other"), ""]))
    script = LogScript(path, {"hub": "reference"})
    first, second = list(script.records()), list(script.records())
    assert first == second
    assert script.problem_count == 1
    assert [problem.line for problem in script.problems] == [2]
    assert script.labels_seen == {"hub": 1, "other": 1}
    assert script.write("reference", "2A66", b"\x0c") == "a log can't be written to"


def test_over_long_lines_of_a_file_are_passed_over(tmp_path: Path):
    path = tmp_path / "evening.jsonl"
    exact = power(1)
    exact += " " * (LINE_LIMIT - len(exact))
    with path.open("w", newline="") as file:
        file.write(power(0) + "\n" + exact + "\n" + "x" * 3 * LINE_LIMIT + "\n" + power(2) + "\n")
        file.write("\0" * 200_000)
    script = LogScript(path)
    assert [packet.t_ns for packet in packets(script.records())] == [0, S, 2 * S]
    assert [problem.line for problem in script.problems] == [3, 5]


def test_an_over_long_line_is_never_held_whole(tmp_path: Path):
    path = tmp_path / "evening.jsonl"
    octets = 64 << 20
    with path.open("wb") as file:
        file.write(power(0).encode() + b"\n")
        file.truncate(octets)
    tracemalloc.start()
    try:
        assert len(packets(LogScript(path).records())) == 1
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert peak < octets / 8


def test_missing_file_is_an_os_error(tmp_path: Path):
    with pytest.raises(FileNotFoundError):
        list(LogScript(tmp_path / "none.jsonl").records())


def test_written_log_comes_back_to_the_nanosecond():
    chance = random.Random(5)
    t_ns, written = 0, []
    for k in range(500):
        t_ns += chance.randrange(10**9)
        if k % 9 == 0:
            written.append(Act(t_ns, "mark", f"„{k}“ \\ \n", chance.choice(["", "hub"])))
        else:
            label, channel = chance.choice([("hub", "2A63"), ("heron", "ant11")])
            written.append(Packet(t_ns, label, channel, chance.randbytes(8)))
    records, tally = read(to_log(written))
    assert [record for record in records if isinstance(record, Packet | Act)] == written
    assert tally.problem_count == 0


def test_fixture_with_every_kind_of_bad_line():
    script = LogScript(FIXTURES / "hostile.jsonl", {"hub": "hub", "crank": "crank"})
    records = list(script.records())
    assert len(packets(records)) == 6
    assert [record.text for record in records if isinstance(record, Act)] == [
        "steady",
        "",
        "out of the saddle",
    ]
    assert [problem.line for problem in script.problems] == [3, 4, 5, 7, 8, 10, 12, 13, 15]
    assert script.tally.skipped == {"heron": 1}
