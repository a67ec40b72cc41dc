"""On the host: runs of the whole program in the radio lab, for `evening_lab.py` and `saddle_lab.py`."""

import argparse
import base64
import json
import os
import subprocess
import tempfile
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
Json = dict[str, Any]


def sensor(n: int, kind: str, **more: Any) -> Json:
    """Sensor `n` of a scenario, by Bluetooth and, where its kind has it, by ANT+."""
    return {"kind": kind, "name": f"Lab {n}", "address": address(n), "ant_id": 4000 + n, **more}


def address(n: int) -> str:
    return f"C0:FF:EE:00:00:{n:02X}"


def link(n: int) -> str:
    """The Bluetooth link of sensor `n`, as in a bench."""
    return f"bluetooth:{address(n)}"


def instrument(label: str, link: str, **more: Any) -> str:
    """One instrument of a bench file."""
    lines = [f'label = "{label}"', f'link = "{link}"', *(f"{k} = {json.dumps(v)}" for k, v in more.items())]
    return "[[instrument]]\n" + "\n".join(lines) + "\n"


def bench(reference: str, *instruments: str, extra: str = "") -> str:
    """A bench file; `extra` is what stands behind the instruments."""
    return f'[bench]\nname = "lab"\nreference = "{reference}"\n\n' + "\n".join(instruments) + extra


class Lab:
    """One run of the lab; `files` are laid into /out first."""

    def __init__(self, args: argparse.Namespace, case: str, scenario: Json, files: dict[str, str]) -> None:
        self.args = args
        self.out = Path(args.out or tempfile.mkdtemp(prefix="lab-")) / case
        self.out.mkdir(parents=True, exist_ok=True)
        (self.out / "scenario.json").write_text(json.dumps(scenario))
        self.files = files
        self.shared = self.out / "run" / "shared"

    def run(self, line: str, timeout_s: int, *options: str) -> int:
        """Run a shell line in the guest, from the project's folder; its exit status."""
        lay = "".join(
            f"echo {base64.b64encode(text.encode()).decode()} | base64 -d > /out/{name} && "
            for name, text in self.files.items()
        )
        done = subprocess.run(
            [
                str(Path(self.args.lab) / "run"), str(self.out / "scenario.json"), str(self.out / "run"),
                "--project", str(ROOT), "--venv", self.args.venv, "--timeout", str(timeout_s),
                "--env", "PYTHONDONTWRITEBYTECODE=1", "--env", "PYTHONPATH=/project", "--env", "HOME=/tmp",
                *options, "--", "sh", "-c", lay + line,
            ],
            capture_output=True, text=True, check=False,
        )  # fmt: skip
        print(f"  exit {done.returncode}, {done.stderr.strip().splitlines()[-1] if done.stderr else ''}")
        if done.returncode:
            for name in ("stdout", "stderr"):
                path = self.out / "run" / name
                print(path.read_text(errors="replace")[-3000:] if path.exists() else done.stderr)
        return done.returncode

    @property
    def printed(self) -> str:
        """What the command printed."""
        return (self.out / "run" / "stdout").read_text()

    @property
    def truth(self) -> list[Json]:
        """Everything that the sensors sent."""
        return [json.loads(line) for line in (self.out / "run" / "truth.jsonl").read_text().splitlines()]

    def emulator(self, event: str) -> list[Json]:
        """What the emulator tells of one kind of event."""
        lines = (self.out / "run" / "emulator.jsonl").read_text().splitlines()
        return [each for each in map(json.loads, lines) if each["event"] == event]

    def session(self) -> Path:
        """The session that the run recorded."""
        return next(each for each in sorted((self.shared / "sessions").iterdir()) if each.is_dir())


Case = Callable[[argparse.Namespace], list[str]]


def main(what: str | None, cases: Mapping[str, Case]) -> int:
    """Run the cases asked for, a docstring and its faults each; 1 if one has any."""
    parser = argparse.ArgumentParser(description=what, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("cases", nargs="*", default=list(cases), metavar="CASE", help=", ".join(cases))
    parser.add_argument(
        "--lab", default=os.environ.get("RADIO_LAB"), help="the lab's folder, with `run` in it"
    )
    parser.add_argument("--venv", default="pw", help="the lab's program environment")
    parser.add_argument("--out", help="where to leave what the runs wrote")
    args = parser.parse_args()
    if not args.lab:
        parser.error("the lab's folder is missing: --lab or RADIO_LAB")
    failed = False
    for name in args.cases:
        print(f"{name}: {(cases[name].__doc__ or '').strip()}", flush=True)
        faults = cases[name](args)
        print("\n".join(f"  FAULT {f}" for f in faults) or "  good", flush=True)
        failed = failed or bool(faults)
    return int(failed)
