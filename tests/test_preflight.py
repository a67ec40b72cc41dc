"""Pre-flight checks: what is wrong in words with the remedy, and what a person overrides."""

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from capture.record import Act, Link, Packet, Record, Reported, Store, Tick, Write
from capture.scene import Scene
from capture.source import Wanted
from monitor.controls.preflight import (
    ASK_AFTER_S,
    ASK_AGAIN_S,
    ASK_TIMES,
    RECENT_S,
    WARM_UP_S,
    Air,
    Asker,
    Checks,
    Item,
    Preflight,
    override_text,
)
from monitor.live.pipeline import Pipeline
from monitor.live.screen import view_of
from monitor.setup.bench import Bench, parse_bench

S = 1_000_000_000
BENCH = """\
[bench]
reference = "hub"
[[instrument]]
label = "hub"
mount = "hub"
link = "scene:hub"
profile = "fitness-machine"
[[instrument]]
label = "crank"
link = "scene:crank"
crank_length_mm = 170
[[instrument]]
label = "pedals"
mount = "pedals"
sides = "both"
link = "scene:pedals"
crank_length_mm = 172.5
"""
SCENE: dict[str, Any] = {
    "seed": 5,
    "instrument": {
        "hub": {"kind": "trainer", "firmware": "2.3", "serial": 41},
        "crank": {"kind": "crank", "battery_percent": 4, "crank_length_mm": 172.5},
        "pedals": {"kind": "pedals", "radio": "ant", "crank_length_mm": 172.5, "loss_percent": 0.0},
    },
}
PLENTY = 50_000_000_000


class Bike:
    """A bench that is fed from a scene or by hand; `items` are those of an instrument by their keys."""

    def __init__(self, bench: Bench) -> None:
        self.bench = bench
        self.pipeline, self.preflight = Pipeline(bench), Preflight(bench)

    def take(self, *records: Record) -> "Bike":
        for record in records:
            self.pipeline.feed(record)
            self.preflight.take(record)
        return self

    def checks(self, disk_free: int | None = PLENTY) -> Checks:
        return self.preflight.checks(self.pipeline, disk_free)

    def items(self, label: str, disk_free: int | None = PLENTY) -> dict[str, Item]:
        group = next(group for group in self.checks(disk_free).groups if group.label == label)
        return {item.key: item for item in group.items}


def scene(seconds: float, **instruments: Any) -> tuple[Bike, Scene]:
    bench = parse_bench(BENCH)
    table = SCENE | {"instrument": SCENE["instrument"] | instruments}
    wanted = [Wanted(each.label, each.link, each.profile) for each in bench.instruments]
    played = Scene(table, wanted, [{"name": "ride", "seconds": 900, "target_w": 200}])
    bike = Bike(bench)
    for record in played.records():
        if record.t_ns > seconds * S:
            break
        bike.take(record)
    return bike, played


def test_an_evening_that_begins() -> None:
    bike, _ = scene(30)
    hub, pedals = bike.items("hub"), bike.items("pedals")
    assert hub["link"] == Item("link", "ok", "heard")
    assert "firmware 2.3" in hub["identity"].text
    assert "scene hub" in hub["identity"].text
    assert "serial 41" in hub["identity"].text
    assert hub["radio"].state == "ok"
    assert "0.0 % missing" in hub["radio"].text
    assert "crank-length" not in hub
    assert pedals["crank-length"].text == "crank length 172.5 mm, as mounted"
    assert pedals["battery"].state == "ok"
    assert pedals["battery"].text.startswith("battery good, 2.")
    assert pedals["zero"].state == "warn"
    assert "can be zeroed from here" in pedals["zero"].text
    assert pedals["zero"].remedy == "press o: pedals unloaded, crank still"
    bench = bike.items("")
    assert bench["recording"].state == "ok"
    assert bench["warm-up"].state == "wait"
    assert "of 10 min" in bench["warm-up"].text
    assert bench["disk"] == Item("disk", "ok", "50.0 GB free")


def test_a_wrong_crank_length_is_red_and_says_what_it_costs() -> None:
    # The virtual crank tells its length only when it is asked: Cycling Power Service, op 0x05.
    bike, played = scene(30)
    assert bike.items("crank")["crank-length"].state == "warn"
    assert "not told" in bike.items("crank")["crank-length"].text
    bike.take(Packet(31 * S, "crank", "2A66", bytes.fromhex("2005015901")))
    item = bike.items("crank")["crank-length"]
    assert item.state == "red"
    assert item.text == "crank length 172.5 mm, mounted 170 mm: +1.5 % by that alone"
    assert item.remedy == "press l to set 170 mm, or correct the bench"
    assert played.wanted


def test_a_nearly_empty_battery_is_red() -> None:
    bike, _ = scene(30)
    assert bike.items("crank")["battery"].state == "red"
    assert "change or charge it" in bike.items("crank")["battery"].remedy


def test_red_can_be_overridden_and_only_that() -> None:
    bike, _ = scene(30)
    bike.take(Packet(30 * S, "crank", "2A66", bytes.fromhex("2005015901")))
    assert [(label, item.key) for label, item in bike.checks().stops] == [
        ("crank", "battery"), ("crank", "crank-length"),
    ]  # fmt: skip
    battery = bike.items("crank")["battery"]
    bike.take(Act(30 * S, "override", override_text(battery), "crank"))
    assert [(label, item.key) for label, item in bike.checks().stops] == [("crank", "crank-length")]
    assert bike.items("crank")["battery"].overridden
    assert bike.items("crank")["battery"].state == "red"  # it is not hidden
    assert not bike.checks().ready
    bike.take(Act(30 * S, "ready"))
    assert bike.checks().ready


def by_hand(text: str = BENCH) -> Bike:
    return Bike(parse_bench(text))


def test_who_is_not_heard_says_what_to_do() -> None:
    bike = by_hand().take(Tick(5 * S, 0))
    assert bike.items("crank")["link"].state == "wait"
    assert bike.items("")["warm-up"].text == "warm-up begins with the first instrument heard"
    bike.take(*(Tick(n * S, 0) for n in range(6, 25)))
    item = bike.items("crank")["link"]
    assert (item.state, item.text) == ("red", "not heard: scene:crank")
    assert "turn its crank" in item.remedy
    assert "other programs" in bike.items("hub")["link"].remedy
    assert len(bike.checks().stops) == 3


def test_a_link_that_needs_a_person_says_why() -> None:
    bike = by_hand().take(Link(S, "crank", "given-up", "it wants to be paired first"))
    bike.take(*(Tick(n * S, 0) for n in range(2, 8)))
    assert bike.items("crank")["link"].text == "it wants to be paired first"
    assert bike.items("crank")["link"].state == "red"


def rhythm(bike: Bike, label: str, times: list[float]) -> Bike:
    data = bytes.fromhex("0000c800")
    ticks = [Tick(n * S, 0) for n in range(round(times[-1]))]
    packets = [Packet(round(t_s * S), label, "2A63", data) for t_s in times]
    records: list[Record] = [Link(0, label, "up"), *packets, *ticks]
    return bike.take(*sorted(records, key=lambda record: record.t_ns))


def test_disturbed_radio_is_told_from_its_rhythm() -> None:
    steady = [n / 4 for n in range(1, 240)]
    item = rhythm(by_hand(), "crank", steady).items("crank")["radio"]
    assert item.state == "ok"
    assert item.text == "4.0 a second, 0.0 % missing, longest gap 0.2 s"
    # Every tenth message is missing.
    item = rhythm(by_hand(), "crank", [t for k, t in enumerate(steady) if k % 10]).items("crank")["radio"]
    assert item.state == "ok" or "missing" in item.text
    # Three in a row of every ten are missing: 30 percent.
    holes = [t for k, t in enumerate(steady) if k % 10 > 2]
    item = rhythm(by_hand(), "crank", holes).items("crank")["radio"]
    assert item.state == "red"
    assert "30" in item.text.partition("% missing")[0].split(",")[1] or "29." in item.text
    assert "USB 3" in item.remedy
    # One hole of five seconds.
    item = rhythm(by_hand(), "crank", [t for t in steady if not 40 < t < 45]).items("crank")["radio"]
    assert item.state == "warn"
    assert "longest gap 5.2 s" in item.text or "longest gap 5.0 s" in item.text


def test_bursts_are_no_loss() -> None:
    # Two packets in every second connection event: what a slow link looks like.
    air = Air()
    for n in range(100):
        air.take(n * 0.5)
        air.take(n * 0.5 + 0.005)
    told = air.rhythm()
    assert told is not None
    rate, percent, gap_s = told
    assert rate == pytest.approx(4.0, rel=0.1)
    assert percent == 0.0
    assert gap_s == pytest.approx(0.495)


def test_only_the_last_minute_counts() -> None:
    air = Air()
    for t_s in [0.0, 0.25, 30.0, *(60.0 + n / 4 for n in range(300))]:
        air.take(t_s)
    assert air.rhythm()[2] == pytest.approx(0.25)  # type: ignore[index]
    assert air.times[-1] - air.times[0] <= RECENT_S


def test_slots_that_the_radio_missed_count() -> None:
    bike = rhythm(by_hand(), "crank", [n / 4 for n in range(1, 240)])
    bike.take(*(Link(60 * S, "crank", "missed") for _ in range(100)))
    assert bike.items("crank")["radio"].state == "red"


def test_a_weak_signal_is_told() -> None:
    bike = rhythm(by_hand(), "crank", [n / 4 for n in range(1, 40)])
    assert bike.take(Reported(10 * S, "crank", "rssi_dbm", "-62")).items("crank")["signal"].state == "ok"
    item = bike.take(Reported(10 * S, "crank", "rssi_dbm", "-91")).items("crank")["signal"]
    assert (item.state, item.text) == ("warn", "-91 dBm")
    assert "signal" not in bike.take(Reported(10 * S, "crank", "rssi_dbm", "?")).items("crank")


@pytest.mark.parametrize(
    ("free", "state"), [(PLENTY, "ok"), (500_000_000, "warn"), (1_000_000, "red"), (None, "untold")]
)
def test_disk_space(free: int | None, state: str) -> None:
    assert by_hand().items("", free)["disk"].state == state


def test_a_disk_that_refuses_is_red() -> None:
    bike = by_hand().take(Store(S, "failing", 0, "no space left"))
    assert bike.items("")["recording"].state == "red"
    assert "no space left" in bike.items("")["recording"].text


def test_the_warm_up_clock_runs_from_the_last_one_found() -> None:
    bike = rhythm(by_hand(), "crank", [5.0, 5.5])
    rhythm(bike, "pedals", [65.0, 65.5])
    bike.take(Tick(125 * S, 0))
    assert bike.items("")["warm-up"].text == "warming up, 1:00 of 10 min"
    bike.take(Tick(round((66 + WARM_UP_S) * S), 0))
    assert bike.items("")["warm-up"].state == "ok"


def test_a_zero_that_was_set_is_told_and_a_jump_too() -> None:
    bike, _ = scene(30)
    for t_s, raw in ((40, 300), (50, 420)):
        page = bytes.fromhex("01acffffffff") + raw.to_bytes(2, "little")
        bike.take(Packet(t_s * S, "pedals", "ant11", page), Act(t_s * S, "zeroed", str(raw), "pedals"))
        item = bike.items("pedals")["zero"]
        assert f"zeroed 0:00 ago: {raw}" in item.text
    assert item.state == "warn"
    assert "a jump" in item.text
    bike.take(Act(55 * S, "zeroed", "", "crank"))
    assert bike.items("crank")["zero"].state == "ok"


def test_abilities_are_told() -> None:
    bike = rhythm(by_hand(), "crank", [n / 4 for n in range(1, 40)])
    can = {
        1 << 9: "can be zeroed from here",
        1 << 9 | 1 << 19: "can be zeroed from here, and tells why",
        0: "says it can't be zeroed over the radio",
    }
    for bits, words in can.items():
        bike.take(Packet(10 * S, "crank", "2A65", bits.to_bytes(4, "little")))
        assert words in bike.items("crank")["zero"].text
    assert "then press z" in bike.items("crank")["zero"].remedy
    rhythm(bike, "pedals", [10.5])
    bike.take(Packet(11 * S, "pedals", "ant11", bytes.fromhex("011203ffffffffff")))
    assert "auto-zero on" in bike.items("pedals")["zero"].text
    bike.take(Packet(12 * S, "pedals", "ant11", bytes.fromhex("54ff01ff66080000")))
    assert bike.items("pedals")["temperature"].text == "22 °C"


# -- asking for the crank length


def asks(radio: str, seconds: float, kind: str = "crank") -> tuple[list[tuple[float, str]], list[Record]]:
    """What is asked in a scene, and all records, answers included."""
    bench = parse_bench(BENCH.replace('profile = "fitness-machine"\n', ""))
    table = {"seed": 2, "instrument": {"crank": {"kind": kind, "radio": radio, "crank_length_mm": 172.5}}}
    played = Scene(table, [Wanted("crank", "scene:crank")], [{"name": "r", "seconds": 300, "target_w": 200}])
    asker, pipeline = Asker(bench), Pipeline(bench)
    asked: list[tuple[float, str]] = []
    found: list[Record] = []

    def take(record: Record) -> None:
        found.append(record)
        pipeline.feed(record)
        for label, request in asker.take(
            record, lambda label: pipeline.facts.reported[pipeline.index[label]]
        ):
            outcome = played.write(label, request.channel, request.data)
            asked.append((record.t_ns / S, request.data.hex()))
            take(Write(record.t_ns, label, request.channel, request.data, outcome))

    for record in played.records():
        if record.t_ns > seconds * S:
            break
        take(record)
    assert pipeline.facts.reported[1]["crank_length_mm"] == 172.5
    assert any(alarm.kind == "setting-differs" for alarm in view_of(pipeline).alarms)
    return asked, found


def test_a_power_meter_is_asked_once_for_its_crank_length_and_the_difference_is_a_finding() -> None:
    asked, _ = asks("bluetooth", 60)
    assert [data for _, data in asked] == ["05"]
    # This one tells its length by itself among its first pages; it need not be asked.
    asked, _ = asks("ant", 60)
    assert [data for _, data in asked] in ([], ["46ffff01ff040201"])


def played(asker: Asker, *records: Record, adjustable: bool = True) -> list[str]:
    return [
        label
        for record in records
        for label, _ in asker.take(record, lambda label: {"crank_length_adjustable": float(adjustable)})
    ]


REAL = BENCH.replace("scene:crank", "bluetooth:AA:BB:CC:DD:EE:FF").replace("scene:pedals", "ant:power:5")


def ticks(first: int, last: int) -> list[Record]:
    return [Tick(n * S, 0) for n in range(first, last)]


def packet(t_s: float, label: str = "crank", channel: str = "2A63", data: str = "0000c800") -> Packet:
    return Packet(round(t_s * S), label, channel, bytes.fromhex(data))


def test_no_answer_is_asked_for_a_few_times() -> None:
    asker = Asker(parse_bench(REAL))
    assert played(asker, Link(S, "crank", "up"), packet(1.0), *ticks(2, 300)) == ["crank"] * ASK_TIMES
    assert ASK_AFTER_S < ASK_AGAIN_S


def test_each_link_is_asked_anew_until_it_has_told() -> None:
    asker = Asker(parse_bench(REAL))
    told = packet(6, channel="2A66", data="2005015901")
    assert played(asker, Link(S, "crank", "up"), packet(1), *ticks(2, 6), told, *ticks(7, 60)) == ["crank"]
    down, up = Link(60 * S, "crank", "down"), Link(70 * S, "crank", "up")
    assert played(asker, down, up, packet(70), *ticks(71, 75)) == ["crank"]


def test_who_has_no_crank_length_to_tell_is_not_asked() -> None:
    asker = Asker(parse_bench(REAL))
    assert played(asker, Link(S, "crank", "up"), packet(1), *ticks(2, 60), adjustable=False) == []
    asker = Asker(parse_bench(REAL))
    assert (
        played(asker, Link(S, "hub", "up"), packet(1, "hub", "2AD2", "4400000000000000"), *ticks(61, 90))
        == []
    )
    assert played(asker, packet(91, "pedals", "ant11", "10ffffffffffffff"), *ticks(92, 96)) == ["pedals"]


def test_a_second_screen_leaves_it_to_the_first() -> None:
    asker = Asker(parse_bench(REAL), late_s=3.0)
    sent = Write(3 * S, "crank", "2A66", b"\x05")
    answered = packet(4, channel="2A66", data="2005015901")
    assert (
        played(asker, Link(S, "crank", "up"), packet(1), Tick(2 * S, 0), sent, answered, *ticks(5, 60)) == []
    )


LABELS = st.sampled_from(["crank", "hub", "x"])
CHANNELS = st.sampled_from(["2A63", "2A66", "2A65", "ant11", "2A19"])


@given(st.lists(st.tuples(st.integers(0, 40), LABELS, CHANNELS, st.binary(max_size=10))))
def test_any_packets_are_survived(found: list[tuple[int, str, str, bytes]]) -> None:
    bike, asker = by_hand(), Asker(parse_bench(BENCH))
    for t_s, label, channel, data in sorted(found):
        record = Packet(t_s * S, label, channel, data)
        bike.take(record)
        asker.take(record, lambda label: {})
        bike.checks()
