"""How torque lies in the turn: circular statistics, shapes, vectors put together from packets.

Angles are made here by a raised cosine of a stated peak: the truth is the parameter, not what the program
says. Circular statistics are held against a worked example in print and against scipy.
"""

import math
import random
from collections.abc import Callable, Iterable

import numpy as np
import pytest
from scipy import stats

from capture.sample import Reading, StrokeVector
from monitor.analysis.statistics import Floats
from monitor.analysis.stroke.circular import direction, middle, resultant, sd_deg, wrapped
from monitor.analysis.stroke.series import Series
from monitor.analysis.stroke.shape import BINS, COUNT, fit, gather, gathered, relative
from monitor.analysis.stroke.summary import mean_shape
from monitor.analysis.stroke.track import StrokeSecond, StrokeTrack
from monitor.analysis.stroke.vector import MOST_WAITING, Placed, Vectors

Torque = Callable[[Floats], Floats]


def leg(peak_deg: float, width_deg: float = 170.0, drag: float = 0.1) -> Torque:
    """Torque of one leg over its mean: a raised cosine less a drag, whose mean over the turn is one."""

    def torque(angle_deg: Floats) -> Floats:
        x = (angle_deg - peak_deg + 180.0) % 360.0 - 180.0
        lobe = np.where(np.abs(x) < width_deg / 2.0, 0.5 + 0.5 * np.cos(2.0 * np.pi * x / width_deg), 0.0)
        result: Floats = (1.0 + drag) * 720.0 / width_deg * lobe - drag
        return result

    return torque


def both(left: Torque, right: Torque, share: float = 0.5) -> Torque:
    """The sum of two legs by the left crank, mean one."""
    return lambda angle: share * left(angle) + (1.0 - share) * right(angle - 180.0)


def shape_of(torque: Torque, n: int = 320, seed: int = 1) -> Floats:
    angles = np.random.default_rng(seed).uniform(0.0, 360.0, n)
    shape = gathered()
    gather(shape, angles, 20.0 * torque(angles))
    return shape


# -- circular statistics


def test_the_worked_example_in_print() -> None:
    # Mardia and Jupp, Directional Statistics (2000), example 2.1: nine spins of a roulette wheel, mean
    # direction 51 degrees, mean resultant length 0.711 (numbers from memory, computed again here).
    mean, length = resultant(np.array([43.0, 45.0, 52.0, 61.0, 75.0, 88.0, 88.0, 279.0, 357.0]))
    assert (round(mean), round(length, 3)) == (51, 0.711)


@pytest.mark.parametrize("centre", [0.0, 5.0, 92.0, 183.0, 359.0])
def test_means_and_spreads_are_those_of_scipy(centre: float) -> None:
    angles = (np.random.default_rng(7).normal(centre, 14.0, 50)) % 360.0
    mean, length = resultant(angles)
    assert wrapped(mean - stats.circmean(angles, high=360.0)) == pytest.approx(0.0, abs=1e-9)
    assert sd_deg(length) == pytest.approx(math.degrees(stats.circstd(np.radians(angles))))


@pytest.mark.parametrize(
    ("angle", "same"), [(190.0, -170.0), (-190.0, 170.0), (180.0, 180.0), (-180.0, 180.0), (720.5, 0.5)]
)
def test_the_shortest_way_round(angle: float, same: float) -> None:
    assert wrapped(angle) == pytest.approx(same)


def test_the_middle_of_a_phase_that_begins_before_the_top() -> None:
    assert (middle(350.0, 190.0), middle(60.0, 120.0)) == (90.0, 90.0)


@pytest.mark.parametrize("n", [3, 5, 8, 30])
def test_an_interval_holds_the_direction_nineteen_times_in_twenty(n: int) -> None:
    # Von Mises with a concentration of 40 (9 degrees of spread), centred at the seam.
    rng = np.random.default_rng(n)
    held = 0
    for _ in range(400):
        found = direction(np.degrees(rng.vonmises(0.0, 40.0, n)) % 360.0)
        assert found is not None
        held += abs(wrapped(found.mean_deg)) <= found.u95_deg
    # 95 % less three standard deviations of 400 throws; few values are held more carefully.
    assert held / 400 >= 0.95 - 3.0 * math.sqrt(0.05 * 0.95 / 400)


def test_what_has_no_direction_has_no_interval() -> None:
    assert direction(np.array([])) is None
    assert direction(np.array([math.nan])) is None
    all_round = direction(np.array([0.0, 90.0, 180.0, 270.0]))
    assert all_round is not None
    assert all_round.u95_deg == math.inf
    one = direction(np.array([12.0]))
    assert one is not None
    assert one.u95_deg == math.inf


def test_steps_of_an_angle_do_not_average_down() -> None:
    found = direction(np.full(1000, 90.0), 0.57)
    assert found is not None
    assert found.u95_deg == pytest.approx(0.57)


# -- shapes


@pytest.mark.parametrize("share", [0.35, 0.5, 0.6])
@pytest.mark.parametrize(("left", "right"), [(90.0, 100.0), (120.0, 95.0), (80.0, 110.0)])
def test_peaks_of_a_sum_are_those_of_the_legs(left: float, right: float, share: float) -> None:
    found = fit(shape_of(both(leg(left), leg(right, 180.0), share)))
    assert found is not None
    assert found.is_sum
    assert found.peak(0.0, 180.0) == pytest.approx(left, abs=2.0)
    assert found.peak(180.0, 360.0) - 180.0 == pytest.approx(right, abs=2.0)


def test_one_leg_alone_with_its_phase_effectiveness_and_smoothness() -> None:
    found = fit(shape_of(leg(100.0, 180.0), 2000))
    assert found is not None
    assert not found.is_sum
    assert found.peak() == pytest.approx(100.0, abs=0.5)
    # By hand: 4.4 (0.5 + 0.5 cos 2x) - 0.1 passes zero at x = acos(-10 / 11) / 2 = 81.3 degrees.
    assert found.phase() == pytest.approx((18.7, 181.3), abs=4.0)
    # Greatest torque 4.3 of a mean of one; the drag takes a tenth of half a turn and a little more.
    assert found.smoothness_percent == pytest.approx(100.0 / 4.3, abs=0.6)
    assert 93.0 < found.effectiveness_percent < 97.0


def test_a_shape_that_is_known_at_eight_angles_only() -> None:
    # 12 values a second at 90 rpm: the same eight angles turn after turn.
    angles = np.tile(np.arange(8) * 45.0 + 3.0, 20)
    shape = gathered()
    gather(shape, angles, leg(95.0, 200.0)(angles))
    found = fit(shape)
    assert found is not None
    assert found.peak() == pytest.approx(95.0, abs=6.0)
    gather(few := gathered(), angles[:5], leg(95.0)(angles[:5]))
    assert fit(few) is None


@pytest.mark.parametrize("torque", [lambda a: np.zeros_like(a), lambda a: -leg(90.0)(a)])
def test_what_does_not_drive_has_no_shape(torque: Torque) -> None:
    assert fit(shape_of(torque)) is None
    assert relative(shape_of(torque)) is None


def test_a_shape_is_over_its_mean_however_uneven_its_values_lie() -> None:
    torque = both(leg(90.0), leg(95.0))
    rng = np.random.default_rng(3)
    # Twice as many values on the left: the crank is slower there.
    angles = np.concatenate([rng.uniform(0, 360, 600), rng.uniform(0, 180, 600)])
    gather(shape := gathered(), angles, 30.0 * torque(angles))
    drawn = relative(shape)
    assert drawn is not None
    centres = np.arange(BINS) * 10.0 + 5.0
    assert np.abs(drawn - torque(centres)).max() < 0.12


def test_the_interval_of_a_mean_shape_is_students() -> None:
    shapes = [np.full(BINS, 1.0), np.full(BINS, 1.2), np.full(BINS, 1.4)]
    mean, half = mean_shape(shapes)
    assert mean is not None
    assert half is not None
    # Standard deviation 0.2, three values: 4.303 * 0.2 / sqrt(3).
    assert (mean[0], half[0]) == (1.2, pytest.approx(0.497, abs=1e-3))
    assert mean_shape([]) == (None, None)
    assert mean_shape(shapes[:2])[1] == [None] * BINS


# -- vectors


class Pedal:
    """Makes the packets of a sensor: torque sampled `hz` times a second of a crank at `rpm`."""

    def __init__(self, rpm: float = 90.0, hz: float = 32.0, values: int = 8, first_deg: float = 17.0) -> None:
        self.rpm, self.hz, self.values, self.at = rpm, hz, values, first_deg / 360.0
        self.t_s = 0.0
        self.revs = 0
        self.event_s = 0.0
        self.torque = both(leg(92.0), leg(97.0))

    def packet(self, **more: object) -> tuple[StrokeVector, float]:
        """The next packet and when it comes; the truth is that each value lies where its angle says."""
        angles = []
        for _ in range(self.values):
            angles.append(self.at % 1.0 * 360.0)
            before = math.floor(self.at)
            self.at += self.rpm / 60.0 / self.hz
            self.t_s += 1.0 / self.hz
            if math.floor(self.at) > before:
                self.revs += 1
                over = (self.at - math.floor(self.at)) / (self.rpm / 60.0)
                self.event_s = self.t_s - over
        fields: dict[str, object] = {
            "values": tuple(self.torque(np.array(angles)).tolist()),
            "first_angle_deg": round(angles[0]) % 360,
            "direction": 1,
            "crank_revs": self.revs & 0xFFFF,
            "crank_ticks": int(self.event_s * 1024.0) & 0xFFFF,
        }
        return StrokeVector(**(fields | more)), self.t_s  # type: ignore[arg-type]


def put_together(packets: Iterable[tuple[StrokeVector, float]]) -> tuple[list[Placed], Vectors]:
    vectors = Vectors()
    placed = [found for v, t_s in packets if (found := vectors.feed(v, t_s)) is not None]
    return placed, vectors


def off_deg(placed: list[Placed], torque: Torque) -> float:
    """By how much the placed torques differ from those at their angles, as an angle: the worst of all.

    Looked for about each angle, so that flat parts of the stroke count little.
    """
    worst = 0.0
    for part in placed:
        near = np.arange(-12.0, 12.01, 0.25)
        for angle, value in zip(part.angles_deg, part.values, strict=True):
            gaps = np.abs(torque(angle + near) - value)
            fits = near[gaps <= gaps.min() + 0.01]
            worst = max(worst, float(np.abs(fits).min()))
    return worst


@pytest.mark.parametrize(
    ("rpm", "hz", "values"),
    [(90.0, 32.0, 8), (60.0, 10.0, 9), (105.0, 100.0, 9), (80.0, 16.0, 20), (45.0, 32.0, 9)],
)
def test_values_get_the_angles_at_which_they_were_taken(rpm: float, hz: float, values: int) -> None:
    pedal = Pedal(rpm, hz, values)
    placed, vectors = put_together(pedal.packet() for _ in range(120))
    assert off_deg(placed, pedal.torque) <= 1.0
    assert len(placed) >= 100
    assert (vectors.lost_packets, vectors.packets) == (0, 120)


def test_a_cadence_that_wanders_moves_no_angle() -> None:
    pedal = Pedal()

    def ride() -> Iterable[tuple[StrokeVector, float]]:
        for k in range(200):
            pedal.rpm = 85.0 + 20.0 * math.sin(k / 14.0)
            yield pedal.packet()

    placed, vectors = put_together(ride())
    assert off_deg(placed, pedal.torque) <= 3.0
    assert vectors.lost_packets == 0


@pytest.mark.parametrize("seed", [1, 3, 11])
def test_packets_that_are_lost_are_counted_and_misplace_nothing(seed: int) -> None:
    pedal = Pedal(rpm=87.0)
    dice = random.Random(seed)
    lost = 0

    def ride() -> Iterable[tuple[StrokeVector, float]]:
        nonlocal lost
        for k in range(400):
            packet = pedal.packet()
            if k > 30 and dice.random() < 0.1:
                lost += 1
            else:
                yield packet

    placed, vectors = put_together(ride())
    assert off_deg(placed, pedal.torque) <= 3.0
    assert vectors.lost_packets == pytest.approx(lost, abs=0.15 * lost)


def test_packets_that_come_at_once_are_placed_by_their_angles() -> None:
    pedal = Pedal(hz=48.0, values=6)

    def ride() -> Iterable[tuple[StrokeVector, float]]:
        for _ in range(60):
            three = [pedal.packet()[0] for _ in range(3)]
            yield from ((v, pedal.t_s) for v in three)

    placed, vectors = put_together(ride())
    assert off_deg(placed, pedal.torque) <= 1.5
    assert vectors.lost_packets == 0


def test_a_packet_without_an_angle_goes_on_where_the_one_before_ended() -> None:
    pedal = Pedal(rpm=75.0)
    packets = [pedal.packet(**({} if k % 3 == 0 else {"first_angle_deg": None})) for k in range(150)]
    placed, vectors = put_together(packets)
    assert off_deg(placed, pedal.torque) <= 1.5
    assert sum(len(part.values) for part in placed) >= 0.85 * 150 * 8
    never, vectors = put_together(pedal.packet(first_angle_deg=None) for _ in range(2 * MOST_WAITING))
    assert never == []
    assert vectors.unplaced_packets == vectors.packets


@pytest.mark.parametrize(
    "more",
    [
        {"first_angle_deg": 361}, {"first_angle_deg": 65535}, {"first_angle_deg": -1},
        {"direction": 2}, {"direction": 3}, {"values": ()}, {"crank_revs": None, "crank_ticks": None},
    ],
)  # fmt: skip
def test_packets_that_make_no_sense_place_nothing(more: dict[str, object]) -> None:
    pedal = Pedal()
    placed, vectors = put_together(pedal.packet(**more) for _ in range(60))
    assert placed == []
    assert vectors.packets == 60


def test_a_rider_who_coasts_has_no_stroke() -> None:
    pedal = Pedal()
    packets = [pedal.packet() for _ in range(60)]
    last, t_s = packets[-1]
    still = StrokeVector((0.0,) * 8, 40, False, 1, last.crank_revs, last.crank_ticks)
    packets += [(still, t_s + 0.25 * k) for k in range(1, 60)]
    placed, vectors = put_together(packets)
    # The last packet before it waits for an angle that never comes.
    assert placed[-1].t_s < t_s
    assert vectors.lost_packets == 0


def test_counters_beside_the_vectors_stand_in_for_their_own() -> None:
    pedal = Pedal()
    vectors = Vectors()
    placed = []
    for _ in range(80):
        v, t_s = pedal.packet()
        vectors.crank(v.crank_revs or 0, v.crank_ticks or 0, t_s, 1024, 65536)
        bare = StrokeVector(v.values, v.first_angle_deg, False, 1)
        if (found := vectors.feed(bare, t_s)) is not None:
            placed.append(found)
    assert len(placed) >= 60
    assert off_deg(placed, pedal.torque) <= 1.0


def test_noise_in_the_place_of_vectors_stays_bounded() -> None:
    dice = random.Random(5)
    vectors = Vectors()
    t_s = 0.0
    for _ in range(3000):
        t_s += dice.choice((0.0, 0.01, 0.3, 9.0))
        packet = StrokeVector(
            tuple(float(dice.randrange(-32768, 32768)) for _ in range(dice.randrange(12))),
            dice.choice((None, dice.randrange(65536), dice.randrange(360))), bool(dice.randrange(2)),
            dice.randrange(4), dice.choice((None, dice.randrange(65536))), dice.randrange(65536),
        )  # fmt: skip
        found = vectors.feed(packet, t_s)
        if found is not None:
            assert ((found.angles_deg >= 0.0) & (found.angles_deg < 360.0)).all()
            assert len(found.values) <= MOST_WAITING + 12


# -- a session of one instrument


def series_of(
    rows: Iterable[tuple[int, StrokeSecond]], place: str = "left pedal", sides: str = "both"
) -> Series:
    found = list(rows)
    return Series(max(at for at, _ in found) + 1, found, Vectors(), place, sides)


def seconds_of(torque: Torque, seconds: int = 60) -> Iterable[tuple[int, StrokeSecond]]:
    for at in range(seconds):
        yield at, StrokeSecond(shape=shape_of(torque, 32, at), facts={})


@pytest.mark.parametrize(
    ("place", "sides", "side"),
    [
        ("left pedal", "both", "left"),
        ("right crank", "both", "right"),
        ("spider", "left", "left"),
        ("spider", "total", "unknown"),
    ],
)
def test_whose_leg_a_vector_is(place: str, sides: str, side: str) -> None:
    series = series_of(seconds_of(leg(105.0)), place, sides)
    assert series.vector_side == side
    assert series.sides == (side,)
    found = series.peak(series.blocks(0.0, 60.0), side)  # type: ignore[arg-type]
    assert found is not None
    assert found.n == 6
    assert found.mean_deg == pytest.approx(105.0, abs=1.0)


def test_the_sum_of_two_legs_has_two_peaks() -> None:
    series = series_of(seconds_of(both(leg(88.0), leg(101.0))))
    assert series.vector_side == "both"
    blocks = series.blocks(0.0, 60.0)
    peaks = [series.peak(blocks, side) for side in ("left", "right")]  # type: ignore[arg-type]
    assert [p and round(p.mean_deg) for p in peaks] == [pytest.approx(88, abs=1), pytest.approx(101, abs=1)]


def test_angles_from_the_ends_of_the_peak_power_phase() -> None:
    rows = [
        (
            at,
            StrokeSecond(
                facts={"left_power_phase_peak_start_deg": 350.0, "left_power_phase_peak_end_deg": 150.0}
            ),
        )
        for at in range(0, 60, 3)
    ]
    series = series_of(rows)
    found = series.peak(series.blocks(0.0, 58.0), "left")
    assert (series.method, series.sides) == ("peak phase", ("left",))
    assert found is not None
    assert found.mean_deg == pytest.approx(70.0)


def test_the_stronger_leg_has_the_extreme_angle_of_the_sum() -> None:
    rows = [(at, StrokeSecond(facts={"max_torque_angle_deg": 95.0 if at % 2 else 282.0})) for at in range(60)]
    series = series_of(rows)
    blocks = series.blocks(0.0, 60.0)
    left, right = series.peak(blocks, "left"), series.peak(blocks, "right")
    assert left is not None
    assert right is not None
    assert (left.mean_deg, right.mean_deg) == (pytest.approx(95.0), pytest.approx(102.0))
    one = series_of(rows[1::2], "left crank", "left")
    assert one.sides == ("left",)


def test_a_track_hands_over_each_second_once() -> None:
    seen: list[tuple[int, StrokeSecond]] = []
    track = StrokeTrack(lambda second, row: seen.append((second, row)))
    for t_s in (0.2, 0.7, 1.1, 4.0):
        track.take(Reading(facts={"left_torque_nm": t_s, "rider_position": "standing", "firmware": "1"}), t_s)
    track.take(Reading(facts={"firmware": "2"}), 9.0)
    track.close()
    track.close()
    assert [at for at, _ in seen] == [0, 1, 4]
    assert [row.facts for _, row in seen] == [
        {"left_torque_nm": 0.7},
        {"left_torque_nm": 1.1},
        {"left_torque_nm": 4.0},
    ]
    assert track.reports
    plain = StrokeTrack(lambda second, row: seen.append((second, row)))
    plain.take(Reading(power_w=200.0, crank_revs=4, crank_ticks=100, facts={"firmware": "2"}), 1.0)
    assert not plain.reports


def test_a_gathered_shape_counts_what_came() -> None:
    shape = shape_of(leg(90.0), 500)
    assert shape[COUNT].sum() == 500
