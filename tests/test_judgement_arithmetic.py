"""The arithmetic of a judgement, number by number, against hand calculation and published formulas.

Each test stands against one change of meaning that would leave the words of a report
plausible: half an edge, a forgotten part of a budget, a factor of 1 for 1.96.
`python -m tests.benchmarks.judgement.mutations` makes those changes and looks that a test fails.
"""

import functools
import math
from dataclasses import replace

import msgspec
import numpy as np
import pytest
from scipy import stats

from capture.record import Header
from monitor.analysis import expected
from monitor.analysis.block import Block
from monitor.analysis.blockstats import Spread, interval, usual_spread
from monitor.analysis.budget import Noise
from monitor.analysis.diagnose import attribute, diagnose, three_cornered_hat
from monitor.analysis.lag import Lag, Timing, timing
from monitor.live.faults.compared import quantity
from monitor.setup.bench import parse_bench
from monitor.study.answers import questions
from monitor.study.estimate import delay
from monitor.study.estimate.edges import edge_percent, inner
from monitor.study.estimate.sure import Between, Spreads, share_percent
from monitor.study.grid import Grid
from monitor.study.parts.common import shared_of
from monitor.study.parts.repeats import _repeat
from monitor.study.recording import Recording, collect
from monitor.study.results import Difference, Opened, SegmentStudy, Split, State, Study
from monitor.study.study import study
from tests.benchmarks.judgement.evening import UTC_NS, Meter, Piece, Plan, make

RIDE = (
    Piece("easy", 120, 130, 88),
    Piece("steady 1/2", 150, 220, 90),
    Piece("low cadence", 120, 220, 60),
    Piece("high cadence", 120, 180, 104),
    Piece("steady 2/2", 150, 220, 90),
)
LOSS = (3.0, 1.5)
HUB = Meter(
    "hub", "witness", "hub", "ant-trainer", 1.5, noise=1e-5, loss=LOSS, true_loss=LOSS, smoothing_s=0.25
)
PEDALS = Meter("pedals", "reference", "pedals", "ble-dual", 1.0, noise=1e-5)
HERON = Meter("heron", "on-test", "pedals", "ble-dual", 1.5, noise=1e-5)


def recording_of(*meters: Meter, ride: tuple[Piece, ...] = RIDE, sides: str = "") -> Recording:
    """An evening almost without noise; the first meter is the reference. `sides` are those of the last."""
    evening = make(Plan("arithmetic", 3, ride, meters, meters[0].label))
    bench = evening.bench
    if sides:
        head, _, tail = bench.rpartition('sides = "total"')
        bench = f'{head}sides = "{sides}"{tail}'
    return collect(Header(bench, "test", UTC_NS, evening.protocol), evening.records)


@functools.cache
def with_a_hub() -> tuple[Recording, Study]:
    recording = recording_of(PEDALS, HUB, HERON)
    return recording, study(recording)


@functools.cache
def on_a_hub() -> tuple[Recording, Study]:
    recording = recording_of(replace(HUB, role="reference"), replace(PEDALS, role="witness"))
    return recording, study(recording)


# -- the budget of a difference


def test_an_edge_is_what_a_lag_moves_over_the_ends() -> None:
    """By hand: 200 W for 20 s, then 300 W. Read a second later, the window has 100 J more of 4000 J: 2.5 %.

    Where the load beside the window is the same, nothing is moved, and what is not known is taken as even.
    """
    power = np.array([200.0] * 30 + [300.0] * 10)
    begin, end = np.array([10, 5]), np.array([30, 25])
    assert edge_percent(power, power, begin, end, 1.0).tolist() == pytest.approx([2.5, 0.0], abs=1e-9)
    assert edge_percent(power, power, begin, end, 0.5)[0] == pytest.approx(1.25)
    power[30:] = np.nan
    assert edge_percent(power, power, begin, end, 1.0)[0] == pytest.approx(0.0, abs=1e-9)


def test_the_last_seconds_of_a_load_are_not_compared() -> None:
    """Two seconds of thirty and more; of a shorter window nothing can be spared."""
    assert inner(10, 40) == (10, 38)
    assert inner(10, 39) == (10, 39)


def test_after_correction_half_a_second_of_lag_is_left_to_doubt() -> None:
    """Many meters have new values once a second: half a second early or late (common practice)."""
    recording, _ = with_a_hub()
    grid = Grid(recording)
    heron = grid.labels.index("heron")
    u95_s = grid.lags[heron].u95_s
    assert u95_s is not None
    assert grid.lag_bound_s(heron) == pytest.approx(0.5 + u95_s)


def test_the_loss_of_a_hub_enters_with_a_fifth_of_itself_at_95_percent() -> None:
    """By hand: at 220 W the hub gets 220 x 0.985 - 3 = 213.7 W, 2.864 % less; 1.96 x 0.2 x that = 1.12 %."""
    _, told = with_a_hub()
    for segment in told.segments:
        (d,) = [d for d in segment.differences if d.instrument == "hub"]
        crank_w = segment.means["pedals"].power_w
        assert crank_w is not None
        lost_percent = 100 * (1.5 / 100 * crank_w + 3.0) / crank_w
        assert d.loss_u95_percent == pytest.approx(1.96 * 0.2 * lost_percent, rel=0.01)
    steady = next(s for s in told.segments if s.name == "steady 1/2")
    (d,) = [d for d in steady.differences if d.instrument == "hub"]
    assert d.loss_u95_percent == pytest.approx(1.12, abs=0.02)


def test_the_loss_of_the_reference_counts_as_its_own() -> None:
    """Pedals on a hub as reference: the same 1.12 % at 220 W."""
    _, told = on_a_hub()
    steady = next(s for s in told.segments if s.name == "steady 1/2")
    (d,) = [d for d in steady.differences if d.instrument == "pedals"]
    assert d.loss_u95_percent == pytest.approx(1.12, abs=0.03)


def test_the_spread_of_losses_is_that_of_published_chains() -> None:
    """Efficiencies at 200 W with three sprockets (Wilson, Bicycling Science, 3rd ed.): 97.4, 97.6, 96.9 %.

    Their losses spread by 13 % of the mean; at 100 W (96.2, 96.4, 94.9 %) by 19 %. What a bench
    states, of whatever chain, is not known better than that.
    """
    spreads = []
    for efficiencies in ((97.4, 97.6, 96.9), (96.2, 96.4, 94.9)):
        losses = [100 - e for e in efficiencies]
        spreads.append(float(np.std(losses, ddof=1) / np.mean(losses)))
    assert spreads == pytest.approx([0.134, 0.194], abs=0.002)
    assert max(spreads) <= expected.LOSS_SPREAD <= 2 * max(spreads)


def test_a_share_that_stands_still_hides_half_a_step_of_a_side() -> None:
    """GUM 4.3.7: a resolution d is a rectangle of half-width d / 2, u = d / sqrt(12).

    One percent of the total is two of a side at even halves: u = 2 / sqrt(12) = 0.577 %, 1.132 % at 95 %.
    Two instruments, neither of which moves: the root sum of squares of both, 1.600 %.
    """
    assert share_percent(np.full(600, 49.0)) == pytest.approx(1.96 * 2.0 / math.sqrt(12.0))
    recording, _ = with_a_hub()
    shared = shared_of(recording)
    heron = shared.grid.labels.index("heron")
    pair = shared.grid.compared(heron)
    for left, right in ((pair.left_w, pair.right_w), (pair.left_reference_w, pair.right_reference_w)):
        total = left + right
        left[:], right[:] = 0.49 * total, 0.51 * total
    shared.cuts[heron] = []
    for side in ("left", "right"):
        sure = shared.sure_side(heron, shared.blocks[heron].edge_percent < 2.0, side)
        assert sure is not None
        assert sure.parts["steps of a share"] == pytest.approx(1.600, abs=0.001)


def test_a_share_that_wanders_over_its_steps_is_dithered() -> None:
    """A simulation of a share that is read in whole percent: the mean is never off by more than is said.

    Without wander half a step may hide, one percent of a side; with one of 0.6 % hardly anything. A minute
    tells its wander to a tenth: the mean of exp(-2 pi^2 s^2) over minutes is above that of the true one.
    """
    rng = np.random.default_rng(11)
    for wander in (0.0, 0.2, 0.3, 0.4, 0.6):
        off, said = [], []
        for middle in np.linspace(49.0, 50.0, 21):
            read = np.rint(middle + wander * rng.standard_normal(40_000))
            # An error of the share is twice as much of a side.
            off.append(2.0 * abs(float(read.mean()) - middle))
            said.append(share_percent(read))
        assert all(o <= s + 0.02 for o, s in zip(off, said, strict=True)), wander
        assert max(off) == pytest.approx(1.0, abs=0.01) or wander > 0.0
        assert max(said) < 0.06 or wander < 0.6


def test_a_share_that_flips_between_two_steps_lies_near_their_threshold() -> None:
    """By hand: of a minute 45 s read 49 and 15 s read 48. It lies at 48.5 and reads 48.75 if it hardly moves.

    A quarter of a step of the share is half a percent of a side; as a rectangle 1.96 x 0.5 / sqrt(3).
    """
    minute = np.tile([49.0, 49.0, 48.0, 49.0], 15)
    assert share_percent(minute) == pytest.approx(1.96 * 0.5 / math.sqrt(3.0))
    assert share_percent(np.tile(minute, 9)) == pytest.approx(1.96 * 0.5 / math.sqrt(3.0))
    # Half of the time each: it lies at the threshold, whatever it moves.
    assert share_percent(np.tile([49.0, 48.0], 30)) == pytest.approx(0.0, abs=1e-9)
    # One after the other, it stood on two levels, and each of them hides half a step.
    stood = 1.96 * 2.0 / math.sqrt(12.0)
    assert share_percent(np.repeat([49.0, 48.0], 30)) == pytest.approx(stood)
    # Levels of different minutes hide parts that have nothing to do with each other.
    assert share_percent(np.repeat([49.0, 48.0, 50.0, 47.0], 60)) == pytest.approx(stood / 2.0)


@pytest.mark.parametrize("wander", [0.0, 0.1, 0.2, 0.35])
@pytest.mark.parametrize("slow", [0.0, 0.3, 0.6])
def test_what_a_riders_share_hides_is_as_often_held_as_is_said(wander: float, slow: float) -> None:
    """Ten minutes at four loads with a share of its own each, read in whole percent once a second."""
    rng = np.random.default_rng([int(100 * wander), int(100 * slow), 3])
    held = []
    for _ in range(400):
        level = rng.uniform(45, 55) + np.repeat(rng.normal(0.0, 1.0, 4), 150)
        drift = np.interp(np.arange(600), np.arange(0, 660, 60), slow * rng.standard_normal(11))
        true = level + drift + wander * rng.standard_normal(600)
        read = np.rint(true)
        held.append(2.0 * abs(read.mean() - true.mean()) <= share_percent(read))
    # Three standard errors of 400 riders are 3.3 %.
    assert np.mean(held) >= 0.95 - 0.033


def test_a_mean_over_segments_has_their_spread_as_a_part() -> None:
    """By hand: 0.3 % with three degrees of freedom (t = 3.182) over k segments of so many blocks each."""
    recording, _ = with_a_hub()
    shared = shared_of(recording)
    heron = shared.grid.labels.index("heron")
    shared.cuts[heron] = []
    shared.noise[heron] = Noise(1e-8, dof=50.0)
    shared.between[heron] = Spreads(Between(0.003, 3.0))
    blocks = shared.blocks[heron]
    everything = shared.sure(heron, np.ones(len(blocks.y), dtype=bool))
    one = shared.sure(heron, blocks.segment == 1)
    assert everything is not None
    assert one is not None
    counts = np.bincount(blocks.segment).astype(float)
    segments = counts.sum() ** 2 / (counts**2).sum()
    assert everything.parts["between segments"] == pytest.approx(100 * 3.182 * 0.003 / math.sqrt(segments))
    assert one.parts["between segments"] == 0.0, "the level of one segment is its own"


def test_a_pause_after_an_effort_is_no_riding_to_judge() -> None:
    """The first seconds of a pause still hold what is left of an effort: nothing is judged by that."""
    effort = (
        Piece("steady", 50, 260, 90),
        Piece("sprint", 12, 700, 100, table="sprint"),
        Piece("rest", 22, 0, 0, table="rest"),
    )
    hub = replace(HUB, smoothing_s=3.0, delay_s=0.8)
    told = study(recording_of(PEDALS, hub, HERON, ride=effort * 4))
    pauses = [s for s in told.segments if s.name == "pause"]
    assert len(pauses) == 4
    assert [s.differences for s in pauses] == [[]] * 4
    assert all(s.differences for s in told.segments if s.name == "steady")


# -- gain and zero


def test_gain_and_zero_against_a_hub_hold_what_its_loss_hides() -> None:
    """By hand, without noise: 1.96 x 0.2 x 1.5 % = 0.0059; 1.96 x 0.2 x 3 W at 86 rpm = 0.131 N·m.

    They are no wider than that, either: what is known well enough is not widened.
    """
    _, told = with_a_hub()
    hub = told.instruments["hub"]
    assert hub.gain_u95 is not None
    assert hub.offset_u95_nm is not None
    assert hub.gain_u95 >= 1.96 * 0.2 * 0.015 - 1e-5
    assert hub.offset_u95_nm >= 1.96 * 0.2 * 3.0 / (86 * 2 * math.pi / 60) - 1e-3
    assert hub.gain_u95 <= 0.0075
    assert hub.offset_u95_nm <= 0.17


def blocks_of(torques_nm: list[float], deviations: list[float], rpm: float = 90.0) -> list[Block]:
    omega = rpm * 2 * math.pi / 60
    return [
        Block(10 * k, math.log1p(d), t * omega * (1 + d), t * omega, rpm, 0.0, *([None] * 6))
        for k, (t, d) in enumerate(zip(torques_nm, deviations, strict=True))
    ]


def test_a_constant_loss_in_watts_leaves_the_zero_in_doubt() -> None:
    """By hand: a fifth of 9 W at 9 rad/s is 0.2 N·m, and blocks without noise don't make it smaller."""
    torques = [15.0, 30.0] * 10
    found = diagnose(
        blocks_of(torques, [0.03 + 1e-4 * (-1) ** (k // 2) for k in range(20)]), "total", 0.001, 9.0
    )
    assert found.sd_offset_nm == pytest.approx(0.2, rel=0.05)


@pytest.mark.parametrize(("block_sd", "cause"), [(0.0111, "unclear"), (0.0079, "scale")])
def test_a_cause_needs_odds_of_a_thousand_to_one(block_sd: float, cause: str) -> None:
    """By hand: 3 % at 20 and at 40 N·m, three blocks each. The best zero offset is 0.72 N·m and leaves
    3 x (0.006² + 0.012²) = 5.4e-4; over (0.7 x 0.0111)² that is 9 of chi squared, over (0.7 x 0.0079)²
    it is 17.7. Odds of 1000 to 1 are exp(14 / 2).
    """
    blocks = blocks_of([20.0, 20.0, 40.0, 40.0, 20.0, 40.0], [0.03 + 1e-5 * (-1) ** k for k in range(6)])
    assert diagnose(blocks, "total", block_sd).cause == cause


def test_noise_that_goes_on_makes_gain_less_sure() -> None:
    """The same twenty residuals in runs of five, and alternating: AR(1) makes runs worth fewer values."""
    torques = [20.0] * 10 + [40.0] * 10
    runs = [0.002 * (1 if (k // 5) % 2 else -1) for k in range(20)]
    alternating = [0.002 * (1 if k % 2 else -1) for k in range(20)]
    slow = diagnose(blocks_of(torques, [0.03 + r for r in runs]), "total", 0.0015)
    quick = diagnose(blocks_of(torques, [0.03 + r for r in alternating]), "total", 0.0015)
    assert quick.sd_gain is not None
    assert slow.sd_gain is None or slow.sd_gain > 1.7 * quick.sd_gain


# -- sides


def _sided(left_w: list[float]) -> list[Block]:
    return [
        Block(
            10 * k,
            math.log1p(d / 200.0),
            200.0 + d,
            200.0,
            90.0,
            0.0,
            None,
            None,
            100.0 + d,
            100.0,
            100.0,
            100.0,
        )
        for k, d in enumerate(left_w)
    ]


@pytest.mark.parametrize(("spread_w", "side"), [(2.6, None), (1.5, "left")])
def test_a_side_is_named_at_twice_its_half_width(spread_w: float, side: str | None) -> None:
    """By hand: 5 W ± a in four alternating blocks: half-width 2.2 x 1.155 a / 2 = 1.27 a, twice: 2.54 a."""
    found = attribute(_sided([5 + spread_w, 5 - spread_w, 5 + spread_w, 5 - spread_w]))
    assert found is not None
    assert found.u95_left_w == pytest.approx(2.2 * spread_w * math.sqrt(4 / 3) / 2, rel=1e-6)
    assert found.side == side


def test_the_floor_of_a_side_is_half_of_the_whole_floor() -> None:
    """3 W of 200 W are 1.5 %; at even halves a side of 100 W has the same limit in percent, not twice it."""
    bench = parse_bench(
        '[bench]\nreference = "a"\n'
        '[[instrument]]\nlabel = "a"\nlink = "log:a"\nsides = "both"\nclaim_percent = 0.5\n'
        '[[instrument]]\nlabel = "b"\nlink = "log:b"\nsides = "both"\nclaim_percent = 0.5\n'
    )
    a, b = bench.instruments
    assert expected.limits(bench, b, [a], 200.0).percent == pytest.approx(1.5)
    side = expected.limits(bench, b, [a], 100.0, side=True)
    assert (side.percent, side.floor_w) == (pytest.approx(1.5), pytest.approx(1.5))


# -- scatter


def test_degrees_of_freedom_are_those_of_the_effective_number() -> None:
    """By hand: +1 +1 -1 -1 twice: r = 1/8, without its bias 0.3125, n_eff = 8 (1 - r)/(1 + r) = 4.19.

    Student's t for 3.19 degrees of freedom (scipy), times sqrt((8 / 7) / 4.19).
    """
    values = np.array([1.0, 1.0, -1.0, -1.0] * 2)
    found = interval(values, Spread())
    assert found is not None
    assert found.n_effective == pytest.approx(8 * (1 - 0.3125) / (1 + 0.3125))
    t = float(stats.t.ppf(0.975, found.n_effective - 1))
    assert found.u95 == pytest.approx(t * math.sqrt(8 / 7 / found.n_effective), rel=0.01)


def test_what_a_segment_cannot_tell_the_session_tells() -> None:
    """AR(1) with r = 0.6: known from groups of forty, and three blocks alone take it over."""
    rng = np.random.default_rng(2)
    x = np.zeros(4000)
    for k in range(1, 4000):
        x[k] = 0.6 * x[k - 1] + rng.normal(0, 0.8)
    usual = usual_spread([x[k : k + 40] for k in range(0, 4000, 40)])
    assert usual.r == pytest.approx(0.6, abs=0.06)
    few = interval(x[:3], usual)
    alone = interval(x[:3], replace(usual, r=0.0))
    assert few is not None
    assert alone is not None
    assert few.n_effective == pytest.approx(max(1.0, 3 * (1 - usual.r) / (1 + usual.r)))
    assert few.u95 > 1.5 * alone.u95


def test_noise_of_three_counts_how_slow_it_is() -> None:
    """Variance of a sample variance of AR(1): 2 s^4 / n x (1 + r²)/(1 - r²) (Priestley, 1981; from memory).

    Three alike, r = 0.8, n = 3000: half of (v12 + v13 - v23) has a relative standard deviation of
    sqrt(0.75 x 2 x 4 / n_eff), n_eff = 3000 x 0.36 / 1.64 = 659: 0.0955.
    """
    rng = np.random.default_rng(3)
    x = np.zeros((3000, 3))
    for k in range(1, 3000):
        x[k] = 0.8 * x[k - 1] + 0.6 * rng.standard_normal(3)
    estimates = three_cornered_hat(x)
    assert estimates is not None
    for e in estimates:
        assert e.value is not None
        half = (e.high**2 - e.value**2) / e.value**2
        assert half == pytest.approx(1.96 * 0.0955, rel=0.25)


# -- timing


def test_a_lag_is_as_sure_as_slopes_and_steps_agree(monkeypatch: pytest.MonkeyPatch) -> None:
    """By hand: slopes say 1.2 ± 0.1 s (standard deviation), likely was 0 ± 0.9 s, steps say 1.5 s.

    Weights 100 and 1 / 0.81: 1.2 x 100 / 101.235 = 1.185 s, sd 1 / sqrt(101.235) = 0.0994 s; 95 %:
    hypot(1.96 x 0.0994, 1.5 - 1.2) = 0.358 s. What averaging bends is left open by the difference.
    """
    power = np.full(600, 200.0)
    monkeypatch.setattr(delay, "slope_lag", lambda *_args: Timing(1.2, 0.1))
    monkeypatch.setattr(delay, "step_lag", lambda *_args: Lag(1.5, 0.9, True))
    found = delay.delay_of(power, power, Timing(0.0, 0.9))
    assert found is not None
    assert found.lag_s == pytest.approx(1.2 * 100 / (100 + 1 / 0.81))
    assert found.u95_s == pytest.approx(0.358, abs=0.001)
    assert found.bound_s == pytest.approx(0.858, abs=0.001)


def test_a_rest_does_not_make_others_late() -> None:
    """A dual meter's last turn before a rest is known with the next one only, and laid on the rest."""
    ride = tuple(
        piece
        for k in range(8)
        for piece in (
            Piece(f"over {k}", 50, 280, 90),
            Piece(f"under {k}", 40, 170, 88),
            Piece("rest", 25, 0, 0, table="rest"),
        )
    )
    evening = make(Plan("arithmetic", 5, ride, (PEDALS, HUB), "pedals"))
    grid = Grid(collect(Header(evening.bench, "test", UTC_NS, evening.protocol), evening.records))
    found = grid.lags[1]
    true_s = evening.lag_s("hub") - evening.lag_s("pedals")
    assert found.u95_s is not None
    assert found.lag_s == pytest.approx(true_s, abs=0.06)
    # With the steps into rests the two accounts of it lie 0.4 s apart.
    assert abs(found.lag_s - true_s) <= found.u95_s < 0.2


def test_no_amount_of_data_tells_a_lag_better_than_updates_allow() -> None:
    """Values of a second and revolutions of 0.7 s: u of a rectangle of 0.5 s is 0.5 / sqrt(12) = 0.144 s."""
    rng = np.random.default_rng(2)
    power = 200 + 40 * np.sin(np.arange(3600) / 9.0) + rng.normal(0, 0.1, 3600)
    assert timing(power, power, Timing(0.0, 0.9), 0.0).sd_s >= 0.5 / math.sqrt(12)


def test_a_doubled_side_that_comes_late_is_read_later() -> None:
    """A left-only meter 2 s late, beside that side of a dual one: over steps of load both are one curve."""
    ride = tuple(
        Piece(f"over {k}" if k % 2 else f"under {k}", 40, 260 if k % 2 else 160, 88) for k in range(16)
    )
    late = Meter(
        "heron", "on-test", "crank", "ble-total", 1.5, noise=1e-5, delay_s=2.0, gain_left=2.0, gain_right=0.0
    )  # fmt: skip
    grid = Grid(recording_of(PEDALS, late, ride=ride, sides="left"))
    pair = grid.compared(grid.labels.index("heron"))
    difference = pair.own_w - pair.reference_w
    known = np.isfinite(difference)
    assert known.sum() > 500
    assert float(np.sqrt(np.mean(difference[known] ** 2))) < 8.0


def test_a_lost_second_in_fifty_is_the_most() -> None:
    """Five seconds in a hundred without a word speak against it; two are borne (common practice)."""
    recording = recording_of(PEDALS, HERON, ride=RIDE[:3])
    whole = study(recording)
    assert all("not heard" not in r.text for r in whole.instruments["heron"].reasons)
    records = make(Plan("arithmetic", 3, RIDE[:3], (PEDALS, HERON), "pedals"))
    kept = [
        r
        for r in records.records
        if getattr(r, "instrument", "") != "heron" or not 150e9 < r.t_ns < 171e9 or r.t_ns == 0
    ]
    header = Header(records.bench, "test", UTC_NS, records.protocol)
    lossy = study(collect(header, kept)).instruments["heron"]
    assert any("not heard for" in r.text and r.point == "bad" for r in lossy.reasons)


# -- repeats, and what more riding would tell


def _difference(deviation: float, spread: float, edge: float) -> Difference:
    return Difference(
        "heron", "pedals", 0.0, deviation, 0.0, spread, 1.8, "agrees", None, None, None, deviation, 9, spread,
        0.0, edge,
    )  # fmt: skip


def test_a_repeat_has_both_spreads_as_root_sum_of_squares() -> None:
    """By hand: 0.3 and 0.4 % give 0.5 %; with edges of 0.3 and 0.8 % it is sqrt(0.25 + 0.73) = 0.990 %."""
    segment = SegmentStudy(
        "steady", 0.0, 100.0, True, {}, [], "block", "target", 10.0, 220.0, 220.0, 23.0, 90.0, "", False
    )
    plain = _repeat("steady", segment, _difference(0.2, 0.3, 0.0), segment, _difference(0.9, 0.4, 0.0))
    assert plain.change_percent == pytest.approx(0.7)
    assert plain.change_u95_percent == pytest.approx(0.5)
    assert plain.beyond_chance
    edged = _repeat("steady", segment, _difference(0.2, 0.3, 0.3), segment, _difference(0.9, 0.4, 0.8))
    assert edged.change_u95_percent == pytest.approx(0.990, abs=1e-3)


def test_more_minutes_are_counted_in_blocks_of_ten_seconds() -> None:
    """By hand: 12 blocks, ± 0.8 %, 0.4 % from the limit: four times the blocks, 36 more, six a minute: 6.

    With 0.6 % of ± 1.0 % that never average down, 0.8 % from the limit: 12 ((0.64 / 0.28) - 1) / 6 = 2.6.
    """
    overall = Split("all", "all", "heron", "pedals", 12, 1.4, 0.8, 1.8, "undecided")
    opened = Opened("start", 0.0, "")
    plain = State(0.0, 120.0, opened, 12, 1.4, 0.8, 1.8, "undecided", budget={"scatter": 0.8})
    assert "about 6 more minutes" in questions._more(overall, plain)[0]
    state = msgspec.structs.replace(
        plain, deviation_percent=1.0, u95_percent=1.0, budget={"scatter": 0.8, "drivetrain loss": 0.6}
    )
    assert "about 3 more minutes" in questions._more(overall, state)[0]
    stuck = msgspec.structs.replace(state, budget={"scatter": 0.6, "drivetrain loss": 0.8})
    assert "no more riding decides it: state the drivetrain loss" in questions._more(overall, stuck)[0]
    moving = msgspec.structs.replace(state, budget={"scatter": 0.6, "drift": 0.8})
    assert "no longer drifts" in questions._more(overall, moving)[0]
    # Where nothing says what averages down, no number of minutes is said.
    assert "more minutes" not in questions._more(overall, None)[0]


# -- words that stand on one torque


def test_one_torque_says_nothing_of_the_others() -> None:
    """Half an hour at one torque and cadence: whether the instrument serves at others stays open."""
    ride = (Piece("steady 1/2", 200, 220, 90), Piece("steady 2/2", 200, 220, 90))
    told = study(recording_of(PEDALS, HERON, HUB, ride=ride)).instruments["heron"]
    assert any(r.point == "open" and "torque" in r.text for r in told.reasons)
    assert told.serves_as_reference != "yes"


def test_looking_again_does_not_shrink_what_is_systematic() -> None:
    """One-sided 95 % of a normal distribution (scipy): 1.645 standard uncertainties of the loss."""
    assert pytest.approx(float(stats.norm.ppf(0.95)), abs=0.01) == quantity.SYSTEMATIC
