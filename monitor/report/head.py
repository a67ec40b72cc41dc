"""The head of the page: when and how it was ridden."""

import numpy as np

from monitor.report.material import Material
from monitor.study.results import Study
from monitor.text import clock, plain

MONTHS = (
    "January", "February", "March", "April", "May", "June", "July", "August", "September", "October",
    "November", "December",
)  # fmt: skip
QUARTER_NS = 900 * 10**9
LATE_NS = 120 * 10**9
"""So much may lie between two readings of the clock at the start; zones differ by quarters of an hour."""
FARTHEST_NS = 14 * 3600 * 10**9
MOST_GEARS = 6


def zone_ns(study: Study, started: str) -> int | None:
    """By how much local time was ahead of UTC, ns; None where nothing tells.

    `started`: local time at the start, `YYYY-MM-DD hh:mm:ss`.
    """
    if not study.utc_ns or not started:
        return None
    try:
        local = np.datetime64(started.replace(" ", "T"), "ns").astype(np.int64)
    except ValueError:
        return None
    ahead = int(local) - study.utc_ns
    whole = round(ahead / QUARTER_NS) * QUARTER_NS
    return whole if abs(ahead - whole) <= LATE_NS and abs(whole) <= FARTHEST_NS else None


def day(study: Study, ahead_ns: int = 0) -> str:
    """The date of the start: `25 November 2026`."""
    text = str(np.datetime_as_string(np.datetime64((study.utc_ns or 0) + ahead_ns, "ns"), unit="D"))
    year, month, number = text.split("-")
    return f"{int(number)} {MONTHS[int(month) - 1]} {year}"


def ridden(study: Study, started: str = "") -> str:
    """Date and time of the start, local where that is known; empty where no clock was set."""
    if not study.utc_ns:
        return ""
    ahead = zone_ns(study, started)
    moment = np.datetime64(study.utc_ns + (ahead or 0), "ns")
    hour = str(np.datetime_as_string(moment, unit="m"))[11:]
    return f"{day(study, ahead or 0)}, {hour} {'UTC' if ahead is None else 'local time'}"


def gears(given: Material) -> list[str]:
    """The gears that were ridden, in order, each once."""
    acts = [a.text for a in given.grid.recording.acts if a.act == "gear"]
    told = [s.gear for s in given.study.segments]
    return list(dict.fromkeys(plain(text, 24) for text in (*told, *acts) if text.strip()))


def facts(given: Material, started: str = "") -> list[tuple[str, str]]:
    """What the head says of the ride: name and text of each."""
    study = given.study
    found = [("Ridden", ridden(study, started)), ("Length", clock(study.seconds))]
    found.append(("Compared with", given.reference))
    shown = gears(given)
    if shown:
        more = f" and {len(shown) - MOST_GEARS} more" if len(shown) > MOST_GEARS else ""
        found.append(("Gear", ", ".join(shown[:MOST_GEARS]) + more))
    lost = f", {study.lost_records} lost" if study.lost_records else ""
    found.append(("Records", f"{study.records}{lost}"))
    return [(name, text) for name, text in found if text]
