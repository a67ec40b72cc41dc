"""The one path of records to findings and views: the same for all, whatever comes, however cut."""

import random
import tracemalloc
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path

import hypothesis
import hypothesis.strategies as st
import msgspec
import numpy as np
import pytest

from capture.profiles import speed_cadence
from capture.record import Act, End, Header, Link, Packet, Record, Reported, Store, Tick, Write
from capture.scene import Scene
from capture.source import Wanted
from monitor.analysis.curve import COVERED, REVS, WORK
from monitor.finding import Finding
from monitor.live.pipeline import Pipeline
from monitor.live.screen import view_of
from monitor.live.view import View
from monitor.setup.bench import Bench, Instrument, load_bench
from monitor.study.recording import collect
from tests.helpers.curves import counted, laid_j
from tests.helpers.streams import UTC_NS, Meter, Ride, S, Stretch, bench, between, merged, ns, ticks, without

BENCH = bench(
    'hub role="reference" claim_percent=1.0',
    'pedals role="witness" mount="pedals" sides="both" claim_percent=1.0',
    'heron sides="both" claim_percent=1.5 crank_length_mm=170.0',
)


def an_evening() -> list[Record]:
    """Five minutes in which much goes wrong: a lean, a loss, a rest, acts, rubbish, trouble with the disk."""
    ride = Ride(
        Stretch(60, 200, 90, 0.52), Stretch(60, 250, 80, 0.51), Stretch(20, 0), Stretch(100, 180, 95, 0.52),
        Stretch(60, 300, 90, 0.5), noise=0.02,
    )  # fmt: skip
    heron = Meter("heron", gain=between(70.0, 1e9, 1.07), sided=True, noise=0.005)
    return merged(
        ticks(ride.seconds),
        Meter("hub", noise=0.005, seed=5).ant(ride),
        Meter("pedals", sided=True, noise=0.005, seed=6, phase=0.1).bluetooth(ride),
        without(heron.bluetooth(ride), 170.0, 185.0),
        [
            Link(ns(0.1), "heron", "up"),
            Act(ns(1.0), "segment", "steady"),
            Packet(ns(2.0), "heron", "2A19", b"\x08"),
            Packet(ns(3.0), "heron", "2A63", b"\x00"),
            Packet(ns(4.0), "nobody", "2A63", b"\x00\x00\xc8\x00"),
            Packet(ns(5.0), "hub", "ant11", b"\xee" * 7),
            Packet(ns(6.0), "hub", "2AFF", b"\x01"),
            Reported(ns(7.0), "heron", "name", "a name"),
            Write(ns(8.0), "heron", "2A66", b"\x0c", "sent"),
            Act(ns(62.0), "gear", "50x17"),
            Act(ns(150.0), "acknowledge"),
            Link(ns(171.0), "heron", "down", "out of range"),
            Link(ns(184.5), "heron", "up"),
            Act(ns(240.0), "zeroed", "", "heron"),
            Store(ns(250.0), "failing", 0, "full"),
            Store(ns(255.0), "resumed", 4),
            End(ns(300.0), "finished"),
        ],
    )


def findings(records: Iterable[Record], b: Bench = BENCH) -> list[Finding]:
    pipeline = Pipeline(b)
    return [f for r in records for f in pipeline.feed(r)]


EVENING = an_evening()


# -- the same records, the same findings ------------------------------------------------------------


def test_the_same_records_give_the_same_findings_to_the_byte() -> None:
    first, second = (msgspec.json.encode(findings(EVENING)) for _ in range(2))
    assert first == second
    assert len(findings(EVENING)) > 6


def test_views_in_between_change_nothing() -> None:
    pipeline = Pipeline(BENCH)
    found: list[Finding] = []
    for k, record in enumerate(EVENING):
        found += pipeline.feed(record)
        if k % 7 == 0:
            view_of(pipeline)
    assert msgspec.json.encode(found) == msgspec.json.encode(findings(EVENING))


def test_cut_anywhere_the_findings_are_a_prefix() -> None:
    whole = findings(EVENING)
    chance = random.Random(1)
    for _ in range(12):
        cut = chance.randrange(len(EVENING))
        part = findings(EVENING[:cut])
        assert part == whole[: len(part)]
        now_s = EVENING[cut - 1].t_ns / S if cut else 0.0
        assert len(part) >= len([f for f in whole if f.t_s <= now_s - 0.25]), "and nothing is held back"


def test_recorded_bytes_give_the_same_findings() -> None:
    """Through the records' own encoding, as a journal or a pipe gives them back."""
    decoder = msgspec.msgpack.Decoder(list[Record])
    again = decoder.decode(msgspec.msgpack.encode(EVENING))
    assert findings(again) == findings(EVENING)


def test_the_order_of_the_bench_decides_the_order_of_findings_at_one_moment() -> None:
    """Two instruments lost at the same moment: always told in bench order."""
    ride = Ride(Stretch(60, 200, 90, 0.52))
    streams = [
        list(Meter("hub").ant(ride)),
        list(without(Meter("pedals", sided=True).bluetooth(ride), 30.0, 1e9)),
        list(without(Meter("heron", sided=True).bluetooth(ride), 30.0, 1e9)),
    ]
    for order in (streams, streams[::-1]):
        lost = [f.instrument for f in findings(merged(ticks(60), *order)) if f.kind == "signal-lost"]
        assert lost == ["pedals", "heron"]


def test_collect_is_the_same_path() -> None:
    text = BENCH.text
    recording = collect(Header(text, "0.0.0", UTC_NS), EVENING)
    assert recording.findings == findings(EVENING)
    assert recording.records == len(EVENING)
    assert recording.lost_records == 4
    assert recording.closed
    assert recording.labels == ["hub", "pedals", "heron"]
    assert recording.seconds == 300.0
    assert [a.act for a in recording.acts] == ["segment", "gear", "acknowledge", "zeroed"]
    assert len(recording.arrivals[0]) == sum(isinstance(r, Packet) and r.instrument == "hub" for r in EVENING)


# -- work is kept --------------------------------------------------------------------------------------


def test_the_cells_hold_all_the_work_of_the_curves() -> None:
    recording = collect(Header(BENCH.text, "0.0.0", UTC_NS), EVENING)
    pipeline = Pipeline(BENCH)
    for track in pipeline.tracks:
        counted(track)
    for record in EVENING:
        pipeline.feed(record)
    work = recording.cells[:, :, WORK].sum(axis=0)
    for i, track in enumerate(pipeline.tracks):
        assert work[i] == pytest.approx(laid_j(track), rel=1e-9)
    assert recording.cells[:, :, COVERED].max() <= 1.0 + 1e-9
    assert recording.cells[:, :, REVS].min() >= 0.0


def test_windows_end_at_a_common_time() -> None:
    """Every comparison sees the same interval, behind the slowest that is heard, and never far behind."""
    ride = Ride(Stretch(120, 200, 30, 0.52))  # turns of two seconds
    seen = []

    def closed(second: int, cell: np.ndarray) -> None:
        seen.append((second, pipeline.t_s, cell[:, COVERED].tolist()))

    pipeline = Pipeline(BENCH, on_cell=closed)
    for record in merged(
        ticks(120), Meter("hub").ant(ride), Meter("pedals", sided=True).bluetooth(ride),
        Meter("heron", sided=True, delay_s=0.8).bluetooth(ride),
    ):  # fmt: skip
        pipeline.feed(record)
    assert [s for s, _, _ in seen] == list(range(len(seen)))
    assert len(seen) >= 112
    for second, now_s, covered in seen[10:]:
        assert second < now_s <= second + 8.0
        assert covered == pytest.approx([1.0, 1.0, 1.0], abs=1e-6)


def test_one_that_is_heard_and_never_tells_any_work_holds_nobody_up() -> None:
    """Only wheel revolutions come from an instrument that the bench takes for a power meter."""
    ride = Ride(Stretch(90, 200, 90, 0.52), noise=0.02)
    mute = [
        Packet(ns(0.5 * k), "heron", "2A5B", bytes(speed_cadence.Measurement(3 * k, 1024 * k % 65536)))
        for k in range(1, 180)
    ]
    closed: list[int] = []
    pipeline = Pipeline(BENCH, on_cell=lambda second, cell: closed.append(second))
    for record in merged(
        ticks(90), Meter("hub").ant(ride), Meter("pedals", sided=True, noise=0.004).bluetooth(ride), mute
    ):
        pipeline.feed(record)
    assert len(closed) >= 82
    assert pipeline.comparator.pairs[1].windows[30].deviation == pytest.approx(0.0, abs=1.0)


def test_after_a_zeroing_only_what_comes_after_speaks() -> None:
    pipeline = Pipeline(BENCH)
    for record in EVENING:
        before = pipeline.comparator.pairs[2].verdict.n
        pipeline.feed(record)
        if isinstance(record, Act) and record.act == "zeroed":
            assert before > 0
            assert pipeline.comparator.pairs[2].verdict.n == 0
            assert not pipeline.comparator.pairs[2].windows
            assert pipeline.comparator.pairs[1].verdict.n > 0, "the others go on"
    assert all(w.begin_s >= 239 for w in pipeline.comparator.pairs[2].windows.values())


# -- a scene, whose truth is known --------------------------------------------------------------------------


SCENE = Path(__file__).parent.parent / "fixtures" / "scenes" / "healthy.toml"


def scene_records(b: Bench, seconds: float) -> Iterator[Record]:
    scene = Scene(b.scene, [Wanted(i.label, i.link, i.profile) for i in b.instruments])
    for record in scene.records():
        if record.t_ns > seconds * S:
            return
        yield record


def test_a_healthy_scene_has_no_findings_and_the_means_of_the_ride() -> None:
    b = load_bench(SCENE)
    scene = Scene(b.scene, [Wanted(i.label, i.link, i.profile) for i in b.instruments])
    recording = collect(Header(b.text, "0.0.0", UTC_NS), scene_records(b, 240.0))
    assert recording.findings == []
    truth = scene.truth(240.0)
    begin, end = 60, 220
    true_w = (sum(truth.work_j(float(end))) - sum(truth.work_j(float(begin)))) / (end - begin)
    hub_w = (truth.hub_work_j(float(end)) - truth.hub_work_j(float(begin))) / (end - begin)
    for i, instrument in enumerate(b.instruments):
        if instrument.mount == "cadence":
            continue
        rows = recording.cells[begin:end, i]
        mean_w = rows[:, WORK].sum() / rows[:, COVERED].sum()
        expected = hub_w if instrument.mount == "hub" else true_w
        assert mean_w == pytest.approx(expected, rel=(instrument.claim_percent or 2.0) / 100.0), (
            instrument.label
        )


# -- hostile -----------------------------------------------------------------------------------------------


def test_unknown_labels_and_rubbish_are_counted_never_fatal() -> None:
    pipeline = Pipeline(BENCH)
    for record in EVENING:
        pipeline.feed(record)
    assert pipeline.intake.strange == 1
    assert pipeline.bad_packets == [2, 0, 1]
    assert pipeline.records == len(EVENING)
    lane = view_of(pipeline).lanes[0]
    assert lane.bad_packets == 2


def test_records_a_little_out_of_order_change_little() -> None:
    """Two threads that stamp: the journal's order is the truth, times step back by milliseconds."""
    chance = random.Random(2)
    shaken = sorted(EVENING, key=lambda r: r.t_ns + chance.randint(-30_000_000, 30_000_000))
    assert [r.t_ns for r in shaken] != [r.t_ns for r in EVENING]

    def told(found: Sequence[Finding]) -> list[tuple[str, str, str, str | None]]:
        return sorted((f.event, f.kind, f.instrument, f.side) for f in found)

    assert told(findings(shaken)) == told(findings(EVENING))


def moved(records: Iterable[Record], from_s: float, by_s: float) -> list[Record]:
    """All records from `from_s` on later by `by_s`."""
    by_ns = round(by_s * S)
    return [msgspec.structs.replace(r, t_ns=r.t_ns + by_ns) if r.t_ns >= from_s * S else r for r in records]


@pytest.mark.parametrize(
    "by_s", [30.0, 3599.0, 3700.0, 8000.0, 86400.0, 400 * 86400.0, 292 * 365 * 86400.0 * 0.9]
)
def test_a_leap_in_time_is_survived_and_judging_goes_on(by_s: float) -> None:
    """A machine that slept, a file that was glued together: hours and centuries."""
    ride = Ride(Stretch(200, 220, 90, 0.52), noise=0.02)
    heron = Meter("heron", gain=1.08, sided=True, noise=0.005)
    pedals = Meter("pedals", sided=True, seed=4)
    records = moved(
        merged(
            ticks(200),
            Meter("hub", noise=0.005).ant(ride),
            pedals.bluetooth(ride),
            heron.bluetooth(ride),
        ),
        100.0,
        by_s,
    )
    pipeline = Pipeline(BENCH)
    found: list[Finding] = []
    for record in records:
        found += pipeline.feed(record)
    assert ("power-off", "heron") in {(f.kind, f.instrument) for f in found}
    assert not {f.instrument for f in found if f.kind in ("power-off", "side-off", "shifted")} - {"heron"}
    view = view_of(pipeline)
    assert view.t_s == pytest.approx(200.0 + by_s, abs=1.0)
    assert [lane.heard for lane in view.lanes] == ["heard"] * 3
    assert view.lanes[0].power_w == pytest.approx(220.0, rel=0.05)
    assert view.lanes[2].verdict == "differs"


@pytest.mark.parametrize("by_s", [-0.5, -20.0, -99.0, -1e6])
def test_time_that_runs_backwards_is_survived(by_s: float) -> None:
    ride = Ride(Stretch(200, 220, 90, 0.52), noise=0.02)
    records = moved(
        merged(ticks(200), Meter("hub").ant(ride), Meter("heron", sided=True).bluetooth(ride)), 100.0, by_s
    )
    pipeline = Pipeline(BENCH)
    for record in records:
        pipeline.feed(record)
        assert pipeline.t_s >= 0.0
    view = view_of(pipeline)
    msgspec.json.encode(view)


TIMES = st.one_of(
    st.integers(0, 400 * S), st.integers(-(2**63), 2**63 - 1), st.sampled_from([0, -1, 2**63 - 1, -(2**63)])
)
LABELS = st.sampled_from(["hub", "pedals", "heron", "nobody", ""])
TEXTS = st.text(max_size=9)
CHANNELS = st.sampled_from(["2A63", "ant11", "2A5B", "2AD2", "2A19", "2A66", "x"])
PAGES = st.tuples(st.sampled_from([0x10, 0x11, 0x12, 0x52, 0x02]), st.binary(min_size=7, max_size=7))
LINKS = st.sampled_from(["up", "down", "missed", "given-up", "radio-lost"])
ACTS = st.sampled_from(["segment", "zeroed", "gear", "acknowledge", "mark", "??"])
KEYS = st.sampled_from(["name", "crank_length_mm", "battery_percent"])
RECORDS = st.one_of(
    st.builds(Packet, TIMES, LABELS, CHANNELS, st.binary(max_size=34)),
    st.builds(Packet, TIMES, LABELS, st.just("ant11"), PAGES.map(lambda p: bytes([p[0]]) + p[1])),
    st.builds(Link, TIMES, LABELS, LINKS, TEXTS),
    st.builds(Tick, TIMES, st.integers(-(2**63), 2**63 - 1)),
    st.builds(Act, TIMES, ACTS, TEXTS, LABELS),
    st.builds(Reported, TIMES, LABELS, KEYS, TEXTS),
    st.builds(Write, TIMES, LABELS, TEXTS, st.binary(max_size=5)),
    st.builds(Store, TIMES, st.sampled_from(["failing", "resumed"]), st.integers(0, 2**40), TEXTS),
    st.builds(End, TIMES),
)


@hypothesis.settings(max_examples=60, suppress_health_check=[hypothesis.HealthCheck.too_slow])
@hypothesis.given(st.lists(RECORDS, max_size=40))
def test_whatever_the_records_are_nothing_breaks(records: list[Record]) -> None:
    pipeline = Pipeline(BENCH)
    found: list[Finding] = []
    for record in records:
        found += pipeline.feed(record)
    msgspec.json.encode(found)
    view = view_of(pipeline)
    assert len(view.lanes) == 3
    msgspec.json.encode(view)
    pipeline.finish()
    cut = len(records) // 2
    part = findings(records[:cut])
    assert part == found[: len(part)]


# -- the view ----------------------------------------------------------------------------------------------


def test_the_view_agrees_with_the_findings_at_every_moment() -> None:
    pipeline = Pipeline(BENCH)
    standing: dict[tuple[str, str, str | None], float] = {}
    for k, record in enumerate(EVENING):
        for f in pipeline.feed(record):
            key = (f.kind, f.instrument, f.side)
            if f.event == "raised":
                standing[key] = f.since_s
            else:
                del standing[key]
        if k % 3:
            continue
        view = view_of(pipeline)
        assert {(a.kind, a.instrument, a.side) for a in view.alarms} == set(standing)
        for alarm in view.alarms:
            assert alarm.since_s == pytest.approx(
                standing[alarm.kind, alarm.instrument, alarm.side], abs=1e-3
            )
            assert alarm.state in ("raised", "blind")
        for lane in view.lanes:
            told = [
                k if s in (None, "total") else f"{s} {k}" for k, label, s in standing if label == lane.label
            ]
            assert sorted(lane.raised) == sorted(told)
        if view.alarms:
            assert view.advice == view.alarms[0].text
        assert view.advice
        assert all(len(t) == len(view.trace_s) for t in view.traces_w.values())
        assert view.t_s >= 0.0


def at(records: Sequence[Record], t_s: float, b: Bench = BENCH) -> View:
    """The view at a time."""
    pipeline = Pipeline(b)
    for record in records:
        if record.t_ns > t_s * S:
            break
        pipeline.feed(record)
    return view_of(pipeline)


def test_what_a_lane_shows() -> None:
    view = at(EVENING, 60.0)
    hub, pedals, heron = view.lanes
    assert hub.verdict == "reference"
    assert {pedals.verdict, heron.verdict} <= {"agrees", "undecided"}
    assert at(EVENING, 118.0).lanes[1].verdict == "agrees"
    for lane in view.lanes:
        assert lane.power_w == pytest.approx(200.0, rel=0.06)
        assert lane.cadence_rpm == pytest.approx(90.0, abs=2.0)
    assert pedals.left_w is not None
    assert pedals.right_w is not None
    assert pedals.left_w + pedals.right_w == pytest.approx(pedals.power_w, rel=1e-9)
    assert pedals.left_w / (pedals.power_w or 1.0) == pytest.approx(0.52, abs=0.01)
    assert (hub.left_w, hub.right_w, hub.deviation_percent) == (None, None, None)
    assert heron.battery_percent == 8.0
    assert "battery-low" in heron.raised
    assert view.segment is not None
    assert (view.segment.name, view.segment.start_s) == ("steady", 1.0)
    assert view.bench == "bench"


def test_a_lost_instrument_shows_nothing_and_says_since_when() -> None:
    lane = at(EVENING, 180.0).lanes[2]
    assert lane.heard == "lost"
    assert lane.heard_since_s == pytest.approx(170.0, abs=1.0)
    assert (lane.power_w, lane.left_w, lane.cadence_rpm) == (None, None, None)
    assert lane.verdict != "agrees"


def test_the_differing_one_differs_and_the_uncertainty_is_shown() -> None:
    lane = at(EVENING, 135.0 - 17.0).lanes[2]
    assert lane.verdict == "differs"
    assert lane.deviation_percent == pytest.approx(7.0, abs=1.5)
    assert lane.u95_percent is not None
    assert lane.limit_percent is not None
    assert 0.0 < lane.u95_percent < 4.0
    assert abs(lane.deviation_percent or 0.0) > lane.limit_percent


def test_without_data_all_is_searching_and_blind() -> None:
    view = view_of(Pipeline(BENCH))
    assert [lane.heard for lane in view.lanes] == ["searching"] * 3
    assert [lane.verdict for lane in view.lanes] == ["reference", "blind", "blind"]
    assert view.alarms == ()
    assert view.trace_s == ()
    assert view.advice == "turn the cranks to wake hub, pedals, heron, not heard yet"


def test_acknowledged_alarms_step_back_but_stand() -> None:
    before, after = at(EVENING, 149.0), at(EVENING, 151.0)
    assert before.alarms
    assert not any(a.acknowledged for a in before.alarms)
    assert {a.kind for a in after.alarms} == {a.kind for a in before.alarms}
    assert all(a.acknowledged for a in after.alarms)
    later = at(EVENING, 253.0)
    assert not next(a for a in later.alarms if a.kind == "not-recorded").acknowledged


def test_the_disk_is_told_of_and_the_end() -> None:
    assert at(EVENING, 252.0).recording == "NOT RECORDED: full"
    assert at(EVENING, 260.0).recording == "recording"
    assert at(EVENING, 301.0).recording == "closed"


def test_events_are_listed_with_their_marks() -> None:
    events = at(EVENING, 301.0).events
    marks = {e.mark for e in events}
    assert {"!", "✓", "·", "~", "→"} <= marks
    assert [e.t_s for e in events] == sorted(e.t_s for e in events)
    assert len(events) <= 200


# -- size ---------------------------------------------------------------------------------------------------


def crowd(n: int) -> Bench:
    """More instruments than a bench file may name."""
    return Bench(
        name="crowd",
        reference="m0",
        instruments=tuple(
            Instrument(label=f"m{k}", link=f"log:m{k}", sides="both" if k % 3 else "total") for k in range(n)
        ),
    )


def test_64_instruments() -> None:
    ride = Ride(Stretch(45, 200, 90, 0.52), noise=0.02)
    meters = [
        Meter(f"m{k}", gain=1.08 if k == 40 else 1.0, sided=k % 3 != 0, noise=0.005, seed=k).bluetooth(ride)
        for k in range(64)
    ]
    found = findings(merged(ticks(45), *meters), crowd(64))
    assert {(f.kind, f.instrument) for f in found} == {("power-off", "m40")}


def endless(seconds: int) -> Iterator[Record]:
    """Riding by the hour without holding it in memory."""
    hours = [Stretch(240, 210, 88, 0.52), Stretch(30, 0), Stretch(330, 180, 92, 0.52)]
    for k in range(seconds // 600):
        ride = Ride(*hours, noise=0.02, seed=k)
        start = {"start_revs": 60000 + 900 * k, "start_ticks": 600 * 1024 * k, "start_torque": 777 * k}
        lap = merged(
            Meter("hub", noise=0.005, seed=k, **start).ant(ride),  # type: ignore[arg-type]
            Meter("pedals", sided=True, noise=0.005, seed=k + 1, **start).bluetooth(ride),  # type: ignore[arg-type]
            Meter("heron", gain=1.0 + 0.08 * (k % 2), sided=True, noise=0.005, seed=k + 2, **start).bluetooth(
                ride
            ),  # type: ignore[arg-type]
        )
        yield from (
            merged(ticks(599), moved(lap, -1.0, 0.0))
            if k == 0
            else moved(merged(ticks(599), lap), -1.0, 600.0 * k)
        )


@pytest.mark.slow
def test_memory_is_flat_over_hours() -> None:
    pipeline = Pipeline(BENCH)
    found = 0
    tracemalloc.start()
    try:
        after_an_hour = 0
        for record in endless(3 * 3600):
            found += len(pipeline.feed(record))
            if not after_an_hour and record.t_ns >= 3600 * S:
                after_an_hour = tracemalloc.get_traced_memory()[0]
        grown = tracemalloc.get_traced_memory()[0] - after_an_hour
    finally:
        tracemalloc.stop()
    assert found > 10, "or nothing happened"
    assert grown < 1 << 20
