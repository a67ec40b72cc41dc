"""What a fresh interpreter loads: our own packages, and for pure modules nothing of the outside world.

import-linter reads our sources only; what a library loads in turn shows here.
"""

import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent

# Where bytes, time, chance and people come in. Everything else must give the same from the same records.
IMPURE = {
    "capture.ant", "capture.ant_stick", "capture.bluetooth", "capture.bluetooth_trouble", "capture.clock",
    "capture.scene", "capture.source", "capture.sources",
    "storage.attach", "storage.feed", "storage.job", "storage.recorder", "storage.will",
    "monitor.cli", "monitor.commands", "monitor.dashboard", "monitor.doctor",
    "monitor.replay", "monitor.serving", "monitor.session",
}  # fmt: skip
OUTSIDE = {"asyncio", "bleak", "openant", "usb", "textual", "rich", "libusb_package", "scipy", "pandas"}


def modules() -> list[str]:
    names = []
    for package in ("capture", "storage", "monitor"):
        for path in sorted((ROOT / package).rglob("*.py")):
            parts = path.relative_to(ROOT).with_suffix("").parts
            names.append(".".join(part for part in parts if part != "__init__"))
    return names


def loaded_by(name: str) -> set[str]:
    """Names in sys.modules after the import of one module in a fresh interpreter."""
    code = f"import sys; before = set(sys.modules); import {name}; print(*(set(sys.modules) - before))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, cwd=ROOT, check=False)
    assert done.returncode == 0, done.stderr
    return set(done.stdout.split())


def within(name: str, parents: set[str]) -> bool:
    return any(name == parent or name.startswith(parent + ".") for parent in parents)


PURE = [name for name in modules() if "." in name and not within(name, IMPURE)]


@pytest.mark.parametrize("name", PURE)
def test_a_pure_module_loads_nothing_of_the_outside_world(name: str) -> None:
    loaded = loaded_by(name)
    assert name in loaded
    assert sorted(module for module in loaded if within(module, OUTSIDE | IMPURE)) == []


def test_the_list_of_exceptions_is_short_of_what_decides() -> None:
    # A guard for the guard: these must be among those that are checked above.
    assert {"capture.record", "capture.profiles", "monitor.bench", "monitor.curve", "monitor.compare"} <= set(
        PURE
    )


def test_our_packages_are_the_ones_of_this_checkout() -> None:
    # Packages named `capture` and `storage` exist on the public index: an accidental install shadows ours.
    for name in ("capture", "storage", "monitor"):
        code = f"import {name}; print({name}.__file__)"
        done = subprocess.run(
            [sys.executable, "-c", code], capture_output=True, text=True, cwd=ROOT / "tests", check=True
        )
        assert Path(done.stdout.strip()).resolve() == (ROOT / name / "__init__.py").resolve()
