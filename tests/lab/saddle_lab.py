"""On the host: ride from the saddle in the radio lab, and compare with what the instruments were told.

    saddle_lab.py [zero ftms ant quick ...] [--lab FOLDER] [--venv NAME] [--out FOLDER]

`saddle_guest.py` runs in the machine; `quick` types a whole protocol into the command itself. Exits with 1
if a case fails. See README.md.
"""

import argparse
import itertools
import json
import subprocess
import sys
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from capture.record import Act
from monitor.setup.protocol import load_protocol
from storage.journal import read_journal
from tests.lab.host import ROOT, Json, Lab, bench, instrument, link, main, sensor

MAX_W, SAFE_W = 230, 80


def result(lab: Lab) -> Json:
    """What the guest's script told."""
    answer: Json = json.loads((lab.shared / "result.json").read_text())
    return answer


def case_zero(args: argparse.Namespace) -> list[str]:
    """Zero offset over both radios: success, failure, no answer; crank length asked for, read and set."""
    kinds = [("ok", "success"), ("bad", "failure"), ("mute", "none")]
    devices, instruments = [], []
    for n, (name, outcome) in enumerate(kinds, 1):
        more: Json = {"calibration_result": outcome, "zero_offset": 305, "calibration_delay": 2.0}
        devices.append(sensor(n, "total", **more, enhanced_calibration=outcome == "failure"))
        devices.append(sensor(n + 3, "total", radios=["ant"], **more))
        instruments.append(instrument(f"ble-{name}", link(n), crank_length_mm=172.5))
        instruments.append(instrument(f"ant-{name}", f"ant:power:{4003 + n}", crank_length_mm=170))
    # The crank stands: a zero offset is refused while it turns.
    scenario = {"seed": 5, "power": 0, "cadence": 0, "devices": devices}
    lab = Lab(args, "zero", scenario, {"bench.toml": bench("ble-ok", *instruments)})
    faults = (
        []
        if lab.run("exec python tests/lab/saddle_guest.py zero /out/bench.toml /out", 420) == 0
        else ["failed"]
    )
    if faults:
        return faults
    said = result(lab)["said"]
    for name, words in said.items():
        print(f"  {name:14} {words}")
    expected = {
        "ble-ok 0": "zeroed ble-ok: 305 (9.53 N·m)", "ble-ok 1": "before: this session 305",
        "ant-ok 0": "zeroed ant-ok: 305", "ble-bad 0": "incorrect calibration position",
        "ant-bad 0": "reports a failure", "ble-mute 0": "no answer in 30 s",
        "ant-mute 0": "no answer in 20 s", "ant-mute 1": "no answer in 20 s",
        "ble-ok read": "172.5 mm", "ble-ok set": "now set, ble-ok: 170 mm",
        "ant-mute read": "172.5 mm", "ant-mute set": "now set, ant-mute: 170 mm",
    }  # fmt: skip
    faults += [f"{name}: {said.get(name)!r} has no {words!r}" for name, words in expected.items()
               if words not in said.get(name, "")]  # fmt: skip
    print(f"  asked at link-up: {result(lab)['asked']}")
    if set(result(lab)["asked"].values()) != {172.5}:
        faults.append(f"crank lengths asked at link-up: {result(lab)['asked']}")
    # What a session says agrees with what its journal holds.
    session = lab.shared / Path(result(lab)["session"]).relative_to("/out")
    acts = [record for record in read_journal(session)[1] if isinstance(record, Act)]
    zeroed = sorted(act.instrument for act in acts if act.act == "zeroed")
    failed = sorted(act.instrument for act in acts if act.act == "zero-failed")
    if zeroed != ["ant-ok", "ant-ok", "ble-ok", "ble-ok"] or len(failed) != 8:
        faults.append(f"acts: zeroed {zeroed}, failed {failed}")
    writes = lab.emulator("write")
    print(f"  {len(writes)} requests reached the instruments")
    return faults


PROTOCOL = """\
[[segment]]
name = "first"
seconds = 14
target_w = 120
cadence_rpm = 85
[[segment]]
name = "second"
seconds = 14
target_w = 200
cadence_rpm = 85
[[segment]]
name = "third"
seconds = 14
target_w = 400
cadence_rpm = 85
[[segment]]
name = "fourth"
seconds = 1200
target_w = 180
cadence_rpm = 85
[[segment]]
name = "free"
seconds = 600
free = true
"""


def trainer(args: argparse.Namespace, case: str, where: str, **more: Any) -> list[str]:
    radio = "ant" if where.startswith("ant") else "ble"
    scenario = {
        "seed": 6, "power": 150, "cadence": 85, "follows_target": True,
        "devices": [sensor(1, "trainer", radios=[radio]), sensor(2, "dual", radios=["ble"])],
    }  # fmt: skip
    text = bench(
        "trainer",
        instrument("trainer", where, mount="hub", role="reference", **more),
        instrument("pedals", link(2), mount="pedals", sides="both", crank_length_mm=172.5),
        extra=f"[trainer]\nmax_w = {MAX_W}\nsafe_w = {SAFE_W}\nramp_w_per_s = 25\n",
    )
    lab = Lab(args, case, scenario, {"bench.toml": text, "protocol.toml": PROTOCOL})
    line = "exec python tests/lab/saddle_guest.py trainer /out/bench.toml /out/protocol.toml /out"
    if lab.run(line, 560):
        return ["failed"]
    faults: list[str] = []
    targets = [(each["unix"], each["watts"]) for each in lab.emulator("target-power")]
    print(f"  targets at the trainer: {[round(watts) for _, watts in targets]}")
    if max(watts for _, watts in targets) > MAX_W:
        faults.append("a target above the maximum")
    for wanted in (120, 200, MAX_W, 180, SAFE_W):
        if not any(watts == wanted for _, watts in targets):
            faults.append(f"{wanted} W was never held")
    steps = [(b[1] - a[1], b[0] - a[0]) for a, b in itertools.pairwise(targets)]
    if any(step > 25 and b != SAFE_W for (step, _), (_, b) in zip(steps, targets[1:], strict=True)):
        faults.append(f"a step of more than 25 W upwards: {max(step for step, _ in steps)}")
    for what, told in result(lab)["kills"].items():
        arrived = next((t for t, watts in targets if watts == SAFE_W and t > told["at"] - 0.3), None)
        late_s = None if arrived is None else arrived - told["at"]
        print(f"  {what:24} safe target at the trainer after {late_s and round(late_s, 2)} s, by {told['by']}"
              f"{': ' + told['word'] if 'word' in told else ''}")  # fmt: skip
        if late_s is None or late_s > (4.5 if "hangs" in what else 2.5):
            faults.append(f"{what}: the safe target came after {late_s} s")
        after = [watts for t, watts in targets if arrived is not None and arrived < t < told["at"] + 4.5]
        if any(watts != SAFE_W for watts in after):
            faults.append(f"{what}: other targets after the safe one: {after}")
    roads = lab.emulator("grade")
    print(f"  roads: {[each['percent'] for each in roads]}")
    if [round(each["percent"], 2) for each in roads] != [0.0]:
        faults.append("the free segment set no road of 0 %")
    print(f"  outcomes of all writes: {result(lab)['outcomes']}")
    faults += studied(lab, {"second": 200, "third": MAX_W})
    return faults


def studied(lab: Lab, held_w: dict[str, float]) -> list[str]:
    """The session is studied by segment: means where a target was held."""
    out = subprocess.run(
        [sys.executable, "-m", "monitor.cli", "study", str(lab.session()), "--json", "-"],
        cwd=ROOT, capture_output=True, text=True, check=False,
    )  # fmt: skip
    if out.returncode not in (0,):
        return [f"study: exit {out.returncode}: {out.stderr[-500:]}"]
    study = json.loads(out.stdout)
    means = {s["name"]: s["means"] for s in study["segments"]}
    faults = []
    for name, watts in held_w.items():
        mean = means.get(name, {}).get("trainer", {}).get("power_w")
        print(f"  segment {name}: {mean and round(mean, 1)} W, asked for {watts}")
        if mean is None or abs(mean - watts) > 0.12 * watts:
            faults.append(f"segment {name}: {mean} W")
    return faults


def case_ftms(args: argparse.Namespace) -> list[str]:
    """A fitness machine held at three targets; screens killed and hung; a key; the end of the session."""
    return trainer(args, "ftms", link(1), profile="fitness-machine")


def case_ant(args: argparse.Namespace) -> list[str]:
    """The same over ANT+ fitness equipment."""
    return trainer(args, "ant", "ant:trainer:4001")


def case_quick(args: argparse.Namespace) -> list[str]:
    """The whole quick check by typed keys in a real terminal, trainer held; studied by segment."""
    scenario = {
        "seed": 8, "power": 140, "cadence": 88, "follows_target": True,
        "devices": [
            sensor(1, "trainer", noise=2), sensor(2, "dual", noise=2),
            sensor(3, "total", radios=["ant"], noise=2, crank_length_mm=172.5),
        ],
    }  # fmt: skip
    text = bench(
        "trainer",
        instrument(
            "trainer", link(1), mount="hub", role="reference", profile="fitness-machine", claim_percent=1.5
        ),
        instrument("pedals", link(2), mount="pedals", sides="both", crank_length_mm=172.5, claim_percent=1.5),
        instrument("heron", "ant:power:4003", mount="spider", crank_length_mm=170, claim_percent=1.5),
        extra="[trainer]\nmax_w = 320\n",
    )
    lab = Lab(args, "quick", scenario, {"bench.toml": text})
    keys: list[list[Any]] = [
        [45, "\r"], [49, "\r"],  # go; heron is set to another length than mounted: overridden
        [54, "t"], [56, "\r"],  # arm
        [80, "g"], [82, "50x17\r"], [130, "m"], [150, "d"], [180, "d"], [200, "n"], [203, "all is well\r"],
        [260, "m"], [264, "u"],  # a mark taken back
        [330, "p"], [342, "p"],  # a pause of twelve seconds
        [830, "f"], [833, "\r"],
    ]  # fmt: skip
    line = "exec python -m monitor.cli run /out/bench.toml --protocol quick-check --out /out/sessions"
    if lab.run(line, 1080, "--tty", "120x40", "--keys", json.dumps(keys)):
        return ["failed"]
    faults = []
    acts = [record for record in read_journal(lab.session())[1] if isinstance(record, Act)]
    words = [act.act for act in acts]
    print(f"  acts: { {word: words.count(word) for word in dict.fromkeys(words)} }")
    for word, least in (("override", 1), ("ready", 1), ("gear", 1), ("mark", 2), ("position", 2), ("note", 1),
                        ("undo", 1), ("resume", 1), ("finish", 0), ("trainer", 2)):  # fmt: skip
        if words.count(word) < least:
            faults.append(f"act {word}: {words.count(word)} times")
    planned = load_protocol(ROOT / "fixtures" / "protocols" / "quick-check.toml").segments
    begun = [act.text for act in acts if act.act == "segment"]
    missing = [segment.name for segment in planned if segment.name not in begun]
    if missing:
        faults.append(f"segments that were not begun: {missing}")
    return faults + studied(lab, {s.name: s.target_w for s in planned if s.target_w and s.seconds >= 60})


CASES = {"zero": case_zero, "ftms": case_ftms, "ant": case_ant, "quick": case_quick}


if __name__ == "__main__":
    sys.exit(main(__doc__, CASES))
