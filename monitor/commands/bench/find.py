"""`find` and `bench new`: what is in range, and a bench written from it."""

import asyncio
import re
import sys
from collections.abc import Callable, Coroutine
from pathlib import Path
from typing import Any

import msgspec

from capture.source import Sighting, SourceError
from monitor.commands.output import UsageError, table, write_message, write_result
from monitor.setup.bench import parse_bench
from monitor.text import plain

GRACE_S = 20.0
"""What a radio may take beyond the time of listening: starting, asking for battery and firmware, closing."""

Finder = Callable[[float], Coroutine[Any, Any, list[Sighting]]]


async def _bluetooth(seconds: float) -> list[Sighting]:
    from capture.bluetooth import find

    return await find(seconds)


async def _ant(seconds: float) -> list[Sighting]:
    from capture.ant import find

    return await find(seconds)


FINDERS: dict[str, Finder] = {"Bluetooth": _bluetooth, "ANT+": _ant}


async def look(
    seconds: float, finders: dict[str, Finder] | None = None
) -> tuple[list[Sighting], dict[str, SourceError]]:
    """Listen on all radios at once: the sightings, and by name the radios that can't be used and why."""
    finders = FINDERS if finders is None else finders

    async def one(name: str, finder: Finder) -> list[Sighting]:
        try:
            async with asyncio.timeout(seconds + GRACE_S):
                return await finder(seconds)
        except TimeoutError:
            raise SourceError(
                f"{name} did not answer", "Unplug and replug the radio, then try again."
            ) from None

    answers = await asyncio.gather(
        *(one(name, finder) for name, finder in finders.items()), return_exceptions=True
    )
    sightings: list[Sighting] = []
    missing: dict[str, SourceError] = {}
    for name, answer in zip(finders, answers, strict=True):
        if isinstance(answer, SourceError):
            missing[name] = answer
        elif isinstance(answer, Exception):
            # What the other radio heard is not lost with it.
            missing[name] = SourceError(f"{name} failed ({answer!r})", "Please report it.")
        elif isinstance(answer, BaseException):
            raise answer
        else:
            sightings.extend(answer)
    return sightings, missing


def find(seconds: float, json: bool) -> int:
    """List the instruments in range. SourceError: neither radio can be used."""
    write_message(
        f"listening for {seconds:g} s on Bluetooth and ANT+: turn the cranks, those asleep say nothing"
    )
    sightings, missing = asyncio.run(look(seconds))
    _note(missing)
    if json:
        write_result(msgspec.json.encode([_as_json(sighting) for sighting in sightings]).decode())
        return 0
    if not sightings:
        write_message(
            "nothing in range: turn the cranks, come nearer, and disconnect other programs and head units"
        )
        return 0
    rows = [("LINK", "NAME", "PROFILES", "SIGNAL", "BATTERY", "FIRMWARE", "")]
    rows += [
        (
            sighting.link,
            sighting.name or "-",
            ", ".join(sighting.profiles) or "-",
            "-" if sighting.rssi_dbm is None else f"{sighting.rssi_dbm} dBm",
            "-" if sighting.battery_percent is None else f"{sighting.battery_percent:.0f} %",
            sighting.firmware or "-",
            sighting.detail,
        )
        for sighting in sightings
    ]
    for line in table(rows):
        write_result(line)
    return 0


def _note(missing: dict[str, SourceError]) -> None:
    if len(missing) == len(FINDERS):
        things = "; ".join(f"{name}: {error.thing}" for name, error in missing.items())
        raise SourceError(
            f"no radio can be used ({things})", " ".join(error.remedy for error in missing.values())
        )
    for name, error in missing.items():
        write_message(f"note: without {name}: {error}")


def _as_json(sighting: Sighting) -> dict[str, object]:
    return msgspec.structs.asdict(sighting)


def new_bench(out: Path | None, seconds: float) -> int:
    """Write a commented bench from what is in range, or a template if nothing is."""
    if out is not None and out.exists():
        raise UsageError(f"{out} is there already. Give another name, or remove it first.")
    write_message(f"listening for {seconds:g} s on Bluetooth and ANT+: turn the cranks")
    sightings, missing = asyncio.run(look(seconds))
    for name, error in missing.items():
        write_message(f"note: without {name}: {error}")
    # A speed sensor alone tells nothing that a bench compares.
    listed = [sighting for sighting in sightings if not sighting.link.startswith("ant:speed:")]
    if not listed:
        why = "no radio can be used" if len(missing) == len(FINDERS) else "nothing is in range"
        write_message(f"{why}: this is a template, put your own links in (`plumbwatt find` lists them)")
    text = bench_text(listed)
    parse_bench(text, str(out or "new bench"))
    if out is None:
        sys.stdout.write(text)
        sys.stdout.flush()
        return 0
    try:
        with open(out, "x", encoding="utf-8") as file:
            file.write(text)
    except OSError as error:
        raise UsageError(f"{out} can't be written: {error.strerror}.") from None
    write_message(f"written: {out}. Fill in mounts and claims, then run `plumbwatt bench check {out}`.")
    return 0


HEAD = """\
# A bench: every instrument that hangs on the line, what it claims, what is tolerated.
# Check it with `plumbwatt bench check FILE`, ride it with `plumbwatt run FILE`.

[bench]
name = "my bench"
reference = {reference}  # the label that the others are compared with, or "consensus" (needs three)
"""

INSTRUMENT = """
[[instrument]]
label = {label}  # a-z, 0-9 and -, up to 16; this is what the screen shows
role = {role}  # reference, witness or on-test
mount = {mount}  # pedals, crank, spider, chainring, hub or cadence
sides = {sides}  # both, left, right, total, or computed (a split worked out from a total)
link = {link}{comment}
{profile}# claim_percent = 1.5  # claimed accuracy, plus or minus
{loss}# crank_length_mm = 172.5  # what is mounted; compared with what the instrument is set to
"""

LIMITS = """
[limits]  # these are the defaults
window_s = 30.0       # length of the window that is judged
floor_w = 3.0         # never judge finer than this
power_percent = 0.0   # 0: from the claims, root sum of squares
balance_points = 2.0  # percentage points
cadence_rpm = 2.0
lost_after_s = 2.5    # silence that counts as lost

# A protocol may stand here too, or in a file of its own (`run --protocol FILE`):
# [[protocol.segment]]
# name = "steady"
# seconds = 120
# target_w = 200
# cadence_rpm = 90
"""

TEMPLATE = (
    Sighting("bluetooth:AA:BB:CC:DD:EE:01", "", ("cycling-power", "fitness-machine")),
    Sighting("ant:power:12345", "", ("power",)),
)


def bench_text(sightings: list[Sighting]) -> str:
    """The TOML of a bench with these instruments; without any, a template with example links."""
    chosen = sightings or list(TEMPLATE)
    labels: list[str] = []
    blocks: list[str] = []
    mounts = [_mount(sighting) for sighting in chosen]
    power = [at for at, mount in enumerate(mounts) if mount != "cadence"]
    # A trainer is what most benches compare with; the person who reads the file may think better.
    reference = next((at for at in power if mounts[at] == "hub"), power[0] if power else None)
    for at, (sighting, mount) in enumerate(zip(chosen, mounts, strict=True)):
        label = _unique(_label(sighting, mount), labels)
        labels.append(label)
        role = "reference" if at == reference else "witness" if mount == "cadence" else "on-test"
        comment = [plain(word, limit=40) for word in (sighting.name, sighting.firmware or "") if word]
        both = "fitness-machine" in sighting.profiles and "cycling-power" in sighting.profiles
        blocks.append(
            INSTRUMENT.format(
                label=_quoted(label),
                role=_quoted(role),
                mount=_quoted(mount),
                sides=_quoted("total"),
                link=_quoted(sighting.link),
                comment=f"  # {', '.join(comment)}" if comment else "",
                profile='profile = "cycling-power"  # or "fitness-machine"\n' if both else "",
                loss="# drivetrain_loss = [2.6, 1.0]  # watts, percent lost on the way to the hub\n"
                if mount == "hub"
                else "",
            )
        )
    if reference is None:
        blocks.append(INSTRUMENT_MISSING)
        labels.append("hub")
        reference = len(labels) - 1
    return HEAD.format(reference=_quoted(labels[reference])) + "".join(blocks) + LIMITS


INSTRUMENT_MISSING = """
# Nothing that measures power was in range; put its link here.
[[instrument]]
label = "hub"
role = "reference"
mount = "hub"
link = "bluetooth:name=NAME OF THE TRAINER"
"""


def _mount(sighting: Sighting) -> str:
    words = " ".join((sighting.link, *sighting.profiles))
    if "trainer" in words or "fitness-machine" in words:
        return "hub"
    if "power" in words:
        return "crank"
    return "cadence"


def _label(sighting: Sighting, mount: str) -> str:
    word = re.sub(r"[^a-z0-9]+", "-", sighting.name.lower()).strip("-")[:13].strip("-")
    return word or {"hub": "hub", "cadence": "cadence"}.get(mount, "meter")


def _unique(word: str, taken: list[str]) -> str:
    if word not in taken and word != "consensus":
        return word
    return next(f"{word}-{n}" for n in range(2, 100) if f"{word}-{n}" not in taken)


def _quoted(text: str) -> str:
    # JSON strings are TOML strings, but for characters that TOML wants escaped and JSON leaves.
    return msgspec.json.encode(plain(text)).decode()
