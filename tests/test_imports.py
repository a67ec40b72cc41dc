"""What a fresh interpreter loads: our own packages, and for pure modules nothing of the outside world.

import-linter reads our sources only; what a library loads in turn shows here.
"""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent

# Where bytes, time, chance and people come in. Everything else must give the same from the same records.
IMPURE = {
    "capture.ant", "capture.ant_stick", "capture.bluetooth", "capture.bluetooth_trouble", "capture.clock",
    "capture.scene", "capture.source", "capture.sources",
    "storage.attach", "storage.connection.feed", "storage.connection.job", "storage.connection.last_will",
    "storage.recorder",
    "monitor.cli", "monitor.commands", "monitor.dashboard", "monitor.doctor",
    "monitor.sessions.replay", "monitor.serving", "monitor.sessions.live.live_session",
}  # fmt: skip
OUTSIDE = {"asyncio", "bleak", "openant", "usb", "textual", "rich", "libusb_package", "scipy", "pandas"}


def modules() -> list[str]:
    names = []
    for package in ("capture", "storage", "monitor"):
        for path in sorted((ROOT / package).rglob("*.py")):
            parts = path.relative_to(ROOT).with_suffix("").parts
            names.append(".".join(part for part in parts if part != "__init__"))
    return names


def loaded_by(*names: str) -> dict[str, set[str]]:
    """What the import of each module, one after the other in one fresh interpreter, added to sys.modules."""
    code = (
        "import importlib, json, sys\n"
        "added = {}\n"
        "for name in sys.argv[1:]:\n"
        "    before = set(sys.modules)\n"
        "    importlib.import_module(name)\n"
        "    added[name] = sorted(set(sys.modules) - before)\n"
        "print(json.dumps(added))"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, *names], capture_output=True, text=True, cwd=ROOT, check=False
    )
    assert done.returncode == 0, done.stderr
    return {name: set(added) for name, added in json.loads(done.stdout).items()}


def within(name: str, parents: set[str]) -> bool:
    return any(name == parent or name.startswith(parent + ".") for parent in parents)


PURE = [name for name in modules() if "." in name and not within(name, IMPURE)]


@pytest.mark.slow
def test_pure_modules_load_nothing_of_the_outside_world() -> None:
    added = loaded_by(*PURE)
    assert set(PURE) <= set().union(*added.values())
    foreign = {name: sorted(m for m in more if within(m, OUTSIDE | IMPURE)) for name, more in added.items()}
    assert {name: more for name, more in foreign.items() if more} == {}


@pytest.mark.slow
@pytest.mark.parametrize("name", PURE)
def test_a_module_can_be_loaded_alone(name: str) -> None:
    assert name in loaded_by(name)[name]


def test_the_list_of_exceptions_is_short_of_what_decides() -> None:
    # A guard for the guard: these must be among those that are checked above.
    assert {
        "capture.record",
        "capture.profiles",
        "monitor.setup.bench",
        "monitor.analysis.curve",
        "monitor.live.comparator",
    } <= set(PURE)


def test_our_packages_are_the_ones_of_this_checkout() -> None:
    # Packages named `capture` and `storage` exist on the public index: an accidental install shadows ours.
    for name in ("capture", "storage", "monitor"):
        code = f"import {name}; print({name}.__file__)"
        done = subprocess.run(
            [sys.executable, "-c", code], capture_output=True, text=True, cwd=ROOT / "tests", check=True
        )
        assert Path(done.stdout.strip()).resolve() == (ROOT / name / "__init__.py").resolve()


def test_linear_algebra_has_one_thread_unless_somebody_asks_for_more() -> None:
    """Read by OpenBLAS when numpy is loaded, so it has to be set before."""
    code = "import sys, monitor, os; assert 'numpy' not in sys.modules"
    code += "; print(os.environ['OPENBLAS_NUM_THREADS'])"
    for given, wanted in ((None, "1"), ("3", "3")):
        environment = {k: v for k, v in os.environ.items() if k != "OPENBLAS_NUM_THREADS"}
        if given is not None:
            environment["OPENBLAS_NUM_THREADS"] = given
        out = subprocess.run(
            [sys.executable, "-c", code],
            cwd=ROOT,
            env=environment,
            check=True,
            capture_output=True,
            text=True,
        ).stdout
        assert out.strip() == wanted
