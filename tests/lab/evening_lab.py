"""On the host: run the whole command in the radio lab and compare the session with what was sent.

    evening_lab.py [bench dropout find crowd gain ...] [--lab FOLDER] [--venv NAME] [--out FOLDER]

The guest runs `python -m monitor.cli` on a bench of real Bluetooth and ANT+ links. Exits with 1 if
a case fails. See README.md.
"""

import argparse
import functools
import json
import shlex
import subprocess
import sys
from pathlib import Path

import pyarrow.parquet as pq

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from storage.journal import read_journal
from tests.lab.host import ROOT, Json, Lab, bench, instrument, link, main, sensor

claimed = functools.partial(instrument, claim_percent=1.5)


def command(lab: Lab, *words: str, timeout_s: int) -> str:
    """Run a command of the program in the guest; what it printed."""
    lab.run("exec python -m monitor.cli " + shlex.join(words), timeout_s)
    return lab.printed


def compare_means(lab: Lab, names: dict[str, tuple[str, str]], begin_s: float, seconds: int) -> list[str]:
    """Mean power of each label over `seconds` of the session against the readings sent in that time."""
    session = lab.session()
    header, _records = read_journal(session)
    start_unix = header.utc_ns / 1e9
    grid = pq.read_table(session / "grid.parquet").to_pydict()
    faults = []
    for label, (device, radio) in names.items():
        rows = [
            (t, p)
            for t, p in zip(grid["time_s"], grid[f"{label}.power_w"], strict=True)
            if begin_s <= t < begin_s + seconds and p is not None
        ]
        sent = [
            r["power"]
            for r in lab.truth
            if r["device"] == device
            and r["radio"] == radio
            and r.get("power") is not None
            and begin_s <= r["unix"] - start_unix < begin_s + seconds
        ]
        mean = sum(p for _, p in rows) / max(1, len(rows))
        true = sum(sent) / max(1, len(sent))
        percent = 100.0 * (mean / true - 1.0) if true else float("nan")
        print(f"  {label:10} recorded {mean:7.2f} W over {len(rows)} s, sent {true:7.2f} W: {percent:+.3f} %")
        if len(rows) < seconds - 1 or not abs(percent) <= 0.5:
            faults.append(f"{label}: {percent:+.3f} % over {len(rows)} s")
    return faults


def zero(lab: Lab) -> float:
    """Unix seconds at which the sensors' clock began."""
    return float(lab.emulator("go")[0]["unix"])


def findings(text: str) -> list[Json]:
    return [json.loads(line) for line in text.splitlines() if line.startswith("{")]


def show(found: list[Json]) -> None:
    for f in found:
        if f["event"] != "end":
            print(f"  {f['t_s']:8.2f} {f['event']:8} {f['kind']} {f['instrument']} {f['side']} {f['value']}")
        else:
            print(f"  end at {f['t_s']} s, {f['records']} records, {f['lost_records']} lost")


RUN = ("run", "/out/bench.toml", "--headless", "--out", "/out/sessions")


def case_bench(args: argparse.Namespace) -> list[str]:
    """A dual-sided meter and a trainer over Bluetooth, a second meter over the ANT+ stick."""
    scenario = {
        "seed": 3, "power": [[0, 180], [60, 180], [60, 240], [200, 240]], "cadence": 88,
        "devices": [
            sensor(1, "dual", rate=4, left=48.5, interval_ms=30, noise=2),
            sensor(2, "trainer", rate=4, noise=2),
            sensor(3, "total", radios=["ant"], noise=2),
        ],
    }  # fmt: skip
    text = bench(
        "trainer",
        claimed("trainer", link(2), role="reference", mount="hub", profile="fitness-machine"),
        claimed("pedals", link(1), role="witness", mount="pedals", sides="both"),
        claimed("heron", "ant:power:4003", mount="spider"),
    )
    lab = Lab(args, "bench", scenario, {"bench.toml": text})
    out = command(lab, *RUN, "--seconds", "110", timeout_s=300)
    found = findings(out)
    show(found)
    names = {"trainer": ("Lab 2", "ble"), "pedals": ("Lab 1", "ble"), "heron": ("Lab 3", "ant")}
    faults = compare_means(lab, names, 40, 60)
    faults += [f"raised: {f['kind']} {f['instrument']}" for f in found if f["event"] == "raised"]
    return faults + replay_equals(lab, out)


def replay_equals(lab: Lab, live: str) -> list[str]:
    """The findings of a replay on the host are those of the run in the guest, to the byte."""
    again = subprocess.run(
        [sys.executable, "-m", "monitor.cli", "replay", str(lab.session()), "--headless", "--speed", "max"],
        cwd=ROOT, capture_output=True, text=True, check=False,
    ).stdout  # fmt: skip
    same = live.splitlines()[:-1] == again.splitlines()[:-1]
    print(f"  replay of {len(again.splitlines()) - 1} findings: {'equal' if same else 'DIFFERENT'}")
    return [] if same else ["the replay's findings differ from the live ones"]


def case_dropout(args: argparse.Namespace) -> list[str]:
    """Two meters leave for ten seconds, one silently, one with a goodbye: lost and back, both."""
    scenario = {
        "seed": 4, "power": 200, "cadence": 85,
        "devices": [
            sensor(1, "dual", dropouts=[[50, 60]]),
            sensor(2, "total", dropouts=[[80, 90]], dropout_kind="clean"),
            sensor(3, "total", radios=["ant"], dropouts=[[105, 115]]),
        ],
    }  # fmt: skip
    text = bench(
        "stay",
        claimed("pedals", link(1), sides="both", mount="pedals"),
        claimed("bye", link(2)),
        claimed("stay", "ant:power:4003", role="reference"),
    )
    lab = Lab(args, "dropout", scenario, {"bench.toml": text})
    out = command(lab, *RUN, "--seconds", "130", timeout_s=320)
    found = findings(out)
    show(found)
    faults = []
    session = lab.session()
    header, _records = read_journal(session)
    shift = zero(lab) - header.utc_ns / 1e9
    for label, begin in (("pedals", 50), ("bye", 80), ("stay", 105)):
        events = [f for f in found if f.get("instrument") == label and f.get("kind") == "signal-lost"]
        raised = [f["t_s"] - shift for f in events if f["event"] == "raised"]
        cleared = [f["t_s"] - shift for f in events if f["event"] == "cleared"]
        print(f"  {label:8} off the air {begin}..{begin + 10} s: raised {raised}, cleared {cleared}")
        if len(raised) != 1 or not begin + 2 <= raised[0] <= begin + 4.0:
            faults.append(f"{label}: raised at {raised}")
        if len(cleared) != 1 or not begin + 10 <= cleared[0] <= begin + 14:
            faults.append(f"{label}: cleared at {cleared}")
    return faults + replay_equals(lab, out)


def case_find(args: argparse.Namespace) -> list[str]:
    """`find` lists every sensor of the crowd on both radios."""
    scenario = json.loads((Path(args.lab) / "scenarios" / "crowd.json").read_text())
    lab = Lab(args, "find", scenario, {})
    out = command(lab, "find", "--seconds", "15", "--json", timeout_s=200)
    sightings = json.loads(out)
    print("\n".join(f"  {s['link']:34} {s['name'][:20]:20} {','.join(s['profiles'])}" for s in sightings))
    faults = []
    for d in scenario["devices"]:
        if "ble" in d["radios"] and not any(s["name"] == d["name"] for s in sightings):
            faults.append(f"{d['name']} was not found over Bluetooth")
    numbers = {s["link"].rpartition(":")[2] for s in sightings if s["link"].startswith("ant:")}
    for i, d in enumerate(scenario["devices"]):
        if "ant" in d["radios"] and str(d.get("ant_id", 1000 + i)) not in numbers:
            faults.append(f"{d['name']} was not found over ANT+")
    return faults


def case_crowd(args: argparse.Namespace) -> list[str]:
    """Eight Bluetooth sensors at once: no notification that was sent after the subscription is missing."""
    kinds = ["dual", "dual", "total", "total", "total", "trainer", "trainer", "cadence"]
    scenario = {
        "seed": 7, "power": [[0, 150], [40, 260]], "cadence": 85,
        "devices": [sensor(n + 1, kind, rate=4 if n % 2 else 2) for n, kind in enumerate(kinds)],
    }  # fmt: skip
    labels = [f"unit-{n + 1}" for n in range(8)]
    text = bench(
        "unit-1",
        *(
            instrument(label, link(n + 1), mount="cadence" if kinds[n] == "cadence" else "crank",
                       profile="speed-cadence" if kinds[n] == "cadence" else "cycling-power")
            for n, label in enumerate(labels)
        ),
    )  # fmt: skip
    lab = Lab(args, "crowd", scenario, {"bench.toml": text})
    out = command(lab, *RUN, "--seconds", "90", timeout_s=280)
    show(findings(out))
    _header, records = read_journal(lab.session())
    got: dict[str, list[str]] = {}
    for r in records:
        if type(r).__name__ == "Packet" and r.channel in ("2A63", "2A5B"):  # type: ignore[union-attr]
            got.setdefault(r.instrument, []).append(r.data.hex())  # type: ignore[union-attr]
    faults = []
    for n, label in enumerate(labels):
        sent = [
            t["payload"]
            for t in lab.truth
            if t["device"] == f"Lab {n + 1}"
            and t["characteristic"].upper() in ("2A63", "2A5B")
            and not t["lost"]
        ]
        mine = got.get(label, [])
        # The recorder leaves before the sensors do: what was sent after its last packet doesn't count.
        missing = len(sent) - len(mine)
        ordered = mine == sent[: len(mine)]
        print(f"  {label:8} sent {len(sent)}, recorded {len(mine)}, in order and without a hole: {ordered}")
        if not ordered or len(mine) < 100 or missing > 16:
            faults.append(f"{label}: sent {len(sent)}, recorded {len(mine)}, a prefix: {ordered}")
    return faults


def case_gain(args: argparse.Namespace) -> list[str]:
    """One side of a meter gains 10 % in mid-ride: raised, the right side, the right cause."""
    torques = [[0, 150], [60, 150], [60, 260], [120, 260]]
    power = [p for k in range(4) for p in [[k * 120 + t, w] for t, w in torques]]
    # The right side gains a tenth: the total grows by that part of it and the left share falls.
    step, share = 90, 48.5
    grown = share / 100 + 1.1 * (1 - share / 100)
    gain = [[0, 1.0], [step, 1.0], [step, grown]]
    left = [[0, share], [step, share], [step, share / grown]]
    scenario = {
        "seed": 5, "power": power, "cadence": 85,
        "devices": [
            sensor(1, "dual", rate=4, noise=2, left=share),
            sensor(2, "dual", rate=4, noise=2, gain=gain, left=left),
            sensor(3, "trainer", radios=["ant"], noise=2),
        ],
    }  # fmt: skip
    text = bench(
        "hub",
        claimed("hub", "ant:trainer:4003", role="reference", mount="hub"),
        claimed("pedals", link(1), role="witness", mount="pedals", sides="both"),
        claimed("heron", link(2), mount="pedals", sides="both"),
    )
    lab = Lab(args, "gain", scenario, {"bench.toml": text})
    out = command(lab, *RUN, "--seconds", "330", timeout_s=520)
    found = findings(out)
    show(found)
    faults = []
    side = [f for f in found if f.get("kind") == "side-off" and f["event"] == "raised"]
    if not side or any(f["instrument"] != "heron" or f["side"] != "right" for f in side):
        faults.append("the right side of heron was not named, or another was")
    elif side[-1]["cause"] != "scale":
        faults.append(f"cause {side[-1]['cause']}, not scale")
    else:
        print(f"  {side[-1]['advice']}")
    return faults + replay_equals(lab, out)


CASES = {
    "bench": case_bench,
    "dropout": case_dropout,
    "find": case_find,
    "crowd": case_crowd,
    "gain": case_gain,
}


if __name__ == "__main__":
    sys.exit(main(__doc__, CASES))
