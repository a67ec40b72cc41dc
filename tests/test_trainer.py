"""The trainer's state machine: held by the virtual trainer of a scene, over both radios, and torn by chance.

Op codes, results and layouts of the octets in these tests: Fitness Machine Service 1.0, sections 4.10,
4.16 and 4.17 (Bluetooth), and openant 1.3.4 (ANT+ pages 0x31, 0x33, 0x46, 0x47).
"""

import math
from collections.abc import Callable, Iterator
from typing import Any

import pytest
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from capture.control import (
    Request,
    answer_words,
    auto_zero_request,
    capabilities_request,
    command_status_request,
    control_channel,
    grade_request,
    target_power_request,
    trainer_channel,
)
from capture.record import Act, Link, Packet, Record, Tick, Write
from capture.scene import Scene
from capture.source import Wanted
from monitor.controls.trainer import Bequest, Load, Order, RefusedError, Said, Trainer
from monitor.controls.trainer.exchange import ANSWER_S
from monitor.controls.trainer.trainer import SILENT_S
from monitor.setup.bench import BenchError, TrainerRules, parse_bench

S = 1_000_000_000
RULES = TrainerRules(max_w=300.0, safe_w=80.0, ramp_w_per_s=25.0)
MACHINE, ANT = "fitness-machine", None


def watts(order: Order) -> float | None:
    """The power that an order sets, in W; None if it sets none. Written down anew from the layouts."""
    if not isinstance(order, Request):
        return None
    if order.channel == "2AD9" and order.data[0] == 0x05:
        return float(int.from_bytes(order.data[1:3], "little", signed=True))
    if order.channel == "ant17" and order.data[0] == 0x31:
        return int.from_bytes(order.data[6:8], "little") / 4
    return None


def grade(order: Order) -> float | None:
    if isinstance(order, Request) and order.channel == "2AD9" and order.data[0] == 0x11:
        return int.from_bytes(order.data[3:5], "little", signed=True) / 100
    if isinstance(order, Request) and order.channel == "ant17" and order.data[0] == 0x33:
        return int.from_bytes(order.data[5:7], "little") / 100 - 200
    return None


# -- in a scene


class Ride:
    """A trainer machine on the virtual trainer of a scene: `act` does something at a session second."""

    def __init__(self, radio: str, seconds: int = 60, **instrument: Any) -> None:
        scene = {
            "seed": 3,
            "instrument": {"hub": {"kind": "trainer", "radio": radio, "noise_percent": 0.0, **instrument}},
        }
        segments = [{"name": "ride", "seconds": seconds, "target_w": 150, "cadence_rpm": 90}]
        profile = MACHINE if radio == "bluetooth" else ANT
        self.scene = Scene(scene, [Wanted("hub", "scene:hub", profile)], segments)
        self.trainer = Trainer("hub", "scene:hub", profile, RULES)
        self.orders: list[tuple[float, Order]] = []
        self.records: list[Record] = []
        self.cadence_rpm: float | None = 90.0
        self.power_w: list[tuple[float, float]] = []
        self.deaf = False

    def run(self, plan: dict[float, Callable[[], list[Order] | None]]) -> "Ride":
        left = sorted(plan.items(), key=lambda item: item[0])
        for record in self.scene.records():
            self._take(record)
            while left and record.t_ns >= left[0][0] * S:
                self._do(record.t_ns, left.pop(0)[1]() or [])
        return self

    def _take(self, record: Record) -> None:
        if self.deaf and isinstance(record, Packet) and record.channel in ("2AD9", "ant17"):
            return
        self.records.append(record)
        self._do(record.t_ns, self.trainer.take(record, self.cadence_rpm))

    def _do(self, t_ns: int, orders: list[Order]) -> None:
        for order in orders:
            self.orders.append((t_ns / S, order))
            if isinstance(order, Request):
                outcome = self.scene.write("hub", order.channel, order.data)
                self._take(Write(t_ns, "hub", order.channel, order.data, outcome))

    @property
    def powers(self) -> list[tuple[float, float]]:
        return [(t_s, power) for t_s, order in self.orders if (power := watts(order)) is not None]

    @property
    def said(self) -> list[str]:
        return [order.text for _, order in self.orders if isinstance(order, Said)]

    def holding(self, at_s: float) -> float:
        """What the rider really does at that time, W at the crank."""
        truth = self.scene.truth(at_s + 1.0)
        return sum(truth.work_j(at_s + 1.0)) - sum(truth.work_j(at_s))


@pytest.fixture(params=["bluetooth", "ant"])
def radio(request: pytest.FixtureRequest) -> str:
    return str(request.param)


def test_a_trainer_is_held_at_three_targets(radio: str) -> None:
    ride = Ride(radio, 90)
    trainer = ride.trainer
    ride.run({
        5: lambda: trainer.arm(5.0),
        6: lambda: trainer.want(Load(180.0)),
        25: lambda: trainer.want(Load(120.0)),
        45: lambda: trainer.want(Load(900.0)),
        70: lambda: trainer.fall(70.0, "key x"),
    })  # fmt: skip
    held = [power for _, power in ride.powers]
    assert held[0] == 80.0
    assert {180.0, 120.0, 300.0} <= set(held)
    assert max(held) == 300.0
    assert held[-1] == 80.0
    assert trainer.phase == "off"
    # It is really done: at the crank a little more than the trainer shows.
    for at_s, target_w in ((20, 180), (40, 120), (66, 300), (80, 80)):
        assert ride.holding(at_s) == pytest.approx(target_w, rel=0.12, abs=8)
    steps = [
        (then_s - before_s, then - before)
        for (before_s, before), (then_s, then) in zip(ride.powers, ride.powers[1:], strict=False)
        if then_s < 70
    ]
    assert all(abs(step) <= RULES.ramp_w_per_s for _, step in steps)
    assert all(seconds >= 0.99 for seconds, _ in steps)
    assert ride.said[0].startswith("armed: at most 300 W, safe 80 W")
    assert ride.said[-2:] == ["safe target: key x", "let go at 80 W"]
    # A will was left before the first command, and withdrawn at last.
    kinds = [type(order) for _, order in ride.orders]
    assert kinds.index(Bequest) < kinds.index(Request)
    assert isinstance(ride.orders[-1][1], Bequest)
    assert ride.orders[-1][1].data == ()


def test_the_will_asks_for_control_and_the_safe_target() -> None:
    wills = {}
    for radio in ("bluetooth", "ant"):
        ride = Ride(radio, 20).run({})
        wills[radio] = next(order for order in ride.trainer.arm(20.0) if isinstance(order, Bequest))
    assert wills["bluetooth"] == Bequest("2AD9", (b"\x00", b"\x05\x50\x00"), b"\x80\x05\x01")
    assert wills["ant"] == Bequest("ant17", (bytes.fromhex("31ffffffffff4001"),), b"")


def test_the_range_of_the_trainer_is_kept() -> None:
    ride = Ride("bluetooth", 60, max_target_w=210)
    ride.run({5: lambda: ride.trainer.arm(5.0), 6: lambda: ride.trainer.want(Load(280.0))})
    assert ride.trainer.machine.ceiling_w == 210
    assert max(power for _, power in ride.powers) == 210
    assert ride.trainer.phase == "held"


def test_coarse_steps_are_kept() -> None:
    trainer = armed(step_w=20, low_w=50)
    assert trainer.machine.safe_w == 70.0
    powers = follow(trainer, Load(200.0), 20)
    assert powers == [90.0, 110.0, 130.0, 150.0, 170.0, 190.0]


def test_free_riding_is_a_road_and_sprints_too(radio: str) -> None:
    ride = Ride(radio, 60)
    ride.run({5: lambda: ride.trainer.arm(5.0), 6: lambda: ride.trainer.want(Load(None)),
              40: lambda: ride.trainer.want(Load(150.0))})  # fmt: skip
    roads = [(t_s, road) for t_s, order in ride.orders if (road := grade(order)) is not None]
    assert [road for _, road in roads] == [0.0]
    after = [power for t_s, power in ride.powers if t_s > 40]
    assert after[:3] == [80.0, 105.0, 130.0]
    assert ride.trainer.view().words.startswith("150 W")


def test_a_falling_cadence_eases_the_target(radio: str) -> None:
    ride = Ride(radio, 80)

    def slow(rpm: float) -> None:
        ride.cadence_rpm = rpm

    ride.run({
        5: lambda: ride.trainer.arm(5.0),
        6: lambda: ride.trainer.want(Load(250.0, 90.0)),
        30: lambda: slow(49.0),
        40: lambda: slow(55.0),
        50: lambda: slow(70.0),
    })  # fmt: skip
    eased_s = next(t_s for t_s, power in ride.powers if t_s > 29 and power == 80.0)
    assert 30.9 < eased_s < 32.5
    assert not [power for t_s, power in ride.powers if eased_s < t_s < 51.5]
    assert ride.powers[-1][1] == 250.0
    assert any(text == "eased at 49 rpm" for text in ride.said)


def test_a_planned_low_cadence_is_no_stall() -> None:
    trainer = armed()
    follow(trainer, Load(200.0, 55.0), 20, cadence_rpm=45.0)
    assert not trainer.target.eased
    follow(trainer, Load(200.0, 55.0), 5, cadence_rpm=35.0)
    assert trainer.target.eased


def test_a_lost_link_ends_it_and_the_safe_target_is_the_first_word_afterwards(radio: str) -> None:
    ride = Ride(radio, 70, faults=[{"at": 30.0, "until": 40.0, "fault": "dropout"}])
    ride.run({5: lambda: ride.trainer.arm(5.0), 6: lambda: ride.trainer.want(Load(250.0))})
    lost_s = next(record.t_ns / S for record in ride.records
                  if isinstance(record, Link) and record.state == "down")  # fmt: skip
    later = [power for t_s, power in ride.powers if t_s > lost_s]
    assert set(later) == {80.0}
    assert ride.trainer.phase == "off"
    assert "its link is lost" in ride.trainer.why
    assert ride.holding(60) == pytest.approx(80, abs=12)


# -- a machine played by hand, for what the scene does not do


def records(trainer: Trainer, t_s: float, *found: Record, cadence_rpm: float | None = 90.0) -> list[Order]:
    return [order for record in found for order in trainer.take(record, cadence_rpm)]


def ns(t_s: float) -> int:
    return round(t_s * S)


def linked(
    low_w: int = 0, high_w: int = 800, step_w: int = 1, targets: int = 0x2008, rules: TrainerRules = RULES
) -> Trainer:
    """A fitness machine that is up and told its range; targets: bit 3 power, bit 13 simulation."""
    trainer = Trainer("hub", "bluetooth:AA:BB:CC:DD:EE:FF", MACHINE, rules)
    power_range = b"".join(n.to_bytes(2, "little") for n in (low_w, high_w, step_w))
    records(
        trainer, 0,
        Link(0, "hub", "up"),
        Packet(0, "hub", "2ACC", (0x4002).to_bytes(4, "little") + targets.to_bytes(4, "little")),
        Packet(0, "hub", "2AD8", power_range),
        Packet(0, "hub", "2AD2", bytes.fromhex("4400000000000000")),
    )  # fmt: skip
    return trainer


def answer(op: int, result: int = 1) -> bytes:
    return bytes((0x80, op, result))


def carried_out(trainer: Trainer, orders: list[Order], t_s: float, result: int = 1) -> list[Order]:
    """Every request of the orders is sent and answered at once, and so on; all orders that came of it."""
    done: list[Order] = []
    left = list(orders)
    while left:
        order = left.pop(0)
        done.append(order)
        if isinstance(order, Request):
            t_ns = ns(t_s)
            left += records(trainer, t_s, Write(t_ns, "hub", order.channel, order.data))
            left += records(trainer, t_s, Packet(t_ns, "hub", "2AD9", answer(order.data[0], result)))
    return done


def armed(**told: int) -> Trainer:
    trainer = linked(**told)
    carried_out(trainer, trainer.arm(0.5), 0.5)
    assert trainer.phase == "held"
    return trainer


def follow(
    trainer: Trainer, load: Load | None, seconds: float, begin_s: float | None = None,
    cadence_rpm: float | None = 90.0,
) -> list[float]:  # fmt: skip
    """Four records a second with this load; the powers commanded."""
    trainer.want(load)
    t_s = trainer.t_s if begin_s is None else begin_s
    powers = []
    end_s = t_s + seconds
    while t_s < end_s:
        t_s += 0.25
        bike = Packet(ns(t_s), "hub", "2AD2", bytes.fromhex("4400000000000000"))
        for order in carried_out(trainer, records(trainer, t_s, bike, cadence_rpm=cadence_rpm), t_s):
            if (power := watts(order)) is not None:
                powers.append(power)
    return powers


def test_nothing_is_sent_unarmed() -> None:
    trainer = linked()
    assert follow(trainer, Load(250.0), 30) == []
    assert trainer.fall(31.0, "key x") == []
    assert trainer.view().words == "not armed"


def test_arming_is_refused_with_the_reason() -> None:
    fresh = Trainer("hub", "bluetooth:AA:BB:CC:DD:EE:FF", MACHINE, RULES)
    with pytest.raises(RefusedError, match="not heard"):
        fresh.arm(0.0)
    with pytest.raises(RefusedError, match="not heard"):
        linked().arm(10.0)
    with pytest.raises(RefusedError, match="can't hold a power"):
        linked(targets=0).arm(0.5)
    with pytest.raises(RefusedError, match="can't go below 320 W, the bench allows 300 W"):
        linked(low_w=320).arm(0.5)
    with pytest.raises(RefusedError, match="armed already"):
        armed().arm(1.0)
    with pytest.raises(RefusedError, match="no trainer"):
        Trainer("crank", "ant:power:5", None, RULES).arm(0.0)


def test_control_that_is_refused_arms_nothing() -> None:
    trainer = linked()
    orders = carried_out(trainer, trainer.arm(0.5), 0.5, result=4)
    assert trainer.phase == "off"
    assert not any(watts(order) for order in orders)
    assert "operation failed" in trainer.why


@pytest.mark.parametrize("how", [answer(0x05, 5), b"\xff"])
def test_control_lost_to_another_program_is_shown_and_recovered_on_request(how: bytes) -> None:
    trainer = armed()
    follow(trainer, Load(200.0), 10)
    channel = "2ADA" if how == b"\xff" else "2AD9"
    orders = records(trainer, 11, Packet(ns(11), "hub", channel, how))
    assert not trainer.armed
    # One last try, and the machine refuses it: what it may hold now is said.
    asked = [order for order in orders if isinstance(order, Request)]
    assert [order.data for order in asked] == [b"\x00"]
    records(trainer, 11, Write(ns(11.1), "hub", "2AD9", b"\x00"))
    orders = records(trainer, 11, Packet(ns(11.2), "hub", "2AD9", answer(0x00, 5)))
    assert trainer.phase == "taken"
    assert trainer.view().loud
    assert "TAKEN" in trainer.view().words
    assert "SAFE TARGET NOT CONFIRMED" in trainer.view().words
    (said,) = (order.text for order in orders if isinstance(order, Said))
    assert "not confirmed" in said
    assert "holding 200 W" in said
    assert follow(trainer, Load(200.0), 10) == []
    assert any(isinstance(order, Bequest) and not order.data for order in orders)
    again = carried_out(trainer, trainer.arm(trainer.t_s), trainer.t_s)
    assert [order.data[0] for order in again if isinstance(order, Request)] == [0x00, 0x07, 0x05]
    assert trainer.phase == "held"


def test_control_taken_away_the_safe_target_is_tried_once_and_confirmed() -> None:
    trainer = armed()
    follow(trainer, Load(200.0), 10)
    first = records(trainer, 11, Packet(ns(11), "hub", "2ADA", b"\xff"))
    orders = carried_out(trainer, first, 11.1)
    assert [watts(order) for order in orders if watts(order) is not None] == [80.0]
    assert trainer.phase == "taken"
    assert "confirmed the safe target of 80 W" in trainer.why
    assert "NOT CONFIRMED" not in trainer.view().words
    assert follow(trainer, Load(200.0), 10) == []


def test_control_taken_away_and_no_answer_is_no_endless_quarrel() -> None:
    trainer = armed()
    follow(trainer, Load(200.0), 10)
    orders = records(trainer, 11, Packet(ns(11), "hub", "2ADA", b"\xff"))
    for quarter in range(80):
        t_s = 11.25 + quarter / 4
        orders += records(trainer, t_s, Packet(ns(t_s), "hub", "2AD2", bytes.fromhex("4400000000000000")))
    assert [order.data for order in orders if isinstance(order, Request)] == [b"\x00"]
    assert trainer.phase == "taken"
    assert "not confirmed (no answer), it may go on holding 200 W" in trainer.why


@pytest.mark.parametrize("max_w", [350.6, 350.99, 299.5, 351.0])
def test_fractions_of_a_watt_are_rounded_down(radio: str, max_w: float) -> None:
    """Fitness Machine Service 1.0, section 4.16.2.7: whole watts. What the bench allows is never exceeded."""
    ride = Ride(radio, 40)
    ride.trainer = Trainer(
        "hub", "scene:hub", MACHINE if radio == "bluetooth" else ANT,
        TrainerRules(max_w=max_w, safe_w=80.7, ramp_w_per_s=100.0),
    )  # fmt: skip
    ride.run({5: lambda: ride.trainer.arm(5.0), 6: lambda: ride.trainer.want(Load(max_w + 40.0))})
    powers = [power for _, power in ride.powers]
    assert powers[0] == 80.0
    assert max(powers) == math.floor(max_w)


@pytest.mark.parametrize("power_w", [350.6, 0.9, 199.999, 200.0, 200.25])
def test_no_request_asks_for_more_than_was_meant(power_w: float) -> None:
    for link, profile in (("bluetooth:A", MACHINE), ("ant:trainer:1", ANT)):
        sent_w = watts(target_power_request(link, power_w, profile))
        assert sent_w is not None
        assert power_w - 1.0 < sent_w <= power_w


def test_a_trainer_on_ant_that_obeys_another_is_noticed() -> None:
    ride = Ride("ant", 60)

    def steal() -> None:
        ride.scene.write("hub", "ant17", bytes.fromhex("31ffffffffff") + (700).to_bytes(2, "little"))

    ride.run({5: lambda: ride.trainer.arm(5.0), 6: lambda: ride.trainer.want(Load(120.0)), 20: steal})
    assert ride.trainer.phase == "taken"
    assert max(power for _, power in ride.powers) == 120.0
    assert [power for t_s, power in ride.powers if t_s > 20.0] == [80.0]
    assert "confirmed the safe target" in ride.trainer.why
    assert ride.holding(55.0) == pytest.approx(80.0, abs=5.0)


def test_a_trainer_that_does_not_answer_is_let_go() -> None:
    trainer = armed()
    follow(trainer, Load(200.0), 10)
    powers: list[float] = []
    trainer.want(Load(150.0))
    for quarter in range(200):
        t_s = 12 + quarter / 4
        for order in records(trainer, t_s, Packet(ns(t_s), "hub", "2AD2", bytes.fromhex("4400000000000000"))):
            if isinstance(order, Request):
                records(trainer, t_s, Write(ns(t_s), "hub", order.channel, order.data))
            if (power := watts(order)) is not None:
                powers.append(power)
    assert powers[:3] == [175.0] * 3
    assert set(powers[3:]) == {80.0}
    assert len(powers) > 6  # it is tried on
    assert trainer.phase == "falling"
    assert "does not answer" in trainer.why
    orders = records(trainer, 70, Packet(ns(70), "hub", "2AD9", answer(0x05)))
    assert trainer.phase == "off"
    assert any(isinstance(order, Said) and order.text.startswith("let go") for order in orders)


def test_the_answer_to_the_last_target_is_not_taken_for_that_to_the_safe_one() -> None:
    trainer = armed()
    trainer.want(Load(200.0))
    t_s = 2.0
    orders = records(trainer, t_s, Tick(ns(t_s), 0))
    assert [watts(order) for order in orders] == [105.0]
    records(trainer, t_s, Write(ns(t_s), "hub", "2AD9", orders[0].data))  # type: ignore[union-attr]
    falling = trainer.fall(2.1, "key x")
    assert [watts(order) for order in falling if watts(order)] == [80.0]
    records(trainer, 2.2, Packet(ns(2.2), "hub", "2AD9", answer(0x05)))
    assert trainer.phase == "falling"
    records(trainer, 2.3, Packet(ns(2.3), "hub", "2AD9", answer(0x05)))
    assert trainer.phase == "off"


def test_a_busy_machine_gets_the_safe_target_again() -> None:
    trainer = armed()
    follow(trainer, Load(200.0), 10)
    falling = [order for order in trainer.fall(12.0, "key x") if isinstance(order, Request)]
    busy = "busy: wait for the answer to the request before"
    records(trainer, 12, Write(ns(12.1), "hub", "2AD9", falling[0].data, busy))
    orders = [order for tick in range(8) for order in
              records(trainer, 0, Tick(ns(12.1 + tick / 4), 0)) if isinstance(order, Request)]  # fmt: skip
    assert [watts(order) for order in orders] == [80.0]
    carried_out(trainer, orders[:1], 14.5)
    assert trainer.phase == "off"


def test_silence_of_the_trainer_ends_it() -> None:
    trainer = armed()
    follow(trainer, Load(100.0), 5)
    orders: list[Order] = []
    for tick in range(10):
        orders += records(trainer, 0, Tick(ns(6.0 + tick), 0))
    assert f"it tells nothing for {SILENT_S:g} s" in trainer.why
    assert next(filter(None, map(watts, orders))) == 80.0


@pytest.mark.parametrize("status", [b"\x01", b"\x02\x01", b"\x03"])
def test_whoever_stops_the_machine_ends_it(status: bytes) -> None:
    trainer = armed()
    follow(trainer, Load(200.0), 10)
    orders = records(trainer, 0, Packet(ns(12), "hub", "2ADA", status))
    assert [watts(order) for order in orders if watts(order)] == [80.0]
    assert not trainer.armed


def test_a_machine_without_a_road_stays_at_the_safe_target_while_riding_is_free() -> None:
    trainer = armed()
    follow(trainer, Load(200.0), 10)
    trainer.want(Load(None))
    (road,) = records(trainer, 0, Tick(ns(13), 0))
    assert grade(road) == 0.0
    assert isinstance(road, Request)
    records(
        trainer, 0, Write(ns(13), "hub", "2AD9", road.data), Packet(ns(13.2), "hub", "2AD9", answer(0x11, 2))
    )
    powers = follow(trainer, Load(None), 10)
    assert powers[-1] == 80.0
    assert trainer.phase == "held"
    assert "simulates no road" in trainer.view().words


def test_another_screen_or_the_recorder_that_commands_ends_it_here() -> None:
    trainer = armed()
    assert records(trainer, 0, Write(ns(2), "hub", "2AD9", b"\x05\x2c\x01")) == []
    assert trainer.phase == "off"
    trainer = armed()
    records(trainer, 0, Act(ns(2), "safe-target", "the screen was silent", "hub"))
    assert trainer.phase == "off"
    assert "the screen was silent" in trainer.why
    trainer = armed()
    trainer.want(Load(200.0))
    (order,) = records(trainer, 0, Tick(ns(2), 0))
    assert isinstance(order, Request)
    refused = Write(ns(2), "hub", "2AD9", order.data, "not sent: another screen commands it")
    assert records(trainer, 0, refused) == []
    assert (trainer.phase, trainer.why) == ("off", "another screen commands it")


def test_after_a_broken_connection_nothing_comes_from_here() -> None:
    trainer = armed()
    follow(trainer, Load(200.0), 10)
    trainer.cut_off()
    assert trainer.phase == "off"
    assert follow(trainer, Load(200.0), 10) == []
    assert "out of reach" in trainer.view().words


# -- requests and answers that only a trainer has


def test_requests() -> None:
    ble, ant = "bluetooth:AA:BB:CC:DD:EE:FF", "ant:trainer:5"
    # 0x11: wind s16 mm/s, grade s16 0.01 %, Crr u8 1e-4, Cw u8 0.01 kg/m.
    assert grade_request(ble, -2.5, MACHINE).data.hex() == "110000" + "06ff" + "28" + "33"
    # openant 1.3.4, set_track_resistance: (grade + 200) x 100, Crr / 5e-5.
    assert grade_request(ant, -2.5).data.hex() == "33ffffffff" + "264d" + "50"
    assert command_status_request(ant) == Request("ant17", bytes.fromhex("46ffffffff044701"))
    assert command_status_request(ble, MACHINE) is None
    assert capabilities_request(ant) == Request("ant17", bytes.fromhex("46ffffffff043601"))
    assert auto_zero_request("ant:power:5", True).data[:3].hex() == "01ab01"
    with pytest.raises(ValueError, match="grade"):
        grade_request(ant, 90.0)
    with pytest.raises(ValueError, match="ANT"):
        auto_zero_request(ble, True)


@pytest.mark.parametrize(
    ("link", "profile", "heard", "channel"),
    [
        ("scene:a", None, (), "2A66"),
        ("scene:a", None, ("ant11",), "ant11"),
        ("scene:a", MACHINE, ("ant17", "ant11"), "ant11"),
        ("scene:a", MACHINE, ("ant17",), "ant17"),
        ("scene:a", None, ("2AD2", "2A63"), "2A66"),
        ("bluetooth:x", None, ("2AD2",), "2AD9"),
        ("ant:power:5", None, ("ant17",), "ant11"),
    ],
)
def test_what_was_heard_tells_where_requests_go(
    link: str, profile: str | None, heard: tuple[str, ...], channel: str
) -> None:
    assert control_channel(link, profile, heard) == channel


def test_where_targets_go() -> None:
    assert trainer_channel("scene:a", None, ("2AD2", "2A63")) == "2AD9"
    assert trainer_channel("scene:a", None, ("ant17",)) == "ant17"
    with pytest.raises(ValueError, match="no trainer"):
        trainer_channel("scene:a", None, ("2A63",))


def test_answers_to_a_grade() -> None:
    assert answer_words("2AD9", answer(0x11)) == "grade granted"
    assert answer_words("ant17", bytes.fromhex("4733000000000000")) == "grade granted"


# -- the table of the bench

TABLE = """\
[bench]
reference = "hub"
[[instrument]]
label = "hub"
mount = "hub"
link = "ant:trainer:5"
[trainer]
"""


def test_the_bench_names_the_maximum() -> None:
    bench = parse_bench(TABLE + "max_w = 250\nsafe_w = 60\nramp_w_per_s = 10\ngrade_percent = 1.5\n")
    assert bench.trainer == TrainerRules(max_w=250, safe_w=60, ramp_w_per_s=10, grade_percent=1.5)
    assert parse_bench(TABLE.removesuffix("[trainer]\n")).trainer == TrainerRules()


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ("max_w = 5000", 'line 8, trainer "max_w": is 5000, must be from 50 to 2000 watts'),
        ("max = 200", 'no such key. Did you mean "max_w"'),
        ('max_w = "250"', "must be a number"),
        ("max_w = 70", "above max_w"),
        ('label = "hob"', 'Did you mean "hub"'),
        ("max_w = nan", "Give a finite number"),
    ],
)
def test_a_wrong_table_is_refused(line: str, says: str) -> None:
    with pytest.raises(BenchError) as told:
        parse_bench(TABLE + line + "\n")
    assert says in str(told.value)


# -- torn by chance


class Torn(RuleBasedStateMachine):
    """Keys, loads, losses and answers in any order: what may be sent, and what may not.

    The machine on the other side may answer rightly, wrongly, late or never; the link comes and
    goes; other programs and the recorder take it away; time leaps.
    """

    def __init__(self) -> None:
        super().__init__()
        self.t_s = 1.0
        self.allowed, self.most_w = RULES, 0.0
        self.trainer = linked()
        self.unwritten: list[Request] = []
        self.unanswered: list[Request] = []
        self.may_rise = False
        """A person has armed it and nothing has happened since that ends it."""
        self.armed_once = False
        self.will: tuple[bytes, ...] = ()
        self.power_w: float | None = None
        self.commanded_s = 0.0
        self.up, self.heard_s = True, 0.0

    @initialize(
        limits=st.sampled_from([(300, 260), (240, 400), (250, 250)]),
        grade_percent=st.sampled_from([0.0, 3.0, 40.0, -40.0]),
        riding=st.sampled_from([None, Load(3000.0, 90.0), Load(900.0, 90.0), Load(150.0), Load()]),
    )
    def begin(self, limits: tuple[int, int], grade_percent: float, riding: Load | None) -> None:
        """Bench and machine have maxima of their own. Mostly it is held already, and asked for too much.

        Chance alone hardly ever arms it and then leaves it in peace until the ramp is at its end.
        """
        self.allowed = TrainerRules(
            max_w=limits[0], safe_w=80.0, ramp_w_per_s=50.0, grade_percent=grade_percent
        )
        self.most_w = min(limits)
        self.trainer = linked(low_w=20, high_w=limits[1], rules=self.allowed)
        if riding is not None:
            self.arm()
            self.trainer.want(riding)
            self.all_well(8)

    def done(self, orders: list[Order]) -> None:
        for order in orders:
            if isinstance(order, Bequest):
                self.will = order.data
            if not isinstance(order, Request):
                continue
            assert self.armed_once, "a command without anybody having armed it"
            assert self.will, "a command without a will"
            power = watts(order)
            if power is not None:
                assert 20.0 <= power <= self.most_w
                if not self.may_rise:
                    assert power == self.trainer.machine.safe_w, "a target after the end"
                elif self.power_w is not None and self.power_w < power != self.trainer.machine.safe_w:
                    assert power - self.power_w <= self.allowed.ramp_w_per_s
                    assert self.t_s - self.commanded_s >= 0.999
                if power != self.power_w:
                    self.commanded_s = self.t_s
                self.power_w = power
            if (road := grade(order)) is not None:
                assert self.may_rise
                assert abs(road) <= 5.0
            self.unwritten.append(order)

    def feed(self, *found: Record, cadence_rpm: float | None = 90.0) -> None:
        for record in found:
            if isinstance(record, Packet):
                self.heard_s = self.t_s
            self.done(self.trainer.take(record, cadence_rpm))

    @rule()
    def arm(self) -> None:
        before, self.may_rise, once = self.may_rise, True, self.armed_once
        self.armed_once = True
        try:
            self.done(self.trainer.arm(self.t_s))
        except RefusedError:
            self.may_rise, self.armed_once = before, once
        else:
            assert self.up, "armed without a link"
            assert self.t_s - self.heard_s <= SILENT_S, "armed unheard"

    @rule(watts=st.one_of(st.none(), st.floats(0, 3000)), free=st.booleans())
    def load(self, watts: float | None, free: bool) -> None:
        self.trainer.want(None if watts is None and not free else Load(watts, 90.0))

    @rule(key=st.sampled_from(["x", "escape", "space"]))
    def key(self, key: str) -> None:
        self.may_rise = False
        self.done(self.trainer.fall(self.t_s, f"key {key}"))

    @rule()
    def connection_broken(self) -> None:
        self.may_rise = False
        self.trainer.cut_off()
        self.unwritten.clear()
        self.unanswered.clear()
        self.will = ()

    @rule(seconds=st.sampled_from([0.25, 0.25, 0.5, 1.0, 3.0, 30.0]), heard=st.booleans(),
          cadence=st.sampled_from([90.0, 90.0, 40.0, 0.0, None]))  # fmt: skip
    def time(self, seconds: float, heard: bool, cadence: float | None) -> None:
        self.t_s += seconds
        t_ns = ns(self.t_s)
        bike = Packet(t_ns, "hub", "2AD2", bytes.fromhex("4400000000000000"))
        self.feed(*([bike] if heard else []), Tick(t_ns, t_ns), cadence_rpm=cadence)

    @rule(seconds=st.integers(1, 12))
    def all_well(self, seconds: int) -> None:
        """The machine obeys and answers for a while: without this, chance hardly ever gets to riding."""
        for _ in range(seconds):
            for _ in range(6):
                while self.unwritten:
                    self.written("sent")
                while self.unanswered:
                    self.answered(1)
            self.time(1.0, True, 90.0)

    @rule(state=st.sampled_from(["down", "radio-lost", "given-up", "up", "missed", "searching"]))
    def link(self, state: Any) -> None:
        if state in ("down", "radio-lost", "given-up"):
            self.up, self.may_rise = False, False
            self.unanswered.clear()
        elif state == "up":
            self.up, self.heard_s = True, self.t_s
        self.feed(Link(ns(self.t_s), "hub", state))

    @precondition(lambda self: self.unwritten)
    @rule(
        outcome=st.sampled_from(
            ["sent"] * 4 + ["busy", "not connected now", "not sent: another screen commands it"]
        )
    )
    def written(self, outcome: str) -> None:
        request = self.unwritten.pop(0)
        if outcome == "sent":
            self.unanswered.append(request)
        if outcome.startswith("not sent"):
            # Only this one may have been overtaken; then nothing ends by it.
            self.may_rise = self.may_rise and not _is_pending(self.trainer, request)
        self.feed(Write(ns(self.t_s), "hub", request.channel, request.data, outcome))

    @precondition(lambda self: self.unanswered)
    @rule(result=st.sampled_from([1, 1, 1, 1, 2, 3, 4, 5]))
    def answered(self, result: int) -> None:
        request = self.unanswered.pop(0)
        pending = self.trainer.exchange.pending
        concerns = (
            pending is not None and pending.request == request and self.trainer.exchange.unanswered <= 1
        )
        self.feed(Packet(ns(self.t_s), "hub", "2AD9", answer(request.data[0], result)))
        if concerns and result != 1 and request.data[0] == 0x05:
            assert not self.trainer.armed, "a refused target is followed by others"
        self.may_rise = self.may_rise and self.trainer.armed

    @rule(power_w=st.sampled_from([120.0, 200.0, 900.0]), result=st.sampled_from([2, 3, 4, 5]))
    def a_target_is_refused(self, power_w: float, result: int) -> None:
        self.all_well(1)
        self.trainer.want(Load(power_w))
        self.time(1.0, True, 90.0)
        while self.unwritten:
            self.written("sent")
        if self.unanswered:
            self.answered(result)

    @rule()
    def it_answers_nothing(self) -> None:
        self.all_well(1)
        held = self.trainer.phase == "held"
        self.trainer.want(Load(120.0))
        for _ in range(16):
            self.time(1.0, True, 90.0)
            while self.unwritten:
                self.written("sent")
        if held and self.unanswered:
            assert not self.trainer.armed, "nothing was answered, and it is held"

    @rule(data=st.one_of(st.binary(max_size=12), st.sampled_from([b"\xff", b"\x01", b"\x80\x05\x05"])),
          channel=st.sampled_from(["2AD9", "2ADA", "2ACC", "2AD8", "ant17", "2A66"]))  # fmt: skip
    def anything(self, data: bytes, channel: str) -> None:
        if channel == "2AD8":
            return  # the range of this machine is the one that is checked
        self.feed(Packet(ns(self.t_s), "hub", channel, data))
        self.may_rise = self.may_rise and self.trainer.armed

    @rule()
    def recorder_dropped_it(self) -> None:
        self.may_rise = False
        self.feed(Act(ns(self.t_s), "safe-target", "the screen was silent", "hub"))

    @rule()
    def another_screen_commands(self) -> None:
        self.may_rise = False
        self.feed(Write(ns(self.t_s), "hub", "2AD9", b"\x05\xff\x03"))

    @rule()
    def another_program_takes_it(self) -> None:
        held = self.trainer.armed
        self.may_rise = False
        self.feed(Packet(ns(self.t_s), "hub", "2ADA", b"\xff"))
        if held:
            # One last try, and no quarrel: nothing but the safe target until a person takes it back.
            assert not self.trainer.armed

    @invariant()
    def consistent(self) -> None:
        if self.trainer.armed:
            assert self.may_rise
        if not self.trainer.armed:
            self.may_rise = False
        self.trainer.view()


def _is_pending(trainer: Trainer, request: Request) -> bool:
    pending = trainer.exchange.pending
    return pending is not None and pending.request == request and not pending.written


TestTorn = Torn.TestCase
TestTorn.settings = settings(
    max_examples=60, stateful_step_count=50, deadline=None, suppress_health_check=list(HealthCheck)
)


def replayed(trainer: Trainer, found: list[Record]) -> Iterator[Order]:
    for record in found:
        yield from trainer.take(record, 90.0)


def test_a_replay_of_a_ride_that_was_armed_sends_nothing(radio: str) -> None:
    ride = Ride(radio, 40)
    ride.run({5: lambda: ride.trainer.arm(5.0), 6: lambda: ride.trainer.want(Load(250.0))})
    assert len(ride.powers) > 5
    again = Trainer("hub", "scene:hub", ride.scene.wanted[0].profile, RULES)
    again.want(Load(250.0))
    assert list(replayed(again, ride.records)) == []
    assert ANSWER_S < SILENT_S
