"""One evening through the whole chain, and what was said held against what was true.

Only results are read: findings as they are printed, and the text of study.json.
"""

import time
import traceback
from typing import Any

import msgspec

from capture.record import Header
from monitor.finding import Finding
from tests.benchmarks.judgement.evening import SETTLE_S, UTC_NS, Evening, Plan, make
from tests.benchmarks.judgement.scenarios import plan

ALARMS = ("power-off", "side-off", "shifted")
CAUSES = ("scale", "zero-offset", "one-side")
NEAR_S = 30.0
"""A stretch that ends this close to a true change may hold seconds of either side of it."""


class Interval(msgspec.Struct, frozen=True):
    """A stated value with its 95 % half-width, and the truth."""

    what: str
    value: float
    u95: float
    truth: float

    @property
    def holds(self) -> bool:
        """Whether the truth is inside; rounding of the printed figures is forgiven."""
        return abs(self.value - self.truth) <= self.u95 + 5e-4


class Result(msgspec.Struct):
    """What came of one evening."""

    scenario: str
    seed: int
    hours: float
    run_s: float = 0.0
    crash: str = ""
    intervals: list[Interval] = []
    alarms: list[str] = []
    condemned: list[str] = []
    named: str = ""
    """`right`, `wrong`, or `nobody`; empty where nobody was guilty."""
    effect: tuple[str, str] | None = None
    """Of the act: what was said, what was true; None where the evening had none that was asked about."""
    contradictions: list[str] = []
    delay_s: float | None = None
    missed: bool = False

    @property
    def case(self) -> str:
        """Its name for the command line."""
        return f"{self.scenario}/{self.seed}"


def run(p: Plan) -> tuple[Evening, list[Finding], dict[str, Any]]:
    """Make the evening, record it, study it: the truth, the findings and study.json."""
    from monitor.study.recording import collect
    from monitor.study.study import encode, study

    evening = make(p)
    header = Header(evening.bench, "benchmark", UTC_NS, evening.protocol)
    recording = collect(header, evening.records)
    told: dict[str, Any] = msgspec.json.decode(encode(study(recording)))
    return evening, recording.findings, told


def judge(scenario: str, seed: int) -> Result:
    """Run one evening and judge what was said of it; a crash is a result too."""
    p = plan(scenario, seed)
    began = time.perf_counter()
    result = Result(scenario, seed, sum(piece.seconds for piece in p.ride) / 3600.0)
    try:
        evening, findings, study = run(p)
    except Exception:
        result.crash = traceback.format_exc(limit=-3)
        return result
    result.run_s = time.perf_counter() - began
    if scenario.startswith(("coverage", "zeroed")):
        result.intervals = intervals(evening, study)
    result.alarms = [
        f"{f.kind} {f.instrument} {f.side or ''} {f.value} at {f.t_s:g} s"
        for f in findings
        if f.event == "raised" and f.kind in ALARMS and f.instrument in p.healthy
    ]
    result.condemned = condemned(p, study)
    if p.guilty:
        result.named = named(p, study)
    if "effect" in p.told:
        result.effect = (_effect(p, study), str(p.told["effect"]))
    result.contradictions = contradictions(findings, study)
    if "delay_from_s" in p.told:
        since = float(p.told["delay_from_s"])
        later = [
            f.t_s - since
            for f in findings
            if f.event == "raised" and f.kind in ALARMS and f.instrument == p.guilty and f.t_s >= since
        ]
        result.delay_s, result.missed = (min(later), False) if later else (None, True)
    return result


# -- who was blamed


def blamed(one: dict[str, Any]) -> list[str]:
    """The words of study.json that tell against an instrument itself."""
    words = []
    if one["serves_as_reference"] == "no":
        words.append("no reference")
    if one.get("stands_apart") == "yes":
        words.append("stands apart")
    if one["verdict"] == "differs":
        words.append("differs")
    return words


def condemned(p: Plan, study: dict[str, Any]) -> list[str]:
    """What was said against healthy instruments."""
    found = []
    for label in p.healthy:
        words = blamed(study["instruments"][label])
        if words:
            found.append(f"{label}: {', '.join(words)}")
    return found


def named(p: Plan, study: dict[str, Any]) -> str:
    """Whether the guilty one was named (`stands apart`, or `no` as a reference), and nobody else."""
    who = {
        label
        for label, one in study["instruments"].items()
        if one.get("stands_apart") == "yes" or one["serves_as_reference"] == "no"
    }
    if who & set(p.healthy):
        return "wrong"
    return "right" if p.guilty in who else "nobody"


def _effect(p: Plan, study: dict[str, Any]) -> str:
    at, _, _, label = p.acts[0]
    for told in study.get("acts_judged", []):
        if told["instrument"] == label and abs(told["t_s"] - at) < NEAR_S:
            return str(told["effect"])
    return "nothing"


# -- live against study


def contradictions(findings: list[Finding], study: dict[str, Any]) -> list[str]:
    """What stands open at the end of the live session and is denied by the study."""
    standing: dict[tuple[str, str, str | None], Finding] = {}
    for f in findings:
        key = (f.kind, f.instrument, f.side)
        if f.event == "raised":
            standing[key] = f
        else:
            standing.pop(key, None)
    found = []
    for f in standing.values():
        one = study["instruments"].get(f.instrument)
        if one is None or f.kind not in ("power-off", "side-off"):
            continue
        states = [s for s in one.get("states", []) if s["deviation_percent"] is not None]
        last = states[-1] if states else None
        other = study["instruments"].get(f.reference or "", {})
        explained = other.get("stands_apart") == "yes" or other.get("serves_as_reference") == "no"
        if f.kind == "power-off":
            said = one["as_left"] or one["verdict"]
            if said == "agrees" and not explained:
                found.append(f"{f.instrument}: power-off stands open, the study says agrees")
            if one["serves_as_reference"] == "yes" and not explained:
                found.append(f"{f.instrument}: power-off stands open, the study says it serves")
            if last and f.value is not None and f.unit == "%":
                sure = abs(last["deviation_percent"]) > (last["u95_percent"] or 1e9)
                if sure and last["deviation_percent"] * f.value < 0.0 and f.reference in study["instruments"]:
                    found.append(f"{f.instrument}: live and study see it on opposite sides")
            cause = last["cause"] if last else one["cause"]
            if f.cause in CAUSES and cause in CAUSES and f.cause != cause:
                found.append(f"{f.instrument}: live says {f.cause}, the study {cause}")
        else:
            value, u95 = (
                (last.get(f"{f.side}_percent"), last.get(f"{f.side}_u95_percent")) if last else (None, None)
            )
            if value is not None and u95 is not None:
                if f.limit is not None and abs(value) + u95 < f.limit:
                    found.append(f"{f.instrument}: its {f.side} side stands open, the study says it agrees")
                if f.value is not None and abs(value) > u95 and value * f.value < 0.0:
                    found.append(f"{f.instrument}: live and study see its {f.side} side on opposite sides")
            elif not last:
                for told in one["by_side"]:
                    if told["side"] == f.side and told["verdict"] == "agrees" and told["end_s"] > f.t_s:
                        found.append(
                            f"{f.instrument}: its {f.side} side stands open, the study says it agrees"
                        )
    return found


# -- intervals


def intervals(evening: Evening, study: dict[str, Any]) -> list[Interval]:
    """Every stated 95 % interval of this evening whose truth is one number."""
    p = evening.plan
    found: list[Interval] = []

    def add(what: str, value: float | None, u95: float | None, truth: float) -> None:
        if value is not None and u95 is not None and truth == truth:
            found.append(Interval(what, value, u95, truth))

    windows = {}
    for s in study["segments"]:
        begin = s["start_s"] + s["settle_s"]
        windows[s["name"]] = (begin, s["end_s"])
        for d in s["differences"]:
            truth = evening.deviation_percent(d["instrument"], d["reference"], begin, s["end_s"])
            what = "segment" if s["kind"] == "block" else f"segment ({s['kind']})"
            add(what, d["deviation_percent"], d["u95_percent"], truth)
    for c in study["cycles"]:
        for d in c["differences"]:
            truth = evening.deviation_percent(d["instrument"], d["reference"], c["start_s"], c["end_s"])
            add("whole cycles", d["deviation_percent"], d["u95_percent"], truth)
    for r in study["repeats"]:
        first, last = windows[r["first"]], windows[r["last"]]
        a, b = (evening.deviation_percent(r["instrument"], r["reference"], *w) for w in (first, last))
        add("repeat", r["change_percent"], r["change_u95_percent"], b - a)
    for label, one in study["instruments"].items():
        if label == p.reference:
            continue
        if one["lag_s"] is not None:
            add("lag", one["lag_s"], one["lag_u95_s"], evening.lag_s(label) - evening.lag_s(p.reference))
    changed = float(p.told.get("changed_s", -1.0))
    by = abs(float(p.told.get("change", 0.0)))
    end = float(evening.seconds)
    whole = by == 0.0
    constant = p.told.get("constant") == "yes"
    for label, one in study["instruments"].items():
        if label == p.reference:
            continue
        unit = label == "heron"
        if whole or not unit:
            gain, zero = evening.line(label, p.reference)
            add("gain", one["gain"], one["gain_u95"], gain)
            add("zero offset", one["offset_nm"], one["offset_u95_nm"], zero)
        for s in one.get("states", []):
            inside = s["from_s"] + NEAR_S < changed < s["to_s"] - NEAR_S and by > 0.0 and unit
            if not (constant or not unit) or inside:
                continue
            at = (s["from_s"], s["to_s"])
            truth = evening.deviation_percent(label, p.reference, *at)
            add("state", s["deviation_percent"], s["u95_percent"], truth)
            if s["left_percent"] is not None and unit:
                for side in ("left", "right"):
                    truth = evening.deviation_percent(label, p.reference, *at, side)
                    add("side (state)", s[f"{side}_percent"], s[f"{side}_u95_percent"], truth)
            if s["gain"] is not None:
                add(
                    "gain (state)",
                    s["gain"],
                    s["gain_u95"],
                    1 + evening.deviation_percent(label, p.reference, *at) / 100,
                )
                add("zero offset (state)", s["offset_nm"], s["offset_u95_nm"], 0.0)
        if unit and constant:
            for r in one["by_side"]:
                at = (r["start_s"], r["end_s"])
                if by > 0.0 and at[0] + NEAR_S < changed < at[1] - NEAR_S:
                    continue
                truth = evening.deviation_percent(label, r["reference"], *at, r["side"])
                add("side", r["deviation_percent"], r["u95_percent"], truth)
    for name, rows in (("overall", study["splits"]), ("overall (bias)", study["agreement"])):
        for r in rows:
            unit = r["instrument"] == "heron"
            if name == "overall (bias)" and r["instrument"] == "hub":
                # A bias states its scatter alone: what the chain takes is no part of it.
                continue
            if (unit and not (whole and constant)) or r.get("by", "all") != "all":
                continue
            truth = evening.deviation_percent(r["instrument"], p.reference, 0.0, end)
            value, u95 = (
                ("deviation_percent", "u95_percent")
                if name == "overall"
                else ("bias_percent", "bias_u95_percent")
            )
            add(name, r[value], r[u95], truth)
    for a in study.get("acts_judged", []):
        if a["instrument"] == "heron" and abs(a["t_s"] - changed) < NEAR_S and constant:
            before = evening.deviation_percent("heron", p.reference, SETTLE_S, changed - SETTLE_S)
            after = evening.deviation_percent("heron", p.reference, changed + SETTLE_S, end)
            add("change by an act", a["change_percent"], a["u95_percent"], after - before)
    return found
