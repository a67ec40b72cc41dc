"""Packets as real meters send them, octet by octet, and the work and cadence that follow.

Layouts are written by hand from the published tables: ANT+ pages 0x10, 0x11, 0x12, 0x19, 0x1A, 0x20 and 0x01
as open decoders read them, 0x2A63 and 0x2AD2 from the Bluetooth SIG GATT Specification Supplement.
"""

import dataclasses
import math
import struct
from collections.abc import Callable, Iterator

import numpy as np
import numpy.typing as npt
import pytest

from capture.profiles import decode
from capture.record import Packet, Record, Tick
from monitor.analysis.curve import COVERED, REVS, TURNED, WORK
from monitor.analysis.work.track import Track
from monitor.finding import Finding
from monitor.live.pipeline import Pipeline
from monitor.setup.bench import parse_bench
from tests.benchmarks.detection import generator, meters
from tests.helpers.curves import counted

TWO_PI = 2.0 * math.pi
Sent = tuple[float, str, bytes]
"""Arrival (s), channel, octets."""


def heard(sent: Iterator[Sent] | list[Sent], seconds: int) -> tuple[Track, npt.NDArray[np.float64]]:
    """A track that has taken the packets, and its cells of the first seconds."""
    track = counted(Track("total"))
    for t, channel, octets in sent:
        track.feed(decode(channel, octets), t)
    track.settle()
    return track, np.array([track.curve.close() for _ in range(seconds)])


def page(number: int, count: int, revs: int, period: float, torque: float) -> bytes:
    """0x11 and 0x12: count, revolutions, no cadence, period 1/2048 s, torque 1/32 N·m, little-endian."""
    return struct.pack(
        "<BBBBHH", number, count % 256, revs % 256, 0xFF, round(period) % 65536, round(torque) % 65536
    )


def trainer_page(count: int, revs: int, period: float, torque: float) -> bytes:
    """0x1A: count, wheel revolutions, period 1/2048 s, torque 1/32 N·m, state (3: in use)."""
    return struct.pack(
        "<BBBHHB", 0x1A, count % 256, revs % 256, round(period) % 65536, round(torque) % 65536, 0x30
    )


# -- updates at a fixed rate ------------------------------------------------------------------


def timed_wheel(
    power_w: float,
    turns_per_s: float,
    update_s: float,
    seconds: float,
    body: Callable[..., bytes],
    channel: str,
) -> Iterator[Sent]:
    """Each update adds the mean period of a wheel turn and the mean torque of it, whatever it turned."""
    torque_nm = power_w / (TWO_PI * turns_per_s)
    slot = 0
    while slot * 0.25 < seconds:
        t = slot * 0.25
        updates = int(t / update_s)
        revs = int(updates * update_s * turns_per_s)
        yield (
            t + 0.01,
            channel,
            body(updates, revs, 2048.0 / turns_per_s * updates, 32.0 * torque_nm * updates),
        )
        slot += 1


@pytest.mark.parametrize("channel", ["ant11", "ant17"])
@pytest.mark.parametrize("update_s", [0.25, 0.5, 1.0])
@pytest.mark.parametrize("turns_per_s", [0.7, 2.1, 3.97, 4.0, 6.3])
def test_wheel_torque_updated_at_a_fixed_rate_is_the_power_of_the_wheel(
    channel: str, update_s: float, turns_per_s: float
) -> None:
    """P = 2 pi x mean torque / mean period, for as long as the update lasts: 208 W is 208 W."""
    body = trainer_page if channel == "ant17" else lambda *v: page(0x11, *v)
    track, rows = heard(timed_wheel(208.0, turns_per_s, update_s, 120.0, body, channel), 120)
    assert rows[10:118, WORK].sum() / rows[10:118, COVERED].sum() == pytest.approx(208.0, rel=0.004)
    assert rows[10:118, COVERED].min() == pytest.approx(1.0, abs=1e-6)
    assert rows[:, WORK].max() < 215.0
    assert track.power_w == pytest.approx(208.0, rel=0.02)
    assert track.restarts == 0
    assert rows[:, TURNED].sum() == 0.0, "a wheel is no crank"
    assert track.turning_s == -math.inf


@pytest.mark.parametrize("turns_per_s", [1.3, 4.0, 7.9])
def test_wheel_torque_of_each_turn_stays_exact(turns_per_s: float) -> None:
    """Event-synchronous: each turn adds its own period and torque; packets show the last one."""
    torque = 32.0 * 208.0 / (TWO_PI * turns_per_s)

    def sent() -> Iterator[Sent]:
        for slot in range(480):
            revs = int(slot * 0.25 * turns_per_s)
            yield (
                slot * 0.25 + 0.01,
                "ant11",
                page(0x11, revs, revs, 2048.0 / turns_per_s * revs, torque * revs),
            )

    track, rows = heard(sent(), 120)
    assert rows[10:115, WORK].sum() / 105.0 == pytest.approx(208.0, rel=0.004)
    assert track.restarts == 0


def test_an_update_that_is_repeated_is_no_power_of_nothing() -> None:
    """Revolutions may step between updates: nothing is told of work until the next one."""
    slots = []
    for slot in range(240):
        t = slot * 0.25
        updates = int(t)
        slots.append((t + 0.01, "ant11", page(0x11, updates, int(t * 4.0), 512.0 * updates, 300.0 * updates)))
    expected = TWO_PI * 300.0 / 32.0 / 0.25
    _, rows = heard(slots, 60)
    assert rows[10:58, WORK].sum() / rows[10:58, COVERED].sum() == pytest.approx(expected, rel=1e-3)


# -- registers in a stop ----------------------------------------------------------------------


def ride_with_stop(stop_s: float, runs: bool, channel: str) -> Iterator[Sent]:
    """Sixty turns of 0.75 s, a stop, sixty turns; the period runs through the stop or stands in it."""
    turns, ticks, work = 0, 0.0, 0.0
    t, ends = 0.0, []
    for n in range(120):
        if n == 60:
            t += stop_s
            ticks += stop_s if runs else 0.0
        t, ticks, work, turns = t + 0.75, ticks + 0.75, work + 20.0, turns + 1
        ends.append((t, turns, ticks, work))
    last, slot, k = (0.0, 0, 0.0, 0.0), 0, 0
    step = 1.0 if channel == "2A63" else 8182 / 32768
    while slot * step < t + 2.0:
        now = 0.3 + slot * step
        while k < len(ends) and ends[k][0] <= now:
            last, k = ends[k], k + 1
        _, n, period, torque = last
        watts = 0 if now - last[0] > 2.0 else 168
        if channel == "2A63":
            octets = struct.pack(
                "<HhHHH", 0x2C, watts, round(32 * torque) % 65536, n, round(1024 * period) % 65536
            )
        else:
            octets = page(0x12, n, n, 2048.0 * period, 32.0 * torque)
        yield now, channel, octets
        slot += 1


@pytest.mark.parametrize("channel", ["ant11", "2A63"])
@pytest.mark.parametrize("runs", [True, False])
@pytest.mark.parametrize("stop_s", [3, 10, 20, *range(23, 34), 40, *range(50, 68, 2), 96, 127, 128, 129, 600])
def test_a_stop_of_any_length_is_a_rest_and_no_restart(stop_s: int, runs: bool, channel: str) -> None:
    seconds = round(90 + stop_s + 2)
    track, rows = heard(ride_with_stop(float(stop_s), runs, channel), seconds)
    assert track.restarts == 0
    true_j = TWO_PI * 20.0 * 120
    assert rows[:, WORK].sum() == pytest.approx(true_j, rel=0.015), "but for the first turn"
    assert rows[:, REVS].sum() == pytest.approx(120.0, abs=1.6)
    assert rows[50 : 44 + stop_s, WORK].sum() == 0.0
    assert rows[49 + stop_s : seconds - 4, WORK].mean() == pytest.approx(168.0, rel=0.05)


# -- crank torque frequency -------------------------------------------------------------------


def frequency_page(turns: int, ticks_s: float, torque_ticks: float, slope: float = 25.0) -> bytes:
    """0x20, big-endian: turns, slope 0.1 Hz per N·m, time 1/2000 s, torque ticks."""
    return struct.pack(
        ">BBHHH",
        0x20,
        turns % 256,
        round(slope * 10),
        round(ticks_s * 2000) % 65536,
        round(torque_ticks) % 65536,
    )


def frequency_meter(power_w: float, rpm: float, offset_hz: float, seconds: float) -> Iterator[Sent]:
    torque_nm = power_w / (TWO_PI * rpm / 60.0)
    for slot in range(int(seconds / 0.25)):
        t = slot * 0.25
        turns = int(t * rpm / 60.0)
        ended = turns * 60.0 / rpm
        yield t + 0.02, "ant11", frequency_page(turns, ended, ended * (offset_hz + 25.0 * torque_nm))


OFFSET_PAGE = bytes.fromhex("011001FFFFFF01F4")
"""Page 0x01, identifier 0x10 (torque frequency), 0x01 (zero offset), 500 Hz big-endian."""


@pytest.mark.parametrize(("power_w", "rpm"), [(179.8, 85.0), (60.0, 110.0), (700.0, 62.0)])
def test_torque_frequency_is_a_power_meter_once_its_offset_is_known(power_w: float, rpm: float) -> None:
    sent: list[Sent] = [(0.0, "ant11", OFFSET_PAGE), *frequency_meter(power_w, rpm, 500.0, 120.0)]
    track, rows = heard(sent, 120)
    assert track.lacks is None
    assert rows[5:115, WORK].sum() / 110.0 == pytest.approx(power_w, rel=0.005)
    assert 60.0 * rows[5:115, REVS].sum() / 110.0 == pytest.approx(rpm, rel=0.01)
    assert rows[5:115, COVERED].min() == pytest.approx(1.0, abs=1e-6)
    assert track.power_w == pytest.approx(power_w, abs=1.5), "one turn is as fine as its ticks"
    assert track.restarts == 0


def test_the_worked_example_of_torque_frequency() -> None:
    """Slope 25 Hz per N·m, offset 500 Hz, one turn in 1 s, 1000 ticks: 20 N·m, 60 rpm, 125.66 W."""
    sent: list[Sent] = [
        (0.0, "ant11", OFFSET_PAGE),
        (1.0, "ant11", frequency_page(0, 0.0, 0.0)),
        (2.0, "ant11", frequency_page(1, 1.0, 1000.0)),
    ]
    track, _ = heard(sent, 1)
    assert track.power_w == pytest.approx(125.66, abs=0.005)
    assert track.cadence_rpm == pytest.approx(60.0)


def test_without_its_offset_it_says_what_is_missing_and_its_cadence_is_right() -> None:
    sent = list(frequency_meter(180.0, 85.0, 500.0, 60.0))
    track, rows = heard(sent, 60)
    assert track.lacks == "zero offset"
    assert track.power_w is None
    assert rows[:, COVERED].sum() == 0.0
    assert 60.0 * rows[5:55, REVS].sum() / 50.0 == pytest.approx(85.0, rel=0.01)
    # The answer to a zero request in the middle of the ride, at a stop or not: from there on it measures.
    sent.insert(120, (30.0, "ant11", OFFSET_PAGE))
    track, rows = heard(sent, 60)
    assert track.lacks is None
    assert rows[33:55, WORK].sum() / 22.0 == pytest.approx(180.0, rel=0.01)
    assert rows[:29, COVERED].sum() == 0.0, "what it measured before can't be known"


def test_torque_frequency_rests_when_no_turn_comes() -> None:
    """Time and ticks go on through the stop, at the offset's frequency, past the wraps of both."""
    sent: list[Sent] = [(0.0, "ant11", OFFSET_PAGE)]
    for slot in range(960):
        t = slot * 0.25
        riding = t if t < 60.0 else 60.0 if t < 180.0 else t - 120.0
        turns = int(riding * 1.5)
        sent.append((t + 0.02, "ant11", frequency_page(turns, t, 500.0 * t + 25.0 * 20.0 * riding)))
    track, rows = heard(sent, 240)
    assert rows[65:178, WORK].sum() == 0.0
    assert rows[65:178, COVERED].min() == pytest.approx(1.0)
    assert rows[5:58, WORK].mean() == pytest.approx(TWO_PI * 20.0 * 1.5, rel=0.02)
    assert rows[185:235, WORK].mean() == pytest.approx(TWO_PI * 20.0 * 1.5, rel=0.02)
    assert rows[:, WORK].max() < 1.5 * TWO_PI * 20.0 * 1.5
    assert track.restarts == 0


# -- from rest --------------------------------------------------------------------------------


def notifications(ends: list[tuple[float, float]], at: list[float]) -> Iterator[Sent]:
    """0x2A63 with torque and crank at the times `at`; `ends`: when turns ended, mean torque (N·m)."""
    n, torque, ticks, k, watts = 0, 0.0, 0.0, 0, 0.0
    for t in at:
        while k < len(ends) and ends[k][0] <= t:
            seconds = ends[k][0] - (ends[k - 1][0] if k else 0.0)
            n, torque, ticks = n + 1, torque + ends[k][1], ends[k][0]
            watts, k = TWO_PI * ends[k][1] / seconds, k + 1
        shown = 0 if t - ticks > 2.0 else round(watts) + n % 4 - n // 3 % 3
        yield (
            t + 0.05,
            "2A63",
            struct.pack("<HhHHH", 0x2C, shown, round(32 * torque) % 65536, n, round(1024 * ticks) % 65536),
        )


@pytest.mark.parametrize("every_s", [0.25, 0.5, 1.0])
@pytest.mark.parametrize("phase", [0.02, 0.13, 0.31, 0.57, 0.83])
@pytest.mark.parametrize("rest_s", [0.0, 12.0])
def test_the_first_second_after_a_rest_holds_no_more_than_a_crank_can_turn(
    every_s: float, phase: float, rest_s: float
) -> None:
    """A standing start: 40 rpm in the first turn, 100 after five; the first magnet passes at any angle."""
    ends, t = [], rest_s + phase
    for n in range(40):
        rpm = min(100.0, 40.0 + 12.0 * n)
        t += 60.0 / rpm * (phase if n == 0 else 1.0)
        ends.append((t, 35.0))
    _, rows = heard(notifications(ends, list(np.arange(0.2, t + 2.0, every_s))), int(t) + 1)
    known = rows[:, TURNED] > 0.05
    rpm_s = 60.0 * rows[known, REVS] / rows[known, TURNED]
    assert rpm_s.max() < 150.0, "two turns and a half in a second from a standstill is what nobody does"
    assert rows[:, REVS].sum() == pytest.approx(40.0, abs=2.6)


# -- kept back by the radio --------------------------------------------------------------------


def kept_back(sent: Iterator[Sent] | list[Sent], begin_s: float, stall_s: float) -> list[Sent]:
    """Nothing is lost: what was sent within the stall arrives at its end, a few milliseconds apart."""
    out: list[Sent] = []
    for t, channel, octets in sent:
        late = begin_s + stall_s if begin_s <= t < begin_s + stall_s else t
        out.append((max(late, out[-1][0] + 0.004 if out else 0.0), channel, octets))
    return out


def torque_meter(rpm: float = 85.0, every_s: float = 1.0) -> Iterator[Sent]:
    turn = 60.0 / rpm
    ends = [((n + 1) * turn, 200.0 * turn / TWO_PI) for n in range(int(80.0 / turn))]
    return notifications(ends, list(np.arange(0.2, 80.0, every_s)))


def power_meter() -> Iterator[Sent]:
    """Power alone, once a second."""
    for n in range(80):
        yield n + 0.2, "2A63", struct.pack("<Hh", 0, 200)


def bike() -> Iterator[Sent]:
    """Indoor Bike Data: no speed (bit 0 set), cadence 0.5 rpm (bit 2), power (bit 6), once a second."""
    for n in range(80):
        yield n + 0.2, "2AD2", struct.pack("<HHh", 0x45, 170, 199 + n % 3)


def power_page() -> Iterator[Sent]:
    """0x10, updated each half second: count, no balance, cadence, sum, power."""
    for slot in range(320):
        n = slot // 2
        yield slot * 0.25, "ant11", struct.pack("<BBBBHH", 0x10, n % 256, 0xFF, 85, 200 * n % 65536, 200)


def wheel() -> Iterator[Sent]:
    return timed_wheel(200.0, 2.1, 0.5, 80.0, lambda *v: page(0x11, *v), "ant11")


KINDS: dict[str, Callable[[], Iterator[Sent]]] = {
    "torque": torque_meter,
    "torque-slow": lambda: torque_meter(50.0),
    "torque-4hz": lambda: torque_meter(92.0, 0.25),
    "power": power_meter,
    "bike": bike,
    "power-page": power_page,
    "timed-wheel": wheel,
}


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("stall_s", [1.5, 2.0, 2.7, 3.4, 4.2, 5.0])
@pytest.mark.parametrize("begin_s", [40.0, 40.35, 40.8])
def test_packets_kept_back_and_given_at_once_change_no_second(
    kind: str, stall_s: float, begin_s: float
) -> None:
    track, rows = heard(kept_back(KINDS[kind](), begin_s, stall_s), 78)
    calm = rows[20:75]
    covered = calm[:, COVERED] > 0.05
    power = calm[covered, WORK] / calm[covered, COVERED]
    # A turn is shared out over cells of a second as a whole: 1/1024 s of its time at either end.
    assert power.min() == pytest.approx(200.0, rel=0.02)
    assert power.max() == pytest.approx(200.0, rel=0.02)
    assert calm[:, COVERED].sum() > 54.0 - (stall_s if kind == "power" else 0.0)
    assert calm[:, COVERED].max() <= 1.0 + 1e-9
    turned = calm[:, TURNED] > 0.05
    if turned.any():
        rpm = 60.0 * calm[turned, REVS] / calm[turned, TURNED]
        assert rpm.max() - rpm.min() < 3.0
    assert track.restarts == 0


def test_power_that_changes_in_a_stall_keeps_its_order() -> None:
    """100, 200, 300 W: each packet's power goes on its own second, not on the first."""
    sent = [(n + 0.0, "2A63", struct.pack("<Hh", 0, 100 + 100 * max(0, n - 20))) for n in range(24)]
    whole, late = heard(sent, 22)[1], heard(kept_back(sent, 20.5, 2.9), 22)[1]
    assert late[:, WORK].tolist() == pytest.approx(whole[:, WORK].tolist(), rel=0.15)


# As a slow computer gave 7.7 s of a meter at 4 Hz: seconds from each packet to the next.
CATCHING_UP_S = (
    0.189,
    0.022,
    0.022,
    0.015,
    0.014,
    0.014,
    0.016,
    0.029,
    0.029,
    0.024,
    0.014,
    0.022,
    0.021,
    0.011,
)


@pytest.mark.parametrize("kind", ["torque", "power"])
def test_packets_that_a_slow_computer_gives_one_after_the_other_change_no_second(kind: str) -> None:
    """They come faster than they are sent, and not at once: no work goes on the seconds after the stall."""
    sent = list(torque_meter(85.0, 0.25)) if kind == "torque" else [
        (0.25 * n, "2A63", struct.pack("<Hh", 0, 200)) for n in range(320)
    ]  # fmt: skip
    given: list[Sent] = []
    for t, channel, octets in sent:
        late = 40.0 <= t < 47.7
        n = sum(1 for each in given if each[0] >= 47.7)
        at = given[-1][0] + CATCHING_UP_S[(n - 1) % len(CATCHING_UP_S)] if late and n else 47.7 if late else t
        given.append((max(at, given[-1][0] + 0.004 if given else 0.0), channel, octets))
    cells = heard(given, 78)[1]
    covered = cells[20:74, COVERED] > 0.5
    power = cells[20:74, WORK][covered] / cells[20:74, COVERED][covered]
    assert covered.sum() > 44
    assert power.max() == pytest.approx(200.0, rel=0.03)
    assert power.min() == pytest.approx(200.0, rel=0.03)


# -- through the whole pipeline ----------------------------------------------------------------


def evening(
    late: tuple[str, ...], begin_s: float, stall_s: float, ticks_late: bool = False
) -> tuple[Pipeline, list[Finding], npt.NDArray[np.float64]]:
    """Three instruments at 200 W, some of them kept back; the pipeline, its findings and all cells."""
    bench = parse_bench(
        '[bench]\nreference = "hub"\n'
        + "".join(
            f'[[instrument]]\nlabel = "{label}"\nlink = "log:{label}"\nmount = "{mount}"\n'
            for label, mount in (("hub", "hub"), ("pedals", "pedals"), ("heron", "spider"))
        )
    )
    cells: list[npt.NDArray[np.float64]] = []
    pipeline = Pipeline(bench, on_cell=lambda _, cell: cells.append(np.array(cell)))
    kinds = {"hub": bike, "pedals": torque_meter, "heron": lambda: torque_meter(85.0, 0.25)}
    records: list[Record] = [
        Packet(round(t * 1e9), label, channel, octets)
        for label, kind in kinds.items()
        for t, channel, octets in (kept_back(kind(), begin_s, stall_s) if label in late else kind())
    ]
    for n in range(80):
        waits = ticks_late and begin_s <= n < begin_s + stall_s
        t = begin_s + stall_s if waits else float(n)
        records.append(Tick(round(t * 1e9), round((1e9 + t) * 1e9)))
    findings: list[Finding] = []
    for record in sorted(records, key=lambda r: r.t_ns):
        findings += pipeline.feed(record)
    findings += pipeline.finish()
    return pipeline, findings, np.array(cells)


@pytest.mark.parametrize("late", [("hub",), ("pedals",), ("heron",), ("pedals", "heron")], ids=str)
@pytest.mark.parametrize("stall_s", [2.0, 3.5, 5.0])
@pytest.mark.parametrize("begin_s", [40.0, 40.6])
def test_one_kept_back_is_right_in_each_second_and_blames_nobody(
    late: tuple[str, ...], stall_s: float, begin_s: float
) -> None:
    pipeline, findings, rows = evening(late, begin_s, stall_s)
    assert [f.kind for f in findings if f.kind != "signal-lost"] == []
    calm = rows[20:74]
    assert calm[:, :, COVERED].min() > 0.95, "nothing was lost"
    power = calm[:, :, WORK] / calm[:, :, COVERED]
    assert power.min() == pytest.approx(200.0, rel=0.02)
    assert power.max() == pytest.approx(200.0, rel=0.02)
    rpm = 60.0 * calm[:, :, REVS] / calm[:, :, TURNED]
    assert rpm.min() > 83.0
    assert rpm.max() < 87.0
    assert pipeline.stamps_late_s == 0.0


@pytest.mark.parametrize("stall_s", [2.0, 3.5, 5.0])
def test_a_computer_that_stalls_is_named_and_no_link_is(stall_s: float) -> None:
    pipeline, findings, rows = evening(("hub", "pedals", "heron"), 40.3, stall_s, ticks_late=True)
    assert [(f.kind, f.event) for f in findings] == [("stamps-late", "raised"), ("stamps-late", "cleared")]
    assert findings[0].value == pytest.approx(stall_s, abs=1.0)
    assert "this computer is too slow: stamps are up to" in findings[0].what
    calm = rows[20:74]
    assert calm[:, :, WORK].min() == pytest.approx(200.0, rel=0.02)
    assert calm[:, :, WORK].max() == pytest.approx(200.0, rel=0.02)
    assert pipeline.stamps_late_s == pytest.approx(stall_s, abs=1.0)
    assert any("this computer is too slow" in event.text for event in pipeline.events)


def test_without_a_zero_offset_nothing_is_said_of_magnets() -> None:
    bench = parse_bench(
        '[bench]\nreference = "pedals"\n[[instrument]]\nlabel = "pedals"\nlink = "log:pedals"\n'
        '[[instrument]]\nlabel = "heron"\nlink = "log:heron"\n'
    )
    pipeline = Pipeline(bench)
    sent = [("heron", p) for p in frequency_meter(200.0, 85.0, 500.0, 79.0)]
    sent += [("pedals", p) for p in torque_meter()]
    findings: list[Finding] = []
    for label, (t, channel, octets) in sorted(sent, key=lambda each: each[1][0]):
        findings += pipeline.feed(Packet(round(t * 1e9), label, channel, octets))
    assert [(f.kind, f.instrument, f.cause) for f in findings] == [("power-missing", "heron", "zero-offset")]
    assert "zero offset" in findings[0].advice
    assert "magnet" not in findings[0].advice


# -- meters of the scoreboard's generator, which shares nothing with the program ------------------


@pytest.mark.slow
@pytest.mark.parametrize("style", ["steady", "free"])
@pytest.mark.parametrize("seed", range(3))
def test_rare_kinds_of_meters_are_right_and_blamed_for_nothing(style: str, seed: int) -> None:
    """A hub with wheel torque at a fixed rate and a frequency meter, against what they measured."""
    scenario = generator.make(generator.Case.parse(f"healthy/{style}/kinds/{seed}"), 600)
    cells: list[npt.NDArray[np.float64]] = []
    pipeline = Pipeline(scenario.bench, on_cell=lambda _, cell: cells.append(np.array(cell)))
    findings: list[Finding] = []
    for record in scenario.records:
        findings += pipeline.feed(record)
    assert findings == []
    rows = np.array(cells)
    for i, meter in enumerate(scenario.meters):
        if meter.sender not in ("ant-hub-timed", "ant-frequency") or style != "steady":
            # In free riding its delay and smoothing move work over the ends of the window.
            continue
        # Without its scatter from second to second: what it shows of the rider by its gain, zero and loss.
        quiet = dataclasses.replace(meter, noise=0.0, drift=0.0)
        true_w = meters.send(scenario.ride, quiet, None, np.random.default_rng(1)).clean_w
        shown_w = rows[60:590, i, WORK].sum() / rows[60:590, i, COVERED].sum()
        assert shown_w == pytest.approx(true_w[60:590].mean(), rel=0.005), meter.sender
