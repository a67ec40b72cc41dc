"""Lines, causes, sides, noise without truth: against published cases, libraries and simulation."""

import itertools
import math
from collections.abc import Callable

import allantools
import hypothesis
import hypothesis.extra.numpy as hnp
import hypothesis.strategies as st
import numpy as np
import numpy.typing as npt
import odrpack
import pytest

from monitor.analysis.block import Block
from monitor.analysis.diagnose import (
    GATE_GAIN,
    GATE_OFFSET_NM,
    MIN_BLOCKS,
    Diagnosis,
    Hole,
    Line,
    attribute,
    deming,
    diagnose,
    placement,
    three_cornered_hat,
    torque_line,
)
from tests.helpers.estimators import york
from tests.helpers.metrology import vector

Floats = npt.NDArray[np.float64]
TWO_PI = 2.0 * math.pi


# -- lines -------------------------------------------------------------------------------------


def line(x: Floats, beta: Floats) -> Floats:
    y: Floats = beta[0] * x + beta[1]
    return y


def odr(x: Floats, y: Floats, weight_x: Floats | float = 1.0, weight_y: Floats | float = 1.0) -> Floats:
    """Slope and intercept by orthogonal distance regression.

    Central differences: with forward ones the library stops some 1e-6 before the line, how far
    depends on the processor.
    """
    found = odrpack.odr_fit(
        line,
        x,
        y,
        np.polyfit(x, y, 1),
        weight_x=weight_x,
        weight_y=weight_y,
        diff_scheme="central",
        partol=1e-14,
        sstol=1e-14,
    )
    beta: Floats = found.beta
    return beta


def arrays(name: str) -> tuple[Floats, Floats]:
    v = vector(name)["input"]
    return np.array(v["x"], dtype=float), np.array(v["y"], dtype=float)


@pytest.mark.parametrize("name", ["deming-6", "pearson-orthogonal"])
def test_deming_line_is_the_published_and_the_librarys(name: str) -> None:
    """Pearson 1901 (slope -0.546, intercept 5.784 in print); a synthetic line of six points."""
    v = vector(name)
    x, y = arrays(name)
    slope, intercept = deming(x, y)
    tolerance = v["tolerance"]
    assert slope == pytest.approx(v["expected"]["slope"], abs=tolerance)
    assert intercept == pytest.approx(v["expected"]["intercept"], abs=tolerance)
    assert (slope, intercept) == pytest.approx(odr(x, y).tolist(), abs=1e-8)


@pytest.mark.parametrize("ratio", [0.25, 0.5, 2.0, 9.0])
def test_deming_with_unequal_errors_is_the_librarys(ratio: float) -> None:
    x, y = arrays("deming-6")
    assert deming(x, y, ratio) == pytest.approx(odr(x, y, ratio, 1.0).tolist(), rel=1e-7)


POINTS = hnp.arrays(
    float, st.tuples(st.integers(3, 12), st.just(2)), elements=st.integers(-1000, 1000).map(float)
)


@hypothesis.given(POINTS, st.sampled_from([0.25, 0.5, 1.0, 2.0, 4.0]))
def test_deming_knows_no_first_and_second(points: Floats, ratio: float) -> None:
    """The line of y on x is that of x on y: no least squares of one variable is so."""
    x, y = points.T
    hypothesis.assume(abs(float((x - x.mean()) @ (y - y.mean()))) > 1.0)
    slope, intercept = deming(x, y, ratio)
    back, _ = deming(y, x, 1.0 / ratio)
    hypothesis.assume(abs(slope) > 1e-3)
    assert slope * back == pytest.approx(1.0, rel=1e-6)
    assert slope * x.mean() + intercept == pytest.approx(y.mean(), rel=1e-9, abs=1e-6)


@hypothesis.given(st.floats(-20, 20).filter(lambda v: abs(v) > 0.01), st.floats(-100, 100))
def test_deming_is_exact_without_errors(gain: float, offset: float) -> None:
    x = np.linspace(5.0, 45.0, 9)
    assert deming(x, gain * x + offset) == pytest.approx((gain, offset), rel=1e-6, abs=1e-6)


def test_no_line_without_common_variation() -> None:
    with pytest.raises(ValueError, match="two points"):
        deming(np.array([1.0]), np.array([2.0]))
    with pytest.raises(ValueError, match="no common variation"):
        deming(np.array([1.0, 1.0, 1.0]), np.array([1.0, 2.0, 3.0]))


def test_york_line_of_pearsons_data() -> None:
    """Pearson 1901 with the weights of York 1966; solution -0.4805, 5.4799, reduced chi squared 1.4832."""
    v = vector("pearson-york")
    x, y = arrays("pearson-york")
    weight_x, weight_y = np.array(v["input"]["weight_x"], float), np.array(v["input"]["weight_y"], float)
    slope, intercept, sd_slope, sd_intercept, chi2 = york(x, y, weight_x, weight_y)
    expected, tolerance = v["expected"], v["tolerance"]
    assert slope == pytest.approx(expected["published"]["slope"], abs=tolerance["slope"])
    assert intercept == pytest.approx(expected["published"]["intercept"], abs=tolerance["intercept"])
    assert slope == pytest.approx(expected["slope"], abs=1e-9)
    assert intercept == pytest.approx(expected["intercept"], abs=1e-9)
    assert chi2 == pytest.approx(expected["reduced_chi2"], abs=1e-9)
    assert chi2 == pytest.approx(expected["published"]["reduced_chi2"], abs=tolerance["reduced_chi2"])
    # Published standard errors belong to approximations that differ by up to 1.1 %.
    assert sd_slope == pytest.approx(expected["published"]["se_slope"][0], rel=tolerance["se_relative"])
    assert sd_intercept == pytest.approx(
        expected["published"]["se_intercept"][0], rel=tolerance["se_relative"]
    )
    assert (slope, intercept) == pytest.approx(odr(x, y, weight_x, weight_y).tolist(), abs=1e-8)


def test_york_with_equal_weights_is_deming() -> None:
    x, y = arrays("pearson-orthogonal")
    one = np.ones(len(x))
    assert york(x, y, one, one)[:2] == pytest.approx(deming(x, y), abs=1e-9)
    assert york(x, y, 3.0 * one, one)[:2] == pytest.approx(deming(x, y, 3.0), abs=1e-9)


def test_york_refuses_two_points() -> None:
    two = np.array([1.0, 2.0])
    with pytest.raises(ValueError, match="three points"):
        york(two, two, two, two)


def test_prediction_from_the_covariance() -> None:
    """GUM (JCGM 100:2008), H.3: the thermometer's correction at 30 degrees, -0.1494(41)."""
    v = vector("gum-h3")
    e, i = v["expected"], v["input"]
    u_a, u_b = e["u_intercept"], e["u_slope"]
    mean = float(np.mean(i["t"])) - i["t0"]
    fitted = Line(e["slope"], e["intercept"], u_b, u_a, e["corr"] * u_a * u_b, mean, 0.0, len(i["t"]))
    value, u = fitted.predict(i["predict_at"] - i["t0"])
    assert value == pytest.approx(e["prediction"], rel=v["tolerance"]["relative"])
    assert u == pytest.approx(e["u_prediction"], rel=2e-4)
    assert f"{value:.4f}({1e4 * u:.0f})" == e["published"]["prediction"]
    assert fitted.predict(mean)[1] < min(fitted.predict(0.0)[1], fitted.predict(10.0)[1])


# -- gain and zero of one meter against another ----------------------------------------------------


def two_meters(
    seed: int, low: float, high: float, gain: float = 1.02, zero: float = 0.3, noise: float = 0.4, n: int = 60
) -> tuple[Floats, Floats]:
    chance = np.random.default_rng(seed)
    true = chance.uniform(low, high, n)
    return true + noise * chance.standard_normal(n), gain * true + zero + noise * chance.standard_normal(n)


@pytest.mark.parametrize(
    ("low", "high", "sd_gain", "sd_zero", "ols"),
    # 60 independent blocks, noise 0.4 N·m each, simulated: spread of gain and zero over runs.
    [(15.0, 30.0, 0.018, 0.40, 1.011), (5.0, 45.0, 0.0065, 0.18, 1.019)],
)
def test_how_well_gain_and_zero_can_be_known(
    low: float, high: float, sd_gain: float, sd_zero: float, ols: float
) -> None:
    gains, zeros, told, told_zero, told_corr, plain = [], [], [], [], [], []
    for seed in range(300):
        x, y = two_meters(seed, low, high)
        fitted = torque_line(x, y)
        assert fitted is not None
        gains.append(fitted.gain)
        zeros.append(fitted.offset)
        told.append(fitted.sd_gain)
        told_zero.append(fitted.sd_offset)
        told_corr.append(fitted.covariance / (fitted.sd_gain * fitted.sd_offset))
        plain.append(float(np.polyfit(x, y, 1)[0]))
    assert np.std(gains) == pytest.approx(sd_gain, rel=0.2)
    assert np.std(zeros) == pytest.approx(sd_zero, rel=0.2)
    # What it says of its own uncertainty is what it is.
    assert np.median(told) == pytest.approx(np.std(gains), rel=0.2)
    assert np.median(told_zero) == pytest.approx(np.std(zeros), rel=0.2)
    assert np.mean(gains) == pytest.approx(1.02, abs=3.0 * sd_gain / math.sqrt(300))
    assert np.mean(plain) == pytest.approx(ols, abs=0.003), "plain least squares is biased towards nothing"
    corr = -0.983 if low == 15.0 else -0.912
    assert np.median(told_corr) == pytest.approx(corr, abs=0.01)
    assert np.corrcoef(gains, zeros)[0, 1] == pytest.approx(corr, abs=0.04)


def test_little_spread_of_torque_tells_neither_but_the_mean() -> None:
    """20 to 24 N·m: gain to 6.7 %, zero to 1.5 N·m; the line at the mean torque is known all the same."""
    at_mean = []
    for seed in range(200):
        x, y = two_meters(seed, 20.0, 24.0)
        fitted = torque_line(x, y)
        assert fitted is not None
        assert not fitted.separable
        value, sd = fitted.predict(fitted.mean_x)
        assert sd == pytest.approx(fitted.sd_at_mean, rel=1e-9)
        at_mean.append((value - (1.02 * fitted.mean_x + 0.3)) / sd)
    # The mean of the x is wrong too, by as much again: hence sqrt 2 at most.
    assert np.std(at_mean) < 1.5
    assert abs(np.mean(at_mean)) < 0.3


def test_gate() -> None:
    x, y = two_meters(1, 5.0, 55.0, n=120)
    wide = torque_line(x, y)
    assert wide is not None
    assert wide.separable
    assert wide.sd_gain <= GATE_GAIN
    assert wide.sd_offset <= GATE_OFFSET_NM
    assert (wide.gain, wide.offset) == pytest.approx((1.02, 0.3), abs=3.0 * GATE_OFFSET_NM)
    assert torque_line(x[:5], y[:5]) is None
    assert torque_line(np.full(20, 9.0), y[:20]) is None


# -- cause -------------------------------------------------------------------------------------------


def block(n: int, torque_nm: float, y: float, rpm: float = 88.0, **more: float) -> Block:
    watts = torque_nm * TWO_PI * rpm / 60.0
    return Block(10 * n, y, watts * math.exp(y), watts, rpm, 0.0, **more)  # type: ignore[arg-type]


def ridden(
    seed: int,
    gain: float,
    zero_nm: float,
    torques: tuple[float, ...],
    n: int = 48,
    sd: float = 0.006,
    wander: float = 0.03,
) -> list[Block]:
    """Blocks of an instrument that shows gain x torque + zero; six blocks a level that wanders."""
    chance = np.random.default_rng(seed)
    blocks = []
    for k in range(n):
        torque = torques[(k // 6) % len(torques)] * (1.0 + wander * chance.standard_normal())
        y = math.log(gain + zero_nm / torque) + sd * chance.standard_normal()
        blocks.append(block(k + 1, torque, y))
    return blocks


WIDE = (12.0, 38.0, 20.0, 30.0)
NARROW = (21.5,)
SEEDS = range(60)


def causes(make: Callable[[int], list[Block]], sd: float = 0.006) -> list[str]:
    return [diagnose(make(seed), "total", sd).cause for seed in SEEDS]


@pytest.mark.parametrize("gain", [1.04, 0.96, 1.08, 0.93])
def test_a_scale_error_is_named_when_torque_has_spread(gain: float) -> None:
    found = causes(lambda seed: ridden(seed, gain, 0.0, WIDE))
    assert found.count("zero-offset") == 0, "a wrong name costs the evening"
    assert found.count("scale") >= 57


@pytest.mark.parametrize("zero_nm", [1.0, -1.0, 2.0])
def test_a_zero_offset_is_named_when_torque_has_spread(zero_nm: float) -> None:
    found = causes(lambda seed: ridden(seed, 1.0, zero_nm, WIDE))
    assert found.count("scale") == 0
    assert found.count("zero-offset") >= 57


@pytest.mark.parametrize(("gain", "zero_nm"), [(1.05, 0.0), (1.0, 1.2), (0.95, 0.0), (1.03, 0.5)])
def test_without_spread_of_torque_no_cause_is_named_but_a_ride(gain: float, zero_nm: float) -> None:
    for seed in SEEDS:
        found = diagnose(ridden(seed, gain, zero_nm, NARROW, wander=0.01), "total", 0.006)
        assert found.cause == "unclear"
        assert "rpm" in found.ride
        assert found.gain is None
        assert found.offset_nm is None


def test_errors_of_both_kinds_at_once_get_neither_name() -> None:
    """3.5 % of scale and 0.8 N·m of zero weigh alike at 23 N·m: to name one would be half the truth."""
    assert set(causes(lambda seed: ridden(seed, 1.035, 0.8, WIDE))) == {"unclear"}


def test_opposite_errors_that_cancel_at_the_mean_get_no_name() -> None:
    assert set(causes(lambda seed: ridden(seed, 1.04, -0.9, WIDE))) == {"unclear"}


def test_blocks_of_two_states_get_no_name() -> None:
    """Half of the ride healthy, then 8 %: no line through the torques explains that."""
    for seed in SEEDS:
        healthy, high = ridden(seed, 1.0, 0.0, WIDE, 24), ridden(seed + 1000, 1.08, 0.0, WIDE, 24)
        assert diagnose([*healthy, *high], "total", 0.006).cause == "unclear"


def test_nothing_wrong_is_no_scale_error() -> None:
    assert set(causes(lambda seed: ridden(seed, 1.0, 0.0, WIDE))) == {"unclear"}


def test_a_lucky_quiet_stretch_is_no_proof() -> None:
    """Blocks that happen to agree to 0.05 % where 2 % is usual: their own scatter must not count."""
    for seed in SEEDS:
        quiet = ridden(seed, 1.03, 0.0, (20.0, 24.0), 12, sd=0.0005)
        assert diagnose(quiet, "total", 0.02).cause == "unclear"


def test_looked_at_every_ten_seconds_no_wrong_name_ever_stands() -> None:
    """A slow growth of evidence: at no length of the ride may the rival be named."""
    for seed in range(15):
        scale, zero = ridden(seed, 1.05, 0.0, WIDE), ridden(seed, 1.0, 1.2, WIDE)
        for n in range(1, 49):
            assert diagnose(scale[:n], "total", 0.006).cause != "zero-offset"
            assert diagnose(zero[:n], "total", 0.006).cause != "scale"


def test_gain_and_zero_as_numbers_only_where_they_are_apart() -> None:
    told, within = 0, 0
    for seed in SEEDS:
        found = diagnose(ridden(seed, 1.05, 0.0, (8.0, 45.0, 15.0, 30.0), 96, 0.004), "total", 0.004)
        if found.gain is None:
            continue
        told += 1
        assert found.offset_nm is not None
        assert found.sd_gain is not None
        assert found.sd_offset_nm is not None
        assert found.sd_gain <= GATE_GAIN
        assert found.sd_offset_nm <= GATE_OFFSET_NM
        within += (
            abs(found.gain - 1.05) < 2.0 * found.sd_gain and abs(found.offset_nm) < 2.0 * found.sd_offset_nm
        )
    assert told == len(SEEDS)
    assert within >= 0.85 * told


def test_the_constant_part_of_a_drivetrain_loss_is_doubt_about_the_zero() -> None:
    """A stated loss of 3 W is known to a fifth: at 90 rpm that is 0.06 N·m of zero that nobody can see."""
    blocks = ridden(1, 1.05, 0.0, (8.0, 45.0, 15.0, 30.0), 96, 0.003)
    free, lossy = diagnose(blocks, "total", 0.003), diagnose(blocks, "total", 0.003, 3.0)
    assert free.sd_offset_nm is not None
    assert lossy.sd_offset_nm is not None
    assert lossy.sd_offset_nm**2 - free.sd_offset_nm**2 == pytest.approx((0.2 * 3.0 / 9.0) ** 2, rel=0.01)


def test_one_sides_error_is_told_from_that_sides_torque() -> None:
    blocks = []
    chance = np.random.default_rng(3)
    for k in range(48):
        torque = WIDE[(k // 6) % 4]
        half_w = 0.5 * torque * TWO_PI * 88.0 / 60.0
        y = math.log1p(0.8 / (0.5 * torque)) + 0.006 * chance.standard_normal()
        blocks.append(
            block(k + 1, torque, 0.5 * y, y_left=0.0, y_right=y, left_w=half_w, right_w=half_w * math.exp(y),
                  left_reference_w=half_w, right_reference_w=half_w)
        )  # fmt: skip
    found = diagnose(blocks, "right", 0.006)
    assert found.cause == "zero-offset"
    assert "right" in found.why
    told_nm = float(found.why.partition("constant ")[2].partition(" N·m")[0])
    assert told_nm == pytest.approx(0.8, abs=0.02)


def test_too_few_blocks_and_blocks_without_cadence_tell_nothing() -> None:
    blocks = ridden(1, 1.05, 0.0, WIDE)
    assert diagnose(blocks[: MIN_BLOCKS - 1], "total", 0.006).cause == "unclear"
    assert diagnose([], "total", 0.006).cause == "unclear"
    blind = [Block(b.end_s, b.y, b.power_w, b.reference_w, None, 0.0) for b in blocks]
    assert diagnose(blind, "total", 0.006).cause == "unclear"


@pytest.mark.parametrize(
    "found",
    [
        diagnose([], "total", 0.006),
        diagnose(ridden(1, 1.05, 0.0, WIDE), "total", 0.006),
        diagnose(ridden(1, 1.0, 1.5, WIDE), "left", 0.006),
        diagnose(ridden(1, 1.0, 1.5, WIDE), "total", 0.006),
        diagnose(ridden(1, 1.05, 0.0, NARROW), "total", 0.006),
        diagnose(ridden(1, 1.05, 0.0, (40.0, 42.0)), "total", 0.006),
    ],
    ids=lambda d: d.cause,
)
def test_a_diagnosis_is_one_sentence(found: Diagnosis) -> None:
    for text in (found.why, found.ride):
        assert "\n" not in text
        assert ". " not in text
        assert not text.endswith(".")
    assert found.why


# -- sides -------------------------------------------------------------------------------------------


def sided(left_w: float, right_w: float, left_reference_w: float, right_reference_w: float) -> Block:
    own_w, reference_w = left_w + right_w, left_reference_w + right_reference_w
    return Block(
        10, math.log(own_w / reference_w), own_w, reference_w, 90.0, 0.0, 0.0, 0.0,
        left_w, right_w, left_reference_w, right_reference_w,
    )  # fmt: skip


WATTS = st.floats(20.0, 400.0)


@hypothesis.given(st.lists(st.tuples(WATTS, WATTS, WATTS, WATTS), min_size=3, max_size=20))
def test_the_sides_differences_are_the_totals(rows: list[tuple[float, float, float, float]]) -> None:
    found = attribute([sided(*row) for row in rows])
    assert found is not None
    total = np.mean([b.power_w - b.reference_w for b in (sided(*row) for row in rows)])
    assert found.left_w + found.right_w == pytest.approx(total, abs=1e-9)


@pytest.mark.parametrize(
    ("left", "right", "side"),
    [(1.1, 1.0, "left"), (1.0, 0.92, "right"), (1.05, 1.05, None), (1.0, 1.0, None), (1.08, 0.92, None)],
)
def test_a_side_is_named_only_if_it_alone_explains_the_total(
    left: float, right: float, side: str | None
) -> None:
    named = []
    for seed in range(40):
        chance = np.random.default_rng(seed)
        noise = 1.0 + 0.006 * chance.standard_normal((8, 2))
        found = attribute([sided(104 * left * a, 96 * right * b, 104.0, 96.0) for a, b in noise])
        assert found is not None
        named.append(found.side)
    assert named.count(side) >= 39
    if side is None and left == right:
        assert set(named) == {None}


@pytest.mark.parametrize(
    ("total_percent", "side"),
    [(4.0, "right"), (5.0, "right"), (8.0, None), (2.0, None), (-4.0, None)],
)
def test_a_side_whose_watts_do_not_come_to_those_of_the_total_explains_nothing(
    total_percent: float, side: str | None
) -> None:
    """The right side reads 8 W high of 200 W; the total is held against another one that reads as it does.

    By hand: 8 of 8 W and 8 of 10 W are three quarters and more, 8 of 16 W are half, 8 of 4 W twice too much.
    """
    blocks = [
        Block(10, math.log1p(total_percent / 100.0), 208.0, 200.0, 90.0, 0.0, 0.0, 0.0, 100.0, 108.0 + d,
              100.0, 100.0)
        for d in (0.3, -0.3) * 4
    ]  # fmt: skip
    found = attribute(blocks)
    assert found is not None
    assert found.total_w == pytest.approx(2.0 * total_percent)
    assert found.side == side


@pytest.mark.parametrize(
    ("other_w", "side", "leans"),
    [(1.5, "right", None), (3.0, None, "right"), (6.0, None, None), (-3.0, None, None)],
)
def test_a_side_that_makes_most_of_it_stays_what_it_was_called(
    other_w: float, side: str | None, leans: str | None
) -> None:
    """The right side reads 8 W high. 1.5 W are a fifth of that, 3 W over a third, 6 W three quarters.

    With -3 W the total is 5 W, of which 8 W leave more than half open.
    """
    rows = [
        sided(100.0 + other_w + d, 108.0 + e, 100.0, 100.0)
        for d, e in ((0.2, 0.2), (-0.2, 0.2), (0.2, -0.2)) * 3
    ]
    found = attribute(rows)
    assert found is not None
    assert (found.side, found.leans) == (side, leans)
    assert found.named(before=False) == side
    assert found.named(before=True) == (side or leans)


def test_sides_need_three_blocks_that_know_them() -> None:
    assert attribute([sided(1, 1, 1, 1)] * 2) is None
    assert attribute([block(1, 20.0, 0.0)] * 9) is None


# -- noise without truth -------------------------------------------------------------------------------


def test_grubbs_three_chronographs() -> None:
    """Grubbs 1973, twelve rounds; the variances computed by two routes of algebra."""
    v = vector("grubbs-three-instruments")
    series = np.array([v["input"][name] for name in "FCT"], float).T
    estimates = three_cornered_hat(series)
    assert estimates is not None
    for name, found in zip("FCT", estimates, strict=True):
        assert found.value is not None
        assert found.value**2 == pytest.approx(v["expected"]["error_var"][name], abs=1e-9)
        assert found.low <= found.value <= found.high
    assert float((series[:, 0] - series[:, 1]).mean()) == pytest.approx(v["expected"]["mean_diff"]["FC"])
    # The best of three from twelve rounds is known to lie below a bound, no more.
    assert estimates[0].low == 0.0


def three_shown() -> Floats:
    """White noise of 2, 3 and 5 W on a rider who walks, an hour at 1 Hz."""
    chance = np.random.default_rng(1)
    rider = 200.0 + np.cumsum(0.5 * chance.standard_normal(3600))
    shown: Floats = rider[:, None] + np.array([2.0, 3.0, 5.0]) * chance.standard_normal((3600, 3))
    return shown


def sd_of_power(
    work: Floats, rate: float, data_type: str, taus: list[float]
) -> tuple[Floats, Floats, Floats, Floats]:
    """The plain standard deviation, in the shape of a deviation of the library."""
    assert (rate, data_type) == (1.0, "phase")
    sd = np.array([np.diff(work).std(ddof=1)])
    return np.array(taus), sd, sd, sd


@pytest.mark.parametrize(("deviation", "within"), [(sd_of_power, 1e-9), (allantools.oadev, 0.1)])
def test_three_cornered_hat_is_the_librarys(deviation: Callable[..., object], within: float) -> None:
    """The same algebra with its own deviation; with the Allan deviation at a second, which for white noise
    estimates the same, nearly the same."""
    shown = three_shown()
    ours = three_cornered_hat(shown)
    assert ours is not None
    work = {
        (a, b): np.concatenate(([0.0], np.cumsum(shown[:, a] - shown[:, b])))
        for a, b in itertools.permutations(range(3), 2)
    }
    for a, b, c in [(0, 1, 2), (1, 2, 0), (2, 0, 1)]:
        _, found, _, _ = allantools.three_cornered_hat_phase(
            work[a, b], work[b, c], work[c, a], 1.0, [1.0], deviation
        )
        assert ours[a].value == pytest.approx(float(found[0]), rel=within)
        assert ours[a].low <= (2.0, 3.0, 5.0)[a] <= ours[a].high


def test_four_instruments_by_least_squares_over_all_pairs() -> None:
    chance = np.random.default_rng(2)
    noise = np.array([1.0, 2.0, 3.0, 4.0])
    estimates = three_cornered_hat(200.0 + noise * chance.standard_normal((2000, 4)))
    assert estimates is not None
    assert [e.value for e in estimates] == pytest.approx(noise.tolist(), rel=0.15)


def test_a_negative_variance_is_a_bound_never_a_zero() -> None:
    """One instrument five times better, thirty blocks: in 42 % of cases its variance comes out negative."""
    negative = covered = 0
    runs = 400
    for seed in range(runs):
        chance = np.random.default_rng(seed)
        estimates = three_cornered_hat(np.array([1.0, 5.0, 5.0]) * chance.standard_normal((30, 3)))
        assert estimates is not None
        best = estimates[0]
        negative += best.value is None
        assert best.value is None or best.value > 0.0
        assert best.high > 0.0
        assert best.low >= 0.0
        covered += best.low <= 1.0 <= best.high
    assert negative / runs == pytest.approx(0.42, abs=0.1)
    assert covered / runs >= 0.9


def test_noise_intervals_cover_the_truth() -> None:
    covered = 0
    for seed in range(300):
        chance = np.random.default_rng(seed)
        estimates = three_cornered_hat(2.0 * chance.standard_normal((60, 3)))
        assert estimates is not None
        covered += estimates[0].low <= 2.0 <= estimates[0].high
    assert covered / 300 >= 0.9


def test_no_hat_for_two_or_for_nine() -> None:
    assert three_cornered_hat(np.zeros((50, 2))) is None
    assert three_cornered_hat(np.zeros((9, 3))) is None


# -- placement -----------------------------------------------------------------------------------------


def test_holes_in_one_gear_point_at_where_it_sits() -> None:
    holes = [Hole(100.0, "50x13", 90.0), Hole(300.0, "50x13", 85.0)]
    assert placement(holes, {"50x13": 60.0, "50x17": 120.0}, [90.0] * 30) == "in gear 50x13"
    assert placement(holes[:1], {"50x13": 60.0, "50x17": 120.0}, []) is None, "once is chance"
    assert placement(holes, {"50x13": 60.0, "50x17": 20.0}, [90.0] * 30) is None, "hardly ridden elsewhere"
    mixed = [holes[0], Hole(300.0, "50x17", 60.0)]
    assert placement(mixed, {"50x13": 60.0, "50x17": 120.0}, [90.0] * 30) is None


def test_holes_at_one_cadence() -> None:
    holes = [Hole(float(t), "", rpm) for t, rpm in ((10, 108.0), (60, 112.0), (200, 110.0))]
    assert placement(holes, {"": 900.0}, [85.0] * 20) == "between 104 and 116 rpm"
    assert placement(holes, {"": 900.0}, [110.0] * 20) is None, "nothing ridden outside"
    assert placement(holes[:2], {"": 900.0}, [85.0] * 20) is None
    wide = [*holes, Hole(400.0, "", 70.0)]
    assert placement(wide, {"": 900.0}, [85.0] * 20) is None
    unknown = [*holes, Hole(400.0, "", None)]
    assert placement(unknown, {"": 900.0}, [85.0] * 20) is None
