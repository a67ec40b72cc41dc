"""Do the program's decoders read the generator's bytes as what was meant: two readings of one layout."""

from dataclasses import replace

import numpy as np

from capture.profiles import decode
from capture.record import Link, Packet
from capture.sample import Reading
from tests.benchmarks.detection.generator import _meter
from tests.benchmarks.detection.meters import ANT_SLOT_S, send
from tests.benchmarks.detection.rider import ride

SENDERS = (
    "ble-dual-torque",
    "ble-dual",
    "ble-left",
    "ble-spider",
    "ble-spider-cadence",
    "ble-trainer",
    "ant-dual",
    "ant-spider",
    "ant-trainer",
)


def _sum_of_steps(values: list[int], modulus: int) -> int:
    return int(np.sum(np.diff(values) % modulus))


def check(seconds: int = 3600) -> list[str]:
    """One line for each sender and quantity: what was meant, what was read; `WRONG` where they differ."""
    lines: list[str] = []

    def line(name: str, what: str, meant: float, read: float, within: float) -> None:
        good = abs(read - meant) <= within
        lines.append(
            f"{'ok   ' if good else 'WRONG'} {name:20} {what:28} meant {meant:12.2f} read {read:12.2f}"
        )

    for number, sender in enumerate(SENDERS):
        for style in ("levels", "free"):
            rng = np.random.default_rng(number)
            r = ride(style, seconds, rng)
            m = replace(
                _meter(rng, "one", sender, tight=False),
                loss=0.0,
                sleeps=False,
                pages12=True,
                told_crank_mm=172.5 if "dual" in sender else None,
                smoothing_s=0.0,
                battery_percent=60,
            )
            sent = send(r, m, None, rng)
            name = f"{sender} {style}"
            read: list[tuple[float, Reading]] = []
            facts: dict[str, float | str] = {}
            battery = None
            for x in sent.records:
                if isinstance(x, Packet):
                    reading = decode(x.channel, x.data)
                    facts |= reading.facts or {}
                    battery = reading.battery_percent if reading.battery_percent is not None else battery
                    if x.channel == m.channel:
                        read.append((x.t_ns / 1e9, reading))
                else:
                    assert isinstance(x, Link), x
            t = np.array([at for at, _ in read])
            gap = ANT_SLOT_S.get(m.channel)
            if gap or m.update_s:
                line(name, "packets", seconds / (gap or m.update_s), len(t), 10)
            work = float(sent.measured_w.sum())
            powered = [(at, x) for at, x in read if x.power_w is not None]
            at = np.array([a for a, _ in powered])
            shown = float(np.sum(np.diff(at) * np.array([x.power_w for _, x in powered])[1:]))
            # The last power is held for some seconds of coasting: more than was done, and as real ones do.
            line(name, "sum of shown power, J", work, shown, (0.03 if style == "free" else 0.005) * work)
            torque = [x.torque_sum_32nds for _, x in read if x.torque_sum_32nds is not None]
            if torque:
                line(
                    name,
                    "torque counter, J",
                    work,
                    2 * np.pi * _sum_of_steps(torque, 65536) / 32,
                    0.003 * work,
                )
            summed = [
                (x.events, x.power_sum_w)
                for _, x in read
                if x.power_sum_w is not None and x.events is not None
            ]
            if summed and "dual" not in sender:
                total = _sum_of_steps([s for _, s in summed], 65536)
                line(name, "power counter, J", work, total * m.update_s, 0.005 * work)
                line(name, "updates", seconds / m.update_s, _sum_of_steps([e for e, _ in summed], 256), 10)
            revs = [x for _, x in read if x.crank_revs is not None]
            if revs:
                modulus = revs[0].crank_revs_modulus
                turned = _sum_of_steps([x.crank_revs or 0 for x in revs], modulus)
                line(name, "crank revolutions", r.theta_rad[-1] / (2 * np.pi), turned, 5)
                ticks = _sum_of_steps([x.crank_ticks or 0 for x in revs], 65536) / revs[0].crank_tick_hz
                if not r.pauses(20):
                    line(name, "time of the crank counter, s", seconds, ticks, 15)
            rates = [x.cadence_rpm for _, x in read if x.cadence_rpm is not None]
            if rates:
                line(name, "mean cadence, rpm", float(r.cadence_rpm.mean()), float(np.mean(rates)), 1.0)
            shares = [(x.power_w or 0.0, x.left_share) for _, x in read if x.left_share is not None]
            if m.sides == "both":
                weights = [w for w, _ in shares]
                meant = float(sent.clean_left_w.sum() / sent.clean_w.sum())
                line(
                    name,
                    "left share, %",
                    100 * meant,
                    100 * float(np.average([s for _, s in shares], weights=weights)),
                    0.5,
                )
                told = float(facts.get("crank_length_mm", 0.0))
                line(name, "told crank length, mm", 172.5, told, 0.0)
            if not sender.startswith("ant"):
                line(name, "battery, %", 60, battery or 0.0, 15)
    return lines
