"""Run the monitor over generated benches and judge what it said: caught, how late, named right."""

import math
import statistics
import time
import traceback
from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed

import msgspec
import numpy as np

from capture.record import Packet
from monitor.finding import Finding
from tests.benchmarks.detection.generator import Case, Scenario, make, steady_style
from tests.benchmarks.detection.meters import Fault
from tests.benchmarks.detection.rider import Mask

MAIN: dict[str, tuple[str, ...]] = {
    "scale": ("power-off", "side-off", "balance-off"),
    "zero": ("power-off", "side-off", "balance-off"),
    "shifted": ("shifted",),
    "lost": ("signal-lost",),
    "missing": ("power-missing",),
    "stuck": ("stuck",),
    "spike": ("spike",),
    "clipped": ("clipped",),
    "one-sided": ("one-sided",),
    "swapped": ("sides-swapped",),
    "cadence": ("cadence-off",),
    "restarted": ("restarted",),
    "battery": ("battery-low",),
    "setting": ("setting-differs",),
    "placement": ("power-missing",),
}
"""Kinds of finding that count as catching the fault."""

ALSO: dict[str, tuple[str, ...]] = {
    "shifted": ("power-off", "side-off", "balance-off"),
    "missing": ("power-off", "side-off"),
    "stuck": ("power-off", "side-off", "balance-off", "cadence-off", "power-missing"),
    "clipped": ("power-off", "side-off"),
    "one-sided": ("power-off", "side-off", "balance-off"),
    "swapped": ("side-off", "balance-off"),
    "restarted": ("signal-lost",),
    "setting": ("power-off", "side-off"),
    "placement": ("power-off", "side-off"),
}
"""Kinds that are true too, as a consequence, beside the main one."""

CAUSES: dict[str, tuple[str, ...]] = {
    "lost": ("link",),
    "placement": ("placement",),
    "setting": ("setting",),
    "one-sided": ("one-side",),
}

EVENT_KINDS = ("lost", "missing", "stuck", "spike", "clipped", "cadence", "restarted", "battery", "placement")

Z_90_95 = 1.960 + 1.282
"""Normal quantiles for 5 % false and 90 % right decisions, as in the usual sample-size formula."""


LOST_S = 3.0
"""A lost signal is to be raised within so many seconds, plus the period of a slow meter."""
OFFSET_NM = 0.2
"""Zero offsets that any meter may have (N·m, standard deviation; common practice, no source)."""


class Reported(msgspec.Struct, frozen=True):
    """One finding, shortened."""

    t_s: float
    event: str
    kind: str
    instrument: str
    side: str | None
    cause: str | None
    value: float | None
    since_s: float

    @staticmethod
    def of(f: Finding) -> "Reported":
        """Shorten a finding."""
        return Reported(f.t_s, f.event, f.kind, f.instrument, f.side, f.cause, f.value, f.since_s)


class Result(msgspec.Struct):
    """What came of one case. Delays are in seconds of the clock that fits the kind; None: does not apply."""

    case: str
    style: str
    bench: str
    hours: float
    run_s: float
    group: str = "event"
    """`twice` or `beyond` tolerance, `below` it, `event`, `healthy`, or `near` the limit and healthy."""
    steady: bool = True
    crash: str = ""
    caught: bool = False
    delay_s: float | None = None
    limit_s: float | None = None
    target_s: float | None = None
    identifiable: bool | None = None
    cause_right: bool | None = None
    cause_wrong: bool = False
    cause_unfounded: bool = False
    side_right: bool | None = None
    since_errors_s: dict[str, float] = {}
    """By kind: how much later (earlier: negative) than in truth a finding says that it began."""
    cleared: bool | None = None
    blamed_others: list[Reported] = []
    wrong_kinds: list[Reported] = []
    false_alarms: list[Reported] = []
    honest: int = 0
    net_percent: float = 0.0
    tolerance_percent: float = 0.0
    told: list[Reported] = []


def run(scenario: Scenario) -> tuple[list[Finding], float]:
    """All findings of the monitor over a scenario, and the seconds of computing."""
    from monitor.live.pipeline import Pipeline

    began = time.perf_counter()
    pipeline = Pipeline(scenario.bench)
    findings: list[Finding] = []
    for record in scenario.records:
        findings += pipeline.feed(record)
    findings += pipeline.finish()
    return findings, time.perf_counter() - began


def _identifiable(s: Scenario) -> bool | None:
    """Whether the ride tells scale from zero offset: True, False, or None in the grey zone between.

    True needs steady riding; False holds only if the unsteady riding couldn't tell either.
    """
    steady, z = _line(s, s.ride.steady)
    if steady and z >= 5:
        return True
    return False if max(z, _line(s, s.ride.pedalling)[1]) < 2 else None


def _line(s: Scenario, over: Mask) -> tuple[bool, float]:
    """A straight line of torque against torque over 10 s blocks: is it firm, and how far from its rival.

    The standard deviation of its slope is block noise / (sqrt(n) * spread of torque). Firm: gain
    within 0.5 %, zero within 0.25 N·m, torques that spread by a quarter of their mean or more.
    """
    r, fault = s.ride, s.fault
    assert fault is not None
    n = r.seconds // 10
    ok = (over & r.pedalling)[: n * 10].reshape(n, 10).all(axis=1)
    power = r.power_w[: n * 10].reshape(n, 10).mean(axis=1)[ok]
    omega = r.cadence_rpm[: n * 10].reshape(n, 10).mean(axis=1)[ok] * math.pi / 30
    if len(power) < 6:
        return False, 0.0
    torque = power / omega
    mean, spread = float(torque.mean()), float(torque.std())
    block = mean * math.hypot(s.noise_percent / 100 / math.sqrt(10), 0.003)
    if fault.side != "total":
        block *= math.sqrt(2)
    sd_gain = block / (math.sqrt(len(torque)) * max(spread, 1e-6))
    sd_zero = math.hypot(block / math.sqrt(len(torque)), mean * sd_gain)
    effect = abs(fault.size) / 100 if fault.kind == "scale" else abs(fault.size) / mean
    return sd_gain <= 0.005 and sd_zero <= 0.25 and spread >= 0.25 * mean, effect / sd_gain


def _limit_s(s: Scenario, excess_percent: float) -> float | None:
    """Shortest averaging time in s for a difference that exceeds its limit by `excess_percent`.

    T = (z s / d)^2 with the noise s of one second (5 % false, power 0.9), and not below the time
    at which the ripple within a revolution (45 % here) is averaged down to d.
    """
    if excess_percent <= 0:
        return None
    rpm = max(30.0, float(np.median(s.ride.cadence_rpm[s.ride.pedalling])))
    ripple = 0.45 * 60 / rpm / (2 * math.pi) / (excess_percent / 100)
    return max((Z_90_95 * s.noise_percent / excess_percent) ** 2, ripple)


def _step_limit_s(s: Scenario, step_percent: float) -> float | None:
    """Seconds of pedalling after which a step of the reading could be told from none at the earliest.

    By whoever knows the noise and every lag: generalised least squares of a level, a step and a
    zero offset over blocks of ten seconds, the offset being at first anything like OFFSET_NM, since
    where the torque changes with the step that one shows a step too. The first block at
    which the step is Z_90_95 of its standard deviations.
    """
    assert s.fault is not None
    r, n = s.ride, s.ride.seconds // 10
    ok = r.pedalling[: n * 10].reshape(n, 10).all(axis=1)
    power, cadence = (x[: n * 10].reshape(n, 10).mean(axis=1)[ok] for x in (r.power_w, r.cadence_rpm))
    begins = 10.0 * np.flatnonzero(ok)
    inverse = cadence * math.pi / 30 / power
    after = begins >= s.fault.onset_s
    variance = (s.noise_percent / 100) ** 2 / 10
    for end in range(int(after.argmax()) + 1, len(begins) + 1):
        design = np.column_stack([np.ones(end), inverse[:end], after[:end]])
        information = design.T @ design / variance
        information[1, 1] += 1.0 / OFFSET_NM**2
        sd = math.sqrt(np.linalg.inv(information)[2, 2])
        if abs(step_percent) / 100 >= Z_90_95 * sd:
            return float(r.pedalling[int(s.fault.onset_s) : int(begins[end - 1]) + 10].sum())
    return None


def _first_without_power_s(s: Scenario, label: str, from_s: float) -> float:
    """When the first packet came that shows no power: a meter that smooths shows its loss late."""
    for x in s.records:
        if isinstance(x, Packet) and x.instrument == label and x.t_ns >= from_s * 1e9:
            if x.channel == "2A63":
                shown = int.from_bytes(x.data[2:4], "little", signed=True)
            elif x.channel == "ant11" and x.data[0] == 0x10:
                shown = int.from_bytes(x.data[6:8], "little")
            else:
                continue
            if shown <= 5:
                return x.t_ns / 1e9
    return from_s


def _period_s(s: Scenario, label: str, before_s: float) -> float:
    """Usual time in s between the packets of an instrument before a moment."""
    channel = next(m.channel for m in s.meters if m.label == label)
    times = [
        x.t_ns / 1e9
        for x in s.records
        if isinstance(x, Packet)
        and x.instrument == label
        and x.channel == channel
        and x.t_ns < before_s * 1e9
    ]
    return float(np.median(np.diff(times))) if len(times) > 2 else 0.0


def _lost_target_s(s: Scenario, fault: Fault) -> float:
    """Within 3 s; two packets lost on the way are no lost link, so a slow one has its own period more."""
    period_s = _period_s(s, fault.label, fault.onset_s)
    return LOST_S + (period_s if 3 * period_s > s.bench.limits.lost_after_s else 0.0)


def _target_s(case: Case, group: str, steady: bool) -> float | None:
    if case.kind in ("scale", "zero"):
        if not steady or group == "below":
            return None
        if (case.kind, case.size, case.how) == ("scale", "5", "side"):
            return 30.0
        return 60.0 if group == "twice" else None
    return {"missing": 5.0, "placement": 5.0, "shifted": 90.0}.get(case.kind)


SINCE_OF: dict[str, tuple[str, ...]] = {
    "shifted": ("shifted", "power-off", "side-off"),
    "swapped": ("sides-swapped",),
    "one-sided": ("one-sided",),
    "clipped": ("clipped",),
    "cadence": ("cadence-off",),
    "lost": ("signal-lost",),
    "missing": ("power-missing",),
    "stuck": ("stuck",),
}
"""Faults that begin at one moment, and the findings that say since when. What a step brings beyond the
tolerance was within it before."""


def judge(s: Scenario, findings: Iterable[Finding], run_s: float) -> Result:
    """Compare findings with the truth of a scenario."""
    case, r, fault = s.case, s.ride, s.fault
    told = [Reported.of(f) for f in findings]
    out = Result(
        str(case),
        r.style,
        s.bench_kind,
        r.seconds / 3600,
        run_s,
        steady=steady_style(r.style),
        told=told,
        net_percent=s.net_percent,
        tolerance_percent=s.tolerance_percent,
    )
    raised = [f for f in told if f.event == "raised"]
    if case.kind == "near":
        out.group, out.false_alarms = "near", raised
        return out
    if fault is None:
        out.group = "healthy"
        for f in raised:
            near = s.ratio[max(0, int(f.t_s) - 40) : int(f.t_s) + 1]
            true = s.bench_kind == "single" and f.instrument == "heron" and f.kind == "power-off"
            if true and len(near) and near.max() >= 0.9:
                out.honest += 1
            else:
                out.false_alarms.append(f)
        return out

    # An instrument that restarts falls silent first.
    began_s = fault.onset_s - (fault.size if case.kind == "restarted" else 0.0)
    out.false_alarms = [f for f in raised if f.t_s < began_s]
    after = [f for f in raised if f.t_s >= began_s]
    out.blamed_others = [f for f in after if f.instrument != fault.label]
    own = [f for f in after if f.instrument == fault.label]
    main = [f for f in own if f.kind in MAIN[case.kind]]
    allowed = MAIN[case.kind] + ALSO.get(case.kind, ())
    out.wrong_kinds = [f for f in own if f.kind not in allowed]
    out.caught = bool(main)
    onset = fault.onset_s
    seconds = np.arange(r.seconds)
    base: Mask = (r.steady if out.steady else r.pedalling) & (seconds >= int(onset))

    if case.kind in EVENT_KINDS:
        if case.kind == "lost":
            onset = s.last_heard_s
        elif case.kind in ("missing", "placement"):
            onset = _first_without_power_s(s, fault.label, onset)
        elif case.kind == "clipped":
            over = np.flatnonzero((r.power_w > fault.size * 1.1)[1:] & (r.power_w > fault.size * 1.1)[:-1])
            out.group = "event" if len(over) else "below"
            onset = float(over[0]) if len(over) else 0.0
        if main:
            out.delay_s = max(0.0, main[0].t_s - onset)
    else:
        counted = base
        if case.kind in ("scale", "zero"):
            ratio = s.side_ratio if s.side_ratio is not None else s.ratio
            clear, some = base & (ratio >= 2), base & (ratio >= 1.2)
            if clear.sum() >= 90:
                out.group, counted = "twice", clear
            elif some.sum() >= 180:
                out.group, counted = "beyond", some
            else:
                out.group = "below"
            size = abs(s.net_percent) if s.side_ratio is None else abs(fault.size)
            if case.kind == "scale":
                out.limit_s = _limit_s(s, size - s.tolerance_percent)
        elif case.kind == "shifted":
            out.limit_s = _step_limit_s(s, float(case.size) / (2 if case.how == "side" else 1))
        if main:
            out.delay_s = float(counted[: int(main[0].t_s)].sum())
    out.target_s = _target_s(case, out.group, out.steady)
    if case.kind == "lost":
        out.target_s = _lost_target_s(s, fault)

    causes = CAUSES.get(case.kind)
    if case.kind in ("scale", "zero"):
        out.identifiable = _identifiable(s) if out.group != "below" else None
        causes = ("scale" if case.kind == "scale" else "zero-offset",)
        if case.how == "side":
            causes += ("one-side",)
    elif case.kind == "placement":
        out.identifiable = sum(end <= r.seconds - 10 for _, end in fault.windows) >= 3
    elif causes:
        out.identifiable = True
    named = [f.cause for f in main if f.cause not in (None, "unclear")]
    if causes:
        out.cause_wrong = any(c not in causes for c in named)
        if out.identifiable and out.caught:
            out.cause_right = bool(named) and named[-1] in causes
        if out.identifiable is False and case.how != "side":
            out.cause_unfounded = bool(named)
    if fault.side != "total" and s.side_ratio is not None and main:
        sides = [f.side for f in own if f.side in ("left", "right")]
        out.side_right = bool(sides) and all(x == fault.side for x in sides)
    if case.kind in SINCE_OF:
        for f in own:
            if f.kind in SINCE_OF[case.kind]:
                out.since_errors_s.setdefault(f.kind, f.since_s - onset)
    if case.kind in ("lost", "missing", "stuck") and main:
        end = fault.windows[0][1]
        room = 5.0 if case.kind == "lost" else 45.0
        out.cleared = any(
            f.event == "cleared"
            and f.kind == main[0].kind
            and f.instrument == fault.label
            and end - 1 <= f.t_s <= end + room
            for f in told
        )
    return out


def one(name: str, seconds: int | None = None) -> Result:
    """Make, run and judge a case; an exception of the monitor is a result too."""
    s = make(Case.parse(name), seconds)
    try:
        findings, run_s = run(s)
    except Exception:
        lines = traceback.format_exc().strip().splitlines()
        where = [x.strip() for x in lines if x.strip().startswith("File ")][-1:]
        return Result(name, s.ride.style, s.bench_kind, 0.0, 0.0, crash=" ".join([lines[-1], *where]))
    return judge(s, findings, run_s)


def many(cases: list[Case], jobs: int, seconds: int | None = None) -> list[Result]:
    """Results in the order of the cases, however many processes work on them."""
    if jobs == 1:
        return [one(str(c), seconds) for c in cases]
    with ProcessPoolExecutor(jobs) as pool:
        futures = {pool.submit(one, str(c), seconds): i for i, c in enumerate(cases)}
        done = {futures[f]: f.result() for f in as_completed(futures)}
    return [done[i] for i in range(len(cases))]


def _share(values: list[bool]) -> str:
    return f"{100 * sum(values) / len(values):.0f} % of {len(values)}" if values else ""


def _seconds(values: list[float], quantile: float) -> str:
    if not values:
        return ""
    value = statistics.median(values) if quantile == 0.5 else float(np.quantile(values, quantile))
    return f"{value:.0f}" if value >= 10 else f"{value:.1f}"


def _in_time(x: Result) -> bool:
    return x.delay_s is not None and x.target_s is not None and x.delay_s <= x.target_s


def _near_limit(x: Result) -> bool:
    """Whether a late one came within half as much again of what the data allow."""
    return x.delay_s is not None and x.limit_s is not None and x.delay_s <= 1.5 * x.limit_s


def _falls_short(x: Result) -> bool:
    late = x.target_s is not None and not _in_time(x)
    return not x.caught or late or x.cause_wrong or x.cause_unfounded or x.cause_right is False


def _row(title: str, results: list[Result]) -> dict[str, str]:
    caught = [x for x in results if x.caught]
    delays = [x.delay_s for x in caught if x.delay_s is not None]
    targets = {x.target_s for x in results} - {None}
    limits = [x.limit_s for x in results if x.limit_s is not None]
    target = (
        " to ".join(dict.fromkeys(f"{each:.0f}" for each in (min(targets), max(targets)))) if targets else ""
    )
    return {
        "fault": title,
        "rides": str(len(results)),
        "caught": _share([x.caught for x in results]),
        "median s": _seconds(delays, 0.5),
        "95 % s": _seconds(delays, 0.95),
        "target s": target,
        "in target": _share([_in_time(x) for x in results]) if target else "",
        "limit s": _seconds(limits, 0.5),
        "cause right": _share([x.cause_right for x in results if x.cause_right is not None]),
        "cause wrong": _share([x.cause_wrong for x in caught]) if any(x.cause_wrong for x in caught) else "",
        "named unfounded": _share([x.cause_unfounded for x in caught if x.identifiable is False]),
        "side right": _share([x.side_right for x in results if x.side_right is not None]),
        "cleared": _share([x.cleared for x in results if x.cleared is not None]),
        "others blamed": _share([bool(x.blamed_others) for x in results])
        if any(x.blamed_others for x in results)
        else "",
        "wrong kind": _share([bool(x.wrong_kinds) for x in results])
        if any(x.wrong_kinds for x in results)
        else "",
        "look at": next((f"`{x.case}`" for x in results if _falls_short(x)), ""),
    }


def _since_rows(faulty: Sequence[Result]) -> list[dict[str, str]]:
    """Errors of the stated begins, by fault and finding."""
    errors: dict[tuple[str, str], list[tuple[float, str]]] = defaultdict(list)
    for x in faulty:
        for kind, error_s in x.since_errors_s.items():
            errors[x.case.split("/")[0], kind].append((error_s, x.case))
    rows = []
    for (fault, kind), found in sorted(errors.items()):
        sizes = sorted(abs(e) for e, _ in found)
        worst = max(found, key=lambda e: abs(e[0]))
        rows.append(
            {
                "fault": fault,
                "finding": kind,
                "times": str(len(found)),
                "median s": f"{statistics.median(e for e, _ in found):+.0f}",
                "95 % within s": f"{sizes[min(len(sizes) - 1, math.ceil(0.95 * len(sizes)) - 1)]:.0f}",
                "worst s": f"{worst[0]:+.0f}",
                "look at": f"`{worst[1]}`",
            }
        )
    return rows


def _table(rows: list[dict[str, str]]) -> str:
    if not rows:
        return ""
    heads = list(rows[0])
    lines = ["| " + " | ".join(heads) + " |", "|" + "---|" * len(heads)]
    lines += ["| " + " | ".join(str(row[h]) for h in heads) + " |" for row in rows]
    return "\n".join(lines)


def _example(x: Result, f: Reported) -> str:
    return f"`{x.case}` {f.instrument} at {f.t_s:.0f} s"


WORDS = {
    "twice": "twice tolerance or more",
    "beyond": "beyond tolerance",
    "below": "within tolerance",
    "event": "",
    "healthy": "",
    "near": "",
}


def report(results: list[Result]) -> str:
    """The scoreboard as markdown."""
    parts: list[str] = []
    crashed = [x for x in results if x.crash]
    good = [x for x in results if not x.crash]
    healthy = [x for x in good if x.group == "healthy"]
    near = [x for x in good if x.group == "near"]
    faulty = [x for x in good if x.group not in ("healthy", "near")]
    simulated, run_s = sum(x.hours for x in good), sum(x.run_s for x in good)
    if run_s:
        parts.append(
            f"{len(good)} rides, {simulated:.1f} h simulated; the monitor alone ran "
            f"{simulated * 3600 / run_s:,.0f} times as fast as riding, on one core."
        )
    if crashed:
        parts.append("### Crashes\n" + "\n".join(f"- `{x.case}`: {x.crash}" for x in crashed))
    if healthy:
        hours = sum(x.hours for x in healthy)
        alarms = [(x, f) for x in healthy for f in x.false_alarms]
        parts.append(
            f"### Healthy\n{hours:.1f} h over {len(healthy)} rides: **{len(alarms)} false alarms**, "
            f"{len(alarms) / hours:.2f} per hour. A one-sided meter, declared as such, that truly read out "
            f"of tolerance was raised {sum(x.honest for x in healthy)} times (not false)."
        )
        if alarms:
            by: dict[tuple[str, str, str], int] = Counter((f.kind, x.style, x.bench) for x, f in alarms)
            seen = [
                {
                    "finding": k,
                    "style": st,
                    "bench": b,
                    "alarms": str(n),
                    "for example": next(
                        _example(x, f) for x, f in alarms if (f.kind, x.style, x.bench) == (k, st, b)
                    ),
                }
                for (k, st, b), n in sorted(by.items(), key=lambda kv: -kv[1])
            ]
            parts.append(_table(seen))
    if near:
        parts.append("### Healthy, near the limit\n" + _table(_near_rows(near)))
    if faulty:
        groups: dict[tuple[str, str, bool], list[Result]] = defaultdict(list)
        for x in faulty:
            kind, size, how, _ = x.case.split("/")
            title = " ".join(
                w for w in (kind, size if size != "0" else "", "" if how == "told" else how) if w
            )
            groups[(title, x.group, x.steady or x.group == "event")].append(x)
        rows: list[dict[str, str]] = []
        for (title, group, steady), members in groups.items():
            words = [w for w in (WORDS[group], "" if steady else "unsteady riding") if w]
            rows.append(_row(title + (f" ({', '.join(words)})" if words else ""), members))
        parts.append("### Faults\n" + _table([row for row in rows if "within tolerance" not in row["fault"]]))
        below = [row for row in rows if "within tolerance" in row["fault"]]
        if below:
            keep = ("fault", "rides", "caught", "others blamed", "wrong kind")
            parts.append(
                "### Faults within tolerance (nothing has to be raised)\n"
                + _table([{k: row[k] for k in keep} for row in below])
            )
        beside: dict[tuple[str, str, str], list[tuple[Result, Reported]]] = defaultdict(list)
        for x in faulty:
            fault = x.case.split("/")[0]
            for what, told in (
                ("another instrument", x.blamed_others),
                ("the faulty one", x.wrong_kinds),
                ("before the fault", x.false_alarms),
            ):
                for f in told:
                    beside[(fault, what, f.kind)].append((x, f))
        parts.append(
            "### Raised beside the fault (no true consequence of it)\n"
            + _table(
                [
                    {
                        "fault": fault,
                        "raised for": what,
                        "finding": kind,
                        "times": str(len(told)),
                        "rides": str(len({x.case for x, _ in told})),
                        "for example": _example(*told[0]),
                    }
                    for (fault, what, kind), told in sorted(beside.items(), key=lambda kv: -len(kv[1]))
                ]
            )
        )
        parts.append("### Since when: what is said against the truth\n" + _table(_since_rows(faulty)))
        hours = sum(x.hours for x in faulty if x.group == "event" or x.case.startswith("shifted"))
        before = sum(len(x.false_alarms) for x in faulty)
        parts.append(f"Raised before the fault began: {before} (in the first part of {hours:.1f} h).")
        parts.append("### Targets\n" + _table(_targets(healthy, faulty)))
    return "\n\n".join(parts) + "\n"


MOST_AT = {"0.8": 0.0, "0.95": 1.0}
"""False alarms an hour that may be, by the part of the limit by which two healthy ones differ."""


def _near_rows(near: Sequence[Result]) -> list[dict[str, str]]:
    rows = []
    for part, noise in sorted({tuple(x.case.split("/")[1:3]) for x in near}):
        members = [x for x in near if x.case.startswith(f"near/{part}/{noise}/")]
        alarms = [(x, f) for x in members for f in x.false_alarms]
        hours, most = sum(x.hours for x in members), MOST_AT[part]
        rows.append(
            {
                "of the limit": part,
                "noise": noise,
                "hours": f"{hours:.1f}",
                "false alarms": str(len(alarms)),
                "at most": f"{most:g} an hour",
                "met": "yes" if len(alarms) <= most * hours else "no",
                "for example": _example(*alarms[0]) if alarms else "",
            }
        )
    return rows


def _yes(seen: Sequence[object], good: bool) -> str:
    return ("yes" if good else "no") if seen else ""


def _targets(healthy: list[Result], faulty: list[Result]) -> list[dict[str, str]]:
    def met(name: str, members: list[Result], within_s: float | None = None) -> dict[str, str]:
        inside = [
            _in_time(x) if within_s is None else x.delay_s is not None and x.delay_s <= within_s
            for x in members
        ]
        late = [x for x, good in zip(members, inside, strict=True) if not good]
        forbidden = sum(_near_limit(x) for x in late)
        words = _share(inside) + (f", {forbidden} more within 1.5 times their limit" if forbidden else "")
        if late:
            words += "; late by s (limit s): " + ", ".join(
                "missed" if x.delay_s is None else f"{x.delay_s:.0f} ({x.limit_s or 0.0:.0f})" for x in late
            )
        return {"target": name, "met by": words, "met": _yes(inside, len(late) == forbidden)}

    def of(*kinds: str) -> list[Result]:
        return [x for x in faulty if x.case.split("/")[0] in kinds and x.target_s is not None]

    alarms = sum(len(x.false_alarms) for x in healthy)
    hours = sum(x.hours for x in healthy)
    causes = [
        x.cause_right for x in faulty if x.cause_right is not None and x.case.startswith(("scale", "zero"))
    ]
    unfounded = [x.cause_unfounded for x in faulty if x.caught and x.identifiable is False]
    rows = [
        {
            "target": f"no false alarm ({hours:.1f} h healthy)",
            "met by": f"{alarms} alarms",
            "met": _yes(healthy, not alarms),
        }
    ]
    rows += [
        met(
            "scale, zero or side error of twice the tolerance within 60 s of steady riding",
            [x for x in of("scale", "zero") if x.group == "twice"],
            60.0,
        ),
        met(
            "5 % of one side, beyond tolerance, within 30 s of steady riding",
            [x for x in of("scale") if x.case.startswith("scale/5/side")],
        ),
        met("lost signal within 3 s (one that sends each second or slower: and its own period)", of("lost")),
        met("missing power within 5 s", of("missing", "placement")),
        met("shift of 2 % or more within 90 s", of("shifted")),
    ]
    if causes:
        rows.append(
            {
                "target": "right cause where it can be told, 95 %",
                "met by": _share(causes),
                "met": _yes(causes, sum(causes) >= 0.95 * len(causes)),
            }
        )
    if unfounded:
        rows.append(
            {
                "target": "no cause named where it can't be told",
                "met by": _share([not u for u in unfounded]),
                "met": _yes(unfounded, not any(unfounded)),
            }
        )
    return rows
