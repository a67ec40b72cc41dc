"""On the host: what goes wrong in an evening, on real radio stacks, and what the session says of it.

    trouble_lab.py [adapter stick held slow control capable stroke ...] [--lab FOLDER] [--venv NAME]
                   [--out FOLDER]

The guest runs `python -m monitor.cli run` on real links while the lab pulls the stick, switches the adapter
off, holds packets back or takes the trainer away. Exits with 1 if a case fails. See README.md.
"""

import argparse
import functools
import json
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from capture.profiles import decode
from capture.profiles.fitness_machine import REQUEST_CONTROL
from capture.record import Act, Link, Packet, Record, Write
from storage.journal import read_journal
from tests.lab.evening_lab import RUN, command, compare_means, findings, replay_equals, show, zero
from tests.lab.host import Json, Lab, bench, instrument, link, main, sensor

claimed = functools.partial(instrument, claim_percent=1.5)
NAMES = {"pedals": ("Lab 1", "ble"), "spider": ("Lab 2", "ble"), "heron": ("Lab 3", "ant")}
SETTLED_S = 12
"""Seconds after a link's return until its means are compared."""


def three(**scenario: object) -> tuple[Json, str]:
    """Two meters over Bluetooth and one over ANT+, ridden evenly."""
    devices = [
        sensor(1, "dual", noise=1),
        sensor(2, "total", noise=1),
        sensor(3, "total", radios=["ant"], noise=1),
    ]
    text = bench(
        "heron",
        claimed("heron", "ant:power:4003", role="reference", mount="spider"),
        claimed("pedals", link(1), mount="pedals", sides="both"),
        claimed("spider", link(2), mount="crank"),
    )
    return {"seed": 21, "power": 200, "cadence": 85, "devices": devices, **scenario}, text


def shift_s(lab: Lab) -> float:
    """What to take from session seconds to have the scenario's."""
    header, _ = read_journal(lab.session())
    return zero(lab) - header.utc_ns / 1e9


def records(lab: Lab) -> list[Record]:
    return list(read_journal(lab.session())[1])


def gone(
    lab: Lab, found: list[Json], away: tuple[str, ...], begin_s: float, end_s: float, late_s: float
) -> list[str]:
    """Those that are away are lost and come back; nothing else is raised, of anybody."""
    shift, faults = shift_s(lab), []
    for label in away:
        events = [(f["event"], f["t_s"] - shift) for f in found
                  if f.get("kind") == "signal-lost" and f["instrument"] == label]  # fmt: skip
        print(f"  {label:8} away {begin_s}..{end_s} s: {[(event, round(t, 1)) for event, t in events]}")
        good = (
            [event for event, _ in events] == ["raised", "cleared"]
            and begin_s + 2 <= events[0][1] <= begin_s + 5
            and end_s <= events[1][1] <= end_s + late_s
        )
        if not good:
            faults.append(f"{label}: {events}")
    others = [f for f in found if f["event"] == "raised"
              and not (f["kind"] == "signal-lost" and f["instrument"] in away)]  # fmt: skip
    return faults + [f"raised: {f['kind']} {f['instrument']} at {f['t_s']} s" for f in others]


def told(lab: Lab, label: str) -> list[str]:
    return [each.state for each in records(lab) if isinstance(each, Link) and each.instrument == label]


def case_adapter(args: argparse.Namespace) -> list[str]:
    """The Bluetooth adapter is off for eight seconds: its two meters are lost and back, ANT+ stays."""
    scenario, text = three(adapter_off=[[60, 68]])
    lab = Lab(args, "adapter", scenario, {"bench.toml": text})
    out = command(lab, *RUN, "--seconds", "115", timeout_s=320)
    found = findings(out)
    show(found)
    faults = gone(lab, found, ("pedals", "spider"), 60, 68, 20)
    for label in ("pedals", "spider"):
        states = told(lab, label)
        print(f"  {label:8} {states}")
        if "radio-lost" not in states or states[-1] != "up":
            faults.append(f"{label}: {states}")
    faults += compare_means(lab, {"heron": NAMES["heron"]}, shift_s(lab) + 58, 45)
    return faults + replay_equals(lab, out)


def case_stick(args: argparse.Namespace) -> list[str]:
    """The ANT stick is pulled for six seconds: its meter is lost and back, Bluetooth loses nothing."""
    scenario, text = three(ant_stick_pulled=[[60, 66]])
    lab = Lab(args, "stick", scenario, {"bench.toml": text})
    out = command(lab, *RUN, "--seconds", "105", timeout_s=320)
    found = findings(out)
    show(found)
    faults = gone(lab, found, ("heron",), 60, 66, 15)
    states = told(lab, "heron")
    print(f"  heron    {states}")
    if "radio-lost" not in states or states[-1] != "up":
        faults.append(f"heron: {states}")
    names = {label: NAMES[label] for label in ("pedals", "spider")}
    return faults + compare_means(lab, names, shift_s(lab) + 45, 45) + replay_equals(lab, out)


def case_held(args: argparse.Namespace) -> list[str]:
    """Packets of one meter are held back for two and for four seconds, then come at once: no work is lost."""
    scenario, text = three()
    scenario["devices"][0]["stalls"] = [[60, 62], [75, 79]]
    lab = Lab(args, "held", scenario, {"bench.toml": text})
    out = command(lab, *RUN, "--seconds", "105", timeout_s=320)
    found = findings(out)
    show(found)
    faults = [f"raised: {f['kind']} {f['instrument']}" for f in found if f["event"] == "raised"
              and (f["kind"], f["instrument"]) != ("signal-lost", "pedals")]  # fmt: skip
    return faults + compare_means(lab, NAMES, shift_s(lab) + 45, 45) + replay_equals(lab, out)


STOPPED = """\
(sleep {at}; P=$(sed -n 's/.*"pid":\\([0-9]*\\).*/\\1/p' /out/sessions/*/live.json); kill -STOP $P; \
sleep {seconds}; kill -CONT $P) & exec python -m monitor.cli {words}"""


def case_slow(args: argparse.Namespace) -> list[str]:
    """The recorder stands still for five seconds, as on a computer that is too slow: that, and no link."""
    scenario, text = three()
    lab = Lab(args, "slow", scenario, {"bench.toml": text})
    words = " ".join([*RUN, "--seconds", "100"])
    if lab.run(STOPPED.format(at=60, seconds=5, words=words), 320):
        return ["failed"]
    found = findings(lab.printed)
    show(found)
    late = [f["value"] for f in found if f["event"] == "raised" and f["kind"] == "stamps-late"]
    faults = [f"raised: {f['kind']} {f['instrument']}" for f in found if f["event"] == "raised"
              and f["kind"] != "stamps-late"]  # fmt: skip
    if not late or not 3.0 <= max(late) <= 8.0:
        faults.append(f"stamps late by {late} s")
    return faults + compare_means(lab, NAMES, shift_s(lab) + 50, 40) + replay_equals(lab, lab.printed)


LOST_S = 190
"""When another program takes the trainer, seconds of the scenario."""
PROTOCOL = """\
[[segment]]
name = "held"
seconds = {held_s}
target_w = 200
cadence_rpm = 85
[[segment]]
name = "free"
seconds = 600
free = true
"""


def ridden(
    args: argparse.Namespace,
    name: str,
    device: Json,
    keys: list[list[object]],
    timeout_s: int,
    *,
    ant: bool,
    held_s: int,
) -> Lab | None:
    """A trainer held by a protocol, keys typed in a real terminal; None if that failed."""
    scenario = {"seed": 22, "power": 150, "cadence": 85, "follows_target": True, "devices": [
        {**sensor(1, "trainer", radios=["ant" if ant else "ble"]), **device}, sensor(2, "dual", noise=1),
    ]}  # fmt: skip
    where = "ant:trainer:4001" if ant else link(1)
    profile = {} if ant else {"profile": "fitness-machine"}
    text = bench(
        "trainer",
        instrument("trainer", where, mount="hub", role="reference", claim_percent=1.5, **profile),
        instrument("pedals", link(2), mount="pedals", sides="both", claim_percent=1.5),
        extra="[trainer]\nmax_w = 230\nsafe_w = 80\nramp_w_per_s = 25\n",
    )
    lab = Lab(args, name, scenario, {"bench.toml": text, "protocol.toml": PROTOCOL.format(held_s=held_s)})
    line = "exec python -m monitor.cli run /out/bench.toml --protocol /out/protocol.toml --out /out/sessions"
    code = lab.run(line, timeout_s, "--tty", "120x40", "--keys", json.dumps(keys))
    for each in records(lab):
        if isinstance(each, Act) and each.act in ("trainer", "safe-target", "segment"):
            print(f"  {each.t_ns / 1e9 - shift_s(lab):7.1f} s  {each.act}: {each.text}")
    return lab if code == 0 else None


def case_control(args: argparse.Namespace) -> list[str]:
    """Another program takes the trainer for 15 s: the safe target is tried once, then no quarrel."""
    # Go, arm; 200 W are held when control is lost; finish long after it is back. A slow lab needs its time.
    keys = [[100, "\r"], [110, "\r"], [120, "t"], [126, "\r"], [235, "f"], [240, "\r"]]
    lab = ridden(args, "control", {"control_lost": [[LOST_S, LOST_S + 15]]}, keys, 420, ant=False, held_s=240)
    if lab is None:
        return ["failed"]
    lost = zero(lab) + LOST_S
    targets = [(e["unix"] - lost, e["watts"]) for e in lab.emulator("target-power")]
    # One try is: ask for control again and, if it is granted, tell the safe target.
    asked = [(each.t_ns / 1e9 - shift_s(lab) - LOST_S, each.data[0]) for each in records(lab)
             if isinstance(each, Write) and each.channel == "2AD9"]  # fmt: skip
    after = [(round(t, 2), op) for t, op in asked if t > 0.0]
    answers = [each.data.hex() for each in records(lab) if isinstance(each, Packet) and each.channel == "2AD9"
               and each.t_ns / 1e9 - shift_s(lab) > LOST_S]  # fmt: skip
    print(f"  lost: {[round(e['unix'] - lost, 1) for e in lab.emulator('control-lost')]} s")
    print(f"  operations after that: {[(t, hex(op)) for t, op in after]}, answers {answers}")
    faults = []
    if not any(watts == 200 and t < 0 for t, watts in targets):
        faults.append("200 W was never held")
    if not 1 <= len(after) <= 3 or after[0][1] != REQUEST_CONTROL or after[-1][0] > 5.0:
        faults.append(f"one try at the safe target, at once, and no quarrel: {after}")
    if any(watts > 80 and t > 0.5 for t, watts in targets):
        faults.append("the trainer was taken back unasked")
    words = [each.text for each in records(lab) if isinstance(each, Act) and each.act == "trainer"]
    if not any("another program" in text for text in words):
        faults.append(f"nobody said that another program has it: {words}")
    return faults


def case_capable(args: argparse.Namespace) -> list[str]:
    """A trainer that takes a power and no grade says so in page 0x36: it is asked, and sent no grade."""
    keys = [[100, "\r"], [110, "\r"], [120, "t"], [126, "\r"], [220, "f"], [226, "\r"]]
    lab = ridden(args, "capable", {"can": ["power"]}, keys, 420, ant=True, held_s=60)
    if lab is None:
        return ["failed"]
    pages = [
        p for p in records(lab) if isinstance(p, Packet) and p.channel == "ant17" and p.data[:1] == b"\x36"
    ]
    facts = decode("ant17", pages[0].data).facts if pages else None
    print(f"  page 0x36 {len(pages)} times: {facts}; grades {lab.emulator('grade')}")
    faults = [] if pages else ["page 0x36 was not heard"]
    if facts is not None and facts.get("can_set_simulation"):
        faults.append(f"read as able to take a grade: {facts}")
    if lab.emulator("grade"):
        faults.append("a grade was sent to one that takes none")
    if not any(e["watts"] == 200 for e in lab.emulator("target-power")):
        faults.append("200 W was never held")
    free = [
        each
        for each in records(lab)
        if isinstance(each, Act) and (each.act, each.text) == ("segment", "free")
    ]
    return faults if free else [*faults, "the free segment was not begun"]


def case_stroke(args: argparse.Namespace) -> list[str]:
    """Torque over the crank's angle, on both radios: what was sent is recorded and can be read."""
    stroke = {"left": {"peak": [[0, 90], [60, 120]], "width": 170}, "right": {"peak": 100, "width": 190},
              "position": [[0, "seated"], [50, "standing"], [70, "seated"]]}  # fmt: skip
    devices = [
        sensor(1, "dual", stroke=stroke),
        {**sensor(2, "dual", radios=["ant"], stroke=stroke), "ant_id": 4002},
    ]
    text = bench(
        "pedals",
        claimed("pedals", link(1), role="reference", mount="pedals", sides="both"),
        claimed("heron", "ant:power:4002", mount="pedals", sides="both"),
    )
    scenario = {"seed": 23, "power": [[0, 180], [60, 260]], "cadence": 85, "devices": devices}
    lab = Lab(args, "stroke", scenario, {"bench.toml": text})
    out = command(lab, *RUN, "--seconds", "90", timeout_s=300)
    found = findings(out)
    show(found)
    faults = [f"raised: {f['kind']} {f['instrument']}" for f in found if f["event"] == "raised"]
    packets = [each for each in records(lab) if isinstance(each, Packet)]
    for packet in packets:
        decode(packet.channel, packet.data)  # DecodeError: a fault of ours, or of the lab
    for label, device, channel, radio in (
        ("pedals", "Lab 1", "2A63", "ble"),
        ("pedals", "Lab 1", "2A64", "ble"),
        ("heron", "Lab 2", "ant11", "ant"),
    ):
        got = [p.data.hex() for p in packets if p.instrument == label and p.channel == channel]
        sent = [r["payload"] for r in lab.truth if r["device"] == device and r["radio"] == radio
                and (radio == "ant" or r["characteristic"].upper() == channel)
                and (radio == "ble" or r.get("received"))]  # fmt: skip
        missing = missing_of(sent, got)
        kinds = sorted({p[:2] for p in got}) if radio == "ant" else ""
        print(f"  {label} {channel}: sent {len(sent)}, recorded {len(got)}, missing {missing} {kinds}")
        if not got or missing:
            faults.append(
                f"{label} {channel}: recorded {len(got)}, {missing} missing between the first and the last"
            )
        if radio == "ant" and not {"14", "e0", "e1", "e2"} <= set(kinds):
            faults.append(f"{label}: only pages {kinds}")
    return faults + replay_equals(lab, out)


def missing_of(sent: list[str], got: list[str]) -> int:
    """How many of those sent from the first to the last one that was recorded are not there, in order."""
    if not got or got[0] not in sent:
        return len(sent)
    begin = sent.index(got[0])
    at, missing = 0, 0
    for payload in sent[begin:]:
        if at == len(got):
            break
        if payload == got[at]:
            at += 1
        else:
            missing += 1
    return missing + len(got) - at


CASES = {
    "adapter": case_adapter,
    "stick": case_stick,
    "held": case_held,
    "slow": case_slow,
    "control": case_control,
    "capable": case_capable,
    "stroke": case_stroke,
}


if __name__ == "__main__":
    sys.exit(main(__doc__, CASES))
