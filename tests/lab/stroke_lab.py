"""On the host: the stroke over real radio stacks, compared with what the lab's riders did.

    stroke_lab.py [stroke run] [--lab FOLDER] [--venv NAME] [--out FOLDER]

The lab's dual sensors must have a `stroke` (vectors, extremes, dead spots, pages of the stroke). Exits with 1
if a case fails. See README.md.
"""

import argparse
import json
import sys
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pyarrow.parquet as pq
from msgspec.structs import replace

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from capture.record import Header, Link, Packet, Record, Tick
from monitor.report import report_html
from monitor.report.states import sentences
from monitor.report.stroke import stroke_words
from monitor.study.parts.common import shared_of
from monitor.study.recording import collect
from monitor.study.results import Study, encode
from monitor.study.study import study
from monitor.text import TERMINAL
from storage.journal import read_journal
from tests.lab.evening_lab import RUN, command, findings, replay_equals, show, zero
from tests.lab.host import Json, Lab, bench, instrument, link, main, sensor

MOVE_S, STEP_S, SECONDS = 160.0, 290.0, 420
"""When the rider's left leg moves on, when the unit's scale steps, the end; seconds of the lab's clock."""
LEFT_DEG, MOVED_DEG, RIGHT_DEG = 92.0, 106.0, 97.0
NEAR_DEG = 2.0
"""An angle is right within this."""
LATE_S = 1.0
"""Seconds. Stamps that are later than this are the lab's trouble and not the program's."""
DEVICES = {"Lab 1": "pedals", "Lab 2": "heron", "Lab 3": "hub", "Lab 4": "raven"}
NEAR_S = 15.0
"""A moment: a stroke is known in blocks of ten seconds."""


def stroke(side: str = "both", **more: Any) -> Json:
    """The rider's stroke, the same in every sensor, as they sit on one bicycle."""
    left = [[0, LEFT_DEG], [MOVE_S, LEFT_DEG], [MOVE_S, MOVED_DEG], [9999, MOVED_DEG]]
    return {
        "left": {"peak": left, "width": 170}, "right": {"peak": RIGHT_DEG, "width": 175}, "side": side, **more
    }  # fmt: skip


def scenario() -> Json:
    """Vectors over Bluetooth (torque of two legs, force of one), pages over ANT+; rider and unit move."""
    return {
        "seed": 5, "power": 210, "cadence": [[0, 84], [100, 91], [200, 86], [300, 90], [500, 85]],
        "devices": [
            sensor(1, "dual", rate=4, left=49, noise=2, measurement_context="torque", stroke=stroke()),
            sensor(2, "dual", radios=["ant"], left=49, noise=2, stroke=stroke(vector_hz=0),
                   gain=[[0, 1], [STEP_S, 1], [STEP_S, 1.08], [9999, 1.08]]),
            sensor(3, "trainer", rate=4, noise=2),
            sensor(4, "dual", rate=4, left=49, noise=2, measurement_context="force", crank_length_mm=172.5,
                   stroke=stroke("left", vector_hz=50)),
        ],
    }  # fmt: skip


def case_stroke(args: argparse.Namespace) -> list[str]:
    """The sources alone: the rider's left leg moves on, then the unit's scale steps."""
    lab = Lab(args, "stroke", scenario(), {})
    wanted = {"pedals": link(1), "hub": f"{link(3)},fitness-machine", "raven": link(4)}
    bluetooth = " ".join(f"{label}={target}" for label, target in wanted.items())
    lab.run(
        f"python tests/lab/bluetooth_guest.py ble.jsonl {SECONDS} {bluetooth} & "
        f"python tests/lab/ant_guest.py ant.jsonl {SECONDS} heron=ant:power:4002; wait",
        SECONDS + 600,
    )
    records, start = heard(lab)
    return compare(lab, Header(BENCH, "lab", round(1e9 * start)), records)


def case_run(args: argparse.Namespace) -> list[str]:
    """The same by the whole command, whose session is judged; settings of the stroke are asked over ANT+."""
    lab = Lab(args, "run", scenario(), {"bench.toml": BENCH})
    out = command(lab, *RUN, "--seconds", str(SECONDS - 30), timeout_s=SECONDS + 600)
    found = findings(out)
    show(found)
    header, records = read_journal(lab.session())
    faults = compare(lab, header, list(records))
    asked = [each["value"] for each in lab.emulator("write") if each["radio"] == "ant"]
    print(f"  asked over ANT+: {[(value, asked.count(value)) for value in dict.fromkeys(asked)]}")
    for subpage in ("02", "04", "fd", "fe"):
        if not 1 <= asked.count(f"46ffff{subpage}ff040201") <= 2:
            faults.append(f"sub-page 0x{subpage} of page 0x02 was not asked for once or twice")
    columns = pq.read_table(lab.session() / "grid.parquet").column_names
    print(
        f"  columns of the stroke in the grid: {sum('peak' in name or 'phase' in name for name in columns)}"
    )
    for name in (
        "pedals.left_peak_deg",
        "heron.left_peak_deg",
        "heron.rider_position",
        "raven.left_peak_deg",
    ):
        if name not in columns:
            faults.append(f"the grid has no {name}")
    return faults + replay_equals(lab, out)


BENCH = bench(
    "pedals",
    instrument("pedals", link(1), role="reference", mount="pedals", sides="both", claim_percent=1.0),
    instrument("heron", "ant:power:4002", mount="crank", sides="both", claim_percent=1.5),
    instrument("hub", link(3), role="witness", mount="hub", profile="fitness-machine", claim_percent=1.5),
    instrument("raven", link(4), role="witness", mount="crank", sides="both", claim_percent=1.5),
)


def heard(lab: Lab) -> tuple[list[Record], float]:
    """What both sources wrote down as records of one session, and its beginning in Unix seconds."""
    start = zero(lab)
    records: list[Record] = []
    for name in ("ble.jsonl", "ant.jsonl"):
        for line in map(json.loads, (lab.shared / name).read_text().splitlines()):
            if "record" not in line:
                continue
            tag, _, *rest = line["record"]
            t_ns = round(1e9 * (line["unix"] - start))
            if tag == "packet":
                label, channel, data, *extra = rest
                octets = bytes.fromhex(extra[0]) if extra else b""
                records.append(Packet(t_ns, label, channel, bytes.fromhex(data), octets))
            elif tag == "link":
                records.append(Link(t_ns, *rest))
    last_s = max(r.t_ns for r in records) // 10**9
    records += [Tick(s * 10**9, round((start + s) * 1e9)) for s in range(last_s + 1)]
    return sorted(records, key=lambda r: r.t_ns), start


def compare(lab: Lab, header: Header, records: list[Record]) -> list[str]:
    """What was heard and what is made of it, against what was sent."""
    start = header.utc_ns / 1e9
    faults = _packets(lab, records)
    again, late_s = as_sent(lab, records, start)
    print(f"  stamps late by {late_s:.2f} s (95 %)")
    if late_s > LATE_S:
        # Power is compared by seconds: a machine that stamps later than that compares nothing.
        print("  the machine was starved: judged by the moments at which the lab sent what was received")
        records = again
    _costs(header, records)
    recording = collect(header, records)
    shared = shared_of(recording)
    found = study(recording, shared)
    (lab.out / "study.json").write_bytes(encode(found))
    (lab.out / "report.html").write_text(report_html(found, shared))
    print("\n".join(f"  {line}" for line in (*sentences(found, TERMINAL), *stroke_words(found, TERMINAL))))
    # The lab's clock begins with the command, a session's with its recorder.
    shift_s = zero(lab) - start
    return [*faults, *_angles(found, MOVE_S + shift_s), *_blamed(found, MOVE_S + shift_s, STEP_S + shift_s)]


def _costs(header: Header, records: Sequence[Record]) -> None:
    """What a packet costs to be judged on the host, with vectors and without."""
    without = [r for r in records if not (isinstance(r, Packet) and r.channel == "2A64")]
    cpu_s = []
    for each in (without, records):
        began = time.process_time()
        collect(header, each)
        cpu_s.append(time.process_time() - began)
    vectors = len(records) - len(without)
    print(
        f"  judged in {cpu_s[1]:.2f} s, without its {vectors} vectors in {cpu_s[0]:.2f} s: "
        f"{1e6 * (cpu_s[1] - cpu_s[0]) / max(1, vectors):.0f} µs a vector"
    )


def as_sent(lab: Lab, records: Sequence[Record], start: float) -> tuple[list[Record], float]:
    """The records that were received, at the moments at which they were sent; how late most were stamped."""
    sent: dict[tuple[str, str], list[float]] = {}
    for row in lab.truth:
        sent.setdefault((DEVICES[row["device"]], row["payload"]), []).append(row["unix"])
    placed: list[Record] = []
    late: list[float] = []
    for record in records:
        if isinstance(record, Packet):
            stamped = start + record.t_ns / 1e9
            before = [u for u in sent.get((record.instrument, record.data.hex()), []) if u <= stamped + 0.05]
            if before:
                late.append(stamped - before[-1])
                record = replace(record, t_ns=round(1e9 * (before[-1] - start)))
        placed.append(record)
    return sorted(placed, key=lambda r: r.t_ns), sorted(late)[int(0.95 * len(late))]


def _packets(lab: Lab, records: Sequence[Record]) -> list[str]:
    """Every vector that was sent while subscribed is recorded, in order, once; what they cost."""
    faults = []
    got: dict[str, list[Packet]] = {"pedals": [], "raven": []}
    octets: dict[tuple[str, str], int] = {}
    for record in records:
        if isinstance(record, Packet):
            key = record.instrument, record.channel
            octets[key] = octets.get(key, 0) + len(record.data)
            if record.channel == "2A64":
                got[record.instrument].append(record)
    for label, device in (("pedals", "Lab 1"), ("raven", "Lab 4")):
        rows = [r for r in lab.truth if r["device"] == device and "vector" in r and not r.get("lost")]
        sent = [bytes.fromhex(r["payload"]) for r in rows]
        mine = [p.data for p in got[label]]
        rest = iter(sent)
        # In order and once each; the radio may have lost some.
        ok = bool(mine) and all(any(each == other for other in rest) for each in mine)
        span_s = (got[label][-1].t_ns - got[label][0].t_ns) / 1e9 if mine else 1.0
        print(
            f"  {label}: {len(mine)} of {len(sent)} vectors, {len(mine) / span_s:.2f} a second, "
            f"{octets.get((label, '2A64'), 0) / span_s:.0f} octets a second "
            f"(measurements {octets.get((label, '2A63'), 0) / span_s:.0f})"
        )
        if not ok:
            faults.append(f"{label}: the vectors recorded are not those sent")
    return faults


def _angles(found: Study, move_s: float) -> list[str]:
    """The angle of peak torque of each side in each state, within NEAR_DEG."""
    faults = []
    assert found.strokes is not None
    for v in found.strokes.vectors:
        counts = f"{v.lost_packets} lost, {v.unplaced_packets} without angle"
        print(f"  {v.instrument}: {v.packets} vectors, {counts}")
    for s in found.strokes.stretches:
        if s.of != "state" or s.to_s - s.from_s < 60.0:
            continue
        moved = s.from_s >= move_s - NEAR_S
        for side in s.sides:
            truth = {"left": MOVED_DEG if moved else LEFT_DEG, "right": RIGHT_DEG}.get(side.side)
            if truth is None or side.peak_deg is None:
                continue
            off = side.peak_deg - truth
            print(
                f"  {s.instrument} {s.from_s:.0f}-{s.to_s:.0f} s {side.side} ({s.method}): "
                f"{side.peak_deg:.1f} ± {side.peak_u95_deg}, truth {truth:.0f}: {off:+.1f}"
            )
            if abs(off) > NEAR_DEG:
                faults.append(f"{s.instrument} {side.side}: {off:+.1f} degrees off")
    seen = {(s.instrument, side.side) for s in found.strokes.stretches for side in s.sides if side.peak_deg}
    wanted = {
        ("pedals", "left"),
        ("pedals", "right"),
        ("heron", "left"),
        ("heron", "right"),
        ("raven", "left"),
    }
    return faults + [f"{label} {side}: no angle" for label, side in sorted(wanted - seen)]


def _blamed(found: Study, move_s: float, step_s: float) -> list[str]:
    """The move is the rider's, the step is the unit's, each at its moment."""
    faults = []
    for row in found.rider:
        spans = f"{row.before} against {row.after}"
        print(f"  {row.instrument} {spans}: {row.verdict}, {row.peak_angle_change_deg}")
        told = {k: getattr(row.stroke, k) for k in ("source", "side", "others", "confirmed")}
        print(f"    {json.dumps(told)}")
    rows = [r for r in found.rider if r.instrument == "heron"]
    move = [r for r in rows if abs(r.after[0] - move_s) <= NEAR_S and r.after[0] - r.before[1] < 1.0]
    step = [r for r in rows if abs(r.after[0] - step_s) <= NEAR_S and r.after[0] - r.before[1] < 1.0]
    if [r.verdict for r in move] != ["rider"]:
        faults.append(f"the rider's move: {[r.verdict for r in move]}")
    elif abs((move[0].peak_angle_change_deg or 0.0) - (MOVED_DEG - LEFT_DEG)) > 2.0 * NEAR_DEG:
        faults.append(f"the rider's move is {move[0].peak_angle_change_deg} degrees")
    if [r.verdict for r in step] != ["unit"]:
        faults.append(f"the unit's step: {[r.verdict for r in step]}")
    return faults


CASES = {"stroke": case_stroke, "run": case_run}


if __name__ == "__main__":
    sys.exit(main(__doc__, CASES))
