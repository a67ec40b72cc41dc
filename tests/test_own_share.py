"""A side inferred from one meter alone: its total changes, and its own left share with it.

By hand: L = R = 100 W. The left side falls by 6 %: the total by 3 %, the left share to 94/194 = 48.45 %, by
1.55 points. The right side falls by 6 %: the share rises to 100/194 = 51.55 %.
"""

from operator import attrgetter

import numpy as np
import pytest

from capture.record import Header, Record, Tick
from monitor.analysis.own_share import own_share, shares
from monitor.finding import Finding
from monitor.live.pipeline import Pipeline
from monitor.study.recording import collect
from monitor.study.study import study
from tests.benchmarks.detection import generator
from tests.benchmarks.detection.meters import NEVER_S, Fault, send
from tests.benchmarks.detection.rider import ride

EVEN = [0.499, 0.501] * 4
ONSET_S = 420.0


def about(share: float, n: int = 4) -> list[float]:
    return [share + (0.001 if k % 2 else -0.001) for k in range(n)]


@pytest.mark.parametrize(
    ("percent", "after", "side", "points"),
    [
        (-3.0, 94 / 194, "left", -1.55),
        (-3.0, 100 / 194, "right", 1.55),
        (3.0, 106 / 206, "left", 1.46),
        (3.0, 100 / 206, "right", -1.46),
    ],
)
def test_the_worked_example(percent: float, after: float, side: str, points: float) -> None:
    found = own_share(percent, EVEN, about(after))
    assert found is not None
    assert found.side == side
    assert found.points == pytest.approx(points, abs=0.01)
    way = "fell by 1.5" if points < 0 else "rose by 1.5"
    assert f"its own left share {way} points with it, as from its {side} side alone" in found.words


@pytest.mark.parametrize(
    ("percent", "before", "after", "why"),
    [
        (-3.0, EVEN, about(0.5), "both sides alike: a scale error"),
        (-3.0, EVEN, about(0.46), "four points are more than one side alone would make of 3 %"),
        (-3.0, EVEN, about(0.495), "half a point is less"),
        (-3.0, [0.48, 0.52] * 4, [0.46, 0.505, 0.47, 0.503], "a rider whose balance wanders more than that"),
        (-3.0, EVEN[:3], about(94 / 194), "half a minute before says nothing of how it was"),
        (-3.0, EVEN, [94 / 194], "one block after it neither"),
    ],
)
def test_nothing_is_inferred_from(percent: float, before: list[float], after: list[float], why: str) -> None:
    assert own_share(percent, before, after) is None, why


def test_blocks_without_sides_or_power_tell_no_share() -> None:
    left, sided, work = [100.0] * 30, [1.0] * 30, [200.0] * 30
    sided[12] = 0.0
    work[20:30] = [20.0] * 10
    assert shares(left, sided, work) == [0.5]


def evening(size: float, side: str, seed: int) -> tuple[generator.Bench, list[Record]]:
    """A trainer, which knows no sides, and one dual meter that changes on one side after seven minutes."""
    rng = np.random.default_rng(seed)
    rode = ride("constant", 720, rng)
    meters, reference, on_test = generator._meters("pair-total", rng, False, "ble-dual-torque")
    fault = Fault("shifted", "heron", ONSET_S, size, side, "gain", ((ONSET_S, NEVER_S),))
    bench = generator._bench("one with sides", meters, reference, on_test, (2.6, 1.2))
    records: list[Record] = [Tick(s * 10**9, generator.UTC_NS + s * 10**9) for s in range(721)]
    for meter in meters:
        records += send(rode, meter, fault, rng).records
    return bench, sorted((r for r in records if r.t_ns <= 720 * 10**9), key=attrgetter("t_ns"))


@pytest.mark.parametrize(
    ("size", "side", "seed"),
    [
        (-6.0, "left", 1),
        # Of 6 % the share moves by 1.5 points, which this rider (1.2 points either way) may hide.
        pytest.param(7.0, "right", 2, marks=pytest.mark.slow),
        pytest.param(-5.0, "total", 3, marks=pytest.mark.slow),
    ],
)
def test_live_and_study_say_it_as_an_inference(size: float, side: str, seed: int) -> None:
    bench, records = evening(size, side, seed)
    pipeline = Pipeline(bench)
    findings: list[Finding] = [finding for record in records for finding in pipeline.feed(record)]
    told = [f for f in findings if (f.event, f.kind, f.instrument) == ("raised", "shifted", "heron")]
    assert told, "the step itself is seen"
    assert {f.side for f in findings if f.event == "raised"} == {"total"}, "no side is accused"
    rows = [
        s for s in study(collect(Header(bench.text, "test", 0), records)).shifts if s.instrument == "heron"
    ]
    (near,) = (s for s in rows if abs(s.t_s - ONSET_S) < 30.0)
    # The first blocks after the step may not tell; then it is said again once they do.
    for words in (told[-1].what, near.inference):
        assert (f"as from its {side} side alone (an inference)" in words) == (side != "total"), words
        assert ("inference" in words) == (side != "total")
