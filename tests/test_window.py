"""The window that a bench asks for is the one that is judged and shown."""

import math
from collections.abc import Iterator

import pytest

from capture.record import Packet
from monitor.finding import Finding
from monitor.live.faults.compared.quantity import SIDE_SIGMA, SIGMA, sigma
from monitor.live.pipeline import Pipeline
from monitor.live.screen import view_of
from monitor.setup.bench import Bench
from monitor.text import clock
from tests.helpers.streams import Meter, Ride, S, Stretch, bench, between, merged, ticks

WINDOWS_S = [10, 15, 20, 25, 30, 45, 60, 120]
BEGIN_S, END_S = 150.0, 400.0


def asking(window_s: int, reference: str = "hub") -> Bench:
    return bench(
        'hub role="reference" claim_percent=1.0',
        'pedals role="witness" mount="pedals" sides="both" claim_percent=1.0',
        'heron sides="both" claim_percent=1.5',
        reference=reference,
        limits=f"window_s = {window_s}.0",
    )


def others(ride: Ride, seed: int) -> list[Iterator[Packet]]:
    hub = Meter("hub", noise=0.004, seed=seed + 10)
    pedals = Meter("pedals", sided=True, noise=0.004, seed=seed + 20, phase=0.1)
    return [hub.ant(ride), pedals.bluetooth(ride)]


def found(b: Bench, ride: Ride, heron: Meter, seed: int = 0) -> list[Finding]:
    pipeline = Pipeline(b)
    return [
        finding
        for record in merged(ticks(ride.seconds), *others(ride, seed), heron.bluetooth(ride))
        for finding in pipeline.feed(record)
    ]


def of(findings: list[Finding], kind: str, event: str, side: str | None = None) -> list[Finding]:
    return [
        f
        for f in findings
        if (f.kind, f.instrument, f.event) == (kind, "heron", event) and side in (None, f.side)
    ]


def riding(seconds: float, seed: int = 1) -> Ride:
    return Ride(Stretch(seconds, 220, 88, 0.51), noise=0.02, seed=seed)


@pytest.mark.parametrize("window_s", WINDOWS_S)
@pytest.mark.parametrize("seed", [3])
def test_a_deviation_is_raised_and_passes(window_s: int, seed: int) -> None:
    """6 % over 250 s. It is over in whichever window lies within it, and has passed once the window
    that the bench asks for lies behind it."""
    heron = Meter("heron", gain=between(BEGIN_S, END_S, 1.06), sided=True, noise=0.004, seed=seed)
    told = found(asking(window_s), riding(640, seed), heron, seed)
    raised, cleared = of(told, "power-off", "raised"), of(told, "power-off", "cleared")
    assert BEGIN_S < raised[0].t_s <= BEGIN_S + 60.0
    assert len(cleared) == 1
    assert END_S < cleared[0].t_s <= END_S + window_s + 30.0
    assert cleared[0].t_s > raised[-1].t_s
    if window_s > 30:
        # Half the window within the fault still shows 3 %, twice the tolerance.
        assert cleared[0].t_s > END_S + 0.5 * window_s


@pytest.mark.slow
@pytest.mark.parametrize("window_s", WINDOWS_S)
def test_a_side_and_the_balance_are_raised_and_pass(window_s: int) -> None:
    gain = between(BEGIN_S, END_S, 1.15)
    heron = Meter("heron", gain_right=gain, sided=True, noise=0.004)
    told = found(asking(window_s), riding(640), heron)
    for kind, side in (("side-off", "right"), ("balance-off", None)):
        raised, cleared = of(told, kind, "raised", side), of(told, kind, "cleared", side)
        # The balance is judged in the window that the bench asks for alone.
        assert BEGIN_S < raised[0].t_s <= BEGIN_S + max(60.0, window_s + 30.0), kind
        assert [f.t_s for f in cleared if END_S < f.t_s <= END_S + window_s + 40.0], kind
    assert not of(told, "side-off", "raised", "left")


@pytest.mark.slow
@pytest.mark.parametrize("window_s", WINDOWS_S)
@pytest.mark.parametrize("seed", [11, 12, 13])
def test_a_healthy_one_is_never_raised(window_s: int, seed: int) -> None:
    heron = Meter("heron", gain=1.006, gain_right=0.994, sided=True, noise=0.008, seed=seed)
    assert found(asking(window_s), riding(600, seed), heron, seed) == []


@pytest.mark.slow
@pytest.mark.parametrize("window_s", WINDOWS_S)
@pytest.mark.parametrize("reference", ["hub", "consensus"])
def test_the_trace_shows_the_window_that_the_bench_asks_for(window_s: int, reference: str) -> None:
    """Right up to second 200 and 1.2 % above from there on, which is no deviation: once half of the window
    lies behind that moment, the mean over it has taken half of that."""
    change_s = 200.0
    ride = Ride(Stretch(change_s + window_s, 220, 90, 0.5))
    b = asking(window_s, reference)
    streams = [
        Meter("hub").ant(ride),
        Meter("pedals", sided=True).bluetooth(ride),
        Meter("heron", gain=between(change_s, 1e9, 1.012), sided=True).bluetooth(ride),
    ]
    pipeline = Pipeline(b)
    seen = 0
    for record in merged(ticks(ride.seconds), *streams):
        pipeline.feed(record)
        end = pipeline.ring.end
        if end <= change_s + 3.0 or record.t_ns / S < end:
            continue
        part = min(1.0, (end - change_s) / window_s)
        view = view_of(pipeline)
        percent = view.deviations["heron"][-1]
        if percent is not None and part > 0.3:
            seen += 1
            # A revolution more or less within the change: two thirds of a second.
            assert percent == pytest.approx(1.2 * part, abs=1.2 * 1.5 / window_s + 0.1)
    assert seen > window_s / 2


@pytest.mark.parametrize("window_s", [10, 60])
def test_a_lane_shows_what_its_verdict_rests_on_and_names_it(window_s: int) -> None:
    """All blocks since the last change while nothing is raised; the window that keeps it raised else.

    So it is while there are fewer than two blocks.
    """
    ride = Ride(Stretch(260, 220, 90, 0.5))
    heron = Meter("heron", gain=between(150.0, 1e9, 1.06), sided=True).bluetooth(ride)
    pipeline = Pipeline(asking(window_s))
    named: dict[bool, set[str]] = {False: set(), True: set()}
    for record in merged(ticks(ride.seconds), *others(ride, 0), heron):
        pipeline.feed(record)
        end = pipeline.ring.end
        if end < 100 or record.t_ns / S < end:
            continue
        lane = view_of(pipeline).lanes[2]
        pair = pipeline.comparator.pairs[2]
        raised = "power-off" in lane.raised
        assert lane.deviation_percent is not None
        if raised:
            assert pair.shown is not None
            assert lane.deviation_percent == pair.shown.deviation
            assert lane.verdict == "differs"
        elif pair.verdict.n < 2:
            assert pair.shown is not None
            assert lane.deviation_percent == pair.shown.deviation
            assert lane.basis.startswith("last ")
        else:
            assert lane.deviation_percent == pytest.approx(100.0 * math.expm1(pair.verdict.mean))
            assert lane.basis.startswith("over ")
        named[raised].add(lane.basis)
    assert named[True] == {f"last {clock(window_s)}"}
    assert "over 1:40" in named[False]


@pytest.mark.parametrize("window_s", [60, 120])
def test_until_it_is_filled_the_longest_there_is_stands_in(window_s: int) -> None:
    ride = riding(window_s + 10)
    pipeline = Pipeline(asking(window_s))
    shown: set[int] = set()
    heron = Meter("heron", sided=True, noise=0.004).bluetooth(ride)
    for record in merged(ticks(ride.seconds), *others(ride, 0), heron):
        pipeline.feed(record)
        w = pipeline.comparator.pairs[2].shown
        if w is not None:
            shown.add(w.end_s - w.begin_s)
    assert {10, 50, window_s} <= shown


def test_a_reference_that_all_but_fades_leaves_a_screen() -> None:
    """It shows 25 W for half a minute: only the longest window still has a mean that can be compared."""
    ride = riding(200)
    pipeline = Pipeline(asking(30))
    fading = Meter("hub", gain=between(120.0, 170.0, 0.1)).ant(ride)
    meters = [Meter("pedals", sided=True).bluetooth(ride), Meter("heron", sided=True).bluetooth(ride)]
    for record in merged(ticks(ride.seconds), fading, *meters):
        pipeline.feed(record)
        view_of(pipeline)


@pytest.mark.parametrize("table", [SIGMA, SIDE_SIGMA])
def test_the_shorter_a_window_the_more_it_takes(table: dict[int, float]) -> None:
    values = [sigma(table, n) for n in range(10, 51)]
    assert values == sorted(values, reverse=True)
    assert [sigma(table, n) for n in table] == list(table.values())
    assert sigma(table, 15) == pytest.approx(0.5 * (table[10] + table[20]))
    assert sigma(table, 120) > table[50]
