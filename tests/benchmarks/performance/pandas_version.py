"""The same comparison as a tester would write it with pandas: what the monitor's cost is held against.

Power, sides and cadence per second, held for three seconds; means over 30 s; deviation from the
reference in percent, balance and cadence differences; a finding where one crosses its limit.
Neither counters nor lost packets, clocks, uncertainty, causes or states of alarms are seen to.
"""

from collections.abc import Sequence

import pandas as pd

from capture.profiles import decode
from capture.record import Packet
from capture.sample import DecodeError
from monitor.setup.bench import Bench

Row = tuple[float, str, float | None, float | None, float | None]
WINDOW_S = 30
LIVE_S = 62
LIMITS = {"power": 2.1, "left": 2.1, "cadence": 2.0}


def rows(packets: Sequence[Packet]) -> list[Row]:
    """Time, instrument, power, left watts, cadence of every packet that can be decoded."""
    out: list[Row] = []
    for packet in packets:
        try:
            r = decode(packet.channel, packet.data)
        except DecodeError:
            continue
        left = None if r.power_w is None or r.left_share is None else r.power_w * r.left_share
        out.append((packet.t_ns / 1e9, packet.instrument, r.power_w, left, r.cadence_rpm))
    return out


def compare(bench: Bench, table: Sequence[Row]) -> pd.DataFrame:
    """Findings over all rows: second, instrument, what."""
    frame = pd.DataFrame(table, columns=["t", "instrument", "power", "left", "cadence"])
    frame["second"] = frame["t"].astype(int)
    grid = frame.groupby(["second", "instrument"])[["power", "left", "cadence"]].mean().unstack()
    grid = grid.reindex(range(int(frame["second"].min()), int(frame["second"].max()) + 1)).ffill(limit=3)
    means = grid.rolling(WINDOW_S).mean()
    found = []
    for what, limit in LIMITS.items():
        part = means[what]
        if bench.reference not in part:
            continue
        off = part.sub(part[bench.reference], axis=0)
        if what != "cadence":
            off = 100.0 * off.div(part[bench.reference], axis=0)
        over = off.abs() > limit
        raised = over & ~over.shift(fill_value=False)
        found.append(raised.stack()[lambda s: s].reset_index().assign(what=what))
    return pd.concat(found) if found else pd.DataFrame()


def at_once(bench: Bench, packets: Sequence[Packet]) -> int:
    """All of a session in one table; how many findings."""
    return len(compare(bench, rows(packets)))


def live(bench: Bench, packets: Sequence[Packet]) -> int:
    """Each second anew over the last minute, as a live script does it."""
    kept: list[Row] = []
    found = 0
    second = 1
    for packet in packets:
        while packet.t_ns / 1e9 >= second:
            kept = [row for row in kept if row[0] > second - LIVE_S]
            if kept:
                found += len(compare(bench, kept))
            second += 1
        kept += rows([packet])
    return found
