"""Columns of the stroke for samples, grid and ride files; angles as in `monitor.analysis.stroke`.

In samples they hold what a packet said. In the grid an instrument has those columns in which it said
anything: numbers as last reported within the last eight seconds, the position within thirty; angles of
peak torque are of the five seconds about each.
"""

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from capture.sample import Reading
from monitor.analysis.statistics import Floats
from monitor.analysis.stroke.series import Series, Side
from monitor.analysis.stroke.track import FIELDS, POSITION

if TYPE_CHECKING:
    from storage.tables import Column

NO_FACTS: Mapping[str, Any] = {}
PEAK_ABOUT_S = 5
"""Seconds about each over which the grid's angle of peak torque is taken: a turn alone has too few values."""
VECTOR_ANGLE, VECTOR_TORQUE, VECTOR_FORCE = "vector_first_deg", "vector_torque_nm", "vector_force_n"
RIDE_FILE_PERCENTS = {
    "left_torque_effectiveness_percent": "left_torque_effectiveness",
    "right_torque_effectiveness_percent": "right_torque_effectiveness",
    "left_pedal_smoothness_percent": "left_pedal_smoothness",
    "right_pedal_smoothness_percent": "right_pedal_smoothness",
    "pedal_smoothness_percent": "combined_pedal_smoothness",
}
"""Columns that ride files have a field of their own for."""


def grid_stroke_fields(label: str) -> dict[str, str]:
    """All numbers of the stroke that the grid may have of an instrument, with their units."""
    names = {"left_peak_deg": "°", "right_peak_deg": "°", **FIELDS}
    return {f"{label}.{name}": unit for name, unit in names.items()}


def sample_stroke_columns() -> "list[Column]":
    """What is kept of the stroke of each packet."""
    from storage.tables import Column

    return [
        *(Column(name, "float", unit) for name, unit in FIELDS.items()),
        Column(POSITION, "text"),
        Column(VECTOR_ANGLE, "float", "°"),
        Column(VECTOR_TORQUE, "floats", "N·m"),
        Column(VECTOR_FORCE, "floats", "N"),
    ]


def sample_stroke_values(readings: Sequence[tuple[Any, ...]]) -> dict[str, list[Any]]:
    """The values of these columns, of readings as tuples of their fields."""
    at_facts = Reading.__struct_fields__.index("facts")
    at_vector = Reading.__struct_fields__.index("vector")
    facts = [r[at_facts] or NO_FACTS for r in readings]
    vectors = [r[at_vector] for r in readings]
    nothing: list[Any] = [None] * len(readings)
    # Of most instruments no packet says anything of the stroke.
    said = {name for each in facts if each for name in each}
    values = {name: [f.get(name) for f in facts] if name in said else nothing for name in (*FIELDS, POSITION)}
    if not any(vectors):
        return values | dict.fromkeys((VECTOR_ANGLE, VECTOR_TORQUE, VECTOR_FORCE), nothing)
    values[VECTOR_ANGLE] = [None if v is None else v.first_angle_deg for v in vectors]
    values[VECTOR_TORQUE] = [None if v is None or v.is_force else v.values for v in vectors]
    values[VECTOR_FORCE] = [v.values if v is not None and v.is_force else None for v in vectors]
    return values


def grid_strokes(label: str, series: Series) -> "tuple[list[Column], dict[str, Any]]":
    """The columns of one instrument in the grid, those with anything in them, and their values."""
    from storage.tables import Column

    columns: list[Column] = []
    values: dict[str, Any] = {}
    sides: tuple[Side, Side] = ("left", "right")
    for side in sides:
        peaks = _peaks(series, side) if side in series.sides else None
        if peaks is not None and np.isfinite(peaks).any():
            columns.append(Column(f"{label}.{side}_peak_deg", "float", "°"))
            values[columns[-1].name] = peaks
    for name, unit in FIELDS.items():
        if name in series.facts:
            columns.append(Column(f"{label}.{name}", "float", unit))
            values[columns[-1].name] = series.held(name)
    if (series.position != "").any():
        columns.append(Column(f"{label}.{POSITION}", "text"))
        values[columns[-1].name] = [word or None for word in series.position.tolist()]
    return columns, values


def _peaks(series: Series, side: Side) -> Floats:
    """The angle of peak torque of the seconds about each, nan where none is known."""
    return np.array([series.peak_about(second, PEAK_ABOUT_S, side) for second in range(series.seconds)])
