"""Zero offset and crank length from the keyboard, over both radios, with every way to fail.

Octets: Bluetooth SIG, Cycling Power Service 1.1 (control point 0x2A66, as in the GATT Specification
Supplement); ANT+ page 0x01 and page 0x02 as in the public SDK reference and open decoders.
"""

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from capture.control import att_words
from capture.record import Act, Link, Packet, Record, Tick, Write
from capture.scene import Scene
from capture.source import Wanted
from monitor.controls.zeroing import ANT_S, BLUETOOTH_S, SETTING_S, Asking, NotNowError, Outcome, Unit, Wish
from monitor.finding import Finding
from monitor.live.pipeline import Pipeline
from monitor.live.zeros import Zero, Zeros, history_text, jump, read_history, zero_unit
from monitor.setup.bench import parse_bench

S = 1_000_000_000
BLE = Unit("crank", "bluetooth:AA:BB:CC:DD:EE:FF", "cycling-power", ("2A63",), context="torque")
ENHANCED = BLE._replace(enhanced=True)
ANT = Unit("pedals", "ant:power:5", None, ("ant11",))
ZERO = Wish("zero", "crank")


def at(t_s: float) -> int:
    return round(t_s * S)


def asked(unit: Unit, wish: Wish = ZERO, t_s: float = 10.0) -> Asking:
    asking = Asking(wish._replace(label=unit.label), unit)
    asking.confirm(t_s, 0.0)
    return asking


def take(asking: Asking, *records: Record, cadence_rpm: float | None = 0.0) -> Outcome | None:
    outcomes = [asking.take(record, cadence_rpm)[0] for record in records]
    return next((outcome for outcome in outcomes if outcome is not None), None)


def packet(unit: Unit, hex_: str, t_s: float = 11.0) -> Packet:
    channel = "2A66" if unit.link.startswith("bluetooth") else "ant11"
    return Packet(at(t_s), unit.label, channel, bytes.fromhex(hex_))


# -- what is sent


def test_a_prompt_comes_first_and_a_turning_crank_is_refused() -> None:
    asking = Asking(ZERO, BLE)
    assert "unload the pedals, crank still" in asking.words(0.0)
    with pytest.raises(NotNowError, match=r"turns \(62 rpm\): stop and unload"):
        asking.confirm(10.0, 62.0)
    assert asking.stage == "prompt"
    assert asking.confirm(11.0, 0.0) == ("2A66", b"\x0c")
    assert "waiting for its answer (30 s)" in asking.words(11.0)


@pytest.mark.parametrize(("unit", "request_hex"), [(BLE, "0c"), (ENHANCED, "10"), (ANT, "01aaffffffffffff")])
def test_the_octets_of_a_zero_offset(unit: Unit, request_hex: str) -> None:
    assert Asking(ZERO._replace(label=unit.label), unit).confirm(0.0, None).data.hex() == request_hex


def test_what_has_no_zero_offset_says_so() -> None:
    with pytest.raises(NotNowError, match="spin-down"):
        Asking(ZERO, Unit("hub", "bluetooth:AA:BB:CC:DD:EE:FF", "fitness-machine"))
    with pytest.raises(NotNowError, match="takes no requests"):
        Asking(ZERO, Unit("cadence", "ant:cadence:5", None))


# -- every answer in words


@pytest.mark.parametrize(
    ("unit", "hex_", "done", "says"),
    [
        (BLE, "200c013101", True, "305 (9.53 N·m)"),
        (BLE._replace(context="force"), "200c01f4ff", True, "-12 (-12.00 N)"),
        (BLE._replace(context=None), "200c013101", True, "305"),
        (BLE, "200c01ffff", True, "its value is not told"),
        (BLE, "200c02", False, "op code not supported"),
        (BLE, "200c03", False, "invalid operand; crank still and unloaded, try again"),
        (BLE, "200c04", False, "operation failed; crank still and unloaded, try again"),
        (BLE, "200c01", False, "can't be read"),
        (ENHANCED, "2010013101ff0000", True, "305 (9.53 N·m)"),
        (ENHANCED, "20100401", False, "incorrect calibration position"),
        (ENHANCED, "201004ffff00abcd", False, "manufacturer error (maker 255: abcd)"),
        (ANT, "01ac01ffffff3101", True, "305, auto-zero on"),
        (ANT, "01acffffffff3101", True, "305, auto-zero not supported"),
        (ANT, "01afffffffff0000", False, "is the crank at rest and unloaded?"),
    ],
)
def test_answers(unit: Unit, hex_: str, done: bool, says: str) -> None:
    outcome = take(asked(unit), packet(unit, hex_))
    assert outcome is not None
    assert (outcome.done, outcome.label) == (done, unit.label)
    assert outcome.act == ("zeroed" if done else "zero-failed")
    assert says in outcome.text
    assert says in outcome.words


def test_an_instrument_without_the_enhanced_form_is_asked_in_the_plain_one() -> None:
    asking = asked(ENHANCED)
    outcome, requests = asking.take(packet(BLE, "201002"), 0.0)
    assert outcome is None
    assert [request.data for request in requests] == [b"\x0c"]
    outcome = take(asking, packet(BLE, "200c013101"))
    assert outcome is not None
    assert outcome.done


@pytest.mark.parametrize(("unit", "limit_s"), [(BLE, BLUETOOTH_S), (ANT, ANT_S)])
def test_no_answer(unit: Unit, limit_s: float) -> None:
    asking = asked(unit)
    sent = Write(at(10.1), unit.label, *asking._request)
    assert take(asking, sent, *(Tick(at(11.0 + n), 0) for n in range(round(limit_s) - 1))) is None
    outcome = take(asking, Tick(at(10.0 + limit_s), 0))
    assert outcome is not None
    assert not outcome.done
    assert f"no answer in {limit_s:.0f} s: wake it" in outcome.words


@pytest.mark.parametrize("code", [0x80, 0x81, 0xFD, 0xFE, 0x05, 0x0F])
def test_what_the_radio_refuses_is_said(code: int) -> None:
    words = att_words(code, control_point=True)
    outcome = take(asked(BLE), Write(at(10.2), "crank", "2A66", b"\x0c", words))
    assert outcome is not None
    assert outcome.text == f"refused: {words}"


def test_a_message_that_was_not_confirmed_is_said() -> None:
    refusal = "not confirmed: no answer from pedals in 5 tries"
    outcome = take(asked(ANT), Write(at(10.2), "pedals", *asked(ANT)._request, refusal))
    assert outcome is not None
    assert refusal in outcome.words


def test_a_link_that_breaks_meanwhile_ends_it() -> None:
    outcome = take(asked(BLE), Link(at(12), "other", "down"), Link(at(13), "crank", "down", "out of range"))
    assert outcome is not None
    assert "out of range" in outcome.text


def test_what_is_not_the_answer_is_passed_by() -> None:
    asking = asked(ANT)
    assert take(
        asking,
        packet(ANT, "10ffffffffffffff"),
        packet(ANT, "0201ffff7d0200ff"),
        packet(ANT, "011203ffffffffff"),
        Packet(at(11), "other", "ant11", bytes.fromhex("01ac01ffffff3101")),
    ) is None  # fmt: skip
    assert asking.stage == "asked"


def test_a_crank_that_turned_meanwhile_is_told() -> None:
    asking = asked(BLE)
    assert take(asking, Tick(at(10.5), 0), cadence_rpm=40.0) is None
    outcome = take(asking, packet(BLE, "200c013101"))
    assert outcome is not None
    assert "the crank turned meanwhile" in outcome.text


# -- crank length


def test_a_crank_length_is_read() -> None:
    outcome = take(asked(BLE, Wish("crank-length", "")), packet(BLE, "2005015901"))
    assert outcome is not None
    assert (outcome.act, outcome.text) == ("crank-length", "172.5 mm")
    outcome = take(asked(ANT, Wish("crank-length", "")), packet(ANT, "0201ffff7d0200ff"))
    assert outcome is not None
    assert outcome.text == "172.5 mm"


def test_a_crank_length_is_set_and_read_back_over_bluetooth() -> None:
    asking = Asking(Wish("set-crank-length", "crank", 170.0), BLE)
    assert asking.confirm(10.0, 90.0).data.hex() == "045401"  # 340 half millimetres
    outcome, requests = asking.take(packet(BLE, "200401"), 90.0)
    assert outcome is None
    assert [request.data for request in requests] == [b"\x05"]
    outcome = take(asking, packet(BLE, "2005015401"))
    assert outcome is not None
    assert (outcome.act, outcome.text, outcome.done) == ("crank-length-set", "170 mm", True)


def test_a_crank_length_that_does_not_stick_is_said() -> None:
    asking = asked(BLE, Wish("set-crank-length", "", 170.0))
    asking.take(packet(BLE, "200401"), 0.0)
    outcome = take(asking, packet(BLE, "2005015901"))
    assert outcome is not None
    assert "it says 172.5 mm, 170 mm was set" in outcome.words


def test_a_crank_length_is_set_and_read_back_over_ant() -> None:
    asking = asked(ANT, Wish("set-crank-length", "", 170.0))
    assert asking._request.data.hex() == "0201ffff780000ff"
    _, requests = asking.take(Write(at(10.3), "pedals", *asking._request), 0.0)
    assert [request.data.hex() for request in requests] == ["46ffff01ff040201"]
    # A page that it sent before it took the new length.
    assert take(asking, packet(ANT, "0201ffff7d0200ff")) is None
    outcome = take(asking, packet(ANT, "0201ffff780200ff"))
    assert outcome is not None
    assert outcome.done
    late = asked(ANT, Wish("set-crank-length", "", 170.0))
    late.take(Write(at(10.3), "pedals", *late._request), 0.0)
    outcome = take(late, packet(ANT, "0201ffff7d0200ff", 10.3 + SETTING_S - 1))
    assert outcome is not None
    assert "it says 172.5 mm" in outcome.text


def test_an_impossible_length_is_refused() -> None:
    with pytest.raises(NotNowError, match="only 110 to 236"):
        Asking(Wish("set-crank-length", "pedals", 90.0), ANT)
    with pytest.raises(NotNowError, match=r"steps of 0\.5 mm"):
        Asking(Wish("set-crank-length", "crank", 172.3), BLE)


# -- with the virtual instruments of a scene


@pytest.mark.parametrize("radio", ["bluetooth", "ant"])
@pytest.mark.parametrize(("zero", "act"), [("success", "zeroed"), ("failure", "zero-failed")])
def test_a_virtual_instrument_is_zeroed(radio: str, zero: str, act: str) -> None:
    segments: list[dict[str, Any]] = [{"name": "rest", "seconds": 30, "coast": True}]
    table = {"seed": 1, "instrument": {"crank": {"kind": "crank", "radio": radio, "zero": zero}}}
    scene = Scene(table, [Wanted("crank", "scene:crank")], segments)
    asking: Asking | None = None
    heard: dict[str, None] = {}
    outcome = None
    for record in scene.records():
        if isinstance(record, Packet):
            heard.setdefault(record.channel)
        if asking is None and record.t_ns > 5 * S:
            asking = Asking(ZERO, Unit("crank", "scene:crank", None, tuple(heard)))
            request = asking.confirm(5.0, 0.0)
            assert scene.write("crank", request.channel, request.data) == "sent"
        if asking is not None and outcome is None:
            outcome, _ = asking.take(record, 0.0)
    assert outcome is not None
    assert outcome.act == act


# -- what is a jump


def test_a_zero_that_moves_is_a_jump_and_a_small_step_is_none() -> None:
    zeros = Zeros()
    for n, raw in enumerate((300.0, 305.0, 310.0)):
        assert zeros.take(100.0 * n, Zero(raw, "N·m"))
        assert zeros.jump is None
    # 0.5 N·m are 16 of 32nds: 321.5 - 305 is just above, and at 20 N·m of mean torque 2.5 %.
    assert zeros.take(400.0, Zero(322.0, "N·m"))
    assert zeros.jump is not None
    assert zeros.jump.delta == pytest.approx(17 / 32)
    assert (zeros.jump.limit, zeros.jump.unit) == (0.5, "N·m")
    assert zeros.before_words() == "before: this session 300, 305, 310"


def test_the_same_answer_told_again_is_one_zero() -> None:
    zeros = Zeros()
    assert zeros.take(10.0, Zero(300.0, "raw"))
    assert not zeros.take(10.3, Zero(300.0, "raw"))
    assert zeros.take(60.0, Zero(300.0, "raw"))
    assert len(zeros.here) == 2


def test_earlier_sessions_count() -> None:
    zeros = Zeros()
    zeros.take_history("300 on 2026-11-20; 302 on 2026-11-21; nonsense; 5 on then; nan on 2026-11-22")
    assert zeros.earlier == [("2026-11-20", 300.0), ("2026-11-21", 302.0)]
    zeros.take(10.0, Zero(400.0, "raw"))
    assert zeros.jump is not None
    assert zeros.jump.usual == 301.0
    assert zeros.before_words() == "before: 300 on 2026-11-20, 302 on 2026-11-21"


def test_a_unit_that_always_scatters_is_given_its_scatter() -> None:
    scattered = [0.0, 40.0, 80.0, 120.0, 160.0]
    # Median 80, median absolute deviation 40: four times 1.4826 x 40 is 237.
    assert jump(scattered, Zero(300.0, "raw")) is None
    assert jump(scattered, Zero(330.0, "raw")) is not None
    assert jump(scattered[:3], Zero(100.0, "raw")) is not None  # three tell no scatter yet


def test_no_zero_before_is_no_jump_and_units_do_not_mix() -> None:
    assert jump([], Zero(1e6, "raw")) is None
    zeros = Zeros()
    zeros.take(1.0, Zero(10.0, "N"))
    zeros.take(50.0, Zero(3200.0, "N·m"))
    assert zeros.jump is None


@pytest.mark.parametrize(
    ("channel", "context", "unit"),
    [("2A66", "torque", "N·m"), ("2A66", "force", "N"), ("2A66", None, "raw"), ("ant11", "torque", "raw")],
)
def test_units(channel: str, context: str | None, unit: str) -> None:
    assert zero_unit(channel, context) == unit


@given(st.lists(st.tuples(st.dates().map(lambda day: day.isoformat()), st.integers(-32768, 32767))))
def test_history_goes_there_and_back(zeros: list[tuple[str, int]]) -> None:
    assert read_history(history_text(zeros)) == [(date, float(raw)) for date, raw in zeros]


@given(st.text(max_size=80))
def test_any_history_text_is_survived(text: str) -> None:
    Zeros().take_history(text)


@given(st.binary(max_size=20), st.sampled_from([BLE, ENHANCED, ANT]))
def test_any_octets_are_survived(data: bytes, unit: Unit) -> None:
    asking = asked(unit)
    for channel in ("2A66", "ant11"):
        asking.take(Packet(at(11), unit.label, channel, data), 0.0)
    asking.words(11.0)


# -- in the pipeline: a jump is a finding, live and replayed

BENCH = """\
[bench]
reference = "crank"
[[instrument]]
label = "crank"
link = "bluetooth:AA:BB:CC:DD:EE:FF"
[[instrument]]
label = "pedals"
link = "ant:power:5"
"""


def judged(*records: Record) -> list[Finding]:
    pipeline = Pipeline(parse_bench(BENCH))
    findings: list[Finding] = []
    last = records[-1].t_ns
    ticks = [Tick(n * S, n * S) for n in range(last // S + 5)]
    for record in sorted([*records, *ticks], key=lambda each: each.t_ns):
        findings += pipeline.feed(record)
    return [finding for finding in findings if finding.kind == "zero-jumped"]


def test_a_jump_is_a_finding_and_a_zero_like_those_before_ends_it() -> None:
    feature = Packet(0, "crank", "2A65", (1 << 16 | 1 << 9).to_bytes(4, "little"))
    zeros = [packet(BLE, f"200c01{raw.to_bytes(2, 'little').hex()}", t_s)
             for t_s, raw in ((10, 300), (60, 304), (120, 340), (180, 303))]  # fmt: skip
    raised, cleared = judged(feature, *zeros)
    assert (raised.event, raised.instrument, raised.unit) == ("raised", "crank", "N·m")
    assert raised.value == pytest.approx((340 - 302) / 32, abs=1e-3)
    assert raised.limit == 0.5
    assert 120 <= raised.t_s <= 122
    assert "zero it again" in raised.advice.lower()
    assert cleared.event == "cleared"
    assert 180 <= cleared.t_s <= 182


def test_a_force_is_told_as_a_torque_and_a_raw_value_as_a_share() -> None:
    force = Packet(0, "crank", "2A65", (1 << 9).to_bytes(4, "little"))
    raised, *_ = judged(force, packet(BLE, "200c016400", 10), packet(BLE, "200c016e00", 60))
    # 10 N at the common 172.5 mm.
    assert (raised.unit, raised.value) == ("N·m", pytest.approx(1.725))
    raised, *_ = judged(packet(ANT, "01acffffffff6400", 10), packet(ANT, "01acffffffff8c00", 60))
    assert (raised.unit, raised.value, raised.limit) == ("%", pytest.approx(40.0), pytest.approx(16.0))


def test_the_zeros_of_earlier_sessions_are_compared_with() -> None:
    history = Act(at(5), "zero-history", "300 on 2026-11-20; 303 on 2026-11-21", "pedals")
    assert judged(history, packet(ANT, "01acffffffff2d01", 10)) == []
    (raised,) = judged(history, packet(ANT, "01acffffffff9001", 10))
    assert raised.instrument == "pedals"
    assert judged(packet(ANT, "01acffffffff9001", 10)) == []


def test_the_same_zero_twice_over_bluetooth_is_two_zeros() -> None:
    bluetooth, ant = Zeros(), Zeros()
    told = [(t_s, zeros.take(t_s, Zero(305.0, unit))) for zeros, unit in ((bluetooth, "N·m"), (ant, "raw"))
            for t_s in (10.0, 10.25, 12.2, 15.0)]  # fmt: skip
    assert [new for _, new in told[:4]] == [True] * 4
    assert [new for _, new in told[4:]] == [True, False, False, True]


@pytest.mark.parametrize(
    ("page", "done", "text"),
    [
        # Identifier 0xAC, then the status: 0 off, 1 on, 0xFF not supported (openant 1.3.4 names the octets).
        ("01ac01ffffff3101", True, "on"),
        ("01ac00ffffff3101", False, "it says: auto-zero off"),
        ("01acffffffff3101", False, "it says: auto-zero not supported"),
        ("01af01ffffffffff", False, "auto-zero is not switched on"),
    ],
)
def test_answers_to_auto_zero(page: str, done: bool, text: str) -> None:
    asking = asked(ANT, Wish("auto-zero", "", on=True))
    assert asking.words(0.0).startswith("switching ")
    outcome = take(asking, packet(ANT, page))
    assert outcome is not None
    assert (outcome.done, outcome.text) == (done, text)
    assert outcome.act == ("auto-zero" if done else "auto-zero-failed")
