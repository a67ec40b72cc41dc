"""Evenings in which the kind of error is asked for: what kind of thing is said, live and afterwards?

Every truth here is plain: one instrument has one thing wrong, or the chain has, and the rider's shares
are known. Read by `tests/test_kinds_of_errors.py`, and by eye:

    python -m tests.benchmarks.judgement.kinds left-only --seed 3
"""

import argparse
import os
import sys
from collections.abc import Callable
from dataclasses import replace

import numpy as np

from tests.benchmarks.judgement.evening import Change, Meter, Piece, Plan, changed
from tests.benchmarks.judgement.score import run

START = Piece("start", 8, 0, 0, table="rest")
LEVELS = (
    START,
    Piece("easy", 150, 150, 86),
    Piece("steady", 200, 220, 90),
    Piece("low cadence", 160, 215, 62),
    Piece("high cadence", 140, 190, 104),
    Piece("rest", 25, 0, 0, table="rest"),
    Piece("strong", 160, 290, 88),
    Piece("steady again", 200, 220, 90),
)
CADENCES = (
    START,
    Piece("quick", 300, 210, 95),
    Piece("slow", 300, 210, 62),
    Piece("quick again", 240, 210, 95),
)
EVEN = (START, Piece("steady", 1500, 220, 90))
PEAKS = (
    START,
    Piece("easy", 150, 180, 86),
    *(p for k in range(1, 5) for p in (Piece(f"effort {k}", 14, 780, 108), Piece(f"easy {k}", 70, 170, 85))),
    Piece("steady", 200, 220, 90),
)


def _pedals(rng: np.random.Generator) -> Meter:
    m = Meter("pedals", "reference", "pedals", "ant-dual", 1.0, delay_s=rng.uniform(0.05, 0.3))
    return changed(m, rng.uniform(-0.4, 0.4))


def _heron(rng: np.random.Generator, sender: str = "ble-dual") -> Meter:
    m = Meter("heron", "on-test", "pedals", sender, 1.5, delay_s=rng.uniform(0.05, 0.3))
    return changed(m, rng.uniform(-0.4, 0.4))


def _spider(rng: np.random.Generator) -> Meter:
    m = Meter("spider", "witness", "spider", "ble-total", 1.5, delay_s=rng.uniform(0.05, 0.4))
    return changed(m, rng.uniform(-0.4, 0.4))


def _hub(rng: np.random.Generator, role: str = "witness", more: float = 0.0, off: float = 0.0) -> Meter:
    m = Meter(
        "hub", role, "hub", "ant-trainer", 1.5, delay_s=rng.uniform(0.3, 0.8),
        loss=(2.6, 1.0), true_loss=(2.6, 1.0 + more),
    )  # fmt: skip
    return changed(m, off)


def _plan(name: str, seed: int, ride: tuple[Piece, ...], *meters: Meter, reference: str = "pedals",
          share: float | None = None) -> Plan:  # fmt: skip
    even = tuple(replace(m, correlation=0.3) for m in meters)
    return Plan(name, seed, ride, even, reference, left_share=share)


def left_only(seed: int, rng: np.random.Generator) -> Plan:
    """It measures the left leg and doubles it, rightly; the rider's left leg does 54 %."""
    unit = replace(_heron(rng, "ble-total"), doubles="left", mount="crank")
    return _plan("left-only", seed, LEVELS, _pedals(rng), unit, share=0.54)


def left_only_alone(seed: int, rng: np.random.Generator) -> Plan:
    """It measures the left leg rightly, which does 44 %; nobody else tells sides."""
    unit = replace(_heron(rng, "ble-total"), doubles="left", mount="crank")
    spider = replace(_spider(rng), role="reference")
    return _plan("left-only alone", seed, LEVELS, spider, unit, reference="spider", share=0.44)


def left_only_high(seed: int, rng: np.random.Generator) -> Plan:
    """The same, and it reads 5 % high."""
    unit = changed(replace(_heron(rng, "ble-total"), doubles="left", mount="crank"), 5.0)
    return _plan("left-only high", seed, LEVELS, _pedals(rng), unit, share=0.46)


def doubled(seed: int, rng: np.random.Generator) -> Plan:
    """A dual one has lost its right side and doubles its left, that of a rider with 53 % on the left."""
    unit = replace(_heron(rng), doubles="left")
    return _plan("doubled", seed, LEVELS, _pedals(rng), unit, _spider(rng), share=0.53)


def exchanged(seed: int, rng: np.random.Generator) -> Plan:
    """A dual one whose sides are paired the wrong way round; the rider's left leg does 46 %."""
    unit = replace(_heron(rng), exchanged=True)
    return _plan("exchanged", seed, LEVELS, _pedals(rng), unit, _spider(rng), share=0.46)


def reference_steps(seed: int, rng: np.random.Generator) -> Plan:
    """The right side of the reference falls by 10 % in the middle."""
    step = Change(400.0, gain_right=0.9)
    return _plan(
        "reference steps", seed, LEVELS, replace(_pedals(rng), changes=(step,)), _heron(rng), _spider(rng)
    )


def cut_off(seed: int, rng: np.random.Generator) -> Plan:
    """It shows no more than 500 W."""
    unit = replace(_heron(rng), ceiling_w=500.0)
    return _plan("cut-off", seed, PEAKS, _pedals(rng), unit, _spider(rng))


def not_of_a_side(seed: int, rng: np.random.Generator) -> Plan:
    """A hub as reference whose chain takes 5 % more; the right side of the unit reads 3 % high.

    Of 6 % and more against the hub the side explains a quarter.
    """
    unit = changed(_heron(rng), 3.0, "right")
    pedals = replace(_pedals(rng), role="witness")
    hub = _hub(rng, "reference", more=5.0)
    return _plan("not of a side", seed, LEVELS, hub, unit, pedals, reference="hub", share=0.5)


def of_a_side(seed: int, rng: np.random.Generator) -> Plan:
    """The right side of the unit reads 9 % high: with that the total is 4.5 % high."""
    return _plan("of a side", seed, LEVELS, _pedals(rng), changed(_heron(rng), 9.0, "right"), _spider(rng))


def mostly_of_a_side(seed: int, rng: np.random.Generator) -> Plan:
    """Its right side reads 4.5 % high, its left 1.5 %: one name is as good as the other."""
    unit = changed(changed(_heron(rng), 4.5, "right"), 1.5, "left")
    return _plan("mostly of a side", seed, LEVELS, _pedals(rng), unit, _spider(rng), share=0.5)


def chain(seed: int, rng: np.random.Generator) -> Plan:
    """The chain takes 5 % more than the bench states."""
    return _plan("chain", seed, LEVELS, _pedals(rng), _heron(rng), _spider(rng), _hub(rng, more=5.0))


def chain_of_two(seed: int, rng: np.random.Generator) -> Plan:
    """The same with one instrument at the crank."""
    return _plan("chain of two", seed, LEVELS, _pedals(rng), _hub(rng, "on-test", more=5.0))


def chain_under_reference(seed: int, rng: np.random.Generator) -> Plan:
    """The hub is the reference, and all at the crank read 5 % above it."""
    pedals = replace(_pedals(rng), role="witness")
    hub = _hub(rng, "reference", more=5.0)
    return _plan(
        "chain under reference", seed, LEVELS, hub, pedals, _heron(rng), _spider(rng), reference="hub"
    )


def hub_high(seed: int, rng: np.random.Generator) -> Plan:
    """The hub reads 5 % high, which no chain does."""
    return _plan("hub high", seed, LEVELS, _pedals(rng), _heron(rng), _spider(rng), _hub(rng, off=5.0))


def drift(seed: int, rng: np.random.Generator) -> Plan:
    """The unit drifts by -6 % in 20 minutes: -18 % an hour, -3 % in ten minutes."""
    return _drifting("drift", seed, rng, 240.0, 1200.0)


def drift_on(seed: int, rng: np.random.Generator) -> Plan:
    """The unit drifts by -6 % until the end."""
    return _drifting("drift on", seed, rng, 120.0, 1390.0)


def warm_up(seed: int, rng: np.random.Generator) -> Plan:
    """The unit reads 4 % low when it is cold, and comes right within ten minutes."""
    unit = _heron(rng)
    cold = replace(unit, gain_left=0.96 * unit.gain_left, gain_right=0.96 * unit.gain_right)
    cold = replace(cold, changes=(Change(20.0, unit.gain_left, unit.gain_right, over_s=600.0),))
    return _plan("warm up", seed, EVEN, _pedals(rng), cold, _spider(rng))


def wandering(seed: int, rng: np.random.Generator) -> Plan:
    """All are within their claims, and wander slowly by half a percent: a long free ride."""
    ride = (START, *(Piece(f"free {k}", 60, float(rng.uniform(150, 280)), 88.0) for k in range(24)))
    plan = _plan("wandering", seed, ride, _pedals(rng), _heron(rng), _spider(rng))
    return replace(plan, meters=tuple(replace(m, noise=0.005, correlation=0.7) for m in plan.meters))


def drift_levels(seed: int, rng: np.random.Generator) -> Plan:
    """The unit drifts by +6 % from the first second to the last, 20.7 % an hour, at all levels of torque."""
    unit = _heron(rng)
    change = Change(1.0, 1.06 * unit.gain_left, 1.06 * unit.gain_right, over_s=1042.0)
    return _plan("drift levels", seed, LEVELS, _pedals(rng), replace(unit, changes=(change,)), _spider(rng))


def warm_up_rising(seed: int, rng: np.random.Generator) -> Plan:
    """The unit reads 4 % low when it is cold, and comes right in ten minutes in which the torque rises."""
    unit = _heron(rng)
    cold = replace(unit, gain_left=0.96 * unit.gain_left, gain_right=0.96 * unit.gain_right)
    cold = replace(cold, changes=(Change(1.0, unit.gain_left, unit.gain_right, over_s=600.0),))
    ride = (
        START,
        *(Piece(f"step {k}", 100, 140.0 + 25.0 * k, 88.0 - 2.0 * k) for k in range(6)),
        Piece("steady", 300, 220, 90),
    )
    return _plan("warm up rising", seed, ride, _pedals(rng), cold, _spider(rng))


def drift_strong(seed: int, rng: np.random.Generator) -> Plan:
    """The unit comes to read 5 % less within four minutes of strong riding, and stays so."""
    unit = _heron(rng)
    begin = 8.0 + 150 + 200 + 160 + 140 + 25
    change = Change(begin, 0.95 * unit.gain_left, 0.95 * unit.gain_right, over_s=160.0)
    return _plan("drift strong", seed, LEVELS, _pedals(rng), replace(unit, changes=(change,)), _spider(rng))


def _drifting(name: str, seed: int, rng: np.random.Generator, from_s: float, over_s: float) -> Plan:
    unit = _heron(rng)
    change = Change(from_s, 0.94 * unit.gain_left, 0.94 * unit.gain_right, over_s=over_s)
    return _plan(name, seed, EVEN, _pedals(rng), replace(unit, changes=(change,)), _spider(rng))


def zero(seed: int, rng: np.random.Generator) -> Plan:
    """A zero offset of 1.2 N·m and nothing else; power stays while the cadence goes from 95 to 62 rpm."""
    unit = replace(_heron(rng), zero_left_nm=0.6, zero_right_nm=0.6)
    return _plan("zero", seed, CADENCES, _pedals(rng), unit, _spider(rng))


def zero_down(seed: int, rng: np.random.Generator) -> Plan:
    """The same of -0.8 N·m, all of it on one side."""
    unit = replace(_heron(rng), zero_right_nm=-0.8)
    return _plan("zero down", seed, CADENCES, _pedals(rng), unit, _spider(rng))


def zero_levels(seed: int, rng: np.random.Generator) -> Plan:
    """A zero offset of -1.8 N·m at all levels of torque, in slow noise."""
    unit = replace(_heron(rng), zero_left_nm=-0.9, zero_right_nm=-0.9)
    plan = _plan("zero levels", seed, LEVELS, _pedals(rng), unit, _spider(rng), share=0.495)
    return replace(plan, meters=tuple(replace(m, correlation=0.7) for m in plan.meters))


def even_rider(seed: int, rng: np.random.Generator) -> Plan:
    """A rider of even halves; from 5:00 on the right side of the reference reads 10 % low."""
    pedals = _pedals(rng)
    pedals = replace(pedals, changes=(Change(300.0, gain_right=0.9 * pedals.gain_right),))
    return _plan("even rider", seed, LEVELS, pedals, _heron(rng), _spider(rng), share=0.5)


def warm_hub(seed: int, rng: np.random.Generator) -> Plan:
    """The hub is the reference, and drifts by -6 % in 20 minutes."""
    hub = _hub(rng, "reference")
    hub = replace(hub, changes=(Change(240.0, 0.94 * hub.gain_left, 0.94 * hub.gain_right, over_s=1200.0),))
    pedals = replace(_pedals(rng), role="witness")
    return _plan("warm hub", seed, EVEN, hub, pedals, _heron(rng), reference="hub")


def cured(seed: int, rng: np.random.Generator) -> Plan:
    """The right side reads 8 % high from 5:00 on; seated anew in the rest it is right again."""
    unit, at = _heron(rng), 8.0 + 150 + 200 + 160 + 140 + 10
    unit = replace(
        unit,
        changes=(Change(300.0, gain_right=1.08 * unit.gain_right), Change(at, gain_right=unit.gain_right)),
    )
    plan = _plan("cured", seed, LEVELS, _pedals(rng), unit, _spider(rng))
    return replace(plan, acts=((at, "position", "right pedal seated anew", "heron"),))


KINDS: dict[str, Callable[[int, np.random.Generator], Plan]] = {
    "left-only": left_only,
    "left-only-high": left_only_high,
    "doubled": doubled,
    "exchanged": exchanged,
    "reference-steps": reference_steps,
    "cut-off": cut_off,
    "not-of-a-side": not_of_a_side,
    "of-a-side": of_a_side,
    "chain": chain,
    "chain-of-two": chain_of_two,
    "chain-under-reference": chain_under_reference,
    "hub-high": hub_high,
    "drift": drift,
    "drift-on": drift_on,
    "warm-up": warm_up,
    "wandering": wandering,
    "zero": zero,
    "zero-down": zero_down,
    "zero-levels": zero_levels,
    "even-rider": even_rider,
    "warm-hub": warm_hub,
    "cured": cured,
    "mostly-of-a-side": mostly_of_a_side,
    "drift-levels": drift_levels,
    "warm-up-rising": warm_up_rising,
    "drift-strong": drift_strong,
    "left-only-alone": left_only_alone,
}


def plan_of(kind: str, seed: int) -> Plan:
    """The plan of an evening; errors within claims, delays and noise are drawn from the seed."""
    return KINDS[kind](seed, np.random.default_rng([seed, list(KINDS).index(kind), 71]))


def main() -> int:
    """Print all that is said of one."""
    p = argparse.ArgumentParser(prog="python -m tests.benchmarks.judgement.kinds", description=__doc__)
    p.add_argument("kinds", nargs="*", default=list(KINDS), help=", ".join(KINDS))
    p.add_argument("--seed", type=int, default=1)
    args = p.parse_args()
    for kind in args.kinds:
        _, findings, told = run(plan_of(kind, args.seed))
        print(f"== {kind}/{args.seed}")
        for f in findings:
            words = f"{f.what}: {f.do}" if f.event == "raised" else f.what
            print(f"{f.t_s:6.0f} s {f.event:7s} {f.kind} {f.instrument} {f.side or ''} "
                  f"[{f.cause}] since {f.since_s:.0f} {f.value} of {f.limit}: {words}")  # fmt: skip
        for label, one in told["instruments"].items():
            print(f"  {label}: {one['verdict']}, cause {one['cause']}: {one['cause_text']}")
            print(f"    {one['sentence']}")
            print(f"    serves {one['serves_as_reference']}: {one['why']}")
    return 0


if __name__ == "__main__":
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    sys.exit(main())
