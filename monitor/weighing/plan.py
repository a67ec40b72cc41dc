"""The order in which a static check is done, and how its readings are written down."""

import csv
import re
from collections.abc import Iterator, Sequence
from pathlib import Path

from monitor.weighing.loads import MOST_KG, Direction, Load, Side, problem

ANGLES_DEG = (0.0, 90.0, 180.0, 270.0)
"""Four positions of the crank: a fault that turns with the crank shows in one of them only."""
PLACES = {0.0: "forward, level", 90.0: "down", 180.0: "backward, level", 270.0: "up"}
CAUTIONS = (
    "Follow the maker's instructions for your crank, stand and bicycle first: they may forbid static loads.",
    "Hang masses low above the floor, on a strap that can't slip; keep hands and feet from under them.",
    "Clamp the frame as its maker allows. Block the rear wheel; the chain holds the crank then.",
    "Nobody sits on the bicycle. Take the mass off before the brake is let go: the wheel may turn.",
)
COLUMNS = ("side", "angle_deg", "mass_kg", "direction", "reading_nm")
MOST_READINGS = 1000
_NOTE = re.compile(
    r"(?:weight\s+)?(?P<mass>\d+(?:[.,]\d+)?)\s*kg(?:\s+(?P<side>left|right|total))?"
    r"(?:\s+(?P<angle>\d+(?:[.,]\d+)?)\s*(?:deg|°)?)?(?:\s+(?P<way>up|down))?",
    re.IGNORECASE,
)


def steps(
    sides: Sequence[Side], masses_kg: Sequence[float], angles_deg: Sequence[float] = ANGLES_DEG
) -> Iterator[tuple[Side, float, float, Direction]]:
    """Side, angle, mass and direction of one reading after the other: masses added, then taken off.

    Each position begins and ends without a mass, so that its zero is read twice.
    """
    rising = [0.0, *sorted(masses_kg)]
    for side in sides:
        for angle in angles_deg:
            for mass in rising:
                yield side, angle, mass, "up"
            for mass in reversed(rising[:-1]):
                yield side, angle, mass, "down"


def words(side: Side, angle_deg: float, mass_kg: float, direction: Direction) -> str:
    """One step for the person at the bench."""
    whose = "the crank" if side == "total" else f"the {side} crank"
    place = PLACES.get(angle_deg, f"at {angle_deg:g}°")
    load = f"{mass_kg:g} kg" if mass_kg else "no mass"
    return f"{whose} {place}: {load}, {'adding' if direction == 'up' else 'taking off'}"


def parse_note(text: str) -> tuple[float, Side | None, float, Direction] | None:
    """Mass, side, angle and direction from what a tester noted: `20.01 kg right 0 down`; None: no load.

    What is left out is: of either side, crank forward, masses being added.
    """
    found = _NOTE.fullmatch(text.strip())
    if found is None:
        return None
    mass = float(found["mass"].replace(",", "."))
    side: Side | None = found["side"].lower() if found["side"] else None  # type: ignore[assignment]
    angle = float((found["angle"] or "0").replace(",", "."))
    way: Direction = "down" if (found["way"] or "up").lower() == "down" else "up"
    return (mass, side, angle, way) if mass <= MOST_KG and angle <= 360.0 else None


def read_table(path: Path) -> list[Load]:
    """Loads from a CSV file with the columns side, angle_deg, mass_kg, direction, reading_nm.

    ValueError: what is wrong, with the line.
    """
    try:
        text = path.read_text(encoding="utf-8-sig")
    except UnicodeError:
        raise ValueError(f"{path} is no text in UTF-8: save it as CSV, UTF-8") from None
    except OSError as error:
        raise ValueError(f"{path} can't be read ({error.strerror or error})") from None
    rows = csv.DictReader(text.splitlines())
    lacking = [name for name in COLUMNS if name not in (rows.fieldnames or ())]
    if lacking:
        raise ValueError(f"{path} lacks the column {lacking[0]}: it needs {', '.join(COLUMNS)}")
    loads = []
    for number, row in enumerate(rows, 2):
        try:
            load = _load(row)
        except ValueError as error:
            raise ValueError(f"{path}, line {number}: {error}") from None
        loads.append(load)
        if len(loads) > MOST_READINGS:
            raise ValueError(f"{path} has more than {MOST_READINGS} readings")
    return loads


def _load(row: dict[str, str | None]) -> Load:
    values = {name: (row[name] or "").strip() for name in COLUMNS}
    if values["side"] not in ("left", "right", "total"):
        raise ValueError(f"side is left, right or total, not {values['side'][:20]!r}")
    if values["direction"] not in ("up", "down"):
        raise ValueError(f"direction is up or down, not {values['direction'][:20]!r}")
    numbers = []
    for name in ("angle_deg", "mass_kg", "reading_nm"):
        try:
            numbers.append(float(values[name]))
        except ValueError:
            raise ValueError(f"{name} is a number, not {values[name][:20]!r}") from None
    side: Side = values["side"]  # type: ignore[assignment]
    direction: Direction = values["direction"]  # type: ignore[assignment]
    load = Load(side, numbers[0], numbers[1], direction, numbers[2])
    if wrong := problem(load):
        raise ValueError(wrong)
    return load
