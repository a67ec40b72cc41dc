"""Readings to the work curve: exact where counters are sent, energy kept, nothing invented."""

import itertools
import math
import random
from collections.abc import Iterable, Iterator, Sequence

import hypothesis
import hypothesis.strategies as st
import numpy as np
import numpy.typing as npt
import pytest

from capture.profiles import (
    ant_power,
    ant_speed_cadence,
    cycling_power,
    decode,
    fitness_machine,
    speed_cadence,
)
from capture.record import Packet
from monitor.analysis.curve import (
    BRIDGED_S,
    CAPACITY_S,
    COLUMNS,
    COVERED,
    LEFT,
    REVS,
    SIDED,
    TURNED,
    WORK,
    Curve,
    Ring,
)
from monitor.analysis.work.showing import HELD_S
from monitor.analysis.work.track import Track
from tests.helpers.curves import counted, laid_j
from tests.helpers.metrology import vector
from tests.helpers.streams import TWO_PI, Meter, Ride, Stretch

Cells = npt.NDArray[np.float64]


def played(packets: Iterable[Packet], sides: str = "total", track: Track | None = None) -> Track:
    """A track that has taken the packets."""
    track = track or counted(Track(sides))
    for p in packets:
        track.feed(decode(p.channel, p.data), p.t_ns / 1e9)
    return track


def cells(track: Track, seconds: float) -> Cells:
    """All seconds up to `seconds`, closed; shape (seconds, COLUMNS)."""
    track.settle()
    return np.array([track.curve.close() for _ in range(math.ceil(seconds))])


def measurement(
    power_w: float, torque: float, revs: int, ticks: float, left: float | None = None
) -> cycling_power.Measurement:
    """0x2A63 of a crank; torque in N·m, ticks in s, both of any size."""
    return cycling_power.Measurement(
        round(power_w),
        None if left is None else round(200 * left),
        round(torque * 32) % 65536,
        crank_revs=revs % 65536,
        crank_event_1024ths=round(ticks * 1024) % 65536,
        balance_is_left=left is not None,
        torque_at_crank=True,
    )


def feed(track: Track, t_s: float, body: object, channel: str = "2A63") -> None:
    track.feed(decode(channel, bytes(body)), t_s)  # type: ignore[call-overload]


# -- published and exact figures ----------------------------------------------------------


def test_three_revolutions() -> None:
    """Exact, synthetic. Time is stretched fourfold, so that the window ends on whole seconds: powers are a
    quarter. The mean of the powers (356 W / 4) is wrong, work over time is right."""
    v = vector("work-curve-3rev")
    track = counted(Track("total"))
    torque, at = 0.0, 8.0
    feed(track, at, measurement(0, torque, 0, at))
    for n, (seconds, mean_nm) in enumerate(
        zip(v["input"]["rev_durations_s"], v["input"]["rev_mean_torque_Nm"], strict=True), 1
    ):
        at += 4.0 * seconds
        torque += mean_nm
        power_w = v["expected"]["rev_power_W"][n - 1] / 4.0
        feed(track, at, measurement(power_w, torque, n, at))
    assert track.power_w == round(v["expected"]["rev_power_W"][2] / 4.0)
    rows = cells(track, 16.0)
    assert rows[8:16, COVERED].tolist() == pytest.approx([1.0] * 8, abs=1e-12)
    assert rows[8:16, WORK].sum() / 8.0 == pytest.approx(v["expected"]["work_over_time_W"] / 4.0, abs=1e-9)
    begin, end = (8 + round(4.0 * x) for x in v["input"]["window_s"])
    mean_w = rows[begin:end, WORK].sum() / (end - begin)
    assert mean_w == pytest.approx(v["expected"]["window_mean_W"] / 4.0, abs=1e-9)
    assert mean_w == pytest.approx(
        (np.interp(end, [8, 10, 12, 16], TWO_PI * np.array([0, 40, 80, 90]))
         - np.interp(begin, [8, 10, 12, 16], TWO_PI * np.array([0, 40, 80, 90]))) / (end - begin),
        abs=1e-9,
    )  # fmt: skip


def test_ant_crank_torque_over_the_wrap_of_all_counters() -> None:
    v = vector("ant-crank-torque-rollover")  # units from public SDK documentation; the formula follows
    i, expected = v["input"], v["expected"]
    track = counted(Track("total"))
    for k, t_s in enumerate((10.0, 10.0 + 1365 / 2048)):
        page = ant_power.CrankTorque(
            i["event_count"][k], i["crank_ticks"][k], 0xFF, i["acc_period_2048"][k], i["acc_torque_32"][k]
        )
        feed(track, t_s, page, "ant11")
    assert track.power_w == pytest.approx(expected["power_W"], abs=1e-9)
    assert track.cadence_rpm == pytest.approx(expected["cadence_rpm"], abs=1e-9)
    assert laid_j(track) == pytest.approx(TWO_PI * expected["mean_torque_Nm"], abs=1e-9)
    assert track.restarts == 0


def test_bluetooth_crank_over_the_wrap_of_all_counters() -> None:
    v = vector("ble-cps-crank-rollover")  # units of the characteristic's public description
    i, expected = v["input"], v["expected"]
    track = counted(Track("total"))
    for k, t_s in enumerate((10.0, 10.0 + expected["delta_t_s"])):
        body = cycling_power.Measurement(
            198, None, i["acc_torque_32"][k], crank_revs=i["cum_crank_revs"][k],
            crank_event_1024ths=i["last_event_1024"][k], torque_at_crank=True,
        )  # fmt: skip
        feed(track, t_s, body)
    assert track.cadence_rpm == pytest.approx(expected["cadence_rpm"], abs=1e-9)
    assert laid_j(track) / expected["delta_t_s"] == pytest.approx(expected["power_W"], abs=1e-9)
    rows = cells(track, 12.0)
    assert rows[:, REVS].sum() == pytest.approx(expected["delta_revs"], abs=1e-12)


@pytest.mark.parametrize("case", vector("ripple-window-error")["input"], ids=str)
def test_window_error_of_pulsing_torque_stays_within_its_bound(case: dict[str, float]) -> None:
    """Torque 1 + cos 2 theta inside a revolution that is told as a whole: the mean over a window is wrong by
    at most T_rev / (2 pi T_window). Derived; simulated maxima reach it. Time is stretched fourfold, so that
    windows of whole seconds hold quarters of a revolution."""
    turn_s, mean_nm = 4.0 * 60.0 / case["cadence_rpm"], 21.0
    nominal_s = round(4.0 * case["window_s"])
    assert 100.0 * turn_s / (TWO_PI * nominal_s) == pytest.approx(case["bound_percent"], rel=1e-9)
    power_w = TWO_PI * mean_nm / turn_s
    seconds = 2 * nominal_s + 24
    reached = 0.0
    for phase in np.linspace(0.0, 1.0, 16, endpoint=False):
        track = counted(Track("total"))
        for n in range(int(seconds / turn_s)):
            at = (n + 1.0 - phase) * turn_s
            feed(track, at, measurement(power_w, mean_nm * n, n, at))
        rows = cells(track, seconds)

        def true_j(t: float, phase: float = phase) -> float:
            theta = TWO_PI * (t / turn_s + phase)
            return mean_nm * (theta + 0.5 * math.sin(2.0 * theta))

        for length in (nominal_s - 1, nominal_s, nominal_s + 1):
            for begin in range(8, 8 + min(nominal_s, 16)):
                told = rows[begin : begin + length, WORK].sum()
                error = abs(told - (true_j(begin + length) - true_j(begin))) / (power_w * length)
                bound = turn_s / (TWO_PI * length)
                # Beside it a tick of 1/1024 s at either end.
                assert error <= bound + 2.0 / 1024.0 / length
                reached = max(reached, error / bound)
    assert reached > 0.6, "or the ripple was not seen at all"


# -- energy is kept ------------------------------------------------------------------------


def seconds(low: float, high: float) -> st.SearchStrategy[float]:
    """Times to a microsecond: finer ones no clock tells."""
    return st.floats(low, high).map(lambda value: round(value, 6))


PIECES = st.lists(
    st.tuples(
        seconds(0.0, 3.0),  # from the end of the piece before to the beginning of this one
        seconds(-2.0, 9.0),  # length: nothing at all, or longer than what is open
        st.floats(0.0, 20000.0),
        st.none() | st.floats(0.0, 1.0),
        st.integers(0, 12),  # seconds closed after it
    ),
    max_size=30,
)


@hypothesis.given(PIECES)
def test_no_work_is_made_and_what_is_laid_on_open_seconds_is_kept(
    pieces: list[tuple[float, float, float, float | None, int]],
) -> None:
    """Also of a piece that begins in closed seconds just the part on the open ones is kept."""
    curve = Curve()
    closed: list[list[float]] = []
    at = total = left = 0.0
    for skip, length, work_j, share, close in pieces:
        begin, end = at + skip, at + skip + length
        curve.work(begin, end, work_j, share)
        if end > begin:
            part = max(0.0, end - max(begin, float(len(closed)))) / (end - begin)
            total += work_j * part
            left += work_j * part * (share or 0.0)
            at = end
        closed += [curve.close() for _ in range(close)]  # also seconds that are not yet reached
    while curve.pending:
        closed.append(curve.close())
    rows = np.array(closed).reshape(-1, COLUMNS)
    assert rows[:, WORK].sum() == pytest.approx(total, rel=1e-9, abs=1e-6)
    assert rows[:, LEFT].sum() == pytest.approx(left, rel=1e-9, abs=1e-6)
    assert not len(rows) or rows[:, COVERED].max() <= 1.0 + 1e-9


@hypothesis.given(
    st.lists(st.tuples(st.floats(0.3, 2.9), st.floats(0.0, 60.0)), min_size=3, max_size=60),
    st.lists(st.integers(1, 9), min_size=1, max_size=20),
    st.randoms(use_true_random=False),
)
def test_means_over_any_consecutive_windows_add_up_to_the_counters(
    revolutions: list[tuple[float, float]], lengths: list[int], chance: random.Random
) -> None:
    """The sum over consecutive windows is the accumulated work, for any grid of them."""
    track = counted(Track("total"))
    torque = at = 0.0
    feed(track, at, measurement(0, torque, 0, at))
    for n, (seconds, mean_nm) in enumerate(revolutions, 1):
        torque += round(mean_nm * 32.0) / 32.0
        at += round(seconds * 1024.0) / 1024.0
        feed(track, at, measurement(TWO_PI * mean_nm / seconds, torque, n, at))
    rows = cells(track, at + 1.0)
    assert track.restarts == 0
    edges = [0]
    while edges[-1] < len(rows):
        edges.append(edges[-1] + chance.choice(lengths))
    windows = [rows[a:b, WORK].sum() for a, b in itertools.pairwise(edges)]
    assert sum(windows) == pytest.approx(TWO_PI * torque, rel=1e-12, abs=1e-9)
    assert rows[:, REVS].sum() == pytest.approx(len(revolutions), abs=1e-9)
    assert rows[:, COVERED].sum() == pytest.approx(at, abs=1e-9)


def test_work_for_a_second_that_is_closed_is_put_on_no_other() -> None:
    curve = Curve()
    for _ in range(10):
        curve.close()
    curve.work(2.5, 4.5, 100.0, 0.5)  # wholly closed, and nothing is open yet
    assert curve.pending == 0
    curve.work(9.0, 11.0, 10.0, None)  # half of it closed
    first = curve.close()
    assert first[WORK] == pytest.approx(5.0)
    assert first[COVERED] == pytest.approx(1.0)
    assert curve.pending == 1, "the second that 11.0 begins, empty"
    assert curve.close()[WORK] == 0.0


# -- lost packets --------------------------------------------------------------------------

RIDE = Ride(Stretch(40, 180, 85, 0.52), Stretch(40, 320, 95, 0.5), Stretch(60, 140, 70, 0.49), noise=0.03)


def streams(name: str) -> list[Packet]:
    meter = Meter("m", sided=True)
    return list(meter.bluetooth(RIDE) if name == "bluetooth" else meter.ant(RIDE))


def with_gaps(packets: Sequence[Packet], chance: random.Random, longest_s: float) -> list[Packet]:
    """A tenth lost by chance, and whole stretches of up to `longest_s` seconds; first and last stay."""
    kept, until = [packets[0]], 0.0
    for p in packets[1:-1]:
        t = p.t_ns / 1e9
        if t < until or chance.random() < 0.1:
            continue
        kept.append(p)
        if chance.random() < 0.05 and t > until + 2.0:
            until = t + chance.uniform(1.0, longest_s)
    return [*kept, packets[-1]]


@pytest.mark.parametrize("name", ["bluetooth", "ant"])
@pytest.mark.parametrize("seed", range(5))
def test_lost_packets_cost_nothing_where_counters_are_sent(name: str, seed: int) -> None:
    packets = streams(name)
    whole = played(packets)
    lossy = played(with_gaps(packets, random.Random(seed), 5.0))
    assert laid_j(lossy) == pytest.approx(laid_j(whole), rel=1e-9)
    assert lossy.restarts == 0
    a, b = cells(whole, RIDE.seconds), cells(lossy, RIDE.seconds)
    assert b[:, COVERED].sum() == pytest.approx(a[:, COVERED].sum(), abs=0.05)
    assert b[:, REVS].sum() == pytest.approx(a[:, REVS].sum(), abs=0.05)


@pytest.mark.parametrize("name", ["bluetooth", "ant"])
def test_whole_work_is_that_of_the_ride(name: str) -> None:
    track = played(streams(name))
    first, last = RIDE.revolutions[0], RIDE.revolutions[-1]
    told = sum(r.work_j for r in RIDE.revolutions[1:])
    # The first packets only tell where the counters stand; torque is told in steps of 1/32 N·m.
    known = laid_j(track)
    assert known <= told + first.work_j + 0.5
    assert known >= told - sum(r.work_j for r in RIDE.revolutions[1:3]) - 0.5
    rows = cells(track, RIDE.seconds)
    for begin, end in ((10, 40), (45, 80), (85, 138)):
        mean_w = rows[begin:end, WORK].sum() / (end - begin)
        true_w = sum(
            r.work_j * max(0.0, min(end, r.end_s) - max(begin, r.end_s - r.seconds)) / r.seconds
            for r in RIDE.revolutions
        ) / (end - begin)
        assert mean_w == pytest.approx(true_w, rel=0.004)
    assert last.end_s - RIDE.seconds < 1.0


@pytest.mark.parametrize("first", [0x10, 0x12])
@pytest.mark.parametrize("gap_s", [2.0, 5.0, 7.0])
def test_whichever_page_is_heard_first_after_a_gap_its_work_counts_once(first: int, gap_s: float) -> None:
    """Power and torque pages tell of the same work: the one must not be laid on top of the other."""
    ride = Ride(Stretch(60, 250, 88))
    packets = list(Meter("m").ant(ride))
    back = next(p for p in packets if p.t_ns / 1e9 > 20.0 + gap_s and p.data[0] == first)
    lossy = played(p for p in packets if p.t_ns / 1e9 < 20.0 or p.t_ns >= back.t_ns)
    assert laid_j(lossy) == pytest.approx(laid_j(played(packets)), rel=1e-9)
    rows = cells(lossy, 60.0)
    assert rows[3:57, WORK].max() < 255.0


def test_a_stand_in_that_has_told_of_a_time_is_not_told_of_again() -> None:
    """Torque pages cease for 7 s, power pages stand in, then torque tells of all 7 s at once."""
    ride = Ride(Stretch(60, 250, 88))
    packets = [p for p in Meter("m").ant(ride) if p.data[0] == 0x10 or not 20.0 < p.t_ns / 1e9 < 27.0]
    track = played(packets)
    rows = cells(track, 60.0)
    assert rows[3:57, WORK].max() < 255.0
    assert rows[3:57, WORK].sum() == pytest.approx(54.0 * 250.0, rel=0.01)
    assert rows[3:57, COVERED].min() == pytest.approx(1.0, abs=0.02)


def test_the_first_turn_is_laid_over_its_own_time() -> None:
    """The packet that opens a stretch comes up to a slot after its event: that must not crowd the first turn
    into what is left. The mean of the first 12 s is then right to what the slots leave unknown."""
    errors = []
    for rpm in (60, 75, 88, 90, 97, 103):
        ride = Ride(Stretch(20, 200, rpm))
        for phase in np.arange(0.0, 0.25, 0.02):
            rows = cells(played(Meter("m", phase=float(phase)).ant(ride, (0x12,))), 20.0)
            errors.append(rows[:12, WORK].sum() / rows[:12, COVERED].sum() / 200.0 - 1.0)
    slot_s = 8182 / 32768
    assert max(errors) < slot_s / 12.0
    assert abs(sum(errors)) / len(errors) < 0.25 * slot_s / 12.0


def test_a_gap_too_long_to_bridge_is_missing() -> None:
    packets = [p for p in streams("bluetooth") if not 20.0 < p.t_ns / 1e9 < 20.0 + BRIDGED_S + 4.0]
    rows = cells(played(packets), RIDE.seconds)
    gap = slice(21, 31)
    assert rows[gap, COVERED].sum() == 0.0
    assert rows[gap, WORK].sum() == 0.0
    assert rows[gap, TURNED].sum() == 0.0
    assert rows[35:130, COVERED].min() == pytest.approx(1.0, abs=0.02)


# -- power only ----------------------------------------------------------------------------


def power_only(times: Iterable[float], power_w: float = 200.0) -> Iterator[tuple[float, bytes, str]]:
    for t in times:
        yield t, bytes(cycling_power.Measurement(round(power_w))), "2A63"


@pytest.mark.parametrize(
    ("channel", "body"),
    [
        ("2A63", cycling_power.Measurement(200)),
        ("2AD2", fitness_machine.IndoorBikeData(speed_hundredths_kmh=3000, power_w=200)),
    ],
)
def test_power_alone_is_laid_over_the_time_before_it_but_never_across_silence(
    channel: str, body: object
) -> None:
    track = counted(Track("total"))
    times = [*np.arange(1.0, 20.0), *np.arange(19.0 + HELD_S + 3.0, 40.0)]
    for t in times:
        feed(track, float(t), body, channel)
    rows = cells(track, 40.0)
    assert rows[1:19, COVERED].tolist() == pytest.approx([1.0] * 18)
    assert rows[1:19, WORK].tolist() == pytest.approx([200.0] * 18)
    assert rows[19:25, COVERED].sum() == 0.0, "neither held nor zero: missing"
    assert rows[19:25, WORK].sum() == 0.0
    assert rows[25:39, WORK].tolist() == pytest.approx([200.0] * 14)
    assert rows[:, WORK].sum() == pytest.approx(200.0 * rows[:, COVERED].sum())


def test_power_alone_at_uneven_times_is_weighted_by_time() -> None:
    """Three packets within a second count as much as one: time counts, not packets."""
    track = counted(Track("total"))
    for t, power in ((1.0, 100), (2.0, 100), (2.25, 300), (2.5, 300), (3.0, 300), (5.0, 150)):
        feed(track, t, cycling_power.Measurement(power))
    rows = cells(track, 5.0)
    assert rows[1:5, WORK].tolist() == pytest.approx([100.0, 300.0, 150.0, 150.0])


# -- rest, silence, reconnection ------------------------------------------------------------


@pytest.mark.parametrize("name", ["bluetooth", "ant"])
def test_coasting_is_rest_not_loss(name: str) -> None:
    ride = Ride(Stretch(30, 200, 90), Stretch(20, 0), Stretch(30, 200, 90))
    meter = Meter("m")
    packets = list(meter.bluetooth(ride) if name == "bluetooth" else meter.ant(ride))
    track = played(packets)
    rows = cells(track, ride.seconds)
    assert rows[33:48, WORK].sum() == 0.0
    assert rows[35:48, COVERED].min() == pytest.approx(1.0), "it says that there is no power"
    assert rows[35:48, REVS].sum() == 0.0
    assert track.restarts == 0
    true_j = ride.work_j(0.0, ride.seconds)
    assert laid_j(track) == pytest.approx(true_j, rel=0.04)  # but for the first turns and the last
    assert rows[55:78, WORK].sum() / 23.0 == pytest.approx(200.0, rel=0.01)


def test_while_coasting_it_is_heard_and_shows_no_power() -> None:
    ride = Ride(Stretch(30, 200, 90), Stretch(20, 0))
    track = played(Meter("m").bluetooth(ride))
    assert track.heard_s > 48.0
    assert track.unpowered_s > 48.0
    assert track.powered_s < 31.0
    assert track.power_w == 0.0


def test_silence_is_missing_even_if_the_crank_stood() -> None:
    ride = Ride(Stretch(30, 200, 90), Stretch(20, 0), Stretch(30, 200, 90))
    packets = [p for p in Meter("m").bluetooth(ride) if not 30.5 < p.t_ns / 1e9 < 50.1]
    rows = cells(played(packets), ride.seconds)
    assert rows[32:49, COVERED].sum() == 0.0


def test_the_64_s_event_time_wraps_unseen_and_the_hosts_clock_counts_the_wraps() -> None:
    """After 66 s without a revolution the event time looks 2 s on: that is one turn in 66 s."""
    ride = Ride(Stretch(20, 200, 90), Stretch(66, 0), Stretch(20, 200, 90))
    packets = list(Meter("m").bluetooth(ride))
    first = next(k for k, p in enumerate(packets) if p.t_ns > 86.1e9 and p.data[2:4] != b"\0\0")
    track = played(packets[: first + 1])
    assert track.cadence_rpm is not None
    assert track.cadence_rpm < 1.0, "one turn since the last"
    played(packets[first + 1 :], track=track)
    assert track.restarts == 0
    rows = cells(track, ride.seconds)
    assert rows[24:85, REVS].sum() == 0.0
    assert rows[:, REVS].sum() == pytest.approx(len(ride.revolutions) - 1, abs=0.1)
    assert rows[:, WORK].sum() == pytest.approx(ride.work_j(0.0, ride.seconds), rel=0.05)


@pytest.mark.parametrize("wraps", [1, 2, 3])
def test_silence_longer_than_a_wrap_is_resolved_by_the_hosts_clock(wraps: int) -> None:
    """A radio gap over which the event time wrapped: no restart, no work in the gap, no wild cadence."""
    track = counted(Track("total"))
    at, torque = 0.0, 0.0
    for n in range(20):
        at, torque = n * 0.75, n * 20.0
        feed(track, at, measurement(168, torque, n, at))
    gap_revs = round((64.0 * wraps + 1.5) / 0.75)
    at, torque = at + gap_revs * 0.75, torque + gap_revs * 20.0
    feed(track, at, measurement(168, torque, 19 + gap_revs, at))
    assert track.restarts == 0
    assert track.cadence_rpm == pytest.approx(80.0, abs=0.1)
    feed(track, at + 0.75, measurement(168, torque + 20.0, 20 + gap_revs, at + 0.75))
    rows = cells(track, at + 1.0)
    assert rows[16 : int(at) - 1, COVERED].sum() == 0.0
    assert rows[:, WORK].sum() == pytest.approx(TWO_PI * 20.0 * 20, rel=1e-9)


def test_a_new_connection_is_a_baseline_not_a_difference() -> None:
    track = counted(Track("total"))
    for n in range(20):
        feed(track, n * 0.75, measurement(168, n * 20.0, n, n * 0.75))
    before = laid_j(track)
    track.baseline()
    # The counters began anew at the device: differenced, this would be thousands of joules.
    feed(track, 20.0, measurement(168, 500.0, 7, 3.0))
    assert laid_j(track) == before
    assert track.restarts == 0
    for n in range(1, 10):
        feed(track, 20.0 + n * 0.75, measurement(168, 500.0 + n * 20.0, 7 + n, 3.0 + n * 0.75))
    assert laid_j(track) == pytest.approx(before + 9 * TWO_PI * 20.0)
    rows = cells(track, 27.0)
    assert rows[15:20, COVERED].sum() == 0.0, "nobody vouches for the time between"


def test_a_new_connection_is_a_baseline_of_power_sums_too() -> None:
    ride = Ride(Stretch(60, 200, 90))
    packets = list(Meter("m").ant(ride, (0x10,)))
    track = played(p for p in packets if p.t_ns < 30e9)
    before = laid_j(track)
    track.baseline()
    page = ant_power.PowerOnly(77, 0xFF, 90, 12345, 200)
    feed(track, 31.0, page, "ant11")
    assert laid_j(track) == before
    feed(track, 31.7, ant_power.PowerOnly(78, 0xFF, 90, 12545, 200), "ant11")
    assert laid_j(track) == pytest.approx(before + 200.0 * 0.7)
    assert track.restarts == 0


@pytest.mark.parametrize("name", ["bluetooth", "ant"])
def test_counters_that_begin_anew_without_a_word_are_one_restart_and_no_work(name: str) -> None:
    ride = Ride(Stretch(60, 200, 90))
    meters = [Meter("m"), Meter("m", start_revs=0, start_ticks=17, start_torque=0)]
    both = [list(m.bluetooth(ride) if name == "bluetooth" else m.ant(ride, (0x12,))) for m in meters]
    joined = [p for p in both[0] if p.t_ns < 30e9] + [p for p in both[1] if p.t_ns >= 30e9]
    track = played(joined)
    assert track.restarts == 1
    rows = cells(track, 60.0)
    powers = rows[5:55, WORK] / np.maximum(rows[5:55, COVERED], 1e-9)
    assert powers[rows[5:55, COVERED] > 0.5].max() < 220.0
    assert rows[:, WORK].sum() < ride.work_j(0.0, 60.0)


# -- kinds of packet ------------------------------------------------------------------------


def test_time_synchronous_pages_are_read_by_their_means() -> None:
    """Updates four times a second, each adding the mean torque and the mean period of a turn: the accumulated
    period is no clock. P = 2 pi x torque / period (common practice with this page: 128 pi dT / dP)."""
    track = counted(Track("total"))
    torque_nm, period_s, slot = 24.0, 60.0 / 85.0, 8182.0 / 32768.0
    for k in range(200):
        t = 5.0 + k * slot
        page = ant_power.CrankTorque(
            k % 256,
            int(k * slot / period_s) % 256,
            85,
            round(2048.0 * k * period_s) % 65536,
            round(32.0 * torque_nm * k) % 65536,
        )
        feed(track, t, page, "ant11")
    expected_w = TWO_PI * torque_nm / period_s
    rows = cells(track, 5.0 + 200 * slot)
    assert rows[10:50, COVERED].min() == pytest.approx(1.0, abs=1e-9)
    assert rows[10:50, WORK].sum() / 40.0 == pytest.approx(expected_w, rel=0.002)
    assert 60.0 * rows[10:50, REVS].sum() / 40.0 == pytest.approx(85.0, rel=0.005)
    assert track.restarts == 0


def test_torque_that_is_not_the_power_is_not_believed_for_long() -> None:
    """Some meters add half the torque, or that of one side. Where both accounts are sent and disagree by a
    quarter, work is the told power times the time of the turn."""
    ride = Ride(Stretch(120, 200, 90))
    track = counted(Track("total"))
    for r in ride.revolutions:
        feed(track, r.end_s, measurement(r.work_j / r.seconds, 0.5 * 21.22 * r.number, r.number, r.end_s))
    assert not track.trusts_torque
    rows = cells(track, 120.0)
    assert rows[60:118, WORK].sum() / 58.0 == pytest.approx(200.0, rel=0.005)
    honest = played(Meter("m").bluetooth(ride))
    assert honest.trusts_torque


def test_torque_is_believed_again_when_both_accounts_agree() -> None:
    track = counted(Track("total"))
    torque = 0.0
    for n in range(400):
        torque += 10.0 if n < 150 else 20.0
        feed(track, n * 0.75, measurement(TWO_PI * 20.0 / 0.75, torque, n, n * 0.75))
        if n == 149:
            assert not track.trusts_torque
    assert track.trusts_torque


def test_a_small_difference_of_both_accounts_leaves_the_torque_in_charge() -> None:
    """Power is rounded and smoothed; torque is what the profile accumulates."""
    track = counted(Track("total"))
    for n in range(200):
        feed(track, n * 0.75, measurement(TWO_PI * 20.0 / 0.75 * 1.1, n * 20.0, n, n * 0.75))
    assert track.trusts_torque
    rows = cells(track, 149.0)
    assert rows[10:140, WORK].sum() / 130.0 == pytest.approx(TWO_PI * 20.0 / 0.75, rel=1e-6)


def test_interleaved_pages_of_power_and_torque_count_once() -> None:
    ride = Ride(Stretch(60, 200, 90))
    both = cells(played(Meter("m").ant(ride, (0x12, 0x10))), 60.0)
    torque = cells(played(Meter("m").ant(ride, (0x12,))), 60.0)
    power = cells(played(Meter("m").ant(ride, (0x10,))), 60.0)
    for rows in (both, torque, power):
        assert rows[5:55, COVERED].min() == pytest.approx(1.0, abs=0.05)
        assert rows[5:55, WORK].sum() / 50.0 == pytest.approx(200.0, rel=0.01)
    assert both[5:55, REVS].sum() == pytest.approx(75.0, rel=0.01)


def test_when_torque_pages_cease_power_pages_take_over() -> None:
    ride = Ride(Stretch(60, 200, 90))
    packets = [p for p in Meter("m").ant(ride) if p.t_ns < 20e9 or p.data[0] == 0x10]
    rows = cells(played(packets), 60.0)
    assert rows[28:55, COVERED].min() == pytest.approx(1.0, abs=0.05)
    assert rows[28:55, WORK].sum() / 27.0 == pytest.approx(200.0, rel=0.01)
    assert rows[:, WORK].sum() <= ride.work_j(0.0, 60.0) * 1.005, "nothing counts twice at the change"


@pytest.mark.parametrize("channel", ["2A63", "ant11"])
def test_wheel_torque_is_work_at_the_wheel(channel: str) -> None:
    """A hub: torque and period of the wheel, 2.1 turns of the wheel a second at 180 W."""
    track = counted(Track("total"))
    seconds, torque_nm = 1.0 / 2.1, 180.0 / (TWO_PI * 2.1)
    for n in range(150):
        at = n * seconds
        torque = round(32 * torque_nm * n) % 65536
        period = int(2048 * at) % 65536
        if channel == "2A63":
            body: object = cycling_power.Measurement(180, None, torque, n, period)
        else:
            body = ant_power.WheelTorque(n % 256, n % 256, 88, period, torque)
        feed(track, at, body, channel)
    rows = cells(track, 150 * seconds)
    assert rows[5:65, WORK].sum() / 60.0 == pytest.approx(180.0, rel=0.003)
    assert track.restarts == 0
    if channel == "2A63":
        assert rows[:, REVS].sum() == 0.0, "turns of the wheel are no turns of the crank"


def test_cadence_counters_without_power() -> None:
    ride = Ride(Stretch(60, 1, 88))
    bodies = {
        "2A5B": lambda n, e: speed_cadence.Measurement(None, None, n % 65536, int(1024 * e) % 65536),
        "ant121": lambda n, e: ant_speed_cadence.SpeedCadencePage(int(1024 * e) % 65536, n % 65536, 0, 0),
        "ant122": lambda n, e: ant_speed_cadence.RevolutionPage(
            0, b"\xff\xff\xff", int(1024 * e) % 65536, n % 65536
        ),
    }
    for channel, body in bodies.items():
        track = counted(Track("total"))
        for r in ride.revolutions:
            feed(track, r.end_s + 0.02, body(65500 + r.number, 60.0 + r.end_s), channel)
        rows = cells(track, 60.0)
        assert 60.0 * rows[5:55, REVS].sum() / 50.0 == pytest.approx(88.0, abs=0.1), channel
        assert rows[:, WORK].sum() == 0.0
        assert rows[:, COVERED].sum() == 0.0, "it vouches for no work"


# -- sides ----------------------------------------------------------------------------------


def test_sides_are_shares_of_the_work() -> None:
    v = vector("balance-mean")  # exact: the balance of a time is the ratio of sums, not the mean of ratios
    track = Track("both")
    torque = 0.0
    feed(track, 0.0, measurement(0, 0.0, 0, 0.0, 0.5))
    for n, (left, right) in enumerate(zip(v["input"]["L"], v["input"]["R"], strict=True), 1):
        torque += (left + right) / TWO_PI
        feed(track, float(n), measurement(left + right, torque, n, float(n), left / (left + right)))
    rows = cells(track, 3.0)
    assert rows[:, SIDED].tolist() == pytest.approx([1.0, 1.0, 1.0])
    assert rows[:, LEFT].tolist() == pytest.approx(v["input"]["L"], rel=1e-3)
    share = 100.0 * rows[:, LEFT].sum() / rows[:, WORK].sum()
    assert share == pytest.approx(v["expected"]["ratio_of_means"], abs=0.05)


def test_share_of_an_unknown_side_is_no_side() -> None:
    track = Track("both")
    for n in range(10):
        body = cycling_power.Measurement(
            200, 104, 32 * 20 * n, crank_revs=n, crank_event_1024ths=768 * n, torque_at_crank=True
        )
        feed(track, n * 0.75, body)
    assert cells(track, 6.0)[:, SIDED].sum() == 0.0


def test_ant_right_share_is_turned_into_left() -> None:
    ride = Ride(Stretch(30, 200, 90, 0.54))
    rows = cells(played(Meter("m", sided=True).ant(ride), "both"), 30.0)
    assert rows[10:28, SIDED].min() == pytest.approx(1.0, abs=0.01)
    assert rows[10:28, LEFT].sum() / rows[10:28, WORK].sum() == pytest.approx(0.54, abs=1e-6)


@pytest.mark.parametrize("sides", ["left", "right"])
def test_a_one_sided_meter_has_half_its_total_on_its_side(sides: str) -> None:
    """It tells twice its side (common practice, no source)."""
    v = vector("balance-doubled")
    told = v["input"]["single_sided_left_reported"]
    ride = Ride(Stretch(30, told, 90))
    rows = cells(played(Meter("m").bluetooth(ride), sides), 30.0)
    assert rows[5:28, LEFT].sum() / 23.0 == pytest.approx(v["input"]["true_L"], rel=0.01)
    true = v["input"]["true_L"] + v["input"]["true_R"]
    assert 100.0 * (told / true - 1.0) == pytest.approx(v["expected"]["error_percent"])


def test_a_share_that_is_no_longer_told_is_not_held() -> None:
    track = Track("both")
    for n in range(40):
        left = 0.52 if n < 15 else None
        feed(track, n * 0.75, measurement(168, n * 20.0, n, n * 0.75, left))
    rows = cells(track, 29.0)
    assert rows[2:10, SIDED].min() == pytest.approx(1.0)
    assert rows[15:, SIDED].sum() == 0.0
    assert rows[15:28, COVERED].min() == pytest.approx(1.0)


# -- the ring -------------------------------------------------------------------------------


def test_window_sums_equal_numpys_at_every_step() -> None:
    chance = np.random.default_rng(1)
    cells_ = chance.uniform(0.0, 400.0, (400, 3, COLUMNS))
    ring = Ring(3)
    for k, cell in enumerate(cells_):
        ring.append(cell)
        for length in (1, 10, 30, 60):
            begin = max(0, k + 1 - length)
            np.testing.assert_allclose(
                ring.window(begin, k + 1), cells_[begin : k + 1].sum(axis=0), rtol=0.0, atol=1e-9
            )
    np.testing.assert_allclose(ring.series(17, 300, LEFT), cells_[17:300, :, LEFT], rtol=1e-9)


def test_ring_over_its_capacity_forgets_the_oldest_only() -> None:
    ring = Ring(1)
    cell = np.ones((1, COLUMNS))
    for k in range(CAPACITY_S + 500):
        ring.append(cell * (k % 7))
    end = ring.end
    assert ring.oldest == 501
    begin = ring.oldest
    expected = sum(k % 7 for k in range(begin, end))
    assert ring.window(begin, end)[0, WORK] == pytest.approx(expected)
    assert ring.series(begin, end, WORK)[:, 0].tolist() == [k % 7 for k in range(begin, end)]


# -- hostile --------------------------------------------------------------------------------

BODIES = st.one_of(
    st.tuples(st.just("2A63"), st.binary(min_size=4, max_size=34)),
    st.tuples(st.just("2A5B"), st.binary(min_size=1, max_size=11)),
    st.tuples(st.just("2AD2"), st.binary(min_size=2, max_size=30)),
    st.tuples(
        st.just("ant11"),
        st.tuples(st.sampled_from([0x10, 0x11, 0x12, 0x13, 0x20]), st.binary(min_size=7, max_size=7)).map(
            lambda p: bytes([p[0]]) + p[1]
        ),
    ),
    st.tuples(st.sampled_from(["ant121", "ant122"]), st.binary(min_size=8, max_size=8)),
)


@hypothesis.settings(max_examples=200)
@hypothesis.given(
    st.lists(st.tuples(st.floats(0.0, 20.0), BODIES, st.integers(0, 3)), max_size=60),
    st.sampled_from(["total", "both", "left", "right"]),
)
def test_any_bytes_at_any_times_keep_the_books(
    events: list[tuple[float, tuple[str, bytes], int]], sides: str
) -> None:
    """No exception, cells that add up, no more than one covered second a second, and finite numbers."""
    from capture.sample import DecodeError

    track = counted(Track(sides))
    t = 0.0
    rows: list[list[float]] = []
    for step, (channel, data), close in events:
        t += step
        try:
            reading = decode(channel, data)
        except DecodeError:
            continue
        track.feed(reading, t)
        for _ in range(close):
            if len(rows) + 1 < t - 6.0:
                rows.append(track.curve.close())
    while track.curve.pending:
        rows.append(track.curve.close())
    table = np.array(rows).reshape(-1, COLUMNS)
    assert np.isfinite(table).all()
    assert table[:, WORK].sum() == pytest.approx(laid_j(track), rel=1e-9, abs=1e-6)
    assert table[:, COVERED].sum() <= t + 1e-6
    assert table[:, TURNED].sum() <= t + 1e-6
    assert track.curve.worked_s <= t
    assert track.curve.turned_s <= t
