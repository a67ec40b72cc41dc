"""On the host: play a scenario in the radio lab, run the Bluetooth source in it, compare with what was sent.

    bluetooth_lab.py CASE ... [--lab FOLDER] [--out FOLDER] [--venv NAME]

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
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
Json = dict[str, Any]


def address(n: int) -> str:
    return f"C0:FF:EE:00:00:{n:02X}"


def sensor(n: int, kind: str, **more: Any) -> Json:
    return {"kind": kind, "name": f"Lab {n}", "address": address(n), **more}


class Outcome:
    """One run: what the sensors sent, what the source recorded."""

    def __init__(self, folder: Path, scenario: Json, names: dict[str, str], files: tuple[str, ...]) -> None:
        self.folder, self.names, self.devices = folder, names, scenario["devices"]
        self.truth = [r for r in read(folder / "truth.jsonl") if r["radio"] == "ble"]
        self.emulator = read(folder / "emulator.jsonl")
        self.zero = next(r["unix"] for r in self.emulator if r["event"] == "go")
        self.lines = [line for name in files for line in read(folder / "shared" / name)]
        self.faults: list[str] = []

    def fail(self, what: str) -> None:
        self.faults.append(what)

    def links(self, label: str) -> list[tuple[float, str, str]]:
        """(seconds since the start, state, reason) of a label."""
        return [
            (
                line["unix"] - self.zero,
                line["record"][3],
                line["record"][4] if len(line["record"]) > 4 else "",
            )
            for line in self.lines
            if "record" in line and line["record"][0] == "link" and line["record"][2] == label
        ]

    def packets(self, label: str, channel: str) -> list[tuple[float, str]]:
        return [
            (line["unix"], line["record"][4])
            for line in self.lines
            if "record" in line and line["record"][0] == "packet" and line["record"][2:4] == [label, channel]
        ]

    def compare(self, label: str, channel: str, gap_s: tuple[float, float] | None = None) -> None:
        """Everything sent was received, in order, once, until the source was closed.

        Losses in `gap_s` (from, to; seconds since the start) are counted but allowed: off the air.
        """
        closing = next((line["unix"] for line in self.lines if "closing" in line), float("inf"))
        got = [(t, p) for t, p in self.packets(label, channel) if t < closing]
        delays_ms: list[float] = []
        missing: list[float] = []
        matched = sent = 0
        for r in self.truth:
            if r["device"] != self.names[label] or r["characteristic"].upper() != channel or r["lost"]:
                continue
            if matched < len(got) and got[matched][1] == r["payload"]:
                delays_ms.append(1000 * (got[matched][0] - r["unix"]))
                matched += 1
            elif (
                r["unix"] < closing - 0.2
            ):  # what was on its way when the source was closed counts as not sent
                missing.append(r["unix"] - self.zero)
            else:
                continue
            sent += 1
        allowed = [t for t in missing if gap_s and gap_s[0] <= t <= gap_s[1]]
        delays_ms.sort()
        print(
            f"  {label:10} {channel}  sent {sent:4}  received {len(got):4}"
            f"  missing {len(missing)} ({len(allowed)} while off the air)"
        )
        if delays_ms:
            late_ms = delays_ms[int(0.99 * (len(delays_ms) - 1))]
            print(
                f"  {'':10} delay {statistics.median(delays_ms):.1f} ms,"
                f" 99 % {late_ms:.1f}, most {delays_ms[-1]:.1f}"
            )
        if sent < 10:
            self.fail(f"{label} {channel}: only {sent} packets were sent")
        if len(missing) > len(allowed):
            lost = [round(t, 2) for t in missing if t not in allowed]
            self.fail(f"{label} {channel}: lost packets at {lost[:10]} s")
        if matched < len(got):
            strange = len(got) - matched
            self.fail(f"{label} {channel}: {strange} packets doubled, out of order or never sent")

    def expect_states(self, label: str, states: list[str]) -> None:
        got = [state for _, state, _ in self.links(label)]
        if got != states:
            self.fail(f"{label}: states {got}, expected {states}")

    def show_links(self) -> None:
        for label in self.names:
            for t, state, reason in self.links(label):
                print(f"  {label:10} {t:8.3f} s  {state:10} {reason}")

    def told(self, label: str) -> list[str]:
        """Channels of the values that were read."""
        measured = {"2A63", "2AD2", "2A5B"}
        return [
            c
            for c in dict.fromkeys(
                line["record"][3]
                for line in self.lines
                if "record" in line and line["record"][0] == "packet" and line["record"][2] == label
            )
            if c not in measured
        ]


def read(path: Path) -> list[Json]:
    return [json.loads(line) for line in path.read_text().splitlines()] if path.exists() else []


class Lab:
    def __init__(self, folder: Path, out: Path, venv: str) -> None:
        self.folder, self.out, self.venv = folder, out, venv

    def play(
        self,
        case: str,
        scenario: Json,
        names: dict[str, str],
        *command: str,
        files: tuple[str, ...] = ("records.jsonl",),
        timeout_s: int = 300,
    ) -> Outcome:
        out = self.out / case
        out.mkdir(parents=True, exist_ok=True)
        (out / "scenario.json").write_text(json.dumps({"ant_stick": False, **scenario}))
        subprocess.run(
            [
                self.folder / "run",
                out / "scenario.json",
                out,
                "--project",
                ROOT,
                "--venv",
                self.venv,
                "--timeout",
                str(timeout_s),
                "--env",
                "PYTHONPATH=/project",
                "--",
                *command,
            ],
            check=False,
        )
        print(f"{case}: {(out / 'rc').read_text().strip() if (out / 'rc').exists() else 'did not end'}")
        return Outcome(out, scenario, names, files)


GUEST = ("python", "tests/lab/bluetooth_guest.py")


def basic(lab: Lab) -> Outcome:
    """One of each kind: all packets equal what was sent, in order; what stands still is read; writes."""
    scenario = {
        "power": [[0, 150], [30, 150], [30, 250]],
        "devices": [
            sensor(1, "dual", left=48.5, zero_offset=-12, battery=83, firmware="1.4.2"),
            sensor(2, "total", rate=1, zero_offset=305),
            sensor(3, "trainer", delay=0.5),
            sensor(4, "cadence", rate=1),
            sensor(5, "speed_cadence", rate=1),
        ],
    }
    names = {
        "dual": "Lab 1",
        "spider": "Lab 2",
        "power": "Lab 3",
        "machine": "Lab 3",
        "cadence": "Lab 4",
        "combined": "Lab 5",
    }
    outcome = lab.play(
        "basic",
        scenario,
        names,
        *GUEST,
        "records.jsonl",
        "60",
        f"dual=bluetooth:{address(1)}",
        "spider=bluetooth:name=Lab 2",
        f"power=bluetooth:{address(3)},cycling-power",
        f"machine=bluetooth:{address(3)},fitness-machine",
        f"cadence=bluetooth:{address(4)}",
        f"combined=bluetooth:{address(5)}",
        "--at",
        "30",
        "write",
        "dual",
        "2A66",
        "0c",
        "--at",
        "32",
        "write",
        "spider",
        "2A66",
        "05",
        "--at",
        "34",
        "write",
        "machine",
        "2AD9",
        "00",
        "--at",
        "36",
        "write",
        "machine",
        "2AD9",
        "05c800",
    )
    channels = {
        "dual": "2A63",
        "spider": "2A63",
        "power": "2A63",
        "machine": "2AD2",
        "cadence": "2A5B",
        "combined": "2A5B",
    }
    for label, channel in channels.items():
        outcome.compare(label, channel)
        outcome.expect_states(label, ["searching", "connecting", "up"])
        print(f"  {label:10} read {' '.join(outcome.told(label))}")
    for label, needed in {
        "dual": ("2A29", "2A24", "2A25", "2A26", "2A27", "2A65", "2A5D", "2A19"),
        "machine": ("2ACC", "2AD8", "2A26", "2A19"),
    }.items():
        if not set(needed) <= set(outcome.told(label)):
            outcome.fail(f"{label}: read only {outcome.told(label)}")
    writes = [(line["write"][2], line["outcome"]) for line in outcome.lines if "write" in line]
    print("  writes", writes)
    if [w[1] for w in writes] != ["sent"] * 4:
        outcome.fail(f"writes: {writes}")
    answers = {
        "dual": ("2A66", ["200c01f4ff"]),
        "spider": ("2A66", ["200502"]),
        "machine": ("2AD9", ["800001", "800501"]),
    }
    for label, (channel, expected) in answers.items():
        got = [p for _, p in outcome.packets(label, channel)]
        if got != expected:
            outcome.fail(f"{label} answered {got}, expected {expected}")
    if not any(p == "08c800" for _, p in outcome.packets("machine", "2ADA")):
        outcome.fail("the trainer's status was not notified")
    return outcome


def dropout(lab: Lab) -> Outcome:
    """A link that times out and one that says goodbye: both go down, both come back, nothing else is lost."""
    gap = (20.0, 30.0)
    scenario = {
        "devices": [
            sensor(1, "dual", dropouts=[gap]),
            sensor(2, "total", dropouts=[gap], dropout_kind="clean"),
            sensor(3, "total", noise=3),
        ]
    }
    names = {"silent": "Lab 1", "clean": "Lab 2", "stays": "Lab 3"}
    outcome = lab.play(
        "dropout",
        scenario,
        names,
        *GUEST,
        "records.jsonl",
        "50",
        *(f"{label}=bluetooth:{address(n)}" for n, label in enumerate(names, 1)),
    )
    outcome.show_links()
    outcome.expect_states("stays", ["searching", "connecting", "up"])
    for label in names:
        outcome.compare(label, "2A63", None if label == "stays" else (gap[0] - 0.1, gap[1]))
    for label in ("silent", "clean"):
        states = [(t, s) for t, s, _ in outcome.links(label)]
        if not returned(outcome, label, gap):
            outcome.fail(f"{label}: {states}")
    return outcome


def returned(outcome: Outcome, label: str, gap: tuple[float, float]) -> bool:
    """Up before the gap, down soon after its start, up soon after its end."""
    states = [(t, s) for t, s, _ in outcome.links(label)]
    ups = [t for t, s in states if s == "up"]
    downs = [t for t, s in states if s == "down"]
    if len(ups) != 2 or not downs:
        return False
    print(f"  {label:10} down {downs[0] - gap[0]:.2f} s into the gap, up {ups[1] - gap[1]:.2f} s after it")
    return ups[0] < gap[0] < downs[0] < gap[0] + 3 and gap[1] < ups[1] < gap[1] + 12


def crowd(lab: Lab) -> Outcome:
    """Eight sensors at once: all come up, and no notification sent after the subscription is lost."""
    devices = [
        sensor(1, "dual", noise=3, interval_ms=48.75),
        sensor(2, "dual", rate=1, left=[[0, 50], [60, 44]]),
        sensor(3, "total", gain=1.03, interval_ms=30),
        sensor(4, "total", rate=1, loss=0.1),
        sensor(5, "total", frozen=[[40, 46]], spikes=[[50, 1800]]),
        sensor(6, "trainer", delay=0.8, noise=2),
        sensor(7, "trainer", rate=2),
        sensor(8, "cadence", rate=2),
    ]
    names = {f"s{n}": f"Lab {n}" for n in range(1, 9)}
    outcome = lab.play(
        "crowd",
        {"power": [[0, 120], [20, 280], [40, 160], [60, 320]], "devices": devices},
        names,
        *GUEST,
        "records.jsonl",
        "90",
        *(f"s{n}=bluetooth:{address(n)}" for n in range(1, 9)),
    )
    short = 0
    for n, device in enumerate(devices, 1):
        for channel in {"cadence": ("2A5B",), "trainer": ("2A63", "2AD2")}.get(device["kind"], ("2A63",)):
            outcome.compare(f"s{n}", channel)
        states = [s for _, s, _ in outcome.links(f"s{n}")]
        short += states.count("down")
        if states[-1:] != ["up"]:
            outcome.fail(f"s{n}: {states}")
    ups = sorted(next((t for t, s, _ in outcome.links(f"s{n}") if s == "up"), 999.0) for n in range(1, 9))
    began = next(line["unix"] for line in outcome.lines if "check" in line) - outcome.zero
    print(f"  up after {', '.join(f'{t - began:.1f}' for t in ups)} s; connected anew {short} times")
    return outcome


def adapter(lab: Lab) -> Outcome:
    """The adapter is switched off and on, the system's service killed and started: all links return."""
    set_power = (
        "dbus-send --system --print-reply --dest=org.bluez /org/bluez/hci0"
        " org.freedesktop.DBus.Properties.Set string:org.bluez.Adapter1 string:Powered variant:boolean:{}"
    )
    names = {"one": "Lab 1", "two": "Lab 2"}
    outcome = lab.play(
        "adapter",
        {"devices": [sensor(1, "dual"), sensor(2, "total")]},
        names,
        *GUEST,
        "records.jsonl",
        "130",
        *(f"{label}=bluetooth:{address(n)}" for n, label in enumerate(names, 1)),
        "--at",
        "20",
        "shell",
        set_power.format("false"),
        "--at",
        "35",
        "shell",
        set_power.format("true"),
        "--at",
        "60",
        "shell",
        "kill -9 $(busybox pidof bluetoothd)",
        "--at",
        "75",
        "shell",
        "/usr/libexec/bluetooth/bluetoothd -n",
    )
    outcome.show_links()
    for label in names:
        states = [s for _, s, _ in outcome.links(label)]
        if states.count("radio-lost") < 1 or states.count("up") != 3 or states[-1] != "up":
            outcome.fail(f"{label}: {states}")
    return outcome


def crash(lab: Lab) -> Outcome:
    """A program is killed and leaves its link standing; the next one takes it over."""
    names = {"one": "Lab 1", "two": "Lab 2"}
    guest = " ".join(GUEST)
    words = " ".join(f"{label}=bluetooth:{address(n)}" for n, label in enumerate(names, 1))
    outcome = lab.play(
        "crash",
        {"devices": [sensor(1, "dual"), sensor(2, "total")]},
        names,
        "sh",
        "-c",
        f"timeout -s KILL 20 {guest} killed.jsonl 100 {words}; {guest} records.jsonl 40 {words}",
    )
    outcome.show_links()
    for label in names:
        ups = [t for t, state, _ in outcome.links(label) if state == "up"]
        if len(ups) != 1:
            outcome.fail(f"{label} did not come up and stay")
        else:  # what was sent before went to the program that was killed
            outcome.compare(label, "2A63", (0.0, ups[0]))
    return outcome


def search(lab: Lab) -> Outcome:
    """`find` lists every sensor with its profiles, battery and firmware."""
    devices = [
        sensor(1, "dual", battery=41, firmware="9.1"),
        sensor(2, "trainer", battery=7),
        sensor(3, "cadence"),
    ]
    outcome = lab.play("search", {"devices": devices}, {}, *GUEST, "records.jsonl", "find", "6")
    sightings = [line["sighting"] for line in outcome.lines if "sighting" in line]
    for sighting in sightings:
        print(" ", sighting)
    got = {
        s["link"]: (s["name"], tuple(s["profiles"]), s["battery_percent"], s["firmware"]) for s in sightings
    }
    expected = {
        f"bluetooth:{address(1)}": ("Lab 1", ("cycling-power",), 41.0, "9.1"),
        f"bluetooth:{address(2)}": ("Lab 2", ("cycling-power", "fitness-machine"), 7.0, "1.2.3"),
        f"bluetooth:{address(3)}": ("Lab 3", ("speed-cadence",), 80.0, "1.2.3"),
    }
    if got != expected:
        outcome.fail(f"found {got}")
    return outcome


CASES: dict[str, Callable[[Lab], Outcome]] = {
    "basic": basic,
    "dropout": dropout,
    "crowd": crowd,
    "adapter": adapter,
    "crash": crash,
    "search": search,
}


def faults(lab: Lab, cases: list[str]) -> Iterator[str]:
    for case in cases:
        for fault in CASES[case](lab).faults:
            yield f"{case}: {fault}"


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("cases", nargs="*", choices=[*CASES, []], metavar="CASE", help=", ".join(CASES))
    parser.add_argument(
        "--lab", type=Path, default=os.environ.get("RADIO_LAB"), help="folder of the lab's `run`"
    )
    parser.add_argument("--out", type=Path, help="folder for results (default: a temporary one)")
    parser.add_argument("--venv", default="pw", help="the lab's program environment")
    options = parser.parse_args()
    if options.lab is None:
        parser.error("say where the lab is: --lab FOLDER or RADIO_LAB")
    out = options.out or Path(tempfile.mkdtemp(prefix="bluetooth-lab-"))
    found = list(faults(Lab(Path(options.lab), out, options.venv), options.cases or list(CASES)))
    print(*(f"FAILED {fault}" for fault in found), f"results in {out}", sep="\n")
    return bool(found)


if __name__ == "__main__":
    sys.exit(main())
