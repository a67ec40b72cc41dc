"""The bench file: which instruments hang on the line, what they claim, what is tolerated."""

import re
from collections.abc import Mapping, Sequence
from pathlib import Path as FilePath
from typing import Literal

import msgspec

from monitor.setup.protocol import Protocol, read_segments
from monitor.setup.toml_check import BenchError, Document, Path, read_text, shown, suggestion

Role = Literal["reference", "witness", "on-test"]
Mount = Literal["pedals", "crank", "spider", "chainring", "hub", "cadence"]
Sides = Literal["both", "left", "right", "total", "computed"]
"""`computed`: a split that the maker computes from a total; it is compared and shown, never judged."""
Profile = Literal["cycling-power", "fitness-machine", "speed-cadence"]

CONSENSUS = "consensus"
MOST_INSTRUMENTS = 64
SCHEMES = ("bluetooth", "ant", "scene", "log", "ride")
ANT_KINDS = ("power", "trainer", "cadence", "speed-cadence")

CLOCK_TIME = re.compile(r"(?:[01]\d|2[0-3]):[0-5]\d")
LABEL = re.compile(r"[a-z0-9-]{1,16}")
_MAC = re.compile(r"(?:[0-9A-Fa-f]{2}:){5}[0-9A-Fa-f]{2}")
_HOST_UUID = re.compile(r"[0-9A-Fa-f]{8}(?:-[0-9A-Fa-f]{4}){3}-[0-9A-Fa-f]{12}")


class Instrument(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """One instrument of the bench, as its tester describes it.

    `claim_percent` is the claimed accuracy, plus or minus; `drivetrain_loss` watts and
    percent that are expected to be lost between the crank and a hub. `serial` and `firmware` stand in
    where the instrument does not report them, `model` is what it is called.
    """

    label: str
    link: str
    role: Role = "on-test"
    mount: Mount = "crank"
    sides: Sides = "total"
    profile: Profile | None = None
    claim_percent: float | None = None
    drivetrain_loss: tuple[float, float] | None = None
    crank_length_mm: float | None = None
    notes: str = ""
    model: str = ""
    serial: str | int = ""
    firmware: str = ""

    @property
    def measures_power(self) -> bool:
        """False for a cadence sensor."""
        return self.mount != "cadence" and self.profile != "speed-cadence"


def stated(instrument: Instrument) -> dict[str, float | str]:
    """What the bench says of an instrument's identity, by the names of what instruments report."""
    named = {"model": instrument.model, "serial": str(instrument.serial), "firmware": instrument.firmware}
    return {key: value for key, value in named.items() if value}


def identity(instrument: Instrument, reported: Mapping[str, float | str]) -> dict[str, float | str]:
    """What an instrument reported of itself, with what the bench says where it does not.

    The model is the tester's word if there is one: makers report part numbers, or the name of a family.
    """
    model = {"model": instrument.model} if instrument.model else {}
    return {**stated(instrument), **reported, **model}


class Limits(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """When a difference counts. `power_percent` 0 means: from the claims, as root sum of squares."""

    window_s: float = 30.0
    floor_w: float = 3.0
    power_percent: float = 0.0
    balance_points: float = 2.0
    cadence_rpm: float = 2.0
    lost_after_s: float = 2.5


class TrainerRules(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """What a commanded trainer may do.

    `label` names it where the bench has several (empty: the only one), `max_w` is never
    exceeded, `safe_w` what it is dropped to, `ramp_w_per_s` how fast a target moves,
    `grade_percent` the road that is simulated while riding is free.
    """

    label: str = ""
    max_w: float = 400.0
    safe_w: float = 80.0
    ramp_w_per_s: float = 25.0
    grade_percent: float = 0.0


class Bench(msgspec.Struct, frozen=True, kw_only=True):
    """A whole bench. `text` is the file as read: it goes into the journal's header.

    `protocol` is the one that stands in the bench file, if any; `scene` the settings of
    the simulated rider, checked by `capture.scene`.
    """

    name: str
    reference: str
    instruments: tuple[Instrument, ...]
    limits: Limits = Limits()
    scene: dict[str, object] | None = None
    text: str = ""
    protocol: Protocol | None = None
    trainer: TrainerRules = TrainerRules()
    hand_back: str = ""
    """When the unit on test goes back, local time `hh:mm`; empty: not told."""

    @property
    def scripted(self) -> bool:
        """True if no link needs a radio: only then may time run at another speed."""
        return all(instrument.link.startswith(("scene:", "log:")) for instrument in self.instruments)


class _BenchTable(msgspec.Struct, kw_only=True):
    reference: str
    name: str = "bench"
    hand_back: str = ""


_LIMIT_RANGES = {
    "window_s": (1, 3600, "seconds"),
    "floor_w": (0, 1000, "watts"),
    "power_percent": (0, 100, "percent"),
    "balance_points": (0.1, 50, "percentage points"),
    "cadence_rpm": (0.1, 100, "rpm"),
    "lost_after_s": (0.3, 600, "seconds"),
}
_TRAINER_RANGES = {
    "max_w": (50, 2000, "watts"),
    "safe_w": (0, 200, "watts"),
    "ramp_w_per_s": (1, 200, "watts a second"),
    "grade_percent": (-5, 5, "percent"),
}


def load_bench(path: FilePath | str) -> Bench:
    """A bench file. BenchError: it can't be read or is not a bench."""
    return parse_bench(read_text(path), str(path))


def parse_bench(text: str, name: str = "bench") -> Bench:
    """A bench from TOML text; `name` is used in messages. BenchError: what is wrong, and where."""
    document = Document(text, name)
    root = document.root
    document.refuse_unknown(root, (), ("bench", "instrument", "limits", "protocol", "scene", "trainer"))
    if "bench" not in root:
        raise BenchError(name, "the table [bench] is missing", 'Begin with [bench] and reference = "LABEL".')
    head = document.convert(document.table(("bench",), root["bench"]), ("bench",), _BenchTable)
    if not head.name.strip() or len(head.name) > 80 or "\n" in head.name:
        document.fail(("bench", "name"), "must be 1 to 80 characters in one line")
    if head.hand_back and not CLOCK_TIME.fullmatch(head.hand_back):
        document.fail(("bench", "hand_back"), f"{shown(head.hand_back)} is no time", 'Write it as "09:00".')
    if not root.get("instrument"):
        raise BenchError(name, "there is no instrument", "Write [[instrument]] with label and link for each.")
    instruments = _instruments(document, root["instrument"])
    _check_reference(document, head.reference, instruments)
    limits = document.convert(document.table(("limits",), root.get("limits", {})), ("limits",), Limits)
    for key, (low, high, unit) in _LIMIT_RANGES.items():
        document.require_range(("limits", key), getattr(limits, key), low, high, unit)
    trainer = _trainer(document, root.get("trainer", {}), [each.label for each in instruments])
    protocol = None
    if "protocol" in root:
        table = document.table(("protocol",), root["protocol"])
        document.refuse_unknown(table, ("protocol",), ("segment",))
        protocol = read_segments(document, table.get("segment", []), ("protocol", "segment"))
    return Bench(
        name=head.name,
        reference=head.reference,
        instruments=instruments,
        limits=limits,
        scene=document.table(("scene",), root["scene"]) if "scene" in root else None,
        text=text,
        protocol=protocol,
        trainer=trainer,
        hand_back=head.hand_back,
    )


def _trainer(document: Document, value: object, labels: Sequence[str]) -> TrainerRules:
    rules = document.convert(document.table(("trainer",), value), ("trainer",), TrainerRules)
    for key, (low, high, unit) in _TRAINER_RANGES.items():
        document.require_range(("trainer", key), getattr(rules, key), low, high, unit)
    if rules.safe_w > rules.max_w:
        document.fail(("trainer", "safe_w"), f"is {rules.safe_w:g}, above max_w ({rules.max_w:g})")
    if rules.label and rules.label not in labels:
        hint = suggestion(rules.label, labels)
        document.fail(("trainer", "label"), f"{shown(rules.label)} is no label of this bench", hint)
    return rules


def remarks(bench: Bench) -> list[str]:
    """What is allowed but probably not meant, one sentence each; for `bench check`."""
    found = []
    for instrument in bench.instruments:
        if instrument.role == "reference" and instrument.label != bench.reference:
            found.append(
                f'{instrument.label} has the role "reference", but the bench takes "{bench.reference}".'
            )
        if instrument.measures_power and instrument.claim_percent is None:
            found.append(
                f"{instrument.label} has no claim_percent: it is judged as if it claimed what is common."
            )
        if instrument.link.startswith("ant:") and instrument.link.endswith((":0", ":*")):
            found.append(f"{instrument.label} takes the first of its kind that is heard: another may answer.")
        if instrument.link.startswith("ant:") and instrument.profile:
            found.append(f"{instrument.label}: ANT+ links tell their profile, `profile` is not used.")
    if not any(instrument.role == "on-test" for instrument in bench.instruments):
        found.append("No instrument is on test.")
    scened = any(instrument.link.startswith("scene:") for instrument in bench.instruments)
    if bench.scene is not None and not scened:
        found.append("The table [scene] is not used: no link is `scene:`.")
    return found


def _instruments(document: Document, value: object) -> tuple[Instrument, ...]:
    instruments: list[Instrument] = []
    labels: dict[str, int] = {}
    links: dict[tuple[str, str | None], str] = {}
    tables = document.tables(("instrument",), value)
    if len(tables) > MOST_INSTRUMENTS:
        document.fail(("instrument", MOST_INSTRUMENTS), f"more than {MOST_INSTRUMENTS} instruments")
    for at, table in enumerate(tables):
        where: Path = ("instrument", at)
        instrument = document.convert(table, where, Instrument)
        _check_instrument(document, instrument, where)
        label = instrument.label
        if label in labels:
            document.fail(
                (*where, "label"), f'"{label}" is also instrument {labels[label] + 1}', "Labels are unique."
            )
        labels[label] = at
        link = (instrument.link.lower(), instrument.profile)
        if link in links:
            document.fail(
                (*where, "link"), f'is also the link of "{links[link]}"', "One entry hears one instrument."
            )
        links[link] = label
        instruments.append(instrument)
    return tuple(instruments)


def _check_instrument(document: Document, instrument: Instrument, where: Path) -> None:
    if not LABEL.fullmatch(instrument.label):
        hint = f'For instance "{_as_label(instrument.label)}".'
        document.fail((*where, "label"), "must be 1 to 16 of the characters a-z, 0-9 and -", hint)
    if instrument.label == CONSENSUS:
        document.fail(
            (*where, "label"), f'"{CONSENSUS}" stands for the median of the others', "Take another label."
        )
    _check_link(document, instrument.link, (*where, "link"))
    document.require_range((*where, "claim_percent"), instrument.claim_percent, 0.01, 50, "percent")
    document.require_range((*where, "crank_length_mm"), instrument.crank_length_mm, 80, 250, "mm")
    if instrument.drivetrain_loss is not None:
        loss = (*where, "drivetrain_loss")
        if instrument.mount != "hub":
            document.fail(loss, f'is for mount "hub" only, this is "{instrument.mount}"', "Remove the key.")
        document.require_range(loss, instrument.drivetrain_loss[0], 0, 100, "watts")
        document.require_range(loss, instrument.drivetrain_loss[1], 0, 50, "percent")
    for key in ("model", "serial", "firmware"):
        value = str(getattr(instrument, key))
        if len(value) > 60 or not value.isprintable():
            document.fail((*where, key), "must be at most 60 characters in one line")
    if len(instrument.notes) > 2000:
        document.fail((*where, "notes"), "longer than 2000 characters")


def _check_link(document: Document, link: str, where: Path) -> None:
    scheme, colon, target = link.partition(":")
    if scheme not in SCHEMES or not colon:
        hint = suggestion(scheme, [f"{known}:" for known in SCHEMES])
        document.fail(where, f"{shown(link)} does not begin with a known kind of link", hint)
    if scheme == "bluetooth":
        named = target.startswith("name=") and target[5:].strip()
        if not (named or _MAC.fullmatch(target) or _HOST_UUID.fullmatch(target)):
            hint = (
                'Write "bluetooth:AA:BB:CC:DD:EE:FF" (as `plumbwatt find` lists it) or "bluetooth:name=NAME".'
            )
            document.fail(where, f"{shown(link)} holds no Bluetooth address", hint)
    elif scheme == "ant":
        kind, _, number = target.partition(":")
        if kind not in ANT_KINDS:
            document.fail(
                where, f"{shown(link)} names no known kind of ANT+ device", suggestion(kind, ANT_KINDS)
            )
        if number != "*" and not (
            number.isascii() and number.isdigit() and len(number) <= 7 and int(number) <= 65535
        ):
            hint = (
                f'Write the device number, 1 to 65535, as in "ant:{kind}:12345"; `plumbwatt find` lists it.'
            )
            document.fail(where, f"{shown(link)} holds no ANT+ device number", hint)
    elif scheme == "scene":
        if not LABEL.fullmatch(target):
            document.fail(where, f"{shown(link)} names no instrument of a scene", 'For instance "scene:hub".')
    elif scheme == "ride":
        if not LABEL.fullmatch(target):
            document.fail(where, f"{shown(link)} names no ride file", 'For instance "ride:hub".')
    elif not target.strip() or len(target) > 64:
        document.fail(where, f"{shown(link)} names no instrument of a capture log", 'For instance "log:hub".')


def _check_reference(document: Document, reference: str, instruments: Sequence[Instrument]) -> None:
    where = ("bench", "reference")
    power = [instrument.label for instrument in instruments if instrument.measures_power]
    if reference == CONSENSUS:
        if len(power) < 3:
            problem = f'"{CONSENSUS}" needs three instruments that measure power, here are {len(power)}'
            document.fail(where, problem, "Name one of them as the reference.")
        return
    labels = [instrument.label for instrument in instruments]
    if reference not in labels:
        document.fail(
            where,
            f"{shown(reference)} is no label of this bench",
            suggestion(reference, [*labels, CONSENSUS]),
        )
    if reference not in power:
        hint = f"Take one that does: {', '.join(power)}." if power else ""
        document.fail(where, f'"{reference}" measures no power', hint)


def _as_label(text: str) -> str:
    return re.sub(r"[^a-z0-9-]+", "-", text.lower()).strip("-")[:16] or "meter-1"
