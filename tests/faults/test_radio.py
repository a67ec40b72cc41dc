"""What radios, sensors and clocks do wrong, record by record: the rest of the bench must not suffer."""

import random
import tracemalloc
from collections.abc import Callable, Iterable, Iterator

import msgspec
import pytest

from capture.record import Link, Packet, Record, Tick
from monitor.finding import Finding
from monitor.live.pipeline import Pipeline
from monitor.live.screen import view_of
from tests.helpers.curves import counted, laid_j
from tests.helpers.streams import UTC_NS, Meter, Ride, S, Stretch, bench, merged, ns, ticks

HUB = 'hub role="reference" claim_percent=1.0'
PEDALS = 'pedals role="witness" mount="pedals" sides="both" claim_percent=1.0'
HERON = 'heron sides="both" claim_percent=1.5'
BENCH = bench(HUB, PEDALS, HERON)
CALM = Ride(Stretch(400, 200, 88, 0.52), noise=0.01)


def heard(ride: Ride) -> list[Iterable[Record]]:
    """The two that nothing happens to."""
    return [Meter("hub").ant(ride), Meter("pedals", sided=True).ant(ride)]


def run(records: Iterable[Record], pipeline: Pipeline | None = None) -> tuple[list[Finding], Pipeline]:
    pipeline = pipeline or Pipeline(BENCH)
    for track in pipeline.tracks:
        counted(track)
    found: list[Finding] = []
    for record in records:
        found += pipeline.feed(record)
        if isinstance(record, Tick) and (record.t_ns // S) % 10 == 0:
            view_of(pipeline)
    return found, pipeline


def others(found: list[Finding]) -> list[tuple[str, str]]:
    return [(f.kind, f.instrument) for f in found if f.instrument in ("hub", "pedals")]


def garbage(packets: Iterable[Packet], chance: random.Random) -> Iterator[Packet]:
    """Every other packet is noise of the right length."""
    for n, p in enumerate(packets):
        yield msgspec.structs.replace(p, data=chance.randbytes(len(p.data))) if n % 2 else p


def duplicates(packets: Iterable[Packet], chance: random.Random) -> Iterator[Packet]:
    """Every packet comes up to five times."""
    for p in packets:
        for k in range(chance.randint(1, 5)):
            yield msgspec.structs.replace(p, t_ns=p.t_ns + k * 2_000_000)


def wrong_lengths(packets: Iterable[Packet], chance: random.Random) -> Iterator[Packet]:
    """Cut off or drawn out, from nothing to the longest a radio can bring."""
    for p in packets:
        length = chance.choice((0, 1, 2, 3, 5, 7, 9, 60, 512))
        yield msgspec.structs.replace(p, data=(p.data + chance.randbytes(512))[:length])


def jumps(packets: Iterable[Packet], chance: random.Random) -> Iterator[Packet]:
    """Counters leap to anywhere every few seconds."""
    shift = bytes(20)
    for n, p in enumerate(packets):
        if n % 12 == 0:
            shift = chance.randbytes(20)
        # Flags and power stay, the counters behind them are moved.
        moved = p.data[:5] + bytes((a + b) % 256 for a, b in zip(p.data[5:], shift, strict=False))
        yield msgspec.structs.replace(p, data=moved)


def flood(packets: Iterable[Packet], chance: random.Random) -> Iterator[Packet]:
    """A thousand a second for a minute, in between the true ones."""
    noise = [
        Packet(ns(100.0 + k / 1000.0), "heron", "2A63", chance.randbytes(chance.randint(2, 20)))
        for k in range(60_000)
    ]
    return iter(sorted([*packets, *noise], key=lambda p: p.t_ns))


def vanishing(packets: Iterable[Packet], chance: random.Random) -> Iterator[Record]:
    """Another program takes it: connected for two seconds, gone for eight, again and again."""
    up = False
    for p in packets:
        now_up = p.t_ns // S % 10 < 2
        if now_up != up:
            up = now_up
            yield Link(p.t_ns, "heron", "up" if up else "down", "" if up else "taken by another program")
        if up:
            yield p


@pytest.mark.parametrize("how", [garbage, duplicates, wrong_lengths, jumps, flood, vanishing])
def test_one_that_goes_wrong_harms_no_other(
    how: Callable[[Iterable[Packet], random.Random], Iterable[Record]],
) -> None:
    sent = Meter("heron", sided=True).bluetooth(CALM)
    found, pipeline = run(merged(ticks(400), *heard(CALM), how(sent, random.Random(how.__name__))))
    assert not others(found), [f for f in found if f.instrument in ("hub", "pedals")]
    alone, quiet = run(merged(ticks(400), *heard(CALM)))
    for i in (0, 1):
        assert laid_j(pipeline.tracks[i]) == laid_j(quiet.tracks[i])
    assert not others(alone)


def test_duplicates_are_no_work() -> None:
    sent = list(Meter("heron", sided=True).bluetooth(CALM))
    _, once = run(merged(ticks(400), *heard(CALM), sent))
    twice = duplicates(sent, random.Random(1))
    found, pipeline = run(merged(ticks(400), *heard(CALM), twice))
    assert not found
    assert laid_j(pipeline.tracks[2]) == pytest.approx(laid_j(once.tracks[2]), rel=1e-3)


def test_eight_join_at_once() -> None:
    labels = [f"m{k}" for k in range(8)]
    crowd = bench(HUB, PEDALS, HERON, *(f'{label} sides="both" claim_percent=2.0' for label in labels))
    late = [
        [p for p in Meter(label, sided=True, phase=0.01 * k).ant(CALM) if p.t_ns >= 120 * S]
        for k, label in enumerate(labels)
    ]
    ups = [Link(120 * S - 1, label, "up") for label in labels]
    found, pipeline = run(
        merged(ticks(400), *heard(CALM), Meter("heron", sided=True).bluetooth(CALM), ups, *late),
        Pipeline(crowd),
    )
    assert {(f.kind, f.event) for f in found} <= {("signal-lost", "raised"), ("signal-lost", "cleared")}
    assert all(pipeline.facts.heard[pipeline.index[label]] == "heard" for label in labels)
    assert all(pipeline.comparator.pairs[pipeline.index[label]].windows for label in labels)


def flapping(seconds: int) -> Iterator[Record]:
    """The links of all three flap for as long as told, each in its own time."""
    ride = Ride(*(Stretch(300, 180 + 20 * (k % 5), 85, 0.52) for k in range(seconds // 300)), noise=0.01)
    chance = random.Random(7)
    streams: list[Iterable[Record]] = []
    for label, packets in (
        ("hub", Meter("hub").ant(ride)),
        ("pedals", Meter("pedals", sided=True).ant(ride)),
        ("heron", Meter("heron", sided=True).bluetooth(ride)),
    ):
        out: list[Record] = []
        change, up = 5.0, True
        for p in packets:
            if p.t_ns / S >= change:
                up = not up
                change = p.t_ns / S + chance.uniform(0.3, 20.0 if up else 6.0)
                out.append(Link(p.t_ns, label, "up" if up else "down", "" if up else "out of range"))
            if up:
                out.append(p)
        streams.append(out)
    return iter(merged(ticks(seconds), *streams))


def test_links_flap_for_an_hour() -> None:
    found, pipeline = run(flapping(3600))
    kinds = {f.kind for f in found}
    assert kinds <= {"signal-lost"}, "healthy meters under a bad radio are not blamed for their power"
    lost = [f for f in found if f.event == "raised"]
    assert len(lost) > 50
    assert pipeline.ring.end >= 3590
    assert len(pipeline.events) <= 200


def test_memory_stays_flat_under_a_flood() -> None:
    chance = random.Random(1)
    pipeline = Pipeline(BENCH)

    def second(k: int) -> None:
        for n in range(1000):
            data = chance.randbytes(chance.randint(0, 20))
            channel = chance.choice(("2A63", "2AD2", "ant11", "ant17", "2A19", "0000", "antx"))
            pipeline.feed(
                Packet(k * S + n * 1_000_000, chance.choice(("hub", "heron", "who")), channel, data)
            )

    for k in range(30):
        second(k)
    tracemalloc.start()
    try:
        for k in range(30, 60):
            second(k)
        before = tracemalloc.take_snapshot()
        for k in range(60, 90):
            second(k)
        grown = sum(d.size_diff for d in tracemalloc.take_snapshot().compare_to(before, "filename"))
    finally:
        tracemalloc.stop()
    assert grown < 100_000


@pytest.mark.parametrize(("by_s", "told"), [(3600.0, True), (-3600.0, True), (0.4, False)])
def test_a_stepped_wall_clock_is_seen(by_s: float, told: bool) -> None:
    def stepped() -> Iterator[Record]:
        for k in range(401):
            yield Tick(k * S, UTC_NS + k * S + (ns(by_s) if k >= 200 else 0))

    found, _ = run(merged(stepped(), *heard(CALM), Meter("heron", sided=True).bluetooth(CALM)))
    assert [(f.kind, f.event) for f in found] == (
        [("clock-stepped", "raised"), ("clock-stepped", "cleared")] if told else []
    )
    if told:
        assert found[0].value == pytest.approx(by_s, abs=0.01)


@pytest.mark.parametrize("asleep_s", [30.0, 1800.0, 30000.0])
def test_a_laptop_that_slept_is_seen(asleep_s: float) -> None:
    """Its monotonic clock stood still or went on; the wall clock went on; nobody was heard meanwhile."""

    def slept(records: Iterable[Record], monotonic_goes_on: bool) -> Iterator[Record]:
        for r in records:
            late = r.t_ns >= 200 * S
            if isinstance(r, Tick):
                t_ns = r.t_ns + (ns(asleep_s) if late and monotonic_goes_on else 0)
                yield Tick(t_ns, r.utc_ns + (ns(asleep_s) if late else 0))
            else:
                yield msgspec.structs.replace(
                    r, t_ns=r.t_ns + (ns(asleep_s) if late and monotonic_goes_on else 0)
                )

    for goes_on in (False, True):
        records = merged(ticks(400), *heard(CALM), Meter("heron", sided=True).bluetooth(CALM))
        found, pipeline = run(slept(records, goes_on))
        kinds = {f.kind for f in found}
        if goes_on:
            assert kinds <= {"stamps-late", "restarted"}, f"no link is to blame: {found}"
            slept = next(f for f in found if f.kind == "stamps-late")
            assert slept.value == pytest.approx(asleep_s, abs=1.0)
            words = (
                "too slow: stamps are up to 30.0 s late" if asleep_s < 60.0 else "slept or stood still for"
            )
            assert words in slept.what
        else:
            assert "clock-stepped" in kinds
        assert all(h == "heard" for h in pipeline.facts.heard)
        assert all(pipeline.comparator.pairs[i].windows for i in (1, 2)), "judging goes on"
