"""Where rides lie beside each other, by the shape of power: it has to go up and down alike in all.

A head unit keeps time by satellite or by hand, in whole seconds, and sometimes in the time of its zone. The
shape says where a file lies; its clock only has to be believable.
"""

import math
from collections.abc import Mapping
from pathlib import Path
from typing import NamedTuple

import numpy as np

from monitor.analysis.lag import Floats, peak_offset
from monitor.study.rides.ride import RideFile, RideFileError
from monitor.text import TERMINAL

LIKENESS = 0.8
"""Correlation that the power of two rides must reach."""
MARGIN = 0.05
"""By how much the best place must beat the best one elsewhere."""
ELSEWHERE_S = 20
LEAST_OVERLAP_S = 120
LEAST_SPREAD_W = 10.0
CLOSE_S = 900.0
"""Seconds. A clock that was set by hand is not further off (common practice, no source)."""
ZONE_S, ZONE_NEAR_S = 900.0, 180.0
"""Zones of time lie quarters of an hour apart (ISO 8601); so near to one a clock may be."""
MOST_ZONE_S = 14 * 3600.0 + CLOSE_S
"""The zone furthest east is 14 h ahead of UTC."""


class Shape(NamedTuple):
    """Where one series lies on another: its first second on the other's, and how sure that is.

    `likeness` is the correlation there, `rival` the best one elsewhere, `overlap_s` the seconds both know.
    """

    offset_s: float
    likeness: float
    rival: float
    overlap_s: int


class Placed(NamedTuple):
    """How a file's clock was brought to the evening's: `shift_s` is added to its times.

    `shape` says how well the power fits there; None where too little moves to tell. `against` is the label it
    was held against, empty for the one whose clock counts.
    """

    shift_s: float
    against: str
    by_hand: bool
    shape: Shape | None

    @property
    def words(self) -> str:
        """One sentence with the quality."""
        if not self.against:
            return "its clock is the clock of the evening"
        clock = f"its clock agrees with {self.against}'s"
        way = f"ahead of {self.against}'s" if self.shift_s < 0 else f"behind {self.against}'s"
        if abs(self.shift_s) >= 0.5:
            clock = f"its clock is {abs(self.shift_s):.1f} s {way}"
        if self.shape is None:
            how = "set by hand, power there can't be compared" if self.by_hand else "by shape"
        else:
            how = "set by hand" if self.by_hand else "aligned by the shape of power"
            how += (
                f": likeness {self.shape.likeness:.3f} over {self.shape.overlap_s} s "
                f"(elsewhere at best {TERMINAL.number(self.shape.rival, 2)})"
            )
        return f"{clock}, {how}"


def place(base_w: Floats, own_w: Floats, least: int, path: Path) -> Shape:
    """Where `own_w` lies on `base_w`, one value a second. RideFileError: not the same ride, with figures."""
    likeness, overlap = correlations(base_w, own_w, least)
    if not np.isfinite(likeness).any():
        remedy = "Ride some changes of load with both recording: over-unders or a sprint show it best"
        raise RideFileError(path, "has too steady a power to be placed by its shape", remedy)
    k = int(np.nanargmax(likeness))
    found = _shape(likeness, overlap, k, len(own_w))
    if found.likeness < LIKENESS:
        raise RideFileError(
            path,
            f"is not the same ride: its power is like the session's by {found.likeness:.2f} at best, "
            f"{LIKENESS:.2f} is needed",
            "Give the file that was recorded during this session",
        )
    if found.likeness - found.rival < MARGIN:
        raise RideFileError(
            path,
            f"fits at two places ({found.likeness:.2f} and {found.rival:.2f} alike), "
            "so its place is not known",
            "Give the whole file, or ride something that does not repeat, such as a sprint",
        )
    return found


def _shape(likeness: Floats, overlap: Floats, k: int, length: int) -> Shape:
    away = likeness.copy()
    away[max(0, k - ELSEWHERE_S) : k + ELSEWHERE_S + 1] = np.nan
    rival = float(np.nanmax(away)) if np.isfinite(away).any() else 0.0
    around = likeness[k - 1 : k + 2] if 0 < k < len(likeness) - 1 else np.zeros(0)
    part = peak_offset(*(float(v) for v in around)) if len(around) == 3 and np.isfinite(around).all() else 0.0
    return Shape(k - (length - 1) + part, float(likeness[k]), rival, int(overlap[k]))


def place_all(
    rides: Mapping[str, RideFile], first: str, by_hand: Mapping[str, float] | None = None
) -> dict[str, Placed]:
    """Bring the clocks of several rides together; that of `first` counts.

    Each is held against `first`, or where that is too steady to tell against another that was placed.
    `by_hand`: seconds to add to a file's times, as a person wishes. RideFileError: one is not of this ride.
    """
    wished = by_hand or {}
    series = {label: ride.seconds() for label, ride in rides.items()}
    placed = {first: Placed(wished.get(first, 0.0), "", first in wished, None)}
    for label, shift_s in wished.items():
        if label != first:
            placed[label] = _by_hand(label, first, shift_s, series, placed)
    for label in rides:
        if label not in placed:
            placed[label] = _by_shape(label, rides, series, placed)
    return placed


Series = Mapping[str, tuple[float, Floats]]


def _by_hand(label: str, first: str, shift_s: float, series: Series, placed: Mapping[str, Placed]) -> Placed:
    (base_s, base_w), (own_s, own_w) = series[first], series[label]
    likeness, overlap = correlations(base_w, own_w, min(60, len(base_w), len(own_w)))
    k = round(own_s + shift_s - base_s - placed[first].shift_s) + len(own_w) - 1
    shape = None
    if 0 <= k < len(likeness) and np.isfinite(likeness[k]):
        shape = _shape(likeness, overlap, k, len(own_w))
    return Placed(shift_s, first, True, shape)


def _by_shape(
    label: str, rides: Mapping[str, RideFile], series: Series, placed: Mapping[str, Placed]
) -> Placed:
    ride = rides[label]
    own_s, own_w = series[label]
    problem: RideFileError | None = None
    best: Placed | None = None
    for other, there in placed.items():
        base_s, base_w = series[other]
        least = min(LEAST_OVERLAP_S, len(base_w), len(own_w))
        try:
            if least < 60:
                raise RideFileError(
                    ride.path, "is too short to be placed", "Give a ride of at least a minute"
                )
            shape = place(base_w, own_w, least, ride.path)
        except RideFileError as error:
            problem = problem or error
            continue
        found = Placed(base_s + there.shift_s + shape.offset_s - own_s, other, False, shape)
        if best is None or shape.likeness > (best.shape.likeness if best.shape else 0.0) + MARGIN:
            best = found
        if not there.against:
            break
    if best is None:
        assert problem is not None
        raise problem
    if ride.utc and rides[best.against].utc:
        _need_a_day(label, ride, best)
    return best


def _need_a_day(label: str, ride: RideFile, found: Placed) -> None:
    """RideFileError if the clock says that it was another ride, or stands in another zone."""
    off_s = -found.shift_s
    if abs(off_s) <= CLOSE_S:
        return
    zone_s = ZONE_S * round(off_s / ZONE_S)
    wish = f"--shift {label}={found.shift_s:.1f}"
    if zone_s and abs(off_s) <= MOST_ZONE_S and abs(off_s - zone_s) <= ZONE_NEAR_S:
        minutes = round(abs(zone_s) / 60.0)
        raise RideFileError(
            ride.path,
            f"fits by its shape, but its clock is {_hours(minutes)} "
            f"{'ahead' if off_s > 0 else 'behind'}, as by a zone of time",
            f"If it is the same ride, say so with {wish}",
        )
    raise RideFileError(
        ride.path,
        f"was recorded at another time: where its power fits, its clock is off by {abs(off_s) / 3600:.1f} h",
        f"Give the file that was recorded during this ride, or {wish} if its clock was wrong",
    )


def _hours(minutes: int) -> str:
    return f"{minutes // 60} h" if minutes % 60 == 0 else f"{math.floor(minutes / 60)} h {minutes % 60} min"


def correlations(a: Floats, b: Floats, least: int) -> tuple[Floats, Floats]:
    """Pearson's correlation of `a` and `b` at every place of `b`, over what both know there.

    Entry k belongs to `b` beginning at index k - (len(b) - 1) of `a`. nan where fewer than
    `least` values meet or either hardly moves. Also how many values meet. By FFT.
    """
    ka, kb = np.isfinite(a), np.isfinite(b)
    mean = float(a[ka].mean()) if ka.any() else 0.0
    za, zb = np.where(ka, a - mean, 0.0), np.where(kb, b - mean, 0.0)
    size = 1 << (len(a) + len(b) - 1).bit_length()

    def met(x: Floats, y: Floats) -> Floats:
        spectrum = np.fft.rfft(x, size) * np.fft.rfft(y[::-1], size)
        result: Floats = np.fft.irfft(spectrum, size)[: len(a) + len(b) - 1]
        return result

    ma, mb = ka.astype(np.float64), kb.astype(np.float64)
    n = np.round(met(ma, mb))
    with np.errstate(invalid="ignore", divide="ignore"):
        sa, sb = met(za, mb) / n, met(ma, zb) / n
        va, vb = met(za * za, mb) / n - sa * sa, met(ma, zb * zb) / n - sb * sb
        both = met(za, zb) / n - sa * sb
        good = (n >= least) & (va > LEAST_SPREAD_W**2) & (vb > LEAST_SPREAD_W**2)
        result = np.where(good, both / np.sqrt(np.maximum(va * vb, 1e-12)), np.nan)
    return np.clip(result, -1.0, 1.0), n
