"""Benches with a known truth: healthy ones, and ones with one named fault.

A case is a path `kind/size/side-or-variant/seed` (`healthy/style/bench/seed`); all else
is drawn from that text, so that a case can be made again from its name alone.
"""

import json
import zlib
from collections.abc import Callable
from dataclasses import dataclass, replace
from operator import attrgetter
from pathlib import Path

import numpy as np

from capture.record import Act, Packet, Record, Tick
from monitor.setup.bench import Bench, Instrument, Mount, Profile, Role, Sides
from tests.benchmarks.detection.meters import NEVER_S, Fault, Meter, Sent, send
from tests.benchmarks.detection.rare import with_manners
from tests.benchmarks.detection.rider import STEADY_STYLES, STYLES, Array, Mask, Ride, ride

UTC_NS = 1_700_000_000_000_000_000
FLOOR_W = 3.0
PROFILES: dict[str, Profile] = {"2AD2": "fitness-machine", "2A63": "cycling-power"}
MOUNTS: dict[str, Mount] = {
    "ble-dual": "pedals", "ble-dual-torque": "pedals", "ant-dual": "crank", "ble-left": "crank",
    "ant-trainer": "hub", "ble-trainer": "hub", "ant-hub-timed": "hub",
}  # fmt: skip
BENCHES = ("hub-dual", "pedals-dual", "four", "consensus", "pair-total", "single")
RARE_BENCHES = ("kinds", "manners")
"""Instruments of kinds and with manners that are rare: see `tests.benchmarks.detection.rare`."""

SIZES: dict[str, tuple[tuple[str, str], ...]] = {
    "scale": tuple((size, side) for size in ("2", "3", "5", "8") for side in ("total", "side")),
    "zero": tuple((size, side) for size in ("0.3", "0.6", "1.0") for side in ("total", "side")),
    "shifted": (*((size, how) for size in ("2", "3", "5") for how in ("gain", "offset")), ("5", "side")),
    "lost": (("0", "link"), ("0", "silence"), ("0", "among-rare")),
    "missing": (("0", "power"), ("0", "all"), ("0", "among-rare")),
    "stuck": (("0", "value"), ("0", "payload")),
    "spike": (("800", "total"), ("1600", "total")),
    "clipped": (("0", "total"),),
    "one-sided": (("0", "balance"), ("0", "absent")),
    "swapped": (("0", "total"),),
    "cadence": (("0", "double"), ("0", "half"), ("0", "off")),
    "restarted": (("0", "short"),),
    "battery": (("0", "low"), ("0", "critical")),
    "setting": (("0", "told"),),
    "placement": (("0", "gear"), ("0", "cadence")),
}
"""Kinds of fault with (size, side or variant): % for scale and shifted, N·m for zero, W for spike."""
NEAR = ("0.8", "0.95")
"""Parts of its limit by which a healthy instrument reads apart from the reference all the time."""
NEAR_SLOW = 0.002
"""Slow noise of each instrument of such a ride, beside its white one."""
HEALTHY = ("healthy", "near")
"""Kinds of ride in which nothing is wrong: a style and a bench in turn, or near the limit."""


@dataclass(frozen=True)
class Case:
    """One thing to make, by name."""

    kind: str
    size: str
    how: str
    seed: int

    def __str__(self) -> str:
        return f"{self.kind}/{self.size}/{self.how}/{self.seed}"

    @staticmethod
    def parse(text: str) -> "Case":
        """Read a case from its name; raises ValueError."""
        kind, size, how, seed = text.split("/")
        return Case(kind, size, how, int(seed))


@dataclass(frozen=True)
class Scenario:
    """A ride over a bench: the records as they arrive and what is true of them.

    `ratio` (1 Hz) is the size of the faulty instrument's true deviation over the last 30 s
    in units of its tolerance; `side_ratio` the same for the leaning side, None where no
    other instrument tells sides. Both are 0 where nobody pedals.
    """

    case: Case
    bench: Bench
    records: list[Record]
    ride: Ride
    fault: Fault | None
    bench_kind: str
    meters: tuple[Meter, ...]
    reference: str
    ratio: Array
    side_ratio: Array | None
    tolerance_percent: float
    net_percent: float
    last_heard_s: float
    noise_percent: float
    """Relative SD of the difference to the reference over one second."""


def _meter(rng: np.random.Generator, label: str, sender: str, tight: bool) -> Meter:
    """A healthy instrument: gain, drift and zero together stay within half of its claim."""
    mount = MOUNTS.get(sender, "spider")
    sides: Sides = "both" if "dual" in sender else "left" if sender == "ble-left" else "total"
    claim = float(rng.choice([1.0, 1.5, 2.0])) if mount != "hub" else float(rng.choice([1.5, 2.0]))
    room = (0.1 if tight else 0.3 if mount == "hub" else 0.4) * claim / 100
    hub, crank = mount == "hub", "dual" in sender or sender == "ble-left"
    low_pass = hub and bool(rng.random() < 0.5)
    smoothing = float(rng.choice([0.0, 0.0, 1.0, 3.0]))
    if hub:
        smoothing = rng.uniform(0.5, 2.0) if low_pass else rng.uniform(1.0, 5.0)
    update = float(rng.choice([0.25, 1.0]))
    if crank and not sender.startswith("ant"):
        update = float(rng.choice([0.0, 0.5, 1.0]))
    elif sender == "ant-trainer":
        update = 0.25
    return Meter(
        label,
        sender,
        mount,
        sides,
        claim,
        gain_left=1 + rng.uniform(-room, room),
        gain_right=1 + rng.uniform(-room, room),
        zero_nm=0.0 if hub else rng.uniform(-0.04, 0.04),
        drift=0.1 * claim / 100,
        noise=rng.uniform(0.005, 0.015),
        smoothing_s=smoothing,
        low_pass=low_pass,
        delay_s=rng.uniform(0.2, 1.5) if hub else rng.uniform(0.03, 0.3),
        update_s=update,
        clock_ppm=rng.uniform(-50, 50),
        clock_s=rng.uniform(0, 3000),
        loss=float(rng.choice([0.0, 0.01, 0.05])),
        pages12=bool(rng.random() < 0.75),
        extended=bool(rng.random() < 0.5),
        sleeps=sender.startswith("ble") and not hub and bool(rng.random() < 0.3),
        told_crank_mm=170.0 if crank and rng.random() < 0.5 else None,
        battery_percent=int(rng.integers(35, 101)),
    )


def _dual(rng: np.random.Generator) -> str:
    return str(rng.choice(["ble-dual-torque", "ble-dual", "ant-dual"]))


def _spider(rng: np.random.Generator) -> str:
    return str(rng.choice(["ble-spider", "ble-spider-cadence", "ant-spider"]))


def _trainer(rng: np.random.Generator) -> str:
    return str(rng.choice(["ant-trainer", "ble-trainer"]))


def _meters(
    kind: str, rng: np.random.Generator, tight: bool, on_test: str = ""
) -> tuple[list[Meter], str, str]:
    """Instruments of a bench, the label of its reference (or `consensus`), the label on test."""

    def make(label: str, sender: str) -> Meter:
        return _meter(rng, label, sender, tight)

    if kind == "hub-dual":
        return (
            [
                make("hub", _trainer(rng)),
                make("pedals", _dual(rng)),
                make("heron", on_test or str(rng.choice([_dual(rng), _spider(rng)]))),
            ],
            "hub",
            "heron",
        )
    if kind == "pedals-dual":
        return [make("pedals", _dual(rng)), make("heron", on_test or _dual(rng))], "pedals", "heron"
    if kind == "four":
        return (
            [
                make("hub", _trainer(rng)),
                make("pedals", _dual(rng)),
                make("spider", _spider(rng)),
                make("heron", on_test or _dual(rng)),
            ],
            "hub",
            "heron",
        )
    if kind == "consensus":
        return (
            [make("hub", _trainer(rng)), make("pedals", _dual(rng)), make("heron", on_test or _spider(rng))],
            "consensus",
            "heron",
        )
    if kind == "pair-total":
        return [make("hub", _trainer(rng)), make("heron", on_test or _spider(rng))], "hub", "heron"
    if kind == "single":
        return [make("pedals", _dual(rng)), make("heron", "ble-left")], "pedals", "heron"
    if kind == "kinds":
        # Kinds of packet that are rare, and read by other arithmetic: by name only.
        return (
            [make("hub", "ant-hub-timed"), make("pedals", _dual(rng)), make("heron", "ant-frequency")],
            "hub",
            "heron",
        )
    if kind == "manners":
        meters = [make("hub", _trainer(rng)), make("pedals", _dual(rng)), make("heron", _spider(rng))]
        return with_manners(meters, rng), "hub", "heron"
    raise ValueError(f"unknown bench {kind!r}")


def _bench(name: str, meters: list[Meter], reference: str, on_test: str, loss: tuple[float, float]) -> Bench:
    """The bench as its tester writes it, and the same as TOML text."""
    role: Role
    profile: Profile | None
    instruments = []
    lines = ["[bench]", f'name = "{name}"', f'reference = "{reference}"']
    for m in meters:
        role = "reference" if m.label == reference else "on-test" if m.label == on_test else "witness"
        profile = PROFILES.get(m.channel)
        hub = m.mount == "hub"
        crank_mm = 170.0 if m.mount in ("pedals", "crank") else None
        instruments.append(
            Instrument(
                label=m.label,
                link=f"log:{m.label}",
                role=role,
                mount=m.mount,
                sides=m.sides,
                profile=profile,
                claim_percent=m.claim_percent,
                drivetrain_loss=loss if hub else None,
                crank_length_mm=crank_mm,
            )
        )
        lines += [
            "",
            "[[instrument]]",
            f'label = "{m.label}"',
            f'role = "{role}"',
            f'mount = "{m.mount}"',
            f'sides = "{m.sides}"',
            f'link = "log:{m.label}"',
            f"claim_percent = {m.claim_percent}",
        ]
        if profile:
            lines.append(f'profile = "{profile}"')
        if hub:
            lines.append(f"drivetrain_loss = [{loss[0]}, {loss[1]}]")
        if crank_mm:
            lines.append(f"crank_length_mm = {crank_mm}")
    return Bench(name=name, reference=reference, instruments=tuple(instruments), text="\n".join(lines) + "\n")


@dataclass(frozen=True)
class _Plan:
    """How a kind of fault is staged: style, length, bench, sender of the faulty one, the fault."""

    style: str
    seconds: int
    bench: str
    on_test: str
    share: float | None
    fault: Callable[[Ride], Fault] | None


def _plan(case: Case, rng: np.random.Generator) -> _Plan:
    def pick(*names: str) -> str:
        return str(rng.choice(list(names)))

    label = "heron"
    sign = float(rng.choice([-1.0, 1.0]))
    side = pick("left", "right")
    two_sided = pick("hub-dual", "pedals-dual", "four")
    anywhere = pick("hub-dual", "pedals-dual", "four", "consensus", "pair-total")
    without_coasting = pick("steady", "levels", "cadences", "over-unders")
    size = float(case.size) if case.kind != "healthy" else 0.0

    if case.kind == "healthy":
        return _Plan(case.size, 3600, case.how, "", None, None)
    if case.kind == "near":
        style = pick("levels", "steady", "cadences", "over-unders", "free")
        return _Plan(style, 3600, pick("pedals-dual", "hub-dual", "four", "pair-total"), "", None, None)
    if case.kind in ("scale", "zero"):
        style = pick(
            "levels", "levels", "steady", "constant", "cadences", "over-unders", "free", "sprints", "ramp"
        )
        where = side if case.how == "side" else "total"
        one = case.how == "side"
        return _Plan(
            style,
            900 if style == "levels" else 600,
            two_sided if one else anywhere,
            _dual(rng) if one else "",
            None,
            lambda _: Fault(case.kind, label, 0.0, sign * size, where),
        )
    if case.kind == "shifted":
        onset = float(rng.integers(420, 600))
        if case.how == "side":
            return _Plan(
                pick("steady", "constant"),
                int(onset) + 300,
                two_sided,
                _dual(rng),
                None,
                lambda _: Fault("shifted", label, onset, sign * size, side, "gain", ((onset, NEVER_S),)),
            )

        def shift(r: Ride) -> Fault:
            after = r.pedalling[int(onset) :]
            watts, rpm = r.power_w[int(onset) :][after], r.cadence_rpm[int(onset) :][after]
            torque = float(np.mean(watts) / (np.mean(rpm) * np.pi / 30))
            amount = size if case.how == "gain" else size / 100 * torque
            return Fault("shifted", label, onset, sign * amount, "total", case.how, ((onset, NEVER_S),))

        return _Plan(
            pick("steady", "constant", "cadences", "over-unders"), int(onset) + 300, anywhere, "", None, shift
        )
    if case.kind in ("lost", "missing", "stuck"):
        first = float(rng.uniform(100, 200))
        span = float(rng.uniform(20, 40) if case.kind == "stuck" else rng.uniform(12, 40))

        def while_pedalling(r: Ride) -> Fault:
            start = first
            while start < r.seconds - 60 and not r.pedalling[int(start) - 3 : int(start) + 8].all():
                start += 1
            return Fault(case.kind, label, start, 0.0, "total", case.how, ((start, start + span),))

        style = without_coasting
        if case.kind == "lost":
            style = pick("steady", "levels", "sprints", "free", "over-unders")
        crank = case.kind == "missing" and case.how == "all"
        rare = case.how == "among-rare"
        return _Plan(
            style,
            360,
            "manners" if rare else anywhere,
            _dual(rng) if crank else "",
            None,
            while_pedalling,
        )
    if case.kind == "spike":
        times = np.sort(rng.uniform(60, 400, 3))
        at = tuple((float(t), float(t) + 1) for t in times)
        return _Plan(
            without_coasting,
            420,
            anywhere,
            "",
            None,
            lambda _: Fault("spike", label, at[0][0], size, "total", "", at),
        )
    if case.kind == "clipped":
        ceiling = float(rng.integers(350, 550))
        return _Plan("sprints", 600, anywhere, "", None, lambda _: Fault("clipped", label, 0.0, ceiling))
    if case.kind == "one-sided":
        share = 0.5 + float(rng.choice([-1, 1])) * float(rng.uniform(0.02, 0.05))
        sender = _dual(rng) if case.how == "balance" else pick("ble-dual", "ble-dual-torque", "ant-dual")
        return _Plan(
            pick("steady", "levels", "free"),
            600,
            two_sided,
            sender,
            share,
            lambda _: Fault("one-sided", label, 0.0, 0.0, "total", case.how),
        )
    if case.kind == "swapped":
        share = 0.5 + float(rng.choice([-1, 1])) * float(rng.uniform(0.03, 0.05))
        return _Plan(
            pick("steady", "levels", "over-unders", "free"),
            600,
            two_sided,
            _dual(rng),
            share,
            lambda _: Fault("swapped", label, 0.0),
        )
    if case.kind == "cadence":
        onset = float(rng.uniform(60, 150))
        sender = pick("ble-dual", "ble-spider-cadence", "ant-spider")
        return _Plan(
            without_coasting,
            360,
            pick("pedals-dual", "four"),
            sender,
            None,
            lambda _: Fault("cadence", label, onset, 0.0, "total", case.how, ((onset, NEVER_S),)),
        )
    if case.kind == "restarted":
        onset = float(rng.uniform(100, 200))
        gap = float(rng.uniform(0.5, 2.0))
        sender = pick("ble-dual-torque", "ble-dual", "ant-dual", "ant-spider")
        return _Plan(
            pick("steady", "levels", "over-unders", "free"),
            360,
            anywhere,
            sender,
            None,
            lambda _: Fault("restarted", label, onset, gap, "total", "", ((onset, NEVER_S),)),
        )
    if case.kind == "battery":
        onset = float(rng.integers(60, 150))
        return _Plan(
            pick("steady", "free", "sprints"),
            420,
            anywhere,
            "",
            None,
            lambda _: Fault("battery", label, onset, 0.0, "total", case.how, ((onset, NEVER_S),)),
        )
    if case.kind == "setting":
        return _Plan(
            pick("steady", "levels"),
            600,
            anywhere,
            _dual(rng),
            None,
            lambda _: Fault("setting", label, 0.0, (172.5 / 170 - 1) * 100),
        )
    if case.kind == "placement":

        def placed(r: Ride) -> Fault:
            if case.how == "gear":
                ends = [t for t, _ in r.gears[1:]] + [float(r.seconds)]
                spans = [(t, e) for (t, gear), e in zip(r.gears, ends, strict=True) if gear == "large"]
            else:
                fast = np.concatenate(([0], r.cadence_rpm > 95, [0])).astype(int)
                edges = np.flatnonzero(np.diff(fast)).reshape(-1, 2)
                spans = [(float(a), float(b)) for a, b in edges if b - a >= 3]
            return Fault("placement", label, spans[0][0], 0.0, "total", case.how, tuple(spans))

        return _Plan("gears" if case.how == "gear" else "spread-cadence", 600, anywhere, "", None, placed)
    raise ValueError(f"unknown kind {case.kind!r}; one of healthy, {', '.join(SIZES)}")


def _rolling(x: Array, width: int = 30) -> Array:
    total = np.concatenate((np.zeros(width), np.cumsum(x)))
    return np.asarray(total[width:] - total[:-width])


def _ratio(own: Array, other: Array, tolerance_percent: float, pedalling: Mask) -> Array:
    """Deviation over the last 30 s in units of the tolerance (at least the floor in W)."""
    mine, theirs, ridden = _rolling(own), _rolling(other), np.maximum(_rolling(pedalling.astype(float)), 1)
    limit = np.maximum(tolerance_percent / 100 * theirs, FLOOR_W * ridden)
    return np.where(pedalling, np.abs(mine - theirs) / np.maximum(limit, 1), 0.0)


def _apart(
    meters: list[Meter], reference: str, on_test: str, part: float, slow: bool, rng: np.random.Generator
) -> list[Meter]:
    """All read right, but the one on test by `part` of its limit against the reference: both are healthy."""
    claims = {m.label: m.claim_percent for m in meters}
    apart = float(rng.choice([-1.0, 1.0])) * part * np.hypot(claims[reference], claims[on_test]) / 100
    even = []
    for m in meters:
        # Each side of the middle, so that no other witness is beyond its limit of either.
        gain = 1 + apart / 2 if m.label == on_test else 1 - apart / 2 if m.label == reference else 1.0
        even.append(
            replace(
                m, gain_left=gain, gain_right=gain, zero_nm=0.0, drift=0.0, slow=NEAR_SLOW if slow else 0.0
            )
        )
    return even


def make(case: Case, seconds: int | None = None) -> Scenario:
    """Make a case; `seconds` shortens a healthy one."""
    rng = np.random.default_rng(zlib.crc32(str(case).encode()))
    plan = _plan(case, rng)
    length = plan.seconds if seconds is None or case.kind not in HEALTHY else seconds
    r = ride(plan.style, length, rng, plan.share)
    fault = plan.fault(r) if plan.fault else None
    tight = case.kind in ("scale", "zero", "one-sided", "setting")
    meters, reference, on_test = _meters(plan.bench, rng, tight, plan.on_test)
    loss = (round(float(rng.uniform(2.0, 3.2)), 1), round(float(rng.uniform(0.9, 1.4)), 1))
    for i, m in enumerate(meters):
        if m.mount == "hub":
            off = 0.3 if tight else 1.0
            meters[i] = replace(
                m,
                loss_w=loss[0] + off * float(rng.uniform(-0.4, 0.4)),
                loss_percent=loss[1] + off * float(rng.uniform(-0.3, 0.3)),
            )
        elif fault and m.label == fault.label:
            if fault.kind == "setting":
                meters[i] = replace(m, told_crank_mm=172.5)
            elif fault.kind == "spike":
                meters[i] = replace(m, smoothing_s=0.0)
            elif fault.kind == "battery" and not m.channel.startswith("ant"):
                meters[i] = replace(m, battery_percent=25)
    if case.kind == "near":
        meters = [
            replace(m, loss_w=loss[0], loss_percent=loss[1]) if m.mount == "hub" else m
            for m in _apart(meters, reference, on_test, float(case.size), case.how == "slow", rng)
        ]
    sent: dict[str, Sent] = {m.label: send(r, m, fault, rng) for m in meters}

    records: list[Record] = [Tick(s * 1_000_000_000, UTC_NS + s * 1_000_000_000) for s in range(length + 1)]
    records += [Act(int(t * 1e9) + 1, "segment", name) for t, name in r.segments]
    records += [Act(int(t * 1e9) + 2, "gear", gear) for t, gear in r.gears]
    for one in sent.values():
        records += one.records
    end = length * 1_000_000_000
    records = sorted((x for x in records if x.t_ns <= end), key=attrgetter("t_ns"))

    by_label = {m.label: m for m in meters}
    label = fault.label if fault else on_test
    own = by_label[label]

    def expected(m: Meter) -> Array:
        w = sent[m.label].clean_w
        if m.mount != "hub":
            return w
        return np.where(r.pedalling, (w + loss[0]) / (1 - loss[1] / 100), 0.0)

    if reference == "consensus":
        others = [m for m in meters if m.label != label]
        against = np.median([expected(m) for m in others], axis=0)
        claim, noise = max(m.claim_percent for m in others), max(m.noise for m in others)
    else:
        against = expected(by_label[reference])
        claim, noise = by_label[reference].claim_percent, by_label[reference].noise
    tolerance = float(np.hypot(own.claim_percent, claim))
    ridden = r.pedalling & (fault.acts(np.arange(length, dtype=np.float64) + 0.5) if fault else True)
    mine, theirs = expected(own)[ridden].sum(), against[ridden].sum()
    side_ratio = None
    witness = next(
        (
            m
            for m in (by_label.get(reference), *meters)
            if m is not None and m.sides == "both" and m.label != label
        ),
        None,
    )
    if witness is not None and own.sides == "both" and fault is not None and fault.side != "total":
        name = "clean_left_w" if fault.side == "left" else "clean_right_w"
        limit = float(np.hypot(own.claim_percent, witness.claim_percent))
        side_ratio = _ratio(
            getattr(sent[label], name), getattr(sent[witness.label], name), limit, r.pedalling
        )
    return Scenario(
        case,
        _bench(str(case), meters, reference, on_test, loss),
        records,
        r,
        fault,
        plan.bench,
        tuple(meters),
        reference,
        _ratio(expected(own), against, tolerance, r.pedalling),
        side_ratio,
        tolerance,
        float(100 * (mine / theirs - 1)) if theirs else 0.0,
        sent[label].last_heard_s,
        100 * float(np.hypot(own.noise, noise)),
    )


def cases(kinds: list[str], seeds: int, first: int = 0) -> list[Case]:
    """All faulty cases of the kinds asked for, `seeds` of each, from number `first` on."""
    return [
        Case(kind, size, how, seed)
        for kind in kinds
        for size, how in SIZES[kind]
        for seed in range(first, first + seeds)
    ]


def healthy(hours: float, minutes: int, first: int = 0) -> list[Case]:
    """Rides over every style and bench in turn, `hours` in all, from number `first` on.

    Rare kinds and manners ride a quarter of that, besides.
    """
    n = max(1, round(hours * 60 / minutes))
    grid = [(style, bench) for style in STYLES for bench in BENCHES]
    order = np.random.default_rng(5).permutation(len(grid))
    picked = [grid[order[i % len(grid)]] for i in range(n)]
    rides = [Case("healthy", style, bench, first + i // len(grid)) for i, (style, bench) in enumerate(picked)]
    rare = [(style, bench) for style in reversed(STYLES) for bench in RARE_BENCHES]
    for i in range(max(1, n // 4)):
        style, bench = rare[i % len(rare)]
        rides.append(Case("healthy", style, bench, first + i // len(rare)))
    return rides


def near(hours: float, minutes: int, first: int = 0) -> list[Case]:
    """Rides of healthy instruments near their limit, `hours` at each part, half of them with slow noise."""
    n = max(1, round(hours * 60 / minutes))
    return [
        Case("near", part, "slow" if k % 2 else "white", first + k // 2) for part in NEAR for k in range(n)
    ]


def steady_style(style: str) -> bool:
    """Whether a style has steady riding in it."""
    return style in STEADY_STYLES or style in ("constant", "gears", "spread-cadence")


def write(scenario: Scenario, folder: Path) -> tuple[Path, Path]:
    """Write a capture log (JSON lines) and its bench file; link states have no line in a log."""
    folder.mkdir(parents=True, exist_ok=True)
    stem = str(scenario.case).replace("/", "-")
    log, bench = folder / f"{stem}.jsonl", folder / f"{stem}.toml"
    with log.open("w", encoding="utf-8") as out:
        for x in scenario.records:
            line: dict[str, object] = {"t": x.t_ns / 1e9}
            if isinstance(x, Packet):
                line["instrument"] = x.instrument
                line |= {"ant": int(x.channel[3:])} if x.channel.startswith("ant") else {"ble": x.channel}
                line["hex"] = x.data.hex()
            elif isinstance(x, Act):
                line |= {"act": x.act, "text": x.text}
            else:
                continue
            out.write(json.dumps(line) + "\n")
    bench.write_text(scenario.bench.text, encoding="utf-8")
    return log, bench
