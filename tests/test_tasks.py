"""What is left before a unit goes back: faults to cure, and the shortest ride that settles what is open."""

from datetime import datetime, timedelta, timezone

import msgspec
import pytest

from monitor.commands.asking.options import time_left
from monitor.finding import Finding
from monitor.report.lines.asked import task_lines
from monitor.report.lines.summary import summary_lines
from monitor.setup.bench import parse_bench
from monitor.setup.toml_check import BenchError
from monitor.study.asked.tasks import shortest, tasks_of
from monitor.study.results import Open, Study
from monitor.study.study import study
from tests.helpers.rides import evening_recording

TORQUES = Open("heron", "its scale and its zero", "hold 200 W ...", "torques")
AGAIN = Open("", "whether the instruments stay as they are", "ride the first block again at the end", "again")
NOTHING = Open("hub", "neither can be called wrong", "add a third instrument")


def more(minutes: int) -> Open:
    return Open("heron", "whether it agrees", f"ride about {minutes} more minutes", "minutes", minutes)


@pytest.fixture(scope="module")
def judged() -> Study:
    return study(evening_recording())


@pytest.mark.parametrize(
    ("open_", "seconds"),
    [
        ([], []),
        ([NOTHING], []),
        ([TORQUES], [120, 120]),
        ([AGAIN], [120]),
        # Four minutes at two torques are four minutes at a steady load, too.
        ([TORQUES, more(4)], [120, 120]),
        ([TORQUES, more(9)], [120, 120, 300]),
        # A block of the first load counts for both questions.
        ([AGAIN, more(5)], [300]),
        ([TORQUES, AGAIN, more(5)], [120, 120, 120]),
        ([more(3), more(7)], [420]),
    ],
)
def test_no_minute_is_ridden_twice(judged: Study, open_: list[Open], seconds: list[int]) -> None:
    blocks = shortest(open_, judged.segments)
    assert [b.seconds for b in blocks] == seconds
    settled = {text for b in blocks for text in b.settles}
    asked = {f"{o.instrument}: {o.question}" if o.instrument else o.question for o in open_ if o.needs}
    assert settled == asked


def test_the_block_again_is_the_first_steady_one(judged: Study) -> None:
    (block,) = shortest([AGAIN], judged.segments)
    assert (block.name, block.target_w) == ("steady 220 again", 220.0)


def test_what_stands_is_to_be_cured_and_what_was_cured_is_not(judged: Study) -> None:
    def finding(event: str, kind: str) -> Finding:
        return Finding(5.0, event, kind, "heron", "right", None, 1.0, 1.0, "%", 4.0, None, "it is off",
                       "zero it", "it is off: zero it")  # type: ignore[arg-type] # fmt: skip

    stands = [finding("raised", "side-off"), finding("raised", "balance-off"), finding("cleared", "side-off")]
    tasks = tasks_of(stands, [NOTHING], judged.segments, "09:00")
    assert [(t.instrument, t.do) for t in tasks.cure] == [("heron", "zero it")]
    assert [t.instrument for t in tasks.other] == ["hub"]
    assert (tasks.blocks, tasks.seconds, tasks.hand_back) == ([], 0, "09:00")


def test_the_countdown_runs_to_the_next_morning(judged: Study) -> None:
    zone = timezone(timedelta(hours=1))
    began = datetime(2025, 11, 25, 20, 0, tzinfo=zone)
    told = msgspec.structs.replace(
        judged, utc_ns=int(began.timestamp()) * 10**9,
        tasks=tasks_of([], [AGAIN], judged.segments, "09:00"),
    )  # fmt: skip
    assert time_left(told, datetime(2025, 11, 25, 21, 30, tzinfo=zone)) == "in 11:30:00"
    assert time_left(told, datetime(2025, 11, 26, 8, 59, tzinfo=zone)) == "in 1:00"
    assert time_left(told, datetime(2025, 11, 26, 9, 1, tzinfo=zone)) == "which is over"
    assert time_left(judged) == ""
    assert task_lines(told, "in 1:00")[0] == "TO DO BEFORE HAND-BACK AT 09:00, in 1:00"
    assert any("hand-back at 09:00, in 1:00" in line for line in summary_lines(told, None, "in 1:00"))


def test_a_bench_tells_when_the_unit_goes_back() -> None:
    text = evening_recording().bench.text
    assert parse_bench(text.replace("[bench]", '[bench]\nhand_back = "09:00"', 1)).hand_back == "09:00"
    for wrong in ("9 o'clock", "25:00", "9:00"):
        with pytest.raises(BenchError, match="hand_back"):
            parse_bench(text.replace("[bench]", f'[bench]\nhand_back = "{wrong}"', 1))
