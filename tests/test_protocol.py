"""Protocol files: repeats, exactly one way to set the load, and the two that come with the program."""

from contextlib import suppress
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.setup.protocol import load_protocol, parse_protocol
from monitor.setup.toml_check import BenchError

PROTOCOLS = Path(__file__).parent.parent / "fixtures" / "protocols"

GOOD = """\
[[segment]]
name = "steady"
seconds = 120
target_w = 200
repeat = 2

[[segment]]
name = "ramp"
seconds = 60.5
ramp_w = [100, 300]
cadence_rpm = 90
"""


def test_repeats_are_unrolled_in_order() -> None:
    protocol = parse_protocol(GOOD)
    assert [segment.name for segment in protocol.segments] == ["steady 1/2", "steady 2/2", "ramp"]
    assert {segment.repeat for segment in protocol.segments} == {1}
    assert protocol.total_s == 300.5
    assert protocol.starts_s == (0.0, 120.0, 240.0)
    assert protocol.segments[2].ramp_w == (100.0, 300.0)
    assert protocol.segments[0].settle_s == 10.0
    assert protocol.text == GOOD


REFUSED = {
    "two loads": ("target_w = 200", "target_w = 200\nsprint = true", 1, "target_w and sprint"),
    "no load": ("target_w = 200\n", "", 1, "exactly one of"),
    "free is not": ("target_w = 200", "free = false", 1, "exactly one of"),
    "key": ("target_w", "target", 4, '"target_w"'),
    "length": ("seconds = 120", "seconds = 0", 3, "1 to 86400"),
    "no length": ("seconds = 120\n", "", 1, '"seconds" is missing'),
    "power": ("= 200", "= 9000", 4, "0 to 3000"),
    "ramp": ("[100, 300]", "[100, -3]", 10, "0 to 3000"),
    "ramp of one": ("[100, 300]", "[100]", 10, "2 numbers"),
    "cadence": ("cadence_rpm = 90", "cadence_rpm = 900", 11, "rpm"),
    "repeat": ("repeat = 2", "repeat = 0", 5, "1 to 200"),
    "repeat and a half": ("repeat = 2", "repeat = 2.5", 5, "whole number"),
    "settling": ("repeat = 2", "settle_s = 120", 5, "leaves nothing"),
    "name": ('"steady"', '""', 2, "1 to 60"),
    "in the bench's words": ("[[segment]]", "[[protocol.segment]]", 1, "[[segment]]"),
    "single table": ("repeat = 2\n\n[[segment]]", "\n[segments]", 6, '"segment"'),
    "not finite": ("= 120", "= inf", 3, "finite"),
}


@pytest.mark.parametrize("case", REFUSED.values(), ids=REFUSED.keys())
def test_refused_with_line_and_remedy(case: tuple[str, str, int, str]) -> None:
    old, new, line, words = case
    assert old in GOOD
    with pytest.raises(BenchError) as caught:
        parse_protocol(GOOD.replace(old, new, 1), "ride.toml")
    assert caught.value.line == line, str(caught.value)
    assert words in str(caught.value)


def test_a_protocol_has_bounds() -> None:
    with pytest.raises(BenchError, match="hours"):
        parse_protocol(GOOD.replace("seconds = 120", "seconds = 80000"))
    with pytest.raises(BenchError, match="more than 1000 segments"):
        parse_protocol(GOOD.replace("repeat = 2", "repeat = 200").replace("120", "1") * 6)
    with pytest.raises(BenchError, match="there is no segment"):
        parse_protocol("")
    with pytest.raises(BenchError, match="there is no segment"):
        parse_protocol("segment = []")


@pytest.mark.parametrize(("name", "minutes"), [("quick-check", 12), ("full-bench", 60)])
def test_ready_protocols(name: str, minutes: int) -> None:
    protocol = load_protocol(PROTOCOLS / f"{name}.toml")
    assert protocol.total_s == minutes * 60
    assert all(segment.why for segment in protocol.segments)
    assert len({segment.name for segment in protocol.segments}) == len(protocol.segments)
    # To tell a zero offset from a scale error the same power must be ridden at two cadences.
    ridden = {(segment.target_w, segment.cadence_rpm) for segment in protocol.segments if segment.target_w}
    cadences = [cadence for power, cadence in ridden if power == 200 and cadence]
    assert max(cadences) > 1.5 * min(cadences)
    assert any(segment.sprint for segment in protocol.segments)
    assert any(segment.free for segment in protocol.segments)


@given(st.text(max_size=200))
def test_no_text_raises_anything_but_bench_error(text: str) -> None:
    with suppress(BenchError):
        parse_protocol(text)
