"""Every kind of finding, raised and cleared, from the bytes of real profiles; and what must not be raised."""

import math
import re
from collections.abc import Iterable, Iterator, Sequence
from itertools import groupby, pairwise
from pathlib import Path
from types import SimpleNamespace
from typing import get_args

import msgspec
import pytest

from capture.profiles import (
    ant_common,
    ant_power,
    cycling_power,
    device_information,
    fitness_machine,
    speed_cadence,
)
from capture.record import Act, Link, Packet, Record, Store, Tick
from capture.scene import Scene
from capture.source import Wanted
from monitor.finding import KINDS, Finding, Kind
from monitor.live.faults.compared.swap import looks_swapped
from monitor.live.pipeline import Pipeline
from monitor.setup.bench import Bench, load_bench
from tests.helpers.streams import (
    TWO_PI,
    UTC_NS,
    Body,
    Meter,
    Ride,
    S,
    Stretch,
    altered,
    bench,
    between,
    merged,
    ns,
    ticks,
    without,
)

HUB = 'hub role="reference" claim_percent=1.0'
PEDALS = 'pedals role="witness" mount="pedals" sides="both" claim_percent=1.0'
HERON = 'heron sides="both" claim_percent=1.5'
BENCH = bench(HUB, PEDALS, HERON)
LOST_AFTER_S = 2.5
ORDERS = re.compile(r"\b(zero it|check|look|hold \d|wake|pair|set \d|move|ride|mark it|ask|free|charge)\b")
"""Words of what the rider is asked to do, which belong to `do`."""


def run(b: Bench, *streams: Iterable[Record], seconds: float | None = None) -> list[Finding]:
    """All findings of the records, ticks added."""
    records = merged(*streams)
    until = seconds if seconds is not None else records[-1].t_ns / S
    pipeline = Pipeline(b)
    found: list[Finding] = []
    for record in merged(ticks(until), records):
        found += pipeline.feed(record)
    raised = {(f.kind, f.instrument, f.side) for f in found if f.event == "raised"}
    for f in found:
        assert f.since_s <= f.t_s, f
        for text in (f.what, f.do, f.advice):
            assert "\n" not in text
            assert ". " not in text
        assert f.advice == (f"{f.what}: {f.do}" if f.do else f.what)
        assert f.what
        # What happened stays true after the ride: it gives no order.
        assert not ORDERS.search(f.what), f
        assert f.event == "raised" or not f.do
        assert 10 < len(f.advice) < 250, f
        if f.event == "cleared":
            assert (f.kind, f.instrument, f.side) in raised
    return found


def told(
    found: Sequence[Finding], kind: Kind, instrument: str = "heron", side: str | None = None
) -> list[Finding]:
    """Those of one kind about one instrument; of one side if it is named."""
    return [f for f in found if f.kind == kind and f.instrument == instrument and side in (None, f.side)]


def kinds(found: Sequence[Finding]) -> set[tuple[str, str]]:
    return {(f.kind, f.instrument) for f in found if f.event == "raised"}


def pair(
    found: Sequence[Finding], kind: Kind, instrument: str = "heron", side: str | None = None
) -> tuple[Finding, Finding]:
    """The one finding that was raised and cleared; a raised one may have been said again with its cause."""
    these = told(found, kind, instrument, side)
    assert [f.event for f in these if f.event == "cleared"] == ["cleared"], these
    assert {f.event for f in these[:-1]} == {"raised"}, these
    return these[0], these[-1]


def others(ride: Ride, seed: int = 0) -> list[Iterator[Packet]]:
    """The healthy rest of the bench."""
    hub = Meter("hub", noise=0.004, seed=seed + 10)
    pedals = Meter("pedals", sided=True, noise=0.004, seed=seed + 20, phase=0.1)
    return [hub.ant(ride), pedals.bluetooth(ride)]


STEADY = Ride(Stretch(150, 200, 88, 0.52), noise=0.02)
VARIED = Ride(
    *(Stretch(15, w, 88, 0.52) for w in (180, 230, 190, 250, 200, 240, 185, 235, 205, 245, 190, 230)),
    noise=0.02,
)


def test_every_kind_has_its_rule_its_place_and_its_phrase() -> None:
    assert set(KINDS) == set(get_args(Kind))
    # A lane has room for sixteen cells; capitals are for what is loud.
    assert all(0 < len(rule.short) <= 16 and rule.words and rule.phrase for rule in KINDS.values())
    assert all(rule.short.isupper() is not rule.quiet for rule in KINDS.values())


@pytest.mark.parametrize("seed", range(4))
def test_a_healthy_bench_has_no_findings(seed: int) -> None:
    ride = Ride(
        Stretch(60, 150, 80, 0.52), Stretch(60, 250, 92, 0.51), Stretch(20, 0), Stretch(10, 500, 105, 0.5),
        Stretch(60, 180, 65, 0.53), Stretch(60, 220, 95, 0.52), noise=0.03, seed=seed,
    )  # fmt: skip
    heron = Meter("heron", gain=1.006, sided=True, noise=0.005, seed=seed, delay_s=0.15)
    assert run(BENCH, *others(ride, seed), heron.bluetooth(ride)) == []


# -- signal-lost -----------------------------------------------------------------------------------


@pytest.mark.parametrize("lost_after_s", [1.5, 2.5, 6.0])
def test_signal_lost(lost_after_s: float) -> None:
    b = bench(HUB, PEDALS, HERON, limits=f"lost_after_s = {lost_after_s}")
    heron = list(without(Meter("heron", sided=True).bluetooth(STEADY), 60.0, 90.0))
    last = max(p.t_ns / S for p in heron if p.t_ns < 60 * S)
    back = min(p.t_ns / S for p in heron if p.t_ns > 60 * S)
    found = run(b, *others(STEADY), heron)
    raised, cleared = pair(found, "signal-lost")
    # Where three packets in a row take longer than the limit, the meter's own period comes on top.
    period_s = 60.0 / 88.0
    slow_s = period_s if 3.0 * period_s > lost_after_s else 0.0
    assert last + lost_after_s + slow_s <= raised.t_s <= last + lost_after_s + slow_s + 0.5
    assert raised.since_s == pytest.approx(last, abs=0.01)
    assert (raised.cause, raised.unit, raised.limit) == ("link", "s", lost_after_s)
    assert back <= cleared.t_s <= back + 0.5
    assert kinds(found) == {("signal-lost", "heron")}, "a loss is a loss, nothing else"


def test_signal_lost_for_the_rest_of_the_evening_is_told_once() -> None:
    heron = without(Meter("heron", sided=True).bluetooth(STEADY), 60.0, 1e9)
    found = run(BENCH, *others(STEADY), heron)
    assert [(f.kind, f.event) for f in found] == [("signal-lost", "raised")]


def test_a_meter_that_falls_asleep_while_nobody_pedals_rests() -> None:
    ride = Ride(Stretch(60, 200, 88, 0.52), Stretch(60, 0), Stretch(60, 200, 88, 0.52))
    heron = list(without(Meter("heron", sided=True).bluetooth(ride), 70.0, 121.0))
    assert run(BENCH, *others(ride), heron) == []


def test_a_meter_that_doesnt_wake_up_when_pedalling_goes_on_is_lost() -> None:
    ride = Ride(Stretch(60, 200, 88, 0.52), Stretch(60, 0), Stretch(60, 200, 88, 0.52))
    heron = without(Meter("heron", sided=True).bluetooth(ride), 70.0, 1e9)
    found = run(BENCH, *others(ride), heron)
    (raised,) = told(found, "signal-lost")
    assert 120.0 + LOST_AFTER_S <= raised.t_s <= 120.0 + 1.5 + LOST_AFTER_S + 0.5
    assert raised.since_s >= 119.0, "it was no fault to sleep before"


def test_one_never_heard_is_told_after_a_while_of_riding_only() -> None:
    rest_first = Ride(Stretch(60, 0), Stretch(60, 200, 88, 0.52))
    found = run(BENCH, *others(rest_first))
    (raised,) = told(found, "signal-lost")
    assert 75.0 < raised.t_s < 90.0
    early = Ride(Stretch(15, 200, 88))
    assert run(BENCH, *others(early)) == []


def test_a_link_given_up_says_why() -> None:
    heron = without(Meter("heron", sided=True).bluetooth(STEADY), 60.0, 1e9)
    links = [
        Link(ns(60.0), "heron", "down", "out of range"),
        Link(ns(61.0), "heron", "given-up", "its battery is flat"),
    ]
    (raised,) = told(run(BENCH, *others(STEADY), heron, links), "signal-lost")
    assert "its battery is flat" in raised.advice


def trainer(ride: Ride, idle_w: int = 2, until_s: float = math.inf) -> Iterator[Packet]:
    """A trainer's Indoor Bike Data, once a second: while nobody pedals it shows `idle_w` in turn at 0 rpm."""
    for k in range(1, int(min(ride.seconds, until_s)) + 1):
        work_w = ride.work_j(k - 1.0, float(k))
        turning = work_w > 0.0
        power_w = round(work_w) + 7 * k % 9 - 4 if turning else (idle_w if k % 2 else -idle_w)
        body = fitness_machine.IndoorBikeData(3000, cadence_half_rpm=176 if turning else 0, power_w=power_w)
        yield Packet(ns(k + 0.01), "hub", "2AD2", bytes(body))


def test_idle_watts_of_a_trainer_are_no_pedalling() -> None:
    """Sleeping meters rest, although the trainer shows 2 W at 0 rpm."""
    ride = Ride(Stretch(60, 200, 88, 0.52), Stretch(60, 0), Stretch(60, 200, 88, 0.52), noise=0.02)
    asleep = [
        list(without(Meter(label, sided=True, seed=k).bluetooth(ride), 61.0, 121.0))
        for k, label in enumerate(("pedals", "heron"))
    ]
    assert run(BENCH, trainer(ride), *asleep) == []


def test_a_meter_that_dies_while_a_trainer_is_ridden_is_lost() -> None:
    """The instrument for which the thresholds would fail: easy riding, 60 W, has to be told from idling."""
    ride = Ride(Stretch(60, 60, 60, 0.52), noise=0.0)
    pedals = Meter("pedals", sided=True).bluetooth(ride)
    found = run(BENCH, trainer(ride), pedals, without(Meter("heron", sided=True).bluetooth(ride), 30.0, 99.0))
    assert ("signal-lost", "heron") in kinds(found)


def test_a_wheel_that_runs_on_is_no_turning_crank() -> None:
    """The wheel of a hub turns for half a minute after the rider stopped; the others sleep at once."""
    ride = Ride(Stretch(60, 200, 88, 0.52), Stretch(60, 0), Stretch(60, 200, 88, 0.52))
    wheel: list[Record] = []
    torque = revs = 0.0
    for k in range(1, int(ride.seconds)):
        turning = ride.work_j(k - 1.0, float(k)) > 0.0
        rate = 4.0 if turning else max(0.0, 4.0 - 0.13 * (k - 60))
        revs += rate
        torque += ride.work_j(k - 1.0, float(k)) / TWO_PI if turning else 0.0
        body = cycling_power.Measurement(
            200 if turning else 0, None, round(32.0 * torque) % 65536, wheel_revs=int(revs),
            wheel_event_2048ths=int(2048.0 * k) % 65536,
        )  # fmt: skip
        wheel.append(Packet(ns(k + 0.01), "hub", "2A63", bytes(body)))
    asleep = [
        list(without(Meter(label, sided=True, seed=k).bluetooth(ride), 60.2, 121.0))
        for k, label in enumerate(("pedals", "heron"))
    ]
    assert not [f for f in run(BENCH, wheel, *asleep) if f.kind == "signal-lost"]


def test_two_lost_notifications_of_a_slow_meter_are_no_loss() -> None:
    """Once a second, two in a row lost: 3.0 s apart, at a limit of 2.5 s."""
    ride = Ride(Stretch(120, 200, 60, 0.52), noise=0.01)
    heron = list(Meter("heron", sided=True).bluetooth(ride))
    kept = [p for k, p in enumerate(heron) if k not in (40, 41, 70, 71)]
    assert max(b.t_ns - a.t_ns for a, b in pairwise(kept)) / S == pytest.approx(3.0, abs=0.05)
    assert run(BENCH, *others(ride), kept) == []


# -- power-missing ----------------------------------------------------------------------------------


def no_power(body: Body, last: Body) -> Body:
    """The sensor sees nothing: its counters stand."""
    return msgspec.structs.replace(
        body, power_w=0, torque_sum_32nds=last.torque_sum_32nds, crank_revs=last.crank_revs,
        crank_event_1024ths=last.crank_event_1024ths,
    )  # fmt: skip


def silent_sensor(ride: Ride, *spans: tuple[float, float], **meter: object) -> Iterator[Packet]:
    """A meter that shows no power in the spans, then counts on from where it stood."""
    packets: Iterable[Packet] = Meter("heron", **({"sided": True} | meter)).bluetooth(ride)  # type: ignore[arg-type]
    for begin, end in spans:
        packets = altered(packets, begin, end, no_power)
    return iter(list(packets))


def test_power_missing() -> None:
    found = run(BENCH, *others(STEADY), silent_sensor(STEADY, (60.0, 80.0)))
    raised, cleared = pair(found, "power-missing")
    assert 60.0 < raised.t_s <= 65.0, "within five seconds"
    assert raised.since_s == pytest.approx(60.0, abs=1.5)
    assert raised.value == 0.0
    assert raised.unit == "W"
    assert 80.0 < cleared.t_s <= 83.0
    assert not told(found, "signal-lost"), "it is heard"
    assert not told(found, "power-off"), "what is missing is not measured against the others"


def test_after_missing_power_it_is_judged_again() -> None:
    ride = Ride(Stretch(300, 200, 88, 0.52), noise=0.02)
    found = run(BENCH, *others(ride), silent_sensor(ride, (60.0, 80.0), gain=between(140.0, 999.0, 1.08)))
    pair(found, "power-missing")
    assert 140.0 < told(found, "power-off")[0].t_s < 200.0


def test_coasting_together_misses_no_power() -> None:
    ride = Ride(*(s for _ in range(6) for s in (Stretch(20, 220, 90, 0.52), Stretch(8, 0))))
    assert run(BENCH, *others(ride), Meter("heron", sided=True).bluetooth(ride)) == []


def test_the_last_watts_of_one_late_meter_make_no_power_missing() -> None:
    """A tie is a rest: of two others only the one that is late by four seconds still shows power."""
    ride = Ride(*(s for _ in range(5) for s in (Stretch(30, 220, 90, 0.52), Stretch(12, 0))))
    late = Meter("pedals", sided=True, delay_s=4.0).bluetooth(ride)
    found = run(BENCH, Meter("hub").ant(ride), late, Meter("heron", sided=True).bluetooth(ride))
    assert not told(found, "power-missing")
    assert not told(found, "power-missing", "hub")


def test_a_late_and_smoothing_meter_misses_no_power_at_stops_and_starts() -> None:
    ride = Ride(*(s for _ in range(6) for s in (Stretch(20, 220, 90, 0.52), Stretch(8, 0))))
    found = run(BENCH, *others(ride), Meter("heron", sided=True, delay_s=1.2).bluetooth(ride))
    assert not told(found, "power-missing")


def test_power_missing_in_one_gear_is_a_matter_of_placement() -> None:
    ride = Ride(Stretch(360, 200, 88, 0.52), noise=0.02)
    acts: list[Record] = []
    spans = []
    for k in range(4):
        begin = 30.0 + 80.0 * k
        acts += [Act(ns(begin), "gear", "50x13"), Act(ns(begin + 15.0), "gear", "50x17")]
        spans.append((begin + 1.0, begin + 14.0))
    found = run(BENCH, *others(ride), silent_sensor(ride, *spans), [Act(0, "gear", "50x17"), *acts])
    raised = [f for f in told(found, "power-missing") if f.event == "raised"]
    assert raised[0].cause == "unclear"
    assert raised[-1].cause == "placement"
    assert "50x13" in raised[-1].advice


# -- power-off --------------------------------------------------------------------------------------


@pytest.mark.parametrize(("gain", "way"), [(1.06, "above"), (0.94, "below")])
def test_power_off(gain: float, way: str) -> None:
    ride = Ride(Stretch(300, 200, 88, 0.52), noise=0.02)
    heron = Meter("heron", gain=between(80.0, 180.0, gain), sided=True, noise=0.004)
    found = run(BENCH, *others(ride), heron.bluetooth(ride))
    raised, cleared = pair(found, "power-off")
    assert 80.0 < raised.t_s <= 80.0 + 60.0, "within a minute of steady riding"
    assert raised.reference == "hub"
    assert raised.value is not None
    assert abs(raised.value) > (raised.limit or math.inf)
    assert math.copysign(1.0, raised.value) == math.copysign(1.0, gain - 1.0)
    assert way in raised.advice
    assert raised.since_s == pytest.approx(80.0, abs=21.0)
    assert 180.0 < cleared.t_s <= 180.0 + 60.0
    assert kinds(found) <= {("power-off", "heron"), ("shifted", "heron")}


@pytest.mark.slow
def test_power_within_tolerance_is_not_off() -> None:
    ride = Ride(Stretch(400, 200, 88, 0.52), noise=0.02)
    for gain in (1.012, 0.99):
        found = run(BENCH, *others(ride), Meter("heron", gain=gain, sided=True, noise=0.004).bluetooth(ride))
        assert not told(found, "power-off")


def test_drivetrain_loss_that_the_bench_states_is_expected() -> None:
    """A hub behind 2.6 W + 1 % of loss reads 4.6 W less: that is the chain, not the meter."""
    b = bench('hub mount="hub" role="reference" claim_percent=1.0 drivetrain_loss=[2.6,1.0]', PEDALS, HERON)
    bare = bench('hub mount="hub" role="reference" claim_percent=1.0', PEDALS, HERON)
    ride = Ride(Stretch(200, 130, 88, 0.52), noise=0.01)

    def kept(t: float) -> float:
        return (130.0 * 0.99 - 2.6) / 130.0

    streams = [
        list(Meter("hub", gain=kept, noise=0.003).ant(ride)),
        list(Meter("pedals", sided=True, noise=0.003, seed=2).bluetooth(ride)),
        list(Meter("heron", sided=True, noise=0.003, seed=3).bluetooth(ride)),
    ]
    assert run(b, *streams) == []
    assert {("power-off", "heron"), ("power-off", "pedals")} <= kinds(run(bare, *streams))


def test_a_scale_error_becomes_named_when_the_ride_tells_it() -> None:
    ride = Ride(
        *(
            Stretch(60, w, rpm, 0.52)
            for w, rpm in ((200, 90), (250, 60), (140, 100), (300, 65), (130, 105), (280, 62))
        ),
        noise=0.02,
    )
    heron = Meter("heron", gain=1.06, sided=True, noise=0.004)
    found = run(BENCH, *others(ride), heron.bluetooth(ride))
    raised = [f for f in told(found, "power-off") if f.event == "raised"]
    assert raised[0].cause == "unclear"
    assert "rpm" in raised[0].do or "keep riding" in raised[0].do, "it says which ride would tell"
    assert raised[-1].cause == "scale"
    assert "zeroing will not cure it" in raised[-1].do
    assert "a scale error" in raised[-1].what
    assert {f.cause for f in raised} == {"unclear", "scale"}


def test_a_zero_offset_becomes_named_when_the_ride_tells_it() -> None:
    ride = Ride(
        *(
            Stretch(60, w, rpm, 0.52)
            for w, rpm in ((200, 90), (250, 60), (140, 100), (300, 65), (130, 105), (280, 62))
        ),
        noise=0.02,
    )
    heron = Meter("heron", offset_nm=1.5, sided=True, noise=0.004)
    raised = [
        f for f in told(run(BENCH, *others(ride), heron.bluetooth(ride)), "power-off") if f.event == "raised"
    ]
    assert raised
    assert {f.cause for f in raised} <= {"unclear", "zero-offset"}
    assert "zero-offset" in {f.cause for f in raised}


def test_after_zeroing_the_instrument_is_judged_anew() -> None:
    ride = Ride(Stretch(300, 200, 88, 0.52), noise=0.02)
    heron = Meter("heron", gain=between(0.0, 150.0, 1.06), sided=True, noise=0.004)
    found = run(BENCH, *others(ride), heron.bluetooth(ride), [Act(ns(150.0), "zeroed", "", "heron")])
    _, cleared = pair(found, "power-off")
    assert 150.0 < cleared.t_s <= 150.0 + 45.0
    assert not told(found, "shifted"), "what was done on purpose is no shift"


# -- sides ------------------------------------------------------------------------------------------


def test_side_off_and_balance_off() -> None:
    ride = Ride(Stretch(360, 220, 88, 0.5), noise=0.02)
    heron = Meter("heron", gain_right=between(80.0, 200.0, 1.12), sided=True, noise=0.004)
    found = run(BENCH, *others(ride), heron.bluetooth(ride))
    raised, cleared = pair(found, "side-off", side="right")
    assert not told(found, "side-off", side="left")
    assert 80.0 < raised.t_s <= 110.0 + 15.0
    # It is raised as soon as it is sure, while the window is still filling with the fault.
    assert raised.value is not None
    assert 3.0 < raised.value < 16.0
    assert raised.reference == "pedals"
    assert "right" in raised.advice
    assert 200.0 < cleared.t_s <= 260.0
    raised, cleared = pair(found, "balance-off")
    assert raised.unit == "points"
    assert raised.value is not None
    assert raised.value < -2.0, "more right is less left"
    assert 200.0 < cleared.t_s <= 260.0


def test_one_side_that_makes_the_total_lean_is_named_as_the_cause() -> None:
    ride = Ride(Stretch(200, 240, 88, 0.5), noise=0.02)
    heron = Meter("heron", gain_right=1.12, sided=True, noise=0.004)
    raised = [
        f for f in told(run(BENCH, *others(ride), heron.bluetooth(ride)), "power-off") if f.event == "raised"
    ]
    assert "one-side" in {f.cause for f in raised}


@pytest.mark.slow
@pytest.mark.parametrize("window_s", [20, 30, 45, 60])
def test_balance_is_judged_whatever_window_the_bench_asks_for(window_s: int) -> None:
    b = bench(HUB, PEDALS, HERON, limits=f"window_s = {window_s}.0")
    ride = Ride(Stretch(240, 220, 88, 0.51), noise=0.02)
    heron = Meter("heron", gain_right=1.15, sided=True, noise=0.004)
    assert ("balance-off", "heron") in kinds(run(b, *others(ride), heron.bluetooth(ride)))


def test_both_sides_alike_are_a_matter_of_the_total() -> None:
    ride = Ride(Stretch(240, 220, 88, 0.5), noise=0.02)
    found = run(BENCH, *others(ride), Meter("heron", gain=1.08, sided=True, noise=0.004).bluetooth(ride))
    assert ("power-off", "heron") in kinds(found)
    assert not told(found, "side-off")
    assert not told(found, "balance-off")


def test_one_sided() -> None:
    """One side doubled: exactly 50 : 50 for more than a minute of varying power."""

    def even(body: Body, last: Body) -> Body:
        return msgspec.structs.replace(body, balance_half_percent=100)

    ride = Ride(*VARIED.stretches, *VARIED.stretches, noise=0.02)
    heron = altered(Meter("heron", sided=True, noise=0.004).bluetooth(ride), 60.0, 200.0, even)
    found = run(BENCH, *others(ride), heron)
    raised, cleared = pair(found, "one-sided")
    assert 120.0 <= raised.t_s <= 135.0
    assert raised.since_s == pytest.approx(60.0, abs=1.5)
    assert raised.cause == "one-side"
    assert 200.0 < cleared.t_s <= 210.0


def test_no_sides_where_the_bench_says_both_is_one_sided() -> None:
    heron = Meter("heron", sided=False, noise=0.004)
    found = run(BENCH, *others(STEADY), heron.bluetooth(STEADY))
    (raised,) = told(found, "one-sided")
    assert 60.0 <= raised.t_s <= 75.0


def test_sides_swapped() -> None:
    def swap(body: Body, last: Body) -> Body:
        return msgspec.structs.replace(body, balance_half_percent=200 - (body.balance_half_percent or 0))

    ride = Ride(
        Stretch(100, 220, 88, 0.46), Stretch(140, 220, 66, 0.46), Stretch(120, 220, 88, 0.46), noise=0.02
    )
    heron = altered(Meter("heron", sided=True, noise=0.004).bluetooth(ride), 0.0, 240.0, swap)
    found = run(BENCH, *others(ride), heron)
    raised, cleared = pair(found, "sides-swapped")
    assert 140.0 <= raised.t_s <= 190.0, "two loads are two stretches"
    assert raised.since_s <= 20.0
    assert raised.value == pytest.approx(54.0, abs=0.5)
    assert raised.cause == "setting"
    assert cleared.t_s > 240.0
    assert not told(found, "side-off"), "the swap explains the sides"


@pytest.mark.parametrize(("second_s", "swapped"), [(0, False), (70, True)])
def test_sides_are_swapped_by_more_than_one_stretch(second_s: int, swapped: bool) -> None:
    """A minute in which the shares mirror each other is a rider's lean; again after a rest it is none."""

    def lean(body: Body, last: Body) -> Body:
        return msgspec.structs.replace(body, balance_half_percent=200 - (body.balance_half_percent or 0))

    # The rest between the two leans is from 120 to 160 s; after it there are 70 s, or none that mirror.
    ride = Ride(Stretch(120, 220, 88, 0.46), Stretch(40, 0, 0), Stretch(140, 220, 88, 0.46), noise=0.02)
    heron = altered(Meter("heron", sided=True, noise=0.004).bluetooth(ride), 40.0, 110.0, lean)
    heron = altered(heron, 165.0, 165.0 + second_s, lean)
    found = run(BENCH, *others(ride), heron)
    assert bool(told(found, "sides-swapped")) is swapped


# -- cadence ----------------------------------------------------------------------------------------


def counted(ride: Ride, factor: float) -> Iterator[Packet]:
    """A cadence sensor that counts `factor` turns for one."""
    for r in ride.revolutions:
        n = int(factor * r.number)
        event = r.end_s if factor >= 1.0 or n == factor * r.number else r.end_s - r.seconds
        body = speed_cadence.Measurement(None, None, n % 65536, int(1024 * event) % 65536)
        yield Packet(ns(r.end_s + 0.03), "beat", "2A5B", bytes(body))


@pytest.mark.parametrize(("factor", "off_rpm"), [(2.0, 88.0), (0.5, -44.0)])
def test_cadence_off(factor: float, off_rpm: float) -> None:
    b = bench(HUB, PEDALS, HERON, 'beat mount="cadence" role="witness"')
    heron = Meter("heron", sided=True, noise=0.004).bluetooth(STEADY)
    found = run(b, *others(STEADY), heron, counted(STEADY, factor))
    (raised,) = told(found, "cadence-off", "beat")
    assert raised.t_s < 45.0
    assert raised.value == pytest.approx(off_rpm, abs=2.0)
    assert raised.unit == "rpm"
    assert "twice or every other" in raised.advice
    assert kinds(found) == {("cadence-off", "beat")}


def test_every_other_turn_is_found_though_single_seconds_hold_none() -> None:
    """Each second it sends the stamp of the last turn, and counts every other: some seconds hold none."""

    def stamped(ride: Ride) -> Iterator[Packet]:
        for second, turns in groupby(ride.revolutions, key=lambda r: math.ceil(r.end_s)):
            *_, r = turns
            body = speed_cadence.Measurement(None, None, r.number // 2, int(1024 * r.end_s) % 65536)
            yield Packet(ns(second + 0.03), "beat", "2A5B", bytes(body))

    b = bench(HUB, PEDALS, HERON, 'beat mount="cadence" role="witness"')
    heron = Meter("heron", sided=True, noise=0.004).bluetooth(STEADY)
    (raised,) = told(run(b, *others(STEADY), heron, stamped(STEADY)), "cadence-off", "beat")
    assert raised.t_s < 45.0
    assert raised.value == pytest.approx(-44.0, abs=2.0)


def test_a_right_cadence_sensor_is_not_off_through_changes_of_cadence() -> None:
    ride = Ride(
        *(Stretch(12, 200, rpm, 0.52) for rpm in (60, 75, 90, 110, 80, 60, 100, 70, 95)),
        Stretch(10, 0),
        Stretch(20, 200, 90),
    )
    b = bench(HUB, PEDALS, HERON, 'beat mount="cadence" role="witness"')
    found = run(b, *others(ride), Meter("heron", sided=True).bluetooth(ride), counted(ride, 1.0))
    assert not [f for f in found if f.kind == "cadence-off"]


# -- values -----------------------------------------------------------------------------------------


def test_stuck() -> None:
    """New events all the while, the same watts in each, while the others move."""

    def same(body: Body, last: Body) -> Body:
        return msgspec.structs.replace(body, power_w=last.power_w)

    heron = altered(Meter("heron", sided=True, torque=False).bluetooth(VARIED), 60.0, 110.0, same)
    found = run(BENCH, *others(VARIED), heron)
    raised, cleared = pair(found, "stuck")
    assert 66.0 < raised.t_s <= 90.0
    assert raised.since_s == pytest.approx(60.0, abs=2.0)
    assert 110.0 < cleared.t_s <= 116.0


def test_stuck_after_a_rest() -> None:
    """Half a minute of 0 W before is no sign that it usually shows the same for so long."""

    def same(body: Body, last: Body) -> Body:
        return msgspec.structs.replace(body, power_w=last.power_w)

    ride = Ride(*VARIED.stretches[:3], Stretch(35, 0), *VARIED.stretches, noise=0.02)
    heron = altered(Meter("heron", sided=True, torque=False).bluetooth(ride), 120.0, 170.0, same)
    raised, cleared = pair(run(BENCH, *others(ride), heron), "stuck")
    assert 126.0 < raised.t_s <= 150.0
    assert 170.0 < cleared.t_s <= 176.0


def test_a_held_target_is_not_stuck() -> None:
    """A trainer that shows its target all the time, and others that hardly move."""
    ride = Ride(Stretch(120, 200, 88, 0.52), noise=0.004)
    flat = [
        Packet(ns(0.5 + k), "heron", "2A63", bytes(Body(200, 104, balance_is_left=True))) for k in range(119)
    ]
    assert not told(run(BENCH, *others(ride), flat), "stuck")


def test_spike() -> None:
    def high(body: Body, last: Body) -> Body:
        return msgspec.structs.replace(body, power_w=1300)

    heron = altered(Meter("heron", sided=True, torque=False).bluetooth(STEADY), 60.0, 60.7, high)
    found = run(BENCH, *others(STEADY), heron)
    raised, cleared = pair(found, "spike")
    assert 60.0 < raised.t_s <= 65.0
    assert raised.value == 1300.0
    assert raised.since_s == pytest.approx(60.3, abs=0.5)
    assert cleared.t_s <= 75.0
    assert not told(found, "power-off"), "one value is a spike, not a leaning"


def test_a_sprint_is_no_spike() -> None:
    ride = Ride(Stretch(40, 180, 85, 0.52), Stretch(6, 900, 115, 0.5), Stretch(40, 160, 80, 0.52), noise=0.03)
    found = run(BENCH, *others(ride), Meter("heron", sided=True).bluetooth(ride))
    assert not [f for f in found if f.kind in ("spike", "clipped", "stuck")]


def test_clipped() -> None:
    def clip(body: Body, last: Body) -> Body:
        return msgspec.structs.replace(body, power_w=min(body.power_w, 400))

    ride = Ride(
        Stretch(60, 180, 88, 0.52), *(Stretch(2.5, w, 100, 0.5) for w in (430, 520, 610, 680, 640)),
        Stretch(60, 180, 88, 0.52), noise=0.02,
    )  # fmt: skip
    heron = altered(Meter("heron", sided=True, torque=False).bluetooth(ride), 0.0, 1e9, clip)
    found = run(BENCH, *others(ride), heron)
    raised, _ = pair(found, "clipped")
    assert 60.0 < raised.t_s <= 72.0
    assert raised.value == 400.0


def test_clipped_after_a_spike() -> None:
    """One wild value does not prove that it can show more."""

    def clip(body: Body, last: Body) -> Body:
        return msgspec.structs.replace(body, power_w=min(body.power_w, 400))

    def high(body: Body, last: Body) -> Body:
        return msgspec.structs.replace(body, power_w=1300)

    ride = Ride(
        Stretch(60, 180, 88, 0.52), *(Stretch(2.5, w, 100, 0.5) for w in (430, 520, 610, 680, 640)),
        Stretch(60, 180, 88, 0.52), noise=0.02,
    )  # fmt: skip
    clipping = altered(Meter("heron", sided=True, torque=False).bluetooth(ride), 0.0, 1e9, clip)
    found = run(BENCH, *others(ride), altered(list(clipping), 30.0, 30.7, high))
    assert {("spike", "heron"), ("clipped", "heron")} <= kinds(found)
    assert not told(found, "stuck")


# -- changes ----------------------------------------------------------------------------------------


def test_shifted() -> None:
    """A step of 2.2 % within the tolerance: nothing is off, but something has happened."""
    ride = Ride(Stretch(420, 200, 88, 0.52), noise=0.02)
    heron = Meter("heron", gain=between(240.0, 1e9, 1.011, 0.989), sided=True, noise=0.003)
    found = run(BENCH, *others(ride), heron.bluetooth(ride))
    raised, cleared = pair(found, "shifted")
    assert 240.0 < raised.t_s <= 330.0, "within 90 s"
    assert raised.since_s == pytest.approx(240.0, abs=31.0)
    assert raised.value == pytest.approx(2.2, abs=0.8)
    assert cleared.t_s > raised.t_s
    assert not told(found, "power-off")


@pytest.mark.parametrize("radio", ["bluetooth", "ant"])
def test_restarted(radio: str) -> None:
    before = Meter("heron", sided=True)
    after = Meter("heron", sided=True, start_revs=0, start_ticks=0, start_torque=0)
    streams = [list(m.bluetooth(STEADY) if radio == "bluetooth" else m.ant(STEADY)) for m in (before, after)]
    heron = [p for p in streams[0] if p.t_ns < 60 * S] + [p for p in streams[1] if p.t_ns >= 61 * S]
    found = run(BENCH, *others(STEADY), heron)
    raised, cleared = pair(found, "restarted")
    assert 61.0 < raised.t_s <= 63.0
    assert cleared.t_s > raised.t_s
    assert kinds(found) == {("restarted", "heron")}, "it makes no work and no wild power"


def test_a_reconnection_is_no_restart() -> None:
    before = Meter("heron", sided=True)
    after = Meter("heron", sided=True, start_revs=0, start_ticks=0, start_torque=0)
    heron = [p for p in before.bluetooth(STEADY) if p.t_ns < 60 * S]
    heron += [p for p in after.bluetooth(STEADY) if p.t_ns >= 61 * S]
    links = [Link(ns(0.0), "heron", "up"), Link(ns(60.2), "heron", "down", ""), Link(ns(60.8), "heron", "up")]
    assert run(BENCH, *others(STEADY), heron, links) == []


# -- settings and facts --------------------------------------------------------------------------------


def crank_length(channel: str, mm: float) -> bytes:
    if channel == "2A66":
        answer = cycling_power.Response(
            cycling_power.REQUEST_CRANK_LENGTH, cycling_power.SUCCESS, round(2 * mm)
        )
        return bytes(answer)
    return bytes(ant_power.CrankParameters(crank_length_raw=round(2.0 * (mm - 110.0)), sensor_status=0x02))


@pytest.mark.parametrize("channel", ["2A66", "ant11"])
def test_setting_differs(channel: str) -> None:
    """172.5 mm set where 170 mm are mounted makes 172.5 / 170 = +1.47 %: torque is force times length."""
    b = bench(HUB, PEDALS, HERON + " crank_length_mm=170.0")
    facts = [
        Packet(ns(5.0), "heron", channel, crank_length(channel, 172.5)),
        Packet(ns(60.0), "heron", channel, crank_length(channel, 170.0)),
    ]
    heron = Meter("heron", sided=True).bluetooth(STEADY)
    found = run(b, *others(STEADY), heron, facts)
    raised, cleared = pair(found, "setting-differs")
    assert raised.value == pytest.approx(1.47, abs=0.005)
    assert "172.5 mm" in raised.advice
    assert "170 mm" in raised.advice
    assert raised.cause == "setting"
    assert cleared.t_s >= 60.0


def test_a_deviation_that_the_setting_explains_has_that_cause() -> None:
    b = bench(HUB, PEDALS, HERON + " crank_length_mm=165.0")
    ride = Ride(Stretch(200, 220, 88, 0.52), noise=0.02)
    heron = Meter("heron", gain=172.5 / 165.0, sided=True, noise=0.004)
    facts = [Packet(ns(5.0), "heron", "2A66", crank_length("2A66", 172.5))]
    raised = told(run(b, *others(ride), heron.bluetooth(ride), facts), "power-off")
    assert raised[0].cause == "setting"
    assert "165 mm" in raised[0].advice


def test_the_mounted_length_and_an_untold_one_are_no_finding() -> None:
    b = bench(HUB, PEDALS, HERON + " crank_length_mm=170.0")
    heron = list(Meter("heron", sided=True).bluetooth(STEADY))
    right = [Packet(ns(5.0), "heron", "2A66", crank_length("2A66", 170.0))]
    assert run(b, *others(STEADY), heron, right) == []
    wrong = [Packet(ns(5.0), "heron", "2A66", crank_length("2A66", 172.5))]
    assert run(BENCH, *others(STEADY), heron, wrong) == [], "the bench names no length"


def test_battery_low_by_percent() -> None:
    def level(t_s: float, percent: int) -> Packet:
        return Packet(ns(t_s), "heron", "2A19", bytes(device_information.BatteryLevel(percent)))

    heron = Meter("heron", sided=True).bluetooth(STEADY)
    found = run(BENCH, *others(STEADY), heron, [level(1.0, 60), level(30.0, 9), level(90.0, 100)])
    raised, cleared = pair(found, "battery-low")
    assert 30.0 <= raised.t_s <= 37.0
    assert raised.value == 9.0
    assert 90.0 <= cleared.t_s <= 97.0


def test_battery_low_by_its_state() -> None:
    def page(state: int) -> bytes:
        return bytes(ant_common.Battery(descriptor=state << 4 | 2, fraction_raw=128))

    facts = [Packet(ns(t), "hub", "ant11", page(state)) for t, state in ((3.0, 3), (40.0, 5), (90.0, 1))]
    found = run(BENCH, *others(STEADY), Meter("heron", sided=True).bluetooth(STEADY), facts)
    raised, cleared = pair(found, "battery-low", "hub")
    assert 40.0 <= raised.t_s <= 47.0
    assert "critical" in raised.advice
    assert cleared.t_s >= 90.0


@pytest.mark.parametrize("low", [0, 1])
def test_battery_low_of_one_pedal_of_a_pair(low: int) -> None:
    """A pair tells of its two batteries in turn; each has its own state."""

    def page(index: int, state: int) -> bytes:
        return bytes(
            ant_common.Battery(identifier=index << 4 | 2, descriptor=state << 4 | 2, fraction_raw=128)
        )

    facts = [
        Packet(ns(20.0 + 0.5 * k), "hub", "ant11", page(k % 2, 5 if k % 2 == low else 2)) for k in range(200)
    ]
    found = run(BENCH, *others(STEADY), Meter("heron", sided=True).bluetooth(STEADY), facts)
    raised = told(found, "battery-low", "hub")
    assert [f.event for f in raised] == ["raised"], "and it does not flicker"


# -- the session itself -----------------------------------------------------------------------------------


def test_not_recorded() -> None:
    stores: list[Record] = [Store(ns(40.0), "failing", 0, "no space left"), Store(ns(70.0), "resumed", 31)]
    found = run(BENCH, *others(STEADY), Meter("heron", sided=True).bluetooth(STEADY), stores)
    raised, cleared = pair(found, "not-recorded", "")
    assert 40.0 <= raised.t_s <= 47.0
    assert 70.0 <= cleared.t_s <= 77.0
    assert kinds(found) == {("not-recorded", "")}, "measuring goes on"


@pytest.mark.parametrize("by_s", [-3600.0, 2.0, 86400.0])
def test_clock_stepped(by_s: float) -> None:
    records = [
        *merged(*others(STEADY), Meter("heron", sided=True).bluetooth(STEADY)),
        *(Tick(k * S, UTC_NS + k * S + (round(by_s * S) if k >= 60 else 0)) for k in range(150)),
    ]
    pipeline = Pipeline(BENCH)
    found = [f for r in sorted(records, key=lambda r: r.t_ns) for f in pipeline.feed(r)]
    raised, cleared = pair(found, "clock-stepped", "")
    assert 60.0 <= raised.t_s <= 67.0
    assert raised.value == pytest.approx(by_s, abs=0.01)
    assert cleared.t_s <= 80.0
    assert kinds(found) == {("clock-stepped", "")}


def test_a_clock_that_is_slewed_is_not_stepped() -> None:
    """Time services slew by up to 500 ppm (common practice): no finding."""
    records = [
        *merged(*others(STEADY), Meter("heron", sided=True).bluetooth(STEADY)),
        *(Tick(k * S, UTC_NS + round(k * S * 1.0005)) for k in range(150)),
    ]
    pipeline = Pipeline(BENCH)
    assert [f for r in sorted(records, key=lambda r: r.t_ns) for f in pipeline.feed(r)] == []


# -- consensus, few instruments ----------------------------------------------------------------------------


def test_against_a_consensus_the_one_that_leans_is_named() -> None:
    b = bench(HUB, PEDALS, HERON, reference="consensus")
    ride = Ride(Stretch(240, 220, 88, 0.52), noise=0.02)
    found = run(b, *others(ride), Meter("heron", gain=1.07, sided=True, noise=0.004).bluetooth(ride))
    assert {instrument for kind, instrument in kinds(found) if kind == "power-off"} == {"heron"}


def test_alone_on_the_bench() -> None:
    b = bench("heron", reference="heron")
    heron = without(Meter("heron").bluetooth(STEADY), 60.0, 90.0)
    raised, cleared = pair(run(b, heron, seconds=150.0), "signal-lost")
    assert raised.t_s <= 60.0 + LOST_AFTER_S + 0.5
    assert cleared.t_s <= 92.0


def test_blind_is_neither_calm_nor_alarm() -> None:
    """While lost, the deviation can't be seen: it is not cleared by that, and stands on when heard again."""
    ride = Ride(Stretch(240, 200, 88, 0.52), noise=0.02)
    heron = Meter("heron", gain=1.07, sided=True, noise=0.004)
    pipeline = Pipeline(BENCH)
    found: list[Finding] = []
    states: dict[int, str] = {}
    for record in merged(ticks(ride.seconds), *others(ride), without(heron.bluetooth(ride), 120.0, 150.0)):
        found += pipeline.feed(record)
        standing = pipeline.alarms.known.get(("power-off", "heron", "total"))
        if standing is not None:
            states[int(record.t_ns / S)] = standing.alarm.state
    assert states[110] == "raised"
    assert states[145] == "blind"
    assert states[200] == "raised"
    assert [f.event for f in told(found, "power-off")].count("cleared") == 0


# -- a scene with every fault that scenes know ------------------------------------------------------------

SCENE = Path(__file__).parent.parent / "fixtures" / "scenes" / "faults.toml"
SCRIPT: list[tuple[Kind, str, str | None, float, float]] = [
    # What the scene's script says and what has to be raised of it: kind, instrument, side, from, to (s).
    ("signal-lost", "wren", None, 60, 63.5),
    ("power-missing", "teal", "total", 60, 65),
    ("side-off", "heron", "right", 60, 120),
    ("one-sided", "plover", None, 120, 132),
    ("signal-lost", "wren", None, 120, 123.5),
    ("stuck", "teal", "total", 126, 150),
    ("side-off", "heron", "left", 180, 240),
    ("sides-swapped", "plover", None, 180, 470),
    ("spike", "teal", "total", 200, 206),
    ("cadence-off", "wren", None, 200, 230),
    ("clipped", "teal", "total", 300, 480),
    ("power-off", "heron", "total", 310, 400),
    ("battery-low", "plover", None, 500, 570),
    ("cadence-off", "wren", None, 500, 540),
    ("restarted", "teal", None, 560, 563.5),
    ("cadence-off", "cadence", None, 600, 630),
    ("power-off", "heron", "total", 600, 720),
]


@pytest.mark.slow
def test_every_fault_of_a_scripted_scene_is_found_while_it_lasts_and_nobody_else_is_blamed() -> None:
    b = load_bench(SCENE)
    scene = Scene(b.scene, [Wanted(i.label, i.link, i.profile) for i in b.instruments])
    pipeline = Pipeline(b)
    found = [f for record in scene.records() for f in pipeline.feed(record)]
    raised = [f for f in found if f.event == "raised"]
    for kind, instrument, side, begin, end in SCRIPT:
        times = [f.t_s for f in raised if (f.kind, f.instrument, f.side) == (kind, instrument, side)]
        assert any(begin <= t_s <= end for t_s in times), (kind, instrument, side, begin, end, times)
    assert {f.instrument for f in raised} == {"heron", "plover", "teal", "wren", "cadence"}


@pytest.mark.parametrize(
    ("own", "theirs", "swapped"),
    [(48.0, 52.0, True), (52.5, 47.5, True), (49.0, 52.0, False), (49.2, 50.8, False), (52.0, 49.0, False)],
)
def test_sides_are_swapped_only_where_both_shares_are_clearly_uneven(
    own: float, theirs: float, swapped: bool
) -> None:
    """Shares on either side of one half, each within the claims of its sides, are no exchange of sides."""
    window = SimpleNamespace(balance=own, balance_reference=theirs, deviation=0.3, limit=1.8)
    assert looks_swapped(window) is swapped  # type: ignore[arg-type]
