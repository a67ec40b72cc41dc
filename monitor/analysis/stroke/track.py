"""What one instrument reports of the stroke, second by second: gathered live and for a study alike."""

from collections.abc import Callable, Mapping
from typing import Final

import msgspec
import numpy as np

from capture.sample import Reading
from monitor.analysis.statistics import Floats
from monitor.analysis.stroke.circular import middle
from monitor.analysis.stroke.shape import gather, gathered
from monitor.analysis.stroke.vector import Vectors

FIELDS: Final[Mapping[str, str]] = {
    "left_torque_effectiveness_percent": "%", "right_torque_effectiveness_percent": "%",
    "left_pedal_smoothness_percent": "%", "right_pedal_smoothness_percent": "%",
    "pedal_smoothness_percent": "%",
    "torque_barycenter_deg": "°",
    "left_power_phase_start_deg": "°", "left_power_phase_end_deg": "°",
    "left_power_phase_peak_start_deg": "°", "left_power_phase_peak_end_deg": "°", "left_torque_nm": "N·m",
    "right_power_phase_start_deg": "°", "right_power_phase_end_deg": "°",
    "right_power_phase_peak_start_deg": "°", "right_power_phase_peak_end_deg": "°", "right_torque_nm": "N·m",
    "left_platform_offset_mm": "mm", "right_platform_offset_mm": "mm",
    "max_torque_nm": "N·m", "min_torque_nm": "N·m", "max_force_n": "N", "min_force_n": "N",
    "max_torque_angle_deg": "°", "min_torque_angle_deg": "°",
    "top_dead_spot_deg": "°", "bottom_dead_spot_deg": "°",
}  # fmt: skip
"""What is reported of the stroke besides vectors, by the name of the fact, with its unit."""
POSITION: Final = "rider_position"
_NAMES: Final = frozenset((*FIELDS, POSITION))
POSITIONS: Final = ("seated", "getting seated", "standing", "getting up")
POSITION_HELD_S = 30.0
"""A position that was reported holds so long: pages come in turn (common practice, no source)."""
MOST_TORQUE_NM, MOST_FORCE_N = 500.0, 4000.0
"""No leg drives with more: what is beyond is noise (common practice, no source)."""
FACT_HELD_S = 8.0
"""The same of all else: pages of the stroke come every six seconds or so."""


class StrokeSecond(msgspec.Struct, gc=False):
    """One second: the gathered shape (3, BINS) or None, numbers by name, seated or standing."""

    shape: Floats | None = None
    facts: dict[str, float] = {}
    position: str = ""


def tells_of_stroke(facts: Mapping[str, float | str]) -> bool:
    """Whether any of these facts is one of the stroke."""
    return not _NAMES.isdisjoint(facts)


Sink = Callable[[int, StrokeSecond], None]


class StrokeTrack:
    """Takes the readings of one instrument in order of arrival; `sink` gets each second that has something.

    Memory is bounded: one second, and what the vectors wait for.
    """

    def __init__(self, sink: Sink) -> None:
        self.vectors = Vectors()
        self._sink = sink
        self._second = -1
        self._now = StrokeSecond(facts={})
        self.reports = False
        """Whether anything of the stroke was ever reported."""

    def take(self, reading: Reading, t_s: float) -> None:
        """One reading that arrived at `t_s`."""
        if reading.vector is not None:
            self.reports = True
            placed = self.vectors.feed(reading.vector, t_s)
            if placed is not None:
                now = self._at(t_s)
                if now.shape is None:
                    now.shape = gathered()
                most = MOST_FORCE_N if reading.vector.is_force else MOST_TORQUE_NM
                good = np.abs(placed.values) <= most
                gather(now.shape, placed.angles_deg[good], placed.values[good])
            return
        if reading.facts:
            self._take_facts(reading.facts, t_s)
        if self.reports and reading.crank_revs is not None and reading.crank_ticks is not None:
            self.vectors.crank(
                reading.crank_revs,
                reading.crank_ticks,
                t_s,
                reading.crank_tick_hz,
                reading.crank_revs_modulus,
            )

    def _take_facts(self, facts: Mapping[str, float | str], t_s: float) -> None:
        for name, value in facts.items():
            if name in FIELDS and isinstance(value, float | int):
                self.reports = True
                self._at(t_s).facts[name] = float(value)
            elif name == POSITION and value in POSITIONS:
                self.reports = True
                self._at(t_s).position = str(value)

    def _at(self, t_s: float) -> StrokeSecond:
        second = int(t_s)
        if second > self._second:
            self.close()
            self._second, self._now = second, StrokeSecond(facts={})
        return self._now

    def close(self) -> None:
        """Hand over the second that is open."""
        if self._second >= 0 and (self._now.shape is not None or self._now.facts or self._now.position):
            self._sink(self._second, self._now)
        self._second = -1


def peak_of(facts: Mapping[str, float], side: str) -> float | None:
    """The middle of the peak power phase of a side, degrees; None where it is not reported."""
    start, end = (facts.get(f"{side}_power_phase_peak_{which}_deg") for which in ("start", "end"))
    return None if start is None or end is None else middle(start, end)
