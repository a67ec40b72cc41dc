"""Asking ANT+ power meters for what explains the stroke that they report.

Bytes of a request: common page 0x46 as public interface documents of ANT+ lay it out, for page 0x02 with the
sub-page in its first descriptor.
"""

from collections.abc import Sequence
from itertools import pairwise

import pytest

from capture.control import stroke_settings_request
from capture.profiles import decode
from capture.record import Link, Packet, Record, Tick, Write
from capture.scene import Scene
from capture.source import Wanted
from monitor.controls.controls import Controls
from monitor.controls.output import Ask
from monitor.controls.stroke_asking import ASK_AFTER_S, ASK_AGAIN_S, ASK_TIMES, StrokeAsker
from monitor.live.pipeline import Pipeline
from monitor.setup.bench import parse_bench

S = 1_000_000_000
BENCH = parse_bench(
    """\
[bench]
reference = "pedals"
[[instrument]]
label = "pedals"
mount = "pedals"
sides = "both"
link = "ant:power:5"
[[instrument]]
label = "heron"
mount = "crank"
link = "bluetooth:AA:BB:CC:DD:EE:FF"
""",
    "the test's bench",
)


def page(hex_octets: str, at_s: float = 1.0, label: str = "pedals") -> Packet:
    return Packet(round(at_s * S), label, "ant11", bytes.fromhex(hex_octets))


RIGHT_ANGLE, POSITION, EFFECTIVENESS = "e0010a501e320002", "e2013f5a0000ffff", "130164643c3cffff"
POWER = "1001ff5a6400c800"


def ticks(first: int, last: int) -> list[Record]:
    return [Tick(n * S, 0) for n in range(first, last)]


def asked(asker: StrokeAsker, *records: Record) -> list[tuple[int, str]]:
    """When, and the bytes of what is asked; what is asked goes out."""
    found = []
    for record in records:
        for label, request in asker.take(record, lambda _: {}):
            assert (label, request.channel) == ("pedals", "ant11")
            found.append((record.t_ns // S, request.data.hex()))
            assert asker.take(Write(record.t_ns, label, request.channel, request.data), lambda _: {}) == []
    return found


def test_the_bytes_of_a_request_are_those_published() -> None:
    assert stroke_settings_request("ant:power:5", 0x02).data.hex() == "46ffff02ff040201"
    assert stroke_settings_request("ant:power:5", 0xFE).data.hex() == "46fffffeff040201"
    with pytest.raises(ValueError, match="only ANT"):
        stroke_settings_request("bluetooth:AA:BB:CC:DD:EE:FF", 0x02)


def test_who_tells_phases_is_asked_for_their_threshold_and_what_it_can_do_and_no_more() -> None:
    found = asked(StrokeAsker(BENCH), page(RIGHT_ANGLE), *ticks(2, 90))
    requests = ["46ffff02ff040201", "46fffffdff040201", "46fffffeff040201"]
    assert [data for _, data in found] == requests * ASK_TIMES
    assert found[0][0] == 1 + ASK_AFTER_S
    assert all(b - a >= ASK_AGAIN_S for (a, _), (b, _) in pairwise(found))


def test_who_tells_a_position_is_asked_for_its_offset() -> None:
    found = asked(StrokeAsker(BENCH), page(POSITION), *ticks(2, 90))
    assert {data[6:8] for _, data in found} == {"04", "fd", "fe"}
    found = asked(StrokeAsker(BENCH), page(EFFECTIVENESS), *ticks(2, 90))
    assert {data[6:8] for _, data in found} == {"fd", "fe"}


def test_an_answer_ends_the_question() -> None:
    answers = [page("0202ffffffffff64", 8.2), page("02fdffffffffffff", 12.3), page("02feffffffffffff", 16.1)]
    records = sorted([page(RIGHT_ANGLE), *ticks(2, 90), *answers], key=lambda r: r.t_ns)
    assert len(asked(StrokeAsker(BENCH), *records)) == 3


def test_who_tells_nothing_of_the_stroke_is_asked_nothing() -> None:
    assert asked(StrokeAsker(BENCH), page(POWER), *ticks(2, 60)) == []
    other = Packet(S, "heron", "2A64", b"\x00")
    assert asked(StrokeAsker(BENCH), other, *ticks(2, 60)) == []


def test_a_new_link_is_asked_anew() -> None:
    asker = StrokeAsker(BENCH)
    assert len(asked(asker, page(EFFECTIVENESS), *ticks(2, 60))) == 2 * ASK_TIMES
    away: Sequence[Record] = (Link(60 * S, "pedals", "down"), Link(70 * S, "pedals", "up"))
    assert asked(asker, *away, *ticks(71, 80)) == []
    assert len(asked(asker, page(EFFECTIVENESS, 80.0), *ticks(81, 140))) == 2 * ASK_TIMES


def test_who_follows_leaves_it_to_the_screen_that_started() -> None:
    follower = StrokeAsker(BENCH, late_s=10.0)
    records: list[Record] = [page(EFFECTIVENESS)]
    for n in range(2, 60):
        records.append(Tick(n * S, 0))
        if n in (7, 11, 15, 19):
            subpage = (0xFD, 0xFE)[n // 4 % 2]
            request = stroke_settings_request("ant:power:5", subpage)
            records.append(Write(n * S, "pedals", request.channel, request.data))
    assert asked(follower, *records) == []


def test_controls_pass_the_questions_on() -> None:
    pipeline = Pipeline(BENCH)
    controls = Controls(BENCH, pipeline, asks=True)
    for record in (Link(0, "pedals", "up"), page(RIGHT_ANGLE), *ticks(2, 12)):
        pipeline.feed(record)
        controls.take(record)
    requests = [each.request.data.hex() for each in controls.out if isinstance(each, Ask)]
    assert "46ffff02ff040201" in requests


def test_an_answer_of_a_scene_is_read() -> None:
    table = {"instrument": {"pedals": {"kind": "pedals", "radio": "ant", "stroke_pages": True}}}
    segments = [{"name": "r", "seconds": 20, "target_w": 200}]
    scene = Scene(table, [Wanted("pedals", "scene:pedals")], segments)
    answers = []
    for record in scene.records():
        if isinstance(record, Tick) and record.t_ns == 10 * S:
            request = stroke_settings_request("scene:pedals", 0x02, heard=("ant11",))
            assert scene.write("pedals", request.channel, request.data) == "sent"
        if isinstance(record, Packet) and record.data[:2] == b"\x02\x02":
            answers.append(decode(record.channel, record.data))
    assert [a.facts for a in answers] == [{"power_phase_peak_threshold_percent": 50.0}] * 4
    # Not reported, and what can't be.
    assert [decode("ant11", bytes.fromhex(f"0202ffffffffff{x}")).facts for x in ("ff", "c9")] == [None, None]
