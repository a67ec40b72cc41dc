"""Clocks of devices that stand, or are found late: each second of an even ride keeps its work.

Pages are laid out by hand from the published tables (ANT+ 0x12, 0x20, 0x01, 0x10), one each quarter second.
"""

import math
import struct
from collections.abc import Callable, Iterator

import pytest

from capture.profiles import decode
from monitor.analysis.curve import LEFT, WORK
from monitor.analysis.work.track import Track
from tests.helpers.curves import counted
from tests.test_track import OFFSET_PAGE, Sent, frequency_page, heard, page

POWER_W, TURN_S = 200.0, 0.69
TORQUE_NM = POWER_W * TURN_S / (2.0 * math.pi)
SLOT_S = 0.25


def crank_page(turns: int) -> bytes:
    """After so many turns; the period has only grown while the crank turned."""
    return page(0x12, turns, turns, 2048 * TURN_S * turns, 32 * TORQUE_NM * turns)


def frequency_turns(turns: int) -> bytes:
    ridden_s = TURN_S * turns
    return frequency_page(turns, ridden_s, ridden_s * (500.0 + 25.0 * TORQUE_NM))


def slots(
    told: Callable[[int], bytes], begin_s: float, seconds: float, other: tuple[float, float]
) -> Iterator[Sent]:
    """Pages of a crank that turns evenly from `begin_s` on; other pages have the slots from `other` on."""
    yield 0.2, "ant11", OFFSET_PAGE
    for k in range(4, int(seconds / SLOT_S)):
        t = SLOT_S * k + 0.013
        if other[0] <= t < other[1]:
            yield t, "ant11", bytes.fromhex("50ffff01ff000100")
        else:
            yield t, "ant11", told(max(0, int((t - begin_s) / TURN_S)))


@pytest.mark.parametrize("told", [crank_page, frequency_turns])
@pytest.mark.parametrize("begin_s", [1.1, 1.4, 1.7, 1.95, 2.2, 3.0])
def test_a_baseline_from_before_the_start_leaves_no_hole_later(
    told: Callable[[int], bytes], begin_s: float
) -> None:
    _, cells = heard(list(slots(told, begin_s, 60.0, (30.0, 30.7))), 55)
    # Each second has its work, within what a hundredth of a second of a slot moves.
    assert cells[8:52, WORK] == pytest.approx(POWER_W, abs=0.02 * POWER_W)


@pytest.mark.parametrize("rest_s", [1.3, 1.9, 2.5, 3.4, 6.0])
def test_a_period_that_stands_at_a_stop_leaves_no_hole_later(rest_s: float) -> None:
    stop_s = 20.0
    turns_before = int((stop_s - 2.0) / TURN_S)

    def turns(t: float) -> int:
        if t < stop_s + rest_s:
            return max(0, min(turns_before, int((t - 2.0) / TURN_S)))
        return turns_before + int((t - stop_s - rest_s) / TURN_S)

    sent: list[Sent] = []
    for k in range(4, 280):
        t = SLOT_S * k + 0.013
        other = 45.0 <= t < 45.7
        sent.append((t, "ant11", bytes.fromhex("50ffff01ff000100") if other else crank_page(turns(t))))
    _, cells = heard(sent, 65)
    assert cells[32:62, WORK] == pytest.approx(POWER_W, abs=0.02 * POWER_W)


@pytest.mark.parametrize("late_s", [0.0, 0.1, 0.2, 0.3])
def test_who_turns_out_to_update_once_a_revolution_counts_no_work_twice(late_s: float) -> None:
    # Its first packet counts two turns and one update, as one that starts in the middle of a turn does.
    sent: list[Sent] = []
    for k in range(4, 560):
        t = SLOT_S * k + 0.013
        turns = max(0, int((t - 2.0 - late_s) / TURN_S))
        ridden = struct.unpack("<BBBBHH", crank_page(turns))
        updates = max(0, turns - 1) % 256 if turns else 0
        # A page of another kind has every other slot.
        octets = struct.pack("<BBBBHH", ridden[0], updates, *ridden[2:])
        if k % 2:
            sent.append((t, "ant11", octets))
    _, cells = heard(sent, 135)
    assert cells[12:130, WORK] == pytest.approx(POWER_W, abs=0.06 * POWER_W)
    assert cells[12:130, WORK].mean() == pytest.approx(POWER_W, rel=0.003)


# -- halves of a revolution


@pytest.mark.parametrize("every", [1, 2, 3])
@pytest.mark.parametrize("turn_s", [0.62, 0.69, 0.75, 0.8])
def test_halves_that_are_missed_lean_to_no_side(every: int, turn_s: float) -> None:
    # 60 % of the left leg's half and 40 % of the right one's are the left pedal's: even over a turn.
    track = counted(Track("both"))
    for k in range(800):
        t = SLOT_S * k + 0.013
        if k % (2 * every) == 1:
            continue
        halves = int(t / (turn_s / 2.0))
        right_percent = 30 if halves % 2 else 70
        power = struct.pack(
            "<BBBBHH", 0x10, halves % 256, 0x80 | right_percent, 87, 200 * halves % 65536, 200
        )
        track.feed(decode("ant11", power), t)
    track.settle()
    cells = [track.curve.close() for _ in range(190)][10:]
    share = sum(c[LEFT] for c in cells) / sum(c[WORK] for c in cells)
    assert share == pytest.approx(0.5, abs=0.01)
