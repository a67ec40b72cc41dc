"""The evenings of each part of the table: what was wrong, with whom, and who was healthy.

Every plan is a function of its name and seed. Claims, errors, chains and rides are drawn
anew for each seed; a healthy instrument is within its claim (the claim is read as the
bounds of a uniform distribution, GUM 4.3.7).
"""

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np

from tests.benchmarks.judgement.evening import Change, Meter, Piece, Plan, changed

Rng = np.random.Generator
SPREAD_OF_LOSS = 0.13
"""Relative spread of what chains lose (efficiencies of three gears: Wilson, Bicycling Science)."""


def _ride(rng: Rng, minutes: float = 24.0, sprint: bool = True) -> tuple[Piece, ...]:
    """Steady blocks, low and high cadence, over/unders, a sprint, free riding; a repeat at the end."""
    base, rpm = rng.uniform(180, 250), rng.uniform(84, 94)
    stretch = minutes / 24.0

    def long(seconds: float) -> int:
        return int(seconds * stretch * rng.uniform(0.85, 1.15))

    out = [
        Piece("start", 8, 0, 0, table="rest"),
        Piece("easy", long(120), base * 0.65, rpm - 4),
        Piece("steady 1/2", long(180), base, rpm, gear="middle"),
        Piece("low cadence", long(150), base, rng.uniform(58, 66), gear="large"),
        Piece("high cadence", long(120), base * 0.85, rng.uniform(100, 108), gear="small"),
        Piece("rest", 25, 0, 0, table="rest"),
    ]
    for k in range(1, 4):
        out += [
            Piece(f"over {k}/3", 40, base * 1.2, rpm + 3),
            Piece(f"under {k}/3", 40, base * 0.85, rpm - 2),
        ]
    if sprint:
        out.append(Piece("sprint", 12, rng.uniform(600, 900), 108, table="sprint"))
    out += [
        Piece("rest", 20, 0, 0, table="rest"),
        Piece("free", long(200), base * 0.9, rpm - 3, table="free"),
        Piece("strong", long(120), base * 1.3, rpm - 2),
        Piece("steady 2/2", long(180), base, rpm, gear="middle"),
    ]
    return tuple(out)


def start_of(ride: tuple[Piece, ...], name: str) -> float:
    """When a piece of the ride begins, s."""
    at = 0.0
    for piece in ride:
        if piece.name == name:
            return at
        at += piece.seconds
    raise KeyError(name)


def _pedals(rng: Rng, label: str, role: str, claim: float, sender: str = "") -> Meter:
    return Meter(
        label, role, "pedals", sender or str(rng.choice(["ant-dual", "ble-dual"])), claim,
        delay_s=rng.uniform(0.02, 0.3), smoothing_s=float(rng.choice([1.0, 2.0, 3.0])),
    )  # fmt: skip


def _spider(rng: Rng, label: str, role: str, claim: float) -> Meter:
    sender = str(rng.choice(["ble-total", "ant-total"]))
    smoothing = float(rng.choice([1.0, 2.0]))
    return Meter(label, role, "spider", sender, claim, delay_s=rng.uniform(0.05, 0.4), smoothing_s=smoothing)


def _hub(rng: Rng, label: str, role: str, claim: float) -> Meter:
    loss = (round(float(rng.uniform(2.0, 3.2)), 1), round(float(rng.uniform(0.8, 1.5)), 1))
    off = float(np.clip(1 + SPREAD_OF_LOSS * rng.standard_normal(), 0.5, 1.5))
    return Meter(
        label, role, "hub", "ant-trainer", claim, delay_s=rng.uniform(0.2, 0.9),
        smoothing_s=float(rng.choice([0.5, 1.0, 2.0])), loss=loss, true_loss=(loss[0] * off, loss[1] * off),
    )  # fmt: skip


def within_claim(m: Meter, rng: Rng, part: float = 1.0) -> Meter:
    """Gain, zero offset and sides of a healthy one: its total anywhere within its claim."""
    m = changed(m, float(rng.uniform(-1, 1)) * m.claim_percent * part)
    if m.dual:
        # What one leg has too much the other has too little: the total stays.
        apart = float(rng.uniform(-0.3, 0.3)) * m.claim_percent
        m = changed(changed(m, apart, "left"), -apart, "right")
    return m


def _wander(meters: list[Meter], r: float) -> tuple[Meter, ...]:
    return tuple(replace(m, correlation=r) for m in meters)


def _three(rng: Rng) -> list[Meter]:
    """Pedals as reference, the unit on test, and a hub or a spider."""
    third = _hub(rng, "hub", "witness", 1.5) if rng.random() < 0.5 else _spider(rng, "spider", "witness", 1.5)
    return [
        _pedals(rng, "pedals", "reference", 1.0),
        _pedals(rng, "heron", "on-test", 1.5),
        third,
    ]


def coverage(name: str, seed: int, r: float) -> Plan:
    """Errors of all kinds, healthy or not, half of them with a zeroing that changes something."""
    rng = np.random.default_rng([seed, int(100 * r), 1])
    ride = _ride(rng)
    meters = _three(rng)
    meters[0] = within_claim(meters[0], rng)
    meters[2] = within_claim(meters[2], rng)
    unit = changed(meters[1], float(rng.uniform(-4, 4)))
    side = float(rng.uniform(-3, 3))
    unit = changed(changed(unit, side, "left"), -side, "right")
    told: dict[str, float | str] = {"constant": "yes"}
    acts: list[tuple[float, str, str, str]] = []
    kind = seed % 4
    if kind == 1:
        zero = float(rng.uniform(-0.5, 0.5))
        unit = replace(unit, zero_left_nm=zero / 2, zero_right_nm=zero / 2)
        told["constant"] = ""
    elif kind >= 2:
        at = start_of(ride, "rest") + 30.0 if kind == 2 else start_of(ride, "free") - 12.0
        by = float(rng.uniform(-4, 4)) if kind == 2 else 0.0
        acts = [(at, *_act(rng, unit.label))]
        now = changed(unit, by)
        unit = replace(unit, changes=(Change(at, now.gain_left, now.gain_right),))
        told |= {"change": by, "changed_s": at}
    meters[1] = unit
    return Plan(name, seed, ride, _wander(meters, r), "pedals", tuple(acts), told=told)


def _act(rng: Rng, label: str) -> tuple[str, str, str]:
    if rng.random() < 0.5:
        return ("zeroed", "by hand", label)
    return ("position", "re-seated", label)


def near(name: str, seed: int, part: float, r: float) -> Plan:
    """Healthy: unit and reference differ by `part` of the root sum of squares of their claims, no more."""
    rng = np.random.default_rng([seed, int(100 * part), 2])
    ride = _ride(rng, 30.0)
    kind = seed % 3
    if kind == 2:
        meters = [_hub(rng, "hub", "reference", 1.5), _pedals(rng, "heron", "on-test", 1.5)]
        meters[0] = replace(meters[0], true_loss=meters[0].loss or (0.0, 0.0))
    else:
        meters = [_pedals(rng, "pedals", "reference", 1.0), _pedals(rng, "heron", "on-test", 1.5)]
    limit = math.hypot(meters[0].claim_percent, meters[1].claim_percent)
    meters[1] = changed(meters[1], float(rng.choice([-1, 1])) * part * limit)
    if kind == 1:
        meters.append(_spider(rng, "spider", "witness", 2.0))
    labels = tuple(m.label for m in meters)
    return Plan(name, seed, ride, _wander(meters, r), meters[0].label, healthy=labels)


def _bad(rng: Rng, least: float = 5.0) -> float:
    return float(rng.choice([-1, 1]) * rng.uniform(least, least + 2.0))


def wrong_reference(name: str, seed: int) -> Plan:
    """The reference reads 5 to 7 % off all evening; unit and witness are within their claims."""
    rng = np.random.default_rng([seed, 3])
    meters = [within_claim(m, rng) for m in _three(rng)]
    meters[0] = changed(_pedals(rng, "pedals", "reference", 1.0), _bad(rng))
    return Plan(
        name, seed, _ride(rng), _wander(meters, 0.45), "pedals",
        healthy=("heron", meters[2].label), guilty="pedals",
    )  # fmt: skip


def wrong_unit(name: str, seed: int) -> Plan:
    """The unit reads 5 to 7 % off all evening; reference and witness are within their claims."""
    rng = np.random.default_rng([seed, 4])
    meters = [within_claim(m, rng) for m in _three(rng)]
    meters[1] = changed(_pedals(rng, "heron", "on-test", 1.5), _bad(rng))
    return Plan(
        name, seed, _ride(rng), _wander(meters, 0.45), "pedals",
        healthy=("pedals", meters[2].label), guilty="heron",
    )  # fmt: skip


def moving_reference(name: str, seed: int) -> Plan:
    """The reference steps by 4 to 6 %, or drifts as far, in mid-ride."""
    rng = np.random.default_rng([seed, 5])
    ride = _ride(rng)
    meters = [within_claim(m, rng, 0.5) for m in _three(rng)]
    now = changed(meters[0], _bad(rng, 4.0))
    over = 0.0 if name == "stepping reference" else 900.0
    at = start_of(ride, "low cadence") + rng.uniform(40, 110) if not over else 200.0
    meters[0] = replace(meters[0], changes=(Change(at, now.gain_left, now.gain_right, over_s=over),))
    return Plan(
        name, seed, ride, _wander(meters, 0.45), "pedals", healthy=("heron", meters[2].label),
        guilty="pedals", told={"changed_s": at},
    )  # fmt: skip


def consensus(name: str, seed: int, count: int, bad: bool) -> Plan:
    """Three or four against their own consensus; nobody or one of them bad."""
    rng = np.random.default_rng([seed, 6, count, bad])
    meters = [
        _pedals(rng, "heron", "on-test", 1.5),
        _pedals(rng, "pedals", "witness", 1.0),
        _spider(rng, "spider", "witness", 1.5),
        _hub(rng, "hub", "witness", 2.0),
    ][:count]
    meters = [within_claim(m, rng) for m in meters]
    guilty = ""
    if bad:
        at = int(rng.integers(count))
        guilty = meters[at].label
        meters[at] = changed(meters[at], _bad(rng) - 100 * (meters[at].gain - 1))
    return Plan(
        name, seed, _ride(rng), _wander(meters, 0.45), "consensus",
        healthy=tuple(m.label for m in meters if m.label != guilty), guilty=guilty,
    )  # fmt: skip


def two_only(name: str, seed: int) -> Plan:
    """Two instruments; the reference is off by 4 to 6 %, the unit is healthy."""
    rng = np.random.default_rng([seed, 7])
    meters = [
        changed(_pedals(rng, "pedals", "reference", 1.0), _bad(rng, 4.0)),
        within_claim(_pedals(rng, "heron", "on-test", 1.5), rng),
    ]
    return Plan(name, seed, _ride(rng), _wander(meters, 0.45), "pedals", healthy=("heron",))


def copied(name: str, seed: int) -> Plan:
    """The reference is wrong and heard twice, on two radios, and the healthy unit is alone against it.

    With the serial number told on both radios, or without.
    """
    rng = np.random.default_rng([seed, 8])
    serial = int(rng.integers(10**5, 10**6)) if name.endswith("serial") else 0
    first = replace(_pedals(rng, "pedals", "reference", 1.0, "ant-dual"), serial=serial)
    first = changed(first, _bad(rng, 4.0))
    again = replace(first, label="pedals-b", role="witness", sender="ble-dual", copy_of="pedals")
    unit = within_claim(_pedals(rng, "heron", "on-test", 1.5), rng)
    return Plan(name, seed, _ride(rng), _wander([first, again, unit], 0.45), "pedals", healthy=("heron",))


def dirty_chain(name: str, seed: int) -> Plan:
    """A chain that takes 3 to 5 % more than stated: the hub reads low, and all are healthy."""
    rng = np.random.default_rng([seed, 9])
    hub = _hub(rng, "hub", "reference" if seed % 2 else "witness", 1.5)
    assert hub.loss is not None
    hub = replace(hub, true_loss=(hub.loss[0], hub.loss[1] + float(rng.uniform(3, 5))))
    # The hub itself is right: what the chain takes is no error of it.
    pedals = within_claim(_pedals(rng, "pedals", "witness" if seed % 2 else "reference", 1.0), rng)
    unit = within_claim(_pedals(rng, "heron", "on-test", 1.5), rng)
    reference = "hub" if seed % 2 else "pedals"
    return Plan(
        name, seed, _ride(rng), _wander([hub, pedals, unit], 0.45), reference, healthy=("pedals", "heron")
    )


def act(name: str, seed: int) -> Plan:
    """A unit that is off; an act that cures it, or changes nothing, or (one in five) makes it worse."""
    rng = np.random.default_rng([seed, 10])
    ride = _ride(rng)
    meters = [within_claim(m, rng, 0.3) for m in _three(rng)]
    unit = _pedals(rng, "heron", "on-test", 1.5)
    kind = ("cured", "no-change", "cured", "no-change", "worse")[seed % 5]
    by = _bad(rng, 4.0)
    bad = changed(unit, by)
    before, after = {
        "cured": (bad, unit),
        "no-change": (bad, bad),
        "worse": (unit, bad),
    }[kind]
    at = start_of(ride, "free") - 12.0
    meters[1] = replace(before, changes=(Change(at, after.gain_left, after.gain_right),))
    change = 100 * (after.gain / before.gain - 1)
    return Plan(
        name, seed, ride, _wander(meters, 0.45), "pedals", ((at, *_act(rng, "heron")),),
        healthy=("pedals", meters[2].label),
        told={"effect": kind, "change": change, "changed_s": at, "constant": "yes"},
    )  # fmt: skip


def shown_apart(name: str, seed: int) -> Plan:
    """The unit shows 20 % more than it counts; the others are healthy."""
    rng = np.random.default_rng([seed, 11])
    meters = [within_claim(m, rng, 0.5) for m in _three(rng)]
    meters[1] = replace(meters[1], shown_factor=1.2)
    return Plan(
        name, seed, _ride(rng), _wander(meters, 0.45), "pedals",
        healthy=("pedals", meters[2].label), guilty="heron",
    )  # fmt: skip


def gear(name: str, seed: int) -> Plan:
    """The unit reports no power in the large gear and is healthy otherwise."""
    rng = np.random.default_rng([seed, 12])
    meters = [within_claim(m, rng, 0.5) for m in _three(rng)]
    meters[1] = replace(meters[1], missing_gear="large")
    return Plan(name, seed, _ride(rng), _wander(meters, 0.45), "pedals", healthy=("pedals", meters[2].label))


def side(name: str, seed: int) -> Plan:
    """One side of the unit reads 7 to 9 % high or low after the sprint."""
    rng = np.random.default_rng([seed, 13])
    ride = _ride(rng)
    meters = [within_claim(m, rng, 0.4) for m in _three(rng)]
    which = str(rng.choice(["left", "right"]))
    at = start_of(ride, "sprint") + 6.0
    now = changed(meters[1], _bad(rng, 7.0), which)
    meters[1] = replace(meters[1], changes=(Change(at, now.gain_left, now.gain_right),))
    return Plan(
        name, seed, ride, _wander(meters, 0.45), "pedals", healthy=("pedals", meters[2].label),
        told={"side": which, "changed_s": at},
    )  # fmt: skip


def step(name: str, seed: int) -> Plan:
    """The unit steps by 5 to 7 % within the long steady block: how long until it is said?"""
    rng = np.random.default_rng([seed, 14])
    ride = _ride(rng)
    meters = [within_claim(m, rng, 0.3) for m in _three(rng)]
    at = start_of(ride, "steady 1/2") + rng.uniform(40, 60)
    now = changed(meters[1], _bad(rng, 5.0))
    meters[1] = replace(meters[1], changes=(Change(at, now.gain_left, now.gain_right),))
    return Plan(
        name, seed, ride, _wander(meters, 0.45), "pedals", healthy=("pedals", meters[2].label),
        guilty="heron", told={"delay_from_s": at, "changed_s": at},
    )  # fmt: skip


PARTS: dict[str, dict[str, Callable[[str, int], Plan]]] = {
    "coverage": {
        f"coverage r {r:g}": (lambda name, seed, r=r: coverage(name, seed, r)) for r in (0.0, 0.45, 0.7)
    },
    "alarms": {
        "healthy at 0.8, r 0.45": lambda name, seed: near(name, seed, 0.8, 0.45),
        "healthy at 0.95, r 0.7": lambda name, seed: near(name, seed, 0.95, 0.7),
    },
    "safety": {
        "consensus of 3": lambda name, seed: consensus(name, seed, 3, False),
        "consensus of 4": lambda name, seed: consensus(name, seed, 4, False),
        "wrong reference": wrong_reference,
        "stepping reference": moving_reference,
        "drifting reference": moving_reference,
        "two only": two_only,
        "copy, same serial": copied,
        "copy, by its residuals": copied,
        "dirty chain": dirty_chain,
        "power missing in one gear": gear,
    },
    "guilty": {
        "wrong unit": wrong_unit,
        "consensus of 3, one bad": lambda name, seed: consensus(name, seed, 3, True),
        "consensus of 4, one bad": lambda name, seed: consensus(name, seed, 4, True),
        "shown 20 % above counted": shown_apart,
    },
    "acts": {"zeroed or re-seated": act},
    "changes": {"bad side after a sprint": side, "step of 5 to 7 %": step},
}
"""Scenarios by part; each is a function of its name and a seed."""


def plan(scenario: str, seed: int) -> Plan:
    """One plan by the name of its scenario. KeyError: there is none."""
    for part in PARTS.values():
        if scenario in part:
            return part[scenario](scenario, seed)
    raise KeyError(scenario)
