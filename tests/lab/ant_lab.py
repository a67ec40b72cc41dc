"""On the host: play a scenario in the radio lab, run the ANT+ source in it, compare with what was sent.

    ant_lab.py CASE ... [--lab FOLDER] [--out FOLDER] [--venv NAME]

The lab's folder is `--lab` or $RADIO_LAB: its `run` is called. Exits with 1 if a case fails.
See README.md.
"""

import argparse
import json
import os
import statistics
import subprocess
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from capture.ant_frames import Extended  # noqa: E402  # the folder has to be known first
from capture.profiles import decode  # noqa: E402
from capture.profiles.ant_common import Facts, RequestPage  # noqa: E402
from capture.profiles.ant_power import Calibration  # noqa: E402
from capture.profiles.ant_trainer import TargetPower  # noqa: E402

Json = dict[str, Any]


def sensor(number: int, kind: str, **more: Any) -> Json:
    return {"kind": kind, "name": f"Lab {number}", "ant_id": number, "radios": ["ant"], **more}


class Outcome:
    """One run: what the sensors sent, what the source recorded."""

    def __init__(self, folder: Path, links: dict[str, str]) -> None:
        self.links, self.faults = links, list[str]()
        self.truth = [r for r in read(folder / "truth.jsonl") if r["radio"] == "ant"]
        self.emulator = read(folder / "emulator.jsonl")
        self.zero = next(r["unix"] for r in self.emulator if r["event"] == "go")
        self.lines = read(folder / "shared" / "records.jsonl")
        self.closing = next((line["unix"] for line in self.lines if "closing" in line), float("inf"))

    def fail(self, what: str) -> None:
        self.faults.append(what)

    def records(self, kind: str, label: str) -> list[tuple[float, list[Any]]]:
        """(seconds since the start, fields after the label) of records of a kind."""
        return [
            (line["unix"] - self.zero, line["record"][3:])
            for line in self.lines
            if "record" in line and line["record"][0] == kind and line["record"][2] == label
        ]

    def states(self, label: str) -> list[tuple[float, str]]:
        return [(t, rest[0]) for t, rest in self.records("link", label) if rest[0] != "missed"]

    def missed(self, label: str) -> list[float]:
        return [t for t, rest in self.records("link", label) if rest[0] == "missed"]

    def sent(self, label: str) -> list[Json]:
        """What was on the air for a label from its first packet on, until closing."""
        _, kind, number = self.links[label].split(":")
        device_type = {"power": 11, "trainer": 17, "cadence": 122, "speed-cadence": 121}[kind]
        rows = [
            r
            for r in self.truth
            if r["device_type"] == device_type
            and r["device"] == f"Lab {number}"
            and r["unix"] < self.closing - 0.2
        ]
        first = next((i for i, r in enumerate(rows) if r["received"]), len(rows))
        return rows[first:]

    def compare(self, label: str) -> None:
        """All that the stick delivered is there, once, in order; pages and extensions decode; it is told."""
        sent = [r for r in self.sent(label) if r["received"]]
        packets = [(t, rest) for t, rest in self.records("packet", label) if t < self.closing - self.zero]
        delays_ms, missing, i = [], 0, 0
        for row in sent:
            if i < len(packets) and packets[i][1][1] == row["payload"]:
                delays_ms.append(1000 * (packets[i][0] + self.zero - row["unix"]))
                i += 1
            else:
                missing += 1
        late = sum(t + self.zero >= self.closing - 0.25 for t, _ in packets[i:])
        strange = len(packets) - i - late
        delays_ms.sort()
        print(
            f"  {label:10} delivered {len(sent):4}  recorded {i:4}  missing {missing}  slots missed "
            f"{len(self.missed(label)):3}"
            + (
                f"  delay {statistics.median(delays_ms):.1f} ms, 99 % {delays_ms[int(0.99 * (i - 1))]:.1f}, "
                f"most {delays_ms[-1]:.1f}"
                if delays_ms
                else ""
            )
        )
        if len(sent) < 40 or missing or strange > 0:
            self.fail(f"{label}: {len(sent)} delivered, {missing} missing, {strange} doubled or never sent")
        for _, (channel, data, extra) in packets:
            reading = decode(channel, bytes.fromhex(data))
            extended = Extended.from_bytes(bytes.fromhex(extra))
            if (
                not reading.item.startswith(channel)
                or extended.receive_ticks is None
                or extended.rssi_dbm is None
                or f"ant{extended.device_type}" != channel
            ):
                self.fail(f"{label}: {data} {extra} decodes to {reading}, {extended}")
                break
        told = {rest[0]: rest[1] for _, rest in self.records("told", label)}
        if set(told) != {"ant_id", "rssi_dbm"} or told["ant_id"] != self.links[label].split(":")[2]:
            self.fail(f"{label}: told {told}")

    def expect_states(self, label: str, states: list[str]) -> None:
        got = [state for _, state in self.states(label)]
        if got != states:
            self.fail(f"{label}: states {got}, expected {states}")

    def expect_write(self, number: int, outcome: str = "sent") -> None:
        writes = [line for line in self.lines if "write" in line]
        if number >= len(writes):
            self.fail(f"write {number} was not tried")
            return
        got = writes[number]
        print(f"  write {' '.join(got['write'])}: {got['outcome']} after {got['seconds']:.2f} s")
        if got["outcome"] != outcome:
            self.fail(f"write {got['write']}: {got['outcome']}, expected {outcome}")

    def facts(self, label: str, page: int) -> list[Facts]:
        """What the pages with this number told."""
        readings = [
            decode(rest[0], bytes.fromhex(rest[1]))
            for _, rest in self.records("packet", label)
            if int(rest[1][:2], 16) == page
        ]
        return [reading.facts or {} for reading in readings]

    def expect_set_target(self, power_w: float) -> None:
        """The trainer itself says which target it took."""
        set_w = [event["watts"] for event in self.emulator if event["event"] == "target-power"]
        if set_w != [power_w]:
            self.fail(f"the trainer took the targets {set_w}")

    def expect_closed(self) -> None:
        closed = next((line for line in self.lines if "closed_s" in line), None)
        if closed is None or "ant-reader" in closed["threads"]:
            self.fail(f"not closed: {closed}")
        else:
            print(f"  closed, and opened again, in {closed['closed_s']:.2f} s")


def read(path: Path) -> list[Json]:
    return [json.loads(line) for line in path.read_text().splitlines()] if path.exists() else []


class Lab:
    def __init__(self, folder: Path, out: Path, venv: str) -> None:
        self.folder, self.out, self.venv = folder, out, venv

    def play(self, case: str, scenario: Json, links: dict[str, str], *arguments: str) -> Outcome:
        out = self.out / case
        out.mkdir(parents=True, exist_ok=True)
        (out / "scenario.json").write_text(json.dumps(scenario))
        guest = ["python", "tests/lab/ant_guest.py", "records.jsonl", *arguments]
        subprocess.run(
            [
                self.folder / "run",
                out / "scenario.json",
                out,
                "--project",
                ROOT,
                "--venv",
                self.venv,
                "--env",
                "PYTHONPATH=/project",
                "--",
                *guest,
            ],
            check=False,
        )
        outcome = Outcome(out, links)
        code = (out / "rc").read_text().strip() if (out / "rc").exists() else "none"
        print(f"{case}: exit status {code}")
        if code != "0":
            outcome.fail(f"exit status {code}: {(out / 'stderr').read_text()[-2000:]}")
        return outcome


def run(lab: Lab, case: str, scenario: Json, seconds: float, links: dict[str, str], *actions: str) -> Outcome:
    words = [f"{label}={link}" for label, link in links.items()]
    outcome = lab.play(case, scenario, links, str(seconds), *words, *actions)
    for label in links:
        for t, state in outcome.states(label):
            print(f"  {label:10} {t:8.3f} s  {state}")
    return outcome


def basic(lab: Lab) -> Outcome:
    """One of each kind: everything delivered is recorded; zero offset, page request, target power."""
    scenario = {
        "power": [[0, 150], [30, 150], [30, 250]],
        "devices": [
            sensor(4001, "dual", left=48.5, zero_offset=-12, firmware="1.4.2"),
            sensor(4002, "total", rate=1, zero_offset=305),
            sensor(4003, "trainer", delay=0.5),
            sensor(4004, "cadence", rate=1),
            sensor(4005, "speed_cadence", rate=1),
        ],
    }
    links = {
        "dual": "ant:power:4001",
        "spider": "ant:power:4002",
        "trainer": "ant:trainer:4003",
        "cadence": "ant:cadence:4004",
        "combined": "ant:speed-cadence:4005",
    }
    outcome = run(
        lab,
        "basic",
        scenario,
        50,
        links,
        "--at",
        "10",
        "write",
        "dual",
        "ant11",
        bytes(Calibration.zero_request()).hex(),
        "--at",
        "14",
        "write",
        "trainer",
        "ant17",
        bytes(TargetPower.of(200)).hex(),
        "--at",
        "15",
        "write",
        "trainer",
        "ant17",
        bytes(RequestPage(page=0x47)).hex(),
        "--at",
        "16",
        "write",
        "spider",
        "ant17",
        bytes(TargetPower.of(200)).hex(),
    )
    for label in links:
        outcome.compare(label)
        outcome.expect_states(label, ["searching", "up"])
        if outcome.missed(label):
            outcome.fail(f"{label}: slots missed that were sent")
    for number in range(3):
        outcome.expect_write(number)
    outcome.expect_write(3, "spider is ant11, not ant17")
    zeroed = outcome.facts("dual", 0x01)
    if not zeroed or (zeroed[0]["zero_offset_outcome"], zeroed[0]["zero_offset_raw"]) != ("success", -12):
        outcome.fail(f"zero offset answered {zeroed}")
    status = outcome.facts("trainer", 0x47)
    if not status or status[0].get("target_power_w") != 200:
        outcome.fail(f"target power confirmed {status}")
    outcome.expect_set_target(200)
    outcome.expect_closed()
    return outcome


def dropout(lab: Lab) -> Outcome:
    """One meter is away for 10 s: its missed slots, down and up; nothing is lost of the others."""
    away = (20.0, 30.0)
    scenario = {
        "devices": [
            sensor(5001, "dual", dropouts=[away]),
            sensor(5002, "total", noise=3),
            sensor(5003, "trainer"),
        ]
    }
    links = {"drops": "ant:power:5001", "stays": "ant:power:5002", "trainer": "ant:trainer:5003"}
    outcome = run(
        lab,
        "dropout",
        scenario,
        50,
        links,
        "--at",
        "20",
        "write",
        "drops",
        "ant11",
        bytes(Calibration.zero_request()).hex(),
    )
    for label in links:
        outcome.compare(label)
    outcome.expect_states("stays", ["searching", "up"])
    outcome.expect_states("trainer", ["searching", "up"])
    outcome.expect_states("drops", ["searching", "up", "down", "up"])
    times = [t for t, _ in outcome.states("drops")]
    if len(times) == 4:
        print(f"  down {times[2] - away[0]:.2f} s into the gap, up {times[3] - away[1]:.2f} s after it")
        if not (away[0] + 1.5 < times[2] < away[0] + 3 and away[1] <= times[3] < away[1] + 1):
            outcome.fail(f"down and up at {times[2:]}, away {away}")
    if len(outcome.missed("drops")) != 8:
        outcome.fail(f"{len(outcome.missed('drops'))} slots missed, the stick gives up after 8")
    writes = [line["outcome"] for line in outcome.lines if "write" in line]
    print(f"  write into the gap: {writes}")
    if len(writes) != 1 or not writes[0].startswith("drops "):
        outcome.fail(f"a write into the gap ended as {writes}")
    outcome.expect_closed()
    return outcome


def crowd(lab: Lab) -> Outcome:
    """Eight channels, all that the stick has; one sensor loses a tenth of its messages."""
    kinds = ["dual", "dual", "total", "total", "trainer", "trainer", "cadence", "speed_cadence"]
    devices = [
        sensor(6000 + n, kind, rate=1 + n % 4, noise=n, **({"loss": 0.1} if n == 3 else {}))
        for n, kind in enumerate(kinds)
    ]
    words = {
        "dual": "power",
        "total": "power",
        "trainer": "trainer",
        "cadence": "cadence",
        "speed_cadence": "speed-cadence",
    }
    links = {f"s{n}": f"ant:{words[kind]}:{6000 + n}" for n, kind in enumerate(kinds)}
    scenario = {"seed": 7, "power": [[0, 120], [20, 280], [40, 160]], "devices": devices}
    outcome = run(lab, "crowd", scenario, 60, links)
    for label in links:
        outcome.compare(label)
        outcome.expect_states(label, ["searching", "up"])
        lost = sum(row["lost"] for row in outcome.sent(label))
        # One more may be lost on purpose between the first reception and the end of the comparison.
        if abs(len(outcome.missed(label)) - lost) > 1:
            outcome.fail(f"{label}: {len(outcome.missed(label))} slots missed, {lost} lost on purpose")
    outcome.expect_closed()
    return outcome


def pulled(lab: Lab) -> Outcome:
    """The stick is gone for 6 s: radio-lost, looked for, found, all instruments up again."""
    scenario = {"devices": [sensor(7001, "dual"), sensor(7002, "cadence")]}
    links = {"dual": "ant:power:7001", "cadence": "ant:cadence:7002"}
    outcome = run(
        lab, "pulled", scenario, 45, links, "--at", "12", "stick", "out", "--at", "18", "stick", "in"
    )
    for label in links:
        outcome.expect_states(label, ["searching", "up", "radio-lost", "searching", "up"])
        for t, rest in outcome.records("link", label):
            if rest[0] == "radio-lost":
                print(f"  {label:10} {t:8.3f} s  {rest[1]}")
    outcome.expect_closed()
    return outcome


def any_one(lab: Lab) -> Outcome:
    """A link without a number: it takes the first of its kind, and stays with it through a dropout.

    The lab's stick takes a list of instruments to be passed by, but does not use it; so there is no other
    of this kind in the bench.
    """
    scenario = {
        "devices": [
            sensor(7101, "cadence"),
            sensor(7102, "total", start=8, dropouts=[[20, 30]]),
            sensor(7103, "total", start=24),
        ]
    }
    links = {"named": "ant:cadence:7101", "any": "ant:power:0"}
    outcome = run(lab, "any_one", scenario, 45, links)
    outcome.expect_states("any", ["searching", "up", "down", "up"])
    times = [t for t, _ in outcome.states("any")]
    if len(times) == 4 and times[3] < 30:
        outcome.fail(f"up again at {times[3]}, while the instrument was away")
    told = [rest for _, rest in outcome.records("told", "any") if rest[0] == "ant_id"]
    numbers = {
        Extended.from_bytes(bytes.fromhex(rest[2])).device_number
        for _, rest in outcome.records("packet", "any")
    }
    print(f"  any: told {told}, pages of {numbers}, {[s for _, s in outcome.states('any')]}")
    if numbers != {7102}:
        outcome.fail(f"pages of {numbers} were taken as the same instrument")
    outcome.compare("named")
    return outcome


def found(lab: Lab) -> Outcome:
    """What is in range, with firmware and battery of those that can be asked."""
    scenario = {
        "devices": [
            sensor(8001, "dual", firmware="1.4.2", serial="4001", battery=83),
            sensor(8002, "trainer"),
            sensor(8003, "cadence"),
            sensor(8004, "speed_cadence"),
        ]
    }
    outcome = lab.play("found", scenario, {}, "find", "10")
    sightings = [line["sighting"] for line in outcome.lines]
    for sighting in sightings:
        print(" ", sighting)
    expected = [
        "ant:power:8001",
        "ant:power:8002",
        "ant:trainer:8002",
        "ant:speed-cadence:8004",
        "ant:cadence:8003",
    ]
    if [s["link"] for s in sightings] != expected:
        outcome.fail(f"found {[s['link'] for s in sightings]}, expected {expected}")
    elif sightings[0]["firmware"] != "1.402" or "battery good" not in sightings[0]["detail"]:
        outcome.fail(f"not told: {sightings[0]}")
    return outcome


def too_many(lab: Lab) -> Outcome:
    """Nine instruments on a stick of eight channels: refused, naming the limit."""
    links = {f"s{n}": f"ant:power:{9000 + n}" for n in range(9)}
    outcome = lab.play(
        "too_many",
        {"devices": [sensor(9000, "total")]},
        links,
        "10",
        *(f"{label}={link}" for label, link in links.items()),
    )
    refused = [line["refused"] for line in outcome.lines if "refused" in line]
    print(f"  {refused}")
    outcome.faults = [] if refused and "8 channels" in refused[0] else [f"refused with {refused}"]
    return outcome


CASES: dict[str, Callable[[Lab], Outcome]] = {
    "basic": basic,
    "dropout": dropout,
    "crowd": crowd,
    "pulled": pulled,
    "any-one": any_one,
    "found": found,
    "too-many": too_many,
}


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("cases", nargs="+", choices=CASES)
    parser.add_argument("--lab", type=Path, default=os.environ.get("RADIO_LAB"))
    parser.add_argument("--out", type=Path)
    parser.add_argument("--venv", default="ant")
    options = parser.parse_args()
    if options.lab is None:
        parser.error("where is the lab? --lab FOLDER or $RADIO_LAB")
    out = options.out or Path(tempfile.mkdtemp(prefix="ant-lab-"))
    lab = Lab(options.lab, out, options.venv)
    faults = {case: CASES[case](lab).faults for case in options.cases}
    for case, found_faults in faults.items():
        print(f"{case}: {'passed' if not found_faults else 'FAILED'}")
        for fault in found_faults:
            print(f"  {fault}")
    print(f"left in {out}")
    return 1 if any(faults.values()) else 0


if __name__ == "__main__":
    sys.exit(main())
